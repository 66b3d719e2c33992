"""The whole program on two synthetic clips of one set, against their exact truth."""

import json
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

import barpath
from barpath.analysis.kept import config_of
from barpath.analysis.pairset import measure_clips
from barpath.analysis.pipeline import remeasure
from barpath.clip import frames
from tests.accuracy import CLIPS, joint_errors, on_another, path_rmse_m, rep_errors
from tests.weights import needs_weights

pytestmark = needs_weights


def truth_of(name):
    truth = json.loads((CLIPS / f"{name}.truth.json").read_text())
    return truth, pd.read_csv(CLIPS / f"{name}.truth.csv")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The folder that `barpath demo` writes, of the side clip, and what it says."""
    folder = tmp_path_factory.mktemp("demo") / "demo"
    code = "from barpath.cli.commands import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "demo", "--out", str(folder)],
        capture_output=True,
        text=True,
        timeout=900,
    )
    assert done.returncode == 0, done.stderr
    return folder, done.stdout


@pytest.fixture(scope="module")
def side(demo):
    return barpath.read_results(demo[0])


@pytest.fixture(scope="module")
def front():
    return barpath.analyse(CLIPS / "ql_flared_front.mp4", view="front", load_kg=110.0)


def errors_of(result, name):
    truth, _ = truth_of(name)
    table = rep_errors(result, truth)
    return table.groupby("measure")["error"].apply(lambda e: float(np.abs(e).max()))


def test_side_view_is_guessed_and_reps_are_counted(side):
    truth, _ = truth_of("ql_flared_side")
    assert (side.view, side.view_source) == ("side", "guessed")
    assert list(side.reps["kind"]) == [rep["kind"] for rep in truth["reps"]]
    assert side.calibration["near_arm"] == truth["near_side"]


def test_side_path_and_measures(side):
    truth, frames = truth_of("ql_flared_side")
    assert path_rmse_m(side, frames, truth) < 0.003
    worst = errors_of(side, "ql_flared_side")
    assert worst["range_of_motion_m"] < 0.005
    assert worst["drift_touch_to_lockout_m"] < 0.005
    assert worst["peak_press_speed_m_s"] < 0.02
    assert worst["mean_press_speed_m_s"] < 0.01
    assert worst["mean_descent_speed_m_s"] < 0.015


def test_what_a_side_view_cannot_give_is_missing_with_its_reason(side):
    table = side.measures.set_index("measure")
    for name in ("grip_width_m", "bar_tilt_deg", "wrist_over_elbow_m"):
        rows = table.loc[[name]]
        assert (rows["quality"] == "missing").all()
        assert rows["value"].isna().all()
        assert rows["reason"].str.contains("front view|along the bar").all()


def test_front_measures(front):
    worst = errors_of(front, "ql_flared_front")
    assert len(front.reps) == 2
    assert worst["grip_width_m"] < 0.015
    assert worst["range_of_motion_m"] < 0.02
    joints = front.measures[front.measures["measure"] == "wrist_over_elbow_m"]
    assert set(joints["side"]) == {"left", "right"}


def test_wrists_over_elbows_from_the_feet(front):
    """The aim of 1 cm is met over all made clips (ACCURACY.md), not in every arm of this one."""
    truth, _ = truth_of("ql_flared_front")
    table = rep_errors(front, truth)
    table = table[table["measure"] == "wrist_over_elbow_m"]
    assert len(table) == 4
    assert np.sqrt((table["error"] ** 2).mean()) < 0.018


def test_a_pair_of_clips_as_filmed(front, side):
    """Readings of the network and all: aims of 1 cm and 4 degrees, the latter not quite reached.

    Processors differ in the last digits of the network's sums, and four arms are few: root mean
    squares of 1.2 to 1.6 cm were seen for the same clips, hence the room above the aim.
    """
    truth, _ = truth_of("ql_flared_front")
    pair = measure_clips([front, side])
    # The side clip starts 0.25 s earlier.
    assert abs(pair.sync.lag_s - 0.25) < 0.25 / 30
    table = pair.measures.set_index(["rep", "measure", "side"])
    off: dict[str, list[float]] = {"wrist_over_elbow_m": [], "elbow_abduction_deg": []}
    for rep in truth["reps"]:
        for arm, values in rep["arms_at_bottom"].items():
            for name, errors in off.items():
                row = table.loc[(rep["rep"], name, arm)]
                errors.append(row["value"] - values[name])
                assert abs(errors[-1]) < row["u95"]
    rms = {name: np.sqrt(np.mean(np.square(errors))) for name, errors in off.items()}
    assert rms["wrist_over_elbow_m"] < 0.02
    assert rms["elbow_abduction_deg"] < 9.0


def test_every_measure_has_uncertainty_or_reason(side, front):
    for result in (side, front):
        table = result.measures
        missing = table["quality"] == "missing"
        assert (table.loc[missing, "reason"].str.len() > 10).all()
        assert (table.loc[~missing, "u95"] > 0).all()
        assert set(table["quality"]) <= {"good", "fair", "poor", "missing"}


def test_assumed_plate_is_said(side):
    assert "plate_assumed" not in {note.code for note in side.notes}
    assumed = replace(config_of(side), plate_given=False)
    assert "plate_assumed" in {note.code for note in remeasure(side, assumed).notes}


def test_demo_names_its_report_and_writes_a_result_folder(demo, side):
    folder, said = demo
    assert "2 repetitions (2 complete), side view" in said
    assert f"Report: {folder / 'report.html'}" in said.splitlines()
    names = {entry.name for entry in folder.iterdir()}
    assert {"report.html", "annotated.mp4", "reps.csv", "trajectory.csv", "summary.json"} <= names
    html = (folder / "report.html").read_text()
    HTMLParser().feed(html)
    assert 'src="http' not in html
    assert "spotter" in html
    summary = json.loads((folder / "summary.json").read_text())
    assert summary["view"] == "side"
    info = frames.probe(folder / "annotated.mp4")
    assert info.codec == "h264"
    assert abs(info.n_frames - side.info.n_frames) <= 1


def test_measuring_again_from_a_folder_gives_the_same(side):
    again = remeasure(side)
    keys = ["rep", "measure", "side"]
    both = side.measures.merge(again.measures, on=keys, suffixes=("", "_again"))
    assert len(both) == len(side.measures)
    assert (both["quality"] == both["quality_again"]).mean() > 0.97
    known = both["value"].notna() & both["value_again"].notna()
    apart = (both["value"] - both["value_again"]).abs()[known]
    assert (apart <= 0.1 * both["u95"][known] + 1e-6).all()


@pytest.mark.parametrize("name", ["ql_flared_side", "ql_flared_front"])
def test_fitted_joints_are_much_better_than_the_stock_network(name, request):
    result = request.getfixturevalue(name.rsplit("_", 1)[1])
    clip = CLIPS / f"{name}.mp4"
    errors = joint_errors(clip, result, pd.read_csv(clip.with_suffix(".truth.csv")))
    medians = errors.groupby(["way", "joint"])["error_m"].median().unstack("way")
    # From high at the feet the stock network sees shoulders as well, or better.
    assert (medians["fit"] < 0.6 * medians["stock network"])[["elbow", "wrist"]].all()
    assert medians.loc["shoulder", "fit"] < (0.07 if result.view == "front" else 0.035)
    pooled = errors.groupby("way")["error_m"].median()
    assert pooled["fit"] < 0.7 * pooled["stock network"]
    assert on_another(result, pd.read_csv(clip.with_suffix(".truth.csv")), clip) == 0
