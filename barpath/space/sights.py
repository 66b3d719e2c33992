"""Cameras in the world of the arms, and what each of them saw of arms and bar.

World axes, metres, origin in the bar's middle at the first lockout: x toward the lifter's head, y
up, z toward the lifter's left.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from barpath.ground.view import FRONT, View, view_of
from barpath.sight.jointnet import SIDES
from barpath.sight.pose import PLACE
from barpath.space.fittedcamera import Calibration
from barpath.space.pinhole import front_axes, seen_px, world_axes

Floats = NDArray[np.float64]

OUTWARD = np.array([1.0, -1.0])
"""Sign of z away from the body's midline, for `SIDES`."""
FITTED = ("shoulder", "elbow", "wrist", "hand")
BAR_PARTS = ("collar", "bar_end")
SEEN = (*FITTED, *BAR_PARTS)
"""What the network reads: joints, and the parts of the bar that say how it lies in the picture."""


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
    lengths_rel_sd : tuple of float
        Relative standard uncertainty of lengths across its picture and up, as against those of the
        world; 0 where the world's lengths are its own.
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
    lengths_rel_sd: tuple[float, float] = (0.0, 0.0)

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

    def project(self, points_m: NDArray[np.floating[Any]]) -> Floats:
        """Image points of world points, (..., 3) to (..., 2)."""
        seen = points_m @ self.axes.T + self.origin_m
        return seen_px(seen, self.focal_px, self.principal_px)

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
        World origin in the axes of `camera.side_points`.
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
