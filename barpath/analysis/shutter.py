"""How long the shutter stood open, from the edges of a plate that moves."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.filmfacts import Fact
from barpath.clip.reading import Reading
from barpath.ground.uncertainty import MAD_TO_SD
from barpath.sight import plate, platetrack
from barpath.sight.ellipse import Ellipse

Floats = NDArray[np.float64]
Greys = NDArray[np.uint8]


def edge_width_px(
    grey: Floats | Greys, ellipse: Ellipse, angles_rad: Floats, reach_px: float
) -> float:
    """Median width of an outline's edge along rays: standard deviation of the blur across it.

    Parameters
    ----------
    grey : ndarray, shape (h, w)
    ellipse : Ellipse
        The outline.
    angles_rad : ndarray
        Directions from the centre, from +x toward +y.
    reach_px : float
        Looked at so far inside and outside of the outline.

    Returns
    -------
    float
        Pixels, along the ray; NaN when no edge stands out.
    """
    turn = np.deg2rad(ellipse.angle_deg)
    a, b = ellipse.major_px / 2, ellipse.minor_px / 2
    radius = a * b / np.hypot(b * np.cos(angles_rad - turn), a * np.sin(angles_rad - turn))
    steps = np.arange(-reach_px, reach_px + 0.25, 0.25)
    away = radius[:, None] + steps
    x = ellipse.x_px + np.cos(angles_rad)[:, None] * away
    y = ellipse.y_px + np.sin(angles_rad)[:, None] * away
    lines = cv2.remap(
        grey.astype(np.float32),
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    slope = np.abs(np.gradient(lines, 0.25, axis=1))
    widths = []
    for line in slope:
        top = int(np.argmax(line))
        if line[top] < 2.0 * (np.median(line) + 0.5):
            continue
        # The one peak: down on either side to a fifth of its height.
        low = line < 0.2 * line[top]
        left = top - int(np.argmax(low[top::-1])) if low[: top + 1].any() else -1
        right = top + int(np.argmax(low[top:])) if low[top:].any() else -1
        if left < 0 or right < 0:
            continue
        weight = line[left : right + 1]
        at = steps[left : right + 1]
        middle = float(np.sum(weight * at) / np.sum(weight))
        widths.append(math.sqrt(float(np.sum(weight * (at - middle) ** 2) / np.sum(weight))))
    return float(np.median(widths)) if len(widths) >= max(3, len(angles_rad) // 4) else math.nan


def exposure_from_edges(along_px: Floats, across_px: Floats, speed_px_s: Floats) -> Fact:
    """Length of an exposure from edges that move and edges that slide along themselves.

    Parameters
    ----------
    along_px, across_px : ndarray, shape (n,)
        Edge widths (standard deviations) at the plate's top and bottom, and at its sides.
    speed_px_s : ndarray, shape (n,)
        Vertical speed.

    Returns
    -------
    Fact
        Seconds. A uniform smear of length v T adds a variance of (v T)^2 / 12.

    Examples
    --------
    >>> speed = np.array([400.0, 500.0, 600.0])
    >>> smeared = np.sqrt(1.0 + (speed / 80) ** 2 / 12)
    >>> round(1 / exposure_from_edges(smeared, np.ones(3), speed).value)
    80
    """
    known = np.isfinite(along_px) & np.isfinite(across_px) & (np.abs(speed_px_s) > 0)
    if known.sum() < 3:
        return Fact(reason="The plate's edge was not seen sharply enough while it moved fast.")
    extra = 12 * (along_px[known] ** 2 - across_px[known] ** 2)
    each = np.sign(extra) * np.sqrt(np.abs(extra)) / np.abs(speed_px_s[known])
    value = max(float(np.median(each)), 0.0)
    spread = MAD_TO_SD * float(np.median(np.abs(each - np.median(each))))
    return Fact(value, spread / math.sqrt(len(each)) + 0.15 * value)


def exposure(reading: Reading, seed: plate.PlateSeed, config: AnalysisConfig) -> tuple[Fact, float]:
    """Exposure from the plate's edges where it moves fastest, and its speed there in px/s."""
    path = seed.path
    if len(path) < 2:
        return Fact(reason="The bar's way was not followed."), math.nan
    speed = np.abs(np.diff(path[:, 3])) / np.maximum(np.diff(path[:, 1]), 1e-6)
    k = int(np.argmax(speed))
    table, kept = _followed_between(reading, seed, int(path[k, 0]), int(path[k + 1, 0]), config)
    if len(table) < 6:
        return Fact(reason="The plate was not followed where it moved fast."), float(speed[k])
    y, t = table["y_px"].to_numpy(dtype=float), table["time_s"].to_numpy(dtype=float)
    velocity = np.gradient(y, t)
    peak = float(np.max(np.abs(velocity)))
    fast = np.flatnonzero(np.abs(velocity) > 0.6 * peak)
    upright = np.deg2rad(np.r_[70:111:4, 250:291:4])
    level = np.deg2rad(np.r_[-20:21:4, 160:201:4])
    rows = []
    for i in fast:
        row = table.iloc[i]
        shape = Ellipse(row.x_px, row.y_px, row.major_px, row.minor_px, row.angle_deg)
        reach = max(6.0, 0.08 * row.major_px)
        grey = kept[int(row.frame)]
        rows.append(
            (
                edge_width_px(grey, shape, upright, reach),
                edge_width_px(grey, shape, level, reach),
                velocity[i],
            )
        )
    return exposure_from_edges(*np.array(rows).T), peak


def _followed_between(
    reading: Reading, seed: plate.PlateSeed, begin: int, end: int, config: AnalysisConfig
) -> tuple[pd.DataFrame, dict[int, Greys]]:
    """Plate table about a few frames, where it was not lost, and the frames in grey."""
    tracker = platetrack.PlateTracker(seed, config.plate)
    kept = {}
    for frame in reading.pick(range(max(begin - 10, 0), min(end + 5, reading.info.n_frames))):
        tracker.update(frame)
        kept[frame.index] = np.asarray(cv2.cvtColor(frame.image, cv2.COLOR_RGB2GRAY), np.uint8)
    table = tracker.table()
    return table[table["state"] != "lost"].reset_index(drop=True), kept
