"""Names of files as text that any table, page or file system can hold.

A file's name may be any bytes, and Python gives those that are no UTF-8 as lone surrogates, which
no UTF-8 file can hold.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable

_ESCAPED = re.compile(r"\\x[89a-f][0-9a-f]")
_MAX_STEM_BYTES = 120


def told_name(name: str) -> str:
    r"""A file's name as it is told: bytes that are no UTF-8 are written ``\x..``.

    No two names are told the same: where a name holds such bytes, or reads as if it did, its own
    backslashes are doubled.

    Parameters
    ----------
    name : str
        As the operating system gave it.

    Examples
    --------
    >>> told_name("set ü.mp4"), told_name("set\udcff.mp4")
    ('set ü.mp4', 'set\\xff.mp4')
    >>> told_name("set\\xff.mp4")
    'set\\\\xff.mp4'
    """
    odd = any("\ud800" <= letter <= "\udfff" for letter in name)
    if not odd and not _ESCAPED.search(name):
        return name
    doubled = name.replace("\\", "\\\\")
    # Halves of surrogate pairs that stand for no byte can only come from a name that was made up.
    return "".join(
        f"\\x{ord(c) - 0xDC00:02x}"
        if "\udc80" <= c <= "\udcff"
        else (f"\\u{ord(c):04x}" if "\ud800" <= c <= "\udfff" else c)
        for c in doubled
    )


def name_on_disk(told: str) -> str:
    r"""The file's name that `told_name` tells of.

    Examples
    --------
    >>> name_on_disk(told_name("a\\b\udcff.mp4")) == "a\\b\udcff.mp4"
    True
    """
    if not _ESCAPED.search(told):
        return told

    def back(found: re.Match[str]) -> str:
        text = found.group()
        return "\\" if text == "\\\\" else chr(0xDC00 + int(text[2:], 16))

    return re.sub(r"\\\\|" + _ESCAPED.pattern, back, told)


def file_stems(names: Iterable[str]) -> dict[str, str]:
    """Names for files that are made of clips' names: plain, and no two alike.

    A name that had to be changed, or that differs from another in capitals alone, has a few digits
    of its hash added.

    Parameters
    ----------
    names : iterable of str

    Returns
    -------
    dict of str to str
        By name.

    Examples
    --------
    >>> file_stems(["a_b.mp4", "a b.mp4"])
    {'a_b.mp4': 'a_b.mp4', 'a b.mp4': 'a_b.mp4-018c1c8b'}
    """
    names = list(names)
    folded: dict[str, int] = {}
    for name in names:
        folded[name.casefold()] = folded.get(name.casefold(), 0) + 1
    stems = {}
    for name in names:
        stem = re.sub(r"[^\w.-]+", "_", name)
        cut = os.fsencode(stem)[:_MAX_STEM_BYTES].decode("utf-8", "ignore")
        if cut != name or stem.startswith((".", "-")) or folded[name.casefold()] > 1:
            mark = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
            cut = f"{cut.lstrip('.-')}-{mark}"
        stems[name] = cut
    return stems
