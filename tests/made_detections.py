"""Results of clips that were never filmed: what perfect or noisy detectors would have seen.

The places in the picture come from the truth of the synthetic clips (the posed body and the bar
through the clip's camera); everything after the detections is the pipeline's own.
"""

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from barpath import pipeline, pose, scene
from barpath.armfit import ArmFitConfig
from barpath.config import AnalysisConfig
from barpath.frames import ClipInfo

FOLDER = Path(__file__).parents[1] / "sample_clips_synthetic"


@cache
def truth(name):
    document = json.loads((FOLDER / f"{name}.truth.json").read_text())
    return document, pd.read_csv(FOLDER / f"{name}.truth.csv")


def _circle_px(table, camera, point, radius_m):
    """Pictures of a plate's rim: (n, 48, 2) pixels."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    matrix = np.array(
        [[camera["focal_px"], 0, camera["cx_px"]], [0, camera["focal_px"], camera["cy_px"]],
         [0, 0, 1.0]]
    )  # fmt: skip
    bend = np.array([camera["k1"], camera["k2"], 0.0, 0.0])
    out = []
    for row in table.itertuples():
        axis = np.array([row.axis_x, row.axis_y, row.axis_z])
        first = np.cross(axis, [0.0, 1.0, 0.0])
        first /= np.linalg.norm(first)
        second = np.cross(axis, first)
        centre = np.array([getattr(row, f"{point}_{a}_m") for a in "xyz"])
        rim = centre + radius_m * (np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * second)
        turn = np.array([getattr(row, f"camera_turn_{a}_rad") for a in "xyz"])
        place = np.array([getattr(row, f"camera_{a}_m") for a in "xyz"])
        shift = -cv2.Rodrigues(turn)[0] @ place
        out.append(cv2.projectPoints(rim, turn, shift, matrix, bend)[0][:, 0])
    return np.array(out)


def made_result(name, *, noise_px=0.0, joint_px=0.0, seed=0, load_kg=None):
    """Measure a clip from the places in its picture, with noise on plate and joints."""
    document, table = truth(name)
    rng = np.random.default_rng(seed)
    camera, view = document["camera"], document["view"]
    n = len(table)
    base = {"frame": np.arange(n), "time_s": table["time_s"].to_numpy()}

    def noisy(values, sd):
        return np.asarray(values, dtype=float) + rng.normal(0, sd, n)

    if view == "front":
        track = pd.DataFrame(base)
        for image, side in (("image_left", "right"), ("image_right", "left")):
            for a in "xy":
                track[f"{image}_{a}_px"] = noisy(table[f"{side}_plate_inner_{a}_px"], noise_px)
            rim = _circle_px(table, camera, f"{side}_plate_inner", 0.225)
            track[f"{image}_plate_px"] = np.ptp(rim[:, :, 1], axis=1)
            track[f"{image}_sd_px"] = max(noise_px, 0.1)
            track[f"{image}_state"] = "seen"
    else:
        rim = _circle_px(table, camera, f"{document['near_side']}_plate_outer", 0.225)
        shapes = [cv2.fitEllipse(points.astype(np.float32)) for points in rim]
        track = pd.DataFrame(base)
        track["x_px"] = noisy([s[0][0] for s in shapes], noise_px)
        track["y_px"] = noisy([s[0][1] for s in shapes], noise_px)
        track["major_px"] = [max(s[1]) for s in shapes]
        track["minor_px"] = [min(s[1]) for s in shapes]
        # The angle that fitEllipse gives is that of the second axis less 90 degrees.
        track["angle_deg"] = [
            (s[2] + (90 if s[1][1] >= s[1][0] else 0) + 90) % 180 - 90 for s in shapes
        ]
        track["sd_px"] = max(noise_px, 0.05)
        track["state"] = "seen"
    still = pd.DataFrame(base)
    for row in range(2):
        for column in range(3):
            still[f"m{row}{column}"] = float(row == column)
    still["residual_px"], still["static"] = 0.0, True
    joints = pd.DataFrame(base)
    for joint in pose.JOINTS:
        known = f"{joint}_x_px" in table and "plate" not in joint
        for a in "xy":
            values = table[f"{joint}_{a}_px"] if known else np.full(n, np.nan)
            joints[f"{joint}_{a}_px"] = (
                np.asarray(values, float) + rng.normal(0, joint_px, n) * known
            )
            joints[f"{joint}_var_{a}_px2"] = max(joint_px, 1.0) ** 2 if known else np.nan
        joints[f"{joint}_cov_xy_px2"] = 0.0 if known else np.nan
        joints[f"{joint}_confidence"] = 0.9 if known else 0.0
    joints["person_score"] = 0.9
    turn = table[[f"camera_turn_{a}_rad" for a in "xyz"]].iloc[0].to_numpy(dtype=float)
    up = cv2.Rodrigues(turn)[0] @ np.array([0.0, 1.0, 0.0])
    level = scene.SceneRoll(
        roll_deg=float(np.degrees(np.arctan2(-up[0], -up[1]))),
        sd_deg=0.5,
        n_lines=6,
        reason="",
        pitch_deg=float(np.degrees(np.arcsin(-up[2]))),
        pitch_sd_deg=1.0,
        f_px=np.nan,
        centre_px=(np.nan, np.nan),
    )
    info = ClipInfo(
        path=Path(f"{name}.mp4"),
        width_px=camera["width_px"],
        height_px=camera["height_px"],
        rotation_deg=0,
        mirrored=False,
        codec="none",
        pixel_format="none",
        n_frames=n,
        duration_s=float(base["time_s"][-1]),
        fps=float(document["fps_nominal"]),
        fps_nominal=float(document["fps_nominal"]),
        variable_rate=bool(document["variable_rate"]),
        n_dropped=0,
        n_duplicate=0,
        time_scale=1.0,
        n_undecodable=0,
        n_interpolated=0,
        warnings=(),
        times_s=base["time_s"],
        _index=None,
    )
    detected = pipeline.Detected(
        view, "given", track, still, 0, level, joints.iloc[::6].reset_index(drop=True)
    )
    # What a single view makes of the arms is not what is tested with these: as little as possible.
    arms = ArmFitConfig(max_frames=60, n_rounds=1, n_draws=40)
    config = AnalysisConfig(view=view, load_kg=load_kg, plate_given=True, arms=arms)
    return pipeline.measure(info, detected, config)
