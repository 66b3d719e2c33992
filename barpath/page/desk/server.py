"""The server that gives a desk's pages."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

from barpath.errors import OutputError
from barpath.ground.files import json_bytes, read_json
from barpath.page import local
from barpath.page.desk import shelf
from barpath.page.desk.desk import Desk
from barpath.page.desk.routes import routes, told

OPEN_FILE = ".open.json"


@contextlib.contextmanager
def serving(desk: Desk, port: int = 0) -> Iterator[local.Served]:
    """Bind a desk to the loopback address and begin to work; the caller runs `serve_forever`.

    Parameters
    ----------
    desk : Desk
    port : int
        0 takes one that is free.

    Raises
    ------
    OptionError
        The port cannot be had.
    """
    with local.serving(local.site(routes(desk), told), port) as served:
        desk.closing = served.shutdown
        desk.queue.start()
        try:
            yield served
        finally:
            desk.close()


def run(folder: Path, *, port: int = 0, ready: Callable[[str], None] = print) -> None:
    """Serve a desk until it is closed on the page, or by Ctrl-C.

    A desk that is open already is not opened twice: its address is given to `ready` and this
    returns.

    Parameters
    ----------
    folder : Path
    port : int
    ready : callable
        Given the page's address once it answers.

    Raises
    ------
    OutputError, OptionError
        As for `Desk` and `serving`.
    """
    home = shelf.open_desk(folder).home
    with _alone(home) as alone:
        if not alone:
            ready(_address_of(home))
            return
        with serving(Desk(folder), port) as served, contextlib.suppress(KeyboardInterrupt):
            _tell_address(home / OPEN_FILE, served.address)
            try:
                ready(served.address)
                served.serve_forever()
            finally:
                (home / OPEN_FILE).unlink(missing_ok=True)


def _tell_address(file: Path, address: str) -> None:
    """Write down where an open desk answers; nobody else may read it."""
    file.unlink(missing_ok=True)
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as written:
        written.write(json_bytes({"address": address}))


def _address_of(home: Path) -> str:
    with suppress(OSError, ValueError, KeyError, TypeError):
        return str(read_json(home / OPEN_FILE)["address"])
    raise OutputError(f"The desk '{home}' is open already, in another window.")


@contextlib.contextmanager
def _alone(home: Path) -> Iterator[bool]:
    """Whether no other program has this desk open; the system frees the lock of a killed one."""
    try:
        import fcntl
    except ImportError:  # Windows
        yield True
        return
    with (home / ".lock").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            yield False
            return
        yield True
