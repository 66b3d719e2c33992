"""When things happened in a set that several clips show, each on its own clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.config import PairConfig
from barpath.analysis.kept import config_of
from barpath.analysis.setresult import SetResult
from barpath.space.sights import SIDES

Floats = NDArray[np.float64]

JOINED_EVENTS = ("start_s", "touch_s", "press_s", "lockout_s", "sticking_min_s")
"""Moments of a repetition whose times in several clips are averaged."""


def of_the_middle(
    first: SetResult, other: SetResult, lag_s: float, config: PairConfig
) -> pd.DataFrame | None:
    """Repetitions of a clip that shows one end of the bar, with the lockouts of its middle.

    A bar comes up unevenly, so an end locks out earlier or later than the middle. How much, the
    clip from the feet shows better than when either does, for what it has wrong of the bar's height
    it has wrong of both alike.

    Parameters
    ----------
    first : SetResult
        The clip that shows both ends, if there is one.
    other : SetResult
        The clip that shows one.
    lag_s : float
        Other clock less first clock.
    config : PairConfig

    Returns
    -------
    DataFrame or None
        The other clip's rep table; a lockout is NaN where the first clip does not show how far the
        end is from the middle. None where no clip shows both ends, or it is not known which one the
        other clip shows.
    """
    end = other.calibration["followed_end"]
    if not first.shows.both_ends or end not in SIDES:
        return None
    path = first.trajectory
    time_s = path["time_s"].to_numpy(dtype=float)
    middle, own = (path[name].to_numpy(dtype=float) for name in ("vy_m_s", f"{end}_vy_m_s"))
    still_m_s = config_of(first).reps.still_speed_m_s
    table = other.reps.copy()
    seen_s = table["lockout_s"].to_numpy(dtype=float)
    moved = [
        _rest_s(time_s, middle, still_m_s, at) - _rest_s(time_s, own, still_m_s, at)
        for at in seen_s - lag_s
    ]
    apart_s = np.array(moved, dtype=float)
    apart_s[np.abs(apart_s) > config.ends_apart_s] = math.nan
    table["lockout_s"] = seen_s + apart_s
    table["lockout_sd_s"] = np.hypot(table["lockout_sd_s"], config.ends_apart_sd_s)
    return table


def _rest_s(time_s: Floats, speed_m_s: Floats, still_m_s: float, near_s: float) -> float:
    """When a rising speed's fall to the still speed comes nearest to a time; NaN if it never falls.

    Examples
    --------
    >>> time = np.arange(5.0)
    >>> _rest_s(time, np.array([0.0, 0.5, 0.1, -0.1, 0.0]), 0.0, 2.0)
    2.5
    """
    falls = np.flatnonzero((speed_m_s[:-1] > still_m_s) & (speed_m_s[1:] <= still_m_s))
    if not len(falls) or not math.isfinite(near_s):
        return math.nan
    before, after = speed_m_s[falls], speed_m_s[falls + 1]
    share = (before - still_m_s) / (before - after)
    at_s = time_s[falls] + share * (time_s[falls + 1] - time_s[falls])
    return float(at_s[np.argmin(np.abs(at_s - near_s))])


def reps_met(first: pd.DataFrame, other: pd.DataFrame, lag_s: float, match_s: float) -> list[float]:
    """Which repetition of another clip each of the first one's is; NaN where it has none.

    Parameters
    ----------
    first, other : DataFrame
        Rep tables on their own clocks.
    lag_s : float
        Other clock less first clock.
    match_s : float
        Largest distance between the touches of one repetition.
    """
    met = []
    for touch_s in first["touch_s"]:
        apart = (other["touch_s"] - lag_s - touch_s).abs()
        near = apart.notna().any() and apart.min() <= match_s
        met.append(float(other["rep"].loc[apart.idxmin()]) if near else math.nan)
    return met


def joined_reps(
    tables: Sequence[pd.DataFrame],
    lags_s: Sequence[float],
    match_s: float,
    both_ends: Sequence[bool],
) -> pd.DataFrame:
    """Repetitions of the first clip, with the times of the same ones in the others averaged in.

    Parameters
    ----------
    tables : sequence of DataFrame
        Rep tables on their own clocks.
    lags_s : sequence of float
        Each clock less that of the first clip.
    match_s : float
        Largest distance between the touches of one repetition.
    both_ends : sequence of bool
        Whether each clip shows the bar's middle; the others show one end, which locks out earlier
        or later than the middle where a bar comes up unevenly.

    Returns
    -------
    DataFrame
        `rep, kind, side_rep` (that of the second clip; NaN when not matched), `n_clips` that show
        it, and `start_s, touch_s, press_s, lockout_s, sticking_min_s` on the first clip's clock:
        means weighted by the inverse of the squares of their standard uncertainties; lockouts of
        the clips alone that show the bar's middle, if any does.
    """
    first, *others = tables
    met = [
        reps_met(first, other, lag_s, match_s)
        for other, lag_s in zip(others, lags_s[1:], strict=True)
    ]
    by_number = [other.set_index("rep").to_dict("index") for other in others]
    rows = []
    for k, rep in enumerate(first.to_dict("records")):
        shown = [(rep, lags_s[0])]
        whole = shown[: int(both_ends[0])]
        for numbers, own, lag_s, both in zip(
            met, by_number, lags_s[1:], both_ends[1:], strict=True
        ):
            if not math.isnan(numbers[k]):
                shown.append((own[numbers[k]], lag_s))
                whole += shown[-1:] if both else []
        row: dict[str, Any] = {"rep": int(rep["rep"]), "kind": rep["kind"]}
        row |= {"side_rep": met[0][k], "n_clips": len(shown)}
        row |= {event: _joined_time(event, shown) for event in JOINED_EVENTS}
        lockout_s = _joined_time("lockout_s", whole)
        rows.append(row if math.isnan(lockout_s) else row | {"lockout_s": lockout_s})
    return pd.DataFrame(rows, columns=["rep", "kind", "side_rep", "n_clips", *JOINED_EVENTS])


def _joined_time(event: str, shown: Sequence[tuple[dict[Any, Any], float]]) -> float:
    """Time of an event from the rows of one repetition, each with the lag of its clock."""
    told = [(row[event] - lag_s, _sd_s(event, row)) for row, lag_s in shown if event in row]
    known = [(time_s, sd_s) for time_s, sd_s in told if math.isfinite(time_s)]
    # A sticking point that not all views have is no agreed one.
    if not known or (event == "sticking_min_s" and len(known) < len(told)):
        return math.nan
    times_s, sd_s = np.array(known).T
    return float(np.average(times_s, weights=1 / sd_s**2 if (sd_s > 0).all() else None))


def _sd_s(event: str, row: dict[Any, Any]) -> float:
    """Standard uncertainty of an event's time; NaN where it is not stated."""
    return float(row.get(f"{event.removesuffix('_s')}_sd_s", math.nan))
