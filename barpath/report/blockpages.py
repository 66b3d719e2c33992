"""The pages of a training block: one for the coach and one for each lifter."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd

from barpath.block import blockstore, drift, loadvelocity
from barpath.block.compare import compare, levels_of
from barpath.block.comparewords import in_words
from barpath.errors import BarpathError
from barpath.ground.uncertainty import state
from barpath.lift.catalogue import measure_label, shown_unit
from barpath.report import blockplots
from barpath.report.beside import TOPICS, headline
from barpath.report.blockwords import (
    VERDICT_WORDS,
    block_page,
    days_in_words,
    five_differences,
    five_of,
    lone,
    side_of,
    speeds_of,
)
from barpath.report.pages import clean, plural

COACH_PAGE = "coach.html"
MAX_FLAGS = 25
MAX_FAILURES_SHOWN = 5


def block_files(folder: Path, by: str = "technique") -> dict[str, bytes]:
    """Write the pages of a block: one for the coach and one for each lifter.

    Parameters
    ----------
    folder : Path
        The block's folder, or its table.
    by : str
        Column with the setups.

    Returns
    -------
    dict of str to bytes

    Raises
    ------
    BarpathError
        There is no block, or no such column.
    """
    table = blockstore.read_table(folder)
    lifters = sorted(table["lifter"].unique())
    names = _page_names(lifters)
    try:
        levels_of(table, by)
        compared = compare(table, by)
    except BarpathError:
        compared = None
    flagged = drift.flags(table, by)
    trends = drift.trends(table, by)
    lines = loadvelocity.lines(table, by)
    failures = _failures(folder)
    files = {
        COACH_PAGE: coach_html(table, compared, flagged, lines, failures, names).encode(
            "utf-8", "replace"
        )
    }
    for lifter in lifters:
        text = lifter_html(
            lifter,
            table[table["lifter"] == lifter],
            compared,
            flagged[flagged["lifter"] == lifter],
            trends[trends["lifter"] == lifter],
            by,
        )
        files[names[lifter]] = text.encode("utf-8", "replace")
    return files


def _page_names(lifters: Sequence[str]) -> dict[str, str]:
    names: dict[str, str] = {}
    for lifter in lifters:
        stem = re.sub(r"[^a-z0-9]+", "-", clean(lifter).lower()).strip("-") or "lifter"
        name, n = f"lifter-{stem}.html", 2
        while name in names.values():
            name, n = f"lifter-{stem}-{n}.html", n + 1
        names[lifter] = name
    return names


def _failures(folder: Path) -> pd.DataFrame:
    table = blockstore.read_list(folder, "failures.csv", ("clip", "failure"))
    return pd.DataFrame(columns=["clip", "failure"]) if table is None else table


# --- the coach's page -----------------------------------------------------------------------------


def coach_html(
    table: pd.DataFrame,
    compared: pd.DataFrame | None,
    flagged: pd.DataFrame,
    lines: pd.DataFrame,
    failures: pd.DataFrame,
    pages: Mapping[str, str],
) -> str:
    """The coach's page: who did what, what stands out, and what could not be measured."""
    clear = None
    if compared is not None:
        sure = compared[compared["verdict"] == "clear"]
        clear = [f"{row['lifter']}: {in_words(row)}" for _, row in sure.iterrows()]
    clips, reps = blockstore.n_clips(table), len(table)
    return block_page(
        "coach.html",
        title="The block, for the coach",
        about=f"{plural(clips, 'clip')}, {plural(reps, 'filmed repetition')}{days_in_words(table)}",
        measured=_measured_in_words(table, failures),
        failed=[f"{row.clip}: {row.failure}" for row in failures.itertuples()],
        n_shown=MAX_FAILURES_SHOWN,
        differing=None if compared is None else _differing(compared),
        pages=[(quote(name), lifter) for lifter, name in pages.items()],
        lifters=_lifter_rows(table, compared, flagged, lines),
        clear=clear,
        flags=_flags(flagged),
        failures=[
            {"label": clip, "unit": "", "cells": [failure]}
            for clip, failure in failures[["clip", "failure"]].to_numpy().tolist()
        ],
    )


def _lifter_rows(
    table: pd.DataFrame,
    compared: pd.DataFrame | None,
    flagged: pd.DataFrame,
    lines: pd.DataFrame,
) -> list[dict[str, Any]]:
    rows = []
    for lifter in sorted(table["lifter"].unique()):
        own = table[table["lifter"] == lifter]
        loads, clear = own["load_kg"], 0
        if compared is not None:
            clear = int(((compared["lifter"] == lifter) & (compared["verdict"] == "clear")).sum())
        cells = [
            str(own["session"].nunique()),
            str(own["set_id"].nunique()),
            str(len(own)),
            f"{loads.min():g} to {loads.max():g} kg" if loads.notna().any() else "–",
            _maximum(lines[(lines["lifter"] == lifter) & (lines["level"] == "")]),
            str(clear),
            str(int((flagged["lifter"] == lifter).sum())),
        ]
        rows.append({"label": lifter, "unit": "", "cells": cells})
    return rows


def _maximum(line: pd.DataFrame) -> str:
    """The estimated maximum of a lifter, from the line over all sets."""
    if line.empty or line.iloc[0]["reason"]:
        return "–"
    first = line.iloc[0]
    return (
        f"{first['one_rm_kg']:.0f} kg ({first['one_rm_low_kg']:.0f} to"
        f" {first['one_rm_high_kg']:.0f})"
    )


def _measured_in_words(table: pd.DataFrame, failures: pd.DataFrame) -> str:
    clips = plural(blockstore.n_clips(table), "clip")
    text = f"{clips} of {plural(table['lifter'].nunique(), 'lifter')} measured"
    return f"{text}, {len(failures)} could not be" if len(failures) else f"{text}, every one"


def _differing(compared: pd.DataFrame) -> list[str]:
    """For each lifter and pair of setups that differ, the headline."""
    said = []
    for (lifter, first, second), rows in compared.groupby(
        ["lifter", "level_a", "level_b"], sort=False
    ):
        found, _ = five_differences(rows)
        if any(one.clear for one in found):
            said.append(f"{lifter}, {headline(found, first, second)[0]}")
    return said


def _flags(flagged: pd.DataFrame) -> dict[str, Any]:
    """Repetitions far from their lifter's usual, as rows, and how many more there are."""
    rows = []
    for _, row in flagged.head(MAX_FLAGS).iterrows():
        factor, unit = shown_unit(row["unit"])
        cells = [
            row["lifter"],
            measure_label(row["measure"]) + side_of(row),
            state(factor * row["value"], factor * row["u95"], unit),
            f"{lone(row['usual'], factor)} {unit}",
        ]
        rows.append({"label": f"{row['clip']}, rep {row['rep']}", "unit": "", "cells": cells})
    return {"rows": rows, "more": len(flagged) - len(rows)}


# --- a lifter's page ------------------------------------------------------------------------------


def lifter_html(
    lifter: str,
    table: pd.DataFrame,
    compared: pd.DataFrame | None,
    flagged: pd.DataFrame,
    trends: pd.DataFrame,
    by: str,
) -> str:
    """The page of one lifter over the block.

    Parameters
    ----------
    lifter : str
    table : DataFrame
        The block's table, of this lifter.
    compared : DataFrame or None
        From `compare.compare`; None when there is nothing to compare.
    flagged, trends : DataFrame
        From `drift.flags` and `drift.trends`, of this lifter.
    by : str
        Column with the setups.

    Returns
    -------
    str
    """
    names = blockstore.measures_in(table)
    asked = {measure for topic in TOPICS for measure in topic.measures}
    first = [name for name in names if blockstore.measure_of(name)[0] in asked]
    said = [
        (row["measure"], sentence)
        for _, row in trends.iterrows()
        if (sentence := drift.trend_in_words(row))
    ]
    n_drifts = int((trends["reason"] == "").sum())
    own = None if compared is None else compared[compared["lifter"] == lifter]
    return block_page(
        "lifter.html",
        title=lifter,
        about=f"{plural(table['session'].nunique(), 'session')},"
        f" {plural(table['set_id'].nunique(), 'set')},"
        f" {plural(len(table), 'filmed repetition')}{days_in_words(table)}",
        setups=[] if own is None else _setups(own),
        weeks=blockplots.sessions_picture(table, first, by, n_columns=2),
        over_weeks=[sentence for measure, sentence in said if measure in asked],
        drifts=[sentence for _, sentence in said],
        n_drifts=n_drifts,
        by_chance=max(1, round(n_drifts / 20)),
        speeds=speeds_of(table, by),
        every=None if own is None else _every(own),
        days=blockplots.sessions_picture(table, names, by),
        flags=_flags(flagged),
        measures=_measured_share(table, names),
    )


def _setups(compared: pd.DataFrame) -> list[tuple[str, dict[str, Any]]]:
    """For each pair of setups of a lifter its title and what `five_of` says."""
    pairs = compared.groupby(["level_a", "level_b"], sort=False)
    told = [(f"{first} and {second}", five_of(rows)) for (first, second), rows in pairs]
    return [(title, five) for title, five in told if five is not None]


def _every(compared: pd.DataFrame) -> list[str]:
    """Every measure with every pair of setups in words, the surest first."""
    known = compared[compared["verdict"] != "missing"]
    order = list(VERDICT_WORDS)
    ranked = known.assign(rank=known["verdict"].map(order.index)).sort_values("rank", kind="stable")
    return [in_words(row) for _, row in ranked.iterrows()]


def _measured_share(table: pd.DataFrame, names: Sequence[str]) -> list[dict[str, Any]]:
    rows = []
    for name in names:
        gone = (table[f"{name}_quality"] == "missing").to_numpy()
        poor = (table[f"{name}_quality"] == "poor").to_numpy()
        reasons = table.loc[gone, f"{name}_reason"].value_counts()
        measure, side = blockstore.measure_of(name)
        cells = [
            f"{1 - gone.mean():.0%}",
            f"{poor.mean():.0%}",
            str(reasons.index[0]) if len(reasons) else "",
        ]
        label = measure_label(measure) + side_of({"side": side})
        rows.append({"label": label, "unit": "", "cells": cells})
    return rows
