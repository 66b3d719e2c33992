"""Facts of a test clip become a verdict and words for each item."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from barpath.analysis.filmfacts import Fact, FilmConfig, FilmFacts
from barpath.analysis.filmplace import what_it_gives
from barpath.ground.uncertainty import expand, state

GOOD, CHANGE, UNKNOWN = "good", "change", "cannot tell"


def advise(facts: FilmFacts, config: FilmConfig | None = None) -> pd.DataFrame:
    """Say of each item whether it is well, and what to change.

    Parameters
    ----------
    facts : FilmFacts
    config : FilmConfig, optional

    Returns
    -------
    DataFrame
        `item, value` (in words), `verdict` (`good`, `change`, `cannot tell`), `words`. How sure
        measures would be is said only where it can be told from where the camera looks.
    """
    config = config or FilmConfig()
    table = pd.DataFrame(
        [
            _rate(facts, config),
            _size(facts, config),
            _whole(facts),
            _height(facts, config),
            _roll(facts, config),
            _angle(facts, config),
            _shutter(facts, config),
            _standing(facts),
            _lifter(facts, config),
        ]
    )
    given = what_it_gives(facts)
    if given is None:
        return table
    row = _row("how sure measures would be from here", given[0], GOOD, given[1])
    return pd.concat([table, pd.DataFrame([row])], ignore_index=True)


def _rate(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    verdict = GOOD
    if facts.fps >= config.good_fps:
        words = ""
    elif facts.fps >= config.least_fps:
        words = "It will do; 60 frames a second give finer times and speeds."
    else:
        words, verdict = "Set the phone to 60 frames a second, or at least 30.", CHANGE
    if facts.variable_rate:
        words = f"{words} The rate varies; the frames' own times are used.".strip()
    return _row("frame rate", f"{facts.fps:.1f} frames a second", verdict, words)


def _size(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    size = facts.plate_px
    item, value = "plate in the picture", f"{size:.0f} pixels across"
    if size >= config.good_plate_px:
        return _row(item, value, GOOD, "")
    if not facts.whole:
        words = "Film with more pixels; the picture leaves no room to go closer."
        return _row(item, value, CHANGE, words)
    closer = config.good_plate_px / size
    words = f"Go about {closer:.1f} times closer, or film with more pixels."
    if size >= config.least_plate_px:
        words += " It can be measured as it is, less finely."
    return _row(item, value, CHANGE, words)


def _whole(facts: FilmFacts) -> dict[str, Any]:
    both = facts.shows.both_ends
    what = "both ends of the bar with their plates" if both else "the plate"
    if facts.whole:
        value = f"{what} {'stay' if both else 'stays'} in the picture"
        return _row("all in view", value, GOOD, "")
    value = f"{what} {'leave' if both else 'leaves'} the picture"
    words = f"Step back or turn the camera until {what} can be seen all the way."
    return _row("all in view", value, CHANGE, words)


def _roll(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    roll = facts.roll_deg
    verdict = _sided(roll, 0.0, config.roll_deg)
    words = ""
    if verdict == CHANGE:
        turn = "counter-clockwise" if roll.value < 0 else "clockwise"
        words = (
            f"Turn the phone by {abs(roll.value):.0f} degrees, so that what it shows turns {turn}."
        )
    value = state(roll.value, expand(roll.sd), "degrees")
    return _row("camera roll", value, verdict, words)


def _standing(facts: FilmFacts) -> dict[str, Any]:
    if facts.steady:
        return _row("camera", "stands still", GOOD, "")
    return _row("camera", "moves", CHANGE, "Use a tripod, or lean the phone on something.")


def _row(item: str, value: str, verdict: str, words: str) -> dict[str, Any]:
    return {"item": item, "value": value, "verdict": verdict, "words": words}


def _sided(fact: Fact, aim: float, slack: float) -> str:
    """Whether a value is within its slack of the aim; not said of one that is hardly known."""
    if not math.isfinite(fact.value):
        return UNKNOWN
    if expand(fact.sd) > 2 * slack and abs(fact.value - aim) <= expand(fact.sd):
        return UNKNOWN
    if abs(fact.value - aim) <= slack:
        return GOOD
    return CHANGE if abs(fact.value - aim) > expand(fact.sd) else UNKNOWN


def _height(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    aim = config.front_height_m if facts.shows.over_thighs else config.side_height_m
    fact = facts.height_m
    verdict = _sided(fact, aim, config.height_slack_m)
    off = fact.value - aim
    words = ""
    if verdict == CHANGE:
        way = "Lower" if off > 0 else "Raise"
        words = f"{way} the camera by about {10 * round(10 * abs(off)):.0f} cm."
    elif verdict == UNKNOWN and math.isfinite(off):
        words = "How high the camera stands is not known well enough to say."
    if not math.isfinite(fact.value):
        return _row("camera height", "–", UNKNOWN, fact.reason)
    value = state(100 * fact.value, 100 * expand(fact.sd), "cm over the bar half way up")
    return _row("camera height", value, verdict, words)


def _angle(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    from_feet = facts.shows.widths
    slack = config.front_angle_deg if from_feet else config.side_angle_deg
    # A circle looks alike from both sides, so only how far, not which way, is sure.
    size = Fact(abs(facts.angle_deg.value), facts.angle_deg.sd)
    verdict = _sided(size, 0.0, slack)
    words = ""
    if verdict == CHANGE:
        where = "straight behind the feet" if from_feet else "in line with the bar"
        aside = math.tan(math.radians(size.value)) * facts.distance_m.value
        words = f"Move the camera about {10 * round(10 * aside):.0f} cm sideways, to stand {where}."
    value = state(size.value, expand(size.sd), "degrees out of square")
    return _row("angle to the bar's plane", value, verdict, words)


def _shutter(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    fact = facts.exposure_s
    if not math.isfinite(fact.value):
        return _row("shutter blur", "–", UNKNOWN, fact.reason)
    smear_m = fact.value * facts.peak_m_s
    about = "shorter than can be told" if fact.value < 5e-4 else f"about 1/{1 / fact.value:.0f} s"
    value = f"exposure {about}, smear {1000 * smear_m:.0f} mm at the bar's fastest"
    if smear_m <= config.smear_m:
        return _row("shutter blur", value, GOOD, "")
    return _row(
        "shutter blur", value, CHANGE, "More light, or a shorter exposure if it can be set."
    )


def _lifter(facts: FilmFacts, config: FilmConfig) -> dict[str, Any]:
    if not facts.joints or max(facts.joints.values()) < config.least_confidence:
        return _row(
            "lifter",
            "no lifter found",
            CHANGE,
            "Film a repetition with the lifter on the bench, trunk and both arms in view.",
        )
    apart = facts.shows.arms_apart
    wanted = [name for name in facts.joints if apart or name.startswith(facts.near)]
    hidden = [name for name in wanted if facts.joints[name] < config.least_confidence]
    if not hidden:
        return _row("lifter", "arms and trunk are seen", GOOD, "")
    value = f"hardly seen: {', '.join(name.replace('_', ' ') for name in hidden)}"
    if facts.shows.over_thighs:
        words = "Film from higher, so that the thighs hide less."
        return _row("lifter", value, CHANGE, words)
    if any(name.endswith("shoulder") for name in hidden):
        words = "Keep the shoulder clear of uprights, people and clothes that hide it."
        return _row("lifter", value, CHANGE, words)
    words = "Large plates hide the near arm from the side; a front clip of the set shows it."
    return _row("lifter", value, GOOD, words)


def as_text(facts: FilmFacts, table: pd.DataFrame) -> str:
    """Film check as lines for a terminal.

    Parameters
    ----------
    facts : FilmFacts
    table : DataFrame
        From `advise`.
    """
    lines = [f"{facts.view} view, {facts.width_px} x {facts.height_px} pixels"]
    for row in table.itertuples():
        words = f" {row.words}" if row.words else ""
        lines.append(f"  {row.verdict}: {row.item}, {row.value}.{words}")
    changes = int((table["verdict"] == CHANGE).sum())
    lines.append("Ready to film." if not changes else f"{changes} to change, then film again.")
    lines.append("Use safeties or a spotter while testing the camera too.")
    return "\n".join(lines)
