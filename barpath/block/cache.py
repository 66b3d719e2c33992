"""What a block keeps of its clips, by key, each piece under a temporary name and renamed."""

from __future__ import annotations

import hashlib
import json
import secrets
import shutil
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from barpath.analysis import store
from barpath.block.jobs import Job, Outcome, SetJob, n_cores
from barpath.errors import BarpathError
from barpath.ground.files import json_bytes, read_json, write_atomically, write_synced


def kept_of(job: Job, folder: Path) -> Path | None:
    """Result folder that a block keeps of a clip, if nothing is left to be done about it."""
    cache = Cache(folder / "cache")
    return cache.detected(job) if cache.has_rows(job) else None


class Cache:
    """What is kept of the clips, by key."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def detected(self, job: Job) -> Path:
        """Result folder of what was seen; there need be none yet."""
        return self.folder / "detected" / job.detect_key

    def rows_file(self, job: Job) -> Path:
        """File of what was measured; there need be none yet."""
        return self.folder / "measured" / f"{job.measure_key}.json"

    def failure_files(self, job: Job) -> list[Path]:
        """Files that would say why nothing was seen, and why nothing was measured."""
        keys = (job.detect_key, job.measure_key)
        return [self.folder / "failed" / f"{key}.json" for key in keys]

    def has_rows(self, job: Job) -> bool:
        """Whether nothing is left to be done about a clip."""
        return self.rows_file(job).is_file() and self.detected(job).is_dir()

    def rows(self, job: Job) -> list[dict[str, Any]]:
        """What was measured, as from `blockstore.rep_rows`."""
        return unsealed(self.rows_file(job))

    def failure(self, job: Job) -> str:
        """Why it failed for good, in a sentence; empty if it did not."""
        for file in self.failure_files(job):
            if file.is_file():
                return unsealed(file)["sentence"]
        return ""

    def joined_file(self, job: SetJob) -> Path:
        """File of what was measured of a set; there need be none yet."""
        return self.folder / "joined" / f"{job.key}.json"

    def joined(self, job: SetJob) -> tuple[list[dict[str, Any]], str] | None:
        """Rows of a set, and why there are none; None where it is still to be measured."""
        file = self.joined_file(job)
        if not file.is_file():
            return None
        content = unsealed(file)
        return content["rows"], content["sentence"]

    def keep_joined(self, job: SetJob, outcome: Outcome) -> None:
        """Keep what a worker found of a set, or why its clips cannot be joined."""
        if outcome.rows is not None or outcome.lasting:
            content = {"rows": outcome.rows or [], "sentence": outcome.sentence}
            write_atomically(self.joined_file(job), sealed_bytes(content))

    def places(self, job: Job) -> list[Path]:
        """All that may be kept of a clip."""
        return [self.detected(job), self.rows_file(job), *self.failure_files(job)]

    def set_damaged_aside(self, places: Iterable[Path]) -> int:
        """Move entries that are not as they were written out of the way; how many."""

        def broken(entry: Path) -> bool:
            try:
                if entry.is_dir():
                    store.check_whole(entry)
                elif entry.exists():
                    unsealed(entry)
            except (BarpathError, OSError, ValueError):
                return True
            return False

        entries = dict.fromkeys(places)
        with ThreadPoolExecutor(n_cores()) as pool:
            found = [e for e, bad in zip(entries, pool.map(broken, entries), strict=True) if bad]
        aside = self.folder / "aside"
        for entry in found:
            aside.mkdir(exist_ok=True)
            place = aside / f"{entry.parent.name}-{entry.name}"
            if place.is_dir():
                shutil.rmtree(place)
            entry.rename(place)
        return len(found)

    def keep(self, job: Job, outcome: Outcome) -> None:
        """Keep what a worker handed back."""
        if outcome.files:
            self._keep_folder(self.detected(job), outcome.files)
        if outcome.rows is not None:
            write_atomically(self.rows_file(job), sealed_bytes(outcome.rows))
            for file in self.failure_files(job):
                file.unlink(missing_ok=True)
        elif outcome.lasting:
            file = self.failure_files(job)[outcome.at_measuring]
            content = {"clip": job.entry.name, "sentence": outcome.sentence}
            write_atomically(file, sealed_bytes(content))

    @staticmethod
    def _keep_folder(target: Path, files: Mapping[str, bytes]) -> None:
        part = target.with_name(f".{target.name}.part-{secrets.token_hex(4)}")
        try:
            part.mkdir()
            for name, data in files.items():
                write_synced(part / name, data)
            if not target.exists():
                part.rename(target)
        finally:
            shutil.rmtree(part, ignore_errors=True)


def sealed_bytes(content: Any) -> bytes:
    """Content as JSON, with its hash."""
    body = json.dumps(content, sort_keys=True, allow_nan=False)
    return json_bytes({"sha256": hashlib.sha256(body.encode()).hexdigest(), "content": content})


def unsealed(path: Path) -> Any:
    """Content that `sealed_bytes` wrote.

    Raises
    ------
    ValueError, OSError
        It is not as it was written.
    """
    data = read_json(path)
    try:
        body = json.dumps(data["content"], sort_keys=True, allow_nan=False)
        same = data["sha256"] == hashlib.sha256(body.encode()).hexdigest()
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError("not of the form of a kept entry") from error
    if not same:
        raise ValueError("its content is not what was written")
    return data["content"]
