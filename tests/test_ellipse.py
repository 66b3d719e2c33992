"""Ellipse geometry against scikit-image and against numeric projection of a sampled circle."""

import numpy as np
import pytest
from numpy.typing import ArrayLike
from skimage.measure import CircleModel, EllipseModel

from barpath.sight import ellipse as el

CAMERA = el.camera_matrix(1000.0, (640.0, 360.0))


def circle_points(centre: ArrayLike, normal: ArrayLike, radius: float) -> np.ndarray:
    normal = np.asarray(normal, float) / np.linalg.norm(normal)
    u = np.cross(normal, [0.3, -0.5, 0.81])
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    t = np.linspace(0, 2 * np.pi, 360, endpoint=False)[:, None]
    return np.asarray(centre) + radius * (np.cos(t) * u + np.sin(t) * v)


def project(points: np.ndarray) -> np.ndarray:
    image = points @ CAMERA.T
    return image[:, :2] / image[:, 2:]


@pytest.mark.parametrize("angle", [-90.0, -45.0, -3.0, 0.0, 30.0, 89.0])
def test_params_round_trip(angle: float) -> None:
    e = el.Ellipse(100.3, 50.7, 80.0, 44.0, angle)
    back = el.from_params(el.to_params(e))
    assert back.major_px == pytest.approx(80.0)
    assert back.minor_px == pytest.approx(44.0)
    assert abs(el.wrap_angle_deg(back.angle_deg - angle)) < 1e-9
    again = el.ellipse_from_conic(-3.0 * el.conic_from_ellipse(e))
    assert (again.x_px, again.y_px) == pytest.approx((100.3, 50.7))
    assert abs(el.wrap_angle_deg(again.angle_deg - angle)) < 1e-6


def test_outline_agrees_with_scikit_image() -> None:
    e = el.Ellipse(100.3, 50.7, 80.0, 44.0, 25.0)
    points, normals = el.outline_points(e, 200)
    model = EllipseModel((e.x_px, e.y_px), (40.0, 22.0), np.deg2rad(25.0))
    assert model.residuals(points).max() < 1e-5
    # A small step along the normal is a true distance.
    assert model.residuals(points + 0.1 * normals) == pytest.approx(0.1, abs=1e-4)


def test_signed_distance_agrees_with_scikit_image() -> None:
    e = el.Ellipse(100.3, 50.7, 80.0, 44.0, 25.0)
    rng = np.random.default_rng(1)
    points, normals = el.outline_points(e, 200)
    step = rng.normal(0, 0.5, 200)
    model = EllipseModel((e.x_px, e.y_px), (40.0, 22.0), np.deg2rad(25.0))
    points = points + step[:, None] * normals
    got = el.signed_distance(el.to_params(e), points)
    assert np.abs(got) == pytest.approx(model.residuals(points), abs=0.03)
    assert (np.sign(got) == np.sign(step)).all()


def test_jacobian_is_the_derivative_of_the_distance() -> None:
    params = el.to_params(el.Ellipse(10.0, 20.0, 60.0, 40.0, 30.0))
    units = el.unit_vectors(50)
    points, normals = el.outline_from_params(params, units)
    numeric = np.empty((50, 5))
    for k in range(5):
        step = np.zeros(5)
        step[k] = 1e-5
        numeric[:, k] = -el.signed_distance(params + step, points) / 1e-5
    assert el.outline_jacobian(normals, units) == pytest.approx(numeric, abs=1e-4)


def test_fit_agrees_with_scikit_image_on_clean_noise() -> None:
    rng = np.random.default_rng(2)
    truth = el.Ellipse(320.2, 240.6, 150.0, 90.0, -70.0)
    points = el.outline_points(truth, 150)[0] + rng.normal(0, 0.4, (150, 2))
    fit = el.fit_ellipse(points, outlier_px=3.0)
    model = EllipseModel.from_estimate(points)
    assert fit.ellipse.centre == pytest.approx(model.center, abs=0.1)
    assert fit.ellipse.major_px == pytest.approx(2 * max(model.axis_lengths), abs=0.4)
    assert fit.ellipse.centre == pytest.approx(truth.centre, abs=0.2)


def test_fit_of_a_circle_agrees_with_scikit_image() -> None:
    rng = np.random.default_rng(3)
    truth = el.Ellipse(50.0, 60.0, 70.0, 70.0, 0.0)
    points = el.outline_points(truth, 100)[0] + rng.normal(0, 0.2, (100, 2))
    fit = el.fit_ellipse(points)
    model = CircleModel.from_estimate(points)
    assert fit.ellipse.centre == pytest.approx(model.center, abs=0.08)
    assert fit.ellipse.major_px == pytest.approx(2 * model.radius, abs=0.25)


def test_fit_withstands_a_quarter_of_outliers() -> None:
    rng = np.random.default_rng(4)
    truth = el.Ellipse(320.2, 240.6, 150.0, 90.0, -70.0)
    points = el.outline_points(truth, 160)[0] + rng.normal(0, 0.3, (160, 2))
    points[:40] += rng.uniform(5, 25, (40, 1)) * el.outline_points(truth, 160)[1][:40]
    fit = el.fit_ellipse(points, start=truth.moved(2.0, -2.0))
    assert fit.ellipse.centre == pytest.approx(truth.centre, abs=0.25)
    assert not fit.inlier[:40].any()
    assert fit.inlier[40:].mean() > 0.95


def test_fit_covariance_matches_the_scatter() -> None:
    rng = np.random.default_rng(5)
    truth = el.Ellipse(100.0, 100.0, 80.0, 50.0, 20.0)
    clean = el.outline_points(truth, 60)[0]
    fits = [el.fit_ellipse(clean + rng.normal(0, 0.3, clean.shape)) for _ in range(200)]
    scatter = np.std([f.ellipse.x_px for f in fits])
    stated = np.median([np.sqrt(f.covariance[0, 0]) for f in fits])
    assert stated == pytest.approx(scatter, rel=0.2)


def test_fit_refuses_too_few_points() -> None:
    with pytest.raises(ValueError, match="five points"):
        el.fit_ellipse([[0, 0], [1, 0], [1, 1], [0, 1]])


@pytest.mark.parametrize("normal", [(0, 0, -1), (0.5, 0.1, -0.8), (0.9, 0.0, -0.3)])
def test_projection_agrees_with_sampled_circle(normal: tuple[float, float, float]) -> None:
    centre = np.array([0.6, -0.3, 3.0])
    ellipse, middle = el.project_circle(centre, normal, 0.225, CAMERA)
    points = project(circle_points(centre, normal, 0.225))
    assert np.abs(el.signed_distance(el.to_params(ellipse), points)).max() < 1e-6
    model = EllipseModel.from_estimate(points)
    assert ellipse.centre == pytest.approx(model.center, abs=1e-3)
    assert middle == pytest.approx(project(centre[None])[0])
    # Perspective moves the ellipse's centre off the circle's centre whenever the circle is oblique.
    assert np.linalg.norm(ellipse.centre - middle) > 0.02 or normal == (0, 0, -1)


@pytest.mark.parametrize("normal", [(0.02, 0.01, -1), (0.5, 0.1, -0.8), (0.9, 0.0, -0.3)])
def test_one_of_both_poses_is_the_true_one(normal: tuple[float, float, float]) -> None:
    centre = np.array([0.6, -0.3, 3.0])
    normal = np.asarray(normal, float) / np.linalg.norm(normal)
    if normal @ centre > 0:
        normal = -normal
    ellipse, _ = el.project_circle(centre, normal, 0.225, CAMERA)
    poses = el.circle_poses(ellipse, 0.225, CAMERA)
    assert len(poses) == 2
    errors = [np.linalg.norm(c - centre) + np.linalg.norm(n - normal) for c, n in poses]
    assert min(errors) < 1e-6
    for c, n in poses:  # both give the same image
        again, _ = el.project_circle(c, n, 0.225, CAMERA)
        assert el.to_params(again) == pytest.approx(el.to_params(ellipse), abs=1e-6)


def test_circle_behind_the_camera_is_refused() -> None:
    with pytest.raises(ValueError, match="in front"):
        el.project_circle((0, 0, 0.1), (1, 0, 0), 0.225, CAMERA)
