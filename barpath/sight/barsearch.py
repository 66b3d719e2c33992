"""Level lines that move up and down, in pictures from all through the clip.

In: samples and the camera's transforms, px. Out: reduced, steadied grey pictures, the strongest
straight lines of each, in reduced px, and the sets of them that may be one bar.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from barpath.errors import OptionError
from barpath.ground.choice import best_index
from barpath.sight.baredges import noise_level, vertical_gradient
from barpath.sight.barline import BarlineConfig
from barpath.sight.pictures import FrameLike, grey_levels, smaller

FloatArray = NDArray[np.floating]

COLUMN = 4


@dataclass
class BarSamples:
    """Reduced, steadied grey pictures of the frames looked at."""

    grey: NDArray[np.uint8]
    frame: NDArray[np.int64]
    time_s: FloatArray
    transform: FloatArray
    scale: float
    width_px: int
    height_px: int


def reduce(
    samples: Iterable[FrameLike], config: BarlineConfig, camera: Sequence[ArrayLike] | None
) -> BarSamples:
    """Reduce and steady the samples."""
    grey, index, time_s, used = [], [], [], []
    scale, width, height = 1.0, 0, 0
    for number, sample in enumerate(samples):
        transform = np.eye(2, 3)
        if camera is not None:
            transform = np.asarray(camera[number], dtype=float)
            if not np.isfinite(transform).all():
                continue
        image = sample.image
        if width == 0:
            height, width = image.shape[:2]
            scale = max(1.0, width / config.work_width_px)
        elif image.shape[:2] != (height, width):
            raise OptionError("The frames in which the bar is searched for differ in size.")
        small = grey_levels(image)
        if scale > 1.0:
            size = (round(width / scale), round(height / scale))
            small = smaller(small, size)
        if not np.array_equal(transform, np.eye(2, 3)):
            reduced = transform.copy()
            half = 0.5 * (scale - 1.0)
            shift = np.array([half, half])
            reduced[:, 2] = (transform[:, :2] @ shift + transform[:, 2] - shift) / scale
            size = (small.shape[1], small.shape[0])
            steadied = cv2.warpAffine(small, reduced, size, borderMode=cv2.BORDER_REPLICATE)
            small = np.asarray(steadied, np.uint8)
        grey.append(small)
        index.append(int(sample.index))
        time_s.append(float(sample.time_s))
        used.append(transform)
    pictures = np.stack(grey) if grey else np.empty((0, 1, 1), np.uint8)
    return BarSamples(
        pictures, np.array(index), np.array(time_s), np.array(used), scale, width, height
    )


def thin_lines(grey: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return 0..1 per pixel for thin level lines of any usual thickness; columns are pooled."""
    columns = grey.shape[1] // COLUMN
    pooled = cv2.blur(grey, (2 * COLUMN + 1, 1))[:, COLUMN // 2 : columns * COLUMN : COLUMN]
    gradient = vertical_gradient(pooled.astype(np.float32), 0.8)
    noise = noise_level(gradient)
    best = np.zeros_like(gradient)
    for thickness in (2, 3, 4, 5, 6, 8, 10):
        # Edges that many rows apart, of opposite sign; the weaker one counts.
        above, below = gradient[:-thickness], gradient[thickness:]
        weaker = np.minimum(np.abs(above), np.abs(below)) * (above * below < 0)
        middle = best[thickness // 2 : thickness // 2 + len(weaker)]
        np.maximum(middle, weaker, out=middle)
    return np.clip((best - 1.5 * noise) / (6.0 * noise + 2.0), 0.0, 1.0)


def moving_lines(moving: NDArray[np.float32], config: BarlineConfig) -> pd.DataFrame:
    """Return the strongest straight lines of each sample: ``sample, y, drop, support``.

    ``y`` is the row at the middle column, ``drop`` the rows gained from the left border to the
    right, ``support`` the number of (pooled) columns on the line.
    """
    n, rows, columns = moving.shape
    reach = np.tan(np.radians(config.max_slope_deg)) * columns * COLUMN
    drops = np.linspace(-reach, reach, 2 * int(np.ceil(reach / 6.0)) + 1)
    groups = columns // 4
    found = []
    # A line may run between two rows: the best of three neighbouring rows is taken.
    kernel = np.ones((3, 1), np.uint8)
    for sample in range(n):
        wide = cv2.dilate(moving[sample], kernel)
        wide = wide[:, : 4 * groups].reshape(rows, groups, 4).mean(axis=2)
        sums = np.empty((len(drops), rows), np.float32)
        for number, drop in enumerate(drops):
            lean = drop / (groups - 1)
            shear = np.array([[1.0, 0.0, 0.0], [lean, 1.0, -0.5 * drop]])
            straight = cv2.warpAffine(
                wide, shear, (groups, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            )
            sums[number] = 4.0 * cv2.reduce(straight, 1, cv2.REDUCE_SUM).ravel()
        for _ in range(3):
            i, j = best_index(sums)
            if sums[i, j] <= 0:
                break
            found.append((sample, float(j), float(drops[i]), float(sums[i, j])))
            sums[:, max(0, j - 12) : j + 13] = 0.0
    return pd.DataFrame(found, columns=["sample", "y", "drop", "support"])


def line_families(
    lines: pd.DataFrame, config: BarlineConfig, stack: BarSamples
) -> list[NDArray[np.int64]]:
    """Return sets of rows of `lines`, one line a sample, that may be one bar; likeliest first."""
    columns = stack.grey.shape[2] / COLUMN
    families: list[NDArray[np.int64]] = []
    strong = lines[lines.support > 0.25 * config.min_span_share * columns]
    if strong.empty:
        return []
    for share in (0.35, 0.6):
        part = strong[strong.support > share * strong.support.quantile(0.98)]
        slopes, of_slope = np.unique(part["drop"].to_numpy(), return_inverse=True)
        weight = np.bincount(of_slope, part["support"].to_numpy())
        # Half width of the slopes one bar takes: four degrees.
        width = np.tan(np.radians(4.0)) * columns * COLUMN
        near = np.abs(slopes[:, None] - slopes[None, :]) < width
        centre = slopes[best_index(near @ weight)]
        member = part[np.abs(part["drop"] - centre) < width]
        # One line a sample: of lines alike in support the one that slopes like most, then the
        # higher one in the image.
        order = np.lexsort(
            (
                member["y"],
                np.abs(member["drop"] - centre).round(6),
                -member["support"].round(1),
                member["sample"],
            )
        )
        best = member.iloc[order].drop_duplicates("sample")
        chosen = best.index.to_numpy()
        if len(best) >= 4 and not any(np.array_equal(chosen, other) for other in families):
            families.append(chosen)
    return families
