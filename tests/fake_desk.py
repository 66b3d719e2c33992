"""A light stand-in for looking at clips, for the desk: made results for small real clips.

What a clip shows stands in its name: `front` or `side`; one with `slow` in it takes until a file
`go` lies beside the folder of the clips, one with `empty` has no repetition.
"""

import dataclasses
import time
from pathlib import Path

from barpath.analysis.filmfacts import Fact, FilmFacts
from barpath.block import jobs
from barpath.clip.frames import probe
from barpath.clip.writer import VideoWriter
from barpath.errors import NoRepError
from barpath.ground.files import sha256_of
from barpath.page.desk.tasks import Programme
from tests.made_results import make_image, make_result

PROGRAMME = Programme(
    jobs.Programme("tests.fake_desk:detect", "tests.fake_desk:measure"), "tests.fake_desk:look"
)
STEP = 10
"""So many frames of a made clip share a picture, which is what takes time to make."""


def view_of(clip):
    return "front" if "front" in Path(clip).name else "side"


def film(view, path):
    """A small clip of one repetition that is as long as the made result of it."""
    made = make_result(view, 1)
    with VideoWriter(path, made.info.width_px, made.info.height_px, made.info.fps) as writer:
        for k, time_s in enumerate(made.track["time_s"]):
            if k % STEP == 0:
                image = make_image(made, k)
            writer.write(image, time_s)
    return path


def detect(clip, *, config, progress):
    name = Path(clip).name
    go = Path(clip).parent.parent / "go"
    with (go.parent / "calls.txt").open("a") as calls:
        calls.write(f"{name}\n")
    progress("looking for the bar", 0.25)
    while "slow" in name and not go.exists():
        time.sleep(0.05)
    if "empty" in name:
        raise NoRepError("The bar was followed, but there is no repetition in its height.")
    info = dataclasses.replace(probe(clip), sha256=sha256_of(clip))
    return dataclasses.replace(make_result(view_of(clip), 1), info=info)


def measure(result, config):
    return dataclasses.replace(result, corrections=config.corrections)


def look(clip, *, view, plate_mm, bar, progress):
    progress("looking for the bar", 0.5)
    info = probe(clip)
    return FilmFacts(
        view=view_of(clip),
        width_px=info.width_px,
        height_px=info.height_px,
        fps=20.0,
        variable_rate=False,
        plate_px=150.0,
        height_m=Fact(0.8 if view_of(clip) == "front" else 0.0, 0.02),
        roll_deg=Fact(0.3, 0.2),
        angle_deg=Fact(1.0, 1.0),
        distance_m=Fact(3.0, 0.1),
        exposure_s=Fact(0.004, 0.001),
        peak_m_s=0.5,
        whole=True,
        steady=True,
    )
