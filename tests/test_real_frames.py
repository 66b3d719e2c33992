"""The scores of real frames, on made marks; and the shipped network's, where the frames are."""

import numpy as np
import pandas as pd
import pytest

from barpath.sight.jointnet import weights_path
from tests.real_frames import (
    ARM_JOINTS,
    Frame,
    as_markdown,
    contact_sheet,
    headline,
    labelled_folder,
    network_reader,
    read_frames,
    score,
    score_frame,
    wholly_right,
)

MARKS = {
    "left_shoulder": (300.0, 250.0, "seen"),
    "left_elbow": (340.0, 190.0, "seen"),
    "left_wrist": (340.0, 110.0, "seen"),
    "left_hand": (340.0, 90.0, "guess"),
    "right_shoulder": (200.0, 240.0, "guess"),
    "right_elbow": (160.0, 180.0, "seen"),
    "right_wrist": (165.0, 105.0, "seen"),
}


def frame(name="made.png", width=600):
    return Frame(name, np.full((400, width, 3), 120, np.uint8), MARKS)


def found(shift_px=(0.0, 0.0), sd_px=4.0, without=()):
    rows = [
        (name, x + shift_px[0], y + shift_px[1], sd_px, sd_px, 0.0, "seen")
        for name, (x, y, _) in MARKS.items()
        if name not in without
    ]
    names = ["point", "x_px", "y_px", "sd_major_px", "sd_minor_px", "angle_deg", "state"]
    return pd.DataFrame(rows, columns=names)


def test_distances_are_shares_of_the_longest_limb():
    assert frame().limb_px == 80.0
    scores = score_frame(frame(), found(shift_px=(0.0, 12.0)))
    assert np.allclose(scores["error"], 0.15)
    figures = headline(scores)
    assert (figures["pck_20"], figures["pck_10"], figures["wholly_right"]) == (1.0, 0.0, 1)


def test_guesses_do_not_count_for_the_headline_and_missing_joints_do():
    scores = score_frame(frame(), found(without=["right_shoulder"]))
    assert headline(scores)["wholly_right"] == 1
    scores = score_frame(frame(), found(without=["right_wrist"]))
    figures = headline(scores)
    assert figures["wholly_right"] == 0
    assert figures["pck_20"] == pytest.approx(4 / 5)
    scores = score_frame(frame(), None)
    assert headline(scores)["pck_20"] == 0.0
    assert not wholly_right(scores).any()


def test_coverage_is_that_of_normal_errors():
    rng = np.random.default_rng(11)
    axes = np.array([[np.cos(0.6), -np.sin(0.6)], [np.sin(0.6), np.cos(0.6)]])
    scores = []
    for _ in range(400):
        table = found().assign(sd_major_px=6.0, sd_minor_px=2.0, angle_deg=np.degrees(0.6))
        off = (rng.normal(size=(len(table), 2)) * [6.0, 2.0]) @ axes.T
        table[["x_px", "y_px"]] += off
        scores.append(score_frame(frame(), table))
    figures = headline(pd.concat(scores))
    # 2000 draws: one standard error is 0.005.
    assert figures["covered"] == pytest.approx(0.95, abs=0.02)
    # These marks have no error of their own, so allowing for one covers more.
    assert figures["covered_with_mark"] > 0.96


def test_table_and_sheet_show_every_frame():
    frames = [frame("a.png"), frame("b.png", width=320)]
    answers = iter([found(), None])
    scores, tables = score(frames, lambda frame: next(answers))
    assert set(tables) == {"a.png"}
    text = as_markdown(scores)
    assert "wholly right 1 of 2" in text
    assert "not right: b.png" in text
    assert "nan" not in text.split("|---")[0]
    sheet = contact_sheet(frames, tables, scores, tile_px=200)
    assert sheet.shape == (200, 400, 3)
    red = (sheet == (230, 40, 40)).all(axis=-1).any(axis=0)
    assert not red[:200].any()
    assert red[200:].any()


def test_the_shipped_network_on_real_frames():
    folder = labelled_folder()
    if folder is None:
        pytest.skip("the labelled frames are not here")
    if not weights_path().is_file():
        pytest.skip("the network's weights are not here")
    frames = read_frames(folder)
    scores, _ = score(frames, network_reader(None))
    assert scores["point"].isin(ARM_JOINTS).any()
    figures = headline(scores)
    # A floor under what was measured when this was written, 38 of 47, 0.88 and 0.64, to notice when
    # it gets worse. The aim is 45 and, below a tenth of the limb, 0.80.
    assert figures["wholly_right"] >= 0.77 * len(frames)
    assert figures["pck_20"] > 0.85
    assert figures["pck_10"] > 0.6
