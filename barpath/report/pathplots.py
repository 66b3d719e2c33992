"""The bar's path to scale: all repetitions over each other, each on its own, and small."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator

from barpath.analysis.setresult import SetResult
from barpath.lift.reps import rep_remark
from barpath.report.facts import sideways_words
from barpath.report.framestate import rep_spans
from barpath.report.picture import (
    ANSWER_IN,
    INK,
    QUIET,
    WIDTH_IN,
    Picture,
    brief,
    centimetre_axes,
    rep_colours,
    styled,
)


@styled
def bar_path_picture(result: SetResult) -> Picture:
    """Draw the bar's path to scale, all repetitions over each other.

    Parameters
    ----------
    result : SetResult
        A measured set.

    Returns
    -------
    Picture
        Equal axes, grid lines every centimetre and every five.
    """
    paths = list(rep_paths(result))
    figure = Figure(figsize=(WIDTH_IN, 5.8), layout="constrained")
    axes = figure.add_subplot()
    for path, colour in zip(paths, rep_colours(len(paths)), strict=True):
        _draw_path(axes, path, colour)
    reference = _straight_line(paths)
    if reference is not None:
        axes.plot(*reference.T, color=INK, lw=1.0, ls=(0, (1, 2)), zorder=2)
    _centimetre_axes(axes, paths, min_span_cm=24.0)
    axes.set_xlabel(_sideways_label(result))
    axes.set_ylabel("height above the lowest touch (cm)")
    handles = [
        Line2D([], [], color=colour, lw=2, label=f"rep {path.rep}{path.remark}")
        for path, colour in zip(paths, rep_colours(len(paths)), strict=True)
    ]
    handles += [
        Line2D([], [], color=QUIET, lw=1.8, label="press"),
        Line2D([], [], color=QUIET, lw=1.0, ls=(0, (4, 2)), label="descent"),
        Line2D([], [], color=QUIET, marker="o", ls="", ms=5, label="touch"),
        Line2D([], [], color=QUIET, marker="^", ls="", ms=6, label="lockout"),
        Line2D([], [], color=INK, lw=1.0, ls=(0, (1, 2)), label="straight line"),
    ]
    figure.legend(handles=handles, loc="outside right center")
    return Picture(figure, _path_alt(sideways_words(result), paths))


@styled
def rep_paths_picture(result: SetResult) -> Picture:
    """Draw each repetition's path on its own, to scale, the others in grey behind it.

    Parameters
    ----------
    result : SetResult
        A measured set.

    Returns
    -------
    Picture
        Panels with shared, equal axes.
    """
    paths = list(rep_paths(result))
    per_row = min(len(paths), 5) or 1
    rows = max(1, -(-len(paths) // per_row))
    figure = Figure(figsize=(WIDTH_IN, 2.9 * rows), layout="constrained")
    grid = figure.subplots(rows, per_row, sharex=True, sharey=True, squeeze=False)
    colours = rep_colours(len(paths))
    for axes in grid.flat[len(paths) :]:
        axes.set_axis_off()
    for k, axes in enumerate(grid.flat[: len(paths)]):
        for other in paths:
            if other is not paths[k]:
                axes.plot(*other.press.T, color="#d3d6dc", lw=0.9)
        _draw_path(axes, paths[k], colours[k])
        _centimetre_axes(axes, paths, min_span_cm=12.0)
        axes.tick_params(labelsize=7)
        axes.set_title(f"rep {paths[k].rep}{paths[k].remark}".replace(" (", "\n("))
    figure.supxlabel(_sideways_label(result), fontsize=9)
    figure.supylabel("height (cm)", fontsize=9)
    return Picture(figure, "The same bar paths, one panel for each repetition.")


@styled
def small_path_picture(result: SetResult) -> Picture | None:
    """Draw the bar's path in the presses, to scale, with touch and lockout named.

    Parameters
    ----------
    result : SetResult

    Returns
    -------
    Picture or None
        None when nothing was followed.
    """
    paths = [p for p in rep_paths(result) if np.isfinite(p.press).all(axis=1).any()]
    if not paths:
        return None
    figure = Figure(figsize=ANSWER_IN, layout="constrained")
    axes = figure.add_subplot()
    for path, colour in zip(paths, rep_colours(len(paths)), strict=True):
        _draw_path(axes, path, colour)
    _centimetre_axes(axes, paths, min_span_cm=36.0)
    ends = _straight_line(paths)
    if ends is not None:
        for (x, y), word, lift in zip(ends, ("touch", "lockout"), ("top", "bottom"), strict=True):
            axes.annotate(
                word, (x, y), xytext=(0, -7 if lift == "top" else 7),
                textcoords="offset points", ha="center", va=lift, fontsize=9,
            )  # fmt: skip
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(10.0))
    low, high = axes.get_ylim()
    axes.set_ylim(low - 5.0, high + 4.0)
    axes.set_xlabel(_sideways_label(result, ""))
    axes.set_ylabel("height (cm)")
    return Picture(figure, _path_alt(sideways_words(result), paths))


@dataclass(frozen=True)
class RepPath:
    """One repetition in centimetres: `descent`, `press`, `gaps` have shape (n, 2)."""

    rep: int
    remark: str
    descent: np.ndarray
    press: np.ndarray
    gaps: np.ndarray
    touch: np.ndarray
    lockout: np.ndarray


def rep_paths(result: SetResult) -> Iterator[RepPath]:
    """Each repetition of a set as a path."""
    table = result.trajectory
    t = table["time_s"].to_numpy(float)
    xy = 100.0 * table[["x_smooth_m", "y_smooth_m"]].to_numpy(float)
    xy[:, 1] -= 100.0 * lowest_touch_m(result)
    gap = table["gap"].to_numpy(bool) if "gap" in table else np.zeros(len(t), bool)
    nowhere = np.full(2, np.nan)

    def at(time_s: float) -> np.ndarray:
        if not (np.isfinite(time_s) and len(t)):
            return nowhere
        return np.array([np.interp(time_s, t, xy[:, k]) for k in (0, 1)])

    spans = rep_spans(result.reps)
    for row in result.reps.itertuples():
        start, end = spans[row.rep]
        lockout = row.lockout_s if np.isfinite(row.lockout_s) else end
        turn = row.touch_s if np.isfinite(row.touch_s) else end
        down = (t >= start) & (t <= turn)
        up = (t >= turn) & (t <= lockout)
        hidden = (down | up) & gap
        yield RepPath(
            rep=int(row.rep),
            remark=rep_remark(row),
            descent=np.where(gap[down, None], np.nan, xy[down]),
            press=np.where(gap[up, None], np.nan, xy[up]),
            gaps=np.where(hidden[:, None], xy, np.nan)[down | up],
            touch=at(row.touch_s),
            lockout=at(row.lockout_s),
        )


def _draw_path(axes: Axes, path: RepPath, colour: tuple[float, float, float, float]) -> None:
    axes.plot(*path.descent.T, color=colour, lw=1.0, ls=(0, (4, 2)))
    axes.plot(*path.press.T, color=colour, lw=1.8)
    axes.plot(*path.gaps.T, color=colour, lw=1.0, ls=":")
    axes.plot(*path.touch, "o", color=colour, mec="white", mew=0.6, ms=6, zorder=4)
    axes.plot(*path.lockout, "^", color=colour, mec="white", mew=0.6, ms=7, zorder=4)


def _straight_line(paths: list[RepPath]) -> np.ndarray | None:
    """Mean touch and mean lockout of the repetitions that have both, shape (2, 2)."""
    ends = np.array([[p.touch, p.lockout] for p in paths]).reshape(-1, 2, 2)
    ends = ends[np.isfinite(ends).all(axis=(1, 2))]
    return ends.mean(axis=0) if len(ends) else None


def _centimetre_axes(axes: Axes, paths: list[RepPath], min_span_cm: float) -> None:
    points = [np.empty((0, 2)), *[p.descent for p in paths], *[p.press for p in paths]]
    centimetre_axes(axes, np.concatenate(points), min_span_cm)


def lowest_touch_m(result: SetResult) -> float:
    """Height of the lowest touch of the set; of the lowest point when there is none."""
    table = result.trajectory
    y = table["y_smooth_m"].to_numpy(float)
    ok = np.isfinite(y)
    if not ok.any():
        return 0.0
    touches = result.reps["touch_s"].dropna().to_numpy(float) if len(result.reps) else np.array([])
    if not len(touches):
        return float(y[ok].min())
    return float(np.interp(touches, table["time_s"].to_numpy(float)[ok], y[ok]).min())


def _sideways_label(result: SetResult, origin: str = "from first lockout ") -> str:
    more, less = sideways_words(result)
    short = {"toward": "", "to": "", "the": "", "lifter's": "", "picture's": ""}
    ends = [" ".join(short.get(w, w) for w in words.split()).strip() for words in (less, more)]
    return f"← {ends[0]}      {origin}(cm)      {ends[1]} →"


def _path_alt(words: tuple[str, str], paths: list[RepPath]) -> str:
    start = f"Bar path of {len(paths)} repetition{'s' if len(paths) != 1 else ''}, to scale."
    parts = []
    for path in paths:
        dx, dy = path.lockout - path.touch
        if np.isfinite([dx, dy]).all():
            way = words[0] if dx >= 0 else words[1]
            parts.append(
                f"Rep {path.rep}: {brief(dy)} cm up and {brief(abs(dx))} cm {way} "
                "from touch to lockout."
            )
    return " ".join([start, *parts])
