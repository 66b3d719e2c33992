"""The desk: its folder and guesses, its queue, what its server takes and refuses."""

import dataclasses
import http.client
import os
import re
import shutil
import signal
import subprocess
import sys
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import urlsplit

import pytest

from barpath.analysis.corrections import Corrections, JointPoint
from barpath.analysis.store import read_results
from barpath.block.jobs import BlockConfig, ClipEntry
from barpath.block.plan import plan_folder
from barpath.block.run import run as run_block
from barpath.cli import commands as cli
from barpath.errors import OptionError, OutputError
from barpath.page.desk import Desk, guesses, labels, naming, shelf, shown
from barpath.page.desk.queue import DONE, STOPPED, WAITING, Queue
from barpath.page.desk.shelf import OWN, Clip
from barpath.page.desk.tasks import PAGES, SET
from tests.fake_desk import PROGRAMME
from tests.in_process import here
from tests.opened_desk import HOSTILE, ask, opened, settled, upload, waited

# --- guesses and names ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("IMG_0412.MOV", {"date": "2026-03-02"}),
        ("DSCN0042.mp4", {"date": "2026-03-02"}),
        ("VID_20251224_181500.mp4", {"date": "2025-12-24"}),
        ("20251224_181500.mp4", {"date": "2025-12-24"}),
        ("mara_side_82.5kg.mp4", {"lifter": "mara", "view": "side", "load_kg": "82.5"}),
        ("bench day.mp4", {"lifter": "bench day"}),
    ],
)
def test_names_of_cameras_are_no_lifters(name: str, values: dict[str, str]) -> None:
    """JEITA CP-3461 (DCF), from memory: four free characters and four digits."""
    got, sources = guesses.guess(name, None, datetime(2026, 3, 2, 12, tzinfo=UTC))
    assert {key: got.get(key) for key in values} == values
    assert set(sources) == set(got)
    if name[0] in "IDV2":
        assert "lifter" not in got
        assert "technique" not in got


def test_guess_prefers_the_name_then_the_clip_then_the_file() -> None:
    day = [datetime(2026, 3, n, 12, tzinfo=UTC) for n in (1, 2)]
    assert guesses.guess("IMG_0001.mp4", *day)[1]["date"] == guesses.FROM_CLIP
    assert guesses.guess("IMG_0001.mp4", None, day[1])[1]["date"] == guesses.FROM_FILE
    assert guesses.guess("a_2026-01-05.mp4", *day)[0]["date"] == "2026-01-05"
    before = ClipEntry(Path("x"), "x", lifter="Ada")
    values, sources = guesses.guess("IMG_0001.mp4", None, None, before)
    assert (values["lifter"], sources["lifter"]) == ("Ada", guesses.AS_BEFORE)


@pytest.mark.quick
@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("../../etc/x.mp4", "x.mp4"),
        ("C:\\a\\set.mov", "set.mov"),
        (".hidden.mp4", "hidden.mp4"),
        ("nul.mp4", "_nul.mp4"),
        ("....mp4", "_.mp4"),
        ("a\x00\n\u202eb.mp4", "ab.mp4"),
        ("=1+1.mp4", "_1+1.mp4"),
        ("säge é.mp4", "säge é.mp4"),
    ],
)
def test_names_are_made_safe(given: str, kept: str) -> None:
    assert naming.safe_name(given) == kept


@pytest.mark.parametrize("name", ["", "notes.txt", "mp4", ".mp4.exe", "a.mp4/"])
def test_what_is_no_clip_is_refused(name: str) -> None:
    with pytest.raises(OptionError, match="does not end"):
        naming.safe_name(name)


def test_stems_differ_where_names_do() -> None:
    names = ["a.mp4", "a.mov", "a-mp4.mp4", "x/a.mp4", "x_a.mp4", "ä.mp4", "a b.mp4", "a_b.mp4"]
    assert len({naming.stem_of(name) for name in names}) == len(names)
    assert all(re.fullmatch(r"[\w.-]+", naming.stem_of(name)) for name in names)


def test_clips_of_one_time_are_offered_as_a_pair(monkeypatch: pytest.MonkeyPatch) -> None:
    begun = {"front.mp4": 0, "side.mp4": 5, "later.mp4": 900, "other.mp4": 2}

    def recorded(path: Path) -> tuple[datetime, float]:
        return datetime(2026, 3, 2, 12, begun[path.name] // 60, tzinfo=UTC), 20.0

    monkeypatch.setattr(guesses, "recorded", recorded)

    def clip(name: str, lifter: str = "Ada", view: str = "auto") -> Clip:
        return Clip(ClipEntry(Path(name), name, lifter, "2026-03-02", view=view), name)

    one, two = clip("front.mp4", view="front"), clip("side.mp4")
    assert guesses.likely_pairs([one, two]) == [(one, two)]
    assert guesses.likely_pairs([one, clip("later.mp4")]) == []
    assert guesses.likely_pairs([one, clip("other.mp4", "Bo")]) == []
    assert guesses.likely_pairs([one, clip("side.mp4", view="front")]) == []
    paired = Clip(dataclasses.replace(two.entry, pair="1"), "side.mp4")
    assert guesses.likely_pairs([one, paired]) == []


# --- the folder -----------------------------------------------------------------------------------


def test_labels_are_those_that_a_block_reads(tmp_path: Path, films: dict[str, Path]) -> None:
    bench = shelf.open_desk(tmp_path / "desk")
    for name in ("one.mp4", "two.mp4"):
        shutil.copy(films["side"], bench.clips / name)
    labels.write_labels(bench, {"one.mp4": {"lifter": "=Ada", "load_kg": "80"}})
    planned = {entry.name: entry for entry in plan_folder(bench.clips)}
    assert set(planned) == {"one.mp4", "two.mp4"}
    assert (planned["one.mp4"].lifter, planned["one.mp4"].load_kg) == ("=Ada", 80.0)
    # A column of the user's own, and what somebody wrote there meanwhile, stay.
    text = bench.sheet.read_text().replace("clip,lifter", "mood,clip,lifter")
    lines = [text.splitlines()[0], *(f"fine,{line}" for line in text.splitlines()[1:])]
    bench.sheet.write_text("\n".join(lines) + "\n")
    labels.write_labels(bench, {"two.mp4": {"technique": "tucked"}})
    again = {entry.name: entry for entry in plan_folder(bench.clips)}
    assert again["two.mp4"].technique == "tucked"
    assert again["one.mp4"].labels == (("mood", "fine"),)
    assert again["one.mp4"].lifter == "=Ada"


def test_details_changed_in_another_window_are_not_written_over(
    tmp_path: Path, films: dict[str, Path]
) -> None:
    bench = shelf.open_desk(tmp_path / "desk")
    shutil.copy(films["side"], bench.clips / "one.mp4")
    mark = labels.labels_mark(shelf.entries_of(bench)[0])
    labels.set_labels(bench, "one.mp4", {"lifter": "Ada"}, mark)
    with pytest.raises(OptionError, match="another window"):
        labels.set_labels(bench, "one.mp4", {"lifter": "Bo"}, mark)
    assert shelf.entries_of(bench)[0].lifter == "Ada"
    now = labels.labels_mark(shelf.entries_of(bench)[0])
    with pytest.raises(OptionError, match="between 1 and 600"):
        labels.set_labels(bench, "one.mp4", {"load_kg": "9000"}, now)


def test_clips_from_several_places_share_a_mark(tmp_path: Path, films: dict[str, Path]) -> None:
    bench = shelf.open_desk(tmp_path / "desk")
    names = [f"Ada_2026-03-02_{v}.mp4" for v in ("front", "side_a", "oblique_b", "front_c")]
    for name in (*names, "Bo_2026-03-02_side.mp4"):
        shutil.copy(films["side"], bench.clips / name)
    assert labels.join(bench, names[:2]) == "1"
    # A third joins those that have a mark already.
    assert labels.join(bench, [names[1], names[2]]) == "1"
    by_name = {entry.name: entry for entry in plan_folder(bench.clips)}
    assert [by_name[name].pair for name in names] == ["1", "1", "1", ""]
    assert len({by_name[name].set_id for name in names[:3]}) == 1
    with pytest.raises(OptionError, match="from the feet"):
        labels.join(bench, [names[0], names[3]])
    with pytest.raises(OptionError, match="different lifters"):
        labels.join(bench, [names[0], "Bo_2026-03-02_side.mp4"])
    with pytest.raises(OptionError, match="Pick the clips"):
        labels.join(bench, names[:1])


def test_a_desk_takes_no_folder_that_is_not_its_own(tmp_path: Path) -> None:
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "a.txt").write_text("mine")
    with pytest.raises(OutputError, match="not empty"):
        shelf.open_desk(tmp_path / "letters")
    newer = tmp_path / "newer"
    newer.mkdir()
    (newer / "desk.json").write_text('{"name": "barpath-desk", "version": 99}')
    with pytest.raises(OutputError, match="this version"):
        shelf.open_desk(newer)
    assert (tmp_path / "letters" / "a.txt").read_text() == "mine"


def test_a_folder_elsewhere_is_opened_and_left_as_it_is(
    tmp_path: Path, films: dict[str, Path]
) -> None:
    away = tmp_path / "away" / "week 1"
    away.mkdir(parents=True)
    shutil.copy(films["side"], away / "Bo_2026-03-05_side_60kg.mp4")
    desk = shelf.open_desk(tmp_path / "desk")
    bench = shelf.open_folder(desk.home, away.parent)
    assert shelf.benches(desk.home)[bench.key].clips == away.parent
    (clip,) = shelf.clips_of(bench)
    assert (clip.name, clip.entry.lifter) == ("week 1/Bo_2026-03-05_side_60kg.mp4", "Bo")
    assert [p.name for p in away.parent.rglob("*")] == ["week 1", "Bo_2026-03-05_side_60kg.mp4"]
    with pytest.raises(OptionError, match="no clip"):
        (tmp_path / "bare").mkdir()
        shelf.open_folder(desk.home, tmp_path / "bare")
    with pytest.raises(OptionError, match="no folder"):
        shelf.open_folder(desk.home, tmp_path / "none")
    with pytest.raises(OptionError, match="stay where they are"):
        labels.remove(bench, clip.name)


# --- the queue ------------------------------------------------------------------------------------


def test_queue_is_taken_up_where_it_was(tmp_path: Path) -> None:
    desk = shelf.open_desk(tmp_path / "desk")
    queue = Queue(desk.home, lambda: {OWN: desk})
    keys = [queue.add(SET, desk, [name]) for name in ("a.mp4", "b.mp4", "a.mp4")]
    assert keys[0] == keys[2]
    queue.stop([keys[1]])
    file = desk.home / "queue.json"
    file.write_text(file.read_text().replace('"waiting"', '"working"'))
    again = Queue(desk.home, lambda: {OWN: desk})
    assert [j.state for j in again.jobs()] == [WAITING, STOPPED]
    again.go_on([keys[1]])
    again.forget([keys[0]])
    assert [(j.task.key, j.state) for j in again.jobs()] == [(keys[1], WAITING)]
    file.write_text("{ half")
    assert Queue(desk.home, lambda: {OWN: desk}).jobs() == []


def test_what_changes_while_a_page_is_made_is_shown_anew(
    tmp_path: Path, films: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = Desk(tmp_path / "desk")
    shutil.copy(films["side"], desk.own.clips / "one_side.mp4")
    key = desk.queue.add(SET, desk.own, ["one_side.mp4"])
    assert shown.bench_shown(desk, desk.own)["version"] == shown.version_of(desk, desk.own)
    told = shown.labels_shown

    def told_late(entry: ClipEntry) -> list[str]:
        desk.queue.stop([key])
        return told(entry)

    monkeypatch.setattr(shown, "labels_shown", told_late)
    page = shown.bench_shown(desk, desk.own)
    assert [job["state"] for job in page["jobs"]] == [WAITING]
    assert page["version"] != shown.version_of(desk, desk.own)


def test_a_killed_program_goes_on_and_nothing_is_measured_twice(
    tmp_path: Path, films: dict[str, Path]
) -> None:
    home = tmp_path / "desk"
    bench = shelf.open_desk(home)
    for name in ("one_side.mp4", "slow_side.mp4"):
        (bench.clips / name).write_bytes(films["side"].read_bytes() + name.encode())
    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from barpath.page.desk import Desk, DeskConfig\n"
        "from tests.fake_desk import PROGRAMME\n"
        "if __name__ == '__main__':\n"
        "    desk = Desk(Path(sys.argv[1]), DeskConfig(programme=PROGRAMME))\n"
        "    for clip in ('one_side.mp4', 'slow_side.mp4'):\n"
        "        desk.queue.add('set', desk.own, [clip])\n"
        "    desk.queue.start()\n"
        "    time.sleep(600)\n"
    )
    (tmp_path / "program.py").write_text(code)
    root = str(Path(__file__).parents[1])
    process = subprocess.Popen(
        [sys.executable, str(tmp_path / "program.py"), str(home)],
        env=os.environ | {"PYTHONPATH": root},
    )
    calls = home / "calls.txt"
    try:
        waited(lambda: (home / "sets" / "one_side-mp4" / "report.html").exists())
        waited(lambda: calls.exists() and "slow_side" in calls.read_text())
    finally:
        process.kill()
        process.wait()
    (home / "go").touch()
    with opened(home, as_for_users=True) as page:
        jobs = settled(page)
    assert [j.state for j in jobs] == [DONE, DONE]
    assert calls.read_text().split().count("one_side.mp4") == 1
    assert read_results(home / "sets" / "slow_side-mp4").view == "side"
    # The block is the one that the command line would go on with.
    done = run_block(
        plan_folder(bench.clips),
        bench.block,
        BlockConfig(programme=PROGRAMME.block),
    )
    assert (done.n_measured, done.n_detected_now) == (2, 0)
    left = [p.name for p in home.rglob("*") if ".part-" in p.name or ".new-" in p.name]
    assert left == []


def test_what_the_command_line_measured_stays_in_the_tables(
    tmp_path: Path, films: dict[str, Path]
) -> None:
    with opened(tmp_path / "desk") as page:
        bench = page.desk.own
        for name in ("one_side.mp4", "two_side.mp4"):
            (bench.clips / name).write_bytes(films["side"].read_bytes() + name.encode())
        config = BlockConfig(programme=PROGRAMME.block)
        with here():
            run_block(plan_folder(bench.clips), bench.block, config)
        before = (bench.block / "reps.csv").read_bytes()
        page.desk.queue.add(SET, bench, ["one_side.mp4"])
        assert [j.state for j in settled(page)] == [DONE]
        assert (bench.block / "reps.csv").read_bytes() == before
        assert sorted((page.home / "calls.txt").read_text().split()) == [
            "one_side.mp4",
            "two_side.mp4",
        ]


def test_what_was_put_right_by_hand_is_in_the_tables(
    tmp_path: Path, films: dict[str, Path]
) -> None:
    with opened(tmp_path / "desk") as page:
        bench = page.desk.own
        for name in ("one_side.mp4", "two_side.mp4"):
            (bench.clips / name).write_bytes(films["side"].read_bytes() + name.encode())
            page.desk.queue.add(SET, bench, [name])
        settled(page)
        measured = bench.block / "cache" / "measured"
        assert len(list(measured.iterdir())) == 2
        mark = labels.labels_mark(shelf.entries_of(bench)[0])
        by_hand = Corrections(joints=(JointPoint(3, "left_elbow", 10.0, 20.0),))
        labels.keep_corrections(bench.clips / "one_side.mp4", by_hand)
        # Details that are open in another window can still be saved.
        assert labels.labels_mark(shelf.entries_of(bench)[0]) == mark
        page.desk.queue.add(PAGES, bench)
        assert settled(page)[-1].state == DONE
        assert len(list(measured.iterdir())) == 3
        assert len((page.home / "calls.txt").read_text().split()) == 2
        page.desk.queue.add(SET, bench, ["one_side.mp4"])
        settled(page)
        assert read_results(bench.set_folder("one_side.mp4")).corrections == by_hand
        labels.keep_corrections(bench.clips / "one_side.mp4", Corrections())
        assert not list(bench.clips.glob("*.corrections.json"))


def test_a_clip_taken_off_is_kept_aside(tmp_path: Path, films: dict[str, Path]) -> None:
    with opened(tmp_path / "desk") as page:
        kept = upload(page, "Ada_side.mp4", films["side"].read_bytes())
        settled(page)
        labels.write_labels(page.desk.own, {kept: {"technique": "tucked"}})
        by_hand = Corrections(joints=(JointPoint(3, "left_elbow", 10.0, 20.0),))
        labels.keep_corrections(page.home / "clips" / kept, by_hand)
        folder = page.desk.own.set_folder(kept)
        folder.mkdir(parents=True)
        assert ask(page, "own/do", {"do": "remove", "pick": "Ada_side-mp4"}).status == 303
        assert {p.name for p in (page.home / "removed").iterdir()} == {
            "Ada_side.mp4",
            "Ada_side.mp4.corrections.json",
            "Ada_side-mp4.results",
        }
        assert shelf.entries_of(page.desk.own) == []
        assert page.desk.queue.jobs() == []
        assert "No clips yet" in ask(page, "own/").body


# --- the server -----------------------------------------------------------------------------------


@pytest.mark.quick
def test_only_this_machine_and_this_page_are_answered(tmp_path: Path) -> None:
    with opened(tmp_path / "desk") as page:
        assert ask(page, "own/").status == 200
        for headers in (
            {"Host": "evil.example"},
            {"Origin": "https://evil.example"},
            {"Origin": "null"},
            {"Sec-Fetch-Site": "cross-site"},
        ):
            for path, form in (("own/", None), ("own/do", {"do": "measure-all"})):
                assert ask(page, path, form, **headers).status == 403
            assert ask(page, "own/upload?name=a.mp4", body=b"x", **headers).status == 403
        assert list((page.home / "clips").iterdir()) == []
        wrong = SimpleNamespace(port=page.port, base="/wrong/")
        assert ask(wrong, "own/").status == 404
        assert ask(page, "nowhere/").status == 404


@pytest.mark.quick
def test_answers_forbid_what_a_page_does_not_need(tmp_path: Path) -> None:
    with opened(tmp_path / "desk") as page:
        for path in ("own/", "own/state", "static/desk.js", "static/desk.css", "folders", "own/x"):
            headers = ask(page, path).headers
            assert "default-src 'none'" in headers["Content-Security-Policy"]
            assert "unsafe" not in headers["Content-Security-Policy"]
            assert headers["X-Content-Type-Options"] == "nosniff"
            assert headers["Cache-Control"] == "no-store"
            assert headers["Referrer-Policy"] in ("no-referrer", "same-origin")
            assert "Access-Control-Allow-Origin" not in headers
        folder = Path(shelf.__file__).parent
        for file in [*folder.glob("static/*"), *folder.glob("templates/*")]:
            text = file.read_text("utf-8")
            assert not re.search(r"https?:|src=.//|@import|url\(|innerHTML|\beval\b", text), file


@pytest.mark.quick
@pytest.mark.parametrize(
    "path",
    [
        "own/out/desk.json",
        "own/out/queue.json",
        "own/out/sets/../queue.json",
        "own/out/sets/%2e%2e/desk.json",
        "own/out/sets/link/report.html",
        "own/out/clips/block.csv",
        "own/out//etc/passwd",
        "own/clip/none",
        "own/fix/none/",
        "own/fix/none/state",
        "static/../server.py",
        "static/%2e%2e/server.py",
    ],
)
def test_nothing_but_results_can_be_fetched(tmp_path: Path, path: str) -> None:
    (tmp_path / "secret").mkdir()
    (tmp_path / "secret" / "report.html").write_text("secret")
    with opened(tmp_path / "desk") as page:
        (page.home / "sets").mkdir()
        (page.home / "sets" / "link").symlink_to(tmp_path / "secret")
        answer = ask(page, path)
        assert answer.status == 404
        assert "secret" not in answer.body


def test_scripts_in_what_was_made_elsewhere_never_run(tmp_path: Path) -> None:
    with opened(tmp_path / "desk") as page:
        folder = page.home / "sets" / "x"
        folder.mkdir(parents=True)
        (folder / "report.html").write_text("<script>alert(1)</script>")
        policy = ask(page, "own/out/sets/x/report.html").headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "script-src" not in policy
        saved = ask(page, "own/out/sets/x/report.html?save=1").headers["Content-Disposition"]
        assert saved == 'attachment; filename="x-report.html"'


def test_uploads_that_are_not_taken(tmp_path: Path) -> None:
    with opened(tmp_path / "desk") as page:
        assert ask(page, "own/upload?name=notes.txt", body=b"x").status == 400
        assert ask(page, "own/upload", body=b"x").status == 400
        headers = {"Transfer-Encoding": "chunked"}
        answer = ask(page, "own/upload?name=a.mp4", body=iter([b"x"]), **headers)
        assert answer.status == 411
        page.desk.config = dataclasses.replace(page.desk.config, spare_bytes=1 << 60)
        answer = ask(page, "own/upload?name=a.mp4", body=b"x")
        assert (answer.status, "room" in answer.body) == (507, True)
        # One that breaks off leaves nothing.
        page.desk.config = dataclasses.replace(page.desk.config, spare_bytes=0)
        link = http.client.HTTPConnection("127.0.0.1", page.port, timeout=60)
        link.putrequest("POST", f"{page.base}own/upload?name=a.mp4")
        link.putheader("Content-Length", "1000000")
        link.endheaders(b"x" * 1000)
        waited(lambda: any((page.home / "clips").iterdir()))
        link.close()
        waited(lambda: not any((page.home / "clips").iterdir()))
        assert page.desk.queue.jobs() == []


def test_a_name_that_is_there_already_gets_a_number(tmp_path: Path, films: dict[str, Path]) -> None:
    data = films["side"].read_bytes()
    with opened(tmp_path / "desk") as page:
        names = [upload(page, name, data) for name in ("a.mp4", "A.mp4", "x/a.mp4")]
        assert names == ["a.mp4", "A (2).mp4", "a (3).mp4"]
        page.desk.queue.stop([j.task.key for j in page.desk.queue.jobs()])


def test_a_hostile_name_is_stored_safely_and_shown_escaped(
    tmp_path: Path, films: dict[str, Path]
) -> None:
    with opened(tmp_path / "desk") as page:
        kept = upload(page, f"../{HOSTILE}", films["side"].read_bytes())
        assert re.fullmatch(r"[\w .()+,-]+\.mp4", kept)
        assert (page.home / "clips" / kept).is_file()
        body = ask(page, "own/").body
        assert "<img src=x" not in body
        assert kept in body
        stem = naming.stem_of(kept)
        assert "<img src=x" not in ask(page, f"own/clip/{stem}").body
        # Labels are text of the user's too.
        mark = labels.labels_mark(shelf.entries_of(page.desk.own)[0])
        hostile = {"lifter": '<script>"x"</script>', "mark": mark}
        assert ask(page, f"own/clip/{stem}", hostile).status == 303
        body = ask(page, "own/").body
        assert "<script>&" not in body
        assert "&lt;script&gt;" in body
        page.desk.queue.stop([j.task.key for j in page.desk.queue.jobs()])


def test_forms_that_make_no_sense_get_a_sentence(tmp_path: Path, films: dict[str, Path]) -> None:
    with opened(tmp_path / "desk") as page:
        for name in ("one_side.mp4", "two_side.mp4"):
            shutil.copy(films["side"], page.home / "clips" / name)
        stems = ["one_side-mp4", "two_side-mp4"]
        for form, words in (
            ({"do": "measure"}, "Pick the clips"),
            ({"do": "pair", "pick": stems[:1]}, "Pick the clips that show"),
            ({"do": "beside", "pick": stems}, "not measured yet"),
            ({"do": "beside", "pick": stems[:1]}, "from two to"),
            ({"do": "nothing"}, "not known"),
            ({}, "not known"),
        ):
            answer = ask(page, "own/do", form, Accept="text/html")
            assert answer.status == 400
            assert words in answer.body
        assert ask(page, "own/work", {"do": "x"}).status == 400
        assert ask(page, "own/do", body=b"{}", Content_Type="application/json").status == 415
        assert ask(page, "own/do", {"pick": "x"}, Content_Length="2000000").status == 413
        assert page.desk.queue.jobs() == []


def send_in_pieces(page: SimpleNamespace, n_bytes: int) -> None:
    """Send a clip of so many bytes, always the same piece."""
    piece = b"\0" * (1 << 20)
    link = http.client.HTTPConnection("127.0.0.1", page.port, timeout=600)
    link.putrequest("POST", f"{page.base}own/upload?name=long.mp4")
    link.putheader("Content-Length", str(n_bytes))
    link.endheaders()
    for _ in range(n_bytes // len(piece)):
        link.send(piece)
    answer = link.getresponse()
    assert answer.status == 200, answer.read()
    link.close()


@pytest.mark.parametrize(
    "n_bytes", [150 << 20, pytest.param(2 << 30, marks=pytest.mark.slow)], ids=["150MB", "2GB"]
)
def test_a_large_clip_goes_to_disk_without_memory_growing(tmp_path: Path, n_bytes: int) -> None:
    with opened(tmp_path / "desk") as page:
        tracemalloc.start()
        try:
            send_in_pieces(page, n_bytes)
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert peak < 40 << 20
        assert (page.home / "clips" / "long.mp4").stat().st_size == n_bytes
        page.desk.queue.stop([j.task.key for j in page.desk.queue.jobs()])


# --- the command ----------------------------------------------------------------------------------


def test_command_serves_until_closed_and_a_second_one_finds_the_first(tmp_path: Path) -> None:
    command = [sys.executable, "-c", "from barpath.cli.commands import main; main()", "desk"]
    command += [str(tmp_path / "desk"), "--no-open"]
    first = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        address = first.stdout.readline().split()[-1]
        file = tmp_path / "desk" / ".open.json"
        assert file.stat().st_mode & 0o077 == 0
        coming = tmp_path / "desk" / "clips" / ".upload.part-00000000"
        coming.write_bytes(b"half")
        second = subprocess.run(command, capture_output=True, text=True, timeout=240, check=True)
        assert second.stdout.split()[-1] == address
        assert coming.exists()
        parts = urlsplit(address)
        page = SimpleNamespace(port=parts.port, base=parts.path)
        assert ask(page, "own/").status == 200
        assert "desk is closed" in ask(page, "close", {}).body
        _, errors = first.communicate(timeout=240)
    finally:
        first.kill()
        first.wait()
    assert (first.returncode, errors) == (0, "")
    assert not file.exists()
    Desk(tmp_path / "desk")
    assert not coming.exists()


def test_command_says_in_one_sentence_what_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    for arguments, code in (([str(tmp_path)], 6), ([str(tmp_path / "d"), "--port", "-1"], 2)):
        monkeypatch.setattr(sys, "argv", ["barpath", "desk", "--no-open", *arguments])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        assert ended.value.code == code
        assert capsys.readouterr().err.count("\n") == 1
