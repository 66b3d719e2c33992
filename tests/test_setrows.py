"""Sets that several clips show, as rows of a block's table; places of joints are the true ones."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from barpath.analysis import pairset
from barpath.analysis.corrections import Corrections, JointPoint
from barpath.block import blockstore, setrows
from barpath.errors import OptionError
from barpath.space.pairing import AMBIGUOUS
from tests.made_detections import made_result, truth

NAMES = ("ql_tucked_front", "ql_tucked_side")


@pytest.fixture(scope="module")
def clips():
    return [made_result(name, noise_px=0.1, joint_px=1.0, seed=k) for k, name in enumerate(NAMES)]


@pytest.fixture(scope="module")
def joined(clips):
    return pairset.measure_clips(clips)


@pytest.fixture(scope="module")
def rows(joined):
    return setrows.set_rows(joined)


def test_joint_measures_come_from_all_clips(joined, rows):
    table = blockstore.table_of(row | {"clip": "a + b"} for row in rows)
    assert table["view"].tolist() == ["pair"] * len(joined.reps)
    measures = joined.measures.set_index(["rep", "measure", "side"])
    for side in ("left", "right"):
        found = table[f"elbow_abduction_deg_{side}"].to_numpy()
        for k, rep in enumerate(table["rep"]):
            told = measures.loc[(rep, "elbow_abduction_deg", side)]
            assert found[k] == told["value"]
            assert table[f"elbow_abduction_deg_{side}_u95"][k] == told["u95"]
        made = [rep["arms_at_bottom"][side] for rep in truth(NAMES[0])[0]["reps"]]
        np.testing.assert_allclose(found, [arm["elbow_abduction_deg"] for arm in made], atol=4.0)
    touch = [measures.loc[(rep, "touch_toward_hips_m", ""), "value"] for rep in table["rep"]]
    assert table["touch_point_to_shoulder_m"].tolist() == touch
    np.testing.assert_allclose(table["touch_s"], joined.reps["touch_s"])


def test_what_one_view_tells_comes_from_the_clip_that_knows_it_best(clips, rows):
    alone = [blockstore.rep_rows(clip) for clip in clips]
    for name in ("bar_tilt_deg", "grip_width_m"):
        assert [row[name] for row in rows] == [row[name] for row in alone[0]]
        assert [row[f"{name}_u95"] for row in rows] == [row[f"{name}_u95"] for row in alone[0]]
    assert [r["path_length_ratio"] for r in rows] == [r["path_length_ratio"] for r in alone[1]]


def test_heights_are_on_the_scale_of_all_clips(clips, joined, rows):
    """Range of motion lies between what the clips say alone, and is surer than either says."""
    alone = [blockstore.rep_rows(clip) for clip in clips]
    name = "range_of_motion_m"
    for k, row in enumerate(rows):
        own = [many[k][name] for many in alone]
        assert min(own) < row[name] < max(own)
        assert row[f"{name}_u95"] < min(many[k][f"{name}_u95"] for many in alone)
        true = truth(NAMES[0])[0]["reps"][k]["paths"]["bar_middle"]["range_of_motion_m"]
        assert abs(row[name] - true) < row[f"{name}_u95"]
    assert joined.scale_rel_sd < min(clip.calibration["scale_rel_sd"] for clip in clips)


def test_where_the_arms_are_not_found_together_one_view_tells_of_them(joined):
    measures = joined.measures.copy()
    gone = measures["measure"] == "elbow_abduction_deg"
    measures.loc[gone, ["value", "sd", "u95"]] = np.nan
    measures.loc[gone, "quality"] = "missing"
    rows = setrows.set_rows(dataclasses.replace(joined, measures=measures))
    alone = [blockstore.rep_rows(clip) for clip in joined.clips]
    name = "elbow_abduction_deg_left"
    assert any(rows[0][name] == many[0][name] for many in alone)
    assert rows[0][f"{name}_quality"] != "missing"


def test_clips_whose_repetitions_differ_are_not_joined(joined):
    front, side = joined.clips
    fewer = dataclasses.replace(side, reps=side.reps.iloc[:1].reset_index(drop=True))
    with pytest.raises(OptionError, match="do not show the same repetitions: 2 in one, 1 in"):
        setrows.set_rows(dataclasses.replace(joined, clips=(front, fewer)))
    late = dataclasses.replace(side, reps=side.reps.assign(touch_s=side.reps["touch_s"] + 2.0))
    with pytest.raises(OptionError, match="do not show the same repetitions"):
        setrows.set_rows(dataclasses.replace(joined, clips=(front, late)))
    failed = dataclasses.replace(side, reps=side.reps.assign(kind=["complete", "failed"]))
    with pytest.raises(OptionError, match="complete in one"):
        setrows.set_rows(dataclasses.replace(joined, clips=(front, failed)))
    unsure = dataclasses.replace(joined.sync, verdict=AMBIGUOUS)
    with pytest.raises(OptionError, match="not sure"):
        setrows.set_rows(dataclasses.replace(joined, syncs=(unsure,)))


def test_clips_of_other_sets_are_not_joined(clips):
    still = clips[1].trajectory.assign(y_smooth_m=np.linspace(0.0, 0.01, len(clips[1].trajectory)))
    with pytest.raises(OptionError):
        setrows.measure_together([clips[0], dataclasses.replace(clips[1], trajectory=still)])
    with pytest.raises(OptionError, match="filmed from the feet"):
        setrows.measure_together([clips[0], clips[0]])


def test_json_holds_the_rows_exactly(rows):
    for row in rows:
        assert all(not isinstance(value, float) or pd.notna(value) for value in row.values())


def test_a_joint_put_right_in_one_clip_bears_on_the_set(clips, rows):
    side = clips[1]
    touch = side.reps["touch_s"].iloc[0]
    at = side.pose.iloc[int((side.pose["time_s"] - touch).abs().argmin())]
    name = f"{side.calibration['near_arm']}_elbow"
    place = (at[f"{name}_x_px"] + 15.0, at[f"{name}_y_px"])
    by_hand = Corrections(joints=(JointPoint(int(at["frame"]), name, *place),))
    moved = dataclasses.replace(side, corrections=by_hand)
    measure = f"elbow_abduction_deg_{side.calibration['near_arm']}"
    after = setrows.measure_together([clips[0], moved])
    assert abs(after[0][measure] - rows[0][measure]) > 0.1
