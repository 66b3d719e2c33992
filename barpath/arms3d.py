"""The arms in three dimensions from a front and a side view of the same set.

Each view's joint table says where a joint lies in the plane of that view, with an uncertainty.
One least-squares fit over the whole set finds shoulders, elbows and wrists in space that agree with
both views and with what is known besides: segments keep their length, shoulders nearly keep still
on the bench, the wrist hangs at a steady place under the bar, and at lockout the arm is nearly
straight.

World axes, metres, origin in the bar's middle at the first lockout: x toward the lifter's head, y
up, z toward the lifter's left. Moments are the instants that matter: bottom, sticking point and
lockout of each repetition.

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

from barpath.errors import OptionError

Floats = NDArray[np.float64]

SIDES = ("left", "right")
JOINTS = ("shoulder", "elbow", "wrist")
OUTWARD = np.array([1.0, -1.0])
"""Sign of z away from the midline, for `SIDES`."""
MOMENTS = ("bottom", "sticking", "lockout")


@dataclass(frozen=True)
class Lens:
    """Where a view's camera is, so that a joint's own depth can be allowed for.

    Attributes
    ----------
    across_m, up_m, depth_m : float
        The camera's place: across the picture (world z in a front view, world x in a side view),
        up, and along the line of sight (world x in a front view, world z in a side view).
    assumed_m : dict of str to float
        Depth at which the joint table put each joint, by `{side}_{joint}`; in a front view from the
        bar (world x less the bar's), in a side view world z.
    """

    across_m: float
    up_m: float
    depth_m: float
    assumed_m: dict[str, float]


@dataclass(frozen=True)
class Seen:
    """What one view shows at the moments.

    Attributes
    ----------
    view : {'front', 'side'}
    across_m, up_m, sd_m : dict of str to ndarray, shape (n,)
        By `{side}_{joint}` (also hips): place and standard uncertainty per axis, NaN where not
        seen.
    lens : Lens, optional
        Without it the table's own depths are believed.
    sd_up_m : dict of str to ndarray, optional
        Standard uncertainty of the height where it is not that across.
    """

    view: str
    across_m: dict[str, Floats]
    up_m: dict[str, Floats]
    sd_m: dict[str, Floats]
    lens: Lens | None = None
    sd_up_m: dict[str, Floats] | None = None


@dataclass(frozen=True)
class Arms3dConfig:
    """What is known of lifters before the clips are looked at: means and standard uncertainties.

    Common practice, no source, unless said.

    Attributes
    ----------
    upper_arm_m, forearm_m : tuple of float
        0.186 and 0.146 of a stature of 1.75 m (Drillis and Contini 1966, as given in Winter,
        Biomechanics and Motor Control of Human Movement; from memory), with a wide spread.
    pair_m : float
        Left and right segments differ by this.
    rigid_m : float
        How well a segment keeps its length (joint centres are no hinges).
    shoulder_still_m : float
        How far a shoulder moves on the bench between moments.
    shoulder_width_m : tuple of float
        Between the shoulder joints.
    hand_m : tuple of float
        Height of the bar's axis over the wrist joint in a closed hand.
    hand_ahead_m : tuple of float
        Bar toward the head from the wrist.
    hand_slack_m : tuple of float
        How far the wrist moves against the bar between moments: toward the head, up, along it.
    straight : tuple of float
        Shoulder to wrist at lockout over the sum of the segments.
    bar_over_shoulder_m : tuple of float
        Bar toward the head from the shoulder joints at lockout.
    square_m, level_m : float
        One shoulder nearer the head, or higher, than the other.
    hip_over_shoulder_m, hip_midline_m : tuple of float
        Middle of the hips over, and beside, that of the shoulders, on a level bench.
    hip_width_m, trunk_m : tuple of float
        Between the hip joints; shoulders to hips.
    shared : float
        Share of a reading's error that is alike whenever the arm is in the same posture: a
        network errs alike from rep to rep.
    alike_up_m : tuple of float
        Shoulders, elbows and wrists (in this order) may be read too high or too low alike in both
        views and on both sides, by one network that takes the top of a shoulder for its joint. Root
        mean square over the tuning clips of `sample_clips_synthetic` of what half of the mean
        error leaves.
    n_draws, seed : int
        Draws from the fit's covariance.
    """

    upper_arm_m: tuple[float, float] = (0.315, 0.03)
    forearm_m: tuple[float, float] = (0.265, 0.03)
    pair_m: float = 0.005
    rigid_m: float = 0.003
    shoulder_still_m: float = 0.01
    shoulder_width_m: tuple[float, float] = (0.36, 0.04)
    hand_m: tuple[float, float] = (0.08, 0.01)
    hand_ahead_m: tuple[float, float] = (0.0, 0.02)
    hand_slack_m: tuple[float, float, float] = (0.012, 0.005, 0.005)
    straight: tuple[float, float] = (0.985, 0.012)
    bar_over_shoulder_m: tuple[float, float] = (0.0, 0.04)
    square_m: float = 0.02
    level_m: float = 0.012
    hip_over_shoulder_m: tuple[float, float] = (0.02, 0.03)
    hip_midline_m: tuple[float, float] = (0.0, 0.02)
    hip_width_m: tuple[float, float] = (0.20, 0.04)
    trunk_m: tuple[float, float] = (0.50, 0.06)
    shared: float = 0.85
    alike_up_m: tuple[float, float, float] = (0.045, 0.045, 0.02)
    n_draws: int = 300
    seed: int = 20


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
    seen : ndarray of bool, shape (n, 2, 3, 2)
        Whether a joint was read at a moment in the front and in the side view.
    misfit : float
        Root mean square of the readings' residuals in units of their stated uncertainty.
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


def _whitener(sd: Floats, shared: float) -> Floats:
    """Inverse Cholesky factor of errors that are partly alike."""
    covariance = np.outer(sd, sd) * shared**2
    covariance[np.diag_indices(len(sd))] = sd**2
    return np.linalg.inv(np.linalg.cholesky(covariance))


@dataclass(frozen=True)
class _Reading:
    """Rows of one joint in one view and posture."""

    view: str
    side: int
    joint: int
    rows: NDArray[np.intp]
    across: Floats
    up: Floats
    whiteners: tuple[Floats, Floats]
    depth: Floats


def _readings(
    seen: Sequence[Seen], moments: pd.DataFrame, bar_m: Floats, config: Arms3dConfig
) -> list[_Reading]:
    kinds = moments["moment"].to_numpy()
    out = []
    for view in seen:
        for s, side in enumerate(SIDES):
            for j, joint in enumerate(JOINTS):
                name = f"{side}_{joint}"
                if name not in view.across_m:
                    continue
                a, u, sd = view.across_m[name], view.up_m[name], view.sd_m[name]
                sd_up = sd if view.sd_up_m is None else view.sd_up_m[name]
                known = np.isfinite([a, u, sd, sd_up]).all(axis=0) & (sd > 0) & (sd_up > 0)
                for kind in MOMENTS:
                    rows = np.flatnonzero(known & (kinds == kind))
                    if not len(rows):
                        continue
                    depth = np.full(len(rows), np.nan)
                    if view.lens is not None:
                        depth[:] = view.lens.assumed_m[name]
                        if view.view == "front":
                            depth += bar_m[rows, 0]
                    whiteners = tuple(_whitener(v[rows], config.shared) for v in (sd, sd_up))
                    out.append(_Reading(view.view, s, j, rows, a[rows], u[rows], whiteners, depth))
    return out


def flat_place(points: Floats, view: str, lens: Lens | None, depth: Floats) -> Floats:
    """Where a view's table would put points in space: (n, 2) across and up."""
    across, away = (2, 0) if view == "front" else (0, 2)
    flat = points[:, [across, 1]]
    if lens is None:
        return flat
    centre = np.array([lens.across_m, lens.up_m])
    stretch = (depth - lens.depth_m) / (points[:, away] - lens.depth_m)
    return centre + (flat - centre) * stretch[:, None]


class _Problem:
    """Unknowns and residuals of the fit."""

    def __init__(
        self,
        seen: Sequence[Seen],
        moments: pd.DataFrame,
        bar_m: Floats,
        tilt_rad: Floats,
        config: Arms3dConfig,
    ) -> None:
        self.config, self.bar, self.tilt = config, bar_m, tilt_rad
        self.n = len(moments)
        self.readings = _readings(seen, moments, bar_m, config)
        self.lenses = {view.view: view.lens for view in seen}
        self.seen = seen
        complete = (moments["moment"] == "lockout").to_numpy()
        if "straight" in moments:
            complete = complete & moments["straight"].to_numpy(dtype=bool)
        self.locked = np.flatnonzero(complete)
        self.hip_readings = self._hips_seen()
        self.row_moments = self._row_moments()

    def split(self, p: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Joints (n, 2, 3, 3), hips (2, 3), home of shoulders (2, 3), lengths, hand places."""
        k = self.n * 18
        return (
            p[:k].reshape(self.n, 2, 3, 3),
            p[k : k + 6].reshape(2, 3),
            p[k + 6 : k + 12].reshape(2, 3),
            p[k + 12 : k + 16].reshape(2, 2),
            p[k + 16 : k + 22].reshape(2, 3),
        )

    def hands(self, place: Floats) -> Floats:
        """Points of the bar's axis over the wrists, (n, 2, 3)."""
        z = place[None, :, 2]
        along = self.bar[:, None, 2] + z
        up = self.bar[:, None, 1] + z * np.sin(self.tilt)[:, None]
        ahead = np.broadcast_to(self.bar[:, None, 0], along.shape)
        return np.stack([ahead, up, along], axis=-1)

    def readings_less_seen(self, p: Floats) -> list[Floats]:
        """Where each view would put the joints less where it did, metres, not yet weighted."""
        joints, hips, *_ = self.split(p)
        parts = []
        for r in self.readings:
            got = flat_place(joints[r.rows, r.side, r.joint], r.view, self.lenses[r.view], r.depth)
            parts += [got[:, 0] - r.across, got[:, 1] + p[-3 + r.joint] - r.up]
        for s, view, place, sd, depth in self.hip_readings:
            got = flat_place(hips[s : s + 1], view, self.lenses[view], depth)[0]
            parts.append((got - place) / sd)
        return parts

    def _hips_seen(self) -> list[tuple[int, str, Floats, float, Floats]]:
        """Hips keep still: one reading a view and side, the median over the moments."""
        out = []
        for view in self.seen:
            for s, side in enumerate(SIDES):
                name = f"{side}_hip"
                if name not in view.across_m:
                    continue
                parts = (view.across_m[name], view.up_m[name], view.sd_m[name])
                known = np.isfinite(parts).all(axis=0)
                if not known.any():
                    continue
                a, u, sd = (float(np.median(part[known])) for part in parts)
                depth = np.array([np.nan])
                if view.lens is not None:
                    depth[:] = view.lens.assumed_m[name]
                    if view.view == "front":
                        depth += np.median(self.bar[known, 0])
                out.append((s, view.view, np.array([a, u]), sd, depth))
        return out

    def known(self, p: Floats) -> list[Floats]:
        c = self.config
        joints, hips, home, lengths, place = self.split(p)
        shoulder, elbow, wrist = joints[:, :, 0], joints[:, :, 1], joints[:, :, 2]
        hands = self.hands(place)
        reach = np.linalg.norm(wrist - shoulder, axis=-1)[self.locked]
        whole = lengths.sum(axis=1)
        slack = np.array(c.hand_slack_m)
        ahead = wrist[..., 0] - (hands[..., 0] - place[:, 0])
        below = wrist[..., 1] - (hands[..., 1] - place[:, 1])
        beside = wrist[..., 2] - hands[..., 2]
        middle, hip_middle = home.mean(axis=0), hips.mean(axis=0)
        width = np.linalg.norm(home[0] - home[1])
        hip_width = np.linalg.norm(hips[0] - hips[1])
        trunk = np.linalg.norm(hip_middle - middle)

        def prior(value: Floats | float, given: tuple[float, float]) -> Floats:
            return np.atleast_1d((value - given[0]) / given[1]).ravel()

        return [
            ((np.linalg.norm(elbow - shoulder, axis=-1) - lengths[:, 0]) / c.rigid_m).ravel(),
            ((np.linalg.norm(wrist - elbow, axis=-1) - lengths[:, 1]) / c.rigid_m).ravel(),
            ((shoulder - home) / c.shoulder_still_m).ravel(),
            (ahead / slack[0]).ravel(),
            (below / slack[1]).ravel(),
            (beside / slack[2]).ravel(),
            ((reach / whole - c.straight[0]) / c.straight[1]).ravel(),
            prior(lengths[:, 0].mean(), c.upper_arm_m),
            prior(lengths[:, 1].mean(), c.forearm_m),
            np.diff(lengths, axis=0).ravel() / c.pair_m,
            prior(place[:, 0], c.hand_ahead_m),
            prior(place[:, 1], c.hand_m),
            prior(width, c.shoulder_width_m),
            prior(home[0, 0] - home[1, 0], (0.0, c.square_m)),
            prior(home[0, 1] - home[1, 1], (0.0, c.level_m)),
            prior(hip_middle[1] - middle[1], c.hip_over_shoulder_m),
            prior(hip_middle[2] - middle[2], c.hip_midline_m),
            prior(hip_width, c.hip_width_m),
            prior(hips[0, 0] - hips[1, 0], (0.0, c.square_m)),
            prior(hips[0, 1] - hips[1, 1], (0.0, c.level_m)),
            prior(trunk, c.trunk_m),
            p[-3:] / np.array(c.alike_up_m),
            prior(self.bar[self.locked, 0].mean() - middle[0], c.bar_over_shoulder_m)
            if len(self.locked)
            else np.zeros(0),
        ]

    def _plain(self, p: Floats) -> Floats:
        return np.concatenate([*self.readings_less_seen(p), *self.known(p)])

    def _weigh(self, rows: Floats) -> Floats:
        """Weigh the readings, whose errors are partly alike, in place."""
        begin = 0
        for r in self.readings:
            for whitener in r.whiteners:
                end = begin + len(r.rows)
                rows[begin:end] = whitener @ rows[begin:end]
                begin = end
        return rows

    def residuals(self, p: Floats) -> Floats:
        return self._weigh(self._plain(p))

    def readings_weighted(self, p: Floats) -> Floats:
        count = sum(2 * len(r.rows) for r in self.readings) + 2 * len(self.hip_readings)
        return self.residuals(p)[:count]

    def _row_moments(self) -> NDArray[np.intp]:
        """Moment whose joints each residual depends on, -1 for none."""
        each = np.arange(self.n)
        parts = [np.tile(r.rows, 2) for r in self.readings]
        parts.append(np.full(2 * len(self.hip_readings), -1))
        parts += [np.repeat(each, k) for k in (2, 2, 6, 2, 2, 2)]
        parts.append(np.repeat(self.locked, 2))
        rows = np.concatenate(parts)
        total = len(self._plain(self.start()))
        return np.concatenate([rows, np.full(total - len(rows), -1)])

    def jacobian(self, p: Floats) -> Floats:
        """Differences, with all moments moved at once: no residual sees two of them."""
        step = 1e-6
        base = self._plain(p)
        out = np.zeros((len(base), len(p)))
        own = np.flatnonzero(self.row_moments >= 0)
        for k in range(18):
            moved = p.copy()
            moved[k : self.n * 18 : 18] += step
            change = (self._plain(moved) - base) / step
            out[own, self.row_moments[own] * 18 + k] = change[own]
        for k in range(self.n * 18, len(p)):
            moved = p.copy()
            moved[k] += step
            out[:, k] = (self._plain(moved) - base) / step
        return self._weigh(out)

    def start(self) -> Floats:
        """Readings where there are any, a usual lifter elsewhere."""
        c = self.config

        def reading(view: str, name: str) -> tuple[Floats, Floats]:
            for v in self.seen:
                if v.view == view and name in v.across_m:
                    return v.across_m[name], v.up_m[name]
            nan = np.full(self.n, np.nan)
            return nan, nan

        def first(*choices: Floats | float) -> Floats:
            out = np.full(self.n, np.nan)
            for choice in choices:
                out = np.where(np.isfinite(out), out, choice)
            return out

        joints = np.zeros((self.n, 2, 3, 3))
        hips = np.zeros((2, 3))
        place = np.zeros((2, 3))
        top = float(np.max(self.bar[:, 1]))
        low = top - sum((c.upper_arm_m[0], c.forearm_m[0], c.hand_m[0]))
        for s, side in enumerate(SIDES):
            out = OUTWARD[s]
            z_wrist, _ = reading("front", f"{side}_wrist")
            beside = z_wrist - self.bar[:, 2]
            known = np.isfinite(beside)
            place[s] = (0.0, c.hand_m[0], np.median(beside[known]) if known.any() else 0.4 * out)
            for j, joint in enumerate(JOINTS):
                z, y_front = reading("front", f"{side}_{joint}")
                x, y_side = reading("side", f"{side}_{joint}")
                usual = {
                    "shoulder": (0.0, low, 0.18 * out),
                    "elbow": (self.bar[:, 0] - 0.02, (self.bar[:, 1] + low) / 2, 0.35 * out),
                    "wrist": (self.bar[:, 0], self.bar[:, 1] - c.hand_m[0], place[s, 2]),
                }[joint]
                joints[:, s, j] = np.column_stack(
                    [first(x, usual[0]), first(y_front, y_side, usual[1]), first(z, usual[2])]
                )
            joints[:, s, 2] = self.hands(place)[:, s] - np.array([0.0, c.hand_m[0], 0.0])
            z, _ = reading("front", f"{side}_hip")
            x, y = reading("side", f"{side}_hip")
            hips[s] = [
                np.nanmedian(first(x, -c.trunk_m[0])),
                np.nanmedian(first(y, low)),
                np.nanmedian(first(z, 0.1 * out)),
            ]
        home = np.median(joints[:, :, 0], axis=0)
        lengths = np.tile([c.upper_arm_m[0], c.forearm_m[0]], (2, 1))
        parts = (joints, hips, home, lengths, place, np.zeros(3))
        return np.concatenate([part.ravel() for part in parts])


def fit_arms(
    seen: Sequence[Seen],
    moments: pd.DataFrame,
    bar_m: Floats,
    tilt_deg: Floats,
    config: Arms3dConfig | None = None,
) -> Arms3d:
    """Fit both arms in space to what one or two views show of them.

    Parameters
    ----------
    seen : sequence of Seen
        The front and the side view at the moments, heights on one zero.
    moments : DataFrame
        `rep, moment, time_s`; `moment` of `MOMENTS`; optionally `straight` (bool): whether this
        lockout was reached.
    bar_m : ndarray, shape (n, 3)
        Bar's middle in the world at the moments.
    tilt_deg : ndarray, shape (n,)
        Bar's angle from the level, left end up positive.
    config : Arms3dConfig, optional

    Returns
    -------
    Arms3d

    Raises
    ------
    OptionError
        There is no moment, or the tables do not fit together.

    Notes
    -----
    Robust least squares (soft L1). Readings of one joint in one view and posture share most of
    their error (`Arms3dConfig.shared`), which enters as a covariance, so more repetitions do not
    pretend to more certainty than a network has. Draws come from the covariance at the solution,
    widened when the readings disagree by more than their stated uncertainty.
    """
    config = config or Arms3dConfig()
    bar_m, tilt_deg = np.asarray(bar_m, dtype=float), np.asarray(tilt_deg, dtype=float)
    if not len(moments):
        raise OptionError("There is no moment at which the arms could be fitted.")
    if bar_m.shape != (len(moments), 3) or not np.isfinite(bar_m).all():
        raise OptionError("The bar must be known at every moment at which the arms are fitted.")
    problem = _Problem(seen, moments, bar_m, np.deg2rad(tilt_deg), config)
    fit = least_squares(
        problem.residuals,
        problem.start(),
        jac=problem.jacobian,
        loss="soft_l1",
        x_scale="jac",
        max_nfev=40,
        ftol=1e-4,
    )
    rest = problem.readings_weighted(fit.x)
    misfit = float(np.sqrt(np.mean(rest**2))) if len(rest) else float("nan")
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * max(1.0, misfit**2 if len(rest) else 1.0)
    rng = np.random.default_rng(config.seed)
    root = np.linalg.cholesky(covariance + 1e-14 * np.eye(len(covariance)))
    draws = fit.x + rng.standard_normal((config.n_draws, len(fit.x))) @ root.T
    joints, hips, _, lengths, place = problem.split(fit.x)
    parts = [problem.split(draw) for draw in draws]
    flags = np.zeros((len(moments), 2, 3, 2), dtype=bool)
    for r in problem.readings:
        flags[r.rows, r.side, r.joint, 0 if r.view == "front" else 1] = True
    return Arms3d(
        moments=moments.reset_index(drop=True),
        bar_m=bar_m,
        hand_m=problem.hands(place),
        joints_m=joints,
        hips_m=hips,
        lengths_m=lengths,
        draws_m=np.array([p[0] for p in parts]),
        hip_draws_m=np.array([p[1] for p in parts]),
        length_draws_m=np.array([p[3] for p in parts]),
        seen=flags,
        misfit=misfit,
    )


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


def touch_geometry(bar_m: Floats, shoulders_m: Floats, hips_m: Floats) -> dict[str, Floats]:
    """Where the bar's middle lies against the shoulders, in the trunk's frame.

    Parameters
    ----------
    bar_m : ndarray, shape (..., 3)
    shoulders_m, hips_m : ndarray, shape (..., 2, 3)

    Returns
    -------
    dict of str to ndarray
        Metres: `toward_hips_m` along the trunk from the line through the shoulders, `over_m` out of
        the chest, `left_m` from the midline.
    """
    frame = trunk_frame(shoulders_m, hips_m)
    local = np.einsum("...ij,...j->...i", frame, bar_m - shoulders_m.mean(axis=-2))
    return {"toward_hips_m": -local[..., 1], "over_m": local[..., 0], "left_m": -local[..., 2]}


def combine_scales(
    scale: float, first_rel_sd: float, second_rel_sd: float
) -> tuple[float, float, float]:
    """Share out between two views what their scales differ by.

    Parameters
    ----------
    scale : float
        First view's height over the second's, from the matching of their heights.
    first_rel_sd, second_rel_sd : float
        Relative standard uncertainties of the two scales.

    Returns
    -------
    first, second, rel_sd : float
        Factors for the lengths of either view, and the relative uncertainty of both afterwards.

    Examples
    --------
    >>> first, second, rel = combine_scales(1.02, 0.01, 0.01)
    >>> round(first, 4), round(second, 4), round(rel, 4)
    (0.9901, 1.01, 0.0071)
    """
    a, b = max(first_rel_sd, 1e-4) ** 2, max(second_rel_sd, 1e-4) ** 2
    share = a / (a + b)
    return (
        float(scale**-share),
        float(scale ** (1 - share)),
        float(np.sqrt(a * b / (a + b))),
    )
