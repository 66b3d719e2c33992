"""Pixels to metres, with the uncertainty of everything that the picture leaves open.

The camera is a pinhole whose focal length is known only roughly, whose roll and pitch are known
from the scene or assumed, and whose distance follows from objects of known size: the plate's
diameter, and in the front view also the distance between the plates' inner faces. All of these are
fitted together; what stays unknown is kept as a covariance, from which draws of whole cameras are
made, so that one bad assumption moves all lengths of a clip together, as it does in truth.

Camera axes: X to the image's right, Y down, Z forward (away from the camera). World axes: `up`
against gravity; `across` the bar's axis; `along` the horizontal direction normal to it, in which
the bar drifts. All three are unit vectors in camera axes.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares

from barpath.errors import BarNotFoundError
from barpath.ground.view import FRONT, SIDE, View, view_of
from barpath.sight.jointnet import BAR_PARTS
from barpath.sight.pose import PLACE

Floats = NDArray[np.float64]

SIDE_PARAMETERS = (
    "yaw",
    "pitch",
    "roll",
    "log_distance",
    "log_focal",
    "log_plate",
    "major_bias_px",
    "minor_bias_px",
    "thickness_m",
    "outline_m",
    "turn_bias",
)
"""Of a plate that is followed: `log_distance` to the middle of its thickness, and `outline_m` from
there to the bar's middle, along the bar."""
BARE_REACH_PX = 50.0
HULL_ALONG, HULL_ACROSS = 1.06, 0.20
"""Of ellipses fitted to hulls of two shifted ones, at slants of 20 to 60 degrees."""
FRONT_PARAMETERS = ("yaw", "pitch", "roll", "log_focal", "log_plate_gap", "log_plate")


@dataclass(frozen=True)
class CalibrationConfig:
    """What is known of the equipment and the camera before the clip is looked at.

    Sources: the largest disc is 450 mm across and the shaft between the sleeves is 1.310 to 1.320 m
    long (International Powerlifting Federation, Technical Rules Book, section on bars and discs;
    from memory). The innermost plates lean on the sleeves' shoulders, each about 30 mm thick, so
    their inner faces lie about 1.37 m apart (common practice, no source); a bar table has its ends
    so far apart by the shaft's own ends, and says how well it knows them (`span_rel_sd`; without it
    `front_ends_rel_sd`). A phone's main camera has a focal length of 24 to 28 mm in terms of a
    36 mm wide picture, and video crops it somewhat (common practice, no source). From the feet a
    plate shows its edge and its shadow, so its height in the picture may be off by some percent all
    through a clip.

    The outline that is followed is that of a thick plate, or of several alike side by side, some 2
    to 7 cm (common practice, no source), and lies a little inside the rim (`outline_inset`, of the
    tuning clips); aslant it lies farther inside along and across, and it may be turned
    (`slant_…`, of the same). What the network reads of the bar has an error that stays through the
    clip (`common_share` of the stated one, and `common_m`) and one that is each frame's own; where
    on the bar the points lie is known to `point_sd_m`. The bar may tilt in the press.
    """

    plate_mm: float = 450.0
    plate_sd_mm: float = 1.0
    plate_gap_m: float = 1.372
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
    outline_sd_px: float = 0.6
    outline_bias_sd_px: float = 0.5
    outline_inset: float = 0.0045
    outline_inset_sd: float = 0.003
    slant_inset: tuple[float, float] = (0.009, 0.020)
    slant_inset_sd: tuple[float, float] = (0.005, 0.030)
    slant_turn_sd_deg: float = 1.0
    thickness_m: tuple[float, float] = (0.040, 0.030)
    outline_m: tuple[float, float] = (0.730, 0.030)
    common_share: float = 0.85
    common_m: float = 0.003
    own_share: float = 0.7
    own_m: float = 0.003
    point_m: tuple[float, float] = (0.655, 1.10)
    point_sd_m: dict[str, float] = field(
        default_factory=lambda: {"plate": 0.005, "collar": 0.01, "bar_end": 0.05}
    )
    tilt_sd_deg: float = 1.0
    n_bar_heights: int = 6
    least_bar_frames: int = 5
    front_plate_rel_sd: float = 0.05
    front_ends_rel_sd: float = 0.018
    press_slope: float = 0.12
    press_slope_sd: float = 0.12
    n_draws: int = 200
    max_fit_frames: int = 30
    max_steps: int = 60
    any_plate_rel_sd: float = 0.4
    other_plate_cost: float = 4.0
    bare_distance_m: float = 3.0
    bare_distance_rel_sd: float = 0.4
    bare_outline_m: tuple[float, float] = (0.0, 0.04)
    seed: int = 20


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
    end : {'left', 'right', ''}
        End of the bar, the lifter's, on which the plate that was followed is; ``""`` where it is
        not known, or both ends were followed.
    far : bool or None
        Whether that is the end away from the camera; None where it is not known.
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


def world_axes(yaw: float, pitch: float, roll: float) -> tuple[Floats, Floats, Floats]:
    """Axes of the world in camera axes for a camera that looks along the bar.

    Parameters
    ----------
    yaw : float
        Angle in radians by which the bar's axis is turned from the horizontal line of sight toward
        the image's right.
    pitch : float
        Angle in radians by which the camera looks down.
    roll : float
        Angle in radians by which the picture's content must be turned clockwise to be level.

    Returns
    -------
    up, across, along : ndarray, shape (3,)
        `across` is the bar's axis away from the camera, `along` points to the image's right.

    Examples
    --------
    >>> up, across, along = world_axes(0.0, 0.0, 0.0)
    >>> bool(np.allclose([up, across, along], [[0, -1, 0], [0, 0, 1], [1, 0, 0]]))
    True
    """
    up = np.array([-np.cos(pitch) * np.sin(roll), -np.cos(pitch) * np.cos(roll), -np.sin(pitch)])
    forward = np.array([0.0, 0.0, 1.0]) + np.sin(pitch) * up
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, up)
    across = np.cos(yaw) * forward + np.sin(yaw) * right
    return up, across, np.cross(across, up)


def front_axes(yaw: float, pitch: float, roll: float) -> tuple[Floats, Floats, Floats]:
    """Axes of the world in camera axes for a camera that looks at the bar from the feet.

    Parameters
    ----------
    yaw : float
        Angle in radians by which the bar's image-right end is turned away from the camera.
    pitch, roll : float
        As for `world_axes`.

    Returns
    -------
    up, across, along : ndarray, shape (3,)
        `across` is the bar's axis to the image's right, `along` the horizontal direction from the
        camera over the feet to the head.
    """
    up, forward, right = world_axes(0.0, pitch, roll)
    across = np.cos(yaw) * right + np.sin(yaw) * forward
    along = np.cos(yaw) * forward - np.sin(yaw) * right
    return up, across, along


def rays(xy_px: Floats, principal_px: Floats, focal_px: float) -> Floats:
    """Lines of sight of image points: (n, 3) directions with Z = 1."""
    offset = (np.asarray(xy_px, dtype=float) - principal_px) / focal_px
    return np.column_stack([offset, np.ones(len(offset))])


def project_discs(
    centres_m: Floats, normal: Floats, radius_m: float, focal_px: float
) -> tuple[Floats, Floats]:
    """Ellipses that a pinhole camera sees of discs in parallel planes.

    Parameters
    ----------
    centres_m : ndarray, shape (n, 3)
        Disc centres in camera axes.
    normal : ndarray, shape (3,)
        Unit normal of the discs.
    radius_m : float
    focal_px : float

    Returns
    -------
    centre_px : ndarray, shape (n, 2)
        Ellipse centres from the principal point. They are not the images of the disc centres.
    shape_px2 : ndarray, shape (n, 2, 2)
        Matrices S with (x - c)' inv(S) (x - c) = 1 on the outline.

    Notes
    -----
    A disc's dual quadric projects to the dual conic K (r^2 (I - n n') - C C') K' (Hartley and
    Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., section 8.3; from memory).
    """
    centres_m = np.atleast_2d(centres_m)
    disc = radius_m**2 * (np.eye(3) - np.outer(normal, normal))
    dual = disc[None] - centres_m[:, :, None] * centres_m[:, None, :]
    camera = np.diag([focal_px, focal_px, 1.0])
    dual = camera @ dual @ camera
    dual /= -dual[:, 2:3, 2:3]
    centre = -dual[:, :2, 2]
    shape = dual[:, :2, :2] + centre[:, :, None] * centre[:, None, :]
    return centre, shape


def _side_geometry(params: Floats) -> tuple[Floats, Floats, Floats, float, float, float]:
    yaw, pitch, roll, log_distance, log_focal, log_plate = params[:6]
    up, across, along = world_axes(yaw, pitch, roll)
    return up, across, along, np.exp(log_distance), np.exp(log_focal), np.exp(log_plate) / 2


def disc_centres(params: Floats, ellipse_px: Floats, principal_px: Floats) -> Floats:
    """Plate centres in space from the centres of the ellipses seen in a side or oblique view.

    Parameters
    ----------
    params : ndarray, shape (11,)
        Camera as in `SIDE_PARAMETERS`.
    ellipse_px : ndarray, shape (n, 2)
        Ellipse centres in the (steadied) image.
    principal_px : ndarray, shape (2,)

    Returns
    -------
    ndarray, shape (n, 3)
        Disc centres in camera axes, metres, on the plane of motion. The difference between the
        ellipse's centre and the projected disc centre is removed by fixed-point steps.
    """
    _, across, _, distance_m, focal_px, radius_m = _side_geometry(params)
    target = np.asarray(ellipse_px, dtype=float) - principal_px
    guess = target.copy()
    for _ in range(3):
        lines = rays(guess, np.zeros(2), focal_px)
        centres = lines * (distance_m / (lines @ across))[:, None]
        seen, _ = project_discs(centres, across, radius_m, focal_px)
        guess += target - seen
    lines = rays(guess, np.zeros(2), focal_px)
    return lines * (distance_m / (lines @ across))[:, None]


def thick_discs(
    centres_m: Floats, normal: Floats, radius_m: float, thickness_m: float, focal_px: float
) -> Floats:
    """Shapes of the outlines that thick plates show, as `project_discs` states them.

    The outline goes round both faces: that of the nearer one, drawn out by as much as the other
    shows past it. Its centre is that of the plate's middle. The ellipse that fits such an outline
    best is larger than that, by `HULL_ALONG` and `HULL_ACROSS` of it along and across.

    Parameters
    ----------
    centres_m : ndarray, shape (n, 3)
        Middles of the plates in camera axes.
    normal : ndarray, shape (3,)
        Unit normal of the faces, away from the camera.
    radius_m, thickness_m, focal_px : float

    Returns
    -------
    ndarray, shape (n, 2, 2)
    """
    half = thickness_m / 2 * normal
    front, shape = project_discs(centres_m - half, normal, radius_m, focal_px)
    back, behind = project_discs(centres_m + half, normal, radius_m, focal_px)
    way = back - front
    apart = np.sqrt((way**2).sum(axis=1) + 1e-9)
    along = way / apart[:, None]
    reach, far_reach = (
        np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", along, one, along), 1e-9))
        for one in (shape, behind)
    )
    # The farther face looks smaller: seen from straight ahead nothing of it shows.
    past = np.maximum(apart + far_reach - reach, 0.0)
    length = past**2 / np.hypot(past, 0.2)
    # Across, the outline is as wide as the plate's middle once both faces show.
    smaller = length / apart * half[2] / np.maximum(centres_m[:, 2], half[2])
    wider = (1 + HULL_ACROSS * length / (2 * reach) - smaller) ** 2
    longer = (reach + HULL_ALONG * length / 2) ** 2 - wider * reach**2
    across = wider[:, None, None] * shape
    return across + longer[:, None, None] * along[:, :, None] * along[:, None, :]


def _shape_matrix(major_px: Floats, minor_px: Floats, angle_deg: Floats) -> Floats:
    angle = np.deg2rad(angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    turn = np.stack([np.stack([c, -s], -1), np.stack([s, c], -1)], -2)
    axes = np.zeros_like(turn)
    axes[:, 0, 0] = (major_px / 2) ** 2
    axes[:, 1, 1] = (minor_px / 2) ** 2
    return turn @ axes @ np.swapaxes(turn, 1, 2)


def _shape_px(shape_px2: Floats, size_px: Floats) -> Floats:
    """Three numbers in pixels that say an ellipse's shape without an undefined angle."""
    parts = np.stack([shape_px2[:, 0, 0], shape_px2[:, 1, 1], np.sqrt(2) * shape_px2[:, 0, 1]], -1)
    return parts / size_px[:, None]


def focal_guess_px(config: CalibrationConfig, width_px: int, height_px: int) -> float:
    """Focal length in pixels: the one given, or a phone's main camera's usual one."""
    return config.focal_px or config.focal_per_long_side * max(width_px, height_px)


def _draws(params: Floats, jacobian: Floats, config: CalibrationConfig) -> Floats:
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    rng = np.random.default_rng(config.seed)
    return rng.multivariate_normal(params, covariance, size=config.n_draws, method="svd")


def _fit_rows(ok: NDArray[np.bool_], limit: int) -> NDArray[np.intp]:
    rows = np.flatnonzero(ok)
    return rows[np.unique(np.linspace(0, len(rows) - 1, min(limit, len(rows))).astype(int))]


@dataclass(frozen=True)
class BarReadings:
    """What the network read of the bar's parts, in the steadied image.

    Attributes
    ----------
    end : {'left', 'right'}
        The lifter's end on which the plate is that was followed.
    ellipse_px : ndarray, shape (n, 2)
        Centre of the plate's outline.
    points_px : ndarray, shape (n, 2, 3, 2)
        Plate, collar and bar end (`BAR_PARTS`) of that end and of the other; NaN where not read.
    covariance_px2 : ndarray, shape (n, 2, 3, 2, 2)
        As the network states it.
    """

    end: str
    ellipse_px: Floats
    points_px: Floats
    covariance_px2: Floats


def bar_readings(track: pd.DataFrame, joints: pd.DataFrame, end: str) -> BarReadings:
    """Readings of the bar in the frames in which its plate was seen.

    Parameters
    ----------
    track, joints : DataFrame
        Plate table and pose table in steadied image coordinates.
    end : {'left', 'right'}
    """
    at = track.set_index("frame").reindex(joints["frame"])
    seen = (at["state"] == "seen").to_numpy() & at[["x_px", "y_px"]].notna().all(axis=1).to_numpy()
    other = {"left": "right", "right": "left"}[end]
    names = [f"{side}_{part}_{x}" for side in (end, other) for part in BAR_PARTS for x in PLACE]
    values = joints.reindex(columns=names).to_numpy(dtype=float)[seen]
    values = values.reshape(-1, 2, len(BAR_PARTS), len(PLACE))
    return BarReadings(
        end,
        at.loc[seen, ["x_px", "y_px"]].to_numpy(dtype=float),
        values[..., :2],
        values[..., 2:][..., [[0, 1], [1, 2]]],
    )


class _BarMisses:
    """Residuals of the bar's parts: their readings, common errors, and the bar's tilt by height.

    Readings of frames with the bar equally high are taken together, relative to the plate: what
    they have in common is more than what is each frame's own.
    """

    def __init__(self, bar: BarReadings, scale_px: float, config: CalibrationConfig) -> None:
        read = np.isfinite(bar.points_px).all(axis=-1)
        read &= np.isfinite(bar.covariance_px2).all(axis=(-2, -1))
        rows = np.flatnonzero(read.any(axis=(1, 2)))
        self.config, self.n_frames = config, len(rows)
        by_height = rows[np.argsort(bar.ellipse_px[rows, 1], kind="stable")]
        groups = [g for g in np.array_split(by_height, config.n_bar_heights) if len(g)]
        self.n_groups = len(groups)
        offsets = np.where(read[..., None], bar.points_px - bar.ellipse_px[:, None, None], np.nan)
        stated = np.where(read[..., None, None], bar.covariance_px2, np.nan)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            self.ellipse_px = np.array([np.median(bar.ellipse_px[g], axis=0) for g in groups])
            offset = np.array([np.nanmedian(offsets[g], axis=0) for g in groups])
            spread = np.array([np.nanmedian(stated[g], axis=0) for g in groups])
        self.points_px = self.ellipse_px.reshape(-1, 1, 1, 2) + offset.reshape(-1, 2, 3, 2)
        spread = spread.reshape(-1, 2, 3, 2, 2)
        self.read = np.isfinite(self.points_px).all(axis=-1)
        own = config.own_share**2 * spread + (config.own_m * scale_px) ** 2 * np.eye(2)
        own[~self.read] = np.eye(2)
        self.root = np.linalg.inv(np.linalg.cholesky(own))
        variance = np.diagonal(spread, axis1=-2, axis2=-1)
        count = np.maximum(self.read.sum(axis=0), 1)[..., None]
        usual = np.where(self.read[..., None], variance, 0.0).sum(axis=0) / count
        self.common_px = np.hypot(config.common_share * np.sqrt(usual), config.common_m * scale_px)
        self.n_own = 2 * 2 * len(BAR_PARTS) + len(BAR_PARTS) + 1 + self.n_groups

    def __call__(
        self, params: Floats, own: Floats, principal_px: Floats, away: float
    ) -> list[Floats]:
        """Residuals; `away` is 1 when the other end is farther from the camera, else -1."""
        config = self.config
        n_biases = self.common_px.size
        bias = own[:n_biases].reshape(self.common_px.shape) * self.common_px
        shifts, tilt = own[n_biases : n_biases + 3], own[n_biases + 3] + own[n_biases + 4 :]
        up, across, _, _, focal_px, _ = _side_geometry(params)
        thickness, outline = params[8:10]
        sd = [config.point_sd_m[part] for part in BAR_PARTS]
        along = np.array([outline + thickness / 2, *config.point_m]) + shifts * sd
        # From the plate's middle toward the other end.
        ways = np.stack([outline - along, outline + along])
        tilts = np.deg2rad(tilt)
        axis = away * (np.cos(tilts)[:, None] * across + np.sin(tilts)[:, None] * up)
        centres = disc_centres(params, self.ellipse_px, principal_px)
        places = centres[:, None, None] + ways[..., None] * axis[:, None, None]
        seen = places[..., :2] / places[..., 2:] * focal_px + principal_px
        off = self.points_px - seen - bias
        whitened = (self.root @ np.where(self.read[..., None], off, 0.0)[..., None])[..., 0]
        return [
            whitened.ravel(),
            own[: n_biases + 3],
            [own[n_biases + 3] / config.bar_level_sd_deg],
            own[n_biases + 4 :] / config.tilt_sd_deg,
        ]


def calibrate_side(
    track: pd.DataFrame,
    width_px: int,
    height_px: int,
    *,
    roll_deg: float = np.nan,
    roll_sd_deg: float = np.nan,
    pitch_deg: float = np.nan,
    pitch_sd_deg: float = np.nan,
    view: str = SIDE.name,
    bar: Sequence[BarReadings] = (),
    config: CalibrationConfig | None = None,
) -> Calibration:
    """Fit camera and plane of motion to a plate of known diameter and to what is read of the bar.

    Parameters
    ----------
    track : DataFrame
        Plate table in steadied image coordinates.
    width_px, height_px : int
        Image size.
    roll_deg, roll_sd_deg : float
        Roll found in the scene with its standard uncertainty; NaN when none was found, then the
        phone is taken as held level within `config.roll_sd_deg`.
    pitch_deg, pitch_sd_deg : float
        Pitch found in the scene; NaN when none was.
    view : {'side', 'oblique'}
    bar : sequence of BarReadings
        For each end of the bar on which the plate may be; the one that fits better is taken.
    config : CalibrationConfig, optional

    Returns
    -------
    Calibration

    Raises
    ------
    BarNotFoundError
        When the plate's outline was seen in too few frames to give a scale.
    """
    config = config or CalibrationConfig()
    columns = ["x_px", "y_px", "major_px", "minor_px", "angle_deg"]
    if is_bare(track):
        return _calibrate_bare(
            track,
            (width_px, height_px),
            (roll_deg, roll_sd_deg),
            (pitch_deg, pitch_sd_deg),
            view,
            bar,
            config,
        )
    usable = track[columns].notna().all(axis=1).to_numpy()
    seen = usable & (track["state"] == "seen").to_numpy()
    usable = seen if seen.sum() >= 5 else usable
    if usable.sum() < 3:
        raise BarNotFoundError(
            "The plate's outline was seen in too few frames to give a scale in metres."
        )
    table = track.loc[usable, columns].to_numpy(dtype=float)
    table = table[_fit_rows(np.ones(len(table), dtype=bool), config.max_fit_frames)]
    principal = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    ellipse_px = table[:, :2]
    major, minor, angle = table[:, 2], table[:, 3], table[:, 4]
    focal = focal_guess_px(config, width_px, height_px)
    plate_m = config.plate_mm / 1000
    known_roll = np.isfinite(roll_deg) and np.isfinite(roll_sd_deg)
    known_pitch = np.isfinite(pitch_deg) and np.isfinite(pitch_sd_deg)
    roll = np.deg2rad(roll_deg) if known_roll else 0.0
    roll_sd = np.deg2rad(roll_sd_deg if known_roll else config.roll_sd_deg)
    sizes = np.median(table[:, 2:4], axis=0)
    # Blur, bevels and shading shift the outline alike in all frames; aslant it is seen here of the
    # one and there of the other of a thick plate's rims, whose edges are rounded besides.
    slant = np.sqrt(max(1.0 - (sizes[1] / sizes[0]) ** 2, 0.0))
    biases = -(config.outline_inset + slant * np.array(config.slant_inset)) * sizes
    bias_rel = config.outline_inset_sd + slant * np.array(config.slant_inset_sd)
    bias_sd = np.hypot(config.outline_bias_sd_px, bias_rel * sizes)
    prior = np.array(
        [
            (0.0, np.deg2rad(config.yaw_sd_deg)),
            (
                np.deg2rad(pitch_deg) if known_pitch else 0.0,
                np.deg2rad(pitch_sd_deg if known_pitch else config.pitch_sd_deg),
            ),
            (roll, roll_sd),
            (0.0, np.inf),
            (np.log(focal), config.focal_rel_sd),
            (np.log(plate_m), config.plate_sd_mm / config.plate_mm),
            (biases[0], bias_sd[0]),
            (biases[1], bias_sd[1]),
            config.thickness_m,
            config.outline_m,
            (0.0, np.deg2rad(config.slant_turn_sd_deg)),
        ]
    )
    # Outline errors of neighbouring frames are alike, so n frames do not count as n looks.
    weight = np.sqrt(min(len(table), 10) / len(table)) / config.outline_sd_px
    n_params = len(SIDE_PARAMETERS)
    tilt = float(np.arccos(np.clip(np.median(minor / major), 0.05, 1.0)))
    distance = focal * plate_m / sizes[0]

    def fitted(
        misses: _BarMisses | None, sign: float, away: float, *, any_plate: bool = False
    ) -> OptimizeResult:
        sd = prior[:, 1].copy()
        if any_plate:
            sd[SIDE_PARAMETERS.index("log_plate")] = config.any_plate_rel_sd

        def residuals(values: Floats) -> Floats:
            params = values[:n_params]
            _, across, _, _, focal_px, radius_m = _side_geometry(params)
            centres = disc_centres(params, ellipse_px, principal)
            shape = thick_discs(centres, across, radius_m, params[8], focal_px)
            predicted = _shape_px(shape, major / 2)
            turned = angle - np.rad2deg(params[10])
            true_shape = _shape_matrix(major - params[6], minor - params[7], turned)
            observed = _shape_px(true_shape, major / 2)
            parts = [
                ((predicted - observed) * weight).ravel(),
                (params - prior[:, 0]) / sd,
            ]
            if misses is not None:
                parts += misses(params, values[n_params:], principal, away)
            return np.concatenate(parts)

        start = np.r_[prior[:, 0], np.zeros(0 if misses is None else misses.n_own)]
        start[0] = sign * max(tilt, 0.02)
        start[3] = np.log(distance * np.cos(tilt))
        return least_squares(
            residuals,
            start,
            loss="soft_l1",
            x_scale="jac",
            ftol=1e-6,
            xtol=1e-6,
            max_nfev=config.max_steps,
        )

    scale_px = sizes[0] / plate_m
    fits, doubtful = [], False
    for one in bar:
        misses = _BarMisses(one, scale_px, config)
        if misses.n_frames >= config.least_bar_frames:
            fits += [
                (fitted(misses, sign, away), one.end, away < 0, (misses, sign, away))
                for sign in (1.0, -1.0)
                for away in (1.0, -1.0)
            ]
    if not fits:
        fits = [(fitted(None, sign, 1.0), "", None, (None, sign, 1.0)) for sign in (1.0, -1.0)]
    fits.sort(key=lambda fit: fit[0].cost)
    best, end, far, _ = fits[0]
    if end:
        # The plate followed may be another than the one whose diameter was given; the bar tells.
        others = [
            (fitted(*how, any_plate=True), its_end, its_far, how)
            for _, its_end, its_far, how in fits[:2]
        ]
        others.sort(key=lambda fit: fit[0].cost)
        doubtful = best.cost - others[0][0].cost > config.other_plate_cost
        if doubtful:
            fits = others
            best, end, far, _ = fits[0]
    draws = _draws(best.x, best.jac, config)[:, :n_params]
    # A circle seen at a slant looks alike from both sides: keep both where the fit cannot tell.
    odds = np.exp(-np.clip(fits[1][0].cost - best.cost, 0, 50))
    n_other = round(config.n_draws * odds / (1 + odds))
    if n_other:
        draws[:n_other] = _draws(fits[1][0].x, fits[1][0].jac, config)[:n_other, :n_params]
    found_mm = 1000 * float(np.exp(best.x[SIDE_PARAMETERS.index("log_plate")]))
    return Calibration(
        view=view,
        names=SIDE_PARAMETERS,
        params=best.x[:n_params],
        draws=draws,
        principal_px=principal,
        plate_check_mm=found_mm if doubtful else np.nan,
        roll_source="straight lines in the scene" if known_roll else "phone taken as held level",
        end=end,
        far=far,
    )


def is_bare(track: pd.DataFrame) -> bool:
    """Whether a plate table follows a bar without plates: the middle of the hands on it."""
    return not track["major_px"].notna().any()


def _calibrate_bare(
    track: pd.DataFrame,
    size_px: tuple[int, int],
    roll: tuple[float, float],
    pitch: tuple[float, float],
    view: str,
    bar: Sequence[BarReadings],
    config: CalibrationConfig,
) -> Calibration:
    """Camera of a side or oblique view from the parts of a bar without plates.

    The point followed, the middle of both hands, is near the bar's middle. Seen from the side the
    bar's two halves look differently large, which gives its distance, while the scale hangs on the
    focal length; at an angle the shaft is a ruler across the picture.
    """
    principal = (np.array(size_px) - 1) / 2
    focal = focal_guess_px(config, *size_px)
    n_params = len(SIDE_PARAMETERS)
    known_roll, known_pitch = (bool(np.isfinite(one).all()) for one in (roll, pitch))
    prior = np.array(
        [
            (0.0, np.deg2rad(config.yaw_sd_deg)),
            np.deg2rad(pitch if known_pitch else (0.0, config.pitch_sd_deg)),
            np.deg2rad(roll if known_roll else (0.0, config.roll_sd_deg)),
            (np.log(config.bare_distance_m), config.bare_distance_rel_sd),
            (np.log(focal), config.focal_rel_sd),
            (np.log(1e-3), 1e-3),
            (0.0, 1.0),
            (0.0, 1.0),
            (0.0, 1e-3),
            config.bare_outline_m,
            (0.0, 1.0),
        ]
    )
    fits = []
    for one in bar:
        misses = _BarMisses(one, focal / config.bare_distance_m, config)
        if misses.n_frames < config.least_bar_frames:
            continue

        def residuals(values: Floats, misses: _BarMisses = misses) -> Floats:
            params = values[:n_params]
            parts = misses(params, values[n_params:], principal, 1.0)
            return np.concatenate([*parts, (params - prior[:, 0]) / prior[:, 1]])

        for yaw_deg in (5.0, -5.0, 45.0, -45.0):
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
        draws=_draws(best.x, best.jac, config)[:, :n_params],
        principal_px=principal,
        plate_check_mm=np.nan,
        roll_source="straight lines in the scene" if known_roll else "phone taken as held level",
        end=end,
        far=False,
    )


def side_points(params: Floats, ellipse_px: Floats, principal_px: Floats) -> Floats:
    """Plate centres in the plane of motion: (n, 2) metres, x to the image's right, y up."""
    up, _, along, *_ = _side_geometry(params)
    centres = disc_centres(params, ellipse_px, principal_px)
    return np.column_stack([centres @ along, centres @ up])


def side_joint_points(
    params: Floats, xy_px: Floats, principal_px: Floats, behind_m: float
) -> Floats:
    """Image points taken as lying a given distance behind the near plate's plane.

    Parameters
    ----------
    params : ndarray, shape (8,)
    xy_px : ndarray, shape (n, 2)
    principal_px : ndarray, shape (2,)
    behind_m : float
        Distance behind the plane of the plate's outline, along the bar.

    Returns
    -------
    ndarray, shape (n, 2)
        Metres, in the same axes as `side_points`.
    """
    up, across, along, distance_m, focal_px, _ = _side_geometry(params)
    lines = rays(xy_px, principal_px, focal_px)
    points = lines * ((distance_m + behind_m) / (lines @ across))[:, None]
    return np.column_stack([points @ along, points @ up])


def _front_geometry(params: Floats) -> tuple[Floats, Floats, Floats, float, float, float]:
    yaw, pitch, roll, log_focal, log_gap, log_plate = params
    up, across, along = front_axes(yaw, pitch, roll)
    return up, across, along, np.exp(log_focal), np.exp(log_gap), np.exp(log_plate)


def front_ends(
    params: Floats, left_px: Floats, right_px: Floats, principal_px: Floats
) -> tuple[Floats, Floats]:
    """Both ends of the bar in space from their images and the known distance between them.

    Parameters
    ----------
    params : ndarray, shape (6,)
        Camera as in `FRONT_PARAMETERS`.
    left_px, right_px : ndarray, shape (n, 2)
        Image-left and image-right ends.
    principal_px : ndarray, shape (2,)

    Returns
    -------
    left_m, right_m : ndarray, shape (n, 3)
        Metres in world axes (across to the image's right, up, along toward the head), from the
        camera. The bar may tilt but keeps the fitted yaw.
    """
    up, across, along, focal_px, gap_m, _ = _front_geometry(params)
    left = rays(left_px, principal_px, focal_px)
    right = rays(right_px, principal_px, focal_px)
    axes = np.column_stack([across, up, along])
    ratio = (left @ along) / (right @ along)
    depth = gap_m / np.linalg.norm(right * ratio[:, None] - left, axis=1)
    return (left * depth[:, None]) @ axes, (right * (ratio * depth)[:, None]) @ axes


def front_joint_points(
    params: Floats, xy_px: Floats, principal_px: Floats, along_m: Floats
) -> Floats:
    """Image points taken as lying at given distances from the camera along the bench.

    Parameters
    ----------
    params : ndarray, shape (8,)
    xy_px : ndarray, shape (n, 2)
    principal_px : ndarray, shape (2,)
    along_m : ndarray, shape (n,)
        World coordinate along the bench, as in `front_ends`.

    Returns
    -------
    ndarray, shape (n, 2)
        Across (to the image's right) and up, metres.
    """
    up, across, along, focal_px, *_ = _front_geometry(params)
    lines = rays(xy_px, principal_px, focal_px)
    points = lines * (np.asarray(along_m) / (lines @ along))[:, None]
    return np.column_stack([points @ across, points @ up])


def calibrate_front(
    track: pd.DataFrame,
    width_px: int,
    height_px: int,
    *,
    roll_deg: float = np.nan,
    roll_sd_deg: float = np.nan,
    pitch_deg: float = np.nan,
    pitch_sd_deg: float = np.nan,
    config: CalibrationConfig | None = None,
) -> Calibration:
    """Fit the camera to the bar's two ends and the plates' apparent heights.

    Parameters
    ----------
    track : DataFrame
        Bar table in steadied image coordinates.
    width_px, height_px : int
        Image size.
    roll_deg, roll_sd_deg, pitch_deg, pitch_sd_deg : float
        From the scene; NaN when not found. Without a pitch, the press itself gives one: the bar
        moves up with a small share toward the head (`config.press_slope`).
    config : CalibrationConfig, optional

    Returns
    -------
    Calibration

    Raises
    ------
    BarNotFoundError
        When both ends of the bar were seen in too few frames.
    """
    config = config or CalibrationConfig()
    columns = [
        "image_left_x_px",
        "image_left_y_px",
        "image_right_x_px",
        "image_right_y_px",
        "image_left_plate_px",
        "image_right_plate_px",
    ]
    usable = track[columns[:4]].notna().all(axis=1).to_numpy()
    if usable.sum() < 5:
        raise BarNotFoundError(
            "Both ends of the bar were seen in too few frames to give a scale in metres."
        )
    table = track.loc[usable, columns].to_numpy(dtype=float)
    table = table[_fit_rows(np.ones(len(table), dtype=bool), config.max_fit_frames)]
    left_px, right_px = table[:, 0:2], table[:, 2:4]
    heights_px = table[:, 4:6]
    principal = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    focal = focal_guess_px(config, width_px, height_px)
    plate_m = config.plate_mm / 1000
    ends_rel_sd = config.front_ends_rel_sd
    if "span_rel_sd" in track:
        ends_rel_sd = float(track["span_rel_sd"].median())
    known_roll = np.isfinite(roll_deg) and np.isfinite(roll_sd_deg)
    known_pitch = np.isfinite(pitch_deg) and np.isfinite(pitch_sd_deg)
    prior_mean = np.array(
        [
            0.0,
            np.deg2rad(pitch_deg) if known_pitch else np.deg2rad(10.0),
            np.deg2rad(roll_deg) if known_roll else 0.0,
            np.log(focal),
            np.log(config.plate_gap_m),
            np.log(plate_m),
        ]
    )
    prior_sd = np.array(
        [
            np.deg2rad(config.front_yaw_sd_deg),
            np.deg2rad(pitch_sd_deg if known_pitch else config.front_pitch_sd_deg),
            np.deg2rad(roll_sd_deg if known_roll else 2 * config.roll_sd_deg),
            config.focal_rel_sd,
            np.hypot(config.plate_gap_sd_m / config.plate_gap_m, ends_rel_sd),
            config.plate_sd_mm / config.plate_mm,
        ]
    )
    heights = [column[np.isfinite(column)] for column in heights_px.T]
    log_heights = np.array([np.log(np.median(h)) if len(h) else np.nan for h in heights])
    high = np.argsort((left_px + right_px)[:, 1], kind="stable")
    top, low = high[: max(len(high) // 5, 1)], high[-max(len(high) // 5, 1) :]

    def residuals(params: Floats) -> Floats:
        _, _, _, focal_px, _, plate = _front_geometry(params)
        up, across, along = front_axes(*params[:3])
        left, right = front_ends(params, left_px, right_px, principal)
        basis = np.column_stack([across, up, along])
        forward = np.array([0.0, 0.0, 1.0]) @ basis
        depths = np.median(np.column_stack([left @ forward, right @ forward]), axis=0)
        size = np.log(focal_px * plate / depths) - log_heights
        seen = size / config.front_plate_rel_sd
        bar = right - left
        tilt = np.median(np.arctan2(bar[:, 1], bar[:, 0]))
        middle = (left + right) / 2
        travel = np.median(middle[top], axis=0) - np.median(middle[low], axis=0)
        slope = np.arctan2(travel[2], travel[1])
        extra = [
            tilt / np.deg2rad(config.bar_level_sd_deg),
            (slope - config.press_slope) / config.press_slope_sd,
        ]
        seen = np.where(np.isfinite(seen), seen, 0.0)
        return np.concatenate([seen, extra, (params - prior_mean) / prior_sd])

    fit = least_squares(residuals, prior_mean, loss="soft_l1", x_scale="jac")
    gap_px = np.linalg.norm(right_px - left_px, axis=1)
    ratio = (heights_px.T / gap_px).ravel()
    ratio = float(np.median(ratio[np.isfinite(ratio)])) if np.isfinite(ratio).any() else np.nan
    return Calibration(
        view=FRONT.name,
        names=FRONT_PARAMETERS,
        params=fit.x,
        draws=_draws(fit.x, fit.jac, config),
        principal_px=principal,
        plate_check_mm=ratio * config.plate_gap_m * 1000,
        roll_source=(
            "straight lines in the scene and the bar taken as level"
            if known_roll
            else "the bar taken as level over the set"
        ),
    )


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
    gap_px = float(np.hypot(*(picks[0, 2:] - picks[0, :2])))
    return Systematics(
        vertical_rel_sd=float(np.std(heights[1:]) / abs(heights[0])),
        horizontal_rel_sd=float(np.std(widths[1:]) / widths[0]),
        tilt_sd_deg=float(np.rad2deg(np.std(tilts[1:]))),
        px_per_m=gap_px / widths[0],
    )


def steady(track: pd.DataFrame, camera: pd.DataFrame, prefixes: Sequence[str]) -> pd.DataFrame:
    """Move image points of a table into the steadied image.

    Parameters
    ----------
    track : DataFrame
        Table with `frame` and, for every prefix, columns `{prefix}x_px` and `{prefix}y_px`.
    camera : DataFrame
        Camera table; frames without a transform give NaN.
    prefixes : sequence of str
        Point names with their trailing underscore, `""` for plain `x_px`.

    Returns
    -------
    DataFrame
        Copy of `track`. Lengths named `major_px`, `minor_px` or ending in `plate_px` are scaled,
        and `angle_deg` is turned, by the same similarity.
    """
    maps = camera.set_index("frame").reindex(track["frame"])
    m00, m01, m02 = (maps[c].to_numpy(dtype=float) for c in ("m00", "m01", "m02"))
    m10, m11, m12 = (maps[c].to_numpy(dtype=float) for c in ("m10", "m11", "m12"))
    moved = track.copy()
    for prefix in prefixes:
        x = track[f"{prefix}x_px"].to_numpy(dtype=float)
        y = track[f"{prefix}y_px"].to_numpy(dtype=float)
        moved[f"{prefix}x_px"] = m00 * x + m01 * y + m02
        moved[f"{prefix}y_px"] = m10 * x + m11 * y + m12
    zoom = np.sqrt(np.abs(m00 * m11 - m01 * m10))
    for column in track.columns:
        if column in ("major_px", "minor_px") or column.endswith("plate_px"):
            moved[column] = track[column].to_numpy(dtype=float) * zoom
    if "angle_deg" in track:
        turned = track["angle_deg"].to_numpy(dtype=float) + np.rad2deg(np.arctan2(m10, m00))
        moved["angle_deg"] = (turned + 90) % 180 - 90
    return moved
