"""The measure table read another way: a row a repetition, and the summary of a set."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from barpath.ground.uncertainty import combine, expand, mean_over_reps
from barpath.lift.catalogue import CATALOGUE


def wide(measures: pd.DataFrame) -> pd.DataFrame:
    """One row a repetition instead of one a measure.

    Parameters
    ----------
    measures : pandas.DataFrame
        Measure table.

    Returns
    -------
    pandas.DataFrame
        ``rep`` and, for each measure, ``name``, ``name_u95`` and ``name_quality``; of measures for
        each arm ``name_left``, ``name_left_u95``, … in the order of `CATALOGUE`.
    """
    columns = ["rep"]
    present = set(measures["measure"])
    for spec in CATALOGUE.values():
        if spec.name in present:
            sides = ("_left", "_right") if spec.per_side else ("",)
            for side in sides:
                columns += [f"{spec.name}{side}{end}" for end in ("", "_u95", "_quality")]
    rows: dict[int, dict[str, Any]] = {}
    for row in measures.itertuples():
        name = f"{row.measure}_{row.side}" if row.side else row.measure
        rows.setdefault(row.rep, {"rep": row.rep}).update(
            {name: row.value, f"{name}_u95": row.u95, f"{name}_quality": row.quality}
        )
    return pd.DataFrame(list(rows.values()), columns=columns)


def summarise(measures: pd.DataFrame, reps: pd.DataFrame) -> pd.DataFrame:
    """Mean, spread and range of each measure over the complete repetitions.

    Parameters
    ----------
    measures : pandas.DataFrame
        Measure table.
    reps : pandas.DataFrame
        Rep table, for the kinds.

    Returns
    -------
    pandas.DataFrame
        ``measure, side, unit, n, mean, mean_u95, sd, min, max`` over the complete repetitions that
        have the value; `mean_u95` counts what is common to all repetitions in full; `sd` is
        the sample standard deviation between repetitions, NaN for fewer than two. The last row,
        ``speed_loss``, has as its mean the loss of mean press speed in per cent from the first to
        the last complete repetition, negative when the last is faster; the scale cancels in it.
    """
    complete = reps.loc[reps["kind"] == "complete", "rep"]
    used = measures[measures["rep"].isin(complete) & (measures["quality"] != "missing")]
    rows = []
    for (name, side), group in _in_order(measures, used):
        row = {"measure": name, "side": side, "unit": CATALOGUE[name].unit, "n": len(group)}
        values = group["value"].to_numpy(dtype=float)
        if len(values):
            common = group["sd_common"].to_numpy(dtype=float)
            random = np.sqrt(np.maximum(group["sd"].to_numpy(dtype=float) ** 2 - common**2, 0.0))
            mean, sd = mean_over_reps(values, random, common)
            row |= {"mean": mean, "mean_u95": expand(sd), "min": values.min(), "max": values.max()}
            row["sd"] = float(np.std(values, ddof=1)) if len(values) > 1 else math.nan
        rows.append(row)
    rows.append(_speed_loss(used))
    columns = ["measure", "side", "unit", "n", "mean", "mean_u95", "sd", "min", "max"]
    return pd.DataFrame(rows, columns=columns)


def _in_order(
    measures: pd.DataFrame, used: pd.DataFrame
) -> Iterable[tuple[tuple[str, str], pd.DataFrame]]:
    """Rows of `used` for every measure and side that `measures` knows, in its order."""
    for name, side in dict.fromkeys(zip(measures["measure"], measures["side"], strict=True)):
        yield (name, side), used[(used["measure"] == name) & (used["side"] == side)]


def _speed_loss(used: pd.DataFrame) -> dict[str, Any]:
    """Row of the loss of mean press speed from first to last repetition, in per cent."""
    row: dict[str, Any] = {"measure": "speed_loss", "side": "", "unit": "%", "n": 0}
    speed = used[used["measure"] == "mean_press_speed_m_s"].sort_values("rep")
    if len(speed) < 2:
        return row
    ends: Sequence[Any] = list(speed.iloc[[0, -1]].itertuples())
    ratio = ends[1].value / ends[0].value
    relative = [math.sqrt(max(e.sd**2 - e.sd_common**2, 0.0)) / e.value for e in ends]
    sd = 100 * ratio * combine(*relative)
    return row | {"n": len(speed), "mean": 100 * (1 - ratio), "mean_u95": expand(sd)}
