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

import hashlib
import os
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from barpath.analysis.store import SUMMARY_FILE
from barpath.block.jobs import ClipEntry
from barpath.block.plan import SHEETS, clips_in, entry_from_name, read_sheet
from barpath.errors import OptionError, OutputError, reason_of
from barpath.ground.files import clear_parts, json_bytes, prepare, read_json, write_atomically
from barpath.ground.names import told_name
from barpath.page.desk.naming import stem_of, together
from barpath.report.output import REPORT_FILE

DESK_FILE = "desk.json"
DESK_NAME = "barpath-desk"
VERSION = 1
OWN = "own"


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
        return self.clips / SHEETS[0]

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
    if not (clips_of := clips_in(folder)):
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


def pair_folder(bench: Bench, clips: Sequence[str]) -> Path:
    """Folder of a pair's result."""
    return bench.home / "pairs" / together(clips)


def beside_folder(bench: Bench, folders: Sequence[Path]) -> Path:
    """Folder of sets side by side."""
    return bench.home / "compared" / together([folder.name for folder in folders])


# --- reading --------------------------------------------------------------------------------------


def entries_of(bench: Bench) -> list[ClipEntry]:
    """Clips of a bench: those of its sheet, and those that lie there and are not in it.

    Raises
    ------
    OptionError
        The sheet cannot be read.
    """
    on_disk = clips_in(bench.clips) if bench.clips.is_dir() else {}
    sheet = next((bench.clips / s for s in SHEETS if (bench.clips / s).is_file()), None)
    listed = read_sheet(sheet) if sheet is not None else []
    known = {entry.name for entry in listed}
    rest = [entry_from_name(p, name) for name, p in on_disk.items() if name not in known]
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
    stat = stat_of(entry.path)
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


def stat_of(path: Path) -> list[int] | None:
    """A file's size and time, which change with it; None where there is none."""
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
    keep_known(bench, entry.name, check=dict(content) | {"file": stat_of(entry.path)})
