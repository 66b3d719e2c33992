"""The geometric model of grip and tuck, against bodies that are posed anew with what it says."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from barpath.errors import OptionError
from barpath.lift.advice import (
    AdviceConfig,
    Build,
    LifterProfile,
    build_of,
    in_words,
    options,
    read_profile,
    stacked,
    suggested_tucks,
)
from barpath.space.sights import OUTWARD, SIDES
from sample_clips_synthetic.generator.body import ArmStyle, Lifter
from sample_clips_synthetic.generator.clip import SHAFT_RADIUS_M
from sample_clips_synthetic.generator.truth import arm_measures
from tests.made_pairs import made_arms, world_of


@pytest.fixture(scope="module", params=["flared", "wide", "narrow"])
def lifter(request):
    _, arms = made_arms(request.param, 5, noise_m=0.003)
    return request.param, build_of(arms)


def posed(name, grip_m, touch_m, tuck_deg):
    """The made lifter at the bottom with a grip, a touch point and elbows turned to a tuck."""
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

    return body(brentq(off, 5.0, 95.0))


def test_reposed_with_the_first_recommendation_the_wrist_stands_over_the_elbow(lifter):
    """Aim of the project: within 1.5 cm of the truth, in both planes."""
    name, build = lifter
    tuck = AdviceConfig().first_tuck_deg
    pose = stacked(build, tuck)
    joints = posed(name, pose["grip_m"][0], pose["touch_m"][0], tuck)
    for side, truth in arm_measures(joints).items():
        assert abs(truth["wrist_over_elbow_m"]) < 0.015
        ahead = joints[f"{side}_wrist"][0] - joints[f"{side}_elbow"][0]
        assert abs(ahead) < 0.03


def test_range_and_drift_of_the_reposed_lifter(lifter):
    name, build = lifter
    world = world_of(name)
    table = options(build)
    row = table[table["tuck_deg"] == 30.0].iloc[0]
    shift = build.lockout_m[0]
    top = world.lifter.lockout_height(shift, row["grip_m"])
    low = world.lifter.chest_top(-row["touch_toward_feet_m"]) + SHAFT_RADIUS_M + 0.004
    assert row["range_of_motion_m"] == pytest.approx(
        top - low, abs=max(row["range_of_motion_m_u95"], 0.01)
    )
    assert row["drift_m"] == pytest.approx(row["touch_toward_feet_m"] + shift, abs=1e-9)


def test_more_tuck_touches_lower_and_grips_narrower(lifter):
    """Common practice, no source: more tuck, lower touch and more way back over the shoulders."""
    table = options(lifter[1]).iloc[1:]
    assert (np.diff(table["touch_toward_feet_m"]) > 0).all()
    assert (np.diff(table["drift_m"]) > 0).all()
    assert (np.diff(table["grip_m"]) < 0).all()
    assert (np.diff(table["range_of_motion_m"]) > 0).all()


def test_competition_keeps_the_forefingers_within_81_cm(lifter):
    """International Powerlifting Federation, Technical Rules Book: 81 cm (from memory)."""
    build = lifter[1]
    broad = replace(
        build,
        shoulder_half_m=build.shoulder_half_m + 0.08,
        grip_m=build.grip_m + 0.08,
    )
    free, held = (options(broad, LifterProfile(goal=g)) for g in ("general", "competition"))
    wide = free["forefinger_spacing_m"] > 0.81
    assert wide.iloc[1:].any()
    assert held["forefinger_spacing_m"].iloc[1:].max() <= 0.81 + 1e-9
    changed = held["limited"]
    assert changed.iloc[1:].tolist() == wide.iloc[1:].tolist()
    assert (held.loc[changed, "wrist_inside_elbow_m"] > 0).all()
    assert held.loc[changed, "wrist_inside_elbow_m"].to_numpy() == pytest.approx(
        (free.loc[changed, "grip_m"] - held.loc[changed, "grip_m"]).to_numpy() / 2
    )


def test_uncertain_segments_give_uncertain_advice(lifter):
    build = lifter[1]
    rng = np.random.default_rng(0)
    noise = rng.normal(0, 0.02, len(build.grip_m))
    noise[0] = 0.0
    vague = replace(build, upper_arm_m=build.upper_arm_m + noise)
    sure, unsure = options(build), options(vague)
    assert (unsure["grip_m_u95"].iloc[1:] > sure["grip_m_u95"].iloc[1:]).all()


def test_words_state_the_change_with_its_uncertainty(lifter):
    build = lifter[1]
    said = " ".join(in_words(options(build), LifterProfile()))
    assert "30°" in said
    assert "±" in said
    assert "common practice" in said
    trained = LifterProfile(
        experience="trained", strength="arms", careful=("wrist", "shoulder"), goal="competition"
    )
    said = " ".join(in_words(options(build, trained), trained))
    assert "10.3389/fphys.2024.1393235" in said
    assert "wrists" in said
    for word in ("safe", "healthy", "injur"):
        assert word not in said.lower()


def test_impossible_poses_are_missing_with_their_reason(lifter):
    build = lifter[1]
    short = replace(build, upper_arm_m=build.upper_arm_m * 0.2)
    table = options(short)
    assert table["grip_m"].iloc[1:].isna().all()
    assert (table["reason"].iloc[1:] != "").all()


STUDIED_GRIPS, STUDIED_ABDUCTIONS_DEG = (1.0, 1.5, 2.0), (45.0, 70.0, 90.0)
"""Noteboom et al. (2024), Front. Physiol., doi 10.3389/fphys.2024.1393235 (from memory): strength
athletes pressed with grips of 1, 1.5 and 2 biacromial widths and the upper arms abducted by 45, 70
and 90 degrees."""
BIACROMIAL_M = {1.70: (0.380, 0.420), 1.80: (0.400, 0.440), 1.90: (0.420, 0.460)}
"""Of men, by stature. How large that study's lifters were is not known to us; men of 1.80 m, give
or take 0.10 m, stand for them. Surveys have men of 1.76 m at 0.416 m, give or take 0.019 m
(ANSUR II; from memory)."""
TOUCHES_M = (0.19, 0.22, 0.25)
"""Height of the bar on the chest over the shoulder joints (as in `ArmFitConfig.touch_m`; no
source)."""


def bodies():
    """Segments by de Leva (1996; from memory: 0.162 and 0.154 of stature, 8 cm from wrist to bar)
    for every stature, shoulder width and chest, and the biacromial width of each."""
    one = np.ones(1)
    for stature, widths in BIACROMIAL_M.items():
        for biacromial in widths:
            for touch in TOUCHES_M:
                half = (biacromial - AdviceConfig().acromion_m) / 2
                yield (
                    biacromial,
                    Build(
                        shoulder_half_m=half * one,
                        upper_arm_m=0.162 * stature * one,
                        forearm_m=0.154 * stature * one,
                        hand_m=0.08 * one,
                        trunk_x=-one,
                        trunk_y=0 * one,
                        grip_m=0.8 * one,
                        touch_m=0.1 * one,
                        over_m=touch * one,
                        lockout_m=0 * one,
                        rise_m=0 * one,
                        range_m=0.35 * one,
                        straight=one,
                        slope=0 * one,
                        forefinger_m=0 * one,
                        tuck_deg=0 * one,
                    ),
                )


def elbow_beside_m(build, abduction_deg, plane_deg):
    """Elbow from the shoulder: out, up, and toward the feet, in the Y-X-Y angles of Wu et al.
    (2005), of a right arm in a trunk that lies level; by scipy alone."""
    turn = Rotation.from_euler("YXY", [plane_deg, -abduction_deg, 0.0], degrees=True)
    forward, along, right = turn.apply([0.0, -build.upper_arm_m[0], 0.0])
    return right, forward, -along


def lean_out_deg(build, abduction_deg, grip_m):
    """Lean of the forearm at a grip and an abduction, upright seen from the side; NaN if it cannot.

    The elbow sinks, or rises over the shoulder, until the forearm ends under the bar.
    """
    wrist_out = grip_m / 2 - build.shoulder_half_m[0]
    wrist_up = build.over_m[0] - build.hand_m[0]

    def off(plane_deg):
        out, up, _ = elbow_beside_m(build, abduction_deg, plane_deg)
        return np.hypot(wrist_out - out, wrist_up - up) - build.forearm_m[0]

    # The lowest elbow that will do: any lower, and the forearm is too short.
    planes = np.arange(60.0, -90.0, -1.0)
    too_short = np.array([off(plane) for plane in planes]) > 0
    turns = np.flatnonzero(too_short[1:] & ~too_short[:-1])
    if not len(turns):
        return np.nan
    k = int(turns[-1]) + 1
    out, up, _ = elbow_beside_m(build, abduction_deg, brentq(off, planes[k], planes[k - 1]))
    return np.degrees(np.arctan2(wrist_out - out, wrist_up - up))


def test_stacked_grips_are_those_at_which_a_posed_forearm_is_upright():
    """The model's formula against arms posed by rotations, at every studied abduction."""
    for _, build in bodies():
        for abduction in STUDIED_ABDUCTIONS_DEG:
            pose = stacked(build, 90.0 - abduction)
            assert lean_out_deg(build, abduction, pose["grip_m"][0]) == pytest.approx(0, abs=1e-6)
            *_, ahead = elbow_beside_m(build, abduction, 0.0)
            assert pose["touch_m"][0] == pytest.approx(ahead, abs=1e-12)


def test_how_the_studied_grips_and_abductions_go_together():
    """Of the nine ways to press, which put the wrist inside the elbow and which outside.

    A grip of one width has it inside at every abduction, and two widths have it outside at 45
    degrees: worked out from arms posed by rotations. The formula's stacked grip says the same of
    all nine.
    """
    for biacromial, build in bodies():
        leans = np.array(
            [
                [lean_out_deg(build, abduction, ratio * biacromial) for ratio in STUDIED_GRIPS]
                for abduction in STUDIED_ABDUCTIONS_DEG
            ]
        )
        assert np.isfinite(leans).all()
        assert (np.diff(leans, axis=1) > 0).all()
        assert (np.diff(leans, axis=0) < 0).all()
        assert (leans[:, 0] < 0).all()
        assert leans[0, 2] > 0
        for row, abduction in zip(leans, STUDIED_ABDUCTIONS_DEG, strict=True):
            grip = stacked(build, 90.0 - abduction)["grip_m"][0]
            wider = np.array(STUDIED_GRIPS) * biacromial > grip
            assert ((row > 0) == wider).all()


def upright_abduction_deg(build, grip_m):
    """The abduction at which a grip is the stacked one; 90 if it is wider than any."""

    def off(abduction_deg):
        return np.nan_to_num(stacked(build, 90.0 - abduction_deg)["grip_m"][0]) - grip_m

    return brentq(off, 20.0, 90.0) if off(90.0) > 0 else 90.0


def test_wider_grips_stack_at_wider_arms_as_published():
    """Fees et al. (1998), Am. J. Sports Med. 26:732-742, and Green and Comfort (2007), Strength
    Cond. J. 29(5):10-14 (both from memory): with hands up to 1.5 biacromial widths apart the upper
    arms are abducted by less than 45 degrees, with hands two widths apart by about 75. Here is
    where the forearms are upright; lifters need not have them so, which gives 15 degrees of room.
    """
    found = [
        [upright_abduction_deg(build, ratio * biacromial) for ratio in STUDIED_GRIPS[1:]]
        for biacromial, build in bodies()
    ]
    narrow, wide = np.array(found).T
    assert narrow.max() < 50.0
    assert np.median(narrow) < 45.0
    assert np.median(wide) == pytest.approx(75.0, abs=15.0)
    assert wide.min() > 48.0


@pytest.mark.parametrize(
    ("profile", "tucks"),
    [
        (LifterProfile(), (30.0,)),
        (LifterProfile("trained", "arms"), (30.0, 40.0, 45.0)),
        (LifterProfile("trained", "chest"), (10.0, 20.0)),
        (LifterProfile("trained", "even"), (10.0, 20.0, 30.0, 40.0, 45.0)),
    ],
)
def test_tucks_to_look_at_first(profile, tucks):
    assert suggested_tucks(profile) == tucks


def test_profile_file(tmp_path):
    path = tmp_path / "me.toml"
    path.write_text(
        '[lifter]\nexperience = "trained"\nstrength = "chest"\ncareful = ["wrist"]\n'
        'goal = "competition"\nbiacromial_m = 0.41\n'
    )
    assert read_profile(path) == LifterProfile("trained", "chest", ("wrist",), "competition", 0.41)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("experience = 'guru'", "experience"),
        ("careful = ['knee']", "careful"),
        ("careful = 3", "careful"),
        ("goal = 7", "goal"),
        ("weight = 80", "weight"),
        ("biacromial_m = 41", "biacromial_m"),
        ("biacromial_m = '41'", "biacromial_m"),
        ("lifter = 3", "lifter"),
        ("= nothing", "TOML"),
    ],
)
def test_bad_profiles_are_one_sentence(tmp_path, text, word):
    path = tmp_path / "bad.toml"
    path.write_text(text)
    with pytest.raises(OptionError, match=word):
        read_profile(path)


def test_missing_profile(tmp_path):
    with pytest.raises(OptionError, match="cannot be read"):
        read_profile(tmp_path / "none.toml")
