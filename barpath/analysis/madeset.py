"""A made set of bench press: a typical lifter and bar in the world, without pictures.

World axes, metres: x toward the lifter's head from the bar's place at lockout, y up from the floor,
z toward the lifter's left from the body's midline.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from barpath.ground.equipment import LARGEST_DISC_M, POWER_BAR

Floats = NDArray[np.float64]

SIDES = (("left", 1.0), ("right", -1.0))
"""The lifter's sides, and the sign of z there."""


@dataclass(frozen=True)
class MadeSetConfig:
    """Lifter, bar and set; common practice, no source, where nothing else is said.

    Attributes
    ----------
    upper_arm_m, forearm_m, hand_m : float
        Between joint centres, and wrist to bar: the usual ones (see `armprior.ArmFitConfig`).
    shoulder_height_m, shoulder_half_m, grip_half_m : float
    touch_over_m, touch_toward_feet_m : float
        The bar at the touch, from the shoulder joints.
    rise_m : float
        From the touch to lockout.
    hip_m : tuple of float
        The hips from the middle of the shoulders: toward the feet, up, and half their width.
    plate_m, plates_thick_m, plates_inside_m : float
        Diameter; thickness of what is on a sleeve; its inner face from the bar's middle.
    collar_m, bar_end_m : float
        From the bar's middle.
    fps, n_reps : float, int
    hold_s, descent_s, pause_s, press_s : float
    looks_per_s : float
        How often joints are read.
    """

    upper_arm_m: float = 0.289
    forearm_m: float = 0.266
    hand_m: float = 0.079
    shoulder_height_m: float = 0.52
    shoulder_half_m: float = 0.19
    grip_half_m: float = 0.33
    touch_over_m: float = 0.225
    touch_toward_feet_m: float = 0.12
    rise_m: float = 0.385
    hip_m: tuple[float, float, float] = (0.50, 0.02, 0.10)
    plate_m: float = LARGEST_DISC_M
    plates_thick_m: float = 0.06
    plates_inside_m: float = POWER_BAR.inner_faces_m / 2
    collar_m: float = POWER_BAR.collar_m
    bar_end_m: float = POWER_BAR.end_m
    fps: float = 30.0
    n_reps: int = 2
    hold_s: float = 0.8
    descent_s: float = 1.1
    pause_s: float = 0.45
    press_s: float = 1.3
    looks_per_s: float = 12.0

    @property
    def half_way_m(self) -> Floats:
        """Middle of the bar's way in the world, (3,)."""
        over = self.shoulder_height_m + self.touch_over_m + self.rise_m / 2
        return np.array([-self.touch_toward_feet_m / 2, over, 0.0])


@dataclass(frozen=True)
class MadeSet:
    """Where everything is, frame by frame.

    Attributes
    ----------
    config : MadeSetConfig
    time_s, low : ndarray, shape (n,)
        Times of the frames; how low the bar is, 0 at the top and 1 at the bottom.
    bar_m : ndarray, shape (n, 3)
        The bar's middle; the bar lies along z.
    points_m : dict of str to ndarray, shape (n, 3)
        `{side}_{point}` for joints and the bar's parts.
    """

    config: MadeSetConfig
    time_s: Floats
    low: Floats
    bar_m: Floats
    points_m: dict[str, Floats]


def made_set(config: MadeSetConfig | None = None) -> MadeSet:
    """Make the set.

    Examples
    --------
    >>> made = made_set()
    >>> upper = made.points_m["left_elbow"] - made.points_m["left_shoulder"]
    >>> bool(np.allclose(np.linalg.norm(upper, axis=1), made.config.upper_arm_m))
    True
    """
    config = config or MadeSetConfig()
    low = _lowness(config)
    time_s = np.arange(len(low)) / config.fps
    touch = config.shoulder_height_m + config.touch_over_m
    bar = np.zeros((len(low), 3))
    # The bar goes toward the head early in the press, and comes forward late in the descent.
    bar[:, 0] = -config.touch_toward_feet_m * low**1.4
    bar[:, 1] = touch + config.rise_m * (1 - low)
    points: dict[str, Floats] = {}
    for side, out in SIDES:
        points |= {f"{side}_{name}": at for name, at in _arm(bar, low, out, config).items()}
        back, up, half = config.hip_m
        hip = np.array([-back, config.shoulder_height_m + up, out * half])
        points[f"{side}_hip"] = np.tile(hip, (len(low), 1))
        outside_m = config.plates_inside_m + config.plates_thick_m
        along = {"plate": outside_m, "collar": config.collar_m, "bar_end": config.bar_end_m}
        for name, way_m in along.items():
            points[f"{side}_{name}"] = bar + np.array([0.0, 0.0, out * way_m])
    return MadeSet(config, time_s, low, bar, points)


def _lowness(config: MadeSetConfig) -> Floats:
    """How low the bar is in every frame: smooth descents, pauses, presses that slow down midway."""

    def frames(span_s: float) -> Floats:
        return np.linspace(0.0, 1.0, round(span_s * config.fps), endpoint=False)

    down = frames(config.descent_s)
    share = np.linspace(0.0, 1.0, 400)
    speed = np.sin(np.pi * share) * (1 - 0.5 * np.exp(-(((share - 0.42) / 0.13) ** 2)))
    risen = np.cumsum(speed) / speed.sum()
    press = np.interp(frames(config.press_s), share, risen)
    hold, pause = frames(config.hold_s), frames(config.pause_s)
    rep = [(1 - np.cos(np.pi * down)) / 2, np.ones(len(pause)), 1 - press, np.zeros(len(hold))]
    return np.concatenate([np.zeros(len(hold)), *(rep * config.n_reps)])


def _arm(bar: Floats, low: Floats, out: float, config: MadeSetConfig) -> dict[str, Floats]:
    """Shoulder, elbow, wrist and hand of one arm, (n, 3) each.

    The elbow lies on the circle about the line from shoulder to wrist, turned so that the forearm
    is upright seen from beside when the bar is on the chest.
    """
    hand = bar + np.array([0.0, 0.0, out * config.grip_half_m])
    wrist = hand - np.array([0.0, config.hand_m, 0.0])
    place = np.array([0.0, config.shoulder_height_m, out * config.shoulder_half_m])
    shoulder = np.tile(place, (len(bar), 1))
    upper, forearm = config.upper_arm_m, config.forearm_m
    way = wrist - shoulder
    distance = np.linalg.norm(way, axis=1, keepdims=True)
    toward = way / distance
    before = (upper**2 - forearm**2 + distance**2) / (2 * distance)
    radius = np.sqrt(np.maximum(upper**2 - before**2, 0.0))
    outward = np.array([0.0, 0.0, out]) - out * toward[:, 2:] * toward
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    feetward = -out * np.cross(toward, outward)
    swivels = np.deg2rad(np.arange(0.0, 120.0, 0.5))
    deepest = int(np.argmax(low))
    turned = (
        np.cos(swivels)[:, None] * outward[deepest] + np.sin(swivels)[:, None] * feetward[deepest]
    )
    elbows = shoulder[deepest] + before[deepest] * toward[deepest] + radius[deepest] * turned
    # Of both turns that put the elbow under the wrist, the one with the lower elbow.
    off = np.abs(elbows[:, 0] - wrist[deepest, 0]) + 0.2 * (elbows[:, 1] - elbows[:, 1].min())
    swivel = swivels[int(np.argmin(off))]
    elbow = shoulder + before * toward
    elbow = elbow + radius * (np.cos(swivel) * outward + np.sin(swivel) * feetward)
    return {"shoulder": shoulder, "elbow": elbow, "wrist": wrist, "hand": hand}
