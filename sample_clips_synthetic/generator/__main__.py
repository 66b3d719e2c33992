"""Make the clips.

``python -m sample_clips_synthetic.generator LIST|NAME... [--truth-only]``; LIST is one of ``all``,
``reporting``, ``tuning``, ``strangers``, ``newcomers``, ``latecomers``, ``visitors``,
``comparisons``, ``places``, ``callers``, ``regulars``, ``arrivals``, ``joiners``, ``members``,
``entrants``, ``fellows``, ``hosts``, ``boarders``, ``dwellers``, ``incomers`` and
``keepers``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from .making import make_all
from .specs import CLIPS


def main() -> None:
    """Make the clips asked for."""
    parser = argparse.ArgumentParser(prog="sample_clips_synthetic.generator", description=__doc__)
    lists = ", ".join(dict.fromkeys(c.purpose for c in CLIPS))
    parser.add_argument("which", nargs="+", help=f"all, {lists}, or clips' names")
    parser.add_argument("--truth-only", action="store_true", help="write no video")
    parser.add_argument("--folder", type=Path, default=Path(__file__).parents[1])
    parser.add_argument("--workers", type=int, default=1, help="clips made at once")
    given = parser.parse_args()
    called = [{"all", clip.purpose, clip.name} for clip in CLIPS]
    for name in given.which:
        if not any(name in names for names in called):
            parser.error(
                f"no clip is called {name!r}; there are {', '.join(c.name for c in CLIPS)}"
            )
    chosen = [c for c, names in zip(CLIPS, called, strict=True) if names & set(given.which)]
    given.folder.mkdir(parents=True, exist_ok=True)
    make_all(chosen, given.folder, given.truth_only, given.workers)


if __name__ == "__main__":
    main()
