"""The forearm's axis in a front view, from its two edges in the picture.

Seen from the feet a forearm hangs from the bar in front of whatever is behind it, and both its
edges are nearly straight. A pose network puts an elbow centimetres off along the arm; the line
midway between the edges says within a degree or two which way the forearm leans, and with the bar
low its end shows where the elbow is.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ForearmConfig:
    """Settings of the search.

    Distances are from the bar, where the hand closes on it, on the scale at the bar. Breadths are
    seen from the feet; a wrist is 5 to 6 cm broad (common practice, no source), and clothes or
    wraps add to it.

    Attributes
    ----------
    step_m, row_m : float
        Sampling across and along the forearm.
    hand_m : float
        From here to the part that is searched the hand shows its colour.
    begin_m, end_m : float
        Part that is searched: below the hand, and above where the upper arm joins.
    reach_m : float
        Half the breadth that is searched.
    most_lean_deg : float
        From square to the bar.
    breadth_m, breadth_log_sd, taper, taper_log_sd : float
        Breadth at the beginning, and how much broader it is at the end.
    least_breadth_m, most_breadth_m : float
        Limits of both.
    wrist_sd_m : float
        How far the network's wrist lies beside the forearm's middle.
    soft_levels : float
        Grey levels by which two colours clearly differ.
    n_edges : int
        Strongest lines that are paired.
    least_score : float
        Below it the forearm counts as not found.
    tip_reach_m : float
        How far below the part that is searched the elbow's end may be.
    tip_step_m : float
        Sampling along the forearm for it.
    beside_m : tuple of float
        Outside the forearm's middle, here is what lies behind the arm.
    tip_jump, tip_contrast : float
        Least change of the colour across the elbow's end, and least difference of the forearm from
        what lies behind it, in shares of a clear one.
    """

    step_m: float = 0.004
    row_m: float = 0.008
    hand_m: float = 0.05
    begin_m: float = 0.095
    end_m: float = 0.23
    reach_m: float = 0.16
    most_lean_deg: float = 42.0
    breadth_m: float = 0.056
    breadth_log_sd: float = 0.25
    taper: float = 1.25
    taper_log_sd: float = 0.25
    least_breadth_m: float = 0.035
    most_breadth_m: float = 0.15
    wrist_sd_m: float = 0.02
    soft_levels: float = 25.0
    n_edges: int = 90
    least_score: float = 0.9
    tip_reach_m: float = 0.21
    tip_step_m: float = 0.003
    beside_m: tuple[float, float] = (0.07, 0.095)
    tip_jump: float = 0.6
    tip_contrast: float = 0.5


@dataclass(frozen=True)
class ForearmAxis:
    """Where a forearm's middle line runs in the picture.

    Attributes
    ----------
    upper_px, lower_px : ndarray, shape (2,)
        Two points of it, at both ends of the part that was searched.
    breadth_m : tuple of float
        Between the edges at both ends.
    score : float
        How clearly both edges, and nothing between them, were seen; 2 at best.
    tip_px : ndarray, shape (2,)
        Where the arm ends along its middle line: just below the elbow when the elbow is well bent,
        elsewhere, or NaN, when it is not.
    """

    upper_px: Floats
    lower_px: Floats
    breadth_m: tuple[float, float]
    score: float
    tip_px: Floats


@dataclass(frozen=True)
class _Strip:
    """A piece of the picture laid out along (rows) and across (columns) the forearm.

    `edge` is how strongly the colour changes across, `strong` the same against what is usual here.
    """

    image: Floats
    edge: Floats
    strong: Floats
    hand: Floats
    across_m: Floats
    along_m: Floats


def find_forearm(
    image: NDArray[np.uint8],
    hand_px: Floats,
    outward: Floats,
    px_per_m: float,
    wrist_m: float = 0.0,
    config: ForearmConfig | None = None,
) -> ForearmAxis | None:
    """Find the middle line of a forearm that hangs from the bar.

    Parameters
    ----------
    image : ndarray, shape (h, w, 3)
    hand_px : ndarray, shape (2,)
        The hand's middle on the bar.
    outward : ndarray, shape (2,)
        Unit vector along the bar in the picture, away from the body's midline; the picture's y
        grows downward.
    px_per_m : float
        Scale at the bar.
    wrist_m : float
        Where the network has the wrist, outward from the hand.
    config : ForearmConfig, optional

    Returns
    -------
    ForearmAxis or None
        None when no pair of edges looks like a forearm.

    Notes
    -----
    Every straight line that could be an edge is rated by the strength of the colour's change
    across it. The strongest are paired; a pair is rated by its edges, by what lies between them
    (nothing should change there), by how the colour inside differs from that outside, and by
    breadths that forearms have. The edges of the best pair are then placed row by row to a
    fraction of a pixel, and a line is put robustly through the middles.

    Examples
    --------
    >>> picture = np.full((200, 200, 3), 90, dtype=np.uint8)
    >>> for k in range(20, 160):
    ...     middle = 100 + 0.1 * k
    ...     picture[k, int(middle - 8) : int(middle + 8)] = 180
    >>> axis = find_forearm(picture, np.array([100.0, 0.0]), np.array([1.0, 0.0]), 400.0)
    >>> across, along = axis.lower_px - axis.upper_px
    >>> bool(abs(across / along - 0.1) < 0.02)
    True
    """
    config = config or ForearmConfig()
    if not np.isfinite([*hand_px, *outward, px_per_m, wrist_m]).all():
        return None
    strip = _strip(image, hand_px, outward, px_per_m, config)
    pairs = _pairs(strip, config)
    if not len(pairs):
        return None
    score = _rated(strip, pairs, wrist_m, config)
    best = int(np.argmax(score))
    if score[best] < config.least_score:
        return None
    line = _middle_line(strip, pairs[best])
    if line is None:
        return None
    down = _down(outward)
    ends = strip.along_m[[0, -1]]
    at = np.polyval(line, ends)
    upper, lower = hand_px + px_per_m * (np.outer(at, outward) + np.outer(ends, down))
    breadth = (pairs[best, 1] - pairs[best, 0]) * config.step_m
    tip = _tip(image, upper, lower, outward, px_per_m, config)
    return ForearmAxis(
        upper, lower, (float(breadth[0]), float(breadth[1])), float(score[best]), tip
    )


def _down(outward: Floats) -> Floats:
    """Unit vector square to the bar, down the picture."""
    down = np.array([-outward[1], outward[0]])
    return down if down[1] >= 0 else -down


def _strip(
    image: NDArray[np.uint8],
    hand_px: Floats,
    outward: Floats,
    px_per_m: float,
    config: ForearmConfig,
) -> _Strip:
    along = np.arange(config.hand_m, config.end_m + 1e-9, config.row_m)
    across = np.arange(-config.reach_m, config.reach_m + 1e-9, config.step_m)
    places = across[None, :, None] * outward + along[:, None, None] * _down(outward)
    # Rows lie apart by about two pixels of an ordinary clip: what is between them is taken in.
    laid = _laid_out(image, hand_px + px_per_m * places, 0.002 * px_per_m)
    laid = cv2.GaussianBlur(laid, (0, 0), sigmaX=1.2, sigmaY=0.75)
    slope = np.zeros_like(laid)
    slope[:, 1:-1] = (laid[:, 2:] - laid[:, :-2]) / 2
    hand = np.median(laid[along < config.begin_m][:, np.abs(across) < 0.02], axis=(0, 1))
    arm = along >= config.begin_m
    edge = np.sqrt((slope[arm] ** 2).sum(axis=-1))
    strong = np.minimum(edge / max(np.percentile(edge, 80), 3.0), 1.5)
    return _Strip(laid[arm], edge, strong, hand, across, along[arm])


def _laid_out(image: NDArray[np.uint8], points_px: Floats, soft_px: float) -> Floats:
    """Colours at points (..., 2) of the picture, blurred by so much."""
    x, y = np.moveaxis(points_px.astype(np.float32), -1, 0)
    margin = int(np.ceil(4 * soft_px)) + 2
    height, width = image.shape[:2]
    left, right = np.clip([x.min() - margin, x.max() + margin + 1], 0, width).astype(int)
    top, bottom = np.clip([y.min() - margin, y.max() + margin + 1], 0, height).astype(int)
    if right <= left or bottom <= top:
        return np.zeros((*x.shape, 3))
    part = cv2.GaussianBlur(image[top:bottom, left:right], (0, 0), sigmaX=max(soft_px, 0.3))
    return cv2.remap(
        part, x - left, y - top, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(float)


def _tip(
    image: NDArray[np.uint8],
    upper_px: Floats,
    lower_px: Floats,
    outward: Floats,
    px_per_m: float,
    config: ForearmConfig,
) -> Floats:
    """First place down the middle line at which the arm's colour ends; NaN where there is none."""
    down = (lower_px - upper_px) / np.linalg.norm(lower_px - upper_px)
    aside = np.array([down[1], -down[0]])
    aside *= np.sign(aside @ outward) or 1.0
    step = config.tip_step_m
    along = np.arange(-0.06, config.tip_reach_m + 0.03, step)

    def colours(begin_m: float, end_m: float) -> Floats:
        across = np.arange(begin_m, end_m + 1e-9, config.step_m)
        places = along[:, None, None] * down + across[None, :, None] * aside
        rows = _laid_out(image, lower_px + px_per_m * places, 0.0).mean(axis=1)
        return gaussian_filter1d(rows, 1.0, axis=0)

    arm = colours(-0.012, 0.012)
    clear = np.minimum(
        np.linalg.norm(arm - colours(*config.beside_m), axis=1) / config.soft_levels, 1.0
    )
    change = np.linalg.norm(np.gradient(arm, axis=0), axis=1)
    far = int(0.05 / step)
    for k in range(far, np.searchsorted(along, config.tip_reach_m)):
        jump = np.linalg.norm(arm[k + 3 : k + 8].mean(axis=0) - arm[k - 8 : k - 3].mean(axis=0))
        distinct = clear[k - far : k - 2].mean() > config.tip_contrast
        if distinct and jump / config.soft_levels > config.tip_jump:
            edge = k + int(np.argmax(change[k : k + 9]))
            return lower_px + px_per_m * along[edge] * down
    return np.full(2, np.nan)


def _pairs(strip: _Strip, config: ForearmConfig) -> Floats:
    """Pairs of lines, (n, 2, 2): left and right edge, column at the first and at the last row."""
    n_rows, n_columns = strip.edge.shape
    share = np.linspace(0, 1, n_rows)[:, None, None]
    column = np.arange(n_columns)
    at = column[None, :, None] * (1 - share) + column[None, None, :] * share
    before = np.minimum(at.astype(int), n_columns - 2)
    part = at - before
    rows = np.arange(n_rows)[:, None, None]
    rating = (strip.strong[rows, before] * (1 - part) + strip.strong[rows, before + 1] * part).mean(
        axis=0
    )
    lean = np.abs(column[:, None] - column) * config.step_m / np.ptp(strip.along_m)
    rating[lean > np.tan(np.deg2rad(config.most_lean_deg))] = 0.0
    peaks = np.argwhere((rating >= cv2.dilate(rating, np.ones((3, 3)))) & (rating > 0.3))
    order = np.argsort(-rating[tuple(peaks.T)])[: config.n_edges]
    lines = peaks[order].astype(float)
    left, right = (index.ravel() for index in np.indices((len(lines), len(lines))))
    pairs = np.stack([lines[left], lines[right]], axis=1)
    breadth = (pairs[:, 1] - pairs[:, 0]) * config.step_m
    usual = (breadth > config.least_breadth_m) & (breadth < config.most_breadth_m)
    return pairs[usual.all(axis=1)]


def _rated(strip: _Strip, pairs: Floats, wrist_m: float, config: ForearmConfig) -> Floats:
    """Score of every pair of edges."""
    n_rows, n_columns = strip.edge.shape
    share = np.linspace(0, 1, n_rows)
    left, right = (
        pairs[:, k, :1] * (1 - share) + pairs[:, k, 1:] * share for k in range(2)
    )  # Shapes (n, rows).
    rows = np.arange(n_rows)[None]
    edge = sum(strip.strong[rows, np.rint(side).astype(int)] for side in (left, right)) / 2
    sums = np.cumsum(np.pad(np.dstack([strip.image, strip.image**2, strip.strong]),
                            ((0, 0), (1, 0), (0, 0))), axis=1)  # fmt: skip

    def mean(begin: Floats, end: Floats) -> Floats:
        first = np.clip(np.rint(begin).astype(int), 0, n_columns - 1)
        last = np.clip(np.rint(end).astype(int), first + 1, n_columns)
        return (sums[rows, last] - sums[rows, first]) / (last - first)[..., None]

    inside = mean(left + 2, right - 1)
    within = mean(left + 3, right - 2)[..., 6]
    uneven = np.sqrt(np.maximum(inside[..., 3:6] - inside[..., :3] ** 2, 0.0).sum(axis=-1))
    apart = [
        np.linalg.norm(mean(begin, end)[..., :3] - inside[..., :3], axis=-1)
        for begin, end in ((left - 4, left - 1), (right + 2, right + 5))
    ]
    soft = config.soft_levels
    contrast = np.minimum(*(np.minimum(one / soft, 1.0).mean(axis=1) for one in apart))
    breadth = (pairs[:, 1] - pairs[:, 0]) * config.step_m
    middle = pairs[:, :, 0].mean(axis=1) * config.step_m + strip.across_m[0]
    unusual = (
        (np.log(breadth[:, 0] / config.breadth_m) / config.breadth_log_sd) ** 2
        + (np.log(breadth[:, 1] / breadth[:, 0] / config.taper) / config.taper_log_sd) ** 2
        + 3.0 * ((middle - wrist_m) / config.wrist_sd_m) ** 2
    )
    # Below the hand the arm goes on in its colour, unless a sleeve or a wrap covers it.
    unlike = np.linalg.norm(inside[..., :3] - strip.hand, axis=-1)[:, : n_rows // 2]
    return (
        edge.mean(axis=1)
        - 0.7 * within.mean(axis=1)
        + contrast
        - np.minimum(uneven / soft, 1.0).mean(axis=1)
        - 0.05 * unusual
        - 0.4 * np.minimum(unlike / (2 * soft), 1.0).mean(axis=1)
    )


def _middle_line(strip: _Strip, pair: Floats) -> Floats | None:
    """Slope and offset of the middle between both edges, metres across by metres along."""
    n_rows = len(strip.edge)
    share = np.linspace(0, 1, n_rows)
    middles = np.full((n_rows, 2), np.nan)
    for k in range(2):
        expected = pair[k, 0] * (1 - share) + pair[k, 1] * share
        for row in range(n_rows):
            first = max(round(expected[row]) - 3, 0)
            window = strip.edge[row, first : first + 7]
            peak = int(np.argmax(window))
            if 0 < peak < len(window) - 1:
                before, top, after = window[peak - 1 : peak + 2]
                middles[row, k] = first + peak + 0.5 * (before - after) / (before - 2 * top + after)
    middle = middles.mean(axis=1)
    known = np.isfinite(middle)
    if known.sum() < max(5, n_rows // 2):
        return None
    along = strip.along_m[known]
    across = strip.across_m[0] + middle[known] * (strip.across_m[1] - strip.across_m[0])
    vx, vy, x, y = cv2.fitLine(
        np.column_stack([along, across]).astype(np.float32), cv2.DIST_HUBER, 0, 1e-4, 1e-4
    ).ravel()
    slope = float(vy / vx)
    return np.array([slope, float(y) - slope * float(x)])
