"""A bar of other dimensions gives the right lengths where it is named, and wrong ones where not.

The short bar is one that a small rack takes (common practice, no source): 1080 mm between the
collars and 1800 mm over all, its sleeves' shoulders 30 mm thick as on the others.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from barpath.analysis import pipeline
from barpath.analysis.config import BAR_STAGES, AnalysisConfig, PairConfig, with_bar
from barpath.analysis.kept import config_of
from barpath.analysis.pairset import ClipOptions, measure_clips, read_or_analyse
from barpath.analysis.pairspace import arms_config
from barpath.analysis.store import read_results, write_results
from barpath.block import blockstore
from barpath.errors import OptionError
from barpath.ground.equipment import BARS, POWER_BAR, bar_of
from barpath.report.setpage import report_html
from barpath.sight import firstlook
from barpath.sight.barends import place_ends
from barpath.sight.barfind import find_bar
from barpath.sight.barline import BarlineConfig
from barpath.sight.barstrips import BarStrips, EndsConfig
from barpath.sight.bartrack import track_bar
from barpath.sight.jointnet import Readings
from barpath.space.armprior import ArmFitConfig
from barpath.space.feetcamera import calibrate_front
from barpath.space.fittedcamera import CalibrationConfig
from barpath.space.pinhole import front_ends, side_points
from barpath.space.platecamera import calibrate_side

from .made_detections import made_result
from .test_barends import FOCAL_PX, MIDDLE_PX, span_error
from .test_barline import Frames, Gym, Truth, made
from .test_calibrate import FOCAL, HEIGHT, WIDTH, front_track, seen_bar, without_plates
from .test_cli import run

CLIPS = Path(__file__).parents[1] / "sample_clips_synthetic"
SHORT = bar_of("1080:1800")
SHORT_FACES_M = 1.08 + 2 * 0.03


def rise_m(track, bar):
    """How far a made front view's bar goes up, measured as this bar."""
    config = CalibrationConfig(focal_px=FOCAL, barbell=bar)
    fit = calibrate_front(track, WIDTH, HEIGHT, config=config)
    ends_px = (
        track[[f"{end}_x_px", f"{end}_y_px"]].to_numpy() for end in ("image_left", "image_right")
    )
    left, right = front_ends(fit.params, *ends_px, fit.principal_px)
    return np.ptp((left + right)[:, 1] / 2), fit.plate_check_mm


def test_from_the_feet_lengths_are_those_of_the_bar_that_is_named() -> None:
    track, height_m = front_track(3, 12, 0, gap=SHORT_FACES_M)
    right_m, right_mm = rise_m(track, SHORT)
    # How far the camera looks down is not said here, which leaves heights open to some percent.
    assert right_m == pytest.approx(np.ptp(height_m), rel=0.06)
    assert right_mm == pytest.approx(450, rel=0.03)
    wrong_m, wrong_mm = rise_m(track, POWER_BAR)
    assert wrong_m / right_m == pytest.approx(1.372 / SHORT_FACES_M, rel=0.02)
    # The plates tell that something is amiss.
    assert wrong_mm / 450 == pytest.approx(1.372 / SHORT_FACES_M, rel=0.03)


@pytest.mark.parametrize("yaw", [35, -50])
def test_a_short_bar_without_plates_is_its_own_ruler(yaw: float) -> None:
    short_m = (0.62, 0.54, 0.90)
    track, readings, (path, up, _) = seen_bar(yaw, far=False, along_m=short_m)
    middle, bare, parts = without_plates(track, readings, path)
    rises = {}
    for bar in (SHORT, POWER_BAR):
        fit = calibrate_side(
            bare, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5,
            view="oblique", bar=[parts], config=CalibrationConfig(barbell=bar),
        )  # fmt: skip
        rises[bar.name] = np.ptp(side_points(fit.params, middle, fit.principal_px)[:, 1])
    assert rises[SHORT.name] == pytest.approx(np.ptp(path @ up), rel=0.06)
    assert rises[POWER_BAR.name] / rises[SHORT.name] == pytest.approx(1.31 / 1.08, rel=0.05)


def test_at_a_slant_the_parts_of_the_bar_that_is_named_say_how_it_is_turned() -> None:
    track, readings, (path, up, along) = seen_bar(40, far=False, along_m=(0.62, 0.54, 0.90))
    wanted = np.ptp(np.column_stack([path @ along, path @ up]), axis=0)
    found = {}
    for bar in (SHORT, POWER_BAR):
        config = CalibrationConfig(barbell=bar)
        fit = calibrate_side(
            track, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, bar=[readings], config=config
        )
        assert np.isnan(fit.plate_check_mm)
        ellipse_px = track[["x_px", "y_px"]].to_numpy()
        points = side_points(fit.params, ellipse_px, fit.principal_px)
        found[bar.name] = np.ptp(points, axis=0) / wanted
    assert found[SHORT.name] == pytest.approx([1.0, 1.0], abs=0.03)
    # The plate is the ruler, and its outline holds against the wrong bar, which turns the camera
    # nevertheless; heights it leaves.
    assert found[POWER_BAR.name][0] < 0.95
    assert found[POWER_BAR.name][1] == pytest.approx(1.0, abs=0.03)


@pytest.fixture(scope="module")
def short_frames() -> tuple[Frames, Truth]:
    return made(Gym(between_m=1.08), 96, step=2)


def test_a_short_bar_is_found_followed_and_its_ends_are_placed(
    short_frames: tuple[Frames, Truth],
) -> None:
    frames, truth = short_frames
    config = BarlineConfig(barbell=SHORT)
    seed = find_bar(frames[::3], config)
    table = track_bar(frames, seed, config)
    assert (table[["image_left_state", "image_right_state"]] == "seen").all(axis=None)
    for end in ("image_left", "image_right"):
        assert np.median(np.abs(table[f"{end}_y_px"] - truth[f"{end}_y_px"])) < 0.2
    spans = {}
    for bar in (SHORT, POWER_BAR):
        strips = BarStrips(EndsConfig(barbell=bar))
        for frame, row in zip(frames, table.to_dict("records"), strict=True):
            strips.update(frame.image, row)
        placed = place_ends(table, strips, None, FOCAL_PX, MIDDLE_PX)
        spans[bar.name] = np.abs(span_error(placed, truth)).max()
    assert spans[SHORT.name] < 0.007
    assert spans[SHORT.name] < spans[POWER_BAR.name]


def test_a_short_bar_looks_as_long_as_a_power_bar_in_the_first_look() -> None:
    """From the feet the view is told by how long the bar is against the arms."""
    xy = np.zeros((len(firstlook.POINTS), 2))
    xy[firstlook.PLATES, 0] = -0.62, 0.62
    xy[firstlook.COLLARS, 0] = -0.54, 0.54
    xy[firstlook.ARMS[:2], 0], xy[firstlook.ARMS[2:4], 0] = 0.0, 0.3
    state = np.tile([1.0, 0.0, 0.0], (len(xy), 1))
    covariance = np.tile(np.eye(2), (len(xy), 1, 1))
    reading = Readings(100 * xy, covariance, state, np.array(1.0))
    look = firstlook.FirstLook(np.arange(5), (reading,) * 5)
    faces_and_plates_m = SHORT_FACES_M + 0.08
    assert look.span_in_limbs(SHORT) / look.span_in_limbs() == pytest.approx(
        1.452 / faces_and_plates_m
    )
    still = np.tile(np.eye(2, 3), (5, 1, 1))
    ends = look.bar_ends(still, SHORT)
    assert ends == pytest.approx([-57.0, 57.0])
    assert np.ptp(look.bar_ends(still)) == pytest.approx(108 * 1.372 / 1.312)


def test_every_stage_knows_of_the_bar_that_is_given() -> None:
    config = with_bar(AnalysisConfig(), SHORT)
    assert {getattr(config, stage).barbell for stage in BAR_STAGES} == {SHORT}
    with pytest.raises(OptionError, match="same bar"):
        replace(AnalysisConfig(), arms=ArmFitConfig(barbell=SHORT))
    assert arms_config({"stature_m": 1.8}, ArmFitConfig(barbell=SHORT)).bar_part_m == {
        "collar": pytest.approx(0.54),
        "bar_end": pytest.approx(0.90),
    }


@pytest.mark.parametrize("bar", [*BARS.values(), SHORT, bar_of("1305.5:2100")])
def test_a_bar_is_told_so_that_it_is_read_back(bar) -> None:
    assert bar_of(bar.name) == bar


def test_a_result_keeps_its_bar_and_says_it(tmp_path) -> None:
    plain = made_result("ql_flared_front")
    config = with_bar(config_of(plain), SHORT)
    detected = pipeline.detected_in(plain)
    short = pipeline.measure(plain.info, detected, config)
    kept = read_results(write_results(short, tmp_path / "set"))
    assert config_of(kept).barbell == SHORT
    assert any("1.08 m of shaft" in note.text for note in kept.notes)
    assert SHORT.words in report_html(kept)
    assert "power bar" in report_html(plain)
    rises = [one.reps["range_of_motion_m"].median() for one in (plain, short)]
    # The plates, which do not fit such a bar here, have a small say.
    assert rises[1] / rises[0] == pytest.approx(SHORT_FACES_M / 1.372, rel=0.03)


def test_another_bar_is_not_taken_for_that_whose_ends_were_looked_for(tmp_path) -> None:
    front, side = made_result("ql_flared_front"), made_result("ql_flared_side")
    with pytest.raises(OptionError, match="analysed again"):
        pipeline.remeasure(front, with_bar(config_of(front), SHORT))
    given = write_results(side, tmp_path / "side")
    again = read_or_analyse(given, "side", ClipOptions(bar=SHORT))
    assert config_of(again).barbell == SHORT
    with pytest.raises(OptionError, match="different bars"):
        measure_clips([front, again], config=PairConfig())


@pytest.mark.slow
def test_the_range_of_motion_of_a_front_clip_is_as_long_as_the_bar_that_is_given(tmp_path) -> None:
    clip, rises = CLIPS / "ql_flared_front.mp4", {}
    for name in ("power", "1080:1800"):
        words = ("analyse", clip, "--view", "front", "--bar", name, "--out", name[:5], "--no-video")
        assert (done := run(*words, cwd=tmp_path)).returncode == 0, done.stderr
        result = read_results(tmp_path / name[:5])
        assert result.options["bar"] == name
        rises[name] = result.reps["range_of_motion_m"].median()
        warned = [note.code for note in result.notes if note.severity == "warning"]
        assert ("plate_doubtful" in warned) == (name != "power")
    # By the shaft between the sleeves, which is what is found in the pictures.
    assert rises["1080:1800"] / rises["power"] == pytest.approx(1.08 / 1.312, rel=0.01)


def test_a_blocks_table_says_the_bar_and_an_older_one_has_power_bars(tmp_path) -> None:
    table = blockstore.table_of([{"lifter": "Ada", "rep": 1, "bar": "15kg", "plate_mm": 450.0}])
    path = tmp_path / "reps.parquet"
    path.write_bytes(blockstore.table_bytes(table))
    assert blockstore.read_table(path)["bar"].tolist() == ["15kg"]
    path.write_bytes(blockstore.table_bytes(table.drop(columns="bar")))
    older = blockstore.read_table(path)
    assert older["bar"].tolist() == ["power"]
    assert list(older.columns) == list(table.columns)
