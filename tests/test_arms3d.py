"""Arms in space from made joint tables, and the angles against hand-worked cases and scipy."""

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from barpath.lift.armmeasures import fitted_arm
from barpath.lift.measurerow import MeasureContext
from barpath.space.armfit import ArmFit
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


def isb_thorax(seventh_m, eighth_m, jugular_m, xiphoid_m):
    """Axes of the thorax after Wu et al. (2005), 2.3.1, as rows, from its four landmarks.

    Y: from the middle of xiphoid process and T8 to that of jugular notch and C7, upward; Z: square
    to the plane of the latter two and the former middle, to the right; X: forward. (From memory.)
    """
    low, high = (xiphoid_m + eighth_m) / 2, (jugular_m + seventh_m) / 2
    y = (high - low) / np.linalg.norm(high - low)
    z = np.cross(jugular_m - low, seventh_m - low)
    z /= np.linalg.norm(z)
    return np.array([np.cross(y, z), y, z])


LANDMARKS_M = np.array(
    [[0.02, -0.60, 0.0], [-0.16, -0.60, 0.0], [0.02, -0.44, 0.0], [-0.16, -0.44, 0.0]]
)
"""C7, T8, jugular notch and xiphoid process of one who lies level on the back; invented."""


def test_the_trunk_of_one_who_lies_level_is_the_isb_thorax():
    """The trunk's axis runs from hips to shoulders, since the thorax' own landmarks are not seen:
    both agree where the spine is straight, in any attitude."""
    joints = np.array(
        [[0.0, -0.52, 0.19], [0.0, -0.52, -0.19], [-0.5, -0.52, 0.1], [-0.5, -0.52, -0.1]]
    )
    for turn in Rotation.random(20, random_state=np.random.default_rng(5)):
        thorax = isb_thorax(*turn.apply(LANDMARKS_M))
        turned = turn.apply(joints)
        assert trunk_frame(turned[:2], turned[2:]) == pytest.approx(thorax, abs=1e-12)


def isb_humerus(shoulder_m, elbow_m, wrist_m):
    """Axes of a right humerus after Wu et al. (2005), 2.3.5 (second option), as rows.

    Y: from the elbow to the shoulder joint; Z: square to it and to the forearm's axis, to the
    right; X: forward. (From memory.)
    """
    y = (shoulder_m - elbow_m) / np.linalg.norm(shoulder_m - elbow_m)
    forearm = (elbow_m - wrist_m) / np.linalg.norm(elbow_m - wrist_m)
    z = np.cross(y, forearm)
    z /= np.linalg.norm(z)
    return np.array([np.cross(y, z), y, z])


MIRRORED = np.array([1.0, 1.0, -1.0])
"""A left side is mirrored at the sagittal plane and then taken for a right one (Wu et al. 2005)."""


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("plane_deg", [-35.0, 0.0, 20.0])
@pytest.mark.parametrize("elevation_deg", [30.0, 45.0, 70.0, 90.0])
def test_joint_places_give_the_angles_that_scipy_takes_from_isb_axes(
    side, plane_deg, elevation_deg
):
    """Made arms at known angles, on a level bench: from three joints to axes of thorax and
    humerus, and scipy's Y-X-Y angles of the one in the other. What is reported as elbow abduction
    is the elevation, whatever the plane; tuck is the rest to 90 degrees."""
    plane, elevation = np.deg2rad([plane_deg, elevation_deg])
    s = SIDES.index(side)
    # The trade's axes: toward the feet, out to the side, up from the bench.
    feet, out, up = (
        np.cos(elevation),
        np.sin(elevation) * np.cos(plane),
        np.sin(elevation) * np.sin(plane),
    )
    shoulder = np.array([0.0, -0.52, OUTWARD[s] * 0.19])
    elbow = shoulder + 0.30 * np.array([-feet, up, OUTWARD[s] * out])
    wrist = elbow + np.array([0.02, 0.26, OUTWARD[s] * -0.03])

    places = [shoulder, elbow, wrist]
    if side == "left":
        places = [place * MIRRORED for place in places]
    relative = isb_humerus(*places) @ isb_thorax(*LANDMARKS_M).T
    angles = Rotation.from_matrix(relative.T).as_euler("YXY", degrees=True)
    # Elevation is negative about X; scipy takes the second of such angles from 0 to 180.
    isb_plane, isb_elevation = (angles[0] + 360.0) % 360.0 - 180.0, angles[1]
    assert isb_elevation == pytest.approx(elevation_deg, abs=1e-9)
    assert isb_plane == pytest.approx(plane_deg, abs=1e-9)

    level = isb_thorax(*LANDMARKS_M)
    got = humerus_angles(elbow - shoulder, level, OUTWARD[s])
    assert got["elevation_deg"] == pytest.approx(isb_elevation, abs=1e-9)
    assert got["plane_deg"] == pytest.approx(isb_plane, abs=1e-9)

    arms = arms_of(np.array([shoulder, elbow, wrist, wrist]))
    context = MeasureContext("side", trunk_rise_deg=0.0, trunk_axis_sd_deg=0.0)
    measured = fitted_arm(arms, (0.0, 0.1), side, context)
    assert measured["elbow_abduction_deg"].value == pytest.approx(isb_elevation, abs=1e-9)
    assert measured["tuck_deg"].value == pytest.approx(90.0 - isb_elevation, abs=1e-9)


def test_a_trunk_whose_hips_lie_higher_is_counted_from_them():
    """An elbow below its shoulder is farther from hips 2 cm higher than from level ones."""
    shoulders = np.array([[0.0, -0.52, 0.19], [0.0, -0.52, -0.19]])
    hips = shoulders * [1, 1, 0.5] + [-0.5 * np.cos(np.arcsin(0.04)), 0.02, 0.0]
    upper = np.array([-0.17, -0.08, 0.23])
    expected = humerus_angles(upper, trunk_frame(shoulders, hips)[None], 1.0)["elevation_deg"]
    arms = arms_of(shoulders[0] + np.array([np.zeros(3), upper, upper, upper]))
    measured = fitted_arm(arms, (0.0, 0.1), "left", MeasureContext("side"))
    assert measured["elbow_abduction_deg"].value == pytest.approx(float(expected[0]), abs=1e-6)
    level = np.degrees(np.arccos(0.17 / np.linalg.norm(upper)))
    assert measured["elbow_abduction_deg"].value > level + 0.5


def arms_of(points_m):
    """A fit of arms that are known exactly: shoulder, elbow, wrist and hand, one for both sides."""
    points = np.tile(points_m, (2, 2, 1, 1))
    none = (np.nan, np.nan)
    return ArmFit(
        frame=np.arange(2),
        view=np.zeros(2, dtype=int),
        time_s=np.array([0.0, 0.1]),
        points_m=points,
        draws_m=np.tile(points, (3, 1, 1, 1, 1)),
        upper_arm_m=none,
        forearm_m=none,
        grip_width_m=none,
        shoulder_width_m=none,
        kept=np.ones((2, 2, 6)),
        cost=0.0,
        misfit=0.0,
        sights=(),
    )


@pytest.mark.parametrize("flare_deg", [30.0, 45.0, 60.0, 75.0])
@pytest.mark.parametrize("sunk_deg", [0.0, 15.0, 30.0])
def test_flare_seen_from_above_is_the_elevation_only_with_the_elbow_level(flare_deg, sunk_deg):
    """What lifters call flare is the angle between upper arm and trunk as seen from above (common
    practice, no source), `in_frontal_deg`. With the elbow sunk by an angle below the shoulder, the
    right-angled spherical triangle says cos(elevation) = cos(flare) cos(sunk), so the elevation is
    nearer to 90 degrees; checked with arms turned by scipy."""
    turn = Rotation.from_euler("zx", [flare_deg, 0.0], degrees=True)
    # From along the trunk toward the feet: out by the flare in the bench's plane, then down.
    flat = turn.apply([1.0, 0.0, 0.0])
    down = Rotation.from_rotvec(np.deg2rad(sunk_deg) * np.cross(flat, [0.0, 0.0, -1.0]))
    feet, out, up = down.apply(flat)
    level = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    got = humerus_angles(0.3 * np.array([-feet, up, out]), level, 1.0)
    assert got["in_frontal_deg"] == pytest.approx(flare_deg, abs=1e-9)
    by_triangle = np.cos(np.deg2rad(flare_deg)) * np.cos(np.deg2rad(sunk_deg))
    assert np.cos(np.deg2rad(got["elevation_deg"])) == pytest.approx(by_triangle, abs=1e-12)
    assert (got["elevation_deg"] > flare_deg + 0.5) == (sunk_deg > 0)


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
    assert (rel < 0.001).all()
    # Three that are equally sure meet at the geometric mean of the lengths: 1, 1 and 1/1.03.
    factors, rel = combine_scales([1.0, 1.0, 1.03], [0.02] * 3)
    assert factors[0] == pytest.approx(1.03 ** (-1 / 3))
    assert rel == pytest.approx([0.02 / np.sqrt(3)] * 3, rel=1e-3)


def test_scales_that_differ_by_more_than_they_say_are_less_sure():
    """Birge 1932: twice as far apart as two such scales usually are, twice as unsure."""
    usual = 0.01 * np.sqrt(2)
    _, agreed = combine_scales([1.0, np.exp(0.5 * usual)], [0.01, 0.01])
    _, apart = combine_scales([1.0, np.exp(2 * usual)], [0.01, 0.01])
    assert agreed == pytest.approx([0.01 / np.sqrt(2)] * 2, rel=1e-3)
    assert apart == pytest.approx(2 * agreed, rel=1e-3)
    # What the ends of a bar may rise unevenly by is no disagreement, and tells little.
    factors, uneven = combine_scales([1.0, np.exp(2 * usual)], [0.01, 0.01], apart_rel_sd=1.0)
    assert factors == pytest.approx([1.0, 1.0], abs=1e-5)
    assert uneven == pytest.approx([0.01, 0.01], rel=1e-3)


def test_stated_scales_hold_what_was_drawn():
    """Of 4,000 made sets of two and of three clips, what is stated has the spread that shows."""
    rng = np.random.default_rng(5)
    for n in (2, 3):
        z = []
        sds = rng.uniform(0.004, 0.02, (4000, n))
        wrong = sds * rng.standard_normal((4000, n))
        for sd, off in zip(sds, wrong, strict=True):
            # A view whose lengths are too long by `off` needs a factor of exp(-off).
            factors, rel = combine_scales(np.exp(off[0] - off), sd)
            z.append((np.log(factors[0]) + off[0]) / rel[0])
        assert 0.7 < np.std(z) < 1.05
        assert 0.95 < np.mean(np.abs(z) < 1.96) < 0.99


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
