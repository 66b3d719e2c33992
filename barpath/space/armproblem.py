"""The arms of a set as values, and all that speaks for and against them as residuals."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barpath.space.armprior import (
    AT,
    N_BIASES,
    N_OWN,
    N_TURNS,
    SHARED,
    SMALL,
    ArmFitConfig,
    bar_reach_m,
    shared_prior,
    shoulders_under,
    whitener,
    with_size,
)
from barpath.space.armreadings import (
    Merged,
    Spread,
    lowness,
    roots_of_readings,
    usual_off_m,
)
from barpath.space.sights import BAR_PARTS, OUTWARD, SEEN, SIDES, Sight

Floats = NDArray[np.float64]

STEP = 1e-6
ELBOW, SHOULDER = SEEN.index("elbow"), SEEN.index("shoulder")
LEAST_GAP_S = 0.005
"""Frames of two cameras may fall together; so far apart they are taken to be at least."""


@dataclass(frozen=True)
class Problem:
    """Everything that the residuals are made of; arrays by frame, side, point, axis.

    `root` turns what a reading is off, in metres, into independent parts of unit variance; `pull`
    is the share of the way to the usual place by which an elbow's reading is off beside, and
    `shoulder_pull` that of the way to the usual height, `usual_shoulder_m`, for a shoulder's.
    Values are what is shared, then each camera's own, then the swivel of both arms by frame.
    """

    sights: tuple[Sight, ...]
    config: ArmFitConfig
    view: NDArray[np.int64]
    time_s: Floats
    bar_m: Floats
    axis: Floats
    low: Floats
    seen_px: Floats
    root: Floats
    pull: Floats
    shoulder_pull: Floats
    usual_shoulder_m: float
    given: NDArray[np.bool_]
    prior: Floats
    prior_sd: Floats
    whitener: Floats

    @property
    def n_frames(self) -> int:
        """How many frames there are."""
        return len(self.bar_m)

    @property
    def n_fixed(self) -> int:
        """How many values are no frame's own."""
        return len(SHARED) + N_OWN * len(self.sights)

    def turned(self, values: Floats) -> list[Sight]:
        """The cameras as turned."""
        begins = len(SHARED) + N_OWN * np.arange(len(self.sights))
        return [
            sight.turned(*values[begin : begin + N_TURNS])
            for sight, begin in zip(self.sights, begins, strict=True)
        ]

    def with_stiff_cameras(self) -> "Problem":
        """With the cameras ten times better known."""
        sd = self.prior_sd.copy()
        for view in range(len(self.sights)):
            begin = len(SHARED) + N_OWN * view
            sd[begin : begin + N_TURNS] /= 10
        return replace(self, prior_sd=sd)

    def biases(self, values: Floats, view: int, low: Floats) -> Floats:
        """What all readings of a camera are off in m, shape (n, 2, 6, 2)."""
        begin = len(SHARED) + N_OWN * view + N_TURNS
        bottom, top = values[begin : begin + N_BIASES].reshape(2, 2, len(SEEN), 2)
        low = low[:, None, None, None]
        return low * bottom + (1 - low) * top

    def arms(self, values: Floats) -> tuple[Floats, Floats]:
        """World points, shape (n, 2, 4, 3), and the reach's share of the arm's length, (n, 2)."""
        upper, forearm = np.exp(values[:2])
        shoulders = values[AT["left_shoulder_x"] :][:6].reshape(2, 3)
        give = values[AT["give_x"] :][:3] * np.column_stack([np.ones(2), np.ones(2), OUTWARD])
        shoulder = shoulders + self.low[:, None, None] * give
        grip = values[AT["left_grip"] :][:2] * OUTWARD
        hand = self.bar_m[:, None] + grip[:, None] * self.axis[:, None]
        wrist = hand + np.array([values[AT["hand_lean"]], -values[AT["hand"]], 0.0])
        reach = wrist - shoulder
        distance = np.sqrt((reach**2).sum(axis=-1) + SMALL)
        toward = reach / distance[..., None]
        # Where the line from shoulder to wrist meets the circle on which the elbow may lie.
        before = (upper**2 - forearm**2 + distance**2) / (2 * distance)
        square = upper**2 - before**2
        radius = np.sqrt((square + np.sqrt(square**2 + SMALL)) / 2)
        out = np.zeros_like(toward)
        out[..., 2] = OUTWARD
        out -= (out * toward).sum(axis=-1, keepdims=True) * toward
        out /= np.sqrt((out**2).sum(axis=-1, keepdims=True) + SMALL)
        feetward = -OUTWARD[:, None] * np.cross(toward, out)
        swivel = values[self.n_fixed :].reshape(self.n_frames, 2)[..., None]
        turned = np.cos(swivel) * out + np.sin(swivel) * feetward
        elbow = shoulder + before[..., None] * toward + radius[..., None] * turned
        points = np.stack([shoulder, elbow, wrist, hand], axis=2)
        return points, distance / (upper + forearm)

    def guessed(self, values: Floats) -> Floats:
        """Elbows of a usual lifter of this size and reach, world, shape (n, 2, 3)."""
        config = self.config
        usual = values.copy()
        ratio = np.log(config.upper_arm_share / config.forearm_share)
        usual[:2] = values[:2].mean() + np.array([0.5, -0.5]) * ratio
        usual[self.n_fixed :] = np.deg2rad(config.swivel_deg)
        return self.arms(usual)[0][:, :, ELBOW]

    def shown(self, points: Floats) -> Floats:
        """World places of all that can be seen, shape (n, 2, 6, 3)."""
        along = np.array([self.config.bar_part_m[name] for name in BAR_PARTS])
        parts = OUTWARD[:, None, None] * along[:, None] * self.axis[:, None, None]
        return np.concatenate([points, self.bar_m[:, None, None] + parts], axis=2)

    def misses(self, values: Floats, points: Floats) -> Floats:
        """What readings are off from the arms in units of their sd, shape (n, 2, 6, 2)."""
        off_m = np.full_like(self.seen_px, np.nan)
        places = self.shown(points)
        guessed = self.guessed(values)
        for view, sight in enumerate(self.turned(values)):
            rows = self.view == view
            off_px = self.seen_px[rows] - sight.project(places[rows])
            signs = np.column_stack([sight.across, [-1.0, -1.0]])[:, None]
            here = off_px / sight.px_per_m(places[rows])[..., None] * signs
            toward_px = sight.project(guessed[rows]) - sight.project(places[rows][:, :, ELBOW])
            toward = toward_px / sight.px_per_m(guessed[rows])[..., None] * signs[:, 0]
            here[:, :, ELBOW] -= (self.pull[rows] @ toward[..., None])[..., 0]
            rise_m = self.usual_shoulder_m - places[rows][:, :, SHOULDER, 1]
            here[:, :, SHOULDER, 1] -= self.shoulder_pull[rows] * rise_m
            bias_m = self.biases(values, view, self.low[rows])
            off_m[rows] = here - np.where(self.given[rows][..., None], 0.0, bias_m)
        return (self.root @ off_m[..., None])[..., 0]

    def kept(self, weight: Floats) -> Floats:
        """The weights of readings, NaN where there is none."""
        return np.where(np.isfinite(self.seen_px).all(axis=-1), weight, np.nan)

    def residuals(self, values: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
        """Residuals with unit variance where the model holds: of the set, of frames, of threes.

        Shapes (m,), (n, k) and (n - 2, 2); the last two hold nothing that depends on the swivel of
        another frame, or of frames other than three in a row.
        """
        config = self.config
        points, reach = self.arms(values)
        left, right = (values[AT[f"{side}_shoulder_x"] :][:3] for side in SIDES)
        grips, leans = values[AT["left_grip"] :][:2], values[AT["left_forearm_lean"] :][:2]
        deepest = self.low > 0.95
        touch = config.touch_m
        if deepest.any():
            touch = self.bar_m[deepest, 1].mean() - (left[1] + right[1]) / 2
        expected = self.prior[: self.n_fixed].copy()
        grown = values[AT["log_size"]] - self.prior[AT["log_size"]]
        expected[: len(SHARED)] += grown * with_size(config)
        off = (values[: self.n_fixed] - expected) / self.prior_sd[: self.n_fixed]
        ratio = np.log(config.upper_arm_share / config.forearm_share)
        high = 1 - np.clip(8 * self.low, 0, 1)
        straight = (high[:, None] * reach).sum(axis=0) / max(high.sum(), SMALL)
        whole = [
            self.whitener @ off,
            (left[:2] - right[:2]) / config.sides_alike_m,
            [
                (left[2] + right[2]) / (2 * config.sides_alike_m),
                (grips[0] - grips[1]) / (2 * config.sides_alike_m),
                (leans[0] - leans[1]) / config.leans_alike_m,
                (values[0] - values[1] - ratio) / config.length_ratio_sd,
                (touch - config.touch_m) / config.touch_sd_m,
            ],
            (straight - config.straight) / config.straight_sd if high.any() else np.zeros(2),
        ]
        miss = self.misses(values, points)
        readings = np.where(np.isfinite(miss), miss, 0.0) * np.sqrt(weight)[..., None]
        swivel = values[self.n_fixed :].reshape(self.n_frames, 2)
        deep = np.clip(4 * self.low - 3, 0, 1)[:, None]
        lean = points[:, :, 2, 0] - points[:, :, 1, 0] - leans
        apart = swivel[:, 0] - swivel[:, 1] - values[AT["swivel_apart"]]
        frames = [
            readings.reshape(self.n_frames, -1),
            # An arm cannot reach farther than it is long.
            np.maximum(reach - 0.999, 0.0) / 0.002,
            # Nor does an elbow come up to its wrist.
            np.maximum(points[:, :, 1, 1] - points[:, :, 2, 1] + 0.08, 0.0) / 0.02,
            deep * lean / config.lean_within_sd_m,
            apart[:, None] / np.deg2rad(config.sides_alike_deg),
            (swivel - values[AT["swivel"]]) / np.deg2rad(config.swivel_sd_deg),
        ]
        step = np.maximum(np.diff(self.time_s), LEAST_GAP_S)[:, None]
        slope = np.diff(swivel, axis=0) / step
        bend = 2 * np.diff(slope, axis=0) / (step[1:] + step[:-1])
        return (
            np.concatenate(whole),
            np.concatenate(frames, axis=1),
            bend / config.swivel_acceleration_rad_s2,
        )

    def _bias_columns(self, out: Floats, begin: int, n_local: int, weight: Floats) -> None:
        """Derivatives by the biases, which are known beforehand."""
        columns = np.arange(len(SHARED), self.n_fixed)
        out[: self.n_fixed, columns] = self.whitener[:, columns] / self.prior_sd[columns]
        used = np.isfinite(self.seen_px).all(axis=-1) & ~self.given
        pull = np.where(used, -np.sqrt(weight), 0.0)[..., None, None] * self.root
        pull = np.where(np.isfinite(pull), pull, 0.0)
        own = len(SHARED) + N_TURNS
        for view in range(len(self.sights)):
            frames = np.flatnonzero(self.view == view)
            for end, share in enumerate((self.low[frames], 1.0 - self.low[frames])):
                first = own + N_OWN * view + end * N_BIASES // 2
                for side, point, part, axis in np.ndindex(2, len(SEEN), 2, 2):
                    k = 2 * (side * len(SEEN) + point)
                    rows = begin + n_local * frames + k + part
                    out[rows, first + k + axis] = share * pull[frames, side, point, part, axis]

    def flat(self, values: Floats, weight: Floats) -> Floats:
        """All residuals in a row."""
        return np.concatenate([part.ravel() for part in self.residuals(values, weight)])

    def cost(self, values: Floats) -> float:
        """Half the sum of squares, with the readings as Student's t has them."""
        nu = self.config.degrees_of_freedom
        rest = self.flat(values, np.zeros(self.seen_px.shape[:3]))
        miss = self.misses(values, self.arms(values)[0])
        square = np.where(np.isfinite(miss), miss, 0.0) ** 2
        robust = (nu + 2) / 2 * np.log1p(square.sum(axis=-1) / nu)
        return float(0.5 * (rest**2).sum() + robust.sum())

    def jacobian(self, values: Floats, weight: Floats) -> Floats:
        """Derivatives by forward differences; swivels three frames apart are moved together."""
        base = self.residuals(values, weight)
        ends = np.cumsum([part.size for part in base])
        out = np.zeros((ends[-1], len(values)))

        def moved(columns: Any) -> list[Floats]:
            other = values.copy()
            other[columns] += STEP
            pairs = zip(self.residuals(other, weight), base, strict=True)
            return [(there - here) / STEP for there, here in pairs]

        turns = len(SHARED) + np.add.outer(N_OWN * np.arange(len(self.sights)), np.arange(N_TURNS))
        for k in [*range(len(SHARED)), *turns.ravel()]:
            out[:, k] = np.concatenate([part.ravel() for part in moved(k)])
        self._bias_columns(out, ends[0], base[1].shape[1], weight)
        frames = np.arange(self.n_frames)
        n_local = base[1].shape[1]
        for side in range(2):
            for phase in range(3):
                column = self.n_fixed + 2 * frames + side
                _, local, bend = moved(column[phase::3])
                for k in frames[phase::3]:
                    out[ends[0] + k * n_local + np.arange(n_local), column[k]] = local[k]
                    for first in range(max(k - 2, 0), min(k, self.n_frames - 3) + 1):
                        out[ends[1] + 2 * first + side, column[k]] = bend[first, side]
        return out


def problem_of(
    seen: Merged, rows: NDArray[np.intp], spread: Spread, config: ArmFitConfig
) -> Problem:
    """The problem of some of the frames.

    Parameters
    ----------
    seen : Merged
    rows : ndarray of int, shape (n,)
        Which of its frames.
    spread : Spread
        Of all of its frames.
    config : ArmFitConfig
    """
    start, sd = shared_prior(seen.bar_m, config)
    own, own_sd = [], []
    for sight, common in zip(seen.sights, spread.common_m, strict=True):
        own += [np.zeros(N_TURNS), usual_off_m(sight, common, config).ravel()]
        own_sd += [np.deg2rad([sight.turn_sd_deg, sight.nod_sd_deg]), common.ravel()]
    root = roots_of_readings(seen, rows, spread.covariance_m2, config)
    read = np.all(np.isfinite(root), axis=(-2, -1))
    n_swivels = 2 * len(rows)
    return Problem(
        seen.sights,
        config,
        seen.view[rows],
        seen.time_s[rows],
        seen.bar_m[rows],
        seen.axis[rows],
        lowness(seen)[rows],
        np.where(read[..., None], seen.readings_px[rows], np.nan),
        root,
        spread.pull[rows],
        spread.shoulder_pull[rows],
        shoulders_under(bar_reach_m(seen.bar_m)[0], config.usual_arm_m, config),
        seen.given[rows],
        np.concatenate([start, *own, np.full(n_swivels, np.deg2rad(config.swivel_deg))]),
        np.concatenate([sd, *own_sd, np.full(n_swivels, np.inf)]),
        whitener(seen.sights, config),
    )
