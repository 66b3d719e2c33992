"""The arms of a set at the bottom and at lockout, kept with what is known of them.

A fit of the arms (`armfit`) is too large to keep; what a change of grip or tuck is worked out from
is not: shoulders, elbows, wrists and hands, averaged over the repetitions, as the best
estimate and as draws from the fit's covariance. From these an `Arms3d` is made as if both views had
been filmed, with a trunk that lies along the bench as usual; what the one view cannot show is wide
in the draws or, as the bar's way along the body from the feet, not to be taken from them.

World axes, metres: x toward the head, y up, z to the lifter's left; origin in the bar's middle at
the first lockout.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.lift.armmeasures import nearest_frames
from barpath.space.armfit import ArmFit
from barpath.space.arms3d import JOINTS, Arms3d, HipConfig
from barpath.space.sights import FITTED, OUTWARD, SIDES

Floats = NDArray[np.float64]

MOMENTS = ("bottom", "lockout")
AXES = "xyz"
WINDOW_S = 0.15
LOCKOUT_S = 0.25
TRUNK_AXIS_SD_DEG = 5.0
"""How well a trunk's direction is known (our estimate for an arched back, no source)."""
TRUNK_M, HIP_HALF_M = 0.50, 0.10
"""Shoulders to hips and half the hips' width; only the trunk's direction matters (no source)."""
COLUMNS = [
    "draw",
    "moment",
    *(f"{side}_{joint}_{axis}_m" for side in SIDES for joint in FITTED for axis in AXES),
]


def draw_table(fit: ArmFit, reps: pd.DataFrame) -> pd.DataFrame:
    """The fitted arms at the bottom and at lockout, averaged over the complete repetitions.

    Parameters
    ----------
    fit : ArmFit
        Of one view.
    reps : DataFrame
        Of the set, on the fit's clock.

    Returns
    -------
    DataFrame
        `COLUMNS`; `draw` 0 is the best estimate. Empty where no repetition shows its bottom.
    """
    whole = reps[reps["kind"] == "complete"]
    stands = np.isfinite(fit.points_m).all(axis=(1, 2, 3))
    tables = []
    for moment in MOMENTS:
        points = []
        for rep in whole.itertuples():
            if moment == "bottom":
                if getattr(rep, "short_of", "") in ("touch", "both"):
                    continue
                at, end = rep.touch_s, rep.press_s if math.isfinite(rep.press_s) else rep.touch_s
            else:
                at, end = rep.lockout_s, rep.lockout_s + LOCKOUT_S
            rows = nearest_frames(fit.time_s, at, end, WINDOW_S) & stands
            if rows.any():
                every = np.concatenate([fit.points_m[None, rows], fit.draws_m[:, rows]])
                points.append(np.median(every, axis=1))
        if not points:
            continue
        mean = np.mean(points, axis=0)
        table = pd.DataFrame(mean.reshape(len(mean), -1), columns=COLUMNS[2:])
        table.insert(0, "moment", moment)
        table.insert(0, "draw", np.arange(len(table)))
        tables.append(table)
    if not tables or tables[0]["moment"].iloc[0] != "bottom":
        return pd.DataFrame(columns=COLUMNS)
    return pd.concat(tables, ignore_index=True)


def points_of(table: pd.DataFrame, moment: str) -> Floats:
    """Joints at a moment, shape (k, 2, 4, 3): by draw, side and joint (`sights.FITTED`).

    Row 0 is the best estimate; the array is empty where the moment was not seen.
    """
    if not len(table):
        return np.empty((0, 2, len(FITTED), 3))
    rows = table[table["moment"] == moment].sort_values("draw")
    return rows[COLUMNS[2:]].to_numpy(dtype=float).reshape(len(rows), 2, len(FITTED), 3)


def arms_of(table: pd.DataFrame, seed: int = 20) -> Arms3d | None:
    """The arms at both moments, with a trunk that lies along the bench as `HipConfig` has it.

    Parameters
    ----------
    table : DataFrame
        From `draw_table`.
    seed : int
        For the trunk's direction.

    Returns
    -------
    Arms3d or None
        None where bottom or lockout is missing.
    """
    at = [points_of(table, moment) for moment in MOMENTS]
    if not all(len(one) for one in at):
        return None
    joints = np.stack(at, axis=1)
    n = len(joints)
    rise_deg = np.random.default_rng(seed).normal(HipConfig().rise_deg, TRUNK_AXIS_SD_DEG, n)
    rise_deg[0] = HipConfig().rise_deg
    tilt = np.deg2rad(rise_deg)
    middle = joints[:, :, :, 0].mean(axis=(1, 2))
    along = np.column_stack([-np.cos(tilt), np.sin(tilt), np.zeros(n)])
    across = OUTWARD[:, None] * np.array([0.0, 0.0, HIP_HALF_M])
    hips = (middle + TRUNK_M * along)[:, None] + across
    lengths = np.linalg.norm(np.diff(joints[:, 0, :, :3], axis=2), axis=-1)
    moments = pd.DataFrame({"rep": 0, "moment": list(MOMENTS), "time_s": np.nan})
    return Arms3d(
        moments=moments,
        bar_m=joints[0, :, :, FITTED.index("hand")].mean(axis=1),
        hand_m=joints[0, :, :, FITTED.index("hand")],
        joints_m=joints[0, :, :, : len(JOINTS)],
        hips_m=hips[0],
        lengths_m=lengths[0],
        draws_m=joints[1:, :, :, : len(JOINTS)],
        hip_draws_m=hips[1:],
        length_draws_m=lengths[1:],
        seen=np.ones((len(MOMENTS), 2, len(JOINTS), 2), dtype=bool),
        misfit=math.nan,
    )
