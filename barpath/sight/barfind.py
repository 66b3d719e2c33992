"""Find the bar and both its ends when filmed from the lifter's feet.

In: a few samples a second, with the camera's transforms, px. Out: a `BarSeed` in image px, from
which `bartrack` goes on. The bar is the long thin line that moves up and down with a tall plate at
either end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from barpath.clip.scene import apply_transform
from barpath.errors import BarNotFoundError
from barpath.ground.choice import best_index, first_clearly_best
from barpath.sight.barline import (
    CLEARLY_BETTER,
    ENDS,
    BarEnd,
    BarlineConfig,
    BarSeed,
    pressed_within,
)
from barpath.sight.barmodel import Model, bar_models
from barpath.sight.barsearch import BarSamples, line_families, moving_lines, reduce, thin_lines
from barpath.sight.pictures import FrameLike

FloatArray = NDArray[np.floating]

LEAST_SAMPLES = 6
LEAST_END_TRAVEL = 0.5
"""Both ends of a bar that is pressed move at least by this share of what its middle does."""
LEAST_ENDS_ALIKE = 0.8
"""Correlation of the two ends' heights."""
LINE_WORTH = 0.5
"""Correlation of either end's picture that a bare bar's own line is worth where both lie on it.

A bare sleeve looks much like an upright's hook or a bench's edge that it passes: where it is found
would hang on a last digit of the correlations, while its line is plain to see in every sample.
"""
LINE_SLACK = 2.0
"""Ends lie on a line within so many shaft thicknesses, and off it beyond twice as many: a line may
have followed either edge of the shaft, and is leaned in steps (`barsearch.moving_lines`)."""

_NOT_FOUND = (
    "No bar with plates at both ends that moves up and down was found; film from the lifter's feet "
    "with both plates in the picture."
)
_BARE_NOT_FOUND = (
    "No plates are seen on the bar, and no bar without plates that moves up and down was found; "
    "film from the lifter's feet with both sleeves of the bar in the picture."
)


def find_bar(
    samples: Iterable[FrameLike],
    config: BarlineConfig | None = None,
    camera: Sequence[ArrayLike] | None = None,
    ends_px: ArrayLike | None = None,
    *,
    bare: bool = False,
    along: bool = False,
) -> BarSeed:
    """Find the bar in a front view without being shown it.

    Parameters
    ----------
    samples
        Frames (``index``, ``time_s``, ``image``: RGB or grey ``uint8``), about 4 to 6 a second over
        at least one repetition, in order.
    config
        Settings.
    camera
        For each sample its 2x3 transform to the steadied image, for a handheld camera.
    ends_px
        Columns of the steadied image near which the inner faces of the plates are expected, the
        left one first, where something else tells.
    bare
        Whether there are no plates on the bar, which is found only where the ends are expected.
    along
        Whether plates too are looked for along the bar's line, which passes by what looks like one
        of them and stands still; without plates that is always so.

    Returns
    -------
    BarSeed
        In coordinates of the image as filmed.

    Raises
    ------
    BarNotFoundError
        When nothing long, thin and level, with plates at both ends unless it is bare, moves up and
        down.
    """
    config = config or BarlineConfig()
    stack = reduce(samples, config, camera)
    expected = None
    if ends_px is not None:
        expected = (np.asarray(ends_px, dtype=float) + 0.5) / stack.scale - 0.5
    if len(stack.grey) < LEAST_SAMPLES:
        raise BarNotFoundError("Too few frames to tell the bar from what stands still.")
    scores = np.stack([thin_lines(grey) for grey in stack.grey])
    rest = np.percentile(scores[:: max(1, len(scores) // 80)], 65, axis=0)
    moving = np.clip(scores - rest[None], 0.0, 1.0)
    lines = moving_lines(moving, config)
    along = along or bare
    followed = [
        found
        for kept in line_families(lines, config, stack)
        for model in bar_models(stack, lines, kept, moving, expected, config, bare=bare)
        if (found := _follow_model(stack, model, lines.loc[kept] if along else None, config))
    ]
    if not followed:
        raise BarNotFoundError(_BARE_NOT_FOUND if bare else _NOT_FOUND)
    best = first_clearly_best([found.evidence for found in followed], CLEARLY_BETTER)
    return _seed_from(stack, followed[best], config)


@dataclass
class _Followed:
    """Where a model's plates were found in each sample: rows and shifts of the columns, (n, 2)."""

    model: Model
    y: FloatArray
    dx: FloatArray
    match: FloatArray
    evidence: float


def _follow_model(
    stack: BarSamples, model: Model, line: pd.DataFrame | None, config: BarlineConfig
) -> _Followed | None:
    """Find both ends in every sample, and accept the model when they move like a press.

    They are looked for along the bar's `line`, a row a sample at most, where that is given.
    """
    span = model.right.x_px - model.left.x_px
    ends = (model.left, model.right)
    starts = [round(end.x_px + first) for end, first in zip(ends, model.first, strict=True)]
    slack = max(3, int(0.12 * model.left.plate_px))
    most = int(np.ceil(np.tan(np.radians(config.max_slope_deg)) * span))
    y = np.empty((len(stack.grey), 2))
    dx = np.empty((len(stack.grey), 2))
    match = np.empty(len(stack.grey))
    line_y = np.full((len(stack.grey), 2), np.nan)
    rest_y, reach = 0.0, np.inf
    if line is not None:
        across = np.array([end.x_px for end in ends]) / (stack.grey.shape[2] - 1) - 0.5
        drop = line["drop"].to_numpy()[:, None]
        line_y[line["sample"].to_numpy()] = line["y"].to_numpy()[:, None] + drop * across
        # Its line is seen while it moves.
        rest_y, reach = pressed_within(line_y)
    for number, grey in enumerate(stack.grey):
        (a, shift_a), (b, shift_b) = (
            _match_curve(grey, patch, start, slack)
            for patch, start in zip(model.patches, starts, strict=True)
        )
        gap = np.arange(-most, most + 1)
        rows = np.arange(len(a))
        other = rows[:, None] + gap[None, :]
        valid = (other >= 0) & (other < len(b))
        valid &= np.abs(rows[:, None] - rest_y) <= reach
        joint = np.where(valid, a[:, None] + b[np.clip(other, 0, len(b) - 1)], -2.0)
        if np.isfinite(line_y[number]).all():
            on_line = _on_line(rows[:, None], other, line_y[number], model.thickness)
            joint = joint + 2.0 * LINE_WORTH * on_line
        i, j = best_index(joint)
        y[number] = i, other[i, j]
        dx[number] = shift_a[i], shift_b[other[i, j]]
        match[number] = min(a[i], b[other[i, j]])
    good = match > config.min_match
    if good.sum() < max(4, 0.25 * len(good)):
        return None
    middle = y[good].mean(axis=1)
    plate = 0.5 * (model.left.plate_px + model.right.plate_px)
    travel = float(np.ptp(np.percentile(middle, [2, 98])))
    if travel < config.min_travel_share * plate:
        return None
    left_off, right_off = (y[good, side] - np.median(y[good, side]) for side in (0, 1))
    if min(np.ptp(left_off), np.ptp(right_off)) < LEAST_END_TRAVEL * travel:
        return None
    if float(np.corrcoef(left_off, right_off)[0, 1]) < LEAST_ENDS_ALIKE:
        return None
    # A large picture found again in every sample says more than a small one.
    return _Followed(model, y, dx, match, float(np.mean(match)) * plate**0.25)


def _on_line(
    left: NDArray[np.int64], right: NDArray[np.int64], line_y: FloatArray, thickness: float
) -> FloatArray:
    """Return how far both ends' rows agree with those of a line: 1 on it, 0 well off it."""
    off = np.maximum(np.abs(left - line_y[0]), np.abs(right - line_y[1]))
    return np.clip(2.0 - off / (LINE_SLACK * thickness), 0.0, 1.0)


def _match_curve(
    grey: NDArray[np.uint8], patch: FloatArray, x0: int, slack: int
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return the best correlation of a plate's picture for every row, and the column shift."""
    width = grey.shape[1]
    up = (len(patch) - 1) // 2
    low, high = x0 - slack, x0 + patch.shape[1] + slack
    padded = cv2.copyMakeBorder(
        grey, up, up, max(0, -low), max(0, high - width), cv2.BORDER_REPLICATE
    )
    start = low + max(0, -low)
    area = padded[:, start : start + high - low].astype(np.float32)
    scores = cv2.matchTemplate(area, patch.astype(np.float32), cv2.TM_CCOEFF_NORMED)
    scores = np.where(np.isfinite(scores), scores, -1.0)
    return scores.max(axis=1), scores.argmax(axis=1) - slack


def _seed_from(stack: BarSamples, found: _Followed, config: BarlineConfig) -> BarSeed:
    """Turn positions in the reduced, steadied samples into the seed in image coordinates."""
    scale, model = stack.scale, found.model
    y, dx, match = found.y, found.dx, found.match

    def to_image(number: int, x: float, row: float) -> FloatArray:
        point = (np.array([x, row]) + 0.5) * scale - 0.5
        return apply_transform(cv2.invertAffineTransform(stack.transform[number]), point)

    rows = []
    for number in range(len(match)):
        left = to_image(number, model.left.x_px + dx[number, 0], y[number, 0])
        right = to_image(number, model.right.x_px + dx[number, 1], y[number, 1])
        rows.append([stack.frame[number], stack.time_s[number], *left, *right, match[number]])
    names = [f"{end}_{axis}_px" for end in ENDS for axis in ("x", "y")]
    path = pd.DataFrame(rows, columns=["frame", "time_s", *names, "match"])
    path["frame"] = path["frame"].astype(int)
    best = path.iloc[best_index(path["match"])[0]]
    ends = [
        BarEnd(
            float(best[f"{name}_x_px"]),
            float(best[f"{name}_y_px"]),
            end.plate_px * scale,
            end.depth_px * scale,
            end.bare,
        )
        for name, end in zip(ENDS, (model.left, model.right), strict=True)
    ]
    return BarSeed(
        int(best["frame"]),
        float(best["time_s"]),
        ends[0],
        ends[1],
        model.thickness * scale,
        stack.width_px,
        stack.height_px,
        path[path["match"] > config.min_match].reset_index(drop=True),
        model.patches,
        model.shaft,
        model.first,
        scale,
    )
