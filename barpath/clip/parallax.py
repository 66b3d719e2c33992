"""How a camera that is moved about, not only turned, shifts near scenery against far scenery.

A similarity takes out what a camera's turning does to all scenery alike. What its shifting does
goes with the nearness of each thing, in the same way in every frame, so that it stands out from
all else that corners of the scenery are off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from barpath.ground.uncertainty import cauchy_weights

FloatArray = NDArray[np.float64]

LEAST_SEEN = 0.6
"""Share of the frames in which a corner must have been seen to count."""
LEAST_CORNERS = 12
N_ROUNDS = 30
CAUCHY = 2.0
"""Standard deviations off at which a corner's weight is halved."""
SMALL = 1e-9


def parallax(apart_px: ArrayLike, places_px: ArrayLike) -> FloatArray:
    """Fit the one motion that corners share, each as much as it is near.

    What corner k is off in frame t is taken to be ``n_k s_t``, with the same nearness n along both
    picture axes: the best approximation of rank one, by alternating least squares with Cauchy's
    weights, so that corners on whatever moves by itself count little.

    Parameters
    ----------
    apart_px : array_like, shape (n, k, 2)
        How far each corner lies from where the common motion has it; NaN where it was not seen.
    places_px : array_like, shape (k, 2)
        Where the corners are; what is lower in the picture is taken to be nearer to begin with.

    Returns
    -------
    ndarray, shape (n, 2)
        The shared motion, px of a corner one standard deviation nearer than the mean; NaN where
        too few corners were seen.

    References
    ----------
    Tomasi C., Kanade T. (1992), Int. J. Comput. Vis. 9:137-154 (shape and motion as factors of a
    matrix of tracks; from memory).

    Examples
    --------
    >>> sway = np.column_stack([np.sin(np.arange(40.0)), np.zeros(40)])
    >>> rows = np.linspace(-1, 1, 20)
    >>> apart = rows[None, :, None] * sway[:, None]
    >>> found = parallax(apart, np.column_stack([np.zeros(20), rows]))
    >>> bool(np.allclose(found, rows.std() * (sway - sway.mean(axis=0)), atol=1e-3))
    True
    """
    apart = np.asarray(apart_px, dtype=float)
    nothing = np.full((len(apart), 2), np.nan)
    seen = np.isfinite(apart).all(axis=-1)
    used = seen.mean(axis=0) >= LEAST_SEEN if len(apart) else np.zeros(0, bool)
    if used.sum() < LEAST_CORNERS:
        return nothing
    apart, seen = apart[:, used], seen[:, used]
    off = np.where(seen[..., None], apart - np.nanmean(apart, axis=0), 0.0)
    height = np.asarray(places_px, dtype=float)[used, 1]
    near = (height - height.mean()) / max(float(height.std()), SMALL)
    weight = np.repeat(seen[..., None], 2, axis=-1).astype(float)
    shared = np.zeros((len(off), 2))
    for _ in range(N_ROUNDS):
        mass = weight * near[:, None] ** 2
        shared = (weight * off * near[:, None]).sum(axis=1) / np.maximum(mass.sum(axis=1), SMALL)
        power = weight * shared[:, None] ** 2
        near = (weight * off * shared[:, None]).sum(axis=(0, 2)) / np.maximum(
            power.sum(axis=(0, 2)), SMALL
        )
        near /= max(float(np.sqrt((near**2).mean())), SMALL)
        left = off - near[:, None] * shared[:, None]
        weight = seen[..., None] * cauchy_weights(left, CAUCHY, seen)
    return np.where(seen.sum(axis=1)[:, None] >= LEAST_CORNERS, shared, np.nan)
