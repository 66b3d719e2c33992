"""The camera from a plate of known diameter and the bar's parts, seen from the side or aslant."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from barpath.errors import BarNotFoundError
from barpath.ground.uncertainty import MAD_TO_SD, pooled
from barpath.ground.view import SIDE
from barpath.space.barecamera import OUTLINE, SleeveEnd, SleeveSides, calibrate_bare
from barpath.space.barparts import BarMisses, BarReadings, is_bare
from barpath.space.discs import shape_matrix, shape_numbers_px, thick_discs
from barpath.space.fittedcamera import (
    Calibration,
    CalibrationConfig,
    Level,
    drawn,
    focal_guess_px,
    principal_point_px,
)
from barpath.space.pinhole import SIDE_PARAMETERS, SideGeometry, disc_centres, side_geometry

Floats = NDArray[np.float64]

N_PARAMS = len(SIDE_PARAMETERS)
LOG_DISTANCE, PLATE, THICKNESS = (
    SIDE_PARAMETERS.index(name) for name in ("log_distance", "log_plate", "thickness_m")
)
FARTHEST_M = 100.0
"""No set is filmed from farther away."""
LEAST_TO_SCATTER = 20
SMALL_PX = 1e-6


def calibrate_side(
    track: pd.DataFrame,
    width_px: int,
    height_px: int,
    *,
    roll_deg: float = np.nan,
    roll_sd_deg: float = np.nan,
    pitch_deg: float = np.nan,
    pitch_sd_deg: float = np.nan,
    view: str = SIDE.name,
    bar: Sequence[BarReadings] = (),
    config: CalibrationConfig | None = None,
) -> Calibration:
    """Fit camera and plane of motion to a plate of known diameter and to what is read of the bar.

    Parameters
    ----------
    track : DataFrame
        Plate table in steadied image coordinates.
    width_px, height_px : int
        Image size.
    roll_deg, roll_sd_deg : float
        Roll found in the scene with its standard uncertainty; NaN when none was found, then the
        phone is taken as held level within `config.roll_sd_deg`.
    pitch_deg, pitch_sd_deg : float
        Pitch found in the scene; NaN when none was.
    view : {'side', 'oblique'}
    bar : sequence of BarReadings
        For each end of the bar on which the plate may be; the one that fits better is taken.
    config : CalibrationConfig, optional

    Returns
    -------
    Calibration

    Raises
    ------
    BarNotFoundError
        When the plate's outline was seen in too few frames to give a scale.
    """
    config = config or CalibrationConfig()
    level = Level(roll_deg, roll_sd_deg, pitch_deg, pitch_sd_deg)
    size_px = (width_px, height_px)
    if is_bare(track):
        sides = SleeveSides.in_track(track)
        return calibrate_bare(size_px, level, view, bar, config, SleeveEnd.in_track(track), sides)
    outlines = _outlines(track, size_px, level, config)
    fits = outlines.fits(bar) or outlines.fits(())
    if not fits:
        raise BarNotFoundError(
            "No camera before which the plate lies would show its outline as it was seen."
        )
    doubtful, either = False, None
    others: list[_Fit] = []
    if fits[0].way.end:
        # The plate followed may be another than the one whose diameter was given; the bar tells.
        others = _in_front(outlines.fitted(fit.way, any_plate=True) for fit in fits[:2])
    if others:
        against = _against(fits[0], others[0], outlines, bar[0].reach_px)
        doubtful = against > config.other_plate_cost
        found_mm = 1000 * float(np.exp(others[0].values[PLATE]))
        hub = _is_hub(fits[0], outlines, bar[0].reach_px)
        if doubtful and found_mm < config.smallest_plate_mm and not hub:
            # No plate is so small: something else was taken for the bar.
            doubtful = False
            fits = outlines.fits(()) or fits
        elif doubtful and not config.is_like(found_mm):
            fits = others
        elif against > config.unsure_plate_cost:
            # Too little to go by the bar, which seen aslant is misread by as much as discs alike in
            # size differ, and too much to be sure of the plate.
            either = others[0]
    best = fits[0]
    return Calibration(
        view=view,
        names=SIDE_PARAMETERS,
        params=best.values[:N_PARAMS],
        draws=_draws_of(fits, either, config),
        principal_px=outlines.principal_px,
        plate_check_mm=found_mm if doubtful else np.nan,
        roll_source=level.roll_source,
        end=best.way.end,
        far=best.way.far,
    )


def _against(given: "_Fit", freed: "_Fit", outlines: "_Outlines", reach_px: float) -> float:
    """How much speaks against the given plate, by the bar and by the arms: half a sum of squares.

    No disc is larger than the largest that there is; a bar that says so was misread.
    """
    config = outlines.config
    plate_m = np.exp([given.values[PLATE], freed.values[PLATE]])
    if 1000 * plate_m[1] > 1.03 * max(config.largest_plate_mm, config.plate_mm):
        return 0.0
    # Readings may be worse than they say, the more so where they miss any bar: as Student's t has
    # it, which takes errors of unknown size.
    costs = config.usual_cost * np.log1p(np.array([given.cost, freed.cost]) / config.usual_cost)
    if not freed.way.far:
        costs += 0.5 * outlines.reach_off(plate_m, reach_px) ** 2
    return float(costs[0] - costs[1])


def _is_hub(given: "_Fit", outlines: "_Outlines", reach_px: float) -> bool:
    """Whether a plate's hub was followed: were it as large as the plate, arms would be too long."""
    off = outlines.reach_off(np.exp(given.values[PLATE]), reach_px)
    return not given.way.far and bool(off > outlines.config.most_reach_off)


@dataclass(frozen=True)
class _Way:
    """How bar and camera may stand to each other: where a fit starts.

    `sign` says which way the bar is turned, `away` is 1 when the other end than the plate's is
    farther from the camera, else -1; `end` and `far` are as in `Calibration`.
    """

    misses: BarMisses | None
    sign: float
    away: float
    end: str
    far: bool | None


@dataclass(frozen=True)
class _Fit:
    """Values found from one start: the camera's, then those of `BarMisses`."""

    way: _Way
    values: Floats
    jacobian: Floats
    cost: float
    in_front: bool


def _in_front(fits: Iterable[_Fit]) -> list[_Fit]:
    """The fits whose plate lies before the camera, best first.

    What lies behind a pinhole is imaged as well by its equations, upside down; no camera sees it.
    """
    return sorted((fit for fit in fits if fit.in_front), key=lambda fit: fit.cost)


class _Seen(NamedTuple):
    """World axes of a camera, what outlines miss by it, and the bar's plate in its frames."""

    geometry: SideGeometry
    outline_misses: Floats
    bar_m: Floats | None


@dataclass(frozen=True)
class _Outlines:
    """A plate's outlines in the picture, (n,) each, and what is known of the camera beforehand.

    `prior` holds mean and standard uncertainty of each of `SIDE_PARAMETERS`, but for `outline_m`
    of what that is less half the thickness: where the plates' inner face is. `whitener` turns what
    a number of their shapes is off in each look, px, into independent parts of unit variance.
    """

    ellipse_px: Floats
    major_px: Floats
    minor_px: Floats
    angle_deg: Floats
    focal_px: float
    principal_px: Floats
    prior: Floats
    whitener: Floats
    config: CalibrationConfig

    def reach_off(self, plate_m: ArrayLike, reach_px: float) -> Floats:
        """How far the arms' reach is from the usual, in its sd, if the plate is so large.

        0 where it was not seen.
        """
        reach_m = reach_px / float(np.median(self.major_px)) * np.asarray(plate_m)
        off = np.log(reach_m / self.config.reach_m) / self.config.reach_rel_sd
        return np.where(np.isfinite(off), off, 0.0)

    def ways(self, bar: Sequence[BarReadings]) -> list[_Way]:
        """All ways in which the bar may stand; without its readings, both turns of the plate."""
        found = []
        scale_px = float(np.median(self.major_px)) / (self.config.plate_mm / 1000)
        for one in bar:
            misses = BarMisses(one, scale_px, self.config)
            if misses.n_frames >= self.config.least_bar_frames:
                found += [
                    _Way(misses, sign, away, one.end, away < 0)
                    for sign in (1.0, -1.0)
                    for away in (1.0, -1.0)
                ]
        return found or [_Way(None, sign, 1.0, "", None) for sign in (1.0, -1.0)]

    def fits(self, bar: Sequence[BarReadings]) -> list[_Fit]:
        """The best cameras of all ways in which the bar may stand, best first."""
        return _in_front(self.fitted(way) for way in self.ways(bar))

    def fitted(self, way: _Way, *, any_plate: bool = False) -> _Fit:
        """The best camera from one start; `any_plate` frees the plate's diameter.

        Where steps too large have turned the plane to behind the camera, which shows the same
        outline, it is turned back and the search goes on from there.
        """
        sd = self.prior[:, 1].copy()
        if any_plate:
            sd[PLATE] = self.config.any_plate_rel_sd
        tilt = float(np.arccos(np.clip(np.median(self.minor_px / self.major_px), 0.05, 1.0)))
        distance = self.focal_px * (self.config.plate_mm / 1000) / np.median(self.major_px)
        start = np.r_[self.prior[:, 0], np.zeros(0 if way.misses is None else way.misses.n_own)]
        start[0] = way.sign * max(tilt, 0.02)
        start[LOG_DISTANCE] = np.log(distance * np.cos(tilt))
        start[OUTLINE] += start[THICKNESS] / 2
        fit = self._fitted_from(start, way, sd)
        if fit.in_front or abs(fit.values[LOG_DISTANCE]) > np.log(FARTHEST_M):
            return fit
        start = fit.values.copy()
        start[0] -= np.pi * np.round(start[0] / np.pi)
        return self._fitted_from(start, way, sd)

    def _fitted_from(self, start: Floats, way: _Way, sd: Floats) -> _Fit:
        """The best camera from given values; `sd` is how well each is known beforehand."""

        # Of the values that derivatives are taken by most are the bar's own, and the camera stays.
        @lru_cache(maxsize=1)
        def seen(params: bytes) -> _Seen:
            return self.seen(np.frombuffer(params), way)

        # One that begins the wrong way round may run off to where numbers end.
        with np.errstate(all="ignore"):
            found = least_squares(
                self.residuals,
                start,
                loss="soft_l1",
                x_scale="jac",
                ftol=1e-6,
                xtol=1e-6,
                max_nfev=self.config.max_steps,
                args=(way, sd, seen),
            )
            geometry = side_geometry(found.x[:N_PARAMS])
            centres = disc_centres(geometry, self.ellipse_px, self.principal_px)
        in_front = bool((centres[:, 2] > 0).all())
        return _Fit(way, found.x, found.jac, found.cost, in_front)

    def seen(self, params: Floats, way: _Way) -> _Seen:
        """What comes of the camera's values, whatever the bar's own are."""
        geometry = side_geometry(params)
        centres = disc_centres(geometry, self.ellipse_px, self.principal_px)
        shape = thick_discs(
            centres,
            geometry.across,
            geometry.radius_m,
            params[THICKNESS],
            self.config.edge_m,
            geometry.focal_px,
        )
        predicted = shape_numbers_px(shape, self.major_px / 2)
        turned = self.angle_deg - np.rad2deg(params[10])
        true_shape = shape_matrix(self.major_px - params[6], self.minor_px - params[7], turned)
        observed = shape_numbers_px(true_shape, self.major_px / 2)
        bar = None if way.misses is None else way.misses.centres_m(geometry, self.principal_px)
        misses = self.whitener @ (predicted - observed)
        return _Seen(geometry, misses.ravel(), bar)

    def residuals(
        self, values: Floats, way: _Way, sd: Floats, seen: Callable[[bytes], _Seen]
    ) -> Floats:
        """What outlines, prior and bar miss, in units of their standard uncertainties."""
        params = values[:N_PARAMS]
        camera = seen(params.tobytes())
        known = params.copy()
        known[OUTLINE] -= params[THICKNESS] / 2
        parts = [camera.outline_misses, (known - self.prior[:, 0]) / sd]
        if way.misses is not None and camera.bar_m is not None:
            own = values[N_PARAMS:]
            parts += way.misses(
                params, camera.geometry, camera.bar_m, own, self.principal_px, way.away
            )
        return np.concatenate(parts)


def _outlines(
    track: pd.DataFrame, size_px: tuple[int, int], level: Level, config: CalibrationConfig
) -> _Outlines:
    columns = ["x_px", "y_px", "major_px", "minor_px", "angle_deg"]
    usable = track[columns].notna().all(axis=1).to_numpy()
    seen = usable & (track["state"] == "seen").to_numpy()
    usable = seen if seen.sum() >= 5 else usable
    if usable.sum() < 3:
        raise BarNotFoundError(
            "The plate's outline was seen in too few frames to give a scale in metres."
        )
    share = float(track.loc[usable, "outline_share"].median()) if "outline_share" in track else 1.0
    table = track.loc[usable, columns].to_numpy(dtype=float)
    scatter_px = _scatter_px(table[:, :2], *table[:, 2:].T)
    sd_px = config.outline_sd_px * max(scatter_px / config.outline_scatter_px, 1.0)
    thickness_m = _thickness_m(track[usable], config)
    table = _by_height(table, config.n_outlines)
    focal = focal_guess_px(config, *size_px)
    return _Outlines(
        ellipse_px=table[:, :2],
        major_px=table[:, 2],
        minor_px=table[:, 3],
        angle_deg=table[:, 4],
        focal_px=focal,
        principal_px=principal_point_px(*size_px),
        prior=_prior(np.median(table[:, 2:4], axis=0), share, focal, level, config, thickness_m),
        whitener=_whitener(table[:, 1], sd_px, config.outline_creep_px),
        config=config,
    )


def _whitener(height_px: Floats, sd_px: float, creep_px: float) -> Floats:
    """Root of the inverse covariance of what outlines at some heights are off, (n, n).

    What is behind the plate changes with its height, so that part of the error goes evenly with it,
    to `creep_px` at either end of the way. The symmetric root leaves each outline's part mostly its
    own, so that one that was badly found is told by the loss.
    """
    along = height_px - height_px.mean()
    along /= max(np.abs(along).max(), SMALL_PX)
    length = np.linalg.norm(along)
    way = along / max(length, SMALL_PX)
    shrunk = 1.0 / np.hypot(1.0, creep_px / sd_px * length)
    return (np.eye(len(along)) - (1.0 - shrunk) * np.outer(way, way)) / sd_px


def _thickness_m(track: pd.DataFrame, config: CalibrationConfig) -> tuple[float, float]:
    """Thickness of the plates and its uncertainty: the usual one, and by what shows of both faces.

    A disc of thickness t seen at an angle to its axis whose sine is s shows its faces t s apart.
    """
    usual = config.thickness_m
    if "apart_px" not in track or track["apart_px"].isna().all():
        return usual
    apart = float((track["apart_px"] / track["major_px"]).median())
    round_as = float((track["minor_px"] / track["major_px"]).median()) - apart
    sine = max(np.sqrt(max(1.0 - round_as**2, 0.0)), 0.01)
    aslant_m = config.plate_mm / 1000 / sine
    return pooled(usual, (apart * aslant_m + 2 * config.edge_m, config.apart_sd * aslant_m))


def _by_height(outlines: Floats, n_heights: int) -> Floats:
    """Outlines of frames with the plate about equally high taken together, (n, 5).

    Errors of neighbouring frames are alike, so that n frames do not count as n looks.
    """
    low_first = outlines[np.argsort(outlines[:, 1], kind="stable")]
    together = []
    for group in np.array_split(low_first, min(n_heights, len(outlines))):
        shape = np.median(shape_matrix(*group[:, 2:].T), axis=0)
        half_axes, ways = np.linalg.eigh(shape)
        minor_px, major_px = 2 * np.sqrt(half_axes)
        angle_deg = np.rad2deg(np.arctan2(ways[1, 1], ways[0, 1]))
        together.append([*np.median(group[:, :2], axis=0), major_px, minor_px, angle_deg])
    return np.array(together)


def _scatter_px(places_px: Floats, major_px: Floats, minor_px: Floats, angle_deg: Floats) -> float:
    """How much an outline's shape scatters that its place in the picture does not account for.

    A rigid plate in its plane of motion looks alike again wherever it comes by again, and its shape
    changes evenly with its place; the rest is how badly the outline was found. Of the numbers that
    say the shape the largest standard deviation is given, from the median of the absolute
    deviations; 0 where there are too few frames to tell.
    """
    if len(places_px) < LEAST_TO_SCATTER:
        return 0.0
    plane = np.column_stack([np.ones(len(places_px)), places_px - places_px.mean(axis=0)])
    shape = shape_matrix(major_px, minor_px, angle_deg)
    numbers_px = shape_numbers_px(shape, np.full(len(shape), np.median(major_px) / 2))
    off = numbers_px - plane @ np.linalg.lstsq(plane, numbers_px, rcond=None)[0]
    return float((MAD_TO_SD * np.median(np.abs(off), axis=0)).max())


def _prior(
    sizes_px: Floats,
    share: float,
    focal_px: float,
    level: Level,
    config: CalibrationConfig,
    thickness_m: tuple[float, float],
) -> Floats:
    """Mean and standard uncertainty of what `_Outlines.prior` says, (11, 2).

    `share` is how much of the outline shows, 0..1.
    """
    # Blur and shading shift the outline alike in all frames; aslant it is seen here of the one and
    # there of the other of a thick plate's rims.
    slant = np.sqrt(max(1.0 - (sizes_px[1] / sizes_px[0]) ** 2, 0.0))
    biases = -config.outline_inset * sizes_px
    bias_rel = config.outline_inset_sd + slant * np.array(config.slant_inset_sd)
    shares, sds = np.transpose(config.outline_part_sd)
    part_sd = np.interp(share if np.isfinite(share) else 1.0, shares, sds)
    bias_rel = np.hypot(bias_rel, part_sd)
    bias_sd = np.hypot(config.outline_bias_sd_px, bias_rel * sizes_px)
    # What is off by so much in size may be off by as much aslant, which turns a rounder one more.
    turn_sd = np.hypot(np.deg2rad(config.slant_turn_sd_deg), part_sd / max(slant**2, 0.05))
    return np.array(
        [
            (0.0, np.deg2rad(config.yaw_sd_deg)),
            level.pitch_rad(config.pitch_sd_deg),
            level.roll_rad(config.roll_sd_deg),
            (0.0, np.inf),
            (np.log(focal_px), config.focal_rel_sd),
            (np.log(config.plate_mm / 1000), config.plate_sd_mm / config.plate_mm),
            (biases[0], bias_sd[0]),
            (biases[1], bias_sd[1]),
            thickness_m,
            config.inner_face_m,
            (0.0, turn_sd),
        ]
    )


def _draws_of(fits: Sequence[_Fit], either: _Fit | None, config: CalibrationConfig) -> Floats:
    """Cameras drawn from the best fit, and from the next by the odds that it is the true one.

    A circle seen at a slant looks alike from both sides: both are kept where the fit cannot tell.
    Half of all are from `either`, where it may as well be.
    """

    def cameras(fit: _Fit) -> Floats:
        # Where outline and bar disagree by more than is usual, either may be wrong, and the camera
        # is known the less (the ratio of Birge 1932, from memory).
        wider = np.sqrt(max(fit.cost / config.usual_cost, 1.0))
        draws = drawn(fit.values, fit.jacobian, config)
        return (fit.values + wider * (draws - fit.values))[:, :N_PARAMS]

    draws = cameras(fits[0])
    if len(fits) > 1:
        odds = np.exp(-np.clip(fits[1].cost - fits[0].cost, 0, 50))
        n_other = round(config.n_draws * odds / (1 + odds))
        if n_other:
            draws[:n_other] = cameras(fits[1])[:n_other]
    if either is not None:
        draws[::2] = cameras(either)[::2]
    return draws
