"""The pose table: which frames are looked at, whose hands are wanted, and what is written down."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest

from barpath.analysis.config import AnalysisConfig, pose_config
from barpath.sight.jointnet import POINTS, Square
from barpath.sight.pose import (
    JOINTS,
    PARTS,
    SKELETON,
    PoseConfig,
    PoseReader,
    bar_line,
    bare_track,
    confidence_of,
    estimate_pose,
    estimate_pose_image,
    pose_table,
)
from tests.test_jointnet import PICTURE, FakeNetwork, person


@dataclass
class MadeFrame:
    index: int
    time_s: float
    image: np.ndarray


def frames(n, fps=30.0):
    return [MadeFrame(k, k / fps, PICTURE) for k in range(n)]


def reading_of(xy, square=None):
    square = square or Square(*xy[:8].mean(axis=0), 420.0)
    return FakeNetwork(xy).read(PICTURE, [square])[0]


def front_bar(n, xy):
    ends = {
        f"image_{image}_{axis}_px": xy[POINTS.index(f"{side}_collar"), a]
        for image, side in (("left", "right"), ("right", "left"))
        for a, axis in enumerate("xy")
    }
    return pd.DataFrame([{"frame": k, "time_s": k / 30} | ends for k in range(n)])


def test_skeleton_names_points():
    assert all(a in JOINTS and b in JOINTS for a, b in SKELETON)


@pytest.mark.parametrize(("fps", "n"), [(30.0, 90), (59.94, 180), (25.0, 75), (10.0, 30)])
def test_looks_keep_to_their_rate(fps, n):
    reader = PoseReader(FakeNetwork(person(600, 300)))
    for frame in frames(n, fps):
        reader.update(frame.index, frame.time_s, frame.image)
    table = reader.table()
    wanted = min(PoseConfig().looks_per_s, fps)
    assert len(table) / (n / fps) == pytest.approx(wanted, rel=0.05)
    assert np.diff(table["time_s"]).max() <= 1 / wanted + 1.01 / fps


def test_table_holds_place_spread_and_state():
    xy = person(600, 300)
    table = pose_table([(7, 0.25, reading_of(xy))])
    assert list(table.columns[:2]) == ["frame", "time_s"]
    assert {f"{joint}_{part}" for joint in JOINTS for part in PARTS} < set(table.columns)
    row = table.iloc[0]
    for k, joint in enumerate(JOINTS):
        assert [row[f"{joint}_x_px"], row[f"{joint}_y_px"]] == pytest.approx(xy[k].tolist())
        assert row[f"{joint}_var_x_px2"] > 0
    assert row["left_elbow_seen"] == pytest.approx(0.95)
    assert row["person_score"] == pytest.approx(0.98)


def test_points_outside_the_picture_have_no_place():
    reading = reading_of(person(600, 300))
    state = reading.state.copy()
    state[2] = 0.05, 0.05, 0.90
    row = pose_table([(0, 0.0, replace(reading, state=state))]).iloc[0]
    assert np.isnan(row["left_elbow_x_px"])
    assert row["left_elbow_confidence"] == 0.0
    assert row["right_elbow_confidence"] > 0.5


def test_where_nobody_is_found_all_is_missing():
    table = estimate_pose(frames(12), None, FakeNetwork())
    assert len(table) > 3
    assert table[[f"{joint}_x_px" for joint in JOINTS]].isna().all(axis=None)
    assert (table[[f"{joint}_confidence" for joint in JOINTS]] == 0).all(axis=None)
    assert (table["person_score"] == 0).all()


def test_hidden_or_blurred_points_count_less():
    reading = reading_of(person(600, 300))
    state, spread = reading.state.copy(), reading.covariance_px2.copy()
    state[0] = 0.02, 0.97, 0.01
    spread[2] *= 100.0
    sure = confidence_of(reading)
    less = confidence_of(replace(reading, state=state, covariance_px2=spread))
    assert sure[0] > 0.8
    # Drawn hollow: see overlay.
    assert 0.1 < less[0] < 0.5
    assert less[2] < 0.5 * sure[2]
    assert less[4] == sure[4]


def test_the_one_whose_bar_is_measured_is_read_in_every_frame():
    mine, other = person(330, 300, 230), person(950, 300, 260)
    table = estimate_pose(frames(30), front_bar(30, mine), FakeNetwork(other, mine))
    assert table["left_hand_x_px"].to_numpy() == pytest.approx(
        np.full(len(table), mine[POINTS.index("left_hand"), 0])
    )


def test_a_single_picture():
    xy = person(500, 260)
    table = estimate_pose_image(PICTURE, FakeNetwork(xy))
    assert len(table) == 1
    assert table.loc[0, "head_x_px"] == pytest.approx(xy[POINTS.index("head"), 0])


def test_bar_of_both_ends():
    row = front_bar(1, person(600, 300)).iloc[0].to_dict()
    line = bar_line(row)
    assert line.point_px == pytest.approx([600.0, 300.0])
    assert line.m_per_px * 2 * line.reach_px == pytest.approx(PoseConfig().barbell.inner_faces_m)
    lost = row | {"image_left_x_px": np.nan}
    assert bar_line(lost) is None


def test_bar_of_a_slanted_plate_reaches_farther():
    """A disc seen at 60 degrees is half as wide; its bar is seen at sin 60 of its length."""
    square_on = {"x_px": 400.0, "y_px": 300.0, "major_px": 90.0, "minor_px": 90.0, "angle_deg": 90}
    slanted = square_on | {"minor_px": 45.0}
    near, far = bar_line(square_on), bar_line(slanted)
    assert near.reach_px == pytest.approx(0.1 / near.m_per_px)
    assert far.reach_px == pytest.approx((1.2 * 1.372 * np.sin(np.pi / 3) + 0.1) / far.m_per_px)
    assert abs(far.axis[0]) == pytest.approx(1.0)
    assert bar_line(square_on | {"x_px": np.nan}) is None


def test_a_bar_without_plates_is_where_the_hands_are():
    table = pd.DataFrame({"frame": [0, 2, 3], "time_s": [0.0, 0.2, 0.3]})
    for side, x in (("left", 300.0), ("right", 100.0)):
        table[f"{side}_hand_x_px"], table[f"{side}_hand_y_px"] = x, [50.0, 60.0, np.nan]
        for part in ("var_x_px2", "cov_xy_px2", "var_y_px2"):
            table[f"{side}_hand_{part}"] = 0.0 if part.startswith("cov") else 4.0
    track = bare_track(np.arange(5) / 10, table)
    assert track["state"].tolist() == ["seen", "lost", "seen", "lost", "lost"]
    assert track.loc[[0, 2], "y_px"].tolist() == [50.0, 60.0]
    assert track.loc[0, "x_px"] == 200.0
    assert 0 < track.loc[0, "sd_px"] < 2.0
    assert track["major_px"].isna().all()


def test_with_the_bar_across_the_crop_is_closer():
    """Seen from the feet the upper body is wide: it fills more of the crop."""

    class Watched(FakeNetwork):
        sizes_px: list[float]

        def read(self, image, squares):
            self.sizes_px += [square.size_px for square in squares]
            return super().read(image, squares)

    sizes = []
    for across in (False, True):
        network = Watched(person(600, 300))
        network.sizes_px = []
        estimate_pose(frames(30), None, network, pose_config(AnalysisConfig(), across=across))
        sizes.append(np.median(network.sizes_px))
    assert sizes[0] / sizes[1] == pytest.approx(0.8 / 0.65, rel=0.02)
