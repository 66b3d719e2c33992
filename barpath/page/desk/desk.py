"""A desk that is open: its folder, its work and the correction pages in use."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from http import HTTPStatus
from pathlib import Path

from starlette.requests import Request

from barpath.page import touchup
from barpath.page.desk import shelf
from barpath.page.desk.labels import keep_corrections
from barpath.page.desk.naming import stem_of
from barpath.page.desk.queue import Queue
from barpath.page.desk.shelf import Bench, Clip
from barpath.page.desk.tasks import SET, Programme, Task
from barpath.page.local import RefusedError, nothing_here


@dataclass(frozen=True)
class DeskConfig:
    """Settings of the desk.

    Attributes
    ----------
    max_form_bytes : int
    spare_bytes : int
        So much of the disk stays free when a clip is taken.
    kept_corrections : int
        Correction pages kept ready.
    last_s : float
        The server answers so long after it was told to close.
    programme : Programme
    """

    max_form_bytes: int = 1_000_000
    spare_bytes: int = 200_000_000
    kept_corrections: int = 4
    last_s: float = 1.0
    programme: Programme = field(default_factory=Programme)


class Desk:
    """A desk that is open: its folder, its work and the correction pages in use."""

    def __init__(self, folder: Path, config: DeskConfig | None = None) -> None:
        """Make or take up the folder.

        Parameters
        ----------
        folder : Path
        config : DeskConfig, optional

        Raises
        ------
        OutputError
            It holds something else, or cannot be written.
        """
        self.config = config or DeskConfig()
        self.own = shelf.open_desk(folder)
        shelf.tidy(self.own)
        self.home = self.own.home
        self.writing = threading.RLock()
        self.queue = Queue(self.home, self.benches, self.config.programme, self._make_way)
        self.closing: Callable[[], None] = lambda: None
        self._sessions: dict[tuple[str, str], touchup.Session] = {}
        self._opening = threading.Lock()

    def benches(self) -> dict[str, Bench]:
        """Benches by key."""
        return shelf.benches(self.home)

    def bench(self, request: Request) -> Bench:
        """The bench that a request is about."""
        bench = self.benches().get(request.path_params["bench"])
        if bench is None:
            raise nothing_here()
        return bench

    def clip(self, request: Request) -> tuple[Bench, Clip]:
        """The clip that a request is about, and its bench."""
        bench = self.bench(request)
        stem = request.path_params["stem"]
        clip = next((c for c in shelf.clips_of(bench) if c.stem == stem), None)
        if clip is None:
            raise nothing_here()
        return bench, clip

    def session(self, request: Request) -> touchup.Session:
        """The correction of the set that a request is about."""
        key = (request.path_params["bench"], request.path_params["stem"])
        with self._opening:
            if key not in self._sessions:
                bench, clip = self.clip(request)
                if self.queue.busy_with(bench.key, clip.name):
                    raise RefusedError(
                        HTTPStatus.CONFLICT,
                        "This clip is being measured; put it right when that is done.",
                    )
                if clip.result is None:
                    raise nothing_here()
                self._rest()
                self._sessions[key] = touchup.Session(
                    clip.result, clip.entry.path, keep=partial(keep_corrections, clip.entry.path)
                )
            return self._sessions[key]

    def _rest(self) -> None:
        """Close the oldest correction at rest when there are many: each keeps pictures."""
        resting = [
            key
            for key, session in self._sessions.items()
            if session.job().state != "running" and session.job().video != "drawing"
        ]
        if len(self._sessions) >= self.config.kept_corrections and resting:
            self._sessions.pop(resting[0]).close()

    def _make_way(self, task: Task) -> None:
        """Let a correction that is being saved come to its end before its set is written anew."""
        if task.kind != SET:
            return
        key = (task.bench, stem_of(task.clips[0]))
        while (session := self._sessions.get(key)) and session.job().state == "running":
            time.sleep(0.1)
        with self._opening:
            if session := self._sessions.pop(key, None):
                session.close()

    def close(self) -> None:
        """Break off what is at work; all of it is taken up the next time."""
        self.queue.close()
        with self._opening:
            for session in self._sessions.values():
                session.close()
            self._sessions.clear()
