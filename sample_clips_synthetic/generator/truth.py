"""Exact truth of a clip, measured on the posed world in space, never read from its settings.

Nothing here is shared with the analyser. Speeds and events come from the bar's position on a 1 kHz
grid by central differences; angles and offsets from the joint centres of the posed body.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks
from scipy.spatial.transform import Rotation

from .body import OUTWARD, SHAFT_RADIUS_M, SIDES, TAG, Array, Pose
from .clip import ClipSpec, World
from .scenery import BAR_LENGTH_M, INNER_FACES_M

SCHEMA = "quarry-lane-truth/1"
STEP_S = 0.001
MOVING_M_S = 0.03
SMALLEST_DESCENT_M = 0.08
SMALLEST_RISE_M = 0.015
LOCKOUT_WITHIN_M = 0.025
TOUCH_WITHIN_M = 0.03
DIP_M_S = 0.02
GRAVITY_M_S2 = 9.81


@dataclass(frozen=True)
class Dense:
    """The bar on the fine grid: times (n,), middle (n, 3), axis (n, 3), hands' heights."""

    time_s: Array
    middle: Array
    axis: Array
    hand_y_m: dict[str, Array]

    def at(self, time_s: float) -> int:
        """Index of the nearest sample."""
        return round((time_s - float(self.time_s[0])) / STEP_S)


def sample(world: World) -> Dense:
    """Sample the bar over the clip.

    Parameters
    ----------
    world
        The clip's world.
    """
    first, last = float(world.times_s[0]), float(world.times_s[-1])
    time = first + STEP_S * np.arange(round((last - first) / STEP_S) + 1)
    states = [world.bar(float(t)) for t in time]
    grips = [world.grips(s) for s in states]
    return Dense(
        time,
        np.array([s.middle for s in states]),
        np.array([s.axis for s in states]),
        {side: np.array([g[side][1] for g in grips]) for side in SIDES},
    )


def _runs(flag: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.diff(np.concatenate([[0], flag.astype(int), [0]]))
    return list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True))


def _moves(height: Array, direction: int, smallest_m: float) -> list[tuple[int, int]]:
    """Stretches in which a height goes one way by at least some distance."""
    speed = np.gradient(height, STEP_S)
    runs = _runs(direction * speed > MOVING_M_S)
    return [(a, b) for a, b in runs if direction * (height[b - 1] - height[a]) >= smallest_m]


def find_reps(world: World, dense: Dense) -> list[dict[str, Any]]:
    """Repetitions that lie wholly within the clip.

    A rep starts where a descent of at least 0.08 m begins (the bar faster than 0.03 m/s), touches
    where that descent ends, presses where the next rise begins and locks out where that rise ends.
    """
    y = dense.middle[:, 1]
    falls, rises = _moves(y, -1, SMALLEST_DESCENT_M), _moves(y, 1, SMALLEST_RISE_M)
    lifter = world.lifter
    reps: list[dict[str, Any]] = []
    sunk = False
    for a, b in falls:
        if sunk:
            sunk = False
            continue
        following = [r for r in rises if r[0] >= b - 1]
        if not following or b >= len(y) - 2:
            continue
        up = following[0]
        if up[1] >= len(y) - 1 or a <= 1:
            continue
        touch, press, top = b - 1, up[0], up[1] - 1
        x = float(dense.middle[touch, 0])
        chest = lifter.chest_top(x) + SHAFT_RADIUS_M
        if y[top] < y[a] - LOCKOUT_WITHIN_M:
            kind, sunk = "failed", True
        elif y[touch] > chest + TOUCH_WITHIN_M:
            kind = "partial"
        else:
            kind = "complete"
        reps.append({"rep": len(reps) + 1, "kind": kind, "index": (a, touch, press, top)})
    return reps


def _joints_at(world: World, time_s: float) -> tuple[dict[str, Array], Pose]:
    pose = world.pose(world.bar(time_s))
    return world.lifter.joints(pose), pose


def hand_centres(world: World, pose: Pose) -> dict[str, Array]:
    """Middle of each closed hand, found from its wrist joint and the hand bone's rotation."""
    lifter = world.lifter
    out = {}
    for side in SIDES:
        bone = lifter.mesh.bone(f"wrist.{TAG[side]}")
        hand = lifter.hands[side]
        out[side] = pose.head[bone] + pose.rotation[bone] @ hand.rest_frame @ hand.bar
    return out


def tilt_deg(axis: Array) -> Array:
    """Angle of the bar over the horizontal, left end up positive; axis (..., 3)."""
    return np.degrees(np.arctan2(axis[..., 1], np.hypot(axis[..., 0], axis[..., 2])))


def _angle_deg(a: Array, b: Array) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def arm_measures(joints: dict[str, Array]) -> dict[str, dict[str, float]]:
    """Offsets and angles of both arms.

    Parameters
    ----------
    joints
        Joint centres, world frame, metres.

    Returns
    -------
    dict
        For each side: ``wrist_over_elbow_m`` (outward positive, along z), ``forearm_lean_deg``
        (of the elbow-wrist line from the vertical in the frontal plane zy, wrist outside the elbow
        positive),
        ``forearm_lean_sagittal_deg`` (same in xy, wrist toward the head positive),
        ``elbow_abduction_deg`` (between upper arm and the line from mid-shoulders to mid-hips,
        in space) and ``elbow_abduction_in_plane_deg`` (same, with the upper arm projected on the
        plane of that line and the line through both shoulders).
    """
    middle = (joints["left_shoulder"] + joints["right_shoulder"]) / 2
    trunk = (joints["left_hip"] + joints["right_hip"]) / 2 - middle
    trunk = trunk / np.linalg.norm(trunk)
    out = {}
    for side in SIDES:
        shoulder, elbow, wrist = (joints[f"{side}_{n}"] for n in ("shoulder", "elbow", "wrist"))
        forearm, upper = wrist - elbow, elbow - shoulder
        outward = OUTWARD[side] * forearm[2]
        across = shoulder - middle
        across = across - (across @ trunk) * trunk
        across = across / np.linalg.norm(across)
        out[side] = {
            "wrist_over_elbow_m": float(outward),
            "forearm_lean_deg": float(np.degrees(np.arctan2(outward, forearm[1]))),
            "forearm_lean_sagittal_deg": float(np.degrees(np.arctan2(forearm[0], forearm[1]))),
            "elbow_abduction_deg": _angle_deg(upper, trunk),
            "elbow_abduction_in_plane_deg": float(
                np.degrees(np.arctan2(upper @ across, upper @ trunk))
            ),
        }
    return out


def own_events(height: Array, events: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
    """The four events of a rep as one point of the bar has them.

    A bar that comes up unevenly locks out at one end before the other, and a side view sees one
    end only. Start, touch, press and top of a point are those of its own descent and rise that
    overlap the bar's most.
    """
    start, touch, press, top = events

    def own(direction: int, smallest_m: float, begin: int, end: int) -> tuple[int, int]:
        runs = _moves(height, direction, smallest_m)
        best = max(runs, key=lambda r: min(r[1], end) - max(r[0], begin), default=(begin, end + 1))
        return (best[0], best[1] - 1) if min(best[1], end) > max(best[0], begin) else (begin, end)

    return *own(-1, SMALLEST_DESCENT_M, start, touch), *own(1, SMALLEST_RISE_M, press, top)


def _path(path: Array, time_s: Array, events: tuple[int, int, int, int]) -> dict[str, float]:
    """Moments, on the clip's clock, and measures of a path."""
    own = own_events(path[:, 1], events)
    names = ("start_s", "touch_s", "press_s", "lockout_s")
    moments = {name: float(time_s[at]) for name, at in zip(names, own, strict=True)}
    return moments | path_measures(path, *own)


def path_measures(path: Array, start: int, touch: int, press: int, top: int) -> dict[str, float]:
    """Measures of a path in the sagittal plane.

    Parameters
    ----------
    path
        (n, 2): x toward the head and y up on the fine grid, metres.
    start, touch, press, top
        Indices of the events.
    """
    x, y = path[:, 0], path[:, 1]
    steps = np.hypot(*np.diff(path[start : top + 1], axis=0).T)
    speed = np.gradient(y, STEP_S)
    acceleration = np.gradient(speed, STEP_S)
    rise = slice(press, top + 1)
    pushing = acceleration[rise] > -GRAVITY_M_S2
    return {
        "range_of_motion_m": float(y[top] - y[touch : press + 1].min()),
        "descent_m": float(y[start] - y[touch : press + 1].min()),
        "horizontal_range_m": float(np.ptp(x[start : top + 1])),
        "touch_to_lockout_x_m": float(x[top] - x[touch]),
        "path_length_m": float(steps.sum()),
        "mean_press_speed_m_s": float((y[top] - y[press]) / ((top - press) * STEP_S)),
        "peak_press_speed_m_s": float(speed[rise].max()),
        "mean_propulsive_speed_m_s": float(speed[rise][pushing].mean()),
        "peak_descent_speed_m_s": float(-speed[start : touch + 1].min()),
        "descent_time_s": float((touch - start) * STEP_S),
        "pause_time_s": float((press - touch) * STEP_S),
        "press_time_s": float((top - press) * STEP_S),
        "sticking_minimum_speed_m_s": sticking(speed[press : top + 1], y[press : top + 1]).get(
            "minimum_speed_m_s"
        ),
    }


def sticking(speed: Array, height: Array) -> dict[str, float]:
    """Sticking region of a press: from the first peak of speed to the first minimum after it.

    Parameters
    ----------
    speed, height
        Vertical speed and height of the bar during the press on the fine grid.

    Returns
    -------
    dict
        Empty when speed has no dip of at least 0.02 m/s.
    """
    peaks, _ = find_peaks(speed, prominence=DIP_M_S)
    dips, _ = find_peaks(-speed, prominence=DIP_M_S)
    if len(peaks) < 2 or not len(dips):
        return {}
    first = int(peaks[0])
    low = int(dips[dips > first][0])
    again = np.flatnonzero(speed[low:] >= speed[first])
    whole = height[-1] - height[0]
    return {
        "peak1_after_press_s": first * STEP_S,
        "minimum_after_press_s": low * STEP_S,
        "regained_after_press_s": (low + int(again[0])) * STEP_S if len(again) else float("nan"),
        "peak1_speed_m_s": float(speed[first]),
        "minimum_speed_m_s": float(speed[low]),
        "depth_m_s": float(speed[first] - speed[low]),
        "depth_share": float(1 - speed[low] / speed[first]),
        "height_share_at_start": float((height[first] - height[0]) / whole),
        "height_share_at_minimum": float((height[low] - height[0]) / whole),
    }


def plate_points(spec: ClipSpec, middle: Array, axis: Array) -> dict[str, Array]:
    """Centres of the plates' faces at both ends of the bar.

    ``outer`` is the outer face and ``mid`` the mid-plane of the outermost plate of the largest
    diameter; ``inner`` is the inner face of the innermost plate. Arrays (..., 3).
    """
    inner, outer = spec.load.biggest_m
    places = {"outer": outer, "mid": (inner + outer) / 2, "inner": spec.load.inner_face_m}
    return {
        f"{side}_plate_{name}": middle + OUTWARD[side] * place * axis
        for side in SIDES
        for name, place in places.items()
    }


def near_side(spec: ClipSpec) -> str:
    """Lifter's side on which the camera stands (``""`` within 0.5 m of the middle)."""
    z = spec.camera.position_m[2]
    return "" if abs(z) < 0.5 else ("left" if z > 0 else "right")


def _lockout_s(dense: Dense, side: str, press: int, top: int) -> float:
    height = dense.hand_y_m[side]
    runs = _moves(height, 1, SMALLEST_RISE_M)
    mine = [r for r in runs if r[1] > press and r[0] < top]
    return float(dense.time_s[mine[0][1] - 1]) if mine else float("nan")


def _passes_95_s(height: Array, time_s: Array, press: int, top: int) -> float:
    """When a point has risen by 95 % of its way from press to top."""
    rise = height[press : top + 1]
    level = rise[0] + 0.95 * (rise.max() - rise[0])
    return float(time_s[press + int(np.argmax(rise >= level))])


def rep_truth(world: World, dense: Dense, rep: dict[str, Any]) -> dict[str, Any]:
    """Everything that is true about one rep."""
    start, touch, press, top = rep["index"]
    zero = float(world.times_s[0])
    time = dense.time_s - zero
    joints, pose = _joints_at(world, float(dense.time_s[press]))
    middle = (joints["left_shoulder"] + joints["right_shoulder"]) / 2
    width = float(np.linalg.norm(joints["left_shoulder"] - joints["right_shoulder"]))
    hands = hand_centres(world, pose)
    grip = float(np.linalg.norm(hands["left"] - hands["right"]))
    speed = np.gradient(dense.middle[:, 1], STEP_S)
    tilt = tilt_deg(dense.axis)
    span = slice(start, top + 1)
    extreme = int(np.argmax(np.abs(tilt[span])))
    lockouts = {side: _lockout_s(dense, side, press, top) - zero for side in SIDES}
    points = plate_points(world.spec, dense.middle, dense.axis)
    # Beyond the top one end may still be rising.
    last = min(top + round(0.3 / STEP_S), len(time) - 1)
    at_95 = {
        side: _passes_95_s(points[f"{side}_plate_inner"][:, 1], time, press, last) for side in SIDES
    }
    paths = {"bar_middle": dense.middle[:, :2]}
    near = near_side(world.spec)
    if near:
        far = next(side for side in SIDES if side != near)
        paths["near_plate"] = points[f"{near}_plate_outer"][:, :2]
        paths["far_plate"] = points[f"{far}_plate_outer"][:, :2]
    return {
        "rep": rep["rep"],
        "kind": rep["kind"],
        "start_s": float(time[start]),
        "touch_s": float(time[touch]),
        "press_s": float(time[press]),
        "lockout_s": float(time[top]) if rep["kind"] != "failed" else None,
        "highest_s": float(time[top]),
        "descent_time_s": float(time[touch] - time[start]),
        "pause_time_s": float(time[press] - time[touch]),
        "press_time_s": float(time[top] - time[press]),
        "paths": {name: _path(path, time, rep["index"]) for name, path in paths.items()},
        "touch_toward_feet_m": float(middle[0] - dense.middle[touch, 0]),
        "touch_over_shoulders_m": float(dense.middle[touch, 1] - middle[1]),
        "sticking": sticking(speed[press : top + 1], dense.middle[press : top + 1, 1]),
        "arms_at_bottom": arm_measures(joints),
        "tilt_max_deg": float(tilt[span][extreme]),
        "tilt_at_lockout_deg": float(tilt[top]),
        "left_lockout_s": lockouts["left"],
        "right_lockout_s": lockouts["right"],
        "left_minus_right_lockout_s": lockouts["left"] - lockouts["right"],
        "left_minus_right_at_95_s": at_95["left"] - at_95["right"],
        "grip_width_m": grip,
        "shoulder_width_m": width,
        "grip_over_shoulder_width": grip / width,
    }


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return None if np.isnan(value) else round(value, 5) + 0.0
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    return value


def _fixed(value: float, digits: int) -> str:
    """A number as text; a zero has no sign, which the last bit of the arithmetic would decide."""
    return f"{round(float(value), digits) + 0.0:.{digits}f}"


def _phase(time_s: float, reps: list[dict[str, Any]]) -> tuple[int, str]:
    for rep in reps:
        if rep["start_s"] <= time_s <= rep["highest_s"]:
            if time_s < rep["touch_s"]:
                return rep["rep"], "descent"
            return rep["rep"], "pause" if time_s < rep["press_s"] else "press"
    return 0, "between"


def make(spec: ClipSpec) -> tuple[str, str]:
    """Truth of a clip as the text of its JSON file and of its CSV file.

    Parameters
    ----------
    spec
        The clip.
    """
    world = World(spec)
    dense = sample(world)
    reps = [rep_truth(world, dense, rep) for rep in find_reps(world, dense)]
    load, camera = spec.load, spec.camera
    view = world.view(float(world.times_s[0]))
    joints, _ = _joints_at(world, float(world.times_s[0]))
    lengths = {
        f"{side}_{name}_m": float(np.linalg.norm(joints[f"{side}_{b}"] - joints[f"{side}_{a}"]))
        for side in SIDES
        for name, a, b in (
            ("upper_arm", "shoulder", "elbow"),
            ("forearm", "elbow", "wrist"),
            ("thigh", "hip", "knee"),
            ("shank", "knee", "ankle"),
        )
    }
    document = {
        "schema": SCHEMA,
        "clip": spec.name,
        "purpose": spec.purpose,
        "story": spec.story,
        "view": spec.view,
        "seed": spec.seed,
        "fps_nominal": spec.fps,
        "variable_rate": spec.variable_rate,
        "rotation_tag_deg": spec.rotation_deg,
        "n_frames": len(world.times_s),
        "starts_in_set_s": spec.start_s,
        "load_kg": spec.load_kg,
        "spotter": bool(spec.spotter),
        "near_side": near_side(spec),
        "camera": {
            "width_px": camera.width_px,
            "height_px": camera.height_px,
            "focal_px": view.focal_px,
            "cx_px": view.cx_px,
            "cy_px": view.cy_px,
            "k1": view.k1,
            "k2": view.k2,
            "handheld": camera.shake_deg > 0 or camera.shake_m > 0,
        },
        "bar": {
            "length_m": BAR_LENGTH_M,
            "between_sleeves_m": INNER_FACES_M,
            "between_inner_plate_faces_m": 2 * load.inner_face_m,
            "shaft_diameter_m": 2 * SHAFT_RADIUS_M,
            "plates_each_side": [
                {"diameter_m": p.diameter_m, "thickness_m": p.thickness_m} for p in load.plates
            ],
        },
        "body": lengths,
        "reps": reps,
    }
    text = json.dumps(_rounded(document), indent=1, allow_nan=False) + "\n"
    return text, _frames(world, json.loads(text)["reps"])


def _frames(world: World, reps: list[dict[str, Any]]) -> str:
    """Table with one row a frame."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    zero = float(world.times_s[0])
    header: list[str] = []
    for frame, time in enumerate(world.times_s):
        bar = world.bar(float(time))
        joints, pose = _joints_at(world, float(time))
        hands = {f"{side}_hand": p for side, p in hand_centres(world, pose).items()}
        points = {
            "bar_middle": bar.middle,
            **plate_points(world.spec, bar.middle, bar.axis),
            **hands,
            **joints,
        }
        view = world.view(float(time))
        pixels = view.project(np.array(list(points.values())))
        turn = Rotation.from_matrix(view.rotation).as_rotvec()
        rep, phase = _phase(float(time) - zero, reps)
        row: dict[str, Any] = {
            "frame": frame,
            "time_s": f"{time - zero:.6f}",
            "rep": rep,
            "phase": phase,
        }
        for name, value in zip("xyz", bar.axis, strict=True):
            row[f"axis_{name}"] = _fixed(value, 5)
        for name, value in zip("xyz", view.centre, strict=True):
            row[f"camera_{name}_m"] = _fixed(value, 5)
        for name, value in zip("xyz", turn, strict=True):
            row[f"camera_turn_{name}_rad"] = _fixed(value, 6)
        for (name, point), pixel in zip(points.items(), pixels, strict=True):
            for label, value in zip("xyz", point, strict=True):
                row[f"{name}_{label}_m"] = _fixed(value, 4)
            for label, value in zip("xy", pixel, strict=True):
                row[f"{name}_{label}_px"] = _fixed(value, 2)
        if not header:
            header = list(row)
            writer.writerow(header)
        writer.writerow([row[h] for h in header])
    return out.getvalue()


def write(spec: ClipSpec, folder: Path) -> None:
    """Write ``<name>.truth.json`` and ``<name>.truth.csv``.

    Parameters
    ----------
    spec
        The clip.
    folder
        Where to.
    """
    document, table = make(spec)
    (folder / f"{spec.name}.truth.json").write_text(document, encoding="utf-8")
    (folder / f"{spec.name}.truth.csv").write_text(table, encoding="utf-8")
