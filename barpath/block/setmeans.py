"""Repetitions averaged to sets, with what their means are uncertain by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.block.blockstore import best_view, measure_of
from barpath.ground.uncertainty import coverage_factor
from barpath.lift.catalogue import CATALOGUE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Sets:
    """Sets with their means.

    Attributes
    ----------
    labels : DataFrame
        One row a set: `lifter, session, set_id, level, load_kg`, and `view` where it was filmed
        from one, ``""`` otherwise.
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
    views = table.loc[keep, "view"].groupby(index)
    labels["view"] = views.first().where(views.nunique() == 1, "").to_numpy()
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
