"""Rows of the table for a set that several clips show, measured from all of them together.

What the joint measurement gives (see `pairset`) comes from there; what one view alone can tell,
such as speeds from the bar's height, from the clip that knows it best, on the scale of all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from barpath.analysis import pairset
from barpath.analysis.config import PairConfig
from barpath.analysis.pairset import PairResult
from barpath.analysis.pairtimes import reps_met
from barpath.analysis.setresult import SetResult
from barpath.analysis.setscale import surest
from barpath.block.blockstore import (
    MEASURE_ENDS,
    SEVERAL,
    measure_columns,
    measure_of,
    rep_rows,
)
from barpath.errors import OptionError
from barpath.lift.catalogue import CATALOGUE
from barpath.space.pairing import AMBIGUOUS

JOINT_NAMES = {
    "elbow_abduction_deg": "elbow_abduction_deg",
    "tuck_deg": "tuck_deg",
    "wrist_over_elbow_m": "wrist_over_elbow_m",
    "forearm_lean_deg": "forearm_lean_deg",
    "touch_over_shoulders_m": "touch_point_height_m",
    "touch_toward_hips_m": "touch_point_to_shoulder_m",
    "drift_touch_to_lockout_m": "drift_touch_to_lockout_m",
}
"""Measures of `pairset.CATALOGUE` that are measures of the table, by their names there."""
JOINT_TIMES = ("start_s", "touch_s", "press_s", "lockout_s")

Row = dict[str, Any]


def measure_together(clips: Sequence[SetResult], config: PairConfig | None = None) -> list[Row]:
    """Measure the clips of one set together.

    Parameters
    ----------
    clips : sequence of SetResult
        Two or more of them.
    config : PairConfig, optional

    Returns
    -------
    list of dict
        As `blockstore.rep_rows`, one a repetition of the set. Times are on the clock of the clip
        from the feet, or of the first one.

    Raises
    ------
    OptionError
        They cannot be joined: the sentence says why.
    """
    config = config or PairConfig()
    return set_rows(pairset.measure_clips(clips, config=config), config)


def set_rows(joined: PairResult, config: PairConfig | None = None) -> list[Row]:
    """Rows of the table for a set, without the labels of the block's sheet.

    Parameters
    ----------
    joined : PairResult
    config : PairConfig, optional

    Returns
    -------
    list of dict
        As `measure_together`.

    Raises
    ------
    OptionError
        Which repetitions of the clips belong together is not sure, or they are not the same.
    """
    same = _same_repetitions(joined, config or PairConfig())
    seen = [
        {row["rep"]: row for row in rep_rows(replace(clip, measures=measures))}
        for clip, measures in zip(joined.clips, joined.own, strict=True)
    ]
    own = [[rows[rep] for rep in reps] for rows, reps in zip(seen, same, strict=True)]
    views = [clip.view for clip in joined.clips]
    best = {}
    for name in _columns(own):
        measure, side = measure_of(name)
        able = [view in CATALOGUE[measure].views for view in views]
        best[name] = surest(joined.own, able, measure, side)[0]
    times = joined.reps.set_index("rep")
    together = _joint_measures(joined.measures)
    out = []
    for k, row in enumerate(own[0]):
        many = [rows[k] for rows in own]
        new: Row = {key: row[key] for key in row if _measure_in(key) not in best}
        new |= {"view": SEVERAL, "cut": next((r["cut"] for r in many if r["cut"]), "")}
        new |= {name: _number(times.at[row["rep"], name]) for name in JOINT_TIMES}
        new["touch_and_go"] = all(r["touch_and_go"] for r in many)
        for name, at in best.items():
            new |= {f"{name}{end}": many[at].get(f"{name}{end}") for end in MEASURE_ENDS}
            joint = together.get((row["rep"], name))
            if joint is not None and (joint[name] is not None or new[name] is None):
                new |= joint
        out.append(new)
    return out


def _same_repetitions(joined: PairResult, config: PairConfig) -> list[list[int]]:
    """Numbers of the set's repetitions in each clip, in the same order."""
    first = joined.clips[0]
    numbers = [first.reps["rep"].astype(int).tolist()]
    for other, sync in zip(joined.clips[1:], joined.syncs, strict=True):
        if sync.verdict == AMBIGUOUS:
            raise OptionError(
                "Which repetitions of its clips belong together is not sure, for they look alike."
            )
        if len(other.reps) != len(first.reps):
            raise OptionError(
                f"Its clips do not show the same repetitions: {len(first.reps)} in one,"
                f" {len(other.reps)} in another."
            )
        met = pd.Series(reps_met(first.reps, other.reps, sync.lag_s, config.match_s))
        kinds = other.reps.set_index("rep")["kind"]
        if met.isna().any() or met.duplicated().any():
            raise OptionError("Its clips do not show the same repetitions.")
        if kinds[met.astype(int)].tolist() != first.reps["kind"].tolist():
            raise OptionError("A repetition is complete in one of its clips and not in another.")
        numbers.append(met.astype(int).tolist())
    return numbers


def _columns(own: Sequence[Sequence[Row]]) -> list[str]:
    """Measures of the table that any of the clips tells of."""
    told = {key.removesuffix("_quality") for rows in own for row in rows for key in row}
    return [name for name in measure_columns() if name in told]


def _measure_in(key: str) -> str:
    """The measure that a column belongs to."""
    for end in sorted(MEASURE_ENDS, key=len, reverse=True):
        if end and key.endswith(end):
            return key.removesuffix(end)
    return key


def _joint_measures(measures: pd.DataFrame) -> Mapping[tuple[int, str], Row]:
    """What the joint measurement gives, as columns of the table, by repetition and measure."""
    out = {}
    for row in measures[measures["measure"].isin(list(JOINT_NAMES))].itertuples():
        name = JOINT_NAMES[row.measure] + (f"_{row.side}" if row.side else "")
        out[int(row.rep), name] = {
            name: _number(row.value),
            f"{name}_u95": _number(row.u95),
            # How much of it the repetitions share is not told apart, so all of it counts as that.
            f"{name}_common_u95": _number(row.u95),
            f"{name}_quality": row.quality,
            f"{name}_reason": row.reason,
        }
    return out


def _number(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None
