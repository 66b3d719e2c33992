"""Figures of a network file by what the picture is like, for its model card; needs no torch.

``python -m sample_clips_synthetic.training.card --network FILE --stills SHARDS`` reads every still
of the shards (of bodies left out of training) as the package does, and prints a table.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.sight.jointnet import JointNetwork

from ..stills.maker import TAGS
from .points import INPUT_PX, OUTSIDE, POINTS, RADIUS_95, SEEN, STILL_PX, view_of

ARMS = ("shoulder", "elbow", "wrist", "hand")
SHRUNK = {"as it is": 1, "halved": 2, "a quarter": 4}


def _read(job: tuple[Path, Path]) -> pd.DataFrame:
    """Errors of the arms' points in one shard, one row a still, point and resolution."""
    network_file, shard = job
    cv2.setNumThreads(1)
    network = JointNetwork(network_file)
    with np.load(shard) as archive:
        made = {name: archive[name] for name in archive.files}
    zoom = INPUT_PX / STILL_PX
    rows = []
    for k, image in enumerate(made["image"]):
        tags = dict(zip(TAGS, made["tags"][k], strict=True))
        px_per_m, azimuth = made["numbers"][k][:2]
        for shrunk, factor in SHRUNK.items():
            small = _shrink(image, factor)
            read = network.look(small[None])[0]
            common = {
                "view": str(view_of(np.array([azimuth]))[0]),
                "resolution": shrunk,
                "light": ("even", "dim", "backlit", "coloured", "hard")[int(tags["light"])],
                "sleeves": ("bare chest", "none", "short", "long")[int(tags["sleeve"]) + 1],
                "skin": "dark"
                if tags["skin"] < 0.15
                else "middle"
                if tags["skin"] < 0.35
                else "pale",
                "build": "female" if tags["female"] > 0.5 else "male",
                "plates": "none"
                if tags["plate_m"] == 0
                else "to 35 cm"
                if tags["plate_m"] < 0.36
                else "large",
                "in front": ("nothing", "post", "person")[int(tags["occluder"])],
                "pressing": bool(made["pressing"][k]),
                "said": float(read.pressing),
            }
            for i, name in enumerate(POINTS[:8]):
                if made["states"][k, i] == OUTSIDE:
                    continue
                error = read.xy_px[i] - ((made["points"][k, i] + 0.5) * zoom - 0.5)
                distance2 = error @ np.linalg.solve(read.covariance_px2[i], error)
                rows.append(
                    common
                    | {
                        "point": name.partition("_")[2],
                        "state": "seen" if made["states"][k, i] == SEEN else "hidden",
                        "cm": 100 * np.hypot(*error) / (px_per_m * zoom),
                        "inside": distance2 <= RADIUS_95**2,
                    }
                )
    return pd.DataFrame(rows)


def _shrink(image: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """The network's input, after the picture was ``factor`` times smaller."""
    size = (INPUT_PX // factor, INPUT_PX // factor)
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    return cv2.resize(small, (INPUT_PX, INPUT_PX), interpolation=cv2.INTER_LINEAR)


def table(errors: pd.DataFrame) -> str:
    """Median and 95 % of the error in cm by each kind of picture, and what regions hold."""
    whole = errors[errors["resolution"] == "as it is"]
    groups: list[tuple[str, str, pd.DataFrame]] = [("all", "", whole)]
    for column in ("view", "state", "light", "sleeves", "skin", "build", "plates", "in front"):
        groups += [(column, str(name), part) for name, part in whole.groupby(column)]
    groups += [("resolution", str(name), part) for name, part in errors.groupby("resolution")]
    lines = [
        "| | | " + " | ".join(ARMS) + " | 95 % regions hold |",
        "|---|---|" + "---|" * (len(ARMS) + 1),
    ]
    for column, name, part in groups:
        cells = []
        for point in ARMS:
            cm = part.loc[part["point"] == point, "cm"]
            cells.append(f"{cm.median():.1f}, {cm.quantile(0.95):.1f}" if len(cm) > 30 else "–")
        held = f"{100 * part['inside'].mean():.0f} %" if len(part) > 30 else "–"
        lines.append(f"| {column} | {name} | " + " | ".join(cells) + f" | {held} |")
    return "\n".join(lines)


def main() -> None:
    """Read and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--network", type=Path, required=True)
    parser.add_argument("--stills", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    shards = sorted(p for p in given.stills.glob("*.npz") if not p.name.startswith("."))
    with ProcessPoolExecutor(given.workers) as pool:
        errors = pd.concat(pool.map(_read, [(given.network, shard) for shard in shards]))
    print(
        f"{len(errors) // len(SHRUNK)} points in the arms of {len(shards)} shards of stills; cm\n"
    )
    print(table(errors))


if __name__ == "__main__":
    main()
