"""The picture of the bottom: the arms cut out of a frame, with a plumb line through each wrist."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from barpath.analysis.setresult import SetResult
from barpath.analysis.stills import shown_joints
from barpath.report.framestate import apply, transforms_at
from barpath.report.strokes import OverlayConfig, Pen, write_label
from barpath.space.pinhole import world_axes


@dataclass(frozen=True)
class ArmMarks:
    """One arm at the bottom, in pixels of a frame.

    Attributes
    ----------
    shoulder_px, elbow_px, wrist_px : ndarray, shape (2,)
    foot_px : ndarray, shape (2,)
        Point of the plumb line through the wrist that is nearest to the elbow.
    below_px : ndarray, shape (2,)
        Lower end of the plumb line.
    label : str
        How far the elbow lies from the plumb line; empty where that is not known.
    sure : bool
        Whether elbow and wrist were seen.
    """

    shoulder_px: np.ndarray
    elbow_px: np.ndarray
    wrist_px: np.ndarray
    foot_px: np.ndarray
    below_px: np.ndarray
    label: str
    sure: bool


def plumb_direction(
    point_px: np.ndarray, calibration: Mapping[str, object], size_px: tuple[int, int]
) -> np.ndarray:
    """Direction of a plumb line in the steadied image, at a point.

    A camera with focal length f that is rolled by r and looks down by p sees the upright direction
    as u = (-sin r cos p, -cos r cos p, -sin p) in its axes (x right, y down, z forward). A point
    P + t u is seen to move along f (u_x, u_y) - u_z (x - c) when it lies at x, with c the middle of
    the picture.

    Parameters
    ----------
    point_px : ndarray, shape (2,)
    calibration : mapping
        Of the result: `focal_px, roll_deg, pitch_deg`.
    size_px : tuple of int
        Width and height.

    Returns
    -------
    ndarray, shape (2,)
        Of unit length, downward.

    Examples
    --------
    >>> level = {"focal_px": 1000.0, "roll_deg": 0.0, "pitch_deg": 0.0}
    >>> plumb_direction(np.array([100.0, 50.0]), level, (640, 360)).tolist()
    [0.0, 1.0]
    """
    known = {name: calibration.get(name) for name in ("focal_px", "roll_deg", "pitch_deg")}
    numbers = {n: float(v) for n, v in known.items() if isinstance(v, int | float)}
    roll, pitch = (np.deg2rad(numbers.get(name, 0.0)) for name in ("roll_deg", "pitch_deg"))
    up, _, _ = world_axes(0.0, pitch, roll)
    focal = numbers.get("focal_px", np.nan)
    if not np.isfinite(focal):
        focal, up = 1.0, np.array([up[0], up[1], 0.0])
    centre = (np.array(size_px, dtype=float) - 1.0) / 2.0
    down = -(focal * up[:2] - up[2] * (point_px - centre)) + 0.0
    return down / np.linalg.norm(down)


def arm_marks(
    result: SetResult, frame: int, labels: Mapping[str, str], config: OverlayConfig | None = None
) -> dict[str, ArmMarks]:
    """Both arms of a frame, with a plumb line through each wrist.

    Parameters
    ----------
    result : SetResult
    frame : int
        A frame in which the arms were fitted, or one near it.
    labels : mapping of str to str
        What to write at the elbow, by side; a side that is not in it is not drawn.
    config : OverlayConfig, optional

    Returns
    -------
    dict of str to ArmMarks
        By side; only arms that are known in that frame.
    """
    config = config or OverlayConfig()
    if result.arms.empty:
        return {}
    pose = shown_joints(result)
    row = pose.iloc[int((pose["frame"] - frame).abs().to_numpy().argmin())]
    steady = transforms_at(result.camera, np.array([int(row["frame"])]))
    back = cv2.invertAffineTransform(steady[0])
    size = (result.info.width_px, result.info.height_px)
    marks = {}
    for side in ("left", "right"):
        names = [f"{side}_{joint}" for joint in ("shoulder", "elbow", "wrist")]
        places = row[[f"{n}_{axis}_px" for n in names for axis in "xy"]].to_numpy(float)
        points = places.reshape(3, 2)
        if side not in labels or not np.isfinite(points).all():
            continue
        shoulder, elbow, wrist = points
        there = apply(steady, wrist[None])[0]
        down = back[:, :2] @ plumb_direction(there, result.calibration, size)
        down /= np.linalg.norm(down)
        along = float((elbow - wrist) @ down)
        sure = row[[f"{n}_confidence" for n in names[1:]]].to_numpy(float)
        marks[side] = ArmMarks(
            shoulder_px=shoulder,
            elbow_px=elbow,
            wrist_px=wrist,
            foot_px=wrist + along * down,
            below_px=wrist + 1.25 * max(along, 1.0) * down,
            label=labels[side],
            sure=bool((np.nan_to_num(sure) >= config.sure_confidence).all()),
        )
    return marks


def bottom_picture(
    image: np.ndarray,
    marks: Mapping[str, ArmMarks],
    scale: float = 1.0,
    config: OverlayConfig | None = None,
) -> np.ndarray:
    """Cut the arms out of a frame and draw forearms, plumb lines and the elbows' distances.

    Parameters
    ----------
    image : ndarray of uint8, shape (H, W, 3)
        RGB, without other drawings.
    marks : mapping of str to ArmMarks
        At least one, in pixels of the clip.
    scale : float
        Size of `image` as a share of the clip's.
    config : OverlayConfig, optional

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        The cut-out at the size that `config` asks for.
    """
    config = config or OverlayConfig()

    def at(point: np.ndarray) -> np.ndarray:
        return (np.asarray(point, dtype=float) + 0.5) * scale - 0.5

    height, width = image.shape[:2]
    points = [at(p) for arm in marks.values() for p in
              (arm.shoulder_px, arm.elbow_px, arm.wrist_px, arm.below_px)]  # fmt: skip
    left, top, right, bottom = _box(np.array(points), (width, height))
    zoom = config.bottom_width_px / (right - left)
    size = (config.bottom_width_px, round(zoom * (bottom - top)))
    way = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    out = cv2.resize(np.ascontiguousarray(image[top:bottom, left:right]), size, interpolation=way)

    def there(point: np.ndarray) -> np.ndarray:
        return (at(point) - [left, top] + 0.5) * zoom - 0.5

    pen = Pen(out, max(2, round(size[0] / 260)), config.outline_colour)
    text_px = max(config.text_min_px, round(size[0] * config.bottom_text_share))
    for arm in marks.values():
        elbow, wrist, foot = there(arm.elbow_px), there(arm.wrist_px), there(arm.foot_px)
        upper = np.array([there(arm.shoulder_px), elbow])
        pen.lines(pen.dashes(upper), config.joint_colour)
        plumb = np.array([wrist, there(arm.below_px)])
        pen.lines([plumb], config.path_colour)
        pen.lines([np.array([foot, elbow])], config.bar_colour)
        forearm = np.array([elbow, wrist])
        pen.lines([forearm] if arm.sure else pen.dashes(forearm), config.joint_colour)
        for point in (elbow, wrist):
            pen.dot(tuple(point), 3.0 * pen.width, config.joint_colour, hollow=not arm.sure)
    for arm in marks.values():
        if arm.label:
            foot, elbow = there(arm.foot_px), there(arm.elbow_px)
            middle = (foot + elbow) / 2
            low = max(foot[1], elbow[1], there(arm.below_px)[1])
            write_label(out, arm.label, (middle[0], low + 0.4 * text_px), text_px, config)
    return out


def _box(points: np.ndarray, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of a cut-out around points, about 3 by 2 where there is room."""
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2
    half = np.maximum((high - low) / 2 * [1.12, 1.5], 16.0)
    half = np.array([max(half[0], 1.5 * half[1]), max(half[1], half[0] / 1.7)])
    first = np.floor(np.clip(middle - half, 0, None)).astype(int)
    last = np.ceil(np.minimum(middle + half, np.array(size))).astype(int)
    return (
        int(first[0]),
        int(first[1]),
        int(max(last[0], first[0] + 16)),
        int(max(last[1], first[1] + 16)),
    )
