"""What is measured of a set filmed from several places: its catalogue, and a graded value of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from barpath.ground.uncertainty import expand, grade, state
from barpath.ground.view import FRONT, NAMES
from barpath.lift.catalogue import CATALOGUE as OF_ONE_CLIP

COLUMNS = ["rep", "measure", "side", "value", "unit", "sd", "u95", "quality", "reason"]


@dataclass(frozen=True)
class PairSpec:
    """One measure of a pair: unit, label, meaning, source, and limits of good and fair."""

    unit: str
    label: str
    explanation: str
    source: str
    good_u95: float
    fair_u95: float


_WU = "Wu et al. (2005), J. Biomech. 38:981-992; trunk axis from the shoulder to the hip joints"
_PRACTICE = "common practice, no source"

CATALOGUE: dict[str, PairSpec] = {
    "elbow_abduction_deg": PairSpec(
        "deg",
        "Elbow abduction",
        "Thoracohumeral elevation with the bar on the chest: angle in space between the upper arm"
        " and the trunk's long axis; 0 is along the trunk, 90 straight out.",
        _WU,
        8.0,
        15.0,
    ),
    "tuck_deg": PairSpec(
        "deg", "Elbow tuck", "90 degrees less the elbow abduction.", _WU, 8.0, 15.0
    ),
    "elevation_plane_deg": PairSpec(
        "deg",
        "Plane of elevation",
        "Where the upper arm points around the trunk's long axis: 0 in the frontal plane, negative"
        " when the elbow has sunk behind it.",
        _WU,
        8.0,
        15.0,
    ),
    "abduction_in_frontal_deg": PairSpec(
        "deg",
        "Abduction in the frontal plane",
        "The elbow abduction as seen in the trunk's frontal plane.",
        _WU,
        8.0,
        15.0,
    ),
    "wrist_over_elbow_m": PairSpec(
        "m",
        "Wrist outside the elbow",
        "How far the wrist lies outside the elbow with the bar on the chest, seen from the feet.",
        _PRACTICE,
        0.02,
        0.04,
    ),
    "wrist_ahead_of_elbow_m": PairSpec(
        "m",
        "Wrist toward the head from the elbow",
        "How far the wrist lies nearer the head than the elbow, seen from the side.",
        _PRACTICE,
        0.02,
        0.04,
    ),
    "forearm_lean_deg": PairSpec(
        "deg",
        "Forearm lean, from the feet",
        "Angle of the forearm from the vertical in the frontal plane; wrist outside is positive.",
        _PRACTICE,
        5.0,
        10.0,
    ),
    "forearm_lean_side_deg": PairSpec(
        "deg",
        "Forearm lean, from the side",
        "Angle of the forearm from the vertical in the sagittal plane; wrist toward the head is"
        " positive.",
        _PRACTICE,
        5.0,
        10.0,
    ),
    "touch_toward_hips_m": PairSpec(
        "m",
        "Touch point toward the hips",
        "How far toward the feet from the middle of the shoulder joints the bar touches, along the"
        " level body.",
        _PRACTICE,
        0.03,
        0.06,
    ),
    "touch_over_shoulders_m": PairSpec(
        "m",
        "Touch point over the shoulders",
        "Height of the bar over the middle of the shoulder joints when it touches the chest.",
        _PRACTICE,
        0.03,
        0.06,
    ),
    "touch_left_of_midline_m": PairSpec(
        "m",
        "Bar left of the midline",
        "How far the bar's middle lies to the lifter's left of the middle between the shoulders.",
        _PRACTICE,
        0.02,
        0.04,
    ),
    "drift_touch_to_lockout_m": PairSpec(
        "m",
        "Horizontal way from touch to lockout",
        "How far lockout lies from the touch along the body; positive toward the head.",
        _PRACTICE,
        0.015,
        0.03,
    ),
    "bar_sideways_range_m": PairSpec(
        "m",
        "Sideways range of the bar",
        "How far the bar's middle wanders to the lifter's left and right in the press.",
        _PRACTICE,
        0.015,
        0.03,
    ),
    "bar_path_length_m": PairSpec(
        "m",
        "Length of the bar's path",
        "Length of the path of the bar's middle in space from the start of the press to lockout.",
        _PRACTICE,
        0.015,
        0.03,
    ),
    "wrist_spacing_m": PairSpec(
        "m", "Grip width", "Distance between the wrists along the bar.", _PRACTICE, 0.03, 0.06
    ),
}

FROM_ONE_CLIP = tuple(
    spec.name
    for spec in OF_ONE_CLIP.values()
    if not (spec.needs_joints or spec.per_side) and spec.views in (NAMES, (FRONT.name,))
)
"""What one clip tells as well as several: heights, speeds and times, from any place, and how evenly
the ends of the bar rise, from the feet."""
CATALOGUE |= {
    name: PairSpec(
        spec.unit, spec.label, spec.explanation, spec.source, spec.good_u95, spec.fair_u95
    )
    for name, spec in OF_ONE_CLIP.items()
    if name in FROM_ONE_CLIP
}


def graded(
    rep: int, name: str, side: str, value: float, sd: float, reason: str, factor: float
) -> dict[str, Any]:
    """One row of the table of measures; a value whose half width is beyond use is missing.

    `factor` is how many times the fair half width that may be.
    """
    spec = CATALOGUE[name]
    u95 = expand(sd) if math.isfinite(sd) else math.nan
    quality = grade(u95, spec.good_u95, spec.fair_u95)
    if not math.isfinite(value) or quality == "missing":
        quality, reason = "missing", reason or "It could not be worked out."
    elif u95 > factor * spec.fair_u95:
        quality = "missing"
        reason = f"It is too uncertain to be of use: {state(value, u95, spec.unit)}."
    elif quality != "good":
        reason = reason or "Most of its uncertainty comes from where the joints are."
    if quality == "missing":
        value = sd = u95 = math.nan
    row = [rep, name, side, value, spec.unit, sd, u95, quality, reason]
    return dict(zip(COLUMNS, row, strict=True))
