"""What the shaft looks like across: its thickness, its middle and its own light.

In: pictures in which the bar lies along one row, before different scenery. Out: thickness and
middle row, px, and the light of each row, grey levels, apart from what is seen behind and beside
the shaft. Rows that do not follow the scenery are the shaft's.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf

from barpath.ground.choice import SAME, best_index
from barpath.ground.equipment import POWER_BAR, Bar
from barpath.ground.uncertainty import MAD_TO_SD
from barpath.sight.baredges import edge_pair_score, vertical_gradient
from barpath.sight.barline import SHAFT_OFFSETS

FloatArray = NDArray[np.floating]

_LEAST_SHARE, _MOST_SHARE = 0.015, 0.03
"""How thick the shaft of a power bar may look, over what lies between the plates."""


def box_cover(offset_px: ArrayLike, thickness_px: ArrayLike, blur_px: float) -> FloatArray:
    """Return how much of the light at an offset from its axis comes from a blurred band.

    Examples
    --------
    >>> box_cover([0.0, 4.0, 9.0], 8.0, 0.8).round(3).tolist()
    [1.0, 0.5, 0.0]
    """
    r, half = np.asarray(offset_px, float), 0.5 * np.asarray(thickness_px, float)
    root = blur_px * np.sqrt(2.0)
    return 0.5 * (erf((half - r) / root) + erf((half + r) / root))


class Bounds(NamedTuple):
    """How thick a shaft may be, px: at least, usually and at most."""

    least: float
    usual: float
    most: float

    @property
    def tried(self) -> FloatArray:
        """What is tried between the least and the most."""
        return np.linspace(self.least, self.most, 25)


def bounds_of(span_px: float, bar: Bar) -> Bounds:
    """How thick a bar's shaft may look where its plates' inner faces lie so far apart.

    Hands and collars are thicker.
    """
    relative = bar.shaft_share / POWER_BAR.shaft_share
    least, most = (share * span_px * relative for share in (_LEAST_SHARE, _MOST_SHARE))
    return Bounds(least, bar.shaft_share * span_px, most)


def thickness_of(
    rigid: FloatArray, reach: int, columns: NDArray[np.int64], tried: FloatArray
) -> float:
    """Return the distance between the shaft's edges, from those `tried`."""
    gradient = vertical_gradient(rigid.astype(np.float32), 0.8)[:, columns]
    score = [
        np.mean(np.sqrt(edge_pair_score(gradient, t)[reach - 1 : reach + 2].max(axis=0)))
        for t in tried
    ]
    return float(tried[best_index(score)[0]])


def shaft_across(
    own: FloatArray,
    reach: int,
    columns: NDArray[np.int64],
    thickness: float,
    bounds: Bounds,
) -> tuple[float, float, FloatArray]:
    """Return the shaft's thickness, its middle row and its own light at `SHAFT_OFFSETS`.

    The same shaft is seen before different scenery in pictures laid over each other, ``own`` of
    shape (pictures, rows, columns). Rows that do not follow the scenery beside them are the
    shaft's; its own shading, which has edges too, does not mislead.
    """
    far = int(np.ceil(0.5 * bounds.most)) + 5
    if len(columns) < 8 or far + 3 > reach:
        own_light = np.full(len(SHAFT_OFFSETS), np.median(own[:, reach]))
        return thickness, 0.0, own_light * box_cover(SHAFT_OFFSETS * thickness, thickness, 0.8)
    wide = own[:, reach - far : reach + far + 1]
    rows = np.arange(-far, far + 1)
    groups = np.array_split(columns, min(16, len(columns) // 4))
    values = np.stack([wide[:, :, g].mean(axis=2) for g in groups], axis=1)
    # The line was placed to a pixel or so: lay the pictures over each other more exactly.
    core = np.flatnonzero(np.abs(rows) <= 0.5 * thickness + 1.0)
    tried = np.arange(-2.5, 2.6, 0.125)
    halves = np.array_split(np.arange(len(groups)), 2)
    shift = np.zeros(values.shape[:2])

    def laid() -> FloatArray:
        at = rows + shift[..., None]
        low = np.clip(np.floor(at).astype(int), -far, far - 1)
        part = np.clip(at - low, 0.0, 1.0)
        a = np.take_along_axis(values, low + far, axis=2)
        return a + part * (np.take_along_axis(values, low + far + 1, axis=2) - a)

    for _ in range(3):
        middle = np.median(laid(), axis=(0, 1))
        for picture in range(len(values)):
            for half in halves:
                seen = np.median(values[picture, half], axis=0)
                moved = np.stack([np.interp(rows[core] + d, rows, seen) for d in tried])
                off = np.minimum(np.abs(moved - middle[core]), 40.0).mean(axis=1)
                shift[picture, half] = tried[best_index(-off - 0.1 * tried**2)[0]]
    t, centre = thickness, 0.0
    # Twice, for what lies beside the shaft is only known once its middle is.
    for _ in range(2):
        samples = laid().reshape(-1, len(rows))
        samples = samples[np.median(np.abs(samples - np.median(samples, axis=0)), axis=1) < 60.0]
        found = _cover_fit(samples, rows, t, bounds)
        if found is None and centre == 0.0:
            found = _quiet_band(samples, rows, bounds)
        if found is None:
            break
        t = found[0]
        shift += found[1]
        centre += found[1]
    samples = laid().reshape(-1, len(rows))
    cover = box_cover(rows, t, 0.8)
    beside = far + int(np.ceil(0.5 * t + 2.0)) * np.array([-1, 1])
    scenery = np.median(samples[:, beside], axis=0)[(rows > 0).astype(int)]
    own_light = np.where(cover > 0.02, np.median(samples, axis=0) - (1.0 - cover) * scenery, 0.0)
    return t, centre, np.interp(SHAFT_OFFSETS * t, rows, own_light)


def _cover_fit(
    samples: FloatArray, rows: NDArray[np.int64], thickness: float, bounds: Bounds
) -> tuple[float, float] | None:
    """Return thickness and middle row of what hides the scenery; None when that is not clear.

    ``samples`` of shape (n, rows) is regressed on what is seen beside the shaft.
    """
    if len(samples) < 20:
        return None
    beside = len(rows) // 2 + int(np.ceil(0.5 * thickness + 2.0)) * np.array([-1, 1])
    spread = samples - samples.mean(axis=0)
    scenery = spread[:, beside]
    normal = scenery.T @ scenery / len(samples) + 25.0 * np.eye(2)
    if np.trace(normal) < 200.0:
        return None
    follows = np.linalg.solve(normal, scenery.T @ spread / len(samples))
    cover = np.clip(1.0 - np.clip(follows, 0.0, None).sum(axis=0), 0.0, 1.0)
    inner = np.abs(rows) <= beside[1] - len(rows) // 2
    thick, middle = np.meshgrid(bounds.tried, np.arange(-2.0, 2.01, 0.125))
    boxes = box_cover(rows[inner] - middle[..., None], thick[..., None], 0.8)
    off = ((cover[inner] - boxes) ** 2).sum(axis=2)
    best = best_index(-off)
    if off[best] > 0.25 * float(np.sum(cover[inner] ** 2)):
        return None
    return float(thick[best]), float(middle[best])


def _quiet_band(
    samples: FloatArray, rows: NDArray[np.int64], bounds: Bounds
) -> tuple[float, float]:
    """Return thickness and middle row of the band that stays as it is while its sides change.

    Coarser than `_cover_fit`, but with scenery that hardly changes enough to say which rows are
    the shaft's: those whose light varies less than that beside them, and outside which the mean
    light is even. The thickness is near the usual one.
    """
    mean = np.median(samples, axis=0)
    varies = np.median(np.abs(samples - mean), axis=0)
    usual = bounds.usual
    best, least = (usual, 0.0), np.inf
    for thick in np.linspace(0.85, 1.2, 15) * usual:
        for middle in np.arange(-3.5, 3.51, 0.125):
            cover = box_cover(rows - middle, thick, 0.8)
            near = np.abs(rows - middle) < 0.5 * thick + 5.0
            parts = np.stack([(1 - cover) * (rows < middle), cover, (1 - cover) * (rows >= middle)])
            parts = parts[:, near]
            levels = np.linalg.lstsq(parts.T, varies[near], rcond=None)[0]
            cost = ((levels @ parts - varies[near]) ** 2).sum() / (np.var(varies) + 1.0)
            cost += max(0.0, levels[1] - min(levels[0], levels[2])) ** 2 / (np.var(varies) + 1.0)
            for part in (parts[0], parts[2]):
                beside = np.average(mean[near], weights=part + 1e-9)
                cost += (part * (mean[near] - beside) ** 2).sum() / (np.var(mean) + 1.0)
            cost += 0.3 * ((thick / usual - 1.0) / 0.08) ** 2
            if cost < least * (1.0 - SAME):
                best, least = (float(thick), float(middle)), cost
    return best


class Shaft:
    """What the shaft looks like across, and how much of each row is shaft and not scenery.

    A row at offset `r` from the axis shows ``own(r) + through(r) * scenery``: the shaft's own light
    and, at its blurred edges, what is seen beside it. Both parts are learned by regression on the
    scenery as it changes, so that they owe nothing to what the bar was seen against.
    """

    # Learned from about this many frames; the start counts for a few.
    _memory = 90.0
    _start_counts = 3.0
    # Spread of grey below which the scenery says nothing of how much is seen through.
    _prior_level = 12.0

    def __init__(self, thickness_px: float, across: FloatArray, blur_px: float) -> None:
        reach = int(np.ceil(0.5 * thickness_px + 2.0))
        self.rows = np.arange(-reach, reach + 1)
        self.beside = (0.5 * thickness_px + 2.5, 0.5 * thickness_px + 4.0)
        self._prior = 1.0 - box_cover(self.rows, thickness_px, 0.9)
        # The start comes from reduced pictures, which blur it.
        self.through = 1.0 - box_cover(self.rows, thickness_px, blur_px)
        self.own = np.interp(self.rows / thickness_px, SHAFT_OFFSETS, across)
        self.level = 12.0
        self._weight = 0.0
        self._sums = np.zeros((5, len(self.rows)))

    @property
    def axis_px(self) -> float:
        """Offset of the middle of what hides the scenery from row 0: where the axis really is."""
        cover = 1.0 - self.through
        return float((cover * self.rows).sum() / max(cover.sum(), 1.0))

    def scenery(self, above: FloatArray, below: FloatArray) -> FloatArray:
        """Return what would be seen at each row (added first axis) without the shaft."""
        share = ((self.rows > 0) + 0.5 * (self.rows == 0)).reshape(-1, *[1] * above.ndim)
        return (1.0 - share) * above + share * below

    def expected(self, scenery: FloatArray) -> FloatArray:
        """Return what is expected at each row of `scenery`, shape (rows, …)."""
        shape = (-1, *[1] * (scenery.ndim - 1))
        return self.own.reshape(shape) + self.through.reshape(shape) * scenery

    def learn(self, seen: FloatArray, scenery: FloatArray) -> None:
        """Take in columns that lie on the shaft, both of shape (rows, columns)."""
        keep = 1.0 - 1.0 / self._memory
        sums = [np.ones_like(seen), scenery, seen, scenery**2, scenery * seen]
        self._sums = keep * self._sums + np.stack([part.mean(axis=1) for part in sums])
        self._weight = keep * self._weight + 1.0
        n, mb, ms, bb, bs = self._sums
        mb, ms = mb / n, ms / n
        variance, covariance = bb / n - mb**2, bs / n - mb * ms
        ridge = self._prior_level**2
        through = (covariance + ridge * self._prior) / (variance + ridge)
        through = np.clip(through, 0.0, 1.0)
        trust = self._weight / (self._weight + self._start_counts)
        self.own += trust * (ms - through * mb - self.own)
        self.through = self.through + trust * (through - self.through)
        off = np.abs(seen - self.expected(scenery))
        self.level += 0.1 * (float(np.clip(MAD_TO_SD * np.median(off), 2.0, 20.0)) - self.level)


def across(pooled: FloatArray, middle: FloatArray, shaft: Shaft) -> tuple[FloatArray, FloatArray]:
    """Return what is seen across the shaft's line, and the scenery beside it, (rows, columns)."""
    near, far = shaft.beside
    offsets = np.r_[shaft.rows, -far, -near, near, far]
    at = (middle[None, :] + offsets[:, None]).astype(np.float32)
    columns = np.broadcast_to(np.arange(len(middle), dtype=np.float32), at.shape)
    seen = cv2.remap(
        pooled.astype(np.float32), columns, at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    ).astype(float)
    values, beside = seen[:-4], seen[-4:]
    return values, shaft.scenery(beside[:2].mean(axis=0), beside[2:].mean(axis=0))


def likeness(left: FloatArray, without: FloatArray, level: float) -> FloatArray:
    """Return 0..1 for how much better the shaft explains the picture than the scenery beside it.

    `left` and `without` are mean squared differences from the one and the other, `level` the
    difference usual on the shaft.
    """
    return np.clip((without - left) / (without + left + level**2), 0.0, 1.0)
