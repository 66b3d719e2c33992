"""The catalogue of measures: name, unit, label, plain explanation, how it is written, source.

What prints, plots, tabulates or compares a measure reads it here.
"""

from __future__ import annotations

from dataclasses import dataclass

from barpath.ground.view import FRONT, NAMES, OBLIQUE, SIDE


@dataclass(frozen=True)
class MeasureSpec:
    """One measure of the catalogue.

    Attributes
    ----------
    name, unit, label, explanation : str
        Name in the tables, unit (``""`` for a ratio), short label, and meaning in plain words.
    views : tuple of str
        Views that can give it.
    per_side : bool
        One value for each arm.
    source : str
        Where the definition comes from.
    good_u95, fair_u95 : float
        Half width of the 95 % interval up to which the value is good, and still fair.
    needs_joints : bool
        It needs the lifter's joints, not only the bar.
    """

    name: str
    unit: str
    label: str
    explanation: str
    views: tuple[str, ...]
    per_side: bool
    source: str
    good_u95: float
    fair_u95: float
    needs_joints: bool = False


_PRACTICE = "common practice, no source"
_ELLIOTT = (
    "Elliott, Wilson & Kerr (1989), Med. Sci. Sports Exerc. 21:450-462; van den Tillaar & Ettema "
    "(2010), J. Sports Sci. 28:529-535 (from memory)"
)
_WU = "Axes after Wu et al. (2005), J. Biomech. 38:981-992; the projection is our own geometry"
_SIDE = (SIDE.name, OBLIQUE.name)
_FRONT = (FRONT.name,)
_ACROSS = (FRONT.name, OBLIQUE.name)

CATALOGUE: dict[str, MeasureSpec] = {
    spec.name: spec
    for spec in (
        MeasureSpec(
            "range_of_motion_m",
            "m",
            "Range of motion",
            "How far the bar rises, from its lowest point on the chest to lockout.",
            NAMES,
            False,
            _PRACTICE,
            0.015,
            0.03,
        ),
        MeasureSpec(
            "descent_time_s",
            "s",
            "Descent time",
            "From the bar leaving lockout to its touching the chest.",
            NAMES,
            False,
            _PRACTICE,
            0.1,
            0.25,
        ),
        MeasureSpec(
            "mean_descent_speed_m_s",
            "m/s",
            "Mean descent speed",
            "Height lost from the bar leaving lockout to its touching the chest, divided by the "
            "time it took: how much the bar was held back on the way down.",
            NAMES,
            False,
            _PRACTICE,
            0.03,
            0.06,
        ),
        MeasureSpec(
            "pause_s",
            "s",
            "Pause on the chest",
            "How long the bar is still on the chest, from touch to the start of the press.",
            NAMES,
            False,
            _PRACTICE,
            0.1,
            0.25,
        ),
        MeasureSpec(
            "press_time_s",
            "s",
            "Press time",
            "From the start of the press to lockout.",
            NAMES,
            False,
            _PRACTICE,
            0.1,
            0.25,
        ),
        MeasureSpec(
            "mean_press_speed_m_s",
            "m/s",
            "Mean press speed",
            "Height gained from the start of the press to lockout, divided by the time it took.",
            NAMES,
            False,
            _PRACTICE,
            0.03,
            0.06,
        ),
        MeasureSpec(
            "peak_press_speed_m_s",
            "m/s",
            "Peak press speed",
            "Highest upward speed during the press.",
            NAMES,
            False,
            _PRACTICE,
            0.05,
            0.1,
        ),
        MeasureSpec(
            "mean_propulsive_speed_m_s",
            "m/s",
            "Mean propulsive speed",
            "Mean upward speed from the start of the press until the bar slows down faster than "
            "gravity alone would slow it; with a heavy bar this is the whole press.",
            NAMES,
            False,
            "Sanchez-Medina, Perez & Gonzalez-Badillo (2010), Int. J. Sports Med. 31:123-129 "
            "(from memory)",
            0.03,
            0.06,
        ),
        MeasureSpec(
            "sticking_start_after_press_s",
            "s",
            "Start of the sticking region",
            "Time from the start of the press to the first peak of the upward speed.",
            NAMES,
            False,
            _ELLIOTT,
            0.1,
            0.25,
        ),
        MeasureSpec(
            "sticking_start_height_m",
            "m",
            "Height where sticking starts",
            "Height of the bar over its lowest point where the upward speed first peaks.",
            NAMES,
            False,
            _ELLIOTT,
            0.02,
            0.04,
        ),
        MeasureSpec(
            "sticking_depth_m",
            "m",
            "Height of the sticking point",
            "Height of the bar over its lowest point where the upward speed is least.",
            NAMES,
            False,
            _ELLIOTT,
            0.02,
            0.04,
        ),
        MeasureSpec(
            "sticking_min_speed_m_s",
            "m/s",
            "Speed at the sticking point",
            "Least upward speed between the first and the second peak of the speed.",
            NAMES,
            False,
            _ELLIOTT,
            0.04,
            0.08,
        ),
        MeasureSpec(
            "horizontal_drift_total_m",
            "m",
            "Horizontal range of the bar",
            "How far the bar wanders toward head and feet from touch to lockout, from its "
            "foremost to its hindmost point.",
            _SIDE,
            False,
            _PRACTICE,
            0.015,
            0.03,
        ),
        MeasureSpec(
            "drift_touch_to_lockout_m",
            "m",
            "Horizontal way from touch to lockout",
            "How far lockout lies from the touch along the body; positive toward the head.",
            _SIDE,
            False,
            _PRACTICE,
            0.015,
            0.03,
        ),
        MeasureSpec(
            "path_length_ratio",
            "",
            "Path length ratio",
            "Length of the bar's path in the press, divided by the straight line between its ends; "
            "1 is a straight press.",
            _SIDE,
            False,
            _PRACTICE,
            0.03,
            0.08,
        ),
        MeasureSpec(
            "touch_point_height_m",
            "m",
            "Touch point over the shoulder",
            "Height of the bar over the shoulder joint when it touches the chest.",
            _SIDE,
            False,
            _PRACTICE,
            0.03,
            0.06,
            True,
        ),
        MeasureSpec(
            "touch_point_to_shoulder_m",
            "m",
            "Touch point from the shoulder",
            "How far from the shoulder joint, along the body, the bar touches the chest; positive "
            "toward the feet.",
            _SIDE,
            False,
            _PRACTICE,
            0.03,
            0.06,
            True,
        ),
        MeasureSpec(
            "wrist_over_elbow_m",
            "m",
            "Wrist outside the elbow",
            "How far the wrist lies outside the elbow when the bar is on the chest; negative when "
            "it lies inside.",
            _ACROSS,
            True,
            _PRACTICE,
            0.02,
            0.04,
            True,
        ),
        MeasureSpec(
            "forearm_lean_deg",
            "deg",
            "Forearm lean",
            "Angle of the forearm from the vertical when the bar is on the chest, seen from the "
            "front; positive when the wrist lies outside the elbow.",
            _ACROSS,
            True,
            _PRACTICE,
            5.0,
            10.0,
            True,
        ),
        MeasureSpec(
            "elbow_abduction_deg",
            "deg",
            "Elbow abduction",
            "Angle between upper arm and trunk when the bar is on the chest; 0 is along the trunk, "
            "90 is straight out. From the front more than 90 cannot be told from less.",
            NAMES,
            True,
            _WU,
            8.0,
            15.0,
            True,
        ),
        MeasureSpec(
            "tuck_deg",
            "deg",
            "Elbow tuck",
            "90 degrees less the elbow abduction: how far the elbow is tucked toward the trunk.",
            NAMES,
            True,
            _WU,
            8.0,
            15.0,
            True,
        ),
        MeasureSpec(
            "bar_tilt_deg",
            "deg",
            "Greatest bar tilt",
            "Greatest angle of the bar from the level during the press, whichever end is higher.",
            _FRONT,
            False,
            _PRACTICE,
            1.0,
            2.0,
        ),
        MeasureSpec(
            "bar_tilt_lockout_deg",
            "deg",
            "Bar tilt at lockout",
            "Angle of the bar from the level at lockout; positive when the lifter's left end is "
            "higher.",
            _FRONT,
            False,
            _PRACTICE,
            1.0,
            2.0,
        ),
        MeasureSpec(
            "lockout_time_difference_s",
            "s",
            "Left after right at lockout",
            "How much later the left end of the bar reaches 95 % of its rise than the right end.",
            _FRONT,
            False,
            _PRACTICE,
            0.05,
            0.1,
        ),
        MeasureSpec(
            "grip_width_m",
            "m",
            "Grip width",
            "Distance between the middles of the two hands on the bar.",
            _ACROSS,
            False,
            _PRACTICE,
            0.03,
            0.06,
            True,
        ),
        MeasureSpec(
            "grip_to_shoulder_ratio",
            "",
            "Grip to shoulder width",
            "Grip width divided by the distance between the shoulder joints.",
            _ACROSS,
            False,
            _PRACTICE,
            0.15,
            0.3,
            True,
        ),
    )
}


def shown_unit(unit: str) -> tuple[float, str]:
    """Factor and name of the unit in which a lifter reads a measure.

    Examples
    --------
    >>> shown_unit("m")
    (100.0, 'cm')
    >>> shown_unit("deg")
    (1.0, '°')
    """
    known = {"m": (100.0, "cm"), "deg": (1.0, "°"), "1": (1.0, ""), "%": (1.0, "%")}
    known |= {"m/s2": (1.0, "m/s²"), "m_s": (1.0, "m/s"), "m/s^2": (1.0, "m/s²"), "": (1.0, "")}
    return known.get(unit, (1.0, unit))


def measure_label(name: str) -> str:
    """Label of a measure from the catalogue; made from its name when it is not there."""
    spec = CATALOGUE.get(name)
    return spec.label if spec is not None else name.replace("_", " ").capitalize()
