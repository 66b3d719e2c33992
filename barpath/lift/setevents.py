"""When the bar left the rack and came back."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from barpath.lift.barmotion import Track


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


def set_events(
    table: pd.DataFrame, track: Track, lockout_level: float, touch_level: float, drift: float
) -> SetEvents:
    """Leaving and reaching the rack, the latter found by running the set backwards."""
    t = track.t
    unrack = settled = rerack_start = rerack = math.nan
    if len(table):
        start, end = table["start_s"].iloc[0], table["end_s"].iloc[-1]
        if math.isfinite(start):
            unrack, settled = _rack_exit(track, int(np.searchsorted(t, start)))
        after = int(np.searchsorted(t, end, side="right"))
        backwards = Track(
            t=(t[-1] - t)[::-1],
            y=track.y[::-1],
            v=-track.v[::-1],
            v_again=-track.v_again[::-1],
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


def _rack_exit(track: Track, end: int) -> tuple[float, float]:
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
