"""What the detectors would have seen of a made set from a place, with their errors."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.following import Detected
from barpath.analysis.madeset import SIDES, MadeSet
from barpath.analysis.readingspread import READ, ReadingSpread
from barpath.clip.container import Index
from barpath.clip.frames import ClipInfo
from barpath.clip.sceneroll import SceneRoll
from barpath.ground.view import FRONT, OBLIQUE, SIDE, view_of
from barpath.sight.pose import pose_table
from barpath.space.armprior import ArmFitConfig
from barpath.space.fittedcamera import CalibrationConfig

Floats = NDArray[np.float64]

FRONT_TO_DEG, SIDE_FROM_DEG = 18.0, 65.0
"""Which view is made of an azimuth; a plate seen at 25 degrees or less is one from the side."""
STATED_PX, ENDS_STATED_PX = 0.15, 0.2
"""What trackers state of the plate's centre and of the bar's ends, and `SCATTER_PX` by how much
these differ from frame to frame beside their neighbours, `SPAN_REL_SD` by how much the bar's length
is off all through a clip: medians of the clips of `ReadingSpread`."""
SCATTER_PX, OUTLINE_SCATTER_PX = 0.04, 0.02
SPAN_REL_SD = 0.0065
AIM_BELOW_M = 0.1
"""The camera looks at a point so far under the middle of the bar's way."""


@dataclass(frozen=True)
class Place:
    """Where a camera stands, and its picture.

    Attributes
    ----------
    azimuth_deg : float
        0 is from the feet, 90 from the lifter's left.
    height_m, distance_m : float
        Lens over the floor, and from the middle of the bar's way along the floor.
    focal_share : float
        Focal length over the picture's longer side.
    width_px, height_px : int
    """

    azimuth_deg: float
    height_m: float
    distance_m: float
    focal_share: float = 0.80
    width_px: int = 1280
    height_px: int = 720

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.focal_share * max(self.width_px, self.height_px)

    @property
    def view(self) -> str:
        """Name of the view that it gives."""
        if self.azimuth_deg <= FRONT_TO_DEG:
            return FRONT.name
        return (SIDE if self.azimuth_deg >= SIDE_FROM_DEG else OBLIQUE).name


@dataclass(frozen=True)
class _Camera:
    """A pinhole camera in the world of the made set; `axes` are its own as rows."""

    axes: Floats
    at_m: Floats
    focal_px: float
    middle_px: Floats

    def project(self, points_m: Floats) -> Floats:
        """Pictures of points, (..., 3) to (..., 2)."""
        seen = (points_m - self.at_m) @ self.axes.T
        return seen[..., :2] / seen[..., 2:] * self.focal_px + self.middle_px


def detect(
    place: Place,
    made: MadeSet,
    *,
    seed: int = 0,
    spread: ReadingSpread | None = None,
    arms: ArmFitConfig | None = None,
    calibration: CalibrationConfig | None = None,
) -> tuple[ClipInfo, Detected]:
    """Detections of a made set from a place.

    Parameters
    ----------
    place : Place
    made : MadeSet
    seed : int
        Of the detectors' errors.
    spread : ReadingSpread, optional
        What the network states of its readings.
    arms : ArmFitConfig, optional
        What is known of how its errors go together.
    calibration : CalibrationConfig, optional
        What is known of errors of the plate's outline.

    Returns
    -------
    info : ClipInfo
        Of a clip that was never filmed.
    detected : Detected
    """
    spread, arms = spread or ReadingSpread(), arms or ArmFitConfig()
    rng = np.random.default_rng([seed, round(10 * place.azimuth_deg)])
    camera = _camera(place, made)
    if view_of(place.view).both_ends:
        track = _bar_track(made, camera, rng)
    else:
        track = _plate_track(made, camera, rng, calibration or CalibrationConfig())
    _lose(track, place)
    joints = _joints(place, made, camera, rng, spread, arms)
    still = pd.DataFrame({"frame": track["frame"], "time_s": track["time_s"]})
    for row, column in np.ndindex(2, 3):
        still[f"m{row}{column}"] = float(row == column)
    still["residual_px"], still["static"] = 0.0, True
    level = _level(camera, rng, *spread.level_sd(place.azimuth_deg))
    return _info(place, made), Detected(place.view, "given", track, still, 0, level, joints)


def _camera(place: Place, made: MadeSet) -> _Camera:
    turn = np.deg2rad(place.azimuth_deg)
    middle = made.config.half_way_m
    at = middle + place.distance_m * np.array([-np.cos(turn), 0.0, np.sin(turn)])
    at[1] = place.height_m
    forward = middle - np.array([0.0, AIM_BELOW_M, 0.0]) - at
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(forward, right), forward])
    centre = np.array([(place.width_px - 1) / 2, (place.height_px - 1) / 2])
    return _Camera(axes, at, place.focal_px, centre)


def _base(made: MadeSet) -> pd.DataFrame:
    return pd.DataFrame({"frame": np.arange(len(made.time_s)), "time_s": made.time_s})


def _rim(made: MadeSet, along_m: float, less_m: float = 0.0) -> Floats:
    """Points of a plate's rim so far along the bar from its middle, (n, 96, 3).

    `less_m` is by how much the radius is less there than the plate's.
    """
    angle = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    radius_m = made.config.plate_m / 2 - less_m
    round_m = radius_m * np.column_stack([np.cos(angle), np.sin(angle)])
    rim = np.column_stack([round_m, np.full(len(angle), along_m)])
    return made.bar_m[:, None] + rim


def _bar_track(made: MadeSet, camera: _Camera, rng: np.random.Generator) -> pd.DataFrame:
    """Bar table: where the bar meets the inner faces of both ends' plates."""
    track = _base(made)
    n = len(track)
    longer = 1 + SPAN_REL_SD * rng.normal()
    for image, out in (("image_left", -1.0), ("image_right", 1.0)):
        inner_m = out * made.config.plates_inside_m
        at = camera.project(made.bar_m + np.array([0.0, 0.0, inner_m * longer]))
        at = at + rng.normal(0, SCATTER_PX, at.shape)
        rim = camera.project(_rim(made, inner_m))
        track[f"{image}_x_px"], track[f"{image}_y_px"] = at.T
        track[f"{image}_plate_px"] = np.ptp(rim[:, :, 1], axis=1) * (1 + 0.02 * rng.normal())
        track[f"{image}_sd_px"] = ENDS_STATED_PX
        track[f"{image}_state"] = "seen"
    track["line_sd_px"] = ENDS_STATED_PX
    track["bar_px"] = 0.028 * camera.focal_px / np.linalg.norm(camera.at_m - made.bar_m, axis=1)
    track["span_rel_sd"] = np.full(n, SPAN_REL_SD)
    return track


def _plate_track(
    made: MadeSet, camera: _Camera, rng: np.random.Generator, known: CalibrationConfig
) -> pd.DataFrame:
    """Plate table: ellipses fitted to what shows of the near plates, off as the tracker's are."""
    track = _base(made)
    inner, edge = made.config.plates_inside_m, known.edge_m
    outer = inner + made.config.plates_thick_m
    rims = [_rim(made, along, edge) for along in (inner, outer)]
    rims += [_rim(made, along) for along in (inner + edge, outer - edge)]
    outlines = camera.project(np.concatenate(rims, axis=1)).astype(np.float32)
    shapes = np.array([_ellipse(points) for points in outlines])
    n = len(shapes)
    slant = np.sqrt(np.maximum(1 - (shapes[:, 3] / shapes[:, 2]) ** 2, 0.0))
    drawn = rng.normal(size=4)
    for k, slant_sd in enumerate(known.slant_inset_sd):
        share = known.outline_inset + known.outline_inset_sd * drawn[0]
        share = share + slant * slant_sd * drawn[1 + k]
        off_px = known.outline_bias_sd_px * rng.normal()
        shapes[:, 2 + k] = shapes[:, 2 + k] * (1 - share) + off_px
    shapes[:, 4] += slant * known.slant_turn_sd_deg * drawn[3]
    shapes[:, :2] += rng.normal(0, SCATTER_PX, (n, 2))
    shapes[:, 2:4] += rng.normal(0, OUTLINE_SCATTER_PX, (n, 2))
    for k, name in enumerate(("x_px", "y_px", "major_px", "minor_px", "angle_deg")):
        track[name] = shapes[:, k]
    track["major_px"] = shapes[:, 2:4].max(axis=1)
    track["minor_px"] = shapes[:, 2:4].min(axis=1)
    faces = camera.project(np.stack([rim.mean(axis=1) for rim in rims[2:]], axis=1))
    apart_px = np.linalg.norm(faces[:, 1] - faces[:, 0], axis=1)
    off = known.apart_sd * rng.normal()
    track["apart_px"] = np.maximum(apart_px + off * track["major_px"], 0.0)
    track["sd_px"] = STATED_PX
    track["outline_share"], track["state"] = 0.9, "seen"
    return track


def _ellipse(points_px: NDArray[np.float32]) -> tuple[float, float, float, float, float]:
    """Centre, axes and angle of the ellipse that fits the hull of points best."""
    hull = cv2.convexHull(points_px)[:, 0]
    closed = np.vstack([hull, hull[:1]])
    way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    even = np.linspace(0.0, way[-1], 240, endpoint=False)
    spread = np.column_stack([np.interp(even, way, closed[:, k]) for k in range(2)])
    (x, y), axes, angle = cv2.fitEllipse(spread.astype(np.float32))
    # The angle that fitEllipse gives is that of the first axis.
    turned = angle + (90.0 if axes[1] >= axes[0] else 0.0)
    return x, y, max(axes), min(axes), (turned + 90.0) % 180.0 - 90.0


def _lose(track: pd.DataFrame, place: Place) -> None:
    """Lose what is followed where part of its plate leaves the picture."""
    for state in [name for name in track.columns if name.endswith("state")]:
        prefix = state.removesuffix("state")
        size = "plate_px" if prefix else "major_px"
        reach = track[f"{prefix}{size}"] / 2
        x, y = track[f"{prefix}x_px"], track[f"{prefix}y_px"]
        # From the feet a plate shows its edge.
        aside = 0.2 * reach if prefix else reach
        inside = (x > aside) & (x < place.width_px - aside)
        inside &= (y > reach) & (y < place.height_px - reach)
        track.loc[~inside, state] = "lost"
        numbers = [name for name in track.columns if name.startswith(prefix) and "_px" in name]
        track.loc[~inside, numbers] = np.nan


def _joints(
    place: Place,
    made: MadeSet,
    camera: _Camera,
    rng: np.random.Generator,
    spread: ReadingSpread,
    arms: ArmFitConfig,
) -> pd.DataFrame:
    """Pose table: true places, off by errors that stay while the bar is low, or high, and by own.

    Errors of both arms go together, and so do those at both ends of the way.
    """
    every = max(round(made.config.fps / made.config.looks_per_s), 1)
    frames = np.arange(0, len(made.time_s), every)
    low = made.low[frames, None]
    px_per_m = place.focal_px / float(np.linalg.norm(camera.at_m - made.config.half_way_m))
    of_pairs = (arms.ends_alike, arms.arms_alike)
    roots = [np.linalg.cholesky([[1.0, alike], [alike, 1.0]]) for alike in of_pairs]
    columns = {"frame": frames, "time_s": made.time_s[frames]}
    for point in READ:
        stays = np.einsum("ij,kl,jla->ika", *roots, rng.normal(size=(2, 2, 2)))
        for k, (side, out) in enumerate(SIDES):
            sd_m = spread.sd_m(point, out > 0, place.azimuth_deg, place.height_m, px_per_m)
            sd_px = np.exp(low * np.log(sd_m[0]) + (1 - low) * np.log(sd_m[1])) * px_per_m
            # From the feet the arms are each other's mirror image in the picture.
            across = np.array([out if view_of(place.view).both_ends else 1.0, 1.0])
            off = across * (low * stays[0, k] + (1 - low) * stays[1, k])
            off = spread.stays_share * off + spread.own_share * rng.normal(size=sd_px.shape)
            at = camera.project(made.points_m[f"{side}_{point}"][frames]) + off * sd_px
            read = rng.random(len(frames)) < spread.share(point, out > 0, place.azimuth_deg)
            read &= np.all((at > 0) & (at < [place.width_px, place.height_px]), axis=1)
            at[~read] = sd_px[~read] = np.nan
            name = f"{side}_{point}"
            columns |= {f"{name}_{axis}_px": at[:, a] for a, axis in enumerate("xy")}
            columns |= {f"{name}_var_{axis}_px2": sd_px[:, a] ** 2 for a, axis in enumerate("xy")}
            columns[f"{name}_cov_xy_px2"] = np.where(read, 0.0, np.nan)
            columns[f"{name}_confidence"] = np.where(read, 0.9, 0.0)
    known = pd.DataFrame(columns | {"person_score": np.full(len(frames), 0.9)})
    return known.reindex(columns=pose_table([]).columns)


def _level(
    camera: _Camera,
    rng: np.random.Generator,
    roll_sd_deg: float,
    pitch_sd_deg: float,
    focal_rel_sd: float,
) -> SceneRoll:
    """Roll, pitch and focal length as the scenery's lines tell them."""
    up = camera.axes @ [0.0, 1.0, 0.0]
    return SceneRoll(
        roll_deg=float(np.degrees(np.arctan2(-up[0], -up[1])) + roll_sd_deg * rng.normal()),
        sd_deg=roll_sd_deg,
        n_lines=15,
        reason="",
        pitch_deg=float(np.degrees(np.arcsin(-up[2])) + pitch_sd_deg * rng.normal()),
        pitch_sd_deg=pitch_sd_deg,
        f_px=float(camera.focal_px * np.exp(focal_rel_sd * rng.normal())),
        centre_px=(np.nan, np.nan),
        f_rel_sd=focal_rel_sd,
    )


def _info(place: Place, made: MadeSet) -> ClipInfo:
    fps = made.config.fps
    return ClipInfo(
        path=Path("made.mp4"),
        width_px=place.width_px,
        height_px=place.height_px,
        rotation_deg=0,
        mirrored=False,
        codec="none",
        pixel_format="none",
        n_frames=len(made.time_s),
        duration_s=float(made.time_s[-1]),
        fps=fps,
        fps_nominal=fps,
        variable_rate=False,
        n_dropped=0,
        n_duplicate=0,
        time_scale=1.0,
        n_undecodable=0,
        n_interpolated=0,
        warnings=(),
        times_s=made.time_s,
        _index=Index(np.arange(len(made.time_s)), 1 / Fraction(fps), True, np.zeros(1), 0, 0, 0),
    )
