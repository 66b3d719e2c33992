"""Ellipses in the image and circles in space: geometry only, no images.

An ellipse is kept in two forms. `Ellipse` is the form that tables use (centre, full axes, angle).
The *outline matrix* form, the centre ``c`` with a symmetric positive matrix ``M``, describes the
outline as ``c + M u`` for unit vectors ``u``; its parameters stay regular when the ellipse is a
circle, where an angle would not, so fits are made in it. Its five parameters are
``(x, y, m11, m22, m12)``.

Image coordinates: pixels, x right, y down. Camera coordinates: x right, y down, z forward.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Ellipse:
    """An ellipse in the image.

    Parameters
    ----------
    x_px, y_px : float
        Centre.
    major_px, minor_px : float
        Full lengths of the axes, ``major_px >= minor_px > 0``.
    angle_deg : float
        Angle of the major axis from +x toward +y, in [-90, 90).
    """

    x_px: float
    y_px: float
    major_px: float
    minor_px: float
    angle_deg: float

    @property
    def aspect(self) -> float:
        """Minor axis over major axis, in (0, 1]."""
        return self.minor_px / self.major_px

    @property
    def centre(self) -> FloatArray:
        """Centre as an array of shape (2,), px."""
        return np.array([self.x_px, self.y_px])

    def moved(self, dx_px: float, dy_px: float) -> Ellipse:
        """Return the same ellipse shifted by (dx_px, dy_px)."""
        return Ellipse(
            self.x_px + dx_px, self.y_px + dy_px, self.major_px, self.minor_px, self.angle_deg
        )

    def scaled(self, factor: float) -> Ellipse:
        """Return the ellipse as seen in the image resized by `factor` about pixel corners.

        The centre of the top-left pixel is (0, 0), so a resized image maps x to
        ``(x + 0.5) * factor - 0.5``.
        """
        return Ellipse(
            (self.x_px + 0.5) * factor - 0.5,
            (self.y_px + 0.5) * factor - 0.5,
            self.major_px * factor,
            self.minor_px * factor,
            self.angle_deg,
        )


@dataclass(frozen=True)
class EllipseFit:
    """Result of `fit_ellipse`.

    Parameters
    ----------
    ellipse : Ellipse
        The fitted ellipse.
    covariance : ndarray, shape (5, 5)
        Covariance of ``(x, y, m11, m22, m12)``, px².
    residual_px : ndarray, shape (n,)
        Signed distance of every given point from the outline (first order), outward positive.
    inlier : ndarray of bool, shape (n,)
        Points that the fit used.
    """

    ellipse: Ellipse
    covariance: FloatArray
    residual_px: FloatArray
    inlier: NDArray[np.bool_]

    @property
    def sd_px(self) -> float:
        """Standard uncertainty of the centre per coordinate, px (root mean of x and y)."""
        return float(np.sqrt(0.5 * (self.covariance[0, 0] + self.covariance[1, 1])))


def wrap_angle_deg(angle_deg: float) -> float:
    """Wrap the direction of a line to [-90, 90) degrees.

    Examples
    --------
    >>> wrap_angle_deg(90.0), wrap_angle_deg(-100.0)
    (-90.0, 80.0)
    """
    return (angle_deg + 90.0) % 180.0 - 90.0


def to_params(ellipse: Ellipse) -> FloatArray:
    """Outline-matrix parameters ``(x, y, m11, m22, m12)`` of an ellipse, px.

    Examples
    --------
    >>> to_params(Ellipse(5.0, 6.0, 4.0, 2.0, 0.0))
    array([5., 6., 2., 1., 0.])
    """
    angle = np.deg2rad(ellipse.angle_deg)
    cos, sin = np.cos(angle), np.sin(angle)
    a, b = 0.5 * ellipse.major_px, 0.5 * ellipse.minor_px
    return np.array(
        [
            ellipse.x_px,
            ellipse.y_px,
            a * cos**2 + b * sin**2,
            a * sin**2 + b * cos**2,
            (a - b) * cos * sin,
        ]
    )


def from_params(params: ArrayLike) -> Ellipse:
    """Ellipse from outline-matrix parameters ``(x, y, m11, m22, m12)``, px.

    Raises
    ------
    ValueError
        When the matrix is not positive definite, so that no ellipse belongs to it.
    """
    x, y, m11, m22, m12 = np.asarray(params, dtype=float)
    mean, half = 0.5 * (m11 + m22), 0.5 * (m11 - m22)
    spread = np.hypot(half, m12)
    if not mean - spread > 0:
        raise ValueError("the outline matrix is not positive definite")
    angle = 0.5 * np.rad2deg(np.arctan2(m12, half)) if spread > 0 else 0.0
    return Ellipse(
        float(x),
        float(y),
        float(2 * (mean + spread)),
        float(2 * (mean - spread)),
        float(wrap_angle_deg(angle)),
    )


def unit_vectors(n: int) -> FloatArray:
    """`n` unit vectors evenly around the circle, shape (n, 2), the first along +x."""
    angle = 2 * np.pi * np.arange(n) / n
    return np.column_stack([np.cos(angle), np.sin(angle)])


def outline_from_params(
    params: ArrayLike, units: NDArray[np.floating]
) -> tuple[FloatArray, FloatArray]:
    """Outline points and outward unit normals.

    Parameters
    ----------
    params : array_like, shape (5,)
        ``(x, y, m11, m22, m12)``, px.
    units : ndarray, shape (n, 2)
        Unit vectors ``u``; the outline point is ``c + M u``.

    Returns
    -------
    points, normals : ndarray, shape (n, 2)
        Points in px; normals of length 1, pointing outward (along ``M^-1 u``).
    """
    x, y, m11, m22, m12 = np.asarray(params, dtype=float)
    points = units @ outline_matrix(params) + (x, y)
    adjugate = np.array([[m22, -m12], [-m12, m11]])
    normals = units @ adjugate
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return points, normals


def outline_points(ellipse: Ellipse, n: int = 120) -> tuple[FloatArray, FloatArray]:
    """`n` points of the outline and their outward unit normals, each of shape (n, 2)."""
    return outline_from_params(to_params(ellipse), unit_vectors(n))


def outline_jacobian(normals: NDArray[np.floating], units: NDArray[np.floating]) -> FloatArray:
    """Derivative of the outline's normal displacement with the five parameters.

    The point ``c + M u`` moves along its normal by ``n · (dc + dM u)``; the movement along the
    tangent does not change the outline.

    Parameters
    ----------
    normals, units : ndarray, shape (n, 2)

    Returns
    -------
    ndarray, shape (n, 5)
        Columns belong to ``(x, y, m11, m22, m12)``.
    """
    nx, ny = normals[:, 0], normals[:, 1]
    ux, uy = units[:, 0], units[:, 1]
    return np.column_stack([nx, ny, nx * ux, ny * uy, nx * uy + ny * ux])


def signed_distance(params: ArrayLike, points: ArrayLike) -> FloatArray:
    """Signed distance of points from the outline to first order (Sampson), outward positive.

    With ``q = M^-1 (p - c)`` the function ``f = |q|² - 1`` vanishes on the outline and the distance
    is ``f / |grad f|`` to first order; the symmetric form ``2 (|q| - 1) |q| / |grad f|`` used here
    has the same first order and is exact for circles.

    Parameters
    ----------
    params : array_like, shape (5,)
    points : array_like, shape (n, 2)

    Returns
    -------
    ndarray, shape (n,)

    References
    ----------
    Sampson, P. D. (1982). Fitting conic sections to "very scattered" data. Computer Graphics and
    Image Processing 18, 97-108.
    """
    x, y, m11, m22, m12 = np.asarray(params, dtype=float)
    det = m11 * m22 - m12 * m12
    inverse = np.array([[m22, -m12], [-m12, m11]]) / det
    q = (np.asarray(points, dtype=float) - (x, y)) @ inverse
    norm = np.linalg.norm(q, axis=1)
    gradient = np.linalg.norm(q @ inverse, axis=1)
    return (norm - 1.0) * norm / np.maximum(gradient, 1e-12)


def fit_ellipse(
    points: ArrayLike,
    *,
    start: Ellipse | None = None,
    outlier_px: float = 2.0,
    inlier: ArrayLike | None = None,
) -> EllipseFit:
    """Fit an ellipse to edge points by first-order geometric distance, robustly.

    The start is the direct algebraic fit, or `start`; then the distances are minimised with a
    Cauchy loss, points farther than `outlier_px` are put aside, and the rest is fitted by plain
    least squares.

    Parameters
    ----------
    points : array_like, shape (n, 2)
        Edge points, px.
    start : Ellipse, optional
        Where to start; needed when more than a few of the points are outliers.
    outlier_px : float
        Distance beyond which a point is left out of the last fit, px.
    inlier : array_like of bool, shape (n,), optional
        Points to use at all; all of them when omitted.

    Returns
    -------
    EllipseFit

    Raises
    ------
    ValueError
        With fewer than five usable points, or points that lie on no ellipse.

    References
    ----------
    Fitzgibbon, A., Pilu, M., Fisher, R. B. (1999). Direct least square fitting of ellipses. IEEE
    TPAMI 21(5), 476-480 (the start, by ``cv2.fitEllipseDirect``).
    """
    points = np.asarray(points, dtype=float)
    use = np.ones(len(points), bool) if inlier is None else np.asarray(inlier, dtype=bool)
    if use.sum() < 5:
        raise ValueError("an ellipse needs at least five points")
    if start is None:
        start = _direct_fit(points[use])
    params = to_params(start)
    for scale_px in (outlier_px, 0.25 * outlier_px):
        # The Cauchy loss redescends, so that a whole arc of outliers cannot drag the fit.
        params = least_squares(
            signed_distance, params, args=(points[use],), loss="cauchy", f_scale=scale_px
        ).x
    use = use & (np.abs(signed_distance(params, points)) <= outlier_px)
    if use.sum() < 5:
        raise ValueError("fewer than five points lie near one ellipse")
    tight = least_squares(signed_distance, params, args=(points[use],))
    residual = signed_distance(tight.x, points)
    variance = float(np.sum(residual[use] ** 2)) / max(int(use.sum()) - 5, 1)
    covariance = variance * np.linalg.pinv(tight.jac.T @ tight.jac)
    return EllipseFit(from_params(tight.x), covariance, residual, use)


def _direct_fit(points: FloatArray) -> Ellipse:
    """Start for `fit_ellipse`; centred and scaled because OpenCV works in float32."""
    middle = points.mean(axis=0)
    spread = max(float(np.std(points)), 1e-9)
    local = ((points - middle) / spread * 100.0).astype(np.float32)
    (x, y), (width, height), angle = cv2.fitEllipseDirect(local[:, None, :])
    if not (np.isfinite([x, y, width, height, angle]).all() and min(width, height) > 0):
        raise ValueError("the points lie on no ellipse")
    if width < height:
        width, height, angle = height, width, angle + 90.0
    factor = spread / 100.0
    return Ellipse(
        float(middle[0] + x * factor),
        float(middle[1] + y * factor),
        width * factor,
        height * factor,
        wrap_angle_deg(angle),
    )


def conic_from_ellipse(ellipse: Ellipse) -> FloatArray:
    """Symmetric matrix ``C`` with ``p^T C p = 0`` for homogeneous outline points, shape (3, 3).

    The sign is such that inner points give negative values.
    """
    params = to_params(ellipse)
    shape = np.linalg.inv(outline_matrix(params))
    quad = shape @ shape
    conic = np.empty((3, 3))
    centre = params[:2]
    conic[:2, :2] = quad
    conic[:2, 2] = conic[2, :2] = -quad @ centre
    conic[2, 2] = centre @ quad @ centre - 1.0
    return conic


def ellipse_from_conic(conic: ArrayLike) -> Ellipse:
    """Ellipse of a conic matrix of shape (3, 3), of either sign.

    Raises
    ------
    ValueError
        When the conic is no real ellipse.
    """
    conic = np.asarray(conic, dtype=float)
    quad = 0.5 * (conic[:2, :2] + conic[:2, :2].T)
    if np.trace(quad) < 0:
        conic, quad = -conic, -quad
    if np.linalg.det(quad) <= 0:
        raise ValueError("the conic is no ellipse")
    centre = np.linalg.solve(quad, -conic[:2, 2])
    level = -(conic[2, 2] + conic[:2, 2] @ centre)
    if level <= 0:
        raise ValueError("the conic is no real ellipse")
    values, vectors = np.linalg.eigh(quad / level)
    major = vectors[:, 0]
    return Ellipse(
        float(centre[0]),
        float(centre[1]),
        float(2 / np.sqrt(values[0])),
        float(2 / np.sqrt(values[1])),
        float(wrap_angle_deg(np.rad2deg(np.arctan2(major[1], major[0])))),
    )


def camera_matrix(focal_px: float, centre_px: tuple[float, float]) -> FloatArray:
    """Pinhole camera matrix with square pixels, shape (3, 3)."""
    return np.array([[focal_px, 0.0, centre_px[0]], [0.0, focal_px, centre_px[1]], [0.0, 0.0, 1.0]])


def project_circle(
    centre_m: ArrayLike, normal: ArrayLike, radius_m: float, camera: ArrayLike
) -> tuple[Ellipse, FloatArray]:
    """Image of a circle in space, and the image of its centre, which is not the ellipse's centre.

    Parameters
    ----------
    centre_m, normal : array_like, shape (3,)
        Centre and axis of the circle in camera coordinates (z forward).
    radius_m : float
    camera : array_like, shape (3, 3)
        Pinhole camera matrix, px.

    Returns
    -------
    ellipse : Ellipse
    projected_centre_px : ndarray, shape (2,)

    Raises
    ------
    ValueError
        When the circle is not wholly in front of the camera or is seen exactly edge on.

    Notes
    -----
    ``H = K [r u, r v, c]`` maps the unit circle of the circle's plane to the image, so the image
    conic is ``H^-T diag(1, 1, -1) H^-1`` (Hartley, Zisserman: Multiple View Geometry, 2nd ed., eq.
    2.14: conics under a homography).
    """
    centre_m = np.asarray(centre_m, dtype=float)
    axis = np.asarray(normal, dtype=float) / np.linalg.norm(normal)
    helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
    u = np.cross(axis, helper)
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    if centre_m[2] - radius_m * np.hypot(u[2], v[2]) <= 0:
        raise ValueError("the circle is not wholly in front of the camera")
    homography = np.asarray(camera, dtype=float) @ np.column_stack(
        [radius_m * u, radius_m * v, centre_m]
    )
    if abs(np.linalg.det(homography)) < 1e-12 * np.linalg.norm(homography) ** 3:
        raise ValueError("the circle is seen edge on")
    inverse = np.linalg.inv(homography)
    ellipse = ellipse_from_conic(inverse.T @ np.diag([1.0, 1.0, -1.0]) @ inverse)
    return ellipse, homography[:2, 2] / homography[2, 2]


def circle_poses(
    ellipse: Ellipse, radius_m: float, camera: ArrayLike
) -> list[tuple[FloatArray, FloatArray]]:
    """Both poses of a circle of known radius that give an ellipse.

    Parameters
    ----------
    ellipse : Ellipse
    radius_m : float
    camera : array_like, shape (3, 3)
        Pinhole camera matrix, px.

    Returns
    -------
    list of two (centre_m, normal)
        Centre, shape (3,), in camera coordinates with z > 0, and unit axis, shape (3,), pointing
        toward the camera.

    References
    ----------
    Chen, Q., Wu, H., Wada, T. (2004). Camera calibration with two arbitrary coplanar circles. ECCV
    2004, section 3 (eigenvalues of the viewing cone).
    """
    camera = np.asarray(camera, dtype=float)
    cone = camera.T @ conic_from_ellipse(ellipse) @ camera
    values, vectors = np.linalg.eigh(cone / np.linalg.norm(cone))
    # eigh sorts ascending: the one negative value comes first.
    order = [2, 1, 0]
    values, vectors = values[order], vectors[:, order]
    l1, l2, l3 = values
    sine = np.sqrt(max(l1 - l2, 0.0) / (l1 - l3))
    cosine = np.sqrt((l2 - l3) / (l1 - l3))
    distance = l2 * radius_m / np.sqrt(-l1 * l3)
    poses = []
    for sign in (1.0, -1.0):
        normal = vectors @ np.array([sign * sine, 0.0, -cosine])
        centre = distance * (vectors @ np.array([sign * l3 / l2 * sine, 0.0, -l1 / l2 * cosine]))
        if centre[2] < 0:
            centre = -centre
        if normal @ centre > 0:
            normal = -normal
        poses.append((centre, normal))
    return poses


def outline_matrix(params: ArrayLike) -> FloatArray:
    """The matrix ``M`` of an outline's parameters, shape (2, 2), px.

    Examples
    --------
    >>> outline_matrix([5.0, 6.0, 2.0, 1.0, 0.5]).tolist()
    [[2.0, 0.5], [0.5, 1.0]]
    """
    m11, m22, m12 = np.asarray(params, dtype=float)[2:5]
    return np.array([[m11, m12], [m12, m22]])


def mean_radius(params: NDArray[np.floating]) -> float:
    """Geometric mean of the semi-axes, px."""
    return float(np.sqrt(max(params[2] * params[3] - params[4] ** 2, 1e-6)))


def slant_sine(params: NDArray[np.floating]) -> float:
    """Sine of the angle between the plate's axis and the line of sight, from its aspect."""
    return float(np.sqrt(max(1.0 - from_params(params[:5]).aspect ** 2, 0.0)))
