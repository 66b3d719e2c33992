"""Figures of a network on stills of bodies that it was not trained on, and its calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray

from .fit import mahalanobis
from .network import JointNetwork
from .points import HIDDEN, INPUT_PX, OUTSIDE, POINTS, RADIUS_95, SEEN, view_of
from .pool import Pool

FloatArray = NDArray[np.float64]
KINDS: tuple[str, ...] = tuple(
    dict.fromkeys(n.removeprefix("left_").removeprefix("right_") for n in POINTS)
)
"""Points with left and right taken together."""


def kind_of(point: int) -> int:
    """Index in ``KINDS`` of a point."""
    return KINDS.index(POINTS[point].removeprefix("left_").removeprefix("right_"))


@dataclass(frozen=True)
class Readings:
    """What a network read of a pool's stills, all (n, ...) arrays.

    Attributes
    ----------
    error_px, distance
        (n, P) error in pixels of the input, and in units of the stated spread before calibration.
    state, told
        (n, P, 3) probabilities; (n, P) true codes.
    pressing, pressed
        (n,) probability; (n,) truth.
    px_per_m, azimuth_deg
        (n,) of the input; NaN for azimuth of real people.
    """

    error_px: FloatArray
    distance: FloatArray
    state: FloatArray
    told: NDArray[np.int64]
    pressing: FloatArray
    pressed: FloatArray
    px_per_m: FloatArray
    azimuth_deg: FloatArray


@torch.no_grad()
def read(network: JointNetwork, pool: Pool, batch: int = 256) -> Readings:
    """Read every still of a pool as it is, shrunk to the network's input."""
    network.eval()
    columns: list[list[torch.Tensor]] = [[] for _ in range(5)]
    size = pool.images.shape[1]
    zoom = INPUT_PX / size
    for begin in range(0, pool.count, batch):
        at = slice(begin, min(begin + batch, pool.count))
        images = pool.images[at].permute(0, 3, 1, 2).float() / 255
        images = torch.nn.functional.interpolate(
            images, size=INPUT_PX, mode="bilinear", align_corners=False, antialias=True
        )
        out = network(images)
        points = (pool.points[at] + 0.5) * zoom - 0.5
        error = out["place_px"] - points
        for column, value in zip(
            columns,
            (
                error.norm(dim=2),
                mahalanobis(error, out["scale_px"]),
                out["state"].softmax(2),
                out["pressing"].sigmoid(),
                pool.states[at],
            ),
            strict=True,
        ):
            column.append(value.cpu())
    error, distance, state, pressing, told = (torch.cat(c).numpy() for c in columns)
    facts = pool.facts[: pool.count].cpu().numpy().astype(float)
    return Readings(
        error.astype(float),
        distance.astype(float),
        state.astype(float),
        told,
        pressing.astype(float),
        pool.pressing[: pool.count].cpu().numpy().astype(float),
        facts[:, 0] * zoom,
        facts[:, 1],
    )


def calibrate(readings: Readings, level: float = 0.965) -> FloatArray:
    """Factors by which stated spreads grow so that regions meant to hold 95 % hold ``level``.

    Returns
    -------
    ndarray
        (P, 2): for each point when seen, and when hidden; left and right alike.
    """
    factors = np.ones((len(POINTS), 2))
    for kind in range(len(KINDS)):
        own = [p for p in range(len(POINTS)) if kind_of(p) == kind]
        for state in (SEEN, HIDDEN):
            mine = readings.distance[:, own][readings.told[:, own] == state]
            if len(mine) >= 50:
                factors[own, state] = np.quantile(mine, level) / RADIUS_95
    return factors


def coverage(readings: Readings, factors: FloatArray) -> dict[str, float]:
    """Share of true places inside the stated 95 % region, by view and state."""
    guess = readings.state[..., :2] / readings.state[..., :2].sum(2, keepdims=True).clip(1e-9)
    spread = (guess * factors).sum(2)
    inside = readings.distance <= RADIUS_95 * spread
    views = view_of(readings.azimuth_deg)
    joints = np.arange(len(POINTS)) < 8
    out = {}
    for view in ("front", "oblique", "side", "head"):
        for name, state in (("seen", SEEN), ("hidden", HIDDEN)):
            chosen = (views == view)[:, None] & (readings.told == state) & joints
            if chosen.sum() >= 30:
                out[f"{view}, {name}"] = float(inside[chosen].mean())
    return out


def table(readings: Readings) -> str:
    """Errors in cm by view and point (median / 95 %), states and pressing, as text."""
    views = view_of(readings.azimuth_deg)
    error_cm = 100 * readings.error_px / readings.px_per_m[:, None]
    lines = [f"{'view':8} {'state':7} " + " ".join(f"{k:>13}" for k in KINDS)]
    for view in ("front", "oblique", "side", "head"):
        for name, states in (("seen", (SEEN,)), ("hidden", (HIDDEN,)), ("both", (SEEN, HIDDEN))):
            cells = []
            for kind in range(len(KINDS)):
                own = [p for p in range(len(POINTS)) if kind_of(p) == kind]
                chosen = (views == view)[:, None] & np.isin(readings.told[:, own], states)
                mine = error_cm[:, own][chosen]
                cells.append(
                    f"{np.median(mine):5.2f} /{np.quantile(mine, 0.95):6.2f}"
                    if len(mine) > 20
                    else "      –      "
                )
            lines.append(f"{view:8} {name:7} " + " ".join(f"{c:>13}" for c in cells))
    known = readings.told <= OUTSIDE
    right = readings.state.argmax(2)[known] == readings.told[known]
    lines.append(f"state right: {right.mean():.3f}")
    pressed = readings.pressed > 0.5
    if pressed.any() and (~pressed).any():
        lines.append(
            f"pressing: {(readings.pressing[pressed] > 0.5).mean():.3f} of presses, "
            f"{(readings.pressing[~pressed] > 0.5).mean():.3f} of others"
        )
    return "\n".join(lines)
