"""The arms that agree best with a problem, and how far they are known."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.optimize import least_squares

from barpath.space.armprior import SMALL
from barpath.space.armproblem import Problem

Floats = NDArray[np.float64]


def solve(
    problem: Problem, start: Floats | None = None, rounds: int | None = None
) -> tuple[Floats, Floats]:
    """Best values and the weights of the readings.

    Readings are reweighted as for Student's t distribution, so that a joint put on something else
    loses its pull (Lange, Little and Taylor 1989, Robust statistical modeling using the t
    distribution; from memory).
    """
    values = problem.prior.copy() if start is None else start
    nu = problem.config.degrees_of_freedom
    weight = np.ones(problem.seen_px.shape[:3])
    for _ in range(rounds or problem.config.n_rounds):
        found = least_squares(
            problem.flat,
            values,
            jac=problem.jacobian,
            method="lm",
            x_scale="jac",
            max_nfev=problem.config.n_steps,
            ftol=1e-5,
            xtol=1e-6,
            args=(weight,),
        )
        values = found.x
        miss = problem.misses(values, problem.arms(values)[0])
        robust = (nu + 2) / (nu + (miss**2).sum(axis=-1))
        plain = problem.given | ~np.isfinite(miss).all(axis=-1)
        weight = np.where(plain, 1.0, robust)
    return values, weight


def deviations(jacobian: Floats, n_draws: int, rng: np.random.Generator) -> Floats:
    """Deviations drawn from the inverse of J'J."""
    lower = np.linalg.cholesky(jacobian.T @ jacobian)
    noise = rng.standard_normal((jacobian.shape[1], n_draws))
    return solve_triangular(lower.T, noise, lower=False).T


def rest_of_frames(
    problem: Problem,
    values: Floats,
    draws: Floats,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, Floats]:
    """Arms of further frames, with what holds for the whole set as found.

    A draw of the set's constants moves these frames' swivels by their linear response.
    """
    n = problem.n_fixed
    held = np.r_[values[:n], problem.prior[n:]]
    spread = np.r_[np.full(n, SMALL), problem.prior_sd[n:]]
    fixed = replace(problem, prior=held, prior_sd=spread)
    here, weight = solve(fixed, held, rounds=3)
    jacobian = fixed.jacobian(here, weight)
    set_part, frame_part = jacobian[:, :n], jacobian[:, n:]
    inner = frame_part.T @ frame_part
    response = -np.linalg.solve(inner, frame_part.T @ set_part)
    own = problem.config.model_factor * deviations(frame_part, len(draws), rng)
    moved = draws[:, :n] - values[:n]
    swivels = here[n:] + moved @ response.T + own
    drawn = [
        problem.arms(np.r_[fixed_part, swivel])[0]
        for fixed_part, swivel in zip(draws[:, :n], swivels, strict=True)
    ]
    return problem.arms(here)[0], fixed.kept(weight), np.array(drawn)
