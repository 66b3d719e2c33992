"""A documented model of the bar's motion in a set of bench presses.

Each hand's end of the bar has a vertical speed made of smooth pieces: between knots the speed
follows a cubic with zero slope at both knots, so acceleration is continuous everywhere and zero at
every knot. A press has an early peak of speed, a dip (the sticking region), a second peak and
lockout, the shape described by Elliott, Wilson & Kerr (1989) and by van den Tillaar & Ettema (2010)
(from memory). The horizontal position follows the height: the bar comes down toward the feet and
returns over the shoulders, earlier or later on the way up (``early_return``). About a millimetre
of slow tremor is added; its vertical part only sags, so that the arms stay in reach, and turns at
its top with a jump of speed of up to 0.025 m/s.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from .body import Array


@dataclass(frozen=True)
class RepSpec:
    """One repetition.

    Attributes
    ----------
    descent_s, pause_s, press_s, hold_s
        Durations: down, on the chest, up, at lockout afterwards.
    dip
        Speed in the sticking region over the first peak's speed.
    second_peak
        Second peak's speed over the first's.
    touch_toward_feet_m
        How far the touch point lies from the shoulders' middle toward the feet.
    early_return
        -1 .. 1: how early on the way up the bar goes back over the shoulders.
    lockout_shift_m
        Bar's lockout position from the shoulders' middle, toward the head positive.
    depth_share
        1 touches the chest; less stops short (a partial rep).
    fail_share
        0 for a made rep; otherwise the share of the way up at which the bar stalls and sinks back.
    left_lag
        Left hand's press lasts longer by this share (negative: shorter).
    """

    descent_s: float = 1.3
    pause_s: float = 0.5
    press_s: float = 1.3
    hold_s: float = 0.8
    dip: float = 0.55
    second_peak: float = 1.05
    touch_toward_feet_m: float = 0.16
    early_return: float = 0.35
    lockout_shift_m: float = 0.0
    depth_share: float = 1.0
    fail_share: float = 0.0
    left_lag: float = 0.0


@dataclass(frozen=True)
class SetSpec:
    """A set of repetitions.

    Attributes
    ----------
    reps
        The repetitions in order.
    settle_s
        Time at lockout before the first descent.
    grip_width_m
        Distance between the hands' middles along the bar.
    grip_shift_m
        Hands' common middle from the bar's middle, toward the lifter's left.
    yaw_deg
        Bar's left end further toward the head, as an angle.
    unrack
        Start in the hooks and lift out first.
    tremor_m
        Size of the slow tremor.
    """

    reps: tuple[RepSpec, ...] = field(default_factory=lambda: (RepSpec(),) * 3)
    settle_s: float = 1.0
    grip_width_m: float = 0.80
    grip_shift_m: float = 0.0
    yaw_deg: float = 0.0
    unrack: bool = False
    rerack: bool = False
    tremor_m: float = 0.0012


@dataclass(frozen=True)
class Levels:
    """Heights the motion runs between: lockout and touch of each rep, and the hooks."""

    lockout_y_m: tuple[float, ...]
    touch_y_m: tuple[float, ...]
    hook_x_m: float
    hook_y_m: float


@dataclass(frozen=True)
class BarState:
    """Bar at one instant: middle (3,), axis (3,) from right to left, share of lockout height."""

    middle: Array
    axis: Array
    raised: float


class _Profile:
    """Position from knots of speed, with zero slope of speed at every knot."""

    def __init__(self, start: float) -> None:
        self.times: list[float] = [0.0]
        self.speeds: list[float] = [0.0]
        self.start = start

    def rest(self, duration_s: float) -> None:
        if duration_s > 0:
            self.times.append(self.times[-1] + duration_s)
            self.speeds.append(0.0)

    def move(self, distance: float, shares: Array, speeds: Array, duration_s: float) -> None:
        """Cover a distance in a duration with a speed shape that is 0 at both ends."""
        full = np.concatenate([[0.0], shares, [1.0]])
        shape = np.concatenate([[0.0], speeds, [0.0]])
        area = float(np.sum(np.diff(full) * (shape[1:] + shape[:-1]) / 2))
        scale = distance / (area * duration_s)
        begin = self.times[-1]
        self.times.extend(begin + duration_s * full[1:])
        self.speeds.extend(scale * shape[1:])

    def curve(self, end_s: float) -> CubicHermiteSpline:
        self.rest(max(end_s - self.times[-1], 0.1))
        speed = CubicHermiteSpline(self.times, self.speeds, np.zeros(len(self.times)))
        integral = speed.antiderivative()
        integral.c[-1] += self.start
        return integral


LIFT_M = 0.030
DESCENT_SHARES, DESCENT_SPEEDS = np.array([0.30, 0.65]), np.array([1.0, 0.85])


class BarMotion:
    """The bar's pose over the time of a set.

    Parameters
    ----------
    spec
        The set.
    levels
        Heights, one lockout and touch height a rep.
    seed
        Seed of the tremor.
    """

    def __init__(self, spec: SetSpec, levels: Levels, seed: int) -> None:
        self.spec, self.levels = spec, levels
        self.duration_s = self._duration()
        self.height = {side: self._heights(side, levels) for side in ("left", "right")}
        self.forward = self._places()
        rng = np.random.default_rng(seed)
        self._frequency = rng.uniform(0.3, 1.4, (2, 4))
        self._phase = rng.uniform(0, 2 * np.pi, (2, 4))

    def _lead_in(self) -> float:
        return 2.6 if self.spec.unrack else 0.0

    def _rep_time(self, rep: RepSpec) -> float:
        return rep.descent_s + rep.pause_s + rep.press_s + rep.hold_s

    def _duration(self) -> float:
        total = self._lead_in() + self.spec.settle_s + sum(map(self._rep_time, self.spec.reps))
        return total + (2.2 if self.spec.rerack else 0.0)

    def _heights(self, side: str, levels: Levels) -> CubicHermiteSpline:
        spec = self.spec
        top = levels.lockout_y_m[0]
        hump = (np.array([0.5]), np.array([1.0]))
        if spec.unrack:
            out = _Profile(levels.hook_y_m)
            out.rest(0.5)
            out.move(LIFT_M, *hump, 0.6)
            out.rest(0.2)
            out.move(top - levels.hook_y_m - LIFT_M, *hump, 1.3)
        else:
            out = _Profile(top)
        out.rest(spec.settle_s)
        y = top
        for rep, lock, touch in zip(spec.reps, levels.lockout_y_m, levels.touch_y_m, strict=True):
            bottom = lock + (touch - lock) * rep.depth_share
            out.move(bottom - y, DESCENT_SHARES, DESCENT_SPEEDS, rep.descent_s)
            out.rest(rep.pause_s)
            longer = rep.press_s * (1 + (rep.left_lag if side == "left" else 0.0))
            if rep.fail_share > 0:
                rise = rep.fail_share * (lock - bottom)
                out.move(rise, np.array([0.25, 0.6]), np.array([1.0, 0.22]), 0.55 * longer)
                out.move(-rise, np.array([0.4, 0.75]), np.array([0.7, 1.0]), 0.45 * longer)
                out.rest(rep.hold_s + rep.press_s - longer)
                y = bottom
                continue
            out.move(
                lock - bottom,
                np.array([0.22, 0.46, 0.76]),
                np.array([1.0, rep.dip, rep.second_peak]),
                longer,
            )
            out.rest(rep.hold_s + rep.press_s - longer)
            y = lock
        if spec.rerack:
            out.move(levels.hook_y_m + LIFT_M - y, *hump, 1.2)
            out.rest(0.2)
            out.move(-LIFT_M, *hump, 0.6)
        return out.curve(self.duration_s)

    def _places(self) -> list[tuple[float, float, float, float, float, float]]:
        """Rows of start time, x at top, x at bottom, shape, height at top, height at bottom."""
        spec, levels = self.spec, self.levels
        time = self._lead_in() + spec.settle_s
        rows, top_x = [], spec.reps[0].lockout_shift_m
        for rep, lock, touch in zip(spec.reps, levels.lockout_y_m, levels.touch_y_m, strict=True):
            bottom = lock + (touch - lock) * rep.depth_share
            low_x = top_x + (-rep.touch_toward_feet_m - top_x) * rep.depth_share
            rows.append((time, top_x, low_x, -0.15, lock, bottom))
            next_x = rep.lockout_shift_m
            rows.append(
                (
                    time + rep.descent_s + rep.pause_s / 2,
                    next_x,
                    low_x,
                    rep.early_return,
                    lock,
                    bottom,
                )
            )
            time += self._rep_time(rep)
            top_x = next_x
        return rows

    def _x(self, time_s: float, y_m: float) -> float:
        spec, levels = self.spec, self.levels
        if spec.unrack and time_s < self._lead_in():
            return self._x_from_hooks(y_m, spec.reps[0].lockout_shift_m, levels.lockout_y_m[0])
        if spec.rerack and time_s > self.duration_s - 2.2:
            return self._x_from_hooks(y_m, spec.reps[-1].lockout_shift_m, levels.lockout_y_m[-1])
        row = self.forward[0]
        for candidate in self.forward:
            if candidate[0] <= time_s:
                row = candidate
        _, top_x, low_x, bend, top, bottom = row
        share = float(np.clip((y_m - bottom) / (top - bottom), 0, 1))
        share = share + bend * share * (1 - share)
        return low_x + (top_x - low_x) * share

    def _x_from_hooks(self, y_m: float, x_m: float, top_m: float) -> float:
        """Place between hooks and lockout: a straight line, which lies within the arms' reach."""
        low = self.levels.hook_y_m + LIFT_M
        share = float(np.clip((y_m - low) / (top_m - low), 0, 1))
        return self.levels.hook_x_m + (x_m - self.levels.hook_x_m) * share

    def at(self, time_s: float) -> BarState:
        """Bar at a time, seconds from the start of the set."""
        spec, levels = self.spec, self.levels
        clipped = float(np.clip(time_s, 0.0, self.duration_s))
        left = float(self.height["left"](clipped))
        right = float(self.height["right"](clipped))
        y = (left + right) / 2
        x = self._x(clipped, y)
        high, low = max(levels.lockout_y_m), min(levels.touch_y_m)
        raised = float(np.clip((y - low) / (high - low), 0, 1))
        wave = np.sin(2 * np.pi * self._frequency * clipped + self._phase).sum(axis=1) / 2
        shake = spec.tremor_m * wave * (0.3 + 0.7 * raised)
        tilt = np.arctan2(left - right, spec.grip_width_m)
        yaw = np.radians(spec.yaw_deg)
        axis = np.array([np.sin(yaw) * np.cos(tilt), np.sin(tilt), np.cos(yaw) * np.cos(tilt)])
        middle = np.array([x + shake[0], y - abs(shake[1]), 0.0]) - spec.grip_shift_m * axis
        return BarState(middle, axis, raised)


__all__ = ["BarMotion", "BarState", "Levels", "RepSpec", "SetSpec"]
