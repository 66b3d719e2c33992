"""Names on a desk: of clips that come in, of folders and addresses, of sets side by side."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from collections.abc import Sequence
from pathlib import Path

from barpath.block.jobs import ClipEntry
from barpath.block.plan import CLIP_SUFFIXES
from barpath.errors import OptionError
from barpath.ground.names import file_stems
from barpath.report.pages import clean

_MAX_NAME_BYTES = 120
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


def stem_of(clip: str) -> str:
    """Name for folders and addresses made of a clip's name; no two clips' are alike.

    Examples
    --------
    >>> stem_of("ada_side.mp4"), stem_of("monday/ada.mp4")
    ('ada_side-mp4', 'monday_ada-mp4-05ee24a5')
    """
    # A folder must not look like a clip.
    whole = "-".join(clip.rsplit(".", 1))
    return file_stems([whole])[whole]


def safe_name(name: str) -> str:
    r"""A name under which a clip can be kept, as near to its own as it can be.

    Raises
    ------
    OptionError
        It is not the name of a clip.

    Examples
    --------
    >>> safe_name("../../Ada: \u202e<b>.MP4"), safe_name("C:\\films\\set 1.mov")
    ('Ada_ _b_.MP4', 'set 1.mov')
    >>> safe_name("con.mp4")
    '_con.mp4'
    """
    base = clean(re.split(r"[/\\]", name)[-1])
    base = unicodedata.normalize("NFC", base)
    stem, dot, suffix = base.rpartition(".")
    if not dot or f".{suffix.lower()}" not in CLIP_SUFFIXES:
        known = ", ".join(CLIP_SUFFIXES)
        raise OptionError(f"'{clean(name)}' does not end as the name of a clip does ({known}).")
    plain = re.sub(r"[^\w .()+,-]", "_", stem).strip(" .-")
    plain = os.fsencode(plain)[:_MAX_NAME_BYTES].decode("utf-8", "ignore").rstrip(" .")
    if not plain or _RESERVED.match(f"{plain}."):
        plain = f"_{plain}"
    return f"{plain}.{suffix}"


def free_name(folder: Path, name: str) -> str:
    """A name that no file of a folder has yet, in capitals or small letters."""
    with_names = {p.name.casefold() for p in folder.iterdir()}
    stem, _, suffix = name.rpartition(".")
    n, free = 1, name
    while free.casefold() in with_names:
        n += 1
        free = f"{stem} ({n}).{suffix}"
    return free


def together(names: Sequence[str]) -> str:
    """One plain name for several.

    Examples
    --------
    >>> together(["a.mp4", "b.mp4"])
    'a-b-6eefefe3'
    """
    mark = hashlib.sha256("\n".join(names).encode("utf-8", "surrogatepass")).hexdigest()[:8]
    plain = "-".join(re.sub(r"[^\w]+", "_", Path(name).stem)[:24] for name in names)
    return f"{os.fsencode(plain)[:80].decode('utf-8', 'ignore')}-{mark}"


def names_for(entries: Sequence[ClipEntry]) -> list[str]:
    """What sets are called side by side: by the first label in which all differ."""
    stems = [Path(entry.name).stem for entry in entries]
    for label in ("technique", "lifter", "date", "load_kg"):
        values = [getattr(entry, label) for entry in entries]
        told = [f"{v:g} kg" if isinstance(v, float) else str(v or "") for v in values]
        told = [words or stem for words, stem in zip(told, stems, strict=True)]
        if any(values) and len(set(told)) == len(told):
            return told
    return stems
