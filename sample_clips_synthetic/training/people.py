"""Label pictures of real, mostly upright people by the stock network, where it is sure of itself.

``python -m sample_clips_synthetic.training.people FOLDER FILE`` reads a folder's square pictures.
A point counts where the plain and the mirrored picture give it at the same place and both call it
visible. Turned by quarter turns in training, upright people become lying ones.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.trial.stock import StockNetwork

from .points import POINTS, STILL_PX
from .pool import encoded

JOINTS = {
    f"{side}_{name}": first + k
    for name, first in (
        ("shoulder", 11),
        ("elbow", 13),
        ("wrist", 15),
        ("hip", 23),
        ("knee", 25),
        ("ankle", 27),
    )
    for k, side in enumerate(("left", "right"))
}
"""Landmarks of the stock network that are points of ours."""
EARS = (7, 8)
N_FACE = 11
LEAST_VISIBLE = 0.8
LARGEST_GAP = 0.06
LEAST_ARMS = 3


def _other_side(n: int) -> NDArray[np.intp]:
    """Index of each landmark's counterpart: from 7 on left and right alternate."""
    index = np.arange(n)
    index[1:4], index[4:7] = [4, 5, 6], [1, 2, 3]
    index[7:9], index[9:11] = [8, 7], [10, 9]
    index[N_FACE:] = np.arange(N_FACE, n).reshape(-1, 2)[:, ::-1].ravel()
    return index


def label(
    image: NDArray[np.uint8], network: StockNetwork
) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
    """Points (P, 2) of a picture, px, and which of them are known (P,), or None.

    Parameters
    ----------
    image
        (n, n, 3) RGB.
    network
        The stock network.
    """
    plain = network.landmarks(image)
    mirrored = network.landmarks(np.ascontiguousarray(image[:, ::-1]))
    if plain is None or mirrored is None:
        return None
    mirrored[:, 0] = image.shape[1] - 1 - mirrored[:, 0]
    mirrored = mirrored[_other_side(len(mirrored))]
    trunk = plain[[11, 12], :2].mean(axis=0) - plain[[23, 24], :2].mean(axis=0)
    size = np.linalg.norm(trunk) + np.linalg.norm(plain[11, :2] - plain[12, :2])
    gap = np.linalg.norm(plain[:, :2] - mirrored[:, :2], axis=1) / size
    seen = np.minimum(plain[:, 2], mirrored[:, 2])
    sure = (seen > LEAST_VISIBLE) & (gap < LARGEST_GAP)
    middle = (plain[:, :2] + mirrored[:, :2]) / 2
    points = np.zeros((len(POINTS), 2), np.float32)
    known = np.zeros(len(POINTS), np.float32)
    for name, landmark in JOINTS.items():
        if sure[landmark]:
            points[POINTS.index(name)], known[POINTS.index(name)] = middle[landmark], 1
    if all(sure[ear] for ear in EARS):
        at = POINTS.index("head")
        points[at], known[at] = middle[list(EARS)].mean(axis=0), 1
    return (points, known) if known[:6].sum() >= LEAST_ARMS else None


def main() -> None:
    """Label a folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("target", type=Path)
    given = parser.parse_args()
    images, points, known = [], [], []
    with StockNetwork(least_score=0.1) as network:
        for path in sorted(given.folder.glob("*.jpg")):
            image = cv2.resize(cv2.imread(str(path)), (STILL_PX, STILL_PX))
            found = label(np.ascontiguousarray(image[..., ::-1]), network)
            if found is not None:
                images.append(image[..., ::-1])
                points.append(found[0])
                known.append(found[1])
    partial = given.target.with_suffix(".partial.npz")
    np.savez(
        partial,
        points=np.stack(points),
        weights=np.stack(known),
        **encoded(images),
    )
    partial.replace(given.target)
    print(f"{len(images)} pictures labelled")


if __name__ == "__main__":
    main()
