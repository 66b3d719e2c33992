"""Phases and repetitions of a set, from the bar's height alone.

A repetition goes from lockout down to the chest and up again. The heights of lockout and touch are
not known beforehand; they are taken robustly from the set itself, so neither the rack's height nor
a single shallow or failed repetition decides them.

All events rest on the smoothed height and speed (`smooth.smooth`) and are interpolated between
samples. What "still" and "share" mean is said in `barmotion`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from barpath.lift.barmotion import RISE_TIME, RepConfig, Track
from barpath.lift.repevents import EVENTS, event_times
from barpath.lift.setevents import SetEvents, set_events
from barpath.lift.turns import groups_of, levels_of
from barpath.space.smooth import smooth

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
          turns, within `settle_s`; not where the bar rises on by `on_share` within `on_s`.
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
    again = smooth(time, smoothed.value, replace(config.smooth, cutoff_hz=smoothed.cutoff_hz))
    interval = float(np.median(np.diff(time)))
    track = Track(
        t=time[seen],
        y=smoothed.value[seen],
        v=smoothed.velocity[seen],
        v_again=np.where(np.isfinite(again.velocity), again.velocity, smoothed.velocity)[seen],
        sd_y=float(np.median(smoothed.sd[seen])),
        sd_v=sd_v,
        still=max(config.still_speed_m_s, config.still_n_sd * float(np.median(sd_v))),
        longest_step_s=max(config.smooth.max_fill_s, 2.5 * interval),
        rise_s=RISE_TIME / smoothed.cutoff_hz,
        config=config,
    )
    levels = levels_of(track)
    if levels is None:
        return _table([]), SetEvents(still_speed_m_s=track.still)
    lockout_level, touch_level, drift = levels
    track.y = track.y - drift * (track.t - track.t[0])
    share = (track.y - touch_level) / (lockout_level - touch_level)
    turn = max(config.turn_share * (lockout_level - touch_level), 6 * track.sd_y)
    groups = groups_of(track, share, turn)
    rows = []
    for k, group in enumerate(groups):
        floor = groups[k - 1].bottoms[-1] if k > 0 else 0
        ceiling = groups[k + 1].bottoms[0] if k + 1 < len(groups) else len(track.t)
        rows.append(event_times(group, floor, ceiling, track, share, lockout_level))
    table = _table(rows)
    return table, set_events(table, track, lockout_level, touch_level, drift)


def _table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Rep table with its columns and types, also when there is no repetition."""
    columns = ["kind", *(f"{e}_s" for e in EVENTS), "touch_and_go", "cut", "short_of"]
    columns += [f"{e}_sd_s" for e in EVENTS]
    table = pd.DataFrame(rows, columns=columns)
    table.insert(0, "rep", np.arange(1, len(table) + 1))
    times = [c for c in columns if c.endswith("_s")]
    kinds = {"kind": "str", "cut": "str", "short_of": "str", "touch_and_go": bool}
    return table.astype({**dict.fromkeys(times, float), **kinds})
