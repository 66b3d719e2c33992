"""Made heights of a bar with exactly known events, for the tests of `reps` and `measures`.

The speed is a chain of smooth steps (cubics with zero slope at both ends), so peaks and minima of
the speed lie at known times and the height is its exact integral. Nothing of the code under test is
used here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, PPoly
from scipy.optimize import brentq

FloatArray = NDArray[np.float64]


@dataclass
class TrueRep:
    """What is true of one made repetition; times in s, speeds in m/s, heights in m."""

    kind: str
    still_before_s: float = np.nan
    bottom_s: float = np.nan
    leaves_chest_s: float = np.nan
    still_after_s: float = np.nan
    peak1_s: float = np.nan
    minimum_s: float = np.nan
    peak2_s: float = np.nan
    peak1_m_s: float = np.nan
    minimum_m_s: float = np.nan
    rom_m: float = np.nan
    touch_and_go: bool = False


@dataclass
class Motion:
    """A bar's height built from steps of its speed."""

    height0_m: float = 0.0
    times: list[float] = field(default_factory=lambda: [0.0])
    speeds: list[float] = field(default_factory=lambda: [0.0])
    reps: list[TrueRep] = field(default_factory=list)

    @property
    def now(self) -> float:
        return self.times[-1]

    @property
    def height_now(self) -> float:
        t, v = np.array(self.times), np.array(self.speeds)
        return self.height0_m + float(np.sum(np.diff(t) * (v[1:] + v[:-1]) / 2))

    def step(self, duration_s: float, speed_m_s: float) -> None:
        """Let the speed go smoothly to `speed_m_s` within `duration_s`."""
        self.times.append(self.now + duration_s)
        self.speeds.append(speed_m_s)

    def hold(self, duration_s: float) -> None:
        if duration_s > 0:
            self.step(duration_s, 0.0)

    def move(self, by_m: float, duration_s: float, rise: float = 0.35) -> None:
        """Move by `by_m`; speed up and slow down over the share `rise` of the time each."""
        speed = by_m / (duration_s * (1 - rise))
        self.step(rise * duration_s, speed)
        self.step((1 - 2 * rise) * duration_s, speed)
        self.step(rise * duration_s, 0.0)

    def dip_press(self, by_m: float, duration_s: float, dip: float, peak2: float = 1.2) -> TrueRep:
        """Press with a first peak, a minimum at `dip` times it and a second peak; or none."""
        truth = TrueRep("complete", leaves_chest_s=self.now, rom_m=by_m)
        shares = np.array([0.22, 0.24, 0.3, 0.24]) * duration_s
        speeds = np.array([0.0, 1.0, dip, peak2, 0.0])
        scale = by_m / float(np.sum(shares * (speeds[1:] + speeds[:-1]) / 2))
        begin = self.now
        for share, speed in zip(shares, speeds[1:] * scale, strict=True):
            self.step(float(share), float(speed))
        truth.peak1_s, truth.minimum_s, truth.peak2_s = begin + np.cumsum(shares)[:3]
        truth.peak1_m_s, truth.minimum_m_s = scale, scale * dip
        truth.still_after_s = self.now
        return truth

    def bounce(self, size_m: float, period_s: float) -> None:
        """Up and down again to the same height."""
        self.move(size_m, period_s / 2)
        self.move(-size_m, period_s / 2)

    def rep(
        self,
        rom_m: float = 0.38,
        descent_s: float = 1.4,
        pause_s: float = 0.5,
        press_s: float = 1.6,
        dip: float = 0.5,
        top_share: float = 1.0,
        chest_bounce_m: float = 0.0,
        lockout_bounce_m: float = 0.0,
        kind: str = "complete",
    ) -> TrueRep:
        """One repetition from here down and up; `top_share` 1 comes back to where it began."""
        before = self.now
        self.move(-rom_m, descent_s)
        bottom = self.now
        if chest_bounce_m:
            self.hold(pause_s / 2)
            self.bounce(chest_bounce_m, 0.5)
        self.hold(pause_s)
        if dip < 1:
            truth = self.dip_press(rom_m * top_share, press_s, dip)
        else:
            truth = TrueRep("complete", leaves_chest_s=self.now, rom_m=rom_m)
            self.move(rom_m * top_share, press_s)
            truth.still_after_s = self.now
        if lockout_bounce_m:
            self.bounce(-lockout_bounce_m, 0.4)
            self.bounce(0.6 * lockout_bounce_m, 0.35)
        truth.kind, truth.still_before_s, truth.bottom_s = kind, before, bottom
        truth.touch_and_go = pause_s < 0.1
        self.reps.append(truth)
        return truth

    def failed_rep(
        self, rom_m: float = 0.38, stall_share: float = 0.5, stall_s: float = 0.6
    ) -> TrueRep:
        """Down, halfway up, a stall, and down to the chest again."""
        truth = TrueRep("failed", still_before_s=self.now, rom_m=rom_m)
        self.move(-rom_m, 1.4)
        truth.bottom_s = self.now
        self.hold(0.4)
        truth.leaves_chest_s = self.now
        self.move(rom_m * stall_share, 1.8)
        self.hold(stall_s)
        self.move(-rom_m * stall_share, 1.2)
        self.reps.append(truth)
        return truth

    def curve(self) -> PPoly:
        """Height as a piecewise polynomial of time."""
        speed = CubicHermiteSpline(self.times, self.speeds, np.zeros(len(self.times)))
        height = speed.antiderivative()
        height.c[-1] += self.height0_m
        return height

    def passes(self, level_m_s: float, begin_s: float, end_s: float) -> float:
        """Time in a stretch of monotone speed at which the speed passes a level."""
        speed = self.curve().derivative()
        return float(brentq(lambda t: speed(t) - level_m_s, begin_s, end_s))

    def sample(
        self, fps: float, noise_m: float = 0.0, seed: int = 0, drift_m_s: float = 0.0
    ) -> tuple[FloatArray, FloatArray]:
        """Times and noisy heights at a frame rate."""
        time = np.arange(0.0, self.now, 1.0 / fps)
        noise = np.random.default_rng(seed).normal(0.0, noise_m, len(time))
        return time, self.curve()(time) + noise + drift_m_s * time


def plain_set(n_reps: int, racked: bool = True, **rep: float) -> Motion:
    """A set of equal repetitions, out of and back into a rack 6 cm below lockout."""
    motion = Motion(1.0)
    if racked:
        motion.hold(1.5)
        motion.move(0.08, 0.8)
        motion.move(-0.02, 0.6)
    motion.hold(1.0)
    for _ in range(n_reps):
        motion.rep(**rep)
        motion.hold(0.8)
    if racked:
        motion.move(0.02, 0.5)
        motion.move(-0.08, 0.8)
        motion.hold(1.5)
    return motion


def random_set(seed: int) -> tuple[FloatArray, FloatArray, list[str], str]:
    """A set with random oddities: times, noisy heights, the true kinds, and a description.

    Any rack height, grip taken anew, walk-out, bounces on the chest and at lockout, pauses up to
    5 s, slow and fast lifts, sticking dips, partial and failed repetitions, a spotter, drift up to
    10 cm over the clip (4 cm over a short one), short gaps, 24 to 240 frames a second.
    """
    rng = np.random.default_rng(seed)
    motion, kinds, said = Motion(float(rng.uniform(0, 2))), [], []
    n_reps = int(rng.integers(9, 31)) if rng.random() < 0.1 else int(rng.integers(1, 9))
    rom = float(rng.uniform(0.22, 0.5))
    rack = str(rng.choice(["none", "below", "above", "level"]))
    lift = {"below": rng.uniform(0.03, 0.12), "above": -rng.uniform(0.03, 0.08)}.get(rack, 0.0)
    said.append(f"rack {rack}")
    if rack != "none":
        motion.hold(float(rng.uniform(0.8, 3)))
        if rng.random() < 0.4:
            said.append("grip taken anew")
            for _ in range(3):
                motion.bounce(float(rng.uniform(0.004, 0.012)), 0.6)
                motion.hold(0.3)
            motion.hold(0.8)
        clear = float(rng.uniform(0.02, 0.04))
        motion.move(max(lift, 0.0) + clear, float(rng.uniform(0.5, 1.2)))
        if rng.random() < 0.5:
            said.append("walk-out")
            motion.hold(0.1)
            motion.bounce(-0.02, 0.7)
        motion.move(min(lift, 0.0) - clear, float(rng.uniform(0.5, 1)))
    motion.hold(float(rng.uniform(0.5, 2.5)))
    slow, quick_turn = rng.random() < 0.3, rng.random() < 0.4
    said += ["slow"] * slow + ["touch-and-go"] * quick_turn
    for k in range(n_reps):
        manner = {
            "descent_s": float(rng.uniform(1.5, 4) if slow else rng.uniform(0.7, 2.5)),
            "pause_s": 0.0 if quick_turn else float(rng.choice([0.4, 1.0, rng.uniform(0.2, 5)])),
            "press_s": float(rng.uniform(2, 4.5) if slow else rng.uniform(0.8, 2)),
            "dip": float(rng.choice([1.0, rng.uniform(0.15, 0.85)])),
        }
        odd = rng.random()
        few = kinds.count("partial") < (n_reps - 1) // 3
        if odd < 0.04 and few:
            said.append(f"shallow {k + 1}")
            motion.rep(rom * float(rng.uniform(0.5, 0.75)), **manner)
            kinds.append("partial")
        elif odd < 0.08 and few:
            said.append(f"short {k + 1}")
            share = float(rng.uniform(0.66, 0.8))
            motion.rep(rom, top_share=share, **manner)
            motion.hold(float(rng.uniform(0.1, 0.8)))
            motion.rep(rom * share, top_share=1 / share, **manner)
            kinds += ["partial", "complete"]
        else:
            chest = rng.random() < 0.15 and not quick_turn
            top = rng.random() < 0.3
            said += [f"chest bounce {k + 1}"] * chest + [f"lockout bounce {k + 1}"] * top
            motion.rep(
                rom * float(rng.uniform(0.96, 1.04)),
                chest_bounce_m=float(rng.uniform(0.01, 0.1 * rom)) if chest else 0.0,
                lockout_bounce_m=float(rng.uniform(0.01, 0.04)) if top else 0.0,
                **manner,
            )
            kinds.append("complete")
        motion.hold(float(rng.choice([0.0, rng.uniform(0.1, 2.5)])))
    ending = rng.random()
    if ending < 0.15:
        said.append("falls back")
        motion.failed_rep(rom, float(rng.uniform(0.32, 0.55)), float(rng.uniform(0.1, 1.2)))
        kinds.append("failed")
        motion.hold(float(rng.uniform(0.5, 3)))
        if rng.random() < 0.6:
            said.append("spotter lifts")
            motion.move(rom - max(lift, 0.0), 2.0)
            motion.hold(1.5)
    elif ending < 0.25:
        said.append("stalls, spotter lifts")
        motion.hold(0.5)
        motion.move(-rom, 1.5)
        motion.hold(0.5)
        share = float(rng.uniform(0.3, 0.7))
        motion.move(rom * share, 1.5)
        motion.hold(float(rng.uniform(2.0, 3.0)))
        motion.move(rom * (1 - share), 1.5)
        motion.hold(1.0)
        kinds.append("failed")
    elif rack != "none" and ending < 0.85:
        said.append("racked again")
        motion.hold(float(rng.uniform(0.3, 1)))
        motion.move(max(-lift, 0.0) + 0.03, 0.5)
        motion.move(-0.03 - max(lift, 0.0), float(rng.uniform(0.5, 1)))
        motion.hold(float(rng.uniform(0.3, 2)))
    else:
        motion.hold(float(rng.uniform(0.3, 1)))
    fps = float(rng.choice([24, 25, 30, 50, 60, 120, 240]))
    noise = float(rng.choice([0.0005, 0.002, 0.005]))
    drift = float(rng.choice([0.0, rng.uniform(-1, 1)])) * min(0.1 / motion.now, 0.001)
    time, height = motion.sample(fps, noise, seed, drift)
    if rng.random() < 0.3:
        said.append("gaps")
        for at in rng.integers(0, len(time), 5):
            height[at : at + int(0.15 * fps)] = np.nan
    said.append(f"{fps:g} fps, noise {noise * 1000:g} mm, drift {drift * 1000:.1f} mm/s")
    return time, height, kinds, ", ".join(said)
