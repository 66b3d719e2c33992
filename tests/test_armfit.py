"""Arms fitted to made readings of arms whose joints are known."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from barpath import armfit
from barpath.armfit import (
    FITTED,
    OUTWARD,
    SEEN,
    ArmFitConfig,
    Instants,
    ReadingBias,
    Sight,
    Sighting,
    arm_table,
    fit_arms,
    inside_ellipses,
)

UPPER_M, FOREARM_M, HAND_M = 0.30, 0.265, 0.08
SHOULDER_M = np.array([0.02, -0.60, 0.185])
GRIP_M = 0.36
UNBIASED = ArmFitConfig(bias=ReadingBias(table={}, usual_sd_m=0.02, usual_within_m=0.012))
FRONT_AXES = np.column_stack([[0.0, 0.26, 0.966], [0.0, -0.966, 0.26], [1.0, 0.0, 0.0]])
SIDE_AXES = np.column_stack([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]])


def sight_of(view: str) -> Sight:
    axes = FRONT_AXES if view == "front" else SIDE_AXES
    origin = np.array([0.0, -0.15, 3.3])
    return Sight(axes, origin, 1100.0, np.array([639.5, 359.5]), view, 0 if view == "front" else 1)


def made_set(n_reps: int = 2, per_rep: int = 24, swivel_deg: float = 38.0) -> dict:
    """Bar, true joints (n, 2, 4, 3) and times of a set of presses.

    The elbow is placed by the cosine rule, worked out here and not by the code under test.
    """
    phase = np.linspace(0, 1, per_rep, endpoint=False)
    down = np.tile(np.sin(np.pi * phase) ** 2, n_reps)
    bar = np.column_stack([-0.10 * down, -0.40 * down, np.zeros_like(down)])
    time_s = np.arange(len(down)) * 3.0 / per_rep
    joints = np.zeros((len(down), 2, 4, 3))
    for side, out in enumerate(OUTWARD):
        shoulder = np.tile(SHOULDER_M * [1, 1, out], (len(down), 1))
        hand = bar + np.array([0.0, 0.0, out * GRIP_M])
        wrist = hand - [0.0, HAND_M, 0.0]
        for k in range(len(down)):
            line = wrist[k] - shoulder[k]
            length = np.linalg.norm(line)
            toward = line / length
            cosine = (UPPER_M**2 + length**2 - FOREARM_M**2) / (2 * UPPER_M * length)
            assert cosine < 1
            sideways = np.array([0.0, 0.0, out]) - toward[2] * out * toward
            sideways /= np.linalg.norm(sideways)
            footward = np.cross(toward, sideways) * -out
            turn = np.deg2rad(swivel_deg)
            bend = np.cos(turn) * sideways + np.sin(turn) * footward
            elbow = shoulder[k] + UPPER_M * (cosine * toward + np.sqrt(1 - cosine**2) * bend)
            joints[k, side] = [shoulder[k], elbow, wrist[k], hand[k]]
    return {"bar": bar, "joints": joints, "time_s": time_s, "down": down}


def fit_made(made: dict, view: str, rng: np.random.Generator, **changes):
    sight = sight_of(view)
    px = sight.project(made["joints"])
    scale = sight.px_per_m(made["joints"])[..., None]
    offset = rng.normal(0, 0.01, (1, 2, 4, 2)) + rng.normal(0, 0.01, px.shape)
    readings = changes.pop("readings", px + offset * scale)
    n = len(px)
    confidence = changes.pop("confidence", np.full((n, 2, 4), 0.9))
    seen, lower = np.full((n, 2, len(SEEN), 2), np.nan), np.full((n, 2, 2), np.nan)
    trust = np.zeros((n, 2, len(SEEN)))
    seen[:, :, :4], trust[:, :, :4] = readings, confidence
    if "forearm" in changes:
        seen[:, :, 4], lower = changes.pop("forearm")
        trust[:, :, 4] = 0.9
    if "tip" in changes:
        seen[:, :, 5] = changes.pop("tip")
        trust[:, :, 5] = 0.9
    config = changes.pop("config", UNBIASED)
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (n, 1)))
    sighting = Sighting(sight, at, np.arange(n), seen, trust, lower, **changes)
    return fit_arms([sighting], config)


def test_lengths_and_places_are_recovered_from_the_front():
    made = made_set()
    fit = fit_made(made, "front", np.random.default_rng(3))
    assert fit.upper_arm_m[0] == pytest.approx(UPPER_M, abs=3 * fit.upper_arm_m[1])
    assert fit.forearm_m[0] == pytest.approx(FOREARM_M, abs=3 * fit.forearm_m[1])
    assert fit.grip_width_m[0] == pytest.approx(2 * GRIP_M, abs=0.03)
    low = made["down"] > 0.9
    error = fit.points_m[low] - made["joints"][low]
    # Across and up are seen; along the bench only follows from the lengths.
    assert np.abs(error[..., 1:]).max() < 0.035
    assert np.abs(error[..., 0]).max() < 0.10


def test_stated_uncertainty_covers_the_truth():
    made = made_set()
    inside, n = 0, 0
    for seed in range(12):
        fit = fit_made(made, "front", np.random.default_rng(seed))
        low = made["down"] > 0.9
        error = (fit.points_m - made["joints"])[low].mean(axis=0)
        sd = fit.sd_m()[low].mean(axis=0)
        within = np.abs(error[:, :3, 1:]) <= 1.96 * sd[:, :3, 1:]
        inside, n = inside + within.sum(), n + within.size
    assert 0.90 <= inside / n <= 1.0


def test_lengths_stay_the_same_all_through_the_set():
    fit = fit_made(made_set(), "front", np.random.default_rng(5))
    upper = np.linalg.norm(fit.points_m[:, :, 1] - fit.points_m[:, :, 0], axis=-1)
    forearm = np.linalg.norm(fit.points_m[:, :, 2] - fit.points_m[:, :, 1], axis=-1)
    assert upper.std() / upper.mean() < 0.01
    assert forearm.std() / forearm.mean() < 0.01


def test_hands_are_on_the_bar():
    made = made_set()
    fit = fit_made(made, "side", np.random.default_rng(5))
    hand = fit.points_m[:, :, FITTED.index("hand")] - made["bar"][:, None]
    assert np.abs(hand[..., :2]).max() < 1e-9


def test_an_arm_behind_a_plate_is_bridged_and_says_how_uncertain_it_is():
    made = made_set(swivel_deg=45.0)
    sight, rng = sight_of("side"), np.random.default_rng(8)
    px = sight.project(made["joints"])
    near_plate = made["bar"] + [0.0, 0.0, 0.72]
    centre = sight.project(near_plate)
    major = 0.45 * sight.px_per_m(near_plate)
    plate = np.column_stack([centre, major, major, np.zeros(len(major))])
    hidden = inside_ellipses(px, plate)
    # What is hidden is guessed by the network, far from the truth.
    readings = np.where(hidden[..., None], centre[:, None, None] + [60.0, -70.0], px)
    readings = readings + rng.normal(0, 4.0, px.shape)
    fit = fit_made(made, "side", rng, readings=readings, plate_px=plate)
    low = made["down"] > 0.9
    assert hidden[low][:, 1, 1].mean() > 0.9
    error = np.linalg.norm((fit.points_m - made["joints"])[low][:, 1, 1, :2], axis=-1)
    sd = fit.sd_m()[low][:, 1, 1, :2].max()
    guess = np.linalg.norm((readings - px)[low][:, 1, 1], axis=-1) / sight.px_per_m(near_plate)[low]
    assert np.median(error) < 0.5 * np.median(guess)
    assert error.max() < 3 * np.sqrt(2) * sd
    assert sd > fit.sd_m()[~hidden[:, 1, 0]][:, 1, 0, :2].max()


def test_a_reading_put_on_something_else_loses_its_pull():
    made = made_set()
    rng = np.random.default_rng(2)
    sight = sight_of("front")
    clean = sight.project(made["joints"]) + rng.normal(0, 3.0, (len(made["bar"]), 2, 4, 2))
    spoilt = clean.copy()
    rows = np.flatnonzero(made["down"] > 0.9)[::3]
    spoilt[rows, 0, 1] += [150.0, 120.0]
    good = fit_made(made, "front", rng, readings=clean)
    robust = fit_made(made, "front", rng, readings=spoilt)
    shift = np.linalg.norm(robust.points_m - good.points_m, axis=-1)[rows, 0, 1]
    assert shift.max() < 0.04
    assert np.nanmax(robust.kept[rows, 0, 1]) < 0.2


def test_a_joint_put_right_by_hand_is_nearly_certain():
    made = made_set()
    rng = np.random.default_rng(6)
    sight = sight_of("front")
    px = sight.project(made["joints"])
    wrong = px.copy()
    wrong[:, :, 1] += [-60.0, 25.0]
    row = int(np.argmax(made["down"]))
    before = fit_made(made, "front", rng, readings=wrong)
    given = np.zeros((len(px), 2, len(SEEN)), dtype=bool)
    given[row, :, 1] = True
    corrected = np.where(given[:, :, :4, None], px, wrong)
    after = fit_made(made, "front", rng, readings=corrected, given=given)

    def off_m(fit):
        return np.linalg.norm(
            sight.project(fit.points_m[row, :, 1]) - px[row, :, 1], axis=-1
        ) / sight.px_per_m(made["joints"][row, :, 1])

    assert off_m(before).max() > 0.06
    assert off_m(after).max() < 0.025
    near = abs(np.arange(len(px)) - row) == 1
    shift = np.linalg.norm(after.points_m[near] - before.points_m[near], axis=-1)[:, :, 1]
    assert shift.min() > 0.02


def test_a_long_set_is_fitted_in_parts_that_agree():
    made = made_set(n_reps=3)
    rng = np.random.default_rng(9)
    px = sight_of("front").project(made["joints"]) + rng.normal(0, 4.0, (72, 2, 4, 2))
    whole = fit_made(made, "front", rng, readings=px)
    parts = fit_made(made, "front", rng, readings=px, config=replace(UNBIASED, max_frames=30))
    assert np.isfinite(parts.points_m).all()
    apart = np.linalg.norm(whole.points_m - parts.points_m, axis=-1)
    assert np.median(apart) < 0.02
    ratio = parts.sd_m()[:, :, 1].mean() / whole.sd_m()[:, :, 1].mean()
    assert 0.7 < ratio < 1.6


def test_a_forearms_line_and_end_put_the_elbow_right():
    """Elbows read 6 cm off along the arm, as a network does; the forearm's edges say where."""
    made = made_set()
    sight, rng = sight_of("front"), np.random.default_rng(4)
    joints = made["joints"]
    px = sight.project(joints)
    wrong = px + rng.normal(0, 3.0, px.shape)
    toward = px[:, :, 0] - px[:, :, 1]
    wrong[:, :, 1] += 0.3 * toward
    elbow, wrist = joints[:, :, 1], joints[:, :, 2]
    line = tuple(sight.project(wrist + share * (elbow - wrist)) for share in (0.1, 0.6))
    sure = {
        ("front", "", "forearm"): (((0, 0), (0, 0)), ((0.005, 0.01), (0.005, 0.01)), 0.006),
        ("front", "", "tip"): (((0, 0), (0, 0)), ((0.012, 1), (0.012, 1)), 0.012),
    }
    config = replace(UNBIASED, bias=replace(UNBIASED.bias, table=sure))
    alone = fit_made(made, "front", rng, readings=wrong, config=config)
    helped = fit_made(
        made, "front", rng, readings=wrong, config=config, forearm=line, tip=px[:, :, 1]
    )
    low = made["down"] > 0.9

    def off(fit):
        return np.abs(fit.points_m - joints)[low][:, :, 1, 2].mean()

    assert off(helped) < 0.5 * off(alone)
    assert off(helped) < 0.02


def test_derivatives_are_those_of_the_residuals():
    """Against scipy's differences of the whole residual vector."""
    made = made_set(n_reps=1, per_rep=12)
    rng = np.random.default_rng(12)
    sight = sight_of("front")
    px = sight.project(made["joints"])
    seen = np.concatenate([px, px[:, :, 2:3], px[:, :, 1:2]], axis=2) + rng.normal(
        0, 4, (12, 2, 6, 2)
    )
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (12, 1)))
    trust = np.full((12, 2, 6), 0.8)
    sighting = Sighting(sight, at, np.arange(12), seen, trust, px[:, :, 1] + 3.0)
    other = Sighting(sight_of("side"), at, np.arange(12), seen, trust, px[:, :, 1] + 3.0)
    merged = armfit._merged([sighting, other], None, ArmFitConfig())
    problem = armfit._problem(merged, np.arange(24), ArmFitConfig())
    values = problem.prior + rng.normal(0, 0.003, len(problem.prior))
    weight = rng.uniform(0.3, 1.0, (24, 2, 6))
    numeric = approx_fprime(values, problem.flat, 1e-7, weight)
    assert problem.jacobian(values, weight) == pytest.approx(numeric, abs=2e-2, rel=1e-2)


def test_too_few_readings_give_no_arms():
    made = made_set()
    readings = np.full((48, 2, 4, 2), np.nan)
    assert fit_made(made, "front", np.random.default_rng(1), readings=readings) is None


def test_priors_bracket_published_segment_lengths():
    """Drillis and Contini 1966 (in Winter): 0.186, 0.146. de Leva 1996, J. Biomech. 29(9), table 4,
    men of 1.741 m: upper arm 281.7 mm, forearm 268.9 mm, hand to third knuckle 86.2 mm; women of
    1.735 m: 275.1, 264.3 and 78.0 mm (de Leva's values from memory)."""
    config = ArmFitConfig()
    published = {
        "upper_arm_share": (0.186, 0.2817 / 1.741, 0.2751 / 1.735),
        "forearm_share": (0.146, 0.2689 / 1.741, 0.2643 / 1.735),
    }
    for name, values in published.items():
        assert all(abs(v / getattr(config, name) - 1) < 2 * config.share_rel_sd for v in values)
    assert 0.078 - 2 * config.hand_sd_m < config.hand_m < 0.0862


def test_table_holds_pixels_of_the_frame_and_confidence():
    fit = fit_made(made_set(), "front", np.random.default_rng(4))
    shift = np.tile(np.array([[1.0, 0.0, 7.0], [0.0, 1.0, -3.0]]), (48, 1, 1))
    table = arm_table(fit, shift)
    expected = fit.sights[0].project(fit.points_m[10, 1, 1]) + np.array([7.0, -3.0])
    found = table.loc[10, ["right_elbow_x_px", "right_elbow_y_px"]].to_numpy(dtype=float)
    assert np.allclose(found, expected)
    assert table["left_elbow_confidence"].between(0, 1).all()
    assert (table["left_elbow_sd_m"] > 0).all()
