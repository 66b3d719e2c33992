"""How a lifter's technique drifts over a block, and repetitions that are far from their usual.

Slopes with load, from repetition to repetition and from day to day come from the same estimator as
`compare`; flags from a robust z-score: distance from the lifter's own median in units of the scaled
median absolute deviation, flagged beyond 3.5 (Iglewicz & Hoaglin 1993, "How to Detect and Handle
Outliers", ASQC; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from barpath.block.blockstore import measure_of, measures_in, usable
from barpath.block.clustered import clustered_slope
from barpath.block.setmeans import average_sets
from barpath.ground.uncertainty import MAD_TO_SD, coverage_factor, state
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit

FLAG_Z = 3.5
MIN_FOR_FLAGS = 8

TREND_COLUMNS = [
    "lifter",
    "measure",
    "side",
    "unit",
    "with",
    "slope",
    "low",
    "high",
    "dof",
    "span",
    "change",
    "reason",
]
WITH_WORDS = {
    "load": "10 kg more load",
    "rep": "each further repetition of a set",
    "week": "each further week",
}


def trends(
    table: pd.DataFrame, by: str = "technique", measures: Sequence[str] = ()
) -> pd.DataFrame:
    """Slopes of every measure with load, repetition and week, for each lifter.

    Parameters
    ----------
    table : DataFrame
        The block's table.
    by : str
        Column with the setups; slopes are taken within one setup.
    measures : sequence of str
        All if not given.

    Returns
    -------
    DataFrame
        With `TREND_COLUMNS`. `slope` is per 10 kg (within a day and setup), per repetition (within
        a set) or per week (within load and setup), with its 95 % interval; the interval rests on
        sessions where there are three, on sets otherwise. `span` is the range of loads,
        repetitions or weeks in the same steps, `change` the slope times it.
    """
    names = list(measures) or measures_in(table)
    sets = average_sets(table, by, names, usable(table))
    labels = sets.labels
    days = pd.to_datetime(labels["session"].map(_date_by_session(table)), errors="coerce")
    weeks = ((days - days.min()).dt.days / 7).to_numpy(float)
    load = labels["load_kg"].to_numpy(float) / 10
    session = labels.groupby("session", sort=False).ngroup().to_numpy()
    in_day = labels.groupby(["session", "level"], sort=False).ngroup().to_numpy()
    keys = ["lifter", "level", "load_kg"]
    in_load = labels.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    number = table["rep"].to_numpy(float)[usable(table)]
    rows = []
    for lifter in sorted(labels["lifter"].unique()):
        own = (labels["lifter"] == lifter).to_numpy()
        own_rep = own[sets.set_of_rep]
        for k, name in enumerate(names):
            held = own & (sets.n[:, k] > 0)
            y = sets.mean[:, k]
            at = own_rep & np.isfinite(sets.reps[:, k])
            of = sets.set_of_rep[at]
            few = len(np.unique(session[held])) < 3
            cluster = np.arange(len(labels)) if few else session
            dated = held & np.isfinite(weeks)
            loaded = held & np.isfinite(load)
            for what, slope_of in (
                ("load", (y[loaded], load[loaded], in_day[loaded], cluster[loaded])),
                ("rep", (sets.reps[at, k], number[at], of, cluster[of])),
                ("week", (y[dated], weeks[dated], in_load[dated], session[dated])),
            ):
                rows.append({"lifter": lifter, **_about(name), "with": what, **_trend(*slope_of)})
    return pd.DataFrame(rows, columns=TREND_COLUMNS)


def _date_by_session(table: pd.DataFrame) -> dict[str, str]:
    first = table.drop_duplicates("session")
    return dict(zip(first["session"], first["date"], strict=True))


def _about(name: str) -> dict[str, str]:
    measure, side = measure_of(name)
    unit = CATALOGUE[measure].unit if measure in CATALOGUE else ""
    return {"measure": measure, "side": side, "unit": unit}


def _trend(
    y: np.ndarray, x: np.ndarray, stratum: np.ndarray, cluster: np.ndarray
) -> dict[str, object]:
    blank = dict.fromkeys(["slope", "low", "high", "dof", "span", "change"], np.nan)
    if not len(y):
        return blank | {"reason": "It was not measured."}
    slope = clustered_slope(y, x, stratum, cluster)
    half = float(slope.half_width()[0])
    # With hardly one degree of freedom the interval says nothing.
    if not np.isfinite(half) or slope.dof < 1.5:
        return blank | {"reason": "There are too few sets or days to tell."}
    value, span = float(slope.value[0]), float(np.ptp(x))
    return {
        "slope": value,
        "low": value - half,
        "high": value + half,
        "dof": slope.dof,
        "span": span,
        "change": value * span,
        "reason": "",
    }


def trend_in_words(row: pd.Series) -> str:
    """Say a trend whose interval excludes no change; ``""`` for others.

    Parameters
    ----------
    row : Series
        Of `trends`.

    Returns
    -------
    str
    """
    if not row["low"] * row["high"] > 0:
        return ""
    factor, unit = shown_unit(row["unit"])
    label = measure_label(row["measure"]) + (f" ({row['side']})" if row["side"] else "")
    amount = state(abs(factor * row["slope"]), factor * (row["high"] - row["low"]) / 2, unit)
    way = "rises" if row["slope"] > 0 else "falls"
    return f"{label} {way} by {amount} with {WITH_WORDS[row['with']]}."


FLAG_COLUMNS = [
    "lifter",
    "session",
    "clip",
    "rep",
    "level",
    "load_kg",
    "measure",
    "side",
    "unit",
    "value",
    "u95",
    "usual",
    "z",
]


def flags(table: pd.DataFrame, by: str = "technique", measures: Sequence[str] = ()) -> pd.DataFrame:
    """Repetitions that are far from the lifter's own usual.

    What is usual is the line of Theil and Sen through the sets' medians against load, for one
    lifter and setup; the spread is the median absolute deviation from it, but no less than the
    tool's own uncertainty of the repetition.

    Parameters
    ----------
    table : DataFrame
        The block's table.
    by : str
    measures : sequence of str
        All if not given.

    Returns
    -------
    DataFrame
        With `FLAG_COLUMNS`, the farthest first. Poor values raise no flags, and none is raised on
        fewer than eight repetitions.
    """
    used = table[usable(table)]
    names = list(measures) or measures_in(table)
    rows = []
    for (lifter, level), part in used.groupby(["lifter", by], sort=True):
        load = part["load_kg"].to_numpy(float)
        for name in names:
            value = part[name].to_numpy(float)
            u95 = part[f"{name}_u95"].to_numpy(float)
            good = np.isfinite(value) & (part[f"{name}_quality"] != "poor").to_numpy()
            if good.sum() < MIN_FOR_FLAGS:
                continue
            usual = _usual(value, load, part["set_id"].to_numpy(), good)
            away = value - usual
            mad = MAD_TO_SD * float(np.median(np.abs(away[good])))
            spread = np.maximum(mad, np.nan_to_num(u95) / coverage_factor())
            with np.errstate(invalid="ignore", divide="ignore"):
                z = away / spread
            for at in np.flatnonzero(good & (np.abs(z) > FLAG_Z)):
                row = part.iloc[at]
                rows.append(
                    {"lifter": lifter, "level": level, **_about(name)}
                    | {key: row[key] for key in ("session", "clip", "rep", "load_kg")}
                    | {"value": value[at], "u95": u95[at], "usual": usual[at], "z": z[at]}
                )
    found = pd.DataFrame(rows, columns=FLAG_COLUMNS)
    order = found["z"].abs().sort_values(ascending=False, kind="stable").index
    return found.loc[order].reset_index(drop=True)


def _usual(value: np.ndarray, load: np.ndarray, set_id: np.ndarray, good: np.ndarray) -> np.ndarray:
    """The value expected at each repetition's load, robustly."""
    known = good & np.isfinite(load)
    sets = pd.DataFrame({"set": set_id[known], "load": load[known], "value": value[known]})
    medians = sets.groupby("set").median()
    slope = 0.0
    if medians["load"].nunique() >= 3:
        slope = float(stats.theilslopes(medians["value"], medians["load"]).slope)
    tilt = slope * np.where(np.isfinite(load), load, np.median(load[known]) if known.any() else 0.0)
    return tilt + float(np.median((value - tilt)[good]))
