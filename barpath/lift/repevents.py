"""The events of one repetition, from the start of its descent to its end, and its kind."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from barpath.lift.barmotion import Track, first_stop, last_stop, stalls, vertex, zigzag
from barpath.lift.turns import Group

FloatArray = NDArray[np.float64]

EVENTS = (
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


_NOTHING = (math.nan, math.nan)


@dataclass(frozen=True)
class _Rep:
    """A repetition of which events are sought.

    `floor` and `ceiling` bound the samples that may belong to it; `rom_m` is the way from its
    lowest bottom to the set's lockout, `band_m` the height over a bottom that counts as lying.
    """

    group: Group
    floor: int
    ceiling: int
    track: Track
    share: FloatArray
    rom_m: float
    band_m: float

    @property
    def low(self) -> int:
        """Sample of the first bottom."""
        return self.group.bottoms[0]

    @property
    def hidden(self) -> bool:
        """Whether samples are missing next to the first bottom."""
        track = self.track
        return any(track.gap_before(i) for i in (self.low, self.low + 1) if 0 < i < len(track.t))

    def touch(self) -> int:
        """First sample that lies on the chest."""
        y, v, low = self.track.y, self.track.v, self.low
        above = self.floor + np.flatnonzero(y[self.floor : low] > y[low] + 0.5 * self.rom_m)
        entered = int(above[-1]) if len(above) else self.floor
        near = entered + np.flatnonzero(
            (y[entered : low + 1] <= y[low] + self.band_m)
            & (v[entered : low + 1] >= -self.track.still)
        )
        return int(near[0]) if len(near) else low

    def descent(self, touch: int, lockout_level: float) -> dict[str, tuple[float, float]]:
        """Start of the descent and touch, as far as they were seen."""
        track, y, low = self.track, self.track.y, self.low
        if touch < 1 or not track.v[touch - 1] < -track.still:
            return {}
        found = {} if self.hidden else {"touch": track.crossing(touch, -track.still)}
        top_seen = max(y[self.floor : low + 1].max(), y[low])
        high = self.floor + np.flatnonzero(
            y[self.floor : low] > y[low] + 0.75 * (min(top_seen, lockout_level) - y[low])
        )
        if len(high):
            stop = last_stop(track, self.floor, int(high[-1]) + 1)
            if stop is not None and y[stop] > y[low] + 0.5 * self.rom_m:
                found["start"] = track.crossing(stop + 1, -track.still)
        return found

    def on_its_way(self) -> int | None:
        """First sample at which the bar has come up far enough to be pressed; None if never."""
        y, low = self.track.y, self.low
        least = y[low] + self.track.config.turn_share * self.rom_m
        rise = low + np.flatnonzero(y[low : self.ceiling] >= least)
        return int(rise[0]) if len(rise) else None

    def press(self, touch: int, up: int) -> int:
        """First sample after the last stillness or bounce on the chest."""
        track, y = self.track, self.track.y
        bounce_m = max(track.config.bounce_share * self.rom_m, 4 * track.sd_y)
        lows = [touch + i for i, kind in zigzag(y[touch : up + 1], bounce_m) if kind < 0]
        last_low = lows[-1] if lows else self.low
        slow = last_low + np.flatnonzero(
            (track.v[last_low : up + 1] <= track.still)
            & (y[last_low : up + 1] <= y[last_low] + self.band_m)
        )
        return int(slow[-1]) + 1 if len(slow) else last_low

    def lockout(self, up: int) -> int | None:
        """First sample at which the press has come to rest; None when it was not seen to."""
        track, y, low = self.track, self.track.y, self.low
        full = y[low] + self.rom_m - track.config.partial_share * self.rom_m
        peak = up + int(np.argmax(y[up : self.ceiling]))
        found = first_stop(track, up, self.ceiling, full)
        if found is None and y[peak] < full:
            found = first_stop(track, up, self.ceiling, y[low] + 0.9 * (y[peak] - y[low]))
        while found is not None and self.goes_on(found):
            higher = first_stop(track, found + 1, self.ceiling, y[found] + self.on_m)
            if higher is None:
                break
            found = higher
        return found

    @property
    def on_m(self) -> float:
        """A press that rises by so much more was not at its end."""
        return max(self.track.config.on_share * self.rom_m, 6 * self.track.sd_y)

    def goes_on(self, stop: int) -> bool:
        """Whether the press goes on at once after a stop, as where a lockout is fought for."""
        y, t = self.track.y, self.track.t
        soon = slice(stop, int(np.searchsorted(t, t[stop] + self.track.config.on_s)) + 1)
        return bool(y[soon].max() > y[stop] + self.on_m)

    def fell_back(self) -> list[int]:
        """Tops short of lockout after which the bar came down again."""
        return [j for j in self.group.inner if any(b > j for b in self.group.bottoms)]

    def failed(self, touch: int, up: int | None, lockout: int | None) -> bool:
        """Whether the bar fell back, stood still halfway up or lay too long on the chest."""
        track, last = self.track, lockout or self.ceiling
        if up is None:
            waited = track.t[self.ceiling - 1] - track.t[touch]
            return bool(self.fell_back()) or bool(waited > track.config.max_pause_s)
        stalled = stalls(track, up, last, track.y[self.low], self.rom_m)
        return bool(self.fell_back()) or stalled

    def end(self, lockout: int | None, failed: bool) -> dict[str, tuple[float, float]]:
        """Lockout, unless the repetition failed, and end."""
        track, fell_back = self.track, self.fell_back()
        if failed and fell_back:
            back = next(b for b in self.group.bottoms if b > fell_back[-1])
            return {"end": track.extreme(back)}
        if lockout is None:
            return {"end": (float(track.t[self.ceiling - 1]), 0.0)}
        stop = track.crossing(lockout, track.still)
        return {"end": stop} if failed else {"lockout": stop, "end": stop}


def event_times(
    group: Group, floor: int, ceiling: int, track: Track, share: FloatArray, lockout_level: float
) -> dict[str, object]:
    """Events of one repetition; `floor` and `ceiling` bound the samples that may belong to it."""
    rom_m = lockout_level - track.y[group.bottoms].min()
    band_m = max(track.config.band_share * rom_m, 3 * track.sd_y)
    rep = _Rep(group, floor, ceiling, track, share, rom_m, band_m)
    at: dict[str, tuple[float, float]] = dict.fromkeys(EVENTS, _NOTHING)
    touch, up = rep.touch(), rep.on_its_way()
    at |= rep.descent(touch, lockout_level)
    cut = ""
    if not math.isfinite(at["start"][0]) and floor == 0 and group.top in (None, 0):
        cut = "start"
    press = None if up is None else rep.press(touch, up)
    if press is not None and not rep.hidden:
        at["press"] = track.crossing(press, track.still)
    lockout = None if up is None else rep.lockout(up)
    failed = rep.failed(touch, up, lockout)
    at |= rep.end(lockout, failed)
    if lockout is None and not failed:
        cut = "both" if cut else "end"
    partial = track.config.partial_share
    short = lockout is not None and bool(share[lockout] < 1 - partial)
    shallow = not rep.hidden and bool(share[group.bottoms].min() > partial)
    kind = "partial" if lockout is None or short or shallow else "complete"
    if press is not None:
        first_top = (rep.fell_back() or [lockout or ceiling])[0]
        _sticking(track, press, first_top, at, full_press=lockout is not None and not failed)
    touch_and_go = bool(at["press"][0] - at["touch"][0] < track.config.touch_and_go_s)
    if touch_and_go:
        # Without a rest on the chest both events are one turn, the lowest point.
        lowest = track.extreme(rep.low)
        at["touch"] = at["press"] if lowest[0] > at["press"][0] else lowest
    short_of = {(True, True): "both", (True, False): "touch", (False, True): "lockout"}
    row: dict[str, object] = {
        "kind": "failed" if failed else kind,
        "touch_and_go": touch_and_go,
        "cut": cut,
        "short_of": short_of.get((shallow, short), ""),
    }
    for name, (time, sd) in at.items():
        row[f"{name}_s"] = time
        row[f"{name}_sd_s"] = sd
    return row


def _sticking(
    track: Track,
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
        at["peak1"] = vertex(track, press + int(np.argmax(v)))
        return
    slow = int(minima[0])
    peak1 = int(np.argmax(v[:slow]))
    at["peak1"] = at["sticking_start"] = vertex(track, press + peak1)
    at["sticking_min"] = vertex(track, press + slow)
    again = slow + np.flatnonzero(v[slow:] >= v[peak1])
    if len(again):
        at["sticking_end"] = track.crossing(press + int(again[0]), float(v[peak1]))
    else:
        at["sticking_end"] = vertex(track, press + slow + int(np.argmax(v[slow:])))
