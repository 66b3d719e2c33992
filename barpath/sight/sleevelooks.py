"""Parts of a clip's pictures in which the end of a bare bar's nearer sleeve is to be found.

In: pictures, and what was read in them. Out: their parts about where the end is, for `sleeve`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.ground.equipment import POWER_BAR, Bar
from barpath.sight.jointnet import HANDS, POINTS, Readings
from barpath.sight.lifter import square_round
from barpath.sight.sleeveface import FaceConfig

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SleeveConfig:
    """How the face of a sleeve is sought.

    Attributes
    ----------
    barbell : Bar
        The bar in the picture.
    reach : float
        Half a kept picture's width over the upper body's size.
    most_reach_px : int
        Larger ones are shrunk to so much.
    edge_level : float
        Grey levels per pixel at which an edge counts half.
    size_rel_sd : float
        How well the radius is known beforehand, from the focal length and how much less the hands
        move than the bar's end.
    most_sizes, step : float
        Sizes tried: so many of these standard deviations either way, in steps of the logarithm.
    sharpness : float
        Logarithm of the odds that one unit of the score is worth (of the tuning clips).
    sure : float
        Odds below which the size counts as not told.
    least_score : float
        Of the whole outline, 0 to 1.
    n_looks, least_looks : int
        Looks from which the size is told, at most and at least.
    sides : tuple of float
        From where to where the sleeve's sides are looked at, in radii.
    least_side : float
        Looks in which the sleeve's picture is shorter, in radii, do not tell the size.
    face_deg : float
        The face's outline is looked at up to so far from the direction away from the sleeve.
    sds, near, far : float
        How far from where the end is read it is sought, in standard uncertainties, and at least
        and at most in radii.
    read_sd_px : float
        What readings leave open beyond what they state.
    hands_sd_px : float
        What the hands leave open of where the end is, at least.
    look_sharpness : float
        As `sharpness`, of one look.
    jump : float
        Radii by which the face may lie off the path of the frames around.
    rel_sd : float
        Of the diameter as seen: what the fit leaves open (of the tuning clips).
    inset_px : float
        So far inside of its edge, in the clip's pixels, blur makes an outline seem (of the same).
    least_sd_px : float
        Standard uncertainty of a place, at least.
    calm_looks : int
        Looks over which what was read is calmed.
    shares : tuple of float
        Least and greatest share of the bar's end's movement that the hands show.
    grid : float
        Step of the first search, radii.
    finer : tuple of float
        Steps of those after it.
    one_size : float
        Sizes whose logarithms differ by no more are one.
    n_parts : int
        Parts of the looks by which the size's spread is told.
    n_face, n_side : int
        Points on the face's outline and on either side.
    on_side : float
        Sides are looked at up to this share of the way to the shoulder.
    poor : float
        Share of the usual score below which a face counts as not seen.
    least_found, well_found : float
        Share of the looks in which the face must be found; where it was in less than the latter,
        and only its outline told, any place may be as far off the path as is allowed.
    clear : float
        Share of the looks, those with the clearest outlines, from which the face is learned.
    usual_share, share_rel_sd : float
        As `shares`, where it is not known yet, and how well it is known then (24 made clips).
    far_of_face : float
        As `far`, where the face is known.
    face : FaceConfig
        How faces are compared.
    """

    barbell: Bar = POWER_BAR
    reach: float = 0.22
    most_reach_px: int = 96
    edge_level: float = 12.0
    size_rel_sd: float = 0.15
    most_sizes: float = 3.0
    step: float = 0.02
    sharpness: float = 60.0
    sure: float = 0.95
    least_score: float = 0.45
    n_looks: int = 30
    least_looks: int = 12
    sides: tuple[float, float] = (0.3, 1.5)
    least_side: float = 1.2
    face_deg: float = 100.0
    sds: float = 2.5
    near: float = 0.3
    far: float = 1.2
    read_sd_px: float = 0.5
    hands_sd_px: float = 3.0
    look_sharpness: float = 30.0
    jump: float = 0.25
    rel_sd: float = 0.015
    inset_px: float = 0.1
    least_sd_px: float = 0.2
    calm_looks: int = 7
    shares: tuple[float, float] = (0.35, 0.85)
    grid: float = 0.08
    finer: tuple[float, ...] = (0.04, 0.02, 0.01)
    one_size: float = 0.15
    n_parts: int = 6
    n_face: int = 48
    n_side: int = 16
    on_side: float = 0.85
    poor: float = 0.7
    least_found: float = 0.5
    well_found: float = 0.85
    clear: float = 0.25
    usual_share: float = 0.6
    share_rel_sd: float = 0.05
    far_of_face: float = 2.5
    face: FaceConfig = field(default_factory=FaceConfig)


@dataclass(frozen=True)
class Look:
    """A part of a picture about where the sleeve's end is.

    `read` says whether the network reads it there; else it is where the hands have moved it to.
    """

    frame: int
    picture: NDArray[np.uint8]
    corner: Floats
    shrink: float
    read: bool = True

    def smooth(self) -> NDArray[np.float32]:
        """The part with less noise."""
        picture = self.picture.astype(np.float32)
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.7), np.float32)

    def inside(self, places_px: Floats) -> Floats:
        """The clip's pixels as pixels of the part."""
        return (places_px - self.corner + 0.5) / self.shrink - 0.5


class SleeveLooks:
    """Keeps parts of pictures about the end of the bar that is nearer to the camera.

    Parameters
    ----------
    end : {'left', 'right'}
        The lifter's.
    config : SleeveConfig, optional
    """

    def __init__(self, end: str, config: SleeveConfig | None = None) -> None:
        self.end, self.config = end, config or SleeveConfig()
        self._point = POINTS.index(f"{end}_bar_end")
        self._last: tuple[Floats, Floats] | None = None
        self.kept: list[Look] = []

    def update(self, frame: int, image: NDArray[np.uint8], reading: Readings) -> None:
        """Keep what is about the bar's end in a frame."""
        place = self._place(reading)
        if place is None:
            return
        reach = self.config.reach * square_round(reading, 1.0).size_px
        shrink = max(reach / self.config.most_reach_px, 1.0)
        half = round(reach / shrink)
        # The part's first pixel begins where a pixel of the clip does.
        corner = np.round(place) - round(half * shrink)
        matrix = np.array(
            [
                [shrink, 0.0, corner[0] + (shrink - 1) / 2],
                [0.0, shrink, corner[1] + (shrink - 1) / 2],
            ]
        )
        part = cv2.warpAffine(
            image,
            matrix,
            (2 * half + 1, 2 * half + 1),
            flags=(cv2.INTER_LINEAR if shrink == 1.0 else cv2.INTER_AREA) | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        read = not reading.outside[self._point]
        self.kept.append(Look(frame, np.asarray(part, np.uint8), corner, shrink, read))

    def _place(self, reading: Readings) -> Floats | None:
        """Where the end is read, or about where the hands have moved it to since it was."""
        hands = None
        if not reading.outside[HANDS].any():
            hands = reading.xy_px[HANDS].mean(axis=0)
        if not reading.outside[self._point]:
            place: Floats = reading.xy_px[self._point]
            self._last = self._last if hands is None else (place, hands)
            return place
        if self._last is None or hands is None:
            return None
        return self._last[0] + (hands - self._last[1]) / self.config.usual_share
