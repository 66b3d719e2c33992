"""Where a test clip's camera stands around the bench, and how sure measures would be from there."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from barpath.analysis.azimuth import BESIDE_DEG, MOST_U95_DEG, SQUARE_DEG
from barpath.analysis.filmfacts import FilmFacts
from barpath.analysis.madeset import MadeSetConfig
from barpath.analysis.madeview import Place
from barpath.analysis.placemap import known_at, read_map
from barpath.ground.uncertainty import expand, state_width
from barpath.lift.catalogue import CATALOGUE, measure_label, shown_unit

STEP_DEG = 30.0
SURER = 0.85
"""A measure is called surer elsewhere from this share of its half width on."""


def place_of(facts: FilmFacts) -> Place | None:
    """The camera's place on the map; None where it is not known, or the map does not hold it."""
    azimuth, height = facts.azimuth_deg, facts.height_m
    if not all(map(math.isfinite, (azimuth.value, height.value, facts.distance_m.value))):
        return None
    if expand(azimuth.sd) > MOST_U95_DEG or azimuth.value > BESIDE_DEG + SQUARE_DEG:
        return None
    usual = MadeSetConfig()
    distance_m = facts.distance_m.value
    if not facts.shows.both_ends:
        # Of the followed plate from aside, along the bar.
        beside = math.sin(math.radians(azimuth.value))
        nearer = -1.0 if facts.far else 1.0
        distance_m = distance_m / max(beside, 0.2) + nearer * usual.plates_inside_m * beside
    return Place(
        min(azimuth.value, BESIDE_DEG),
        float(usual.half_way_m[1]) + height.value,
        distance_m,
        width_px=facts.width_px,
        height_px=facts.height_px,
    )


def what_it_gives(facts: FilmFacts, table: pd.DataFrame | None = None) -> tuple[str, str] | None:
    """How sure measures would be from here, and what would be surer from elsewhere, in words.

    Parameters
    ----------
    facts : FilmFacts
    table : DataFrame, optional
        From `placemap.read_map`, read if not given.

    Returns
    -------
    tuple of str, or None
        None where the camera's place is not known, or is not on the map.
    """
    place = place_of(facts)
    if place is None:
        return None
    table = read_map() if table is None else table
    here = known_at(table, place)
    given = [_said(name, u95) for name, u95 in here.items() if math.isfinite(u95)]
    missing = [_named(name) for name, u95 in here.items() if not math.isfinite(u95)]
    value = ", ".join(given) + (f"; not known: {', '.join(missing)}" if missing else "")
    words = [
        _elsewhere(table, place, here, way)
        for way in (-STEP_DEG, STEP_DEG)
        if 0.0 <= place.azimuth_deg + way <= BESIDE_DEG
    ]
    return value, " ".join(one for one in words if one)


def _elsewhere(table: pd.DataFrame, place: Place, here: dict[str, float], way_deg: float) -> str:
    """What would be surer, or known at all, so many degrees further round."""
    there = known_at(table, replace(place, azimuth_deg=place.azimuth_deg + way_deg))
    surer = [
        _said(name, there[name])
        for name, u95 in here.items()
        if math.isfinite(there[name]) and (not math.isfinite(u95) or there[name] <= SURER * u95)
    ]
    if not surer:
        return ""
    where = "toward the feet" if way_deg < 0 else "to the side"
    return f"{abs(way_deg):.0f}° further {where}: {', '.join(surer)}."


def _named(name: str) -> str:
    label = measure_label(name)
    return label[0].lower() + label[1:]


def _said(name: str, u95: float) -> str:
    factor, unit = shown_unit(CATALOGUE[name].unit)
    return f"{_named(name)} ± {state_width(factor * u95, unit)}"
