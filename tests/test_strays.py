"""Scenery followed for the bar, told by hands and bar as read, on made tables."""

import numpy as np
import pandas as pd
import pytest

from barpath.sight.barline import ENDS
from barpath.sight.bridge import bridge
from barpath.sight.strays import without_strays

SPAN_PX = 400.0
BOARD = slice(30, 90)
"""Frames in which a skirting board is followed."""
BOARD_PX = 210.0


def made(n=240, fps=30.0, seed=1):
    """A press, then rest: bar table, pose table (the bar's parts in every sixth row), heights."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(n) / fps
    bar_px = 200 + 100 * np.sin(np.pi * np.minimum(time_s, 4) / 4) ** 2
    track = pd.DataFrame({"frame": np.arange(n), "time_s": time_s})
    tilt_px = (-4.0, 4.0)
    for end, x_px, lower in zip(ENDS, (300.0, 300.0 + SPAN_PX), tilt_px, strict=True):
        values = (x_px, bar_px + lower, 130.0, 0.2, "seen")
        names = ("x_px", "y_px", "plate_px", "sd_px", "state")
        track = track.assign(**{f"{end}_{k}": v for k, v in zip(names, values, strict=True)})
    track = track.assign(line_sd_px=0.1, bar_px=6.0, span_rel_sd=0.01)
    look = np.arange(0, n, 3)
    joints = pd.DataFrame({"frame": look, "time_s": time_s[look]})
    for side, x_px in (("left", 600.0), ("right", 400.0)):
        lower = tilt_px[0] + (x_px - 300) / SPAN_PX * np.ptp(tilt_px)
        joints[f"{side}_hand_x_px"] = x_px + rng.normal(0, 0.5, len(look))
        # Fists are read a little above the shaft.
        joints[f"{side}_hand_y_px"] = bar_px[look] + lower - 3 + rng.normal(0, 0.5, len(look))
    wide = np.arange(len(look)) % 6 == 0
    for part, away in (("plate", 10.0), ("collar", 60.0), ("bar_end", 120.0)):
        for side, x_px in (("left", 300 + SPAN_PX + away), ("right", 300 - away)):
            lower = tilt_px[0] + (x_px - 300) / SPAN_PX * np.ptp(tilt_px)
            read_px = bar_px[look] + lower + rng.normal(0, 2.0, len(look))
            joints[f"{side}_{part}_x_px"] = np.where(wide, x_px, np.nan)
            joints[f"{side}_{part}_y_px"] = np.where(wide, read_px, np.nan)
    return track, joints, bar_px


def on_the_board(track, rows=BOARD, aside_px=50.0):
    track = track.copy()
    at = track.index[rows]
    for end in ENDS:
        track.loc[at, f"{end}_x_px"] += aside_px
        track.loc[at, f"{end}_y_px"] = BOARD_PX
    return track


def lost_in(track):
    states = track[[f"{end}_state" for end in ENDS]]
    return np.flatnonzero((states == "lost").all(axis=1))


def test_a_bar_that_was_followed_is_left_as_it_is():
    track, joints, _ = made()
    pd.testing.assert_frame_equal(without_strays(track, joints), track)


def test_a_board_that_was_followed_is_lost_and_the_hands_tell_the_bar():
    track, joints, bar_px = made()
    found = without_strays(on_the_board(track), joints)
    rows = np.arange(len(track))[BOARD]
    far = rows[np.abs(bar_px[rows] - BOARD_PX) > 0.05 * SPAN_PX]
    assert set(far) <= set(lost_in(found)) <= set(rows)
    assert found.loc[far, ["image_left_x_px", "image_right_y_px", "bar_px"]].isna().all(axis=None)
    told = bridge(found, joints, [f"{end}_" for end in ENDS])
    middle = told[[f"{end}_y_px" for end in ENDS]].to_numpy().mean(axis=1)
    assert np.abs(middle - bar_px)[far].max() < 4.0


def test_frames_without_hands_count_as_those_around_them():
    """Hands are not read where the bar is taken to be far from them."""
    track, joints, _ = made()
    unread = joints["frame"].between(45, 70)
    joints.loc[unread, joints.columns[2:]] = np.nan
    found = without_strays(on_the_board(track), joints)
    assert set(range(45, 71)) <= set(lost_in(found))


def test_where_nothing_was_read_the_same_board_is_known_again():
    """From the clip's beginning on the board was followed, and hands far from it were not read."""
    track, joints, _ = made()
    board = on_the_board(on_the_board(track), slice(0, 20))
    joints.loc[joints["frame"] < 22, joints.columns[2:]] = np.nan
    states = [f"{end}_state" for end in ENDS]
    assert not set(range(20)) & set(lost_in(without_strays(board, joints)))
    board.loc[:19, states] = "partly"
    assert set(range(20)) <= set(lost_in(without_strays(board, joints)))
    assert not set(range(20, 30)) & set(lost_in(without_strays(board, joints)))


def test_hands_that_leave_a_bar_at_rest_say_nothing_of_it():
    track, joints, _ = made()
    hands = [f"{side}_hand_y_px" for side in ("left", "right")]
    joints.loc[joints["frame"] > 150, hands] += 0.2 * SPAN_PX
    pd.testing.assert_frame_equal(without_strays(track, joints), track)


@pytest.mark.parametrize("state", ["seen", "partly"])
def test_a_short_stray_needs_a_bar_that_was_seen_in_part(state):
    """The bar's parts are read twice a second only."""
    track, joints, _ = made()
    rows = slice(40, 45)
    assert joints.loc[joints["frame"].between(40, 45), "left_plate_x_px"].isna().all()
    track = on_the_board(track, rows)
    track.loc[track.index[rows], "image_right_state"] = state
    expected = [] if state == "seen" else list(range(40, 45))
    assert list(lost_in(without_strays(track, joints))) == expected


def test_without_hands_nothing_is_said():
    track, joints, _ = made()
    track = on_the_board(track)
    found = without_strays(track, joints[["frame", "time_s"]])
    pd.testing.assert_frame_equal(found, track)


@pytest.mark.parametrize(("aslant_px", "kept"), [(0.0, [53, 66]), (20.0, [])])
def test_a_lone_find_aslant_is_not_believed(aslant_px, kept):
    """Its middle may be right, and the hands' mean with it."""
    track, joints, _ = made()
    gone = [frame for frame in range(40, 80) if frame not in (53, 66)]
    names = [c for c in track if c.endswith("_px")]
    track.loc[gone, names] = np.nan
    track.loc[gone, [f"{end}_state" for end in ENDS]] = "lost"
    for end, sign in zip(ENDS, (-1, 1), strict=True):
        track.loc[[53, 66], f"{end}_y_px"] += sign * aslant_px
    found = without_strays(track, joints)
    assert list(lost_in(found)) == [f for f in range(40, 80) if f not in kept]
