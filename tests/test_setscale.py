"""Heights of a clip on the scale of its set."""

import numpy as np
import pandas as pd
import pytest

from barpath.analysis.setscale import HEIGHT_MEASURES, on_set_scale, surest
from barpath.lift.catalogue import CATALOGUE
from barpath.lift.measurerow import COLUMNS, Found, MeasureContext, missing, row_of

CONTEXT = MeasureContext("side")


def table_of(**found: Found) -> pd.DataFrame:
    rows = [row_of(1, CATALOGUE[name], "", one, CONTEXT) for name, one in found.items()]
    return pd.DataFrame(rows, columns=COLUMNS)


def test_measures_of_height_are_lengths_and_speeds_seen_from_everywhere():
    for name in HEIGHT_MEASURES:
        assert CATALOGUE[name].unit in ("m", "m/s")
        assert not CATALOGUE[name].needs_joints


def test_only_heights_move_and_only_the_scales_part_of_their_uncertainty_changes():
    before = table_of(
        range_of_motion_m=Found(0.30, 0.002, 0.02 * 0.30),
        press_time_s=Found(0.8, 0.01),
        drift_touch_to_lockout_m=Found(0.05, 0.002, 0.001),
        sticking_depth_m=missing("There is no sticking region."),
    ).set_index("measure")
    after = on_set_scale(before.reset_index(), 0.98, 0.02, 0.005).set_index("measure")
    kept = ["press_time_s", "drift_touch_to_lockout_m", "sticking_depth_m"]
    pd.testing.assert_frame_equal(after.loc[kept, before.columns], before.loc[kept])
    rise = after.loc["range_of_motion_m"]
    assert rise["value"] == pytest.approx(0.294)
    assert rise["sd_common"] == pytest.approx(0.005 * 0.294)
    assert rise["sd"] == pytest.approx(np.hypot(0.98 * 0.002, 0.005 * 0.294))
    assert rise["u95"] == pytest.approx(1.959964 * rise["sd"], rel=1e-6)


def test_a_scale_that_others_know_better_makes_a_poor_value_good():
    before = table_of(range_of_motion_m=Found(0.30, 0.001, 0.04 * 0.30))
    assert before["quality"].item() != "good"
    assert before["reason"].item()
    after = on_set_scale(before, 1.0, 0.04, 0.004)
    assert after["quality"].item() == "good"
    assert after["reason"].item() == ""


def test_a_table_without_rows_stays_so():
    assert on_set_scale(pd.DataFrame(columns=COLUMNS), 1.1, 0.1, 0.1).empty


def test_the_surest_clip_comes_first_and_one_that_could_tell_before_one_that_could_not():
    known, vague = (table_of(pause_s=Found(0.5, sd)) for sd in (0.01, 0.04))
    gone = table_of(pause_s=missing("It was hidden."))
    able = [True, True, True]
    assert surest([gone, vague, known], able, "pause_s") == [2, 1, 0]
    assert surest([gone, gone, known], [False, True, True], "pause_s") == [2, 1, 0]
    assert surest([pd.DataFrame(columns=COLUMNS), known], [True, True], "pause_s") == [1, 0]
