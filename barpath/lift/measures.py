"""What is reported of each repetition, with its uncertainty, quality and reason.

Every measure of `CATALOGUE` has a row for every repetition. What the view cannot give, what was
hidden, and what makes no sense for a failed repetition is there as ``"missing"`` with the reason.

Lengths and speeds are in the plane of the view (see DEVELOPERS.md). Uncertainties have two parts:
one that differs from repetition to repetition (noise, time resolution, joint positions) and one
common to the set (scale of the picture, tilt of the camera), combined after JCGM 100:2008.
"""

from __future__ import annotations

import math

import pandas as pd

from barpath.lift.armmeasures import (
    Joints,
    fitted_arm,
    fitted_grip,
    seen_arm,
    seen_grip,
    touch_point,
)
from barpath.lift.barcurves import BarCurves, why_no_event
from barpath.lift.catalogue import CATALOGUE
from barpath.lift.heightmeasures import height_measures
from barpath.lift.measurerow import COLUMNS, MeasureContext, missing, row_of
from barpath.lift.pathmeasures import path_measures, tilt_measures
from barpath.space import sights
from barpath.space.armfit import ArmFit

LENGTH_UNITS = ("m", "m/s")
"""Of what hangs on the scale of the picture."""


def bar_measures(
    trajectory: pd.DataFrame, reps: pd.DataFrame, context: MeasureContext
) -> pd.DataFrame:
    """Measures that need only the bar.

    Parameters
    ----------
    trajectory : pandas.DataFrame
        Trajectory table: ``time_s, x_smooth_m, y_smooth_m, vx_m_s, vy_m_s, ay_m_s2`` and ``sd_m``,
        the standard uncertainty of the smoothed position; ``sd_vy_m_s`` that of the speed, if
        there; in the front view also ``left_y_m, right_y_m`` (the lifter's left and right end) and
        ``tilt_deg`` (positive when the lifter's left end is higher).
    reps : pandas.DataFrame
        Rep table of `reps.find_reps`.
    context : MeasureContext
        View and common uncertainties.

    Returns
    -------
    pandas.DataFrame
        Measure table: ``rep, measure, side, value, unit, sd, u95, quality, reason`` and
        ``sd_common``, the part of `sd` shared by all repetitions. Every bar measure of `CATALOGUE`
        has a row for every repetition.

    Notes
    -----
    Times follow the events of `reps.find_reps`. The range of motion runs from the lowest point
    between touch and press to the median height in the 0.15 s from lockout on.
    ``sticking_depth_m`` is the height over that lowest point at the minimum of the speed. A roll of
    the camera by d shifts one end of a way of height h sideways by ``h tan d``.
    """
    bar = BarCurves(trajectory, context)
    rows = []
    for rep, front in zip(reps.itertuples(), tilt_measures(trajectory, reps, context), strict=True):
        found = height_measures(bar, rep, context) | path_measures(bar, rep, context) | front
        if context.scale_reason:
            for name, one in found.items():
                if CATALOGUE[name].unit in LENGTH_UNITS and not one.reason:
                    found[name] = missing(context.scale_reason)
        rows += [
            row_of(rep.rep, spec, "", found[spec.name], context)
            for spec in CATALOGUE.values()
            if not spec.needs_joints
        ]
    return pd.DataFrame(rows, columns=COLUMNS)


def joint_measures(
    joints_m: pd.DataFrame | None,
    trajectory: pd.DataFrame,
    reps: pd.DataFrame,
    context: MeasureContext,
    arms: ArmFit | None = None,
) -> pd.DataFrame:
    """Measures that need the lifter's joints.

    Parameters
    ----------
    joints_m : pandas.DataFrame or None
        One row a frame used: ``time_s`` and for each joint ``{joint}_x_m, {joint}_y_m`` in the
        coordinates of the trajectory and ``{joint}_sd_m``; NaN where not seen. None when no lifter
        was found.
    trajectory, reps, context
        As for `bar_measures`.
    arms : ArmFit, optional
        Arms fitted to the set; where there are any, the arms' measures come from them in space.

    Returns
    -------
    pandas.DataFrame
        Measure table (see `bar_measures`) with every joint measure of `CATALOGUE`, for each arm
        where `per_side`.

    Notes
    -----
    "On the chest" takes the median over the frames from touch to press. Joint errors of such close
    frames are alike, so their number does not make the uncertainty smaller.
    """
    bar = BarCurves(trajectory, context)
    specs = [spec for spec in CATALOGUE.values() if spec.needs_joints]
    rows = []
    for rep in reps.itertuples():
        reason = ""
        if joints_m is None or not context.lifter_found:
            reason = context.lifter_reason or "The lifter was not found in the picture."
        reason = reason or why_no_event(rep, ("touch",))
        if reason or joints_m is None:
            single = {spec.name: missing(reason) for spec in specs}
            by_side = {"left": single, "right": single}
        else:
            joints = Joints(joints_m, context.joint_window_s)
            low_end = rep.press_s if math.isfinite(rep.press_s) else rep.touch_s
            frames = joints.between(rep.touch_s, low_end)
            single = touch_point(joints, frames, bar, rep, context)
            if arms is None:
                single |= seen_grip(joints, rep, context)
                by_side = {side: seen_arm(joints, frames, side, context) for side in sights.SIDES}
            else:
                single |= fitted_grip(arms, context)
                span = (rep.touch_s, low_end)
                by_side = {s: fitted_arm(arms, span, s, context) for s in sights.SIDES}
        for spec in specs:
            if spec.per_side:
                rows += [
                    row_of(rep.rep, spec, side, found[spec.name], context)
                    for side, found in by_side.items()
                ]
            else:
                rows.append(row_of(rep.rep, spec, "", single[spec.name], context))
    return pd.DataFrame(rows, columns=COLUMNS)


def all_measures(
    trajectory: pd.DataFrame,
    reps: pd.DataFrame,
    joints_m: pd.DataFrame | None,
    context: MeasureContext,
    arms: ArmFit | None = None,
) -> pd.DataFrame:
    """Bar and joint measures in one table, by repetition and in the order of `CATALOGUE`.

    Parameters and result are those of `bar_measures` and `joint_measures`.
    """
    table = pd.concat(
        [
            bar_measures(trajectory, reps, context),
            joint_measures(joints_m, trajectory, reps, context, arms),
        ]
        if len(reps)
        else [bar_measures(trajectory, reps, context)],
        ignore_index=True,
    )
    order = {name: k for k, name in enumerate(CATALOGUE)}
    place = table["measure"].map(order)
    return (
        table.assign(_place=place)
        .sort_values(["rep", "_place", "side"], kind="stable", ignore_index=True)
        .drop(columns="_place")
    )
