"""The rim of a followed plate, in all pictures laid over one another along its path.

In: the pictures laid over one another (`platestack`), and the outline followed, as the parameters
of `ellipse`, px. Out: a `RimChange`, which leads from the outline that was followed to the rim.

What is followed may be a line on the plate: a printed ring, a lip, the nearer face of a thick
plate seen at a slant, here and there the rim. Many lines about one centre move along with a plate.
The rim is the outermost: beyond it there is nothing that stays. Before a wall of its own tone its
edge hardly shows, but where scenery passes by, the pictures differ outside of it and not within.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.choice import ranked
from barpath.ground.uncertainty import biweights
from barpath.sight.ellipse import (
    Ellipse,
    from_params,
    mean_radius,
    outline_matrix,
    to_params,
    unit_vectors,
    wrap_angle_deg,
)
from barpath.sight.platestack import OUTLINE, EdgeMap, Laid, outlines_in, put_outlines

FloatArray = NDArray[np.floating]

_LEAST_PICTURES = 5
_LEAST_TRAVEL = 0.3
"""In diameters of the outline; what is behind a plate that stands is not smeared."""
_UNITS = unit_vectors(120)
_ON_PX = np.linspace(-1.0, 1.0, 5)
_BEYOND_PX = np.arange(3.0, 20.5)
"""How far from a rim its edge lies, and how far out nothing may stay, px of the map."""
_INSIDE_PX, _OUTSIDE_PX = np.array([-6.0, -4.0, -2.5]), np.array([1.5, 3.0, 6.0])
_ROUGHLY_PX = np.array([2.5, 4.0, 6.0, 8.0])
"""How far in all moves along with the plate, and how far out scenery passes by, px of the map: by a
rim that is known well, and by one that is sought."""
_SCENERY_PX = np.arange(14.0, 55.0, 1.5)
_LEAST_SCENERY, _OVER_SCENERY = 0.02, 2.5
"""How much of an edge passes by anyhow, 0..1, and how many times that an edge is that counts half.
"""
_SHOWS = 0.25
_LEAST_ON_RIM = 0.4
_SIZE_POWER = 3.0
"""With which power of its size an outline counts: a rim outranks a ring that shows a little better,
as when outlines are measured (`platemeasure.worth`)."""
_ASIDE_SQUARE, _ASIDE_SLANTED = 0.01, 0.5
"""How far the rim's middle is from that of the line followed, over its half axis: rings and rim of
a plate seen square have one middle, those of one seen aslant do not."""
_SIZES = (0.94, 0.97, 1.0, 1.03, 1.06, 1.1, 1.2, 1.32)
_ASIDE = (-0.06, -0.03, 0.0, 0.03, 0.06)
_FARTHER = (-0.36, -0.24, -0.12, 0.0, 0.12, 0.24, 0.36)
_FAR_OUT = 1.3
_LARGER = (1.1, 1.15, 1.22, 1.3, 1.38, 1.46)
_LEAST_ALONG, _LEAST_SPREAD, _LEAST_USUAL = 0.9, 8.0, 1.5
"""Share of what is between two rims that moves along if both are on one bar, and grey levels by
which pictures of one thing may differ at all, and do at least."""
_N_STARTS, _APART_PX, _EVERY = 10, 3.0, 3
_MOST_ROUNDS, _LEAST_GAIN = 5, 1.02
_N_STEPS = 8
_NEAR_PX, _WITHIN_PX = 6.0, 2.5
_CLEAR_PX, _ON_EDGE_PX = 5.0, 2.0
_MOST_DEPTH = 0.45
"""Thickness of a plate, or of several alike, over its radius: 0.1 m over 0.225 m."""


@dataclass(frozen=True)
class RimChange:
    """What leads from an outline that was followed to the rim.

    Parameters
    ----------
    matrix : ndarray, shape (2, 2)
        Turns the outline's points about its centre into the rim's.
    shift : ndarray, shape (2,)
        From the outline's centre to the rim's, in mean radii of the outline.
    share : float
        On how much of the rim an edge lies beyond which nothing moves along, 0..1.
    apart : float
        By how much the outlines of the plate's two faces are apart in the picture, over the rim's
        longer axis; NaN where no rim shows.
    """

    matrix: FloatArray
    shift: FloatArray
    share: float
    apart: float = np.nan

    @property
    def growth(self) -> float:
        """How many times as large as the outline the rim is."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix))))

    def applied(self, params: FloatArray) -> FloatArray:
        """The rim's parameters for an outline's."""
        moved = self.matrix @ outline_matrix(params)
        values, vectors = np.linalg.eigh(moved @ moved.T)
        shape = (vectors * np.sqrt(values)) @ vectors.T
        centre = params[:2] + self.shift * mean_radius(params)
        return np.array([*centre, shape[0, 0], shape[1, 1], shape[0, 1]])

    def on_table(self, table: pd.DataFrame) -> pd.DataFrame:
        """A plate table with its outlines put on the rim; no more of one shows than of the rim.

        ``apart_px`` is by how much the outlines of both faces are apart.
        """
        table = table.copy()
        rows = table[list(OUTLINE)].notna().all(axis=1).to_numpy()
        put_outlines(table, rows, map(self.applied, outlines_in(table[rows])))
        table["outline_share"] = np.minimum(table["outline_share"], self.share)
        table["apart_px"] = self.apart * table["major_px"]
        return table


def find_rim(laid: Laid) -> RimChange | None:
    """The rim about an outline; the outline itself where too little of a rim shows.

    None where the pictures are too few, or the plate stands.
    """
    if len(laid.centres) < _LEAST_PICTURES:
        return None
    if np.ptp(laid.centres, axis=0).max() < 2 * _LEAST_TRAVEL:
        return None
    outline = from_params(laid.outline)
    half = (outline.major_px / 2, outline.minor_px / 2)
    followed = np.array([0.0, 0.0, *half, np.deg2rad(outline.angle_deg), 0.0])
    evidence = _Evidence(laid.edges, followed)
    rim, share = _grown(evidence, followed)
    rim, share = _behind(evidence, rim, share)
    if share < _LEAST_ON_RIM:
        return RimChange(np.eye(2), np.zeros(2), share)
    ellipse = _ellipse_of(rim)
    found = to_params(ellipse)
    matrix = outline_matrix(found) @ np.linalg.inv(outline_matrix(laid.outline))
    apart = float(rim[5]) / ellipse.major_px
    return RimChange(matrix, found[:2] / mean_radius(laid.outline), share, apart)


# What shows of a thick disc is the hull of both faces' outlines. Rims, (..., 6), are x, y, the half
# axes of a face and the direction of the longer one, radians, and by how much the faces are apart
# in the picture, along the shorter one; x and y are the middle; px of the map.


def _axes(rims: FloatArray) -> FloatArray:
    """Unit vectors along the longer and the shorter axis, as rows, (..., 2, 2)."""
    cos, sin = np.cos(rims[..., 4]), np.sin(rims[..., 4])
    return np.stack([np.stack([cos, sin], axis=-1), np.stack([-sin, cos], axis=-1)], axis=-2)


def _slant(rim: FloatArray) -> float:
    """Sine of the angle at which a disc of these axes is seen."""
    return float(np.sqrt(max(1.0 - (rim[3] / max(rim[2], 1e-9)) ** 2, 0.0)))


def _is_disc(rim: FloatArray) -> bool:
    """Whether a disc can look like this."""
    _, _, long, short, _, depth = rim
    sound = 0.25 * long < short < 1.02 * long
    return bool(sound and depth <= (_MOST_DEPTH * _slant(rim) + 0.1) * long)


def _points(rims: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points all round and their outward unit normals, (..., n, 2) each."""
    half = rims[..., None, 2:4]
    normals = _UNITS * half[..., ::-1]
    normals = normals / np.linalg.norm(normals, axis=-1, keepdims=True)
    places = _UNITS * half
    apart = np.where(normals[..., 1] > 0, 0.5, -0.5) * rims[..., None, 5]
    places = places + np.stack([np.zeros_like(apart), apart], axis=-1)
    axes = _axes(rims)
    return places @ axes + rims[..., None, :2], normals @ axes


def _weights(points: FloatArray) -> FloatArray:
    """Share of the outline that each point stands for, (..., n)."""
    gap = np.roll(points, -1, axis=-2) - np.roll(points, 1, axis=-2)
    length = np.linalg.norm(gap, axis=-1)
    return length / length.sum(axis=-1, keepdims=True)


def _ellipse_of(rim: FloatArray) -> Ellipse:
    """The ellipse that fits a rim best."""
    corners = _points(rim)[0]
    closed = np.vstack([corners, corners[:1]])
    way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    even = np.linspace(0.0, way[-1], 2 * len(corners), endpoint=False)
    spread = np.column_stack([np.interp(even, way, closed[:, k]) for k in (0, 1)])
    (x, y), (one, other), angle = cv2.fitEllipseDirect(spread.astype(np.float32)[:, None])
    if one < other:
        one, other, angle = other, one, angle + 90.0
    return Ellipse(x, y, one, other, wrap_angle_deg(angle))


class _Evidence:
    """Where edges are that move along with a plate, over what scenery passes by anyhow."""

    def __init__(self, edges: EdgeMap, followed: FloatArray) -> None:
        self._edges = edges
        self._centre = followed[:2]
        self._roughly = False
        self._aside_px = (_ASIDE_SQUARE + _ASIDE_SLANTED * _slant(followed)) * followed[2]
        points, normals = _points(followed)
        passing = self.across(points, normals, _SCENERY_PX)
        around = np.percentile(passing, 75, axis=-1)
        level = max(float(np.percentile(passing, 75)), _LEAST_SCENERY)
        even = np.ones(9) / 9
        wrapped = np.concatenate([around[-4:], around, around[:4]])
        angle = np.arctan2(*points.T[::-1])
        order = np.argsort(angle, kind="stable")
        self._angle = angle[order]
        self._passing = np.maximum(np.convolve(wrapped, even, "valid"), level)[order]
        self._spread = max(_usual_spread(edges, followed), _LEAST_USUAL)

    def behind(self, rim: FloatArray) -> _Evidence:
        """The same for a larger plate behind one of that rim.

        It may have its middle anywhere, and what passes by is seen farther out, for nearer by are
        its own edges.
        """
        other = _Evidence(self._edges, rim * np.array([1, 1, _FAR_OUT, _FAR_OUT, 1, 1]))
        other._aside_px, other._spread, other._roughly = np.inf, self._spread, True
        return other

    def across(self, points: FloatArray, normals: FloatArray, off_px: FloatArray) -> FloatArray:
        """In how many pictures an edge lies across each normal, so far outside of its point."""
        places = points[..., None, :] + normals[..., None, :] * off_px[:, None]
        return self._edges.across(places, normals[..., None, :])

    def told(self, points: FloatArray, edge: FloatArray) -> FloatArray:
        """How sure it is that what `across` gave is no passing scenery, 0..1."""
        angle = np.arctan2(points[..., 1], points[..., 0])
        usual = np.interp(angle, self._angle, self._passing, period=2 * np.pi)
        return edge**2 / (edge**2 + (_OVER_SCENERY * usual[..., None]) ** 2)

    def passes(self, points: FloatArray, normals: FloatArray) -> FloatArray:
        """By how much more surely scenery passes by outside of each point than inside, 0..1."""
        off = np.r_[_INSIDE_PX, _ROUGHLY_PX if self._roughly else _OUTSIDE_PX]
        spread = self._edges.spread(points[..., None, :] + normals[..., None, :] * off[:, None])
        surely = spread**2 / (spread**2 + (2.0 * self._spread) ** 2)
        n = len(_INSIDE_PX)
        outside = surely[..., n:]
        passing = outside.mean(axis=-1) if self._roughly else outside.min(axis=-1)
        return np.maximum(passing - surely[..., :n].max(axis=-1), 0.0)

    def worth(self, rims: FloatArray, every: int = 1) -> tuple[FloatArray, FloatArray]:
        """How likely each is the rim, and the share of it on which it shows, (k,) each.

        With `every` some of their points are left out.
        """
        found = [self._worth(some, every) for some in np.split(rims, range(200, len(rims), 200))]
        worth, share = (np.concatenate(one) for one in zip(*found, strict=True))
        return worth, share

    def _worth(self, rims: FloatArray, every: int) -> tuple[FloatArray, FloatArray]:
        points, normals = (one[:, ::every] for one in _points(rims))
        edge = self.across(points, normals, np.r_[_ON_PX, _BEYOND_PX])
        told = self.told(points, edge)
        ends = told[..., : len(_ON_PX)].mean(axis=-1) - told[..., len(_ON_PX) :].mean(axis=-1)
        ends = np.maximum(ends, self.passes(points, normals))
        weights = _weights(points)
        share = (weights * (ends > _SHOWS)).sum(axis=-1)
        sure = np.maximum((weights * ends).sum(axis=-1), 0.0)
        size = np.sqrt(rims[:, 2] * (rims[:, 3] + rims[:, 5] / 2))
        aside = np.linalg.norm(rims[:, :2] - self._centre, axis=1) / self._aside_px
        sure = sure * np.exp(-0.5 * aside**2)
        return sure * share**2 * (size / 100.0) ** _SIZE_POWER, share

    def along(self, inner: FloatArray, rims: FloatArray) -> FloatArray:
        """Share of what lies between an inner rim and each of others that moves along, (k,)."""
        shares = np.linspace(0.0, 1.0, 12)[:, None]
        most = max(2.0 * _usual_spread(self._edges, inner), _LEAST_SPREAD)
        found = []
        for rim in rims:
            outer = rim[:2] + 0.97 * (_points(rim)[0] - rim[:2])
            out = np.linalg.norm(outer - inner[:2], axis=1)
            ways = (outer - inner[:2]) / out[:, None]
            at = inner[:2] + (0.5 + 0.5 * shares)[..., None] * out[:, None] * ways
            between = np.linalg.norm((at - inner[:2]) @ _axes(inner).T / inner[2:4], axis=-1) > 1.03
            still = self._edges.spread(at) <= most
            found.append(float(still[between].mean()) if between.any() else 1.0)
        return np.array(found)


def _usual_spread(edges: EdgeMap, rim: FloatArray) -> float:
    """By how many grey levels pictures differ where what is within a rim is seen."""
    inside = np.array([0.5, 0.6, 0.7, 0.8, 0.88])[:, None, None] * (_points(rim)[0] - rim[:2])
    return float(np.percentile(edges.spread(rim[:2] + inside), 80))


_Edges = Callable[[_Evidence, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


def _grown(evidence: _Evidence, followed: FloatArray) -> tuple[FloatArray, float]:
    """The likeliest rim about an outline, and the share on which it shows."""
    best, most, shows = followed, 0.0, 0.0
    for _ in range(_MOST_ROUNDS):
        rims = _settled(evidence, _starts(evidence, best))
        rims = np.array([rim for rim in rims if _is_disc(rim)]).reshape(-1, 6)
        if not len(rims):
            break
        worth, share = evidence.worth(rims)
        first = ranked(worth)[0]
        if worth[first] <= _LEAST_GAIN * most:
            break
        best, most, shows = rims[first], float(worth[first]), float(share[first])
    return _settled(evidence, best[None], _clearest)[0], shows


def _behind(evidence: _Evidence, rim: FloatArray, share: float) -> tuple[FloatArray, float]:
    """The rim of a larger plate on the same bar, before which a smaller one shows, if there is one.

    A part of its rim is hidden. So what decides is that all between the two moves along.
    """
    evidence = evidence.behind(rim)
    rims = _settled(evidence, _starts(evidence, rim, _LARGER, _FARTHER))
    rims = np.array([one for one in rims if _is_disc(one)]).reshape(-1, 6)
    rims = rims[rims[:, 2] > _LARGER[0] * rim[2]]
    if not len(rims):
        return rim, share
    worth, shares = evidence.worth(rims)
    along = evidence.along(rim, rims)
    worth = np.where((shares >= _LEAST_ON_RIM) & (along >= _LEAST_ALONG), worth, 0.0)
    first = ranked(worth)[0]
    if worth[first] <= 0:
        return rim, share
    larger, shows = _grown(evidence, rims[first])
    before, after = evidence.worth(np.array([rim, larger]))[0]
    if after <= before or larger[2] < _LARGER[0] * rim[2]:
        return rim, share
    return (larger, shows) if evidence.along(rim, larger[None])[0] >= _LEAST_ALONG else (rim, share)


def _starts(
    evidence: _Evidence,
    about: FloatArray,
    sizes: Sequence[float] = _SIZES,
    aside: Sequence[float] = _ASIDE,
) -> FloatArray:
    """Where the rim about an outline may be, likeliest first, (k, 6)."""
    long = about[2]
    lengthwise, across = _axes(about)
    depths = np.linspace(-1.0, 1.0, 13) * _MOST_DEPTH * _slant(about) * long
    lengths = long * np.array([-0.08, 0.0, 0.08])
    size, depth, side, way = (
        one.ravel()
        for one in np.meshgrid(sizes, depths, long * np.array(aside), lengths, indexing="ij")
    )
    rims = np.tile(about, (len(size), 1))
    rims[:, :2] += (depth / 2 + side)[:, None] * across + way[:, None] * lengthwise
    rims[:, 2:4] *= size[:, None]
    rims[:, 5] = np.abs(depth)
    chosen: list[FloatArray] = []
    for k in ranked(evidence.worth(rims, _EVERY)[0]):
        seen = np.r_[rims[k, :3], rims[k, 3] + rims[k, 5] / 2]
        others = [np.r_[one[:3], one[3] + one[5] / 2] for one in chosen]
        if all(np.abs(seen - other).max() > _APART_PX for other in others):
            chosen.append(rims[k])
        if len(chosen) == _N_STARTS:
            break
    return np.array(chosen)


def _nearest(
    evidence: _Evidence, points: FloatArray, normals: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How far outside of each point there is an edge beyond which there is none, and how sure.

    Shape (k, n) each, px and 0..1.
    """
    step = 0.5
    off = np.arange(-_NEAR_PX, _NEAR_PX + _BEYOND_PX[-1] + step / 2, step)
    told = evidence.told(points, evidence.across(points, normals, off))
    near = int(np.sum(off <= _NEAR_PX))
    low, high = (round(one / step) for one in (_BEYOND_PX[0], _BEYOND_PX[-1]))
    total = np.concatenate([np.zeros((*told.shape[:-1], 1)), np.cumsum(told, axis=-1)], axis=-1)
    at = np.arange(near)
    beyond = (total[..., at + high] - total[..., at + low]) / (high - low)
    closeness = np.exp(-0.5 * (off[:near] / _WITHIN_PX) ** 2)
    ends = np.maximum(told[..., :near] - beyond, 0.0) * closeness
    peak = np.argmax(ends, axis=-1)[..., None]
    about = ends * (np.abs(at - peak) * step <= 1.5)
    found = (about * off[:near]).sum(axis=-1) / np.maximum(about.sum(axis=-1), 1e-9)
    return found, np.take_along_axis(ends, peak, axis=-1)[..., 0]


def _clearest(
    evidence: _Evidence, points: FloatArray, normals: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How far outside of each point the edge that it lies on is clearest, and how sure.

    An edge tells on both sides of it as well, the farther the clearer it is.
    """
    step = 0.5
    off = np.arange(-_CLEAR_PX, _CLEAR_PX + step / 2, step)
    edge = evidence.across(points, normals, off)
    told = evidence.told(points, edge) * np.exp(-0.5 * (off / _ON_EDGE_PX) ** 2)
    middle = edge[..., 1:-1]
    top = (middle >= edge[..., :-2]) & (middle > edge[..., 2:])
    clear = told[..., 1:-1] * top
    peak = np.argmax(clear, axis=-1)[..., None]
    sure = np.take_along_axis(clear, peak, axis=-1)[..., 0]
    before, here, after = (np.take_along_axis(edge, peak + k, axis=-1) for k in (0, 1, 2))
    curve = np.maximum(2 * here - before - after, 1e-9)
    found = off[peak + 1] + step * np.clip(0.5 * (after - before) / curve, -0.5, 0.5)
    return found[..., 0], sure


def _settled(evidence: _Evidence, rims: FloatArray, edges: _Edges = _nearest) -> FloatArray:
    """Rims moved onto edges near them, by reweighted least squares."""
    steps = np.array([0.5, 0.5, 0.5, 0.5, 0.01, 0.5])
    most = np.array([3.0, 3.0, 3.0, 3.0, 0.05, 3.0])
    prior = np.diag([3e-4, 3e-4, 3e-4, 3e-4, 3.0, 3e-3])
    for _ in range(_N_STEPS):
        points, normals = _points(rims)
        off, sure = edges(evidence, points, normals)
        weight = _weights(points) * points.shape[-2] * sure
        weight = weight * biweights(off / _NEAR_PX)
        moved = _points(rims[:, None] + np.diag(steps))[0] - points[:, None]
        slope = np.einsum("kpnc,knc->knp", moved, normals) / steps
        normal = np.einsum("knp,kn,knq->kpq", slope, weight, slope) + prior
        right = np.einsum("knp,kn,kn->kp", slope, weight, off)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        # The faces lie at most over one another; the others as is best then.
        over = rims[:, 5] + step[:, 5] < 0
        step[over, 5] = -rims[over, 5]
        rest = right[over, :5] - normal[over, :5, 5] * step[over, 5:]
        step[over, :5] = np.linalg.solve(normal[over, :5, :5], rest[..., None])[..., 0]
        rims = rims + np.clip(step, -most, most)
        rims[:, 2:4] = np.maximum(rims[:, 2:4], 10.0)
    return rims
