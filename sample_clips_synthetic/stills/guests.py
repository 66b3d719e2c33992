"""Bake the guests and the callers: bodies of clips, in no archive of stills whatever its length.

Needs what `bodies.bake` needs::

    python -m sample_clips_synthetic.stills.guests guests guests.npz
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from ..generator.body import ARCHIVE, GUEST_BASE, VERTEX_STEP_M
from ..generator.packing import pack
from .bodies import recipe

# Other sequences than the stills', so that no number of these meets any of those; how many men and
# women are taken from each.
KINDS = {"guests": (72_903, 13, 7), "callers": (88_417, 8, 6)}
STATURES_M = {"man": (1.58, 2.00), "woman": (1.48, 1.82)}


def bake(kind: str, target: Path) -> None:
    """Bake the first of a sequence who are neither very short nor very tall.

    Parameters
    ----------
    kind
        One of `KINDS`.
    target
        File to write.
    """
    import anny

    from ..generator.bake_bodies import shape, topology

    model = anny.create_fullbody_model(local_changes=True)
    _, kept = topology(model)
    seed, men, women = KINDS[kind]
    places = {"man": men, "woman": women}
    chosen = []
    women_at = []
    for plan in recipe(64, seed):
        shape_of = {0.0: "man", 1.0: "woman"}.get(plan[0]["gender"], "")
        if not places.get(shape_of):
            continue
        body = shape(model, kept, *plan)
        low, high = STATURES_M[shape_of]
        if low <= np.ptp(body[2][:, 2] * VERTEX_STEP_M) <= high:
            chosen.append(body)
            places[shape_of] -= 1
            if shape_of == "woman":
                women_at.append(len(chosen))
    with np.load(ARCHIVE) as archive:
        base = archive[f"{GUEST_BASE}_vertices"]
    partial = target.with_name(target.name + ".partial.npz")
    np.savez_compressed(
        partial,
        heads=np.stack([b[0] for b in chosen]),
        tails=np.stack([b[1] for b in chosen]),
        vertices=pack(np.stack([b[2] for b in chosen]), base),
    )
    partial.replace(target)
    print("women:", women_at)


if __name__ == "__main__":
    bake(sys.argv[1], Path(sys.argv[2]))
