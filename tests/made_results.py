"""Made set results with known content: an invented evening at an invented club."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator

from barpath.analysis.setresult import Note, SetResult
from barpath.analysis.stills import DRAWN_JOINTS
from barpath.clip.frames import ClipInfo

FPS = 30.0
PX_PER_M = 420.0
DEPTH_M = 0.34
NO_RISE = "The bar was lost for part of the press, so its speed there is not known."
HIDDEN = "The elbow was hidden behind the plate in most of the press."
WRONG_VIEW = "The side view does not show this; film from the feet."

MEASURES: dict[str, tuple[str, tuple[str, ...], float, float, float]] = {
    # name: unit, sides, first value, change per rep, sd
    "range_of_motion_m": ("m", ("",), 0.34, -0.002, 0.003),
    "drift_touch_to_lockout_m": ("m", ("",), 0.058, 0.004, 0.003),
    "path_length_ratio": ("", ("",), 1.05, 0.012, 0.006),
    "descent_time_s": ("s", ("",), 1.30, 0.02, 0.02),
    "pause_s": ("s", ("",), 0.35, 0.03, 0.02),
    "press_time_s": ("s", ("",), 0.95, 0.16, 0.02),
    "mean_press_speed_m_s": ("m/s", ("",), 0.36, -0.04, 0.006),
    "peak_press_speed_m_s": ("m/s", ("",), 0.55, -0.05, 0.01),
    "elbow_abduction_deg": ("deg", ("left", "right"), 62.0, 1.0, 3.5),
    "forearm_lean_deg": ("deg", ("left", "right"), 6.0, 0.5, 2.5),
}


def _scene(view: str, width: int, height: int) -> np.ndarray:
    ramp = np.linspace(70, 150, height)[:, None] * np.ones((1, width))
    image = np.dstack([ramp, ramp * 0.95, ramp * 0.88]).astype(np.uint8)
    cv2.rectangle(image, (0, int(0.86 * height)), (width, height), (96, 84, 74), -1)
    cv2.rectangle(
        image,
        (int(0.2 * width), int(0.68 * height)),
        (int(0.8 * width), int(0.74 * height)),
        (40, 44, 52),
        -1,
    )
    if view != "front":
        cv2.rectangle(image, (int(0.72 * width), 0), (int(0.75 * width), height), (60, 66, 80), -1)
    return image


def _press(n_reps: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[dict[str, Any]]]:
    """Time, sideways and vertical position (m), and the rep table of a made set."""
    knots_t, knots_y, knots_x, reps = [0.0], [0.0], [0.0], []
    t = 1.0
    for k in range(n_reps):
        down, hold, up = 1.3 + 0.02 * k, 0.35 + 0.03 * k, 0.95 + 0.16 * k
        start, touch = t, t + down
        press, lockout = touch + hold, touch + hold + up
        knots_t += [start, start + 0.5 * down, touch, press, press + 0.45 * up, lockout]
        knots_y += [0.0, -0.55 * DEPTH_M, -DEPTH_M, -DEPTH_M, -0.55 * DEPTH_M, 0.0]
        reach = -0.058 - 0.004 * k
        knots_x += [0.0, 0.7 * reach, reach, reach, 0.25 * reach, 0.0]
        sticking = (press + 0.4 * up, press + 0.6 * up) if k >= 2 else (np.nan, np.nan)
        reps.append(
            {
                "rep": k + 1,
                "kind": "complete",
                "start_s": start,
                "touch_s": touch,
                "press_s": press,
                "lockout_s": lockout,
                "end_s": lockout + 0.3,
                "touch_and_go": False,
                "cut": "",
                "short_of": "",
                "sticking_start_s": sticking[0],
                "sticking_end_s": sticking[1],
                "peak1_s": press + 0.25 * up,
            }
        )
        t = lockout + 0.9
    knots_t.append(t + 0.5)
    knots_y.append(0.0)
    knots_x.append(0.0)
    time = np.arange(0.0, knots_t[-1], 1.0 / FPS)
    # The descent reaches toward the feet later than it drops: the path is a loop, not a line.
    return (
        time,
        PchipInterpolator(knots_t, knots_x)(time),
        PchipInterpolator(knots_t, knots_y)(time),
        reps,
    )


def _joints(view: str, x: np.ndarray, y: np.ndarray, size: tuple[int, int]) -> dict[str, Any]:
    """Columns of the pose table for a lifter whose hands are on the bar."""
    width, height = size
    rng = np.random.default_rng(7)
    front = view == "front"
    columns: dict[str, Any] = {}
    for side, sign in (("left", 1.0), ("right", -1.0)):
        spread = sign * (0.09 * width if front else 0.01 * width)
        points = {
            "wrist": (x + 2.0 * spread, y + 0.0),
            "elbow": (x + 2.3 * spread - (0 if front else 12), y + 0.16 * height),
            "shoulder": (0.5 * width + 1.2 * spread + (0 if front else 40), 0.62 * height),
            "hip": (0.5 * width + spread - (0 if front else 190), 0.64 * height),
            "knee": (0.5 * width + 1.9 * spread - (0 if front else 310), 0.62 * height),
            "ankle": (0.5 * width + 2.0 * spread - (0 if front else 330), 0.84 * height),
        }
        far = side == "right" and not front
        for joint, (px, py) in points.items():
            sure = 0.35 if far and joint in ("elbow", "wrist", "hip") else 0.9
            columns[f"{side}_{joint}_x_px"] = px + rng.normal(0, 0.6, len(x))
            columns[f"{side}_{joint}_y_px"] = py + rng.normal(0, 0.6, len(x))
            columns[f"{side}_{joint}_confidence"] = np.full(len(x), sure)
    assert {c.rsplit("_x_px", 1)[0] for c in columns if c.endswith("_x_px")} == set(DRAWN_JOINTS)
    return columns


def make_measures(n_reps: int, view: str) -> pd.DataFrame:
    rows = []
    for rep in range(1, n_reps + 1):
        for name, (unit, sides, first, step, sd) in MEASURES.items():
            for side in sides:
                value, quality, reason, spread = first + step * (rep - 1), "good", "", sd
                if side == "right" and view != "front":
                    value, quality, reason = np.nan, "missing", HIDDEN
                elif side == "left":
                    quality, reason = "fair", "The joint was seen in 71 % of the frames."
                if name == "mean_press_speed_m_s" and rep == 2:
                    value, quality, reason = np.nan, "missing", NO_RISE
                if name == "path_length_ratio" and rep == 4:
                    quality, reason = "poor", "The bar was partly hidden."
                    spread = 4 * sd
                if not np.isfinite(value):
                    spread = np.nan
                rows.append(
                    {
                        "rep": rep,
                        "measure": name,
                        "side": side,
                        "value": value,
                        "unit": unit,
                        "sd": spread,
                        "u95": 1.96 * spread,
                        "quality": quality,
                        "reason": reason,
                    }
                )
        rows.append(
            {
                "rep": rep,
                "measure": "bar_tilt_deg",
                "side": "",
                "value": 2.1 + 0.3 * rep if view == "front" else np.nan,
                "unit": "deg",
                "sd": 0.3 if view == "front" else np.nan,
                "u95": 0.6 if view == "front" else np.nan,
                "quality": "good" if view == "front" else "missing",
                "reason": "" if view == "front" else WRONG_VIEW,
            }
        )
    return pd.DataFrame(rows)


def make_result(view: str = "side", n_reps: int = 5, **changes: Any) -> SetResult:
    """A made set; `changes` replace attributes of the result."""
    size = width, height = (960, 540) if view != "front" else (540, 960)
    time, x, y, reps = _press(n_reps)
    n = len(time)
    frame = np.arange(n)
    rng = np.random.default_rng(3)
    trajectory = pd.DataFrame(
        {
            "frame": frame,
            "time_s": time,
            "x_m": x + rng.normal(0, 0.001, n),
            "y_m": y + rng.normal(0, 0.001, n),
            "x_smooth_m": x,
            "y_smooth_m": y,
            "vx_m_s": np.gradient(x, time),
            "vy_m_s": np.gradient(y, time),
            "ay_m_s2": np.gradient(np.gradient(y, time), time),
            "sd_m": 0.001,
            "gap": (time > 4.1) & (time < 4.3),
            "state": "seen",
        }
    )
    bar_x, bar_y = 0.52 * width + PX_PER_M * x, 0.33 * height - PX_PER_M * y
    base = {"frame": frame, "time_s": time}
    if view == "front":
        tilt = 2.0 * np.clip(-y / DEPTH_M, 0, 1) * np.sin(time)
        half = 0.38 * width
        drop = half * np.tan(np.deg2rad(tilt))
        trajectory["left_y_m"] = y - drop / PX_PER_M
        trajectory["right_y_m"] = y + drop / PX_PER_M
        trajectory["tilt_deg"] = tilt
        track = pd.DataFrame(
            {
                **base,
                "image_left_x_px": bar_x - half,
                "image_left_y_px": bar_y - drop,
                "image_left_plate_px": 150.0,
                "image_left_sd_px": 0.6,
                "image_left_state": "seen",
                "image_right_x_px": bar_x + half,
                "image_right_y_px": bar_y + drop,
                "image_right_plate_px": 150.0,
                "image_right_sd_px": 0.6,
                "image_right_state": "partly",
                "line_sd_px": 0.4,
                "bar_px": 9.0,
            }
        )
    else:
        share = 1.0 if view == "side" else 0.7
        track = pd.DataFrame(
            {
                **base,
                "x_px": bar_x,
                "y_px": bar_y,
                "major_px": 0.45 * PX_PER_M,
                "minor_px": 0.45 * PX_PER_M * share,
                "angle_deg": 88.0 if view == "oblique" else 0.0,
                "sd_px": 0.3,
                "outline_share": 0.9,
                "state": "seen",
            }
        )
    sway = 3.0 * np.sin(time) if view == "oblique" else np.zeros(n)
    camera = pd.DataFrame(
        {
            **base,
            "m00": 1.0,
            "m01": 0.0,
            "m02": -sway,
            "m10": 0.0,
            "m11": 1.0,
            "m12": 0.0,
            "residual_px": 0.2,
            "static": view != "oblique",
        }
    )
    if view == "oblique":
        track["x_px"] += sway
    pose = pd.DataFrame({**base, **_joints(view, bar_x + sway, bar_y, size)})
    pose["person_score"] = 0.9
    pose = pose.iloc[::3].reset_index(drop=True)
    phases = pd.DataFrame({"time_s": time, "phase": ""})
    for row in reps:
        for phase, a, b in (
            ("descent", "start_s", "touch_s"),
            ("pause", "touch_s", "press_s"),
            ("press", "press_s", "lockout_s"),
            ("lockout", "lockout_s", "end_s"),
        ):
            phases.loc[(time >= row[a]) & (time < row[b]), "phase"] = phase
    measures = make_measures(n_reps, view)
    rep_table = pd.DataFrame(reps)
    for (name, side), group in measures.groupby(["measure", "side"], sort=False):
        column = f"{name}_{side}" if side else name
        rep_table[column] = group["value"].to_numpy()
        rep_table[f"{column}_u95"] = group["u95"].to_numpy()
        rep_table[f"{column}_quality"] = group["quality"].to_numpy()
    result = SetResult(
        source_name="kiln-lane-thursday.mp4",
        info=ClipInfo(
            path=Path("kiln-lane-thursday.mp4"),
            width_px=width,
            height_px=height,
            rotation_deg=0,
            mirrored=False,
            codec="h264",
            pixel_format="yuv420p",
            n_frames=n,
            duration_s=float(time[-1]),
            fps=FPS,
            fps_nominal=FPS,
            variable_rate=False,
            n_dropped=2,
            n_duplicate=0,
            time_scale=1.0,
            n_undecodable=0,
            n_interpolated=0,
            warnings=(),
            times_s=time,
            _index=None,
        ),
        view=view,
        view_source="guessed",
        options={
            "plate_mm": 450,
            "plate_given": True,
            "load_kg": 82.5,
            "upper_arm_m": None,
            "stature_m": None,
            "note": "second set, felt heavy",
            "find_joints": True,
        },
        calibration={
            "plate_mm": 450,
            "px_per_m": PX_PER_M,
            "scale_rel_sd": 0.006,
            "focal_px": np.nan,
            "roll_deg": 0.8,
            "roll_sd_deg": 0.3,
            "plane_angle_deg": 0.0 if view == "side" else 31.0,
            "plane_angle_sd_deg": 2.0,
            "scene_roll_deg": None,
            "scene_roll_sd_deg": None,
            "scene_pitch_deg": None,
            "scene_pitch_sd_deg": None,
            "scene_lines": 0,
            "head_direction": "image right",
            "method": "The plate's outline, 450 mm across, seen in 412 frames.",
        },
        trajectory=trajectory,
        track=track,
        camera=camera,
        pose=pose,
        reps=rep_table,
        measures=measures,
        phases=phases,
        notes=[
            Note("dropped_frames", "info", "Two frames are missing from the clip."),
            Note("pose_far_side", "warning", "The right arm was hidden for much of the set."),
        ],
        versions={"barpath": "0.1.0", "numpy": np.__version__},
    )
    for name, value in changes.items():
        setattr(result, name, value)
    return result


def make_image(result: SetResult, index: int) -> np.ndarray:
    """The made picture that belongs to row `index` of the track."""
    image = _scene(result.view, result.info.width_px, result.info.height_px)
    row = result.track.iloc[index]
    if result.view == "front":
        ends = [
            (round(row[f"image_{s}_x_px"]), round(row[f"image_{s}_y_px"]))
            for s in ("left", "right")
        ]
        cv2.line(image, ends[0], ends[1], (190, 190, 195), 8, cv2.LINE_AA)
        for x, y in ends:
            cv2.rectangle(image, (x - 12, y - 80), (x + 12, y + 80), (150, 40, 40), -1)
        return image
    centre = (round(row["x_px"]), round(row["y_px"]))
    axes = (round(row["major_px"] / 2), round(row["minor_px"] / 2))
    cv2.ellipse(image, centre, axes, row["angle_deg"], 0, 360, (150, 40, 40), -1, cv2.LINE_AA)
    cv2.circle(image, centre, 11, (200, 200, 205), -1, cv2.LINE_AA)
    return image
