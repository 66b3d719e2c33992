"""Load against speed: a lifter's own line, and the most that they could press by it.

The fastest repetition of a set tells what a load allowed that day; later ones tell of fatigue too.
Its mean press speed falls nearly in a straight line with the load. The load at which the line
reaches the speed of a one-repetition maximum (1RM) is an estimate of that maximum.

References
----------
Gonzalez-Badillo & Sanchez-Medina (2010), Int. J. Sports Med. 31:347-352: 0.16 ± 0.04 m/s at the
1RM of the bench press, and the general equation. Sanchez-Medina et al. and others use 0.17 m/s as
the general minimal threshold. Fieller (1954), J. R. Stat. Soc. B 16:175-185. (All from memory.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from barpath.block.blockstore import usable
from barpath.block.setmeans import average_sets
from barpath.ground.uncertainty import coverage_factor

Floats = NDArray[np.float64]

SPEED = "mean_press_speed_m_s"
PUBLISHED_1RM_SPEED_M_S = 0.16
PUBLISHED_1RM_SPEED_SD_M_S = 0.04
GENERAL_THRESHOLD_M_S = 0.17
MIN_LOADS = 3


@dataclass(frozen=True)
class SpeedLine:
    """Straight line of speed against load, by least squares.

    Attributes
    ----------
    intercept_m_s, slope_m_s_kg : float
    sd_m_s : float
        Standard deviation about the line.
    n : int
    mean_kg, spread_kg2 : float
        Mean of the loads, and the sum of their squared deviations from it.
    low_kg, high_kg : float
        Range of the loads.
    level_half_m_s : float
        Half width of the 95 % interval of the line's height at the mean load. It allows for days
        on which everything is faster or slower, where there are three or more.
    """

    intercept_m_s: float
    slope_m_s_kg: float
    sd_m_s: float
    n: int
    mean_kg: float
    spread_kg2: float
    low_kg: float
    high_kg: float
    level_half_m_s: float

    @property
    def slope_sd(self) -> float:
        """Standard error of the slope."""
        return self.sd_m_s / math.sqrt(self.spread_kg2)

    def at(self, load_kg: ArrayLike) -> tuple[Floats, Floats]:
        """Speed on the line and the half width of its 95 % interval (of the line, not of a set).

        Parameters
        ----------
        load_kg : array_like

        Returns
        -------
        tuple of ndarray
        """
        load = np.asarray(load_kg, dtype=float)
        turn = coverage_factor(self.n - 2) * self.slope_sd * (load - self.mean_kg)
        return self.intercept_m_s + self.slope_m_s_kg * load, np.hypot(self.level_half_m_s, turn)


@dataclass(frozen=True)
class OneRepMax:
    """The estimated one-repetition maximum.

    Attributes
    ----------
    value_kg, low_kg, high_kg : float
        With its 95 % interval; NaN when it cannot be told.
    reason : str
        Why not.
    beyond : float
        How far it lies above the heaviest load of the line, as a share of that.
    """

    value_kg: float = math.nan
    low_kg: float = math.nan
    high_kg: float = math.nan
    reason: str = ""
    beyond: float = math.nan


def fit_line(
    load_kg: ArrayLike, speed_m_s: ArrayLike, session: ArrayLike | None = None
) -> SpeedLine | None:
    """Fit the line; None with fewer than three points or a single load.

    Parameters
    ----------
    load_kg, speed_m_s : array_like, shape (n,)
        One set each.
    session : array_like, shape (n,), optional
        Label of the day.

    Returns
    -------
    SpeedLine or None

    Examples
    --------
    >>> line = fit_line([60, 80, 100], [0.8, 0.6, 0.4])
    >>> round(line.slope_m_s_kg, 6), round(line.intercept_m_s, 6)
    (-0.01, 1.4)
    """
    x, y = np.asarray(load_kg, dtype=float), np.asarray(speed_m_s, dtype=float)
    if len(x) < 3 or not np.ptp(x) > 0:
        return None
    n, mean = len(x), float(x.mean())
    spread = float(np.square(x - mean).sum())
    slope = float((x - mean) @ y / spread)
    intercept = float(y.mean() - slope * mean)
    rest = y - intercept - slope * x
    sd = math.sqrt(float(rest @ rest) / (n - 2))
    level = coverage_factor(n - 2) * sd / math.sqrt(n)
    if session is not None:
        _, day = np.unique(np.asarray(session), return_inverse=True)
        sums = np.bincount(day, rest)
        if len(sums) >= 3:
            # Cluster-robust variance of a mean, with the factor for few clusters.
            by_day = math.sqrt(float(sums @ sums) * len(sums) / (len(sums) - 1)) / n
            level = max(level, coverage_factor(len(sums) - 1) * by_day)
    return SpeedLine(intercept, slope, sd, n, mean, spread, float(x.min()), float(x.max()), level)


def one_rep_max(
    line: SpeedLine | None,
    threshold_m_s: float = GENERAL_THRESHOLD_M_S,
    threshold_sd_m_s: float = PUBLISHED_1RM_SPEED_SD_M_S,
    scale_rel_sd: float = 0.0,
    n_loads: int | None = None,
) -> OneRepMax:
    """Estimate the 1RM with an interval of Fieller's kind.

    Those loads are in the interval at which the line and the threshold are not farther apart than
    their uncertainties allow: ``(a + b x - v)^2 <= h^2 + t^2 s^2 (x - m)^2 / S + 1.96^2 u^2``,
    with the half width ``h`` of the line's height at the mean load ``m``. The threshold ``v`` is
    itself known only to ``u``, for lifters differ in it.

    Parameters
    ----------
    line : SpeedLine or None
    threshold_m_s, threshold_sd_m_s : float
        Speed at the 1RM, and how much it differs between lifters.
    scale_rel_sd : float
        Relative uncertainty that all speeds share; it acts like one of the threshold.
    n_loads : int, optional
        Different loads that the line rests on.

    Returns
    -------
    OneRepMax
        Missing with its reason when speed does not fall clearly enough with load for the interval
        to be bounded.
    """
    if line is None or (n_loads is not None and n_loads < MIN_LOADS):
        return OneRepMax(reason=f"A line needs sets at {MIN_LOADS} different loads at least.")
    t = coverage_factor(line.n - 2)
    a, b = line.intercept_m_s, line.slope_m_s_kg
    u2 = threshold_sd_m_s**2 + (scale_rel_sd * threshold_m_s) ** 2
    if b >= 0 or (t * line.slope_sd) ** 2 >= b * b:
        return OneRepMax(reason="Speed does not fall clearly enough with load.")
    # Around the mean load, with z = x - m: (g + b z)^2 - t^2 s^2 z^2 / S - rest <= 0
    g = a + b * line.mean_kg - threshold_m_s
    rest = line.level_half_m_s**2 + coverage_factor() ** 2 * u2
    roots = np.roots([b * b - (t * line.slope_sd) ** 2, 2 * g * b, g * g - rest])
    low, high = sorted(float(r.real) + line.mean_kg for r in roots)
    value = (threshold_m_s - a) / b
    return OneRepMax(value, max(low, 0.0), high, "", value / line.high_kg - 1)


def percent_of_max(speed_m_s: ArrayLike) -> Floats:
    """Load as per cent of the 1RM that the published general equation gives for a mean speed.

    Gonzalez-Badillo & Sanchez-Medina (2010): ``8.4326 v^2 - 73.501 v + 112.33`` for the mean
    propulsive velocity (from memory). With heavy loads the whole press is propulsive.

    Examples
    --------
    >>> percent_of_max([0.95, 0.62, 0.17]).round()
    array([ 50.,  70., 100.])
    """
    v = np.asarray(speed_m_s, dtype=float)
    return 8.4326 * v**2 - 73.501 * v + 112.33


def fastest_of_sets(table: pd.DataFrame, by: str = "technique") -> pd.DataFrame:
    """Fastest repetition of every set of known load.

    Parameters
    ----------
    table : DataFrame
        The block's table.
    by : str
        Column with the setups.

    Returns
    -------
    DataFrame
        `lifter, session, set_id, level, load_kg, speed_m_s, common_rel` (relative standard
        uncertainty that the set's repetitions share); poor speeds are left out.
    """
    keep = usable(table) & np.isfinite(table["load_kg"].to_numpy(float))
    keep &= (table[f"{SPEED}_quality"] != "poor").to_numpy()
    sets = average_sets(table, by, [SPEED], keep)
    best = np.full(len(sets.labels), -np.inf)
    values = sets.reps[:, 0]
    held = np.isfinite(values)
    np.maximum.at(best, sets.set_of_rep[held], values[held])
    out = sets.labels.assign(speed_m_s=best, common_rel=sets.common[:, 0] / sets.mean[:, 0])
    return out[np.isfinite(best)].reset_index(drop=True)


LINE_COLUMNS = [
    "lifter",
    "level",
    "n_sets",
    "n_loads",
    "low_load_kg",
    "high_load_kg",
    "intercept_m_s",
    "slope_m_s_per_10_kg",
    "slope_u95",
    "sd_m_s",
    "one_rm_kg",
    "one_rm_low_kg",
    "one_rm_high_kg",
    "beyond",
    "general_one_rm_kg",
    "slowest_m_s",
    "reason",
]


def lines(table: pd.DataFrame, by: str = "technique") -> pd.DataFrame:
    """Load-speed line of every lifter, over all setups (level ``""``) and for each.

    Parameters
    ----------
    table : DataFrame
    by : str

    Returns
    -------
    DataFrame
        With `LINE_COLUMNS`. `one_rm_kg` rests on the lifter's own line, `general_one_rm_kg` on the
        published general equation at their heaviest sets; `slowest_m_s` is the slowest complete
        repetition, to be set against the published 0.16 ± 0.04 m/s.
    """
    fastest = fastest_of_sets(table, by)
    slowest = table[usable(table)].groupby("lifter")[SPEED].min()
    rows = []
    for lifter, own in fastest.groupby("lifter", sort=True):
        levels = [""] + [level for level in sorted(own["level"].unique()) if level]
        if len(levels) == 2:
            levels = [""]
        for level in levels:
            part = own if level == "" else own[own["level"] == level]
            rows.append(
                {"lifter": lifter, "level": level, "slowest_m_s": float(slowest[lifter])}
                | _line_row(part)
            )
    return pd.DataFrame(rows, columns=LINE_COLUMNS)


def _line_row(part: pd.DataFrame) -> dict[str, object]:
    line = fit_line(part["load_kg"], part["speed_m_s"], part["session"])
    n_loads = part["load_kg"].nunique()
    shared = float(np.sqrt(np.square(part["common_rel"]).mean())) if len(part) else 0.0
    most = one_rep_max(line, scale_rel_sd=shared, n_loads=n_loads)
    heavy = part[part["load_kg"] == part["load_kg"].max()]
    share = percent_of_max(heavy["speed_m_s"]) / 100
    row: dict[str, object] = {
        "n_sets": len(part),
        "n_loads": n_loads,
        "low_load_kg": float(part["load_kg"].min()),
        "high_load_kg": float(part["load_kg"].max()),
        "one_rm_kg": most.value_kg,
        "one_rm_low_kg": most.low_kg,
        "one_rm_high_kg": most.high_kg,
        "beyond": most.beyond,
        "general_one_rm_kg": float(np.median(heavy["load_kg"] / share)),
        "reason": most.reason,
    }
    if line is not None:
        row |= {
            "intercept_m_s": line.intercept_m_s,
            "slope_m_s_per_10_kg": 10 * line.slope_m_s_kg,
            "slope_u95": 10 * coverage_factor(line.n - 2) * line.slope_sd,
            "sd_m_s": line.sd_m_s,
        }
    return row
