"""Vertices of many bodies in few bytes: what they differ from a body that is kept anyway."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

STEPS = 4
"""Steps of a body's vertices that make one step of a packed difference: 0.16 mm."""


def pack(vertices: NDArray[np.int16], base: NDArray[np.int16]) -> NDArray[np.uint8]:
    """Low and high bytes of the differences from a base, neighbour after neighbour.

    Parameters
    ----------
    vertices
        Bodies in steps of `body.VERTEX_STEP_M`, (n, vertices, 3).
    base
        The body they are told from, (vertices, 3).

    Returns
    -------
    ndarray
        (2, n, vertices, 3): low bytes first. Neighbours in the mesh's order differ from the base
        alike, so most high bytes are 0; a difference's sign is its lowest bit.
    """
    apart = np.rint((vertices.astype(int) - base) / STEPS).astype(int)
    change = np.diff(apart, axis=1, prepend=0)
    coded = np.where(change >= 0, 2 * change, -2 * change - 1)
    return np.stack([coded & 255, coded >> 8]).astype(np.uint8)


def unpack(packed: NDArray[np.uint8], base: NDArray[np.int16]) -> NDArray[np.int16]:
    """Undo `pack` of one body or many, to within half of `STEPS`.

    Parameters
    ----------
    packed
        (2, ..., vertices, 3).
    base
        As given to `pack`.
    """
    coded = packed[0].astype(int) + 256 * packed[1].astype(int)
    change = np.where(coded % 2 == 0, coded // 2, -(coded + 1) // 2)
    return (base + STEPS * np.cumsum(change, axis=-2)).astype(np.int16)
