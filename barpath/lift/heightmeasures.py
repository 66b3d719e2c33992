"""Measures of the bar's height: times, speeds, range of motion, the sticking region."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barpath.ground.uncertainty import combine
from barpath.lift.barcurves import (
    HIDDEN,
    BarCurves,
    event_sd,
    extreme_sd,
    lowest_point,
    time_between,
    why_no_event,
)
from barpath.lift.measurerow import Found, MeasureContext, missing

FloatArray = NDArray[np.float64]

STANDARD_GRAVITY_M_S2 = 9.80665


def height_measures(bar: BarCurves, rep: Any, context: MeasureContext) -> dict[str, Found]:
    """Measures that need only the height of the bar."""
    found = {
        "descent_time_s": time_between(rep, "start", "touch", context),
        "pause_s": time_between(rep, "touch", "press", context),
        "press_time_s": time_between(rep, "press", "lockout", context),
        "mean_descent_speed_m_s": _descent_speed(bar, rep, context),
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
    reason = why_no_event(rep, ("press", "lockout"))
    if reason:
        return found | dict.fromkeys(names, missing(reason))
    times = bar.grid(rep.press_s, rep.lockout_s)
    heights, speeds = bar.y(times), bar.vy(times)
    if not (np.all(np.isfinite(heights)) and np.all(np.isfinite(speeds))):
        return found | dict.fromkeys(names, missing(HIDDEN))

    found |= _press_speeds(bar, rep, context, times, found["press_time_s"].random)
    low_reason = why_no_event(rep, ("touch",))
    low_s, low_m = (math.nan, math.nan) if low_reason else lowest_point(bar, rep)
    if not math.isfinite(low_m):
        found["range_of_motion_m"] = missing(low_reason or HIDDEN)
    else:
        rom = float(heights[-1]) - low_m
        found["range_of_motion_m"] = Found(
            rom,
            combine(extreme_sd(bar, low_s), bar.sd_at(rep.lockout_s), context.camera_sd_m),
            context.scale_rel_sd * rom,
        )
    return found | _sticking(bar, rep, context, low_s, low_m, found["range_of_motion_m"].reason)


def _descent_speed(bar: BarCurves, rep: Any, context: MeasureContext) -> Found:
    """Mean speed from lockout to touch, down positive."""
    time = time_between(rep, "start", "touch", context)
    if time.reason:
        return missing(time.reason)
    heights = bar.y(bar.grid(rep.start_s, rep.touch_s))
    if not np.all(np.isfinite(heights)):
        return missing(HIDDEN)
    speed = float(heights[0] - heights[-1]) / time.value
    sd_fall = combine(bar.sd_at(rep.start_s), bar.sd_at(rep.touch_s), context.camera_sd_m)
    random = combine(sd_fall / time.value, speed * time.random / time.value)
    return Found(speed, random, context.scale_rel_sd * abs(speed))


def _press_speeds(
    bar: BarCurves, rep: Any, context: MeasureContext, times: FloatArray, sd_duration: float
) -> dict[str, Found]:
    """Mean, peak and mean propulsive speed of the press, whose length is known to `sd_duration`."""
    heights, speeds = bar.y(times), bar.vy(times)
    relative = context.scale_rel_sd
    sd_rise = combine(bar.sd_at(rep.press_s), bar.sd_at(rep.lockout_s), context.camera_sd_m)

    def mean_speed(gain: float, seconds: float) -> Found:
        speed = gain / seconds
        random = combine(sd_rise / seconds, speed * sd_duration / seconds)
        return Found(speed, random, relative * abs(speed))

    duration = rep.lockout_s - rep.press_s
    top = int(np.argmax(speeds))
    braking = np.interp(times, bar.time, bar.ay) < -STANDARD_GRAVITY_M_S2
    # Braking counts once the bar is on its way: not before the peak of the speed.
    braking[: top + 1] = False
    last = int(np.argmax(braking)) if np.any(braking) else len(times) - 1
    return {
        "mean_press_speed_m_s": mean_speed(heights[-1] - heights[0], duration),
        "peak_press_speed_m_s": Found(
            float(speeds[top]),
            bar.sd_v_at(times[top]),
            relative * float(speeds[top]),
        ),
        "mean_propulsive_speed_m_s": mean_speed(
            heights[last] - heights[0], float(times[last] - times[0])
        ),
    }


def _sticking(
    bar: BarCurves, rep: Any, context: MeasureContext, low_s: float, low_m: float, low_reason: str
) -> dict[str, Found]:
    """Measures of the sticking region."""
    names = (
        "sticking_start_after_press_s",
        "sticking_start_height_m",
        "sticking_depth_m",
        "sticking_min_speed_m_s",
    )
    if not math.isfinite(rep.sticking_start_s):
        reason = "There is no sticking region: the upward speed has no clear dip in this press."
        return dict.fromkeys(names, missing(reason))
    relative = context.scale_rel_sd
    start, slow = rep.sticking_start_s, rep.sticking_min_s
    sd_start = event_sd(rep, "sticking_start", context)
    speed = bar.vy(slow)
    found = {
        "sticking_start_after_press_s": Found(
            start - rep.press_s, combine(sd_start, event_sd(rep, "press", context))
        ),
        "sticking_min_speed_m_s": Found(speed, bar.sd_v_at(slow), relative * abs(speed)),
    }
    for name, event, time in (
        ("sticking_start_height_m", "sticking_start", start),
        ("sticking_depth_m", "sticking_min", slow),
    ):
        if not math.isfinite(low_m):
            found[name] = missing(low_reason)
            continue
        height = bar.y(time) - low_m
        by_time = abs(bar.vy(time)) * event_sd(rep, event, context)
        found[name] = Found(
            height,
            combine(bar.sd_at(time), extreme_sd(bar, low_s), by_time),
            relative * abs(height),
        )
    return found
