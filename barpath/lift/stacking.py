"""Statics of a press: how far the load acts beside wrist, elbow and shoulder.

A vertical load turns a joint by its weight times the horizontal distance between its line and the
joint, the moment arm. With the wrist over the elbow in both planes the elbow has none.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.uncertainty import combine, expand
from barpath.space.arms3d import JOINTS, OUTWARD, Arms3d, forearm_geometry
from barpath.space.sights import SIDES

Floats = NDArray[np.float64]

STANDARD_GRAVITY_M_S2 = 9.80665
LOAD_SPLIT_SD = 0.02
"""Standard uncertainty of the half that each hand carries (common practice, no source)."""
HAND_ALONG_SD_M = 0.008
"""How far the load may act beside the wrist along the bar, within the hand (our estimate)."""

ASSUMPTIONS = (
    "The load acts straight down through the middle of each hand, half on each side, and moves so "
    "slowly that its weight is all there is: the bar's own acceleration is left out, as are the "
    "weights of the arms.",
    "Sideways force: the push goes along the forearm from elbow to wrist, as it does when nothing "
    "turns the elbow; then it is the load in that hand times the tangent of the lean. Lifters can "
    "and do push otherwise: measured sideways forces of about a quarter of the vertical one were "
    "reported (Duffey and Challis 2011, J. Strength Cond. Res. 25:2442-2447; from memory).",
    "A moment arm is the horizontal distance from the load's line to the joint's centre, in the "
    "frontal plane (outward positive) and in the sagittal plane (toward the head positive).",
)


def moment_arms(joints_m: Floats, load_m: Floats, outward: Floats | float) -> tuple[Floats, Floats]:
    """Moment arms of a vertical load about joints.

    Parameters
    ----------
    joints_m : ndarray, shape (..., 3)
        Joint centres, world axes (x toward the head, y up, z to the lifter's left).
    load_m : ndarray, shape (..., 3)
        Points on the load's line.
    outward : float or ndarray
        1 for the left arm, -1 for the right.

    Returns
    -------
    frontal_m, sagittal_m : ndarray
        How far the load's line lies outside the joint, and nearer the head than it.

    Examples
    --------
    >>> out, head = moment_arms(np.array([0.0, 0.0, 0.4]), np.array([-0.02, 0.3, 0.45]), 1.0)
    >>> round(float(out), 3), round(float(head), 3)
    (0.05, -0.02)
    """
    apart = load_m - joints_m
    return np.asarray(outward) * apart[..., 2], apart[..., 0]


def sideways_share(lean_deg: Floats | float) -> Floats:
    """Sideways force over the vertical one when the push goes along a leaning forearm.

    Examples
    --------
    >>> round(float(sideways_share(45.0)), 6)
    1.0
    """
    return np.tan(np.deg2rad(lean_deg))


def stack(arms: Arms3d, load_kg: float | None, tilt_sd_deg: tuple[float, float]) -> pd.DataFrame:
    """Moment arms, moments and sideways forces at the bottom and the sticking point of each rep.

    Parameters
    ----------
    arms : Arms3d
    load_kg : float or None
        Bar and plates together; without it forces and moments are missing and shares are not.
    tilt_sd_deg : tuple of float
        Standard uncertainty of the vertical in the front and in the side view.

    Returns
    -------
    DataFrame
        `rep, moment, side, plane, quantity, joint, value, unit, sd, u95`. `plane` is `"frontal"`
        or `"sagittal"`; `quantity` `"moment_arm_m"`, `"moment_n_m"` (about `joint`),
        `"sideways_share"` (of the load in that hand, outward or toward the head positive) or
        `"sideways_n"`.
    """
    half_n = np.nan if load_kg is None else load_kg * STANDARD_GRAVITY_M_S2 / 2
    rows = []
    for k, row in enumerate(arms.moments.itertuples()):
        if row.moment == "lockout":
            continue
        for s, side in enumerate(SIDES):
            about = {"rep": row.rep, "moment": row.moment, "side": side}
            hand = arms.hand_m[k, s]
            # The hand keeps its place over the drawn wrist.
            hand_draws = hand + (arms.draws_m[:, k, s, 2] - arms.joints_m[k, s, 2]) * [0, 0, 1]
            for j, joint in enumerate(JOINTS):
                best = moment_arms(arms.joints_m[k, s, j], hand, OUTWARD[s])
                drawn = moment_arms(arms.draws_m[:, k, s, j], hand_draws, OUTWARD[s])
                height = abs(hand[1] - arms.joints_m[k, s, j, 1])
                slack = (HAND_ALONG_SD_M, 0.0)
                for plane, value, draws, tilt, in_hand in zip(
                    ("frontal", "sagittal"), best, drawn, tilt_sd_deg, slack, strict=True
                ):
                    level = height * np.tan(np.deg2rad(tilt))
                    sd = combine(float(np.std(draws)), level, in_hand)
                    rows.append(_row(about, plane, "moment_arm_m", joint, float(value), "m", sd))
                    moment_sd = half_n * combine(sd, float(value) * LOAD_SPLIT_SD)
                    rows.append(
                        _row(
                            about,
                            plane,
                            "moment_n_m",
                            joint,
                            half_n * float(value),
                            "N m",
                            moment_sd,
                        )
                    )
            elbow, wrist = arms.joints_m[k, s, 1:]
            best_lean = forearm_geometry(elbow, wrist, OUTWARD[s])
            drawn_lean = forearm_geometry(
                arms.draws_m[:, k, s, 1], arms.draws_m[:, k, s, 2], OUTWARD[s]
            )
            for plane, name, tilt in zip(
                ("frontal", "sagittal"), ("lean_out_deg", "lean_head_deg"), tilt_sd_deg, strict=True
            ):
                share = float(sideways_share(best_lean[name]))
                sd = combine(
                    float(np.std(sideways_share(drawn_lean[name]))),
                    (1 + share**2) * np.deg2rad(tilt),
                )
                rows.append(_row(about, plane, "sideways_share", "", share, "", sd))
                force_sd = half_n * combine(sd, share * LOAD_SPLIT_SD)
                rows.append(_row(about, plane, "sideways_n", "", half_n * share, "N", force_sd))
    columns = ["rep", "moment", "side", "plane", "quantity", "joint", "value", "unit", "sd", "u95"]
    return pd.DataFrame(rows, columns=columns)


def _row(
    about: dict[str, object],
    plane: str,
    quantity: str,
    joint: str,
    value: float,
    unit: str,
    sd: float,
) -> dict[str, object]:
    return about | {
        "plane": plane,
        "quantity": quantity,
        "joint": joint,
        "value": float(value),
        "unit": unit,
        "sd": float(sd),
        "u95": expand(float(sd)),
    }
