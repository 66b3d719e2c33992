"""How sure measures would be from a place: made lifter, made detections, measured."""

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.analysis.madeset import made_set
from barpath.analysis.madeview import Place, detect
from barpath.analysis.places import SHOWN, foretell
from barpath.analysis.readingspread import AZIMUTHS_DEG, READ, ReadingSpread

EXACT = ReadingSpread(stays_share=0.0, own_share=0.0)


def of(table: pd.DataFrame, name: str) -> pd.Series:
    return table.set_index("measure").loc[name]


def test_the_made_lifter_holds_together():
    made = made_set()
    config, points = made.config, made.points_m
    for side, out in (("left", 1), ("right", -1)):
        upper = points[f"{side}_elbow"] - points[f"{side}_shoulder"]
        forearm = points[f"{side}_wrist"] - points[f"{side}_elbow"]
        np.testing.assert_allclose(np.linalg.norm(upper, axis=1), config.upper_arm_m, atol=1e-9)
        np.testing.assert_allclose(np.linalg.norm(forearm, axis=1), config.forearm_m, atol=1e-9)
        bottom = int(np.argmax(made.low))
        # Elbows under the wrists seen from beside, out from the shoulders, tucked some way.
        assert abs(forearm[bottom, 0]) < 0.005
        assert out * upper[bottom, 2] > 0.15
        trunk = points[f"{side}_hip"][0] - points[f"{side}_shoulder"][0]
        cosine = upper[bottom] @ trunk / np.linalg.norm(upper[bottom]) / np.linalg.norm(trunk)
        assert 45 < np.degrees(np.arccos(cosine)) < 80
    assert np.ptp(made.bar_m[:, 1]) == pytest.approx(config.rise_m)
    assert made.bar_m[:, 1].mean() > config.half_way_m[1]


def test_a_made_set_is_seen_as_opencv_would_see_it():
    """The exact readings are the pictures of the points by OpenCV's own camera."""
    place, made = Place(40.0, 1.3, 3.2, focal_share=0.7), made_set()
    info, detected = detect(place, made, spread=EXACT)
    joints = detected.poses
    middle = made.config.half_way_m
    at = middle + 3.2 * np.array([-np.cos(np.radians(40)), 0, np.sin(np.radians(40))])
    at[1] = 1.3
    forward = middle - np.array([0, 0.1, 0]) - at
    forward /= np.linalg.norm(forward)
    right = np.array([-forward[2], 0, forward[0]]) / np.hypot(forward[0], forward[2])
    axes = np.stack([right, np.cross(forward, right), forward])
    f = 0.7 * info.width_px
    matrix = np.array(
        [[f, 0, (info.width_px - 1) / 2], [0, f, (info.height_px - 1) / 2], [0, 0, 1]]
    )
    for name in ("left_elbow", "right_shoulder", "right_collar"):
        points = made.points_m[name][joints["frame"]]
        seen = cv2.projectPoints(points, cv2.Rodrigues(axes)[0], -axes @ at, matrix, None)[0][:, 0]
        read = joints[[f"{name}_x_px", f"{name}_y_px"]].to_numpy()
        known = np.isfinite(read).all(axis=1)
        assert known.any()
        np.testing.assert_allclose(read[known], seen[known], atol=1e-3)


def test_readings_are_off_as_is_stated():
    """Over many draws the errors' size is the model's share of the stated one."""
    place, made, spread = Place(10.0, 1.3, 3.0), made_set(), ReadingSpread()
    exact = detect(place, made, spread=EXACT)[1].poses
    off = []
    for seed in range(60):
        drawn = detect(place, made, seed=seed, spread=spread)[1].poses.iloc[[0]]
        stated = np.sqrt(drawn["left_shoulder_var_x_px2"])
        off.append(float(((drawn - exact.iloc[[0]])["left_shoulder_x_px"] / stated).iloc[0]))
    wanted = np.hypot(spread.stays_share, spread.own_share)
    assert np.std(off) == pytest.approx(wanted, rel=0.35)
    assert abs(np.mean(off)) < 0.4


def test_joints_hidden_or_small_are_read_less_surely():
    spread = ReadingSpread()
    usual = {"azimuth_deg": 45.0, "height_m": 1.2, "px_per_m": 250.0}
    near, far = (spread.sd_m("elbow", side, **usual) for side in (True, False))
    # The far elbow is behind the chest while the bar is low, and in the open when it is high.
    assert (far[0] > 2 * near[0]).all()
    assert (far[1] < 1.5 * near[1]).all()
    for point in READ[:5]:
        small = spread.sd_m(point, True, **(usual | {"px_per_m": 160.0}))
        assert (small > spread.sd_m(point, True, **usual)).all()
    beside = spread.sd_m("wrist", True, **(usual | {"azimuth_deg": 90.0}))
    assert (beside > 2 * spread.sd_m("wrist", True, **usual)).all()
    names = {f"{side} {point} {end}" for side in ("near", "far") for point in READ
             for end in ("low", "high")}  # fmt: skip
    assert set(spread.spreads) == names
    assert {len(one) for by in spread.spreads.values() for one in by[:2]} == {len(AZIMUTHS_DEG)}


def test_the_view_is_that_of_the_azimuth():
    views = [Place(a, 1.2, 3.0).view for a in (0.0, 15.0, 30.0, 60.0, 75.0, 90.0)]
    assert views == ["front", "front", "oblique", "oblique", "side", "side"]


def test_from_the_feet_and_from_beside():
    """What runs along the line of sight is not seen, and what runs across it is seen best."""
    feet = foretell(Place(0.0, 1.8, 3.5), seeds=(1,))
    beside = foretell(Place(90.0, 1.0, 3.5), seeds=(1,))
    for table in (feet, beside):
        assert list(table["measure"]) == list(SHOWN)
        assert (table["u95"].isna() == (table["reason"] != "")).all()
    for name in ("grip_width_m", "wrist_over_elbow_m"):
        assert of(feet, name)["u95"] < 0.05
        assert np.isnan(of(beside, name)["u95"])
    for name in ("drift_touch_to_lockout_m", "touch_point_to_shoulder_m"):
        assert "toward the head" in of(feet, name)["reason"]
        assert of(beside, name)["u95"] < 0.05
    # The plate's diameter is a surer ruler than the bar's length.
    assert of(beside, "range_of_motion_m")["u95"] < of(feet, "range_of_motion_m")["u95"]


def test_too_close_a_place_has_a_reason():
    close = foretell(Place(90.0, 1.0, 1.3), seeds=(1,))
    assert close["u95"].isna().all()
    assert close["reason"].str.contains("seen in only").all()


def test_farther_away_is_less_sure():
    """In a small picture; a large one has pixels to spare."""
    near, far = (
        foretell(Place(90.0, 1.0, d, width_px=640, height_px=360), seeds=(1,)) for d in (3.0, 9.0)
    )
    for name in ("drift_touch_to_lockout_m", "range_of_motion_m"):
        assert of(near, name)["u95"] < of(far, name)["u95"]
