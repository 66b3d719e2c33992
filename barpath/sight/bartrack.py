"""Follow the bar and both its ends through every frame.

In: all frames and a `BarSeed`. Out: the bar table, image px and s. Both edges of the shaft are
fitted by a straight line in every frame, so that nothing drifts: what was seen before only says
where to look.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.errors import OptionError
from barpath.ground.choice import best_index, first_clearly_best
from barpath.sight.baredges import (
    crop_grey,
    curve,
    edge_middles,
    fit_line,
    noise_level,
    parabola,
    vertical_gradient,
)
from barpath.sight.barline import CLEARLY_BETTER, SIDES, BarlineConfig, BarSeed
from barpath.sight.shaft import Shaft, across, likeness

FloatArray = NDArray[np.float64]

# Design of a line at both its ends; see `fit_line`.
_AT_ENDS = np.array([[1.0, -1.0, 1.0], [1.0, 1.0, 1.0]])

# So many strips are kept, some 10 kB each, to be fitted again with what was learned after them.
_MOST_EARLY = 240

# Share of the shaft on the best line from which another line is fitted as well.
_NEARLY_AS_MUCH = 0.8


@dataclass(frozen=True)
class _Pose:
    """The bar in one frame: both ends' coordinates, left then right."""

    x: FloatArray
    y: FloatArray


@dataclass(frozen=True)
class _Strip:
    """The picture along the bar and the line in it.

    Attributes
    ----------
    pooled
        Rows across the bar, columns along it.
    u
        Position of each column, -1 to 1.
    coefficients
        Of the line, as in `fit_line`.
    used
        Columns that lie on it.
    sag_sd
        Prior standard deviation of the bend.
    """

    pooled: NDArray[np.float32]
    u: FloatArray
    coefficients: FloatArray
    used: NDArray[np.bool_]
    sag_sd: float


@dataclass(frozen=True)
class _LineFit:
    """The shaft's line in one frame.

    Attributes
    ----------
    y
        Its height at the left and the right end.
    sd
        Their standard deviations.
    spread
        Standard deviation of a column's value about the line.
    share
        Share of the columns that lie on the line: over all, the left half, the right half.
    bend
        Height of the middle under the chord, in pixels down.
    thickness
        Distance between the shaft's edges; NaN when too few columns showed both.
    strip
        What it was fitted to.
    """

    y: FloatArray
    sd: FloatArray
    spread: float
    share: tuple[float, float, float]
    bend: float
    thickness: float
    strip: _Strip


@dataclass(frozen=True)
class _Measured:
    """What was measured in one frame: pose, shaft, correlation (0: unknown) and plates' middles."""

    pose: _Pose
    line: _LineFit | None
    match: FloatArray
    plate_y: FloatArray


class BarTracker:
    """Follow the bar and both its ends from frame to frame.

    Parameters
    ----------
    seed
        What `find_bar` returned.
    config
        Settings.
    """

    def __init__(self, seed: BarSeed, config: BarlineConfig | None = None) -> None:
        self.config = config or BarlineConfig()
        self._seed = seed
        self._plate = np.array([seed.left.plate_px, seed.right.plate_px])
        self._depth = np.array([seed.left.depth_px, seed.right.depth_px])
        # How far a plate may lie aside, over its height; little on a bare bar, whose sleeves look
        # much alike all along.
        self._aside = 0.04 if seed.left.bare else 0.12
        self._thickness = seed.bar_px
        self._shaft = Shaft(seed.bar_px, seed.shaft, max(0.9, 0.8 * seed.patch_scale))
        self._learned_y = np.full(2, np.nan)
        self._pose: _Pose | None = None
        self._velocity = np.zeros(2)
        self._pose_time_s = float("nan")
        self._bend = 0.0
        self._span = seed.right.x_px - seed.left.x_px
        self._plate_offset = np.zeros(2)
        # In shares of the distance between the ends, which grows with them as the bar comes nearer.
        self._plate_edges = 0.5 * self._plate[:, None] / self._span * np.array([-1.0, 1.0])
        self._edges_seen = np.zeros((2, 2))
        self._n_good = 0
        self._rows: list[dict[str, Any]] = []
        self._early: list[tuple[int, _Strip]] = []

    def update(self, frame: Any) -> dict[str, Any]:
        """Find the bar in the next frame and return its row of the table.

        Parameters
        ----------
        frame
            Anything with ``index``, ``time_s`` and ``image`` (RGB or grey, ``uint8``).
        """
        image, time_s = frame.image, float(frame.time_s)
        if image.shape[:2] != (self._seed.height_px, self._seed.width_px):
            raise OptionError("The frames differ in size from those the bar was found in.")
        row = self._lost_row(int(frame.index), time_s)
        for pose, search in self._guesses(image, time_s):
            found = self._measure(image, pose, search)
            if found is not None:
                self._accept(found, time_s, row, image)
                break
        self._rows.append(row)
        return row

    def table(self) -> pd.DataFrame:
        """Return the bar table: one row per frame given, columns as below.

        For both ends ``{side}_x_px, {side}_y_px`` (where the bar's axis meets the inner face of the
        plates), ``{side}_plate_px`` (apparent plate height), ``{side}_sd_px`` (of y) and
        ``{side}_state``; then ``line_sd_px`` (of the line's middle) and ``bar_px``.

        The first frames' heights are fitted again with what was learned of the shaft since, and all
        are given for the middle of the shaft as it is known by now; `update` cannot know it yet.
        """
        names = list(self._lost_row(0, 0.0))
        table = pd.DataFrame(self._rows, columns=names)
        heights = [f"{side}_y_px" for side in SIDES]
        moved = np.zeros((len(table), 2))
        for number, strip in self._early:
            again = self._fit_strip(strip.pooled, strip.u, strip.coefficients, strip.sag_sd)
            if again is not None:
                shift = _AT_ENDS @ (again[0] - strip.coefficients)
                moved[number] = shift if np.abs(shift).max() < 2.0 else 0.0
        table[heights] += moved + self._shaft.axis_px
        return table

    @staticmethod
    def _lost_row(index: int, time_s: float) -> dict[str, Any]:
        row: dict[str, Any] = {"frame": index, "time_s": time_s}
        for side in SIDES:
            for name in ("x_px", "y_px", "plate_px", "sd_px"):
                row[f"{side}_{name}"] = float("nan")
            row[f"{side}_state"] = "lost"
        row["line_sd_px"] = float("nan")
        row["bar_px"] = float("nan")
        return row

    def _guesses(self, image: NDArray[np.uint8], time_s: float) -> Iterator[tuple[_Pose, float]]:
        """Yield where the bar may be and how far from there to look, likeliest first."""
        plate = float(self._plate.mean())
        near = self.config.search_share * plate
        if self._pose is not None:
            gone_s = time_s - self._pose_time_s
            # A bar moves at up to about 1.5 m/s; its collars stand 1.31 m apart.
            metre_px = float(np.ptp(self._pose.x)) / 1.31
            near = max(near, 1.5 * metre_px * min(gone_s, 0.2))
            # Old motion says little about now.
            ahead_s = gone_s if gone_s < 0.15 else 0.0
            yield _Pose(self._pose.x, self._pose.y + self._velocity * ahead_s), near
            if gone_s < self.config.lost_s:
                return
        path = self._seed.path
        i = best_index(-np.abs(path["time_s"].to_numpy() - time_s))[0]
        sample = path.iloc[i]
        guess = _Pose(
            np.array([sample[f"{side}_x_px"] for side in SIDES], dtype=float),
            np.array([sample[f"{side}_y_px"] for side in SIDES], dtype=float),
        )
        if abs(float(sample["time_s"]) - time_s) < 0.5:
            yield guess, 1.5 * near
        whole = self._search_whole(image, guess if self._pose is None else self._pose)
        if whole is not None:
            yield whole, near

    def _search_whole(self, image: NDArray[np.uint8], pose: _Pose) -> _Pose | None:
        """Look for both plates over the whole height of the image."""
        curves = []
        for side in (0, 1):
            slack = 0.3 * self._plate[side]
            curves.append(self._match(image, side, pose.x[side], None, slack))
        (a, x_a, rows_a), (b, x_b, rows_b) = curves
        span = float(pose.x[1] - pose.x[0])
        most = np.tan(np.radians(self.config.max_slope_deg)) * span
        joint = np.where(
            np.abs(rows_a[:, None] - rows_b[None, :]) <= most, a[:, None] + b[None, :], -2.0
        )
        i, j = best_index(joint)
        if min(a[i], b[j]) < self.config.min_match:
            return None
        return _Pose(np.array([x_a[i], x_b[j]]), np.array([rows_a[i], rows_b[j]]))

    def _match(
        self,
        image: NDArray[np.uint8],
        side: int,
        x: float,
        y: tuple[float, float] | None,
        slack: float,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Correlate a plate's picture along the height; return scores, x and y per row.

        `y` is ``(middle, reach)`` in image pixels, None for the whole height; `slack` is how far
        to either side it may lie.
        """
        scale = self._seed.patch_scale
        patch = self._seed.patches[side]
        first = self._seed.patch_first[side]
        up = (len(patch) - 1) // 2
        n_slack = max(2, int(np.ceil(slack / scale)))
        n_columns = patch.shape[1] + 2 * n_slack
        middle, reach = (0.5 * image.shape[0], 0.5 * image.shape[0]) if y is None else y
        n_reach = int(np.ceil(reach / scale))
        n_rows = 2 * (n_reach + up) + 1
        # Row and column of the reduced crop that stand for the guess itself.
        row0, column0 = n_reach + up, n_slack - first
        x0, y0 = x - column0 * scale, middle - row0 * scale
        low_x, low_y = int(np.floor(x0 - scale)), int(np.floor(y0 - scale))
        crop = crop_grey(
            image,
            low_x,
            low_y,
            low_x + int(np.ceil((n_columns + 2) * scale)) + 1,
            low_y + int(np.ceil((n_rows + 2) * scale)) + 1,
        ).astype(np.float32)
        if scale > 1.0:
            width = 2 * int(scale / 2.0) + 1
            crop = cv2.blur(crop, (width, width))
        shift = np.array([[scale, 0.0, x0 - low_x], [0.0, scale, y0 - low_y]])
        area = cv2.warpAffine(
            crop,
            shift,
            (n_columns, n_rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        scores = cv2.matchTemplate(area, patch.astype(np.float32), cv2.TM_CCOEFF_NORMED)
        scores = np.where(np.isfinite(scores), scores, -1.0)
        best = scores.argmax(axis=1)
        values = scores[np.arange(len(scores)), best]
        fine = best + parabola(scores, best)
        found_x = x + (fine - n_slack) * scale
        found_y = middle + (np.arange(len(scores)) - n_reach) * scale
        return values, found_x, found_y

    def _measure(self, image: NDArray[np.uint8], guess: _Pose, search: float) -> _Measured | None:
        """Measure the bar near a guess."""
        config, plate = self.config, float(self._plate.mean())
        x, y, match = self._match_both(image, guess, search)
        sure = match > config.min_match
        reach = 0.06 * plate if sure.all() else 0.2 * plate
        line = self._fit_shaft(image, _Pose(x, y), max(3.0, reach)) if sure.any() else None
        plate_y = y - self._plate_offset
        # Until the plates' middles are known from a few frames, they are only roughly on the axis.
        near = max(0.04 * plate, 2.0 * self._seed.patch_scale)
        if self._n_good >= 5:
            near = max(0.025 * plate, 1.5 * self._seed.patch_scale)
        if line is not None and (np.abs(line.y - plate_y) > near)[sure].any():
            if (np.abs(line.y - plate_y) > np.hypot(near, 3.0 * line.sd))[sure].any():
                line = self._settle(image, _Pose(x, plate_y), line, sure, near)
            if line is not None:
                x, y, match = self._match_on(image, _Pose(x, line.y), near)
                sure = match > config.min_match
        if line is None and self._pose is not None:
            # A long straight shaft where it was expected tells more than a doubtful plate.
            line = self._fit_shaft(image, guess, max(3.0, 0.12 * plate))
            if line is not None:
                agrees = sure & (np.abs(line.y - plate_y) < near)
                least = (1.0 if agrees.any() else 2.0) * config.min_line_share
                if line.share[0] < least or (match[~agrees] > config.alone_match).any():
                    line = None
                else:
                    match = np.where(agrees, match, 0.0)
                    x = self._fill_in(np.where(agrees, x, guess.x), agrees)
        if line is None and not (match > config.alone_match).any():
            return None
        if line is None:
            match = np.where(match > config.alone_match, match, 0.0)
        match = np.where(match > config.min_match, match, 0.0)
        return _Measured(_Pose(x, plate_y if line is None else line.y), line, match, y)

    def _settle(
        self,
        image: NDArray[np.uint8],
        plates: _Pose,
        line: _LineFit,
        sure: NDArray[np.bool_],
        near: float,
    ) -> _LineFit | None:
        """Return the shaft's line when it and the plates disagree about where the bar is.

        A plate may be mistaken for clutter of like shape, a line for an edge behind. What a long
        shaft and one of the plates say together is believed.
        """
        config = self.config
        agrees = sure & (np.abs(line.y - plates.y) <= near)
        if agrees.any() and min(line.share[1:]) > 2.0 * config.min_line_share:
            return line
        for tried in (0, 1):
            if not sure[tried]:
                continue
            # As if the other end had moved like this one.
            moved = plates.y.copy()
            if self._pose is not None:
                rise = plates.y[tried] - self._pose.y[tried]
                moved[1 - tried] = self._pose.y[1 - tried] + rise
            again = self._fit_shaft(image, _Pose(plates.x, moved), max(3.0, near))
            if again is None or min(again.share[1:]) < 2.0 * config.min_line_share:
                continue
            if abs(again.y[tried] - plates.y[tried]) <= near:
                return again
        if sure.all():
            again = self._fit_shaft(image, plates, 2.0)
            if again is not None and (np.abs(again.y - plates.y) <= near).all():
                return again
        return None

    def _match_on(
        self, image: NDArray[np.uint8], pose: _Pose, near: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Find both plates on a given line; return x, y and correlation."""
        x, y, match = pose.x.copy(), pose.y.copy(), np.zeros(2)
        for side in (0, 1):
            middle = pose.y[side] + self._plate_offset[side]
            known = self._pose.x[side] if self._pose is not None else pose.x[side]
            slack = self._aside * self._plate[side]
            values, found_x, found_y = self._match(image, side, known, (middle, near), slack)
            i = best_index(values)[0]
            x[side], y[side], match[side] = found_x[i], found_y[i], values[i]
        return self._fill_in(x, match > self.config.min_match), y, match

    def _match_both(
        self, image: NDArray[np.uint8], guess: _Pose, search: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Find both plates near a guess, as they move together; return x, y and correlation."""
        plate = float(self._plate.mean())
        scores, places = [], []
        for side in (0, 1):
            slack = self._aside * self._plate[side] if search < plate else search
            values, found_x, found_y = self._match(
                image, side, guess.x[side], (guess.y[side], search), slack
            )
            far = (found_y - guess.y[side]) / search
            scores.append((values, values - 0.2 * far**2))
            places.append((found_x, found_y))
        moved = [places[side][1] - guess.y[side] for side in (0, 1)]
        apart = (moved[0][:, None] - moved[1][None, :]) / (0.15 * plate)
        joint = scores[0][1][:, None] + scores[1][1][None, :] - 0.2 * apart**2
        best = best_index(joint)
        x, y, match = guess.x.copy(), guess.y.copy(), np.zeros(2)
        for side, i in enumerate(best):
            match[side] = scores[side][0][i]
            rise = parabola(scores[side][0][None], np.array([i]))[0]
            x[side] = places[side][0][i]
            y[side] = places[side][1][i] + rise * self._seed.patch_scale
        sure = match > self.config.min_match
        for side in (0, 1):
            if not sure[side]:
                x[side], y[side] = guess.x[side], guess.y[side]
                if sure[1 - side]:
                    y[side] += y[1 - side] - guess.y[1 - side]
        return self._fill_in(x, sure), y, match

    def _fill_in(self, x: FloatArray, sure: NDArray[np.bool_]) -> FloatArray:
        """Place an end that was not recognised by the other one: the bar keeps its length."""
        if sure.sum() != 1:
            return x
        known = int(np.argmax(sure))
        filled = x.copy()
        filled[1 - known] = x[known] + (1 - 2 * known) * self._span
        return filled

    def _fit_shaft(self, image: NDArray[np.uint8], pose: _Pose, search: float) -> _LineFit | None:
        """Fit the shaft's line to both its edges, column by column."""
        config, t = self.config, self._thickness
        (xl, xr), (yl, yr) = pose.x, pose.y
        span = float(xr - xl)
        if span < 20.0:
            return None
        # The collars beside the plates are thicker than the shaft.
        margin = 0.045 * span
        n = int(span - 2.0 * margin)
        reach = int(np.ceil(search + 1.2 * t)) + 3
        slope = (yr - yl) / span
        x0, y0 = xl + margin, yl + slope * margin
        y1 = y0 + slope * n
        low_x, low_y = int(np.floor(x0)) - 1, int(np.floor(min(y0, y1))) - reach - 2
        crop = crop_grey(image, low_x, low_y, low_x + n + 4, int(np.ceil(max(y0, y1))) + reach + 3)
        shear = np.array([[1.0, 0.0, x0 - low_x], [slope, 1.0, y0 - low_y - reach]])
        strip = cv2.warpAffine(
            crop.astype(np.float32),
            shear,
            (n, 2 * reach + 1),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        group = max(3, round(n / 140))
        columns = n // group
        if columns < 12:
            return None
        pooled = strip[:, : columns * group].reshape(2 * reach + 1, columns, group).mean(axis=2)
        position = margin + (np.arange(columns) + 0.5) * group - 0.5
        u = 2.0 * position / span - 1.0
        # Once the bend was seen often it changes little: the bar flexes as it is pushed.
        sag_sd = (0.0015 if self._n_good < 15 else 0.0005) * span
        fits = [
            fit
            for start in self._coarse_lines(pooled, u, search, reach)
            if (fit := self._fit_strip(pooled, u, np.array([*start, self._bend]), sag_sd))
        ]
        if not fits:
            return None
        # Many columns that lie close to one line; a wrong one has them scattered about it.
        evidence = [used.mean() / max(spread, 0.15) for _, _, spread, used, _ in fits]
        best = first_clearly_best(evidence, CLEARLY_BETTER)
        coefficients, covariance, spread, used, left_over = fits[best]
        left, right = u < 0, u >= 0
        share = tuple(float(used[part].mean()) for part in (slice(None), left, right))
        if share[0] < config.min_line_share or abs(coefficients[2] - self._bend) > 0.004 * span:
            return None
        sd = np.sqrt(np.einsum("ij,jk,ik->i", _AT_ENDS, covariance, _AT_ENDS))
        # Neighbouring columns err alike, so they count for fewer: the usual effective number of
        # values for a first-order autoregression (Bayley and Hammersley 1946, from memory).
        left_over = left_over - left_over.mean()
        alike = float(left_over[1:] @ left_over[:-1]) / max(float(left_over @ left_over), 1e-9)
        alike = min(max(alike, 0.0), 0.95)
        sd *= np.sqrt((1.0 + alike) / (1.0 - alike))
        y = np.array([yl, yr]) + _AT_ENDS @ coefficients - reach
        # Where little of the near half was seen, a few wrong columns decide where the line ends.
        unseen = np.clip(1.0 - np.array(share[1:]) / 0.3, 0.0, 1.0)
        return _LineFit(
            y,
            np.hypot(sd, np.hypot(config.sd_floor_px, config.sd_shading_share * t))
            * (1.0 + 6.0 * unseen),
            spread,
            share,
            float(coefficients[2]),
            self._edge_thickness(pooled, curve(coefficients, u), used),
            _Strip(pooled.astype(np.float32), u, coefficients, used, sag_sd),
        )

    def _fit_strip(
        self, pooled: FloatArray, u: FloatArray, coefficients: FloatArray, sag_sd: float
    ) -> tuple[FloatArray, FloatArray, float, NDArray[np.bool_], FloatArray] | None:
        """Fit the shaft's line in a picture along the bar, from a start within some 2 px.

        Returns coefficients, their covariance, the spread of the columns, which columns lie on the
        line and how far off those are.
        """
        for window in (2.5, 2.0, 1.5, 1.5):
            middle = curve(coefficients, u)
            off, weight, match = self._shaft_offsets(pooled, middle)
            good = (match > 0.4) & (np.abs(off) < window)
            if good.sum() < 8:
                return None
            coefficients, covariance, spread, inner = fit_line(
                u[good],
                (middle + off)[good],
                np.minimum(weight[good] / np.median(weight[good]), 3.0),
                (coefficients[0], coefficients[1], self._bend),
                sag_sd,
            )
            used = np.zeros(len(u), bool)
            used[np.flatnonzero(good)[inner]] = True
            new = curve(coefficients, u)
            if np.abs(new - middle).max() < 0.25:
                break
        if not np.isfinite(spread) or used.sum() < 8:
            return None
        return coefficients, covariance, spread, used, (middle + off - new)[used]

    def _shaft_offsets(
        self, pooled: FloatArray, middle: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return how far below `middle` the shaft lies in each column, its weight, its likeness."""
        shaft = self._shaft
        seen, scenery = across(pooled, middle, shaft)
        expected = shaft.expected(scenery)
        change = np.gradient(expected, axis=0)
        off = seen - expected
        known = (change**2).sum(axis=0) + 1e-6
        shift = np.clip(-(off * change).sum(axis=0) / known, -3.0, 3.0)
        left = ((off + shift * change) ** 2).mean(axis=0)
        without = ((seen - scenery) ** 2).mean(axis=0)
        weight = known / (left + shaft.level**2)
        return shift, weight, likeness(left, without, shaft.level)

    def _edge_thickness(
        self, pooled: FloatArray, middle: FloatArray, used: NDArray[np.bool_]
    ) -> float:
        """Return the distance between the shaft's edges where both stand out; else the usual."""
        t = self._thickness
        gradient = vertical_gradient(pooled, max(0.8, 0.12 * t))
        _, thick, strength = edge_middles(gradient, middle, t, max(1.5, 0.2 * t))
        clear = used & (strength > max(4.0 * noise_level(gradient), 5.0))
        clear &= np.abs(thick - t) < 0.2 * t + 0.5
        if clear.sum() < 8:
            return t
        return float(np.median(thick[clear]))

    def _coarse_lines(
        self, pooled: FloatArray, u: FloatArray, search: float, reach: int
    ) -> list[tuple[float, float]]:
        """Return middle row and half rise of the straight line with the most shaft on it.

        Where another line comes near it, that one follows.
        """
        shaft = self._shaft
        n, n_rows = len(shaft.rows), len(pooled)
        beside = round(float(np.mean(shaft.beside)))
        pad = beside + n
        padded = cv2.copyMakeBorder(pooled, pad, pad, 0, 0, cv2.BORDER_REPLICATE)

        def moved(rows: int) -> FloatArray:
            return padded[pad + rows : pad + rows + n_rows]

        # Beside a place where the shaft is not, it may stand itself, and then further off it does
        # not: what the scenery explains from either distance needs no shaft.
        left, without = [], []
        for away in (beside, beside + round(self._thickness)):
            above, below = moved(-away), moved(away)
            left.append(np.zeros_like(pooled))
            without.append(np.zeros_like(pooled))
            for r, own, through in zip(shaft.rows, shaft.own, shaft.through, strict=True):
                scenery = above if r < 0 else below if r > 0 else 0.5 * (above + below)
                left[-1] += (moved(r) - float(own) - float(through) * scenery) ** 2
                without[-1] += (moved(r) - scenery) ** 2
        score = likeness(left[0] / n, np.minimum(*without) / n, 1.5 * shaft.level)
        score = score.astype(np.float32)
        score = cv2.dilate(score, np.ones((3, 1), np.uint8))
        most = int(np.ceil(search))
        rises = np.arange(-most, most + 1)
        shift = np.round(rises[:, None] * u[None, :] + self._bend * u[None, :] ** 2).astype(int)
        middles = np.arange(reach - most, reach + most + 1)
        rows = np.clip(middles[:, None, None] + shift[None], 0, n_rows - 1)
        total = score[rows, np.arange(len(u))].sum(axis=2)
        # A weak preference for where the plates say it is.
        away = ((middles - reach)[:, None] / search) ** 2 + (rises[None, :] / search) ** 2
        value = total * (1.0 - 0.1 * away)
        i, j = best_index(value)
        lines = [(float(middles[i]), float(rises[j]))]
        apart = np.abs(middles - middles[i])[:, None] + np.abs(rises - rises[j])[None, :]
        most_else = np.where(apart > max(3.0, 0.7 * self._thickness), value, -np.inf)
        k, m = best_index(most_else)
        if most_else[k, m] > _NEARLY_AS_MUCH * value[i, j]:
            lines.append((float(middles[k]), float(rises[m])))
        return lines

    def _accept(
        self, found: _Measured, time_s: float, row: dict[str, Any], image: NDArray[np.uint8]
    ) -> None:
        """Take over a measurement into the table's row and into what the next frame starts from."""
        pose, line, match, plate_y = found.pose, found.line, found.match, found.plate_y
        if line is not None and (match > 0).all():
            rate = max(0.05, 1.0 / (self._n_good + 1.0))
            self._plate_offset += rate * (plate_y - line.y - self._plate_offset)
            self._thickness += rate * 0.5 * (line.thickness - self._thickness)
            # A bar at rest before the same scenery would crowd out all the rest that was learned.
            if self._n_good <= 10 or np.abs(line.y - self._learned_y).max() > 1.0:
                strip = line.strip
                middle = curve(strip.coefficients, strip.u)
                seen, scenery = across(strip.pooled, middle, self._shaft)
                self._shaft.learn(seen[:, strip.used], scenery[:, strip.used])
                self._learned_y = line.y
            if min(line.share[1:]) > 0.4:
                self._bend += 0.05 * (line.bend - self._bend)
            self._span += 0.2 * (float(np.ptp(pose.x)) - self._span)
            self._n_good += 1
        for side, name in enumerate(SIDES):
            known = match[side] > 0
            if line is not None:
                here = line.share[1 + side] > 0.5 * self.config.min_line_share
                if not (known or here):
                    continue
                state = "seen" if known and here else "partly"
                # On a tilted bar, not knowing exactly how far out the plate is moves y as well.
                slope = float(np.ptp(pose.y) / max(np.ptp(pose.x), 1.0))
                sd = float(np.hypot(line.sd[side], 0.04 * self._plate[side] * slope))
            elif known:
                # Correlation places a plate to about a third of a reduced pixel; it has no shaft to
                # tell it from clutter of like shape beside it.
                state = "partly"
                sd = float(np.hypot(0.35 * self._seed.patch_scale, 0.015 * self._plate[side]))
            else:
                continue
            row[f"{name}_x_px"] = float(pose.x[side])
            row[f"{name}_y_px"] = float(pose.y[side])
            row[f"{name}_sd_px"] = sd
            row[f"{name}_state"] = state
            if known and not self._seed.left.bare:
                row[f"{name}_plate_px"] = self._plate_height(image, side, pose)
        if line is not None and len(self._early) < _MOST_EARLY:
            self._early.append((len(self._rows), line.strip))
        if line is not None:
            row["line_sd_px"] = float(np.hypot(*line.sd) / 2.0)
            row["bar_px"] = line.thickness
        if self._pose is not None and 0 < time_s - self._pose_time_s < 0.3:
            speed = (pose.y - self._pose.y) / (time_s - self._pose_time_s)
            self._velocity = 0.7 * speed + 0.3 * self._velocity
        else:
            self._velocity = np.zeros(2)
        self._pose, self._pose_time_s = pose, time_s

    def _plate_height(self, image: NDArray[np.uint8], side: int, pose: _Pose) -> float:
        """Return the distance between the plate's top and bottom edges; NaN when one is unclear.

        Seen along the bar's axis, the tops of all plates of a stack make one level edge that starts
        above `x_px` and runs outward. An edge keeps its distance from the axis; edges of the
        scenery pass it by. The distance is averaged over the last few frames.
        """
        plate, sign = float(self._plate[side]), (-1, 1)[side]
        x, y = float(pose.x[side]), float(pose.y[side])
        out = float(np.clip(0.6 * self._depth[side], 3.0, 0.2 * plate))
        low, high = sorted((x, x + sign * out))
        clear = True
        for k in (0, 1):
            usual, seen = self._plate_edges[side, k] * self._span, self._edges_seen[side, k]
            width = max(3.0, 0.035 * plate) if seen < 10 else max(1.2, 0.012 * plate)
            reach = int(np.ceil(3.0 * width)) + 6
            top = round(y + usual) - reach
            crop = crop_grey(image, round(low), top, round(high) + 1, top + 2 * reach + 1)
            profile = cv2.reduce(crop, 1, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
            gradient = np.abs(vertical_gradient(profile, 1.2).ravel())
            rows = np.arange(len(gradient)) + top - y
            near = gradient * np.exp(-0.5 * ((rows - usual) / width) ** 2)
            near[[0, -1]] = 0.0
            i = best_index(near)[0]
            step = rows[i] + float(parabola(gradient[None], np.array([i]))[0]) - usual
            is_peak = gradient[i] >= max(gradient[i - 1], gradient[i + 1])
            if not is_peak or gradient[i] < 3.0 or abs(step) > 2.0 * width:
                clear = False
                continue
            self._edges_seen[side, k] += 1.0
            most = width if seen < 10 else 0.3 * width
            step = float(np.clip(max(0.2, 1.0 / (seen + 1.0)) * step, -most, most))
            self._plate_edges[side, k] += step / self._span
        top_edge, bottom_edge = self._plate_edges[side] * self._span
        height = float(bottom_edge - top_edge)
        self._plate[side] += 0.05 * np.clip(height - plate, -0.02 * plate, 0.02 * plate)
        return height if clear else float("nan")


def track_bar(
    frames: Iterable[Any], seed: BarSeed, config: BarlineConfig | None = None
) -> pd.DataFrame:
    """Return the bar table of a stream of frames; see `BarTracker`."""
    tracker = BarTracker(seed, config)
    for frame in frames:
        tracker.update(frame)
    return tracker.table()
