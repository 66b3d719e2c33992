"""Long edges of a picture, followed row by row to a small part of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.clip.scene import FloatArray, SceneConfig
from barpath.clip.scenelines import line_segments
from barpath.ground.choice import ranked


@dataclass(frozen=True)
class EdgeConfig:
    """Settings of this stage.

    Attributes
    ----------
    blur_px : float
        By which pictures are smoothed before their slopes are taken.
    seed_share, least_share : float
        Shortest straight piece that an edge is followed from, and shortest edge that is kept, in
        halves of the picture's diagonal.
    most_seeds : int
        Pieces that edges are followed from, the longest first.
    near_px, onward_px : float
        How far off a straight piece, and off the way so far, an edge is looked for.
    step_share : float
        Of its length so far, how much an edge is taken onward at a time.
    seen_share : float
        Of a stretch that must show the edge.
    gaps : int
        Stretches without it that are passed over.
    contrast_share, least_slope : float
        An edge ends where it is weaker than this share of its usual slope, or than so many grey
        levels a pixel.
    """

    blur_px: float = 1.0
    seed_share: float = 0.1
    least_share: float = 0.3
    most_seeds: int = 48
    near_px: float = 2.0
    onward_px: float = 1.2
    step_share: float = 0.12
    seen_share: float = 0.6
    gaps: int = 3
    contrast_share: float = 0.3
    least_slope: float = 1.0


_LEAST_ROWS = 12
_LEAST_FOR_CURVE = 60


def edge_lines(
    image: NDArray[np.uint8], config: EdgeConfig, scene: SceneConfig
) -> list[FloatArray]:
    """Follow the long, nearly straight edges of a picture.

    An edge is where the picture's slope is greatest along a row (of one nearer to level: along a
    column), by a parabola through the logarithms of three slopes, which is exact for an edge that
    is blurred as by a Gaussian.

    Parameters
    ----------
    image
        ``uint8``, grey or RGB.
    config, scene
        Settings.

    Returns
    -------
    list of ndarray, shape (n, 2)
        Places on each edge, px, in order along it.
    """
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), config.blur_px)
    slope_x = 0.5 * np.asarray(cv2.Sobel(smooth, cv2.CV_64F, 1, 0, ksize=1), dtype=float)
    slope_y = 0.5 * np.asarray(cv2.Sobel(smooth, cv2.CV_64F, 0, 1, ksize=1), dtype=float)
    half_px = np.hypot(*grey.shape) / 2
    seeds = line_segments(np.asarray(grey, np.uint8), scene)
    length = np.linalg.norm(seeds[:, 1] - seeds[:, 0], axis=1)
    order = [i for i in ranked(length) if length[i] > config.seed_share * half_px]
    waiting = [seeds[i] for i in order[: config.most_seeds]]
    found = []
    while waiting:
        seed = waiting.pop(0)
        run = np.abs(seed[1] - seed[0])
        steep = bool(run[1] > run[0])
        # Of an edge nearer to level columns are rows.
        turned = seed if steep else seed[:, ::-1]
        edge = _Edge.at(turned, slope_x if steep else slope_y.T, config)
        if edge is None:
            continue
        edge.grow()
        line = edge.points()
        waiting = [other for other in waiting if not _covers(line, other, steep)]
        if np.ptp(line[:, 1]) > config.least_share * half_px:
            found.append(line if steep else line[:, ::-1])
    return found


def _covers(line: FloatArray, seed: FloatArray, steep: bool) -> bool:
    """Whether a straight piece lies on an edge that was followed."""
    x, y = (seed if steep else seed[:, ::-1]).T
    return bool((np.abs(np.interp(y, line[:, 1], line[:, 0], np.inf, np.inf) - x) < 2.5).all())


class _Edge:
    """An edge that is being followed, as columns over rows of the slope across it."""

    def __init__(
        self,
        slope: FloatArray,
        sign: float,
        rows: FloatArray,
        columns: FloatArray,
        least: float,
        config: EdgeConfig,
    ) -> None:
        self._slope, self._sign, self._least, self._config = slope, sign, least, config
        self._rows, self._columns = [rows], [columns]

    @classmethod
    def at(cls, seed: FloatArray, slope: FloatArray, config: EdgeConfig) -> _Edge | None:
        """The one along a straight piece, if there is one nearly all along it."""
        (x0, y0), (x1, y1) = seed if seed[0, 1] < seed[1, 1] else seed[::-1]
        rows = np.arange(np.ceil(y0), np.floor(y1) + 1)
        rows = rows[(rows >= 0) & (rows < slope.shape[0])]
        guess = x0 + (rows - y0) * (x1 - x0) / (y1 - y0)
        inside = (guess > 1) & (guess < slope.shape[1] - 2)
        if inside.sum() < _LEAST_ROWS:
            return None
        place = np.round(guess[inside]).astype(int)[:, None] + np.arange(-1, 2)
        near = slope[rows[inside].astype(int)[:, None], place]
        sign = 1.0 if near.sum() > 0 else -1.0
        usual = float(np.median(np.abs(near).max(axis=1)))
        least = max(config.least_slope, config.contrast_share * usual)
        columns = _crossings(slope, sign, rows, guess, config.near_px, least)
        seen = np.isfinite(columns)
        if seen.sum() < max(_LEAST_ROWS, config.seen_share * len(rows)):
            return None
        return cls(slope, sign, rows[seen], columns[seen], least, config)

    def grow(self) -> None:
        """Take it onward at both ends, as long as it shows."""
        config, height = self._config, self._slope.shape[0]
        ends = {-1: float(self._rows[0][0]), 1: float(self._rows[0][-1])}
        missed = {-1: 0, 1: 0}
        while missed:
            for side in list(missed):
                rows = np.concatenate(self._rows)
                columns = np.concatenate(self._columns)
                low, high = rows.min(), rows.max()
                middle, span = (low + high) / 2, max((high - low) / 2, 1.0)
                degree = 2 if len(rows) > _LEAST_FOR_CURVE else 1
                way = np.polyfit((rows - middle) / span, columns, degree)
                step = max(10.0, round(2 * config.step_share * span))
                first, last = ends[side] + side, ends[side] + side * step
                onward = np.arange(max(min(first, last), 0), min(max(first, last), height - 1) + 1)
                if len(onward) < 5:
                    del missed[side]
                    continue
                guess = np.polyval(way, (onward - middle) / span)
                found = _crossings(
                    self._slope, self._sign, onward, guess, config.onward_px, self._least
                )
                seen = np.isfinite(found)
                ends[side] = last
                if seen.sum() >= config.seen_share * len(onward):
                    self._rows.append(onward[seen])
                    self._columns.append(found[seen])
                    missed[side] = 0
                else:
                    missed[side] += 1
                    if missed[side] > config.gaps:
                        del missed[side]

    def points(self) -> FloatArray:
        """Columns and rows, by row."""
        rows, columns = np.concatenate(self._rows), np.concatenate(self._columns)
        order = np.argsort(rows, kind="stable")
        return np.column_stack([columns[order], rows[order]])


def _crossings(
    slope: FloatArray,
    sign: float,
    rows: FloatArray,
    guess: FloatArray,
    reach_px: float,
    least: float,
) -> FloatArray:
    """Where, in each row, the slope with a sign peaks nearest to a guess; NaN where it does not."""
    found = np.full(len(rows), np.nan)
    wide = int(np.ceil(reach_px)) + 2
    base = np.round(guess).astype(int)
    inside = (base >= wide) & (base < slope.shape[1] - wide)
    if not inside.any():
        return found
    columns = base[inside, None] + np.arange(-wide, wide + 1)
    near = sign * slope[rows[inside].astype(int)[:, None], columns]
    low, top, high = near[:, :-2], near[:, 1:-1], near[:, 2:]
    peak = (top >= low) & (top > high) & (top > least)
    left, middle, right = (np.log(np.maximum(part, 1e-3)) for part in (low, top, high))
    bend = np.where(peak, left - 2 * middle + right, -1.0)
    place = columns[:, 1:-1] + np.where(peak, 0.5 * (left - right) / bend, 0.0)
    off = np.where(peak, np.abs(place - guess[inside, None]), np.inf)
    nearest = off.argmin(axis=1)
    each = np.arange(len(nearest))
    found[inside] = np.where(off[each, nearest] < reach_px, place[each, nearest], np.nan)
    return found
