"""The clip that comes with the project."""

from importlib.resources import files
from pathlib import Path

from barpath.errors import ClipError

DEMO_NAME = "ql_flared_side.mp4"


def demo_clip() -> Path:
    """Where the demonstration clip lies.

    Returns
    -------
    Path

    Raises
    ------
    ClipError
        The installation lacks it.
    """
    path = Path(str(files("barpath.demo").joinpath(DEMO_NAME)))
    if not path.is_file():
        raise ClipError("The demonstration clip is not part of this installation.")
    return path
