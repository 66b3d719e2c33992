"""From where around the bench a clip was filmed, as an angle and in words.

In: the camera and the table of what was followed, steadied image px. Out: the azimuth in degrees: 0
from the feet, 90 from beside the bench, more toward the head's end.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from barpath.analysis.filmfacts import Fact
from barpath.ground.uncertainty import expand, state
from barpath.ground.view import View
from barpath.space.fittedcamera import Calibration
from barpath.space.standpoint import azimuth_deg

SQUARE_DEG = 5.0
"""Closer to square it does not matter on which side of it the camera stands."""
BESIDE_DEG = 90.0
MOST_U95_DEG = 20.0
"""A place that is less sure is not told."""


def azimuth_of(calibration: Calibration, track: pd.DataFrame, head: int) -> Fact:
    """Where the camera stands around the bench: 0 from the feet, 90 from beside, more at the head.

    Parameters
    ----------
    calibration : Calibration
    track : DataFrame
        Plate or bar table in steadied image coordinates.
    head : {-1, 0, 1}
        Which way the lifter's head lies in the picture, image right 1.

    Returns
    -------
    Fact
        Degrees; without a value where it cannot be told, and why.
    """
    ends = [[f"{end}{axis}_px" for axis in "xy"] for end in calibration.shows.ends]
    places = [track[end].median().to_numpy(dtype=float) for end in ends]
    value, sd = azimuth_deg(calibration, np.mean(places, axis=0), head)
    if not math.isfinite(value):
        return Fact(reason="Which way the lifter's head lies could not be told.")
    return Fact(value, sd)


def place_words(azimuth: Fact, shows: View, near: str) -> str:
    """From where it was filmed, as is said of a set that was filmed.

    Parameters
    ----------
    azimuth : Fact
        From `azimuth_of`.
    shows : View
    near : {'left', 'right', ''}
        The lifter's side nearer the camera, where it is known.

    Examples
    --------
    >>> from barpath.ground.view import view_of
    >>> place_words(Fact(49.3, 2.1), view_of("oblique"), "left")
    "from the lifter's left, 41 ± 4° toward the feet"
    >>> place_words(Fact(91.0, 3.0), view_of("side"), "right")
    "from the lifter's right, square to the bar"
    >>> place_words(Fact(reason="not told"), view_of("oblique"), "")
    'at a slant'
    """
    if not expand(azimuth.sd) <= MOST_U95_DEG:
        return shows.words
    if shows.both_ends:
        aside = azimuth.value > SQUARE_DEG + expand(azimuth.sd)
        turned = state(azimuth.value, expand(azimuth.sd), "°")
        return f"{shows.words}, {turned} to one side" if aside else shows.words
    if not near:
        return shows.words
    off = azimuth.value - BESIDE_DEG
    begin = f"from the lifter's {near}, "
    if abs(off) <= SQUARE_DEG:
        return begin + "square to the bar"
    way = "toward the feet" if off < 0 else "toward the head"
    return f"{begin}{state(abs(off), expand(azimuth.sd), '°')} {way}"
