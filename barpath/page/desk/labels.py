"""What is said of a desk's clips: taken in with guesses, written into the sheet, taken away."""

from __future__ import annotations

import dataclasses
import hashlib
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from barpath.analysis.corrections import Corrections, write_corrections
from barpath.block.jobs import ClipEntry
from barpath.block.plan import SHEET_FIELDS, SHEETS, corrections_file, entry_of, sheet_lines
from barpath.clip.frames import recorded
from barpath.errors import OptionError, OutputError, reason_of
from barpath.ground.files import write_atomically
from barpath.ground.sheets import csv_bytes
from barpath.ground.view import told
from barpath.page.desk.guesses import guess
from barpath.page.desk.naming import free_name, safe_name
from barpath.page.desk.shelf import OWN, Bench, entries_of, keep_known
from barpath.report.pages import clean


def add(bench: Bench, part: Path, name: str, modified: datetime | None) -> str:
    """Put a clip that has come whole among the others.

    Parameters
    ----------
    bench : Bench
    part : Path
        Its file, in the folder of the clips.
    name : str
        As it was called where it comes from; untrusted.
    modified : datetime or None
        Its date there.

    Returns
    -------
    str
        The name under which it is kept.
    """
    before = entries_of(bench)
    kept = free_name(bench.clips, safe_name(name))
    target = bench.clips / kept
    part.rename(target)
    values, sources = guess(
        clean(re.split(r"[/\\]", name)[-1]),
        recorded(target)[0],
        modified,
        before[-1] if before else None,
    )
    write_labels(bench, {kept: values})
    keep_known(bench, kept, guessed=sources, check=None)
    return kept


def write_labels(bench: Bench, labels: Mapping[str, Mapping[str, str]]) -> None:
    """Write labels of clips into the sheet; what else stands in it stays.

    Parameters
    ----------
    bench : Bench
    labels : mapping of clip to mapping of column to text
        Empty text takes a label away.

    Raises
    ------
    OptionError
        The labels stand in a sheet that is not ours to write, or cannot be read.
    OutputError
        It cannot be written.
    """
    other = bench.clips / SHEETS[1]
    if other.is_file() and not bench.sheet.is_file():
        raise OptionError(f"The labels of this folder stand in its {SHEETS[1]}; change them there.")
    lines = _lines(bench)
    by_clip = {str(line.get("clip", "")): line for line in lines}
    for entry in entries_of(bench):
        # A clip that the sheet does not list would be left out by it.
        if entry.name not in by_clip:
            by_clip[entry.name] = {"clip": entry.name} | _labels_of(entry)
            lines.append(by_clip[entry.name])
    for clip, values in labels.items():
        by_clip[clip].update(values)
    _write_lines(bench, lines)


def _labels_of(entry: ClipEntry) -> dict[str, str]:
    return guess(entry.path.name, None, None)[0] if entry.lifter else {}


def _lines(bench: Bench) -> list[dict[str, Any]]:
    if not bench.sheet.is_file():
        return []
    lines = sheet_lines(bench.sheet)
    return [{str(k).strip().lower(): v for k, v in line.items() if k} for line in lines]


def _write_lines(bench: Bench, lines: Sequence[Mapping[str, Any]]) -> None:
    if not lines:
        # A sheet without clips is none.
        bench.sheet.unlink(missing_ok=True)
        return
    columns = list(dict.fromkeys(["clip", *SHEET_FIELDS, *(c for line in lines for c in line)]))
    rows = [{c: str(line.get(c) or "") for c in columns} for line in lines]
    write_atomically(bench.sheet, csv_bytes(pd.DataFrame(rows, columns=columns, dtype=object)))


def labels_mark(entry: ClipEntry) -> str:
    """A mark that changes with a clip's labels: what a form was filled from."""
    values = dataclasses.asdict(entry) | {"path": "", "corrections": ""}
    return hashlib.sha256(repr(sorted(values.items())).encode()).hexdigest()[:12]


def set_labels(bench: Bench, clip: str, values: Mapping[str, str], mark: str) -> None:
    """Take over what somebody said of a clip.

    Parameters
    ----------
    bench : Bench
    clip : str
    values : mapping of column to text
    mark : str
        Of what the form showed; see `labels_mark`.

    Raises
    ------
    OptionError
        A value cannot be, or the labels were changed meanwhile.
    """
    entry = next((e for e in entries_of(bench) if e.name == clip), None)
    if entry is None:
        raise OptionError("This clip is not there any more.")
    if labels_mark(entry) != mark:
        raise OptionError(
            "These details were changed in another window meanwhile; they are shown as they are"
            " now, and what you wrote was not saved."
        )
    trial = entry_of({"clip": clip} | dict(values), bench.clips)
    if trial.fault:
        raise OptionError(trial.fault)
    write_labels(bench, {clip: {c: clean(v).strip() for c, v in values.items()}})
    keep_known(bench, clip, guessed={})


def join(bench: Bench, clips: Sequence[str]) -> str:
    """Say that clips show one set; the label that they have from then on.

    Raises
    ------
    OptionError
        They cannot.
    """
    by_name = {entry.name: entry for entry in entries_of(bench)}
    if len(clips) < 2 or not set(clips) <= set(by_name):
        raise OptionError("Pick the clips that show one set from several places.")
    entries = [by_name[clip] for clip in clips]
    if len({(entry.lifter, entry.date) for entry in entries}) > 1:
        raise OptionError(
            "The clips are of different lifters or days, as their details stand; put those right"
            " first."
        )
    seen = [told(entry.view) for entry in entries]
    if sum(view is not None and not view.along for view in seen) > 1:
        raise OptionError("Only one clip of a set can be from the feet, as their details stand.")
    labels = {entry.pair for entry in entries} - {""}
    day = (entries[0].lifter, entries[0].date)
    used = {e.pair for e in by_name.values() if (e.lifter, e.date) == day}
    new = next(str(n) for n in range(1, len(used) + 2) if str(n) not in used)
    label = labels.pop() if len(labels) == 1 else new
    write_labels(bench, {clip: {"pair": label} for clip in clips})
    return label


def remove(bench: Bench, clip: str) -> Path:
    """Take a clip off the desk; it is kept in a folder aside.

    Raises
    ------
    OptionError
        It is not on the desk.
    OutputError
        It cannot be moved.
    """
    if bench.key != OWN:
        raise OptionError("Clips of a folder that was opened stay where they are.")
    entry = next((e for e in entries_of(bench) if e.name == clip), None)
    if entry is None:
        raise OptionError("This clip is not there any more.")
    aside = bench.home / "removed"
    try:
        aside.mkdir(exist_ok=True)
        target = aside / free_name(aside, entry.path.name)
        if entry.path.exists():
            entry.path.rename(target)
        by_hand = corrections_file(entry.path)
        if by_hand.exists():
            by_hand.rename(corrections_file(target))
        folder = bench.set_folder(clip)
        if folder.is_dir():
            folder.rename(aside / free_name(aside, f"{folder.name}.results"))
        bench.known_file(clip).unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"'{clip}' cannot be moved: {reason_of(error)}.") from error
    _write_lines(bench, [line for line in _lines(bench) if line.get("clip") != clip])
    return target


def keep_corrections(clip: Path, corrections: Corrections) -> None:
    """Keep what was put right by hand in a clip beside it, where a block finds it too.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    file = corrections_file(clip)
    if corrections:
        write_corrections(corrections, file)
        return
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"'{file}' cannot be removed: {reason_of(error)}.") from error
