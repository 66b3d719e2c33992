"""What the joint network adds of its own where it does not see an elbow, or a shoulder well.

A network that was taught to be as near as it can on the whole states what is usual where it sees
nothing: its reading is a mean between what it sees and what it knows of lifters, and what it states
as covariance is what is left open after both. Taken for a measurement such a reading pulls every
lifter toward the usual, all the more the less was seen, and its pull is the same in all frames. So
it is taken for what it is: with `S` the stated covariance and `P` the spread of elbows among
lifters, a mean of both is off from the true place by the share ``S P^-1`` of the way to the usual
one (Bayes' rule for normal distributions, from memory). By that rule it would scatter less than
`S` about there; since the network's usual place is known no better than lifters' usual place at
all, its scatter is left as stated.

Shoulders are read leaning to the usual as well, in height: short arms' are read too low and long
arms' too high, by as much of the way as the rule says (0.045 +- 0.018 where it says 0.06; 96 made
clips from the side). Along the body nothing of the kind was found.
"""

import numpy as np
from numpy.typing import NDArray

from barpath.space.armprior import AT, ArmFitConfig
from barpath.space.armproblem import ELBOW, SHOULDER, Problem, problem_of
from barpath.space.armreadings import Merged, Spread, common_sd_m, covariance_m2

Floats = NDArray[np.float64]


def spread_of(seen: Merged, config: ArmFitConfig) -> Spread:
    """How readings spread about what the network is expected to state.

    Parameters
    ----------
    seen : Merged
        With n frames.
    config : ArmFitConfig

    Returns
    -------
    Spread
    """
    rows = np.arange(len(seen.time_s))
    stated = covariance_m2(seen, rows)
    common_m = common_sd_m(seen, stated, config)
    plain = Spread(stated, np.zeros((len(rows), 2, 2, 2)), np.zeros((len(rows), 2)), common_m)
    usual = usual_spread_m2(problem_of(seen, rows, plain, config))
    pull = pull_of(stated[:, :, ELBOW], usual, config.most_pull)
    pull[seen.given[:, :, ELBOW]] = 0.0
    height = stated[:, :, SHOULDER, 1, 1] / config.usual_arm_sd_m**2
    height = np.clip(np.nan_to_num(height), 0.0, config.most_pull)
    height[seen.given[:, :, SHOULDER]] = 0.0
    return Spread(stated, pull, height, common_m)


def usual_spread_m2(problem: Problem) -> Floats:
    """Spread of lifters' elbows in the picture with shoulders and bar as here, (n, 2, 2, 2).

    By how far to the side the elbow is turned, and how the arm's length is shared between upper arm
    and forearm; axes as in `armreadings.covariance_m2`, NaN where no camera saw the frame.
    """
    config, values = problem.config, problem.prior
    turned, shared = np.zeros((2, len(values)))
    turned[problem.n_fixed :] = np.deg2rad(config.usual_swivel_sd_deg)
    shared[[AT["log_upper"], AT["log_forearm"]]] = config.length_ratio_sd * np.array([0.5, -0.5])
    out = np.full((problem.n_frames, 2, 2, 2), np.nan)
    for view, sight in enumerate(problem.sights):
        rows = problem.view == view
        signs = np.column_stack([sight.across, [-1.0, -1.0]])
        out[rows] = config.usual_elbow_sd_m**2 * np.eye(2)
        for step in (turned, shared):
            ends = [problem.arms(values + sign * step)[0][rows][:, :, ELBOW] for sign in (1, -1)]
            away_px = sight.project(ends[0]) - sight.project(ends[1])
            away = away_px / sight.px_per_m(ends[0])[..., None] * signs / 2
            out[rows] += away[..., :, None] * away[..., None, :]
    return out


def pull_of(stated: Floats, usual: Floats, most: float) -> Floats:
    """Share of the way to the usual place by which readings are off.

    Parameters
    ----------
    stated, usual : ndarray, shape (..., 2, 2)
        Covariances in the same units; NaN where nothing was read.
    most : float
        Largest share: what is stated may be wider than what is usual.

    Returns
    -------
    ndarray, shape (..., 2, 2)
        0 where nothing was read.

    Examples
    --------
    Half of the variance of what is usual is left open: readings go half the way to the usual place.

    >>> pull_of(0.5 * np.eye(2), np.eye(2), 0.9).round(6).tolist()
    [[0.5, 0.0], [0.0, 0.5]]
    """
    pull = np.zeros_like(stated)
    read = np.isfinite(stated).all(axis=(-2, -1)) & np.isfinite(usual).all(axis=(-2, -1))
    root = np.linalg.cholesky(usual[read])
    back = np.linalg.inv(root)
    share, turn = np.linalg.eigh(back @ stated[read] @ np.swapaxes(back, -1, -2))
    share = np.clip(share, 0.0, most)[..., None, :]
    pull[read] = root @ (turn * share) @ np.swapaxes(turn, -1, -2) @ back
    return pull
