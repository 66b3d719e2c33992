"""The elbow below the plate, in a side view.

With the bar on the chest the near plate hides the arm from the side, and a pose network guesses.
But the elbow is the lowest part of the arm and often shows below the plate's rim. What is there now
and was not while the bar was up is the elbow.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.frames import Frame

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ElbowConfig:
    """Settings of the search. Lengths on the scale of the plate.

    Attributes
    ----------
    beyond : float
        Search outside the plate's outline made larger by this factor.
    deep_m, wide_m : float
        How far below the outline, and to each side of the plate's middle, an elbow can be.
    changed_levels : float
        Levels by which the elbow's colour differs from what was there, shadow allowed for.
    least_width_m, most_width_m, least_depth_m : float
        Size of what is seen of an elbow.
    low_part_m : float
        Its middle is taken over so much of its lowest part.
    up_m, low_m : float
        The bar counts as up, and as low, so close to the set's highest and lowest place.
    """

    beyond: float = 1.03
    deep_m: float = 0.115
    wide_m: float = 0.20
    changed_levels: float = 14.0
    least_width_m: float = 0.035
    most_width_m: float = 0.16
    least_depth_m: float = 0.025
    low_part_m: float = 0.035
    up_m: float = 0.06
    low_m: float = 0.05


def elbow_below_plate(
    image: NDArray[np.uint8],
    before: NDArray[np.uint8],
    plate_px: Floats,
    plate_m: float,
    config: ElbowConfig | None = None,
) -> Floats:
    """Lowest point of the elbow that shows below the near plate.

    Parameters
    ----------
    image : ndarray, shape (h, w, 3)
        With the bar low.
    before : ndarray, shape (h, w, 3)
        With the bar up, from the same place.
    plate_px : ndarray, shape (5,)
        Outline of the near plate in `image`: centre, full axes, angle in degrees.
    plate_m : float
        The plate's diameter.
    config : ElbowConfig, optional

    Returns
    -------
    ndarray, shape (2,)
        Pixels: the middle of the elbow's breadth, and its lowest row; NaN where none shows.

    Examples
    --------
    >>> before = np.full((300, 300, 3), 90, dtype=np.uint8)
    >>> now = before.copy()
    >>> _ = cv2.ellipse(now, (140, 160), (18, 50), 0, 0, 360, (190, 140, 120), -1)
    >>> _ = cv2.circle(now, (150, 100), 80, (20, 20, 20), -1)
    >>> plate = np.array([150.0, 100.0, 160.0, 160.0, 0.0])
    >>> elbow_below_plate(now, before, plate, 0.45).round(0).tolist()
    [140.0, 211.0]
    """
    config = config or ElbowConfig()
    nowhere = np.full(2, np.nan)
    if not np.isfinite(plate_px).all():
        return nowhere
    px_per_m = plate_px[2] / plate_m
    x, y, radius = plate_px[0], plate_px[1], plate_px[2] / 2
    height, width = image.shape[:2]
    left, right = np.clip(x + px_per_m * config.wide_m * np.array([-1, 1]), 0, width).astype(int)
    top, bottom = np.clip([y, y + radius + px_per_m * config.deep_m], 0, height).astype(int)
    if right - left < 8 or bottom - top < 8:
        return nowhere
    parts = [
        cv2.GaussianBlur(picture[top:bottom, left:right], (0, 0), 1.0).astype(np.float32)
        for picture in (image, before)
    ]
    changed = _not_shadow(*parts) > config.changed_levels
    axes = (plate_px[2:4] * config.beyond).tolist()
    plate = np.zeros(changed.shape, np.uint8)
    cv2.ellipse(plate, ((x - left, y - top), axes, float(plate_px[4])), 1, -1)
    rim = cv2.dilate(plate, np.ones((5, 5), np.uint8)) > plate
    shown = cv2.morphologyEx(
        (changed & (plate == 0)).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)
    )
    _, labels = cv2.connectedComponents(shown)
    best, size = nowhere, 0
    for label in np.unique(labels[rim & (labels > 0)]):
        rows, columns = np.nonzero(labels == label)
        end = int(rows.max())
        low = rows > end - config.low_part_m * px_per_m
        breadth_m = np.ptp(columns[low]) / px_per_m
        deep = np.ptp(rows) / px_per_m >= config.least_depth_m
        inside = end < bottom - top - 1
        usual = config.least_width_m <= breadth_m <= config.most_width_m
        if deep and inside and usual and len(rows) > size:
            edges = [columns[rows == row][[0, -1]].mean() for row in np.unique(rows[low])]
            best, size = np.array([left + np.mean(edges), top + float(end)]), len(rows)
    return best


def _not_shadow(now: NDArray[np.float32], before: NDArray[np.float32]) -> NDArray[np.float32]:
    """How far colours are from those before, at any brightness: shadows come and go."""
    share = (now * before).sum(axis=-1) / np.maximum((before**2).sum(axis=-1), 1.0)
    return np.linalg.norm(now - np.clip(share, 0.3, 3.0)[..., None] * before, axis=-1)


class ElbowsBelow:
    """Looks for the elbow below the plate as frames go by, in order of time.

    Parameters
    ----------
    track : DataFrame
        Plate table.
    trajectory : DataFrame
        Trajectory table, from which the bar's height is taken.
    plate_m : float
        The plate's diameter.
    config : ElbowConfig, optional
    """

    def __init__(
        self,
        track: pd.DataFrame,
        trajectory: pd.DataFrame,
        plate_m: float,
        config: ElbowConfig | None = None,
    ) -> None:
        self.config = config or ElbowConfig()
        outline = ["x_px", "y_px", "major_px", "minor_px", "angle_deg"]
        self._plate = track.set_index("frame")[outline]
        self._plate_m = plate_m
        height_m = trajectory.set_index("frame")["y_smooth_m"]
        self._up = height_m > height_m.max() - self.config.up_m
        self._low = height_m < height_m.min() + self.config.low_m
        self._before: NDArray[np.uint8] | None = None
        self._found: dict[int, Floats] = {}

    def update(self, frame: Frame) -> None:
        """Look at the next frame."""
        if self._up.get(frame.index, False):
            self._before = frame.image
        elif self._before is not None and self._low.get(frame.index, False):
            plate_px = self._plate.loc[frame.index].to_numpy(dtype=float)
            self._found[frame.index] = elbow_below_plate(
                frame.image, self._before, plate_px, self._plate_m, self.config
            )

    def joined_to(self, pose: pd.DataFrame) -> pd.DataFrame:
        """The pose table with `near_elbow_x_px` and `near_elbow_y_px`."""
        places = [self._found.get(frame, np.full(2, np.nan)) for frame in pose["frame"]]
        x, y = np.reshape(places, (-1, 2)).T
        return pose.assign(near_elbow_x_px=x, near_elbow_y_px=y)
