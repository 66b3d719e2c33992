"""Clips made from their specs, several at once."""

from __future__ import annotations

from collections.abc import Sequence
from multiprocessing import get_context
from pathlib import Path

from . import truth
from .clip import ClipSpec


def make(spec: ClipSpec, folder: Path, truth_only: bool) -> None:
    """Write a clip's truth and, unless told not to, its video."""
    truth.write(spec, folder)
    if not truth_only:
        from .film import encode

        encode(spec, folder / f"{spec.name}.mp4")


def make_all(specs: Sequence[ClipSpec], folder: Path, truth_only: bool, workers: int) -> None:
    """Make clips, as many at once as there are workers."""
    jobs = [(spec, folder, truth_only) for spec in specs]
    if workers == 1:
        for job in jobs:
            make(*job)
        return
    # A graphics context does not outlive a fork.
    with get_context("spawn").Pool(workers) as pool:
        pool.starmap(make, jobs, chunksize=1)
