"""Phases and repetitions of a set, from the bar's height alone.

A repetition goes from lockout down to the chest and up again. The heights of lockout and touch are
not known beforehand; they are taken robustly from the set itself, so neither the rack's height nor
a single shallow or failed repetition decides them.

All events rest on the smoothed height and speed (`smooth.smooth`) and are interpolated between
samples. "Still" means slower than ``max(still_speed_m_s, still_n_sd * sd of the speed)``; this is
called the still speed below, and share means the share of the set's range of motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import signal, stats

from barpath.ground.uncertainty import combine, rectangular
from barpath.space.smooth import SmoothConfig, smooth

FloatArray = NDArray[np.float64]

# Rise time (10 to 90 %) of a low-pass times its cut-off: ln 9 / 2 pi = 0.35 for a first-order
# system and nearly so for Butterworth filters.
_RISE_TIME = 0.35

PHASES = (
    "rack",
    "unrack",
    "lockout",
    "descent",
    "pause",
    "press",
    "sticking",
    "rerack",
    "",
)

_EVENTS = (
    "start",
    "touch",
    "press",
    "peak1",
    "sticking_start",
    "sticking_min",
    "sticking_end",
    "lockout",
    "end",
)


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
    settle_s: float = 0.15
    touch_and_go_s: float = 0.2
    max_pause_s: float = 6.0
    stall_s: float = 1.5
    sticking_dip_m_s: float = 0.02
    sticking_n_sd: float = 3.0
    rack_move_m: float = 0.02
    rack_still_s: float = 0.5
    smooth: SmoothConfig = field(default_factory=SmoothConfig)


@dataclass(frozen=True)
class SetEvents:
    """When the bar left the rack and came back, and the levels of the set.

    Attributes
    ----------
    unrack_s : float
        The bar starts to leave the rack; NaN when the clip does not show it.
    settled_s : float
        The bar comes to rest at the lockout from which the first repetition starts.
    rerack_start_s : float
        The bar leaves the last lockout (or the end of the last failed repetition) for the rack.
    rerack_s : float
        The bar comes to rest in the rack.
    lockout_level_m, touch_level_m : float
        Heights common to the set, in the coordinate of the input at the first sample.
    drift_m_s : float
        Slow drift of the height that was taken out before levels were compared.
    still_speed_m_s : float
        The still speed that was used.
    starts_high, ends_high : bool
        The clip begins, and ends, with the bar in the upper part of the way, so that a movement
        there is one from or to the rack and not part of a repetition.
    """

    unrack_s: float = math.nan
    settled_s: float = math.nan
    rerack_start_s: float = math.nan
    rerack_s: float = math.nan
    lockout_level_m: float = math.nan
    touch_level_m: float = math.nan
    drift_m_s: float = 0.0
    still_speed_m_s: float = math.nan
    starts_high: bool = False
    ends_high: bool = False


@dataclass
class _Track:
    """Smoothed samples that are not missing.

    `still` is the still speed; `rise_s` the rise time of the smoothing, over which it spreads a
    sudden change of speed, so that an event is not known much better than to a part of it.
    """

    t: FloatArray
    y: FloatArray
    v: FloatArray
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
        """Time and its standard uncertainty at which the speed passes `level` before sample i."""
        if i < 1 or i >= len(self.t) or self.gap_before(i):
            return math.nan, math.nan
        v0, v1 = self.v[i - 1], self.v[i]
        step = self.t[i] - self.t[i - 1]
        share = 0.5 if v1 == v0 else float(np.clip((level - v0) / (v1 - v0), 0.0, 1.0))
        slope = abs(v1 - v0) / step
        noise = self.sd_v[i] / slope if slope > 0 else math.inf
        sd = combine(noise, rectangular(self.rise_s / 6))
        return float(self.t[i - 1] + share * step), float(min(sd, 0.5))

    def extreme(self, i: int) -> tuple[float, float]:
        """Time and standard uncertainty at which the speed passes zero next to the turn i."""
        for j in (i, i + 1):
            if 0 < j < len(self.t) and self.v[j - 1] * self.v[j] <= 0:
                return self.crossing(j, 0.0)
        return float(self.t[i]), rectangular(self.rise_s / 2)


def _zigzag(y: FloatArray, threshold: float) -> list[tuple[int, int]]:
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


def _first_stop(track: _Track, begin: int, end: int, least: float) -> int | None:
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


def _last_stop(track: _Track, begin: int, end: int) -> int | None:
    """Last sample in [begin, end) not moving down faster than the still speed."""
    still = np.flatnonzero(track.v[begin:end] >= -track.still)
    return begin + int(still[-1]) if len(still) else None


def _levels(track: _Track) -> tuple[float, float, float] | None:
    """Lockout level, touch level (both at the first sample) and drift in m/s, or None."""
    config, t, y = track.config, track.t, track.y
    span = float(np.subtract(*np.percentile(y, [99.5, 0.5])))
    turns = _zigzag(y, max(0.5 * config.min_rom_m, config.turn_share * span, 6 * track.sd_y))
    found = []
    inner = any(0 < k < len(turns) - 1 for k, (_, kind) in enumerate(turns) if kind < 0)
    least = config.min_rom_m if inner else config.max_rack_travel_m
    for k, (i, kind) in enumerate(turns):
        edge = k == 0 or k == len(turns) - 1
        if kind > 0 or (inner and edge):
            continue
        before = turns[k - 1][0] if k > 0 else None
        after = turns[k + 1][0] if k + 1 < len(turns) else None
        depth = max(y[j] - y[i] for j in (before, after) if j is not None)
        found.append((i, before, after, depth))
    deepest = max((depth for *_, depth in found), default=0.0)
    if deepest < least:
        return None
    bottoms, tops, starts = [], [], []
    for i, before, after, depth in found:
        if depth < 0.5 * deepest:
            continue
        bottoms.append((t[i], y[i]))
        if before is not None:
            # A rack above lockout lies in the same descent: the last stop in it is lockout.
            high = np.flatnonzero(y[before:i] < y[i] + 0.6 * (y[before] - y[i]))
            stop = _last_stop(track, before, before + int(high[0]) if len(high) else i)
            top = before if stop is None else stop
            tops.append((t[top], y[top]))
            starts.append(len(tops) - 1)
        if after is not None:
            stop = _first_stop(track, i, after + 1, y[i] + 0.75 * (y[after] - y[i]))
            top = after if stop is None else stop
            tops.append((t[top], y[top]))
    low, high = np.array(bottoms), np.array(tops)
    drift = _drift(low, high)
    low_y = low[:, 1] - drift * (low[:, 0] - t[0])
    high_y = high[:, 1] - drift * (high[:, 0] - t[0])
    # Upper median of the places where descents begin, less those halfway up: neither a first
    # descent that begins at a high rack nor a second try from halfway up decides it.
    floor = low_y.min()
    begins = np.sort(high_y[starts or slice(None)])
    begins = begins[begins - floor >= 0.6 * (begins[-1] - floor)]
    ceiling = begins[len(begins) // 2]
    touch = np.median(low_y[ceiling - low_y >= 0.75 * (ceiling - floor)])
    lockout = np.median(high_y[np.abs(high_y - ceiling) <= 0.25 * (ceiling - touch)])
    if lockout - touch < config.min_rom_m:
        return None
    return float(lockout), float(touch), drift


def _drift(bottoms: FloatArray, tops: FloatArray) -> float:
    """Slope in m/s that bottoms and tops agree on (Theil-Sen), 0 when they do not.

    Both 95 % intervals must lie on the same side of zero, which needs at least five bottoms.
    """
    if len(bottoms) < 5:
        return 0.0
    fits = [stats.theilslopes(part[:, 1], part[:, 0]) for part in (bottoms, tops)]
    if all(f.low_slope > 0 for f in fits) or all(f.high_slope < 0 for f in fits):
        return float(np.mean([f.slope for f in fits]))
    return 0.0


@dataclass
class _Group:
    """Turns between two tops: `bottoms` and, between them, `inner` tops that stayed low."""

    top: int | None
    bottoms: list[int]
    inner: list[int]
    end_top: int | None


def _groups(turns: list[tuple[int, int]], share: FloatArray, config: RepConfig) -> list[_Group]:
    """Turning points gathered into one group for each repetition."""
    groups, current = [], _Group(None, [], [], None)
    for k, (i, kind) in enumerate(turns):
        if kind < 0:
            current.bottoms.append(i)
        elif share[i] >= config.split_share:
            current.end_top = i
            groups.append(current)
            current = _Group(i, [], [], None)
        elif k > 0:
            current.inner.append(i)
    groups.append(current)
    return [g for g in groups if g.bottoms]


def _rests_in_rack(i: int, track: _Track, share: FloatArray, edge: bool) -> bool:
    """Whether the bottom i is the bar in the rack: well over the chest, and at an end or for long.

    `edge` tells that i is the first or last turning point of the clip.
    """
    config = track.config
    if share[i] <= config.rack_share:
        return False
    moved = np.flatnonzero(np.abs(track.y - track.y[i]) >= config.rack_move_m)
    after = moved[moved > i]
    before = moved[moved < i]
    begin = before[-1] + 1 if len(before) else 0
    end = after[0] - 1 if len(after) else len(track.t) - 1
    return edge or bool(track.t[end] - track.t[begin] > config.max_pause_s)


def _keep_bottoms(
    group: _Group, turns: list[tuple[int, int]], track: _Track, share: FloatArray
) -> bool:
    """Drop bottoms that belong to no repetition; whether the group still is one."""
    kept = []
    for i in group.bottoms:
        first, last = i == turns[0][0], i == turns[-1][0]
        fast = track.still + 2 * track.sd_v[i]
        # The clip begins in mid press or ends in mid descent: the bottom itself was not seen.
        unseen = (first and track.v[i] > fast) or (last and track.v[i] < -fast and not group.inner)
        if not unseen and not _rests_in_rack(i, track, share, first or last):
            kept.append(i)
    group.bottoms = kept
    return bool(kept) and bool(share[kept].min() <= 1 - track.config.min_share)


def _merge_last(groups: list[_Group], share: FloatArray, config: RepConfig) -> list[_Group]:
    """Join a last fall to the chest from short of lockout with the repetition it belongs to."""
    if len(groups) < 2 or groups[-1].end_top is not None or groups[-1].inner:
        return groups
    last, before = groups[-1], groups[-2]
    if last.top is None or share[last.top] >= 1 - config.partial_share:
        return groups
    joined = _Group(
        before.top, before.bottoms + last.bottoms, [*before.inner, last.top], last.end_top
    )
    return [*groups[:-2], joined]


def _event_times(
    group: _Group, floor: int, ceiling: int, track: _Track, share: FloatArray, lockout_level: float
) -> dict[str, object]:
    """Events of one repetition; `floor` and `ceiling` bound the samples that may belong to it."""
    config, t, y, v = track.config, track.t, track.y, track.v
    nothing = (math.nan, math.nan)
    rom = lockout_level - (y[group.bottoms].min())
    low = group.bottoms[0]
    band = max(config.band_share * rom, 3 * track.sd_y)
    at: dict[str, tuple[float, float]] = dict.fromkeys(_EVENTS, nothing)
    cut = ""

    # Descent and touch.
    above = floor + np.flatnonzero(y[floor:low] > y[low] + 0.5 * rom)
    entered = int(above[-1]) if len(above) else floor
    near = entered + np.flatnonzero(
        (y[entered : low + 1] <= y[low] + band) & (v[entered : low + 1] >= -track.still)
    )
    touch = int(near[0]) if len(near) else low
    moving_down = touch > 0 and v[touch - 1] < -track.still
    hidden = any(track.gap_before(i) for i in (low, low + 1) if 0 < i < len(t))
    if moving_down and not hidden:
        at["touch"] = track.crossing(touch, -track.still)
    top_seen = max(y[floor : low + 1].max(), y[low])
    high = floor + np.flatnonzero(
        y[floor:low] > y[low] + 0.75 * (min(top_seen, lockout_level) - y[low])
    )
    if len(high) and moving_down:
        stop = _last_stop(track, floor, int(high[-1]) + 1)
        if stop is not None and y[stop] > y[low] + 0.5 * rom:
            at["start"] = track.crossing(stop + 1, -track.still)
    if not math.isfinite(at["start"][0]) and floor == 0 and group.top in (None, 0):
        cut = "start"

    # Press: from the last stillness on the chest.
    rise = low + np.flatnonzero(y[low:ceiling] >= y[low] + config.turn_share * rom)
    up = int(rise[0]) if len(rise) else None
    press = None
    if up is not None:
        bounces = _zigzag(y[touch : up + 1], max(config.bounce_share * rom, 4 * track.sd_y))
        lows = [touch + i for i, kind in bounces if kind < 0]
        last_low = lows[-1] if lows else low
        slow = last_low + np.flatnonzero(
            (v[last_low : up + 1] <= track.still) & (y[last_low : up + 1] <= y[last_low] + band)
        )
        press = int(slow[-1]) + 1 if len(slow) else last_low
        at["press"] = nothing if hidden else track.crossing(press, track.still)

    # The way up.
    fell_back = [j for j in group.inner if any(b > j for b in group.bottoms)]
    lockout = None
    stalled = False
    if up is not None:
        full = y[low] + rom - config.partial_share * rom
        peak = up + int(np.argmax(y[up:ceiling]))
        lockout = _first_stop(track, up, ceiling, full)
        if lockout is None and y[peak] < full:
            lockout = _first_stop(track, up, ceiling, y[low] + 0.9 * (y[peak] - y[low]))
        stalled = _stalls(track, up, lockout or ceiling, y[low], rom)
    failed = bool(fell_back) or stalled
    waited = t[ceiling - 1] - t[touch]
    if up is None and waited > config.max_pause_s:
        failed = True
    if failed:
        if fell_back:
            back = next(b for b in group.bottoms if b > fell_back[-1])
            at["end"] = track.extreme(back)
        elif lockout is not None:
            at["end"] = track.crossing(lockout, track.still)
        else:
            at["end"] = (float(t[ceiling - 1]), 0.0)
    elif lockout is not None:
        at["lockout"] = track.crossing(lockout, track.still)
        at["end"] = at["lockout"]
    else:
        at["end"] = (float(t[ceiling - 1]), 0.0)
        cut = "both" if cut else "end"

    depth_known = not hidden
    short = lockout is not None and share[lockout] < 1 - config.partial_share
    shallow = depth_known and share[group.bottoms].min() > config.partial_share
    if failed:
        kind = "failed"
    elif lockout is None or short or shallow:
        kind = "partial"
    else:
        kind = "complete"

    if press is not None:
        first_top = fell_back[0] if fell_back else (lockout or ceiling)
        _sticking(track, press, first_top, at, full_press=lockout is not None and not failed)
    pause = at["press"][0] - at["touch"][0]
    touch_and_go = bool(pause < config.touch_and_go_s)
    if touch_and_go:
        # Without a rest on the chest both events are one turn, the lowest point.
        at["touch"] = track.extreme(low)
        if at["touch"][0] > at["press"][0]:
            at["touch"] = at["press"]
    short_of = {(True, True): "both", (True, False): "touch", (False, True): "lockout"}
    row: dict[str, object] = {
        "kind": kind,
        "touch_and_go": touch_and_go,
        "cut": cut,
        "short_of": short_of.get((bool(shallow), bool(short)), ""),
    }
    for name, (time, sd) in at.items():
        row[f"{name}_s"] = time
        row[f"{name}_sd_s"] = sd
    return row


def _stalls(track: _Track, begin: int, end: int, bottom: float, rom: float) -> bool:
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


def _sticking(
    track: _Track,
    press: int,
    end: int,
    at: dict[str, tuple[float, float]],
    full_press: bool,
) -> None:
    """Put the first peak of upward speed and the sticking region of a press into `at`."""
    config = track.config
    if any(track.gap_before(i) for i in range(max(press, 1), end)):
        return
    v = track.v[press:end]
    if len(v) < 3:
        return
    dip = max(config.sticking_dip_m_s, config.sticking_n_sd * float(np.median(track.sd_v)))
    minima, _ = signal.find_peaks(-v, prominence=dip)
    if len(minima) == 0 or not full_press:
        at["peak1"] = _vertex(track, press + int(np.argmax(v)))
        return
    slow = int(minima[0])
    peak1 = int(np.argmax(v[:slow]))
    at["peak1"] = at["sticking_start"] = _vertex(track, press + peak1)
    at["sticking_min"] = _vertex(track, press + slow)
    again = slow + np.flatnonzero(v[slow:] >= v[peak1])
    if len(again):
        at["sticking_end"] = track.crossing(press + int(again[0]), float(v[peak1]))
    else:
        at["sticking_end"] = _vertex(track, press + slow + int(np.argmax(v[slow:])))


def _vertex(track: _Track, i: int) -> tuple[float, float]:
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


def _rack_exit(track: _Track, end: int) -> tuple[float, float]:
    """When the bar leaves the rack before sample `end`, and comes to rest after that.

    Both NaN when the bar stays within `rack_move_m` of where the clip begins; the first NaN when
    the clip does not begin with the bar at rest.
    """
    config, t, y, v = track.config, track.t, track.y, track.v
    if end < 3:
        return math.nan, math.nan
    begin = int(np.searchsorted(t, t[0] + config.rack_still_s))
    begin = min(max(begin, 1), end)
    home = float(np.median(y[:begin]))
    out = np.abs(y[:end] - home) > config.rack_move_m + 3 * track.sd_y
    if not np.any(out):
        return math.nan, math.nan
    away = np.flatnonzero(np.abs(y[:end] - y[end - 1]) > 0.5 * config.rack_move_m)
    arrived = int(away[-1]) + 1 if len(away) else 0
    quiet = arrived + np.flatnonzero(np.abs(v[arrived:end]) <= track.still)
    settled = t[int(quiet[0]) if len(quiet) else end - 1]
    if np.median(np.abs(v[:begin])) > track.still:
        return math.nan, float(settled)
    # The last time the bar lies still at the place where the clip began, unless that is also the
    # height of lockout: then the first time it leaves.
    leave = int(np.flatnonzero(out)[0])
    if out[-1]:
        at_home = ~out & (np.abs(v[:end]) <= track.still)
        leave = int(np.flatnonzero(at_home)[-1]) + 1
    slow = np.flatnonzero(np.abs(v[: leave + 1]) <= track.still)
    leave = int(slow[-1]) + 1 if len(slow) else leave
    return float(t[min(leave, end - 1)]), float(settled)


def _analyse(
    time_s: ArrayLike, height_m: ArrayLike, config: RepConfig
) -> tuple[pd.DataFrame, SetEvents]:
    """The rep table and the events of the set."""
    time = np.asarray(time_s, dtype=float)
    smoothed = smooth(time, height_m, config.smooth)
    seen = np.flatnonzero(np.isfinite(smoothed.value))
    if len(seen) < 3:
        return _table([]), SetEvents()
    sd_v = smoothed.sd_velocity[seen]
    interval = float(np.median(np.diff(time)))
    track = _Track(
        t=time[seen],
        y=smoothed.value[seen],
        v=smoothed.velocity[seen],
        sd_y=float(np.median(smoothed.sd[seen])),
        sd_v=sd_v,
        still=max(config.still_speed_m_s, config.still_n_sd * float(np.median(sd_v))),
        longest_step_s=max(config.smooth.max_fill_s, 2.5 * interval),
        rise_s=_RISE_TIME / smoothed.cutoff_hz,
        config=config,
    )
    levels = _levels(track)
    if levels is None:
        return _table([]), SetEvents(still_speed_m_s=track.still)
    lockout_level, touch_level, drift = levels
    track.y = track.y - drift * (track.t - track.t[0])
    share = (track.y - touch_level) / (lockout_level - touch_level)
    turn = max(config.turn_share * (lockout_level - touch_level), 6 * track.sd_y)
    turns = _zigzag(track.y, turn)
    groups = [g for g in _groups(turns, share, config) if _keep_bottoms(g, turns, track, share)]
    groups = _merge_last(groups, share, config)
    rows = []
    for k, group in enumerate(groups):
        floor = groups[k - 1].bottoms[-1] if k > 0 else 0
        ceiling = groups[k + 1].bottoms[0] if k + 1 < len(groups) else len(track.t)
        rows.append(_event_times(group, floor, ceiling, track, share, lockout_level))
    table = _table(rows)
    return table, _set_events(table, track, lockout_level, touch_level, drift)


def _set_events(
    table: pd.DataFrame, track: _Track, lockout_level: float, touch_level: float, drift: float
) -> SetEvents:
    """Leaving and reaching the rack, the latter found by running the set backwards."""
    t = track.t
    unrack = settled = rerack_start = rerack = math.nan
    if len(table):
        start, end = table["start_s"].iloc[0], table["end_s"].iloc[-1]
        if math.isfinite(start):
            unrack, settled = _rack_exit(track, int(np.searchsorted(t, start)))
        after = int(np.searchsorted(t, end, side="right"))
        backwards = _Track(
            t=(t[-1] - t)[::-1],
            y=track.y[::-1],
            v=-track.v[::-1],
            sd_y=track.sd_y,
            sd_v=track.sd_v[::-1],
            still=track.still,
            longest_step_s=track.longest_step_s,
            rise_s=track.rise_s,
            config=track.config,
        )
        back = _rack_exit(backwards, len(t) - after)
        rerack, rerack_start = float(t[-1] - back[0]), float(t[-1] - back[1])
        if table["kind"].iloc[-1] == "failed" and math.isfinite(rerack_start):
            rerack_start = float(end)
    middle = touch_level + track.config.split_share * (lockout_level - touch_level)
    return SetEvents(
        unrack_s=unrack,
        settled_s=settled,
        rerack_start_s=rerack_start,
        rerack_s=rerack,
        lockout_level_m=lockout_level,
        touch_level_m=touch_level,
        drift_m_s=drift,
        still_speed_m_s=track.still,
        starts_high=bool(math.isfinite(unrack) or track.y[0] > middle),
        ends_high=bool(math.isfinite(rerack) or track.y[-1] > middle),
    )


def _table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Rep table with its columns and types, also when there is no repetition."""
    columns = ["kind", *(f"{e}_s" for e in _EVENTS), "touch_and_go", "cut", "short_of"]
    columns += [f"{e}_sd_s" for e in _EVENTS]
    table = pd.DataFrame(rows, columns=columns)
    table.insert(0, "rep", np.arange(1, len(table) + 1))
    times = [c for c in columns if c.endswith("_s")]
    kinds = {"kind": "str", "cut": "str", "short_of": "str", "touch_and_go": bool}
    return table.astype({**dict.fromkeys(times, float), **kinds})


def find_reps(
    time_s: ArrayLike, height_m: ArrayLike, config: RepConfig | None = None
) -> pd.DataFrame:
    """Find the repetitions of a set in the bar's height.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Increasing times in s.
    height_m : array_like, shape (n,)
        Height of the bar in m, up positive, from any origin; NaN where it was not seen.
    config : RepConfig, optional
        Settings.

    Returns
    -------
    pandas.DataFrame
        One row for each repetition whose bottom lies in the clip; no row when there is none.
        Times in s, NaN where the clip or a gap hides them; every ``x_s`` has a standard uncertainty
        ``x_sd_s`` from the noise of the speed and the rise time of the smoothing.

        - ``rep``: 1, 2, …
        - ``kind``: ``"complete"``; ``"partial"``: stays more than `partial_share` of the range of
          motion over the touch or short of lockout, or the clip ends before lockout; ``"failed"``:
          comes down again before lockout by more than `turn_share`, stands still in mid press for
          `stall_s`, or lies on the chest for more than `max_pause_s` until the clip ends.
        - ``start_s``: the downward speed last passes the still speed in the upper part of the way
          before the touch.
        - ``touch_s``: the downward speed first falls to the still speed within `band_share` of
          the lowest point; in touch-and-go, the lowest point itself.
        - ``press_s``: the upward speed passes the still speed after the last stillness or bounce on
          the chest.
        - ``peak1_s``: first peak of the upward speed; the highest when there is no sticking region.
        - ``sticking_start_s``: the same first peak, when a minimum of the speed follows that is
          deep enough; ``sticking_min_s``: that minimum; ``sticking_end_s``: the upward speed is
          again what it was at the first peak, or the second peak when it never is. NaN when there
          is no sticking region.
        - ``lockout_s``: the upward speed falls to the still speed in the top `partial_share` of the
          way (in the top tenth of its own way for a partial repetition) and stays there, or
          turns, within `settle_s`.
        - ``end_s``: lockout; for a failed repetition the lowest point after coming down again, or
          the stop at the top to which it was lifted; the end of the clip when it is cut off.
        - ``touch_and_go``: less than `touch_and_go_s` of stillness on the chest.
        - ``cut``: ``"start"`` when the clip begins after the descent has begun, ``"end"`` when it
          ends before lockout, ``"both"``, or ``""``.
        - ``short_of``: what a repetition stayed short of by more than `partial_share`: ``"touch"``,
          ``"lockout"``, ``"both"``, or ``""``.

    Notes
    -----
    The sticking region follows Elliott, Wilson & Kerr (1989), *A biomechanical analysis of the
    sticking region in the bench press*, Med. Sci. Sports Exerc. 21:450-462, and van den Tillaar &
    Ettema (2010), J. Sports Sci. 28:529-535 (from memory); these end it at the minimum, which is
    given as well.

    A lift halfway by a spotter after a short stall, and a repetition that a spotter helps along
    without a stop, cannot be told from the lifter's own work by the height of the bar.

    Examples
    --------
    >>> t = np.arange(0, 8, 1 / 60)
    >>> height = np.where((t > 1) & (t < 7), 0.2 * np.cos(2 * np.pi * (t - 1) / 3), 0.2)
    >>> find_reps(t, height)["kind"].tolist()
    ['complete', 'complete']
    """
    return _analyse(time_s, height_m, config or RepConfig())[0]


def find_set_events(
    time_s: ArrayLike, height_m: ArrayLike, config: RepConfig | None = None
) -> SetEvents:
    """Find when the bar left and reached the rack, and the common levels of the set.

    Parameters are those of `find_reps`.

    Returns
    -------
    SetEvents
        NaN where the clip does not show the event.
    """
    return _analyse(time_s, height_m, config or RepConfig())[1]


def find_phases(
    time_s: ArrayLike, height_m: ArrayLike, config: RepConfig | None = None
) -> pd.DataFrame:
    """Name the phase of each sample.

    Parameters are those of `find_reps`.

    Returns
    -------
    pandas.DataFrame
        ``time_s``, ``phase`` (one of `PHASES`) and ``rep`` (0 outside repetitions), one row a
        sample. A repetition consists of ``descent`` (start to touch), ``pause`` (touch to press)
        and ``press`` (press to lockout, or to the end of a failed one), with ``sticking`` inside
        the press. Between repetitions, and next to the rack, the bar is at ``lockout``; ``unrack``
        and ``rerack`` are the ways from and to the ``rack``. ``""``: no repetition was found, or
        the events around the sample are not known.
    """
    time = np.asarray(time_s, dtype=float)
    table, events = _analyse(time, height_m, config or RepConfig())
    phase = np.full(len(time), "", dtype=object)
    number = np.zeros(len(time), dtype=int)

    def paint(name: str, begin: float, end: float, rep: int = 0) -> None:
        if math.isfinite(begin) and math.isfinite(end):
            inside = (time >= begin) & (time < end)
            phase[inside] = name
            number[inside] = rep

    if len(table):
        first, last = float(time[0]), math.nextafter(float(time[-1]), math.inf)
        start, end = float(table["start_s"].iloc[0]), float(table["end_s"].iloc[-1])
        leaves, settled = events.unrack_s, events.settled_s
        paint("rack", first, leaves)
        way = "unrack" if events.starts_high else "press"
        paint(way, leaves if math.isfinite(leaves) else first, settled)
        paint("lockout", settled if math.isfinite(settled) else first, start)
        leaves, reaches = events.rerack_start_s, events.rerack_s
        if table["kind"].iloc[-1] != "failed":
            paint("lockout", end, leaves if math.isfinite(leaves) else last)
        way = "rerack" if events.ends_high else "descent"
        paint(way, leaves, reaches if math.isfinite(reaches) else last)
        paint("rack", reaches, last)
        for row, following in zip(
            table.itertuples(), [*table["start_s"].iloc[1:], math.nan], strict=True
        ):
            begin = row.start_s
            if row.rep == 1 and not math.isfinite(begin):
                begin = first
            final = row.end_s if row.end_s < time[-1] else last
            pressed = row.press_s if math.isfinite(row.press_s) else final
            paint("descent", begin, row.touch_s, row.rep)
            paint("pause", row.touch_s, pressed, row.rep)
            paint("press", row.press_s, final, row.rep)
            paint("sticking", row.sticking_start_s, row.sticking_end_s, row.rep)
            paint("lockout", row.end_s, following)
    return pd.DataFrame({"time_s": time, "phase": phase, "rep": number}).astype({"phase": "str"})


def rep_remark(row: Any) -> str:
    """What is special about a row of the rep table, such as ``" (partial)"``; empty if nothing."""
    said = [] if row.kind == "complete" else [row.kind]
    if getattr(row, "cut", ""):
        said.append(f"clip cuts its {row.cut}")
    return f" ({', '.join(said)})" if said else ""
