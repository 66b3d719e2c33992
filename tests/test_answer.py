"""What a set answers: sentences for each case, and moves of the hands against posed bodies."""

import math
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from barpath.lift.advice import Build, LifterProfile, build_of
from barpath.lift.bottom import COLUMNS, arms_of, draw_table, points_of
from barpath.report import answer
from barpath.report.above import above_of
from barpath.report.facts import Facts, Known, arms_in, both, facts_of, profile_of, wrist_ahead
from barpath.report.setpage import bottom_labels
from barpath.space.armfit import fit_arms
from barpath.space.armprior import ArmFitConfig
from barpath.space.sights import OUTWARD, SIDES
from sample_clips_synthetic.generator.body import ArmStyle, Lifter
from sample_clips_synthetic.generator.clip import SHAFT_RADIUS_M
from sample_clips_synthetic.generator.truth import arm_measures
from tests.made_detections import made_result, truth
from tests.made_pairs import made_pair, made_sightings, world_of
from tests.made_results import make_result


def arms(left: tuple[float, float], right: tuple[float, float] | None = None) -> dict[str, Known]:
    return {"left": Known(*left), "right": Known(*(right or left))}


NOT_SEEN = {side: Known(reason=f"The {side} elbow was not seen.") for side in SIDES}
OVER, OFF, VAGUE = arms((0.002, 0.010)), arms((-0.050, 0.010)), arms((-0.010, 0.060))


def build(tuck_deg=35.0, inside_m=0.0, n=60, spread=0.0):
    """A lifter on a level bench whose wrists stand so far inside the elbows."""
    rng = np.random.default_rng(1)

    def some(value):
        return value + np.concatenate([[0.0], rng.normal(0, spread, n - 1)])

    upper, forearm, hand, half = 0.30, 0.27, 0.08, 0.19
    touch = upper * math.sin(math.radians(tuck_deg))
    depth = 0.13
    out = math.sqrt(upper**2 - touch**2 - depth**2)
    ones = np.ones(n)
    return Build(
        shoulder_half_m=some(half),
        upper_arm_m=some(upper),
        forearm_m=some(forearm),
        hand_m=hand * ones,
        trunk_x=-ones,
        trunk_y=0 * ones,
        grip_m=some(2 * (half + out - inside_m)),
        touch_m=touch * ones,
        over_m=some(forearm + hand - depth),
        lockout_m=0 * ones,
        rise_m=0 * ones,
        range_m=0.4 * ones,
        straight=0.985 * ones,
        slope=0 * ones,
        forefinger_m=0.064 * ones,
        tuck_deg=tuck_deg * ones,
    )


def front(wrist, tuck=(35.0, 8.0), **more):
    return Facts(("front",), wrist, arms(tuck), Known(0.70, 0.02), grip_seen=True, **more)


# --- sentences ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrist", "said"),
    [
        (OFF, "Wrists 5.0 ± 1.0 cm inside the elbows, left and right alike."),
        (arms((0.03, 0.012)), "Wrists 3.0 ± 1.2 cm outside the elbows, left and right alike."),
        (
            OVER,
            "Wrists over the elbows, as far as can be told (0.2 ± 1.0 cm outside), left and right"
            " alike.",
        ),
        (
            VAGUE,
            "Whether the wrists stand over the elbows is left open: measured 1 ± 6 cm inside them,"
            " left and right alike.",
        ),
        (
            arms((-0.05, 0.01), (-0.01, 0.012)),
            "Left wrist 5.0 ± 1.0 cm inside its elbow, right over its elbow (1.0 ± 1.2 cm inside).",
        ),
        (
            {"left": Known(-0.05, 0.01), "right": Known(reason="It was hidden.")},
            "Left wrist 5.0 ± 1.0 cm inside its elbow; right unknown. It was hidden.",
        ),
        (
            NOT_SEEN,
            "Whether the wrists stand over the elbows could not be told. The left elbow was not"
            " seen.",
        ),
    ],
)
def test_wrists_in_words(wrist, said):
    assert answer.wrists_in_words(front(wrist)) == said


def test_what_a_view_cannot_show_is_said_with_how_to_film():
    side = Facts(
        ("side",),
        {s: Known(reason="It needs a front view, from the feet.") for s in SIDES},
        arms((34.0, 12.0)),
        touch_m=Known(0.182, 0.024),
        drift_m=Known(0.194, 0.006),
        rise_m=Known(0.4314, 0.0025),
    )
    got = answer.answer(side)
    assert got.headline == "Elbows tucked by 34 ± 12°, touch 18.2 ± 2.4 cm below the shoulders."
    assert got.detail == "Whether the wrists stand over the elbows can only be seen from the feet."
    assert dict(got.lines)["Path"] == "19.4 ± 0.6 cm toward the head and 43.14 ± 0.25 cm up."
    assert dict(got.lines)["Grip"] == "It can only be seen from the feet."
    assert got.film == (f"For the grip: {answer.FILM_FRONT}",)
    assert got.kind == "keep"
    got = answer.answer(front(OVER))
    assert dict(got.lines)["Touch"] == "It can only be seen from the side."
    assert answer.FILM_SIDE in got.film[0]


def test_path_in_words():
    facts = Facts(("side",), drift_m=Known(-0.05, 0.01), rise_m=Known(0.4, 0.01))
    assert answer.path_in_words(facts) == "5.0 ± 1.0 cm toward the feet and 40.0 ± 1.0 cm up."
    straight = replace(facts, drift_m=Known(0.002, 0.006))
    assert "neither head nor feet by more than 0.6 cm" in answer.path_in_words(straight)
    bare = answer.answer(replace(facts, wrist_out_m=NOT_SEEN, tuck_deg=NOT_SEEN))
    assert bare.headline.startswith("From touch to lockout the bar goes 5.0 ± 1.0 cm toward")
    assert any(text.startswith("For touch point: Film from the side") for text in bare.film)
    gone = replace(facts, drift_m=Known(reason="The camera moved too much."))
    assert answer.path_in_words(gone) == (
        "40.0 ± 1.0 cm up; sideways it could not be told. The camera moved too much."
    )


def test_nothing_known_says_how_to_film():
    got = answer.answer(Facts(("front",), NOT_SEEN, NOT_SEEN))
    assert got.kind == "film"
    assert not got.reasons
    assert any(answer.FILM_FRONT in text for text in got.film)
    assert any("barpath pair" in text for text in got.film)


def test_a_tuck_known_only_roughly_is_no_advice():
    side = Facts(("side",), NOT_SEEN, arms((27.0, 17.0)), touch_m=Known(0.11, 0.02))
    got = answer.answer(side)
    assert got.kind == "film"
    assert "27 ± 17° fits nearly every way of pressing" in got.steps[0]


# --- what to try next -----------------------------------------------------------------------------


def test_wrists_inside_at_a_usual_tuck_move_the_hands_out():
    got = answer.answer(front(OFF, build=build(35.0, 0.05, spread=0.002)))
    assert got.kind == "change"
    assert re.fullmatch(
        r"For wrists over elbows at this tuck move each hand 5\.0 ± 0\.\d+ cm out\.", got.detail
    )
    assert got.steps[0].startswith("Move each hand 5.0 ±")
    assert answer.LIGHT_FIRST in got.reasons


def test_wrists_over_elbows_at_a_usual_tuck_need_nothing():
    got = answer.answer(front(OVER, build=build()))
    assert got.kind == "keep"
    assert got.detail == "For that the grip needs no change."
    assert "Nothing here asks for a change" in got.steps[0]
    assert answer.LIGHT_FIRST not in got.reasons


def test_a_centimetre_is_not_worth_a_change():
    assert answer.is_off(front(arms((-0.008, 0.002)))) is False
    assert answer.is_off(front(arms((-0.012, 0.002)))) is True
    assert answer.is_off(front(VAGUE)) is None


def test_flared_elbows_tuck_first_when_that_brings_the_wrists_nearer():
    """Common practice, no source: more tuck goes with a narrower stacked grip."""
    got = answer.answer(front(OFF, tuck=(3.0, 8.0), build=build(3.0, 0.05, spread=0.002)))
    assert got.kind == "change"
    assert "Tuck more, to about 30°" in got.steps[0]
    assert "closer to the trunk" in got.steps[0]


def test_narrow_and_tucked_widens_before_it_opens_the_elbows():
    got = answer.answer(front(OFF, tuck=(57.0, 8.0), build=build(57.0, 0.05, spread=0.002)))
    assert got.steps[0].startswith("First the grip: each hand")
    assert "Tuck less, to about 30°" in got.steps[1]


def test_uneven_hands_are_evened_first():
    uneven = arms((-0.06, 0.01), (-0.01, 0.01))
    got = answer.answer(front(uneven, build=build(35.0, 0.035, spread=0.002)))
    assert "left and right differ" in got.steps[0]


def test_competition_limits_the_grip():
    """International Powerlifting Federation, Technical Rules Book: 81 cm (from memory)."""
    wide = build(20.0, 0.05, spread=0.002)
    wide = replace(wide, shoulder_half_m=wide.shoulder_half_m + 0.06, grip_m=wide.grip_m + 0.12)
    profile = LifterProfile("trained", "chest", goal="competition")
    got = answer.answer(front(OFF, tuck=(15.0, 8.0), build=wide), profile)
    assert any("81 cm" in step and "at most" in step for step in got.steps)
    general = answer.answer(front(OFF, tuck=(15.0, 8.0), build=wide), LifterProfile("trained"))
    assert not any("at most" in step for step in general.steps)


@pytest.mark.parametrize(
    ("profile", "word"),
    [
        (None, "--profile"),
        (LifterProfile(), "A beginner is shown"),
        (LifterProfile("trained", "arms"), "press with their arms tend to tuck 30 to 45°"),
        (LifterProfile("trained", "chest"), "press with the chest tend to tuck 10 to 20°"),
        (LifterProfile(careful=("wrist",)), "wrists"),
        (LifterProfile(careful=("elbow",)), "no moment arm"),
        (LifterProfile(careful=("shoulder",)), "Green and Comfort"),
        (LifterProfile(goal="size"), "programme"),
    ],
)
def test_reasons_come_from_the_profile(profile, word):
    got = answer.answer(front(OFF, build=build(35.0, 0.05)), profile)
    said = " ".join(got.reasons)
    assert word in said
    for verdict in ("safe ", "healthy", "injur", "dangerous"):
        assert verdict not in said.lower()


# --- against bodies that are posed anew -----------------------------------------------------------


def one_view(name, view):
    """The arms of a made lifter as fitted to one camera's view, kept as draws."""
    pair = made_pair(name)
    sighting = made_sightings(pair, np.random.default_rng(3), noise_m=0.003)[view == "side"]
    fit = fit_arms([sighting], ArmFitConfig(common_m=0.002, common_share=0.0, own_m=0.002))
    times = pair.moments.pivot(index="rep", columns="moment", values="time_s")
    reps = pd.DataFrame(
        {
            "rep": times.index,
            "kind": "complete",
            "touch_s": times["bottom"] - 0.05,
            "press_s": times["bottom"] + 0.05,
            "lockout_s": times["lockout"],
        }
    )
    return draw_table(fit, reps)


def posed_with(name, grip_m, touch_m, tuck_deg):
    world = world_of(name)
    height = world.lifter.chest_top(-touch_m) + SHAFT_RADIUS_M + 0.004
    grips = {
        side: np.array([-touch_m, height, OUTWARD[s] * grip_m / 2]) for s, side in enumerate(SIDES)
    }

    def body(flare_deg):
        style = ArmStyle(flare_deg, flare_deg, world.lifter.style.wrist_back_deg)
        lifter = Lifter.__new__(Lifter)
        lifter.__dict__ = world.lifter.__dict__ | {"style": style}
        return lifter.joints(lifter.hold(grips, np.array([0.0, 0.0, 1.0]), 0.0))

    def off(flare_deg):
        return arm_measures(body(flare_deg))["left"]["elbow_abduction_deg"] - (90 - tuck_deg)

    return body(brentq(off, 2.0, 98.0))


@pytest.mark.parametrize("name", ["flared", "tucked", "wide", "narrow"])
def test_moved_as_the_front_clip_says_the_wrists_stand_over_the_elbows(name):
    """The hands moved at the same tuck and touch: within the stated interval or 1.5 cm."""
    pair = made_pair(name)
    known = build_of(arms_of(one_view(name, "front")))
    facts = Facts(("front",), build=known, grip_seen=True)
    move = answer.move_now(facts)
    bottoms = pair.moments.index[pair.moments["moment"] == "bottom"]
    bottom = pair.joints[bottoms[0]]
    tuck = 90 - np.mean([pair.truth[bottoms[0]][s]["elbow_abduction_deg"] for s in SIDES])
    middle = (bottom["left_shoulder"] + bottom["right_shoulder"]) / 2
    grip = bottom["left_hand"][2] - bottom["right_hand"][2]
    touch = middle[0] - (bottom["left_hand"][0] + bottom["right_hand"][0]) / 2
    before = [
        m["wrist_over_elbow_m"] for m in arm_measures(posed_with(name, grip, touch, tuck)).values()
    ]
    after = arm_measures(posed_with(name, grip + 2 * move.value, touch, tuck))
    for arm in after.values():
        assert abs(arm["wrist_over_elbow_m"]) < max(move.u95, 0.015)
    if abs(np.mean(before)) > 0.03:
        assert np.sign(move.value) == -np.sign(np.mean(before))
        assert all(abs(a["wrist_over_elbow_m"]) < abs(np.mean(before)) for a in after.values())


def test_draws_keep_what_they_were_made_of():
    table = one_view("tucked", "front")
    assert table.columns.tolist() == COLUMNS
    got = arms_of(table)
    bottom = points_of(table, "bottom")
    assert np.allclose(got.joints_m[0], bottom[0, :, :3])
    assert np.allclose(got.draws_m[:, 0], bottom[1:, :, :3])
    assert got.hips_m[:, 0].mean() < got.joints_m[0, :, 0, 0].mean() - 0.3
    assert arms_of(pd.DataFrame()) is None
    assert arms_of(table[table["moment"] == "bottom"]) is None


# --- from a result --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def filmed():
    return {
        view: made_result(f"ql_tucked_{view}", noise_px=0.1, joint_px=1.0, load_kg=100.0)
        for view in ("front", "side")
    }


def test_facts_of_a_set_hold_the_truth(filmed):
    rep = truth("ql_tucked_front")[0]["reps"][0]
    facts = facts_of(filmed["front"])
    for side, arm in rep["arms_at_bottom"].items():
        wrist, tuck = facts.wrist_out_m[side], facts.tuck_deg[side]
        assert abs(wrist.value - arm["wrist_over_elbow_m"]) < wrist.u95
        assert abs(tuck.value - (90 - arm["elbow_abduction_deg"])) < tuck.u95
    assert not facts.touch_m
    facts = facts_of(filmed["side"])
    assert abs(facts.touch_m.value - rep["touch_toward_feet_m"]) < facts.touch_m.u95
    assert not both(facts.wrist_out_m)


def test_seen_from_above_the_touch_is_where_it_was_measured(filmed):
    facts = facts_of(filmed["side"])
    above = above_of(arms_in(filmed["side"]), facts)
    hands = above.joints_m[:, 2, 1].mean()
    assert hands == pytest.approx(-facts.touch_m.value, abs=0.03)
    assert above.joints_m[0, 0, 0] > 0 > above.joints_m[1, 0, 0]
    assert above.lengths_seen
    assert not above.widths_seen


def test_labels_at_the_elbow(filmed):
    labels = bottom_labels(filmed["front"], 1)
    assert set(labels) == set(SIDES)
    assert all("±" in text and text.endswith("cm") for text in labels.values())
    near = bottom_labels(filmed["side"], 1)
    assert set(near) == {filmed["side"].calibration["near_arm"]}
    rep = truth("ql_tucked_side")[0]["reps"][0]["arms_at_bottom"]
    ahead = wrist_ahead(filmed["side"])
    for side, known in ahead.items():
        lean = math.radians(rep[side]["forearm_lean_sagittal_deg"])
        assert abs(known.value - 0.27 * math.tan(lean)) < known.u95 + 0.01


def test_the_profile_goes_with_the_set():
    result = make_result("front")
    assert profile_of(result) is None
    result.options["profile"] = {"experience": "trained", "careful": ["wrist"]}
    assert profile_of(result) == LifterProfile("trained", careful=("wrist",))
