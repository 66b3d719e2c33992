"""Outlines of many sizes and slimnesses, linked through the samples to paths that are judged.

In: work pictures (`platesamples`). Out: a `ShapePath` for each likely outline, in work px and in
steadied work px, with a score 0..1 for moving like a press and the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from barpath.ground.choice import best_index, ranked
from barpath.sight.ellipse import Ellipse, mean_radius, to_params
from barpath.sight.plate import PlateConfig
from barpath.sight.platemaps import outline_template, score_map, score_peaks
from barpath.sight.platesamples import PlateSamples

FloatArray = NDArray[np.floating]

_T = TypeVar("_T")


@dataclass(frozen=True)
class TriedShape:
    """One outline tried: parameters around the origin in px of its pyramid level."""

    level: int
    params: FloatArray

    @property
    def radius_px(self) -> float:
        """Mean radius in px of the work image."""
        return mean_radius(self.params) * 2**self.level

    @property
    def half_height_px(self) -> float:
        """Half of the upright extent in px of the work image."""
        return float(np.hypot(self.params[3], self.params[4])) * 2**self.level


@dataclass
class ShapePath:
    """A shape linked through the samples.

    `sample` holds the samples' numbers, `image_xy` and `steady_xy` the places in each, shape
    (n, 2), in work px and steadied work px; `support` says how well the outline shows there, 1 at
    most. `score`, 0..1, `travel`, in diameters, and `reason` are what `judge_all` makes of it.
    """

    shape: TriedShape
    sample: NDArray[np.intp]
    image_xy: FloatArray
    steady_xy: FloatArray
    support: FloatArray
    score: float = 0.0
    travel: float = 0.0
    reason: str = ""


def shapes_tried(shape: tuple[int, int], config: PlateConfig) -> list[TriedShape]:
    """All outlines tried, for a work image of the given shape."""
    unit = np.sqrt(shape[0] * shape[1])
    low, high = config.min_diameter_share * unit / 2, config.max_diameter_share * unit / 2
    radii = low * 1.22 ** np.arange(int(np.log(high / low) / np.log(1.22)) + 1)
    shapes = []
    for radius in radii:
        for aspect in (1.0, 0.8, 0.6, 0.42):
            if aspect >= config.min_aspect:
                shapes += turned(radius, aspect)
    return shapes


def turned(radius_px: float, aspect: float) -> list[TriedShape]:
    """Outlines of one size (major half axis, work px) and slimness, upright or leaning a little."""
    level = max(int(np.floor(np.log2(radius_px / 7.0))), 0)
    full = 2 * radius_px / 2**level
    angles = (-90.0,) if aspect >= 0.8 else (-90.0, -77.0, 77.0)
    return [TriedShape(level, to_params(Ellipse(0.0, 0.0, full, full * aspect, a))) for a in angles]


def choose_shapes(
    work: PlateSamples,
    shapes: list[TriedShape],
    picks: Iterable[int],
    config: PlateConfig,
    click: FloatArray | None,
) -> list[TriedShape]:
    """Shapes that show best in some samples, kept apart so that several things are covered."""
    levels = sorted({s.level for s in shapes})
    members = {level: [i for i, s in enumerate(shapes) if s.level == level] for level in levels}
    templates = {
        level: np.stack(
            [outline_template(work.padded_shape(level), shapes[i].params) for i in members[level]]
        )
        for level in levels
    }

    def scan(k: int) -> list[tuple[float, ...]]:
        """Rows (shape, sample, score, x, y) of one sample."""
        rows = []
        maps = work.level_maps(k, levels, weighted=click is None)
        for level, (maps_ft, padded, true) in maps.items():
            stack = np.einsum("cij,kcij->kij", maps_ft, templates[level])
            scores = fft.irfft2(stack, s=padded)[:, : true[0], : true[1]]
            for i, score in zip(members[level], scores, strict=True):
                if click is not None:
                    near = _near_click(true, click / 2**level, mean_radius(shapes[i].params))
                    score = score * near
                for value, x, y in score_peaks(score, 3, 0.5 * mean_radius(shapes[i].params)):
                    where = (np.array([x, y]) + 0.5) * 2**level - 0.5
                    rows.append((i, k, value, *where))
        return rows

    with ThreadPoolExecutor() as pool:
        found = [row for rows in pool.map(scan, picks) for row in rows]
    table = np.array(found, dtype=float).reshape(-1, 5)
    radius = np.array([s.radius_px for s in shapes])
    value = np.clip(table[:, 2], 0, None) ** 2 * radius[table[:, 0].astype(int)] ** 0.4
    chosen: list[TriedShape] = []
    for _ in range(config.n_shapes):
        total = np.bincount(table[:, 0].astype(int), weights=value, minlength=len(shapes))
        best = best_index(total)[0]
        if total[best] <= 0:
            break
        chosen.append(shapes[best])
        mine = table[:, 0] == best
        similar = np.abs(np.log(radius[table[:, 0].astype(int)] / radius[best])) < 0.25
        for k in np.unique(table[mine, 1]):
            spots = table[mine & (table[:, 1] == k), 3:5]
            here = (table[:, 1] == k) & similar
            gap = np.linalg.norm(table[here, None, 3:5] - spots, axis=2).min(axis=1)
            value[here] *= np.where(gap < 0.4 * radius[best], 0.4, 1.0)
        value[mine] = 0.0
    return chosen


def _near_click(shape: tuple[int, int], click: FloatArray, radius: float) -> FloatArray:
    x, y = np.arange(shape[1]) - click[0], np.arange(shape[0])[:, None] - click[1]
    return np.exp(-0.5 * (x**2 + y**2) / (0.5 * radius) ** 2)


def follow_shapes(
    work: PlateSamples,
    shapes: list[TriedShape],
    config: PlateConfig,
    shown: tuple[int, FloatArray] | None,
) -> list[ShapePath]:
    """Link each shape through all samples; `shown` as for `platemates.moving_along`."""
    levels = sorted({s.level for s in shapes})
    templates = [outline_template(work.padded_shape(s.level), s.params) for s in shapes]

    def scan(k: int) -> list[FloatArray]:
        """Per shape the peaks (score, x, y) in one sample."""
        maps = work.level_maps(k, levels, weighted=shown is None)
        peaks = []
        for shape, template in zip(shapes, templates, strict=True):
            maps_ft, padded, true = maps[shape.level]
            score = score_map(maps_ft, template, padded)[: true[0], : true[1]]
            rows = [
                (value, (x + 0.5) * 2**shape.level - 0.5, (y + 0.5) * 2**shape.level - 0.5)
                for value, x, y in score_peaks(score, 6, 0.5 * mean_radius(shape.params))
            ]
            peaks.append(np.array(rows).reshape(-1, 3))
        return peaks

    with ThreadPoolExecutor() as pool:
        by_sample = list(pool.map(scan, range(len(work.samples))))
    nodes = [list(rows) for rows in zip(*by_sample, strict=True)]
    paths = []
    for shape, rows in zip(shapes, nodes, strict=True):
        paths += _link(work, shape, rows, 3, shown)
    return paths


def _link(
    work: PlateSamples,
    shape: TriedShape,
    nodes: list[FloatArray],
    n_paths: int,
    shown: tuple[int, FloatArray] | None,
) -> list[ShapePath]:
    """Best paths of one shape through the samples by dynamic programming.

    `nodes` holds per sample an array (m, 3) of score, x and y in work px. A path may miss up to
    three samples in a row.
    """
    threshold, reach = 0.13, 2.0 * shape.half_height_px
    alive = [np.ones(len(rows), bool) for rows in nodes]
    steady = [work.to_steady(k, rows[:, 1:]) for k, rows in enumerate(nodes)]
    gains = [rows[:, 0] - threshold for rows in nodes]
    if shown is not None:
        k, click = shown
        away = np.linalg.norm(nodes[k][:, 1:] - click, axis=1) / shape.radius_px
        gains[k] = gains[k] + np.where(away < 0.6, 100.0, -100.0)
    paths = []
    for _ in range(n_paths):
        chain = _best_chain(*_best_ways(work.time_s, steady, gains, alive, reach))
        if not chain:
            break
        for a, b in chain:
            alive[a][b] = False
        paths.append(
            ShapePath(
                shape,
                np.array([a for a, _ in chain]),
                np.array([nodes[a][b, 1:] for a, b in chain]),
                np.array([steady[a][b] for a, b in chain]),
                np.array([nodes[a][b, 0] for a, b in chain]),
            )
        )
        if shown is not None:
            break
    return paths


def _best_ways(
    time_s: FloatArray,
    steady: list[FloatArray],
    gains: list[FloatArray],
    alive: list[NDArray[np.bool_]],
    reach_px: float,
) -> tuple[list[FloatArray], list[NDArray[np.intp]]]:
    """Most that a path gathers up to each place, and where it comes from.

    Per sample and place, in: steadied work px, gain and whether it is still to be had; `reach_px`
    is what movements are counted in. Out: the sum of gains less the cost of moving, shape (m,), and
    sample and place before, shape (m, 2), -1 where the path begins.
    """
    total: list[FloatArray] = []
    back: list[NDArray[np.intp]] = []
    for k, rows in enumerate(steady):
        best = np.zeros(len(rows))
        origin = np.full((len(rows), 2), -1)
        for j in range(max(0, k - 4), k):
            if not len(steady[j]) or not len(rows):
                continue
            dt = max(time_s[k] - time_s[j], 1e-3)
            gap = np.linalg.norm(rows[:, None] - steady[j][None], axis=2) / reach_px
            cost = 0.12 * (gap / (2.5 * dt)) ** 2
            cost[gap > 5.0 * dt + 0.3] = np.inf
            # Of equal ways the shorter gap, then the higher peak, whatever a sum's last digits.
            value = np.round(total[j] - cost, 9)
            top = np.argmax(value, axis=1)
            better = value[np.arange(len(rows)), top] >= best
            better &= value[np.arange(len(rows)), top] > 0
            best[better] = value[np.arange(len(rows)), top][better]
            origin[better] = np.column_stack([np.full(len(rows), j), top])[better]
        total.append(np.where(alive[k], best + gains[k], -np.inf))
        back.append(origin)
    return total, back


def _best_chain(total: list[FloatArray], back: list[NDArray[np.intp]]) -> list[tuple[int, int]]:
    """Samples and places of the path that gathers most, in order; none when nothing is gained."""
    ends = [float(t.max()) if len(t) else -np.inf for t in total]
    k = best_index(ends)[0]
    if not ends[k] > 0:
        return []
    chain = [(k, best_index(total[k])[0])]
    while back[chain[-1][0]][chain[-1][1], 0] >= 0:
        a, b = back[chain[-1][0]][chain[-1][1]]
        chain.append((int(a), int(b)))
    chain.reverse()
    return chain


def judge_all(
    paths: Iterable[ShapePath],
    n_samples: int,
    config: PlateConfig,
    *,
    pointed_at: bool,
    may_be: Callable[[ShapePath], bool] | None = None,
) -> None:
    """Score how much paths move like a press; sets `score`, `travel` and `reason` of each.

    A plate that the user pointed at need not move. `may_be` says which paths can be the plate's.
    """
    for path in paths:
        if may_be is not None and not may_be(path):
            path.reason = "is not where a plate is"
        elif pointed_at:
            path.score = float(np.mean(path.support))
            path.reason = "is where the user pointed"
        else:
            _judge(path, n_samples, config)


def _judge(path: ShapePath, n_samples: int, config: PlateConfig) -> None:
    """Score how much one path moves like a press."""
    diameter = 2.0 * path.shape.half_height_px
    support = float(np.mean(path.support))
    if len(path.sample) < 5:
        path.reason = "seen in too few samples"
        return
    x, y = _median3(path.steady_xy[:, 0]), _median3(path.steady_xy[:, 1])
    top, bottom = np.percentile(y, [4, 96])
    travel = float(bottom - top) / diameter
    sideways = float(np.ptp(np.percentile(x, [4, 96]))) / diameter
    path.travel = travel
    if travel < config.min_travel_diameters:
        path.reason = "does not move up and down"
        return
    if travel > config.max_travel_diameters:
        path.reason = "moves farther than a press"
        return
    if sideways > config.max_sideways * travel:
        path.reason = "moves sideways"
        return
    share = (y - top) / (bottom - top)
    low = np.flatnonzero(share > 0.65)
    before = len(low) > 0 and (share[: low[0]] < 0.35).any()
    after = len(low) > 0 and (share[low[-1] :] < 0.35).any()
    if not (before or after):
        path.reason = "does not go down and up again"
        return
    jitter = float(np.median(np.abs(np.diff(y, 2)))) / (bottom - top)
    whole = 1.0 if before and after else 0.5
    upright = 1.0 - 0.5 * (sideways / (config.max_sideways * travel)) ** 2
    steadiness = 1.0 / (1.0 + (jitter / 0.2) ** 2)
    coverage = min(1.0, len(path.sample) / (0.6 * n_samples)) ** 0.5
    path.score = min(1.0, support / 0.45) * whole * upright * steadiness * coverage
    path.reason = "moves like a press"


def _median3(values: FloatArray) -> FloatArray:
    padded = np.r_[values[:1], values, values[-1:]]
    return np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)


def most_worth_first(worth: Callable[[_T], float], items: Sequence[_T]) -> list[_T]:
    """Return the items, most worth first; equal ones stay in their order."""
    return [items[k] for k in ranked([worth(item) for item in items])]
