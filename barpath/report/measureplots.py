"""Measures over the repetitions of a set, and the order in which they are shown."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from barpath.analysis.setresult import SetResult
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit
from barpath.report.picture import GRID, INK, LEFT_COLOUR, RIGHT_COLOUR, WIDTH_IN, Picture, styled

SIDES = {"": (INK, "o", 0.0), "left": (LEFT_COLOUR, "o", -0.12), "right": (RIGHT_COLOUR, "s", 0.12)}
"""Colour, marker and shift sideways (repetitions) of the lifter's sides."""


@styled
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
    for axes, name in zip(grid.flat, names, strict=False):
        part = table[table["measure"] == name]
        _draw_measure(axes, name, part, reps)
    handles = _side_handles(table)
    if handles:
        figure.legend(handles=handles, loc="outside lower center", ncols=3)
    for axes in grid[-1]:
        axes.set_xlabel("repetition", fontsize=8)
    alt = (
        f"{len(names)} measures over the repetitions with their 95 % intervals; the figures are in "
        "the table."
    )
    return Picture(figure, alt)


def _draw_measure(axes: Axes, name: str, part: pd.DataFrame, reps: Sequence[int]) -> None:
    """Draw a measure's rows: one point with its interval a repetition and side, hollow if poor."""
    factor, unit = shown_unit(str(part["unit"].iloc[0]))
    for side, (colour, marker, shift) in SIDES.items():
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


def _side_handles(table: pd.DataFrame) -> list[Line2D]:
    """Legend of the sides and of poor quality, as far as they are there."""
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
    return handles


def ordered_measures(table: pd.DataFrame) -> list[str]:
    """Names of the measures in a long table, in the catalogue's order, unknown ones last."""
    present = list(dict.fromkeys(table["measure"]))
    known = [name for name in CATALOGUE if name in present]
    return known + [name for name in present if name not in CATALOGUE]
