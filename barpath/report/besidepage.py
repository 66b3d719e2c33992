"""Sets side by side: the clip, the pictures, the page and the folder that show them together.

What belongs together in time, and what the differences are, is worked out in `beside`; here sets
are read, shown at one scale with shoulder on shoulder, and written.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from numpy.typing import NDArray

from barpath.analysis.running import Progress, quiet
from barpath.analysis.setresult import SetResult
from barpath.analysis.store import known_only_by_form, read_results
from barpath.errors import OptionError
from barpath.ground.files import scratch_folder
from barpath.ground.names import name_on_disk
from barpath.ground.sheets import csv_bytes
from barpath.ground.uncertainty import state
from barpath.ground.view import FRONT, SIDE, SQUARE, View
from barpath.lift.catalogue import shown_unit
from barpath.report.above import Above, above_caption, above_of, draw_trunk
from barpath.report.beside import Difference, differences, headline, in_words, mean_of_set
from barpath.report.besidefilm import BesideConfig, FilmSet, Moment, film, panels_of
from barpath.report.blockplots import COLOURS, differences_picture, mean_press, touch_aligned
from barpath.report.facts import Facts, Known, arms_in, cm, facts_of, facts_of_both, whole_reps
from barpath.report.pages import Photo, clean, data_uri, photo, plural, render
from barpath.report.pagesfolder import write_pages
from barpath.report.pairfolder import is_pair_folder, read_pair
from barpath.report.picture import ANSWER_IN, Picture, centimetre_axes, styled
from barpath.report.setpage import CAUTIONS
from barpath.space.sights import SIDES

BESIDE_PAGE = "beside.html"
BESIDE_FILM = "beside.mp4"
BESIDE_TABLE = "differences.csv"
NO_CLIP_OF_PAIRS = "The folder of a pair holds no clip; give the folders of its clips for one."
STYLES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.5, 1.5)), (0, (5, 1.5, 1, 1.5)))


@dataclass(frozen=True)
class Entry:
    """A set to be shown beside others.

    Attributes
    ----------
    name : str
        What it is called; untrusted text.
    folder : Path
    view : str
        `'side'`, `'front'`, `'oblique'`, or `'pair'`.
    measures, reps : DataFrame
    facts : Facts
    above : Above or None
    presses_m : mapping of str to list of ndarray, shape (n, 2)
        From the touch, across (toward the head, or to the lifter's left) and up, by `'side'` and
        `'front'`.
    result : SetResult or None
        None of a pair, whose folder does not hold what was seen.
    clip : Path or None
        The clip, if it lies elsewhere than beside the folder.
    """

    name: str
    folder: Path
    view: str
    measures: pd.DataFrame
    reps: pd.DataFrame
    facts: Facts
    above: Above | None
    presses_m: Mapping[str, list[NDArray[np.float64]]]
    result: SetResult | None = None
    clip: Path | None = None


# --- reading --------------------------------------------------------------------------------------


def read_entries(
    folders: Sequence[Path],
    names: Sequence[str] = (),
    clips: Path | None = None,
    config: BesideConfig | None = None,
) -> list[Entry]:
    """Read result folders of clips or of pairs.

    Parameters
    ----------
    folders : sequence of Path
    names : sequence of str
        What the sets are called; the folders' names if not given.
    clips : Path, optional
        Folder in which the clips lie.
    config : BesideConfig, optional

    Returns
    -------
    list of Entry

    Raises
    ------
    OptionError
        There are too few or too many, or as many names as sets are not given.
    OutputError
        A folder is damaged or no result.
    """
    config = config or BesideConfig()
    if not 2 <= len(folders) <= config.most:
        raise OptionError(
            f"From two to {config.most} sets can be shown side by side, not {len(folders)}."
        )
    if names and len(names) != len(folders):
        raise OptionError(f"There are {len(folders)} sets, but {len(names)} names for them.")
    told: list[str] = []
    for folder, given in zip(folders, names or [""] * len(folders), strict=True):
        name = clean(given or folder.resolve().name).strip() or "set"
        n = 1 + sum(other == name or other.startswith(f"{name} (") for other in told)
        told.append(name if n == 1 else f"{name} ({n})")
    if clips is not None and not clips.is_dir():
        raise OptionError(f"There is no folder '{clips}' with clips.")
    entries = [_read(folder, name) for folder, name in zip(folders, told, strict=True)]
    return [dataclasses.replace(entry, clip=_clip_in(clips, entry)) for entry in entries]


def _clip_in(clips: Path | None, entry: Entry) -> Path | None:
    """The clip of a set in a folder of clips, by the name that its result has."""
    if clips is None or entry.result is None:
        return None
    # The name comes from the result's own file, which need not be trusted.
    name = name_on_disk(Path(entry.result.source_name).name)
    return clips / name if name and (clips / name).is_file() else None


def _read(folder: Path, name: str) -> Entry:
    if is_pair_folder(folder):
        return _read_pair(folder, name)
    with known_only_by_form(folder):
        result = read_results(folder)
        facts = facts_of(result)
        # Which way the path goes is known only where the head's side is.
        headed = not result.shows.along or result.calibration["head_direction"] != "unknown"
        presses = [path / 100 for path in touch_aligned(result)] if headed else []
        return Entry(
            name,
            folder,
            result.view,
            result.measures,
            result.reps,
            facts,
            above_of(arms_in(result), facts),
            {result.view: presses} if result.shows.square else {},
            result,
        )


def _read_pair(folder: Path, name: str) -> Entry:
    tables = read_pair(folder)
    measures, reps, joints, bar = (tables[n] for n in ("measures", "reps", "joints", "bar"))
    facts = facts_of_both(measures, reps, Known(), None, 0.0, None)
    presses: dict[str, list[NDArray[np.float64]]] = {view.name: [] for view in SQUARE}
    for rep in reps[reps["rep"].isin(whole_reps(reps))].itertuples():
        if not (math.isfinite(rep.touch_s) and math.isfinite(rep.lockout_s)):
            continue
        press = bar[bar["time_s"].between(rep.touch_s, rep.lockout_s)]
        for view in SQUARE:
            across = f"{'xyz'[view.axis]}_m"
            path = press[[across, "y_m"]].dropna().to_numpy(dtype=float)
            if len(path) > 2:
                presses[view.name].append(path - path[0])
    return Entry(name, folder, "pair", measures, reps, facts, _pair_above(joints, facts), presses)


def _pair_above(joints: pd.DataFrame, facts: Facts) -> Above | None:
    low = joints[joints["moment"] == "bottom"] if len(joints) else joints
    if not len(low):
        return None
    columns = ["z_m", "x_m", "sd_z_m", "sd_x_m"]
    mean = low.groupby(["side", "joint"])[columns].mean()
    places = np.array([[mean.loc[(s, j)] for j in ("shoulder", "elbow", "wrist")] for s in SIDES])
    middle = places[:, 0, :2].mean(axis=0)
    hips = np.array([[0.10, -0.50], [-0.10, -0.50]])
    return Above(
        joints_m=places[..., :2] - middle,
        u95_m=1.96 * places[..., 2:],
        hips_m=hips,
        touch=facts.touch_m,
        tuck_deg=facts.tuck_deg,
        widths_seen=True,
        lengths_seen=True,
    )


# --- pictures -------------------------------------------------------------------------------------


@styled
def above_picture(entries: Sequence[Entry]) -> Picture | None:
    """Draw arms, grip and touch of all sets over each other, seen from above.

    Parameters
    ----------
    entries : sequence of Entry

    Returns
    -------
    Picture or None
        None when fewer than two sets show their arms.
    """
    shown = [(k, e.name, e.above) for k, e in enumerate(entries) if e.above is not None]
    if len(shown) < 2:
        return None
    figure = Figure(figsize=(ANSWER_IN[0], ANSWER_IN[1]), layout="constrained")
    axes = figure.add_subplot()
    draw_trunk(axes, shown[0][2])
    reach = 52.0
    for k, name, above in shown:
        colour, style = COLOURS[k % len(COLOURS)], STYLES[k % len(STYLES)]
        joints = 100 * above.joints_m
        for arm in joints:
            axes.plot(*arm.T, color=colour, lw=2.4, ls=style, zorder=3 + k)
            axes.plot(*arm[1], "o", color=colour, ms=4.5, zorder=4 + k)
            axes.plot(*arm[2], "s", color="white", mec=colour, mew=1.4, ms=6, zorder=5 + k)
        reach = max(reach, float(np.abs(joints[..., 0]).max()) + 6.0)
        if above.touch:
            level = -100 * above.touch.value
            hands = joints[:, 2, 0]
            ends = [hands.min() - 6.0, hands.max() + 6.0]
            axes.plot(ends, [level, level], color=colour, lw=1.6, ls=style, zorder=2)
        axes.plot([], [], color=colour, lw=2.4, ls=style, label=f" {name}")
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-38.0, 32.0)
    axes.set_aspect("equal", adjustable="box")
    axes.set_axis_off()
    figure.legend(loc="outside lower center", ncols=2)
    words = "; ".join(f"{name}, {_touch_of(above)}" for _, name, above in shown)
    return Picture(figure, f"Arms at the bottom of all sets seen from above: {words}.")


def _touch_of(above: Above) -> str:
    if not above.touch:
        return "touch point not known"
    return f"touch {cm(above.touch)} below the shoulders"


@styled
def paths_picture(entries: Sequence[Entry], view: View) -> Picture | None:
    """Draw the mean press of every set on the same axes, to scale.

    Parameters
    ----------
    entries : sequence of Entry
    view : View
        Seen from the side, measured from the shoulders where all touch points are known; or from
        the feet, from the touch.

    Returns
    -------
    Picture or None
        None when fewer than two sets show it.
    """
    shown = [(k, e) for k, e in enumerate(entries) if e.presses_m.get(view.name)]
    if len(shown) < 2:
        return None
    shouldered = view.along and all(e.facts.touch_m for _, e in shown)
    figure = Figure(figsize=ANSWER_IN, layout="constrained")
    axes = figure.add_subplot()
    words = []
    points = []
    for k, entry in shown:
        mean = mean_press([100 * path for path in entry.presses_m[view.name]])
        if not len(mean):
            continue
        if shouldered:
            mean = mean - [100 * entry.facts.touch_m.value, 0.0]
        colour, style = COLOURS[k % len(COLOURS)], STYLES[k % len(STYLES)]
        axes.plot(*mean.T, color=colour, lw=2.2, ls=style, label=f" {entry.name}")
        axes.plot(*mean[0], "o", color=colour, ms=6)
        axes.plot(*mean[-1], "^", color=colour, ms=7)
        points.append(mean)
        words.append(f"{entry.name} from {mean[0, 0]:.0f} to {mean[-1, 0]:.0f} cm")
    if len(points) < 2:
        return None
    centimetre_axes(axes, np.concatenate(points), min_span_cm=34.0, step_cm=10.0)
    way = "toward the head" if view.along else "to the lifter's left"
    origin = "the shoulders" if shouldered else "the touch"
    axes.set_xlabel(f"from {origin} {way} (cm)", fontsize=8.5)
    axes.set_ylabel("height over the touch (cm)", fontsize=8.5)
    figure.legend(loc="outside lower center", ncols=2)
    return Picture(figure, f"Mean bar path of each set, from {origin}: {'; '.join(words)}.")


# --- the page -------------------------------------------------------------------------------------


def beside_files(
    entries: Sequence[Entry], config: BesideConfig | None = None, progress: Progress = quiet
) -> dict[str, bytes]:
    """The page, the clip and the table of sets side by side.

    Parameters
    ----------
    entries : sequence of Entry
    config : BesideConfig, optional
    progress : callable, optional

    Returns
    -------
    dict of str to bytes
    """
    config = config or BesideConfig()
    sets = film_sets(entries)
    panels, why_no_film = panels_of(sets, config) if sets else ([], NO_CLIP_OF_PAIRS)
    data, moments = b"", []
    if panels:
        with scratch_folder() as place:
            moments = film(sets, panels, place / BESIDE_FILM, config, progress)
            if moments:
                data = (place / BESIDE_FILM).read_bytes()
            else:
                why_no_film = "No repetition is whole in all of the sets."
    files = {BESIDE_FILM: data} if data else {}
    page = beside_html(entries, moments, data, why_no_film)
    return files | {
        BESIDE_PAGE: page.encode("utf-8", "replace"),
        BESIDE_TABLE: csv_bytes(difference_table(entries)),
    }


def film_sets(entries: Sequence[Entry]) -> list[FilmSet]:
    """What the clip is made of; nothing where a set is a pair, whose folder keeps no clip."""
    sets = [FilmSet(e.name, e.result, e.folder, e.clip) for e in entries if e.result is not None]
    return sets if len(sets) == len(entries) else []


def difference_table(entries: Sequence[Entry]) -> pd.DataFrame:
    """Every set's differences from the first: `set, against, topic, value, u95, unit, reason`."""
    rows = []
    for entry in entries[1:]:
        for one in _between(entries[0], entry):
            rows.append(
                {
                    "set": entry.name,
                    "against": entries[0].name,
                    "topic": one.topic.name,
                    "value": one.value,
                    "u95": one.u95,
                    "unit": one.topic.unit,
                    "reason": one.reason,
                }
            )
    return pd.DataFrame(rows)


def _between(first: Entry, second: Entry) -> list[Difference]:
    return differences((first.measures, first.reps), (second.measures, second.reps))


def beside_html(
    entries: Sequence[Entry], moments: Sequence[Moment], clip: bytes, why_no_film: str
) -> str:
    """Write the page.

    Parameters
    ----------
    entries : sequence of Entry
    moments : sequence of Moment
    clip : bytes
        Empty where there is none.
    why_no_film : str
        Then why.
    """
    first = entries[0]
    found = [(entry.name, _between(first, entry)) for entry in entries[1:]]
    heads = [headline(own, first.name, name) for name, own in found]
    drawings = [
        (
            differences_picture(found, first.name),
            "Difference with its 95 % interval; filled where it excludes none.",
        )
    ]
    for drawing, caption in (
        (above_picture(entries), _above_caption(entries)),
        (paths_picture(entries, SIDE), "Mean press of each set from the side, to scale: dot at"
         " the touch, triangle at lockout."),
        (paths_picture(entries, FRONT), "Mean press of each set from the feet, to scale."),
    ):  # fmt: skip
        if drawing is not None:
            drawings.append((drawing, caption))
    shown = ("touch", "sticking point", "lockout")
    stills = [_still(moment) for moment in moments if moment.rep == 1 and moment.word in shown]
    return render(
        "beside.html",
        title=f"Bench press, side by side: {', '.join(e.name for e in entries)}",
        names=[entry.name for entry in entries],
        about=[f"{e.name}: {plural(len(e.reps), 'repetition')}{_load(e)}" for e in entries],
        heads=heads,
        drawings=drawings,
        sentences=[in_words(one, name) for name, own in found for one in own],
        film=data_uri(clip, "video/mp4") if clip else "",
        why_no_film=why_no_film,
        stills=stills,
        head=["", *(entry.name for entry in entries)],
        rows=_rows(entries),
        cautions=CAUTIONS,
        media="media-src data:; ",
    )


def _load(entry: Entry) -> str:
    load = None if entry.result is None else entry.result.options.get("load_kg")
    return f", {load:g} kg" if isinstance(load, int | float) else ""


def _above_caption(entries: Sequence[Entry]) -> str:
    above = next((e.above for e in entries if e.above is not None), None)
    return "" if above is None else above_caption(above)


def _still(moment: Moment) -> Photo:
    caption = f"Repetition {moment.rep}, {moment.word}."
    return photo(moment.image, f"All sets at the {moment.word}, at one scale.", caption)


def _rows(entries: Sequence[Entry]) -> list[dict[str, Any]]:
    """Each topic with its value in every set."""
    rows = []
    for one in _between(entries[0], entries[1]):
        factor, unit = shown_unit(one.topic.unit)
        cells: list[Any] = []
        for entry in entries:
            mean = mean_of_set(entry.measures, whole_reps(entry.reps), one.topic)
            told = state(factor * mean.value, factor * mean.tool_u95, unit)
            cells.append(None if told == "–" else told)
        rows.append({"label": one.topic.name, "unit": "", "cells": cells})
    return rows


def write_beside(
    entries: Sequence[Entry],
    folder: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    progress: Progress = quiet,
) -> Path:
    """Write sets side by side into a folder of their own, whole or not at all.

    Parameters
    ----------
    entries : sequence of Entry
    folder : path-like
    overwrite : bool
        Replace earlier pages there.
    progress : callable, optional

    Returns
    -------
    Path
        The folder.
    """
    files = beside_files(entries, progress=progress)
    return write_pages(Path(folder), files, overwrite=overwrite)
