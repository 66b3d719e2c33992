"""What is known of lifters, bars and the joint network before the arms of a set are fitted.

Values of a fit are, in this order: what the set shares (`SHARED`), of each camera its turn and nod
and what the network's readings are off in it, and the swivel of both arms by frame.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from barpath.ground.equipment import POWER_BAR, Bar
from barpath.ground.uncertainty import pooled
from barpath.space.sights import OUTWARD, SEEN, SIDES, Sight

Floats = NDArray[np.float64]

SHARED = (
    "log_upper",
    "log_forearm",
    *(f"{side}_shoulder_{axis}" for side in SIDES for axis in "xyz"),
    *(f"give_{axis}" for axis in "xyz"),
    *(f"{side}_grip" for side in SIDES),
    "hand_lean",
    "hand",
    *(f"{side}_forearm_lean" for side in SIDES),
    "swivel",
    "swivel_apart",
    "log_size",
)
AT = {name: k for k, name in enumerate(SHARED)}
"""Where in the values each of `SHARED` stands."""
N_TURNS = 2
N_BIASES = 2 * 2 * len(SEEN) * 2
"""Bar at the bottom or the top, side, point, picture axis."""
N_OWN = N_TURNS + N_BIASES
"""What is each camera's own: its turn and nod, and the network's errors in it."""
Off = tuple[float, float, float]
"""Outward, toward the head, and up."""
SMALL = 1e-6
"""Keeps roots and quotients off nought."""


@dataclass(frozen=True)
class ArmFitConfig:
    """What is known of lifters, bars and the joint network before the clip is looked at.

    A small lifter is small in all parts: stature is spread by `stature_rel_sd` among lifters, and
    each segment's share of it by `share_rel_sd`; the shoulders' width goes with stature as well.
    Segment lengths as shares of stature are weak priors: 0.186 and 0.146 for upper arm and forearm
    (Drillis and Contini 1966, as given in Winter, Biomechanics and Motor Control of Human Movement)
    and 0.162 and 0.154 between joint centres (de Leva 1996, men; from memory) bracket them. The
    wrist's centre lies about 8 cm from the axis of a gripped bar (de Leva 1996: wrist to third
    knuckle 86 mm in men, 78 mm in women; from memory; the bar lies short of the knuckles). At the
    touch the bar lies on a chest some 25 cm deep (body surveys; from memory) that the arch raises a
    little, and the shoulder joints lie some 9 cm over the bench (no source). What else has no
    source is common practice: the bar is over the shoulders at lockout, to within some 5 cm, with
    the elbows nearly straight, forearms are upright seen from the side when the bar is on the
    chest, elbows stay below the wrists, and both arms do alike.

    The network's error has a part that stays the same while the picture stays alike, with the bar
    low and with it high, and a part that is each frame's own. `common_share` and `own_share` are
    their standard deviations as shares of the stated one; a frame's own part is counted larger
    than it scatters, since neighbouring frames are no independent readings; `common_m` and
    `own_m` are added to them, metres. `arms_alike` and `ends_alike` are the correlation of the
    former between both arms and between the bar low and high, and `views_alike` between the heights
    in two cameras that look the same way: of 53 sets of the tuning clips heights of elbows and
    shoulders are misread alike by 0.2 to 0.5 in cameras 40 to 50 degrees apart, by 0.1 in those at
    right angles, and places across the picture hardly. `usual_off` says by how much of the common
    part readings are off on average, outward, toward the head and up, with the bar low and high: of
    three lists of clips, alike in each. All of these are of the tuning clips.
    Where the bar's parts lie is the bar's (`barbell`), each known to `bar_part_sd_m`; bars differ
    mostly in their length over all. `model_factor` widens the fit's spread for what its model
    leaves out.

    Where elbows are hidden the network's readings lean to the usual place (`armguess`): that of
    `swivel_deg` and the usual lengths, about which lifters are spread by `usual_swivel_sd_deg`, by
    how the arm's length is shared, and by `usual_elbow_sd_m` for all else; readings go at most the
    share `most_pull` of the way. All of these have no source. Readings of shoulders lean to the
    height at which arms of `usual_arm_m` would hold the bar at lockout, about which lifters are
    spread by `usual_arm_sd_m`: lengths and spread are those of the segments above. How far the
    elbows of the lifter at hand are turned is left as open as can be by `swivel_mean_sd_deg`;
    forearms are taken to be upright to `forearm_upright_sd_m`, some 10 degrees.
    """

    upper_arm_m: float | None = None
    upper_arm_sd_m: float = 0.01
    stature_m: float = 1.74
    stature_rel_sd: float = 0.07
    upper_arm_share: float = 0.166
    forearm_share: float = 0.153
    share_rel_sd: float = 0.08
    length_ratio_sd: float = 0.10
    shoulder_half_m: float = 0.18
    shoulder_half_sd_m: float = 0.025
    shoulder_behind_bar_m: float = 0.0
    shoulder_behind_bar_sd_m: float = 0.025
    shoulder_give_sd_m: float = 0.012
    grip_half_m: float = 0.35
    grip_half_sd_m: float = 0.05
    hand_m: float = 0.079
    hand_sd_m: float = 0.008
    hand_lean_sd_m: float = 0.008
    touch_m: float = 0.22
    touch_sd_m: float = 0.045
    straight: float = 0.985
    straight_sd: float = 0.012
    forearm_upright_sd_m: float = 0.045
    leans_alike_m: float = 0.015
    lean_within_sd_m: float = 0.03
    swivel_deg: float = 45.0
    swivel_mean_sd_deg: float = 35.0
    swivel_sd_deg: float = 15.0
    swivel_acceleration_rad_s2: float = 8.0
    sides_alike_m: float = 0.015
    sides_alike_deg: float = 6.0
    barbell: Bar = POWER_BAR
    bar_part_sd_m: dict[str, float] = field(
        default_factory=lambda: {"collar": 0.01, "bar_end": 0.05}
    )
    common_share: float = 0.85
    common_m: float = 0.001
    arms_alike: float = 0.7
    ends_alike: float = 0.5
    views_alike: float = 0.8
    own_share: float = 2.1
    own_m: float = 0.009
    usual_off: dict[str, tuple[Off, Off]] = field(
        default_factory=lambda: {
            "shoulder": ((-0.25, 0.4, 0.2), (-0.25, 0.3, 0.2)),
            "elbow": ((-0.2, 0.0, -0.15), (0.0, 0.0, -0.45)),
        }
    )
    usual_swivel_sd_deg: float = 20.0
    usual_elbow_sd_m: float = 0.03
    usual_arm_m: float = 0.555
    usual_arm_sd_m: float = 0.05
    most_pull: float = 0.9
    max_frames: int = 48
    n_rounds: int = 3
    n_steps: int = 20
    degrees_of_freedom: float = 4.0
    given_sd_m: float = 0.005
    model_factor: float = 1.15
    n_draws: int = 120
    seed: int = 7

    @property
    def bar_part_m(self) -> dict[str, float]:
        """How far from the bar's middle the collars and the bar's ends lie."""
        return {"collar": self.barbell.collar_m, "bar_end": self.barbell.end_m}


def shared_prior(bar_m: Floats, config: ArmFitConfig) -> tuple[Floats, Floats]:
    """Mean and standard uncertainty of each of `SHARED`, given where the bar was, (n, 3)."""
    stature, rel = config.stature_m, config.share_rel_sd
    size, size_sd = 0.0, config.stature_rel_sd
    upper_m, upper_rel = stature * config.upper_arm_share, rel
    if config.upper_arm_m is not None:
        size, size_sd = pooled((size, size_sd), (np.log(config.upper_arm_m / upper_m), rel))
        upper_m, upper_rel = config.upper_arm_m, config.upper_arm_sd_m / config.upper_arm_m
    prior = {
        "log_upper": (np.log(upper_m), upper_rel),
        "log_forearm": (np.log(stature * config.forearm_share) + size, rel),
        "give_x": (0.0, config.shoulder_give_sd_m),
        "give_y": (-config.shoulder_give_sd_m, config.shoulder_give_sd_m),
        "give_z": (0.0, config.shoulder_give_sd_m),
        "hand_lean": (0.0, config.hand_lean_sd_m),
        "hand": (config.hand_m, config.hand_sd_m),
        "swivel": (np.deg2rad(config.swivel_deg), np.deg2rad(config.swivel_mean_sd_deg)),
        "swivel_apart": (0.0, np.deg2rad(config.sides_alike_deg)),
        "log_size": (size, size_sd),
    }
    top, bottom = bar_reach_m(bar_m)
    arm_m = stature * (config.upper_arm_share + config.forearm_share)
    shoulder_y = shoulders_under(top, arm_m, config)
    high = bar_m[:, 1] > top - 0.15 * (top - bottom)
    shoulder_x = float(np.nanmedian(bar_m[high, 0])) + config.shoulder_behind_bar_m
    half_m = config.shoulder_half_m * (1 + size)
    for side, out in zip(SIDES, OUTWARD, strict=True):
        prior |= {
            f"{side}_shoulder_x": (shoulder_x, config.shoulder_behind_bar_sd_m),
            # The reach at lockout says how high the bar is over the shoulders.
            f"{side}_shoulder_y": (shoulder_y, 0.5),
            f"{side}_shoulder_z": (out * half_m, config.shoulder_half_sd_m),
            f"{side}_grip": (config.grip_half_m, config.grip_half_sd_m),
            f"{side}_forearm_lean": (0.0, config.forearm_upright_sd_m),
        }
    start, sd = np.array([prior[name] for name in SHARED]).T
    return start, sd


def bar_reach_m(bar_m: Floats) -> tuple[float, float]:
    """Height of the bar at lockout and at the touch, by where it was, (n, 3), m."""
    top, bottom = np.nanpercentile(bar_m[:, 1], [97, 3])
    return float(top), float(bottom)


def shoulders_under(top_m: float, arm_m: float, config: ArmFitConfig) -> float:
    """Height of the shoulders when arms of some length hold the bar at lockout, m."""
    return top_m - (arm_m + config.hand_m) * config.straight


def with_size(config: ArmFitConfig) -> Floats:
    """By how much each of `SHARED` is expected to change with the logarithm of the size."""
    grown = {"log_forearm": 1.0}
    if config.upper_arm_m is None:
        grown["log_upper"] = 1.0
    for side, out in zip(SIDES, OUTWARD, strict=True):
        grown[f"{side}_shoulder_z"] = out * config.shoulder_half_m
    return np.array([grown.get(name, 0.0) for name in SHARED])


def whitener(sights: Sequence[Sight], config: ArmFitConfig) -> Floats:
    """Root of the inverse correlation of all that is not the frames' own.

    What readings of the left and the right arm are off goes together, and so does what they are off
    with the bar low and with it high; and what heights are off in two cameras, the more the less
    far apart they look.
    """
    n = len(sights)
    ends, sides = (
        np.array([[1.0, alike], [alike, 1.0]]) for alike in (config.ends_alike, config.arms_alike)
    )
    ways = np.array([sight.axes[2] for sight in sights])
    heights = np.eye(n) + config.views_alike * ((ways @ ways.T) ** 2 - np.eye(n))
    out = np.eye(len(SHARED) + N_OWN * n)
    begins = len(SHARED) + N_OWN * np.arange(n) + N_TURNS
    across = np.add.outer(begins, np.arange(0, N_BIASES, 2)).ravel()
    for axis, views in enumerate((np.eye(n), heights)):
        # Order: camera, bottom or top, side, point.
        root = np.linalg.inv(np.linalg.cholesky(np.kron(views, np.kron(ends, sides))))
        out[np.ix_(across + axis, across + axis)] = np.kron(root, np.eye(len(SEEN)))
    return out
