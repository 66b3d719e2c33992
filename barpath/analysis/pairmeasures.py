"""Tables of what several clips of a set tell together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from barpath.analysis.config import PairConfig
from barpath.analysis.paircatalogue import CATALOGUE, COLUMNS, FROM_ONE_CLIP, graded
from barpath.analysis.setscale import surest
from barpath.ground.uncertainty import combine
from barpath.lift.catalogue import CATALOGUE as OF_ONE_CLIP
from barpath.space import arms3d
from barpath.space.pairing import AMBIGUOUS, Sync
from barpath.space.sights import SIDES

NOT_TOLD = "The clips' results do not hold it."


def measures_of(
    arms: arms3d.Arms3d | None,
    bar: pd.DataFrame,
    reps: pd.DataFrame,
    scale: float,
    along_rel_sd: float,
    tilt: tuple[float, float],
    sync: Sync,
    of_clips: pd.DataFrame,
    config: PairConfig,
) -> pd.DataFrame:
    """Long table of measures: one row a repetition, measure and side.

    `of_clips` are those that one clip tells (`motion_rows`), which come last of a repetition.
    `scale` is the relative standard uncertainty of all lengths, `along_rel_sd` that of lengths
    along the body, which a slanted view knows less well.
    """
    factor = config.useless_factor
    arm_names = list(CATALOGUE)[:8]
    by_rep = dict(list(of_clips.groupby("rep")))
    single = ["touch_toward_hips_m", "touch_over_shoulders_m", "touch_left_of_midline_m"]
    rows = []
    for rep in reps.itertuples():
        at = None
        if arms is not None:
            here = (arms.moments["rep"] == rep.rep) & (arms.moments["moment"] == "bottom")
            at = int(np.flatnonzero(here)[0]) if here.any() else None
        if arms is not None and at is not None:
            rows += _bottom_rows(arms, at, int(rep.rep), scale, tilt, config)
        else:
            reason = "The bottom of this repetition was not seen by both clips."
            if arms is None:
                reason = "The arms were not recovered in space."
            for name in (*arm_names, *single, "wrist_spacing_m"):
                for side in SIDES if name in arm_names else ("",):
                    rows.append(
                        graded(int(rep.rep), name, side, math.nan, math.nan, reason, factor)
                    )
        rows += _bar_rows(bar, rep, scale, along_rel_sd, tilt, factor)
        rows += by_rep[rep.rep].to_dict("records")
    table = pd.DataFrame(rows, columns=COLUMNS)
    if sync.verdict == AMBIGUOUS:
        weak = table["quality"].isin(["good", "fair"])
        table.loc[weak, "quality"] = "poor"
        table.loc[weak, "reason"] = "Which repetitions of the two clips belong together is unsure."
    return table


def motion_rows(
    reps: pd.DataFrame,
    own: Sequence[pd.DataFrame],
    met: Sequence[Sequence[float]],
    views: Sequence[str],
) -> pd.DataFrame:
    """What one clip tells as well as several (`FROM_ONE_CLIP`), of each repetition of a set.

    Parameters
    ----------
    reps : DataFrame
        Repetitions of the set.
    own : sequence of DataFrame
        Measure table of each clip, on the scale of the set.
    met : sequence of sequence of float
        The repetitions' numbers in each clip; NaN where it does not show one.
    views : sequence of str
        What each clip shows, by name.

    Returns
    -------
    DataFrame
        Columns of `COLUMNS`. A measure comes from the clip that knows it best over the set; of a
        repetition that this one does not tell, from the next.
    """
    by_rep = [dict(list(table.groupby(["rep", "measure"]))) for table in own]
    rows = []
    for k, rep in enumerate(reps["rep"]):
        for name in FROM_ONE_CLIP:
            able = [view in OF_ONE_CLIP[name].views for view in views]
            shown = [clip for clip in surest(own, able, name) if not math.isnan(met[clip][k])]
            told = [by_rep[clip].get((int(met[clip][k]), name)) for clip in shown]
            known = [one.iloc[0] for one in told if one is not None]
            if not known:
                rows.append(graded(int(rep), name, "", math.nan, math.nan, NOT_TOLD, 1.0))
                continue
            row = next((one for one in known if one["quality"] != "missing"), known[0])
            rows.append({column: row[column] for column in COLUMNS} | {"rep": int(rep)})
    return pd.DataFrame(rows, columns=COLUMNS)


def _bottom_rows(
    arms: arms3d.Arms3d,
    k: int,
    rep: int,
    scale: float,
    tilt: tuple[float, float],
    config: PairConfig,
) -> list[dict[str, Any]]:
    """Measures of both arms, the touch and the grip at the bottom of one repetition."""
    rows = []
    for s in range(len(SIDES)):
        rows += _arm_rows(arms, k, s, rep, scale, tilt, config.useless_factor)
    rows += _touch_rows(arms, k, rep, scale, config)
    grip = arms.joints_m[k, 0, 2, 2] - arms.joints_m[k, 1, 2, 2]
    grips = arms.draws_m[:, k, 0, 2, 2] - arms.draws_m[:, k, 1, 2, 2]
    sd = combine(float(np.std(grips)), scale * float(grip))
    rows.append(graded(rep, "wrist_spacing_m", "", float(grip), sd, "", config.useless_factor))
    return rows


def _arm_rows(
    arms: arms3d.Arms3d,
    k: int,
    s: int,
    rep: int,
    scale: float,
    tilt: tuple[float, float],
    factor: float,
) -> list[dict[str, Any]]:
    """Measures of the arm of `SIDES[s]` at a moment."""
    side, out = SIDES[s], arms3d.OUTWARD[s]
    frame = arms3d.trunk_frame(arms.joints_m[k, :, 0], arms.hips_m)
    frames = arms3d.trunk_frame(arms.draws_m[:, k, :, 0], arms.hip_draws_m)
    joints, draws = arms.joints_m[k, s], arms.draws_m[:, k, s]
    angles = arms3d.humerus_angles(joints[1] - joints[0], frame, out)
    drawn = arms3d.humerus_angles(draws[:, 1] - draws[:, 0], frames, out)
    lean = arms3d.forearm_geometry(joints[1], joints[2], out)
    leans = arms3d.forearm_geometry(draws[:, 1], draws[:, 2], out)
    unread = [joint for j, joint in enumerate(arms3d.JOINTS[:2]) if not arms.seen[k, s, j].any()]
    reason = f"The {side} {unread[0]} was read in no view." if unread else ""
    up = float(abs(joints[2, 1] - joints[1, 1]))
    aside, ahead = (up * math.tan(math.radians(tilt_deg)) for tilt_deg in tilt)
    elevation, elevations = angles["elevation_deg"], drawn["elevation_deg"]
    out_sd = combine(aside, scale * float(lean["out_m"]))
    head_sd = combine(ahead, scale * float(lean["head_m"]))
    rows = []
    for name, value, values, common in (
        ("elbow_abduction_deg", elevation, elevations, tilt[1]),
        ("tuck_deg", 90 - elevation, elevations, tilt[1]),
        ("elevation_plane_deg", angles["plane_deg"], drawn["plane_deg"], tilt[0]),
        ("abduction_in_frontal_deg", angles["in_frontal_deg"], drawn["in_frontal_deg"], tilt[1]),
        ("forearm_lean_deg", lean["lean_out_deg"], leans["lean_out_deg"], tilt[0]),
        ("forearm_lean_side_deg", lean["lean_head_deg"], leans["lean_head_deg"], tilt[1]),
        ("wrist_over_elbow_m", lean["out_m"], leans["out_m"], out_sd),
        ("wrist_ahead_of_elbow_m", lean["head_m"], leans["head_m"], head_sd),
    ):
        found = math.nan if unread else float(value)
        sd = combine(float(np.std(values)), common)
        rows.append(graded(rep, name, side, found, sd, reason, factor))
    return rows


def _touch_rows(
    arms: arms3d.Arms3d, k: int, rep: int, scale: float, config: PairConfig
) -> list[dict[str, Any]]:
    """Where the bar touches, from the shoulders."""
    touch = arms3d.touch_geometry(arms.bar_m[k], arms.joints_m[k, :, 0])
    touches = arms3d.touch_geometry(arms.bar_m[k], arms.draws_m[:, k, :, 0])
    along, out_of = config.shoulder_m
    rows = []
    for name, key, least in (
        ("touch_toward_hips_m", "toward_hips_m", along),
        ("touch_over_shoulders_m", "over_m", out_of),
        ("touch_left_of_midline_m", "left_m", 0.0),
    ):
        sd = combine(float(np.std(touches[key])), scale * float(touch[key]), least)
        rows.append(graded(rep, name, "", float(touch[key]), sd, "", config.useless_factor))
    return rows


def _bar_rows(
    bar: pd.DataFrame,
    rep: Any,
    scale: float,
    along_rel_sd: float,
    tilt: tuple[float, float],
    factor: float,
) -> list[dict[str, Any]]:
    """Measures of the bar's path in space in one press."""
    names = ("drift_touch_to_lockout_m", "bar_sideways_range_m", "bar_path_length_m")
    reason = ""
    inside = bar[(bar["time_s"] >= rep.press_s) & (bar["time_s"] <= rep.lockout_s)]
    path = inside[["x_m", "y_m", "z_m"]].to_numpy(dtype=float)
    if not (math.isfinite(rep.press_s) and math.isfinite(rep.lockout_s)):
        reason = "The press was not seen from its start to lockout."
    elif len(path) < 3 or not np.isfinite(path).all():
        reason = "The bar was not seen in both clips all through this press."
    if reason:
        return [graded(int(rep.rep), n, "", math.nan, math.nan, reason, factor) for n in names]
    rise = float(np.ptp(path[:, 1]))
    sd_x, sd_z = (float(np.median(inside[f"sd_{a}_m"])) for a in "xz")
    at_touch = float(np.interp(rep.touch_s, bar["time_s"], bar["x_m"]))
    values = (
        (
            path[-1, 0] - at_touch,
            combine(math.sqrt(2) * sd_x, rise * math.tan(math.radians(tilt[1]))),
            along_rel_sd,
        ),
        (
            np.ptp(path[:, 2]),
            combine(math.sqrt(2) * sd_z, rise * math.tan(math.radians(tilt[0]))),
            scale,
        ),
        (
            np.linalg.norm(np.diff(path, axis=0), axis=1).sum(),
            math.sqrt(2) * combine(sd_x, sd_z),
            scale,
        ),
    )
    return [
        graded(int(rep.rep), name, "", float(v), combine(sd, relative * abs(v)), "", factor)
        for name, (v, sd, relative) in zip(names, values, strict=True)
    ]


def joint_rows(arms: arms3d.Arms3d | None, names: Sequence[str]) -> pd.DataFrame:
    """Places of the joints at the moments, and in which of the views (`names`) they were read."""
    columns = ["rep", "moment", "time_s", "side", "joint"]
    columns += [f"{a}_m" for a in "xyz"] + [f"sd_{a}_m" for a in "xyz"] + ["read_in"]
    rows = []
    if arms is not None:
        spread = arms.draws_m.std(axis=0)
        for k, moment in enumerate(arms.moments.itertuples()):
            for s, side in enumerate(SIDES):
                for j, joint in enumerate(arms3d.JOINTS):
                    views = zip(names, arms.seen[k, s, j], strict=True)
                    read = " ".join(view for view, was_read in views if was_read)
                    place = [*arms.joints_m[k, s, j], *spread[k, s, j]]
                    about = [moment.rep, moment.moment, moment.time_s, side, joint]
                    rows.append([*about, *place, read])
    return pd.DataFrame(rows, columns=columns)
