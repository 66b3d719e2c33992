from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from barpath.sight.pose import JOINTS
from barpath.space.fittedcamera import CalibrationConfig
from barpath.space.joints import (
    JointDepths,
    ReadingError,
    front_joints,
    head_direction,
    near_side,
    side_joints,
    upper_arm,
)
from barpath.space.pinhole import front_axes, world_axes
from barpath.space.platecamera import calibrate_side
from tests.test_calibrate import FOCAL, HEIGHT, THIN, WIDTH, pinhole, side_track


def pose_row(points_px, sd_px=4.0, frame=0):
    row = {"frame": frame, "time_s": frame / 30, "person_score": 1.0}
    for joint in JOINTS:
        x, y = points_px.get(joint, (np.nan, np.nan))
        row |= {f"{joint}_x_px": x, f"{joint}_y_px": y}
        row |= {f"{joint}_var_{axis}_px2": sd_px**2 for axis in "xy"}
    return row


def lying(head_right, n=6):
    sign = 1 if head_right else -1
    points = {
        f"{side}_{joint}": (640 + sign * reach, 400)
        for side in ("left", "right")
        for joint, reach in (("shoulder", 150), ("hip", -50))
    }
    return pd.DataFrame([pose_row(points, frame=k) for k in range(n)])


@pytest.mark.parametrize("head_right", [True, False])
def test_head_direction_and_near_arm(head_right):
    head = head_direction(lying(head_right))
    assert head == (1 if head_right else -1)
    # On the back with the head to the viewer's left, the viewer stands at the right side.
    assert near_side(head) == ("left" if head_right else "right")


def test_head_direction_is_not_guessed():
    assert head_direction(lying(True, n=2)) == 0
    mixed = pd.concat([lying(True), lying(False)])
    assert head_direction(mixed) == 0
    assert near_side(0) == ""


def test_side_joints_recover_a_known_arm():
    """An arm at the assumed depths, projected point by point, comes back in metres."""
    track, _, (up, across, along) = side_track(0, 0, 0, distance=2.4)
    calibration = calibrate_side(
        track,
        WIDTH,
        HEIGHT,
        roll_deg=0,
        roll_sd_deg=0.1,
        config=replace(THIN, focal_px=FOCAL, focal_rel_sd=0.001, outline_bias_sd_px=0.01),
    )
    depths = JointDepths()
    plate_plane = np.array([0, 0, 2.4])
    wanted = {"shoulder": (0.30, -0.10), "elbow": (0.05, -0.25), "wrist": (0.02, 0.02)}
    points = {}
    for joint, (x, y) in wanted.items():
        behind = calibration.value("outline_m") - depths.lateral_m[joint]
        place = plate_plane + x * along + y * up + behind * across
        points[f"left_{joint}"] = pinhole(place[None])[0]
    table = pd.DataFrame([pose_row(points)])
    found = side_joints(table, calibration, 1, np.zeros(2))
    for joint, (x, y) in wanted.items():
        assert found.loc[0, f"left_{joint}_x_m"] == pytest.approx(x, abs=0.005)
        assert found.loc[0, f"left_{joint}_y_m"] == pytest.approx(y, abs=0.005)
        assert 0.01 < found.loc[0, f"left_{joint}_sd_m"] < 0.06
    assert np.isnan(found.loc[0, "right_elbow_x_m"])


def test_head_to_the_left_turns_x_over():
    track, *_ = side_track(0, 0, 0)
    calibration = calibrate_side(track, WIDTH, HEIGHT)
    table = pd.DataFrame([pose_row({"right_shoulder": (500.0, 300.0)})])
    one = side_joints(table, calibration, 1, np.zeros(2))
    other = side_joints(table, calibration, -1, np.zeros(2))
    assert np.sign(one.loc[0, "right_shoulder_x_m"]) == -np.sign(other.loc[0, "right_shoulder_x_m"])


def test_front_joints_recover_a_known_arm():
    from barpath.space.feetcamera import calibrate_front
    from tests.test_calibrate import front_track

    track, _ = front_track(0, 15, 0)
    calibration = calibrate_front(
        track,
        WIDTH,
        HEIGHT,
        roll_deg=0,
        roll_sd_deg=0.2,
        pitch_deg=15,
        pitch_sd_deg=0.2,
        config=CalibrationConfig(focal_px=FOCAL, focal_rel_sd=0.001),
    )
    up, across, along = front_axes(0, np.deg2rad(15), 0)
    bar = np.array([0, 0.1, 3.0])
    elbow = bar + 0.45 * across - 0.25 * up
    table = pd.DataFrame([pose_row({"left_elbow": pinhole(elbow[None])[0]})])
    found = front_joints(table, calibration, np.array([bar @ along]), np.zeros(2))
    assert found.loc[0, "left_elbow_x_m"] == pytest.approx(0.45, abs=0.01)
    assert found.loc[0, "left_elbow_y_m"] - bar @ up == pytest.approx(-0.25, abs=0.015)


def test_stated_spread_and_the_common_error_add_up():
    error = ReadingError(share=1.5, common_m=0.004)
    variance = np.array([[4.0, 1.0], [1.0, 4.0], [np.nan, np.nan]])
    sd = error.sd_m(variance, np.full(3, 0.001))
    # 1.5 x 2 px of 1 mm, and 4 mm beside it.
    assert sd[:2] == pytest.approx([0.005, 0.005])
    assert np.isnan(sd[2])


def test_upper_arm_prefers_the_tape():
    assert upper_arm(pd.DataFrame(), "side", measured_m=0.33, stature_m=1.8)[0] == 0.33


def test_upper_arm_by_segment_ratio():
    """Drillis and Contini (1966), as given in Winter: upper arm 0.186 of stature."""
    assert upper_arm(pd.DataFrame(), "front", stature_m=1.75)[0] == pytest.approx(0.3255)


def test_upper_arm_from_the_set_is_the_longest_seen():
    angle = np.linspace(0, np.pi / 2, 40)
    table = pd.DataFrame(
        {
            f"{side}_{joint}_{axis}_m": value
            for side in ("left", "right")
            for joint, axis, value in (
                ("shoulder", "x", 0 * angle),
                ("shoulder", "y", 0 * angle),
                ("elbow", "x", 0.31 * np.sin(angle)),
                ("elbow", "y", 0 * angle),
            )
        }
    )
    length, sd = upper_arm(table, "front")
    assert abs(length - 0.31) < 2 * sd
    assert np.isnan(upper_arm(table, "oblique")[0])
    assert np.isnan(upper_arm(2 * table, "front")[0])


def test_world_axes_are_right_angled():
    axes = np.array(world_axes(0.3, 0.2, -0.1))
    assert np.allclose(axes @ axes.T, np.eye(3))
