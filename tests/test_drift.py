"""Drift with load, fatigue and time, and flags."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from barpath.block import drift
from barpath.trial.madeblock import BlockDesign, Effect, make_block

SPEED = "mean_press_speed_m_s"


def one(table, what, measure=SPEED):
    return table[(table["measure"] == measure) & (table["with"] == what)].iloc[0]


def block(**effect):
    effects = {SPEED: Effect(**({"base": 1.0, "u95": 0.005} | effect))}
    return make_block(
        BlockDesign(n_sessions=8, cameras=("side",), missing_share=0.0, effects=effects), seed=4
    )


def test_slopes_of_a_made_block():
    table = block(per_10_kg=-0.1, per_rep=-0.02, sd_session=0.02, sd_set=0.01, sd_rep=0.01)
    found = drift.trends(table, measures=[SPEED])
    for what, truth in (("load", -0.1), ("rep", -0.02), ("week", 0.0)):
        row = one(found, what)
        assert abs(row["slope"] - truth) < row["high"] - row["low"]
        assert row["low"] < row["high"]
    assert one(found, "load")["change"] == pytest.approx(-0.4, abs=0.03)
    assert "falls" in drift.trend_in_words(one(found, "rep"))
    assert "further repetition" in drift.trend_in_words(one(found, "rep"))


def test_slope_with_repetition_is_that_of_a_model_with_an_intercept_for_each_set():
    table = block(per_rep=-0.02, sd_set=0.01, sd_rep=0.01)
    fit = smf.ols(f"{SPEED} ~ rep + C(set_id)", table).fit()
    row = one(drift.trends(table, measures=[SPEED]), "rep")
    assert row["slope"] == pytest.approx(fit.params["rep"])


def test_drift_over_weeks():
    table = block(sd_set=0.01, sd_rep=0.01)
    days = (pd.to_datetime(table["date"]) - pd.Timestamp("2026-03-02")).dt.days
    table[SPEED] += 0.03 * days / 7
    row = one(drift.trends(table, measures=[SPEED]), "week")
    assert row["low"] < 0.03 < row["high"]
    assert row["low"] > 0.02


def test_what_cannot_be_told_has_a_reason():
    table = block().query("rep == 1 and load_kg == 80")
    found = drift.trends(table, measures=[SPEED, "pause_s"])
    assert "too few" in one(found, "load")["reason"]
    assert "too few" in one(found, "rep")["reason"]
    assert "not measured" in one(found, "load", "pause_s")["reason"]
    assert drift.trend_in_words(one(found, "rep")) == ""


def test_flags_find_the_odd_repetition_and_hardly_any_other():
    table = block(per_10_kg=-0.1, sd_session=0.005, sd_set=0.005, sd_rep=0.01)
    assert len(drift.flags(table, measures=[SPEED])) <= 1
    at = table.index[17]
    table.loc[at, SPEED] -= 0.12
    found = drift.flags(table, measures=[SPEED])
    first = found.iloc[0]
    assert (first["clip"], first["rep"]) == (table.loc[at, "clip"], table.loc[at, "rep"])
    assert first["z"] < -3.5
    # The load's own part is not held against a repetition.
    assert first["usual"] == pytest.approx(table.loc[at, SPEED] + 0.12, abs=0.04)


def test_flags_are_not_raised_on_noise_of_the_tool_or_on_poor_values():
    table = block(sd_rep=0.001, u95=0.2)
    table.loc[table.index[3], SPEED] += 0.1
    assert drift.flags(table, measures=[SPEED]).empty
    sure = block(sd_rep=0.001)
    sure.loc[sure.index[3], SPEED] += 0.1
    assert len(drift.flags(sure, measures=[SPEED])) == 1
    sure.loc[sure.index[3], f"{SPEED}_quality"] = "poor"
    assert drift.flags(sure, measures=[SPEED]).empty
    assert drift.flags(sure.head(5), measures=[SPEED]).empty


def test_half_of_the_repetitions_may_be_odd_without_hiding_it():
    """A median absolute deviation bears up to half of the values being off."""
    table = block(sd_rep=0.01)
    rng = np.random.default_rng(1)
    odd = rng.choice(table.index, size=len(table) // 4, replace=False)
    table.loc[odd, SPEED] += 0.3
    assert len(drift.flags(table, measures=[SPEED])) >= len(odd)
