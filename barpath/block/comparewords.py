"""What a comparison of setups comes to, in words."""

from __future__ import annotations

import pandas as pd

from barpath.ground.uncertainty import rounded, state, state_width
from barpath.lift.catalogue import measure_label, shown_unit

LEVEL_WORDS = {
    "sessions": "rests on how the difference varies from session to session",
    "sets": "rests on sets of too few sessions: it speaks for those days only",
    "reps": "rests on repetitions of too few sets and on how far the tool may be off: it speaks for"
    " those sets only",
    "one": "rests on how far the tool may be off alone: it speaks for those repetitions only",
}


def in_words(row: pd.Series) -> str:
    """Say a row of `compare` so that a lifter understands it.

    Parameters
    ----------
    row : Series

    Returns
    -------
    str
        One or two sentences.
    """
    label = measure_label(row["measure"]) + (f" ({row['side']})" if row["side"] else "")
    a, b = row["level_a"], row["level_b"]
    if row["verdict"] == "missing":
        return f"{label}: cannot be compared. {row['reason']}".strip()
    factor, unit = shown_unit(row["unit"])
    width = (row["high"] - row["low"]) / 2
    amount = state(abs(factor * row["difference"]), factor * width, unit)
    least = state_width(factor * row["sdc"], unit)
    way = "more" if row["difference"] > 0 else "less"
    match row["verdict"]:
        case "clear":
            text = (
                f"{label}: {amount} {way} with {b} than with {a}; larger than the {least} that two"
                " sets done alike may differ by."
            )
        case "on average":
            text = (
                f"{label}: {amount} {way} with {b} than with {a} on average over these sets; a"
                f" single set against a single set could not show it, for they differ by up to"
                f" {least} when done alike."
            )
        case "none seen":
            text = (
                f"{label}: no difference between {a} and {b} that is larger than two sets done"
                f" alike may differ by ({least})."
            )
        case _:
            text = (
                f"{label}: what was measured leaves open whether {a} and {b} differ; the difference"
                f" may lie anywhere from {rounded(factor * row['low'], factor * width)[0]} to"
                f" {rounded(factor * row['high'], factor * width)[0]} {unit}".rstrip()
                + "."
            )
    if row["design"].startswith("different"):
        text += " The loads differ, so part of this may be the load's doing."
    if row["level"] in ("reps", "one") and row["verdict"] == "clear":
        text += " It is one set against another, and another day may show otherwise."
    if row["verdict"] in ("clear", "on average") and row["q"] > 0.05:
        text += " Among so many measures this may be chance."
    if row["poor_share"] > 0.5:
        text += " Most of its values are poor, so take it as a hint."
    if abs(row["missing_a"] - row["missing_b"]) > 0.25:
        text += " It is missing much more often in one of the two, which may bias it."
    return text
