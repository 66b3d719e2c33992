"""Where the camera stood around the bench, from the camera and the place of the bar in the picture.

In: a `Calibration` and a steadied image point, px. Out: degrees around the bar's middle.
"""

import numpy as np
from numpy.typing import NDArray

from barpath.space.fittedcamera import Calibration
from barpath.space.pinhole import SIDE_PARAMETERS, disc_centres, front_axes, rays, side_geometry

Floats = NDArray[np.float64]


def azimuth_deg(calibration: Calibration, at_px: Floats, head: int) -> tuple[float, float]:
    """Azimuth of the camera around the bar's middle: 0 from the feet, 90 in line with the bar.

    Parameters
    ----------
    calibration : Calibration
    at_px : ndarray, shape (2,)
        What was followed, steadied image: the plate's outline, the middle of a bare bar; from the
        feet, the middle between both ends.
    head : {-1, 0, 1}
        Which way the head lies in the picture, image right 1; not asked from the feet.

    Returns
    -------
    value, sd : float
        Degrees, 0 to 180; the standard deviation over the calibration's draws. NaN where it is not
        known which way the head lies.
    """
    of = _from_feet if calibration.shows.both_ends else _from_aside
    value = of(calibration, calibration.params, at_px, head)
    draws = np.array([of(calibration, one, at_px, head) for one in calibration.draws])
    return value, float(np.std(draws)) if len(draws) else float("nan")


def _from_feet(calibration: Calibration, params: Floats, at_px: Floats, head: int) -> float:
    yaw, pitch, roll, log_focal = params[:4]
    _, across, along = front_axes(yaw, pitch, roll)
    sight = rays(at_px[None], calibration.principal_px, np.exp(log_focal))[0]
    return float(np.rad2deg(np.arctan2(abs(sight @ across), sight @ along)))


def _from_aside(calibration: Calibration, params: Floats, at_px: Floats, head: int) -> float:
    if not head:
        return float("nan")
    geometry = side_geometry(params)
    centre = disc_centres(geometry, at_px[None], calibration.principal_px)[0]
    inward_m = params[SIDE_PARAMETERS.index("outline_m")] * (-1.0 if calibration.far else 1.0)
    beside_m = abs(centre @ geometry.across + inward_m)
    # The bar lies so far toward the head from the camera.
    ahead_m = head * (centre @ geometry.along)
    return float(np.rad2deg(np.arctan2(beside_m, ahead_m)))
