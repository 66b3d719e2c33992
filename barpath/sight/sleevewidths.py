"""How thick a bare bar's two sleeves look at an angle: rulers of known size at both of its ends.

Parts of pictures along the bar are kept from all through a clip. Once it is known roughly how the
bar lies in space, they are laid as if it were seen squarely, its line is found in each, and they
are laid over each other, so that the scenery blurs. A sleeve's two sides then stand out all along
it, and how far apart they are is told to about a hundredth.

In: pictures, what was read in them, and how the bar lies in them, px. Out: the sleeves' diameters
and where they were seen, px of the clip; inside, metres along and across the bar.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.clip.scene import apply_transform
from barpath.ground.choice import best_index
from barpath.ground.equipment import POWER_BAR, Bar
from barpath.sight.jointnet import BAR_PARTS, HANDS, POINTS, SIDES, Readings
from barpath.sight.lifter import square_round
from barpath.sight.pictures import Moving
from barpath.sight.shaft import box_cover

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

ON_BAR = [POINTS.index(f"{side}_{part}") for side in SIDES for part in ("hand", *BAR_PARTS[1:])]


@dataclass(frozen=True)
class WidthConfig:
    """How the sleeves' sides are sought.

    Attributes
    ----------
    barbell : Bar
        The bar in the picture.
    moved_share : float
        The hands move by this share of the upper body's size from one kept part to the next.
    most, least : int
        Number of parts that are kept, and without which nothing is sought.
    reach : float
        Half a part's height over the upper body's size.
    most_px : int
        Longer parts are shrunk to so much.
    half_m, step_m, row_m : float
        How far from the bar's axis it is looked at, and how finely along and across it.
    shaft_m, sleeve_m : tuple of float
        Which stretches of either half count: from the bar's middle, and from the sleeve's shoulder
        and to before its end.
    off_m, tilt : float
        The line may lie so far from where it is expected, and be turned by so much (tangent).
    edge_level, side_level : float
        Grey levels per row at which an edge counts half: of the line, and of a sleeve's sides.
    least_inside, least_columns : float, int
        Share of a sleeve that must be in the picture, and how many steps along it at least.
    rel_step, n_sizes : float, int
        Diameters tried: steps of their logarithm, and how many either way.
    size_rel_sd : float
        How well the diameter is known beforehand (of the tuning clips).
    off_axis_m : float
        How well the sleeve's axis is known by the line.
    sharpness : float
        Logarithm of the odds that one unit of the edges' score is worth (of the tuning clips).
    rel_sd, most_rel_sd : float
        Least standard uncertainty of a diameter, as a share, and that above which it is not told.
    beside_m : float
        So far from a sleeve's side the scenery is what its rim is seen before.
    calm_level, most_level : float
        Grey levels by which a sleeve may look different from picture to picture, and beyond which
        a difference counts no more.
    ridge_level : float
        Grey levels of scenery below which it says little.
    blur_px : float
        Of the clip's edges.
    hiding_sd, hiding_left_sd : float
        Standard uncertainty of the size of what hides the scenery, and by how much more for the
        root of what a band leaves over (of the tuning clips).
    """

    barbell: Bar = POWER_BAR
    moved_share: float = 0.02
    most: int = 64
    least: int = 8
    reach: float = 0.25
    most_px: int = 1600
    half_m: float = 0.1
    step_m: float = 0.005
    row_m: float = 0.001
    shaft_m: tuple[float, float] = (0.0, 0.03)
    sleeve_m: tuple[float, float] = (0.09, 0.06)
    off_m: float = 0.05
    tilt: float = 0.05
    edge_level: float = 3.0
    side_level: float = 15.0
    least_inside: float = 0.6
    least_columns: int = 12
    rel_step: float = 0.0025
    n_sizes: int = 100
    size_rel_sd: float = 0.07
    off_axis_m: float = 0.0007
    sharpness: float = 100.0
    rel_sd: float = 0.01
    most_rel_sd: float = 0.05
    beside_m: float = 0.008
    calm_level: float = 30.0
    most_level: float = 80.0
    ridge_level: float = 5.0
    blur_px: float = 0.9
    hiding_sd: float = 0.03
    hiding_left_sd: float = 0.05

    @property
    def along_m(self) -> Floats:
        """Places along the bar, from its middle toward the farther end."""
        n = round(self.barbell.end_m / self.step_m)
        return np.arange(-n, n + 1, dtype=float) * self.step_m

    @property
    def across_m(self) -> Floats:
        """Places across the bar."""
        n = round(self.half_m / self.row_m)
        return np.arange(-n, n + 1, dtype=float) * self.row_m

    @property
    def log_sizes(self) -> Floats:
        """Logarithms of the diameters tried, over the expected one."""
        return np.arange(-self.n_sizes, self.n_sizes + 1, dtype=float) * self.rel_step

    def on_sleeve(self, place_m: Floats) -> NDArray[np.bool_]:
        """Whether a place, outward from the bar's middle, is where its sleeve is looked at."""
        start, before = self.sleeve_m
        bar = self.barbell
        return (place_m > bar.collar_m + start) & (place_m < bar.end_m - before)


@dataclass(frozen=True)
class BarLook:
    """A part of a picture along the bar.

    `to_px`, shape (2, 3), leads from the part's pixels to the clip's, whose pictures measure
    `size_px`, width and height.
    """

    frame: int
    picture: NDArray[np.uint8]
    to_px: Floats
    size_px: tuple[int, int]

    def at(self, places_px: Floats) -> Picture:
        """What is seen at places of the clip's picture, (..., colours); NaN outside of it."""
        last = np.array(self.size_px) - 1
        inside = np.asarray(((places_px >= 0) & (places_px <= last)).all(axis=-1))
        in_part = apply_transform(cv2.invertAffineTransform(self.to_px), places_px)
        in_part = np.where(inside[..., None], in_part, -2.0).astype(np.float32)
        seen = cv2.remap(
            self.picture.astype(np.float32),
            in_part[..., 0],
            in_part[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(np.nan,) * 4,
        )
        return np.asarray(seen, np.float32).reshape(*inside.shape, -1)


class BarLooks:
    """Keeps parts of pictures along the bar in the lifter's hands as it moves.

    Parameters
    ----------
    config : WidthConfig, optional
    """

    def __init__(self, config: WidthConfig | None = None) -> None:
        self.config = config or WidthConfig()
        self.kept: list[BarLook] = []
        self._moving = Moving(self.config.most)

    def update(self, frame: int, image: NDArray[np.uint8], reading: Readings) -> None:
        """Keep what is along the bar in a frame, if it has moved."""
        if reading.outside[HANDS].any():
            return
        config = self.config
        middle = reading.xy_px[HANDS].mean(axis=0)
        size_px = square_round(reading, 1.0).size_px
        if not self._moving.wants(middle, config.moved_share * size_px):
            return
        self.kept.append(self._part(frame, image, *_line(reading), config.reach * size_px))
        self._moving.thin(self.kept)

    def _part(
        self, frame: int, image: NDArray[np.uint8], point: Floats, axis: Floats, half_px: float
    ) -> BarLook:
        height, width = image.shape[:2]
        corners = np.array([[0, 0], [width, 0], [0, height], [width, height]]) - point
        low, high = (corners @ axis).min(), (corners @ axis).max()
        shrink = max((high - low) / self.config.most_px, 1.0)
        across = np.array([-axis[1], axis[0]])
        begin = point + low * axis - half_px * across
        to_px = np.column_stack([shrink * axis, shrink * across, begin])
        size = (int((high - low) / shrink), int(2 * half_px / shrink) + 1)
        if shrink > 1.0:
            image = np.asarray(cv2.GaussianBlur(image, (0, 0), 0.5 * shrink), np.uint8)
        part = cv2.warpAffine(image, to_px, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        return BarLook(frame, np.asarray(part, np.uint8), to_px, (width, height))


def _line(reading: Readings) -> tuple[Floats, Floats]:
    """A point of the line along what was read of the bar, and its direction."""
    read = [k for k in ON_BAR if not reading.outside[k]]
    places, variance = reading.xy_px[read], reading.sd_px[read] ** 2
    weight = 1.0 / (variance + 1.0)
    point = np.average(places, axis=0, weights=weight)
    off = places - point
    _, axes = np.linalg.eigh((weight[:, None] * off).T @ off)
    return point, axes[:, 1]


@dataclass(frozen=True)
class BarLie:
    """How the bar lies in a frame, about.

    Attributes
    ----------
    axis_px : ndarray, shape (n, 2)
        Where its axis is at `WidthConfig.along_m`, px of the clip.
    beside_px : ndarray, shape (n, 2)
        What a metre across it comes to there.
    """

    axis_px: Floats
    beside_px: Floats


@dataclass(frozen=True)
class SleeveWidth:
    """How thick a sleeve looks.

    Attributes
    ----------
    frames : ndarray of int, shape (n,)
    place_px : ndarray, shape (n, 2)
        Where on the sleeve's axis, px of the clip.
    diameter_px : ndarray, shape (n,)
        What it measures there, across the axis.
    rel_sd : float
        Standard uncertainty of all of them together, as a share.
    """

    frames: NDArray[np.int64]
    place_px: Floats
    diameter_px: Floats
    rel_sd: float


def sleeve_widths(
    looks: BarLooks, lies: Mapping[int, BarLie]
) -> tuple[SleeveWidth | None, SleeveWidth | None]:
    """How thick the nearer and the farther sleeve look; None where that cannot be told.

    Parameters
    ----------
    looks : BarLooks
    lies : mapping of int to BarLie
        By frame; looks of other frames are left out.
    """
    config = looks.config
    kept = [(look, lies[look.frame]) for look in looks.kept if look.frame in lies]
    if len(kept) < config.least:
        return None, None
    lines = np.array([_bar_line(look, lie, config) for look, lie in kept])
    laid = np.array(
        [_laid(look, lie, line, config) for (look, lie), line in zip(kept, lines, strict=True)]
    )

    def one(way: float) -> SleeveWidth | None:
        columns = _shown(laid, way, config)
        if columns is None:
            return None
        column = int(columns[len(columns) // 2])
        axis, beside = (
            np.array([places[column] for places in each])
            for each in zip(*((lie.axis_px, lie.beside_px) for _, lie in kept), strict=True)
        )
        scale_px = np.hypot(*beside.T)
        measured = _measured(laid[:, :, columns], float(np.median(scale_px)), config)
        if measured is None:
            return None
        diameter_m, off_m, rel_sd = measured
        off = lines @ [1.0, config.along_m[column]] + off_m
        frames = np.array([look.frame for look, _ in kept])
        return SleeveWidth(frames, axis + off[:, None] * beside, diameter_m * scale_px, rel_sd)

    return one(-1.0), one(1.0)


def _laid(look: BarLook, lie: BarLie, line: Floats, config: WidthConfig) -> Picture:
    """The bar as if seen squarely, (rows, columns, colours); NaN outside the picture."""
    off = line[0] + line[1] * config.along_m + config.across_m[:, None]
    return look.at(lie.axis_px + off[..., None] * lie.beside_px)


def _edges(laid: Picture, level: float) -> Picture:
    """How much each place is an edge along the bar in any colour, 0 to 1."""
    smooth = cv2.GaussianBlur(laid, (1, 9), sigmaX=0.1, sigmaY=1.5)
    slopes = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)
    slope = np.linalg.norm(slopes.reshape(*laid.shape), axis=2)
    return np.asarray(np.nan_to_num(slope / (slope + level)), np.float32)


def _bar_line(look: BarLook, lie: BarLie, config: WidthConfig) -> Floats:
    """Where the bar's line is in a look: so far off, m, and turned by so much (tangent)."""
    line = np.zeros(2)
    for reach, tilt, steps, slack in (
        (config.off_m, config.tilt, (0.001, 0.005), 2),
        (0.003, 0.006, (0.0005, 0.001), 0),
    ):
        edges = _edges(_laid(look, lie, line, config), config.edge_level)
        line = line + _shift(edges, reach, tilt, steps, slack, config)
    return line


def _shift(
    edges: Picture,
    reach_m: float,
    tilt: float,
    steps: tuple[float, float],
    slack: int,
    config: WidthConfig,
) -> Floats:
    """The line on which most of the bar's sides lie; its thickness counts to `slack` rows."""
    bar, along = config.barbell, config.along_m
    if slack:
        edges = np.asarray(cv2.dilate(edges, np.ones((2 * slack + 1, 1), np.uint8)), np.float32)
    place = np.abs(along)
    on_sleeve = config.on_sleeve(place)
    on_shaft = (place > config.shaft_m[0]) & (place < bar.collar_m - config.shaft_m[1])
    columns = np.flatnonzero(on_sleeve | on_shaft)
    radius = np.where(on_sleeve, bar.sleeve_radius_m, bar.shaft_radius_m)[columns]
    offs = np.arange(-round(reach_m / steps[0]), round(reach_m / steps[0]) + 1) * steps[0]
    tilts = np.arange(-round(tilt / steps[1]), round(tilt / steps[1]) + 1) * steps[1]
    middle = (len(edges) - 1) / 2
    score = np.empty((len(tilts), len(offs)))
    for k, one in enumerate(tilts):
        axis = offs[:, None] + one * along[columns]
        sides = [
            edges[
                np.clip(np.round(middle + at / config.row_m), 0, len(edges) - 1).astype(int),
                columns,
            ]
            for at in (axis - radius, axis + radius)
        ]
        score[k] = np.sqrt(sides[0] * sides[1]).mean(axis=1)
    i, j = best_index(score)
    return np.array([offs[j], tilts[i]])


def _shown(laid: Picture, way: float, config: WidthConfig) -> NDArray[np.intp] | None:
    """Columns in which the nearer (-1) or the farther sleeve is mostly in the pictures."""
    wanted = np.flatnonzero(config.on_sleeve(way * config.along_m))
    inside = np.isfinite(laid[:, :, wanted]).all(axis=(1, 3)).mean(axis=0) > 0.5
    shown = wanted[inside]
    least = max(config.least_inside * len(wanted), config.least_columns)
    return shown if len(shown) >= least else None


def _measured(
    laid: Picture, scale_px: float, config: WidthConfig
) -> tuple[float, float, float] | None:
    """Diameter of a sleeve, its axis's offset from the line, m, and the former's relative sd.

    `laid` are its columns in all pictures; NaN where they reach outside. None where no sleeve of
    about the expected size is there.
    """
    sizes = config.log_sizes
    offs = config.off_axis_m * np.linspace(-3.0, 3.0, 13)
    hiding = _hiding(laid, scale_px, config)
    if hiding is None:
        return None
    hidden, hidden_sd = hiding
    edges = _edges(np.asarray(np.nanmedian(laid, axis=0), np.float32), config.side_level)
    middle = (len(edges) - 1) / 2

    def side(at_m: Floats) -> Floats:
        at = np.clip(middle + at_m / config.row_m, 0, len(edges) - 1.001)
        low = at.astype(int)
        part = (at - low)[..., None]
        return np.asarray((1 - part) * edges[low] + part * edges[low + 1], float)

    radius = config.barbell.sleeve_radius_m * np.exp(sizes)[:, None]
    clear = np.sqrt(side(offs - radius) * side(offs + radius)).mean(axis=2)
    odds = config.sharpness * clear - 0.5 * (offs / config.off_axis_m) ** 2
    odds -= 0.5 * (sizes[:, None] / config.size_rel_sd) ** 2
    odds -= 0.5 * ((sizes[:, None] - hidden) / hidden_sd) ** 2
    weight = np.exp(odds - odds.max())
    weight /= weight.sum()
    size = float(weight.sum(axis=1) @ sizes)
    spread = float(np.sqrt(weight.sum(axis=1) @ (sizes - size) ** 2))
    if spread > config.most_rel_sd:
        return None
    diameter_m = 2.0 * config.barbell.sleeve_radius_m * float(np.exp(size))
    return diameter_m, float(weight.sum(axis=0) @ offs), max(spread, config.rel_sd)


def _hiding(laid: Picture, scale_px: float, config: WidthConfig) -> tuple[float, float] | None:
    """Logarithm of the size of what hides the scenery over the expected one, and its sd.

    None where it is of quite another size. What is seen in a row follows what is seen beside the
    sleeve, from picture to picture and along the sleeve, as far as it is not the sleeve's.
    """
    bar = config.barbell
    whole = np.moveaxis(laid, 1, 2)
    samples = whole[np.isfinite(whole).all(axis=(2, 3))]
    samples = samples - np.asarray(np.median(samples, axis=0), np.float32)
    rows = config.across_m
    inner = np.abs(rows) < 0.8 * bar.sleeve_radius_m
    calm = np.median(np.abs(samples[:, inner]).mean(axis=2), axis=1) < config.calm_level
    samples = np.clip(samples[calm], -config.most_level, config.most_level)
    seen = samples.transpose(0, 2, 1).reshape(-1, len(rows))
    blur_m = float(np.hypot(config.blur_px / scale_px, config.row_m))
    thick = 2.0 * bar.sleeve_radius_m * np.exp(config.log_sizes)
    offs = config.off_axis_m * np.linspace(-2.0, 2.0, 9)
    size_m = 2.0 * bar.sleeve_radius_m
    # What lies beside the sleeve is only known once its size is.
    for _ in range(3):
        beside_m = size_m / 2 + config.beside_m
        at = [int(np.abs(rows - way * beside_m).argmin()) for way in (-1, 1)]
        scenery = seen[:, at]
        normal = scenery.T @ scenery / len(scenery) + config.ridge_level**2 * np.eye(2)
        follows = np.linalg.solve(normal, scenery.T @ seen / len(scenery))
        cover = 1.0 - np.clip(follows, 0.0, 1.2).sum(axis=0)
        near = np.abs(rows) < beside_m
        box = box_cover(rows[near] - offs[:, None], thick[:, None, None], blur_m)
        off = ((cover[near] - box) ** 2).sum(axis=-1)
        i, j = best_index(-off)
        before, size_m = size_m, float(thick[i])
        if abs(size_m - before) < config.row_m / 2:
            break
    if i in (0, len(thick) - 1):
        return None
    sd = float(np.hypot(config.hiding_sd, config.hiding_left_sd * np.sqrt(off[i, j])))
    return float(config.log_sizes[i]), sd
