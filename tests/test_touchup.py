"""The correction page: what its server refuses, what it gives, and the page in a real browser."""

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
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlsplit

import cv2
import numpy as np
import pytest

from barpath.analysis import pipeline, source
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import (
    Corrections,
    JointPoint,
    PlatePoint,
    corrections_data,
    read_corrections,
)
from barpath.analysis.following import Detected
from barpath.analysis.setresult import SetResult
from barpath.analysis.store import read_results, write_results
from barpath.cli import commands as cli
from barpath.clip.frames import probe, stream
from barpath.clip.lens import Lens, Straightener
from barpath.clip.sceneroll import SceneRoll
from barpath.clip.writer import VideoWriter
from barpath.errors import ClipError, OptionError, OutputError
from barpath.page import touchup
from barpath.report import output
from barpath.sight import pose
from tests.browser import complaints, sized, until
from tests.made_results import make_image, make_result

CLIP = "kiln-lane-thursday.mp4"
STEP = 10
"""So many frames of the made clip share a picture, which is what takes time to make."""


def measured(view: str, folder: Path) -> Path:
    """A small clip and the result folder of it, measured from made detections."""
    made = make_result(view, 1)
    clip = folder / CLIP
    with VideoWriter(clip, made.info.width_px, made.info.height_px, made.info.fps) as writer:
        for k, time_s in enumerate(made.track["time_s"]):
            if k % STEP == 0:
                image = make_image(made, k)
            writer.write(image, time_s)
    joints = made.pose.iloc[::2].copy()
    for joint in pose.JOINTS:
        for part in ("x_px", "y_px", "confidence"):
            if f"{joint}_{part}" not in joints:
                joints[f"{joint}_{part}"] = np.nan
    level = SceneRoll(0.2, 0.3, 9, "", 0.0, 0.5, np.nan, (np.nan, np.nan))
    seen = Detected(view, "given", made.track, made.camera, 0, level, joints)
    config = AnalysisConfig(view=view, plate_given=True, load_kg=82.5)
    result = pipeline.measure(probe(clip), seen, config)
    # Tests that do not save need no report of their own.
    stand_in = "<!DOCTYPE html><title>Report</title><p>A report.</p>"
    return write_results(result, folder / "set", artefacts={"report.html": stand_in})


@pytest.fixture(scope="module")
def front(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return measured("front", tmp_path_factory.mktemp("front"))


@pytest.fixture(scope="module")
def side(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return measured("side", tmp_path_factory.mktemp("side"))


def copied(folder: Path, target: Path) -> Path:
    shutil.copytree(folder.parent, target, dirs_exist_ok=True)
    return target / folder.name


@contextlib.contextmanager
def served(folder: Path, **options: Any) -> Iterator[SimpleNamespace]:
    session = touchup.Session(folder, **options)
    with touchup.serving(session) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            parts = urlsplit(server.address)
            yield SimpleNamespace(
                session=session, address=server.address, port=parts.port, base=parts.path
            )
        finally:
            server.shutdown()
            thread.join()


def ask(
    page: SimpleNamespace,
    path: str,
    method: str = "GET",
    body: Any = None,
    headers: dict[str, str | None] | None = None,
) -> SimpleNamespace:
    connection = http.client.HTTPConnection("127.0.0.1", page.port, timeout=120)
    sent = {"Host": f"127.0.0.1:{page.port}"}
    if body is not None:
        body = body if isinstance(body, bytes) else json.dumps(body).encode()
        sent |= {"Content-Type": "application/json", "Content-Length": str(len(body))}
    sent |= headers or {}
    connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    for name, value in sent.items():
        if value is not None:
            connection.putheader(name, value)
    connection.endheaders(body)
    answer = connection.getresponse()
    data = answer.read()
    connection.close()
    return SimpleNamespace(status=answer.status, headers=answer.headers, body=data)


def finished(session: touchup.Session, limit_s: float = 240.0) -> touchup.Job:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        job = session.job()
        if job.state != "running" and job.video != "drawing":
            return job
        time.sleep(0.02)
    raise AssertionError("the save did not end")


def elbow(result: SetResult, dx: float, dy: float) -> Corrections:
    row = result.pose.iloc[len(result.pose) // 2]
    return Corrections(
        (
            JointPoint(
                int(row["frame"]),
                "left_elbow",
                row["left_elbow_x_px"] + dx,
                row["left_elbow_y_px"] + dy,
            ),
        )
    )


# --- the server -----------------------------------------------------------------------------------


def test_server_is_bound_to_the_loopback_address_alone(front: Path) -> None:
    with touchup.serving(touchup.Session(front)) as server:
        assert server.socket.getsockname()[0] == "127.0.0.1"
        token = urlsplit(server.address).path.strip("/")
        assert len(token) >= 32
    with touchup.serving(touchup.Session(front)) as other:
        assert token not in other.address


@pytest.mark.parametrize(
    "path", ["/", "/state", "/x/state", "//state", "/wrong-token/", "/%C3%A9/"]
)
def test_without_the_token_nothing_is_told(front: Path, path: str) -> None:
    with served(front) as page:
        answer = ask(page, path)
        assert answer.status == 404
        assert page.base.strip("/").encode() not in answer.body
        assert CLIP.encode() not in answer.body


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "", None]
)
def test_another_host_name_is_refused(front: Path, host: str | None) -> None:
    """DNS rebinding: a page elsewhere may point its own name at this machine."""
    with served(front) as page:
        name = None if host is None else host.format(port=page.port)
        for method, path in (("GET", "state"), ("POST", "corrections")):
            answer = ask(page, page.base + path, method, headers={"Host": name})
            # Without any the request is not even well-formed (RFC 9112, section 3.2).
            assert answer.status == (400 if host is None else 403)
            assert CLIP.encode() not in answer.body
        assert (
            ask(page, page.base + "state", headers={"Host": f"localhost:{page.port}"}).status == 200
        )


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_requests_of_other_pages_are_refused(front: Path, headers: dict[str, str]) -> None:
    with served(front) as page:
        body = corrections_data(Corrections())
        assert ask(page, page.base + "corrections", "POST", body, headers).status == 403
        assert ask(page, page.base + "state", headers=headers).status == 403
        assert page.session.job().state == "idle"


def test_answers_forbid_what_a_page_does_not_need(front: Path) -> None:
    with served(front) as page:
        for path in ("", "touchup.js", "touchup.css", "report.css", "state", "job", "nothing"):
            answer = ask(page, page.base + path)
            policy = answer.headers["Content-Security-Policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert "frame-ancestors 'none'" in policy
            assert answer.headers["X-Content-Type-Options"] == "nosniff"
            assert answer.headers["Referrer-Policy"] == "no-referrer"
            assert answer.headers["Cache-Control"] == "no-store"
            assert "Access-Control-Allow-Origin" not in answer.headers
            assert "Python" not in answer.headers.get("Server", "")


def test_page_names_nothing_outside_itself() -> None:
    assets = touchup.ASSETS
    for name in ("touchup.html", "touchup.css", "touchup.js"):
        text = (assets / name).read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?:|//[a-z]|@import|url\(|innerHTML|\beval\b", text), name


@pytest.mark.parametrize(
    ("body", "headers", "status", "words"),
    [
        (b"{", {}, 400, "no JSON"),
        (b"[]", {}, 400, "no corrections"),
        (b"\xff", {}, 400, "no JSON"),
        (b"{}", {"Content-Type": "text/plain"}, 415, "as application/json"),
        (b"{}", {"Content-Type": "multipart/form-data"}, 415, "as application/json"),
        (b"", {"Content-Length": None, "Transfer-Encoding": "chunked"}, 411, "length"),
        (b"", {"Content-Length": "1000001"}, 413, "too large"),
        (b"", {"Content-Length": "9" * 15}, 413, "too large"),
    ],
)
def test_posts_that_are_not_taken(
    front: Path, body: bytes, headers: dict, status: int, words: str
) -> None:
    with served(front) as page:
        answer = ask(page, page.base + "corrections", "POST", body, headers)
        assert answer.status == status
        assert words in json.loads(answer.body)["error"]
        assert page.session.job().state == "idle"
        # The server goes on.
        assert ask(page, page.base + "job").status == 200


@pytest.mark.parametrize("length", ["-1", "9" * 30, "1, 2", "x"])
def test_a_length_that_is_no_length_is_refused(front: Path, length: str) -> None:
    """RFC 9110, section 8.6: one decimal number."""
    with served(front) as page:
        answer = ask(page, page.base + "corrections", "POST", b"", {"Content-Length": length})
        assert answer.status == 400
        assert page.session.job().state == "idle"
        assert ask(page, page.base + "job").status == 200


@pytest.mark.parametrize(
    ("point", "words"),
    [
        ({"frame": 3, "joint": "left_knee", "x_px": 1, "y_px": 1}, "no joint 'left_knee'"),
        ({"frame": 99999, "joint": "left_elbow", "x_px": 1, "y_px": 1}, "not in the clip"),
        ({"frame": 3, "joint": "left_elbow", "x_px": -9, "y_px": 1}, "outside the picture"),
    ],
)
def test_corrections_that_do_not_fit_are_refused_with_a_sentence(
    front: Path, point: dict, words: str
) -> None:
    with served(front) as page:
        body = corrections_data(Corrections()) | {"joints": [point]}
        answer = ask(page, page.base + "corrections", "POST", body)
        assert answer.status == 400
        assert words in json.loads(answer.body)["error"]
        body = corrections_data(Corrections(plate=(PlatePoint(3, 5, 5),)))
        answer = ask(page, page.base + "corrections", "POST", body)
        assert "front view" in json.loads(answer.body)["error"]


def test_the_bars_ends_are_offered_from_the_feet(front: Path, side: Path) -> None:
    with served(side) as page:
        assert json.loads(ask(page, page.base + "state").body)["end_names"] == []
    with served(front) as page:
        state = json.loads(ask(page, page.base + "state").body)
        assert state["end_names"] == ["image_left", "image_right"]
        track = page.session.result.track.set_index("frame")
        for row in state["frames"]:
            for end, place in state["tracked"]["ends"][str(row["frame"])].items():
                assert place["x_px"] == pytest.approx(track.at[row["frame"], f"{end}_x_px"])


@pytest.mark.parametrize(
    "path",
    [
        "results/summary.json",
        "results/../set/report.html",
        "results/",
        "frames/",
        "frames/x.jpg",
        "frames/99999.jpg",
        "frames/-1.jpg",
        "frames/" + "9" * 40 + ".jpg",
        "../../etc/passwd",
    ],
)
def test_nothing_else_can_be_fetched(front: Path, path: str) -> None:
    with served(front) as page:
        assert ask(page, page.base + path).status == 404
        for method, name in (("POST", "state"), ("PUT", "")):
            assert ask(page, page.base + name, method, {}).status == 405
        assert ask(page, page.base + "corrections").status == 404


def test_state_and_frames_are_those_of_the_clip(side: Path) -> None:
    with served(side) as page:
        state = json.loads(ask(page, page.base + "state").body)
        assert state["clip"] == CLIP
        assert state["has_plate"]
        titles = [row["title"] for row in state["frames"] if row["title"]]
        assert " and ".join(titles) == "touch and start of the press and lockout"
        frame = next(row["frame"] for row in state["frames"] if row["title"].startswith("touch"))
        assert set(state["tracked"]["joints"][str(frame)]) == set(touchup.JOINTS)
        assert state["tracked"]["plate"][str(frame)]["major_px"] == pytest.approx(189, rel=0.01)
        picture = ask(page, page.base + f"frames/{frame}.jpg")
        assert (picture.status, picture.headers["Content-Type"]) == (200, "image/jpeg")
        image = touchup.cv2.imdecode(
            np.frombuffer(picture.body, np.uint8), touchup.cv2.IMREAD_COLOR
        )
        wanted = make_image(make_result("side", 1), frame - frame % STEP)[:, :, ::-1]
        assert image.shape == wanted.shape
        assert np.abs(image.astype(float) - wanted).mean() < 4
        page_of_results = ask(page, page.base + "results/report.html")
        assert (page_of_results.status, b"A report." in page_of_results.body) == (200, True)
        policy = page_of_results.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "script-src" not in policy
        head = ask(page, page.base + "results/report.html", "HEAD")
        assert (head.status, head.body) == (200, b"")


# --- the clip -------------------------------------------------------------------------------------


def test_clip_is_found_beside_the_folder_or_here_or_where_said(
    front: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = read_results(front)
    assert source.find_clip(result, front) == front.parent / CLIP
    lonely = copied(front, tmp_path / "a")
    moved = (lonely.parent / CLIP).rename(tmp_path / CLIP)
    with pytest.raises(OptionError, match="--clip"):
        touchup.Session(lonely)
    monkeypatch.chdir(tmp_path)
    assert source.find_clip(result, lonely) == moved
    assert source.find_clip(result, lonely, moved) == moved
    with pytest.raises(OptionError, match="no clip"):
        source.find_clip(result, lonely, tmp_path / "none.mp4")
    hostile = dataclasses.replace(result, source_name="../../secret.mp4")
    with pytest.raises(OptionError, match=r"'secret\.mp4' is neither"):
        source.find_clip(hostile, lonely)


def test_another_clip_and_no_clip_are_refused(front: Path, side: Path, tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="not the clip that was measured"):
        touchup.Session(front, side.parent / CLIP)
    text = tmp_path / "notes.mp4"
    text.write_text("no clip")
    with pytest.raises(ClipError):
        touchup.Session(front, text)
    with pytest.raises(OutputError, match="result folder"):
        touchup.Session(tmp_path)


def test_a_folder_with_something_else_in_it_is_refused_before_any_work(
    front: Path, tmp_path: Path
) -> None:
    folder = copied(front, tmp_path)
    (folder / "my-notes.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"my-notes\.txt"):
        touchup.Session(folder)


def test_ports(front: Path) -> None:
    session = touchup.Session(front)
    with pytest.raises(OptionError, match="between 0 and 65535"), touchup.serving(session, 70000):
        pass
    with (
        touchup.serving(session) as server,
        pytest.raises(OptionError, match="cannot be used"),
        touchup.serving(session, server.socket.getsockname()[1]),
    ):
        pass


# --- saving ---------------------------------------------------------------------------------------


def test_points_put_on_a_straightened_picture_stay_on_it(side: Path, tmp_path: Path) -> None:
    folder = copied(side, tmp_path)
    lens = Lens(-0.03, 0.002, 5)
    result = read_results(folder)
    info = dataclasses.replace(result.info, lens=lens)
    alone = dataclasses.replace(result, info=info, pose=result.pose.iloc[:0])
    write_results(pipeline.remeasure(alone), folder, overwrite=True)
    with served(folder, video=False) as page:
        assert page.session.info.lens == lens
        frame = next(stream(folder.parent / CLIP, indices=[0])).image
        wanted = Straightener(lens, page.session.info.size_px).image(frame).astype(float)
        shown = cv2.imdecode(np.frombuffer(page.session.picture(0), np.uint8), cv2.IMREAD_COLOR)
        # Edges tell; the rest differs by what JPEG costs alone.
        off = [np.quantile(np.abs(one - wanted), 0.999) for one in (shown[..., ::-1], frame)]
        assert off[0] < 0.5 * off[1]

        row = page.session.result.track.iloc[5]
        put = Corrections(plate=(PlatePoint(int(row["frame"]), row["x_px"], row["y_px"] + 5),))
        answer = ask(page, page.base + "corrections", "POST", corrections_data(put))
        assert answer.status == 202
        assert finished(page.session).state == "done"
        assert (kept := read_results(folder)).corrections == read_corrections(
            folder / "corrections.json"
        )
        assert kept.corrections.bend == lens.bend
        assert kept.corrections.plate[0].y_px == pytest.approx(row["y_px"] + 5, abs=1e-3)
        said = "The lens bends straight lines by 3.0 % at the corners (± 0.4 %)"
        assert any(said in note.text for note in kept.notes)
        assert said in (folder / "report.html").read_text("utf-8")


def test_save_measures_again_and_taking_back_measures_as_before(side: Path, tmp_path: Path) -> None:
    folder = copied(side, tmp_path)
    # Without joints there are no arms to fit, which takes most of the time.
    result = read_results(folder)
    alone = pipeline.remeasure(dataclasses.replace(result, pose=result.pose.iloc[:0]))
    write_results(alone, folder, overwrite=True)
    with served(folder, video=False) as page:
        before = page.session.result
        touch = before.reps["touch_s"].iloc[0]
        row = before.track.iloc[int(np.argmin(np.abs(before.track["time_s"] - touch)))]
        lower = Corrections(plate=(PlatePoint(int(row["frame"]), row["x_px"], row["y_px"] + 15),))
        answer = ask(page, page.base + "corrections", "POST", corrections_data(lower))
        assert answer.status == 202
        busy = ask(page, page.base + "corrections", "POST", corrections_data(lower))
        assert (busy.status, b"still at work" in busy.body) == (409, True)
        job = finished(page.session)
        assert (job.state, job.error) == ("done", "")
        changed = {row["measure"] for row in job.changes["rows"]}
        assert "Range of motion" in changed
        assert job.changes["n_same"] > 0
        kept = json.loads((folder / "corrections.json").read_text("utf-8"))
        assert kept["plate"][0]["frame"] == row["frame"]
        assert "How it was measured" in (folder / "report.html").read_text("utf-8")
        assert read_results(folder).source_name == CLIP
        tracked = json.loads(ask(page, page.base + "state").body)["tracked"]["plate"]
        assert tracked[str(int(row["frame"]))]["y_px"] == pytest.approx(row["y_px"], abs=1e-3)

        page.session.save(Corrections())
        assert finished(page.session).state == "done"
        assert not (folder / "corrections.json").exists()
        after = read_results(folder)
        both = [r.measures.set_index(["rep", "measure", "side"])["value"] for r in (before, after)]
        assert np.allclose(*both, rtol=1e-4, atol=1e-5, equal_nan=True)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Measuring that only takes the corrections, and a report without pictures."""

    def remeasure(result: SetResult, config: AnalysisConfig, *_: Any) -> SetResult:
        return dataclasses.replace(result, corrections=config.corrections)

    monkeypatch.setattr(pipeline, "remeasure", remeasure)
    monkeypatch.setattr(output, "report_html", lambda *_, **__: "<!DOCTYPE html><p>A report.</p>")


def test_fault_while_writing_is_told_and_changes_nothing(
    side: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quick: None
) -> None:
    folder = copied(side, tmp_path)
    summary = (folder / "summary.json").read_bytes()

    def publish(*_: Any, **__: Any) -> None:
        raise OutputError("The disk is full.")

    monkeypatch.setattr(touchup, "publish", publish)
    with served(folder, video=False) as page:
        page.session.save(elbow(page.session.result, 5, 5))
        job = finished(page.session)
        assert (job.state, job.error, job.changes) == ("failed", "The disk is full.", None)
        assert not page.session.result.corrections
    assert (folder / "summary.json").read_bytes() == summary


def hold_first_clip(session: touchup.Session, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the first clip that is drawn take until it is given up, however fast the machine."""
    drawn: list[int] = []
    real = touchup.publish

    def publish(*arguments: Any, **options: Any) -> None:
        if options.get("video", True):
            drawn.append(1)
            if len(drawn) == 1:
                assert session._stop.wait(240.0)
        real(*arguments, **options)

    monkeypatch.setattr(touchup, "publish", publish)


def test_report_comes_first_and_the_clip_is_drawn_after_it(
    side: Path, tmp_path: Path, quick: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = copied(side, tmp_path)
    with served(folder) as page:
        hold_first_clip(page.session, monkeypatch)
        first, second = (elbow(page.session.result, dx, 5) for dx in (5, 9))
        page.session.save(first)
        while page.session.job().state == "running":
            time.sleep(0.02)
        assert page.session.job().video == "drawing"
        assert not (folder / "annotated.mp4").exists()
        assert read_results(folder).corrections.joints[0].x_px == pytest.approx(
            first.joints[0].x_px, abs=1e-3
        )
        # A new save does not wait for the clip of the old one.
        page.session.save(second)
        job = finished(page.session)
        assert (job.state, job.video, job.video_error) == ("done", "done", "")
        assert probe(folder / "annotated.mp4").n_frames == page.session.info.n_frames
        answer = ask(page, page.base + "results/annotated.mp4")
        assert (answer.status, answer.headers["Content-Type"]) == (200, "video/mp4")


def test_ending_while_the_clip_is_drawn_leaves_the_folder_whole(
    side: Path, tmp_path: Path, quick: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = copied(side, tmp_path)
    session = touchup.Session(folder)
    hold_first_clip(session, monkeypatch)
    session.save(elbow(session.result, 5, 5))
    while session.job().state == "running":
        time.sleep(0.02)
    session.close()
    assert (session.job().state, session.job().video) == ("done", "failed")
    assert len(read_results(folder).corrections.joints) == 1
    assert {entry.name for entry in folder.parent.iterdir()} == {CLIP, "set"}


def test_reps_that_come_and_go_are_told() -> None:
    two, three = make_result("side", 2), make_result("side", 3)
    changes = touchup.changed_measures(two, three)
    assert changes["reps"] == ["2 complete", "3 complete"]
    new = [row for row in changes["rows"] if row["rep"] == 3]
    assert new
    assert {row["before"] for row in new} == {"–"}
    assert all(row["rep"] == 3 for row in changes["rows"])
    assert touchup.changed_measures(two, two)["rows"] == []


def test_command_serves_until_ctrl_c(front: Path) -> None:
    command = [sys.executable, "-c", "from barpath.cli.commands import main; main()", "touchup"]
    process = subprocess.Popen(
        [*command, str(front), "--no-open", "--no-video"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1"},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    try:
        line = process.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:(\d+)(/[\w-]+/)", line)
        page = SimpleNamespace(port=int(address[1]), base=address[2])
        assert ask(page, page.base).status == 200
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=240)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0
    assert "Traceback" not in errors


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["touchup", "none", "--no-open"], 6),
        (["touchup", "set", "--no-open", "--clip", "x"], 2),
        (["touchup", "set", "--no-open", "--port", "-1"], 2),
        (["analyse", CLIP, "--corrections", "none.json"], 2),
        (["analyse", CLIP, "--corrections", CLIP], 2),
    ],
)
def test_command_says_in_one_sentence_what_is_wrong(
    front: Path,
    arguments: list[str],
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture,
) -> None:
    monkeypatch.chdir(front.parent)
    monkeypatch.setattr(sys, "argv", ["barpath", *arguments])
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == code
    said = capsys.readouterr().err
    assert said.startswith("barpath: ")
    assert said.count("\n") == 1


def test_analysis_refuses_corrections_that_do_not_fit_before_it_looks(front: Path) -> None:
    stray = Corrections((JointPoint(99999, "left_elbow", 1.0, 1.0),))
    stages = []
    with pytest.raises(OptionError, match="not in the clip"):
        pipeline.analyse(
            front.parent / CLIP,
            config=AnalysisConfig(corrections=stray),
            progress=lambda stage, _: stages.append(stage),
        )
    assert stages == []


# --- the page in a browser ------------------------------------------------------------------------


def opened(browser: Any, page: SimpleNamespace) -> None:
    # What the browser says of leaving an earlier test's page is not this page's.
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get(page.address)
    until(browser, "return document.querySelectorAll('.point').length > 0")


def label(browser: Any, name: str) -> str:
    script = f"return document.querySelector('[data-name={name}]').getAttribute('aria-label')"
    return browser.execute_script(script)


def at(browser: Any, name: str) -> tuple[int, int]:
    x, y = re.search(r"at (-?\d+), (-?\d+)$", label(browser, name)).groups()
    return int(x), int(y)


def test_dragging_an_elbow_and_saving_changes_the_numbers(
    browser: Any, front: Path, tmp_path: Path
) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By

    folder = copied(front, tmp_path)
    before = read_results(folder)
    sized(browser, 1280, 900)
    with served(folder, video=False) as page:
        opened(browser, page)
        assert "by the program" in label(browser, "left_elbow")
        old = at(browser, "left_elbow")
        # Off its middle, a grabbed point must not jump.
        hit = browser.find_element(By.CSS_SELECTOR, "[data-name=left_elbow] .hit")
        chain = ActionChains(browser).move_to_element_with_offset(hit, 4, -3).click_and_hold()
        chain.move_by_offset(30, 20).perform()
        assert browser.execute_script(
            "return document.getElementById('loupe').classList.contains('shown')"
        )
        browser.save_screenshot(str(tmp_path / "dragging.png"))
        ActionChains(browser).release().perform()
        new = at(browser, "left_elbow")
        scale = browser.execute_script("return unit()")
        assert new[0] - old[0] == pytest.approx(30 * scale, abs=2)
        assert new[1] - old[1] == pytest.approx(20 * scale, abs=2)
        assert "put right by hand" in label(browser, "left_elbow")
        browser.find_element(By.ID, "save").click()
        until(browser, "return !document.getElementById('report').hidden")
        text = browser.find_element(By.ID, "rows").text
        assert "Elbow abduction" in text
        assert "±" in text
        kept = json.loads((folder / "corrections.json").read_text("utf-8"))
        (point,) = kept["joints"]
        assert point["joint"] == "left_elbow"
        assert (round(point["x_px"]), round(point["y_px"])) == new
        after = read_results(folder)
        values = [
            r.measures.query("measure == 'elbow_abduction_deg' and side == 'left'")["value"].iloc[0]
            for r in (before, after)
        ]
        assert abs(values[1] - values[0]) > 0.1

        # The correction is still there when the page is opened anew, and can be taken back.
        assert complaints(browser) == []
        opened(browser, page)
        browser.execute_script(
            "show(facts.frames.findIndex((row) => row.frame === arguments[0]))", point["frame"]
        )
        assert "put right by hand" in label(browser, "left_elbow")
        assert at(browser, "left_elbow") == new
        browser.find_element(By.CSS_SELECTOR, "#points .set button:last-child").click()
        assert "by the program" in label(browser, "left_elbow")
        assert complaints(browser) == []


def test_an_end_of_the_bar_is_put_right_from_the_feet(
    browser: Any, front: Path, tmp_path: Path, quick: None
) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    folder = copied(front, tmp_path)
    sized(browser, 1280, 900)
    with served(folder, video=False) as page:
        opened(browser, page)
        name = "image_right"
        x, y = at(browser, name)
        assert label(browser, name).startswith("bar end, picture right, by the program")
        browser.find_element(By.CSS_SELECTOR, f"[data-name={name}]").send_keys(Keys.ARROW_RIGHT * 3)
        assert at(browser, name) == (x + 3, y)
        browser.find_element(By.ID, "save").click()
        until(browser, "return !document.getElementById('report').hidden")
        (point,) = read_results(folder).corrections.ends
        assert point.end == name
        assert (round(point.x_px), round(point.y_px)) == (x + 3, y)
        assert "put right by hand" in label(browser, name)
        assert complaints(browser) == []


def test_page_can_be_worked_by_keyboard(browser: Any, side: Path) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    sized(browser, 1280, 900)
    with served(side) as page:
        opened(browser, page)
        browser.find_element(By.ID, "slide").send_keys("")
        names = []
        for _ in range(7):
            ActionChains(browser).send_keys(Keys.TAB).perform()
            names.append(browser.execute_script("return document.activeElement.dataset.name || ''"))
        assert names == [*touchup.JOINTS, "plate"]
        x, y = at(browser, "plate")
        ActionChains(browser).send_keys(Keys.ARROW_RIGHT, Keys.ARROW_UP).perform()
        assert at(browser, "plate") == (x + 1, y - 1)
        chain = ActionChains(browser).key_down(Keys.SHIFT).send_keys(Keys.ARROW_LEFT)
        chain.key_up(Keys.SHIFT).perform()
        assert at(browser, "plate") == (x - 9, y - 1)
        ring = "return getComputedStyle(document.querySelector('[data-name=plate] .halo')).stroke"
        assert browser.execute_script(ring) != "none"
        assert "1 correction" in browser.find_element(By.ID, "count").text
        ActionChains(browser).send_keys(Keys.DELETE).perform()
        assert at(browser, "plate") == (x, y)
        assert not browser.find_element(By.ID, "save").is_enabled()
        assert complaints(browser) == []


def test_page_fits_a_phone_and_takes_a_finger(browser: Any, front: Path, tmp_path: Path) -> None:
    sized(browser, 375, 812)
    with served(front) as page:
        opened(browser, page)
        wide = browser.execute_script("return document.documentElement.scrollWidth")
        assert wide <= 375
        small = browser.execute_script(
            "return [...document.querySelectorAll('button, select')].map((b) =>"
            " b.getBoundingClientRect()).filter((r) => r.width && r.height < 40).length"
        )
        assert small == 0
        old = at(browser, "right_wrist")
        box = browser.execute_script(
            "document.getElementById('stage').scrollIntoView({block: 'center'});"
            "const r = document.querySelector('[data-name=right_wrist] .hit')"
            ".getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]"
        )
        for kind, dx in (("touchStart", 0), ("touchMove", 6), ("touchMove", 12), ("touchEnd", 12)):
            points = [] if kind == "touchEnd" else [{"x": box[0] + dx, "y": box[1] + 5}]
            browser.execute_cdp_cmd(
                "Input.dispatchTouchEvent", {"type": kind, "touchPoints": points}
            )
        until(browser, "return corrections.size === 1")
        new = at(browser, "right_wrist")
        scale = browser.execute_script("return unit()")
        assert new[0] - old[0] == pytest.approx(12 * scale, abs=2)
        browser.save_screenshot(str(tmp_path / "phone.png"))
        assert complaints(browser) == []


def test_fault_shows_as_a_sentence_on_the_page(browser: Any, front: Path) -> None:
    from selenium.webdriver.common.by import By

    sized(browser, 1280, 900)
    with served(front) as page:
        opened(browser, page)
        browser.execute_script(
            "corrections.set(key('left_elbow', 99999), {x: 1, y: 1}); draw();"
            "document.getElementById('save').click()"
        )
        until(browser, "return !document.getElementById('problem').hidden")
        assert "Frame 99999 of a correction is not in the clip" in (
            browser.find_element(By.ID, "problem").text
        )
        assert browser.find_element(By.ID, "save").is_enabled()
    assert "400" in " ".join(complaints(browser))
