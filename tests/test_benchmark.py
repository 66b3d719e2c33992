"""The accuracy figures themselves, on seeds that were not used for tuning."""

from dataclasses import replace

import numpy as np
import pytest

from barpath.trial import benchmark as bm
from barpath.trial.cost import LengthCost, format_time_by_length


def test_reporting_seeds_are_kept_apart_from_tuning_seeds() -> None:
    assert not set(bm.REPORTING_SEEDS) & set(bm.TUNING_SEEDS)


def test_one_condition_and_its_text() -> None:
    scene = replace(bm.PLATE_CONDITIONS["circle"], width_px=400, height_px=300, major_px=80.0)
    table = bm.plate_centre_error((1001,), {"circle": scene})
    assert list(table["condition"]) == ["circle", "all"]
    assert table["found"].tolist() == [1, 1]
    assert (table["measured_share"] > 0.9).all()
    assert (table["median_px"] < 0.3).all()
    assert (table["p95_px"] < 1.0).all()
    text = bm.format_plate_centre_error(table, (1001,))
    assert ", kept apart from those used for tuning" in text
    assert f"{table['median_px'][0]:.2f}" in text
    assert "NOT kept apart" in bm.format_plate_centre_error(table, (1,))


def test_a_scene_without_a_press_counts_as_not_found() -> None:
    still = replace(
        bm.PLATE_CONDITIONS["circle"],
        n_frames=31,
        width_px=400,
        height_px=300,
        major_px=80.0,
        travel_px=0.0,
        drift_px=0.0,
    )
    table = bm.plate_centre_error((1001,), {"still": still})
    assert table["found"].tolist() == [0, 0]
    assert np.isnan(table["median_px"]).all()


def test_time_by_length_is_told_as_ratios_of_one_run() -> None:
    found = [LengthCost(100, 1, 4.0, 9.0), LengthCost(600, 6, 36.0, 20.0)]
    first, last = format_time_by_length(found).splitlines()[1:]
    assert first.split() == ["100", "1", "40.0", "x", "1.00", "x", "1.00", "1.00"]
    assert last.split() == ["600", "6", "60.0", "x", "6.00", "x", "9.00", "1.50"]


@pytest.mark.slow
def test_targets_hold_over_all_conditions() -> None:
    table = bm.plate_centre_error()
    overall = table.iloc[-1]
    assert overall["found"] >= 0.9 * overall["clips"]
    assert overall["median_px"] <= 0.3
    assert overall["p95_px"] <= 1.0
    assert 0.85 <= overall["coverage_95"] <= 1.0
