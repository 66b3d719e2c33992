"""What the round end of a sleeve looks like from its middle outward, and where that is seen again.

Before a wall as bright as the sleeve its outline hardly stands out; a cap, a ring or a screw in the
face goes along with it wherever the bar is, and stays round however the sleeve turns. So what is
seen where the outline is clear tells the place where it is not.

In: colours at points of a face, in rings about its middle. Out: how alike they are to the face's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FaceConfig:
    """How a face is compared.

    Attributes
    ----------
    radii : tuple of float
        Innermost and outermost ring, in the face's radii.
    n_rings, n_around : int
        Rings, and points on each.
    noise : float
        Grey levels by which pictures differ anyway: a face whose rings differ by less than that is
        alike to nothing.
    n_free : float
        So many of the points tell something of their own; the others repeat their neighbours.
    alike : float
        Correlation from which a place looks like the face. On the made clips from the side right
        places have 0.84 and more, others 0.73 and less.
    """

    radii: tuple[float, float] = (0.06, 0.88)
    n_rings: int = 8
    n_around: int = 20
    noise: float = 2.0
    n_free: float = 24.0
    alike: float = 0.8


class Face:
    """How the colours of a face change from its middle outward.

    Parameters
    ----------
    seen : sequence of ndarray, shape (rings, around, 3)
        Colours at the points of `points`, where the face was seen clearly.
    config : FaceConfig
    """

    def __init__(self, seen: Sequence[Floats], config: FaceConfig) -> None:
        self.config = config
        # As a ring's area goes.
        self._weight = _radii(config) / _radii(config).sum()
        profiles = [one.mean(axis=1) for one in seen]
        self._profile = np.median(
            [one - np.tensordot(self._weight, one, 1) for one in profiles], axis=0
        )
        self._square = self._noisy((self._weight[:, None] * self._profile**2).sum())

    def alike(self, colours: Floats) -> Floats:
        """Correlation of colours, shape (n, rings, around, 3), with the face's, shape (n,).

        Whatever the light is: of each colour the mean is taken off.
        """
        weight = (self._weight / self.config.n_around)[:, None, None]
        off = colours - (colours * weight).sum(axis=(1, 2), keepdims=True)
        both = (off * weight * self._profile[:, None]).sum(axis=(1, 2, 3))
        return both / np.sqrt(self._square * self._noisy((off**2 * weight).sum(axis=(1, 2, 3))))

    def _noisy(self, square: Floats) -> Floats:
        """A sum of squares over the colours, and what noise would make of it."""
        return square + self._profile.shape[-1] * self.config.noise**2

    def odds(self, alike: Floats) -> Floats:
        """Logarithm of the odds that a place so much alike is the face's middle."""
        return -0.5 * self.config.n_free * np.log(1.0 - np.clip(alike, 0.0, 0.995) ** 2)


def points(config: FaceConfig) -> Floats:
    """Points of a face of radius 1 about its middle, ring after ring, shape (rings * around, 2)."""
    angle = np.linspace(0.0, 2.0 * np.pi, config.n_around, endpoint=False)
    around = np.column_stack([np.cos(angle), np.sin(angle)])
    return (_radii(config)[:, None, None] * around).reshape(-1, 2)


def _radii(config: FaceConfig) -> Floats:
    return np.linspace(*config.radii, config.n_rings)
