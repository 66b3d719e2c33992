"""Statics against hand-worked triangles and vector mechanics."""

import numpy as np
import pytest

from barpath.lift.stacking import ASSUMPTIONS, moment_arms, sideways_share, stack
from barpath.space.arms3d import OUTWARD
from tests.made_pairs import made_arms


@pytest.fixture(scope="module")
def arms():
    return made_arms("flared", 1, noise_m=0.002)


def test_moment_is_the_cross_product():
    """Moment of a vertical force by vector mechanics: r x F, component by component."""
    rng = np.random.default_rng(4)
    joint, load = rng.normal(size=(20, 3)), rng.normal(size=(20, 3))
    moment = np.cross(load - joint, np.array([0.0, -490.0, 0.0]))
    out, head = moment_arms(joint, load, 1.0)
    assert 490 * out == pytest.approx(moment[:, 0])
    assert -490 * head == pytest.approx(moment[:, 2])


def test_sideways_force_by_hand():
    """A 5-12-13 forearm under 480 N: 200 N sideways, 520 N along the bone."""
    share = sideways_share(np.degrees(np.arctan2(5, 12)))
    assert 480 * share == pytest.approx(200)
    assert np.hypot(480, 480 * share) == pytest.approx(520)


def test_statics_of_a_made_lifter(arms):
    pair, fit = arms
    table = stack(fit, 100.0, (0.0, 0.0))
    half = 100 * 9.80665 / 2
    for k, row in enumerate(pair.moments.itertuples()):
        if row.moment != "bottom":
            continue
        for s, side in enumerate(("left", "right")):
            part = table[(table.rep == row.rep) & (table.moment == "bottom") & (table.side == side)]
            lean = np.tan(np.radians(pair.truth[k][side]["forearm_lean_deg"]))
            share = part[(part.quantity == "sideways_share") & (part.plane == "frontal")].iloc[0]
            assert share["value"] == pytest.approx(lean, abs=0.03)
            force = part[(part.quantity == "sideways_n") & (part.plane == "frontal")].iloc[0]
            assert force["value"] == pytest.approx(half * share["value"])
            elbow = part[
                (part.quantity == "moment_arm_m")
                & (part.joint == "elbow")
                & (part.plane == "sagittal")
            ].iloc[0]
            assert elbow["value"] == pytest.approx(
                pair.bar_m[k, 0] - pair.joints[k][f"{side}_elbow"][0], abs=0.015
            )
            moment = part[
                (part.quantity == "moment_n_m")
                & (part.joint == "shoulder")
                & (part.plane == "frontal")
            ].iloc[0]
            true_arm = OUTWARD[s] * (fit.hand_m[k, s, 2] - pair.joints[k][f"{side}_shoulder"][2])
            assert moment["value"] == pytest.approx(half * true_arm, abs=half * 0.01)
    assert np.isfinite(table["u95"]).all()
    assert set(table.moment) == {"bottom", "sticking"}


def test_without_a_load_forces_are_missing_and_shares_are_not(arms):
    table = stack(arms[1], None, (0.5, 0.5))
    newtons = table["quantity"].isin(["moment_n_m", "sideways_n"])
    assert table.loc[newtons, "value"].isna().all()
    assert table.loc[~newtons, "value"].notna().all()


def test_a_tilted_camera_widens_the_intervals(arms):
    level, tilted = (stack(arms[1], 100.0, (t, t)) for t in (0.0, 1.0))
    assert (tilted["sd"] >= level["sd"]).all()
    # One degree over the 0.3 m of a forearm is 5 mm.
    arm = (level.quantity == "moment_arm_m") & (level.joint == "elbow")
    added = np.sqrt(tilted.sd[arm] ** 2 - level.sd[arm] ** 2)
    assert added.between(0.003, 0.008).all()


def test_assumptions_are_there_to_be_shown():
    assert any("half" in sentence for sentence in ASSUMPTIONS)
