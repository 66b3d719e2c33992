"""Camera motion and roll, against made scenes whose motion and pose are known exactly."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from barpath.clip import scene, scenelines
from barpath.clip.cameramotion import CameraMotion, camera_motion
from barpath.clip.scene import SceneConfig, apply_transform, compose, transforms_of
from barpath.clip.sceneroll import scene_roll, up_direction
from barpath.errors import OptionError

WIDTH, HEIGHT = 640, 360
REAL_CLIP = Path(__file__).parents[2] / "shared" / "real" / "clip_handheld_oblique.avi"


def room(rng: np.random.Generator, margin: int = 80) -> np.ndarray:
    """Return a large textured wall with posters, boxes and stripes, grey levels as float."""
    shape = (HEIGHT + 2 * margin, WIDTH + 2 * margin)
    wall = cv2.GaussianBlur(rng.normal(0, 1, shape), (0, 0), 6)
    wall = 120 + 12 * wall / wall.std()
    for _ in range(140):
        x, y = rng.integers(0, shape[1]), rng.integers(0, shape[0])
        w, h = rng.integers(6, 50, 2)
        cv2.rectangle(
            wall, (int(x), int(y)), (int(x + w), int(y + h)), float(rng.uniform(20, 230)), -1
        )
    return cv2.GaussianBlur(wall, (0, 0), 0.8)


def filmed(
    wall: np.ndarray,
    poses: list[np.ndarray],
    rng: np.random.Generator,
    *,
    mover: bool = True,
    noise: float = 4.0,
    margin: int = 80,
) -> Iterator[SimpleNamespace]:
    """Yield frames of the wall; `poses` map each frame's image to the first frame's image."""
    patch = cv2.GaussianBlur(rng.normal(0, 1, (150, 170)), (0, 0), 2)
    patch = 120 + 60 * patch / patch.std()
    for index, pose in enumerate(poses):
        to_wall = compose([[1, 0, margin], [0, 1, margin]], pose)
        image = cv2.warpAffine(
            wall, to_wall, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        )
        if mover:
            y = 110 + 40 * np.sin(index / 9.0)
            shift = np.array([[1, 0, 240.0], [0, 1, y]])
            cv2.warpAffine(
                patch, shift, (WIDTH, HEIGHT), dst=image, borderMode=cv2.BORDER_TRANSPARENT
            )
        image = np.clip(image + rng.normal(0, noise, image.shape), 0, 255).astype(np.uint8)
        yield SimpleNamespace(index=index, time_s=index / 30.0, image=cv2.merge([image] * 3))


def similarity(dx: float, dy: float, turn_deg: float = 0.0, scale: float = 1.0) -> np.ndarray:
    c, s = scale * np.cos(np.radians(turn_deg)), scale * np.sin(np.radians(turn_deg))
    centre = np.array([WIDTH / 2, HEIGHT / 2])
    linear = np.array([[c, -s], [s, c]])
    return np.column_stack([linear, centre - linear @ centre + [dx, dy]])


def worst_and_rms_px(table: pd.DataFrame, poses: list[np.ndarray]) -> tuple[float, float]:
    probe = np.array([[x, y] for x in (60, 320, 580) for y in (40, 180, 320)], dtype=float)
    off = apply_transform(transforms_of(table)[:, None], probe) - apply_transform(
        np.array(poses)[:, None], probe
    )
    size = np.linalg.norm(off, axis=-1)
    return size.max(), np.sqrt(np.mean(size**2))


def test_still_camera_gives_exact_identity_although_a_lifter_moves() -> None:
    rng = np.random.default_rng(1)
    table = camera_motion(filmed(room(rng), [similarity(0, 0)] * 60, rng))
    assert table["static"].all()
    assert_allclose(transforms_of(table), np.tile(scene.IDENTITY, (60, 1, 1)), atol=0, rtol=0)
    assert np.isfinite(table["residual_px"]).all()


def test_handheld_camera_is_steadied_to_a_fraction_of_a_pixel() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(120) / 30.0
    poses = [
        similarity(18 * np.sin(1.3 * s) + 3 * np.sin(9 * s), 10 * np.sin(1.9 * s), 2 * np.sin(s),
                   1 + 0.03 * np.sin(0.7 * s))
        for s in t
    ]  # fmt: skip
    poses[0] = similarity(0, 0)
    table = camera_motion(filmed(room(rng), poses, rng))
    worst, rms = worst_and_rms_px(table, poses)
    assert not table["static"].any()
    assert rms < 0.15
    assert worst < 0.6


def test_long_pan_needs_new_key_frames_and_does_not_drift() -> None:
    rng = np.random.default_rng(3)
    wall = room(rng, margin=500)
    there = 420 * np.sin(np.linspace(0, np.pi, 160)) ** 2
    poses = [similarity(d, 0.2 * d) for d in there]
    motion = CameraMotion()
    for frame in filmed(wall, poses, rng, margin=500):
        motion.update(frame)
    worst, _ = worst_and_rms_px(motion.table(), poses)
    assert len(motion._keys) > 1
    assert worst < 1.5
    assert worst_and_rms_px(motion.table().tail(5), poses[-5:])[0] < 0.4


def test_knocked_stand_is_constant_before_and_after() -> None:
    rng = np.random.default_rng(4)
    after = similarity(6.0, -3.0, 0.3)
    poses = [similarity(0, 0)] * 70 + [after] * 70
    table = camera_motion(filmed(room(rng), poses, rng))
    found = transforms_of(table)
    assert not table["static"].any()
    assert_allclose(found[:60], np.tile(scene.IDENTITY, (60, 1, 1)), atol=0)
    assert np.ptp(found[80:], axis=0).max() == 0.0
    assert worst_and_rms_px(table.iloc[80:], poses[80:])[0] < 0.3


def test_excluded_box_holds_no_corner() -> None:
    rng = np.random.default_rng(5)
    motion = CameraMotion(exclude=[(200, 60, 440, 320)])
    motion.update(next(filmed(room(rng), [similarity(0, 0)], rng)))
    x, y = (motion._keys[0].points * motion._scale).T
    assert len(x) > 30
    assert not ((x > 205) & (x < 435) & (y > 65) & (y < 315)).any()


def test_bare_wall_gives_identity_but_says_it_was_not_measured() -> None:
    flat = np.full((HEIGHT, WIDTH, 3), 127, np.uint8)
    frames = [SimpleNamespace(index=i, time_s=i / 30, image=flat) for i in range(20)]
    table = camera_motion(frames)
    assert not table["static"].any()
    assert table["residual_px"].isna().all()
    assert_allclose(transforms_of(table), np.tile(scene.IDENTITY, (20, 1, 1)))


def test_change_of_frame_size_is_refused() -> None:
    motion = CameraMotion()
    motion.update(SimpleNamespace(index=0, time_s=0.0, image=np.zeros((90, 160, 3), np.uint8)))
    with pytest.raises(OptionError, match="160x90 to 90x160"):
        motion.update(SimpleNamespace(index=1, time_s=0.1, image=np.zeros((160, 90, 3), np.uint8)))


def test_reduced_coordinates_follow_opencvs_pixel_centres() -> None:
    """Halving an image maps pixel centre p to (p + 0.5) / 2 - 0.5, as cv2.resize documents."""
    image = np.zeros((64, 1024, 3), np.uint8)
    image[:, 600:] = 200
    motion = CameraMotion(SceneConfig(work_width_px=512))
    motion.update(SimpleNamespace(index=0, time_s=0.0, image=image))
    assert motion._scale == 2.0
    turned = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0]])
    full = np.column_stack([turned[:, :2], motion._offset_to_full(turned)])
    p = np.array([11.0, 21.0])
    small = apply_transform(turned, (p + 0.5) / 2 - 0.5)
    assert_allclose(apply_transform(full, p), (small + 0.5) * 2 - 0.5)


def uprights(
    roll_deg: float,
    pitch_deg: float,
    x_m: Sequence[float],
    rng: np.random.Generator,
    *,
    f_px: float = 1100.0,
    noise: float = 5.0,
    clutter: int = 10,
) -> tuple[np.ndarray, Callable[[np.ndarray], tuple[float, float]]]:
    """Render vertical posts 4 m away through an exact pinhole camera with the given roll and pitch.

    The rotation is written out from the camera's axes, independently of the fitted model.
    """
    width, height = 1280, 720
    r, q = np.radians(roll_deg), np.radians(pitch_deg)
    down_look = np.array([[1, 0, 0], [0, np.cos(q), -np.sin(q)], [0, np.sin(q), np.cos(q)]])
    # Content is turned back by roll, so turning it by +roll (toward +y) makes it level.
    turn = np.array([[np.cos(r), np.sin(r), 0], [-np.sin(r), np.cos(r), 0], [0, 0, 1]])
    camera = turn @ down_look
    image = np.full((height, width), 150.0)
    image += 8 * cv2.GaussianBlur(rng.normal(0, 1, image.shape), (0, 0), 8) * 8

    def project(point: np.ndarray) -> tuple[float, float]:
        p = camera @ point
        return (width - 1) / 2 + f_px * p[0] / p[2], (height - 1) / 2 + f_px * p[1] / p[2]

    for x in x_m:
        corners = [(x, -1.4, 4), (x + 0.07, -1.4, 4), (x + 0.07, 1.5, 4), (x, 1.5, 4)]
        points = np.array([project(np.array(c)) for c in corners])
        cv2.fillPoly(image, [np.round(points * 256).astype(np.int32)], 40.0, cv2.LINE_AA, 8)
    for _ in range(clutter):
        a = rng.uniform([0, 0], [width, height])
        b = a + rng.uniform(-80, 80, 2)
        cv2.line(image, tuple(int(v) for v in a), tuple(int(v) for v in b), 210.0, 3, cv2.LINE_AA)
    image = cv2.GaussianBlur(image, (0, 0), 0.7) + rng.normal(0, noise, image.shape)
    return np.clip(image, 0, 255).astype(np.uint8), project


@pytest.mark.parametrize(
    ("roll_deg", "pitch_deg", "x_m"),
    [
        (0.0, 0.0, (-1.2, -0.5, 0.6, 1.3)),
        (2.5, 8.0, (-1.2, -0.5, 0.6, 1.3)),
        (-4.0, 12.0, (-1.0, 0.2, 1.4)),
        (1.5, 15.0, (0.3, 0.9, 1.5)),
    ],
)
def test_roll_of_a_pitched_camera(roll_deg: float, pitch_deg: float, x_m: Sequence[float]) -> None:
    rng = np.random.default_rng(7)
    image, project = uprights(roll_deg, pitch_deg, x_m, rng)
    found = scene_roll([image], f_px=1100.0)
    value, sd, n_lines, reason = found
    assert reason == ""
    assert n_lines >= 3
    assert 0.2 <= sd <= 1.6
    assert abs(value - roll_deg) < max(2.0 * sd, 0.3)
    assert abs(found.pitch_deg - pitch_deg) < 3.0 * found.pitch_sd_deg
    for x in (-1.0, 1.0):
        foot, head = (np.array(project(np.array([x, y, 4.0]))) for y in (0.5, -0.5))
        up = (head - foot) / np.linalg.norm(head - foot)
        seen = up_direction(found, *(0.5 * (foot + head)))
        assert np.degrees(np.arccos(np.clip(up @ seen, -1, 1))) < 1.0


def test_roll_uncertainty_covers_the_error() -> None:
    rng = np.random.default_rng(8)
    z = []
    for _ in range(12):
        true = rng.uniform(-5, 5)
        x = np.sort(rng.uniform(-1.6, 1.6, 4))
        image, _ = uprights(true, rng.uniform(0, 15), x, rng)
        found = scene_roll([image], f_px=1000.0)
        if found.reason == "":
            z.append((found.roll_deg - true) / found.sd_deg)
    assert len(z) >= 8
    assert np.abs(z).max() < 3.0
    assert np.sqrt(np.mean(np.square(z))) < 1.5


def test_roll_is_missing_without_lines_or_from_one_post() -> None:
    rng = np.random.default_rng(9)
    blank, _ = uprights(0, 0, (), rng, clutter=0)
    found = scene_roll([blank])
    assert np.isnan(found.roll_deg)
    assert "near-vertical" in found.reason
    assert np.isnan(up_direction(found, 1.0, 2.0)).all()
    single, _ = uprights(3, 10, (1.0,), rng, clutter=0)
    assert "one structure" in scene_roll([single]).reason
    with pytest.raises(OptionError):
        scene_roll([])


def test_line_that_moves_between_images_is_not_used() -> None:
    rng = np.random.default_rng(10)
    images = [uprights(0, 0, (-1.2, 0.1, 1.3, -0.8 + 0.1 * k), rng, clutter=0)[0] for k in range(4)]
    lines = [scenelines.line_segments(image, SceneConfig()) for image in images]
    merged = scenelines.merge_lines(lines, SceneConfig(), 720, 1280, vertical=True)
    x = merged.mean(axis=1)[:, 0]
    posts = 639.5 + 1100 / 4 * np.array([-1.2, -1.13, 0.1, 0.17, 1.3, 1.37])
    assert len(x) == 6
    assert np.abs(np.sort(x) - posts).max() < 3.0


@pytest.mark.skipif(not REAL_CLIP.exists(), reason="the real clip is not here")
def test_scenery_of_a_real_handheld_clip_stands_still_after_steadying() -> None:
    """Sharpness of the mean of all frames: it rises when the scenery is brought into register."""
    import av

    with av.open(str(REAL_CLIP)) as clip:
        images = [f.to_ndarray(format="rgb24") for f in clip.decode(video=0)][:150]
    frames = [SimpleNamespace(index=i, time_s=i / 25, image=im) for i, im in enumerate(images)]
    table = camera_motion(frames)
    assert not table["static"].any()
    steadied = [
        cv2.warpAffine(image, transform, (320, 240))
        for image, transform in zip(images, transforms_of(table), strict=True)
    ]

    def sharpness(stack: list[np.ndarray]) -> float:
        grey = np.mean(stack, axis=0).mean(axis=2)[20:110, 20:300]
        return cv2.Laplacian(grey, cv2.CV_64F).std()

    assert sharpness(steadied) > 2.0 * sharpness(images)
