"""What the pages of a block have in common: their frame, and what they say of setups and speeds."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from barpath.block import loadvelocity
from barpath.block.comparewords import in_words
from barpath.ground.uncertainty import rounded, state
from barpath.report import blockplots
from barpath.report.beside import NOT_THERE, TOPICS, Difference, headline
from barpath.report.blockplots import differences_picture
from barpath.report.pages import render

VERDICT_WORDS = {
    "clear": "clear",
    "on average": "on average only",
    "none seen": "none seen",
    "open": "left open",
    "missing": "not measured",
}
CAUTIONS = (
    "Bench with a spotter, or inside safeties at the right height: a camera catches no bar.",
    "Pain means stop. Have it looked at by a clinician before you press on it again.",
    "Nothing here promises to prevent an injury, and a faster or straighter press is not"
    " thereby a safer one.",
    "An estimated maximum is arithmetic on lighter sets. It is no permission to load it: work"
    " up with spotters, and stop when a set is not what it should be.",
    "Whether a lift counts is decided by the federation's current rule book and its referees.",
    "Setups were not dealt out by chance, nor blind: what else changed along with them shows in"
    " the differences as well.",
)
_STYLE = ".wide { margin-top: 1rem; }\n.wide .plot img { max-width: 68rem; }\n"


def block_page(template: str, **context: Any) -> str:
    """A page of a block as a whole HTML document, from a template that extends `block.html`."""
    media = "media-src file: 'self'; "
    return render(template, cautions=CAUTIONS, more_style=_STYLE, media=media, **context)


def days_in_words(table: pd.DataFrame) -> str:
    """From which day to which a block goes, after a comma; empty where no day is known."""
    days = sorted(d for d in table["date"].unique() if d)
    return f", {days[0]} to {days[-1]}" if days else ""


def side_of(row: Any) -> str:
    """Which arm a row is of, in brackets; empty where it is of none."""
    return f" ({row['side']})" if row["side"] else ""


def lone(value: float, factor: float = 1.0) -> str:
    """A number whose uncertainty is not known, in a unit `factor` times smaller."""
    return rounded(factor * value, math.nan)[0]


# --- setups ---------------------------------------------------------------------------------------


def five_of(rows: pd.DataFrame) -> dict[str, Any] | None:
    """The differences that matter most, as one picture and in words; None where none is known.

    Parameters
    ----------
    rows : DataFrame
        Rows of `compare.compare` for one lifter and pair of setups.
    """
    found, words = five_differences(rows)
    if not any(one.known for one in found):
        return None
    first, second = rows.iloc[0][["level_a", "level_b"]]
    head, detail = headline(found, first, second)
    picture = differences_picture([(second, found)], first)
    return {"head": head, "detail": detail, "picture": picture, "words": words}


def five_differences(rows: pd.DataFrame) -> tuple[list[Difference], list[str]]:
    """The topics of `beside` out of a comparison, and each in the comparison's own words.

    Parameters
    ----------
    rows : DataFrame
        Rows of `compare.compare` for one lifter and pair of setups.

    Returns
    -------
    differences, sentences
        Of a measure of both arms the mean, with the wider of the two intervals, since errors of
        both arms are alike. The intervals hold what the tool may be off by.
    """
    found, said = [], []
    for topic in TOPICS:
        own = rows[rows["measure"].isin(topic.measures)]
        known = own[own["verdict"] != "missing"]
        if known.empty:
            reason = str(own["reason"].iloc[0]) if len(own) else NOT_THERE
            found.append(Difference(topic, reason=reason))
            continue
        half = float(((known["high"] - known["low"]) / 2).max())
        found.append(Difference(topic, float(known["difference"].mean()), half))
        said += [in_words(row) for _, row in known.iterrows()]
    return found, said


# --- speeds ---------------------------------------------------------------------------------------


def speeds_of(table: pd.DataFrame, by: str) -> dict[str, Any] | None:
    """Load and speed of one lifter: sentences and a picture, or why there is none.

    Parameters
    ----------
    table : DataFrame
        The block's table, of one lifter.
    by : str
        Column with the setups.

    Returns
    -------
    dict or None
        `reason`, or `words` and `picture`; None where there is nothing to say.
    """
    fastest = loadvelocity.fastest_of_sets(table, by)
    if fastest["load_kg"].nunique() < 2:
        text = "Sets at different loads, with their loads in the sheet, would show it."
        return {"reason": text} if len(table) else None
    picture = blockplots.speed_picture(fastest)
    if picture is None:
        return None
    told = loadvelocity.lines(table, by)
    words = [speed_in_words(row) for _, row in told.iterrows()]
    return {"reason": "", "words": words, "picture": picture}


def speed_in_words(row: pd.Series) -> str:
    """Say a row of `loadvelocity.lines`.

    Parameters
    ----------
    row : Series

    Returns
    -------
    str
    """
    who = f"With {row['level']}" if row["level"] else "Over all sets"
    if row["reason"]:
        return f"{who}: no estimate of a maximum. {row['reason']}"
    slope = state(-row["slope_m_s_per_10_kg"], row["slope_u95"], "m/s")
    text = (
        f"{who} the bar is {slope} slower for every 10 kg more; the line would reach the speed of a"
        f" maximum at {row['one_rm_kg']:.0f} kg (from {row['one_rm_low_kg']:.0f} to"
        f" {row['one_rm_high_kg']:.0f} kg). By the published general equation the heaviest sets"
        f" speak for {row['general_one_rm_kg']:.0f} kg."
    )
    if row["beyond"] > 0.15:
        text += f" That is {row['beyond']:.0%} beyond the heaviest set, where nothing was measured."
    return text
