"""Roll, pitch and focal length from straight lines of the scenery in three directions.

Racks, walls, floors, mats and benches mostly run upright, along the room or across it, at right
angles to each other. Where uprights meet in the picture tells the pitch as a share of the focal
length, where level lines meet tells their product; together they tell either.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import OptimizeResult, least_squares

from barpath.clip.scene import FloatArray, SceneConfig
from barpath.ground.choice import best_index

_ROLL, _PITCH, _HEADING, _FOCAL, _BEND = range(5)
_N_ROUNDS = 12
_N_WIDE = 6


@dataclass(frozen=True)
class SceneGrid:
    """The camera as lines in three directions tell it.

    Attributes
    ----------
    roll_deg, roll_sd_deg, pitch_deg, pitch_sd_deg : float
        As in `sceneroll.SceneRoll`, with standard uncertainties.
    f_px, f_rel_sd : float
        Focal length, and its standard uncertainty as a share of it.
    n_structures : tuple of float
        Structures that run upright, along the room and across it.
    share : float
        Of all lines, by their weight, how much runs in one of these directions.
    """

    roll_deg: float
    roll_sd_deg: float
    pitch_deg: float
    pitch_sd_deg: float
    f_px: float
    f_rel_sd: float
    n_structures: tuple[float, float, float]
    share: float

    def is_clear(self, config: SceneConfig) -> bool:
        """Whether so much of the scenery runs in these directions that they can be trusted."""
        level = self.n_structures[1:]
        return (
            min(level) >= config.grid_least_level
            and self.share >= config.grid_least_share
            and self.pitch_sd_deg <= config.grid_most_pitch_sd_deg
        )


def scene_grid(
    lines: ArrayLike,
    start_rad: tuple[float, float] | None,
    f_px: float,
    centre_px: tuple[float, float],
    config: SceneConfig,
) -> SceneGrid | None:
    """Fit roll, pitch, heading, focal length and bend of the lens to lines of all directions.

    Every line is an upright, one along the room, one across it, or none of them; which of them is
    found anew in every round, and those that could be either are left out. Uncertainties are the
    greater of the fit's own and of what the structures show that pull together.

    Parameters
    ----------
    lines
        End points, shape (n, 2, 2), image pixels.
    start_rad
        Roll and pitch to begin with, where uprights alone told them.
    f_px
        Focal length as guessed.
    centre_px
        Principal point.
    config
        Settings.

    Returns
    -------
    SceneGrid or None
        None where too few lines run in these directions.

    References
    ----------
    Hartley and Zisserman, Multiple View Geometry, 2nd ed., section 8.6 (focal length from vanishing
    points at right angles); Coughlan and Yuille, ICCV 1999 (scenes of three directions); White
    (1980), Econometrica 48:817-838 (uncertainty from what is left over); all from memory.
    """
    ends = np.asarray(lines, dtype=float).reshape(-1, 2, 2)
    if len(ends) < config.grid_least_lines:
        return None
    seen = _Lines.of(ends, f_px, centre_px, config)
    found = seen.begin(start_rad)
    for number in range(_N_ROUNDS):
        members = seen.members(found, 1.0 + 0.3 * max(0, _N_WIDE - number))
        if len(members.rows) < config.grid_least_lines:
            return None
        fit = least_squares(seen.residuals, found, loss="soft_l1", args=(members,))
        found = fit.x
    sd = seen.uncertainty(fit, members)
    lens_rad = np.radians(config.lens_sd_deg)
    n_structures = [float(members.share[members.kind == kind].sum()) for kind in range(3)]
    return SceneGrid(
        roll_deg=float(np.degrees(found[_ROLL])),
        roll_sd_deg=float(np.degrees(np.hypot(sd[_ROLL], lens_rad))),
        pitch_deg=float(np.degrees(found[_PITCH])),
        pitch_sd_deg=float(np.degrees(np.hypot(sd[_PITCH], lens_rad))),
        f_px=float(f_px * np.exp(found[_FOCAL])),
        f_rel_sd=float(sd[_FOCAL]),
        n_structures=(n_structures[0], n_structures[1], n_structures[2]),
        share=float(seen.weight[members.rows].sum() / seen.weight.sum()),
    )


@dataclass(frozen=True)
class _Members:
    """Lines that run in one of the three directions, and which structure each belongs to.

    Attributes
    ----------
    rows, kind : ndarray of int, shape (m,)
        Numbers of the lines, and of their directions: up, along, across.
    share : ndarray, shape (m,)
        Of its structure.
    alike : ndarray of bool, shape (m, m)
        Which lines belong to one structure.
    """

    rows: NDArray[np.intp]
    kind: NDArray[np.intp]
    share: FloatArray
    alike: NDArray[np.bool_]


@dataclass(frozen=True)
class _Lines:
    """Straight lines, to hold a camera against.

    Attributes
    ----------
    direction, place : ndarray, shape (n, 2)
        Unit vector, and the line's middle from the principal point in focal lengths as guessed.
    sigma : ndarray, shape (3, n)
        Standard deviation of its direction (rad) if it is an upright, along or across.
    weight : ndarray, shape (n,)
    """

    direction: FloatArray
    place: FloatArray
    sigma: FloatArray
    weight: FloatArray
    config: SceneConfig

    @classmethod
    def of(
        cls, ends: FloatArray, f_px: float, centre_px: tuple[float, float], config: SceneConfig
    ) -> Self:
        """Those of lines given by their end points, shape (n, 2, 2)."""
        vector = ends[:, 1] - ends[:, 0]
        length = np.linalg.norm(vector, axis=1)
        square_deg = (config.plumb_sd_deg, config.square_sd_deg, config.square_sd_deg)
        # End points of a detected line are good to about half a pixel.
        read = 0.5 * np.sqrt(2.0) / length
        return cls(
            direction=vector / length[:, None],
            place=(ends.mean(axis=1) - np.asarray(centre_px)) / f_px,
            sigma=np.hypot(np.radians(square_deg)[:, None], read),
            weight=np.sqrt(length),
            config=config,
        )

    def off(self, camera: FloatArray) -> FloatArray:
        """By how much each line misses each direction, (3, n), rad; NaN near where they meet."""
        place = self.place * np.exp(-camera[_FOCAL])
        # Brown's polynomial to its first order, undone: places, and directions there.
        inward = (1.0 - camera[_BEND] * (place**2).sum(axis=1))[:, None]
        turn = 2.0 * camera[_BEND] * place * (place * self.direction).sum(axis=1)[:, None]
        seen = self.direction * inward - turn
        axes = _axes(*camera[: _HEADING + 1])
        wanted = axes[:, None, :2] - axes[:, None, 2:] * place * inward
        across = wanted[..., 0] * seen[:, 1] - wanted[..., 1] * seen[:, 0]
        along = (wanted * seen).sum(axis=-1)
        angle = np.arctan2(across * np.where(along < 0, -1.0, 1.0), np.abs(along))
        return np.where(np.linalg.norm(wanted, axis=-1) < self.config.grid_near, np.nan, angle)

    def begin(self, start_rad: tuple[float, float] | None) -> FloatArray:
        """Camera that most lines agree on, by a search over pitch and heading."""
        roll, about = start_rad or (0.0, np.radians(10.0))
        reach_deg = 4.0 if start_rad else 25.0
        pitches = about + np.radians(np.arange(-reach_deg, reach_deg + 0.1, 2.0))
        headings = np.radians(np.arange(-45.0, 44.5, 1.0))
        score = np.array(
            [[self._agreement(np.array([roll, q, h, 0.0, 0.0])) for h in headings] for q in pitches]
        )
        i, j = best_index(score)
        return np.array([roll, pitches[i], headings[j], 0.0, 0.0])

    def _agreement(self, camera: FloatArray) -> float:
        missed = np.nan_to_num(np.abs(self.off(camera)) / self.sigma, nan=9.0).min(axis=0)
        return float(self.weight @ np.exp(-0.5 * (missed / 2.0) ** 2))

    def members(self, camera: FloatArray, widely: float) -> _Members:
        """Lines that run in one direction and no other, within so many times three deviations."""
        missed = np.nan_to_num(np.abs(self.off(camera)) / self.sigma, nan=np.inf)
        within = missed < 3.0 * widely
        rows = np.flatnonzero(within.sum(axis=0) == 1)
        kind = within[:, rows].argmax(axis=0)
        direction, place = self.direction[rows], self.place[rows]
        normal = np.column_stack([-direction[:, 1], direction[:, 0]])
        apart = np.abs(((place[None] - place[:, None]) * normal[:, None]).sum(axis=-1))
        alike = (apart < self.config.grid_structure) & (kind[:, None] == kind)
        return _Members(rows, kind, 1.0 / alike.sum(axis=1), alike)

    def residuals(self, camera: FloatArray, members: _Members) -> FloatArray:
        """What lines and prior miss, in standard deviations."""
        where = members.kind, members.rows
        missed = np.nan_to_num(self.off(camera)[where]) / self.sigma[where]
        config = self.config
        prior = [
            camera[_PITCH] / np.radians(config.pitch_sd_deg),
            camera[_FOCAL] / config.focal_rel_sd,
            camera[_BEND] / config.lens_bend_sd,
        ]
        return np.concatenate([missed * np.sqrt(members.share), prior])

    def uncertainty(self, fit: OptimizeResult, members: _Members) -> FloatArray:
        """Standard uncertainties of the camera, (5,)."""
        inverse = np.linalg.inv(fit.jac.T @ fit.jac)
        off = self.residuals(fit.x, members)[: len(members.rows)]
        free = max(float(members.share.sum()) - len(fit.x), 1.0)
        usual = np.diag(inverse) * max(1.0, float(off @ off) / free)
        pulls = fit.jac[: len(off)] * off[:, None]
        # Lines of one structure err alike.
        together = pulls.T @ members.alike @ pulls
        shown = np.diag(inverse @ together @ inverse)
        return np.asarray(np.sqrt(np.maximum(usual, shown)))


def _axes(roll: float, pitch: float, heading: float) -> FloatArray:
    """Directions up, along and across in camera axes (right, down, forward), (3, 3)."""
    up = np.array([-np.cos(pitch) * np.sin(roll), -np.cos(pitch) * np.cos(roll), -np.sin(pitch)])
    forward = np.array([0.0, 0.0, 1.0]) + np.sin(pitch) * up
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, up)
    turn, keep = np.sin(heading), np.cos(heading)
    return np.stack([up, keep * forward + turn * right, keep * right - turn * forward])
