"""Long straight lines of the scenery, found in a few frames and joined over them."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.clip.scene import FloatArray, SceneConfig
from barpath.ground.choice import ranked


def line_segments(image: NDArray[np.uint8], config: SceneConfig) -> FloatArray:
    """Return line segments of an image, shape (n, 2, 2), in its own pixels."""
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    height, width = grey.shape
    scale = max(1.0, width / config.roll_width_px)
    if scale > 1.0:
        size = (round(width / scale), round(height / scale))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    lines = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(grey)[0]
    if lines is None:
        return np.empty((0, 2, 2))
    segments = (lines.reshape(-1, 2, 2).astype(float) + 0.5) * scale - 0.5
    long = np.linalg.norm(segments[:, 0] - segments[:, 1], axis=1)
    return segments[long > 0.4 * config.min_line_share * height]


def merge_lines(
    found: Sequence[FloatArray],
    config: SceneConfig,
    height: int,
    width: int,
    *,
    vertical: bool | None,
) -> FloatArray:
    """Join segments of one edge, within and across images; keep the long ones that stay put.

    Those near the vertical, near the horizontal, or, where `vertical` is None, of any direction.
    """
    image_number = np.concatenate([np.full(len(s), k) for k, s in enumerate(found)])
    segments = np.concatenate(found) if len(found) else np.empty((0, 2, 2))
    vector = segments[:, 1] - segments[:, 0]
    keep = np.isfinite(segments).all(axis=(1, 2))
    least_share = config.min_grid_line_share
    if vertical is not None:
        least_share = config.min_line_share
        along, across = (1, 0) if vertical else (0, 1)
        lean_deg = np.degrees(np.arctan2(np.abs(vector[:, across]), np.abs(vector[:, along])))
        keep &= lean_deg < config.max_lean_deg
    segments, image_number, vector = segments[keep], image_number[keep], vector[keep]
    size = np.linalg.norm(vector, axis=1)
    order = ranked(size)
    taken = np.zeros(len(segments), bool)
    tolerance = 1.0 + 0.0015 * width
    merged: list[FloatArray] = []
    for first in order:
        if taken[first]:
            continue
        origin, direction = segments[first, 0], vector[first] / size[first]
        normal = np.array([-direction[1], direction[0]])
        distance = np.abs((segments - origin) @ normal)
        member = ~taken & (distance < tolerance).all(axis=1)
        taken |= member
        images_seen = len(np.unique(image_number[member]))
        if images_seen < max(1, 0.5 * len(found)):
            continue
        ends = segments[member].reshape(-1, 2)
        weight = np.repeat(size[member], 2)
        middle = np.average(ends, axis=0, weights=weight)
        spread = (ends - middle).T @ ((ends - middle) * weight[:, None])
        axis = np.linalg.eigh(spread)[1][:, -1]
        position = (ends - middle) @ axis
        # The summed length guards against far-apart scraps that merely happen to be in line.
        reach = float(np.ptp(position))
        solid = size[member].sum() / images_seen
        if min(reach, solid) < least_share * height:
            continue
        merged.append(np.array([middle + position.min() * axis, middle + position.max() * axis]))
    return np.array(merged).reshape(-1, 2, 2)
