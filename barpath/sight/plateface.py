"""Where a followed plate's face lies, to a small part of a pixel, by its rings and lines.

In: pictures, and the outline followed in each, as the parameters of `ellipse`, px. Out: by how much
each outline's centre is off, px.

A plate's outline borders on whatever is behind it: for some frames a part of it may lie on the
edge of a bench or of another plate, and the centre goes along. What is on the face moves with the
plate alone. Its middle is not the outline's, but the way from one to the other changes evenly with
the plate's place, so that the outline tells where the middle is and the face what moved.
"""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.uncertainty import MAD_TO_SD, biweights
from barpath.sight.ellipse import mean_radius, outline_matrix
from barpath.sight.pictures import laid_about

FloatArray = NDArray[np.floating]

_RADIUS_PX = 40.0
"""Mean radius of the outline in the pictures that are compared; smaller ones stay as they are."""
_INNER, _OUTER = 0.15, 0.86
"""Part of the radius where the face is: outside of the sleeve's end, inside of the rim."""
_LEAST_RADIUS_PX = 12.0
_NOISE_GREY = 6.0
_LEARNED_FRAMES = 60
"""Grey levels that pictures of one thing differ by, and over how many frames it is learned."""
_N_STEPS = 5
_HUBER = 2.0
_CLOSE = 5.0
_CHANGE_PER_PX = 0.02
"""By which the face's middle goes away from the outline's: what stands out by 6 cm, at 3 m."""
_LEAST_FRAMES = 30
_MOST_SD_PX = 0.25
"""Where a face's place is known no better, such as on one without a line, it tells nothing."""


class PlateFace:
    """The face in all pictures so far, in one size, and where it lay in each."""

    def __init__(self) -> None:
        self._half = 0
        self._radius_px = np.nan
        self._count = 0
        self._mean = self._variance = np.zeros((0, 0, 3), np.float32)
        self._part = np.zeros((0, 0), bool)
        self._spin = self._growth = np.zeros((0, 2))
        self._found: dict[int, tuple[float, float, float]] = {}

    def add(self, frame: int, image: NDArray[np.uint8], params: FloatArray) -> None:
        """Find the face in a picture, RGB or grey, in which the plate was followed; learn it."""
        radius = mean_radius(params)
        if radius < _LEAST_RADIUS_PX:
            return
        if not self._count:
            self._begin(params, radius)
        picture = self._laid(image, params, radius)
        if picture is None:
            return
        if not self._count:
            self._mean, self._variance = picture, np.zeros_like(picture)
            self._count = 1
            self._found[frame] = (0.0, 0.0, 0.0)
            return
        shift, sd = self._shift(picture)
        if not np.isfinite(sd) or np.hypot(*shift) > _CLOSE:
            return
        zoom = radius / self._radius_px
        self._found[frame] = (shift[0] * zoom, shift[1] * zoom, sd * zoom)
        self._learn(_moved(picture, shift))

    def on_table(self, table: pd.DataFrame) -> pd.DataFrame:
        """A plate table with its outlines moved to where the face tells that they are."""
        table = table.copy()
        centres = table[["x_px", "y_px"]].to_numpy(dtype=float)
        table[["x_px", "y_px"]] = centres + self.corrections(table["frame"].to_numpy(), centres)
        return table

    def corrections(self, frames: FloatArray, centres_px: FloatArray) -> FloatArray:
        """What to add to the outlines' centres, px.

        Parameters
        ----------
        frames : ndarray, shape (n,)
            Numbers of the frames.
        centres_px : ndarray, shape (n, 2)
            Centres of the outlines.

        Returns
        -------
        ndarray, shape (n, 2)
            Zero where the face does not tell.
        """
        none = np.zeros((len(frames), 2))
        found = np.array([self._found.get(int(f), (np.nan,) * 3) for f in frames]).reshape(-1, 3)
        told = np.isfinite(found).all(axis=1) & np.isfinite(centres_px).all(axis=1)
        if told.sum() < _LEAST_FRAMES or np.median(found[told, 2]) > _MOST_SD_PX:
            return none
        # From the face's middle to the outline's, as it changes with the plate's place.
        place = centres_px[told] - centres_px[told].mean(axis=0)
        design = np.column_stack([np.ones(len(place)), place])
        change, sd = none.copy(), found[told, 2]
        for k in range(2):
            off = found[told, k]
            fit, spread = _robust_line(design, off)
            gap = off - fit
            own = np.maximum(spread**2, gap**2)
            change[told, k] = gap * own / (own + sd**2)
        return change

    def _begin(self, params: FloatArray, radius: float) -> None:
        self._radius_px = min(_RADIUS_PX, radius)
        scale = self._radius_px / radius
        outline = outline_matrix(params) * scale
        self._half = int(np.ceil(_OUTER * np.linalg.norm(outline, 2))) + 3
        axis = np.arange(-self._half, self._half + 1.0)
        places = np.stack(np.meshgrid(axis, axis), axis=-1)
        inside = np.linalg.norm(places @ np.linalg.inv(outline).T, axis=-1)
        self._part = (inside > _INNER) & (inside < _OUTER)
        # A turn of the plate about its axis, as the picture shows it, and a change of its size.
        spin = outline @ np.array([[0.0, -1.0], [1.0, 0.0]]) @ np.linalg.inv(outline)
        self._spin = (places @ spin.T)[self._part] / self._radius_px
        self._growth = places[self._part] / self._radius_px

    def _laid(
        self, image: NDArray[np.uint8], params: FloatArray, radius: float
    ) -> NDArray[np.float32] | None:
        """The picture about the outline's centre, in the common size."""
        laid = laid_about(image, params[:2], self._radius_px / radius, self._half)
        if laid is None:
            return None
        return np.asarray(cv2.GaussianBlur(laid, (0, 0), 1.0), np.float32)

    def _shift(self, picture: NDArray[np.float32]) -> tuple[FloatArray, float]:
        """Where the face lies in the picture, px from its middle, and the standard uncertainty.

        Least squares on grey levels (Lucas and Kanade 1981, Baker and Matthews 2004; from memory),
        together with brightness, contrast, size and turn, places that differ more weighing less.
        """
        mean = self._mean
        dx, dy = (cv2.Sobel(mean, -1, *way, ksize=3) / 8 for way in ((1, 0), (0, 1)))
        slope = np.stack([dx[self._part], dy[self._part]], axis=-1).astype(float)
        grey = mean[self._part].astype(float)
        design = np.stack(
            [
                slope[..., 0],
                slope[..., 1],
                (slope * self._spin[:, None]).sum(axis=-1),
                (slope * self._growth[:, None]).sum(axis=-1),
                grey - grey.mean(),
                np.ones_like(grey),
            ],
            axis=-1,
        ).reshape(-1, 6)
        usual = 1.0 / (_NOISE_GREY**2 + self._variance[self._part].mean(axis=-1))
        usual = np.repeat(usual / usual.max(), grey.shape[1])
        shift = np.zeros(2)
        for _ in range(_N_STEPS):
            off = (_moved(picture, shift) - mean)[self._part].astype(float).ravel()
            spread = MAD_TO_SD * float(np.median(np.abs(off))) + 0.5
            weight = usual / np.maximum(np.abs(off) / (_HUBER * spread), 1.0)
            normal = (design.T * weight) @ design
            normal[np.diag_indices(6)] *= 1 + 1e-9
            normal[np.diag_indices(6)] += 1e-9
            step = np.linalg.solve(normal, (design.T * weight) @ off)[:2]
            shift = shift - step
        # Neighbouring pixels of a smoothed picture, and its colours, err alike.
        alike = 3 * 4 * np.pi
        covariance = np.linalg.inv(normal) * spread**2 * alike
        return shift, float(np.sqrt(max(0.5 * np.trace(covariance[:2, :2]), 0.0)))

    def _learn(self, picture: NDArray[np.float32]) -> None:
        self._count = min(self._count + 1, _LEARNED_FRAMES)
        gap = picture - self._mean
        self._mean = np.asarray(self._mean + gap / self._count, np.float32)
        change = (gap**2 - self._variance) / self._count
        self._variance = np.asarray(self._variance + change, np.float32)


def _moved(picture: NDArray[np.float32], shift: FloatArray) -> NDArray[np.float32]:
    """The picture with what lies `shift` from its middle put there."""
    move = np.array([[1.0, 0.0, -shift[0]], [0.0, 1.0, -shift[1]]])
    size = (picture.shape[1], picture.shape[0])
    return np.asarray(cv2.warpAffine(picture, move, size, borderMode=cv2.BORDER_REPLICATE))


def _robust_line(design: FloatArray, values: FloatArray) -> tuple[FloatArray, float]:
    """Values that a line or plane gives, most of the data deciding, and their spread about it.

    The first column is the level, the others places, with which values change by little.
    """
    known = np.r_[0.0, np.full(design.shape[1] - 1, 1 / _CHANGE_PER_PX**2)]
    weight = np.ones(len(values))
    fit, spread = np.zeros(len(values)), 1.0
    for _ in range(20):
        normal = (design.T * weight) @ design + np.diag(known) * spread**2
        fit = design @ np.linalg.solve(normal, (design.T * weight) @ values)
        spread = MAD_TO_SD * float(np.median(np.abs(values - fit))) + 1e-6
        weight = biweights((values - fit) / (4.685 * spread))
    return fit, spread
