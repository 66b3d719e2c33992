"""The work on a desk's clips, each piece in a process of its own that can be ended at any moment.

`run` is what such a process does. What it works on is what `barpath block` works on: the same
sheet, cache and workers, so that either takes up what the other began.
"""

from __future__ import annotations

import dataclasses
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from threading import Lock
from typing import Any

from barpath.analysis import filmadvice, filmfacts, pairset, store
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections
from barpath.analysis.running import Progress
from barpath.analysis.source import probe_same
from barpath.block import jobs as blockjobs
from barpath.block.blockstore import is_block
from barpath.block.cache import Cache, kept_of
from barpath.block.jobs import BlockConfig, ClipEntry, Event, Job
from barpath.block.keys import make_jobs
from barpath.block.run import run as run_block
from barpath.block.tables import kept_sets
from barpath.block.work import function_named
from barpath.block.workers import follow_parent
from barpath.errors import BarpathError, OptionError, reason_of
from barpath.ground.equipment import POWER_BAR, bar_of
from barpath.ground.files import scratch_folder
from barpath.ground.view import AUTO
from barpath.lift.advice import LifterProfile
from barpath.page.desk import shelf
from barpath.page.desk.shelf import Bench
from barpath.report import besidepage, blockpages, comparepage, pagesfolder, pairfolder
from barpath.report.output import bottom_image, publish

CHECK, SET, PAIR, BESIDE, PAGES, COMPARE = "check", "set", "pair", "beside", "pages", "compare"

NOT_KNOWN = -1.0
"""Share of a step that does not tell how far it is."""


@dataclass(frozen=True)
class Programme:
    """The functions that the work rests on, as ``"module:name"``; others can stand in their place.

    Attributes
    ----------
    block : blockjobs.Programme
    look : str
        As `filmcheck.look`.
    """

    block: blockjobs.Programme = field(default_factory=blockjobs.Programme)
    look: str = "barpath.analysis.filmcheck:look"


@dataclass(frozen=True)
class Task:
    """One piece of work.

    Attributes
    ----------
    key : str
    kind : {'check', 'set', 'pair', 'beside', 'pages', 'compare'}
    bench : str
        Key of the bench.
    clips : tuple of str
        Names of its clips; for `beside`, names of result folders below the bench.
    again : bool
        Whether it failed before and is to be tried once more.
    by : str
        Of `compare` the column that tells setups apart, of `beside` what the sets are called, a
        line each.
    """

    key: str
    kind: str
    bench: str
    clips: tuple[str, ...] = ()
    again: bool = False
    by: str = ""


Tell = Callable[..., None]
"""Called with a task's key and `"stage"` (stage, share), `"done"` or `"failed"` (sentence)."""


def run(bench: Bench, tasks: Sequence[Task], programme: Programme, link: Connection) -> None:
    """Life of a process that works tasks of one kind off and ends.

    Parameters
    ----------
    bench : Bench
    tasks : sequence of Task
        Sets are worked on side by side, all else in turn.
    programme : Programme
    link : Connection
        Told ``(key, what, ...)`` of every step, see `Tell`.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    lock = Lock()

    def tell(*message: Any) -> None:
        with lock:
            link.send(message)

    with scratch_folder() as scratch:
        follow_parent(scratch)
        if tasks[0].kind == SET:
            measure_sets(bench, tasks, programme, tell)
            return
        works = {CHECK: check, PAIR: pair, BESIDE: beside, PAGES: pages, COMPARE: compare}
        for task in tasks:
            with told(task.key, tell):
                works[task.kind](bench, task, programme, partial(tell, task.key, "stage"))


class told:  # noqa: N801
    """Tells how a piece of work ended: well, or with one sentence."""

    def __init__(self, key: str, tell: Tell) -> None:
        self._key, self._tell = key, tell

    def __enter__(self) -> None:
        """Nothing is told of the beginning."""

    def __exit__(self, kind: type | None, error: BaseException | None, trace: object) -> bool:
        if error is None:
            self._tell(self._key, "done")
            return True
        if isinstance(error, Exception):
            self._tell(self._key, "failed", sentence_of(error))
            return True
        return False


def sentence_of(error: BaseException) -> str:
    """What went wrong, in one sentence."""
    if isinstance(error, BarpathError):
        return str(error)
    if isinstance(error, OSError):
        return f"The system refused to write or read: {reason_of(error)}."
    return f"Something went wrong inside ({type(error).__name__}: {error})."


# --- sets -----------------------------------------------------------------------------------------


def measure_sets(bench: Bench, tasks: Sequence[Task], programme: Programme, tell: Tell) -> None:
    """Measure clips as a block does, and write the report of each as soon as it is measured.

    The block's tables hold, besides these clips, those that were measured before.
    """
    keys = {task.clips[0]: task.key for task in tasks}
    config = BlockConfig(retry_failed=any(task.again for task in tasks), programme=programme.block)
    try:
        before = kept_sets(bench.block) if is_block(bench.block) else {}
        entries = [e for e in shelf.entries_of(bench) if e.name in keys or e.name in before]
        jobs, _ = make_jobs([e for e in entries if e.name in keys], config)
    except Exception as error:
        for key in keys.values():
            tell(key, "failed", sentence_of(error))
        return
    begun: dict[str, Future[None]] = {}

    # One after the other, beside the workers that go on with the next clips.
    with ThreadPoolExecutor(1) as writer:

        def write(name: str) -> None:
            with told(keys[name], tell):
                publish_set(bench, jobs[name], config, partial(tell, keys[name], "stage"))

        def watch(event: Event) -> None:
            if event.kind == "planned":
                for name in jobs:
                    if kept_of(jobs[name], bench.block) is not None:
                        begun[name] = writer.submit(write, name)
            elif event.clip in keys and event.kind == "stage":
                tell(keys[event.clip], "stage", event.text, event.share)
            elif event.clip in keys and event.kind == "done":
                begun[event.clip] = writer.submit(write, event.clip)
            elif event.clip in keys and event.kind == "failed":
                tell(keys.pop(event.clip), "failed", event.text)

        try:
            done = run_block(entries, bench.block, config, watch=watch)
        except Exception as error:
            for name in set(keys) - set(begun):
                tell(keys[name], "failed", sentence_of(error))
            return
        for name, sentence in done.failures:
            if name in keys and name not in begun:
                tell(keys.pop(name), "failed", sentence)
        for name in set(keys) - set(begun):
            tell(keys[name], "failed", "This clip is not there any more.")


def publish_set(bench: Bench, job: Job, config: BlockConfig, progress: Progress) -> None:
    """Write the result folder of a clip that a block has measured; corrections stay in force."""
    kept = kept_of(job, bench.block)
    if kept is None:
        raise OptionError("What was seen in the clip is not kept any more; measure it again.")
    seen = store.read_results(kept)
    target = bench.set_folder(job.entry.name)
    whole = dataclasses.replace(
        job.measure_config,
        load_kg=job.entry.load_kg,
        # Those of a folder in which they were not kept beside the clip yet.
        corrections=job.entry.corrections or corrections_in(target, job.sha256),
    )
    info = dataclasses.replace(
        probe_same(seen, job.entry.path),
        n_duplicate=seen.info.n_duplicate,
        n_undecodable=seen.info.n_undecodable,
        warnings=seen.info.warnings,
    )
    progress("measuring", NOT_KNOWN)
    result = function_named(config.programme.measure)(dataclasses.replace(seen, info=info), whole)
    options = result.options | {"load_kg": job.entry.load_kg}
    named = dataclasses.replace(result, source_name=job.entry.path.name, options=options)
    publish(named, target, overwrite=True, progress=progress)


def _bring_up_to_date(bench: Bench, programme: Programme) -> None:
    """Measure anew what was put right by hand or labelled otherwise since the tables were made."""
    if not is_block(bench.block):
        return
    before = kept_sets(bench.block)
    entries = [entry for entry in shelf.entries_of(bench) if entry.name in before]
    config = BlockConfig(programme=programme.block)
    cache = Cache(bench.block / "cache")
    # What takes seconds: for a page no clip is looked at again.
    if all(cache.detected(job).is_dir() for job in make_jobs(entries, config)[0].values()):
        run_block(entries, bench.block, config)


def corrections_in(folder: Path, sha256: str) -> Corrections:
    """What was put right by hand in an earlier result of the same clip."""
    if not (folder / store.SUMMARY_FILE).is_file():
        return Corrections()
    before = store.read_results(folder)
    return before.corrections if before.info.sha256 == sha256 else Corrections()


# --- all else -------------------------------------------------------------------------------------


def check(bench: Bench, task: Task, programme: Programme, progress: Progress) -> None:
    """Look at how a clip is filmed, and keep what is to be changed."""
    entry = entry_named(bench, task.clips[0])
    try:
        facts = function_named(programme.look)(
            entry.path,
            view=entry.view if entry.view in filmfacts.VIEWS else AUTO,
            plate_mm=entry.plate_mm or AnalysisConfig().calibration.plate_mm,
            bar=bar_of(entry.bar or POWER_BAR.name),
            progress=progress,
        )
    except BarpathError as error:
        sentence = str(error).replace(str(entry.path), entry.name)
        shelf.keep_check(bench, entry, {"error": sentence})
        return
    table = filmadvice.advise(facts)
    rows = table[["item", "value", "verdict", "words"]].astype(str).to_numpy().tolist()
    shelf.keep_check(bench, entry, {"view": facts.view, "rows": rows})


def entry_named(bench: Bench, name: str) -> ClipEntry:
    """A clip of a bench.

    Raises
    ------
    OptionError
        It is not there, or its line in the sheet makes no sense.
    """
    entry = next((e for e in shelf.entries_of(bench) if e.name == name), None)
    if entry is None:
        raise OptionError("This clip is not there any more.")
    if entry.fault:
        raise OptionError(entry.fault)
    return entry


def pair(bench: Bench, task: Task, programme: Programme, progress: Progress) -> None:
    """Measure clips of one set from several places together."""
    folders = [bench.set_folder(name) for name in task.clips]
    results = [store.read_results(folder) for folder in folders]
    progress("joining the views", NOT_KNOWN)
    joined = pairset.measure_clips(results, LifterProfile())
    progress("writing the report", NOT_KNOWN)
    at = next(n for n, one in enumerate(results) if one is joined.front)
    pairfolder.write_pair(
        joined,
        shelf.pair_folder(bench, task.clips),
        overwrite=True,
        bottom=bottom_image(joined.front, folders[at]),
    )


def beside(bench: Bench, task: Task, programme: Programme, progress: Progress) -> None:
    """Show measured sets side by side."""
    folders = [bench.home / name for name in task.clips]
    entries = besidepage.read_entries(folders, task.by.split("\n"))
    target = shelf.beside_folder(bench, folders)
    besidepage.write_beside(entries, target, overwrite=True, progress=progress)


def pages(bench: Bench, task: Task, programme: Programme, progress: Progress) -> None:
    """Write the pages of the coach and of each lifter."""
    _bring_up_to_date(bench, programme)
    progress("writing the pages", NOT_KNOWN)
    files = blockpages.block_files(bench.block)
    pagesfolder.write_pages(bench.home / "pages", files, overwrite=True)


def compare(bench: Bench, task: Task, programme: Programme, progress: Progress) -> None:
    """Compare setups over all clips."""
    _bring_up_to_date(bench, programme)
    progress("comparing", NOT_KNOWN)
    files = comparepage.compare_files(bench.block, task.by, clips=bench.clips)
    pagesfolder.write_pages(bench.home / "comparison", files, overwrite=True)
