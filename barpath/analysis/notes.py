"""What the reader should know of how a set was measured, in plain sentences."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections
from barpath.analysis.finding import SLANT_NOTE_DEG
from barpath.analysis.following import Detected
from barpath.analysis.setresult import Note
from barpath.clip.frames import ClipInfo
from barpath.ground.equipment import POWER_BAR
from barpath.ground.uncertainty import expand, state
from barpath.ground.view import view_of
from barpath.space.armfit import ArmFit
from barpath.space.barecamera import SleeveEnd
from barpath.space.barparts import is_bare, sleeves_in
from barpath.space.fittedcamera import Calibration, CalibrationConfig
from barpath.space.scalecheck import Systematics

LEAST_TOLD = 0.005


def describe(
    info: ClipInfo,
    detected: Detected,
    calibration: Calibration,
    spread: Systematics,
    head: int,
    config: AnalysisConfig,
) -> list[Note]:
    """What the reader should know of how the set was measured, in plain sentences.

    Parameters
    ----------
    info : ClipInfo
    detected : Detected
        With what was put right by hand.
    calibration : Calibration
    spread : Systematics
    head : int
        From `joints.head_direction`.
    config : AnalysisConfig
    """
    notes = [Note("clip", "warning", text) for text in info.warnings]
    notes += _on_corrections(config.corrections)
    if detected.view_source == "guessed":
        text = f"The view was guessed from the picture: {detected.view}."
        notes.append(Note("view_guessed", "info", text))
    notes += _on_lengths(detected, spread, config)
    notes += _on_plates(calibration, config.calibration)
    if not view_of(detected.view).both_ends:
        notes += _on_the_plates_picture(detected.track)
        if not head and len(detected.poses):
            text = (
                "Which way the lifter's head lies could not be told; x grows toward the image's"
                " right."
            )
            notes.append(Note("head_unknown", "warning", text))
    notes += _on_following(detected)
    notes += _on_frames(info, detected.n_duplicate)
    notes += _on_lens(info)
    if calibration.roll_source.startswith("phone"):
        text = (
            "No straight structures told which way is up, so the phone was taken as held level"
            f" within {config.calibration.roll_sd_deg:g} degrees."
        )
        notes.append(Note("roll_assumed", "info", text))
    if config.find_joints:
        notes += _on_the_lifter(detected.poses)
    return notes


def _on_corrections(corrections: Corrections) -> Iterator[Note]:
    if not corrections:
        return
    n_joints, n_plate = len(corrections.joints), len(corrections.plate)
    n_ends = len(corrections.ends)
    text = (
        f"Put right by hand: {n_joints} joint{'' if n_joints == 1 else 's'} and {n_plate} plate"
        f" centre{'' if n_plate == 1 else 's'}"
    )
    text += f", {n_ends} end{'' if n_ends == 1 else 's'} of the bar." if n_ends else "."
    yield Note("corrected", "info", text)


def _on_lengths(detected: Detected, spread: Systematics, config: AnalysisConfig) -> Iterator[Note]:
    """What all lengths rest on."""
    bar = config.barbell
    if view_of(detected.view).both_ends:
        said = "" if bar == POWER_BAR else f", a {bar.words}"
        why = ", as the rules of competition have it" if bar == POWER_BAR else ""
        text = (
            f"Lengths were taken from the bar{said}: {2 * bar.collar_m:.2f} m of shaft between the"
            f" sleeves{why}."
        )
        yield Note("bar_assumed", "info", text)
    elif is_bare(detected.track):
        uncertain = f"uncertain by {100 * expand(spread.vertical_rel_sd):.0f} %"
        if sides := sleeves_in(detected.track):
            which = "both of its sleeves look" if len(sides) > 1 else "one of its sleeves looks"
            text = (
                f"The bar has no plates: lengths were taken from how thick {which},"
                f" {bar.sleeve_mm:.0f} mm across, which leaves them {uncertain}."
            )
        elif SleeveEnd.in_track(detected.track) is None:
            text = (
                "The bar has no plates: lengths were taken from the bar itself,"
                f" {2 * bar.collar_m:.2f} m of shaft between the sleeves and {2 * bar.end_m:.2f} m"
                f" over all, which leaves them {uncertain}, the more the closer the camera looks"
                " along the bar."
            )
        else:
            text = (
                "The bar has no plates: lengths were taken from how large the round end of the"
                f" nearer sleeve looks, {bar.sleeve_mm:.0f} mm across, which leaves them"
                f" {uncertain}."
            )
        yield Note("bar_assumed", "info", text)
    elif not config.plate_given:
        text = (
            f"The plate was taken as {config.calibration.plate_mm:.0f} mm across, the usual size of"
            " the largest one; give --plate-mm if it is another, for all lengths and speeds scale"
            " with it."
        )
        yield Note("plate_assumed", "warning", text)


def _on_plates(calibration: Calibration, config: CalibrationConfig) -> Iterator[Note]:
    """Whether the plate can be as large as was given."""
    check_mm, plate_mm = calibration.plate_check_mm, config.plate_mm
    if not np.isfinite(check_mm):
        return
    if not calibration.shows.both_ends:
        done = (
            "it was taken as given, and lengths are stated so widely that either may be right"
            if config.is_like(check_mm)
            else "lengths were taken from the bar"
        )
        text = (
            f"The plate that was followed looks about {check_mm:.0f} mm across beside the bar, not"
            f" {plate_mm:.0f} mm; {done}. Check the plate's diameter."
        )
        yield Note("plate_doubtful", "warning", text)
    elif abs(check_mm / plate_mm - 1) > 0.08:
        text = (
            "Against the distance between both sides' plates they look about"
            f" {check_mm:.0f} mm across, not {plate_mm:.0f} mm; check the plate's diameter or the"
            " kind of bar."
        )
        yield Note("plate_doubtful", "warning", text)


def _on_the_plates_picture(track: pd.DataFrame) -> Iterator[Note]:
    """Whether the plate is seen squarely and large enough."""
    aspect = np.clip((track["minor_px"] / track["major_px"]).median(), 0, 1)
    slant = np.rad2deg(np.arccos(aspect))
    if slant > SLANT_NOTE_DEG:
        text = (
            f"The plate is seen at a slant of about {slant:.0f} degrees; horizontal lengths are the"
            " less certain the more the view is slanted."
        )
        yield Note("slanted", "warning", text)
    size_px = track["major_px"].median()
    if size_px < 60:
        text = (
            f"The plate is only {size_px:.0f} pixels across; film closer or with more pixels for"
            " smaller uncertainties."
        )
        yield Note("plate_small", "warning", text)


def _on_following(detected: Detected) -> Iterator[Note]:
    """How camera and bar were followed."""
    if not bool(detected.camera["static"].all()):
        text = "The camera moved; its motion was estimated from the scenery and taken out."
        yield Note("camera_moved", "warning", text)
    states = detected.track[[c for c in detected.track.columns if c.endswith("state")]]
    lost = float((states == "lost").any(axis=1).mean())
    if lost > 0.02:
        yield Note("bar_lost", "warning", f"The bar was not seen in {lost:.0%} of the frames.")


def _on_frames(info: ClipInfo, n_duplicate: int) -> Iterator[Note]:
    """What of the clip's frames bears on times and speeds."""
    if info.n_dropped:
        yield Note("frames_dropped", "info", f"The clip lacks {info.n_dropped} frames.")
    if n_duplicate > 0.02 * info.n_frames:
        text = f"{n_duplicate} frames repeat the one before; speeds are less certain there."
        yield Note("frames_repeated", "warning", text)
    if info.variable_rate:
        text = "The frame rate varies; the frames' own times were used."
        yield Note("rate_variable", "info", text)
    if info.time_scale != 1.0:
        text = f"Slow motion: one second of the file was taken as {info.time_scale:.3g} s."
        yield Note("slow_motion", "info", text)
    if info.fps < 24:
        text = f"Only {info.fps:.0f} frames a second: pauses and peak speeds are coarse."
        yield Note("rate_low", "warning", text)


def _on_lens(info: ClipInfo) -> Iterator[Note]:
    """Whether pictures were straightened."""
    if info.lens is not None:
        text = (
            f"The lens bends straight lines by {100 * abs(info.lens.bend):.1f} % at the corners"
            f" (± {100 * expand(info.lens.sd):.1f} %); it was straightened before measuring."
        )
        yield Note("lens_straightened", "info", text)


def _on_the_lifter(joints_px: pd.DataFrame) -> Iterator[Note]:
    """In how many frames the lifter was found."""
    share = float(joints_px["left_shoulder_x_px"].notna().mean()) if len(joints_px) else 0.0
    if share == 0:
        text = "No lifter was found in the picture, so everything that needs joints is missing."
        yield Note("lifter_missing", "warning", text)
    elif share < 0.8:
        text = f"The lifter was found in {share:.0%} of the frames that were looked at."
        yield Note("lifter_partly", "warning", text)


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


def arm_note(arms: ArmFit, config: AnalysisConfig) -> Note:
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
