"""From a decoded picture to an upright image with square pixels."""

import math
from dataclasses import dataclass
from typing import Any, Self

import cv2
import numpy as np
from av.sidedata.sidedata import Type as SideDataType
from av.video.frame import VideoFrame
from av.video.reformatter import Colorspace, Interpolation, VideoReformatter
from av.video.stream import VideoStream

# ITU-T H.273 code point of "unspecified" matrix coefficients.
_MATRIX_UNSPECIFIED = 2
# Above this many lines an untagged clip is taken as BT.709, else as BT.601 (common practice, no
# source).
_SD_MAX_LINES = 576


@dataclass(frozen=True)
class Geometry:
    """From the coded picture to an upright one with square pixels."""

    coded_px: tuple[int, int]
    pixel_aspect: float
    rotation_deg: int
    mirrored: bool

    @classmethod
    def of(cls, frame: VideoFrame, video: VideoStream) -> Self:
        """That of a decoded frame."""
        aspect = float(video.sample_aspect_ratio or 1) or 1.0
        rotation_deg, mirrored = _orientation(frame)
        return cls((frame.width, frame.height), aspect, rotation_deg, mirrored)

    def scaled_px(self, max_side_px: int | None) -> tuple[int, int]:
        """Width and height to scale the coded picture to, before it is turned."""
        width, height = self.coded_px
        # The coarser direction is stretched, so that no detail is lost.
        square = (
            width * max(self.pixel_aspect, 1.0),
            height / min(self.pixel_aspect, 1.0),
        )
        shrink = 1.0 if max_side_px is None else min(1.0, max_side_px / max(square))
        return max(round(square[0] * shrink), 1), max(round(square[1] * shrink), 1)

    def size_px(self, max_side_px: int | None) -> tuple[int, int]:
        """Width and height of the upright image."""
        width, height = self.scaled_px(max_side_px)
        return (height, width) if self.rotation_deg % 180 else (width, height)

    def upright(self, image: np.ndarray) -> np.ndarray:
        """An image as coded, turned as it is to be shown."""
        if self.mirrored:
            image = cv2.flip(image, 1)
        turns = {
            90: cv2.ROTATE_90_CLOCKWISE,
            180: cv2.ROTATE_180,
            270: cv2.ROTATE_90_COUNTERCLOCKWISE,
        }
        return cv2.rotate(image, turns[self.rotation_deg]) if self.rotation_deg else image


def _orientation(frame: VideoFrame) -> tuple[int, bool]:
    """Clockwise turn to the nearest right angle, and whether to flip left-right before it.

    The display matrix maps the coded point (x, y), y down, to (a x + c y, b x + d y) on the screen
    (ISO/IEC 14496-12, track header box).
    """
    # PyAV's own types know of fewer kinds than there are.
    kinds: Any = frame.side_data
    matrix = kinds.get(SideDataType.DISPLAYMATRIX)
    if matrix is None:
        return 0, False
    a, b, _, c, d = np.frombuffer(bytes(matrix), np.int32)[:5].astype(float)
    mirrored = a * d - b * c < 0
    if mirrored:
        a, b = -a, -b
    angle_deg = math.degrees(math.atan2(b - c, a + d))
    return round(angle_deg / 90.0) % 4 * 90, mirrored


class Converter:
    """Decoded frame to an upright 8-bit image, scaled and converted in one pass of swscale."""

    def __init__(self, geometry: Geometry, max_side_px: int | None, grey: bool) -> None:
        self._geometry = geometry
        self._size = geometry.scaled_px(max_side_px)
        self._grey = grey
        # Exact rounding costs nothing beside scaling, but turns off the fast path at full size.
        self._interpolation = (
            Interpolation.BILINEAR
            if self._size == geometry.coded_px
            else Interpolation.AREA | Interpolation.ACCURATE_RND
        )
        self._reformatter = VideoReformatter()

    def image(self, frame: VideoFrame) -> np.ndarray:
        """The image of a decoded frame."""
        matrix = None
        if self._grey:
            # The same matrix on both sides keeps swscale from going by way of RGB: the clip's own
            # luma comes out, at a third of the cost.
            matrix = Colorspace.ITU601
        elif (
            frame.colorspace == _MATRIX_UNSPECIFIED
            and min(frame.width, frame.height) > _SD_MAX_LINES
        ):
            matrix = Colorspace.ITU709
        converted = self._reformatter.reformat(
            frame,
            *self._size,
            format="gray" if self._grey else "rgb24",
            src_colorspace=matrix,
            dst_colorspace=matrix,
            interpolation=self._interpolation,
        )
        # swscale pads rows to whole vector registers; users need plain arrays.
        return np.ascontiguousarray(self._geometry.upright(converted.to_ndarray()))
