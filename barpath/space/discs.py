"""What a pinhole camera sees of discs and of thick plates: ellipses, in pixels.

Camera axes: X to the image's right, Y down, Z forward (away from the camera). Discs lie in metres
in them; outlines are given by their centre and their shape, the matrix S with
(x - c)' inv(S) (x - c) = 1, about the principal point.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

N_TANGENTS = 24
"""In so many directions tangents are laid to an outline: its ellipse is right within 0.1 %."""
_ROUND = np.stack([f(2 * np.pi * np.arange(N_TANGENTS) / N_TANGENTS) for f in (np.cos, np.sin)])
_THINNEST_M = 1e-4
"""Between circles in one place no tangent could tell which it touches."""
_ELLIPSES = np.array([[0.0, 0.0, 0.5], [0.0, -1.0, 0.0], [0.5, 0.0, 0.0]])
"""Inverse of what makes a conic's constraint of being an ellipse."""


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
    camera = np.diag([focal_px, focal_px, 1.0])
    # A search that began the wrong way round may run off to where numbers end.
    with np.errstate(over="ignore", invalid="ignore"):
        dual = disc[None] - centres_m[:, :, None] * centres_m[:, None, :]
        dual = camera @ dual @ camera
        dual /= -dual[:, 2:3, 2:3]
    centre = -dual[:, :2, 2]
    shape = dual[:, :2, :2] + centre[:, :, None] * centre[:, None, :]
    return centre, shape


def thick_discs(
    centres_m: Floats,
    normal: Floats,
    radius_m: float,
    thickness_m: float,
    edge_m: float,
    focal_px: float,
) -> Floats:
    """Shapes of the ellipses that fit best what shows of thick plates, as `project_discs` has them.

    The outline goes round both faces and the rim between them, whose edges are broken: a straight
    line leads from where the one is seen to where the other is, which draws an ellipse out along
    the bar and makes it wider across as well.

    Parameters
    ----------
    centres_m : ndarray, shape (n, 3)
        Middles of the plates in camera axes.
    normal : ndarray, shape (3,)
        Unit normal of the faces.
    radius_m, thickness_m : float
    edge_m : float
        By how much a face's radius, and the rim's breadth at either end, is less than the whole.
    focal_px : float

    Returns
    -------
    ndarray, shape (n, 2, 2)
    """
    half = max(abs(thickness_m), _THINNEST_M) / 2
    edge_m = min(edge_m, half)
    circles = [
        project_discs(centres_m + along * normal, normal, radius, focal_px)
        for along, radius in (
            (-half, radius_m - edge_m),
            (edge_m - half, radius_m),
            (half - edge_m, radius_m),
            (half, radius_m - edge_m),
        )
    ]
    centres_px, shapes_px2 = (np.stack(one, axis=1) for one in zip(*circles, strict=True))
    # What reaches from before the camera to behind it has no ellipse for an outline.
    _, found = project_discs(centres_m, normal, radius_m, focal_px)
    half_axes = np.linalg.eigvalsh(shapes_px2)
    closed = ((half_axes > 1e-3) & (half_axes < 1e9)).all(axis=(1, 2))
    if closed.any():
        found[closed] = _best_ellipses(_round_all(centres_px[closed], shapes_px2[closed]))
    return found


def _round_all(centre_px: Floats, shape_px2: Floats) -> Floats:
    """Places all round what shows of several ellipses at once, where tangents touch it.

    Between two tangents that touch different ellipses lies one that touches both, about where their
    reaches cross. Without its two places the outline would jump as an ellipse comes into it.

    Parameters
    ----------
    centre_px, shape_px2 : ndarray, shapes (n, k, 2) and (n, k, 2, 2)

    Returns
    -------
    ndarray, shape (n, 3 `N_TANGENTS`, 2)
        From the second to the third of every three the outline is straight, else it is an arc.
    """
    root = np.linalg.cholesky(shape_px2.mean(axis=1))
    # Even about a circle that is drawn out into such an ellipse, so that its ends have as many.
    columns = (np.linalg.inv(np.swapaxes(root, 1, 2)) @ _ROUND)[:, None]
    reach = np.sqrt((shape_px2 @ columns * columns).sum(axis=2))
    reach += (centre_px[..., None] * columns).sum(axis=2)
    normals = np.swapaxes(columns[:, 0], 1, 2)
    here = np.argmax(reach, axis=1)
    there = np.roll(here, -1, axis=1)
    ahead = _reach_over(reach, here, there)
    behind = _reach_over(np.roll(reach, -1, axis=2), here, there)
    share = np.where(here == there, 0.0, ahead / np.maximum(ahead - behind, 1e-12))
    between = normals + share[..., None] * (np.roll(normals, -1, axis=1) - normals)
    found = [
        _touched(centre_px, shape_px2, which, tangents)
        for which, tangents in ((here, normals), (here, between), (there, between))
    ]
    return np.stack(found, axis=2).reshape(len(centre_px), -1, 2)


def _reach_over(reach: Floats, one: NDArray[np.intp], other: NDArray[np.intp]) -> Floats:
    """How much farther one ellipse reaches than another, by direction, (n, m)."""
    pair = (np.take_along_axis(reach, which[:, None], axis=1)[:, 0] for which in (one, other))
    return np.subtract(*pair)


def _touched(
    centre_px: Floats, shape_px2: Floats, which: NDArray[np.intp], normals: Floats
) -> Floats:
    """Where the tangents with such normals touch the ellipses named, (n, m, 2)."""
    rows = np.arange(len(which))[:, None]
    moved = (shape_px2[rows, which] @ normals[..., None])[..., 0]
    return centre_px[rows, which] + moved / np.sqrt((moved * normals).sum(axis=2))[..., None]


def _best_ellipses(places_px: Floats) -> Floats:
    """Shapes of the ellipses that fit outlines of `_round_all` best, of places evenly along them.

    A direct fit (Halir and Flusser 1998, Numerically stable direct least squares fitting of
    ellipses; from memory).
    """
    following = np.roll(places_px, -1, axis=1)
    length = np.linalg.norm(following - places_px, axis=2)
    straight = np.arange(places_px.shape[1]) % 3 == 1
    ends = np.where(straight, length / 6, length / 2)
    # Simpson's rule on straight lines, and the trapezoidal rule along the arcs.
    weight = np.concatenate(
        [ends + np.roll(ends, 1, axis=1), np.where(straight, 4 * length / 6, 0.0)], axis=1
    )
    places = np.concatenate([places_px, (places_px + following) / 2], axis=1)
    middle = (places * weight[..., None]).sum(axis=1) / weight.sum(axis=1)[:, None]
    places = places - middle[:, None]
    size = np.abs(places).max(axis=(1, 2))[:, None, None]
    x, y = np.moveaxis(places / size, 2, 0)
    terms = np.stack([x * x, x * y, y * y, x, y, np.ones_like(x)], axis=2)
    scatter = np.swapaxes(terms * weight[..., None], 1, 2) @ terms
    cross = scatter[:, :3, 3:]
    lower = -np.linalg.solve(scatter[:, 3:, 3:], np.swapaxes(cross, 1, 2))
    _, vectors = np.linalg.eig(_ELLIPSES @ (scatter[:, :3, :3] + cross @ lower))
    vectors = vectors.real
    best = np.argmax(4 * vectors[:, 0] * vectors[:, 2] - vectors[:, 1] ** 2, axis=1)
    upper = np.take_along_axis(vectors, best[:, None, None], axis=2)
    rest = (lower @ upper)[..., 0]
    a, b, c = np.moveaxis(upper[..., 0], 1, 0)
    conic = np.stack([np.stack([a, b / 2], -1), np.stack([b / 2, c], -1)], -2)
    centre = -np.linalg.solve(2 * conic, rest[:, :2, None])
    level = (np.swapaxes(centre, 1, 2) @ conic @ centre)[:, 0, 0] - rest[:, 2]
    return np.linalg.inv(conic) * level[:, None, None] * size**2


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
