"""The camera of a clip, fitted to what was followed in it and what the scenery tells."""

import dataclasses

import numpy as np
import pandas as pd

from barpath.analysis.config import AnalysisConfig
from barpath.clip.frames import ClipInfo
from barpath.clip.sceneroll import SceneRoll
from barpath.ground.view import view_of
from barpath.sight.bridge import followed_end
from barpath.space import barparts, feetcamera, platecamera, sights
from barpath.space.fittedcamera import Calibration, CalibrationConfig
from barpath.space.joints import head_direction, near_side


def with_scene_focal(settings: CalibrationConfig, level: SceneRoll) -> CalibrationConfig:
    """The settings with the focal length that the scenery tells, unless one was given."""
    if settings.focal_px is not None or not np.isfinite([level.f_px, level.f_rel_sd]).all():
        return settings
    return dataclasses.replace(settings, focal_px=level.f_px, focal_rel_sd=level.f_rel_sd)


def calibrate_view(
    steadied: pd.DataFrame,
    view: str,
    info: ClipInfo,
    level: SceneRoll,
    config: AnalysisConfig,
    joints: pd.DataFrame | None = None,
) -> Calibration:
    """Camera of a clip, from the bar or plate followed and what the scenery tells.

    Parameters
    ----------
    steadied : DataFrame
        Plate or bar table in steadied image coordinates.
    view : {'side', 'front', 'oblique'}
    info : ClipInfo
    level : SceneRoll
    config : AnalysisConfig
    joints : DataFrame, optional
        Pose table in steadied image coordinates.

    Returns
    -------
    Calibration
    """
    settings = with_scene_focal(config.calibration, level)
    if view_of(view).both_ends:
        return feetcamera.calibrate_front(
            steadied,
            info.width_px,
            info.height_px,
            roll_deg=level.roll_deg,
            roll_sd_deg=level.sd_deg,
            pitch_deg=level.pitch_deg,
            pitch_sd_deg=level.pitch_sd_deg,
            config=settings,
        )
    bar = []
    if joints is not None and not joints.empty:
        end = followed_end(steadied, joints)
        if barparts.is_bare(steadied):
            end = near_side(head_direction(joints))
        bar = [
            barparts.bar_readings(steadied, joints, side)
            for side in ((end,) if end else sights.SIDES)
        ]
    return platecamera.calibrate_side(
        steadied,
        info.width_px,
        info.height_px,
        roll_deg=level.roll_deg,
        roll_sd_deg=level.sd_deg,
        pitch_deg=level.pitch_deg,
        pitch_sd_deg=level.pitch_sd_deg,
        view=view,
        bar=bar,
        config=settings,
    )
