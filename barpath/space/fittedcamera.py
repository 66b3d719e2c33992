"""Pixels to metres, with the uncertainty of everything that the picture leaves open.

The camera is a pinhole whose focal length is known only roughly, whose roll and pitch are known
from the scene or assumed, and whose distance follows from objects of known size: the plate's
diameter, and in the front view also the distance between the plates' inner faces. All of these are
fitted together; what stays unknown is kept as a covariance, from which draws of whole cameras are
made, so that one bad assumption moves all lengths of a clip together, as it does in truth.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from barpath.ground.equipment import LARGEST_DISC_MM, POWER_BAR, Bar
from barpath.ground.uncertainty import pooled
from barpath.ground.view import View, view_of

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CalibrationConfig:
    """What is known of the equipment and the camera before the clip is looked at.

    Sources: what bars and discs measure is in `ground.equipment`. A bar table has its ends as far
    apart as the innermost plates' inner faces, by the shaft's own ends, and says how well it knows
    them (`span_rel_sd`; without it `front_ends_rel_sd`). A phone's main camera has a focal length
    of 24 to 28 mm in terms of a 36 mm wide picture, and video crops it somewhat (common practice,
    no source). From the feet a plate shows its edge and its shadow, so its height in the picture
    may be off by some percent all through a clip (`front_plate_rel_sd`), and by more where it stood
    out at less than `front_plate_share` of the bar's heights. Over a set the bar lies level to
    `front_level_sd_deg`, 2.4 cm between its plates (common practice, no source; how far bars were
    taken to be turned from the picture's plane was off by 1.2 deg in 72 made clips, a fourth of
    what 1.5 deg had left open).

    The outline that is followed is that of a thick plate, or of several alike side by side, which
    is an eighth of its diameter or so, and as much again where there are two (`thickness_share`: of
    71 made clips, which a spread of 0.05 fits as well; lifters stack more plates, and small plates
    are thin ones). Seen aslant, both faces show, and how far they are apart tells it, to `apart_sd`
    of the outline's longer axis (of 16 clips at an angle). The largest lean on the sleeve's
    shoulder, as they are put on first (`inner_face_sd_m`; common practice, no source). Faces and
    rim meet in a broken edge (`edge_m`: likewise). The outline lies a little inside of what a plate
    shows, whatever the slant (`outline_inset`: so much that range of motion has no bias in 45 clips
    from the side and at an angle), but aslant it scatters more along and across (`slant_inset_sd`),
    and it may be turned (`slant_turn_sd_deg`). The less of it shows the less sure it is
    (`outline_part_sd`: shares and standard uncertainties as shares of its size, those from the half
    on of the tuning clips): one of which much less than half shows may lie on half a plate, or on
    something else, and says little. Nor is one trusted whose size scatters in the same places: up
    to `outline_scatter_px` (97 of 100 made clips) it counts as `outline_sd_px`, then as the more.
    What lies behind a plate changes with its height, and its outline goes with that, by up to
    `outline_creep_px` at either end of its way (root mean square of 268 made clips 0.4 to 0.6).

    What the network reads of the bar has an error that stays through the clip (`common_share` of
    the stated one, and `common_m`) and one that is each frame's own; where on the bar the points
    lie is known to `point_sd_m`. The bar may tilt in the press. A bar without plates is followed by
    the middle of both hands, which hold it `bare_hands_m` from its middle, and evenly to
    `bare_uneven_m`; its collars and ends are read nearer that middle than they are, by
    `bare_inward_share` of what the network states (of 20 tuning clips at an angle).

    Whether the plate followed is another than the given one, the bar tells, and the arms have a say
    (`reach_m`: from shoulder to hand with the bar high, as long as it looks in the plane of the
    nearer plate, of the newcomers among the made clips). A bar whose readings miss by more than
    `usual_cost` (half of the sum of squares, of the regulars) tells less, and widens what the
    camera leaves open. From `other_plate_cost` on the bar is believed, where it wants a plate of
    another kind; from `unsure_plate_cost` on both may be (of 268 made clips from the side and at an
    angle, two). Where the bar wants a plate below `smallest_plate_mm`, it was misread
    (common practice, no source: so small a disc is never the largest on a bar), unless the arms
    would be longer by `most_reach_off` standard uncertainties than arms are: then a plate's hub was
    followed.
    """

    barbell: Bar = POWER_BAR
    plate_mm: float = LARGEST_DISC_MM
    plate_sd_mm: float = 1.0
    plate_gap_sd_m: float = 0.004
    focal_px: float | None = None
    focal_per_long_side: float = 0.82
    focal_rel_sd: float = 0.12
    pitch_sd_deg: float = 10.0
    front_pitch_sd_deg: float = 25.0
    yaw_sd_deg: float = 60.0
    front_yaw_sd_deg: float = 12.0
    roll_sd_deg: float = 2.0
    bar_level_sd_deg: float = 1.5
    front_level_sd_deg: float = 1.0
    outline_sd_px: float = 0.6
    outline_scatter_px: float = 1.4
    outline_creep_px: float = 0.6
    outline_bias_sd_px: float = 0.5
    outline_inset: float = 0.0125
    outline_inset_sd: float = 0.003
    slant_inset_sd: tuple[float, float] = (0.005, 0.018)
    slant_turn_sd_deg: float = 1.0
    outline_part_sd: tuple[tuple[float, float], ...] = ((0.25, 0.25), (0.5, 0.014), (0.85, 0.0))
    thickness_share: tuple[float, float] = (0.12, 0.065)
    apart_sd: float = 0.0325
    inner_face_sd_m: float = 0.008
    common_share: float = 0.85
    common_m: float = 0.003
    own_share: float = 0.7
    own_m: float = 0.003
    point_sd_m: dict[str, float] = field(
        default_factory=lambda: {"plate": 0.005, "collar": 0.01, "bar_end": 0.05}
    )
    tilt_sd_deg: float = 1.0
    n_bar_heights: int = 6
    least_bar_frames: int = 5
    front_plate_rel_sd: float = 0.05
    front_plate_share: float = 0.6
    front_ends_rel_sd: float = 0.018
    press_slope: float = 0.35
    press_slope_sd: float = 0.15
    n_draws: int = 200
    max_fit_frames: int = 30
    n_outlines: int = 10
    edge_m: float = 0.005
    max_steps: int = 60
    any_plate_rel_sd: float = 0.4
    other_plate_cost: float = 4.0
    unsure_plate_cost: float = 2.0
    usual_cost: float = 20.0
    # Of the size's logarithm; common discs as large differ by more (450 and 350 mm), but for one of
    # 400 mm. A bar read aslant was off by 0.14 to 0.19 in tuning clips.
    like_plates: float = 0.22
    smallest_plate_mm: float = 150.0
    largest_plate_mm: float = LARGEST_DISC_MM
    reach_m: float = 0.46
    reach_rel_sd: float = 0.20
    most_reach_off: float = 3.0
    bare_distance_m: float = 3.0
    bare_distance_rel_sd: float = 0.4
    bare_hands_m: tuple[float, float] = (0.35, 0.06)
    bare_uneven_m: float = 0.015
    bare_inward_share: float = 0.5
    sleeve_sd_mm: float = 0.5
    hands_share_sd: float = 0.02
    seed: int = 20

    @property
    def plate_gap_m(self) -> float:
        """Between the inner faces of the innermost plates of both ends."""
        return self.barbell.inner_faces_m

    @property
    def thickness_m(self) -> tuple[float, float]:
        """Thickness of the plates followed, of those alike together, and its uncertainty."""
        usual, sd = self.thickness_share
        return usual * self.plate_mm / 1000, sd * self.plate_mm / 1000

    @property
    def inner_face_m(self) -> tuple[float, float]:
        """From the bar's middle to the plates' inner face, and its standard uncertainty."""
        return self.barbell.inner_faces_m / 2, self.inner_face_sd_m

    @property
    def point_m(self) -> tuple[float, float]:
        """How far from the bar's middle the collars and the bar's ends lie."""
        return self.barbell.collar_m, self.barbell.end_m

    def is_like(self, found_mm: float) -> bool:
        """Whether the bar cannot settle if a plate that it says is so large is the given one.

        Examples
        --------
        >>> CalibrationConfig().is_like(396.0), CalibrationConfig().is_like(350.0)
        (True, False)
        """
        return bool(abs(np.log(found_mm / self.plate_mm)) < self.like_plates)


@dataclass(frozen=True)
class Calibration:
    """A fitted camera with its uncertainty.

    Attributes
    ----------
    view : {'side', 'oblique', 'front'}
    names : tuple of str
        Names of the parameters.
    params : ndarray, shape (p,)
        Best fit: angles in radians, logarithms of lengths in metres or pixels.
    draws : ndarray, shape (k, p)
        Cameras drawn from the fit's covariance.
    principal_px : ndarray, shape (2,)
        Assumed principal point: the image's centre.
    plate_check_mm : float
        Front view: plate diameter that the distance between both sides' plates would give. From
        aside: diameter of the plate followed as the bar tells it, where it cannot be the one that
        was given, and then lengths are the bar's; NaN otherwise.
    roll_source : str
        Where the roll came from, in words.
    end : {'left', 'right', 'middle', ''}
        End of the bar, the lifter's, on which the plate that was followed is, or the bar's middle,
        of a bar without plates; ``""`` where it is not known, or both ends were followed.
    far : bool or None
        Whether that is the end away from the camera; None where it is not known.
    scale_source : str
        Where lengths came from, in words, where it is not the plate given.
    """

    view: str
    names: tuple[str, ...]
    params: Floats
    draws: Floats
    principal_px: Floats
    plate_check_mm: float
    roll_source: str
    end: str = ""
    far: bool | None = None
    scale_source: str = ""

    @property
    def shows(self) -> View:
        """What can be seen from where the camera stood."""
        return view_of(self.view)

    def value(self, name: str) -> float:
        """Best value of a parameter (radians, or metres or pixels for `log_` names)."""
        raw = float(self.params[self.names.index(name)])
        return float(np.exp(raw)) if name.startswith("log_") else raw

    def sd(self, name: str) -> float:
        """Standard uncertainty of a parameter, in the units of `value`."""
        column = self.draws[:, self.names.index(name)]
        return float(np.std(np.exp(column) if name.startswith("log_") else column))


@dataclass(frozen=True)
class Level:
    """How the camera was held, as the scene's lines say; NaN where they do not.

    Attributes
    ----------
    roll_deg, roll_sd_deg : float
    pitch_deg, pitch_sd_deg : float
    """

    roll_deg: float = np.nan
    roll_sd_deg: float = np.nan
    pitch_deg: float = np.nan
    pitch_sd_deg: float = np.nan

    @property
    def roll_known(self) -> bool:
        """Whether the scene gave the roll."""
        return bool(np.isfinite(self.roll_deg) and np.isfinite(self.roll_sd_deg))

    @property
    def pitch_known(self) -> bool:
        """Whether the scene gave the pitch."""
        return bool(np.isfinite(self.pitch_deg) and np.isfinite(self.pitch_sd_deg))

    def roll_rad(self, usual_sd_deg: float) -> tuple[float, float]:
        """Roll and its standard uncertainty, radians, by the scene and by how phones are held.

        `usual_sd_deg` is how far from level that usually is: few lines that say more say too much.
        """
        mean, sd = usual = 0.0, usual_sd_deg
        if self.roll_known:
            mean, sd = pooled(usual, (self.roll_deg, self.roll_sd_deg))
        return float(np.deg2rad(mean)), float(np.deg2rad(sd))

    def pitch_rad(self, usual_sd_deg: float, usual_deg: float = 0.0) -> tuple[float, float]:
        """Pitch and its standard uncertainty, radians; the usual ones where it is not known."""
        known = (self.pitch_deg, self.pitch_sd_deg)
        mean, sd = known if self.pitch_known else (usual_deg, usual_sd_deg)
        return float(np.deg2rad(mean)), float(np.deg2rad(sd))

    @property
    def roll_source(self) -> str:
        """Where the roll of a camera from aside came from, in words."""
        return "straight lines in the scene" if self.roll_known else "phone taken as held level"


def focal_guess_px(config: CalibrationConfig, width_px: int, height_px: int) -> float:
    """Focal length in pixels: the one given, or a phone's main camera's usual one."""
    return config.focal_px or config.focal_per_long_side * max(width_px, height_px)


def principal_point_px(width_px: int, height_px: int) -> Floats:
    """The picture's centre, (2,), which is taken as the principal point."""
    return np.array([(width_px - 1) / 2, (height_px - 1) / 2])


def drawn(params: Floats, jacobian: Floats, config: CalibrationConfig) -> Floats:
    """Parameters drawn from a fit's covariance, the inverse of J'J: (`config.n_draws`, p).

    By the triangular root of J'J, which a last digit hardly moves. A root by eigenvectors turns
    freely where variances are alike, as those of all that was not read are, and draws with it.

    Examples
    --------
    >>> jacobian = np.array([[2.0, 0.0], [0.0, 10.0], [0.0, 10.0]])
    >>> draws = drawn(np.zeros(2), jacobian, CalibrationConfig(n_draws=4000))
    >>> np.round(np.sqrt((draws**2).mean(axis=0)), 2).tolist()
    [0.5, 0.07]
    """
    _, upper = np.linalg.qr(jacobian)
    root = np.where(np.diagonal(upper) < 0, -1.0, 1.0)[:, None] * upper
    noise = np.random.default_rng(config.seed).standard_normal((config.n_draws, len(params)))
    return params + solve_triangular(root, noise.T).T


def evenly(n_rows: int, limit: int) -> NDArray[np.intp]:
    """At most `limit` of so many rows, evenly spread."""
    return np.unique(np.linspace(0, n_rows - 1, min(limit, n_rows)).astype(int))
