"""Arms fitted to made readings of arms whose joints are known."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from barpath.space import armguess, armproblem, armreadings
from barpath.space.armfit import arm_table, fit_arms
from barpath.space.armprior import (
    AT,
    N_BIASES,
    N_OWN,
    N_TURNS,
    SHARED,
    ArmFitConfig,
    shared_prior,
    whitener,
)
from barpath.space.sights import FITTED, OUTWARD, SEEN, Instants, Sight, Sighting

UPPER_M, FOREARM_M, HAND_M = 0.30, 0.265, 0.08
SHOULDER_M = np.array([0.02, -0.60, 0.185])
GRIP_M = 0.36
SHARED_ERROR_M, OWN_ERROR_M = 0.010, 0.010
CONFIG = ArmFitConfig(
    common_share=0.0,
    common_m=SHARED_ERROR_M,
    own_share=1.0,
    own_m=0.0,
    arms_alike=0.0,
    ends_alike=0.95,
)
FRONT_AXES = np.column_stack([[0.0, 0.26, 0.966], [0.0, -0.966, 0.26], [1.0, 0.0, 0.0]])
SIDE_AXES = np.column_stack([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]])


def sight_of(view: str) -> Sight:
    axes = FRONT_AXES if view == "front" else SIDE_AXES
    origin = np.array([0.0, -0.15, 3.3])
    return Sight(axes, origin, 1100.0, np.array([639.5, 359.5]), view, 0 if view == "front" else 1)


def made_set(
    n_reps: int = 2, per_rep: int = 24, swivel_deg: float = 38.0, touch_m: float = 0.10
) -> dict:
    """Bar, true joints (n, 2, 4, 3) and times of a set of presses; bar `touch_m` footward when low.

    The elbow is placed by the cosine rule, worked out here and not by the code under test.
    """
    phase = np.linspace(0, 1, per_rep, endpoint=False)
    down = np.tile(np.sin(np.pi * phase) ** 2, n_reps)
    bar = np.column_stack([-touch_m * down, -0.40 * down, np.zeros_like(down)])
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
    offset = rng.normal(0, SHARED_ERROR_M, (1, 2, 4, 2)) + rng.normal(0, OWN_ERROR_M, px.shape)
    readings = changes.pop("readings", px + offset * scale)
    sd_m = changes.pop("sd_m", np.full(px.shape[:3], OWN_ERROR_M))
    n = len(px)
    seen, spread = nothing_seen(n)
    seen[:, :, :4] = readings
    spread[:, :, :4] = np.square(sd_m[..., None, None] * scale[..., None]) * np.eye(2)
    config = changes.pop("config", CONFIG)
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (n, 1)))
    return fit_arms([Sighting(sight, at, np.arange(n), seen, spread, **changes)], config)


def abduction_deg(joints: np.ndarray, low: np.ndarray) -> float:
    """Angle between upper arm and the way to the feet, mean of both arms with the bar low."""
    upper = (joints[:, :, 1] - joints[:, :, 0])[low]
    return float(np.degrees(np.arccos(-upper[..., 0] / np.linalg.norm(upper, axis=-1))).mean())


def tucked_set(wanted_deg: float) -> dict:
    """A set with this abduction; the bar touches 3 cm off the elbows toward the usual place."""
    along_m = UPPER_M * np.cos(np.deg2rad(wanted_deg))
    touch_m = along_m + SHOULDER_M[0] + np.clip(0.16 - along_m, -0.03, 0.03) - 2 * SHOULDER_M[0]
    low, high = 0.0, 110.0
    for _ in range(20):
        middle = (low + high) / 2
        made = made_set(1, 24, middle, touch_m)
        if abduction_deg(made["joints"], made["down"] > 0.9) > wanted_deg:
            low = middle
        else:
            high = middle
    return made


def read_from_the_side(made: dict, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """What a network at its best states of a set whose elbows are hidden in the lower half.

    Elbows are seen to 7 mm in the upper half and to 6 cm in the lower, an error that a clip's
    frames share for the most part. The network knows besides where elbows usually are, and states
    the mean of both and what is left open (product of two normal distributions, from memory).
    """
    sight = sight_of("side")
    px = sight.project(made["joints"])
    scale = sight.px_per_m(made["joints"])
    n = len(px)
    hidden = made["down"] > 0.5
    usual = [
        sight.project(made_set(1, n, swivel, -made["bar"][:, 0].min())["joints"][:, :, 1])
        for swivel in (20.0, 45.0, 70.0)
    ]
    step = (usual[2] - usual[0]) / 2
    prior = step[..., :, None] * step[..., None, :] + (0.02 * scale[:, :, 1, None, None]) ** 2 * (
        np.eye(2)
    )
    sd_px = np.where(hidden, 0.06, 0.007)[:, None] * scale[:, :, 1]
    own = 0.3 * rng.normal(size=(n, 2, 2))
    common = np.where(hidden[:, None, None], rng.normal(size=(2, 2)), rng.normal(size=(2, 2)))
    seen_at = px[:, :, 1] + sd_px[..., None] * (common + own)
    left_open = np.linalg.inv(np.linalg.inv(prior) + np.eye(2) / sd_px[..., None, None] ** 2)
    toward = left_open @ np.linalg.inv(prior) @ (usual[1] - seen_at)[..., None]
    readings, spread = nothing_seen(n)
    readings[:, :, :4] = px + 0.005 * scale[..., None] * rng.normal(size=(2, 4, 2))
    readings[:, :, 1] = seen_at + toward[..., 0]
    spread[:, :, :4] = (0.006 * scale[..., None, None]) ** 2 * np.eye(2)
    spread[:, :, 1] = left_open
    return readings, spread


def fitted_abductions(wanted_deg, seeds, config) -> tuple[np.ndarray, np.ndarray]:
    """Abduction and its standard uncertainty, one row a wanted angle, one column a seed."""
    found = np.zeros((len(wanted_deg), len(seeds), 2))
    for row, wanted in enumerate(wanted_deg):
        made = tucked_set(wanted)
        low = made["down"] > 0.9
        n = len(low)
        at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (n, 1)))
        for column, seed in enumerate(seeds):
            seen, spread = read_from_the_side(made, np.random.default_rng(seed))
            fit = fit_arms([Sighting(sight_of("side"), at, np.arange(n), seen, spread)], config)
            drawn = [abduction_deg(draw, low) for draw in fit.draws_m]
            found[row, column] = abduction_deg(fit.points_m, low), np.std(drawn)
    return found[..., 0], found[..., 1]


def nothing_seen(n: int) -> tuple[np.ndarray, np.ndarray]:
    return np.full((n, 2, len(SEEN), 2), np.nan), np.full((n, 2, len(SEEN), 2, 2), np.nan)


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
    """Low behind the plate the near elbow is guessed 8 cm off, and said to be guessed."""
    made = made_set(swivel_deg=45.0)
    sight, rng = sight_of("side"), np.random.default_rng(8)
    px = sight.project(made["joints"])
    scale = sight.px_per_m(made["joints"])[..., None]
    hidden = np.zeros(px.shape[:3], dtype=bool)
    hidden[made["down"] > 0.5, 1, 1] = True
    guess = rng.normal(0, 0.08, px.shape)
    readings = px + scale * np.where(hidden[..., None], guess, rng.normal(0, 0.004, px.shape))
    fit = fit_made(made, "side", rng, readings=readings, sd_m=np.where(hidden, 0.08, 0.004))
    low = made["down"] > 0.9
    error = np.linalg.norm((fit.points_m - made["joints"])[low][:, 1, 1, :2], axis=-1)
    sd = fit.sd_m()[low][:, 1, 1, :2].max()
    assert np.median(error) < 0.5 * np.median(np.linalg.norm(guess[low][:, 1, 1], axis=-1))
    assert error.max() < 3 * np.sqrt(2) * sd
    assert sd > fit.sd_m()[made["down"] < 0.3][:, 1, 0, :2].max()


def test_tucked_and_flared_arms_come_out_so_from_the_side_with_elbows_hidden_low():
    wanted, seeds = np.array([20.0, 45.0, 75.0]), range(3)
    found, sd = fitted_abductions(wanted, seeds, ArmFitConfig())
    assert (np.abs(found - wanted[:, None]) <= 1.96 * sd).mean() > 0.8
    slope = np.polyfit(wanted, found.mean(axis=1), 1)[0]
    assert 0.7 < slope < 1.2
    taken_for_seen, _ = fitted_abductions(wanted, seeds, ArmFitConfig(most_pull=0.0))
    assert np.polyfit(wanted, taken_for_seen.mean(axis=1), 1)[0] < slope - 0.1


def test_a_mean_of_what_is_seen_and_what_is_usual_is_off_by_the_pull():
    """Many made elbows, each estimated as Bayes has it: their errors, by least squares."""
    rng = np.random.default_rng(15)
    usual, noise = np.array([[49.0, 10.0], [10.0, 9.0]]), np.array([[16.0, -3.0], [-3.0, 25.0]])
    true = rng.multivariate_normal(np.zeros(2), usual, 40000)
    seen = true + rng.multivariate_normal(np.zeros(2), noise, len(true))
    stated = np.linalg.inv(np.linalg.inv(usual) + np.linalg.inv(noise))
    read = seen @ (stated @ np.linalg.inv(noise)).T
    share = np.linalg.lstsq(-true, read - true, rcond=None)[0].T
    assert armguess.pull_of(stated, usual, 1.0) == pytest.approx(share, abs=0.02)


def test_where_an_elbow_is_seen_well_nothing_is_taken_for_a_guess():
    made = made_set()
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (48, 1)))
    seen, spread = nothing_seen(48)
    seen[:, :, :4], spread[:] = sight_of("side").project(made["joints"]), 2.0**2 * np.eye(2)
    spread[24:, :, 1] = 25.0**2 * np.eye(2)
    given = np.zeros((48, 2, len(SEEN)), dtype=bool)
    given[40:, :, 1] = True
    one = Sighting(sight_of("side"), at, np.arange(48), seen, spread, given)
    given[45:, :, 0] = True
    found = armguess.spread_of(armreadings.merged([one], None), ArmFitConfig())
    pull, of_shoulders = found.pull, found.shoulder_pull
    assert (of_shoulders[:45] > 0).all() and of_shoulders.max() < 0.1
    assert (of_shoulders[45:] == 0).all()
    assert np.abs(pull[:24]).max() < 0.1
    assert np.trace(pull[24:40], axis1=-2, axis2=-1).min() > 0.5
    assert (pull[40:] == 0).all()


def test_shoulders_read_nearer_the_usual_height_are_found_where_they_are():
    """Read as a mean of 2 cm about the true height and 5 cm about that under far shorter arms."""
    made, sight = made_set(), sight_of("side")
    config = replace(CONFIG, usual_arm_m=0.35)
    usual_m = -(config.usual_arm_m + config.hand_m) * config.straight
    open_m2 = 1 / (1 / 0.02**2 + 1 / config.usual_arm_sd_m**2)
    lean = made["joints"].copy()
    lean[:, :, 0, 1] += open_m2 / config.usual_arm_sd_m**2 * (usual_m - SHOULDER_M[1])
    sd_m = np.full(lean.shape[:3], OWN_ERROR_M)
    sd_m[:, :, 0] = np.sqrt(open_m2)
    found = []
    for each in (config, replace(config, most_pull=0.0)):
        fit = fit_made(
            made,
            "side",
            np.random.default_rng(6),
            readings=sight.project(lean),
            sd_m=sd_m,
            config=each,
        )
        found.append(fit.points_m[:, :, 0, 1].mean() - SHOULDER_M[1])
    assert abs(found[0]) < 0.010
    assert found[1] > 0.015


def drawn_bodies(config: ArmFitConfig, n: int) -> np.ndarray:
    """Logarithms of size, upper arm and forearm, and half the shoulders' width, of made lifters."""
    rng = np.random.default_rng(17)
    size = config.stature_rel_sd * rng.standard_normal(n)
    upper = np.log(config.stature_m * config.upper_arm_share) + size
    forearm = np.log(config.stature_m * config.forearm_share) + size
    half = config.shoulder_half_m * (1 + size) + config.shoulder_half_sd_m * rng.standard_normal(n)
    own = config.share_rel_sd * rng.standard_normal((2, n))
    return np.array([size, upper + own[0], forearm + own[1], half])


def test_a_small_lifter_is_small_in_all_parts():
    config = replace(ArmFitConfig(), length_ratio_sd=1e3)
    made = made_set(n_reps=1, per_rep=12)
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (12, 1)))
    seen = armreadings.merged(
        [Sighting(sight_of("side"), at, np.arange(12), *nothing_seen(12))], None
    )
    nothing = [np.zeros((12, 2, 2, 2)), np.zeros((12, 2)), [np.ones((2, 2, len(SEEN), 2))]]
    spread = armreadings.Spread(np.full((12, 2, len(SEEN), 2, 2), np.nan), *nothing)
    problem = armproblem.problem_of(seen, np.arange(12), spread, config)
    rows = problem.jacobian(problem.prior, np.ones((12, 2, len(SEEN))))[: problem.n_fixed]
    known = rows[:, : problem.n_fixed]
    names = ("log_size", "log_upper", "log_forearm", "left_shoulder_z")
    at_values = [AT[name] for name in names]
    found = np.linalg.inv(known.T @ known)[np.ix_(at_values, at_values)]
    bodies = drawn_bodies(config, 40000)
    assert problem.prior[at_values] == pytest.approx(bodies.mean(axis=1), abs=2e-3)
    assert found == pytest.approx(np.cov(bodies), rel=0.05, abs=5e-5)


def test_a_given_upper_arm_tells_of_the_forearm():
    """As the regression of made lifters' forearms on their upper arms has it."""
    config = replace(ArmFitConfig(), upper_arm_m=0.24)
    _, upper, forearm, _ = drawn_bodies(config, 40000)
    slope, level = np.polyfit(upper, forearm, 1)
    prior, _ = shared_prior(made_set()["bar"], config)
    expected = level + slope * np.log(config.upper_arm_m)
    assert prior[AT["log_forearm"]] == pytest.approx(expected, abs=5e-3)


def test_a_reading_counts_across_its_ellipse_more_than_along_it():
    """Spread 6 cm along the forearm's picture and 3 mm across it: only the latter is binding."""
    made = made_set()
    sight, rng = sight_of("front"), np.random.default_rng(21)
    px = sight.project(made["joints"])
    n = len(px)
    seen, spread = nothing_seen(n)
    scale = sight.px_per_m(made["joints"])[..., None]
    seen[:, :, :4] = px + rng.normal(0, 0.003, px.shape) * scale
    spread[:, :, :4] = np.square(0.003 * scale[..., None]) * np.eye(2)
    along = px[:, :, 1] - px[:, :, 2]
    along /= np.linalg.norm(along, axis=-1, keepdims=True)
    seen[:, :, 1] += along * 0.05 * scale[:, :, 1]
    outer = along[..., :, None] * along[..., None, :]
    spread[:, :, 1] += np.square(0.06 * scale[:, :, 1, :, None]) * outer
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (n, 1)))
    config = replace(CONFIG, common_share=0.7, common_m=0.003)
    fit = fit_arms([Sighting(sight, at, np.arange(n), seen, spread)], config)
    low = made["down"] > 0.9
    off = (sight.project(fit.points_m) - px)[low][:, :, 1] / scale[low][:, :, 1]
    assert np.abs((off * along[low]).sum(axis=-1)).max() < 0.03
    assert np.linalg.norm(off, axis=-1).max() < 0.03


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
    config = replace(CONFIG, common_m=0.03)
    before = fit_made(made, "front", rng, readings=wrong, config=config)
    given = np.zeros((len(px), 2, len(SEEN)), dtype=bool)
    given[row, :, 1] = True
    corrected = np.where(given[:, :, :4, None], px, wrong)
    after = fit_made(made, "front", rng, readings=corrected, given=given, config=config)

    def off_m(fit):
        return np.linalg.norm(
            sight.project(fit.points_m[row, :, 1]) - px[row, :, 1], axis=-1
        ) / sight.px_per_m(made["joints"][row, :, 1])

    assert off_m(before).max() > 0.04
    assert off_m(after).max() < 0.025
    near = abs(np.arange(len(px)) - row) == 1
    shift = np.linalg.norm(after.points_m[near] - before.points_m[near], axis=-1)[:, :, 1]
    assert shift.min() > 0.02


def test_a_long_set_is_fitted_in_parts_that_agree():
    made = made_set(n_reps=3)
    rng = np.random.default_rng(9)
    px = sight_of("front").project(made["joints"]) + rng.normal(0, 4.0, (72, 2, 4, 2))
    whole = fit_made(made, "front", rng, readings=px)
    parts = fit_made(made, "front", rng, readings=px, config=replace(CONFIG, max_frames=30))
    assert np.isfinite(parts.points_m).all()
    apart = np.linalg.norm(whole.points_m - parts.points_m, axis=-1)
    assert np.median(apart) < 0.02
    ratio = parts.sd_m()[:, :, 1].mean() / whole.sd_m()[:, :, 1].mean()
    assert 0.7 < ratio < 1.6


def test_the_bars_ends_say_how_an_oblique_camera_stands():
    """A camera taken to stand 9 degrees elsewhere is put right by the places of the bar's parts."""
    made = made_set()
    rng = np.random.default_rng(17)
    true = replace(sight_of("side"), view="oblique").turned(np.deg2rad(40.0))
    wrong = replace(true.turned(np.deg2rad(9.0)), turn_sd_deg=10.0, nod_sd_deg=3.0)
    n = len(made["bar"])
    seen, spread = nothing_seen(n)
    seen[:, :, :4] = true.project(made["joints"]) + rng.normal(0, 2.0, (n, 2, 4, 2))
    for k, half_m in ((4, 0.655), (5, 1.10)):
        place = made["bar"][:, None] + [[0.0, 0.0, half_m], [0.0, 0.0, -half_m]]
        seen[:, :, k] = true.project(place) + rng.normal(0, 2.0, (n, 2, 2))
    spread[:] = 4.0 * np.eye(2)
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (n, 1)))
    alone = seen.copy()
    alone[:, :, 4:] = np.nan

    def off_m(readings):
        fit = fit_arms([Sighting(wrong, at, np.arange(n), readings, spread)])
        low = made["down"] > 0.9
        return np.linalg.norm((fit.points_m - made["joints"])[low][:, :, 1], axis=-1).mean()

    assert off_m(seen) < 0.012
    assert off_m(seen) < off_m(alone)


def test_derivatives_are_those_of_the_residuals():
    """Against scipy's differences of the whole residual vector."""
    made = made_set(n_reps=1, per_rep=12)
    rng = np.random.default_rng(12)
    sight = sight_of("front")
    px = sight.project(made["joints"])
    seen = np.concatenate([px, px[:, :, 2:]], axis=2) + rng.normal(0, 4, (12, 2, 6, 2))
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (12, 1)))
    slanted = np.tile(np.array([[20.0, 6.0], [6.0, 9.0]]), (12, 2, 6, 1, 1))
    sighting = Sighting(sight, at, np.arange(12), seen, slanted)
    other = replace(sighting, sight=sight_of("side"))
    merged = armreadings.merged([sighting, other], None)
    spread = armguess.spread_of(merged, ArmFitConfig())
    problem = armproblem.problem_of(merged, np.arange(24), spread, ArmFitConfig())
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


def test_what_readings_are_off_on_average_is_told_in_each_camera_s_own_axes():
    """From the feet outward is across; from the side it is the way to the head that is."""
    config = ArmFitConfig(usual_off={"shoulder": ((-0.3, 0.4, 0.2), (0.0, 0.0, 0.0))})
    shoulder, common = SEEN.index("shoulder"), np.full((2, 2, len(SEEN), 2), 0.01)
    for view, across in (("front", -0.003), ("side", 0.004)):
        off_m = armreadings.usual_off_m(sight_of(view), common, config)
        assert off_m[0, :, shoulder] == pytest.approx(np.tile([across, 0.002], (2, 1)))
        assert np.count_nonzero(off_m) == 4


@pytest.mark.parametrize(("turn_deg", "alike"), [(0.0, 0.8), (45.0, 0.4), (90.0, 0.0)])
def test_cameras_that_look_alike_misread_heights_alike(turn_deg, alike):
    """By the square of the cosine between their lines of sight, for heights alone."""
    one = sight_of("side")
    sights = (one, one.turned(np.deg2rad(turn_deg)))
    root = whitener(sights, ArmFitConfig(views_alike=0.8))
    covariance = np.linalg.inv(root.T @ root)
    assert np.diag(covariance) == pytest.approx(1.0)
    begins = len(SHARED) + N_TURNS + N_OWN * np.arange(2)
    between = covariance[begins[0] :, begins[1] :][:N_BIASES, :N_BIASES].diagonal()
    assert between[1::2] == pytest.approx(alike, abs=1e-9)
    assert between[::2] == pytest.approx(0.0, abs=1e-9)


def test_readings_of_a_camera_of_unsure_scale_are_the_less_sure_the_farther_from_the_bar():
    made = made_set()
    sure = sight_of("side")
    n = len(made["bar"])
    seen, spread = nothing_seen(n)
    seen[:, :, :4] = sure.project(made["joints"])
    spread[:] = 4.0 * np.eye(2)
    at = Instants(made["time_s"], made["bar"], np.tile([0.0, 0.0, 1.0], (n, 1)))
    common = []
    for sight in (sure, replace(sure, lengths_rel_sd=(0.0, 0.05))):
        merged = armreadings.merged([Sighting(sight, at, np.arange(n), seen, spread)], None)
        stated = armreadings.covariance_m2(merged, np.arange(n))
        common.append(armreadings.common_sd_m(merged, stated, ArmFitConfig())[0])
    added = np.sqrt(np.square(common[1]) - np.square(common[0]))
    high = 1
    assert added[high, :, SEEN.index("shoulder"), 1] == pytest.approx(0.05 * 0.55, rel=0.2)
    assert added[high, :, SEEN.index("hand"), 1] == pytest.approx(0.0, abs=0.002)
    assert added[..., 0] == pytest.approx(0.0, abs=1e-9)
