"""The bar's path in metres, smoothed, with where its axes begin and which way they point."""

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.config import AnalysisConfig
from barpath.clip import scene
from barpath.space import pinhole, scalecheck
from barpath.space.alongbench import AlongBench, along_bench
from barpath.space.fittedcamera import Calibration
from barpath.space.smooth import SmoothConfig, smooth

Floats = NDArray[np.float64]

PARALLAX_SHARE = 0.25
PARALLAX_SPEED_SHARE = 0.15
"""Root mean square of ten handheld clips to tune on, 0.06 to 0.25."""


@dataclass(frozen=True)
class Path3:
    """Trajectory table of the set with what later stages need of its geometry.

    Attributes
    ----------
    table : DataFrame
        Trajectory table; x toward the image's right.
    origin_m : ndarray, shape (2,)
        Origin in the calibration's axes.
    along_m : ndarray, shape (n,)
        Front view: distance along the bench; NaN otherwise.
    cutoff_hz : float
        Cut-off that the height was smoothed with.
    """

    table: pd.DataFrame
    origin_m: Floats
    along_m: Floats
    cutoff_hz: float


def trajectory_of(track: pd.DataFrame, calibration: Calibration, config: AnalysisConfig) -> Path3:
    """The bar's path, of the plate or of both ends, as the view has it."""
    if calibration.shows.both_ends:
        return front_trajectory(track, calibration, config)
    return side_trajectory(track, calibration, config)


def side_trajectory(track: pd.DataFrame, calibration: Calibration, config: AnalysisConfig) -> Path3:
    """The plate's centre in the plane of motion, raw and smoothed.

    Parameters
    ----------
    track : DataFrame
        Plate table in steadied image coordinates.
    calibration : Calibration
    config : AnalysisConfig

    Returns
    -------
    Path3
        With x toward the image's right and the origin at the camera's foot point; see
        `pinhole.side_points`.
    """
    ellipse_px = track[["x_px", "y_px"]].to_numpy(dtype=float)
    points = pinhole.side_points(calibration.params, ellipse_px, calibration.principal_px)
    scale = scalecheck.side_systematics(calibration, track).px_per_m
    sd = track["sd_px"].to_numpy(dtype=float) / scale
    table, cutoff_hz = _smoothed(track, points, sd, config)
    table["state"] = track["state"]
    return Path3(table, np.zeros(2), np.full(len(table), np.nan), cutoff_hz)


def front_trajectory(
    track: pd.DataFrame, calibration: Calibration, config: AnalysisConfig
) -> Path3:
    """The bar's middle and ends in the vertical plane through it, raw and smoothed.

    `left_y_m` and `right_y_m` are the lifter's: filmed from the feet, the lifter's left is on the
    image's right. `tilt_deg` is positive when the lifter's left end is higher.
    """
    left_px = track[["image_left_x_px", "image_left_y_px"]].to_numpy(dtype=float)
    right_px = track[["image_right_x_px", "image_right_y_px"]].to_numpy(dtype=float)
    ends = pinhole.front_ends(calibration.params, left_px, right_px, calibration.principal_px)
    scale = scalecheck.front_systematics(calibration, track).px_per_m
    way = along_bench(track["time_s"].to_numpy(dtype=float), *ends, scale, config.along)
    # The lines of sight stay: an end that is farther away is higher and farther out as well.
    left, right = (end * (way.along_m / end[:, 2])[:, None] for end in ends)
    sd_ends = track[["image_left_sd_px", "image_right_sd_px"]].to_numpy(dtype=float) / scale
    sd = np.hypot(*sd_ends.T) / 2
    middle = (left + right) / 2
    table, cutoff_hz = _smoothed(track, middle, sd, config)
    _add_along(table, way, middle[:, 1] / middle[:, 2])
    _add_ends(table, (left, right), sd_ends, calibration.value("log_plate_gap"), config)
    states = track[["image_left_state", "image_right_state"]]
    worst = np.select(
        [(states == "lost").any(axis=1), (states == "partly").any(axis=1)],
        ["lost", "partly"],
        "seen",
    )
    table["state"] = worst
    return Path3(table, np.zeros(2), middle[:, 2], cutoff_hz)


def _add_along(table: pd.DataFrame, way: AlongBench, rise: Floats) -> None:
    """Add what the distance along the bench leaves open of heights, `rise` metres a metre."""
    table["sd_y_m"] = np.hypot(table["sd_y_m"], np.nan_to_num(rise * way.sd_m))
    table["sd_vy_m_s"] = np.hypot(table["sd_vy_m_s"], np.nan_to_num(rise * way.sd_m_s))
    table["sd_m"] = table[["sd_x_m", "sd_y_m"]].max(axis=1)


def _add_ends(
    table: pd.DataFrame,
    ends: tuple[Floats, Floats],
    sd_m: Floats,
    gap_m: float,
    config: AnalysisConfig,
) -> None:
    """Add heights and speeds of the lifter's ends of the bar, and its tilt.

    `ends` are the image's left and right one; `gap_m` is the distance between them.
    """
    time_s = table["time_s"].to_numpy()
    smoothed = {}
    for k, name in enumerate(("right", "left")):
        smoothed[name] = smooth(time_s, ends[k][:, 1], config.smooth, sd_m[:, k])
        table[f"{name}_y_m"] = smoothed[name].value
        table[f"{name}_vy_m_s"] = smoothed[name].velocity
    rise = np.clip((table["left_y_m"] - table["right_y_m"]) / gap_m, -1.0, 1.0)
    table["tilt_deg"] = np.rad2deg(np.arcsin(rise))
    table["sd_tilt_deg"] = np.rad2deg(np.hypot(smoothed["left"].sd, smoothed["right"].sd) / gap_m)


def _smoothed(
    track: pd.DataFrame, points_m: Floats, sd_m: Floats, config: AnalysisConfig
) -> tuple[pd.DataFrame, float]:
    """Trajectory table of places with x and y first, raw and smoothed; the height's cut-off."""
    table = pd.DataFrame(
        {
            "frame": track["frame"],
            "time_s": track["time_s"],
            "x_m": points_m[:, 0],
            "y_m": points_m[:, 1],
        }
    )
    _smooth_into(table, "x", sd_m, config)
    cutoff_hz = _smooth_into(table, "y", sd_m, config)
    table["sd_m"] = table[["sd_x_m", "sd_y_m"]].max(axis=1)
    return table, cutoff_hz


def _smooth_into(table: pd.DataFrame, name: str, sd: Floats, config: AnalysisConfig) -> float:
    """Add smoothed coordinate, speed and uncertainties of a raw column; return the cut-off."""
    result = smooth(table["time_s"].to_numpy(), table[f"{name}_m"].to_numpy(), config.smooth, sd)
    table[f"{name}_smooth_m"] = result.value
    table[f"v{name}_m_s"] = result.velocity
    table[f"sd_{name}_m"] = result.sd
    table[f"sd_v{name}_m_s"] = result.sd_velocity
    if name == "y":
        table["ay_m_s2"] = result.acceleration
        table["gap"] = result.gap
    return result.cutoff_hz


def move_origin(path: Path3, reps: pd.DataFrame) -> Path3:
    """Put the origin at the bar's place at the first lockout."""
    table = path.table.copy()
    time_s = table["time_s"].to_numpy(dtype=float)
    starts = reps["start_s"].dropna()
    lockouts = reps["lockout_s"].dropna()
    moment = float(starts.iloc[0] if len(starts) else lockouts.iloc[0] if len(lockouts) else 0.0)
    known = table["x_smooth_m"].notna() & table["y_smooth_m"].notna()
    origin = np.array(
        [
            np.interp(moment, time_s[known], table.loc[known, f"{name}_smooth_m"])
            for name in ("x", "y")
        ]
    )
    for column in table.columns:
        if column in ("x_m", "x_smooth_m"):
            table[column] -= origin[0]
        elif column in ("y_m", "y_smooth_m", "left_y_m", "right_y_m"):
            table[column] -= origin[1]
    return dataclasses.replace(path, table=table, origin_m=path.origin_m + origin)


def toward_head(path: Path3, head: int) -> Path3:
    """Turn x so that it grows toward the lifter's head."""
    table = path.table.copy()
    for column in ("x_m", "x_smooth_m", "vx_m_s"):
        table[column] *= head
    return dataclasses.replace(path, table=table)


def camera_sway_m(
    camera: pd.DataFrame, reps: pd.DataFrame, at_px: tuple[float, float], px_per_m: float
) -> float:
    """How much of a moving camera's motion is left in displacements over a repetition.

    The scenery lies farther away than the bar. Turning moves both alike in the picture; shifting
    moves the nearer bar more. How much of the motion was shifting is not known, so a quarter of the
    motion (our estimate, no source) over the time of a repetition stays as a standard uncertainty.

    Parameters
    ----------
    camera : DataFrame
        Camera table.
    reps : DataFrame
        Rep table.
    at_px : (x, y)
        Where in the picture the motion is taken.
    px_per_m : float
        Scale in the plane of motion.

    Returns
    -------
    float
        Metres; 0 for a camera that stood still.
    """
    if camera["static"].all():
        return 0.0
    time_s, shift_px = _shifts(camera, at_px)
    spans = []
    for rep in reps.itertuples():
        inside = (time_s >= rep.touch_s) & (time_s <= rep.end_s)
        if inside.sum() >= 2:
            spans.append(np.linalg.norm(np.nanstd(shift_px[inside], axis=0)))
    whole = np.linalg.norm(np.nanstd(shift_px, axis=0))
    return PARALLAX_SHARE * float(np.median(spans or [whole])) / px_per_m


def camera_sway_m_s(
    camera: pd.DataFrame, at_px: tuple[float, float], px_per_m: float, cutoff_hz: float
) -> float:
    """How much of a moving camera's speed is left in the bar's, as `camera_sway_m` has it of ways.

    Parameters
    ----------
    camera, at_px, px_per_m
        As for `camera_sway_m`.
    cutoff_hz : float
        Cut-off that the bar's place was smoothed with.

    Returns
    -------
    float
        Standard uncertainty of the speed up or across, m/s; 0 for a camera that stood still.
    """
    if camera["static"].all():
        return 0.0
    time_s, shift_px = _shifts(camera, at_px)
    alike = SmoothConfig(cutoff_hz=cutoff_hz)
    speeds = [smooth(time_s, shift, alike).velocity for shift in shift_px.T]
    usual_px_s = float(np.sqrt(np.nanmean(np.square(speeds))))
    return PARALLAX_SPEED_SHARE * usual_px_s / px_per_m


def with_sway(path: Path3, sway_m_s: float) -> Path3:
    """The path, its speeds less well known by what a moving camera leaves in them."""
    table = path.table.copy()
    for column in ("sd_vx_m_s", "sd_vy_m_s"):
        table[column] = np.hypot(table[column], sway_m_s)
    return dataclasses.replace(path, table=table)


def _shifts(camera: pd.DataFrame, at_px: tuple[float, float]) -> tuple[Floats, Floats]:
    """Times (n,), and how far steadying moves a place in the picture, (n, 2)."""
    shift_px = np.einsum("nij,j->ni", scene.transforms_of(camera), np.array([*at_px, 1.0]))
    return camera["time_s"].to_numpy(dtype=float), shift_px
