"""What the static scenery tells: how the camera moved, and how it was rolled.

`CameraMotion` follows corners of the scenery from a key frame to every other frame and fits a
similarity to the consensus, so that a handheld clip can be steadied. `scene_roll` finds the image's
vertical vanishing point from long straight edges and reports how far the camera was rolled.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from barpath.errors import OptionError
from barpath.ground.choice import best_index, ranked

FloatArray = NDArray[np.float64]

IDENTITY: FloatArray = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
IDENTITY.setflags(write=False)


@dataclass(frozen=True)
class SceneConfig:
    """Settings of this stage.

    Attributes
    ----------
    work_width_px
        Largest width of the grey image in which corners are followed; wider frames are halved
        until they fit.
    n_features
        Corners looked for in a key frame, spread over `grid_columns` x `grid_rows` cells.
    grid_columns, grid_rows
        Cells over which the corners are spread.
    forward_backward_px
        A corner is kept when following it there and back ends this near its start (reduced image).
    inlier_px
        Distance from the common motion up to which a corner counts as scenery (reduced image).
    min_inliers
        Fewer agreeing corners than this give no estimate.
    rekey_share
        A new key frame is taken when fewer than this share of the key frame's corners still agree.
    still_px_per_1000
        Movement, in thousandths of the image's width, below which the camera counts as still: the
        error of the estimate itself is of this size, so a smaller movement cannot be removed.
    settle_s
        Time a camera must keep still to count as standing.
    standing_share
        Share of the frames that must belong to standing stretches for a clip to be treated as
        filmed from a stand that was touched.
    roll_width_px
        Width of the image in which straight lines are looked for.
    min_line_share
        Shortest line used for the roll, as a share of the image's height.
    max_lean_deg
        Lines leaning further than this from the vertical (or horizontal) are not used.
    plumb_sd_deg
        How far racks, walls and door frames stand off the plumb line, one standard deviation
        (common practice, no source).
    pitch_sd_deg
        Prior spread of the camera's pitch, used where the lines do not fix it.
    level_sd_deg
        Uncertainty given to near-horizontal lines, which perspective tilts.
    lens_sd_deg
        What the lens's distortion may add to every line alike (common practice, no source).
    """

    work_width_px: int = 480
    n_features: int = 72
    grid_columns: int = 8
    grid_rows: int = 6
    forward_backward_px: float = 0.5
    inlier_px: float = 0.8
    min_inliers: int = 10
    rekey_share: float = 0.5
    still_px_per_1000: float = 0.35
    settle_s: float = 1.0
    standing_share: float = 0.8
    roll_width_px: int = 960
    min_line_share: float = 0.08
    max_lean_deg: float = 20.0
    plumb_sd_deg: float = 0.4
    pitch_sd_deg: float = 15.0
    level_sd_deg: float = 3.0
    lens_sd_deg: float = 0.25


def compose(outer: ArrayLike, inner: ArrayLike) -> FloatArray:
    """Return the 2x3 transform that applies `inner` first and `outer` after it.

    Examples
    --------
    >>> shift = [[1, 0, 5], [0, 1, 0]]
    >>> double = [[2, 0, 0], [0, 2, 0]]
    >>> compose(double, shift).tolist()
    [[2.0, 0.0, 10.0], [0.0, 2.0, 0.0]]
    """
    a, b = np.asarray(outer, dtype=float), np.asarray(inner, dtype=float)
    return np.column_stack([a[:, :2] @ b[:, :2], a[:, :2] @ b[:, 2] + a[:, 2]])


def apply_transform(transform: ArrayLike, points_px: ArrayLike) -> FloatArray:
    """Map points of shape (..., 2) through 2x3 transforms of shape (2, 3) or (..., 2, 3).

    Examples
    --------
    >>> apply_transform([[1, 0, 5], [0, 1, -2]], [[1.0, 1.0]]).tolist()
    [[6.0, -1.0]]
    """
    t = np.asarray(transform, dtype=float)
    p = np.asarray(points_px, dtype=float)
    return np.einsum("...ij,...j->...i", t[..., :2], p) + t[..., 2]


def transforms_of(table: pd.DataFrame) -> FloatArray:
    """Return a camera table's transforms as an array of shape (n, 2, 3)."""
    columns = ["m00", "m01", "m02", "m10", "m11", "m12"]
    return table[columns].to_numpy(dtype=float).reshape(-1, 2, 3)


@dataclass
class _KeyFrame:
    """A frame whose corners are followed; `to_first` maps its reduced image to the first one's."""

    grey: NDArray[np.uint8]
    points: NDArray[np.float32]
    to_first: FloatArray
    alive: NDArray[np.bool_]
    misses: NDArray[np.int64]
    best: int = 0


@dataclass(frozen=True)
class _Fit:
    """A frame fitted to a key frame: corners found `here`, of which `inlier` agree."""

    key: _KeyFrame
    to_key: FloatArray
    residual: float
    here: NDArray[np.float32]
    inlier: NDArray[np.bool_]

    @property
    def n_inliers(self) -> int:
        return int(self.inlier.sum())


class CameraMotion:
    """Estimate the camera's motion from static scenery, one frame at a time.

    Corners spread over the frame are followed from a key frame, so errors do not add up from frame
    to frame; they add only where a new key frame must be taken. People and the bar move against the
    scenery and are left out by the consensus of the fit.

    Parameters
    ----------
    config
        Settings.
    exclude
        Boxes ``(x0, y0, x1, y1)`` in image pixels in which no corner is taken.

    Examples
    --------
    >>> motion = CameraMotion()
    >>> motion.table().empty
    True
    """

    def __init__(
        self,
        config: SceneConfig | None = None,
        exclude: Sequence[tuple[float, float, float, float]] = (),
    ) -> None:
        self.config = config or SceneConfig()
        self._exclude = tuple(exclude)
        self._key: _KeyFrame | None = None
        self._scale = 1.0
        self._width_px = 0
        self._height_px = 0
        self._last: FloatArray = IDENTITY
        self._keys: list[_KeyFrame] = []
        self._failed_run = 0
        self._worn_run = 0
        self._since_switch = 0
        self._frames: list[int] = []
        self._times: list[float] = []
        self._transforms: list[FloatArray] = []
        self._residuals: list[float] = []

    def update(self, frame: Any) -> FloatArray:
        """Add a frame and return its transform to the first frame, as measured so far.

        Parameters
        ----------
        frame
            Anything with ``index``, ``time_s`` and ``image`` (RGB or grey, ``uint8``).

        Returns
        -------
        ndarray of shape (2, 3)
            Image to steadied image, in pixels; NaN where it could not be measured. `table` refines
            it once the whole clip is known.
        """
        grey = self._reduce(frame.image)
        if self._key is None:
            self._take_key(grey, IDENTITY.copy(), np.empty((0, 2), np.float32))
            small, residual = IDENTITY.copy(), 0.0
        else:
            small, residual = self._follow(grey)
        full = small.copy()
        full[:, 2] = self._offset_to_full(small)
        self._frames.append(int(frame.index))
        self._times.append(float(frame.time_s))
        self._transforms.append(full)
        self._residuals.append(residual * self._scale)
        return full

    def table(self) -> pd.DataFrame:
        """Return the camera table of the frames given so far.

        Returns
        -------
        DataFrame
            ``frame, time_s, m00, m01, m02, m10, m11, m12, residual_px, static``. The transforms map
            the image to the first frame's image. When the camera stood still they are exactly the
            identity and ``static`` is true. A camera that stood still except for a knock gets one
            constant transform before and one after it. When too little scenery could be followed
            the identity is returned with ``residual_px`` NaN and ``static`` false.
        """
        transforms = np.array(self._transforms, dtype=float).reshape(-1, 2, 3)
        times = np.array(self._times, dtype=float)
        residual = np.array(self._residuals, dtype=float)
        static = False
        if len(times):
            measured = np.isfinite(transforms).all(axis=(1, 2))
            if measured.mean() < 0.5 or measured.sum() < min(2, len(times)):
                transforms = np.broadcast_to(IDENTITY, transforms.shape).copy()
                residual = np.full(len(times), np.nan)
            else:
                transforms, static = settle_standing_stretches(
                    transforms, times, self._width_px, self._height_px, self.config
                )
        table = pd.DataFrame({"frame": np.array(self._frames, dtype=int), "time_s": times})
        for row in range(2):
            for column in range(3):
                table[f"m{row}{column}"] = transforms[:, row, column]
        table["residual_px"] = residual
        table["static"] = static
        return table

    def _reduce(self, image: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the reduced grey image, and note the frame's size."""
        height, width = image.shape[:2]
        if self._width_px == 0:
            self._width_px, self._height_px = width, height
            while width / self._scale > self.config.work_width_px:
                self._scale *= 2.0
        elif (width, height) != (self._width_px, self._height_px):
            raise OptionError(
                f"The frames change size from {self._width_px}x{self._height_px} "
                f"to {width}x{height}."
            )
        scale = 1.0
        while scale < self._scale:
            # Halves exactly, unlike a free resize, so that the scale is the same along both axes.
            even = image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2]
            image = cv2.resize(even, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            scale *= 2.0
        return image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)

    def _offset_to_full(self, small: FloatArray) -> FloatArray:
        """Return a reduced transform's offset in full pixels.

        A full pixel p lies at (p + 0.5) / s - 0.5 in the reduced image.
        """
        half = 0.5 * (self._scale - 1.0)
        shift = np.array([half, half])
        return self._scale * small[:, 2] + shift - small[:, :2] @ shift

    def _take_key(
        self, grey: NDArray[np.uint8], to_first: FloatArray, movers: NDArray[np.float32]
    ) -> None:
        """Make a frame the key frame, keeping away from points that moved against the scenery."""
        config = self.config
        height, width = grey.shape
        mask = np.full(grey.shape, 255, np.uint8)
        for x0, y0, x1, y1 in self._exclude:
            corners = np.array([[x0, y0], [x1, y1]]) / self._scale
            low, high = np.floor(corners[0]).astype(int), np.ceil(corners[1]).astype(int)
            mask[max(0, low[1]) : max(0, high[1]) + 1, max(0, low[0]) : max(0, high[0]) + 1] = 0
        for x, y in movers:
            cv2.circle(mask, (round(float(x)), round(float(y))), max(6, width // 40), 0, -1)
        corners = cv2.goodFeaturesToTrack(
            grey, 8 * config.n_features, 0.004, max(4, width / 60), mask=mask, blockSize=5
        )
        points = np.empty((0, 2), np.float32) if corners is None else corners.reshape(-1, 2)
        # goodFeaturesToTrack sorts by strength: taking the first few of each cell spreads them.
        cell = np.floor(points * [config.grid_columns / width, config.grid_rows / height])
        cell_number = (cell[:, 1] * config.grid_columns + cell[:, 0]).astype(int)
        rank = pd.Series(cell_number).groupby(cell_number).cumcount().to_numpy()
        order = np.argsort(rank, kind="stable")[: config.n_features]
        chosen = points[order].astype(np.float32)
        self._key = _KeyFrame(
            grey,
            chosen,
            to_first,
            np.ones(len(chosen), bool),
            np.zeros(len(chosen), np.int64),
        )
        self._keys.append(self._key)
        self._last, self._worn_run, self._since_switch = to_first, 0, 0

    def _follow(self, grey: NDArray[np.uint8]) -> tuple[FloatArray, float]:
        """Fit the motion from the key frame; change the key frame when it has worn out."""
        config = self.config
        self._since_switch += 1
        fit = self._fit_to_key(self._key, grey, self._last)
        if fit is None:
            # A jump or a blurred frame: a key frame seen from nearer may still match.
            fit = self._switch_to_older_key(grey)
        if fit is None:
            self._failed_run += 1
            # Scenery that never had enough corners: what follows hangs on the last known pose.
            if self._failed_run >= 15 and len(self._key.points) < config.min_inliers:
                self._take_key(grey, self._key.to_first, np.empty((0, 2), np.float32))
            return np.full((2, 3), np.nan), float("nan")
        self._failed_run = 0
        self._last = compose(self._key.to_first, fit.to_key)
        key = self._key
        key.best = max(key.best, fit.n_inliers)
        # Turned far or zoomed, patches no longer look alike although some are still found.
        turned_deg = abs(np.degrees(np.arctan2(fit.to_key[1, 0], fit.to_key[0, 0])))
        worn = fit.n_inliers < config.rekey_share * key.best or turned_deg > 12.0
        self._worn_run = self._worn_run + 1 if worn else 0
        if self._worn_run >= 3 or (worn and fit.n_inliers < 2 * config.min_inliers):
            better = self._switch_to_older_key(grey)
            if better is None:
                self._take_key(grey, self._last, fit.here[~fit.inlier])
            else:
                fit = better
        elif key is not self._keys[0] and self._since_switch >= 15:
            # Back near an older view: hanging on it again sheds the error of the chain.
            fit = self._switch_to_older_key(grey) or fit
            self._since_switch = 0
        return self._last.copy(), fit.residual

    def _switch_to_older_key(self, grey: NDArray[np.uint8]) -> _Fit | None:
        """Go back to the oldest key frame that still matches a frame well, if there is one."""
        reach = 0.12 * grey.shape[1]
        middle = np.array([grey.shape[1], grey.shape[0]]) / 2.0
        here = apply_transform(self._last, middle)
        for key in self._keys:
            if key is self._key:
                break
            if np.linalg.norm(apply_transform(key.to_first, middle) - here) > reach:
                continue
            fit = self._fit_to_key(key, grey, self._last)
            if fit is not None and fit.n_inliers >= 1.3 * self.config.rekey_share * key.best:
                self._key, self._worn_run, self._since_switch = key, 0, 0
                self._last = compose(key.to_first, fit.to_key)
                return fit
        return None

    def _fit_to_key(
        self, key: _KeyFrame, grey: NDArray[np.uint8], to_first: FloatArray
    ) -> _Fit | None:
        """Follow a key frame's corners into a frame and fit the similarity back to the key.

        `to_first` is a guess of the frame's transform.
        """
        config = self.config
        use = np.flatnonzero(key.alive)
        if len(use) < config.min_inliers:
            return None
        start = key.points[use]
        to_frame = compose(cv2.invertAffineTransform(to_first), key.to_first)
        expected = apply_transform(to_frame, start).astype(np.float32)
        options = {
            "winSize": (13, 13),
            "maxLevel": 2,
            "criteria": (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 15, 0.01),
            "flags": cv2.OPTFLOW_USE_INITIAL_FLOW,
        }
        here, ok, _ = cv2.calcOpticalFlowPyrLK(key.grey, grey, start, expected.copy(), **options)
        options["maxLevel"] = 0
        back, ok_back, _ = cv2.calcOpticalFlowPyrLK(grey, key.grey, here, start.copy(), **options)
        gap = np.linalg.norm(back - start, axis=1)
        good = (ok.ravel() > 0) & (ok_back.ravel() > 0) & (gap < config.forward_backward_px)
        if good.sum() < config.min_inliers:
            return None
        fitted, chosen = cv2.estimateAffinePartial2D(
            here[good],
            start[good],
            method=cv2.RANSAC,
            ransacReprojThreshold=config.inlier_px,
            maxIters=500,
            confidence=0.995,
            refineIters=10,
        )
        if fitted is None or chosen.sum() < max(config.min_inliers, 0.25 * good.sum()):
            return None
        off = np.linalg.norm(apply_transform(fitted, here) - start, axis=1)
        inlier = good & (off < config.inlier_px)
        if inlier.sum() < config.min_inliers:
            return None
        # Corners that keep disagreeing sit on something that moves.
        key.misses[use] = np.where(inlier, np.maximum(key.misses[use] - 1, 0), key.misses[use] + 1)
        if len(use) - int((key.misses[use] > 45).sum()) >= 2 * config.min_inliers:
            key.alive &= key.misses <= 45
        residual = float(np.sqrt(np.mean(off[inlier] ** 2)))
        return _Fit(key, fitted, residual, here, inlier)


def camera_motion(
    frames: Iterable[Any],
    config: SceneConfig | None = None,
    exclude: Sequence[tuple[float, float, float, float]] = (),
) -> pd.DataFrame:
    """Return the camera table of a stream of frames; see `CameraMotion`."""
    motion = CameraMotion(config, exclude)
    for frame in frames:
        motion.update(frame)
    return motion.table()


def settle_standing_stretches(
    transforms: ArrayLike,
    time_s: ArrayLike,
    width_px: float,
    height_px: float,
    config: SceneConfig | None = None,
) -> tuple[FloatArray, bool]:
    """Replace the transforms of a camera that stood still by constant ones.

    Following corners has noise of its own; removing a motion that was not there would add it to
    every position measured.

    Parameters
    ----------
    transforms
        Shape (n, 2, 3), image to first frame; NaN where not measured.
    time_s
        Shape (n,), seconds.
    width_px, height_px
        Size of the image.
    config
        Settings.

    Returns
    -------
    transforms : ndarray of shape (n, 2, 3)
        All identity when the camera stood still throughout; constant within each standing stretch
        of a stand that was knocked; unchanged for a moving camera.
    static : bool
        Whether the camera stood still for the whole clip.

    Examples
    --------
    >>> still = np.tile([[1.0, 0, 0.01], [0, 1.0, 0]], (4, 1, 1))
    >>> settled, static = settle_standing_stretches(still, [0, 0.1, 0.2, 0.3], 1280, 720)
    >>> static, settled[3].tolist()
    (True, [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    """
    config = config or SceneConfig()
    t = np.asarray(transforms, dtype=float)
    times = np.asarray(time_s, dtype=float)
    still_px = config.still_px_per_1000 * width_px / 1000.0
    probe = np.array([[0.2, 0.5], [0.8, 0.5], [0.5, 0.2], [0.5, 0.8]]) * [width_px, height_px]
    moved = (apply_transform(t[:, None], probe[None]) - probe).reshape(len(t), -1)
    known = np.isfinite(moved).all(axis=1)

    typical = _running_median(moved, times, 0.2)
    # The first frame's own noise stands in every transform, hence the spread and not the size.
    level = np.nanmedian(moved, axis=0)
    far = np.abs(typical[known] - level).max(axis=1)
    if known.any() and far.max() <= still_px and np.abs(level).max() <= 2.0 * still_px:
        return np.broadcast_to(IDENTITY, t.shape).copy(), True

    stretches = _standing_stretches(typical, times, still_px, config.settle_s)
    standing = np.zeros(len(t), bool)
    for start, stop in stretches:
        standing[start:stop] = True
    few = 2 + (times[-1] - times[0]) / 5.0
    if standing.mean() < config.standing_share or len(stretches) > few:
        return t.copy(), False

    settled = t.copy()
    first_start, first_stop = stretches[0]
    if times[first_start] - times[0] < 0.5 * config.settle_s:
        # The first frame's own noise stands in every transform: its stretch's median sheds it.
        first = cv2.invertAffineTransform(np.nanmedian(t[first_start:first_stop], axis=0))
        settled = np.array([compose(first, transform) for transform in t])
    for start, stop in stretches:
        constant = np.nanmedian(settled[start:stop], axis=0)
        shift = np.abs(apply_transform(constant, probe) - probe).max()
        settled[start:stop] = IDENTITY if shift < still_px else constant
    if times[first_start] - times[0] < 0.5 * config.settle_s:
        settled[:first_start] = IDENTITY
    return settled, False


def _running_median(values: FloatArray, times: FloatArray, window_s: float) -> FloatArray:
    """Return the centred running median of each column, NaN left out."""
    interval = np.median(np.diff(times)) if len(times) > 1 else 1.0
    n = max(1, 2 * round(0.5 * window_s / max(float(interval), 1e-6)) + 1)
    return pd.DataFrame(values).rolling(n, center=True, min_periods=1).median().to_numpy()


def _standing_stretches(
    moved: FloatArray, times: FloatArray, still_px: float, settle_s: float
) -> list[tuple[int, int]]:
    """Return ``(start, stop)`` of stretches within which nothing moves by more than `still_px`."""
    stretches: list[tuple[int, int]] = []
    start, n = 0, len(times)
    while start < n:
        seed = int(np.searchsorted(times, times[start] + settle_s, side="right"))
        block = moved[start:seed]
        if times[seed - 1] - times[start] < 0.8 * settle_s or np.isnan(block).all(axis=1).any():
            start += 1
            continue
        level = np.median(block, axis=0)
        if np.abs(block - level).max() > still_px:
            start += 1
            continue
        off = np.abs(moved[start:] - level).max(axis=1) > 1.5 * still_px
        stop = start + int(np.argmax(off)) if off.any() else n
        stretches.append((start, stop))
        start = stop
    return stretches


@dataclass(frozen=True)
class SceneRoll:
    """The camera's roll as told by straight lines of the scenery.

    Unpacks as ``roll_deg, sd_deg, n_lines, reason``.

    Attributes
    ----------
    roll_deg
        Angle by which the image's content must be turned to be level, positive from +x toward +y
        (clockwise on the screen): a direction measured at ``a`` degrees in the image at its centre
        truly points to ``a + roll_deg``. NaN when there is too little to go by.
    sd_deg
        One standard uncertainty.
    n_lines
        Number of distinct near-vertical lines that agree.
    reason
        Why the roll is missing; empty otherwise.
    pitch_deg, pitch_sd_deg
        Downward pitch of the camera, and its standard uncertainty.
    f_px
        Focal length with which the pitch was found.
    centre_px
        Principal point ``(x, y)``.
    """

    roll_deg: float
    sd_deg: float
    n_lines: int
    reason: str
    pitch_deg: float
    pitch_sd_deg: float
    f_px: float
    centre_px: tuple[float, float]

    def __iter__(self) -> Iterator[Any]:
        return iter((self.roll_deg, self.sd_deg, self.n_lines, self.reason))


def up_direction(roll: SceneRoll, x_px: ArrayLike, y_px: ArrayLike) -> FloatArray:
    """Return the unit vector in the image that points straight up in the world at given points.

    A pinhole camera pitched down by q and rolled by r sees the world's upward direction at the
    point p as ``cos q (-sin r, -cos r) + sin q (p - c) / f`` (the line through p and the vertical
    vanishing point; Hartley and Zisserman, Multiple View Geometry, 2nd ed., section 8.6).

    Parameters
    ----------
    roll
        What `scene_roll` returned.
    x_px, y_px
        Points in the image, any common shape.

    Returns
    -------
    ndarray of shape (..., 2)
        Unit vectors; NaN when the roll is missing.

    Examples
    --------
    >>> rolled = SceneRoll(30.0, 0.3, 4, "", 0.0, 5.0, 1000.0, (640.0, 360.0))
    >>> up_direction(rolled, 100.0, 100.0).round(3).tolist()
    [-0.5, -0.866]
    """
    p = np.stack(np.broadcast_arrays(x_px, y_px), axis=-1).astype(float)
    r, q = np.radians(roll.roll_deg), np.radians(roll.pitch_deg)
    return _up(p - np.asarray(roll.centre_px), r, q, roll.f_px)


def _up(offset_px: FloatArray, r: float, q: float, f_px: float) -> FloatArray:
    """Return the unit upward direction at offsets from the principal point."""
    direction = np.cos(q) * np.array([-np.sin(r), -np.cos(r)]) + np.sin(q) * offset_px / f_px
    return direction / np.linalg.norm(direction, axis=-1, keepdims=True)


def scene_roll(
    images: Iterable[Any],
    f_px: float | None = None,
    config: SceneConfig | None = None,
    transforms: Sequence[ArrayLike] | None = None,
) -> SceneRoll:
    """Find the camera's roll from long straight structures of the scenery.

    Edges of rack uprights, walls and doors are vertical in the world. A camera that looks down sees
    them lean apart, so their mean lean is the roll only when they lie evenly about the middle;
    roll and pitch are therefore fitted together (the vertical vanishing point). Near-horizontal
    lines, which perspective tilts, only weigh in lightly.

    Parameters
    ----------
    images
        A few frames or images of one clip, ``uint8 (H, W, 3)`` RGB or ``(H, W)``; a line must be
        found in at least half of them, which leaves out what moves.
    f_px
        Focal length in pixels; by default 0.85 of the longer side, which is usual for a phone's
        main camera (common practice, no source). The roll hardly depends on it.
    config
        Settings.
    transforms
        One image-to-steadied transform per image; the roll then holds in the steadied image.

    Returns
    -------
    SceneRoll
        With NaN and a reason when the lines do not determine the roll.
    """
    config = config or SceneConfig()
    pictures = [getattr(item, "image", item) for item in images]
    if not pictures:
        raise OptionError("At least one image is needed to find the camera's roll.")
    height, width = pictures[0].shape[:2]
    f_px = 0.85 * max(height, width) if f_px is None else float(f_px)
    centre = ((width - 1) / 2.0, (height - 1) / 2.0)
    found: list[FloatArray] = []
    for number, picture in enumerate(pictures):
        segments = _line_segments(picture, config)
        if transforms is not None:
            segments = apply_transform(transforms[number], segments)
        found.append(segments)
    steep = _merge_lines(found, config, height, width, vertical=True)
    flat = _merge_lines(found, config, height, width, vertical=False)
    return roll_from_lines(steep, flat, f_px, centre, config)


def roll_from_lines(
    steep: ArrayLike,
    flat: ArrayLike,
    f_px: float,
    centre_px: tuple[float, float],
    config: SceneConfig | None = None,
) -> SceneRoll:
    """Fit roll and pitch to near-vertical lines, near-horizontal ones weighing in lightly.

    Parameters
    ----------
    steep, flat
        Lines as end points, shape (n, 2, 2), image pixels.
    f_px
        Focal length in pixels.
    centre_px
        Principal point.
    config
        Settings.

    Returns
    -------
    SceneRoll
        With NaN and a reason when the lines do not determine the roll.
    """
    config = config or SceneConfig()
    lines = np.asarray(steep, dtype=float).reshape(-1, 2, 2)

    def missing(reason: str, n_lines: int = 0) -> SceneRoll:
        nan = float("nan")
        return SceneRoll(nan, nan, n_lines, reason, nan, nan, f_px, centre_px)

    if len(lines) < 2:
        return missing("fewer than two long near-vertical lines were found")
    vector = lines[:, 0] - lines[:, 1]
    vector *= np.where(vector[:, 1:] > 0, -1.0, 1.0)
    length = np.linalg.norm(vector, axis=1)
    lean = np.arctan2(-vector[:, 0], -vector[:, 1])
    offset = lines.mean(axis=1) - np.asarray(centre_px)
    # End points of a detected line are good to about half a pixel.
    sigma = np.hypot(np.radians(config.plumb_sd_deg), 0.5 * np.sqrt(2.0) / length)

    def off(r: float, q: float) -> FloatArray:
        up = _up(offset, r, q, f_px)
        return lean - np.arctan2(-up[..., 0], -up[..., 1])

    rolls = np.radians(np.arange(-15.0, 15.01, 0.5))
    pitches = np.radians(np.arange(-30.0, 45.01, 2.5))
    weight = np.sqrt(length)
    score = np.array(
        [
            [
                np.sum(weight * np.exp(-0.5 * (off(r, q) / (2.0 * sigma)) ** 2))
                * np.exp(-0.5 * (q / np.radians(2.0 * config.pitch_sd_deg)) ** 2)
                for q in pitches
            ]
            for r in rolls
        ]
    )
    i, j = best_index(score)

    levels = _level_leans(flat)
    level_sd = np.radians(config.level_sd_deg)

    def residuals(parameters: FloatArray, use: NDArray[np.bool_], share: FloatArray) -> FloatArray:
        parts = [off(*parameters)[use] / sigma[use] * np.sqrt(share[use])]
        parts.append([parameters[1] / np.radians(config.pitch_sd_deg)])
        if levels is not None:
            parts.append([(levels - parameters[0]) / level_sd])
        return np.concatenate(parts)

    def fit_from(
        r: float, q: float, available: NDArray[np.bool_]
    ) -> tuple[float, float, NDArray[np.bool_], FloatArray, Any] | None:
        share, fit, use = np.ones(len(lines)), None, available
        for _ in range(6):
            use = available & (np.abs(off(r, q)) < 3.0 * sigma)
            if use.sum() < 2:
                return None
            share = _structure_share(offset[:, 0], use, centre_px[0])
            fit = least_squares(residuals, [r, q], args=(use, share))
            r, q = (float(value) for value in fit.x)
        return r, q, use, share, fit

    start = (float(rolls[i]), float(pitches[j]))
    fitted = fit_from(*start, np.ones(len(lines), bool))
    if fitted is None:
        return missing("the near-vertical lines do not agree with each other")
    r, q, use, share, fit = fitted
    n_lines = int(use.sum())
    n_structures = float(share[use].sum())
    if n_structures < 1.5:
        return missing("the near-vertical lines all belong to one structure", n_lines)
    if weight[use].sum() < 0.4 * weight.sum():
        return missing("the near-vertical lines do not agree with each other", n_lines)
    covariance = np.linalg.inv(fit.jac.T @ fit.jac)
    chi2 = np.sum(share[use] * (off(r, q)[use] / sigma[use]) ** 2) / max(n_structures - 1.0, 1.0)
    variance = np.diag(covariance) * max(1.0, chi2)
    # Leaving each structure out in turn shows how far the choice of lines decides the result
    # (jackknife; Efron and Tibshirani, An Introduction to the Bootstrap, chapter 11).
    structure = np.round(offset[:, 0] / (0.06 * centre_px[0]))
    left_out = [fit_from(*start, structure != number) for number in np.unique(structure[use])]
    without = np.array([[kept[0], kept[1]] for kept in left_out if kept is not None])
    if len(without) > 1:
        deviation = without - without.mean(axis=0)
        variance = np.maximum(variance, (1.0 - 1.0 / len(without)) * (deviation**2).sum(axis=0))
    variance = variance + np.radians(config.lens_sd_deg) ** 2
    sd_deg, pitch_sd_deg = (float(value) for value in np.degrees(np.sqrt(variance)))
    if sd_deg > 2.0:
        return missing("the near-vertical lines do not fix the roll to within two degrees", n_lines)
    return SceneRoll(
        float(np.degrees(r)),
        sd_deg,
        n_lines,
        "",
        float(np.degrees(q)),
        pitch_sd_deg,
        f_px,
        centre_px,
    )


def _level_leans(flat: ArrayLike) -> float | None:
    """Return the roll suggested by near-horizontal lines (length-weighted median), or None."""
    lines = np.asarray(flat, dtype=float).reshape(-1, 2, 2)
    if len(lines) < 3:
        return None
    vector = lines[:, 1] - lines[:, 0]
    angle = np.arctan(vector[:, 1] / vector[:, 0])
    order = np.argsort(angle, kind="stable")
    total = np.cumsum(np.linalg.norm(vector, axis=1)[order])
    return -float(angle[order][np.searchsorted(total, 0.5 * total[-1])])


def _structure_share(x_px: FloatArray, use: NDArray[np.bool_], half_width: float) -> FloatArray:
    """Weigh lines so that the edges of one upright together count as one structure."""
    near = np.abs(x_px[:, None] - x_px[None, :]) < 0.06 * half_width
    return 1.0 / np.maximum((near & use[None, :]).sum(axis=1), 1)


def _line_segments(image: NDArray[np.uint8], config: SceneConfig) -> FloatArray:
    """Return line segments of an image, shape (n, 2, 2), in its own pixels."""
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    height, width = grey.shape
    scale = max(1.0, width / config.roll_width_px)
    if scale > 1.0:
        size = (round(width / scale), round(height / scale))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    lines = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(grey)[0]
    if lines is None:
        return np.empty((0, 2, 2))
    segments = (lines.reshape(-1, 2, 2).astype(float) + 0.5) * scale - 0.5
    long = np.linalg.norm(segments[:, 0] - segments[:, 1], axis=1)
    return segments[long > 0.4 * config.min_line_share * height]


def _merge_lines(
    found: Sequence[FloatArray],
    config: SceneConfig,
    height: int,
    width: int,
    *,
    vertical: bool,
) -> FloatArray:
    """Join segments of one edge, within and across images; keep the long ones that stay put."""
    along, across = (1, 0) if vertical else (0, 1)
    image_number = np.concatenate([np.full(len(s), k) for k, s in enumerate(found)])
    segments = np.concatenate(found) if len(found) else np.empty((0, 2, 2))
    vector = segments[:, 1] - segments[:, 0]
    lean_deg = np.degrees(np.arctan2(np.abs(vector[:, across]), np.abs(vector[:, along])))
    keep = (lean_deg < config.max_lean_deg) & np.isfinite(segments).all(axis=(1, 2))
    segments, image_number, vector = segments[keep], image_number[keep], vector[keep]
    size = np.linalg.norm(vector, axis=1)
    order = ranked(size)
    taken = np.zeros(len(segments), bool)
    tolerance = 1.0 + 0.0015 * width
    merged: list[FloatArray] = []
    for first in order:
        if taken[first]:
            continue
        origin, direction = segments[first, 0], vector[first] / size[first]
        normal = np.array([-direction[1], direction[0]])
        distance = np.abs((segments - origin) @ normal)
        member = ~taken & (distance < tolerance).all(axis=1)
        taken |= member
        images_seen = len(np.unique(image_number[member]))
        if images_seen < max(1, 0.5 * len(found)):
            continue
        ends = segments[member].reshape(-1, 2)
        weight = np.repeat(size[member], 2)
        middle = np.average(ends, axis=0, weights=weight)
        spread = (ends - middle).T @ ((ends - middle) * weight[:, None])
        axis = np.linalg.eigh(spread)[1][:, -1]
        position = (ends - middle) @ axis
        # The summed length guards against far-apart scraps that merely happen to be in line.
        reach = float(np.ptp(position))
        solid = size[member].sum() / images_seen
        if min(reach, solid) < config.min_line_share * height:
            continue
        merged.append(np.array([middle + position.min() * axis, middle + position.max() * axis]))
    return np.array(merged).reshape(-1, 2, 2)
