"""Measures against closed-form values, and the coverage of their uncertainty by simulation."""

import math
from collections import defaultdict

import numpy as np
import pandas as pd
import pytest

from barpath.errors import OptionError
from barpath.ground.view import NAMES
from barpath.lift.armmeasures import abduction_from_projection
from barpath.lift.catalogue import CATALOGUE
from barpath.lift.measurerow import MeasureContext
from barpath.lift.measures import all_measures, bar_measures, joint_measures
from barpath.lift.measuresummary import summarise, wide
from barpath.lift.reps import find_reps, find_set_events
from barpath.space.smooth import smooth
from tests.made_signals import FloatArray, Motion, TrueRep, plain_set


def trajectory(
    time: FloatArray, y: FloatArray, x: FloatArray | None = None, sd: float | None = None
) -> pd.DataFrame:
    """Trajectory table from raw coordinates."""
    up = smooth(time, y, sd=sd)
    along = smooth(time, np.zeros(len(time)) if x is None else x, sd=sd)
    return pd.DataFrame(
        {
            "frame": np.arange(len(time)),
            "time_s": time,
            "x_smooth_m": along.value,
            "y_smooth_m": up.value,
            "vx_m_s": along.velocity,
            "vy_m_s": up.velocity,
            "ay_m_s2": up.acceleration,
            "sd_m": np.fmax(up.sd, along.sd),
            "sd_vy_m_s": up.sd_velocity,
        }
    )


def value(table: pd.DataFrame, measure: str, rep: int = 1, side: str = "") -> pd.Series:
    rows = table[(table["measure"] == measure) & (table["rep"] == rep) & (table["side"] == side)]
    assert len(rows) == 1
    return rows.iloc[0]


@pytest.fixture(scope="module")
def fine() -> tuple[Motion, pd.DataFrame, pd.DataFrame]:
    """A set filmed without noise at a high rate, with a path of known shape."""
    motion = plain_set(2, dip=0.5)
    time, y = motion.sample(240)
    return motion, trajectory(time, y, path(y)), find_reps(time, y)


def path(y: FloatArray) -> FloatArray:
    """Sideways place of the bar for its height: 8 cm toward the head and a bow of 5 cm."""
    share = (y - 0.68) / 0.38
    return 0.08 * share + 0.05 * np.sin(np.pi * share)


def test_every_measure_has_a_row_for_every_rep_in_every_view(
    fine: tuple[Motion, pd.DataFrame, pd.DataFrame],
) -> None:
    _, track, reps = fine
    per_rep = sum(2 if spec.per_side else 1 for spec in CATALOGUE.values())
    for view in NAMES:
        table = all_measures(track, reps, None, MeasureContext(view))
        assert len(table) == per_rep * len(reps)
        missing = table["quality"] == "missing"
        assert (table.loc[missing, "reason"].str.len() > 20).all()
        assert table.loc[missing, ["value", "sd", "u95"]].isna().all(axis=None)
        assert table.loc[~missing, ["value", "sd", "u95"]].notna().all(axis=None)
        for row in table[~missing].itertuples():
            assert view in CATALOGUE[row.measure].views
        assert (table["unit"] == table["measure"].map(lambda m: CATALOGUE[m].unit)).all()


def test_catalogue_is_complete() -> None:
    for name, spec in CATALOGUE.items():
        assert name == spec.name
        assert spec.explanation.endswith(".") and spec.source and spec.label
        assert set(spec.views) <= set(NAMES) and spec.views
        assert 0 < spec.good_u95 < spec.fair_u95
        if spec.unit:
            assert name.endswith("_" + spec.unit.replace("/", "_"))


def truths(motion: Motion, rep: TrueRep, still: float) -> dict[str, float]:
    """Closed-form values of the measures, with the events at the still speed used."""
    height = motion.curve()
    descent = rep.bottom_s - rep.still_before_s
    start = motion.passes(-still, rep.still_before_s, rep.still_before_s + 0.35 * descent)
    touch = motion.passes(-still, rep.bottom_s - 0.35 * descent, rep.bottom_s)
    press = motion.passes(still, rep.leaves_chest_s, rep.peak1_s)
    lockout = motion.passes(still, rep.peak2_s, rep.still_after_s)
    low = height(rep.bottom_s)
    way = height(np.linspace(press, lockout, 4000))
    whole = path(height(np.linspace(touch, lockout, 4000)))
    length = np.sum(np.hypot(np.diff(path(way)), np.diff(way)))
    straight = math.hypot(path(way[-1]) - path(way[0]), way[-1] - way[0])
    return {
        "range_of_motion_m": rep.rom_m,
        "descent_time_s": touch - start,
        "mean_descent_speed_m_s": float(height(start) - height(touch)) / (touch - start),
        "pause_s": press - touch,
        "press_time_s": lockout - press,
        "mean_press_speed_m_s": (way[-1] - way[0]) / (lockout - press),
        "peak_press_speed_m_s": float(height.derivative()(rep.peak2_s)),
        "mean_propulsive_speed_m_s": (way[-1] - way[0]) / (lockout - press),
        "sticking_start_after_press_s": rep.peak1_s - press,
        "sticking_start_height_m": float(height(rep.peak1_s) - low),
        "sticking_depth_m": float(height(rep.minimum_s) - low),
        "sticking_min_speed_m_s": rep.minimum_m_s,
        "horizontal_drift_total_m": float(np.ptp(whole)),
        "drift_touch_to_lockout_m": float(whole[-1] - whole[0]),
        "path_length_ratio": length / straight,
    }


def test_closed_form_values(fine: tuple[Motion, pd.DataFrame, pd.DataFrame]) -> None:
    motion, track, reps = fine
    table = bar_measures(track, reps, MeasureContext("side"))
    for name, true in truths(motion, motion.reps[0], 0.03).items():
        tolerance = 0.03 if name.endswith("_s") and "m_s" not in name else 0.004
        assert value(table, name)["value"] == pytest.approx(true, abs=tolerance), name


def test_propulsive_phase_ends_where_braking_exceeds_gravity() -> None:
    # A throw-like press: the speed rises to 2 m/s over 0.5 s and drops to nothing in 0.2 s, so the
    # bar brakes with up to 15 m/s² > g. With the cubic step the braking first passes g at the
    # share s of the drop where 6 s (1 - s) * 2 / 0.2 = g.
    motion = Motion()
    motion.hold(1)
    motion.move(-0.7, 1.5)
    motion.hold(0.5)
    begin = motion.now
    motion.step(0.5, 2.0)
    motion.step(0.2, 0.0)
    motion.hold(1.0)
    time = np.arange(0, motion.now, 1 / 240)
    height = motion.curve()
    track = pd.DataFrame(
        {
            "time_s": time,
            "x_smooth_m": 0.0,
            "y_smooth_m": height(time),
            "vx_m_s": 0.0,
            "vy_m_s": height(time, 1),
            "ay_m_s2": height(time, 2),
            "sd_m": 0.0005,
        }
    )
    press, lockout = motion.passes(0.03, begin, begin + 0.5), begin + 0.7
    reps = find_reps(time, height(time))
    reps.loc[0, ["press_s", "lockout_s", "press_sd_s", "lockout_sd_s"]] = [press, lockout, 0, 0]
    share = (1 - math.sqrt(1 - 4 * 9.80665 * 0.2 / 12)) / 2
    end = begin + 0.5 + 0.2 * share
    expected = float(height(end) - height(press)) / (end - press)
    table = bar_measures(track, reps, MeasureContext("side"))
    assert value(table, "mean_propulsive_speed_m_s")["value"] == pytest.approx(expected, rel=0.01)
    assert value(table, "mean_press_speed_m_s")["value"] < expected - 0.05


def test_scale_and_roll_go_into_what_they_touch(
    fine: tuple[Motion, pd.DataFrame, pd.DataFrame],
) -> None:
    _, track, reps = fine
    table = bar_measures(
        track,
        reps,
        MeasureContext("side", scale_rel_sd=0.02, horizontal_rel_sd=0.02, roll_sd_deg=1.0),
    )
    rom = value(table, "range_of_motion_m")
    assert rom["sd_common"] == pytest.approx(0.02 * rom["value"])
    drift = value(table, "drift_touch_to_lockout_m")
    # A roll of 1 degree shifts lockout by ROM * tan(1 degree) = 6.6 mm.
    expected = math.hypot(0.02 * drift["value"], 0.38 * math.tan(math.radians(1)))
    assert drift["sd_common"] == pytest.approx(expected, rel=0.05)
    for name in ("press_time_s", "path_length_ratio"):
        assert value(table, name)["sd_common"] == 0.0


def test_coverage_of_the_uncertainty() -> None:
    """Between 90 and 99 % of the true values lie within u95, over noise, scale, roll and rate."""
    rng = np.random.default_rng(1)
    inside: dict[str, list[bool]] = defaultdict(list)
    for k in range(40):
        fps, noise = [(30, 0.002), (60, 0.002), (60, 0.003), (120, 0.004)][k % 4]
        motion = plain_set(
            2,
            rom_m=rng.uniform(0.3, 0.45),
            descent_s=rng.uniform(1, 2),
            pause_s=rng.uniform(0.4, 1.2),
            press_s=rng.uniform(1.2, 2.6),
            dip=rng.uniform(0.3, 0.65),
        )
        time = np.arange(rng.uniform(0, 1 / fps), motion.now, 1 / fps)
        y = motion.curve()(time)
        scale, roll = 1 + rng.normal(0, 0.01), math.radians(rng.normal(0, 0.5))
        seen_y = scale * (y * math.cos(roll) - path(y) * math.sin(roll))
        seen_x = scale * (path(y) * math.cos(roll) + y * math.sin(roll))
        seen_y += rng.normal(0, noise, len(time))
        seen_x += rng.normal(0, noise, len(time))
        reps = find_reps(time, seen_y)
        assert reps["kind"].tolist() == ["complete", "complete"]
        still = find_set_events(time, seen_y).still_speed_m_s
        context = MeasureContext(
            "side",
            scale_rel_sd=0.01,
            horizontal_rel_sd=0.01,
            roll_sd_deg=0.5,
            frame_interval_s=1 / fps,
        )
        table = bar_measures(trajectory(time, seen_y, seen_x, noise), reps, context)
        for rep, true_rep in enumerate(motion.reps, start=1):
            for name, true in truths(motion, true_rep, still).items():
                row = value(table, name, rep)
                if row["quality"] != "missing":
                    inside[name].append(abs(row["value"] - true) <= row["u95"])
    shares = {name: np.mean(hits) for name, hits in inside.items()}
    assert all(len(hits) > 60 for hits in inside.values())
    assert 0.90 <= np.mean(list(shares.values())) <= 0.99, shares
    assert min(shares.values()) >= 0.88, shares


def test_frame_interval_limits_the_times(
    fine: tuple[Motion, pd.DataFrame, pd.DataFrame],
) -> None:
    _, track, reps = fine
    coarse = bar_measures(track, reps, MeasureContext("side", frame_interval_s=0.2))
    # Two events between samples, each rectangular within a quarter of a frame to either side.
    assert value(coarse, "press_time_s")["sd"] >= 0.05 / math.sqrt(3) * math.sqrt(2)


def test_failed_and_cut_reps_say_why() -> None:
    motion = Motion()
    motion.hold(1)
    motion.rep()
    motion.hold(1)
    motion.failed_rep()
    motion.hold(1)
    time, y = motion.sample(60, 0.001)
    table = bar_measures(trajectory(time, y), find_reps(time, y), MeasureContext("side"))
    for name in ("mean_press_speed_m_s", "range_of_motion_m", "press_time_s"):
        assert value(table, name)["quality"] != "missing"
        assert "failed" in value(table, name, 2)["reason"]
    for name in ("descent_time_s", "mean_descent_speed_m_s"):
        assert value(table, name, 2)["quality"] != "missing"
    ends = time < motion.reps[0].leaves_chest_s + 0.9
    cut = bar_measures(
        trajectory(time[ends], y[ends]), find_reps(time[ends], y[ends]), MeasureContext("side")
    )
    assert value(cut, "press_time_s")["reason"].startswith("The clip ends")


def test_a_bar_out_of_sight_in_the_press_is_said(
    fine: tuple[Motion, pd.DataFrame, pd.DataFrame],
) -> None:
    _, track, reps = fine
    rep = reps.iloc[0]
    middle = (rep.press_s + rep.lockout_s) / 2
    hidden = track.copy()
    away = (hidden["time_s"] - middle).abs() < 0.2
    columns = [c for c in hidden.columns if c not in ("frame", "time_s")]
    hidden.loc[away, columns] = np.nan
    table = bar_measures(hidden, reps, MeasureContext("side"))
    for name in ("mean_press_speed_m_s", "peak_press_speed_m_s", "horizontal_drift_total_m"):
        row = value(table, name)
        assert row["quality"] == "missing"
        assert row["reason"] == "The bar was hidden for part of this repetition."


def test_no_sticking_region_is_said() -> None:
    time, y = plain_set(1, dip=1.0).sample(60, 0.001)
    table = bar_measures(trajectory(time, y), find_reps(time, y), MeasureContext("side"))
    assert "no sticking region" in value(table, "sticking_depth_m")["reason"]


def test_horizontal_is_missing_when_it_cannot_be_trusted(
    fine: tuple[Motion, pd.DataFrame, pd.DataFrame],
) -> None:
    _, track, reps = fine
    reason = "The plate is seen at too steep an angle."
    context = MeasureContext("oblique", horizontal_trusted=False, horizontal_reason=reason)
    assert value(bar_measures(track, reps, context), "path_length_ratio")["reason"] == reason
    front = bar_measures(track, reps, MeasureContext("front"))
    assert "front view" in value(front, "horizontal_drift_total_m")["reason"]


def test_lengths_and_speeds_are_missing_where_the_scale_is_open(
    fine: tuple[Motion, pd.DataFrame, pd.DataFrame],
) -> None:
    _, track, reps = fine
    reason = "The scale is open."
    found = bar_measures(track, reps, MeasureContext("side", scale_reason=reason))
    for name in ("range_of_motion_m", "mean_press_speed_m_s"):
        row = value(found, name)
        assert (row["quality"], row["reason"]) == ("missing", reason)
        assert math.isnan(row["value"])
    assert math.isfinite(value(found, "press_time_s")["value"])


def test_quality_follows_the_uncertainty(
    fine: tuple[Motion, pd.DataFrame, pd.DataFrame],
) -> None:
    _, track, reps = fine
    grades, reasons = [], []
    for scale in (0.005, 0.03, 0.06, 0.5):
        context = MeasureContext("side", scale_rel_sd=scale)
        row = value(bar_measures(track, reps, context), "range_of_motion_m")
        grades.append(row["quality"])
        reasons.append(row["reason"])
    assert grades == ["good", "fair", "poor", "missing"]
    assert reasons[0] == "" and "scale" in reasons[1] and "too uncertain" in reasons[3]


def front_table(time: FloatArray, y: FloatArray, delay_s: float, tilt: float) -> pd.DataFrame:
    """Front view: the left end runs `delay_s` behind the right one; constant tilt besides."""
    table = trajectory(time, y)
    return table.assign(
        left_y_m=np.interp(time - delay_s, time, y), right_y_m=y, tilt_deg=np.full(len(time), tilt)
    )


@pytest.mark.parametrize("delay_s", [-0.08, 0.0, 0.15])
def test_bar_ends_and_tilt(delay_s: float) -> None:
    time, y = plain_set(1, dip=1.0).sample(120)
    table = front_table(time, y, delay_s, -2.5)
    found = bar_measures(table, find_reps(time, y), MeasureContext("front", roll_sd_deg=0.3))
    late = value(found, "lockout_time_difference_s")
    assert late["value"] == pytest.approx(delay_s, abs=0.01)
    assert value(found, "bar_tilt_deg")["value"] == pytest.approx(2.5, abs=0.01)
    lockout = value(found, "bar_tilt_lockout_deg")
    assert lockout["value"] == pytest.approx(-2.5, abs=0.01)
    assert lockout["sd_common"] == 0.3


def test_lockout_difference_covers() -> None:
    rng = np.random.default_rng(3)
    hits = []
    for _ in range(40):
        motion = plain_set(1, dip=1.0, racked=False)
        time, y = motion.sample(60)
        table = front_table(time, y, 0.06, 0.0)
        table["left_y_m"] += rng.normal(0, 0.002, len(time))
        table["right_y_m"] += rng.normal(0, 0.002, len(time))
        row = value(
            bar_measures(
                table, find_reps(time, y), MeasureContext("front", frame_interval_s=1 / 60)
            ),
            "lockout_time_difference_s",
        )
        hits.append(abs(row["value"] - 0.06) <= row["u95"])
    assert 0.85 <= np.mean(hits) <= 1.0


def joints(time: FloatArray, sd: float = 0.01, **places: tuple[float, float]) -> pd.DataFrame:
    """The same joint positions in every frame."""
    table = pd.DataFrame({"time_s": time, "frame": np.arange(len(time))})
    for name, (x, y) in places.items():
        table[[f"{name}_x_m", f"{name}_y_m", f"{name}_sd_m"]] = [x, y, sd]
    return table


FRONT_POSE = {
    "left_shoulder": (0.2, -0.4),
    "right_shoulder": (-0.2, -0.4),
    "left_elbow": (0.40, -0.5),
    "right_elbow": (-0.41, -0.5),
    "left_wrist": (0.38, -0.24),
    "right_wrist": (-0.43, -0.24),
}


def test_front_joints_against_trigonometry() -> None:
    time, y = plain_set(1).sample(30)
    track, reps = trajectory(time, y), find_reps(time, y)
    context = MeasureContext(
        "front",
        upper_arm_m=0.30,
        upper_arm_sd_m=0.005,
        roll_sd_deg=0.4,
        scale_rel_sd=0.02,
        horizontal_rel_sd=0.01,
    )
    table = joint_measures(joints(time, **FRONT_POSE), track, reps, context)
    # The left wrist lies 2 cm inside, the right one 2 cm outside its elbow.
    left, right = (value(table, "wrist_over_elbow_m", side=s) for s in ("left", "right"))
    assert left["value"] == pytest.approx(-0.02) and right["value"] == pytest.approx(0.02)
    lean = math.degrees(math.atan2(0.02, 0.26))
    assert value(table, "forearm_lean_deg", side="left")["value"] == pytest.approx(-lean)
    assert value(table, "forearm_lean_deg", side="right")["value"] == pytest.approx(lean)
    abduction = math.degrees(math.asin(math.hypot(0.2, 0.1) / 0.30))
    left = value(table, "elbow_abduction_deg", side="left")
    assert left["value"] == pytest.approx(abduction)
    assert value(table, "tuck_deg", side="left")["value"] == pytest.approx(90 - abduction)
    grip = value(table, "grip_width_m")
    assert grip["value"] == pytest.approx(0.81)
    assert grip["sd_common"] == pytest.approx(0.0081)
    ratio = value(table, "grip_to_shoulder_ratio")
    assert ratio["value"] == pytest.approx(0.81 / 0.4) and ratio["sd_common"] == 0.0
    assert "front" in value(table, "touch_point_height_m")["reason"]


def test_grip_is_between_the_hands_where_they_are_known() -> None:
    time, y = plain_set(1).sample(30)
    pose = FRONT_POSE | {"left_hand": (0.36, -0.2), "right_hand": (-0.41, -0.2)}
    track, reps = trajectory(time, y), find_reps(time, y)
    table = joint_measures(joints(time, **pose), track, reps, MeasureContext("front"))
    assert value(table, "grip_width_m")["value"] == pytest.approx(0.36 + 0.41)


def test_side_joints_against_trigonometry() -> None:
    motion = plain_set(1)
    time, y = motion.sample(60)
    y = y - 1.06
    track, reps = trajectory(time, y), find_reps(time, y)
    # Shoulder under the lockout, 45 cm below it; elbow 18 cm toward the feet; level trunk.
    pose = {
        "left_shoulder": (0.05, -0.45),
        "left_elbow": (-0.13, -0.50),
        "left_hip": (-0.45, -0.45),
    }
    context = MeasureContext("side", upper_arm_m=0.30, upper_arm_sd_m=0.0, trunk_axis_sd_deg=3.0)
    table = joint_measures(joints(time, **pose), track, reps, context)
    touch = value(table, "touch_point_to_shoulder_m")
    assert touch["value"] == pytest.approx(0.05, abs=0.001)
    over = value(table, "touch_point_height_m")
    assert over["value"] == pytest.approx(0.07, abs=0.004)
    # Shoulders lie less surely in height than along the body.
    assert over["u95"] > 1.96 * math.hypot(touch["u95"] / 1.96, 0.007)
    left = value(table, "elbow_abduction_deg", side="left")
    assert left["value"] == pytest.approx(math.degrees(math.acos(0.18 / 0.30)), abs=0.01)
    right = value(table, "elbow_abduction_deg", side="right")
    assert right["quality"] == "missing" and "right shoulder or elbow" in right["reason"]
    assert "front view" in value(table, "forearm_lean_deg", side="left")["reason"]


def test_abduction_is_missing_without_the_arm_or_when_impossible() -> None:
    time, y = plain_set(1).sample(30)
    track, reps = trajectory(time, y), find_reps(time, y)
    pose = joints(time, **FRONT_POSE)

    def reason(context: MeasureContext) -> str:
        row = value(joint_measures(pose, track, reps, context), "elbow_abduction_deg", side="left")
        assert row["quality"] == "missing"
        return row["reason"]

    assert "length of the upper arm" in reason(MeasureContext("front"))
    assert "looks longer" in reason(MeasureContext("front", upper_arm_m=0.15))
    assert "oblique" in reason(MeasureContext("oblique", upper_arm_m=0.3))
    lost = MeasureContext("front", lifter_found=False, lifter_reason="Only a spotter was seen.")
    assert reason(lost) == "Only a spotter was seen."


@pytest.mark.parametrize("along", [False, True])
@pytest.mark.parametrize("true_deg", [20.0, 45.0, 70.0, 85.0])
def test_abduction_uncertainty_covers(along: bool, true_deg: float) -> None:
    rng = np.random.default_rng(5)
    length = 0.30
    true = math.radians(true_deg)
    seen = length * (math.cos(true) if along else math.sin(true))
    hits = []
    for _ in range(600):
        measured = seen + rng.normal(0, 0.01)
        arm = length + rng.normal(0, 0.005)
        angle, sd = abduction_from_projection(measured, 0.01, arm, 0.005, along)
        if math.isfinite(angle):
            hits.append(abs(angle - true_deg) <= 1.96 * sd)
    assert len(hits) > 570
    assert 0.9 <= np.mean(hits) <= 0.999


def test_abduction_is_uncertain_near_ninety_from_the_front() -> None:
    sd = [
        abduction_from_projection(0.3 * math.sin(math.radians(a)), 0.01, 0.3, 0.0, False)[1]
        for a in (30, 60, 85)
    ]
    assert sd[0] < sd[1] < sd[2]


def test_only_frames_near_the_event_stand_for_it() -> None:
    time, y = plain_set(1).sample(30)
    track, reps = trajectory(time, y), find_reps(time, y)
    early = joints(time, **FRONT_POSE)
    early = early[early["time_s"] < reps["touch_s"].iloc[0] - 0.3]
    row = value(
        joint_measures(early, track, reps, MeasureContext("front")),
        "wrist_over_elbow_m",
        side="left",
    )
    assert row["quality"] == "missing"


def test_wide_and_summary() -> None:
    motion = Motion()
    motion.hold(1)
    for press_s in (1.2, 1.5, 2.0):
        motion.rep(press_s=press_s)
        motion.hold(1)
    motion.failed_rep()
    motion.hold(1)
    time, y = motion.sample(60, 0.001)
    track, reps = trajectory(time, y), find_reps(time, y)
    context = MeasureContext("front", scale_rel_sd=0.02, upper_arm_m=0.3, upper_arm_sd_m=0.01)
    table = all_measures(track, reps, joints(time, **FRONT_POSE), context)
    flat = wide(table)
    assert flat["rep"].tolist() == [1, 2, 3, 4]
    assert flat.loc[1, "press_time_s"] == value(table, "press_time_s", 2)["value"]
    assert flat.loc[3, "press_time_s_quality"] == "missing"
    assert {"tuck_deg_left", "tuck_deg_right_u95", "tuck_deg_left_quality"} <= set(flat.columns)
    assert len(flat.columns) == 1 + 3 * sum(2 if s.per_side else 1 for s in CATALOGUE.values())

    summary = summarise(table, reps).set_index(["measure", "side"])
    speeds = [value(table, "mean_press_speed_m_s", r)["value"] for r in (1, 2, 3)]
    row = summary.loc[("mean_press_speed_m_s", "")]
    assert row["n"] == 3
    assert row["mean"] == pytest.approx(np.mean(speeds))
    assert row["sd"] == pytest.approx(np.std(speeds, ddof=1))
    assert (row["min"], row["max"]) == (min(speeds), max(speeds))
    # The scale is common to all repetitions: its 2 % stay in the mean.
    assert row["mean_u95"] > 1.95 * 0.02 * np.mean(speeds)
    loss = summary.loc[("speed_loss", "")]
    assert loss["mean"] == pytest.approx(100 * (1 - speeds[2] / speeds[0]))
    # True loss: the speed goes as one over the press time.
    assert abs(loss["mean"] - 40.0) <= loss["mean_u95"] + 1.0


def test_no_reps_give_empty_tables() -> None:
    time = np.arange(0, 4, 1 / 30)
    track, reps = trajectory(time, np.full(len(time), 1.0)), find_reps(time, np.ones(len(time)))
    table = all_measures(track, reps, None, MeasureContext("side"))
    assert len(table) == 0 and len(wide(table)) == 0
    assert summarise(table, reps)["measure"].tolist() == ["speed_loss"]


def test_unknown_view() -> None:
    with pytest.raises(OptionError):
        MeasureContext("top")
