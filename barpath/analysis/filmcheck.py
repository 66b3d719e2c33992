"""A look at a test clip before the session: whether it can be measured, and what to change.

`look` reads a short clip and comes back with facts; `advise` turns facts into a verdict and words
for each item and touches no file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis import pipeline
from barpath.analysis.config import AnalysisConfig, SearchConfig
from barpath.clip import scene
from barpath.clip.frames import ClipInfo, Frame, check_size, probe, sample, stream
from barpath.errors import ClipError
from barpath.ground.uncertainty import expand, state
from barpath.ground.view import AUTO, SQUARE, View, view_of
from barpath.sight import plate, platetrack, pose
from barpath.sight.ellipse import Ellipse
from barpath.sight.jointnet import JointNetwork
from barpath.space import fittedcamera, pinhole
from barpath.space.joints import head_direction, near_side

Floats = NDArray[np.float64]

GOOD, CHANGE, UNKNOWN = "good", "change", "cannot tell"
VIEWS = (AUTO, *(view.name for view in SQUARE))
"""Views that can be looked at."""
WATCHED = ("shoulder", "elbow", "wrist", "hip")


@dataclass(frozen=True)
class FilmConfig:
    """What a clip should be like (common practice, no source).

    Attributes
    ----------
    good_fps, least_fps : float
    good_plate_px, least_plate_px : float
    smear_m : float
        Way of the bar during one exposure at its fastest that does no harm yet.
    side_height_m, front_height_m, height_slack_m : float
        Lens over the bar's half-way height, and how far off is still well.
    roll_deg, side_angle_deg, front_angle_deg : float
        Largest roll, and angle out of the square view.
    least_confidence : float
        Of a joint that counts as seen.
    search_s : float
        Only so much of the clip is looked at.
    search : SearchConfig
        How the bar is looked for: coarser than for measuring.
    """

    good_fps: float = 50.0
    least_fps: float = 24.0
    good_plate_px: float = 120.0
    least_plate_px: float = 60.0
    smear_m: float = 0.010
    side_height_m: float = 0.0
    front_height_m: float = 0.85
    height_slack_m: float = 0.25
    roll_deg: float = 2.0
    side_angle_deg: float = 10.0
    front_angle_deg: float = 8.0
    least_confidence: float = 0.5
    search_s: float = 20.0
    search: SearchConfig = field(
        default_factory=lambda: SearchConfig(per_s=3.0, stretch_s=20.0, max_side_px=640)
    )


@dataclass(frozen=True)
class Fact:
    """A number with its standard uncertainty, or why there is none."""

    value: float = math.nan
    sd: float = math.nan
    reason: str = ""


@dataclass(frozen=True)
class FilmFacts:
    """What was seen in a test clip.

    Attributes
    ----------
    view : str
    width_px, height_px : int
    fps : float
    variable_rate : bool
    plate_px : float
        Size of the plate in the picture.
    height_m : Fact
        Lens over the bar's height half way.
    roll_deg, angle_deg : Fact
        Camera roll (clockwise content positive); angle between the line of sight and the square
        view, positive when the bar's far (side view) or image-right (front view) end lies farther
        right, or away.
    distance_m : Fact
        Lens to the bar.
    exposure_s : Fact
        Length of an exposure.
    peak_m_s : float
        Fastest vertical speed seen.
    whole : bool
        Whether plate, or both ends of the bar, stay inside the picture.
    steady : bool
        Whether the camera stands still.
    joints : dict of str to float
        Confidence of `{side}_{joint}`, the best of the frames looked at.
    """

    view: str
    width_px: int
    height_px: int
    fps: float
    variable_rate: bool
    plate_px: float
    height_m: Fact
    roll_deg: Fact
    angle_deg: Fact
    distance_m: Fact
    exposure_s: Fact
    peak_m_s: float
    whole: bool
    steady: bool
    near: str = ""
    joints: dict[str, float] = field(default_factory=dict)

    @property
    def shows(self) -> View:
        """What can be seen from where the camera stands."""
        return view_of(self.view)


def edge_width_px(grey: Floats, ellipse: Ellipse, angles_rad: Floats, reach_px: float) -> float:
    """Median width of an outline's edge along rays: standard deviation of the blur across it.

    Parameters
    ----------
    grey : ndarray, shape (h, w)
    ellipse : Ellipse
        The outline.
    angles_rad : ndarray
        Directions from the centre, from +x toward +y.
    reach_px : float
        Looked at so far inside and outside of the outline.

    Returns
    -------
    float
        Pixels, along the ray; NaN when no edge stands out.
    """
    turn = np.deg2rad(ellipse.angle_deg)
    a, b = ellipse.major_px / 2, ellipse.minor_px / 2
    radius = a * b / np.hypot(b * np.cos(angles_rad - turn), a * np.sin(angles_rad - turn))
    steps = np.arange(-reach_px, reach_px + 0.25, 0.25)
    away = radius[:, None] + steps
    x = ellipse.x_px + np.cos(angles_rad)[:, None] * away
    y = ellipse.y_px + np.sin(angles_rad)[:, None] * away
    lines = cv2.remap(
        grey.astype(np.float32),
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    slope = np.abs(np.gradient(lines, 0.25, axis=1))
    widths = []
    for line in slope:
        top = int(np.argmax(line))
        if line[top] < 2.0 * (np.median(line) + 0.5):
            continue
        # The one peak: down on either side to a fifth of its height.
        low = line < 0.2 * line[top]
        left = top - int(np.argmax(low[top::-1])) if low[: top + 1].any() else -1
        right = top + int(np.argmax(low[top:])) if low[top:].any() else -1
        if left < 0 or right < 0:
            continue
        weight = line[left : right + 1]
        at = steps[left : right + 1]
        middle = float(np.sum(weight * at) / np.sum(weight))
        widths.append(math.sqrt(float(np.sum(weight * (at - middle) ** 2) / np.sum(weight))))
    return float(np.median(widths)) if len(widths) >= max(3, len(angles_rad) // 4) else math.nan


def exposure_from_edges(along_px: Floats, across_px: Floats, speed_px_s: Floats) -> Fact:
    """Length of an exposure from edges that move and edges that slide along themselves.

    Parameters
    ----------
    along_px, across_px : ndarray, shape (n,)
        Edge widths (standard deviations) at the plate's top and bottom, and at its sides.
    speed_px_s : ndarray, shape (n,)
        Vertical speed.

    Returns
    -------
    Fact
        Seconds. A uniform smear of length v T adds a variance of (v T)^2 / 12.

    Examples
    --------
    >>> speed = np.array([400.0, 500.0, 600.0])
    >>> smeared = np.sqrt(1.0 + (speed / 80) ** 2 / 12)
    >>> round(1 / exposure_from_edges(smeared, np.ones(3), speed).value)
    80
    """
    known = np.isfinite(along_px) & np.isfinite(across_px) & (np.abs(speed_px_s) > 0)
    if known.sum() < 3:
        return Fact(reason="The plate's edge was not seen sharply enough while it moved fast.")
    extra = 12 * (along_px[known] ** 2 - across_px[known] ** 2)
    each = np.sign(extra) * np.sqrt(np.abs(extra)) / np.abs(speed_px_s[known])
    value = max(float(np.median(each)), 0.0)
    spread = 1.4826 * float(np.median(np.abs(each - np.median(each))))
    return Fact(value, spread / math.sqrt(len(each)) + 0.15 * value)


def look(
    clip: str | Path,
    *,
    view: str = AUTO,
    plate_mm: float = 450.0,
    config: FilmConfig | None = None,
    network: JointNetwork | None = None,
    progress: pipeline.Progress = pipeline.quiet,
) -> FilmFacts:
    """Read a test clip: the bar moved up and down once or twice is enough.

    Parameters
    ----------
    clip : path
    view : {'auto', 'side', 'front'}
    plate_mm : float
    config : FilmConfig, optional
    network : JointNetwork, optional
    progress : callable, optional

    Returns
    -------
    FilmFacts

    Raises
    ------
    ClipError
        The clip cannot be read.
    BarNotFoundError
        Nothing moves like a press.
    """
    config = config or FilmConfig()
    analysis = AnalysisConfig(view=view, search=config.search)
    analysis = replace(
        analysis, calibration=replace(analysis.calibration, plate_mm=plate_mm), plate_given=True
    )
    info = probe(clip)
    check_size(info)
    progress("looking for the bar", 0.0)
    network = network or JointNetwork()
    found = pipeline.find_bar(info, analysis, progress, network)
    progress("looking at the camera", 0.3)
    stills = sample(info, 5 / max(min(info.duration_s, config.search_s), 1), config.search_s, 1280)
    if not stills:
        raise ClipError("The clip has no frame that can be decoded.")
    level = pipeline.find_level(info, _standing(stills), stills, analysis)
    small = sample(info, 2.0, config.search_s, 640)
    steady = bool(scene.camera_motion(small, analysis.scene)["static"].all())
    if view_of(found.view).both_ends:
        facts = _front(info, found, level, analysis)
    else:
        facts = _side(info, found, level, analysis, progress)
    progress("looking for the lifter", 0.8)
    poses = _poses(stills, network)
    apart = view_of(found.view).arms_apart
    near = "" if apart else near_side(head_direction(poses, min_frames=1))
    return replace(facts, steady=steady, joints=_joints(poses), near=near)


def _standing(stills: list[Frame]) -> pd.DataFrame:
    """Camera table of a camera that stands still."""
    table = pd.DataFrame({"frame": [still.index for still in stills]})
    for row, column in ((r, c) for r in range(2) for c in range(3)):
        table[f"m{row}{column}"] = 1.0 if row == column else 0.0
    return table


def _spread(values: Floats) -> float:
    return float(np.std(values))


def _side(
    info: ClipInfo,
    found: pipeline.Found,
    level: scene.SceneRoll,
    config: AnalysisConfig,
    progress: pipeline.Progress,
) -> FilmFacts:
    seed: plate.PlateSeed = found.seed
    shape = seed.ellipse
    path = seed.path
    if len(path) < 2:
        path = np.array([[seed.index, 0.0, shape.x_px, shape.y_px]])
    track = pd.DataFrame(
        {
            "frame": path[:, 0].astype(int),
            "time_s": path[:, 1],
            "x_px": path[:, 2],
            "y_px": path[:, 3],
            "major_px": shape.major_px,
            "minor_px": shape.minor_px,
            "angle_deg": shape.angle_deg,
            "state": "seen",
        }
    )
    enough = pd.concat([track] * (1 + 5 // len(track)), ignore_index=True)
    calibration = pipeline.calibrate_view(enough, found.view, info, level, config)
    half_way_px = (path[:, 3].min() + path[:, 3].max()) / 2
    top, side = path[:, 3] - shape.major_px / 2, path[:, 2] - shape.major_px / 2
    bottom, other = path[:, 3] + shape.major_px / 2, path[:, 2] + shape.major_px / 2
    whole = bool(
        top.min() > 0
        and side.min() > 0
        and bottom.max() < info.height_px
        and other.max() < info.width_px
    )
    progress("looking at the shutter", 0.5)
    exposure, peak_px_s = _exposure(info, seed, config)
    px_per_m = shape.major_px / (config.calibration.plate_mm / 1000)
    return FilmFacts(
        view=found.view,
        width_px=info.width_px,
        height_px=info.height_px,
        fps=info.fps,
        variable_rate=info.variable_rate,
        plate_px=shape.major_px,
        height_m=lens_over(
            half_way_px - (info.height_px - 1) / 2,
            level,
            calibration.value("log_focal"),
            Fact(calibration.value("log_distance"), calibration.sd("log_distance")),
        ),
        roll_deg=_degrees(calibration, "roll"),
        angle_deg=_degrees(calibration, "yaw"),
        distance_m=Fact(calibration.value("log_distance"), calibration.sd("log_distance")),
        exposure_s=exposure,
        peak_m_s=peak_px_s / px_per_m,
        whole=whole,
        steady=True,
    )


def lens_over(below_px: float, level: scene.SceneRoll, focal_px: float, distance: Fact) -> Fact:
    """Lens over a point from how far below the horizon it is seen, and how far away it is.

    Parameters
    ----------
    below_px : float
        Point below the picture's middle.
    level : SceneRoll
        Pitch told by upright lines of the scenery, positive when the camera looks down.
    focal_px : float
    distance : Fact
        Horizontal distance in metres.
    """
    if not (math.isfinite(level.pitch_deg) and math.isfinite(level.pitch_sd_deg)):
        return Fact(reason="No upright lines in the scenery tell how far the camera looks down.")
    angle = math.radians(level.pitch_deg) + math.atan2(below_px, focal_px)
    off = math.radians(level.pitch_sd_deg) / math.cos(angle) ** 2
    value = math.tan(angle) * distance.value
    return Fact(value, math.hypot(off * distance.value, math.tan(angle) * distance.sd))


def _degrees(calibration: fittedcamera.Calibration, name: str) -> Fact:
    value = float(np.rad2deg(calibration.value(name)))
    return Fact(value, float(np.rad2deg(calibration.sd(name))))


def _exposure(info: ClipInfo, seed: plate.PlateSeed, config: AnalysisConfig) -> tuple[Fact, float]:
    """Exposure from the plate's edges where it moves fastest, and its speed there in px/s."""
    path = seed.path
    if len(path) < 2:
        return Fact(reason="The bar's way was not followed."), math.nan
    speed = np.abs(np.diff(path[:, 3])) / np.maximum(np.diff(path[:, 1]), 1e-6)
    k = int(np.argmax(speed))
    begin, end = int(path[k, 0]), int(path[k + 1, 0])
    lead = max(begin - 10, 0)
    tracker = platetrack.PlateTracker(seed, config.plate)
    kept: dict[int, Floats] = {}
    for frame in stream(info, indices=range(lead, min(end + 5, info.n_frames))):
        tracker.update(frame)
        kept[frame.index] = cv2.cvtColor(frame.image, cv2.COLOR_RGB2GRAY)
    table = tracker.table()
    table = table[table["state"] != "lost"].reset_index(drop=True)
    if len(table) < 6:
        return Fact(reason="The plate was not followed where it moved fast."), float(speed[k])
    y, t = table["y_px"].to_numpy(dtype=float), table["time_s"].to_numpy(dtype=float)
    velocity = np.gradient(y, t)
    peak = float(np.max(np.abs(velocity)))
    fast = np.flatnonzero(np.abs(velocity) > 0.6 * peak)
    upright = np.deg2rad(np.r_[70:111:4, 250:291:4])
    level = np.deg2rad(np.r_[-20:21:4, 160:201:4])
    rows = []
    for i in fast:
        row = table.iloc[i]
        shape = Ellipse(row.x_px, row.y_px, row.major_px, row.minor_px, row.angle_deg)
        reach = max(6.0, 0.08 * row.major_px)
        grey = kept[int(row.frame)]
        rows.append(
            (
                edge_width_px(grey, shape, upright, reach),
                edge_width_px(grey, shape, level, reach),
                velocity[i],
            )
        )
    return exposure_from_edges(*np.array(rows).T), peak


def _front(
    info: ClipInfo, found: pipeline.Found, level: scene.SceneRoll, config: AnalysisConfig
) -> FilmFacts:
    seed = found.seed
    track = seed.path.copy()
    for side, end in (("image_left", seed.left), ("image_right", seed.right)):
        if f"{side}_x_px" not in track:
            short = side.removeprefix("image_")
            track = track.rename(
                columns={f"{short}_x_px": f"{side}_x_px", f"{short}_y_px": f"{side}_y_px"}
            )
        track[f"{side}_plate_px"] = end.plate_px
    track = pd.concat([track] * (1 + 5 // max(len(track), 1)), ignore_index=True)
    calibration = pipeline.calibrate_view(track, found.view, info, level, config)
    ends = [track[[f"{s}_x_px", f"{s}_y_px"]].to_numpy(dtype=float)
            for s in ("image_left", "image_right")]  # fmt: skip
    known = np.isfinite(np.column_stack(ends)).all(axis=1)
    ends = [end[known] for end in ends]

    def place(params: Floats) -> tuple[float, float]:
        middle = sum(pinhole.front_ends(params, *ends, calibration.principal_px)) / 2
        half_way = (middle[:, 1].min() + middle[:, 1].max()) / 2
        return -float(half_way), float(np.median(middle[:, 2]))

    best = place(calibration.params)
    drawn = np.array([place(params) for params in calibration.draws[:60]])
    points = np.concatenate(ends)
    reach = max(seed.left.depth_px, seed.right.depth_px)
    tall = max(seed.left.plate_px, seed.right.plate_px) / 2
    whole = bool(
        points[:, 0].min() - reach > 0
        and points[:, 0].max() + reach < info.width_px
        and points[:, 1].min() - tall > 0
        and points[:, 1].max() + tall < info.height_px
    )
    middle_y = (ends[0][:, 1] + ends[1][:, 1]) / 2
    times = track["time_s"].to_numpy(dtype=float)[known]
    steps = np.diff(times)
    moved = np.abs(np.diff(middle_y))[steps > 0] / steps[steps > 0]
    gap_px = float(np.median(np.hypot(*(ends[1] - ends[0]).T)))
    return FilmFacts(
        view=found.view,
        width_px=info.width_px,
        height_px=info.height_px,
        fps=info.fps,
        variable_rate=info.variable_rate,
        plate_px=(seed.left.plate_px + seed.right.plate_px) / 2,
        height_m=Fact(best[0], _spread(drawn[:, 0])),
        roll_deg=_degrees(calibration, "roll"),
        angle_deg=_degrees(calibration, "yaw"),
        distance_m=Fact(best[1], _spread(drawn[:, 1])),
        exposure_s=Fact(reason="The shutter is told from the plate's edge in a side view."),
        peak_m_s=float(moved.max() * config.calibration.plate_gap_m / gap_px)
        if len(moved)
        else math.nan,
        whole=whole,
        steady=True,
    )


def _poses(stills: list[Frame], network: JointNetwork) -> pd.DataFrame:
    """Pose table of one picture from the middle of the clip."""
    return pose.estimate_pose_image(stills[len(stills) // 2].image, network)


def _joints(poses: pd.DataFrame) -> dict[str, float]:
    """Best confidence of each joint watched."""
    names = [f"{side}_{joint}" for side in ("left", "right") for joint in WATCHED]
    best = {name: float(poses[f"{name}_confidence"].max()) for name in names}
    return {name: value if math.isfinite(value) else 0.0 for name, value in best.items()}


def _row(item: str, value: str, verdict: str, words: str) -> dict[str, Any]:
    return {"item": item, "value": value, "verdict": verdict, "words": words}


def _sided(fact: Fact, aim: float, slack: float) -> str:
    """Whether a value is within its slack of the aim; not said of one that is hardly known."""
    if not math.isfinite(fact.value):
        return UNKNOWN
    if expand(fact.sd) > 2 * slack and abs(fact.value - aim) <= expand(fact.sd):
        return UNKNOWN
    if abs(fact.value - aim) <= slack:
        return GOOD
    return CHANGE if abs(fact.value - aim) > expand(fact.sd) else UNKNOWN


def advise(facts: FilmFacts, config: FilmConfig | None = None) -> pd.DataFrame:
    """Say of each item whether it is well, and what to change.

    Parameters
    ----------
    facts : FilmFacts
    config : FilmConfig, optional

    Returns
    -------
    DataFrame
        `item, value` (in words), `verdict` (`good`, `change`, `cannot tell`), `words`.
    """
    config = config or FilmConfig()
    both = facts.shows.both_ends
    rows = []
    fps = facts.fps
    if fps >= config.good_fps:
        words, verdict = "", GOOD
    elif fps >= config.least_fps:
        words, verdict = "It will do; 60 frames a second give finer times and speeds.", GOOD
    else:
        words, verdict = "Set the phone to 60 frames a second, or at least 30.", CHANGE
    if facts.variable_rate:
        words = f"{words} The rate varies; the frames' own times are used.".strip()
    rows.append(_row("frame rate", f"{fps:.1f} frames a second", verdict, words))
    size = facts.plate_px
    if size >= config.good_plate_px:
        verdict, words = GOOD, ""
    else:
        closer = config.good_plate_px / size
        verdict = CHANGE
        words = f"Go about {closer:.1f} times closer, or film with more pixels."
        if size >= config.least_plate_px:
            words += " It can be measured as it is, less finely."
        if not facts.whole:
            words = "Film with more pixels; the picture leaves no room to go closer."
    rows.append(_row("plate in the picture", f"{size:.0f} pixels across", verdict, words))
    what = "both ends of the bar with their plates" if both else "the plate"
    rows.append(
        _row(
            "all in view",
            f"{what} {'stay' if both else 'stays'} in the picture"
            if facts.whole
            else f"{what} {'leave' if both else 'leaves'} the picture",
            GOOD if facts.whole else CHANGE,
            ""
            if facts.whole
            else f"Step back or turn the camera until {what} can be seen all the way.",
        )
    )
    rows.append(_height(facts, config))
    verdict = _sided(facts.roll_deg, 0.0, config.roll_deg)
    turn = "counter-clockwise" if facts.roll_deg.value < 0 else "clockwise"
    rows.append(
        _row(
            "camera roll",
            state(facts.roll_deg.value, expand(facts.roll_deg.sd), "degrees"),
            verdict,
            f"Turn the phone by {abs(facts.roll_deg.value):.0f} degrees, so that what it shows"
            f" turns {turn}."
            if verdict == CHANGE
            else "",
        )
    )
    rows.append(_angle(facts, config))
    rows.append(_shutter(facts, config))
    rows.append(
        _row(
            "camera",
            "stands still" if facts.steady else "moves",
            GOOD if facts.steady else CHANGE,
            "" if facts.steady else "Use a tripod, or lean the phone on something.",
        )
    )
    rows.append(_lifter(facts, config))
    return pd.DataFrame(rows)


def _height(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    aim = config.front_height_m if facts.shows.over_thighs else config.side_height_m
    fact = facts.height_m
    verdict = _sided(fact, aim, config.height_slack_m)
    off = fact.value - aim
    words = ""
    if verdict == CHANGE:
        way = "Lower" if off > 0 else "Raise"
        words = f"{way} the camera by about {10 * round(10 * abs(off)):.0f} cm."
    elif verdict == UNKNOWN and math.isfinite(off):
        words = "How high the camera stands is not known well enough to say."
    if not math.isfinite(fact.value):
        return _row("camera height", "–", UNKNOWN, fact.reason)
    value = state(100 * fact.value, 100 * expand(fact.sd), "cm over the bar half way up")
    return _row("camera height", value, verdict, words)


def _angle(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    front = facts.shows.widths
    slack = config.front_angle_deg if front else config.side_angle_deg
    # A circle looks alike from both sides, so only how far, not which way, is sure.
    size = Fact(abs(facts.angle_deg.value), facts.angle_deg.sd)
    verdict = _sided(size, 0.0, slack)
    words = ""
    if verdict == CHANGE:
        where = "straight behind the feet" if front else "in line with the bar"
        aside = math.tan(math.radians(size.value)) * facts.distance_m.value
        words = f"Move the camera about {10 * round(10 * aside):.0f} cm sideways, to stand {where}."
    value = state(size.value, expand(size.sd), "degrees out of square")
    return _row("angle to the bar's plane", value, verdict, words)


def _shutter(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    fact = facts.exposure_s
    if not math.isfinite(fact.value):
        return _row("shutter blur", "–", UNKNOWN, fact.reason)
    smear_m = fact.value * facts.peak_m_s
    about = "shorter than can be told" if fact.value < 5e-4 else f"about 1/{1 / fact.value:.0f} s"
    value = f"exposure {about}, smear {1000 * smear_m:.0f} mm at the bar's fastest"
    if smear_m <= config.smear_m:
        return _row("shutter blur", value, GOOD, "")
    return _row(
        "shutter blur", value, CHANGE, "More light, or a shorter exposure if it can be set."
    )


def _lifter(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    if not facts.joints or max(facts.joints.values()) < config.least_confidence:
        return _row(
            "lifter",
            "no lifter found",
            CHANGE,
            "Film a repetition with the lifter on the bench, trunk and both arms in view.",
        )
    apart = facts.shows.arms_apart
    wanted = [name for name in facts.joints if apart or name.startswith(facts.near)]
    hidden = [name for name in wanted if facts.joints[name] < config.least_confidence]
    if not hidden:
        return _row("lifter", "arms and trunk are seen", GOOD, "")
    value = f"hardly seen: {', '.join(name.replace('_', ' ') for name in hidden)}"
    if facts.shows.over_thighs:
        words = "Film from higher, so that the thighs hide less."
        return _row("lifter", value, CHANGE, words)
    if any(name.endswith("shoulder") for name in hidden):
        words = "Keep the shoulder clear of uprights, people and clothes that hide it."
        return _row("lifter", value, CHANGE, words)
    words = "Large plates hide the near arm from the side; a front clip of the set shows it."
    return _row("lifter", value, GOOD, words)


def as_text(facts: FilmFacts, table: pd.DataFrame) -> str:
    """Film check as lines for a terminal.

    Parameters
    ----------
    facts : FilmFacts
    table : DataFrame
        From `advise`.
    """
    lines = [f"{facts.view} view, {facts.width_px} x {facts.height_px} pixels"]
    for row in table.itertuples():
        words = f" {row.words}" if row.words else ""
        lines.append(f"  {row.verdict}: {row.item}, {row.value}.{words}")
    changes = int((table["verdict"] == CHANGE).sum())
    lines.append("Ready to film." if not changes else f"{changes} to change, then film again.")
    lines.append("Use safeties or a spotter while testing the camera too.")
    return "\n".join(lines)
