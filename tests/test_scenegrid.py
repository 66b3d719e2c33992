"""Roll, pitch and focal length from lines in three directions, against rooms made exactly."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from barpath.analysis.camerafit import with_scene_focal
from barpath.analysis.config import AnalysisConfig
from barpath.clip.scene import SceneConfig
from barpath.clip.scenegrid import SceneGrid, scene_grid
from barpath.clip.sceneroll import SceneRoll, with_grid
from barpath.space.pinhole import front_axes

WIDTH, HEIGHT = 1280, 720
CENTRE = ((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
GUESS_PX = 1050.0


def camera_of(roll_deg: float, pitch_deg: float, heading_deg: float) -> np.ndarray:
    """World (right, up, away) to camera axes, by rotations that know nothing of the fit."""
    level = np.diag([1.0, -1.0, 1.0])
    heading = Rotation.from_euler("y", heading_deg, degrees=True).as_matrix()
    pitch = Rotation.from_euler("x", pitch_deg, degrees=True).as_matrix()
    # What is seen must be turned clockwise by the roll to be level.
    roll = Rotation.from_euler("z", -roll_deg, degrees=True).as_matrix()
    return roll @ pitch @ level @ heading


def room(
    camera: np.ndarray,
    f_px: float,
    rng: np.random.Generator,
    *,
    kinds: tuple[int, ...] = (8, 8, 8),
    clutter: int = 10,
    bend: float = 0.0,
    noise_px: float = 0.3,
) -> np.ndarray:
    """Lines across, up and away in a room about four metres off, and others, as end points."""
    found = []
    for axis, count in enumerate(kinds):
        while count > 0:
            middle = rng.uniform([-2.5, -1.6, 2.5], [2.5, 1.4, 6.0])
            half = rng.uniform(0.3, 0.8) * np.eye(3)[axis]
            ends = np.array([middle - half, middle + half]) @ camera.T
            if (ends[:, 2] < 0.5).any():
                continue
            flat = ends[:, :2] / ends[:, 2:]
            flat *= 1.0 + bend * (flat**2).sum(axis=1, keepdims=True)
            px = flat * f_px + CENTRE
            if ((px < 0) | (px > [WIDTH, HEIGHT])).any() or np.hypot(*(px[1] - px[0])) < 60:
                continue
            found.append(px + rng.normal(0, noise_px, (2, 2)))
            count -= 1
    for _ in range(clutter):
        middle, angle = rng.uniform([100, 100], [WIDTH - 100, HEIGHT - 100]), rng.uniform(0, np.pi)
        half = rng.uniform(30, 70) * np.array([np.cos(angle), np.sin(angle)])
        found.append(np.array([middle - half, middle + half]))
    return np.array(found)


def fitted(lines: np.ndarray, start_deg: tuple[float, float] | None = None) -> SceneGrid | None:
    start = None if start_deg is None else (np.radians(start_deg[0]), np.radians(start_deg[1]))
    return scene_grid(lines, start, GUESS_PX, CENTRE, SceneConfig())


@pytest.mark.parametrize(
    ("roll_deg", "pitch_deg", "heading_deg", "f_px"),
    [(0.0, 18.0, 4.0, 1000.0), (1.5, 12.0, -8.0, 1150.0), (-2.0, 22.0, 40.0, 950.0)],
)
def test_roll_pitch_and_focal_length_of_a_room(
    roll_deg: float, pitch_deg: float, heading_deg: float, f_px: float
) -> None:
    rng = np.random.default_rng(3)
    lines = room(camera_of(roll_deg, pitch_deg, heading_deg), f_px, rng)
    found = fitted(lines, (roll_deg + 0.5, pitch_deg - 1.5))
    assert found is not None
    assert found.is_clear(SceneConfig())
    assert abs(found.roll_deg - roll_deg) < 0.3
    assert abs(found.pitch_deg - pitch_deg) < 0.6
    assert_allclose(found.f_px, f_px, rtol=0.03)


def test_the_made_camera_is_that_of_the_calibration() -> None:
    """Signs of roll, pitch and heading against the axes that the bar's calibration uses."""
    up, across, along = front_axes(0.0, np.radians(15.0), np.radians(2.0))
    camera = camera_of(2.0, 15.0, 0.0)
    assert_allclose(camera.T, [across, up, along], atol=1e-12)


def test_focal_length_is_that_of_points_where_lines_meet() -> None:
    """Of two directions at right angles, seen to meet in v and w, f squared is -v.w

    (Hartley and Zisserman, Multiple View Geometry, 2nd ed., section 8.8; from memory).
    """
    rng = np.random.default_rng(4)
    f_px, camera = 980.0, camera_of(0.0, 20.0, 30.0)
    v, w = (f_px * direction[:2] / direction[2] for direction in camera.T[[0, 2]])
    assert_allclose(np.sqrt(-(v @ w)), f_px)
    found = fitted(room(camera, f_px, rng, noise_px=0.02, clutter=0), (0.0, 20.0))
    assert found is not None
    assert_allclose(found.f_px, np.sqrt(-(v @ w)), rtol=0.01)


def test_uncertainties_cover_the_errors() -> None:
    rng = np.random.default_rng(5)
    z = []
    for _ in range(12):
        roll, pitch, heading = rng.uniform([-3, 8, -40], [3, 24, 40])
        f_px = GUESS_PX * np.exp(rng.normal(0, 0.06))
        camera = camera_of(roll, pitch, heading)
        lines = room(camera, f_px, rng, bend=rng.normal(0, 0.02), noise_px=0.5)
        found = fitted(lines, (roll + rng.normal(0, 0.5), pitch + rng.normal(0, 1.5)))
        assert found is not None
        z.append(
            (
                (found.roll_deg - roll) / found.roll_sd_deg,
                (found.pitch_deg - pitch) / found.pitch_sd_deg,
                np.log(found.f_px / f_px) / found.f_rel_sd,
            )
        )
    assert np.abs(z).max() < 3.5
    assert (np.sqrt(np.mean(np.square(z), axis=0)) < 1.4).all()


def test_pitch_is_found_without_uprights_to_begin_with() -> None:
    rng = np.random.default_rng(6)
    lines = room(camera_of(0.5, 21.0, 5.0), 1000.0, rng, kinds=(10, 2, 10))
    found = fitted(lines)
    assert found is not None
    assert found.is_clear(SceneConfig())
    assert abs(found.pitch_deg - 21.0) < 1.0


@pytest.mark.parametrize("kinds", [(0, 10, 0), (8, 8, 0), (0, 0, 0)])
def test_scenery_without_three_directions_is_not_trusted(kinds: tuple[int, int, int]) -> None:
    rng = np.random.default_rng(7)
    level = SceneRoll(1.0, 0.3, 8, "", 14.0, 2.0, GUESS_PX, CENTRE)
    lines = room(camera_of(1.0, 15.0, 20.0), 1000.0, rng, kinds=kinds, clutter=12)
    assert with_grid(level, lines, SceneConfig()) == level


def test_clear_scenery_replaces_what_uprights_told() -> None:
    rng = np.random.default_rng(8)
    level = SceneRoll(0.5, 0.3, 8, "", 12.0, 2.0, GUESS_PX, CENTRE)
    lines = room(camera_of(1.0, 15.0, 20.0), 990.0, rng)
    found = with_grid(level, lines, SceneConfig())
    assert abs(found.pitch_deg - 15.0) < 0.6
    assert_allclose(found.f_px, 990.0, rtol=0.03)
    assert 0.0 < found.f_rel_sd < 0.06


def test_a_given_focal_length_is_kept() -> None:
    settings = AnalysisConfig().calibration
    level = SceneRoll(0.0, 0.3, 8, "", 12.0, 0.5, 990.0, CENTRE, 0.02)
    assert with_scene_focal(settings, level).focal_px == 990.0
    assert with_scene_focal(settings, level).focal_rel_sd == 0.02
    assert with_scene_focal(replace(settings, focal_px=1200.0), level).focal_px == 1200.0
    guessed = replace(level, f_rel_sd=float("nan"))
    assert with_scene_focal(settings, guessed) == settings
