"""All that the cameras of a set read of the arms, on one clock, and how far readings may be off."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barpath.space.armprior import SMALL, ArmFitConfig, bar_reach_m
from barpath.space.sights import BAR_PARTS, FITTED, OUTWARD, SEEN, Instants, Sight, Sighting

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Merged:
    """All frames of all cameras, and further instants, in order of time."""

    sights: tuple[Sight, ...]
    view: NDArray[np.int64]
    frame: NDArray[np.int64]
    time_s: Floats
    bar_m: Floats
    axis: Floats
    readings_px: Floats
    covariance_px2: Floats
    given: NDArray[np.bool_]


@dataclass(frozen=True)
class Spread:
    """How readings spread about what the network is expected to state.

    Attributes
    ----------
    covariance_m2 : ndarray, shape (n, 2, 6, 2, 2)
        Axes as in `covariance_m2`.
    pull : ndarray, shape (n, 2, 2, 2)
        By how much of the way to the usual place an elbow's reading is off; see `armguess`.
    shoulder_pull : ndarray, shape (n, 2)
        The same of a shoulder's reading and the usual height.
    common_m : list of ndarray
        From `common_sd_m`.
    """

    covariance_m2: Floats
    pull: Floats
    shoulder_pull: Floats
    common_m: list[Floats]


def merged(sightings: Sequence[Sighting], also: Instants | None) -> Merged:
    """What several cameras saw of one set, and instants without a frame, put in order of time."""
    parts: list[tuple[Any, ...]] = []
    for view, one in enumerate(sightings):
        given = one.given
        if given is None:
            given = np.zeros(one.readings_px.shape[:3], dtype=bool)
        at = (one.at.time_s, one.at.bar_m, one.at.bar_axis)
        seen = (one.readings_px, one.covariance_px2, given)
        parts.append((np.full(len(one.frame), view), one.frame, *at, *seen))
    if also is not None:
        shape = (len(also.time_s), 2, len(SEEN), 2)
        none = np.full(len(also.time_s), -1)
        nothing, spread = np.full(shape, np.nan), np.full((*shape, 2), np.nan)
        at = (also.time_s, also.bar_m, also.bar_axis)
        parts.append((none, none, *at, nothing, spread, np.zeros(shape[:3], dtype=bool)))
    whole = [np.concatenate(column) for column in zip(*parts, strict=True)]
    order = np.argsort(whole[2], kind="stable")
    return Merged(tuple(one.sight for one in sightings), *(column[order] for column in whole))


def chosen_frames(
    known: NDArray[np.bool_],
    view: NDArray[np.int64],
    height_m: Floats,
    limit: int,
    by_hand: NDArray[np.bool_],
) -> NDArray[np.intp]:
    """Frames that the set's constants are fitted to, spread evenly over the bar's heights.

    Beside them those in which a joint was put right by hand, in the same way where they are many:
    otherwise what was put right would often bear on nothing but its own frame.

    Examples
    --------
    >>> frames = np.arange(9)
    >>> all_known, one_view = np.ones(9, bool), np.zeros(9, int)
    >>> chosen_frames(all_known, one_view, frames / 10, 3, frames == 5).tolist()
    [0, 4, 5, 8]
    """
    n_views = int(view.max()) + 1
    picked = []
    for k in range(n_views):
        for wanted in (known, known & by_hand):
            rows = np.flatnonzero(wanted & (view == k))
            by_height = rows[np.argsort(height_m[rows], kind="stable")]
            n_picks = min(len(rows), limit // n_views)
            picked.append(by_height[np.linspace(0, len(rows) - 1, n_picks).round().astype(int)])
    return np.unique(np.concatenate(picked))


def lowness(seen: Merged) -> Floats:
    """How low the bar is, shape (n,): 0 at the set's top, 1 at its bottom."""
    top, bottom = bar_reach_m(seen.bar_m)
    return np.clip((top - seen.bar_m[:, 1]) / max(top - bottom, 0.05), 0.0, 1.0)


def covariance_m2(seen: Merged, rows: NDArray[np.intp]) -> Floats:
    """Stated covariance of readings in metres, shape (n, 2, 6, 2, 2).

    Axes: across the picture as `Sight.across` has it, and up.
    """
    out = np.full((len(rows), 2, len(SEEN), 2, 2), np.nan)
    for view, sight in enumerate(seen.sights):
        mine = seen.view[rows] == view
        scale = sight.px_per_m(seen.bar_m[rows][mine])[:, None, None]
        signs = np.column_stack([sight.across, [-1.0, -1.0]])[None] / scale
        flip = signs[:, :, None, :, None] * signs[:, :, None, None, :]
        out[mine] = seen.covariance_px2[rows][mine] * flip
    return out


def common_sd_m(seen: Merged, covariance: Floats, config: ArmFitConfig) -> list[Floats]:
    """For each camera the sd of what all its readings are off, (2, 2, 6, 2) by end of the way.

    `covariance` is that of all frames' readings about what is expected, as from `covariance_m2`.
    What a camera's scale is off tells the more the farther from the bar a reading is.
    """
    low = lowness(seen)
    floor = [config.common_m] * len(FITTED) + [config.bar_part_sd_m[name] for name in BAR_PARTS]
    out = []
    for view, sight in enumerate(seen.sights):
        rows = np.flatnonzero(seen.view == view)
        stretched = np.array(sight.lengths_rel_sd) * _from_bar_m(seen, rows, sight)
        spread = np.diagonal(covariance[rows], axis1=-2, axis2=-1)
        both = config.common_share**2 * spread + stretched**2
        ends = []
        for share in (low[rows], 1.0 - low[rows]):
            near = np.where(np.isfinite(spread), share[:, None, None, None], 0.0)
            total = (near * np.nan_to_num(both)).sum(axis=0)
            ends.append(total / np.maximum(near.sum(axis=0), SMALL))
        out.append(np.sqrt(np.array(ends) + np.square(floor)[:, None]))
    return out


def _from_bar_m(seen: Merged, rows: NDArray[np.intp], sight: Sight) -> Floats:
    """How far from the bar's middle readings lie in the picture, (n, 2, 6, 2)."""
    bar_m = seen.bar_m[rows]
    away_px = seen.readings_px[rows] - sight.project(bar_m)[:, None, None]
    return np.abs(away_px) / sight.px_per_m(bar_m)[:, None, None, None]


def usual_off_m(sight: Sight, common_m: Floats, config: ArmFitConfig) -> Floats:
    """By how much a camera's readings are off on average, (2, 2, 6, 2), axes as `common_m`'s."""
    share = np.zeros_like(common_m)
    ahead, out = sight.across * sight.axes[0, 0], sight.across * sight.axes[0, 2] * OUTWARD
    for name, ends in config.usual_off.items():
        for end, off in enumerate(ends):
            share[end, :, SEEN.index(name), 0] = off[0] * out + off[1] * ahead
            share[end, :, SEEN.index(name), 1] = off[2]
    return share * common_m


def roots_of_readings(
    seen: Merged, rows: NDArray[np.intp], covariance: Floats, config: ArmFitConfig
) -> Floats:
    """Matrices that turn what a reading is off, in metres, into independent parts of unit variance.

    Shape (n, 2, 6, 2, 2), axes as in `covariance_m2`; NaN where nothing was read. Only what is a
    frame's own counts; readings that a person put right are nearly certain.
    """
    own_part = config.own_share**2 * covariance[rows] + config.own_m**2 * np.eye(2)
    own_part[seen.given[rows]] = config.given_sd_m**2 * np.eye(2)
    read = np.all(np.isfinite(seen.readings_px[rows]), axis=-1)
    read &= np.all(np.isfinite(own_part), axis=(-2, -1))
    root = np.full(own_part.shape, np.nan)
    root[read] = np.linalg.inv(np.linalg.cholesky(own_part[read]))
    return root
