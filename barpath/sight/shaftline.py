"""The shaft's line in one picture, fitted to both its edges column by column.

In: a picture, RGB or grey, and about where both ends are, image px. Out: `LineFit`, the line's
heights at both ends with standard uncertainties, px. `ShaftLine` also keeps what was learned of the
shaft and its bend from the pictures before, so that the line is told from other edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.ground.choice import best_index, first_clearly_best
from barpath.sight.baredges import (
    crop_grey,
    curve,
    edge_middles,
    fit_line,
    noise_level,
    vertical_gradient,
)
from barpath.sight.barline import CLEARLY_BETTER, BarlineConfig, BarPose, BarSeed
from barpath.sight.shaft import Shaft, across, likeness

FloatArray = NDArray[np.float64]

AT_ENDS = np.array([[1.0, -1.0, 1.0], [1.0, 1.0, 1.0]])
"""Design of a line at both its ends; see `fit_line`."""

# Share of the shaft on the best line from which another line is fitted as well.
_NEARLY_AS_MUCH = 0.8


@dataclass(frozen=True)
class LineStrip:
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
class LineFit:
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
    strip: LineStrip


class ShaftLine:
    """The shaft's line in picture after picture, and what is known of the shaft by now.

    Attributes
    ----------
    thickness_px
        Usual distance between its edges.
    bend_px
        Usual height of its middle under the chord.
    shaft
        What it looks like across.
    n_good
        Number of pictures it was learned from.
    """

    def __init__(self, seed: BarSeed, config: BarlineConfig) -> None:
        self.config = config
        self.thickness_px = seed.bar_px
        self.bend_px = 0.0
        self.shaft = Shaft(seed.bar_px, seed.shaft, max(0.9, 0.8 * seed.patch_scale))
        self.n_good = 0
        self._learned_y = np.full(2, np.nan)

    def learn(self, line: LineFit, rate: float) -> None:
        """Take in the line of a picture in which both plates were recognised as well."""
        self.thickness_px += rate * 0.5 * (line.thickness - self.thickness_px)
        # A bar at rest before the same scenery would crowd out all the rest that was learned.
        if self.n_good <= 10 or np.abs(line.y - self._learned_y).max() > 1.0:
            strip = line.strip
            middle = curve(strip.coefficients, strip.u)
            seen, scenery = across(strip.pooled, middle, self.shaft)
            self.shaft.learn(seen[:, strip.used], scenery[:, strip.used])
            self._learned_y = line.y
        if min(line.share[1:]) > 0.4:
            self.bend_px += 0.05 * (line.bend - self.bend_px)
        self.n_good += 1

    def fit(self, image: NDArray[np.uint8], pose: BarPose, search: float) -> LineFit | None:
        """Fit the shaft's line to both its edges, column by column."""
        config, t = self.config, self.thickness_px
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
        sag_sd = (0.0015 if self.n_good < 15 else 0.0005) * span
        fits = [
            fit
            for start in self._coarse_lines(pooled, u, search, reach)
            if (fit := self.fit_strip(pooled, u, np.array([*start, self.bend_px]), sag_sd))
        ]
        if not fits:
            return None
        # Many columns that lie close to one line; a wrong one has them scattered about it.
        evidence = [used.mean() / max(spread, 0.15) for _, _, spread, used, _ in fits]
        best = first_clearly_best(evidence, CLEARLY_BETTER)
        coefficients, covariance, spread, used, left_over = fits[best]
        left, right = u < 0, u >= 0
        share = tuple(float(used[part].mean()) for part in (slice(None), left, right))
        if share[0] < config.min_line_share or abs(coefficients[2] - self.bend_px) > 0.004 * span:
            return None
        sd = np.sqrt(np.einsum("ij,jk,ik->i", AT_ENDS, covariance, AT_ENDS))
        # Neighbouring columns err alike, so they count for fewer: the usual effective number of
        # values for a first-order autoregression (Bayley and Hammersley 1946, from memory).
        left_over = left_over - left_over.mean()
        alike = float(left_over[1:] @ left_over[:-1]) / max(float(left_over @ left_over), 1e-9)
        alike = min(max(alike, 0.0), 0.95)
        sd *= np.sqrt((1.0 + alike) / (1.0 - alike))
        y = np.array([yl, yr]) + AT_ENDS @ coefficients - reach
        # Where little of the near half was seen, a few wrong columns decide where the line ends.
        unseen = np.clip(1.0 - np.array(share[1:]) / 0.3, 0.0, 1.0)
        return LineFit(
            y,
            np.hypot(sd, np.hypot(config.sd_floor_px, config.sd_shading_share * t))
            * (1.0 + 6.0 * unseen),
            spread,
            share,
            float(coefficients[2]),
            self._edge_thickness(pooled, curve(coefficients, u), used),
            LineStrip(pooled.astype(np.float32), u, coefficients, used, sag_sd),
        )

    def fit_strip(
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
                (coefficients[0], coefficients[1], self.bend_px),
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
        shaft = self.shaft
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
        t = self.thickness_px
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
        shaft = self.shaft
        n, n_rows = len(shaft.rows), len(pooled)
        beside = round(float(np.mean(shaft.beside)))
        pad = beside + n
        padded = cv2.copyMakeBorder(pooled, pad, pad, 0, 0, cv2.BORDER_REPLICATE)

        def moved(rows: int) -> FloatArray:
            return padded[pad + rows : pad + rows + n_rows]

        # Beside a place where the shaft is not, it may stand itself, and then further off it does
        # not: what the scenery explains from either distance needs no shaft.
        left, without = [], []
        for away in (beside, beside + round(self.thickness_px)):
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
        shift = np.round(rises[:, None] * u[None, :] + self.bend_px * u[None, :] ** 2).astype(int)
        middles = np.arange(reach - most, reach + most + 1)
        rows = np.clip(middles[:, None, None] + shift[None], 0, n_rows - 1)
        total = score[rows, np.arange(len(u))].sum(axis=2)
        # A weak preference for where the plates say it is.
        away = ((middles - reach)[:, None] / search) ** 2 + (rises[None, :] / search) ** 2
        value = total * (1.0 - 0.1 * away)
        i, j = best_index(value)
        lines = [(float(middles[i]), float(rises[j]))]
        apart = np.abs(middles - middles[i])[:, None] + np.abs(rises - rises[j])[None, :]
        most_else = np.where(apart > max(3.0, 0.7 * self.thickness_px), value, -np.inf)
        k, m = best_index(most_else)
        if most_else[k, m] > _NEARLY_AS_MUCH * value[i, j]:
            lines.append((float(middles[k]), float(rises[m])))
        return lines
