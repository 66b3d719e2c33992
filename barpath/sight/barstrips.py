"""Pictures of the bar from all through a clip, laid over each other along and across it.

What is the bar's stays where it is in them, and the scenery blurs.

In: frames and the rows of the bar table (image px). Out: one picture of the bar, and how what the
tracked ends say creeps along it; inside, metres along the bar.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.ground.choice import best_index
from barpath.ground.equipment import POWER_BAR, Bar
from barpath.sight.barline import ENDS
from barpath.sight.pictures import Moving, grey_levels

Floats = NDArray[np.float64]

SIGNS = np.array([-1.0, 1.0])
"""Of the direction outward along the bar, for `ENDS`."""


@dataclass(frozen=True)
class EndsConfig:
    """What is known of bars, and how the ends of the shaft are sought.

    Attributes
    ----------
    barbell : Bar
        Its shaft ends at the sleeves' shoulders; the table's ends stand for the inner faces of the
        plates that lean on the shoulders' far sides.
    sleeve_m : tuple of float
        Over how much of a bare sleeve, from the step on, its outline is looked at.
    axis_sd_m : float
        How well the bar's axis lies in the middle of the pictures.
    shoulder_radii_m : tuple of float
        Radii of shoulders that are tried, all as likely (common practice, no source).
    outline_m : tuple of float
        Over so much of the shaft and of the shoulder, beside the step, its outline is looked at.
    px_per_m : float
        Scale of the pictures that are laid over each other.
    half_length_m, half_height_m, bare_half_height_m : float
        How much of the bar is kept, from its middle and from its axis, with plates and without.
    most_off_m : float
        Where the axis of a bare bar lies farther off the line that was followed, something else was
        than its shaft, as the sleeves' upper sides (of 31 made clips: up to 6 mm, and 27 to 30 in
        three).
    reach_m, bare_reach_m : float
        How far from the expected place the step is sought, with plates and without.
    moved_share : float
        The bar moves by this share of its length from one kept picture to the next, so that a rest
        does not crowd out the other scenery.
    most, least : int
        Number of pictures that are kept, and without which nothing is sought.
    around_m, creep_m : float
        So much of the bar on either side of the step is compared among the pictures, and by so much
        it may have shifted.
    calm_s : float
        Jumps of a bare bar's ends along it that are over in half this time are taken out, those of
        both ends too.
    unlike_level : float
        Grey levels beyond which a difference counts no more.
    edge_level : float
        Grey levels per pixel of the clip at which an edge counts half.
    changed_level : float
        Median absolute deviation among the pictures, in grey levels, at which a shoulder's inside
        counts half (of 85 made clips).
    sharpness, bare_sharpness : float
        Logarithm of the odds that one unit of the outline's score is worth, with plates and without
        (of the tuning clips, and of 31 made clips).
    read_sd_m, tracked_sd_m, bare_sd_m : float
        Standard uncertainty of an end as read by the network, beside what it states, and as
        tracked, with plates and without; of the tuning clips.
    bare_inward_m : float
        So far in ends without plates are read (of 40 made clips).
    pull_px : float
        By so many of the clip's pixels blur makes either step seem farther in (of the tuning
        clips, filmed in three sizes).
    outline_sd_m : float
        Of the distance between both steps: what the outline leaves open.
    """

    barbell: Bar = POWER_BAR
    sleeve_m: tuple[float, float] = (0.035, 0.2)
    axis_sd_m: float = 0.002
    shoulder_radii_m: tuple[float, ...] = (0.030, 0.032, 0.034, 0.036, 0.038, 0.040, 0.042)
    outline_m: tuple[float, float] = (0.003, 0.025)
    px_per_m: float = 480.0
    half_length_m: float = 1.06
    half_height_m: float = 0.06
    bare_half_height_m: float = 0.1
    most_off_m: float = 0.012
    reach_m: float = 0.06
    bare_reach_m: float = 0.2
    moved_share: float = 0.01
    most: int = 64
    least: int = 6
    around_m: float = 0.045
    creep_m: float = 0.02
    calm_s: float = 0.6
    unlike_level: float = 40.0
    edge_level: float = 4.0
    changed_level: float = 5.0
    sharpness: float = 12.0
    bare_sharpness: float = 18.0
    read_sd_m: float = 0.014
    tracked_sd_m: float = 0.02
    bare_sd_m: float = 0.12
    bare_inward_m: float = 0.028
    pull_px: float = 0.35
    outline_sd_m: float = 0.004

    def size_px(self, *, bare: bool) -> tuple[int, int]:
        """Columns and rows of the pictures."""
        half_m = (self.half_length_m, self.bare_half_height_m if bare else self.half_height_m)
        along, across = (2 * round(extent * self.px_per_m) + 1 for extent in half_m)
        return along, across


def laid_along(
    image: NDArray[Any], ends_px: Floats, config: EndsConfig | None = None, *, bare: bool = False
) -> NDArray[Any]:
    """Cut out the bar, laid level, its ends at the same columns whatever its place.

    Parameters
    ----------
    image : ndarray
        Picture with the bar in it.
    ends_px : ndarray, shape (2, 2)
        Its ends in the picture, x and y, the left one first; `Bar.inner_faces_m` apart.
    config : EndsConfig, optional
    bare : bool
        Whether it is a bar without plates.

    Returns
    -------
    ndarray
        `EndsConfig.px_per_m` pixels to the metre, the bar's middle in the middle.
    """
    config = config or EndsConfig()
    size = np.array(config.size_px(bare=bare))
    along = (ends_px[1] - ends_px[0]) / (config.barbell.inner_faces_m * config.px_per_m)
    across = np.array([-along[1], along[0]])
    turn = np.column_stack([along, across])
    corner = ends_px.mean(axis=0) - turn @ (size - 1) / 2
    return cv2.warpAffine(
        image,
        np.column_stack([turn, corner]),
        size.tolist(),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


class BarStrips:
    """Pictures of the bar, laid over each other along and across it.

    Parameters
    ----------
    config : EndsConfig, optional
    bare : bool
        Whether there are no plates on the bar.
    """

    def __init__(self, config: EndsConfig | None = None, *, bare: bool = False) -> None:
        self.config, self.bare = config or EndsConfig(), bare
        self._kept: list[NDArray[np.uint8]] = []
        self._ends_px: list[Floats] = []
        self._frames: list[int] = []
        self._moving = Moving(self.config.most)

    def update(self, image: NDArray[np.uint8], row: Mapping[str, Any]) -> None:
        """Keep the bar's picture if it has moved.

        Parameters
        ----------
        image : ndarray of uint8
            RGB or grey.
        row : mapping
            The frame's row of the bar table.
        """
        ends = np.array([[row[f"{end}_{axis}_px"] for axis in "xy"] for end in ENDS], dtype=float)
        if not np.isfinite(ends).all() or any(row[f"{end}_state"] != "seen" for end in ENDS):
            return
        length = np.hypot(*(ends[1] - ends[0]))
        if not self._moving.wants(ends.mean(axis=0), self.config.moved_share * length):
            return
        self._kept.append(grey_levels(laid_along(image, ends, self.config, bare=self.bare)))
        self._ends_px.append(ends)
        self._frames.append(int(row["frame"]))
        self._moving.thin(self._kept, self._ends_px, self._frames)

    def laid_anew(
        self, frames: NDArray[np.integer], ends_px: Floats, off_m: float = 0.0
    ) -> "BarStrips":
        """Lay what was kept as if the bar's ends had been followed to other places along it.

        As far across it is kept then as of a bar with plates.

        Parameters
        ----------
        frames : ndarray of int, shape (n,)
            Numbers of frames, those of all that was kept among them.
        ends_px : ndarray, shape (n, 2, 2)
            The ends in each, x and y, on the line through those that were followed.
        off_m : float
            So far below that line the bar's axis is, if the followed ends were
            `Bar.inner_faces_m` apart.
        """
        out = BarStrips(self.config, bare=self.bare)
        out._frames = list(self._frames)
        row_of = {int(frame): row for row, frame in enumerate(frames)}
        for kept, old, frame in zip(self._kept, self._ends_px, self._frames, strict=True):
            new = ends_px[row_of[frame]]
            along = old[1] - old[0]
            # Of the distance between the old ends, from the middle between them.
            places = (new - old.mean(axis=0)) @ along / (along @ along)
            scale = float(np.ptp(places))
            size = self.config.size_px(bare=False)
            begin = (np.array(kept.shape[::-1]) - 1) / 2 - scale * (np.array(size) - 1) / 2
            aside_m = (places.mean() * self.config.barbell.inner_faces_m, off_m)
            begin += np.array(aside_m) * self.config.px_per_m
            picture = cv2.warpAffine(
                kept,
                np.column_stack([scale * np.eye(2), begin]),
                size,
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
            out._kept.append(np.asarray(picture, np.uint8))
            out._ends_px.append(new)
        return out

    def picture(self) -> NDArray[np.float32] | None:
        """Median of what was kept; None where that is too little."""
        if len(self._kept) < self.config.least:
            return None
        return np.median(self._kept, axis=0).astype(np.float32)

    def spread(self, picture: NDArray[np.float32]) -> NDArray[np.float32]:
        """Median absolute deviation of what was kept from its median, which `picture` gives."""
        kept = np.asarray(self._kept, dtype=np.float32)
        return np.asarray(np.median(np.abs(kept - picture), axis=0), np.float32)

    def drift(
        self, picture: NDArray[np.float32], spread: NDArray[np.float32], along_m: Floats
    ) -> tuple[Floats, float]:
        """How the tracked ends creep along the bar as it comes down the picture.

        A plate looks a little different from every height, and is found a little farther out or
        in; the sleeves' shoulders, turned round the bar's axis, look alike.

        Parameters
        ----------
        picture, spread : ndarray
            From the methods of those names.
        along_m : ndarray, shape (2,)
            Where the shaft ends, outward.

        Returns
        -------
        creep : ndarray, shape (2,)
            By how much farther to the right the shaft's ends lie than the tracked ones say, metres
            for every pixel that the bar lies lower (Theil-Sen slope).
        height_px : float
            Height in the picture at which they lie as they do in `picture`.
        """
        config = self.config
        kept = np.asarray(self._kept, dtype=np.float32)
        calm = 1.0 / (spread + config.edge_level)
        half, most = (round(m * config.px_per_m) for m in (config.around_m, config.creep_m))
        height_px = np.array([ends[:, 1].mean() for ends in self._ends_px])
        slopes = np.zeros(2)
        for k, place in enumerate(SIGNS * along_m):
            middle = round((picture.shape[1] - 1) / 2 + place * config.px_per_m)
            here = slice(middle - half, middle + half + 1)
            weight = calm[:, here]
            if self.bare:
                outward_m = SIGNS[k] * np.arange(-half, half + 1) / config.px_per_m
                weight = weight * self._on_bar(outward_m, len(picture))
            off = np.full((len(kept), 2 * most + 1), np.nan)
            for j in range(2 * most + 1):
                there = kept[:, :, middle - half + j - most : middle + half + 1 + j - most]
                apart = np.minimum(np.abs(there - picture[:, here]), config.unlike_level)
                off[:, j] = (weight * apart).sum(axis=(1, 2))
            best = np.array([best_index(-row)[0] for row in off])
            inside = (best > 0) & (best < 2 * most)
            rows, best = np.flatnonzero(inside), best[inside]
            if len(rows) < config.least:
                continue
            before, least, after = (off[rows, best + step] for step in (-1, 0, 1))
            fine = 0.5 * (before - after) / np.maximum(before - 2 * least + after, 1e-9)
            shift_m = (best - most + fine) / config.px_per_m
            slopes[k] = median_slope(height_px[rows], shift_m)
        return slopes, float(np.median(height_px))

    def _on_bar(self, outward_m: Floats, n_rows: int) -> NDArray[np.bool_]:
        """What is a bare bar's, so far outward from the shaft's end: (rows, places).

        What is seen beside it stands still in the picture while it is pressed, and upright edges
        look alike from any height.
        """
        config = self.config
        bar = config.barbell
        radius_m = np.where(outward_m < 0, bar.shaft_radius_m, min(config.shoulder_radii_m))
        radius_m[outward_m > bar.shoulder_mm / 1000] = bar.sleeve_radius_m
        across_m = (np.arange(n_rows) - (n_rows - 1) / 2) / config.px_per_m
        return np.asarray(np.abs(across_m)[:, None] < radius_m)


def median_slope(x: Floats, y: Floats) -> float:
    """Median of the slopes between all pairs of points (Theil 1950 and Sen 1968, from memory)."""
    i, j = np.triu_indices(len(x), 1)
    apart = x[j] != x[i]
    return float(np.median((y[j] - y[i])[apart] / (x[j] - x[i])[apart])) if apart.any() else 0.0
