"""The bar's plates, collars and ends as the network read them, held against a bar in space."""

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.sight.jointnet import BAR_PARTS
from barpath.sight.pose import PLACE
from barpath.sight.sleevewidths import SleeveWidth
from barpath.space.fittedcamera import CalibrationConfig
from barpath.space.pinhole import SideGeometry, disc_centres, seen_px

Floats = NDArray[np.float64]

SLEEVES = ("near", "far")
"""The bar's sleeves, as a plate table calls them."""


def is_bare(track: pd.DataFrame) -> bool:
    """Whether a plate table follows a bar without plates: the middle of the hands on it."""
    return not track["major_px"].notna().any()


def sleeves_in(track: pd.DataFrame) -> list[str]:
    """Beginnings of the columns that say how thick sleeves look, with their underscore."""
    return [f"{side}_sleeve_" for side in SLEEVES if f"{side}_sleeve_px" in track]


def with_sleeves(
    track: pd.DataFrame, widths: tuple[SleeveWidth | None, SleeveWidth | None]
) -> pd.DataFrame:
    """A plate table with how thick the nearer and the farther sleeve look, where that was told.

    Parameters
    ----------
    track : DataFrame
        Of a bar without plates.
    widths : tuple of SleeveWidth or None

    Returns
    -------
    DataFrame
        With, of each that was told, `{side}_sleeve_x_px`, `{side}_sleeve_y_px`, `{side}_sleeve_px`,
        the diameter at that place of its axis, missing in frames in which it was not measured, and
        `{side}_sleeve_rel_sd`.
    """
    out = track
    for side, width in zip(SLEEVES, widths, strict=True):
        if width is None:
            continue
        start = f"{side}_sleeve_"
        seen = pd.DataFrame(
            np.column_stack([width.place_px, width.diameter_px]),
            columns=[f"{start}x_px", f"{start}y_px", f"{start}px"],
            index=width.frames,
        )
        out = out.join(seen, on="frame").assign(**{f"{start}rel_sd": width.rel_sd})
    return out


@dataclass(frozen=True)
class BarReadings:
    """What the network read of the bar's parts, in the steadied image.

    Attributes
    ----------
    end : {'left', 'right'}
        The lifter's end on which the plate is that was followed.
    ellipse_px : ndarray, shape (n, 2)
        Centre of the plate's outline.
    points_px : ndarray, shape (n, 2, 3, 2)
        Plate, collar and bar end (`BAR_PARTS`) of that end and of the other; NaN where not read.
    covariance_px2 : ndarray, shape (n, 2, 3, 2, 2)
        As the network states it.
    reach_px : float
        How far the hands are from the shoulders with the bar high, mean of both arms; NaN where it
        was not read.
    """

    end: str
    ellipse_px: Floats
    points_px: Floats
    covariance_px2: Floats
    reach_px: float = np.nan


def bar_readings(track: pd.DataFrame, joints: pd.DataFrame, end: str) -> BarReadings:
    """Readings of the bar in the frames in which its plate was seen.

    Parameters
    ----------
    track, joints : DataFrame
        Plate table and pose table in steadied image coordinates.
    end : {'left', 'right'}
    """
    at = track.set_index("frame").reindex(joints["frame"])
    seen = (at["state"] == "seen").to_numpy() & at[["x_px", "y_px"]].notna().all(axis=1).to_numpy()
    other = {"left": "right", "right": "left"}[end]
    names = [f"{side}_{part}_{x}" for side in (end, other) for part in BAR_PARTS for x in PLACE]
    values = joints.reindex(columns=names).to_numpy(dtype=float)[seen]
    values = values.reshape(-1, 2, len(BAR_PARTS), len(PLACE))
    return BarReadings(
        end,
        at.loc[seen, ["x_px", "y_px"]].to_numpy(dtype=float),
        values[..., :2],
        values[..., 2:][..., [[0, 1], [1, 2]]],
        _reach_px(at["y_px"].to_numpy(dtype=float), joints),
    )


def _reach_px(bar_y_px: Floats, joints: pd.DataFrame) -> float:
    """Median distance of hands and shoulders in the frames with the bar in its highest fifth."""
    if not np.isfinite(bar_y_px).any():
        return np.nan
    top, bottom = np.nanpercentile(bar_y_px, [3, 97])
    high = bar_y_px < top + 0.2 * (bottom - top)
    places = [
        joints.reindex(columns=[f"{side}_{name}_{x}" for x in PLACE[:2]]).to_numpy(dtype=float)
        for side in ("left", "right")
        for name in ("shoulder", "hand")
    ]
    reach = np.linalg.norm(np.stack(places[::2]) - np.stack(places[1::2]), axis=-1)[:, high]
    each = [np.median(one[np.isfinite(one)]) for one in reach if np.isfinite(one).any()]
    return float(np.mean(each)) if each else np.nan


class BarMisses:
    """Residuals of the bar's parts: their readings, common errors, and the bar's tilt by height.

    Readings of frames with the bar equally high are taken together, relative to the plate: what
    they have in common is more than what is each frame's own. All may be expected nearer the bar's
    middle than they are, by `inward_share` of what the network states.
    """

    def __init__(
        self,
        bar: BarReadings,
        scale_px: float,
        config: CalibrationConfig,
        inward_share: float = 0.0,
    ) -> None:
        read = np.all(np.isfinite(bar.points_px), axis=-1)
        read &= np.all(np.isfinite(bar.covariance_px2), axis=(-2, -1))
        rows = np.flatnonzero(np.any(read, axis=(1, 2)))
        self.config, self.n_frames, self.inward_share = config, len(rows), inward_share
        by_height = rows[np.argsort(bar.ellipse_px[rows, 1], kind="stable")]
        groups = [g for g in np.array_split(by_height, config.n_bar_heights) if len(g)]
        self.n_groups = len(groups)
        offsets = np.where(read[..., None], bar.points_px - bar.ellipse_px[:, None, None], np.nan)
        stated = np.where(read[..., None, None], bar.covariance_px2, np.nan)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            self.ellipse_px = np.array([np.median(bar.ellipse_px[g], axis=0) for g in groups])
            offset = np.array([np.nanmedian(offsets[g], axis=0) for g in groups])
            spread = np.array([np.nanmedian(stated[g], axis=0) for g in groups])
        self.points_px = self.ellipse_px.reshape(-1, 1, 1, 2) + offset.reshape(-1, 2, 3, 2)
        spread = spread.reshape(-1, 2, 3, 2, 2)
        self.read = np.isfinite(self.points_px).all(axis=-1)
        own = config.own_share**2 * spread + (config.own_m * scale_px) ** 2 * np.eye(2)
        own[~self.read] = np.eye(2)
        self.root = np.linalg.inv(np.linalg.cholesky(own))
        self.stated_px2 = np.where(self.read[..., None, None], spread, 0.0)
        variance = np.diagonal(spread, axis1=-2, axis2=-1)
        count = np.maximum(self.read.sum(axis=0), 1)[..., None]
        usual = np.where(self.read[..., None], variance, 0.0).sum(axis=0) / count
        self.common_px = np.hypot(config.common_share * np.sqrt(usual), config.common_m * scale_px)
        self.n_own = 2 * 2 * len(BAR_PARTS) + len(BAR_PARTS) + 1 + self.n_groups

    def _inward_px(self, seen_px: Floats) -> Floats:
        """By how much parts seen at some places are read toward the bar's middle, (n, 2, 3, 2)."""
        inward = seen_px[:, ::-1] - seen_px
        inward = inward / np.maximum(np.linalg.norm(inward, axis=-1, keepdims=True), 1e-9)
        variance = np.einsum("...i,...ij,...j->...", inward, self.stated_px2, inward)
        return self.inward_share * np.sqrt(variance)[..., None] * inward

    def centres_m(self, geometry: SideGeometry, principal_px: Floats) -> Floats:
        """The followed plate's centre at each height of the bar, (n, 3), in camera axes."""
        return disc_centres(geometry, self.ellipse_px, principal_px)

    def __call__(
        self,
        params: Floats,
        geometry: SideGeometry,
        centres_m: Floats,
        own: Floats,
        principal_px: Floats,
        away: float,
    ) -> list[Floats]:
        """Residuals; `away` is 1 when the other end is farther from the camera, else -1.

        `geometry` is what `params` come to, and `centres_m` what `centres_m` gives by it.
        """
        config = self.config
        n_biases = self.common_px.size
        bias = own[:n_biases].reshape(self.common_px.shape) * self.common_px
        shifts, tilt = own[n_biases : n_biases + 3], own[n_biases + 3] + own[n_biases + 4 :]
        up, across, focal_px = geometry.up, geometry.across, geometry.focal_px
        thickness, outline = params[8:10]
        sd = [config.point_sd_m[part] for part in BAR_PARTS]
        along = np.array([outline + thickness / 2, *config.point_m]) + shifts * sd
        # From the plate's middle toward the other end.
        ways = np.stack([outline - along, outline + along])
        tilts = np.deg2rad(tilt)
        axis = away * (np.cos(tilts)[:, None] * across + np.sin(tilts)[:, None] * up)
        places = centres_m[:, None, None] + ways[..., None] * axis[:, None, None]
        seen = seen_px(places, focal_px, principal_px)
        off = self.points_px - seen - bias
        if self.inward_share:
            off -= self._inward_px(seen)
        whitened = (self.root @ np.where(self.read[..., None], off, 0.0)[..., None])[..., 0]
        return [
            whitened.ravel(),
            own[: n_biases + 3],
            own[n_biases + 3 : n_biases + 4] / config.bar_level_sd_deg,
            own[n_biases + 4 :] / config.tilt_sd_deg,
        ]
