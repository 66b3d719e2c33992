"""The bar's place where its track is lost for some frames.

For a moment the bar goes its own way on. Longer, hands keep their place on it: where both are seen,
how the one follows from the other is learned for this clip; where only the hands are read, they
carry the track on, with the uncertainty that the rest of the clip shows.

In: the plate or bar table and the pose table, steadied image px and s. Out: the plate or bar table
with places, and larger standard uncertainties, where the bar was lost.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.interpolate import Akima1DInterpolator

from barpath.sight.jointnet import SIDES

Floats = NDArray[np.float64]

ON_PLATE = 0.5
"""What lies nearer to a plate's middle, in its diameters, is on it."""
_OF_A_PLATE = ("x_px", "y_px", "sd_px", "major_px", "minor_px", "angle_deg")
CLEARLY_MORE = 3
"""So many times as many frames for one end as for the other say which it is."""


@dataclass(frozen=True)
class BridgeConfig:
    """Settings of bridging.

    Attributes
    ----------
    own_s : float
        A gap between two frames that saw the bar is bridged by its own way up to so long. Of a
        half sine of 35 cm in a second a cubic is then off by less than a millimetre.
    own_share : float
        Share of its usual acceleration by which the bar's in a gap is not known.
    min_frames : int
        Least number of frames in which hands and bar are both seen, to learn from.
    max_pause_s : float
        Between two readings no farther apart the hands' way is interpolated.
    slack : float
        Share by which an end's movement may usually differ from the hands' (perspective), which
        keeps what is learned from running away beyond what was seen.
    widen : float
        Factor on the scatter that is left, for errors that go on over several frames.
    calm_frames : int
        So many frames that were seen tell how far off the hands are before and after a gap.
    astray_share, astray_alike, astray_frames
        Where a plate is off from where either hand has it by more than this share of its diameter,
        to both alike but for this share of that, in so many frames on end, something else was
        followed: of 237 made clips, in one (a plate farther in on the same sleeve).
    """

    own_s: float = 0.3
    own_share: float = 0.25
    min_frames: int = 12
    max_pause_s: float = 0.25
    slack: float = 0.15
    widen: float = 2.0
    calm_frames: int = 5
    astray_share: float = 0.08
    astray_alike: float = 0.5
    astray_frames: int = 3


def bridge(
    track: pd.DataFrame,
    joints: pd.DataFrame,
    prefixes: Sequence[str],
    config: BridgeConfig | None = None,
) -> pd.DataFrame:
    """Fill lost frames of a plate or bar table, by its own way or from the hands.

    Parameters
    ----------
    track : DataFrame
        Plate or bar table in steadied image coordinates.
    joints : DataFrame
        Pose table in steadied image coordinates.
    prefixes : sequence of str
        `("",)` for the plate table, the names of both ends for the bar table.
    config : BridgeConfig, optional

    Returns
    -------
    DataFrame
        The table with `x_px, y_px, sd_px` of lost frames filled in short gaps and where hands were
        read, their `state` ``"partly"``; the plate's size stays missing there. Longer gaps are as
        they were where too little was seen together to learn from. Frames in which the plate went
        astray from both hands count as lost.
    """
    config = config or BridgeConfig()
    time_s = track["time_s"].to_numpy(dtype=float)
    hands = hands_at(time_s, joints, config.max_pause_s)
    out = track.copy()
    if "major_px" in out:
        gone = _astray(out, hands, config)
        out.loc[gone, out.columns.intersection(_OF_A_PLATE)] = np.nan
        out.loc[gone, "state"] = "lost"
    for prefix in prefixes:
        names = [f"{prefix}{part}" for part in ("x_px", "y_px", "sd_px", "state")]
        place = out[names[:2]].to_numpy(dtype=float)
        seen = np.isfinite(place).all(axis=1)
        # What shows in part may be something else: the bar's own way is that of what shows whole.
        whole = np.where((out[names[3]] == "seen").to_numpy()[:, None], place, np.nan)
        filled, spread = _own_way(time_s, whole, out[names[2]].to_numpy(dtype=float), config)
        for which in ([0, 1], [0], [1]):
            known = hands[:, which].reshape(len(place), -1)
            found, sd_px = _carried(place, known, config)
            here = np.isnan(spread) & np.isfinite(found).all(axis=1)
            filled[here], spread[here] = found[here], sd_px
        rows = ~seen & np.isfinite(spread)
        out.loc[rows, names[0]] = filled[rows, 0]
        out.loc[rows, names[1]] = filled[rows, 1]
        out.loc[rows, names[2]] = spread[rows]
        out.loc[rows, names[3]] = "partly"
    return out


def _astray(track: pd.DataFrame, hands: Floats, config: BridgeConfig) -> NDArray[np.bool_]:
    """Frames in which both hands say alike that what was followed is not the plate."""
    place = track[["x_px", "y_px"]].to_numpy(dtype=float)
    diameter_px = float(track["major_px"].median())
    offs = []
    for side in range(2):
        both = np.isfinite(place).all(axis=1) & np.isfinite(hands[:, side]).all(axis=1)
        if both.sum() < config.min_frames or not np.isfinite(diameter_px):
            return np.zeros(len(track), dtype=bool)
        slopes, _, _ = _follows(place[both], hands[both, side], config)
        off = np.full(place.shape, np.nan)
        off[both] = (place - hands[:, side])[both] - _about_means(hands[both, side]) @ slopes
        offs.append(off / diameter_px)
    size = np.hypot(*np.mean(offs, axis=0).T)
    apart = np.hypot(*np.subtract(*offs).T)
    away = pd.Series((size > config.astray_share) & (apart < config.astray_alike * size))
    stretch = (away != away.shift()).cumsum()
    return np.asarray(away & (away.groupby(stretch).transform("size") >= config.astray_frames))


def _own_way(
    time_s: Floats, place: Floats, sd_px: Floats, config: BridgeConfig
) -> tuple[Floats, Floats]:
    """Places (n, 2) within short gaps, NaN elsewhere, and their standard uncertainty (n,).

    A piecewise cubic through what was seen (Akima 1970, J. ACM 17:589-602, from memory); its
    uncertainty is as `smooth` has it of a gap across which nothing but the usual acceleration is
    known, of which the frames around leave `own_share` open.
    """
    found, spread = np.full(place.shape, np.nan), np.full(len(place), np.nan)
    seen = np.flatnonzero(np.isfinite(place).all(axis=1))
    if len(seen) < config.min_frames:
        return found, spread
    after = np.clip(np.searchsorted(seen, np.arange(len(place))), 1, len(seen) - 1)
    before, after = seen[after - 1], seen[after]
    since, until = time_s - time_s[before], time_s[after] - time_s
    short = (since > 0) & (until > 0) & (since + until <= config.own_s + 1e-9)
    spline = Akima1DInterpolator(time_s[seen], place[seen])
    found[short] = spline(time_s[short])
    usual = float(np.sqrt(np.mean(np.square(spline(time_s[seen], 2)))))
    open_px = config.own_share * usual * since * until / 2 / np.sqrt(3)
    spread[short] = np.hypot(np.fmax(sd_px[before], sd_px[after]), open_px)[short]
    return found, spread


def hands_at(time_s: Floats, joints: pd.DataFrame, max_pause_s: float) -> Floats:
    """Both hands at the track's times, shape (n, 2, 2); NaN where none was read close by.

    Between two readings of the pose table no farther apart than `max_pause_s` is interpolated.
    """
    columns = [f"{side}_hand_{axis}_px" for side in SIDES for axis in "xy"]
    read = joints.reindex(columns=columns).to_numpy(dtype=float).reshape(-1, 2, 2)
    read_s = joints["time_s"].to_numpy(dtype=float)
    out = np.full((len(time_s), 2, 2), np.nan)
    for side in range(2):
        known = np.isfinite(read[:, side]).all(axis=1)
        if known.sum() < 2:
            continue
        at = read_s[known]
        after = np.clip(np.searchsorted(at, time_s), 1, len(at) - 1)
        near = (time_s >= at[after - 1]) & (time_s <= at[after])
        near &= at[after] - at[after - 1] <= max_pause_s
        for axis in range(2):
            between = np.interp(time_s, at, read[known, side, axis])
            out[:, side, axis] = np.where(near, between, np.nan)
    return out


def _carried(place: Floats, known: Floats, config: BridgeConfig) -> tuple[Floats, float]:
    """Places from hands, shape (n, 2), and their standard uncertainty.

    The place moves as the hands' mean does, and a little otherwise, linearly in their coordinates
    (ridge regression: the slopes that differ from that have `slack` for their prior spread). What
    that is off before and after a gap it is taken to be off within, from the one to the other.
    """
    n = len(place)
    both = np.isfinite(place).all(axis=1) & np.isfinite(known).all(axis=1)
    if both.sum() < config.min_frames:
        return np.full((n, 2), np.nan), np.nan
    mean = known.reshape(n, -1, 2).mean(axis=1)
    centre = known[both].mean(axis=0)
    slopes, rest, usual = _follows(place[both], known[both], config)
    keep = rest < 4.0 * usual
    found = mean + np.column_stack([np.ones(n), known - centre]) @ slopes
    # In movement pictures are less sharp, and more is lost.
    speed = np.hypot(*np.gradient(mean[both], axis=0).T)
    usual = max(usual, float(np.median(rest[keep & (speed >= np.median(speed))])))
    # What was followed just before it was lost may have been something else.
    here = np.flatnonzero(both)[rest < 4.0 * usual]
    off = pd.DataFrame(place[here] - found[here])
    calm = off.rolling(config.calm_frames, center=True, min_periods=1).median().to_numpy()
    found += np.column_stack([np.interp(np.arange(n), here, calm[:, axis]) for axis in range(2)])
    # The median length of a circular error is 1.177 standard deviations per axis.
    return found, config.widen * usual / 1.1774


def _follows(place: Floats, known: Floats, config: BridgeConfig) -> tuple[Floats, Floats, float]:
    """How a place less the hands' mean hangs on the hands; see `_carried`.

    Returns
    -------
    slopes : ndarray, shape (1 + n, 2)
        Of the offset from the hands' mean and of their coordinates about their means.
    rest : ndarray, shape (frames,)
        What is left, px.
    usual : float
        Of which the median, at least a quarter of a pixel.
    """
    base = place - known.reshape(len(place), -1, 2).mean(axis=1)
    design = _about_means(known)
    noise = max(float(np.median(np.abs(base - np.median(base, axis=0)))), 0.5)
    ridge = np.diag(np.r_[0.0, np.full(known.shape[1], (noise / config.slack) ** 2)])
    keep = np.ones(len(base), dtype=bool)
    for _ in range(3):
        rows = design[keep]
        slopes = np.linalg.solve(rows.T @ rows + ridge, rows.T @ base[keep])
        rest = np.linalg.norm(base - design @ slopes, axis=1)
        usual = max(float(np.median(rest)), 0.25)
        keep = rest < 4.0 * usual
    return slopes, rest, usual


def _about_means(known: Floats) -> Floats:
    return np.column_stack([np.ones(len(known)), known - known.mean(axis=0)])


def followed_end(track: pd.DataFrame, joints: pd.DataFrame, least: int = 5) -> str:
    """Which end of the bar the plate that was followed is on.

    Parameters
    ----------
    track : DataFrame
        Plate table.
    joints : DataFrame
        Pose table in the same coordinates.
    least : int
        Fewer frames in which a plate was read give no answer.

    Returns
    -------
    {'left', 'right', ''}
        The lifter's; ``""`` where the readings do not agree.
    """
    at = track.set_index("frame").reindex(joints["frame"])
    place = at[["x_px", "y_px"]].to_numpy(dtype=float)
    size = at["major_px"].to_numpy(dtype=float)
    away = []
    for side in SIDES:
        read = joints.reindex(columns=[f"{side}_plate_x_px", f"{side}_plate_y_px"])
        away.append(np.hypot(*(read.to_numpy(dtype=float) - place).T) / size)
    left, right = (np.nan_to_num(one, nan=np.inf) for one in away)
    on_left, on_right = (left < ON_PLATE) & (left < right), (right < ON_PLATE) & (right < left)
    n_left, n_right = int(on_left.sum()), int(on_right.sum())
    if n_left + n_right < least or max(n_left, n_right) < CLEARLY_MORE * min(n_left, n_right):
        return ""
    return "left" if n_left > n_right else "right"
