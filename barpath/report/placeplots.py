"""The map of camera places as a picture: how sure each measure would be from where."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from barpath.analysis.madeview import Place
from barpath.analysis.placemap import read_map
from barpath.errors import OutputError
from barpath.ground.files import write_atomically
from barpath.ground.uncertainty import state_width
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit
from barpath.report.picture import INK, QUIET, Picture, styled

SHOWN_DISTANCE_M = 3.5
MAP_DPI = 110
SPAN = 2.5
"""From the surest to the least sure colour, at least: a panel with little in it stays even."""


@styled
def places_picture(
    table: pd.DataFrame, distance_m: float = SHOWN_DISTANCE_M, here: Place | None = None
) -> Picture:
    """Draw a panel a measure: azimuth across, height up, half widths in words and colour.

    Parameters
    ----------
    table : DataFrame
        From `placemap.read_map`.
    distance_m : float
        One of the map's distances is shown, the nearest to this.
    here : Place, optional
        Marked in every panel.

    Returns
    -------
    Picture
        Dark is sure, light is not, on a scale that survives colour-vision deficiency; what would be
        missing is hatched.
    """
    distances = table["distance_m"].unique()
    shown_m = float(distances[np.argmin(np.abs(distances - distance_m))])
    table = table[table["distance_m"] == shown_m]
    names = list(table["measure"].unique())
    rows = -(-len(names) // 2)
    figure = Figure(figsize=(8.6, 1.75 * rows + 0.7), layout="constrained")
    grid = figure.subplots(rows, 2, squeeze=False, sharex=True, sharey=True)
    for axes in grid.flat[len(names) :]:
        axes.set_axis_off()
    for axes, name in zip(grid.flat, names, strict=False):
        _panel(axes, name, table[table["measure"] == name], here)
    for axes in grid[-1]:
        axes.set_xlabel("azimuth of the camera")
    for axes in grid[:, 0]:
        axes.set_ylabel("lens over the floor, m")
    figure.suptitle(
        f"How sure each measure is from where the camera stands, {shown_m:g} m from the bar:"
        " half width of the 95 % interval",
        fontsize=9.5,
    )
    return Picture(figure, _alt(table, names))


def write_map(file: Path, here: Place | None, *, overwrite: bool = False) -> None:
    """Write the map as a PNG, for the distance of a place if one is given.

    Parameters
    ----------
    file : Path
    here : Place or None
        Marked in every panel.
    overwrite : bool
        Whether a file that is there may be replaced.

    Raises
    ------
    OutputError
        It is there and may not be replaced, or cannot be written.
    """
    if file.exists() and not overwrite:
        raise OutputError(f"'{file}' exists already; choose another name, or allow overwriting.")
    distance_m = SHOWN_DISTANCE_M if here is None else here.distance_m
    write_atomically(file, places_picture(read_map(), distance_m, here).png(MAP_DPI))


def _panel(axes: Axes, name: str, part: pd.DataFrame, here: Place | None) -> None:
    """One measure: a cell a place."""
    wide = part.pivot(index="height_m", columns="azimuth_deg", values="u95")
    factor, unit = shown_unit(CATALOGUE[name].unit)
    known = wide.to_numpy(dtype=float)
    axes.set_title(f"{measure_label(name)}, {unit}", loc="left")
    axes.set_xticks(range(wide.shape[1]), [f"{a:.0f}°" for a in wide.columns])
    axes.set_yticks(range(wide.shape[0]), [f"{h:g}" for h in wide.index])
    axes.tick_params(length=0)
    axes.set_xlim(-0.5, wide.shape[1] - 0.5)
    axes.set_ylim(-0.5, wide.shape[0] - 0.5)
    for spine in axes.spines.values():
        spine.set_visible(False)
    low = float(np.nanmin(known)) if np.isfinite(known).any() else 1.0
    high = float(np.nanmax(known)) if np.isfinite(known).any() else 1.0
    norm = LogNorm(low, max(high, SPAN * low))
    colours = matplotlib.colormaps["cividis"]
    for (row, column), u95 in np.ndenumerate(known):
        corner = (column - 0.48, row - 0.46)
        if not np.isfinite(u95):
            blank = Rectangle(corner, 0.96, 0.92, facecolor="white", edgecolor="#b4b9c3", lw=0)
            blank.set_hatch("////")
            axes.add_patch(blank)
            continue
        depth = float(norm(u95))
        axes.add_patch(Rectangle(corner, 0.96, 0.92, facecolor=colours(depth), lw=0))
        text = state_width(factor * u95, "")
        ink = "white" if depth < 0.55 else INK
        axes.text(column, row, text, ha="center", va="center", fontsize=7.5, color=ink)
    if here is not None:
        _mark(axes, wide, here)


def _mark(axes: Axes, wide: pd.DataFrame, here: Place) -> None:
    """A ring where the camera stands."""
    x = np.interp(here.azimuth_deg, wide.columns.to_numpy(dtype=float), range(wide.shape[1]))
    y = np.interp(here.height_m, wide.index.to_numpy(dtype=float), range(wide.shape[0]))
    axes.plot(x, y, "o", ms=16, mfc="none", mec="white", mew=3.6)
    axes.plot(x, y, "o", ms=16, mfc="none", mec=QUIET, mew=1.8)


def _alt(table: pd.DataFrame, names: list[str]) -> str:
    """For each measure where it is surest and where it is missing."""
    parts = []
    for name in names:
        part = table[table["measure"] == name]
        known = part.dropna(subset=["u95"])
        label = measure_label(name)
        if known.empty:
            parts.append(f"{label} is missing everywhere.")
            continue
        best = known.loc[known["u95"].idxmin()]
        factor, unit = shown_unit(CATALOGUE[name].unit)
        without = len(part) - len(known)
        parts.append(
            f"{label} is surest, ± {state_width(factor * best.u95, unit)}, from"
            f" {best.azimuth_deg:.0f}° and {best.height_m:g} m"
            + (f", and missing from {without} of {len(part)} places." if without else ".")
        )
    return "How sure each measure is by azimuth and height of the camera. " + " ".join(parts)
