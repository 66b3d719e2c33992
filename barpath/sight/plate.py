"""What is said of the loaded plate: settings, what was found, and the columns of its table.

The finder (`platefind`) hands a `PlateSeed` to the tracker (`platetrack`), which makes the plate
table: a row a frame, centre and full axes in image px, angle in degrees, time in s. No pictures
are looked at here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from barpath.sight.ellipse import Ellipse

FloatArray = NDArray[np.floating]

COLUMNS = (
    "frame",
    "time_s",
    "x_px",
    "y_px",
    "major_px",
    "minor_px",
    "angle_deg",
    "sd_px",
    "outline_share",
    "state",
)
"""Columns of the plate table."""


@dataclass(frozen=True)
class PlateConfig:
    """Settings of the finder and the tracker. Lengths in shares refer to the plate's image.

    Parameters
    ----------
    n_rays : int
        Rays across the outline along which edges are sought.
    accel_diameters_s2 : float
        Standard deviation of the plate's acceleration, in plate diameters per s²; 13 is 6 m/s² for
        a 0.45 m plate, more than presses reach, so that the prediction follows and never leads.
    shake_px : float
        Standard deviation of the camera's unforeseen movement per frame at 30 frames/s, px.
    shape_drift, slant_drift : float
        Standard deviation of the relative change of the outline's size, and of the shape of one
        seen square, per frame at 30 frames/s.
    edge_window : float
        Half width of the window in which the final edge is sought, share of the mean radius.
    edge_window_min_px : float
        Its least value, px.
    seen_share, partly_share : float
        Least share of the outline for the states ``seen`` and ``partly``.
    lost_sd_share : float
        Uncertainty of the centre, as a share of the diameter, beyond which it is lost.
    face_share : float
        Least share of the plate's face that must look as learned, else something else is there.
    edge_noise_px : float
        Floor of an edge point's standard uncertainty, px.
    pictures_per_s : float
        Pictures laid over one another to find the rim, per second.
    correlation : float
        Number of neighbouring rays that share one error, by which the fit's variance is inflated.
    work_area_px : int
        Number of pixels to which samples are reduced before candidates are sought.
    min_diameter_share, max_diameter_share : float
        Sizes of plate sought, as shares of the square root of the image's area.
    min_travel_diameters, max_travel_diameters : float
        Vertical movement that counts as a press, in apparent plate diameters.
    max_sideways : float
        Largest sideways movement over vertical movement.
    n_shape_samples : int
        Samples on which all shapes are tried.
    n_shapes : int
        Shapes that are followed through all samples.
    min_aspect : float
        Least ratio of the axes of a plate's outline; 0.8 or so for a caller who knows that the clip
        is filmed square to the bar's end.
    n_bodies : int
        Things moving differently among which the plate is sought.
    n_measured : int
        Candidates that are measured in full-size samples.
    min_score : float
        Least score of a convincing candidate, 0..1.
    """

    n_rays: int = 96
    accel_diameters_s2: float = 13.0
    shake_px: float = 0.6
    shape_drift: float = 0.001
    slant_drift: float = 0.0003
    edge_window: float = 0.025
    edge_window_min_px: float = 1.6
    seen_share: float = 0.55
    partly_share: float = 0.3
    lost_sd_share: float = 0.02
    face_share: float = 0.35
    edge_noise_px: float = 0.08
    pictures_per_s: float = 15.5
    correlation: float = 3.0
    work_area_px: int = 102_400
    min_diameter_share: float = 0.055
    max_diameter_share: float = 0.6
    min_travel_diameters: float = 0.15
    max_travel_diameters: float = 2.2
    max_sideways: float = 0.8
    n_shape_samples: int = 8
    n_shapes: int = 12
    min_aspect: float = 0.3
    n_bodies: int = 3
    n_measured: int = 7
    min_score: float = 0.2


@dataclass(frozen=True)
class PlateCandidate:
    """A round thing that the finder followed through the samples.

    Parameters
    ----------
    ellipse : Ellipse
        Its outline in the image of the sample where it showed best.
    score, support, travel_diameters : float
        Overall score 0..1; mean share of the outline with an edge along it; vertical movement.
    reason : str
        Why it was taken or not.
    """

    ellipse: Ellipse
    score: float
    support: float
    travel_diameters: float
    reason: str


@dataclass(frozen=True)
class PlateSeed:
    """Where the tracker starts.

    Parameters
    ----------
    index : int
        Frame at which `ellipse` was measured.
    ellipse : Ellipse
        Outline there, image px.
    path : ndarray, shape (n, 4)
        Coarse path over the samples, columns frame index, time in s, x and y in image px.
    score : float
        0..1; 1 when the user pointed at the plate.
    reason : str
        Why this one.
    candidates : tuple of PlateCandidate
        What else was considered, best first.
    rim_rgb : tuple of float, optional
        Colour just inside the outline; learned in the tracker's first frame when None.
    rim_sd, rim_edge : float
        Spread of that colour, and gradient across the outline, grey levels and grey levels per px.
    """

    index: int
    ellipse: Ellipse
    path: FloatArray
    score: float = 1.0
    reason: str = ""
    candidates: tuple[PlateCandidate, ...] = field(default=())
    rim_rgb: tuple[float, float, float] | None = None
    rim_sd: float = 15.0
    rim_edge: float = 5.0
