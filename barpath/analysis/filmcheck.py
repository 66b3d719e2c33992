"""A look at a test clip before the session: a short clip is read, and comes back as facts."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.azimuth import azimuth_of
from barpath.analysis.camerafit import calibrate_view
from barpath.analysis.config import AnalysisConfig, with_bar
from barpath.analysis.filmfacts import Fact, FilmConfig, FilmFacts
from barpath.analysis.filmlifter import confidences, read_along, read_middle
from barpath.analysis.finding import find_bar
from barpath.analysis.following import find_level
from barpath.analysis.running import Progress, quiet
from barpath.analysis.shutter import exposure
from barpath.analysis.straightening import straighten
from barpath.clip.cameramotion import camera_motion
from barpath.clip.frames import ClipInfo, Frame, check_size, probe
from barpath.clip.reading import Reading
from barpath.clip.sceneroll import SceneRoll
from barpath.errors import BarNotFoundError, ClipError
from barpath.ground.equipment import LARGEST_DISC_MM, POWER_BAR, Bar
from barpath.ground.view import AUTO
from barpath.sight import barline, plate
from barpath.sight.jointnet import JointNetwork
from barpath.space import pinhole
from barpath.space.fittedcamera import Calibration
from barpath.space.joints import head_direction, near_side

Floats = NDArray[np.float64]

LEAST_OUTLINES = 5


def look(
    clip: str | Path,
    *,
    view: str = AUTO,
    plate_mm: float = LARGEST_DISC_MM,
    bar: Bar = POWER_BAR,
    config: FilmConfig | None = None,
    network: JointNetwork | None = None,
    progress: Progress = quiet,
) -> FilmFacts:
    """Read a test clip: the bar moved up and down once or twice is enough.

    Parameters
    ----------
    clip : path
    view : {'auto', 'side', 'front'}
    plate_mm : float
    bar : Bar, optional
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
        Nothing moves like a press, or the bar has no plates and is seen from aside.
    """
    config = config or FilmConfig()
    analysis = with_bar(AnalysisConfig(view=view, search=config.search), bar)
    analysis = replace(
        analysis, calibration=replace(analysis.calibration, plate_mm=plate_mm), plate_given=True
    )
    info = probe(clip)
    check_size(info)
    with Reading(info, analysis.kept_bytes) as reading:
        return _facts(reading, config.search_s, analysis, network or JointNetwork(), progress)


def _facts(
    reading: Reading,
    search_s: float,
    analysis: AnalysisConfig,
    network: JointNetwork,
    progress: Progress,
) -> FilmFacts:
    """Facts of a clip of which only its first `search_s` seconds are looked at."""
    progress("looking for the bar", 0.0)
    analysis = straighten(reading, analysis)
    info = reading.info
    found = find_bar(reading, analysis, progress, network)
    progress("looking at the camera", 0.3)
    stills = reading.sample(5 / max(min(info.duration_s, search_s), 1), search_s, 1280)
    if not stills:
        raise ClipError("The clip has no frame that can be decoded.")
    level = find_level(info, _standing(stills), stills, analysis)
    small = reading.sample(2.0, search_s, 640)
    steady = bool(camera_motion(small, analysis.scene)["static"].all())
    if isinstance(found.seed, barline.BarSeed):
        facts = _front(info, found.view, found.seed, level, analysis)
        poses = read_middle(stills, network)
        facts = replace(facts, azimuth_deg=Fact(abs(facts.angle_deg.value), facts.angle_deg.sd))
    elif found.seed is not None:
        track, poses = read_along(reading, found.seed, network, analysis)
        calibration = _camera(track, found.view, found.seed, poses, info, level, analysis)
        facts = _side(reading, found.view, found.seed, calibration, level, analysis, progress)
        head = head_direction(poses, min_frames=1)
        azimuth = azimuth_of(calibration, track, head)
        facts = replace(facts, near=near_side(head), azimuth_deg=azimuth)
    else:
        raise BarNotFoundError("The bar has no plates; film it with the plates that will be on it.")
    return replace(facts, steady=steady, joints=confidences(poses))


def _standing(stills: list[Frame]) -> pd.DataFrame:
    """Camera table of a camera that stands still."""
    table = pd.DataFrame({"frame": [still.index for still in stills]})
    for row, column in ((r, c) for r in range(2) for c in range(3)):
        table[f"m{row}{column}"] = 1.0 if row == column else 0.0
    return table


def _spread(values: Floats) -> float:
    return float(np.std(values))


def _inside(
    points_px: NDArray[np.floating], reach_px: float, tall_px: float, info: ClipInfo
) -> bool:
    """Whether what reaches so far beside and over points, shape (n, 2), stays in the picture."""
    low, high = points_px.min(axis=0), points_px.max(axis=0)
    return bool(
        low[0] - reach_px > 0
        and high[0] + reach_px < info.width_px
        and low[1] - tall_px > 0
        and high[1] + tall_px < info.height_px
    )


def _side(
    reading: Reading,
    view: str,
    seed: plate.PlateSeed,
    calibration: Calibration,
    level: SceneRoll,
    config: AnalysisConfig,
    progress: Progress,
) -> FilmFacts:
    """Facts of a clip from the side or aslant."""
    info = reading.info
    shape = seed.ellipse
    path_px = seed.path[:, 2:4] if len(seed.path) else np.array([[shape.x_px, shape.y_px]])
    half_way_px = (path_px[:, 1].min() + path_px[:, 1].max()) / 2
    radius_px = shape.major_px / 2
    distance_m = Fact(calibration.value("log_distance"), calibration.sd("log_distance"))
    # The distance is along the bar; the camera looks along another line.
    slant = math.cos(calibration.value("yaw"))
    away_m = Fact(distance_m.value / slant, distance_m.sd / slant)
    progress("looking at the shutter", 0.5)
    open_s, peak_px_s = exposure(reading, seed, config)
    px_per_m = shape.major_px / (config.calibration.plate_mm / 1000)
    return FilmFacts(
        view=view,
        width_px=info.width_px,
        height_px=info.height_px,
        fps=info.fps,
        variable_rate=info.variable_rate,
        plate_px=shape.major_px,
        height_m=lens_over(
            half_way_px - (info.height_px - 1) / 2,
            level,
            calibration.value("log_focal"),
            away_m,
        ),
        roll_deg=_degrees(calibration, "roll"),
        angle_deg=_degrees(calibration, "yaw"),
        distance_m=distance_m,
        exposure_s=open_s,
        peak_m_s=peak_px_s / px_per_m,
        whole=_inside(path_px, radius_px, radius_px, info),
        steady=True,
        far=bool(calibration.far),
    )


def _camera(
    track: pd.DataFrame,
    view: str,
    seed: plate.PlateSeed,
    poses: pd.DataFrame,
    info: ClipInfo,
    level: SceneRoll,
    config: AnalysisConfig,
) -> Calibration:
    """Camera from the plate where it was looked at closely, and the bar's parts there."""
    usable = track[track["state"] == "seen"]
    if len(usable) >= LEAST_OUTLINES:
        return calibrate_view(usable, view, info, level, config, poses)
    coarse = asdict(seed.ellipse) | {"frame": range(LEAST_OUTLINES), "time_s": 0.0, "state": "seen"}
    return calibrate_view(pd.DataFrame(coarse), view, info, level, config)


def lens_over(below_px: float, level: SceneRoll, focal_px: float, distance: Fact) -> Fact:
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


def _degrees(calibration: Calibration, name: str) -> Fact:
    value = float(np.rad2deg(calibration.value(name)))
    return Fact(value, float(np.rad2deg(calibration.sd(name))))


def _front(
    info: ClipInfo, view: str, seed: barline.BarSeed, level: SceneRoll, config: AnalysisConfig
) -> FilmFacts:
    """Facts of a clip from the feet."""
    track = _ends_followed(seed)
    calibration = calibrate_view(track, view, info, level, config)
    ends = [track[[f"{end}_x_px", f"{end}_y_px"]].to_numpy(dtype=float) for end in barline.ENDS]
    known = np.isfinite(np.column_stack(ends)).all(axis=1)
    left, right = (end[known] for end in ends)

    def place(params: Floats) -> tuple[float, float]:
        left_m, right_m = pinhole.front_ends(params, left, right, calibration.principal_px)
        middle = (left_m + right_m) / 2
        half_way = (middle[:, 1].min() + middle[:, 1].max()) / 2
        return -float(half_way), float(np.median(middle[:, 2]))

    best = place(calibration.params)
    drawn = np.array([place(params) for params in calibration.draws[:60]])
    reach_px = max(seed.left.depth_px, seed.right.depth_px)
    tall_px = max(seed.left.plate_px, seed.right.plate_px) / 2
    middle_y = (left[:, 1] + right[:, 1]) / 2
    steps = np.diff(track["time_s"].to_numpy(dtype=float)[known])
    moved = np.abs(np.diff(middle_y))[steps > 0] / steps[steps > 0]
    gap_px = float(np.median(np.hypot(*(right - left).T)))
    return FilmFacts(
        view=view,
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
        whole=_inside(np.concatenate([left, right]), reach_px, tall_px, info),
        steady=True,
    )


def _ends_followed(seed: barline.BarSeed) -> pd.DataFrame:
    """Bar table of the path on which the bar was found; never fewer than five rows."""
    track = pd.DataFrame(seed.path)
    for name, end in zip(barline.ENDS, (seed.left, seed.right), strict=True):
        track[f"{name}_plate_px"] = end.plate_px
    return pd.concat([track] * (1 + 5 // max(len(track), 1)), ignore_index=True)
