"""How far along the bench the bar lies, seen from the feet, steadier than each picture tells.

A picture tells it by the distance between the bar's ends alone, of which a pixel too many brings
the bar centimetres nearer; a camera that looks down takes part of that for height. The bar's way
is known better: to and fro goes with up and down, and what departs from that does so slowly, as
does the way sideways; and where one end is seen worse than the other, the other tells most.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from barpath.ground.uncertainty import MAD_TO_SD

Floats = NDArray[np.float64]

_MIN_FRAMES = 8


@dataclass(frozen=True)
class AlongConfig:
    """Settings of the smoothing.

    Parameters
    ----------
    degree : int
        Of the polynomial that the way along the bench is of the bar's height in the picture.
    wander_m2_s3, sideways_m2_s3 : float
        Spectral density of the acceleration with which the bar departs from it, and of that
        sideways. Half or twice as much hardly matters (of the tuning clips).
    end_sd_px : float
        Least standard uncertainty of an end, along the bar.
    huber : float
        Misfits of more standard deviations weigh less.
    n_rounds : int
        How often weights and uncertainties of the ends are found anew.
    n_draws, seed : int
        Ways drawn for the uncertainty.
    """

    degree: int = 2
    wander_m2_s3: float = 2e-3
    sideways_m2_s3: float = 5e-4
    end_sd_px: float = 0.3
    huber: float = 1.5
    n_rounds: int = 8
    n_draws: int = 60
    seed: int = 20


@dataclass(frozen=True)
class AlongBench:
    """The bar's distance from the camera along the bench, and how well it is known.

    Attributes
    ----------
    along_m : ndarray, shape (n,)
        NaN where an end was not seen.
    sd_m, sd_m_s : ndarray, shape (n,)
        Standard uncertainties of the distance and of its change.
    """

    along_m: Floats
    sd_m: Floats
    sd_m_s: Floats


def along_bench(
    time_s: Floats,
    left_m: Floats,
    right_m: Floats,
    px_per_m: float,
    config: AlongConfig | None = None,
) -> AlongBench:
    """Fit the bar's way along the bench and sideways to both of its ends.

    With the distance z along the bench and the bar's middle c to the image's right of the camera,
    an end is seen in the direction ``(c -+ b / 2) / z``, b being the bar's length. All frames'
    z and c are fitted to the directions of both ends, each with the uncertainty that its own
    misfits show, the more outlying the less they weigh. Of c, and of z less a polynomial of the
    bar's height in the picture, the accelerations are kept small: a smoothing spline whose
    roughness has a known size, so that what is seen well is hardly smoothed.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    left_m, right_m : ndarray, shape (n, 3)
        Both ends as each frame tells, in world axes, from `pinhole.front_ends`; NaN where not seen.
    px_per_m : float
        Scale at the bar.
    config : AlongConfig, optional

    Returns
    -------
    AlongBench
        As each frame tells, where fewer than eight show both ends.

    References
    ----------
    Wahba G., *Spline Models for Observational Data*, SIAM 1990, ch. 1 (roughness penalty as prior);
    Huber P. J. (1964), Ann. Math. Stat. 35:73-101 (weights); both from memory.
    """
    config = config or AlongConfig()
    time = np.asarray(time_s, dtype=float)
    raw_m = np.asarray(left_m, dtype=float)[:, 2]
    seen = np.flatnonzero(np.isfinite(left_m).all(axis=1) & np.isfinite(right_m).all(axis=1))
    if len(seen) < _MIN_FRAMES:
        return AlongBench(raw_m, np.zeros(len(time)), np.zeros(len(time)))
    time, left, right = time[seen], left_m[seen], right_m[seen]
    height = (left[:, 1] / left[:, 2] + right[:, 1] / right[:, 2]) / 2
    half_m = (right[:, 0] - left[:, 0]) / 2
    ends = [left[:, 0] / left[:, 2], right[:, 0] / right[:, 2]]
    smooth = _smoothness(time, height, config)
    readings = [_reading(direction, config.degree) for direction in ends]
    wanted = [-half_m, half_m]
    least_m = config.end_sd_px / px_per_m
    weights = [np.full(len(time), 1 / least_m)] * 2
    for _ in range(config.n_rounds):
        rows = [sparse.diags(w) @ r for w, r in zip(weights, readings, strict=True)]
        matrix = sparse.vstack([*rows, smooth]).tocsc()
        known = [w * h for w, h in zip(weights, wanted, strict=True)]
        target = np.concatenate([*known, np.zeros(smooth.shape[0])])
        solver = splu((matrix.T @ matrix).tocsc())
        fit = solver.solve(matrix.T @ target)
        misfits = [r @ fit - h for r, h in zip(readings, wanted, strict=True)]
        weights = [_weights(misfit, least_m, config) for misfit in misfits]
    # What normal errors of all rows do to the fit has the fit's covariance.
    rng = np.random.default_rng(config.seed)
    errors = matrix.T @ rng.standard_normal((matrix.shape[0], config.n_draws))
    draws = solver.solve(errors)[: len(time)]
    found = np.full((3, len(time_s)), np.nan)
    found[0, seen] = fit[: len(time)]
    found[1, seen] = draws.std(axis=1)
    found[2, seen] = np.gradient(draws, time, axis=0).std(axis=1)
    return AlongBench(*found)


def _reading(direction: Floats, degree: int) -> sparse.csr_matrix:
    """What an end tells of all frames' distances and middles: rows of ``direction z - c``."""
    n = len(direction)
    return sparse.hstack(
        [sparse.diags(direction), -sparse.identity(n), sparse.csr_matrix((n, degree))]
    ).tocsr()


def _smoothness(time_s: Floats, height: Floats, config: AlongConfig) -> sparse.csr_matrix:
    """Accelerations along and sideways, and the polynomial's size (m), in standard deviations."""
    n, degree = len(time_s), config.degree
    before, after = np.diff(time_s)[:-1], np.diff(time_s)[1:]
    step = (before + after) / 2
    parts = np.array([1 / before, -1 / before - 1 / after, 1 / after]) / np.sqrt(step)
    bend = sparse.diags(list(parts), [0, 1, 2], shape=(n - 2, n)).tocsr()
    level = (height - height.mean()) / max(float(np.ptp(height)), 1e-9)
    powers = sparse.csr_matrix(level[:, None] ** np.arange(1, degree + 1))
    nothing = sparse.csr_matrix((n - 2, n))
    return sparse.vstack(
        [
            sparse.hstack([bend, nothing, -bend @ powers]) / np.sqrt(config.wander_m2_s3),
            sparse.hstack([nothing, bend, sparse.csr_matrix((n - 2, degree))])
            / np.sqrt(config.sideways_m2_s3),
            sparse.hstack([sparse.csr_matrix((degree, 2 * n)), sparse.identity(degree)]),
        ]
    ).tocsr()


def _weights(misfit_m: Floats, least_m: float, config: AlongConfig) -> Floats:
    """One over the standard uncertainty of each frame's end, as the misfits show it."""
    spread_m = max(MAD_TO_SD * float(np.median(np.abs(misfit_m))), 1e-9)
    outlying = np.maximum(np.abs(misfit_m) / (config.huber * spread_m), 1.0)
    alike = _frames_alike(misfit_m / outlying)
    return 1.0 / (np.hypot(spread_m * np.sqrt(alike), least_m) * np.sqrt(outlying))


def _frames_alike(misfit: Floats) -> float:
    """How many frames in a row err alike, and so tell no more than one; 1 for white noise.

    The integrated autocorrelation, up to where it first turns negative.
    """
    power = np.abs(np.fft.rfft(misfit, 2 * len(misfit))) ** 2
    covariance = np.fft.irfft(power)[: len(misfit)]
    if covariance[0] <= 0:
        return 1.0
    correlation = covariance / covariance[0]
    negative = np.flatnonzero(correlation <= 0)
    last = int(negative[0]) if len(negative) else len(correlation)
    return float(1.0 + 2.0 * np.sum(correlation[1:last]))
