"""Make the clips.

``python -m sample_clips_synthetic.generator all|reporting|tuning|NAME [--truth-only]``
"""

from __future__ import annotations

import argparse
from pathlib import Path

from . import truth
from .specs import CLIPS


def main() -> None:
    """Make the clips asked for."""
    parser = argparse.ArgumentParser(prog="sample_clips_synthetic.generator", description=__doc__)
    parser.add_argument("which", help="all, reporting, tuning, or a clip's name")
    parser.add_argument("--truth-only", action="store_true", help="write no video")
    parser.add_argument("--folder", type=Path, default=Path(__file__).parents[1])
    given = parser.parse_args()
    chosen = [c for c in CLIPS if given.which in ("all", c.purpose, c.name)]
    if not chosen:
        parser.error(
            f"no clip is called {given.which!r}; there are {', '.join(c.name for c in CLIPS)}"
        )
    given.folder.mkdir(parents=True, exist_ok=True)
    for spec in chosen:
        truth.write(spec, given.folder)
        if not given.truth_only:
            from .film import encode

            encode(spec, given.folder / f"{spec.name}.mp4")


if __name__ == "__main__":
    main()
