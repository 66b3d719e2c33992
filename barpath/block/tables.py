"""The tables of a block, joined from what is kept of its clips."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from barpath.analysis import store
from barpath.block import blockstore
from barpath.block.blockstore import BLOCK_FILE, BLOCK_NAME
from barpath.block.cache import Cache
from barpath.block.jobs import ClipEntry, Job, SetJob
from barpath.ground.files import (
    MANIFEST_FILE,
    commit,
    json_bytes,
    read_manifest_quietly,
    write_atomically,
)
from barpath.ground.names import file_stems
from barpath.ground.sheets import csv_bytes

BLOCK_VERSION = 1


@dataclass(frozen=True)
class BlockSummary:
    """What a run came to.

    Attributes
    ----------
    folder : Path
    n_clips, n_measured, n_failed, n_detected_now, n_reps : int
        Clips of the block, with repetitions, failed, read in this run; repetitions in the table.
    failures : tuple of (str, str)
        Clip and sentence.
    n_set_aside : int
        Kept entries that were found damaged; their clips were looked at again.
    n_sets : int
        Sets that were measured from several clips together.
    apart : tuple of (str, str)
        Other sets that several clips show, and why each of those was measured by itself.
    """

    folder: Path
    n_clips: int
    n_measured: int
    n_failed: int
    n_detected_now: int
    n_reps: int
    failures: tuple[tuple[str, str], ...]
    n_set_aside: int = 0
    n_sets: int = 0
    apart: tuple[tuple[str, str], ...] = ()


def assemble(
    entries: Sequence[ClipEntry],
    jobs: Mapping[str, Job],
    failed: Mapping[str, str],
    folder: Path,
    n_detected_now: int = 0,
    *,
    sets: Sequence[SetJob] = (),
    apart: Mapping[str, str] | None = None,
    trc: bool = False,
) -> BlockSummary:
    """Join what is kept into the block's tables.

    Parameters
    ----------
    entries : sequence of ClipEntry
    jobs : mapping of str to Job
        By the clip's name.
    failed : mapping of str to str
        Why clips could not be measured.
    folder : Path
        The block's.
    n_detected_now : int
        Clips that were looked at in this run.
    sets : sequence of SetJob
        Sets that were measured together: their repetitions stand in the place of those of their
        clips.
    apart : mapping of str to str
        Why the clips of other sets count each by itself, by `set_id`.
    trc : bool
        Write the bar paths as TRC as well.

    Returns
    -------
    BlockSummary

    Notes
    -----
    The tables depend on nothing but the clips, the sheet and the settings: not on the order in
    which the clips were measured, how often the run was broken off, or when.
    """
    cache = Cache(folder / "cache")
    done = {name: job for name, job in jobs.items() if name not in failed and cache.has_rows(job)}
    own = {name: cache.rows(job) for name, job in done.items()}
    together = {one.name: _joined_rows(one, cache) for one in sets}
    in_sets = {job.name for one in sets for job in one.jobs}
    rows = [row | _labels(job) for n, job in done.items() if n not in in_sets for row in own[n]]
    rows += [row for many in together.values() for row in many]
    extra = sorted({name for entry in entries for name, _ in entry.labels})
    table = blockstore.table_of(rows, extra)
    n_reps = {name: len(many) for name, many in own.items()}
    n_reps |= {job.name: len(together[one.name]) for one in sets for job in one.jobs}
    listed = _clip_list(entries, jobs, failed, own, n_reps, apart or {})
    failures = pd.DataFrame(
        sorted(failed.items()), columns=["clip", "failure"], dtype="str"
    ).reset_index(drop=True)
    written = {
        blockstore.TABLE_FILE: blockstore.table_bytes(table),
        "reps.csv": csv_bytes(table),
        "clips.csv": csv_bytes(listed),
        "failures.csv": csv_bytes(failures),
    }
    if trc:
        written |= _paths(jobs, failed, cache)
    before = read_manifest_quietly(folder)
    files = sorted([*written, BLOCK_FILE, MANIFEST_FILE])
    commit(folder, written | {BLOCK_FILE: _mark_bytes(files)})
    if trc:
        # Paths of clips that the block no longer has, or that were named otherwise.
        for name in set(before) - set(written):
            if name.startswith("trajectories/"):
                (folder / name).unlink(missing_ok=True)
    return BlockSummary(
        folder=folder,
        n_clips=len(entries),
        n_measured=sum(n > 0 for n in n_reps.values()),
        n_failed=len(failed),
        n_detected_now=n_detected_now,
        n_reps=len(table),
        failures=tuple(sorted(failed.items())),
        n_sets=len(sets),
        apart=tuple(sorted((apart or {}).items())),
    )


def _labels(job: Job) -> dict[str, Any]:
    """What the sheet and the settings say of a clip, by column of the table."""
    entry = job.entry
    return {
        "lifter": entry.lifter,
        "date": entry.date,
        "session": entry.session,
        "set_id": entry.set_id,
        "clip": entry.name,
        "clip_sha256": job.sha256,
        "technique": entry.technique,
        "pair": entry.pair,
        "load_kg": entry.load_kg,
        "plate_mm": job.measure_config.calibration.plate_mm,
        "bar": job.measure_config.barbell.name,
    } | dict(entry.labels)


def _joined_rows(one: SetJob, cache: Cache) -> list[dict[str, Any]]:
    """Rows of a set that was measured from several clips together, with its labels."""
    many = [_labels(job) for job in one.jobs]
    # What a line of the sheet leaves open, that of another clip of the set tells.
    labels = {
        key: next((told[key] for told in many if told.get(key) not in ("", None)), None)
        for key in dict.fromkeys(key for told in many for key in told)
    }
    labels["clip"] = " + ".join(job.name for job in one.jobs)
    labels["clip_sha256"] = "+".join(job.sha256 for job in one.jobs)
    kept = cache.joined(one)
    return [] if kept is None else [row | labels for row in kept[0]]


def _clip_list(
    entries: Sequence[ClipEntry],
    jobs: Mapping[str, Job],
    failed: Mapping[str, str],
    own: Mapping[str, Sequence[Mapping[str, Any]]],
    n_reps: Mapping[str, int],
    apart: Mapping[str, str],
) -> pd.DataFrame:
    """Every clip with its labels, where it was seen from and its repetitions, or its failure."""
    rows = []
    for entry in entries:
        job = jobs.get(entry.name)
        measured = own.get(entry.name, ())
        rows.append(
            {
                "clip": entry.name,
                "lifter": entry.lifter,
                "date": entry.date,
                "set_id": entry.set_id,
                "view": entry.view,
                "seen": measured[0]["view"] if measured else "",
                "load_kg": entry.load_kg if entry.load_kg is not None else math.nan,
                "technique": entry.technique,
                "pair": entry.pair,
                "reps": n_reps.get(entry.name, 0),
                "apart": apart.get(entry.set_id, "") if entry.name in own else "",
                "failure": failed.get(entry.name, ""),
                "detected": job.detect_key if job and entry.name not in failed else "",
            }
        )
    return pd.DataFrame(rows)


def _paths(jobs: Mapping[str, Job], failed: Mapping[str, str], cache: Cache) -> dict[str, bytes]:
    """Bar paths as TRC, by their names in the block's folder."""
    stems = file_stems(jobs)
    written = {}
    for name, job in jobs.items():
        if name not in failed:
            file = f"{stems[name]}.trc"
            kept = store.read_results(cache.detected(job))
            written[f"trajectories/{file}"] = blockstore.trc_text(kept, file).encode()
    return written


def _mark_bytes(files: Sequence[str]) -> bytes:
    return json_bytes(
        {
            "name": BLOCK_NAME,
            "version": BLOCK_VERSION,
            "table_schema": blockstore.SCHEMA_NAME,
            "table_schema_version": blockstore.SCHEMA_VERSION,
            "files": list(files),
        }
    )


def write_mark(folder: Path) -> None:
    """Say that a folder is a block's, before there is anything in it."""
    write_atomically(folder / BLOCK_FILE, _mark_bytes(()))


def kept_sets(folder: Path, clips: Sequence[str] | None = None) -> dict[str, Path]:
    """Result folders of a block's clips, by the clip's name.

    Parameters
    ----------
    folder : Path
        The block's folder.
    clips : sequence of str, optional
        Only these.

    Returns
    -------
    dict of str to Path
        Empty when the folder keeps none.

    Raises
    ------
    OutputError
        The list of the clips is damaged.
    """
    table = blockstore.read_list(folder, "clips.csv", ("clip", "detected"))
    if table is None:
        return {}
    wanted = table if clips is None else table[table["clip"].isin(list(clips))]
    places = {
        row.clip: folder / "cache" / "detected" / row.detected
        for row in wanted.itertuples()
        if row.detected
    }
    return {name: place for name, place in places.items() if place.is_dir()}


def single_clips(folder: Path, table: pd.DataFrame) -> pd.DataFrame:
    """The clips that stand behind a table, one row each, with the labels of their repetitions.

    Parameters
    ----------
    folder : Path
        The block's folder.
    table : DataFrame
        Of the block, or part of it.

    Returns
    -------
    DataFrame
        As `table`; a set that was measured from several clips has a row for each of them, with its
        own `clip` and `view`.

    Raises
    ------
    OutputError
        The list of the clips is damaged.
    """
    rows = table.drop_duplicates("clip")
    several = rows["view"] == blockstore.SEVERAL
    needed = ("clip", "set_id", "seen")
    listed = blockstore.read_list(folder, "clips.csv", needed) if several.any() else None
    if listed is None:
        return rows[~several]
    behind = listed[listed["seen"] != ""][list(needed)].rename(columns={"seen": "view"})
    own = rows[several].drop(columns=["clip", "view"]).merge(behind, on="set_id")
    return pd.concat([rows[~several], own[rows.columns]], ignore_index=True)
