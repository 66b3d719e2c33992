"""Follow the bar and both its ends through every frame.

In: all frames and a `BarSeed`. Out: the bar table, image px and s. Both edges of the shaft are
fitted by a straight line in every frame, so that nothing drifts: what was seen before only says
where to look.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.errors import OptionError
from barpath.ground.choice import best_index
from barpath.sight.barline import ENDS, BarlineConfig, BarPose, BarSeed
from barpath.sight.barplates import EndPictures
from barpath.sight.pictures import FrameLike
from barpath.sight.shaftline import AT_ENDS, LineFit, LineStrip, ShaftLine

FloatArray = NDArray[np.floating]

# So many strips are kept, some 10 kB each, to be fitted again with what was learned after them.
_MOST_EARLY = 240

FASTEST_M_S = 1.5
"""About as fast as a bar moves; looked for no farther away than it gets so in `AHEAD_S`."""
AHEAD_S = 0.2
STALE_S = 0.15
"""A speed that is older says little about where the bar is now."""
SPEED_S = 0.3
"""From places that lie farther apart no speed is taken."""
NEAR_SAMPLE_S = 0.5
"""A sample of the path on which the bar was found is a guess within so much of its time."""


@dataclass(frozen=True)
class _Measured:
    """What was measured in one frame: pose, shaft, correlation (0: unknown) and plates' middles."""

    pose: BarPose
    line: LineFit | None
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
        self._ends = EndPictures(seed, self.config)
        self._line = ShaftLine(seed, self.config)
        self._pose: BarPose | None = None
        self._velocity = np.zeros(2)
        self._pose_time_s = float("nan")
        self._rows: list[dict[str, Any]] = []
        self._early: list[tuple[int, LineStrip]] = []

    def update(self, frame: FrameLike) -> dict[str, Any]:
        """Find the bar in the next frame and return its row of the table.

        Parameters
        ----------
        frame : FrameLike
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

        For both ends ``{end}_x_px, {end}_y_px`` (where the bar's axis meets the inner face of the
        plates), ``{end}_plate_px`` (apparent plate height), ``{end}_sd_px`` (of y) and
        ``{end}_state``; then ``line_sd_px`` (of the line's middle) and ``bar_px``.

        The first frames' heights are fitted again with what was learned of the shaft since, and all
        are given for the middle of the shaft as it is known by now; `update` cannot know it yet.
        """
        names = list(self._lost_row(0, 0.0))
        table = pd.DataFrame(self._rows, columns=names)
        heights = [f"{end}_y_px" for end in ENDS]
        moved = np.zeros((len(table), 2))
        for number, strip in self._early:
            again = self._line.fit_strip(strip.pooled, strip.u, strip.coefficients, strip.sag_sd)
            if again is not None:
                shift = AT_ENDS @ (again.coefficients - strip.coefficients)
                moved[number] = shift if np.abs(shift).max() < 2.0 else 0.0
        table[heights] += moved + self._line.shaft.axis_px
        return table

    @staticmethod
    def _lost_row(index: int, time_s: float) -> dict[str, Any]:
        row: dict[str, Any] = {"frame": index, "time_s": time_s}
        for end in ENDS:
            for name in ("x_px", "y_px", "plate_px", "sd_px"):
                row[f"{end}_{name}"] = float("nan")
            row[f"{end}_state"] = "lost"
        row["line_sd_px"] = float("nan")
        row["bar_px"] = float("nan")
        return row

    def _guesses(self, image: NDArray[np.uint8], time_s: float) -> Iterator[tuple[BarPose, float]]:
        """Yield where the bar may be and how far from there to look, likeliest first."""
        plate = self._ends.usual_px
        near = self.config.search_share * plate
        if self._pose is not None:
            gone_s = time_s - self._pose_time_s
            metre_px = float(np.ptp(self._pose.x)) / self.config.barbell.inner_faces_m
            near = max(near, FASTEST_M_S * metre_px * min(gone_s, AHEAD_S))
            ahead_s = gone_s if gone_s < STALE_S else 0.0
            yield BarPose(self._pose.x, self._pose.y + self._velocity * ahead_s), near
            if gone_s < self.config.lost_s:
                return
        path = self._seed.path
        i = best_index(-np.abs(path["time_s"].to_numpy() - time_s))[0]
        sample = path.iloc[i]
        guess = BarPose(
            np.array([sample[f"{end}_x_px"] for end in ENDS], dtype=float),
            np.array([sample[f"{end}_y_px"] for end in ENDS], dtype=float),
        )
        if abs(float(sample["time_s"]) - time_s) < NEAR_SAMPLE_S:
            yield guess, 1.5 * near
        whole = self._ends.anywhere(image, guess if self._pose is None else self._pose)
        if whole is not None:
            yield whole, near

    def _measure(self, image: NDArray[np.uint8], guess: BarPose, search: float) -> _Measured | None:
        """Measure the bar near a guess."""
        config, plate = self.config, self._ends.usual_px
        x, y, match = self._ends.near(image, guess, search)
        sure = match > config.min_match
        reach = 0.06 * plate if sure.all() else 0.2 * plate
        line = self._line.fit(image, BarPose(x, y), max(3.0, reach)) if sure.any() else None
        plate_y = y - self._ends.offset_px
        # Until the plates' middles are known from a few frames, they are only roughly on the axis.
        near = max(0.04 * plate, 2.0 * self._seed.patch_scale)
        if self._line.n_good >= 5:
            near = max(0.025 * plate, 1.5 * self._seed.patch_scale)
        if line is not None and (np.abs(line.y - plate_y) > near)[sure].any():
            if (np.abs(line.y - plate_y) > np.hypot(near, 3.0 * line.sd))[sure].any():
                line = self._settle(image, BarPose(x, plate_y), line, sure, near)
            if line is not None:
                known_x = x if self._pose is None else self._pose.x
                x, y, match = self._ends.on_line(image, BarPose(x, line.y), near, known_x)
                sure = match > config.min_match
        if line is None and self._pose is not None:
            # A long straight shaft where it was expected tells more than a doubtful plate.
            line = self._line.fit(image, guess, max(3.0, 0.12 * plate))
            if line is not None:
                agrees = sure & (np.abs(line.y - plate_y) < near)
                least = (1.0 if agrees.any() else 2.0) * config.min_line_share
                if line.share[0] < least or (match[~agrees] > config.alone_match).any():
                    line = None
                else:
                    match = np.where(agrees, match, 0.0)
                    x = self._ends.filled_in(np.where(agrees, x, guess.x), agrees)
        if line is None and not (match > config.alone_match).any():
            return None
        if line is None:
            match = np.where(match > config.alone_match, match, 0.0)
        match = np.where(match > config.min_match, match, 0.0)
        return _Measured(BarPose(x, plate_y if line is None else line.y), line, match, y)

    def _settle(
        self,
        image: NDArray[np.uint8],
        plates: BarPose,
        line: LineFit,
        sure: NDArray[np.bool_],
        near: float,
    ) -> LineFit | None:
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
            again = self._line.fit(image, BarPose(plates.x, moved), max(3.0, near))
            if again is None or min(again.share[1:]) < 2.0 * config.min_line_share:
                continue
            if abs(again.y[tried] - plates.y[tried]) <= near:
                return again
        if sure.all():
            again = self._line.fit(image, plates, 2.0)
            if again is not None and (np.abs(again.y - plates.y) <= near).all():
                return again
        return None

    def _accept(
        self, found: _Measured, time_s: float, row: dict[str, Any], image: NDArray[np.uint8]
    ) -> None:
        """Take over a measurement into the table's row and into what the next frame starts from."""
        pose, line, match, plate_y = found.pose, found.line, found.match, found.plate_y
        if line is not None and (match > 0).all():
            rate = max(0.05, 1.0 / (self._line.n_good + 1.0))
            self._ends.learn(pose, plate_y - line.y, rate)
            self._line.learn(line, rate)
        for k, name in enumerate(ENDS):
            known = match[k] > 0
            if line is not None:
                here = line.share[1 + k] > 0.5 * self.config.min_line_share
                if not (known or here):
                    continue
                state = "seen" if known and here else "partly"
                # On a tilted bar, not knowing exactly how far out the plate is moves y as well.
                slope = float(np.ptp(pose.y)) / max(float(np.ptp(pose.x)), 1.0)
                sd = float(np.hypot(line.sd[k], 0.04 * self._ends.plate_px[k] * slope))
            elif known:
                # Correlation places a plate to about a third of a reduced pixel; it has no shaft to
                # tell it from clutter of like shape beside it.
                state = "partly"
                sd = float(np.hypot(0.35 * self._seed.patch_scale, 0.015 * self._ends.plate_px[k]))
            else:
                continue
            row[f"{name}_x_px"] = float(pose.x[k])
            row[f"{name}_y_px"] = float(pose.y[k])
            row[f"{name}_sd_px"] = sd
            row[f"{name}_state"] = state
            if known and not self._seed.left.bare:
                row[f"{name}_plate_px"] = self._ends.height_in(image, k, pose)
        if line is not None and len(self._early) < _MOST_EARLY:
            self._early.append((len(self._rows), line.strip))
        if line is not None:
            row["line_sd_px"] = float(np.hypot(*line.sd) / 2.0)
            row["bar_px"] = line.thickness
        if self._pose is not None and 0 < time_s - self._pose_time_s < SPEED_S:
            speed = (pose.y - self._pose.y) / (time_s - self._pose_time_s)
            self._velocity = 0.7 * speed + 0.3 * self._velocity
        else:
            self._velocity = np.zeros(2)
        self._pose, self._pose_time_s = pose, time_s


def track_bar(
    frames: Iterable[FrameLike], seed: BarSeed, config: BarlineConfig | None = None
) -> pd.DataFrame:
    """Return the bar table of a stream of frames; see `BarTracker`."""
    tracker = BarTracker(seed, config)
    for frame in frames:
        tracker.update(frame)
    return tracker.table()
