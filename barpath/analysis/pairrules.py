"""A measured set against the rules of competition, from one clip or from several."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from barpath.analysis.config import PairConfig
from barpath.analysis.setresult import SetResult
from barpath.ground.uncertainty import combine
from barpath.lift import rules
from barpath.lift.armmeasures import LEAST_SIGHT_DEG
from barpath.space import arms3d
from barpath.space.sights import SIDES


def elbow_heights(result: SetResult, margin_s: float = 0.05) -> dict[int, dict[str, rules.Value]]:
    """Elbow joint above the shoulder joint at the bottom of each repetition, from one view.

    Parameters
    ----------
    result : SetResult
    margin_s : float
        Frames with joints so close to the bottom stand for it.
    """
    if result.arms.empty:
        return {}
    reps = result.reps
    turn_deg = abs(float(result.calibration["plane_angle_deg"]))
    aside = not result.shows.arms_apart and turn_deg < LEAST_SIGHT_DEG
    ends = reps["press_s"].fillna(reps["touch_s"])
    spans = [(a - margin_s, b + margin_s) for a, b in zip(reps["touch_s"], ends, strict=True)]
    _, up, sd = arms3d.read_at(result.arms, spans)
    relative = float(result.calibration["scale_rel_sd"] or 0.0)
    out: dict[int, dict[str, rules.Value]] = {}
    for k, rep in enumerate(reps["rep"]):
        out[int(rep)] = {}
        for side in SIDES:
            rise = up[f"{side}_elbow"][k] - up[f"{side}_shoulder"][k]
            spread = combine(
                sd[f"{side}_elbow"][k], sd[f"{side}_shoulder"][k], relative * abs(rise)
            )
            if aside and side != result.calibration.get("near_arm"):
                value = rules.Value(reason=f"The {side} arm is behind the body in this view.")
            elif not math.isfinite(rise):
                value = rules.Value(reason=f"The {side} elbow or shoulder was not seen.")
            else:
                value = rules.Value(float(rise), spread)
            out[int(rep)][side] = value
    return out


def check_rules(result: SetResult, config: rules.RulesConfig | None = None) -> pd.DataFrame:
    """Check one clip's result against the rules of competition; see `rules.check`."""
    return rules.check(rules.facts_of(result, elbow_heights(result)), config)


def pair_rules(
    front: SetResult,
    side: SetResult,
    arms: arms3d.Arms3d | None,
    reps: pd.DataFrame,
    scale: float,
    config: PairConfig,
) -> pd.DataFrame:
    """Rules from the view, or both together, that tells each best."""
    elbows: dict[int, dict[str, rules.Value]] = {}
    if arms is not None:
        spread = arms.draws_m[..., 1, 1] - arms.draws_m[..., 0, 1]
        for k, moment in enumerate(arms.moments.itertuples()):
            if moment.moment != "bottom":
                continue
            elbows[int(moment.rep)] = {}
            for s, name in enumerate(SIDES):
                rise = float(arms.joints_m[k, s, 1, 1] - arms.joints_m[k, s, 0, 1])
                sd = combine(float(np.std(spread[:, k, s])), scale * abs(rise))
                read = arms.seen[k, s, :2].any(axis=1).all()
                elbows[int(moment.rep)][name] = (
                    rules.Value(rise, sd)
                    if read
                    else rules.Value(reason=f"The {name} elbow or shoulder was read in no view.")
                )
    facts = rules.facts_of(front, elbows)
    other = {one.rep: one for one in rules.facts_of(side)}
    partner = reps.set_index("rep")["side_rep"]
    joined = []
    for one in facts:
        match = other.get(partner.get(one.rep, math.nan))
        if match is not None:
            one = replace(
                one,
                drop=_surer(one.drop, match.drop),
                pause=_surer(one.pause, match.pause),
                touch_and_go=one.touch_and_go and match.touch_and_go,
            )
        joined.append(one)
    return rules.check(joined, config.rules, config.advice)


def _surer(one: rules.Value, other: rules.Value) -> rules.Value:
    """The value that is known better."""
    if not math.isfinite(one.value):
        return other
    if not math.isfinite(other.value):
        return one
    return one if one.sd <= other.sd else other
