"""The lifter's arms recovered from bar, body and time together.

The joint network says where joints are in the picture, and how well it knows that; what is behind
a plate or a thigh it knows less well. What is known besides is strong: the hands are on the bar,
whose path is measured to a millimetre; upper arm and forearm keep their lengths over the set; the
shoulders hardly move on the bench; the elbow turns about the line from shoulder to wrist and does
so smoothly. One robust least-squares fit over the whole set finds the arms that agree with all of
it, and its covariance says how far they are known. Two clips of one set, from the feet and from the
side, are fitted at once: they share everything but their cameras and the network's errors.

World axes, metres, origin in the bar's middle at the first lockout: x toward the lifter's head, y
up, z toward the lifter's left.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import block_diag, solve_triangular
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from barpath.ground.view import FRONT, View, view_of
from barpath.sight.pose import PLACE
from barpath.space.calibrate import Calibration, front_axes, world_axes

Floats = NDArray[np.float64]

SIDES = ("left", "right")
OUTWARD = np.array([1.0, -1.0])
"""Sign of z away from the body's midline, for `SIDES`."""
FITTED = ("shoulder", "elbow", "wrist", "hand")
BAR_PARTS = ("collar", "bar_end")
SEEN = (*FITTED, *BAR_PARTS)
"""What the network reads: joints, and the parts of the bar that say how it lies in the picture."""
SMALL = 1e-6


@dataclass(frozen=True)
class ArmFitConfig:
    """What is known of lifters, bars and the joint network before the clip is looked at.

    Segment lengths as shares of stature are weak priors: 0.186 and 0.146 for upper arm and forearm
    (Drillis and Contini 1966, as given in Winter, Biomechanics and Motor Control of Human Movement)
    and 0.162 and 0.154 between joint centres (de Leva 1996, men; from memory) bracket them. The
    wrist's centre lies about 8 cm from the axis of a gripped bar (de Leva 1996: wrist to third
    knuckle 86 mm in men, 78 mm in women; from memory; the bar lies short of the knuckles). At the
    touch the bar lies on a chest some 25 cm deep (body surveys; from memory) that the arch raises a
    little, and the shoulder joints lie some 9 cm over the bench (no source). What else has no
    source is common practice: the bar is over the shoulders at lockout with the elbows nearly
    straight, forearms are upright seen from the side when the bar is on the chest, elbows stay
    below the wrists, and both arms do alike.

    The network's error has a part that stays the same while the picture stays alike, with the bar
    low and with it high, and a part that is each frame's own. `common_share` and `own_share` are
    their standard deviations as shares of the stated one; a frame's own part is counted larger
    than it scatters, since neighbouring frames are no independent readings; `common_m` and
    `own_m` are added to them, metres. `arms_alike` and `ends_alike` are the correlation of the
    former between both arms and between the bar low and
    high. All of these are of the tuning clips. A bar's shaft is 1.31 m
    long between the collars and the bar 2.20 m over all (IPF Technical Rules Book, from memory);
    other bars differ mostly in the latter. `model_factor` widens the fit's spread for what its
    model leaves out.
    """

    upper_arm_m: float | None = None
    upper_arm_sd_m: float = 0.01
    stature_m: float = 1.74
    stature_rel_sd: float = 0.07
    upper_arm_share: float = 0.166
    forearm_share: float = 0.153
    share_rel_sd: float = 0.08
    length_ratio_sd: float = 0.10
    shoulder_half_m: float = 0.18
    shoulder_half_sd_m: float = 0.025
    shoulder_behind_bar_m: float = 0.0
    shoulder_behind_bar_sd_m: float = 0.04
    shoulder_give_sd_m: float = 0.012
    grip_half_m: float = 0.35
    grip_half_sd_m: float = 0.05
    hand_m: float = 0.079
    hand_sd_m: float = 0.008
    hand_lean_sd_m: float = 0.008
    touch_m: float = 0.22
    touch_sd_m: float = 0.045
    straight: float = 0.985
    straight_sd: float = 0.012
    forearm_upright_sd_m: float = 0.06
    lean_within_sd_m: float = 0.03
    swivel_deg: float = 45.0
    swivel_mean_sd_deg: float = 25.0
    swivel_sd_deg: float = 25.0
    swivel_acceleration_rad_s2: float = 8.0
    sides_alike_m: float = 0.015
    sides_alike_deg: float = 6.0
    bar_part_m: dict[str, tuple[float, float]] = field(
        default_factory=lambda: {"collar": (0.655, 0.01), "bar_end": (1.10, 0.05)}
    )
    common_share: float = 0.85
    common_m: float = 0.003
    arms_alike: float = 0.6
    ends_alike: float = 0.5
    own_share: float = 2.1
    own_m: float = 0.009
    max_frames: int = 48
    n_rounds: int = 3
    n_steps: int = 20
    degrees_of_freedom: float = 4.0
    given_sd_m: float = 0.005
    model_factor: float = 1.15
    n_draws: int = 120
    seed: int = 7


@dataclass(frozen=True)
class Sight:
    """A pinhole camera in the world of the arms.

    Attributes
    ----------
    axes : ndarray, shape (3, 3)
        World axes as columns in camera axes (X right, Y down, Z forward).
    origin_m : ndarray, shape (3,)
        World origin in camera axes.
    focal_px : float
    principal_px : ndarray, shape (2,)
    view : {'side', 'front', 'oblique'}
    head : int
        1 when the head lies to the image's right, -1 to the left; 0 from the front.
    near_m : float
        z of the followed plate's middle; 0 from the front.
    turn_sd_deg, nod_sd_deg : float
        How well it is known which way the camera looks at the bar.
    """

    axes: Floats
    origin_m: Floats
    focal_px: float
    principal_px: Floats
    view: str
    head: int
    near_m: float = 0.0
    turn_sd_deg: float = 1.0
    nod_sd_deg: float = 0.8

    def turned(self, angle_rad: float, nod_rad: float = 0.0) -> "Sight":
        """The camera if lifter and bar were turned about the followed plate's middle.

        By `angle_rad` about the upright axis, and then by `nod_rad` about the picture's x axis.
        """
        turn = Rotation.from_rotvec([0.0, angle_rad, 0.0]).as_matrix()
        nod = Rotation.from_rotvec([nod_rad, 0.0, 0.0]).as_matrix()
        axes = nod @ self.axes @ turn
        pivot = np.array([0.0, 0.0, self.near_m])
        return replace(self, axes=axes, origin_m=self.origin_m + self.axes @ pivot - axes @ pivot)

    def moved(self, factor: float, lift_m: float) -> "Sight":
        """The camera in a world in which its own lengths are `factor` times longer and lie higher.

        Examples
        --------
        >>> level = np.diag([1.0, -1.0, -1.0])
        >>> sight = Sight(level, np.array([0.0, 0.0, 3.0]), 1000.0, np.zeros(2), "side", 1)
        >>> point = np.array([0.1, 0.2, 0.0])
        >>> there = sight.moved(1.01, 0.5).project(1.01 * point + [0.0, 0.5, 0.0])
        >>> bool(np.allclose(there, sight.project(point)))
        True
        """
        origin = factor * self.origin_m - self.axes @ np.array([0.0, lift_m, 0.0])
        return replace(self, origin_m=origin, near_m=factor * self.near_m)

    def project(self, points_m: Floats) -> Floats:
        """Image points of world points, (..., 3) to (..., 2)."""
        seen = points_m @ self.axes.T + self.origin_m
        return seen[..., :2] / seen[..., 2:] * self.focal_px + self.principal_px

    def px_per_m(self, points_m: Floats) -> Floats:
        """Scale at world points, (..., 3) to (...)."""
        return self.focal_px / (points_m @ self.axes.T + self.origin_m)[..., 2]

    @property
    def shows(self) -> View:
        """What can be seen from where the camera stood."""
        return view_of(self.view)

    @property
    def across(self) -> Floats:
        """Sign of the picture's x in which an arm's error is counted, for `SIDES`."""
        return OUTWARD if self.shows.widths else np.full(2, float(self.head or 1))


def side_sight(calibration: Calibration, head: int, origin_m: Floats) -> Sight:
    """Camera of a side or oblique view.

    Parameters
    ----------
    calibration : Calibration
    head : int
        From `joints.head_direction`.
    origin_m : ndarray, shape (2,)
        World origin in the axes of `calibrate.side_points`.
    """
    head = head or 1
    up, across, along = world_axes(*calibration.params[:3])
    plate = along * origin_m[0] + up * origin_m[1] + across * calibration.value("log_distance")
    outline_m = calibration.value("outline_m")
    behind = -outline_m if calibration.far else outline_m
    return Sight(
        np.column_stack([head * along, up, -head * across]),
        plate + across * behind,
        calibration.value("log_focal"),
        calibration.principal_px,
        calibration.view,
        head,
        head * behind,
        np.rad2deg(calibration.sd("yaw")),
        np.rad2deg(calibration.sd("pitch")),
    )


def front_sight(calibration: Calibration, origin_m: Floats, along_m: float) -> Sight:
    """Camera of a front view; `origin_m` is across and up, `along_m` the bar's distance there."""
    yaw, pitch, roll = calibration.params[:3]
    up, across, along = front_axes(yaw, pitch, roll)
    return Sight(
        np.column_stack([along, up, across]),
        across * origin_m[0] + up * origin_m[1] + along * along_m,
        calibration.value("log_focal"),
        calibration.principal_px,
        FRONT.name,
        0,
    )


@dataclass(frozen=True)
class Instants:
    """Where the bar was.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        In order.
    bar_m : ndarray, shape (n, 3)
        The bar's middle in the world.
    bar_axis : ndarray, shape (n, 3)
        Unit vector along the bar toward the lifter's left.
    """

    time_s: Floats
    bar_m: Floats
    bar_axis: Floats


@dataclass(frozen=True)
class Sighting:
    """What one camera saw, in the frames in which joints were looked for.

    Attributes
    ----------
    sight : Sight
    at : Instants
        Times on the clock, and places in the world, that all sightings share.
    frame : ndarray of int, shape (n,)
    readings_px : ndarray, shape (n, 2, 6, 2)
        What was seen, by side and point (`SEEN`), in the steadied image; NaN where nothing.
    covariance_px2 : ndarray, shape (n, 2, 6, 2, 2)
        As stated by the network.
    given : ndarray of bool, shape (n, 2, 6), optional
        Readings that a person put right: nearly certain.
    """

    sight: Sight
    at: Instants
    frame: NDArray[np.int64]
    readings_px: Floats
    covariance_px2: Floats
    given: NDArray[np.bool_] | None = None

    def part(self, rows: NDArray[np.intp]) -> "Sighting":
        """Some of the frames."""
        at = Instants(self.at.time_s[rows], self.at.bar_m[rows], self.at.bar_axis[rows])
        return replace(
            self,
            at=at,
            frame=self.frame[rows],
            readings_px=self.readings_px[rows],
            covariance_px2=self.covariance_px2[rows],
            given=None if self.given is None else self.given[rows],
        )


@dataclass(frozen=True)
class ArmFit:
    """Arms of a set.

    Attributes
    ----------
    frame : ndarray of int, shape (n,)
        -1 at instants without a frame.
    view : ndarray of int, shape (n,)
        Which sighting the frame is of; -1 at instants without a frame.
    time_s : ndarray, shape (n,)
        In order.
    points_m : ndarray, shape (n, 2, 4, 3)
        World coordinates by frame, side (`SIDES`) and joint (`FITTED`).
    draws_m : ndarray, shape (k, n, 2, 4, 3)
        Arms drawn from the fit's covariance; their spread is the uncertainty, their togetherness
        the correlation between joints and frames.
    upper_arm_m, forearm_m, grip_width_m, shoulder_width_m : tuple of float
        Value and standard uncertainty.
    kept : ndarray, shape (n, 2, 6)
        Weight, 0 to 1, that each reading (`SEEN`) kept against all else; NaN where none was.
    cost : float
        Half the sum of squares that was made least, robust for the readings; the lower of two fits
        to the same readings agrees better.
    misfit : float
        Root mean square of the readings' distances from the arms, in units of their scatter.
    sights : tuple of Sight
        The cameras, as turned by the fit.
    """

    frame: NDArray[np.int64]
    view: NDArray[np.int64]
    time_s: Floats
    points_m: Floats
    draws_m: Floats
    upper_arm_m: tuple[float, float]
    forearm_m: tuple[float, float]
    grip_width_m: tuple[float, float]
    shoulder_width_m: tuple[float, float]
    kept: Floats
    cost: float
    misfit: float
    sights: tuple[Sight, ...]

    def sd_m(self) -> Floats:
        """Standard uncertainty per world axis, shape (n, 2, 4, 3)."""
        return self.draws_m.std(axis=0)


SHARED = (
    "log_upper",
    "log_forearm",
    *(f"{side}_shoulder_{axis}" for side in SIDES for axis in "xyz"),
    *(f"give_{axis}" for axis in "xyz"),
    *(f"{side}_grip" for side in SIDES),
    "hand_lean",
    "hand",
    *(f"{side}_forearm_lean" for side in SIDES),
    "swivel",
    "swivel_apart",
)
_AT = {name: k for k, name in enumerate(SHARED)}
N_TURNS = 2
N_BIASES = 2 * 2 * len(SEEN) * 2
"""Bar at the bottom or the top, side, point, picture axis."""
N_OWN = N_TURNS + N_BIASES
"""What is each camera's own: its turn and nod, and the network's errors in it."""
STEP = 1e-6
LEAST_GAP_S = 0.005
"""Frames of two cameras may fall together; so far apart they are taken to be at least."""


@dataclass(frozen=True)
class _Problem:
    """Everything that the residuals are made of; arrays by frame, side, point, axis.

    `root` turns what a reading is off, in metres, into independent parts of unit variance. Values
    are what is shared, then each camera's own, then the swivel of both arms by frame.
    """

    sights: tuple[Sight, ...]
    config: ArmFitConfig
    view: NDArray[np.int64]
    time_s: Floats
    bar_m: Floats
    axis: Floats
    low: Floats
    seen_px: Floats
    root: Floats
    given: NDArray[np.bool_]
    prior: Floats
    prior_sd: Floats
    whitener: Floats

    @property
    def n_frames(self) -> int:
        return len(self.bar_m)

    @property
    def n_fixed(self) -> int:
        return len(SHARED) + N_OWN * len(self.sights)

    def turned(self, values: Floats) -> list[Sight]:
        """The cameras as turned."""
        begins = len(SHARED) + N_OWN * np.arange(len(self.sights))
        return [
            sight.turned(*values[begin : begin + N_TURNS])
            for sight, begin in zip(self.sights, begins, strict=True)
        ]

    def with_stiff_cameras(self) -> "_Problem":
        """With the cameras ten times better known."""
        sd = self.prior_sd.copy()
        for view in range(len(self.sights)):
            begin = len(SHARED) + N_OWN * view
            sd[begin : begin + N_TURNS] /= 10
        return replace(self, prior_sd=sd)

    def biases(self, values: Floats, view: int, low: Floats) -> Floats:
        """What all readings of a camera are off in m, shape (n, 2, 6, 2)."""
        begin = len(SHARED) + N_OWN * view + N_TURNS
        bottom, top = values[begin : begin + N_BIASES].reshape(2, 2, len(SEEN), 2)
        low = low[:, None, None, None]
        return low * bottom + (1 - low) * top

    def arms(self, values: Floats) -> tuple[Floats, Floats]:
        """World points, shape (n, 2, 4, 3), and the reach's share of the arm's length, (n, 2)."""
        upper, forearm = np.exp(values[:2])
        shoulders = values[_AT["left_shoulder_x"] :][:6].reshape(2, 3)
        give = values[_AT["give_x"] :][:3] * np.column_stack([np.ones(2), np.ones(2), OUTWARD])
        shoulder = shoulders + self.low[:, None, None] * give
        grip = values[_AT["left_grip"] :][:2] * OUTWARD
        hand = self.bar_m[:, None] + grip[:, None] * self.axis[:, None]
        wrist = hand + np.array([values[_AT["hand_lean"]], -values[_AT["hand"]], 0.0])
        reach = wrist - shoulder
        distance = np.sqrt((reach**2).sum(axis=-1) + SMALL)
        toward = reach / distance[..., None]
        # Where the line from shoulder to wrist meets the circle on which the elbow may lie.
        before = (upper**2 - forearm**2 + distance**2) / (2 * distance)
        square = upper**2 - before**2
        radius = np.sqrt((square + np.sqrt(square**2 + SMALL)) / 2)
        out = np.zeros_like(toward)
        out[..., 2] = OUTWARD
        out -= (out * toward).sum(axis=-1, keepdims=True) * toward
        out /= np.sqrt((out**2).sum(axis=-1, keepdims=True) + SMALL)
        feetward = -OUTWARD[:, None] * np.cross(toward, out)
        swivel = values[self.n_fixed :].reshape(self.n_frames, 2)[..., None]
        turned = np.cos(swivel) * out + np.sin(swivel) * feetward
        elbow = shoulder + before[..., None] * toward + radius[..., None] * turned
        points = np.stack([shoulder, elbow, wrist, hand], axis=2)
        return points, distance / (upper + forearm)

    def shown(self, points: Floats) -> Floats:
        """World places of all that can be seen, shape (n, 2, 6, 3)."""
        along = np.array([self.config.bar_part_m[name][0] for name in BAR_PARTS])
        parts = OUTWARD[:, None, None] * along[:, None] * self.axis[:, None, None]
        return np.concatenate([points, self.bar_m[:, None, None] + parts], axis=2)

    def misses(self, values: Floats, points: Floats) -> Floats:
        """What readings are off from the arms in units of their sd, shape (n, 2, 6, 2)."""
        off_m = np.full_like(self.seen_px, np.nan)
        places = self.shown(points)
        for view, sight in enumerate(self.turned(values)):
            rows = self.view == view
            off_px = self.seen_px[rows] - sight.project(places[rows])
            signs = np.column_stack([sight.across, [-1.0, -1.0]])[:, None]
            here = off_px / sight.px_per_m(places[rows])[..., None] * signs
            bias_m = self.biases(values, view, self.low[rows])
            off_m[rows] = here - np.where(self.given[rows][..., None], 0.0, bias_m)
        return (self.root @ off_m[..., None])[..., 0]

    def kept(self, weight: Floats) -> Floats:
        """The weights of readings, NaN where there is none."""
        return np.where(np.isfinite(self.seen_px).all(axis=-1), weight, np.nan)

    def residuals(self, values: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
        """Residuals with unit variance where the model holds: of the set, of frames, of threes.

        Shapes (m,), (n, k) and (n - 2, 2); the last two hold nothing that depends on the swivel of
        another frame, or of frames other than three in a row.
        """
        config = self.config
        points, reach = self.arms(values)
        left, right = (values[_AT[f"{side}_shoulder_x"] :][:3] for side in SIDES)
        grips = values[_AT["left_grip"] :][:2]
        deepest = self.low > 0.95
        touch = config.touch_m
        if deepest.any():
            touch = self.bar_m[deepest, 1].mean() - (left[1] + right[1]) / 2
        ratio = np.log(config.upper_arm_share / config.forearm_share)
        high = 1 - np.clip(8 * self.low, 0, 1)
        straight = (high[:, None] * reach).sum(axis=0) / max(high.sum(), SMALL)
        whole = [
            self.whitener @ ((values - self.prior) / self.prior_sd)[: self.n_fixed],
            (left[:2] - right[:2]) / config.sides_alike_m,
            [
                (left[2] + right[2]) / (2 * config.sides_alike_m),
                (grips[0] - grips[1]) / (2 * config.sides_alike_m),
                (values[0] - values[1] - ratio) / config.length_ratio_sd,
                (touch - config.touch_m) / config.touch_sd_m,
            ],
            (straight - config.straight) / config.straight_sd if high.any() else np.zeros(2),
        ]
        miss = self.misses(values, points)
        readings = np.where(np.isfinite(miss), miss, 0.0) * np.sqrt(weight)[..., None]
        swivel = values[self.n_fixed :].reshape(self.n_frames, 2)
        deep = np.clip(4 * self.low - 3, 0, 1)[:, None]
        lean = points[:, :, 2, 0] - points[:, :, 1, 0] - values[_AT["left_forearm_lean"] :][:2]
        apart = swivel[:, 0] - swivel[:, 1] - values[_AT["swivel_apart"]]
        frames = [
            readings.reshape(self.n_frames, -1),
            # An arm cannot reach farther than it is long.
            np.maximum(reach - 0.999, 0.0) / 0.002,
            # Nor does an elbow come up to its wrist.
            np.maximum(points[:, :, 1, 1] - points[:, :, 2, 1] + 0.08, 0.0) / 0.02,
            deep * lean / config.lean_within_sd_m,
            apart[:, None] / np.deg2rad(config.sides_alike_deg),
            (swivel - values[_AT["swivel"]]) / np.deg2rad(config.swivel_sd_deg),
        ]
        step = np.maximum(np.diff(self.time_s), LEAST_GAP_S)[:, None]
        slope = np.diff(swivel, axis=0) / step
        bend = 2 * np.diff(slope, axis=0) / (step[1:] + step[:-1])
        return (
            np.concatenate(whole),
            np.concatenate(frames, axis=1),
            bend / config.swivel_acceleration_rad_s2,
        )

    def _bias_columns(self, out: Floats, begin: int, n_local: int, weight: Floats) -> None:
        """Derivatives by the biases, which are known beforehand."""
        columns = np.arange(len(SHARED), self.n_fixed)
        out[: self.n_fixed, columns] = self.whitener[:, columns] / self.prior_sd[columns]
        used = np.isfinite(self.seen_px).all(axis=-1) & ~self.given
        pull = np.where(used, -np.sqrt(weight), 0.0)[..., None, None] * self.root
        pull = np.where(np.isfinite(pull), pull, 0.0)
        own = len(SHARED) + N_TURNS
        for view in range(len(self.sights)):
            frames = np.flatnonzero(self.view == view)
            for end, share in enumerate((self.low[frames], 1.0 - self.low[frames])):
                first = own + N_OWN * view + end * N_BIASES // 2
                for side, point, part, axis in np.ndindex(2, len(SEEN), 2, 2):
                    k = 2 * (side * len(SEEN) + point)
                    rows = begin + n_local * frames + k + part
                    out[rows, first + k + axis] = share * pull[frames, side, point, part, axis]

    def flat(self, values: Floats, weight: Floats) -> Floats:
        return np.concatenate([part.ravel() for part in self.residuals(values, weight)])

    def cost(self, values: Floats) -> float:
        """Half the sum of squares, with the readings as Student's t has them."""
        nu = self.config.degrees_of_freedom
        rest = self.flat(values, np.zeros(self.seen_px.shape[:3]))
        miss = self.misses(values, self.arms(values)[0])
        square = np.where(np.isfinite(miss), miss, 0.0) ** 2
        robust = (nu + 2) / 2 * np.log1p(square.sum(axis=-1) / nu)
        return float(0.5 * (rest**2).sum() + robust.sum())

    def jacobian(self, values: Floats, weight: Floats) -> Floats:
        """Derivatives by forward differences; swivels three frames apart are moved together."""
        base = self.residuals(values, weight)
        ends = np.cumsum([part.size for part in base])
        out = np.zeros((ends[-1], len(values)))

        def moved(columns: Any) -> list[Floats]:
            other = values.copy()
            other[columns] += STEP
            pairs = zip(self.residuals(other, weight), base, strict=True)
            return [(there - here) / STEP for there, here in pairs]

        turns = len(SHARED) + np.add.outer(N_OWN * np.arange(len(self.sights)), np.arange(N_TURNS))
        for k in [*range(len(SHARED)), *turns.ravel()]:
            out[:, k] = np.concatenate([part.ravel() for part in moved(k)])
        self._bias_columns(out, ends[0], base[1].shape[1], weight)
        frames = np.arange(self.n_frames)
        n_local = base[1].shape[1]
        for side in range(2):
            for phase in range(3):
                column = self.n_fixed + 2 * frames + side
                _, local, bend = moved(column[phase::3])
                for k in frames[phase::3]:
                    out[ends[0] + k * n_local + np.arange(n_local), column[k]] = local[k]
                    for first in range(max(k - 2, 0), min(k, self.n_frames - 3) + 1):
                        out[ends[1] + 2 * first + side, column[k]] = bend[first, side]
        return out


def fit_arms(
    sightings: Sequence[Sighting],
    config: ArmFitConfig | None = None,
    also: Instants | None = None,
) -> ArmFit | None:
    """Fit both arms to a set.

    Parameters
    ----------
    sightings : sequence of Sighting
        Of one camera, or of two that saw the same set.
    config : ArmFitConfig, optional
    also : Instants, optional
        Further instants at which the arms are wanted.

    Returns
    -------
    ArmFit or None
        None when fewer than five frames hold readings of any arm.
    """
    config = config or ArmFitConfig()
    seen = _merged(sightings, also)
    known = np.isfinite(seen.bar_m).all(axis=1)
    read = np.isfinite(seen.readings_px).all(axis=-1)
    if (known & read[:, :, :2].any(axis=(1, 2))).sum() < 5:
        return None
    common_m = _common_sd_m(seen, config)
    chosen = _chosen(known, seen.view, seen.bar_m[:, 1], config.max_frames)
    problem = _problem(seen, chosen, common_m, config)
    # With the cameras free from the start an arm may settle bent the wrong way round.
    values, _ = _solve(problem.with_stiff_cameras(), rounds=1)
    values, weight = _solve(problem, values)
    jacobian = problem.jacobian(values, weight)
    rng = np.random.default_rng(config.seed)
    draws = values + config.model_factor * _spread(jacobian, config.n_draws, rng)
    points = np.full((len(seen.time_s), 2, len(FITTED), 3), np.nan)
    kept = np.full(read.shape, np.nan)
    # Long sets have thousands of frames: single precision is far finer than the arms are known.
    drawn = np.full((config.n_draws, *points.shape), np.nan, dtype=np.float32)
    points[chosen], kept[chosen] = problem.arms(values)[0], problem.kept(weight)
    drawn[:, chosen] = [problem.arms(draw)[0] for draw in draws]
    rest = np.setdiff1d(np.flatnonzero(known), chosen)
    for part in np.array_split(rest, -(-len(rest) // config.max_frames)) if len(rest) else ():
        piece = _problem(seen, part, common_m, config)
        points[part], kept[part], drawn[:, part] = _rest(piece, values, draws, rng)
    first, last = draws[:, :2], draws[:, _AT["left_grip"] :][:, :2]
    shoulders = draws[:, _AT["left_shoulder_z"]] - draws[:, _AT["right_shoulder_z"]]
    return ArmFit(
        frame=seen.frame,
        view=seen.view,
        time_s=seen.time_s,
        points_m=points,
        draws_m=drawn,
        upper_arm_m=(float(np.exp(values[0])), float(np.exp(first[:, 0]).std())),
        forearm_m=(float(np.exp(values[1])), float(np.exp(first[:, 1]).std())),
        grip_width_m=(
            float(values[_AT["left_grip"] :][:2].sum()),
            float(last.sum(axis=1).std()),
        ),
        shoulder_width_m=(
            float(values[_AT["left_shoulder_z"]] - values[_AT["right_shoulder_z"]]),
            float(shoulders.std()),
        ),
        kept=kept,
        cost=problem.cost(values),
        misfit=float(np.sqrt(np.nanmean(problem.misses(values, points[chosen]) ** 2))),
        sights=tuple(problem.turned(values)),
    )


@dataclass(frozen=True)
class _Merged:
    """All frames of all cameras, and further instants, in order of time."""

    sights: tuple[Sight, ...]
    view: NDArray[np.int64]
    frame: NDArray[np.int64]
    time_s: Floats
    bar_m: Floats
    axis: Floats
    readings_px: Floats
    covariance_px2: Floats
    given: NDArray[np.bool_]


def _merged(sightings: Sequence[Sighting], also: Instants | None) -> _Merged:
    parts: list[tuple[Any, ...]] = []
    for view, one in enumerate(sightings):
        given = one.given
        if given is None:
            given = np.zeros(one.readings_px.shape[:3], dtype=bool)
        at = (one.at.time_s, one.at.bar_m, one.at.bar_axis)
        seen = (one.readings_px, one.covariance_px2, given)
        parts.append((np.full(len(one.frame), view), one.frame, *at, *seen))
    if also is not None:
        shape = (len(also.time_s), 2, len(SEEN), 2)
        none = np.full(len(also.time_s), -1)
        nothing, spread = np.full(shape, np.nan), np.full((*shape, 2), np.nan)
        at = (also.time_s, also.bar_m, also.bar_axis)
        parts.append((none, none, *at, nothing, spread, np.zeros(shape[:3], dtype=bool)))
    whole = [np.concatenate(column) for column in zip(*parts, strict=True)]
    order = np.argsort(whole[2], kind="stable")
    return _Merged(tuple(one.sight for one in sightings), *(column[order] for column in whole))


def _chosen(
    known: NDArray[np.bool_], view: NDArray[np.int64], height_m: Floats, limit: int
) -> NDArray[np.intp]:
    """Frames that the set's constants are fitted to, spread evenly over the bar's heights."""
    n_views = int(view.max()) + 1
    picked = []
    for k in range(n_views):
        rows = np.flatnonzero(known & (view == k))
        by_height = rows[np.argsort(height_m[rows], kind="stable")]
        n_picks = min(len(rows), limit // n_views)
        picked.append(by_height[np.linspace(0, len(rows) - 1, n_picks).round().astype(int)])
    return np.sort(np.concatenate(picked))


def _lowness(seen: _Merged) -> Floats:
    """How low the bar is, shape (n,): 0 at the set's top, 1 at its bottom."""
    top, bottom = np.nanpercentile(seen.bar_m[:, 1], [97, 3])
    return np.clip((top - seen.bar_m[:, 1]) / max(top - bottom, 0.05), 0.0, 1.0)


def _covariance_m2(seen: _Merged, rows: NDArray[np.intp]) -> Floats:
    """Stated covariance of readings in metres, shape (n, 2, 6, 2, 2), axes as in `misses`."""
    out = np.full((len(rows), 2, len(SEEN), 2, 2), np.nan)
    for view, sight in enumerate(seen.sights):
        mine = seen.view[rows] == view
        scale = sight.px_per_m(seen.bar_m[rows][mine])[:, None, None]
        signs = np.column_stack([sight.across, [-1.0, -1.0]])[None] / scale
        flip = signs[:, :, None, :, None] * signs[:, :, None, None, :]
        out[mine] = seen.covariance_px2[rows][mine] * flip
    return out


def _common_sd_m(seen: _Merged, config: ArmFitConfig) -> list[Floats]:
    """For each camera the sd of what all its readings are off, (2, 2, 6, 2) by end of the way."""
    low = _lowness(seen)
    floor = [config.common_m] * len(FITTED) + [config.bar_part_m[name][1] for name in BAR_PARTS]
    out = []
    for view in range(len(seen.sights)):
        rows = np.flatnonzero(seen.view == view)
        spread = np.diagonal(_covariance_m2(seen, rows), axis1=-2, axis2=-1)
        ends = []
        for share in (low[rows], 1.0 - low[rows]):
            near = np.where(np.isfinite(spread), share[:, None, None, None], 0.0)
            total = (near * np.nan_to_num(spread)).sum(axis=0)
            ends.append(total / np.maximum(near.sum(axis=0), SMALL))
        common = config.common_share**2 * np.array(ends)
        out.append(np.sqrt(common + np.square(floor)[:, None]))
    return out


def _problem(
    seen: _Merged, rows: NDArray[np.intp], common_m: list[Floats], config: ArmFitConfig
) -> _Problem:
    stature, rel = config.stature_m, float(np.hypot(config.stature_rel_sd, config.share_rel_sd))
    upper_m, upper_rel = stature * config.upper_arm_share, rel
    if config.upper_arm_m is not None:
        upper_m, upper_rel = config.upper_arm_m, config.upper_arm_sd_m / config.upper_arm_m
    top, bottom = np.nanpercentile(seen.bar_m[:, 1], [97, 3])
    own, own_sd = [], []
    for sight, common in zip(seen.sights, common_m, strict=True):
        own += [np.zeros(N_TURNS), np.zeros(N_BIASES)]
        own_sd += [np.deg2rad([sight.turn_sd_deg, sight.nod_sd_deg]), common.ravel()]
    given = seen.given[rows]
    own_part = config.own_share**2 * _covariance_m2(seen, rows) + config.own_m**2 * np.eye(2)
    own_part[given] = config.given_sd_m**2 * np.eye(2)
    read = np.isfinite(seen.readings_px[rows]).all(axis=-1)
    read &= np.isfinite(own_part).all(axis=(-2, -1))
    root = np.full(own_part.shape, np.nan)
    root[read] = np.linalg.inv(np.linalg.cholesky(own_part[read]))
    arm_m = stature * (config.upper_arm_share + config.forearm_share) + config.hand_m
    shoulder_y = top - arm_m * config.straight
    prior = {
        "log_upper": (np.log(upper_m), upper_rel),
        "log_forearm": (np.log(stature * config.forearm_share), rel),
        "give_x": (0.0, config.shoulder_give_sd_m),
        "give_y": (-config.shoulder_give_sd_m, config.shoulder_give_sd_m),
        "give_z": (0.0, config.shoulder_give_sd_m),
        "hand_lean": (0.0, config.hand_lean_sd_m),
        "hand": (config.hand_m, config.hand_sd_m),
        "swivel": (np.deg2rad(config.swivel_deg), np.deg2rad(config.swivel_mean_sd_deg)),
        "swivel_apart": (0.0, np.deg2rad(config.sides_alike_deg)),
    }
    high = seen.bar_m[:, 1] > top - 0.15 * (top - bottom)
    lockout_x = float(np.nanmedian(seen.bar_m[high, 0]))
    for side, out in zip(SIDES, OUTWARD, strict=True):
        prior |= {
            f"{side}_shoulder_x": (
                lockout_x + config.shoulder_behind_bar_m,
                config.shoulder_behind_bar_sd_m,
            ),
            # The reach at lockout says how high the bar is over the shoulders.
            f"{side}_shoulder_y": (shoulder_y, 0.5),
            f"{side}_shoulder_z": (
                out * config.shoulder_half_m,
                config.shoulder_half_sd_m,
            ),
            f"{side}_grip": (config.grip_half_m, config.grip_half_sd_m),
            f"{side}_forearm_lean": (0.0, config.forearm_upright_sd_m),
        }
    start, sd = np.array([prior[name] for name in SHARED]).T
    n_swivels = 2 * len(rows)
    return _Problem(
        seen.sights,
        config,
        seen.view[rows],
        seen.time_s[rows],
        seen.bar_m[rows],
        seen.axis[rows],
        _lowness(seen)[rows],
        np.where(read[..., None], seen.readings_px[rows], np.nan),
        root,
        given,
        np.concatenate([start, *own, np.full(n_swivels, np.deg2rad(config.swivel_deg))]),
        np.concatenate([sd, *own_sd, np.full(n_swivels, np.inf)]),
        _whitener(len(seen.sights), config),
    )


def _whitener(n_views: int, config: ArmFitConfig) -> Floats:
    """Root of the inverse correlation of all that is not the frames' own.

    What readings of the left and the right arm are off goes together, and so does what they are off
    with the bar low and with it high.
    """
    ends, sides = (
        np.array([[1.0, alike], [alike, 1.0]]) for alike in (config.ends_alike, config.arms_alike)
    )
    root = np.linalg.inv(np.linalg.cholesky(np.kron(ends, sides)))
    # Order: bottom or top, side, point, axis.
    own = [np.eye(N_TURNS), np.kron(root, np.eye(2 * len(SEEN)))]
    return block_diag(np.eye(len(SHARED)), *(own * n_views))


def _solve(
    problem: _Problem, start: Floats | None = None, rounds: int | None = None
) -> tuple[Floats, Floats]:
    """Best values and the weights of the readings.

    Readings are reweighted as for Student's t distribution, so that a joint put on something else
    loses its pull (Lange, Little and Taylor 1989, Robust statistical modeling using the t
    distribution; from memory).
    """
    values = problem.prior.copy() if start is None else start
    nu = problem.config.degrees_of_freedom
    weight = np.ones(problem.seen_px.shape[:3])
    for _ in range(rounds or problem.config.n_rounds):
        found = least_squares(
            problem.flat,
            values,
            jac=problem.jacobian,
            method="lm",
            x_scale="jac",
            max_nfev=problem.config.n_steps,
            ftol=1e-5,
            xtol=1e-6,
            args=(weight,),
        )
        values = found.x
        miss = problem.misses(values, problem.arms(values)[0])
        robust = (nu + 2) / (nu + (miss**2).sum(axis=-1))
        plain = problem.given | ~np.isfinite(miss).all(axis=-1)
        weight = np.where(plain, 1.0, robust)
    return values, weight


def _spread(jacobian: Floats, n_draws: int, rng: np.random.Generator) -> Floats:
    """Deviations drawn from the inverse of J'J."""
    lower = np.linalg.cholesky(jacobian.T @ jacobian)
    noise = rng.standard_normal((jacobian.shape[1], n_draws))
    return solve_triangular(lower.T, noise, lower=False).T


def _rest(
    problem: _Problem,
    values: Floats,
    draws: Floats,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, Floats]:
    """Arms of further frames, with what holds for the whole set as found.

    A draw of the set's constants moves these frames' swivels by their linear response.
    """
    n = problem.n_fixed
    held = np.r_[values[:n], problem.prior[n:]]
    spread = np.r_[np.full(n, SMALL), problem.prior_sd[n:]]
    fixed = replace(problem, prior=held, prior_sd=spread)
    here, weight = _solve(fixed, held, rounds=3)
    jacobian = fixed.jacobian(here, weight)
    set_part, frame_part = jacobian[:, :n], jacobian[:, n:]
    inner = frame_part.T @ frame_part
    response = -np.linalg.solve(inner, frame_part.T @ set_part)
    own = problem.config.model_factor * _spread(frame_part, len(draws), rng)
    moved = draws[:, :n] - values[:n]
    swivels = here[n:] + moved @ response.T + own
    drawn = [
        problem.arms(np.r_[fixed_part, swivel])[0]
        for fixed_part, swivel in zip(draws[:, :n], swivels, strict=True)
    ]
    return problem.arms(here)[0], fixed.kept(weight), np.array(drawn)


def arm_table(fit: ArmFit, to_image: Floats) -> pd.DataFrame:
    """The arms fitted to one camera's clip as a table, in the image and in the world.

    Parameters
    ----------
    fit : ArmFit
    to_image : ndarray, shape (n, 2, 3)
        Steadied image to the frame's own.

    Returns
    -------
    DataFrame
        `frame`, `time_s` and for both sides and each of `FITTED` `{side}_{joint}_x_px, _y_px` in
        the image, `_x_m, _y_m, _z_m` in the world, `_sd_m` (standard uncertainty in the picture's
        plane, the worse axis) and `_confidence`, which falls from 1 as that grows, to one half at
        5 cm.
    """
    sight = fit.sights[0]
    px = sight.project(fit.points_m)
    px = np.einsum("nij,nabj->nabi", to_image[:, :, :2], px) + to_image[:, None, None, :, 2]
    scale = sight.px_per_m(fit.points_m)
    sd_px = [sight.project(fit.draws_m[:, k]).std(axis=0) for k in range(len(fit.frame))]
    sd_m = np.max(sd_px, axis=-1) / scale
    parts: dict[str, Any] = {"frame": fit.frame, "time_s": fit.time_s}
    for a, side in enumerate(SIDES):
        for j, joint in enumerate(FITTED):
            name = f"{side}_{joint}"
            for k, axis in enumerate("xy"):
                parts[f"{name}_{axis}_px"] = px[:, a, j, k]
            for k, axis in enumerate("xyz"):
                parts[f"{name}_{axis}_m"] = fit.points_m[:, a, j, k]
            parts[f"{name}_sd_m"] = sd_m[:, a, j]
            parts[f"{name}_confidence"] = 1.0 / (1.0 + (sd_m[:, a, j] / 0.05) ** 2)
    return pd.DataFrame(parts)


def read_joints(pose: pd.DataFrame) -> tuple[Floats, Floats]:
    """What a pose table shows of the arms and the bar, as arrays.

    Parameters
    ----------
    pose : DataFrame
        Pose table with n rows, in steadied image coordinates.

    Returns
    -------
    readings_px : ndarray, shape (n, 2, 6, 2)
        By side and point (`SEEN`); NaN where nothing was read.
    covariance_px2 : ndarray, shape (n, 2, 6, 2, 2)
    """
    columns = [f"{side}_{name}_{part}" for side in SIDES for name in SEEN for part in PLACE]
    values = pose.reindex(columns=columns).to_numpy(dtype=float, copy=True)
    values = values.reshape(len(pose), 2, len(SEEN), len(PLACE))
    return values[..., :2], values[..., 2:][..., [[0, 1], [1, 2]]]
