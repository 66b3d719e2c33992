"""The stages joined: one clip in, one set's result out."""

import dataclasses
import platform
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections, check_corrections, correct_track
from barpath.analysis.store import Note, SetResult
from barpath.clip import scene
from barpath.clip.frames import (
    ClipInfo,
    DuplicateCounter,
    Frame,
    StreamStats,
    check_size,
    probe,
    sample,
    stream,
)
from barpath.errors import BarNotFoundError, NoRepError, OptionError
from barpath.ground.files import sha256_of
from barpath.ground.names import told_name
from barpath.ground.uncertainty import expand, state
from barpath.ground.view import AUTO, FRONT, OBLIQUE, SIDE, is_open, told, view_of
from barpath.lift import measurerow, measures, measuresummary
from barpath.lift.advice import profile_from
from barpath.lift.bottom import draw_table
from barpath.lift.reps import find_phases, find_reps
from barpath.sight import (
    barends,
    barfind,
    barline,
    bartrack,
    firstlook,
    plate,
    platefind,
    platetrack,
    pose,
)
from barpath.sight.bridge import bridge, followed_end
from barpath.sight.jointnet import JointNetwork
from barpath.sight.lifter import BarLine
from barpath.space import (
    armfit,
    armprior,
    barparts,
    feetcamera,
    fittedcamera,
    pinhole,
    platecamera,
    scalecheck,
    sights,
    steadying,
)
from barpath.space.joints import front_joints, head_direction, near_side, side_joints, upper_arm
from barpath.space.smooth import smooth

Floats = NDArray[np.float64]
# The solves are small: more threads only wait for one another, twice as long beside a busy
# neighbour, and their number would change the last digits.
one_blas_thread = threadpool_limits.wrap(limits=1, user_api="blas")
Progress = Callable[[str, float], None]

SLANT_NOTE_DEG = 25.0
FRONT_SPAN = 3.95
OBLIQUE_SPAN = 1.5
LEAST_TRAVEL = 0.3
QUICK_OUTLINES = 5
# Seen aslant from up to some 4 m, the nearer of two plates alike looks larger at least by so much.
LEAST_NEARER = 1.15
LEAST_TOLD = 0.005
BARE_LOOKS_PER_S = 30.0
N_STILLS = 7
STILL_SIDE_PX = 1280
MAX_HORIZONTAL_REL_SD = 0.12
MAX_OBLIQUE_SWAY_M = 0.005
PARALLAX_SHARE = 0.25
HANDHELD_RACK_MOVE_M = 0.06


@dataclass(frozen=True)
class Found:
    """What the search found: the view and where the tracker of that view starts.

    Without a seed the bar has no plates, and is where the hands are.
    """

    view: str
    view_source: str
    seed: plate.PlateSeed | barline.BarSeed | None


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
    level: scene.SceneRoll
    joints_px: pd.DataFrame | None = None


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


def quiet(stage: str, share: float) -> None:
    """Report progress to nobody."""


@one_blas_thread
def analyse(
    clip: str | Path,
    *,
    view: str = AUTO,
    plate_mm: float | None = None,
    load_kg: float | None = None,
    plate_at: tuple[float, float] | None = None,
    config: AnalysisConfig | None = None,
    network: JointNetwork | None = None,
    progress: Progress = quiet,
) -> SetResult:
    """Measure the set in one clip.

    Parameters
    ----------
    clip : path
        The video file.
    view : {'auto', 'side', 'front', 'oblique'}
        Where the camera stood; 'auto' tells by what is found.
    plate_mm : float, optional
        Diameter of the plate nearest the camera in mm; 450 if not given, and said so.
    load_kg : float, optional
        Bar and plates together.
    plate_at : (x, y), optional
        Pixel on the plate in the clip's first frame, if the search should not find it by itself.
    config : AnalysisConfig, optional
        All settings; the arguments above take precedence.
    network : JointNetwork, optional
        Another joint network.
    progress : callable, optional
        Called with the stage's name and its share done, 0 to 1.

    Returns
    -------
    SetResult

    Raises
    ------
    OptionError
        An argument is outside what it may be.
    ClipError
        The clip cannot be read.
    BarNotFoundError
        Nothing that moves like a press was found, or it was lost for most of the clip.
    NoRepError
        The bar was followed, but there is no repetition in its height.

    Examples
    --------
    >>> import barpath
    >>> result = barpath.analyse("set.mp4", view="side")  # doctest: +SKIP
    >>> result.reps[["rep", "range_of_motion_m"]]  # doctest: +SKIP
    """
    config = _with_arguments(config or AnalysisConfig(), view, plate_mm, load_kg, plate_at)
    info = probe(clip, capture_fps=config.capture_fps)
    check_size(info)
    info = dataclasses.replace(info, sha256=sha256_of(info.path))
    check_corrections(config.corrections, info)
    progress("looking for the bar", 0.0)
    if network is None and config.find_joints:
        network = JointNetwork(config.pose_model)
    stats = StreamStats()
    try:
        found = find_bar(info, config, progress, network)
        detected = follow(info, found, config, progress, network, stats)
        info = dataclasses.replace(
            info,
            n_undecodable=info.n_undecodable + stats.n_undecodable,
            warnings=(*info.warnings, *stats.sentences()),
        )
        return measure(info, detected, config)
    except (BarNotFoundError, NoRepError) as error:
        raise _with_damage(error, info, stats) from error


def _with_damage(
    error: BarNotFoundError | NoRepError, info: ClipInfo, stats: StreamStats
) -> BarNotFoundError | NoRepError:
    """The same error, with what is damaged in the clip, which may be why."""
    if not stats.n_frames:
        for _ in stream(info, max_side_px=16, grey=True, stats=stats):
            pass
    said = dict.fromkeys((*info.warnings, *stats.sentences()))
    whole = not (info.n_undecodable or stats.n_undecodable or stats.n_doubtful or stats.resized)
    if whole or not said:
        return error
    parts = [text.rstrip(".") for text in (str(error), *said)]
    return type(error)("; ".join([parts[0], *(p[0].lower() + p[1:] for p in parts[1:])]) + ".")


@one_blas_thread
def remeasure(result: SetResult, config: AnalysisConfig | None = None) -> SetResult:
    """Measure a set again from what was seen in its clip, without reading the clip.

    Parameters
    ----------
    result : SetResult
        From `analyse` or `store.read_results`.
    config : AnalysisConfig, optional
        Other settings for the stages after the detections; those of the result if not given.

    Returns
    -------
    SetResult
    """
    return measure(result.info, detected_in(result), config or config_of(result))


def detected_in(result: SetResult) -> Detected:
    """What was seen in a set's clip, taken from its result."""
    summary = result.calibration
    level = scene.SceneRoll(
        roll_deg=_number(summary["scene_roll_deg"]),
        sd_deg=_number(summary["scene_roll_sd_deg"]),
        n_lines=int(summary["scene_lines"]),
        reason="",
        pitch_deg=_number(summary["scene_pitch_deg"]),
        pitch_sd_deg=_number(summary["scene_pitch_sd_deg"]),
        f_px=np.nan,
        centre_px=(np.nan, np.nan),
    )
    return Detected(
        result.view,
        result.view_source,
        result.track,
        result.camera,
        result.info.n_duplicate,
        level,
        result.pose,
    )


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)


def config_of(result: SetResult) -> AnalysisConfig:
    """Settings that a set was measured with, as far as a user can choose them."""
    options = result.options
    config = AnalysisConfig(
        view=result.view,
        load_kg=options["load_kg"],
        plate_given=options["plate_given"],
        upper_arm_m=options["upper_arm_m"],
        stature_m=options["stature_m"],
        note=options["note"],
        find_joints=options["find_joints"],
        corrections=result.corrections,
        profile=None if options.get("profile") is None else profile_from(options["profile"]),
    )
    calibration = dataclasses.replace(config.calibration, plate_mm=options["plate_mm"])
    return dataclasses.replace(config, calibration=calibration)


def _with_arguments(
    config: AnalysisConfig,
    view: str,
    plate_mm: float | None,
    load_kg: float | None,
    plate_at: tuple[float, float] | None,
) -> AnalysisConfig:
    changes: dict[str, Any] = {}
    if not is_open(view):
        changes["view"] = view
    if plate_mm is not None:
        changes["calibration"] = dataclasses.replace(config.calibration, plate_mm=plate_mm)
        changes["plate_given"] = True
    if load_kg is not None:
        changes["load_kg"] = load_kg
    if plate_at is not None:
        changes["plate_at_px"] = plate_at
    return dataclasses.replace(config, **changes)


def find_bar(
    info: ClipInfo,
    config: AnalysisConfig,
    progress: Progress = quiet,
    network: JointNetwork | None = None,
) -> Found:
    """Find the bar, and with it the view, in stretches of the clip one after the other.

    Parameters
    ----------
    info : ClipInfo
    config : AnalysisConfig
    progress : callable, optional
    network : JointNetwork, optional
        Shows where hands and plates are; without it the bar is sought by shape and motion alone.

    Returns
    -------
    Found

    Raises
    ------
    BarNotFoundError
        When no stretch shows anything that moves like a press.
    """
    if config.plate_at_px is not None:
        x, y = config.plate_at_px
        if not (0 <= x < info.width_px and 0 <= y < info.height_px):
            raise OptionError(
                f"The point {x:g},{y:g} lies outside the picture, which is "
                f"{info.width_px} x {info.height_px} pixels."
            )
    search = config.search
    start_s = 0.0
    problem = BarNotFoundError("Nothing that moves like a press was found.")
    while start_s < info.duration_s:
        samples = sample(info, search.per_s, search.stretch_s, search.max_side_px, start_s=start_s)
        if len(samples) >= 2:
            try:
                return _find_in(samples, info, config, network)
            except BarNotFoundError as error:
                problem = error
        if config.plate_at_px is not None:
            break
        # Stretches overlap, so that a set that begins at the end of one is whole in the next.
        start_s += search.stretch_s / 2
        progress("looking for the bar", min(start_s / info.duration_s, 1.0))
    raise problem


def _find_in(
    samples: list[Frame], info: ClipInfo, config: AnalysisConfig, network: JointNetwork | None
) -> Found:
    motion = scene.camera_motion(samples, config.scene)
    transforms = scene.transforms_of(motion)
    zoom = info.width_px / samples[0].image.shape[1]
    asked = told(config.view)
    given = "guessed" if asked is None else "given"
    problems: list[str] = []
    look = None
    if network is not None and config.plate_at_px is None:
        look = firstlook.look_over(samples, network, config.pose.lifter)

    def is_held(seed: plate.PlateSeed | barline.BarSeed) -> bool:
        if look is None or network is None or not look.sure:
            return True
        lines = _lines_along(seed, samples, config)
        return firstlook.held(lines, look, samples, network, config.pose.lifter)

    def find_line() -> barline.BarSeed | None:
        try:
            ends_px, bare = None, False
            if look is not None and look.sure:
                ends_px, bare = look.bar_ends(transforms), look.bare
            found = barfind.find_bar(
                samples, config.bar, transforms, ends_px, bare=bare and ends_px is not None
            )
        except BarNotFoundError as error:
            problems.append(str(error))
            return None
        # Any rod could be a bar without plates; hands tell.
        if found.left.bare and not is_held(found):
            problems.append("A bar without plates was found, but nobody's hands are on it.")
            return None
        return found

    disc = line = None
    span = np.nan if look is None or not look.sure else look.span_in_limbs()
    # Somebody who lies across the picture is not seen from the feet, however far the plates are.
    across = look is not None and look.sure and bool(look.near_end())
    only_front = asked is not None and asked.both_ends
    if only_front or (asked is None and span > FRONT_SPAN and not across):
        line = find_line()
        if line is not None and (only_front or is_held(line)):
            return Found(FRONT.name, given, bar_seed_at(line, zoom))
    if not only_front and look is not None and look.sure and look.bare and across:
        view = asked or (OBLIQUE if span > OBLIQUE_SPAN else SIDE)
        return Found(view.name, given, None)
    if not only_front:
        disc = _find_disc(samples, transforms, zoom, look, is_held, problems, config)
    if asked is None and _may_be_front(disc) and (across or not span > FRONT_SPAN):
        line = find_line()
    if asked is not None and disc is not None:
        return Found(asked.name, given, plate_seed_at(disc, zoom))
    if line is not None:
        return Found(FRONT.name, given, bar_seed_at(line, zoom))
    if disc is not None:
        slant = np.rad2deg(np.arccos(np.clip(disc.ellipse.aspect, 0.0, 1.0)))
        view = SIDE if slant < SLANT_NOTE_DEG else OBLIQUE
        return Found(view.name, given, plate_seed_at(disc, zoom))
    raise BarNotFoundError(problems[0])


def _find_disc(
    samples: list[Frame],
    transforms: Floats,
    zoom: float,
    look: firstlook.FirstLook | None,
    is_held: Callable[[plate.PlateSeed], bool],
    problems: list[str],
    config: AnalysisConfig,
) -> plate.PlateSeed | None:
    """The plate that moves like a press, or else the one that the network sees at a bar's end."""
    at_px = None
    if config.plate_at_px is not None:
        at_px = tuple((np.asarray(config.plate_at_px) + 0.5) / zoom - 0.5)

    if look is not None and look.sure:
        disc = _find_near(samples, transforms, look, config)
        if disc is not None and is_held(disc):
            near = look.near_end()
            if near and _end_of(disc, samples, look) not in ("", near):
                nearer = _find_near(samples, transforms, look, config, near)
                least_px = LEAST_NEARER * disc.ellipse.major_px
                if nearer is not None and nearer.ellipse.major_px > least_px and is_held(nearer):
                    return nearer
            return disc
    disc = None
    try:
        disc = platefind.find_plate(samples, config.plate, at_px, transforms=transforms)
    except BarNotFoundError as error:
        problems.append(str(error))
    if look is None or not look.sure or (disc is not None and is_held(disc)):
        return disc
    for number, place in look.plates():
        try:
            other = platefind.find_plate(
                samples, config.plate, tuple(place), at_sample=number, transforms=transforms
            )
        except BarNotFoundError:
            continue
        travel_px = np.ptp(other.path[:, 3]) if len(other.path) else 0.0
        if travel_px > LEAST_TRAVEL * other.ellipse.major_px and is_held(other):
            return other
    return disc


def _end_of(disc: plate.PlateSeed, samples: list[Frame], look: firstlook.FirstLook) -> str:
    """The lifter's end of the bar on which a plate is, as most readings have it."""
    number = {sample.index: k for k, sample in enumerate(samples)}
    ends = [look.end_at(number.get(int(row[0]), -1), row[2:4]) for row in disc.path]
    n_left, n_right = ends.count("left"), ends.count("right")
    return "" if n_left == n_right else "left" if n_left > n_right else "right"


def _find_near(
    samples: list[Frame],
    transforms: Floats,
    look: firstlook.FirstLook,
    config: AnalysisConfig,
    end: str = "",
) -> plate.PlateSeed | None:
    """The likeliest plate near the lifter, or at one end, sought in that part of the picture."""
    height, width = samples[0].image.shape[:2]
    rows, columns = look.region(height, width, end)
    parts = [
        dataclasses.replace(one, image=np.ascontiguousarray(one.image[rows, columns]))
        for one in samples
    ]
    share = parts[0].image[..., 0].size / (height * width)
    offset = np.array([columns.start, rows.start], dtype=float)
    moved = transforms.copy()
    moved[:, :, 2] += np.einsum("nij,j->ni", moved[:, :, :2], offset) - offset
    # The same scale and the same sizes in pixels as in the whole picture.
    few = dataclasses.replace(
        config.plate,
        work_area_px=max(round(config.plate.work_area_px * share), 1),
        min_diameter_share=config.plate.min_diameter_share / np.sqrt(share),
        max_diameter_share=config.plate.max_diameter_share / np.sqrt(share),
        n_bodies=2,
        n_measured=QUICK_OUTLINES,
    )
    try:
        found = platefind.find_plate(parts, few, transforms=moved)
    except BarNotFoundError:
        return None
    shape = found.ellipse
    path = found.path.copy()
    path[:, 2:4] += offset
    shape = dataclasses.replace(
        shape, x_px=shape.x_px + columns.start, y_px=shape.y_px + rows.start
    )
    return dataclasses.replace(found, ellipse=shape, path=path, candidates=())


def _lines_along(
    seed: plate.PlateSeed | barline.BarSeed, samples: list[Frame], config: AnalysisConfig
) -> dict[int, BarLine]:
    """The bar by sample, along the path on which it was found."""
    number = {sample.index: k for k, sample in enumerate(samples)}
    if isinstance(seed, plate.PlateSeed):
        shape = dataclasses.asdict(seed.ellipse)
        rows = [(row[0], shape | {"x_px": row[2], "y_px": row[3]}) for row in seed.path]
    else:
        rows = [(row["frame"], row) for row in seed.path.to_dict("records")]
    known = pose_config(config)
    shown = ((number.get(int(frame)), pose.bar_line(row, known)) for frame, row in rows)
    return {k: line for k, line in shown if k is not None and line is not None}


def _zoomed(value_px: Any, zoom: float) -> Any:
    """Image coordinate in an image `zoom` times as large, pixel centres at whole numbers."""
    return (value_px + 0.5) * zoom - 0.5


def plate_seed_at(seed: plate.PlateSeed, zoom: float) -> plate.PlateSeed:
    """Carry a plate seed found in shrunk frames over to the frames as filmed."""
    shape = seed.ellipse
    path = np.array(seed.path, dtype=float)
    path[:, 2:4] = _zoomed(path[:, 2:4], zoom)
    return dataclasses.replace(
        seed,
        ellipse=dataclasses.replace(
            shape,
            x_px=_zoomed(shape.x_px, zoom),
            y_px=_zoomed(shape.y_px, zoom),
            major_px=shape.major_px * zoom,
            minor_px=shape.minor_px * zoom,
        ),
        path=path,
        rim_edge=seed.rim_edge / zoom,
    )


def bar_seed_at(seed: barline.BarSeed, zoom: float) -> barline.BarSeed:
    """Carry a bar seed found in shrunk frames over to the frames as filmed."""
    path = seed.path.copy()
    for column in path.columns[path.columns.str.endswith("_px")]:
        path[column] = _zoomed(path[column], zoom)
    ends = {}
    for name in ("left", "right"):
        end = getattr(seed, name)
        ends[name] = dataclasses.replace(
            end,
            x_px=_zoomed(end.x_px, zoom),
            y_px=_zoomed(end.y_px, zoom),
            plate_px=end.plate_px * zoom,
            depth_px=end.depth_px * zoom,
        )
    return dataclasses.replace(
        seed,
        **ends,
        bar_px=seed.bar_px * zoom,
        width_px=round(seed.width_px * zoom),
        height_px=round(seed.height_px * zoom),
        path=path,
        patch_scale=seed.patch_scale * zoom,
    )


def _may_be_front(disc: plate.PlateSeed | None) -> bool:
    """Whether the front view should be tried: no plate, or one seen nearly from the edge."""
    return disc is None or disc.ellipse.aspect < 0.5


def follow(
    info: ClipInfo,
    found: Found,
    config: AnalysisConfig,
    progress: Progress = quiet,
    network: JointNetwork | None = None,
    stats: StreamStats | None = None,
) -> Detected:
    """Follow bar, camera motion and the lifter's joints through the clip, in one decoding pass.

    Parameters
    ----------
    info : ClipInfo
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
    strips = tracker = None
    if isinstance(found.seed, barline.BarSeed):
        tracker = bartrack.BarTracker(found.seed, config.bar)
        strips = barends.BarStrips(config.ends, bare=found.seed.left.bare)
    elif found.seed is not None:
        tracker = platetrack.PlateTracker(found.seed, config.plate)
    motion = scene.CameraMotion(config.scene)
    reading = pose_config(config)
    if tracker is None:
        # The hands are all that tells where the bar is.
        reading = dataclasses.replace(reading, looks_per_s=BARE_LOOKS_PER_S)
    reader = pose.PoseReader(network, reading) if network is not None else None
    repeats = DuplicateCounter()
    n_duplicate = 0
    stills = []
    kept = set(np.linspace(0, info.n_frames - 1, N_STILLS).astype(int).tolist())
    with reader or nullcontext():
        for frame in stream(info, stats=stats):
            n_duplicate += repeats.update(frame.image)
            if frame.index in kept:
                stills.append(_shrunk(frame, STILL_SIDE_PX))
            motion.update(frame)
            row = {} if tracker is None else tracker.update(frame)
            if strips is not None:
                strips.update(frame.image, row)
            if reader is not None:
                line = pose.bar_line(row, reading) if row else None
                reader.update(frame.index, frame.time_s, frame.image, line)
            progress("following the bar", (frame.index + 1) / info.n_frames)
    camera = motion.table()
    level = find_level(info, camera, stills, config)
    joints_px = None if reader is None else reader.table()
    if tracker is not None:
        track = tracker.table()
    elif joints_px is not None:
        track = pose.held_track(camera["time_s"].to_numpy(dtype=float), joints_px, reading)
    if strips is not None:
        focal_px = fittedcamera.focal_guess_px(config.calibration, info.width_px, info.height_px)
        track = barends.place_ends(track, strips, joints_px, focal_px, (info.width_px - 1) / 2)
    return Detected(found.view, found.view_source, track, camera, n_duplicate, level, joints_px)


def pose_config(config: AnalysisConfig) -> pose.PoseConfig:
    """How joints are looked for, with the bar and plates of this set."""
    return dataclasses.replace(
        config.pose,
        plate_diameter_m=config.calibration.plate_mm / 1000,
        barbell=config.calibration.barbell,
    )


def _shrunk(frame: Frame, max_side_px: int) -> Frame:
    height, width = frame.image.shape[:2]
    shrink = min(1.0, max_side_px / max(height, width))
    size = (round(width * shrink), round(height * shrink))
    image = cv2.resize(frame.image, size, interpolation=cv2.INTER_AREA)
    return dataclasses.replace(frame, image=image)


@one_blas_thread
def measure(info: ClipInfo, detected: Detected, config: AnalysisConfig) -> SetResult:
    """Calibrate, find repetitions, fit the arms and measure, from what was seen in a clip."""
    check_corrections(config.corrections, info, detected.track)
    track = correct_track(detected.track, config.corrections, config.correcting)
    detected = dataclasses.replace(detected, track=track)
    shows = view_of(detected.view)
    joints_px = detected.joints_px
    if joints_px is None or joints_px.empty:
        joints_px = pose.pose_table([])
    steady_joints = steadying.steady(joints_px, detected.camera, pose.points_in(joints_px))
    steadied = steadying.steady(detected.track, detected.camera, shows.ends)
    steadied = bridge(steadied, steady_joints, shows.ends, config.bridging)
    check_followed(steadied, detected.view)
    level = detected.level
    calibration = calibrate_view(steadied, detected.view, info, level, config, steady_joints)
    if shows.both_ends:
        spread = scalecheck.front_systematics(calibration, steadied)
        path = front_trajectory(steadied, calibration, config)
    else:
        spread = scalecheck.side_systematics(calibration, steadied)
        path = side_trajectory(steadied, calibration, config)
    time_s = path.table["time_s"].to_numpy(dtype=float)
    height_m = path.table["y_smooth_m"].to_numpy(dtype=float)
    reps = find_reps(time_s, height_m, config.reps)
    if reps.empty:
        raise NoRepError(
            "The bar was followed, but its height shows no repetition: nothing to measure."
        )
    sway_m = camera_sway_m(
        detected.camera, reps, (info.width_px / 2, info.height_px / 2), spread.px_per_m
    )
    # What a moving camera leaves in the height must not pass for the bar leaving the rack.
    rack_move_m = config.reps.rack_move_m
    if sway_m > 0:
        rack_move_m = max(rack_move_m, HANDHELD_RACK_MOVE_M, 3 * sway_m)
    phases = find_phases(
        time_s, height_m, dataclasses.replace(config.reps, rack_move_m=rack_move_m)
    )
    path = _move_origin(path, reps)
    head = 0
    if shows.both_ends:
        along = pd.Series(path.along_m, index=path.table["frame"]).reindex(joints_px["frame"])
        joints_m = front_joints(
            steady_joints,
            calibration,
            along.to_numpy(dtype=float),
            path.origin_m,
            config.depths,
            config.reading_error,
        )
    else:
        head = head_direction(steady_joints)
        joints_m = side_joints(
            steady_joints,
            calibration,
            head,
            path.origin_m,
            config.depths,
            config.reading_error,
        )
        if head:
            path = _toward_head(path, head)
    sighting = arm_sighting(path, steady_joints, detected.camera, calibration, head, config)
    arms = None if sighting is None else armfit.fit_arms([sighting], arm_config(config))
    arms_table = draws = pd.DataFrame()
    if arms is not None:
        arms_table = place_arms(arms, detected.camera)
        draws = draw_table(arms, reps)
        joints_m = with_arms(joints_m, arms)
    # From the feet the angle is that by which the bar is turned from the picture's plane.
    turn_deg = np.rad2deg(abs(calibration.value("yaw")))
    sight_deg = 90.0 - turn_deg if shows.widths else turn_deg
    context = make_context(
        info, detected.view, spread, joints_m, path.cutoff_hz, sway_m, head, sight_deg, config
    )
    table = measures.all_measures(path.table, reps, joints_m, context, arms)
    notes = describe(info, detected, calibration, spread, joints_px, head, config)
    notes += bridged_note(detected.track, steadied)
    if arms is not None:
        notes.append(arm_note(arms, config))
    wide = reps.merge(measuresummary.wide(table), on="rep", how="left", validate="one_to_one")
    return SetResult(
        source_name=told_name(Path(info.path).name),
        info=dataclasses.replace(info, n_duplicate=detected.n_duplicate),
        view=detected.view,
        view_source=detected.view_source,
        options=_options(config),
        calibration=_calibration_summary(calibration, spread, level, config, head),
        trajectory=path.table,
        track=detected.track,
        camera=detected.camera,
        pose=joints_px,
        arms=arms_table,
        reps=wide,
        measures=table,
        phases=phases,
        notes=notes,
        versions=_versions(),
        corrections=config.corrections,
        draws=draws,
    )


def calibrate_view(
    steadied: pd.DataFrame,
    view: str,
    info: ClipInfo,
    level: scene.SceneRoll,
    config: AnalysisConfig,
    joints: pd.DataFrame | None = None,
) -> fittedcamera.Calibration:
    """Camera of a clip, from the bar or plate followed and what the scenery tells.

    Parameters
    ----------
    steadied : DataFrame
        Plate or bar table in steadied image coordinates.
    view : {'side', 'front', 'oblique'}
    info : ClipInfo
    level : SceneRoll
    config : AnalysisConfig
    joints : DataFrame, optional
        Pose table in steadied image coordinates.

    Returns
    -------
    Calibration
    """
    if view_of(view).both_ends:
        return feetcamera.calibrate_front(
            steadied,
            info.width_px,
            info.height_px,
            roll_deg=level.roll_deg,
            roll_sd_deg=level.sd_deg,
            pitch_deg=level.pitch_deg,
            pitch_sd_deg=level.pitch_sd_deg,
            config=config.calibration,
        )
    bar = []
    if joints is not None and not joints.empty:
        end = followed_end(steadied, joints)
        if barparts.is_bare(steadied):
            end = near_side(head_direction(joints))
        bar = [
            barparts.bar_readings(steadied, joints, side)
            for side in ((end,) if end else sights.SIDES)
        ]
    return platecamera.calibrate_side(
        steadied,
        info.width_px,
        info.height_px,
        roll_deg=level.roll_deg,
        roll_sd_deg=level.sd_deg,
        pitch_deg=level.pitch_deg,
        pitch_sd_deg=level.pitch_sd_deg,
        view=view,
        bar=bar,
        config=config.calibration,
    )


def arm_sighting(
    path: Path3,
    steady_joints: pd.DataFrame,
    camera: pd.DataFrame,
    calibration: fittedcamera.Calibration,
    head: int,
    config: AnalysisConfig,
) -> sights.Sighting | None:
    """What the clip shows of the arms; None where joints were read in no frame.

    Parameters
    ----------
    path : Path3
        x toward the head in side and oblique views.
    steady_joints : DataFrame
        Pose table in steadied image coordinates.
    camera : DataFrame
        Camera table.
    calibration : Calibration
    head : int
        From `joints.head_direction`.
    config : AnalysisConfig
    """
    table = path.table
    steady_joints, given = _corrected(steady_joints, table, camera, config.corrections)
    if steady_joints.empty:
        return None
    rows = table.set_index("frame").reindex(steady_joints["frame"])
    bar = np.zeros((len(rows), 3))
    axis = np.tile([0.0, 0.0, 1.0], (len(rows), 1))
    bar[:, 1] = rows["y_smooth_m"]
    if calibration.shows.both_ends:
        time_s = table["time_s"].to_numpy(dtype=float)
        along = smooth(time_s, path.along_m, config.smooth, np.full(len(time_s), 0.002)).value
        known = np.isfinite(along)
        high = known & (table["y_smooth_m"] > -0.05)
        start_m = float(np.median(along[high if high.any() else known]))
        bar[:, 0] = np.interp(rows["time_s"], time_s[known], along[known]) - start_m
        bar[:, 2] = rows["x_smooth_m"]
        tilt = np.deg2rad(rows["tilt_deg"].to_numpy(dtype=float))
        axis[:, 1], axis[:, 2] = np.sin(tilt), np.cos(tilt)
        sight = sights.front_sight(calibration, path.origin_m, start_m)
    else:
        bar[:, 0] = rows["x_smooth_m"]
        sight = sights.side_sight(calibration, head, path.origin_m)
    readings_px, covariance_px2 = sights.read_joints(steady_joints)
    at = sights.Instants(rows["time_s"].to_numpy(dtype=float), bar, axis)
    frame = rows.index.to_numpy()
    return sights.Sighting(sight, at, frame, readings_px, covariance_px2, given)


@dataclass(frozen=True)
class Placed:
    """What was seen in a set's clip, put into its world again.

    Attributes
    ----------
    calibration : Calibration
    path : Path3
        As in the result's trajectory, x toward the head.
    head : int
        Which way the head lies in a side view: 1 image right, -1 left, 0 unknown.
    """

    calibration: fittedcamera.Calibration
    path: Path3
    head: int


def head_of(result: SetResult) -> int:
    """Which way the head lies in a side view: 1 image right, -1 left, 0 unknown."""
    return {"image right": 1, "image left": -1}.get(str(result.calibration["head_direction"]), 0)


def place(result: SetResult) -> Placed:
    """Camera and path of a set, from its result."""
    config, detected = config_of(result), detected_in(result)
    ends = result.shows.ends
    track = correct_track(result.track, config.corrections, config.correcting)
    steadied = steadying.steady(track, result.camera, ends)
    joints = steadying.steady(result.pose, result.camera, pose.points_in(result.pose))
    steadied = bridge(steadied, joints, ends, config.bridging)
    calibration = calibrate_view(steadied, result.view, result.info, detected.level, config, joints)
    trajectory = front_trajectory if result.shows.both_ends else side_trajectory
    path = _move_origin(trajectory(steadied, calibration, config), result.reps)
    head = head_of(result)
    return Placed(calibration, _toward_head(path, head) if head else path, head)


def sighting_in(result: SetResult, placed: Placed) -> sights.Sighting | None:
    """What a set's clip shows of the arms, from its result; see `arm_sighting`."""
    joints = steadying.steady(result.pose, result.camera, pose.points_in(result.pose))
    return arm_sighting(
        placed.path,
        joints,
        result.camera,
        placed.calibration,
        placed.head,
        config_of(result),
    )


def arm_config(config: AnalysisConfig) -> armprior.ArmFitConfig:
    """What is known of this lifter's arms: what was given, otherwise the usual."""
    arms = config.arms
    if config.stature_m is not None:
        arms = dataclasses.replace(arms, stature_m=config.stature_m, stature_rel_sd=0.01)
    if config.upper_arm_m is not None:
        arms = dataclasses.replace(arms, upper_arm_m=config.upper_arm_m)
    return arms


def arm_note(arms: armfit.ArmFit, config: AnalysisConfig) -> Note:
    """The lengths that the arms were fitted with, and what they rest on."""
    if config.upper_arm_m is not None:
        source = "the upper arm as measured by tape"
    elif config.stature_m is not None:
        source = "the usual shares of the lifter's height"
    else:
        source = "usual lengths as a weak assumption"
    parts = [
        f"{name} {state(100 * value, 100 * expand(sd), 'cm')}"
        for name, (value, sd) in (("Upper arm", arms.upper_arm_m), ("forearm", arms.forearm_m))
    ]
    return Note(
        "arm_lengths",
        "info",
        f"{' and '.join(parts)} between joint centres, from the clip and {source}.",
    )


def _corrected(
    steady_joints: pd.DataFrame,
    table: pd.DataFrame,
    camera: pd.DataFrame,
    corrections: Corrections,
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Pose table with the joints put right by hand, and which of `sights.SEEN` they are."""
    points = pd.DataFrame(corrections.joints, columns=["frame", "joint", "x_px", "y_px"])
    points = points[points["frame"].isin(table["frame"])]
    steadied = steadying.steady(points, camera, [""])
    frames = np.union1d(steady_joints["frame"], points["frame"]).astype(int)
    joints = steady_joints.set_index("frame").reindex(frames)
    joints["time_s"] = table.set_index("frame")["time_s"].reindex(frames)
    given = np.zeros((len(frames), len(sights.SIDES), len(sights.SEEN)), dtype=bool)
    for point in steadied.itertuples():
        side, joint = point.joint.split("_")
        row = np.searchsorted(frames, point.frame)
        given[row, sights.SIDES.index(side), sights.SEEN.index(joint)] = True
        joints.loc[point.frame, [f"{point.joint}_x_px", f"{point.joint}_y_px"]] = (
            point.x_px,
            point.y_px,
        )
    return joints.reset_index(names="frame"), given


def place_arms(arms: armfit.ArmFit, camera: pd.DataFrame) -> pd.DataFrame:
    """Table of the fitted arms, in the pixels of each frame and in metres."""
    maps = camera.set_index("frame").reindex(arms.frame).reset_index()
    back = np.array([cv2.invertAffineTransform(m) for m in scene.transforms_of(maps)])
    return armfit.arm_table(arms, back)


def with_arms(joints_m: pd.DataFrame, arms: armfit.ArmFit) -> pd.DataFrame:
    """Joint table in which the arms are the fitted ones.

    Parameters
    ----------
    joints_m : DataFrame
        From `joints.side_joints` or `joints.front_joints`.
    arms : ArmFit

    Returns
    -------
    DataFrame
    """
    table = joints_m.set_index("frame").reindex(arms.frame)
    table["time_s"] = arms.time_s
    sd = arms.sd_m()
    axis = arms.sights[0].shows.axis
    for a, side in enumerate(sights.SIDES):
        for j, joint in enumerate(sights.FITTED):
            name = f"{side}_{joint}"
            table[f"{name}_x_m"] = arms.points_m[:, a, j, axis]
            table[f"{name}_y_m"] = arms.points_m[:, a, j, 1]
            table[f"{name}_sd_m"] = sd[:, a, j][:, [axis, 1]].max(axis=1)
    return table.reset_index(names="frame")


def check_followed(track: pd.DataFrame, view: str, min_share: float = 0.4) -> None:
    """Refuse a track that was lost for most of the clip.

    Raises
    ------
    BarNotFoundError
    """
    seen = track[[c for c in track.columns if c.endswith(("x_px", "y_px"))]].notna().all(axis=1)
    if seen.mean() < min_share:
        what = "Both ends of the bar were" if view_of(view).both_ends else "The plate was"
        raise BarNotFoundError(
            f"{what} seen in only {seen.mean():.0%} of the frames; at least {min_share:.0%} are"
            " needed."
        )


def find_level(
    info: ClipInfo, camera: pd.DataFrame, stills: list[Frame], config: AnalysisConfig
) -> scene.SceneRoll:
    """Camera roll and pitch from straight lines in a few frames spread over the clip."""
    rows = camera.set_index("frame").reindex([still.index for still in stills])
    known = rows["m00"].notna().to_numpy()
    stills = [still for still, keep in zip(stills, known, strict=True) if keep]
    transforms = scene.transforms_of(rows[known].reset_index())
    focal_px = fittedcamera.focal_guess_px(config.calibration, info.width_px, info.height_px)
    if not stills:
        return scene.scene_roll([np.zeros((info.height_px, info.width_px), np.uint8)], focal_px)
    shrink = stills[0].image.shape[1] / info.width_px
    transforms[:, :, 2] *= shrink
    return scene.scene_roll(stills, focal_px * shrink, config.scene, transforms)


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


def side_trajectory(
    track: pd.DataFrame, calibration: fittedcamera.Calibration, config: AnalysisConfig
) -> Path3:
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
    table = pd.DataFrame(
        {
            "frame": track["frame"],
            "time_s": track["time_s"],
            "x_m": points[:, 0],
            "y_m": points[:, 1],
        }
    )
    _smooth_into(table, "x", sd, config)
    cutoff_hz = _smooth_into(table, "y", sd, config)
    table["sd_m"] = table[["sd_x_m", "sd_y_m"]].max(axis=1)
    table["state"] = track["state"]
    return Path3(table, np.zeros(2), np.full(len(table), np.nan), cutoff_hz)


def front_trajectory(
    track: pd.DataFrame, calibration: fittedcamera.Calibration, config: AnalysisConfig
) -> Path3:
    """The bar's middle and ends in the vertical plane through it, raw and smoothed.

    `left_y_m` and `right_y_m` are the lifter's: filmed from the feet, the lifter's left is on the
    image's right. `tilt_deg` is positive when the lifter's left end is higher.
    """
    left_px = track[["image_left_x_px", "image_left_y_px"]].to_numpy(dtype=float)
    right_px = track[["image_right_x_px", "image_right_y_px"]].to_numpy(dtype=float)
    left, right = pinhole.front_ends(
        calibration.params, left_px, right_px, calibration.principal_px
    )
    scale = scalecheck.front_systematics(calibration, track).px_per_m
    sd_ends = track[["image_left_sd_px", "image_right_sd_px"]].to_numpy(dtype=float) / scale
    sd = np.hypot(*sd_ends.T) / 2
    middle = (left + right) / 2
    table = pd.DataFrame(
        {
            "frame": track["frame"],
            "time_s": track["time_s"],
            "x_m": middle[:, 0],
            "y_m": middle[:, 1],
        }
    )
    _smooth_into(table, "x", sd, config)
    cutoff_hz = _smooth_into(table, "y", sd, config)
    table["sd_m"] = table[["sd_x_m", "sd_y_m"]].max(axis=1)
    time_s = table["time_s"].to_numpy()
    ends = {}
    for name, end, end_sd in (("right", left, sd_ends[:, 0]), ("left", right, sd_ends[:, 1])):
        ends[name] = smooth(time_s, end[:, 1], config.smooth, end_sd)
        table[f"{name}_y_m"] = ends[name].value
        table[f"{name}_vy_m_s"] = ends[name].velocity
    gap_m = calibration.value("log_plate_gap")
    rise = np.clip((table["left_y_m"] - table["right_y_m"]) / gap_m, -1.0, 1.0)
    table["tilt_deg"] = np.rad2deg(np.arcsin(rise))
    table["sd_tilt_deg"] = np.rad2deg(np.hypot(ends["left"].sd, ends["right"].sd) / gap_m)
    states = track[["image_left_state", "image_right_state"]]
    worst = np.select(
        [(states == "lost").any(axis=1), (states == "partly").any(axis=1)],
        ["lost", "partly"],
        "seen",
    )
    table["state"] = worst
    return Path3(table, np.zeros(2), middle[:, 2], cutoff_hz)


def _move_origin(path: Path3, reps: pd.DataFrame) -> Path3:
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


def _toward_head(path: Path3, head: int) -> Path3:
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
    time_s = camera["time_s"].to_numpy(dtype=float)
    shift_px = np.einsum("nij,j->ni", scene.transforms_of(camera), np.array([*at_px, 1.0]))
    spans = []
    for rep in reps.itertuples():
        inside = (time_s >= rep.touch_s) & (time_s <= rep.end_s)
        if inside.sum() >= 2:
            spans.append(np.linalg.norm(np.nanstd(shift_px[inside], axis=0)))
    whole = np.linalg.norm(np.nanstd(shift_px, axis=0))
    return PARALLAX_SHARE * float(np.median(spans or [whole])) / px_per_m


def make_context(
    info: ClipInfo,
    view: str,
    spread: scalecheck.Systematics,
    joints_m: pd.DataFrame,
    cutoff_hz: float,
    camera_sd_m: float,
    head: int,
    sight_deg: float,
    config: AnalysisConfig,
) -> measurerow.MeasureContext:
    """What holds for all repetitions: uncertainties of scale and level, and what cannot be had."""
    trusted, reason = True, ""
    if not view_of(view).along:
        trusted = False
        reason = "From the feet, movement toward head or feet is not seen as such."
    elif spread.horizontal_rel_sd > MAX_HORIZONTAL_REL_SD:
        trusted = False
        reason = (
            "The plate is too slanted or too small in the picture to say how far horizontal"
            " movement goes."
        )
    elif head == 0 and config.find_joints:
        trusted = False
        reason = "Which way the lifter's head lies could not be told from the picture."
    elif not view_of(view).square and camera_sd_m > MAX_OBLIQUE_SWAY_M:
        trusted = False
        reason = "The camera moved too much for horizontal movement in a slanted view."
    found = joints_m.filter(like="_sd_m").notna().any(axis=None) if len(joints_m) else False
    arm_m, arm_sd_m = upper_arm(joints_m, view, config.upper_arm_m, config.stature_m)
    return measurerow.MeasureContext(
        view=view,
        scale_rel_sd=spread.vertical_rel_sd,
        horizontal_rel_sd=spread.horizontal_rel_sd,
        roll_sd_deg=spread.tilt_sd_deg,
        camera_sd_m=camera_sd_m,
        frame_interval_s=1.0 / info.fps,
        cutoff_hz=cutoff_hz,
        horizontal_trusted=trusted,
        horizontal_reason=reason,
        sight_to_bar_deg=float(sight_deg),
        lifter_found=bool(found),
        lifter_reason="" if found else "The lifter's joints were not found in this clip.",
        upper_arm_m=arm_m,
        upper_arm_sd_m=arm_sd_m,
    )


def describe(
    info: ClipInfo,
    detected: Detected,
    calibration: fittedcamera.Calibration,
    spread: scalecheck.Systematics,
    joints_px: pd.DataFrame,
    head: int,
    config: AnalysisConfig,
) -> list[Note]:
    """What the reader should know of how the set was measured, in plain sentences."""
    notes = [Note("clip", "warning", text) for text in info.warnings]

    def add(code: str, severity: str, text: str) -> None:
        notes.append(Note(code, severity, text))

    if config.corrections:
        n_joints, n_plate = len(config.corrections.joints), len(config.corrections.plate)
        add(
            "corrected",
            "info",
            f"Put right by hand: {n_joints} joint{'' if n_joints == 1 else 's'} and {n_plate} plate"
            f" centre{'' if n_plate == 1 else 's'}.",
        )
    if detected.view_source == "guessed":
        add("view_guessed", "info", f"The view was guessed from the picture: {detected.view}.")
    plate_mm = config.calibration.plate_mm
    both_ends = view_of(detected.view).both_ends
    if both_ends:
        add(
            "bar_assumed",
            "info",
            "Lengths were taken from the bar: 1.31 m of shaft between the sleeves, as the rules of"
            " competition have it.",
        )
    elif barparts.is_bare(detected.track):
        add(
            "bar_assumed",
            "info",
            "The bar has no plates: lengths were taken from the bar itself, 1.31 m of shaft between"
            " the sleeves and 2.20 m over all, which leaves them uncertain by"
            f" {100 * expand(spread.vertical_rel_sd):.0f} %, the more the closer the camera looks"
            " along the bar.",
        )
    elif not config.plate_given:
        add(
            "plate_assumed",
            "warning",
            f"The plate was taken as {plate_mm:.0f} mm across, the usual size of the largest one;"
            " give --plate-mm if it is another, for all lengths and speeds scale with it.",
        )
    check = calibration.plate_check_mm
    if np.isfinite(check) and not both_ends:
        add(
            "plate_doubtful",
            "warning",
            f"The plate that was followed looks about {check:.0f} mm across beside the bar, not"
            f" {plate_mm:.0f} mm; lengths were taken from the bar. Check the plate's diameter.",
        )
    elif np.isfinite(check) and abs(check / plate_mm - 1) > 0.08:
        add(
            "plate_doubtful",
            "warning",
            f"Against the distance between both sides' plates they look about {check:.0f} mm"
            f" across, not {plate_mm:.0f} mm; check the plate's diameter or the kind of bar.",
        )
    if not both_ends:
        track = detected.track
        slant = np.rad2deg(
            np.arccos(np.clip((track["minor_px"] / track["major_px"]).median(), 0, 1))
        )
        if slant > SLANT_NOTE_DEG:
            add(
                "slanted",
                "warning",
                f"The plate is seen at a slant of about {slant:.0f} degrees; horizontal lengths"
                " are the less certain the more the view is slanted.",
            )
        if track["major_px"].median() < 60:
            add(
                "plate_small",
                "warning",
                f"The plate is only {track['major_px'].median():.0f} pixels across; film closer or"
                " with more pixels for smaller uncertainties.",
            )
        if not head and len(joints_px):
            add(
                "head_unknown",
                "warning",
                "Which way the lifter's head lies could not be told; x grows toward the image's"
                " right.",
            )
    if not bool(detected.camera["static"].all()):
        add(
            "camera_moved",
            "warning",
            "The camera moved; its motion was estimated from the scenery and taken out.",
        )
    states = detected.track[[c for c in detected.track.columns if c.endswith("state")]]
    lost = float((states == "lost").any(axis=1).mean())
    if lost > 0.02:
        add("bar_lost", "warning", f"The bar was not seen in {lost:.0%} of the frames.")
    if info.n_dropped:
        add("frames_dropped", "info", f"The clip lacks {info.n_dropped} frames.")
    if detected.n_duplicate > 0.02 * info.n_frames:
        add(
            "frames_repeated",
            "warning",
            f"{detected.n_duplicate} frames repeat the one before; speeds are less certain there.",
        )
    if info.variable_rate:
        add("rate_variable", "info", "The frame rate varies; the frames' own times were used.")
    if info.time_scale != 1.0:
        add(
            "slow_motion",
            "info",
            f"Slow motion: one second of the file was taken as {info.time_scale:.3g} s.",
        )
    if info.fps < 24:
        add(
            "rate_low",
            "warning",
            f"Only {info.fps:.0f} frames a second: pauses and peak speeds are coarse.",
        )
    if calibration.roll_source.startswith("phone"):
        add(
            "roll_assumed",
            "info",
            "No straight structures told which way is up, so the phone was taken as held level"
            f" within {config.calibration.roll_sd_deg:g} degrees.",
        )
    if config.find_joints:
        share = float(joints_px["left_shoulder_x_px"].notna().mean()) if len(joints_px) else 0.0
        if share == 0:
            add(
                "lifter_missing",
                "warning",
                "No lifter was found in the picture, so everything that needs joints is missing.",
            )
        elif share < 0.8:
            add(
                "lifter_partly",
                "warning",
                f"The lifter was found in {share:.0%} of the frames that were looked at.",
            )
    return notes


def bridged_note(track: pd.DataFrame, bridged: pd.DataFrame) -> list[Note]:
    """Say where the bar's place is that of the hands."""
    states = [column for column in track.columns if column.endswith("state")]
    changed = (track[states].to_numpy() != bridged[states].to_numpy()).any(axis=1)
    if changed.mean() < LEAST_TOLD:
        return []
    text = (
        f"In {changed.mean():.0%} of the frames the bar was lost, and its place there is told from"
        " the hands: heights and speeds are less certain in them."
    )
    return [Note("bar_from_hands", "warning", text)]


def _options(config: AnalysisConfig) -> dict[str, Any]:
    return {
        "plate_mm": config.calibration.plate_mm,
        "plate_given": config.plate_given,
        "load_kg": config.load_kg,
        "upper_arm_m": config.upper_arm_m,
        "stature_m": config.stature_m,
        "note": config.note,
        "find_joints": config.find_joints,
        "profile": None if config.profile is None else dataclasses.asdict(config.profile),
    }


def _calibration_summary(
    calibration: fittedcamera.Calibration,
    spread: scalecheck.Systematics,
    level: scene.SceneRoll,
    config: AnalysisConfig,
    head: int,
) -> dict[str, Any]:
    def degrees(name: str) -> tuple[float, float]:
        return float(np.rad2deg(calibration.value(name))), float(np.rad2deg(calibration.sd(name)))

    roll, roll_sd = degrees("roll")
    pitch, pitch_sd = degrees("pitch")
    yaw, yaw_sd = degrees("yaw")
    return {
        "plate_mm": config.calibration.plate_mm,
        "px_per_m": spread.px_per_m,
        "scale_rel_sd": spread.vertical_rel_sd,
        "horizontal_rel_sd": spread.horizontal_rel_sd,
        "tilt_sd_deg": spread.tilt_sd_deg,
        "focal_px": calibration.value("log_focal"),
        "focal_rel_sd": calibration.sd("log_focal") / calibration.value("log_focal"),
        "roll_deg": roll,
        "roll_sd_deg": roll_sd,
        "pitch_deg": pitch,
        "pitch_sd_deg": pitch_sd,
        "plane_angle_deg": yaw,
        "plane_angle_sd_deg": yaw_sd,
        "scene_roll_deg": level.roll_deg,
        "scene_roll_sd_deg": level.sd_deg,
        "scene_pitch_deg": level.pitch_deg,
        "scene_pitch_sd_deg": level.pitch_sd_deg,
        "scene_lines": level.n_lines,
        "plate_check_mm": calibration.plate_check_mm,
        "head_direction": {1: "image right", -1: "image left", 0: "unknown"}[head],
        "near_arm": near_side(head),
        "method": (
            f"Plate of {config.calibration.plate_mm:.0f} mm; up from {calibration.roll_source}."
        ),
    }


def _versions() -> dict[str, str]:
    # Two distributions can have brought OpenCV, so it is asked itself.
    names = ("barpath", "onnxruntime", "numpy", "scipy", "pandas", "av")
    of_python = {"python": platform.python_version(), "opencv": cv2.__version__}
    return of_python | {name: version(name) for name in names}
