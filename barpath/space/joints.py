"""The lifter's joints in metres, in the plane of the view, with what the picture leaves open.

A picture gives a line of sight for each joint, not its distance. Each joint is therefore put at the
distance at which it usually lies from the bar's near plate (side and oblique views) or from the
vertical plane through the bar (front view), and the spread of that distance goes into its
uncertainty beside the network's own error.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.view import view_of
from barpath.sight.jointnet import SIDES
from barpath.space.fittedcamera import Calibration
from barpath.space.pinhole import front_joint_points, side_joint_points

Floats = NDArray[np.float64]

MEASURED_JOINTS = ("shoulder", "elbow", "wrist", "hand", "hip")
MIN_LENGTHS = 10
RIGHT_PX, DOWN_PX = np.eye(2)
UPPER_ARM_OF_STATURE = 0.186
LIKELY_UPPER_ARM_M = (0.22, 0.42)


@dataclass(frozen=True)
class JointDepths:
    """Where joints usually lie, metres (common practice, no source), with the spread of builds.

    Attributes
    ----------
    lateral_m, lateral_sd_m : dict
        Distance of each joint from the body's midline, and its spread over grips and builds.
    ahead_m, ahead_sd_m : dict
        Front view: distance of each joint from the bar's vertical plane toward the head at the
        bottom of a rep.
    """

    lateral_m: dict[str, float] = field(
        default_factory=lambda: {
            "wrist": 0.38,
            "hand": 0.38,
            "elbow": 0.40,
            "shoulder": 0.19,
            "hip": 0.12,
        }
    )
    lateral_sd_m: dict[str, float] = field(
        default_factory=lambda: {
            "wrist": 0.06,
            "hand": 0.06,
            "elbow": 0.09,
            "shoulder": 0.04,
            "hip": 0.05,
        }
    )
    ahead_m: dict[str, float] = field(
        default_factory=lambda: {
            "wrist": 0.0,
            "hand": 0.0,
            "elbow": 0.0,
            "shoulder": 0.10,
            "hip": -0.40,
        }
    )
    ahead_sd_m: dict[str, float] = field(
        default_factory=lambda: {
            "wrist": 0.02,
            "hand": 0.02,
            "elbow": 0.06,
            "shoulder": 0.07,
            "hip": 0.10,
        }
    )


@dataclass(frozen=True)
class ReadingError:
    """Standard error of a reading per axis: what the network states, and what it cannot know.

    Attributes
    ----------
    share : float
        Times the stated standard deviation.
    common_m : float
        Added to it: an error that all frames of a clip share.
    """

    share: float = 1.2
    common_m: float = 0.008

    def sd_m(self, variance_px2: Floats, m_per_px: Floats) -> Floats:
        """Standard error of the worse axis, shape (n,), from variances, shape (n, 2).

        Examples
        --------
        >>> ReadingError(1.0, 0.008).sd_m(np.array([[36.0, 4.0]]), np.array([0.001]))
        array([0.01])
        """
        stated_m = np.sqrt(np.max(variance_px2, axis=-1)) * m_per_px
        return np.hypot(self.share * stated_m, self.common_m)


def _read(pose: pd.DataFrame, name: str) -> tuple[Floats, Floats]:
    """A point's places and variances, shape (n, 2) each; NaN where the table lacks them."""
    parts = ("x_px", "y_px", "var_x_px2", "var_y_px2")
    values = pose.reindex(columns=[f"{name}_{part}" for part in parts]).to_numpy(dtype=float)
    return values[:, :2], values[:, 2:]


def head_direction(pose: pd.DataFrame, min_frames: int = 3) -> int:
    """Which way the lifter's head lies in a side or oblique view.

    Parameters
    ----------
    pose : DataFrame
        Pose table.
    min_frames : int
        Fewer frames with shoulders and hips give 0.

    Returns
    -------
    int
        1 when the head lies to the image's right, -1 to the left, 0 when it cannot be told.
    """

    def middle(joint: str) -> Floats:
        both = np.column_stack([_read(pose, f"{side}_{joint}")[0][:, 0] for side in SIDES])
        seen = np.isfinite(both)
        total = np.where(seen, both, 0.0).sum(axis=1)
        return np.divide(total, seen.sum(axis=1), out=np.full(len(both), np.nan), where=seen.any(1))

    if pose.empty:
        return 0
    reach = middle("shoulder") - middle("hip")
    reach = reach[np.isfinite(reach)]
    if len(reach) < min_frames:
        return 0
    share = float(np.mean(reach > 0))
    if share >= 0.75:
        return 1
    return -1 if share <= 0.25 else 0


def near_side(head: int) -> str:
    """The lifter's arm that is nearer the camera in a side view of a lifter on the back.

    With the head to the image's left the camera sees the lifter's right side, and the reverse.

    Examples
    --------
    >>> near_side(-1), near_side(1)
    ('right', 'left')
    """
    return {-1: "right", 1: "left"}.get(head, "")


def side_joints(
    pose: pd.DataFrame,
    calibration: Calibration,
    head: int,
    origin_m: Floats,
    depths: JointDepths | None = None,
    error: ReadingError | None = None,
) -> pd.DataFrame:
    """Joints of a side or oblique view in metres in the plane of the bar's path.

    Parameters
    ----------
    pose : DataFrame
        Pose table in steadied image coordinates.
    calibration : Calibration
    head : int
        From `head_direction`; 0 is taken as 1.
    origin_m : ndarray, shape (2,)
        Origin of the trajectory in the axes of `camera.side_points`.
    depths, error : optional
        Settings.

    Returns
    -------
    DataFrame
        `frame`, `time_s` and for each of `MEASURED_JOINTS` and both sides `{joint}_x_m` (toward the
        head), `{joint}_y_m` (up), `{joint}_sd_m`. The far arm is given at its own distance from the
        camera.
    """
    depths = depths or JointDepths()
    error = error or ReadingError()
    near = near_side(head)
    followed = calibration.value("outline_m") * (-1.0 if calibration.far else 1.0)
    parts = {"frame": pose["frame"], "time_s": pose["time_s"]}
    for side in SIDES:
        for joint in MEASURED_JOINTS:
            name = f"{side}_{joint}"
            reach = depths.lateral_m[joint] * (1.0 if side == near else -1.0)
            behind = followed - reach
            spread = depths.lateral_sd_m[joint]
            xy_px, variance_px2 = _read(pose, name)
            principal = calibration.principal_px
            here = side_joint_points(calibration.params, xy_px, principal, behind)
            there = side_joint_points(calibration.params, xy_px, principal, behind + spread)
            # The depth's error acts along the line from the picture's centre; half per axis.
            depth_sd = np.linalg.norm(there - here, axis=1) / np.sqrt(2)
            beside = side_joint_points(calibration.params, xy_px + DOWN_PX, principal, behind)
            own = error.sd_m(variance_px2, np.linalg.norm(beside - here, axis=1))
            parts[f"{name}_x_m"] = (here[:, 0] - origin_m[0]) * (head or 1)
            parts[f"{name}_y_m"] = here[:, 1] - origin_m[1]
            parts[f"{name}_sd_m"] = np.hypot(own, depth_sd)
    return pd.DataFrame(parts)


def front_joints(
    pose: pd.DataFrame,
    calibration: Calibration,
    bar_along_m: Floats,
    origin_m: Floats,
    depths: JointDepths | None = None,
    error: ReadingError | None = None,
) -> pd.DataFrame:
    """Joints of a front view in metres in the vertical plane through the bar.

    Parameters
    ----------
    pose : DataFrame
        Pose table in steadied image coordinates.
    calibration : Calibration
    bar_along_m : ndarray, shape (n,)
        The bar's distance along the bench in the pose's frames (third column of
        `camera.front_ends`).
    origin_m : ndarray, shape (2,)
        Origin of the trajectory: across and up.
    depths, error : optional
        Settings.

    Returns
    -------
    DataFrame
        As `side_joints`, with x toward the image's right.
    """
    depths = depths or JointDepths()
    error = error or ReadingError()
    parts = {"frame": pose["frame"], "time_s": pose["time_s"]}
    for side in SIDES:
        for joint in MEASURED_JOINTS:
            name = f"{side}_{joint}"
            along = bar_along_m + depths.ahead_m[joint]
            xy_px, variance_px2 = _read(pose, name)
            principal = calibration.principal_px
            here = front_joint_points(calibration.params, xy_px, principal, along)
            there = front_joint_points(
                calibration.params, xy_px, principal, along + depths.ahead_sd_m[joint]
            )
            depth_sd = np.linalg.norm(there - here, axis=1) / np.sqrt(2)
            beside = front_joint_points(calibration.params, xy_px + RIGHT_PX, principal, along)
            own = error.sd_m(variance_px2, np.linalg.norm(beside - here, axis=1))
            parts[f"{name}_x_m"] = here[:, 0] - origin_m[0]
            parts[f"{name}_y_m"] = here[:, 1] - origin_m[1]
            parts[f"{name}_sd_m"] = np.hypot(own, depth_sd)
    return pd.DataFrame(parts)


def upper_arm(
    joints_m: pd.DataFrame,
    view: str,
    measured_m: float | None = None,
    stature_m: float | None = None,
) -> tuple[float, float]:
    """Length of the lifter's upper arm between joint centres, with its standard uncertainty.

    Parameters
    ----------
    joints_m : DataFrame
        From `side_joints` or `front_joints`.
    view : str
        An oblique view gives no length of its own.
    measured_m : float, optional
        By tape measure; joint centres are found by hand to about 1 cm (common practice, no source).
    stature_m : float, optional
        The lifter's height: the upper arm is 0.186 of it (Drillis and Contini 1966, as given in
        Winter, Biomechanics and Motor Control of Human Movement), with 5 % between people.

    Returns
    -------
    length_m, sd_m : float
        What is given comes first; otherwise the longest that the upper arm is seen, since a
        picture can only shorten it; NaN when neither is there.

    Examples
    --------
    >>> upper_arm(pd.DataFrame(), "front", stature_m=1.80)
    (0.3348, 0.01674)
    """
    if measured_m is not None:
        return measured_m, 0.01
    if stature_m is not None:
        length_m = UPPER_ARM_OF_STATURE * stature_m
        return length_m, 0.05 * length_m
    if joints_m.empty or not view_of(view).square:
        return float("nan"), float("nan")
    lengths = np.concatenate(
        [
            np.hypot(
                joints_m[f"{side}_elbow_x_m"] - joints_m[f"{side}_shoulder_x_m"],
                joints_m[f"{side}_elbow_y_m"] - joints_m[f"{side}_shoulder_y_m"],
            )
            for side in SIDES
        ]
    )
    lengths = lengths[np.isfinite(lengths)]
    if len(lengths) < MIN_LENGTHS:
        return float("nan"), float("nan")
    length_m = float(np.percentile(lengths, 90))
    if not LIKELY_UPPER_ARM_M[0] <= length_m <= LIKELY_UPPER_ARM_M[1]:
        return float("nan"), float("nan")
    return length_m, 0.08 * length_m
