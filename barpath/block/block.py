"""A training block: many clips measured side by side, kept, and taken up again where they stopped.

The clips of a folder are planned from a sheet or from their names (`plan_folder`), measured by
worker processes, one clip each at a time (`run`), and joined into one table (`assemble`). What was
seen in a clip is kept under a key made of the clip's content, of every setting that bears on what
is seen, and of the versions; what was measured from it under a key that adds the other settings.
Only the parent process writes, each piece under a temporary name and renamed, so that a run that is
killed at any moment is taken up where it was.

Block folder::

    block.json          name, versions, and the files below that were written
    manifest.json       what each of them hashes to
    reps.parquet        the table, see `blockstore`; reps.csv holds the same
    clips.csv           every clip with its labels, its number of repetitions or its failure
    failures.csv        only the clips that failed, each with its sentence
    trajectories/*.trc  bar paths, when asked for
    cache/detected/KEY/ a result folder, see `store`, with a still of the bottom
    cache/measured/KEY.json, cache/failed/KEY.json
    cache/aside/        entries of the cache that were found damaged
"""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import importlib
import io
import json
import math
import multiprocessing
import os
import re
import secrets
import shutil
import signal
import sys
import threading
import time
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import date
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

import pandas as pd

from barpath.analysis import store
from barpath.analysis.config import AnalysisConfig
from barpath.block import blockstore
from barpath.block.blockstore import BLOCK_FILE, BLOCK_NAME, is_block
from barpath.errors import BarpathError, OptionError, OutputError, reason_of
from barpath.ground.files import (
    MANIFEST_FILE,
    clear_parts,
    clear_scratch,
    commit,
    finish,
    json_bytes,
    prepare,
    read_json,
    read_manifest_quietly,
    scratch_folder,
    sha256_of,
    write_atomically,
    write_synced,
)
from barpath.ground.names import file_stems, name_on_disk, told_name
from barpath.ground.sheets import csv_bytes, unguarded
from barpath.ground.view import AUTO, CHOICES, is_open
from barpath.sight.jointnet import weights_path

BLOCK_VERSION = 1
CACHE_VERSION = 5
"""Part of every key: to be raised when what is seen in the same clip would come out otherwise."""
MEASURE_VERSION = 5
"""The same for what is measured from what was seen."""
STILL_FILE = "bottom.jpg"
STILL_SIDE_PX = 800
SHEETS = ("block.csv", "block.toml")
CLIP_SUFFIXES = (".mp4", ".mov", ".m4v", ".mkv", ".avi", ".webm", ".3gp")
THREAD_VARIABLES = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMEXPR_NUM_THREADS",
)
SHEET_FIELDS = (
    "lifter",
    "date",
    "view",
    "load_kg",
    "plate_mm",
    "technique",
    "pair",
    "stature_cm",
    "upper_arm_cm",
    "capture_fps",
)
_SHEET_COLUMNS = {"clip", *SHEET_FIELDS}


MEASURE_ONLY = (
    "load_kg",
    "plate_given",
    "upper_arm_m",
    "stature_m",
    "note",
    "profile",
    "corrections",
    "correcting",
    "bridging",
    "depths",
    "reading_error",
    "arms",
)
"""Settings that cannot change what is seen in a clip, so that they are no part of its key."""


@dataclass(frozen=True)
class ClipEntry:
    """One clip of the block, with its labels.

    Attributes
    ----------
    path : Path
        The clip.
    name : str
        Its name in the tables: relative to the folder.
    lifter, date, technique, pair : str
        Labels; the date in ISO form. Clips of one lifter and date with the same `pair` show the
        same set from different cameras.
    view : str
        As for `barpath.analyse`.
    load_kg, plate_mm, upper_arm_m, stature_m, capture_fps : float or None
        As for `AnalysisConfig`.
    labels : tuple of (str, str)
        The sheet's own further columns.
    fault : str
        Why the entry cannot be used; ``""`` otherwise.
    """

    path: Path
    name: str
    lifter: str = "lifter"
    date: str = ""
    technique: str = ""
    pair: str = ""
    view: str = AUTO
    load_kg: float | None = None
    plate_mm: float | None = None
    upper_arm_m: float | None = None
    stature_m: float | None = None
    capture_fps: float | None = None
    labels: tuple[tuple[str, str], ...] = ()
    fault: str = ""

    @property
    def session(self) -> str:
        """Lifter and date."""
        return f"{self.lifter} {self.date}".strip()

    @property
    def set_id(self) -> str:
        """The set that the clip shows."""
        return f"{self.session} {'pair ' + self.pair if self.pair else self.name}"


@dataclass(frozen=True)
class Programme:
    """The functions that the workers call, as ``"module:name"``; others can stand in their place.

    Attributes
    ----------
    detect : str
        Called with the clip's path, ``config`` and ``progress``; returns a `SetResult`.
    measure : str
        Called with a `SetResult` read back and the configuration; returns a `SetResult`.
    """

    detect: str = "barpath.analysis.pipeline:analyse"
    measure: str = "barpath.analysis.pipeline:remeasure"


@dataclass(frozen=True)
class BlockConfig:
    """How a block is run.

    Attributes
    ----------
    analysis : AnalysisConfig
        For every clip; the sheet's entries take precedence.
    workers : int or None
        Processes; as many as the process may use cores if None.
    memory_bytes : int or None
        No clip is begun while the clips at work and it are expected to need more than this together
        (one is always allowed); 70 % of what is available if None.
    clip_bytes : int
        What a clip is expected to need until larger peaks were seen.
    attempts : int
        How often a clip whose worker died is tried.
    clips_per_worker : int
        A worker is replaced after so many, so that what libraries leak is returned.
    retry_failed : bool
        Try clips again that failed for a reason of their own.
    stills : bool
        Keep a picture of the bottom of the best-seen repetition.
    programme : Programme
    """

    analysis: AnalysisConfig = field(default_factory=AnalysisConfig)
    workers: int | None = None
    memory_bytes: int | None = None
    clip_bytes: int = 900_000_000
    attempts: int = 2
    clips_per_worker: int = 25
    retry_failed: bool = False
    stills: bool = True
    programme: Programme = field(default_factory=Programme)

    def __post_init__(self) -> None:
        if self.workers is not None and self.workers < 1:
            raise OptionError(f"There must be at least 1 worker, not {self.workers}.")
        if self.memory_bytes is not None and self.memory_bytes < 1:
            raise OptionError("The memory bound must be larger than 0.")


@dataclass(frozen=True)
class Job:
    """What a worker is given.

    Attributes
    ----------
    entry : ClipEntry
    sha256 : str
        Hash of the clip's content.
    detect_key, measure_key : str
    detect_config, measure_config : AnalysisConfig
    detected : Path or None
        Result folder of what was seen earlier; None when the clip is still to be read.
    stills : bool
    programme : Programme
    """

    entry: ClipEntry
    sha256: str
    detect_key: str
    measure_key: str
    detect_config: AnalysisConfig
    measure_config: AnalysisConfig
    detected: Path | None
    stills: bool
    programme: Programme


@dataclass(frozen=True)
class Outcome:
    """What a worker hands back: files to keep, rows, or why there are none.

    Attributes
    ----------
    files : dict of str to bytes
        The result folder of what was seen; empty when it was kept already.
    rows : list of dict or None
        As from `blockstore.rep_rows`.
    sentence : str
        Why it failed.
    lasting : bool
        Whether trying again would end the same.
    at_measuring : bool
        Whether what was seen is all right and measuring failed.
    peak_bytes : int
        Peak memory of the worker's process.
    """

    files: dict[str, bytes] = field(default_factory=dict)
    rows: list[dict[str, Any]] | None = None
    sentence: str = ""
    lasting: bool = False
    at_measuring: bool = False
    peak_bytes: int = 0


@dataclass(frozen=True)
class Event:
    """Something for the display: a clip's stage, its end, or the number of clips.

    Attributes
    ----------
    kind : {'planned', 'stage', 'done', 'failed'}
    clip : str
    text : str
        Stage or sentence.
    share : float
        Of the stage.
    n_done, n_all : int
        Clips ended, and all of the block.
    """

    kind: str
    clip: str = ""
    text: str = ""
    share: float = 0.0
    n_done: int = 0
    n_all: int = 0


Watch = Callable[[Event], None]


def ignore(event: Event) -> None:
    """Show nothing."""


# --- the plan -------------------------------------------------------------------------------------


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
        `lifter, date, view, load_kg, plate_mm, technique, pair, upper_arm_cm, stature_cm,
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
        raise OptionError(f"The sheet '{sheet}' cannot be read: {_short(error)}.") from error
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


def _short(error: BaseException) -> str:
    text = getattr(error, "strerror", None) or str(error)
    return " ".join(text.split()).rstrip(".")


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
    known = {k: cells[k] for k in ("lifter", "date", "technique", "pair", "view") if k in cells}
    known["view"] = known.get("view", AUTO).lower()
    entry = dataclasses.replace(entry, **known)
    for column, attribute, factor in (
        ("load_kg", "load_kg", 1.0),
        ("plate_mm", "plate_mm", 1.0),
        ("upper_arm_cm", "upper_arm_m", 0.01),
        ("stature_cm", "stature_m", 0.01),
        ("capture_fps", "capture_fps", 1.0),
    ):
        if column in cells:
            try:
                number = float(cells[column].replace(",", "."))
                entry = dataclasses.replace(entry, **{attribute: number * factor})
            except ValueError:
                fault = f"Its {column} in the sheet is no number: {cells[column]!r}."
                return dataclasses.replace(entry, fault=fault)
    return _checked(entry)


def _checked(entry: ClipEntry) -> ClipEntry:
    fault = ""
    if entry.date:
        try:
            entry = dataclasses.replace(entry, date=date.fromisoformat(entry.date).isoformat())
        except ValueError:
            fault = f"Its date is not of the form 2026-03-05: {entry.date!r}."
    try:
        _configs(entry, AnalysisConfig())
    except OptionError as error:
        fault = str(error)
    if not fault and not is_file(entry.path):
        fault = "There is no such file."
    return dataclasses.replace(entry, fault=fault)


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


# --- keys -----------------------------------------------------------------------------------------


def _configs(entry: ClipEntry, analysis: AnalysisConfig) -> tuple[AnalysisConfig, AnalysisConfig]:
    """Settings for looking at a clip, and for measuring what was seen.

    The first leave out all that cannot change what is seen, so that what is kept does not depend on
    the order in which options were tried. Where joints are looked for the plate's diameter stays
    in, because the size of the lifter in the picture, and so where to look, is judged by it.
    """
    calibration = analysis.calibration
    if entry.plate_mm is not None:
        calibration = dataclasses.replace(calibration, plate_mm=entry.plate_mm)
    whole = dataclasses.replace(
        analysis,
        view=analysis.view if is_open(entry.view) else entry.view,
        plate_given=entry.plate_mm is not None or analysis.plate_given,
        calibration=calibration,
        load_kg=entry.load_kg,
        **{
            name: getattr(analysis if getattr(entry, name) is None else entry, name)
            for name in ("capture_fps", "upper_arm_m", "stature_m")
        },
    )
    blank = AnalysisConfig()
    ruler = calibration.plate_mm if whole.find_joints else blank.calibration.plate_mm
    seen = dataclasses.replace(
        whole,
        calibration=dataclasses.replace(calibration, plate_mm=ruler),
        **{name: getattr(blank, name) for name in MEASURE_ONLY},
    )
    # Labels: no measure rests on them.
    return seen, dataclasses.replace(whole, load_kg=None, note="", profile=None)


def _key(*parts: Any) -> str:
    def plain(value: Any) -> Any:
        if isinstance(value, Mapping):
            return sorted((repr(key), plain(item)) for key, item in value.items())
        return [plain(item) for item in value] if isinstance(value, list | tuple) else value

    text = json.dumps(plain(parts), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:40]


def keys_of(
    sha256: str,
    configs: tuple[AnalysisConfig, AnalysisConfig],
    programme: Programme,
    stills: bool = True,
) -> tuple[str, str]:
    """Names under which what was seen, and what was measured, is kept.

    Parameters
    ----------
    sha256 : str
        Of the clip's content.
    configs : pair of AnalysisConfig
        For seeing and for measuring.
    programme : Programme
    stills : bool

    Returns
    -------
    tuple of str
        Both change with the clip's content, every setting that bears on it, and the versions of
        the program, of the result folder and of this cache.
    """
    from importlib.metadata import version

    seen, whole = (dataclasses.asdict(config) for config in configs)
    for name in MEASURE_ONLY:
        del seen[name]
    if configs[0].find_joints:
        model = configs[0].pose_model or weights_path()
        seen["pose_model"] = sha256_of(model) if model.is_file() else str(model)
    versions = [version("barpath"), version("onnxruntime"), store.SCHEMA_VERSION, CACHE_VERSION]
    detect_key = _key(sha256, seen, versions, programme.detect, stills)
    whole.pop("pose_model")
    versions = [blockstore.SCHEMA_VERSION, MEASURE_VERSION]
    return detect_key, _key(detect_key, whole, programme.measure, versions)


# --- the work on one clip -------------------------------------------------------------------------


def function_named(name: str) -> Callable[..., Any]:
    """The function that ``"module:name"`` stands for."""
    module, _, attribute = name.partition(":")
    return getattr(importlib.import_module(module), attribute)


def process(
    job: Job,
    progress: Callable[[str, float], None] | None = None,
    scratch: Path | None = None,
) -> Outcome:
    """Look at a clip if that is still to be done, and measure what was seen.

    Measuring always starts from what is kept, read back, so that a clip measured at once and one
    taken up later give the same numbers to the last digit.

    Parameters
    ----------
    job : Job
    progress : callable, optional
        As for `barpath.analyse`.
    scratch : Path, optional
        Where a folder may be made for the time; one of its own if not given.

    Returns
    -------
    Outcome
        It never raises an `Exception`: whatever goes wrong is said in its sentence.
    """
    files: dict[str, bytes] = {}
    seen = job.detected is not None
    place = scratch
    try:
        with ExitStack() as stack:
            place = place or stack.enter_context(scratch_folder())
            folder = job.detected
            if folder is None:
                folder = place / f"set-{secrets.token_hex(4)}"
                stack.callback(shutil.rmtree, folder, ignore_errors=True)
                _detect(job, folder, progress)
                files = {p.name: p.read_bytes() for p in sorted(folder.iterdir())}
                seen = True
            kept = store.read_results(folder)
            result = function_named(job.programme.measure)(kept, job.measure_config)
            rows = blockstore.rep_rows(result)
        return Outcome(files=files, rows=rows, peak_bytes=_peak_bytes())
    except BarpathError as error:
        sentence = str(error).replace(str(job.entry.path), job.entry.name)
        if place is not None and str(place) in sentence:
            why = reason_of(error.__cause__ or error)
            sentence = f"It cannot be kept in the temporary folder '{place.parent}': {why}."
        lasting = not isinstance(error, OutputError)
        return Outcome(files, None, sentence, lasting, seen, _peak_bytes())
    except MemoryError:
        return Outcome(files, None, "There was not enough memory for it.", False, seen)
    except Exception as error:
        sentence = f"Something went wrong inside ({type(error).__name__}: {_short(error)})."
        return Outcome(files, None, sentence, False, seen, _peak_bytes())


def _detect(job: Job, folder: Path, progress: Callable[[str, float], None] | None) -> None:
    try:
        unchanged = sha256_of(job.entry.path) == job.sha256
    except OSError as error:
        raise OutputError(
            f"The worker cannot read it at '{job.entry.path}': {_short(error)}; the clips must lie "
            "where every worker sees them under the same path."
        ) from error
    if not unchanged:
        raise OutputError("It changed while the block was running.")
    call = function_named(job.programme.detect)
    result = call(job.entry.path, config=job.detect_config, progress=progress or _silent)
    # The clip's name is a label, not content: the same clip under another name is kept once.
    name = f"{job.sha256[:12]}{job.entry.path.suffix.lower()}"
    info = dataclasses.replace(result.info, path=Path(name))
    still = _bottom_still(result) if job.stills else None
    artefacts = {} if still is None else {STILL_FILE: still}
    result = dataclasses.replace(result, source_name=name, info=info)
    store.write_results(result, folder, artefacts=artefacts)


def _silent(stage: str, share: float) -> None:
    """Report progress to nobody."""


def bottom_frame(result: store.SetResult) -> int | None:
    """Frame at the touch of the best-seen repetition; None when there is none."""
    from barpath.analysis.stills import touch_request

    request = touch_request(result)
    return None if request is None else request.frame


def _bottom_still(result: store.SetResult) -> Any:
    from barpath.clip.frames import stream

    frame = bottom_frame(result)
    if frame is None:
        return None
    with suppress(BarpathError):
        for picture in stream(result.info, indices=[frame], max_side_px=STILL_SIDE_PX):
            return picture.image
    return None


def _peak_bytes() -> int:
    try:
        import resource
    except ImportError:
        return 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


# --- worker processes -----------------------------------------------------------------------------


def limit_threads() -> None:
    """Let the libraries of this process use one thread each.

    BLAS and OpenMP read the environment variables `THREAD_VARIABLES` when they are loaded, so those
    are set where the process is started.
    """
    import cv2

    cv2.setNumThreads(1)


def follow_parent(scratch: Path) -> None:
    """End this process when its parent ends, even if that was killed; clear its folder."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        for _ in range(20):
            # The work goes on beside this until the process ends.
            shutil.rmtree(scratch, ignore_errors=True)
            if not scratch.exists():
                break
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _worker(link: Connection) -> None:
    """Life of a worker: jobs in, outcomes out, until told to stop."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    limit_threads()
    last = 0.0

    def progress(stage: str, share: float) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last > 0.2:
            last = now
            link.send((stage, share))

    with scratch_folder() as scratch:
        follow_parent(scratch)
        while (job := link.recv()) is not None:
            link.send(process(job, progress, scratch))


@contextmanager
def _one_thread_each() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@dataclass
class _Hand:
    """A worker process as its parent knows it."""

    process: Any
    link: Connection
    job: Job | None = None
    n_clips: int = 0


class _Crew:
    """The worker processes of a run."""

    def __init__(self) -> None:
        self._context = multiprocessing.get_context("spawn")
        self.hands: list[_Hand] = []

    def __enter__(self) -> _Crew:
        return self

    def __exit__(self, *_: object) -> None:
        for hand in list(self.hands):
            self.dismiss(hand)

    def hire(self) -> _Hand:
        ours, theirs = self._context.Pipe()
        worker = self._context.Process(target=_worker, args=(theirs,), daemon=True)
        with _one_thread_each():
            worker.start()
        theirs.close()
        hand = _Hand(worker, ours)
        self.hands.append(hand)
        return hand

    def dismiss(self, hand: _Hand) -> None:
        if hand.job is not None:
            hand.process.kill()
        else:
            with suppress(OSError):
                hand.link.send(None)
            hand.process.join(2.0)
            if hand.process.is_alive():
                hand.process.kill()
        hand.process.join()
        hand.link.close()
        self.hands.remove(hand)


def run_local(
    jobs: Sequence[Job],
    config: BlockConfig,
    done: Callable[[Job, Outcome], None],
    watch: Watch = ignore,
) -> None:
    """Work jobs off with processes of this machine.

    Parameters
    ----------
    jobs : sequence of Job
    config : BlockConfig
    done : callable
        Called with each job and its outcome, in the order they end.
    watch : callable, optional

    Notes
    -----
    A worker that dies takes only its own clip with it; that is tried again, up to
    `config.attempts` times.
    """
    waiting = list(reversed(jobs))
    tries: dict[str, int] = {}
    bound = config.memory_bytes or int(0.7 * available_bytes())
    expected = config.clip_bytes
    n_workers = min(config.workers or _n_cores(), len(jobs))
    with _Crew() as crew:
        while waiting or any(hand.job for hand in crew.hands):
            busy = [hand for hand in crew.hands if hand.job]
            while waiting and len(busy) < n_workers:
                if busy and (len(busy) + 1) * expected > bound:
                    break
                hand = next((h for h in crew.hands if h.job is None), None) or crew.hire()
                hand.job = waiting.pop()
                # A worker that died meanwhile is found out below.
                with suppress(OSError):
                    hand.link.send(hand.job)
                busy.append(hand)
            links = {hand.link: hand for hand in busy}
            for link in wait(list(links)):
                hand = links[link]
                job = hand.job
                try:
                    message = link.recv()
                except (EOFError, OSError):
                    hand.process.join()
                    code = hand.process.exitcode
                    crew.dismiss(hand)
                    tries[job.measure_key] = tries.get(job.measure_key, 0) + 1
                    if tries[job.measure_key] < config.attempts:
                        waiting.append(job)
                    else:
                        done(job, Outcome(sentence=_death(code)))
                    continue
                if not isinstance(message, Outcome):
                    watch(Event("stage", job.entry.name, message[0], message[1]))
                    continue
                hand.job = None
                hand.n_clips += 1
                expected = max(expected, message.peak_bytes)
                done(job, message)
                # A worker keeps the memory of its largest clip; a crowded one is replaced.
                crowded = len(crew.hands) * expected > bound and len(crew.hands) > 1
                if hand.n_clips >= config.clips_per_worker or crowded:
                    crew.dismiss(hand)


def _death(code: int | None) -> str:
    if code is not None and code < 0:
        return (
            f"The process that measured it was ended by signal {-code}, perhaps for want of memory."
        )
    return f"The process that measured it ended unexpectedly (code {code})."


def _n_cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def available_bytes() -> int:
    """Memory that can be used without swapping, as far as the system tells."""
    with suppress(OSError, ValueError, IndexError):
        for line in Path("/proc/meminfo").read_text().splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2
    except (ValueError, OSError, AttributeError):
        return 4_000_000_000


def run_dask(
    jobs: Sequence[Job],
    address: str,
    config: BlockConfig,
    done: Callable[[Job, Outcome], None],
) -> None:
    """Work jobs off with an existing Dask cluster.

    Parameters
    ----------
    jobs : sequence of Job
        The workers must see the clips under the same paths; what they find comes back to this
        process, which alone writes.
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``. Its workers should have one thread each.
    config, done
        As for `run_local`.

    Raises
    ------
    OptionError
        Dask is not installed, or no scheduler answers there.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise OptionError(
            "Dask is not installed; install barpath with its extra 'dask'."
        ) from error
    try:
        client = Client(address, timeout="15s", set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise OptionError(f"No Dask scheduler answers at {address!r}.") from error
    with client:
        by_future = {}
        for job in jobs:
            future = client.submit(
                _process_on_cluster, job, pure=False, retries=config.attempts - 1
            )
            by_future[future] = job
        for future in as_completed(list(by_future), loop=client.loop):
            try:
                outcome = future.result()
            except Exception as error:
                # A worker that died took it along too often, or the scheduler is gone.
                outcome = Outcome(sentence=f"The cluster gave it up ({type(error).__name__}).")
            done(by_future[future], outcome)
            future.release()


def _process_on_cluster(job: Job) -> Outcome:
    limit_threads()
    return process(job)


# --- the run --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BlockSummary:
    """What a run came to.

    Attributes
    ----------
    folder : Path
    n_clips, n_measured, n_failed, n_detected_now, n_reps : int
        Clips of the block, with repetitions, failed, read in this run; repetitions in the table.
    failures : tuple of (str, str)
        Clip and sentence.
    n_set_aside : int
        Kept entries that were found damaged; their clips were looked at again.
    """

    folder: Path
    n_clips: int
    n_measured: int
    n_failed: int
    n_detected_now: int
    n_reps: int
    failures: tuple[tuple[str, str], ...]
    n_set_aside: int = 0


def check_block_folder(folder: Path) -> None:
    """Check that a folder is a block of ours, or may become one.

    Raises
    ------
    OutputError
        It is a file, or holds something else.
    """
    if not os.path.lexists(folder):
        return
    if not folder.is_dir():
        raise OutputError(f"'{folder}' is a file, so no block can be kept there.")
    if not is_block(folder):
        # A run that was killed while it wrote the very first file leaves only its beginning.
        begun = f".{BLOCK_FILE}.part-"
        if all(entry.name.startswith(begun) for entry in folder.iterdir()):
            return
        raise OutputError(f"'{folder}' is not empty and no block of barpath; choose another.")


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Keep a second run out of the folder; the system frees the lock if this process is killed."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    with (folder / ".lock").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise OutputError(f"Another run is at work in '{folder}'.") from error
        yield


def run(
    entries: Sequence[ClipEntry],
    folder: Path,
    config: BlockConfig | None = None,
    *,
    dask: str | None = None,
    trc: bool = False,
    watch: Watch = ignore,
) -> BlockSummary:
    """Measure the clips of a block that are not measured yet, and write its tables.

    Parameters
    ----------
    entries : sequence of ClipEntry
        From `plan_folder`.
    folder : Path
        The block's folder; new, empty, or of an earlier run that is then taken up.
    config : BlockConfig, optional
    dask : str, optional
        Address of a Dask scheduler; processes of this machine if not given.
    trc : bool
        Write the bar paths as TRC as well.
    watch : callable, optional
        Told of every event.

    Returns
    -------
    BlockSummary

    Raises
    ------
    OutputError
        The folder cannot be used or written.
    OptionError
        No Dask scheduler answers.
    """
    config = config or BlockConfig()
    folder = folder.expanduser()
    prepare(folder, check_block_folder)
    clear_scratch()
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # First of all, so that a run killed in the next moment finds a block of its own.
        if not is_block(folder):
            _write_mark(folder)
        for name in ("detected", "measured", "failed"):
            (folder / "cache" / name).mkdir(parents=True, exist_ok=True)
        with _locked(folder):
            return _run_locked(entries, folder, config, dask, trc, watch)
    except OSError as error:
        why = reason_of(error)
        raise OutputError(f"The block cannot be kept in '{folder}': {why}.") from error
    except OptionError:
        if made and not any((folder / "cache" / "detected").iterdir()):
            shutil.rmtree(folder, ignore_errors=True)
        raise
    finally:
        clear_scratch()


def _run_locked(
    entries: Sequence[ClipEntry],
    folder: Path,
    config: BlockConfig,
    dask: str | None,
    trc: bool,
    watch: Watch,
) -> BlockSummary:
    _sweep(folder)
    jobs, failed = make_jobs(entries, config)
    cache = _Cache(folder / "cache")
    n_aside = cache.set_damaged_aside(jobs.values())
    open_jobs = []
    for name, job in jobs.items():
        if cache.has_rows(job) or (cache.failure(job) and not config.retry_failed):
            continue
        seen = cache.detected(job)
        open_jobs.append(dataclasses.replace(job, detected=seen if seen.is_dir() else None))
        failed.pop(name, None)
    n_all = len(entries)
    n_done = n_all - len(open_jobs)
    watch(Event("planned", n_done=n_done, n_all=n_all))
    unlasting: dict[str, str] = {}
    n_read = 0

    def done(job: Job, outcome: Outcome) -> None:
        nonlocal n_done, n_read
        n_done += 1
        n_read += bool(outcome.files)
        cache.keep(job, outcome)
        if outcome.rows is None:
            if not outcome.lasting:
                unlasting[job.entry.name] = outcome.sentence
            watch(Event("failed", job.entry.name, outcome.sentence, 1.0, n_done, n_all))
        else:
            watch(Event("done", job.entry.name, "", 1.0, n_done, n_all))

    fresh = [job for job in open_jobs if job.detected is None]
    if dask is not None and fresh:
        run_dask(fresh, dask, config, done)
        open_jobs = [job for job in open_jobs if job.detected is not None]
    if open_jobs:
        run_local(open_jobs, config, done, watch)
    for name, job in jobs.items():
        sentence = unlasting.get(name) or cache.failure(job)
        if sentence and not cache.has_rows(job):
            failed[name] = sentence
    summary = assemble(entries, jobs, failed, folder, n_read, trc=trc)
    return dataclasses.replace(summary, n_set_aside=n_aside)


def make_jobs(
    entries: Sequence[ClipEntry], config: BlockConfig
) -> tuple[dict[str, Job], dict[str, str]]:
    """Hash the clips and make a job for each that can be worked on.

    Parameters
    ----------
    entries : sequence of ClipEntry
    config : BlockConfig

    Returns
    -------
    jobs : dict of str to Job
        By the clip's name.
    failed : dict of str to str
        Why the others cannot be worked on: faulty lines, unreadable files, and clips listed twice
        or with the same content as another, which must not count twice.
    """

    def hashed(entry: ClipEntry) -> str | OSError | None:
        if entry.fault:
            return None
        try:
            return sha256_of(entry.path)
        except OSError as error:
            return error

    with ThreadPoolExecutor(_n_cores()) as pool:
        hashes = list(pool.map(hashed, entries))
    jobs: dict[str, Job] = {}
    failed: dict[str, str] = {}
    first: dict[str, str] = {}
    for entry, sha256 in zip(entries, hashes, strict=True):
        if entry.name in jobs:
            failed.setdefault(f"{entry.name} (again)", "It is listed twice and counts once.")
        elif entry.fault:
            failed[entry.name] = entry.fault
        elif not isinstance(sha256, str):
            failed[entry.name] = f"It cannot be read: {_short(sha256 or OSError())}."
        elif sha256 in first:
            failed[entry.name] = (
                f"It has the same content as '{first[sha256]}', so it is not counted again."
            )
        else:
            first[sha256] = entry.name
            configs = _configs(entry, config.analysis)
            keys = keys_of(sha256, configs, config.programme, config.stills)
            jobs[entry.name] = Job(
                entry, sha256, *keys, *configs, None, config.stills, config.programme
            )
    return jobs, failed


def kept_of(job: Job, folder: Path) -> Path | None:
    """Result folder that a block keeps of a clip, if nothing is left to be done about it."""
    cache = _Cache(folder / "cache")
    return cache.detected(job) if cache.has_rows(job) else None


class _Cache:
    """What is kept of the clips, by key."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def detected(self, job: Job) -> Path:
        return self.folder / "detected" / job.detect_key

    def rows_file(self, job: Job) -> Path:
        return self.folder / "measured" / f"{job.measure_key}.json"

    def failure_files(self, job: Job) -> list[Path]:
        keys = (job.detect_key, job.measure_key)
        return [self.folder / "failed" / f"{key}.json" for key in keys]

    def has_rows(self, job: Job) -> bool:
        return self.rows_file(job).is_file() and self.detected(job).is_dir()

    def rows(self, job: Job) -> list[dict[str, Any]]:
        return unsealed(self.rows_file(job))

    def failure(self, job: Job) -> str:
        for file in self.failure_files(job):
            if file.is_file():
                return unsealed(file)["sentence"]
        return ""

    def set_damaged_aside(self, jobs: Iterable[Job]) -> int:
        """Move entries that are not as they were written out of the way; how many."""

        def broken(entry: Path) -> bool:
            try:
                if entry.is_dir():
                    store.check_whole(entry)
                elif entry.exists():
                    unsealed(entry)
            except (BarpathError, OSError, ValueError):
                return True
            return False

        entries = dict.fromkeys(
            entry
            for job in jobs
            for entry in (self.detected(job), self.rows_file(job), *self.failure_files(job))
        )
        with ThreadPoolExecutor(_n_cores()) as pool:
            found = [e for e, bad in zip(entries, pool.map(broken, entries), strict=True) if bad]
        aside = self.folder / "aside"
        for entry in found:
            aside.mkdir(exist_ok=True)
            place = aside / f"{entry.parent.name}-{entry.name}"
            if place.is_dir():
                shutil.rmtree(place)
            entry.rename(place)
        return len(found)

    def keep(self, job: Job, outcome: Outcome) -> None:
        if outcome.files:
            self._keep_folder(self.detected(job), outcome.files)
        if outcome.rows is not None:
            write_atomically(self.rows_file(job), sealed_bytes(outcome.rows))
            for file in self.failure_files(job):
                file.unlink(missing_ok=True)
        elif outcome.lasting:
            file = self.failure_files(job)[outcome.at_measuring]
            content = {"clip": job.entry.name, "sentence": outcome.sentence}
            write_atomically(file, sealed_bytes(content))

    @staticmethod
    def _keep_folder(target: Path, files: Mapping[str, bytes]) -> None:
        part = target.with_name(f".{target.name}.part-{secrets.token_hex(4)}")
        try:
            part.mkdir()
            for name, data in files.items():
                write_synced(part / name, data)
            if not target.exists():
                part.rename(target)
        finally:
            shutil.rmtree(part, ignore_errors=True)


def sealed_bytes(content: Any) -> bytes:
    """Content as JSON, with its hash."""
    body = json.dumps(content, sort_keys=True, allow_nan=False)
    return json_bytes({"sha256": hashlib.sha256(body.encode()).hexdigest(), "content": content})


def unsealed(path: Path) -> Any:
    """Content that `sealed_bytes` wrote.

    Raises
    ------
    ValueError, OSError
        It is not as it was written.
    """
    data = read_json(path)
    try:
        body = json.dumps(data["content"], sort_keys=True, allow_nan=False)
        same = data["sha256"] == hashlib.sha256(body.encode()).hexdigest()
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError("not of the form of a kept entry") from error
    if not same:
        raise ValueError("its content is not what was written")
    return data["content"]


def _sweep(folder: Path) -> None:
    """Finish or remove what a killed run left; the lock says that nobody is at it."""
    finish(folder)
    for place in (folder / "trajectories", *(folder / "cache").iterdir()):
        clear_parts(place)


def assemble(
    entries: Sequence[ClipEntry],
    jobs: Mapping[str, Job],
    failed: Mapping[str, str],
    folder: Path,
    n_detected_now: int = 0,
    *,
    trc: bool = False,
) -> BlockSummary:
    """Join what is kept into the block's tables.

    The tables depend on nothing but the clips, the sheet and the settings: not on the order in
    which the clips were measured, how often the run was broken off, or when.
    """
    cache = _Cache(folder / "cache")
    extra = sorted({name for entry in entries for name, _ in entry.labels})
    rows: list[dict[str, Any]] = []
    clips: list[dict[str, Any]] = []
    for name, job in jobs.items():
        if name in failed or not cache.has_rows(job):
            continue
        entry = job.entry
        own = cache.rows(job)
        labels = {
            "lifter": entry.lifter,
            "date": entry.date,
            "session": entry.session,
            "set_id": entry.set_id,
            "clip": name,
            "clip_sha256": job.sha256,
            "technique": entry.technique,
            "pair": entry.pair,
            "load_kg": entry.load_kg,
            "plate_mm": job.measure_config.calibration.plate_mm,
        } | dict(entry.labels)
        rows += [row | labels for row in own]
    table = blockstore.table_of(rows, extra)
    counts = table.groupby("clip").size().to_dict() if len(table) else {}
    for entry in entries:
        job = jobs.get(entry.name)
        clips.append(
            {
                "clip": entry.name,
                "lifter": entry.lifter,
                "date": entry.date,
                "view": entry.view,
                "load_kg": entry.load_kg if entry.load_kg is not None else math.nan,
                "technique": entry.technique,
                "pair": entry.pair,
                "reps": int(counts.get(entry.name, 0)),
                "failure": failed.get(entry.name, ""),
                "detected": job.detect_key if job and entry.name not in failed else "",
            }
        )
    failures = pd.DataFrame(
        sorted(failed.items()), columns=["clip", "failure"], dtype="str"
    ).reset_index(drop=True)
    written = {
        blockstore.TABLE_FILE: blockstore.table_bytes(table),
        "reps.csv": csv_bytes(table),
        "clips.csv": csv_bytes(pd.DataFrame(clips)),
        "failures.csv": csv_bytes(failures),
    }
    if trc:
        stems = file_stems(jobs)
        for name, job in jobs.items():
            if name not in failed:
                file = f"{stems[name]}.trc"
                kept = store.read_results(cache.detected(job))
                written[f"trajectories/{file}"] = blockstore.trc_text(kept, file).encode()
    before = read_manifest_quietly(folder)
    files = sorted([*written, BLOCK_FILE, MANIFEST_FILE])
    commit(folder, written | {BLOCK_FILE: _mark_bytes(files)})
    if trc:
        # Paths of clips that the block no longer has, or that were named otherwise.
        for name in set(before) - set(written):
            if name.startswith("trajectories/"):
                (folder / name).unlink(missing_ok=True)
    return BlockSummary(
        folder=folder,
        n_clips=len(entries),
        n_measured=len(counts),
        n_failed=len(failed),
        n_detected_now=n_detected_now,
        n_reps=len(table),
        failures=tuple(sorted(failed.items())),
    )


def _mark_bytes(files: Sequence[str]) -> bytes:
    return json_bytes(
        {
            "name": BLOCK_NAME,
            "version": BLOCK_VERSION,
            "table_schema": blockstore.SCHEMA_NAME,
            "table_schema_version": blockstore.SCHEMA_VERSION,
            "files": list(files),
        }
    )


def _write_mark(folder: Path) -> None:
    write_atomically(folder / BLOCK_FILE, _mark_bytes(()))


def kept_sets(folder: Path, clips: Sequence[str] | None = None) -> dict[str, Path]:
    """Result folders of a block's clips, by the clip's name.

    Parameters
    ----------
    folder : Path
        The block's folder.
    clips : sequence of str, optional
        Only these.

    Returns
    -------
    dict of str to Path
        Empty when the folder keeps none.

    Raises
    ------
    OutputError
        The list of the clips is damaged.
    """
    table = blockstore.read_list(folder, "clips.csv", ("clip", "detected"))
    if table is None:
        return {}
    wanted = table if clips is None else table[table["clip"].isin(list(clips))]
    places = {
        row.clip: folder / "cache" / "detected" / row.detected
        for row in wanted.itertuples()
        if row.detected
    }
    return {name: place for name, place in places.items() if place.is_dir()}
