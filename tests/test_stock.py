"""The stock pose network as a baseline: the file that ships, its answers, and doing without it."""

import builtins
import hashlib
import socket
import subprocess
import sys
import zipfile
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import cv2
import numpy as np
import pytest

from barpath.trial.stock import JOINTS, MODEL_SHA256, StockNetwork, StockNetworkError, model_path
from tests.real_frames import headline, labelled_folder, read_frames, score, stock_reader

# Tried in a process of its own, since a library that is missing may end the process.
needs_it = pytest.mark.skipif(
    subprocess.run(
        [sys.executable, "-c", "from barpath.trial.stock import StockNetwork; StockNetwork()"],
        capture_output=True,
        check=False,
    ).returncode
    != 0,
    reason="mediapipe, or a graphics library it is linked with, is not here",
)
PHOTO = Path(__file__).parents[2] / "shared" / "real" / "photo_a_top.jpg"


def test_the_model_file_is_the_one_described():
    assert hashlib.sha256(model_path().read_bytes()).hexdigest() == MODEL_SHA256
    described = model_path().with_suffix(".txt").read_text(encoding="utf-8")
    assert MODEL_SHA256 in described
    assert "Apache License 2.0" in described
    with zipfile.ZipFile(model_path()) as bundle:
        names = sorted(bundle.namelist())
    assert names == ["pose_detector.tflite", "pose_landmarks_detector.tflite"]


def test_both_builds_of_opencv_are_the_same_release():
    try:
        other = version("opencv-contrib-python")
        assert other == version("opencv-python-headless")
    except PackageNotFoundError:
        pytest.skip("only one build of OpenCV is here")


def test_without_mediapipe_one_sentence_says_so(monkeypatch):
    for name in [name for name in sys.modules if name.split(".")[0] == "mediapipe"]:
        monkeypatch.delitem(sys.modules, name)
    imported = builtins.__import__

    def refuse(name, *others, **more):
        if name.split(".")[0] == "mediapipe":
            raise ModuleNotFoundError(name)
        return imported(name, *others, **more)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(StockNetworkError, match=r"barpath\[baseline\]") as told:
        StockNetwork()
    assert str(told.value).count(".") == 1


@pytest.fixture(scope="module")
def network():
    with StockNetwork() as network:
        yield network


@needs_it
def test_it_runs_silently_and_offline(capfd, monkeypatch):
    def refuse(*arguments):
        raise AssertionError("it asked for the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    with StockNetwork(following=True) as network:
        for k in range(3):
            network.read(np.full((120, 160, 3), 90, np.uint8), k / 30)
    told = capfd.readouterr()
    assert (told.out, told.err) == ("", "")


@needs_it
def test_nobody_in_the_picture(network):
    noise = np.random.default_rng(0).integers(0, 255, (240, 320, 3), dtype=np.uint8)
    assert network.read(noise) is None


# What mediapipe 0.10.21's own pose solution says of this photo (static picture, complexity 1, least
# score 0.5), run once on 64-bit Linux: shoulders, elbows, wrists; left, right.
BY_THE_OLD_RELEASE = [
    (488.0, 277.7), (414.2, 242.4), (520.1, 211.3), (389.7, 176.5), (529.9, 130.0), (392.3, 111.3),
]  # fmt: skip


@needs_it
def test_joints_are_those_of_the_release_it_is_from(network):
    if not PHOTO.is_file():
        pytest.skip("the shared photos are not here")
    image = cv2.cvtColor(cv2.imread(str(PHOTO)), cv2.COLOR_BGR2RGB)
    found = network.read(image)
    assert found.shape == (len(JOINTS), 2)
    off = np.linalg.norm(found[:6] - BY_THE_OLD_RELEASE, axis=1)
    # The photo is 850 pixels wide. The same networks are shown a slightly other crop: the two ways
    # merge overlapping detections by other rules.
    assert np.median(off) < 6.0


@needs_it
def test_its_score_on_real_frames():
    folder = labelled_folder()
    if folder is None:
        pytest.skip("the labelled frames are not here")
    frames = read_frames(folder)
    scores, _ = score(frames, stock_reader())
    figures = headline(scores)
    # One plain call of the old release gets 21 of 47 wholly right, PCK@0.2 0.51 and @0.1 0.27.
    assert figures["wholly_right"] == pytest.approx(21 / 47 * len(frames), abs=2.5)
    assert figures["pck_20"] == pytest.approx(0.51, abs=0.05)
    assert figures["pck_10"] == pytest.approx(0.27, abs=0.04)
