"""Clips of one set from different places, measured together.

The one place where the results of several clips meet: the clocks (`pairing`), the joints in space
(`arms3d`), their statics (`stacking`), what a change would take (`advice`) and the rules (`rules`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis import pipeline
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.store import Note, SetResult, known_only_by_form, read_results
from barpath.errors import OptionError
from barpath.ground.uncertainty import combine, expand, grade, state
from barpath.lift import advice, rules, stacking
from barpath.lift.armmeasures import LEAST_SIGHT_DEG
from barpath.sight import pose
from barpath.space import armfit, armprior, arms3d, sights, steadying
from barpath.space.joints import near_side
from barpath.space.pairing import AMBIGUOUS, NO_MATCH, Sync, SyncConfig, synchronise

Floats = NDArray[np.float64]

SIDES = ("left", "right")
OTHER_END_FACTOR = 2.0
BAR_SIDEWAYS_SD_M = 0.005
"""How far the bar's middle wanders sideways where no clip from the feet shows it (our estimate)."""
COLUMNS = ["rep", "measure", "side", "value", "unit", "sd", "u95", "quality", "reason"]


@dataclass(frozen=True)
class PairSpec:
    """One measure of a pair: unit, label, meaning, source, and limits of good and fair."""

    unit: str
    label: str
    explanation: str
    source: str
    good_u95: float
    fair_u95: float


_WU = "Wu et al. (2005), J. Biomech. 38:981-992; trunk axis from the shoulder to the hip joints"
_PRACTICE = "common practice, no source"

CATALOGUE: dict[str, PairSpec] = {
    "elbow_abduction_deg": PairSpec(
        "deg",
        "Elbow abduction",
        "Thoracohumeral elevation with the bar on the chest: angle in space between the upper arm"
        " and the trunk's long axis; 0 is along the trunk, 90 straight out.",
        _WU,
        8.0,
        15.0,
    ),
    "tuck_deg": PairSpec(
        "deg", "Elbow tuck", "90 degrees less the elbow abduction.", _WU, 8.0, 15.0
    ),
    "elevation_plane_deg": PairSpec(
        "deg",
        "Plane of elevation",
        "Where the upper arm points around the trunk's long axis: 0 in the frontal plane, negative"
        " when the elbow has sunk behind it.",
        _WU,
        8.0,
        15.0,
    ),
    "abduction_in_frontal_deg": PairSpec(
        "deg",
        "Abduction in the frontal plane",
        "The elbow abduction as seen in the trunk's frontal plane.",
        _WU,
        8.0,
        15.0,
    ),
    "wrist_over_elbow_m": PairSpec(
        "m",
        "Wrist outside the elbow",
        "How far the wrist lies outside the elbow with the bar on the chest, seen from the feet.",
        _PRACTICE,
        0.02,
        0.04,
    ),
    "wrist_ahead_of_elbow_m": PairSpec(
        "m",
        "Wrist toward the head from the elbow",
        "How far the wrist lies nearer the head than the elbow, seen from the side.",
        _PRACTICE,
        0.02,
        0.04,
    ),
    "forearm_lean_deg": PairSpec(
        "deg",
        "Forearm lean, from the feet",
        "Angle of the forearm from the vertical in the frontal plane; wrist outside is positive.",
        _PRACTICE,
        5.0,
        10.0,
    ),
    "forearm_lean_side_deg": PairSpec(
        "deg",
        "Forearm lean, from the side",
        "Angle of the forearm from the vertical in the sagittal plane; wrist toward the head is"
        " positive.",
        _PRACTICE,
        5.0,
        10.0,
    ),
    "touch_toward_hips_m": PairSpec(
        "m",
        "Touch point toward the hips",
        "How far toward the feet from the middle of the shoulder joints the bar touches, along the"
        " level body.",
        _PRACTICE,
        0.03,
        0.06,
    ),
    "touch_over_shoulders_m": PairSpec(
        "m",
        "Touch point over the shoulders",
        "Height of the bar over the middle of the shoulder joints when it touches the chest.",
        _PRACTICE,
        0.03,
        0.06,
    ),
    "touch_left_of_midline_m": PairSpec(
        "m",
        "Bar left of the midline",
        "How far the bar's middle lies to the lifter's left of the middle between the shoulders.",
        _PRACTICE,
        0.02,
        0.04,
    ),
    "drift_touch_to_lockout_m": PairSpec(
        "m",
        "Horizontal way from touch to lockout",
        "How far lockout lies from the touch along the body; positive toward the head.",
        _PRACTICE,
        0.015,
        0.03,
    ),
    "bar_sideways_range_m": PairSpec(
        "m",
        "Sideways range of the bar",
        "How far the bar's middle wanders to the lifter's left and right in the press.",
        _PRACTICE,
        0.015,
        0.03,
    ),
    "bar_path_length_m": PairSpec(
        "m",
        "Length of the bar's path",
        "Length of the path of the bar's middle in space from the start of the press to lockout.",
        _PRACTICE,
        0.015,
        0.03,
    ),
    "wrist_spacing_m": PairSpec(
        "m", "Grip width", "Distance between the wrists along the bar.", _PRACTICE, 0.03, 0.06
    ),
}


@dataclass(frozen=True)
class PairConfig:
    """Settings of a pair.

    Attributes
    ----------
    sync, arms, hips, advice, rules
        Settings of the parts.
    shoulder_m : tuple of float
        Standard uncertainty of the shoulders along and out of the trunk that stays in the touch
        point whatever the fit says: of the size by which the network misplaces supine shoulders in
        the tuning clips of `sample_clips_synthetic`.
    bottom_margin_s, lockout_margin_s : float
        Frames with joints so close to an event stand for it.
    read_s : float
        A joint counts as read at a moment when it was in a frame so close to it.
    match_s : float
        The two clips' touches of one repetition lie no further apart.
    useless_factor : float
        A value whose 95 % half width is more than this many times the fair one is missing.
    """

    sync: SyncConfig = field(default_factory=SyncConfig)
    arms: armprior.ArmFitConfig = field(default_factory=armprior.ArmFitConfig)
    hips: arms3d.HipConfig = field(default_factory=arms3d.HipConfig)
    advice: advice.AdviceConfig = field(default_factory=advice.AdviceConfig)
    rules: rules.RulesConfig = field(default_factory=rules.RulesConfig)
    shoulder_m: tuple[float, float] = (0.008, 0.010)
    bottom_margin_s: float = 0.05
    lockout_margin_s: float = 0.25
    read_s: float = 0.1
    match_s: float = 0.5
    useless_factor: float = 4.0


@dataclass(frozen=True)
class PairResult:
    """Everything measured of one set from its two clips.

    Attributes
    ----------
    clips : tuple of SetResult
        The first one's clock and zero are those of the set.
    syncs : tuple of Sync
        From the first clip's clock to each other one's.
    near : str
        End of the bar, and arm, that the second clip sees: `'left'`, `'right'` or `''`.
    scale_rel_sd : float
        Relative standard uncertainty of lengths after both scales were joined.
    bar : DataFrame
        `time_s` (front clip's clock), `x_m, y_m, z_m` of the bar's middle, `sd_x_m, sd_y_m,
        sd_z_m`, `tilt_deg`, and `side_y_m` the side view's height on the front view's zero.
    reps : DataFrame
        `rep` (of the front clip), `kind` and times on the front clip's clock.
    arms : Arms3d or None
    joints : DataFrame
        `rep, moment, time_s, side, joint, x_m, y_m, z_m, sd_x_m, sd_y_m, sd_z_m, seen`.
    measures, stacking, options, rules : DataFrame
    advice : list of str
    profile : LifterProfile
    notes : list of Note
    """

    clips: tuple[SetResult, ...]
    syncs: tuple[Sync, ...]
    near: str
    scale_rel_sd: float
    bar: pd.DataFrame
    reps: pd.DataFrame
    arms: arms3d.Arms3d | None
    joints: pd.DataFrame
    measures: pd.DataFrame
    stacking: pd.DataFrame
    options: pd.DataFrame
    rules: pd.DataFrame
    advice: list[str]
    profile: advice.LifterProfile
    notes: list[Note]

    @property
    def front(self) -> SetResult:
        """The first clip, from the feet where there is one."""
        return self.clips[0]

    @property
    def side(self) -> SetResult:
        """The second clip."""
        return self.clips[1]

    @property
    def sync(self) -> Sync:
        """From the first clip's clock to the second's."""
        return self.syncs[0]


def elbow_heights(result: SetResult, margin_s: float = 0.05) -> dict[int, dict[str, rules.Value]]:
    """Elbow joint above the shoulder joint at the bottom of each repetition, from one view.

    Parameters
    ----------
    result : SetResult
    margin_s : float
        Frames with joints so close to the bottom stand for it.
    """
    if result.arms.empty:
        return {}
    reps = result.reps
    turn_deg = abs(float(result.calibration["plane_angle_deg"]))
    aside = not result.shows.arms_apart and turn_deg < LEAST_SIGHT_DEG
    ends = reps["press_s"].fillna(reps["touch_s"])
    spans = [(a - margin_s, b + margin_s) for a, b in zip(reps["touch_s"], ends, strict=True)]
    _, up, sd = arms3d.read_at(result.arms, spans)
    relative = float(result.calibration["scale_rel_sd"] or 0.0)
    out: dict[int, dict[str, rules.Value]] = {}
    for k, rep in enumerate(reps["rep"]):
        out[int(rep)] = {}
        for side in SIDES:
            rise = up[f"{side}_elbow"][k] - up[f"{side}_shoulder"][k]
            spread = combine(
                sd[f"{side}_elbow"][k], sd[f"{side}_shoulder"][k], relative * abs(rise)
            )
            if aside and side != result.calibration.get("near_arm"):
                value = rules.Value(reason=f"The {side} arm is behind the body in this view.")
            elif not math.isfinite(rise):
                value = rules.Value(reason=f"The {side} elbow or shoulder was not seen.")
            else:
                value = rules.Value(float(rise), spread)
            out[int(rep)][side] = value
    return out


def check_rules(result: SetResult, config: rules.RulesConfig | None = None) -> pd.DataFrame:
    """Check one clip's result against the rules of competition; see `rules.check`."""
    return rules.check(rules.facts_of(result, elbow_heights(result)), config)


def joined_reps(
    front: pd.DataFrame, side: pd.DataFrame, lag_s: float, match_s: float
) -> pd.DataFrame:
    """Repetitions of the front clip with the side clip's times of the same ones averaged in.

    Parameters
    ----------
    front, side : DataFrame
        Rep tables on their own clocks.
    lag_s : float
        Side clock less front clock.
    match_s : float
        Largest distance between the touches of one repetition.

    Returns
    -------
    DataFrame
        `rep, kind, side_rep` (NaN when not matched) and `start_s, touch_s, press_s, lockout_s,
        sticking_min_s` on the front clip's clock.
    """
    events = ("start_s", "touch_s", "press_s", "lockout_s", "sticking_min_s")
    rows = []
    for rep in front.itertuples():
        apart = (side["touch_s"] - lag_s - rep.touch_s).abs()
        other = side.loc[apart.idxmin()] if len(apart.dropna()) else None
        if other is not None and not apart.min() <= match_s:
            other = None
        row: dict[str, Any] = {"rep": int(rep.rep), "kind": rep.kind}
        row["side_rep"] = np.nan if other is None else float(other["rep"])
        for event in events:
            times = [getattr(rep, event, np.nan)]
            if other is not None and event in side:
                times.append(other[event] - lag_s)
            known = [t for t in times if math.isfinite(t)]
            # A sticking point that only one view has is no agreed one.
            agreed = len(known) == len(times) or event != "sticking_min_s"
            row[event] = float(np.mean(known)) if known and agreed else np.nan
        rows.append(row)
    return pd.DataFrame(rows, columns=["rep", "kind", "side_rep", *events])


@dataclass(frozen=True)
class _View:
    """A clip with what puts it into the set's time and space.

    Attributes
    ----------
    result : SetResult
    lag_s : float
        Its clock less the set's.
    factor, lift_m : float
        Its lengths times the factor, and heights raised by the lift, are the set's.
    """

    result: SetResult
    lag_s: float
    factor: float
    lift_m: float

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


def _bar_in_space(views: Sequence[_View]) -> pd.DataFrame:
    """The bar's middle at the first clip's times.

    Its height is that of the clip from the feet, which sees both ends, or else the mean; along the
    body every clip from aside counts by how well it knows such lengths.
    """
    first = views[0]
    time = first.result.trajectory["time_s"].to_numpy(dtype=float)
    heights = [v.factor * v.track("y_smooth_m", time) + v.lift_m for v in views]
    aside = [v for v in views if v.aside]
    weights = [1.0 / float(v.result.calibration["horizontal_rel_sd"] or 1.0) ** 2 for v in aside]
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


def _moments(
    reps: pd.DataFrame, config: PairConfig
) -> tuple[pd.DataFrame, list[tuple[float, float]]]:
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
            rows.append(
                {
                    "rep": rep.rep,
                    "moment": moment,
                    "time_s": time,
                }
            )
            spans.append((begin, end))
    return pd.DataFrame(rows, columns=["rep", "moment", "time_s"]), spans


@pipeline.one_blas_thread
def measure_clips(
    clips: Sequence[SetResult],
    profile: advice.LifterProfile | None = None,
    config: PairConfig | None = None,
) -> PairResult:
    """Measure one set from clips taken from two or more places.

    Parameters
    ----------
    clips : sequence of SetResult
        Results of the clips, from `analyse` or `store.read_results`; a clip from the feet comes
        first, if there is one.
    profile : LifterProfile, optional
    config : PairConfig, optional

    Returns
    -------
    PairResult

    Raises
    ------
    OptionError
        No clip was taken from aside, or the clips do not show the same set.
    """
    config, profile = config or PairConfig(), profile or advice.LifterProfile()
    clips = tuple(sorted(clips, key=lambda clip: clip.shows.along))
    if len(clips) < 2:
        raise OptionError("Two clips of the set are needed to measure them together.")
    if not clips[1].shows.along:
        names = " and ".join(f"'{clip.source_name}'" for clip in clips[:2])
        raise OptionError(
            f"Both {names} were filmed from the feet; the second clip must be from the side or at"
            " an angle."
        )
    front, side = clips[:2]
    syncs = tuple(_on_one_clock(front, other, config.sync) for other in clips[1:])
    near = near_side(pipeline.head_of(side))
    relative = [float(clip.calibration["scale_rel_sd"] or 0.0) for clip in clips]
    factors, scale_rel_sd = arms3d.combine_scales([1.0, *(one.scale for one in syncs)], relative)
    lags = [0.0, *(one.lag_s for one in syncs)]
    lifts = [0.0, *(factors[0] * one.offset_m for one in syncs)]
    views = [_View(*parts) for parts in zip(clips, lags, factors.tolist(), lifts, strict=True)]
    sync = syncs[0]
    bar = _bar_in_space(views)
    reps = joined_reps(front.reps, side.reps, sync.lag_s, config.match_s)
    notes = _notes(clips, syncs, reps)
    moments, spans = _moments(reps, config)
    bar_m = instants(bar, moments["time_s"].to_numpy(dtype=float)).bar_m
    usable = np.isfinite(bar_m).all(axis=1)
    moments = moments[usable].reset_index(drop=True)
    spans = [span for span, keep in zip(spans, usable, strict=True) if keep]
    arms = None
    told = all(near_side(pipeline.head_of(view.result)) for view in views if view.aside)
    if len(moments) and told and not any(clip.pose.empty for clip in clips):
        arms = _arms(views, bar, moments, spans, config)
    elif not told:
        notes.append(
            Note(
                "head_unknown",
                "warning",
                "Which way the lifter's head lies could not be told in every clip, so the arms"
                " were not recovered in space.",
            )
        )
    tilt_sd = tuple(float(r.calibration["tilt_sd_deg"] or 0.0) for r in (front, side))
    measures = _measures(arms, bar, reps, scale_rel_sd, tilt_sd, sync, config)
    load = front.options.get("load_kg") or side.options.get("load_kg")
    options = pd.DataFrame()
    said: list[str] = []
    stacked = pd.DataFrame()
    if arms is not None:
        stacked = stacking.stack(arms, load, tilt_sd)
        options, said = _advice(arms, scale_rel_sd, profile, config, notes)
    return PairResult(
        clips=clips,
        syncs=syncs,
        near=near,
        scale_rel_sd=scale_rel_sd,
        bar=bar,
        reps=reps,
        arms=arms,
        joints=_joint_rows(arms, [clip.view for clip in clips]),
        measures=measures,
        stacking=stacked,
        options=options,
        rules=_pair_rules(front, side, arms, reps, scale_rel_sd, config),
        advice=said,
        profile=profile,
        notes=notes,
    )


def _on_one_clock(first: SetResult, other: SetResult, config: SyncConfig) -> Sync:
    """Clock of another clip by its heights, held against the same end of the bar."""
    near = near_side(pipeline.head_of(other))
    end = f"{near}_y_m" if near and f"{near}_y_m" in first.trajectory else "y_smooth_m"
    if not first.shows.both_ends and near_side(pipeline.head_of(first)) != near:
        # They see opposite ends, which a tilting bar moves apart.
        config = replace(config, no_match_share=OTHER_END_FACTOR * config.no_match_share)
    sync = synchronise(
        first.trajectory["time_s"].to_numpy(dtype=float),
        first.trajectory[end].to_numpy(dtype=float),
        other.trajectory["time_s"].to_numpy(dtype=float),
        other.trajectory["y_smooth_m"].to_numpy(dtype=float),
        config,
    )
    if sync.verdict == NO_MATCH:
        raise OptionError(f"The clips do not show the same set: {sync.reason}")
    return sync


def _arms(
    views: Sequence[_View],
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
        one = pipeline.sighting_in(view.result, pipeline.place(view.result))
        if one is None:
            return None
        time_s = one.at.time_s - view.lag_s
        at = instants(bar, time_s)
        if view.aside:
            # Each clip's own path fits its picture best; what it cannot see the others tell.
            own = one.at.bar_m * view.factor + [0.0, view.lift_m, 0.0]
            at.bar_m[:, :2] = np.where(np.isfinite(at.bar_m[:, :2]), own[:, :2], np.nan)
        sight = one.sight.moved(view.factor, view.lift_m)
        sightings.append(replace(one, sight=sight, at=at))
    times = moments["time_s"].to_numpy(dtype=float)
    order = np.argsort(times, kind="stable")
    fit = armfit.fit_arms(sightings, arms_config(options, config.arms), instants(bar, times[order]))
    if fit is None:
        return None
    seen = [_hips_seen(v.result, sight) for v, sight in zip(views, fit.sights, strict=True)]
    bar_m = instants(bar, times).bar_m
    return arms3d.arms_at(fit, moments, spans, bar_m, seen, config.hips, config.read_s)


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
        for k, axis in enumerate("xyz"):
            place[:, k] = np.interp(times_s, own, table[f"{axis}_m"], left=np.nan, right=np.nan)
        tilt = np.deg2rad(np.interp(times_s, own, table["tilt_deg"].fillna(0.0)))
    axis = np.column_stack([np.zeros_like(tilt), np.sin(tilt), np.cos(tilt)])
    return sights.Instants(times_s, place, axis)


def _hips_seen(result: SetResult, sight: sights.Sight) -> arms3d.Seen:
    """The hips in one view: they keep still, so the median over the clip."""
    joints = steadying.steady(result.pose, result.camera, pose.points_in(result.pose))
    error = pipeline.config_of(result).reading_error
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


def arms_config(options: dict[str, Any], config: armprior.ArmFitConfig) -> armprior.ArmFitConfig:
    """What is known of the lifter, with the dimensions given for the clips.

    Examples
    --------
    >>> given = arms_config({"stature_m": 1.80}, armprior.ArmFitConfig())
    >>> given.stature_m
    1.8
    """
    stature, upper = options.get("stature_m"), options.get("upper_arm_m")
    lifter = AnalysisConfig(stature_m=stature, upper_arm_m=upper, arms=config)
    return pipeline.arm_config(lifter)


def _advice(
    arms: arms3d.Arms3d,
    scale_rel_sd: float,
    profile: advice.LifterProfile,
    config: PairConfig,
    notes: list[Note],
) -> tuple[pd.DataFrame, list[str]]:
    try:
        build = advice.build_of(arms, scale_rel_sd, profile, config.advice)
    except OptionError as error:
        notes.append(Note("no_advice", "warning", f"No grip was worked out: {error}"))
        return pd.DataFrame(), []
    table = advice.options(build, profile, config.advice)
    return table, advice.in_words(table, profile, config.advice)


def _notes(clips: Sequence[SetResult], syncs: Sequence[Sync], reps: pd.DataFrame) -> list[Note]:
    notes = []
    for sync in syncs:
        if sync.verdict == AMBIGUOUS:
            notes.append(Note("sync_ambiguous", "warning", sync.reason))
        if abs(sync.scale - 1) > 0.03:
            notes.append(
                Note(
                    "scales_differ",
                    "warning",
                    f"The clips' scales differ by {100 * abs(sync.scale - 1):.1f} %; check the"
                    " plate's diameter given for each.",
                )
            )
    lone = reps["side_rep"].isna().sum()
    if lone:
        notes.append(
            Note("reps_unmatched", "info", f"{lone} of the repetitions are in the first clip only.")
        )
    for result in clips:
        for note in result.notes:
            if note.severity == "warning":
                notes.append(
                    Note(note.code, "warning", f"{result.view.capitalize()} clip: {note.text}")
                )
    return notes


def _graded(
    rep: int, name: str, side: str, value: float, sd: float, reason: str, factor: float
) -> dict[str, Any]:
    spec = CATALOGUE[name]
    u95 = expand(sd) if math.isfinite(sd) else math.nan
    quality = grade(u95, spec.good_u95, spec.fair_u95)
    if not math.isfinite(value) or quality == "missing":
        quality, reason = "missing", reason or "It could not be worked out."
    elif u95 > factor * spec.fair_u95:
        quality = "missing"
        reason = f"It is too uncertain to be of use: {state(value, u95, spec.unit)}."
    elif quality != "good":
        reason = reason or "Most of its uncertainty comes from where the joints are."
    if quality == "missing":
        value = sd = u95 = math.nan
    row = [rep, name, side, value, spec.unit, sd, u95, quality, reason]
    return dict(zip(COLUMNS, row, strict=True))


def _arm_rows(
    arms: arms3d.Arms3d,
    k: int,
    rep: int,
    scale: float,
    tilt: tuple[float, float],
    config: PairConfig,
) -> list[dict[str, Any]]:
    """Measures of both arms, the touch and the grip at the bottom of one repetition."""
    factor = config.useless_factor
    rows = []
    frame = arms3d.trunk_frame(arms.joints_m[k, :, 0], arms.hips_m)
    frames = arms3d.trunk_frame(arms.draws_m[:, k, :, 0], arms.hip_draws_m)
    for s, side in enumerate(SIDES):
        out = arms3d.OUTWARD[s]
        joints, draws = arms.joints_m[k, s], arms.draws_m[:, k, s]
        angles = arms3d.humerus_angles(joints[1] - joints[0], frame, out)
        drawn = arms3d.humerus_angles(draws[:, 1] - draws[:, 0], frames, out)
        lean = arms3d.forearm_geometry(joints[1], joints[2], out)
        leans = arms3d.forearm_geometry(draws[:, 1], draws[:, 2], out)
        unread = [
            joint for j, joint in enumerate(arms3d.JOINTS[:2]) if not arms.seen[k, s, j].any()
        ]
        reason = f"The {side} {unread[0]} was read in no view." if unread else ""
        up = float(abs(joints[2, 1] - joints[1, 1]))
        for name, value, values, common in (
            ("elbow_abduction_deg", angles["elevation_deg"], drawn["elevation_deg"], tilt[1]),
            ("tuck_deg", 90 - angles["elevation_deg"], drawn["elevation_deg"], tilt[1]),
            ("elevation_plane_deg", angles["plane_deg"], drawn["plane_deg"], tilt[0]),
            (
                "abduction_in_frontal_deg",
                angles["in_frontal_deg"],
                drawn["in_frontal_deg"],
                tilt[1],
            ),
            ("forearm_lean_deg", lean["lean_out_deg"], leans["lean_out_deg"], tilt[0]),
            ("forearm_lean_side_deg", lean["lean_head_deg"], leans["lean_head_deg"], tilt[1]),
            (
                "wrist_over_elbow_m",
                lean["out_m"],
                leans["out_m"],
                combine(up * math.tan(math.radians(tilt[0])), scale * float(lean["out_m"])),
            ),
            (
                "wrist_ahead_of_elbow_m",
                lean["head_m"],
                leans["head_m"],
                combine(up * math.tan(math.radians(tilt[1])), scale * float(lean["head_m"])),
            ),
        ):
            found = math.nan if unread else float(value)
            sd = combine(float(np.std(values)), common)
            rows.append(_graded(rep, name, side, found, sd, reason, factor))
    shoulders, many = arms.joints_m[k, :, 0], arms.draws_m[:, k, :, 0]
    touch = arms3d.touch_geometry(arms.bar_m[k], shoulders)
    touches = arms3d.touch_geometry(arms.bar_m[k], many)
    along, out_of = config.shoulder_m
    for name, key, least in (
        ("touch_toward_hips_m", "toward_hips_m", along),
        ("touch_over_shoulders_m", "over_m", out_of),
        ("touch_left_of_midline_m", "left_m", 0.0),
    ):
        sd = combine(float(np.std(touches[key])), scale * float(touch[key]), least)
        rows.append(_graded(rep, name, "", float(touch[key]), sd, "", factor))
    grip = arms.joints_m[k, 0, 2, 2] - arms.joints_m[k, 1, 2, 2]
    grips = arms.draws_m[:, k, 0, 2, 2] - arms.draws_m[:, k, 1, 2, 2]
    sd = combine(float(np.std(grips)), scale * float(grip))
    rows.append(_graded(rep, "wrist_spacing_m", "", float(grip), sd, "", factor))
    return rows


def _bar_rows(
    bar: pd.DataFrame,
    rep: Any,
    scale: float,
    tilt: tuple[float, float],
    factor: float,
) -> list[dict[str, Any]]:
    """Measures of the bar's path in space in one press."""
    names = ("drift_touch_to_lockout_m", "bar_sideways_range_m", "bar_path_length_m")
    reason = ""
    inside = bar[(bar["time_s"] >= rep.press_s) & (bar["time_s"] <= rep.lockout_s)]
    path = inside[["x_m", "y_m", "z_m"]].to_numpy(dtype=float)
    if not (math.isfinite(rep.press_s) and math.isfinite(rep.lockout_s)):
        reason = "The press was not seen from its start to lockout."
    elif len(path) < 3 or not np.isfinite(path).all():
        reason = "The bar was not seen in both clips all through this press."
    if reason:
        return [_graded(int(rep.rep), n, "", math.nan, math.nan, reason, factor) for n in names]
    rise = float(np.ptp(path[:, 1]))
    sd_x, sd_z = (float(np.median(inside[f"sd_{a}_m"])) for a in "xz")
    at_touch = float(np.interp(rep.touch_s, bar["time_s"], bar["x_m"]))
    values = (
        (
            path[-1, 0] - at_touch,
            combine(math.sqrt(2) * sd_x, rise * math.tan(math.radians(tilt[1]))),
        ),
        (
            np.ptp(path[:, 2]),
            combine(math.sqrt(2) * sd_z, rise * math.tan(math.radians(tilt[0]))),
        ),
        (
            np.linalg.norm(np.diff(path, axis=0), axis=1).sum(),
            math.sqrt(2) * combine(sd_x, sd_z),
        ),
    )
    return [
        _graded(int(rep.rep), name, "", float(v), combine(sd, scale * abs(v)), "", factor)
        for name, (v, sd) in zip(names, values, strict=True)
    ]


def _measures(
    arms: arms3d.Arms3d | None,
    bar: pd.DataFrame,
    reps: pd.DataFrame,
    scale: float,
    tilt: tuple[float, float],
    sync: Sync,
    config: PairConfig,
) -> pd.DataFrame:
    factor = config.useless_factor
    arm_names = list(CATALOGUE)[:8]
    single = ["touch_toward_hips_m", "touch_over_shoulders_m", "touch_left_of_midline_m"]
    rows = []
    for rep in reps.itertuples():
        at = None
        if arms is not None:
            here = (arms.moments["rep"] == rep.rep) & (arms.moments["moment"] == "bottom")
            at = int(np.flatnonzero(here)[0]) if here.any() else None
        if arms is not None and at is not None:
            rows += _arm_rows(arms, at, int(rep.rep), scale, tilt, config)
        else:
            reason = "The bottom of this repetition was not seen by both clips."
            if arms is None:
                reason = "The arms were not recovered in space."
            for name in (*arm_names, *single, "wrist_spacing_m"):
                for side in SIDES if name in arm_names else ("",):
                    rows.append(
                        _graded(int(rep.rep), name, side, math.nan, math.nan, reason, factor)
                    )
        rows += _bar_rows(bar, rep, scale, tilt, factor)
    table = pd.DataFrame(rows, columns=COLUMNS)
    if sync.verdict == AMBIGUOUS:
        weak = table["quality"].isin(["good", "fair"])
        table.loc[weak, "quality"] = "poor"
        table.loc[weak, "reason"] = "Which repetitions of the two clips belong together is unsure."
    return table


def _joint_rows(arms: arms3d.Arms3d | None, names: Sequence[str]) -> pd.DataFrame:
    columns = ["rep", "moment", "time_s", "side", "joint"]
    columns += [f"{a}_m" for a in "xyz"] + [f"sd_{a}_m" for a in "xyz"] + ["read_in"]
    rows = []
    if arms is not None:
        spread = arms.draws_m.std(axis=0)
        for k, moment in enumerate(arms.moments.itertuples()):
            for s, side in enumerate(SIDES):
                for j, joint in enumerate(arms3d.JOINTS):
                    views = zip(names, arms.seen[k, s, j], strict=True)
                    read = " ".join(view for view, was_read in views if was_read)
                    place = [*arms.joints_m[k, s, j], *spread[k, s, j]]
                    about = [moment.rep, moment.moment, moment.time_s, side, joint]
                    rows.append([*about, *place, read])
    return pd.DataFrame(rows, columns=columns)


def _pair_rules(
    front: SetResult,
    side: SetResult,
    arms: arms3d.Arms3d | None,
    reps: pd.DataFrame,
    scale: float,
    config: PairConfig,
) -> pd.DataFrame:
    """Rules from the view, or both together, that tells each best."""
    elbows: dict[int, dict[str, rules.Value]] = {}
    if arms is not None:
        spread = arms.draws_m[..., 1, 1] - arms.draws_m[..., 0, 1]
        for k, moment in enumerate(arms.moments.itertuples()):
            if moment.moment != "bottom":
                continue
            elbows[int(moment.rep)] = {}
            for s, name in enumerate(SIDES):
                rise = float(arms.joints_m[k, s, 1, 1] - arms.joints_m[k, s, 0, 1])
                sd = combine(float(np.std(spread[:, k, s])), scale * abs(rise))
                read = arms.seen[k, s, :2].any(axis=1).all()
                elbows[int(moment.rep)][name] = (
                    rules.Value(rise, sd)
                    if read
                    else rules.Value(reason=f"The {name} elbow or shoulder was read in no view.")
                )
    facts = rules.facts_of(front, elbows)
    other = {one.rep: one for one in rules.facts_of(side)}
    partner = reps.set_index("rep")["side_rep"]
    joined = []
    for one in facts:
        match = other.get(partner.get(one.rep, math.nan))
        if match is not None:
            one = replace(
                one,
                drop=_surer(one.drop, match.drop),
                pause=_surer(one.pause, match.pause),
                touch_and_go=one.touch_and_go and match.touch_and_go,
            )
        joined.append(one)
    return rules.check(joined, config.rules, config.advice)


def _surer(one: rules.Value, other: rules.Value) -> rules.Value:
    """The value that is known better."""
    if not math.isfinite(one.value):
        return other
    if not math.isfinite(other.value):
        return one
    return one if one.sd <= other.sd else other


@dataclass(frozen=True)
class ClipOptions:
    """What is given for both clips; for a result folder only what it does not hold itself."""

    plate_mm: float | None = None
    load_kg: float | None = None
    stature_m: float | None = None


def read_or_analyse(
    given: Path, view: str, options: ClipOptions, progress: pipeline.Progress = pipeline.quiet
) -> SetResult:
    """Result of a clip, or of a result folder.

    Parameters
    ----------
    given : Path
        A clip, or a folder written by `store.write_results`.
    view : {'auto', 'front', 'side', 'oblique'}
    options : ClipOptions
        A plate's diameter that differs from a folder's measures it again from its detections.
    progress : callable, optional

    Returns
    -------
    SetResult
    """
    config = AnalysisConfig(load_kg=options.load_kg, stature_m=options.stature_m)
    if not given.is_dir():
        return pipeline.analyse(
            given, view=view, plate_mm=options.plate_mm, config=config, progress=progress
        )
    result = read_results(given)
    if options.plate_mm is not None and options.plate_mm != result.options["plate_mm"]:
        before = pipeline.config_of(result)
        calibration = replace(before.calibration, plate_mm=options.plate_mm)
        again = replace(before, calibration=calibration, plate_given=True)
        with known_only_by_form(given):
            result = pipeline.remeasure(result, again)
    for name in ("load_kg", "stature_m"):
        if getattr(options, name) is not None:
            result.options[name] = getattr(options, name)
    return result
