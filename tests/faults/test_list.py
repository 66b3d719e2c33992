"""Faults that were found once, each held by what was done and what is expected."""

import contextlib
import dataclasses
import http.client
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from barpath.analysis import pipeline, store
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections, PlatePoint, correct_track
from barpath.analysis.source import probe_same
from barpath.block import blockstore
from barpath.block.plan import plan_folder
from barpath.cli import commands as cli
from barpath.cli.blocks import MAX_FAILURES_TOLD
from barpath.clip import frames
from barpath.clip.streamstats import StreamStats
from barpath.errors import BarNotFoundError, ClipError, NoRepError, OptionError, OutputError
from barpath.ground import files, names, sheets
from barpath.page import touchup
from tests.faults import finder
from tests.test_block import fake_block, in_process, run  # noqa: F401
from tests.test_cli import noise_image, write_clip

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def stock(tmp_path_factory):
    return finder.make_stock(tmp_path_factory.mktemp("stock"))


def outcome(monkeypatch, *arguments) -> tuple[int, str]:
    monkeypatch.setattr(sys, "argv", ["barpath", *map(str, arguments)])
    return cli.outcome()


# --- folders --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["results", "old_results", "pair"])
def test_any_table_cut_in_half_is_named(stock, tmp_path, monkeypatch, kind):
    for source in sorted(getattr(stock, kind).glob("*.csv")):
        place = tmp_path / source.stem
        shutil.copytree(source.parent, place)
        data = source.read_bytes()
        # Also at the end of a line, where nothing looks wrong.
        middle = data.index(b"\n", len(data) // 2) + 1
        for cut in {len(data) // 2, middle} if kind != "old_results" else {len(data) // 2}:
            (place / source.name).write_bytes(data[:cut])
            code, sentence = outcome(monkeypatch, "rules", place)
            assert code == 6, (source.name, sentence)
            assert source.name in sentence
    code, _ = outcome(monkeypatch, "rules", getattr(stock, kind))
    assert code == 0


def test_a_corrected_result_is_no_damage(stock, tmp_path):
    result = store.read_results(stock.results)
    row = result.track.iloc[40]
    point = PlatePoint(int(row["frame"]), round(row["x_px"]) + 2.0, round(row["y_px"]) + 0.0)
    corrections = Corrections(plate=(point,))
    track = correct_track(result.track, corrections)
    track.loc[3, ["state", "state_tracked"]] = "lost"
    put_right = dataclasses.replace(result, track=track, corrections=corrections)
    back = store.read_results(store.write_results(put_right, tmp_path / "set"))
    assert back.corrections == corrections
    assert back.track["state_tracked"].tolist() == track["state_tracked"].tolist()


@pytest.mark.parametrize("name", ["track.csv", "camera.csv", "phases.csv", "measures.csv"])
def test_an_old_table_cut_at_the_end_of_a_line_is_found_out(stock, tmp_path, name):
    shutil.copytree(stock.old_results, tmp_path / "old")
    lines = (tmp_path / "old" / name).read_bytes().splitlines(keepends=True)
    (tmp_path / "old" / name).write_bytes(b"".join(lines[: len(lines) // 2]))
    with pytest.raises(OutputError, match=name):
        store.read_results(tmp_path / "old")


@pytest.mark.parametrize("kind", ["results", "old_results"])
@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("summary.json", lambda text: changed(text, calibration=None)),
        ("summary.json", lambda text: changed(text, options=None)),
        ("summary.json", lambda text: changed(text, options={"plate_mm": "wide"})),
        ("summary.json", lambda text: '{"a":' * 100_000),
        ("summary.json", lambda text: text[: len(text) // 2]),
        ("measures.csv", lambda text: ""),
        ("reps.csv", lambda text: ""),
        ("trajectory.csv", lambda text: text.partition("\n")[0] + "\n"),
        ("camera.csv", lambda text: ""),
        ("trajectory.csv", lambda text: text.replace("0.0", "o.o", 3)),
    ],
)
def test_a_damaged_file_is_named_by_every_reader(stock, tmp_path, monkeypatch, kind, name, change):
    place = tmp_path / "set"
    shutil.copytree(getattr(stock, kind), place)
    text = (place / name).read_text("utf-8")
    (place / name).write_text(change(text), "utf-8")
    for arguments in (("rules", place), ("touchup", place, "--port", "70000")):
        code, sentence = outcome(monkeypatch, *arguments)
        assert (code, name in sentence) == (6, True), sentence


def changed(text: str, **changes) -> str:
    return json.dumps(json.loads(text) | changes)


def test_a_folder_that_lost_its_manifest_is_damaged(stock, tmp_path):
    shutil.copytree(stock.results, tmp_path / "set")
    (tmp_path / "set" / files.MANIFEST_FILE).unlink()
    with pytest.raises(OutputError, match=files.MANIFEST_FILE):
        store.read_results(tmp_path / "set")


@pytest.mark.parametrize("name", ["failures.csv", "clips.csv", "reps.parquet", "manifest.json"])
@pytest.mark.parametrize("data", [b"", b"garbage\xff", b"a,b\n1,2\n"])
def test_a_damaged_list_of_a_block_is_named(stock, tmp_path, monkeypatch, name, data):
    shutil.copytree(stock.block, tmp_path / "block")
    (tmp_path / "block" / name).write_bytes(data)
    command = "compare" if name == "clips.csv" else "block-report"
    code, sentence = outcome(monkeypatch, command, tmp_path / "block", "--out", tmp_path / "out")
    assert (code, name in sentence) == (6, True), sentence
    assert not (tmp_path / "out").exists()


def test_a_reader_between_two_renames_sees_the_new_whole(tmp_path):
    files.commit(tmp_path, {"a": b"1", "b": b"1"})
    files.commit(tmp_path, {"a": b"2", "b": b"2"})
    # As a run leaves it that is killed when one of two files was renamed.
    (tmp_path / ".stage-00000000").mkdir()
    (tmp_path / "b").rename(tmp_path / ".stage-00000000" / "b")
    (tmp_path / "b").write_bytes(b"1")
    assert files.find_file(tmp_path, "a").read_bytes() == b"2"
    assert files.find_file(tmp_path, "b").read_bytes() == b"2"
    files.finish(tmp_path)
    assert (tmp_path / "b").read_bytes() == b"2"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b", "manifest.json"]


# --- names and cells ------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
def test_a_name_in_any_bytes_is_one_clip_among_others(tmp_path, in_process):  # noqa: F811
    clips, log = fake_block(tmp_path, 2)
    (clips / "block.csv").unlink()
    odd = [b"Ada_2026-01-02_a\xff.mp4", b"Bo_2026-01-02_\xe4.mp4"]
    for k, name in enumerate(odd):
        order = {"log": str(log), "name": "odd", "reps": 2, "k": k}
        (clips / os.fsdecode(name)).write_text(json.dumps(order))
    summary = run(clips, tmp_path / "out", trc=True)
    assert (summary.n_measured, summary.n_failed) == (4, 0)
    table = blockstore.read_table(tmp_path / "out")
    assert {r"Ada_2026-01-02_a\xff.mp4", r"Bo_2026-01-02_\xe4.mp4"} < set(table["clip"])
    assert len(list((tmp_path / "out" / "trajectories").iterdir())) == 4
    # A sheet names it as the tables do.
    (clips / "block.csv").write_text("clip\n" + r"Ada_2026-01-02_a\xff.mp4" + "\n")
    assert [e.fault for e in plan_folder(clips)] == [""]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
def test_a_video_with_a_name_in_any_bytes_is_decoded(stock, tmp_path):
    path = tmp_path / os.fsdecode(b"set\xff.mp4")
    shutil.copy(stock.clips[0], path)
    assert len(list(frames.stream(path))) == 30
    assert store.plain(path) == r"set\xff.mp4"


def test_told_names_are_told_apart_and_taken_back():
    parts = ["a", "\\", "\\x", "xff", "\udcff", "\\xff", "ff", "\udc80"]
    rng = np.random.default_rng(0)
    made = {"".join(rng.choice(parts, rng.integers(1, 6))) for _ in range(3000)}
    told = {name: names.told_name(name) for name in made}
    assert len(set(told.values())) == len(made)
    for name, text in told.items():
        assert names.name_on_disk(text) == name
        text.encode("utf-8")


def test_bar_paths_of_names_alike_do_not_overwrite_each_other(tmp_path, in_process):  # noqa: F811
    clips, log = fake_block(tmp_path, 1)
    (clips / "block.csv").unlink()
    for k, name in enumerate(("a b.mp4", "a_b.mp4", "a+b.mp4", "A_B.mp4")):
        (clips / name).write_text(json.dumps({"log": str(log), "name": name, "k": k}))
    run(clips, tmp_path / "out", trc=True)
    paths = {p.name for p in (tmp_path / "out" / "trajectories").iterdir()}
    assert len(paths) == len({p.casefold() for p in paths}) == 5
    (clips / "a b.mp4").unlink()
    run(clips, tmp_path / "out", trc=True)
    assert len(list((tmp_path / "out" / "trajectories").iterdir())) == 4


FORMULAS = [
    "=1+1",
    "+1",
    "-5",
    "@sum",
    "'=x",
    "\t=1",
    "＝1",
    " =2",
    "plain",
    "NA",
    "",
    "it's",
    "a\rb",
]


def test_no_cell_is_a_formula_and_each_reads_back(tmp_path):
    """What a spreadsheet takes for a formula is common practice, no source."""
    table = pd.DataFrame({"=head": FORMULAS, "value": np.linspace(-3, 3, len(FORMULAS))})
    path = tmp_path / "t.csv"
    path.write_bytes(sheets.csv_bytes(table))
    import csv

    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    for cell in [rows[0][0], *(row[0] for row in rows[1:])]:
        assert not cell.lstrip().startswith(("=", "+", "-", "@", "＝"))
    back = sheets.read_csv(path, lambda name: name == "=head")
    pd.testing.assert_frame_equal(back, table, check_dtype=False, rtol=1e-8)


def test_numbers_of_a_sheet_are_read_to_the_last_digit(tmp_path):
    """Over all exponents, against Python's own reading of the same text."""
    bits = np.random.default_rng(5).integers(0, 2**63, 20_000, dtype=np.uint64)
    made = [value for value in bits.view(np.float64).tolist() if np.isfinite(value)]
    path = tmp_path / "numbers.csv"
    path.write_text("\n".join(["value", *map(repr, made), ""]), encoding="utf-8")
    assert sheets.read_csv(path, lambda name: False)["value"].tolist() == made


def test_labels_of_a_block_are_guarded(tmp_path, in_process):  # noqa: F811
    clips, _ = fake_block(tmp_path, 1)
    (clips / "block.csv").write_text('clip,lifter,technique,=x\nset00.mp4,=Ada,-5,"@a"\n')
    run(clips, tmp_path / "out")
    for name in ("reps.csv", "clips.csv"):
        text = (tmp_path / "out" / name).read_text()
        assert "'=Ada" in text
        assert ",=" not in text
        assert ",-5," not in text
    table = blockstore.read_table(tmp_path / "out")
    assert (table["lifter"][0], table["technique"][0], table["=x"][0]) == ("=Ada", "-5", "@a")
    clips_read = blockstore.read_list(tmp_path / "out", "clips.csv", ("lifter",))
    assert clips_read["lifter"][0] == "=Ada"


# --- the cache ------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["measured", "detected", "failed"])
@pytest.mark.parametrize("how", [lambda data: data[: len(data) // 2], lambda data: b"[]"])
def test_a_damaged_entry_is_set_aside_and_looked_at_again(tmp_path, in_process, what, how):  # noqa: F811
    clips, log = fake_block(tmp_path, 2)
    (clips / "bad.mp4").write_text(json.dumps({"log": str(log), "name": "b", "fate": "no rep"}))
    (clips / "block.csv").unlink()
    out = tmp_path / "out"
    run(clips, out)
    tables = (out / "reps.csv").read_bytes(), (out / "failures.csv").read_bytes()
    entry = sorted((out / "cache" / what).iterdir())[0]
    file = entry / "summary.json" if entry.is_dir() else entry
    file.write_bytes(how(file.read_bytes()))
    summary = run(clips, out, trc=True)
    assert summary.n_set_aside == 1
    assert len(list((out / "cache" / "aside").iterdir())) == 1
    assert ((out / "reps.csv").read_bytes(), (out / "failures.csv").read_bytes()) == tables
    assert run(clips, out).n_set_aside == 0


# --- clips ----------------------------------------------------------------------------------------


def flipped(path: Path, packets: list[int], size_px=(320, 180), n=90, gop=15) -> Path:
    """A clip with one bit turned in the middle of some packets."""
    import av

    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height = size_px
        stream.pix_fmt = "yuv420p"
        stream.options = {"g": str(gop), "bf": "0", "sc_threshold": "0"}
        for k in range(n):
            image = np.roll(noise_image(), 2 * k, axis=0)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(image, "rgb24")))
        container.mux(stream.encode(None))
    data = bytearray(path.read_bytes())
    with av.open(str(path)) as container:
        places = [(p.pos, p.size) for p in container.demux(video=0) if p.size]
    for k in packets:
        position, size = places[k]
        for at in range(size // 3, size - 8, max(size // 12, 1)):
            data[position + at] ^= 0x5A
    path.write_bytes(data)
    return path


def test_a_damaged_key_frame_costs_little_though_there_is_no_other(tmp_path):
    stats = StreamStats()
    got = list(frames.stream(flipped(tmp_path / "a.mp4", [0], gop=250), stats=stats))
    assert len(got) >= 80
    assert got[0].index > 0
    assert stats.n_doubtful == len(got)
    assert f"({stats.undecodable[0][0]} to" in stats.sentences()[0]


def test_damage_is_named_where_nothing_was_found(tmp_path):
    clip = flipped(tmp_path / "a.mp4", [40])
    with pytest.raises((BarNotFoundError, NoRepError), match=r"damaged: \d+ frames? cannot be dec"):
        pipeline.analyse(clip, config=AnalysisConfig(find_joints=False))


@pytest.mark.parametrize("side_px", [2, 4, 8, 16, 32, 46])
def test_a_picture_too_small_is_refused(tmp_path, side_px):
    clip = finder.write_media(tmp_path / "a.mkv", n=8, sizes_px=((side_px, side_px),))
    with pytest.raises(ClipError, match=f"{side_px} x {side_px}"):
        pipeline.analyse(clip)


@pytest.mark.parametrize("side_px", [48, 64])
def test_a_picture_just_large_enough_shows_no_bar(tmp_path, side_px):
    clip = finder.write_media(tmp_path / "a.mkv", n=30, sizes_px=((side_px, side_px),))
    with pytest.raises(BarNotFoundError):
        pipeline.analyse(clip, config=AnalysisConfig(find_joints=False))


def test_a_change_of_the_pictures_size_is_noted(tmp_path):
    clip = finder.write_media(tmp_path / "a.mkv", n=20, sizes_px=((96, 64), (128, 96)))
    stats = StreamStats()
    shapes = {frame.image.shape for frame in frames.stream(clip, stats=stats)}
    assert shapes == {(64, 96, 3)}
    assert stats.resized == (10, (96, 64), (128, 96))
    assert "at frame 10 from 96 x 64 to 128 x 96" in stats.sentences()[0]


# --- options, sheets and pages --------------------------------------------------------------------


@pytest.mark.parametrize("amount", ["nan", "inf", "0", "-1"])
def test_an_amount_of_memory_that_is_none(tmp_path, monkeypatch, amount):
    assert outcome(monkeypatch, "block", tmp_path, "--memory-gb", amount)[0] == 2


def test_limits_are_told_in_the_unit_they_are_given_in(monkeypatch):
    code, sentence = outcome(monkeypatch, "analyse", "a.mp4", "--upper-arm-cm", "310")
    assert code == 2
    assert "between 15 and 60 cm, not 310" in sentence
    with pytest.raises(OptionError, match="between 100 and 250 cm, not 25"):
        AnalysisConfig(stature_m=0.25)


def test_a_number_that_is_none_gives_one_sentence(monkeypatch, capfd):
    code, sentence = outcome(monkeypatch, "analyse", "a.mp4", "--plate-mm", "abc")
    assert (code, "\n" in sentence, "--plate-mm" in sentence) == (2, False, True)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    "text", ['[[clip]]\nclip = ["a.mp4"]\n', 'clip = ["a.mp4"]\n', "x=" + "[" * 9000]
)
def test_a_sheet_of_another_form(tmp_path, text):
    (tmp_path / "block.toml").write_text(text)
    with contextlib.suppress(OptionError):
        assert plan_folder(tmp_path)[0].fault


@pytest.mark.parametrize("before", ["\n", "\n\n \n", ",,\n", "\ufeff\n"])
def test_blank_lines_before_the_heading_of_a_sheet(tmp_path, before):
    (tmp_path / "block.csv").write_text(before + "clip,lifter\n\na.mp4,Ada\n", "utf-8")
    (entry,) = plan_folder(tmp_path)
    assert (entry.name, entry.lifter) == ("a.mp4", "Ada")


def test_few_lines_for_many_clips_that_failed(tmp_path, monkeypatch, capfd):
    clips = tmp_path / "clips"
    clips.mkdir()
    (clips / "block.csv").write_text("clip\n" + "".join(f"{k}.mp4\n" for k in range(500)))
    code, sentence = outcome(monkeypatch, "block", clips, "--out", tmp_path / "out")
    told = capfd.readouterr().err.splitlines()
    assert (code, len(told)) == (7, MAX_FAILURES_TOLD + 1)
    assert "490 more" in told[-1]
    assert "failures.csv" in sentence


def test_no_scheduler_leaves_no_block(tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    clips, _ = fake_block(tmp_path, 1)
    from barpath.errors import OptionError as Refused

    def none_there(jobs, address, config, done):
        raise Refused(f"No Dask scheduler answers at {address!r}.")

    monkeypatch.setattr("barpath.block.run.run_dask", none_there)
    with pytest.raises(Refused):
        run(clips, tmp_path / "out", dask="tcp://127.0.0.1:1")
    assert not (tmp_path / "out").exists()


def test_a_block_without_stills_is_compared_in_silence(stock, tmp_path, monkeypatch, capfd):
    shutil.copytree(stock.block, tmp_path / "block")
    code, _ = outcome(monkeypatch, "compare", tmp_path / "block", "--out", tmp_path / "pages")
    assert (code, capfd.readouterr().err) == (0, "")


# --- the correction page --------------------------------------------------------------------------


def measured_from(clip: Path):
    """A result that says it was measured from a clip."""
    result = store.read_results(measured_from.stock)
    info = dataclasses.replace(frames.probe(clip), sha256=files.sha256_of(clip))
    track = pd.DataFrame({"frame": np.arange(info.n_frames), "time_s": info.times_s})
    return dataclasses.replace(result, info=info, track=track)


def test_another_clip_of_the_same_size_is_refused(stock, tmp_path):
    measured_from.stock = stock.results
    clip = finder.write_media(tmp_path / "a.mp4")
    result = measured_from(clip)
    other = finder.write_media(tmp_path / "b.mp4", sizes_px=((96, 64), (96, 64)))
    assert frames.probe(other).n_frames == result.info.n_frames
    assert probe_same(result, clip).n_frames == 30
    with pytest.raises(OptionError, match="not the clip"):
        probe_same(result, other)
    # Results of before the hash was kept: the times of the frames tell.
    old = dataclasses.replace(result, info=dataclasses.replace(result.info, sha256=""))
    assert probe_same(old, clip)
    slower = finder.write_media(tmp_path / "c.mp4", stamps=lambda k: k + (k > 20))
    with pytest.raises(OptionError, match="other times"):
        probe_same(old, slower)


def test_two_lengths_of_a_request_are_refused():
    import threading

    class Bare:
        config = touchup.TouchupConfig()

        def close(self) -> None:
            """Nothing is at work."""

    with touchup.serving(Bare()) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            port = server.socket.getsockname()[1]
            link = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
            link.putrequest("POST", "/" + server.address.split("/", 3)[3] + "corrections")
            for name, value in (
                ("Content-Type", "application/json"),
                ("Content-Length", "2"),
                ("Content-Length", "20"),
            ):
                link.putheader(name, value)
            link.endheaders(b"{}")
            assert link.getresponse().status == 400
            link.close()
        finally:
            server.shutdown()
            thread.join()


# --- being stopped, and the disk ------------------------------------------------------------------


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_stopped_says_so(tmp_path, stop):
    write_clip(tmp_path / "clip.mp4", [noise_image()] * 10)
    # A test run in the background of a shell inherits that SIGINT is ignored.
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "import time\n"
        "from barpath.analysis import pipeline\n"
        "pipeline.analyse = lambda *a, **k: (print('at it', flush=True), time.sleep(120))\n"
        "from barpath.__main__ import main; main()"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, "analyse", "clip.mp4"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert process.stdout.readline() == "at it\n"
    process.send_signal(stop)
    _, errors = process.communicate(timeout=120)
    assert (process.returncode, errors) == (130, "barpath: stopped before it was done.\n")
    assert [p.name for p in tmp_path.iterdir()] == ["clip.mp4"]


@pytest.mark.parametrize("command", ["analyse", "pair", "photo", "block", "compare", "demo"])
@pytest.mark.parametrize("out", ["file/below", "/proc/none/out", "x" * 300, "a/" + "x" * 300])
def test_what_cannot_be_written_is_refused_before_the_work(
    stock, tmp_path, monkeypatch, command, out
):
    if out.startswith("/proc") and not Path("/proc").is_dir():
        pytest.skip("there is no such place")
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("mine")
    Path("picture.png").write_bytes(b"")
    given = {"pair": ["a.mp4", "b.mp4"], "block": [stock.block.parent / "fake"]}
    given |= {"compare": [stock.block], "photo": ["picture.png"], "demo": []}

    def work(*_: object, **__: object) -> None:
        raise AssertionError("the work was begun")

    for place in ("barpath.analysis.pipeline.analyse", "barpath.analysis.pairset.read_or_analyse",
                  "barpath.sight.pose.estimate_pose_image", "barpath.block.run.make_jobs",
                  "barpath.report.comparepage.compare_files"):  # fmt: skip
        monkeypatch.setattr(place, work)
    code, sentence = outcome(monkeypatch, command, *given.get(command, ["a.mp4"]), "--out", out)
    assert code == 6, sentence
    assert Path("file").read_text() == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "picture.png"]


@pytest.mark.parametrize("at", ["annotated.mp4", "rep1_touch.jpg", "reps.csv", "manifest.json"])
def test_a_full_disk_is_told_with_the_users_path(stock, tmp_path, monkeypatch, at):
    """The disk fills up while one of the files is written, whatever library writes it."""
    import errno

    result = store.read_results(stock.results)
    write = Path.write_bytes

    def full(path: Path, data: bytes) -> int:
        if path.name == at:
            write(path, data[:3])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        return write(path, data)

    def video(path: Path) -> None:
        raise OutputError(f"{path} cannot be written: no space left.") from (
            OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)) if at == "annotated.mp4" else None
        )

    monkeypatch.setattr(Path, "write_bytes", full)
    shown = {"annotated.mp4": video} if at == "annotated.mp4" else {"rep1_touch.jpg": b"picture"}
    with pytest.raises(OutputError) as caught:
        store.write_results(result, tmp_path / "set", artefacts=shown)
    assert str(caught.value) == (
        f"The results cannot be written to '{tmp_path / 'set'}': the disk is full."
    )
    assert not list(tmp_path.iterdir())


def test_leftovers_of_a_killed_run_are_cleared_and_work_in_progress_is_not(stock, tmp_path):
    result = store.read_results(stock.results)
    dead = tmp_path / ".set.new-01234567"
    dead.mkdir()
    (dead / "half.csv").write_text("a")
    (tmp_path / ".set.part-01234567").write_text("half")
    check = store.check_target
    with files.staged_folder(tmp_path / "set", check) as (staging, _):
        assert sorted(tmp_path.iterdir()) == [staging]
        files.clear_leftovers(tmp_path / "set")
        assert staging.exists()
        store.write_results(result, staging / "inner")
    # Killed between two renames, where a system cannot let folders change places.
    (tmp_path / "set").rename(tmp_path / ".set.old-01234567")
    files.prepare(tmp_path / "set", lambda target: None)
    assert [p.name for p in tmp_path.iterdir()] == ["set"]


def test_temporary_folders_of_killed_runs_are_cleared(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    code = (
        "import sys, time, tempfile; tempfile.tempdir = sys.argv[1]\n"
        "from barpath.ground.files import scratch_folder\n"
        "with scratch_folder() as folder:\n"
        "    (folder / 'half').write_text('a'); print(folder, flush=True); time.sleep(120)"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    held = Path(process.stdout.readline().strip())
    mine = tmp_path / "barpath-notes"
    mine.mkdir()
    with files.scratch_folder() as own:
        assert own.exists()
        assert held.exists()
    process.kill()
    process.wait(60)
    assert held.exists()
    with files.scratch_folder():
        assert not held.exists()
    assert [p.name for p in tmp_path.iterdir()] == ["barpath-notes"]


def test_a_worker_whose_parent_was_killed_clears_its_folder(tmp_path):
    clips, log = fake_block(tmp_path, 1, seconds=60)
    scratch = tmp_path / "temporary"
    scratch.mkdir()
    code = (
        "import sys\nfrom tests.test_block import run\nfrom pathlib import Path\n"
        "if __name__ == '__main__':\n    run(Path(sys.argv[1]), Path(sys.argv[2]), workers=1)\n"
    )
    (tmp_path / "start.py").write_text(code)
    process = subprocess.Popen(
        [sys.executable, str(tmp_path / "start.py"), str(clips), str(tmp_path / "out")],
        env=os.environ | {"PYTHONPATH": str(ROOT), "TMPDIR": str(scratch)},
    )
    deadline = time.monotonic() + 120
    while not (log.exists() and "begun" in log.read_text()):
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert [p for p in scratch.iterdir() if p.name.startswith("barpath-")]
    process.kill()
    process.wait(60)
    while [p for p in scratch.iterdir() if p.name.startswith("barpath-")]:
        assert time.monotonic() < deadline + 60
        time.sleep(0.05)
