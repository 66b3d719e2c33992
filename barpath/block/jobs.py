"""What a block's work is made of: clips with their labels, settings, jobs, outcomes, events."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections
from barpath.errors import OptionError
from barpath.ground.view import AUTO


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
    bar : str
        As `equipment.bar_of` reads it; ``""`` where nothing is said.
    corrections : Corrections
        What was put right by hand in it; see `plan.corrections_file`.
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
    bar: str = ""
    upper_arm_m: float | None = None
    stature_m: float | None = None
    capture_fps: float | None = None
    corrections: Corrections = field(default_factory=Corrections)
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
    join : str
        Called with the `SetResult`s of one set; returns rows as `setrows.measure_together`.
    """

    detect: str = "barpath.analysis.pipeline:analyse"
    measure: str = "barpath.analysis.pipeline:remeasure"
    join: str = "barpath.block.setrows:measure_together"


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
    clip_bytes: int = 1_050_000_000
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

    @property
    def name(self) -> str:
        """What it is called in what is told of it."""
        return self.entry.name

    @property
    def key(self) -> str:
        """Under which what was measured is kept."""
        return self.measure_key


@dataclass(frozen=True)
class SetJob:
    """What a worker is given to measure the clips of one set together.

    Attributes
    ----------
    name : str
        The set's `set_id`.
    jobs : tuple of Job
        Of its clips; all were looked at.
    key : str
        Under which what was measured is kept.
    """

    name: str
    jobs: tuple[Job, ...]
    key: str


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


def words_of(error: BaseException) -> str:
    """An error's own words, on one line and without a full stop."""
    text = getattr(error, "strerror", None) or str(error)
    return " ".join(text.split()).rstrip(".")


def n_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
