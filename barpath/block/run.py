"""A training block: many clips measured side by side, kept, and taken up again where they stopped.

The clips of a folder are planned from a sheet or from their names (`plan`), measured by worker
processes, one clip each at a time (`workers`, `work`), kept by content and settings (`keys`,
`cache`), clips of one set measured together from what is kept of each (`setrows`), and all joined
into one table (`tables`). Only the parent process writes, each piece under a
temporary name and renamed, so that a run that is killed at any moment is taken up where it was.

Block folder::

    block.json          name, versions, and the files below that were written
    manifest.json       what each of them hashes to
    reps.parquet        the table, see `blockstore`; reps.csv holds the same
    clips.csv           every clip with its labels, its number of repetitions or its failure, and
                        why it was measured apart from others of its set
    failures.csv        only the clips that failed, each with its sentence
    trajectories/*.trc  bar paths, when asked for
    cache/detected/KEY/ a result folder, see `store`, with a still of the bottom
    cache/measured/KEY.json, cache/failed/KEY.json
    cache/joined/KEY.json   sets that several clips show, measured from all of them together
    cache/aside/        entries of the cache that were found damaged
"""

from __future__ import annotations

import dataclasses
import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from barpath.block.blockstore import BLOCK_FILE, is_block
from barpath.block.cache import Cache
from barpath.block.jobs import BlockConfig, ClipEntry, Event, Job, Outcome, SetJob, Watch, ignore
from barpath.block.keys import make_jobs, make_set_jobs
from barpath.block.tables import BlockSummary, assemble, write_mark
from barpath.block.workers import run_dask, run_local
from barpath.errors import OptionError, OutputError, reason_of
from barpath.ground.files import clear_parts, clear_scratch, finish, prepare


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
def locked(folder: Path) -> Iterator[None]:
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
            write_mark(folder)
        for name in ("detected", "measured", "joined", "failed"):
            (folder / "cache" / name).mkdir(parents=True, exist_ok=True)
        with locked(folder):
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
    cache = Cache(folder / "cache")
    n_aside = cache.set_damaged_aside(place for job in jobs.values() for place in cache.places(job))
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
    done_jobs = [job for name, job in jobs.items() if name not in failed and cache.has_rows(job)]
    sets, apart, n_sets_aside = _measure_sets(done_jobs, cache, config, watch)
    summary = assemble(entries, jobs, failed, folder, n_read, sets=sets, apart=apart, trc=trc)
    return dataclasses.replace(summary, n_set_aside=n_aside + n_sets_aside)


def _measure_sets(
    jobs: Sequence[Job], cache: Cache, config: BlockConfig, watch: Watch
) -> tuple[list[SetJob], dict[str, str], int]:
    """Measure sets that several clips show from all of them, where that is still to be done.

    Returns
    -------
    sets : list of SetJob
        Those that were measured so.
    apart : dict of str to str
        Why the clips of the others count each by itself, by `set_id`.
    n_aside : int
        Kept entries that were found damaged.
    """
    seen = [dataclasses.replace(job, detected=cache.detected(job)) for job in jobs]
    sets, apart = make_set_jobs(seen)
    n_aside = cache.set_damaged_aside(cache.joined_file(one) for one in sets)

    def done(job: SetJob, outcome: Outcome) -> None:
        cache.keep_joined(job, outcome)
        if outcome.rows is None:
            apart[job.name] = outcome.sentence
        watch(Event("done", job.name, "", 1.0, len(jobs), len(jobs)))

    open_sets = [one for one in sets if cache.joined(one) is None]
    if open_sets:
        run_local(open_sets, config, done, watch)
    joined = []
    for one in sets:
        kept = cache.joined(one)
        if kept is not None and not kept[1]:
            joined.append(one)
        elif kept is not None:
            apart[one.name] = kept[1]
    return joined, apart, n_aside


def _sweep(folder: Path) -> None:
    """Finish or remove what a killed run left; the lock says that nobody is at it."""
    finish(folder)
    for place in (folder / "trajectories", *(folder / "cache").iterdir()):
        clear_parts(place)
