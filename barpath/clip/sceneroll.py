"""How the camera was rolled and pitched, as long straight lines of the scenery tell it.

`scene_roll` finds the image's vertical vanishing point from them, and where much of the scenery
runs in three directions at right angles (`scenegrid`), the focal length as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from barpath.clip.scene import FloatArray, SceneConfig, apply_transform
from barpath.clip.scenegrid import scene_grid
from barpath.clip.scenelines import line_segments, merge_lines
from barpath.errors import OptionError
from barpath.ground.choice import best_index


@dataclass(frozen=True)
class SceneRoll:
    """The camera's roll as told by straight lines of the scenery.

    Unpacks as ``roll_deg, sd_deg, n_lines, reason``.

    Attributes
    ----------
    roll_deg
        Angle by which the image's content must be turned to be level, positive from +x toward +y
        (clockwise on the screen): a direction measured at ``a`` degrees in the image at its centre
        truly points to ``a + roll_deg``. NaN when there is too little to go by.
    sd_deg
        One standard uncertainty.
    n_lines
        Number of distinct near-vertical lines that agree.
    reason
        Why the roll is missing; empty otherwise.
    pitch_deg, pitch_sd_deg
        Downward pitch of the camera, and its standard uncertainty.
    f_px
        Focal length with which the pitch was found.
    centre_px
        Principal point ``(x, y)``.
    f_rel_sd
        Standard uncertainty of `f_px` as a share of it; NaN where it was not found but guessed.
    """

    roll_deg: float
    sd_deg: float
    n_lines: int
    reason: str
    pitch_deg: float
    pitch_sd_deg: float
    f_px: float
    centre_px: tuple[float, float]
    f_rel_sd: float = float("nan")

    def __iter__(self) -> Iterator[Any]:
        return iter((self.roll_deg, self.sd_deg, self.n_lines, self.reason))


def up_direction(roll: SceneRoll, x_px: ArrayLike, y_px: ArrayLike) -> FloatArray:
    """Return the unit vector in the image that points straight up in the world at given points.

    A pinhole camera pitched down by q and rolled by r sees the world's upward direction at the
    point p as ``cos q (-sin r, -cos r) + sin q (p - c) / f`` (the line through p and the vertical
    vanishing point; Hartley and Zisserman, Multiple View Geometry, 2nd ed., section 8.6).

    Parameters
    ----------
    roll
        What `scene_roll` returned.
    x_px, y_px
        Points in the image, any common shape.

    Returns
    -------
    ndarray of shape (..., 2)
        Unit vectors; NaN when the roll is missing.

    Examples
    --------
    >>> rolled = SceneRoll(30.0, 0.3, 4, "", 0.0, 5.0, 1000.0, (640.0, 360.0))
    >>> up_direction(rolled, 100.0, 100.0).round(3).tolist()
    [-0.5, -0.866]
    """
    p = np.stack(np.broadcast_arrays(x_px, y_px), axis=-1).astype(float)
    r, q = np.radians(roll.roll_deg), np.radians(roll.pitch_deg)
    return _up(p - np.asarray(roll.centre_px), r, q, roll.f_px)


def _up(offset_px: FloatArray, r: float, q: float, f_px: float) -> FloatArray:
    """Return the unit upward direction at offsets from the principal point."""
    direction = np.cos(q) * np.array([-np.sin(r), -np.cos(r)]) + np.sin(q) * offset_px / f_px
    return direction / np.linalg.norm(direction, axis=-1, keepdims=True)


def scene_roll(
    images: Iterable[Any],
    f_px: float | None = None,
    config: SceneConfig | None = None,
    transforms: Sequence[ArrayLike] | FloatArray | None = None,
) -> SceneRoll:
    """Find the camera's roll from long straight structures of the scenery.

    Edges of rack uprights, walls and doors are vertical in the world. A camera that looks down sees
    them lean apart, so their mean lean is the roll only when they lie evenly about the middle;
    roll and pitch are therefore fitted together (the vertical vanishing point). Near-horizontal
    lines, which perspective tilts, only weigh in lightly.

    Parameters
    ----------
    images
        A few frames or images of one clip, ``uint8 (H, W, 3)`` RGB or ``(H, W)``; a line must be
        found in at least half of them, which leaves out what moves.
    f_px
        Focal length in pixels; by default 0.85 of the longer side, which is usual for a phone's
        main camera (common practice, no source). The roll hardly depends on it.
    config
        Settings.
    transforms
        One image-to-steadied transform per image; the roll then holds in the steadied image.

    Returns
    -------
    SceneRoll
        With NaN and a reason when the lines do not determine the roll.
    """
    config = config or SceneConfig()
    pictures = [getattr(item, "image", item) for item in images]
    if not pictures:
        raise OptionError("At least one image is needed to find the camera's roll.")
    height, width = pictures[0].shape[:2]
    f_px = 0.85 * max(height, width) if f_px is None else float(f_px)
    centre = ((width - 1) / 2.0, (height - 1) / 2.0)
    found: list[FloatArray] = []
    for number, picture in enumerate(pictures):
        segments = line_segments(picture, config)
        if transforms is not None:
            segments = apply_transform(transforms[number], segments)
        found.append(segments)
    steep = merge_lines(found, config, height, width, vertical=True)
    flat = merge_lines(found, config, height, width, vertical=False)
    level = roll_from_lines(steep, flat, f_px, centre, config)
    every = merge_lines(found, config, height, width, vertical=None)
    return with_grid(level, every, config)


def with_grid(level: SceneRoll, lines: ArrayLike, config: SceneConfig) -> SceneRoll:
    """Roll, pitch and focal length as lines of all directions tell them, where they clearly do.

    Parameters
    ----------
    level
        From `roll_from_lines`; what remains where they do not.
    lines
        As end points, shape (n, 2, 2), image pixels.
    config
        Settings.

    Returns
    -------
    SceneRoll
    """
    begin = np.radians([level.roll_deg, level.pitch_deg]).tolist()
    start = (begin[0], begin[1]) if np.isfinite(begin).all() else None
    grid = scene_grid(lines, start, level.f_px, level.centre_px, config)
    if grid is None or not grid.is_clear(config):
        return level
    return replace(
        level,
        roll_deg=grid.roll_deg,
        sd_deg=grid.roll_sd_deg,
        n_lines=round(grid.n_structures[0]),
        reason="",
        pitch_deg=grid.pitch_deg,
        pitch_sd_deg=grid.pitch_sd_deg,
        f_px=grid.f_px,
        f_rel_sd=grid.f_rel_sd,
    )


def roll_from_lines(
    steep: ArrayLike,
    flat: ArrayLike,
    f_px: float,
    centre_px: tuple[float, float],
    config: SceneConfig | None = None,
) -> SceneRoll:
    """Fit roll and pitch to near-vertical lines, near-horizontal ones weighing in lightly.

    Parameters
    ----------
    steep, flat
        Lines as end points, shape (n, 2, 2), image pixels.
    f_px
        Focal length in pixels.
    centre_px
        Principal point.
    config
        Settings.

    Returns
    -------
    SceneRoll
        With NaN and a reason when the lines do not determine the roll.
    """
    config = config or SceneConfig()
    lines = np.asarray(steep, dtype=float).reshape(-1, 2, 2)

    def missing(reason: str, n_lines: int = 0) -> SceneRoll:
        nan = float("nan")
        return SceneRoll(nan, nan, n_lines, reason, nan, nan, f_px, centre_px)

    if len(lines) < 2:
        return missing("fewer than two long near-vertical lines were found")
    leans = _Leans.of(lines, _level_leans(flat), f_px, centre_px, config)
    start = leans.likeliest()
    fit = leans.fit_from(*start, np.ones(len(lines), bool))
    if fit is None:
        return missing("the near-vertical lines do not agree with each other")
    n_lines = int(fit.use.sum())
    if fit.n_structures < 1.5:
        return missing("the near-vertical lines all belong to one structure", n_lines)
    if leans.weight[fit.use].sum() < 0.4 * leans.weight.sum():
        return missing("the near-vertical lines do not agree with each other", n_lines)
    variance = leans.variance(fit, start) + np.radians(config.lens_sd_deg) ** 2
    sd_deg, pitch_sd_deg = (float(value) for value in np.degrees(np.sqrt(variance)))
    if sd_deg > 2.0:
        return missing("the near-vertical lines do not fix the roll to within two degrees", n_lines)
    return SceneRoll(
        float(np.degrees(fit.roll)),
        sd_deg,
        n_lines,
        "",
        float(np.degrees(fit.pitch)),
        pitch_sd_deg,
        f_px,
        centre_px,
    )


@dataclass(frozen=True)
class _RollFit:
    """Roll and pitch (rad) fitted to the lines in `use`, each counting as a `share` of one."""

    roll: float
    pitch: float
    use: NDArray[np.bool_]
    share: FloatArray
    jacobian: FloatArray

    @property
    def n_structures(self) -> float:
        """Upright structures that the lines belong to."""
        return float(self.share[self.use].sum())


@dataclass(frozen=True)
class _Leans:
    """How near-vertical lines lean, to hold a roll and a pitch against.

    Attributes
    ----------
    lean, sigma : ndarray, shape (n,)
        Angle from the picture's upright, and its standard deviation (rad).
    offset : ndarray, shape (n, 2)
        Middles of the lines from the principal point (px).
    weight : ndarray, shape (n,)
    level : float or None
        Roll that near-horizontal lines suggest (rad).
    """

    lean: FloatArray
    sigma: FloatArray
    offset: FloatArray
    weight: FloatArray
    level: float | None
    f_px: float
    centre_px: tuple[float, float]
    config: SceneConfig

    @classmethod
    def of(
        cls,
        lines: FloatArray,
        level: float | None,
        f_px: float,
        centre_px: tuple[float, float],
        config: SceneConfig,
    ) -> Self:
        """Those of lines given by their end points, shape (n, 2, 2)."""
        vector = lines[:, 0] - lines[:, 1]
        vector *= np.where(vector[:, 1:] > 0, -1.0, 1.0)
        length = np.linalg.norm(vector, axis=1)
        return cls(
            lean=np.arctan2(-vector[:, 0], -vector[:, 1]),
            # End points of a detected line are good to about half a pixel.
            sigma=np.hypot(np.radians(config.plumb_sd_deg), 0.5 * np.sqrt(2.0) / length),
            offset=lines.mean(axis=1) - np.asarray(centre_px),
            weight=np.sqrt(length),
            level=level,
            f_px=f_px,
            centre_px=centre_px,
            config=config,
        )

    def off(self, r: float, q: float) -> FloatArray:
        """How far each line leans off what a roll and a pitch make of an upright (rad)."""
        up = _up(self.offset, r, q, self.f_px)
        return self.lean - np.arctan2(-up[..., 0], -up[..., 1])

    def likeliest(self) -> tuple[float, float]:
        """Roll and pitch that most lines agree on, to half a degree."""
        rolls = np.radians(np.arange(-15.0, 15.01, 0.5))
        pitches = np.radians(np.arange(-30.0, 45.01, 2.5))
        usual = 2.0 * self.config.pitch_sd_deg
        score = np.array(
            [
                [
                    np.sum(self.weight * np.exp(-0.5 * (self.off(r, q) / (2.0 * self.sigma)) ** 2))
                    * np.exp(-0.5 * (q / np.radians(usual)) ** 2)
                    for q in pitches
                ]
                for r in rolls
            ]
        )
        i, j = best_index(score)
        return float(rolls[i]), float(pitches[j])

    def residuals(
        self, parameters: FloatArray, use: NDArray[np.bool_], share: FloatArray
    ) -> FloatArray:
        """What the fit makes small, in standard deviations."""
        parts = [self.off(*parameters)[use] / self.sigma[use] * np.sqrt(share[use])]
        parts.append(np.array([parameters[1] / np.radians(self.config.pitch_sd_deg)]))
        if self.level is not None:
            level_sd = np.radians(self.config.level_sd_deg)
            parts.append(np.array([(self.level - parameters[0]) / level_sd]))
        return np.concatenate(parts)

    def fit_from(self, r: float, q: float, available: NDArray[np.bool_]) -> _RollFit | None:
        """Fit to the lines that agree, from a first guess; None where fewer than two do."""
        share, fit, use = np.ones(len(self.lean)), None, available
        for _ in range(6):
            use = available & (np.abs(self.off(r, q)) < 3.0 * self.sigma)
            if use.sum() < 2:
                return None
            share = _structure_share(self.offset[:, 0], use, self.centre_px[0])
            fit = least_squares(self.residuals, [r, q], args=(use, share))
            r, q = (float(value) for value in fit.x)
        return None if fit is None else _RollFit(r, q, use, share, fit.jac)

    def variance(self, fit: _RollFit, start: tuple[float, float]) -> FloatArray:
        """Variances of roll and pitch (rad^2), the lens left out."""
        use, share = fit.use, fit.share
        covariance = np.linalg.inv(fit.jacobian.T @ fit.jacobian)
        off = self.off(fit.roll, fit.pitch)[use] / self.sigma[use]
        chi2 = np.sum(share[use] * off**2) / max(fit.n_structures - 1.0, 1.0)
        variance = np.diag(covariance) * max(1.0, chi2)
        # Leaving each structure out in turn shows how far the choice of lines decides the result
        # (jackknife; Efron and Tibshirani, An Introduction to the Bootstrap, chapter 11).
        structure = np.round(self.offset[:, 0] / (0.06 * self.centre_px[0]))
        left_out = [
            self.fit_from(*start, structure != number) for number in np.unique(structure[use])
        ]
        without = np.array([[kept.roll, kept.pitch] for kept in left_out if kept is not None])
        if len(without) > 1:
            deviation = without - without.mean(axis=0)
            spread = (1.0 - 1.0 / len(without)) * (deviation**2).sum(axis=0)
            variance = np.maximum(variance, spread)
        return variance


def _level_leans(flat: ArrayLike) -> float | None:
    """Return the roll suggested by near-horizontal lines (length-weighted median), or None."""
    lines = np.asarray(flat, dtype=float).reshape(-1, 2, 2)
    if len(lines) < 3:
        return None
    vector = lines[:, 1] - lines[:, 0]
    angle = np.arctan(vector[:, 1] / vector[:, 0])
    order = np.argsort(angle, kind="stable")
    total = np.cumsum(np.linalg.norm(vector, axis=1)[order])
    return -float(angle[order][np.searchsorted(total, 0.5 * total[-1])])


def _structure_share(x_px: FloatArray, use: NDArray[np.bool_], half_width: float) -> FloatArray:
    """Weigh lines so that the edges of one upright together count as one structure."""
    near = np.abs(x_px[:, None] - x_px[None, :]) < 0.06 * half_width
    return 1.0 / np.maximum((near & use[None, :]).sum(axis=1), 1)
