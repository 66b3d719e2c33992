"""The folder of the pages of a block, of a comparison or of sets side by side."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path

from barpath.errors import OutputError
from barpath.ground.files import json_bytes, read_json, staged_folder

MARK_FILE = "pages.json"


def write_pages(folder: Path, files: Mapping[str, bytes], *, overwrite: bool = False) -> Path:
    """Write pages into a folder of their own.

    Parameters
    ----------
    folder : Path
    files : mapping of str to bytes
    overwrite : bool
        Replace earlier pages there.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        It exists and may not be replaced, or holds something else.
    """
    files = dict(files) | {MARK_FILE: json_bytes({"name": "barpath-pages", "files": sorted(files)})}
    with staged_folder(folder, partial(check_pages_target, overwrite=overwrite)) as places:
        staging, target = places
        for name, data in files.items():
            (staging / name).write_bytes(data)
    return target


def check_pages_target(target: Path, *, overwrite: bool = False) -> None:
    """Check, before any work is done, that pages may be written to a folder.

    Raises
    ------
    OutputError
        It exists and may not be replaced, or holds something else.
    """
    if not os.path.lexists(target):
        return
    if not target.is_dir():
        raise OutputError(f"'{target}' is a file, so no pages can be written there.")
    present = {entry.name for entry in target.iterdir()}
    if not present:
        return
    if not overwrite:
        raise OutputError(
            f"'{target}' exists already; choose another folder, or allow overwriting."
        )
    own = {MARK_FILE}
    with suppress(OSError, ValueError, KeyError, TypeError):
        own |= set(read_json(target / MARK_FILE)["files"])
    if foreign := present - own:
        raise OutputError(
            f"'{target}' is not replaced, because it holds something that is not part of earlier"
            f" pages: '{min(foreign)}'."
        )
