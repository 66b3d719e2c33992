"""The bar's place from the hands where it is lost, on made tracks."""

import numpy as np
import pandas as pd
import pytest

from barpath.sight.bridge import bridge, followed_end


def made(n=240, fps=30.0, seed=1, noise_px=1.0):
    """A press: the plate's centre and both hands, which move a little less, being farther away."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(n) / fps
    down = 80 * np.sin(np.pi * time_s / 3) ** 2
    place = np.column_stack([500 + 0.2 * down, 200 + down])
    track = pd.DataFrame(
        {
            "frame": np.arange(n),
            "time_s": time_s,
            "x_px": place[:, 0],
            "y_px": place[:, 1],
            "major_px": 120.0,
            "sd_px": 0.1,
            "state": "seen",
        }
    )
    look = np.arange(0, n, 3)
    joints = pd.DataFrame({"frame": look, "time_s": time_s[look]})
    for side, share, off in (("left", 0.97, 12.0), ("right", 0.88, 30.0)):
        for a, axis in enumerate("xy"):
            values = share * (place[look, a] - place[0, a]) + place[0, a] + off * (1 - a)
            joints[f"{side}_hand_{axis}_px"] = values + rng.normal(0, noise_px, len(look))
    return track, joints, place


def lose(track, rows):
    track = track.copy()
    track.loc[rows, ["x_px", "y_px", "major_px", "sd_px"]] = np.nan
    track.loc[rows, "state"] = "lost"
    return track


def test_a_lost_repetition_is_carried_by_the_hands():
    track, joints, place = made()
    rows = np.arange(95, 180)
    found = bridge(lose(track, rows), joints, ("",))
    off = found.loc[rows, ["x_px", "y_px"]].to_numpy() - place[rows]
    assert np.abs(off).max() < 4.0
    assert (np.abs(off) <= 1.96 * found.loc[rows, ["sd_px"]].to_numpy()).mean() > 0.9
    assert (found.loc[rows, "state"] == "partly").all()
    # What was not seen is not made up.
    assert found.loc[rows, "major_px"].isna().all()
    others = np.setdiff1d(np.arange(len(track)), rows)
    pd.testing.assert_frame_equal(found.loc[others], track.loc[others])


def test_a_moment_lost_is_bridged_by_the_bar_s_own_way():
    """The hands are read wrong there; a cubic of a half sine is off by well under a pixel."""
    track, joints, place = made()
    rows = np.arange(110, 118)
    wrong = joints["frame"].between(108, 120)
    joints.loc[wrong, [c for c in joints if c.endswith("_px")]] += 25.0
    found = bridge(lose(track, rows), joints, ("",))
    off = found.loc[rows, ["x_px", "y_px"]].to_numpy() - place[rows]
    assert np.abs(off).max() < 0.3
    assert (np.abs(off) <= found.loc[rows, ["sd_px"]].to_numpy()).all()
    assert (found.loc[rows, "state"] == "partly").all()


def test_hands_that_are_off_about_a_gap_are_taken_to_be_off_within_it():
    track, joints, place = made(noise_px=0.3)
    near = joints["frame"].between(80, 190)
    joints.loc[near, [c for c in joints if c.endswith("_y_px")]] += 12.0
    rows = np.arange(120, 150)
    found = bridge(lose(track, rows), joints, ("",))
    assert np.abs(found.loc[rows, "y_px"].to_numpy() - place[rows, 1]).max() < 4.0


def test_what_was_followed_wrongly_before_a_gap_is_not_carried_into_it():
    track, joints, place = made(noise_px=0.3)
    track.loc[112:119, "y_px"] += 20.0
    rows = np.arange(120, 160)
    found = bridge(lose(track, rows), joints, ("",))
    assert np.abs(found.loc[rows, "y_px"].to_numpy() - place[rows, 1]).max() < 4.0


def test_what_shows_in_part_beside_a_gap_does_not_lead_its_way():
    track, joints, place = made(noise_px=0.3)
    track.loc[112:114, "y_px"] += 20.0
    track.loc[112:114, "state"] = "partly"
    rows = np.arange(115, 119)
    found = bridge(lose(track, rows), joints, ("",))
    assert np.abs(found.loc[rows, "y_px"].to_numpy() - place[rows, 1]).max() < 1.0


def test_one_hand_will_do():
    track, joints, place = made()
    joints.loc[joints["frame"] > 90, ["right_hand_x_px", "right_hand_y_px"]] = np.nan
    found = bridge(lose(track, np.arange(95, 180)), joints, ("",))
    assert np.abs(found.loc[95:179, ["x_px", "y_px"]].to_numpy() - place[95:180]).max() < 6.0


def test_noisier_hands_say_so():
    stated = []
    for noise_px in (0.5, 4.0):
        track, joints, _ = made(noise_px=noise_px)
        stated.append(bridge(lose(track, np.arange(95, 180)), joints, ("",)).loc[100, "sd_px"])
    assert stated[1] > 3 * stated[0]


def test_hands_away_for_long_leave_the_frames_lost():
    track, joints, _ = made()
    joints = joints[(joints["frame"] < 100) | (joints["frame"] > 150)]
    found = bridge(lose(track, np.arange(95, 180)), joints, ("",))
    assert (found.loc[103:147, "state"] == "lost").all()
    assert found.loc[103:147, "x_px"].isna().all()


def test_too_little_seen_together_changes_nothing():
    track, joints, _ = made()
    lost = lose(track, np.arange(8, 240))
    pd.testing.assert_frame_equal(bridge(lost, joints, ("",)), lost)
    none = pd.DataFrame({"frame": [], "time_s": []})
    pd.testing.assert_frame_equal(bridge(track, none, ("",)), track)


def test_both_ends_of_a_bar():
    track, joints, place = made()
    ends = track[["frame", "time_s"]].copy()
    for name, off in (("image_left_", -300.0), ("image_right_", 300.0)):
        ends[f"{name}x_px"] = place[:, 0] + off
        ends[f"{name}y_px"] = place[:, 1]
        ends[f"{name}sd_px"] = 0.1
        ends[f"{name}state"] = "seen"
    rows = np.arange(95, 180)
    lost = ends.copy()
    lost.loc[rows, ["image_left_x_px", "image_left_y_px", "image_left_sd_px"]] = np.nan
    lost.loc[rows, "image_left_state"] = "lost"
    found = bridge(lost, joints, ("image_left_", "image_right_"))
    off = found.loc[rows, "image_left_y_px"].to_numpy() - place[rows, 1]
    assert np.abs(off).max() < 4.0
    assert found["image_right_state"].eq("seen").all()
    assert found["image_left_x_px"].median() == pytest.approx(place[:, 0].mean() - 300, abs=12)


@pytest.mark.parametrize(("near", "expected"), [("left", "left"), ("right", "right")])
def test_the_followed_plate_is_told_from_the_other(near, expected):
    track, joints, place = made()
    rng = np.random.default_rng(5)
    there = place[joints["frame"]]
    for side in ("left", "right"):
        away = 0.0 if side == near else 150.0
        joints[f"{side}_plate_x_px"] = there[:, 0] + away + rng.normal(0, 10, len(joints))
        joints[f"{side}_plate_y_px"] = there[:, 1] + rng.normal(0, 10, len(joints))
    assert followed_end(track, joints) == expected


def test_plates_that_were_not_read_tell_nothing():
    track, joints, _ = made()
    assert followed_end(track, joints) == ""
    for side in ("left", "right"):
        joints[f"{side}_plate_x_px"], joints[f"{side}_plate_y_px"] = 5000.0, 5000.0
    assert followed_end(track, joints) == ""


def test_a_plate_that_leaves_both_hands_for_a_while_was_another():
    """As where another plate on the same sleeve is followed: it moves along, a little aside."""
    track, joints, place = made()
    rows = np.arange(50, 110)
    wrong = track.copy()
    wrong.loc[rows, "x_px"] -= 0.15 * 120.0
    wrong.loc[rows, "y_px"] += 3.0
    found = bridge(wrong, joints, ("",))
    off = found.loc[rows, ["x_px", "y_px"]].to_numpy() - place[rows]
    assert np.abs(off).max() < 4.0
    assert (np.abs(off) <= 1.96 * found.loc[rows, ["sd_px"]].to_numpy()).mean() > 0.9
    assert found.loc[rows, "major_px"].isna().all()
    others = np.setdiff1d(np.arange(len(track)), rows)
    pd.testing.assert_frame_equal(found.loc[others], track.loc[others])


def test_one_hand_that_is_read_elsewhere_for_a_while_takes_no_plate_away():
    track, joints, _ = made()
    joints.loc[20:35, "left_hand_x_px"] += 30.0
    pd.testing.assert_frame_equal(bridge(track, joints, ("",)), track)
