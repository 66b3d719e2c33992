"""What the code takes a bar and its plates to be, against the rule book of competition.

International Powerlifting Federation, Technical Rules Book, section on bars and discs (from
memory): the bar is at most 2200 mm long over all; its collars' inner faces lie 1310 to 1320 mm
apart; the shaft is 28 to 29 mm thick; marks on it lie 810 mm apart; the largest disc is at most
450 mm across.

International Weightlifting Federation, Technical and Competition Rules and Regulations, section on
bars (from memory): the bar of 20 kg is 2200 mm long and 28 mm thick, that of 15 kg 2010 mm and
25 mm; on both the collars' inner faces lie 1310 mm apart and the sleeves are 50 mm thick.
"""

import pytest

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import CorrectionConfig
from barpath.errors import OptionError
from barpath.ground.equipment import BARS, LARGEST_DISC_M, POWER_BAR, bar_of
from barpath.lift.advice import AdviceConfig
from barpath.lift.rules import RulesConfig
from barpath.sight.barline import BarlineConfig
from barpath.sight.barstrips import EndsConfig
from barpath.sight.pose import PoseConfig, bar_line
from barpath.space.armprior import ArmFitConfig
from barpath.space.fittedcamera import CalibrationConfig
from sample_clips_synthetic.generator.body import SHAFT_RADIUS_M

LENGTH_M = 2.200
BETWEEN_COLLARS_M = (1.310, 1.320)
SHAFT_M = (0.028, 0.029)
MARKS_M = 0.810
DISC_M = 0.450


def within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] - 1e-9 <= value <= limits[1] + 1e-9


def test_the_shaft_is_as_long_as_the_rules_say():
    assert within(2 * POWER_BAR.collar_m, BETWEEN_COLLARS_M)
    assert within(POWER_BAR.shaft_m, BETWEEN_COLLARS_M)


def test_the_bar_is_as_long_as_the_longest_that_the_rules_allow():
    assert 2 * POWER_BAR.end_m == pytest.approx(LENGTH_M)


@pytest.mark.parametrize("thick_m", [2 * POWER_BAR.shaft_radius_m, 2 * SHAFT_RADIUS_M])
def test_shafts_are_as_thick_as_the_rules_say(thick_m):
    assert within(thick_m, SHAFT_M)


@pytest.mark.parametrize(
    "config", [CalibrationConfig, ArmFitConfig, PoseConfig, EndsConfig, BarlineConfig]
)
def test_every_stage_starts_from_that_bar(config):
    assert config().barbell == POWER_BAR


def test_the_cameras_and_the_arms_have_its_parts_where_it_has_them():
    along_m = (BETWEEN_COLLARS_M[0] / 2, LENGTH_M / 2)
    assert CalibrationConfig().point_m == pytest.approx(along_m)
    parts = ArmFitConfig().bar_part_m
    assert (parts["collar"], parts["bar_end"]) == pytest.approx(along_m)


OF_WEIGHTLIFTING = {"weightlifting": (1.310, 2.200, 0.028), "15kg": (1.310, 2.010, 0.025)}


@pytest.mark.parametrize("name", sorted(set(BARS) - {POWER_BAR.name}))
def test_bars_of_weightlifting_are_as_its_rules_say(name):
    bar = bar_of(name)
    assert (bar.shaft_m, 2 * bar.end_m, bar.shaft_mm / 1000) == OF_WEIGHTLIFTING[name]
    assert 2 * bar.sleeve_radius_m == pytest.approx(0.050)
    assert bar.inner_faces_m == pytest.approx(1.370)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("long", "one of power, weightlifting, 15kg"),
        ("", "one of power"),
        ("1080", "as in 1080:1800"),
        ("1.08:1.80", "between the collars must lie"),
        ("300:1800", "between the collars must lie"),
        ("1310:1400", "over all"),
        ("1310:4000", "over all"),
        ("-1310:2200", "one of power"),
        ("1e3:2200", "one of power"),
    ],
)
def test_a_bar_that_cannot_be_is_refused_in_one_sentence(text, word):
    with pytest.raises(OptionError, match=word) as refused:
        bar_of(text)
    assert str(refused.value).count(". ") == 0
    assert str(refused.value).endswith(".")


def test_own_lengths_make_a_bar_that_is_else_like_a_power_bar():
    bar = bar_of(" 1080:1800 ")
    assert (2 * bar.collar_m, 2 * bar.end_m) == pytest.approx((1.080, 1.800))
    assert bar.inner_faces_m == pytest.approx(1.080 + 2 * 0.030)
    assert bar.shaft_radius_m == POWER_BAR.shaft_radius_m


@pytest.mark.parametrize("limit_m", [AdviceConfig().limit_m, RulesConfig().limit_m])
def test_forefingers_go_no_farther_out_than_the_marks(limit_m):
    assert limit_m == MARKS_M


@pytest.mark.parametrize(
    "disc_m",
    [
        AnalysisConfig().calibration.plate_mm / 1000,
        LARGEST_DISC_M,
        PoseConfig().plate_diameter_m,
        CorrectionConfig().plate_m,
    ],
)
def test_a_plate_of_which_nothing_is_said_is_the_largest_disc(disc_m):
    assert disc_m == DISC_M


def test_plates_leave_room_for_the_shoulders_of_the_sleeves_and_none_beyond_the_bar():
    """The rules do not say how thick a sleeve's shoulder is (some 30 mm: common practice, no
    source); between the plates' faces there are the shaft and two of them, in every module."""
    shoulders_m = POWER_BAR.inner_faces_m - POWER_BAR.shaft_m
    assert 0.02 < shoulders_m / 2 < 0.04
    thick_m, face_m = CalibrationConfig().thickness_m[0], CalibrationConfig().inner_face_m[0]
    # A plate's inner face leans on the shoulder, and the whole plate stays on the sleeve.
    assert face_m == pytest.approx(POWER_BAR.inner_faces_m / 2)
    assert POWER_BAR.plates_m / 2 == pytest.approx(face_m + thick_m / 2, abs=0.02)
    assert face_m + thick_m < LENGTH_M / 2


def test_a_front_view_has_its_scale_from_between_the_plates_faces():
    """A bar table's ends are at the plates' inner faces, so those are as far apart in metres."""
    row = {"image_left_x_px": 100.0, "image_left_y_px": 50.0}
    row |= {"image_right_x_px": 500.0, "image_right_y_px": 50.0}
    assert bar_line(row).m_per_px * 400.0 == pytest.approx(POWER_BAR.inner_faces_m)
