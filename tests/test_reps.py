"""Repetitions and phases on made bar heights with exact truth."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from barpath.lift.barmotion import RISE_TIME, RepConfig, Track
from barpath.lift.reps import PHASES, find_phases, find_reps, find_set_events
from barpath.space.smooth import SmoothConfig, Smoothed, smooth
from tests.made_signals import FloatArray, Motion, plain_set, random_set


def kinds(time: FloatArray, height: FloatArray) -> list[str]:
    return find_reps(time, height)["kind"].tolist()


@pytest.mark.parametrize("seed", range(24))
def test_random_sets_are_counted_exactly(seed: int) -> None:
    time, height, truth, description = random_set(seed)
    assert kinds(time, height) == truth, description


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1400))
def test_many_random_sets_are_counted_exactly(seed: int) -> None:
    time, height, truth, description = random_set(seed)
    assert kinds(time, height) == truth, description


@pytest.mark.parametrize("n_reps", [1, 2, 30])
@pytest.mark.parametrize("fps", [24, 60])
def test_count(n_reps: int, fps: int) -> None:
    motion = plain_set(n_reps, descent_s=0.9, pause_s=0.2, press_s=1.0)
    assert kinds(*motion.sample(fps, 0.004, seed=n_reps)) == ["complete"] * n_reps


@pytest.mark.parametrize("fps", [30, 60, 120])
def test_events(fps: int) -> None:
    motion = plain_set(3)
    time, height = motion.sample(fps, 0.001, seed=fps)
    reps = find_reps(time, height)
    still = find_set_events(time, height).still_speed_m_s
    for row, truth in zip(reps.itertuples(), motion.reps, strict=True):
        half = (truth.still_before_s + truth.bottom_s) / 2
        expected = {
            "start": motion.passes(-still, truth.still_before_s, half - 0.3),
            "touch": motion.passes(-still, half + 0.3, truth.bottom_s),
            "press": motion.passes(still, truth.leaves_chest_s, truth.peak1_s),
            "lockout": motion.passes(still, truth.peak2_s, truth.still_after_s),
            "sticking_start": truth.peak1_s,
            "sticking_min": truth.minimum_s,
            "sticking_end": motion.passes(truth.peak1_m_s, truth.minimum_s, truth.peak2_s),
        }
        for event, at in expected.items():
            found, sd = getattr(row, f"{event}_s"), getattr(row, f"{event}_sd_s")
            assert abs(found - at) < 0.06, event
            assert abs(found - at) < 3.5 * sd, event
        assert row.peak1_s == row.sticking_start_s
        assert row.end_s == row.lockout_s


def test_events_lie_between_the_frames() -> None:
    """Shifting the frames by a part of their interval does not move the events with them."""
    motion = plain_set(1)
    curve = motion.curve()
    presses = []
    for shift in np.linspace(0, 1 / 24, 5)[:-1]:
        time = np.arange(shift, motion.now, 1 / 24)
        presses.append(find_reps(time, curve(time))["press_s"].iloc[0])
    assert np.ptp(presses) < 0.01


def test_no_sticking_region_in_a_smooth_press() -> None:
    reps = find_reps(*plain_set(2, dip=1.0).sample(60, 0.001))
    assert reps[["sticking_start_s", "sticking_min_s", "sticking_end_s"]].isna().all(axis=None)
    assert reps["peak1_s"].notna().all()


@pytest.mark.parametrize(("pause_s", "quick"), [(0.0, True), (0.5, False), (5.0, False)])
def test_touch_and_go_and_pauses(pause_s: float, quick: bool) -> None:
    motion = plain_set(2, pause_s=pause_s, descent_s=1.0, press_s=1.0, dip=1.0)
    reps = find_reps(*motion.sample(60, 0.001))
    assert reps["touch_and_go"].tolist() == [quick, quick]
    assert reps["kind"].tolist() == ["complete", "complete"]
    if quick:
        truth = [r.bottom_s for r in motion.reps]
        np.testing.assert_allclose(reps["touch_s"], truth, atol=0.03)


def test_zero_reps_is_an_empty_table_with_all_columns() -> None:
    motion = Motion(1.0)
    motion.hold(1.5)
    motion.move(0.1, 0.8)
    motion.move(-0.03, 0.6)
    motion.hold(3)
    motion.move(-0.07, 0.8)
    motion.hold(1)
    still = np.arange(0, 5, 1 / 30)
    full = find_reps(*plain_set(1).sample(30))
    for time, height in (
        motion.sample(30, 0.003),
        (still, np.full(len(still), 0.7)),
        (still, np.full(len(still), np.nan)),
        (still[:2], np.zeros(2)),
    ):
        reps = find_reps(time, height)
        assert len(reps) == 0
        assert reps.columns.tolist() == full.columns.tolist()
        assert (reps.dtypes == full.dtypes).all()
        assert (find_phases(time, height)["phase"] == "").all()


def cut(motion: Motion, begin: float, end: float) -> tuple[FloatArray, FloatArray]:
    time, height = motion.sample(30, 0.003, seed=2)
    inside = (time >= begin) & (time < end)
    return time[inside], height[inside]


@pytest.mark.parametrize(
    ("begin", "end", "expected"),
    [
        (lambda a, b: a.bottom_s + 0.15, lambda a, b: 99.0, [("complete", "start"), 1]),
        (lambda a, b: a.leaves_chest_s + 0.5, lambda a, b: 99.0, [1]),
        (lambda a, b: a.still_before_s + 0.6, lambda a, b: 99.0, [("complete", "start"), 1]),
        (lambda a, b: 0.0, lambda a, b: b.leaves_chest_s + 0.9, [1, ("partial", "end")]),
        (lambda a, b: 0.0, lambda a, b: b.still_after_s - 0.25, [1, ("partial", "end")]),
        (lambda a, b: 0.0, lambda a, b: b.bottom_s + 0.3, [1, ("partial", "end")]),
        (lambda a, b: 0.0, lambda a, b: b.bottom_s - 0.6, [1]),
    ],
    ids=[
        "begins on the chest",
        "begins in mid press",
        "begins in mid descent",
        "ends in mid press",
        "ends just before lockout",
        "ends on the chest",
        "ends in mid descent",
    ],
)
def test_clips_that_are_cut(begin: Callable, end: Callable, expected: list) -> None:
    motion = plain_set(2)
    a, b = motion.reps
    time, height = cut(motion, begin(a, b), end(a, b))
    reps = find_reps(time, height)
    wanted = [("complete", "") if e == 1 else e for e in expected]
    assert list(zip(reps["kind"], reps["cut"], strict=True)) == wanted
    assert reps.loc[reps["cut"] == "start", "start_s"].isna().all()
    assert reps.loc[reps["cut"] == "end", "lockout_s"].isna().all()


def test_partial_reps_say_what_they_stayed_short_of() -> None:
    motion = Motion()
    motion.hold(1)
    for rom, top in ((0.4, 1.0), (0.28, 1.0), (0.4, 0.75)):
        motion.rep(rom, top_share=top)
        motion.hold(0.6)
    motion.rep(0.3, top_share=4 / 3)
    motion.hold(1)
    reps = find_reps(*motion.sample(60, 0.002))
    assert reps["kind"].tolist() == ["complete", "partial", "partial", "complete"]
    assert reps["short_of"].tolist() == ["", "touch", "lockout", ""]


def test_failed_rep_that_a_spotter_lifts() -> None:
    motion = Motion()
    motion.hold(1)
    motion.rep()
    motion.hold(1)
    motion.failed_rep()
    motion.hold(2)
    motion.move(0.32, 2)
    motion.hold(2)
    time, height = motion.sample(30, 0.003)
    reps = find_reps(time, height)
    assert reps["kind"].tolist() == ["complete", "failed"]
    assert np.isnan(reps["lockout_s"].iloc[1])
    phases = find_phases(time, height)
    assert phases["phase"].iloc[-1] == "rack"


def test_bar_that_stays_on_the_chest_has_failed() -> None:
    motion = Motion()
    motion.hold(1)
    motion.rep()
    motion.hold(1)
    motion.move(-0.38, 1.5)
    motion.hold(8)
    assert kinds(*motion.sample(30, 0.003)) == ["complete", "failed"]


@pytest.mark.parametrize(("halt_s", "locked_out_s"), [(0.1, 3.0), (0.8, 2.6)])
def test_a_press_that_halts_just_short_of_lockout_is_locked_out_at_its_end(
    halt_s: float, locked_out_s: float
) -> None:
    """It goes on at once; one that rests there and moves up later was locked out before."""
    t = np.arange(0, 6, 1 / 60)

    def ramp(begin: float, length: float) -> FloatArray:
        share = np.clip((t - begin) / length, 0, 1)
        return share**3 * (10 - 15 * share + 6 * share**2)

    height = -0.4 * ramp(0.5, 0.8) + 0.36 * ramp(1.8, 0.8) + 0.04 * ramp(2.6 + halt_s, 0.3)
    (found,) = find_reps(t, height).itertuples()
    assert found.kind == "complete"
    assert found.lockout_s == pytest.approx(locked_out_s, abs=0.08)


def test_slow_grinder_is_complete() -> None:
    motion = Motion()
    motion.hold(1)
    motion.rep(press_s=6.0, dip=0.3)
    motion.hold(1)
    reps = find_reps(*motion.sample(60, 0.001))
    assert reps["kind"].tolist() == ["complete"]
    assert abs(reps["sticking_min_s"].iloc[0] - motion.reps[0].minimum_s) < 0.2


def test_hidden_bottom_is_a_rep_without_touch() -> None:
    motion = plain_set(2)
    time, height = motion.sample(30, 0.002)
    first = motion.reps[0]
    height[(time > first.bottom_s - 0.3) & (time < first.leaves_chest_s + 0.3)] = np.nan
    reps = find_reps(time, height)
    assert reps["kind"].tolist() == ["complete", "complete"]
    assert np.isnan(reps["touch_s"].iloc[0]) and np.isnan(reps["press_s"].iloc[0])
    assert reps.iloc[1][["touch_s", "press_s", "lockout_s"]].notna().all()


def test_levels_and_drift() -> None:
    motion = plain_set(10, pause_s=0.3)
    drift = 0.002
    events = find_set_events(*motion.sample(30, 0.002, drift_m_s=drift))
    assert events.drift_m_s == pytest.approx(drift, rel=0.15)
    lockout = motion.curve()(motion.reps[0].still_before_s)
    assert events.lockout_level_m == pytest.approx(lockout, abs=0.012)
    assert events.lockout_level_m - events.touch_level_m == pytest.approx(0.38, abs=0.01)


def test_rack_events() -> None:
    events = find_set_events(*plain_set(2).sample(60, 0.001))
    # The bar leaves the rack at 1.5 s and rests at lockout from 2.9 s; see plain_set.
    assert events.unrack_s == pytest.approx(1.5, abs=0.12)
    assert events.settled_s == pytest.approx(2.9, abs=0.15)
    end = plain_set(2).now - 1.5
    assert events.rerack_s == pytest.approx(end, abs=0.12)
    assert events.rerack_start_s == pytest.approx(end - 1.3, abs=0.15)


def test_phases_follow_each_other() -> None:
    time, height = plain_set(2).sample(60, 0.001)
    table = find_phases(time, height)
    assert set(table["phase"]) <= set(PHASES)
    order = table.loc[table["phase"] != table["phase"].shift(), "phase"].tolist()
    rep = ["lockout", "descent", "pause", "press", "sticking", "press"]
    assert order == ["rack", "unrack", *rep, *rep, "lockout", "rerack", "rack"]
    reps = find_reps(time, height)
    pressing = table[table["rep"] == 2]
    assert pressing["time_s"].min() == pytest.approx(reps["start_s"].iloc[1], abs=0.02)
    assert pressing["time_s"].max() == pytest.approx(reps["lockout_s"].iloc[1], abs=0.02)


def test_origin_and_start_time_do_not_matter() -> None:
    time, height = plain_set(3).sample(60, 0.002)
    one, other = find_reps(time, height), find_reps(time + 100.0, height - 55.0)
    columns = ["touch_s", "press_s", "lockout_s"]
    pd.testing.assert_frame_equal(one[columns] + 100.0, other[columns], atol=1e-4)


def test_upside_down_finds_something_else() -> None:
    """Heights with the wrong sign (image rows, say) must not give the same answer."""
    time, height = plain_set(3).sample(60, 0.002)
    assert len(find_reps(time, -height)) != 3


def test_stricter_share_makes_reps_partial() -> None:
    motion = Motion()
    motion.hold(1)
    for rom in (0.4, 0.4, 0.36):
        motion.rep(rom)
        motion.hold(0.6)
    time, height = motion.sample(60, 0.001)
    assert kinds(time, height) == ["complete"] * 3
    strict = find_reps(time, height, RepConfig(partial_share=0.05))
    assert strict["kind"].tolist() == ["complete", "complete", "partial"]


def even_start(t: np.ndarray, length_s: float) -> np.ndarray:
    """Height of a movement that begins at 1 s with constant acceleration, and ends so."""
    share = np.clip((t - 1) / length_s, 0, 1)
    rise = np.where(share < 0.75, share - 0.125, 0.75 - 2 * (1 - share) ** 2)
    return 0.35 / 0.75 * np.where(share < 0.25, 2 * share**2, rise)


def growing_start(t: np.ndarray, length_s: float) -> np.ndarray:
    """Height of a movement of least jerk that begins at 1 s (Flash and Hogan 1985)."""
    share = np.clip((t - 1) / length_s, 0, 1)
    return 0.35 * (10 * share**3 - 15 * share**4 + 6 * share**5)


@pytest.mark.parametrize("height", [even_start, growing_start])
@pytest.mark.parametrize("rate_hz", [30, 60])
@pytest.mark.parametrize("cutoff_hz", [3.0, 4.0, 5.0])
def test_what_smoothing_spreads_is_taken_back(
    height: Callable[[np.ndarray, float], np.ndarray], rate_hz: int, cutoff_hz: float
) -> None:
    """A level of speed is passed when the true speed passes it, whatever smoothing did."""
    level = 0.03
    plain, mended = [], []
    for length_s in (0.7, 1.0, 1.4):
        fine = np.arange(0, 1.3, 1e-4)
        speed = np.gradient(height(fine, length_s), 1e-4)
        true_s = fine[np.argmax(speed > level)]
        for late in np.linspace(0, 1 / rate_hz, 5, endpoint=False):
            t = np.arange(late, 3, 1 / rate_hz)
            config = SmoothConfig(cutoff_hz=cutoff_hz)
            once = smooth(t, height(t, length_s), config)
            track = made_track(t, once, smooth(t, once.value, config), cutoff_hz)
            i = int(np.flatnonzero((once.velocity > level) & (t > 0.5))[0])
            mended.append(track.crossing(i, level)[0] - true_s)
            plain.append(replace(track, v_again=track.v).crossing(i, level)[0] - true_s)
    assert np.mean(plain) < -0.002
    assert abs(np.mean(mended)) < 0.5 * abs(np.mean(plain))
    assert np.std(mended) < 0.003 + np.std(plain)


def made_track(t: np.ndarray, once: Smoothed, again: Smoothed, cutoff_hz: float) -> Track:
    """A track of one smoothed movement."""
    return Track(
        t=t,
        y=once.value,
        v=once.velocity,
        v_again=again.velocity,
        sd_y=0.001,
        sd_v=np.full(len(t), 0.01),
        still=0.03,
        longest_step_s=0.2,
        rise_s=RISE_TIME / cutoff_hz,
        config=RepConfig(),
    )
