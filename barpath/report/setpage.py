"""The report of a set: one HTML file that begins with the answer.

First what the set answers (`answer`), on one screen and one printed page; then what changed over
the repetitions; everything else is folded away. How the page is made safe stands in `pages`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd

from barpath.analysis.kept import bar_in
from barpath.analysis.setresult import SetResult
from barpath.analysis.stills import StillRequest
from barpath.ground.equipment import POWER_BAR
from barpath.ground.uncertainty import rounded, state, state_width
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit
from barpath.lift.reps import rep_remark
from barpath.report.above import above_caption, above_of, above_picture
from barpath.report.answer import answer
from barpath.report.facts import (
    Facts,
    arms_in,
    cm,
    facts_of,
    mean_of,
    profile_of,
    size_of,
    wrist_ahead,
)
from barpath.report.findings import MAX_FINDINGS, findings, measured_rows, quantity
from barpath.report.measureplots import measures_picture, ordered_measures
from barpath.report.pages import Photo, clean, data_uri, photo, plural, render
from barpath.report.pathplots import bar_path_picture, rep_paths_picture, small_path_picture
from barpath.report.picture import Picture
from barpath.report.timeplots import ends_picture, time_curves_picture

_HEADLINES = (
    "range_of_motion_m",
    "press_time_s",
    "mean_press_speed_m_s",
    "drift_touch_to_lockout_m",
    "bar_tilt_deg",
    "grip_width_m",
)

_CALIBRATION_WORDS: dict[str, tuple[str, str]] = {
    "plate_mm": ("Plate diameter", "mm"),
    "plate_check_mm": ("Plate diameter, judged by the bar's length", "mm"),
    "px_per_m": ("Scale", "pixels a metre"),
    "scale_rel_sd": ("Uncertainty of heights from the scale", "%"),
    "horizontal_rel_sd": ("Uncertainty of horizontal lengths from the scale", "%"),
    "tilt_sd_deg": ("Uncertainty of the vertical", "°"),
    "focal_px": ("Focal length", "pixels"),
    "focal_rel_sd": ("Uncertainty of the focal length", "%"),
    "roll_deg": ("Camera roll", "°"),
    "pitch_deg": ("Camera pitch", "°"),
    "plane_angle_deg": ("Camera turned out of the square view by", "°"),
    "azimuth_deg": ("Camera around the bench (0 at the feet, 90 beside)", "°"),
    "head_direction": ("Lifter's head", ""),
    "near_arm": ("Arm nearer the camera", ""),
    "followed_end": ("End of the bar that was followed", ""),
    "n_level_lines": ("Straight lines the vertical rests on", ""),
    "method": ("Scale and vertical", ""),
}

_OPTION_WORDS: dict[str, tuple[str, str]] = {
    "load_kg": ("Load", "kg"),
    "note": ("Note", ""),
    "capture_fps": ("Capture rate given", "frames a second"),
    "upper_arm_m": ("Upper-arm length given", "m"),
    "stature_m": ("Stature given", "m"),
}

_GLOSSARY: tuple[tuple[str, str], ...] = (
    ("Repetition", "From the start of the descent to the next lockout."),
    ("Touch", "The lowest point of the bar in a repetition, where the descent ends."),
    ("Lockout", "The bar at rest at the top, arms straight."),
    ("Descent and press", "The way down, from lockout to touch, and the way up again."),
    (
        "Sticking region",
        "The part of the press in which the bar slows down after its first peak of speed and "
        "before it picks up speed again. Many heavy presses have one; many light ones have none.",
    ),
    (
        "Height",
        "Unless said otherwise, the height of the bar's middle above the lowest touch of the set.",
    ),
    (
        "6.1 ± 0.6 cm",
        "The value measured, and how far off it may be: in about 19 of 20 cases the true value "
        "lies within this range.",
    ),
    (
        "Quality",
        "Good: the range is narrow for what is measured. Fair: wider, but enough to see large "
        "differences. Poor: a hint only. Missing: not measured, and the reason is given.",
    ),
    ("Left and right", "The lifter's own, whatever side of the picture they are on."),
)

CAUTIONS = (
    "Bench with a spotter, or inside safeties at the right height: a camera catches no bar.",
    "Pain means stop. Have it looked at by a clinician before you press on it again.",
    "Nothing here promises to prevent an injury. Bodies differ: a number outside what is usual "
    "is no diagnosis, and one inside it is no clearance.",
    "Whether a lift counts is decided by the federation's current rule book and its referees, "
    "not by this report.",
    "Change one thing at a time and film again from the same spot: a single set says little.",
)


@dataclass(frozen=True)
class ReportConfig:
    """How the report is made.

    Attributes
    ----------
    embed_limit_bytes : int
        A clip up to this size is put into the file; a larger one is referred to.
    still_side_px : int
        Still frames are scaled down to this longer side.
    jpeg_quality : int
        Of the still frames, 0 to 100.
    video_min_px, video_max_px : int
        Longer side at which the clip is shown.
    max_findings : int
        At most this many differences are put into words, the clearest first.
    """

    embed_limit_bytes: int = 25_000_000
    still_side_px: int = 1280
    jpeg_quality: int = 86
    video_min_px: int = 640
    video_max_px: int = 960
    max_findings: int = MAX_FINDINGS


@dataclass(frozen=True)
class Still:
    """A still picture: what was asked for, and the annotated frame (RGB)."""

    request: StillRequest
    image: np.ndarray


def bottom_labels(result: SetResult, rep: int) -> dict[str, str]:
    """What is written at each elbow of the picture of the bottom: its distance from the plumb line.

    From the feet that is how far the elbow lies beside the wrist, from the side how far it lies
    toward head or feet; from the side only the near arm is seen well enough. At a slant the picture
    mixes both, so nothing is written.

    Parameters
    ----------
    result : SetResult
    rep : int
        Repetition that is shown.

    Returns
    -------
    dict of str to str
        By side; a side that is not in it is not worth drawing.
    """
    if result.shows.widths:
        labels = {}
        for side in ("left", "right"):
            known = mean_of(result.measures, [rep], "wrist_over_elbow_m", side)
            labels[side] = cm(size_of(known)) if known else ""
        return labels
    near = str(result.calibration.get("near_arm") or "")
    sides = (near,) if near else ("left", "right")
    if not result.shows.square:
        return dict.fromkeys(sides, "")
    ahead = wrist_ahead(result)
    return {side: cm(size_of(ahead[side])) if ahead.get(side) else "" for side in sides}


def report_html(
    result: SetResult,
    stills: Sequence[Still] = (),
    *,
    bottom: np.ndarray | None = None,
    video: bytes | None = None,
    video_name: str | None = None,
    config: ReportConfig | None = None,
) -> str:
    """Write the report.

    Parameters
    ----------
    result : SetResult
        A measured set.
    stills : sequence of Still
        Annotated frames, in the order to show them.
    bottom : ndarray, optional
        The bottom with forearms and plumb lines (RGB), from `overlay.bottom_picture`.
    video : bytes, optional
        The annotated clip (MP4 that a browser plays). Embedded when not above the limit.
    video_name : str, optional
        Name of the annotated clip beside the report, referred to when it is not embedded.
    config : ReportConfig, optional
        Settings.

    Returns
    -------
    str
        A whole HTML document.
    """
    config = config or ReportConfig()
    facts = facts_of(result)
    name = clean(result.source_name)
    missing, weak = _not_measured(result)
    head, rows = _rep_table(result)
    drawn = len(result.reps) and len(result.trajectory)
    return render(
        "set.html",
        media="media-src data: file: 'self'; ",
        title=f"Bench press: {name}",
        name=name,
        about=_about(result),
        note=result.options.get("note"),
        answer=answer(facts, profile_of(result)),
        bottom=None if bottom is None else _bottom_photo(result, bottom, config),
        drawings=answer_drawings(result, facts),
        found=findings(result, config.max_findings),
        cautions=CAUTIONS,
        glance=_glance(result),
        video=_clip(result, video, video_name, config),
        stills=[
            photo(
                still.image,
                still.request.alt,
                still.request.title,
                config.still_side_px,
                config.jpeg_quality,
            )
            for still in stills
        ],
        paths=_paths(result) if drawn else [],
        curves=_curves(result) if drawn else [],
        head=head,
        rows=rows,
        trend=measures_picture(result) if rows else None,
        missing=missing,
        weak=weak,
        how=_how_measured(result),
        notes=sorted(result.notes, key=lambda n: n.severity != "warning"),
        words=_words(result),
        explained=_explained(result),
        versions=", ".join(f"{n} {version}" for n, version in result.versions.items()),
    )


def answer_drawings(result: SetResult, facts: Facts) -> list[tuple[Picture, str]]:
    """The two small figures of an answer: the bottom from above, and the bar's path.

    Parameters
    ----------
    result : SetResult
    facts : Facts
        Of the same set.
    """
    drawings = []
    above = above_of(arms_in(result), facts)
    if above is not None:
        drawings.append((above_picture(above), above_caption(above)))
    path = small_path_picture(result) if len(result.reps) else None
    if path is not None:
        caption = "The bar's path, to scale: solid up, dashed down."
        if not result.shows.along:
            caption += " From the feet its way toward the head does not show."
        elif not facts.drift_m:
            caption += f" Sideways not to be relied on. {facts.drift_m.reason}"
        drawings.append((path, caption))
    return drawings


def _bottom_photo(result: SetResult, image: np.ndarray, config: ReportConfig) -> Photo:
    alt = (
        "The arms with the bar on the chest: forearms, a plumb line through the wrist, and the"
        " elbow's distance from it."
    )
    if result.shows.widths:
        caption = (
            "At the touch: yellow hangs from the wrist, orange is the elbow's distance from it."
        )
    elif result.shows.square:
        caption = (
            "At the touch, from the side: yellow hangs from the wrist, orange is the elbow's"
            " distance from it toward head or feet."
        )
    else:
        caption = (
            "At the touch: yellow hangs from the wrist. At a slant the distance in the picture is"
            " not that beside the elbow."
        )
    return photo(image, alt, caption, config.still_side_px, config.jpeg_quality)


def _about(result: SetResult) -> str:
    kinds = result.reps["kind"].value_counts()
    odd = [f"{kinds[kind]} {kind}" for kind in ("partial", "failed") if kind in kinds]
    count = plural(len(result.reps), "repetition") + (f" ({', '.join(odd)})" if odd else "")
    about = [count, f"filmed {result.filmed}"]
    load = result.options.get("load_kg")
    if isinstance(load, int | float) and math.isfinite(load):
        about.insert(1, f"{load:g} kg")
    return ", ".join(about)


def _glance(result: SetResult) -> list[tuple[str, str]]:
    reps = result.reps
    pairs: list[tuple[str, str]] = []
    if len(reps):
        kinds = reps["kind"].value_counts()
        text = ", ".join(f"{kinds[k]} {k}" for k in ("complete", "partial", "failed") if k in kinds)
        pairs.append(("Repetitions", text))
    table = measured_rows(result)
    for name in ordered_measures(table):
        if name not in _HEADLINES:
            continue
        part = table[(table["measure"] == name) & (table["side"] == "")].sort_values("rep")
        if not len(part):
            continue
        first, last = part.iloc[0], part.iloc[-1]
        if abs(last["value"] - first["value"]) > math.hypot(first["u95"], last["u95"]):
            text = f"{quantity(first)} on rep {first['rep']}, {quantity(last)} on rep {last['rep']}"
        else:
            mean = {"value": part["value"].mean(), "u95": part["u95"].mean(), "unit": first["unit"]}
            text = quantity(mean)
            if part["value"].nunique() > 1:
                text += ", mean of the set"
        pairs.append((measure_label(name), text))
    return pairs


def _clip(
    result: SetResult, video: bytes | None, video_name: str | None, config: ReportConfig
) -> dict[str, Any] | None:
    longer = max(result.info.width_px, result.info.height_px)
    zoom = min(max(longer, config.video_min_px), config.video_max_px) / longer
    size = {
        "width": round(zoom * result.info.width_px),
        "height": round(zoom * result.info.height_px),
    }
    if video is not None and len(video) <= config.embed_limit_bytes:
        return {"source": data_uri(video, "video/mp4"), "remark": "", **size}
    if not video_name:
        return None
    remark = f" The clip is the file {video_name} beside this report; keep the two together."
    return {"source": quote(clean(video_name)), "remark": remark, **size}


def _paths(result: SetResult) -> list[tuple[Picture, str]]:
    way = (
        "Drawn to scale: both axes are the same, with a line every centimetre and a stronger one"
        " every 5 cm."
    )
    paths = [(bar_path_picture(result), way)]
    if len(result.reps) > 1:
        caption = "Each repetition, with the others in grey."
        paths.append((rep_paths_picture(result), caption))
    return paths


def _curves(result: SetResult) -> list[tuple[Picture, str]]:
    curves = [(time_curves_picture(result), "The bar's height and vertical speed over the set.")]
    ends = {"left_y_m", "right_y_m", "tilt_deg"} <= set(result.trajectory.columns)
    if result.shows.both_ends and ends:
        caption = "Both ends of the bar, and how far it was tilted."
        curves.insert(0, (ends_picture(result), caption))
    return curves


def table_cell(row: Mapping[str, Any]) -> dict[str, str] | None:
    """A measure for a table's cell; None where it is missing."""
    factor, _ = shown_unit(str(row["unit"]))
    number, u95 = rounded(factor * float(row["value"]), factor * float(row["u95"]))
    if number == "–" or row["quality"] == "missing":
        return None
    return {"number": number, "u95": u95, "quality": row["quality"]}


def _rep_table(result: SetResult) -> tuple[list[Any], list[dict[str, Any]]]:
    """Head and rows of the table of repetitions; no rows when nothing was measured."""
    measured = measured_rows(result)
    if not len(measured):
        return [], []
    reps = sorted(result.measures["rep"].unique())
    remarks = {row.rep: rep_remark(row).strip(" ()") for row in result.reps.itertuples()}
    head: list[Any] = ["Measure"]
    head += [{"text": f"Rep {int(rep)}", "remark": remarks.get(rep, "")} for rep in reps]
    rows = []
    for name in ordered_measures(measured):
        for side in ("", "left", "right"):
            part = result.measures
            part = part[(part["measure"] == name) & (part["side"] == side)].set_index("rep")
            if not np.isfinite(part["value"].astype(float)).any():
                continue
            unit = shown_unit(str(part["unit"].iloc[0]))[1]
            cells = [table_cell(part.loc[rep]) if rep in part.index else None for rep in reps]
            about = ", ".join(filter(None, [side, unit]))
            rows.append({"label": measure_label(name), "unit": about, "cells": cells})
    return head, rows


def _rep_list(reps: Iterable[int], everyone: Sequence[int]) -> str:
    """Repetitions as ranges, such as ``reps 1–3, 5``."""
    reps = sorted(set(int(r) for r in reps))
    if len(reps) == len(everyone) and len(everyone) > 1:
        return "all reps"
    runs: list[list[int]] = []
    for rep in reps:
        if runs and rep == runs[-1][1] + 1:
            runs[-1][1] = rep
        else:
            runs.append([rep, rep])
    text = ", ".join(f"{a}" if a == b else f"{a}–{b}" for a, b in runs)
    return f"rep{'s' if len(reps) > 1 else ''} {text}"


def _by_reason(table: pd.DataFrame, everyone: Sequence[int]) -> list[dict[str, str]]:
    """Reasons, each with the measures and repetitions it holds for."""
    items = []
    order = {name: i for i, name in enumerate(ordered_measures(table))} if len(table) else {}
    # Reasons that differ only in a figure are one reason.
    kind = table["reason"].astype(str).str.replace(r"\d+([.,]\d+)?", "#", regex=True)
    groups = sorted(table.groupby(kind, sort=False), key=lambda g: -len(g[1]))
    for _, group in groups:
        wordings = group["reason"].value_counts()
        reason = str(wordings.index[0]) or "No reason was recorded."
        by_reps: dict[str, list[str]] = {}
        for name in sorted(group["measure"].unique(), key=order.__getitem__):
            part = group[group["measure"] == name]
            sides = [s for s in ("left", "right") if (part["side"] == s).any()]
            label = measure_label(name)
            if len(sides) == 1:
                label += f" ({sides[0]})"
            by_reps.setdefault(_rep_list(part["rep"], everyone), []).append(label)
        where = "; ".join(f"{', '.join(labels)} – {reps}" for reps, labels in by_reps.items())
        more = " (the figures differ from rep to rep)" if len(wordings) > 1 else ""
        items.append({"reason": f"{reason}{more}", "where": where})
    return items


def _not_measured(
    result: SetResult,
) -> tuple[list[dict[str, str]] | None, list[dict[str, str]]]:
    """Why measures are missing, and poor; None for the former when nothing was asked for."""
    table = result.measures
    if not len(table):
        return None, []
    everyone = sorted(table["rep"].unique())
    value = table["value"].astype(float)
    missing = table[(table["quality"] == "missing") | ~np.isfinite(value)]
    weak = table[(table["quality"] == "poor") & np.isfinite(value)]
    return _by_reason(missing, everyone), _by_reason(weak, everyone)


def _plain_value(value: Any, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float | np.number):
        # What was given is shown as it was given.
        text = np.format_float_positional(float(f"{float(value):.4g}"), trim="-")
        return (text.replace("-", "−") + (unit if unit == "°" else f" {unit}")).rstrip()
    return f"{value} {unit}".rstrip()


def _known(value: Any) -> bool:
    if value is None or isinstance(value, dict | list | tuple) or value == "":
        return False
    return not (isinstance(value, float | np.floating) and not math.isfinite(value))


def _how_measured(result: SetResult) -> list[tuple[str, str]]:
    info, calibration = result.info, dict(result.calibration)
    source = "given" if result.view_source == "given" else "guessed from the picture"
    pairs: list[tuple[str, str]] = [
        ("View", f"{result.shows.words} ({source})"),
        ("Filmed", result.filmed),
        ("Picture", f"{info.width_px} × {info.height_px} pixels"),
        ("Frame rate", f"{info.fps:.4g} frames a second"
         + (", varying" if info.variable_rate else "")),
        ("Frames", f"{info.n_frames} in {info.duration_s:.1f} s"
         + (f", {info.n_dropped} missing" if info.n_dropped else ", none missing")
         + (f", {info.n_duplicate} repeated" if info.n_duplicate else "")),
    ]  # fmt: skip
    if info.time_scale and info.time_scale != 1.0:
        pairs.append(("Slow motion", f"1 s of the file is {info.time_scale:.3g} s of the lift"))
    for key, value in calibration.items():
        if (
            key == "filmed"
            or not _known(value)
            or (key.endswith("_sd_deg") and key not in _CALIBRATION_WORDS)
        ):
            continue
        label, unit = _CALIBRATION_WORDS.get(key, (key.replace("_", " "), ""))
        sd = calibration.get(key.replace("_deg", "_sd_deg")) if key.endswith("_deg") else None
        if key.endswith("_rel_sd"):
            text = f"± {state_width(196.0 * value, '%')} (95 %)"
        elif key == "tilt_sd_deg":
            text = f"± {state_width(1.96 * value, '°')} (95 %)"
        elif sd is not None and _known(sd) and not key.endswith("_sd_deg"):
            text = state(value, 1.96 * sd, unit)
        else:
            text = _plain_value(value, unit)
        if key == "plate_mm" and "plate_given" in result.options:
            given = result.options["plate_given"]
            text += ", as given" if given else ", the usual size: none was given"
        pairs.append((label, text))
    bar = bar_in(result)
    pairs.append(("Bar", bar.words if bar != POWER_BAR else f"{bar.words}, the usual one"))
    for key, value in result.options.items():
        if _known(value) and key not in calibration and key not in ("plate_given", "bar"):
            label, unit = _OPTION_WORDS.get(key, (key.replace("_", " "), ""))
            pairs.append((label, _plain_value(value, unit)))
    return pairs


def _words(result: SetResult) -> list[tuple[str, str]]:
    pairs = list(_GLOSSARY)
    if result.shows.both_ends:
        pairs.append(("Tilt", "Angle of the bar against the horizontal, seen from the feet."))
    return pairs


def _explained(result: SetResult) -> list[tuple[str, str]]:
    return [
        (CATALOGUE[n].label, CATALOGUE[n].explanation)
        for n in ordered_measures(measured_rows(result))
        if n in CATALOGUE
    ]
