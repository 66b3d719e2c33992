"""Edges of a thin level bar in a picture, and the line through its middles.

In: grey pictures or their vertical gradients, shape (rows, columns), and heights of the shaft's
middle along the bar, px. Out: how well each row is the middle of a bar; places of edges to a
fraction of a px; the line ``y = a + b u + c u²`` with covariance, px².
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from barpath.ground.uncertainty import MAD_TO_SD

FloatArray = NDArray[np.floating]


def edge_pair_score(gradient: FloatArray, thickness_px: float) -> FloatArray:
    """Return how well each row is the middle of a bar with an edge on either side.

    Parameters
    ----------
    gradient
        Vertical derivative of the picture, shape (rows, columns).
    thickness_px
        Distance between the edges.

    Returns
    -------
    ndarray of shape (rows, columns)
        The weaker of the two edges when they have opposite signs, else 0; so that a single edge,
        however strong, counts nothing.

    Examples
    --------
    >>> picture = np.zeros((9, 1)); picture[3:6] = 1.0
    >>> gradient = np.gradient(picture, axis=0)
    >>> int(np.argmax(edge_pair_score(gradient, 3.0)))
    4
    """
    half = 0.5 * thickness_px
    above, below = _shifted(gradient, -half), _shifted(gradient, half)
    return np.where(above * below < 0, np.minimum(np.abs(above), np.abs(below)), 0.0)


def _shifted(values: FloatArray, rows: float) -> FloatArray:
    """Return ``values`` read `rows` further down, by linear interpolation, 0 outside."""
    whole = int(np.floor(rows))
    part = rows - whole
    padded = np.pad(values, ((abs(whole) + 1, abs(whole) + 2), (0, 0)))
    first = abs(whole) + 1 + whole
    n = len(values)
    return (1.0 - part) * padded[first : first + n] + part * padded[first + 1 : first + 1 + n]


def vertical_gradient(picture: FloatArray, sigma: float) -> FloatArray:
    """Return the vertical derivative of a picture smoothed along its columns."""
    size = 2 * int(np.ceil(3.0 * sigma)) + 1
    smooth = cv2.GaussianBlur(
        picture, (1, size), sigmaX=sigma, sigmaY=sigma, borderType=cv2.BORDER_REPLICATE
    )
    slope = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(slope, np.float32)


def noise_level(gradient: FloatArray) -> float:
    """Return a robust standard deviation of a gradient picture."""
    return float(np.median(np.abs(gradient)) / 0.6745) + 1e-3


def fit_line(
    u: ArrayLike,
    y_px: ArrayLike,
    weight: ArrayLike,
    start: tuple[float, float, float],
    sag_sd_px: float,
    scale_px: float = 1.0,
) -> tuple[FloatArray, FloatArray, float, NDArray[np.bool_]]:
    """Fit ``y = a + b u + c u²`` robustly; the bend `c` is held near its start.

    A loaded bar sags at its ends and a lens bends straight lines, both by little.

    Parameters
    ----------
    u
        Position along the bar, -1 at the left end and +1 at the right, shape (n,).
    y_px
        Height of the shaft's middle in pixels, shape (n,).
    weight
        Relative weight of each value, shape (n,).
    start
        First guess of ``a, b, c``; `c` is also the centre of its prior.
    sag_sd_px
        Prior standard deviation of `c`.
    scale_px
        Spread beyond which values lose their weight (Tukey's biweight; Huber and Ronchetti, Robust
        Statistics, 2nd ed., section 4.8).

    Returns
    -------
    coefficients : ndarray of shape (3,)
    covariance : ndarray of shape (3, 3)
    spread_px : float
        Standard deviation of one value about the line.
    used : ndarray of shape (n,), bool

    Examples
    --------
    >>> u = np.linspace(-1, 1, 21)
    >>> y = 5 + 2 * u; y[3] = 40
    >>> coefficients, *_ = fit_line(u, y, np.ones(21), (5.2, 1.5, 0.0), 0.5)
    >>> coefficients.round(6).tolist()
    [5.0, 2.0, 0.0]
    """
    x, y, w = (np.asarray(values, dtype=float) for values in (u, y_px, weight))
    design = np.column_stack([np.ones_like(x), x, x * x])
    coefficients = np.asarray(start, dtype=float)
    prior = np.diag([0.0, 0.0, 1.0 / sag_sd_px**2])
    spread = scale_px
    used = np.ones(len(x), bool)
    covariance = np.full((3, 3), np.nan)
    for step in range(6):
        off = y - design @ coefficients
        reach = 4.685 * spread if step else 3.0 * scale_px
        shrink = np.maximum(1.0 - (off / reach) ** 2, 0.0) ** 2
        used = shrink > 0
        total = w * shrink
        if used.sum() < 4:
            return coefficients, np.full((3, 3), np.nan), float("nan"), used
        normal = design.T @ (design * total[:, None]) / spread**2 + prior
        # A faint ridge keeps the slope defined when all columns lie close together.
        normal += np.diag([1e-9, 1e-4, 0.0])
        right = design.T @ (total * y) / spread**2 + prior @ np.asarray(start, dtype=float)
        right[1] += 1e-4 * start[1]
        # OpenCV's inverse: for matrices this small LAPACK's threads cost more than the sum.
        covariance = cv2.invert(normal, flags=cv2.DECOMP_CHOLESKY)[1]
        previous, coefficients = coefficients, covariance @ right
        off = y - design @ coefficients
        last = spread
        # A partition: numpy's median costs more than the rest of the step.
        size = np.abs(off[used])
        typical = float(np.partition(size, len(size) // 2)[len(size) // 2])
        spread = min(max(MAD_TO_SD * typical, 0.02), scale_px)
        if abs(spread - last) < 0.05 * last and np.abs(coefficients - previous).max() < 3e-3:
            break
    return coefficients, covariance, spread, used


def curve(coefficients: FloatArray, u: FloatArray) -> FloatArray:
    """Return the height of the line of `fit_line` at `u`."""
    return coefficients[0] + u * (coefficients[1] + u * coefficients[2])


def edge_middles(
    gradient: FloatArray, middle: FloatArray, thickness: float, window: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the middle between the shaft's edges, their distance and the weaker one's strength.

    Each edge is looked for within `window` rows of where the line and thickness put it.
    """
    bright, dark = (
        _edge_pair(gradient, middle, thickness, window, polarity) for polarity in (1.0, -1.0)
    )
    better = dark[2] > bright[2]
    return (
        np.where(better, dark[0], bright[0]),
        np.where(better, dark[1], bright[1]),
        np.where(better, dark[2], bright[2]),
    )


def _edge_pair(
    gradient: FloatArray, middle: FloatArray, thickness: float, window: float, polarity: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return as `edge_middles` does for a shaft brighter (1) or darker (-1) than what it hides."""
    n_rows, n_columns = gradient.shape
    steps = np.arange(-int(np.ceil(window)), int(np.ceil(window)) + 1)
    column = np.arange(n_columns)
    places, strengths = [], []
    for sign, edge in ((polarity, -0.5), (-polarity, 0.5)):
        first = np.round(middle + edge * thickness).astype(int)
        rows = np.clip(first[None, :] + steps[:, None], 1, n_rows - 2)
        values = sign * gradient[rows, column]
        top = values.argmax(axis=0)
        peak = rows[top, column]
        around = sign * gradient[peak[None, :] + np.array([[-1], [0], [1]]), column]
        fine = parabola(around.T, np.ones(n_columns, int))
        is_peak = (around[1] >= around[0]) & (around[1] >= around[2])
        places.append(peak + fine)
        strengths.append(np.where(is_peak, around[1], 0.0))
    return 0.5 * (places[0] + places[1]), places[1] - places[0], np.minimum(*strengths)


def parabola(values: FloatArray, index: NDArray[Any]) -> FloatArray:
    """Return the offset, -0.5..0.5, of the peak of a parabola through three neighbours.

    `values` has shape (n, m) and `index` one column per row; 0 at the borders.
    """
    n, m = values.shape
    inside = np.clip(index, 1, m - 2)
    rows = np.arange(n)
    left, here, right = (values[rows, inside + k] for k in (-1, 0, 1))
    curve = left - 2.0 * here + right
    offset = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    return np.where(inside == index, np.clip(offset, -0.5, 0.5), 0.0)
