"""Differences between setups over a training block, and how far they can be believed.

Pure functions of the block's table (see `blockstore`). Repetitions of a set are not independent,
nor are sets of a session, so repetitions are averaged to sets, and the interval of a difference
rests on how it varies from session to session: the cluster-robust variance CR2 of Bell and
McCaffrey (2002) with Satterthwaite's degrees of freedom, which holds for few sessions. Setups are
compared at the same load of the same lifter; in a plain paired design the interval is that of the
paired t-test.

References
----------
Bell & McCaffrey (2002), Survey Methodology 28:169-181. Pustejovsky & Tipton (2018), J. Bus. Econ.
Stat. 36:672-683. Weir (2005), J. Strength Cond. Res. 19:231-240. Hedges (1981), J. Educ. Stat.
6:107-128. (All from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import sparse, stats

from barpath.block.blockstore import best_view, measure_of, measures_in, usable
from barpath.errors import OptionError
from barpath.ground.uncertainty import coverage_factor, rounded, state, state_width
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ALL_LIFTERS = "all lifters"
MAX_PAIRS = 6
MIN_REPEAT_DF = 3

LEVEL_WORDS = {
    "sessions": "rests on how the difference varies from session to session",
    "sets": "rests on sets of too few sessions: it speaks for those days only",
    "reps": "rests on repetitions of too few sets: it speaks for those sets only",
}


@dataclass(frozen=True)
class Slope:
    """Slopes with their cluster-robust uncertainty, one for each column of `y`.

    Attributes
    ----------
    value, sd : ndarray, shape (m,)
        Change of `y` for a change of `x` by 1, and its standard error.
    dof : float
        Satterthwaite's degrees of freedom; NaN when there is no estimate of the variance.
    n_clusters : int
        Clusters that bear on the slope.
    """

    value: Floats
    sd: Floats
    dof: float
    n_clusters: int

    def half_width(self, probability: float = 0.95) -> Floats:
        """Half width of the interval, shape (m,)."""
        if not self.dof > 0:
            return np.full(len(self.value), np.nan)
        return self.sd * coverage_factor(self.dof, probability)

    def p_value(self) -> Floats:
        """Two-sided, against no slope, shape (m,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return 2 * stats.t.sf(np.abs(self.value) / self.sd, self.dof)


def clustered_slope(y: ArrayLike, x: ArrayLike, stratum: ArrayLike, cluster: ArrayLike) -> Slope:
    """Slope of `y` on `x` within strata, with a variance that allows for alike observations.

    The model is ``y = a[stratum] + b x + e``, where errors of one cluster may depend on each other
    in any way. The variance of ``b`` is CR2 with the identity as working covariance, its degrees of
    freedom those of Bell and McCaffrey.

    Parameters
    ----------
    y : array_like, shape (n,) or (n, m)
        Without gaps.
    x : array_like, shape (n,)
        A number, or 0 and 1 for two setups.
    stratum, cluster : array_like of int, shape (n,)

    Returns
    -------
    Slope

    Examples
    --------
    Three sessions with both setups each give the paired t-test:

    >>> slope = clustered_slope([1, 2, 2, 4, 3, 4.5], [0, 1] * 3, [0, 0, 1, 1, 2, 2],
    ...                         [0, 0, 1, 1, 2, 2])
    >>> float(slope.value[0]), round(float(slope.sd[0]), 4), round(slope.dof, 6)
    (1.5, 0.2887, 2.0)
    """
    y = np.asarray(y, dtype=float)
    y = y[:, None] if y.ndim == 1 else y
    x = np.asarray(x, dtype=float)
    stratum = np.unique(np.asarray(stratum), return_inverse=True)[1]
    n_in = np.bincount(stratum).astype(float)
    xt = x - (np.bincount(stratum, x) / n_in)[stratum]
    member = sparse.csr_matrix((np.ones(len(x)), (stratum, np.arange(len(x)))))
    yt = y - (member @ y / n_in[:, None])[stratum]
    spread = float(xt @ xt)
    nothing = np.full(y.shape[1], np.nan)
    if not spread > 1e-12 * max(1.0, float(x @ x)):
        return Slope(nothing, nothing, np.nan, 0)
    value = xt @ yt / spread
    residual = yt - xt[:, None] * value
    clusters, cluster = np.unique(np.asarray(cluster), return_inverse=True)
    weight = _adjusted_weights(xt, spread, stratum, n_in, cluster) / spread
    group = sparse.csr_matrix((weight, (cluster, np.arange(len(x)))), (len(clusters), len(x)))
    variance = np.square(group @ residual).sum(axis=0)
    by_stratum = group @ member.T @ sparse.diags_array(1 / np.sqrt(n_in))
    along = group @ xt / math.sqrt(spread)
    below = sparse.hstack([by_stratum, sparse.csr_matrix(along[:, None])]).tocsr()
    own = np.bincount(cluster, weight**2, len(clusters))
    in_own = np.asarray(below.multiply(below).sum(axis=1)).ravel()
    cross = below.T @ below
    squares = (own**2).sum() - 2 * (own * in_own).sum() + cross.multiply(cross).sum()
    trace = (own - in_own).sum()
    bearing = int((np.bincount(cluster, xt**2, len(clusters)) > 1e-12 * spread).sum())
    good = trace > 1e-9 / spread and squares > 0
    return Slope(
        value,
        np.sqrt(variance) if good else nothing,
        float(trace**2 / squares) if good else np.nan,
        bearing,
    )


def _adjusted_weights(
    xt: Floats, spread: float, stratum: Ints, n_in: Floats, cluster: Ints
) -> Floats:
    """The regressor times each cluster's ``(I - H)^(-1/2)``, shape (n,)."""
    out = np.zeros(len(xt))
    order = np.argsort(cluster, kind="stable")
    sizes = np.bincount(cluster)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    for size in np.unique(sizes):
        rows = order[starts[sizes == size][:, None] + np.arange(size)]
        own = stratum[rows]
        same = own[:, :, None] == own[:, None, :]
        hat = same / n_in[own][:, :, None]
        hat = hat + xt[rows][:, :, None] * xt[rows][:, None, :] / spread
        values, vectors = np.linalg.eigh(np.eye(size) - hat)
        root = np.zeros_like(values)
        seen = values > 1e-9
        root[seen] = 1 / np.sqrt(values[seen])
        turned = np.einsum("gji,gj->gi", vectors, xt[rows])
        out[rows] = np.einsum("gij,gj->gi", vectors, root * turned)
    return out


# --- from repetitions to sets ---------------------------------------------------------------------


@dataclass(frozen=True)
class Sets:
    """Sets with their means.

    Attributes
    ----------
    labels : DataFrame
        One row a set: `lifter, session, set_id, level, load_kg`.
    mean, n : ndarray, shape (sets, measures)
        Mean over the repetitions that hold a value, and their number.
    squares : ndarray, shape (sets, measures)
        Sum of squared deviations of the repetitions from it.
    common : ndarray, shape (sets, measures)
        Standard uncertainty that the set's repetitions share (scale, tilt, joints).
    random : ndarray, shape (sets, measures)
        Standard uncertainty of a repetition besides it.
    poor : ndarray, shape (sets, measures)
        Number of repetitions with a poor value.
    n_all : ndarray, shape (sets,)
        Repetitions, with a value or without.
    set_of_rep, reps : ndarray
        Set of each repetition, shape (r,), and their values, shape (r, measures).
    by_joints : ndarray of bool, shape (measures,)
        Whether the measure rests on the lifter's joints.
    """

    labels: pd.DataFrame
    mean: Floats
    n: Floats
    squares: Floats
    common: Floats
    random: Floats
    poor: Floats
    n_all: Floats
    set_of_rep: Ints
    reps: Floats
    by_joints: NDArray[np.bool_]


def average_sets(
    table: pd.DataFrame, by: str, measures: Sequence[str], keep: NDArray[np.bool_]
) -> Sets:
    """Average repetitions to sets.

    Parameters
    ----------
    table : DataFrame
        The block's table.
    by : str
        Column with the setups.
    measures : sequence of str
    keep : ndarray of bool
        Repetitions to use.

    Returns
    -------
    Sets
    """
    keys = ["lifter", "session", "set_id", by]
    keyed = table.loc[keep, keys].assign(
        # Loads as written down may differ by rounding.
        load_kg=table["load_kg"].to_numpy(float)[keep].round(2)
    )
    keys.append("load_kg")
    index = keyed.groupby(keys, sort=True, dropna=False).ngroup().to_numpy()
    n_sets = int(index.max()) + 1 if len(index) else 0
    first = np.full(n_sets, -1)
    first[index[::-1]] = np.arange(len(index))[::-1]
    labels = keyed.iloc[first].reset_index(drop=True).rename(columns={by: "level"})
    filmed = pd.factorize(table["set_id"])[0][keep]
    clip = pd.factorize(table["clip"])[0][keep]
    paired = bool((table["pair"] != "").any())
    shape = (n_sets, len(measures))
    mean, n, squares, common, random, poor = (np.zeros(shape) for _ in range(6))
    reps = np.full((len(index), len(measures)), np.nan)
    for k, name in enumerate(measures):
        value = table[name].to_numpy(float)[keep]
        half = np.nan_to_num(table[f"{name}_u95"].to_numpy(float)[keep])
        held = np.isfinite(value)
        if paired:
            held = best_view(filmed, clip, held, half)
        own, value, half = index[held], value[held], half[held]
        reps[held, k] = value
        n[:, k] = count = np.bincount(own, minlength=n_sets)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean[:, k] = np.bincount(own, value, n_sets) / count
            squares[:, k] = np.bincount(own, (value - mean[own, k]) ** 2, n_sets)
            shared = half_common(table, name)[keep][held]
            factor = coverage_factor()
            common[:, k] = np.sqrt(np.bincount(own, shared**2, n_sets) / count) / factor
            rest = np.maximum(half**2 - shared**2, 0.0)
            random[:, k] = np.sqrt(np.bincount(own, rest, n_sets) / count) / factor
        is_poor = (table[f"{name}_quality"] == "poor").to_numpy()[keep][held]
        poor[:, k] = np.bincount(own, is_poor, n_sets)
    # Of a set that two cameras filmed each repetition counts once.
    per_clip = pd.Series(1, index=pd.MultiIndex.from_arrays([index, clip])).groupby(level=[0, 1])
    n_all = per_clip.size().groupby(level=0).max().reindex(range(n_sets)).to_numpy(float)
    specs = [CATALOGUE.get(measure_of(name)[0]) for name in measures]
    by_joints = np.array([spec is not None and spec.needs_joints for spec in specs])
    return Sets(labels, mean, n, squares, common, random, poor, n_all, index, reps, by_joints)


def half_common(table: pd.DataFrame, measure: str) -> Floats:
    """Shared part of each value's 95 % half width; all of it where that is not known."""
    half = np.nan_to_num(table[f"{measure}_u95"].to_numpy(float))
    shared = table[f"{measure}_common_u95"].to_numpy(float)
    return np.where(np.isfinite(shared), np.minimum(shared, half), half)


# --- the comparison -------------------------------------------------------------------------------

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
        (scale, tilt) either cancels or differs from clip to clip and shows; theirs is 0. `verdict`
        is

        - ``"clear"``: the interval excludes 0 and the difference is larger than `sdc`;
        - ``"within tool"``: the interval excludes 0, but the difference is not larger than
          `tool_u95`, so that the tool erring otherwise in the two setups would look the same;
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
        for column, row in zip(alike, found, strict=True):
            rows[column] = row
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
        return (sides > 0).all(axis=1)[stratum]

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
    chosen = np.flatnonzero(pattern)
    labels = sets.labels.iloc[chosen]
    is_b = (labels["level"] == pair[1]).to_numpy()
    blank: dict[str, object] = dict.fromkeys(
        [
            "mean_a",
            "mean_b",
            "difference",
            "low",
            "high",
            "dof",
            "p",
            "hedges_g",
            "sem",
            "sdc",
            "tool_u95",
        ],
        np.nan,
    ) | {"verdict": "missing", "level": "", "design": "", "n_sessions": 0}
    absent = [name for name, n in zip(pair, (sum(~is_b), sum(is_b)), strict=True) if not n]
    if absent:
        reason = f"It was not measured in any repetition of {' or '.join(absent)}."
        return [blank | {"reason": reason}] * len(columns)
    design = _design(labels, is_b)
    if design is None:
        return [blank | {"reason": "No lifter did both."}] * len(columns)
    rows = chosen[design.rows]
    x = is_b[design.rows].astype(float)
    mean = sets.mean[np.ix_(rows, columns)]
    if design.level == "reps":
        slope = _rep_slope(sets, rows, x, design.stratum, columns)
    else:
        slope = clustered_slope(mean, x, design.stratum, design.cluster)
    half = slope.half_width()
    if design.level == "reps":
        # What a set's repetitions share does not show in how they vary.
        common = sets.common[np.ix_(rows, columns)]
        shared = sum(
            np.square(common[x == side]).sum(axis=0) / (x == side).sum() ** 2 for side in (0, 1)
        )
        half = np.hypot(half, coverage_factor() * np.sqrt(shared))
    p = slope.p_value() if design.level != "reps" else np.full(len(columns), np.nan)
    mean_a = _matched_mean(mean, x, design.stratum)
    repeat = _repeatability(sets, rows, columns)
    effect = _hedges(sets, rows, x, columns, slope.value)
    tool = _tool_u95(sets, rows, columns)
    n_sessions = sets.labels["session"].iloc[rows].nunique()
    out = []
    for k in range(len(columns)):
        difference, width = float(slope.value[k]), float(half[k])
        row = blank | {
            "mean_a": float(mean_a[k]),
            "mean_b": float(mean_a[k]) + difference,
            "difference": difference,
            "sem": float(repeat[k]),
            "sdc": float(coverage_factor() * math.sqrt(2) * repeat[k]),
            "tool_u95": float(tool[k]),
            "hedges_g": float(effect[k]),
            "level": design.level,
            "design": design.design,
            "n_sessions": n_sessions,
            "reason": "",
        }
        if math.isfinite(width):
            row |= {
                "low": difference - width,
                "high": difference + width,
                "dof": slope.dof,
                "p": float(p[k]),
            }
            row["verdict"] = verdict(difference, width, float(row["sdc"]), row["tool_u95"])
        else:
            row["reason"] = "One set or repetition of each says nothing of how far they vary."
        out.append(row)
    return out


def _tool_u95(sets: Sets, rows: Ints, columns: Ints) -> Floats:
    """How far the tool may be off in a difference, beyond what repeating shows."""
    at = np.ix_(rows, columns)
    variance = np.square(sets.common[at]) + np.square(sets.random[at])
    u95 = coverage_factor() * math.sqrt(2) * np.sqrt(variance.mean(axis=0))
    return np.where(sets.by_joints[columns], u95, 0.0)


def verdict(difference: float, half_width: float, sdc: float, tool_u95: float = 0.0) -> str:
    """What a difference comes to; see `compare`.

    Examples
    --------
    >>> verdict(3.0, 1.0, 2.0), verdict(1.5, 1.0, 2.0), verdict(0.2, 1.0, 2.0), verdict(0.2, 9., 2.)
    ('clear', 'on average', 'none seen', 'open')
    """
    if abs(difference) > half_width:
        if abs(difference) <= tool_u95:
            return "within tool"
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


# --- in words -------------------------------------------------------------------------------------


def in_words(row: pd.Series) -> str:
    """Say a row of `compare` so that a lifter understands it.

    Parameters
    ----------
    row : Series

    Returns
    -------
    str
        One or two sentences.
    """
    label = measure_label(row["measure"]) + (f" ({row['side']})" if row["side"] else "")
    a, b = row["level_a"], row["level_b"]
    if row["verdict"] == "missing":
        return f"{label}: cannot be compared. {row['reason']}".strip()
    factor, unit = shown_unit(row["unit"])
    width = (row["high"] - row["low"]) / 2
    tool = state_width(factor * row["tool_u95"], unit)
    amount = state(abs(factor * row["difference"]), factor * width, unit)
    least = state_width(factor * row["sdc"], unit)
    way = "more" if row["difference"] > 0 else "less"
    match row["verdict"]:
        case "clear":
            text = (
                f"{label}: {amount} {way} with {b} than with {a}; larger than the {least} that two"
                " sets done alike may differ by."
            )
        case "on average":
            text = (
                f"{label}: {amount} {way} with {b} than with {a} on average over these sets; a"
                f" single set against a single set could not show it, for they differ by up to"
                f" {least} when done alike."
            )
        case "within tool":
            text = (
                f"{label}: {amount} {way} with {b} than with {a}, but joints seen by the network"
                f" may be off by so much that {tool} could come from"
                " the tool alone."
            )
        case "none seen":
            text = (
                f"{label}: no difference between {a} and {b} that is larger than two sets done"
                f" alike may differ by ({least})."
            )
        case _:
            text = (
                f"{label}: what was measured leaves open whether {a} and {b} differ; the difference"
                f" may lie anywhere from {rounded(factor * row['low'], factor * width)[0]} to"
                f" {rounded(factor * row['high'], factor * width)[0]} {unit}".rstrip()
                + "."
            )
    if row["design"].startswith("different"):
        text += " The loads differ, so part of this may be the load's doing."
    if row["level"] == "reps" and row["verdict"] == "clear":
        text += " It is one set against another, and another day may show otherwise."
    if row["verdict"] in ("clear", "on average", "within tool") and row["q"] > 0.05:
        text += " Among so many measures this may be chance."
    if row["poor_share"] > 0.5:
        text += " Most of its values are poor, so take it as a hint."
    if abs(row["missing_a"] - row["missing_b"]) > 0.25:
        text += " It is missing much more often in one of the two, which may bias it."
    return text
