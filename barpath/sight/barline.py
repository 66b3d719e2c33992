"""What is said of the bar seen from the feet: settings, what was found, the names of its two ends.

In this view the bar lies across the image and the plates are narrow ellipses at its ends. The
finder (`barfind`) hands a `BarSeed` to the tracker (`bartrack`), which makes the bar table. Places
are in image px, times in s. No pictures are looked at here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.equipment import POWER_BAR, Bar

FloatArray = NDArray[np.floating]

ENDS = ("image_left", "image_right")
"""Ends of a bar seen from the feet, as the beginnings of their columns in the bar table."""
SHAFT_OFFSETS = np.linspace(-1.0, 1.0, 33)
"""Where `BarSeed.shaft` is given: offsets from the axis downward, in shaft thicknesses."""

# A later candidate replaces an earlier one when there is by this share more evidence for it.
CLEARLY_BETTER = 0.1


@dataclass(frozen=True)
class BarlineConfig:
    """Settings of this stage.

    Attributes
    ----------
    barbell
        The bar; the sizes of all else beside the distance between its plates follow from it.
    work_width_px
        Width to which images are reduced while the bar is searched for.
    max_slope_deg
        Steepest bar searched for in the image.
    min_span_share
        Shortest distance between the plates, as a share of the image's width.
    focal_share
        Focal length over the image's longer side, 0.85 being usual for a phone's main camera
        (common practice, no source). It only places the plate's centre within its narrow ellipse.
    min_travel_share
        Smallest vertical travel of the bar, over the plates' apparent height, that counts as a
        press.
    min_match
        Smallest normalised correlation at which a plate counts as recognised.
    alone_match
        Correlation at which a plate is trusted although no shaft is seen beside it.
    min_line_share
        Share of the visible shaft's columns that must lie on the line for it to count as seen.
    search_share
        How far from its predicted place a plate is looked for, over its apparent height.
    lost_s
        After this time without the bar it is looked for wherever it may be (`pressed_within`).
    sd_floor_px
        Error that does not average out along the shaft: resampling, uneven edges.
    sd_shading_share
        Error from light that changes across the shaft as it moves, over its thickness.
    """

    barbell: Bar = POWER_BAR
    work_width_px: int = 640
    max_slope_deg: float = 8.0
    min_span_share: float = 0.2
    focal_share: float = 0.85
    min_travel_share: float = 0.12
    min_match: float = 0.5
    alone_match: float = 0.7
    min_line_share: float = 0.2
    search_share: float = 0.35
    lost_s: float = 0.3
    sd_floor_px: float = 0.08
    sd_shading_share: float = 0.012


@dataclass(frozen=True)
class BarEnd:
    """One end of the bar in the image.

    Attributes
    ----------
    x_px, y_px
        Where the bar's axis meets the inner face of the innermost plate.
    plate_px
        Apparent height of the plate; of a full-sized one where there is none.
    depth_px
        Apparent extent of the plates, or of the bare sleeve, outward from `x_px`.
    bare
        Whether there is no plate.
    """

    x_px: float
    y_px: float
    plate_px: float
    depth_px: float
    bare: bool = False


@dataclass(frozen=True)
class BarSeed:
    """Where the bar is in one frame, and roughly where it was in the others looked at.

    Attributes
    ----------
    frame, time_s
        The frame in which the bar was seen best.
    left, right
        The ends in that frame; left and right of the image.
    bar_px
        Thickness of the shaft.
    width_px, height_px
        Size of the image.
    path
        One row per frame looked at: ``frame, time_s`` and for both ends ``{end}_x_px``,
        ``{end}_y_px``, with ``match``, the correlation found.
    patches
        Grey pictures of the left and right plates by which they are recognised.
    shaft
        The shaft's own light at `SHAFT_OFFSETS`, apart from what is seen behind and beside it.
    patch_first
        Their first columns, from the ends, in their pixels.
    patch_scale
        Image pixels per pixel of `patches`.
    """

    frame: int
    time_s: float
    left: BarEnd
    right: BarEnd
    bar_px: float
    width_px: int
    height_px: int
    path: pd.DataFrame = field(repr=False)
    patches: tuple[FloatArray, FloatArray] = field(repr=False)
    shaft: FloatArray = field(repr=False)
    patch_first: tuple[float, float]
    patch_scale: float = 1.0


@dataclass(frozen=True)
class BarPose:
    """The bar in one frame: both ends' coordinates, left then right."""

    x: FloatArray
    y: FloatArray


def pressed_within(seen_px: FloatArray) -> tuple[float, float]:
    """Middle and reach of the heights at which a bar that was seen at some may be at all.

    It leaves those, for the rack or to rest, by no more than they are apart.

    Examples
    --------
    >>> pressed_within(np.array([100.0, 140.0, 120.0]))
    (120.0, 60.0)
    """
    low, high = float(np.nanmin(seen_px)), float(np.nanmax(seen_px))
    return 0.5 * (low + high), 1.5 * (high - low)
