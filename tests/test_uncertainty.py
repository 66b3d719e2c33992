"""Combining and stating uncertainties, against the worked examples of the GUM and the PDG."""

import math

import numpy as np
import pytest

from barpath.errors import OptionError
from barpath.ground import uncertainty as unc


def test_combined_uncertainty_of_the_end_gauge() -> None:
    # JCGM 100:2008, H.1.4: 25 nm, 9.7 nm, 2.9 nm and 16.6 nm combine to 32 nm.
    assert round(unc.combine(25.0, 9.7, 2.9, 16.6)) == 32


def test_rectangular_distribution() -> None:
    # JCGM 100:2008, F.2.2.1: a digital display of step d has u = 0.29 d.
    assert unc.rectangular(0.5) == pytest.approx(0.29, abs=0.002)


def test_effective_degrees_of_freedom_and_expanded_uncertainty() -> None:
    # JCGM 100:2008, G.4.1, example: relative parts 0.25 %, 0.57 %, 0.82 % of n = 10, 5, 15
    # observations: u_c = 1.03 %, nu_eff = 19.0, t_95 = 2.09, U_95 = 2.2 %.
    parts, dof = [0.25, 0.57, 0.82], [9, 4, 14]
    u = unc.product_sd(1.0, *parts)
    nu = unc.effective_dof(parts, dof)
    assert u == pytest.approx(1.03, abs=0.005)
    assert nu == pytest.approx(19.0, abs=0.1)
    assert unc.coverage_factor(nu) == pytest.approx(2.09, abs=0.005)
    assert unc.expand(u, nu) == pytest.approx(2.2, abs=0.05)


def test_coverage_factors_of_table_g2() -> None:
    # JCGM 100:2008, table G.2, p = 95 %.
    for dof, factor in ((1, 12.71), (5, 2.57), (10, 2.23), (50, 2.01), (math.inf, 1.96)):
        assert unc.coverage_factor(dof) == pytest.approx(factor, abs=0.005)


def test_well_known_parts_have_no_limit_of_freedom() -> None:
    assert math.isinf(unc.effective_dof([0.1, 0.2], [math.inf, math.inf]))


@pytest.mark.parametrize(
    ("value", "u95", "shown"),
    [
        # Particle Data Group, Introduction, "Rounding": 0.827 ± 0.119 and 0.827 ± 0.367.
        (0.827, 0.119, "0.83 ± 0.12"),
        (0.827, 0.367, "0.8 ± 0.4"),
        # and "14.674 ± 0.964" becomes "14.7 ± 1.0".
        (14.674, 0.964, "14.7 ± 1.0"),
        (41.2, 0.8, "41.2 ± 0.8"),
        (-0.01, 0.4, "0.0 ± 0.4"),
        (1234.0, 36.0, "1230 ± 40"),
        (-14.674, 0.964, "−14.7 ± 1.0"),
        # Without a known uncertainty three digits, and none from the arithmetic's last ones.
        (2.0, 0.0, "2"),
        (1234.5, math.nan, "1230"),
        (0.1083392162774468, 7e-16, "0.108"),
    ],
)
def test_rounding(value: float, u95: float, shown: str) -> None:
    assert unc.state(value, u95) == shown
    assert unc.state(value, u95, "cm") == shown + " cm"


@pytest.mark.parametrize("exponent", range(-4, 5))
def test_rounding_does_not_depend_on_the_unit(exponent: int) -> None:
    scale = 10.0**exponent
    shown = unc.state(14.674 * scale, 0.964 * scale).split(" ± ")
    assert float(shown[0]) == pytest.approx(14.7 * scale)
    assert float(shown[1]) == pytest.approx(1.0 * scale)


def test_no_value_is_shown_as_a_dash() -> None:
    assert unc.state(math.nan, 0.1, "m") == "–"
    assert unc.state(math.inf, 0.1, "m") == "–"
    with pytest.raises(OptionError):
        unc.state(1.0, -0.1)


def test_a_common_scale_does_not_average_out() -> None:
    rng = np.random.default_rng(4)
    n, truth, sd_random, scale_sd = 8, 0.4, 0.004, 0.02
    means = []
    for _ in range(4000):
        scale = 1 + rng.normal(0, scale_sd)
        means.append(np.mean(scale * truth + rng.normal(0, sd_random, n)))
    _, sd = unc.mean_over_reps(np.full(n, truth), [sd_random] * n, [scale_sd * truth] * n)
    assert sd == pytest.approx(np.std(means), rel=0.05)
    assert sd > scale_sd * truth


def test_grades() -> None:
    grades = [unc.grade(u, 0.01, 0.03) for u in (0.01, 0.011, 0.03, 0.031, math.nan)]
    assert grades == ["good", "fair", "fair", "poor", "missing"]
