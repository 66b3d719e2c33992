"""Find and follow the loaded plate nearest the camera, in side and oblique views.

`find_plate` looks at a few samples a second and picks the round thing that moves like a press.
`PlateTracker` then follows its outline through every frame to a fraction of a pixel, and says where
it could not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Protocol, TypeVar

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import fft

from barpath.errors import BarNotFoundError
from barpath.ground.choice import best_index, ranked
from barpath.sight.ellipse import (
    Ellipse,
    from_params,
    outline_from_params,
    outline_jacobian,
    to_params,
    unit_vectors,
)

FloatArray = NDArray[np.floating]

_T = TypeVar("_T")

COLUMNS = (
    "frame",
    "time_s",
    "x_px",
    "y_px",
    "major_px",
    "minor_px",
    "angle_deg",
    "sd_px",
    "outline_share",
    "state",
)
"""Columns of the plate table."""


class FrameLike(Protocol):
    """What is needed of a frame: its number, its time and its image (RGB or grey, uint8)."""

    index: int
    time_s: float
    image: NDArray[np.uint8]


@dataclass(frozen=True)
class PlateConfig:
    """Settings of the finder and the tracker. Lengths in shares refer to the plate's image.

    Parameters
    ----------
    n_rays : int
        Rays across the outline along which edges are sought.
    accel_diameters_s2 : float
        Standard deviation of the plate's acceleration, in plate diameters per s²; 13 is 6 m/s² for
        a 0.45 m plate, more than presses reach, so that the prediction follows and never leads.
    shake_px : float
        Standard deviation of the camera's unforeseen movement per frame at 30 frames/s, px.
    shape_drift, slant_drift : float
        Standard deviation of the relative change of the outline's size, and of the shape of one
        seen square, per frame at 30 frames/s.
    edge_window : float
        Half width of the window in which the final edge is sought, share of the mean radius.
    edge_window_min_px : float
        Its least value, px.
    seen_share, partly_share : float
        Least share of the outline for the states ``seen`` and ``partly``.
    lost_sd_share : float
        Uncertainty of the centre, as a share of the diameter, beyond which it is lost.
    face_share : float
        Least share of the plate's face that must look as learned, else something else is there.
    edge_noise_px : float
        Floor of an edge point's standard uncertainty, px.
    correlation : float
        Number of neighbouring rays that share one error, by which the fit's variance is inflated.
    work_area_px : int
        Number of pixels to which samples are reduced before candidates are sought.
    min_diameter_share, max_diameter_share : float
        Sizes of plate sought, as shares of the square root of the image's area.
    min_travel_diameters, max_travel_diameters : float
        Vertical movement that counts as a press, in apparent plate diameters.
    max_sideways : float
        Largest sideways movement over vertical movement.
    n_shape_samples : int
        Samples on which all shapes are tried.
    n_shapes : int
        Shapes that are followed through all samples.
    min_aspect : float
        Least ratio of the axes of a plate's outline; 0.8 or so for a caller who knows that the clip
        is filmed square to the bar's end.
    n_bodies : int
        Things moving differently among which the plate is sought.
    n_measured : int
        Candidates that are measured in full-size samples.
    min_score : float
        Least score of a convincing candidate, 0..1.
    """

    n_rays: int = 96
    accel_diameters_s2: float = 13.0
    shake_px: float = 0.6
    shape_drift: float = 0.001
    slant_drift: float = 0.0003
    edge_window: float = 0.025
    edge_window_min_px: float = 1.6
    seen_share: float = 0.55
    partly_share: float = 0.3
    lost_sd_share: float = 0.02
    face_share: float = 0.35
    edge_noise_px: float = 0.08
    correlation: float = 3.0
    work_area_px: int = 102_400
    min_diameter_share: float = 0.055
    max_diameter_share: float = 0.6
    min_travel_diameters: float = 0.15
    max_travel_diameters: float = 2.2
    max_sideways: float = 0.8
    n_shape_samples: int = 8
    n_shapes: int = 12
    min_aspect: float = 0.3
    n_bodies: int = 3
    n_measured: int = 7
    min_score: float = 0.2


@dataclass(frozen=True)
class PlateCandidate:
    """A round thing that the finder followed through the samples.

    Parameters
    ----------
    ellipse : Ellipse
        Its outline in the image of the sample where it showed best.
    score, support, travel_diameters : float
        Overall score 0..1; mean share of the outline with an edge along it; vertical movement.
    reason : str
        Why it was taken or not.
    """

    ellipse: Ellipse
    score: float
    support: float
    travel_diameters: float
    reason: str


@dataclass(frozen=True)
class PlateSeed:
    """Where the tracker starts.

    Parameters
    ----------
    index : int
        Frame at which `ellipse` was measured.
    ellipse : Ellipse
        Outline there, image px.
    path : ndarray, shape (n, 4)
        Coarse path over the samples, columns frame index, time in s, x and y in image px.
    score : float
        0..1; 1 when the user pointed at the plate.
    reason : str
        Why this one.
    candidates : tuple of PlateCandidate
        What else was considered, best first.
    rim_rgb : tuple of float, optional
        Colour just inside the outline; learned in the tracker's first frame when None.
    rim_sd, rim_edge : float
        Spread of that colour, and gradient across the outline, grey levels and grey levels per px.
    """

    index: int
    ellipse: Ellipse
    path: FloatArray
    score: float = 1.0
    reason: str = ""
    candidates: tuple[PlateCandidate, ...] = field(default=())
    rim_rgb: tuple[float, float, float] | None = None
    rim_sd: float = 15.0
    rim_edge: float = 5.0


# --------------------------------------------------------------------------------------------------
# The outline in one image
# --------------------------------------------------------------------------------------------------


@dataclass
class _Rim:
    """What the plate looks like just inside its outline, per ray, learned as it is followed."""

    colour: FloatArray
    variance: FloatArray
    edge: float

    def closeness(self, inner: FloatArray) -> FloatArray:
        """How well colours of shape (n_rays, m, 3) match, 0..1."""
        gap = (inner - self.colour[:, None]) ** 2 / self.variance[:, None]
        return 1.0 / (1.0 + gap.mean(axis=2) / 6.0)


class _Face:
    """What the plate's face looks like, per ring and per place, learned as it is followed.

    Rings are told from what hides them even when the plate turns about its axis; the places add
    what does not turn, such as shading and a hub seen from the side.
    """

    _RHO = np.array([0.25, 0.4, 0.55, 0.7, 0.82, 0.93])
    _SECTORS = 48

    def __init__(self, image: NDArray[np.uint8], params: FloatArray) -> None:
        self._units = unit_vectors(self._SECTORS)
        cells = self._look(image, params)
        self._ring = np.median(cells, axis=1, keepdims=True)
        gap = np.median(np.abs(cells - self._ring), axis=1, keepdims=True)
        self._ring_var = np.maximum(1.4826 * gap, 14.0) ** 2
        self._cell = np.broadcast_to(self._ring, cells.shape).copy()

    def _look(self, image: NDArray[np.uint8], params: FloatArray) -> FloatArray:
        """Colours on the polar grid, shape (rings, sectors, channels)."""
        points, _ = outline_from_params(params, self._units)
        at = (params[:2] + self._RHO[:, None, None] * (points - params[:2])).astype(np.float32)
        colour = cv2.remap(
            image, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
        )
        return colour.reshape(*at.shape[:2], -1).astype(np.float32)

    def _match(self, cells: FloatArray) -> NDArray[np.bool_]:
        ring = ((cells - self._ring) ** 2 / self._ring_var).mean(axis=2)
        cell = ((cells - self._cell) ** 2).mean(axis=2) / 18.0**2
        return np.minimum(ring, cell) < 6.0

    def seen(self, image: NDArray[np.uint8], params: FloatArray) -> tuple[FloatArray, float]:
        """Share of the outer rings that look right per sector (n,), and of the whole face."""
        match = self._match(self._look(image, params))
        outer = match[3:].mean(axis=0)
        near = (np.roll(outer, 1) + outer + np.roll(outer, -1)) / 3.0
        return near, float(match.mean())

    def learn(self, image: NDArray[np.uint8], params: FloatArray, rate: float = 0.1) -> None:
        """Adapt to a frame in which the plate is well seen."""
        cells = self._look(image, params)
        match = self._match(cells)
        count = match.sum(axis=1)[:, None, None]
        gap = np.sum((cells - self._ring) * match[..., None], axis=1, keepdims=True)
        well_seen = count >= self._SECTORS // 3
        self._ring += rate * np.where(well_seen, gap / np.maximum(count, 1), 0.0)
        self._cell += rate * np.where(match[..., None], cells - self._cell, 0.0)


@dataclass
class _Fit:
    """Outline fitted in one image."""

    params: FloatArray
    covariance: FloatArray
    share: float
    valid_share: float
    edge_sd: float
    inlier: NDArray[np.bool_]
    inner: FloatArray
    strength: FloatArray
    face_share: float = 1.0


class _Strip:
    """Image along rays across an outline, with edge strength and colours beside every offset."""

    def __init__(
        self, image: NDArray[np.uint8], params: FloatArray, units: FloatArray, reach_px: float
    ) -> None:
        radius = float(np.sqrt(max(params[2] * params[3] - params[4] ** 2, 1.0)))
        self.step = float(np.clip(reach_px / 16.0, 0.5, max(1.0, radius / 40.0)))
        band = max(1.5, 0.06 * radius)
        count = int(np.ceil(reach_px / self.step))
        ends = int(np.ceil(2.0 / self.step)) + 1
        pad_in = pad_out = int(np.ceil((band + 1.0) / self.step)) + ends
        self.points, self.normals = outline_from_params(params, units)
        self.offsets = self.step * np.arange(-count, count + 1)
        every = self.step * np.arange(-count - pad_in, count + pad_out + 1)
        x = self.points[:, :1] + every * self.normals[:, :1]
        y = self.points[:, 1:] + every * self.normals[:, 1:]
        height, width = image.shape[:2]
        x0, y0 = max(int(x.min()) - 1, 0), max(int(y.min()) - 1, 0)
        x1, y1 = min(int(x.max()) + 3, width), min(int(y.max()) + 3, height)
        keep = slice(pad_in, pad_in + len(self.offsets))
        inside = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)
        self.valid = inside[:, keep]
        if x1 - x0 < 2 or y1 - y0 < 2:
            shape = self.valid.shape
            self.valid = np.zeros(shape, bool)
            self.edge = self.apart = np.zeros(shape)
            self.inner = np.zeros((*shape, 3))
            return
        region = image[y0:y1, x0:x1]
        if region.ndim == 2:
            region = cv2.cvtColor(region, cv2.COLOR_GRAY2RGB)
        rays = cv2.remap(
            region.astype(np.float32),
            (x - x0).astype(np.float32),
            (y - y0).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        # Neighbouring rays are averaged a little (the ring is closed, so wrap around first).
        ring = np.concatenate([rays[-1:], rays, rays[:1]])
        slope = cv2.sepFilter2D(ring, -1, _derivative(self.step), np.array([0.25, 0.5, 0.25]))
        slope = slope[1:-1, keep] / self.step
        self.edge = np.sqrt(np.einsum("ijk,ijk->ij", slope, slope))
        width_band = max(1, round(band / self.step))
        gap = max(1, round(1.0 / self.step))
        mean = cv2.blur(rays, (width_band, 1), anchor=(width_band - 1, 0))
        self.inner = mean[:, pad_in - gap : pad_in - gap + len(self.offsets)]
        # Not right beside it: a printed line has two edges, and the plate goes on after the second.
        skip, width_band = max(1, round(0.025 * radius / self.step)), max(1, width_band // 2)
        mean = cv2.blur(rays, (width_band, 1), anchor=(width_band - 1, 0))
        near, far = (
            mean[:, pad_in + shift : pad_in + shift + len(self.offsets)]
            for shift in (-skip, skip + width_band - 1)
        )
        self.apart = ((far - near) ** 2).mean(axis=2)

    def evidence(self, rim: _Rim) -> FloatArray:
        """Evidence 0..1 of the plate's edge at every ray and offset, shape (n_rays, n_offsets)."""
        strength = self.edge / (self.edge + rim.edge)
        # On both sides of a line printed on the plate there is plate.
        last = 1.0 - 0.7 / (1.0 + self.apart / (3.0 * 12.0**2))
        return strength * rim.closeness(self.inner) * last * self.valid


def _derivative(step_px: float) -> FloatArray:
    """Derivative-of-Gaussian kernel, per sample, for samples `step_px` apart."""
    sigma = max(0.8 / step_px, 0.7)
    half = int(np.ceil(2.5 * sigma))
    t = np.arange(-half, half + 1)
    kernel = t * np.exp(-0.5 * (t / sigma) ** 2)
    return kernel / np.sum(kernel * t)


def _pick_edges(
    strip: _Strip, evidence: FloatArray, window_px: float, smear_px: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Sub-pixel offset and evidence of each ray's edge near the middle of the strip.

    The offset is the centroid of the part of the peak above half its height, which stays put when
    motion blur spreads the edge; `smear_px` is how far the outline moves along each ray during a
    frame, which widens the part looked at.
    """
    near = evidence * np.exp(-0.5 * (strip.offsets / (0.7 * window_px)) ** 2)
    near[:, np.abs(strip.offsets) > window_px] = 0.0
    peak = np.argmax(near, axis=1)
    rows = np.arange(len(peak))
    reach = np.maximum(1.5, 0.6 * np.minimum(smear_px, 20.0)) / strip.step
    half = max(2, round(float(reach.max())))
    around = peak[:, None] + np.arange(-half, half + 1)
    inside = (around >= 0) & (around < len(strip.offsets))
    values = strip.edge[rows[:, None], np.clip(around, 0, len(strip.offsets) - 1)]
    inside &= np.abs(around - peak[:, None]) <= np.maximum(reach, 2.0)[:, None]
    weights = np.clip(values - 0.5 * strip.edge[rows, peak][:, None], 0, None) * inside
    total = weights.sum(axis=1)
    shift = (weights * np.arange(-half, half + 1)).sum(axis=1) / np.maximum(total, 1e-12)
    found = strip.offsets[peak] + shift * strip.step
    strength = np.where(near[rows, peak] > 0, evidence[rows, peak], 0.0)
    return found, strength, peak


def _best_shift(
    strip: _Strip, evidence: FloatArray, modes: FloatArray, grid: FloatArray, penalty: FloatArray
) -> FloatArray:
    """Amplitudes of outline `modes` (n_rays, k) on a grid (g, k) that gather most evidence."""
    offsets = modes @ grid.T
    column = np.round((offsets - strip.offsets[0]) / strip.step).astype(int)
    outside = (column < 0) | (column >= len(strip.offsets))
    column[outside] = 0
    gathered = evidence[np.arange(len(modes))[:, None], column]
    gathered[outside] = 0.0
    return grid[best_index(gathered.sum(axis=0) - penalty)[0]]


def _fit_outline(
    image: NDArray[np.uint8],
    params: FloatArray,
    expected: FloatArray,
    prior: FloatArray,
    rim: _Rim,
    units: FloatArray,
    window_px: float,
    config: PlateConfig,
    visible: FloatArray | None = None,
    smear_px: FloatArray | None = None,
    n_narrow: int = 2,
) -> _Fit:
    """Fit the outline, starting at `params`, given `expected` with inverse covariance `prior`."""
    start = params.copy()
    current = params.copy()
    scale = 0.6 * window_px
    for window in (2.0 * window_px, *[window_px] * n_narrow):
        smear = np.zeros(len(units))
        strip = _Strip(image, current, units, window + 1.0)
        if smear_px is not None:
            smear = np.abs(strip.normals @ smear_px)
            # A smeared edge is wider and lower, but it is the same edge.
            strip.edge *= (1.0 + 0.3 * smear)[:, None]
        evidence = strip.evidence(rim)
        found, strength, peak = _pick_edges(strip, evidence, window, smear)
        if visible is not None:
            strength = strength * (0.2 + 0.8 * visible)
        strength = strength / (1.0 + (smear / 4.0) ** 2)
        jacobian = outline_jacobian(strip.normals, units)
        step = np.zeros(5)
        for _ in range(3):
            residual = found - jacobian @ step
            weight = strength * _tukey(residual / (4.0 * scale))
            normal = (jacobian.T * weight) @ jacobian / scale**2 + prior
            right = (jacobian.T * weight) @ found / scale**2 + prior @ (expected - current)
            step = np.linalg.solve(normal, right)
            residual = found - jacobian @ step
            good = (strength > 0.1 / (1.0 + (smear / 4.0) ** 2)) & (np.abs(residual) < window)
            if good.sum() >= 8:
                scale = 1.4826 * float(np.median(np.abs(residual[good])))
            scale = float(np.clip(scale, config.edge_noise_px, 0.6 * window_px))
        current = current + step
        determinant = current[2] * current[3] - current[4] ** 2
        if min(current[2], current[3], determinant) <= 0:
            current = start.copy()
            break
    weight = strength * _tukey(residual / (4.0 * scale))
    # Chance edges scatter over the whole window, so that only a narrow band counts as seen.
    band = np.clip(3.0 * scale, 0.4, max(0.8, 0.012 * _radius(current)))
    inlier = (strength > 0.12 / (1.0 + (smear / 4.0) ** 2)) & (
        np.abs(residual) < min(float(band), window_px)
    )
    if visible is not None:
        inlier &= visible > 0.4
    information = (jacobian.T * weight) @ jacobian / (config.correlation * scale**2)
    covariance = np.linalg.inv(information + prior)
    rows = np.arange(len(units))
    return _Fit(
        current,
        covariance,
        float(inlier.mean()),
        float(strip.valid.any(axis=1).mean()),
        scale,
        inlier,
        strip.inner[rows, peak],
        strip.edge[rows, peak],
    )


def _tukey(ratio: FloatArray) -> FloatArray:
    """Tukey's biweight."""
    return np.where(np.abs(ratio) < 1, (1 - np.minimum(ratio**2, 1)) ** 2, 0.0)


def _first_rim(
    image: NDArray[np.uint8],
    params: FloatArray,
    units: FloatArray,
    shown: NDArray[np.bool_] | slice = slice(None),
) -> _Rim:
    """Learn the rim's looks, on rays that show it, at an outline known to a pixel or so."""
    strip = _Strip(image, params, units, 3.0)
    middle = len(strip.offsets) // 2
    inner = strip.inner[shown, middle]
    typical = np.median(inner, axis=0)
    spread = 1.4826 * np.median(np.abs(inner - typical), axis=0)
    variance = np.tile(np.maximum(spread * 1.5, 12.0) ** 2, (len(units), 1))
    near = strip.edge[shown, max(middle - 3, 0) : middle + 4].max(axis=1)
    return _Rim(np.tile(typical, (len(units), 1)), variance, max(0.5 * float(np.median(near)), 2.0))


# --------------------------------------------------------------------------------------------------
# Outline score maps
# --------------------------------------------------------------------------------------------------


def _orientation_maps(image: NDArray[np.uint8], noise: float = 4.0) -> FloatArray:
    """Edge orientation in double-angle form, weighted by contrast, shape (2, H, W).

    The two maps hold ``cos 2a`` and ``sin 2a`` times a strength 0..1 for an edge whose gradient has
    direction ``a``; the polarity drops out.
    """
    smooth = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 1.0)
    gx = cv2.Scharr(smooth, -1, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(smooth, -1, 0, 1, scale=1 / 32)
    cos, sin, energy = gx * gx - gy * gy, 2 * gx * gy, gx * gx + gy * gy
    if image.ndim == 3:
        cos, sin, energy = cos.sum(axis=2), sin.sum(axis=2), energy.sum(axis=2)
    return np.stack([cos, sin]) / (energy + noise**2)


def _outline_template(shape: tuple[int, int], params: FloatArray) -> NDArray[np.complexfloating]:
    """Conjugate Fourier transforms of an outline's double-angle template around the origin.

    Multiplied with the transforms of the orientation maps and summed over both, they give the score
    of the outline at every position: the mean over its length of ``cos 2(a - b)`` times strength,
    with ``b`` the direction of the outline's normal.
    """
    points, normals = outline_from_params(np.r_[0.0, 0.0, params[2:]], unit_vectors(96))
    # Weight by arc length, so that the ends of a slim ellipse do not dominate.
    arc = np.linalg.norm(np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0), axis=1)
    arc /= arc.sum()
    cos = (normals[:, 0] ** 2 - normals[:, 1] ** 2) * arc
    sin = 2 * normals[:, 0] * normals[:, 1] * arc
    template = np.zeros((2, *shape), np.float32)
    base = np.floor(points).astype(int)
    part = points - base
    for dx in (0, 1):
        for dy in (0, 1):
            weight = np.abs(1 - dx - part[:, 0]) * np.abs(1 - dy - part[:, 1])
            rows, columns = (base[:, 1] + dy) % shape[0], (base[:, 0] + dx) % shape[1]
            np.add.at(template[0], (rows, columns), cos * weight)
            np.add.at(template[1], (rows, columns), sin * weight)
    return np.conj(fft.rfft2(template))


def _score_map(
    maps_ft: NDArray[np.complexfloating],
    template: NDArray[np.complexfloating],
    shape: tuple[int, int],
) -> FloatArray:
    """Outline score at every position, shape `shape`."""
    return fft.irfft2(maps_ft[0] * template[0] + maps_ft[1] * template[1], s=shape)


def _padded_shape(shape: tuple[int, int], pad: int) -> tuple[int, int]:
    return (
        fft.next_fast_len(shape[0] + pad, real=True),
        fft.next_fast_len(shape[1] + pad, real=True),
    )


def _peaks(score: FloatArray, n: int, apart_px: float) -> list[tuple[float, int, int]]:
    """The `n` highest local maxima as (value, x, y), at least `apart_px` apart.

    Of equal ones the one further up in the image comes first, then the one further left.
    """
    size = 2 * max(1, round(apart_px)) + 1
    top = cv2.dilate(score.astype(np.float32), np.ones((size, size), np.uint8))
    rows, columns = np.nonzero((score >= top - 1e-7) & (score > 0.02))
    values = score[rows, columns]
    order = ranked(values)[:n]
    return [(float(values[k]), int(columns[k]), int(rows[k])) for k in order]


# --------------------------------------------------------------------------------------------------
# The tracker
# --------------------------------------------------------------------------------------------------


def _radius(params: FloatArray) -> float:
    """Geometric mean of the semi-axes, px."""
    return float(np.sqrt(max(params[2] * params[3] - params[4] ** 2, 1e-6)))


def _slant(params: FloatArray) -> float:
    """Sine of the angle between the plate's axis and the line of sight, from its aspect."""
    return float(np.sqrt(max(1.0 - from_params(params[:5]).aspect ** 2, 0.0)))


class PlateTracker:
    """Follows the plate's outline through the frames of a clip, in order.

    Parameters
    ----------
    seed : PlateSeed
    config : PlateConfig

    Notes
    -----
    The state is the outline (centre and outline matrix) with the centre's velocity, propagated with
    white acceleration noise and a slow drift of the shape; each frame is an iterated extended
    Kalman update (Bar-Shalom, Li, Kirubarajan: Estimation with Applications to Tracking and
    Navigation, 2001, sections 6.3 and 10.5) whose measurements are the edges found along the
    outline's normals, weighted by Tukey's biweight. An edge counts as the plate's only if what lies
    just inside of it looks like the rim as learned so far.
    """

    def __init__(self, seed: PlateSeed, config: PlateConfig | None = None) -> None:
        self.seed = seed
        self.config = config or PlateConfig()
        self._units = unit_vectors(self.config.n_rays)
        shape = to_params(seed.ellipse)
        self._state = np.r_[shape, 0.0, 0.0]
        self._covariance = np.zeros((7, 7))
        self._face: _Face | None = None
        self._rim: _Rim | None = None
        if seed.rim_rgb is not None:
            variance = max(seed.rim_sd, 12.0) ** 2
            self._rim = _Rim(
                np.tile(np.asarray(seed.rim_rgb, float), (self.config.n_rays, 1)),
                np.full((self.config.n_rays, 3), variance),
                max(seed.rim_edge, 2.0),
            )
        self._following = False
        self._seen_s = -np.inf
        self._frame_s = 1 / 30
        self._time_s: float | None = None
        self._rows: list[tuple[object, ...]] = []

    @property
    def diameter_px(self) -> float:
        """Geometric mean diameter of the outline as it is believed now."""
        return 2.0 * _radius(self._state)

    def update(self, frame: FrameLike) -> dict[str, object]:
        """Measure the plate in the next frame and return its row of the table.

        Parameters
        ----------
        frame : FrameLike
            Frames must come in order of time; image RGB or grey, uint8.
        """
        image = frame.image
        self._predict(frame)
        prior_state, prior = self._state[:5].copy(), self._covariance[:5, :5].copy()
        position_sd = float(np.sqrt(0.5 * np.trace(prior[:2, :2])))
        wide = not self._following or position_sd > 0.06 * self.diameter_px
        starts = (
            self._search_wide(image, position_sd) if wide else self._search_near(image, position_sd)
        )
        fits = [self._fit(image, start, prior_state, prior) for start in starts]
        # An outline that lies on one line here and on another there has its edges scattered.
        blunt = 0.5 * self._window_px()
        worth = [fit.share / (1.0 + (fit.edge_sd / blunt) ** 2) for fit in fits]
        best = fits[ranked(worth)[0]] if fits else None
        self._take(frame, best, wide)
        return dict(zip(COLUMNS, self._rows[-1], strict=True))

    def table(self) -> pd.DataFrame:
        """Plate table so far, one row a frame with the columns `COLUMNS`."""
        table = pd.DataFrame(self._rows, columns=list(COLUMNS))
        return table.astype({"frame": int, "state": str})

    def _path_at(self, index: int, time_s: float) -> FloatArray | None:
        """Coarse position (x, y) from the seed, None beyond half a second off the path."""
        path = self.seed.path
        if len(path) == 0:
            here = index == self.seed.index or self._time_s is None
            return self.seed.ellipse.centre if here else None
        if not path[0, 1] - 0.5 <= time_s <= path[-1, 1] + 0.5:
            return None
        return np.array([np.interp(index, path[:, 0], path[:, k]) for k in (2, 3)])

    def _predict(self, frame: FrameLike) -> None:
        config, diameter = self.config, self.diameter_px
        first = self._time_s is None
        dt = 1 / 30 if first else max(frame.time_s - self._time_s, 1e-3)
        self._time_s = frame.time_s
        self._frame_s = dt
        frames = 30.0 * dt
        if not first:
            move = np.eye(7)
            move[0, 5] = move[1, 6] = dt
            self._state = move @ self._state
            self._covariance = move @ self._covariance @ move.T
            accel = (config.accel_diameters_s2 * diameter) ** 2
            noise = np.array([[dt**4 / 4, dt**3 / 2], [dt**3 / 2, dt**2]]) * accel
            for k in (0, 1):
                self._covariance[np.ix_([k, 5 + k], [k, 5 + k])] += noise
                self._covariance[k, k] += config.shake_px**2 * frames
                self._covariance[5 + k, 5 + k] += (20.0 * config.shake_px) ** 2 * frames
            # As the plate comes nearer it grows as it is. Turning changes the aspect, which is the
            # slant's cosine, by the slant's sine: a plate seen square stays round.
            growth = config.shape_drift * self._state[2:5]
            turn = (config.slant_drift + config.shape_drift * _slant(self._state)) * 0.5 * diameter
            turned = turn**2 * np.diag([1.0, 1.0, 0.5])
            self._covariance[2:5, 2:5] += (np.outer(growth, growth) + turned) * frames
        if self._following:
            return
        if not first:
            self._state[5:] *= 0.8**frames
        hint = self._path_at(frame.index, frame.time_s)
        if first and hint is None:
            hint = self.seed.path[0, 2:4]
        if hint is not None:
            self._state[:2] = hint
            spread = np.r_[np.full(2, 0.15 * diameter), np.full(2, 1.0 * diameter)]
        else:
            have = np.sqrt(np.diag(self._covariance))[[0, 1, 5, 6]]
            # The longer it was out of sight, the farther it may have gone.
            away = 0.5 + 1.0 * min(self._lost_for(frame.time_s), 1.0)
            limit = np.r_[np.full(2, away * diameter), np.full(2, 3.0 * diameter)]
            spread = np.minimum(have, limit)
        shape = self._covariance[2:5, 2:5].copy()
        if self._face is None:
            # Measured in another frame, where the plate may have been nearer to the camera or
            # farther: its size is less known than its shape.
            shape = np.diag([1.0, 1.0, 0.5]) * (0.004 * diameter) ** 2
            shape += np.outer(self._state[2:5], self._state[2:5]) * 0.02**2
        shape_limit = (0.01 * diameter) ** 2
        shape *= min(1.0, shape_limit / max(float(np.diag(shape).max()), 1e-12))
        self._covariance = np.zeros((7, 7))
        self._covariance[[0, 1, 5, 6], [0, 1, 5, 6]] = spread**2
        self._covariance[2:5, 2:5] = shape

    def _window_px(self) -> float:
        radius = 0.5 * self.diameter_px
        return max(self.config.edge_window_min_px, self.config.edge_window * radius)

    def _search_near(self, image: NDArray[np.uint8], position_sd: float) -> list[FloatArray]:
        """Best shift of the predicted outline within its uncertainty."""
        reach = float(np.clip(2.5 * position_sd, 3.0, max(3.0, 0.15 * self.diameter_px)))
        return [self._shifted(image, self._state[:5], reach, position_sd)]

    def _shifted(
        self, image: NDArray[np.uint8], start: FloatArray, reach_px: float, sd_px: float
    ) -> FloatArray:
        """Outline shifted, as it is, to where most of it meets edges of the plate."""
        rim = self._rim or _first_rim(image, start, self._units)
        strip = _Strip(image, start, self._units, reach_px)
        spacing = max(strip.step, reach_px / 8.0)
        n = int(np.ceil(reach_px / spacing))
        axis = spacing * np.arange(-n, n + 1)
        grid = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
        penalty = np.sum(grid**2, axis=1) / sd_px**2
        shifted = start.copy()
        shifted[:2] += _best_shift(strip, strip.evidence(rim), strip.normals, grid, penalty)
        return shifted

    def _search_wide(self, image: NDArray[np.uint8], position_sd: float) -> list[FloatArray]:
        """Outline starts from a score map around the predicted place, best first."""
        radius = 0.5 * self.diameter_px
        half_axes = np.sqrt(self._state[2:4] ** 2 + self._state[4] ** 2)
        reach = half_axes + max(2.5 * position_sd, 0.2 * radius) + 3
        height, width = image.shape[:2]
        low = np.maximum(np.floor(self._state[:2] - reach), 0).astype(int)
        high = np.minimum(np.ceil(self._state[:2] + reach) + 1, (width, height)).astype(int)
        if (high - low < 8).any():
            return []
        region = image[low[1] : high[1], low[0] : high[0]]
        factor = min(1.0, 14.0 / radius)
        if factor < 1.0:
            region = cv2.resize(region, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        scale = np.array([region.shape[1], region.shape[0]]) / (high - low)
        maps = _orientation_maps(region)
        shape = _padded_shape(region.shape[:2], 8)
        small = self._state[:5] * np.r_[0, 0, np.full(3, factor)]
        template = _outline_template(shape, small)
        score = _score_map(fft.rfft2(maps, s=shape), template, shape)
        score = score[: region.shape[0], : region.shape[1]]
        x = (np.arange(region.shape[1]) + 0.5) / scale[0] - 0.5 + low[0] - self._state[0]
        y = (np.arange(region.shape[0]) + 0.5) / scale[1] - 0.5 + low[1] - self._state[1]
        weight = np.exp(-0.25 * (x**2 + y[:, None] ** 2) / max(position_sd, 1.0) ** 2)
        starts = []
        for value, column, row in _peaks(score * weight, 4, 0.3 * radius * factor):
            if value > 0.05:
                start = self._state[:5].copy()
                start[:2] += (x[column], y[row])
                # A coarse start could settle half on the rim and half on a ring inside of it.
                reach = max(3.0, 1.5 / factor)
                sizes = (1.0,) if self._face is not None else (1.0, 0.975, 1.025)
                for size in sizes:
                    grown = start * np.r_[1.0, 1.0, np.full(3, size)]
                    starts.append(self._shifted(image, grown, reach, 2.0 * reach))
        return starts

    def _fit(
        self,
        image: NDArray[np.uint8],
        start: FloatArray,
        prior_state: FloatArray,
        prior: FloatArray,
    ) -> _Fit:
        if self._rim is None:
            self._rim = _first_rim(image, start, self._units)
        visible = None
        if self._face is not None:
            sectors, _ = self._face.seen(image, start)
            at = np.arange(len(self._units)) * len(sectors) / len(self._units)
            visible = np.interp(at, np.arange(len(sectors) + 1), np.r_[sectors, sectors[:1]])
        fit = _fit_outline(
            image,
            start,
            prior_state,
            np.linalg.inv(prior),
            self._rim,
            self._units,
            self._window_px(),
            self.config,
            visible,
            self._state[5:] * self._frame_s,
            n_narrow=1 if self._following else 2,
        )
        if self._face is not None:
            fit.face_share = self._face.seen(image, fit.params)[1]
        return fit

    def _take(self, frame: FrameLike, fit: _Fit | None, wide: bool) -> None:
        """Decide what the fit is worth, update the state, add the row."""
        config = self.config
        height, width = frame.image.shape[:2]
        state, sd = "lost", np.nan
        if fit is not None:
            sd = float(np.sqrt(0.5 * np.trace(fit.covariance[:2, :2])))
            x, y = fit.params[:2]
            inside = -0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5
            sure = inside and sd <= config.lost_sd_share * self.diameter_px
            sure = sure and fit.face_share >= (0.5 if wide else config.face_share)
            if sure and fit.share >= config.seen_share:
                state = "seen"
            elif sure and fit.share >= config.partly_share and not wide:
                state = "partly"
        if state == "lost" or fit is None:
            self._following = self._following and self._lost_for(frame.time_s) < 0.15
            nan = np.nan
            share = 0.0 if fit is None else fit.share
            row = (frame.index, frame.time_s, nan, nan, nan, nan, nan, nan, share, "lost")
            self._rows.append(row)
            return
        gain = self._covariance[5:, :5] @ np.linalg.inv(self._covariance[:5, :5])
        change = fit.covariance - self._covariance[:5, :5]
        if wide:
            self._state[5:] = 0.0
        else:
            self._state[5:] += gain @ (fit.params - self._state[:5])
            self._covariance[5:, 5:] += gain @ change @ gain.T
            self._covariance[5:, :5] = gain @ fit.covariance
            self._covariance[:5, 5:] = self._covariance[5:, :5].T
        self._covariance[:5, :5] = fit.covariance
        self._state[:5] = fit.params
        self._following = True
        self._seen_s = frame.time_s
        if state == "seen":
            self._learn(fit)
            if self._face is None:
                self._face = _Face(frame.image, fit.params)
            else:
                self._face.learn(frame.image, fit.params)
        ellipse = from_params(fit.params)
        self._rows.append(
            (
                frame.index,
                frame.time_s,
                ellipse.x_px,
                ellipse.y_px,
                ellipse.major_px,
                ellipse.minor_px,
                ellipse.angle_deg,
                sd,
                fit.share,
                state,
            )
        )

    def _lost_for(self, time_s: float) -> float:
        return time_s - self._seen_s

    def _learn(self, fit: _Fit) -> None:
        assert self._rim is not None
        rate = 0.1
        seen = fit.inlier
        gap = fit.inner[seen] - self._rim.colour[seen]
        self._rim.colour[seen] += rate * gap
        self._rim.variance[seen] += rate * (np.clip(gap**2, 64.0, 900.0) - self._rim.variance[seen])
        typical = 0.4 * float(np.median(fit.strength[seen]))
        self._rim.edge += rate * (max(typical, 2.0) - self._rim.edge)


def track_plate(
    frames: Iterable[FrameLike], seed: PlateSeed, config: PlateConfig | None = None
) -> pd.DataFrame:
    """Follow the plate through a clip.

    Parameters
    ----------
    frames : iterable of FrameLike
        All frames in order of time.
    seed : PlateSeed
        From `find_plate`.
    config : PlateConfig, optional

    Returns
    -------
    pandas.DataFrame
        Plate table with the columns `COLUMNS`: ellipse centre and full axes in image px, ``sd_px``
        of the centre per coordinate, ``outline_share`` 0..1 and ``state`` (``seen``, ``partly``,
        ``lost``; NaN when lost).
    """
    tracker = PlateTracker(seed, config)
    for frame in frames:
        tracker.update(frame)
    return tracker.table()


# --------------------------------------------------------------------------------------------------
# The finder
# --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Shape:
    """One outline tried: parameters around the origin in px of its pyramid level."""

    level: int
    params: FloatArray

    @property
    def radius_px(self) -> float:
        """Mean radius in px of the work image."""
        return _radius(self.params) * 2**self.level

    @property
    def half_height_px(self) -> float:
        """Half of the upright extent in px of the work image."""
        return float(np.hypot(self.params[3], self.params[4])) * 2**self.level


@dataclass
class _Path:
    """A shape linked through the samples, in px of the work image."""

    shape: _Shape
    sample: NDArray[np.intp]
    image_xy: FloatArray
    steady_xy: FloatArray
    support: FloatArray
    score: float = 0.0
    travel: float = 0.0
    reason: str = ""


class _Samples:
    """Samples reduced to work size, with what moves in them."""

    def __init__(
        self, samples: Sequence[FrameLike], transforms: FloatArray | None, config: PlateConfig
    ) -> None:
        self.samples = samples
        height, width = samples[0].image.shape[:2]
        self.factor = min(1.0, float(np.sqrt(config.work_area_px / (width * height))))
        size = (max(round(width * self.factor), 8), max(round(height * self.factor), 8))
        self.small = [
            frame.image
            if self.factor == 1.0
            else cv2.resize(frame.image, size, interpolation=cv2.INTER_AREA)
            for frame in samples
        ]
        self.shape = (size[1], size[0])
        self.scale = np.array([size[0] / width, size[1] / height])
        self.time_s = np.array([frame.time_s for frame in samples])
        self.index = np.array([frame.index for frame in samples])
        self.transforms = np.tile(np.eye(2, 3), (len(samples), 1, 1))
        if transforms is not None:
            self.transforms = np.asarray(transforms, dtype=float).copy()
            # x_work = (x + 0.5) * scale - 0.5 on both sides of the transform.
            linear = self.transforms[:, :, :2]
            shift = np.einsum("nij,j->ni", linear, 0.5 / self.scale - 0.5)
            self.transforms[:, :, 2] = (shift + self.transforms[:, :, 2] + 0.5) * self.scale - 0.5
        self._maps: dict[tuple[int, int, bool], FloatArray] = {}
        self._find_motion()

    def _find_motion(self) -> None:
        """Where anything changes over the samples, and the scene's usual look, steadied."""
        pick = np.unique(np.linspace(0, len(self.small) - 1, 60).astype(int))
        size = (self.shape[1], self.shape[0])
        grey = []
        for k in pick:
            image = self.small[k]
            image = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
            image = cv2.GaussianBlur(image, (0, 0), 1.0)
            grey.append(
                cv2.warpAffine(image, self.transforms[k], size, borderMode=cv2.BORDER_REPLICATE)
            )
        stack = np.stack(grey)
        self.usual = np.median(stack, axis=0).astype(np.float32)
        spread = stack.astype(np.float32).std(axis=0)
        self.noise = float(np.clip(2.0 * np.median(spread), 3.0, 10.0))
        moving = np.clip((spread - self.noise) / self.noise, 0, 1)
        self.still = (moving < 0.15).astype(np.float32)
        self.moving = cv2.dilate(moving, np.ones((5, 5), np.uint8))

    def weight(self, k: int) -> FloatArray:
        """Weight 0..1 of every work pixel of sample `k`: highest where it differs from usual."""
        size = (self.shape[1], self.shape[0])
        back = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
        at = self.transforms[k]
        usual = cv2.warpAffine(self.usual, at, size, flags=back, borderMode=cv2.BORDER_REPLICATE)
        moving = cv2.warpAffine(self.moving, at, size, flags=back, borderValue=1.0)
        image = self.small[k]
        grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
        differs = np.abs(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0) - usual)
        differs = cv2.dilate(np.clip(differs / (2.0 * self.noise) - 0.5, 0, 1), np.ones((5, 5)))
        return moving * (0.6 + 0.4 * differs)

    def beside_still(self, k: int, points: FloatArray, normals: FloatArray) -> FloatArray:
        """Whether the picture just outside an outline never changes, 0..1 for each point.

        `points` and `normals`, shape (n, 2), are in px of sample `k`.
        """
        work = (points + 0.5) * self.scale - 0.5
        reach = float(np.clip(0.05 * np.ptp(work, axis=0).mean() / 2, 1.5, 3.0))
        work = work + reach * normals
        at = self.to_steady(k, work).astype(np.float32)
        look = cv2.remap(self.still, at[:, :1], at[:, 1:], cv2.INTER_LINEAR, borderValue=1.0)
        return look.ravel()

    def to_steady(self, k: int, xy: FloatArray) -> FloatArray:
        """Work px of sample `k` to steadied work px."""
        return xy @ self.transforms[k][:, :2].T + self.transforms[k][:, 2]

    def to_image(self, xy: FloatArray) -> FloatArray:
        """Work px to px of the full image."""
        return (xy + 0.5) / self.scale - 0.5

    def padded_shape(self, level: int) -> tuple[int, int]:
        """Size to which the orientation maps of a level are padded."""
        return _padded_shape((self.shape[0] >> level, self.shape[1] >> level), 14)

    def level_maps(
        self, k: int, levels: Iterable[int], weighted: bool
    ) -> dict[int, tuple[NDArray[np.complexfloating], tuple[int, int], tuple[int, int]]]:
        """Transformed orientation maps of sample `k` per level, with padded and true shapes."""
        result = {}
        for level in levels:
            maps = self.orientation(k, level, weighted)
            padded = self.padded_shape(level)
            result[level] = (fft.rfft2(maps, s=padded), padded, maps.shape[1:])
        return result

    def orientation(self, k: int, level: int, weighted: bool) -> FloatArray:
        """Orientation maps of sample `k` at a level, shape (2, H, W), kept once made."""
        have = self._maps.get((k, level, weighted))
        if have is not None:
            return have
        image = self.small[k]
        size = (self.shape[1] >> level, self.shape[0] >> level)
        if level:
            image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
        maps = _orientation_maps(image)
        if weighted:
            weight = self.weight(k)
            if level:
                weight = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
            maps = (maps * weight).astype(np.float32)
        self._maps[k, level, weighted] = maps
        return maps


def _shapes(shape: tuple[int, int], config: PlateConfig) -> list[_Shape]:
    """All outlines tried, for a work image of the given shape."""
    unit = np.sqrt(shape[0] * shape[1])
    low, high = config.min_diameter_share * unit / 2, config.max_diameter_share * unit / 2
    radii = low * 1.22 ** np.arange(int(np.log(high / low) / np.log(1.22)) + 1)
    shapes = []
    for radius in radii:
        for aspect in (1.0, 0.8, 0.6, 0.42):
            if aspect >= config.min_aspect:
                shapes += _turned(radius, aspect)
    return shapes


def _turned(radius_px: float, aspect: float) -> list[_Shape]:
    """Outlines of one size (major half axis, work px) and slimness, upright or leaning a little."""
    level = max(int(np.floor(np.log2(radius_px / 7.0))), 0)
    full = 2 * radius_px / 2**level
    angles = (-90.0,) if aspect >= 0.8 else (-90.0, -77.0, 77.0)
    return [_Shape(level, to_params(Ellipse(0.0, 0.0, full, full * aspect, a))) for a in angles]


def _choose_shapes(
    work: _Samples,
    shapes: list[_Shape],
    picks: Iterable[int],
    config: PlateConfig,
    click: FloatArray | None,
) -> list[_Shape]:
    """Shapes that show best in some samples, kept apart so that several things are covered."""
    levels = sorted({s.level for s in shapes})
    members = {level: [i for i, s in enumerate(shapes) if s.level == level] for level in levels}
    templates = {
        level: np.stack(
            [_outline_template(work.padded_shape(level), shapes[i].params) for i in members[level]]
        )
        for level in levels
    }

    def scan(k: int) -> list[tuple[float, ...]]:
        """Rows (shape, sample, score, x, y) of one sample."""
        rows = []
        maps = work.level_maps(k, levels, weighted=click is None)
        for level, (maps_ft, padded, true) in maps.items():
            stack = np.einsum("cij,kcij->kij", maps_ft, templates[level])
            scores = fft.irfft2(stack, s=padded)[:, : true[0], : true[1]]
            for i, score in zip(members[level], scores, strict=True):
                if click is not None:
                    score = score * _near_click(true, click / 2**level, _radius(shapes[i].params))
                for value, x, y in _peaks(score, 3, 0.5 * _radius(shapes[i].params)):
                    where = (np.array([x, y]) + 0.5) * 2**level - 0.5
                    rows.append((i, k, value, *where))
        return rows

    with ThreadPoolExecutor() as pool:
        found = [row for rows in pool.map(scan, picks) for row in rows]
    table = np.array(found, dtype=float).reshape(-1, 5)
    radius = np.array([s.radius_px for s in shapes])
    value = np.clip(table[:, 2], 0, None) ** 2 * radius[table[:, 0].astype(int)] ** 0.4
    chosen: list[_Shape] = []
    for _ in range(config.n_shapes):
        total = np.bincount(table[:, 0].astype(int), weights=value, minlength=len(shapes))
        best = best_index(total)[0]
        if total[best] <= 0:
            break
        chosen.append(shapes[best])
        mine = table[:, 0] == best
        similar = np.abs(np.log(radius[table[:, 0].astype(int)] / radius[best])) < 0.25
        for k in np.unique(table[mine, 1]):
            spots = table[mine & (table[:, 1] == k), 3:5]
            here = (table[:, 1] == k) & similar
            gap = np.linalg.norm(table[here, None, 3:5] - spots, axis=2).min(axis=1)
            value[here] *= np.where(gap < 0.4 * radius[best], 0.4, 1.0)
        value[mine] = 0.0
    return chosen


def _near_click(shape: tuple[int, int], click: FloatArray, radius: float) -> FloatArray:
    x, y = np.arange(shape[1]) - click[0], np.arange(shape[0])[:, None] - click[1]
    return np.exp(-0.5 * (x**2 + y**2) / (0.5 * radius) ** 2)


def _link(
    work: _Samples,
    shape: _Shape,
    nodes: list[FloatArray],
    n_paths: int,
    forced: tuple[int, FloatArray] | None,
) -> list[_Path]:
    """Best paths of one shape through the samples by dynamic programming.

    `nodes` holds per sample an array (m, 3) of score, x and y in work px. A path may miss up to
    three samples in a row.
    """
    threshold, reach = 0.13, 2.0 * shape.half_height_px
    alive = [np.ones(len(rows), bool) for rows in nodes]
    steady = [work.to_steady(k, rows[:, 1:]) for k, rows in enumerate(nodes)]
    gains = [rows[:, 0] - threshold for rows in nodes]
    if forced is not None:
        k, click = forced
        away = np.linalg.norm(nodes[k][:, 1:] - click, axis=1) / shape.radius_px
        gains[k] = gains[k] + np.where(away < 0.6, 100.0, -100.0)
    paths = []
    for _ in range(n_paths):
        total: list[FloatArray] = []
        back: list[NDArray[np.intp]] = []
        for k, rows in enumerate(nodes):
            best = np.zeros(len(rows))
            origin = np.full((len(rows), 2), -1)
            for j in range(max(0, k - 4), k):
                if not len(nodes[j]) or not len(rows):
                    continue
                dt = max(work.time_s[k] - work.time_s[j], 1e-3)
                gap = np.linalg.norm(steady[k][:, None] - steady[j][None], axis=2) / reach
                cost = 0.12 * (gap / (2.5 * dt)) ** 2
                cost[gap > 5.0 * dt + 0.3] = np.inf
                # Of equal ways the shorter gap, then the higher peak, whatever a sum's last digits.
                value = np.round(total[j] - cost, 9)
                top = np.argmax(value, axis=1)
                better = value[np.arange(len(rows)), top] >= best
                better &= value[np.arange(len(rows)), top] > 0
                best[better] = value[np.arange(len(rows)), top][better]
                origin[better] = np.column_stack([np.full(len(rows), j), top])[better]
            total.append(np.where(alive[k], best + gains[k], -np.inf))
            back.append(origin)
        ends = [float(t.max()) if len(t) else -np.inf for t in total]
        k = best_index(ends)[0]
        if not ends[k] > 0:
            break
        chain = [(k, best_index(total[k])[0])]
        while back[chain[-1][0]][chain[-1][1], 0] >= 0:
            a, b = back[chain[-1][0]][chain[-1][1]]
            chain.append((int(a), int(b)))
        chain.reverse()
        for a, b in chain:
            alive[a][b] = False
        paths.append(
            _Path(
                shape,
                np.array([a for a, _ in chain]),
                np.array([nodes[a][b, 1:] for a, b in chain]),
                np.array([steady[a][b] for a, b in chain]),
                np.array([nodes[a][b, 0] for a, b in chain]),
            )
        )
        if forced is not None:
            break
    return paths


def _judge(path: _Path, n_samples: int, config: PlateConfig) -> None:
    """Score how much a path moves like a press; sets `score`, `travel` and `reason`."""
    diameter = 2.0 * path.shape.half_height_px
    support = float(np.mean(path.support))
    if len(path.sample) < 5:
        path.reason = "seen in too few samples"
        return
    x, y = _median3(path.steady_xy[:, 0]), _median3(path.steady_xy[:, 1])
    top, bottom = np.percentile(y, [4, 96])
    travel = float(bottom - top) / diameter
    sideways = float(np.ptp(np.percentile(x, [4, 96]))) / diameter
    path.travel = travel
    if travel < config.min_travel_diameters:
        path.reason = "does not move up and down"
        return
    if travel > config.max_travel_diameters:
        path.reason = "moves farther than a press"
        return
    if sideways > config.max_sideways * travel:
        path.reason = "moves sideways"
        return
    share = (y - top) / (bottom - top)
    low = np.flatnonzero(share > 0.65)
    before = len(low) > 0 and (share[: low[0]] < 0.35).any()
    after = len(low) > 0 and (share[low[-1] :] < 0.35).any()
    if not (before or after):
        path.reason = "does not go down and up again"
        return
    jitter = float(np.median(np.abs(np.diff(y, 2)))) / (bottom - top)
    whole = 1.0 if before and after else 0.5
    upright = 1.0 - 0.5 * (sideways / (config.max_sideways * travel)) ** 2
    steadiness = 1.0 / (1.0 + (jitter / 0.2) ** 2)
    coverage = min(1.0, len(path.sample) / (0.6 * n_samples)) ** 0.5
    path.score = min(1.0, support / 0.45) * whole * upright * steadiness * coverage
    path.reason = "moves like a press"


# --------------------------------------------------------------------------------------------------
# What moves along with a path
# --------------------------------------------------------------------------------------------------


def _rank(path: _Path) -> float:
    return path.score * float(np.mean(path.support)) * path.shape.radius_px


def _by(worth: Callable[[_T], float], items: Sequence[_T]) -> list[_T]:
    """Return the items, most worth first; equal ones stay in their order."""
    return [items[k] for k in ranked([worth(item) for item in items])]


def _moving_along(
    work: _Samples,
    paths: list[_Path],
    config: PlateConfig,
    forced: tuple[int, FloatArray] | None,
) -> list[_Path]:
    """Most convincing outlines that move along with the best paths, best first."""
    bodies: list[_Path] = []
    for path in _by(_rank, paths):
        if path.score <= 0 or len(bodies) == config.n_bodies:
            break
        if not any(_same_body(path, other) for other in bodies):
            bodies.append(path)
    groups: dict[int, tuple[list[_Shape], NDArray[np.complexfloating]]] = {}
    found: list[_Path] = []
    for path in bodies:
        found += _mates(work, path, groups, config, forced)
    # An outline whose path was found by a part of the plate may be better followed by itself.
    found += _follow_shapes(
        work, list({id(mate.shape): mate.shape for mate in found}.values()), config, forced
    )
    for mate in found:
        if forced is None:
            _judge(mate, len(work.samples), config)
        else:
            mate.score = float(np.mean(mate.support))
            mate.reason = "is where the user pointed"
    likely: list[_Path] = []
    for mate in _by(_rank, found):
        if mate.score <= 0 or len(likely) == config.n_measured:
            break
        if not any(_same_outline(mate, other) for other in likely):
            likely.append(mate)
    return likely


def _same_outline(path: _Path, other: _Path) -> bool:
    """Whether two paths follow about the same outline of the same thing."""
    radius = max(path.shape.radius_px, other.shape.radius_px)
    if (
        np.abs(
            path.shape.params * 2.0**path.shape.level - other.shape.params * 2.0**other.shape.level
        ).max()
        > 0.06 * radius
    ):
        return False
    _, mine, its = np.intersect1d(path.sample, other.sample, return_indices=True)
    gap = np.linalg.norm(path.image_xy[mine] - other.image_xy[its], axis=1)
    return len(mine) > 0 and bool(np.median(gap) < 0.15 * radius)


def _same_body(path: _Path, other: _Path) -> bool:
    """Whether two paths keep their distance, so that one outline can be sought along either."""
    _, mine, its = np.intersect1d(path.sample, other.sample, return_indices=True)
    if len(mine) < 3:
        return False
    gap = path.image_xy[mine] - other.image_xy[its]
    usual = np.median(gap, axis=0)
    radius = max(path.shape.radius_px, other.shape.radius_px)
    change = np.median(np.abs(gap - usual).max(axis=1))
    return bool(np.linalg.norm(usual) < 1.2 * radius and change < 0.15 * radius)


def _mate_group(
    level: int, work: _Samples, config: PlateConfig
) -> tuple[list[_Shape], NDArray[np.complexfloating]]:
    """Outlines tried at a level in an overlay of samples, and their templates."""
    unit = np.sqrt(work.shape[0] * work.shape[1])
    low, high = config.min_diameter_share * unit / 2, config.max_diameter_share * unit / 2
    radii = low * 1.1 ** np.arange(int(np.log(high / low) / np.log(1.1)) + 1)
    shapes = [
        shape
        for radius in radii
        for aspect in (1.0, 0.9, 0.8, 0.68, 0.57, 0.48, 0.4, 0.34)
        if aspect >= config.min_aspect
        for shape in _turned(radius, aspect)
        if shape.level == level
    ]
    size = (2 * _OVERLAY_HALF, 2 * _OVERLAY_HALF)
    templates = [_outline_template(size, shape.params) for shape in shapes]
    return shapes, np.array(templates)


_MIN_COVERED, _MAX_COVERED = 0.10, 0.60
_OVERLAY_HALF = 32
"""Half width of an overlay in px of its level, where outlines have radii of 7 to 14 px."""


def _overlay(work: _Samples, path: _Path, level: int, weighted: bool) -> FloatArray:
    """Mean orientation maps around a path over all of its samples, shape (2, n, n)."""
    n = 2 * _OVERLAY_HALF
    total = np.zeros((2, n, n), np.float32)
    for k, xy in zip(path.sample, path.image_xy, strict=True):
        maps = work.orientation(int(k), level, weighted)
        low = (xy + 0.5) / 2**level - 0.5 - _OVERLAY_HALF
        move = np.array([[1.0, 0.0, low[0]], [0.0, 1.0, low[1]]])
        for one, out in zip(maps, total, strict=True):
            out += cv2.warpAffine(one, move, (n, n), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return total / len(path.sample)


def _mates(
    work: _Samples,
    path: _Path,
    groups: dict[int, tuple[list[_Shape], NDArray[np.complexfloating]]],
    config: PlateConfig,
    forced: tuple[int, FloatArray] | None,
) -> list[_Path]:
    """Outlines that show in an overlay of all samples along a path, most convincing first."""
    rows = []
    shapes: list[_Shape] = []
    own = path.shape.radius_px
    top = path.shape.level + 2
    for level in range(max(path.shape.level - 1, 0), top + 1):
        if level not in groups:
            groups[level] = _mate_group(level, work, config)
        members, templates = groups[level]
        if not members:
            continue
        overlay = _overlay(work, path, level, weighted=forced is None)
        stack = np.einsum("cij,kcij->kij", fft.rfft2(overlay), templates)
        scores = fft.irfft2(stack, s=overlay.shape[1:])
        away = np.arange(2 * _OVERLAY_HALF) - _OVERLAY_HALF
        distance = np.hypot(away, away[:, None])
        for shape, score in zip(members, scores, strict=True):
            if not 0.7 * own < shape.radius_px < 3.5 * own:
                continue
            radius = _radius(shape.params)
            score = np.where(distance < 0.9 * radius, score, 0.0)
            if forced is not None:
                at = path.image_xy[path.sample == forced[0]]
                gap = np.zeros(2) if not len(at) else (forced[1] - at[0]) / 2**level
                score = score * np.exp(
                    -0.5
                    * ((away - gap[0]) ** 2 + (away[:, None] - gap[1]) ** 2)
                    / (0.5 * radius) ** 2
                )
            row, column = best_index(score)
            shift = np.array([away[column], away[row]]) * 2**level
            rows.append((score[row, column], *shift))
            shapes.append(shape)
    if not rows:
        return []
    table = np.array(rows)
    radius = np.array([shape.radius_px for shape in shapes])
    value = np.clip(table[:, 0], 0, None) ** 2 * radius**0.75
    mates = []
    for _ in range(3):
        best = best_index(value)[0]
        if value[best] <= 0:
            break
        mate = _aligned(work, path, shapes[best], table[best, 1:], weighted=forced is None)
        if mate is not None:
            mates.append(mate)
        near = np.linalg.norm(table[:, 1:] - table[best, 1:], axis=1) < 0.3 * radius[best]
        near &= np.abs(np.log(radius / radius[best])) < 0.2
        value[near] = 0.0
    return mates


def _aligned(
    work: _Samples, path: _Path, shape: _Shape, shift: FloatArray, weighted: bool
) -> _Path | None:
    """A shape at a constant offset from a path, then moved a little to where it fits best."""
    points, normals = outline_from_params(np.r_[0.0, 0.0, shape.params[2:]], unit_vectors(64))
    arc = np.linalg.norm(np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0), axis=1)
    arc /= arc.sum()
    cos = (normals[:, 0] ** 2 - normals[:, 1] ** 2) * arc
    sin = 2 * normals[:, 0] * normals[:, 1] * arc
    radius = _radius(shape.params)
    axis = np.linspace(-0.25, 0.25, 7) * radius
    moves = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    penalty = 0.05 * np.sum((moves / (0.25 * radius)) ** 2, axis=1)
    sample = np.arange(path.sample[0], path.sample[-1] + 1)
    between = np.column_stack(
        [np.interp(sample, path.sample, path.image_xy[:, axis]) for axis in (0, 1)]
    )
    kept, places, support = [], [], []
    for k, xy in zip(sample, between, strict=True):
        maps = work.orientation(int(k), shape.level, weighted)
        start = (xy + shift + 0.5) / 2**shape.level - 0.5
        at = (start + moves[:, None] + points[None]).astype(np.float32)
        look = [
            cv2.remap(one, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=0.0)
            for one in maps
        ]
        score = look[0] @ cos + look[1] @ sin
        best = best_index(score - penalty)[0]
        if score[best] > 0.13:
            kept.append(k)
            places.append((start + moves[best] + 0.5) * 2**shape.level - 0.5)
            support.append(score[best])
    if not kept:
        return None
    steady = [work.to_steady(k, xy) for k, xy in zip(kept, places, strict=True)]
    return _Path(shape, np.array(kept), np.array(places), np.array(steady), np.array(support))


def _median3(values: FloatArray) -> FloatArray:
    padded = np.r_[values[:1], values, values[-1:]]
    return np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)


@dataclass
class _Refined:
    """A candidate measured in full-size samples.

    `covered` tells the rays on which something standing hides the outline; `arc` holds edge points
    of the others, px from the outline's centre.
    """

    path: _Path
    index: int
    params: FloatArray
    share: float
    quality: float
    rim: _Rim
    seen_in: list[tuple[int, FloatArray]]
    covered: NDArray[np.bool_]
    arc: FloatArray


def _spread_best(path: _Path) -> NDArray[np.intp]:
    """Positions in a path with good support, two each from its upper, middle and lower part."""
    y = path.steady_xy[:, 1]
    third = np.searchsorted(np.quantile(y, [1 / 3, 2 / 3]), y)
    order = np.array(ranked(path.support))
    return np.concatenate([order[third[order] == part][:2] for part in range(3)])


def _coherence(images: list[NDArray[np.uint8]], outlines: list[FloatArray]) -> float:
    """How much more the picture inside an outline moves along with it than outside, 0..1.

    The spread of the colours over samples is small inside a plate, and larger just outside of it,
    where the background changes as the plate moves.
    """
    units = unit_vectors(48)
    inner = np.linspace(0.3, 0.93, 9)
    outer = 1.0 + max(0.04, 1.2 / _radius(outlines[0])) * np.arange(1, 4)
    rho = np.r_[inner, outer]
    stack = []
    for image, params in zip(images, outlines, strict=True):
        points, _ = outline_from_params(params, units)
        at = params[:2] + rho[:, None, None] * (points - params[:2])
        colour = cv2.remap(
            image,
            at[..., 0].astype(np.float32),
            at[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        stack.append(colour.reshape(*colour.shape[:2], -1))
    values = np.asarray(stack, float)
    spread = np.abs(values - np.median(values, axis=0)).mean(axis=(0, 3))
    inside = float(np.median(spread[: len(inner)]))
    outside = float(np.median(spread[len(inner) :], axis=1).mean())
    alike = 1.0 / (1.0 + (inside / 18.0) ** 2)
    return alike * (0.4 + 0.6 * float(np.clip((outside + 1.0) / (inside + 1.0) - 1.0, 0, 1)))


def _refine(work: _Samples, path: _Path, config: PlateConfig) -> _Refined | None:
    """Measure size and shape of a candidate in the samples that show it best."""
    units = unit_vectors(config.n_rays)
    order = _spread_best(path)
    scale = float(np.sqrt(work.scale.prod()))
    base = np.r_[0.0, 0.0, path.shape.params[2:] * 2**path.shape.level / scale]
    radius = _radius(base)
    reach = 0.34 * radius
    shifts = 0.16 * radius * np.linspace(-1, 1, 7)
    shifts = np.stack(np.meshgrid(shifts, shifts), axis=-1).reshape(-1, 2)
    sizes = np.array(
        [(w, h) for h in np.linspace(0.82, 1.22, 13) for w in h * np.linspace(0.85, 1.15, 5)]
    )
    matrix = np.array([[base[2], base[4]], [base[4], base[3]]])
    gathered = np.zeros((len(order), len(sizes)))
    where = np.zeros((len(order), len(sizes), 2))
    for row, k in enumerate(order):
        params = base.copy()
        params[:2] = work.to_image(path.image_xy[k])
        strip = _Strip(work.samples[path.sample[k]].image, params, units, reach)
        typical = np.percentile(strip.edge, 75)
        evidence = strip.edge / (strip.edge + typical + 2.0) * strip.valid
        # Blur along the ray, because the grid is coarser than the strip.
        evidence = cv2.GaussianBlur(
            evidence.astype(np.float32),
            (0, 0),
            sigmaX=max(0.018 * radius / strip.step, 0.6),
            sigmaY=1e-3,
        )
        along = strip.normals @ shifts.T
        rays = np.arange(len(units))[:, None]
        for column, (w, h) in enumerate(sizes):
            grown = units @ (matrix * [[w - 1, 0.0], [0.0, h - 1]])
            offsets = along + np.sum(grown * strip.normals, axis=1, keepdims=True)
            at = np.round((offsets - strip.offsets[0]) / strip.step).astype(int)
            total = evidence[rays, np.clip(at, 0, len(strip.offsets) - 1)].mean(axis=0)
            best = best_index(total)[0]
            gathered[row, column] = total[best]
            where[row, column] = params[:2] + shifts[best]
    mean = gathered.mean(axis=0)
    results: list[_Refined] = []
    tried: list[FloatArray] = []
    # Lip, rings and rim give several good sizes: measure each and keep the most convincing.
    for column in ranked(mean):
        if len(tried) == 4 or mean[column] < 0.7 * mean.max():
            break
        if any(np.abs(sizes[column] - other).sum() < 0.09 for other in tried):
            continue
        tried.append(sizes[column])
        w, h = sizes[column]
        start = base.copy()
        start[2:] *= (w, h, np.sqrt(w * h))
        result = _measure_shape(work, path, order, start, where[:, column], config)
        if result is not None:
            results.append(result)
    results = _by(_worth, results)
    # Where part is covered, an outline may settle between two lines, so more than one is followed.
    hidden = bool(results) and results[0].covered.mean() >= _MIN_COVERED
    grown = [_grown(work, result, config) for result in results[: 3 if hidden else 1]]
    if hidden:
        grown = [_backed(result, grown) for result in grown]
    return next(iter(_by(_worth, grown)), None)


def _backed(found: _Refined, others: list[_Refined]) -> _Refined:
    """An outline made as sure as a smaller one about the same centre, if there is one.

    Rings of a plate share its centre; an outline that settled on one line here and on another there
    does not.
    """
    radius, aspect = _radius(found.params), from_params(found.params).aspect
    centre = dict(found.seen_in)
    quality = found.quality
    for other in others:
        off = [np.linalg.norm(centre[k] - xy) for k, xy in other.seen_in if k in centre]
        alike = len(off) > 1 and np.median(off) < 0.015 * radius
        alike = alike and abs(from_params(other.params).aspect - aspect) < 0.04
        if alike and _radius(other.params) < 0.96 * radius:
            quality = max(quality, other.quality)
    return replace(found, quality=quality)


def _grown(work: _Samples, found: _Refined, config: PlateConfig) -> _Refined:
    """An outline completed where it is covered, and grown to the rim around it."""
    best = found
    for _ in range(4):
        whole = _completed(work, best, config)
        larger = _rim_around(work, best.path, whole, config)
        if whole is best and larger is None:
            break
        best = whole if larger is None else larger
    return best


def _again(work: _Samples, found: _Refined, config: PlateConfig) -> _Refined:
    """Measure once more around a measured outline, which may have settled between two lines."""
    path, scale = found.path, float(np.sqrt(work.scale.prod()))
    at = np.flatnonzero(path.sample == found.index)[0]
    shift = found.params[:2] - work.to_image(path.image_xy[at])
    shape = _Shape(0, np.r_[0.0, 0.0, found.params[2:] * scale])
    moved = replace(path, shape=shape, image_xy=path.image_xy + shift * work.scale)
    other = _refine(work, moved, config)
    return other if other is not None and _worth(other) > _worth(found) else found


def _rim_around(
    work: _Samples, path: _Path, inner: _Refined, config: PlateConfig
) -> _Refined | None:
    """The rim around a lip or ring, if there is one: the outermost line all the way round.

    The samples are laid over one another in the outline's own coordinates; behind the plate the
    picture changes and averages out, so that lines concentric to the outline are the plate's.
    """
    units = unit_vectors(config.n_rays)
    radius = _radius(inner.params)
    step = max(0.5, 0.006 * radius)
    rho = 1.0 + np.arange(-0.12 * radius, 0.45 * radius, step) / radius
    stack = []
    for k, centre in inner.seen_in:
        image = work.samples[k].image
        points, _ = outline_from_params(np.r_[centre, inner.params[2:]], units)
        at = centre + rho[:, None] * (points - centre)[:, None]
        at = at.astype(np.float32)
        colour = cv2.remap(
            image, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        stack.append(colour.reshape(*colour.shape[:2], -1).astype(np.float32))
    mean = np.mean(stack, axis=0)
    slope = cv2.sepFilter2D(mean, -1, _derivative(step), np.array([0.25, 0.5, 0.25])) / step
    edge = np.linalg.norm(np.atleast_3d(slope), axis=2)[~inner.covered]
    # An outline that is off by a little is still the same line.
    slack = np.ones((1, 2 * max(1, round(0.012 * radius / step)) + 1), np.uint8)
    edge = cv2.dilate(edge, slack)
    here = np.abs(rho - 1.0) <= max(0.02, step / radius)
    usual = float(np.median(edge[:, here].max(axis=1)))
    score = (edge / (edge + 0.5 * usual + 1.0)).mean(axis=0)
    at_outline = float(score[here].max())
    for k in np.flatnonzero(rho > 1.03)[::-1]:
        near = np.abs(rho - rho[k]) <= max(0.02, step / radius)
        ends = score[(rho > rho[k]) & (rho < rho[k] + 0.09)]
        top = score[k] >= max(score[near].max(), 0.8 * at_outline, 0.4)
        if top and len(ends) and ends.min() < 0.6 * score[k]:
            break
    else:
        return None
    plateau = rho[(np.abs(rho - rho[k]) < 0.04) & (score > 0.95 * score[k])].mean()
    # A line close outside of it may be but the plateau's shoulder: both are measured.
    outer = np.flatnonzero(score >= max(0.8 * at_outline, 0.4))[-1]
    starts = [plateau]
    if 0.03 < rho[outer] - plateau < 0.12:
        starts.append(rho[outer] - 0.012)
    order = np.array([np.flatnonzero(path.sample == sample)[0] for sample, _ in inner.seen_in])
    centres = np.array([centre for _, centre in inner.seen_in])
    rims = []
    for size in starts:
        start = inner.params * np.r_[1.0, 1.0, np.full(3, size)]
        about_one_centre = _concentric(start)
        rim = _measure_shape(work, path, order, start, centres, config, about_one_centre)
        if rim is None or rim.share < 0.5 * inner.share:
            continue
        off = np.abs(_radius(rim.params) / (size * radius) - 1.0)
        away = np.linalg.norm(rim.params[:2] - dict(inner.seen_in).get(rim.index, np.inf))
        if off < 0.03 and away < 0.03 * radius:
            rims.append(_as_sure_as(inner, rim))
    return next(iter(_by(_worth, rims)), None)


def _concentric(start: FloatArray) -> FloatArray:
    """Inverse covariance of outlines about one centre and of one shape, in any size near `start`.

    Seen at a slant a recessed ring is shifted against the rim, by a tenth of the radius at most.
    """
    radius = _radius(start)
    spread = np.r_[np.full(2, 0.003 + 0.05 * _slant(start)), np.full(3, 0.004)] * radius
    growth = np.r_[0.0, 0.0, 0.04 * start[2:]]
    return np.linalg.inv(np.diag(spread**2) + np.outer(growth, growth))


def _as_sure_as(inner: _Refined, rim: _Refined) -> _Refined:
    """A rim made as sure as the ring within it, as far as the two are about one centre.

    An outline that settled on one line here and on another there is not. Seen at a slant a recessed
    ring is shifted against the rim, by a tenth of the radius at most.
    """
    radius = _radius(inner.params)
    centre = dict(inner.seen_in)
    gaps = [np.linalg.norm(centre[k] - xy) for k, xy in rim.seen_in if k in centre]
    apart = np.inf
    if gaps:
        apart = max(float(np.median(gaps)) / radius - 0.1 * _slant(inner.params), 0.0)
    trust = float(np.exp(-0.5 * (apart / 0.01) ** 2))
    return replace(rim, quality=max(rim.quality, trust * inner.quality))


def _completed(work: _Samples, cut: _Refined, config: PlateConfig) -> _Refined:
    """The whole outline of a plate that something standing cuts off, if it shows better.

    A plate behind an upright is taken for a slimmer one whose far side is the upright's edge.
    Outlines of several slimnesses are laid through the part that is not covered, and measured.
    """
    if cut.covered.mean() < _MIN_COVERED or len(cut.arc) < 12:
        return cut
    path, shape = cut.path, from_params(cut.params)
    turn = np.deg2rad(shape.angle_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    order = np.array([np.flatnonzero(path.sample == sample)[0] for sample, _ in cut.seen_in])
    centres = np.array([centre for _, centre in cut.seen_in])
    wholes = []
    for aspect in (1.0, 0.9, 0.8, 0.65, 0.5):
        if aspect < max(config.min_aspect, shape.aspect + 0.04):
            continue
        round_arc = cut.arc @ axes.T / [1.0, aspect]
        design = np.column_stack([2 * round_arc, np.ones(len(round_arc))])
        solution, *_ = np.linalg.lstsq(design, (round_arc**2).sum(axis=1), rcond=None)
        radius = np.sqrt(max(solution[2] + solution[0] ** 2 + solution[1] ** 2, 1.0))
        if not 0.5 < radius / (shape.major_px / 2) < 1.6:
            continue
        shift = (solution[:2] * [1.0, aspect]) @ axes
        whole = Ellipse(0.0, 0.0, 2 * radius, 2 * radius * aspect, shape.angle_deg)
        found = _measure_shape(work, path, order, to_params(whole), centres + shift, config)
        if found is not None:
            wholes.append(found)
    best = max(wholes, key=lambda whole: whole.quality, default=cut)
    return best if _worth(best) > _worth(cut) else cut


def _worth(result: _Refined) -> float:
    """Rank of sizes of one candidate; the rim outranks a lip or ring that shows as well."""
    return result.quality * _radius(result.params) ** 3


def _measure_shape(
    work: _Samples,
    path: _Path,
    order: NDArray[np.intp],
    start: FloatArray,
    centres: FloatArray,
    config: PlateConfig,
    prior: FloatArray | None = None,
) -> _Refined | None:
    """Fit one size of a candidate in several samples and say how convincing it is.

    `prior` is the inverse covariance of the outline's parameters about the start; wide if omitted.
    """
    units = unit_vectors(config.n_rays)
    radius = _radius(start)
    window = max(config.edge_window_min_px, 0.03 * radius)
    if prior is None:
        spread = np.r_[np.full(2, 0.2 * radius), np.full(3, 0.04 * radius)]
        prior = np.diag(1.0 / spread**2)
    outlines = [np.r_[centre, start[2:]] for centre in centres]
    covered = _covered(work, path, order, outlines, units)
    if covered.mean() > _MAX_COVERED:
        return None
    visible = np.where(covered, 0.0, 1.0)
    fits, images, rims = [], [], []
    for params, k in zip(outlines, order, strict=True):
        image = work.samples[path.sample[k]].image
        rim = _first_rim(image, params, units, ~covered)
        fits.append(_fit_outline(image, params, params, prior, rim, units, window, config, visible))
        images.append(image)
        rims.append(rim)
    shares = np.array([fit.inlier[~covered].mean() for fit in fits])
    trusted = np.flatnonzero(shares >= max(0.8 * shares.max(), 0.25))
    if not len(trusted):
        return None
    shape = np.median([fits[k].params[2:] for k in trusted], axis=0)
    if shape[0] * shape[1] - shape[2] ** 2 <= 0:
        return None
    scatter = np.median([np.abs(fits[k].params[2:] - shape).max() / radius for k in trusted])
    edge_sd = float(np.median([fits[k].edge_sd for k in trusted]))
    coherence = _coherence(
        [images[k] for k in trusted], [np.r_[fits[k].params[:2], shape] for k in trusted]
    )
    share = float(np.median(shares))
    # Chance edges give outlines of which half shows.
    complete = min(1.0, share / 0.8) ** 2
    sharpness = 1.0 / (1.0 + (edge_sd / (0.5 * window)) ** 2)
    constancy = 1.0 / (1.0 + (scatter / 0.04) ** 2)
    shown = min(1.0, (1.0 - float(covered.mean())) / 0.8)
    best = best_index(shares)[0]
    arcs = [
        outline_from_params(fits[k].params, units)[0][fits[k].inlier] - fits[k].params[:2]
        for k in trusted
    ]
    return _Refined(
        path,
        int(path.sample[order[best]]),
        np.r_[fits[best].params[:2], shape],
        share,
        share * complete * shown * sharpness * constancy * coherence,
        rims[best],
        [(int(path.sample[order[k]]), fits[k].params[:2]) for k in trusted],
        covered,
        np.concatenate(arcs),
    )


def _covered(
    work: _Samples,
    path: _Path,
    order: NDArray[np.intp],
    outlines: list[FloatArray],
    units: FloatArray,
) -> NDArray[np.bool_]:
    """Rays on which something standing hides a moving outline in most of the samples.

    A plate that moves changes the picture on both sides of its edge, unless the edge is behind
    something that stands. At the ends of the movement the outer side may never change either,
    hence the vote over samples.
    """
    size = float(np.ptp(outline_from_params(outlines[0], units)[0] * work.scale, axis=0).min())
    if size < 30 or np.ptp(path.steady_xy, axis=0).max() < 0.2 * size:
        # Too few pixels to tell what lies beside an edge from the edge, or nothing moves.
        return np.zeros(len(units), bool)
    votes = [
        work.beside_still(int(path.sample[k]), *outline_from_params(params, units))
        for params, k in zip(outlines, order, strict=True)
    ]
    return np.mean(votes, axis=0) > 0.6


def find_plate(
    samples: Sequence[FrameLike],
    config: PlateConfig | None = None,
    at_px: tuple[float, float] | None = None,
    *,
    at_sample: int = 0,
    transforms: FloatArray | None = None,
) -> PlateSeed:
    """Find the loaded plate nearest the camera: the large round thing that moves like a press.

    Parameters
    ----------
    samples : sequence of FrameLike
        Four to six frames a second across the clip, in order of time, all of one size.
    config : PlateConfig, optional
    at_px : (float, float), optional
        A point (x, y) on the plate in the image of sample `at_sample`, when the user shows it; then
        the plate is taken there and need not move.
    at_sample : int
        Position in `samples` that `at_px` refers to.
    transforms : array_like, shape (n, 2, 3), optional
        Image → steadied image of every sample, px; a still camera when omitted.

    Returns
    -------
    PlateSeed

    Raises
    ------
    BarNotFoundError
        When nothing round moves like a press, or nothing round is at `at_px`.

    Notes
    -----
    Outlines of many sizes and slimnesses are correlated with the image's edge directions, where
    pixels change over the samples; the best shapes are linked through all samples by dynamic
    programming; each path is judged by its movement in steadied coordinates (mainly vertical,
    tenths of the diameter to about twice, down and up again) and by how much of the outline shows.
    All things on the bar move alike, so the edges of all samples are then laid over one another
    along each path: what moves along adds up and the rest fades, which shows the plate's whole
    outline even if the path was found by a part of it.
    """
    config = config or PlateConfig()
    if len(samples) == 0 or (at_px is None and len(samples) < 6):
        raise BarNotFoundError("The clip is too short to see a plate move like a press.")
    work = _Samples(samples, transforms, config)
    click = None
    if at_px is not None:
        click = (np.asarray(at_px, dtype=float) + 0.5) * work.scale - 0.5
        picks = np.array([at_sample])
    else:
        picks = np.unique(np.linspace(0, len(samples) - 1, config.n_shape_samples).astype(int))
    shapes = _choose_shapes(work, _shapes(work.shape, config), picks, config, click)
    paths = _follow_shapes(work, shapes, config, None if click is None else (at_sample, click))
    if click is None:
        for path in paths:
            _judge(path, len(samples), config)
    else:
        for path in paths:
            path.score = float(np.mean(path.support))
            path.reason = "is where the user pointed"
    likely = _moving_along(work, paths, config, None if click is None else (at_sample, click))
    with ThreadPoolExecutor() as pool:
        results = pool.map(lambda path: _refine(work, path, config), likely)
    least_px = 0.9 * config.min_diameter_share * np.sqrt(np.prod(samples[0].image.shape[:2]))
    refined = [
        (np.sqrt(r.path.score * r.quality), r)
        for r in results
        if r is not None
        and from_params(r.params).major_px >= least_px
        and from_params(r.params).aspect >= config.min_aspect - 0.03
    ]
    if not refined or (click is None and max(s for s, _ in refined) < config.min_score):
        if click is not None:
            raise BarNotFoundError(
                f"Nothing round was found at the point ({at_px[0]:.0f}, {at_px[1]:.0f})."
            )
        raise BarNotFoundError(
            "No plate was found that goes down and up like a press; point at it to show it."
        )
    refined = _by(lambda item: item[0] ** 2 * np.sqrt(_radius(item[1].params)), refined)
    if click is None:
        refined = _nearest_first(refined)
    score, best = refined[0]
    best = _again(work, best, config)
    others = [_candidate(work, p, r.share, r.params) for s, r in refined for p in [r.path]]
    done = {id(r.path) for _, r in refined}
    rest = _by(lambda path: path.score, [p for p in paths if id(p) not in done])
    others += [_candidate(work, p, float(np.mean(p.support)), None) for p in rest[:8]]
    places = work.to_image(best.path.image_xy)
    at = np.flatnonzero(best.path.sample == best.index)[0]
    # The path was found with a coarse outline; shift it by what the fit corrected.
    places = places + (best.params[:2] - places[at])
    path = np.column_stack(
        [work.index[best.path.sample], work.time_s[best.path.sample], places]
    ).astype(float)
    typical = np.median(best.rim.colour, axis=0)
    return PlateSeed(
        index=int(work.index[best.index]),
        ellipse=from_params(best.params),
        path=path,
        score=float(score) if click is None else 1.0,
        reason=(
            f"{best.path.reason}: travels {best.path.travel:.2f} of its diameter, "
            f"{100 * best.share:.0f} % of its outline shows"
        ),
        candidates=tuple(others),
        rim_rgb=(float(typical[0]), float(typical[1]), float(typical[2])),
        rim_sd=float(np.sqrt(np.median(best.rim.variance))),
        rim_edge=best.rim.edge,
    )


def _nearest_first(refined: list[tuple[float, _Refined]]) -> list[tuple[float, _Refined]]:
    """Put in front the largest of those that move like the first and show about as well.

    Of the two plates of a bar the nearer one is wanted, which looks the larger. Outlines about the
    same place may be two readings of one plate, of which the better one counts.
    """
    score, first = refined[0]
    chosen, largest = 0, from_params(first.params).major_px
    for k, (other_score, other) in enumerate(refined[1:], start=1):
        major = from_params(other.params).major_px
        least = 0.9 if _one_body(first, other) else 0.75
        alike = other_score > least * score and other.share > 0.8 * first.share
        if alike and major > largest and _move_alike(first.path, other.path):
            chosen, largest = k, major
    return [refined[chosen], *refined[:chosen], *refined[chosen + 1 :]]


def _one_body(first: _Refined, other: _Refined) -> bool:
    """Whether two outlines lie so far over one another that they may be readings of one plate."""
    centre, its = dict(first.seen_in), dict(other.seen_in)
    apart = [float(np.linalg.norm(centre[k] - its[k])) for k in centre.keys() & its.keys()]
    return bool(apart) and np.median(apart) < 0.5 * _radius(first.params)


def _move_alike(path: _Path, other: _Path) -> bool:
    """Whether two paths rise and fall together, as the two ends of a bar do."""
    _, mine, its = np.intersect1d(path.sample, other.sample, return_indices=True)
    if len(mine) < 5:
        return False
    y, y_other = path.steady_xy[mine, 1], other.steady_xy[its, 1]
    if min(np.ptp(y), np.ptp(y_other)) <= 0:
        return False
    return float(np.corrcoef(y, y_other)[0, 1]) > 0.8


def _candidate(
    work: _Samples, path: _Path, support: float, params: FloatArray | None
) -> PlateCandidate:
    if params is None:
        best = best_index(path.support)[0]
        scale = float(np.sqrt(work.scale.prod()))
        shape = path.shape.params[2:] * 2**path.shape.level / scale
        params = np.r_[work.to_image(path.image_xy[best]), shape]
    return PlateCandidate(from_params(params), path.score, support, path.travel, path.reason)


def _follow_shapes(
    work: _Samples,
    shapes: list[_Shape],
    config: PlateConfig,
    forced: tuple[int, FloatArray] | None,
) -> list[_Path]:
    """Link each shape through all samples."""
    levels = sorted({s.level for s in shapes})
    templates = [_outline_template(work.padded_shape(s.level), s.params) for s in shapes]

    def scan(k: int) -> list[FloatArray]:
        """Per shape the peaks (score, x, y) in one sample."""
        maps = work.level_maps(k, levels, weighted=forced is None)
        peaks = []
        for shape, template in zip(shapes, templates, strict=True):
            maps_ft, padded, true = maps[shape.level]
            score = _score_map(maps_ft, template, padded)[: true[0], : true[1]]
            rows = [
                (value, (x + 0.5) * 2**shape.level - 0.5, (y + 0.5) * 2**shape.level - 0.5)
                for value, x, y in _peaks(score, 6, 0.5 * _radius(shape.params))
            ]
            peaks.append(np.array(rows).reshape(-1, 3))
        return peaks

    with ThreadPoolExecutor() as pool:
        by_sample = list(pool.map(scan, range(len(work.samples))))
    nodes = [list(rows) for rows in zip(*by_sample, strict=True)]
    paths = []
    for shape, rows in zip(shapes, nodes, strict=True):
        paths += _link(work, shape, rows, 3, forced)
    return paths
