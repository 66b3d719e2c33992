"""The fitted camera against geometry projected independently, point by point."""

import numpy as np
import pandas as pd
import pytest

from barpath.calibrate import (
    CalibrationConfig,
    calibrate_front,
    calibrate_side,
    front_axes,
    front_ends,
    front_systematics,
    project_discs,
    side_joint_points,
    side_points,
    side_systematics,
    steady,
    world_axes,
)
from barpath.errors import BarNotFoundError

WIDTH, HEIGHT = 1280, 720
CENTRE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
FOCAL = 1080.0


def pinhole(points, focal=FOCAL):
    return points[:, :2] / points[:, 2:] * focal + CENTRE


def press_path(n=60):
    t = np.linspace(0, 2 * np.pi, n)
    return np.column_stack([0.04 * np.cos(t), 0.2 * np.cos(t)])


def side_track(yaw_deg, pitch_deg, roll_deg, distance=2.4, offset=(0.1, 0.15)):
    """Plate table of a press in space, by fitting the outline's projected points."""
    import cv2

    up, across, along = world_axes(*np.deg2rad([yaw_deg, pitch_deg, roll_deg]))
    path = press_path()
    middle = np.array([0, 0, distance]) + offset[0] * along + offset[1] * up
    rows, truth = [], []
    for frame, (x, y) in enumerate(path):
        centre = middle + x * along + y * up
        angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
        rim = centre + 0.225 * (np.cos(angle)[:, None] * along + np.sin(angle)[:, None] * up)
        (cx, cy), (d1, d2), turn = cv2.fitEllipseDirect(pinhole(rim).astype(np.float32))
        major, minor = max(d1, d2), min(d1, d2)
        turn = turn if d1 >= d2 else turn + 90
        rows.append(
            dict(
                frame=frame,
                time_s=frame / 30,
                x_px=cx,
                y_px=cy,
                major_px=major,
                minor_px=minor,
                angle_deg=(turn + 90) % 180 - 90,
                sd_px=0.1,
                outline_share=1.0,
                state="seen",
            )
        )
        truth.append(centre)
    return pd.DataFrame(rows), np.array(truth), (up, across, along)


@pytest.mark.parametrize(("yaw", "pitch", "roll"), [(0, 0, 0), (3, 4, 1), (-12, 8, -2), (40, 5, 1)])
def test_side_path_is_metric(yaw, pitch, roll):
    track, truth, (up, _, along) = side_track(yaw, pitch, roll)
    config = CalibrationConfig(focal_px=FOCAL)
    fit = calibrate_side(track, WIDTH, HEIGHT, roll_deg=roll, roll_sd_deg=0.2, config=config)
    found = side_points(fit.params, track[["x_px", "y_px"]].to_numpy(), fit.principal_px)
    wanted = np.column_stack([truth @ along, truth @ up])
    error = (found - found.mean(axis=0)) - (wanted - wanted.mean(axis=0))
    assert np.sqrt((error**2).mean()) < 0.002
    spread = side_systematics(fit, track)
    rom = np.ptp(found[:, 1])
    assert abs(rom - 0.4) < 3 * 0.4 * spread.vertical_rel_sd + 1e-3
    assert 0 < spread.vertical_rel_sd < 0.02


def test_unknown_focal_and_roll_are_carried_in_the_uncertainty():
    track, truth, (up, _, along) = side_track(0, 3, 1.5)
    fit = calibrate_side(track, WIDTH, HEIGHT)
    spread = side_systematics(fit, track)
    found = side_points(fit.params, track[["x_px", "y_px"]].to_numpy(), fit.principal_px)
    wanted = np.column_stack([truth @ along, truth @ up])
    drift_error = (
        np.polyfit(found[:, 1], found[:, 0], 1)[0] - np.polyfit(wanted[:, 1], wanted[:, 0], 1)[0]
    )
    assert spread.tilt_sd_deg > 1.0
    assert abs(np.rad2deg(drift_error)) < 2 * spread.tilt_sd_deg


def test_joint_behind_the_plate_reads_short_without_depth():
    """An arm 0.3 m behind a plate 3 m away is 10 % smaller in the picture: similar triangles."""
    track, _, (up, _, _) = side_track(0, 0, 0, distance=3.0)
    fit = calibrate_side(
        track,
        WIDTH,
        HEIGHT,
        roll_deg=0,
        roll_sd_deg=0.1,
        config=CalibrationConfig(focal_px=FOCAL, focal_rel_sd=0.001),
    )
    shoulder = np.array([0, 0, 3.3]) - 0.1 * up
    elbow = shoulder - 0.3 * up
    seen = pinhole(np.array([shoulder, elbow]))
    flat = side_joint_points(fit.params, seen, fit.principal_px, 0.0)
    deep = side_joint_points(fit.params, seen, fit.principal_px, 0.3)
    assert np.linalg.norm(flat[0] - flat[1]) == pytest.approx(0.3 * 3.0 / 3.3, rel=0.005)
    assert np.linalg.norm(deep[0] - deep[1]) == pytest.approx(0.3, rel=0.005)


def test_disc_projection_against_projected_points():
    import cv2

    up, across, along = world_axes(*np.deg2rad([35, 10, 3]))
    centre = np.array([0.3, -0.2, 2.0])
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    rim = centre + 0.2 * (np.cos(angle)[:, None] * along + np.sin(angle)[:, None] * up)
    (cx, cy), _, _ = cv2.fitEllipseDirect((pinhole(rim) - CENTRE).astype(np.float32))
    found, _ = project_discs(centre[None], across, 0.2, FOCAL)
    assert np.allclose(found[0], (cx, cy), atol=0.02)
    disc_centre = pinhole(centre[None])[0] - CENTRE
    assert np.linalg.norm(found[0] - disc_centre) > 0.3


def front_track(yaw_deg, pitch_deg, roll_deg, distance=3.0, gap=1.372, plate=0.45):
    up, across, along = front_axes(*np.deg2rad([yaw_deg, pitch_deg, roll_deg]))
    t = np.linspace(0, 2 * np.pi, 40)
    rows, truth = [], []
    for frame, angle in enumerate(t):
        middle = (
            np.array([0, 0.1, distance])
            + 0.2 * np.cos(angle) * up
            + 0.2 * 0.12 * np.cos(angle) * along
        )
        ends = np.array([middle - gap / 2 * across, middle + gap / 2 * across])
        px = pinhole(ends)
        high = FOCAL * plate / ends[:, 2]
        rows.append(
            dict(
                frame=frame,
                time_s=frame / 30,
                image_left_x_px=px[0, 0],
                image_left_y_px=px[0, 1],
                image_right_x_px=px[1, 0],
                image_right_y_px=px[1, 1],
                image_left_plate_px=high[0],
                image_right_plate_px=high[1],
                span_rel_sd=0.003,
            )
        )
        truth.append(middle @ up)
    return pd.DataFrame(rows), np.array(truth)


@pytest.mark.parametrize(
    ("yaw", "pitch", "roll"), [(0, 0, 0), (0, 20, 0), (6, 15, 1), (-5, -5, -1)]
)
def test_front_heights_and_gap_are_metric(yaw, pitch, roll):
    track, truth = front_track(yaw, pitch, roll)
    config = CalibrationConfig(focal_px=FOCAL)
    fit = calibrate_front(track, WIDTH, HEIGHT, config=config)
    left_px = track[["image_left_x_px", "image_left_y_px"]].to_numpy()
    right_px = track[["image_right_x_px", "image_right_y_px"]].to_numpy()
    left, right = front_ends(fit.params, left_px, right_px, fit.principal_px)
    height = (left[:, 1] + right[:, 1]) / 2
    spread = front_systematics(fit, track)
    assert np.ptp(height) == pytest.approx(np.ptp(truth), rel=max(3 * spread.vertical_rel_sd, 0.01))
    assert spread.horizontal_rel_sd < 0.01
    # What is said of the ends' distance replaces what is assumed of it where nothing is said.
    for other in (track.drop(columns="span_rel_sd"), track.assign(span_rel_sd=0.02)):
        wider = calibrate_front(other, WIDTH, HEIGHT, config=config)
        assert 0.012 < front_systematics(wider, other).horizontal_rel_sd < 0.024
    assert fit.plate_check_mm == pytest.approx(450, rel=0.04)


def test_small_plates_show_in_the_plate_check():
    track, _ = front_track(0, 10, 0, plate=0.32)
    fit = calibrate_front(track, WIDTH, HEIGHT)
    assert fit.plate_check_mm == pytest.approx(320, rel=0.05)


def test_too_few_ellipses_is_one_clear_error():
    track, *_ = side_track(0, 0, 0)
    track["state"] = "lost"
    track.loc[:, ["x_px", "y_px", "major_px", "minor_px", "angle_deg"]] = np.nan
    with pytest.raises(BarNotFoundError, match="too few frames"):
        calibrate_side(track, WIDTH, HEIGHT)


def test_steady_moves_points_and_turns_ellipses():
    turn = np.deg2rad(10)
    camera = pd.DataFrame(
        dict(
            frame=[0],
            m00=1.1 * np.cos(turn),
            m01=-1.1 * np.sin(turn),
            m02=5.0,
            m10=1.1 * np.sin(turn),
            m11=1.1 * np.cos(turn),
            m12=-3.0,
        )
    )
    track = pd.DataFrame(
        dict(
            frame=[0], x_px=[10.0], y_px=[20.0], major_px=[100.0], minor_px=[60.0], angle_deg=[85.0]
        )
    )
    moved = steady(track, camera, [""])
    assert moved.loc[0, "major_px"] == pytest.approx(110)
    assert moved.loc[0, "angle_deg"] == pytest.approx(-85)
    expected = 1.1 * (10 * np.cos(turn) - 20 * np.sin(turn)) + 5
    assert moved.loc[0, "x_px"] == pytest.approx(expected)
