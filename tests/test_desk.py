"""The desk: its folder and guesses, its queue, what its server takes and refuses, and its pages."""

import contextlib
import dataclasses
import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import tracemalloc
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

import pytest

from barpath import block, cli, pipeline
from barpath.block import ClipEntry, plan_folder
from barpath.desk import Desk, DeskConfig, serving, shelf
from barpath.desk.queue import DONE, FAILED, STOPPED, WAITING, WORKING, Queue
from barpath.desk.shelf import OWN, Clip
from barpath.desk.tasks import SET
from barpath.errors import OptionError, OutputError
from barpath.store import read_results, write_results
from tests.browser import complaints, sized, until
from tests.fake_desk import PROGRAMME, film
from tests.made_detections import made_result

HOSTILE = '"><img src=x onerror=alert(1)>\u202e.mp4'


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("films")
    return {view: film(view, folder / f"{view}.mp4") for view in ("front", "side")}


@contextlib.contextmanager
def opened(home: Path) -> Iterator[SimpleNamespace]:
    desk = Desk(home, DeskConfig(programme=PROGRAMME, spare_bytes=0))
    with serving(desk) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            parts = urlsplit(server.address)
            yield SimpleNamespace(
                desk=desk,
                home=desk.home,
                address=server.address,
                port=parts.port,
                base=parts.path,
                thread=thread,
            )
        finally:
            server.shutdown()
            thread.join()


def ask(
    page: SimpleNamespace,
    path: str,
    form: dict[str, Any] | None = None,
    body: Any = None,
    **headers: str,
) -> SimpleNamespace:
    link = http.client.HTTPConnection("127.0.0.1", page.port, timeout=240)
    method = "GET" if form is None and body is None else "POST"
    if form is not None:
        body = urlencode(form, doseq=True).encode()
        headers = {"Content-Type": "application/x-www-form-urlencoded"} | headers
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    try:
        link.request(method, page.base + path, body, sent)
        answer = link.getresponse()
        return SimpleNamespace(
            status=answer.status, headers=answer.headers, body=answer.read().decode("utf-8")
        )
    finally:
        link.close()


def upload(page: SimpleNamespace, name: str, data: bytes) -> str:
    answer = ask(page, f"own/upload?name={quote(name)}&modified=1772445600000", body=data)
    assert answer.status == 200, answer.body
    return json.loads(answer.body)["name"]


def waited(true: Any, limit_s: float = 240.0) -> Any:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if value := true():
            return value
        time.sleep(0.05)
    raise AssertionError("never came true")


def settled(page: SimpleNamespace) -> list[Any]:
    """All jobs, once none waits or is at work."""
    return waited(
        lambda: (
            all(j.state not in (WAITING, WORKING) for j in page.desk.queue.jobs())
            and page.desk.queue.jobs()
        )
    )


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
    got, sources = shelf.guess(name, None, datetime(2026, 3, 2, 12, tzinfo=UTC))
    assert {key: got.get(key) for key in values} == values
    assert set(sources) == set(got)
    if name[0] in "IDV2":
        assert "lifter" not in got
        assert "technique" not in got


def test_guess_prefers_the_name_then_the_clip_then_the_file() -> None:
    day = [datetime(2026, 3, n, 12, tzinfo=UTC) for n in (1, 2)]
    assert shelf.guess("IMG_0001.mp4", *day)[1]["date"] == shelf.FROM_CLIP
    assert shelf.guess("IMG_0001.mp4", None, day[1])[1]["date"] == shelf.FROM_FILE
    assert shelf.guess("a_2026-01-05.mp4", *day)[0]["date"] == "2026-01-05"
    before = ClipEntry(Path("x"), "x", lifter="Ada")
    values, sources = shelf.guess("IMG_0001.mp4", None, None, before)
    assert (values["lifter"], sources["lifter"]) == ("Ada", shelf.AS_BEFORE)


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
    assert shelf.safe_name(given) == kept


@pytest.mark.parametrize("name", ["", "notes.txt", "mp4", ".mp4.exe", "a.mp4/"])
def test_what_is_no_clip_is_refused(name: str) -> None:
    with pytest.raises(OptionError, match="does not end"):
        shelf.safe_name(name)


def test_stems_differ_where_names_do() -> None:
    names = ["a.mp4", "a.mov", "a-mp4.mp4", "x/a.mp4", "x_a.mp4", "ä.mp4", "a b.mp4", "a_b.mp4"]
    assert len({shelf.stem_of(name) for name in names}) == len(names)
    assert all(re.fullmatch(r"[\w.-]+", shelf.stem_of(name)) for name in names)


def test_clips_of_one_time_are_offered_as_a_pair(monkeypatch: pytest.MonkeyPatch) -> None:
    begun = {"front.mp4": 0, "side.mp4": 5, "later.mp4": 900, "other.mp4": 2}

    def recorded(path: Path) -> tuple[datetime, float]:
        return datetime(2026, 3, 2, 12, begun[path.name] // 60, tzinfo=UTC), 20.0

    monkeypatch.setattr(shelf, "recorded", recorded)

    def clip(name: str, lifter: str = "Ada", view: str = "auto") -> Clip:
        return Clip(ClipEntry(Path(name), name, lifter, "2026-03-02", view=view), name)

    one, two = clip("front.mp4", view="front"), clip("side.mp4")
    assert shelf.likely_pairs([one, two]) == [(one, two)]
    assert shelf.likely_pairs([one, clip("later.mp4")]) == []
    assert shelf.likely_pairs([one, clip("other.mp4", "Bo")]) == []
    assert shelf.likely_pairs([one, clip("side.mp4", view="front")]) == []
    paired = Clip(dataclasses.replace(two.entry, pair="1"), "side.mp4")
    assert shelf.likely_pairs([one, paired]) == []


# --- the folder -----------------------------------------------------------------------------------


def test_labels_are_those_that_a_block_reads(tmp_path: Path, films: dict[str, Path]) -> None:
    bench = shelf.open_desk(tmp_path / "desk")
    for name in ("one.mp4", "two.mp4"):
        shutil.copy(films["side"], bench.clips / name)
    shelf.write_labels(bench, {"one.mp4": {"lifter": "=Ada", "load_kg": "80"}})
    planned = {entry.name: entry for entry in plan_folder(bench.clips)}
    assert set(planned) == {"one.mp4", "two.mp4"}
    assert (planned["one.mp4"].lifter, planned["one.mp4"].load_kg) == ("=Ada", 80.0)
    # A column of the user's own, and what somebody wrote there meanwhile, stay.
    text = bench.sheet.read_text().replace("clip,lifter", "mood,clip,lifter")
    lines = [text.splitlines()[0], *(f"fine,{line}" for line in text.splitlines()[1:])]
    bench.sheet.write_text("\n".join(lines) + "\n")
    shelf.write_labels(bench, {"two.mp4": {"technique": "tucked"}})
    again = {entry.name: entry for entry in plan_folder(bench.clips)}
    assert again["two.mp4"].technique == "tucked"
    assert again["one.mp4"].labels == (("mood", "fine"),)
    assert again["one.mp4"].lifter == "=Ada"


def test_details_changed_in_another_window_are_not_written_over(
    tmp_path: Path, films: dict[str, Path]
) -> None:
    bench = shelf.open_desk(tmp_path / "desk")
    shutil.copy(films["side"], bench.clips / "one.mp4")
    mark = shelf.labels_mark(shelf.entries_of(bench)[0])
    shelf.set_labels(bench, "one.mp4", {"lifter": "Ada"}, mark)
    with pytest.raises(OptionError, match="another window"):
        shelf.set_labels(bench, "one.mp4", {"lifter": "Bo"}, mark)
    assert shelf.entries_of(bench)[0].lifter == "Ada"
    now = shelf.labels_mark(shelf.entries_of(bench)[0])
    with pytest.raises(OptionError, match="between 1 and 600"):
        shelf.set_labels(bench, "one.mp4", {"load_kg": "9000"}, now)


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
        shelf.remove(bench, clip.name)


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
        "from barpath.desk import Desk, DeskConfig\n"
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
    with opened(home) as page:
        jobs = settled(page)
    assert [j.state for j in jobs] == [DONE, DONE]
    assert calls.read_text().split().count("one_side.mp4") == 1
    assert read_results(home / "sets" / "slow_side-mp4").view == "side"
    # The block is the one that the command line would go on with.
    done = block.run(
        plan_folder(bench.clips),
        bench.block,
        block.BlockConfig(programme=PROGRAMME.block),
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
        config = block.BlockConfig(programme=PROGRAMME.block)
        block.run(plan_folder(bench.clips), bench.block, config)
        before = (bench.block / "reps.csv").read_bytes()
        page.desk.queue.add(SET, bench, ["one_side.mp4"])
        assert [j.state for j in settled(page)] == [DONE]
        assert (bench.block / "reps.csv").read_bytes() == before
        assert sorted((page.home / "calls.txt").read_text().split()) == [
            "one_side.mp4",
            "two_side.mp4",
        ]


def test_a_clip_taken_off_is_kept_aside(tmp_path: Path, films: dict[str, Path]) -> None:
    with opened(tmp_path / "desk") as page:
        kept = upload(page, "Ada_side.mp4", films["side"].read_bytes())
        settled(page)
        shelf.write_labels(page.desk.own, {kept: {"technique": "tucked"}})
        folder = page.desk.own.set_folder(kept)
        folder.mkdir(parents=True)
        assert ask(page, "own/do", {"do": "remove", "pick": "Ada_side-mp4"}).status == 303
        assert {p.name for p in (page.home / "removed").iterdir()} == {
            "Ada_side.mp4",
            "Ada_side-mp4.results",
        }
        assert shelf.entries_of(page.desk.own) == []
        assert page.desk.queue.jobs() == []
        assert "No clips yet" in ask(page, "own/").body


# --- the server -----------------------------------------------------------------------------------


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
        stem = shelf.stem_of(kept)
        assert "<img src=x" not in ask(page, f"own/clip/{stem}").body
        # Labels are text of the user's too.
        mark = shelf.labels_mark(shelf.entries_of(page.desk.own)[0])
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
            ({"do": "pair", "pick": stems[:1]}, "Pick the two"),
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
    command = [sys.executable, "-c", "from barpath.cli import main; main()", "desk"]
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


# --- the pages in a browser -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def axe() -> str:
    """The rules engine axe-core as one script; "" where it is not installed."""
    found = find_spec("axe_playwright_python")
    if found is None:
        return ""
    return Path(found.submodule_search_locations[0], "axe.min.js").read_text("utf-8")


def faults(browser: Any, axe: str) -> list[str]:
    """What axe-core finds amiss: WCAG 2.2 at levels A and AA, and what it holds for good practice.

    Source: W3C, Web Content Accessibility Guidelines 2.2, by the rules of axe-core.
    """
    browser.execute_script(axe)
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
        " 'best-practice']}).then((r) => done(r.violations.map((v) => v.id + ': ' +"
        " v.nodes.map((n) => n.target.join(' ')).join('; '))))"
    )
    return list(found)


def dressed(browser: Any, scheme: str) -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})


def go(browser: Any, page: SimpleNamespace, path: str = "") -> None:
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get(page.address + path)


def element(browser: Any, css: str) -> Any:
    return browser.find_element("css selector", css)


def pressed(browser: Any, identifier: str) -> None:
    """Press a button in the middle of the window, as soon as it is there."""
    until(browser, f"return document.getElementById({identifier!r}) !== null")
    browser.execute_script(
        "const e = document.getElementById(arguments[0]);"
        "e.scrollIntoView({block: 'center'}); e.click();",
        identifier,
    )


def picked(browser: Any, *stems: str) -> None:
    for stem in stems:
        pressed(browser, f"pick-{stem}")


def measured_sets(page: SimpleNamespace, films: dict[str, Path], **names: str) -> None:
    """Clips on the desk that are measured already: by name, the view."""
    for name, view in names.items():
        target = page.home / "clips" / f"{name}.mp4"
        target.write_bytes(films[view].read_bytes() + name.encode())
        page.desk.queue.add(SET, page.desk.own, [target.name])
    assert {j.state for j in settled(page)} == {DONE}


def link_of(stem: str, name: str) -> str:
    return f'document.querySelector(\'[id="{stem}"] a[href*="{name}"]\')'


def test_from_the_first_clip_to_the_first_report(
    browser: Any, axe: str, tmp_path: Path, films: dict[str, Path]
) -> None:
    clip = tmp_path / "IMG_0412.mp4"
    shutil.copy(films["side"], clip)
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        assert "No clips yet" in element(browser, "#sum").text
        element(browser, "#files").send_keys(str(clip))
        until(browser, "return document.getElementById('IMG_0412-mp4') !== null")
        row = "document.getElementById('IMG_0412-mp4').textContent"
        assert "Guessed from the file's date: day" in browser.execute_script(f"return {row}")
        # The film check comes by itself, with what to change.
        until(browser, f"return {row}.includes('Film check, from the side: 2 things to change')")
        assert "Set the phone to 60 frames a second" in browser.execute_script(f"return {row}")
        pressed(browser, "details-IMG_0412-mp4")
        until(browser, "return document.getElementById('save-measure') !== null")
        element(browser, "#lifter").send_keys("Mara of Quarry Lane")
        element(browser, "#load_kg").send_keys("82,5")
        element(browser, "#technique").send_keys("tucked")
        pressed(browser, "save-measure")
        until(browser, f"return {link_of('IMG_0412-mp4', 'report.html')} !== null")
        text = element(browser, "#IMG_0412-mp4").text
        assert "Mara of Quarry Lane" in text
        assert "82.5 kg" in text
        assert "Guessed" not in text
        assert "1 clip, 1 measured" in element(browser, "#sum").text
        assert complaints(browser) == []
        browser.get(browser.execute_script(f"return {link_of('IMG_0412-mp4', 'report')}.href"))
        assert "IMG_0412.mp4" in element(browser, "h1").text
        assert complaints(browser) == []
    result = read_results(page.home / "sets" / "IMG_0412-mp4")
    assert (result.source_name, result.options["load_kg"]) == ("IMG_0412.mp4", 82.5)
    (entry,) = plan_folder(page.home / "clips")
    assert (entry.lifter, entry.load_kg) == ("Mara of Quarry Lane", 82.5)


def test_clips_are_dropped_on_the_page(
    browser: Any, tmp_path: Path, films: dict[str, Path]
) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        browser.execute_script(
            "const data = new DataTransfer();"
            "for (const name of ['one.mp4', 'notes.txt', 'two.mp4'])"
            " data.items.add(new File(['no film'], name));"
            "const event = new Event('drop', {cancelable: true, bubbles: true});"
            "Object.defineProperty(event, 'dataTransfer', {value: data});"
            "document.getElementById('drop').dispatchEvent(event);"
        )
        until(browser, "return document.querySelectorAll('li.clip').length === 2")
        until(browser, "return document.querySelectorAll('#coming li').length === 1")
        said = element(browser, "#coming").text
        assert "notes.txt" in said
        assert "does not end as the name of a clip does" in said
        # What cannot be read says so at once.
        row = "document.getElementById('one-mp4').textContent"
        until(browser, f"return {row}.includes('is no video that can be read')")
        assert str(tmp_path) not in browser.execute_script(f"return {row}")


def test_a_report_is_printed_and_saved_from_the_page(
    browser: Any, tmp_path: Path, films: dict[str, Path]
) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        measured_sets(page, films, one="side")
        go(browser, page, "own/")
        browser.execute_script(
            "window.prints = 0; new MutationObserver(() => { const f ="
            " document.getElementById('printed'); if (f) f.addEventListener('load', () => {"
            " f.contentWindow.print = () => { window.prints += 1; }; }, {capture: true}); })"
            ".observe(document.body, {childList: true});"
            "document.querySelector('a[data-print]').click()"
        )
        until(browser, "return document.getElementById('printed') !== null")
        title = "document.getElementById('printed').contentDocument.querySelector('h1')"
        until(browser, f"return {title} !== null")
        assert "one.mp4" in browser.execute_script(f"return {title}.textContent")
        saved = ask(page, "own/out/sets/one-mp4/report.html?save=1")
        assert saved.headers["Content-Disposition"].startswith("attachment")
        assert saved.body == (page.home / "sets" / "one-mp4" / "report.html").read_text("utf-8")


def test_stopping_and_going_on(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        for name in ("slow_side.mp4", "one_side.mp4"):
            target = page.home / "clips" / name
            target.write_bytes(films["side"].read_bytes() + name.encode())
        go(browser, page)
        pressed(browser, "do-all")
        until(
            browser,
            "return [...document.querySelectorAll('#work li')].some((li) =>"
            " li.textContent.includes('Looking for the bar') &&"
            " li.textContent.includes('slow_side') && li.querySelector('progress').value === 0.25)",
        )
        key = next(j.task.key for j in page.desk.queue.jobs() if "slow_side.mp4" in j.task.clips)
        pressed(browser, f"stop-{key}")
        until(browser, f"return document.getElementById('go-{key}') !== null")
        assert "Stopped. What was finished is kept." in element(browser, "#work").text
        # The other goes on without it.
        until(browser, f"return {link_of('one_side-mp4', 'report.html')} !== null")
        states = {j.task.clips[0]: j.state for j in page.desk.queue.jobs()}
        assert states == {"slow_side.mp4": STOPPED, "one_side.mp4": DONE}
        assert not (page.home / "sets" / "slow_side-mp4").exists()
    # Opened anew, it is still stopped, until it is told to go on.
    (page.home / "go").touch()
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        assert "Stopped" in element(browser, "#work").text
        pressed(browser, f"go-{key}")
        until(browser, f"return {link_of('slow_side-mp4', 'report.html')} !== null")
        assert complaints(browser) == []


def test_what_failed_says_why_on_the_first_screen(
    browser: Any, tmp_path: Path, films: dict[str, Path]
) -> None:
    sized(browser, 390, 844)
    with opened(tmp_path / "desk") as page:
        (page.home / "clips").mkdir(exist_ok=True)
        shutil.copy(films["side"], page.home / "clips" / "empty_side.mp4")
        go(browser, page)
        pressed(browser, "do-all")
        until(browser, "return document.querySelector('.failed') !== null")
        said = element(browser, ".failed")
        assert "empty_side.mp4" in said.text
        assert "no repetition in its height" in said.text
        browser.execute_script("window.scrollTo(0, 0)")
        assert said.rect["y"] + said.rect["height"] < 844
        assert not browser.find_elements("css selector", "#empty_side-mp4 a[href*=report]")


def test_a_correction_from_the_desk(
    browser: Any, tmp_path: Path, films: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    from selenium.webdriver.common.keys import Keys

    def remeasure(result: Any, config: Any, *_: Any) -> Any:
        return dataclasses.replace(result, corrections=config.corrections)

    monkeypatch.setattr(pipeline, "remeasure", remeasure)
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        measured_sets(page, films, one="side")
        go(browser, page, "own/")
        browser.execute_script(f"{link_of('one-mp4', 'fix/')}.click()")
        until(browser, "return document.querySelectorAll('.point').length > 0")
        element(browser, "[data-name=left_elbow]").send_keys(Keys.ARROW_RIGHT * 3)
        pressed(browser, "save")
        until(browser, "return !document.getElementById('report').hidden")
        corrections = read_results(page.home / "sets" / "one-mp4").corrections
        assert [point.joint for point in corrections.joints] == ["left_elbow"]
        until(browser, "return document.getElementById('status').textContent.includes('is drawn')")
        element(browser, "#back a").click()
        until(browser, "return document.getElementById('bench') !== null")
        # Measured once more, with another load, it stays in force.
        mark = shelf.labels_mark(shelf.entries_of(page.desk.own)[0])
        ask(page, "own/clip/one-mp4", {"load_kg": "90", "view": "auto", "mark": mark})
        settled(page)
        again = read_results(page.home / "sets" / "one-mp4")
        assert again.corrections == corrections
        assert again.options["load_kg"] == 90.0
        assert complaints(browser) == []


def test_sets_side_by_side_by_picking(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        names = {"Ada_side_flared": "side", "Ada_side_tucked": "side"}
        measured_sets(page, films, **names)
        go(browser, page, "own/")
        picked(browser, *(f"{name}-mp4" for name in names))
        pressed(browser, "do-beside")
        until(browser, "return document.querySelector('#beside a[href*=beside]') !== null")
        link = element(browser, "#beside li a")
        assert link.text == "flared and tucked"
        browser.get(link.get_attribute("href"))
        assert "flared" in element(browser, "h1").text
        assert complaints(browser) == []


def test_two_clips_of_one_set(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        for view in ("front", "side"):
            name = f"Ada_2026-03-02_{view}_110kg_tucked.mp4"
            shutil.copy(films[view], page.home / "clips" / name)
            result = made_result(f"ql_tucked_{view}", noise_px=0.1, joint_px=1.0)
            stand_in = {"report.html": "<!DOCTYPE html><title>A report</title>"}
            write_results(result, page.desk.own.set_folder(name), artefacts=stand_in)
        go(browser, page)
        picked(browser, *(f"Ada_2026-03-02_{v}_110kg_tucked-mp4" for v in ("front", "side")))
        pressed(browser, "do-pair")
        until(browser, "return document.querySelector('#pairs a[href*=report]') !== null")
        assert "Ada 2026-03-02, set 1" in element(browser, "#pairs").text
        browser.get(element(browser, "#pairs a[href*=report]").get_attribute("href"))
        assert re.search(r"Wrists .* ± .* cm inside the elbows", element(browser, "body").text)
        assert complaints(browser) == []
        # The command line's block takes them for one set too.
        assert {entry.set_id for entry in plan_folder(page.home / "clips")} == {
            "Ada 2026-03-02 pair 1"
        }
        # One of them measured anew: the pair is out of date, and says so.
        (folder,) = (page.home / "pairs").iterdir()
        summary = page.desk.own.set_folder(name) / "summary.json"
        later = (folder / "summary.json").stat().st_mtime + 60
        os.utime(summary, (later, later))
        go(browser, page)
        assert "measured or put right since" in element(browser, "#pairs").text


def test_two_windows_do_no_harm(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        shutil.copy(films["side"], page.home / "clips" / "one_side.mp4")
        go(browser, page, "own/clip/one_side-mp4")
        first = browser.current_window_handle
        browser.switch_to.new_window("tab")
        browser.get(page.address + "own/clip/one_side-mp4")
        element(browser, "#lifter").clear()
        element(browser, "#lifter").send_keys("Mara")
        pressed(browser, "save")
        until(browser, "return document.getElementById('bench') !== null")
        browser.switch_to.window(first)
        element(browser, "#technique").clear()
        element(browser, "#technique").send_keys("tucked")
        pressed(browser, "save")
        until(browser, "return document.getElementById('problem') !== null")
        assert "another window" in element(browser, "#problem").text
        assert element(browser, "#lifter").get_attribute("value") == "Mara"
        # Both windows ask for the same set; it is measured once, and both show it.
        browser.get(page.address + "own/")
        for window in browser.window_handles:
            browser.switch_to.window(window)
            pressed(browser, "do-all")
        for window in browser.window_handles:
            browser.switch_to.window(window)
            until(browser, f"return {link_of('one_side-mp4', 'report.html')} !== null")
        assert (page.home / "calls.txt").read_text().split() == ["one_side.mp4"]
        browser.close()
        browser.switch_to.window(browser.window_handles[0])


def test_a_hostile_name_in_a_browser(browser: Any, tmp_path: Path, films: dict[str, Path]) -> None:
    clip = tmp_path / HOSTILE
    shutil.copy(films["side"], clip)
    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        element(browser, "#files").send_keys(str(clip))
        until(browser, "return document.querySelector('li.clip') !== null")
        assert browser.execute_script("return document.querySelectorAll('img').length") == 0
        picked(browser, browser.execute_script("return document.querySelector('li.clip').id"))
        pressed(browser, "do-measure")
        until(browser, "return document.querySelector('li.clip a[href*=report]') !== null")
        browser.get(element(browser, "li.clip a[href*=report]").get_attribute("href"))
        assert "_img src_x onerror_alert(1)_.mp4" in element(browser, "h1").text
        assert complaints(browser) == []


def test_pages_can_be_worked_by_keyboard(
    browser: Any, tmp_path: Path, films: dict[str, Path]
) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    def tab_to(identifier: str) -> None:
        for _ in range(60):
            ActionChains(browser).send_keys(Keys.TAB).perform()
            if browser.execute_script("return document.activeElement.id") == identifier:
                ring = "return getComputedStyle(document.activeElement).outlineStyle"
                assert browser.execute_script(ring) != "none"
                return
        raise AssertionError(f"{identifier} is not reached")

    sized(browser, 1280, 900)
    with opened(tmp_path / "desk") as page:
        for name in ("one_side.mp4", "slow_side.mp4"):
            (page.home / "clips" / name).write_bytes(films["side"].read_bytes() + name.encode())
        go(browser, page)
        tab_to("files")
        tab_to("pick-one_side-mp4")
        ActionChains(browser).send_keys(Keys.SPACE).perform()
        tab_to("details-one_side-mp4")
        tab_to("do-measure")
        ActionChains(browser).send_keys(Keys.ENTER).perform()
        until(browser, f"return {link_of('one_side-mp4', 'report.html')} !== null")
        until(browser, "return document.getElementById('told').textContent.includes('measured')")
        # What is shown anew does not take the focus away.
        tab_to("details-one_side-mp4")
        page.desk.queue.add(SET, page.desk.own, ["slow_side.mp4"])
        until(browser, "return !document.getElementById('work').hidden")
        (page.home / "go").touch()
        until(browser, f"return {link_of('slow_side-mp4', 'report.html')} !== null")
        focused = browser.execute_script("return document.activeElement.id")
        assert focused == "details-one_side-mp4"


def test_every_page_is_accessible_and_fits(
    browser: Any, axe: str, tmp_path: Path, films: dict[str, Path]
) -> None:
    if not axe:
        pytest.skip("axe-core is not installed")
    side, front, slow, empty = (
        f"{name}.mp4"
        for name in ("Ada_side_flared_pair1", "Ada_front_flared_pair1", "slow", "empty")
    )
    with opened(tmp_path / "desk") as page:
        go(browser, page)
        assert faults(browser, axe) == []
        measured_sets(page, films, **{Path(side).stem: "side"})
        for name in (front, slow, empty):
            (page.home / "clips" / name).write_bytes(films["side"].read_bytes() + name.encode())
        shelf.keep_known(page.desk.own, slow, guessed={"lifter": shelf.FROM_NAME})
        for kind, name in (("check", side), (SET, empty), (SET, slow)):
            page.desk.queue.add(kind, page.desk.own, [name])
        waited(lambda: any(j.state == FAILED for j in page.desk.queue.jobs()))
        waited(lambda: any(j.stage == "looking for the bar" for j in page.desk.queue.jobs()))
        waited(lambda: any(clip.check for clip in shelf.clips_of(page.desk.own)))
        stem = shelf.stem_of(side)
        pages = {
            "own/": "document.querySelector('progress') && document.querySelector('.failed')",
            f"own/clip/{stem}": "document.getElementById('save')",
            f"own/fix/{stem}/": "document.querySelector('.point')",
            f"folders?at={os.fsencode(tmp_path).hex()}": "document.getElementById('open')",
            "own/none": "document.querySelector('h1')",
        }
        looks = [(scheme, width) for scheme in ("light", "dark") for width in (390, 1280)]
        try:
            for scheme, width in looks:
                dressed(browser, scheme)
                sized(browser, width, 844)
                for path, ready in pages.items():
                    browser.get(page.address + path)
                    until(browser, f"return Boolean({ready})")
                    browser.execute_script(
                        "for (const d of document.querySelectorAll('details')) d.open = true;"
                    )
                    assert faults(browser, axe) == [], (path, scheme, width)
                    wide = browser.execute_script("return document.documentElement.scrollWidth")
                    assert wide <= width, path
        finally:
            dressed(browser, "")
