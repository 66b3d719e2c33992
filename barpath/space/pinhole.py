"""Cameras by their parameters, and what they say of places: from pixels to lines and to metres.

A camera is a pinhole; the parameters of one from aside are `SIDE_PARAMETERS`, of one at the feet
`FRONT_PARAMETERS`, angles in radians.

Camera axes: X to the image's right, Y down, Z forward (away from the camera). World axes: `up`
against gravity; `across` the bar's axis; `along` the horizontal direction normal to it, in which
the bar drifts. All three are unit vectors in camera axes.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from barpath.space.discs import project_centres

Floats = NDArray[np.float64]

SIDE_PARAMETERS = (
    "yaw",
    "pitch",
    "roll",
    "log_distance",
    "log_focal",
    "log_plate",
    "major_bias_px",
    "minor_bias_px",
    "thickness_m",
    "outline_m",
    "turn_bias",
)
"""Of a plate that is followed: `log_distance` to the middle of its thickness, and `outline_m` from
there to the bar's middle, along the bar."""
FRONT_PARAMETERS = ("yaw", "pitch", "roll", "log_focal", "log_plate_gap", "log_plate")


def world_axes(yaw: float, pitch: float, roll: float) -> tuple[Floats, Floats, Floats]:
    """Axes of the world in camera axes for a camera that looks along the bar.

    Parameters
    ----------
    yaw : float
        Angle in radians by which the bar's axis is turned from the horizontal line of sight toward
        the image's right.
    pitch : float
        Angle in radians by which the camera looks down.
    roll : float
        Angle in radians by which the picture's content must be turned clockwise to be level.

    Returns
    -------
    up, across, along : ndarray, shape (3,)
        `across` is the bar's axis away from the camera, `along` points to the image's right.

    Examples
    --------
    >>> up, across, along = world_axes(0.0, 0.0, 0.0)
    >>> bool(np.allclose([up, across, along], [[0, -1, 0], [0, 0, 1], [1, 0, 0]]))
    True
    """
    up = np.array([-np.cos(pitch) * np.sin(roll), -np.cos(pitch) * np.cos(roll), -np.sin(pitch)])
    forward = np.array([0.0, 0.0, 1.0]) + np.sin(pitch) * up
    forward /= np.linalg.norm(forward)
    right = _normal_to(forward, up)
    across = np.cos(yaw) * forward + np.sin(yaw) * right
    return up, across, _normal_to(across, up)


def _normal_to(one: Floats, other: Floats) -> Floats:
    """Cross product of two vectors, (3,); NumPy's own takes many times as long for a single one."""
    x, y, z = one.tolist()
    u, v, w = other.tolist()
    return np.array([y * w - z * v, z * u - x * w, x * v - y * u])


def front_axes(yaw: float, pitch: float, roll: float) -> tuple[Floats, Floats, Floats]:
    """Axes of the world in camera axes for a camera that looks at the bar from the feet.

    Parameters
    ----------
    yaw : float
        Angle in radians by which the bar's image-right end is turned away from the camera.
    pitch, roll : float
        As for `world_axes`.

    Returns
    -------
    up, across, along : ndarray, shape (3,)
        `across` is the bar's axis to the image's right, `along` the horizontal direction from the
        camera over the feet to the head.
    """
    up, forward, right = world_axes(0.0, pitch, roll)
    across = np.cos(yaw) * right + np.sin(yaw) * forward
    along = np.cos(yaw) * forward - np.sin(yaw) * right
    return up, across, along


def rays(xy_px: Floats, principal_px: Floats, focal_px: float) -> Floats:
    """Lines of sight of image points: (n, 3) directions with Z = 1."""
    offset = (np.asarray(xy_px, dtype=float) - principal_px) / focal_px
    return np.column_stack([offset, np.ones(len(offset))])


def seen_px(places_m: Floats, focal_px: float, principal_px: Floats) -> Floats:
    """Image points, (..., 2), of places before a camera, (..., 3) in its axes.

    Examples
    --------
    >>> seen_px(np.array([[0.5, -0.25, 2.0]]), 800.0, np.array([640.0, 360.0])).tolist()
    [[840.0, 260.0]]
    """
    return places_m[..., :2] / places_m[..., 2:] * focal_px + principal_px


class SideGeometry(NamedTuple):
    """World axes, distance, focal length and plate's radius of a view from aside."""

    up: Floats
    across: Floats
    along: Floats
    distance_m: float
    focal_px: float
    radius_m: float


def side_geometry(params: Floats) -> SideGeometry:
    """What the parameters of a camera from aside (`SIDE_PARAMETERS`) come to."""
    yaw, pitch, roll, log_distance, log_focal, log_plate = params[:6]
    axes = world_axes(yaw, pitch, roll)
    return SideGeometry(*axes, np.exp(log_distance), np.exp(log_focal), np.exp(log_plate) / 2)


def disc_centres(geometry: SideGeometry, ellipse_px: Floats, principal_px: Floats) -> Floats:
    """Plate centres in space from the centres of the ellipses seen in a side or oblique view.

    Parameters
    ----------
    geometry : SideGeometry
    ellipse_px : ndarray, shape (n, 2)
        Ellipse centres in the (steadied) image.
    principal_px : ndarray, shape (2,)

    Returns
    -------
    ndarray, shape (n, 3)
        Disc centres in camera axes, metres, on the plane of motion. The difference between the
        ellipse's centre and the projected disc centre is removed by fixed-point steps.
    """
    _, across, _, distance_m, focal_px, radius_m = geometry
    target = np.asarray(ellipse_px, dtype=float) - principal_px
    lines = rays(target, np.zeros(2), focal_px)
    for _ in range(3):
        centres = lines * (distance_m / (lines @ across))[:, None]
        seen = project_centres(centres, across, radius_m, focal_px)
        lines[:, :2] += (target - seen) / focal_px
    return lines * (distance_m / (lines @ across))[:, None]


def side_points(params: Floats, ellipse_px: Floats, principal_px: Floats) -> Floats:
    """Plate centres in the plane of motion: (n, 2) metres, x to the image's right, y up."""
    geometry = side_geometry(params)
    centres = disc_centres(geometry, ellipse_px, principal_px)
    return np.column_stack([centres @ geometry.along, centres @ geometry.up])


def side_joint_points(
    params: Floats, xy_px: Floats, principal_px: Floats, behind_m: float
) -> Floats:
    """Image points taken as lying a given distance behind the near plate's plane.

    Parameters
    ----------
    params : ndarray, shape (11,)
    xy_px : ndarray, shape (n, 2)
    principal_px : ndarray, shape (2,)
    behind_m : float
        Distance behind the plane of the plate's outline, along the bar.

    Returns
    -------
    ndarray, shape (n, 2)
        Metres, in the same axes as `side_points`.
    """
    up, across, along, distance_m, focal_px, _ = side_geometry(params)
    lines = rays(xy_px, principal_px, focal_px)
    points = lines * ((distance_m + behind_m) / (lines @ across))[:, None]
    return np.column_stack([points @ along, points @ up])


def front_geometry(params: Floats) -> tuple[Floats, Floats, Floats, float, float, float]:
    """World axes, focal length (px), bar's length and plate's diameter (m) from the feet."""
    yaw, pitch, roll, log_focal, log_gap, log_plate = params
    up, across, along = front_axes(yaw, pitch, roll)
    return up, across, along, np.exp(log_focal), np.exp(log_gap), np.exp(log_plate)


def front_ends(
    params: Floats, left_px: Floats, right_px: Floats, principal_px: Floats
) -> tuple[Floats, Floats]:
    """Both ends of the bar in space from their images and the known distance between them.

    Parameters
    ----------
    params : ndarray, shape (6,)
        Camera as in `FRONT_PARAMETERS`.
    left_px, right_px : ndarray, shape (n, 2)
        Image-left and image-right ends.
    principal_px : ndarray, shape (2,)

    Returns
    -------
    left_m, right_m : ndarray, shape (n, 3)
        Metres in world axes (across to the image's right, up, along toward the head), from the
        camera. The bar may tilt but keeps the fitted yaw.
    """
    up, across, along, focal_px, gap_m, _ = front_geometry(params)
    left = rays(left_px, principal_px, focal_px)
    right = rays(right_px, principal_px, focal_px)
    axes = np.column_stack([across, up, along])
    ratio = (left @ along) / (right @ along)
    depth = gap_m / np.linalg.norm(right * ratio[:, None] - left, axis=1)
    return (left * depth[:, None]) @ axes, (right * (ratio * depth)[:, None]) @ axes


def front_joint_points(
    params: Floats, xy_px: Floats, principal_px: Floats, along_m: Floats
) -> Floats:
    """Image points taken as lying at given distances from the camera along the bench.

    Parameters
    ----------
    params : ndarray, shape (6,)
    xy_px : ndarray, shape (n, 2)
    principal_px : ndarray, shape (2,)
    along_m : ndarray, shape (n,)
        World coordinate along the bench, as in `front_ends`.

    Returns
    -------
    ndarray, shape (n, 2)
        Across (to the image's right) and up, metres.
    """
    up, across, along, focal_px, *_ = front_geometry(params)
    lines = rays(xy_px, principal_px, focal_px)
    points = lines * (np.asarray(along_m) / (lines @ along))[:, None]
    return np.column_stack([points @ across, points @ up])
