"""A first look at a stretch of a clip: who presses in it, and where the bar should be sought.

The joint network sees the lifter in single frames, without knowing of the bar's motion. What it
says of hands, plates and the bar's lie comes before the search for the bar, which then measures to
a fraction of a pixel; a bar that is found is checked against the hands.

In: a few frames a second and the joint network. Out: `FirstLook`, in image px.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barpath.ground.equipment import POWER_BAR, Bar
from barpath.sight.jointnet import (
    ARMS,
    HANDS,
    POINTS,
    SIDES,
    STATES,
    JointNetwork,
    Readings,
)
from barpath.sight.lifter import (
    BarLine,
    LifterConfig,
    Tracker,
    evidence,
    find_lifter,
    square_round,
    with_surroundings,
)
from barpath.sight.pictures import FrameLike

Floats = NDArray[np.float64]

PLATES = np.array([POINTS.index(f"{side}_plate") for side in SIDES])
COLLARS = np.array([POINTS.index(f"{side}_collar") for side in SIDES])
SHOULDERS, HIPS = (
    np.array([POINTS.index(f"{side}_{joint}") for side in SIDES]) for joint in ("shoulder", "hip")
)
MOST_LOOKS = 12
LEAST_READINGS = 3
LEAST_REACH = 0.12
"""From hips to shoulders along the picture, as a share of the upper body's size, from aside."""
LEAST_ABSENT = 0.3
"""How likely either end's plate is not there, over all looks, on a bar that has none.

Made clips with plates stay below 0.05, those with an empty bar above 0.55: counting the looks in
which it is likelier than not would hang on the last digit of some of them.
"""
ON_BAR_M = 0.25
"""Hands, as read, are no farther from the bar that they hold (our estimate, no source)."""


@dataclass(frozen=True)
class FirstLook:
    """The lifter in some of a stretch's samples.

    Attributes
    ----------
    at : ndarray of int, shape (n,)
        Which samples, in order.
    readings : tuple of Readings
        One each, in pixels of the samples.
    """

    at: NDArray[np.int64]
    readings: tuple[Readings, ...]

    @property
    def sure(self) -> bool:
        """Whether the lifter was read often enough to rely on."""
        return len(self.readings) >= LEAST_READINGS

    def region(self, height_px: int, width_px: int, end: str = "") -> tuple[slice, slice]:
        """Rows and columns of the picture in which the plates of the bar that is held must lie.

        Round the arms and plates that were read, half the upper body's size more on every side: a
        plate's radius is a fifth of it. With an end, round that end's plate alone.
        """
        low, high = np.full(2, np.inf), np.full(2, -np.inf)
        for reading in self.readings:
            wanted = PLATES if not end else PLATES[[SIDES.index(end)]]
            plates = wanted[~reading.outside[wanted]]
            if end and not len(plates):
                continue
            points = reading.xy_px[plates if end else [*ARMS, *plates]]
            margin = (0.4 if end else 0.5) * square_round(reading, 1.0).size_px
            low = np.minimum(low, points.min(axis=0) - margin)
            high = np.maximum(high, points.max(axis=0) + margin)
        x0, y0 = np.maximum(np.floor(low), 0).astype(int).tolist()
        x1, y1 = np.minimum(np.ceil(high) + 1, [width_px, height_px]).astype(int).tolist()
        return slice(y0, y1), slice(x0, x1)

    def span_in_limbs(self, bar: Bar = POWER_BAR) -> float:
        """Distance between a power bar's plates over the longest limb of an arm, as they look here.

        About 4.3 from straight behind the feet, less the farther aside the camera stands, below 1
        from the side; NaN where neither both plates nor both ends of the shaft are read.

        Parameters
        ----------
        bar : Bar, optional
            The bar in the picture.
        """
        spans, limbs = [], []
        for reading in self.readings:
            xy = reading.xy_px
            for pair, apart_m in ((PLATES, bar.plates_m), (COLLARS, bar.shaft_m)):
                if not reading.outside[pair].any():
                    spans.append(
                        np.hypot(*(xy[pair[0]] - xy[pair[1]])) * POWER_BAR.plates_m / apart_m
                    )
                    break
            # Shoulder to elbow and elbow to wrist of both arms.
            limbs.append(np.hypot(*(xy[ARMS[:4]] - xy[ARMS[2:6]]).T).max())
        if len(spans) < LEAST_READINGS:
            return float("nan")
        return float(np.median(spans) / np.percentile(limbs, 90))

    @property
    def bare(self) -> bool:
        """Whether there are no plates on the bar: outside the picture, as the network puts it."""
        outside = STATES.index("outside")
        absent = [reading.state[PLATES, outside].min() for reading in self.readings]
        return bool(np.mean(absent) > LEAST_ABSENT) if absent else False

    def bar_ends(self, transforms: Floats, bar: Bar = POWER_BAR) -> Floats | None:
        """Columns of the steadied image at which the plates' inner faces are expected.

        Parameters
        ----------
        transforms : ndarray, shape (n, 2, 3)
            Image to steadied image, of every sample.
        bar : Bar, optional

        Returns
        -------
        ndarray, shape (2,), or None
            The left one first; a little farther out than the shaft's ends, for the sleeves'
            shoulders lie between. None where the ends are read in too few samples.
        """
        found = []
        for k, reading in zip(self.at.tolist(), self.readings, strict=True):
            if not reading.outside[COLLARS].any():
                ends = reading.xy_px[COLLARS] @ transforms[k, :, :2].T + transforms[k, :, 2]
                found.append(np.sort(ends[:, 0]))
        if len(found) < LEAST_READINGS:
            return None
        left, right = np.median(found, axis=0)
        beyond = (bar.inner_faces_m / bar.shaft_m - 1.0) / 2 * (right - left)
        return np.array([left - beyond, right + beyond])

    def near_end(self) -> str:
        """The lifter's side on which the camera stands, from how the lifter lies in the picture.

        Somebody on the back with the head to the image's left shows the right side. ``""`` where
        that cannot be told, as from the feet.
        """
        reach = [
            (reading.xy_px[SHOULDERS, 0].mean() - reading.xy_px[HIPS, 0].mean())
            / square_round(reading, 1.0).size_px
            for reading in self.readings
        ]
        share = float(np.median(reach)) if reach else 0.0
        return "" if abs(share) < LEAST_REACH else "left" if share > 0 else "right"

    def end_at(self, sample: int, place_px: Floats) -> str:
        """Which end's plate was read nearest to a place in a sample; ``""`` where none was."""
        k = np.flatnonzero(self.at == sample)
        if not len(k) or self.readings[k[0]].outside[PLATES].all():
            return ""
        reading = self.readings[k[0]]
        away = np.hypot(*(reading.xy_px[PLATES] - place_px).T)
        away[reading.outside[PLATES]] = np.inf
        return SIDES[int(away[1] < away[0])]

    def reads_plate(self, places: Mapping[int, NDArray[np.floating]], radius_px: float) -> bool:
        """Whether a round thing is about a plate's middle as read, mostly, or none was read.

        Parameters
        ----------
        places : mapping of int to ndarray, shape (2,)
            Its centre by sample.
        radius_px : float
        """
        off = []
        for k, reading in zip(self.at.tolist(), self.readings, strict=True):
            shown = PLATES[~reading.outside[PLATES]]
            if k in places and len(shown):
                away = np.hypot(*(reading.xy_px[shown] - places[k]).T)
                off.append(float((away / (0.5 * radius_px + 2 * reading.sd_px[shown])).min()))
        return len(off) < LEAST_READINGS or bool(np.median(off) < 1.0)

    def plates(self) -> list[tuple[int, Floats]]:
        """Sample and place of each end's plate where it is seen best, the surer end first."""
        found = []
        for plate in PLATES:
            seen = [
                (reading.sd_px[plate] / max(reading.state[plate, 0], 0.01), k)
                for k, reading in enumerate(self.readings)
                if not reading.outside[plate]
            ]
            if seen:
                spread, k = min(seen)
                found.append((spread, int(self.at[k]), self.readings[k].xy_px[plate]))
        return [(sample, place) for _, sample, place in sorted(found, key=lambda item: item[:2])]


def look_over(
    samples: Sequence[FrameLike], network: JointNetwork, config: LifterConfig | None = None
) -> FirstLook:
    """Look for the lifter in samples spread over a stretch.

    Parameters
    ----------
    samples : sequence of FrameLike
        With RGB pictures, in order of time.
    network : JointNetwork
    config : LifterConfig, optional

    Returns
    -------
    FirstLook
    """
    picks = np.unique(np.linspace(0, len(samples) - 1, MOST_LOOKS).round().astype(int))
    tracker = Tracker(network, config)
    at, readings = [], []
    for k in picks.tolist():
        reading = tracker.update(samples[k].image)
        if reading is not None:
            at.append(k)
            readings.append(with_surroundings(samples[k].image, network, reading, config))
    return FirstLook(np.array(at, dtype=np.int64), tuple(readings))


def held(
    lines: Mapping[int, BarLine],
    look: FirstLook,
    samples: Sequence[FrameLike],
    network: JointNetwork,
    config: LifterConfig | None = None,
) -> bool:
    """Whether hands are on a bar that was found.

    Parameters
    ----------
    lines : mapping of int to BarLine
        The bar by sample.
    look : FirstLook
        If its lifter's hands are elsewhere, another lifter is looked for at the bar.
    samples, network, config
        As for `look_over`.
    """
    config = config or LifterConfig()
    off_m = [
        lines[k].distance_px(reading.xy_px[HANDS]).mean() * lines[k].m_per_px
        for k, reading in zip(look.at.tolist(), look.readings, strict=True)
        if k in lines
    ]
    if off_m and np.median(off_m) < ON_BAR_M:
        return True
    known = sorted(lines)
    for k in known[:: max(1, len(known) // 3)][:3]:
        other = find_lifter(samples[k].image, network, lines[k], config)
        if other is not None and evidence(other, lines[k], config) >= config.found:
            return True
    return False
