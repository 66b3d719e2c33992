"""How much a clip's lens bends straight lines, as long edges of the scenery tell it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Self

import numpy as np
from numpy.typing import NDArray

from barpath.clip.edgelines import EdgeConfig, edge_lines
from barpath.clip.lens import Lens, SizePx, straight
from barpath.clip.scene import FloatArray, SceneConfig
from barpath.ground.choice import best_index
from barpath.ground.uncertainty import MAD_TO_SD

_N_BLOCKS = 10
_N_ROUNDS = 8
_LEAST_POINTS = 30
_LEAST_BLOCKS = 6
# No edge is drawn so clean that it tells a bend better than this.
_LEAST_SD = 1e-5
_MOST_CONDITION = 1e8


@dataclass(frozen=True)
class LensConfig:
    """Settings of this stage.

    Attributes
    ----------
    n_pictures, max_side_px
        Pictures in which edges are followed, spread over the stretch in which the bar is looked for
        first, and their longest side.
    uneven
        How far things that look straight are bent, as a share of their length, one standard
        deviation (common practice, no source).
    most_bend
        Largest bend that is looked for.
    usual_sd
        An edge that tells the bend to this counts whole in the vote, and one that tells it better
        no more.
    alike_deg, alike_share
        Edges whose directions and places, in halves of the picture's diagonal, are no farther apart
        are of one structure.
    agree_sd
        Structures within so many standard deviations agree.
    least_structures, least_agreeing
        Fewer structures that agree, or a smaller share of those that can tell, and the bend is not
        told.
    least_sd
        The bend must be this many standard deviations from none, and half as many on each of two
        sides of the picture by itself.
    least_bend
        A smaller bend is left as it is: on 8 made clips with a bend of 1 %, pictures drawn anew
        through a lens that was known cost as much as they gained.
    """

    n_pictures: int = 3
    max_side_px: int = 1280
    uneven: float = 0.0002
    most_bend: float = 0.12
    usual_sd: float = 0.01
    alike_deg: float = 3.0
    alike_share: float = 0.03
    agree_sd: float = 3.0
    least_structures: int = 3
    least_agreeing: float = 0.6
    least_sd: float = 4.0
    least_bend: float = 0.015
    edges: EdgeConfig = field(default_factory=EdgeConfig)


def find_lens(
    images: Sequence[NDArray[np.uint8]], config: LensConfig, scene: SceneConfig
) -> Lens | None:
    """Tell how a lens bends lines, where that clearly shows.

    Parameters
    ----------
    images
        A few pictures of a clip, of one size, ``uint8`` RGB or grey. What runs straight must be in
        at least half of them, which leaves out what moves.
    config, scene
        Settings.

    Returns
    -------
    Lens or None
        None where the scenery does not tell, or tells that there is next to no bend.
    """
    if not images:
        return None
    found = [edge_lines(image, config.edges, scene) for image in images]
    return lens_from(found, (images[0].shape[1], images[0].shape[0]), config)


def lens_from(
    found: Sequence[Sequence[FloatArray]], size_px: SizePx, config: LensConfig
) -> Lens | None:
    """Tell it from edges followed in several pictures; see `find_lens`.

    A bend curves every line by its own amount and that of the line's distance from the middle, to
    opposite sides on opposite sides of the middle, and lines through it not at all. Each edge gives
    a bend of its own; bent things give any. So many structures that can tell must agree on one, in
    two parts of the picture.

    Parameters
    ----------
    found
        Places on each edge, shape (n, 2), px, for each picture.
    size_px
        Width and height.
    config
        Settings.
    """
    told = told_bend(found, size_px, config)
    return told.lens if told is not None and told.is_clear(config) else None


@dataclass(frozen=True)
class ToldBend:
    """A bend on which structures of the scenery agree, and how well.

    Attributes
    ----------
    lens : Lens
    share : float
        Of the votes of structures that can tell this bend from none, those that agree.
    second_side_sd : float
        On the second clearest of the picture's four sides by itself, how many standard deviations
        the bend is from none, in the direction of the whole.
    """

    lens: Lens
    share: float
    second_side_sd: float

    def is_clear(self, config: LensConfig) -> bool:
        """Whether it shows so clearly, and is so large, that it is to be taken out."""
        return (
            abs(self.lens.bend) > max(config.least_bend, config.least_sd * self.lens.sd)
            and self.lens.n_structures >= config.least_structures
            and self.share >= config.least_agreeing
            and self.second_side_sd > config.least_sd / 2
        )


def told_bend(
    found: Sequence[Sequence[FloatArray]], size_px: SizePx, config: LensConfig
) -> ToldBend | None:
    """The bend that most structures agree on; None where there are none. See `lens_from`."""
    told = None
    for _ in range(2):
        # What an edge says is exact at the bend from which it starts.
        start = 0.0 if told is None else told.lens.bend
        structures = _structures(found, size_px, start, config)
        if len(structures) < 2:
            return None
        told = _agreed(structures, config)
        if told is None or abs(told.lens.bend) > config.most_bend:
            return None
    return told


@dataclass(frozen=True)
class _Said:
    """What one edge, or all edges of one structure, say of the bend.

    Attributes
    ----------
    bend, sd
    length
        Halves of the picture's diagonal.
    foot, along : ndarray, shape (2,)
        The place on it that is nearest to the middle, and its direction.
    """

    bend: float
    sd: float
    length: float
    foot: FloatArray
    along: FloatArray

    @classmethod
    def by(cls, edge_px: FloatArray, size_px: SizePx, start: float) -> Self | None:
        """Of an edge: what makes it straight, with what parts of it contradict that."""
        middle = (np.array(size_px) - 1) / 2
        seen = straight((edge_px - middle) / (np.hypot(*size_px) / 2), start)
        r2 = (seen**2).sum(axis=1, keepdims=True)
        moved = -seen * r2 / (1.0 + 3.0 * start * r2)
        u, v, pull, centre, along = _about_its_line(seen, moved)
        clean = _smooth(u, v, 0.02 / (np.hypot(*size_px) / 2))
        if clean.sum() < _LEAST_POINTS:
            return None
        u, v, pull = u[clean], v[clean], pull[clean]
        block = np.minimum((u - u.min()) / np.ptp(u) * _N_BLOCKS, _N_BLOCKS - 1).astype(int)
        terms = np.column_stack([np.ones_like(u), u, -pull])
        size = np.linalg.norm(terms, axis=0)
        if size[2] < 1e-9:
            # A line through the middle stays straight whatever the bend.
            return None
        terms /= size
        parts = [np.flatnonzero(block == number) for number in np.unique(block)]
        normal = np.array([terms[rows].T @ terms[rows] for rows in parts])
        right = np.array([terms[rows].T @ v[rows] for rows in parts])
        if (
            len(parts) < _LEAST_BLOCKS
            or max(np.linalg.cond(normal.sum(axis=0) - normal)) > _MOST_CONDITION
        ):
            return None
        whole = np.linalg.solve(normal.sum(axis=0), right.sum(axis=0))[2]
        # Parts left out in turn (jackknife; Efron and Tibshirani, An Introduction to the Bootstrap,
        # chapter 11), since what is off in one place is off beside it.
        rest = np.linalg.solve(normal.sum(axis=0) - normal, (right.sum(axis=0) - right)[..., None])[
            :, 2, 0
        ]
        variance = (1.0 - 1.0 / len(parts)) * ((rest - rest.mean()) ** 2).sum()
        foot = centre - along * (along @ centre)
        sd = max(float(np.sqrt(variance) / size[2]), _LEAST_SD)
        return cls(start + float(whole / size[2]), sd, float(np.ptp(u)), foot, along)

    def is_alike(self, other: _Said, config: LensConfig) -> bool:
        """Whether both are of one structure."""
        turn = self.along[0] * other.along[1] - self.along[1] * other.along[0]
        return bool(
            abs(turn) < np.sin(np.radians(config.alike_deg))
            and np.hypot(*(self.foot - other.foot)) < config.alike_share
        )


def _about_its_line(
    seen: FloatArray, moved: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Places along and across the line through an edge, by what a bend moves them; that line."""
    centre = seen.mean(axis=0)
    along = np.linalg.eigh((seen - centre).T @ (seen - centre))[1][:, -1]
    across = np.array([-along[1], along[0]])
    away = seen - centre
    return away @ along, away @ across, moved @ across, centre, along


def _smooth(u: FloatArray, v: FloatArray, least: float) -> NDArray[np.bool_]:
    """Places on an edge that lie on one arc with the others."""
    clean = np.ones(len(u), bool)
    for _ in range(3):
        off = v - np.polyval(np.polyfit(u[clean], v[clean], 2), u)
        clean = np.abs(off) < 3.5 * (MAD_TO_SD * np.median(np.abs(off[clean])) + least)
    return clean


def _structures(
    found: Sequence[Sequence[FloatArray]], size_px: SizePx, start: float, config: LensConfig
) -> list[_Said]:
    """What each structure says that shows in at least half of the pictures."""
    said = [
        (number, one)
        for number, edges in enumerate(found)
        for edge in edges
        if (one := _Said.by(edge, size_px, start)) is not None
    ]
    said.sort(key=lambda item: item[1].sd)
    structures = []
    while said:
        first = said[0][1]
        alike = [first.is_alike(one, config) for _, one in said]
        members = [item for item, is_one in zip(said, alike, strict=True) if is_one]
        said = [item for item, is_one in zip(said, alike, strict=True) if not is_one]
        if 2 * len({number for number, _ in members}) >= len(found):
            structures.append(_joined([one for _, one in members], config))
    return structures


def _joined(members: list[_Said], config: LensConfig) -> _Said:
    """What edges of one structure say together, which is no surer than one of them is."""
    first = members[0]
    bends = np.array([one.bend for one in members])
    weight = 1.0 / np.array([one.sd for one in members]) ** 2
    bend = float(np.average(bends, weights=weight))
    spread = float(np.average((bends - bend) ** 2, weights=weight))
    length = max(one.length for one in members)
    # An arc of this height over its length.
    uneven = 4.0 * config.uneven / (length * max(float(np.hypot(*first.foot)), 1e-3))
    sd = float(np.sqrt(1.0 / weight.mean() + spread + uneven**2))
    return _Said(bend, sd, length, first.foot, first.along)


def _agreed(structures: list[_Said], config: LensConfig) -> ToldBend | None:
    """The bend that most votes are for, by those who agree on it."""
    bends = np.array([one.bend for one in structures])
    sd = np.array([one.sd for one in structures])
    vote = np.minimum(config.usual_sd / sd, 1.0)
    tried = np.arange(-config.most_bend, config.most_bend + 1e-9, config.usual_sd / 20)
    likely = np.exp(-0.5 * ((bends[:, None] - tried) / (2.0 * sd[:, None])) ** 2)
    bend = float(tried[best_index(vote @ likely)])
    between = 0.0
    for _ in range(_N_ROUNDS):
        total = np.hypot(sd, between)
        agree = np.abs(bends - bend) < config.agree_sd * total
        if agree.sum() < 2:
            return None
        bend, bend_sd, between = _weighted(bends[agree], sd[agree])
    tells = sd < abs(bend) / 2
    share = vote[tells & agree].sum() / vote[tells].sum() if tells.any() else 0.0
    foot = np.array([one.foot for one in structures])
    side = np.where(
        np.abs(foot[:, 0]) > np.abs(foot[:, 1]), np.sign(foot[:, 0]), 2 * np.sign(foot[:, 1])
    )
    by_side = [0.0, 0.0]
    for number in np.unique(side[agree]):
        there = agree & (side == number)
        one = _weighted(bends[there], np.hypot(sd[there], between))
        by_side.append(np.sign(bend) * one[0] / one[1])
    lens = Lens(bend, bend_sd, int((tells & agree).sum()))
    return ToldBend(lens, float(share), float(sorted(by_side)[-2]))


def _weighted(bends: FloatArray, sd: FloatArray) -> tuple[float, float, float]:
    """Mean of several, its standard deviation, and how far they differ beyond their own.

    By the method of DerSimonian and Laird (1986), Controlled Clinical Trials 7:177-188, from
    memory; with each left out in turn where that says that the mean is less sure.
    """
    weight = 1.0 / sd**2
    mean = float(np.average(bends, weights=weight))
    excess = (weight * (bends - mean) ** 2).sum() - (len(bends) - 1)
    spare = weight.sum() - (weight**2).sum() / weight.sum()
    between = np.sqrt(max(excess / spare, 0.0)) if len(bends) > 1 else 0.0
    weight = 1.0 / (sd**2 + between**2)
    mean = float(np.average(bends, weights=weight))
    mean_sd = 1.0 / np.sqrt(weight.sum())
    if len(bends) > 2:
        without = (weight.sum() * mean - weight * bends) / (weight.sum() - weight)
        left = (1.0 - 1.0 / len(bends)) * ((without - without.mean()) ** 2).sum()
        mean_sd = max(mean_sd, np.sqrt(left))
    return mean, float(mean_sd), float(between)
