"""Grey levels and parts of pictures, as finders and trackers read them.

In: a picture, RGB or grey, uint8. Out: grey pictures, uint8, in px of the picture given.
"""

from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]


class FrameLike(Protocol):
    """What is needed of a frame."""

    @property
    def index(self) -> int:
        """Rank among the file's stamps."""

    @property
    def time_s(self) -> float:
        """Real seconds from the first frame."""

    @property
    def image(self) -> NDArray[np.uint8]:
        """RGB or grey."""


def grey_levels(image: Image) -> Image:
    """Return a picture's grey levels, shape (H, W)."""
    if image.ndim == 2:
        return image
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)


def smaller(image: Image, size: tuple[int, int]) -> Image:
    """Return a picture reduced to `size`, columns and rows; areas are averaged over."""
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)


def crop_grey(image: Image, x0: int, y0: int, x1: int, y1: int) -> Image:
    """Return the grey part ``[y0:y1, x0:x1]``, borders repeated where it reaches outside."""
    height, width = image.shape[:2]
    a, b = np.clip([x0, x1], 0, width)
    c, d = np.clip([y0, y1], 0, height)
    if b <= a:
        a, b = (0, 1) if x1 <= 0 else (width - 1, width)
    if d <= c:
        c, d = (0, 1) if y1 <= 0 else (height - 1, height)
    grey = grey_levels(image[c:d, a:b])
    pads = (c - y0, y1 - d, a - x0, x1 - b)
    if max(pads) <= 0:
        return grey
    top, bottom, left, right = (max(0, p) for p in pads)
    padded = cv2.copyMakeBorder(grey, top, bottom, left, right, cv2.BORDER_REPLICATE)
    return np.asarray(padded[: y1 - y0, : x1 - x0], np.uint8)


class Moving:
    """Which frames are kept of what moves: evenly over its places, and never too many.

    Parameters
    ----------
    most : int
        So many at most.

    Examples
    --------
    >>> moving, kept = Moving(3), []
    >>> for x in [0.0, 0.1, 2.0, 4.0, 6.0, 8.0]:
    ...     if moving.wants(np.array([x, 0.0]), 1.0):
    ...         kept.append(x)
    ...         moving.thin(kept)
    >>> kept
    [0.0, 4.0, 8.0]
    """

    def __init__(self, most: int) -> None:
        self.most = most
        self._last = np.full(2, np.nan)
        self._every = 1
        self._n_moved = 0

    def wants(self, place_px: NDArray[np.floating], least_px: float) -> bool:
        """Whether a frame is to be kept in which it is there: so far at least from the last."""
        if np.hypot(*(place_px - self._last)) < least_px:
            return False
        self._last = place_px
        self._n_moved += 1
        return (self._n_moved - 1) % self._every == 0

    def thin(self, *kept: list[Any]) -> None:
        """Take every second of what is kept, lists alike in length, where it is too many."""
        if len(kept[0]) > self.most:
            for one in kept:
                del one[1::2]
            self._every *= 2


def laid_about(
    image: Image, centre_px: NDArray[np.floating], zoom: float, half_px: int
) -> NDArray[np.float32] | None:
    """The picture about a place in another size, with the place in the middle.

    Parameters
    ----------
    image : ndarray, shape (h, w) or (h, w, 3)
    centre_px : ndarray, shape (2,)
    zoom : float
        Size wanted over size given.
    half_px : int
        How far the result reaches to each side of its middle.

    Returns
    -------
    ndarray, shape (2 * half_px + 1, 2 * half_px + 1, 3), or None
        None where the picture does not reach; where it ends it goes on as at its edge.

    Examples
    --------
    >>> image = np.zeros((20, 20, 3), np.uint8)
    >>> image[8, 12] = 255
    >>> laid = laid_about(image, np.array([12.0, 8.0]), 1.0, 3)
    >>> laid.shape, float(laid[3, 3, 0])
    ((7, 7, 3), 255.0)
    """
    reach = int(np.ceil(half_px / zoom)) + 4
    x0, y0 = (np.floor(centre_px) - reach).astype(int)
    left, top = max(x0, 0), max(y0, 0)
    part = image[top : max(y0 + 2 * reach, top), left : max(x0 + 2 * reach, left)]
    if min(part.shape[:2]) < 2:
        return None
    if part.ndim == 2:
        part = np.asarray(cv2.cvtColor(part, cv2.COLOR_GRAY2RGB), np.uint8)
    if zoom < 0.75:
        part = np.asarray(cv2.GaussianBlur(part, (0, 0), 0.5 / zoom), np.uint8)
    x, y = centre_px - (left, top)
    move = np.array([[zoom, 0.0, half_px - x * zoom], [0.0, zoom, half_px - y * zoom]])
    size = (2 * half_px + 1, 2 * half_px + 1)
    laid = cv2.warpAffine(part.astype(np.float32), move, size, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(laid, np.float32)
