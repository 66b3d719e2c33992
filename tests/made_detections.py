"""Results of clips that were never filmed: what perfect or noisy detectors would have seen.

The places in the picture come from the truth of the synthetic clips (the posed body and the bar
through the clip's camera); everything after the detections is the pipeline's own.
"""

import json
from functools import cache
from io import StringIO
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from barpath.analysis import pipeline
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.following import Detected
from barpath.clip.frames import ClipInfo
from barpath.clip.sceneroll import SceneRoll
from barpath.sight import pose
from barpath.space.armprior import ArmFitConfig

FOLDER = Path(__file__).parents[1] / "sample_clips_synthetic"


@cache
def truth(name):
    """Truth of a clip: as committed, or else built from the clip's settings."""
    if (FOLDER / f"{name}.truth.json").exists():
        document = (FOLDER / f"{name}.truth.json").read_text()
        return json.loads(document), pd.read_csv(FOLDER / f"{name}.truth.csv")
    from sample_clips_synthetic.generator import specs
    from sample_clips_synthetic.generator import truth as maker

    document, table = maker.make(next(clip for clip in specs.CLIPS if clip.name == name))
    return json.loads(document), pd.read_csv(StringIO(table))


def project(table, camera, points_m):
    """Pictures of world points, (n, ..., 3) to (n, ..., 2), by OpenCV."""
    matrix = np.array(
        [[camera["focal_px"], 0, camera["cx_px"]], [0, camera["focal_px"], camera["cy_px"]],
         [0, 0, 1.0]]
    )  # fmt: skip
    bend = np.array([camera["k1"], camera["k2"], 0.0, 0.0])
    turns = table[[f"camera_turn_{a}_rad" for a in "xyz"]].to_numpy(dtype=float)
    places = table[[f"camera_{a}_m" for a in "xyz"]].to_numpy(dtype=float)
    out = []
    for points, turn, place in zip(points_m, turns.copy(), places, strict=True):
        shift = -cv2.Rodrigues(turn)[0] @ place
        seen = cv2.projectPoints(points.reshape(-1, 3), turn, shift, matrix, bend)[0]
        out.append(seen.reshape(*points.shape[:-1], 2))
    return np.array(out)


def place_m(table, name):
    return table[[f"{name}_{a}_m" for a in "xyz"]].to_numpy(dtype=float)


def _rim(table, centre, radius_m):
    """Points of a plate's rim: (n, 96, 3)."""
    angle = np.linspace(0, 2 * np.pi, 96, endpoint=False)[:, None]
    axis = table[[f"axis_{a}" for a in "xyz"]].to_numpy(dtype=float)
    first = np.cross(axis, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(axis, first)
    turning = np.cos(angle) * first[:, None] + np.sin(angle) * second[:, None]
    return centre[:, None] + radius_m * turning


def outlines(table, camera, side, radius_m=0.225):
    """Ellipses fitted to what shows of a thick plate: (centre, axes, angle) for each frame."""
    outer, middle = (place_m(table, f"{side}_plate_{name}") for name in ("outer", "mid"))
    rims = [_rim(table, place, radius_m) for place in (outer, 2 * middle - outer)]
    out = []
    for points in project(table, camera, np.concatenate(rims, axis=1)).astype(np.float32):
        hull = cv2.convexHull(points)[:, 0]
        closed = np.vstack([hull, hull[:1]])
        way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
        even = np.linspace(0.0, way[-1], 240, endpoint=False)
        spread = np.column_stack([np.interp(even, way, closed[:, k]) for k in range(2)])
        out.append(cv2.fitEllipse(spread.astype(np.float32)))
    return out


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
            rim = project(table, camera, _rim(table, place_m(table, f"{side}_plate_inner"), 0.225))
            track[f"{image}_plate_px"] = np.ptp(rim[:, :, 1], axis=1)
            track[f"{image}_sd_px"] = max(noise_px, 0.1)
            track[f"{image}_state"] = "seen"
    else:
        shapes = outlines(table, camera, document["near_side"])
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
    axis = table[[f"axis_{a}" for a in "xyz"]].to_numpy(dtype=float)
    places = {name: place_m(table, name) for name in pose.JOINTS if f"{name}_x_m" in table}
    for side, out in (("left", 1.0), ("right", -1.0)):
        places[f"{side}_plate"] = place_m(table, f"{side}_plate_outer")
        for part, half_m in (("collar", 0.655), ("bar_end", 1.10)):
            places[f"{side}_{part}"] = place_m(table, "bar_middle") + out * half_m * axis
    columns = dict(base)
    for name in pose.JOINTS:
        known = name in places
        at = project(table, camera, places[name]) if known else np.full((n, 2), np.nan)
        for k, a in enumerate("xy"):
            columns[f"{name}_{a}_px"] = at[:, k] + rng.normal(0, joint_px, n) * known
            columns[f"{name}_var_{a}_px2"] = max(joint_px, 1.0) ** 2 if known else np.nan
        columns[f"{name}_cov_xy_px2"] = 0.0 if known else np.nan
        columns[f"{name}_confidence"] = 0.9 if known else 0.0
    joints = pd.DataFrame(columns)
    joints["person_score"] = 0.9
    turn = table[[f"camera_turn_{a}_rad" for a in "xyz"]].iloc[0].to_numpy(dtype=float)
    up = cv2.Rodrigues(turn)[0] @ np.array([0.0, 1.0, 0.0])
    level = SceneRoll(
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
    detected = Detected(
        view, "given", track, still, 0, level, joints.iloc[::6].reset_index(drop=True)
    )
    # What a single view makes of the arms is not what is tested with these: as little as possible.
    arms = ArmFitConfig(max_frames=60, n_rounds=1, n_draws=40)
    config = AnalysisConfig(view=view, load_kg=load_kg, plate_given=True, arms=arms)
    return pipeline.measure(info, detected, config)
