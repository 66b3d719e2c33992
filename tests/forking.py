"""Processes forked from a server that has loaded the program.

They get what they are to do, and end or are killed, as those that start anew, each of which would
take seconds to load it.
"""

import multiprocessing
import os
import sys
import tempfile
from multiprocessing.context import BaseContext
from pathlib import Path
from subprocess import CompletedProcess

from barpath.cli import commands

LOADED = (
    "barpath.analysis.pipeline",
    "barpath.page.desk",
    "barpath.report.photo",
    "tests.opened_desk",
)


def context() -> BaseContext:
    """Starts such processes; where there are no forks, others in their place."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    found = multiprocessing.get_context("forkserver")
    found.set_forkserver_preload([__name__, *LOADED])
    return found


def run(*arguments: object, cwd: Path) -> CompletedProcess[str]:
    """The command line, run in a folder: its exit code and all that it and its libraries say."""
    with tempfile.TemporaryDirectory() as folder:
        said = [Path(folder, name) for name in ("out", "err")]
        process = context().Process(target=_command, args=(list(map(str, arguments)), cwd, said))
        process.start()
        process.join(240)
        process.kill()
        process.join()
        out, err = (file.read_text() for file in said)
        return CompletedProcess(process.name, process.exitcode, out, err)


def _command(arguments: list[str], cwd: Path, said: list[Path]) -> None:
    for number, file in enumerate(said, start=1):
        os.dup2(os.open(file, os.O_WRONLY | os.O_CREAT), number)
    os.chdir(cwd)
    sys.argv = ["barpath", *arguments]
    commands.main()
