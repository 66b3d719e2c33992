"""What was measured, frame by frame, in the pixels of each frame: that which is drawn on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import pandas as pd

from barpath.analysis.setresult import SetResult
from barpath.analysis.stills import DRAWN_JOINTS, shown_joints
from barpath.clip.scene import transforms_of
from barpath.report.strokes import OverlayConfig

PHASE_WORDS: Mapping[str, str] = {
    "rack": "in the rack",
    "unrack": "unracking",
    "lockout": "held at lockout",
    "descent": "lowering",
    "pause": "on the chest",
    "press": "pressing",
    "sticking": "sticking region",
    "rerack": "reracking",
}
"""Phases of `reps.PHASES` in plain words."""

LEGEND: Mapping[str, str] = {
    "path": "bar path",
    "plate": "plate",
    "bar": "bar and its ends",
    "sure": "joint seen",
    "unsure": "joint uncertain",
}


@dataclass(frozen=True)
class FrameState:
    """What was measured in one frame.

    Attributes
    ----------
    frame : int
        Presentation order.
    time_s : float
        Real seconds from the first frame.
    plate : tuple of float or None
        Ellipse of the near plate: centre x, y, full major and minor axes (px), angle (deg).
    plate_sure : bool
        False when only part of its outline was seen.
    bar_ends : tuple of (float, float) or None
        Image-left and image-right end of the bar.
    ends_sure : tuple of bool
        Whether each end was seen whole.
    trail_px : ndarray, shape (n, 2)
        Bar positions of the current repetition so far, in this frame's pixels; NaN where lost.
    joints : mapping of str to (float, float, float)
        x, y (px) and confidence.
    rep, n_reps : int or None, int
        Current repetition, if any, and how many there are.
    phase : str
        Phase of the lift; empty when not known.
    height_m, speed_m_s : float
        Bar height above the lowest touch of the set, and vertical speed, up positive.
    filled : bool
        The bar was lost here and its height is interpolated.
    legend : tuple of str
        What the legend explains, the same throughout a clip so that it does not jump; when empty,
        what is in this frame.
    """

    frame: int
    time_s: float
    plate: tuple[float, float, float, float, float] | None = None
    plate_sure: bool = True
    bar_ends: tuple[tuple[float, float], tuple[float, float]] | None = None
    ends_sure: tuple[bool, bool] = (True, True)
    trail_px: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))
    joints: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    rep: int | None = None
    n_reps: int = 0
    phase: str = ""
    height_m: float = np.nan
    speed_m_s: float = np.nan
    filled: bool = False
    legend: tuple[str, ...] = ()


def rep_spans(reps: pd.DataFrame) -> dict[int, tuple[float, float]]:
    """Start and end (s) of each repetition, open where the clip cuts it off.

    Parameters
    ----------
    reps : pandas.DataFrame
        Rep table.

    Returns
    -------
    dict of int to (float, float)
        A start that is not known is the end of the repetition before it, or minus infinity; an end
        that is not known is the start of the next, or infinity.
    """
    if not len(reps):
        return {}
    starts, ends = (reps[c].to_numpy(float) for c in ("start_s", "end_s"))
    before = np.concatenate([[-np.inf], ends[:-1]])
    after = np.concatenate([starts[1:], [np.inf]])
    starts = np.where(np.isfinite(starts), starts, np.where(np.isnan(before), -np.inf, before))
    ends = np.where(np.isfinite(ends), ends, np.where(np.isnan(after), np.inf, after))
    return {
        int(rep): (float(a), float(b)) for rep, a, b in zip(reps["rep"], starts, ends, strict=True)
    }


def frame_states(result: SetResult, config: OverlayConfig | None = None) -> list[FrameState]:
    """Collect, frame by frame, what is to be drawn.

    Parameters
    ----------
    result : SetResult
        A measured set.
    config : OverlayConfig, optional
        Settings.

    Returns
    -------
    list of FrameState
        One for each row of the track table, in order of time. Between two rows of a thinned-out
        pose table, joints are interpolated in the steadied image with the lower of the two
        confidences.
    """
    config = config or OverlayConfig()
    track = result.track.reset_index(drop=True)
    n = len(track)
    frames = track["frame"].to_numpy(int)
    times = track["time_s"].to_numpy(float)
    steady = transforms_at(result.camera, frames)
    plates = _plates(track)
    ends = _bar_ends(track)
    centre = _bar_centre(track)
    steadied = apply(steady, centre)
    joints = _joints_per_frame(shown_joints(result), frames, times, steady, config)

    path = result.trajectory
    y = _on_frames(path, "y_smooth_m", frames)
    v = _on_frames(path, "vy_m_s", frames)
    filled = _on_frames(path, "gap", frames) == 1
    phases = _phases_at(result.phases, times)
    reps = result.reps
    lowest = np.nan
    if len(reps) and np.isfinite(y).any():
        touches = reps["touch_s"].to_numpy(float)
        ok = np.isfinite(y)
        at_touch = np.interp(touches[np.isfinite(touches)], times[ok], y[ok])
        lowest = at_touch.min() if at_touch.size else np.nan
    rep_of = np.zeros(n, int)
    first_of = np.zeros(n, int)
    for rep, (start_s, end_s) in rep_spans(reps).items():
        inside = (times >= start_s) & (times <= end_s) & (rep_of == 0)
        rep_of[inside] = rep
        first_of[inside] = np.argmax(inside)

    legend = legend_kinds(len(reps) > 0, bool(plates), bool(ends), any(joints))
    states = []
    for i in range(n):
        back = cv2.invertAffineTransform(steady[i])
        trail = steadied[first_of[i] : i + 1] if rep_of[i] else steadied[:0]
        states.append(
            FrameState(
                frame=int(frames[i]),
                time_s=float(times[i]),
                plate=plates[i][0] if plates else None,
                plate_sure=plates[i][1] if plates else True,
                bar_ends=ends[i][0] if ends else None,
                ends_sure=ends[i][1] if ends else (True, True),
                trail_px=trail @ back[:, :2].T + back[:, 2],
                joints=joints[i],
                rep=int(rep_of[i]) or None,
                n_reps=len(reps),
                phase=phases[i],
                height_m=float(y[i] - lowest),
                speed_m_s=float(v[i]),
                filled=bool(filled[i]),
                legend=legend,
            )
        )
    return states


def scaled_state(state: FrameState, scale: float) -> FrameState:
    """Fit what was measured to a resized frame.

    Parameters
    ----------
    state : FrameState
        Positions in pixels of the frame as it was measured.
    scale : float
        Size of the resized frame as a share of that.

    Returns
    -------
    FrameState
        The same with pixel positions and sizes of the resized frame.

    Examples
    --------
    >>> scaled_state(FrameState(0, 0.0, joints={"left_hip": (10.5, 3.5, 1.0)}), 0.5).joints
    {'left_hip': (5.0, 1.5, 1.0)}
    """
    if scale == 1.0:
        return state

    def at(x: float, y: float) -> tuple[float, float]:
        # The origin is the centre of the corner pixel, not its corner.
        return (x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5

    plate = state.plate
    ends = state.bar_ends
    return replace(
        state,
        plate=plate and (*at(*plate[:2]), plate[2] * scale, plate[3] * scale, plate[4]),
        bar_ends=ends and (at(*ends[0]), at(*ends[1])),
        trail_px=(state.trail_px + 0.5) * scale - 0.5,
        joints={name: (*at(x, y), c) for name, (x, y, c) in state.joints.items()},
    )


def legend_kinds(path: bool, plate: bool, bar: bool, joints: bool) -> tuple[str, ...]:
    """What the legend explains, of what is there."""
    present = {"path": path, "plate": plate, "bar": bar, "sure": joints, "unsure": joints}
    return tuple(kind for kind in LEGEND if present[kind])


def transforms_at(camera: pd.DataFrame, frames: np.ndarray) -> np.ndarray:
    """Image → steadied image for each frame, shape (n, 2, 3); the identity where not known."""
    out = np.tile(np.eye(2, 3), (len(frames), 1, 1))
    if len(camera) and "m00" in camera:
        rows = camera.drop_duplicates("frame").set_index("frame").reindex(frames)
        found = transforms_of(rows)
        known = np.isfinite(found).all(axis=(1, 2))
        out[known] = found[known]
    return out


def apply(transforms: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points (n, 2), each moved by a transform of its own, (n, 2, 3)."""
    return np.einsum("nij,nj->ni", transforms[:, :, :2], points) + transforms[:, :, 2]


def _plates(
    track: pd.DataFrame,
) -> list[tuple[tuple[float, float, float, float, float] | None, bool]]:
    names = ["x_px", "y_px", "major_px", "minor_px", "angle_deg"]
    if not set(names) <= set(track.columns):
        return []
    rows = track[names].to_numpy(float)
    sure = (track["state"] == "seen").to_numpy()
    return [
        (tuple(r) if np.isfinite(r).all() else None, bool(s))
        for r, s in zip(rows, sure, strict=True)
    ]


def _bar_ends(
    track: pd.DataFrame,
) -> list[tuple[tuple[tuple[float, float], tuple[float, float]] | None, tuple[bool, bool]]]:
    names = [f"image_{side}_{axis}_px" for side in ("left", "right") for axis in "xy"]
    if not set(names) <= set(track.columns):
        return []
    rows = track[names].to_numpy(float)
    sure = track[["image_left_state", "image_right_state"]].eq("seen").to_numpy()
    return [
        (((r[0], r[1]), (r[2], r[3])) if np.isfinite(r).all() else None, (bool(s[0]), bool(s[1])))
        for r, s in zip(rows, sure, strict=True)
    ]


def _bar_centre(track: pd.DataFrame) -> np.ndarray:
    """Centre of the plate, or the bar's middle in the front view; shape (n, 2), px."""
    if {"x_px", "y_px"} <= set(track.columns):
        return track[["x_px", "y_px"]].to_numpy(float)
    if {"image_left_x_px", "image_right_x_px"} <= set(track.columns):
        left = track[["image_left_x_px", "image_left_y_px"]].to_numpy(float)
        right = track[["image_right_x_px", "image_right_y_px"]].to_numpy(float)
        return 0.5 * (left + right)
    return np.full((len(track), 2), np.nan)


def _on_frames(table: pd.DataFrame, column: str, frames: np.ndarray) -> np.ndarray:
    if column not in table.columns:
        return np.full(len(frames), np.nan)
    rows = table.drop_duplicates("frame").set_index("frame")[column].reindex(frames)
    return rows.astype(float).to_numpy()


def _phases_at(phases: pd.DataFrame, times: np.ndarray) -> list[str]:
    if not len(phases):
        return [""] * len(times)
    at = np.searchsorted(phases["time_s"].to_numpy(float), times + 1e-6, side="right") - 1
    names = phases["phase"].astype(str).to_numpy()
    return [names[i] if i >= 0 else "" for i in at]


def _joints_per_frame(
    pose: pd.DataFrame,
    frames: np.ndarray,
    times: np.ndarray,
    steady: np.ndarray,
    config: OverlayConfig,
) -> list[dict[str, tuple[float, float, float]]]:
    """Joints for each frame in its own pixels."""
    n = len(frames)
    joints: list[dict[str, tuple[float, float, float]]] = [{} for _ in frames]
    pose = pose[pose["frame"].isin(frames)] if len(pose) else pose
    if not len(pose):
        return joints
    pose = pose.drop_duplicates("frame").sort_values("frame")
    at = np.searchsorted(frames, pose["frame"].to_numpy(int))
    after = np.minimum(np.searchsorted(at, np.arange(n)), len(at) - 1)
    before = np.where(at[after] == np.arange(n), after, np.maximum(after - 1, 0))
    span = times[at[after]] - times[at[before]]
    inside = (at[before] <= np.arange(n)) & (np.arange(n) <= at[after])
    inside &= span <= config.pose_gap_s
    share = np.divide(times - times[at[before]], span, out=np.zeros(n), where=span > 0)
    inverse = np.array([cv2.invertAffineTransform(m) for m in steady])
    for name in DRAWN_JOINTS:
        if f"{name}_x_px" not in pose.columns:
            continue
        xy = apply(steady[at], pose[[f"{name}_x_px", f"{name}_y_px"]].to_numpy(float))
        confidence = pose[f"{name}_confidence"].to_numpy(float)
        points = apply(inverse, xy[before] + share[:, None] * (xy[after] - xy[before]))
        sure = np.minimum(confidence[before], confidence[after])
        for i in np.flatnonzero(inside & np.isfinite(points).all(axis=1) & np.isfinite(sure)):
            joints[i][name] = (float(points[i, 0]), float(points[i, 1]), float(sure[i]))
    return joints
