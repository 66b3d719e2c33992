"""The lifter found in a picture, and followed from frame to frame, by what the joint network reads.

In: RGB pictures, and the bar in them where it is known, image px. Out: `Readings` of the lifter, or
None. `find_lifter` shows the network pieces of the picture, crops round what it read, and believes
the piece in which it is most certain that somebody presses. `Tracker` goes on from frame to frame
with the last frame's crop.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barpath.sight.jointnet import ARMS, HANDS, POINTS, JointNetwork, Readings, Square

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

_BOX = np.array([*range(10), POINTS.index("head")])


@dataclass(frozen=True)
class LifterConfig:
    """How the lifter is looked for and followed.

    Attributes
    ----------
    fill : float
        Share of the crop's side that the upper body fills where it is measured.
    across_fill : float
        The same where the bar lies across the picture, as from the feet. The upper body is wide
        there, so that the crop would be coarse, and the bar's ends lie outside of it either way:
        with 0.8 for 0.65 joints were read a tenth nearer, and elbow abduction erred by 3.4 degrees
        for 4.4 (36 of the joiners' clips); from aside nothing is gained.
    wide_fill : float
        The same for a look at what lies round it: little more than the least that the network is
        trained on, and wide enough for the whole bar from most places.
    n_rounds : int
        Times that the picture is cropped anew round what was read.
    n_kept : int
        Candidates that go on after each round.
    sharp_share : float
        Stated spread of arm joints as a share of the upper body's box at which a reading counts
        half as much as a sharp one.
    on_bar_share : float
        Distance of the hands from a known bar, as a share of the box, at which it counts half.
    least_pressing : float
        Probability that somebody presses from which it speaks for a lifter at all.
    found, kept : float
        Least evidence for a lifter to be found, and to be read on.
    there : float
        Least sharpness of a body that is followed while it does not press.
    follow_gain, size_gain : float
        Share by which the crop moves, and changes its size, after what was read.
    patience : int
        Looks in a row without evidence after which the lifter is searched for anew.
    longest_pause : int
        The pauses between further searches double until they are this many looks long.
    """

    fill: float = 0.65
    across_fill: float = 0.8
    wide_fill: float = 0.3
    n_rounds: int = 2
    n_kept: int = 3
    sharp_share: float = 0.06
    on_bar_share: float = 0.12
    least_pressing: float = 0.003
    found: float = 0.22
    kept: float = 0.12
    there: float = 0.6
    follow_gain: float = 0.7
    size_gain: float = 0.3
    patience: int = 2
    longest_pause: int = 16


@dataclass(frozen=True)
class BarLine:
    """Where hands on a bar can be in an image: a stretch of its axis.

    Attributes
    ----------
    point_px : ndarray, shape (2,)
        Its middle.
    axis : ndarray, shape (2,)
        Unit vector along it.
    reach_px : float
        Half its length.
    m_per_px : float
        Metres per pixel at it.
    axis_sd_rad : float
        How far its direction may be wrong.
    """

    point_px: Floats
    axis: Floats
    reach_px: float
    m_per_px: float
    axis_sd_rad: float = 0.0

    def distance_px(self, points_px: Floats) -> Floats:
        """Distance of points, shape (..., 2), from the stretch, wherever its direction lets it lie.

        Examples
        --------
        >>> line = BarLine(np.zeros(2), np.array([1.0, 0.0]), 10.0, 0.01)
        >>> line.distance_px(np.array([[5.0, 3.0], [14.0, 3.0]])).tolist()
        [3.0, 5.0]
        """
        offset = points_px - self.point_px
        along = offset @ self.axis
        beyond = np.maximum(np.abs(along) - self.reach_px, 0.0)
        aside = np.abs(offset @ np.array([-self.axis[1], self.axis[0]]))
        return np.hypot(np.maximum(aside - self.axis_sd_rad * np.abs(along), 0.0), beyond)


def square_round(reading: Readings, fill: float = 0.65) -> Square:
    """The square in which the upper body that was read fills a share of the side.

    Points that the network takes to be outside the picture count only when hardly any is inside.

    Parameters
    ----------
    reading : Readings
        One.
    fill : float

    Returns
    -------
    Square
    """
    inside = ~reading.outside[_BOX]
    points = reading.xy_px[_BOX[inside] if inside.sum() >= 4 else _BOX]
    low, high = points.min(axis=0), points.max(axis=0)
    x, y = (low + high) / 2
    return Square(float(x), float(y), max(float((high - low).max()) / fill, 16.0))


def evidence(
    reading: Readings, bar: BarLine | None = None, config: LifterConfig | None = None
) -> float:
    """How much speaks for a reading being that of the lifter, 0 to 1.

    How far the network's own probability that somebody presses is above that of people who do not,
    on a logarithmic scale (upright people in gyms get less than 0.001 in 99 of 100 pictures, real
    presses with odd bars as little as 0.03), times one term for how sharply it sees the arms, times
    one for the hands being on the bar where that is known.

    Parameters
    ----------
    reading : Readings
        One.
    bar : BarLine, optional
    config : LifterConfig, optional

    Returns
    -------
    float
    """
    config = config or LifterConfig()
    pressing = max(float(reading.pressing), config.least_pressing)
    score = 1.0 - np.log(pressing) / np.log(config.least_pressing)
    score = float(score) * sharpness(reading, config)
    if bar is not None:
        off_px = bar.distance_px(reading.xy_px[HANDS]).mean()
        off = float(off_px) / square_round(reading, 1.0).size_px
        score /= 1.0 + (off / config.on_bar_share) ** 2
    return score


def sharpness(reading: Readings, config: LifterConfig | None = None) -> float:
    """How sharply a reading's arms are seen, 0 to 1: whether there is a body at all."""
    config = config or LifterConfig()
    # One arm may be out of sight, so the sharper half of the points speaks.
    spread_px = float(np.sort(reading.sd_px[ARMS])[: len(ARMS) // 2].mean())
    share = spread_px / square_round(reading, 1.0).size_px
    return 1.0 / (1.0 + (share / config.sharp_share) ** 2)


def start_squares(height_px: int, width_px: int) -> list[Square]:
    """Squares in which a lifter is looked for first, the largest first.

    Examples
    --------
    >>> [round(square.size_px) for square in start_squares(720, 1280)][:4]
    [1280, 720, 720, 720]
    """
    middle = np.array([width_px - 1, height_px - 1]) / 2
    long_px, short_px = max(height_px, width_px), min(height_px, width_px)
    across = np.array([1.0, 0.0]) if width_px >= height_px else np.array([0.0, 1.0])
    squares = [Square(float(middle[0]), float(middle[1]), float(long_px))]
    for share in (1.0, 0.6):
        size = share * short_px
        slack_along, slack_aside = (long_px - size) / 2, (short_px - size) / 2
        for aside in (0.0,) if share == 1.0 else (-1.0, 1.0):
            for along in (0.0, -1.0, 1.0):
                centre = middle + along * slack_along * across
                centre = centre + aside * slack_aside * across[::-1]
                squares.append(Square(float(centre[0]), float(centre[1]), size))
    return squares


def squares_by(bar: BarLine) -> list[Square]:
    """Squares in which the lifter under a bar is: the upper body is about 1.2 m long and wide."""
    m = 1.0 / bar.m_per_px
    x, y = bar.point_px
    return [Square(float(x + dx * m), float(y + 0.2 * m), 1.9 * m) for dx in (0.0, -0.5, 0.5)]


def find_lifter(
    image: Image,
    network: JointNetwork,
    bar: BarLine | None = None,
    config: LifterConfig | None = None,
) -> Readings | None:
    """The lifter in a picture.

    Parameters
    ----------
    image : ndarray of uint8, shape (H, W, 3)
        RGB.
    network : JointNetwork
    bar : BarLine, optional
        The bar that is in the lifter's hands, where it is known.
    config : LifterConfig, optional

    Returns
    -------
    Readings or None
        One, in pixels of the image; None when nobody presses. Of lifters for whom equally much
        speaks, to two digits, it is the larger one, and of equally large ones the one farther left.
    """
    config = config or LifterConfig()
    starts = [start_squares(*image.shape[:2])]
    if bar is not None:
        starts.insert(0, squares_by(bar))
    for squares in starts:
        found = search(image, network, squares, bar, config)
        if evidence(found[0], bar, config) >= config.found:
            return found[0]
    return None


def with_surroundings(
    image: Image, network: JointNetwork, reading: Readings, config: LifterConfig | None = None
) -> Readings:
    """A lifter's reading with the points that its crop cut off, from one wider look.

    Parameters
    ----------
    image, network, config
        As for `find_lifter`.
    reading : Readings
        One.

    Returns
    -------
    Readings
        One. Legs and the bar's ends seldom fit into the crop in which arms are read best; points
        that were outside of it, in place, spread and state, are those of the wider crop.
    """
    config = config or LifterConfig()
    wide = network.read(image, [square_round(reading, config.wide_fill)])[0]
    cut = reading.outside & ~wide.outside
    return Readings(
        np.where(cut[:, None], wide.xy_px, reading.xy_px),
        np.where(cut[:, None, None], wide.covariance_px2, reading.covariance_px2),
        np.where(cut[:, None], wide.state, reading.state),
        reading.pressing,
    )


def search(
    image: Image,
    network: JointNetwork,
    squares: Sequence[Square],
    bar: BarLine | None = None,
    config: LifterConfig | None = None,
) -> list[Readings]:
    """Candidates for the lifter in a picture, the likeliest first, no two of the same person.

    Parameters
    ----------
    image, network, bar, config
        As for `find_lifter`.
    squares : sequence of Square
        Where to look first; at least one.

    Returns
    -------
    list of Readings
        One each.
    """
    config = config or LifterConfig()

    def rank(reading: Readings) -> tuple[float, float, float]:
        square = square_round(reading)
        return (
            -round(evidence(reading, bar, config), 2),
            -round(square.size_px, 1),
            round(square.x_px, 1),
        )

    for _ in range(config.n_rounds + 1):
        read = network.read(image, squares)
        ranked = sorted((read[k] for k in range(len(read))), key=rank)
        candidates = list(_distinct(ranked))[: config.n_kept]
        squares = [square_round(one, config.fill) for one in candidates]
    return candidates


def _distinct(readings: Sequence[Readings]) -> Iterator[Readings]:
    taken: list[Readings] = []
    for reading in readings:
        box_px = square_round(reading, 1.0).size_px
        apart = [np.abs(reading.xy_px[ARMS] - one.xy_px[ARMS]).mean() for one in taken]
        if not apart or min(apart) > 0.15 * box_px:
            taken.append(reading)
            yield reading


class Tracker:
    """Follows one lifter through frames in order.

    Parameters
    ----------
    network : JointNetwork
    config : LifterConfig, optional
    start : Readings, optional
        The lifter in the first frame, where known.
    """

    def __init__(
        self,
        network: JointNetwork,
        config: LifterConfig | None = None,
        start: Readings | None = None,
    ) -> None:
        self.network = network
        self.config = config or LifterConfig()
        self._square = None if start is None else square_round(start, self.config.fill)
        self._misses = 0

    def update(self, image: Image, bar: BarLine | None = None) -> Readings | None:
        """The lifter in the next frame.

        Parameters
        ----------
        image : ndarray of uint8, shape (H, W, 3)
        bar : BarLine, optional
            The bar in it.

        Returns
        -------
        Readings or None
            One, in pixels of the image.
        """
        config = self.config
        reading, score = None, 0.0
        if self._square is not None:
            reading, score = self._look(image, bar, self._square)
        if score < config.kept:
            self._misses += 1
            there = reading is not None and sharpness(reading, config) >= config.there
            if self._misses >= config.patience and not there:
                self._square = None
            if self._due():
                found = find_lifter(image, self.network, bar, config)
                if found is not None:
                    self._square = None
                    reading, score = found, 1.0
        if reading is None or (score < config.kept and self._square is None):
            return None
        self._follow(reading)
        if score < config.kept:
            return None
        self._misses = 0
        return reading

    def _due(self) -> bool:
        """Whether to search: where nobody presses, every search costs for nothing."""
        if self._square is not None and self._misses < self.config.patience:
            return False
        since = max(self._misses - self.config.patience, 0)
        pause = self.config.longest_pause
        return since & (since + 1) == 0 if since < pause else since % pause == pause - 1

    def _follow(self, reading: Readings) -> None:
        config, target = self.config, square_round(reading, self.config.fill)
        if self._square is None:
            self._square = target
            return
        here = self._square
        self._square = Square(
            here.x_px + config.follow_gain * (target.x_px - here.x_px),
            here.y_px + config.follow_gain * (target.y_px - here.y_px),
            here.size_px * (target.size_px / here.size_px) ** config.size_gain,
        )

    def _look(self, image: Image, bar: BarLine | None, square: Square) -> tuple[Readings, float]:
        """What is read in a crop, or in one round that if that says more, with its evidence."""
        config = self.config
        reading = self.network.read(image, [square])[0]
        score = evidence(reading, bar, config)
        if score >= config.kept or sharpness(reading, config) >= config.there:
            return reading, score
        again = self.network.read(image, [square_round(reading, config.fill)])[0]
        better = evidence(again, bar, config)
        return (again, better) if better > score else (reading, score)
