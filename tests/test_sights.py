"""Cameras and lines of sight against OpenCV's own projection, distortion and triangulation."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from barpath.space.arms3d import Seen, find_hips
from barpath.space.fittedcamera import Calibration
from barpath.space.pinhole import (
    FRONT_PARAMETERS,
    SIDE_PARAMETERS,
    front_axes,
    front_ends,
    front_joint_points,
    rays,
    side_joint_points,
    world_axes,
)
from barpath.space.sights import Sight, front_sight, side_sight
from tests.made_pairs import SIGHTS

FOCAL_PX = 1040.0
CENTRE_PX = np.array([639.5, 359.5])
CAMERA = np.array([[FOCAL_PX, 0.0, 639.5], [0.0, FOCAL_PX, 359.5], [0.0, 0.0, 1.0]])
STRAIGHT = np.zeros(5)
"""A lens that bends nothing."""
SAME_PX = 1e-6


def made_side(yaw_deg=12.0, pitch_deg=6.0, roll_deg=-2.0, distance_m=2.6, outline_m=0.71):
    """Camera from aside, as `calibrate_side` would hand it out."""
    params = np.zeros(len(SIDE_PARAMETERS))
    params[:3] = np.deg2rad([yaw_deg, pitch_deg, roll_deg])
    params[3:6] = np.log([distance_m, FOCAL_PX, 0.45])
    params[8:10] = 0.04, outline_m
    draws = np.tile(params, (3, 1))
    return Calibration("side", SIDE_PARAMETERS, params, draws, CENTRE_PX, np.nan, "", "left", False)


def made_front(yaw_deg=4.0, pitch_deg=14.0, roll_deg=1.0):
    """Camera at the feet, as `calibrate_front` would hand it out."""
    params = np.r_[np.deg2rad([yaw_deg, pitch_deg, roll_deg]), np.log([FOCAL_PX, 1.372, 0.45])]
    draws = np.tile(params, (3, 1))
    return Calibration("front", FRONT_PARAMETERS, params, draws, CENTRE_PX, np.nan, "")


def seen_by_cv2(points_m, axes, origin_m):
    """Image points (n, 2) of world points whose axes and origin are given in camera axes."""
    turn, _ = cv2.Rodrigues(np.asarray(axes))
    return cv2.projectPoints(np.asarray(points_m), turn, np.asarray(origin_m), CAMERA, STRAIGHT)[0][
        :, 0
    ]


def some_points(n=40):
    return np.random.default_rng(3).uniform([-0.6, -0.6, -0.7], [0.4, 0.3, 0.7], (n, 3))


@pytest.mark.parametrize("head", [1, -1])
@pytest.mark.parametrize("far", [False, True])
def test_a_camera_from_aside_sees_what_opencvs_sees(head, far):
    """World: toward the head, up, to the lifter's left, from the bar's middle."""
    made = replace(made_side(), far=far)
    up, across, along = world_axes(*made.params[:3])
    at = np.array([0.08, 0.11])
    # The bar's middle lies behind the plate that was followed, before it where that is the far one.
    behind = -0.71 if far else 0.71
    origin = along * at[0] + up * at[1] + across * (2.6 + behind)
    axes = np.column_stack([head * along, up, -head * across])
    sight = side_sight(made, head, at)
    points = some_points()
    assert sight.project(points) == pytest.approx(seen_by_cv2(points, axes, origin), abs=SAME_PX)


def test_a_camera_at_the_feet_sees_what_opencvs_sees():
    made = made_front()
    up, across, along = front_axes(*made.params[:3])
    at, away_m = np.array([0.05, -0.2]), 3.1
    origin = across * at[0] + up * at[1] + along * away_m
    sight = front_sight(made, at, away_m)
    points = some_points()
    expected = seen_by_cv2(points, np.column_stack([along, up, across]), origin)
    assert sight.project(points) == pytest.approx(expected, abs=SAME_PX)


@pytest.mark.parametrize("sight", SIGHTS, ids=lambda sight: sight.view)
def test_a_turned_camera_is_the_lifter_turned_before_it(sight):
    """`turned` is worked out here by moving the points, not the camera."""
    angle, nod = 0.06, -0.04
    points = some_points()
    pivot = np.array([0.0, 0.0, sight.near_m])
    turned = Rotation.from_rotvec([0.0, angle, 0.0]).apply(points - pivot) @ sight.axes.T
    nodded = Rotation.from_rotvec([nod, 0.0, 0.0]).apply(turned)
    place = nodded + sight.origin_m + sight.axes @ pivot
    focal = np.array(
        [[sight.focal_px, 0, CENTRE_PX[0]], [0, sight.focal_px, CENTRE_PX[1]], [0, 0, 1]]
    )
    expected = cv2.projectPoints(place, np.zeros(3), np.zeros(3), focal, STRAIGHT)[0][:, 0]
    assert sight.turned(angle, nod).project(points) == pytest.approx(expected, abs=SAME_PX)


def test_lines_of_sight_are_opencvs():
    px = np.random.default_rng(1).uniform([0, 0], [1279, 719], (50, 2))
    expected = cv2.undistortPoints(px[:, None], CAMERA, STRAIGHT)[:, 0]
    lines = rays(px, CENTRE_PX, FOCAL_PX)
    assert lines[:, :2] == pytest.approx(expected, abs=1e-9)
    assert (lines[:, 2] == 1).all()


def test_a_line_of_sight_meets_the_plane_behind_the_plate_where_the_point_was():
    made = made_side()
    up, across, along = world_axes(*made.params[:3])
    flat = np.random.default_rng(2).uniform(-0.4, 0.4, (30, 2))
    for behind_m in (0.0, 0.35, 0.71):
        places = flat @ [along, up] + across * (2.6 + behind_m)
        px = seen_by_cv2(places, np.eye(3), np.zeros(3))
        found = side_joint_points(made.params, px, CENTRE_PX, behind_m)
        assert found == pytest.approx(flat, abs=1e-9)


def test_a_line_of_sight_meets_the_plane_across_the_bench_where_the_point_was():
    made = made_front()
    up, across, along = front_axes(*made.params[:3])
    flat = np.random.default_rng(2).uniform(-0.5, 0.5, (30, 2))
    away_m = np.linspace(2.4, 3.4, 30)
    px = seen_by_cv2(flat @ [across, up] + away_m[:, None] * along, np.eye(3), np.zeros(3))
    found = front_joint_points(made.params, px, CENTRE_PX, away_m)
    assert found == pytest.approx(flat, abs=1e-9)


def test_a_bar_of_known_length_lies_where_opencv_saw_it():
    """Both ends of bars that keep the fitted yaw and tilt as they like, from their images alone."""
    made = made_front()
    basis = np.column_stack(front_axes(*made.params[:3]))[:, [1, 0, 2]]
    rng = np.random.default_rng(4)
    middle = rng.uniform([-0.2, -0.3, 2.6], [0.2, 0.3, 3.4], (20, 3))
    tilt = rng.uniform(-0.1, 0.1, 20)
    half = 1.372 / 2 * np.column_stack([np.cos(tilt), np.sin(tilt), np.zeros(20)])
    seen = [
        seen_by_cv2(end @ basis.T, np.eye(3), np.zeros(3)) for end in (middle - half, middle + half)
    ]
    left, right = front_ends(made.params, *seen, CENTRE_PX)
    assert left == pytest.approx(middle - half, abs=1e-9)
    assert right == pytest.approx(middle + half, abs=1e-9)


def triangulated(sights: tuple[Sight, Sight], px: list[np.ndarray]) -> np.ndarray:
    """World points (n, 3) from their images in two cameras, by OpenCV alone."""
    matrices = []
    for sight in sights:
        inner = np.diag([sight.focal_px, sight.focal_px, 1.0])
        inner[:2, 2] = sight.principal_px
        matrices.append(inner @ np.column_stack([sight.axes, sight.origin_m]))
    found = cv2.triangulatePoints(*matrices, px[0].T, px[1].T)
    return (found[:3] / found[3]).T


def orthonormal(sight: Sight) -> Sight:
    """The same camera with axes square to each other to the last digit."""
    return replace(sight, axes=Rotation.from_matrix(sight.axes).as_matrix())


SHOULDERS_M = np.array([[0.0, -0.6, 0.18], [0.0, -0.6, -0.18]])
HIPS_M = np.array([[-0.52, -0.57, 0.11], [-0.50, -0.58, -0.09]])


@pytest.mark.parametrize("noise_px", [0.0, 1.0])
def test_points_seen_twice_lie_where_opencv_triangulates_them(noise_px):
    """Readings so sharp that what is known of hips besides counts for nothing.

    With noise on the pixels OpenCV's linear method and the least squares of distances differ by
    less than noise moves the point: 1 px is some 3 mm here.
    """
    sights = tuple(orthonormal(sight) for sight in SIGHTS)
    rng = np.random.default_rng(9)
    px = [sight.project(HIPS_M) + rng.normal(0, 1, (2, 2)) * noise_px for sight in sights]
    sharp = np.full(2, 1e-6)
    seen = [Seen(sight, place, sharp) for sight, place in zip(sights, px, strict=True)]
    found, _ = find_hips(seen, SHOULDERS_M, np.tile(SHOULDERS_M, (2, 1, 1)))
    expected = triangulated(sights, px)
    assert found == pytest.approx(expected, abs=1e-6 if noise_px == 0 else 5e-4)
    if noise_px:
        assert np.abs(expected - HIPS_M).max() > 1e-3


def test_a_camera_is_where_opencv_finds_it_from_what_it_shows():
    """`cv2.solvePnP` on points projected by `Sight` gives its axes and origin back."""
    sight = side_sight(made_side(yaw_deg=35.0), 1, np.array([0.0, 0.1]))
    points = some_points()
    _, turn, place = cv2.solvePnP(points, sight.project(points), CAMERA, STRAIGHT)
    assert cv2.Rodrigues(turn)[0] == pytest.approx(sight.axes, abs=1e-6)
    assert place[:, 0] == pytest.approx(sight.origin_m, abs=1e-5)
