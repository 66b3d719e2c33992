"""Train the joint network and write the file that the package ships.

With ``--follow`` made stills are taken up while they are being made, so both may run at once. A
second call with the same ``--out`` goes on from the last checkpoint. With ``--photos`` the trained
network is tuned to photos of presses marked by eye: once to all, which is what ``joints.onnx``
holds, and once to all but each fold, so that every photo can be scored by a network that never saw
it (``without_fold_N.onnx``); ``untuned.onnx`` is the network before. With ``--start`` the training
of an earlier file goes on, and what is written is the mean of its weights and the new ones.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import torch

from .augment import AugmentConfig
from .check import calibrate, coverage, read, table
from .export import export
from .fit import FitConfig, Trainer
from .network import JointNetwork
from .photos import FOLDS, marked
from .pool import Pool, people
from .shipped import blend, load

PHOTOS_A_STEP = 8
TUNING_RATE = 2e-4
SHORT_MIN = 6.0
WITHOUT = ("hard", "relations", "covariance", "people", "light", "blur", "codec", "patches")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="sample_clips_synthetic.training", description=__doc__)
    parser.add_argument("--stills", type=Path, required=True, help="folder of shards to train on")
    parser.add_argument("--left-out", type=Path, help="folder of shards of bodies left out")
    parser.add_argument("--people", type=Path, help="labelled upright people")
    parser.add_argument("--backbone", type=Path, help="ImageNet weights of EfficientNet-Lite0")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--batch", type=int, default=256)
    parser.add_argument("--capacity", type=int, default=150_000, help="stills held at most")
    parser.add_argument("--least", type=int, default=3000, help="stills before the first step")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--version", default="1")
    parser.add_argument("--photos", type=Path, help="photos of presses, marked by eye")
    parser.add_argument("--tune-minutes", type=float, default=0.75, help="for each tuning")
    parser.add_argument("--start", type=Path, help="network file whose training goes on")
    parser.add_argument("--rate", type=float, default=FitConfig.rate, help="learning rate")
    parser.add_argument("--compiled", action="store_true", help="fuse arithmetic; needs a compiler")
    parser.add_argument("--follow", action="store_true", help="take up shards while training")
    parser.add_argument(
        "--without", action="append", default=[], choices=WITHOUT, help="leave an ingredient out"
    )
    return parser.parse_args()


def main() -> None:
    """Train, check, calibrate, export."""
    given = _arguments()
    given.out.mkdir(parents=True, exist_ok=True)
    # Looking for the fastest kernels costs a minute or more.
    torch.backends.cudnn.benchmark = given.minutes > SHORT_MIN
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    device = torch.device(given.device)
    without = set(given.without)
    change = AugmentConfig(**{n: n not in without for n in ("light", "blur", "codec", "patches")})
    config = FitConfig(
        minutes=given.minutes,
        batch=given.batch,
        people=given.batch // 8,
        rate=given.rate,
        frozen_norms=given.start is not None,
        compiled=given.compiled,
        least_stills=given.least,
        seed=given.seed,
        augment=change,
        hard="hard" not in without,
        relations="relations" not in without,
        covariance="covariance" not in without,
    )
    stills = Pool.empty(given.capacity, device)
    stills.take_up(given.stills)
    real = people(given.people, device) if given.people and "people" not in without else None
    if real is None:
        config = replace(config, people=0)
    trainer = Trainer(stills, real, config, given.backbone, given.out)
    start = None
    if given.start:
        start = JointNetwork().to(device)
        load(start, given.start)
        trainer.start_from(start)
    if trainer.resume():
        print(f"going on from step {trainer.step}", flush=True)
    trainer.run(given.stills if given.follow else None)
    if start is not None and not given.photos:
        blend(trainer.kept, start)
    report: dict[str, Any] = {
        "without": sorted(without),
        "steps": trainer.step,
        "stills": stills.count,
    }
    left_out = None
    if given.left_out:
        left_out = Pool.empty(20_000, device)
        left_out.take_up(given.left_out)
        report["left_out"] = left_out.count
    if given.photos:
        report["untuned"] = _finish(trainer.kept, left_out, given.out / "untuned.onnx", given)
        for fold in (*range(FOLDS), None):
            photos = marked(given.photos, device, fold)
            name = "joints" if fold is None else f"without_fold_{fold}"
            folder = given.out / name
            folder.mkdir(exist_ok=True)
            setting = replace(
                config,
                minutes=given.tune_minutes,
                photos=PHOTOS_A_STEP,
                rate=TUNING_RATE,
                warm_steps=50,
            )
            tuned = Trainer(stills, real, setting, None, folder, photos)
            tuned.start_from(trainer.kept)
            tuned.run()
            if start is not None:
                blend(tuned.kept, start)
            report[name] = _finish(tuned.kept, left_out, given.out / f"{name}.onnx", given)
            report[name]["steps"] = tuned.step
            torch.save(tuned.kept.state_dict(), folder / "kept.pt")
            (folder / "checkpoint.pt").unlink()
    else:
        report["joints"] = _finish(trainer.kept, left_out, given.out / "joints.onnx", given)
    report["made"] = time.strftime("%Y-%m-%d")
    (given.out / "report.json").write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")


def _finish(
    network: JointNetwork, left_out: Pool | None, target: Path, given: argparse.Namespace
) -> dict[str, Any]:
    """Calibrate a network on bodies left out, and write its file; what there is to report."""
    network.eval()
    report: dict[str, Any] = {}
    factors = torch.ones(network.name.shape[0], 2).numpy()
    if left_out is not None:
        readings = read(network, left_out)
        factors = calibrate(readings)
        report |= {"coverage": coverage(readings, factors), "factors": factors.round(3).tolist()}
        target.with_suffix(".txt").write_text(table(readings) + "\n", encoding="utf-8")
        print(target.stem, table(readings), sep="\n", flush=True)
    export(network, factors, target, given.version)
    report["sha256"] = hashlib.sha256(target.read_bytes()).hexdigest()
    return report


if __name__ == "__main__":
    main()
