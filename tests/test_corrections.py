"""Corrections by hand: their file, their checks, and what they do to the plate's track."""

import dataclasses
import json
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest

import barpath
from barpath.analysis import corrections as fix
from barpath.analysis import pipeline, store
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections, EndPoint, JointPoint, PlatePoint
from barpath.analysis.following import Detected
from barpath.analysis.kept import config_of, detected_in
from barpath.errors import OptionError, OutputError
from tests.accuracy import CLIPS, rep_errors
from tests.made_detections import made_result as made_set
from tests.made_results import make_result

SCHEMA = json.loads(
    (Path(barpath.__file__).parent / "assets" / "corrections.schema.json").read_text("utf-8")
)
SOME = Corrections(
    joints=(
        JointPoint(30, "right_elbow", 512.25, 300.5),
        JointPoint(12, "left_wrist", 400.1234, 200.0),
    ),
    plate=(PlatePoint(31, 320.0, 180.75),),
)


def straight_track(n: int = 181, fps: float = 60.0) -> pd.DataFrame:
    """A plate that rises evenly: 60 px/s."""
    frame = np.arange(n)
    return pd.DataFrame(
        {
            "frame": frame,
            "time_s": frame / fps,
            "x_px": 300.0,
            "y_px": 400.0 - frame,
            "major_px": 200.0,
            "minor_px": 198.0,
            "angle_deg": 0.0,
            "sd_px": 0.3,
            "outline_share": 0.9,
            "state": "seen",
        }
    )


def lose(track: pd.DataFrame, first: int, last: int) -> pd.DataFrame:
    lost = track.copy()
    numbers = ["x_px", "y_px", "major_px", "minor_px", "angle_deg", "sd_px", "outline_share"]
    lost.loc[first:last, numbers] = np.nan
    lost.loc[first:last, "state"] = "lost"
    return lost


def plate(*points: tuple[int, float, float]) -> Corrections:
    return Corrections(plate=tuple(PlatePoint(*point) for point in points))


def ends(*points: tuple[int, str, float, float]) -> Corrections:
    return Corrections(ends=tuple(EndPoint(*point) for point in points))


# --- the file -------------------------------------------------------------------------------------


def test_written_file_keeps_to_its_schema_and_reads_back(tmp_path: Path) -> None:
    """The schema is checked by jsonschema, an implementation of JSON Schema 2020-12."""
    path = tmp_path / "corrections.json"
    fix.write_corrections(SOME, path)
    data = json.loads(path.read_text("utf-8"))
    jsonschema.Draft202012Validator(SCHEMA).validate(data)
    assert data["joints"][0] == {"frame": 12, "joint": "left_wrist", "x_px": 400.123, "y_px": 200.0}
    back = fix.read_corrections(path)
    assert {point.frame for point in back.joints} == {12, 30}
    assert back.plate == SOME.plate
    fix.write_corrections(Corrections(), path)
    assert not fix.read_corrections(path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["corrections.json"]


def test_ends_of_the_bar_are_written_in_their_own_version(tmp_path: Path) -> None:
    path = tmp_path / "corrections.json"
    some = ends((4, "image_left", 10.0, 20.0), (4, "image_right", 90.0, 21.0))
    fix.write_corrections(some, path)
    data = json.loads(path.read_text("utf-8"))
    jsonschema.Draft202012Validator(SCHEMA).validate(data)
    assert data["schema_version"] == 2
    assert fix.read_corrections(path) == some
    # Without them it can still be read by those who know version 1.
    fix.write_corrections(SOME, path)
    data = json.loads(path.read_text("utf-8"))
    assert (data["schema_version"], "ends" in data) == (1, False)
    enum = SCHEMA["properties"]["ends"]["items"]["properties"]["end"]["enum"]
    assert tuple(enum) == fix.ENDS


def test_schema_lists_the_joints_there_are() -> None:
    enum = SCHEMA["properties"]["joints"]["items"]["properties"]["joint"]["enum"]
    assert set(enum) == set(fix.JOINTS)


def test_file_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "corrections.json").mkdir()
    with pytest.raises(OutputError, match="cannot be written"):
        fix.write_corrections(SOME, tmp_path / "corrections.json")
    assert [entry.name for entry in tmp_path.iterdir()] == ["corrections.json"]


GOOD = {"schema": "barpath-corrections", "schema_version": 1}
JOINT = {"frame": 1, "joint": "left_elbow", "x_px": 1.0, "y_px": 2.0}


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ([], "no corrections"),
        ({"schema": "other", "schema_version": 1}, "no corrections"),
        ({"schema": "barpath-corrections"}, "which version"),
        (GOOD | {"schema_version": True}, "which version"),
        (GOOD | {"schema_version": 4}, "newer version"),
        (GOOD | {"ends": [{"frame": 1, "end": 2, "x_px": 1, "y_px": 2}]}, "end must be a name"),
        (GOOD | {"bend": "wide"}, "bend of the corrections"),
        (GOOD | {"bend": 0.2}, "bend of the corrections"),
        (GOOD | {"bend": float("nan")}, "no JSON"),
        (GOOD | {"joints": {}}, "'joints' must be a list"),
        (GOOD | {"elbows": []}, "'elbows'"),
        (GOOD | {"joints": [{"frame": 1}]}, "must hold"),
        (GOOD | {"joints": [JOINT | {"who": "me"}]}, "nothing else"),
        (GOOD | {"joints": [JOINT | {"frame": 1.5}]}, "whole number"),
        (GOOD | {"joints": [JOINT | {"frame": True}]}, "whole number"),
        (GOOD | {"joints": [JOINT | {"joint": 3}]}, "must be a name"),
        (GOOD | {"joints": [JOINT | {"x_px": "4"}]}, "x_px must be a number"),
        (GOOD | {"plate": [{"frame": 1, "x_px": None, "y_px": 2}]}, "x_px must be a number"),
        (GOOD | {"joints": [JOINT] * (fix.MAX_POINTS + 1)}, "at most"),
    ],
)
def test_wrong_form_gives_one_sentence(tmp_path: Path, data: object, words: str) -> None:
    path = tmp_path / "corrections.json"
    path.write_text(json.dumps(data))
    with pytest.raises(OptionError, match=words) as raised:
        fix.read_corrections(path)
    assert str(raised.value).endswith(".")


@pytest.mark.parametrize(
    "text", ["", "{", '{"schema": NaN}', "[" * 100_000, '{"a": Infinity}', "\ud7ff"]
)
def test_text_that_is_no_json_is_refused(text: str) -> None:
    with pytest.raises(OptionError, match="no JSON"):
        fix.parse_corrections(text)


def test_file_that_cannot_be_read(tmp_path: Path) -> None:
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(OptionError, match="cannot be read"):
            fix.read_corrections(path)
    (tmp_path / "latin").write_bytes(b"\xff\xfe")
    with pytest.raises(OptionError, match="cannot be read"):
        fix.read_corrections(tmp_path / "latin")


# --- the checks -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("joints", "points", "words"),
    [
        ([JointPoint(1, "left_nose", 1, 1)], [], "no joint 'left_nose'"),
        ([JointPoint(-1, "left_elbow", 1, 1)], [], "Frame -1"),
        ([JointPoint(100_000, "left_elbow", 1, 1)], [], "Frame 100000"),
        ([JointPoint(1, "left_elbow", np.nan, 1)], [], "two finite numbers"),
        ([JointPoint(1, "left_elbow", 1, np.inf)], [], "two finite numbers"),
        ([JointPoint(1, "left_elbow", 960, 1)], [], "outside the picture"),
        ([JointPoint(1, "left_elbow", 1, -0.6)], [], "outside the picture"),
        ([JointPoint(1, "left_elbow", 1, 1), JointPoint(1, "left_elbow", 2, 2)], [], "twice"),
        ([], [PlatePoint(1, 1, 1), PlatePoint(1, 1, 1)], "plate of frame 1 is given twice"),
    ],
)
def test_what_does_not_fit_the_clip_is_refused(joints: list, points: list, words: str) -> None:
    made = make_result("side", 2)
    with pytest.raises(OptionError, match=words) as raised:
        fix.check_corrections(Corrections(tuple(joints), tuple(points)), made.info, made.track)
    assert str(raised.value).endswith(".")


def test_what_fits_passes() -> None:
    made = make_result("side", 2)
    edge = JointPoint(0, "left_elbow", made.info.width_px - 0.5, -0.5)
    fix.check_corrections(Corrections((edge,), (PlatePoint(1, 5, 5),)), made.info, made.track)


def test_a_frame_that_was_not_decoded_is_refused() -> None:
    made = make_result("side", 2)
    track = made.track[made.track["frame"] != 7]
    fix.check_corrections(plate((7, 5, 5)), made.info)
    with pytest.raises(OptionError, match="Frame 7"):
        fix.check_corrections(plate((7, 5, 5)), made.info, track)
    with pytest.raises(OptionError, match="Frame 7"):
        fix.correct_track(track, plate((7, 5, 5)))


def test_plate_of_a_front_view_is_refused() -> None:
    made = make_result("front", 2)
    with pytest.raises(OptionError, match="front view"):
        fix.check_corrections(plate((1, 5, 5)), made.info, made.track)
    with pytest.raises(OptionError, match="front view"):
        fix.correct_track(made.track, plate((1, 5, 5)))
    elbow = Corrections((JointPoint(1, "left_elbow", 5, 5),))
    fix.check_corrections(elbow, made.info, made.track)
    pd.testing.assert_frame_equal(fix.correct_track(made.track, elbow), made.track)


def test_ends_of_the_bar_are_those_of_a_front_view() -> None:
    side, front = make_result("side", 2), make_result("front", 2)
    one = ends((1, "image_left", 5.0, 5.0))
    for check in (lambda: fix.check_corrections(one, side.info, side.track),
                  lambda: fix.correct_track(side.track, one)):  # fmt: skip
        with pytest.raises(OptionError, match="Only a front view"):
            check()
    fix.check_corrections(one, front.info, front.track)
    for wrong, words in (
        (ends((1, "left", 5.0, 5.0)), "no end 'left'"),
        (ends((1, "image_left", -9.0, 5.0)), "outside the picture"),
        (ends((1, "image_left", 5.0, 5.0), (1, "image_left", 6.0, 5.0)), "given twice"),
    ):
        with pytest.raises(OptionError, match=words):
            fix.check_corrections(wrong, front.info, front.track)


# --- the track ------------------------------------------------------------------------------------


def test_offset_is_given_on_the_frame_and_fades() -> None:
    track = straight_track()
    out = fix.correct_track(track, plate((90, 310.0, 310.0)))
    assert out.loc[90, ["x_px", "y_px"]].tolist() == [310.0, 310.0]
    assert (out.loc[90, "sd_px"], out.loc[90, "state"]) == (1.5, "seen")
    # Half of the fading time away, half of the offset is left.
    assert out.loc[105, "x_px"] == pytest.approx(305.0)
    assert out.loc[75, "x_px"] == pytest.approx(305.0)
    unchanged = (out["frame"] <= 60) | (out["frame"] >= 120)
    pd.testing.assert_frame_equal(out[unchanged][list(track.columns)], track[unchanged])
    # Ten pixels or none, each as likely: 5 px, and half of the point's own 1.5 px.
    assert out.loc[105, "sd_px"] == pytest.approx(np.sqrt(0.3**2 + 5.0**2 + 0.75**2))


def test_offsets_are_joined_up_to_a_second() -> None:
    track = straight_track()
    near = fix.correct_track(track, plate((60, 310.0, 340.0), (120, 320.0, 280.0)))
    assert np.allclose(near.loc[60:120, "x_px"], np.linspace(310.0, 320.0, 61))
    far = fix.correct_track(track, plate((60, 310.0, 340.0), (121, 320.0, 279.0)))
    assert far.loc[90, "x_px"] == pytest.approx(300.0, abs=1e-6)
    assert far.loc[100, "x_px"] == pytest.approx(300.0 + 20.0 * (1 - 21 / 30))


def test_correcting_again_starts_from_what_was_tracked() -> None:
    track = straight_track()
    first = fix.correct_track(track, plate((90, 310.0, 310.0)))
    second = fix.correct_track(first, plate((90, 290.0, 310.0)))
    pd.testing.assert_frame_equal(second, fix.correct_track(track, plate((90, 290.0, 310.0))))
    pd.testing.assert_frame_equal(fix.correct_track(second, Corrections()), track)
    assert track.loc[90, "x_px"] == 300.0


def test_short_loss_between_corrections_is_bridged() -> None:
    whole = straight_track()
    track = lose(whole, 81, 99)
    points = plate((80, 300.0, 320.0), (100, 300.0, 300.0))
    out = fix.correct_track(track, points)
    assert np.allclose(out.loc[81:99, "y_px"], whole.loc[81:99, "y_px"])
    assert (out.loc[81:99, "state"] == "partly").all()
    assert out.loc[81:99, "major_px"].isna().all()
    # Error of linear interpolation, a h² / 8 at the middle (any textbook of numerical analysis).
    bend = 3.0 * 200.0 / 0.45 * (20 / 60) ** 2 / 8 / np.sqrt(3)
    assert out.loc[90, "sd_px"] == pytest.approx(np.hypot(1.5, bend))


def test_long_loss_stays_lost_but_for_the_points_given() -> None:
    track = lose(straight_track(), 61, 119)
    out = fix.correct_track(track, plate((60, 305.0, 340.0), (120, 305.0, 280.0)))
    assert (out.loc[61:119, "state"] == "lost").all()
    out = fix.correct_track(track, plate((90, 305.0, 310.0)))
    assert out.loc[90, ["x_px", "y_px", "sd_px"]].tolist() == [305.0, 310.0, 1.5]
    assert out.loc[90, "state"] == "seen"
    assert (out.loc[61:89, "state"] == "lost").all()
    # How far the track was off where it was lost is not known, so nothing else moves.
    assert (out.loc[:60, "x_px"] == 300.0).all()


def test_a_track_that_slipped_comes_out_nearer_the_truth() -> None:
    """The tracker sticks to something still for a third of a second at the bottom."""
    rng = np.random.default_rng(4)
    track = straight_track()
    true_y = 400 - 60 * np.cos(2 * np.pi * track["time_s"] / 3)
    track["y_px"] = true_y + rng.normal(0, 0.3, len(track))
    slip = track["frame"].between(80, 100)
    track.loc[slip, "y_px"] += 12.0 * np.sin(np.pi * (track.loc[slip, "frame"] - 80) / 20)
    points = [(f, 300.0, true_y[f] + rng.normal(0, 1.5)) for f in (80, 85, 90, 95, 100)]
    out = fix.correct_track(track, plate(*points))
    before = np.sqrt(np.mean((track["y_px"] - true_y)[slip] ** 2))
    error = (out["y_px"] - true_y)[slip]
    after = np.sqrt(np.mean(error**2))
    assert before > 8.0
    assert after < 2.0
    assert (error.abs() / out.loc[slip, "sd_px"]).max() < 3.0


# --- the result folder ----------------------------------------------------------------------------


def test_result_folder_keeps_corrections_and_may_be_replaced(tmp_path: Path) -> None:
    made = make_result("side", 2, corrections=SOME)
    folder = store.write_results(made, tmp_path / "set")
    assert "corrections.json" in json.loads((folder / "summary.json").read_text("utf-8"))["files"]
    back = store.read_results(folder)
    assert set(back.corrections.joints) == {
        JointPoint(12, "left_wrist", 400.123, 200.0),
        SOME.joints[0],
    }
    assert back.corrections.plate == SOME.plate
    store.write_results(make_result("side", 2), folder, overwrite=True)
    assert not (folder / "corrections.json").exists()
    assert not store.read_results(folder).corrections


def test_damaged_corrections_of_a_folder_give_one_sentence(tmp_path: Path) -> None:
    folder = store.write_results(make_result("side", 2, corrections=SOME), tmp_path / "set")
    (folder / "corrections.json").write_text("{")
    with pytest.raises(OutputError, match="damaged"):
        store.read_results(folder)


def detected(made: store.SetResult) -> Detected:
    made.calibration |= {f"scene_{name}": 0.3 for name in ("roll_deg", "roll_sd_deg")}
    made.calibration |= {"scene_pitch_deg": None, "scene_pitch_sd_deg": None, "scene_lines": 9}
    return dataclasses.replace(detected_in(made), joints_px=None)


def test_measuring_takes_the_corrected_plate_and_gives_it_back() -> None:
    made = make_result("side", 2)
    seen = detected(made)
    touch = made.reps["touch_s"].iloc[0]
    row = made.track.iloc[int(np.argmin(np.abs(made.track["time_s"] - touch)))]
    lower = plate((int(row["frame"]), row["x_px"], row["y_px"] + 20.0))
    options = {"find_joints": False, "view": "side", "plate_given": True}
    before = pipeline.measure(made.info, seen, AnalysisConfig(**options))
    after = pipeline.measure(made.info, seen, AnalysisConfig(corrections=lower, **options))
    rom = [result.reps["range_of_motion_m"] for result in (before, after)]
    assert rom[1].iloc[0] > rom[0].iloc[0] + 0.005
    assert rom[1].iloc[1] == pytest.approx(rom[0].iloc[1], abs=0.002)
    assert any(
        note.text == "Put right by hand: 0 joints and 1 plate centre." for note in after.notes
    )
    assert after.corrections == lower
    assert config_of(after).corrections == lower
    # Taking the correction back measures as before.
    again = pipeline.remeasure(after, AnalysisConfig(**options))
    pd.testing.assert_frame_equal(again.track, before.track)
    pd.testing.assert_frame_equal(again.measures, before.measures)


def test_measuring_refuses_corrections_that_do_not_fit() -> None:
    made = make_result("side", 2)
    config = AnalysisConfig(find_joints=False, corrections=plate((10**6, 5.0, 5.0)))
    with pytest.raises(OptionError, match="not in the clip"):
        pipeline.measure(made.info, detected(made), config)


# --- what corrections buy -------------------------------------------------------------------------


@pytest.mark.slow
def test_both_elbows_at_each_touch_bring_the_forearms_near_their_truth() -> None:
    """Points as a careful person puts them: the true joint centres, 4 px off (our estimate)."""
    name = "ql_flared_front"
    truth = json.loads((CLIPS / f"{name}.truth.json").read_text("utf-8"))
    places = pd.read_csv(CLIPS / f"{name}.truth.csv").set_index("frame")
    before = pipeline.analyse(CLIPS / f"{name}.mp4", view="front", plate_mm=450.0)
    time_s = before.track["time_s"].to_numpy()
    frames = [int(np.argmin(np.abs(time_s - touch_s))) for touch_s in before.reps["touch_s"]]
    rng = np.random.default_rng(1)
    points = []
    for frame in before.track["frame"].iloc[frames]:
        for joint in ("left_elbow", "right_elbow"):
            x, y = places.loc[frame, [f"{joint}_x_px", f"{joint}_y_px"]] + rng.normal(0, 4, 2)
            points.append(JointPoint(int(frame), joint, float(x), float(y)))
    config = dataclasses.replace(config_of(before), corrections=Corrections(joints=tuple(points)))
    after = pipeline.remeasure(before, config)
    for measure, limit in (("wrist_over_elbow_m", 0.02), ("forearm_lean_deg", 4.0)):
        tables = [rep_errors(result, truth) for result in (before, after)]
        rows = [table[table["measure"] == measure] for table in tables]
        worst = [row["error"].abs().max() for row in rows]
        assert worst[1] < min(limit, worst[0])
        assert (rows[1]["error"].abs() <= rows[1]["u95"]).mean() >= 0.75
        assert rows[1]["u95"].mean() < rows[0]["u95"].mean()


# --- the bar's ends -------------------------------------------------------------------------------


def front_track() -> pd.DataFrame:
    """A level bar that comes down, whose right end is lost for a while."""
    n = 120
    time_s = np.arange(n) / 30
    table = pd.DataFrame({"frame": np.arange(n), "time_s": time_s, "span_rel_sd": 0.004})
    for end, x_px in zip(fix.ENDS, (100.0, 500.0), strict=True):
        table[f"{end}_x_px"], table[f"{end}_y_px"] = x_px, 200.0 + 50 * time_s
        table[f"{end}_sd_px"], table[f"{end}_state"] = 0.3, "seen"
    table.loc[60:70, ["image_right_x_px", "image_right_y_px", "image_right_sd_px"]] = np.nan
    table.loc[60:70, "image_right_state"] = "lost"
    return table


def test_an_end_put_right_on_one_frame_is_right_in_all() -> None:
    track = front_track()
    out = fix.correct_track(track, ends((30, "image_right", 506.0, 251.0)))
    known = track["image_right_x_px"].notna()
    assert np.allclose(out.loc[known, "image_right_x_px"], 506.0)
    assert np.allclose((out["image_right_y_px"] - track["image_right_y_px"])[known], 1.0)
    assert out.loc[~known, "image_right_x_px"].isna().all()
    assert out.loc[30, "image_right_sd_px"] == 1.5
    assert out.loc[90, "image_right_sd_px"] == pytest.approx(np.hypot(0.3, 1.5))
    pd.testing.assert_frame_equal(out.filter(like="image_left"), track.filter(like="image_left"))
    # One end by hand, the other as it was: its half of the variance before.
    expected = np.hypot(1.5 / 406.0, 0.004 / np.sqrt(2))
    assert out["span_rel_sd"].to_numpy() == pytest.approx(expected, rel=1e-3)
    pd.testing.assert_frame_equal(fix.as_tracked(out)[track.columns], track)
    again = fix.correct_track(out, ends((30, "image_right", 506.0, 251.0)))
    pd.testing.assert_frame_equal(again, out)


def test_between_two_frames_an_end_moves_over_and_is_less_sure() -> None:
    track = front_track()
    points = ((30, "image_left", 104.0, 250.0), (90, "image_left", 108.0, 350.0))
    out = fix.correct_track(track, ends(*points))
    offset = out["image_left_x_px"] - track["image_left_x_px"]
    assert offset[[0, 30, 60, 90, 119]].tolist() == pytest.approx([4.0, 4.0, 6.0, 8.0, 8.0])
    halfway = np.sqrt(0.3**2 + 1.5**2 + (0.5 * 4.0) ** 2)
    assert out.loc[60, "image_left_sd_px"] == pytest.approx(halfway)
    lost = fix.correct_track(track, ends((65, "image_right", 501.0, 300.0)))
    assert lost.loc[65, ["image_right_x_px", "image_right_state"]].tolist() == [501.0, "seen"]
    assert lost.loc[64, "image_right_state"] == "lost"


def test_lengths_follow_the_ends_put_right_by_hand() -> None:
    """An end tracked 8 pixels short makes all too long; put right on one frame it does not."""
    made = made_set("ql_tucked_front", noise_px=0.1)
    made = dataclasses.replace(made, pose=made.pose.iloc[:0])
    track = made.track.copy()
    row = track.iloc[len(track) // 2]
    right = (int(row["frame"]), "image_right", row["image_right_x_px"], row["image_right_y_px"])
    track["image_right_x_px"] -= 8.0
    whole, short = (
        pipeline.remeasure(dataclasses.replace(made, track=table)) for table in (made.track, track)
    )
    config = dataclasses.replace(config_of(short), corrections=ends(right))
    mended = pipeline.remeasure(short, config)
    moved = [result.reps["range_of_motion_m"].mean() for result in (whole, short, mended)]
    assert moved[1] / moved[0] > 1.01
    assert moved[2] / moved[0] == pytest.approx(1.0, abs=0.002)
    # A pixel and a half by hand, of the bar's length in the picture, is part of the scale.
    span_px = float((made.track["image_right_x_px"] - made.track["image_left_x_px"]).median())
    assert mended.calibration["scale_rel_sd"] > 1.5 / span_px
    assert any("end" in note.text for note in mended.notes if note.code == "corrected")
    back = pipeline.remeasure(mended, dataclasses.replace(config, corrections=Corrections()))
    assert back.reps["range_of_motion_m"].mean() == pytest.approx(moved[1])
