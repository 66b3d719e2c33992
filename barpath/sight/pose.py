"""The lifter's joints in the image, frame by frame, as a table.

The joint network says where each point is, how well that is known and whether it is seen;
`lifter` finds the lifter and follows him from frame to frame. Here the bar that is measured tells
whose hands are wanted, looks are spread over the clip, and what was read becomes the pose table.

In: frames, and the plate or bar table where there is one. Out: the pose table, image px, px² and s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.equipment import LARGEST_DISC_M, POWER_BAR, Bar
from barpath.sight.barline import ENDS
from barpath.sight.jointnet import POINTS, SIDES, JointNetwork, Readings
from barpath.sight.lifter import (
    BarLine,
    LifterConfig,
    Tracker,
    find_lifter,
    square_round,
    with_surroundings,
)
from barpath.sight.pictures import FrameLike
from barpath.sight.sleeve import Sleeve

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

JOINTS = POINTS
"""Names of the points in the pose table; left and right are the lifter's own."""
PLACE = ("x_px", "y_px", "var_x_px2", "cov_xy_px2", "var_y_px2")
"""What the pose table says of a point's place."""
PARTS = (*PLACE, "seen", "hidden", "confidence")
"""Columns of every point in the pose table."""

MOST_WAITING = 4
PLATE_AXIS_SD_RAD = 0.4
LEAST_BAR_PX = 4.0
"""Of a smaller bar or plate no scale can be taken."""

SKELETON: tuple[tuple[str, str], ...] = (
    ("left_shoulder", "right_shoulder"),
    ("left_hip", "right_hip"),
    *(
        (f"{side}_{a}", f"{side}_{b}")
        for side in SIDES
        for a, b in (
            ("shoulder", "elbow"),
            ("elbow", "wrist"),
            ("wrist", "hand"),
            ("shoulder", "hip"),
            ("hip", "knee"),
            ("knee", "ankle"),
        )
    ),
)
"""Pairs of joints that are joined by a segment of the body."""


@dataclass(frozen=True)
class PoseConfig:
    """Settings of the pose stage.

    Attributes
    ----------
    plate_diameter_m : float
        Diameter of the plate that the plate table follows; the ruler for distances from the bar.
    barbell : Bar
        The bar; the distance between the inner faces of its two ends' plates is the ruler where
        both ends are followed.
    looks_per_s : float
        Most readings a second of the clip.
    wide_every : int
        In so many readings one is completed by what lies round the crop: legs, the bar's ends.
    outside : float
        Probability of being outside the picture from which a point's place is not given.
    hidden_share : float
        Confidence of a point that is surely hidden, as a share of one that is seen.
    blurred_share : float
        Stated spread of a point, as a share of the upper body's size, that halves its confidence.
    hand_share : float
        How much of a hand's stated spread differs from frame to frame (of the tuning clips).
    lifter : LifterConfig
        How the lifter is found and followed.
    """

    plate_diameter_m: float = LARGEST_DISC_M
    barbell: Bar = POWER_BAR
    looks_per_s: float = 12.0
    wide_every: int = 6
    outside: float = 0.5
    hidden_share: float = 0.45
    blurred_share: float = 0.10
    hand_share: float = 0.5
    lifter: LifterConfig = field(default_factory=LifterConfig)


def bar_line(row: Mapping[str, Any], config: PoseConfig | None = None) -> BarLine | None:
    """Where hands can be on the bar that one row of the plate table or the bar table shows.

    Parameters
    ----------
    row : mapping
        A row of the plate table (`x_px, y_px, major_px, minor_px, angle_deg`) or of the bar table
        (`image_left_x_px, …, image_right_y_px`); which one is seen from its columns.
    config : PoseConfig, optional
        Gives the plate's diameter and the bar's length.

    Returns
    -------
    BarLine or None
        None where the bar was lost. For a plate, the bar's axis is taken along the ellipse's minor
        axis, on which the normal of a disc is projected under weak perspective; the hands lie
        within the bar's length, foreshortened by sqrt(1 - (minor/major)^2), to either side. Seen
        from high or close by the normal lies otherwise, by up to `PLATE_AXIS_SD_RAD` (our
        estimate, no source).

    Examples
    --------
    >>> row = {"x_px": 50.0, "y_px": 40.0, "major_px": 45.0, "minor_px": 45.0, "angle_deg": 0.0}
    >>> line = bar_line(row)
    >>> round(line.reach_px, 1), line.m_per_px
    (10.0, 0.01)
    """
    config = config or PoseConfig()
    if f"{ENDS[0]}_x_px" in row:
        ends = np.array([[row[f"{end}_{axis}_px"] for axis in "xy"] for end in ENDS], dtype=float)
        span = float(np.hypot(*(ends[1] - ends[0])))
        if not np.isfinite(span) or span < LEAST_BAR_PX:
            return None
        m_per_px = config.barbell.inner_faces_m / span
        return BarLine(ends.mean(axis=0), (ends[1] - ends[0]) / span, span / 2, m_per_px)
    values = [float(row[name]) for name in ("x_px", "y_px", "major_px", "minor_px", "angle_deg")]
    if not np.all(np.isfinite(values)) or values[2] < LEAST_BAR_PX:
        return None
    x, y, major, minor, angle = values
    normal = np.radians(angle + 90.0)
    foreshortening = np.sqrt(max(0.0, 1.0 - (minor / major) ** 2))
    m_per_px = config.plate_diameter_m / major
    # A fifth more and 0.1 m, since the ellipse gives the foreshortening roughly and perspective
    # moves what is farther away.
    reach_m = 1.2 * config.barbell.inner_faces_m * foreshortening + 0.1
    axis = np.array([np.cos(normal), np.sin(normal)])
    reach_px = float(reach_m / m_per_px)
    return BarLine(np.array([x, y]), axis, reach_px, m_per_px, PLATE_AXIS_SD_RAD)


class PoseReader:
    """Reads the lifter in frames given in order, at most so many times a second; then `table`.

    Reading goes on beside what the caller does between frames; what is read does not depend on it.
    Used in a ``with`` block, it leaves no thread behind.

    Parameters
    ----------
    network : JointNetwork
    config : PoseConfig, optional
    watching : sequence of callable
        Each is called with the frame's number, its picture and what was read in it, in the
        frames' order.
    """

    def __init__(
        self,
        network: JointNetwork,
        config: PoseConfig | None = None,
        watching: Sequence[Callable[[int, Image, Readings], None]] = (),
    ) -> None:
        self.config, self._watching = config or PoseConfig(), watching
        self._tracker = Tracker(network, self.config.lifter)
        self._due_s = -np.inf
        self._rows: list[tuple[int, float, Future[Readings | None]]] = []
        # One worker reads the frames in their order, so that each look starts from the one before.
        self._worker = ThreadPoolExecutor(max_workers=1)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._worker.shutdown(cancel_futures=kind is not None)

    def update(self, index: int, time_s: float, image: Image, bar: BarLine | None = None) -> None:
        """Read the next frame if it is time for it.

        Parameters
        ----------
        index : int
            Frame number.
        time_s : float
            Its time.
        image : ndarray of uint8, shape (H, W, 3)
            RGB picture.
        bar : BarLine, optional
            The bar in it.
        """
        if time_s < self._due_s - 1e-6:
            return
        step_s = 1.0 / self.config.looks_per_s
        # Looks keep to their rate, not to multiples of the frames' interval.
        self._due_s = max(self._due_s, time_s - step_s) + step_s if self._rows else time_s + step_s
        if len(self._rows) >= MOST_WAITING:
            # So few frames wait to be read that they do not fill the memory.
            self._rows[-MOST_WAITING][2].result()
        wide = len(self._rows) % self.config.wide_every == 0
        self._rows.append((index, time_s, self._worker.submit(self._look, index, image, bar, wide)))

    def _look(self, index: int, image: Image, bar: BarLine | None, wide: bool) -> Readings | None:
        reading = self._tracker.update(image, bar)
        if reading is not None and wide:
            reading = with_surroundings(image, self._tracker.network, reading, self.config.lifter)
        if reading is not None:
            for watch in self._watching:
                watch(index, image, reading)
        return reading

    def table(self) -> pd.DataFrame:
        """The pose table of the frames read so far, one row each."""
        rows = [(index, time_s, look.result()) for index, time_s, look in self._rows]
        return pose_table(rows, self.config)


def bare_track(
    times_s: Floats,
    pose: pd.DataFrame,
    sleeve: Sleeve | None = None,
    config: PoseConfig | None = None,
) -> pd.DataFrame:
    """Plate table of a bar without plates: its nearer end, or the middle between both hands on it.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Of all frames of the clip.
    pose : DataFrame
        Pose table.
    sleeve : Sleeve, optional
        Of the nearer end, where it was told.
    config : PoseConfig, optional

    Returns
    -------
    DataFrame
        `frame, time_s, x_px, y_px, sd_px, state`; sizes and angle are missing. Frames in which
        the end was not found, or either hand was not read, are lost. With a sleeve also what is
        said of it: `sleeve_px`, its diameter at the end, `sleeve_rel_sd`, `hands_share`, and
        `sleeve_measured`, whether the diameter was told in that frame.
    """
    config = config or PoseConfig()
    if sleeve is not None:
        table = _bare_table(times_s, sleeve.path.set_index("frame"))
        return table.assign(
            sleeve_px=sleeve.diameter_px,
            sleeve_rel_sd=sleeve.rel_sd,
            hands_share=sleeve.hands_share,
            sleeve_measured=table["frame"].isin(sleeve.measured),
        )
    hands = [
        pose.reindex(columns=[f"{side}_hand_{part}" for part in PARTS[:5]]).to_numpy(dtype=float)
        for side in SIDES
    ]
    middle = sum(hand[:, :2] for hand in hands) / 2
    # Frames' own share of what the network states, over both hands.
    sd = config.hand_share * np.sqrt(sum(hand[:, [2, 4]].mean(axis=1) for hand in hands)) / 2
    at = pd.DataFrame({"x_px": middle[:, 0], "y_px": middle[:, 1], "sd_px": sd})
    return _bare_table(times_s, at.set_axis(pose["frame"].to_numpy()).dropna())


def _bare_table(times_s: Floats, at: pd.DataFrame) -> pd.DataFrame:
    """Plate table of places by frame, without sizes; frames without a place are lost."""
    table = pd.DataFrame({"frame": np.arange(len(times_s)), "time_s": times_s})
    table = table.join(at, on="frame")
    for name in ("major_px", "minor_px", "angle_deg", "outline_share"):
        table[name] = np.nan
    table["state"] = np.where(table["x_px"].notna(), "seen", "lost")
    return table


def confidence_of(reading: Readings, config: PoseConfig | None = None) -> Floats:
    """One figure a point for showing and choosing, shape (21,): seen, and sharply, counts as 1."""
    config = config or PoseConfig()
    blur = reading.sd_px / (config.blurred_share * square_round(reading, 1.0).size_px)
    there = reading.state[:, 0] + config.hidden_share * reading.state[:, 1]
    return there / (1.0 + blur**2)


def pose_table(
    rows: Sequence[tuple[int, float, Readings | None]], config: PoseConfig | None = None
) -> pd.DataFrame:
    """Pose table of readings.

    Parameters
    ----------
    rows : sequence of (frame, time_s, reading)
        The reading is None where the lifter was not found.
    config : PoseConfig, optional

    Returns
    -------
    DataFrame
        One row each: `frame`, `time_s`, for every point of `JOINTS` the `PARTS` (place and
        covariance in image pixels, probabilities of being seen and of being hidden in the picture,
        confidence), and `person_score`, the network's probability that the lifter presses. Points
        outside the picture have NaN for places and no confidence.
    """
    config = config or PoseConfig()
    values = np.full((len(rows), len(JOINTS), len(PARTS)), np.nan)
    score = np.zeros(len(rows))
    for k, (_, _, reading) in enumerate(rows):
        if reading is None:
            values[k, :, -1] = 0.0
            continue
        score[k] = reading.pressing
        spread = reading.covariance_px2
        values[k] = np.column_stack(
            [
                reading.xy_px,
                spread[:, 0, 0],
                spread[:, 0, 1],
                spread[:, 1, 1],
                reading.state[:, :2],
                confidence_of(reading, config),
            ]
        )
        outside = reading.state[:, 2] > config.outside
        values[k, outside, :5] = np.nan
        values[k, outside, -1] = 0.0
    columns = {
        f"{joint}_{part}": values[:, j, p]
        for j, joint in enumerate(JOINTS)
        for p, part in enumerate(PARTS)
    }
    return pd.DataFrame(
        {
            "frame": np.array([row[0] for row in rows], dtype=int),
            "time_s": np.array([row[1] for row in rows], dtype=float),
            **columns,
            "person_score": score,
        }
    )


def points_in(table: pd.DataFrame) -> list[str]:
    """Names of a table's points with their trailing underscore, as `steadying.steady` takes them.

    Examples
    --------
    >>> points_in(pd.DataFrame(columns=["frame", "head_x_px", "head_y_px", "head_confidence"]))
    ['head_']
    """
    return [name.removesuffix("x_px") for name in table.columns if name.endswith("_x_px")]


def estimate_pose(
    frames: Iterable[FrameLike],
    bar: pd.DataFrame | None,
    network: JointNetwork,
    config: PoseConfig | None = None,
) -> pd.DataFrame:
    """Joints of the lifter in a clip.

    Parameters
    ----------
    frames : iterable of FrameLike
        With RGB pictures, in order of time. They are read once and
        not kept.
    bar : DataFrame or None
        The plate table (side, oblique) or the bar table (front), matched by `frame`.
    network : JointNetwork
    config : PoseConfig, optional

    Returns
    -------
    DataFrame
        The pose table; see `pose_table`.
    """
    config = config or PoseConfig()
    lines: dict[int, BarLine | None] = {}
    if bar is not None:
        lines = {int(row["frame"]): bar_line(row, config) for row in bar.to_dict("records")}
    with PoseReader(network, config) as reader:
        for frame in frames:
            reader.update(frame.index, frame.time_s, frame.image, lines.get(frame.index))
        return reader.table()


def estimate_pose_image(
    image: Image,
    network: JointNetwork,
    bar: BarLine | None = None,
    config: PoseConfig | None = None,
) -> pd.DataFrame:
    """Joints of the lifter in a single picture, with or without knowledge of the bar.

    Parameters
    ----------
    image : ndarray of uint8, shape (H, W, 3)
        RGB picture.
    network : JointNetwork
    bar : BarLine, optional
        From `bar_line`.
    config : PoseConfig, optional

    Returns
    -------
    DataFrame
        Pose table of one row.
    """
    config = config or PoseConfig()
    reading = find_lifter(image, network, bar, config.lifter)
    if reading is not None:
        reading = with_surroundings(image, network, reading, config.lifter)
    return pose_table([(0, 0.0, reading)], config)
