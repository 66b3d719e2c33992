"""Where something else was followed for the bar, seen from the feet.

A level edge of the scenery is as straight and may be as thick as a shaft, and what stands at its
ends is taken for plates before long. The lifter's hands stay on the bar, and the network reads the
bar's ends whatever is followed: where both lie elsewhere, the bar does.

In: the bar table and the pose table, image px and s. Out: the bar table, lost where it strayed.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.sight.barline import ENDS
from barpath.sight.bridge import hands_at
from barpath.sight.jointnet import SIDES

Floats = NDArray[np.float64]

_ON_BAR = ("plate", "collar", "bar_end")


@dataclass(frozen=True)
class StrayConfig:
    """When what was followed is not the bar. All shares are of the distance between its ends.

    Attributes
    ----------
    off_share : float
        Farther than so from the line that was followed hands are not on it. In 117 made clips from
        the feet whose bar was followed all through they are read within 0.007 of their usual place,
        and the bar's own parts within 0.025; where scenery was followed, at 0.048 to 0.16 (three
        clips).
    back_share : float
        Nearer than so they are on it, and an end that strayed to where another did.
    lone_frames : int
        Fewer frames in a row that saw the bar are a lone find, which is believed unless a hand is
        off by more than `back_share` (one clip, whose five lone finds were aslant: 0.022 to 0.036).
    max_pause_s : float
        Between two readings no farther apart the hands' way is interpolated.
    """

    off_share: float = 0.04
    back_share: float = 0.015
    lone_frames: int = 5
    max_pause_s: float = 0.25


def without_strays(
    track: pd.DataFrame, joints: pd.DataFrame, config: StrayConfig | None = None
) -> pd.DataFrame:
    """Mark a bar as lost while something else was followed.

    Hands may leave a bar that rests in the rack. So what the network reads of the bar's plates,
    collars and ends must be off to the same side; where it read none, the track itself must say
    that it saw the bar in part only. A find of a few frames amid lost ones is believed unless
    either hand is off it.

    Parameters
    ----------
    track : DataFrame
        Bar table in image coordinates.
    joints : DataFrame
        Pose table in image coordinates.
    config : StrayConfig, optional

    Returns
    -------
    DataFrame
        The table with both ends lost in those frames. Frames in which no hands were read count as
        those around them, for hands are hardly read far from where the bar is taken to be; where
        the track saw the bar in part only, and in the same place as others that strayed, they
        strayed as well.
    """
    config = config or StrayConfig()
    ends = track[[f"{end}_{axis}_px" for end in ENDS for axis in "xy"]].to_numpy(dtype=float)
    ends = ends.reshape(-1, 2, 2)
    hands = hands_at(track["time_s"].to_numpy(dtype=float), joints, config.max_pause_s)
    below = _below(hands, ends)
    if not np.isfinite(below).any():
        return track
    states = track[[f"{end}_state" for end in ENDS]]
    whole = (states == "seen").all(axis=1).to_numpy()
    # Fists may lie a little above or below the shaft's middle all through.
    surely = whole & np.isfinite(below)
    below = below - np.nanmedian(below[surely] if surely.any() else below)
    read = _below(_bar_points(joints), _ends_at(track, ends, joints))
    read_at = np.searchsorted(track["frame"].to_numpy(), joints["frame"].to_numpy())
    strayed = _lone(hands, ends, config)
    for run in _runs(below, config):
        far = np.abs(below[run]) > config.off_share
        if not far.any():
            continue
        inside = (read_at >= run.start) & (read_at < run.stop) & np.isfinite(read)
        if inside.any():
            side = np.sign(np.nanmedian(below[run]))
            strayed[run] = side * np.median(read[inside]) > config.off_share
        else:
            strayed[run] = not whole[run][far].any()
    unread = np.isnan(hands).all(axis=(1, 2)) & ~whole
    return _lost(track, strayed | _as_before(unread, ends, strayed, config))


def _as_before(
    unread: NDArray[np.bool_], ends: Floats, strayed: NDArray[np.bool_], config: StrayConfig
) -> NDArray[np.bool_]:
    """Stretches in which nothing was read, and both ends mostly lie where they strayed to."""
    there = ends[strayed & np.isfinite(ends).all(axis=(1, 2))]
    again = np.zeros_like(strayed)
    if not len(there):
        return again
    for run in _equal(unread):
        here = ends[run][np.isfinite(ends[run]).all(axis=(1, 2))]
        if not unread[run[0]] or not len(here):
            continue
        off_px = np.linalg.norm(here[:, None] - there, axis=-1).max(axis=-1).min(axis=-1)
        span_px = np.linalg.norm(here[:, 1] - here[:, 0], axis=-1)
        again[run] = np.median(off_px / span_px) < config.back_share
    return again


def _equal(flags: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Stretches of rows whose flags are equal."""
    return np.split(np.arange(len(flags)), np.flatnonzero(np.diff(flags)) + 1)


def _lone(hands: Floats, ends: Floats, config: StrayConfig) -> NDArray[np.bool_]:
    """Finds of a few frames amid lost ones from which a hand is off, as from an edge aslant."""
    apart = np.column_stack([_below(hands[:, [side]], ends) for side in range(2)])
    apart = np.abs(apart - pd.DataFrame(apart).median().to_numpy())
    found = np.isfinite(ends.sum(axis=(1, 2)))
    lone = np.zeros(found.shape, dtype=np.bool_)
    for piece in _equal(found):
        off = (apart[piece] > config.back_share).any()
        lone[piece] = found[piece[0]] and len(piece) < config.lone_frames and off
    return lone


def _below(points: Floats, ends: Floats) -> Floats:
    """How far points (n, m, 2) lie below the line through both ends (n, 2, 2): median, share."""
    along = ends[:, 1] - ends[:, 0]
    off = points - ends[:, :1]
    across = along[:, None, 0] * off[:, :, 1] - along[:, None, 1] * off[:, :, 0]
    share = across / (along**2).sum(axis=1)[:, None]
    return pd.DataFrame(share).median(axis=1).to_numpy()


def _bar_points(joints: pd.DataFrame) -> Floats:
    """What was read of the bar in each row of the pose table, shape (n, 6, 2)."""
    names = [f"{side}_{part}_{axis}_px" for part in _ON_BAR for side in SIDES for axis in "xy"]
    points = joints.reindex(columns=names).to_numpy(dtype=float)
    return points.reshape(len(joints), len(names) // 2, 2)


def _ends_at(track: pd.DataFrame, ends: Floats, joints: pd.DataFrame) -> Floats:
    """The bar's ends in the frames of the pose table, shape (n, 2, 2)."""
    rows = pd.DataFrame(ends.reshape(-1, 4), index=track["frame"]).reindex(joints["frame"])
    return rows.to_numpy(dtype=float).reshape(-1, 2, 2)


def _runs(below: Floats, config: StrayConfig) -> list[slice]:
    """Stretches in which the hands are off the line to one side, from the first to the last."""
    off = np.flatnonzero(np.isfinite(below))
    side = np.where(np.abs(below[off]) > config.back_share, np.sign(below[off]), 0.0)
    cuts = np.flatnonzero(np.diff(side) != 0) + 1
    return [
        slice(int(part[0]), int(part[-1]) + 1)
        for part, here in zip(np.split(off, cuts), np.split(side, cuts), strict=True)
        if len(part) and here[0] != 0
    ]


def _lost(track: pd.DataFrame, rows: NDArray[np.bool_]) -> pd.DataFrame:
    """The bar table with the bar lost in some rows."""
    out = track.copy()
    parts = [f"{end}_{part}_px" for end in ENDS for part in ("x", "y", "plate", "sd")]
    out.loc[rows, [*parts, "line_sd_px", "bar_px"]] = np.nan
    out.loc[rows, [f"{end}_state" for end in ENDS]] = "lost"
    return out
