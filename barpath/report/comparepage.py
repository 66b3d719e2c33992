"""The page that compares setups of a block, with its table and its clips side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.setresult import SetResult
from barpath.analysis.store import read_results
from barpath.block import blockstore
from barpath.block.compare import ALL_LIFTERS, add_period, compare
from barpath.block.comparewords import LEVEL_WORDS, in_words
from barpath.block.tables import kept_sets, single_clips
from barpath.block.work import STILL_FILE
from barpath.errors import BarpathError, OptionError
from barpath.ground.names import name_on_disk
from barpath.ground.sheets import csv_bytes
from barpath.ground.uncertainty import rounded, state
from barpath.ground.view import SQUARE
from barpath.lift.catalogue import measure_label, shown_unit
from barpath.report import blockplots
from barpath.report.besidefilm import FilmSet, film_bytes
from barpath.report.blockwords import VERDICT_WORDS, block_page, five_of, lone, side_of, speeds_of
from barpath.report.pages import Photo, photo, plural

COMPARE_PAGE = "compare.html"
COMPARE_TABLE = "compare.csv"
MAX_PATH_CLIPS = 6
STILL_QUALITY = 84

_VERDICTS = (
    ("clear", "Clearly different"),
    ("on average", "Different on average, too little to see from set to set"),
    ("none seen", "No difference worth a set"),
    ("open", "Left open"),
)
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

Films = Mapping[tuple[str, str, str], Sequence[tuple[str, str]]]
"""By lifter and two setups: caption and file name of each clip."""


# --- files ----------------------------------------------------------------------------------------


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
    films: Films = {}
    files: dict[str, bytes] = {}
    if clips is not None:
        films, files = setup_films(table, result, by, folder, clips)
    page_text = compare_html(table, result, by, folder, films)
    return files | {
        COMPARE_PAGE: page_text.encode("utf-8", "replace"),
        COMPARE_TABLE: csv_bytes(told),
    }


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
        own = single_clips(folder, table[(table["lifter"] == lifter) & table[by].isin((a, b))])
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


# --- the page -------------------------------------------------------------------------------------


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
    sections = []
    pairs = list(dict.fromkeys(zip(result["level_a"], result["level_b"], strict=True)))
    for k, (a, b) in enumerate(pairs):
        for j, lifter in enumerate(result["lifter"].unique()):
            rows = result[
                (result["lifter"] == lifter) & (result["level_a"] == a) & (result["level_b"] == b)
            ]
            own = table if lifter == ALL_LIFTERS else table[table["lifter"] == lifter]
            shown: dict[str, Any] = {"films": (), "seen": None, "speeds": None}
            if lifter != ALL_LIFTERS:
                shown = {
                    "films": (films or {}).get((lifter, a, b), ()),
                    "seen": _seen(own, by, (a, b), folder),
                    "speeds": speeds_of(own[own[by].isin([a, b])], by),
                }
            about = {"id": f"pair-{k}-{j}", "title": f"{lifter}: {a} and {b}"}
            sections.append(about | _comparison(rows, own, by) | shown)
    lifters = table["lifter"].nunique()
    return block_page(
        "compare.html",
        title=", ".join(f"{a} against {b}" for a, b in pairs),
        about=f"{plural(len(table), 'filmed repetition')} of {plural(lifters, 'lifter')} in"
        f" {plural(table['session'].nunique(), 'session')}; compared by {by}",
        sections=sections,
        meanings=_MEANINGS,
    )


def _comparison(rows: pd.DataFrame, table: pd.DataFrame, by: str) -> dict[str, Any]:
    """Sentences, pictures and the table of one pair of setups."""
    told = rows.assign(
        rank=(rows["difference"].abs() / rows["sdc"]).fillna(0.0),
        words=[in_words(row) for _, row in rows.iterrows()],
    ).sort_values("rank", ascending=False)
    said = {title: told[told["verdict"] == verdict]["words"] for verdict, title in _VERDICTS}
    known = rows[rows["verdict"] != "missing"]
    return {
        "five": five_of(rows),
        "design": _design(known) if len(known) else "",
        "verdicts": [(title, words.tolist()) for title, words in said.items() if len(words)],
        "picture": blockplots.setups_picture(table, known, by) if len(known) else None,
        "figures": _figures(known) if len(known) else None,
        "gone": _gone(told[told["verdict"] == "missing"]),
    }


def _design(known: pd.DataFrame) -> str:
    """How most measures were compared, and how many differ by chance."""
    designs = known.groupby(["level", "design"], sort=False).size().sort_values()
    level, design = designs.index[-1]
    return (
        f"The comparison ({design}) {LEVEL_WORDS[level]}. Of {len(known)} measures about"
        f" {max(1, round(len(known) / 20))} will look different by chance alone."
    )


def _gone(gone: pd.DataFrame) -> list[str]:
    """Measures that cannot be compared, by reason."""
    if gone.empty:
        return []
    reasons = gone.groupby("reason", sort=False)["measure"].agg(
        lambda names: ", ".join(dict.fromkeys(measure_label(n) for n in names))
    )
    return [f"{reason} {names}." for reason, names in reasons.items()]


def _figures(rows: pd.DataFrame) -> dict[str, Any]:
    lines = []
    for _, row in rows.iterrows():
        factor, unit = shown_unit(row["unit"])
        width = (row["high"] - row["low"]) / 2
        label = measure_label(row["measure"]) + side_of(row) + (f", {unit}" if unit else "")
        cells = [
            rounded(factor * row["mean_a"], factor * width)[0],
            rounded(factor * row["mean_b"], factor * width)[0],
            state(factor * row["difference"], factor * width),
            lone(row["hedges_g"]),
            lone(row["sdc"], factor),
            VERDICT_WORDS[row["verdict"]],
            f"{row['n_sets_a']} / {row['n_sets_b']}",
            f"{row['missing_a']:.0%} / {row['missing_b']:.0%}",
        ]
        lines.append({"label": label, "unit": "", "cells": cells})
    a, b = rows.iloc[0][["level_a", "level_b"]]
    head = ["Measure", a, b, f"{b} less {a}", "Effect", "Two sets alike", "Difference", "Sets"]
    return {"head": [*head, "Missing reps"], "rows": lines}


# --- what was kept --------------------------------------------------------------------------------


def _seen(
    table: pd.DataFrame, by: str, pair: tuple[str, str], folder: Path | None
) -> dict[str, Any] | None:
    """Bar paths and bottoms of two setups, where they were kept."""
    if folder is None:
        return None
    clips = single_clips(folder, table[table[by].isin(pair)])
    places = kept_sets(folder, clips["clip"].tolist())
    clips = clips[clips["clip"].isin(list(places))]
    along = clips[clips["view"].isin([view.name for view in SQUARE if view.along])]
    side = {level: _read([places[c] for c in _alike(along, by, pair, level)]) for level in pair}
    for level, results in side.items():
        side[level] = [r for r in results if r.calibration.get("head_direction") != "unknown"]
    bottoms = [
        (view.name, _bottoms(clips[clips["view"] == view.name], by, pair, places))
        for view in reversed(SQUARE)
    ]
    return {
        "paths": blockplots.paths_picture(side),
        "bottoms": [(view, photos) for view, photos in bottoms if photos],
    }


def _bottoms(
    clips: pd.DataFrame, by: str, pair: tuple[str, str], places: Mapping[str, Path]
) -> list[Photo]:
    """A still of the bottom with each setup, and both laid over each other; none without both."""
    stills = {}
    for level in pair:
        for clip in _alike(clips, by, pair, level):
            image = _still(places[clip] / STILL_FILE)
            found = _read([places[clip]]) if image is not None else []
            if image is not None and found:
                stills[level] = (found[0], image, clip)
                break
    if len(stills) < 2:
        return []
    (a, b), (one, other) = pair, [stills[level] for level in pair]
    shown = [
        photo(image, f"Frame at the touch, {level}.", f"{level}: {clip}", quality=STILL_QUALITY)
        for level, (_, image, clip) in zip(pair, (one, other), strict=True)
    ]
    mixed = blockplots.overlay_bottoms(one[:2], other[:2])
    if mixed is not None:
        alt = f"The bottom with {a} and with {b} laid over each other."
        caption = (
            f"Both, laid bar on bar at one scale: blue where only {a} is bright, orange where"
            f" only {b} is. The scale holds in the plane of the bar only."
        )
        shown.append(photo(mixed, alt, caption, quality=STILL_QUALITY))
    return shown


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


def _still(file: Path) -> NDArray[np.uint8] | None:
    """A kept picture (RGB); None where none was kept."""
    image = cv2.imread(str(file), cv2.IMREAD_COLOR) if file.is_file() else None
    return None if image is None else np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB), np.uint8)


def _read(places: Sequence[Path]) -> list[SetResult]:
    found = []
    for place in places:
        with suppress(BarpathError):
            found.append(read_results(place))
    return found
