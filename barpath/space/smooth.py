"""Zero-lag low-pass smoothing of a measured coordinate, with its derivatives and their uncertainty.

The filter is a Butterworth low-pass run forwards and backwards, so that it moves no event in time.
Its cut-off is chosen from the data by residual analysis. Missing samples are bridged only over a
stated length; a longer gap splits the series and each part is smoothed alone.

References
----------
Winter D. A., *Biomechanics and Motor Control of Human Movement*, 4th ed., Wiley 2009, ch. 3
(residual analysis; correction of the cut-off for a second pass).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray
from scipy import signal
from scipy.fft import dst
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.ndimage import uniform_filter1d

from barpath.errors import OptionError
from barpath.ground.uncertainty import MAD_TO_SD

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_MIN_SAMPLES = 8


@dataclass(frozen=True)
class SmoothConfig:
    """Settings of the smoothing.

    Parameters
    ----------
    order : int
        Order of the Butterworth filter in each of the two passes.
    cutoff_hz : float or None
        Fixed cut-off of the whole (two-pass) filter; None chooses it by residual analysis.
    min_cutoff_hz, max_cutoff_hz : float
        What residual analysis may choose. It weighs the whole clip, rests included, so a noisy clip
        would otherwise be smoothed until its turning points are lost.
    max_fill_s : float
        Longest gap between two seen samples that is bridged by interpolation.
    min_segment_s : float
        A stretch between two long gaps that is shorter than this is not smoothed but left missing.
    outlier_n_sd : float
        A sample farther than this many robust standard deviations from the running median is
        rejected.
    outlier_curvature : float
        Acceleration (value units / s²) that the true signal may have, so that a sharp turn at a low
        frame rate is not taken for an outlier.
    """

    order: int = 2
    cutoff_hz: float | None = None
    min_cutoff_hz: float = 2.5
    max_cutoff_hz: float = 10.0
    max_fill_s: float = 0.2
    min_segment_s: float = 0.2
    outlier_n_sd: float = 6.0
    outlier_curvature: float = 15.0


@dataclass(frozen=True)
class ResidualAnalysis:
    """Outcome of a residual analysis.

    Attributes
    ----------
    cutoff_hz : float
        The chosen cut-off.
    noise_sd : float
        Standard deviation of the white noise, in value units: the intercept of the line.
    frequency_hz, residual : ndarray, shape (k,)
        The cut-offs tried and the root-mean-square residual at each.
    tail_start_hz : float
        Where the straight part of the curve begins.
    """

    cutoff_hz: float
    noise_sd: float
    frequency_hz: FloatArray = field(repr=False)
    residual: FloatArray = field(repr=False)
    tail_start_hz: float


@dataclass(frozen=True)
class Smoothed:
    """A smoothed coordinate, one entry for every input sample.

    Attributes
    ----------
    value, velocity, acceleration : ndarray, shape (n,)
        Smoothed value and its time derivatives (value units, per s, per s²); NaN where the series
        is missing for longer than may be bridged.
    sd, sd_velocity, sd_acceleration : ndarray, shape (n,)
        Standard uncertainties: white noise of the samples sent through the filter, combined with
        the signal that the filter itself takes away and, in a bridged gap, with the error of the
        bridge.
    gap : ndarray of bool, shape (n,)
        The value was bridged (missing or rejected sample).
    outlier : ndarray of bool, shape (n,)
        The raw sample was rejected.
    cutoff_hz : float
        Cut-off of the whole filter.
    noise_sd : float
        White-noise standard deviation of the raw samples found by residual analysis.
    """

    value: FloatArray
    velocity: FloatArray
    acceleration: FloatArray
    sd: FloatArray
    sd_velocity: FloatArray
    sd_acceleration: FloatArray
    gap: BoolArray
    outlier: BoolArray
    cutoff_hz: float
    noise_sd: float


def design_cutoff(cutoff_hz: float, rate_hz: float, order: int = 2, passes: int = 2) -> float:
    """Cut-off to design one pass with, so that all passes together cut off at `cutoff_hz`.

    Winter's correction ``C = (2**(1/passes) - 1)**0.25`` holds for a 2nd-order filter; for order n
    the exponent is ``1 / (2 n)``. It applies to the analogue frequency ``tan(pi f / rate)``.

    Parameters
    ----------
    cutoff_hz : float
        Wanted -3 dB frequency of the whole filter.
    rate_hz : float
        Sampling rate.
    order : int
        Order of one pass.
    passes : int
        Number of passes.

    Returns
    -------
    float
        Frequency in Hz to give to the design of one pass.

    Examples
    --------
    At a high rate the factor is Winter's 0.802:

    >>> round(6.0 / design_cutoff(6.0, 10000.0), 3)
    0.802
    """
    correction = (2.0 ** (1.0 / passes) - 1.0) ** (1.0 / (2 * order))
    return float(np.arctan(np.tan(np.pi * cutoff_hz / rate_hz) / correction) * rate_hz / np.pi)


def lowpass(values: ArrayLike, rate_hz: float, cutoff_hz: float, order: int = 2) -> FloatArray:
    """Zero-lag Butterworth low-pass along the first axis of a series without gaps.

    The ends are extended by point reflection over three periods of the cut-off (as far as the
    series is long enough), which keeps value and slope there.

    Parameters
    ----------
    values : array_like, shape (n, ...)
        Evenly spaced samples.
    rate_hz : float
        Sampling rate.
    cutoff_hz : float
        -3 dB frequency of the two passes together, below half the sampling rate.
    order : int
        Order of each pass.

    Returns
    -------
    ndarray, shape (n, ...)
        The filtered samples.
    """
    array = np.asarray(values, dtype=float)
    if not 0.0 < cutoff_hz < rate_hz / 2:
        raise OptionError(
            f"The cut-off of {cutoff_hz:g} Hz must lie between 0 and half the frame rate of "
            f"{rate_hz:g} Hz."
        )
    sos = signal.butter(order, design_cutoff(cutoff_hz, rate_hz, order), fs=rate_hz, output="sos")
    padding = min(len(array) - 1, int(np.ceil(3.0 * rate_hz / cutoff_hz)))
    return signal.sosfiltfilt(sos, array, axis=0, padtype="odd", padlen=padding)


def residual_analysis(
    segments: list[FloatArray], rate_hz: float, config: SmoothConfig | None = None
) -> ResidualAnalysis:
    """Cut-off at which the signal lost equals the noise let through (Winter).

    The root-mean-square residual R between the raw and the filtered series is taken over a range of
    cut-offs. Where only noise is left, the curve is straight; this part is extended to zero
    frequency, and the cut-off is where R equals the intercept. For white noise neither R nor R² is
    quite straight over the cut-off near half the frame rate, but R² is exactly straight over the
    share of white noise power that the filter lets through, which is known from its frequency
    response and nothing at zero frequency; the line is fitted on these axes. The tail begins at the
    lowest cut-off from which R² stays within 2 % of the line.

    The residuals are summed over the sine series of the data less the line through their ends,
    which is the same as filtering with point reflection at the ends, but all cut-offs take one
    transform.

    Parameters
    ----------
    segments : list of ndarray
        Evenly spaced stretches of one coordinate; their residuals are pooled.
    rate_hz : float
        Sampling rate.
    config : SmoothConfig, optional
        Order and allowed cut-offs.

    Returns
    -------
    ResidualAnalysis
        The cut-off, held within the allowed range, and the noise found.

    References
    ----------
    Winter D. A., *Biomechanics and Motor Control of Human Movement*, sec. 3.4.4.3.
    """
    config = config or SmoothConfig()
    top = min(0.4 * rate_hz, 25.0)
    frequency = np.linspace(0.5, top, 60)
    squares = np.zeros_like(frequency)
    for segment in segments:
        n = len(segment)
        flat = segment - np.linspace(segment[0], segment[-1], n)
        power = dst(flat[1:-1], type=1, norm="ortho") ** 2
        at = np.arange(1, n - 1) * rate_hz / (2 * (n - 1))
        squares += (1.0 - _two_pass_gain(at, frequency, rate_hz, config.order)) ** 2 @ power
    squares /= sum(len(s) for s in segments)

    # Share of white noise power that is not in the residual.
    band = (np.arange(2000) + 0.5) / 2000 * rate_hz / 2
    gain = _two_pass_gain(band, frequency, rate_hz, config.order)
    passed = 1.0 - np.mean((1.0 - gain) ** 2, axis=1)
    tail_start, intercept = len(frequency) * 2 // 3, 0.0
    for start in [*range(0, len(frequency) * 2 // 3, 2), len(frequency) * 2 // 3]:
        slope, intercept = np.polyfit(passed[start:], squares[start:], 1)
        misfit = np.abs(intercept + slope * passed[start:] - squares[start:]).max()
        if intercept > 0 and misfit <= 0.02 * intercept:
            tail_start = start
            break
    intercept = max(float(intercept), 0.0)

    highest = min(config.max_cutoff_hz, 0.8 * rate_hz / 2)
    above = np.flatnonzero(squares > intercept)
    if len(above) == 0:
        cutoff = config.min_cutoff_hz
    elif above[-1] == len(frequency) - 1:
        cutoff = highest
    else:
        k = above[-1]
        drop = squares[k] - squares[k + 1]
        share = (squares[k] - intercept) / drop if drop > 0 else 0.0
        cutoff = frequency[k] + share * (frequency[k + 1] - frequency[k])
    return ResidualAnalysis(
        cutoff_hz=float(np.clip(cutoff, min(config.min_cutoff_hz, highest), highest)),
        noise_sd=float(np.sqrt(intercept)),
        frequency_hz=frequency,
        residual=np.sqrt(squares),
        tail_start_hz=float(frequency[tail_start]),
    )


def _two_pass_gain(
    frequency_hz: FloatArray, cutoff_hz: FloatArray, rate_hz: float, order: int
) -> FloatArray:
    """Gain of `lowpass`, shape (cut-offs, frequencies).

    It is the squared Butterworth magnitude ``1 / (1 + (tan f / tan fc)^(2 n))``, fc being the
    cut-off that one pass is designed with.
    """
    designed = np.array([design_cutoff(float(c), rate_hz, order) for c in cutoff_hz])
    analogue = np.tan(np.pi * frequency_hz / rate_hz)
    ratio = analogue[None, :] / np.tan(np.pi * designed / rate_hz)[:, None]
    return 1.0 / (1.0 + ratio ** (2 * order))


def noise_gain(
    n: int, rate_hz: float, cutoff_hz: float, order: int = 2
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How much white noise of the samples reaches the smoothed value and its derivatives.

    Smoothing and differentiating are linear, so the output noise is the root of the summed squares
    of the weights that each output puts on the samples (JCGM 100:2008, eq. 10). The weights are the
    impulse responses, ends included; far from the ends they no longer change.

    Parameters
    ----------
    n : int
        Length of the series.
    rate_hz, cutoff_hz : float
        Sampling rate and cut-off of the whole filter.
    order : int
        Order of each pass.

    Returns
    -------
    value, velocity, acceleration : ndarray, shape (n,)
        Output standard deviation per unit of sample standard deviation (-, 1/s, 1/s²).
    """
    m = min(n, int(np.ceil(8.0 * rate_hz / cutoff_hz)) + 1)
    grid = np.arange(m) / rate_hz
    spline = CubicSpline(grid, lowpass(np.eye(m), rate_hz, cutoff_hz, order))
    gains = []
    for derivative in range(3):
        gain = np.sqrt(np.sum(spline(grid, derivative) ** 2, axis=1))
        half = m // 2
        gains.append(np.concatenate([gain[:half], np.full(n - m, gain[half]), gain[half:]]))
    return gains[0], gains[1], gains[2]


def find_outliers(time_s: ArrayLike, values: ArrayLike, config: SmoothConfig) -> BoolArray:
    """Samples far from the median of their four neighbours (after Hampel, one common scale).

    Up to two bad samples in a row are found. The sample itself is left out of the median, as it
    would otherwise be its own median one time in five and make the noise look too small.

    Parameters
    ----------
    time_s, values : array_like, shape (n,)
        Times and seen samples of a stretch without long gaps, no NaN.
    config : SmoothConfig
        `outlier_n_sd` and `outlier_curvature`.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where the sample is rejected.

    References
    ----------
    Hampel F. R. (1974), J. Am. Stat. Assoc. 69:383-393; used as a moving filter it is common
    practice.
    """
    time, array = np.asarray(time_s, dtype=float), np.asarray(values, dtype=float)
    if len(array) < _MIN_SAMPLES:
        return np.zeros(len(array), dtype=bool)
    # A line is carried on at the ends, where a mirrored or repeated sample would bend the median.
    head = array[0] + (array[0] - array[2]) * np.array([1.0, 0.5])
    tail = array[-1] + (array[-1] - array[-3]) * np.array([0.5, 1.0])
    windows = sliding_window_view(np.concatenate([head, array, tail]), 5)
    residual = np.abs(array - np.median(windows[:, [0, 1, 3, 4]], axis=1))
    scale = MAD_TO_SD * np.median(residual)
    # A parabola's median of four neighbours lies 1.25 a h² from its vertex.
    interval = float(np.median(np.diff(time)))
    allowed = config.outlier_n_sd * scale + 1.25 * config.outlier_curvature * interval**2
    suspect = residual > allowed
    if not np.any(suspect) or np.sum(~suspect) < _MIN_SAMPLES:
        return suspect
    # In fast movement an outlier also drags the median of its neighbours: they are cleared again.
    bridge = CubicSpline(time[~suspect], array[~suspect])
    return suspect & (np.abs(array - bridge(time)) > allowed)


def smooth(
    time_s: ArrayLike,
    values: ArrayLike,
    config: SmoothConfig | None = None,
    sd: ArrayLike | None = None,
) -> Smoothed:
    """Smooth one coordinate and differentiate it twice.

    Steps: single outliers are rejected; gaps up to `max_fill_s` are bridged by a monotone piecewise
    cubic (PCHIP, which cannot overshoot), which also carries uneven times to an even grid; longer
    gaps split the series; one cut-off for all parts comes from residual analysis; each part is
    filtered both ways; the cubic spline through the filtered samples gives value, velocity and
    acceleration at the input times.

    Errors: the derivative of the spline at a knot is exact to order h⁴ (velocity) and h²
    (acceleration) in the sampling interval h, far below the noise. What counts is noise let through
    (`noise_gain`) and signal taken away; the latter is estimated by smoothing the result once more
    and taking the difference. Times are taken as exact. Noise is taken as white: an error that
    wanders slowly passes the filter and is not in the stated uncertainty.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Increasing times.
    values : array_like, shape (n,)
        Raw samples, NaN where missing.
    config : SmoothConfig, optional
        Settings.
    sd : array_like, shape (n,) or scalar, optional
        Standard uncertainty of the raw samples; what residual analysis finds if not given.

    Returns
    -------
    Smoothed
        All arrays have the length of the input.

    Examples
    --------
    >>> t = np.arange(0, 2, 1 / 60)
    >>> result = smooth(t, 0.2 * np.sin(2 * np.pi * 0.5 * t))
    >>> bool(np.abs(result.value - 0.2 * np.sin(np.pi * t)).max() < 0.001)
    True
    """
    config = config or SmoothConfig()
    time, raw = np.asarray(time_s, dtype=float), np.asarray(values, dtype=float)
    if time.ndim != 1 or time.shape != raw.shape:
        raise OptionError("Times and values must be two lists of the same length.")
    if len(time) > 1 and not np.all(np.diff(time) > 0):
        raise OptionError("The times must increase from each sample to the next.")
    outputs, gap = np.full((6, len(time)), np.nan), np.zeros(len(time), dtype=bool)
    parts, outlier = _parts(time, raw, config)
    if not parts:
        return _smoothed(outputs, gap, outlier, np.nan, np.nan)
    rate = 1.0 / float(np.median(np.diff(time)))
    evens = [_evenly(time[part], raw[part], rate) for part in parts]
    analysis = residual_analysis([even for _, even in evens], rate, config)
    cutoff = analysis.cutoff_hz if config.cutoff_hz is None else config.cutoff_hz
    given_sd = np.asarray(analysis.noise_sd if sd is None else sd, dtype=float)
    raw_sd = np.broadcast_to(given_sd, time.shape).copy()
    raw_sd[~np.isfinite(raw_sd)] = analysis.noise_sd
    for part, (grid, even) in zip(parts, evens, strict=True):
        inside = slice(part[0], part[-1] + 1)
        outputs[:, inside] = _smooth_part(
            time[inside], raw_sd[inside], time[part], grid, even, cutoff, config.order
        )
        gap[inside] = True
        gap[part] = False
    return _smoothed(outputs, gap, outlier, float(cutoff), analysis.noise_sd)


def _smoothed(
    outputs: FloatArray, gap: BoolArray, outlier: BoolArray, cutoff_hz: float, noise_sd: float
) -> Smoothed:
    """What was found, `outputs` (6, n) being value, velocity, acceleration and their sd."""
    value, velocity, acceleration, sd, sd_velocity, sd_acceleration = outputs
    return Smoothed(
        value=value,
        velocity=velocity,
        acceleration=acceleration,
        sd=sd,
        sd_velocity=sd_velocity,
        sd_acceleration=sd_acceleration,
        gap=gap,
        outlier=outlier,
        cutoff_hz=cutoff_hz,
        noise_sd=noise_sd,
    )


def _parts(
    time: FloatArray, raw: FloatArray, config: SmoothConfig
) -> tuple[list[NDArray[np.intp]], BoolArray]:
    """Sample numbers of each part that is smoothed, and which samples are rejected, (n,)."""
    outlier = np.zeros(len(time), dtype=bool)
    seen = np.flatnonzero(np.isfinite(raw))
    if len(seen) < _MIN_SAMPLES:
        return [], outlier
    interval = float(np.median(np.diff(time)))
    # A dropped frame leaves a step of two intervals, which must not split a slow clip.
    longest = max(config.max_fill_s, 2.5 * interval)
    for part in _split(seen, time, longest):
        outlier[part] = find_outliers(time[part], raw[part], config)
    least = max(_MIN_SAMPLES, int(np.ceil(config.min_segment_s / interval)))
    kept = seen[~outlier[seen]]
    return [part for part in _split(kept, time, longest) if len(part) >= least], outlier


def _evenly(time: FloatArray, raw: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Even times about `rate_hz` apart, and the samples carried over to them."""
    steps = max(round((time[-1] - time[0]) * rate_hz), len(time) - 1)
    grid = np.linspace(time[0], time[-1], steps + 1)
    return grid, PchipInterpolator(time, raw)(grid)


def _smooth_part(
    at: FloatArray,
    raw_sd: FloatArray,
    seen_at: FloatArray,
    grid: FloatArray,
    even: FloatArray,
    cutoff_hz: float,
    order: int,
) -> FloatArray:
    """Value, velocity, acceleration and their standard uncertainties, (6, n), at the times `at`.

    `raw_sd` is that of the samples at these times, `seen_at` the times of those that were used;
    `even` is the series on an even `grid`.
    """
    rate = (len(grid) - 1) / (grid[-1] - grid[0])
    once = lowpass(even, rate, cutoff_hz, order)
    spline = CubicSpline(grid, once)
    lost = CubicSpline(grid, once - lowpass(once, rate, cutoff_hz, order))
    window = max(1, round(rate / cutoff_hz))
    variance = uniform_filter1d(raw_sd**2, size=window, mode="nearest")
    bridge = _bridge_error(at, seen_at, spline)
    outputs = np.empty((6, len(at)))
    for derivative, gain in enumerate(noise_gain(len(grid), rate, cutoff_hz, order)):
        outputs[derivative] = spline(at, derivative)
        outputs[3 + derivative] = np.sqrt(
            np.interp(at, grid, gain) ** 2 * variance
            + uniform_filter1d(lost(at, derivative) ** 2, size=window, mode="nearest")
            + bridge[derivative] ** 2
        )
    return outputs


def _split(samples: NDArray[np.intp], time: FloatArray, longest_s: float) -> list[NDArray[np.intp]]:
    """Sample numbers cut into parts wherever the time to the next exceeds `longest_s`."""
    return np.split(samples, np.flatnonzero(np.diff(time[samples]) > longest_s + 1e-9) + 1)


def _bridge_error(at: FloatArray, seen_at: FloatArray, spline: CubicSpline) -> FloatArray:
    """Standard error (3, n) of value, velocity and acceleration inside bridged gaps.

    A gap of length g bridged without knowing the acceleration a inside it is wrong by up to
    ``a s (g - s) / 2`` at the time s after its start (the remainder of linear interpolation), taken
    as the limit of a rectangular distribution; a is the root-mean-square acceleration of the part.
    """
    after = np.clip(np.searchsorted(seen_at, at, side="left"), 1, len(seen_at) - 1)
    left, right = seen_at[after - 1], seen_at[after]
    length = right - left
    missing = (at > left) & (at < right)
    acceleration = np.sqrt(np.mean(spline(at, 2) ** 2))
    limit = acceleration * np.stack(
        [(at - left) * (right - at) / 2, np.abs(left + right - 2 * at) / 2, np.ones_like(length)]
    )
    return np.where(missing, limit / np.sqrt(3.0), 0.0)
