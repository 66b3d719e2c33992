"""The turns of a set gathered into repetitions, and the heights of lockout and touch.

The heights are not known beforehand; they are taken robustly from the set itself, so neither the
rack's height nor a single shallow or failed repetition decides them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from barpath.lift.barmotion import RepConfig, Track, first_stop, last_stop, zigzag

FloatArray = NDArray[np.float64]


def levels_of(track: Track) -> tuple[float, float, float] | None:
    """Lockout level, touch level (both at the first sample) and drift in m/s, or None."""
    config, t, y = track.config, track.t, track.y
    span = float(np.subtract(*np.percentile(y, [99.5, 0.5])))
    turns = zigzag(y, max(0.5 * config.min_rom_m, config.turn_share * span, 6 * track.sd_y))
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
            lower = np.flatnonzero(y[before:i] < y[i] + 0.6 * (y[before] - y[i]))
            stop = last_stop(track, before, before + int(lower[0]) if len(lower) else i)
            top = before if stop is None else stop
            tops.append((t[top], y[top]))
            starts.append(len(tops) - 1)
        if after is not None:
            stop = first_stop(track, i, after + 1, y[i] + 0.75 * (y[after] - y[i]))
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
class Group:
    """Turns between two tops: `bottoms` and, between them, `inner` tops that stayed low."""

    top: int | None
    bottoms: list[int]
    inner: list[int]
    end_top: int | None


def groups_of(track: Track, share: FloatArray, turn_m: float) -> list[Group]:
    """One group of turning points for each repetition, from turns that are `turn_m` apart."""
    turns = zigzag(track.y, turn_m)
    groups = [
        group
        for group in _groups(turns, share, track.config)
        if _keep_bottoms(group, turns, track, share)
    ]
    return _merge_last(groups, share, track.config)


def _groups(turns: list[tuple[int, int]], share: FloatArray, config: RepConfig) -> list[Group]:
    """Turning points gathered into one group for each repetition."""
    groups, current = [], Group(None, [], [], None)
    for k, (i, kind) in enumerate(turns):
        if kind < 0:
            current.bottoms.append(i)
        elif share[i] >= config.split_share:
            current.end_top = i
            groups.append(current)
            current = Group(i, [], [], None)
        elif k > 0:
            current.inner.append(i)
    groups.append(current)
    return [g for g in groups if g.bottoms]


def _rests_in_rack(i: int, track: Track, share: FloatArray, edge: bool) -> bool:
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
    group: Group, turns: list[tuple[int, int]], track: Track, share: FloatArray
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


def _merge_last(groups: list[Group], share: FloatArray, config: RepConfig) -> list[Group]:
    """Join a last fall to the chest from short of lockout with the repetition it belongs to."""
    if len(groups) < 2 or groups[-1].end_top is not None or groups[-1].inner:
        return groups
    last, before = groups[-1], groups[-2]
    if last.top is None or share[last.top] >= 1 - config.partial_share:
        return groups
    joined = Group(
        before.top, before.bottoms + last.bottoms, [*before.inner, last.top], last.end_top
    )
    return [*groups[:-2], joined]
