"""Make the clips.

``python -m sample_clips_synthetic.generator LIST|NAME [--truth-only]``; LIST is one of ``all``,
``reporting``, ``tuning``, ``strangers``, ``newcomers``, ``latecomers``, ``visitors``,
``comparisons``, ``places``, ``callers``, ``regulars``, ``arrivals`` and ``joiners``.
"""

from __future__ import annotations

import argparse
from multiprocessing import get_context
from pathlib import Path

from . import truth
from .clip import ClipSpec
from .specs import CLIPS


def main() -> None:
    """Make the clips asked for."""
    parser = argparse.ArgumentParser(prog="sample_clips_synthetic.generator", description=__doc__)
    lists = ", ".join(dict.fromkeys(c.purpose for c in CLIPS))
    parser.add_argument("which", help=f"all, {lists}, or a clip's name")
    parser.add_argument("--truth-only", action="store_true", help="write no video")
    parser.add_argument("--folder", type=Path, default=Path(__file__).parents[1])
    parser.add_argument("--workers", type=int, default=1, help="clips made at once")
    given = parser.parse_args()
    chosen = [c for c in CLIPS if given.which in ("all", c.purpose, c.name)]
    if not chosen:
        parser.error(
            f"no clip is called {given.which!r}; there are {', '.join(c.name for c in CLIPS)}"
        )
    given.folder.mkdir(parents=True, exist_ok=True)
    jobs = [(spec, given.folder, given.truth_only) for spec in chosen]
    if given.workers == 1:
        for job in jobs:
            make(*job)
        return
    # A graphics context does not outlive a fork.
    with get_context("spawn").Pool(given.workers) as pool:
        pool.starmap(make, jobs, chunksize=1)


def make(spec: ClipSpec, folder: Path, truth_only: bool) -> None:
    """Write a clip's truth and, unless told not to, its video."""
    truth.write(spec, folder)
    if not truth_only:
        from .film import encode

        encode(spec, folder / f"{spec.name}.mp4")


if __name__ == "__main__":
    main()
