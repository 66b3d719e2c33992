"""Load against speed: statsmodels, published values, and coverage by simulation."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from barpath.block import loadvelocity as lv
from barpath.trial.madeblock import BlockDesign, Effect, make_block

LOADS = np.array([50.0, 60, 70, 80, 90, 100])


def test_line_is_that_of_statsmodels():
    rng = np.random.default_rng(1)
    speed = 1.4 - 0.011 * LOADS + rng.normal(0, 0.03, 6)
    line = lv.fit_line(LOADS, speed)
    fit = sm.OLS(speed, sm.add_constant(LOADS)).fit()
    assert [line.intercept_m_s, line.slope_m_s_kg] == pytest.approx(list(fit.params))
    assert line.slope_sd == pytest.approx(fit.bse[1])
    value, half = line.at([40.0, 75.0])
    known = fit.get_prediction(sm.add_constant(np.array([40.0, 75.0]))).conf_int()
    np.testing.assert_allclose(np.column_stack([value - half, value + half]), known)


def test_interval_of_a_known_threshold_is_fieller_s():
    """The classical bounds: where the band of the line crosses the threshold."""
    rng = np.random.default_rng(2)
    speed = 1.4 - 0.011 * LOADS + rng.normal(0, 0.03, 6)
    line = lv.fit_line(LOADS, speed)
    most = lv.one_rep_max(line, 0.17, 0.0)

    def edge(sign):
        def away(load):
            value, half = line.at(load)
            return float(value + sign * half - 0.17)

        return optimize.brentq(away, 80, 250)

    assert most.value_kg == pytest.approx((0.17 - line.intercept_m_s) / line.slope_m_s_kg)
    assert most.low_kg == pytest.approx(edge(-1))
    assert most.high_kg == pytest.approx(edge(1))


@pytest.mark.parametrize("days", [1, 6])
def test_interval_covers_as_often_as_it_says(days):
    rng = np.random.default_rng(3)
    n, held, bounded = 3000, 0, 0
    loads = np.tile(LOADS, days)
    session = np.repeat(np.arange(days), len(LOADS))
    for _ in range(n):
        own = rng.normal(0.17, 0.04)
        true_max = 80 + (0.55 - own) / 0.011
        day = rng.normal(0, 0.02, days)[session] if days > 1 else 0.0
        speed = 0.55 - 0.011 * (loads - 80) + day + rng.normal(0, 0.025, len(loads))
        most = lv.one_rep_max(lv.fit_line(loads, speed, session))
        if not most.reason:
            bounded += 1
            held += most.low_kg <= true_max <= most.high_kg
    assert bounded > 0.99 * n
    assert 0.93 <= held / bounded <= 0.975


def test_published_speeds_of_the_maximum():
    # Gonzalez-Badillo & Sanchez-Medina (2010): 0.16 +- 0.04 m/s at the 1RM; mean propulsive
    # velocities of their table for 40 to 90 % of it (from memory).
    assert lv.PUBLISHED_1RM_SPEED_M_S == 0.16
    assert lv.PUBLISHED_1RM_SPEED_SD_M_S == 0.04
    assert abs(lv.GENERAL_THRESHOLD_M_S - 0.16) < 0.04
    table = {40: 1.13, 50: 0.95, 60: 0.79, 70: 0.62, 80: 0.47, 90: 0.32, 100: 0.17}
    np.testing.assert_allclose(lv.percent_of_max(list(table.values())), list(table), atol=1.5)


def test_a_lifter_on_the_published_equation_gets_its_maximum():
    """Speeds of 50 to 90 % of 120 kg, from the published table, lead back to about 120 kg."""
    share = np.array([0.5, 0.6, 0.7, 0.8, 0.9])
    line = lv.fit_line(120 * share, [0.95, 0.79, 0.62, 0.47, 0.32])
    most = lv.one_rep_max(line)
    assert most.value_kg == pytest.approx(120, rel=0.02)
    assert most.low_kg < 120 < most.high_kg
    # 0.04 m/s on a line of about 0.16 m/s for each tenth of 120 kg: 1.96 x 3 kg either way.
    assert (most.high_kg - most.low_kg) / 2 == pytest.approx(1.96 * 3.0, rel=0.15)


@pytest.mark.parametrize(
    ("loads", "speeds", "word"),
    [
        ([60, 60, 60], [0.8, 0.7, 0.75], "3 different loads"),
        ([60, 80], [0.8, 0.6], "3 different loads"),
        ([60, 80, 100], [0.5, 0.6, 0.7], "clearly"),
        ([60, 80, 100], [0.6, 0.3, 0.55], "clearly"),
    ],
)
def test_what_gives_no_maximum(loads, speeds, word):
    most = lv.one_rep_max(lv.fit_line(loads, speeds))
    assert math.isnan(most.value_kg)
    assert word in most.reason


def test_lines_of_a_block():
    effects = {
        lv.SPEED: Effect(0.6, 0.03, -0.11, -0.02, 0.01, 0.01, 0.005, 0.015, 0.008),
    }
    design = BlockDesign(
        lifters=("Ada", "Bo"), loads_kg=(50.0, 60.0, 70.0, 80.0, 90.0, 100.0), effects=effects
    )
    table = lv.lines(make_block(design))
    assert table["level"].tolist() == ["", "flared", "tucked"] * 2
    assert (table["reason"] == "").all()
    for lifter, base in (("Ada", 80), ("Bo", 90)):
        for level, speed in (("flared", 0.6), ("tucked", 0.63)):
            row = table[(table["lifter"] == lifter) & (table["level"] == level)].iloc[0]
            true_max = base + 10 * (speed - 0.17) / 0.11
            assert row["one_rm_low_kg"] < true_max < row["one_rm_high_kg"]
            assert row["slope_m_s_per_10_kg"] == pytest.approx(-0.11, abs=0.01)
    assert table["slowest_m_s"].between(0.2, 0.5).all()


def test_shared_scale_widens_the_interval():
    line = lv.fit_line(LOADS, 1.4 - 0.011 * LOADS + 0.002 * (-1) ** np.arange(6))
    sure, unsure = (
        lv.one_rep_max(line, threshold_sd_m_s=0.0),
        lv.one_rep_max(line, threshold_sd_m_s=0.0, scale_rel_sd=0.1),
    )
    assert unsure.high_kg - unsure.low_kg > sure.high_kg - sure.low_kg
    assert stats.t.ppf(0.975, 4) > 1.96
