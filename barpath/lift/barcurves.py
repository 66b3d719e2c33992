"""The bar's way as curves of time, and what is known of the events of a repetition."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.errors import OptionError
from barpath.ground.uncertainty import combine, rectangular
from barpath.lift.measurerow import Found, MeasureContext, missing

FloatArray = NDArray[np.float64]

HIDDEN = "The bar was hidden for part of this repetition."
SETTLE_S = 0.15

_EVENT_NAMES = {
    "start": "the start of the descent",
    "touch": "the touch",
    "press": "the start of the press",
    "lockout": "lockout",
}


class Curve:
    """Cubic Hermite curve through values and slopes at sample times, NaN next to missing ones."""

    def __init__(self, time: FloatArray, value: FloatArray, slope: FloatArray) -> None:
        self.time, self.value, self.slope = time, value, slope

    def __call__(self, at: Any) -> Any:
        """Values at a time or at times; NaN outside."""
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


class BarCurves:
    """The bar's trajectory as curves of time, with the noise of position and speed."""

    def __init__(self, trajectory: pd.DataFrame, context: MeasureContext) -> None:
        def column(name: str) -> FloatArray:
            return trajectory[name].to_numpy(dtype=float)

        self.time = column("time_s")
        if len(self.time) < 2:
            raise OptionError("The trajectory must have at least two frames.")
        vx, vy, ay = column("vx_m_s"), column("vy_m_s"), column("ay_m_s2")
        self.x = Curve(self.time, column("x_smooth_m"), vx)
        self.y = Curve(self.time, column("y_smooth_m"), vy)
        self.vy = Curve(self.time, vy, ay)
        self.vx = Curve(self.time, vx, np.gradient(vx, self.time))
        self.ay = ay
        self.sd_m = column("sd_m")
        if "sd_vy_m_s" in trajectory:
            self.sd_v = column("sd_vy_m_s")
        else:
            # Noise that is flat up to the cut-off, differentiated: root mean square of 2 pi f.
            self.sd_v = self.sd_m * 2 * math.pi * context.cutoff_hz / math.sqrt(3)

    def sd_at(self, time: float) -> float:
        """Standard uncertainty of the place at a time, m."""
        return float(np.interp(time, self.time, self.sd_m))

    def sd_v_at(self, time: float) -> float:
        """Standard uncertainty of the upward speed at a time, m/s."""
        return float(np.interp(time, self.time, self.sd_v))

    def grid(self, begin: float, end: float) -> FloatArray:
        """Times from begin to end, four to a frame."""
        step = float(np.median(np.diff(self.time))) / 4
        return np.linspace(begin, end, max(round((end - begin) / step), 2) + 1)


def why_no_event(rep: Any, events: Iterable[str]) -> str:
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


def event_sd(rep: Any, event: str, context: MeasureContext) -> float:
    """Standard uncertainty of an event: noise of the speed and a quarter of a frame.

    Events are found between samples, so a frame's whole length would be too much.
    """
    noise = getattr(rep, f"{event}_sd_s", 0.0)
    noise = noise if math.isfinite(noise) else 0.0
    return combine(noise, rectangular(context.frame_interval_s / 4))


def time_between(rep: Any, first: str, last: str, context: MeasureContext) -> Found:
    """Time between two events."""
    reason = why_no_event(rep, (first, last))
    if reason:
        return missing(reason)
    value = getattr(rep, f"{last}_s") - getattr(rep, f"{first}_s")
    return Found(value, combine(*(event_sd(rep, e, context) for e in (first, last))))


def lowest_point(bar: BarCurves, rep: Any) -> tuple[float, float]:
    """Time and height of the lowest point on the chest."""
    times = bar.grid(rep.touch_s, max(rep.press_s, rep.touch_s))
    heights = bar.y(times)
    if not np.all(np.isfinite(heights)):
        return math.nan, math.nan
    k = int(np.argmin(heights))
    return float(times[k]), float(heights[k])


def extreme_sd(bar: BarCurves, time: float) -> float:
    """Standard uncertainty of a highest or lowest value.

    Noise always pushes an extreme outward, by about one standard deviation of the smoothed position
    over a second or two; the deviation is counted twice for that.
    """
    return math.sqrt(2) * bar.sd_at(time)
