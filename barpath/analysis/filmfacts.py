"""What is asked of a test clip, and what was seen in it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from barpath.analysis.config import SearchConfig
from barpath.ground.view import AUTO, SQUARE, View, view_of

VIEWS = (AUTO, *(view.name for view in SQUARE))
"""Views that can be looked at."""


@dataclass(frozen=True)
class FilmConfig:
    """What a clip should be like (common practice, no source).

    Attributes
    ----------
    good_fps, least_fps : float
    good_plate_px, least_plate_px : float
    smear_m : float
        Way of the bar during one exposure at its fastest that does no harm yet.
    side_height_m, front_height_m, height_slack_m : float
        Lens over the bar's half-way height, and how far off is still well.
    roll_deg, side_angle_deg, front_angle_deg : float
        Largest roll, and angle out of the square view.
    least_confidence : float
        Of a joint that counts as seen.
    search_s : float
        Only so much of the clip is looked at.
    search : SearchConfig
        How the bar is looked for: coarser than for measuring.
    """

    good_fps: float = 50.0
    least_fps: float = 24.0
    good_plate_px: float = 120.0
    least_plate_px: float = 60.0
    smear_m: float = 0.010
    side_height_m: float = 0.0
    front_height_m: float = 0.85
    height_slack_m: float = 0.25
    roll_deg: float = 2.0
    side_angle_deg: float = 10.0
    front_angle_deg: float = 8.0
    least_confidence: float = 0.5
    search_s: float = 20.0
    search: SearchConfig = field(
        default_factory=lambda: SearchConfig(per_s=3.0, stretch_s=20.0, max_side_px=640)
    )


@dataclass(frozen=True)
class Fact:
    """A number with its standard uncertainty, or why there is none."""

    value: float = math.nan
    sd: float = math.nan
    reason: str = ""


@dataclass(frozen=True)
class FilmFacts:
    """What was seen in a test clip.

    Attributes
    ----------
    view : str
    width_px, height_px : int
    fps : float
    variable_rate : bool
    plate_px : float
        Size of the plate in the picture.
    height_m : Fact
        Lens over the bar's height half way.
    roll_deg, angle_deg : Fact
        Camera roll (clockwise content positive); angle between the line of sight and the square
        view, positive when the bar's far (side view) or image-right (front view) end lies farther
        right, or away.
    distance_m : Fact
        Lens to the bar from the feet, to the plate followed from aside, along the bar.
    exposure_s : Fact
        Length of an exposure.
    peak_m_s : float
        Fastest vertical speed seen.
    whole : bool
        Whether plate, or both ends of the bar, stay inside the picture.
    steady : bool
        Whether the camera stands still.
    near : str
        The lifter's side nearer the camera; ``""`` from the feet, or where it cannot be told.
    joints : dict of str to float
        Confidence of `{side}_{joint}`, the best of the frames looked at.
    azimuth_deg : Fact
        Where the camera stands: 0 from the feet, 90 from beside.
    far : bool
        Whether the plate that was followed is the one away from the camera.
    """

    view: str
    width_px: int
    height_px: int
    fps: float
    variable_rate: bool
    plate_px: float
    height_m: Fact
    roll_deg: Fact
    angle_deg: Fact
    distance_m: Fact
    exposure_s: Fact
    peak_m_s: float
    whole: bool
    steady: bool
    near: str = ""
    joints: dict[str, float] = field(default_factory=dict)
    azimuth_deg: Fact = Fact()
    far: bool = False

    @property
    def shows(self) -> View:
        """What can be seen from where the camera stands."""
        return view_of(self.view)
