"""Made pairs of views: a posed body's joints as two cameras would see them.

The bodies are those of `sample_clips_synthetic.generator`; nothing is drawn.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd

from barpath.space.armfit import fit_arms
from barpath.space.armprior import ArmFitConfig
from barpath.space.arms3d import Arms3d, Seen, arms_at
from barpath.space.sights import SEEN, SIDES, Instants, Sight, Sighting
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
    axis: np.ndarray
    joints: list
    """Truth at each moment: dict of joint centres, world axes with the bar's origin."""
    truth: list
    """`arm_measures` at each moment."""
    frames: Instants
    """Frames in which the joints are looked for."""
    frame_joints: list
    """Truth in each frame."""


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
    reps = find_reps(world, dense)
    origin = dense.middle[reps[0]["index"][0]]

    def posed(time):
        bar = world.bar(time)
        found = world.lifter.joints(world.pose(bar))
        places = {name: place - origin for name, place in found.items()}
        for side in SIDES:
            places[f"{side}_hand"] = world.grips(bar)[side] - origin
        return bar.middle - origin, bar.axis, places, arm_measures(found)

    rows, at = [], []
    for rep in reps:
        _, touch, press, top = rep["index"]
        for moment, k in (
            ("bottom", (touch + press) // 2),
            ("sticking", press + int(0.45 * (top - press))),
            ("lockout", top),
        ):
            rows.append({"rep": rep["rep"], "moment": moment, "time_s": float(dense.time_s[k])})
            at.append(posed(rows[-1]["time_s"]))
    moments = pd.DataFrame(rows)
    spread = np.concatenate(
        [np.linspace(1.0, 8.5, 24), *(t + np.linspace(-0.1, 0.1, 5) for t in moments["time_s"])]
    )
    times = np.sort(spread)
    looked = [posed(time) for time in times]
    frames = Instants(times, np.array([f[0] for f in looked]), np.array([f[1] for f in looked]))
    return MadePair(
        moments,
        np.array([one[0] for one in at]),
        np.array([one[1] for one in at]),
        [one[2] for one in at],
        [one[3] for one in at],
        frames,
        [f[2] for f in looked],
    )


FRONT_AXES = np.column_stack([[0.0, -0.34, 0.94], [0.0, -0.94, -0.34], [1.0, 0.0, 0.0]])
SIDE_AXES = np.column_stack([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]])
CENTRE_PX = np.array([639.5, 359.5])
SIGHTS = (
    Sight(FRONT_AXES, np.array([0.0, -0.1, 3.3]), 1050.0, CENTRE_PX, "front", 0, 0.0, 0.1, 0.1),
    Sight(SIDE_AXES, np.array([0.1, -0.2, 3.0]), 1050.0, CENTRE_PX, "side", 1, 0.72, 0.1, 0.1),
)


def made_sightings(pair: MadePair, rng, *, noise_m, bias_m=0.0, hide=()):
    """What both cameras see: `noise_m` is white, `bias_m` one draw a joint and view."""
    out = []
    n = len(pair.frames.time_s)
    for sight in SIGHTS:
        seen = np.full((n, 2, len(SEEN), 2), np.nan)
        spread = np.full((n, 2, len(SEEN), 2, 2), np.nan)
        for s, side in enumerate(SIDES):
            for j, joint in enumerate(("shoulder", "elbow", "wrist", "hand")):
                if (sight.view, f"{side}_{joint}") in hide:
                    continue
                points = np.array([places[f"{side}_{joint}"] for places in pair.frame_joints])
                off = rng.normal(0, bias_m, 2) + rng.normal(0, noise_m, (n, 2))
                scale = sight.px_per_m(points)[:, None]
                seen[:, s, j] = sight.project(points) + off * scale
                spread[:, s, j] = (max(noise_m, 0.002) * scale[..., None]) ** 2 * np.eye(2)
        out.append(Sighting(sight, pair.frames, np.arange(n), seen, spread))
    return out


def made_arms(name: str, seed: int = 0, *, noise_m=0.004, bias_m=0.0, hide=()):
    """A made pair, and its arms and hips as fitted to what both cameras see."""
    pair, rng = made_pair(name), np.random.default_rng(seed)
    config = ArmFitConfig(
        common_m=max(bias_m, 0.001),
        common_share=0.0,
        own_share=1.0,
        own_m=0.001,
        arms_alike=0.0,
        ends_alike=0.0,
    )
    times = pair.moments["time_s"].to_numpy()
    fit = fit_arms(
        made_sightings(pair, rng, noise_m=noise_m, bias_m=bias_m, hide=hide),
        config,
        Instants(times, pair.bar_m, pair.axis),
    )
    hips = np.mean(
        [[places["left_hip"], places["right_hip"]] for places in pair.joints], axis=0
    ) + rng.normal(0, 3 * noise_m, (2, 3))
    seen = [Seen(sight, sight.project(hips), np.full(2, 3 * noise_m)) for sight in SIGHTS]
    spans = [(time - 0.05, time + 0.05) for time in times]
    arms: Arms3d = arms_at(fit, pair.moments, spans, pair.bar_m, seen)
    return pair, arms
