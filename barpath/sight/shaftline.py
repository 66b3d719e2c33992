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
    curve,
    edge_middles,
    fit_line,
    noise_level,
    vertical_gradient,
)
from barpath.sight.barline import CLEARLY_BETTER, BarlineConfig, BarPose, BarSeed
from barpath.sight.pictures import crop_grey
from barpath.sight.shaft import Shaft, across, likeness

FloatArray = NDArray[np.floating]
Grey = NDArray[np.float32]

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

    pooled: Grey
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


@dataclass(frozen=True)
class StripFit:
    """A line fitted in a picture along the bar.

    Attributes
    ----------
    coefficients, covariance
        As `fit_line` gives them.
    spread
        Standard deviation of a column's value about the line.
    used
        Columns that lie on the line.
    left_over
        How far off those are.
    """

    coefficients: FloatArray
    covariance: FloatArray
    spread: float
    used: NDArray[np.bool_]
    left_over: FloatArray


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
        """Fit the shaft's line to both its edges, column by column, within `search` px of `pose`.

        None where the bar is too short, or too little of the shaft lies on one line.
        """
        reach = int(np.ceil(search + 1.2 * self.thickness_px)) + 3
        cut = _cut_along(image, pose, reach)
        if cut is None:
            return None
        pooled, u = cut
        span = float(pose.x[1] - pose.x[0])
        # Once the bend was seen often it changes little: the bar flexes as it is pushed.
        sag_sd = (0.0015 if self.n_good < 15 else 0.0005) * span
        found = self._best_fit(pooled, u, search, reach, sag_sd)
        if found is None:
            return None
        coefficients, used = found.coefficients, found.used
        share = (float(used.mean()), float(used[u < 0].mean()), float(used[u >= 0].mean()))
        bend = float(coefficients[2])
        if share[0] < self.config.min_line_share or abs(bend - self.bend_px) > 0.004 * span:
            return None
        return LineFit(
            pose.y + AT_ENDS @ coefficients - reach,
            self._sd_at_ends(found, share),
            found.spread,
            share,
            bend,
            self._edge_thickness(pooled, curve(coefficients, u), used),
            LineStrip(pooled, u, coefficients, used, sag_sd),
        )

    def _best_fit(
        self, pooled: Grey, u: FloatArray, search: float, reach: int, sag_sd: float
    ) -> StripFit | None:
        """Of the likely lines in a picture along the bar the one that fits best."""
        fits = [
            fit
            for start in self._coarse_lines(pooled, u, search, reach)
            if (fit := self.fit_strip(pooled, u, np.array([*start, self.bend_px]), sag_sd))
        ]
        if not fits:
            return None
        # Many columns that lie close to one line; a wrong one has them scattered about it.
        evidence = [fit.used.mean() / max(fit.spread, 0.15) for fit in fits]
        return fits[first_clearly_best(evidence, CLEARLY_BETTER)]

    def _sd_at_ends(self, fit: StripFit, share: tuple[float, float, float]) -> FloatArray:
        """Standard uncertainty of the line's height at both ends, px; `share` as in `LineFit`."""
        config = self.config
        sd = np.sqrt(np.einsum("ij,jk,ik->i", AT_ENDS, fit.covariance, AT_ENDS))
        # Neighbouring columns err alike, so they count for fewer: the usual effective number of
        # values for a first-order autoregression (Bayley and Hammersley 1946, from memory).
        left_over = fit.left_over - fit.left_over.mean()
        alike = float(left_over[1:] @ left_over[:-1]) / max(float(left_over @ left_over), 1e-9)
        alike = min(max(alike, 0.0), 0.95)
        sd *= np.sqrt((1.0 + alike) / (1.0 - alike))
        # Where little of the near half was seen, a few wrong columns decide where the line ends.
        unseen = np.clip(1.0 - np.array(share[1:]) / 0.3, 0.0, 1.0)
        floor = np.hypot(config.sd_floor_px, config.sd_shading_share * self.thickness_px)
        return np.hypot(sd, floor) * (1.0 + 6.0 * unseen)

    def fit_strip(
        self, pooled: Grey, u: FloatArray, coefficients: FloatArray, sag_sd: float
    ) -> StripFit | None:
        """Fit the shaft's line in a picture along the bar, from a start within some 2 px."""
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
        return StripFit(coefficients, covariance, spread, used, (middle + off - new)[used])

    def _shaft_offsets(
        self, pooled: Grey, middle: FloatArray
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

    def _edge_thickness(self, pooled: Grey, middle: FloatArray, used: NDArray[np.bool_]) -> float:
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
        self, pooled: Grey, u: FloatArray, search: float, reach: int
    ) -> list[tuple[float, float]]:
        """Return middle row and half rise of the straight line with the most shaft on it.

        Where another line comes near it, that one follows.
        """
        shaft = self.shaft
        n, n_rows = len(shaft.rows), len(pooled)
        beside = round(float(np.mean(shaft.beside)))
        pad = beside + n
        padded = np.asarray(
            cv2.copyMakeBorder(pooled, pad, pad, 0, 0, cv2.BORDER_REPLICATE), np.float32
        )

        def moved(rows: int) -> Grey:
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
                left[-1] += (moved(int(r)) - float(own) - float(through) * scenery) ** 2
                without[-1] += (moved(int(r)) - scenery) ** 2
        score = likeness(left[0] / n, np.minimum(*without) / n, 1.5 * shaft.level)
        on_shaft = cv2.dilate(score.astype(np.float32), np.ones((3, 1), np.uint8))
        most = int(np.ceil(search))
        rises = np.arange(-most, most + 1)
        shift = np.round(rises[:, None] * u[None, :] + self.bend_px * u[None, :] ** 2).astype(int)
        middles = np.arange(reach - most, reach + most + 1)
        rows = np.clip(middles[:, None, None] + shift[None], 0, n_rows - 1)
        total = on_shaft[rows, np.arange(len(u))].sum(axis=2)
        # A weak preference for where the plates say it is.
        off = ((middles - reach)[:, None] / search) ** 2 + (rises[None, :] / search) ** 2
        value = total * (1.0 - 0.1 * off)
        i, j = best_index(value)
        lines = [(float(middles[i]), float(rises[j]))]
        apart = np.abs(middles - middles[i])[:, None] + np.abs(rises - rises[j])[None, :]
        most_else = np.where(apart > max(3.0, 0.7 * self.thickness_px), value, -np.inf)
        k, m = best_index(most_else)
        if most_else[k, m] > _NEARLY_AS_MUCH * value[i, j]:
            lines.append((float(middles[k]), float(rises[m])))
        return lines


def _cut_along(
    image: NDArray[np.uint8], pose: BarPose, reach: int
) -> tuple[Grey, FloatArray] | None:
    """Cut the picture along the shaft, up to `reach` px above and below it, columns pooled.

    Returns grey levels, shape (2 reach + 1, columns), and the columns' positions along the bar, -1
    to 1. None where the bar is too short.
    """
    (xl, xr), (yl, yr) = pose.x, pose.y
    span = float(xr - xl)
    if span < 20.0:
        return None
    # The collars beside the plates are thicker than the shaft.
    margin = 0.045 * span
    n = int(span - 2.0 * margin)
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
    return pooled.astype(np.float32), 2.0 * position / span - 1.0
