"""The lifter's arms recovered from bar, body and time together.

The joint network says where joints are in the picture, and how well it knows that; what is behind
a plate or a thigh it knows less well. What is known besides is strong: the hands are on the bar,
whose path is measured to a millimetre; upper arm and forearm keep their lengths over the set; the
shoulders hardly move on the bench; the elbow turns about the line from shoulder to wrist and does
so smoothly. One robust least-squares fit over the whole set finds the arms that agree with all of
it, and its covariance says how far they are known. Two clips of one set, from the feet and from the
side, are fitted at once: they share everything but their cameras and the network's errors.

World axes as in `sights`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.space.armguess import spread_of
from barpath.space.armprior import AT, ArmFitConfig
from barpath.space.armproblem import problem_of
from barpath.space.armreadings import chosen_frames, merged
from barpath.space.armsolve import deviations, rest_of_frames, solve
from barpath.space.sights import FITTED, SIDES, Instants, Sight, Sighting

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ArmFit:
    """Arms of a set.

    Attributes
    ----------
    frame : ndarray of int, shape (n,)
        -1 at instants without a frame.
    view : ndarray of int, shape (n,)
        Which sighting the frame is of; -1 at instants without a frame.
    time_s : ndarray, shape (n,)
        In order.
    points_m : ndarray, shape (n, 2, 4, 3)
        World coordinates by frame, side (`SIDES`) and joint (`FITTED`).
    draws_m : ndarray, shape (k, n, 2, 4, 3)
        Arms drawn from the fit's covariance; their spread is the uncertainty, their togetherness
        the correlation between joints and frames.
    upper_arm_m, forearm_m, grip_width_m, shoulder_width_m : tuple of float
        Value and standard uncertainty.
    kept : ndarray, shape (n, 2, 6)
        Weight, 0 to 1, that each reading (`SEEN`) kept against all else; NaN where none was.
    cost : float
        Half the sum of squares that was made least, robust for the readings; the lower of two fits
        to the same readings agrees better.
    misfit : float
        Root mean square of the readings' distances from the arms, in units of their scatter.
    sights : tuple of Sight
        The cameras, as turned by the fit.
    """

    frame: NDArray[np.int64]
    view: NDArray[np.int64]
    time_s: Floats
    points_m: Floats
    draws_m: NDArray[np.floating[Any]]
    upper_arm_m: tuple[float, float]
    forearm_m: tuple[float, float]
    grip_width_m: tuple[float, float]
    shoulder_width_m: tuple[float, float]
    kept: Floats
    cost: float
    misfit: float
    sights: tuple[Sight, ...]

    def sd_m(self) -> NDArray[np.floating[Any]]:
        """Standard uncertainty per world axis, shape (n, 2, 4, 3)."""
        return self.draws_m.std(axis=0)


def fit_arms(
    sightings: Sequence[Sighting],
    config: ArmFitConfig | None = None,
    also: Instants | None = None,
) -> ArmFit | None:
    """Fit both arms to a set.

    Parameters
    ----------
    sightings : sequence of Sighting
        Of one camera, or of two that saw the same set.
    config : ArmFitConfig, optional
    also : Instants, optional
        Further instants at which the arms are wanted.

    Returns
    -------
    ArmFit or None
        None when fewer than five frames hold readings of any arm.
    """
    config = config or ArmFitConfig()
    seen = merged(sightings, also)
    known = np.all(np.isfinite(seen.bar_m), axis=1)
    read = np.all(np.isfinite(seen.readings_px), axis=-1)
    if (known & read[:, :, :2].any(axis=(1, 2))).sum() < 5:
        return None
    spread = spread_of(seen, config)
    by_hand = np.asarray(seen.given.any(axis=(1, 2)))
    chosen = chosen_frames(known, seen.view, seen.bar_m[:, 1], config.max_frames, by_hand)
    problem = problem_of(seen, chosen, spread, config)
    # With the cameras free from the start an arm may settle bent the wrong way round.
    values, _ = solve(problem.with_stiff_cameras(), rounds=1)
    values, weight = solve(problem, values)
    jacobian = problem.jacobian(values, weight)
    rng = np.random.default_rng(config.seed)
    draws = values + config.model_factor * deviations(jacobian, config.n_draws, rng)
    points = np.full((len(seen.time_s), 2, len(FITTED), 3), np.nan)
    kept = np.full(read.shape, np.nan)
    # Long sets have thousands of frames: single precision is far finer than the arms are known.
    drawn = np.full((config.n_draws, *points.shape), np.nan, dtype=np.float32)
    points[chosen], kept[chosen] = problem.arms(values)[0], problem.kept(weight)
    drawn[:, chosen] = [problem.arms(draw)[0] for draw in draws]
    rest = np.setdiff1d(np.flatnonzero(known), chosen)
    for part in np.array_split(rest, -(-len(rest) // config.max_frames)) if len(rest) else ():
        piece = problem_of(seen, part, spread, config)
        points[part], kept[part], drawn[:, part] = rest_of_frames(piece, values, draws, rng)
    first, last = draws[:, :2], draws[:, AT["left_grip"] :][:, :2]
    shoulders = draws[:, AT["left_shoulder_z"]] - draws[:, AT["right_shoulder_z"]]
    return ArmFit(
        frame=seen.frame,
        view=seen.view,
        time_s=seen.time_s,
        points_m=points,
        draws_m=drawn,
        upper_arm_m=(float(np.exp(values[0])), float(np.exp(first[:, 0]).std())),
        forearm_m=(float(np.exp(values[1])), float(np.exp(first[:, 1]).std())),
        grip_width_m=(
            float(values[AT["left_grip"] :][:2].sum()),
            float(last.sum(axis=1).std()),
        ),
        shoulder_width_m=(
            float(values[AT["left_shoulder_z"]] - values[AT["right_shoulder_z"]]),
            float(shoulders.std()),
        ),
        kept=kept,
        cost=problem.cost(values),
        misfit=float(np.sqrt(np.nanmean(problem.misses(values, points[chosen]) ** 2))),
        sights=tuple(problem.turned(values)),
    )


def arm_table(fit: ArmFit, to_image: Floats) -> pd.DataFrame:
    """The arms fitted to one camera's clip as a table, in the image and in the world.

    Parameters
    ----------
    fit : ArmFit
    to_image : ndarray, shape (n, 2, 3)
        Steadied image to the frame's own.

    Returns
    -------
    DataFrame
        `frame`, `time_s` and for both sides and each of `FITTED` `{side}_{joint}_x_px, _y_px` in
        the image, `_x_m, _y_m, _z_m` in the world, `_sd_m` (standard uncertainty in the picture's
        plane, the worse axis) and `_confidence`, which falls from 1 as that grows, to one half at
        5 cm.
    """
    sight = fit.sights[0]
    px = sight.project(fit.points_m)
    px = np.einsum("nij,nabj->nabi", to_image[:, :, :2], px) + to_image[:, None, None, :, 2]
    scale = sight.px_per_m(fit.points_m)
    sd_px = [sight.project(fit.draws_m[:, k]).std(axis=0) for k in range(len(fit.frame))]
    sd_m = np.max(sd_px, axis=-1) / scale
    parts: dict[str, Any] = {"frame": fit.frame, "time_s": fit.time_s}
    for a, side in enumerate(SIDES):
        for j, joint in enumerate(FITTED):
            name = f"{side}_{joint}"
            for k, axis in enumerate("xy"):
                parts[f"{name}_{axis}_px"] = px[:, a, j, k]
            for k, axis in enumerate("xyz"):
                parts[f"{name}_{axis}_m"] = fit.points_m[:, a, j, k]
            parts[f"{name}_sd_m"] = sd_m[:, a, j]
            parts[f"{name}_confidence"] = 1.0 / (1.0 + (sd_m[:, a, j] / 0.05) ** 2)
    return pd.DataFrame(parts)
