"""The command line: `barpath analyse`, `demo`, `photo`, `block`, `compare`, `block-report`, others.

Exit codes: 0 done; 2 a wrong option; 3 the clip cannot be read; 4 no bar or plate that moves like a
press; 5 no repetition; 6 the results cannot be written, or a folder given is damaged; 7 no clip of
a block was measured; 8 nobody presses in a picture; 70 a fault of the program itself; 130 stopped
by Ctrl-C.
"""

import errno
import os
import signal
import sys
from types import FrameType
from typing import Any

import typer

from barpath.cli.blocks import block, block_report, compare
from barpath.cli.figures import benchmark
from barpath.cli.oneset import analyse, demo, film_check, photo, rules
from barpath.cli.served import desk, touchup
from barpath.cli.together import beside, pair
from barpath.errors import STOPPED, BarpathError, OptionError, StoppedError, reason_of

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Measure bench-press technique from ordinary phone video.",
    epilog=(
        "Use safeties or a spotter. Pain means stop, and a clinician judges pain. The federation's"
        " current rule book and its referees decide what counts."
    ),
)

for command in (
    analyse,
    demo,
    photo,
    block,
    compare,
    block_report,
    pair,
    beside,
    film_check,
    rules,
    touchup,
    desk,
    benchmark,
):
    app.command()(command)


def _stop(signum: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main() -> None:
    """Run the command line; a fault ends with one sentence and its exit code."""
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _stop)
    for stream in (sys.stdout, sys.stderr):
        # A file's name may hold bytes that no text can.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    code, sentence = outcome()
    # The sentence is still to be said; a second Ctrl-C must not get between.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sentence:
        typer.echo(f"barpath: {sentence}", err=True)
    sys.exit(code)


def outcome() -> tuple[int, str]:
    """Run the command: its exit code, and the sentence that is still to be said."""
    try:
        code = app(standalone_mode=False) or 0
    except BarpathError as error:
        return error.exit_code, str(error)
    except (KeyboardInterrupt, typer.Abort):
        code = StoppedError.exit_code
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES):
            return _inside(error)
        return 6, f"The system refused to write or read: {reason_of(error)}."
    except Exception as error:
        # What the parser of options raises has no public name in every version of it.
        if not hasattr(error, "format_message"):
            return _inside(error)
        return getattr(error, "exit_code", OptionError.exit_code), _usage_sentence(error)
    return code, STOPPED if code == StoppedError.exit_code else ""


def _usage_sentence(error: Any) -> str:
    context = getattr(error, "ctx", None)
    command = "barpath" if context is None else context.command_path
    if type(error).__name__ == "NoArgsIsHelpError":
        return f"it needs to be told what to do; see '{command} --help'."
    return f"{' '.join(error.format_message().split()).rstrip('.')}; see '{command} --help'."


def _inside(error: Exception) -> tuple[int, str]:
    if os.environ.get("BARPATH_DEBUG"):
        raise error
    return 70, (
        f"something went wrong inside ({type(error).__name__}: {' '.join(str(error).split())}); set"
        " BARPATH_DEBUG=1 to see where."
    )
