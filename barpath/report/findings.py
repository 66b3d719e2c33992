"""What a set shows, in sentences: how the bar moved, and what differs by more than it may err."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from barpath.analysis.setresult import SetResult
from barpath.ground.uncertainty import state, state_width
from barpath.lift.catalogue import measure_label, shown_unit
from barpath.report.facts import sideways_words

_HORIZONTAL = "drift_touch_to_lockout_m"
MAX_FINDINGS = 10
REPEATED = {"tuck_deg", "mean_propulsive_speed_m_s"}
"""Measures that say the same as another one, and are not put into words twice."""


def findings(result: SetResult, limit: int = MAX_FINDINGS) -> list[str]:
    """Put into words what was measured, and which differences are larger than their uncertainty.

    Parameters
    ----------
    result : SetResult
        A measured set.
    limit : int
        At most this many differences.

    Returns
    -------
    list of str
        Plain-language sentences (not escaped). A difference is named only when it is larger than
        the half width of its 95 % interval, taken from both intervals as if they were independent;
        what both share, such as the scale, then makes the interval wider than it need be.
    """
    table = measured_rows(result)
    table = table[(table["quality"] != "poor") & ~table["measure"].isin(REPEATED)]
    # That a failed repetition differs from a whole one goes without saying.
    whole = result.reps.loc[result.reps["kind"] == "complete", "rep"]
    table = table[table["rep"].isin(whole)]
    return _across(result) + _differences(table, limit)


def _across(result: SetResult) -> list[str]:
    """How far the bar moved along the lifter in each repetition, from touch to lockout."""
    if not result.shows.along:
        return []
    table = measured_rows(result)
    rows = table[(table["measure"] == _HORIZONTAL) & (table["quality"] != "poor")]
    said = []
    for _, row in rows.sort_values("rep").iterrows():
        words = sideways_words(result)[0 if row["value"] > 0 else 1]
        factor, unit = shown_unit(row["unit"])
        if abs(row["value"]) > row["u95"]:
            said.append((words, f"{quantity({**row, 'value': abs(row['value'])})}", row["rep"]))
        else:
            less = state_width(factor * row["u95"], unit)
            said.append(("either way", f"no more than {less}", row["rep"]))
    if not said:
        return []
    ways = {way for way, _, _ in said}
    if len(ways) == 1 and len(said) > 1:
        each = ", ".join(f"{amount} on rep {rep}" for _, amount, rep in said)
        return [f"From touch to lockout the bar moved {ways.pop()} on every rep: {each}."]
    each = ", ".join(f"{amount} {way} on rep {rep}" for way, amount, rep in said)
    return [f"From touch to lockout the bar moved {each}."]


def _differences(table: pd.DataFrame, limit: int) -> list[str]:
    ranked: list[tuple[float, str]] = []
    for (name, side), part in table.groupby(["measure", "side"], sort=False):
        part = part.sort_values("rep")
        first, last = part.iloc[0], part.iloc[-1]
        change, u95 = last["value"] - first["value"], math.hypot(first["u95"], last["u95"])
        if len(part) < 2 or not abs(change) > u95:
            continue
        way = "up" if change > 0 else "down"
        ranked.append(
            (
                abs(change) / u95,
                f"{_label(name, side)} went {way} from {quantity(first)} on rep {first['rep']} to "
                f"{quantity(last)} on rep {last['rep']}.",
            )
        )
    for name, part in table[table["side"] != ""].groupby("measure", sort=False):
        both = part.pivot_table(index="rep", columns="side", values=["value", "u95"]).dropna()
        if not len(both) or both["value"].shape[1] < 2:
            continue
        # What the repetitions have in common does not average out, so the mean keeps the full u95.
        gap = float((both["value"]["left"] - both["value"]["right"]).mean())
        u95 = math.hypot(both["u95"]["left"].mean(), both["u95"]["right"].mean())
        if not abs(gap) > u95:
            continue
        factor, unit = shown_unit(str(part["unit"].iloc[0]))
        text = state(abs(factor * gap), factor * u95, unit)
        more, less = ("left", "right") if gap > 0 else ("right", "left")
        n = len(both)
        ranked.append(
            (
                abs(gap) / u95,
                f"{_label(name)}: the {more} side shows {text} more than "
                f"the {less}, on average over {n} rep{'s' if n > 1 else ''}.",
            )
        )
    ranked.sort(key=lambda item: -item[0])
    return [sentence for _, sentence in ranked[:limit]]


def measured_rows(result: SetResult) -> pd.DataFrame:
    """Rows of the measure table that have a value."""
    table = result.measures
    if not len(table):
        return pd.DataFrame(columns=["rep", "measure", "side", "value", "unit", "u95", "quality"])
    ok = np.isfinite(table["value"].astype(float)) & (table["quality"] != "missing")
    return table[ok]


def _label(name: str, side: str = "") -> str:
    return measure_label(name) + (f" ({side})" if side else "")


def quantity(row: Any) -> str:
    """A row of a measure table as value, uncertainty and unit."""
    factor, unit = shown_unit(row["unit"])
    return state(factor * row["value"], factor * row["u95"], unit)
