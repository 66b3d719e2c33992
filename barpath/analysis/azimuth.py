"""From where around the bench a clip was filmed, as an angle and in words.

In: the camera's turn out of the square view, degrees, and the pose table, image px. Out: the
azimuth in degrees: 0 from the feet, 90 from beside the bench, more toward the head's end.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from barpath.analysis.filmfacts import Fact
from barpath.ground.uncertainty import expand, state
from barpath.ground.view import View

ACROSS = ("hand", "plate", "collar")
"""Read on both sides, they show which way the bar runs in the picture."""
SQUARE_DEG = 5.0
"""Closer to square it does not matter on which side of it the camera stands."""
LEAST_ACROSS = 0.1
"""Of the plate's size in the picture: ends less far apart do not tell."""
BESIDE_DEG = 90.0


def azimuth_of(
    angle_deg: Fact, shows: View, near: str, plate_px: float, poses: pd.DataFrame
) -> Fact:
    """Where the camera stands around the bench: 0 from the feet, 90 from beside, more at the head.

    A circle seen at a slant looks alike from both sides; in which direction the bar's far end is
    seen tells them apart.

    Parameters
    ----------
    angle_deg : Fact
        How far the camera is turned out of the square view, of either sign.
    shows : View
    near : {'left', 'right', ''}
        The lifter's side nearer the camera, where it is known.
    plate_px : float
        Apparent diameter of the plate; NaN without.
    poses : DataFrame
        Pose table.

    Returns
    -------
    Fact
        Degrees; without a value where it cannot be told, and why.
    """
    size = Fact(abs(angle_deg.value), angle_deg.sd)
    if shows.both_ends:
        return size
    if size.value <= SQUARE_DEG:
        return Fact(BESIDE_DEG, math.hypot(size.value, size.sd))
    if not near:
        return Fact(reason="Which way the lifter's head lies could not be told.")
    far = "left" if near == "right" else "right"
    ways = [poses[f"{far}_{point}_x_px"] - poses[f"{near}_{point}_x_px"] for point in ACROSS]
    known = np.concatenate(ways)[np.isfinite(np.concatenate(ways))]
    # The head lies to the image's right of a camera at the lifter's left.
    toward_head = float(np.median(known)) * (1 if near == "left" else -1) if len(known) else 0
    if abs(toward_head) < LEAST_ACROSS * plate_px:
        return Fact(reason="On which side of the bar's line the camera stands could not be told.")
    out = 1 if toward_head > 0 else -1
    return Fact(BESIDE_DEG + out * size.value, size.sd)


def place_words(azimuth: Fact, shows: View, near: str) -> str:
    """From where it was filmed, as is said of a set that was filmed.

    Parameters
    ----------
    azimuth : Fact
        From `azimuth_of`.
    shows, near
        As there.

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
    if not math.isfinite(azimuth.value):
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
