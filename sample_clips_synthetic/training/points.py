"""The points that the network names, and what of them is left and right."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..stills.scenes import POINTS

SEEN, HIDDEN, OUTSIDE, UNKNOWN = 0, 1, 2, 3
"""States of a point; ``UNKNOWN`` where nobody said (real people)."""

STILL_PX = 320
INPUT_PX = 256
HEAT_PX = 64
STRIDE_PX = INPUT_PX // HEAT_PX


def _swap() -> np.ndarray:
    other = {"left": "right", "right": "left"}
    names = [
        f"{other[side]}_{rest}" if side in other else name
        for name in POINTS
        for side, _, rest in (name.partition("_"),)
    ]
    return np.array([POINTS.index(name) for name in names])


MIRROR = _swap()
"""Index of each point's counterpart on the other side."""

WEIGHT = np.array(
    [
        {"shoulder": 1.5, "elbow": 1.5, "wrist": 1.5, "hand": 1.5, "hip": 1.0, "head": 0.7}.get(
            name.partition("_")[2] or name, 0.6
        )
        for name in POINTS
    ],
    dtype=np.float32,
)
"""How much each point counts in the loss."""

RADIUS_95 = 2.4477
"""Standard deviations that hold 95 % of a bivariate normal law: sqrt(chi2(2).ppf(0.95))."""


def view_of(azimuth_deg: NDArray[np.float64]) -> NDArray[np.str_]:
    """Name of the view for the camera's azimuth (0 from the feet, 90 from the lifter's left)."""
    turn = np.abs((azimuth_deg + 180) % 360 - 180)
    names = np.full(turn.shape, "oblique", dtype="<U8")
    names[turn <= 20] = "front"
    names[(turn >= 70) & (turn <= 110)] = "side"
    names[turn > 130] = "head"
    return names
