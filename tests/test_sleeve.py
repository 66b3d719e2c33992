"""The end of a bare bar's sleeve, found in drawn pictures whose truth is known."""

from functools import cache
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.ground.equipment import POWER_BAR
from barpath.sight.jointnet import POINTS
from barpath.sight.pose import bare_track
from barpath.sight.sleeve import find_sleeve
from barpath.sight.sleeveface import Face, FaceConfig, points
from barpath.sight.sleevelooks import SleeveLooks

WIDTH, HEIGHT, FOCAL_PX = 640, 480, 780.0
CENTRE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
AXIS = np.array([0.12, 0.0, 1.0]) / np.hypot(0.12, 1.0)
"""From the nearer end away from the camera, which looks along it but for seven degrees."""


def seen(point):
    return CENTRE + FOCAL_PX * point[..., :2] / point[..., 2:]


def drawn(picture, end, face, sleeve, inner=None):
    """Draw a sleeve from its shoulder to its end, eight times as large, blurred and then shrunk."""
    # A polygon is drawn with its border, half a pixel wide.
    radius = POWER_BAR.sleeve_radius_m - 0.5 / 8 * end[2] / FOCAL_PX
    x, y = (seen(end) - 70).astype(int)
    part = picture[y : y + 140, x : x + 140]
    big = cv2.resize(part, None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST)

    def ring(along_m, radius_m):
        turn = np.linspace(0, 2 * np.pi, 90)[:, None]
        side = np.array([AXIS[2], 0.0, -AXIS[0]])
        edge = radius_m * (np.cos(turn) * side + np.sin(turn) * [0.0, 1.0, 0.0])
        place = seen(end + along_m * AXIS + edge) - (x, y)
        return ((place + 0.5) * 8 - 0.5).round().astype(np.int32)

    for along in np.linspace(0.415, 0.0, 80):
        cv2.fillPoly(big, [ring(along, radius)], sleeve)
    cv2.fillPoly(big, [ring(0.0, radius)], face)
    if inner is not None:
        cv2.fillPoly(big, [ring(0.0, 0.48 * radius)], inner)
    big = cv2.GaussianBlur(big, (0, 0), 8 * 0.6)
    out = picture.copy()
    out[y : y + 140, x : x + 140] = cv2.resize(big, (140, 140), interpolation=cv2.INTER_AREA)
    return out


@cache
def press(face, sleeve, inner=None, n=60, read_px=1.0, wall=None, read_below_m=-1.0):
    """Looks at a bar that is lowered and pressed, the pose table, and where its end is.

    It comes down in front of a `wall` of that colour, and its end is read below a height.
    """
    rng = np.random.default_rng(4)
    scenery = cv2.GaussianBlur(rng.normal(110, 160, (HEIGHT, WIDTH, 3)), (0, 0), 9)
    scenery = np.clip(scenery, 0, 255).astype(np.uint8)
    if wall is not None:
        scenery[: int(CENTRE[1]) - 10] = wall
    looks, rows, ends = SleeveLooks("left"), [], []
    for frame in range(n):
        # At rest before and after.
        turn = 2 * np.pi * np.clip((frame - 6) / (n - 12), 0.0, 1.0)
        end = np.array([-0.12, 0.02 - 0.13 * np.cos(turn), 1.5])
        middle = end + POWER_BAR.end_m * AXIS
        picture = drawn(scenery, end, face, sleeve, inner)
        places = np.zeros((len(POINTS), 2)) + seen(middle)
        # Shoulders and hips by whose distance the size of the part is told.
        places[:10] += np.column_stack([np.linspace(-90, 90, 10), np.linspace(-70, 70, 10)])
        places[POINTS.index("left_bar_end")] = seen(end) + rng.normal(0, read_px, 2)
        outside = np.zeros(len(POINTS), bool)
        outside[POINTS.index("left_bar_end")] = unread = end[1] < read_below_m
        for hand in ("left_hand", "right_hand"):
            places[POINTS.index(hand)] = seen(middle)
        reading = SimpleNamespace(xy_px=places, outside=outside)
        looks.update(frame, picture, reading)
        row = {"frame": frame, "time_s": frame / 30}
        hand = seen(middle) + rng.normal(0, 0.5, 2)
        for name, place in (
            ("left_bar_end", places[POINTS.index("left_bar_end")]),
            ("left_hand", hand),
            ("right_hand", hand),
        ):
            if unread and name == "left_bar_end":
                place = np.full(2, np.nan)
            row |= {f"{name}_x_px": place[0], f"{name}_y_px": place[1]}
            row |= {f"{name}_var_x_px2": read_px**2, f"{name}_var_y_px2": read_px**2}
        rows.append(row)
        ends.append(seen(end))
    return looks, pd.DataFrame(rows), np.array(ends)


DIAMETER_PX = FOCAL_PX * 2 * POWER_BAR.sleeve_radius_m / 1.5


@pytest.mark.parametrize("inner", [None, (40, 40, 44)], ids=["plain", "with a dark cap"])
@pytest.mark.parametrize("focal_rel", [0.9, 1.12])
def test_the_sleeve_s_end_is_measured_whatever_the_focal_length_is_taken_for(inner, focal_rel):
    looks, joints, ends = press((150, 150, 155), (215, 215, 215), inner)
    found = find_sleeve(looks, joints, joints, focal_rel * FOCAL_PX)
    assert found is not None
    assert found.diameter_px == pytest.approx(DIAMETER_PX, rel=2.0 * found.rel_sd)
    assert 0.01 < found.rel_sd < 0.03
    assert found.hands_share == pytest.approx(1.5 / (1.5 + POWER_BAR.end_m * AXIS[2]), abs=0.015)
    off = found.path[["x_px", "y_px"]].to_numpy() - ends[found.path["frame"]]
    # Nearer than it was read.
    assert np.abs(off).mean() < 0.5
    assert len(found.path) > 0.9 * len(ends)


@pytest.mark.parametrize("read_below_m", [-1.0, -0.08], ids=["read everywhere", "not high up"])
def test_a_face_is_found_before_a_wall_of_its_colour(read_below_m):
    """Where its outline hardly stands out, and whether or not the end is read there."""
    grey = (150, 150, 155)
    looks, joints, ends = press(
        grey, (215, 215, 215), (90, 90, 94), wall=grey, read_below_m=read_below_m
    )
    n_read = joints["left_bar_end_x_px"].notna().sum()
    assert (n_read < 0.8 * len(ends)) == (read_below_m > -1.0)
    found = find_sleeve(looks, joints, joints, FOCAL_PX)
    assert found is not None
    assert found.diameter_px == pytest.approx(DIAMETER_PX, rel=2.5 * found.rel_sd)
    off = found.path[["x_px", "y_px"]].to_numpy() - ends[found.path["frame"]]
    assert np.sqrt((off**2).mean()) < 0.2
    first_read = int(np.argmax(joints["left_bar_end_x_px"].notna()))
    assert len(found.path) > 0.75 * (len(ends) - first_read)
    assert joints["left_bar_end_x_px"].iloc[list(found.measured)].notna().all()


def test_a_face_looks_like_itself_in_any_light_and_not_like_a_plain_one():
    config = FaceConfig()
    rng = np.random.default_rng(3)
    out = np.hypot(*points(config).T).reshape(config.n_rings, config.n_around, 1)
    capped = np.where(out < 0.5, 40.0, 150.0) + rng.normal(
        0, 3, (config.n_rings, config.n_around, 3)
    )
    face = Face([capped], config)
    others = np.stack([0.7 * capped + 30.0, 0.0 * capped + 150.0, 190.0 - capped])
    bright, plain, other_way = face.alike(others)
    assert bright > 0.95
    assert abs(plain) < 0.2
    assert other_way < -0.9
    # A plain face is alike to nothing, itself included.
    plain_face = rng.normal(150, 1, capped.shape)
    assert abs(Face([plain_face], config).alike(plain_face[None])[0]) < config.alike / 2


def test_a_sleeve_that_does_not_stand_out_is_not_told():
    looks, joints, _ = press((110, 110, 110), (110, 110, 110))
    flat = SleeveLooks("left")
    for frame in range(60):
        reading = SimpleNamespace(
            xy_px=np.zeros((len(POINTS), 2)) + looks.kept[frame].corner + 40.0,
            outside=np.zeros(len(POINTS), bool),
        )
        reading.xy_px[:10] += np.linspace(-90, 90, 10)[:, None]
        flat.update(frame, np.full((HEIGHT, WIDTH, 3), 110, np.uint8), reading)
    assert find_sleeve(flat, joints, joints, FOCAL_PX) is None


def test_without_the_hands_the_sleeve_is_not_told():
    looks, joints, _ = press((150, 150, 155), (215, 215, 215), n=20)
    joints = joints.drop(columns=["left_hand_x_px", "left_hand_y_px"])
    assert find_sleeve(looks, joints, joints, FOCAL_PX) is None


def test_a_table_follows_the_sleeve_s_end_where_it_was_told():
    looks, joints, ends = press((150, 150, 155), (215, 215, 215))
    found = find_sleeve(looks, joints, joints, FOCAL_PX)
    track = bare_track(np.arange(len(ends) + 5) / 30, joints, found)
    assert track["state"].iloc[-5:].eq("lost").all()
    assert track["state"].iloc[:-5].eq("seen").mean() > 0.9
    assert np.nanmean(np.abs(track["y_px"].to_numpy()[:-5] - ends[:, 1])) < 0.5
    assert track["sleeve_px"].to_numpy() == pytest.approx(found.diameter_px)
    assert tuple(np.flatnonzero(track["sleeve_measured"])) == found.measured
    assert track["major_px"].isna().all()
