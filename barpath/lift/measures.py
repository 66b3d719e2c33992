"""What is reported of each repetition, with its uncertainty, quality and reason.

Every measure of `CATALOGUE` has a row for every repetition. What the view cannot give, what was
hidden, and what makes no sense for a failed repetition is there as ``"missing"`` with the reason.

Lengths and speeds are in the plane of the view (see DEVELOPERS.md). Uncertainties have two parts:
one that differs from repetition to repetition (noise, time resolution, joint positions) and one
common to the set (scale of the picture, tilt of the camera), combined after JCGM 100:2008. Angles
of the arm follow the axes of Wu et al. (2005), J. Biomech. 38:981-992: the long axis of the humerus
from shoulder to elbow, against the long axis of the thorax.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.integrate import trapezoid

from barpath.errors import OptionError
from barpath.ground.uncertainty import combine, expand, grade, mean_over_reps, rectangular, state
from barpath.lift.catalogue import CATALOGUE, VIEWS, MeasureSpec
from barpath.space import sights
from barpath.space.armfit import ArmFit
from barpath.space.smooth import SmoothConfig, smooth

FloatArray = NDArray[np.float64]

STANDARD_GRAVITY_M_S2 = 9.80665

_COLUMNS = [
    "rep",
    "measure",
    "side",
    "value",
    "unit",
    "sd",
    "u95",
    "quality",
    "reason",
    "sd_common",
]


@dataclass(frozen=True)
class MeasureContext:
    """What is the same for all repetitions of a clip.

    Parameters
    ----------
    view : str
        ``"side"``, ``"oblique"`` or ``"front"``.
    scale_rel_sd : float
        Relative standard uncertainty of vertical lengths and speeds.
    horizontal_rel_sd : float
        Relative standard uncertainty of horizontal lengths, which a slanted view makes larger.
    roll_sd_deg : float
        Standard uncertainty of the camera's roll against the vertical.
    camera_sd_m : float
        What a moving camera leaves in a displacement over a repetition.
    frame_interval_s : float
        Time between frames; an event is known no better than to half of it.
    cutoff_hz : float
        Cut-off of the smoothing, used for the noise of the speed where the trajectory does not
        state it.
    horizontal_trusted : bool
        Whether horizontal distances of this view may be believed.
    horizontal_reason : str
        Why not.
    lifter_found : bool
        Whether the lifter's joints were found.
    lifter_reason : str
        Why not.
    upper_arm_m, upper_arm_sd_m : float
        Length of the lifter's upper arm (shoulder joint to elbow joint) and its standard
        uncertainty; NaN when unknown.
    sight_to_bar_deg : float
        Angle between the line of sight and the bar: 90 from the feet, 0 from the side.
    trunk_axis_sd_deg : float
        How well the direction of the trunk's long axis is known. The default is our estimate for a
        lifter with an arched back on a level bench; no source.
    joint_window_s : float
        How far from an event a frame with joints may lie to stand for it.
    useless_factor : float
        A value whose 95 % half width is more than this many times `fair_u95` is missing.
    """

    view: str
    scale_rel_sd: float = 0.0
    horizontal_rel_sd: float = 0.0
    roll_sd_deg: float = 0.0
    camera_sd_m: float = 0.0
    frame_interval_s: float = 0.0
    cutoff_hz: float = 4.0
    horizontal_trusted: bool = True
    horizontal_reason: str = ""
    lifter_found: bool = True
    lifter_reason: str = ""
    upper_arm_m: float = math.nan
    upper_arm_sd_m: float = 0.0
    sight_to_bar_deg: float = 90.0
    trunk_axis_sd_deg: float = 2.5
    joint_window_s: float = 0.15
    useless_factor: float = 4.0

    def __post_init__(self) -> None:
        if self.view not in VIEWS:
            raise OptionError(f"The view must be one of {', '.join(VIEWS)}, not {self.view!r}.")


@dataclass(frozen=True)
class _Found:
    """A value with the random and the common part of its standard uncertainty, or the reason."""

    value: float = math.nan
    random: float = 0.0
    common: float = 0.0
    reason: str = ""


def _missing(reason: str) -> _Found:
    return _Found(reason=reason)


def _row(
    rep: int, spec: MeasureSpec, side: str, found: _Found, context: MeasureContext
) -> dict[str, Any]:
    """One row of the measure table, graded."""
    sd = combine(found.random, found.common)
    u95 = expand(sd)
    quality, reason = grade(u95, spec.good_u95, spec.fair_u95), found.reason
    value, common = found.value, found.common
    if not math.isfinite(value) or not math.isfinite(u95):
        quality = "missing"
        reason = reason or "It could not be worked out from what was seen of this repetition."
    elif u95 > context.useless_factor * spec.fair_u95:
        quality = "missing"
        reason = f"It is too uncertain to be of use: {state(value, u95, spec.unit)}."
    elif quality != "good" and not reason:
        cause = (
            "the scale of the picture and the tilt of the camera"
            if found.common > found.random
            else "where the joints are"
            if spec.needs_joints
            else "noise and the frame rate"
        )
        reason = f"Most of its uncertainty comes from {cause}."
    if quality == "missing":
        value = sd = u95 = common = math.nan
    return dict(
        zip(
            _COLUMNS,
            [rep, spec.name, side, value, spec.unit, sd, u95, quality, reason, common],
            strict=True,
        )
    )


class _Curve:
    """Cubic Hermite curve through values and slopes at sample times, NaN next to missing ones."""

    def __init__(self, time: FloatArray, value: FloatArray, slope: FloatArray) -> None:
        self.time, self.value, self.slope = time, value, slope

    def __call__(self, at: Any) -> Any:
        at = np.asarray(at, dtype=float)
        i = np.clip(np.searchsorted(self.time, at, side="right") - 1, 0, len(self.time) - 2)
        step = self.time[i + 1] - self.time[i]
        s = (at - self.time[i]) / step
        y0, y1 = self.value[i], self.value[i + 1]
        d0, d1 = self.slope[i] * step, self.slope[i + 1] * step
        result = (
            y0 * (1 + 2 * s) * (1 - s) ** 2
            + d0 * s * (1 - s) ** 2
            + y1 * s**2 * (3 - 2 * s)
            + d1 * s**2 * (s - 1)
        )
        outside = ~((at >= self.time[0] - 1e-9) & (at <= self.time[-1] + 1e-9))
        result = np.where(outside, np.nan, result)
        return float(result) if result.ndim == 0 else result


class _Bar:
    """The bar's trajectory as curves of time, with the noise of position and speed."""

    def __init__(self, trajectory: pd.DataFrame, context: MeasureContext) -> None:
        def column(name: str) -> FloatArray:
            return trajectory[name].to_numpy(dtype=float)

        self.time = column("time_s")
        if len(self.time) < 2:
            raise OptionError("The trajectory must have at least two frames.")
        vx, vy, ay = column("vx_m_s"), column("vy_m_s"), column("ay_m_s2")
        self.x = _Curve(self.time, column("x_smooth_m"), vx)
        self.y = _Curve(self.time, column("y_smooth_m"), vy)
        self.vy = _Curve(self.time, vy, ay)
        self.vx = _Curve(self.time, vx, np.gradient(vx, self.time))
        self.ay = ay
        self.sd_m = column("sd_m")
        if "sd_vy_m_s" in trajectory:
            self.sd_v = column("sd_vy_m_s")
        else:
            # Noise that is flat up to the cut-off, differentiated: root mean square of 2 pi f.
            self.sd_v = self.sd_m * 2 * math.pi * context.cutoff_hz / math.sqrt(3)

    def sd_at(self, time: float) -> float:
        return float(np.interp(time, self.time, self.sd_m))

    def sd_v_at(self, time: float) -> float:
        return float(np.interp(time, self.time, self.sd_v))

    def grid(self, begin: float, end: float) -> FloatArray:
        """Times from begin to end, four to a frame."""
        step = float(np.median(np.diff(self.time))) / 4
        return np.linspace(begin, end, max(round((end - begin) / step), 2) + 1)


_EVENT_NAMES = {
    "start": "the start of the descent",
    "touch": "the touch",
    "press": "the start of the press",
    "lockout": "lockout",
}


def _why_no_event(rep: Any, events: Iterable[str]) -> str:
    """Sentence telling why the first unknown of the events of a repetition is unknown, or ''."""
    for event in events:
        if math.isfinite(getattr(rep, f"{event}_s")):
            continue
        if event == "lockout" and rep.kind == "failed":
            return "The repetition failed: the bar did not get to lockout by itself."
        cut = getattr(rep, "cut", "")
        if event in ("start", "touch") and cut in ("start", "both"):
            return "The clip begins after the descent of this repetition had begun."
        if event in ("press", "lockout") and cut in ("end", "both"):
            return "The clip ends before this repetition is over."
        if event == "press" and rep.kind == "failed":
            return "The repetition failed: the bar did not leave the chest by itself."
        return f"The bar was not seen at {_EVENT_NAMES[event]}."
    return ""


def _event_sd(rep: Any, event: str, context: MeasureContext) -> float:
    """Standard uncertainty of an event: noise of the speed and half a frame."""
    noise = getattr(rep, f"{event}_sd_s", 0.0)
    noise = noise if math.isfinite(noise) else 0.0
    return combine(noise, rectangular(context.frame_interval_s / 2))


def _span(rep: Any, first: str, last: str, context: MeasureContext) -> _Found:
    """Time between two events."""
    reason = _why_no_event(rep, (first, last))
    if reason:
        return _missing(reason)
    value = getattr(rep, f"{last}_s") - getattr(rep, f"{first}_s")
    return _Found(value, combine(*(_event_sd(rep, e, context) for e in (first, last))))


_HIDDEN = "The bar was hidden for part of this repetition."
_SETTLE_S = 0.15


def _lowest(bar: _Bar, rep: Any) -> tuple[float, float]:
    """Time and height of the lowest point on the chest."""
    times = bar.grid(rep.touch_s, max(rep.press_s, rep.touch_s))
    heights = bar.y(times)
    if not np.all(np.isfinite(heights)):
        return math.nan, math.nan
    k = int(np.argmin(heights))
    return float(times[k]), float(heights[k])


def _extreme_sd(bar: _Bar, time: float) -> float:
    """Standard uncertainty of a highest or lowest value.

    Noise always pushes an extreme outward, by about one standard deviation of the smoothed position
    over a second or two; the deviation is counted twice for that.
    """
    return math.sqrt(2) * bar.sd_at(time)


def _vertical(bar: _Bar, rep: Any, context: MeasureContext) -> dict[str, _Found]:
    """Measures that need only the height of the bar."""
    found = {
        "descent_time_s": _span(rep, "start", "touch", context),
        "pause_s": _span(rep, "touch", "press", context),
        "press_time_s": _span(rep, "press", "lockout", context),
    }
    names = (
        "range_of_motion_m",
        "mean_press_speed_m_s",
        "peak_press_speed_m_s",
        "mean_propulsive_speed_m_s",
        "sticking_start_after_press_s",
        "sticking_start_height_m",
        "sticking_depth_m",
        "sticking_min_speed_m_s",
    )
    reason = _why_no_event(rep, ("press", "lockout"))
    if reason:
        return found | dict.fromkeys(names, _missing(reason))
    times = bar.grid(rep.press_s, rep.lockout_s)
    heights, speeds = bar.y(times), bar.vy(times)
    if not (np.all(np.isfinite(heights)) and np.all(np.isfinite(speeds))):
        return found | dict.fromkeys(names, _missing(_HIDDEN))

    relative = context.scale_rel_sd
    duration = rep.lockout_s - rep.press_s
    sd_duration = found["press_time_s"].random
    rise = heights[-1] - heights[0]
    sd_rise = combine(bar.sd_at(rep.press_s), bar.sd_at(rep.lockout_s), context.camera_sd_m)

    def mean_speed(gain: float, seconds: float) -> _Found:
        speed = gain / seconds
        random = combine(sd_rise / seconds, speed * sd_duration / seconds)
        return _Found(speed, random, relative * abs(speed))

    found["mean_press_speed_m_s"] = mean_speed(rise, duration)
    top = int(np.argmax(speeds))
    found["peak_press_speed_m_s"] = _Found(
        float(speeds[top]),
        combine(bar.sd_v_at(times[top]), context.camera_sd_m / duration),
        relative * float(speeds[top]),
    )
    braking = np.interp(times, bar.time, bar.ay) < -STANDARD_GRAVITY_M_S2
    # Braking counts once the bar is on its way: not before the peak of the speed.
    braking[: top + 1] = False
    last = int(np.argmax(braking)) if np.any(braking) else len(times) - 1
    found["mean_propulsive_speed_m_s"] = mean_speed(
        heights[last] - heights[0], float(times[last] - times[0])
    )

    low_reason = _why_no_event(rep, ("touch",))
    low_s, low_m = (math.nan, math.nan) if low_reason else _lowest(bar, rep)
    if not math.isfinite(low_m):
        no_low = _missing(low_reason or _HIDDEN)
        found["range_of_motion_m"] = no_low
    else:
        # The last millimetres come after the speed has fallen to the threshold of lockout.
        settle = bar.y(bar.grid(rep.lockout_s, min(rep.lockout_s + _SETTLE_S, bar.time[-1])))
        rom = float(np.nanmedian([heights[-1], *settle])) - low_m
        found["range_of_motion_m"] = _Found(
            rom,
            combine(_extreme_sd(bar, low_s), bar.sd_at(rep.lockout_s), context.camera_sd_m),
            relative * rom,
        )
    return found | _sticking(bar, rep, context, low_s, low_m, found["range_of_motion_m"].reason)


def _sticking(
    bar: _Bar, rep: Any, context: MeasureContext, low_s: float, low_m: float, low_reason: str
) -> dict[str, _Found]:
    """Measures of the sticking region."""
    names = (
        "sticking_start_after_press_s",
        "sticking_start_height_m",
        "sticking_depth_m",
        "sticking_min_speed_m_s",
    )
    if not math.isfinite(rep.sticking_start_s):
        reason = "There is no sticking region: the upward speed has no clear dip in this press."
        return dict.fromkeys(names, _missing(reason))
    relative = context.scale_rel_sd
    start, slow = rep.sticking_start_s, rep.sticking_min_s
    sd_start = _event_sd(rep, "sticking_start", context)
    speed = bar.vy(slow)
    found = {
        "sticking_start_after_press_s": _Found(
            start - rep.press_s, combine(sd_start, _event_sd(rep, "press", context))
        ),
        "sticking_min_speed_m_s": _Found(speed, bar.sd_v_at(slow), relative * abs(speed)),
    }
    for name, event, time in (
        ("sticking_start_height_m", "sticking_start", start),
        ("sticking_depth_m", "sticking_min", slow),
    ):
        if not math.isfinite(low_m):
            found[name] = _missing(low_reason)
            continue
        height = bar.y(time) - low_m
        by_time = abs(bar.vy(time)) * _event_sd(rep, event, context)
        found[name] = _Found(
            height,
            combine(bar.sd_at(time), _extreme_sd(bar, low_s), by_time),
            relative * abs(height),
        )
    return found


def _no_horizontal(context: MeasureContext) -> str:
    """Why horizontal distances along the body cannot be had, or ''."""
    if context.view == "front":
        return "A front view does not show movement toward the head or the feet."
    if not context.horizontal_trusted:
        return context.horizontal_reason or "Horizontal distances cannot be trusted in this clip."
    return ""


def _horizontal(bar: _Bar, rep: Any, context: MeasureContext) -> dict[str, _Found]:
    """Measures of the bar's path along the body."""
    names = ("horizontal_drift_total_m", "drift_touch_to_lockout_m", "path_length_ratio")
    reason = _no_horizontal(context)
    if reason:
        return dict.fromkeys(names, _missing(reason))
    relative, roll = context.horizontal_rel_sd, math.radians(context.roll_sd_deg)
    found = {}

    reason = _why_no_event(rep, ("touch", "lockout"))
    times = np.zeros(1) if reason else bar.grid(rep.touch_s, rep.lockout_s)
    x, y = bar.x(times), bar.y(times)
    if not reason and not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        reason = _HIDDEN
    if reason:
        found |= dict.fromkeys(names[:2], _missing(reason))
    else:
        low, high = int(np.argmin(x)), int(np.argmax(x))
        for name, a, b, sd_of in (
            (names[0], low, high, lambda t: _extreme_sd(bar, t)),
            (names[1], 0, len(x) - 1, bar.sd_at),
        ):
            value = float(x[b] - x[a])
            found[name] = _Found(
                value,
                combine(sd_of(times[a]), sd_of(times[b]), context.camera_sd_m),
                combine(relative * abs(value), abs(float(y[b] - y[a])) * math.tan(roll)),
            )
    reason = _why_no_event(rep, ("press", "lockout"))
    found[names[2]] = _missing(reason) if reason else _path_ratio(bar, rep)
    return found


def _path_ratio(bar: _Bar, rep: Any) -> _Found:
    """Path length over straight line, from press to lockout.

    Noise of the sideways speed makes the path longer by about ``sd² / (2 v)`` per second where the
    bar moves with speed v. This is taken off, and as much again is stated as uncertainty.
    """
    times = bar.grid(rep.press_s, rep.lockout_s)
    speed = np.hypot(bar.vx(times), bar.vy(times))
    straight = math.hypot(
        bar.x(rep.lockout_s) - bar.x(rep.press_s), bar.y(rep.lockout_s) - bar.y(rep.press_s)
    )
    if not (np.all(np.isfinite(speed)) and straight > 0):
        return _missing(_HIDDEN)
    sd_v = np.interp(times, bar.time, bar.sd_v)
    extra = float(trapezoid(sd_v**2 / (2 * np.maximum(speed, sd_v)), times)) / straight
    ratio = max(float(trapezoid(speed, times)) / straight - extra, 1.0)
    # A sideways error e of one end of a path that leans by the angle a changes it by about e tan a.
    lean = math.sqrt(ratio**2 - 1)
    sd = combine(bar.sd_at(rep.press_s), bar.sd_at(rep.lockout_s)) / straight
    return _Found(ratio, combine(extra, lean * sd, sd**2))


def _front_bar(
    trajectory: pd.DataFrame, reps: pd.DataFrame, context: MeasureContext
) -> list[dict[str, _Found]]:
    """Tilt of the bar and the time between its ends at lockout, for each repetition."""
    names = ("bar_tilt_deg", "bar_tilt_lockout_deg", "lockout_time_difference_s")
    if context.view != "front":
        reason = "It needs a front view: from this side the two ends of the bar lie in line."
        return [dict.fromkeys(names, _missing(reason)) for _ in range(len(reps))]
    if not {"tilt_deg", "left_y_m", "right_y_m"} <= set(trajectory.columns):
        reason = "The two ends of the bar were not followed."
        return [dict.fromkeys(names, _missing(reason)) for _ in range(len(reps))]
    time = trajectory["time_s"].to_numpy(dtype=float)
    # The same cut-off for both ends, so that filtering cannot shift one against the other.
    config = SmoothConfig(cutoff_hz=min(context.cutoff_hz, 0.4 / float(np.median(np.diff(time)))))
    tilt, left, right = (
        smooth(time, trajectory[c].to_numpy(dtype=float), config)
        for c in ("tilt_deg", "left_y_m", "right_y_m")
    )
    curve = _Curve(time, tilt.value, tilt.velocity)
    table = []
    for rep in reps.itertuples():
        reason = _why_no_event(rep, ("press", "lockout"))
        if reason:
            table.append(dict.fromkeys(names, _missing(reason)))
            continue
        step = float(np.median(np.diff(time))) / 4
        times = np.arange(rep.press_s, rep.lockout_s, step)
        values = np.abs(curve(times))
        at_end = curve(rep.lockout_s)
        sd_end = float(np.interp(rep.lockout_s, time, tilt.sd))
        found = dict.fromkeys(names[:2], _missing("An end of the bar was hidden."))
        if len(values) and np.all(np.isfinite(values)):
            k = int(np.argmax(values))
            sd = float(np.interp(times[k], time, tilt.sd))
            found["bar_tilt_deg"] = _Found(float(values[k]), sd, context.roll_sd_deg)
        if math.isfinite(at_end):
            found["bar_tilt_lockout_deg"] = _Found(at_end, sd_end, context.roll_sd_deg)
        ends = [_passes_95(time, s, rep) for s in (left, right)]
        if all(math.isfinite(t) for t, _ in ends):
            found[names[2]] = _Found(ends[0][0] - ends[1][0], combine(ends[0][1], ends[1][1]))
        else:
            found[names[2]] = _missing("An end of the bar was hidden.")
        table.append(found)
    return table


def _passes_95(time: FloatArray, end: Any, rep: Any) -> tuple[float, float]:
    """When one end of the bar passes 95 % of its rise in the press, with standard uncertainty."""
    curve = _Curve(time, end.value, end.velocity)
    step = float(np.median(np.diff(time))) / 4
    times = np.arange(rep.press_s, min(rep.lockout_s + 2 * _SETTLE_S, time[-1]), step)
    heights = curve(times)
    if len(heights) < 2 or not np.all(np.isfinite(heights)):
        return math.nan, math.nan
    level = heights[0] + 0.95 * (heights.max() - heights[0])
    k = int(np.argmax(heights >= level))
    if k == 0:
        return math.nan, math.nan
    share = (level - heights[k - 1]) / (heights[k] - heights[k - 1])
    at = float(times[k - 1] + share * step)
    speed = float(np.interp(at, time, end.velocity))
    # Both the crossing height and the level that is 95 % of the way to the top are uncertain.
    sd = math.sqrt(2) * float(np.interp(at, time, end.sd)) / max(speed, 1e-6)
    return at, sd


def bar_measures(
    trajectory: pd.DataFrame, reps: pd.DataFrame, context: MeasureContext
) -> pd.DataFrame:
    """Measures that need only the bar.

    Parameters
    ----------
    trajectory : pandas.DataFrame
        Trajectory table: ``time_s, x_smooth_m, y_smooth_m, vx_m_s, vy_m_s, ay_m_s2`` and ``sd_m``,
        the standard uncertainty of the smoothed position; ``sd_vy_m_s`` that of the speed, if
        there; in the front view also ``left_y_m, right_y_m`` (the lifter's left and right end) and
        ``tilt_deg`` (positive when the lifter's left end is higher).
    reps : pandas.DataFrame
        Rep table of `reps.find_reps`.
    context : MeasureContext
        View and common uncertainties.

    Returns
    -------
    pandas.DataFrame
        Measure table: ``rep, measure, side, value, unit, sd, u95, quality, reason`` and
        ``sd_common``, the part of `sd` shared by all repetitions. Every bar measure of `CATALOGUE`
        has a row for every repetition.

    Notes
    -----
    Times follow the events of `reps.find_reps`. The range of motion runs from the lowest point
    between touch and press to the median height in the 0.15 s from lockout on.
    ``sticking_depth_m`` is the height over that lowest point at the minimum of the speed. A roll of
    the camera by d shifts one end of a way of height h sideways by ``h tan d``.
    """
    bar = _Bar(trajectory, context)
    rows = []
    for rep, front in zip(reps.itertuples(), _front_bar(trajectory, reps, context), strict=True):
        found = _vertical(bar, rep, context) | _horizontal(bar, rep, context) | front
        rows += [
            _row(rep.rep, spec, "", found[spec.name], context)
            for spec in CATALOGUE.values()
            if not spec.needs_joints
        ]
    return pd.DataFrame(rows, columns=_COLUMNS)


LEAST_SIGHT_DEG = 20.0
"""Lengths along the bar are not given when the camera looks along it more closely than this."""
_ALONG_THE_BAR = "The camera looks along the bar, so distances along it cannot be seen."
ARM_MEASURES = ("wrist_over_elbow_m", "forearm_lean_deg", "elbow_abduction_deg", "tuck_deg")
_BRIDGED = "The elbow was hidden with the bar on the chest and bridged by what is known of arms."


@dataclass(frozen=True)
class _Joint:
    """Position of a joint in the plane of the view and its standard uncertainty, in m."""

    x: float
    y: float
    sd: float

    @property
    def seen(self) -> bool:
        return math.isfinite(self.x) and math.isfinite(self.y) and math.isfinite(self.sd)


def nearest_frames(
    time_s: FloatArray, begin_s: float, end_s: float, window_s: float
) -> NDArray[np.bool_]:
    """Which moments lie within a stretch; when none does, the nearest one within the window."""
    inside = (time_s >= begin_s) & (time_s <= end_s)
    if not np.any(inside) and len(time_s):
        distance = np.maximum(begin_s - time_s, time_s - end_s)
        nearest = int(np.argmin(distance))
        inside[nearest] = distance[nearest] <= window_s
    return inside


class _Joints:
    """Joint positions around a stretch of time."""

    def __init__(self, table: pd.DataFrame, window_s: float) -> None:
        self.table, self.window_s = table, window_s
        self.time = table["time_s"].to_numpy(dtype=float)

    def between(self, begin: float, end: float) -> pd.DataFrame:
        """Frames within the stretch; when there is none, the nearest one within the window."""
        return self.table[nearest_frames(self.time, begin, end, self.window_s)]

    @staticmethod
    def joint(frames: pd.DataFrame, name: str) -> _Joint:
        """Median position of a joint; errors of neighbouring frames are alike, so sd stays."""
        columns = [f"{name}_x_m", f"{name}_y_m", f"{name}_sd_m"]
        if not set(columns) <= set(frames.columns):
            return _Joint(math.nan, math.nan, math.nan)
        seen = frames[columns].dropna()
        if seen.empty:
            return _Joint(math.nan, math.nan, math.nan)
        x, y, sd = seen.median().tolist()
        return _Joint(x, y, sd)

    def hand(self, frames: pd.DataFrame, side: str) -> _Joint:
        """Middle of the hand on the bar, else the wrist."""
        hand = self.joint(frames, f"{side}_hand")
        if hand.seen:
            return hand
        wrist = self.joint(frames, f"{side}_wrist")
        # A wrist stands up to 2 cm beside the middle of the hand (our estimate, no source).
        return _Joint(wrist.x, wrist.y, combine(wrist.sd, rectangular(0.02)))


def _interval_sd(angle: float, low: float, high: float) -> float:
    """Standard uncertainty whose 95 % interval covers both ends of an angle's interval."""
    return max(abs(angle - low), abs(high - angle)) / expand(1.0)


def abduction_from_projection(
    seen_m: float,
    sd_m: float,
    length_m: float,
    length_sd_m: float,
    along_trunk: bool,
) -> tuple[float, float]:
    """Angle between upper arm and trunk from the length of the arm's projection.

    From the feet the camera looks along the trunk and sees the part across it, ``L sin(angle)``;
    from the side it sees the part along the trunk, ``L cos(angle)``.

    Parameters
    ----------
    seen_m : float
        Projected length across the trunk (not negative), or the component along it (positive toward
        the feet).
    sd_m : float
        Its standard uncertainty.
    length_m, length_sd_m : float
        True length of the upper arm and its standard uncertainty.
    along_trunk : bool
        Whether `seen_m` is the component along the trunk.

    Returns
    -------
    angle_deg, sd_deg : float
        Angle and standard uncertainty. The latter comes from the ends of the ratio's 95 % interval,
        since near 90 degrees from the front (near 0 from the side) the angle hardly changes the
        projection and a linear propagation fails. NaN when the projection is longer than the arm by
        more than that interval.

    Examples
    --------
    >>> angle, sd = abduction_from_projection(0.15, 0.0, 0.30, 0.0, along_trunk=False)
    >>> round(angle, 6)
    30.0
    """
    ratio = seen_m / length_m
    half = expand(combine(sd_m / length_m, ratio * length_sd_m / length_m))
    if abs(ratio) > 1 + half:
        return math.nan, math.nan
    ends = np.clip([ratio - half, ratio, ratio + half], -1.0, 1.0)
    low, angle, high = np.degrees(np.arccos(ends) if along_trunk else np.arcsin(ends))
    return float(angle), _interval_sd(float(angle), float(low), float(high))


def _arm(
    joints: _Joints, frames: pd.DataFrame, side: str, context: MeasureContext
) -> dict[str, _Found]:
    """Measures of one arm with the bar on the chest."""
    shoulder, elbow, wrist = (
        joints.joint(frames, f"{side}_{name}") for name in ("shoulder", "elbow", "wrist")
    )
    # From the feet the lifter's left is at the image's right, where x grows.
    outward = 1.0 if side == "left" else -1.0
    roll = math.radians(context.roll_sd_deg)
    found: dict[str, _Found] = {}
    forearm = ("wrist_over_elbow_m", "forearm_lean_deg")
    if context.view != "front":
        found |= dict.fromkeys(forearm, _missing("It needs a front view, from the feet."))
    elif not (elbow.seen and wrist.seen):
        reason = f"The {side} elbow or wrist was not seen with the bar on the chest."
        found |= dict.fromkeys(forearm, _missing(reason))
    else:
        out, up = outward * (wrist.x - elbow.x), wrist.y - elbow.y
        sd = combine(elbow.sd, wrist.sd)
        found["wrist_over_elbow_m"] = _Found(
            out, sd, combine(context.horizontal_rel_sd * abs(out), abs(up) * math.tan(roll))
        )
        lean = math.degrees(math.atan2(out, up))
        sd_deg = math.degrees(sd / max(math.hypot(out, up), 1e-9))
        found["forearm_lean_deg"] = _Found(lean, sd_deg, context.roll_sd_deg)
    abduction = _abduction(joints, frames, side, shoulder, elbow, context)
    found["elbow_abduction_deg"] = abduction
    found["tuck_deg"] = _Found(
        90.0 - abduction.value, abduction.random, abduction.common, abduction.reason
    )
    return found


def _abduction(
    joints: _Joints,
    frames: pd.DataFrame,
    side: str,
    shoulder: _Joint,
    elbow: _Joint,
    context: MeasureContext,
) -> _Found:
    """Angle between one upper arm and the trunk with the bar on the chest."""
    if context.view == "oblique":
        return _missing("From an oblique view the part of the upper arm in depth is not known.")
    if not math.isfinite(context.upper_arm_m):
        return _missing("The length of the upper arm is not known.")
    if not (shoulder.seen and elbow.seen):
        return _missing(f"The {side} shoulder or elbow was not seen with the bar on the chest.")
    dx, dy = elbow.x - shoulder.x, elbow.y - shoulder.y
    along = context.view == "side"
    if along:
        hip = joints.joint(frames, f"{side}_hip")
        trunk = np.array([hip.x - shoulder.x, hip.y - shoulder.y]) if hip.seen else [-1.0, 0.0]
        seen = float(np.dot([dx, dy], trunk) / np.linalg.norm(trunk))
    else:
        seen = math.hypot(dx, dy)
    length = context.upper_arm_m
    sd_seen = combine(shoulder.sd, elbow.sd)
    # The arm is seen partly along and partly across the scale's axes: the worse one counts.
    relative = max(context.scale_rel_sd, context.horizontal_rel_sd)
    sd_scale = combine(relative * length, context.upper_arm_sd_m)
    angle, sd = abduction_from_projection(seen, sd_seen, length, sd_scale, along)
    if not math.isfinite(angle):
        return _missing(
            f"The {side} upper arm looks longer than it is, so a joint or the scale must be wrong."
        )
    return _Found(angle, combine(sd, context.trunk_axis_sd_deg))


def _fitted_arm(
    arms: ArmFit, between: tuple[float, float], side: str, context: MeasureContext
) -> dict[str, _Found]:
    """Measures of one arm with the bar on the chest, from the arms fitted to the set.

    The angle between upper arm and trunk is taken in space; the trunk is taken as lying level along
    the bench (`context.trunk_axis_sd_deg`).
    """
    rows = nearest_frames(arms.time_s, *between, context.joint_window_s)
    rows &= np.isfinite(arms.points_m).all(axis=(1, 2, 3))
    if not rows.any():
        reason = "The lifter's arms were not seen with the bar on the chest."
        return dict.fromkeys(ARM_MEASURES, _missing(reason))
    a = sights.SIDES.index(side)
    best = np.median(arms.points_m[rows, a], axis=0)
    draws = np.median(arms.draws_m[:, rows, a], axis=1)

    def values(points: FloatArray) -> FloatArray:
        shoulder, elbow, wrist, _ = np.moveaxis(points, -2, 0)
        upper, forearm = elbow - shoulder, wrist - elbow
        out = forearm[..., 2] * sights.OUTWARD[a]
        lean = np.degrees(np.arctan2(out, forearm[..., 1]))
        toward_feet = -upper[..., 0] / np.linalg.norm(upper, axis=-1)
        return np.stack([out, lean, np.degrees(np.arccos(np.clip(toward_feet, -1, 1)))], axis=-1)

    (out, lean, abduction), spread = values(best), values(draws).std(axis=0)
    up = best[2, 1] - best[1, 1]
    tilt = up * math.tan(math.radians(context.roll_sd_deg))
    scale = max(context.scale_rel_sd, context.horizontal_rel_sd)
    reason = "" if _read(arms, rows, a) else _BRIDGED
    found = dict.fromkeys(ARM_MEASURES[:2], _missing(_ALONG_THE_BAR))
    if context.sight_to_bar_deg >= LEAST_SIGHT_DEG:
        found = {
            "wrist_over_elbow_m": _Found(out, spread[0], combine(scale * abs(out), tilt), reason),
            "forearm_lean_deg": _Found(lean, spread[1], context.roll_sd_deg, reason),
        }
    trunk = context.trunk_axis_sd_deg
    return found | {
        "elbow_abduction_deg": _Found(abduction, combine(spread[2], trunk), 0.0, reason),
        "tuck_deg": _Found(90.0 - abduction, combine(spread[2], trunk), 0.0, reason),
    }


def _read(arms: ArmFit, rows: NDArray[np.bool_], side: int) -> bool:
    """Whether the elbow was read in one of the frames and agreed with all else."""
    kept = arms.kept[rows, side, sights.SEEN.index("elbow")]
    return bool((np.nan_to_num(kept) > 0.3).any())


def _fitted_grip(arms: ArmFit, context: MeasureContext) -> dict[str, _Found]:
    """Grip width of the set, and against the shoulders."""
    names = ("grip_width_m", "grip_to_shoulder_ratio")
    if context.sight_to_bar_deg < LEAST_SIGHT_DEG:
        return dict.fromkeys(names, _missing(_ALONG_THE_BAR))
    (width, sd), (shoulders, shoulders_sd) = arms.grip_width_m, arms.shoulder_width_m
    ratio = width / shoulders
    return {
        names[0]: _Found(width, sd, context.horizontal_rel_sd * width),
        # The scale cancels in the ratio.
        names[1]: _Found(ratio, ratio * combine(sd / width, shoulders_sd / shoulders)),
    }


def _touch_point(
    joints: _Joints, frames: pd.DataFrame, bar: _Bar, rep: Any, context: MeasureContext
) -> dict[str, _Found]:
    """Where the bar touches the chest, against the shoulder that is known best."""
    names = ("touch_point_height_m", "touch_point_to_shoulder_m")
    reason = _no_horizontal(context)
    if not reason and getattr(rep, "short_of", "") in ("touch", "both"):
        reason = "The bar did not come down to the chest in this repetition."
    seen = [
        j
        for j in (joints.joint(frames, f"{side}_shoulder") for side in ("left", "right"))
        if j.seen
    ]
    if not reason and not seen:
        reason = "No shoulder was seen with the bar on the chest."
    if not reason and not (math.isfinite(bar.x(rep.touch_s)) and math.isfinite(bar.y(rep.touch_s))):
        reason = "The bar was not seen at the touch."
    if reason:
        return dict.fromkeys(names, _missing(reason))
    shoulder = min(seen, key=lambda j: j.sd)
    up, toward_feet = bar.y(rep.touch_s) - shoulder.y, shoulder.x - bar.x(rep.touch_s)
    random = combine(shoulder.sd, bar.sd_at(rep.touch_s))
    tilt = math.tan(math.radians(context.roll_sd_deg))
    scale, across = context.scale_rel_sd, context.horizontal_rel_sd
    return {
        names[0]: _Found(up, random, combine(scale * abs(up), abs(toward_feet) * tilt)),
        names[1]: _Found(toward_feet, random, combine(across * abs(toward_feet), abs(up) * tilt)),
    }


def _grip(joints: _Joints, rep: Any, context: MeasureContext) -> dict[str, _Found]:
    """Grip width over all frames from touch to lockout, and against the shoulders."""
    names = ("grip_width_m", "grip_to_shoulder_ratio")
    if context.view != "front":
        return dict.fromkeys(names, _missing("It needs a front view, from the feet."))
    end = rep.lockout_s if math.isfinite(rep.lockout_s) else rep.end_s
    frames = joints.between(rep.touch_s, end)
    left, right = (joints.hand(frames, side) for side in ("left", "right"))
    if not (left.seen and right.seen):
        return dict.fromkeys(names, _missing("A hand was not seen in this repetition."))
    width = math.hypot(left.x - right.x, left.y - right.y)
    sd = combine(left.sd, right.sd)
    found = {names[0]: _Found(width, sd, context.horizontal_rel_sd * width)}
    one, other = (joints.joint(frames, f"{side}_shoulder") for side in ("left", "right"))
    if not (one.seen and other.seen):
        found[names[1]] = _missing("A shoulder was not seen in this repetition.")
        return found
    shoulders = math.hypot(one.x - other.x, one.y - other.y)
    ratio = width / shoulders
    # The scale cancels in the ratio.
    found[names[1]] = _Found(
        ratio, ratio * combine(sd / width, combine(one.sd, other.sd) / shoulders)
    )
    return found


def joint_measures(
    joints_m: pd.DataFrame | None,
    trajectory: pd.DataFrame,
    reps: pd.DataFrame,
    context: MeasureContext,
    arms: ArmFit | None = None,
) -> pd.DataFrame:
    """Measures that need the lifter's joints.

    Parameters
    ----------
    joints_m : pandas.DataFrame or None
        One row a frame used: ``time_s`` and for each joint ``{joint}_x_m, {joint}_y_m`` in the
        coordinates of the trajectory and ``{joint}_sd_m``; NaN where not seen. None when no lifter
        was found.
    trajectory, reps, context
        As for `bar_measures`.
    arms : ArmFit, optional
        Arms fitted to the set; where there are any, the arms' measures come from them in space.

    Returns
    -------
    pandas.DataFrame
        Measure table (see `bar_measures`) with every joint measure of `CATALOGUE`, for each arm
        where `per_side`.

    Notes
    -----
    "On the chest" takes the median over the frames from touch to press. Joint errors of such close
    frames are alike, so their number does not make the uncertainty smaller.
    """
    bar = _Bar(trajectory, context)
    specs = [spec for spec in CATALOGUE.values() if spec.needs_joints]
    rows = []
    for rep in reps.itertuples():
        reason = ""
        if joints_m is None or not context.lifter_found:
            reason = context.lifter_reason or "The lifter was not found in the picture."
        reason = reason or _why_no_event(rep, ("touch",))
        if reason or joints_m is None:
            single = {spec.name: _missing(reason) for spec in specs}
            by_side = {"left": single, "right": single}
        else:
            joints = _Joints(joints_m, context.joint_window_s)
            low_end = rep.press_s if math.isfinite(rep.press_s) else rep.touch_s
            frames = joints.between(rep.touch_s, low_end)
            single = _touch_point(joints, frames, bar, rep, context)
            if arms is None:
                single |= _grip(joints, rep, context)
                by_side = {side: _arm(joints, frames, side, context) for side in sights.SIDES}
            else:
                single |= _fitted_grip(arms, context)
                span = (rep.touch_s, low_end)
                by_side = {s: _fitted_arm(arms, span, s, context) for s in sights.SIDES}
        for spec in specs:
            if spec.per_side:
                rows += [
                    _row(rep.rep, spec, side, found[spec.name], context)
                    for side, found in by_side.items()
                ]
            else:
                rows.append(_row(rep.rep, spec, "", single[spec.name], context))
    return pd.DataFrame(rows, columns=_COLUMNS)


def all_measures(
    trajectory: pd.DataFrame,
    reps: pd.DataFrame,
    joints_m: pd.DataFrame | None,
    context: MeasureContext,
    arms: ArmFit | None = None,
) -> pd.DataFrame:
    """Bar and joint measures in one table, by repetition and in the order of `CATALOGUE`.

    Parameters and result are those of `bar_measures` and `joint_measures`.
    """
    table = pd.concat(
        [
            bar_measures(trajectory, reps, context),
            joint_measures(joints_m, trajectory, reps, context, arms),
        ]
        if len(reps)
        else [bar_measures(trajectory, reps, context)],
        ignore_index=True,
    )
    order = {name: k for k, name in enumerate(CATALOGUE)}
    place = table["measure"].map(order)
    return (
        table.assign(_place=place)
        .sort_values(["rep", "_place", "side"], kind="stable", ignore_index=True)
        .drop(columns="_place")
    )


def wide(measures: pd.DataFrame) -> pd.DataFrame:
    """One row a repetition instead of one a measure.

    Parameters
    ----------
    measures : pandas.DataFrame
        Measure table.

    Returns
    -------
    pandas.DataFrame
        ``rep`` and, for each measure, ``name``, ``name_u95`` and ``name_quality``; of measures for
        each arm ``name_left``, ``name_left_u95``, … in the order of `CATALOGUE`.
    """
    columns = ["rep"]
    present = set(measures["measure"])
    for spec in CATALOGUE.values():
        if spec.name in present:
            sides = ("_left", "_right") if spec.per_side else ("",)
            for side in sides:
                columns += [f"{spec.name}{side}{end}" for end in ("", "_u95", "_quality")]
    rows: dict[int, dict[str, Any]] = {}
    for row in measures.itertuples():
        name = f"{row.measure}_{row.side}" if row.side else row.measure
        rows.setdefault(row.rep, {"rep": row.rep}).update(
            {name: row.value, f"{name}_u95": row.u95, f"{name}_quality": row.quality}
        )
    return pd.DataFrame(list(rows.values()), columns=columns)


def summarise(measures: pd.DataFrame, reps: pd.DataFrame) -> pd.DataFrame:
    """Mean, spread and range of each measure over the complete repetitions.

    Parameters
    ----------
    measures : pandas.DataFrame
        Measure table.
    reps : pandas.DataFrame
        Rep table, for the kinds.

    Returns
    -------
    pandas.DataFrame
        ``measure, side, unit, n, mean, mean_u95, sd, min, max`` over the complete repetitions that
        have the value; `mean_u95` counts what is common to all repetitions in full; `sd` is
        the sample standard deviation between repetitions, NaN for fewer than two. The last row,
        ``speed_loss``, has as its mean the loss of mean press speed in per cent from the first to
        the last complete repetition, negative when the last is faster; the scale cancels in it.
    """
    complete = reps.loc[reps["kind"] == "complete", "rep"]
    used = measures[measures["rep"].isin(complete) & (measures["quality"] != "missing")]
    rows = []
    for (name, side), group in _in_order(measures, used):
        row = {"measure": name, "side": side, "unit": CATALOGUE[name].unit, "n": len(group)}
        values = group["value"].to_numpy(dtype=float)
        if len(values):
            common = group["sd_common"].to_numpy(dtype=float)
            random = np.sqrt(np.maximum(group["sd"].to_numpy(dtype=float) ** 2 - common**2, 0.0))
            mean, sd = mean_over_reps(values, random, common)
            row |= {"mean": mean, "mean_u95": expand(sd), "min": values.min(), "max": values.max()}
            row["sd"] = float(np.std(values, ddof=1)) if len(values) > 1 else math.nan
        rows.append(row)
    rows.append(_speed_loss(used))
    columns = ["measure", "side", "unit", "n", "mean", "mean_u95", "sd", "min", "max"]
    return pd.DataFrame(rows, columns=columns)


def _in_order(
    measures: pd.DataFrame, used: pd.DataFrame
) -> Iterable[tuple[tuple[str, str], pd.DataFrame]]:
    """Rows of `used` for every measure and side that `measures` knows, in its order."""
    for name, side in dict.fromkeys(zip(measures["measure"], measures["side"], strict=True)):
        yield (name, side), used[(used["measure"] == name) & (used["side"] == side)]


def _speed_loss(used: pd.DataFrame) -> dict[str, Any]:
    """Row of the loss of mean press speed from first to last repetition, in per cent."""
    row: dict[str, Any] = {"measure": "speed_loss", "side": "", "unit": "%", "n": 0}
    speed = used[used["measure"] == "mean_press_speed_m_s"].sort_values("rep")
    if len(speed) < 2:
        return row
    ends: Sequence[Any] = list(speed.iloc[[0, -1]].itertuples())
    ratio = ends[1].value / ends[0].value
    relative = [math.sqrt(max(e.sd**2 - e.sd_common**2, 0.0)) / e.value for e in ends]
    sd = 100 * ratio * combine(*relative)
    return row | {"n": len(speed), "mean": 100 * (1 - ratio), "mean_u95": expand(sd)}
