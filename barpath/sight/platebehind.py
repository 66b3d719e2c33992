"""The largest plate of a bar, where a smaller one before it was found.

In: the measured outline of a plate (`platemeasure.Refined`), px of the full image. Out: the outline
of a larger plate about the same centre that moves along with it, or the same outline.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from barpath.sight.ellipse import mean_radius
from barpath.sight.plate import PlateConfig
from barpath.sight.platemeasure import (
    Refined,
    concentric,
    laid_over,
    measure_shape,
    ring_step_px,
    worth,
)
from barpath.sight.platepaths import most_worth_first
from barpath.sight.platesamples import PlateSamples

FloatArray = NDArray[np.floating]

_NEAREST, _FARTHEST = 1.10, 3.6
"""Sizes of discs that share a bar, and of a disc and its hub, as multiples of one another: 450 mm
and 200 mm, and a steel hub of some 130 mm (common practice, no source)."""
_LEAST_RING, _N_RINGS = 0.38, 3
_LEAST_SHARE, _LEAST_QUALITY, _LEAST_OF_FOUND = 0.65, 0.35, 0.5
_MAX_CHANGE = 0.05


def largest_plate(work: PlateSamples, found: Refined, config: PlateConfig) -> Refined:
    """The largest plate that shows around a measured one.

    A small dark plate before a large pale one shows better than the latter, and moves as it does.
    The diameter that a lifter gives is that of the largest, so the largest is the one to measure
    lengths by.

    Parameters
    ----------
    work : PlateSamples
    found : Refined
        A measured plate.
    config : PlateConfig

    Returns
    -------
    Refined
        `found` itself where nothing larger shows about its centre.
    """
    for _ in range(2):
        around = [_plate_of(work, found, size, config) for size in _rings(work, found, config)]
        larger = most_worth_first(worth, [plate for plate in around if plate is not None])
        if not larger:
            break
        found = larger[0]
    return found


def _rings(work: PlateSamples, found: Refined, config: PlateConfig) -> Iterator[float]:
    """Sizes at which a line shows around an outline, as multiples of it, the clearest first.

    A line counts by how far it stands out on its own ray, not by its contrast, and by on how many
    rays it does.
    """
    radius = mean_radius(found.params)
    step = ring_step_px(found)
    rho = np.arange(_NEAREST - 0.02, _FARTHEST, step / radius)
    # Seen at a slant, or with the smaller plate a little off, the line is not quite concentric.
    edge = laid_over(work, found, rho, 0.015, config)
    usual = np.median(edge, axis=1, keepdims=True)
    score = (edge / (edge + 2.0 * usual + 1.0)).mean(axis=0)
    apart = max(1, round(0.08 * radius / step))
    peaks, _ = find_peaks(np.round(score, 9), distance=apart, height=_LEAST_RING)
    for peak in peaks[np.argsort(-score[peaks], kind="stable")][:_N_RINGS]:
        if rho[peak] >= _NEAREST:
            yield float(rho[peak])


def _plate_of(
    work: PlateSamples, found: Refined, size: float, config: PlateConfig
) -> Refined | None:
    """The outline of about `size` times a found one, if it shows about as well all round."""
    order, centres = found.places()
    start = found.params * np.r_[1.0, 1.0, np.full(3, size)]
    plate = measure_shape(work, found.path, order, start, centres, config, concentric(start))
    if plate is None or plate.share < _LEAST_SHARE:
        return None
    change = abs(mean_radius(plate.params) / (size * mean_radius(found.params)) - 1.0)
    least = max(_LEAST_QUALITY, _LEAST_OF_FOUND * found.quality)
    return plate if change < _MAX_CHANGE and plate.quality >= least else None
