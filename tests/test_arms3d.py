"""Arms in space from made joint tables, and the angles against hand-worked cases and scipy."""

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from barpath.space.arms3d import (
    Seen,
    combine_scales,
    find_hips,
    forearm_geometry,
    humerus_angles,
    read_at,
    touch_geometry,
    trunk_frame,
)
from barpath.space.sights import OUTWARD, SIDES
from tests.made_pairs import SIGHTS, made_arms


def errors(pair, fit):
    """Abduction (deg), wrist over elbow outward and toward the head (m), and their z scores."""
    frame = trunk_frame(fit.joints_m[:, :, 0], fit.hips_m)
    drawn = trunk_frame(fit.draws_m[:, :, :, 0], fit.hip_draws_m[:, None])
    rows = []
    for k in np.flatnonzero(fit.moments["moment"] == "bottom"):
        for s, side in enumerate(SIDES):
            truth = pair.truth[k][side]
            upper = fit.joints_m[k, s, 1] - fit.joints_m[k, s, 0]
            angle = humerus_angles(upper, frame[k], OUTWARD[s])["elevation_deg"]
            uppers = fit.draws_m[:, k, s, 1] - fit.draws_m[:, k, s, 0]
            angles = humerus_angles(uppers, drawn[:, k], OUTWARD[s])["elevation_deg"]
            lean = forearm_geometry(fit.joints_m[k, s, 1], fit.joints_m[k, s, 2], OUTWARD[s])
            leans = forearm_geometry(fit.draws_m[:, k, s, 1], fit.draws_m[:, k, s, 2], OUTWARD[s])
            off = angle - truth["elbow_abduction_deg"]
            out = lean["out_m"] - truth["wrist_over_elbow_m"]
            rows.append((off, out, off / angles.std(), out / leans["out_m"].std()))
    return np.array(rows)


@pytest.mark.parametrize("name", ["flared", "tucked", "wide", "narrow", "middle"])
def test_made_pairs_give_abduction_within_4_deg_and_offset_within_1_cm(name):
    """The project's own aims, with 4 mm of noise on every joint of both views."""
    pair, fit = made_arms(name, 3)
    off = errors(pair, fit)
    assert np.abs(off[:, 0]).max() < 4.0
    assert np.abs(off[:, 1]).max() < 0.010


def test_stated_uncertainty_holds_the_truth():
    """With errors of the size stated, half of them alike in a view: 95 % is 1.96 sd."""
    scores = []
    for seed, name in enumerate(("flared", "tucked", "narrow", "wide")):
        pair, fit = made_arms(name, 11 + seed, noise_m=0.012, bias_m=0.012)
        scores.append(errors(pair, fit)[:, 2:])
    scores = np.concatenate(scores)
    assert np.mean(np.abs(scores) < 1.96) > 0.85
    assert np.sqrt(np.mean(scores**2)) > 0.3


def test_a_hidden_far_arm_costs_certainty_but_not_truth():
    hide = [("side", f"right_{joint}") for joint in ("shoulder", "elbow", "wrist", "hand")]
    pair, fit = made_arms("tucked", 2, hide=hide)
    off = errors(pair, fit)
    sd = np.abs(off[:, 0] / off[:, 2])
    assert (sd[1::2] > sd[0::2]).all()
    assert np.all(np.abs(off[:, 2]) < 3.0)
    assert not fit.seen[:, 1, :, 1].any()


def test_segments_keep_their_length():
    _, fit = made_arms("wide", 4, noise_m=0.006)
    upper = np.linalg.norm(fit.joints_m[:, :, 1] - fit.joints_m[:, :, 0], axis=-1)
    assert np.ptp(upper, axis=0).max() < 0.01
    assert fit.lengths_m[:, 0] == pytest.approx(upper.mean(axis=0), abs=0.004)


def random_trunks(n=50):
    rng = np.random.default_rng(8)
    turns = Rotation.random(n, random_state=rng)
    places = np.array([[0.0, 0.0, 0.2], [0.0, 0.0, -0.2], [-0.5, 0, 0.1], [-0.5, 0, -0.1]])
    turned = np.stack([turns.apply(place) for place in places], axis=1)
    return rng, trunk_frame(turned[:, :2], turned[:, 2:])


def test_humerus_angles_are_the_isb_sequence():
    """Wu et al. (2005), 2.4.7: humerus relative to thorax, Y-X-Y, elevation negative for the right
    arm; checked with scipy's rotations in any attitude of the trunk."""
    rng, frame = random_trunks()
    plane, elevation = rng.uniform(-80, 80, len(frame)), rng.uniform(5, 120, len(frame))
    spin = rng.uniform(-90, 90, len(frame))
    humerus = Rotation.from_euler("YXY", np.column_stack([plane, -elevation, spin]), degrees=True)
    # The humerus' Y axis points from the elbow to the shoulder.
    local = -humerus.apply([0.0, 1.0, 0.0])
    world = np.einsum("nji,nj->ni", frame, local)
    got = humerus_angles(0.3 * world, frame, -1.0)
    assert got["elevation_deg"] == pytest.approx(elevation, abs=1e-9)
    assert got["plane_deg"] == pytest.approx(plane, abs=1e-9)
    mirrored = local * [1.0, 1.0, -1.0]
    left = humerus_angles(np.einsum("nji,nj->ni", frame, mirrored), frame, 1.0)
    assert left["plane_deg"] == pytest.approx(plane, abs=1e-9)


def test_trunk_frame_is_a_right_handed_rotation():
    _, frame = random_trunks()
    again = Rotation.from_matrix(frame).as_matrix()
    assert frame == pytest.approx(again, abs=1e-12)


@pytest.mark.parametrize(
    ("upper", "elevation", "plane", "frontal"),
    [
        # Worked by hand on a level trunk: straight out; along the trunk; halfway; straight up.
        ((0.0, 0.0, 0.3), 90.0, 0.0, 90.0),
        ((-0.3, 0.0, 0.0), 0.0, None, 0.0),
        ((-0.3, 0.0, 0.3), 45.0, 0.0, 45.0),
        ((0.0, 0.3, 0.0), 90.0, 90.0, None),
        # 3-4-5 triangle: sunk by 0.15 below a shoulder, 0.20 out.
        ((0.0, -0.15, 0.20), 90.0, -36.8698976, 90.0),
    ],
)
def test_angles_worked_by_hand(upper, elevation, plane, frontal):
    level = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    got = humerus_angles(np.array(upper), level, 1.0)
    for name, want in (
        ("elevation_deg", elevation),
        ("plane_deg", plane),
        ("in_frontal_deg", frontal),
    ):
        if want is not None:
            assert got[name] == pytest.approx(want, abs=1e-6)


def test_forearm_and_touch_worked_by_hand():
    lean = forearm_geometry(np.array([0.0, 0.0, -0.4]), np.array([-0.05, 0.12, -0.45]), -1.0)
    assert lean["out_m"] == pytest.approx(0.05)
    assert lean["head_m"] == pytest.approx(-0.05)
    assert lean["lean_out_deg"] == pytest.approx(np.degrees(np.arctan(5 / 12)))
    # Along the bench, whichever way the trunk leans.
    shoulders = np.array([[0.02, 0.5, 0.21], [0.04, 0.5, -0.19]])
    touch = touch_geometry(np.array([-0.12, 0.7, 0.0]), shoulders)
    assert touch["toward_hips_m"] == pytest.approx(0.15)
    assert touch["over_m"] == pytest.approx(0.2)
    assert touch["left_m"] == pytest.approx(-0.01)


def test_reading_moments_takes_medians_and_refuses_wide_gaps():
    table = pd.DataFrame(
        {
            "time_s": [0.0, 0.1, 0.2, 1.5],
            "left_elbow_x_m": [0.0, 0.1, 5.0, 1.5],
            "left_elbow_y_m": [1.0, 1.0, 1.0, np.nan],
            "left_elbow_sd_m": [0.01] * 4,
        }
    )
    across, up, sd = read_at(table, [(-0.05, 0.25), (0.15, 0.15), (0.9, 0.9), (np.nan, np.nan)])
    assert across["left_elbow"][:2] == pytest.approx([0.1, 2.55])
    assert np.isnan(across["left_elbow"][2:]).all()
    assert up["left_elbow"][0] == 1.0
    assert sd["left_elbow"][0] == 0.01


def test_scales_meet_where_the_uncertainties_say():
    factors, rel = combine_scales([1.0, 1.03], [0.03, 0.001])
    assert factors == pytest.approx([1 / 1.03, 1.0], rel=1e-3)
    assert rel < 0.001
    # Three that are equally sure meet at the geometric mean of the lengths: 1, 1 and 1/1.03.
    factors, rel = combine_scales([1.0, 1.0, 1.03], [0.02] * 3)
    assert factors[0] == pytest.approx(1.03 ** (-1 / 3))
    assert rel == pytest.approx(0.02 / np.sqrt(3))


def test_hips_lie_where_both_views_put_them_and_otherwise_where_hips_are():
    shoulders = np.array([[0.0, -0.6, 0.18], [0.0, -0.6, -0.18]])
    draws = np.tile(shoulders, (40, 1, 1))
    place = np.array([[-0.52, -0.57, 0.11], [-0.50, -0.58, -0.09]])
    sharp, blind = np.full(2, 0.001), np.full((2, 2), np.nan)
    seen = [Seen(sight, sight.project(place), sharp) for sight in SIGHTS]
    hips, spread = find_hips(seen, shoulders, draws)
    assert hips == pytest.approx(place, abs=0.002)
    assert spread.std(axis=0).max() < 0.005
    hips, spread = find_hips([Seen(SIGHTS[0], blind, sharp)], shoulders, draws)
    assert np.linalg.norm(hips.mean(axis=0) - shoulders.mean(axis=0)) == pytest.approx(
        0.5, abs=0.03
    )
    assert spread.std(axis=0)[:, 0].min() > 0.03
