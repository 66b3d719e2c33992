"""How a row of the measure table is made: a value, its uncertainty, its grade or the reason."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from barpath.errors import OptionError
from barpath.ground.uncertainty import combine, expand, grade, state
from barpath.ground.view import NAMES, View, view_of
from barpath.lift.catalogue import MeasureSpec
from barpath.space.arms3d import HipConfig

COLUMNS = [
    "rep",
    "measure",
    "side",
    "value",
    "unit",
    "sd",
    "u95",
    "quality",
    "reason",
    "sd_common",
]


@dataclass(frozen=True)
class MeasureContext:
    """What is the same for all repetitions of a clip.

    Parameters
    ----------
    view : str
        ``"side"``, ``"oblique"`` or ``"front"``.
    scale_rel_sd : float
        Relative standard uncertainty of vertical lengths and speeds.
    scale_reason : str
        Why no length or speed may be believed; empty where they may.
    horizontal_rel_sd : float
        Relative standard uncertainty of horizontal lengths, which a slanted view makes larger.
    roll_sd_deg : float
        Standard uncertainty of the camera's roll against the vertical.
    camera_sd_m : float
        What a moving camera leaves in a displacement over a repetition.
    frame_interval_s : float
        Time between frames; an event is known no better than to half of it.
    cutoff_hz : float
        Cut-off of the smoothing, used for the noise of the speed where the trajectory does not
        state it.
    horizontal_trusted : bool
        Whether horizontal distances of this view may be believed.
    horizontal_reason : str
        Why not.
    lifter_found : bool
        Whether the lifter's joints were found.
    lifter_reason : str
        Why not.
    upper_arm_m, upper_arm_sd_m : float
        Length of the lifter's upper arm (shoulder joint to elbow joint) and its standard
        uncertainty; NaN when unknown.
    sight_to_bar_deg : float
        Angle between the line of sight and the bar: 90 from the feet, 0 from the side.
    trunk_rise_deg, trunk_axis_sd_deg : float
        How far the trunk's long axis rises toward the hips where they are not seen, and how well
        its direction is known. The defaults are those of `arms3d.HipConfig` and our estimate for a
        lifter with an arched back on a level bench; no source.
    joint_window_s : float
        How far from an event a frame with joints may lie to stand for it.
    useless_factor : float
        A value whose 95 % half width is more than this many times `fair_u95` is missing.
    """

    view: str
    scale_rel_sd: float = 0.0
    scale_reason: str = ""
    horizontal_rel_sd: float = 0.0
    roll_sd_deg: float = 0.0
    camera_sd_m: float = 0.0
    frame_interval_s: float = 0.0
    cutoff_hz: float = 4.0
    horizontal_trusted: bool = True
    horizontal_reason: str = ""
    lifter_found: bool = True
    lifter_reason: str = ""
    upper_arm_m: float = math.nan
    upper_arm_sd_m: float = 0.0
    sight_to_bar_deg: float = 90.0
    trunk_rise_deg: float = HipConfig().rise_deg
    trunk_axis_sd_deg: float = 2.5
    joint_window_s: float = 0.15
    useless_factor: float = 2.0

    def __post_init__(self) -> None:
        if self.view not in NAMES:
            raise OptionError(f"The view must be one of {', '.join(NAMES)}, not {self.view!r}.")

    @property
    def trunk_axis(self) -> tuple[float, float]:
        """Toward the hips, along and up, where the hips are not seen."""
        rise = math.radians(self.trunk_rise_deg)
        return -math.cos(rise), math.sin(rise)

    @property
    def shows(self) -> View:
        """What can be seen from there."""
        return view_of(self.view)


@dataclass(frozen=True)
class Found:
    """A value with the random and the common part of its standard uncertainty, or the reason."""

    value: float = math.nan
    random: float = 0.0
    common: float = 0.0
    reason: str = ""


def missing(reason: str) -> Found:
    """No value, and why."""
    return Found(reason=reason)


def row_of(
    rep: int, spec: MeasureSpec, side: str, found: Found, context: MeasureContext
) -> dict[str, Any]:
    """One row of the measure table, graded."""
    sd = combine(found.random, found.common)
    u95 = expand(sd)
    quality, reason = grade(u95, spec.good_u95, spec.fair_u95), found.reason
    value, common = found.value, found.common
    if not math.isfinite(value) or not math.isfinite(u95):
        quality = "missing"
        reason = reason or "It could not be worked out from what was seen of this repetition."
    elif u95 > context.useless_factor * spec.fair_u95:
        quality = "missing"
        reason = f"It is too uncertain to be of use: {state(value, u95, spec.unit)}."
    elif quality != "good" and not reason:
        cause = (
            "the scale of the picture and the tilt of the camera"
            if found.common > found.random
            else "where the joints are"
            if spec.needs_joints
            else "noise and the frame rate"
        )
        reason = f"Most of its uncertainty comes from {cause}."
    if quality == "missing":
        value = sd = u95 = common = math.nan
    return dict(
        zip(
            COLUMNS,
            [rep, spec.name, side, value, spec.unit, sd, u95, quality, reason, common],
            strict=True,
        )
    )
