"""What is to be done on a desk: kept on the disk, worked off beside the page, stopped at any time.

The list is written whole after every change, so that a desk that is closed or killed goes on where
it stopped. Film checks have a lane of their own, for they take seconds and are waited for.
"""

from __future__ import annotations

import dataclasses
import multiprocessing
import secrets
import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from barpath.errors import BarpathError
from barpath.ground.files import json_bytes, read_json, write_atomically
from barpath.page.desk import tasks
from barpath.page.desk.shelf import Bench
from barpath.page.desk.tasks import CHECK, SET, Programme, Task

QUEUE_FILE = "queue.json"
WAITING, WORKING, DONE, FAILED, STOPPED = "waiting", "working", "done", "failed", "stopped"
KEPT_DONE = 12
LANES = ("check", "work")


@dataclass(frozen=True)
class Job:
    """A task and how far it is.

    Attributes
    ----------
    task : Task
    state : {'waiting', 'working', 'done', 'failed', 'stopped'}
    sentence : str
        Why it failed.
    stage, share
        What is being done, and how much of it, 0 to 1; below 0 where that is not known. Not kept.
    """

    task: Task
    state: str = WAITING
    sentence: str = ""
    stage: str = ""
    share: float = 0.0


Benches = Callable[[], dict[str, Bench]]


class Queue:
    """The work of a desk; its methods may be called from several threads."""

    def __init__(
        self,
        home: Path,
        benches: Benches,
        programme: Programme | None = None,
        before: Callable[[Task], None] = lambda task: None,
    ) -> None:
        """Take up what is still to be done.

        Parameters
        ----------
        home : Path
            The desk's folder.
        benches : callable
            Gives the benches by key.
        programme : Programme, optional
        before : callable
            Told of each task before it is begun.
        """
        self._file = home / QUEUE_FILE
        self._benches, self._before = benches, before
        self._programme = programme or Programme()
        self._changed = threading.Condition()
        self._jobs = _read(self._file)
        self._closing = False
        self._processes: dict[str, Any] = {}
        self._threads = [threading.Thread(target=self._lane, args=(lane,)) for lane in LANES]
        self.n_changes = 0

    def start(self) -> None:
        """Begin to work."""
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Break off what is at work, and keep the list for the next time."""
        with self._changed:
            self._closing = True
            self._end(LANES)
            self._changed.notify_all()
        for thread in self._threads:
            if thread.ident is not None:
                thread.join()

    def jobs(self) -> list[Job]:
        """All jobs, in order."""
        with self._changed:
            return list(self._jobs)

    def add(
        self,
        kind: str,
        bench: Bench,
        clips: Sequence[str] = (),
        *,
        by: str = "",
        anew: bool = False,
    ) -> str:
        """Put a task at the end, unless the same is waiting or at work.

        Parameters
        ----------
        kind, bench, clips, by
            As for `Task`.
        anew : bool
            What is at work began with what holds no more, and is to be done once again.

        Returns
        -------
        str
            Its key.
        """
        with self._changed:
            task = Task(secrets.token_hex(4), kind, bench.key, tuple(clips), by=by)
            what = replace(task, key="")
            same = [j for j in self._jobs if replace(j.task, key="", again=False) == what]
            for job in same:
                if job.state == WAITING or (job.state == WORKING and not anew):
                    return job.task.key
            old = [j for j in same if j.state != WORKING]
            self._jobs = [j for j in self._jobs if j not in old] + [Job(task)]
            self._keep()
            return task.key

    def stop(self, keys: Iterable[str]) -> None:
        """Stop tasks; those that were at work beside them wait again."""
        with self._changed:
            chosen = set(keys)
            lanes = {
                _lane_of(j.task) for j in self._jobs if j.task.key in chosen and j.state == WORKING
            }
            self._jobs = [
                replace(j, state=STOPPED, stage="", share=0.0)
                if j.task.key in chosen and j.state in (WAITING, WORKING)
                else j
                for j in self._jobs
            ]
            self._end(lanes)
            self._keep()

    def go_on(self, keys: Iterable[str]) -> None:
        """Let tasks that were stopped or failed wait for their turn again."""
        with self._changed:
            chosen = set(keys)
            self._jobs = [
                replace(
                    j,
                    task=replace(j.task, again=j.task.again or j.state == FAILED),
                    state=WAITING,
                    sentence="",
                )
                if j.task.key in chosen and j.state in (STOPPED, FAILED)
                else j
                for j in self._jobs
            ]
            self._keep()

    def forget(self, keys: Iterable[str]) -> None:
        """Take tasks that are not at work off the list."""
        with self._changed:
            chosen = set(keys)
            self._jobs = [j for j in self._jobs if j.task.key not in chosen or j.state == WORKING]
            self._keep()

    def busy_with(self, bench: str, clip: str) -> bool:
        """Whether a set of this clip is waiting or at work."""
        return any(
            j.task.bench == bench and clip in j.task.clips and j.task.kind == SET
            for j in self.jobs()
            if j.state in (WAITING, WORKING)
        )

    # --- inside -----------------------------------------------------------------------------------

    def _keep(self) -> None:
        """Write the list; the lock is held."""
        done = [j for j in self._jobs if j.state == DONE]
        for job in done[:-KEPT_DONE]:
            self._jobs.remove(job)
        content = [
            dataclasses.asdict(j.task) | {"state": j.state, "sentence": j.sentence}
            for j in self._jobs
        ]
        # The work goes on even when the disk is full; the list is then of the last time.
        with suppress(BarpathError):
            write_atomically(self._file, json_bytes({"jobs": content}))
        self.n_changes += 1
        self._changed.notify_all()

    def _set(self, key: str, **changes: Any) -> None:
        """Change a job that is at work."""
        with self._changed:
            for n, job in enumerate(self._jobs):
                if job.task.key == key and job.state == WORKING:
                    self._jobs[n] = replace(job, **changes)
                    if "state" in changes:
                        self._keep()

    def _end(self, lanes: Iterable[str]) -> None:
        for lane in lanes:
            process = self._processes.get(lane)
            if process is not None:
                process.kill()

    def _next(self, lane: str) -> list[Job]:
        """The first task of a lane, with all of its kind: a process is long in starting."""
        waiting = [j for j in self._jobs if j.state == WAITING and _lane_of(j.task) == lane]
        if not waiting:
            return []
        first = (waiting[0].task.kind, waiting[0].task.bench)
        return [j for j in waiting if (j.task.kind, j.task.bench) == first]

    def _lane(self, lane: str) -> None:
        while True:
            with self._changed:
                while not self._closing and not (chosen := self._next(lane)):
                    self._changed.wait()
                if self._closing:
                    return
                keys = {job.task.key for job in chosen}
                self._jobs = [
                    replace(j, state=WORKING, stage="", share=0.0) if j.task.key in keys else j
                    for j in self._jobs
                ]
                self._keep()
            self._work(lane, [job.task for job in chosen])

    def _work(self, lane: str, chosen: Sequence[Task]) -> None:
        keys = {task.key for task in chosen}
        bench = self._benches().get(chosen[0].bench)
        if bench is None:
            for key in keys:
                self._set(key, state=FAILED, sentence="Its folder is not open any more.")
            return
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(target=tasks.run, args=(bench, chosen, self._programme, theirs))
        try:
            for task in chosen:
                self._before(task)
            with self._changed:
                if self._closing or not self._at_work(keys):
                    return
                process.start()
                self._processes[lane] = process
            theirs.close()
            while True:
                try:
                    key, what, *rest = ours.recv()
                except (EOFError, OSError):
                    break
                match what:
                    case "stage":
                        self._set(key, stage=rest[0], share=float(rest[1]))
                    case "done":
                        self._set(key, state=DONE)
                    case "failed":
                        self._set(key, state=FAILED, sentence=rest[0])
            process.join()
        except Exception as error:
            for key in keys:
                self._set(key, state=FAILED, sentence=tasks.sentence_of(error))
        finally:
            ours.close()
            with self._changed:
                self._processes.pop(lane, None)
                self._settle(keys, process.exitcode)

    def _at_work(self, keys: set[str]) -> bool:
        return any(j.task.key in keys and j.state == WORKING for j in self._jobs)

    def _settle(self, keys: set[str], code: int | None) -> None:
        """See to jobs whose process ended without a word about them; the lock is held."""
        ended_by_us = self._closing or any(
            j.task.key in keys and j.state == STOPPED for j in self._jobs
        )
        for n, job in enumerate(self._jobs):
            if job.task.key in keys and job.state == WORKING:
                if ended_by_us:
                    self._jobs[n] = replace(job, state=WAITING, stage="", share=0.0)
                else:
                    sentence = f"The process that worked on it ended unexpectedly (code {code})."
                    self._jobs[n] = replace(job, state=FAILED, sentence=sentence)
        self._keep()


def _lane_of(task: Task) -> str:
    return "check" if task.kind == CHECK else "work"


def _read(file: Path) -> list[Job]:
    """The list as it was kept; what was at work waits again."""
    jobs = []
    with suppress(OSError, ValueError, KeyError, TypeError):
        for row in read_json(file)["jobs"]:
            state, sentence = row.pop("state"), row.pop("sentence")
            task = Task(**row | {"clips": tuple(row["clips"])})
            jobs.append(Job(task, WAITING if state == WORKING else state, sentence))
    return jobs
