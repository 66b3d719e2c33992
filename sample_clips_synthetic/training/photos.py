"""Photos of real presses marked by eye, in folds, so that each can be scored unseen.

``python -m sample_clips_synthetic.training.photos FOLDER FILE`` reads pictures and ``labels.json``,
which gives for each picture ``{point: [x_px, y_px, "seen" or "guess"]}``. Pictures of one exercise
lie in one fold. Guesses teach neither place nor state.
"""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from .points import POINTS, SEEN, STILL_PX, UNKNOWN
from .pool import Pool, decoded, encoded

FOLDS = 4
FILLS = (0.50, 0.68)
"""Shares of a crop's side that the marks span: a wide and a close one of each photo."""


def crop(
    image: NDArray[np.uint8], marks: Mapping[str, tuple[float, float, str]], fill: float
) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.uint8]]:
    """A square (320, 320, 3) round the marks, points (P, 2) in it and their states (P,).

    Parameters
    ----------
    image
        (h, w, 3).
    marks
        Of each marked point x and y in pixels, and whether it was seen or guessed.
    fill
        Share of the square's side that the marks span.
    """
    at = np.array([mark[:2] for mark in marks.values()], float)
    low, high = at.min(axis=0), at.max(axis=0)
    scale = STILL_PX * fill / float((high - low).max())
    shift = (STILL_PX - 1) / 2 - scale * (low + high) / 2
    matrix = np.array([[scale, 0, shift[0]], [0, scale, shift[1]]])
    square = cv2.warpAffine(
        image,
        matrix,
        (STILL_PX, STILL_PX),
        flags=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    points = np.zeros((len(POINTS), 2), np.float32)
    states = np.full(len(POINTS), UNKNOWN, np.uint8)
    for name, (x, y, how) in marks.items():
        if how == "seen":
            i = POINTS.index(name)
            points[i], states[i] = scale * np.array([x, y]) + shift, SEEN
    return square, points, states


def folds(names: list[str]) -> NDArray[np.int64]:
    """Fold of each picture: by the exercise, the name without its last number."""
    exercises = [re.sub(r"_\d+$", "", Path(name).stem) for name in names]
    order = {exercise: i % FOLDS for i, exercise in enumerate(sorted(set(exercises)))}
    return np.array([order[exercise] for exercise in exercises])


def marked(path: Path, device: torch.device, left_out: int | None = None) -> Pool:
    """Photos as `main` writes them, without those of one fold."""
    with np.load(path) as archive:
        kept = archive["fold"] != (-1 if left_out is None else left_out)
        data = {name: archive[name][kept] for name in ("points", "states")}
        data["image"] = decoded(archive["jpeg"], archive["ends"])[kept]
    pool = Pool.empty(int(kept.sum()), device)
    pool.add(data | {"pressing": np.ones(int(kept.sum()), bool)})
    return pool


def main() -> None:
    """Cut the squares of a folder's pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("target", type=Path)
    parser.add_argument("--suffix", default=".jpg", help="only pictures whose names end so")
    given = parser.parse_args()
    labels = json.loads((given.folder / "labels.json").read_text(encoding="utf-8"))
    names = sorted(name for name in labels if name.endswith(given.suffix))
    parts = []
    for name in names:
        image = cv2.imread(str(given.folder / name))[..., ::-1]
        parts += [crop(np.ascontiguousarray(image), labels[name], fill) for fill in FILLS]
    image, points, states = (np.stack(column) for column in zip(*parts, strict=True))
    partial = given.target.with_suffix(".partial.npz")
    np.savez(
        partial,
        points=points,
        states=states,
        fold=np.repeat(folds(names), len(FILLS)),
        **encoded(image),
    )
    partial.replace(given.target)
    print(f"{len(names)} photos")


if __name__ == "__main__":
    main()
