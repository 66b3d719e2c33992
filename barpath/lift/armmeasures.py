"""Measures of the arms, the grip and the touch point, from joints in the view or fitted arms.

Angles of the arm follow the axes of Wu et al. (2005), J. Biomech. 38:981-992: the long axis of the
humerus from shoulder to elbow, against the long axis of the thorax.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.uncertainty import combine, expand, rectangular
from barpath.lift.barcurves import BarCurves
from barpath.lift.measurerow import Found, MeasureContext, missing
from barpath.lift.pathmeasures import why_no_horizontal
from barpath.space import sights
from barpath.space.armfit import ArmFit

FloatArray = NDArray[np.float64]

LEAST_SIGHT_DEG = 20.0
"""Lengths along the bar are not given when the camera looks along it more closely than this."""
SIDE_SHOULDER_HEIGHT_SD_M = 0.008
"""By which shoulders are read too high or too low from the side all through a clip, beyond what is
stated: of 25 made lifters, the regulars and the callers (14 mm where 11 are stated; along the body
8)."""
_ALONG_THE_BAR = "The camera looks along the bar, so distances along it cannot be seen."
ARM_MEASURES = ("wrist_over_elbow_m", "forearm_lean_deg", "elbow_abduction_deg", "tuck_deg")
_BRIDGED = "The elbow was hidden with the bar on the chest and bridged by what is known of arms."


@dataclass(frozen=True)
class Joint:
    """Position of a joint in the plane of the view and its standard uncertainty, in m."""

    x: float
    y: float
    sd: float

    @property
    def seen(self) -> bool:
        """Whether place and uncertainty are known."""
        return math.isfinite(self.x) and math.isfinite(self.y) and math.isfinite(self.sd)


def nearest_frames(
    time_s: FloatArray, begin_s: float, end_s: float, window_s: float
) -> NDArray[np.bool_]:
    """Which moments lie within a stretch; when none does, the nearest one within the window."""
    inside = (time_s >= begin_s) & (time_s <= end_s)
    if not np.any(inside) and len(time_s):
        distance = np.maximum(begin_s - time_s, time_s - end_s)
        nearest = int(np.argmin(distance))
        inside[nearest] = distance[nearest] <= window_s
    return inside


class Joints:
    """Joint positions around a stretch of time."""

    def __init__(self, table: pd.DataFrame, window_s: float) -> None:
        self.table, self.window_s = table, window_s
        self.time = table["time_s"].to_numpy(dtype=float)

    def between(self, begin: float, end: float) -> pd.DataFrame:
        """Frames within the stretch; when there is none, the nearest one within the window."""
        return self.table[nearest_frames(self.time, begin, end, self.window_s)]

    @staticmethod
    def joint(frames: pd.DataFrame, name: str) -> Joint:
        """Median position of a joint; errors of neighbouring frames are alike, so sd stays."""
        columns = [f"{name}_x_m", f"{name}_y_m", f"{name}_sd_m"]
        if not set(columns) <= set(frames.columns):
            return Joint(math.nan, math.nan, math.nan)
        seen = frames[columns].dropna()
        if seen.empty:
            return Joint(math.nan, math.nan, math.nan)
        x, y, sd = seen.median().tolist()
        return Joint(x, y, sd)

    def hand(self, frames: pd.DataFrame, side: str) -> Joint:
        """Middle of the hand on the bar, else the wrist."""
        hand = self.joint(frames, f"{side}_hand")
        if hand.seen:
            return hand
        wrist = self.joint(frames, f"{side}_wrist")
        # A wrist stands up to 2 cm beside the middle of the hand (our estimate, no source).
        return Joint(wrist.x, wrist.y, combine(wrist.sd, rectangular(0.02)))


def _interval_sd(angle: float, low: float, high: float) -> float:
    """Standard uncertainty whose 95 % interval covers both ends of an angle's interval."""
    return max(abs(angle - low), abs(high - angle)) / expand(1.0)


def abduction_from_projection(
    seen_m: float,
    sd_m: float,
    length_m: float,
    length_sd_m: float,
    along_trunk: bool,
) -> tuple[float, float]:
    """Angle between upper arm and trunk from the length of the arm's projection.

    From the feet the camera looks along the trunk and sees the part across it, ``L sin(angle)``;
    from the side it sees the part along the trunk, ``L cos(angle)``.

    Parameters
    ----------
    seen_m : float
        Projected length across the trunk (not negative), or the component along it (positive toward
        the feet).
    sd_m : float
        Its standard uncertainty.
    length_m, length_sd_m : float
        True length of the upper arm and its standard uncertainty.
    along_trunk : bool
        Whether `seen_m` is the component along the trunk.

    Returns
    -------
    angle_deg, sd_deg : float
        Angle and standard uncertainty. The latter comes from the ends of the ratio's 95 % interval,
        since near 90 degrees from the front (near 0 from the side) the angle hardly changes the
        projection and a linear propagation fails. NaN when the projection is longer than the arm by
        more than that interval.

    Examples
    --------
    >>> angle, sd = abduction_from_projection(0.15, 0.0, 0.30, 0.0, along_trunk=False)
    >>> round(angle, 6)
    30.0
    """
    ratio = seen_m / length_m
    half = expand(combine(sd_m / length_m, ratio * length_sd_m / length_m))
    if abs(ratio) > 1 + half:
        return math.nan, math.nan
    ends = np.clip([ratio - half, ratio, ratio + half], -1.0, 1.0)
    low, angle, high = np.degrees(np.arccos(ends) if along_trunk else np.arcsin(ends))
    return float(angle), _interval_sd(float(angle), float(low), float(high))


def seen_arm(
    joints: Joints, frames: pd.DataFrame, side: str, context: MeasureContext
) -> dict[str, Found]:
    """Measures of one arm with the bar on the chest."""
    shoulder, elbow, wrist = (
        joints.joint(frames, f"{side}_{name}") for name in ("shoulder", "elbow", "wrist")
    )
    # From the feet the lifter's left is at the image's right, where x grows.
    outward = 1.0 if side == "left" else -1.0
    roll = math.radians(context.roll_sd_deg)
    found: dict[str, Found] = {}
    forearm = ("wrist_over_elbow_m", "forearm_lean_deg")
    if not context.shows.widths:
        found |= dict.fromkeys(forearm, missing("It needs a front view, from the feet."))
    elif not (elbow.seen and wrist.seen):
        reason = f"The {side} elbow or wrist was not seen with the bar on the chest."
        found |= dict.fromkeys(forearm, missing(reason))
    else:
        out, up = outward * (wrist.x - elbow.x), wrist.y - elbow.y
        sd = combine(elbow.sd, wrist.sd)
        found["wrist_over_elbow_m"] = Found(
            out, sd, combine(context.horizontal_rel_sd * abs(out), abs(up) * math.tan(roll))
        )
        lean = math.degrees(math.atan2(out, up))
        sd_deg = math.degrees(sd / max(math.hypot(out, up), 1e-9))
        found["forearm_lean_deg"] = Found(lean, sd_deg, context.roll_sd_deg)
    abduction = _abduction(joints, frames, side, shoulder, elbow, context)
    found["elbow_abduction_deg"] = abduction
    found["tuck_deg"] = Found(
        90.0 - abduction.value, abduction.random, abduction.common, abduction.reason
    )
    return found


def _abduction(
    joints: Joints,
    frames: pd.DataFrame,
    side: str,
    shoulder: Joint,
    elbow: Joint,
    context: MeasureContext,
) -> Found:
    """Angle between one upper arm and the trunk with the bar on the chest."""
    if not context.shows.square:
        return missing("From an oblique view the part of the upper arm in depth is not known.")
    if not math.isfinite(context.upper_arm_m):
        return missing("The length of the upper arm is not known.")
    if not (shoulder.seen and elbow.seen):
        return missing(f"The {side} shoulder or elbow was not seen with the bar on the chest.")
    dx, dy = elbow.x - shoulder.x, elbow.y - shoulder.y
    along = context.shows.along
    if along:
        hip = joints.joint(frames, f"{side}_hip")
        trunk = (
            np.array([hip.x - shoulder.x, hip.y - shoulder.y]) if hip.seen else context.trunk_axis
        )
        seen = float(np.dot([dx, dy], trunk) / np.linalg.norm(trunk))
    else:
        seen = math.hypot(dx, dy)
    length = context.upper_arm_m
    sd_seen = combine(shoulder.sd, elbow.sd)
    # The arm is seen partly along and partly across the scale's axes: the worse one counts.
    relative = max(context.scale_rel_sd, context.horizontal_rel_sd)
    sd_scale = combine(relative * length, context.upper_arm_sd_m)
    angle, sd = abduction_from_projection(seen, sd_seen, length, sd_scale, along)
    if not math.isfinite(angle):
        return missing(
            f"The {side} upper arm looks longer than it is, so a joint or the scale must be wrong."
        )
    return Found(angle, combine(sd, context.trunk_axis_sd_deg))


def fitted_arm(
    arms: ArmFit, between: tuple[float, float], side: str, context: MeasureContext
) -> dict[str, Found]:
    """Measures of one arm with the bar on the chest, from the arms fitted to the set.

    The angle between upper arm and trunk is taken in space; the trunk is taken as lying along the
    bench with the hips a little higher than the shoulder joints, which are set back into it
    (`context.trunk_rise_deg`, `context.trunk_axis_sd_deg`).
    """
    rows = nearest_frames(arms.time_s, *between, context.joint_window_s)
    rows &= np.isfinite(arms.points_m).all(axis=(1, 2, 3))
    if not rows.any():
        reason = "The lifter's arms were not seen with the bar on the chest."
        return dict.fromkeys(ARM_MEASURES, missing(reason))
    a = sights.SIDES.index(side)
    best = np.median(arms.points_m[rows, a], axis=0)
    draws = np.median(arms.draws_m[:, rows, a], axis=1)

    def values(points: FloatArray) -> FloatArray:
        shoulder, elbow, wrist, _ = np.moveaxis(points, -2, 0)
        upper, forearm = elbow - shoulder, wrist - elbow
        out = forearm[..., 2] * sights.OUTWARD[a]
        lean = np.degrees(np.arctan2(out, forearm[..., 1]))
        toward_hips = upper[..., :2] @ np.array(context.trunk_axis) / np.linalg.norm(upper, axis=-1)
        return np.stack([out, lean, np.degrees(np.arccos(np.clip(toward_hips, -1, 1)))], axis=-1)

    (out, lean, abduction), spread = values(best), values(draws).std(axis=0)
    up = best[2, 1] - best[1, 1]
    tilt = up * math.tan(math.radians(context.roll_sd_deg))
    scale = max(context.scale_rel_sd, context.horizontal_rel_sd)
    reason = "" if _read(arms, rows, a) else _BRIDGED
    found = dict.fromkeys(ARM_MEASURES[:2], missing(_ALONG_THE_BAR))
    if context.sight_to_bar_deg >= LEAST_SIGHT_DEG:
        found = {
            "wrist_over_elbow_m": Found(out, spread[0], combine(scale * abs(out), tilt), reason),
            "forearm_lean_deg": Found(lean, spread[1], context.roll_sd_deg, reason),
        }
    trunk = context.trunk_axis_sd_deg
    return found | {
        "elbow_abduction_deg": Found(abduction, combine(spread[2], trunk), 0.0, reason),
        "tuck_deg": Found(90.0 - abduction, combine(spread[2], trunk), 0.0, reason),
    }


def _read(arms: ArmFit, rows: NDArray[np.bool_], side: int) -> bool:
    """Whether the elbow was read in one of the frames and agreed with all else."""
    kept = arms.kept[rows, side, sights.SEEN.index("elbow")]
    return bool((np.nan_to_num(kept) > 0.3).any())


def fitted_grip(arms: ArmFit, context: MeasureContext) -> dict[str, Found]:
    """Grip width of the set, and against the shoulders."""
    names = ("grip_width_m", "grip_to_shoulder_ratio")
    if context.sight_to_bar_deg < LEAST_SIGHT_DEG:
        return dict.fromkeys(names, missing(_ALONG_THE_BAR))
    (width, sd), (shoulders, shoulders_sd) = arms.grip_width_m, arms.shoulder_width_m
    ratio = width / shoulders
    return {
        names[0]: Found(width, sd, context.horizontal_rel_sd * width),
        # The scale cancels in the ratio.
        names[1]: Found(ratio, ratio * combine(sd / width, shoulders_sd / shoulders)),
    }


def touch_point(
    joints: Joints, frames: pd.DataFrame, bar: BarCurves, rep: Any, context: MeasureContext
) -> dict[str, Found]:
    """Where the bar touches the chest, against the shoulder that is known best."""
    names = ("touch_point_height_m", "touch_point_to_shoulder_m")
    reason = why_no_horizontal(context)
    if not reason and getattr(rep, "short_of", "") in ("touch", "both"):
        reason = "The bar did not come down to the chest in this repetition."
    seen = [
        j
        for j in (joints.joint(frames, f"{side}_shoulder") for side in ("left", "right"))
        if j.seen
    ]
    if not reason and not seen:
        reason = "No shoulder was seen with the bar on the chest."
    if not reason and not (math.isfinite(bar.x(rep.touch_s)) and math.isfinite(bar.y(rep.touch_s))):
        reason = "The bar was not seen at the touch."
    if reason:
        return dict.fromkeys(names, missing(reason))
    shoulder = min(seen, key=lambda j: j.sd)
    up, toward_feet = bar.y(rep.touch_s) - shoulder.y, shoulder.x - bar.x(rep.touch_s)
    random = combine(shoulder.sd, bar.sd_at(rep.touch_s))
    height_sd = combine(random, SIDE_SHOULDER_HEIGHT_SD_M if context.shows.square else 0.0)
    tilt = math.tan(math.radians(context.roll_sd_deg))
    scale, across = context.scale_rel_sd, context.horizontal_rel_sd
    return {
        names[0]: Found(up, height_sd, combine(scale * abs(up), abs(toward_feet) * tilt)),
        names[1]: Found(toward_feet, random, combine(across * abs(toward_feet), abs(up) * tilt)),
    }


def seen_grip(joints: Joints, rep: Any, context: MeasureContext) -> dict[str, Found]:
    """Grip width over all frames from touch to lockout, and against the shoulders."""
    names = ("grip_width_m", "grip_to_shoulder_ratio")
    if not context.shows.widths:
        return dict.fromkeys(names, missing("It needs a front view, from the feet."))
    end = rep.lockout_s if math.isfinite(rep.lockout_s) else rep.end_s
    frames = joints.between(rep.touch_s, end)
    left, right = (joints.hand(frames, side) for side in ("left", "right"))
    if not (left.seen and right.seen):
        return dict.fromkeys(names, missing("A hand was not seen in this repetition."))
    width = math.hypot(left.x - right.x, left.y - right.y)
    sd = combine(left.sd, right.sd)
    found = {names[0]: Found(width, sd, context.horizontal_rel_sd * width)}
    one, other = (joints.joint(frames, f"{side}_shoulder") for side in ("left", "right"))
    if not (one.seen and other.seen):
        found[names[1]] = missing("A shoulder was not seen in this repetition.")
        return found
    shoulders = math.hypot(one.x - other.x, one.y - other.y)
    ratio = width / shoulders
    # The scale cancels in the ratio.
    found[names[1]] = Found(
        ratio, ratio * combine(sd / width, combine(one.sd, other.sd) / shoulders)
    )
    return found
