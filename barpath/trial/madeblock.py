"""A made training block whose truth is known, for tests and for showing what a block gives.

The lifters and their club (the Kiln Lane Barbell Club) are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from barpath.block.blockstore import measure_columns, measure_of, table_of
from barpath.ground.uncertainty import grade
from barpath.lift.catalogue import CATALOGUE


@dataclass(frozen=True)
class Effect:
    """How a made measure behaves; all in its own unit.

    Attributes
    ----------
    base : float
        With the first setup, at 80 kg, in the first repetition.
    setup : float
        What the second setup adds.
    per_10_kg, per_rep : float
        Change with load, and from repetition to repetition.
    sd_session, sd_set, sd_rep : float
        Standard deviations between sessions, between sets of one, between repetitions of one set.
    u95, common_u95 : float
        Uncertainty stated for each value, and its shared part.
    view : str
        View that gives it; ``""`` for every view.
    """

    base: float
    setup: float = 0.0
    per_10_kg: float = 0.0
    per_rep: float = 0.0
    sd_session: float = 0.0
    sd_set: float = 0.0
    sd_rep: float = 0.0
    u95: float = 0.0
    common_u95: float = 0.0
    view: str = ""


EFFECTS: dict[str, Effect] = {
    "range_of_motion_m": Effect(0.42, -0.006, 0, 0, 0.003, 0.002, 0.004, 0.009, 0.005),
    "descent_time_s": Effect(1.2, 0.0, 0.06, -0.02, 0.06, 0.05, 0.08, 0.05, 0.0),
    "pause_s": Effect(0.45, 0.0, 0.0, -0.03, 0.06, 0.04, 0.1, 0.05, 0.0),
    "press_time_s": Effect(0.72, 0.0, 0.1, 0.04, 0.02, 0.02, 0.03, 0.05, 0.0),
    "mean_press_speed_m_s": Effect(0.60, 0.025, -0.11, -0.02, 0.012, 0.01, 0.012, 0.015, 0.008),
    "peak_press_speed_m_s": Effect(0.85, 0.03, -0.13, -0.025, 0.02, 0.015, 0.02, 0.02, 0.01),
    "drift_touch_to_lockout_m": Effect(
        0.055, 0.035, 0.002, 0.001, 0.006, 0.004, 0.006, 0.006, 0.004, "side"
    ),
    "touch_point_to_shoulder_m": Effect(
        0.09, 0.045, 0.0, 0.002, 0.008, 0.006, 0.008, 0.06, 0.055, "side"
    ),
    "elbow_abduction_deg_left": Effect(72, -22, 0.5, 0.6, 2.5, 2.0, 2.0, 14, 12, "front"),
    "elbow_abduction_deg_right": Effect(70, -21, 0.5, 0.6, 2.5, 2.0, 2.0, 14, 12, "front"),
    "grip_width_m": Effect(0.62, -0.005, 0, 0, 0.006, 0.004, 0.003, 0.02, 0.015, "front"),
    "bar_tilt_deg": Effect(1.1, 0.05, 0.1, 0.1, 0.2, 0.2, 0.3, 0.4, 0.1, "front"),
}


@dataclass(frozen=True)
class BlockDesign:
    """What the made lifters did.

    Attributes
    ----------
    lifters : tuple of str
        Each somewhat stronger than the one before.
    setups : tuple of str
    n_sessions : int
    loads_kg : tuple of float
        In every session, each with every setup.
    n_reps : int
        In a set.
    missing_share : float
        Of the values.
    cameras : tuple of str
        Views; with more than one, a set has as many clips, paired.
    one_setup_a_session : bool
        The setups take turns from session to session instead of being mixed in each.
    effects : dict of str to Effect
    """

    lifters: tuple[str, ...] = ("Ada",)
    setups: tuple[str, str] = ("flared", "tucked")
    n_sessions: int = 6
    loads_kg: tuple[float, ...] = (60.0, 80.0, 100.0)
    n_reps: int = 4
    missing_share: float = 0.02
    cameras: tuple[str, ...] = ("side", "front")
    one_setup_a_session: bool = False
    effects: dict[str, Effect] = field(default_factory=lambda: dict(EFFECTS))


def make_block(design: BlockDesign | None = None, seed: int = 1) -> pd.DataFrame:
    """Make the table of a training block.

    Parameters
    ----------
    design : BlockDesign, optional
    seed : int

    Returns
    -------
    DataFrame
        As `blockstore.table_of` gives it; deviations are normal and independent at each level.

    Examples
    --------
    >>> table = make_block(BlockDesign(n_sessions=2, loads_kg=(80.0,), n_reps=3))
    >>> len(table), table["technique"].unique().tolist()
    (24, ['flared', 'tucked'])
    """
    design = design or BlockDesign()
    rng = np.random.default_rng(seed)
    sets = _sets(design)
    n_sets = len(sets)
    reps = sets.loc[sets.index.repeat(design.n_reps)].reset_index(names="set")
    reps["rep"] = np.tile(np.arange(1, design.n_reps + 1), n_sets)
    session = sets.groupby("session").ngroup().to_numpy()
    b = (sets["technique"] == design.setups[1]).to_numpy(float)
    strength = sets["lifter"].map({name: 10.0 * k for k, name in enumerate(design.lifters)})
    tens = (sets["load_kg"].to_numpy() - 80.0 - strength.to_numpy()) / 10
    values = {}
    for name, effect in design.effects.items():
        of_set = (
            effect.base
            + effect.setup * b
            + effect.per_10_kg * tens
            + rng.normal(0, effect.sd_session, session.max() + 1)[session]
            + rng.normal(0, effect.sd_set, n_sets)
        )
        value = of_set[reps["set"]] + effect.per_rep * (reps["rep"] - 1)
        values[name] = value.to_numpy() + rng.normal(0, effect.sd_rep, len(reps))
    frames = [_seen_from(view, reps, values, design, rng) for view in design.cameras]
    return pd.concat(frames, ignore_index=True).sort_values(
        ["lifter", "date", "set_id", "clip", "rep"], kind="stable", ignore_index=True
    )


def _sets(design: BlockDesign) -> pd.DataFrame:
    rows = []
    for lifter in design.lifters:
        for k in range(design.n_sessions):
            day = (pd.Timestamp("2026-03-02") + pd.Timedelta(days=3 * k)).date().isoformat()
            setups: Sequence[str] = design.setups
            if design.one_setup_a_session:
                setups = (design.setups[k % 2],)
            for load in design.loads_kg:
                for setup in setups:
                    rows.append((lifter, day, f"{lifter} {day}", setup, load))
    sets = pd.DataFrame(rows, columns=["lifter", "date", "session", "technique", "load_kg"])
    number = sets.groupby("session").cumcount() + 1
    sets["pair"] = number.astype(str) if len(design.cameras) > 1 else ""
    sets["set_id"] = sets["session"] + " set " + number.astype(str)
    return sets


def _seen_from(
    view: str,
    reps: pd.DataFrame,
    values: dict[str, np.ndarray],
    design: BlockDesign,
    rng: np.random.Generator,
) -> pd.DataFrame:
    frame = reps.drop(columns="set").assign(
        view=view, kind="complete", cut="", plate_mm=450.0, touch_and_go=False
    )
    frame["clip"] = frame["set_id"].str.replace(" ", "-") + f"-{view}.mp4"
    columns: dict[str, object] = {}
    for name in measure_columns():
        effect = design.effects.get(name)
        if effect is None or effect.view not in ("", view):
            reason = "It was not part of what was made." if effect is None else "Not in this view."
            columns[f"{name}_reason"] = reason
            columns[f"{name}_u95"] = np.nan
            continue
        spec = CATALOGUE[measure_of(name)[0]]
        gone = rng.random(len(frame)) < design.missing_share
        columns[name] = np.where(gone, np.nan, values[name])
        columns[f"{name}_u95"] = np.where(gone, np.nan, effect.u95)
        columns[f"{name}_common_u95"] = np.where(gone, np.nan, effect.common_u95)
        quality = grade(effect.u95, spec.good_u95, spec.fair_u95)
        columns[f"{name}_quality"] = np.where(gone, "missing", quality)
        columns[f"{name}_reason"] = np.where(gone, "It was hidden.", "")
    wide = pd.concat([frame, pd.DataFrame(columns, index=frame.index)], axis=1)
    return _shaped(wide)


def _shaped(wide: pd.DataFrame) -> pd.DataFrame:
    """The schema's columns and types, without going through single rows."""
    empty = table_of([{"lifter": "", "rep": 0}])
    out = {}
    for name, kind in empty.dtypes.items():
        if name in wide:
            column = wide[name]
            out[name] = column.astype(kind) if kind != "str" else column.astype("str")
        else:
            blank = "missing" if name.endswith("_quality") else ""
            out[name] = pd.Series(blank if kind == "str" else np.nan, wide.index, dtype=kind)
    return pd.DataFrame(out)
