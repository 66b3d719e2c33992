"""The camera from the parts of a bar without plates, seen from the side or aslant."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import least_squares

from barpath.errors import BarNotFoundError
from barpath.space.barparts import BarMisses, BarReadings, sleeves_in
from barpath.space.fittedcamera import (
    Calibration,
    CalibrationConfig,
    Level,
    drawn,
    evenly,
    focal_guess_px,
    principal_point_px,
)
from barpath.space.pinhole import (
    SIDE_PARAMETERS,
    SideGeometry,
    disc_centres,
    rays,
    seen_px,
    side_geometry,
)

Floats = NDArray[np.float64]

OUTLINE = SIDE_PARAMETERS.index("outline_m")
STARTS_DEG = (5.0, -5.0, 45.0, -45.0)
"""Turns of the bar to the line of sight from which fits start."""
LEAST_DEPTH_M = 0.1
LEAST_SLANT = 1e-3
LEAST_PX = 0.1
MOST_SIDES = 12
"""Frames, spread over the set, in which it is looked at how thick a sleeve looks."""
USUAL_LOSS = 0.709
"""Mean soft L1 of the square of a miss that is normal with a standard deviation of 1."""


@dataclass(frozen=True)
class SleeveEnd:
    """How large the end of the nearer sleeve looks, as a plate table has it.

    Attributes
    ----------
    diameter_px, rel_sd : float
        And its standard uncertainty as a share.
    hands_share : float
        How much the middle between the hands moves in the picture, over how much the end does.
    place_px : ndarray, shape (2,)
        Where the end was, in the steadied image, when it looked so large.
    """

    diameter_px: float
    rel_sd: float
    hands_share: float
    place_px: Floats

    @staticmethod
    def in_track(track: pd.DataFrame) -> "SleeveEnd | None":
        """None where nothing is said of it."""
        if "sleeve_px" not in track:
            return None
        names = ("sleeve_px", "sleeve_rel_sd", "hands_share")
        places = track[["x_px", "y_px"]]
        # Results made before it was kept in which frames the size was told do not say so.
        if "sleeve_measured" in track and places[track["sleeve_measured"]].notna().any(axis=None):
            places = places[track["sleeve_measured"]]
        place_px = places.mean().to_numpy(dtype=float)
        diameter_px, rel_sd, share = (float(track[name].iloc[0]) for name in names)
        return SleeveEnd(diameter_px, rel_sd, share, place_px)


@dataclass(frozen=True)
class SleeveSides:
    """How thick a sleeve looks in some frames, as a plate table has it.

    Attributes
    ----------
    followed_px, place_px : ndarray, shape (n, 2)
        What was followed, and a place on the sleeve's axis, in the steadied image.
    diameter_px : ndarray, shape (n,)
        The sleeve's at that place.
    rel_sd : float
        Standard uncertainty of all diameters together, as a share.
    """

    followed_px: Floats
    place_px: Floats
    diameter_px: Floats
    rel_sd: float

    @staticmethod
    def in_track(track: pd.DataFrame) -> "list[SleeveSides]":
        """Of each sleeve of which the table says it."""
        found = []
        for start in sleeves_in(track):
            names = ["x_px", "y_px", *(f"{start}{part}" for part in ("x_px", "y_px", "px"))]
            told = track[names].dropna().to_numpy(dtype=float)
            if len(told):
                told = told[evenly(len(told), MOST_SIDES)]
                rel_sd = float(track[f"{start}rel_sd"].iloc[0])
                found.append(SleeveSides(told[:, :2], told[:, 2:4], told[:, 4], rel_sd))
        return found

    def miss(
        self, geometry: SideGeometry, principal_px: Floats, config: CalibrationConfig
    ) -> float:
        """By how many standard uncertainties a camera would see it thicker."""
        bar = config.barbell
        followed_m = disc_centres(geometry, self.followed_px, principal_px)
        sight = rays(self.place_px, principal_px, geometry.focal_px)
        sight /= np.linalg.norm(sight, axis=1, keepdims=True)
        # The place on the bar's axis that the line of sight passes at the least distance.
        slant = sight @ geometry.across
        along_m = slant * (followed_m * sight).sum(axis=1) - followed_m @ geometry.across
        along_m /= np.maximum(1.0 - slant**2, LEAST_SLANT)
        places = followed_m + along_m[:, None] * geometry.across
        side_m = bar.sleeve_radius_m * _silhouette(places, geometry.across)
        sides = [_seen_px(places + way * side_m, geometry, principal_px) for way in (-1.0, 1.0)]
        across_px = np.linalg.norm(sides[1] - sides[0], axis=1)
        sd = np.hypot(self.rel_sd, config.sleeve_sd_mm / bar.sleeve_mm)
        # A fit may try a bar behind the camera, where nothing is seen of it.
        return float(np.log(np.maximum(across_px, LEAST_PX) / self.diameter_px).mean() / sd)


def bar_in_picture(
    calibration: Calibration, followed_px: Floats, along_m: Floats
) -> tuple[Floats, Floats]:
    """Where a bar's axis lies in the picture, and what a metre across it comes to there.

    Parameters
    ----------
    calibration : Calibration
        From `calibrate_bare`.
    followed_px : ndarray, shape (n, 2)
        Places of what was followed, in the steadied image.
    along_m : ndarray, shape (m,)
        Places along the bar, from its middle away from the camera.

    Returns
    -------
    axis_px, beside_px : ndarray, shape (n, m, 2)
    """
    geometry = side_geometry(calibration.params)
    outline_m = float(calibration.params[OUTLINE])
    followed_m = disc_centres(geometry, followed_px, calibration.principal_px)
    places = followed_m[:, None] + (outline_m + along_m)[:, None] * geometry.across
    axis_px = _seen_px(places, geometry, calibration.principal_px)
    side_m = 1e-3 * _silhouette(places, geometry.across)
    beside = _seen_px(places + side_m, geometry, calibration.principal_px) - axis_px
    return axis_px, 1e3 * beside


def _seen_px(places_m: Floats, geometry: SideGeometry, principal_px: Floats) -> Floats:
    ahead = places_m.copy()
    ahead[..., 2] = np.maximum(ahead[..., 2], LEAST_DEPTH_M)
    return seen_px(ahead, geometry.focal_px, principal_px)


def _silhouette(places_m: Floats, across: Floats) -> Floats:
    """Unit vectors from a thin cylinder's axis to what is seen of it farthest off, downward."""
    aside = np.cross(places_m, across)
    aside /= np.linalg.norm(aside, axis=-1, keepdims=True)
    return np.where(aside[..., 1:2] < 0, -aside, aside)


def calibrate_bare(
    size_px: tuple[int, int],
    level: Level,
    view: str,
    bar: Sequence[BarReadings],
    config: CalibrationConfig,
    sleeve: SleeveEnd | None = None,
    sides: Sequence[SleeveSides] = (),
) -> Calibration:
    """Camera of a side or oblique view from the parts of a bar without plates.

    The point followed is the end of the nearer sleeve, or else the middle of both hands, near the
    bar's middle. Seen from the side the bar's two halves look differently large, which gives its
    distance; the sleeve's diameter gives the scale at its end, without it the scale hangs on the
    focal length, and the arms have a say. At an angle the shaft is a ruler across the picture.

    Readings may be misread, so that those far off count less; what is known beforehand holds as
    it is stated. Where the readings are off by more than they state, all is as much less certain.

    Parameters
    ----------
    size_px : tuple of int
        Width and height of the image.
    level : Level
    view : {'side', 'oblique'}
    bar : sequence of BarReadings
        As for `platecamera.calibrate_side`.
    config : CalibrationConfig
    sleeve : SleeveEnd, optional
    sides : sequence of SleeveSides, optional

    Returns
    -------
    Calibration

    Raises
    ------
    BarNotFoundError
        When the bar's ends were read in too few frames to give a scale.
    """
    principal = principal_point_px(*size_px)
    followed_m = (config.barbell.end_m, config.point_sd_m["bar_end"])
    if sleeve is None:
        followed_m = 0.0, config.bare_uneven_m
    focal = focal_guess_px(config, *size_px)
    n_params = len(SIDE_PARAMETERS)
    prior = _prior(focal, level, config, followed_m)
    every = [
        (one, BarMisses(one, focal / np.exp(prior[3, 0]), config, config.bare_inward_share))
        for one in bar
    ]
    told = [(one, misses) for one, misses in every if misses.n_frames >= config.least_bar_frames]
    if not told:
        raise BarNotFoundError("The bar's ends were read in too few frames to give a scale.")
    fits = []
    for one, misses in told:
        reach_px = one.reach_px if sleeve is None and np.isfinite(one.reach_px) else None

        def residuals(
            values: Floats, misses: BarMisses = misses, reach_px: float | None = reach_px
        ) -> Floats:
            params = values[:n_params]
            geometry = side_geometry(params)
            centres_m = misses.centres_m(geometry, principal)
            parts = misses(params, geometry, centres_m, values[n_params:], principal, 1.0)
            if sleeve is not None:
                depth_m = float(disc_centres(geometry, sleeve.place_px[None], principal)[0, 2])
                parts += _sleeve_misses(sleeve, params, geometry, depth_m, config)
            if reach_px is not None:
                reach_m = reach_px * geometry.distance_m / geometry.focal_px
                off = np.log(reach_m / config.reach_m) / config.reach_rel_sd
                parts.append(np.array([off]))
            known = prior if sleeve is not None else _with_hands(prior, geometry, config)
            thick = [one.miss(geometry, principal, config) for one in sides]
            return np.concatenate([*parts, thick, (params - known[:, 0]) / known[:, 1]])

        for yaw_deg in STARTS_DEG:
            start = np.r_[prior[:, 0], np.zeros(misses.n_own)]
            start[0] = np.deg2rad(yaw_deg)
            start[3] += np.log(np.cos(start[0]))
            # One that begins the wrong way round may run off to where numbers end.
            with np.errstate(all="ignore"):
                found = least_squares(
                    residuals, start, loss=_loss, x_scale="jac", max_nfev=config.max_steps
                )
            # A bar behind the camera would look the same, its ends the other way round.
            geometry = side_geometry(found.x[:n_params])
            if misses.centres_m(geometry, principal)[:, 2].min() > LEAST_DEPTH_M:
                fits.append((found, one.end, 2 * int(misses.read.sum())))
    if not fits:
        raise BarNotFoundError("No camera before which the bar lies would show it as it was read.")
    best, end, n_told = min(fits, key=lambda fit: fit[0].cost)
    # All that is sought has a prior of its own, so that there are as many misses to be had as
    # readings; the uncertainty grows as they do (the ratio of Birge 1932, from memory), but for
    # that of what was measured in the pictures and not read.
    wider = np.sqrt(max(2.0 * best.cost / (USUAL_LOSS * n_told), 1.0))
    slopes = best.jac.copy()
    slopes[len(slopes) - n_params - len(sides) : len(slopes) - n_params] *= wider
    draws = drawn(best.x, slopes, config)
    draws = best.x + wider * (draws - best.x)
    return Calibration(
        view=view,
        names=SIDE_PARAMETERS,
        params=best.x[:n_params],
        draws=draws[:, :n_params],
        principal_px=principal,
        plate_check_mm=np.nan,
        roll_source=level.roll_source,
        end="middle" if sleeve is None else end,
        far=False,
        scale_source=_words(sleeve, sides, config),
    )


def _with_hands(prior: Floats, geometry: SideGeometry, config: CalibrationConfig) -> Floats:
    """What is known beforehand, when the middle of both hands in the picture was followed.

    The nearer hand looks farther from the bar's middle than the other one, so that the middle of
    both in the picture lies nearer than that of the bar.
    """
    grip_m, sd_m = config.bare_hands_m
    aslant, distance_m = abs(geometry.across[2]), geometry.distance_m
    nearer_m = grip_m**2 * aslant / distance_m
    known = prior.copy()
    known[OUTLINE] = nearer_m, np.hypot(config.bare_uneven_m, 2 * nearer_m * sd_m / grip_m)
    return known


def _loss(squares: Floats) -> Floats:
    """Soft L1 of squared residuals but for the last, the priors' of `SIDE_PARAMETERS`: (3, n).

    As `least_squares` wants it: the loss and its first two derivatives.
    """
    root = np.sqrt(1.0 + squares)
    loss = np.array([2.0 * (root - 1.0), 1.0 / root, -0.5 / root**3])
    priors = slice(len(squares) - len(SIDE_PARAMETERS), None)
    loss[0, priors], loss[1, priors], loss[2, priors] = squares[priors], 1.0, 0.0
    return loss


def _words(
    sleeve: SleeveEnd | None, sides: Sequence[SleeveSides], config: CalibrationConfig
) -> str:
    bar = config.barbell
    if sides:
        which, how = ("Sleeves", "they look") if len(sides) > 1 else ("Sleeve", "it looks")
        return f"{which} of {bar.sleeve_mm:.0f} mm, by how thick {how}"
    if sleeve is None:
        return f"Bar of {bar.overall_mm:.0f} mm without plates and a phone's usual focal length"
    return f"Sleeve of {bar.sleeve_mm:.0f} mm, by the round face of its end"


def _sleeve_misses(
    sleeve: SleeveEnd,
    params: Floats,
    geometry: SideGeometry,
    depth_m: float,
    config: CalibrationConfig,
) -> list[Floats]:
    """Residuals of the sleeve's diameter, and of how much less the hands move than its end.

    `depth_m` is the depth of that end where it was measured.
    """
    bar = config.barbell
    # A fit may try an end behind the camera.
    end_m = max(depth_m, LEAST_DEPTH_M)
    hands_m = end_m + params[OUTLINE] * geometry.across[2]
    end_px = geometry.focal_px * 2 * bar.sleeve_radius_m / end_m
    sd = np.hypot(sleeve.rel_sd, config.sleeve_sd_mm / bar.sleeve_mm)
    off = [
        np.log(end_px / sleeve.diameter_px) / sd,
        (end_m / hands_m - sleeve.hands_share) / config.hands_share_sd,
    ]
    return [np.array(off)]


def _prior(
    focal_px: float, level: Level, config: CalibrationConfig, followed_m: tuple[float, float]
) -> Floats:
    """Mean and standard uncertainty of each of `SIDE_PARAMETERS`, (11, 2); the plate's are idle.

    `followed_m` says so of the way along the bar from what was followed to its middle.
    """
    return np.array(
        [
            (0.0, np.deg2rad(config.yaw_sd_deg)),
            level.pitch_rad(config.pitch_sd_deg),
            level.roll_rad(config.roll_sd_deg),
            (np.log(config.bare_distance_m - followed_m[0]), config.bare_distance_rel_sd),
            (np.log(focal_px), config.focal_rel_sd),
            (np.log(1e-3), 1e-3),
            (0.0, 1.0),
            (0.0, 1.0),
            (0.0, 1e-3),
            followed_m,
            (0.0, 1.0),
        ]
    )
