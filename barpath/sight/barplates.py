"""Both ends of the bar recognised by their pictures: plates, or bare sleeves.

In: a picture, RGB or grey, and about where both ends are, image px. Out: both ends' columns and
rows with the correlation found, 0..1, and a plate's apparent height, px. `EndPictures` also keeps
what was learned of the ends from the pictures before.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.ground.choice import best_index
from barpath.sight.baredges import parabola, vertical_gradient
from barpath.sight.barline import ENDS, BarlineConfig, BarPose, BarSeed, pressed_within
from barpath.sight.pictures import crop_grey

FloatArray = NDArray[np.floating]


class EndPictures:
    """Finds both ends of the bar by the pictures of them that the seed holds.

    Attributes
    ----------
    plate_px
        Apparent heights of both plates, shape (2,).
    offset_px
        How far below the shaft's line the middles of both plates' pictures lie, shape (2,).
    span_px
        Distance between the ends.
    """

    def __init__(self, seed: BarSeed, config: BarlineConfig) -> None:
        self.config = config
        self._seed = seed
        self.plate_px = np.array([seed.left.plate_px, seed.right.plate_px])
        self.offset_px = np.zeros(2)
        self.span_px = seed.right.x_px - seed.left.x_px
        self._depth = np.array([seed.left.depth_px, seed.right.depth_px])
        # How far a plate may lie aside, over its height; little on a bare bar, whose sleeves look
        # much alike all along.
        self._aside = 0.04 if seed.left.bare else 0.12
        # In shares of the distance between the ends, which grows with them as the bar comes nearer.
        self._edges = 0.5 * self.plate_px[:, None] / self.span_px * np.array([-1.0, 1.0])
        self._edges_seen = np.zeros((2, 2))

    @property
    def usual_px(self) -> float:
        """Mean of both plates' heights."""
        return float(self.plate_px.mean())

    def learn(self, pose: BarPose, below_px: FloatArray, rate: float) -> None:
        """Take in how far below the shaft's line both plates were recognised, shape (2,)."""
        self.offset_px += rate * (below_px - self.offset_px)
        self.span_px += 0.2 * (float(np.ptp(pose.x)) - self.span_px)

    def near(
        self, image: NDArray[np.uint8], guess: BarPose, search: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Find both plates near a guess, as they move together; return x, y and correlation."""
        plate = self.usual_px
        scores, places = [], []
        for side in (0, 1):
            slack = self._aside * self.plate_px[side] if search < plate else search
            values, found_x, found_y = self._along_height(
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
        return self.filled_in(x, sure), y, match

    def on_line(
        self, image: NDArray[np.uint8], pose: BarPose, near: float, known_x: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Find both plates on a given line, near known columns; return x, y and correlation."""
        x, y, match = pose.x.copy(), pose.y.copy(), np.zeros(2)
        for side in (0, 1):
            middle = pose.y[side] + self.offset_px[side]
            slack = self._aside * self.plate_px[side]
            values, found_x, found_y = self._along_height(
                image, side, known_x[side], (middle, near), slack
            )
            i = best_index(values)[0]
            x[side], y[side], match[side] = found_x[i], found_y[i], values[i]
        return self.filled_in(x, match > self.config.min_match), y, match

    def anywhere(self, image: NDArray[np.uint8], pose: BarPose) -> BarPose | None:
        """Look for both plates at all heights where a bar that is pressed like this may be."""
        curves = []
        for side, end in enumerate(ENDS):
            slack = 0.3 * self.plate_px[side]
            middle, reach = pressed_within(self._seed.path[f"{end}_y_px"].to_numpy(dtype=float))
            within = (middle, max(reach, self.usual_px))
            curves.append(self._along_height(image, side, pose.x[side], within, slack))
        (a, x_a, rows_a), (b, x_b, rows_b) = curves
        span = float(pose.x[1] - pose.x[0])
        most = np.tan(np.radians(self.config.max_slope_deg)) * span
        joint = np.where(
            np.abs(rows_a[:, None] - rows_b[None, :]) <= most, a[:, None] + b[None, :], -2.0
        )
        i, j = best_index(joint)
        if min(a[i], b[j]) < self.config.min_match:
            return None
        return BarPose(np.array([x_a[i], x_b[j]]), np.array([rows_a[i], rows_b[j]]))

    def _along_height(
        self,
        image: NDArray[np.uint8],
        side: int,
        x: float,
        y: tuple[float, float],
        slack: float,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Correlate a plate's picture along the height; return scores, x and y per row.

        `y` is ``(middle, reach)`` in image pixels; `slack` is how far to either side it may lie.
        """
        scale = self._seed.patch_scale
        patch = self._seed.patches[side]
        first = self._seed.patch_first[side]
        up = (len(patch) - 1) // 2
        n_slack = max(2, int(np.ceil(slack / scale)))
        n_columns = patch.shape[1] + 2 * n_slack
        middle, reach = y
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
            crop = np.asarray(cv2.blur(crop, (width, width)), np.float32)
        shift = np.array([[scale, 0.0, x0 - low_x], [0.0, scale, y0 - low_y]])
        area = cv2.warpAffine(
            crop,
            shift,
            (n_columns, n_rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        found = cv2.matchTemplate(area, patch.astype(np.float32), cv2.TM_CCOEFF_NORMED)
        scores = np.asarray(found, np.float32)
        scores = np.where(np.isfinite(scores), scores, -1.0)
        best = scores.argmax(axis=1)
        values = scores[np.arange(len(scores)), best]
        fine = best + parabola(scores, best)
        found_x = x + (fine - n_slack) * scale
        found_y = middle + (np.arange(len(scores)) - n_reach) * scale
        return values, found_x, found_y

    def filled_in(self, x: FloatArray, sure: NDArray[np.bool_]) -> FloatArray:
        """Place an end that was not recognised by the other one: the bar keeps its length."""
        if sure.sum() != 1:
            return x
        known = int(np.argmax(sure))
        filled = x.copy()
        filled[1 - known] = x[known] + (1 - 2 * known) * self.span_px
        return filled

    def height_in(self, image: NDArray[np.uint8], side: int, pose: BarPose) -> float:
        """Return the distance between the plate's top and bottom edges; NaN when one is unclear.

        Seen along the bar's axis, the tops of all plates of a stack make one level edge that starts
        above `x_px` and runs outward. An edge keeps its distance from the axis; edges of the
        scenery pass it by. The distance is averaged over the last few frames.
        """
        plate, sign = float(self.plate_px[side]), (-1, 1)[side]
        x, y = float(pose.x[side]), float(pose.y[side])
        out = float(np.clip(0.6 * self._depth[side], 3.0, 0.2 * plate))
        low, high = sorted((x, x + sign * out))
        clear = True
        for k in (0, 1):
            usual, seen = self._edges[side, k] * self.span_px, self._edges_seen[side, k]
            width = max(3.0, 0.035 * plate) if seen < 10 else max(1.2, 0.012 * plate)
            reach = int(np.ceil(3.0 * width)) + 6
            top = round(y + usual) - reach
            crop = crop_grey(image, round(low), top, round(high) + 1, top + 2 * reach + 1)
            profile = cv2.reduce(crop, 1, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
            gradient = np.abs(vertical_gradient(np.asarray(profile, np.float32), 1.2).ravel())
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
            self._edges[side, k] += step / self.span_px
        top_edge, bottom_edge = self._edges[side] * self.span_px
        height = float(bottom_edge - top_edge)
        self.plate_px[side] += 0.05 * np.clip(height - plate, -0.02 * plate, 0.02 * plate)
        return height if clear else float("nan")
