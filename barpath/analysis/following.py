"""Bar, camera and the lifter's joints are followed through the clip, frame after frame."""

import dataclasses
from contextlib import nullcontext, suppress
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd

from barpath.analysis.camerafit import calibrate_view
from barpath.analysis.config import AnalysisConfig, pose_config
from barpath.analysis.finding import Found
from barpath.analysis.running import Progress, quiet
from barpath.clip import cameramotion, scene, sceneroll
from barpath.clip.frames import ClipInfo, Frame
from barpath.clip.reading import Reading
from barpath.errors import BarNotFoundError
from barpath.ground.view import view_of
from barpath.sight import (
    barends,
    barline,
    barstrips,
    bartrack,
    platetrack,
    pose,
    sleeve,
    sleevelooks,
    sleevewidths,
    strays,
)
from barpath.sight.jointnet import JointNetwork
from barpath.space import barecamera, barparts, fittedcamera
from barpath.space.steadying import steady

BARE_LOOKS_PER_S = 30.0
N_STILLS = 7
STILL_SIDE_PX = 1280


@dataclass(frozen=True)
class Detected:
    """What was seen in the clip: all that measuring needs, so that it can be repeated without it.

    Attributes
    ----------
    view, view_source : str
        As in `SetResult`.
    track, camera : DataFrame
        Plate or bar table, and camera table.
    n_duplicate : int
        Frames that repeat the content of the one before.
    level : SceneRoll
        Camera roll and pitch as told by the scenery.
    joints_px : DataFrame or None
        Pose table; None when joints were not looked for.
    """

    view: str
    view_source: str
    track: pd.DataFrame
    camera: pd.DataFrame
    n_duplicate: int
    level: sceneroll.SceneRoll
    joints_px: pd.DataFrame | None = None

    @property
    def poses(self) -> pd.DataFrame:
        """Pose table; without rows where joints were not looked for."""
        if self.joints_px is None or self.joints_px.empty:
            return pose.pose_table([])
        return self.joints_px


def follow(
    reading: Reading,
    found: Found,
    config: AnalysisConfig,
    progress: Progress = quiet,
    network: JointNetwork | None = None,
) -> Detected:
    """Follow bar, camera motion and the lifter's joints through the clip, whose frames are taken.

    Parameters
    ----------
    reading : Reading
        The one in which the bar was found.
    found : Found
        From `find_bar`.
    config : AnalysisConfig
    progress : callable, optional
    network : JointNetwork, optional
        Without it joints are not looked for.

    Returns
    -------
    Detected
    """
    info = reading.info
    focal_px = fittedcamera.focal_guess_px(config.calibration, info.width_px, info.height_px)
    strips = None
    tracker: bartrack.BarTracker | platetrack.PlateTracker | None = None
    if isinstance(found.seed, barline.BarSeed):
        tracker = bartrack.BarTracker(found.seed, config.bar)
        strips = barstrips.BarStrips(config.ends, bare=found.seed.left.bare)
    elif found.seed is not None:
        tracker = platetrack.PlateTracker(found.seed, config.plate)
    motion = cameramotion.CameraMotion(config.scene)
    looks = pose_config(config, across=view_of(found.view).widths)
    bare_end = along = None
    if tracker is None:
        # Only what is read tells where the bar is.
        looks = dataclasses.replace(looks, looks_per_s=BARE_LOOKS_PER_S)
        bare_end = sleevelooks.SleeveLooks(found.near, config.sleeve)
        if not view_of(found.view).square:
            along = sleevewidths.BarLooks(config.widths)
    reader = None
    if network is not None:
        watching = [one.update for one in (bare_end, along) if one is not None]
        reader = pose.PoseReader(network, looks, watching)
    stills = []
    kept = set(np.linspace(0, info.n_frames - 1, N_STILLS).astype(int).tolist())
    with reader or nullcontext():
        for frame in reading.frames():
            if frame.index in kept:
                stills.append(_shrunk(frame, STILL_SIDE_PX))
            motion.update(frame)
            row = {} if tracker is None else tracker.update(frame)
            if strips is not None:
                strips.update(frame.image, row)
            if reader is not None:
                line = pose.bar_line(row, looks) if row else None
                reader.update(frame.index, frame.time_s, frame.image, line)
            progress("following the bar", (frame.index + 1) / info.n_frames)
    camera = motion.table()
    level = find_level(info, camera, stills, config)
    joints_px = None if reader is None else reader.table()
    if tracker is not None:
        track = tracker.table()
    elif joints_px is not None and bare_end is not None:
        joints = steady(joints_px, camera, pose.points_in(joints_px))
        track = pose.bare_track(
            camera["time_s"].to_numpy(dtype=float),
            joints_px,
            sleeve.find_sleeve(bare_end, joints_px, joints, focal_px),
            looks,
        )
        if along is not None:
            followed = steady(track, camera, view_of(found.view).ends)
            with suppress(BarNotFoundError):
                rough = calibrate_view(followed, found.view, info, level, config, joints)
                lies = _lies(rough, followed, camera, along)
                track = barparts.with_sleeves(track, sleevewidths.sleeve_widths(along, lies))
    if strips is not None:
        track = barends.place_ends(track, strips, joints_px, focal_px, (info.width_px - 1) / 2)
        if joints_px is not None:
            track = strays.without_strays(track, joints_px, config.strays)
    n_duplicate = reading.stats.n_duplicate
    return Detected(found.view, found.view_source, track, camera, n_duplicate, level, joints_px)


def _lies(
    rough: fittedcamera.Calibration,
    followed: pd.DataFrame,
    camera: pd.DataFrame,
    looks: sleevewidths.BarLooks,
) -> dict[int, sleevewidths.BarLie]:
    """How a bar without plates lies, about, in the frames of the looks, px of the clip.

    `followed` is the plate table in the steadied image, of all frames of the camera table.
    """
    kept = [look.frame for look in looks.kept]
    places = followed.set_index("frame").loc[kept, ["x_px", "y_px"]]
    maps = camera.set_index("frame").loc[kept]
    known = (places.notna().all(axis=1) & maps["m00"].notna()).to_numpy()
    axis, beside = barecamera.bar_in_picture(
        rough, places[known].to_numpy(dtype=float), looks.config.along_m
    )
    lies = {}
    for k, (frame, to_steady) in enumerate(
        zip(places.index[known], scene.transforms_of(maps[known]), strict=True)
    ):
        back = cv2.invertAffineTransform(to_steady)
        turned = beside[k] @ back[:, :2].T
        lies[int(frame)] = sleevewidths.BarLie(scene.apply_transform(back, axis[k]), turned)
    return lies


def _shrunk(frame: Frame, max_side_px: int) -> Frame:
    height, width = frame.image.shape[:2]
    shrink = min(1.0, max_side_px / max(height, width))
    size = (round(width * shrink), round(height * shrink))
    image = cv2.resize(frame.image, size, interpolation=cv2.INTER_AREA)
    return dataclasses.replace(frame, image=image)


def find_level(
    info: ClipInfo, camera: pd.DataFrame, stills: list[Frame], config: AnalysisConfig
) -> sceneroll.SceneRoll:
    """Camera roll, pitch and focal length from straight lines in a few frames of the clip."""
    rows = camera.set_index("frame").reindex([still.index for still in stills])
    known = rows["m00"].notna().to_numpy()
    stills = [still for still, keep in zip(stills, known, strict=True) if keep]
    transforms = scene.transforms_of(rows[known].reset_index())
    focal_px = fittedcamera.focal_guess_px(config.calibration, info.width_px, info.height_px)
    if not stills:
        return sceneroll.scene_roll([np.zeros((info.height_px, info.width_px), np.uint8)], focal_px)
    shrink = stills[0].image.shape[1] / info.width_px
    transforms[:, :, 2] *= shrink
    level = sceneroll.scene_roll(stills, focal_px * shrink, config.scene, transforms)
    x_px, y_px = level.centre_px
    return dataclasses.replace(
        level, f_px=level.f_px / shrink, centre_px=(x_px / shrink, y_px / shrink)
    )
