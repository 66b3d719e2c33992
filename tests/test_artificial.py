"""Made images against what can be measured in them with plain OpenCV."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from barpath.trial.artificial import (
    PlateScene,
    camera_transforms,
    make_plate_clip,
    plate_texture,
    press_height,
)

PLAIN = PlateScene(
    width_px=240,
    height_px=200,
    n_frames=3,
    major_px=90.0,
    travel_px=40.0,
    n_distractors=0,
    noise_sd=0.0,
    jpeg_quality=0,
    light_change=0.0,
    spin_deg_s=0.0,
    seed=7,
)


def plate_mask(scene: PlateScene, index: int) -> np.ndarray:
    """Coverage of the plate: how far the same scene differs with a black and a white plate."""
    frames = [
        make_plate_clip(replace(scene, face_level=level))[0][index].image[..., 1].astype(float)
        for level in (20.0, 110.0)
    ]
    return np.abs(frames[1] - frames[0])


@pytest.mark.parametrize("aspect", [1.0, 0.6])
def test_drawn_outline_lies_where_the_truth_says(aspect: float) -> None:
    scene = replace(PLAIN, aspect=aspect)
    _, truth = make_plate_clip(scene)
    mask = (plate_mask(scene, 0) > 8).astype(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(contours, key=cv2.contourArea))
    (x, y), axes, _ = cv2.fitEllipse(hull)
    assert (x, y) == pytest.approx((truth["x_px"][0], truth["y_px"][0]), abs=0.35)
    # The contour runs through pixel centres inside the edge, so it is up to a pixel small.
    assert max(axes) == pytest.approx(90.0, abs=1.6)
    assert min(axes) == pytest.approx(90.0 * aspect, abs=1.6)


def test_press_height_goes_down_pauses_and_returns() -> None:
    t = np.linspace(0, 4, 401)
    height = press_height(t, start_s=0.5, descent_s=1.0, pause_s=0.5, drive_s=1.0)
    assert height[t < 0.5] == pytest.approx(1.0)
    assert height[(t > 1.51) & (t < 1.99)] == pytest.approx(0.0, abs=1e-9)
    assert height[t > 3.01] == pytest.approx(1.0)
    assert (np.diff(height[(t > 0.5) & (t < 1.5)]) <= 0).all()
    # Minimum-jerk movements peak at 1.875 times their mean speed (Flash and Hogan 1985).
    assert -np.diff(height).min() / 0.01 == pytest.approx(1.875, rel=0.01)


def test_two_reps_reach_the_chest_twice() -> None:
    height = press_height(np.linspace(0, 6, 601), n_reps=2)
    low = height < 0.05
    assert np.count_nonzero(np.diff(low.astype(int)) == 1) == 2


@pytest.mark.parametrize("occluder", ["upright", "passer"])
@pytest.mark.parametrize("share", [0.2, 0.4])
def test_hidden_share_reaches_what_was_asked(occluder: str, share: float) -> None:
    scene = replace(PLAIN, n_frames=30, occluder=occluder, hidden_share=share, drift_px=4.0)
    _, truth = make_plate_clip(scene)
    assert truth["hidden_share"].max() == pytest.approx(share, abs=0.04)


def test_same_seed_same_pixels_and_other_seed_other_pixels() -> None:
    one, other = make_plate_clip(PLAIN)[0], make_plate_clip(replace(PLAIN, seed=8))[0]
    assert (one[1].image == make_plate_clip(PLAIN)[0][1].image).all()
    assert (one[1].image != other[1].image).any()
    assert one[1].image.dtype == np.uint8
    assert one[1].image.shape == (200, 240, 3)


def test_camera_transforms_put_the_background_back() -> None:
    scene = replace(PLAIN, n_frames=12, shake_px=6.0)
    frames, truth = make_plate_clip(scene)
    transforms = camera_transforms(truth)
    at = int(np.argmax(np.abs(transforms[:, 0, 2]) + np.abs(transforms[:, 1, 2])))
    corner = (slice(140, 190), slice(20, 70))
    steady = cv2.warpAffine(frames[at].image, transforms[at], (240, 200))
    off = np.abs(frames[at].image[corner].astype(float) - frames[0].image[corner]).mean()
    left = np.abs(steady[corner].astype(float) - frames[0].image[corner]).mean()
    assert left < 0.5 * off


def test_texture_is_a_disc() -> None:
    texture = plate_texture(50.0, 40.0, np.random.default_rng(1))
    n = texture.shape[0]
    assert texture[..., 3].sum() == pytest.approx(np.pi * (0.475 * n) ** 2, rel=0.01)
