"""The lifter and the bar's parts in a few pictures of a test clip."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from barpath.analysis.config import AnalysisConfig, pose_config
from barpath.clip.frames import Frame
from barpath.clip.reading import Reading
from barpath.sight import plate, platetrack, pose
from barpath.sight.jointnet import JointNetwork

WATCHED = ("shoulder", "elbow", "wrist", "hip")
N_LOOKS = 8
"""So many pictures are enough to tell how the bar lies; a calibration wants five."""
N_BEFORE = 2


def read_along(
    reading: Reading, seed: plate.PlateSeed, network: JointNetwork, config: AnalysisConfig
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Plate and lifter in a few frames of those in which the plate was found.

    The path on which it was found is coarse, and its outline was looked at in one frame: the
    tracker goes over a few frames before each.

    Parameters
    ----------
    reading : Reading
    seed : PlateSeed
    network : JointNetwork
    config : AnalysisConfig

    Returns
    -------
    track, poses : DataFrame
        Plate table and pose table.
    """
    found = np.unique(seed.path[:, 0].astype(int)) if len(seed.path) else np.array([seed.index])
    picks = found[np.unique(np.linspace(0, len(found) - 1, N_LOOKS).round().astype(int))]
    wanted = {max(int(k) - before, 0) for k in picks for before in range(N_BEFORE + 1)}
    known = pose_config(config)
    tracker = platetrack.PlateTracker(seed, config.plate)
    parts = []
    for frame in reading.pick(wanted):
        row = tracker.update(frame)
        if frame.index in picks:
            line = pose.bar_line(row, known)
            read = pose.estimate_pose_image(frame.image, network, line, known)
            parts.append(read.assign(frame=frame.index, time_s=frame.time_s))
    poses = pd.concat(parts, ignore_index=True) if parts else pose.pose_table([])
    return tracker.table(), poses


def read_middle(stills: list[Frame], network: JointNetwork) -> pd.DataFrame:
    """Pose table of one picture from the middle of the clip."""
    return pose.estimate_pose_image(stills[len(stills) // 2].image, network)


def confidences(poses: pd.DataFrame) -> dict[str, float]:
    """Best confidence of each joint watched, `{side}_{joint}`."""
    names = [f"{side}_{joint}" for side in ("left", "right") for joint in WATCHED]
    best = {name: float(poses[f"{name}_confidence"].max()) for name in names}
    return {name: value if math.isfinite(value) else 0.0 for name, value in best.items()}
