"""What is drawn, and where."""

from __future__ import annotations

import time
from collections.abc import Callable

import cv2
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from barpath.report.bottompicture import ArmMarks, bottom_picture, plumb_direction
from barpath.report.framestate import FrameState, frame_states, scaled_state
from barpath.report.overlay import annotate_frame
from barpath.report.strokes import OverlayConfig
from barpath.space.pinhole import front_axes
from tests.made_results import DEPTH_M, FPS, make_image, make_result

CONFIG = OverlayConfig()
GREY = np.full((480, 640, 3), 128, np.uint8)


def near(image: np.ndarray, colour: tuple[int, int, int], tolerance: int = 40) -> np.ndarray:
    return (np.abs(image.astype(int) - colour) <= tolerance).all(axis=-1)


def test_plate_outline_is_on_the_ellipse() -> None:
    plate = (320.0, 240.0, 180.0, 110.0, 30.0)
    out = annotate_frame(GREY, FrameState(0, 0.0, plate=plate))
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    c, s = np.cos(np.deg2rad(30)), np.sin(np.deg2rad(30))
    x = 320 + 90 * np.cos(t) * c - 55 * np.sin(t) * s
    y = 240 + 90 * np.cos(t) * s + 55 * np.sin(t) * c
    on = near(out, CONFIG.plate_colour)
    assert on[np.round(y).astype(int), np.round(x).astype(int)].all()
    rows, columns = np.nonzero(on[100:400])
    dx, dy = columns - 320, rows + 100 - 240
    radius = np.hypot((dx * c + dy * s) / 90, (-dx * s + dy * c) / 55)
    assert np.abs(radius - 1).max() < 3 / 55


def test_partly_seen_plate_is_dashed() -> None:
    plate = (320.0, 240.0, 180.0, 180.0, 0.0)
    whole = annotate_frame(GREY, FrameState(0, 0.0, plate=plate))
    partly = annotate_frame(GREY, FrameState(0, 0.0, plate=plate, plate_sure=False))
    counts = [near(o, CONFIG.plate_colour)[100:400].sum() for o in (whole, partly)]
    assert 0.3 < counts[1] / counts[0] < 0.75


def test_trail_skips_what_was_lost() -> None:
    x = np.linspace(100, 500, 81)
    trail = np.column_stack([x, np.full_like(x, 300.0)])
    trail[30:50] = np.nan
    out = annotate_frame(GREY, FrameState(0, 0.0, trail_px=trail, rep=1, n_reps=1))
    on = near(out, CONFIG.path_colour)[300]
    assert on[105:240].all()
    assert not on[255:340].any()
    assert on[355:495].all()


def test_bar_line_joins_both_ends() -> None:
    state = FrameState(0, 0.0, bar_ends=((120.0, 200.0), (520.0, 240.0)), ends_sure=(True, False))
    out = annotate_frame(GREY, state)
    on = near(out, CONFIG.bar_colour)
    for share in (0.0, 0.25, 0.5, 0.75):
        assert on[round(200 + 40 * share), round(120 + 400 * share)]
    assert near(out, CONFIG.outline_colour)[240, 520]


def test_uncertain_joints_are_hollow_and_unlikely_ones_absent() -> None:
    joints = {
        "left_wrist": (200.0, 200.0, 0.9),
        "left_elbow": (300.0, 200.0, 0.3),
        "left_shoulder": (400.0, 200.0, 0.05),
        "left_hip": (np.nan, 200.0, 0.9),
    }
    out = annotate_frame(GREY, FrameState(0, 0.0, joints=joints))
    assert near(out, CONFIG.joint_colour)[200, 200]
    assert near(out, CONFIG.outline_colour)[200, 300]
    assert (out[190:211, 390:411] == 128).all()
    segment = near(out, CONFIG.joint_colour)[200, 210:288]
    assert 0.2 < segment.mean() < 0.8


def test_input_is_left_alone_and_nothing_measured_draws_only_the_readout() -> None:
    image = GREY.copy()
    out = annotate_frame(image, FrameState(0, 0.0))
    assert (image == 128).all()
    assert (out[150:] == 128).all()


@pytest.mark.parametrize("size", [(240, 320), (1280, 720), (2160, 3840), (37, 41)])
def test_strokes_grow_with_the_picture(size: tuple[int, int]) -> None:
    h, w = size
    image = np.full((h, w, 3), 128, np.uint8)
    trail = np.array([[0.1 * w, 0.6 * h], [0.9 * w, 0.6 * h]])
    state = FrameState(0, 0.0, trail_px=trail, rep=2, n_reps=5, phase="press", height_m=0.1)
    out = annotate_frame(image, state)
    thickness = near(out[:, w // 2], CONFIG.path_colour, 70).sum()
    assert 1 <= thickness <= max(2, 1.6 * min(size) * CONFIG.line_share + 1)
    assert thickness >= 0.7 * min(size) * CONFIG.line_share


def test_readout_contrast() -> None:
    """At least 7:1, whatever is behind the box (WCAG 2.2, success criterion 1.4.6)."""

    def luminance(colour: np.ndarray) -> float:
        c = colour / 255.0
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    white = np.full((480, 640, 3), 255, np.uint8)
    out = annotate_frame(white, FrameState(0, 0.0, rep=1, n_reps=5, height_m=0.1, speed_m_s=0.2))
    background, ink = luminance(out[2, 2].astype(float)), luminance(np.array([255.0] * 3))
    assert (ink + 0.05) / (background + 0.05) >= 7.0
    assert near(out[:60, :150], (255, 255, 255), 10).any()


def test_colours_stay_apart_under_colour_vision_deficiency() -> None:
    """Simulated by the matrices of Viénot, Brettel & Mollon 1999 (from memory), in linear RGB.

    A CIEDE2000 difference of 10 is several times what is just noticed (common practice, no source).
    """
    to_lms = np.array(
        [[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]]
    )
    protan = np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]])
    deutan = np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]])
    colours = np.array(
        [CONFIG.path_colour, CONFIG.plate_colour, CONFIG.bar_colour, CONFIG.joint_colour]
    )
    linear = (colours / 255.0) ** 2.2
    for loss in (np.eye(3), protan, deutan):
        seen = linear @ (np.linalg.inv(to_lms) @ loss @ to_lms).T
        lab = rgb2lab(np.clip(seen, 0, 1)[None] ** (1 / 2.2))[0]
        for i in range(len(lab)):
            for j in range(i):
                assert deltaE_ciede2000(lab[i], lab[j]) > 10.0


@pytest.mark.parametrize("view", ["side", "front", "oblique"])
def test_states_follow_the_tables(view: str) -> None:
    result = make_result(view)
    states = frame_states(result)
    assert [s.frame for s in states] == result.track["frame"].tolist()
    third = result.reps.iloc[2]
    state = states[round(third["touch_s"] * FPS)]
    assert (state.rep, state.n_reps) == (3, 5)
    assert state.height_m == pytest.approx(0.0, abs=0.005)
    assert states[0].rep is None
    assert states[0].height_m == pytest.approx(DEPTH_M, abs=0.005)
    assert states[round((third["press_s"] + 0.2) * FPS)].phase == "press"
    assert (state.plate is None) == (view == "front")
    assert (state.bar_ends is None) == (view != "front")
    start = states[round(third["start_s"] * FPS) + 2]
    assert len(state.trail_px) > len(start.trail_px) > 0


def test_trail_is_drawn_where_the_camera_sees_it() -> None:
    result = make_result("oblique")
    state = frame_states(result)[round(result.reps["press_s"][1] * FPS)]
    i = state.frame
    here = result.track.loc[i, ["x_px", "y_px"]].to_numpy(float)
    np.testing.assert_allclose(state.trail_px[-1], here, atol=1e-9)
    first = i - len(state.trail_px) + 1
    sway = result.camera["m02"][first] - result.camera["m02"][i]
    then = result.track.loc[first, ["x_px", "y_px"]].to_numpy(float) + np.array([sway, 0.0])
    np.testing.assert_allclose(state.trail_px[0], then, atol=1e-9)


def test_joints_are_interpolated_only_over_short_gaps() -> None:
    result = make_result("side")
    states = frame_states(result)
    between = [states[k].joints["left_wrist"] for k in (30, 31, 33)]
    expected = between[0][0] + (between[2][0] - between[0][0]) / 3
    assert between[1][0] == pytest.approx(expected, abs=1e-6)
    far = result.pose["frame"].isin([0, 300])
    sparse = frame_states(make_result("side", pose=result.pose[far]))
    assert sparse[0].joints
    assert not sparse[150].joints


def test_scaled_state_lands_on_the_same_place() -> None:
    result = make_result("front")
    state = frame_states(result)[90]
    half = scaled_state(state, 0.5)
    (x, y), _ = state.bar_ends
    assert half.bar_ends[0] == pytest.approx(((x + 0.5) / 2 - 0.5, (y + 0.5) / 2 - 0.5))
    assert half.height_m == state.height_m


def test_no_pose_and_no_rep() -> None:
    result = make_result("side")
    result.pose = result.pose.iloc[:0]
    result.reps = result.reps.iloc[:0]
    states = frame_states(result)
    annotate_frame(make_image(result, 5), states[5])
    assert states[5].joints == {}
    assert np.isnan(states[5].height_m)


@pytest.mark.slow
def test_fast_enough_for_every_frame() -> None:
    """Processor time against that of a plain copy; a pass of floats over all pixels exceeds it."""
    result = make_result("side")
    state = scaled_state(frame_states(result)[round(result.reps["press_s"][1] * FPS)], 4 / 3)
    image = np.full((720, 1280, 3), 90, np.uint8)
    annotate_frame(image, state)

    def fastest(work: Callable[[], object]) -> float:
        spans = []
        for _ in range(15):
            begin = time.thread_time()
            work()
            spans.append(time.thread_time() - begin)
        return min(spans)

    assert fastest(lambda: annotate_frame(image, state)) < 45 * fastest(image.copy)


@pytest.mark.parametrize(("yaw", "pitch", "roll"), [(0, 0, 0), (4, 20, -3), (-6, -5, 2)])
def test_plumb_lines_are_what_the_camera_sees_of_upright_ones(
    yaw: float, pitch: float, roll: float
) -> None:
    """Against two points of an upright line, projected (pinhole camera, plain geometry)."""
    up, across, along = front_axes(*np.deg2rad([yaw, pitch, roll]))
    size, focal = (1280, 720), 1000.0
    camera = {"focal_px": focal, "pitch_deg": float(pitch), "roll_deg": float(roll)}

    def seen(point: np.ndarray) -> np.ndarray:
        return point[:2] / point[2] * focal + (np.array(size) - 1) / 2

    for side, height, depth in ((0.6, -0.3, 2.5), (-0.5, 0.2, 3.5)):
        wrist = side * across + height * up + depth * along
        want = seen(wrist - 0.25 * up) - seen(wrist)
        got = plumb_direction(seen(wrist), camera, size)
        assert np.allclose(got, want / np.linalg.norm(want), atol=1e-9)


def test_bottom_shows_forearm_plumb_line_and_distance() -> None:
    image = np.full((360, 640, 3), 90, np.uint8)
    at = {"shoulder_px": (280, 200), "elbow_px": (180, 260), "wrist_px": (220, 160)}
    points = {name: np.array(place, float) for name, place in at.items()}
    marks = ArmMarks(
        **points,
        foot_px=np.array([220.0, 260.0]),
        below_px=np.array([220.0, 285.0]),
        label="5.0 ± 1.0 cm",
        sure=True,
    )
    config = OverlayConfig()
    shown = bottom_picture(image, {"right": marks}, config=config)
    assert shown.shape[1] == config.bottom_width_px
    for colour in (config.path_colour, config.bar_colour, config.joint_colour):
        assert (np.abs(shown.astype(int) - colour).sum(axis=2) < 40).sum() > 200
    half = bottom_picture(cv2.resize(image, None, fx=0.5, fy=0.5), {"right": marks}, 0.5)
    assert abs(half.shape[0] - shown.shape[0]) <= 8
    assert np.mean(np.abs(half.astype(int) - cv2.resize(shown, half.shape[1::-1]))) < 12
