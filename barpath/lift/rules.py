"""What was measured against the rules of competition, with margins and their uncertainty.

Each item comes out as `meets`, `does not meet` or `cannot tell`. It is a reading of a measurement,
not a decision: referees and the current rule book decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd

from barpath.ground.equipment import POWER_BAR
from barpath.ground.uncertainty import combine, expand
from barpath.lift.advice import AdviceConfig

MEETS, FAILS, UNKNOWN = "meets", "does not meet", "cannot tell from this view"

RULE_BOOK = (
    "International Powerlifting Federation, Technical Rules Book, bench press (values and wording"
    " from memory; the book in force and the referees decide)"
)
ITEMS: dict[str, tuple[str, str]] = {
    "grip": (
        "Spacing of the hands at most 81 cm between the forefingers",
        RULE_BOOK,
    ),
    "elbows": (
        "Underside of both elbows level with or below the top of the shoulder with the bar at its"
        " lowest",
        RULE_BOOK + "; in force since 1 January 2023",
    ),
    "motionless": (
        "Bar motionless on the chest before the press; for how long is the referee's to judge, less"
        " than 0.2 s of stillness is taken as no rest (our own limit)",
        RULE_BOOK,
    ),
    "downward": ("No downward movement of the whole bar during the press", RULE_BOOK),
    "lockout": (
        "Arms straight and the bar even at lockout; the book names no figure, so 2 degrees of tilt"
        " and 0.2 s between the ends are our own limits",
        RULE_BOOK,
    ),
}
REMARKS = (
    "A reading of measurements, not a decision: referees and the current rule book decide.",
    "Where flesh ends is not seen; half a hand's breadth and the depth of elbow and shoulder are"
    " usual values, and their spread is in the uncertainty.",
)
COLUMNS = ["rep", "item", "rule", "verdict", "margin", "unit", "u95", "reason", "source"]


@dataclass(frozen=True)
class RulesConfig:
    """Limits of the rules and where flesh ends.

    Attributes
    ----------
    limit_m : float
        Largest spacing between the forefingers.
    elbow_below_m, shoulder_above_m, flesh_sd_m : float
        The elbow's underside lies this far below its joint centre and the shoulder's top this far
        above its own in a lifter on the back; spread of their sum over builds (our estimate, no
        source).
    rest_s : float
        Less stillness than this on the chest is no rest (ours, no source; as `RepConfig` has it).
    tilt_deg, apart_s : float
        What still counts as an even lockout (ours, no source).
    seen_drop_m : float
        A downward movement must be measurable to this for its absence to mean anything.
    """

    limit_m: float = POWER_BAR.marks_m
    elbow_below_m: float = 0.035
    shoulder_above_m: float = 0.05
    flesh_sd_m: float = 0.015
    rest_s: float = 0.2
    tilt_deg: float = 2.0
    apart_s: float = 0.2
    seen_drop_m: float = 0.006


@dataclass(frozen=True)
class Value:
    """A measured value with its standard uncertainty, or why there is none."""

    value: float = math.nan
    sd: float = math.nan
    reason: str = ""


@dataclass(frozen=True)
class RepFacts:
    """What the checks of one repetition rest on.

    Attributes
    ----------
    rep : int
    grip : Value
        Distance between the middles of the hands, m.
    elbow_over_shoulder : dict of str to Value
        By side: elbow joint above (positive) the shoulder joint at the bottom, m.
    pause : Value
        Time at rest on the chest, s.
    touch_and_go, on_chest : bool
    drop : Value
        Largest sinking of the bar during the press, m.
    tilt : Value
        Bar tilt at lockout, degrees.
    apart : Value
        Time between both ends' lockout, s.
    locked : bool
        Whether the press was completed.
    """

    rep: int
    grip: Value
    elbow_over_shoulder: dict[str, Value]
    pause: Value
    drop: Value
    tilt: Value
    apart: Value
    touch_and_go: bool = False
    on_chest: bool = True
    locked: bool = True


@dataclass(frozen=True)
class _Checked:
    verdict: str
    margin: float = math.nan
    unit: str = ""
    u95: float = math.nan
    reason: str = ""


def judge(margin: float, u95: float) -> str:
    """Verdict from a margin (positive is within the rule) and its 95 % half width.

    Examples
    --------
    >>> judge(0.03, 0.01), judge(-0.03, 0.01), judge(0.005, 0.01)
    ('meets', 'does not meet', 'cannot tell from this view')
    """
    if not (math.isfinite(margin) and math.isfinite(u95)):
        return UNKNOWN
    if margin - u95 >= 0:
        return MEETS
    return FAILS if margin + u95 < 0 else UNKNOWN


_CLOSE = "The margin is smaller than its uncertainty."


def _close(verdict: str) -> str:
    return _CLOSE if verdict == UNKNOWN else ""


def _grip(facts: RepFacts, config: RulesConfig, hand: AdviceConfig) -> _Checked:
    if not math.isfinite(facts.grip.value):
        return _Checked(UNKNOWN, reason=facts.grip.reason or "The hands were not seen.")
    between = 2 * hand.forefinger_share * hand.hand_breadth_m
    sd = combine(
        facts.grip.sd,
        2 * hand.forefinger_share * hand.hand_breadth_sd_m,
        2 * hand.forefinger_sd_m,
    )
    margin = config.limit_m - (facts.grip.value - between)
    verdict = judge(margin, expand(sd))
    return _Checked(verdict, margin, "m", expand(sd), _close(verdict))


def _elbows(facts: RepFacts, config: RulesConfig) -> _Checked:
    known = {s: v for s, v in facts.elbow_over_shoulder.items() if math.isfinite(v.value)}
    flesh = config.elbow_below_m + config.shoulder_above_m
    checked = []
    for value in known.values():
        u95 = expand(combine(value.sd, config.flesh_sd_m))
        margin = flesh - value.value
        checked.append((margin, u95, judge(margin, u95)))
    if not checked:
        reasons = [v.reason for v in facts.elbow_over_shoulder.values() if v.reason]
        return _Checked(UNKNOWN, reason=reasons[0] if reasons else "The elbows were not seen.")
    margin, u95, verdict = min(checked)
    if any(c[2] == FAILS for c in checked):
        margin, u95, verdict = min(c for c in checked if c[2] == FAILS)
    elif len(known) < 2:
        missing = next(s for s in ("left", "right") if s not in known)
        return _Checked(UNKNOWN, margin, "m", u95, f"The {missing} arm was not seen well enough.")
    elif any(c[2] == UNKNOWN for c in checked):
        verdict = UNKNOWN
    return _Checked(verdict, margin, "m", u95, _close(verdict))


def _motionless(facts: RepFacts, config: RulesConfig) -> _Checked:
    if not facts.on_chest:
        return _Checked(FAILS, reason="The bar did not come down to the chest.")
    if not math.isfinite(facts.pause.value):
        return _Checked(UNKNOWN, reason=facts.pause.reason or "The bottom was not seen.")
    u95 = expand(facts.pause.sd)
    margin = facts.pause.value - config.rest_s
    verdict = judge(margin, u95)
    if facts.touch_and_go and verdict == MEETS:
        return _Checked(UNKNOWN, margin, "s", u95, "Whether the bar came to rest is told two ways.")
    if verdict == FAILS:
        return _Checked(FAILS, margin, "s", u95, "The bar turned without coming to rest.")
    return _Checked(verdict, margin, "s", u95, _close(verdict))


def _downward(facts: RepFacts, config: RulesConfig) -> _Checked:
    if not math.isfinite(facts.drop.value):
        return _Checked(UNKNOWN, reason=facts.drop.reason or "The press was not seen whole.")
    u95 = expand(facts.drop.sd)
    margin = -facts.drop.value + 0.0
    if facts.drop.value > u95:
        return _Checked(FAILS, margin, "m", u95)
    if u95 > config.seen_drop_m:
        return _Checked(
            UNKNOWN, margin, "m", u95, "A small downward movement could not be told from noise."
        )
    return _Checked(MEETS, margin, "m", u95)


def _lockout(facts: RepFacts, config: RulesConfig) -> _Checked:
    if not facts.locked:
        return _Checked(FAILS, reason="The press was not completed.")
    if not math.isfinite(facts.tilt.value):
        return _Checked(UNKNOWN, reason=facts.tilt.reason or "It needs a front view.")
    u95 = expand(facts.tilt.sd)
    margin = config.tilt_deg - abs(facts.tilt.value)
    verdict = judge(margin, u95)
    late = judge(config.apart_s - abs(facts.apart.value), expand(facts.apart.sd))
    if late == FAILS:
        return _Checked(
            FAILS,
            config.apart_s - abs(facts.apart.value),
            "s",
            expand(facts.apart.sd),
            "One end locked out later than the other.",
        )
    if verdict == MEETS and late == UNKNOWN and math.isfinite(facts.apart.value):
        return _Checked(
            UNKNOWN,
            config.apart_s - abs(facts.apart.value),
            "s",
            expand(facts.apart.sd),
            _CLOSE,
        )
    return _Checked(verdict, margin, "deg", u95, _close(verdict))


def check(
    facts: list[RepFacts], config: RulesConfig | None = None, hand: AdviceConfig | None = None
) -> pd.DataFrame:
    """Check repetitions against the rules.

    Parameters
    ----------
    facts : list of RepFacts
    config : RulesConfig, optional
    hand : AdviceConfig, optional
        For where the forefinger lies in a hand.

    Returns
    -------
    DataFrame
        One row a repetition and item: `rep, item, rule, verdict, margin, unit, u95, reason,
        source`. A positive margin is within the rule; of the pause it is what exceeds `rest_s`, of
        the downward movement minus its size.
    """
    config, hand = config or RulesConfig(), hand or AdviceConfig()
    rows = []
    for one in facts:
        checked = {
            "grip": _grip(one, config, hand),
            "elbows": _elbows(one, config),
            "motionless": _motionless(one, config),
            "downward": _downward(one, config),
            "lockout": _lockout(one, config),
        }
        for item, found in checked.items():
            rule, source = ITEMS[item]
            rows.append(
                {
                    "rep": one.rep,
                    "item": item,
                    "rule": rule,
                    "verdict": found.verdict,
                    "margin": found.margin,
                    "unit": found.unit,
                    "u95": found.u95,
                    "reason": found.reason,
                    "source": source,
                }
            )
    return pd.DataFrame(rows, columns=COLUMNS)


def drop_in_press(
    time_s: np.ndarray, height_m: np.ndarray, sd_m: np.ndarray, begin_s: float, end_s: float
) -> Value:
    """Largest sinking of the bar below a height it had reached before, within a press.

    Parameters
    ----------
    time_s, height_m, sd_m : ndarray, shape (n,)
        Smoothed heights with their standard uncertainties.
    begin_s, end_s : float
        The press.

    Examples
    --------
    >>> t = np.linspace(0, 1, 5)
    >>> sunk = drop_in_press(t, np.array([0, 0.2, 0.15, 0.3, 0.4]), np.full(5, 0.001), 0, 1)
    >>> round(sunk.value, 3)
    0.05
    """
    if not (math.isfinite(begin_s) and math.isfinite(end_s)):
        return Value(reason="The press was not seen from its start to lockout.")
    inside = (time_s >= begin_s) & (time_s <= end_s)
    heights = height_m[inside]
    if len(heights) < 3 or not np.isfinite(heights).all():
        return Value(reason="The bar was hidden for part of the press.")
    drop = float(np.max(np.maximum.accumulate(heights) - heights))
    return Value(drop, math.sqrt(2) * float(np.nanmedian(sd_m[inside])))


class MeasuredSet(Protocol):
    """What the checks read of a measured set: its tables of bar, repetitions and measures."""

    trajectory: pd.DataFrame
    reps: pd.DataFrame
    measures: pd.DataFrame


def facts_of(
    result: MeasuredSet, elbows: dict[int, dict[str, Value]] | None = None
) -> list[RepFacts]:
    """Take what the checks rest on from one clip's result.

    Parameters
    ----------
    result : MeasuredSet
    elbows : dict, optional
        By repetition and side: elbow joint above the shoulder joint at the bottom; from
        `pairset.elbow_heights` for one view, or from both views together.

    Returns
    -------
    list of RepFacts
    """
    table = result.measures
    trajectory = result.trajectory
    time_s, height_m, sd_m = (
        trajectory[c].to_numpy(dtype=float) for c in ("time_s", "y_smooth_m", "sd_m")
    )

    def measured(rep: int, name: str) -> Value:
        row = table[(table["rep"] == rep) & (table["measure"] == name)]
        if not len(row):
            return Value(reason="It was not measured.")
        first = row.iloc[0]
        return Value(float(first["value"]), float(first["sd"]), str(first["reason"]))

    out = []
    for rep in result.reps.itertuples():
        sides = (elbows or {}).get(rep.rep) or {
            side: Value(reason="It needs the lifter's joints.") for side in ("left", "right")
        }
        out.append(
            RepFacts(
                rep=int(rep.rep),
                grip=measured(rep.rep, "grip_width_m"),
                elbow_over_shoulder=sides,
                pause=measured(rep.rep, "pause_s"),
                drop=drop_in_press(time_s, height_m, sd_m, rep.press_s, rep.lockout_s),
                tilt=measured(rep.rep, "bar_tilt_lockout_deg"),
                apart=measured(rep.rep, "lockout_time_difference_s"),
                touch_and_go=bool(rep.touch_and_go),
                on_chest=getattr(rep, "short_of", "") not in ("touch", "both"),
                locked=rep.kind != "failed"
                and getattr(rep, "short_of", "") not in ("lockout", "both"),
            )
        )
    return out
