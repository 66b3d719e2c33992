"""Competition check: verdicts, margins and their uncertainty on made facts."""

import math

import numpy as np
import pandas as pd
import pytest

from barpath.lift.rules import (
    FAILS,
    ITEMS,
    MEETS,
    UNKNOWN,
    RepFacts,
    Value,
    check,
    drop_in_press,
    facts_of,
    judge,
)
from tests.made_results import make_result


def facts(**changes):
    base = {
        "rep": 1,
        "grip": Value(0.80, 0.005),
        "elbow_over_shoulder": {"left": Value(-0.08, 0.01), "right": Value(-0.08, 0.01)},
        "pause": Value(0.6, 0.02),
        "drop": Value(0.0, 0.0005),
        "tilt": Value(0.3, 0.2),
        "apart": Value(0.02, 0.01),
    }
    return RepFacts(**(base | changes))


def verdicts(**changes):
    table = check([facts(**changes)])
    return table.set_index("item")


def test_a_clean_repetition_meets_every_item():
    table = verdicts()
    assert (table["verdict"] == MEETS).all()
    assert set(table.index) == set(ITEMS)
    assert table["source"].str.contains("International Powerlifting Federation").all()
    assert "2023" in table.loc["elbows", "source"]


@pytest.mark.parametrize(
    ("width", "verdict"), [(0.84, MEETS), (0.875, UNKNOWN), (0.93, FAILS), (math.nan, UNKNOWN)]
)
def test_forefingers_at_81_cm(width, verdict):
    """International Powerlifting Federation, Technical Rules Book: 81 cm (from memory). The
    forefinger lies three eighths of a hand of 85 mm inside its middle."""
    row = verdicts(grip=Value(width, 0.005)).loc["grip"]
    assert row["verdict"] == verdict
    if math.isfinite(width):
        assert row["margin"] == pytest.approx(0.81 - (width - 2 * 0.375 * 0.085))


@pytest.mark.parametrize(
    ("left", "right", "verdict"),
    [(-0.05, -0.05, MEETS), (0.16, -0.05, FAILS), (0.08, -0.05, UNKNOWN), (0.16, 0.17, FAILS)],
)
def test_both_elbows_count(left, right, verdict):
    row = verdicts(elbow_over_shoulder={"left": Value(left, 0.01), "right": Value(right, 0.01)})
    assert row.loc["elbows", "verdict"] == verdict


def test_one_arm_unseen_cannot_meet_but_can_fail():
    unseen = Value(reason="hidden")
    one = verdicts(elbow_over_shoulder={"left": Value(-0.1, 0.01), "right": unseen}).loc["elbows"]
    assert one["verdict"] == UNKNOWN
    assert "right" in one["reason"]
    other = verdicts(elbow_over_shoulder={"left": Value(0.2, 0.01), "right": unseen})
    assert other.loc["elbows", "verdict"] == FAILS


def test_pause():
    assert verdicts(touch_and_go=True, pause=Value(0.0, 0.02)).loc["motionless", "verdict"] == FAILS
    assert verdicts(pause=Value(0.21, 0.02)).loc["motionless", "verdict"] == UNKNOWN
    assert verdicts(pause=Value(0.03, 0.02)).loc["motionless", "verdict"] == FAILS
    told_two_ways = verdicts(touch_and_go=True, pause=Value(0.6, 0.02)).loc["motionless"]
    assert told_two_ways["verdict"] == UNKNOWN
    assert verdicts(on_chest=False).loc["motionless", "verdict"] == FAILS


def test_downward_movement():
    assert verdicts(drop=Value(0.01, 0.001)).loc["downward", "verdict"] == FAILS
    assert verdicts(drop=Value(0.001, 0.001)).loc["downward", "verdict"] == MEETS
    assert verdicts(drop=Value(0.001, 0.01)).loc["downward", "verdict"] == UNKNOWN


def test_lockout():
    assert verdicts(tilt=Value(-3.0, 0.3)).loc["lockout", "verdict"] == FAILS
    assert verdicts(apart=Value(-0.4, 0.02)).loc["lockout", "verdict"] == FAILS
    assert verdicts(apart=Value(0.19, 0.02)).loc["lockout", "verdict"] == UNKNOWN
    assert verdicts(locked=False).loc["lockout", "verdict"] == FAILS
    assert verdicts(tilt=Value(reason="side view")).loc["lockout", "verdict"] == UNKNOWN


def test_verdict_needs_the_margin_to_exceed_its_uncertainty():
    rng = np.random.default_rng(1)
    for margin, u95 in rng.normal(0, 1, (200, 2)):
        verdict = judge(margin, abs(u95))
        assert (verdict == UNKNOWN) == (-abs(u95) <= margin < abs(u95))


def test_no_verdict_goes_against_its_own_margin():
    """The interval of the margin decides in every item, whatever the facts are."""
    rng = np.random.default_rng(2)

    def value(scale):
        return Value(float(rng.normal(0, scale)), float(abs(rng.normal(0, scale / 3))))

    for _ in range(300):
        pause = value(0.3)
        rows = verdicts(
            grip=Value(0.87 + value(0.05).value, 0.01),
            elbow_over_shoulder={"left": value(0.1), "right": value(0.1)},
            pause=Value(abs(pause.value), pause.sd),
            drop=Value(abs(value(0.01).value), 0.002),
            tilt=value(2.0),
            apart=value(0.2),
            touch_and_go=bool(rng.random() < 0.5),
        )
        told = rows[np.isfinite(rows["margin"])]
        failed, met = told[told["verdict"] == FAILS], told[told["verdict"] == MEETS]
        assert (failed["margin"] + failed["u95"] < 0).all()
        # A movement within its uncertainty, and small, counts as none.
        within = met.drop(index="downward", errors="ignore")
        assert (within["margin"] - within["u95"] >= 0).all()


def test_sinking_is_measured_against_the_highest_before():
    t = np.linspace(0, 2, 201)
    y = np.where(t < 1, 0.2 * t, 0.2 - 0.03 * np.sin(np.pi * (t - 1)))
    got = drop_in_press(t, y, np.full_like(t, 0.001), 0.0, 1.5)
    assert got.value == pytest.approx(0.03, abs=1e-4)
    assert drop_in_press(t, y, np.full_like(t, 0.001), 0.0, 1.0).value == 0.0
    y[50] = np.nan
    assert math.isnan(drop_in_press(t, y, np.full_like(t, 0.001), 0.0, 1.5).value)
    assert drop_in_press(t, y, t, math.nan, 1.0).reason


def test_a_side_view_cannot_tell_grip_and_lockout():
    table = check(facts_of(make_result("side")))
    by_item = table.groupby("item")["verdict"].agg(set)
    assert by_item["grip"] == {UNKNOWN}
    assert by_item["lockout"] == {UNKNOWN}
    assert (table.loc[table["verdict"] == UNKNOWN, "reason"] != "").all()
    assert isinstance(table, pd.DataFrame)
