"""Bake bodies of clips, which are in no archive of stills whatever its length.

Needs what `bodies.bake` needs::

    python -m sample_clips_synthetic.stills.guests guests guests.npz
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np

from ..generator.body import ARCHIVE, GUEST_BASE, VERTEX_STEP_M
from ..generator.packing import pack
from .bodies import recipe


class Kind(NamedTuple):
    """How bodies of a kind are drawn: from another sequence than the stills' or any other kind's.

    `like_people` are those whose arms are shared between upper arm and forearm as people's are.
    """

    seed: int
    men: int
    women: int
    like_people: bool = False


KINDS = {
    "guests": Kind(72_903, 13, 7),
    "callers": Kind(88_417, 8, 6),
    "regulars": Kind(90_071, 8, 4, True),
    "arrivals": Kind(93_503, 17, 9, True),
    "joiners": Kind(97_301, 12, 6, True),
    "members": Kind(99_721, 12, 6, True),
    "entrants": Kind(104_147, 12, 6, True),
    "fellows": Kind(108_529, 12, 6, True),
    "hosts": Kind(112_573, 12, 6, True),
    "boarders": Kind(118_901, 12, 6, True),
    "dwellers": Kind(124_427, 12, 6, True),
    "incomers": Kind(131_071, 12, 6, True),
    "keepers": Kind(137_777, 12, 6, True),
}
STATURES_M = {"man": (1.58, 2.00), "woman": (1.48, 1.82)}
# Upper arm by forearm between joint centres: 281.7 / 268.9 mm in men and 275.1 / 264.3 in women (de
# Leva 1996, from memory), spread among people by 4 to 5 %: ANSUR II has coefficients of variation
# of 5 and 5.7 % for acromion to radiale and radiale to stylion, correlated by about 0.7, and the
# bones' quotient varies by some 3.5 % (all from memory). The body model's own two lengths are
# drawn each for itself and spread their quotient by 10 to 15 %.
ARM_QUOTIENT, ARM_QUOTIENT_REL_SD = 1.045, 0.045


def _commonness(heads_m: np.ndarray, bones: list[str]) -> float:
    """How common arms shared so are among people, 1 for the usual share."""
    shoulder, elbow, wrist = (
        heads_m[bones.index(f"{name}.L")] for name in ("upperarm01", "lowerarm01", "wrist")
    )
    quotient = np.linalg.norm(elbow - shoulder) / np.linalg.norm(wrist - elbow)
    return float(np.exp(-0.5 * (np.log(quotient / ARM_QUOTIENT) / ARM_QUOTIENT_REL_SD) ** 2))


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
    drawn = KINDS[kind]
    places = {"man": drawn.men, "woman": drawn.women}
    chosen = []
    women_at = []
    bones = [model.bone_labels[i] for i in kept]
    luck = np.random.default_rng(drawn.seed)
    for plan in recipe(512 if drawn.like_people else 64, drawn.seed):
        shape_of = {0.0: "man", 1.0: "woman"}.get(plan[0]["gender"], "")
        if not places.get(shape_of):
            continue
        body = shape(model, kept, *plan)
        low, high = STATURES_M[shape_of]
        if low <= np.ptp(body[2][:, 2] * VERTEX_STEP_M) <= high:
            if drawn.like_people and luck.uniform() > _commonness(body[0], bones):
                continue
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
