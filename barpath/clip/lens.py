"""How a lens bends straight lines, and pictures in which they are straight again."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from barpath.clip.scene import FloatArray

SizePx = tuple[int, int]
_N_STEPS = 8


@dataclass(frozen=True)
class Lens:
    """A lens that bends lines about the picture's middle.

    A point that a pinhole would show at the distance ``r`` from the middle is shown at ``r (1 +
    bend r²)``, distances in halves of the picture's diagonal: the first term of Brown's polynomial
    (Brown 1966, Photogrammetric Engineering 32:444-462; from memory), as OpenCV's ``k1`` with half
    the diagonal for its focal length.

    Attributes
    ----------
    bend : float
        By which share of their distance the corners are moved: inward, below 0, where a wide lens
        bends lines outward (barrel), outward where it bends them inward (pincushion).
    sd : float
        Its standard uncertainty.
    n_structures : int
        Straight structures of the scenery that agree on it.
    """

    bend: float
    sd: float
    n_structures: int

    def straightened(self, points_px: ArrayLike, size_px: SizePx) -> FloatArray:
        """Where points of a picture lie once it is straightened.

        Parameters
        ----------
        points_px : array-like, shape (..., 2)
            Origin at the centre of the top-left pixel.
        size_px : tuple of int
            Width and height of the picture.

        Returns
        -------
        ndarray, shape (..., 2)
        """
        middle, half_px = _frame_of(size_px)
        away = (np.asarray(points_px, dtype=float) - middle) / half_px
        return middle + straight(away, self.bend) * half_px / self.reach(size_px)

    def bent(self, points_px: ArrayLike, size_px: SizePx) -> FloatArray:
        """Where points of a straightened picture lie in the picture as filmed; see there."""
        middle, half_px = _frame_of(size_px)
        away = (np.asarray(points_px, dtype=float) - middle) / half_px * self.reach(size_px)
        return middle + away * (1.0 + self.bend * (away**2).sum(axis=-1, keepdims=True)) * half_px

    def reach(self, size_px: SizePx) -> float:
        """How much farther from the middle than a picture as filmed a straightened one reaches.

        As far as it can without showing a place that was not filmed.
        """
        middle, half_px = _frame_of(size_px)
        border = np.array([[0.0, middle.min()], middle]) / half_px
        return float(np.min(np.hypot(*straight(border, self.bend).T) / np.hypot(*border.T)))


def straight(away: ArrayLike, bend: float) -> FloatArray:
    """Undo a bend at offsets from the middle, shape (..., 2), in halves of the diagonal.

    Examples
    --------
    >>> straight([[0.0, 0.5 * (1 - 0.02 * 0.25)]], -0.02).round(12).tolist()
    [[0.0, 0.5]]
    """
    seen = np.asarray(away, dtype=float)
    distance = np.linalg.norm(seen, axis=-1, keepdims=True)
    found = distance
    for _ in range(_N_STEPS):
        # Newton's method.
        miss = found * (1.0 + bend * found**2) - distance
        found = found - miss / (1.0 + 3.0 * bend * found**2)
    return seen * found / np.where(distance > 0, distance, 1.0)


def _frame_of(size_px: SizePx) -> tuple[FloatArray, float]:
    """Middle of a picture, and half its diagonal."""
    width, height = size_px
    return np.array([(width - 1) / 2, (height - 1) / 2]), float(np.hypot(width, height) / 2)


class Straightener:
    """Pictures of one size as a lens that bends no lines would have shown them.

    Parameters
    ----------
    lens : Lens
    size_px : tuple of int
        Width and height of the pictures, which they keep.
    """

    def __init__(self, lens: Lens, size_px: SizePx) -> None:
        middle, half_px = _frame_of(size_px)
        filmed = np.array([[half_px, 0.0, middle[0]], [0.0, half_px, middle[1]], [0.0, 0.0, 1.0]])
        shown = filmed.copy()
        shown[[0, 1], [0, 1]] /= lens.reach(size_px)
        self._maps = cv2.initUndistortRectifyMap(
            filmed, np.array([lens.bend, 0.0, 0.0, 0.0]), None, shown, size_px, cv2.CV_16SC2
        )

    def image(self, image: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """A picture straightened, grey or of several colours."""
        # Linear weights take a seventh of the time, but smear edges: from the side they moved range
        # of motion by 0.4 mm (2 clips).
        straightened = cv2.remap(
            image, *self._maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(straightened, np.uint8)
