"""Killed at any moment of its writing, a run leaves the old result or the new one, whole."""

import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from barpath.analysis import store
from barpath.block import blockstore
from barpath.block.tables import kept_sets
from barpath.errors import BarpathError
from barpath.report.pairfolder import read_rules
from tests.fake_detector import write_clip
from tests.faults import stand_in

ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="forks a process for each run")


@pytest.fixture(scope="module")
def program():
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.faults.stand_in"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    yield process
    process.stdin.close()
    process.wait(60)


class Worker:
    """A process that saves on demand, in a child that may be killed."""

    def __init__(self, folder: Path, process: subprocess.Popen) -> None:
        self.folder, self.process = folder, process
        (folder / "temporary").mkdir()

    def run(self, order: dict, kill_after_s: float | None = None) -> int:
        places = {"temporary": self.folder / "temporary", "cwd": self.folder}
        places |= {"log": self.folder.parent / "log.txt"}
        line = json.dumps(order | {k: str(v) for k, v in places.items()})
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        child = int(self.process.stdout.readline())
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
        return int(self.process.stdout.readline())


@pytest.fixture
def worker(tmp_path, program):
    (tmp_path / "place").mkdir()
    return Worker(tmp_path / "place", program)


def contents(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name != ".lock"
    }


def two_blocks(folder: Path) -> tuple[Path, Path]:
    """The same clips under two sheets, the second with a clip more."""
    log = folder.parent / "calls.txt"
    places = []
    for n, technique in ((2, "wide"), (3, "close")):
        clips = folder / f"clips{n}"
        clips.mkdir()
        lines = ["clip,lifter,technique"]
        for k in range(n):
            write_clip(clips / f"set {k}.mp4", log)
            lines.append(f"set {k}.mp4,Ada,{technique}")
        (clips / "block.csv").write_text("\n".join(lines) + "\n")
        places.append(clips)
    return places[0], places[1]


def block_as_read(folder: Path) -> str:
    """A block as its readers see it."""
    try:
        table = blockstore.read_table(folder)
    except BarpathError as error:
        assert "damaged" not in str(error)
        return ""
    clips = blockstore.read_list(folder, "clips.csv", ("clip",))
    failures = blockstore.read_list(folder, "failures.csv", ("clip",))
    assert len(failures) == 0
    for place in kept_sets(folder).values():
        store.check_whole(place)
    return table.to_csv() + clips.to_csv()


def readable(action: str, folder: Path) -> None:
    if action == "pair":
        assert len(read_rules(folder))
    elif action != "block":
        store.read_results(folder)


def kill_and_go_on(action: str, worker: Worker, rng: random.Random, n: int) -> int:
    """Kill a run `n` times at random moments; how often it was still at work."""
    folder, target = worker.folder, worker.folder / "target"
    orders = [{"action": action, "target": str(target)} for _ in range(2)]
    if action == "block":
        for order, clips in zip(orders, two_blocks(folder), strict=True):
            order["clips"] = str(clips)
    else:
        for order, reps in zip(orders, (2, 3), strict=True):
            order["reps"] = reps
        if action == "touchup":
            stand_in.write_made(stand_in.make_result(n_reps=2), target)
    states, seen, kept = [], [], folder.parent / "old"
    for order in orders:
        begin = time.monotonic()
        assert worker.run(order) == 0, (folder.parent / "log.txt").read_text()
        took_s = time.monotonic() - begin
        states.append(contents(target))
        seen.append(block_as_read(target) if action == "block" else "")
        if not kept.exists():
            shutil.copytree(target, kept)
    at_work = 0
    for _ in range(n):
        shutil.rmtree(target)
        shutil.copytree(kept, target)
        code = worker.run(orders[1], rng.uniform(0.0, took_s))
        at_work += code == -signal.SIGKILL
        if action == "block":
            assert block_as_read(target) in seen
        else:
            now = contents(target)
            drawn = {k: v for k, v in states[1].items() if k != "annotated.mp4"}
            # The correction page writes its results first without the clip, then with it.
            without = action == "touchup" and {
                k: v for k, v in now.items() if not k.endswith(".json")
            } == {k: v for k, v in drawn.items() if not k.endswith(".json")}
            assert now in states or without
            readable(action, target)
        assert worker.run(orders[1]) == 0, (folder.parent / "log.txt").read_text()
        assert contents(target) == states[1]
        names = {p.name for p in folder.iterdir()}
        assert not [name for name in names if name.startswith(".")], names
        assert not list((folder / "temporary").iterdir())
    return at_work


@pytest.mark.parametrize(
    ("action", "n"), [("analyse", 3), ("pair", 3), ("block", 2), ("touchup", 2)]
)
def test_ten_kills(worker, action, n):
    kill_and_go_on(action, worker, random.Random(action), n)


@pytest.mark.slow
@pytest.mark.parametrize("action", ["analyse", "pair", "block", "touchup"])
def test_a_hundred_kills(worker, action):
    # Most must have met a run at work, or nothing was tried.
    assert kill_and_go_on(action, worker, random.Random(f"{action} long"), 25) >= 5
