"""The arms in three dimensions from several views of the same set.

The arms come from one fit to all clips (`armfit`); here they are taken at the instants that
matter, called moments: bottom, sticking point and lockout of each repetition. The hips, found from
what the network reads of them in all views, give the trunk, and with it come the angles that are
asked for.

World axes, metres, origin in the bar's middle at the first lockout: x toward the lifter's head, y
up, z toward the lifter's left.

Angles follow the recommendation of the International Society of Biomechanics (Wu et al. 2005, J.
Biomech. 38:981-992) for the thorax and the humerus, with the thorax's long axis taken from the
middle of the shoulder joints to the middle of the hip joints, since its landmarks cannot be seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import least_squares

from barpath.space.armfit import ArmFit
from barpath.space.sights import OUTWARD, Sight

Floats = NDArray[np.float64]

JOINTS = ("shoulder", "elbow", "wrist")


@dataclass(frozen=True)
class Seen:
    """Where one view shows the hips.

    Attributes
    ----------
    sight : Sight
        Its camera.
    place_px : ndarray, shape (2, 2)
        Left and right hip in the picture; NaN where not seen.
    sd_m : ndarray, shape (2,)
        Standard uncertainty per axis.
    """

    sight: Sight
    place_px: Floats
    sd_m: Floats


@dataclass(frozen=True)
class HipConfig:
    """What is known of hips on a bench: means and standard uncertainties.

    Common practice, no source.

    Attributes
    ----------
    over_shoulder_m, midline_m : tuple of float
        Middle of the hips over, and beside, that of the shoulders, on a level bench.
    width_m, trunk_m : tuple of float
        Between the hip joints; shoulders to hips.
    square_m, level_m : float
        One hip nearer the head, or higher, than the other.
    seed : int
        For the draws.
    """

    over_shoulder_m: tuple[float, float] = (0.02, 0.03)
    midline_m: tuple[float, float] = (0.0, 0.02)
    width_m: tuple[float, float] = (0.20, 0.04)
    trunk_m: tuple[float, float] = (0.50, 0.06)
    square_m: float = 0.02
    level_m: float = 0.012
    seed: int = 20

    @property
    def rise_deg(self) -> float:
        """How far the trunk rises from the shoulders to the hips on a level bench."""
        return float(np.degrees(np.arcsin(self.over_shoulder_m[0] / self.trunk_m[0])))


@dataclass(frozen=True)
class Arms3d:
    """The arms in space at the moments, with draws from what is known of them.

    Attributes
    ----------
    moments : DataFrame
        `rep, moment, time_s` (first clip's clock), one row a moment.
    bar_m : ndarray, shape (n, 3)
        Bar's middle.
    hand_m : ndarray, shape (n, 2, 3)
        Point of the bar's axis over each wrist: left, right.
    joints_m : ndarray, shape (n, 2, 3, 3)
        Best fit: moment, side, joint (`JOINTS`), axis.
    hips_m : ndarray, shape (2, 3)
    lengths_m : ndarray, shape (2, 2)
        Side by upper arm, forearm.
    draws_m : ndarray, shape (k, n, 2, 3, 3)
    hip_draws_m : ndarray, shape (k, 2, 3)
    length_draws_m : ndarray, shape (k, 2, 2)
    seen : ndarray of bool, shape (n, 2, 3, v)
        Whether a joint was read at a moment in each of the views.
    misfit : float
        From the fit: root mean square of the readings' residuals in units of their stated
        uncertainty.
    """

    moments: pd.DataFrame
    bar_m: Floats
    hand_m: Floats
    joints_m: Floats
    hips_m: Floats
    lengths_m: Floats
    draws_m: Floats
    hip_draws_m: Floats
    length_draws_m: Floats
    seen: NDArray[np.bool_]
    misfit: float


def read_at(
    table: pd.DataFrame, spans: Sequence[tuple[float, float]], max_gap_s: float = 0.4
) -> tuple[dict[str, Floats], dict[str, Floats], dict[str, Floats]]:
    """Joints of a table at moments: the median within a span, or between two frames.

    Parameters
    ----------
    table : DataFrame
        Joint table: `time_s` and `{joint}_x_m`, `{joint}_y_m`, `{joint}_sd_m`.
    spans : sequence of (begin_s, end_s)
        A moment's span on the table's clock; NaN gives NaN.
    max_gap_s : float
        A moment without a frame of its own is interpolated between frames no further apart.

    Returns
    -------
    across_m, up_m, sd_m : dict of str to ndarray, shape (n,)

    Examples
    --------
    >>> table = pd.DataFrame({"time_s": [0.0, 0.2], "left_wrist_x_m": [0.0, 0.2],
    ...                       "left_wrist_y_m": [1.0, 1.0], "left_wrist_sd_m": [0.01, 0.01]})
    >>> across, _, _ = read_at(table, [(0.1, 0.1)])
    >>> round(float(across["left_wrist"][0]), 3)
    0.1
    """
    names = [c.removesuffix("_x_m") for c in table.columns if c.endswith("_x_m")]
    time = table["time_s"].to_numpy(dtype=float)
    out: tuple[dict, dict, dict] = ({}, {}, {})
    for name in names:
        columns = table[[f"{name}_x_m", f"{name}_y_m", f"{name}_sd_m"]].to_numpy(dtype=float)
        known = np.isfinite(columns).all(axis=1)
        t, values = time[known], columns[known]
        rows = np.full((len(spans), 3), np.nan)
        for k, (begin, end) in enumerate(spans):
            if not (np.isfinite(begin) and np.isfinite(end)):
                continue
            inside = (t >= begin - 1e-9) & (t <= end + 1e-9)
            if inside.any():
                rows[k] = np.median(values[inside], axis=0)
                continue
            after = int(np.searchsorted(t, (begin + end) / 2))
            if 0 < after < len(t) and t[after] - t[after - 1] <= max_gap_s:
                share = ((begin + end) / 2 - t[after - 1]) / (t[after] - t[after - 1])
                rows[k] = values[after - 1] + share * (values[after] - values[after - 1])
        for part, column in zip(out, rows.T, strict=True):
            part[name] = column
    return out


def arms_at(
    fit: ArmFit,
    moments: pd.DataFrame,
    spans: Sequence[tuple[float, float]],
    bar_m: Floats,
    seen: Sequence[Seen],
    config: HipConfig | None = None,
    read_s: float = 0.1,
) -> Arms3d:
    """The fitted arms at the moments, with the hips.

    Parameters
    ----------
    fit : ArmFit
        Of all sightings, with the moments as its further instants.
    moments : DataFrame
        `rep, moment, time_s`.
    spans : sequence of (begin_s, end_s)
        How long each moment lasts.
    bar_m : ndarray, shape (n, 3)
        Bar's middle at the moments.
    seen : sequence of Seen
        Where the views show the hips.
    config : HipConfig, optional
    read_s : float
        A joint counts as read at a moment when it was in a frame so close to it.
    """
    rows = np.empty(len(moments), dtype=int)
    rows[np.argsort(moments["time_s"], kind="stable")] = np.flatnonzero(fit.view == -1)
    joints, draws = fit.points_m[rows], fit.draws_m[:, rows].astype(float)
    # The shoulders rest on the bench: where they are, on the whole, places the hips.
    hips, hip_draws = find_hips(
        seen, joints[:, :, 0].mean(axis=0), draws[:, :, :, 0].mean(axis=1), config
    )
    n_views = len(fit.sights)
    read = np.zeros((len(rows), 2, len(JOINTS), n_views), dtype=bool)
    known = np.isfinite(fit.kept[:, :, : len(JOINTS)])
    for k, (begin, end) in enumerate(spans):
        near = (fit.time_s >= begin - read_s) & (fit.time_s <= end + read_s)
        for view in range(n_views):
            read[k, ..., view] = known[near & (fit.view == view)].any(axis=0)
    return Arms3d(
        moments=moments.reset_index(drop=True),
        bar_m=bar_m,
        hand_m=joints[:, :, 3],
        joints_m=joints[:, :, :3],
        hips_m=hips,
        lengths_m=_lengths(joints[0]),
        draws_m=draws[:, :, :, :3],
        hip_draws_m=hip_draws,
        length_draws_m=_lengths(draws[:, 0]),
        seen=read,
        misfit=fit.misfit,
    )


def _lengths(points_m: Floats) -> Floats:
    """Upper arm and forearm of both sides, (..., 2, 4, 3) to (..., 2, 2)."""
    return np.linalg.norm(np.diff(points_m[..., :3, :], axis=-2), axis=-1)


def find_hips(
    seen: Sequence[Seen],
    shoulders_m: Floats,
    shoulder_draws_m: Floats,
    config: HipConfig | None = None,
) -> tuple[Floats, Floats]:
    """Hip joints from what the views show and what is known of hips on a bench.

    Parameters
    ----------
    seen : sequence of Seen
    shoulders_m : ndarray, shape (2, 3)
        Left and right.
    shoulder_draws_m : ndarray, shape (k, 2, 3)
        Shoulders drawn from what is known of them.
    config : HipConfig, optional

    Returns
    -------
    hips_m : ndarray, shape (2, 3)
        Left and right.
    draws_m : ndarray, shape (k, 2, 3)
        Hips for each draw of the shoulders, every reading and all that is known shifted by a draw
        of its own error.
    """
    config = config or HipConfig()
    rng = np.random.default_rng(config.seed)
    middle = shoulders_m.mean(axis=0)
    start = np.tile(middle - [config.trunk_m[0], 0.0, 0.0], (2, 1))
    start[:, 2] += OUTWARD * config.width_m[0] / 2

    def solved(shoulders: Floats, first: Floats, shift: Floats) -> Floats:
        fit = least_squares(
            lambda flat: _hip_misses(flat.reshape(2, 3), seen, shoulders, config) + shift,
            first.ravel(),
            method="lm",
        )
        return fit.x.reshape(2, 3)

    n_rows = len(_hip_misses(start, seen, shoulders_m, config))
    best = solved(shoulders_m, start, np.zeros(n_rows))
    draws = [solved(one, best, rng.standard_normal(n_rows)) for one in shoulder_draws_m]
    return best, np.reshape(draws, (len(draws), 2, 3))


def _hip_misses(hips: Floats, seen: Sequence[Seen], shoulders: Floats, config: HipConfig) -> Floats:
    """Residuals of unit variance."""
    rows = []
    for view in seen:
        away_m = (view.sight.project(hips) - view.place_px) / view.sight.px_per_m(hips)[:, None]
        off = away_m / view.sd_m[:, None]
        rows.append(off[np.isfinite(off)])
    middle, over = hips.mean(axis=0), shoulders.mean(axis=0)
    for value, (mean, sd) in (
        (middle[1] - over[1], config.over_shoulder_m),
        (middle[2] - over[2], config.midline_m),
        (np.linalg.norm(hips[0] - hips[1]), config.width_m),
        (np.linalg.norm(middle - over), config.trunk_m),
        (hips[0, 0] - hips[1, 0], (0.0, config.square_m)),
        (hips[0, 1] - hips[1, 1], (0.0, config.level_m)),
    ):
        rows.append(np.atleast_1d((value - mean) / sd))
    return np.concatenate(rows)


def _unit(v: Floats) -> Floats:
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def trunk_frame(shoulders_m: Floats, hips_m: Floats) -> Floats:
    """Axes of the trunk after the thorax of Wu et al. (2005).

    Parameters
    ----------
    shoulders_m, hips_m : ndarray, shape (..., 2, 3)
        Left and right joint centres.

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Rows: X forward (out of the chest), Y up the trunk (hips to shoulders), Z to the lifter's
        right.

    Examples
    --------
    On the back on a level bench, forward is up and right is -z.

    >>> frame = trunk_frame(np.array([[0, 0, 0.2], [0, 0, -0.2]]), np.array([[-0.5, 0, 0.1],
    ...                                                                      [-0.5, 0, -0.1]]))
    >>> (frame + 0.0).round(6).tolist()
    [[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]]
    """
    y = _unit(shoulders_m.mean(axis=-2) - hips_m.mean(axis=-2))
    across = shoulders_m[..., 1, :] - shoulders_m[..., 0, :]
    z = _unit(across - np.sum(across * y, axis=-1, keepdims=True) * y)
    return np.stack([np.cross(y, z), y, z], axis=-2)


def humerus_angles(upper_arm: Floats, frame: Floats, outward: Floats | float) -> dict[str, Floats]:
    """Angles of the upper arm in the trunk's frame.

    Parameters
    ----------
    upper_arm : ndarray, shape (..., 3)
        Vector from the shoulder joint to the elbow joint, any length, world axes.
    frame : ndarray, shape (..., 3, 3)
        From `trunk_frame`.
    outward : float or ndarray
        1 for the left arm, -1 for the right.

    Returns
    -------
    dict of str to ndarray
        Degrees. `elevation_deg`: thoracohumeral elevation (second rotation of Wu et al. 2005, about
        the humerus' X axis), the angle between the arm's and the trunk's long axes, 0 along the
        trunk toward the hips; `plane_deg`: plane of elevation (first rotation, about the trunk's Y
        axis), 0 in the frontal plane, positive in front of it, negative behind, as when the elbow
        sinks below the shoulder on a bench; `in_frontal_deg`: the elevation seen in the trunk's
        frontal plane (Y and Z).

    Examples
    --------
    >>> level = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    >>> angles = humerus_angles(np.array([-0.5, 0.0, 0.75**0.5]), level, 1.0)
    >>> round(float(angles["elevation_deg"]), 6), round(float(angles["plane_deg"]), 6)
    (60.0, 0.0)
    """
    local = np.einsum("...ij,...j->...i", frame, _unit(upper_arm))
    forward, up, out = local[..., 0], local[..., 1], -np.asarray(outward) * local[..., 2]
    across = np.hypot(forward, out)
    return {
        "elevation_deg": np.degrees(np.arctan2(across, -up)),
        "plane_deg": np.degrees(np.arctan2(forward, out)),
        "in_frontal_deg": np.degrees(np.arctan2(out, -up)),
    }


def forearm_geometry(
    elbow_m: Floats, wrist_m: Floats, outward: Floats | float
) -> dict[str, Floats]:
    """Forearm against the vertical, seen from the feet and from the side.

    Parameters
    ----------
    elbow_m, wrist_m : ndarray, shape (..., 3)
    outward : float or ndarray
        1 for the left arm, -1 for the right.

    Returns
    -------
    dict of str to ndarray
        `out_m`, `head_m`: wrist outside the elbow, and nearer the head; `lean_out_deg`,
        `lean_head_deg`: the same as angles from the vertical in the frontal (z, y) and the sagittal
        (x, y) plane of the world.

    Examples
    --------
    >>> got = forearm_geometry(np.zeros(3), np.array([0.0, 0.3, 0.03]), 1.0)
    >>> round(float(got["out_m"]), 3), round(float(got["lean_out_deg"]), 2)
    (0.03, 5.71)
    """
    forearm = wrist_m - elbow_m
    out, head, up = np.asarray(outward) * forearm[..., 2], forearm[..., 0], forearm[..., 1]
    return {
        "out_m": out,
        "head_m": head,
        "lean_out_deg": np.degrees(np.arctan2(out, up)),
        "lean_head_deg": np.degrees(np.arctan2(head, up)),
    }


def touch_geometry(bar_m: Floats, shoulders_m: Floats) -> dict[str, Floats]:
    """Where the bar's middle lies against the middle of the shoulder joints, along the world axes.

    Parameters
    ----------
    bar_m : ndarray, shape (..., 3)
    shoulders_m : ndarray, shape (..., 2, 3)

    Returns
    -------
    dict of str to ndarray
        Metres: `toward_hips_m` along the body, level, toward the feet; `over_m` up; `left_m` toward
        the lifter's left.

    Examples
    --------
    >>> found = touch_geometry(np.array([-0.1, 0.2, 0.0]), np.array([[0, 0, 0.2], [0, 0, -0.2]]))
    >>> {name: float(value) for name, value in found.items()}
    {'toward_hips_m': 0.1, 'over_m': 0.2, 'left_m': 0.0}
    """
    off = bar_m - shoulders_m.mean(axis=-2)
    return {"toward_hips_m": -off[..., 0], "over_m": off[..., 1], "left_m": off[..., 2]}


def combine_scales(
    scales: Sequence[float], rel_sds: Sequence[float], apart_rel_sd: float = 1e-5
) -> tuple[Floats, Floats]:
    """Share out between views what their scales differ by.

    Least squares in the logarithms: each view's factor is near 1 by how well it knows its own
    scale, and its quotient by the first view's is near what their heights say.

    Parameters
    ----------
    scales : sequence of float
        The first view's heights over each view's, from the matching of their heights; the first is
        1.
    rel_sds : sequence of float
        Relative standard uncertainty of each view's scale.
    apart_rel_sd : float, optional
        That of the quotients: ends of a bar rise unevenly.

    Returns
    -------
    factors : ndarray, shape (n,)
        For the lengths of each view.
    rel_sds : ndarray, shape (n,)
        Relative uncertainty of each afterwards, widened where the scales differ by more than they
        say (Birge's ratio; R. T. Birge, Phys. Rev. 40:207-227, 1932).

    Examples
    --------
    >>> factors, rel_sds = combine_scales([1.0, 1.02], [0.01, 0.01])
    >>> factors.round(3).tolist(), rel_sds.round(4).tolist()
    ([0.99, 1.01], [0.0099, 0.0099])
    """
    told = np.log(np.asarray(scales, dtype=float))[1:]
    sd, n = np.maximum(rel_sds, 1e-4), len(scales)
    against_first = np.hstack([-np.ones((n - 1, 1)), np.eye(n - 1)])
    rows = np.vstack([np.diag(1 / sd), against_first / apart_rel_sd])
    wanted = np.concatenate([np.zeros(n), told / apart_rel_sd])
    covariance = np.linalg.inv(rows.T @ rows)
    logs = covariance @ rows.T @ wanted
    squares = float(np.sum((rows @ logs - wanted) ** 2))
    widened = max(1.0, squares / max(n - 1, 1)) ** 0.5
    return np.exp(logs), widened * np.sqrt(np.diag(covariance))
