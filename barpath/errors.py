"""Errors that a user can cause, each with one sentence and a documented exit code.

Every error raised on purpose derives from `BarpathError`. The command line prints its sentence on
stderr and exits with its code; the Python interface raises it.
"""

import errno

STOPPED = "stopped before it was done."


class BarpathError(Exception):
    """Base of all errors raised on purpose; `exit_code` is what the command line returns."""

    exit_code = 1


class OptionError(BarpathError):
    """An option or argument is outside what it may be (exit code 2)."""

    exit_code = 2


class ClipError(BarpathError):
    """The input is missing, is no video, or cannot be decoded (exit code 3)."""

    exit_code = 3


class BarNotFoundError(BarpathError):
    """No plate or bar that moves like a press was found or could be followed (exit code 4)."""

    exit_code = 4


class NoRepError(BarpathError):
    """The bar was followed, but no repetition was found in its height (exit code 5)."""

    exit_code = 5


class OutputError(BarpathError):
    """The results cannot be written, or would overwrite what is there (exit code 6)."""

    exit_code = 6


class NothingMeasuredError(BarpathError):
    """Not one clip of a block could be measured (exit code 7)."""

    exit_code = 7


class NoLifterError(BarpathError):
    """Nobody who presses was found in a picture (exit code 8)."""

    exit_code = 8


class StoppedError(BarpathError):
    """The user stopped the work (exit code 130)."""

    exit_code = 130


def reason_of(error: BaseException) -> str:
    """Why the system refused, in a few words of plain language.

    Examples
    --------
    >>> reason_of(OSError(errno.ENOSPC, "No space left on device"))
    'the disk is full'
    """
    match getattr(error, "errno", None):
        case errno.ENOSPC | errno.EDQUOT:
            return "the disk is full"
        case errno.EROFS:
            return "the disk is read-only"
        case errno.EACCES | errno.EPERM:
            return "permission is denied"
        case errno.ENAMETOOLONG:
            return "the name is too long"
        case errno.ENOTDIR | errno.EEXIST:
            return "a file of that name is in the way"
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(text.split()).rstrip(".").lower()
