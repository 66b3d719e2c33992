"""The plan of a block: its clips and their labels, from a sheet or from the clips' names."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from barpath.analysis import store
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import read_corrections
from barpath.block import blockstore
from barpath.block.blockstore import BLOCK_FILE
from barpath.block.jobs import ClipEntry, words_of
from barpath.block.keys import configs_of
from barpath.errors import OptionError
from barpath.ground.names import name_on_disk, told_name
from barpath.ground.sheets import unguarded
from barpath.ground.view import AUTO, CHOICES

SHEETS = ("block.csv", "block.toml")
CLIP_SUFFIXES = (".mp4", ".mov", ".m4v", ".mkv", ".avi", ".webm", ".3gp")
SHEET_FIELDS = (
    "lifter",
    "date",
    "view",
    "load_kg",
    "plate_mm",
    "bar",
    "technique",
    "pair",
    "stature_cm",
    "upper_arm_cm",
    "capture_fps",
)
_SHEET_COLUMNS = {"clip", *SHEET_FIELDS}


def entry_from_name(path: Path, name: str) -> ClipEntry:
    """Read the labels of a clip from its name, whose parts are kept apart by ``_``.

    A date ``2026-03-05``, a load ``82.5kg``, a plate ``450mm``, a view and ``pairX`` are known by
    their looks wherever they stand; of the other parts the first is the lifter, the second the
    technique.

    Examples
    --------
    >>> e = entry_from_name(Path("mara_2026-10-03_side_82.5kg_tucked.mp4"), "x")
    >>> e.lifter, e.date, e.view, e.load_kg, e.technique
    ('mara', '2026-10-03', 'side', 82.5, 'tucked')
    """
    found: dict[str, Any] = {}
    rest: list[str] = []
    for part in told_name(path.stem).split("_"):
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", part):
            found["date"] = part
        elif match := re.fullmatch(r"(\d+(?:\.\d+)?)kg", part, re.IGNORECASE):
            found["load_kg"] = float(match[1])
        elif match := re.fullmatch(r"(\d+(?:\.\d+)?)mm", part, re.IGNORECASE):
            found["plate_mm"] = float(match[1])
        elif part.lower() in CHOICES:
            found["view"] = part.lower()
        elif match := re.fullmatch(r"pair(.+)", part, re.IGNORECASE):
            found["pair"] = match[1]
        elif part:
            rest.append(part)
    found |= dict(zip(("lifter", "technique"), rest, strict=False))
    return _checked(ClipEntry(path=path, name=name, **found))


def read_sheet(sheet: Path) -> list[ClipEntry]:
    """Read the sheet of a block.

    Parameters
    ----------
    sheet : Path
        CSV with a heading, or TOML with one ``[[clip]]`` table for each clip and, if wanted, a
        ``[defaults]`` table. Column `clip` is the path of the clip from the sheet; others known are
        `lifter, date, view, load_kg, plate_mm, bar, technique, pair, upper_arm_cm, stature_cm,
        capture_fps`; all further ones are kept as labels.

    Returns
    -------
    list of ClipEntry
        A line that makes no sense has its `fault` said and does not stop the others.

    Raises
    ------
    OptionError
        The sheet cannot be read, or has no column `clip`.
    """
    return [entry_of(line, sheet.parent) for line in sheet_lines(sheet)]


def sheet_lines(sheet: Path) -> list[dict[str, Any]]:
    """Lines of a block's sheet by column, as they stand there.

    Raises
    ------
    OptionError
        As for `read_sheet`.
    """
    try:
        text = sheet.read_text("utf-8-sig")
        lines = _toml_lines(text) if sheet.suffix.lower() == ".toml" else _csv_lines(text)
    except (OSError, ValueError, csv.Error, RecursionError) as error:
        raise OptionError(f"The sheet '{sheet}' cannot be read: {words_of(error)}.") from error
    if not any(str(column).strip().lower() == "clip" for line in lines for column in line):
        raise OptionError(f"The sheet '{sheet}' has no column 'clip', or no clips.")
    return lines


def _toml_lines(text: str) -> list[dict[str, Any]]:
    content = tomllib.loads(text)
    defaults, clips = content.get("defaults", {}), content.get("clip", [])
    tables = isinstance(clips, list) and all(isinstance(line, dict) for line in clips)
    if not (tables and isinstance(defaults, dict)):
        raise ValueError("it needs a [[clip]] table for each clip")
    return [defaults | line for line in clips]


def _csv_lines(text: str) -> list[dict[str, Any]]:
    first = next((line for line in text.splitlines() if line.strip(" ,;\t")), "")
    delimiter = ";" if ";" in first else ","
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    said = [row for row in rows if any(cell.strip() for cell in row)]
    heading = [unguarded(cell) for cell in said[0]] if said else []
    return [dict(zip(heading, map(unguarded, row), strict=False)) for row in said[1:]]


def entry_of(line: Mapping[Any, Any], folder: Path) -> ClipEntry:
    """A clip as a line of a sheet in `folder` tells of it; its fault is said, not raised."""
    cells = {
        str(k).strip().lower(): str(v).strip()
        for k, v in line.items()
        if k is not None and v is not None and str(v).strip()
    }
    name = cells.get("clip", "")
    taken = {*blockstore.LABELS, *blockstore.NUMBERS, *blockstore.REP_TEXT, "rep", "touch_and_go"}
    taken |= {*blockstore.REP_TIMES, *_SHEET_COLUMNS}
    labels = tuple(sorted((k, v) for k, v in cells.items() if k not in taken))
    path = folder / name
    if name and not is_file(path):
        # A sheet can name a file in bytes that are no UTF-8 only as our tables do.
        path = folder / name_on_disk(name)
    told = name if path != folder / name else told_name(name)
    entry = ClipEntry(path=path, name=told or "(no name)", labels=labels)
    if not name:
        return dataclasses.replace(entry, fault="A line of the sheet names no clip.")
    known: dict[str, Any] = {
        k: cells[k] for k in ("lifter", "date", "technique", "pair", "view", "bar") if k in cells
    }
    known["view"] = known.get("view", AUTO).lower()
    for column, attribute, factor in (
        ("load_kg", "load_kg", 1.0),
        ("plate_mm", "plate_mm", 1.0),
        ("upper_arm_cm", "upper_arm_m", 0.01),
        ("stature_cm", "stature_m", 0.01),
        ("capture_fps", "capture_fps", 1.0),
    ):
        if column in cells:
            try:
                known[attribute] = factor * float(cells[column].replace(",", "."))
            except ValueError:
                fault = f"Its {column} in the sheet is no number: {cells[column]!r}."
                return dataclasses.replace(entry, **known, fault=fault)
    return _checked(dataclasses.replace(entry, **known))


def _checked(entry: ClipEntry) -> ClipEntry:
    fault = ""
    if entry.date:
        try:
            entry = dataclasses.replace(entry, date=date.fromisoformat(entry.date).isoformat())
        except ValueError:
            fault = f"Its date is not of the form 2026-03-05: {entry.date!r}."
    try:
        configs_of(entry, AnalysisConfig())
    except OptionError as error:
        fault = str(error)
    if not fault and not is_file(entry.path):
        fault = "There is no such file."
    by_hand = corrections_file(entry.path)
    if not fault and is_file(by_hand):
        try:
            entry = dataclasses.replace(entry, corrections=read_corrections(by_hand))
        except OptionError as error:
            fault = str(error)
    return dataclasses.replace(entry, fault=fault)


def corrections_file(clip: Path) -> Path:
    """Where what was put right by hand in a clip lies, if anything was: beside it.

    Examples
    --------
    >>> corrections_file(Path("monday/set.mp4")).as_posix()
    'monday/set.mp4.corrections.json'
    """
    return clip.with_name(f"{clip.name}.corrections.json")


def is_file(path: Path) -> bool:
    """Whether there is such a file; no if there cannot be."""
    try:
        return path.is_file()
    except OSError:
        return False


def plan_folder(folder: Path, sheet: Path | None = None) -> list[ClipEntry]:
    """List the clips of a block.

    Parameters
    ----------
    folder : Path
        Searched through with all its folders, unless there is a sheet.
    sheet : Path, optional
        The sheet; ``block.csv`` or ``block.toml`` in the folder if not given and there is one.

    Returns
    -------
    list of ClipEntry
        In the sheet's order, or by name.

    Raises
    ------
    OptionError
        There is no such folder, no clip in it, or the sheet cannot be read.
    """
    if not folder.is_dir():
        raise OptionError(f"There is no folder '{folder}'.")
    if sheet is None:
        sheet = next((folder / s for s in SHEETS if (folder / s).is_file()), None)
    if sheet is not None:
        return read_sheet(sheet)
    inside = clips_in(folder)
    if not inside:
        raise OptionError(f"There is no clip in '{folder}'.")
    return [entry_from_name(path, name) for name, path in inside.items()]


def clips_in(folder: Path) -> dict[str, Path]:
    """Clips in a folder and all its folders, but those of results, by their names in tables."""
    paths = sorted(p for p in folder.rglob("*") if p.suffix.lower() in CLIP_SUFFIXES)
    inside = [p for p in paths if not _in_block(p, folder)]
    return {told_name(p.relative_to(folder).as_posix()): p for p in inside}


def _in_block(path: Path, root: Path) -> bool:
    """Whether a clip lies in a block's or a set's own results rather than among the clips."""
    own = (BLOCK_FILE, store.SUMMARY_FILE)
    between = [p for p in path.parents if p == root or root in p.parents]
    return any((parent / name).is_file() for parent in between for name in own)
