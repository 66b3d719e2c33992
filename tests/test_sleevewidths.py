"""How thick a bare bar's sleeves look at an angle, in drawn pictures whose truth is known."""

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.ground.equipment import POWER_BAR, bar_of
from barpath.sight.jointnet import POINTS
from barpath.sight.sleevewidths import BarLie, BarLooks, WidthConfig, sleeve_widths
from barpath.space.barparts import sleeves_in, with_sleeves

WIDTH, HEIGHT, FOCAL_PX = 960, 540, 800.0
CENTRE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
AXIS = np.array([0.72, -0.06, 0.69])
AXIS /= np.linalg.norm(AXIS)
"""From the nearer end away from the camera, 46 degrees from the picture's plane."""
SHARP = 4


def seen(points):
    return CENTRE + FOCAL_PX * points[..., :2] / points[..., 2:]


def beside(places):
    """Unit vectors to what is seen of a thin cylinder about the axis farthest off."""
    aside = np.cross(places, AXIS)
    return aside / np.linalg.norm(aside, axis=-1, keepdims=True)


def drawn(scenery, middle, sleeve_m, colour):
    """Draw the bar, four times as large, blurred and then shrunk."""
    big = cv2.resize(scenery, None, fx=SHARP, fy=SHARP, interpolation=cv2.INTER_NEAREST)
    bar = POWER_BAR
    for start, stop, radius in (
        (-bar.collar_m, bar.collar_m, bar.shaft_radius_m),
        *((way * bar.collar_m, way * bar.end_m, sleeve_m / 2) for way in (1, -1)),
        *((way * bar.collar_m, way * (bar.collar_m + 0.03), 0.037) for way in (1, -1)),
    ):
        ends = middle + np.array([[start], [stop]]) * AXIS
        # A polygon is drawn with its border, half a pixel wide.
        radius = radius - 0.5 / SHARP * ends[:, 2:] / FOCAL_PX
        # Lit from above: bright near the upper side, and darker toward the lower.
        for share in np.linspace(1.0, -1.0, 24):
            side = beside(ends)
            corners = np.array([ends - radius * side, ends + share * radius * side])
            places = seen(np.vstack([corners[0], corners[1][::-1]]))
            shade = np.array(colour) * (0.75 + 0.5 * (0.4 - share) / 1.4)
            at = ((places + 0.5) * SHARP - 0.5) * 16
            cv2.fillPoly(big, [at.round().astype(np.int32)], shade.clip(0, 255).tolist(), shift=4)
    big = cv2.GaussianBlur(big, (0, 0), SHARP * 0.6)
    return cv2.resize(big, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)


def room():
    """A wall with patches that differ by height and along, some of the bar's own grey."""
    rng = np.random.default_rng(8)
    coarse = rng.integers(60, 190, (18, 32, 3)).astype(np.uint8)
    return cv2.resize(coarse, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)


@cache
def pictures(sleeve_m, n):
    """Of a bar that is lowered, and its middles."""
    middles = np.array([[0.1, -0.28 + 0.4 * frame / n, 2.7] for frame in range(n)])
    return [drawn(room(), middle, sleeve_m, (150, 150, 155)) for middle in middles], middles


def press(sleeve_m=0.05, n=24, scale=1.05, config=None, grey=False):
    """Looks at a bar that is lowered, and how it lies by a camera that errs, and its middles.

    Lengths come out too long by `scale`, the bar is turned by half a degree and lies off.
    """
    looks, lies = BarLooks(config), {}
    along = looks.config.along_m[:, None]
    drawings, middles = pictures(sleeve_m, n)
    for frame, (picture, middle) in enumerate(zip(drawings, middles, strict=True)):
        if grey:
            picture = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        places = np.zeros((len(POINTS), 2)) + seen(middle)
        places[:10] += np.column_stack([np.linspace(-150, 150, 10), np.linspace(-80, 80, 10)])
        outside = np.ones(len(POINTS), bool)
        outside[:10] = False
        rng = np.random.default_rng(frame)
        for name, at in (("left_hand", -0.3), ("right_hand", 0.3), ("right_collar", 0.655)):
            k = POINTS.index(name)
            places[k], outside[k] = seen(middle + at * AXIS) + rng.normal(0, 2, 2), False
        reading = SimpleNamespace(xy_px=places, outside=outside, sd_px=np.full(len(POINTS), 3.0))
        looks.update(frame, picture, reading)
        turned = AXIS + np.array([0.0, 0.008, 0.0])
        points = middle + [0.0, 0.012, 0.0] + (along + 0.02) / scale * turned
        side = 1e-3 * beside(points)
        lies[frame] = BarLie(seen(points), 1e3 * (seen(points + side) - seen(points)) / scale)
    return looks, lies, middles


def check(width, way, middles, sleeve_m=0.05):
    """Against what such a sleeve measures at the place on its axis."""
    along = np.linspace(POWER_BAR.collar_m, POWER_BAR.end_m, 400)[:, None]
    offs, shares = [], []
    for frame, place, diameter in zip(width.frames, width.place_px, width.diameter_px, strict=True):
        points = middles[frame] + way * along * AXIS
        off = np.hypot(*(seen(points) - place).T)
        point = points[off.argmin()]
        side = sleeve_m / 2 * beside(point)
        offs.append(off.min())
        shares.append(diameter / np.hypot(*(seen(point + side) - seen(point - side))))
    assert np.median(offs) < 0.6
    assert np.median(shares) == pytest.approx(1.0, abs=min(2.0 * width.rel_sd, 0.025))
    assert np.ptp(shares) < 0.01


@pytest.mark.parametrize("scale", [0.94, 1.06])
@pytest.mark.parametrize("grey", [False, True])
def test_both_sleeves_are_measured_by_a_rough_camera(scale, grey):
    looks, lies, middles = press(scale=scale, grey=grey)
    for way, width in zip((-1, 1), sleeve_widths(looks, lies), strict=True):
        assert width is not None
        assert 0.01 <= width.rel_sd < 0.04
        check(width, way, middles)


@pytest.mark.parametrize("sleeve_m", [0.047, 0.053])
def test_another_thickness_is_seen_and_not_what_was_expected(sleeve_m):
    looks, lies, middles = press(sleeve_m=sleeve_m)
    for way, width in zip((-1, 1), sleeve_widths(looks, lies), strict=True):
        assert width is not None
        check(width, way, middles, sleeve_m)


def test_a_bar_without_thick_sleeves_gives_no_ruler():
    assert sleeve_widths(*press(sleeve_m=0.0286)[:2]) == (None, None)


def test_a_sleeve_outside_the_picture_is_not_told():
    """The camera's picture ends before the nearer sleeve's shoulder; the part goes on, black."""
    looks, lies, _ = press()
    edge_px = np.array([-290.0, 0.0])
    moved = [
        replace(look, to_px=look.to_px + np.column_stack([np.zeros((2, 2)), edge_px]))
        for look in looks.kept
    ]
    looks.kept[:] = moved
    lies = {k: replace(lie, axis_px=lie.axis_px + edge_px) for k, lie in lies.items()}
    nearer, farther = sleeve_widths(looks, lies)
    assert nearer is None
    assert farther is not None


def test_too_few_pictures_or_too_short_a_sleeve_tell_nothing():
    looks, lies, _ = press(n=12)
    few = dict(list(lies.items())[: looks.config.least - 1])
    assert sleeve_widths(looks, few) == (None, None)
    short = WidthConfig(barbell=bar_of("1310:1510"))
    assert sleeve_widths(*press(n=12, config=short)[:2]) == (None, None)


def test_parts_are_kept_where_the_bar_moves_and_not_more_than_are_wanted():
    config = WidthConfig(most=10)
    looks, *_ = press(config=config)
    assert 5 <= len(looks.kept) <= config.most
    frames = np.array([look.frame for look in looks.kept])
    assert np.ptp(frames) > 12
    resting = BarLooks()
    kept = press(n=1)[0].kept
    reading = SimpleNamespace(
        xy_px=np.tile([[400.0, 200.0]], (len(POINTS), 1)) + np.arange(len(POINTS))[:, None],
        outside=np.zeros(len(POINTS), bool),
        sd_px=np.ones(len(POINTS)),
    )
    for frame in range(5):
        resting.update(frame, room(), reading)
    assert len(resting.kept) == len(kept) == 1


def test_a_table_says_what_was_told_of_sleeves():
    looks, lies, _ = press(n=12)
    _, farther = sleeve_widths(looks, lies)
    track = pd.DataFrame({"frame": np.arange(14), "x_px": 1.0, "y_px": 2.0})
    table = with_sleeves(track, (None, farther))
    assert sleeves_in(track) == []
    assert sleeves_in(table) == ["far_sleeve_"]
    told = table["far_sleeve_px"].notna()
    assert list(table["frame"][told]) == list(farther.frames)
    assert table["far_sleeve_px"][told].to_numpy() == pytest.approx(farther.diameter_px)
    assert (table["far_sleeve_rel_sd"] == farther.rel_sd).all()
    assert len(table) == len(track)
