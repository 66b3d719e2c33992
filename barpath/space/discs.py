"""What a pinhole camera sees of discs and of thick plates: ellipses, in pixels.

Camera axes: X to the image's right, Y down, Z forward (away from the camera). Discs lie in metres
in them; outlines are given by their centre and their shape, the matrix S with
(x - c)' inv(S) (x - c) = 1, about the principal point.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Number = float | Floats
"""Of each disc, or of all of them."""

N_TANGENTS = 24
"""In so many directions tangents are laid to an outline: its ellipse is right within 0.1 %."""
_ROUND = np.stack([f(2 * np.pi * np.arange(N_TANGENTS) / N_TANGENTS) for f in (np.cos, np.sin)])
_NEXT = np.arange(1, N_TANGENTS + 1) % N_TANGENTS
_THINNEST_M = 1e-4
"""Between circles in one place no tangent could tell which it touches."""
_ELLIPSES = np.array([[0.0, 0.0, 0.5], [0.0, -1.0, 0.0], [0.5, 0.0, 0.0]])
"""Inverse of what makes a conic's constraint of being an ellipse."""


def project_centres(centres_m: Floats, normal: Floats, radius_m: float, focal_px: float) -> Floats:
    """Centres of the ellipses that a pinhole camera sees of discs, (n, 2), as `project_discs`."""
    return _seen_centres(centres_m, normal, radius_m**2, focal_px)[0]


def project_discs(
    centres_m: Floats, normal: Floats, radius_m: Number, focal_px: float
) -> tuple[Floats, Floats]:
    """Ellipses that a pinhole camera sees of discs in parallel planes.

    Parameters
    ----------
    centres_m : ndarray, shape (n, 3)
        Disc centres in camera axes.
    normal : ndarray, shape (3,)
        Unit normal of the discs.
    radius_m : float or ndarray, shape (n,)
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
    square_m2 = np.square(radius_m)
    centre, deep = _seen_centres(centres_m, normal, square_m2, focal_px)
    place, way = centres_m[:, :2], normal[:2]
    wide = np.multiply.outer(square_m2, np.eye(2) - np.outer(way, way))
    wide = wide - place[:, :, None] * place[:, None, :]
    shape = centre[:, :, None] * centre[:, None, :] - wide * (focal_px**2 / deep)[:, None, None]
    return centre, shape


def _seen_centres(
    centres_m: Floats, normal: Floats, square_m2: Number, focal_px: float
) -> tuple[Floats, Floats]:
    """Centres of ellipses, and the last number of each dual conic before it is scaled, (n,)."""
    depth, ahead = centres_m[:, 2], normal[2]
    deep = square_m2 * (1.0 - ahead**2) - depth**2
    aside = centres_m[:, :2] * depth[:, None] + np.multiply.outer(square_m2 * ahead, normal[:2])
    return aside * (-focal_px / deep)[:, None], deep


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
    n = len(centres_m)
    half = max(abs(thickness_m), _THINNEST_M) / 2
    edge_m = min(edge_m, half)
    along = np.array([-half, edge_m - half, half - edge_m, half])
    radii = np.array([radius_m - edge_m, radius_m, radius_m, radius_m - edge_m])
    places = (centres_m[:, None] + along[:, None] * normal).reshape(-1, 3)
    centre_px, shape_px2 = project_discs(places, normal, np.tile(radii, n), focal_px)
    centres_px, shapes_px2 = centre_px.reshape(n, 4, 2), shape_px2.reshape(n, 4, 2, 2)
    half_axes = np.linalg.eigvalsh(shapes_px2)
    closed = ((half_axes > 1e-3) & (half_axes < 1e9)).all(axis=(1, 2))
    if closed.all():
        return _best_ellipses(_round_all(centres_px, shapes_px2))
    # What reaches from before the camera to behind it has no ellipse for an outline.
    _, found = project_discs(centres_m, normal, radius_m, focal_px)
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
    there = here[:, _NEXT]
    rows, ways = np.arange(len(here))[:, None], np.arange(N_TANGENTS)
    ahead = reach[rows, here, ways] - reach[rows, there, ways]
    behind = reach[rows, here, _NEXT] - reach[rows, there, _NEXT]
    share = np.where(here == there, 0.0, ahead / np.maximum(ahead - behind, 1e-12))
    between = normals + share[..., None] * (normals[:, _NEXT] - normals)
    # Where the tangents with such normals touch the ellipses.
    which = np.stack([here, here, there], axis=2).reshape(len(here), -1)
    tangents = np.stack([normals, between, between], axis=2).reshape(len(here), -1, 2)
    moved = (shape_px2[rows, which] @ tangents[..., None])[..., 0]
    return centre_px[rows, which] + moved / np.sqrt((moved * tangents).sum(axis=2))[..., None]


def _best_ellipses(places_px: Floats) -> Floats:
    """Shapes of the ellipses that fit outlines of `_round_all` best, of places evenly along them.

    A direct fit (Halir and Flusser 1998, Numerically stable direct least squares fitting of
    ellipses; from memory).
    """
    n = places_px.shape[1]
    after = np.arange(1, n + 1) % n
    following = places_px[:, after]
    length = np.sqrt(np.square(following - places_px).sum(axis=2))
    straight = np.arange(n) % 3 == 1
    ends = np.where(straight, length / 6, length / 2)
    # Simpson's rule on straight lines, and the trapezoidal rule along the arcs.
    weight = np.concatenate(
        [ends + ends[:, after - 2], np.where(straight, 4 * length / 6, 0.0)], axis=1
    )
    places = np.concatenate([places_px, (places_px + following) / 2], axis=1)
    middle = (places * weight[..., None]).sum(axis=1) / weight.sum(axis=1)[:, None]
    places = places - middle[:, None]
    size = np.abs(places).max(axis=(1, 2))[:, None, None]
    x, y = np.moveaxis(places / size, 2, 0)
    terms = np.stack([x * x, x * y, y * y, x, y, np.ones_like(x)], axis=1)
    scatter = terms * weight[:, None] @ np.swapaxes(terms, 1, 2)
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
