"""Shards of stills, and the work of one process that makes them."""

from __future__ import annotations

import sys
import time
import traceback
from pathlib import Path

import cv2
import numpy as np

from .bodies import load_bodies
from .maker import TAGS, Still, make_scene
from .scenes import RefusedError

SCENES_A_SHARD = 20


def pack(stills: list[Still]) -> dict[str, np.ndarray]:
    """Arrays of a shard.

    ``image`` uint8 (n, 320, 320, 3), ``points`` float32 (n, 21, 2), ``states`` uint8 (n, 21),
    ``bone_shoulders`` float32 (n, 2, 2), ``pressing`` bool (n,), ``numbers`` float32 (n, 5):
    px_per_m, azimuth_deg, elevation_deg, distance_m, body; ``tags`` float32 (n, len(TAGS)).
    """
    numbers = [(s.px_per_m, s.azimuth_deg, s.elevation_deg, s.distance_m, s.body) for s in stills]
    return {
        "image": np.stack([s.image for s in stills]),
        "points": np.stack([s.points for s in stills]),
        "states": np.stack([s.states for s in stills]),
        "bone_shoulders": np.stack([s.bone_shoulders for s in stills]),
        "pressing": np.array([s.pressing for s in stills]),
        "numbers": np.array(numbers, np.float32),
        "tags": np.array([[s.tags[t] for t in TAGS] for s in stills], np.float32),
    }


def work(
    bodies_file: Path, folder: Path, seeds: list[int], split: str, device: int, worker: int
) -> None:
    """Make the scenes of some seeds and write them in shards."""
    cv2.setNumThreads(1)
    bodies = load_bodies(bodies_file)
    begun, made, passed = time.perf_counter(), 0, 0
    for start in range(0, len(seeds), SCENES_A_SHARD):
        stills: list[Still] = []
        chosen = seeds[start : start + SCENES_A_SHARD]
        target = folder / f"{split}_{chosen[0]:08d}.npz"
        if target.exists():
            continue
        for seed in chosen:
            try:
                stills += make_scene(seed, bodies, split, device)
            except RefusedError:
                passed += 1
            except Exception:
                passed += 1
                print(f"scene {seed}:", file=sys.stderr)
                traceback.print_exc()
        if not stills:
            continue
        partial = target.with_name(f".{target.name}.{worker}.partial.npz")
        np.savez(partial, **pack(stills))
        partial.replace(target)
        made += len(stills)
    rate = made / (time.perf_counter() - begun)
    print(f"worker {worker}: {made} stills, {passed} scenes passed over, {rate:.2f} a second")
