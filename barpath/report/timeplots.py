"""Curves over time: height and speed, both ends of the bar and its tilt, phases shaded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from barpath.analysis.setresult import SetResult
from barpath.report.framestate import PHASE_WORDS, rep_spans
from barpath.report.pathplots import lowest_touch_m
from barpath.report.picture import (
    GRID,
    INK,
    LEFT_COLOUR,
    QUIET,
    RIGHT_COLOUR,
    WIDTH_IN,
    Picture,
    brief,
    styled,
)

PHASE_FILLS: Mapping[str, str] = {
    "lowering": "#cfe0f5",
    "on the chest": "#f4dfa6",
    "pressing": "#d9eadb",
    "held at lockout": "#efeff2",
}
EVENT_MARKS: Mapping[str, tuple[str, str]] = {
    "touch_s": ("o", "touch"),
    "press_s": (">", "press starts"),
    "lockout_s": ("^", "lockout"),
}


@styled
def time_curves_picture(result: SetResult) -> Picture:
    """Draw height and vertical speed over time, with phases shaded and events marked.

    Parameters
    ----------
    result : SetResult
        A measured set.

    Returns
    -------
    Picture
        Two panels above each other.
    """
    table = result.trajectory
    t = table["time_s"].to_numpy(float)
    height = 100.0 * (table["y_smooth_m"].to_numpy(float) - lowest_touch_m(result))
    speed = table["vy_m_s"].to_numpy(float)
    figure = Figure(figsize=(WIDTH_IN, 4.6), layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True)
    used = _shade_phases((upper, lower), result.phases)
    gap = table["gap"].to_numpy(bool) if "gap" in table else np.zeros(len(t), bool)
    for axes, curve in ((upper, height), (lower, speed)):
        axes.plot(t, np.where(gap, np.nan, curve), color=INK, lw=1.4)
        axes.plot(t, np.where(gap, curve, np.nan), color=INK, lw=1.0, ls=":")
        axes.grid(True, color=GRID, lw=0.5)
    lower.axhline(0.0, color=QUIET, lw=0.7)
    for column, (marker, _) in EVENT_MARKS.items():
        if column in result.reps and len(t):
            at = result.reps[column].dropna().to_numpy(float)
            upper.plot(
                at, np.interp(at, t, height), marker, color=INK, mfc="white", ms=4.5, zorder=4
            )
    sticking = _spans(result.phases, ["sticking"])
    for a, b, _ in sticking:
        lower.axvspan(a, b, facecolor="none", edgecolor=RIGHT_COLOUR, hatch="////", lw=0)
    _number_reps(upper, result.reps, t)
    upper.set_ylabel("height (cm)")
    lower.set_ylabel("speed, up + (m/s)")
    lower.set_xlabel("time (s)")
    if len(t):
        lower.set_xlim(t[0], t[-1])
    handles = _curve_handles(used, bool(sticking), bool(gap.any()))
    figure.legend(handles=handles, loc="outside lower center", ncols=4, columnspacing=1.2)
    alt = (
        f"Height and vertical speed of the bar over {np.ptp(t):.0f} seconds. "
        f"The bar moves through {brief(np.nanmax(height) - np.nanmin(height))} cm; "
        f"its greatest upward speed is {np.nanmax(speed):.2f} m/s."
        if len(t)
        else "No curve."
    )
    return Picture(figure, alt)


def _number_reps(axes: Axes, reps: pd.DataFrame, times_s: np.ndarray) -> None:
    """Write the number of every repetition over its stretch."""
    for rep, (start_s, end_s) in rep_spans(reps).items():
        middle = 0.5 * (max(start_s, times_s[0]) + min(end_s, times_s[-1]))
        axes.annotate(
            f"{rep}",
            (middle, 1.0),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
            fontsize=8,
            color=QUIET,
        )


def _curve_handles(used: set[str], sticking: bool, gaps: bool) -> list[Any]:
    """Legend of the phases drawn, the events, and what else there is."""
    handles: list[Any] = [Patch(color=PHASE_FILLS[p], label=p) for p in PHASE_FILLS if p in used]
    handles += [
        Line2D([], [], color=INK, marker=m, mfc="white", ls="", ms=4.5, label=label)
        for m, label in EVENT_MARKS.values()
    ]
    if sticking:
        handles.append(
            Patch(fc="none", ec=RIGHT_COLOUR, hatch="////", lw=0, label="sticking region")
        )
    if gaps:
        handles.append(Line2D([], [], color=INK, lw=1.0, ls=":", label="filled in"))
    return handles


@styled
def ends_picture(result: SetResult) -> Picture:
    """Draw, for the front view, the height of both ends of the bar and its tilt over time.

    Parameters
    ----------
    result : SetResult
        A set filmed from the feet; its trajectory has `left_y_m`, `right_y_m` and `tilt_deg`.

    Returns
    -------
    Picture
        Two panels above each other. Left and right are the lifter's.
    """
    table = result.trajectory
    t = table["time_s"].to_numpy(float)
    lowest = lowest_touch_m(result)
    left, right = (100.0 * (table[f"{s}_y_m"].to_numpy(float) - lowest) for s in ("left", "right"))
    tilt = table["tilt_deg"].to_numpy(float)
    figure = Figure(figsize=(WIDTH_IN, 4.4), layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True)
    used = _shade_phases((upper, lower), result.phases)
    upper.plot(t, left, color=LEFT_COLOUR, lw=1.5)
    upper.plot(t, right, color=RIGHT_COLOUR, lw=1.5, ls=(0, (5, 1.5)))
    lower.plot(t, tilt, color=INK, lw=1.3)
    lower.axhline(0.0, color=QUIET, lw=0.7)
    reach = max(2.0, 1.15 * float(np.nanmax(np.abs(tilt), initial=0.0)))
    lower.set_ylim(-reach, reach)
    ok = np.isfinite(tilt) & np.isfinite(left) & np.isfinite(right)
    left_up = float(np.sum(tilt[ok] * (left - right)[ok])) >= 0.0
    for y, va, side in ((0.97, "top", left_up), (0.03, "bottom", not left_up)):
        lower.text(
            0.01,
            y,
            f"{'left' if side else 'right'} end higher",
            transform=lower.transAxes,
            va=va,
            fontsize=8,
            color=QUIET,
        )
    for axes in (upper, lower):
        axes.grid(True, color=GRID, lw=0.5)
    upper.set_ylabel("height (cm)")
    lower.set_ylabel("tilt (°)")
    lower.set_xlabel("time (s)")
    if len(t):
        lower.set_xlim(t[0], t[-1])
    handles: list[Any] = [
        Line2D([], [], color=LEFT_COLOUR, lw=1.5, label="lifter's left end"),
        Line2D([], [], color=RIGHT_COLOUR, lw=1.5, ls=(0, (5, 1.5)), label="lifter's right end"),
    ]
    handles += [Patch(color=PHASE_FILLS[p], label=p) for p in PHASE_FILLS if p in used]
    figure.legend(handles=handles, loc="outside lower center", ncols=3)
    worst = int(np.nanargmax(np.abs(tilt))) if ok.any() else None
    alt = "Height of both ends of the bar, and its tilt, over time."
    if worst is not None:
        high = "left" if (tilt[worst] > 0) == left_up else "right"
        alt += (
            f" The greatest tilt is {abs(tilt[worst]):.1f} degrees at {t[worst]:.1f} s, "
            f"with the lifter's {high} end higher."
        )
    return Picture(figure, alt)


def _shade_phases(panels: Sequence[Axes], phases: pd.DataFrame) -> set[str]:
    """Fill the background by phase; returns the phases drawn, in plain words."""
    plain = {**PHASE_WORDS, "sticking": PHASE_WORDS["press"]}
    used: set[str] = set()
    for a, b, phase in _spans(phases, [p for p, word in plain.items() if word in PHASE_FILLS]):
        used.add(plain[phase])
        for axes in panels:
            axes.axvspan(a, b, color=PHASE_FILLS[plain[phase]], lw=0, zorder=0)
    return used


def _spans(phases: pd.DataFrame, wanted: Sequence[str]) -> list[tuple[float, float, str]]:
    """Start, end (s) and name of each stretch of the phases wanted."""
    if len(phases) < 2:
        return []
    t = phases["time_s"].to_numpy(float)
    names = phases["phase"].to_numpy(str)
    cuts = [0, *(np.flatnonzero(names[1:] != names[:-1]) + 1), len(names)]
    return [
        (t[a], t[min(b, len(t) - 1)], str(names[a]))
        for a, b in pairwise(cuts)
        if names[a] in wanted
    ]
