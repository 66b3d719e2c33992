"""The points that the network names, and what of them is left and right."""

from __future__ import annotations

import numpy as np

POINTS: tuple[str, ...] = (
    *(
        f"{side}_{name}"
        for name in ("shoulder", "elbow", "wrist", "hand", "hip", "knee", "ankle")
        for side in ("left", "right")
    ),
    "head",
    *(f"{side}_{name}" for name in ("plate", "collar", "bar_end") for side in ("left", "right")),
)
"""Names in the order of the network's output; left and right are the lifter's own."""

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
