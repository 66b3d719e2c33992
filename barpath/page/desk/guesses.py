"""What a desk guesses of clips: who, when and what one shows, and which show one set."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path

from barpath.block.jobs import ClipEntry
from barpath.block.plan import SHEET_FIELDS, entry_from_name
from barpath.clip.frames import recorded
from barpath.ground.view import is_open, told
from barpath.page.desk.shelf import Clip, stat_of

FROM_NAME, FROM_CLIP, FROM_FILE = "the file's name", "the clip's own date", "the file's date"
AS_BEFORE = "the clip added before"
NEAR_S = 30.0
# Four characters and four digits as cameras name files (JEITA CP-3461, DCF), and plain stamps.
_CAMERA_WORD = re.compile(r"[A-Z]{0,4}\d{3,}[A-Z]{0,2}|[A-Z]{2,4}|\d+")


def guess(
    name: str,
    recorded_at: datetime | None,
    modified: datetime | None,
    before: ClipEntry | None = None,
) -> tuple[dict[str, str], dict[str, str]]:
    """Guess who, when and what a clip shows.

    Parameters
    ----------
    name : str
        The file's name.
    recorded_at, modified : datetime or None
        What the clip itself tells, and the file's date.
    before : ClipEntry, optional
        The clip added before this one.

    Returns
    -------
    values, sources : dict of str to str
        By field, as text of a sheet; what each was guessed from.

    Examples
    --------
    >>> guess("Ada_2026-03-02_side_80kg_flared.mp4", None, None)[0]
    {'lifter': 'Ada', 'date': '2026-03-02', 'view': 'side', 'load_kg': '80', 'technique': 'flared'}
    >>> when = datetime(2026, 3, 2, 18, 5)
    >>> values, sources = guess("IMG_0412.MOV", when, None, ClipEntry(Path("a"), "a", "Ada"))
    >>> values["lifter"], sources["lifter"]
    ('Ada', 'the clip added before')
    """
    stem = name.rpartition(".")[0]
    words = [word for word in re.split(r"[_ ()-]+", stem) if word]
    stamp = re.search(r"(?<!\d)(20\d\d)(\d\d)(\d\d)(?!\d)", stem)
    by_camera = all(_CAMERA_WORD.fullmatch(word.upper()) for word in words) and bool(
        re.search(r"\d{3,}", stem)
    )
    values: dict[str, str] = {}
    sources: dict[str, str] = {}
    read = entry_from_name(Path(name), name)
    for column in ("lifter", "date", "view", "load_kg", "plate_mm", "technique", "pair"):
        value = getattr(read, column)
        nothing = getattr(ClipEntry(Path(name), name), column)
        if value != nothing and not (by_camera and column in ("lifter", "technique")):
            values[column] = f"{value:g}" if isinstance(value, float) else str(value)
            sources[column] = FROM_NAME
    if stamp and "date" not in values:
        with suppress(ValueError):
            values["date"] = date(*map(int, stamp.groups())).isoformat()
            sources["date"] = FROM_NAME
    for moment, source in ((recorded_at, FROM_CLIP), (modified, FROM_FILE)):
        if "date" not in values and moment is not None:
            values["date"] = moment.astimezone().date().isoformat()
            sources["date"] = source
    if "lifter" not in values and before is not None:
        values["lifter"], sources["lifter"] = before.lifter, AS_BEFORE
    order = [column for column in SHEET_FIELDS if column in values]
    return {c: values[c] for c in order}, {c: sources[c] for c in order}


def likely_pairs(clips: Sequence[Clip]) -> list[tuple[Clip, Clip]]:
    """Clips that seem to show one set from two places: by their times and views.

    Parameters
    ----------
    clips : sequence of Clip

    Returns
    -------
    list of tuple of Clip
        Of one lifter and day, not yet said to belong together, recorded at the same time within
        half a minute (our estimate, no source) and not from the same side. Each is in one pair.
    """
    found: list[tuple[Clip, Clip]] = []
    taken: set[str] = set()
    times = {clip.name: _span(clip) for clip in clips if not clip.entry.pair}
    for at, one in enumerate(clips):
        for other in clips[at + 1 :]:
            span, span_2 = times.get(one.name), times.get(other.name)
            if span is None or span_2 is None or {one.name, other.name} & taken:
                continue
            same = (one.entry.lifter, one.entry.date) == (other.entry.lifter, other.entry.date)
            seen = told(seen_from(one))
            alike = seen is not None and seen.square and seen_from(other) == seen.name
            if not same or alike:
                continue
            if span[0] <= span_2[1] + NEAR_S and span_2[0] <= span[1] + NEAR_S:
                found.append((one, other))
                taken |= {one.name, other.name}
    return found


def _span(clip: Clip) -> tuple[float, float] | None:
    return _span_of(clip.entry.path, tuple(stat_of(clip.entry.path) or ()))


@lru_cache(maxsize=4096)
def _span_of(path: Path, stat: tuple[int, ...]) -> tuple[float, float] | None:
    """When a clip begins and ends; `stat` changes with the file."""
    moment, length_s = recorded(path)
    return None if moment is None else (moment.timestamp(), moment.timestamp() + length_s)


def seen_from(clip: Clip) -> str:
    """View of a clip: as said, or as the film check found it; empty if neither tells."""
    if not is_open(clip.entry.view):
        return clip.entry.view
    return str((clip.check or {}).get("view", ""))
