"""What a camera in the hand leaves in the bar's path, and how it is taken out.

Scenery tells how a camera turned; how it was shifted moves the nearer bar more. What near scenery
shows of that (`clip.parallax`), the bar and the lifter show too, only how much of it is not known.
While the bar is held still it is seen: whatever it then moves alike is the camera's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.clip.scene import AT_BAR, PARALLAX
from barpath.ground.uncertainty import cauchy_weights

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SwayConfig:
    """Settings of what is taken out.

    Attributes
    ----------
    margin_s : float
        So long before the bar moves and after it has come to rest it may not yet be still.
    least_frames : int
        Fewer frames of a stillness tell nothing beside their own mean.
    frames_alike : float
        So many neighbouring frames tell no more than one (our estimate, of the tuning clips).
    least_sds : float
        A share is taken for one that is so many times as large as its standard uncertainty.
    cauchy : float
        Standard deviations off at which a reading's weight is halved.
    n_rounds : int
        How often weights are found anew.
    """

    margin_s: float = 0.03
    least_frames: int = 5
    frames_alike: float = 9.0
    least_sds: float = 3.0
    cauchy: float = 2.0
    n_rounds: int = 20


def still_spans(
    time_s: Floats, reps: pd.DataFrame, config: SwayConfig | None = None
) -> list[NDArray[np.intp]]:
    """Frames of each stretch in which the bar is held still: at lockout, and on the chest.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    reps : DataFrame
        Rep table.
    config : SwayConfig, optional

    Examples
    --------
    >>> times = {"start_s": [1.0], "touch_s": [2.0], "press_s": [2.5], "lockout_s": [4.0]}
    >>> spans = still_spans(np.arange(0.05, 5, 0.1), pd.DataFrame(times))
    >>> [(int(span[0]), int(span[-1])) for span in spans]
    [(0, 9), (20, 24), (40, 49)]
    """
    config = config or SwayConfig()
    table = reps.sort_values("touch_s")
    begins = [-np.inf, *table["lockout_s"]]
    ends = [*table["start_s"], np.inf]
    spans = [*zip(begins, ends, strict=True), *zip(table["touch_s"], table["press_s"], strict=True)]
    inside = [
        np.flatnonzero((time_s > begin + config.margin_s) & (time_s < end - config.margin_s))
        for begin, end in sorted(spans)
    ]
    return [span for span in inside if len(span)]


def share_at_bar(
    points_px: Sequence[Floats],
    shared_px: Floats,
    spans: Sequence[NDArray[np.intp]],
    config: SwayConfig | None = None,
) -> tuple[float, float]:
    """How much of what near scenery shows of a camera's shifts the bar shows, and its uncertainty.

    Least squares over the stretches in which the bar is held still, each about its own mean, with
    Cauchy's weights.

    Parameters
    ----------
    points_px : sequence of ndarray, shape (n, 2)
        Points of the bar in the steadied image; NaN where not seen.
    shared_px : ndarray, shape (n, 2)
        See `clip.parallax.parallax`.
    spans : sequence of ndarray of int
        From `still_spans`.
    config : SwayConfig, optional

    Returns
    -------
    share, sd : float
        NaN where it is not told.
    """
    config = config or SwayConfig()
    moved, by = [], []
    for point in points_px:
        for span in spans:
            known = span[np.isfinite(point[span]).all(axis=1) & np.isfinite(shared_px[span, 0])]
            if len(known) >= config.least_frames:
                moved.append((point[known] - point[known].mean(axis=0)).ravel())
                by.append((shared_px[known] - shared_px[known].mean(axis=0)).ravel())
    if not moved:
        return np.nan, np.nan
    off, shared = np.concatenate(moved), np.concatenate(by)
    weight = np.ones(len(off))
    share = 0.0
    for _ in range(config.n_rounds):
        share = float((weight * shared * off).sum() / max((weight * shared**2).sum(), 1e-12))
        left = off - share * shared
        weight = cauchy_weights(left, config.cauchy)
    variance = float((weight * left**2).sum() / weight.sum())
    return share, float(np.sqrt(config.frames_alike * variance / max((shared**2).sum(), 1e-12)))


def at_bar(
    camera: pd.DataFrame,
    track: pd.DataFrame,
    points: Sequence[str],
    reps: pd.DataFrame,
    config: SwayConfig,
) -> pd.DataFrame:
    """The camera table, with what its shifts do to the bar where that is told.

    Parameters
    ----------
    camera : DataFrame
        Camera table.
    track : DataFrame
        Plate or bar table in the steadied image.
    points : sequence of str
        Its points, as for `steadying.steady`.
    reps : DataFrame
        Rep table.
    config : SwayConfig

    Returns
    -------
    DataFrame
        The table itself where the camera stood or nothing is told.
    """
    if not set(PARALLAX) <= set(camera.columns) or camera["static"].all():
        return camera
    by_frame = camera.set_index("frame").reindex(track["frame"])
    shared_px = by_frame[list(PARALLAX)].to_numpy(dtype=float)
    seen = [track[[f"{p}x_px", f"{p}y_px"]].to_numpy(dtype=float) for p in points]
    spans = still_spans(track["time_s"].to_numpy(dtype=float), reps, config)
    share, sd = share_at_bar(seen, shared_px, spans, config)
    if not abs(share) >= config.least_sds * sd:
        return camera
    return camera.assign(**{AT_BAR: share})
