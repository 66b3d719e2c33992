"""The command line as a user meets it: one sentence, the documented code, nothing left behind."""

import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from barpath.clip.writer import VideoWriter
from barpath.trial.artificial import PlateScene, make_plate_clip
from tests.forking import run


def assert_refused(done, code, *words):
    assert done.returncode == code, done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("barpath: ")
    assert lines[0].endswith(".")
    for word in words:
        assert word in lines[0]


def write_clip(path, images, fps=30):
    height, width = images[0].shape[:2]
    with VideoWriter(path, width, height, fps) as writer:
        for k, image in enumerate(images):
            writer.write(image, k / fps)
    return path


def noise_image(seed=0, height=180, width=320):
    rng = np.random.default_rng(seed)
    return (
        rng.integers(60, 190, (height // 20, width // 20, 3), dtype=np.uint8)
        .repeat(20, axis=0)
        .repeat(20, axis=1)
    )


def only_inputs_left(folder: Path, *inputs: str) -> bool:
    return sorted(entry.name for entry in folder.iterdir()) == sorted(inputs)


def test_no_such_file(tmp_path):
    assert_refused(run("analyse", "set.mp4", cwd=tmp_path), 3, "set.mp4")
    assert only_inputs_left(tmp_path)


def test_a_directory(tmp_path):
    (tmp_path / "clip.mp4").mkdir()
    assert_refused(run("analyse", "clip.mp4", cwd=tmp_path), 3)


def test_text_under_the_name_of_a_video(tmp_path):
    (tmp_path / "clip.mp4").write_text("this is no video\n" * 100)
    assert_refused(run("analyse", "clip.mp4", cwd=tmp_path), 3)
    assert only_inputs_left(tmp_path, "clip.mp4")


def test_truncated_file(tmp_path):
    whole = write_clip(tmp_path / "whole.mp4", [noise_image()] * 40).read_bytes()
    (tmp_path / "clip.mp4").write_bytes(whole[:400])
    (tmp_path / "whole.mp4").unlink()
    assert_refused(run("analyse", "clip.mp4", cwd=tmp_path), 3)


def test_one_frame(tmp_path):
    write_clip(tmp_path / "clip.mp4", [noise_image()])
    assert_refused(run("analyse", "clip.mp4", cwd=tmp_path), 3)


def test_nothing_that_moves(tmp_path):
    write_clip(tmp_path / "clip.mp4", [noise_image()] * 90)
    assert_refused(run("analyse", "clip.mp4", cwd=tmp_path), 4)
    assert only_inputs_left(tmp_path, "clip.mp4")


@pytest.mark.parametrize(
    "options",
    [
        ("--view", "above"),
        ("--plate-mm", "45"),
        ("--bar", "long"),
        ("--bar", "300:1800"),
        ("--bar", "1310:1400"),
        ("--load-kg", "-5"),
        ("--plate-at", "here"),
        ("--capture-fps", "0"),
    ],
)
def test_wrong_options(tmp_path, options):
    write_clip(tmp_path / "clip.mp4", [noise_image()] * 10)
    assert_refused(run("analyse", "clip.mp4", *options, cwd=tmp_path), 2)


@pytest.mark.quick
def test_an_unknown_option_is_told(tmp_path):
    done = run("analyse", "clip.mp4", "--colour", "red", cwd=tmp_path)
    assert done.returncode == 2
    assert "--colour" in done.stderr
    assert "Traceback" not in done.stderr


def test_existing_results_are_left_alone(tmp_path):
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "diary.txt").write_text("mine")
    write_clip(tmp_path / "clip.mp4", [noise_image()] * 10)
    assert_refused(run("analyse", "clip.mp4", "--out", "results", cwd=tmp_path), 6, "results")
    done = run("analyse", "clip.mp4", "--out", "results", "--overwrite", cwd=tmp_path)
    assert_refused(done, 6, "diary.txt")
    assert (tmp_path / "results" / "diary.txt").read_text() == "mine"


# In the middle of decoding and following, for as long as it takes the signal to come.
AT_WORK = """
import signal
import time
from barpath.sight import platetrack
from barpath.cli.commands import main

update = platetrack.PlateTracker.update

def wait_at_the_tenth_frame(tracker, frame):
    if frame.index == 10:
        print("at work", flush=True)
        time.sleep(600)
    return update(tracker, frame)

platetrack.PlateTracker.update = wait_at_the_tenth_frame
# A test run in the background of a shell inherits that SIGINT is ignored.
signal.signal(signal.SIGINT, signal.default_int_handler)
main()
"""


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_stopping_leaves_nothing_behind(tmp_path, stop):
    frames, truth = make_plate_clip(PlateScene(n_frames=24))
    write_clip(tmp_path / "clip.mp4", [frame.image for frame in frames])
    x, y = truth.loc[0, ["x_px", "y_px"]]
    process = subprocess.Popen(
        [sys.executable, "-c", AT_WORK, "analyse", "clip.mp4", "--plate-at", f"{x:.0f},{y:.0f}"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "at work\n", process.stderr.read()
    process.send_signal(stop)
    _, errors = process.communicate(timeout=240)
    assert process.returncode == 130, errors
    assert "Traceback" not in errors
    assert only_inputs_left(tmp_path, "clip.mp4")


@pytest.mark.quick
def test_help_names_the_cautions(tmp_path):
    done = run("--help", cwd=tmp_path)
    assert done.returncode == 0
    for word in ("spotter", "clinician", "referees"):
        assert word in done.stdout


def test_much_that_moves_but_nothing_that_presses(tmp_path):
    rng = np.random.default_rng(5)
    image = noise_image(height=360, width=640)
    images = []
    for k in range(120):
        frame = image.copy()
        x, y = 20 + 4 * k, 60 + int(40 * rng.random())
        frame[y : y + 60, x : x + 60] = (40, 200, 90)
        frame[200:220, (7 * k) % 600 : (7 * k) % 600 + 40] = 255
        images.append(frame)
    write_clip(tmp_path / "clip.mp4", images)
    assert_refused(run("analyse", "clip.mp4", cwd=tmp_path), 4)
    assert only_inputs_left(tmp_path, "clip.mp4")


def test_photo_refusals(tmp_path):
    (tmp_path / "notes.txt").write_text("no picture")
    assert_refused(run("photo", "notes.txt", cwd=tmp_path), 3, "notes.txt")
    assert_refused(run("photo", "none.jpg", cwd=tmp_path), 3, "none.jpg")
    (tmp_path / "notes").mkdir()
    assert_refused(run("photo", "notes.txt", "--out", "notes", cwd=tmp_path), 6, "notes")
    assert only_inputs_left(tmp_path, "notes", "notes.txt")
