"""A block of clips: planned, worked off by processes, killed and taken up again."""

import dataclasses
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections, JointPoint, write_corrections
from barpath.block import blockstore, compare, drift, loadvelocity
from barpath.block.jobs import BlockConfig, ClipEntry, Programme, n_cores
from barpath.block.keys import configs_of, keys_of, make_jobs
from barpath.block.plan import entry_from_name, plan_folder
from barpath.block.run import locked
from barpath.block.run import run as run_block
from barpath.block.tables import BlockSummary, kept_sets, single_clips
from barpath.block.work import STILL_FILE, function_named, process
from barpath.errors import OptionError, OutputError
from barpath.report import blockpages, comparepage
from tests.fake_detector import PROGRAMME, write_clip
from tests.in_process import here
from tests.made_results import make_result

ROOT = Path(__file__).parents[1]
TWO_NAMES = ("front", "side")
TABLES = ("reps.parquet", "reps.csv", "clips.csv", "failures.csv", "block.json")


def fake_block(folder: Path, n: int, **order) -> tuple[Path, Path]:
    """A folder of `n` fake clips with a sheet, and the log of the calls."""
    clips = folder / "clips"
    clips.mkdir(parents=True)
    log = folder / "log.txt"
    lines = ["clip,lifter,date,load_kg,technique,bench"]
    for k in range(n):
        name = f"set{k:02d}{'x' * (k % 5)}.mp4"
        write_clip(clips / name, log, **order)
        technique = ("flared", "tucked")[k % 2]
        lines.append(f"{name},Ada,2026-10-{k // 4 + 1:02d},{60 + 10 * (k % 3)},{technique},red")
    (clips / "block.csv").write_text("\n".join(lines) + "\n")
    return clips, log


def paired_block(folder: Path, n_sets: int, **order) -> tuple[Path, Path]:
    """A folder with two fake clips of each set, and the log of the calls."""
    clips = folder / "clips"
    clips.mkdir(parents=True)
    log = folder / "log.txt"
    lines = ["clip,lifter,date,load_kg,technique,pair"]
    for k in range(n_sets):
        for view in TWO_NAMES:
            name = f"set{k}_{view}{'x' * k}.mp4"
            write_clip(clips / name, log, view=view, **order)
            lines.append(f"{name},Ada,2026-10-01,80,{('flared', 'tucked')[k % 2]},{k}")
    (clips / "block.csv").write_text("\n".join(lines) + "\n")
    return clips, log


def config(**changes) -> BlockConfig:
    return BlockConfig(**({"programme": PROGRAMME, "workers": 2, "stills": False} | changes))


@pytest.fixture
def in_process():
    """Work the jobs off here, which spares the start of processes."""
    with here():
        yield


def run(clips: Path, out: Path, **changes) -> BlockSummary:
    keep = {k: changes.pop(k) for k in ("trc", "watch", "dask") if k in changes}
    return run_block(plan_folder(clips), out, config(**changes), **keep)


def contents(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in TABLES}


def calls(log: Path, what: str) -> list[str]:
    return [line.split()[1] for line in log.read_text().splitlines() if line.startswith(what)]


def test_labels_from_names():
    known = entry_from_name(Path("tucked_side.mp4"), "n")
    assert (known.lifter, known.technique, known.view) == ("tucked", "", "side")
    full = entry_from_name(Path("Ada_2026-01-02_front_100kg_450mm_wide_pairB.mp4"), "n")
    assert (full.lifter, full.technique, full.view, full.pair) == ("Ada", "wide", "front", "B")
    assert (full.load_kg, full.plate_mm, full.date) == (100.0, 450.0, "2026-01-02")


def test_sheets_in_csv_and_toml_say_the_same(tmp_path):
    (tmp_path / "a.mp4").write_bytes(b"a")
    (tmp_path / "block.csv").write_text(
        "Clip;lifter;date;view;load_kg;plate_mm;bar;technique;pair;upper_arm_cm;belt\n"
        "a.mp4;Ada;2026-01-02;Side;82,5;425;15kg;wide;B;31;yes\n"
    )
    from_csv = plan_folder(tmp_path)
    toml = tmp_path / "other.toml"
    toml.write_text(
        '[defaults]\nlifter = "Ada"\nbelt = "yes"\n[[clip]]\nclip = "a.mp4"\ndate = 2026-01-02\n'
        'view = "side"\nload_kg = 82.5\nplate_mm = 425\nbar = "15kg"\n'
        'technique = "wide"\npair = "B"\n'
        "upper_arm_cm = 31\n"
    )
    assert plan_folder(tmp_path, toml) == from_csv
    entry = from_csv[0]
    assert entry.labels == (("belt", "yes"),)
    assert entry.upper_arm_m == pytest.approx(0.31)
    assert all(config.barbell.overall_mm == 2010 for config in configs_of(entry, AnalysisConfig()))
    assert entry.fault == ""


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("a.mp4,,02.01.2026,", "date"),
        ("a.mp4,,,heavy", "number"),
        ("a.mp4,,,5000", "load"),
        ("a.mp4,,,,long", "bar must be"),
        ("gone.mp4,,,", "no such file"),
        (",Ada,,", "names no clip"),
    ],
)
def test_a_line_that_makes_no_sense_is_a_failure_of_its_own(tmp_path, in_process, line, word):
    clips, _ = fake_block(tmp_path, 1)
    (clips / "a.mp4").write_text((clips / "set00.mp4").read_text() + " ")
    (clips / "block.csv").write_text(f"clip,lifter,date,load_kg,bar\n{line}\nset00.mp4,Ada,,\n")
    summary = run(clips, tmp_path / "out")
    assert (summary.n_measured, summary.n_failed) == (1, 1)
    assert word in summary.failures[0][1]
    assert "failures.csv" in {p.name for p in (tmp_path / "out").iterdir()}


@pytest.mark.parametrize("text", ["", "lifter,date\nAda,2026-01-02\n"])
def test_a_sheet_without_clips_is_refused(tmp_path, text):
    (tmp_path / "block.csv").write_text(text)
    with pytest.raises(OptionError):
        plan_folder(tmp_path)


def test_no_folder_and_no_clip(tmp_path):
    with pytest.raises(OptionError):
        plan_folder(tmp_path / "gone")
    with pytest.raises(OptionError):
        plan_folder(tmp_path)


def test_bad_clips_do_not_stop_the_rest(tmp_path):
    clips, log = fake_block(tmp_path, 3)
    for fate in ("no rep", "fault", "die", "die once"):
        write_clip(clips / f"{fate.replace(' ', '-')}.mp4", log, fate=fate)
    (clips / "same.mp4").write_bytes((clips / "set00.mp4").read_bytes())
    (clips / "block.csv").unlink()
    events = []
    summary = run(clips, tmp_path / "out", watch=events.append)
    failures = dict(summary.failures)
    assert set(failures) == {"no-rep.mp4", "fault.mp4", "die.mp4", "set00.mp4"}
    assert failures["no-rep.mp4"] == "There is no repetition in no-rep.mp4."
    assert "ZeroDivisionError" in failures["fault.mp4"]
    assert "signal 9" in failures["die.mp4"]
    assert "same.mp4" in failures["set00.mp4"]
    assert all(s.endswith(".") for s in failures.values())
    assert summary.n_reps == 2 * summary.n_measured == 2 * 4
    assert calls(log, "begun").count("die-once.mp4") == 2
    assert {e.kind for e in events} == {"planned", "stage", "done", "failed"}
    told = pd.read_csv(tmp_path / "out/failures.csv").set_index("clip")["failure"].to_dict()
    assert told == failures

    # A reason that lasts is remembered; what may have been chance is tried again.
    before = len(calls(log, "begun"))
    assert dict(run(clips, tmp_path / "out").failures) == failures
    assert sorted(calls(log, "begun")[before:]) == ["die.mp4", "die.mp4", "fault.mp4"]
    before = len(calls(log, "begun"))
    (clips / "die.mp4").unlink()
    with here():
        run(clips, tmp_path / "out", retry_failed=True)
    assert "no-rep.mp4" in calls(log, "begun")[before:]


def test_only_what_changed_is_done_again(tmp_path, in_process):
    clips, log = fake_block(tmp_path, 4)
    out = tmp_path / "out"
    assert run(clips, out).n_detected_now == 4
    first = contents(out)
    assert run(clips, out).n_detected_now == 0
    assert contents(out) == first
    # Another technique in the sheet, and another name for a clip: labels alone.
    sheet = (clips / "block.csv").read_text()
    (clips / "set03xxx.mp4").rename(clips / "renamed.mp4")
    (clips / "block.csv").write_text(sheet.replace("set03xxx", "renamed").replace("flared", "wide"))
    assert run(clips, out).n_detected_now == 0
    table = blockstore.read_table(out)
    assert set(table["technique"]) == {"wide", "tucked"}
    assert "renamed.mp4" in set(table["clip"])
    # An option of measuring: measured again, not seen again.
    before = table["pause_s"].dropna().to_numpy()
    longer = AnalysisConfig(upper_arm_m=0.3)
    assert run(clips, out, analysis=longer).n_detected_now == 0
    after = blockstore.read_table(out)["pause_s"].dropna().to_numpy()
    np.testing.assert_allclose(after - before, 0.3)
    # Other content, and a setting that bears on what is seen.
    (clips / "renamed.mp4").write_text((clips / "renamed.mp4").read_text() + " ")
    assert run(clips, out).n_detected_now == 1
    assert run(clips, out, analysis=AnalysisConfig(view="front")).n_detected_now == 4
    assert len(calls(log, "ended")) == 4 + 1 + 4


def test_keys_change_with_what_bears_on_them_and_with_nothing_else():
    entry = ClipEntry(Path("a.mp4"), "a.mp4")

    def keys(analysis=None, sha="s", programme=PROGRAMME, **changes):
        changed = dataclasses.replace(entry, **changes)
        configs = configs_of(changed, analysis or AnalysisConfig())
        return keys_of(sha, configs, programme)

    same = keys()
    assert keys(load_kg=80.0, lifter="Bo", technique="wide", pair="1") == same
    assert keys(AnalysisConfig(note="hello")) == same
    for other in (
        keys(sha="t"),
        keys(view="side"),
        keys(plate_mm=425.0),
        keys(bar="15kg"),
        keys(capture_fps=120.0),
        keys(AnalysisConfig(find_joints=False)),
        keys(programme=Programme()),
    ):
        assert other[0] != same[0]
        assert other[1] != same[1]
    # Without joints nothing that is seen rests on the plate's diameter.
    bar_alone = AnalysisConfig(find_joints=False)
    assert keys(bar_alone, plate_mm=425.0)[0] == keys(bar_alone)[0]
    assert keys(bar_alone, plate_mm=425.0)[1] != keys(bar_alone)[1]
    arm = keys(upper_arm_m=0.3)
    assert arm[0] == same[0]
    assert arm[1] != same[1]


def test_a_measure_that_is_added_is_measured_without_looking_again(monkeypatch):
    configs = configs_of(ClipEntry(Path("a.mp4"), "a.mp4"), AnalysisConfig())
    before = keys_of("s", configs, PROGRAMME)
    monkeypatch.setattr("barpath.block.keys.CATALOGUE", {"a_measure_of_tomorrow_m": None})
    after = keys_of("s", configs, PROGRAMME)
    assert after[0] == before[0]
    assert after[1] != before[1]


def test_keys_change_with_the_joint_networks_weights(tmp_path, monkeypatch):
    weights = tmp_path / "joints.onnx"
    monkeypatch.setattr("barpath.block.keys.weights_path", lambda: weights)
    configs = configs_of(ClipEntry(Path("a.mp4"), "a.mp4"), AnalysisConfig())
    alone = tuple(dataclasses.replace(config, find_joints=False) for config in configs)
    keys = []
    for content in (b"one", b"another"):
        weights.write_bytes(content)
        keys.append((keys_of("s", configs, PROGRAMME), keys_of("s", alone, PROGRAMME)))
    assert keys[0][0] != keys[1][0]
    assert keys[0][1] == keys[1][1]


def test_a_clip_that_a_worker_cannot_see_or_that_changed_is_said(tmp_path):
    clips, _ = fake_block(tmp_path, 1)
    jobs, _ = make_jobs(plan_folder(clips), config())
    job = jobs["set00.mp4"]
    job.entry.path.write_text(job.entry.path.read_text() + " ")
    assert "changed" in process(job).sentence
    job.entry.path.unlink()
    gone = process(job)
    assert "every worker sees them" in gone.sentence
    assert not gone.lasting


def test_the_table_is_read_by_others(tmp_path, in_process):
    clips, _ = fake_block(tmp_path, 4)
    out = tmp_path / "out"
    run(clips, out, trc=True)
    table = pd.read_parquet(out / "reps.parquet")
    assert len(table) == 8
    assert set(table["bench"]) == {"red"}
    file = str(out / "reps.parquet")
    rows = duckdb.sql(
        f"select technique, count(*), avg(range_of_motion_m) from '{file}' group by 1 order by 1"
    ).fetchall()
    assert [row[:2] for row in rows] == [("flared", 4), ("tucked", 4)]
    means = table.groupby("technique")["range_of_motion_m"].mean()
    np.testing.assert_allclose([row[2] for row in rows], means)
    hidden = duckdb.sql(
        f"select count(*) from '{file}' where elbow_abduction_deg_right is null "
        "and elbow_abduction_deg_right_quality = 'missing' "
        "and elbow_abduction_deg_right_reason <> ''"
    ).fetchall()
    assert hidden == [(8,)]
    flat = pd.read_csv(out / "reps.csv")
    assert list(flat.columns) == list(table.columns)
    np.testing.assert_allclose(flat["pause_s"], table["pause_s"], rtol=1e-8)
    assert len(list((out / "trajectories").iterdir())) == 4


def test_clips_of_one_set_are_measured_together(tmp_path, in_process):
    clips, log = paired_block(tmp_path, 2)
    write_clip(clips / "lone.mp4", log)
    with (clips / "block.csv").open("a") as sheet:
        sheet.write("lone.mp4,Ada,2026-10-01,80,flared,9\n")
    out = tmp_path / "out"
    summary = run(clips, out, trc=True)
    assert (summary.n_measured, summary.n_sets, summary.n_reps) == (5, 2, 6)
    assert (summary.apart, summary.n_failed) == ((), 0)
    table = blockstore.read_table(out)
    one = table[table["set_id"] == "Ada 2026-10-01 pair 0"]
    assert one["rep"].tolist() == [1, 2]
    assert set(one["view"]) == {"pair"}
    assert set(one["clip"]) == {"set0_front.mp4 + set0_side.mp4"}
    assert set(one["technique"]) == {"flared"}
    assert set(table.loc[table["clip"] == "lone.mp4", "view"]) == {"side"}
    assert blockstore.n_clips(table) == 5
    # What the two clips give by themselves differs by the lengths of their names; see `measure`.
    kept = [json.loads(p.read_text())["content"] for p in (out / "cache/measured").glob("*.json")]
    pauses = {rows[0]["pause_s"] for rows in kept}
    assert one["pause_s"].iloc[0] not in pauses
    assert min(pauses) < one["pause_s"].iloc[0] < max(pauses)
    listed = pd.read_csv(out / "clips.csv").set_index("clip")
    assert listed["reps"].tolist() == [2] * 5
    assert listed.loc["set1_frontx.mp4", "seen"] == "front"
    behind = single_clips(out, table)
    assert sorted(zip(behind["clip"], behind["view"], strict=True)) == [
        ("lone.mp4", "side"),
        ("set0_front.mp4", "front"),
        ("set0_side.mp4", "side"),
        ("set1_frontx.mp4", "front"),
        ("set1_sidex.mp4", "side"),
    ]
    assert len(list((out / "trajectories").iterdir())) == 5
    # Nothing is done twice; a clip that changed has its own set measured again.
    assert len(calls(log, "joining")) == 2
    assert run(clips, out, trc=True).n_sets == 2
    assert len(calls(log, "joining")) == 2
    (clips / "set1_sidex.mp4").write_text((clips / "set1_sidex.mp4").read_text() + " ")
    assert run(clips, out).n_detected_now == 1
    assert calls(log, "joining")[2:] == ["set1_frontx.mp4+set1_sidex.mp4"]
    # Without the label each clip counts by itself, as one whose partner failed does.
    sheet = (clips / "block.csv").read_text()
    (clips / "block.csv").write_text(sheet.replace("flared,0", "flared,"))
    write_clip(clips / "set1_sidex.mp4", log, fate="no rep")
    summary = run(clips, out)
    assert (summary.n_sets, summary.n_failed, summary.n_reps) == (0, 1, 8)


def test_all_that_reads_a_block_reads_sets_measured_together(tmp_path, in_process):
    clips, _ = paired_block(tmp_path, 4)
    out = tmp_path / "out"
    run(clips, out)
    table = blockstore.read_table(out)
    compared = compare.compare(table)
    row = compared[compared["measure"] == "pause_s"].iloc[0]
    assert (row["n_sets_a"], row["n_sets_b"], row["n_reps_a"]) == (2, 2, 4)
    pauses = table.groupby("technique")["pause_s"].mean()
    assert row["difference"] == pytest.approx(pauses["tucked"] - pauses["flared"])
    assert len(loadvelocity.fastest_of_sets(table)) == 4
    trends = drift.trends(table)
    assert (
        trends.loc[(trends["measure"] == "pause_s") & (trends["with"] == "rep"), "reason"].item()
        == ""
    )
    pages = blockpages.block_files(out)
    assert "8 clips" in pages["coach.html"].decode()
    page = comparepage.compare_files(out)["compare.html"].decode()
    # Paths are those of the clips from the side, which were kept each by itself.
    assert "<h3>Bar paths</h3>" in page


def test_clips_that_cannot_be_joined_count_by_themselves(tmp_path, in_process):
    clips, log = paired_block(tmp_path, 2)
    why = "Its clips do not show the same repetitions: 2 in one, 3 in another."
    write_clip(clips / "set0_side.mp4", log, view="side", apart=why)
    sheet = (clips / "block.csv").read_text()
    line = "set1_sidex.mp4,Ada,2026-10-01,"
    (clips / "block.csv").write_text(sheet.replace(f"{line}80", f"{line}90"))
    out = tmp_path / "out"
    summary = run(clips, out)
    assert (summary.n_sets, summary.n_failed, summary.n_reps) == (0, 0, 8)
    told = dict(summary.apart)
    assert told["Ada 2026-10-01 pair 0"] == why
    other = "The lines of its clips in the sheet differ in the load."
    assert told["Ada 2026-10-01 pair 1"] == other
    listed = pd.read_csv(out / "clips.csv")
    assert listed["apart"].tolist() == [why, why, other, other]
    assert set(blockstore.read_table(out)["view"]) == {"front", "side"}
    # That they cannot be joined is remembered.
    assert run(clips, out).apart == summary.apart
    assert len(calls(log, "joining")) == 1


def test_a_set_that_is_damaged_is_measured_again(tmp_path, in_process):
    clips, log = paired_block(tmp_path, 2)
    out = tmp_path / "out"
    run(clips, out)
    whole = contents(out)
    kept = sorted((out / "cache/joined").iterdir())
    kept[0].write_bytes(kept[0].read_bytes().replace(b"pause_s", b"pause_x", 1))
    again = run(clips, out)
    assert (again.n_set_aside, again.n_detected_now) == (1, 0)
    assert (out / "cache/aside" / f"joined-{kept[0].name}").is_file()
    assert len(calls(log, "joining")) == 3
    assert contents(out) == whole


def test_what_was_put_right_by_hand_counts(tmp_path, in_process):
    clips, log = paired_block(tmp_path, 2)
    write_clip(clips / "lone.mp4", log)
    with (clips / "block.csv").open("a") as sheet:
        sheet.write("lone.mp4,Ada,2026-10-01,80,flared,\n")
    out = tmp_path / "out"
    run(clips, out)
    before = blockstore.read_table(out).set_index(["set_id", "rep"])["pause_s"]
    log.write_text("")
    for name in ("lone.mp4", "set1_sidex.mp4"):
        by_hand = Corrections(joints=(JointPoint(3, "left_elbow", 10.0, 20.0),))
        write_corrections(by_hand, clips / f"{name}.corrections.json")
    assert run(clips, out).n_detected_now == 0
    change = blockstore.read_table(out).set_index(["set_id", "rep"])["pause_s"] - before
    by_set = change.groupby("set_id").mean()
    # The stand-in adds 1 for each joint put right; a set's is the mean of its clips.
    assert by_set["Ada 2026-10-01 lone.mp4"] == pytest.approx(1.0)
    assert by_set["Ada 2026-10-01 pair 1"] == pytest.approx(0.5)
    assert by_set["Ada 2026-10-01 pair 0"] == 0.0
    # Its clips apart, no other was measured again, and that of the set for the set alone.
    measured = sorted(calls(log, "measured"))
    assert measured == ["lone.mp4", "set1_frontx.mp4", "set1_sidex.mp4", "set1_sidex.mp4"]
    for file in clips.glob("*.corrections.json"):
        file.unlink()
    run(clips, out)
    after = blockstore.read_table(out).set_index(["set_id", "rep"])["pause_s"]
    pd.testing.assert_series_equal(after, before)
    assert sorted(calls(log, "measured")) == measured


def test_corrections_that_make_no_sense_are_a_failure_of_their_clip(tmp_path, in_process):
    clips, _ = fake_block(tmp_path, 2)
    (clips / "set00.mp4.corrections.json").write_text("{")
    summary = run(clips, tmp_path / "out")
    assert [name for name, _ in summary.failures] == ["set00.mp4"]
    assert "corrections" in summary.failures[0][1]
    assert summary.n_measured == 1


def test_killed_while_sets_are_joined(tmp_path):
    clips, log = paired_block(tmp_path, 2, joining_seconds=1.0)
    with here():
        run(clips, tmp_path / "whole")
    log.write_text("")
    child = start(clips, tmp_path / "out")
    while not calls(log, "joining") and child.poll() is None:
        time.sleep(0.01)
    child.send_signal(signal.SIGKILL)
    child.wait()
    assert not list((tmp_path / "out/cache/joined").glob("*.json"))
    before = len(calls(log, "begun"))
    with here():
        assert run(clips, tmp_path / "out").n_sets == 2
    assert len(calls(log, "begun")) == before
    assert contents(tmp_path / "out") == contents(tmp_path / "whole")


def test_trc_holds_the_path():
    result = make_result(n_reps=2)
    result.trajectory.loc[5, "x_smooth_m"] = np.nan
    lines = blockstore.trc_text(result, "a.trc").splitlines()
    assert lines[0].split("\t") == ["PathFileType", "4", "(X/Y/Z)", "a.trc"]
    head = dict(zip(lines[1].split("\t"), lines[2].split("\t"), strict=True))
    assert head["Units"] == "m"
    assert int(head["NumFrames"]) == len(result.trajectory) == len(lines) - 6
    assert lines[3].split("\t")[:3] == ["Frame#", "Time", "bar"]
    assert lines[4].split("\t") == ["", "", "X1", "Y1", "Z1"]
    data = [line.split("\t") for line in lines[6:]]
    assert data[5][2:] == ["", "", ""]
    values = np.array([row[1:] for k, row in enumerate(data) if k != 5], float)
    path = result.trajectory.drop(index=5)
    expected = path[["time_s", "x_smooth_m", "y_smooth_m"]].assign(z=0.0)
    np.testing.assert_allclose(values, expected, atol=1e-6)


def test_trc_of_a_front_view_has_both_ends():
    result = make_result("front", n_reps=1)
    lines = blockstore.trc_text(result, "a.trc").splitlines()
    assert [c for c in lines[3].split("\t") if c][2:] == ["bar_middle", "bar_left", "bar_right"]
    first = np.array(lines[6].split("\t")[2:], float).reshape(3, 3)
    assert (first[:, 0] == 0).all()
    # Seen from the feet the lifter's left is on the right, where Z grows.
    # The heights are those at the plates' inner faces: 1.312 m of shaft and two shoulders of 30 mm.
    assert first[1, 2] - first[2, 2] == pytest.approx(1.372)


def test_a_folder_of_something_else_is_left_alone(tmp_path):
    clips, _ = fake_block(tmp_path, 1)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/diary.txt").write_text("x")
    with pytest.raises(OutputError):
        run(clips, tmp_path / "mine")
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError):
        run(clips, tmp_path / "file")
    assert sorted(p.name for p in (tmp_path / "mine").iterdir()) == ["diary.txt"]


def test_killed_before_the_first_file_was_whole(tmp_path, in_process):
    clips, _ = fake_block(tmp_path, 1)
    (tmp_path / "out").mkdir()
    (tmp_path / "out/.block.json.part-0123").write_text("{")
    assert run(clips, tmp_path / "out").n_measured == 1
    assert not list((tmp_path / "out").glob(".*.part-*"))


def test_two_runs_do_not_meet_in_one_folder(tmp_path, in_process):
    clips, _ = fake_block(tmp_path, 1)
    run(clips, tmp_path / "out")
    with locked(tmp_path / "out"), pytest.raises(OutputError):
        run(clips, tmp_path / "out")


def test_damaged_tables_are_refused(tmp_path):
    with pytest.raises(OutputError):
        blockstore.read_table(tmp_path)
    (tmp_path / "reps.parquet").write_bytes(b"PAR1 nonsense")
    with pytest.raises(OutputError):
        blockstore.read_table(tmp_path)
    pd.DataFrame({"a": [1]}).to_parquet(tmp_path / "reps.parquet")
    with pytest.raises(OutputError):
        blockstore.read_table(tmp_path)


def test_memory_bound_keeps_clips_apart(tmp_path):
    clips, _ = fake_block(tmp_path, 3, seconds=0.1)
    at_work, most = set(), [0]

    def watch(event):
        if event.kind == "stage":
            at_work.add(event.clip)
            most[0] = max(most[0], len(at_work))
        elif event.kind == "done":
            at_work.discard(event.clip)

    run(clips, tmp_path / "out", memory_bytes=1_000_000, watch=watch)
    assert most[0] == 1


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks at the processes in /proc")
def test_workers_use_one_thread_each_and_die_with_their_parent(tmp_path):
    clips, log = fake_block(tmp_path, 2, seconds=600)
    child = start(clips, tmp_path / "out")
    deadline = time.monotonic() + 240
    while not (log.exists() and len(calls(log, "begun")) == 2):
        assert time.monotonic() < deadline
        time.sleep(0.05)
    workers = [int(p) for p in children_of(child.pid) if "spawn_main" in command_of(p)]
    assert len(workers) == 2
    environments = [Path(f"/proc/{p}/environ").read_bytes().split(b"\0") for p in workers]
    assert all(b"OMP_NUM_THREADS=1" in e and b"OPENBLAS_NUM_THREADS=1" in e for e in environments)
    child.kill()
    child.wait()
    while any(Path(f"/proc/{p}").exists() and "spawn_main" in command_of(p) for p in workers):
        assert time.monotonic() < deadline
        time.sleep(0.05)


def children_of(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            text = stat.read_text()
        except OSError:
            continue
        if int(text.rpartition(")")[2].split()[1]) == pid:
            found.append(int(stat.parent.name))
    return found


def command_of(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")
    except OSError:
        return ""


def start(clips: Path, out: Path) -> subprocess.Popen:
    code = (
        "import sys; from pathlib import Path; from tests.test_block import run\n"
        "if __name__ == '__main__': run(Path(sys.argv[1]), Path(sys.argv[2]), trc=True)"
    )
    return subprocess.Popen([sys.executable, "-c", code, str(clips), str(out)], cwd=ROOT)


def kill_and_resume(tmp_path, n_clips: int, n_kills: int, seconds: float) -> None:
    """Kill a run when another clip or two were begun, wherever it is then."""
    clips, log = fake_block(tmp_path, n_clips, seconds=seconds)
    write_clip(clips / "bad.mp4", log, fate="no rep", seconds=seconds)
    with (clips / "block.csv").open("a") as sheet:
        sheet.write("bad.mp4,Ada,2026-10-01,60,flared,red\n")
    with here():
        run(clips, tmp_path / "whole", trc=True)
    log.write_text("")
    rng = random.Random(5)
    out = tmp_path / "out"
    killed = 0
    while killed < n_kills:
        enough = len(calls(log, "begun")) + rng.randint(1, 2)
        child = start(clips, out)
        while len(calls(log, "begun")) < enough and child.poll() is None:
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, seconds))
        if child.poll() is not None:
            break
        child.send_signal(signal.SIGKILL)
        child.wait()
        killed += 1
        # Nothing half written ever stands under a name that counts.
        for file in (out / "cache/measured").glob("*.json") if out.exists() else ():
            json.loads(file.read_text())
    assert killed == n_kills
    kept = set(json_names(out))
    before = len(calls(log, "begun"))
    run(clips, out, trc=True)
    # What was kept is not looked at again.
    assert not kept & set(calls(log, "begun")[before:])
    assert contents(out) == contents(tmp_path / "whole")
    paths = {p.name: p.read_bytes() for p in (out / "trajectories").iterdir()}
    whole = {p.name: p.read_bytes() for p in (tmp_path / "whole/trajectories").iterdir()}
    assert paths == whole
    assert not [p for p in out.rglob(".*.part-*")]
    # Each kill costs at most the clips that were just being looked at.
    assert len(calls(log, "begun")) <= n_clips + 1 + 2 * killed


def json_names(out: Path) -> list[str]:
    """Clips whose detections are kept."""
    places = (out / "cache/detected").glob("[0-9a-f]*")
    return [json.loads((p / "summary.json").read_text())["calibration"]["mark"] for p in places]


def test_killed_once_and_taken_up(tmp_path):
    kill_and_resume(tmp_path, n_clips=6, n_kills=1, seconds=0.5)


@pytest.mark.slow
def test_killed_ten_times_and_taken_up(tmp_path):
    kill_and_resume(tmp_path, n_clips=40, n_kills=10, seconds=1.0)


def test_dask_that_does_not_answer(tmp_path):
    pytest.importorskip("distributed")
    clips, _ = fake_block(tmp_path, 1)
    with pytest.raises(OptionError, match="scheduler"):
        run(clips, tmp_path / "out", dask="nonsense")


@pytest.mark.slow
def test_dask_cluster_with_a_worker_killed_mid_run(tmp_path):
    pytest.importorskip("distributed")
    clips, log = fake_block(tmp_path, 8, seconds=0.5)
    write_clip(clips / "bad.mp4", log, fate="no rep")
    with (clips / "block.csv").open("a") as sheet:
        sheet.write("bad.mp4,Ada,2026-10-01,60,flared,red\n")
    run(clips, tmp_path / "whole")
    log.write_text("")
    file = tmp_path / "scheduler.json"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}

    def launch(what: str, *options: str) -> subprocess.Popen:
        command = [sys.executable, "-m", f"distributed.cli.dask_{what}", *options]
        return subprocess.Popen(
            command, cwd=ROOT, env=environment, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL
        )

    scheduler = launch("scheduler", "--port", "0", "--no-dashboard", "--scheduler-file", str(file))
    workers = []
    try:
        deadline = time.monotonic() + 240
        while not (file.exists() and file.read_text().strip()):
            assert time.monotonic() < deadline
            time.sleep(0.1)
        address = json.loads(file.read_text())["address"]
        options = [address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        workers = [launch("worker", *options) for _ in range(2)]

        def kill_one():
            while len(calls(log, "ended")) < 2:
                time.sleep(0.02)
            workers[0].kill()

        killer = threading.Thread(target=kill_one)
        killer.start()
        summary = run(clips, tmp_path / "out", dask=address)
        killer.join()
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()
    assert summary.n_failed == 1
    assert contents(tmp_path / "out") == contents(tmp_path / "whole")
    assert len(calls(log, "begun")) >= 9


def test_the_programme_is_the_pipeline():
    from barpath.analysis import pipeline

    assert function_named(Programme().detect) is pipeline.analyse
    assert function_named(Programme().measure) is pipeline.remeasure


@pytest.mark.slow
def test_a_true_clip_gives_what_analysing_it_gives(tmp_path):
    """Through worker, cache and table, up to the nine digits that are kept."""
    import barpath

    source = ROOT / "sample_clips_synthetic" / "ql_portrait_side.mp4"
    (tmp_path / "clips").mkdir()
    clip = tmp_path / "clips" / "Ada_2026-10-01_side_60kg_450mm.mp4"
    clip.write_bytes(source.read_bytes())
    (tmp_path / "clips" / "no-video.mp4").write_text("no video")
    analysis = AnalysisConfig(find_joints=False)
    settings = BlockConfig(analysis=analysis, workers=1)
    summary = run_block(plan_folder(tmp_path / "clips"), tmp_path / "out", settings)
    assert [name for name, _ in summary.failures] == ["no-video.mp4"]
    assert str(tmp_path) not in summary.failures[0][1]
    table = blockstore.read_table(tmp_path / "out")
    direct = barpath.analyse(clip, view="side", plate_mm=450, config=analysis)
    assert len(table) == len(direct.reps) == 1
    for name in ("range_of_motion_m", "mean_press_speed_m_s", "press_time_s"):
        np.testing.assert_allclose(table[name], direct.reps[name], rtol=1e-5)
        np.testing.assert_allclose(table[f"{name}_u95"], direct.reps[f"{name}_u95"], rtol=1e-3)
    kept = kept_sets(tmp_path / "out")
    assert (kept[clip.name] / STILL_FILE).is_file()


@pytest.mark.slow
@pytest.mark.skipif(n_cores() < 2, reason="needs two cores")
def test_two_workers_do_nearly_twice_the_work_of_one(tmp_path):
    """40 clips of busy work; whoever else uses the cores must leave them alone meanwhile."""
    if os.getloadavg()[0] > 0.7:
        pytest.skip("the cores are busy with something else")
    took = {}
    for workers in (1, 2):
        clips, _ = fake_block(tmp_path / str(workers), 40, busy_seconds=0.7)
        begun = []

        def watch(event, begun=begun):
            if event.kind == "stage" and not begun:
                begun.append(time.perf_counter())

        run(clips, tmp_path / str(workers) / "out", workers=workers, watch=watch)
        took[workers] = time.perf_counter() - begun[0]
    print(f"1 worker {40 / took[1]:.2f} clips/s, 2 workers {40 / took[2]:.2f} clips/s")
    assert took[1] / took[2] >= 1.8
