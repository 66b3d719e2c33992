"""Pictures of a training block: setups against each other, bar paths, load and speed, sessions."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

import cv2
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator
from numpy.typing import NDArray

from barpath.analysis.setresult import SetResult
from barpath.block.blockstore import measure_of, usable
from barpath.block.loadvelocity import (
    GENERAL_THRESHOLD_M_S,
    PUBLISHED_1RM_SPEED_M_S,
    PUBLISHED_1RM_SPEED_SD_M_S,
    SpeedLine,
    fit_line,
)
from barpath.block.setmeans import Sets, average_sets
from barpath.block.work import STILL_SIDE_PX, bottom_frame
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit
from barpath.report.beside import Difference, which
from barpath.report.pathplots import rep_paths
from barpath.report.picture import GRID, INK, LEFT_COLOUR, RIGHT_COLOUR, WIDTH_IN, Picture, styled

Images = NDArray[np.uint8]

COLOURS = (LEFT_COLOUR, RIGHT_COLOUR, "#5b7f2b", "#7a4b94", "#8a6d00", "#444a55")
MARKERS = ("o", "s", "^", "D", "v", "P")
WIDE_IN = 8.6
MAX_PANELS = 16
HEIGHT_STEPS = 60


def _label(row: pd.Series) -> str:
    _, unit = shown_unit(row["unit"])
    side = f" ({row['side']})" if row["side"] else ""
    return measure_label(row["measure"]) + side + (f", {unit}" if unit else "")


def _column(row: pd.Series) -> str:
    return f"{row['measure']}_{row['side']}" if row["side"] else str(row["measure"])


@styled
def setups_picture(table: pd.DataFrame, rows: pd.DataFrame, by: str) -> Picture | None:
    """Draw each measure of two setups: every set, sets of one session and load joined.

    Parameters
    ----------
    table : DataFrame
        The block's table, of one lifter or several.
    rows : DataFrame
        Rows of `compare.compare` for one pair of setups; those missing are left out.
    by : str
        Column with the setups.

    Returns
    -------
    Picture or None
        At most sixteen panels; None when nothing can be compared.
    """
    rows = rows[rows["verdict"] != "missing"].head(MAX_PANELS)
    if rows.empty:
        return None
    pair = rows.iloc[0][["level_a", "level_b"]].tolist()
    names = [_column(row) for _, row in rows.iterrows()]
    keep = usable(table) & table[by].isin(pair).to_numpy()
    sets = average_sets(table, by, names, keep)
    n_columns = 4
    n_rows = -(-len(names) // n_columns)
    figure = Figure(figsize=(WIDE_IN, 1.9 * n_rows + 0.2), layout="constrained")
    grid = figure.subplots(n_rows, n_columns, squeeze=False)
    for axes in grid.flat[len(names) :]:
        axes.set_axis_off()
    for k, (axes, (_, row)) in enumerate(zip(grid.flat, rows.iterrows(), strict=False)):
        _draw_setups(axes, sets, k, pair, shown_unit(row["unit"])[0])
        axes.set_title("\n".join(textwrap.wrap(_label(row), 26)), fontsize=8, loc="left")
        axes.set_xticks([0, 1], [textwrap.shorten(level, 14) for level in pair], fontsize=8)
    alt = (
        f"{len(names)} measures with {pair[0]} and with {pair[1]}, each set a point; the figures"
        " are in the table."
    )
    return Picture(figure, alt)


def _draw_setups(axes: Axes, sets: Sets, k: int, pair: Sequence[str], factor: float) -> None:
    frame = sets.labels.assign(y=factor * sets.mean[:, k]).dropna(subset=["y"])
    keys = ["lifter", "session", "load_kg"]
    grouped = frame.groupby([*keys, "level"], dropna=False)["y"].mean().unstack("level")
    loads = frame["load_kg"].rank(method="dense").fillna(1.0)
    shift = 0.16 * ((loads - loads.mean()) / max(loads.max(), 1.0))
    if set(pair) <= set(grouped.columns):
        for a, b in grouped[list(pair)].dropna().to_numpy():
            axes.plot([0, 1], [a, b], color=GRID, lw=0.9, zorder=1)
    for at, level in enumerate(pair):
        own = frame["level"] == level
        x = at + shift[own].to_numpy()
        axes.plot(x, frame.loc[own, "y"], MARKERS[at], color=COLOURS[at], ms=3, alpha=0.7)
        mean = frame.loc[own, "y"].mean()
        axes.plot([at - 0.2, at + 0.2], [mean, mean], color=INK, lw=1.6, zorder=4)
    axes.set_xlim(-0.45, 1.45)
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.tick_params(labelsize=7.5)
    axes.grid(True, axis="y", color=GRID, lw=0.5)


@styled
def differences_picture(found: Sequence[tuple[str, Sequence[Difference]]], first: str) -> Picture:
    """Draw the five differences with their intervals, each on an axis of its own.

    Parameters
    ----------
    found : sequence of (name, differences)
        For every further set, its differences from the first.
    first : str
        Name of the first set.
    """
    topics = [one.topic for one in found[0][1]]
    high = (0.62 + 0.16 * (len(found) - 1)) * len(topics) + 0.3
    figure = Figure(figsize=(3.9, high), layout="constrained")
    panels = figure.subplots(len(topics), 1, squeeze=False)[:, 0]
    said = []
    for row, (axes, topic) in enumerate(zip(panels, topics, strict=True)):
        factor, unit = shown_unit(topic.unit)
        reach = 0.0
        told = []
        for k, (name, own) in enumerate(found):
            one = own[row]
            colour = COLOURS[(k + 1) % len(COLOURS)]
            if not one.known:
                continue
            value, half = factor * one.value, factor * one.u95
            y = -float(k)
            filled = colour if one.clear else "white"
            axes.errorbar(
                value, y, xerr=half, fmt="o", color=colour, mfc=filled, ms=7, lw=1.8, capsize=3
            )
            reach = max(reach, abs(value) + half)
            told.append(which(one) if one.clear else "no difference can be told")
            said.append(f"{name}, {topic.name.lower()}: {told[-1]}")
        if told:
            axes.axvline(0.0, color=INK, lw=1.0)
        about = topic.name + (f" ({unit})" if unit else "")
        title = about
        if len(found) == 1 and found[0][1][row].clear:
            title = f"{told[0][:1].upper()}{told[0][1:]}"
        elif len(found) == 1 and told:
            title = f"{about}: {told[0]}"
        axes.set_title("\n".join(textwrap.wrap(title, 52)), loc="left", fontsize=8.5)
        axes.set_ylim(-len(found) + 0.4, 0.6)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        if reach > 0:
            axes.set_xlim(-1.12 * reach, 1.12 * reach)
            axes.xaxis.set_major_locator(MaxNLocator(5, symmetric=True))
            axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}".replace("-", "−")))
            axes.tick_params(labelsize=8)
        else:
            axes.set_axis_off()
            axes.text(0.0, 0.4, "not measured with both", transform=axes.transAxes, fontsize=8.5)
    if len(found) > 1:
        handles = [
            Line2D(
                [], [], color=COLOURS[(k + 1) % len(COLOURS)], marker="o", ls="", label=f" {name}"
            )
            for k, (name, _) in enumerate(found)
        ]
        figure.legend(handles=handles, loc="outside lower center", ncols=3)
    words = "; ".join(said) or "none was measured with both"
    return Picture(figure, f"Differences from {first} with 95 % intervals: {words}.")


def touch_aligned(result: SetResult) -> list[NDArray[np.float64]]:
    """Press of every complete repetition from its touch, in cm: list of arrays of shape (n, 2)."""
    complete = set(result.reps.loc[result.reps["kind"] == "complete", "rep"])
    return [
        path.press - path.touch
        for path in rep_paths(result)
        if path.rep in complete and np.isfinite(path.touch).all() and len(path.press) > 2
    ]


def mean_press(paths: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Mean horizontal place at shares of each press' own height, shape (60, 2).

    Parameters
    ----------
    paths : sequence of ndarray, shape (n, 2)
        From `touch_aligned`.

    Returns
    -------
    ndarray
        With no path, no rows.
    """
    share = np.linspace(0.0, 1.0, HEIGHT_STEPS)
    out = []
    for path in paths:
        known = path[np.isfinite(path).all(axis=1)]
        if len(known) < 3 or not known[-1, 1] > 0:
            continue
        height = np.maximum.accumulate(known[:, 1])
        top = height[-1]
        out.append(np.column_stack([np.interp(share * top, height, known[:, 0]), share * top]))
    return np.mean(out, axis=0) if out else np.empty((0, 2))


@styled
def paths_picture(by_level: Mapping[str, Sequence[SetResult]]) -> Picture | None:
    """Draw the presses of each setup beside each other and their means over each other.

    Parameters
    ----------
    by_level : mapping of str to sequence of SetResult
        Sets filmed from one side, by setup.

    Returns
    -------
    Picture or None
        Every panel has the same scale, and centimetres are the same both ways; None when fewer
        than two setups have a path.
    """
    paths = {
        level: [path for result in results for path in touch_aligned(result)]
        for level, results in by_level.items()
    }
    paths = {level: own for level, own in paths.items() if len(mean_press(own))}
    if len(paths) < 2:
        return None
    everything = np.concatenate([path for own in paths.values() for path in own])
    everything = everything[np.isfinite(everything).all(axis=1)]
    low, high = everything.min(axis=0) - 2, everything.max(axis=0) + 2
    spare = max(0.0, 16.0 - (high[0] - low[0])) / 2
    figure = Figure(figsize=(WIDE_IN, 5.2), layout="constrained")
    grid = figure.subplots(1, len(paths) + 1, sharex=True, sharey=True)
    ends = []
    for k, (level, own) in enumerate(paths.items()):
        for path in own:
            grid[k].plot(*path.T, color=COLOURS[k], lw=0.8, alpha=0.45)
        for axes in (grid[k], grid[-1]):
            axes.plot(*mean_press(own).T, color=COLOURS[k], lw=2.4, label=level)
        grid[k].set_title(f"{level}, {len(own)} presses", loc="left")
        ends.append(mean_press(own)[-1])
    grid[-1].set_title("means", loc="left")
    grid[-1].legend(loc="lower right")
    for axes in grid:
        axes.set_xlim(low[0] - spare, high[0] + spare)
        axes.set_ylim(low[1], high[1])
        axes.set_aspect("equal", adjustable="box")
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(MultipleLocator(5.0))
            axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.0f}".replace("-", "−")))
        axes.grid(True, color="#d5d9e0", lw=0.6)
        axes.set_xlabel("from the touch, toward the head (cm)", fontsize=8)
    grid[0].set_ylabel("height over the touch (cm)")
    words = "; ".join(
        f"with {level} lockout lies {end[0]:+.1f} cm from the touch and {end[1]:.0f} cm above it"
        for level, end in zip(paths, ends, strict=True)
    )
    return Picture(figure, f"Bar paths of the presses, aligned at the touch: {words}.")


@styled
def speed_picture(fastest: pd.DataFrame) -> Picture | None:
    """Draw the fastest repetition of each set against load, with lines and their bands.

    Parameters
    ----------
    fastest : DataFrame
        From `loadvelocity.fastest_of_sets`, of one lifter.

    Returns
    -------
    Picture or None
        None without sets.
    """
    if fastest.empty:
        return None
    figure = Figure(figsize=(WIDTH_IN, 3.7), layout="constrained")
    axes = figure.add_subplot()
    levels = sorted(fastest["level"].unique())
    reach = fastest["load_kg"].max() * 1.15
    told = []
    for k, level in enumerate(levels):
        own = fastest[fastest["level"] == level]
        colour, marker = COLOURS[k % 6], MARKERS[k % 6]
        line = fit_line(own["load_kg"], own["speed_m_s"], own["session"])
        axes.plot(
            own["load_kg"], own["speed_m_s"], marker, color=colour, ms=4, alpha=0.8,
            label=level or "all sets",
        )  # fmt: skip
        if line is not None and line.slope_m_s_kg < 0:
            end = (GENERAL_THRESHOLD_M_S - line.intercept_m_s) / line.slope_m_s_kg
            reach = max(reach, min(end * 1.05, fastest["load_kg"].max() * 1.6))
            told.append((line, colour))
    for line, colour in told:
        _draw_line(axes, line, reach, colour)
    axes.axhspan(
        PUBLISHED_1RM_SPEED_M_S - PUBLISHED_1RM_SPEED_SD_M_S,
        PUBLISHED_1RM_SPEED_M_S + PUBLISHED_1RM_SPEED_SD_M_S,
        color="#efe6d2",
        lw=0,
        label="published speed of a maximum",
    )
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel("load (kg)")
    axes.set_ylabel("mean press speed of the fastest rep (m/s)")
    axes.grid(True, color=GRID, lw=0.5)
    axes.legend(loc="upper right")
    return Picture(
        figure, "Speed of the fastest repetition of each set against load, with straight lines."
    )


def _draw_line(axes: Axes, line: SpeedLine, reach: float, colour: str) -> None:
    load = np.linspace(line.low_kg * 0.97, reach, 80)
    value, half = line.at(load)
    inside = load <= line.high_kg
    axes.plot(load[inside], value[inside], color=colour, lw=1.6)
    axes.plot(load[~inside], value[~inside], color=colour, lw=1.2, ls=(0, (4, 2)))
    axes.fill_between(load, value - half, value + half, color=colour, alpha=0.13, lw=0)


@styled
def sessions_picture(
    table: pd.DataFrame, names: Sequence[str], by: str, n_columns: int = 3
) -> Picture | None:
    """Draw measures of one lifter over the days: each set a point, by setup.

    Parameters
    ----------
    table : DataFrame
        The block's table, of one lifter.
    names : sequence of str
        Measure columns.
    by : str
        Column with the setups.
    n_columns : int
        Panels beside each other.

    Returns
    -------
    Picture or None
    """
    if not names:
        return None
    sets = average_sets(table, by, names, usable(table))
    shown = [k for k in range(len(names)) if (sets.n[:, k] > 0).sum() >= 2][:MAX_PANELS]
    if not shown:
        return None
    dates = dict(zip(table["session"], table["date"], strict=True))
    days = sorted({dates[s] for s in sets.labels["session"]})
    at = sets.labels["session"].map(dates).map({day: k for k, day in enumerate(days)})
    levels = sorted(sets.labels["level"].unique())
    n_rows = -(-len(shown) // n_columns)
    size = (WIDE_IN * n_columns / 3, 1.7 * n_rows + 0.5)
    figure = Figure(figsize=size, layout="constrained")
    grid = figure.subplots(n_rows, n_columns, squeeze=False, sharex=True)
    for axes in grid.flat[len(shown) :]:
        axes.set_axis_off()
    for axes, k in zip(grid.flat, shown, strict=False):
        about = _about_column(names[k])
        factor = shown_unit(about["unit"])[0]
        for j, level in enumerate(levels):
            own = (sets.labels["level"] == level).to_numpy()
            x = at[own] + 0.14 * (j - (len(levels) - 1) / 2)
            y = factor * sets.mean[own, k]
            axes.plot(x, y, MARKERS[j % 6], color=COLOURS[j % 6], ms=3.2, alpha=0.8)
        axes.set_title("\n".join(textwrap.wrap(_label(about), 34)), fontsize=8, loc="left")
        axes.yaxis.set_major_locator(MaxNLocator(4))
        axes.tick_params(labelsize=7.5)
        axes.grid(True, axis="y", color=GRID, lw=0.5)
        step = -(-len(days) // 6)
        axes.set_xticks(range(0, len(days), step), [d[5:] or "no date" for d in days[::step]])
    handles = [
        Line2D([], [], color=COLOURS[j % 6], marker=MARKERS[j % 6], ls="", ms=4, label=level)
        for j, level in enumerate(levels)
        if level
    ]
    if handles:
        figure.legend(handles=handles, loc="outside lower center", ncols=4)
    return Picture(figure, f"{len(shown)} measures over {len(days)} days, each set a point.")


def _about_column(name: str) -> pd.Series:
    measure, side = measure_of(name)
    unit = CATALOGUE[measure].unit if measure in CATALOGUE else ""
    return pd.Series({"measure": measure, "side": side, "unit": unit})


def overlay_bottoms(
    first: tuple[SetResult, Images], second: tuple[SetResult, Images]
) -> Images | None:
    """Lay the bottom of one set over that of another, in two colours.

    The second picture is turned over if the lifter's head lies the other way, scaled so that a
    metre in the bar's plane is as many pixels, and moved so that the bar lies on the bar.

    Parameters
    ----------
    first, second : tuple of SetResult and ndarray
        What was seen, and the still kept with it (RGB).

    Returns
    -------
    ndarray or None
        RGB, of the first picture's size: grey where both agree, blue where only the first is
        bright, orange where only the second is. None when a bar's place is not known.
    """
    places = [_bar_in_still(result, image) for result, image in (first, second)]
    known = [place for place in places if place is not None]
    if len(known) < 2:
        return None
    (a_px, a_scale), (b_px, b_scale) = known
    image = second[1]
    heads = [r.calibration.get("head_direction") for r, _ in (first, second)]
    if set(heads) == {"image left", "image right"}:
        image = image[:, ::-1]
        b_px = np.array([image.shape[1] - 1 - b_px[0], b_px[1]])
    zoom = a_scale / b_scale
    matrix = np.array([[zoom, 0, a_px[0] - zoom * b_px[0]], [0, zoom, a_px[1] - zoom * b_px[1]]])
    height, width = first[1].shape[:2]
    moved = cv2.warpAffine(np.ascontiguousarray(image), matrix, (width, height))
    inside = cv2.warpAffine(np.ones(image.shape[:2], np.uint8), matrix, (width, height)) > 0
    greys = [cv2.cvtColor(i, cv2.COLOR_RGB2GRAY).astype(float) for i in (first[1], moved)]
    # Beyond the second picture's edge there is nothing to compare with.
    greys[1] = np.where(inside, greys[1], greys[0])
    tints = np.array([[0.10, 0.50, 0.95], [0.90, 0.50, 0.05]])
    mixed = sum(grey[:, :, None] * tint for grey, tint in zip(greys, tints, strict=True))
    return np.clip(mixed, 0, 255).astype(np.uint8)


def _bar_in_still(result: SetResult, image: Images) -> tuple[NDArray[np.float64], float] | None:
    """Place of the bar and pixels a metre in a kept still."""
    frame = bottom_frame(result)
    row = result.track[result.track["frame"] == frame]
    scale = result.calibration.get("px_per_m")
    if row.empty or not scale:
        return None
    shrink = min(1.0, STILL_SIDE_PX / max(result.info.width_px, result.info.height_px))
    columns = [[f"{end}x_px", f"{end}y_px"] for end in result.shows.ends]
    at = np.mean([row[names].to_numpy(float)[0] for names in columns], axis=0)
    if not np.isfinite(at).all():
        return None
    return (at + 0.5) * shrink - 0.5, float(scale) * shrink
