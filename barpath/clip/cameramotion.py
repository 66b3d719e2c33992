"""How the camera moved, as static scenery tells it.

`CameraMotion` follows corners of the scenery from a key frame to every other frame and fits a
similarity to the consensus, so that a handheld clip can be steadied.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from barpath.clip.parallax import parallax
from barpath.clip.scene import (
    IDENTITY,
    PARALLAX,
    FloatArray,
    SceneConfig,
    apply_transform,
    compose,
)
from barpath.errors import OptionError


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
    """A frame fitted to a key frame: corners found `here`, of which `inlier` agree.

    `apart` is how far each of the key frame's corners lies from the fit, NaN where none agrees.
    """

    key: _KeyFrame
    to_key: FloatArray
    residual: float
    here: NDArray[np.float32]
    inlier: NDArray[np.bool_]
    apart: NDArray[np.float32]

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
        self._apart: list[tuple[_KeyFrame, NDArray[np.float32]] | None] = []

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
        self._apart.append(None)
        if self._key is None:
            self._take_key(grey, IDENTITY.copy(), np.empty((0, 2), np.float32))
            small, residual = IDENTITY.copy(), 0.0
        else:
            small, residual = self._follow(self._key, grey)
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
            ``frame, time_s, m00, m01, m02, m10, m11, m12, residual_px, static, parallax_x_px,
            parallax_y_px``. The transforms map the image to the first frame's image. When the
            camera stood still they are exactly the identity and ``static`` is true. A camera that
            stood still except for a knock gets one constant transform before and one after it. When
            too little scenery could be followed the identity is returned with ``residual_px`` NaN
            and ``static`` false. What a moving camera's shifts move near against far scenery is as
            `parallax.parallax` has it, NaN for a camera that stood or whose scenery changed.
        """
        transforms = np.array(self._transforms, dtype=float).reshape(-1, 2, 3)
        times = np.array(self._times, dtype=float)
        residual = np.array(self._residuals, dtype=float)
        static, moving = False, False
        if len(times):
            measured = np.isfinite(transforms).all(axis=(1, 2))
            if measured.mean() < 0.5 or measured.sum() < min(2, len(times)):
                transforms = np.broadcast_to(IDENTITY, transforms.shape).copy()
                residual = np.full(len(times), np.nan)
            else:
                settled, static = settle_standing_stretches(
                    transforms, times, self._width_px, self._height_px, self.config
                )
                moving = not static and np.array_equal(settled, transforms, equal_nan=True)
                transforms = settled
        table = pd.DataFrame({"frame": np.array(self._frames, dtype=int), "time_s": times})
        for row in range(2):
            for column in range(3):
                table[f"m{row}{column}"] = transforms[:, row, column]
        table["residual_px"] = residual
        table["static"] = static
        table[list(PARALLAX)] = self._parallax() if moving else np.nan
        return table

    def _parallax(self) -> FloatArray:
        """What `table` says of it, where nearly all frames hang on one key frame."""
        found = np.full((len(self._apart), 2), np.nan)
        for key in self._keys:
            hung = {k: one[1] for k, one in enumerate(self._apart) if one and one[0] is key}
            if len(hung) >= self.config.one_key_share * len(self._apart):
                found[list(hung)] = self._scale * parallax(np.array([*hung.values()]), key.points)
        return found

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
            half = cv2.resize(even, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            image = np.asarray(half, np.uint8)
            scale *= 2.0
        if image.ndim == 2:
            return image
        return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)

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
            box = np.array([[x0, y0], [x1, y1]]) / self._scale
            low, high = np.floor(box[0]).astype(int), np.ceil(box[1]).astype(int)
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

    def _follow(self, key: _KeyFrame, grey: NDArray[np.uint8]) -> tuple[FloatArray, float]:
        """Fit the motion from the key frame; change the key frame when it has worn out."""
        config = self.config
        self._since_switch += 1
        fit = self._fit_to_key(key, grey, self._last)
        if fit is None:
            # A jump or a blurred frame: a key frame seen from nearer may still match.
            fit = self._switch_to_older_key(grey)
        if fit is None:
            self._failed_run += 1
            # Scenery that never had enough corners: what follows hangs on the last known pose.
            if self._failed_run >= 15 and len(key.points) < config.min_inliers:
                self._take_key(grey, key.to_first, np.empty((0, 2), np.float32))
            return np.full((2, 3), np.nan), float("nan")
        self._failed_run = 0
        key = fit.key
        self._apart[-1] = (key, fit.apart)
        self._last = compose(key.to_first, fit.to_key)
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
        here, found = _followed(key.grey, grey, start, expected, 2)
        back, found_back = _followed(grey, key.grey, here, start, 0)
        gap = np.linalg.norm(back - start, axis=1)
        good = found & found_back & (gap < config.forward_backward_px)
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
        off_px = apply_transform(fitted, here) - start
        off = np.linalg.norm(off_px, axis=1)
        inlier = good & (off < config.inlier_px)
        if inlier.sum() < config.min_inliers:
            return None
        # Corners that keep disagreeing sit on something that moves.
        key.misses[use] = np.where(inlier, np.maximum(key.misses[use] - 1, 0), key.misses[use] + 1)
        if len(use) - int((key.misses[use] > 45).sum()) >= 2 * config.min_inliers:
            key.alive &= key.misses <= 45
        residual = float(np.sqrt(np.mean(off[inlier] ** 2)))
        apart = np.full((len(key.points), 2), np.nan, np.float32)
        apart[use[inlier]] = off_px[inlier]
        return _Fit(key, fitted, residual, here, inlier, apart)


def _followed(
    first: NDArray[np.uint8],
    second: NDArray[np.uint8],
    points_px: NDArray[np.float32],
    guess_px: NDArray[np.float32],
    n_halvings: int,
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Where points of one image are in another, and whether they were found there."""
    there, found, _ = cv2.calcOpticalFlowPyrLK(
        first,
        second,
        points_px,
        guess_px.copy(),
        winSize=(13, 13),
        maxLevel=n_halvings,
        criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 15, 0.01),
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    return np.asarray(there, np.float32), np.asarray(found).ravel() > 0


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
