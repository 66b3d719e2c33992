"""How surely the network reads joints and the bar's parts from where: a model fitted to made clips.

`python -m tests.reading_spread` prints its numbers from a folder of results.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

READ = ("shoulder", "elbow", "wrist", "hand", "hip", "plate", "collar", "bar_end")
AZIMUTHS_DEG = (0.0, 30.0, 60.0, 90.0)
HEIGHTS_M = (0.8, 2.0)
SIZES_PX_PER_M = (150.0, 380.0)
"""Beyond these heights and sizes a reading is taken to be as sure as there."""

Spread = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]

# fmt: off
_SPREADS: dict[str, Spread] = {
    "near shoulder low": ((12.6, 10.7, 16.2, 13.9), (11.9, 9.5, 14.8, 14.2), (-0.17, 0.08, -0.14)),
    "near elbow low": ((8.6, 4.8, 7.1, 16.9), (9.1, 6.4, 9.8, 17.5), (-0.31, 1.11, -0.27)),
    "near wrist low": ((3.6, 3.4, 9.7, 30.2), (5.0, 4.5, 8.0, 21.4), (-0.16, 0.46, -0.23)),
    "near hand low": ((2.6, 2.6, 5.8, 12.5), (2.5, 1.9, 3.4, 20.0), (-0.05, 0.47, -0.26)),
    "near hip low": ((6.2, 7.1, 9.7, 11.6), (9.2, 9.8, 8.7, 8.8), (-0.11, 0.11, -0.09)),
    "near plate low": ((23.8, 29.6, 12.6, 3.8), (10.0, 9.0, 6.9, 5.9), (0.16, 0.28, 0.02)),
    "near collar low": ((12.2, 24.8, 17.7, 5.5), (6.3, 8.6, 8.1, 9.4), (0.20, 0.30, 0.05)),
    "near bar_end low": ((17.0, 42.4, 14.7, 2.2), (8.8, 17.9, 8.8, 2.9), (0.53, 0.16, -0.24)),
    "far shoulder low": ((12.3, 17.3, 16.8, 12.8), (12.1, 11.8, 12.9, 12.5), (-0.12, -0.15, -0.08)),
    "far elbow low": ((8.1, 25.9, 46.6, 51.0), (9.4, 33.5, 35.7, 39.8), (-0.48, 0.25, -0.10)),
    "far wrist low": ((3.9, 3.9, 11.4, 24.0), (5.3, 4.7, 7.2, 20.2), (-0.19, -0.91, -0.15)),
    "far hand low": ((2.1, 3.0, 4.2, 12.1), (2.0, 2.1, 2.8, 16.6), (0.32, -1.20, -0.25)),
    "far hip low": ((6.2, 9.2, 14.7, 14.1), (9.1, 8.1, 9.9, 9.3), (-0.13, -0.07, -0.14)),
    "far plate low": ((19.1, 20.5, 15.2, 11.5), (7.3, 6.6, 5.1, 17.8), (0.52, -1.31, -0.18)),
    "far collar low": ((8.2, 5.6, 3.3, 10.5), (4.8, 2.8, 2.1, 15.8), (0.56, -1.69, -0.16)),
    "far bar_end low": ((17.1, 22.4, 26.5, 13.1), (9.2, 12.4, 16.0, 18.3), (0.36, -1.06, -0.19)),
    "near shoulder high": ((8.8, 7.7, 8.4, 8.3), (8.6, 7.2, 9.4, 9.5), (-0.04, -0.17, -0.09)),
    "near elbow high": ((7.9, 8.1, 8.0, 13.0), (14.7, 16.8, 19.5, 28.8), (-0.16, 0.65, -0.09)),
    "near wrist high": ((2.9, 2.5, 4.3, 28.2), (4.1, 3.9, 5.2, 20.0), (0.05, 0.27, -0.08)),
    "near hand high": ((2.3, 2.2, 4.4, 13.9), (1.8, 1.6, 2.4, 12.9), (0.16, -0.02, -0.14)),
    "near hip high": ((5.5, 7.5, 8.5, 8.4), (8.6, 10.6, 7.5, 7.4), (0.04, 0.01, -0.11)),
    "near plate high": ((18.8, 24.0, 16.2, 4.4), (7.7, 8.3, 7.1, 4.1), (0.51, -0.15, 0.03)),
    "near collar high": ((11.7, 23.9, 18.2, 5.9), (5.5, 9.3, 7.9, 4.8), (0.44, -0.08, 0.07)),
    "near bar_end high": ((8.3, 22.6, 15.2, 3.2), (4.1, 10.3, 8.1, 3.1), (1.77, -0.35, -0.04)),
    "far shoulder high": ((9.6, 14.8, 11.5, 10.4), (10.7, 11.7, 11.3, 12.9), (-0.13, -0.03, -0.05)),
    "far elbow high": ((8.2, 7.3, 6.6, 22.1), (13.9, 13.2, 13.0, 30.4), (-0.05, 0.41, -0.12)),
    "far wrist high": ((2.9, 3.6, 3.7, 30.2), (4.1, 4.3, 4.1, 22.4), (0.09, 0.08, -0.09)),
    "far hand high": ((2.0, 3.0, 3.8, 20.6), (1.7, 2.0, 2.2, 18.0), (0.29, -0.34, -0.17)),
    "far hip high": ((5.5, 9.8, 12.9, 11.0), (8.8, 8.6, 9.3, 7.9), (-0.03, -0.10, -0.13)),
    "far plate high": ((19.6, 18.6, 12.8, 25.1), (8.0, 4.4, 3.5, 24.5), (0.49, -0.26, -0.09)),
    "far collar high": ((12.7, 4.3, 3.3, 22.9), (6.3, 2.1, 1.8, 21.9), (0.28, -0.31, -0.11)),
    "far bar_end high": ((14.4, 16.3, 26.1, 25.7), (6.6, 7.9, 13.2, 25.6), (1.20, -0.77, -0.08)),
}
_SHARES: dict[str, tuple[float, ...]] = {
    "near plate": (0.20, 0.09, 0.33, 1.00),
    "near collar": (0.26, 0.10, 0.51, 1.00),
    "near bar_end": (0.15, 0.02, 0.20, 1.00),
    "far plate": (0.16, 0.52, 1.00, 0.96),
    "far collar": (0.17, 0.78, 1.00, 0.99),
    "far bar_end": (0.18, 0.00, 1.00, 0.99),
}
# fmt: on


@dataclass(frozen=True)
class ReadingSpread:
    """What the joint network states of its readings, by where the camera stands.

    Fitted to the medians of 299 made clips (eight lifters in two ways of pressing, eight others,
    rooms, clothes and light of their own; 98 from the feet, 101 at 30 to 58 degrees, 100 from the
    side; lens 0.8 to 2 m over the floor, 2.8 to 3.6 m off; pictures of 640 to 1280 pixels); what is
    left over is 23 % (RMS). Between 58 and 82 degrees, and between 10 and 30, nothing was seen.

    Attributes
    ----------
    spreads : dict of str to tuple
        By nearer or farther side, point and end of the bar's way: standard deviation in mm along
        the picture's x and y at `AZIMUTHS_DEG`, its logarithm's change for each metre that the
        lens is higher, from the feet and from beside, and the power of the picture's size.
    shares : dict of str to tuple
        How often the bar's parts are read at `AZIMUTHS_DEG`; joints always are.
    least_share : float
        The bar's surroundings are looked at in every sixth look at least.
    usual_height_m, usual_px_per_m : float
        Of the lens over the floor and of the picture's scale, where the slopes begin.
    stays_share, own_share : float
        How far readings are off, as shares of what is stated (of the 201 clips from aside):
        what stays through an end of the bar's way, and what is each frame's own.
    roll_sd_deg, pitch_sd_deg, focal_rel_sd : tuple of float
        How surely the scenery's lines tell the camera's roll, pitch and focal length at
        `AZIMUTHS_DEG` (medians of 244 clips, those with pictures of 800 pixels and more).
    """

    spreads: dict[str, Spread] = field(default_factory=lambda: dict(_SPREADS))
    shares: dict[str, tuple[float, ...]] = field(default_factory=lambda: dict(_SHARES))
    least_share: float = 0.17
    usual_height_m: float = 1.2
    usual_px_per_m: float = 200.0
    stays_share: float = 0.75
    own_share: float = 0.25
    roll_sd_deg: tuple[float, ...] = (0.30, 0.29, 0.29, 0.29)
    pitch_sd_deg: tuple[float, ...] = (0.43, 0.30, 0.30, 0.34)
    focal_rel_sd: tuple[float, ...] = (0.024, 0.011, 0.011, 0.062)

    def sd_m(
        self, point: str, near: bool, azimuth_deg: float, height_m: float, px_per_m: float
    ) -> Floats:
        """Stated standard deviations of a point's readings.

        Parameters
        ----------
        point : str
            One of `READ`.
        near : bool
            Whether it is of the side nearer the camera.
        azimuth_deg, height_m : float
            Of the camera: 0 from the feet, 90 from beside; lens over the floor.
        px_per_m : float
            The picture's scale at the bar.

        Returns
        -------
        ndarray, shape (2, 2)
            Bar at the bottom and at the top, by the picture's x and y, metres.
        """
        square = np.cos(np.deg2rad(azimuth_deg)) ** 2
        over = float(np.clip(height_m, *HEIGHTS_M)) - self.usual_height_m
        size = np.log(float(np.clip(px_per_m, *SIZES_PX_PER_M)) / self.usual_px_per_m)
        out = np.empty((2, 2))
        for row, end in enumerate(("low", "high")):
            *by_axis, slopes = self.spreads[f"{'near' if near else 'far'} {point} {end}"]
            change = over * (slopes[0] * square + slopes[1] * (1 - square)) + slopes[2] * size
            for column, sd_mm in enumerate(by_axis):
                known = np.interp(azimuth_deg, AZIMUTHS_DEG, np.log(sd_mm))
                out[row, column] = np.exp(known + change) / 1000
        return out

    def share(self, point: str, near: bool, azimuth_deg: float) -> float:
        """How often a point is read."""
        known = self.shares.get(f"{'near' if near else 'far'} {point}")
        if known is None:
            return 1.0
        return max(float(np.interp(azimuth_deg, AZIMUTHS_DEG, known)), self.least_share)

    def level_sd(self, azimuth_deg: float) -> tuple[float, float, float]:
        """Standard uncertainties of roll and pitch, and of the focal length as a share of it."""
        roll, pitch, focal = (
            float(np.interp(azimuth_deg, AZIMUTHS_DEG, known))
            for known in (self.roll_sd_deg, self.pitch_sd_deg, self.focal_rel_sd)
        )
        return roll, pitch, focal
