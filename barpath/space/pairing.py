"""Two clips of one set on one clock, by the bar's height that both of them see.

Height is the one coordinate that a camera at the feet and a camera at the side share. It is matched
sample against sample: one lag, one offset and one factor, since two cameras rarely agree to the
millimetre on scale and zero. The lag is found to a small part of a frame, because a rep spreads its
timing over many frames.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, make_lsq_spline
from scipy.optimize import least_squares

from barpath.errors import OptionError

Floats = NDArray[np.float64]

SURE, AMBIGUOUS, NO_MATCH = "sure", "ambiguous", "no match"


@dataclass(frozen=True)
class SyncConfig:
    """How two height curves are matched.

    Attributes
    ----------
    step_s : float
        Step of the coarse search.
    min_travel_share : float
        Lags that leave less than this share of the shorter clip's bar travel in common are not
        looked at: where little moves, anything fits.
    min_travel_m : float
        Least bar travel in common.
    max_scale : float
        The two heights may differ in scale by at most this factor.
    floor_m : float
        Misfit that says nothing: bar tilt, tremor and smoothing (common practice, no source).
    apart_s : float
        Another lag counts as another one from this distance on.
    alike_factor : float
        Another lag makes the match ambiguous when its misfit, divided by the share of the travel
        that it leaves in common, is less than this many times the best one's.
    no_match_share : float
        A misfit larger than this share of the height's range is no match.
    knot_s : float
        Spacing of the knots of the spline that one curve is interpolated with: a bar moves slowly
        against this (common practice, no source).
    clock_sd_s : float
        Part of the lag's uncertainty that does not shrink with more frames: read-out of the sensor
        row by row and stamps that mark the start or the middle of an exposure (no source).
    """

    step_s: float = 0.02
    min_travel_share: float = 0.4
    min_travel_m: float = 0.15
    max_scale: float = 1.25
    floor_m: float = 0.003
    apart_s: float = 0.3
    alike_factor: float = 2.2
    no_match_share: float = 0.03
    knot_s: float = 0.08
    clock_sd_s: float = 0.0005


@dataclass(frozen=True)
class Sync:
    """How the second clip's clock and height relate to the first's.

    Attributes
    ----------
    lag_s : float
        Time on the second clip's clock less time on the first's at the same instant.
    lag_sd_s : float
        Its standard uncertainty, given that the right repetitions were matched.
    offset_m, scale : float
        First height = `offset_m` + `scale` times second height.
    offset_sd_m, scale_sd : float
        Their standard uncertainties.
    rms_m : float
        Misfit of the heights.
    overlap_s : float
        Time that both clips show.
    verdict : {'sure', 'ambiguous', 'no match'}
    other_lag_s, other_rms_m : float
        The next best lag and its misfit; NaN when there is none.
    reason : str
        One sentence; `""` when sure.
    """

    lag_s: float
    lag_sd_s: float
    offset_m: float
    offset_sd_m: float
    scale: float
    scale_sd: float
    rms_m: float
    overlap_s: float
    verdict: str
    other_lag_s: float
    other_rms_m: float
    reason: str

    def to_second(self, time_s: Floats | float) -> Floats | float:
        """Time on the second clip's clock of a time on the first's."""
        return time_s + self.lag_s


def _usable(time_s: Floats, height_m: Floats, which: str) -> tuple[Floats, Floats]:
    time_s, height_m = np.asarray(time_s, dtype=float), np.asarray(height_m, dtype=float)
    known = np.isfinite(time_s) & np.isfinite(height_m)
    if known.sum() < 10:
        raise OptionError(f"The {which} clip has too few bar heights to be matched.")
    return time_s[known], height_m[known]


def _at(grid_s: Floats, time_s: Floats, value: Floats, max_gap_s: float) -> Floats:
    """Linear interpolation, NaN outside and in gaps."""
    out = np.interp(grid_s, time_s, value, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time_s, grid_s), 1, len(time_s) - 1)
    out[time_s[after] - time_s[after - 1] > max_gap_s] = np.nan
    return out


def _line(x: Floats, y: Floats, max_scale: float) -> tuple[float, float, float]:
    """Offset, factor within limits and root mean square misfit of y against x."""
    dx, dy = x - x.mean(), y - y.mean()
    power = float(dx @ dx)
    factor = float(dx @ dy) / power if power > 0 else 1.0
    factor = float(np.clip(factor, 1 / max_scale, max_scale))
    rms = float(np.sqrt(np.mean((dy - factor * dx) ** 2)))
    return float(y.mean() - factor * x.mean()), factor, rms


def _scan(first: Floats, second: Floats, config: SyncConfig) -> Floats:
    """Rows of shift in steps, misfit and share of travel in common, for both on one grid."""
    n, m = len(first), len(second)
    moved_1 = np.abs(np.diff(first, prepend=first[0]))
    moved_2 = np.abs(np.diff(second, prepend=second[0]))
    least = min(np.nansum(moved_1), np.nansum(moved_2))
    rows = []
    for shift in range(-(n - 1), m):
        a, b = max(0, -shift), min(n, m - shift)
        if (b - a) * config.step_s < 0.5:
            continue
        y, x = first[a:b], second[a + shift : b + shift]
        both = np.isfinite(x) & np.isfinite(y)
        if both.sum() * config.step_s < 0.5:
            continue
        common = min(np.nansum(moved_1[a:b]), np.nansum(moved_2[a + shift : b + shift]))
        if common < max(config.min_travel_share * least, config.min_travel_m):
            continue
        _, _, rms = _line(x[both], y[both], config.max_scale)
        rows.append((shift, rms, common / least))
    return np.array(rows).reshape(-1, 3)


def _smoothing_spline(time_s: Floats, value: Floats, knot_s: float) -> BSpline:
    """Cubic least-squares spline with knots at samples at least `knot_s` apart."""
    inner = []
    last = time_s[0]
    for time in time_s[2:-2]:
        if time - last >= knot_s and time_s[-1] - time >= knot_s:
            inner.append(time)
            last = time
    knots = np.concatenate([[time_s[0]] * 4, inner, [time_s[-1]] * 4])
    return make_lsq_spline(time_s, value, knots)


def _refine(
    t1: Floats,
    y1: Floats,
    t2: Floats,
    y2: Floats,
    lag_s: float,
    start: tuple[float, float],
    knot_s: float,
) -> tuple[Floats, Floats, float, float, int]:
    """Lag, offset and log factor by least squares; covariance, misfit, overlap and count.

    The curve with the higher frame rate is interpolated at the other's times.
    """
    swap = np.median(np.diff(t1)) < np.median(np.diff(t2))
    fine_t, fine_y = (t1, y1) if swap else (t2, y2)
    # Not through the samples: noise is least between them, which would pull the lag there.
    spline = _smoothing_spline(fine_t, fine_y, knot_s)
    margin = 0.1

    def shifted(lag: float) -> Floats:
        return t2 - lag if swap else t1 + lag

    inside = (shifted(lag_s) > fine_t[0] + margin) & (shifted(lag_s) < fine_t[-1] - margin)

    def residuals(p: Floats) -> Floats:
        seen = spline(shifted(p[0])[inside])
        if swap:
            return seen - p[1] - np.exp(p[2]) * y2[inside]
        return y1[inside] - p[1] - np.exp(p[2]) * seen

    begin = np.array([lag_s, start[0], math.log(start[1])])
    spread = float(np.sqrt(np.mean(residuals(begin) ** 2))) or 1e-6
    fit = least_squares(residuals, begin, loss="soft_l1", f_scale=max(spread, 1e-4), x_scale="jac")
    rest = residuals(fit.x)
    rms = float(np.sqrt(np.mean(rest**2)))
    # Neighbouring residuals are alike, so n of them count as fewer (first-order autocorrelation).
    centred = rest - rest.mean()
    rho = float(centred[1:] @ centred[:-1] / max(centred @ centred, 1e-18))
    rho = min(max(rho, 0.0), 0.98)
    jac = _jacobian(residuals, fit.x)
    covariance = np.asarray(
        np.linalg.pinv(jac.T @ jac) * rms**2 * (1 + rho) / (1 - rho), dtype=np.float64
    )
    overlap = float(np.ptp((t2 if swap else t1)[inside]))
    return fit.x, covariance, rms, overlap, int(inside.sum())


def _jacobian(residuals: Callable[[Floats], Floats], at: Floats) -> Floats:
    steps = np.array([1e-3, 1e-4, 1e-4])
    columns = []
    for k, step in enumerate(steps):
        move = np.zeros(3)
        move[k] = step
        columns.append((residuals(at + move) - residuals(at - move)) / (2 * step))
    return np.column_stack(columns)


def synchronise(
    first_s: Floats,
    first_m: Floats,
    second_s: Floats,
    second_m: Floats,
    config: SyncConfig | None = None,
) -> Sync:
    """Put two clips of one set on one clock.

    Parameters
    ----------
    first_s, first_m : ndarray, shape (n,)
        Times in seconds, increasing, and bar heights in metres of the first clip; NaN where not
        seen. Any frame rate, regular or not.
    second_s, second_m : ndarray, shape (m,)
        The same of the second clip.
    config : SyncConfig, optional

    Returns
    -------
    Sync
        With `verdict` `'ambiguous'` when the repetitions are so alike that another lag fits nearly
        as well, and `'no match'` when none fits.

    Raises
    ------
    OptionError
        A clip has too few heights.

    Notes
    -----
    Coarse: for every lag on a grid, linear regression of height on height over what both show.
    Fine: least squares with a smoothing spline of the curve with the higher frame rate. The lag's
    standard uncertainty is that of the fit, with the residuals' autocorrelation (n samples with
    first-order autocorrelation r count as n (1 - r) / (1 + r)).

    Examples
    --------
    >>> t = np.arange(0, 8, 1 / 30)
    >>> height = lambda s: 0.2 * np.cos(2 * np.pi * s / 3.1) + 0.05 * np.cos(1.3 * s)
    >>> late = np.arange(0, 6, 1 / 24)
    >>> match = synchronise(t, height(t), late, 1.02 * height(late + 0.71) - 0.1)
    >>> match.verdict, round(match.lag_s, 4)
    ('sure', -0.71)
    """
    config = config or SyncConfig()
    t1, y1 = _usable(first_s, first_m, "first")
    t2, y2 = _usable(second_s, second_m, "second")
    gap = 4 * max(float(np.median(np.diff(t1))), float(np.median(np.diff(t2))))
    grid1 = np.arange(t1[0], t1[-1], config.step_s)
    grid2 = np.arange(t2[0], t2[-1], config.step_s)
    rows = _scan(_at(grid1, t1, y1, gap), _at(grid2, t2, y2, gap), config)
    if not len(rows):
        return _no_match("The clips have too little bar movement in common to be matched.")
    floor = config.floor_m
    misfit = np.maximum(rows[:, 1], floor) / np.minimum(rows[:, 2], 1.0)
    best = int(np.argmin(misfit))
    lag_s = rows[best, 0] * config.step_s + t2[0] - t1[0]
    start = _start(t1, y1, t2, y2, lag_s, config)
    x, covariance, rms, overlap, count = _refine(t1, y1, t2, y2, lag_s, start, config.knot_s)
    if count < 10 or abs(x[0] - lag_s) > 5 * config.step_s:
        return _no_match("The heights of the two clips do not follow each other.")
    other = _runner_up(rows[:, 0], misfit, best, config)
    other_lag_s = rows[other, 0] * config.step_s + t2[0] - t1[0] if other >= 0 else math.nan
    other_rms = rows[other, 1] if other >= 0 else math.nan
    reach = float(np.ptp(np.concatenate([y1, y2])))
    verdict, reason = SURE, ""
    if rms > config.no_match_share * reach:
        verdict = NO_MATCH
        reason = (
            f"The bar heights of the two clips differ by {1000 * rms:.0f} mm at best, too much for"
            " one set."
        )
    elif other >= 0 and misfit[other] < config.alike_factor * misfit[best]:
        verdict = AMBIGUOUS
        reason = (
            f"The repetitions are so alike that a lag of {other_lag_s:+.2f} s fits nearly as well"
            f" ({1000 * other_rms:.1f} mm) as {x[0]:+.2f} s ({1000 * rms:.1f} mm)."
        )
    scale = math.exp(x[2])
    return Sync(
        lag_s=float(x[0]),
        lag_sd_s=math.hypot(math.sqrt(covariance[0, 0]), config.clock_sd_s),
        offset_m=float(x[1]),
        offset_sd_m=math.sqrt(covariance[1, 1]),
        scale=scale,
        scale_sd=scale * math.sqrt(covariance[2, 2]),
        rms_m=rms,
        overlap_s=overlap,
        verdict=verdict,
        other_lag_s=float(other_lag_s),
        other_rms_m=float(other_rms),
        reason=reason,
    )


def _start(
    t1: Floats, y1: Floats, t2: Floats, y2: Floats, lag_s: float, config: SyncConfig
) -> tuple[float, float]:
    seen = np.interp(t1 + lag_s, t2, y2, left=np.nan, right=np.nan)
    both = np.isfinite(seen)
    offset, factor, _ = _line(seen[both], y1[both], config.max_scale)
    return offset, factor


def _runner_up(shift: Floats, misfit: Floats, best: int, config: SyncConfig) -> int:
    """Row of the best lag that is not the best one's neighbour, -1 when there is none."""
    far = np.abs(shift - shift[best]) * config.step_s >= config.apart_s
    inner = np.ones(len(shift), dtype=bool)
    inner[1:] &= misfit[1:] <= misfit[:-1]
    inner[:-1] &= misfit[:-1] <= misfit[1:]
    picks = np.flatnonzero(far & inner)
    return int(picks[np.argmin(misfit[picks])]) if len(picks) else -1


def _no_match(reason: str) -> Sync:
    nan = math.nan
    return Sync(nan, nan, nan, nan, nan, nan, nan, 0.0, NO_MATCH, nan, nan, reason)
