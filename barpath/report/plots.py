"""Pictures of a set: bar path to scale, curves over time, measures over the repetitions.

Every function takes a `SetResult` and returns a `Picture`: a matplotlib figure that belongs to
nobody else (pyplot is not used) and a text that says what it shows. Repetitions are told apart by a
scale that runs from dark to light, so that it survives colour-vision deficiency and a grey printer.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import wraps
from itertools import pairwise
from typing import TYPE_CHECKING, Any, ParamSpec

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, Polygon
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator

from barpath.analysis.store import SetResult
from barpath.ground.uncertainty import state
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit
from barpath.lift.reps import rep_remark
from barpath.report.overlay import PHASE_WORDS, rep_spans

if TYPE_CHECKING:
    from barpath.report.answer import Above

INK = "#22252b"
QUIET = "#6a707c"
GRID = "#dfe2e8"
LEFT_COLOUR = "#0b6e99"
RIGHT_COLOUR = "#c05a12"
WIDTH_IN = 5.4

PHASE_FILLS: Mapping[str, str] = {
    "lowering": "#cfe0f5",
    "on the chest": "#f4dfa6",
    "pressing": "#d9eadb",
    "held at lockout": "#efeff2",
}

_STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 9.0,
    "axes.labelsize": 9.0,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "text.color": INK,
    # Names from outside may hold dollar signs.
    "text.parse_math": False,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "figure.facecolor": "white",
    "axes.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "path",
    "svg.hashsalt": "barpath",
    "path.simplify": True,
}

P = ParamSpec("P")


@dataclass(frozen=True)
class Picture:
    """A figure and what it shows, in words.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
        The drawing.
    alt : str
        Text alternative for those who cannot see it.
    """

    figure: Figure
    alt: str

    def svg(self) -> bytes:
        """Render as SVG: letters as outlines, no metadata, the same bytes each time."""
        buffer = io.BytesIO()
        blank = dict.fromkeys(["Creator", "Date", "Format", "Type"])
        with matplotlib.rc_context(_STYLE):
            self.figure.savefig(buffer, format="svg", metadata=blank)
        # From the element on: the document type names an address, which nothing here needs.
        svg = buffer.getvalue()
        return svg[svg.index(b"<svg") :]

    def png(self, dpi: float = 150.0) -> bytes:
        """Render as PNG."""
        buffer = io.BytesIO()
        with matplotlib.rc_context(_STYLE):
            self.figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
        return buffer.getvalue()


def _styled(draw: Callable[P, Picture]) -> Callable[P, Picture]:
    """Draw in the report's style, whatever the user's matplotlib settings."""

    @wraps(draw)
    def wrapper(*args: P.args, **kwargs: P.kwargs) -> Picture:
        with matplotlib.rc_context():
            matplotlib.rcdefaults()
            matplotlib.rcParams.update(_STYLE)
            return draw(*args, **kwargs)

    return wrapper


def sideways_words(result: SetResult) -> tuple[str, str]:
    """Say where positive and negative x point.

    Where the view shows the lifter's side but it could not be told where the head is, the
    picture's own sides are named.
    """
    if not result.shows.along:
        return "to the lifter's left", "to the lifter's right"
    if result.calibration.get("head_direction") == "unknown":
        return "to the picture's right", "to the picture's left"
    return "toward the head", "toward the feet"


def rep_colours(n: int) -> list[tuple[float, float, float, float]]:
    """Colours for n repetitions, from dark (first) to light (last)."""
    return [tuple(c) for c in matplotlib.colormaps["viridis"](np.linspace(0.0, 0.82, max(n, 2)))][
        :n
    ]


@_styled
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
    paths = list(_rep_paths(result))
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


@_styled
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
    paths = list(_rep_paths(result))
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


@_styled
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
    height = 100.0 * (table["y_smooth_m"].to_numpy(float) - _lowest_touch_m(result))
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
    marks = {
        "touch_s": ("o", "touch"),
        "press_s": (">", "press starts"),
        "lockout_s": ("^", "lockout"),
    }
    for column, (marker, _) in marks.items():
        if column in result.reps and len(t):
            at = result.reps[column].dropna().to_numpy(float)
            upper.plot(
                at, np.interp(at, t, height), marker, color=INK, mfc="white", ms=4.5, zorder=4
            )
    sticking = _spans(result.phases, ["sticking"])
    for a, b, _ in sticking:
        lower.axvspan(a, b, facecolor="none", edgecolor=RIGHT_COLOUR, hatch="////", lw=0)
    for rep, (start_s, end_s) in rep_spans(result.reps).items():
        middle = 0.5 * (max(start_s, t[0]) + min(end_s, t[-1]))
        upper.annotate(
            f"{rep}",
            (middle, 1.0),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
            fontsize=8,
            color=QUIET,
        )
    upper.set_ylabel("height (cm)")
    lower.set_ylabel("speed, up + (m/s)")
    lower.set_xlabel("time (s)")
    if len(t):
        lower.set_xlim(t[0], t[-1])
    handles: list[Any] = [Patch(color=PHASE_FILLS[p], label=p) for p in PHASE_FILLS if p in used]
    handles += [
        Line2D([], [], color=INK, marker=m, mfc="white", ls="", ms=4.5, label=label)
        for m, label in marks.values()
    ]
    if sticking:
        handles.append(
            Patch(fc="none", ec=RIGHT_COLOUR, hatch="////", lw=0, label="sticking region")
        )
    if gap.any():
        handles.append(Line2D([], [], color=INK, lw=1.0, ls=":", label="filled in"))
    figure.legend(handles=handles, loc="outside lower center", ncols=4, columnspacing=1.2)
    alt = (
        f"Height and vertical speed of the bar over {np.ptp(t):.0f} seconds. "
        f"The bar moves through {_number(np.nanmax(height) - np.nanmin(height))} cm; "
        f"its greatest upward speed is {np.nanmax(speed):.2f} m/s."
        if len(t)
        else "No curve."
    )
    return Picture(figure, alt)


@_styled
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
    lowest = _lowest_touch_m(result)
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


@_styled
def measures_picture(result: SetResult) -> Picture | None:
    """Draw each measure over the repetitions with its 95 % interval.

    Parameters
    ----------
    result : SetResult
        A measured set.

    Returns
    -------
    Picture or None
        One small panel for each measure seen in two repetitions or more; None when there is none.
    """
    table = result.measures
    if not len(table):
        return None
    table = table[np.isfinite(table["value"].astype(float))]
    seen = table.groupby("measure")["rep"].nunique()
    names = [n for n in ordered_measures(table) if seen[n] >= 2]
    if not names:
        return None
    columns = 2
    rows = -(-len(names) // columns)
    figure = Figure(figsize=(WIDTH_IN, 1.55 * rows + 0.3), layout="constrained")
    grid = figure.subplots(rows, columns, squeeze=False)
    reps = sorted(result.measures["rep"].unique())
    for axes in grid.flat[len(names) :]:
        axes.set_axis_off()
    sides = {"": (INK, "o", 0.0), "left": (LEFT_COLOUR, "o", -0.12)}
    sides["right"] = (RIGHT_COLOUR, "s", 0.12)
    for axes, name in zip(grid.flat, names, strict=False):
        part = table[table["measure"] == name]
        factor, unit = shown_unit(str(part["unit"].iloc[0]))
        for side, (colour, marker, shift) in sides.items():
            for quality, fill in (("sure", colour), ("poor", "white")):
                poor = part["quality"] == "poor"
                rows_ = part[(part["side"] == side) & (poor if quality == "poor" else ~poor)]
                if len(rows_):
                    axes.errorbar(
                        rows_["rep"] + shift,
                        factor * rows_["value"].astype(float),
                        factor * rows_["u95"].astype(float),
                        fmt=marker,
                        color=colour,
                        mfc=fill,
                        ms=4,
                        lw=1.1,
                        capsize=2,
                    )
        title = measure_label(name) + (f" ({unit})" if unit else "")
        axes.set_title("\n".join(textwrap.wrap(title, 38)), fontsize=8, loc="left")
        axes.set_xticks(reps if len(reps) <= 12 else reps[:: -(-len(reps) // 12)])
        axes.set_xlim(min(reps) - 0.5, max(reps) + 0.5)
        axes.yaxis.set_major_locator(MaxNLocator(4))
        axes.tick_params(labelsize=7.5)
        axes.grid(True, axis="y", color=GRID, lw=0.5)
    handles = []
    if (table["side"] == "left").any() or (table["side"] == "right").any():
        handles += [
            Line2D([], [], color=LEFT_COLOUR, marker="o", ls="", ms=4, label="lifter's left"),
            Line2D([], [], color=RIGHT_COLOUR, marker="s", ls="", ms=4, label="lifter's right"),
        ]
    if (table["quality"] == "poor").any():
        handles.append(
            Line2D([], [], color=INK, marker="o", mfc="white", ls="", ms=4, label="poor")
        )
    if handles:
        figure.legend(handles=handles, loc="outside lower center", ncols=3)
    for axes in grid[-1]:
        axes.set_xlabel("repetition", fontsize=8)
    alt = (
        f"{len(names)} measures over the repetitions with their 95 % intervals; the figures are in "
        "the table."
    )
    return Picture(figure, alt)


ANSWER_IN = (3.1, 2.75)
"""Size of the small figures of an answer: read at their own size on a telephone."""


@_styled
def above_picture(above: Above) -> Picture:
    """Draw trunk and arms with the bar on the chest, seen from above.

    Parameters
    ----------
    above : Above
        From `answer.above_of`.

    Returns
    -------
    Picture
        To scale; what the view does not show is dashed.
    """
    figure = Figure(figsize=(ANSWER_IN[0], 0.8 * ANSWER_IN[1]), layout="constrained")
    axes = figure.add_subplot()
    joints, hips = 100 * above.joints_m, 100 * above.hips_m
    draw_trunk(axes, above)
    seen = above.widths_seen and above.lengths_seen
    for side, colour, arm, u95 in zip(
        ("left", "right"), (LEFT_COLOUR, RIGHT_COLOUR), joints, 100 * above.u95_m, strict=True
    ):
        style: Any = "-" if seen or above.widths_seen else (0, (3, 1.5))
        axes.plot(*arm[:2].T, color=colour, lw=4.0, solid_capstyle="round", zorder=3)
        axes.plot(*arm[1:].T, color=colour, lw=2.0, ls=style, zorder=3)
        axes.errorbar(*arm[1], xerr=u95[1, 0], yerr=u95[1, 1], color=colour, lw=0.8, zorder=2)
        axes.plot(*arm[1], "o", color=colour, ms=5, zorder=4)
        axes.plot(*arm[2], "s", color="white", mec=colour, mew=1.4, ms=6, zorder=5)
        tuck = above.tuck_deg.get(side)
        if tuck:
            out = 1.0 if side == "left" else -1.0
            text = f"tuck\n{state(tuck.value, tuck.u95, '°')}"
            axes.text(
                arm[0, 0] + out * 5.0,
                arm[0, 1] + 4.0,
                text,
                ha="left" if out > 0 else "right",
                va="bottom",
                color=colour,
                fontsize=9,
            )
    _draw_touch(axes, above, joints)
    wide = max(52.0, float(np.abs(joints[..., 0]).max()) + 8.0)
    axes.set_xlim(-wide, wide)
    axes.set_ylim(min(-40.0, float(hips[:, 1].min()) + 8.0), 33.0)
    axes.set_aspect("equal", adjustable="box")
    axes.set_axis_off()
    for x, side in ((wide, "left"), (-wide, "right")):
        axes.text(
            x, 32.0, f"lifter's {side}", ha="right" if x > 0 else "left", va="top",
            fontsize=8, color=QUIET,
        )  # fmt: skip
    return Picture(figure, _above_alt(above))


def draw_trunk(axes: Axes, above: Above) -> None:
    """Draw trunk and head seen from above, in centimetres."""
    joints, hips = 100 * above.joints_m, 100 * above.hips_m
    trunk = np.array([joints[0, 0], hips[0], hips[1], joints[1, 0]])
    axes.add_patch(Polygon(trunk, closed=True, fc="#e8eaee", ec=QUIET, lw=0.8, joinstyle="round"))
    axes.add_patch(Circle((0.0, 21.0), 9.5, fc="#e8eaee", ec=QUIET, lw=0.8))


def _draw_touch(axes: Axes, above: Above, joints: np.ndarray) -> None:
    hands = joints[:, 2, 0]
    ends = np.array([hands.min() - 10.0, hands.max() + 10.0])
    if not above.touch:
        level = joints[:, 2, 1].mean()
        axes.plot(ends, [level, level], color=QUIET, lw=2.0, ls=(0, (2, 2)), zorder=1)
        axes.text(0, level - 2.0, "touch point not seen", ha="center", va="top", fontsize=8.5)
        return
    level, u95 = -100 * above.touch.value, 100 * above.touch.u95
    axes.axhspan(level - u95, level + u95, color="#f4dfa6", lw=0, zorder=1)
    axes.plot(ends, [level, level], color=INK, lw=2.2, zorder=4)
    axes.annotate(
        "", (0, level), (0, 0), arrowprops={"arrowstyle": "<->", "color": INK, "lw": 0.9}, zorder=6
    )
    text = f"touch {state(100 * above.touch.value, u95, 'cm')}\nbelow the shoulders"
    axes.text(0, level - u95 - 1.5, text, ha="center", va="top", fontsize=9, zorder=6)


def _above_alt(above: Above) -> str:
    said = [
        f"{side} tuck {state(tuck.value, tuck.u95, 'degrees')}"
        for side, tuck in above.tuck_deg.items()
        if tuck
    ]
    touch = above.touch
    said.append(
        f"the bar touches {state(100 * touch.value, 100 * touch.u95, 'cm')} below the shoulders"
        if touch
        else "the touch point is not known"
    )
    return f"Trunk and arms seen from above, head up: {', '.join(said)}."


@_styled
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
    paths = [p for p in _rep_paths(result) if np.isfinite(p.press).all(axis=1).any()]
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


def ordered_measures(table: pd.DataFrame) -> list[str]:
    """Names of the measures in a long table, in the catalogue's order, unknown ones last."""
    present = list(dict.fromkeys(table["measure"]))
    known = [name for name in CATALOGUE if name in present]
    return known + [name for name in present if name not in CATALOGUE]


@dataclass(frozen=True)
class _Path:
    """One repetition in centimetres: `descent`, `press`, `gaps` have shape (n, 2)."""

    rep: int
    remark: str
    descent: np.ndarray
    press: np.ndarray
    gaps: np.ndarray
    touch: np.ndarray
    lockout: np.ndarray


def _rep_paths(result: SetResult) -> Iterator[_Path]:
    table = result.trajectory
    t = table["time_s"].to_numpy(float)
    xy = 100.0 * table[["x_smooth_m", "y_smooth_m"]].to_numpy(float)
    xy[:, 1] -= 100.0 * _lowest_touch_m(result)
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
        yield _Path(
            rep=int(row.rep),
            remark=rep_remark(row),
            descent=np.where(gap[down, None], np.nan, xy[down]),
            press=np.where(gap[up, None], np.nan, xy[up]),
            gaps=np.where(hidden[:, None], xy, np.nan)[down | up],
            touch=at(row.touch_s),
            lockout=at(row.lockout_s),
        )


def _draw_path(axes: Axes, path: _Path, colour: tuple[float, float, float, float]) -> None:
    axes.plot(*path.descent.T, color=colour, lw=1.0, ls=(0, (4, 2)))
    axes.plot(*path.press.T, color=colour, lw=1.8)
    axes.plot(*path.gaps.T, color=colour, lw=1.0, ls=":")
    axes.plot(*path.touch, "o", color=colour, mec="white", mew=0.6, ms=6, zorder=4)
    axes.plot(*path.lockout, "^", color=colour, mec="white", mew=0.6, ms=7, zorder=4)


def _straight_line(paths: list[_Path]) -> np.ndarray | None:
    """Mean touch and mean lockout of the repetitions that have both, shape (2, 2)."""
    ends = np.array([[p.touch, p.lockout] for p in paths]).reshape(-1, 2, 2)
    ends = ends[np.isfinite(ends).all(axis=(1, 2))]
    return ends.mean(axis=0) if len(ends) else None


def _centimetre_axes(axes: Axes, paths: list[_Path], min_span_cm: float) -> None:
    points = [np.empty((0, 2)), *[p.descent for p in paths], *[p.press for p in paths]]
    centimetre_axes(axes, np.concatenate(points), min_span_cm)


def centimetre_axes(
    axes: Axes, points_cm: np.ndarray, min_span_cm: float, step_cm: float = 5.0
) -> None:
    """Give axes one scale both ways, with a line every centimetre and numbers every `step_cm`.

    Parameters
    ----------
    axes : Axes
    points_cm : ndarray, shape (n, 2)
        What is to be seen.
    min_span_cm : float
        Least width shown.
    step_cm : float
    """
    points = points_cm[np.isfinite(points_cm).all(axis=1)]
    if len(points):
        low, high = points.min(axis=0) - 2.0, points.max(axis=0) + 2.0
        spare = max(0.0, min_span_cm - (high[0] - low[0])) / 2.0
        axes.set_xlim(low[0] - spare, high[0] + spare)
        axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal", adjustable="box")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(step_cm))
        axis.set_minor_locator(MultipleLocator(1.0))
        axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.0f}".replace("-", "−")))
    axes.grid(True, which="major", color="#cfd3db", lw=0.8)
    axes.grid(True, which="minor", color="#eceef2", lw=0.5)
    axes.tick_params(which="minor", length=0)


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


def _lowest_touch_m(result: SetResult) -> float:
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


def _path_alt(words: tuple[str, str], paths: list[_Path]) -> str:
    start = f"Bar path of {len(paths)} repetition{'s' if len(paths) != 1 else ''}, to scale."
    parts = []
    for path in paths:
        dx, dy = path.lockout - path.touch
        if np.isfinite([dx, dy]).all():
            way = words[0] if dx >= 0 else words[1]
            parts.append(
                f"Rep {path.rep}: {_number(dy)} cm up and {_number(abs(dx))} cm {way} "
                "from touch to lockout."
            )
    return " ".join([start, *parts])


def _number(value: float) -> str:
    return f"{value:.1f}" if abs(value) < 10 else f"{value:.0f}"
