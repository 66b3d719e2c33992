"""Differences between setups over a training block, and how far they can be believed.

Pure functions of the block's table (see `blockstore`). Repetitions of a set are not independent,
nor are sets of a session, so repetitions are averaged to sets, and the interval of a difference
rests on how it varies from session to session: the cluster-robust variance CR2 of Bell and
McCaffrey (2002) with Satterthwaite's degrees of freedom, which holds for few sessions. Setups are
compared at the same load of the same lifter; in a plain paired design the interval is that of the
paired t-test.

References
----------
Weir (2005), J. Strength Cond. Res. 19:231-240. Hedges (1981), J. Educ. Stat.
6:107-128. (All from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse, stats

from barpath.block.blockstore import measure_of, measures_in, usable
from barpath.block.clustered import Floats, Ints, Slope, clustered_slope
from barpath.block.setmeans import Sets, average_sets
from barpath.errors import OptionError
from barpath.ground.uncertainty import coverage_factor
from barpath.lift.catalogue import CATALOGUE

ALL_LIFTERS = "all lifters"
MAX_PAIRS = 6
MIN_REPEAT_DF = 3
TOOL_STAYS = 0.6
"""How much of `tool_u95` stays in a difference however many sets are averaged.

Of made comparisons of four lifters over two and five sessions (`comparisons` among the made clips,
lifters 1 to 4), filmed from one place, from two at once, and each way from another place.
"""
TOOL_ALIKE = 0.5
"""How much of the variance of the tool's own errors two sets of one lifter share that were filmed
from alike, so that it cancels in their difference; of others nothing is taken to cancel.

Of made comparisons of two sets (`joiners` among the made clips, lifters 1, 2, 5, 6, 9, 10, 13, 14,
17 and 18).
"""

COLUMNS = [
    "lifter",
    "measure",
    "side",
    "unit",
    "level_a",
    "level_b",
    "mean_a",
    "mean_b",
    "difference",
    "low",
    "high",
    "dof",
    "p",
    "q",
    "hedges_g",
    "sem",
    "sdc",
    "tool_u95",
    "verdict",
    "level",
    "design",
    "n_reps_a",
    "n_reps_b",
    "n_sets_a",
    "n_sets_b",
    "n_sessions",
    "missing_a",
    "missing_b",
    "poor_share",
    "reason",
]


_BLANK: dict[str, object] = dict.fromkeys(
    COLUMNS[COLUMNS.index("mean_a") : COLUMNS.index("verdict")], np.nan
) | {"verdict": "missing", "level": "", "design": "", "n_sessions": 0}


def levels_of(table: pd.DataFrame, by: str, levels: Sequence[str] = ()) -> list[tuple[str, str]]:
    """Pairs of setups to compare.

    Parameters
    ----------
    table : DataFrame
    by : str
        Column.
    levels : sequence of str
        Those wanted, in the order in which the difference is taken (second less first); all that
        are there if not given.

    Returns
    -------
    list of (str, str)

    Raises
    ------
    OptionError
        There is no such column, or not two setups in it.
    """
    if by not in table.columns or pd.api.types.is_numeric_dtype(table[by]):
        raise OptionError(f"The table has no column of labels {by!r} to compare by.")
    present = sorted(v for v in table[by].unique() if v)
    for level in levels:
        if level not in present:
            raise OptionError(
                f"There is no {by} {level!r} in the table; there are: {', '.join(present) or '-'}."
            )
    wanted = list(levels) or present
    if len(wanted) < 2:
        raise OptionError(f"There must be two values of {by} to compare, not {len(wanted)}.")
    pairs = list(combinations(wanted, 2))
    if len(pairs) > MAX_PAIRS:
        raise OptionError(f"There are {len(wanted)} values of {by}; name two of them to compare.")
    return pairs


def add_period(table: pd.DataFrame, split: str) -> pd.DataFrame:
    """Add a column `period`: ``"before"`` or ``"after"``, the day itself being after."""
    dated = table["date"] != ""
    period = np.where(dated, np.where(table["date"] >= split, "after", "before"), "")
    return table.assign(period=pd.Series(period, index=table.index, dtype="str"))


def compare(
    table: pd.DataFrame,
    by: str = "technique",
    levels: Sequence[str] = (),
    measures: Sequence[str] = (),
) -> pd.DataFrame:
    """Compare setups in every measure, for each lifter and for all together.

    Parameters
    ----------
    table : DataFrame
        The block's table.
    by : str
        Column that tells the setups apart: `technique`, `period`, or a label of the sheet.
    levels : sequence of str
        See `levels_of`.
    measures : sequence of str
        Measure columns; all if not given.

    Returns
    -------
    DataFrame
        One row for each lifter, measure and pair of setups, with `COLUMNS`. Means and the
        difference (b less a) are over the loads that both setups have. `level` says what the
        interval rests on (see `LEVEL_WORDS`), `design` whether loads match. `sem` is the standard
        error of measurement of a set's mean as repeated sets show it, `sdc` the smallest detectable
        change between two sets, ``1.96 sqrt(2) sem`` (Weir 2005). `tool_u95` is how far the tool
        itself may be off in a difference, for measures that rest on joints: the network errs by
        posture, so that neither repeating nor averaging shows it. What ails the bar's measures
        (scale, tilt) either cancels or differs from clip to clip and shows; theirs is 0. The share
        `TOOL_STAYS` of it is part of the interval. Where the interval rests on the repetitions of a
        set against those of another (`level` ``"reps"``) it holds more of the tool's uncertainty:
        what the repetitions share, and of measures that rest on joints all of it. One repetition
        against one (``"one"``) has an interval that holds the tool's uncertainty alone. `verdict`
        is

        - ``"clear"``: the interval excludes 0 and the difference is larger than `sdc`;
        - ``"on average"``: the interval excludes 0, but two single sets could not show it;
        - ``"none seen"``: the whole interval lies within ± `sdc` and includes 0;
        - ``"open"``: the interval includes 0 and more;
        - ``"missing"``: not enough was measured; `reason` says what lacks.

        `q` is `p` adjusted for the number of measures (Benjamini and Hochberg).
    """
    pairs = levels_of(table, by, levels)
    names = list(measures) or measures_in(table)
    for name in names:
        if f"{name}_u95" not in table.columns:
            raise OptionError(f"The table has no measure {name!r}.")
    used = usable(table)
    out = []
    for pair in pairs:
        sets = average_sets(table, by, names, used & table[by].isin(pair).to_numpy())
        lifters = sorted(sets.labels["lifter"].unique())
        groups = [(lifter, sets.labels["lifter"].to_numpy() == lifter) for lifter in lifters]
        if len(lifters) > 1:
            groups.append((ALL_LIFTERS, np.ones(len(sets.labels), bool)))
        for lifter, chosen in groups:
            rows = _compare_group(sets, chosen, pair, names)
            out += [{"lifter": lifter} | row for row in rows]
    result = pd.DataFrame(out, columns=COLUMNS)
    for _, group in result.groupby(["lifter", "level_a", "level_b"], sort=False):
        tested = group.index[np.isfinite(group["p"].to_numpy(float))]
        if len(tested):
            adjusted = stats.false_discovery_control(group.loc[tested, "p"].to_numpy(float))
            result.loc[tested, "q"] = adjusted
    return result


def _compare_group(
    sets: Sets, chosen: NDArray[np.bool_], pair: tuple[str, str], names: Sequence[str]
) -> list[dict[str, object]]:
    rows: list[dict[str, object] | None] = [None] * len(names)
    held = (sets.n > 0) & chosen[:, None]
    # Measures that the same sets hold share a design.
    patterns: dict[bytes, list[int]] = {}
    for column in range(len(names)):
        patterns.setdefault(held[:, column].tobytes(), []).append(column)
    for alike in patterns.values():
        columns = np.array(alike)
        found = _compare_pattern(sets, held[:, alike[0]], columns, pair)
        for column, one in zip(alike, found, strict=True):
            rows[column] = one
    is_b = (sets.labels["level"] == pair[1]).to_numpy()
    done: list[dict[str, object]] = []
    for column, row in enumerate(rows):
        measure, side = measure_of(names[column])
        about: dict[str, object] = {
            "measure": measure,
            "side": side,
            "unit": CATALOGUE[measure].unit if measure in CATALOGUE else "",
            "level_a": pair[0],
            "level_b": pair[1],
        }
        for mark, own in (("a", chosen & ~is_b), ("b", chosen & is_b)):
            n, n_all = sets.n[own, column].sum(), sets.n_all[own].sum()
            about[f"n_reps_{mark}"] = int(n)
            about[f"n_sets_{mark}"] = int((sets.n[own, column] > 0).sum())
            about[f"missing_{mark}"] = float(1 - n / n_all) if n_all else np.nan
        n_held = sets.n[chosen, column].sum()
        share = sets.poor[chosen, column].sum() / n_held if n_held else np.nan
        done.append(about | {"poor_share": float(share)} | (row or {}))
    return done


@dataclass(frozen=True)
class _Design:
    """How sets are compared: which, within what, and what varies."""

    rows: Ints
    stratum: Ints
    cluster: Ints
    level: str
    design: str


def _design(labels: pd.DataFrame, is_b: NDArray[np.bool_]) -> _Design | None:
    """Choose strata and clusters for some sets; None when a setup is missing."""
    n = len(labels)
    session = labels.groupby("session", sort=False).ngroup().to_numpy()
    by_load = labels.groupby(["lifter", "load_kg"], sort=False, dropna=False).ngroup().to_numpy()
    by_lifter = labels.groupby("lifter", sort=False).ngroup().to_numpy()
    in_session = (
        labels.groupby(["session", "load_kg"], sort=False, dropna=False).ngroup().to_numpy()
    )
    known = labels["load_kg"].notna().to_numpy()

    def matched(stratum: Ints) -> NDArray[np.bool_]:
        sides = np.zeros((n, 2))
        np.add.at(sides, (stratum, is_b.astype(int)), 1)
        return sides.min(axis=1)[stratum] > 0

    loads = "same loads" if known.all() else "loads not given"
    both = matched(in_session)
    n_sessions = len(np.unique(session[both]))
    if n_sessions >= 3:
        rows = np.flatnonzero(both)
        return _Design(rows, in_session[rows], session[rows], "sessions", f"{loads}, same session")
    for stratum, design in ((by_load, loads), (by_lifter, "different loads")):
        keep = matched(stratum)
        if not keep.any():
            continue
        rows = np.flatnonzero(keep)
        counts = [len(np.unique(session[rows][is_b[rows] == side])) for side in (False, True)]
        if min(counts) >= 2 and len(np.unique(session[rows])) >= 4:
            return _Design(rows, stratum[rows], session[rows], "sessions", design)
        if both.any() and stratum is by_load:
            rows, stratum = np.flatnonzero(both), in_session
            design = f"{loads}, same session"
        own = stratum[rows]
        n_strata = len(np.unique(own))
        if n_strata >= 3:
            return _Design(rows, own, own, "sets", design)
        counts = [int((is_b[rows] == side).sum()) for side in (False, True)]
        level = "sets" if min(counts) >= 2 and len(rows) - n_strata >= 2 else "reps"
        return _Design(rows, own, rows, level, design)
    return None


def _compare_pattern(
    sets: Sets, pattern: NDArray[np.bool_], columns: Ints, pair: tuple[str, str]
) -> list[dict[str, object]]:
    """Rows of measures that the same sets hold."""
    chosen = np.flatnonzero(pattern)
    labels = sets.labels.iloc[chosen]
    is_b = (labels["level"] == pair[1]).to_numpy()
    absent = [name for name, n in zip(pair, (sum(~is_b), sum(is_b)), strict=True) if not n]
    if absent:
        reason = f"It was not measured in any repetition of {' or '.join(absent)}."
        return [_BLANK | {"reason": reason}] * len(columns)
    design = _design(labels, is_b)
    if design is None:
        return [_BLANK | {"reason": "No lifter did both."}] * len(columns)
    rows = chosen[design.rows]
    x = is_b[design.rows].astype(float)
    tool = _tool_u95(sets, rows, columns)
    slope, half, p = _slopes(sets, design, rows, x, columns, tool)
    alone = ~np.isfinite(half) & (design.level == "reps")
    half = np.where(alone, _tool_alone_u95(sets, rows, x, columns), half)
    mean_a = _matched_mean(sets.mean[np.ix_(rows, columns)], x, design.stratum)
    sem = _repeatability(sets, rows, columns)
    effect = _hedges(sets, rows, x, columns, slope.value)
    n_sessions = sets.labels["session"].iloc[rows].nunique()
    out = []
    for k in range(len(columns)):
        difference, width = float(slope.value[k]), float(half[k])
        sdc = float(coverage_factor() * math.sqrt(2) * sem[k])
        row = _BLANK | {
            "mean_a": float(mean_a[k]),
            "mean_b": float(mean_a[k]) + difference,
            "difference": difference,
            "sem": float(sem[k]),
            "sdc": sdc,
            "tool_u95": float(tool[k]),
            "hedges_g": float(effect[k]),
            "level": "one" if alone[k] else design.level,
            "design": design.design,
            "n_sessions": n_sessions,
            "reason": "",
        }
        if math.isfinite(width):
            row |= {"low": difference - width, "high": difference + width}
            row |= {"dof": slope.dof, "p": float(p[k])}
            row["verdict"] = verdict(difference, width, sdc)
        else:
            row["reason"] = "One set or repetition of each says nothing of how far they vary."
        out.append(row)
    return out


def _slopes(
    sets: Sets, design: _Design, rows: Ints, x: Floats, columns: Ints, tool_u95: Floats
) -> tuple[Slope, Floats, Floats]:
    """Differences, half widths of their 95 % intervals and p-values, one for each column."""
    if design.level != "reps":
        mean = sets.mean[np.ix_(rows, columns)]
        slope = clustered_slope(mean, x, design.stratum, design.cluster)
        if not slope.dof > 0:
            return slope, slope.half_width(), slope.p_value()
        stays = TOOL_STAYS * tool_u95 / coverage_factor(slope.dof)
        slope = replace(slope, sd=np.hypot(slope.sd, stays))
        return slope, slope.half_width(), slope.p_value()
    slope = _rep_slope(sets, rows, x, design.stratum, columns)
    # What a set's repetitions share does not show in how they vary.
    shared = _left(sets, rows) * _of_difference(_shared_variance(sets, rows, columns), x)
    half = np.hypot(slope.half_width(), coverage_factor() * np.sqrt(shared))
    return slope, half, np.full(len(columns), np.nan)


def _left(sets: Sets, rows: Ints) -> float:
    """Share of the variance of the tool's own errors that does not cancel between the sets."""
    views = sets.labels["view"].iloc[rows]
    return 1.0 - TOOL_ALIKE if views.iloc[0] and views.nunique() == 1 else 1.0


def _of_difference(variance: Floats, x: Floats) -> Floats:
    """Variance of the difference of both setups' means, from those of sets, (sets, measures)."""
    sides = [variance[x == side].sum(axis=0) / (x == side).sum() ** 2 for side in (0, 1)]
    return np.asarray(np.sum(sides, axis=0))


def _shared_variance(sets: Sets, rows: Ints, columns: Ints) -> Floats:
    """What of the tool's own variance a set's repetitions share, (sets, measures).

    Where joints err by posture that is all of it, for the set's repetitions are of one posture.
    """
    at = np.ix_(rows, columns)
    own = np.where(sets.by_joints[columns], sets.random[at], 0.0)
    return np.asarray(np.square(sets.common[at]) + np.square(own))


def _tool_variance(sets: Sets, rows: Ints, columns: Ints) -> Floats:
    """All of the tool's own variance of each set's measures, (sets, measures)."""
    at = np.ix_(rows, columns)
    return np.asarray(np.square(sets.common[at]) + np.square(sets.random[at]))


def _tool_alone_u95(sets: Sets, rows: Ints, x: Floats, columns: Ints) -> Floats:
    """How far the tool may be off in a difference of single repetitions, of any measure."""
    shared = _shared_variance(sets, rows, columns)
    own = _tool_variance(sets, rows, columns) - shared
    variance = _left(sets, rows) * _of_difference(shared, x) + _of_difference(own, x)
    return np.asarray(coverage_factor() * np.sqrt(variance))


def _tool_u95(sets: Sets, rows: Ints, columns: Ints) -> Floats:
    """How far the tool may be off in a difference, beyond what repeating shows."""
    variance = _tool_variance(sets, rows, columns).mean(axis=0)
    u95 = coverage_factor() * math.sqrt(2) * np.sqrt(variance)
    return np.where(sets.by_joints[columns], u95, 0.0)


def verdict(difference: float, half_width: float, sdc: float) -> str:
    """What a difference comes to; see `compare`.

    Examples
    --------
    >>> verdict(3.0, 1.0, 2.0), verdict(1.5, 1.0, 2.0), verdict(0.2, 1.0, 2.0), verdict(0.2, 9., 2.)
    ('clear', 'on average', 'none seen', 'open')
    """
    if abs(difference) > half_width:
        return "clear" if abs(difference) > sdc else "on average"
    return "none seen" if abs(difference) + half_width <= sdc else "open"


def _rep_slope(sets: Sets, rows: Ints, x: Floats, stratum: Ints, columns: Ints) -> Slope:
    place = np.full(len(sets.labels), -1)
    place[rows] = np.arange(len(rows))
    own = place[sets.set_of_rep]
    values = sets.reps[:, columns]
    keep = (own >= 0) & np.isfinite(values).any(axis=1)
    out = []
    for k in range(len(columns)):
        held = keep & np.isfinite(values[:, k])
        at = own[held]
        out.append(clustered_slope(values[held, k], x[at], stratum[at], np.arange(held.sum())))
    dofs = [s.dof for s in out]
    return Slope(
        np.concatenate([s.value for s in out]),
        # Each has degrees of freedom of its own; the widths are made right for the least.
        np.array(
            [
                s.sd[0] * coverage_factor(s.dof) / coverage_factor(np.nanmin(dofs))
                if s.dof > 0
                else np.nan
                for s in out
            ]
        ),
        float(np.nanmin(dofs)) if np.isfinite(dofs).any() else np.nan,
        len(rows),
    )


def _matched_mean(mean: Floats, x: Floats, stratum: Ints) -> Floats:
    """Mean of the first setup over the strata, weighted as the slope weights their differences."""
    _, own = np.unique(stratum, return_inverse=True)
    n_b = np.bincount(own, x)
    n_a = np.bincount(own, 1 - x)
    weight = n_a * n_b / (n_a + n_b)
    per_set = np.where(x == 0, (weight / np.maximum(n_a, 1))[own], 0.0)
    return per_set @ mean / weight.sum()


def _repeatability(sets: Sets, rows: Ints, columns: Ints) -> Floats:
    """Standard error of measurement of a set's mean, shape (columns,).

    From sets that a lifter repeated with the same load and setup, where there are enough of them;
    from the spread of repetitions within sets and the tool's own uncertainty otherwise.
    """
    labels = sets.labels.iloc[rows]
    cell = labels.groupby(["lifter", "load_kg", "level"], sort=False, dropna=False).ngroup()
    own = cell.to_numpy()
    mean = sets.mean[np.ix_(rows, columns)]
    n_cell = np.bincount(own)
    dof = len(rows) - len(n_cell)
    member = sparse.csr_matrix((np.ones(len(own)), (own, np.arange(len(own)))))
    if dof >= MIN_REPEAT_DF:
        centre = (member @ mean / n_cell[:, None])[own]
        return np.sqrt(np.square(mean - centre).sum(axis=0) / dof)
    n = sets.n[np.ix_(rows, columns)]
    dof_reps = (n - 1).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        within = sets.squares[np.ix_(rows, columns)].sum(axis=0) / dof_reps
    own_noise = np.square(sets.random[np.ix_(rows, columns)]).mean(axis=0)
    within = np.where(dof_reps > 0, np.maximum(within, own_noise), own_noise)
    shared = np.square(sets.common[np.ix_(rows, columns)]).mean(axis=0)
    return np.sqrt(within * (1 / n).mean(axis=0) + shared)


def _hedges(sets: Sets, rows: Ints, x: Floats, columns: Ints, difference: Floats) -> Floats:
    """Hedges' g: the difference in units of the spread of repetitions, corrected for small numbers.

    The spread is that of single repetitions of one lifter, load and setup, over all sessions.
    """
    labels = sets.labels.iloc[rows]
    cell = labels.groupby(["lifter", "load_kg", "level"], sort=False, dropna=False).ngroup()
    own = cell.to_numpy()
    n = sets.n[np.ix_(rows, columns)]
    mean = sets.mean[np.ix_(rows, columns)]
    member = sparse.csr_matrix((np.ones(len(own)), (own, np.arange(len(own)))))
    centre = (member @ (n * mean) / (member @ n))[own]
    squares = sets.squares[np.ix_(rows, columns)] + n * np.square(mean - centre)
    dof = n.sum(axis=0) - member.shape[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = np.sqrt(squares.sum(axis=0) / dof)
        g = difference / spread * (1 - 3 / (4 * dof - 1))
    return np.where((dof >= 2) & (spread > 0), g, np.nan)
