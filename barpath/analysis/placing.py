"""From pixels to metres: the camera of a clip, from what was followed in it."""

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from barpath.analysis.camerafit import calibrate_view
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import correct_track
from barpath.analysis.following import Detected
from barpath.analysis.kept import config_of, detected_in, head_of
from barpath.analysis.setresult import SetResult
from barpath.analysis.trajectory import Path3, move_origin, toward_head, trajectory_of
from barpath.errors import BarNotFoundError
from barpath.ground.view import view_of
from barpath.sight import pose
from barpath.sight.bridge import bridge
from barpath.space import barparts, scalecheck, sights
from barpath.space.fittedcamera import Calibration
from barpath.space.joints import front_joints, side_joints
from barpath.space.scalecheck import Systematics
from barpath.space.steadying import steady


@dataclass(frozen=True)
class Steadied:
    """What was followed, in the steadied image.

    Attributes
    ----------
    track : DataFrame
        Plate or bar table; where the bar was lost its place is that of the hands.
    joints : DataFrame
        Pose table; without rows where joints were not looked for.
    followed : DataFrame
        Plate or bar table as it was followed, lost frames and all.
    """

    track: pd.DataFrame
    joints: pd.DataFrame
    followed: pd.DataFrame


def steadied(detected: Detected, config: AnalysisConfig) -> Steadied:
    """Take the camera's motion out of bar and joints, and bridge where the bar was lost."""
    shows, camera = view_of(detected.view), detected.camera
    joints_px = detected.poses
    joints = steady(joints_px, camera, pose.points_in(joints_px))
    followed = steady(detected.track, camera, (*shows.ends, *barparts.sleeves_in(detected.track)))
    return Steadied(bridge(followed, joints, shows.ends, config.bridging), joints, followed)


def systematics_of(calibration: Calibration, track: pd.DataFrame) -> Systematics:
    """What of the scale's uncertainty all lengths of the set share, as the view has it."""
    if calibration.shows.both_ends:
        return scalecheck.front_systematics(calibration, track)
    return scalecheck.side_systematics(calibration, track)


LEAST_RIM_SHARE = 0.25
"""Of a plate's rim; by less than that an outline says nothing of its size (see
`CalibrationConfig.outline_part_sd`), and may lie on anything."""
LEAST_SEEN_ITSELF = 0.3
"""What is seen more rarely, and else told from a part of it or from the hands, may not be the bar
at all. Made clips whose bar was followed show it in 0.39 of the frames and more; one in which
something else was followed, in 0.18."""


LEAST_WITH_HANDS = 0.9
"""Correlation of the heights of hands and plate through a set. In 431 made clips whose plate was
followed that of the surer hand is 0.996 and more; in one in which something else was, 0.65."""
LEAST_HAND_FRAMES = 10


def check_with_hands(seen: Steadied, reps: pd.DataFrame) -> None:
    """Refuse a plate that does not go up and down as the hands on its bar do.

    Parameters
    ----------
    seen : Steadied
        Of a side or oblique view.
    reps : DataFrame
        Repetitions; before the first and after the last hands may be anywhere.

    Raises
    ------
    BarNotFoundError
    """
    if seen.joints.empty:
        return
    moments_s = reps[["start_s", "touch_s", "press_s", "lockout_s"]]
    at = seen.joints.merge(seen.followed[["frame", "y_px", "state"]], on="frame")
    in_set = at["time_s"].between(moments_s.min(axis=None), moments_s.max(axis=None))
    at = at[in_set & at["state"].isin(["seen", "partly"])]
    alike = []
    for side in sights.SIDES:
        heights = at[["y_px", f"{side}_hand_y_px"]].dropna().to_numpy(dtype=float)
        if len(heights) >= LEAST_HAND_FRAMES and np.ptp(heights, axis=0).all():
            alike.append(float(np.corrcoef(heights.T)[0, 1]))
    if alike and max(alike) < LEAST_WITH_HANDS:
        raise BarNotFoundError(
            "What was followed does not go up and down as the lifter's hands do, so it is not the"
            " bar's plate; say where the plate is with --plate-at."
        )


def check_followed(
    track: pd.DataFrame, view: str, min_share: float = 0.4, *, whole: bool = False
) -> None:
    """Refuse a track that was lost for most of the clip.

    Parameters
    ----------
    track : DataFrame
        Plate or bar table.
    view : {'side', 'front', 'oblique'}
    min_share : float
        Of the frames, in which it must have been seen.
    whole : bool
        Whether what was seen in part does not count.

    Raises
    ------
    BarNotFoundError
    """
    ends = view_of(view).ends
    seen = track[[f"{end}{axis}_px" for end in ends for axis in "xy"]].notna().all(axis=1)
    if whole:
        states = track[[c for c in track.columns if c.endswith("state")]]
        seen &= (states == "seen").all(axis=1)
    if seen.mean() < min_share:
        raise BarNotFoundError(
            f"{_followed(track, view, whole=whole)} in only {seen.mean():.0%} of the frames; at"
            f" least {min_share:.0%} are needed."
        )


def check_rim(track: pd.DataFrame) -> None:
    """Refuse a plate of whose rim hardly anything was found.

    Parameters
    ----------
    track : DataFrame
        Plate table.

    Raises
    ------
    BarNotFoundError
    """
    share = float(track["outline_share"].median()) if "outline_share" in track else np.nan
    if share < LEAST_RIM_SHARE:
        raise BarNotFoundError(
            f"What was followed shows only {share:.0%} of a plate's rim, too little to be told from"
            " other things that move; say where the plate is with --plate-at."
        )


def _followed(track: pd.DataFrame, view: str, *, whole: bool) -> str:
    """What was followed and seen, as a sentence begins."""
    if view_of(view).both_ends:
        return f"Both ends of the bar were seen{' whole' if whole else ''}"
    if "sleeve_px" in track:
        return "The end of the bar's sleeve was seen"
    if not barparts.is_bare(track):
        return f"The plate was seen{' whole' if whole else ''}"
    # A plate never seen, or hands never read, leave the same empty table.
    return "Both hands on the bar were seen" if track["x_px"].notna().any() else "The bar was seen"


def sight_to_bar_deg(calibration: Calibration) -> float:
    """Angle between the line of sight and the bar: 90 squarely from the feet, 0 from the side."""
    turn_deg = float(np.rad2deg(abs(calibration.value("yaw"))))
    # From the feet the angle is that by which the bar is turned from the picture's plane.
    return 90.0 - turn_deg if calibration.shows.widths else turn_deg


def place_joints(
    joints: pd.DataFrame,
    path: Path3,
    calibration: Calibration,
    head: int,
    config: AnalysisConfig,
) -> pd.DataFrame:
    """Joints in metres in the plane of the view, on the path's axes.

    Parameters
    ----------
    joints : DataFrame
        Pose table in steadied image coordinates.
    path : Path3
        x toward the image's right.
    calibration : Calibration
    head : int
        From `joints.head_direction`; 0 from the feet.
    config : AnalysisConfig
    """
    depths, error = config.depths, config.reading_error
    if not calibration.shows.both_ends:
        return side_joints(joints, calibration, head, path.origin_m, depths, error)
    along = pd.Series(path.along_m, index=path.table["frame"]).reindex(joints["frame"])
    along_m = along.to_numpy(dtype=float)
    return front_joints(joints, calibration, along_m, path.origin_m, depths, error)


@dataclass(frozen=True)
class Placed:
    """What was seen in a set's clip, put into its world again.

    Attributes
    ----------
    calibration : Calibration
    path : Path3
        As in the result's trajectory, x toward the head.
    head : int
        Which way the head lies in a side view: 1 image right, -1 left, 0 unknown.
    """

    calibration: Calibration
    path: Path3
    head: int


def place(result: SetResult) -> Placed:
    """Camera and path of a set, from its result."""
    config, detected = config_of(result), detected_in(result)
    track = correct_track(result.track, config.corrections, config.correcting)
    seen = steadied(dataclasses.replace(detected, track=track), config)
    calibration = calibrate_view(
        seen.track, result.view, result.info, detected.level, config, seen.joints
    )
    path = move_origin(trajectory_of(seen.track, calibration, config), result.reps)
    head = head_of(result)
    return Placed(calibration, toward_head(path, head) if head else path, head)
