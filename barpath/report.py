"""The report of a set: one HTML file that asks nothing of the network.

Everything is inside the file: style, pictures, still frames and, when it is small enough, the
annotated clip. Text from outside (file name, notes, options) is escaped without exception, and a
content security policy forbids scripts and every connection.
"""

from __future__ import annotations

import base64
import hashlib
import html
import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import cv2
import numpy as np
import pandas as pd

from barpath import plots
from barpath.measures import CATALOGUE
from barpath.overlay import DRAWN_JOINTS, shown_joints
from barpath.store import SetResult

_VIEW_WORDS = {
    "side": "from the side",
    "front": "from the feet",
    "oblique": "obliquely",
}
_HORIZONTAL = "drift_touch_to_lockout_m"
_HEADLINES = (
    "range_of_motion_m",
    "press_time_s",
    "mean_press_speed_m_s",
    "drift_touch_to_lockout_m",
    "bar_tilt_deg",
    "grip_width_m",
)
_REPEATED = {"tuck_deg", "mean_propulsive_speed_m_s"}
"""Measures that say the same as another one, and are not put into words twice."""

_NBSP = "\u00a0"
_QUALITIES = ("good", "fair", "poor", "missing")

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
    "head_direction": ("Lifter's head", ""),
    "near_arm": ("Arm nearer the camera", ""),
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
    max_findings: int = 10


@dataclass(frozen=True)
class StillRequest:
    """A frame worth a still picture.

    Attributes
    ----------
    frame : int
        Presentation order.
    file_name : str
        For the result folder.
    title, alt : str
        Caption and text alternative.
    """

    frame: int
    file_name: str
    title: str
    alt: str


@dataclass(frozen=True)
class Still:
    """A still picture: what was asked for, and the annotated frame (RGB)."""

    request: StillRequest
    image: np.ndarray


def best_seen_rep(result: SetResult) -> int | None:
    """Find the repetition whose touch and lockout show the lifter best.

    Parameters
    ----------
    result : SetResult
        A measured set.

    Returns
    -------
    int or None
        Number of the repetition; whole ones go first, then those with the highest mean
        confidence of the joints near both events. None when there is no repetition.
    """
    if not len(result.reps):
        return None
    pose = shown_joints(result)
    names = [f"{j}_confidence" for j in DRAWN_JOINTS if f"{j}_confidence" in pose.columns]
    times = pose["time_s"].to_numpy(float) if len(pose) else np.array([])
    seen = pose[names].fillna(0.0).mean(axis=1).to_numpy() if names else np.array([])

    def score(row: Any) -> tuple[bool, float]:
        means = []
        for event in (row.touch_s, row.lockout_s):
            near = np.abs(times - event) <= 0.15
            means.append(float(seen[near].mean()) if near.any() and len(seen) else 0.0)
        return not plots.rep_remark(row), min(means)

    return int(max(result.reps.itertuples(), key=score).rep)


def still_requests(result: SetResult) -> list[StillRequest]:
    """Choose the frames to show as stills: touch and lockout of the best-seen repetition.

    Parameters
    ----------
    result : SetResult
        A measured set.

    Returns
    -------
    list of StillRequest
        Where pose was found in a frame within 0.1 s of the event, that frame is taken.
    """
    rep = best_seen_rep(result)
    if rep is None:
        return []
    row = result.reps.set_index("rep").loc[rep]
    times = result.track["time_s"].to_numpy(float)
    frames = result.track["frame"].to_numpy(int)
    posed = (
        np.isin(frames, result.pose["frame"]) if len(result.pose) else np.zeros(len(frames), bool)
    )
    requests = []
    for event, title in (("touch_s", "touch"), ("lockout_s", "lockout")):
        if not np.isfinite(row[event]):
            continue
        distance = np.abs(times - row[event])
        near = posed & (distance <= 0.1)
        distance = np.where(near, distance, distance + (1e3 if near.any() else 0.0))
        requests.append(
            StillRequest(
                frame=int(frames[np.argmin(distance)]),
                file_name=f"rep{rep}_{title}.jpg",
                title=f"Rep {rep} at {title}",
                alt=f"Frame of the clip at the {title} of rep {rep}, with the bar and the lifter's "
                "measured joints drawn on it.",
            )
        )
    return requests


def stated(value: float, u95: float) -> tuple[str, str]:
    """Round a value and its uncertainty for reading.

    The uncertainty keeps two digits when it begins with 1, else one, and the value the same place
    (JCGM 100:2008, 7.2.6, allows two digits at most).

    Parameters
    ----------
    value, u95 : float
        In the same unit.

    Returns
    -------
    tuple of str
        Value and uncertainty; the latter empty when it is not known.

    Examples
    --------
    >>> stated(6.1234, 0.58)
    ('6.1', '0.6')
    >>> stated(-0.4567, 0.0123)
    ('−0.457', '0.012')
    >>> stated(143.2, 26.0)
    ('140', '30')
    """
    if not (math.isfinite(u95) and u95 > 0.0):
        return f"{value:.3g}".replace("-", "−"), ""
    exponent = math.floor(math.log10(u95))
    if round(u95 / 10.0**exponent, 1) < 2.0:
        exponent -= 1
    places = max(0, -exponent)
    number = f"{round(value, -exponent):.{places}f}"
    if float(number) == 0.0:
        number = number.lstrip("-")
    return number.replace("-", "−"), f"{round(u95, -exponent):.{places}f}"


def findings(result: SetResult, limit: int = ReportConfig.max_findings) -> list[str]:
    """Put into words what was measured, and which differences are larger than their uncertainty.

    Parameters
    ----------
    result : SetResult
        A measured set.
    limit : int
        At most this many differences.

    Returns
    -------
    list of str
        Plain-language sentences (not escaped). A difference is named only when it is larger than
        the half width of its 95 % interval, taken from both intervals as if they were independent;
        what both share, such as the scale, then makes the interval wider than it need be.
    """
    table = _measured(result)
    table = table[(table["quality"] != "poor") & ~table["measure"].isin(_REPEATED)]
    # That a failed repetition differs from a whole one goes without saying.
    whole = result.reps.loc[result.reps["kind"] == "complete", "rep"]
    table = table[table["rep"].isin(whole)]
    return _across(result) + _differences(table, limit)


def report_html(
    result: SetResult,
    stills: Sequence[Still] = (),
    *,
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
    name = _clean(result.source_name)
    body = "".join(
        [
            _header(result, name),
            "<main>",
            _summary(result),
            _found(result, config),
            _clip(result, video, video_name, config),
            _curves(result),
            _stills(stills, config),
            _rep_table(result),
            _not_measured(result),
            _how_measured(result),
            _words(result),
            _cautions(),
            "</main>",
            _footer(result),
        ]
    )
    return document(f"Bench press: {name}", body, media="media-src data: file: 'self'; ")


def document(title: str, body: str, *, more_style: str = "", media: str = "") -> str:
    """A page in the reports' style as a whole HTML document that asks nothing of the network.

    Parameters
    ----------
    title : str
        Text.
    body : str
        HTML.
    more_style : str
        Style sheet after the reports' own.
    media : str
        What the content security policy allows beside embedded pictures.
    """
    style = Path(__file__).with_name("assets").joinpath("report.css").read_text("utf-8")
    style += more_style
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; {media}"
        "base-uri 'none'; form-action 'none'"
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{html.escape(policy)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{_t(title)}</title>\n<style>{style}</style>\n</head>\n"
        f"<body>\n{body}</body>\n</html>\n"
    )


def _across(result: SetResult) -> list[str]:
    """How far the bar moved along the lifter in each repetition, from touch to lockout."""
    if result.view == "front":
        return []
    table = _measured(result)
    rows = table[(table["measure"] == _HORIZONTAL) & (table["quality"] != "poor")]
    said = []
    for _, row in rows.sort_values("rep").iterrows():
        words = plots.sideways_words(result)[0 if row["value"] > 0 else 1]
        factor, unit = plots.shown_unit(row["unit"])
        if abs(row["value"]) > row["u95"]:
            said.append((words, f"{_quantity({**row, 'value': abs(row['value'])})}", row["rep"]))
        else:
            less = stated(0.0, factor * row["u95"])[1]
            said.append(("either way", f"no more than {less}{_spaced(unit)}", row["rep"]))
    if not said:
        return []
    ways = {way for way, _, _ in said}
    if len(ways) == 1 and len(said) > 1:
        each = ", ".join(f"{amount} on rep {rep}" for _, amount, rep in said)
        return [f"From touch to lockout the bar moved {ways.pop()} on every rep: {each}."]
    each = ", ".join(f"{amount} {way} on rep {rep}" for way, amount, rep in said)
    return [f"From touch to lockout the bar moved {each}."]


def _differences(table: pd.DataFrame, limit: int) -> list[str]:
    ranked: list[tuple[float, str]] = []
    for (name, side), part in table.groupby(["measure", "side"], sort=False):
        part = part.sort_values("rep")
        first, last = part.iloc[0], part.iloc[-1]
        change, u95 = last["value"] - first["value"], math.hypot(first["u95"], last["u95"])
        if len(part) < 2 or not abs(change) > u95:
            continue
        way = "up" if change > 0 else "down"
        ranked.append(
            (
                abs(change) / u95,
                f"{_label(name, side)} went {way} from {_quantity(first)} on rep {first['rep']} to "
                f"{_quantity(last)} on rep {last['rep']}.",
            )
        )
    for name, part in table[table["side"] != ""].groupby("measure", sort=False):
        both = part.pivot_table(index="rep", columns="side", values=["value", "u95"]).dropna()
        if not len(both) or both["value"].shape[1] < 2:
            continue
        # What the repetitions have in common does not average out, so the mean keeps the full u95.
        gap = float((both["value"]["left"] - both["value"]["right"]).mean())
        u95 = math.hypot(both["u95"]["left"].mean(), both["u95"]["right"].mean())
        if not abs(gap) > u95:
            continue
        factor, unit = plots.shown_unit(str(part["unit"].iloc[0]))
        text, spread = stated(abs(factor * gap), factor * u95)
        more, less = ("left", "right") if gap > 0 else ("right", "left")
        n = len(both)
        ranked.append(
            (
                abs(gap) / u95,
                f"{_label(name)}: the {more} side shows {text} ± {spread}{_spaced(unit)} more than "
                f"the {less}, on average over {n} rep{'s' if n > 1 else ''}.",
            )
        )
    ranked.sort(key=lambda item: -item[0])
    return [sentence for _, sentence in ranked[:limit]]


def _measured(result: SetResult) -> pd.DataFrame:
    table = result.measures
    if not len(table):
        return pd.DataFrame(columns=["rep", "measure", "side", "value", "unit", "u95", "quality"])
    ok = np.isfinite(table["value"].astype(float)) & (table["quality"] != "missing")
    return table[ok]


def _label(name: str, side: str = "") -> str:
    return plots.measure_label(name) + (f" ({side})" if side else "")


def _spaced(unit: str) -> str:
    return unit if unit in ("°", "") else f"{_NBSP}{unit}"


def _quantity(row: Any) -> str:
    factor, unit = plots.shown_unit(row["unit"])
    value, u95 = stated(factor * row["value"], factor * row["u95"])
    return f"{value}{_NBSP}±{_NBSP}{u95}{_spaced(unit)}" if u95 else f"{value}{_spaced(unit)}"


def _clean(text: Any) -> str:
    """Text from outside without control and direction-changing characters."""
    text = str(text).encode("utf-8", "replace").decode("utf-8")
    return "".join(c for c in text if unicodedata.category(c) not in ("Cc", "Cf") or c == "\u200d")


def _t(text: Any) -> str:
    return html.escape(_clean(text), quote=True)


def _section(identifier: str, title: str, content: str) -> str:
    return (
        f'<section aria-labelledby="{identifier}">\n<h2 id="{identifier}">{title}</h2>\n'
        f"{content}\n</section>\n"
    )


def _facts(pairs: Iterable[tuple[str, str]]) -> str:
    """Description list; the second of each pair is HTML."""
    rows = "".join(f"<div><dt>{_t(k)}</dt><dd>{v}</dd></div>\n" for k, v in pairs)
    return f'<dl class="facts">\n{rows}</dl>'


def _data_uri(data: bytes, kind: str) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _picture(picture: plots.Picture, caption: str) -> str:
    return (
        f'<figure class="plot"><img src="{_data_uri(picture.svg(), "image/svg+xml")}" '
        f'alt="{_t(picture.alt)}"><figcaption>{_t(caption)}</figcaption></figure>\n'
    )


def _plural(n: int, word: str) -> str:
    return f"{n} {word}{'' if n == 1 else 's'}"


def _header(result: SetResult, name: str) -> str:
    about = [_plural(len(result.reps), "repetition"), f"filmed {_VIEW_WORDS[result.view]}"]
    load = result.options.get("load_kg")
    if isinstance(load, int | float) and math.isfinite(load):
        about.insert(1, f"{load:g} kg")
    note = result.options.get("note")
    remark = f'<p class="note">{_t(note)}</p>' if note else ""
    return (
        f'<header>\n<p class="kind">Bench press, one set</p>\n<h1><bdi>{_t(name)}</bdi></h1>\n'
        f"<p>{_t(', '.join(about))}</p>\n{remark}</header>\n"
    )


def _summary(result: SetResult) -> str:
    reps = result.reps
    pairs: list[tuple[str, str]] = []
    if len(reps):
        kinds = reps["kind"].value_counts()
        text = ", ".join(f"{kinds[k]} {k}" for k in ("complete", "partial", "failed") if k in kinds)
        pairs.append(("Repetitions", _t(text)))
    table = _measured(result)
    for name in plots.ordered_measures(table):
        if name not in _HEADLINES:
            continue
        part = table[(table["measure"] == name) & (table["side"] == "")].sort_values("rep")
        if not len(part):
            continue
        first, last = part.iloc[0], part.iloc[-1]
        if abs(last["value"] - first["value"]) > math.hypot(first["u95"], last["u95"]):
            text = (
                f"{_quantity(first)} on rep {first['rep']}, {_quantity(last)} on rep {last['rep']}"
            )
        else:
            low, high = part["value"].idxmin(), part["value"].idxmax()
            factor, unit = plots.shown_unit(part["unit"].iloc[0])
            middle, u95 = stated(factor * part["value"].mean(), factor * part["u95"].mean())
            text = f"{middle} ± {u95}{_spaced(unit)}"
            if low != high:
                text += ", mean of the set"
        pairs.append((plots.measure_label(name), _t(text)))
    return _section("summary", "The set at a glance", _facts(pairs))


def _found(result: SetResult, config: ReportConfig) -> str:
    sentences = findings(result, config.max_findings)
    if not sentences:
        text = "<p>No difference in this set is larger than its uncertainty.</p>"
        return _section("findings", "What stands out", text)
    items = "".join(f"<li>{_t(sentence)}</li>\n" for sentence in sentences)
    note = (
        '<p class="small">A difference is named only when it is larger than its 95 % uncertainty. '
        "Of many comparisons about one in twenty will look like a difference by chance. These are "
        "measurements, not verdicts: what to make of them is for you and your coach.</p>"
    )
    return _section("findings", "What stands out", f"<ul>\n{items}</ul>\n{note}")


def _clip(
    result: SetResult, video: bytes | None, video_name: str | None, config: ReportConfig
) -> str:
    longer = max(result.info.width_px, result.info.height_px)
    zoom = min(max(longer, config.video_min_px), config.video_max_px) / longer
    width, height = round(zoom * result.info.width_px), round(zoom * result.info.height_px)
    size = f'width="{width}" height="{height}"'
    legend = (
        "Yellow: the bar's path in this repetition. White dots: the lifter's joints; hollow dots "
        "and dashed lines are uncertain. Joints are looked for in some of the frames and "
        "interpolated between them. Height is above the lowest touch of the set."
    )
    if video is not None and len(video) <= config.embed_limit_bytes:
        source, remark = _data_uri(video, "video/mp4"), ""
    elif video_name:
        source = _t(quote(_clean(video_name)))
        remark = (
            f" The clip is the file {_t(video_name)} beside this report; keep the two together."
        )
    else:
        return ""
    content = (
        f'<figure><video controls playsinline preload="metadata" {size} '
        f'aria-label="The clip with what was measured drawn on it">'
        f'<source src="{source}" type="video/mp4">This browser cannot play the clip.</video>'
        f"<figcaption>{legend}{remark}</figcaption></figure>"
    )
    return _section("clip", "The clip", content)


def _curves(result: SetResult) -> str:
    if not (len(result.reps) and len(result.trajectory)):
        return ""
    front = result.view == "front"
    way = (
        "Drawn to scale: both axes are the same, with a line every centimetre and a stronger one "
        f"every 5{_NBSP}cm."
    )
    path = [_picture(plots.bar_path_picture(result), way)]
    if len(result.reps) > 1:
        path.append(
            _picture(plots.rep_paths_picture(result), "Each repetition, with the others in grey.")
        )
    curves = [
        _picture(
            plots.time_curves_picture(result), "The bar's height and vertical speed over the set."
        )
    ]
    if front and {"left_y_m", "right_y_m", "tilt_deg"} <= set(result.trajectory.columns):
        curves.insert(
            0,
            _picture(
                plots.ends_picture(result), "Both ends of the bar, and how far it was tilted."
            ),
        )
    out = _section("path", "Bar path", f'<div class="plots">{"".join(path)}</div>')
    return out + _section("time", "Over time", f'<div class="plots">{"".join(curves)}</div>')


def _stills(stills: Sequence[Still], config: ReportConfig) -> str:
    figures = []
    for still in stills:
        image = still.image
        shrink = config.still_side_px / max(image.shape[:2])
        if shrink < 1.0:
            image = cv2.resize(image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        quality = [cv2.IMWRITE_JPEG_QUALITY, config.jpeg_quality]
        _, data = cv2.imencode(".jpg", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), quality)
        figures.append(
            f'<figure><img src="{_data_uri(data.tobytes(), "image/jpeg")}" '
            f'width="{image.shape[1]}" height="{image.shape[0]}" alt="{_t(still.request.alt)}">'
            f"<figcaption>{_t(still.request.title)}</figcaption></figure>\n"
        )
    if not figures:
        return ""
    return _section("stills", "Touch and lockout", f'<div class="stills">{"".join(figures)}</div>')


def _mark(quality: str) -> str:
    quality = quality if quality in _QUALITIES else "missing"
    return (
        f'<span class="q {quality}" aria-hidden="true"></span><span class="vh">, {quality}</span>'
    )


def _rep_table(result: SetResult) -> str:
    table = _measured(result)
    if not len(table):
        return ""
    reps = sorted(result.measures["rep"].unique())
    remarks = {row.rep: plots.rep_remark(row).strip(" ()") for row in result.reps.itertuples()}
    head = "".join(
        f'<th scope="col">Rep {int(rep)}'
        + (f" <span>{_t(remarks[rep])}</span>" if remarks.get(rep) else "")
        + "</th>"
        for rep in reps
    )
    rows = []
    for name in plots.ordered_measures(table):
        for side in ("", "left", "right"):
            part = result.measures
            part = part[(part["measure"] == name) & (part["side"] == side)]
            if not np.isfinite(part["value"].astype(float)).any():
                continue
            factor, unit = plots.shown_unit(str(part["unit"].iloc[0]))
            about = ", ".join(filter(None, [side, unit]))
            cells = []
            for rep in reps:
                cell = part[part["rep"] == rep]
                if not len(cell) or not np.isfinite(cell["value"].iloc[0]):
                    cells.append('<td class="none">–<span class="vh"> missing</span></td>')
                    continue
                row = cell.iloc[0]
                value, u95 = stated(factor * row["value"], factor * row["u95"])
                spread = f' <span class="u">± {u95}</span>' if u95 else ""
                cells.append(f"<td>{value}{spread}{_mark(row['quality'])}</td>")
            extra = f' <span class="unit">{_t(about)}</span>' if about else ""
            rows.append(
                f'<tr><th scope="row">{_t(plots.measure_label(name))}{extra}</th>'
                f"{''.join(cells)}</tr>\n"
            )
    key = "".join(f'<li>{_mark(q)}<span aria-hidden="true">{q}</span></li>' for q in _QUALITIES[:3])
    content = (
        '<div class="scroll" role="region" aria-labelledby="reps" tabindex="0">\n<table>\n'
        "<caption>Value ± half width of the 95 % interval, and quality.</caption>\n"
        f'<thead><tr><th scope="col">Measure</th>{head}</tr></thead>\n'
        f"<tbody>\n{''.join(rows)}</tbody>\n</table>\n</div>\n"
        f'<ul class="key">{key}<li>– not measured</li></ul>\n'
    )
    trend = plots.measures_picture(result)
    if trend is not None:
        content += (
            f'<details><summary>The same as pictures</summary><div class="plots">'
            f"{_picture(trend, 'Each measure over the repetitions; bars are 95 % intervals.')}"
            "</div></details>"
        )
    return _section("reps", "Rep by rep", content)


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


def _by_reason(table: pd.DataFrame, everyone: Sequence[int]) -> str:
    """List of reasons, each with the measures and repetitions it holds for."""
    items = []
    order = {name: i for i, name in enumerate(plots.ordered_measures(table))} if len(table) else {}
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
            label = plots.measure_label(name)
            if len(sides) == 1:
                label += f" ({sides[0]})"
            by_reps.setdefault(_rep_list(part["rep"], everyone), []).append(label)
        where = "; ".join(f"{', '.join(labels)} – {reps}" for reps, labels in by_reps.items())
        more = " (the figures differ from rep to rep)" if len(wordings) > 1 else ""
        items.append(f'<li><p>{_t(reason)}{more}</p><p class="small">{_t(where)}</p></li>\n')
    return f'<ul class="reasons">\n{"".join(items)}</ul>\n'


def _not_measured(result: SetResult) -> str:
    table = result.measures
    if not len(table):
        return ""
    everyone = sorted(table["rep"].unique())
    value = table["value"].astype(float)
    missing = table[(table["quality"] == "missing") | ~np.isfinite(value)]
    weak = table[(table["quality"] == "poor") & np.isfinite(value)]
    content = ""
    if len(missing):
        content += _by_reason(missing, everyone)
    else:
        content += "<p>Everything that this view can show was measured.</p>"
    if len(weak):
        content += f"<h3>Measured, but poorly</h3>\n{_by_reason(weak, everyone)}"
    return _section("missing", "What could not be measured, and why", content)


def _plain_value(value: Any, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float | np.number):
        return f"{float(value):.4g}{_spaced(unit)}".replace("-", "−")
    return f"{value}{_spaced(unit)}" if unit else str(value)


def _known(value: Any) -> bool:
    if value is None or isinstance(value, dict | list | tuple) or value == "":
        return False
    return not (isinstance(value, float | np.floating) and not math.isfinite(value))


def _how_measured(result: SetResult) -> str:
    info, calibration = result.info, dict(result.calibration)
    source = "given" if result.view_source == "given" else "guessed from the picture"
    pairs: list[tuple[str, str]] = [
        ("View", f"{_VIEW_WORDS[result.view]} ({source})"),
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
        if not _known(value) or (key.endswith("_sd_deg") and key not in _CALIBRATION_WORDS):
            continue
        label, unit = _CALIBRATION_WORDS.get(key, (key.replace("_", " "), ""))
        sd = calibration.get(key.replace("_deg", "_sd_deg")) if key.endswith("_deg") else None
        if key.endswith("_rel_sd"):
            text = f"± {196.0 * value:.2g} % (95 %)"
        elif key == "tilt_sd_deg":
            text = f"± {1.96 * value:.2g}° (95 %)"
        elif _known(sd) and not key.endswith("_sd_deg"):
            number, u95 = stated(value, 1.96 * sd)
            text = f"{number} ± {u95}{_spaced(unit)}"
        else:
            text = _plain_value(value, unit)
        if key == "plate_mm" and "plate_given" in result.options:
            given = result.options["plate_given"]
            text += ", as given" if given else ", the usual size: none was given"
        pairs.append((label, text))
    for key, value in result.options.items():
        if _known(value) and key not in calibration and key != "plate_given":
            label, unit = _OPTION_WORDS.get(key, (key.replace("_", " "), ""))
            pairs.append((label, _plain_value(value, unit)))
    content = _facts((key, _t(text)) for key, text in pairs)
    if result.notes:
        items = "".join(
            f'<li class="{"warning" if note.severity == "warning" else "info"}">'
            f"{'<strong>Note well:</strong> ' if note.severity == 'warning' else ''}"
            f"{_t(note.text)}</li>\n"
            for note in sorted(result.notes, key=lambda n: n.severity != "warning")
        )
        content += f'<h3>Remarks</h3>\n<ul class="remarks">\n{items}</ul>'
    return _section("how", "How it was measured", content)


def _words(result: SetResult) -> str:
    pairs = [(term, _t(text)) for term, text in _GLOSSARY]
    if result.view == "front":
        pairs.append(("Tilt", "Angle of the bar against the horizontal, seen from the feet."))
    content = _facts(pairs)
    explained = [
        (CATALOGUE[n].label, _t(CATALOGUE[n].explanation))
        for n in plots.ordered_measures(_measured(result))
        if n in CATALOGUE
    ]
    if explained:
        content += f"<h3>The measures</h3>\n{_facts(explained)}"
    return _section("words", "What the words mean", content)


def _cautions() -> str:
    items = (
        "Bench with a spotter, or inside safeties at the right height: a camera catches no bar.",
        "Pain means stop. Have it looked at by a clinician before you press on it again.",
        "Nothing here promises to prevent an injury. Bodies differ: a number outside what is usual "
        "is no diagnosis, and one inside it is no clearance.",
        "Whether a lift counts is decided by the federation's current rule book and its referees, "
        "not by this report.",
        "Change one thing at a time and film again from the same spot: a single set says little.",
    )
    rows = "".join(f"<li>{item}</li>\n" for item in items)
    return _section("cautions", "Before you act on this", f"<ul>\n{rows}</ul>")


def _footer(result: SetResult) -> str:
    versions = ", ".join(f"{name} {version}" for name, version in result.versions.items())
    return (
        f"<footer><p>{_t(versions)}. This file needs no network and sends nothing.</p></footer>\n"
    )
