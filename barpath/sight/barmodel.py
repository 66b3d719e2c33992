"""What moves with a line: pictures laid over each other along it, and the plates in them.

In: reduced pictures and a set of lines, one a picture (`barsearch`). Out: `Model`, the ends, the
pictures by which they are recognised and the shaft's light, in reduced px from the bar's axis.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.choice import best_index, evenly_spread, ranked
from barpath.ground.equipment import POWER_BAR, Bar
from barpath.ground.uncertainty import MAD_TO_SD
from barpath.sight.baredges import vertical_gradient
from barpath.sight.barline import BarEnd, BarlineConfig
from barpath.sight.barsearch import COLUMN, BarSamples
from barpath.sight.shaft import bounds_of, shaft_across, thickness_of

FloatArray = NDArray[np.floating]

# So many pairs of plates are followed, and only those that score this share of the best.
_MOST_PAIRS, _NEAR_BEST = 4, 0.5

# Ends are expected so near, as a share of the distance between them.
_EXPECTED_SHARE = 0.08

# Within this share of it what is seen is surer than what is expected.
_SURE_SHARE = 0.012

# A plate's height over the distance between both is at most that of the largest disc, seen a little
# nearer (here on a power bar); and a plate and what holds it are so thick at least, as a share of
# its height.
_TALLEST_SHARE, _LEAST_DEPTH_SHARE = 0.38, 0.06

# On a power bar the faces lie so many plates' heights apart, at least and at most, and so many of
# what passes for the shaft's thickness.
_PLATES_APART, _SLENDER = (2.4, 12.0), (20.0, 110.0)

# A bar is believed where it is expected when its line covers this share of what lies between.
_LEAST_TOLD_SHARE = 0.3

_LEVELS = 8


@dataclass
class Model:
    """What moves with the bar, in reduced pixels; rows count from the bar's axis."""

    left: BarEnd
    right: BarEnd
    thickness: float
    patches: tuple[FloatArray, FloatArray]
    first: tuple[float, float]
    shaft: FloatArray


def bar_models(
    stack: BarSamples,
    lines: pd.DataFrame,
    kept: NDArray[np.int64],
    moving: NDArray[np.float32],
    expected: FloatArray | None,
    config: BarlineConfig,
    *,
    bare: bool,
) -> Iterator[Model]:
    """Build the picture of what moves rigidly with the line; yield each pair of plates in it.

    Last comes, where the ends are expected, the bar that ends there, be there plates or not.

    Pictures are laid over each other with the line in one place. What moves with the line then
    agrees among them and differs from the scenery that is seen there when the bar is elsewhere.
    """
    chosen = lines.loc[kept]
    chosen = chosen[chosen["support"] > 0.6 * chosen["support"].quantile(0.75)]
    chosen = chosen.iloc[_at_all_heights(chosen["y"].to_numpy(), 36)]
    rows, width = stack.grey.shape[1:]
    reach = int(0.35 * rows)
    few = stack.grey[:6].astype(np.float32)
    noise = MAD_TO_SD * float(np.median(np.abs(np.diff(few, axis=0)))) + 1.0
    own_stack, differs, line_part = _laid_over(stack, chosen, moving, reach)
    rigid = np.median(own_stack, axis=0)
    wobble = np.median(np.abs(own_stack - rigid), axis=0)
    fill = np.ones((2 * (max(3, rows // 60) | 1) + 1, 3), np.uint8)

    def heights(percentile: float) -> tuple[FloatArray, FloatArray]:
        """How far up and down what belongs to the bar reaches, as this many pictures show."""
        apart = np.percentile(differs, percentile, axis=0)
        belongs = (apart > max(2.0 * noise, 6.0)) & (apart > 1.2 * wobble)
        solid = cv2.morphologyEx(belongs.astype(np.uint8), cv2.MORPH_CLOSE, fill)
        return _heights(np.asarray(solid, np.uint8), reach)

    shaft = cv2.blur(np.mean(line_part, axis=0)[None].astype(np.float32), (9, 1))[0]
    on_shaft = np.flatnonzero(shaft > 0.4 * np.percentile(shaft, 97))
    if len(on_shaft) < 10:
        return
    thickness = thickness_of(rigid, reach, on_shaft, np.linspace(2.0, 14.0, 25))
    # A plate is taller than the bar travels: in many pictures a part of it is seen before itself.
    # Half of them tell where it begins and ends sideways, by that part of it which stands free.
    shown = np.maximum(*heights(50.0)) > 3.0 * thickness
    up, down = heights(70.0)
    tall = (np.where(shown, up, 0.0), np.where(shown, down, 0.0))
    pairs = _plate_pairs(rigid, tall, on_shaft, thickness, expected, config)
    for pair in [] if bare else pairs:
        yield _model_of(own_stack, rigid, tall, on_shaft, pair, max(width, rows), expected, config)
    told = None
    if expected is not None:
        told = _told_model(own_stack, rigid, on_shaft, expected, config.barbell, bare=bare)
    if told is not None:
        yield told


def _laid_over(
    stack: BarSamples, chosen: pd.DataFrame, moving: NDArray[np.float32], reach: int
) -> tuple[FloatArray, list[FloatArray], list[FloatArray]]:
    """Lay the pictures of chosen lines over each other, the line in row `reach` of each.

    Returns grey levels, shape (n, 2 reach + 1, width), by how much each picture differs from the
    scenery that is seen there when the bar is elsewhere, and how much moves on the line, (width,).
    """
    width = stack.grey.shape[2]
    height = chosen["y"].to_numpy()
    sample = chosen["sample"].to_numpy()
    own, differs, line_part = [], [], []
    level = _levels(height)
    elsewhere = {
        k: sample[_furthest(np.abs(height - np.mean(height[level == k])))] for k in np.unique(level)
    }
    for row, k in zip(chosen.itertuples(), level, strict=True):
        own.append(_aligned(stack.grey[row.sample], row.y, row.drop, reach))
        # The scenery there is seen while the bar is furthest away. Someone may walk through it, or
        # something there look like the bar: one picture of several may be wrong either way.
        least = second = np.full(own[-1].shape, np.inf, np.float32)
        for other in elsewhere[k]:
            apart = _aligned(stack.grey[other], row.y, row.drop, reach) - own[-1]
            apart = np.abs(cv2.blur(apart, (3, 3)))
            second = np.minimum(second, np.maximum(least, apart))
            least = np.minimum(least, apart)
        differs.append(second)
        spread = np.repeat(moving[row.sample], COLUMN, axis=1)
        spread = np.pad(spread, ((0, 0), (0, width - spread.shape[1])))
        line_part.append(
            np.max(_aligned(spread, row.y, row.drop, reach)[reach - 1 : reach + 2], axis=0)
        )
    return np.stack(own), differs, line_part


def _aligned(
    picture: NDArray[Any], y: float, drop: float, reach: int, dx: float = 0.0
) -> NDArray[np.float32]:
    """Return the picture sheared and moved so that the line runs along the middle row."""
    width = picture.shape[1]
    lean = drop / (width - 1)
    shear = np.array([[1.0, 0.0, dx], [lean, 1.0, y - 0.5 * drop - reach]])
    moved = cv2.warpAffine(
        picture.astype(np.float32),
        shear,
        (width, 2 * reach + 1),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(moved, np.float32)


def _levels(height: FloatArray) -> NDArray[np.int64]:
    """Return in which of eight equal steps from the lowest to the highest each height lies."""
    return ((height - height.min()) / (np.ptp(height) + 1.0) * _LEVELS).astype(int)


def _at_all_heights(height: FloatArray, n: int) -> NDArray[np.int64]:
    """Return up to `n` numbers of heights given in order of time.

    All levels get alike many, however long the bar rested at one of them, and within a level they
    are spread over the time.
    """
    level = _levels(height)
    queues = [np.flatnonzero(level == k) for k in range(_LEVELS)]
    queues = [queue[evenly_spread(len(queue))] for queue in queues if len(queue)]
    turns = [[queue[k] for queue in queues if k < len(queue)] for k in range(max(map(len, queues)))]
    return np.sort(np.concatenate(turns)[:n]).astype(int)


def _furthest(away: FloatArray, n: int = 5) -> NDArray[np.int64]:
    """Return the numbers of `n` samples among the fifth that are furthest away.

    All that are equally far count, so that none is preferred; the `n` are spread over the time.
    """
    least = min(float(np.quantile(away, 0.8)), float(np.sort(away)[-min(n, len(away))]))
    far = np.flatnonzero(away >= least - 0.5)
    return far[evenly_spread(len(far))[:n]]


def _heights(belongs: NDArray[np.uint8], reach: int) -> tuple[FloatArray, FloatArray]:
    """Return how far up and down from the axis each column belongs to what moves with the bar."""
    solid = cv2.blur(belongs.astype(np.float32), (3, 3))
    result = []
    for half in (solid[reach::-1], solid[reach:]):
        share = np.cumsum(half > 0.4, axis=0) / np.arange(1, len(half) + 1)[:, None]
        # The longest stretch from the axis that is mostly filled.
        filled = (share > 0.75) & (half > 0.4)
        result.append(
            np.where(filled.any(axis=0), len(half) - 1 - np.argmax(filled[::-1], axis=0), 0)
        )
    return result[0].astype(float), result[1].astype(float)


def _plate_pairs(
    rigid: FloatArray,
    tall: tuple[FloatArray, FloatArray],
    on_shaft: NDArray[np.int64],
    thickness: float,
    expected: FloatArray | None,
    config: BarlineConfig,
) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return the column ranges of the two plates, likeliest first; none when nothing is like them.

    A plate stands up and down from the axis by several shaft thicknesses alike; the two are of one
    height, and lie on either side of the shaft. Pairs that come near the likeliest are all given,
    for pictures laid over each other show less than following them does. Where the ends are
    expected, pairs near there come before all others, and their plates' heights, which what stands
    beside them can change, count less.
    """
    width, reach = rigid.shape[1], rigid.shape[0] // 2
    height = np.minimum(*tall)
    stands = height > 3.0 * thickness
    joined = np.ones((1, max(5, width // 70) | 1), np.uint8)
    runs = _runs(cv2.morphologyEx(stands.astype(np.uint8)[None], cv2.MORPH_CLOSE, joined)[0])
    runs = [(a, b) for a, b in runs if b - a >= max(3, 0.004 * width)]
    size = {}
    for a, b in runs:
        tall_most = float(np.percentile(height[a:b], 85))
        top, bottom = _plate_rows(rigid[:, a:b], tall_most, thickness, reach)
        size[a, b] = bottom - top
    middle = float(np.median(on_shaft))
    pairs, scores = [], []
    least_alike = 0.7
    if expected is not None:
        away = _EXPECTED_SHARE * float(np.ptp(expected))
        near = [
            (left, right)
            for left in runs
            for right in runs
            if abs(left[1] - expected[0]) < away and abs(right[0] - expected[1]) < away
        ]
        if near:
            runs, least_alike = sorted({run for pair in near for run in pair}), 0.4
    for left in runs:
        for right in runs:
            span = right[0] - left[1]
            if left[1] > middle or right[0] < middle or span < config.min_span_share * width:
                continue
            sizes = (size[left], size[right])
            alike = min(sizes) / max(sizes)
            between = on_shaft[(on_shaft > left[1]) & (on_shaft < right[0])]
            cover = len(between) / span
            # Whatever the distance.
            slender = span / thickness * (config.barbell.shaft_share / POWER_BAR.shaft_share)
            if alike < least_alike or cover < 0.15 or not _SLENDER[0] < slender < _SLENDER[1]:
                continue
            # One of the heights may take in what stands beside its plate.
            apart = span / min(sizes) * (config.barbell.disc_share / POWER_BAR.disc_share)
            if not _PLATES_APART[0] < apart < _PLATES_APART[1]:
                continue
            pairs.append((left, right))
            scores.append(alike * cover**2 * np.mean(sizes))
    order = ranked(scores)[:_MOST_PAIRS]
    return [pairs[k] for k in order if scores[k] > _NEAR_BEST * scores[order[0]]]


def _runs(mask: NDArray[Any]) -> list[tuple[int, int]]:
    """Return ``(start, stop)`` of each run of true values."""
    edge = np.flatnonzero(np.diff(np.r_[0, (np.asarray(mask) > 0).astype(int), 0]))
    return [(int(a), int(b)) for a, b in edge.reshape(-1, 2)]


def _plate_rows(
    rigid: FloatArray, tall: float, thickness: float, reach: int
) -> tuple[float, float]:
    """Return the plate's top and bottom row, relative to the axis.

    They are edges that lie evenly about the axis. `tall` bounds them from above: what was seen to
    differ from the scenery may include where the plate stood in the pictures compared with.
    """
    profile = rigid.mean(axis=1).astype(np.float32)[:, None]
    strength = np.abs(vertical_gradient(profile, 1.0).ravel())
    near = cv2.dilate(strength[:, None], np.ones((5, 1), np.uint8)).ravel()
    tried = np.arange(int(np.ceil(2.5 * thickness)), min(int(1.1 * tall) + 3, reach - 2))
    even = np.sqrt(near[reach - tried] * near[reach + tried])
    if not even.any():
        return -tall, tall
    outermost = int(tried[np.flatnonzero(even > 0.6 * even.max())[-1]]) - 2
    top, bottom = (
        centre - 3 + best_index(strength[centre - 3 : centre + 4])[0] - reach
        for centre in (reach - outermost, reach + outermost)
    )
    return float(top), float(bottom)


def _model_of(
    own_stack: FloatArray,
    rigid: FloatArray,
    tall: tuple[FloatArray, FloatArray],
    on_shaft: NDArray[np.int64],
    pair: tuple[tuple[int, int], tuple[int, int]],
    longer_px: int,
    expected: FloatArray | None,
    config: BarlineConfig,
) -> Model:
    """Return what moves with the bar when these columns are its plates.

    What stands beside a plate may pass for a part of it: an end that lies too far from where it is
    expected is put there.
    """
    reach, width = rigid.shape[0] // 2, rigid.shape[1]
    span = pair[1][0] - pair[0][1]
    between = on_shaft[(on_shaft > pair[0][1]) & (on_shaft < pair[1][0])]
    bounds = bounds_of(span, config.barbell)
    edges = thickness_of(rigid, reach, between, bounds.tried)
    thickness, centre, shaft = shaft_across(own_stack, reach, between, edges, bounds)
    # The line may have followed an edge of the shaft's shading: put the axis in the middle row.
    rigid = _raised(rigid, centre)
    heights = []
    for start, stop in pair:
        # A plate's middle is the axis; on one side what is seen may run on into something else.
        most = float(np.percentile(np.minimum(*tall)[start:stop], 85))
        top, bottom = _plate_rows(rigid[:, start:stop], most, thickness, reach)
        heights.append(bottom - top)
    # Both are of one height: one taller than a disc can be takes in what stands beside it.
    taller = config.barbell.disc_share / POWER_BAR.disc_share
    if max(heights) > _TALLEST_SHARE * taller * span:
        heights = [min(heights)] * 2
    ends = []
    for side, ((start, stop), sign) in enumerate(zip(pair, (-1, 1), strict=True)):
        plate = heights[side]
        # The inner face is a narrow ellipse whose far rim is seen first; its centre, where the bar
        # passes through, lies half the ellipse's width further out.
        inner = float(stop if sign < 0 else start)
        half_width = 0.5 * plate * abs(inner - 0.5 * (width - 1)) / (config.focal_share * longer_px)
        depth = max(float(stop - start) - half_width, _LEAST_DEPTH_SHARE * plate)
        x = inner + sign * half_width
        if expected is not None and abs(x - expected[side]) > _SURE_SHARE * np.ptp(expected):
            x = float(expected[side])
        ends.append(BarEnd(x, 0.0, float(plate), depth))
    pictures = _pictures(rigid, ends, reach, config.barbell)
    return Model(ends[0], ends[1], thickness, *pictures, shaft)


def _told_model(
    own_stack: FloatArray,
    rigid: FloatArray,
    on_shaft: NDArray[np.int64],
    expected: FloatArray,
    bar: Bar,
    *,
    bare: bool,
) -> Model | None:
    """Return what moves with the bar when its ends are where they are expected."""
    reach, span = rigid.shape[0] // 2, float(np.ptp(expected))
    between = on_shaft[(on_shaft > expected[0]) & (on_shaft < expected[1])]
    if len(between) < _LEAST_TOLD_SHARE * span:
        return None
    bounds = bounds_of(span, bar)
    edges = thickness_of(rigid, reach, between, bounds.tried)
    thickness, centre, shaft = shaft_across(own_stack, reach, between, edges, bounds)
    rigid = _raised(rigid, centre)
    sizes = (bar.disc_share * span, bar.sleeve_share * span)
    ends = [BarEnd(float(x), 0.0, *sizes, bare) for x in expected]
    return Model(ends[0], ends[1], thickness, *_pictures(rigid, ends, reach, bar), shaft)


def _raised(rigid: FloatArray, rows: float) -> FloatArray:
    """Return a picture moved up by so many rows."""
    moved = cv2.warpAffine(
        rigid.astype(np.float32),
        np.array([[1.0, 0.0, 0.0], [0.0, 1.0, rows]]),
        rigid.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(moved, np.float32)


def _pictures(
    rigid: FloatArray, ends: Sequence[BarEnd], reach: int, bar: Bar
) -> tuple[tuple[FloatArray, FloatArray], tuple[float, float]]:
    """Cut the pictures by which the ends are recognised; return them and their first columns.

    The sleeve to its end with whatever is on it, and little more than twice its shoulder's height:
    of what is higher, more is scenery.
    """
    span = ends[1].x_px - ends[0].x_px
    inward, outward, up = 0.05 * span, 1.05 * bar.sleeve_share * span, round(0.06 * span)
    rows = np.clip(np.arange(-up, up + 1) + reach, 0, len(rigid) - 1)
    patches, first = [], []
    for end, sign in zip(ends, (-1, 1), strict=True):
        low, high = sorted((end.x_px - sign * inward, end.x_px + sign * outward))
        columns = np.arange(round(low), round(high) + 1)
        inside = np.clip(columns, 0, rigid.shape[1] - 1)
        patches.append(rigid[np.ix_(rows, inside)].astype(np.float32))
        first.append(float(columns[0] - end.x_px))
    return (patches[0], patches[1]), (first[0], first[1])
