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
from barpath.block.jobs import ClipEntry, Job
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
    """

    folder: Path
    n_clips: int
    n_measured: int
    n_failed: int
    n_detected_now: int
    n_reps: int
    failures: tuple[tuple[str, str], ...]
    n_set_aside: int = 0


def assemble(
    entries: Sequence[ClipEntry],
    jobs: Mapping[str, Job],
    failed: Mapping[str, str],
    folder: Path,
    n_detected_now: int = 0,
    *,
    trc: bool = False,
) -> BlockSummary:
    """Join what is kept into the block's tables.

    The tables depend on nothing but the clips, the sheet and the settings: not on the order in
    which the clips were measured, how often the run was broken off, or when.
    """
    cache = Cache(folder / "cache")
    done = {name: job for name, job in jobs.items() if name not in failed and cache.has_rows(job)}
    rows = [row | _labels(job) for job in done.values() for row in cache.rows(job)]
    extra = sorted({name for entry in entries for name, _ in entry.labels})
    table = blockstore.table_of(rows, extra)
    counts = table.groupby("clip").size().to_dict() if len(table) else {}
    failures = pd.DataFrame(
        sorted(failed.items()), columns=["clip", "failure"], dtype="str"
    ).reset_index(drop=True)
    written = {
        blockstore.TABLE_FILE: blockstore.table_bytes(table),
        "reps.csv": csv_bytes(table),
        "clips.csv": csv_bytes(_clip_list(entries, jobs, failed, counts)),
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
        n_measured=len(counts),
        n_failed=len(failed),
        n_detected_now=n_detected_now,
        n_reps=len(table),
        failures=tuple(sorted(failed.items())),
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
    } | dict(entry.labels)


def _clip_list(
    entries: Sequence[ClipEntry],
    jobs: Mapping[str, Job],
    failed: Mapping[str, str],
    counts: Mapping[str, int],
) -> pd.DataFrame:
    """Every clip with its labels, its number of repetitions or its failure."""
    rows = []
    for entry in entries:
        job = jobs.get(entry.name)
        rows.append(
            {
                "clip": entry.name,
                "lifter": entry.lifter,
                "date": entry.date,
                "view": entry.view,
                "load_kg": entry.load_kg if entry.load_kg is not None else math.nan,
                "technique": entry.technique,
                "pair": entry.pair,
                "reps": int(counts.get(entry.name, 0)),
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
