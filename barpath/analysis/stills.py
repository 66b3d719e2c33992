"""Which frames of a set are worth a still picture, and the joints that are shown in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from barpath.analysis.setresult import SetResult
from barpath.lift.reps import rep_remark

SEGMENTS: tuple[tuple[str, str], ...] = (
    ("left_wrist", "left_elbow"),
    ("left_elbow", "left_shoulder"),
    ("right_wrist", "right_elbow"),
    ("right_elbow", "right_shoulder"),
    ("left_shoulder", "right_shoulder"),
    ("left_shoulder", "left_hip"),
    ("right_shoulder", "right_hip"),
    ("left_hip", "right_hip"),
    ("left_hip", "left_knee"),
    ("left_knee", "left_ankle"),
    ("right_hip", "right_knee"),
    ("right_knee", "right_ankle"),
)
"""Pairs of joints joined by a line."""

DRAWN_JOINTS: tuple[str, ...] = tuple(dict.fromkeys(j for pair in SEGMENTS for j in pair))


@dataclass(frozen=True)
class StillRequest:
    """A frame worth a still picture.

    Attributes
    ----------
    frame : int
        Presentation order.
    file_name : str
        For the result folder.
    title, alt : str
        Caption and text alternative.
    """

    frame: int
    file_name: str
    title: str
    alt: str


def shown_joints(result: SetResult) -> pd.DataFrame:
    """Pose table in which the arms, where they were fitted, are the fitted ones.

    A fitted joint is no surer than it was seen, so that hidden ones are told from seen ones.
    """
    if result.arms.empty:
        return result.pose
    arms = result.arms.set_index("frame")
    table = result.pose.set_index("frame").reindex(arms.index)
    shared = table.columns.intersection(arms.columns)
    fitted = arms[shared].copy()
    sure = [column for column in shared if column.endswith("_confidence")]
    fitted[sure] = np.fmin(fitted[sure], table[sure])
    whole = pd.concat([table.drop(columns=shared), fitted], axis=1)[table.columns].copy()
    return whole.reset_index(names="frame")


def best_seen_rep(result: SetResult) -> int | None:
    """Find the repetition whose touch and lockout show the lifter best.

    Parameters
    ----------
    result : SetResult
        A measured set.

    Returns
    -------
    int or None
        Number of the repetition; whole ones go first, then those with the highest mean
        confidence of the joints near both events. None when there is no repetition.
    """
    if not len(result.reps):
        return None
    pose = shown_joints(result)
    names = [f"{j}_confidence" for j in DRAWN_JOINTS if f"{j}_confidence" in pose.columns]
    times = pose["time_s"].to_numpy(float) if len(pose) else np.array([])
    seen = pose[names].fillna(0.0).mean(axis=1).to_numpy() if names else np.array([])

    def score(row: Any) -> tuple[bool, float]:
        means = []
        for event in (row.touch_s, row.lockout_s):
            near = np.abs(times - event) <= 0.15
            means.append(float(seen[near].mean()) if near.any() and len(seen) else 0.0)
        return not rep_remark(row), min(means)

    return int(max(result.reps.itertuples(), key=score).rep)


def still_requests(result: SetResult) -> list[StillRequest]:
    """Choose the frames to show as stills: touch and lockout of the best-seen repetition.

    Parameters
    ----------
    result : SetResult
        A measured set.

    Returns
    -------
    list of StillRequest
        Where pose was found in a frame within 0.1 s of the event, that frame is taken.
    """
    rep = best_seen_rep(result)
    if rep is None:
        return []
    row = result.reps.set_index("rep").loc[rep]
    times = result.track["time_s"].to_numpy(float)
    frames = result.track["frame"].to_numpy(int)
    posed = (
        np.isin(frames, result.pose["frame"]) if len(result.pose) else np.zeros(len(frames), bool)
    )
    requests = []
    for event, title in (("touch_s", "touch"), ("lockout_s", "lockout")):
        if not np.isfinite(row[event]):
            continue
        distance = np.abs(times - row[event])
        near = posed & (distance <= 0.1)
        distance = np.where(near, distance, distance + (1e3 if near.any() else 0.0))
        requests.append(
            StillRequest(
                frame=int(frames[np.argmin(distance)]),
                file_name=f"rep{rep}_{title}.jpg",
                title=f"Rep {rep} at {title}",
                alt=f"Frame of the clip at the {title} of rep {rep}, with the bar and the lifter's "
                "measured joints drawn on it.",
            )
        )
    return requests


def touch_request(result: SetResult) -> StillRequest | None:
    """The still at the touch of the best-seen repetition, where there is one."""
    return next((r for r in still_requests(result) if r.title.endswith("touch")), None)
