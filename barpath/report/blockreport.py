"""Pages of a training block: a comparison of setups, a page for the coach, one for each lifter.

In the style of `report`: each page is one HTML file that asks nothing of the network, and text from
outside is escaped without exception.
"""

from __future__ import annotations

import html
import math
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

import cv2
import numpy as np
import pandas as pd
from markupsafe import Markup
from numpy.typing import NDArray

from barpath.analysis.store import SetResult, read_results
from barpath.block import blockstore, drift, loadvelocity
from barpath.block.block import STILL_FILE, kept_sets
from barpath.block.compare import ALL_LIFTERS, LEVEL_WORDS, add_period, compare, in_words, levels_of
from barpath.errors import BarpathError, OptionError, OutputError
from barpath.ground.files import json_bytes, read_json, staged_folder
from barpath.ground.names import name_on_disk
from barpath.ground.sheets import csv_bytes
from barpath.ground.uncertainty import rounded, state
from barpath.ground.view import SQUARE
from barpath.lift.catalogue import measure_label, shown_unit
from barpath.report import blockplots
from barpath.report.beside import NOT_THERE, TOPICS, Difference, headline
from barpath.report.besidefilm import FilmSet, film_bytes
from barpath.report.blockplots import differences_picture
from barpath.report.pages import clean, data_uri, plural, render, svg_uri, unbroken
from barpath.report.plots import Picture

Image = NDArray[np.uint8]

COMPARE_PAGE = "compare.html"
COMPARE_TABLE = "compare.csv"
COACH_PAGE = "coach.html"
MARK_FILE = "pages.json"
MAX_PATH_CLIPS = 6
MAX_FLAGS = 25
MAX_FAILURES_SHOWN = 5

VERDICT_WORDS = {
    "clear": "clear",
    "on average": "on average only",
    "within tool": "may be the tool",
    "none seen": "none seen",
    "open": "left open",
    "missing": "not measured",
}
_STYLE = ".wide { margin-top: 1rem; }\n.wide .plot img { max-width: 68rem; }\n"
_MEANINGS = (
    (
        "± and “from … to”",
        "In about 19 of 20 blocks like this the true difference lies within this range. It rests"
        " on how the difference varies between sessions, not on the number of repetitions.",
    ),
    (
        "Two sets done alike",
        "How far two sets of the same lifter, load and setup lie apart at most, in 19 of 20 cases:"
        " the smallest detectable change. A difference from one set to another that is smaller"
        " says nothing.",
    ),
    (
        "Effect",
        "Hedges' g: the difference in units of the spread of single repetitions. About 0.2 is"
        " small, 0.5 middling, 0.8 large (Cohen's rule of thumb).",
    ),
    (
        "May be the tool",
        "Joints are placed by a network that errs by posture. A difference within its uncertainty"
        " may come from the tool erring otherwise in the two setups.",
    ),
)


# --- writing --------------------------------------------------------------------------------------


def write_pages(folder: Path, files: Mapping[str, bytes], *, overwrite: bool = False) -> Path:
    """Write pages into a folder of their own.

    Parameters
    ----------
    folder : Path
    files : mapping of str to bytes
    overwrite : bool
        Replace earlier pages there.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        It exists and may not be replaced, or holds something else.
    """
    files = dict(files) | {MARK_FILE: json_bytes({"name": "barpath-pages", "files": sorted(files)})}
    with staged_folder(folder, partial(check_pages_target, overwrite=overwrite)) as places:
        staging, target = places
        for name, data in files.items():
            (staging / name).write_bytes(data)
    return target


def check_pages_target(target: Path, *, overwrite: bool = False) -> None:
    """Check, before any work is done, that pages may be written to a folder.

    Raises
    ------
    OutputError
        It exists and may not be replaced, or holds something else.
    """
    if not os.path.lexists(target):
        return
    if not target.is_dir():
        raise OutputError(f"'{target}' is a file, so no pages can be written there.")
    present = {entry.name for entry in target.iterdir()}
    if not present:
        return
    if not overwrite:
        raise OutputError(
            f"'{target}' exists already; choose another folder, or allow overwriting."
        )
    own = {MARK_FILE}
    with suppress(OSError, ValueError, KeyError, TypeError):
        own |= set(read_json(target / MARK_FILE)["files"])
    if foreign := present - own:
        raise OutputError(
            f"'{target}' is not replaced, because it holds something that is not part of earlier"
            f" pages: '{min(foreign)}'."
        )


def page(title: str, kind: str, about: str, body: str) -> str:
    """A whole HTML document in the style of the set's report; `body` is HTML, the rest is text."""
    whole = (
        f'<header>\n<p class="kind">{_t(kind)}</p>\n<h1><bdi>{_t(title)}</bdi></h1>\n'
        f"<p>{_t(about)}</p>\n</header>\n<main>{body}{_cautions()}</main>\n"
        "<footer><p>This file needs no network and sends nothing.</p></footer>\n"
    )
    media = "media-src file: 'self'; "
    return render("base.html", title=title, body=Markup(whole), more_style=_STYLE, media=media)


def _t(text: Any) -> str:
    return html.escape(clean(text), quote=True)


def _section(identifier: str, title: str, content: str) -> str:
    return (
        f'<section aria-labelledby="{identifier}">\n<h2 id="{identifier}">{title}</h2>\n'
        f"{content}\n</section>\n"
    )


def _facts(pairs: Iterable[tuple[str, str]]) -> str:
    """Description list; the second of each pair is HTML."""
    rows = "".join(f"<div><dt>{_t(k)}</dt><dd>{v}</dd></div>\n" for k, v in pairs)
    return f'<dl class="facts">\n{rows}</dl>'


def _picture(picture: Picture, caption: str) -> str:
    return (
        f'<figure class="plot"><img src="{svg_uri(picture)}" '
        f'alt="{_t(picture.alt)}"><figcaption>{_t(caption)}</figcaption></figure>\n'
    )


def _cautions() -> str:
    items = (
        "Bench with a spotter, or inside safeties at the right height: a camera catches no bar.",
        "Pain means stop. Have it looked at by a clinician before you press on it again.",
        "Nothing here promises to prevent an injury, and a faster or straighter press is not"
        " thereby a safer one.",
        "An estimated maximum is arithmetic on lighter sets. It is no permission to load it: work"
        " up with spotters, and stop when a set is not what it should be.",
        "Whether a lift counts is decided by the federation's current rule book and its referees.",
        "Setups were not dealt out by chance, nor blind: what else changed along with them shows in"
        " the differences as well.",
    )
    rows = "".join(f"<li>{item}</li>\n" for item in items)
    return _section("cautions", "Before you act on this", f"<ul>\n{rows}</ul>")


def _list(sentences: Sequence[str]) -> str:
    return "<ul>\n" + "".join(f"<li>{_t(unbroken(s))}</li>\n" for s in sentences) + "</ul>"


def _table(caption: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A scrolling table; all cells are text."""
    top = "".join(f'<th scope="col">{_t(cell)}</th>' for cell in head)
    lines = "".join(
        f'<tr><th scope="row">{_t(row[0])}</th>'
        + "".join(f"<td>{_t(cell)}</td>" for cell in row[1:])
        + "</tr>\n"
        for row in rows
    )
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{_t(caption)}">\n<table>\n'
        f"<caption>{_t(caption)}</caption>\n<thead><tr>{top}</tr></thead>\n"
        f"<tbody>\n{lines}</tbody>\n</table>\n</div>\n"
    )


def _photo(image: np.ndarray, caption: str, alt: str) -> str:
    bgr = cv2.cvtColor(image, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 84])
    return (
        f'<figure><img src="{data_uri(data.tobytes(), "image/jpeg")}" width="{image.shape[1]}" '
        f'height="{image.shape[0]}" alt="{_t(alt)}"><figcaption>{_t(caption)}</figcaption>'
        "</figure>\n"
    )


def _number(value: float, factor: float = 1.0) -> str:
    return rounded(factor * value, math.nan)[0]


# --- the comparison -------------------------------------------------------------------------------


def compare_files(
    source: Path,
    by: str = "technique",
    levels: Sequence[str] = (),
    split: str | None = None,
    clips: Path | None = None,
) -> dict[str, bytes]:
    """Compare setups of a block, as a page and a table.

    Parameters
    ----------
    source : Path
        The block's folder, or its table alone; only the folder has bar paths and stills.
    by : str
        Column with the setups.
    levels : sequence of str
        See `compare.levels_of`.
    split : str, optional
        Day that parts ``before`` from ``after``; `by` is then `period`.
    clips : Path, optional
        Folder with the block's clips; with it sets of both setups are shown side by side in clips.

    Returns
    -------
    dict of str to bytes

    Raises
    ------
    BarpathError
        As `blockstore.read_table` and `compare.compare`.
    OptionError
        There is no such folder with clips.
    """
    table = blockstore.read_table(source)
    if split is not None:
        table, by = add_period(table, split), "period"
        levels = levels or ("before", "after")
    result = compare(table, by, levels)
    folder = source if source.is_dir() else source.parent
    told = result.assign(words=[in_words(row) for _, row in result.iterrows()])
    if clips is not None and not clips.is_dir():
        raise OptionError(f"There is no folder '{clips}' with clips.")
    films, files = {}, {}
    if clips is not None:
        films, files = setup_films(table, result, by, folder, clips)
    page_text = compare_html(table, result, by, folder, films)
    return files | {
        COMPARE_PAGE: page_text.encode("utf-8", "replace"),
        COMPARE_TABLE: csv_bytes(told),
    }


Films = Mapping[tuple[str, str, str], Sequence[tuple[str, str]]]
"""By lifter and two setups: caption and file name of each clip."""


def setup_films(
    table: pd.DataFrame, result: pd.DataFrame, by: str, folder: Path, clips: Path
) -> tuple[dict[tuple[str, str, str], list[tuple[str, str]]], dict[str, bytes]]:
    """Clips with a set of each setup side by side, for every lifter and view.

    Parameters
    ----------
    table, result, by, folder
        As for `compare_html`.
    clips : Path
        Folder with the block's clips.

    Returns
    -------
    films, files
        `Films`, and the clips by file name. What cannot be shown so is left out.
    """
    films: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
    files: dict[str, bytes] = {}
    keys = result[["lifter", "level_a", "level_b"]].drop_duplicates()
    for number, (lifter, a, b) in enumerate(keys.itertuples(index=False)):
        own = table[(table["lifter"] == lifter) & table[by].isin((a, b))].drop_duplicates("clip")
        places = kept_sets(folder, own["clip"].tolist())
        own = own[own["clip"].isin(list(places))]
        for view in SQUARE:
            sets = []
            for level in (a, b):
                alike = _alike(own[own["view"] == view.name], by, (a, b), level)
                at_hand = [c for c in alike if (clips / name_on_disk(c)).is_file()]
                found = _read([places[c] for c in at_hand[:1]])
                if found:
                    clip = clips / name_on_disk(at_hand[0])
                    sets.append(FilmSet(level, found[0], places[at_hand[0]], clip))
            if len(sets) < 2:
                continue
            name = f"beside-{number}-{view.name}.mp4"
            if data := film_bytes(sets):
                files[name] = data
                films.setdefault((lifter, a, b), []).append((f"Seen from the {view.name}.", name))
    return films, files


def compare_html(
    table: pd.DataFrame,
    result: pd.DataFrame,
    by: str,
    folder: Path | None = None,
    films: Films | None = None,
) -> str:
    """Write the page of a comparison.

    Parameters
    ----------
    table : DataFrame
        The block's table.
    result : DataFrame
        From `compare.compare`.
    by : str
    folder : Path, optional
        The block's folder, for bar paths and stills.
    films : Films, optional
        Clips beside the page.

    Returns
    -------
    str
        A whole HTML document.
    """
    body = []
    pairs = list(dict.fromkeys(zip(result["level_a"], result["level_b"], strict=True)))
    for k, (a, b) in enumerate(pairs):
        for j, lifter in enumerate(result["lifter"].unique()):
            rows = result[
                (result["lifter"] == lifter) & (result["level_a"] == a) & (result["level_b"] == b)
            ]
            own = table if lifter == ALL_LIFTERS else table[table["lifter"] == lifter]
            title = f"{lifter}: {a} and {b}"
            content = _comparison(rows, own, by)
            if lifter != ALL_LIFTERS:
                content += _films((films or {}).get((lifter, a, b), ()))
                content += _seen(own, by, (a, b), folder)
                speeds = _speeds(own[own[by].isin([a, b])], by)
                content += _folded("Load and speed", speeds) if speeds else ""
            body.append(_section(f"pair-{k}-{j}", _t(title), content))
    body.append(_section("words", "What the words mean", _facts((k, _t(v)) for k, v in _MEANINGS)))
    names = ", ".join(f"{a} against {b}" for a, b in pairs)
    lifters = table["lifter"].nunique()
    about = (
        f"{plural(len(table), 'filmed repetition')} of {plural(lifters, 'lifter')} in"
        f" {plural(table['session'].nunique(), 'session')}; compared by {by}"
    )
    return page(names, "Bench press, a training block", about, "".join(body))


def _comparison(rows: pd.DataFrame, table: pd.DataFrame, by: str) -> str:
    """Sentences, pictures and the table of one pair of setups."""
    told = rows.assign(
        rank=(rows["difference"].abs() / rows["sdc"]).fillna(0.0),
        words=[in_words(row) for _, row in rows.iterrows()],
    ).sort_values("rank", ascending=False)
    content = _five(rows)
    more = ""
    for verdicts, title in (
        (("clear",), "Clearly different"),
        (("on average",), "Different on average, too little to see from set to set"),
        (("within tool",), "Different in the figures, but it may be the tool"),
        (("none seen",), "No difference worth a set"),
        (("open",), "Left open"),
    ):
        part = told[told["verdict"].isin(verdicts)]
        if len(part):
            more += f"<h3>{title}</h3>\n{_list(part['words'].tolist())}"
    known = rows[rows["verdict"] != "missing"]
    if known.empty:
        content += "<p>Nothing was measured with both.</p>"
    else:
        designs = known.groupby(["level", "design"], sort=False).size().sort_values()
        level, design = designs.index[-1]
        many = (
            f"Of {len(known)} measures about {max(1, round(len(known) / 20))} will look different"
            " by chance alone."
        )
        words = f"The comparison ({design}) {LEVEL_WORDS[level]}. {many}"
        content += f'<p class="small">{_t(words)}</p>'
        picture = blockplots.setups_picture(table, known, by)
        if picture is not None:
            caption = (
                "Each point is a set, side by side by load; sets of the same day and load are"
                " joined. The bar is the mean."
            )
            more += f'<div class="wide">{_picture(picture, caption)}</div>'
        more += _figures(known)
    gone = told[told["verdict"] == "missing"]
    if len(gone):
        reasons = gone.groupby("reason", sort=False)["measure"].agg(
            lambda names: ", ".join(dict.fromkeys(measure_label(n) for n in names))
        )
        items = [f"{reason} {names}." for reason, names in reasons.items()]
        more += f"<h3>What cannot be compared, and why</h3>{_list(items)}"
    return content + _folded("Every measure", more)


def _films(films: Sequence[tuple[str, str]]) -> str:
    shown = "".join(
        '<figure class="film"><video controls playsinline loop preload="metadata"'
        f' aria-label="A set of each setup side by side"><source src="{_t(name)}"'
        ' type="video/mp4">This browser cannot play the clip.</video><figcaption>'
        f"{_t(caption)} One clock by the phase of the lift, one scale, shoulders on shoulders. The"
        f" clip is the file {_t(name)} beside this page.</figcaption></figure>\n"
        for caption, name in films
    )
    return f'<h3>Side by side</h3><div class="stills">{shown}</div>' if shown else ""


def _folded(title: str, content: str) -> str:
    return f'<details class="more"><summary>{_t(title)}</summary>{content}</details>'


def _five(rows: pd.DataFrame) -> str:
    """The differences that matter most, as one picture and in words."""
    found, words = five_differences(rows)
    if not any(one.known for one in found):
        return ""
    first, second = rows.iloc[0][["level_a", "level_b"]]
    head, detail = headline(found, first, second)
    picture = differences_picture([(second, found)], first)
    caption = (
        "Difference with its 95 % interval, the tool's own uncertainty included; filled where it"
        " excludes none."
    )
    return (
        f'<p class="headline">{_t(unbroken(head))}</p>\n<p class="detail">{_t(detail)}</p>\n'
        f'<div class="figures">{_picture(picture, caption)}<div>{_list(words)}</div></div>'
    )


def five_differences(rows: pd.DataFrame) -> tuple[list[Difference], list[str]]:
    """The topics of `beside` out of a comparison, and each in the comparison's own words.

    Parameters
    ----------
    rows : DataFrame
        Rows of `compare.compare` for one lifter and pair of setups.

    Returns
    -------
    differences, sentences
        Of a measure of both arms the mean, with the wider of the two intervals, since errors of
        both arms are alike. The intervals hold the tool's own uncertainty.
    """
    found, said = [], []
    for topic in TOPICS:
        own = rows[rows["measure"].isin(topic.measures)]
        known = own[own["verdict"] != "missing"]
        if known.empty:
            reason = str(own["reason"].iloc[0]) if len(own) else NOT_THERE
            found.append(Difference(topic, reason=reason))
            continue
        half = float(np.hypot((known["high"] - known["low"]) / 2, known["tool_u95"]).max())
        found.append(Difference(topic, float(known["difference"].mean()), half))
        said += [in_words(row) for _, row in known.iterrows()]
    return found, said


def _figures(rows: pd.DataFrame) -> str:
    lines = []
    for _, row in rows.iterrows():
        factor, unit = shown_unit(row["unit"])
        side = f" ({row['side']})" if row["side"] else ""
        width = (row["high"] - row["low"]) / 2
        lines.append(
            [
                measure_label(row["measure"]) + side + (f", {unit}" if unit else ""),
                rounded(factor * row["mean_a"], factor * width)[0],
                rounded(factor * row["mean_b"], factor * width)[0],
                state(factor * row["difference"], factor * width),
                _number(row["hedges_g"]),
                _number(row["sdc"], factor),
                VERDICT_WORDS[row["verdict"]],
                f"{row['n_sets_a']} / {row['n_sets_b']}",
                f"{row['missing_a']:.0%} / {row['missing_b']:.0%}",
            ]
        )
    a, b = rows.iloc[0][["level_a", "level_b"]]
    head = ["Measure", a, b, f"{b} less {a}", "Effect", "Two sets alike", "Difference", "Sets"]
    return _table(
        "Means over the loads that both have; differences with 95 % intervals.",
        [*head, "Missing reps"],
        lines,
    )


def _seen(table: pd.DataFrame, by: str, pair: tuple[str, str], folder: Path | None) -> str:
    """Bar paths and bottoms of two setups, where they were kept."""
    if folder is None:
        return ""
    clips = table[table[by].isin(pair)].drop_duplicates("clip")
    places = kept_sets(folder, clips["clip"].tolist())
    clips = clips[clips["clip"].isin(list(places))]
    content = ""
    along = clips[clips["view"].isin([view.name for view in SQUARE if view.along])]
    side = {level: _read([places[c] for c in _alike(along, by, pair, level)]) for level in pair}
    for level, results in side.items():
        side[level] = [r for r in results if r.calibration.get("head_direction") != "unknown"]
    picture = blockplots.paths_picture(side)
    if picture is not None:
        caption = (
            "Presses seen from the side, aligned at the touch, at one scale; of sets with the same"
            " load where there are such."
        )
        content += f'<h3>Bar paths</h3><div class="wide">{_picture(picture, caption)}</div>'
    for view in reversed(SQUARE):
        own = clips[clips["view"] == view.name]
        stills = {}
        for level in pair:
            for clip in _alike(own, by, pair, level):
                image = _still(places[clip] / STILL_FILE)
                found = _read([places[clip]]) if image is not None else []
                if found:
                    stills[level] = (found[0], cv2.cvtColor(image, cv2.COLOR_BGR2RGB), clip)
                    break
        if len(stills) < 2:
            continue
        (a, b), images = pair, [stills[level] for level in pair]
        mixed = blockplots.overlay_bottoms(images[0][:2], images[1][:2])
        shown = "".join(
            _photo(image, f"{level}: {clip}", f"Frame at the touch, {level}.")
            for level, (_, image, clip) in zip(pair, images, strict=True)
        )
        if mixed is not None:
            shown += _photo(
                mixed,
                f"Both, laid bar on bar at one scale: blue where only {a} is bright, orange where"
                f" only {b} is. The scale holds in the plane of the bar only.",
                f"The bottom with {a} and with {b} laid over each other.",
            )
        content += f'<h3>The bottom, {view.name} view</h3><div class="stills">{shown}</div>'
    return content


def _alike(clips: pd.DataFrame, by: str, pair: Sequence[str], level: str) -> list[str]:
    """Clips of a setup, those first whose load and day the other setup has too."""
    other = clips[clips[by].isin(pair) & (clips[by] != level)]
    own = clips[clips[by] == level].copy()
    both = set(zip(other["session"], other["load_kg"].round(2), strict=True))
    loads = {load for _, load in both}
    own["rank"] = [
        0 if (s, w) in both else 1 if w in loads else 2
        for s, w in zip(own["session"], own["load_kg"].round(2), strict=True)
    ]
    if own["rank"].min() < 2:
        own = own[own["rank"] < 2]
    return own.sort_values(["rank", "clip"], kind="stable")["clip"].tolist()[:MAX_PATH_CLIPS]


def _still(file: Path) -> Image | None:
    """A kept picture (BGR); None where none was kept."""
    return cv2.imread(str(file), cv2.IMREAD_COLOR) if file.is_file() else None


def _read(places: Sequence[Path]) -> list[SetResult]:
    found = []
    for place in places:
        with suppress(BarpathError):
            found.append(read_results(place))
    return found


def _speeds(table: pd.DataFrame, by: str) -> str:
    """Load and speed of one lifter."""
    fastest = loadvelocity.fastest_of_sets(table, by)
    if fastest["load_kg"].nunique() < 2:
        text = "Sets at different loads, with their loads in the sheet, would show it."
        return f"<p>{text}</p>" if len(table) else ""
    picture = blockplots.speed_picture(fastest)
    if picture is None:
        return ""
    told = loadvelocity.lines(table, by)
    sentences = [speed_in_words(row) for _, row in told.iterrows()]
    caption = (
        "The fastest repetition of each set, with the straight line and its 95 % band; dashed where"
        " no set reaches. The stripe is 0.16 ± 0.04 m/s, at which a maximum was pressed in a"
        " published study (Gonzalez-Badillo and Sanchez-Medina 2010)."
    )
    return f'{_list(sentences)}<div class="plots">{_picture(picture, caption)}</div>'


def speed_in_words(row: pd.Series) -> str:
    """Say a row of `loadvelocity.lines`.

    Parameters
    ----------
    row : Series

    Returns
    -------
    str
    """
    who = f"With {row['level']}" if row["level"] else "Over all sets"
    if row["reason"]:
        return f"{who}: no estimate of a maximum. {row['reason']}"
    slope = state(-row["slope_m_s_per_10_kg"], row["slope_u95"], "m/s")
    text = (
        f"{who} the bar is {slope} slower for every 10 kg more; the line would reach the speed of a"
        f" maximum at {row['one_rm_kg']:.0f} kg (from {row['one_rm_low_kg']:.0f} to"
        f" {row['one_rm_high_kg']:.0f} kg). By the published general equation the heaviest sets"
        f" speak for {row['general_one_rm_kg']:.0f} kg."
    )
    if row["beyond"] > 0.15:
        text += f" That is {row['beyond']:.0%} beyond the heaviest set, where nothing was measured."
    return text


# --- the block ------------------------------------------------------------------------------------


def block_files(folder: Path, by: str = "technique") -> dict[str, bytes]:
    """Write the pages of a block: one for the coach and one for each lifter.

    Parameters
    ----------
    folder : Path
        The block's folder, or its table.
    by : str
        Column with the setups.

    Returns
    -------
    dict of str to bytes

    Raises
    ------
    BarpathError
        There is no block, or no such column.
    """
    table = blockstore.read_table(folder)
    lifters = sorted(table["lifter"].unique())
    names = _page_names(lifters)
    try:
        levels_of(table, by)
        compared = compare(table, by)
    except BarpathError:
        compared = None
    flagged = drift.flags(table, by)
    trends = drift.trends(table, by)
    lines = loadvelocity.lines(table, by)
    failures = _failures(folder)
    files = {
        COACH_PAGE: coach_html(table, compared, flagged, lines, failures, names).encode(
            "utf-8", "replace"
        )
    }
    for lifter in lifters:
        text = lifter_html(
            lifter,
            table[table["lifter"] == lifter],
            compared,
            flagged[flagged["lifter"] == lifter],
            trends[trends["lifter"] == lifter],
            by,
        )
        files[names[lifter]] = text.encode("utf-8", "replace")
    return files


def _page_names(lifters: Sequence[str]) -> dict[str, str]:
    names: dict[str, str] = {}
    for lifter in lifters:
        stem = re.sub(r"[^a-z0-9]+", "-", clean(lifter).lower()).strip("-") or "lifter"
        name, n = f"lifter-{stem}.html", 2
        while name in names.values():
            name, n = f"lifter-{stem}-{n}.html", n + 1
        names[lifter] = name
    return names


def _failures(folder: Path) -> pd.DataFrame:
    table = blockstore.read_list(folder, "failures.csv", ("clip", "failure"))
    return pd.DataFrame(columns=["clip", "failure"]) if table is None else table


def coach_html(
    table: pd.DataFrame,
    compared: pd.DataFrame | None,
    flagged: pd.DataFrame,
    lines: pd.DataFrame,
    failures: pd.DataFrame,
    pages: Mapping[str, str],
) -> str:
    """The coach's page: who did what, what stands out, and what could not be measured."""
    rows = []
    for lifter in sorted(table["lifter"].unique()):
        own = table[table["lifter"] == lifter]
        line = lines[(lines["lifter"] == lifter) & (lines["level"] == "")]
        most = "–"
        if len(line) and not line.iloc[0]["reason"]:
            first = line.iloc[0]
            most = (
                f"{first['one_rm_kg']:.0f} kg ({first['one_rm_low_kg']:.0f} to"
                f" {first['one_rm_high_kg']:.0f})"
            )
        clear = 0
        if compared is not None:
            clear = int(((compared["lifter"] == lifter) & (compared["verdict"] == "clear")).sum())
        rows.append(
            [
                lifter,
                str(own["session"].nunique()),
                str(own["set_id"].nunique()),
                str(len(own)),
                f"{own['load_kg'].min():g} to {own['load_kg'].max():g} kg"
                if own["load_kg"].notna().any()
                else "–",
                most,
                str(clear),
                str(int((flagged["lifter"] == lifter).sum())),
            ]
        )
    head = ["Lifter", "Sessions", "Sets", "Reps", "Loads", "Estimated maximum"]
    content = _table(
        "Repetitions of a set that two cameras filmed are counted once for each camera. The maximum"
        " is estimated from speeds, with its 95 % interval.",
        [*head, "Clear differences", "Unusual reps"],
        rows,
    )
    links = "".join(
        f'<li><a href="{_t(quote(name))}">{_t(lifter)}</a></li>\n' for lifter, name in pages.items()
    )
    body = _section(
        "answer", _t(_measured_in_words(table, failures)), _block_answer(compared, failures)
    )
    content = f"<ul>{links}</ul>\n{content}"
    body += _section("lifters", "A page for each lifter", content)
    if compared is not None:
        clear = compared[compared["verdict"] == "clear"]
        sentences = [f"{row['lifter']}: {in_words(row)}" for _, row in clear.iterrows()]
        text = _list(sentences) if sentences else "<p>No difference between setups is clear.</p>"
        body += _folded("Every clear difference between setups", text)
    body += _folded("Unusual repetitions", _flag_table(flagged))
    if len(failures) > MAX_FAILURES_SHOWN:
        text = _table(
            "They are not part of any figure here.",
            ["Clip", "Why"],
            failures[["clip", "failure"]].to_numpy().tolist(),
        )
        body += _folded("Every clip that could not be measured", text)
    days = sorted(d for d in table["date"].unique() if d)
    when = f", {days[0]} to {days[-1]}" if days else ""
    clips, reps = table["clip"].nunique(), len(table)
    about = f"{plural(clips, 'clip')}, {plural(reps, 'filmed repetition')}{when}"
    return page("The block, for the coach", "Bench press, a training block", about, body)


def _measured_in_words(table: pd.DataFrame, failures: pd.DataFrame) -> str:
    clips = plural(table["clip"].nunique(), "clip")
    text = f"{clips} of {plural(table['lifter'].nunique(), 'lifter')} measured"
    return f"{text}, {len(failures)} could not be" if len(failures) else f"{text}, every one"


def _block_answer(compared: pd.DataFrame | None, failures: pd.DataFrame) -> str:
    """What a coach looks for first: what failed and why, and what differs between setups."""
    content = ""
    if len(failures):
        shown = failures.head(MAX_FAILURES_SHOWN)
        content += "<h3>Not measured, and why</h3>\n"
        content += _list([f"{row.clip}: {row.failure}" for row in shown.itertuples()])
        if len(failures) > len(shown):
            content += f'<p class="small">And {len(failures) - len(shown)} more, below.</p>\n'
    if compared is None:
        return content
    said = []
    for (lifter, first, second), rows in compared.groupby(
        ["lifter", "level_a", "level_b"], sort=False
    ):
        found, _ = five_differences(rows)
        if any(one.clear for one in found):
            said.append(f"{lifter}, {headline(found, first, second)[0]}")
    if said:
        return f"{content}<h3>What differs between setups</h3>\n{_list(said)}"
    return f"{content}<p>No difference between setups is larger than its uncertainty.</p>\n"


def _flag_table(flagged: pd.DataFrame) -> str:
    if flagged.empty:
        return "<p>No repetition is far from its lifter's usual.</p>"
    rows = []
    for _, row in flagged.head(MAX_FLAGS).iterrows():
        factor, unit = shown_unit(row["unit"])
        side = f" ({row['side']})" if row["side"] else ""
        rows.append(
            [
                f"{row['clip']}, rep {row['rep']}",
                row["lifter"],
                measure_label(row["measure"]) + side,
                state(factor * row["value"], factor * row["u95"], unit),
                f"{_number(row['usual'], factor)} {unit}",
            ]
        )
    more = len(flagged) - len(rows)
    note = f" {more} more are left out." if more > 0 else ""
    return _table(
        "Far from the lifter's own usual at that load: more than 3.5 times their usual spread, and"
        f" than the tool's own uncertainty. Unusual is not wrong; look at the clip.{note}",
        ["Repetition", "Lifter", "Measure", "Value", "Usual"],
        rows,
    )


def lifter_html(
    lifter: str,
    table: pd.DataFrame,
    compared: pd.DataFrame | None,
    flagged: pd.DataFrame,
    trends: pd.DataFrame,
    by: str,
) -> str:
    """The page of one lifter over the block.

    Parameters
    ----------
    lifter : str
    table : DataFrame
        The block's table, of this lifter.
    compared : DataFrame or None
        From `compare.compare`; None when there is nothing to compare.
    flagged, trends : DataFrame
        From `drift.flags` and `drift.trends`, of this lifter.
    by : str
        Column with the setups.

    Returns
    -------
    str
    """
    names = blockstore.measures_in(table)
    said = [
        (row["measure"], sentence)
        for _, row in trends.iterrows()
        if (sentence := drift.trend_in_words(row))
    ]
    asked = [measure for topic in TOPICS for measure in topic.measures]
    body = ""
    if compared is not None:
        own = compared[compared["lifter"] == lifter]
        for (first, second), rows in own.groupby(["level_a", "level_b"], sort=False):
            if five := _five(rows):
                title = _t(f"{first} and {second}")
                body += _section(f"setups-{len(body)}", title, five)
    picture = blockplots.sessions_picture(
        table, [n for n in names if blockstore.measure_of(n)[0] in asked], by, n_columns=2
    )
    text = _list([sentence for measure, sentence in said if measure in asked]) if said else ""
    if picture is not None:
        caption = "Every set is a point; days from left to right."
        body += _section("weeks", "Over the weeks", f"{_picture(picture, caption)}{text}")
    text = (
        _list([sentence for _, sentence in said])
        if said
        else "<p>No measure drifts more than its uncertainty.</p>"
    )
    n_told = int((trends["reason"] == "").sum())
    if n_told:
        text += (
            f'<p class="small">Of {n_told} drifts looked at, about {max(1, round(n_told / 20))}'
            " would show by chance alone.</p>"
        )
    else:
        text = "<p>There are too few sets or days to tell.</p>"
    body += _folded("Drift with load, fatigue and time", text)
    speeds = _speeds(table, by)
    if speeds:
        body += _folded("How load and speed go together", speeds)
    if compared is not None:
        own = compared[(compared["lifter"] == lifter) & (compared["verdict"] != "missing")]
        order = list(VERDICT_WORDS)
        own = own.assign(rank=own["verdict"].map(order.index)).sort_values("rank", kind="stable")
        words = [in_words(row) for _, row in own.iterrows()]
        text = _list(words) if words else "<p>Nothing was measured with more than one setup.</p>"
        body += _folded("Setups against each other, every measure", text)
    picture = blockplots.sessions_picture(table, names, by)
    if picture is not None:
        text = _picture(picture, "Every set is a point; days from left to right.")
        body += _folded("Every measure over the days", f'<div class="wide">{text}</div>')
    body += _folded("Unusual repetitions", _flag_table(flagged))
    body += _folded("What was measured, and what was not", _missing(table, names))
    days = sorted(d for d in table["date"].unique() if d)
    when = f", {days[0]} to {days[-1]}" if days else ""
    about = (
        f"{plural(table['session'].nunique(), 'session')},"
        f" {plural(table['set_id'].nunique(), 'set')},"
        f" {plural(len(table), 'filmed repetition')}{when}"
    )
    return page(lifter, "Bench press, a lifter's block", about, body)


def _missing(table: pd.DataFrame, names: Sequence[str]) -> str:
    rows: list[list[Any]] = []
    for name in names:
        gone = (table[f"{name}_quality"] == "missing").to_numpy()
        poor = (table[f"{name}_quality"] == "poor").to_numpy()
        reasons = table.loc[gone, f"{name}_reason"].value_counts()
        measure, side = blockstore.measure_of(name)
        rows.append(
            [
                measure_label(measure) + (f" ({side})" if side else ""),
                f"{1 - gone.mean():.0%}",
                f"{poor.mean():.0%}",
                str(reasons.index[0]) if len(reasons) else "",
            ]
        )
    return _table(
        "Share of the filmed repetitions; a view that cannot give a measure counts as missing.",
        ["Measure", "Measured", "Poor", "Most frequent reason where missing"],
        rows,
    )
