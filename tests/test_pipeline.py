import dataclasses
import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from barpath.analysis import finding, pipeline
from barpath.analysis.config import AnalysisConfig, SearchConfig
from barpath.analysis.finding import find_bar, plate_seed_at
from barpath.analysis.measuring import find_lift, make_context
from barpath.analysis.placing import LEAST_SEEN_ITSELF, check_followed, check_rim
from barpath.analysis.running import one_blas_thread
from barpath.analysis.trajectory import (
    PARALLAX_SPEED_SHARE,
    Path3,
    camera_sway_m_s,
    front_trajectory,
    side_trajectory,
    with_sway,
)
from barpath.clip.frames import Frame
from barpath.errors import BarNotFoundError, OptionError
from barpath.sight import firstlook
from barpath.sight.ellipse import Ellipse
from barpath.sight.plate import PlateSeed
from barpath.space.feetcamera import calibrate_front
from barpath.space.platecamera import calibrate_side
from barpath.space.scalecheck import side_systematics
from barpath.space.smooth import smooth
from barpath.trial.artificial import PlateScene, make_plate_clip
from tests.test_calibrate import HEIGHT, WIDTH, front_track, side_track


def test_settings_are_checked():
    with pytest.raises(OptionError, match="view"):
        AnalysisConfig(view="top")
    with pytest.raises(OptionError, match="upper-arm"):
        AnalysisConfig(upper_arm_m=33.0)


def test_plate_seed_moves_with_the_zoom():
    """A pixel's centre in a shrunk frame is that of the block of pixels it came from."""
    seed = PlateSeed(
        index=3,
        ellipse=Ellipse(10.0, 20.0, 8.0, 6.0, 30.0),
        path=np.array([[0, 0.0, 10.0, 20.0]]),
    )
    moved = plate_seed_at(seed, 2.0)
    assert moved.ellipse.x_px == 20.5
    assert moved.ellipse.y_px == 40.5
    assert (moved.ellipse.major_px, moved.ellipse.minor_px) == (16.0, 12.0)
    assert moved.path[0, 2:].tolist() == [20.5, 40.5]


def test_side_trajectory_is_smooth_metric_and_upward():
    track, truth, (up, _, _) = side_track(0, 0, 0)
    calibration = calibrate_side(track, WIDTH, HEIGHT, roll_deg=0, roll_sd_deg=0.2)
    path = side_trajectory(track, calibration, AnalysisConfig())
    height = path.table["y_smooth_m"].to_numpy()
    wanted = truth @ up
    assert np.allclose(height - height.mean(), wanted - wanted.mean(), atol=0.004)
    assert path.table["sd_m"].between(1e-5, 5e-3).all()


def test_front_trajectory_tilt_is_the_lifters():
    track, _ = front_track(0, 10, 0)
    track["image_right_y_px"] -= 8.0
    for end in ("image_left", "image_right"):
        track[f"{end}_sd_px"] = 0.1
        track[f"{end}_state"] = "seen"
    calibration = calibrate_front(track, WIDTH, HEIGHT, roll_deg=0, roll_sd_deg=0.1)
    path = front_trajectory(track, calibration, AnalysisConfig())
    # Filmed from the feet, the image's right end is on the lifter's left.
    # How much of it the camera takes up as turn and nod hangs on what is known of presses and bars.
    assert path.table["tilt_deg"].median() > 0.05
    assert (path.table["left_y_m"] - path.table["right_y_m"]).median() > 0.0
    assert np.isfinite(path.along_m).all()


def test_an_end_that_jumps_in_the_picture_leaves_the_height_alone():
    """A camera that looks down takes for height what a wrong distance between the ends brings."""
    track, _ = front_track(0, 15, 0)
    for end in ("image_left", "image_right"):
        track[f"{end}_sd_px"] = 0.1
        track[f"{end}_state"] = "seen"
    calibration = calibrate_front(track, WIDTH, HEIGHT, roll_deg=0, roll_sd_deg=0.1)
    wanted = front_trajectory(track, calibration, AnalysisConfig()).table
    track.loc[track.index % 8 < 2, "image_left_x_px"] += 4.0
    found = front_trajectory(track, calibration, AnalysisConfig()).table
    assert (found["y_m"] - wanted["y_m"]).std() < 0.002
    assert found["sd_y_m"].median() > wanted["sd_y_m"].median()


def test_lost_track_is_refused():
    track, *_ = side_track(0, 0, 0)
    track.loc[10:, ["x_px", "y_px"]] = np.nan
    with pytest.raises(BarNotFoundError, match="17%"):
        check_followed(track, "side")


def test_what_was_lost_is_called_what_was_followed():
    plates, *_ = side_track(0, 0, 0)
    plates["state"] = "lost"
    plates.loc[10:, ["x_px", "y_px"]] = np.nan
    hands = plates.assign(major_px=np.nan, minor_px=np.nan, angle_deg=np.nan)
    nothing = hands.assign(x_px=np.nan, y_px=np.nan)
    sleeve = hands.assign(sleeve_px=30.0, sleeve_rel_sd=0.1)
    for track, said in (
        (plates, "^The plate was seen whole in"),
        (hands, "^Both hands on the bar were seen in"),
        (nothing, "^The bar was seen in"),
        (sleeve, "^The end of the bar's sleeve was seen in"),
    ):
        with pytest.raises(BarNotFoundError, match=said):
            check_followed(track, "side", LEAST_SEEN_ITSELF, whole=True)


def test_no_disc_is_taken_for_a_plate_of_a_bare_bar_seen_from_the_feet():
    """The shaft's ends read far apart, no plates read at them, and no such bar found."""
    disc = PlateSeed(0, Ellipse(50.0, 60.0, 40.0, 39.0, 0.0), np.zeros((0, 4)))

    def found(*, bare):
        look = SimpleNamespace(bare=bare, near_end=lambda: "", span_in_limbs=lambda _: 5.0)
        stretch = SimpleNamespace(
            config=AnalysisConfig(),
            zoom=1.0,
            look=look,
            problems=["No bare bar."],
            line=lambda **_: None,
            disc=lambda: disc,
        )
        return finding._find_in(stretch, None)

    assert found(bare=False).view == "side"
    with pytest.raises(BarNotFoundError, match=r"No bare bar\."):
        found(bare=True)


def test_an_outline_pieced_together_gives_way_to_one_that_can_be_followed():
    """It lies on the plate's rim above and on what stands behind it below, in one picture only."""
    scene = PlateScene(fps=8.0, n_frames=24, major_px=70.0)
    frames, truth = make_plate_clip(scene)
    at = len(frames) // 2
    path = truth[["frame", "time_s", "x_px", "y_px"]].to_numpy(dtype=float)
    x, y = path[at, 2:]
    size = float(truth["major_px"].iloc[at])
    rim = PlateSeed(at, Ellipse(x, y, size, float(truth["minor_px"].iloc[at]), 0.0), path)
    pieced = PlateSeed(
        at,
        Ellipse(x, y + 0.2 * size, 1.4 * size, 0.8 * size, -90.0),
        path + np.array([0, 0, 0, 0.2 * size]),
    )

    class Stretch(finding._Stretch):
        found = (pieced, rim)

        def is_held(self, seed):
            return True

        def _is_read(self, seed):
            return True

        def _discs(self):
            yield from self.found

    look = firstlook.FirstLook(np.zeros(0, dtype=np.int64), ())
    stretch = Stretch(frames, np.zeros((0, 2, 3)), 1.0, look, None, AnalysisConfig(), [])
    assert stretch.disc() is rim
    Stretch.found = (pieced,)
    assert stretch.disc() is pieced


def test_a_plate_seen_mostly_in_part_may_be_something_else():
    """As in a clip in which a small plate was taken for a large one: 18 % of the frames whole."""
    track, *_ = side_track(0, 0, 0)
    track["state"] = np.where(np.arange(len(track)) < 0.18 * len(track), "seen", "partly")
    check_followed(track, "side")
    with pytest.raises(BarNotFoundError, match="seen whole in only 18%"):
        check_followed(track, "side", LEAST_SEEN_ITSELF, whole=True)
    track["state"] = np.where(np.arange(len(track)) < 0.39 * len(track), "seen", "partly")
    check_followed(track, "side", LEAST_SEEN_ITSELF, whole=True)


def test_an_outline_on_hardly_any_rim_is_refused() -> None:
    track, *_ = side_track(0, 0, 0)
    check_rim(track)
    check_rim(track.assign(outline_share=0.5))
    with pytest.raises(BarNotFoundError, match="only 8% of a plate's rim"):
        check_rim(track.assign(outline_share=0.08))


def test_context_says_why_horizontal_lengths_are_missing():
    track, *_ = side_track(0, 0, 0)
    spread = side_systematics(calibrate_side(track, WIDTH, HEIGHT), track)
    info = SimpleNamespace(fps=30.0)
    context = make_context(info, "side", spread, pd.DataFrame(), 5.0, 0.0, 0, 2.0, AnalysisConfig())
    assert not context.horizontal_trusted
    assert "head" in context.horizontal_reason
    assert not context.lifter_found
    names = itertools.product(("left", "right"), ("shoulder", "elbow"), ("x_m", "y_m", "sd_m"))
    joints = pd.DataFrame({"_".join(name): [0.1] for name in names})
    given = (joints, 5.0, 0.0, 1, 2.0, AnalysisConfig())
    assert make_context(info, "side", spread, *given).lifter_found
    unsure = dataclasses.replace(spread, vertical_rel_sd=0.5)
    assert "scale" in make_context(info, "side", unsure, *given).lifter_reason
    front = make_context(info, "front", spread, pd.DataFrame(), 5.0, 0.0, 0, 90.0, AnalysisConfig())
    assert "feet" in front.horizontal_reason
    for sway_m, trusted in ((0.02, True), (0.04, False)):
        aslant = make_context(
            info, "oblique", spread, joints, 5.0, sway_m, 1, 45.0, AnalysisConfig()
        )
        assert aslant.horizontal_trusted == trusted
    assert "camera moved too much" in aslant.horizontal_reason


def swung(time_s, amplitude_px, hz=1.0):
    """Camera table of a hand that sways up and down."""
    still = {"m00": 1.0, "m01": 0.0, "m02": 0.0, "m10": 0.0, "m11": 1.0}
    shift_px = amplitude_px * np.sin(2 * np.pi * hz * time_s)
    return pd.DataFrame(
        {"frame": range(len(time_s)), "time_s": time_s, **still, "m12": shift_px, "static": False}
    )


def test_a_swaying_camera_leaves_part_of_its_speed():
    time_s = np.arange(0, 10, 1 / 60)
    found = camera_sway_m_s(swung(time_s, 10.0), (640.0, 360.0), 400.0, 6.0)
    # A sine's root mean square speed, half of it for either direction.
    usual_px_s = 10.0 * 2 * np.pi / np.sqrt(2) / np.sqrt(2)
    assert found == pytest.approx(PARALLAX_SPEED_SHARE * usual_px_s / 400.0, rel=0.03)
    still = swung(time_s, 0.0).assign(static=True)
    assert camera_sway_m_s(still, (640.0, 360.0), 400.0, 6.0) == 0.0


def test_moments_of_a_swaying_camera_are_known_less_well():
    time_s = np.arange(0, 8, 1 / 30)
    phase = time_s % 4
    down, up = np.clip(phase - 0.5, 0, 1), np.clip(phase - 2.0, 0, 1)
    height_m = -0.35 * (down**2 * (3 - 2 * down) - up**2 * (3 - 2 * up))
    smoothed = smooth(time_s, height_m)
    columns = {"y_m": height_m, "ay_m_s2": smoothed.acceleration, "sd_vx_m_s": 0.003}
    table = pd.DataFrame({"time_s": time_s, **columns, "sd_vy_m_s": 0.004})
    path = Path3(table, np.zeros(2), np.full(len(time_s), np.nan), smoothed.cutoff_hz)
    info = SimpleNamespace(width_px=1280, height_px=720)
    steady, swaying = (
        find_lift(path, camera, info, 400.0, AnalysisConfig())
        for camera in (swung(time_s, 0.0).assign(static=True), swung(time_s, 10.0))
    )
    assert len(steady.reps) == len(swaying.reps) == 2
    for event in ("start", "touch", "press", "lockout"):
        assert (swaying.reps[f"{event}_s"] == steady.reps[f"{event}_s"]).all()
        # 0.012 m/s of a speed that changes by 1 to 2 m/s a second.
        wider = np.sqrt(swaying.reps[f"{event}_sd_s"] ** 2 - steady.reps[f"{event}_sd_s"] ** 2)
        assert wider.between(0.005, 0.025).all()
    assert (with_sway(path, swaying.sway_m_s).table["sd_vy_m_s"] > 0.01).all()
    assert with_sway(path, steady.sway_m_s).table.equals(table)


def test_search_holds_a_bounded_number_of_frames():
    search = SearchConfig()
    assert search.per_s * search.stretch_s * search.max_side_px**2 * 3 < 1e9


def test_linear_algebra_keeps_to_one_thread_and_gives_the_others_back():
    """Else small solves wait for one another, and their last digits hang on the machine."""

    @one_blas_thread
    def threads():
        return [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]

    before = [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]
    assert before
    with threadpool_limits(2):
        assert set(threads()) == {1}
    after = [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]
    assert after == before
    for function in (pipeline.analyse, pipeline.remeasure, pipeline.measure):
        assert hasattr(function, "__wrapped__")


def test_a_later_stretch_is_given_the_pictures_of_the_one_before(monkeypatch):
    """Stretches overlap by half, so that no picture of them need be read twice."""
    given = []

    def one_picture(*_, start_s, known):
        given.append((start_s, [frame.time_s for frame in known]))
        return [Frame(0, start_s, np.zeros((2, 2, 3), np.uint8))]

    reading = SimpleNamespace(info=SimpleNamespace(duration_s=40.0), sample=one_picture)
    with pytest.raises(BarNotFoundError):
        find_bar(reading, AnalysisConfig())
    assert given == [(0.0, []), (15.0, [0.0]), (30.0, [15.0])]
