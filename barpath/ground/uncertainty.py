"""Combining and stating uncertainties.

References
----------
JCGM 100:2008, *Guide to the expression of uncertainty in measurement* (GUM), with minor
corrections.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from barpath.errors import OptionError

MAD_TO_SD = 1.482602218505602
"""Standard deviation of a normal distribution over its median absolute deviation: 1 / Phi^-1(3/4).

Phi is the distribution function.
"""
QUALITIES = ("good", "fair", "poor", "missing")


def cauchy_weights(
    off: ArrayLike, n_sd: float, used: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Weights of readings by how far each is off, for least squares that outliers hardly move.

    Parameters
    ----------
    off : array_like
        What each is off.
    n_sd : float
        Standard deviations off at which a weight is a half. The standard deviation is that of
        normal errors with the median absolute value at hand.
    used : array_like of bool, optional
        Which of them (along the first axes) tell that median; all if not given.

    Returns
    -------
    ndarray
        Shaped as `off`, 0 to 1.

    References
    ----------
    Holland P. W., Welsch R. E. (1977), Commun. Stat. Theory Methods 6:813-827 (Cauchy's weight
    function; from memory).

    Examples
    --------
    >>> cauchy_weights([1.0, -1.0, 1.0, 100.0], n_sd=2.0).round(3).tolist()
    [0.898, 0.898, 0.898, 0.001]
    """
    off = np.asarray(off, dtype=float)
    telling = off if used is None else off[np.asarray(used)]
    spread = MAD_TO_SD * float(np.median(np.abs(telling))) + 1e-9
    return np.asarray(1 / (1 + (off / (n_sd * spread)) ** 2))


def biweights(ratio: ArrayLike) -> NDArray[np.float64]:
    """Weights of readings by how far each is off, none from 1 on: Tukey's biweight.

    Parameters
    ----------
    ratio : array_like
        What each is off, over where its weight ends; NaN weighs nothing. With an end of 4.685
        standard deviations 95 % of what normal errors tell is kept (Huber and Ronchetti, Robust
        Statistics; from memory).

    Examples
    --------
    >>> biweights([0.0, -0.5, 1.0, 7.0]).tolist()
    [1.0, 0.5625, 0.0, 0.0]
    """
    ratio = np.asarray(ratio, dtype=float)
    return np.where(np.abs(ratio) < 1, (1 - np.minimum(ratio**2, 1)) ** 2, 0.0)


def pooled(*told: tuple[float, float]) -> tuple[float, float]:
    """Value and standard uncertainty by several that tell the same, independently of one another.

    Parameters
    ----------
    *told : (float, float)
        A value and its standard uncertainty each, in one unit.

    Notes
    -----
    The mean weighed by the inverse variances (a handbook's).

    Examples
    --------
    >>> value, sd = pooled((0.0, 2.0), (-4.8, 2.0))
    >>> round(value, 3), round(sd, 3)
    (-2.4, 1.414)
    """
    values, sds = np.transpose(np.asarray(told, dtype=float))
    weights = sds**-2.0
    return float(weights @ values / weights.sum()), float(weights.sum() ** -0.5)


def combine(*parts: float) -> float:
    """Standard uncertainty of a sum or difference of independent parts (GUM eq. 10).

    Parameters
    ----------
    *parts : float
        Standard uncertainties, all in the unit of the result (sensitivity already applied).

    Returns
    -------
    float
        Root of the sum of squares.

    Examples
    --------
    >>> combine(3.0, 4.0)
    5.0
    """
    return math.hypot(*parts)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a quantity known only to lie within ±`half_width` (GUM 4.3.7).

    Examples
    --------
    >>> round(rectangular(1.0), 4)
    0.5774
    """
    return half_width / math.sqrt(3.0)


def relative_to_absolute(value: float, relative: float) -> float:
    """Absolute standard uncertainty of a value from a relative one.

    Examples
    --------
    >>> relative_to_absolute(-0.4, 0.02)
    0.008
    """
    return abs(value) * relative


def product_sd(value: float, *relative: float) -> float:
    """Standard uncertainty of a product or quotient of independent factors (GUM eq. 12).

    Parameters
    ----------
    value : float
        The product or quotient.
    *relative : float
        Relative standard uncertainties of its factors.

    Examples
    --------
    >>> round(product_sd(2.0, 0.03, 0.04), 3)
    0.1
    """
    return abs(value) * combine(*relative)


def effective_dof(parts: Sequence[float], dof: Sequence[float]) -> float:
    """Effective degrees of freedom of a combined uncertainty (Welch-Satterthwaite, GUM G.2b).

    Parameters
    ----------
    parts : sequence of float
        Standard uncertainties combined.
    dof : sequence of float
        Degrees of freedom of each; infinity for one that is well known.

    Returns
    -------
    float
        Degrees of freedom of the combination.
    """
    total = combine(*parts) ** 4
    below = sum(u**4 / v for u, v in zip(parts, dof, strict=True))
    return math.inf if below == 0 else total / below


def coverage_factor(dof: float = math.inf, probability: float = 0.95) -> float:
    """Factor from a standard uncertainty to the half width of an interval (GUM G.3).

    Parameters
    ----------
    dof : float
        Degrees of freedom; infinite gives the normal distribution.
    probability : float
        Share of cases the interval is to cover.

    Returns
    -------
    float
        Two-sided quantile of Student's t.

    Examples
    --------
    >>> round(coverage_factor(), 2)
    1.96
    """
    return float(stats.t.ppf((1 + probability) / 2, dof))


def expand(sd: float, dof: float = math.inf, probability: float = 0.95) -> float:
    """Half width of the interval that covers `probability` of the cases."""
    return coverage_factor(dof, probability) * sd


def mean_over_reps(
    values: ArrayLike, sd_random: ArrayLike, sd_common: ArrayLike
) -> tuple[float, float]:
    """Mean over repetitions when part of the uncertainty is shared by all of them.

    The random parts are independent and shrink with the number of repetitions. The common part,
    such as the scale of the picture, is fully correlated (GUM 5.2.2, note 1): it does not shrink.

    Parameters
    ----------
    values, sd_random, sd_common : array_like, shape (n,)
        Value of each repetition and the two parts of its standard uncertainty.

    Returns
    -------
    mean, sd : float
        Mean and its standard uncertainty as the mean of just these repetitions.

    Examples
    --------
    >>> mean, sd = mean_over_reps([0.40, 0.42], [0.003, 0.004], [0.01, 0.01])
    >>> round(mean, 3), round(sd, 4)
    (0.41, 0.0103)
    """
    array = np.asarray(values, dtype=float)
    random = float(np.sqrt(np.sum(np.square(sd_random))) / len(array))
    return float(np.mean(array)), combine(random, float(np.mean(np.asarray(sd_common, float))))


def grade(u95: float, good_u95: float, fair_u95: float) -> str:
    """Quality of a measure from the half width of its 95 % interval.

    Parameters
    ----------
    u95, good_u95, fair_u95 : float
        Half width and the largest that is still good, and still fair, in the same unit.

    Returns
    -------
    str
        ``"good"``, ``"fair"``, ``"poor"``, or ``"missing"`` when `u95` is not a number.

    Examples
    --------
    >>> grade(0.01, 0.02, 0.05), grade(0.03, 0.02, 0.05), grade(0.1, 0.02, 0.05)
    ('good', 'fair', 'poor')
    """
    if not math.isfinite(u95):
        return "missing"
    if u95 <= good_u95:
        return "good"
    return "fair" if u95 <= fair_u95 else "poor"


def decimals_for(u95: float) -> int:
    """Decimal places that an uncertainty deserves; negative means tens, hundreds and so on.

    Its three leading digits decide: 100 to 354 keeps two digits, 355 to 949 one, and from 950 it is
    rounded up to 1000 and keeps two.

    Parameters
    ----------
    u95 : float
        Positive, finite.

    References
    ----------
    Particle Data Group, *Review of Particle Physics*, Introduction, sec. 5.3 "Rounding".

    Examples
    --------
    >>> decimals_for(0.119), decimals_for(0.367), decimals_for(14.0)
    (2, 1, 0)
    """
    exponent = math.floor(math.log10(u95))
    leading = round(u95 / 10.0 ** (exponent - 2))
    if leading >= 1000:
        exponent, leading = exponent + 1, leading // 10
    if leading <= 354:
        return 1 - exponent
    return -exponent


NOT_KNOWN_SHARE = 1e-6
"""An uncertainty below this share of the value comes from arithmetic, not from measuring."""


def rounded(value: float, u95: float) -> tuple[str, str]:
    """Value and uncertainty as text: the one rule by which numbers are written.

    The uncertainty keeps one or two significant digits (`decimals_for`), the value the same place.
    A value whose uncertainty is not known keeps three significant digits and stands alone.

    Parameters
    ----------
    value, u95 : float
        In the same unit, that in which they are shown.

    Returns
    -------
    tuple of str
        Value and uncertainty, the latter empty where it is not known; ``"–"`` without a value.

    Examples
    --------
    >>> rounded(6.1234, 0.58)
    ('6.1', '0.6')
    >>> rounded(-0.4567, 0.0123)
    ('−0.457', '0.012')
    >>> rounded(0.1083392162774468, 7e-16)
    ('0.108', '')
    """
    if not math.isfinite(value):
        return "–", ""
    if not (math.isfinite(u95) and u95 > NOT_KNOWN_SHARE * abs(value)):
        text = np.format_float_positional(float(f"{value:.3g}"), trim="-")
        return text.replace("-", "−"), ""
    decimals = decimals_for(u95)
    shown = max(decimals, 0)
    # Adding zero turns a rounded "-0.0" into "0.0".
    number = round(value, decimals) + 0.0
    return f"{number:.{shown}f}".replace("-", "−"), f"{round(u95, decimals):.{shown}f}"


def state(value: float, u95: float, unit: str = "") -> str:
    """Value with its uncertainty and unit as text, written by `rounded`.

    Parameters
    ----------
    value : float
        In the unit shown.
    u95 : float
        Half width of its 95 % interval, not negative; NaN where it is not known.
    unit : str
        Written after the numbers, the degree sign without a space.

    Returns
    -------
    str
        ``"41.2 ± 0.8 cm"``; ``"–"`` when there is no value.

    Examples
    --------
    >>> state(41.234, 0.81, "cm")
    '41.2 ± 0.8 cm'
    >>> state(33.2, 12.4, "°")
    '33 ± 12°'
    >>> state(float("nan"), 0.1, "cm")
    '–'
    """
    if u95 < 0:
        raise OptionError("An uncertainty cannot be negative.")
    number, spread = rounded(value, u95)
    if number == "–":
        return number
    return _with_unit(f"{number} ± {spread}" if spread else number, unit)


def state_width(u95: float, unit: str = "") -> str:
    """A half width, or the size of something no better known, alone as text.

    Examples
    --------
    >>> state_width(12.4, "°"), state_width(0.58, "cm")
    ('12°', '0.6 cm')
    """
    return _with_unit(rounded(0.0, u95)[1] or rounded(u95, math.nan)[0], unit)


def _with_unit(text: str, unit: str) -> str:
    return text + (unit if unit == "°" else f" {unit}").rstrip()
