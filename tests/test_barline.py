"""The bar and its ends in the front view, against made images whose geometry is known exactly.

The scene is a pinhole camera at the lifter's feet. It is drawn from the bar's and the plates'
dimensions in three dimensions, not from anything the tracker assumes about their image.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.errors import BarNotFoundError, OptionError
from barpath.ground.equipment import POWER_BAR
from barpath.sight.baredges import fit_line
from barpath.sight.barfind import find_bar
from barpath.sight.barline import BarlineConfig, BarSeed
from barpath.sight.barsearch import line_families
from barpath.sight.bartrack import BarTracker, track_bar
from barpath.sight.shaft import _quiet_band, bounds_of, box_cover

from .tied_orders import ORDERS

# IPF Technical Rules Book, equipment: bar 28 to 29 mm thick, 1310 mm between collar faces, discs of
# at most 450 mm diameter (from memory).
SHAFT_M, BETWEEN_M, PLATE_M = 0.028, 1.31, 0.45


@dataclass(frozen=True)
class Gym:
    """A made front view. Metres; x right, y up, z away from the camera."""

    width: int = 960
    height: int = 540
    camera_height_m: float = 1.5
    distance_m: float = 3.2
    aim_m: float = 0.95
    focal_share: float = 0.85
    between_m: float = BETWEEN_M
    plate_m: float = PLATE_M
    plates_thick_m: float = 0.06
    bar_level: float = 185.0
    plate_level: float = 35.0
    noise: float = 4.0
    blur_frames: int = 1
    seed: int = 0
    beam: bool = False
    shaded: bool = False

    def project(self, points: Sequence[Sequence[float]] | np.ndarray) -> np.ndarray:
        p = np.atleast_2d(np.asarray(points, dtype=float)) - [0.0, self.camera_height_m, 0.0]
        pitch = np.arctan2(self.camera_height_m - self.aim_m, self.distance_m)
        c, s = np.cos(pitch), np.sin(pitch)
        up = c * p[:, 1] + s * p[:, 2]
        ahead = -s * p[:, 1] + c * p[:, 2]
        f_px = self.focal_share * self.width
        return np.column_stack(
            [
                (self.width - 1) / 2 + f_px * p[:, 0] / ahead,
                (self.height - 1) / 2 - f_px * up / ahead,
            ]
        )


# Pictures are drawn this many times too large and then averaged: OpenCV's own anti-aliasing rounds
# a filled polygon to whole pixels.
FINE = 4


def fill(canvas: np.ndarray, points: np.ndarray, level: float) -> None:
    """Fill the hull of points given in pixels of the final picture."""
    fine = (np.asarray(points) + 0.5) * FINE - 0.5
    hull = cv2.convexHull(np.round(fine * 256).astype(np.int32))
    cv2.fillConvexPoly(canvas, hull, float(level), cv2.LINE_8, 8)


def ring(x: float, y: float, z: float, radius: float, axis: np.ndarray) -> np.ndarray:
    """Return points of a circle whose axis is the unit vector `axis` in the x-y plane."""
    angle = np.linspace(0, 2 * np.pi, 73)
    across = np.array([-axis[1], axis[0], 0.0])
    return (
        np.array([x, y, z])
        + radius * np.cos(angle)[:, None] * across
        + radius * np.sin(angle)[:, None] * np.array([0.0, 0.0, 1.0])
    )


def scenery(gym: Gym) -> np.ndarray:
    rng = np.random.default_rng(gym.seed)
    image = cv2.GaussianBlur(rng.normal(0, 1, (gym.height, gym.width)), (0, 0), 5)
    image = np.clip(125 + 10 * image / image.std(), 0, 255).astype(np.uint8)
    image = cv2.resize(image, None, fx=FINE, fy=FINE, interpolation=cv2.INTER_LINEAR)
    for _ in range(60):
        x, y = rng.integers(0, gym.width), rng.integers(0, int(0.7 * gym.height))
        w, h = rng.integers(8, 70, 2)
        fill(
            image, np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]), rng.uniform(50, 210)
        )
    # A rack behind with uprights, a bar resting on it and spare plates hanging off it.
    z = gym.distance_m + 0.6
    for x in (-0.62, 0.56):
        fill(image, gym.project([(x, 0, z), (x + 0.07, 0, z), (x + 0.07, 2.2, z), (x, 2.2, z)]), 60)
        fill(image, gym.project(ring(x, 0.5, z, 0.2, np.array([0.6, 0.8, 0.0]))), 90)
    for y in (1.75, 0.35):
        fill(
            image,
            gym.project([(-1.0, y, z), (1.0, y, z), (1.0, y + 0.03, z), (-1.0, y + 0.03, z)]),
            200,
        )
    if gym.beam:
        # A rack's cross-beam and a light wall edge, seen behind the bar at lockout.
        y_px = gym.project([(0.0, press(np.zeros(1))[0], gym.distance_m)])[0, 1]
        for x0, x1, up, down, level in (
            (0.1, 0.9, -40, 0, 150),
            (0.1, 0.9, 0, 40, 135),
            (0.3, 0.7, 5, 13, 215),
            (0.28, 0.42, -11, -5, 235),
            (0.55, 0.72, -4, 3, 60),
        ):
            x0, x1 = x0 * gym.width, x1 * gym.width
            top, bottom = y_px + up, y_px + down
            fill(image, np.array([(x0, top), (x1, top), (x1, bottom), (x0, bottom)]), level)
    return image


def draw(
    gym: Gym,
    base: np.ndarray,
    height_m: float,
    tilt_deg: float,
    shift_m: float,
    *,
    hide: float = 0.0,
) -> tuple[np.ndarray, dict[str, float]]:
    """Draw one sharp picture and return it with the truth."""
    image = base.copy()
    a = np.radians(tilt_deg)
    axis = np.array([np.cos(a), np.sin(a), 0.0])
    middle = np.array([shift_m, height_m, gym.distance_m])

    def at(along: float) -> np.ndarray:
        return middle + along * axis

    z = gym.distance_m
    # Spotter behind; trunk and head of the lifter below the bar.
    fill(
        image,
        gym.project(
            [(-0.2, 0.9, z + 0.5), (0.2, 0.9, z + 0.5), (0.18, 1.5, z + 0.5), (-0.18, 1.5, z + 0.5)]
        ),
        75,
    )
    fill(
        image,
        gym.project([(-0.24, 0.42, z), (0.24, 0.42, z), (0.2, 0.68, z), (-0.2, 0.68, z)]),
        160,
    )
    truth = {}
    half = gym.between_m / 2 + 0.03
    for sign, name in ((-1, "image_left"), (1, "image_right")):
        inner, outer = at(sign * half), at(sign * (half + gym.plates_thick_m))
        sleeve = at(sign * (half + 0.35))
        fill(
            image,
            gym.project(np.vstack([ring(*outer, 0.025, axis), ring(*sleeve, 0.025, axis)])),
            150,
        )
        both = np.vstack([ring(*inner, gym.plate_m / 2, axis), ring(*outer, gym.plate_m / 2, axis)])
        fill(image, gym.project(both), gym.plate_level)
        fill(image, gym.project(ring(*inner, gym.plate_m / 2, axis)), gym.plate_level + 18)
        fill(image, gym.project(ring(*inner, gym.plate_m / 2 * 0.8, axis)), gym.plate_level + 8)
        collar = at(sign * (half - 0.03))
        fill(
            image,
            gym.project(np.vstack([ring(*inner, 0.035, axis), ring(*collar, 0.035, axis)])),
            170,
        )
        (x_px, y_px), rim = (
            gym.project([inner])[0],
            gym.project(ring(*inner, gym.plate_m / 2, axis)),
        )
        truth[f"{name}_x_px"], truth[f"{name}_y_px"] = x_px, y_px
        truth[f"{name}_plate_px"] = np.ptp(rim[:, 1])
    ends = np.vstack(
        [
            ring(*at(-gym.between_m / 2), SHAFT_M / 2, axis),
            ring(*at(gym.between_m / 2), SHAFT_M / 2, axis),
        ]
    )
    fill(image, gym.project(ends), gym.bar_level)
    if gym.shaded:
        # Light from above: a bright upper and a dull lower side, as on any round bar.
        for low, high, level in ((0.25, 0.75, 235.0), (-0.3, 0.25, 165.0), (-1.0, -0.3, 130.0)):
            across = np.array([-axis[1], axis[0], 0.0]) * SHAFT_M / 2
            corners = [at(s * gym.between_m / 2) + k * across for s in (-1, 1) for k in (low, high)]
            fill(image, gym.project(corners), level)
    for sign in (-1, 1):
        hand, elbow = at(sign * 0.4), np.array([sign * 0.45, min(height_m - 0.22, 0.75), z - 0.05])
        shoulder = np.array([sign * 0.2, 0.55, z + 0.1])
        for p, q in ((hand, elbow), (elbow, shoulder)):
            fill(image, gym.project(np.vstack([ring(*p, 0.04, axis), ring(*q, 0.05, axis)])), 175)
        fill(
            image,
            gym.project(
                [
                    hand + d
                    for d in np.array(
                        [
                            (-0.05, -0.04, -0.02),
                            (0.05, -0.04, -0.02),
                            (0.05, 0.03, -0.02),
                            (-0.05, 0.03, -0.02),
                        ]
                    )
                ]
            ),
            185,
        )
        knee = np.array([sign * 0.3, 0.5, z - 0.95])
        fill(
            image,
            gym.project(
                np.vstack([ring(*knee, 0.09, axis), ring(sign * 0.14, 0.5, z - 0.5, 0.1, axis)])
            ),
            70,
        )
        fill(
            image,
            gym.project(
                np.vstack([ring(*knee, 0.08, axis), ring(sign * 0.35, 0.0, z - 0.9, 0.06, axis)])
            ),
            165,
        )
    if hide:
        x0, x1 = gym.project([(-hide, height_m, z), (hide, height_m, z)])[:, 0]
        fill(image, np.array([[x0, 0], [x1, 0], [x1, gym.height], [x0, gym.height]]), 110)
    return cv2.resize(image, (gym.width, gym.height), interpolation=cv2.INTER_AREA), truth


def press(t: np.ndarray, period_s: float = 3.0) -> np.ndarray:
    """Height of the bar: rests at lockout, goes down and comes up, again and again."""
    phase = np.mod(t, period_s) / period_s
    dip = np.where(phase < 0.3, 0.0, np.sin(np.pi * (phase - 0.3) / 0.7) ** 2)
    return 1.15 - 0.38 * dip


def clip(
    gym: Gym,
    n: int,
    fps: float = 30.0,
    *,
    step: int = 1,
    hide: float = 0.0,
    period_s: float = 3.0,
    still: bool = False,
) -> Iterator[tuple[SimpleNamespace, dict[str, float]]]:
    """Yield frames and truth; every `step`-th frame of a clip of `n` frames."""
    base = scenery(gym)
    rng = np.random.default_rng(gym.seed + 1000)
    for index in range(0, n, step):
        exposures = (index + 0.5 * np.arange(gym.blur_frames) / gym.blur_frames) / fps
        pictures, truths = [], []
        for s in exposures:
            height = 1.15 if still else float(press(np.array(s), period_s))
            tilt = 1.5 * np.sin(1.7 * s + 0.4)
            picture, truth = draw(gym, base, height, tilt, 0.02 * np.sin(0.9 * s), hide=hide)
            pictures.append(picture)
            truths.append(truth)
        image = cv2.GaussianBlur(np.mean(pictures, axis=0), (0, 0), 0.7)
        image += rng.normal(0, gym.noise, image.shape)
        image = np.clip(image, 0, 255).astype(np.uint8)
        frame = SimpleNamespace(index=index, time_s=index / fps, image=cv2.merge([image] * 3))
        yield frame, pd.DataFrame(truths).mean().to_dict() | {"frame": index}


Frames = list[SimpleNamespace]
Truth = pd.DataFrame


def made(gym: Gym, n: int, **options: object) -> tuple[Frames, Truth]:
    pairs = list(clip(gym, n, **options))
    return [frame for frame, _ in pairs], pd.DataFrame([truth for _, truth in pairs])


def tilt_deg(table: pd.DataFrame) -> np.ndarray:
    return np.degrees(
        np.arctan2(
            table["image_right_y_px"] - table["image_left_y_px"],
            table["image_right_x_px"] - table["image_left_x_px"],
        ).to_numpy()
    )


@pytest.fixture(scope="module")
def plain() -> tuple[Frames, Truth]:
    return made(Gym(), 96)


@pytest.fixture(scope="module")
def plain_seed(plain: tuple[Frames, Truth]) -> BarSeed:
    return find_bar(plain[0][::6])


@pytest.fixture(scope="module")
def plain_table(plain: tuple[Frames, Truth], plain_seed: BarSeed) -> pd.DataFrame:
    return track_bar(plain[0], plain_seed)


def test_bar_is_found_at_its_true_place(plain: tuple[Frames, Truth], plain_seed: BarSeed) -> None:
    true = plain[1].set_index("frame").loc[plain_seed.frame]
    for side, end in (("image_left", plain_seed.left), ("image_right", plain_seed.right)):
        assert abs(end.x_px - true[f"{side}_x_px"]) < 5.0
        assert abs(end.y_px - true[f"{side}_y_px"]) < 2.5
        assert abs(end.plate_px / true[f"{side}_plate_px"] - 1.0) < 0.04
    assert len(plain_seed.path) == 16


def test_both_ends_are_followed_to_a_tenth_of_a_pixel(
    plain: tuple[Frames, Truth], plain_table: pd.DataFrame
) -> None:
    truth = plain[1]
    assert (plain_table["frame"] == truth["frame"]).all()
    for side in ("image_left", "image_right"):
        assert (plain_table[f"{side}_state"] == "seen").all()
        error = (plain_table[f"{side}_y_px"] - truth[f"{side}_y_px"]).to_numpy()
        assert np.median(np.abs(error)) < 0.1
        assert np.abs(error).max() < 0.4
        assert np.std(plain_table[f"{side}_x_px"] - truth[f"{side}_x_px"]) < 0.5
        plate = plain_table[f"{side}_plate_px"] / truth[f"{side}_plate_px"] - 1.0
        assert abs(plate.median()) < 0.008
    assert np.abs(tilt_deg(plain_table) - tilt_deg(truth)).max() < 0.06


def test_a_bar_is_sought_where_it_is_pressed(
    plain: tuple[Frames, Truth], plain_seed: BarSeed
) -> None:
    """From the clip's start on the bar is dim, and its very picture hangs far below."""
    frame, at = plain[0][0], plain[1].iloc[0]
    ends = [f"image_{side}_y_px" for side in ("left", "right")]
    y_px = round(at[ends].mean())
    picture = frame.image.copy()
    there_px = picture.shape[0] - 66
    picture[there_px - 65 : there_px + 65] = frame.image[y_px - 65 : y_px + 65]
    dim = picture[y_px - 65 : y_px + 65]
    noise = np.random.default_rng(2).normal(0.0, 12.0, dim.shape)
    picture[y_px - 65 : y_px + 65] = np.clip(0.6 * dim + 40 + noise, 0, 255).astype(np.uint8)
    late = replace(plain_seed, path=plain_seed.path[plain_seed.path["time_s"] > frame.time_s + 0.4])
    shown = SimpleNamespace(index=frame.index, time_s=frame.time_s, image=picture)
    row = BarTracker(late).update(shown)
    assert [row[name] for name in ends] == pytest.approx(at[ends].tolist(), abs=3.0)


def test_stated_uncertainty_matches_the_error(
    plain: tuple[Frames, Truth], plain_table: pd.DataFrame
) -> None:
    for side in ("image_left", "image_right"):
        error = plain_table[f"{side}_y_px"] - plain[1][f"{side}_y_px"]
        z = (error / plain_table[f"{side}_sd_px"]).to_numpy()
        assert 0.15 < np.sqrt(np.mean(z**2)) < 1.5
        assert np.mean(np.abs(z) > 3.0) < 0.05


def test_shaft_thickness_is_that_of_a_28_mm_bar(
    plain: tuple[Frames, Truth], plain_table: pd.DataFrame
) -> None:
    gym = Gym()
    for row in (0, 40):
        y_px = plain[1].loc[row, ["image_left_y_px", "image_right_y_px"]].mean()
        ray = (y_px - (gym.height - 1) / 2) / (gym.focal_share * gym.width)
        pitch = np.arctan2(gym.camera_height_m - gym.aim_m, gym.distance_m)
        along_m = gym.distance_m / np.cos(pitch + np.arctan(ray))
        expected = SHAFT_M / along_m / np.cos(np.arctan(ray)) * gym.focal_share * gym.width
        assert abs(plain_table.loc[row, "bar_px"] / expected - 1.0) < 0.06


def test_bar_hidden_for_a_while_is_lost_and_found_again(
    plain: tuple[Frames, Truth], plain_seed: BarSeed
) -> None:
    tracker = BarTracker(plain_seed)
    for frame in plain[0]:
        image = frame.image.copy()
        if 30 <= frame.index < 50:
            image[:] = 128
        tracker.update(SimpleNamespace(index=frame.index, time_s=frame.time_s, image=image))
    table = tracker.table()
    hidden = table.iloc[30:50]
    assert (hidden["image_left_state"] == "lost").all()
    assert hidden["image_left_y_px"].isna().all()
    after = table.iloc[53:]
    assert (after["image_right_state"] == "seen").all()
    assert np.abs(after["image_right_y_px"] - plain[1]["image_right_y_px"].iloc[53:]).max() < 0.5


def test_one_end_hidden_is_never_called_seen(
    plain: tuple[Frames, Truth], plain_seed: BarSeed
) -> None:
    """Someone walks in front of the right plate and the bar near it."""
    tracker = BarTracker(plain_seed)
    rng = np.random.default_rng(0)
    for frame in plain[0][:60]:
        image = frame.image.copy()
        if frame.index >= 20:
            cover = rng.integers(90, 110, (image.shape[0], 260, 1)).astype(np.uint8)
            image[:, 580:840] = cover
        tracker.update(SimpleNamespace(index=frame.index, time_s=frame.time_s, image=image))
    table, truth = tracker.table().iloc[20:], plain[1].iloc[20:60]
    assert (table["image_right_state"] != "seen").all()
    left = table["image_left_y_px"] - truth["image_left_y_px"]
    assert np.abs(left).median() < 0.3
    known = table["image_right_y_px"].notna()
    right = (table["image_right_y_px"] - truth["image_right_y_px"])[known]
    assert (right.abs() < 5.0 * table["image_right_sd_px"][known] + 0.5).all()


@pytest.mark.parametrize(
    "gym",
    [
        pytest.param(
            Gym(width=800, height=450, camera_height_m=0.9, blur_frames=4, seed=11, bar_level=70),
            id="low-camera-dark-bar-motion-blur",
        ),
        pytest.param(
            Gym(width=800, height=450, distance_m=4.3, plate_m=0.325, seed=12),
            id="far-small-plates",
        ),
        pytest.param(
            Gym(width=800, height=450, camera_height_m=2.1, distance_m=2.7, seed=13, noise=8.0),
            id="high-near-noisy",
        ),
    ],
)
def test_other_views(gym: Gym) -> None:
    frames, truth = made(gym, 96, step=3, fps=30.0)
    table = track_bar(frames, find_bar(frames[::2]))
    for side in ("image_left", "image_right"):
        assert (table[f"{side}_state"] == "seen").mean() > 0.9
        error = (table[f"{side}_y_px"] - truth[f"{side}_y_px"]).abs()
        assert error.median() < 0.3
        assert error.quantile(0.95) < 0.8
    assert np.nanmedian(np.abs(tilt_deg(table) - tilt_deg(truth))) < 0.05


@pytest.fixture(scope="module")
def beam() -> tuple[Frames, Truth]:
    """The bar rests before long level edges, some as strong as its own."""
    gym = Gym(width=800, height=450, seed=21, beam=True, shaded=True)
    return made(gym, 192, step=2)


@pytest.fixture(scope="module")
def thighs() -> tuple[Frames, Truth]:
    """The lifter's thighs and head hide the middle of the bar."""
    return made(Gym(width=800, height=450, seed=14), 96, step=3, hide=0.25)


@pytest.fixture(scope="module")
def walker() -> tuple[Frames, Truth]:
    """Someone walks through the picture, from one side to the other."""
    frames, truth = made(Gym(width=800, height=450, seed=0), 180, step=3)
    for k, frame in enumerate(frames):
        x = (19 * k) % 1200 - 200
        frame.image[:, max(0, x) : max(0, x + 130)] = 90
    return frames, truth


def test_beam_and_wall_edge_behind_the_lockout_do_not_pull_the_line(
    beam: tuple[Frames, Truth],
) -> None:
    frames, truth = beam
    table = track_bar(frames, find_bar(frames[::3]))
    resting = np.mod(table["time_s"].to_numpy(), 3.0) < 0.8
    assert 0.2 < resting.mean() < 0.5
    for side in ("image_left", "image_right"):
        assert (table[f"{side}_state"] == "seen").mean() > 0.97
        error = (table[f"{side}_y_px"] - truth[f"{side}_y_px"]).to_numpy()
        assert np.sqrt(np.nanmean((error - np.nanmean(error)) ** 2)) < 0.3
        assert abs(np.nanmean(error)) < 0.6
        assert abs(np.nanmean(error[resting]) - np.nanmean(error[~resting])) < 0.25
        z = (error - np.nanmedian(error)) / table[f"{side}_sd_px"]
        assert np.sqrt(np.nanmean(z**2)) < 2.2
        plate = (table[f"{side}_plate_px"] - truth[f"{side}_plate_px"]).dropna()
        assert len(plate) > 0.3 * len(table)
        assert plate.std() < 0.5
    assert np.nanmax(np.abs(tilt_deg(table) - tilt_deg(truth))) < 0.15


def test_thighs_and_head_hiding_the_middle_do_no_harm(thighs: tuple[Frames, Truth]) -> None:
    frames, truth = thighs
    table = track_bar(frames, find_bar(frames[::2]))
    for side in ("image_left", "image_right"):
        error = (table[f"{side}_y_px"] - truth[f"{side}_y_px"]).abs()
        assert error.median() < 0.3
        assert error.max() < 1.5


def test_handheld_camera_with_its_motion_given() -> None:
    frames, truth = made(Gym(width=800, height=450, seed=15), 96, step=6)
    camera = []
    for k, frame in enumerate(frames):
        shift = np.array([[1, 0, 25 * np.sin(k)], [0, 1, 30 * np.cos(1.7 * k)]], dtype=float)
        frame.image = cv2.warpAffine(frame.image, shift, (800, 450), borderMode=cv2.BORDER_REFLECT)
        camera.append(cv2.invertAffineTransform(shift))
        for side in ("image_left", "image_right"):
            truth.loc[k, f"{side}_x_px"] += shift[0, 2]
            truth.loc[k, f"{side}_y_px"] += shift[1, 2]
    seed = find_bar(frames, camera=camera)
    path = seed.path.merge(truth, on="frame", suffixes=("", "_true"))
    assert len(path) >= 14
    for side in ("image_left", "image_right"):
        assert (path[f"{side}_y_px"] - path[f"{side}_y_px_true"]).abs().median() < 2.0
        assert (path[f"{side}_x_px"] - path[f"{side}_x_px_true"]).abs().median() < 6.0


def test_someone_walking_through_gives_no_wrong_number(walker: tuple[Frames, Truth]) -> None:
    frames, truth = walker
    table = track_bar(frames, find_bar(frames[::2]))
    for side in ("image_left", "image_right"):
        state = table[f"{side}_state"]
        error = (table[f"{side}_y_px"] - truth[f"{side}_y_px"]).abs()
        assert (state == "seen").mean() > 0.7
        assert error[state == "seen"].max() < 0.8
        assert (error > 5.0 * table[f"{side}_sd_px"]).mean() < 0.04


def test_bar_without_plates_is_refused() -> None:
    frames, _ = made(Gym(width=640, height=360, plate_m=0.06), 90, step=6)
    with pytest.raises(BarNotFoundError, match="plates at both ends"):
        find_bar(frames)


def test_bar_without_plates_is_followed_where_its_ends_are_told() -> None:
    frames, truth = made(Gym(plate_m=0.05), 90, step=3)
    middle = truth[["image_left_x_px", "image_right_x_px"]].mean().to_numpy()
    seed = find_bar(frames[::2], ends_px=middle + np.array([6.0, -4.0]), bare=True)
    assert seed.left.bare and seed.right.bare
    table = track_bar(frames, seed)
    for side in ("image_left", "image_right"):
        assert (table[f"{side}_state"] == "seen").mean() > 0.9
        assert table[f"{side}_plate_px"].isna().all()
        error = table[f"{side}_y_px"] - truth[f"{side}_y_px"]
        assert error.abs().median() < 0.3
        # The ends are off as they were told, alike all through the clip.
        off = table[f"{side}_x_px"] - truth[f"{side}_x_px"]
        assert (off - off.median()).abs().median() < 1.5


def test_what_looks_like_an_end_without_plates_is_not_taken_for_it_off_the_bars_line() -> None:
    """As an upright's hook beside which a bare sleeve passes, plainer to see than the sleeve."""
    frames, truth = made(Gym(plate_m=0.05), 90, step=6)
    ends_px = truth[["image_left_x_px", "image_right_x_px"]].mean().to_numpy()
    x, (high, low) = round(ends_px[1]), truth["image_right_y_px"].agg(["min", "max"])
    bottom = int(truth["image_right_y_px"].idxmax())
    y, up, hook_y = round(truth["image_right_y_px"][bottom]), 18, round(high) + 40
    columns = slice(x - 30, x + 120)
    hook = frames[bottom].image[y - up : y + up + 1, columns].copy()
    assert hook_y + 2 * up < low
    for k, frame in enumerate(frames):
        frame.image[hook_y - up : hook_y + up + 1, columns] = hook
        at_y = round(truth["image_right_y_px"][k])
        if at_y < hook_y - 2 * up:
            # The sleeve itself shows half as plainly there.
            sleeve = frame.image[at_y - up : at_y + up + 1, columns]
            sleeve[:] = cv2.addWeighted(sleeve, 0.5, sleeve[::-1], 0.5, 0.0)
    seed = find_bar(frames, ends_px=ends_px, bare=True)
    path = seed.path.set_index("frame")
    assert len(path) > 0.8 * len(frames)
    for side in ("image_left", "image_right"):
        off = path[f"{side}_y_px"] - truth.set_index("frame")[f"{side}_y_px"]
        assert off.abs().max() < 10.0


def test_scenery_that_looks_like_a_plate_is_passed_by_along_the_bars_line() -> None:
    """Half the way up stands the picture of an end, plainer to see than the end itself."""
    frames, truth = made(Gym(), 90, step=6)
    ends_px = truth[["image_left_x_px", "image_right_x_px"]].mean().to_numpy()
    y_px = truth["image_right_y_px"]
    half_way = int((y_px - (y_px.min() + y_px.max()) / 2).abs().idxmin())
    columns = slice(round(ends_px[1]) - 40, round(ends_px[1]) + 140)

    def rows(frame: int) -> slice:
        return slice(round(y_px[frame]) - 80, round(y_px[frame]) + 81)

    like_it = frames[half_way].image[rows(half_way), columns].copy()
    rng = np.random.default_rng(2)
    for k, frame in enumerate(frames):
        if abs(y_px[k] - y_px[half_way]) > 30:
            own = 0.2 * frame.image[rows(k), columns]
            frame.image[rows(half_way), columns] = like_it
            specks = cv2.GaussianBlur(
                rng.uniform(-640, 640, own.shape).astype(np.float32), (0, 0), 4
            )
            frame.image[rows(k), columns] = np.clip(own + 0.8 * (specks + 110), 0, 255)

    def most_off(*, along: bool) -> float:
        path = find_bar(frames, ends_px=ends_px, along=along).path.set_index("frame")
        assert len(path) > 0.8 * len(frames)
        off = path["image_right_y_px"] - truth.set_index("frame")["image_right_y_px"]
        return float(off.abs().max())

    assert most_off(along=False) > 30.0
    assert most_off(along=True) < 12.0


def test_a_bare_bar_at_rest_is_not_sought_where_it_never_is_pressed() -> None:
    """While it rests it hardly shows, and its very picture hangs far below."""
    frames, truth = made(Gym(plate_m=0.05), 90, step=6)
    ends = ["image_left_y_px", "image_right_y_px"]
    ends_px = truth[["image_left_x_px", "image_right_x_px"]].mean().to_numpy()
    y_px = truth[ends].mean(axis=1)
    low, travel, up = y_px.max(), np.ptp(y_px), 18
    bottom = frames[int(y_px.argmax())].image.copy()
    bar = bottom[round(low) - up : round(low) + up + 1]
    far = round(low + 1.6 * travel)
    for frame, y in zip(frames, y_px, strict=True):
        if y < y_px.min() + 0.1 * travel:
            frame.image[far - up : far + up + 1] = bar
            here = slice(round(y) - up, round(y) + up + 1)
            frame.image[here] = cv2.addWeighted(frame.image[here], 0.2, bottom[here], 0.8, 0.0)
    seed = find_bar(frames, ends_px=ends_px, bare=True)
    assert len(seed.path) > 0.5 * len(frames)
    assert (seed.path[ends] < low + travel).all(axis=None)


def test_plates_that_are_not_found_do_no_harm_where_the_ends_are_told(
    plain: tuple[Frames, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    frames, truth = plain
    monkeypatch.setattr("barpath.sight.barmodel._plate_pairs", lambda *_: [])
    ends_px = truth[["image_left_x_px", "image_right_x_px"]].mean().to_numpy()
    seed = find_bar(frames[::6], ends_px=ends_px)
    assert not seed.left.bare
    table = track_bar(frames[:30], seed)
    for side in ("image_left", "image_right"):
        assert (table[f"{side}_state"] == "seen").all()
        assert (table[f"{side}_y_px"] - truth[f"{side}_y_px"]).abs().median() < 0.2
    with pytest.raises(BarNotFoundError, match="plates at both ends"):
        find_bar(frames[::6])


def test_bar_that_does_not_move_is_not_taken_for_a_press() -> None:
    frames, _ = made(Gym(width=640, height=360), 60, step=6, still=True)
    with pytest.raises(BarNotFoundError, match="moves up and down"):
        find_bar(frames)


def test_what_is_refused_as_a_bare_bar_is_not_told_of_plates_at_its_ends() -> None:
    frames, truth = made(Gym(width=640, height=360, plate_m=0.05), 60, step=6, still=True)
    ends_px = truth[["image_left_x_px", "image_right_x_px"]].mean().to_numpy()
    with pytest.raises(BarNotFoundError, match="no bar without plates that moves"):
        find_bar(frames, ends_px=ends_px, bare=True)


def test_empty_scene_and_too_few_frames_are_refused() -> None:
    rng = np.random.default_rng(3)
    base = cv2.resize(scenery(Gym(width=640, height=360)), (640, 360))
    frames = []
    for k in range(12):
        image = np.clip(base + rng.normal(0, 4, base.shape), 0, 255).astype(np.uint8)
        frames.append(SimpleNamespace(index=k, time_s=k / 5, image=cv2.merge([image] * 3)))
    with pytest.raises(BarNotFoundError, match="moves up and down"):
        find_bar(frames)
    with pytest.raises(BarNotFoundError, match="few frames"):
        find_bar(frames[:3])


def test_frames_of_another_size_are_refused(plain_seed: BarSeed) -> None:
    frame = SimpleNamespace(index=0, time_s=0.0, image=np.zeros((100, 100, 3), np.uint8))
    with pytest.raises(OptionError, match="size"):
        BarTracker(plain_seed, BarlineConfig()).update(frame)


def test_line_fit_against_least_squares_of_numpy() -> None:
    """Without outliers and with a free bend it is ordinary least squares (numpy.polyfit)."""
    rng = np.random.default_rng(4)
    u = np.linspace(-1, 1, 200)
    errors, sds = [], []
    for _ in range(200):
        y = 3.0 - 1.2 * u + 0.4 * u**2 + rng.normal(0, 0.2, u.size)
        found, covariance, spread, used = fit_line(u, y, np.ones_like(u), (3.0, -1.0, 0.0), 1e3)
        assert used.mean() > 0.97
        assert np.abs(found - np.polyfit(u, y, 2)[::-1]).max() < 0.06
        errors.append(found - [3.0, -1.2, 0.4])
        sds.append(np.sqrt(np.diag(covariance)))
    ratio = np.std(errors, axis=0) / np.mean(sds, axis=0)
    assert (np.abs(ratio - 1.0) < 0.25).all()
    assert abs(spread - 0.2) < 0.05


def test_line_fit_ignores_a_third_of_outliers() -> None:
    rng = np.random.default_rng(5)
    u = np.linspace(-1, 1, 120)
    y = 10.0 + 4.0 * u + rng.normal(0, 0.1, u.size)
    y[20:60] += rng.uniform(3, 6, 40)
    found, _, _, used = fit_line(u, y, np.ones_like(u), (10.5, 3.5, 0.0), 0.5)
    assert not used[20:60].any()
    assert np.abs(found - [10.0, 4.0, 0.0]).max() < 0.15


def test_the_shaft_is_the_band_that_stays_while_its_sides_change():
    """Shaded from light to the scenery's own grey, before scenery that hardly follows."""
    rng = np.random.default_rng(8)
    rows = np.arange(-9, 10)
    thick, middle = 4.6, 1.75
    cover = box_cover(rows - middle, thick, 0.8)
    own = np.interp(rows - middle, [-2.3, -0.8, 2.3], [170.0, 165.0, 108.0])
    above, below = rng.normal(100, 30, (400, 1)), rng.normal(104, 14, (400, 1))
    scenery = np.where(rows < middle, above, below) + rng.normal(0, 8, (400, len(rows)))
    samples = cover * own + (1 - cover) * scenery + rng.normal(0, 3, (400, len(rows)))
    got_thick, got_middle = _quiet_band(samples, rows, bounds_of(216.0, POWER_BAR))
    assert got_middle == pytest.approx(middle, abs=0.6)
    assert got_thick == pytest.approx(thick, rel=0.15)


@pytest.mark.parametrize(
    ("name", "every"), [("beam", 3), ("thighs", 2), ("walker", 2)], ids=["beam", "thighs", "walker"]
)
def test_the_bar_found_does_not_hang_on_the_order_of_equal_candidates(
    name: str, every: int, request: pytest.FixtureRequest
) -> None:
    """Whatever order another processor's sort and sums would leave, the bar is the same."""
    frames = request.getfixturevalue(name)[0][::every]
    usual = find_bar(frames)
    for label, order in ORDERS.items():
        with order():
            found = find_bar(frames)
        for end, its in ((usual.left, found.left), (usual.right, found.right)):
            assert its.x_px == pytest.approx(end.x_px, abs=0.1), label
            assert its.y_px == pytest.approx(end.y_px, abs=0.1), label
            assert its.plate_px == pytest.approx(end.plate_px, abs=0.1), label
        assert found.bar_px == pytest.approx(usual.bar_px, abs=0.1), label
        assert found.frame == usual.frame, label


def test_a_grey_level_more_or_less_leaves_the_bar_where_it_is(
    walker: tuple[Frames, Truth],
) -> None:
    frames = walker[0][::2]
    usual, rng = find_bar(frames), np.random.default_rng(6)
    changed = []
    for frame in frames:
        noise = rng.integers(-1, 2, frame.image.shape)
        image = np.clip(frame.image.astype(int) + noise, 0, 255).astype(np.uint8)
        changed.append(SimpleNamespace(**(vars(frame) | {"image": image})))
    found = find_bar(changed)
    both = usual.path.merge(found.path, on="frame", suffixes=("", "_again"))
    assert len(both) > 0.9 * len(usual.path)
    for side in ("image_left", "image_right"):
        assert (both[f"{side}_y_px"] - both[f"{side}_y_px_again"]).abs().median() < 1.5
        assert (both[f"{side}_x_px"] - both[f"{side}_x_px_again"]).abs().median() < 3.0


def test_lines_of_equal_support_are_chosen_by_slope_and_height_in_any_order() -> None:
    rng = np.random.default_rng(9)
    alike = ((0.0, 0.0), (30.0, 0.0), (60.0, 12.0), (-30.0, -12.0))
    rows = [(k, 40.0 + 3 * k + away, drop, 60.0) for k in range(12) for away, drop in alike]
    lines = pd.DataFrame(rows, columns=["sample", "y", "drop", "support"])
    stack = SimpleNamespace(grey=np.zeros((12, 360, 640), np.uint8))
    expected = None
    for _ in range(6):
        mixed = lines.sample(frac=1.0, random_state=rng).reset_index(drop=True)
        families = line_families(mixed, BarlineConfig(), stack)
        chosen = [mixed.loc[kept].to_numpy().tolist() for kept in families]
        expected = expected or chosen
        assert chosen == expected
    assert len(expected[0]) == 12
    assert {drop for _, _, drop, _ in expected[0]} == {0.0}
