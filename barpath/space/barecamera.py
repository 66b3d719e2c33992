"""The camera from the parts of a bar without plates, seen from the side or aslant."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from barpath.errors import BarNotFoundError
from barpath.space.barparts import BarMisses, BarReadings
from barpath.space.fittedcamera import (
    Calibration,
    CalibrationConfig,
    Level,
    drawn,
    focal_guess_px,
    principal_point_px,
)
from barpath.space.pinhole import SIDE_PARAMETERS, side_geometry

Floats = NDArray[np.float64]


STARTS_DEG = (5.0, -5.0, 45.0, -45.0)
"""Turns of the bar to the line of sight from which fits start."""


def calibrate_bare(
    size_px: tuple[int, int],
    level: Level,
    view: str,
    bar: Sequence[BarReadings],
    config: CalibrationConfig,
) -> Calibration:
    """Camera of a side or oblique view from the parts of a bar without plates.

    The point followed, the middle of both hands, is near the bar's middle. Seen from the side the
    bar's two halves look differently large, which gives its distance, while the scale hangs on the
    focal length; at an angle the shaft is a ruler across the picture.

    Parameters
    ----------
    size_px : tuple of int
        Width and height of the image.
    level : Level
    view : {'side', 'oblique'}
    bar : sequence of BarReadings
        As for `platecamera.calibrate_side`.
    config : CalibrationConfig

    Returns
    -------
    Calibration

    Raises
    ------
    BarNotFoundError
        When the bar's ends were read in too few frames to give a scale.
    """
    principal = principal_point_px(*size_px)
    focal = focal_guess_px(config, *size_px)
    n_params = len(SIDE_PARAMETERS)
    prior = _prior(focal, level, config)
    fits = []
    for one in bar:
        misses = BarMisses(one, focal / config.bare_distance_m, config)
        if misses.n_frames < config.least_bar_frames:
            continue

        def residuals(values: Floats, misses: BarMisses = misses) -> Floats:
            params = values[:n_params]
            parts = misses(params, side_geometry(params), values[n_params:], principal, 1.0)
            return np.concatenate([*parts, (params - prior[:, 0]) / prior[:, 1]])

        for yaw_deg in STARTS_DEG:
            start = np.r_[prior[:, 0], np.zeros(misses.n_own)]
            start[0] = np.deg2rad(yaw_deg)
            start[3] += np.log(np.cos(start[0]))
            found = least_squares(
                residuals, start, loss="soft_l1", x_scale="jac", max_nfev=config.max_steps
            )
            fits.append((found, one.end))
    if not fits:
        raise BarNotFoundError("The bar's ends were read in too few frames to give a scale.")
    best, end = min(fits, key=lambda fit: fit[0].cost)
    return Calibration(
        view=view,
        names=SIDE_PARAMETERS,
        params=best.x[:n_params],
        draws=drawn(best.x, best.jac, config)[:, :n_params],
        principal_px=principal,
        plate_check_mm=np.nan,
        roll_source=level.roll_source,
        end=end,
        far=False,
    )


def _prior(focal_px: float, level: Level, config: CalibrationConfig) -> Floats:
    """Mean and standard uncertainty of each of `SIDE_PARAMETERS`, (11, 2); the plate's are idle."""
    return np.array(
        [
            (0.0, np.deg2rad(config.yaw_sd_deg)),
            level.pitch_rad(config.pitch_sd_deg),
            level.roll_rad(config.roll_sd_deg),
            (np.log(config.bare_distance_m), config.bare_distance_rel_sd),
            (np.log(focal_px), config.focal_rel_sd),
            (np.log(1e-3), 1e-3),
            (0.0, 1.0),
            (0.0, 1.0),
            (0.0, 1e-3),
            config.bare_outline_m,
            (0.0, 1.0),
        ]
    )
