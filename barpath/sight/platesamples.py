"""Pictures from all through the clip, made small and steadied, and what moves in them.

In: samples (full pictures with times in s) and the camera's transforms, px. Out: work pictures,
maps of edges in them weighted by what moves, and the ways between px of the work picture, of the
steadied one and of the full image.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from barpath.sight.pictures import FrameLike, grey_levels, smaller
from barpath.sight.plate import PlateConfig
from barpath.sight.platemaps import orientation_maps, padded_shape

FloatArray = NDArray[np.floating]


class PlateSamples:
    """Samples reduced to work size, with what moves in them."""

    def __init__(
        self, samples: Sequence[FrameLike], transforms: FloatArray | None, config: PlateConfig
    ) -> None:
        self.samples = samples
        height, width = samples[0].image.shape[:2]
        self.factor = min(1.0, float(np.sqrt(config.work_area_px / (width * height))))
        size = (max(round(width * self.factor), 8), max(round(height * self.factor), 8))
        self.small = [
            frame.image if self.factor == 1.0 else smaller(frame.image, size) for frame in samples
        ]
        self.shape = (size[1], size[0])
        self.scale = np.array([size[0] / width, size[1] / height])
        self.time_s = np.array([frame.time_s for frame in samples])
        self.index = np.array([frame.index for frame in samples])
        self.transforms = np.tile(np.eye(2, 3), (len(samples), 1, 1))
        if transforms is not None:
            self.transforms = np.asarray(transforms, dtype=float).copy()
            # x_work = (x + 0.5) * scale - 0.5 on both sides of the transform.
            linear = self.transforms[:, :, :2]
            shift = np.einsum("nij,j->ni", linear, 0.5 / self.scale - 0.5)
            self.transforms[:, :, 2] = (shift + self.transforms[:, :, 2] + 0.5) * self.scale - 0.5
        self._maps: dict[tuple[int, int, bool], FloatArray] = {}
        self._find_motion()

    def _find_motion(self) -> None:
        """Where anything changes over the samples, and the scene's usual look, steadied."""
        pick = np.unique(np.linspace(0, len(self.small) - 1, 60).astype(int))
        size = (self.shape[1], self.shape[0])
        grey = []
        for k in pick:
            smooth = cv2.GaussianBlur(grey_levels(self.small[k]), (0, 0), 1.0)
            grey.append(
                cv2.warpAffine(smooth, self.transforms[k], size, borderMode=cv2.BORDER_REPLICATE)
            )
        stack = np.stack(grey)
        self.usual = np.median(stack, axis=0).astype(np.float32)
        spread = stack.astype(np.float32).std(axis=0)
        self.noise = float(np.clip(2.0 * np.median(spread), 3.0, 10.0))
        moving = np.clip((spread - self.noise) / self.noise, 0, 1)
        self.still = (moving < 0.15).astype(np.float32)
        self.moving = cv2.dilate(moving, np.ones((5, 5), np.uint8))

    def weight(self, k: int) -> FloatArray:
        """Weight 0..1 of every work pixel of sample `k`: highest where it differs from usual."""
        size = (self.shape[1], self.shape[0])
        back = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
        at = self.transforms[k]
        usual = cv2.warpAffine(self.usual, at, size, flags=back, borderMode=cv2.BORDER_REPLICATE)
        moving = cv2.warpAffine(self.moving, at, size, flags=back, borderValue=1.0)
        grey = grey_levels(self.small[k])
        differs = np.abs(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0) - usual)
        differs = cv2.dilate(np.clip(differs / (2.0 * self.noise) - 0.5, 0, 1), np.ones((5, 5)))
        return moving * (0.6 + 0.4 * differs)

    def beside_still(self, k: int, points: FloatArray, normals: FloatArray) -> FloatArray:
        """Whether the picture just outside an outline never changes, 0..1 for each point.

        `points` and `normals`, shape (n, 2), are in px of sample `k`.
        """
        work = (points + 0.5) * self.scale - 0.5
        reach = float(np.clip(0.05 * np.ptp(work, axis=0).mean() / 2, 1.5, 3.0))
        work = work + reach * normals
        at = self.to_steady(k, work).astype(np.float32)
        look = cv2.remap(self.still, at[:, :1], at[:, 1:], cv2.INTER_LINEAR, borderValue=1.0)
        return np.asarray(look, np.float32).ravel()

    def to_steady(self, k: int, xy: FloatArray) -> FloatArray:
        """Work px of sample `k` to steadied work px."""
        return xy @ self.transforms[k][:, :2].T + self.transforms[k][:, 2]

    def to_image(self, xy: FloatArray) -> FloatArray:
        """Work px to px of the full image."""
        return (xy + 0.5) / self.scale - 0.5

    def padded_shape(self, level: int) -> tuple[int, int]:
        """Size to which the orientation maps of a level are padded."""
        return padded_shape((self.shape[0] >> level, self.shape[1] >> level), 14)

    def level_maps(
        self, k: int, levels: Iterable[int], weighted: bool
    ) -> dict[int, tuple[NDArray[np.complexfloating], tuple[int, int], tuple[int, int]]]:
        """Transformed orientation maps of sample `k` per level, with padded and true shapes."""
        result = {}
        for level in levels:
            maps = self.orientation(k, level, weighted)
            padded = self.padded_shape(level)
            result[level] = (fft.rfft2(maps, s=padded), padded, maps.shape[1:])
        return result

    def orientation(self, k: int, level: int, weighted: bool) -> FloatArray:
        """Orientation maps of sample `k` at a level, shape (2, H, W), kept once made."""
        have = self._maps.get((k, level, weighted))
        if have is not None:
            return have
        image = self.small[k]
        size = (self.shape[1] >> level, self.shape[0] >> level)
        if level:
            image = smaller(image, size)
        maps = orientation_maps(image)
        if weighted:
            weight = self.weight(k)
            if level:
                reduced = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
                weight = np.asarray(reduced, weight.dtype)
            maps = (maps * weight).astype(np.float32)
        self._maps[k, level, weighted] = maps
        return maps
