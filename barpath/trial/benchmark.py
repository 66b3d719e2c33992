"""Accuracy figures on made images whose truth is exactly known.

The seeds used while the methods were being built and the seeds used for reporting are kept apart:
`TUNING_SEEDS` may be looked at as often as one likes, `REPORTING_SEEDS` only give the figures that
are stated.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from barpath.errors import BarNotFoundError
from barpath.sight.plate import PlateConfig
from barpath.sight.platefind import find_plate
from barpath.sight.platetrack import track_plate
from barpath.trial.artificial import PlateScene, camera_transforms, make_plate_clip

TUNING_SEEDS: tuple[int, ...] = tuple(range(1, 21))
REPORTING_SEEDS: tuple[int, ...] = (2001, 2002, 2003)

_CIRCLE = PlateScene(n_frames=60, lead_s=0.2, rep_s=1.8)
_ELLIPSE = replace(_CIRCLE, aspect=0.55, drift_px=8.0)

PLATE_CONDITIONS: Mapping[str, PlateScene] = {
    "circle": _CIRCLE,
    "circle, spotter near, camera shakes": replace(_CIRCLE, n_heads=2, shake_px=4.0),
    "circle, strong motion blur": replace(_CIRCLE, exposure_share=0.9),
    "circle, strong noise and compression": replace(_CIRCLE, noise_sd=9.0, jpeg_quality=50),
    "circle, 20 % behind an upright": replace(_CIRCLE, occluder="upright", hidden_share=0.2),
    "circle, up to 40 % behind a passer-by": replace(_CIRCLE, occluder="passer", hidden_share=0.4),
    "circle, 40 % behind an upright": replace(_CIRCLE, occluder="upright", hidden_share=0.4),
    "circle, light changes": replace(_CIRCLE, light_change=0.25),
    "ellipse": _ELLIPSE,
    "ellipse, grows by 4 %": replace(_ELLIPSE, size_growth=0.04),
    "ellipse, strong motion blur": replace(_ELLIPSE, exposure_share=0.9),
    "ellipse, 20 % behind an upright": replace(_ELLIPSE, occluder="upright", hidden_share=0.2),
    "ellipse, up to 40 % behind a passer-by": replace(
        _ELLIPSE, occluder="passer", hidden_share=0.4
    ),
    "small ellipse": replace(_ELLIPSE, major_px=40.0, travel_px=30.0, drift_px=4.0),
}
"""Made scenes that the plate is followed in; 640 x 360 px, 30 frames/s."""


def plate_centre_error(
    seeds: Sequence[int] = REPORTING_SEEDS,
    conditions: Mapping[str, PlateScene] = PLATE_CONDITIONS,
    config: PlateConfig | None = None,
) -> pd.DataFrame:
    """Error of the plate's centre against the truth of made clips.

    The plate is found without a click from every fifth frame and then followed through all frames.

    Parameters
    ----------
    seeds : sequence of int
        Seeds of the made clips, each used in every condition.
    conditions : mapping of str to PlateScene
    config : PlateConfig, optional

    Returns
    -------
    pandas.DataFrame
        One row a condition and a last row ``"all"``: ``condition``, ``clips``, ``found`` (clips in
        which the right plate was found), ``frames``, ``measured_share`` (frames not lost),
        ``median_px`` and ``p95_px`` of the distance between measured and true centre in the found
        clips, ``ellipse_median_px`` of the major axis' error, ``coverage_95`` (share of
        coordinates within 1.96 ``sd_px`` of the truth) and ``z_rms`` (root mean square of error
        over ``sd_px``; 1 when the stated uncertainty is right), ``ms_per_frame`` of the tracker.
    """
    pieces, rows = [], []
    for name, scene in conditions.items():
        errors = [_one_clip(replace(scene, seed=seed), config) for seed in seeds]
        table = pd.concat(errors, ignore_index=True)
        table["condition"] = name
        pieces.append(table)
        rows.append(_summary(name, table))
    rows.append(_summary("all", pd.concat(pieces, ignore_index=True)))
    return pd.DataFrame(rows)


def _one_clip(scene: PlateScene, config: PlateConfig | None) -> pd.DataFrame:
    """Errors frame by frame of one made clip."""
    frames, truth = make_plate_clip(scene)
    picks = list(range(0, len(frames), 5))
    empty = pd.DataFrame(
        {
            "seed": scene.seed,
            "dx_px": np.nan,
            "dy_px": np.nan,
            "sd_px": np.nan,
            "major_error_px": np.nan,
            "found": False,
            "ms": np.nan,
        },
        index=range(len(frames)),
    )
    try:
        seed = find_plate(
            [frames[k] for k in picks], config, transforms=camera_transforms(truth)[picks]
        )
    except BarNotFoundError:
        return empty
    there = truth.iloc[seed.index]
    away = np.hypot(seed.ellipse.x_px - there["x_px"], seed.ellipse.y_px - there["y_px"])
    if away > 0.25 * there["major_px"]:
        return empty
    start = time.process_time()
    table = track_plate(frames, seed, config)
    spent = (time.process_time() - start) / len(frames) * 1e3
    return pd.DataFrame(
        {
            "seed": scene.seed,
            "dx_px": table["x_px"] - truth["x_px"],
            "dy_px": table["y_px"] - truth["y_px"],
            "sd_px": table["sd_px"],
            "major_error_px": (table["major_px"] - truth["major_px"]).abs(),
            "found": True,
            "ms": spent,
        }
    )


def _summary(name: str, table: pd.DataFrame) -> dict[str, object]:
    clips = table.groupby(["condition", "seed"] if "condition" in table else "seed")[
        "found"
    ].first()
    found = table[table["found"]]
    measured = found.dropna(subset=["dx_px"])
    distance = np.hypot(measured["dx_px"], measured["dy_px"])
    z = np.concatenate([measured["dx_px"], measured["dy_px"]]) / np.tile(measured["sd_px"], 2)
    some = len(measured) > 0
    return {
        "condition": name,
        "clips": len(clips),
        "found": int(clips.sum()),
        "frames": len(found),
        "measured_share": len(measured) / len(found) if len(found) else 0.0,
        "median_px": float(distance.median()) if some else np.nan,
        "p95_px": float(distance.quantile(0.95)) if some else np.nan,
        "ellipse_median_px": float(measured["major_error_px"].median()) if some else np.nan,
        "coverage_95": float(np.mean(np.abs(z) <= 1.96)) if some else np.nan,
        "z_rms": float(np.sqrt(np.mean(z**2))) if some else np.nan,
        "ms_per_frame": float(found["ms"].mean()) if len(found) else np.nan,
    }


def format_plate_centre_error(table: pd.DataFrame, seeds: Sequence[int] = REPORTING_SEEDS) -> str:
    """`plate_centre_error`'s table as text.

    Parameters
    ----------
    table : pandas.DataFrame
    seeds : sequence of int
        The seeds that the table was made with.

    Returns
    -------
    str
    """
    kept_apart = not set(seeds) & set(TUNING_SEEDS)
    note = "kept apart from" if kept_apart else "NOT kept apart from"
    lines = [
        "Plate centre: distance from the truth of made clips (640 x 360 px), plate found unaided",
        f"Seeds {', '.join(map(str, seeds))}, {note} those used for tuning.",
        "",
        f"{'condition':<42}{'found':>7}{'seen':>7}{'median':>9}{'95th':>8}{'axis':>8}"
        f"{'in 95 %':>9}{'z rms':>7}",
        f"{'':<42}{'':>7}{'%':>7}{'px':>9}{'px':>8}{'px':>8}{'%':>9}{'':>7}",
    ]
    for row in table.itertuples():
        lines.append(
            f"{row.condition:<42}{f'{row.found}/{row.clips}':>7}{100 * row.measured_share:>7.0f}"
            f"{row.median_px:>9.2f}{row.p95_px:>8.2f}{row.ellipse_median_px:>8.2f}"
            f"{100 * row.coverage_95:>9.0f}{row.z_rms:>7.2f}"
        )
    return "\n".join(lines)
