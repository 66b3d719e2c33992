"""How a lens bends lines, told from drawn rooms whose bend is known, and taken out."""

import dataclasses
from pathlib import Path

import cv2
import numpy as np
import pytest

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import (
    Corrections,
    EndPoint,
    JointPoint,
    PlatePoint,
    check_corrections,
    read_corrections,
    write_corrections,
)
from barpath.analysis.straightening import on_pictures_of, straighten
from barpath.clip import frames
from barpath.clip.edgelines import edge_lines
from barpath.clip.lens import Lens, Straightener
from barpath.clip.lensfit import LensConfig, ToldBend, find_lens, told_bend
from barpath.clip.reading import Reading
from barpath.clip.scene import SceneConfig
from barpath.clip.writer import VideoWriter

SIZE_PX = (960, 540)
HALF_PX = float(np.hypot(*SIZE_PX) / 2)
MIDDLE_PX = (np.array(SIZE_PX) - 1) / 2
CAMERA = np.array([[HALF_PX, 0, MIDDLE_PX[0]], [0, HALF_PX, MIDDLE_PX[1]], [0, 0, 1.0]])
CONFIG = LensConfig()


def room(seed: int, n_posts: int = 6, n_bands: int = 5, n_round: int = 0) -> np.ndarray:
    """A picture of a pinhole, with room around it: posts, bands and a floor, and round things."""
    rng = np.random.default_rng(seed)
    width, height = SIZE_PX
    canvas = np.full((height + 120, width + 120), 120.0, np.float32)

    def fill(corners: np.ndarray) -> None:
        # In sixteenths of a pixel, so that edges lie anywhere.
        places = np.round(np.asarray(corners) * 16).astype(np.int32)
        grey = float(rng.choice([40, 70, 170, 215]))
        cv2.fillPoly(canvas, [places], grey, lineType=cv2.LINE_AA, shift=4)

    for number in range(n_bands):
        y = height * (number + rng.uniform(0.2, 0.8)) / n_bands + 60
        lean, thick = rng.uniform(-0.06, 0.06) * width, rng.uniform(8, 18)
        fill([(-5, y), (width + 125, y + lean), (width + 125, y + lean + thick), (-5, y + thick)])
    for number in range(n_posts):
        x = width * (number + rng.uniform(0.2, 0.8)) / n_posts + 60
        lean, thick = rng.uniform(-0.08, 0.08) * height, rng.uniform(10, 24)
        fill([(x, -5), (x + thick, -5), (x + lean + thick, height + 125), (x + lean, height + 125)])
    for _ in range(n_round):
        # Balls, plates and hanging cables.
        place, size = rng.uniform(150, 500, 2), rng.uniform(60, 260, 2)
        turned = cv2.ellipse2Poly((0, 0), (100, 100), 0, 0, 360, 3) / 100.0
        fill(place + turned * size)
        x = np.linspace(0, width + 120, 200)
        y = rng.uniform(100, 300) + rng.uniform(30, 120) * (2 * x / (width + 120) - 1) ** 2
        fill(np.vstack([np.column_stack([x, y]), np.column_stack([x, y + 6])[::-1]]))
    return canvas


def filmed(canvas: np.ndarray, bend: float, seed: int = 0) -> np.ndarray:
    """That picture as a lens shows it, by OpenCV's own model, blurred and noisy."""
    width, height = SIZE_PX
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), -1).reshape(-1, 1, 2)
    source = cv2.undistortPoints(
        grid.astype(np.float64), CAMERA, np.array([bend, 0, 0, 0.0]), P=CAMERA
    ).reshape(height, width, 2)
    x, y = np.moveaxis(source.astype(np.float32) + 60, -1, 0)
    shown = cv2.GaussianBlur(cv2.remap(canvas, x, y, cv2.INTER_CUBIC), (0, 0), 0.8)
    noise = np.random.default_rng(seed).normal(0, 3.0, shown.shape)
    return np.clip(shown + noise, 0, 255).round().astype(np.uint8)


def told(canvas: np.ndarray, bend: float) -> ToldBend | None:
    found = [
        edge_lines(filmed(canvas, bend, seed), CONFIG.edges, SceneConfig()) for seed in range(2)
    ]
    return told_bend(found, SIZE_PX, CONFIG)


# --- the model ------------------------------------------------------------------------------------


@pytest.mark.parametrize("bend", [-0.06, -0.012, 0.0, 0.03])
def test_points_are_bent_and_straightened_as_by_opencv(bend: float) -> None:
    # OpenCV's documentation, "Camera Calibration and 3D Reconstruction": k1 alone, with half the
    # diagonal as focal length.
    lens = Lens(bend, 0.001, 5)
    points = np.random.default_rng(1).uniform(0, 1, (50, 2)) * (np.array(SIZE_PX) - 1)
    shown = CAMERA.copy()
    shown[[0, 1], [0, 1]] /= lens.reach(SIZE_PX)
    coefficients = np.array([bend, 0, 0, 0.0])
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-12)
    theirs = cv2.undistortPointsIter(
        points[:, None], CAMERA, coefficients, np.eye(3), shown, stop
    ).reshape(-1, 2)
    np.testing.assert_allclose(lens.straightened(points, SIZE_PX), theirs, atol=1e-6)
    rays = np.column_stack([(theirs - MIDDLE_PX) / shown[0, 0], np.ones(len(theirs))])
    back = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), CAMERA, coefficients)[0].reshape(-1, 2)
    np.testing.assert_allclose(lens.bent(theirs, SIZE_PX), back, atol=1e-6)
    np.testing.assert_allclose(back, points, atol=1e-6)


@pytest.mark.parametrize("bend", [-0.06, -0.012, 0.03])
@pytest.mark.parametrize("size_px", [(960, 540), (540, 960), (400, 400)])
def test_a_straightened_picture_shows_only_what_was_filmed_and_as_much_as_it_can(
    bend: float, size_px: tuple[int, int]
) -> None:
    width, height = size_px
    x, y = np.meshgrid(np.linspace(0, width - 1, 101), np.linspace(0, height - 1, 101))
    source = Lens(bend, 0.001, 5).bent(np.stack([x, y], -1), size_px)
    beyond = np.maximum(-source, source - (np.array(size_px) - 1)).max()
    # The widths are those between the middles of the outermost pixels, the diagonal that of all.
    assert -0.1 < beyond < 0.01


@pytest.mark.parametrize("bend", [-0.04, 0.03])
def test_bent_lines_are_straight_in_a_straightened_picture(bend: float) -> None:
    picture = filmed(room(3), bend)
    lens = Lens(bend, 0.001, 5)
    seen = {}
    for name, image in (
        ("filmed", picture),
        ("straightened", Straightener(lens, SIZE_PX).image(picture)),
    ):
        off = []
        for edge in edge_lines(image, CONFIG.edges, SceneConfig()):
            centred = edge - edge.mean(axis=0)
            across = np.linalg.svd(centred, full_matrices=False)[2][1]
            off.append(np.median(np.abs(centred @ across)))
        assert len(off) > 8
        seen[name] = np.quantile(off, 0.9)
    assert seen["filmed"] > 0.6
    assert seen["straightened"] < 0.35


# --- told from rooms ------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("bend", [-0.03, -0.012, 0.02])
def test_the_bend_of_a_room_is_found_within_its_uncertainty(bend: float, seed: int) -> None:
    found = told(room(seed), bend)
    assert found is not None
    # A bend that changes no measure is told as well, but left.
    assert found.is_clear(CONFIG) == (abs(bend) > CONFIG.least_bend)
    assert abs(found.lens.bend - bend) < 3 * found.lens.sd
    assert found.lens.sd < 0.2 * abs(bend)


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("n_round", [0, 4])
def test_where_there_is_no_bend_none_is_taken_out(n_round: int, seed: int) -> None:
    canvas = room(seed, n_round=n_round)
    found = told(canvas, 0.0)
    assert found is not None and abs(found.lens.bend) < 3 * found.lens.sd
    assert (
        find_lens([filmed(canvas, 0.0, 1), filmed(canvas, 0.0, 2)], CONFIG, SceneConfig()) is None
    )


@pytest.mark.parametrize("seed", range(3))
def test_balls_plates_and_cables_do_not_change_what_straight_things_say(seed: int) -> None:
    found = told(room(seed, n_round=4), -0.025)
    assert found is not None
    assert abs(found.lens.bend + 0.025) < 3 * found.lens.sd


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("bend", [0.0, -0.025])
def test_bent_things_alone_say_nothing(bend: float, seed: int) -> None:
    canvas = room(seed, n_posts=0, n_bands=0, n_round=6)
    pictures = [filmed(canvas, bend, 1), filmed(canvas, bend, 2)]
    assert find_lens(pictures, CONFIG, SceneConfig()) is None


def test_lines_on_one_side_of_the_picture_are_not_enough() -> None:
    # Bands along the top alone may be a vault as well.
    canvas = room(5)
    canvas[250:] = 120.0
    top = canvas.copy()
    rng = np.random.default_rng(5)
    top[:] = 120.0
    for y in (70, 110, 150, 190):
        edge = np.array([(-5, y), (1100, y + rng.uniform(-20, 20)), (1100, y + 30), (-5, y + 12)])
        cv2.fillPoly(top, [np.round(edge * 16).astype(np.int32)], 40.0, cv2.LINE_AA, 4)
    found = told(top, -0.03)
    assert found is not None and not found.is_clear(CONFIG)
    assert abs(found.lens.bend + 0.03) < 3 * found.lens.sd


def test_lines_through_the_middle_say_nothing() -> None:
    canvas = np.full((SIZE_PX[1] + 120, SIZE_PX[0] + 120), 120.0, np.float32)
    middle = MIDDLE_PX + 60
    for turn in np.radians([5, 40, 80, 120, 150]):
        away = 900 * np.array([np.cos(turn), np.sin(turn)])
        ends = np.round(np.array([middle - away, middle + away]) * 16).astype(int)
        cv2.line(canvas, ends[0].tolist(), ends[1].tolist(), 40.0, 3, cv2.LINE_AA, 4)
    assert find_lens([filmed(canvas, -0.03)], CONFIG, SceneConfig()) is None


def test_edges_as_clean_as_drawn_ones_break_nothing() -> None:
    # Along rows and columns exactly, without noise: the fit has nothing left over.
    picture = np.full((541, 961), 90, np.uint8)
    picture[60:100], picture[430:470, :], picture[:, 100:160], picture[:, 700:740] = (
        200,
        30,
        140,
        10,
    )
    picture[270:271] = 255
    assert find_lens([picture, picture], CONFIG, SceneConfig()) is None


def test_an_empty_picture_and_none_say_nothing() -> None:
    blank = np.full((SIZE_PX[1], SIZE_PX[0], 3), 90, np.uint8)
    assert find_lens([blank, blank], CONFIG, SceneConfig()) is None
    assert find_lens([], CONFIG, SceneConfig()) is None


# --- taken out of a clip --------------------------------------------------------------------------


def clip_of(path: Path, bend: float) -> Path:
    width, height = SIZE_PX
    with VideoWriter(path, width, height, fps=10, crf=12) as writer:
        for number in range(12):
            writer.write(filmed(room(1), bend, number))
    return path


def test_every_way_to_the_pictures_of_a_clip_straightens_them_alike(tmp_path: Path) -> None:
    info = frames.probe(clip_of(tmp_path / "clip.mp4", -0.03))
    plain = list(frames.stream(info))
    assert info.lens is None
    with Reading(info, 512 * 2**20) as reading, Reading(info, 0) as forgetful:
        config = AnalysisConfig(plate_at_px=(100.0, 80.0))
        moved = straighten(reading, config)
        straighten(forgetful, config)
        lens = reading.info.lens
        assert lens is not None and lens == forgetful.info.lens
        assert abs(lens.bend + 0.03) < 3 * lens.sd
        np.testing.assert_allclose(
            moved.plate_at_px, lens.straightened((100.0, 80.0), SIZE_PX), atol=1e-9
        )
        ways = [
            list(frames.stream(reading.info)),
            list(reading.pick(range(12))),
            list(forgetful.frames()),
            list(reading.frames()),
        ]
    wanted = [Straightener(lens, SIZE_PX).image(frame.image) for frame in plain]
    for way in ways:
        assert [frame.index for frame in way] == list(range(12))
        assert all(np.array_equal(f.image, w) for f, w in zip(way, wanted, strict=True))
    small = next(frames.stream(reading.info, max_side_px=480, grey=True)).image
    shrunk = cv2.resize(cv2.cvtColor(wanted[0], cv2.COLOR_RGB2GRAY), (480, 270), None, 0, 0, 3)
    assert small.shape == (270, 480)
    assert np.median(np.abs(small.astype(float) - shrunk)) < 3


def test_a_clip_without_a_bend_is_read_as_it_is(tmp_path: Path) -> None:
    info = frames.probe(clip_of(tmp_path / "clip.mp4", 0.0))
    with Reading(info, 512 * 2**20) as reading:
        config = AnalysisConfig(plate_at_px=(100.0, 80.0))
        assert straighten(reading, config) is config
        assert reading.info is info
        same = list(reading.frames())
    plain = frames.stream(info)
    assert all(np.array_equal(a.image, b.image) for a, b in zip(same, plain, strict=True))


# --- what was put right by hand -------------------------------------------------------------------

PUT = Corrections(
    (JointPoint(3, "left_elbow", 200.0, 400.0),),
    (PlatePoint(3, 700.0, 60.0),),
    (EndPoint(4, "image_left", 80.0, 90.0),),
)


def test_corrections_lie_on_the_same_thing_however_pictures_are_straightened(
    tmp_path: Path,
) -> None:
    info = frames.probe(clip_of(tmp_path / "clip.mp4", 0.0))
    bent = dataclasses.replace(info, lens=Lens(-0.03, 0.001, 5))
    assert on_pictures_of(PUT, info) is PUT
    moved = on_pictures_of(PUT, bent)
    assert bent.lens is not None
    for before, after in ((PUT.joints[0], moved.joints[0]), (PUT.ends[0], moved.ends[0])):
        wanted = bent.lens.straightened((before.x_px, before.y_px), SIZE_PX)
        np.testing.assert_allclose((after.x_px, after.y_px), wanted, atol=1e-9)
        assert abs(after.x_px - before.x_px) > 0.3
    check_corrections(moved, bent)

    write_corrections(moved, tmp_path / "put.json")
    kept = read_corrections(tmp_path / "put.json")
    assert kept.bend == -0.03
    assert on_pictures_of(kept, bent) is kept
    back = on_pictures_of(kept, info)
    assert back.bend == 0.0
    for name in ("joints", "plate", "ends"):
        (before,), (after,) = getattr(PUT, name), getattr(back, name)
        np.testing.assert_allclose((after.x_px, after.y_px), (before.x_px, before.y_px), atol=2e-3)
