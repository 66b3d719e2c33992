"""The map of camera places against clips from those places: `python -m tests.places_check CLIPS`.

The clips are the `places` of `sample_clips_synthetic.generator`, their truth beside them. For each
place and measure: what the map says, what was stated, the root mean square error and how many of
the stated intervals hold the truth. Nothing in the map was set by these clips.
"""

import argparse
import json
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd

import barpath
from barpath.analysis.madeview import Place
from barpath.analysis.placemap import known_at, read_map
from barpath.analysis.places import SHOWN
from barpath.analysis.setresult import SetResult
from barpath.analysis.store import read_results, write_results
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit
from sample_clips_synthetic.generator.guests import PLACES_AROUND
from tests.accuracy import _plate_mm, followed, truth_of

AROUND = {name: Place(float(a), h, d) for name, a, h, d in PLACES_AROUND}
OFF = 1 / 3
"""A map that is off by more of what was stated does not foretell."""


def place_name(clip: Path) -> str:
    """Name of a clip's place: `qp_01_45_far` is from `45_far`."""
    return clip.stem.split("_", 2)[2]


def result_of(clip: Path, truth: dict, results: Path | None) -> SetResult:
    """The clip's result: kept ones are read, others are made and kept."""
    if results is not None and (results / clip.stem).exists():
        return read_results(results / clip.stem)
    result = barpath.analyse(clip, view=truth["view"], plate_mm=_plate_mm(truth))
    if results is not None:
        write_results(result, results / clip.stem)
    return result


def rows_of(clip: Path, results: Path | None) -> Iterable[dict[str, object]]:
    """Each value of `SHOWN` in a clip beside its truth."""
    truth = json.loads(clip.with_suffix(".truth.json").read_text())
    result = result_of(clip, truth, results)
    path = followed(result, truth)
    for rep in truth["reps"]:
        mine = result.measures[result.measures["rep"] == rep["rep"]]
        for row in mine[mine["measure"].isin(SHOWN)].itertuples():
            true = truth_of(rep, row.measure, path, row.side)
            yield {
                "place": place_name(clip),
                "measure": row.measure,
                "u95": row.u95,
                "error": row.value - true,
            }


def compared(rows: pd.DataFrame) -> pd.DataFrame:
    """A row a place and measure: `foretold, stated, rmse, covered, n`."""
    table = read_map()
    out = []
    for (place, measure), part in rows.groupby(["place", "measure"], sort=False):
        known = part.dropna(subset=["u95"])
        enough = 2 * len(known) >= len(part) and len(known) > 0
        out.append(
            {
                "place": place,
                "measure": measure,
                "foretold": known_at(table, AROUND[place])[measure],
                "stated": known["u95"].median() if enough else np.nan,
                "rmse": np.sqrt((known["error"] ** 2).mean()),
                "covered": int((known["error"].abs() <= known["u95"]).sum()),
                "n": len(known),
                "of": len(part),
            }
        )
    return pd.DataFrame(out)


def as_markdown(table: pd.DataFrame) -> str:
    """The comparison, a row a place and a column a measure."""
    names = [name for name in SHOWN if name in set(table["measure"])]
    heads = [f"{measure_label(name)}, {shown_unit(CATALOGUE[name].unit)[1]}" for name in names]
    lines = [f"| place | {' | '.join(heads)} |", "|---" * (len(names) + 1) + "|"]
    for place in AROUND:
        cells = []
        for name in names:
            row = table[(table["place"] == place) & (table["measure"] == name)].iloc[0]
            factor = shown_unit(CATALOGUE[name].unit)[0]
            cells.append(_cell(row, factor))
        lines.append(f"| {place} | {' | '.join(cells)} |")
    return "\n".join(lines)


def _cell(row: pd.Series, factor: float) -> str:
    def number(value: float) -> str:
        return "–" if not np.isfinite(value) else f"{factor * value:.3g}"

    text = f"{number(row['foretold'])} · {number(row['stated'])}"
    if not row["n"]:
        return text
    return f"{text} · {number(row['rmse'])} ({row['covered']} of {row['n']})"


def summary(table: pd.DataFrame) -> str:
    """How well the map foretells, in a line."""
    both = table.dropna(subset=["foretold", "stated"])
    ratio = both["foretold"] / both["stated"]
    near = (ratio - 1).abs() <= OFF
    alike = table["foretold"].isna() == table["stated"].isna()
    off = ", ".join(
        f"{row.place} {row.measure} {row.foretold / row.stated:.2f}"
        for row in both[~near].itertuples()
    )
    return (
        f"{len(both)} pairs; foretold over stated: median {ratio.median():.2f}, within a third"
        f" {near.sum()}; missing or given alike {alike.sum()} of {len(table)}."
        f" Intervals that hold: {table['covered'].sum()} of {table['n'].sum()}. Off: {off}"
    )


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(prog="python -m tests.places_check", description=__doc__)
    parser.add_argument("clips", nargs="+", type=Path)
    parser.add_argument("--results", type=Path, help="folder where results are kept")
    given = parser.parse_args()
    rows = pd.DataFrame([row for clip in given.clips for row in rows_of(clip, given.results)])
    table = compared(rows)
    print(as_markdown(table))
    print(summary(table))


if __name__ == "__main__":
    main()
