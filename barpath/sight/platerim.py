"""The rim of a followed plate, in the mean of all pictures laid over one another along its path.

In: pictures, and the outline followed in each, as the parameters of `ellipse`, px. Out: a
`RimChange`, which leads from the outline that was followed to the rim.

What is followed may be a line on the plate: a printed ring, a lip, the nearer face of a thick
plate seen at a slant, here and there the rim. In the mean picture the plate is sharp and what is
behind it is smeared, so that on every ray the outermost edge up to which all moves along with the
plate is the rim's.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.choice import ranked
from barpath.sight.ellipse import (
    Ellipse,
    from_params,
    mean_radius,
    to_params,
    unit_vectors,
    wrap_angle_deg,
)
from barpath.sight.pictures import laid_about

FloatArray = NDArray[np.floating]

_HALF_AXIS_PX, _REACH = 100.0, 1.75
"""Half of the outline's long axis in the mean picture, and half of that picture's width over it."""
_LEAST_PICTURES = 5
_LEAST_TRAVEL = 0.3
"""In diameters of the outline; what is behind a plate that stands is not smeared."""
_N_RAYS = 120
_STEP_PX = 0.5
_IN_PX, _OUT_PX = 4.0, 48.0
"""How far inside and outside of the outline the rim is looked for, px of the mean picture."""
_BEFORE_EDGE_PX = 4.0
_LEAST_SPREAD = 8.0
"""Grey levels by which pictures of one thing may differ at all."""
_LEAST_EDGE, _LEAST_ALONG = 0.12, 0.8
_ON_RIM_PX, _NEAR_PX = 2.0, 4.0
_LEAST_ON_RIM = 0.4
_END = 0.3
"""What it counts that all moves along up to a rim and nothing beyond, over the share of its edge
that shows: half of the latter or so, for most of what is behind stays alike here and there."""
_SIZES, _N_OTHERS = (1.0, 1.12, 1.26), 2
"""How much larger than what was followed the largest plate is thought to look, and how many
outlines of each size are tried."""
_STEPS, _STEPS_OTHER, _LEAST_TO_GO_ON = 6, 3, 0.25
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
        On how much of the rim the outermost edge of what moves along lies, 0..1.
    """

    matrix: FloatArray
    shift: FloatArray
    share: float

    def applied(self, params: FloatArray) -> FloatArray:
        """The rim's parameters for an outline's."""
        outline = np.array([[params[2], params[4]], [params[4], params[3]]])
        moved = self.matrix @ outline
        values, vectors = np.linalg.eigh(moved @ moved.T)
        shape = (vectors * np.sqrt(values)) @ vectors.T
        centre = params[:2] + self.shift * mean_radius(params)
        return np.array([*centre, shape[0, 0], shape[1, 1], shape[0, 1]])

    def on_table(self, table: pd.DataFrame) -> pd.DataFrame:
        """A plate table with its outlines put on the rim; no more of one shows than of the rim."""
        table = table.copy()
        names = ["x_px", "y_px", "major_px", "minor_px", "angle_deg"]
        rows = table[names].notna().all(axis=1).to_numpy()
        rims = [
            from_params(self.applied(to_params(Ellipse(*row))))
            for row in table.loc[rows, names].to_numpy(dtype=float)
        ]
        table.loc[rows, names] = [[getattr(rim, name) for name in names] for rim in rims]
        table["outline_share"] = np.minimum(table["outline_share"], self.share)
        return table


class PlatePictures:
    """Pictures laid over one another along a plate's path, all in one size.

    One place in px of the mean picture is told from its middle, where the outline's centre is.
    """

    def __init__(self) -> None:
        self._half = int(np.ceil(_REACH * _HALF_AXIS_PX))
        size = (2 * self._half + 1, 2 * self._half + 1, 3)
        self._sum, self._squares = np.zeros(size, np.float32), np.zeros(size, np.float32)
        self._shapes: list[FloatArray] = []
        self._centres: list[FloatArray] = []
        self._radius_px = np.nan

    def add(self, image: NDArray[np.uint8], params: FloatArray) -> None:
        """Lay a picture, RGB or grey, over the others."""
        radius = mean_radius(params)
        if not self._shapes:
            self._radius_px = _HALF_AXIS_PX * 2 * radius / from_params(params).major_px
        laid = laid_about(image, params[:2], self._radius_px / radius, self._half)
        if laid is None:
            return
        self._sum += laid
        self._squares += laid * laid
        self._shapes.append(params[2:] / radius)
        self._centres.append(params[:2] / radius)

    def rim(self) -> RimChange | None:
        """The rim about the outline; the outline itself where no more of a rim shows than of it.

        None where the pictures are too few, or the plate stands.
        """
        if len(self._shapes) < _LEAST_PICTURES:
            return None
        if np.ptp(self._centres, axis=0).max() < 2 * _LEAST_TRAVEL:
            return None
        shape = np.mean(self._shapes, axis=0) * self._radius_px
        followed = _Rim.of_ellipse(from_params(np.r_[0.0, 0.0, shape]))
        n = len(self._shapes)
        mean = self._sum / n
        spread = np.sqrt(np.maximum(self._squares / n - mean**2, 0.0)).mean(axis=2)
        edges = _Edges(mean, spread.astype(np.float32), self._half)
        before = edges.outermost(followed).share_on(followed)
        rims = [_grown(edges, followed, _STEPS)]
        rims += [_grown(edges, start, _STEPS_OTHER) for start in _others(edges, followed)]
        rims = [(rim, share) for rim, share in rims if share >= max(_LEAST_ON_RIM, before - 0.1)]
        if not rims:
            return RimChange(np.eye(2), np.zeros(2), before)
        most = edges.most_along(followed)
        worth = [its + _END * edges.ends_at(rim, most) for rim, its in rims]
        rim, share = rims[ranked(worth)[0]]
        found = to_params(Ellipse(*rim.ellipse_values()))
        old = np.array([[shape[0], shape[2]], [shape[2], shape[1]]])
        new = np.array([[found[2], found[4]], [found[4], found[3]]])
        return RimChange(new @ np.linalg.inv(old), found[:2] / self._radius_px, share)


@dataclass(frozen=True)
class _Rim:
    """What shows of a thick disc: the hull of both faces' outlines, px of the mean picture.

    `values` are x, y, the half axes of a face and the direction of the longer one, radians, and by
    how much the faces are apart in the picture, along the shorter one; x and y are the middle.
    """

    values: FloatArray

    @staticmethod
    def of_ellipse(ellipse: Ellipse) -> _Rim:
        half = (ellipse.major_px / 2, ellipse.minor_px / 2)
        return _Rim(np.array([*ellipse.centre, *half, np.deg2rad(ellipse.angle_deg), 0.0]))

    @property
    def axes(self) -> FloatArray:
        """Unit vectors along the longer and the shorter axis, as rows."""
        cos, sin = np.cos(self.values[4]), np.sin(self.values[4])
        return np.array([[cos, sin], [-sin, cos]])

    @property
    def slant(self) -> float:
        """Sine of the angle at which a disc of these axes is seen."""
        long, short = self.values[2:4]
        return float(np.sqrt(max(1.0 - (short / max(long, 1e-9)) ** 2, 0.0)))

    @property
    def is_disc(self) -> bool:
        """Whether a disc can look like this."""
        _, _, long, short, _, depth = self.values
        sound = 0.25 * long < short < 1.02 * long
        return bool(sound and depth <= (_MOST_DEPTH * self.slant + 0.1) * long)

    def points(self, units: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Points all round and their outward unit normals, shape (n, 2) each."""
        x, y, long, short, _, depth = self.values
        normals = units * [short, long]
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        places = units * [long, short]
        places[:, 1] += np.where(normals[:, 1] > 0, 0.5, -0.5) * depth
        return places @ self.axes + (x, y), normals @ self.axes

    def crossings(self, points: FloatArray, normals: FloatArray) -> FloatArray:
        """Where rays from points along normals leave the rim, px along them; NaN if nowhere."""
        corners, _ = self.points(unit_vectors(_N_RAYS))
        sides = np.roll(corners, -1, axis=0) - corners
        gap = corners[None] - points[:, None]
        across = normals[:, None, 1] * sides[None, :, 0] - normals[:, None, 0] * sides[None, :, 1]
        across = np.where(np.abs(across) < 1e-12, 1e-12, across)
        along = (gap[..., 1] * sides[None, :, 0] - gap[..., 0] * sides[None, :, 1]) / across
        part = (normals[:, None, 0] * gap[..., 1] - normals[:, None, 1] * gap[..., 0]) / across
        hit = (part >= 0) & (part < 1) & (np.abs(along) < 2 * _OUT_PX)
        last = np.where(hit, along, -np.inf).max(axis=1)
        return np.where(np.isfinite(last), last, np.nan)

    def ellipse_values(self) -> FloatArray:
        """Centre, full axes and angle, degrees, of the ellipse that fits it best."""
        corners, _ = self.points(unit_vectors(_N_RAYS))
        closed = np.vstack([corners, corners[:1]])
        way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
        even = np.linspace(0.0, way[-1], 2 * _N_RAYS, endpoint=False)
        spread = np.column_stack([np.interp(even, way, closed[:, k]) for k in (0, 1)])
        (x, y), (one, other), angle = cv2.fitEllipseDirect(spread.astype(np.float32)[:, None])
        if one < other:
            one, other, angle = other, one, angle + 90.0
        return np.array([x, y, one, other, wrap_angle_deg(angle)])


class _Edges:
    """Edges of the mean picture, across which way they run, and how the picture changes there."""

    def __init__(self, mean: FloatArray, spread: NDArray[np.float32], half: int) -> None:
        smooth = cv2.GaussianBlur(mean, (0, 0), 1.6)
        dx, dy = (cv2.Sobel(smooth, -1, *way, ksize=3) / 8 for way in ((1, 0), (0, 1)))
        xx, yy, xy = (np.asarray((a * b).sum(axis=2)) for a, b in ((dx, dx), (dy, dy), (dx, dy)))
        self._strength = np.sqrt(0.5 * (xx + yy) + np.hypot(0.5 * (xx - yy), xy))
        across = 0.5 * np.arctan2(2 * xy, xx - yy)
        self._cos, self._sin = np.cos(2 * across), np.sin(2 * across)
        self._spread, self._half = spread, half

    def _at(
        self, values: FloatArray, places: FloatArray, how: int = cv2.INTER_LINEAR
    ) -> FloatArray:
        at = (places + self._half).astype(np.float32)
        found = cv2.remap(values, at[..., 0], at[..., 1], how, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(found, np.float32)

    def ends_at(self, rim: _Rim, most: float) -> float:
        """How much more of what lies just inside of a rim moves along than just outside, 0..1.

        What differs by more than `most` grey levels does not.
        """
        points, _ = rim.points(unit_vectors(_N_RAYS))
        centre = rim.values[:2]
        inside, outside = (
            self._at(self._spread, centre + sizes[:, None, None] * (points - centre)) <= most
            for sizes in (np.linspace(0.88, 0.98, 7), np.linspace(1.03, 1.15, 7))
        )
        return max(float(inside.mean() - outside.mean()), 0.0)

    def most_along(self, rim: _Rim) -> float:
        """By how much pictures of what moves along may differ, grey levels."""
        points, _ = rim.points(unit_vectors(_N_RAYS))
        centre = rim.values[:2]
        inside = centre + np.array([0.5, 0.6, 0.7, 0.8, 0.88])[:, None, None] * (points - centre)
        usual = float(np.percentile(self._at(self._spread, inside), 80))
        return max(2.0 * usual, _LEAST_SPREAD)

    def outermost(self, rim: _Rim) -> _Rays:
        """On rays across an outline, the outermost edge up to which all moves along with it.

        Inside the plate the pictures differ little; where they differ more than twice as much,
        there is no plate.
        """
        points, normals = rim.points(unit_vectors(_N_RAYS))
        offsets = np.arange(-_OUT_PX, _OUT_PX + _STEP_PX / 2, _STEP_PX)
        places = points[:, None] + normals[:, None] * offsets[:, None]
        turned = np.stack([normals[:, 0] ** 2 - normals[:, 1] ** 2, 2 * normals.prod(axis=1)])
        cos, sin = (self._at(one, places, cv2.INTER_NEAREST) for one in (self._cos, self._sin))
        along = np.clip(cos * turned[0][:, None] + sin * turned[1][:, None], 0, 1)
        edge = self._at(self._strength, places) * along
        peak = np.zeros_like(edge)
        middle = edge[:, 1:-1]
        top = (middle >= edge[:, :-2]) & (middle > edge[:, 2:])
        peak[:, 1:-1] = np.where(top, middle, 0.0)
        usual = float(np.median(peak[:, np.abs(offsets) <= 3.0].max(axis=1)))

        spread = cv2.blur(self._at(self._spread, places), (7, 1))
        with_it = np.where(offsets >= -3.0, spread <= self.most_along(rim), 0.0)
        counted = np.cumsum(offsets >= -3.0)
        share = np.cumsum(with_it, axis=1) / np.maximum(counted, 1)
        back = round(_BEFORE_EDGE_PX / _STEP_PX)
        before = np.concatenate([np.ones((len(points), back)), share[:, :-back]], axis=1)
        good = (peak > _LEAST_EDGE * usual + 1.0) & (offsets >= -_IN_PX)
        good &= (offsets <= _ON_RIM_PX) | (before > _LEAST_ALONG)
        last = good.shape[1] - 1 - np.argmax(good[:, ::-1], axis=1)
        found = np.where(good.any(axis=1), offsets[last], np.nan)
        return _Rays(points, normals, found)


@dataclass(frozen=True)
class _Rays:
    """Rays across an outline: where they start on it, their ways, and the edge on each, px."""

    points: FloatArray
    normals: FloatArray
    found: FloatArray

    @property
    def weight(self) -> FloatArray:
        """Share of the outline that each ray stands for."""
        gap = np.roll(self.points, -1, axis=0) - np.roll(self.points, 1, axis=0)
        length = np.linalg.norm(gap, axis=1)
        return length / length.sum()

    def misses(self, rim: _Rim) -> FloatArray:
        """How far the edges lie outside of a rim, px; NaN where there is none."""
        return self.found - rim.crossings(self.points, self.normals)

    def share_on(self, rim: _Rim, within_px: float = _ON_RIM_PX) -> float:
        """Share of a rim on which the outermost edges lie."""
        return float(self.weight[np.abs(self.misses(rim)) < within_px].sum())


def _others(edges: _Edges, followed: _Rim) -> list[_Rim]:
    """Where a rim may be that was not followed, likeliest first: about a smaller plate before it.

    Plates on one bar are seen at one slant, the farther ones shifted along the shorter axis.
    """
    found = []
    for size in _SIZES:
        starts = []
        for depth in np.array([-1.0, -0.67, -0.33, 0.33, 0.67, 1.0]) * _MOST_DEPTH * followed.slant:
            values = followed.values.copy()
            values[2:4] *= size
            values[:2] += followed.axes[1] * depth / 2 * values[2]
            values[5] = abs(depth) / 2 * values[2]
            starts.append(_Rim(values))
        shares = [edges.outermost(start).share_on(start, _NEAR_PX) for start in starts]
        found += [starts[k] for k in ranked(shares)[:_N_OTHERS]]
    return found


def _grown(edges: _Edges, start: _Rim, n_steps: int) -> tuple[_Rim, float]:
    """The rim that is reached from a start, outermost edge by outermost edge, and its share."""
    rim, share = start, 0.0
    for _ in range(n_steps):
        larger, its = _fitted(edges.outermost(rim), rim)
        if its <= share - 0.03 or its < _LEAST_TO_GO_ON:
            break
        change = np.abs(larger.ellipse_values()[2:4] / rim.ellipse_values()[2:4] - 1.0).sum()
        rim, share = larger, its
        if change < 0.01:
            break
    return rim, share


def _fitted(rays: _Rays, start: _Rim) -> tuple[_Rim, float]:
    """The rim on which most of the outermost edges lie, and the share that does."""
    long = start.values[2]
    tried = []
    for size in (1.0, 1.03, 1.06, 1.1):
        for depth in np.linspace(-1.0, 1.0, 13) * _MOST_DEPTH * start.slant * long:
            for aside in (-0.04, 0.0, 0.04):
                values = start.values.copy()
                values[:2] += start.axes[1] * (depth / 2 + aside * long)
                values[2:4] *= size
                values[5] = abs(depth)
                tried.append(_Rim(values))
    shares = [rays.share_on(rim, 1.25 * _ON_RIM_PX) for rim in tried]
    rims = [_settled(rays, tried[k]) for k in ranked(shares)[:6]]
    rims = [rim for rim in rims if rim.is_disc]
    if not rims:
        return start, 0.0
    shares = [rays.share_on(rim) for rim in rims]
    best = ranked(shares)[0]
    return rims[best], shares[best]


def _settled(rays: _Rays, rim: _Rim) -> _Rim:
    """A rim moved onto the edges near it, by reweighted least squares (Tukey's biweight)."""
    steps = np.array([0.5, 0.5, 0.5, 0.5, 0.01, 0.5])
    most = np.array([4.0, 4.0, 4.0, 4.0, 0.06, 4.0])
    prior = np.diag([1e-3, 1e-3, 1e-3, 1e-3, 10.0, 1e-2])
    weight = rays.weight * len(rays.points)
    for _ in range(6):
        here = rim.crossings(rays.points, rays.normals)
        moved = [
            _Rim(rim.values + step * one).crossings(rays.points, rays.normals)
            for step, one in zip(steps, np.eye(6), strict=True)
        ]
        jacobian = (np.column_stack(moved) - here[:, None]) / steps
        off = rays.found - here
        known = np.isfinite(off) & np.isfinite(jacobian).all(axis=1)
        jacobian, off = np.where(known[:, None], jacobian, 0.0), np.where(known, off, 0.0)
        near = known * weight * np.clip(1.0 - (off / _NEAR_PX) ** 2, 0.0, None) ** 2
        normal, right = (jacobian.T * near) @ jacobian + prior, (jacobian.T * near) @ off
        step = np.linalg.solve(normal, right)
        if rim.values[5] + step[5] < 0:
            # The faces lie at most over one another; the others as is best then.
            step[5] = -rim.values[5]
            step[:5] = np.linalg.solve(normal[:5, :5], right[:5] - normal[:5, 5] * step[5])
        rim = _Rim(rim.values + np.clip(step, -most, most))
    return rim
