"""Codes of materials and of what is seen, light, and vertices: what scenes hand to the painter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..generator.body import Array
from ..generator.scenery import Soup

# Material codes beyond those of the generator.
GLOW, STRIPES, CHECKS, BLOTCHES, MESH = 12.0, 13.0, 14.0, 15.0, 16.0

# What is seen at a pixel. The lifter's own parts come last.
NOTHING, SCENERY, BAR, PLATES, OTHERS, OCCLUDER = 0, 1, 2, 3, 4, 5
TRUNK, HEAD, LEGS_FROM, ARMS_FROM = 10, 11, 12, 20


@dataclass(frozen=True)
class Light:
    """Light of a scene; colours are linear RGB.

    Attributes
    ----------
    sun
        Unit vector toward the light that casts shadows, (3,).
    sun_colour, sky, ground
        Of that light, and of the light from above and from below.
    fill, fill_colour
        Unit vector toward a light without shadows, and its colour.
    lamp, lamp_colour
        Place of a lamp without shadows, metres, and its colour at one metre.
    haze, haze_m
        Colour of the air and the distance in which it takes over.
    gain
        Exposure.
    soft
        Width of the shadows' edges, as a share of 4.6 m.
    """

    sun: Array
    sun_colour: Array
    sky: Array
    ground: Array
    fill: Array
    fill_colour: Array
    lamp: Array
    lamp_colour: Array
    haze: Array
    haze_m: float
    gain: float
    soft: float


def rows(soup: Soup, group: float) -> NDArray[np.float32]:
    """Vertices of a soup as the card takes them, (n, 14)."""
    out = np.empty((len(soup.position), 14), np.float32)
    out[:, 0:3], out[:, 3:6] = soup.position, soup.normal
    out[:, 6:9], out[:, 9:12] = soup.colour, soup.reference
    out[:, 12], out[:, 13] = soup.material, group
    return out


def rigid(rotation: Array, shift: Array) -> NDArray[np.float64]:
    """The (4, 4) of a turn and a shift."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = shift
    return matrix
