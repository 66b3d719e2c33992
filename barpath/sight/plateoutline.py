"""The plate's outline in one picture: edges along rays across it, and the ellipse through them.

In: a picture, RGB or grey, and an outline known to a few pixels, as the parameters of `ellipse`,
px. Out: the fitted outline with covariance, px², and the share of it that shows. What the plate
looks like just inside its outline (`Rim`) and over its face (`Face`) is learned here, in grey
levels; it tells the plate's edge from others.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.ground.choice import best_index
from barpath.ground.uncertainty import MAD_TO_SD, biweights
from barpath.sight.ellipse import mean_radius, outline_from_params, outline_jacobian, unit_vectors
from barpath.sight.plate import PlateConfig

FloatArray = NDArray[np.floating]


@dataclass
class Rim:
    """What the plate looks like just inside its outline, per ray, learned as it is followed."""

    colour: FloatArray
    variance: FloatArray
    edge: float

    def closeness(self, inner: FloatArray) -> FloatArray:
        """How well colours of shape (n_rays, m, 3) match, 0..1."""
        gap = (inner - self.colour[:, None]) ** 2 / self.variance[:, None]
        return 1.0 / (1.0 + gap.mean(axis=2) / 6.0)


class Face:
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
        self._ring_var = np.maximum(MAD_TO_SD * gap, 14.0) ** 2
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
class OutlineFit:
    """Outline fitted in one image.

    `params` are those of `ellipse`, px, with `covariance`. `share` and `valid_share` are the parts
    of the rays that show an edge on it (`inlier`) and that lie in the image, `face_share` the part
    of its face that looks as learned; `edge_sd` is the edges' spread about it, px. `inner` and
    `strength` are the colour just inside of each ray's edge and the gradient at it.
    """

    params: FloatArray
    covariance: FloatArray
    share: float
    valid_share: float
    edge_sd: float
    inlier: NDArray[np.bool_]
    inner: FloatArray
    strength: FloatArray
    face_share: float = 1.0


class EdgeStrip:
    """Image along rays across an outline, with edge strength and colours beside every offset.

    Rays begin at `points` and run along the outward `normals`; `offsets` are px from the outline,
    `step` apart. Per ray and offset: `edge`, grey levels per px; `inner`, the colour just inside;
    `apart`, by how much (squared) colours farther in and farther out differ; `valid`, whether it
    lies in the image.
    """

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
            region = np.asarray(cv2.cvtColor(region, cv2.COLOR_GRAY2RGB), np.uint8)
        rays = cv2.remap(
            region.astype(np.float32),
            (x - x0).astype(np.float32),
            (y - y0).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        # Neighbouring rays are averaged a little (the ring is closed, so wrap around first).
        ring = np.concatenate([rays[-1:], rays, rays[:1]])
        change = cv2.sepFilter2D(ring, -1, derivative(self.step), np.array([0.25, 0.5, 0.25]))
        slope = change[1:-1, keep] / self.step
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

    def evidence(self, rim: Rim) -> FloatArray:
        """Evidence 0..1 of the plate's edge at every ray and offset, shape (n_rays, n_offsets)."""
        strength = self.edge / (self.edge + rim.edge)
        # On both sides of a line printed on the plate there is plate.
        last = 1.0 - 0.7 / (1.0 + self.apart / (3.0 * 12.0**2))
        return strength * rim.closeness(self.inner) * last * self.valid


def derivative(step_px: float) -> FloatArray:
    """Derivative-of-Gaussian kernel, per sample, for samples `step_px` apart."""
    sigma = max(0.8 / step_px, 0.7)
    half = int(np.ceil(2.5 * sigma))
    t = np.arange(-half, half + 1)
    kernel = t * np.exp(-0.5 * (t / sigma) ** 2)
    return kernel / np.sum(kernel * t)


def _pick_edges(
    strip: EdgeStrip, evidence: FloatArray, window_px: float, smear_px: FloatArray
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


def best_shift(
    strip: EdgeStrip, evidence: FloatArray, modes: FloatArray, grid: FloatArray, penalty: FloatArray
) -> FloatArray:
    """Amplitudes of outline `modes` (n_rays, k) on a grid (g, k) that gather most evidence."""
    offsets = modes @ grid.T
    column = np.round((offsets - strip.offsets[0]) / strip.step).astype(int)
    outside = (column < 0) | (column >= len(strip.offsets))
    column[outside] = 0
    gathered = evidence[np.arange(len(modes))[:, None], column]
    gathered[outside] = 0.0
    return grid[best_index(gathered.sum(axis=0) - penalty)[0]]


@dataclass
class _RayEdges:
    """Edges along the rays across an outline.

    `found` is each ray's offset from the outline, px, `strength` its evidence 0..1, `peak` the
    column of the strip where it is; `smear` is how far the outline moves along the ray during a
    frame, px, and `jacobian` how far an edge moves with each of the outline's parameters.
    """

    strip: EdgeStrip
    found: FloatArray
    strength: FloatArray
    peak: NDArray[np.intp]
    smear: FloatArray
    jacobian: FloatArray

    def weaker_where_smeared(self, share: float) -> FloatArray:
        """Least strength of an edge that counts, `share` where nothing moves."""
        return share / (1.0 + (self.smear / 4.0) ** 2)


def fit_outline(
    image: NDArray[np.uint8],
    params: FloatArray,
    expected: FloatArray,
    prior: FloatArray,
    rim: Rim,
    units: FloatArray,
    window_px: float,
    config: PlateConfig,
    visible: FloatArray | None = None,
    smear_px: FloatArray | None = None,
    n_narrow: int = 2,
) -> OutlineFit:
    """Fit the outline, starting at `params`, given `expected` with inverse covariance `prior`."""
    start = params.copy()
    current = params.copy()
    scale = 0.6 * window_px
    for window in (2.0 * window_px, *[window_px] * n_narrow):
        edges = _edges_across(image, current, units, rim, window, visible, smear_px)
        limits = (config.edge_noise_px, 0.6 * window_px)
        step, residual, scale = _step_to(edges, prior, expected - current, window, scale, limits)
        current = current + step
        determinant = current[2] * current[3] - current[4] ** 2
        if min(current[2], current[3], determinant) <= 0:
            current = start.copy()
            break
    weight = edges.strength * biweights(residual / (4.0 * scale))
    # Chance edges scatter over the whole window, so that only a narrow band counts as seen.
    band = np.clip(3.0 * scale, 0.4, max(0.8, 0.012 * mean_radius(current)))
    inlier = (edges.strength > edges.weaker_where_smeared(0.12)) & (
        np.abs(residual) < min(float(band), window_px)
    )
    if visible is not None:
        inlier &= visible > 0.4
    jacobian, strip = edges.jacobian, edges.strip
    information = (jacobian.T * weight) @ jacobian / (config.correlation * scale**2)
    covariance = np.linalg.inv(information + prior)
    rows = np.arange(len(units))
    return OutlineFit(
        current,
        covariance,
        float(inlier.mean()),
        float(strip.valid.any(axis=1).mean()),
        scale,
        inlier,
        strip.inner[rows, edges.peak],
        strip.edge[rows, edges.peak],
    )


def _edges_across(
    image: NDArray[np.uint8],
    params: FloatArray,
    units: FloatArray,
    rim: Rim,
    window_px: float,
    visible: FloatArray | None,
    smear_px: FloatArray | None,
) -> _RayEdges:
    """Edges of the plate within a window about an outline, weaker where something hides it."""
    smear = np.zeros(len(units))
    strip = EdgeStrip(image, params, units, window_px + 1.0)
    if smear_px is not None:
        smear = np.abs(strip.normals @ smear_px)
        # A smeared edge is wider and lower, but it is the same edge.
        strip.edge *= (1.0 + 0.3 * smear)[:, None]
    found, strength, peak = _pick_edges(strip, strip.evidence(rim), window_px, smear)
    if visible is not None:
        strength = strength * (0.2 + 0.8 * visible)
    strength = strength / (1.0 + (smear / 4.0) ** 2)
    return _RayEdges(strip, found, strength, peak, smear, outline_jacobian(strip.normals, units))


def _step_to(
    edges: _RayEdges,
    prior: FloatArray,
    pull: FloatArray,
    window_px: float,
    scale: float,
    limits: tuple[float, float],
) -> tuple[FloatArray, FloatArray, float]:
    """Change of the parameters that lays the outline on its edges, by three reweighted solutions.

    `pull` is the change that the prior wants; `scale`, px, is the edges' spread about the outline,
    kept within `limits`. Returns the change, what each edge is still off, px, and the spread.
    """
    found, strength, jacobian = edges.found, edges.strength, edges.jacobian
    step: FloatArray = np.zeros(5)
    for _ in range(3):
        residual = found - jacobian @ step
        weight = strength * biweights(residual / (4.0 * scale))
        normal = (jacobian.T * weight) @ jacobian / scale**2 + prior
        right = (jacobian.T * weight) @ found / scale**2 + prior @ pull
        step = np.linalg.solve(normal, right)
        residual = found - jacobian @ step
        good = (strength > edges.weaker_where_smeared(0.1)) & (np.abs(residual) < window_px)
        if good.sum() >= 8:
            scale = MAD_TO_SD * float(np.median(np.abs(residual[good])))
        scale = float(np.clip(scale, *limits))
    return step, residual, scale


def first_rim(
    image: NDArray[np.uint8],
    params: FloatArray,
    units: FloatArray,
    shown: NDArray[np.bool_] | slice = slice(None),
) -> Rim:
    """Learn the rim's looks, on rays that show it, at an outline known to a pixel or so."""
    strip = EdgeStrip(image, params, units, 3.0)
    middle = len(strip.offsets) // 2
    inner = strip.inner[shown, middle]
    typical = np.median(inner, axis=0)
    spread = MAD_TO_SD * np.median(np.abs(inner - typical), axis=0)
    variance = np.tile(np.maximum(spread * 1.5, 12.0) ** 2, (len(units), 1))
    near = strip.edge[shown, max(middle - 3, 0) : middle + 4].max(axis=1)
    return Rim(np.tile(typical, (len(units), 1)), variance, max(0.5 * float(np.median(near)), 2.0))
