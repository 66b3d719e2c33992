"""Where the shaft ends, seen from the feet: the ruler of all lengths in that view.

A plate seen from inside shows its face, its rim and what stands beside it, and where it meets the
sleeve is seen to some percent only. The shaft ends at a shoulder of the sleeve, more than twice as
thick: a step of the bar's outline that looks alike on every bar. Pictures of the bar from all
through the clip are laid over each other, so that the scenery blurs, and the step is sought in
them by its outline, near where the joint network reads it or the plates were tracked.

In: frames, the bar table (image px) and the pose table. Out: the bar table with both ends placed,
image px, and the relative uncertainty of the distance between them; inside, metres along the bar.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.choice import best_index
from barpath.ground.equipment import POWER_BAR, Bar
from barpath.ground.uncertainty import MAD_TO_SD
from barpath.sight.barline import ENDS
from barpath.sight.jointnet import SIDES
from barpath.sight.pictures import grey_levels

Floats = NDArray[np.float64]

SIGNS = np.array([-1.0, 1.0])
"""Of the direction outward along the bar, for `ENDS`."""

# Readings of the ends at heights of the bar no farther apart than its travel over this are alike.
_LEVELS = 8


@dataclass(frozen=True)
class EndsConfig:
    """What is known of bars, and how the ends of the shaft are sought.

    Attributes
    ----------
    barbell : Bar
        Its shaft ends at the sleeves' shoulders; the table's ends stand for the inner faces of the
        plates that lean on the shoulders' far sides.
    sleeve_m : tuple of float
        Over how much of a bare sleeve, from the step on, its outline is looked at.
    axis_sd_m : float
        How well the bar's axis lies in the middle of the pictures.
    shoulder_radii_m : tuple of float
        Radii of shoulders that are tried, all as likely (common practice, no source).
    outline_m : tuple of float
        Over so much of the shaft and of the shoulder, beside the step, its outline is looked at.
    px_per_m : float
        Scale of the pictures that are laid over each other.
    half_length_m, half_height_m : float
        How much of the bar is kept, from its middle and from its axis.
    reach_m, bare_reach_m : float
        How far from the expected place the step is sought, with plates and without.
    moved_share : float
        The bar moves by this share of its length from one kept picture to the next, so that a rest
        does not crowd out the other scenery.
    most, least : int
        Number of pictures that are kept, and without which nothing is sought.
    around_m, creep_m : float
        So much of the bar on either side of the step is compared among the pictures, and by so much
        it may have shifted.
    calm_s : float
        Jumps of a bare bar's ends along it that are over in half this time are taken out, those of
        both ends too.
    unlike_level : float
        Grey levels beyond which a difference counts no more.
    edge_level : float
        Grey levels per pixel of the clip at which an edge counts half.
    sharpness : float
        Logarithm of the odds that one unit of the outline's score is worth (of the tuning clips).
    read_sd_m, tracked_sd_m, bare_sd_m : float
        Standard uncertainty of an end as read by the network, beside what it states, as tracked,
        and as either without plates; of the tuning clips.
    pull_px : float
        By so many of the clip's pixels blur makes either step seem farther in (of the tuning
        clips, filmed in three sizes).
    outline_sd_m : float
        Of the distance between both steps: what the outline leaves open.
    """

    barbell: Bar = POWER_BAR
    sleeve_m: tuple[float, float] = (0.035, 0.2)
    axis_sd_m: float = 0.002
    shoulder_radii_m: tuple[float, ...] = (0.030, 0.032, 0.034, 0.036, 0.038, 0.040, 0.042)
    outline_m: tuple[float, float] = (0.003, 0.025)
    px_per_m: float = 480.0
    half_length_m: float = 1.06
    half_height_m: float = 0.06
    reach_m: float = 0.06
    bare_reach_m: float = 0.12
    moved_share: float = 0.01
    most: int = 64
    least: int = 6
    around_m: float = 0.045
    creep_m: float = 0.02
    calm_s: float = 0.6
    unlike_level: float = 40.0
    edge_level: float = 4.0
    sharpness: float = 12.0
    read_sd_m: float = 0.014
    tracked_sd_m: float = 0.02
    bare_sd_m: float = 0.05
    pull_px: float = 0.35
    outline_sd_m: float = 0.004


def laid_along(
    image: NDArray[Any], ends_px: Floats, config: EndsConfig | None = None
) -> NDArray[Any]:
    """Cut out the bar, laid level, its ends at the same columns whatever its place.

    Parameters
    ----------
    image : ndarray
        Picture with the bar in it.
    ends_px : ndarray, shape (2, 2)
        Its ends in the picture, x and y, the left one first; `Bar.inner_faces_m` apart.
    config : EndsConfig, optional

    Returns
    -------
    ndarray
        `EndsConfig.px_per_m` pixels to the metre, the bar's middle in the middle.
    """
    config = config or EndsConfig()
    half_m = (config.half_length_m, config.half_height_m)
    size = np.array([2 * round(extent * config.px_per_m) + 1 for extent in half_m])
    along = (ends_px[1] - ends_px[0]) / (config.barbell.inner_faces_m * config.px_per_m)
    across = np.array([-along[1], along[0]])
    turn = np.column_stack([along, across])
    corner = ends_px.mean(axis=0) - turn @ (size - 1) / 2
    return cv2.warpAffine(
        image,
        np.column_stack([turn, corner]),
        size.tolist(),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


class BarStrips:
    """Pictures of the bar, laid over each other along and across it.

    Parameters
    ----------
    config : EndsConfig, optional
    bare : bool
        Whether there are no plates on the bar.
    """

    def __init__(self, config: EndsConfig | None = None, *, bare: bool = False) -> None:
        self.config, self.bare = config or EndsConfig(), bare
        self._kept: list[NDArray[np.uint8]] = []
        self._ends_px: list[Floats] = []
        self._frames: list[int] = []
        self._every = 1
        self._n_moved = 0
        self._last = np.full(2, np.nan)

    def update(self, image: NDArray[np.uint8], row: Mapping[str, Any]) -> None:
        """Keep the bar's picture if it has moved.

        Parameters
        ----------
        image : ndarray of uint8
            RGB or grey.
        row : mapping
            The frame's row of the bar table.
        """
        ends = np.array([[row[f"{end}_{axis}_px"] for axis in "xy"] for end in ENDS], dtype=float)
        if not np.isfinite(ends).all() or any(row[f"{end}_state"] != "seen" for end in ENDS):
            return
        middle = ends.mean(axis=0)
        length = np.hypot(*(ends[1] - ends[0]))
        if np.hypot(*(middle - self._last)) < self.config.moved_share * length:
            return
        self._last = middle
        self._n_moved += 1
        if (self._n_moved - 1) % self._every:
            return
        self._kept.append(grey_levels(laid_along(image, ends, self.config)))
        self._ends_px.append(ends)
        self._frames.append(int(row["frame"]))
        if len(self._kept) > self.config.most:
            for kept in (self._kept, self._ends_px, self._frames):
                del kept[1::2]
            self._every *= 2

    def laid_anew(self, frames: NDArray[np.integer], ends_px: Floats) -> "BarStrips":
        """Lay what was kept as if the bar's ends had been followed to other places along it.

        Parameters
        ----------
        frames : ndarray of int, shape (n,)
            Numbers of frames, those of all that was kept among them.
        ends_px : ndarray, shape (n, 2, 2)
            The ends in each, x and y, on the line through those that were followed.
        """
        out = BarStrips(self.config, bare=self.bare)
        out._frames = list(self._frames)
        row_of = {int(frame): row for row, frame in enumerate(frames)}
        for kept, old, frame in zip(self._kept, self._ends_px, self._frames, strict=True):
            new = ends_px[row_of[frame]]
            along = old[1] - old[0]
            # Of the distance between the old ends, from the middle between them.
            places = (new - old.mean(axis=0)) @ along / (along @ along)
            scale = float(np.ptp(places))
            centre = (np.array(kept.shape[::-1]) - 1) / 2
            begin = (1.0 - scale) * centre
            begin[0] += places.mean() * self.config.barbell.inner_faces_m * self.config.px_per_m
            picture = cv2.warpAffine(
                kept,
                np.column_stack([scale * np.eye(2), begin]),
                kept.shape[::-1],
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
            out._kept.append(np.asarray(picture, np.uint8))
            out._ends_px.append(new)
        return out

    def picture(self) -> NDArray[np.float32] | None:
        """Median of what was kept; None where that is too little."""
        if len(self._kept) < self.config.least:
            return None
        return np.median(self._kept, axis=0).astype(np.float32)

    def drift(self, picture: NDArray[np.float32], along_m: Floats) -> tuple[Floats, float]:
        """How the tracked ends creep along the bar as it comes down the picture.

        A plate looks a little different from every height, and is found a little farther out or
        in; the sleeves' shoulders, turned round the bar's axis, look alike.

        Parameters
        ----------
        picture : ndarray
            From `picture`.
        along_m : ndarray, shape (2,)
            Where the shaft ends, outward.

        Returns
        -------
        creep : ndarray, shape (2,)
            By how much farther to the right the shaft's ends lie than the tracked ones say, metres
            for every pixel that the bar lies lower (Theil-Sen slope).
        height_px : float
            Height in the picture at which they lie as they do in `picture`.
        """
        config = self.config
        kept = np.asarray(self._kept, dtype=np.float32)
        calm = 1.0 / (np.median(np.abs(kept - picture), axis=0) + config.edge_level)
        half, most = (round(m * config.px_per_m) for m in (config.around_m, config.creep_m))
        height_px = np.array([ends[:, 1].mean() for ends in self._ends_px])
        slopes = np.zeros(2)
        for k, place in enumerate(SIGNS * along_m):
            middle = round((picture.shape[1] - 1) / 2 + place * config.px_per_m)
            here = slice(middle - half, middle + half + 1)
            off = np.full((len(kept), 2 * most + 1), np.nan)
            for j in range(2 * most + 1):
                there = kept[:, :, middle - half + j - most : middle + half + 1 + j - most]
                apart = np.minimum(np.abs(there - picture[:, here]), config.unlike_level)
                off[:, j] = (calm[:, here] * apart).sum(axis=(1, 2))
            best = np.array([best_index(-row)[0] for row in off])
            inside = (best > 0) & (best < 2 * most)
            rows, best = np.flatnonzero(inside), best[inside]
            if len(rows) < config.least:
                continue
            before, least, after = (off[rows, best + step] for step in (-1, 0, 1))
            fine = 0.5 * (before - after) / np.maximum(before - 2 * least + after, 1e-9)
            shift_m = (best - most + fine) / config.px_per_m
            slopes[k] = _median_slope(height_px[rows], shift_m)
        return slopes, float(np.median(height_px))


def _median_slope(x: Floats, y: Floats) -> float:
    """Median of the slopes between all pairs of points (Theil 1950 and Sen 1968, from memory)."""
    i, j = np.triu_indices(len(x), 1)
    apart = x[j] != x[i]
    return float(np.median((y[j] - y[i])[apart] / (x[j] - x[i])[apart])) if apart.any() else 0.0


@dataclass(frozen=True)
class ShaftEnds:
    """Where the shaft ends.

    Attributes
    ----------
    along_m : ndarray, shape (2,)
        Places along the bar, outward from the middle between the tracked ends, if those were
        `Bar.inner_faces_m` apart.
    covariance_m2 : ndarray, shape (2, 2)
    """

    along_m: Floats
    covariance_m2: Floats


def find_shaft_ends(
    picture: NDArray[np.float32] | None,
    expected_m: Floats,
    expected_sd_m: Floats,
    slant: Floats,
    clip_px_per_m: float,
    config: EndsConfig | None = None,
    *,
    bare: bool = False,
) -> ShaftEnds:
    """Find where the shaft ends in a picture of the bar.

    All places of both ends are weighed by what the outline there says and by what was expected;
    the result is their mean and covariance. Without a step to be seen it is what was expected.

    Parameters
    ----------
    picture : ndarray or None
        From `BarStrips.picture`.
    expected_m, expected_sd_m : ndarray, shape (2,)
        Where the ends are expected, outward, and the standard uncertainty.
    slant : ndarray, shape (2,)
        Tangent of the angle between the line of sight and the bar's normal at both ends.
    clip_px_per_m : float
        Scale of the bar in the clip.
    config : EndsConfig, optional
    bare : bool
        Whether no plates hide the sleeves, whose outline then counts as well.

    Returns
    -------
    ShaftEnds
    """
    config = config or EndsConfig()
    if picture is None:
        return ShaftEnds(expected_m, np.diag(expected_sd_m**2))
    outline = _Outline(picture, clip_px_per_m, config, bare=bare)
    reach_m = config.bare_reach_m if bare else config.reach_m
    steps = np.arange(-reach_m, reach_m + 1e-9, 0.5 / config.px_per_m)
    places = expected_m[:, None] + steps
    pull_m = config.pull_px / clip_px_per_m
    # The bar's axis is one, and both shoulders are of one size.
    likely = []
    for axis_m in np.arange(-2.0, 2.1) * config.axis_sd_m:
        for radius_m in config.shoulder_radii_m:
            left, right = (
                config.sharpness
                * outline.score(sign * (place - pull_m), sign, tangent, radius_m, axis_m)
                - 0.5 * ((place - middle) / sd) ** 2
                for sign, place, tangent, middle, sd in zip(
                    SIGNS, places, slant, expected_m, expected_sd_m, strict=True
                )
            )
            likely.append(left[:, None] + right - 0.5 * (axis_m / config.axis_sd_m) ** 2)
    weight = np.exp(likely - np.max(likely)).sum(axis=0)
    weight /= weight.sum()
    shares = [weight.sum(axis=1), weight.sum(axis=0)]
    mean = np.array([share @ place for share, place in zip(shares, places, strict=True)])
    off = [place - middle for place, middle in zip(places, mean, strict=True)]
    both_off = off[0] @ weight @ off[1]
    covariance = np.array(
        [[shares[0] @ off[0] ** 2, both_off], [both_off, shares[1] @ off[1] ** 2]]
    )
    # Half of it at either end, alike in both.
    covariance += config.outline_sd_m**2 / 4
    return ShaftEnds(mean, covariance)


class _Outline:
    """Edges of a picture of the bar, by which the step from shaft to shoulder is told."""

    def __init__(
        self,
        picture: NDArray[np.float32],
        clip_px_per_m: float,
        config: EndsConfig,
        *,
        bare: bool,
    ) -> None:
        self.config, self.bare = config, bare
        smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
        # A clip of fewer pixels shows the same edge less steep.
        half_level = config.edge_level * min(clip_px_per_m / config.px_per_m, 1.0)
        self._outward, self._down = (
            slope / (np.abs(slope) + half_level)
            for slope in (
                cv2.Sobel(smooth, cv2.CV_32F, *order, ksize=3, scale=0.125)
                for order in ((1, 0), (0, 1))
            )
        )

    def _at(
        self,
        edges: NDArray[np.floating],
        along_m: Floats,
        across_m: Floats | float,
    ) -> NDArray[np.floating]:
        rows, columns = edges.shape
        along, across = np.broadcast_arrays(along_m, across_m)
        x = along * self.config.px_per_m + (columns - 1) / 2
        y = across * self.config.px_per_m + (rows - 1) / 2
        seen = cv2.remap(edges, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
        return np.asarray(seen, edges.dtype)

    def score(
        self, place_m: Floats, sign: float, slant: float, radius_m: float, axis: float
    ) -> Floats:
        """How well the bar's outline fits a shaft that ends at these places, about 0 to 1.5.

        The edges of a shoulder of this radius begin at the place, those of the shaft end there,
        and the shoulder's face, seen at a slant, makes half an ellipse between.
        """
        shaft_m = self.config.barbell.shaft_radius_m
        near, far = self.config.outline_m
        beyond = sign * np.arange(near, far + 1e-9, 0.002)
        # The face's far half hides the shaft's last millimetres from view.
        before = -beyond - sign * 2 * near
        beside = np.arange(shaft_m + 0.002, radius_m - 0.002, 0.002)
        face = place_m[:, None] - sign * slant * np.sqrt(radius_m**2 - beside**2)

        def edge(half: int, offset_m: float, along: Floats) -> NDArray[np.floating]:
            """Level edge in the upper (-1) or lower half, positive where it is brighter inside."""
            return -half * self._at(self._down, place_m[:, None] + along, axis + half * offset_m)

        found = []
        for half in (-1, 1):
            shoulder = edge(half, radius_m, beyond)
            arc = sign * self._at(self._outward, face, axis + half * beside)
            # A shoulder is brighter than what is behind it all along its outline, or darker.
            outline = [
                np.clip(side * shoulder, 0, None).mean(axis=1)
                + 0.7 * np.clip(side * arc, 0, None).mean(axis=1)
                for side in (-1, 1)
            ]
            found.append(np.maximum(*outline))
        ending = np.mean(
            [
                0.5 * np.abs(edge(half, shaft_m, before)).mean(axis=1)
                - 0.5 * np.abs(edge(half, shaft_m, beyond)).mean(axis=1)
                - np.abs(edge(half, radius_m, before)).mean(axis=1)
                for half in (-1, 1)
            ],
            axis=0,
        )
        if self.bare:
            sleeve_m, (start, stop) = self.config.barbell.sleeve_radius_m, self.config.sleeve_m
            sleeve = sign * np.arange(start, stop, 0.004)
            # Beyond its shoulder the sleeve is slimmer again.
            slimmer = sign * np.arange(start, start + far, 0.002)
            ending += np.mean(
                [
                    np.abs(edge(half, sleeve_m, sleeve)).mean(axis=1)
                    - np.abs(edge(half, sleeve_m, -sleeve)).mean(axis=1)
                    - np.abs(edge(half, radius_m, slimmer)).mean(axis=1)
                    for half in (-1, 1)
                ],
                axis=0,
            )
        return np.sqrt(found[0] * found[1]) + ending


def place_ends(
    track: pd.DataFrame,
    strips: BarStrips,
    joints: pd.DataFrame | None,
    focal_px: float,
    middle_x_px: float,
) -> pd.DataFrame:
    """Put the ends of a bar table where the shaft's ends say that they are.

    Parameters
    ----------
    track : DataFrame
        Bar table in image coordinates.
    strips : BarStrips
        Of the frames that the table is of.
    joints : DataFrame or None
        Pose table in image coordinates.
    focal_px : float
        Rough focal length.
    middle_x_px : float
        Column of the picture's middle.

    Returns
    -------
    DataFrame
        The table with each end moved along the bar by a share of the distance between the ends, one
        all through the clip but for its creep with the bar's height, and `span_rel_sd`, the
        standard uncertainty of that distance as a share of it.
    """
    config = strips.config
    names = [f"{end}_{axis}_px" for end in ENDS for axis in "xy"]
    ends = track[names].to_numpy(dtype=float).reshape(-1, 2, 2)
    along = ends[:, 1] - ends[:, 0]
    if not np.isfinite(along).all(axis=1).any():
        return track.assign(span_rel_sd=np.nan)
    if strips.bare:
        ends = _settled(ends, along, track["time_s"].to_numpy(dtype=float), config)
        strips = strips.laid_anew(track["frame"].to_numpy(), ends)
    span_px = np.nanmedian(np.hypot(*along.T))
    slant = np.abs(np.nanmedian(ends[:, :, 0], axis=0) - middle_x_px) / focal_px
    expected, sd = _expected(track, None if strips.bare else joints, config)
    picture = strips.picture()
    found = find_shaft_ends(
        picture,
        expected,
        np.maximum(sd, config.bare_sd_m) if strips.bare else sd,
        slant,
        span_px / config.barbell.inner_faces_m,
        config,
        bare=strips.bare,
    )
    # From the shaft's ends to where the table has the bar's.
    faces_m = config.barbell.inner_faces_m
    beyond = (faces_m / config.barbell.shaft_m - 1.0) * found.along_m.mean()
    move = np.broadcast_to(SIGNS * (found.along_m + beyond - faces_m / 2), (len(ends), 2))
    if picture is not None:
        slopes, height_px = strips.drift(picture, found.along_m)
        move = move + (ends[:, :, 1].mean(axis=1) - height_px)[:, None] * slopes
    out = track.copy()
    moved = ends + (move / faces_m)[:, :, None] * along[:, None]
    out[names] = moved.reshape(-1, 4)
    length_m = found.along_m.sum()
    return out.assign(span_rel_sd=float(np.sqrt(found.covariance_m2.sum()) / length_m))


def _settled(ends: Floats, along: Floats, time_s: Floats, config: EndsConfig) -> Floats:
    """Ends of a bare bar where they nearly always are, but for what moves both alike.

    Its sleeves look much alike all along, so that either end may be followed farther in or out for
    a while. A lifter moves the whole bar sideways; what one end alone says is not believed.
    """
    window = 2 * round(0.5 * config.calm_s / np.median(np.diff(time_s))) + 1
    columns = pd.DataFrame(ends[:, :, 0])
    calm = columns.rolling(window, center=True, min_periods=1).median().to_numpy()
    usual = np.nanmedian(calm, axis=0)
    # What goes with the height is perspective's, or an edge's that shows at some heights only.
    height = ends[:, :, 1].mean(axis=1)
    told = np.flatnonzero(np.isfinite(height))
    some = told[:: max(1, len(told) // 100)]
    slopes = [_median_slope(height[some], column[some]) for column in calm.T]
    left, right = (calm - usual - np.outer(height - np.nanmedian(height), slopes)).T
    alike = np.sign(left) == np.sign(right)
    aside = np.where(alike, np.sign(left) * np.minimum(np.abs(left), np.abs(right)), 0.0)
    settled = usual + aside[:, None]
    return ends + ((settled - ends[:, :, 0]) / along[:, :1])[:, :, None] * along[:, None]


def _expected(
    track: pd.DataFrame, joints: pd.DataFrame | None, config: EndsConfig
) -> tuple[Floats, Floats]:
    """Where the shaft's ends are read, or else where they follow from the ends tracked.

    Every height of the bar counts alike, however long it rested there before the same scenery; and
    an end that may as well lie outside the crop is read at the crop's border.
    """
    faces_m = config.barbell.inner_faces_m
    place = np.full(2, config.barbell.shaft_m / 2)
    sd = np.full(2, config.tracked_sd_m)
    if joints is None or joints.empty:
        return place, sd
    at = track.set_index("frame").reindex(joints["frame"])
    left, right = (at[[f"{end}_x_px", f"{end}_y_px"]].to_numpy(dtype=float) for end in ENDS)
    along = right - left
    length2 = (along**2).sum(axis=1)
    # Seen from the feet the lifter's right is on the picture's left.
    for k, (sign, side) in enumerate(zip(SIGNS, SIDES[::-1], strict=True)):
        parts = ("x_px", "y_px", "var_x_px2", "seen", "hidden")
        columns = [f"{side}_collar_{part}" for part in parts]
        read = joints.reindex(columns=columns).to_numpy(dtype=float)
        share = sign * ((read[:, :2] - (left + right) / 2) * along).sum(axis=1) / length2
        stated = np.sqrt(read[:, 2] / length2)
        # By how much likelier in the crop than outside.
        inside = 2.0 * read[:, 3:].sum(axis=1) - 1.0
        known = np.isfinite(share) & np.isfinite(stated) & (inside > 0)
        if known.sum() >= config.least:
            told_m, stated_m = share[known] * faces_m, stated[known] * faces_m
            weight = inside[known] * _evenly((left + right)[known, 1])
            place[k] = _weighted_median(told_m, weight)
            spread_m = MAD_TO_SD * _weighted_median(np.abs(told_m - place[k]), weight)
            sd[k] = np.hypot(max(_weighted_median(stated_m, weight), spread_m), config.read_sd_m)
    return place, sd


def _evenly(height: Floats) -> Floats:
    """Weights by which all heights count alike, however many readings there are at each."""
    near = np.abs(height[:, None] - height) <= np.ptp(height) / _LEVELS
    return 1.0 / near.sum(axis=1)


def _weighted_median(values: Floats, weight: Floats) -> float:
    """Value that has half of the weight on either side."""
    order = np.argsort(values, kind="stable")
    gone = np.cumsum(weight[order]) - weight[order] / 2
    return float(np.interp(weight.sum() / 2, gone, values[order]))
