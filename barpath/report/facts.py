"""What is known of a set: the measures of its repetitions joined, each value or why there is none.

Angles are tucks: 90 degrees less the angle between upper arm and trunk.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from barpath.analysis.setresult import SetResult
from barpath.errors import OptionError
from barpath.ground.uncertainty import state
from barpath.ground.view import FRONT, SIDE, view_of
from barpath.lift.advice import (
    Build,
    LifterProfile,
    build_of,
    estimate,
    profile_from,
)
from barpath.lift.bottom import arms_of, points_of
from barpath.space.arms3d import Arms3d
from barpath.space.sights import SIDES


@dataclass(frozen=True)
class Known:
    """A value with the half width of its 95 % interval, or the reason why there is none."""

    value: float = math.nan
    u95: float = math.nan
    reason: str = ""

    def __bool__(self) -> bool:
        return math.isfinite(self.value) and math.isfinite(self.u95)


@dataclass(frozen=True)
class Facts:
    """What is known of a set.

    Attributes
    ----------
    views : tuple of str
        Views that it was filmed from.
    wrist_out_m : mapping of str to Known
        How far each wrist lies outside its elbow with the bar on the chest, by side.
    tuck_deg : mapping of str to Known
        By side.
    grip_m : Known
        Between the middles of the hands.
    touch_m : Known
        Where the bar touches, from the shoulder joints toward the feet.
    drift_m : Known
        How far the bar travels toward the head from touch to lockout.
    rise_m : Known
        Range of motion.
    ways : tuple of str
        What positive and negative `drift_m` mean, in words.
    build : Build or None
        The lifter's segments and technique as draws.
    grip_seen : bool
        Whether the hands' distance was seen, so that `build` may be asked for a move of the hands.
    """

    views: tuple[str, ...]
    wrist_out_m: Mapping[str, Known] = field(default_factory=dict)
    tuck_deg: Mapping[str, Known] = field(default_factory=dict)
    grip_m: Known = field(default_factory=Known)
    touch_m: Known = field(default_factory=Known)
    drift_m: Known = field(default_factory=Known)
    rise_m: Known = field(default_factory=Known)
    ways: tuple[str, str] = ("toward the head", "toward the feet")
    build: Build | None = None
    grip_seen: bool = False

    @property
    def along_seen(self) -> bool:
        """Whether any view shows movement toward head or feet."""
        return any(view_of(view).along for view in self.views)

    @property
    def widths_seen(self) -> bool:
        """Whether any view shows widths as they are."""
        return any(view_of(view).widths for view in self.views)


def mean_of(measures: pd.DataFrame, reps: Sequence[int], measure: str, side: str = "") -> Known:
    """A measure over the repetitions of a set.

    What the repetitions have in common, such as the scale and the posture in which joints are
    read, does not average out, so that the mean keeps the mean half width.

    Parameters
    ----------
    measures : DataFrame
        Measure table.
    reps : sequence of int
        Repetitions that count.
    measure, side : str
    """
    if not len(measures):
        return Known(reason="Nothing was measured.")
    rows = measures[(measures["measure"] == measure) & (measures["side"] == side)]
    rows = rows[rows["rep"].isin(list(reps))]
    known = rows[np.isfinite(rows["value"].astype(float)) & (rows["quality"] != "missing")]
    if len(known):
        return Known(float(known["value"].mean()), float(known["u95"].mean()))
    reasons = [r for r in rows["reason"] if isinstance(r, str) and r]
    return Known(reason=max(reasons, key=reasons.count) if reasons else "It was not measured.")


def whole_reps(reps: pd.DataFrame) -> list[int]:
    """The complete repetitions, or all of them when none is complete."""
    if not len(reps):
        return []
    whole = reps.loc[reps["kind"] == "complete", "rep"]
    return [int(rep) for rep in (whole if len(whole) else reps["rep"])]


def arms_in(result: SetResult) -> Arms3d | None:
    """The arms of a set filmed once, where they were fitted."""
    return arms_of(result.draws)


def facts_of(result: SetResult) -> Facts:
    """Facts of a set filmed from one view.

    Parameters
    ----------
    result : SetResult
    """
    reps = whole_reps(result.reps)

    def known(measure: str, side: str = "") -> Known:
        return mean_of(result.measures, reps, measure, side)

    arms = arms_in(result)
    scale = float(result.calibration.get("scale_rel_sd") or 0.0)
    profile = profile_of(result)
    build = None if arms is None else build_of(arms, scale, profile)
    return Facts(
        views=(result.view,),
        wrist_out_m={side: known("wrist_over_elbow_m", side) for side in SIDES},
        tuck_deg={side: known("tuck_deg", side) for side in SIDES},
        grip_m=known("grip_width_m"),
        touch_m=known("touch_point_to_shoulder_m"),
        drift_m=known("drift_touch_to_lockout_m"),
        rise_m=known("range_of_motion_m"),
        ways=sideways_words(result)
        if result.shows.along
        else ("toward the head", "toward the feet"),
        build=build,
        grip_seen=result.shows.widths,
    )


def wrist_ahead(result: SetResult) -> dict[str, Known]:
    """How far each wrist lies nearer the head than its elbow at the bottom, seen from the side.

    From the arms fitted; the camera's tilt, which shifts it by the forearm's height times the
    tilt's tangent, is allowed for.
    """
    points = points_of(result.draws, "bottom")
    if not len(points) or not result.shows.along:
        return {}
    tilt = math.radians(float(result.calibration.get("tilt_sd_deg") or 0.0))
    known = {}
    for s, side in enumerate(SIDES):
        forearm = points[:, s, 2] - points[:, s, 1]
        value, u95 = estimate(forearm[:, 0])
        known[side] = Known(value, math.hypot(u95, 1.96 * forearm[0, 1] * math.tan(tilt)))
    return known


def profile_of(result: SetResult) -> LifterProfile | None:
    """The lifter's profile given with a set, if any."""
    given = result.options.get("profile")
    return None if given is None else profile_from(given)


def facts_of_both(
    measures: pd.DataFrame,
    reps: pd.DataFrame,
    rise_m: Known,
    arms: Arms3d | None,
    scale_rel_sd: float,
    profile: LifterProfile | None,
) -> Facts:
    """Facts of a set filmed from the feet and from the side.

    Parameters
    ----------
    measures, reps : DataFrame
        Of the pair.
    rise_m : Known
        Range of motion, from either clip.
    arms : Arms3d or None
    scale_rel_sd : float
    profile : LifterProfile or None
    """
    whole = whole_reps(reps)

    def known(measure: str, side: str = "") -> Known:
        return mean_of(measures, whole, measure, side)

    build = None
    if arms is not None:
        try:
            build = build_of(arms, scale_rel_sd, profile)
        except OptionError:
            build = None
    return Facts(
        views=(FRONT.name, SIDE.name),
        wrist_out_m={side: known("wrist_over_elbow_m", side) for side in SIDES},
        tuck_deg={side: known("tuck_deg", side) for side in SIDES},
        grip_m=known("wrist_spacing_m"),
        touch_m=known("touch_toward_hips_m"),
        drift_m=known("drift_touch_to_lockout_m"),
        rise_m=rise_m,
        build=build,
        grip_seen=True,
    )


# --- both sides -----------------------------------------------------------------------------------


def both(sides: Mapping[str, Known]) -> Known:
    """Mean of both arms, or the one that is known.

    Errors of both arms are alike (`ArmFitConfig.arms_alike`), so the half width does not shrink.
    """
    known = [sides[side] for side in SIDES if sides.get(side)]
    if not known:
        return Known(reason=next((k.reason for k in sides.values() if k.reason), ""))
    u95 = math.sqrt(np.mean([k.u95**2 for k in known]))
    return Known(float(np.mean([k.value for k in known])), u95)


def alike(sides: Mapping[str, Known]) -> bool | None:
    """Whether left and right differ by no more than their uncertainty; None if one is unknown.

    The two are taken as independent, which makes the uncertainty of the difference rather too wide.
    """
    if not all(sides.get(side) for side in SIDES):
        return None
    left, right = (sides[side] for side in SIDES)
    return abs(left.value - right.value) <= math.hypot(left.u95, right.u95)


def cm(known: Known) -> str:
    """A length in metres as a lifter reads it."""
    return state(100 * known.value, 100 * known.u95, "cm")


def degrees(known: Known) -> str:
    """An angle in degrees as a lifter reads it."""
    return state(known.value, known.u95, "°")


def size_of(known: Known) -> Known:
    """A value without its sign."""
    return Known(abs(known.value), known.u95)


def sideways_words(result: SetResult) -> tuple[str, str]:
    """Say where positive and negative x point.

    Where the view shows the lifter's side but it could not be told where the head is, the
    picture's own sides are named.
    """
    if not result.shows.along:
        return "to the lifter's left", "to the lifter's right"
    if result.calibration.get("head_direction") == "unknown":
        return "to the picture's right", "to the picture's left"
    return "toward the head", "toward the feet"
