"""What a result keeps of settings, camera and detections, and those taken from it again."""

import dataclasses
import platform
from importlib.metadata import version
from typing import Any

import cv2
import numpy as np

from barpath.analysis.azimuth import place_words
from barpath.analysis.config import AnalysisConfig, with_bar
from barpath.analysis.filmfacts import Fact
from barpath.analysis.following import Detected
from barpath.analysis.setresult import SetResult
from barpath.clip.sceneroll import SceneRoll
from barpath.ground.equipment import POWER_BAR, Bar, bar_of
from barpath.lift.advice import profile_from
from barpath.space.fittedcamera import Calibration, CalibrationConfig
from barpath.space.joints import near_side
from barpath.space.scalecheck import Systematics
from barpath.space.sights import SIDES

AS_GIVEN = ("plate_given", "load_kg", "upper_arm_m", "stature_m", "note", "find_joints")
"""Settings that a result tells under their own names."""


def options_of(config: AnalysisConfig) -> dict[str, Any]:
    """Settings that a user can choose, as a result tells them."""
    return {
        "plate_mm": config.calibration.plate_mm,
        "plate_given": config.plate_given,
        "bar": config.barbell.name,
        "load_kg": config.load_kg,
        "upper_arm_m": config.upper_arm_m,
        "stature_m": config.stature_m,
        "note": config.note,
        "find_joints": config.find_joints,
        "profile": None if config.profile is None else dataclasses.asdict(config.profile),
    }


def config_of(result: SetResult) -> AnalysisConfig:
    """Settings that a set was measured with, as far as a user can choose them."""
    options = result.options
    profile = options.get("profile")
    config = AnalysisConfig(
        view=result.view,
        corrections=result.corrections,
        profile=None if profile is None else profile_from(profile),
        calibration=CalibrationConfig(plate_mm=options["plate_mm"]),
        **{name: options[name] for name in AS_GIVEN},
    )
    return with_bar(config, bar_in(result))


def bar_in(result: SetResult) -> Bar:
    """The bar that a set was measured with: a power bar where the result is older than others."""
    return bar_of(str(result.options.get("bar", POWER_BAR.name)))


def calibration_summary(
    calibration: Calibration,
    spread: Systematics,
    config: AnalysisConfig,
    head: int,
    level: SceneRoll,
    azimuth: Fact,
) -> dict[str, Any]:
    """How pixels became metres and where the camera stood, as a result tells it."""
    near = near_side(head)

    def degrees(name: str) -> tuple[float, float]:
        return float(np.rad2deg(calibration.value(name))), float(np.rad2deg(calibration.sd(name)))

    plate = f"Plate of {config.calibration.plate_mm:.0f} mm"
    roll, roll_sd = degrees("roll")
    pitch, pitch_sd = degrees("pitch")
    yaw, yaw_sd = degrees("yaw")
    return {
        "plate_mm": config.calibration.plate_mm,
        "px_per_m": spread.px_per_m,
        "scale_rel_sd": spread.vertical_rel_sd,
        "horizontal_rel_sd": spread.horizontal_rel_sd,
        "tilt_sd_deg": spread.tilt_sd_deg,
        "focal_px": calibration.value("log_focal"),
        "focal_rel_sd": calibration.sd("log_focal") / calibration.value("log_focal"),
        "roll_deg": roll,
        "roll_sd_deg": roll_sd,
        "pitch_deg": pitch,
        "pitch_sd_deg": pitch_sd,
        "plane_angle_deg": yaw,
        "plane_angle_sd_deg": yaw_sd,
        "scene_roll_deg": level.roll_deg,
        "scene_roll_sd_deg": level.sd_deg,
        "scene_pitch_deg": level.pitch_deg,
        "scene_pitch_sd_deg": level.pitch_sd_deg,
        "scene_lines": level.n_lines,
        "scene_focal_px": level.f_px,
        "scene_focal_rel_sd": level.f_rel_sd,
        "plate_check_mm": calibration.plate_check_mm,
        "head_direction": {1: "image right", -1: "image left", 0: "unknown"}[head],
        "near_arm": near,
        "azimuth_deg": azimuth.value,
        "azimuth_sd_deg": azimuth.sd,
        "filmed": place_words(azimuth, calibration.shows, near),
        "followed_end": calibration.end or "unknown",
        "method": f"{calibration.scale_source or plate}; up from {calibration.roll_source}.",
    }


def head_of(result: SetResult) -> int:
    """Which way the head lies in a side view: 1 image right, -1 left, 0 unknown."""
    return {"image right": 1, "image left": -1}.get(str(result.calibration["head_direction"]), 0)


def end_of(result: SetResult) -> str:
    """Which end of the bar was followed from aside; where that is not told the nearer one."""
    end = str(result.calibration["followed_end"])
    return end if end in SIDES else near_side(head_of(result))


def detected_in(result: SetResult) -> Detected:
    """What was seen in a set's clip, taken from its result."""
    summary = result.calibration
    level = SceneRoll(
        roll_deg=_number(summary["scene_roll_deg"]),
        sd_deg=_number(summary["scene_roll_sd_deg"]),
        n_lines=int(summary["scene_lines"]),
        reason="",
        pitch_deg=_number(summary["scene_pitch_deg"]),
        pitch_sd_deg=_number(summary["scene_pitch_sd_deg"]),
        f_px=_number(summary.get("scene_focal_px")),
        centre_px=(np.nan, np.nan),
        f_rel_sd=_number(summary.get("scene_focal_rel_sd")),
    )
    return Detected(
        result.view,
        result.view_source,
        result.track,
        result.camera,
        result.info.n_duplicate,
        level,
        result.pose,
    )


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)


def versions_here() -> dict[str, str]:
    """Versions of the program and of the libraries it rests on."""
    # Two distributions can have brought OpenCV, so it is asked itself.
    names = ("barpath", "onnxruntime", "numpy", "scipy", "pandas", "av")
    of_python = {"python": platform.python_version(), "opencv": cv2.__version__}
    return of_python | {name: version(name) for name in names}
