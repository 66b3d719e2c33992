"""How far all lengths of a clip may be off together, from the drawn cameras."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from barpath.space.barparts import is_bare
from barpath.space.fittedcamera import Calibration
from barpath.space.pinhole import front_ends, side_points

BARE_REACH_PX = 50.0
"""About the path of a bar without plates, whose size in the picture is not known."""


@dataclass(frozen=True)
class Systematics:
    """How far the whole clip's lengths may be off together.

    Attributes
    ----------
    vertical_rel_sd, horizontal_rel_sd : float
        Relative standard uncertainty of vertical lengths, and of horizontal ones along the motion.
    tilt_sd_deg : float
        Standard uncertainty of the direction called vertical within the plane of motion.
    px_per_m : float
        Scale in the middle of the bar's path.
    """

    vertical_rel_sd: float
    horizontal_rel_sd: float
    tilt_sd_deg: float
    px_per_m: float


def side_systematics(calibration: Calibration, track: pd.DataFrame) -> Systematics:
    """How the side view's lengths may be off together, from the drawn cameras.

    A small cross of image points about the bar's path is mapped by every drawn camera and
    compared with the best one by a linear map; the spread of that map is the result.
    """
    centre = track[["x_px", "y_px"]].median().to_numpy(dtype=float)
    reach = BARE_REACH_PX if is_bare(track) else max(float(track["major_px"].median()) / 2, 1.0)
    steps = np.array([[-1, 0], [1, 0], [0, -1], [0, 1], [0, 0]], dtype=float)
    points = centre + steps * reach
    best = side_points(calibration.params, points, calibration.principal_px)
    maps = []
    for params in calibration.draws:
        other = side_points(params, points, calibration.principal_px)
        design = np.column_stack([best - best.mean(axis=0)])
        solution, *_ = np.linalg.lstsq(design, other - other.mean(axis=0), rcond=None)
        maps.append(solution.T)
    stack = np.array(maps)
    size = np.ptp(best[2:4, 1]) + 1e-12
    return Systematics(
        vertical_rel_sd=float(np.std(stack[:, 1, 1])),
        horizontal_rel_sd=float(np.std(stack[:, 0, 0])),
        tilt_sd_deg=float(np.rad2deg(np.std(stack[:, 0, 1]))),
        px_per_m=float(2 * reach / size),
    )


def front_systematics(calibration: Calibration, track: pd.DataFrame) -> Systematics:
    """How the front view's lengths may be off together, from the drawn cameras.

    `horizontal_rel_sd` is that of lengths across (grip width, offsets); `tilt_sd_deg` that of the
    bar's tilt.
    """
    rows = track[["image_left_x_px", "image_left_y_px", "image_right_x_px", "image_right_y_px"]]
    rows = rows.dropna().sort_values("image_left_y_px", kind="stable")
    picks = rows.iloc[[len(rows) // 10, len(rows) - 1 - len(rows) // 10]].to_numpy(dtype=float)
    heights, widths, tilts = [], [], []
    for params in np.vstack([calibration.params, calibration.draws]):
        left, right = front_ends(params, picks[:, :2], picks[:, 2:], calibration.principal_px)
        middle = (left + right) / 2
        heights.append(middle[0, 1] - middle[1, 1])
        widths.append(np.linalg.norm(right[0] - left[0]))
        tilts.append(np.arctan2(right[0, 1] - left[0, 1], right[0, 0] - left[0, 0]))
    gap_px = np.hypot(*(picks[0, 2:] - picks[0, :2]))
    return Systematics(
        vertical_rel_sd=float(np.std(heights[1:]) / abs(heights[0])),
        horizontal_rel_sd=float(np.std(widths[1:]) / widths[0]),
        tilt_sd_deg=float(np.rad2deg(np.std(tilts[1:]))),
        px_per_m=float(gap_px / widths[0]),
    )
