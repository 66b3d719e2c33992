"""Saves results over and over in children of its own, for a test that kills them.

Started as a program it reads one order a line, JSON with `action` and its arguments, forks a child
that carries it out through the command line or the page's session, and answers with the child's
number. Looking at clips is replaced by made results; all the writing is the program's own.
"""

import contextlib
import dataclasses
import json
import os
import sys
import tempfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from barpath.analysis import pairset, pipeline, store
from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections
from barpath.analysis.running import quiet
from barpath.block import run as running
from barpath.block.jobs import BlockConfig
from barpath.block.plan import plan_folder
from barpath.cli import commands as cli
from barpath.ground import files
from barpath.lift import rules
from barpath.page import touchup
from barpath.report import output, pairfolder
from tests.fake_detector import PROGRAMME
from tests.in_process import here
from tests.made_results import make_result

PICTURES = {f"rep{k}_touch.jpg": bytes(30_000) for k in range(1, 4)}


def write_made(result, folder, *, overwrite=False, video=True, progress=quiet):
    progress("drawing the annotated clip", 0.5)
    shown = {"annotated.mp4": bytes(300_000)} if video else {}
    shown |= {"report.html": f"<p>{len(result.reps)}</p>" * 10_000, **PICTURES}
    return store.write_results(result, folder, overwrite=overwrite, artefacts=shown)


def command(*arguments):
    sys.argv = ["barpath", *map(str, arguments)]
    code, sentence = cli.outcome()
    if sentence:
        sys.stderr.write(sentence + "\n")
    return code


def analyse(target, reps):
    pipeline.analyse = lambda *_, **__: make_result(n_reps=reps)
    output.publish = write_made
    return command("analyse", "clip.mp4", "--out", target, "--overwrite")


def made_pair(reps):
    result = make_result(n_reps=reps)
    table = pd.DataFrame({"rep": np.arange(2000) % reps, "value": np.linspace(0, 1, 2000)})
    tables = dict.fromkeys(pairfolder.TABLES, table)
    tables["rules"] = rules.check(rules.facts_of(result))
    sync = SimpleNamespace(lag_s=0.1, lag_sd_s=0.001, verdict="sure")
    return SimpleNamespace(front=result, side=result, notes=[], sync=sync, **tables)


def pair(target, reps):
    made = made_pair(reps)
    pairset.read_or_analyse = lambda *_, **__: made.front
    pairset.measure_clips = lambda *_, **__: made
    output.bottom_image = lambda *_: None
    pairfolder.pair_html = lambda *_: f"<p>{reps}</p>" * 20_000
    pairfolder.summary = lambda pair: {
        "schema": pairfolder.SCHEMA_NAME,
        "files": [*pairfolder.FILES, files.MANIFEST_FILE],
        "reps": reps,
    }
    return command("pair", "front.mp4", "side.mp4", "--out", target, "--overwrite")


def keep_block(target, clips):
    config = BlockConfig(analysis=AnalysisConfig(), programme=PROGRAMME, workers=1, stills=False)
    with here():
        running.run(plan_folder(Path(clips)), Path(target), config, trc=True)
    return 0


def touch(target, reps):
    touchup.find_clip = lambda result, folder, given=None: Path("clip.mp4")
    touchup.probe_same = lambda result, clip: result.info
    touchup.publish = write_made
    session = touchup.Session(Path(target))
    session._measured = lambda corrections: dataclasses.replace(
        make_result(n_reps=reps), corrections=corrections
    )
    session.save(Corrections())
    session._thread.join()
    return 0 if session.job().video == "done" else 1


ACTIONS = {"analyse": analyse, "pair": pair, "block": keep_block, "touchup": touch}


def main():
    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if not child:
            code = 1
            try:
                tempfile.tempdir = order.pop("temporary")
                os.chdir(order.pop("cwd"))
                with (
                    Path(order.pop("log")).open("a") as log,
                    contextlib.redirect_stdout(log),
                    contextlib.redirect_stderr(log),
                ):
                    code = ACTIONS[order.pop("action")](**order)
            finally:
                os._exit(code)
        print(child, flush=True)
        # The child is over when the test says so, by a kill or by waiting.
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
