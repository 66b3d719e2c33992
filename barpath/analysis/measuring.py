"""Repetitions and measures, from the bar's path and the arms in metres."""

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.trajectory import Path3, camera_sway_m, camera_sway_m_s
from barpath.clip.frames import ClipInfo
from barpath.errors import NoRepError
from barpath.ground.view import view_of
from barpath.lift.measurerow import MeasureContext
from barpath.lift.reps import find_phases, find_reps
from barpath.space.joints import upper_arm
from barpath.space.scalecheck import Systematics

MAX_HORIZONTAL_REL_SD = 0.12
MAX_SCALE_REL_SD = 0.2
UNKNOWN_SCALE = "The scale of the picture is too uncertain to give lengths or speeds."
MAX_OBLIQUE_SWAY_M = 0.025
"""Up to here what a moving camera leaves open is stated well: of 31 made clips at an angle, filmed
by hands twice and three and a half times as unsteady as usual, 97 % of the intervals of drift from
touch to lockout and of the touch point hold."""
HANDHELD_RACK_MOVE_M = 0.06
STOPS = ("start", "touch", "press", "lockout")
"""Moments at which the bar comes to rest or leaves it."""
LONGEST_SD_S = 0.5


@dataclass(frozen=True)
class Lift:
    """What the bar's height tells of the set.

    Attributes
    ----------
    reps, phases : DataFrame
        Rep table; `time_s` and `phase` for each sample.
    sway_m, sway_m_s : float
        From `trajectory.camera_sway_m` and `camera_sway_m_s`.
    """

    reps: pd.DataFrame
    phases: pd.DataFrame
    sway_m: float
    sway_m_s: float


def find_lift(
    path: Path3, camera: pd.DataFrame, info: ClipInfo, px_per_m: float, config: AnalysisConfig
) -> Lift:
    """Find repetitions and phases in the bar's height alone.

    Parameters
    ----------
    path : Path3
    camera : DataFrame
        Camera table.
    info : ClipInfo
    px_per_m : float
        Scale in the plane of motion.
    config : AnalysisConfig

    Returns
    -------
    Lift

    Raises
    ------
    NoRepError
        There is no repetition in it.
    """
    time_s = path.table["time_s"].to_numpy(dtype=float)
    # As measured: heights that were smoothed before would hide what smoothing does to times.
    height_m = path.table["y_m"].to_numpy(dtype=float)
    reps = find_reps(time_s, height_m, config.reps)
    if reps.empty:
        raise NoRepError(
            "The bar was followed, but its height shows no repetition: nothing to measure."
        )
    middle_px = (info.width_px / 2, info.height_px / 2)
    sway_m = camera_sway_m(camera, reps, middle_px, px_per_m)
    # What a moving camera leaves in the height must not pass for the bar leaving the rack.
    rack_move_m = config.reps.rack_move_m
    if sway_m > 0:
        rack_move_m = max(rack_move_m, HANDHELD_RACK_MOVE_M, 3 * sway_m)
    moving = dataclasses.replace(config.reps, rack_move_m=rack_move_m)
    sway_m_s = camera_sway_m_s(camera, middle_px, px_per_m, path.cutoff_hz)
    reps = _unsteady(reps, path, sway_m_s)
    return Lift(reps, find_phases(time_s, height_m, moving), sway_m, sway_m_s)


def _unsteady(reps: pd.DataFrame, path: Path3, sway_m_s: float) -> pd.DataFrame:
    """The rep table, its moments less well known by what a moving camera leaves in the speed.

    A speed that is off is reached the sooner or later the slower it changes.
    """
    if sway_m_s == 0.0:
        return reps
    reps = reps.copy()
    known = path.table["ay_m_s2"].notna()
    time_s, ay = (path.table.loc[known, name] for name in ("time_s", "ay_m_s2"))
    for event in STOPS:
        change = np.abs(np.interp(reps[f"{event}_s"], time_s, ay))
        off_s = sway_m_s / np.maximum(change, 1e-6)
        reps[f"{event}_sd_s"] = np.minimum(np.hypot(reps[f"{event}_sd_s"], off_s), LONGEST_SD_S)
    return reps


def scale_is_known(spread: Systematics) -> bool:
    """Whether lengths are known well enough to say what things are by their size.

    Arms of usual lengths could not be laid into the set otherwise.
    """
    return spread.vertical_rel_sd <= MAX_SCALE_REL_SD


def make_context(
    info: ClipInfo,
    view: str,
    spread: Systematics,
    joints_m: pd.DataFrame,
    cutoff_hz: float,
    camera_sd_m: float,
    head: int,
    sight_deg: float,
    config: AnalysisConfig,
) -> MeasureContext:
    """What holds for all repetitions: uncertainties of scale and level, and what cannot be had."""
    trusted, reason = True, ""
    if not view_of(view).along:
        trusted = False
        reason = "From the feet, movement toward head or feet is not seen as such."
    elif spread.horizontal_rel_sd > MAX_HORIZONTAL_REL_SD:
        trusted = False
        reason = (
            "The plate is too slanted or too small in the picture to say how far horizontal"
            " movement goes."
        )
    elif head == 0 and config.find_joints:
        trusted = False
        reason = "Which way the lifter's head lies could not be told from the picture."
    elif not view_of(view).square and camera_sd_m > MAX_OBLIQUE_SWAY_M:
        trusted = False
        reason = "The camera moved too much for horizontal movement in a slanted view."
    lifter_reason = ""
    if not len(joints_m) or not joints_m.filter(like="_sd_m").notna().any(axis=None):
        lifter_reason = "The lifter's joints were not found in this clip."
    elif not scale_is_known(spread):
        lifter_reason = "The scale of the picture is too uncertain to tell how the arms lie."
    arm_m, arm_sd_m = upper_arm(joints_m, view, config.upper_arm_m, config.stature_m)
    return MeasureContext(
        view=view,
        scale_rel_sd=spread.vertical_rel_sd,
        scale_reason="" if scale_is_known(spread) else UNKNOWN_SCALE,
        horizontal_rel_sd=spread.horizontal_rel_sd,
        roll_sd_deg=spread.tilt_sd_deg,
        camera_sd_m=camera_sd_m,
        frame_interval_s=1.0 / info.fps,
        cutoff_hz=cutoff_hz,
        horizontal_trusted=trusted,
        horizontal_reason=reason,
        sight_to_bar_deg=float(sight_deg),
        lifter_found=not lifter_reason,
        lifter_reason=lifter_reason,
        upper_arm_m=arm_m,
        upper_arm_sd_m=arm_sd_m,
    )
