"""Strokes and letters on a picture, and the settings of all that is drawn on frames.

Colours differ in lightness as well as in hue, so that they stay apart under the common
colour-vision deficiencies; every stroke lies on a dark outline, so that it shows on any background.
Positions are image pixels (origin at the centre of the top-left pixel, x right, y down).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import matplotlib
import numpy as np
from matplotlib.font_manager import FontProperties, get_font
from matplotlib.textpath import TextPath

_SHIFT = 4
_SUBPIXEL = 1 << _SHIFT


@dataclass(frozen=True)
class OverlayConfig:
    """How frames are annotated; colours are RGB.

    Attributes
    ----------
    line_share : float
        Line width as a share of the picture's shorter side.
    text_share : float
        Height of the letters' em as a share of the shorter side.
    text_min_px : int
        The same, at least.
    sure_confidence : float
        Joints below this are drawn hollow and their segments dashed.
    shown_confidence : float
        Joints below this are not drawn.
    bottom_width_px : int
        Width of the cut-out of the bottom.
    bottom_text_share : float
        Height of the letters' em in it, as a share of its width: readable on a telephone.
    pose_gap_s : float
        Between two rows of the pose table no further apart than this, joints are interpolated.
    outline_colour, path_colour, plate_colour, bar_colour, joint_colour, text_colour : tuple of int
        Colours.
    """

    line_share: float = 1 / 300
    text_share: float = 1 / 30
    text_min_px: int = 11
    sure_confidence: float = 0.5
    shown_confidence: float = 0.1
    bottom_width_px: int = 960
    bottom_text_share: float = 1 / 24
    pose_gap_s: float = 0.35
    outline_colour: tuple[int, int, int] = (16, 18, 24)
    path_colour: tuple[int, int, int] = (255, 214, 74)
    plate_colour: tuple[int, int, int] = (92, 176, 255)
    bar_colour: tuple[int, int, int] = (255, 122, 74)
    joint_colour: tuple[int, int, int] = (240, 240, 245)
    text_colour: tuple[int, int, int] = (255, 255, 255)


class Pen:
    """Strokes on a dark outline, to a sixteenth of a pixel."""

    def __init__(self, image: np.ndarray, width: int, outline: tuple[int, int, int]) -> None:
        self.image = image
        self.width = width
        self.outline = outline
        self.rim = width + 2 * max(1, round(width * 0.6))

    def lines(self, runs: Sequence[np.ndarray], colour: tuple[int, int, int]) -> None:
        """Draw lines through points, each of shape (n, 2), in pixels."""
        points = _near(np.concatenate(runs), self.image.shape)
        cuts = np.cumsum([len(r) for r in runs])[:-1]
        fixed = np.split(np.rint(points * _SUBPIXEL).astype(np.int32), cuts)
        for tint, width in ((self.outline, self.rim), (colour, self.width)):
            cv2.polylines(self.image, fixed, False, tint, width, cv2.LINE_AA, _SHIFT)

    def dashes(self, points: np.ndarray) -> list[np.ndarray]:
        """Cut a line into dashes that suit the stroke's width."""
        return _dashes(points, 5.0 * self.width)

    def ellipse(
        self,
        ellipse: tuple[float, float, float, float, float],
        colour: tuple[int, int, int],
        *,
        dashed: bool = False,
    ) -> None:
        """Draw an ellipse given by centre, full axes (px) and angle (deg)."""
        x, y, major, minor, angle = ellipse
        t = np.linspace(0.0, 2.0 * np.pi, 73)
        c, s = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
        u, v = 0.5 * major * np.cos(t), 0.5 * minor * np.sin(t)
        outline = np.column_stack([x + c * u - s * v, y + s * u + c * v])
        self.lines(self.dashes(outline) if dashed else [outline], colour)

    def dot(
        self,
        centre: tuple[float, float],
        radius: float,
        colour: tuple[int, int, int],
        *,
        hollow: bool,
    ) -> None:
        """Draw a disc, with a dark middle when hollow."""
        reach = 4.0 * max(self.image.shape[:2])
        x, y = (round(min(max(c, -reach), reach) * _SUBPIXEL) for c in centre)
        rim = 0.5 * (self.rim - self.width)
        discs = [(self.outline, radius + rim), (colour, radius)]
        if hollow:
            discs.append((self.outline, 0.6 * radius))
        for tint, r in discs:
            cv2.circle(
                self.image, (x, y), round(r * _SUBPIXEL), tint, cv2.FILLED, cv2.LINE_AA, _SHIFT
            )


def shade(
    image: np.ndarray, x: int, y: int, width: int, height: int, config: OverlayConfig
) -> None:
    """Darken a box of a picture, so that letters show on it."""
    box = image[max(y, 0) : y + height, x : x + width]
    box[:] = cv2.convertScaleAbs(box, alpha=0.22, beta=0.78 * float(np.mean(config.outline_colour)))


@lru_cache(maxsize=512)
def _glyph(character: str, size: int) -> tuple[np.ndarray, int, int, float]:
    """Coverage 0..255 of one letter, its left and top offset from the pen, its advance (px)."""
    fine = 4
    file = Path(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf")
    font = get_font(str(file))
    font.set_size(size, 72)
    advance = font.load_char(ord(character)).linearHoriAdvance / 65536
    if character.isspace():
        return np.zeros((0, 0), np.uint8), 0, 0, advance
    outline = TextPath((0.0, 0.0), character, size=fine * size, prop=FontProperties(fname=file))
    rings = [np.asarray(ring, float) * [1.0, -1.0] for ring in outline.to_polygons()]
    corners = np.concatenate(rings) / fine
    left, top = np.floor(corners.min(axis=0)).astype(int)
    right, bottom = np.ceil(corners.max(axis=0)).astype(int)
    corner = fine * np.array([left, top])
    canvas = np.zeros((fine * (bottom - top), fine * (right - left)), np.uint8)
    cv2.fillPoly(
        canvas,
        [np.round((r - corner) * _SUBPIXEL).astype(np.int32) for r in rings],
        255,
        cv2.LINE_8,
        _SHIFT,
    )
    cover = cv2.resize(canvas, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    return cover, int(left), int(top), advance


def text_width(text: str, size: int) -> int:
    """How wide a text of letters of a size is (px)."""
    return int(np.ceil(sum(_glyph(c, size)[3] for c in text)))


def _line(text: str, size: int, colour: tuple[int, int, int]) -> np.ndarray:
    """Text on black, shape (2 size, width, 3); baseline at 1.5 size."""
    canvas = np.zeros((2 * size, text_width(text, size) + size), np.uint8)
    x, baseline = 0.0, round(1.5 * size)
    for character in text:
        cover, left, top, advance = _glyph(character, size)
        x0, y0 = max(round(x) + left, 0), baseline + top
        part = canvas[y0 : y0 + cover.shape[0], x0 : x0 + cover.shape[1]]
        np.maximum(part, cover, out=part)
        x += advance
    return np.round(canvas[..., None] * (np.array(colour) / 255.0)).astype(np.uint8)


def write_text(
    image: np.ndarray, text: str, x: int, baseline: int, size: int, colour: tuple[int, int, int]
) -> None:
    """Write on a shaded box: on a dark ground the lighter of the two is the blend."""
    line = _line(text, size, colour)
    y = baseline - round(1.5 * size)
    line = line[max(-y, 0) :]
    part = image[max(y, 0) : max(y, 0) + len(line), x : x + line.shape[1]]
    np.maximum(part, line[: part.shape[0], : part.shape[1]], out=part)


def _near(points: np.ndarray, shape: Sequence[int]) -> np.ndarray:
    """Keep points within what OpenCV's fixed-point coordinates can hold."""
    reach = 4.0 * max(shape[:2])
    return points if np.abs(points).max() < reach else np.clip(points, -reach, reach)


def _dashes(points: np.ndarray, length: float) -> list[np.ndarray]:
    """Cut a polyline into dashes of the given length (px), with gaps as long."""
    steps = np.hypot(*(points[1:] - points[:-1]).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if not along[-1] > 0.0:
        return [points]
    n = max(1, round(along[-1] / (2.0 * length)))
    # Half a gap at each end: the joints themselves are marked.
    s = (np.arange(2 * n).reshape(n, 2) + 0.5) * (along[-1] / (2 * n))
    k = np.searchsorted(along[1:-1], s)
    share = (s - along[k]) / steps[k]
    return list(points[k] + share[..., None] * (points[k + 1] - points[k]))


def write_label(
    image: np.ndarray, text: str, place: tuple[float, float], size: int, config: OverlayConfig
) -> None:
    """Text on a shaded box, its top middle at a place, pushed into the picture."""
    width, height = text_width(text, size) + size, round(1.5 * size)
    x = round(min(max(place[0] - width / 2, 0), image.shape[1] - width))
    y = round(min(max(place[1], 0), image.shape[0] - height))
    shade(image, max(x, 0), max(y, 0), width, height, config)
    write_text(
        image, text, max(x, 0) + size // 2, max(y, 0) + round(1.08 * size), size, config.text_colour
    )
