"""Clips of one set on one clock and in one space: the bar, and the arms fitted to all of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.armsight import sighting_in
from barpath.analysis.config import AnalysisConfig, PairConfig, arm_config, with_bar
from barpath.analysis.kept import bar_in, config_of, end_of
from barpath.analysis.placing import place
from barpath.analysis.setresult import SetResult
from barpath.errors import OptionError
from barpath.sight import pose
from barpath.space import armfit, arms3d, sights, steadying
from barpath.space.armprior import ArmFitConfig
from barpath.space.pairing import NO_MATCH, Sync, SyncConfig, synchronise
from barpath.space.sights import SIDES

Floats = NDArray[np.float64]

OTHER_END_FACTOR = 2.0

BAR_SIDEWAYS_SD_M = 0.005


@dataclass(frozen=True)
class ClipInSet:
    """A clip with what puts it into the set's time and space.

    Attributes
    ----------
    result : SetResult
    lag_s : float
        Its clock less the set's.
    factor, lift_m : float
        Its lengths times the factor, and heights raised by the lift, are the set's.
    rel_sd : float
        Relative standard uncertainty of its heights on that scale.
    """

    result: SetResult
    lag_s: float
    factor: float
    lift_m: float
    rel_sd: float

    @property
    def lengths_rel_sd(self) -> tuple[float, float]:
        """Relative standard uncertainty of lengths across its picture and up."""
        return (_along_rel_sd(self) if self.aside else self.rel_sd), self.rel_sd

    @property
    def aside(self) -> bool:
        """Whether it shows where along the body the bar is."""
        return self.result.shows.along

    def track(self, name: str, time_s: Floats) -> Floats:
        """A column of its trajectory at the set's times, as it is."""
        table = self.result.trajectory
        value = table[name].to_numpy(dtype=float)
        known = np.isfinite(value)
        own = table["time_s"].to_numpy(dtype=float)[known] - self.lag_s
        return np.interp(time_s, own, value[known], left=np.nan, right=np.nan)


def on_one_clock(first: SetResult, other: SetResult, config: SyncConfig) -> Sync:
    """Clock of another clip by its heights, held against the same end of the bar."""
    end = end_of(other)
    height = f"{end}_y_m" if f"{end}_y_m" in first.trajectory else "y_smooth_m"
    if not first.shows.both_ends and end_of(first) != end:
        # They see opposite ends, which a tilting bar moves apart.
        config = replace(config, no_match_share=OTHER_END_FACTOR * config.no_match_share)
    sync = synchronise(
        first.trajectory["time_s"].to_numpy(dtype=float),
        first.trajectory[height].to_numpy(dtype=float),
        other.trajectory["time_s"].to_numpy(dtype=float),
        other.trajectory["y_smooth_m"].to_numpy(dtype=float),
        config,
    )
    if sync.verdict == NO_MATCH:
        raise OptionError(f"The clips do not show the same set: {sync.reason}")
    return sync


def _along_rel_sd(view: ClipInSet) -> float:
    """Relative standard uncertainty of lengths along the body in a clip from aside."""
    return float(view.result.calibration["horizontal_rel_sd"] or 1.0)


def along_rel_sd(views: Sequence[ClipInSet]) -> float:
    """The same of all clips from aside together, as `bar_in_space` weighs them."""
    return float(sum(1.0 / _along_rel_sd(v) ** 2 for v in views if v.aside) ** -0.5)


def bar_in_space(views: Sequence[ClipInSet]) -> pd.DataFrame:
    """The bar's middle at the first clip's times.

    Its height is that of the clip from the feet, which sees both ends, or else the mean; along the
    body every clip from aside counts by how well it knows such lengths.
    """
    first = views[0]
    time = first.result.trajectory["time_s"].to_numpy(dtype=float)
    heights = [v.factor * v.track("y_smooth_m", time) + v.lift_m for v in views]
    aside = [v for v in views if v.aside]
    weights = [1.0 / _along_rel_sd(v) ** 2 for v in aside]
    ways = [v.factor * v.track("x_smooth_m", time) for v in aside]
    spread = [v.track("sd_x_m", time) for v in aside]
    front = not first.aside
    n = len(time)
    return pd.DataFrame(
        {
            "time_s": time,
            "x_m": np.average(ways, axis=0, weights=weights),
            "y_m": heights[0] if front else np.mean(heights, axis=0),
            "z_m": first.factor * first.track("x_smooth_m", time) if front else np.zeros(n),
            "sd_x_m": np.average(spread, axis=0, weights=weights),
            "sd_y_m": first.track("sd_y_m", time),
            "sd_z_m": first.track("sd_x_m", time) if front else np.full(n, BAR_SIDEWAYS_SD_M),
            "tilt_deg": first.track("tilt_deg", time) if front else np.zeros(n),
            "side_y_m": heights[1],
        }
    )


def instants(bar: pd.DataFrame, times_s: Floats) -> sights.Instants:
    """The bar in space at some times; NaN where both clips do not show it.

    Parameters
    ----------
    bar : DataFrame
        As in `PairResult`.
    times_s : ndarray, shape (n,)
        On the front clip's clock.
    """
    table = bar.dropna(subset=["x_m", "y_m", "z_m"])
    place = np.full((len(times_s), 3), np.nan)
    tilt = np.zeros(len(times_s))
    if len(table):
        own = table["time_s"]
        for k, name in enumerate("xyz"):
            place[:, k] = np.interp(times_s, own, table[f"{name}_m"], left=np.nan, right=np.nan)
        tilt = np.deg2rad(np.interp(times_s, own, table["tilt_deg"].fillna(0.0)))
    axis = np.column_stack([np.zeros_like(tilt), np.sin(tilt), np.cos(tilt)])
    return sights.Instants(times_s, place, axis)


def moments_of(
    reps: pd.DataFrame, bar: pd.DataFrame, config: PairConfig
) -> tuple[pd.DataFrame, list[tuple[float, float]]]:
    """Bottom, sticking point and lockout of each repetition, where the bar is known in space.

    Returns
    -------
    moments : DataFrame
        `rep, moment, time_s`.
    spans : list of (begin, end)
        Times of which frames stand for each.
    """
    rows, spans = [], []
    for rep in reps.itertuples():
        press = rep.press_s if math.isfinite(rep.press_s) else rep.touch_s
        margin = config.bottom_margin_s
        for moment, begin, end in (
            ("bottom", rep.touch_s - margin, press + margin),
            ("sticking", rep.sticking_min_s, rep.sticking_min_s),
            ("lockout", rep.lockout_s, rep.lockout_s + config.lockout_margin_s),
        ):
            if not (math.isfinite(begin) and math.isfinite(end)):
                continue
            time = {"bottom": (rep.touch_s + press) / 2, "lockout": rep.lockout_s}.get(
                moment, begin
            )
            rows.append({"rep": rep.rep, "moment": moment, "time_s": time})
            spans.append((begin, end))
    moments = pd.DataFrame(rows, columns=["rep", "moment", "time_s"])
    bar_m = instants(bar, moments["time_s"].to_numpy(dtype=float)).bar_m
    usable = np.flatnonzero(np.isfinite(bar_m).all(axis=1))
    return moments.iloc[usable].reset_index(drop=True), [spans[k] for k in usable]


def arms_in_space(
    views: Sequence[ClipInSet],
    bar: pd.DataFrame,
    moments: pd.DataFrame,
    spans: list[tuple[float, float]],
    config: PairConfig,
) -> arms3d.Arms3d | None:
    """Arms and hips at the moments, from one fit to all clips."""
    options: dict[str, Any] = {}
    for view in views:
        options |= {k: v for k, v in view.result.options.items() if options.get(k) is None}
    sightings = []
    for view in views:
        one = sighting_in(view.result, place(view.result))
        if one is None:
            return None
        time_s = one.at.time_s - view.lag_s
        at = instants(bar, time_s)
        if view.aside:
            # Each clip's own path fits its picture best; what it cannot see the others tell.
            own = one.at.bar_m * view.factor + [0.0, view.lift_m, 0.0]
            at.bar_m[:, :2] = np.where(np.isfinite(at.bar_m[:, :2]), own[:, :2], np.nan)
        moved = one.sight.moved(view.factor, view.lift_m)
        sight = replace(moved, lengths_rel_sd=view.lengths_rel_sd)
        sightings.append(replace(one, sight=sight, at=at))
    times = moments["time_s"].to_numpy(dtype=float)
    order = np.argsort(times, kind="stable")
    of_lifter = arms_config(options, replace(config.arms, barbell=bar_in(views[0].result)))
    fit = armfit.fit_arms(sightings, of_lifter, instants(bar, times[order]))
    if fit is None:
        return None
    seen = [_hips_seen(v.result, sight) for v, sight in zip(views, fit.sights, strict=True)]
    bar_m = instants(bar, times).bar_m
    return arms3d.arms_at(fit, moments, spans, bar_m, seen, config.hips, config.read_s)


def _hips_seen(result: SetResult, sight: sights.Sight) -> arms3d.Seen:
    """The hips in one view: they keep still, so the median over the clip."""
    joints = steadying.steady(result.pose, result.camera, pose.points_in(result.pose))
    error = config_of(result).reading_error
    places, sds = np.full((2, 2), np.nan), np.full(2, np.nan)
    for s, side in enumerate(SIDES):
        names = [f"{side}_hip_{part}" for part in ("x_px", "y_px", "var_x_px2", "var_y_px2")]
        read = joints.reindex(columns=names).to_numpy(dtype=float)
        read = read[np.isfinite(read).all(axis=1)]
        if len(read):
            middle = np.median(read, axis=0)
            m_per_px = 1.0 / sight.px_per_m(np.zeros(3))
            places[s], sds[s] = middle[:2], error.sd_m(middle[2:], m_per_px)
    return arms3d.Seen(sight, places, sds)


def arms_config(options: dict[str, Any], config: ArmFitConfig) -> ArmFitConfig:
    """What is known of the lifter, with the dimensions given for the clips.

    Examples
    --------
    >>> given = arms_config({"stature_m": 1.80}, ArmFitConfig())
    >>> given.stature_m
    1.8
    """
    stature, upper = options.get("stature_m"), options.get("upper_arm_m")
    lifter = with_bar(AnalysisConfig(stature_m=stature, upper_arm_m=upper), config.barbell)
    return arm_config(replace(lifter, arms=config))
