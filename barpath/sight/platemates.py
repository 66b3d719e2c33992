"""What moves along with a path: the whole of a plate of which the path found a part.

In: paths (`platepaths`). Out: the outlines that show when all samples are laid over one another
along a path, as paths of their own in work px.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from barpath.ground.choice import best_index
from barpath.sight.ellipse import mean_radius, outline_from_params, unit_vectors
from barpath.sight.plate import PlateConfig
from barpath.sight.platemaps import outline_template
from barpath.sight.platepaths import (
    ShapePath,
    TriedShape,
    follow_shapes,
    judge_all,
    most_worth_first,
    turned,
)
from barpath.sight.platesamples import PlateSamples

FloatArray = NDArray[np.floating]

_OVERLAY_HALF = 32
"""Half width of an overlay in px of its level, where outlines have radii of 7 to 14 px."""


def moving_along(
    work: PlateSamples,
    paths: list[ShapePath],
    config: PlateConfig,
    shown: tuple[int, FloatArray] | None,
    may_be: Callable[[ShapePath], bool] | None = None,
) -> list[ShapePath]:
    """Most convincing outlines that move along with the best paths, best first.

    `shown` is a sample and the place in it, work px, where the user pointed at the plate; `may_be`
    says which paths can be the plate's.
    """
    bodies: list[ShapePath] = []
    for path in most_worth_first(_rank, paths):
        if path.score <= 0 or len(bodies) == config.n_bodies:
            break
        if not any(_same_body(path, other) for other in bodies):
            bodies.append(path)
    groups: dict[int, tuple[list[TriedShape], NDArray[np.complexfloating]]] = {}
    found: list[ShapePath] = []
    for path in bodies:
        found += _mates(work, path, groups, config, shown)
    # An outline whose path was found by a part of the plate may be better followed by itself.
    found += follow_shapes(
        work, list({id(mate.shape): mate.shape for mate in found}.values()), config, shown
    )
    pointed_at = shown is not None
    judge_all(found, len(work.samples), config, pointed_at=pointed_at, may_be=may_be)
    likely: list[ShapePath] = []
    for mate in most_worth_first(_rank, found):
        if mate.score <= 0 or len(likely) == config.n_measured:
            break
        if not any(_same_outline(mate, other) for other in likely):
            likely.append(mate)
    return likely


def _rank(path: ShapePath) -> float:
    return path.score * float(np.mean(path.support)) * path.shape.radius_px


def _same_outline(path: ShapePath, other: ShapePath) -> bool:
    """Whether two paths follow about the same outline of the same thing."""
    radius = max(path.shape.radius_px, other.shape.radius_px)
    if (
        np.abs(
            path.shape.params * 2.0**path.shape.level - other.shape.params * 2.0**other.shape.level
        ).max()
        > 0.06 * radius
    ):
        return False
    _, mine, its = np.intersect1d(path.sample, other.sample, return_indices=True)
    gap = np.linalg.norm(path.image_xy[mine] - other.image_xy[its], axis=1)
    return len(mine) > 0 and bool(np.median(gap) < 0.15 * radius)


def _same_body(path: ShapePath, other: ShapePath) -> bool:
    """Whether two paths keep their distance, so that one outline can be sought along either."""
    _, mine, its = np.intersect1d(path.sample, other.sample, return_indices=True)
    if len(mine) < 3:
        return False
    gap = path.image_xy[mine] - other.image_xy[its]
    usual = np.median(gap, axis=0)
    radius = max(path.shape.radius_px, other.shape.radius_px)
    change = np.median(np.abs(gap - usual).max(axis=1))
    return bool(np.linalg.norm(usual) < 1.2 * radius and change < 0.15 * radius)


def _mates(
    work: PlateSamples,
    path: ShapePath,
    groups: dict[int, tuple[list[TriedShape], NDArray[np.complexfloating]]],
    config: PlateConfig,
    shown: tuple[int, FloatArray] | None,
) -> list[ShapePath]:
    """Outlines that show in an overlay of all samples along a path, most convincing first."""
    rows = []
    shapes: list[TriedShape] = []
    own = path.shape.radius_px
    top = path.shape.level + 2
    for level in range(max(path.shape.level - 1, 0), top + 1):
        if level not in groups:
            groups[level] = _mate_group(level, work, config)
        members, templates = groups[level]
        if not members:
            continue
        overlay = _overlay(work, path, level, weighted=shown is None)
        stack = np.einsum("cij,kcij->kij", fft.rfft2(overlay), templates)
        scores = fft.irfft2(stack, s=overlay.shape[1:])
        away = np.arange(2 * _OVERLAY_HALF) - _OVERLAY_HALF
        distance = np.hypot(away, away[:, None])
        for shape, score in zip(members, scores, strict=True):
            if not 0.7 * own < shape.radius_px < 3.5 * own:
                continue
            radius = mean_radius(shape.params)
            score = np.where(distance < 0.9 * radius, score, 0.0)
            if shown is not None:
                at = path.image_xy[path.sample == shown[0]]
                gap = np.zeros(2) if not len(at) else (shown[1] - at[0]) / 2**level
                score = score * np.exp(
                    -0.5
                    * ((away - gap[0]) ** 2 + (away[:, None] - gap[1]) ** 2)
                    / (0.5 * radius) ** 2
                )
            row, column = best_index(score)
            shift = np.array([away[column], away[row]]) * 2**level
            rows.append((score[row, column], *shift))
            shapes.append(shape)
    if not rows:
        return []
    table = np.array(rows)
    radii = np.array([shape.radius_px for shape in shapes])
    value = np.clip(table[:, 0], 0, None) ** 2 * radii**0.75
    mates = []
    for _ in range(3):
        best = best_index(value)[0]
        if value[best] <= 0:
            break
        mate = _aligned(work, path, shapes[best], table[best, 1:], weighted=shown is None)
        if mate is not None:
            mates.append(mate)
        near = np.linalg.norm(table[:, 1:] - table[best, 1:], axis=1) < 0.3 * radii[best]
        near &= np.abs(np.log(radii / radii[best])) < 0.2
        value[near] = 0.0
    return mates


def _mate_group(
    level: int, work: PlateSamples, config: PlateConfig
) -> tuple[list[TriedShape], NDArray[np.complexfloating]]:
    """Outlines tried at a level in an overlay of samples, and their templates."""
    unit = np.sqrt(work.shape[0] * work.shape[1])
    low, high = config.min_diameter_share * unit / 2, config.max_diameter_share * unit / 2
    radii = low * 1.1 ** np.arange(int(np.log(high / low) / np.log(1.1)) + 1)
    shapes = [
        shape
        for radius in radii
        for aspect in (1.0, 0.9, 0.8, 0.68, 0.57, 0.48, 0.4, 0.34)
        if aspect >= config.min_aspect
        for shape in turned(radius, aspect)
        if shape.level == level
    ]
    size = (2 * _OVERLAY_HALF, 2 * _OVERLAY_HALF)
    templates = [outline_template(size, shape.params) for shape in shapes]
    return shapes, np.array(templates)


def _overlay(work: PlateSamples, path: ShapePath, level: int, weighted: bool) -> FloatArray:
    """Mean orientation maps around a path over all of its samples, shape (2, n, n)."""
    n = 2 * _OVERLAY_HALF
    total = np.zeros((2, n, n), np.float32)
    for k, xy in zip(path.sample, path.image_xy, strict=True):
        maps = work.orientation(int(k), level, weighted)
        low = (xy + 0.5) / 2**level - 0.5 - _OVERLAY_HALF
        move = np.array([[1.0, 0.0, low[0]], [0.0, 1.0, low[1]]])
        for one, out in zip(maps, total, strict=True):
            out += cv2.warpAffine(one, move, (n, n), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return total / len(path.sample)


def _aligned(
    work: PlateSamples, path: ShapePath, shape: TriedShape, shift: FloatArray, weighted: bool
) -> ShapePath | None:
    """A shape at a constant offset from a path, then moved a little to where it fits best."""
    points, normals = outline_from_params(np.r_[0.0, 0.0, shape.params[2:]], unit_vectors(64))
    arc = np.linalg.norm(np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0), axis=1)
    arc /= arc.sum()
    cos = (normals[:, 0] ** 2 - normals[:, 1] ** 2) * arc
    sin = 2 * normals[:, 0] * normals[:, 1] * arc
    radius = mean_radius(shape.params)
    axis = np.linspace(-0.25, 0.25, 7) * radius
    moves = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    penalty = 0.05 * np.sum((moves / (0.25 * radius)) ** 2, axis=1)
    sample = np.arange(path.sample[0], path.sample[-1] + 1)
    between = np.column_stack(
        [np.interp(sample, path.sample, path.image_xy[:, axis]) for axis in (0, 1)]
    )
    kept, places, support = [], [], []
    for k, xy in zip(sample, between, strict=True):
        maps = work.orientation(int(k), shape.level, weighted)
        start = (xy + shift + 0.5) / 2**shape.level - 0.5
        at = (start + moves[:, None] + points[None]).astype(np.float32)
        look = [
            cv2.remap(one, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=0.0)
            for one in maps
        ]
        score = look[0] @ cos + look[1] @ sin
        best = best_index(score - penalty)[0]
        if score[best] > 0.13:
            kept.append(k)
            places.append((start + moves[best] + 0.5) * 2**shape.level - 0.5)
            support.append(score[best])
    if not kept:
        return None
    steady = [work.to_steady(k, xy) for k, xy in zip(kept, places, strict=True)]
    return ShapePath(shape, np.array(kept), np.array(places), np.array(steady), np.array(support))
