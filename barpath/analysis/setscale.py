"""A clip's heights on the scale that all clips of its set share, and which clip knows a measure.

Every clip knows its own scale, from plates or from the bar's length; held against one another the
clips of a set know one scale better than any of them (`arms3d.combine_scales`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from barpath.ground.uncertainty import expand, grade
from barpath.lift.catalogue import CATALOGUE

HEIGHT_MEASURES = (
    "range_of_motion_m",
    "mean_descent_speed_m_s",
    "mean_press_speed_m_s",
    "peak_press_speed_m_s",
    "mean_propulsive_speed_m_s",
    "sticking_start_height_m",
    "sticking_depth_m",
    "sticking_min_speed_m_s",
)
"""Measures of the bar's height alone, which hang on the scale of the clip's vertical lengths."""


def on_set_scale(
    measures: pd.DataFrame, factor: float, own_rel_sd: float, set_rel_sd: float
) -> pd.DataFrame:
    """Put a clip's measures of the bar's height on the scale of its set.

    Parameters
    ----------
    measures : DataFrame
        Measure table of a clip (see `measures.bar_measures`).
    factor : float
        The clip's heights times the factor are the set's.
    own_rel_sd, set_rel_sd : float
        Relative standard uncertainty of the clip's own scale and of the set's.

    Returns
    -------
    DataFrame
        The table with those measures times the factor. Of their uncertainty the part of the clip's
        scale is replaced by that of the set's; what was missing stays so.

    Examples
    --------
    >>> row = dict(rep=1, measure="range_of_motion_m", side="", value=0.3, unit="m", sd=0.005)
    >>> row |= dict(u95=0.0098, quality="good", reason="", sd_common=0.004)
    >>> out = on_set_scale(pd.DataFrame([row]), 1.01, 0.004 / 0.3, 0.01)
    >>> out[["value", "sd", "sd_common"]].round(5).values.tolist()
    [[0.303, 0.00429, 0.00303]]
    """
    if measures.empty:
        return measures
    table = measures.copy()
    told = table["measure"].isin(HEIGHT_MEASURES) & (table["quality"] != "missing")
    value, sd, common = (
        table.loc[told, name].astype(float) for name in ("value", "sd", "sd_common")
    )
    own = (own_rel_sd * value) ** 2
    new = (set_rel_sd * factor * value) ** 2

    def moved(spread: pd.Series) -> pd.Series:
        return np.sqrt(factor**2 * np.maximum(spread**2 - own, 0.0) + new)

    table.loc[told, "value"] = factor * value
    table.loc[told, "sd"] = moved(sd)
    table.loc[told, "u95"] = [expand(one) for one in moved(sd)]
    table.loc[told, "sd_common"] = moved(common)
    for k in table.index[told]:
        spec = CATALOGUE[str(table.at[k, "measure"])]
        quality = grade(float(table.at[k, "u95"]), spec.good_u95, spec.fair_u95)
        table.loc[k, "quality"] = quality
        if quality == "good":
            table.loc[k, "reason"] = ""
    return table


def surest(
    tables: Sequence[pd.DataFrame], able: Sequence[bool], measure: str, side: str = ""
) -> list[int]:
    """Which clips know a measure, the surest first.

    Parameters
    ----------
    tables : sequence of DataFrame
        Measure tables of the clips.
    able : sequence of bool
        Whether each clip could tell it from where it was taken; of those that do not hold it, these
        come first.
    measure, side : str

    Returns
    -------
    list of int
        All clips, by their median uncertainty.

    Examples
    --------
    >>> row = dict(measure="pause_s", side="", quality="good")
    >>> tables = [pd.DataFrame([row | dict(u95=u95)]) for u95 in (0.03, 0.02)]
    >>> surest(tables, [True, True], "pause_s")
    [1, 0]
    """

    def rank(k: int) -> tuple[bool, float, bool, int]:
        table = tables[k]
        if table.empty:
            return True, math.inf, not able[k], k
        rows = table[(table["measure"] == measure) & (table["side"] == side)]
        u95 = rows.loc[rows["quality"] != "missing", "u95"].astype(float)
        return u95.empty, math.inf if u95.empty else float(u95.median()), not able[k], k

    return sorted(range(len(tables)), key=rank)
