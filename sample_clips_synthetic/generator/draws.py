"""What is drawn at random for the clips: clothes, rooms, plates, repetitions, cameras' places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .body import ArmStyle, Stance
from .camera import CameraSpec
from .clip import ClipSpec
from .looks import Outfit
from .motion import RepSpec, SetSpec
from .scenery import Load, Plate, Room

BLACK = (0.03, 0.03, 0.035)
EMPTY = Load((), collars=False)
SETTLE_S = 0.8


def shade(rng: np.random.Generator, dark: float, bright: float) -> tuple[float, float, float]:
    """Colour of a brightness between two, linear RGB, more or less grey."""
    value = rng.uniform(dark, bright) * (1 + rng.uniform(-0.35, 0.35, 3))
    return tuple(np.round(value, 3).tolist())


def clothes(rng: np.random.Generator) -> Outfit:
    """Somebody's skin, hair and clothes."""
    skins = ((0.60, 0.38, 0.28), (0.45, 0.26, 0.17), (0.26, 0.14, 0.085), (0.09, 0.05, 0.034))
    long_sleeves = rng.random() < 0.3
    return Outfit(
        skin=skins[int(rng.integers(4))],
        shirt=shade(rng, 0.02, 0.6),
        shorts=shade(rng, 0.02, 0.3),
        shoes=shade(rng, 0.03, 0.7),
        hair=shade(rng, 0.01, 0.15),
        sleeve_share=1.5 if long_sleeves else float(rng.choice([0.0, 0.5, 0.8])),
        forearm_share=0.9 if long_sleeves else 0.0,
        loose_m=float(rng.choice([0.0, 0.006, 0.010])),
        leg_share=float(rng.choice([0.5, 0.75, 2.0])),
        bare_chest=bool(not long_sleeves and rng.random() < 0.2),
        belt=bool(rng.random() < 0.2),
    )


def gym(rng: np.random.Generator) -> Room:
    """A room of any colours."""
    return Room(
        wall=shade(rng, 0.05, 0.6),
        stripe=shade(rng, 0.03, 0.4),
        floor=shade(rng, 0.03, 0.2),
        mat=shade(rng, 0.03, 0.2),
        frame=shade(rng, 0.03, 0.4),
        pad=shade(rng, 0.015, 0.15),
    )


def plates(rng: np.random.Generator) -> Load:
    """One or two full-sized plates a side, or a full-sized and a small one."""
    colour = shade(rng, 0.02, 0.3)
    return (
        Load((Plate(0.450, 0.042, colour),)),
        Load((Plate(0.450, 0.035, BLACK), Plate(0.450, 0.028, colour))),
        Load((Plate(0.450, 0.035, colour), Plate(0.280, 0.028, BLACK))),
    )[int(rng.integers(3))]


def mean_touch_m(flare_deg: float) -> float:
    """Touch point from the shoulders toward the feet: the lower, the more the elbows are tucked."""
    return 0.09 + 0.12 * (1 - (flare_deg - 25) / 60)


def usual_touch_m(rng: np.random.Generator, flare_deg: float) -> float:
    """Somebody's touch point, about `mean_touch_m`."""
    return mean_touch_m(flare_deg) + float(rng.uniform(-0.015, 0.015))


def two_reps(rng: np.random.Generator, touch_m: float) -> tuple[RepSpec, RepSpec]:
    """Two repetitions that touch nearly one place, so far toward the feet from the shoulders."""
    first, second = (
        RepSpec(
            descent_s=float(rng.uniform(1.0, 1.5)),
            pause_s=float(rng.uniform(0.2, 0.8)),
            press_s=float(rng.uniform(1.0, 1.6)),
            hold_s=0.7,
            dip=float(rng.uniform(0.4, 0.7)),
            second_peak=float(rng.uniform(0.98, 1.08)),
            touch_toward_feet_m=round(touch_m + 0.005 * i, 4),
            early_return=float(rng.uniform(0.2, 0.5)),
            left_lag=float(rng.uniform(-0.06, 0.06)),
        )
        for i in range(2)
    )
    return first, second


def set_s(reps: tuple[RepSpec, ...], settle_s: float = SETTLE_S) -> float:
    """Length of a set that begins with some seconds at lockout, seconds."""
    return settle_s + sum(r.descent_s + r.pause_s + r.press_s + r.hold_s for r in reps)


Place = tuple[float, float, float]


def around(azimuth_deg: float, height_m: float, distance_m: float, middle_m: float = 0.0) -> Place:
    """Place of a camera around the bench, metres; the distance is along the floor.

    Azimuth 0 is from the feet, 90 from the lifter's left, about a middle so far toward the head.
    """
    turn = np.radians(azimuth_deg)
    place = (middle_m - distance_m * np.cos(turn), height_m, distance_m * np.sin(turn))
    return tuple(np.round(place, 3).tolist())


@dataclass(frozen=True)
class Aim:
    """What cameras look at, more or less, and how narrow their lenses are.

    Attributes
    ----------
    middle_m : float
        See `around`.
    target_m, spread_m
        What is looked at, and how far it may lie off along each axis.
    focal_shares
        Least and greatest `CameraSpec.focal_share`.
    """

    middle_m: float
    target_m: Place
    spread_m: float
    focal_shares: tuple[float, float]


CHEST = Aim(0.0, (-0.14, 0.76, 0.0), 0.06, (0.74, 0.88))


def seen_from(
    rng: np.random.Generator,
    azimuth_deg: float,
    height_m: float,
    distance_m: float,
    size: tuple[int, int] = (1280, 720),
    handheld: bool = False,
    aim: Aim = CHEST,
) -> CameraSpec:
    """Camera `around` the bench that looks at the lifter's chest, or whatever it is aimed at."""
    target = np.array(aim.target_m) + rng.uniform(-aim.spread_m, aim.spread_m, 3)
    return CameraSpec(
        around(azimuth_deg, height_m, distance_m, aim.middle_m),
        tuple(np.round(target, 3).tolist()),
        round(float(rng.uniform(-1.5, 1.5)), 2),
        *size,
        focal_share=round(float(rng.uniform(*aim.focal_shares)), 3),
        shake_m=0.006 if handheld else 0.0,
        shake_deg=0.35 if handheld else 0.0,
    )


def empty_bar(
    name: str, purpose: str, build: str, seed: int, azimuth: float, height: float
) -> ClipSpec:
    """A set with the bar alone. Clips of one seed show one set from several places."""
    rng = np.random.default_rng(seed)
    flare = float(rng.uniform(40, 80))
    reps = two_reps(rng, usual_touch_m(rng, flare))
    outfit, room, grip = clothes(rng), gym(rng), round(float(rng.uniform(0.55, 0.72)), 3)
    stance = Stance(float(rng.uniform(15, 35)), 0.22, 0.30)
    camera = seen_from(np.random.default_rng([seed, int(azimuth) + 180]), azimuth, height, 2.9)
    view = "front" if abs(azimuth) < 20 else "side" if abs(azimuth) > 75 else "oblique"
    return ClipSpec(
        name, purpose, f"the empty bar, 20 kg, from {azimuth} degrees", seed, view, camera,
        build=build, outfit=outfit, load=EMPTY, load_kg=20.0, room=room, stance=stance,
        style=ArmStyle(flare, 0.8 * flare, 22.0),
        sets=SetSpec(reps, settle_s=SETTLE_S, grip_width_m=grip, yaw_deg=0.4),
        duration_s=round(set_s(reps), 2),
    )  # fmt: skip
