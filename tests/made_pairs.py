"""Made pairs of views: a posed body's joints as two cameras' joint tables would give them.

The bodies are those of `sample_clips_synthetic.generator`; nothing is drawn.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd

from barpath.arms3d import JOINTS, SIDES, Lens, Seen
from sample_clips_synthetic.generator.body import ArmStyle
from sample_clips_synthetic.generator.clip import World
from sample_clips_synthetic.generator.specs import (
    FLARED,
    FLARED_SET,
    NARROW_SET,
    REPORTING,
    TUCKED,
    TUCKED_SET,
    WIDE_SET,
)
from sample_clips_synthetic.generator.truth import arm_measures, find_reps, sample

LIFTERS = {
    "flared": ("tall_man", FLARED_SET, FLARED),
    "tucked": ("tall_man", TUCKED_SET, TUCKED),
    "wide": ("woman", WIDE_SET, ArmStyle(70.0, 60.0, 22.0)),
    "narrow": ("broad_man", NARROW_SET, ArmStyle(30.0, 30.0, 24.0)),
    "middle": ("broad_man", TUCKED_SET, ArmStyle(60.0, 55.0, 26.0)),
}


@dataclass(frozen=True)
class MadePair:
    moments: pd.DataFrame
    bar_m: np.ndarray
    tilt_deg: np.ndarray
    joints: list
    """Truth at each moment: dict of joint centres, world axes with the bar's origin."""
    truth: list
    """`arm_measures` at each moment."""


@cache
def world_of(name: str) -> World:
    build, sets, style = LIFTERS[name]
    spec = replace(
        REPORTING[0], build=build, sets=sets, style=style, start_s=0.0, duration_s=9.0, seed=77
    )
    return World(spec)


@cache
def made_pair(name: str) -> MadePair:
    """Bottom, sticking and lockout of each rep, with truth."""
    world = world_of(name)
    dense = sample(world)
    rows, bars, tilts, joints, truth = [], [], [], [], []
    reps = find_reps(world, dense)
    origin = dense.middle[reps[0]["index"][0]]
    for rep in reps:
        _, touch, press, top = rep["index"]
        for moment, k in (
            ("bottom", (touch + press) // 2),
            ("sticking", press + int(0.45 * (top - press))),
            ("lockout", top),
        ):
            time = float(dense.time_s[k])
            bar = world.bar(time)
            found = world.lifter.joints(world.pose(bar))
            rows.append({"rep": rep["rep"], "moment": moment, "time_s": time})
            bars.append(bar.middle - origin)
            tilts.append(np.degrees(np.arcsin(bar.axis[1])))
            joints.append({name: place - origin for name, place in found.items()})
            truth.append(arm_measures(found))
    return MadePair(pd.DataFrame(rows), np.array(bars), np.array(tilts), joints, truth)


FRONT_LENS = (0.05, 0.75, -3.2)
SIDE_LENS = (-0.2, -0.1, 3.0)
FRONT_DEPTH = {"wrist": 0.0, "elbow": 0.0, "shoulder": 0.10, "hip": -0.40}
SIDE_DEPTH = {"wrist": 0.38, "elbow": 0.40, "shoulder": 0.19, "hip": 0.12}


def made_views(pair: MadePair, rng, *, noise_m, bias_m=0.0, lens=False, hide=()):
    """Joint tables at the moments as a front and a side camera would give them.

    `noise_m` is white, `bias_m` one draw a joint and view; with `lens` the tables hold the
    points where the line of sight meets the depth that a single view assumes.
    """
    out = []
    for view in ("front", "side"):
        across, up, sd = {}, {}, {}
        assumed = {}
        for s, side in enumerate(SIDES):
            for joint in (*JOINTS, "hip"):
                name = f"{side}_{joint}"
                points = np.array([j[name] for j in pair.joints])
                axis, away = (2, 0) if view == "front" else (0, 2)
                a, u = points[:, axis].copy(), points[:, 1].copy()
                sign = (1.0, -1.0)[s]
                assumed[name] = FRONT_DEPTH[joint] if view == "front" else sign * SIDE_DEPTH[joint]
                if lens:
                    c = FRONT_LENS if view == "front" else SIDE_LENS
                    depth = assumed[name] + (pair.bar_m[:, 0] if view == "front" else 0.0)
                    stretch = (depth - c[2]) / (points[:, away] - c[2])
                    a, u = c[0] + (a - c[0]) * stretch, c[1] + (u - c[1]) * stretch
                size = noise_m * (3.0 if joint == "hip" else 1.0)
                a = a + rng.normal(0, bias_m) + rng.normal(0, size, len(a))
                u = u + rng.normal(0, bias_m) + rng.normal(0, size, len(u))
                across[name], up[name] = a, u
                sd[name] = np.full(len(a), max(np.hypot(size, bias_m), 1e-4))
                if (view, name) in hide:
                    a[:] = u[:] = np.nan
        place = None
        if lens:
            place = Lens(*(FRONT_LENS if view == "front" else SIDE_LENS), assumed)
        out.append(Seen(view, across, up, sd, place))
    return out
