"""Film check: words from made facts, and shutter blur from made edges."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from barpath.analysis import filmcheck
from barpath.analysis.filmadvice import CHANGE, GOOD, UNKNOWN, advise, as_text
from barpath.analysis.filmcheck import lens_over
from barpath.analysis.filmfacts import Fact, FilmFacts
from barpath.analysis.finding import Found
from barpath.analysis.shutter import edge_width_px, exposure_from_edges
from barpath.clip.sceneroll import SceneRoll
from barpath.clip.writer import VideoWriter
from barpath.errors import BarNotFoundError
from barpath.sight.ellipse import Ellipse

JOINTS = {f"{s}_{j}": 0.9 for s in ("left", "right") for j in ("shoulder", "elbow", "wrist", "hip")}
SIDE = FilmFacts(
    view="side",
    width_px=1280,
    height_px=720,
    fps=60.0,
    variable_rate=False,
    plate_px=200.0,
    height_m=Fact(0.05, 0.05),
    roll_deg=Fact(0.3, 0.3),
    angle_deg=Fact(2.0, 1.0),
    distance_m=Fact(3.0, 0.2),
    exposure_s=Fact(1 / 200, 0.001),
    peak_m_s=0.6,
    whole=True,
    steady=True,
    near="left",
    joints=JOINTS,
)


def verdicts(**changes):
    return advise(replace(SIDE, **changes)).set_index("item")


def test_a_good_place_needs_no_change():
    table = verdicts()
    assert (table["verdict"] == GOOD).all()
    assert "Ready to film." in as_text(SIDE, advise(SIDE))


@pytest.mark.parametrize(
    ("changes", "item", "words"),
    [
        ({"height_m": Fact(0.42, 0.08)}, "camera height", "Lower the camera by about 40 cm."),
        ({"height_m": Fact(-0.31, 0.05)}, "camera height", "Raise the camera by about 30 cm."),
        ({"fps": 20.0}, "frame rate", "60 frames"),
        ({"plate_px": 60.0}, "plate in the picture", "2.0 times closer"),
        ({"whole": False}, "all in view", "Step back"),
        ({"roll_deg": Fact(-4.0, 0.5)}, "camera roll", "by 4 degrees"),
        ({"angle_deg": Fact(-20.0, 2.0)}, "angle to the bar's plane", "110 cm sideways"),
        ({"exposure_s": Fact(1 / 30, 0.002)}, "shutter blur", "light"),
        ({"steady": False}, "camera", "tripod"),
        ({"joints": {}}, "lifter", "on the bench"),
        ({"joints": JOINTS | {"left_shoulder": 0.1}}, "lifter", "shoulder"),
    ],
)
def test_what_is_wrong_is_said_in_words(changes, item, words):
    row = verdicts(**changes).loc[item]
    assert row["verdict"] == CHANGE
    assert words in row["words"]


def test_only_one_item_changes_at_a_time():
    table = verdicts(height_m=Fact(0.42, 0.08))
    assert (table["verdict"] == CHANGE).sum() == 1


def test_a_vague_height_is_not_turned_into_advice():
    row = verdicts(height_m=Fact(0.4, 0.4)).loc["camera height"]
    assert row["verdict"] == UNKNOWN
    row = verdicts(height_m=Fact(reason="no lines")).loc["camera height"]
    assert row["verdict"] == UNKNOWN
    assert row["words"] == "no lines"


def test_front_view_wants_the_camera_over_the_thighs():
    low = verdicts(view="front", height_m=Fact(0.35, 0.05)).loc["camera height"]
    assert low["words"] == "Raise the camera by about 50 cm."
    high = verdicts(view="front", height_m=Fact(0.95, 0.05)).loc["camera height"]
    assert high["verdict"] == GOOD
    hidden = verdicts(view="front", joints=JOINTS | {"right_elbow": 0.2}).loc["lifter"]
    assert "higher" in hidden["words"]


def made_disc(smear_px, blur_px=1.0, size=240, radius=70):
    """A disc smeared up and down by a uniform exposure, then blurred by a lens."""
    fine = 4
    image = np.zeros((size * fine, size * fine), np.float32)
    centre = size * fine // 2
    cv2.circle(image, (centre, centre), radius * fine, 180.0, -1, cv2.LINE_AA)
    if smear_px:
        kernel = np.ones((round(smear_px * fine), 1), np.float32)
        image = cv2.filter2D(image, -1, kernel / kernel.sum())
    image = cv2.GaussianBlur(image, None, blur_px * fine)
    small = cv2.resize(image, (size, size), interpolation=cv2.INTER_AREA)
    return small + 40.0, Ellipse(size / 2 - 0.5, size / 2 - 0.5, 2 * radius, 2 * radius, 0.0)


@pytest.mark.parametrize("exposure_s", [1 / 50, 1 / 100])
def test_exposure_from_made_edges(exposure_s):
    """A uniform smear of length L has a standard deviation of L / sqrt(12)."""
    rng = np.random.default_rng(2)
    upright = np.deg2rad(np.r_[70:111:4, 250:291:4])
    level = np.deg2rad(np.r_[-20:21:4, 160:201:4])
    rows = []
    for speed in (350.0, 450.0, 550.0, -500.0):
        image, outline = made_disc(abs(speed) * exposure_s)
        image = image + rng.normal(0, 1.0, image.shape)
        rows.append(
            (
                edge_width_px(image, outline, upright, 12.0),
                edge_width_px(image, outline, level, 12.0),
                speed,
            )
        )
    got = exposure_from_edges(*np.array(rows).T)
    assert abs(got.value - exposure_s) < 0.25 * exposure_s
    assert abs(got.value - exposure_s) < 2.5 * got.sd


def test_a_plain_picture_has_no_edge():
    image = np.random.default_rng(1).normal(100, 1, (240, 240))
    outline = Ellipse(120, 120, 140, 140, 0.0)
    width = edge_width_px(image, outline, np.deg2rad(np.arange(0, 360, 10)), 10.0)
    assert np.isnan(width) or width < 3
    assert exposure_from_edges(np.full(3, np.nan), np.ones(3), np.ones(3)).reason


def level_of(pitch_deg, sd_deg=0.5):
    return SceneRoll(
        roll_deg=0.0, sd_deg=0.5, n_lines=4, reason="", pitch_deg=pitch_deg,
        pitch_sd_deg=sd_deg, f_px=np.nan, centre_px=(np.nan, np.nan),
    )  # fmt: skip


def test_height_of_the_lens_by_hand():
    """3-4-5: a point 3 down and 4 away is seen atan(3/4) below the horizon."""
    below = np.degrees(np.arctan(3 / 4))
    assert lens_over(0.0, level_of(below), 1000.0, Fact(4.0, 0.0)).value == pytest.approx(3.0)
    # A level camera sees it 750 pixels below the middle at a focal length of 1000.
    assert lens_over(750.0, level_of(0.0), 1000.0, Fact(4.0, 0.0)).value == pytest.approx(3.0)
    assert lens_over(0.0, level_of(np.nan), 1000.0, Fact(4.0, 0.0)).reason


def test_a_bar_without_plates_from_aside_is_refused(tmp_path, monkeypatch):
    """It is where the hands are, so there is no outline that could be looked at."""
    clip = tmp_path / "clip.mp4"
    with VideoWriter(clip, 96, 64, fps=30) as writer:
        for _ in range(10):
            writer.write(np.full((64, 96, 3), 90, np.uint8))
    monkeypatch.setattr(filmcheck, "find_bar", lambda *_: Found("side", "guessed", None))
    with pytest.raises(BarNotFoundError, match="no plates"):
        filmcheck.look(clip, network=object())
