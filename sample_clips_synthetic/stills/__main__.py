"""Make stills, or a sheet to look at.

``python -m sample_clips_synthetic.stills --bodies FILE --folder DIR --scenes N`` writes shards;
``--sheet out.png`` draws one contact sheet instead.
"""

from __future__ import annotations

import argparse
import os
import sys
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from .bodies import load_bodies
from .maker import Still, make_scene
from .scenes import RefusedError
from .shards import SCENES_A_SHARD, work

LIMBS = ((0, 1), (0, 2), (2, 4), (4, 6), (1, 3), (3, 5), (5, 7), (0, 8), (1, 9), (8, 9), (8, 10),
         (10, 12), (9, 11), (11, 13), (19, 20))  # fmt: skip


def draw_points(still: Still, scale: int = 1) -> np.ndarray:
    """The picture with its points: seen filled, hidden hollow; the lifter's left in red."""
    side = still.image.shape[0] * scale
    image = cv2.resize(still.image, (side, side), interpolation=cv2.INTER_CUBIC)

    def at(i: int) -> tuple[int, int]:
        x, y = (still.points[i] + 0.5) * scale - 0.5
        return round(float(np.clip(x, -5000, 5000))), round(float(np.clip(y, -5000, 5000)))

    there = ~np.isnan(still.points[:, 0])
    for a, b in LIMBS:
        if there[a] and there[b]:
            cv2.line(image, at(a), at(b), (255, 255, 255), 1, cv2.LINE_AA)
    for i in range(21):
        if there[i] and still.states[i] < 2:
            left = i % 2 == 0 and i != 14
            colour = (255, 40, 40) if left else (60, 160, 255)
            colour = (255, 220, 0) if i == 14 else colour
            cv2.circle(image, at(i), 4, colour, -1 if still.states[i] == 0 else 1, cv2.LINE_AA)
    return image


def sheet(bodies_file: Path, target: Path, seed: int, count: int, split: str, device: int) -> None:
    """Write a contact sheet of stills with their points."""
    bodies = load_bodies(bodies_file)
    tiles: list[np.ndarray] = []
    while len(tiles) < count:
        try:
            stills = make_scene(seed, bodies, split, device)
        except RefusedError as why:
            print(f"scene {seed} passed over: {why}")
            stills = []
        for still in stills:
            tile = draw_points(still)
            text = f"{seed} az{still.azimuth_deg:.0f} k{still.tags['kind']:.0f}"
            text += " P" if still.pressing else ""
            cv2.putText(tile, text, (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.42, (255, 255, 0), 1)
            tiles.append(tile)
        seed += 1
    tiles = tiles[:count]
    wide = min(6, count)
    blank = np.zeros_like(tiles[0])
    tiles += [blank] * (-len(tiles) % wide)
    lines = [np.hstack(tiles[i : i + wide]) for i in range(0, len(tiles), wide)]
    cv2.imwrite(str(target), np.vstack(lines)[:, :, ::-1])


def main() -> None:
    """Make what was asked for."""
    parser = argparse.ArgumentParser(prog="sample_clips_synthetic.stills", description=__doc__)
    parser.add_argument("--bodies", type=Path, required=True, help="archive of bodies")
    parser.add_argument("--folder", type=Path, help="where the shards go")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--scenes", type=int, default=100)
    parser.add_argument("--split", choices=("train", "left_out"), default="train")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument(
        "--device", type=int, default=int(os.environ.get("STILLS_DEVICE", "0")),
        help="graphics card, as EGL counts them (or STILLS_DEVICE)",
    )  # fmt: skip
    parser.add_argument("--sheet", type=Path, help="write a contact sheet instead")
    parser.add_argument("--seed", type=int, default=1, help="first scene of the sheet")
    parser.add_argument("--count", type=int, default=48, help="stills on the sheet")
    given = parser.parse_args()
    if given.sheet:
        sheet(given.bodies, given.sheet, given.seed, given.count, given.split, given.device)
        return
    if given.folder is None:
        parser.error("say where the shards go: --folder")
    given.folder.mkdir(parents=True, exist_ok=True)
    seeds = list(range(given.first_seed, given.first_seed + given.scenes))
    shards = [seeds[i : i + SCENES_A_SHARD] for i in range(0, len(seeds), SCENES_A_SHARD)]
    context = get_context("spawn")
    workers = []
    for worker in range(given.workers):
        mine = [seed for shard in shards[worker :: given.workers] for seed in shard]
        if mine:
            arguments = (given.bodies, given.folder, mine, given.split, given.device, worker)
            workers.append(context.Process(target=work, args=arguments))
    for process in workers:
        process.start()
    for process in workers:
        process.join()
    sys.exit(any(process.exitcode for process in workers))


if __name__ == "__main__":
    main()
