"""The camera from a bar seen from the feet: both its ends and the plates' apparent heights."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import least_squares

from barpath.errors import BarNotFoundError
from barpath.ground.view import FRONT
from barpath.space.fittedcamera import (
    Calibration,
    CalibrationConfig,
    Level,
    drawn,
    evenly,
    focal_guess_px,
    principal_point_px,
)
from barpath.space.pinhole import FRONT_PARAMETERS, front_ends, front_geometry

Floats = NDArray[np.float64]

USUAL_PITCH_DEG = 10.0
"""By which a camera at the feet looks down, where nothing says it."""


def calibrate_front(
    track: pd.DataFrame,
    width_px: int,
    height_px: int,
    *,
    roll_deg: float = np.nan,
    roll_sd_deg: float = np.nan,
    pitch_deg: float = np.nan,
    pitch_sd_deg: float = np.nan,
    config: CalibrationConfig | None = None,
) -> Calibration:
    """Fit the camera to the bar's two ends and the plates' apparent heights.

    Parameters
    ----------
    track : DataFrame
        Bar table in steadied image coordinates.
    width_px, height_px : int
        Image size.
    roll_deg, roll_sd_deg, pitch_deg, pitch_sd_deg : float
        From the scene; NaN when not found. Without a pitch, the press itself gives one: the bar
        moves up with a small share toward the head (`config.press_slope`).
    config : CalibrationConfig, optional

    Returns
    -------
    Calibration

    Raises
    ------
    BarNotFoundError
        When both ends of the bar were seen in too few frames.
    """
    config = config or CalibrationConfig()
    level = Level(roll_deg, roll_sd_deg, pitch_deg, pitch_sd_deg)
    bar = _seen_bar(track, config)
    principal = principal_point_px(width_px, height_px)
    prior = _prior(track, focal_guess_px(config, width_px, height_px), level, config)
    looks_mm = bar.plates_mm(config).ravel()[:, None]
    bar = bar.with_plates_alone(config)
    fit = least_squares(
        bar.residuals,
        prior[:, 0],
        loss="soft_l1",
        x_scale="jac",
        args=(prior, principal, bar.plates_rel_sd(config), config),
    )
    return Calibration(
        view=FRONT.name,
        names=FRONT_PARAMETERS,
        params=fit.x,
        draws=drawn(fit.x, fit.jac, config),
        principal_px=principal,
        plate_check_mm=float(_medians(looks_mm)[0]),
        roll_source=(
            "straight lines in the scene and the bar taken as level"
            if level.roll_known
            else "the bar taken as level over the set"
        ),
    )


@dataclass(frozen=True)
class _SeenBar:
    """Both ends in the image, (n, 2) each, and the apparent heights of their plates, (n, 2)."""

    left_px: Floats
    right_px: Floats
    heights_px: Floats

    def plates_mm(self, config: CalibrationConfig) -> Floats:
        """How high each plate looks beside the bar's length between the ends, (n, 2), mm."""
        gap_px = np.linalg.norm(self.right_px - self.left_px, axis=1)
        return self.heights_px / gap_px[:, None] * config.plate_gap_m * 1000

    def with_plates_alone(self, config: CalibrationConfig) -> "_SeenBar":
        """Without the heights at an end where they are not those of plates of the given size.

        Uprights and the lifter stand behind small plates, and which end is nearer would be told
        from them.
        """
        heights = self.heights_px.copy()
        for end, usual_mm in enumerate(_medians(self.plates_mm(config))):
            if np.isfinite(usual_mm) and not config.is_like(usual_mm):
                heights[:, end] = np.nan
        return replace(self, heights_px=heights)

    def usual_log_heights(self) -> Floats:
        """Logarithm of the usual height of each end's plate, (2,); NaN where none was seen."""
        return np.log(_medians(self.heights_px))

    def plates_rel_sd(self, config: CalibrationConfig) -> Floats:
        """How far off the plates' usual heights may be, as shares, (2,).

        A plate that stood out before one piece of scenery only, as where the bar rests, may have
        had an edge of that taken for its own; seen from high up to low down it has not.
        """
        bar_px = (self.left_px + self.right_px)[:, 1]
        n = config.n_bar_heights
        share = (bar_px - bar_px.min()) / max(float(np.ptp(bar_px)), 1e-9)
        level = np.minimum((n * share).astype(int), n - 1)
        told = [len(np.unique(level[np.isfinite(heights)])) for heights in self.heights_px.T]
        there = len(np.unique(level))
        surely = np.clip(np.array(told) / there / config.front_plate_share, 1 / n, 1.0)
        return np.asarray(config.front_plate_rel_sd / surely, float)

    def residuals(
        self,
        params: Floats,
        prior: Floats,
        principal_px: Floats,
        plates_rel_sd: Floats,
        config: CalibrationConfig,
    ) -> Floats:
        """What plates, the bar's tilt and slope and the prior miss, in standard uncertainties."""
        up, across, along, focal_px, _, plate = front_geometry(params)
        left, right = front_ends(params, self.left_px, self.right_px, principal_px)
        basis = np.column_stack([across, up, along])
        forward = np.array([0.0, 0.0, 1.0]) @ basis
        depths = np.median(np.column_stack([left @ forward, right @ forward]), axis=0)
        size = np.log(focal_px * plate / depths) - self.usual_log_heights()
        seen = size / plates_rel_sd
        bar = right - left
        tilt = np.median(np.arctan2(bar[:, 1], bar[:, 0]))
        middle = (left + right) / 2
        high = np.argsort((self.left_px + self.right_px)[:, 1], kind="stable")
        top, low = high[: max(len(high) // 5, 1)], high[-max(len(high) // 5, 1) :]
        travel = np.median(middle[top], axis=0) - np.median(middle[low], axis=0)
        slope = np.arctan2(travel[2], travel[1])
        extra = [
            tilt / np.deg2rad(config.front_level_sd_deg),
            (slope - config.press_slope) / config.press_slope_sd,
        ]
        seen = np.where(np.isfinite(seen), seen, 0.0)
        return np.concatenate([seen, extra, (params - prior[:, 0]) / prior[:, 1]])


def _medians(columns: Floats) -> Floats:
    """Median of each column's finite values; NaN where it has none."""
    finite = [column[np.isfinite(column)] for column in columns.T]
    return np.array([np.median(values) if len(values) else np.nan for values in finite])


def _seen_bar(track: pd.DataFrame, config: CalibrationConfig) -> _SeenBar:
    columns = [
        "image_left_x_px",
        "image_left_y_px",
        "image_right_x_px",
        "image_right_y_px",
        "image_left_plate_px",
        "image_right_plate_px",
    ]
    usable = track[columns[:4]].notna().all(axis=1).to_numpy()
    if usable.sum() < 5:
        raise BarNotFoundError(
            "Both ends of the bar were seen in too few frames to give a scale in metres."
        )
    table = track.loc[usable, columns].to_numpy(dtype=float)
    table = table[evenly(len(table), config.max_fit_frames)]
    return _SeenBar(table[:, 0:2], table[:, 2:4], table[:, 4:6])


def _prior(track: pd.DataFrame, focal_px: float, level: Level, config: CalibrationConfig) -> Floats:
    """Mean and standard uncertainty of each of `FRONT_PARAMETERS`, (6, 2)."""
    ends_rel_sd = config.front_ends_rel_sd
    if "span_rel_sd" in track:
        ends_rel_sd = float(track["span_rel_sd"].median())
    gap_rel_sd = np.hypot(config.plate_gap_sd_m / config.plate_gap_m, ends_rel_sd)
    return np.array(
        [
            (0.0, np.deg2rad(config.front_yaw_sd_deg)),
            level.pitch_rad(config.front_pitch_sd_deg, USUAL_PITCH_DEG),
            level.roll_rad(2 * config.roll_sd_deg),
            (np.log(focal_px), config.focal_rel_sd),
            (np.log(config.plate_gap_m), gap_rel_sd),
            (np.log(config.plate_mm / 1000), config.plate_sd_mm / config.plate_mm),
        ]
    )
