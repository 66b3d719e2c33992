"""What a clip shows of the arms, and the tables of the arms that were fitted to it."""

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections
from barpath.analysis.kept import config_of
from barpath.analysis.placing import Placed
from barpath.analysis.setresult import SetResult
from barpath.analysis.trajectory import Path3
from barpath.clip import scene
from barpath.sight import pose
from barpath.space import armfit, sights
from barpath.space.fittedcamera import Calibration
from barpath.space.smooth import smooth
from barpath.space.steadying import steady


def arm_sighting(
    path: Path3,
    steady_joints: pd.DataFrame,
    camera: pd.DataFrame,
    calibration: Calibration,
    head: int,
    config: AnalysisConfig,
) -> sights.Sighting | None:
    """What the clip shows of the arms; None where joints were read in no frame.

    Parameters
    ----------
    path : Path3
        x toward the head in side and oblique views.
    steady_joints : DataFrame
        Pose table in steadied image coordinates.
    camera : DataFrame
        Camera table.
    calibration : Calibration
    head : int
        From `joints.head_direction`.
    config : AnalysisConfig
    """
    table = path.table
    steady_joints, given = _corrected(steady_joints, table, camera, config.corrections)
    if steady_joints.empty:
        return None
    rows = table.set_index("frame").reindex(steady_joints["frame"])
    bar = np.zeros((len(rows), 3))
    axis = np.tile([0.0, 0.0, 1.0], (len(rows), 1))
    bar[:, 1] = rows["y_smooth_m"]
    if calibration.shows.both_ends:
        time_s = table["time_s"].to_numpy(dtype=float)
        along = smooth(time_s, path.along_m, config.smooth, np.full(len(time_s), 0.002)).value
        known = np.isfinite(along)
        high = known & (table["y_smooth_m"] > -0.05)
        start_m = float(np.median(along[high if high.any() else known]))
        bar[:, 0] = np.interp(rows["time_s"], time_s[known], along[known]) - start_m
        bar[:, 2] = rows["x_smooth_m"]
        tilt = np.deg2rad(rows["tilt_deg"].to_numpy(dtype=float))
        axis[:, 1], axis[:, 2] = np.sin(tilt), np.cos(tilt)
        sight = sights.front_sight(calibration, path.origin_m, start_m)
    else:
        bar[:, 0] = rows["x_smooth_m"]
        sight = sights.side_sight(calibration, head, path.origin_m)
    readings_px, covariance_px2 = sights.read_joints(steady_joints)
    at = sights.Instants(rows["time_s"].to_numpy(dtype=float), bar, axis)
    frame = rows.index.to_numpy()
    return sights.Sighting(sight, at, frame, readings_px, covariance_px2, given)


def sighting_in(result: SetResult, placed: Placed) -> sights.Sighting | None:
    """What a set's clip shows of the arms, from its result; see `arm_sighting`."""
    joints = steady(result.pose, result.camera, pose.points_in(result.pose))
    return arm_sighting(
        placed.path,
        joints,
        result.camera,
        placed.calibration,
        placed.head,
        config_of(result),
    )


def _corrected(
    steady_joints: pd.DataFrame,
    table: pd.DataFrame,
    camera: pd.DataFrame,
    corrections: Corrections,
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Pose table with the joints put right by hand, and which of `sights.SEEN` they are."""
    points = pd.DataFrame(corrections.joints, columns=["frame", "joint", "x_px", "y_px"])
    points = points[points["frame"].isin(table["frame"])]
    steadied = steady(points, camera, [""])
    frames = np.union1d(steady_joints["frame"], points["frame"]).astype(int)
    joints = steady_joints.set_index("frame").reindex(frames)
    joints["time_s"] = table.set_index("frame")["time_s"].reindex(frames)
    given = np.zeros((len(frames), len(sights.SIDES), len(sights.SEEN)), dtype=bool)
    for point in steadied.itertuples():
        side, joint = point.joint.split("_")
        row = np.searchsorted(frames, point.frame)
        given[row, sights.SIDES.index(side), sights.SEEN.index(joint)] = True
        joints.loc[point.frame, [f"{point.joint}_x_px", f"{point.joint}_y_px"]] = (
            point.x_px,
            point.y_px,
        )
    return joints.reset_index(names="frame"), given


def place_arms(arms: armfit.ArmFit, camera: pd.DataFrame) -> pd.DataFrame:
    """Table of the fitted arms, in the pixels of each frame and in metres."""
    maps = camera.set_index("frame").reindex(arms.frame).reset_index()
    back = np.array([cv2.invertAffineTransform(m) for m in scene.transforms_of(maps)])
    return armfit.arm_table(arms, back)


def with_arms(joints_m: pd.DataFrame, arms: armfit.ArmFit) -> pd.DataFrame:
    """Joint table in which the arms are the fitted ones.

    Parameters
    ----------
    joints_m : DataFrame
        From `joints.side_joints` or `joints.front_joints`.
    arms : ArmFit

    Returns
    -------
    DataFrame
    """
    table = joints_m.set_index("frame").reindex(arms.frame)
    table["time_s"] = arms.time_s
    sd = arms.sd_m()
    axis = arms.sights[0].shows.axis
    for a, side in enumerate(sights.SIDES):
        for j, joint in enumerate(sights.FITTED):
            name = f"{side}_{joint}"
            table[f"{name}_x_m"] = arms.points_m[:, a, j, axis]
            table[f"{name}_y_m"] = arms.points_m[:, a, j, 1]
            table[f"{name}_sd_m"] = sd[:, a, j][:, [axis, 1]].max(axis=1)
    return table.reset_index(names="frame")
