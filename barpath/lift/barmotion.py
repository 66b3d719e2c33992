"""The bar's height and speed as samples, their turns and stops.

"Still" means slower than ``max(still_speed_m_s, still_n_sd * sd of the speed)``; this is called the
still speed, and share means the share of the set's range of motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from barpath.ground.choice import best_index
from barpath.ground.uncertainty import combine, rectangular
from barpath.space.smooth import SmoothConfig

FloatArray = NDArray[np.float64]

RISE_TIME = 0.35
"""Rise time (10 to 90 %) of a low-pass times its cut-off: ln 9 / 2 pi for a first-order system.

It is nearly so for Butterworth filters.
"""

SPREAD_TIMES = 1.5
"""How much of what a second smoothing moves the start or stop of a movement is taken back.

A first smoothing moves it about twice as far as a second (movements whose acceleration begins at
once or grows evenly, 0.7 to 1.4 s long, at 30 and 60 frames a second and cut-offs of 3 to 5 Hz:
`tests/test_reps.py` does it again); more noise would come with more.
"""


@dataclass(frozen=True)
class RepConfig:
    """Settings of the search for repetitions.

    Parameters
    ----------
    min_rom_m : float
        Least range of motion that can be a repetition.
    max_rack_travel_m : float
        A clip in which the bar never turns round at the bottom must show more travel than this to
        hold a repetition; unracking and reracking stay below it.
    min_share : float
        Least depth, as a share, to be counted at all.
    split_share : float
        The bar must rise to this share for a repetition to be over and another to begin.
    partial_share : float
        A repetition that stays this share short of the touch or of lockout is partial.
    turn_share : float
        Share that the bar must travel back before a turn is taken for one; what is smaller is a
        bounce.
    bounce_share : float
        Least share of a bounce on the chest, after which the press is taken to start anew.
    band_share : float
        Height over the lowest point, as a share, within which the bar is taken to lie on the chest.
    rack_share : float
        A bar that rests at the start or end of the clip above this share is racked, below it on the
        chest.
    still_speed_m_s, still_n_sd : float
        The still speed (see above).
    on_share, on_s : float
        A press that rises on by at least this share, so soon after a stop, was not locked out.
    settle_s : float
        How long the bar must stay at or below the still speed, or turn down, to be locked out.
    touch_and_go_s : float
        A turn with less stillness than this is touch-and-go.
    max_pause_s : float
        A bar that lies longer on the chest does not come up by itself.
    stall_s : float
        A bar that stands still this long halfway up does not come up by itself.
    sticking_dip_m_s, sticking_n_sd : float
        The speed must drop by at least this much (and this many standard deviations of the speed)
        between the first peak and the minimum for there to be a sticking region.
    rack_move_m : float
        A bar in the rack may be moved by this much, as when the grip is taken anew.
    rack_still_s : float
        How long the bar must rest for the place to be the rack.
    smooth : SmoothConfig
        Settings of the smoothing.
    """

    min_rom_m: float = 0.10
    max_rack_travel_m: float = 0.20
    min_share: float = 0.4
    split_share: float = 0.6
    partial_share: float = 0.15
    turn_share: float = 0.25
    bounce_share: float = 0.04
    band_share: float = 0.08
    rack_share: float = 0.25
    still_speed_m_s: float = 0.03
    still_n_sd: float = 2.5
    on_share: float = 0.06
    on_s: float = 0.35
    settle_s: float = 0.15
    touch_and_go_s: float = 0.2
    max_pause_s: float = 6.0
    stall_s: float = 1.5
    sticking_dip_m_s: float = 0.02
    sticking_n_sd: float = 3.0
    rack_move_m: float = 0.02
    rack_still_s: float = 0.5
    smooth: SmoothConfig = field(default_factory=SmoothConfig)


@dataclass
class Track:
    """Smoothed samples that are not missing.

    `still` is the still speed; `rise_s` the rise time of the smoothing, over which it spreads a
    sudden change of speed, so that an event is not known much better than to a part of it.
    `v_again` is the speed after the same smoothing was done once more.
    """

    t: FloatArray
    y: FloatArray
    v: FloatArray
    v_again: FloatArray
    sd_y: float
    sd_v: FloatArray
    still: float
    longest_step_s: float
    rise_s: float
    config: RepConfig

    def gap_before(self, i: int) -> bool:
        """Whether samples are missing between i - 1 and i."""
        return bool(self.t[i] - self.t[i - 1] > self.longest_step_s)

    def crossing(self, i: int, level: float) -> tuple[float, float]:
        """Time and its standard uncertainty at which the speed passes `level` before sample i.

        Smoothing spreads a sudden start or stop, so that the level is passed too early or too late.
        Smoothing once more does it again, by about half as much, and tells how much to take back
        (after Tukey's twicing, *Exploratory Data Analysis*, 1977; from memory).
        """
        if i < 1 or i >= len(self.t) or self.gap_before(i):
            return math.nan, math.nan
        v0, v1 = self.v[i - 1], self.v[i]
        step = self.t[i] - self.t[i - 1]
        share = 0.5 if v1 == v0 else float(np.clip((level - v0) / (v1 - v0), 0.0, 1.0))
        slope = abs(v1 - v0) / step
        noise = self.sd_v[i] / slope if slope > 0 else math.inf
        sd = combine(noise, rectangular(self.rise_s / 6))
        time = float(self.t[i - 1] + share * step)
        spread = SPREAD_TIMES * self._spread(time, level, float(np.sign(v1 - v0)))
        return time - spread, float(min(sd, 0.5))

    def _spread(self, time: float, level: float, sign: float) -> float:
        """By how much one smoothing more moves the nearest passing of `level` in its direction."""
        over = sign * (self.v_again - level) > 0
        turns = 1 + np.flatnonzero(over[1:] & ~over[:-1])
        if len(turns) == 0:
            return 0.0
        v0, v1 = self.v_again[turns - 1], self.v_again[turns]
        t0, t1 = self.t[turns - 1], self.t[turns]
        moved = t0 + (level - v0) / (v1 - v0) * (t1 - t0) - time
        least = float(moved[best_index(-np.abs(moved))[0]])
        return least if abs(least) < self.rise_s / 2 else 0.0

    def extreme(self, i: int) -> tuple[float, float]:
        """Time and standard uncertainty at which the speed passes zero next to the turn i."""
        for j in (i, i + 1):
            if 0 < j < len(self.t) and self.v[j - 1] * self.v[j] <= 0:
                return self.crossing(j, 0.0)
        return float(self.t[i]), rectangular(self.rise_s / 2)


def zigzag(y: FloatArray, threshold: float) -> list[tuple[int, int]]:
    """Alternating turning points (index, +1 top or -1 bottom) that are `threshold` apart.

    The first and last entries are the highest or lowest samples before the first and after the last
    turn; they need not be turns themselves.
    """
    low = high = 0
    direction = 0
    turns: list[tuple[int, int]] = []
    for i in range(1, len(y)):
        if direction >= 0 and y[i] > y[high]:
            high = i
        if direction <= 0 and y[i] < y[low]:
            low = i
        if direction >= 0 and y[high] - y[i] >= threshold:
            turns.append((high, 1))
            direction, low = -1, i
        elif direction <= 0 and y[i] - y[low] >= threshold:
            turns.append((low, -1))
            direction, high = 1, i
    if direction > 0:
        turns.append((high, 1))
    elif direction < 0:
        turns.append((low, -1))
    return turns


def first_stop(track: Track, begin: int, end: int, least: float) -> int | None:
    """First sample in [begin, end) above `least` at which an upward movement has come to rest.

    At rest: not faster than the still speed, and either turned down or no faster again within
    `settle_s`.
    """
    t, v = track.t, track.v
    for i in range(begin, end):
        if track.y[i] < least or v[i] > track.still:
            continue
        stop = int(np.searchsorted(t, t[i] + track.config.settle_s, side="right"))
        ahead = v[i : max(min(stop, end), i + 1)]
        faster = np.flatnonzero(ahead > track.still)
        if len(faster) == 0 or np.any(ahead[: faster[0]] < 0):
            return i
    return None


def last_stop(track: Track, begin: int, end: int) -> int | None:
    """Last sample in [begin, end) not moving down faster than the still speed."""
    still = np.flatnonzero(track.v[begin:end] >= -track.still)
    return begin + int(still[-1]) if len(still) else None


def stalls(track: Track, begin: int, end: int, bottom: float, rom: float) -> bool:
    """Whether the bar stands still in mid press for `stall_s`."""
    config = track.config
    share = (track.y[begin:end] - bottom) / rom
    quiet = (
        (np.abs(track.v[begin:end]) <= track.still)
        & (share > config.band_share)
        & (share < 1 - config.partial_share)
    )
    edges = np.flatnonzero(np.diff(np.concatenate([[0], quiet.astype(int), [0]])))
    return any(
        track.t[begin + b - 1] - track.t[begin + a] >= config.stall_s
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def vertex(track: Track, i: int) -> tuple[float, float]:
    """Time of a speed extreme from the parabola through three samples, and its uncertainty.

    The uncertainty has the change of speed that noise can feign, ``sd``, put into the parabola (the
    flatter an extreme, the less its time is known), and half the filter's rise time, within which
    an extreme between unequal flanks is pulled toward the flatter one.
    """
    t, v = track.t, track.v
    spread = rectangular(track.rise_s / 2)
    if i < 1 or i > len(t) - 2:
        return float(t[i]), spread
    step = (t[i + 1] - t[i - 1]) / 2
    bend = (v[i + 1] - 2 * v[i] + v[i - 1]) / step**2
    if bend == 0:
        return float(t[i]), combine(step, spread)
    offset = -(v[i + 1] - v[i - 1]) / (2 * step) / bend
    sd = combine(math.sqrt(2 * track.sd_v[i] / abs(bend)), spread)
    return float(t[i] + np.clip(offset, -step, step)), min(sd, 0.5)
