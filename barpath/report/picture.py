"""Drawings for pages: the style they share, and axes in centimetres.

A `Picture` is a matplotlib figure that belongs to nobody else (pyplot is not used) and a text that
says what it shows. Repetitions are told apart by a scale that runs from dark to light, so that it
survives colour-vision deficiency and a grey printer.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

INK = "#22252b"
QUIET = "#6a707c"
GRID = "#dfe2e8"
LEFT_COLOUR = "#0b6e99"
RIGHT_COLOUR = "#c05a12"
WIDTH_IN = 5.4

_STYLE: Any = {
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
Drawn = TypeVar("Drawn", bound="Picture | None")


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


def styled(draw: Callable[P, Drawn]) -> Callable[P, Drawn]:
    """Draw in the report's style, whatever the user's matplotlib settings."""

    @wraps(draw)
    def wrapper(*args: P.args, **kwargs: P.kwargs) -> Drawn:
        with matplotlib.rc_context():
            matplotlib.rcdefaults()
            matplotlib.rcParams.update(_STYLE)
            return draw(*args, **kwargs)

    return wrapper


def rep_colours(n: int) -> list[tuple[float, float, float, float]]:
    """Colours for n repetitions, from dark (first) to light (last)."""
    return [tuple(c) for c in matplotlib.colormaps["viridis"](np.linspace(0.0, 0.82, max(n, 2)))][
        :n
    ]


ANSWER_IN = (3.1, 2.75)
"""Size of the small figures of an answer: read at their own size on a telephone."""


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


def brief(value: float) -> str:
    """A number in three figures at most, without its uncertainty."""
    return f"{value:.1f}" if abs(value) < 10 else f"{value:.0f}"
