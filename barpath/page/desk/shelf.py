"""The folder that a desk keeps: clips, what is known and guessed of them, and what was made.

Everything lies in plain files that the command line reads and writes too::

    desk.json            what this folder is; queue.json what is to be done
    clips/               the clips, and block.csv, the sheet that `barpath block clips` reads
    block/               what `barpath block clips --out block` keeps
    sets/CLIP/           a result folder, as `barpath analyse` writes one
    pairs/NAME/          as `barpath pair` writes one
    compared/NAME/       as `barpath beside` writes one
    pages/, comparison/  as `barpath block-report` and `barpath compare` write them
    known/CLIP.json      the film check, and what was guessed from what
    opened/NAME/         the same for a folder of clips that lies elsewhere
    removed/             clips that were taken off the desk
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
import re
import unicodedata
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import pandas as pd

from barpath.analysis.store import SUMMARY_FILE
from barpath.block import block
from barpath.block.block import ClipEntry
from barpath.clip.frames import recorded
from barpath.errors import OptionError, OutputError, reason_of
from barpath.ground.files import clear_parts, json_bytes, prepare, read_json, write_atomically
from barpath.ground.names import file_stems, told_name
from barpath.ground.sheets import csv_bytes
from barpath.ground.view import is_open, told
from barpath.report.output import REPORT_FILE
from barpath.report.pages import clean

DESK_FILE = "desk.json"
DESK_NAME = "barpath-desk"
VERSION = 1
OWN = "own"
SHEET, OTHER_SHEET = block.SHEETS
FIELDS = block.SHEET_FIELDS
FROM_NAME, FROM_CLIP, FROM_FILE = "the file's name", "the clip's own date", "the file's date"
AS_BEFORE = "the clip added before"
NEAR_S = 30.0
_MAX_NAME_BYTES = 120
# Four characters and four digits as cameras name files (JEITA CP-3461, DCF), and plain stamps.
_CAMERA_WORD = re.compile(r"[A-Z]{0,4}\d{3,}[A-Z]{0,2}|[A-Z]{2,4}|\d+")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


@dataclass(frozen=True)
class Bench:
    """Clips that belong together, and where what is made of them is kept.

    Attributes
    ----------
    key : str
        Its name in addresses.
    home : Path
        Where results are kept.
    clips : Path
        Where the clips lie.
    """

    key: str
    home: Path
    clips: Path

    @property
    def block(self) -> Path:
        """The block's folder."""
        return self.home / "block"

    @property
    def sheet(self) -> Path:
        """The sheet in which the clips' labels stand."""
        return self.clips / SHEET

    def set_folder(self, clip: str) -> Path:
        """Result folder of a clip."""
        return self.home / "sets" / stem_of(clip)

    def known_file(self, clip: str) -> Path:
        """What the desk itself knows of a clip."""
        return self.home / "known" / f"{stem_of(clip)}.json"


@dataclass(frozen=True)
class Clip:
    """A clip on a bench.

    Attributes
    ----------
    entry : ClipEntry
        As the block has it.
    stem : str
        Its name in addresses and folders.
    size : int
        Bytes.
    guessed : dict of str to str
        What each field that nobody has confirmed was guessed from.
    check : dict or None
        The film check: `view`, `rows` (item, value, verdict, words) or `error`; None when there is
        none of the clip as it is.
    result : Path or None
        Result folder, when there is one.
    """

    entry: ClipEntry
    stem: str
    size: int = 0
    guessed: Mapping[str, str] = field(default_factory=dict)
    check: Mapping[str, Any] | None = None
    result: Path | None = None

    @property
    def name(self) -> str:
        """Its name in tables."""
        return self.entry.name


# --- the folder -----------------------------------------------------------------------------------


def open_desk(folder: Path) -> Bench:
    """Make or take up the folder of a desk.

    Raises
    ------
    OutputError
        It holds something else, or cannot be written.
    """
    home = prepare(folder, _check_desk)
    own = Bench(OWN, home, home / "clips")
    try:
        for place in (home, own.clips, home / "known"):
            place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"The desk cannot be kept in '{home}': {reason_of(error)}.") from error
    if not (home / DESK_FILE).is_file():
        write_atomically(home / DESK_FILE, json_bytes({"name": DESK_NAME, "version": VERSION}))
    return own


def tidy(bench: Bench) -> None:
    """Clear what a killed program left half-written; nobody else may have the desk open."""
    for place in (bench.home, bench.clips, bench.home / "known"):
        clear_parts(place)


def _check_desk(folder: Path) -> None:
    if not os.path.lexists(folder):
        return
    if not folder.is_dir():
        raise OutputError(f"'{folder}' is a file, so no desk can be kept there.")
    begun = f".{DESK_FILE}.part-"
    others = [p for p in folder.iterdir() if not p.name.startswith(begun)]
    if others and not (folder / DESK_FILE).exists() and {p.name for p in others} - {"clips"}:
        raise OutputError(f"'{folder}' is not empty and no desk of barpath; choose another.")
    if (folder / DESK_FILE).exists():
        try:
            data = read_json(folder / DESK_FILE)
            known = data["name"] == DESK_NAME and data["version"] <= VERSION
        except (OSError, ValueError, KeyError, TypeError):
            known = False
        if not known:
            raise OutputError(f"'{folder}' is no desk of this version of barpath.")


def benches(home: Path) -> dict[str, Bench]:
    """The desk's own bench and those of folders that were opened, by key."""
    found = {OWN: Bench(OWN, home, home / "clips")}
    with suppress(OSError):
        for place in sorted((home / "opened").iterdir()):
            with suppress(OSError, ValueError, KeyError, TypeError):
                clips = Path(os.fsdecode(bytes.fromhex(read_json(place / DESK_FILE)["clips"])))
                found[place.name] = Bench(place.name, place, clips)
    return found


def open_folder(home: Path, folder: Path) -> Bench:
    """Put a folder of clips that lies elsewhere on a bench of its own.

    Raises
    ------
    OptionError
        There is no such folder, or no clip in it.
    OutputError
        The bench cannot be kept.
    """
    if not folder.is_dir():
        raise OptionError(f"There is no folder '{told_name(str(folder))}'.")
    if not (clips_of := block.clips_in(folder)):
        raise OptionError(f"There is no clip in '{told_name(str(folder))}'.")
    whole = folder.resolve()
    if whole == home / "clips":
        return benches(home)[OWN]
    if home in whole.parents or whole == home or home in (p.resolve() for p in clips_of.values()):
        raise OptionError("This folder belongs to the desk itself.")
    mark = hashlib.sha256(os.fsencode(whole)).hexdigest()[:8]
    plain = re.sub(r"[^a-z0-9]+", "-", told_name(whole.name).lower()).strip("-")[:40]
    bench = Bench(
        f"{plain or 'folder'}-{mark}", home / "opened" / f"{plain or 'folder'}-{mark}", whole
    )
    try:
        (bench.home / "known").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"It cannot be kept: {reason_of(error)}.") from error
    content = {"name": DESK_NAME, "version": VERSION, "clips": os.fsencode(whole).hex()}
    write_atomically(bench.home / DESK_FILE, json_bytes(content))
    return bench


# --- names ----------------------------------------------------------------------------------------


def stem_of(clip: str) -> str:
    """Name for folders and addresses made of a clip's name; no two clips' are alike.

    Examples
    --------
    >>> stem_of("ada_side.mp4"), stem_of("monday/ada.mp4")
    ('ada_side-mp4', 'monday_ada-mp4-05ee24a5')
    """
    # A folder must not look like a clip.
    whole = "-".join(clip.rsplit(".", 1))
    return file_stems([whole])[whole]


def safe_name(name: str) -> str:
    r"""A name under which a clip can be kept, as near to its own as it can be.

    Raises
    ------
    OptionError
        It is not the name of a clip.

    Examples
    --------
    >>> safe_name("../../Ada: \u202e<b>.MP4"), safe_name("C:\\films\\set 1.mov")
    ('Ada_ _b_.MP4', 'set 1.mov')
    >>> safe_name("con.mp4")
    '_con.mp4'
    """
    base = clean(re.split(r"[/\\]", name)[-1])
    base = unicodedata.normalize("NFC", base)
    stem, dot, suffix = base.rpartition(".")
    if not dot or f".{suffix.lower()}" not in block.CLIP_SUFFIXES:
        known = ", ".join(block.CLIP_SUFFIXES)
        raise OptionError(f"'{clean(name)}' does not end as the name of a clip does ({known}).")
    plain = re.sub(r"[^\w .()+,-]", "_", stem).strip(" .-")
    plain = os.fsencode(plain)[:_MAX_NAME_BYTES].decode("utf-8", "ignore").rstrip(" .")
    if not plain or _RESERVED.match(f"{plain}."):
        plain = f"_{plain}"
    return f"{plain}.{suffix}"


def free_name(folder: Path, name: str) -> str:
    """A name that no file of a folder has yet, in capitals or small letters."""
    with_names = {p.name.casefold() for p in folder.iterdir()}
    stem, _, suffix = name.rpartition(".")
    n, free = 1, name
    while free.casefold() in with_names:
        n += 1
        free = f"{stem} ({n}).{suffix}"
    return free


# --- guesses --------------------------------------------------------------------------------------


def guess(
    name: str,
    recorded_at: datetime | None,
    modified: datetime | None,
    before: ClipEntry | None = None,
) -> tuple[dict[str, str], dict[str, str]]:
    """Guess who, when and what a clip shows.

    Parameters
    ----------
    name : str
        The file's name.
    recorded_at, modified : datetime or None
        What the clip itself tells, and the file's date.
    before : ClipEntry, optional
        The clip added before this one.

    Returns
    -------
    values, sources : dict of str to str
        By field, as text of a sheet; what each was guessed from.

    Examples
    --------
    >>> guess("Ada_2026-03-02_side_80kg_flared.mp4", None, None)[0]
    {'lifter': 'Ada', 'date': '2026-03-02', 'view': 'side', 'load_kg': '80', 'technique': 'flared'}
    >>> when = datetime(2026, 3, 2, 18, 5)
    >>> values, sources = guess("IMG_0412.MOV", when, None, ClipEntry(Path("a"), "a", "Ada"))
    >>> values["lifter"], sources["lifter"]
    ('Ada', 'the clip added before')
    """
    stem = name.rpartition(".")[0]
    words = [word for word in re.split(r"[_ ()-]+", stem) if word]
    stamp = re.search(r"(?<!\d)(20\d\d)(\d\d)(\d\d)(?!\d)", stem)
    by_camera = all(_CAMERA_WORD.fullmatch(word.upper()) for word in words) and bool(
        re.search(r"\d{3,}", stem)
    )
    values: dict[str, str] = {}
    sources: dict[str, str] = {}
    read = block.entry_from_name(Path(name), name)
    for column in ("lifter", "date", "view", "load_kg", "plate_mm", "technique", "pair"):
        value = getattr(read, column)
        nothing = getattr(ClipEntry(Path(name), name), column)
        if value != nothing and not (by_camera and column in ("lifter", "technique")):
            values[column] = f"{value:g}" if isinstance(value, float) else str(value)
            sources[column] = FROM_NAME
    if stamp and "date" not in values:
        with suppress(ValueError):
            values["date"] = date(*map(int, stamp.groups())).isoformat()
            sources["date"] = FROM_NAME
    for moment, source in ((recorded_at, FROM_CLIP), (modified, FROM_FILE)):
        if "date" not in values and moment is not None:
            values["date"] = moment.astimezone().date().isoformat()
            sources["date"] = source
    if "lifter" not in values and before is not None:
        values["lifter"], sources["lifter"] = before.lifter, AS_BEFORE
    order = [column for column in FIELDS if column in values]
    return {c: values[c] for c in order}, {c: sources[c] for c in order}


def likely_pairs(clips: Sequence[Clip]) -> list[tuple[Clip, Clip]]:
    """Clips that seem to show one set from two places: by their times and views.

    Parameters
    ----------
    clips : sequence of Clip

    Returns
    -------
    list of tuple of Clip
        Of one lifter and day, not yet said to belong together, recorded at the same time within
        half a minute (our estimate, no source) and not from the same side. Each is in one pair.
    """
    found, taken = [], set()
    times = {clip.name: _span(clip) for clip in clips if not clip.entry.pair}
    for at, one in enumerate(clips):
        for other in clips[at + 1 :]:
            spans = times.get(one.name), times.get(other.name)
            if None in spans or {one.name, other.name} & taken:
                continue
            same = (one.entry.lifter, one.entry.date) == (other.entry.lifter, other.entry.date)
            seen = told(seen_from(one))
            alike = seen is not None and seen.square and seen_from(other) == seen.name
            if not same or alike:
                continue
            (begin, end), (begin_2, end_2) = spans
            if begin <= end_2 + NEAR_S and begin_2 <= end + NEAR_S:
                found.append((one, other))
                taken |= {one.name, other.name}
    return found


def _span(clip: Clip) -> tuple[float, float] | None:
    return _span_of(clip.entry.path, tuple(_stat(clip.entry.path) or ()))


@lru_cache(maxsize=4096)
def _span_of(path: Path, stat: tuple[int, ...]) -> tuple[float, float] | None:
    """When a clip begins and ends; `stat` changes with the file."""
    moment, length_s = recorded(path)
    return None if moment is None else (moment.timestamp(), moment.timestamp() + length_s)


def seen_from(clip: Clip) -> str:
    """View of a clip: as said, or as the film check found it; empty if neither tells."""
    if not is_open(clip.entry.view):
        return clip.entry.view
    return str((clip.check or {}).get("view", ""))


# --- reading --------------------------------------------------------------------------------------


def entries_of(bench: Bench) -> list[ClipEntry]:
    """Clips of a bench: those of its sheet, and those that lie there and are not in it.

    Raises
    ------
    OptionError
        The sheet cannot be read.
    """
    on_disk = block.clips_in(bench.clips) if bench.clips.is_dir() else {}
    sheet = next((bench.clips / s for s in block.SHEETS if (bench.clips / s).is_file()), None)
    listed = block.read_sheet(sheet) if sheet is not None else []
    known = {entry.name for entry in listed}
    rest = [block.entry_from_name(p, name) for name, p in on_disk.items() if name not in known]
    return [*listed, *rest]


def clips_of(bench: Bench) -> list[Clip]:
    """All that is known of the clips of a bench.

    Raises
    ------
    OptionError
        The sheet cannot be read.
    """
    return [_clip(bench, entry) for entry in entries_of(bench)]


def _clip(bench: Bench, entry: ClipEntry) -> Clip:
    known = known_of(bench, entry.name)
    folder = bench.set_folder(entry.name)
    whole = (folder / SUMMARY_FILE).is_file() and (folder / REPORT_FILE).is_file()
    stat = _stat(entry.path)
    check = known.get("check")
    if check is not None and check.get("file") != stat:
        check = None
    return Clip(
        entry,
        stem_of(entry.name),
        0 if stat is None else stat[0],
        known.get("guessed", {}),
        check,
        folder if whole else None,
    )


def _stat(path: Path) -> list[int] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return [stat.st_size, stat.st_mtime_ns]


def known_of(bench: Bench, clip: str) -> dict[str, Any]:
    """What the desk itself keeps of a clip; nothing where that cannot be read."""
    with suppress(OSError, ValueError):
        data = read_json(bench.known_file(clip))
        if isinstance(data, dict) and data.get("clip") == clip:
            return data
    return {}


def keep_known(bench: Bench, clip: str, **changes: Any) -> None:
    """Keep something more of a clip."""
    data = known_of(bench, clip) | {"clip": clip} | changes
    bench.known_file(clip).parent.mkdir(parents=True, exist_ok=True)
    write_atomically(bench.known_file(clip), json_bytes(data))


def keep_check(bench: Bench, entry: ClipEntry, content: Mapping[str, Any]) -> None:
    """Keep the film check of a clip as it lies there now."""
    keep_known(bench, entry.name, check=dict(content) | {"file": _stat(entry.path)})


# --- writing --------------------------------------------------------------------------------------


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
    other = bench.clips / OTHER_SHEET
    if other.is_file() and not bench.sheet.is_file():
        raise OptionError(
            f"The labels of this folder stand in its {OTHER_SHEET}; change them there."
        )
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
    lines = block.sheet_lines(bench.sheet)
    return [{str(k).strip().lower(): v for k, v in line.items() if k} for line in lines]


def _write_lines(bench: Bench, lines: Sequence[Mapping[str, Any]]) -> None:
    if not lines:
        # A sheet without clips is none.
        bench.sheet.unlink(missing_ok=True)
        return
    columns = list(dict.fromkeys(["clip", *FIELDS, *(c for line in lines for c in line)]))
    rows = [{c: str(line.get(c) or "") for c in columns} for line in lines]
    write_atomically(bench.sheet, csv_bytes(pd.DataFrame(rows, columns=columns, dtype=object)))


def labels_mark(entry: ClipEntry) -> str:
    """A mark that changes with a clip's labels: what a form was filled from."""
    values = dataclasses.asdict(entry) | {"path": ""}
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
    trial = block.entry_of({"clip": clip} | dict(values), bench.clips)
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
        folder = bench.set_folder(clip)
        if folder.is_dir():
            folder.rename(aside / free_name(aside, f"{folder.name}.results"))
        bench.known_file(clip).unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"'{clip}' cannot be moved: {reason_of(error)}.") from error
    _write_lines(bench, [line for line in _lines(bench) if line.get("clip") != clip])
    return target


def pair_folder(bench: Bench, clips: Sequence[str]) -> Path:
    """Folder of a pair's result."""
    return bench.home / "pairs" / together(clips)


def beside_folder(bench: Bench, folders: Sequence[Path]) -> Path:
    """Folder of sets side by side."""
    return bench.home / "compared" / together([folder.name for folder in folders])


def together(names: Sequence[str]) -> str:
    """One plain name for several.

    Examples
    --------
    >>> together(["a.mp4", "b.mp4"])
    'a-b-6eefefe3'
    """
    mark = hashlib.sha256("\n".join(names).encode("utf-8", "surrogatepass")).hexdigest()[:8]
    plain = "-".join(re.sub(r"[^\w]+", "_", Path(name).stem)[:24] for name in names)
    return f"{os.fsencode(plain)[:80].decode('utf-8', 'ignore')}-{mark}"


def names_for(entries: Sequence[ClipEntry]) -> list[str]:
    """What sets are called side by side: by the first label in which all differ."""
    stems = [Path(entry.name).stem for entry in entries]
    for label in ("technique", "lifter", "date", "load_kg"):
        values = [getattr(entry, label) for entry in entries]
        told = [f"{v:g} kg" if isinstance(v, float) else str(v or "") for v in values]
        told = [words or stem for words, stem in zip(told, stems, strict=True)]
        if any(values) and len(set(told)) == len(told):
            return told
    return stems
