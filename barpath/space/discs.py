"""What a pinhole camera sees of discs and of thick plates: ellipses, in pixels.

Camera axes: X to the image's right, Y down, Z forward (away from the camera). Discs lie in metres
in them; outlines are given by their centre and their shape, the matrix S with
(x - c)' inv(S) (x - c) = 1, about the principal point.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HULL_ALONG, HULL_ACROSS = 1.06, 0.20
"""Of ellipses fitted to hulls of two shifted ones, at slants of 20 to 60 degrees."""


def project_discs(
    centres_m: Floats, normal: Floats, radius_m: float, focal_px: float
) -> tuple[Floats, Floats]:
    """Ellipses that a pinhole camera sees of discs in parallel planes.

    Parameters
    ----------
    centres_m : ndarray, shape (n, 3)
        Disc centres in camera axes.
    normal : ndarray, shape (3,)
        Unit normal of the discs.
    radius_m : float
    focal_px : float

    Returns
    -------
    centre_px : ndarray, shape (n, 2)
        Ellipse centres from the principal point. They are not the images of the disc centres.
    shape_px2 : ndarray, shape (n, 2, 2)
        Matrices S with (x - c)' inv(S) (x - c) = 1 on the outline.

    Notes
    -----
    A disc's dual quadric projects to the dual conic K (r^2 (I - n n') - C C') K' (Hartley and
    Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., section 8.3; from memory).
    """
    centres_m = np.atleast_2d(centres_m)
    disc = radius_m**2 * (np.eye(3) - np.outer(normal, normal))
    dual = disc[None] - centres_m[:, :, None] * centres_m[:, None, :]
    camera = np.diag([focal_px, focal_px, 1.0])
    dual = camera @ dual @ camera
    dual /= -dual[:, 2:3, 2:3]
    centre = -dual[:, :2, 2]
    shape = dual[:, :2, :2] + centre[:, :, None] * centre[:, None, :]
    return centre, shape


def thick_discs(
    centres_m: Floats, normal: Floats, radius_m: float, thickness_m: float, focal_px: float
) -> Floats:
    """Shapes of the outlines that thick plates show, as `project_discs` states them.

    The outline goes round both faces: that of the nearer one, drawn out by as much as the other
    shows past it. Its centre is that of the plate's middle. The ellipse that fits such an outline
    best is larger than that, by `HULL_ALONG` and `HULL_ACROSS` of it along and across.

    Parameters
    ----------
    centres_m : ndarray, shape (n, 3)
        Middles of the plates in camera axes.
    normal : ndarray, shape (3,)
        Unit normal of the faces, away from the camera.
    radius_m, thickness_m, focal_px : float

    Returns
    -------
    ndarray, shape (n, 2, 2)
    """
    half = thickness_m / 2 * normal
    front, shape = project_discs(centres_m - half, normal, radius_m, focal_px)
    back, behind = project_discs(centres_m + half, normal, radius_m, focal_px)
    way = back - front
    apart = np.sqrt((way**2).sum(axis=1) + 1e-9)
    along = way / apart[:, None]
    reach, far_reach = (
        np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", along, one, along), 1e-9))
        for one in (shape, behind)
    )
    # The farther face looks smaller: seen from straight ahead nothing of it shows.
    past = np.maximum(apart + far_reach - reach, 0.0)
    length = past**2 / np.hypot(past, 0.2)
    # Across, the outline is as wide as the plate's middle once both faces show.
    smaller = length / apart * half[2] / np.maximum(centres_m[:, 2], half[2])
    wider = (1 + HULL_ACROSS * length / (2 * reach) - smaller) ** 2
    longer = (reach + HULL_ALONG * length / 2) ** 2 - wider * reach**2
    across = wider[:, None, None] * shape
    return across + longer[:, None, None] * along[:, :, None] * along[:, None, :]


def shape_matrix(major_px: Floats, minor_px: Floats, angle_deg: Floats) -> Floats:
    """Shapes of ellipses, (n, 2, 2), from full axes and the major one's angle, (n,) each."""
    angle = np.deg2rad(angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    turn = np.stack([np.stack([c, -s], -1), np.stack([s, c], -1)], -2)
    axes = np.zeros_like(turn)
    axes[:, 0, 0] = (major_px / 2) ** 2
    axes[:, 1, 1] = (minor_px / 2) ** 2
    return turn @ axes @ np.swapaxes(turn, 1, 2)


def shape_numbers_px(shape_px2: Floats, size_px: Floats) -> Floats:
    """Three numbers in pixels that say an ellipse's shape without an undefined angle."""
    parts = np.stack([shape_px2[:, 0, 0], shape_px2[:, 1, 1], np.sqrt(2) * shape_px2[:, 0, 1]], -1)
    return parts / size_px[:, None]
