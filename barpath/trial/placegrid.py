"""The map of camera places, computed: `python -m barpath.trial.placegrid`.

Writes `barpath/assets/places.csv` and the picture of `barpath/guide/film.md`; about ten
minutes of one core. To be run again when calibration, arm fit or measures change what they state.
"""

from __future__ import annotations

import argparse
import io
from concurrent.futures import ProcessPoolExecutor
from itertools import product

import pandas as pd

from barpath.analysis.madeview import Place
from barpath.analysis.placemap import AXES, MAP_FILE
from barpath.analysis.places import SEEDS, foretell
from barpath.ground.files import write_atomically
from barpath.report.placeplots import write_map

AZIMUTHS_DEG = (0.0, 10.0, 20.0, 30.0, 45.0, 60.0, 75.0, 90.0)
HEIGHTS_M = (0.6, 1.1, 1.7)
DISTANCES_M = (3.5, 5.5)
PICTURE_FILE = MAP_FILE.parents[1] / "guide" / "places.png"
HEAD = f"""\
# How sure each measure would be by where the camera stands: half widths of 95 % intervals.
# Made by python -m barpath.trial.placegrid, medians of {len(SEEDS)} draws of the detectors' errors.
# Azimuth 0 from the feet, 90 from beside; lens over the floor; from the bar along the floor.
"""


def rows_at(at: tuple[float, float, float]) -> pd.DataFrame:
    """The map's rows of one place."""
    table = foretell(Place(*at))
    for k, name in enumerate(AXES):
        table.insert(k, name, at[k])
    return table


def as_csv(table: pd.DataFrame) -> str:
    """The map as it is kept: three figures are enough."""
    text = io.StringIO()
    table.to_csv(text, index=False, float_format="%.3g", lineterminator="\n")
    return HEAD + text.getvalue()


def main() -> None:
    """Compute the map and write it with its picture."""
    parser = argparse.ArgumentParser(prog="python -m barpath.trial.placegrid", description=__doc__)
    parser.add_argument("--workers", type=int, default=1, help="places computed at once")
    parser.add_argument("--picture-only", action="store_true", help="draw the map that is there")
    given = parser.parse_args()
    if not given.picture_only:
        places = list(product(AZIMUTHS_DEG, HEIGHTS_M, DISTANCES_M))
        with ProcessPoolExecutor(given.workers) as pool:
            table = pd.concat(pool.map(rows_at, places), ignore_index=True)
        write_atomically(MAP_FILE, as_csv(table).encode())
    write_map(PICTURE_FILE, None, overwrite=True)


if __name__ == "__main__":
    main()
