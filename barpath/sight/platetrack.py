"""Follow the plate's outline through every frame to a fraction of a px, and say where it is lost.

In: all frames and a `PlateSeed`. Out: the plate table, px, degrees and s.
"""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import fft

from barpath.ground.choice import ranked
from barpath.sight.ellipse import from_params, mean_radius, slant_sine, to_params, unit_vectors
from barpath.sight.pictures import FrameLike
from barpath.sight.plate import COLUMNS, PlateConfig, PlateSeed
from barpath.sight.plateface import PlateFace
from barpath.sight.platemaps import (
    orientation_maps,
    outline_template,
    padded_shape,
    score_map,
    score_peaks,
)
from barpath.sight.plateoutline import (
    EdgeStrip,
    Face,
    OutlineFit,
    Rim,
    best_shift,
    first_rim,
    fit_outline,
)
from barpath.sight.platerim import find_rim
from barpath.sight.platestack import PlatePictures, steady

FloatArray = NDArray[np.floating]

# A rim so much larger is that of another plate, behind which there may be one more.
MOST_RIMS, ANOTHER_PLATE = 3, 1.1


class PlateTracker:
    """Follows the plate's outline through the frames of a clip, in order.

    Parameters
    ----------
    seed : PlateSeed
    config : PlateConfig

    Notes
    -----
    The state is the outline (centre and outline matrix) with the centre's velocity, propagated with
    white acceleration noise and a slow drift of the shape; each frame is an iterated extended
    Kalman update (Bar-Shalom, Li, Kirubarajan: Estimation with Applications to Tracking and
    Navigation, 2001, sections 6.3 and 10.5) whose measurements are the edges found along the
    outline's normals, weighted by Tukey's biweight. An edge counts as the plate's only if what lies
    just inside of it looks like the rim as learned so far.
    """

    def __init__(self, seed: PlateSeed, config: PlateConfig | None = None) -> None:
        self.seed = seed
        self.config = config or PlateConfig()
        self._units = unit_vectors(self.config.n_rays)
        shape = to_params(seed.ellipse)
        self._state = np.r_[shape, 0.0, 0.0]
        self._covariance = np.zeros((7, 7))
        self._face: Face | None = None
        self._rim: Rim | None = None
        if seed.rim_rgb is not None:
            variance = max(seed.rim_sd, 12.0) ** 2
            self._rim = Rim(
                np.tile(np.asarray(seed.rim_rgb, float), (self.config.n_rays, 1)),
                np.full((self.config.n_rays, 3), variance),
                max(seed.rim_edge, 2.0),
            )
        self._following = False
        self._seen_s = -np.inf
        self._frame_s = 1 / 30
        self._time_s: float | None = None
        self._rows: list[tuple[object, ...]] = []
        self._pictures = PlatePictures()
        self._picture_s = -np.inf
        self._faces = PlateFace()

    @property
    def diameter_px(self) -> float:
        """Geometric mean diameter of the outline as it is believed now."""
        return 2.0 * mean_radius(self._state)

    def update(self, frame: FrameLike) -> dict[str, object]:
        """Measure the plate in the next frame and return its row of the table.

        Parameters
        ----------
        frame : FrameLike
            Frames must come in order of time; image RGB or grey, uint8.
        """
        image = frame.image
        self._predict(frame)
        prior_state, prior = self._state[:5].copy(), self._covariance[:5, :5].copy()
        position_sd = float(np.sqrt(0.5 * np.trace(prior[:2, :2])))
        wide = not self._following or position_sd > 0.06 * self.diameter_px
        starts = (
            self._search_wide(image, position_sd) if wide else self._search_near(image, position_sd)
        )
        fits = [self._fit(image, start, prior_state, prior) for start in starts]
        # An outline that lies on one line here and on another there has its edges scattered.
        blunt = 0.5 * self._window_px()
        worth = [fit.share / (1.0 + (fit.edge_sd / blunt) ** 2) for fit in fits]
        best = fits[ranked(worth)[0]] if fits else None
        self._take(frame, best, wide)
        return dict(zip(COLUMNS, self._rows[-1], strict=True))

    def table(self) -> pd.DataFrame:
        """Plate table so far, one row a frame, outlines on the rim; columns as of `track_plate`.

        The rows that `update` gives are of the line that is followed, which may be another line of
        the plate, or for some frames in part of what is behind it; the pictures of all frames
        together tell.
        """
        table = pd.DataFrame(self._rows, columns=list(COLUMNS))
        table = table.astype({"frame": int, "state": str})
        table = self._faces.on_table(table)
        table["apart_px"] = np.nan
        share = table["outline_share"]
        evened = steady(table)
        for _ in range(MOST_RIMS):
            laid = self._pictures.laid(evened)
            change = None if laid is None else find_rim(laid)
            if change is None:
                break
            table = evened = change.on_table(evened.assign(outline_share=share))
            if change.growth < ANOTHER_PLATE:
                break
        return table

    def _path_at(self, index: int, time_s: float) -> FloatArray | None:
        """Coarse position (x, y) from the seed, None beyond half a second off the path."""
        path = self.seed.path
        if len(path) == 0:
            here = index == self.seed.index or self._time_s is None
            return self.seed.ellipse.centre if here else None
        if not path[0, 1] - 0.5 <= time_s <= path[-1, 1] + 0.5:
            return None
        return np.array([np.interp(index, path[:, 0], path[:, k]) for k in (2, 3)])

    def _predict(self, frame: FrameLike) -> None:
        config, diameter = self.config, self.diameter_px
        before_s = self._time_s
        first = before_s is None
        dt = 1 / 30 if before_s is None else max(frame.time_s - before_s, 1e-3)
        self._time_s = frame.time_s
        self._frame_s = dt
        frames = 30.0 * dt
        if not first:
            move = np.eye(7)
            move[0, 5] = move[1, 6] = dt
            self._state = move @ self._state
            self._covariance = move @ self._covariance @ move.T
            accel = (config.accel_diameters_s2 * diameter) ** 2
            noise = np.array([[dt**4 / 4, dt**3 / 2], [dt**3 / 2, dt**2]]) * accel
            for k in (0, 1):
                self._covariance[np.ix_([k, 5 + k], [k, 5 + k])] += noise
                self._covariance[k, k] += config.shake_px**2 * frames
                self._covariance[5 + k, 5 + k] += (20.0 * config.shake_px) ** 2 * frames
            # As the plate comes nearer it grows as it is. Turning changes the aspect, which is the
            # slant's cosine, by the slant's sine: a plate seen square stays round.
            growth = config.shape_drift * self._state[2:5]
            slant = slant_sine(self._state)
            turn = (config.slant_drift + config.shape_drift * slant) * 0.5 * diameter
            turned = turn**2 * np.diag([1.0, 1.0, 0.5])
            self._covariance[2:5, 2:5] += (np.outer(growth, growth) + turned) * frames
        if self._following:
            return
        if not first:
            self._state[5:] *= 0.8**frames
        hint = self._path_at(frame.index, frame.time_s)
        if first and hint is None:
            hint = self.seed.path[0, 2:4]
        if hint is not None:
            self._state[:2] = hint
            spread = np.r_[np.full(2, 0.15 * diameter), np.full(2, 1.0 * diameter)]
        else:
            have = np.sqrt(np.diag(self._covariance))[[0, 1, 5, 6]]
            # The longer it was out of sight, the farther it may have gone.
            away = 0.5 + 1.0 * min(self._lost_for(frame.time_s), 1.0)
            limit = np.r_[np.full(2, away * diameter), np.full(2, 3.0 * diameter)]
            spread = np.minimum(have, limit)
        shape = self._covariance[2:5, 2:5].copy()
        if self._face is None:
            # Measured in another frame, where the plate may have been nearer to the camera or
            # farther: its size is less known than its shape.
            shape = np.diag([1.0, 1.0, 0.5]) * (0.004 * diameter) ** 2
            shape += np.outer(self._state[2:5], self._state[2:5]) * 0.02**2
        shape_limit = (0.01 * diameter) ** 2
        shape *= min(1.0, shape_limit / max(float(np.diag(shape).max()), 1e-12))
        self._covariance = np.zeros((7, 7))
        self._covariance[[0, 1, 5, 6], [0, 1, 5, 6]] = spread**2
        self._covariance[2:5, 2:5] = shape

    def _window_px(self) -> float:
        radius = 0.5 * self.diameter_px
        return max(self.config.edge_window_min_px, self.config.edge_window * radius)

    def _search_near(self, image: NDArray[np.uint8], position_sd: float) -> list[FloatArray]:
        """Best shift of the predicted outline within its uncertainty."""
        reach = float(np.clip(2.5 * position_sd, 3.0, max(3.0, 0.15 * self.diameter_px)))
        return [self._shifted(image, self._state[:5], reach, position_sd)]

    def _shifted(
        self, image: NDArray[np.uint8], start: FloatArray, reach_px: float, sd_px: float
    ) -> FloatArray:
        """Outline shifted, as it is, to where most of it meets edges of the plate."""
        rim = self._rim or first_rim(image, start, self._units)
        strip = EdgeStrip(image, start, self._units, reach_px)
        spacing = max(strip.step, reach_px / 8.0)
        n = int(np.ceil(reach_px / spacing))
        axis = spacing * np.arange(-n, n + 1)
        grid = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
        penalty = np.sum(grid**2, axis=1) / sd_px**2
        shifted = start.copy()
        shifted[:2] += best_shift(strip, strip.evidence(rim), strip.normals, grid, penalty)
        return shifted

    def _search_wide(self, image: NDArray[np.uint8], position_sd: float) -> list[FloatArray]:
        """Outline starts from a score map around the predicted place, best first."""
        radius = 0.5 * self.diameter_px
        half_axes = np.sqrt(self._state[2:4] ** 2 + self._state[4] ** 2)
        reach = half_axes + max(2.5 * position_sd, 0.2 * radius) + 3
        height, width = image.shape[:2]
        low = np.maximum(np.floor(self._state[:2] - reach), 0).astype(int)
        high = np.minimum(np.ceil(self._state[:2] + reach) + 1, (width, height)).astype(int)
        if (high - low < 8).any():
            return []
        region = image[low[1] : high[1], low[0] : high[0]]
        factor = min(1.0, 14.0 / radius)
        if factor < 1.0:
            reduced = cv2.resize(region, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
            region = np.asarray(reduced, np.uint8)
        scale = np.array([region.shape[1], region.shape[0]]) / (high - low)
        maps = orientation_maps(region)
        shape = padded_shape(region.shape[:2], 8)
        small = self._state[:5] * np.r_[0, 0, np.full(3, factor)]
        template = outline_template(shape, small)
        score = score_map(fft.rfft2(maps, s=shape), template, shape)
        score = score[: region.shape[0], : region.shape[1]]
        x = (np.arange(region.shape[1]) + 0.5) / scale[0] - 0.5 + low[0] - self._state[0]
        y = (np.arange(region.shape[0]) + 0.5) / scale[1] - 0.5 + low[1] - self._state[1]
        weight = np.exp(-0.25 * (x**2 + y[:, None] ** 2) / max(position_sd, 1.0) ** 2)
        starts = []
        for value, column, row in score_peaks(score * weight, 4, 0.3 * radius * factor):
            if value > 0.05:
                start = self._state[:5].copy()
                start[:2] += (x[column], y[row])
                # A coarse start could settle half on the rim and half on a ring inside of it.
                reach = max(3.0, 1.5 / factor)
                sizes = (1.0,) if self._face is not None else (1.0, 0.975, 1.025)
                for size in sizes:
                    grown = start * np.r_[1.0, 1.0, np.full(3, size)]
                    starts.append(self._shifted(image, grown, reach, 2.0 * reach))
        return starts

    def _fit(
        self,
        image: NDArray[np.uint8],
        start: FloatArray,
        prior_state: FloatArray,
        prior: FloatArray,
    ) -> OutlineFit:
        if self._rim is None:
            self._rim = first_rim(image, start, self._units)
        visible = None
        if self._face is not None:
            sectors, _ = self._face.seen(image, start)
            at = np.arange(len(self._units)) * len(sectors) / len(self._units)
            visible = np.interp(at, np.arange(len(sectors) + 1), np.r_[sectors, sectors[:1]])
        fit = fit_outline(
            image,
            start,
            prior_state,
            np.linalg.inv(prior),
            self._rim,
            self._units,
            self._window_px(),
            self.config,
            visible,
            self._state[5:] * self._frame_s,
            n_narrow=1 if self._following else 2,
        )
        if self._face is not None:
            fit.face_share = self._face.seen(image, fit.params)[1]
        return fit

    def _take(self, frame: FrameLike, fit: OutlineFit | None, wide: bool) -> None:
        """Decide what the fit is worth, update the state, add the row."""
        config = self.config
        height, width = frame.image.shape[:2]
        state, sd = "lost", np.nan
        if fit is not None:
            sd = float(np.sqrt(0.5 * np.trace(fit.covariance[:2, :2])))
            x, y = fit.params[:2]
            inside = -0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5
            sure = inside and sd <= config.lost_sd_share * self.diameter_px
            sure = sure and fit.face_share >= (0.5 if wide else config.face_share)
            if sure and fit.share >= config.seen_share:
                state = "seen"
            elif sure and fit.share >= config.partly_share and not wide:
                state = "partly"
        if state == "lost" or fit is None:
            self._following = self._following and self._lost_for(frame.time_s) < 0.15
            nan = np.nan
            share = 0.0 if fit is None else fit.share
            row = (frame.index, frame.time_s, nan, nan, nan, nan, nan, nan, share, "lost")
            self._rows.append(row)
            return
        gain = self._covariance[5:, :5] @ np.linalg.inv(self._covariance[:5, :5])
        change = fit.covariance - self._covariance[:5, :5]
        if wide:
            self._state[5:] = 0.0
        else:
            self._state[5:] += gain @ (fit.params - self._state[:5])
            self._covariance[5:, 5:] += gain @ change @ gain.T
            self._covariance[5:, :5] = gain @ fit.covariance
            self._covariance[:5, 5:] = self._covariance[5:, :5].T
        self._covariance[:5, :5] = fit.covariance
        self._state[:5] = fit.params
        self._following = True
        self._seen_s = frame.time_s
        if state == "seen":
            self._learn(fit)
            if self._face is None:
                self._face = Face(frame.image, fit.params)
            else:
                self._face.learn(frame.image, fit.params)
            if frame.time_s > self._picture_s + 1.0 / self.config.pictures_per_s:
                self._pictures.add(frame.index, frame.image, fit.params)
                self._picture_s = frame.time_s
        self._faces.add(frame.index, frame.image, fit.params)
        ellipse = from_params(fit.params)
        self._rows.append(
            (
                frame.index,
                frame.time_s,
                ellipse.x_px,
                ellipse.y_px,
                ellipse.major_px,
                ellipse.minor_px,
                ellipse.angle_deg,
                sd,
                fit.share,
                state,
            )
        )

    def _lost_for(self, time_s: float) -> float:
        return time_s - self._seen_s

    def _learn(self, fit: OutlineFit) -> None:
        assert self._rim is not None
        rate = 0.1
        seen = fit.inlier
        gap = fit.inner[seen] - self._rim.colour[seen]
        self._rim.colour[seen] += rate * gap
        self._rim.variance[seen] += rate * (np.clip(gap**2, 64.0, 900.0) - self._rim.variance[seen])
        typical = 0.4 * float(np.median(fit.strength[seen]))
        self._rim.edge += rate * (max(typical, 2.0) - self._rim.edge)


def track_plate(
    frames: Iterable[FrameLike], seed: PlateSeed, config: PlateConfig | None = None
) -> pd.DataFrame:
    """Follow the plate through a clip.

    Parameters
    ----------
    frames : iterable of FrameLike
        All frames in order of time.
    seed : PlateSeed
        From `find_plate`.
    config : PlateConfig, optional

    Returns
    -------
    pandas.DataFrame
        Plate table with the columns `COLUMNS`: ellipse centre and full axes in image px, ``sd_px``
        of the centre per coordinate, ``outline_share`` 0..1 and ``state`` (``seen``, ``partly``,
        ``lost``; NaN when lost); and ``apart_px``, by how much the outlines of the plate's two
        faces are apart, NaN where no rim tells.
    """
    tracker = PlateTracker(seed, config)
    for frame in frames:
        tracker.update(frame)
    return tracker.table()
