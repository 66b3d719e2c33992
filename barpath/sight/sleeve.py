"""The end of a bare bar's nearer sleeve, seen from the side: a round face of known size.

The network reads where the bar ends. There, a disc of the sleeve's diameter stands out with the
sleeve's two sides, which narrow toward where the bar's direction vanishes. How large it is, is told
by all looks together: of every size, each look's best place counts. A smaller ring in the face has
no sides, a larger one behind it is not about the same place. Where the outline stands out, the face
is learned, which then tells the place where it does not.

In: pictures, and the pose table in the steadied image, px. Out: places of the face's centre, px,
and the sleeve's diameter there, px.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.choice import best_index, evenly_spread, ranked
from barpath.ground.uncertainty import MAD_TO_SD
from barpath.sight.jointnet import SIDES
from barpath.sight.sleeveface import Face, points
from barpath.sight.sleevelooks import Look, SleeveConfig, SleeveLooks

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Sleeve:
    """Where a sleeve's face is, and how large.

    Attributes
    ----------
    path : DataFrame
        `frame`, `x_px`, `y_px` and their standard uncertainty `sd_px`, one row for each frame in
        which it was found.
    diameter_px, rel_sd : float
        Of the sleeve's end, as the looks agree, and its standard uncertainty as a share.
    hands_share : float
        How much the middle between the hands moves in the picture, over how much the end does.
    measured : tuple of int
        Frames in which the diameter was told: it grows and shrinks as the bar comes nearer.
    """

    path: pd.DataFrame
    diameter_px: float
    rel_sd: float
    hands_share: float
    measured: tuple[int, ...]


def find_sleeve(
    looks: SleeveLooks, joints: pd.DataFrame, steadied: pd.DataFrame, focal_px: float
) -> Sleeve | None:
    """Where the nearer sleeve's face is and how large; None where that cannot be told.

    Parameters
    ----------
    looks : SleeveLooks
    joints, steadied : DataFrame
        Pose table, in the image and in the steadied image.
    focal_px : float
        Rough focal length.
    """
    config = looks.config
    lies, expected_px, share = _lies(looks.end, joints, steadied, focal_px, config)
    kept = [(look, lies[look.frame]) for look in looks.kept if look.frame in lies]
    telling = [
        one for one in kept if one[0].read and one[1].side_px > config.least_side * expected_px
    ]
    if len(telling) < config.least_looks:
        return None
    some = [telling[k] for k in np.sort(evenly_spread(len(telling))[: config.n_looks])]
    searches = [_Search(look, lie, config) for look, lie in some]
    radius_px = _radius(searches, expected_px, config)
    if radius_px is None:
        return None
    radius_px, scatter, usual = _finer(searches, radius_px, config)
    path = _path(kept, radius_px, usual, _face(searches, radius_px, config), config)
    if path is None:
        return None
    rel_sd = np.hypot(config.rel_sd, scatter)
    measured = tuple(look.frame for look, _ in some)
    return Sleeve(path, 2.0 * (radius_px + config.inset_px), float(rel_sd), share, measured)


@dataclass(frozen=True)
class _Lie:
    """How the sleeve lies in a frame, px of the clip.

    Attributes
    ----------
    end_px : ndarray, shape (2,)
        Where its end is by what was read.
    end_sd_px : float
        Standard uncertainty of that, along either axis.
    turn : float
        Direction in the picture from there along the sleeve, radians.
    vanishes_px : float
        How far off, that way, the bar's direction vanishes.
    side_px : float
        How far off, that way, its shoulder is.
    slant_cos : float
        Cosine of the angle between the line of sight and the bar.
    """

    end_px: Floats
    end_sd_px: float
    turn: float
    vanishes_px: float
    side_px: float
    slant_cos: float


def _lies(
    end: str, joints: pd.DataFrame, steadied: pd.DataFrame, focal_px: float, config: SleeveConfig
) -> tuple[dict[int, _Lie], float, float]:
    """How the sleeve lies in each frame in which the hands were read, and mostly its end.

    Then the radius that is expected, and the share of the end's movement that the hands show.

    The hands are at the bar's middle, and the bar keeps its direction: by how much less they move
    than its end, and about which point, tells how far off the end is, in lengths of the bar, and
    where the bar's direction vanishes; and the hands then say where the end is.
    """
    point = f"{end}_bar_end"
    hands = [f"{side}_hand" for side in SIDES]
    names = [f"{one}_{x}_px" for one in (point, *hands) for x in "xy"]
    read, still = (
        table.reindex(columns=names)
        .rolling(config.calm_looks, center=True, min_periods=1)
        .median()
        .to_numpy(dtype=float)
        for table in (joints, steadied)
    )
    stated = joints.reindex(columns=[f"{point}_var_x_px2", f"{point}_var_y_px2"])
    variance = stated.to_numpy(dtype=float).mean(axis=1) + config.read_sd_px**2
    known = np.isfinite(np.column_stack([read[:, 2:], still[:, 2:]])).all(axis=1)
    both = known & np.isfinite(np.column_stack([read, still, variance])).all(axis=1)
    if both.sum() < config.least_looks:
        return {}, np.nan, np.nan
    hands, moved = (table[:, 2:].reshape(-1, 2, 2).mean(axis=1) for table in (still, read - still))
    share, origin = _shrinking(still[both, :2], hands[both], variance[both], config.hands_sd_px)
    if not config.shares[0] < share < config.shares[1]:
        return {}, np.nan, np.nan
    told = (hands - origin) / share
    sure = both & (variance <= np.median(variance[both]))
    off = np.abs(told - still[:, :2])[sure]
    hands_sd = np.hypot(MAD_TO_SD * np.median(off), config.hands_sd_px)
    # The share is not known so well that hands told of ends far from all that were read.
    far = np.hypot(*(told - np.median(still[both, :2], axis=0)).T)
    hands_sd = np.hypot(hands_sd, np.where(both, 0.0, config.share_rel_sd * far))[known]
    weight = np.where(both, 1.0 / variance, 0.0)[known], 1.0 / hands_sd**2
    ends = np.where(both[:, None], still[:, :2], told)[known]
    moved = np.where(both[:, None], (read - still)[:, :2], moved)[known]
    place = ends * weight[0][:, None] + told[known] * weight[1][:, None]
    place /= (weight[0] + weight[1])[:, None]
    away = origin / (1.0 - share) - place
    bar = config.barbell
    distance_m = bar.end_m * share / (1.0 - share)
    sleeve_m = bar.end_m - bar.inner_faces_m / 2
    vanishes = np.maximum(np.hypot(*away.T), 1.0)
    lies = {
        int(frame): _Lie(*values)
        for frame, *values in zip(
            joints["frame"][known],
            place + moved,
            1.0 / np.sqrt(weight[0] + weight[1]),
            np.arctan2(away[:, 1], away[:, 0]),
            vanishes,
            vanishes * sleeve_m / (distance_m + sleeve_m),
            np.cos(np.arctan(vanishes / focal_px)),
            strict=True,
        )
    }
    return lies, focal_px * bar.sleeve_radius_m / distance_m, share


def _shrinking(
    ends: Floats, hands: Floats, variance: Floats, hands_sd_px: float
) -> tuple[float, Floats]:
    """Share and origin of what leads from the end's places to the hands': hands = share * ends + o.

    Places, shape (n, 2) each; weighted least squares, in which what lies far off counts less.
    """
    even = 1.0 / (variance + hands_sd_px**2)
    weight = even
    for _ in range(4):
        mean = [np.average(one, axis=0, weights=weight) for one in (ends, hands)]
        moved, its = ends - mean[0], hands - mean[1]
        square = (weight[:, None] * moved * moved).sum()
        share = float((weight[:, None] * moved * its).sum() / max(square, 1e-9))
        off = np.hypot(*(its - share * moved).T)
        usual = max(float(np.median(off)), 0.5)
        weight = even / (1.0 + (off / (3.0 * usual)) ** 2)
    return share, mean[1] - share * mean[0]


class _Fit(NamedTuple):
    """Centre of a face, its radius, px of the clip, and how well the outline fits, 0 to 1.

    `sd_px` says how far off other places lie that fit about as well.
    """

    place_px: Floats
    radius_px: float
    score: float
    sd_px: float


class _Search:
    """Seeks a sleeve's outline in one look, and its face where that is known."""

    def __init__(
        self, look: Look, lie: _Lie, config: SleeveConfig, face: Face | None = None
    ) -> None:
        self.look, self.lie, self.config, self.face = look, lie, config, face
        self._smooth = look.smooth()
        # Grey levels per pixel to the right and down, of each colour.
        self._slopes = [
            cv2.Sobel(self._smooth, cv2.CV_32F, *way, ksize=3, scale=0.125)
            for way in ((1, 0), (0, 1))
        ]

    def colours(self, places_px: Floats, radius_px: float) -> Floats:
        """What is seen at a face's points about places, (n, 2), as `Face` takes it."""
        config = self.config.face
        around = _laid(points(config) * radius_px * [self.lie.slant_cos, 1.0], self.lie)
        at = self.look.inside(places_px[:, None] + around).astype(np.float32)
        seen = cv2.remap(self._smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
        return np.asarray(seen, float).reshape(len(at), config.n_rings, config.n_around, 3)

    def alike(self, fit: _Fit) -> float:
        """How alike a place is to the face, -1 to 1."""
        assert self.face is not None
        return float(self.face.alike(self.colours(fit.place_px[None], fit.radius_px))[0])

    def scores(self, places_px: Floats, radius_px: float) -> Floats:
        """How well places, (n, 2), fit: share of the outline about them that is an edge.

        Less what the readings have against the place, and more as it looks like the face.
        """
        score = self.outlines(places_px, radius_px)
        if self.face is not None:
            alike = self.face.alike(self.colours(places_px, radius_px))
            score = score + self.face.odds(alike) / self.config.look_sharpness
        return score

    def outlines(self, places_px: Floats, radius_px: float) -> Floats:
        """As `scores`, by the outline alone."""
        look, config = self.look, self.config
        outline, normals = _outline(self.lie, radius_px, config)
        at = look.inside(places_px[:, None] + outline).astype(np.float32)
        right, down = (
            cv2.remap(slope, at[..., 0], at[..., 1], cv2.INTER_LINEAR) for slope in self._slopes
        )
        across = right * normals[:, :1].astype(np.float32) + down * normals[:, 1:].astype(
            np.float32
        )
        edge = np.abs(across).max(axis=-1)
        off = ((places_px - self.lie.end_px) ** 2).sum(axis=1) / self.lie.end_sd_px**2
        return (edge / (edge + config.edge_level)).mean(axis=1) - 0.5 * off / config.look_sharpness

    def best(self, radius_px: float) -> _Fit:
        """The best of places on a grid about where the end is by what was read."""
        config = self.config
        far = config.far if self.face is None else config.far_of_face
        reach = np.clip(config.sds * self.lie.end_sd_px / radius_px, config.near, far)
        steps = np.linspace(-reach, reach, 2 * round(reach / config.grid) + 1) * radius_px
        around = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
        places = self.lie.end_px + around
        scores = self.scores(places, radius_px)
        k = best_index(scores)[0]
        weight = np.exp(config.look_sharpness * (scores - scores[k]))
        off = ((places - places[k]) ** 2).sum(axis=1)
        sd_px = float(np.sqrt(np.average(off, weights=weight) / 2))
        return _Fit(places[k], radius_px, float(scores[k]), sd_px)

    def settled(self, fit: _Fit, fixed_px: float | None = None) -> _Fit:
        """A fit made finer, with a radius that is `fixed_px` or free."""
        around = np.stack(np.meshgrid([-1, 0, 1], [-1, 0, 1]), axis=-1).reshape(-1, 2)
        for step in self.config.finer:
            sizes = (1.0,) if fixed_px is not None else (1.0 - step, 1.0, 1.0 + step)
            for _ in range(4):
                tried = [
                    _Fit(place, radius, float(score), fit.sd_px)
                    for radius in (fit.radius_px * size for size in sizes)
                    for places in (fit.place_px + around * step * radius,)
                    for place, score in zip(places, self.scores(places, radius), strict=True)
                ]
                new = tried[best_index([one.score for one in tried])[0]]
                if new.score <= fit.score:
                    break
                fit = new
        return fit


def _outline(lie: _Lie, radius_px: float, config: SleeveConfig) -> tuple[Floats, Floats]:
    """Points about a face's centre on its outline and on the sleeve's sides, and their normals."""
    angle = np.deg2rad(np.linspace(-config.face_deg, config.face_deg, config.n_face))
    units = np.column_stack([-np.cos(angle), np.sin(angle)])
    places = [radius_px * units * [lie.slant_cos, 1.0]]
    normals = [units * [1.0, lie.slant_cos]]
    start, stop = config.sides
    far = min(stop * radius_px, config.on_side * lie.side_px)
    along = np.arange(start * radius_px, far, (stop - start) * radius_px / config.n_side)
    taper = radius_px / lie.vanishes_px
    for side in (-1.0, 1.0):
        places.append(np.column_stack([along, side * (radius_px - taper * along)]))
        normals.append(np.tile([taper, side], (len(along), 1)))
    normal = np.vstack(normals)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return _laid(np.vstack(places), lie), _laid(normal, lie)


def _laid(along: Floats, lie: _Lie) -> Floats:
    """Vectors along the sleeve and across it, shape (n, 2), as they lie in the picture."""
    cos, sin = np.cos(lie.turn), np.sin(lie.turn)
    return along @ np.array([[cos, sin], [-sin, cos]])


def _radius(searches: list[_Search], expected_px: float, config: SleeveConfig) -> float | None:
    """The radius on which the looks agree; None where two are likely."""
    most = config.most_sizes * config.size_rel_sd
    steps = np.arange(-most, most + config.step / 2, config.step)
    score = np.mean(
        [[one.best(radius).score for radius in expected_px * np.exp(steps)] for one in searches],
        axis=0,
    )
    odds = config.sharpness * score - 0.5 * (steps / config.size_rel_sd) ** 2
    k = best_index(odds)[0]
    weight = np.exp(odds - odds[k])
    here = np.abs(steps - steps[k]) <= config.one_size
    if k in (0, len(steps) - 1) or weight[here].sum() < config.sure * weight.sum():
        return None
    return float(expected_px * np.exp(steps[k]))


def _finer(
    searches: list[_Search], radius_px: float, config: SleeveConfig
) -> tuple[float, float, float]:
    """The radius to less than a step, its spread among parts of the looks, and the usual score."""
    steps = np.linspace(-1.0, 1.0, 9) * 2.0 * config.step
    sizes = radius_px * np.exp(steps)
    score = np.array(
        [[one.settled(one.best(size), size).score for size in sizes] for one in searches]
    )

    def peak(rows: Floats) -> float:
        mean = rows.mean(axis=0)
        curve, slope, _ = np.polyfit(steps, mean, 2)
        return float(np.clip(-slope / (2 * curve), *steps[[0, -1]])) if curve < 0 else 0.0

    parts = [peak(rows) for rows in np.array_split(score, config.n_parts)]
    scatter = float(np.std(parts, ddof=1)) / np.sqrt(config.n_parts)
    return radius_px * float(np.exp(peak(score))), scatter, float(np.median(score.max(axis=1)))


def _face(searches: list[_Search], radius_px: float, config: SleeveConfig) -> Face:
    """The face, as those looks show it that have the clearest outlines."""
    fits = [one.settled(one.best(radius_px), radius_px) for one in searches]
    n_clear = max(round(config.clear * len(fits)), 1)
    clear = [
        searches[k].colours(fits[k].place_px[None], radius_px)[0]
        for k in ranked([fit.score for fit in fits])[:n_clear]
    ]
    return Face(clear, config.face)


def _path(
    kept: list[tuple[Look, _Lie]], radius_px: float, usual: float, face: Face, config: SleeveConfig
) -> pd.DataFrame | None:
    """Where the face is in each look; None where it was found in too few."""
    rows = []
    for look, lie in kept:
        search = _Search(look, lie, config, face)
        fit = search.settled(search.best(radius_px), radius_px)
        outline = float(search.outlines(fit.place_px[None], radius_px)[0])
        rows.append((look.frame, *fit.place_px, fit.sd_px, outline, search.alike(fit)))
    path = pd.DataFrame(rows, columns=["frame", "x_px", "y_px", "sd_px", "outline", "alike"])
    tells = bool(path["alike"].median() >= config.face.alike)
    if not tells and usual < config.least_score:
        return None
    good = path["alike"] >= config.face.alike
    if not tells:
        good |= path["outline"] >= config.poor * usual
    path = path[good & (path["sd_px"] <= config.jump * radius_px)]
    places = path[["x_px", "y_px"]]
    calm = places.rolling(config.calm_looks, center=True, min_periods=1).median()
    off = np.hypot(*(places - calm).to_numpy(dtype=float).T)
    path = path[off <= config.jump * radius_px]
    if len(path) < config.least_found * len(kept):
        return None
    # Noise that is each frame's own, by the bends of the path (second differences).
    bends = np.diff(path[["x_px", "y_px"]].to_numpy(dtype=float), 2, axis=0)
    least_px = max(MAD_TO_SD * float(np.median(np.abs(bends))) / np.sqrt(6.0), config.least_sd_px)
    if not tells and len(path) < config.well_found * len(kept):
        least_px = float(np.hypot(least_px, config.jump * radius_px))
    path["sd_px"] = np.hypot(path["sd_px"], least_px)
    return path[["frame", "x_px", "y_px", "sd_px"]].reset_index(drop=True)
