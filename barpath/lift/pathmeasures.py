"""Measures of the bar's path along the body, and of its tilt seen from the feet."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.integrate import trapezoid

from barpath.ground.uncertainty import combine, rectangular
from barpath.lift.barcurves import HIDDEN, SETTLE_S, BarCurves, Curve, extreme_sd, why_no_event
from barpath.lift.measurerow import Found, MeasureContext, missing
from barpath.space.smooth import SmoothConfig, smooth

FloatArray = NDArray[np.float64]


def why_no_horizontal(context: MeasureContext) -> str:
    """Why horizontal distances along the body cannot be had, or ''."""
    if not context.shows.along:
        return "A front view does not show movement toward the head or the feet."
    if not context.horizontal_trusted:
        return context.horizontal_reason or "Horizontal distances cannot be trusted in this clip."
    return ""


def path_measures(bar: BarCurves, rep: Any, context: MeasureContext) -> dict[str, Found]:
    """Measures of the bar's path along the body."""
    names = ("horizontal_drift_total_m", "drift_touch_to_lockout_m", "path_length_ratio")
    reason = why_no_horizontal(context)
    if reason:
        return dict.fromkeys(names, missing(reason))
    relative, roll = context.horizontal_rel_sd, math.radians(context.roll_sd_deg)
    found: dict[str, Found] = {}

    reason = why_no_event(rep, ("touch", "lockout"))
    times = np.zeros(1) if reason else bar.grid(rep.touch_s, rep.lockout_s)
    x, y = bar.x(times), bar.y(times)
    if not reason and not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        reason = HIDDEN
    if reason:
        found |= dict.fromkeys(names[:2], missing(reason))
    else:
        low, high = int(np.argmin(x)), int(np.argmax(x))
        for name, a, b, sd_of in (
            (names[0], low, high, lambda t: extreme_sd(bar, t)),
            (names[1], 0, len(x) - 1, bar.sd_at),
        ):
            value = float(x[b] - x[a])
            found[name] = Found(
                value,
                combine(sd_of(times[a]), sd_of(times[b]), context.camera_sd_m),
                combine(relative * abs(value), abs(float(y[b] - y[a])) * math.tan(roll)),
            )
    reason = why_no_event(rep, ("press", "lockout"))
    found[names[2]] = missing(reason) if reason else _path_ratio(bar, rep)
    return found


def _path_ratio(bar: BarCurves, rep: Any) -> Found:
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
        return missing(HIDDEN)
    sd_v = np.interp(times, bar.time, bar.sd_v)
    extra = float(trapezoid(sd_v**2 / (2 * np.maximum(speed, sd_v)), times)) / straight
    ratio = max(float(trapezoid(speed, times)) / straight - extra, 1.0)
    # A sideways error e of one end of a path that leans by the angle a changes it by about e tan a.
    lean = math.sqrt(ratio**2 - 1)
    sd = combine(bar.sd_at(rep.press_s), bar.sd_at(rep.lockout_s)) / straight
    return Found(ratio, combine(extra, lean * sd, sd**2))


def tilt_measures(
    trajectory: pd.DataFrame, reps: pd.DataFrame, context: MeasureContext
) -> list[dict[str, Found]]:
    """Tilt of the bar and the time between its ends at lockout, for each repetition."""
    names = ("bar_tilt_deg", "bar_tilt_lockout_deg", "lockout_time_difference_s")
    if not context.shows.both_ends:
        reason = "It needs a front view: from this side the two ends of the bar lie in line."
        return [dict.fromkeys(names, missing(reason)) for _ in range(len(reps))]
    if not {"tilt_deg", "left_y_m", "right_y_m"} <= set(trajectory.columns):
        reason = "The two ends of the bar were not followed."
        return [dict.fromkeys(names, missing(reason)) for _ in range(len(reps))]
    time = trajectory["time_s"].to_numpy(dtype=float)
    # The same cut-off for both ends, so that filtering cannot shift one against the other.
    config = SmoothConfig(cutoff_hz=min(context.cutoff_hz, 0.4 / float(np.median(np.diff(time)))))
    tilt, left, right = (
        smooth(time, trajectory[c].to_numpy(dtype=float), config)
        for c in ("tilt_deg", "left_y_m", "right_y_m")
    )
    curve = Curve(time, tilt.value, tilt.velocity)
    table = []
    for rep in reps.itertuples():
        reason = why_no_event(rep, ("press", "lockout"))
        if reason:
            table.append(dict.fromkeys(names, missing(reason)))
            continue
        step = float(np.median(np.diff(time))) / 4
        times = np.arange(rep.press_s, rep.lockout_s, step)
        values = np.abs(curve(times))
        at_end = curve(rep.lockout_s)
        sd_end = float(np.interp(rep.lockout_s, time, tilt.sd))
        found = dict.fromkeys(names[:2], missing("An end of the bar was hidden."))
        if len(values) and np.all(np.isfinite(values)):
            k = int(np.argmax(values))
            sd = float(np.interp(times[k], time, tilt.sd))
            found["bar_tilt_deg"] = Found(float(values[k]), sd, context.roll_sd_deg)
        if math.isfinite(at_end):
            found["bar_tilt_lockout_deg"] = Found(at_end, sd_end, context.roll_sd_deg)
        ends = [_passes_95(time, s, rep) for s in (left, right)]
        if all(math.isfinite(t) for t, _ in ends):
            found[names[2]] = Found(ends[0][0] - ends[1][0], combine(ends[0][1], ends[1][1]))
        else:
            found[names[2]] = missing("An end of the bar was hidden.")
        table.append(found)
    return table


def _passes_95(time: FloatArray, end: Any, rep: Any) -> tuple[float, float]:
    """When one end of the bar passes 95 % of its rise in the press, with standard uncertainty."""
    curve = Curve(time, end.value, end.velocity)
    step = float(np.median(np.diff(time))) / 4
    times = np.arange(rep.press_s, min(rep.lockout_s + 2 * SETTLE_S, time[-1]), step)
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
    # Both the crossing height and the level that is 95 % of the way to the top are uncertain, and
    # neighbouring frames err alike: of made clips a tenth of a frame to either side.
    noise = math.sqrt(2) * float(np.interp(at, time, end.sd)) / max(speed, 1e-6)
    return at, combine(noise, rectangular(0.4 * step))
