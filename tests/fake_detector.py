"""A light stand-in for looking at a clip, put in place through `barpath.block.jobs.Programme`.

A "clip" is a text file: JSON with what is to happen and where each call is written down.
"""

import dataclasses
import json
import os
import signal
import time
from pathlib import Path

from barpath.block.blockstore import SEVERAL, rep_rows
from barpath.block.jobs import Programme
from barpath.errors import NoRepError, OptionError
from tests.made_results import make_result

PROGRAMME = Programme(
    "tests.fake_detector:detect", "tests.fake_detector:measure", "tests.fake_detector:join"
)


def write_clip(path: Path, log: Path, **order) -> Path:
    path.write_text(json.dumps({"log": str(log), "name": path.name} | order))
    return path


def note(order: dict, what: str) -> None:
    with Path(order["log"]).open("a") as log:
        log.write(f"{what} {order['name']}\n")


def detect(clip, *, config, progress):
    order = json.loads(Path(clip).read_text())
    note(order, "begun")
    progress("looking for the bar", 0.5)
    time.sleep(order.get("seconds", 0.0))
    until = time.process_time() + order.get("busy_seconds", 0.0)
    while time.process_time() < until:
        pass
    match order.get("fate", "fine"):
        case "no rep":
            raise NoRepError(f"There is no repetition in {clip}.")
        case "fault":
            raise ZeroDivisionError("of our own making")
        case "die":
            os.kill(os.getpid(), signal.SIGKILL)
        case "die once" if Path(order["log"]).read_text().count(f"begun {order['name']}") < 2:
            os.kill(os.getpid(), signal.SIGKILL)
    result = make_result(order.get("view", "side"), order.get("reps", 2))
    note(order, "ended")
    mark = {"mark": order["name"], "order": order}
    return dataclasses.replace(result, calibration=result.calibration | mark)


def measure(result, config):
    note(result.calibration["order"], "measured")
    measures = result.measures.copy()
    # Something that depends on the clip and on an option of measuring alone.
    shift = len(result.calibration["mark"]) / 1000 + (config.upper_arm_m or 0.0)
    shift += len(config.corrections.joints)
    measures["value"] += shift
    measures["sd_common"] = measures["sd"] / 2
    return dataclasses.replace(result, measures=measures)


def join(results):
    """The mean of what the clips give, unless one of them is to stand apart."""
    orders = [result.calibration["order"] for result in results]
    note(orders[0] | {"name": "+".join(order["name"] for order in orders)}, "joining")
    time.sleep(orders[0].get("joining_seconds", 0.0))
    if sentence := next((order["apart"] for order in orders if "apart" in order), ""):
        raise OptionError(sentence)
    many = [rep_rows(result) for result in results]
    return [
        rows[0] | {"view": SEVERAL, "pause_s": sum(r["pause_s"] for r in rows) / len(rows)}
        for rows in zip(*many, strict=True)
    ]
