"""The processes that work a block's clips off: of this machine, or of a Dask cluster."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, TypeVar

from barpath.block.jobs import (
    BlockConfig,
    Event,
    Job,
    Outcome,
    SetJob,
    Watch,
    ignore,
    n_cores,
)
from barpath.block.work import process
from barpath.errors import OptionError
from barpath.ground.files import scratch_folder

AnyJob = TypeVar("AnyJob", Job, SetJob)

THREAD_VARIABLES = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMEXPR_NUM_THREADS",
)


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
    job: Job | SetJob | None = None
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
    jobs: Sequence[AnyJob],
    config: BlockConfig,
    done: Callable[[AnyJob, Outcome], None],
    watch: Watch = ignore,
) -> None:
    """Work jobs off with processes of this machine.

    Parameters
    ----------
    jobs : sequence of Job or of SetJob
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
    n_workers = min(config.workers or n_cores(), len(jobs))
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
            links: dict[Any, tuple[_Hand, Any]] = {h.link: (h, h.job) for h in busy if h.job}
            for link in wait(list(links)):
                hand, job = links[link]
                try:
                    message = hand.link.recv()
                except (EOFError, OSError):
                    hand.process.join()
                    code = hand.process.exitcode
                    crew.dismiss(hand)
                    tries[job.key] = tries.get(job.key, 0) + 1
                    if tries[job.key] < config.attempts:
                        waiting.append(job)
                    else:
                        done(job, Outcome(sentence=_death(code)))
                    continue
                if not isinstance(message, Outcome):
                    watch(Event("stage", job.name, message[0], message[1]))
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
