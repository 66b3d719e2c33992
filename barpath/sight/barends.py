"""Where the shaft ends, seen from the feet: the ruler of all lengths in that view.

A plate seen from inside shows its face, its rim and what stands beside it, and where it meets the
sleeve is seen to some percent only. The shaft ends at a shoulder of the sleeve, more than twice as
thick: a step of the bar's outline that looks alike on every bar. Pictures of the bar from all
through the clip are laid over each other, so that the scenery blurs, and the step is sought in
them by its outline, near where the joint network reads it or the plates were tracked.

In: frames, the bar table (image px) and the pose table. Out: the bar table with both ends placed,
image px, and the relative uncertainty of the distance between them; inside, metres along the bar.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.choice import best_index
from barpath.ground.uncertainty import MAD_TO_SD, pooled
from barpath.sight.barline import ENDS
from barpath.sight.barstrips import SIGNS, BarStrips, EndsConfig, median_slope
from barpath.sight.jointnet import SIDES

Floats = NDArray[np.float64]

# Readings of the ends at heights of the bar no farther apart than its travel over this are alike.
_LEVELS = 8


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
    spread: NDArray[np.float32] | None = None,
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
    spread : ndarray, optional
        From `BarStrips.spread`; without it all of the picture is taken to look alike at all times.
    bare : bool
        Whether no plates hide the sleeves, whose outline then counts as well.

    Returns
    -------
    ShaftEnds
    """
    config = config or EndsConfig()
    if picture is None:
        return ShaftEnds(expected_m, np.diag(expected_sd_m**2))
    if spread is None:
        spread = np.zeros_like(picture)
    outline = _Outline(picture, spread, clip_px_per_m, config, bare=bare)
    reach_m = config.bare_reach_m if bare else config.reach_m
    steps = np.arange(-reach_m, reach_m + 1e-9, 0.5 / config.px_per_m)
    places = expected_m[:, None] + steps
    pull_m = config.pull_px / clip_px_per_m
    # The bar's axis is one, and both shoulders are of one size.
    likely = []
    for axis_m in np.arange(-2.0, 2.1) * config.axis_sd_m:
        for radius_m in config.shoulder_radii_m:
            left, right = (
                (config.bare_sharpness if bare else config.sharpness)
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
        spread: NDArray[np.float32],
        clip_px_per_m: float,
        config: EndsConfig,
        *,
        bare: bool,
    ) -> None:
        self.config, self.bare = config, bare
        # What is the bar's looks alike wherever the bar is.
        self._alike = config.changed_level / (config.changed_level + spread)
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

    def sides(self, along_m: Floats, off_m: Floats, radius_m: float) -> Floats:
        """How clearly both sides of a cylinder about axes that lie so far off stand out."""
        above, below = (
            np.abs(self._at(self._down, along_m, (off_m + half * radius_m)[:, None]))
            for half in (-1, 1)
        )
        return np.asarray(np.sqrt(above * below).mean(axis=1), float)

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
            inside = [
                self._at(self._alike, place_m[:, None] + beyond, axis + half * offset_m)
                for offset_m in beside
            ]
            found.append(np.maximum(*outline) * np.mean(inside, axis=(0, 2)))
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
    span_px = np.nanmedian(np.hypot(*along.T))
    clip_px_per_m = span_px / config.barbell.inner_faces_m
    if strips.bare:
        off_m = _off_axis_m(strips.picture(), clip_px_per_m, config)
        ends = _settled(ends, along, track["time_s"].to_numpy(dtype=float), config)
        strips = strips.laid_anew(track["frame"].to_numpy(), ends, off_m)
        below = np.column_stack([-along[:, 1], along[:, 0]]) / config.barbell.inner_faces_m
        ends = ends + off_m * below[:, None]
    slant = np.abs(np.nanmedian(ends[:, :, 0], axis=0) - middle_x_px) / focal_px
    expected, sd = _expected(track, joints, config, bare=strips.bare)
    picture = strips.picture()
    spread = None if picture is None else strips.spread(picture)
    found = find_shaft_ends(
        picture,
        expected,
        sd,
        slant,
        clip_px_per_m,
        config,
        spread=spread,
        bare=strips.bare,
    )
    # From the shaft's ends to where the table has the bar's.
    faces_m = config.barbell.inner_faces_m
    beyond = (faces_m / config.barbell.shaft_m - 1.0) * found.along_m.mean()
    move = np.broadcast_to(SIGNS * (found.along_m + beyond - faces_m / 2), (len(ends), 2))
    if picture is not None and spread is not None:
        slopes, height_px = strips.drift(picture, spread, found.along_m)
        move = move + (ends[:, :, 1].mean(axis=1) - height_px)[:, None] * slopes
    out = track.copy()
    moved = ends + (move / faces_m)[:, :, None] * along[:, None]
    out[names] = moved.reshape(-1, 4)
    length_m = found.along_m.sum()
    return out.assign(span_rel_sd=float(np.sqrt(found.covariance_m2.sum()) / length_m))


def _off_axis_m(
    picture: NDArray[np.float32] | None, clip_px_per_m: float, config: EndsConfig
) -> float:
    """How far below the line that was followed the axis of a bare bar is; 0 where it is that line.

    Both sides of the shaft and of the sleeves stand out as far from it, above and below.
    """
    if picture is None:
        return 0.0
    bar = config.barbell
    outline = _Outline(picture, np.zeros_like(picture), clip_px_per_m, config, bare=True)
    most_m = config.bare_half_height_m - config.half_height_m
    offs = np.arange(-most_m, most_m + 1e-9, 0.5 / config.px_per_m)
    # Well inside of the shaft's ends and of the sleeves', wherever exactly those are.
    shaft = np.arange(-0.8, 0.8, 0.005) * bar.collar_m
    sleeve = np.arange(0.5, 0.9, 0.005) * (bar.end_m - bar.collar_m) + bar.collar_m
    parts = (shaft, bar.shaft_radius_m), (np.r_[-sleeve, sleeve], bar.sleeve_radius_m)
    clear = sum(outline.sides(along_m, offs, radius_m) for along_m, radius_m in parts)
    off_m = float(offs[best_index(clear)[0]])
    return off_m if abs(off_m) > config.most_off_m else 0.0


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
    slopes = [median_slope(height[some], column[some]) for column in calm.T]
    left, right = (calm - usual - np.outer(height - np.nanmedian(height), slopes)).T
    alike = np.sign(left) == np.sign(right)
    aside = np.where(alike, np.sign(left) * np.minimum(np.abs(left), np.abs(right)), 0.0)
    settled = usual + aside[:, None]
    return ends + ((settled - ends[:, :, 0]) / along[:, :1])[:, :, None] * along[:, None]


def _expected(
    track: pd.DataFrame, joints: pd.DataFrame | None, config: EndsConfig, *, bare: bool
) -> tuple[Floats, Floats]:
    """Where the shaft's ends are expected: as they are read, or else by the ends tracked.

    A bare bar looks much alike all along, so that its ends may have been tracked anywhere near, and
    both count.
    """
    read, read_sd = _read(track, joints, config)
    by_track = config.barbell.shaft_m / 2
    if not bare:
        unread = np.isnan(read)
        return np.where(unread, by_track, read), np.where(unread, config.tracked_sd_m, read_sd)
    tracked = by_track, config.bare_sd_m
    both = np.array(
        [
            tracked if np.isnan(place) else pooled(tracked, (place + config.bare_inward_m, sd))
            for place, sd in zip(read, read_sd, strict=True)
        ]
    )
    return both[:, 0], both[:, 1]


def _read(
    track: pd.DataFrame, joints: pd.DataFrame | None, config: EndsConfig
) -> tuple[Floats, Floats]:
    """Where the network reads the shaft's ends, and how surely; NaN where it does not.

    Every height of the bar counts alike, however long it rested there before the same scenery; and
    an end that may as well lie outside the crop is read at the crop's border.
    """
    faces_m = config.barbell.inner_faces_m
    place, sd = np.full((2, 2), np.nan)
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
