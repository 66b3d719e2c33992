"""One clip in, one set's result out: every stage, in the order in which the data flow."""

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from barpath.analysis.armsight import arm_sighting, place_arms, with_arms
from barpath.analysis.azimuth import azimuth_of
from barpath.analysis.camerafit import calibrate_view
from barpath.analysis.config import AnalysisConfig, arm_config, with_bar
from barpath.analysis.corrections import check_corrections, correct_track
from barpath.analysis.finding import find_bar
from barpath.analysis.following import Detected, follow
from barpath.analysis.kept import (
    calibration_summary,
    config_of,
    detected_in,
    options_of,
    versions_here,
)
from barpath.analysis.measuring import Lift, find_lift, make_context, scale_is_known
from barpath.analysis.notes import arm_note, bridged_note, describe
from barpath.analysis.placing import (
    LEAST_SEEN_ITSELF,
    Steadied,
    check_followed,
    check_rim,
    check_with_hands,
    place_joints,
    sight_to_bar_deg,
    steadied,
    systematics_of,
)
from barpath.analysis.running import Progress, one_blas_thread, quiet
from barpath.analysis.setresult import SetResult
from barpath.analysis.straightening import on_pictures_of, straighten
from barpath.analysis.sway import at_bar
from barpath.analysis.trajectory import Path3, move_origin, toward_head, trajectory_of, with_sway
from barpath.clip.frames import ClipInfo, check_size, probe
from barpath.clip.reading import Reading
from barpath.clip.scene import AT_BAR
from barpath.clip.streamstats import StreamStats
from barpath.errors import BarNotFoundError, NoRepError, OptionError
from barpath.ground.equipment import bar_of
from barpath.ground.files import sha256_of
from barpath.ground.names import told_name
from barpath.ground.view import AUTO, is_open, view_of
from barpath.lift.bottom import draw_table
from barpath.lift.measures import all_measures
from barpath.lift.measuresummary import wide
from barpath.sight.jointnet import JointNetwork
from barpath.space.armfit import fit_arms
from barpath.space.fittedcamera import Calibration
from barpath.space.joints import head_direction
from barpath.space.scalecheck import Systematics


@one_blas_thread
def analyse(
    clip: str | Path,
    *,
    view: str = AUTO,
    plate_mm: float | None = None,
    load_kg: float | None = None,
    plate_at: tuple[float, float] | None = None,
    bar: str | None = None,
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
    bar : str, optional
        The bar, as `equipment.bar_of` reads it; a power bar if not given.
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
    if bar is not None:
        config = with_bar(config, bar_of(bar))
    info = probe(clip, capture_fps=config.capture_fps)
    check_size(info)
    info = dataclasses.replace(info, sha256=sha256_of(info.path))
    check_corrections(config.corrections, info)
    progress("looking for the bar", 0.0)
    if network is None and config.find_joints:
        network = JointNetwork(config.pose_model)
    with Reading(info, config.kept_bytes) as reading:
        config = straighten(reading, config)
        try:
            found = find_bar(reading, config, progress, network)
            detected = follow(reading, found, config, progress, network)
            return measure(_as_read(reading.info, reading.stats), detected, config)
        except (BarNotFoundError, NoRepError) as error:
            raise _with_damage(error, reading) from error


@one_blas_thread
def measure(info: ClipInfo, detected: Detected, config: AnalysisConfig) -> SetResult:
    """Measure a set from what was seen in its clip: space, then the lift in it.

    Parameters
    ----------
    info : ClipInfo
    detected : Detected
        From `following.follow`, or from a result by `kept.detected_in`.
    config : AnalysisConfig

    Returns
    -------
    SetResult
    """
    corrections = on_pictures_of(config.corrections, info)
    config = dataclasses.replace(config, corrections=corrections)
    detected = _put_right(detected, info, config)
    bar = _bar_in_metres(info, detected, config)
    points = view_of(detected.view).ends
    camera = at_bar(detected.camera, bar.seen.track, points, bar.lift.reps, config.sway)
    if camera is not detected.camera:
        detected = dataclasses.replace(detected, camera=camera)
        bar = _bar_in_metres(info, detected, config)
    view, seen, calibration, lift = detected.view, bar.seen, bar.calibration, bar.lift
    spread = bar.spread
    path = with_sway(move_origin(bar.path, lift.reps), lift.sway_m_s)
    head = head_direction(seen.joints) if calibration.shows.along else 0
    joints_m = place_joints(seen.joints, path, calibration, head, config)
    if head:
        path = toward_head(path, head)

    arms = None
    if scale_is_known(spread):
        sighting = arm_sighting(path, seen.joints, camera, calibration, head, config)
        arms = None if sighting is None else fit_arms([sighting], arm_config(config))
    if arms is not None:
        joints_m = with_arms(joints_m, arms)

    sight_deg = sight_to_bar_deg(calibration)
    context = make_context(
        info, view, spread, joints_m, path.cutoff_hz, lift.sway_m, head, sight_deg, config
    )
    table = all_measures(path.table, lift.reps, joints_m, context, arms)
    azimuth = azimuth_of(calibration, seen.track, head)
    notes = describe(info, detected, calibration, spread, head, config)
    notes += bridged_note(detected.track, seen.track)
    notes += [] if arms is None else [arm_note(arms, config)]
    return SetResult(
        source_name=told_name(Path(info.path).name),
        info=dataclasses.replace(info, n_duplicate=detected.n_duplicate),
        view=view,
        view_source=detected.view_source,
        options=options_of(config),
        calibration=calibration_summary(calibration, spread, config, head, detected.level, azimuth),
        trajectory=path.table,
        track=detected.track,
        camera=camera,
        pose=detected.poses,
        arms=pd.DataFrame() if arms is None else place_arms(arms, camera),
        reps=lift.reps.merge(wide(table), on="rep", how="left", validate="one_to_one"),
        measures=table,
        phases=lift.phases,
        notes=notes,
        versions=versions_here(),
        corrections=config.corrections,
        draws=pd.DataFrame() if arms is None else draw_table(arms, lift.reps),
    )


@dataclass(frozen=True)
class _Bar:
    """The bar in metres and what it did, and the camera that tells."""

    seen: Steadied
    calibration: Calibration
    spread: Systematics
    path: Path3
    lift: Lift


def _bar_in_metres(info: ClipInfo, detected: Detected, config: AnalysisConfig) -> _Bar:
    """Steps 4 to 6 of the walk: from what was followed to the bar's path and repetitions."""
    view = detected.view
    seen = steadied(detected, config)
    check_followed(detected.track, view, LEAST_SEEN_ITSELF)
    check_followed(seen.track, view)
    calibration = calibrate_view(seen.track, view, info, detected.level, config, seen.joints)
    spread = systematics_of(calibration, seen.track)
    if not scale_is_known(spread):
        # With outlines mostly of parts as well, it may be anything that moves.
        whole = not calibration.shows.both_ends
        check_followed(detected.track, view, LEAST_SEEN_ITSELF, whole=whole)
        check_rim(detected.track)
    path = trajectory_of(seen.track, calibration, config)
    lift = find_lift(path, detected.camera, info, spread.px_per_m, config)
    if not calibration.shows.both_ends:
        check_with_hands(seen, lift.reps)
    return _Bar(seen, calibration, spread, path, lift)


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

    Raises
    ------
    OptionError
        The settings have another bar than that whose ends were looked for in the clip.
    """
    before = config_of(result)
    config = config or before
    if result.shows.both_ends and config.barbell != before.barbell:
        raise OptionError(
            f"The ends of a {before.barbell.words} were looked for in '{result.source_name}', not"
            f" those of a {config.barbell.words}; the clip has to be analysed again."
        )
    return measure(result.info, detected_in(result), config)


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


def _as_read(info: ClipInfo, stats: StreamStats) -> ClipInfo:
    """What is known of a clip after it was read to its end."""
    n_undecodable = info.n_undecodable + stats.n_undecodable
    warnings = (*info.warnings, *stats.sentences())
    return dataclasses.replace(info, n_undecodable=n_undecodable, warnings=warnings)


def _with_damage(
    error: BarNotFoundError | NoRepError, reading: Reading
) -> BarNotFoundError | NoRepError:
    """The same error, with what is damaged in the clip, which may be why."""
    info, stats = reading.info, reading.stats
    if not stats.n_frames:
        for _ in reading.frames(max_side_px=16, grey=True):
            pass
    said = dict.fromkeys((*info.warnings, *stats.sentences()))
    whole = not (info.n_undecodable or stats.n_undecodable or stats.n_doubtful or stats.resized)
    if whole or not said:
        return error
    parts = [text.rstrip(".") for text in (str(error), *said)]
    return type(error)("; ".join([parts[0], *(p[0].lower() + p[1:] for p in parts[1:])]) + ".")


def _put_right(detected: Detected, info: ClipInfo, config: AnalysisConfig) -> Detected:
    """What was seen, with the plate where a person put it and the camera as scenery tells it."""
    check_corrections(config.corrections, info, detected.track)
    track = correct_track(detected.track, config.corrections, config.correcting)
    camera = detected.camera.drop(columns=AT_BAR, errors="ignore")
    return dataclasses.replace(detected, track=track, camera=camera)
