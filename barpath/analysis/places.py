"""How sure each measure would be from where a camera could stand.

A made set is seen from the place with the detectors' usual errors, and measured as a clip is:
calibration, arm fit and measures are the pipeline's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.madeset import MadeSet, made_set
from barpath.analysis.madeview import Place, detect
from barpath.analysis.pipeline import measure
from barpath.errors import BarNotFoundError, NoRepError

SHOWN = (
    "elbow_abduction_deg",
    "wrist_over_elbow_m",
    "touch_point_to_shoulder_m",
    "touch_point_height_m",
    "drift_touch_to_lockout_m",
    "range_of_motion_m",
    "mean_press_speed_m_s",
    "grip_width_m",
)
"""Measures that the map shows, in its order."""
SEEDS = (1, 2, 3)
FEW_STEPS = 20
"""Of the camera's fits: the best is found by then; how bad the others are need not be known."""


def foretell(
    place: Place, made: MadeSet | None = None, seeds: Sequence[int] = SEEDS
) -> pd.DataFrame:
    """Say how sure each of `SHOWN` would be from a place.

    Parameters
    ----------
    place : Place
    made : MadeSet, optional
        Lifter and set; a typical one if not given.
    seeds : sequence of int
        The detectors' errors are drawn so often.

    Returns
    -------
    DataFrame
        `measure, u95, reason`: half width of the stated 95 % interval, the median over
        repetitions, sides and draws, in the measure's unit of `lift.catalogue`; NaN with the
        reason where fewer than half of them give one.

    Examples
    --------
    >>> table = foretell(Place(0.0, 1.7, 3.0), seeds=(1,)).set_index("measure")
    >>> table.loc["drift_touch_to_lockout_m", "reason"]
    'A front view does not show movement toward the head or the feet.'
    """
    made = made or made_set()
    parts = [_measured(place, made, seed) for seed in seeds]
    table = pd.concat(parts, ignore_index=True)
    return pd.DataFrame([_usual(name, table[table["measure"] == name]) for name in SHOWN])


def _measured(place: Place, made: MadeSet, seed: int) -> pd.DataFrame:
    """Rows `measure, u95, reason` of one made clip."""
    info, detected = detect(place, made, seed=seed)
    config = AnalysisConfig(view=place.view, plate_given=True)
    camera = replace(config.calibration, max_steps=FEW_STEPS)
    config = replace(config, calibration=camera)
    try:
        rows = measure(info, detected, config).measures
    except (BarNotFoundError, NoRepError) as error:
        return pd.DataFrame({"measure": SHOWN, "u95": np.nan, "reason": str(error)})
    rows = rows[rows["measure"].isin(SHOWN)]
    return rows[["measure", "u95", "reason"]]


def _usual(name: str, rows: pd.DataFrame) -> dict[str, str | float]:
    known = rows["u95"].dropna()
    if len(known) and 2 * len(known) >= len(rows):
        return {"measure": name, "u95": float(known.median()), "reason": ""}
    reasons = rows.loc[rows["u95"].isna(), "reason"]
    reason = reasons.mode().iloc[0] if len(reasons) else "This view does not show it."
    return {"measure": name, "u95": np.nan, "reason": str(reason)}
