"""The map of camera places: how sure each measure would be, computed once and kept as a table.

`python -m barpath.trial.placegrid` computes it with `places.foretell`; here it is read, and asked
about a place.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.madeview import Place
from barpath.analysis.places import SHOWN

Floats = NDArray[np.float64]

MAP_FILE = Path(__file__).parents[1] / "assets" / "places.csv"
AXES = ("azimuth_deg", "height_m", "distance_m")
COLUMNS = (*AXES, "measure", "u95", "reason")


def read_map(file: Path = MAP_FILE) -> pd.DataFrame:
    """Read the map.

    Returns
    -------
    DataFrame
        `azimuth_deg, height_m, distance_m, measure, u95, reason`: a full grid of places; half width
        of the 95 % interval in the measure's unit of `lift.catalogue`, or NaN with the reason.
    """
    return pd.read_csv(file, comment="#", keep_default_na=False, na_values={"u95": [""]})


def known_at(table: pd.DataFrame, place: Place) -> dict[str, float]:
    """Half widths at a place, between those of the places around it.

    Parameters
    ----------
    table : DataFrame
        From `read_map`.
    place : Place
        Beyond the grid its edge counts.

    Returns
    -------
    dict of str to float
        By measure; NaN where most of the places around, by their weight, cannot give it.

    Examples
    --------
    >>> near, far = ((d, 0.02 * d) for d in (2.0, 4.0))
    >>> rows = [(0.0, 1.0, d, "grip_width_m", u95, "") for d, u95 in (near, far)]
    >>> known_at(pd.DataFrame(rows, columns=COLUMNS), Place(0.0, 1.0, 3.0))["grip_width_m"]
    0.06
    """
    weights = np.ones(1)
    keys: list[tuple[float, ...]] = [()]
    for axis in AXES:
        steps = np.unique(table[axis].to_numpy(dtype=float))
        at = float(np.clip(getattr(place, axis), steps[0], steps[-1]))
        share = np.array([np.interp(at, steps, one) for one in np.eye(len(steps))])
        used = np.flatnonzero(share)
        weights = np.outer(weights, share[used]).ravel()
        keys = [(*key, steps[k]) for key in keys for k in used]
    rows = table.set_index(list(AXES))
    found = {}
    for name in table["measure"].unique():
        here = rows.loc[rows["measure"] == name, "u95"]
        u95 = np.array([here.loc[key] for key in keys], dtype=float)
        known = np.isfinite(u95)
        share = weights[known].sum()
        found[name] = float(weights[known] @ u95[known] / share) if share >= 0.5 else np.nan
    return {name: found[name] for name in SHOWN if name in found}
