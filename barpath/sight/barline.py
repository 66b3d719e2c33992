"""Find and follow the bar and both its ends when filmed from the lifter's feet.

In this view the bar lies across the image and the plates are narrow ellipses at its ends. The bar
is found as the long thin line that moves up and down with a tall plate at either end. It is then
followed by a straight-line fit to both edges of the shaft in every frame, so that nothing drifts:
what was seen before only says where to look.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf

from barpath.clip.scene import apply_transform
from barpath.errors import BarNotFoundError, OptionError
from barpath.ground.choice import SAME, best_index, evenly_spread, first_clearly_best, ranked

FloatArray = NDArray[np.float64]

SIDES = ("image_left", "image_right")

SHAFT_OFFSETS = np.linspace(-1.0, 1.0, 33)
"""Where `BarSeed.shaft` is given: offsets from the axis downward, in shaft thicknesses."""


@dataclass(frozen=True)
class BarlineConfig:
    """Settings of this stage.

    Attributes
    ----------
    work_width_px
        Width to which images are reduced while the bar is searched for.
    max_slope_deg
        Steepest bar searched for in the image.
    min_span_share
        Shortest distance between the plates, as a share of the image's width.
    focal_share
        Focal length over the image's longer side, 0.85 being usual for a phone's main camera
        (common practice, no source). It only places the plate's centre within its narrow ellipse.
    min_travel_share
        Smallest vertical travel of the bar, over the plates' apparent height, that counts as a
        press.
    min_match
        Smallest normalised correlation at which a plate counts as recognised.
    alone_match
        Correlation at which a plate is trusted although no shaft is seen beside it.
    min_line_share
        Share of the visible shaft's columns that must lie on the line for it to count as seen.
    search_share
        How far from its predicted place a plate is looked for, over its apparent height.
    lost_s
        After this time without the bar it is looked for over the whole height of the image.
    sd_floor_px
        Error that does not average out along the shaft: resampling, uneven edges.
    sd_shading_share
        Error from light that changes across the shaft as it moves, over its thickness.
    """

    work_width_px: int = 640
    max_slope_deg: float = 8.0
    min_span_share: float = 0.2
    focal_share: float = 0.85
    min_travel_share: float = 0.12
    min_match: float = 0.5
    alone_match: float = 0.7
    min_line_share: float = 0.2
    search_share: float = 0.35
    lost_s: float = 0.3
    sd_floor_px: float = 0.08
    sd_shading_share: float = 0.012


@dataclass(frozen=True)
class BarEnd:
    """One end of the bar in the image.

    Attributes
    ----------
    x_px, y_px
        Where the bar's axis meets the inner face of the innermost plate.
    plate_px
        Apparent height of the plate; of a full-sized one where there is none.
    depth_px
        Apparent extent of the plates, or of the bare sleeve, outward from `x_px`.
    bare
        Whether there is no plate.
    """

    x_px: float
    y_px: float
    plate_px: float
    depth_px: float
    bare: bool = False


@dataclass(frozen=True)
class BarSeed:
    """Where the bar is in one frame, and roughly where it was in the others looked at.

    Attributes
    ----------
    frame, time_s
        The frame in which the bar was seen best.
    left, right
        The ends in that frame; left and right of the image.
    bar_px
        Thickness of the shaft.
    width_px, height_px
        Size of the image.
    path
        One row per frame looked at: ``frame, time_s`` and for both ends ``{side}_x_px``,
        ``{side}_y_px``, with ``match``, the correlation found.
    patches
        Grey pictures of the left and right plates by which they are recognised.
    shaft
        The shaft's own light at `SHAFT_OFFSETS`, apart from what is seen behind and beside it.
    patch_first
        Their first columns, from the ends, in their pixels.
    patch_scale
        Image pixels per pixel of `patches`.
    """

    frame: int
    time_s: float
    left: BarEnd
    right: BarEnd
    bar_px: float
    width_px: int
    height_px: int
    path: pd.DataFrame = field(repr=False)
    patches: tuple[FloatArray, FloatArray] = field(repr=False)
    shaft: FloatArray = field(repr=False)
    patch_first: tuple[float, float]
    patch_scale: float = 1.0


# ------------------------------------------------------------------------------------------------
# Edges of a thin bar
# ------------------------------------------------------------------------------------------------


def edge_pair_score(gradient: FloatArray, thickness_px: float) -> FloatArray:
    """Return how well each row is the middle of a bar with an edge on either side.

    Parameters
    ----------
    gradient
        Vertical derivative of the picture, shape (rows, columns).
    thickness_px
        Distance between the edges.

    Returns
    -------
    ndarray of shape (rows, columns)
        The weaker of the two edges when they have opposite signs, else 0; so that a single edge,
        however strong, counts nothing.

    Examples
    --------
    >>> picture = np.zeros((9, 1)); picture[3:6] = 1.0
    >>> gradient = np.gradient(picture, axis=0)
    >>> int(np.argmax(edge_pair_score(gradient, 3.0)))
    4
    """
    half = 0.5 * thickness_px
    above, below = _shifted(gradient, -half), _shifted(gradient, half)
    return np.where(above * below < 0, np.minimum(np.abs(above), np.abs(below)), 0.0)


def _shifted(values: FloatArray, rows: float) -> FloatArray:
    """Return ``values`` read `rows` further down, by linear interpolation, 0 outside."""
    whole = int(np.floor(rows))
    part = rows - whole
    padded = np.pad(values, ((abs(whole) + 1, abs(whole) + 2), (0, 0)))
    first = abs(whole) + 1 + whole
    n = len(values)
    return (1.0 - part) * padded[first : first + n] + part * padded[first + 1 : first + 1 + n]


def _vertical_gradient(picture: FloatArray, sigma: float) -> FloatArray:
    """Return the vertical derivative of a picture smoothed along its columns."""
    size = 2 * int(np.ceil(3.0 * sigma)) + 1
    smooth = cv2.GaussianBlur(
        picture, (1, size), sigmaX=sigma, sigmaY=sigma, borderType=cv2.BORDER_REPLICATE
    )
    return cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5, borderType=cv2.BORDER_REPLICATE)


def _noise(gradient: FloatArray) -> float:
    """Return a robust standard deviation of a gradient picture."""
    return float(np.median(np.abs(gradient)) / 0.6745) + 1e-3


def fit_line(
    u: ArrayLike,
    y_px: ArrayLike,
    weight: ArrayLike,
    start: tuple[float, float, float],
    sag_sd_px: float,
    scale_px: float = 1.0,
) -> tuple[FloatArray, FloatArray, float, NDArray[np.bool_]]:
    """Fit ``y = a + b u + c u²`` robustly; the bend `c` is held near its start.

    A loaded bar sags at its ends and a lens bends straight lines, both by little.

    Parameters
    ----------
    u
        Position along the bar, -1 at the left end and +1 at the right, shape (n,).
    y_px
        Height of the shaft's middle in pixels, shape (n,).
    weight
        Relative weight of each value, shape (n,).
    start
        First guess of ``a, b, c``; `c` is also the centre of its prior.
    sag_sd_px
        Prior standard deviation of `c`.
    scale_px
        Spread beyond which values lose their weight (Tukey's biweight; Huber and Ronchetti, Robust
        Statistics, 2nd ed., section 4.8).

    Returns
    -------
    coefficients : ndarray of shape (3,)
    covariance : ndarray of shape (3, 3)
    spread_px : float
        Standard deviation of one value about the line.
    used : ndarray of shape (n,), bool

    Examples
    --------
    >>> u = np.linspace(-1, 1, 21)
    >>> y = 5 + 2 * u; y[3] = 40
    >>> coefficients, *_ = fit_line(u, y, np.ones(21), (5.2, 1.5, 0.0), 0.5)
    >>> coefficients.round(6).tolist()
    [5.0, 2.0, 0.0]
    """
    x, y, w = (np.asarray(values, dtype=float) for values in (u, y_px, weight))
    design = np.column_stack([np.ones_like(x), x, x * x])
    coefficients = np.asarray(start, dtype=float)
    prior = np.diag([0.0, 0.0, 1.0 / sag_sd_px**2])
    spread = scale_px
    used = np.ones(len(x), bool)
    covariance = np.full((3, 3), np.nan)
    for step in range(6):
        off = y - design @ coefficients
        reach = 4.685 * spread if step else 3.0 * scale_px
        shrink = np.maximum(1.0 - (off / reach) ** 2, 0.0) ** 2
        used = shrink > 0
        total = w * shrink
        if used.sum() < 4:
            return coefficients, np.full((3, 3), np.nan), float("nan"), used
        normal = design.T @ (design * total[:, None]) / spread**2 + prior
        # A faint ridge keeps the slope defined when all columns lie close together.
        normal += np.diag([1e-9, 1e-4, 0.0])
        right = design.T @ (total * y) / spread**2 + prior @ np.asarray(start, dtype=float)
        right[1] += 1e-4 * start[1]
        # OpenCV's inverse: for matrices this small LAPACK's threads cost more than the sum.
        covariance = cv2.invert(normal, flags=cv2.DECOMP_CHOLESKY)[1]
        previous, coefficients = coefficients, covariance @ right
        off = y - design @ coefficients
        last = spread
        # A partition: numpy's median costs more than the rest of the step.
        size = np.abs(off[used])
        typical = float(np.partition(size, len(size) // 2)[len(size) // 2])
        spread = min(max(1.4826 * typical, 0.02), scale_px)
        if abs(spread - last) < 0.05 * last and np.abs(coefficients - previous).max() < 3e-3:
            break
    return coefficients, covariance, spread, used


# ------------------------------------------------------------------------------------------------
# Finding the bar
# ------------------------------------------------------------------------------------------------


@dataclass
class _Samples:
    """Reduced, steadied grey pictures of the frames looked at."""

    grey: NDArray[np.uint8]
    frame: NDArray[np.int64]
    time_s: FloatArray
    transform: FloatArray
    scale: float
    width_px: int
    height_px: int


_NOT_FOUND = (
    "No bar with plates at both ends that moves up and down was found; film from the lifter's feet "
    "with both plates in the picture."
)
_COLUMN = 4


def find_bar(
    samples: Iterable[Any],
    config: BarlineConfig | None = None,
    camera: Sequence[ArrayLike] | None = None,
    ends_px: ArrayLike | None = None,
    *,
    bare: bool = False,
) -> BarSeed:
    """Find the bar in a front view without being shown it.

    Parameters
    ----------
    samples
        Frames (``index``, ``time_s``, ``image``: RGB or grey ``uint8``), about 4 to 6 a second over
        at least one repetition, in order.
    config
        Settings.
    camera
        For each sample its 2x3 transform to the steadied image, for a handheld camera.
    ends_px
        Columns of the steadied image near which the inner faces of the plates are expected, the
        left one first, where something else tells.
    bare
        Whether there are no plates on the bar, which is found only where the ends are expected.

    Returns
    -------
    BarSeed
        In coordinates of the image as filmed.

    Raises
    ------
    BarNotFoundError
        When nothing long, thin and level with plates at both ends moves up and down.
    """
    config = config or BarlineConfig()
    stack = _reduce(samples, config, camera)
    expected = None
    if ends_px is not None:
        expected = (np.asarray(ends_px, dtype=float) + 0.5) / stack.scale - 0.5
    if len(stack.grey) < 6:
        raise BarNotFoundError("Too few frames to tell the bar from what stands still.")
    scores = np.stack([_thin_lines(grey) for grey in stack.grey])
    rest = np.percentile(scores[:: max(1, len(scores) // 80)], 65, axis=0)
    moving = np.clip(scores - rest[None], 0.0, 1.0)
    lines = _moving_lines(moving, config)
    followed = [
        found
        for kept in _line_families(lines, config, stack)
        for model in _bar_models(stack, lines, kept, moving, expected, config, bare=bare)
        if (found := _follow_model(stack, model, config)) is not None
    ]
    if not followed:
        raise BarNotFoundError(_NOT_FOUND)
    best = first_clearly_best([found.evidence for found in followed], _CLEARLY_BETTER)
    return _seed_from(stack, followed[best], config)


def _reduce(
    samples: Iterable[Any], config: BarlineConfig, camera: Sequence[ArrayLike] | None
) -> _Samples:
    """Reduce and steady the samples."""
    grey, index, time_s, used = [], [], [], []
    scale, width, height = 1.0, 0, 0
    for number, sample in enumerate(samples):
        transform = np.eye(2, 3)
        if camera is not None:
            transform = np.asarray(camera[number], dtype=float)
            if not np.isfinite(transform).all():
                continue
        image = sample.image
        if width == 0:
            height, width = image.shape[:2]
            scale = max(1.0, width / config.work_width_px)
        elif image.shape[:2] != (height, width):
            raise OptionError("The frames in which the bar is searched for differ in size.")
        small = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
        if scale > 1.0:
            size = (round(width / scale), round(height / scale))
            small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
        if not np.array_equal(transform, np.eye(2, 3)):
            reduced = transform.copy()
            half = 0.5 * (scale - 1.0)
            shift = np.array([half, half])
            reduced[:, 2] = (transform[:, :2] @ shift + transform[:, 2] - shift) / scale
            small = cv2.warpAffine(
                small, reduced, small.shape[::-1], borderMode=cv2.BORDER_REPLICATE
            )
        grey.append(small)
        index.append(int(sample.index))
        time_s.append(float(sample.time_s))
        used.append(transform)
    pictures = np.stack(grey) if grey else np.empty((0, 1, 1), np.uint8)
    return _Samples(
        pictures, np.array(index), np.array(time_s), np.array(used), scale, width, height
    )


def _thin_lines(grey: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return 0..1 per pixel for thin level lines of any usual thickness; columns are pooled."""
    columns = grey.shape[1] // _COLUMN
    pooled = cv2.blur(grey, (2 * _COLUMN + 1, 1))[:, _COLUMN // 2 : columns * _COLUMN : _COLUMN]
    gradient = _vertical_gradient(pooled.astype(np.float32), 0.8)
    noise = _noise(gradient)
    best = np.zeros_like(gradient)
    for thickness in (2, 3, 4, 5, 6, 8, 10):
        # Edges that many rows apart, of opposite sign; the weaker one counts.
        above, below = gradient[:-thickness], gradient[thickness:]
        weaker = np.minimum(np.abs(above), np.abs(below)) * (above * below < 0)
        middle = best[thickness // 2 : thickness // 2 + len(weaker)]
        np.maximum(middle, weaker, out=middle)
    return np.clip((best - 1.5 * noise) / (6.0 * noise + 2.0), 0.0, 1.0)


def _moving_lines(moving: NDArray[np.float32], config: BarlineConfig) -> pd.DataFrame:
    """Return the strongest straight lines of each sample: ``sample, y, drop, support``.

    ``y`` is the row at the middle column, ``drop`` the rows gained from the left border to the
    right, ``support`` the number of (pooled) columns on the line.
    """
    n, rows, columns = moving.shape
    reach = np.tan(np.radians(config.max_slope_deg)) * columns * _COLUMN
    drops = np.linspace(-reach, reach, 2 * int(np.ceil(reach / 6.0)) + 1)
    groups = columns // 4
    found = []
    # A line may run between two rows: the best of three neighbouring rows is taken.
    kernel = np.ones((3, 1), np.uint8)
    for sample in range(n):
        wide = cv2.dilate(moving[sample], kernel)
        wide = wide[:, : 4 * groups].reshape(rows, groups, 4).mean(axis=2)
        sums = np.empty((len(drops), rows), np.float32)
        for number, drop in enumerate(drops):
            lean = drop / (groups - 1)
            shear = np.array([[1.0, 0.0, 0.0], [lean, 1.0, -0.5 * drop]])
            straight = cv2.warpAffine(
                wide, shear, (groups, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            )
            sums[number] = 4.0 * cv2.reduce(straight, 1, cv2.REDUCE_SUM).ravel()
        for _ in range(3):
            i, j = best_index(sums)
            if sums[i, j] <= 0:
                break
            found.append((sample, float(j), float(drops[i]), float(sums[i, j])))
            sums[:, max(0, j - 12) : j + 13] = 0.0
    return pd.DataFrame(found, columns=["sample", "y", "drop", "support"])


def _line_families(
    lines: pd.DataFrame, config: BarlineConfig, stack: _Samples
) -> list[NDArray[np.int64]]:
    """Return sets of rows of `lines`, one line a sample, that may be one bar; likeliest first."""
    columns = stack.grey.shape[2] / _COLUMN
    families = []
    strong = lines[lines.support > 0.25 * config.min_span_share * columns]
    if strong.empty:
        return []
    for share in (0.35, 0.6):
        part = strong[strong.support > share * strong.support.quantile(0.98)]
        slopes, of_slope = np.unique(part["drop"].to_numpy(), return_inverse=True)
        weight = np.bincount(of_slope, part["support"].to_numpy())
        # Half width of the slopes one bar takes: four degrees.
        width = np.tan(np.radians(4.0)) * columns * _COLUMN
        near = np.abs(slopes[:, None] - slopes[None, :]) < width
        centre = slopes[best_index(near @ weight)]
        member = part[np.abs(part["drop"] - centre) < width]
        # One line a sample: of lines alike in support the one that slopes like most, then the
        # higher one in the image.
        order = np.lexsort(
            (
                member["y"],
                np.abs(member["drop"] - centre).round(6),
                -member["support"].round(1),
                member["sample"],
            )
        )
        best = member.iloc[order].drop_duplicates("sample")
        chosen = best.index.to_numpy()
        if len(best) >= 4 and not any(np.array_equal(chosen, other) for other in families):
            families.append(chosen)
    return families


@dataclass
class _Model:
    """What moves with the bar, in reduced pixels; rows count from the bar's axis."""

    left: BarEnd
    right: BarEnd
    thickness: float
    patches: tuple[FloatArray, FloatArray]
    first: tuple[float, float]
    shaft: FloatArray


def _aligned(
    picture: NDArray[Any], y: float, drop: float, reach: int, dx: float = 0.0
) -> NDArray[np.float32]:
    """Return the picture sheared and moved so that the line runs along the middle row."""
    width = picture.shape[1]
    lean = drop / (width - 1)
    shear = np.array([[1.0, 0.0, dx], [lean, 1.0, y - 0.5 * drop - reach]])
    return cv2.warpAffine(
        picture.astype(np.float32),
        shear,
        (width, 2 * reach + 1),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


_LEVELS = 8


def _levels(height: FloatArray) -> NDArray[np.int64]:
    """Return in which of eight equal steps from the lowest to the highest each height lies."""
    return ((height - height.min()) / (np.ptp(height) + 1.0) * _LEVELS).astype(int)


def _at_all_heights(height: FloatArray, n: int) -> NDArray[np.int64]:
    """Return up to `n` numbers of heights given in order of time.

    All levels get alike many, however long the bar rested at one of them, and within a level they
    are spread over the time.
    """
    level = _levels(height)
    queues = [np.flatnonzero(level == k) for k in range(_LEVELS)]
    queues = [queue[evenly_spread(len(queue))] for queue in queues if len(queue)]
    turns = [[queue[k] for queue in queues if k < len(queue)] for k in range(max(map(len, queues)))]
    return np.sort(np.concatenate(turns)[:n]).astype(int)


def _bar_models(
    stack: _Samples,
    lines: pd.DataFrame,
    kept: NDArray[np.int64],
    moving: NDArray[np.float32],
    expected: FloatArray | None,
    config: BarlineConfig,
    *,
    bare: bool,
) -> Iterator[_Model]:
    """Build the picture of what moves rigidly with the line; yield each pair of plates in it.

    Last comes, where the ends are expected, the bar that ends there, be there plates or not.

    Pictures are laid over each other with the line in one place. What moves with the line then
    agrees among them and differs from the scenery that is seen there when the bar is elsewhere.
    """
    chosen = lines.loc[kept]
    chosen = chosen[chosen["support"] > 0.6 * chosen["support"].quantile(0.75)]
    chosen = chosen.iloc[_at_all_heights(chosen["y"].to_numpy(), 36)]
    rows, width = stack.grey.shape[1:]
    reach = int(0.35 * rows)
    few = stack.grey[:6].astype(np.float32)
    noise = 1.4826 * float(np.median(np.abs(np.diff(few, axis=0)))) + 1.0
    height = chosen["y"].to_numpy()
    sample = chosen["sample"].to_numpy()

    own, differs, line_part = [], [], []
    level = _levels(height)
    elsewhere = {
        k: sample[_furthest(np.abs(height - np.mean(height[level == k])))] for k in np.unique(level)
    }
    for row, k in zip(chosen.itertuples(), level, strict=True):
        own.append(_aligned(stack.grey[row.sample], row.y, row.drop, reach))
        # The scenery there is seen while the bar is furthest away. Someone may walk through it, or
        # something there look like the bar: one picture of several may be wrong either way.
        least = second = np.full(own[-1].shape, np.inf, np.float32)
        for other in elsewhere[k]:
            apart = _aligned(stack.grey[other], row.y, row.drop, reach) - own[-1]
            apart = np.abs(cv2.blur(apart, (3, 3)))
            second = cv2.min(second, cv2.max(least, apart))
            least = cv2.min(least, apart)
        differs.append(second)
        spread = np.repeat(moving[row.sample], _COLUMN, axis=1)
        spread = np.pad(spread, ((0, 0), (0, width - spread.shape[1])))
        line_part.append(
            np.max(_aligned(spread, row.y, row.drop, reach)[reach - 1 : reach + 2], axis=0)
        )
    own_stack = np.stack(own)
    rigid = np.median(own_stack, axis=0)
    wobble = np.median(np.abs(own_stack - rigid), axis=0)
    fill = np.ones((2 * (max(3, rows // 60) | 1) + 1, 3), np.uint8)

    def heights(percentile: float) -> tuple[FloatArray, FloatArray]:
        """How far up and down what belongs to the bar reaches, as this many pictures show."""
        apart = np.percentile(differs, percentile, axis=0)
        belongs = (apart > max(2.0 * noise, 6.0)) & (apart > 1.2 * wobble)
        return _heights(cv2.morphologyEx(belongs.astype(np.uint8), cv2.MORPH_CLOSE, fill), reach)

    shaft = cv2.blur(np.mean(line_part, axis=0)[None].astype(np.float32), (9, 1))[0]
    on_shaft = np.flatnonzero(shaft > 0.4 * np.percentile(shaft, 97))
    if len(on_shaft) < 10:
        return
    thickness = _thickness(rigid, reach, on_shaft, (2.0, 14.0))
    # A plate is taller than the bar travels: in many pictures a part of it is seen before itself.
    # Half of them tell where it begins and ends sideways, by that part of it which stands free.
    shown = np.maximum(*heights(50.0)) > 3.0 * thickness
    tall = tuple(np.where(shown, height, 0.0) for height in heights(70.0))
    pairs = _plate_pairs(rigid, *tall, on_shaft, thickness, expected, config)
    for pair in [] if bare else pairs:
        yield _model_of(own_stack, rigid, tall, on_shaft, pair, max(width, rows), expected, config)
    told = None if expected is None else _told_model(own_stack, rigid, on_shaft, expected, bare)
    if told is not None:
        yield told


def _furthest(away: FloatArray, n: int = 5) -> NDArray[np.int64]:
    """Return the numbers of `n` samples among the fifth that are furthest away.

    All that are equally far count, so that none is preferred; the `n` are spread over the time.
    """
    least = min(float(np.quantile(away, 0.8)), float(np.sort(away)[-min(n, len(away))]))
    far = np.flatnonzero(away >= least - 0.5)
    return far[evenly_spread(len(far))[:n]]


def _model_of(
    own_stack: FloatArray,
    rigid: FloatArray,
    tall: tuple[FloatArray, FloatArray],
    on_shaft: NDArray[np.int64],
    pair: tuple[tuple[int, int], tuple[int, int]],
    longer_px: int,
    expected: FloatArray | None,
    config: BarlineConfig,
) -> _Model:
    """Return what moves with the bar when these columns are its plates.

    What stands beside a plate may pass for a part of it: an end that lies too far from where it is
    expected is put there.
    """
    reach, width = rigid.shape[0] // 2, rigid.shape[1]
    # Hands and collars are thicker; 28 mm over 1310 mm between the collars bounds the shaft.
    span = pair[1][0] - pair[0][1]
    between = on_shaft[(on_shaft > pair[0][1]) & (on_shaft < pair[1][0])]
    bounds = (0.015 * span, 0.03 * span)
    edges = _thickness(rigid, reach, between, bounds)
    thickness, centre, shaft = _shaft_across(own_stack, reach, between, edges, bounds)
    # The line may have followed an edge of the shaft's shading: put the axis in the middle row.
    rigid = _raised(rigid, centre)
    heights = []
    for start, stop in pair:
        # A plate's middle is the axis; on one side what is seen may run on into something else.
        most = float(np.percentile(np.minimum(*tall)[start:stop], 85))
        top, bottom = _plate_rows(rigid[:, start:stop], most, thickness, reach)
        heights.append(bottom - top)
    # Both are of one height: one taller than a disc can be takes in what stands beside it.
    if max(heights) > _TALLEST_SHARE * span:
        heights = [min(heights)] * 2
    ends = []
    for side, ((start, stop), sign) in enumerate(zip(pair, (-1, 1), strict=True)):
        plate = heights[side]
        # The inner face is a narrow ellipse whose far rim is seen first; its centre, where the bar
        # passes through, lies half the ellipse's width further out.
        inner = float(stop if sign < 0 else start)
        half_width = 0.5 * plate * abs(inner - 0.5 * (width - 1)) / (config.focal_share * longer_px)
        depth = max(float(stop - start) - half_width, _LEAST_DEPTH_SHARE * plate)
        x = inner + sign * half_width
        if expected is not None and abs(x - expected[side]) > _SURE_SHARE * np.ptp(expected):
            x = float(expected[side])
        ends.append(BarEnd(x, 0.0, float(plate), depth))
    return _Model(*ends, thickness, *_pictures(rigid, ends, reach), shaft)


# A plate's height over the distance between both is at most that of 450 mm to 1.37 m, seen a little
# nearer; and a plate and what holds it are so thick at least, as a share of its height.
_TALLEST_SHARE, _LEAST_DEPTH_SHARE = 0.38, 0.06
# A bar is believed where it is expected when its line covers this share of what lies between.
_LEAST_TOLD_SHARE = 0.3
# Of a disc of 450 mm over what lies between the plates, and of the sleeves' length to it: 2.20 m
# over all (IPF Technical Rules Book, from memory).
_DISC_SHARE, _SLEEVE_SHARE = 0.45 / 1.372, (2.20 - 1.372) / 2 / 1.372


def _told_model(
    own_stack: FloatArray,
    rigid: FloatArray,
    on_shaft: NDArray[np.int64],
    expected: FloatArray,
    bare: bool,
) -> _Model | None:
    """Return what moves with the bar when its ends are where they are expected."""
    reach, span = rigid.shape[0] // 2, float(np.ptp(expected))
    between = on_shaft[(on_shaft > expected[0]) & (on_shaft < expected[1])]
    if len(between) < _LEAST_TOLD_SHARE * span:
        return None
    bounds = (0.015 * span, 0.03 * span)
    edges = _thickness(rigid, reach, between, bounds)
    thickness, centre, shaft = _shaft_across(own_stack, reach, between, edges, bounds)
    rigid = _raised(rigid, centre)
    ends = [BarEnd(float(x), 0.0, _DISC_SHARE * span, _SLEEVE_SHARE * span, bare) for x in expected]
    return _Model(*ends, thickness, *_pictures(rigid, ends, reach), shaft)


def _raised(rigid: FloatArray, rows: float) -> FloatArray:
    """Return a picture moved up by so many rows."""
    return cv2.warpAffine(
        rigid.astype(np.float32),
        np.array([[1.0, 0.0, 0.0], [0.0, 1.0, rows]]),
        rigid.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def _thickness(
    rigid: FloatArray, reach: int, columns: NDArray[np.int64], between: tuple[float, float]
) -> float:
    """Return the distance between the shaft's edges, from `between` two bounds."""
    gradient = _vertical_gradient(rigid.astype(np.float32), 0.8)[:, columns]
    tried = np.linspace(*between, 25)
    score = [
        np.mean(np.sqrt(edge_pair_score(gradient, t)[reach - 1 : reach + 2].max(axis=0)))
        for t in tried
    ]
    return float(tried[best_index(score)[0]])


def box_cover(offset_px: ArrayLike, thickness_px: ArrayLike, blur_px: float) -> FloatArray:
    """Return how much of the light at an offset from its axis comes from a blurred band.

    Examples
    --------
    >>> box_cover([0.0, 4.0, 9.0], 8.0, 0.8).round(3).tolist()
    [1.0, 0.5, 0.0]
    """
    r, half = np.asarray(offset_px, float), 0.5 * np.asarray(thickness_px, float)
    root = blur_px * np.sqrt(2.0)
    return 0.5 * (erf((half - r) / root) + erf((half + r) / root))


def _shaft_across(
    own: FloatArray,
    reach: int,
    columns: NDArray[np.int64],
    thickness: float,
    bounds: tuple[float, float],
) -> tuple[float, float, FloatArray]:
    """Return the shaft's thickness, its middle row and its own light at `SHAFT_OFFSETS`.

    The same shaft is seen before different scenery in pictures laid over each other, ``own`` of
    shape (pictures, rows, columns). Rows that do not follow the scenery beside them are the
    shaft's; its own shading, which has edges too, does not mislead.
    """
    far = int(np.ceil(0.5 * bounds[1])) + 5
    if len(columns) < 8 or far + 3 > reach:
        own_light = np.full(len(SHAFT_OFFSETS), np.median(own[:, reach]))
        return thickness, 0.0, own_light * box_cover(SHAFT_OFFSETS * thickness, thickness, 0.8)
    wide = own[:, reach - far : reach + far + 1]
    rows = np.arange(-far, far + 1)
    groups = np.array_split(columns, min(16, len(columns) // 4))
    values = np.stack([wide[:, :, g].mean(axis=2) for g in groups], axis=1)
    # The line was placed to a pixel or so: lay the pictures over each other more exactly.
    core = np.flatnonzero(np.abs(rows) <= 0.5 * thickness + 1.0)
    tried = np.arange(-2.5, 2.6, 0.125)
    halves = np.array_split(np.arange(len(groups)), 2)
    shift = np.zeros(values.shape[:2])

    def laid() -> FloatArray:
        at = rows + shift[..., None]
        low = np.clip(np.floor(at).astype(int), -far, far - 1)
        part = np.clip(at - low, 0.0, 1.0)
        a = np.take_along_axis(values, low + far, axis=2)
        return a + part * (np.take_along_axis(values, low + far + 1, axis=2) - a)

    for _ in range(3):
        middle = np.median(laid(), axis=(0, 1))
        for picture in range(len(values)):
            for half in halves:
                seen = np.median(values[picture, half], axis=0)
                moved = np.stack([np.interp(rows[core] + d, rows, seen) for d in tried])
                off = np.minimum(np.abs(moved - middle[core]), 40.0).mean(axis=1)
                shift[picture, half] = tried[best_index(-off - 0.1 * tried**2)[0]]
    t, centre = thickness, 0.0
    # Twice, for what lies beside the shaft is only known once its middle is.
    for _ in range(2):
        samples = laid().reshape(-1, len(rows))
        samples = samples[np.median(np.abs(samples - np.median(samples, axis=0)), axis=1) < 60.0]
        found = _cover_fit(samples, rows, t, bounds)
        if found is None and centre == 0.0:
            found = _quiet_band(samples, rows, bounds)
        if found is None:
            break
        t = found[0]
        shift += found[1]
        centre += found[1]
    samples = laid().reshape(-1, len(rows))
    cover = box_cover(rows, t, 0.8)
    beside = far + int(np.ceil(0.5 * t + 2.0)) * np.array([-1, 1])
    scenery = np.median(samples[:, beside], axis=0)[(rows > 0).astype(int)]
    own_light = np.where(cover > 0.02, np.median(samples, axis=0) - (1.0 - cover) * scenery, 0.0)
    return t, centre, np.interp(SHAFT_OFFSETS * t, rows, own_light)


def _cover_fit(
    samples: FloatArray, rows: NDArray[np.int64], thickness: float, bounds: tuple[float, float]
) -> tuple[float, float] | None:
    """Return thickness and middle row of what hides the scenery; None when that is not clear.

    ``samples`` of shape (n, rows) is regressed on what is seen beside the shaft.
    """
    if len(samples) < 20:
        return None
    beside = len(rows) // 2 + int(np.ceil(0.5 * thickness + 2.0)) * np.array([-1, 1])
    spread = samples - samples.mean(axis=0)
    scenery = spread[:, beside]
    normal = scenery.T @ scenery / len(samples) + 25.0 * np.eye(2)
    if np.trace(normal) < 200.0:
        return None
    follows = np.linalg.solve(normal, scenery.T @ spread / len(samples))
    cover = np.clip(1.0 - np.clip(follows, 0.0, None).sum(axis=0), 0.0, 1.0)
    inner = np.abs(rows) <= beside[1] - len(rows) // 2
    thick, middle = np.meshgrid(np.linspace(*bounds, 25), np.arange(-2.0, 2.01, 0.125))
    boxes = box_cover(rows[inner] - middle[..., None], thick[..., None], 0.8)
    off = ((cover[inner] - boxes) ** 2).sum(axis=2)
    best = best_index(-off)
    if off[best] > 0.25 * float(np.sum(cover[inner] ** 2)):
        return None
    return float(thick[best]), float(middle[best])


def _quiet_band(
    samples: FloatArray, rows: NDArray[np.int64], bounds: tuple[float, float]
) -> tuple[float, float]:
    """Return thickness and middle row of the band that stays as it is while its sides change.

    Coarser than `_cover_fit`, but with scenery that hardly changes enough to say which rows are
    the shaft's: those whose light varies less than that beside them, and outside which the mean
    light is even. The thickness is near that of 28 mm over 1310 mm between the collars.
    """
    mean = np.median(samples, axis=0)
    varies = np.median(np.abs(samples - mean), axis=0)
    usual = 0.0214 / 0.015 * bounds[0]
    best, least = (usual, 0.0), np.inf
    for thick in np.linspace(0.85, 1.2, 15) * usual:
        for middle in np.arange(-3.5, 3.51, 0.125):
            cover = box_cover(rows - middle, thick, 0.8)
            near = np.abs(rows - middle) < 0.5 * thick + 5.0
            parts = np.stack([(1 - cover) * (rows < middle), cover, (1 - cover) * (rows >= middle)])
            parts = parts[:, near]
            levels = np.linalg.lstsq(parts.T, varies[near], rcond=None)[0]
            cost = ((levels @ parts - varies[near]) ** 2).sum() / (np.var(varies) + 1.0)
            cost += max(0.0, levels[1] - min(levels[0], levels[2])) ** 2 / (np.var(varies) + 1.0)
            for part in (parts[0], parts[2]):
                beside = np.average(mean[near], weights=part + 1e-9)
                cost += (part * (mean[near] - beside) ** 2).sum() / (np.var(mean) + 1.0)
            cost += 0.3 * ((thick / usual - 1.0) / 0.08) ** 2
            if cost < least * (1.0 - SAME):
                best, least = (float(thick), float(middle)), cost
    return best


def _heights(belongs: NDArray[np.uint8], reach: int) -> tuple[FloatArray, FloatArray]:
    """Return how far up and down from the axis each column belongs to what moves with the bar."""
    solid = cv2.blur(belongs.astype(np.float32), (3, 3))
    result = []
    for half in (solid[reach::-1], solid[reach:]):
        share = np.cumsum(half > 0.4, axis=0) / np.arange(1, len(half) + 1)[:, None]
        # The longest stretch from the axis that is mostly filled.
        filled = (share > 0.75) & (half > 0.4)
        result.append(
            np.where(filled.any(axis=0), len(half) - 1 - np.argmax(filled[::-1], axis=0), 0)
        )
    return result[0].astype(float), result[1].astype(float)


# So many pairs of plates are followed, and only those that score this share of the best.
_MOST_PAIRS, _NEAR_BEST = 4, 0.5


def _plate_pairs(
    rigid: FloatArray,
    tall_up: FloatArray,
    tall_down: FloatArray,
    on_shaft: NDArray[np.int64],
    thickness: float,
    expected: FloatArray | None,
    config: BarlineConfig,
) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return the column ranges of the two plates, likeliest first; none when nothing is like them.

    A plate stands up and down from the axis by several shaft thicknesses alike; the two are of one
    height, and lie on either side of the shaft. Pairs that come near the likeliest are all given,
    for pictures laid over each other show less than following them does. Where the ends are
    expected, pairs near there come before all others, and their plates' heights, which what stands
    beside them can change, count less.
    """
    width, reach = rigid.shape[1], rigid.shape[0] // 2
    height = np.minimum(tall_up, tall_down)
    tall = height > 3.0 * thickness
    joined = np.ones((1, max(5, width // 70) | 1), np.uint8)
    runs = _runs(cv2.morphologyEx(tall.astype(np.uint8)[None], cv2.MORPH_CLOSE, joined)[0])
    runs = [(a, b) for a, b in runs if b - a >= max(3, 0.004 * width)]
    size = {}
    for a, b in runs:
        tall_most = float(np.percentile(height[a:b], 85))
        top, bottom = _plate_rows(rigid[:, a:b], tall_most, thickness, reach)
        size[a, b] = bottom - top
    middle = float(np.median(on_shaft))
    pairs, scores = [], []
    least_alike = 0.7
    if expected is not None:
        away = _EXPECTED_SHARE * float(np.ptp(expected))
        near = [
            (left, right)
            for left in runs
            for right in runs
            if abs(left[1] - expected[0]) < away and abs(right[0] - expected[1]) < away
        ]
        if near:
            runs, least_alike = sorted({run for pair in near for run in pair}), 0.4
    for left in runs:
        for right in runs:
            span = right[0] - left[1]
            if left[1] > middle or right[0] < middle or span < config.min_span_share * width:
                continue
            sizes = (size[left], size[right])
            alike = min(sizes) / max(sizes)
            between = on_shaft[(on_shaft > left[1]) & (on_shaft < right[0])]
            cover = len(between) / span
            # 28 mm of 1310 mm between the collars, whatever the distance.
            slender = span / thickness
            if alike < least_alike or cover < 0.15 or not 20.0 < slender < 110.0:
                continue
            # Discs are at most 450 mm across and the faces 1.37 m apart; one of the heights may
            # take in what stands beside its plate.
            if not 2.4 < span / min(sizes) < 12.0:
                continue
            pairs.append((left, right))
            scores.append(alike * cover**2 * np.mean(sizes))
    order = ranked(scores)[:_MOST_PAIRS]
    return [pairs[k] for k in order if scores[k] > _NEAR_BEST * scores[order[0]]]


def _runs(mask: NDArray[Any]) -> list[tuple[int, int]]:
    """Return ``(start, stop)`` of each run of true values."""
    edge = np.flatnonzero(np.diff(np.r_[0, (np.asarray(mask) > 0).astype(int), 0]))
    return [(int(a), int(b)) for a, b in edge.reshape(-1, 2)]


def _plate_rows(
    rigid: FloatArray, tall: float, thickness: float, reach: int
) -> tuple[float, float]:
    """Return the plate's top and bottom row, relative to the axis.

    They are edges that lie evenly about the axis. `tall` bounds them from above: what was seen to
    differ from the scenery may include where the plate stood in the pictures compared with.
    """
    profile = rigid.mean(axis=1).astype(np.float32)[:, None]
    strength = np.abs(_vertical_gradient(profile, 1.0).ravel())
    near = cv2.dilate(strength[:, None], np.ones((5, 1), np.uint8)).ravel()
    tried = np.arange(int(np.ceil(2.5 * thickness)), min(int(1.1 * tall) + 3, reach - 2))
    even = np.sqrt(near[reach - tried] * near[reach + tried])
    if not even.any():
        return -tall, tall
    outermost = int(tried[np.flatnonzero(even > 0.6 * even.max())[-1]]) - 2
    top, bottom = (
        centre - 3 + best_index(strength[centre - 3 : centre + 4])[0] - reach
        for centre in (reach - outermost, reach + outermost)
    )
    return float(top), float(bottom)


def _pictures(
    rigid: FloatArray, ends: Sequence[BarEnd], reach: int
) -> tuple[tuple[FloatArray, FloatArray], tuple[float, float]]:
    """Cut the pictures by which the ends are recognised; return them and their first columns.

    The sleeve to its end with whatever is on it, and little more than twice its shoulder's height:
    of what is higher, more is scenery.
    """
    span = ends[1].x_px - ends[0].x_px
    inward, outward, up = 0.05 * span, 1.05 * _SLEEVE_SHARE * span, round(0.06 * span)
    rows = np.clip(np.arange(-up, up + 1) + reach, 0, len(rigid) - 1)
    patches, first = [], []
    for end, sign in zip(ends, (-1, 1), strict=True):
        low, high = sorted((end.x_px - sign * inward, end.x_px + sign * outward))
        columns = np.arange(round(low), round(high) + 1)
        inside = np.clip(columns, 0, rigid.shape[1] - 1)
        patches.append(rigid[np.ix_(rows, inside)].astype(np.float32))
        first.append(float(columns[0] - end.x_px))
    return tuple(patches), tuple(first)


def _match_curve(
    grey: NDArray[np.uint8], patch: FloatArray, x0: int, slack: int
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return the best correlation of a plate's picture for every row, and the column shift."""
    width = grey.shape[1]
    up = (len(patch) - 1) // 2
    low, high = x0 - slack, x0 + patch.shape[1] + slack
    padded = cv2.copyMakeBorder(
        grey, up, up, max(0, -low), max(0, high - width), cv2.BORDER_REPLICATE
    )
    start = low + max(0, -low)
    area = padded[:, start : start + high - low].astype(np.float32)
    scores = cv2.matchTemplate(area, patch.astype(np.float32), cv2.TM_CCOEFF_NORMED)
    scores = np.where(np.isfinite(scores), scores, -1.0)
    return scores.max(axis=1), scores.argmax(axis=1) - slack


# Ends are expected so near, as a share of the distance between them.
_EXPECTED_SHARE = 0.08
# Within this share of it what is seen is surer than what is expected.
_SURE_SHARE = 0.012
# A later candidate replaces an earlier one when there is by this share more evidence for it.
_CLEARLY_BETTER = 0.1


@dataclass
class _Followed:
    """Where a model's plates were found in each sample: rows and shifts of the columns, (n, 2)."""

    model: _Model
    y: FloatArray
    dx: FloatArray
    match: FloatArray
    evidence: float


def _follow_model(stack: _Samples, model: _Model, config: BarlineConfig) -> _Followed | None:
    """Find both plates in every sample, and accept the model when they move like a press."""
    span = model.right.x_px - model.left.x_px
    ends = (model.left, model.right)
    starts = [round(end.x_px + first) for end, first in zip(ends, model.first, strict=True)]
    slack = max(3, int(0.12 * model.left.plate_px))
    most = int(np.ceil(np.tan(np.radians(config.max_slope_deg)) * span))
    y = np.empty((len(stack.grey), 2))
    dx = np.empty((len(stack.grey), 2))
    match = np.empty(len(stack.grey))
    for number, grey in enumerate(stack.grey):
        (a, shift_a), (b, shift_b) = (
            _match_curve(grey, patch, start, slack)
            for patch, start in zip(model.patches, starts, strict=True)
        )
        gap = np.arange(-most, most + 1)
        rows = np.arange(len(a))
        other = rows[:, None] + gap[None, :]
        valid = (other >= 0) & (other < len(b))
        joint = np.where(valid, a[:, None] + b[np.clip(other, 0, len(b) - 1)], -2.0)
        i, j = best_index(joint)
        y[number] = i, other[i, j]
        dx[number] = shift_a[i], shift_b[other[i, j]]
        match[number] = min(a[i], b[other[i, j]])
    good = match > config.min_match
    if good.sum() < max(4, 0.25 * len(good)):
        return None
    middle = y[good].mean(axis=1)
    plate = 0.5 * (model.left.plate_px + model.right.plate_px)
    travel = float(np.ptp(np.percentile(middle, [2, 98])))
    if travel < config.min_travel_share * plate:
        return None
    left_off, right_off = (y[good, side] - np.median(y[good, side]) for side in (0, 1))
    if min(np.ptp(left_off), np.ptp(right_off)) < 0.5 * travel:
        return None
    if float(np.corrcoef(left_off, right_off)[0, 1]) < 0.8:
        return None
    # A large picture found again in every sample says more than a small one.
    return _Followed(model, y, dx, match, float(np.mean(match)) * plate**0.25)


def _seed_from(stack: _Samples, found: _Followed, config: BarlineConfig) -> BarSeed:
    """Turn positions in the reduced, steadied samples into the seed in image coordinates."""
    scale, model = stack.scale, found.model
    y, dx, match = found.y, found.dx, found.match

    def to_image(number: int, x: float, row: float) -> FloatArray:
        point = (np.array([x, row]) + 0.5) * scale - 0.5
        return apply_transform(cv2.invertAffineTransform(stack.transform[number]), point)

    rows = []
    for number in range(len(match)):
        left = to_image(number, model.left.x_px + dx[number, 0], y[number, 0])
        right = to_image(number, model.right.x_px + dx[number, 1], y[number, 1])
        rows.append([stack.frame[number], stack.time_s[number], *left, *right, match[number]])
    names = [f"{side}_{axis}_px" for side in SIDES for axis in ("x", "y")]
    path = pd.DataFrame(rows, columns=["frame", "time_s", *names, "match"])
    path["frame"] = path["frame"].astype(int)
    best = path.iloc[best_index(path["match"])[0]]
    ends = [
        BarEnd(
            float(best[f"{side}_x_px"]),
            float(best[f"{side}_y_px"]),
            end.plate_px * scale,
            end.depth_px * scale,
            end.bare,
        )
        for side, end in zip(SIDES, (model.left, model.right), strict=True)
    ]
    return BarSeed(
        int(best["frame"]),
        float(best["time_s"]),
        ends[0],
        ends[1],
        model.thickness * scale,
        stack.width_px,
        stack.height_px,
        path[path["match"] > config.min_match].reset_index(drop=True),
        model.patches,
        model.shaft,
        model.first,
        scale,
    )


# ------------------------------------------------------------------------------------------------
# Following the bar
# ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Pose:
    """The bar in one frame: both ends' coordinates, left then right."""

    x: FloatArray
    y: FloatArray


# Design of a line at both its ends; see `fit_line`.
_AT_ENDS = np.array([[1.0, -1.0, 1.0], [1.0, 1.0, 1.0]])


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


def _curve(coefficients: FloatArray, u: FloatArray) -> FloatArray:
    """Return the height of the line of `fit_line` at `u`."""
    return coefficients[0] + u * (coefficients[1] + u * coefficients[2])


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


class _Shaft:
    """What the shaft looks like across, and how much of each row is shaft and not scenery.

    A row at offset `r` from the axis shows ``own(r) + through(r) * scenery``: the shaft's own light
    and, at its blurred edges, what is seen beside it. Both parts are learned by regression on the
    scenery as it changes, so that they owe nothing to what the bar was seen against.
    """

    # Learned from about this many frames; the start counts for a few.
    _memory = 90.0
    _start_counts = 3.0
    # Spread of grey below which the scenery says nothing of how much is seen through.
    _prior_level = 12.0

    def __init__(self, thickness_px: float, across: FloatArray, blur_px: float) -> None:
        reach = int(np.ceil(0.5 * thickness_px + 2.0))
        self.rows = np.arange(-reach, reach + 1)
        self.beside = (0.5 * thickness_px + 2.5, 0.5 * thickness_px + 4.0)
        self._prior = 1.0 - box_cover(self.rows, thickness_px, 0.9)
        # The start comes from reduced pictures, which blur it.
        self.through = 1.0 - box_cover(self.rows, thickness_px, blur_px)
        self.own = np.interp(self.rows / thickness_px, SHAFT_OFFSETS, across)
        self.level = 12.0
        self._weight = 0.0
        self._sums = np.zeros((5, len(self.rows)))

    @property
    def axis_px(self) -> float:
        """Offset of the middle of what hides the scenery from row 0: where the axis really is."""
        cover = 1.0 - self.through
        return float((cover * self.rows).sum() / max(cover.sum(), 1.0))

    def scenery(self, above: FloatArray, below: FloatArray) -> FloatArray:
        """Return what would be seen at each row (added first axis) without the shaft."""
        share = ((self.rows > 0) + 0.5 * (self.rows == 0)).reshape(-1, *[1] * above.ndim)
        return (1.0 - share) * above + share * below

    def expected(self, scenery: FloatArray) -> FloatArray:
        """Return what is expected at each row of `scenery`, shape (rows, …)."""
        shape = (-1, *[1] * (scenery.ndim - 1))
        return self.own.reshape(shape) + self.through.reshape(shape) * scenery

    def learn(self, seen: FloatArray, scenery: FloatArray) -> None:
        """Take in columns that lie on the shaft, both of shape (rows, columns)."""
        keep = 1.0 - 1.0 / self._memory
        sums = [np.ones_like(seen), scenery, seen, scenery**2, scenery * seen]
        self._sums = keep * self._sums + np.stack([part.mean(axis=1) for part in sums])
        self._weight = keep * self._weight + 1.0
        n, mb, ms, bb, bs = self._sums
        mb, ms = mb / n, ms / n
        variance, covariance = bb / n - mb**2, bs / n - mb * ms
        ridge = self._prior_level**2
        through = (covariance + ridge * self._prior) / (variance + ridge)
        through = np.clip(through, 0.0, 1.0)
        trust = self._weight / (self._weight + self._start_counts)
        self.own += trust * (ms - through * mb - self.own)
        self.through = self.through + trust * (through - self.through)
        off = np.abs(seen - self.expected(scenery))
        self.level += 0.1 * (float(np.clip(1.4826 * np.median(off), 2.0, 20.0)) - self.level)


# So many strips are kept, some 10 kB each, to be fitted again with what was learned after them.
_MOST_EARLY = 240

# Share of the shaft on the best line from which another line is fitted as well.
_NEARLY_AS_MUCH = 0.8


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
        self._shaft = _Shaft(seed.bar_px, seed.shaft, max(0.9, 0.8 * seed.patch_scale))
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
        crop = _crop(
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
        fine = best + _parabola(scores, best)
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
            rise = _parabola(scores[side][0][None], np.array([i]))[0]
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
        crop = _crop(image, low_x, low_y, low_x + n + 4, int(np.ceil(max(y0, y1))) + reach + 3)
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
        best = first_clearly_best(evidence, _CLEARLY_BETTER)
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
            self._edge_thickness(pooled, _curve(coefficients, u), used),
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
            middle = _curve(coefficients, u)
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
            new = _curve(coefficients, u)
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
        seen, scenery = _across(pooled, middle, shaft)
        expected = shaft.expected(scenery)
        change = np.gradient(expected, axis=0)
        off = seen - expected
        known = (change**2).sum(axis=0) + 1e-6
        shift = np.clip(-(off * change).sum(axis=0) / known, -3.0, 3.0)
        left = ((off + shift * change) ** 2).mean(axis=0)
        without = ((seen - scenery) ** 2).mean(axis=0)
        weight = known / (left + shaft.level**2)
        return shift, weight, _likeness(left, without, shaft.level)

    def _edge_thickness(
        self, pooled: FloatArray, middle: FloatArray, used: NDArray[np.bool_]
    ) -> float:
        """Return the distance between the shaft's edges where both stand out; else the usual."""
        t = self._thickness
        gradient = _vertical_gradient(pooled, max(0.8, 0.12 * t))
        _, thick, strength = _edge_middles(gradient, middle, t, max(1.5, 0.2 * t))
        clear = used & (strength > max(4.0 * _noise(gradient), 5.0))
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
        score = _likeness(left[0] / n, np.minimum(*without) / n, 1.5 * shaft.level)
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
                middle = _curve(strip.coefficients, strip.u)
                seen, scenery = _across(strip.pooled, middle, self._shaft)
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
            crop = _crop(image, round(low), top, round(high) + 1, top + 2 * reach + 1)
            profile = cv2.reduce(crop, 1, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
            gradient = np.abs(_vertical_gradient(profile, 1.2).ravel())
            rows = np.arange(len(gradient)) + top - y
            near = gradient * np.exp(-0.5 * ((rows - usual) / width) ** 2)
            near[[0, -1]] = 0.0
            i = best_index(near)[0]
            step = rows[i] + float(_parabola(gradient[None], np.array([i]))[0]) - usual
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


def _likeness(left: FloatArray, without: FloatArray, level: float) -> FloatArray:
    """Return 0..1 for how much better the shaft explains the picture than the scenery beside it.

    `left` and `without` are mean squared differences from the one and the other, `level` the
    difference usual on the shaft.
    """
    return np.clip((without - left) / (without + left + level**2), 0.0, 1.0)


def _across(pooled: FloatArray, middle: FloatArray, shaft: _Shaft) -> tuple[FloatArray, FloatArray]:
    """Return what is seen across the shaft's line, and the scenery beside it, (rows, columns)."""
    near, far = shaft.beside
    offsets = np.r_[shaft.rows, -far, -near, near, far]
    at = (middle[None, :] + offsets[:, None]).astype(np.float32)
    columns = np.broadcast_to(np.arange(len(middle), dtype=np.float32), at.shape)
    seen = cv2.remap(
        pooled.astype(np.float32), columns, at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    ).astype(float)
    values, beside = seen[:-4], seen[-4:]
    return values, shaft.scenery(beside[:2].mean(axis=0), beside[2:].mean(axis=0))


def _edge_middles(
    gradient: FloatArray, middle: FloatArray, thickness: float, window: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the middle between the shaft's edges, their distance and the weaker one's strength.

    Each edge is looked for within `window` rows of where the line and thickness put it.
    """
    n_rows, n_columns = gradient.shape
    steps = np.arange(-int(np.ceil(window)), int(np.ceil(window)) + 1)
    column = np.arange(n_columns)
    best: tuple[FloatArray, ...] | None = None
    for polarity in (1.0, -1.0):
        places, strengths = [], []
        for sign, edge in ((polarity, -0.5), (-polarity, 0.5)):
            first = np.round(middle + edge * thickness).astype(int)
            rows = np.clip(first[None, :] + steps[:, None], 1, n_rows - 2)
            values = sign * gradient[rows, column]
            top = values.argmax(axis=0)
            peak = rows[top, column]
            around = sign * gradient[peak[None, :] + np.array([[-1], [0], [1]]), column]
            fine = _parabola(around.T, np.ones(n_columns, int))
            is_peak = (around[1] >= around[0]) & (around[1] >= around[2])
            places.append(peak + fine)
            strengths.append(np.where(is_peak, around[1], 0.0))
        weaker = np.minimum(*strengths)
        values = (0.5 * (places[0] + places[1]), places[1] - places[0], weaker)
        if best is None:
            best = values
        else:
            better = values[2] > best[2]
            best = tuple(np.where(better, new, old) for new, old in zip(values, best, strict=True))
    return best


def _parabola(values: FloatArray, index: NDArray[Any]) -> FloatArray:
    """Return the offset, -0.5..0.5, of the peak of a parabola through three neighbours.

    `values` has shape (n, m) and `index` one column per row; 0 at the borders.
    """
    n, m = values.shape
    inside = np.clip(index, 1, m - 2)
    rows = np.arange(n)
    left, here, right = (values[rows, inside + k] for k in (-1, 0, 1))
    curve = left - 2.0 * here + right
    offset = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    return np.where(inside == index, np.clip(offset, -0.5, 0.5), 0.0)


def _crop(image: NDArray[np.uint8], x0: int, y0: int, x1: int, y1: int) -> NDArray[np.uint8]:
    """Return the grey part ``[y0:y1, x0:x1]``, borders repeated where it reaches outside."""
    height, width = image.shape[:2]
    a, b = np.clip([x0, x1], 0, width)
    c, d = np.clip([y0, y1], 0, height)
    if b <= a:
        a, b = (0, 1) if x1 <= 0 else (width - 1, width)
    if d <= c:
        c, d = (0, 1) if y1 <= 0 else (height - 1, height)
    part = image[c:d, a:b]
    grey = part if part.ndim == 2 else cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)
    pads = (c - y0, y1 - d, a - x0, x1 - b)
    if max(pads) <= 0:
        return grey
    top, bottom, left, right = (max(0, p) for p in pads)
    padded = cv2.copyMakeBorder(grey, top, bottom, left, right, cv2.BORDER_REPLICATE)
    return padded[: y1 - y0, : x1 - x0]


def track_bar(
    frames: Iterable[Any], seed: BarSeed, config: BarlineConfig | None = None
) -> pd.DataFrame:
    """Return the bar table of a stream of frames; see `BarTracker`."""
    tracker = BarTracker(seed, config)
    for frame in frames:
        tracker.update(frame)
    return tracker.table()
