"""A camera in the hand: what its shifts leave in the bar's path, found and taken out."""

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.analysis.sway import SwayConfig, at_bar, share_at_bar, still_spans
from barpath.clip.cameramotion import camera_motion
from barpath.clip.frames import Frame
from barpath.clip.parallax import parallax
from barpath.clip.scene import AT_BAR, IDENTITY, PARALLAX, transforms_of

N_FRAMES, FPS = 180, 30.0
TIME_S = np.arange(N_FRAMES) / FPS
REPS = pd.DataFrame({"start_s": [1.5], "touch_s": [2.5], "press_s": [3.0], "lockout_s": [4.2]})
FOCAL_PX = 900.0


def shifts_m(rng):
    """A hand's sway, metres across and up, of a few hertz at most."""
    phases = rng.uniform(0, 2 * np.pi, (2, 4))
    waves = [np.sin(2 * np.pi * f * TIME_S[:, None] + phases[:, k]) for k, f in
             enumerate((0.3, 0.7, 1.1, 1.7))]  # fmt: skip
    return 0.004 * np.sum(waves, axis=0) / 2


def pictured(points_m, shift_m):
    """Where points are in the picture of a camera shifted so, by OpenCV's projection."""
    matrix = np.array([[FOCAL_PX, 0, 640], [0, FOCAL_PX, 360], [0, 0, 1.0]])
    move = -np.array([shift_m[0], shift_m[1], 0.0])
    return cv2.projectPoints(points_m, np.zeros(3), move, matrix, None)[0][:, 0]


def scene_m(rng, n=70):
    """Corners of a wall 6 m away and of things 2.5 to 4 m away, with the floor before all."""
    across = rng.uniform(-2, 2, n)
    depth = np.where(np.arange(n) < n // 2, 6.0, rng.uniform(2.5, 4.0, n))
    up = np.where(depth == 6.0, rng.uniform(-1.5, 1, n), rng.uniform(-0.3, 1.2, n))
    return np.column_stack([across, up, depth])


@pytest.fixture(scope="module")
def filmed():
    """Corners less the similarity that fits them best, and a bar that is pressed 3 m away."""
    rng = np.random.default_rng(4)
    shift, corners = shifts_m(rng), scene_m(rng)
    height = np.interp(TIME_S, [0, 1.5, 2.5, 3.0, 4.2, 6], [0, 0, 0.35, 0.35, 0, 0])
    first = pictured(corners, np.zeros(2))
    apart, bar, still = [], [], []
    for k in range(N_FRAMES):
        seen = pictured(corners, shift[k]) + rng.normal(0, 0.1, first.shape)
        # Somebody walks through the picture.
        seen[:6, 0] += 0.5 * k
        fit, _ = cv2.estimateAffinePartial2D(seen, first, ransacReprojThreshold=2.0)
        off = seen @ fit[:, :2].T + fit[:, 2] - first
        # What is far from the consensus is no corner of the scenery.
        apart.append(np.where(np.linalg.norm(off, axis=1, keepdims=True) < 2.5, off, np.nan))
        at = np.array([[0.1, height[k] - 0.2, 3.0]])
        for out, shifted in ((bar, shift[k]), (still, np.zeros(2))):
            place = pictured(at, shifted)[0]
            out.append(fit[:, :2] @ place + fit[:, 2] if out is bar else place)
    return parallax(np.array(apart), first), np.array(bar), np.array(still)


def test_what_a_shift_leaves_in_the_bar_is_taken_out(filmed):
    shared, bar, truth = filmed
    share, sd = share_at_bar([bar], shared, still_spans(TIME_S, REPS))
    left, after = (bar - truth), (bar - share * shared - truth)
    assert abs(share) > 3 * sd
    assert np.std(after[:, 1]) < 0.35 * np.std(left[:, 1])
    assert np.std(after[:, 0]) < 0.35 * np.std(left[:, 0])


def test_what_is_not_told_is_left_as_it_is(filmed):
    shared, bar, _ = filmed
    spans = still_spans(TIME_S, REPS)
    rng = np.random.default_rng(1)
    share, sd = share_at_bar([rng.normal(0, 0.5, bar.shape)], shared, spans)
    assert abs(share) < 3 * sd
    assert np.isnan(share_at_bar([np.full_like(bar, np.nan)], shared, spans)).all()
    assert np.isnan(parallax(np.zeros((20, 5, 2)), np.zeros((5, 2)))).all()


def camera(shared, **others):
    table = pd.DataFrame({"frame": np.arange(N_FRAMES), "time_s": TIME_S, "static": False})
    table[["m00", "m01", "m02", "m10", "m11", "m12"]] = IDENTITY.ravel()
    table[list(PARALLAX)] = shared
    return table.assign(**others)


def test_maps_are_those_of_the_bar_where_they_are_known(filmed):
    shared, bar, _ = filmed
    track = pd.DataFrame({"frame": np.arange(N_FRAMES), "time_s": TIME_S})
    track[["x_px", "y_px"]] = bar
    table = camera(shared)
    known = at_bar(table, track, [""], REPS, SwayConfig())
    assert np.allclose(
        transforms_of(table)[:, :, 2] - transforms_of(known)[:, :, 2],
        known[AT_BAR].iloc[0] * shared,
    )
    for other in (camera(shared, static=True), table.drop(columns=list(PARALLAX))):
        assert at_bar(other, track, [""], REPS, SwayConfig()) is other


def test_a_camera_that_stands_tells_of_no_shifts():
    rng = np.random.default_rng(0)
    picture = cv2.GaussianBlur(rng.integers(0, 255, (240, 320, 3), np.uint8), (0, 0), 2)
    frames = [Frame(k, k / FPS, picture) for k in range(40)]
    table = camera_motion(frames)
    assert table["static"].all()
    assert table[list(PARALLAX)].isna().all(axis=None)
