"""Clips of the guests, twenty bodies that no other clip, no training set and no tuning has seen.

Never tune to any of them. The ``visitors`` are for reporting accuracy: twelve of the guests, a set
of two repetitions each, filmed from the feet, at an angle and from the side, and two empty bars.
The ``comparisons`` are for saying how surely two ways of pressing are told apart: the other eight
guests, each pressing both of two ways in five sessions, one repetition at a time. The ``places``
are for saying what a camera's place does to accuracy: three of those eight, one set each, filmed
from nine places at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .body import ArmStyle, Stance
from .camera import CameraSpec
from .clip import ClipSpec
from .draws import (
    BLACK,
    SETTLE_S,
    Aim,
    around,
    clothes,
    empty_bar,
    gym,
    mean_touch_m,
    plates,
    seen_from,
    set_s,
    shade,
    two_reps,
    usual_touch_m,
)
from .looks import Outfit
from .motion import RepSpec, SetSpec
from .scenery import Load, Plate

VIEWS = ("front", "oblique", "side")
WOMEN = (2, 7, 9, 10, 18, 19, 20)


def _clothes(rng: np.random.Generator, body: int, women: tuple[int, ...] = WOMEN) -> Outfit:
    return replace(clothes(rng), bare_chest=False) if body in women else clothes(rng)


def _stance(rng: np.random.Generator) -> Stance:
    return Stance(
        float(rng.uniform(14, 40)), float(rng.uniform(0.15, 0.28)), float(rng.uniform(0.27, 0.35))
    )


def _style(flare_deg: float, wrist_back_deg: float) -> ArmStyle:
    return ArmStyle(flare_deg, float(np.clip(flare_deg * 0.8, 25, 62)), wrist_back_deg)


BAR_WAY = Aim(-0.1, (-0.12, 0.82, 0.0), 0.05, (0.74, 0.84))
"""The middle of the bar's way."""
LOCKOUT_SHIFTS_M = (-0.03, 0.03)
"""How far from over the shoulders a bar is locked out at most."""


def _advised(
    rng: np.random.Generator,
    view: str,
    side: float,
    size: tuple[int, int],
    headward: bool = False,
    handheld: bool = False,
) -> CameraSpec:
    """Camera somewhere within what the guide to filming asks for.

    From the feet at about eye height and nearly in the middle; beside the bench at the height of
    the bar half way, about 3 m away and nearly square to the bar; at an angle, 30 to 60 degrees
    off the body's length at either height, toward the feet or the head.
    """
    if view == "front":
        azimuth, height = rng.uniform(-8, 8), rng.uniform(1.5, 2.05)
    elif view == "side":
        azimuth, height = side * rng.uniform(84, 96), rng.uniform(0.8, 1.2)
    else:
        # From behind the head the rack hides the lifter unless one stands well aside.
        azimuth = 180 - rng.uniform(48, 60) if headward else rng.uniform(30, 60)
        azimuth, height = side * azimuth, rng.uniform(0.9, 1.8)
    distance = float(rng.uniform(2.8, 3.4))
    return seen_from(rng, float(azimuth), float(height), distance, size, handheld, BAR_WAY)


@dataclass(frozen=True)
class Coming:
    """How one of a `Party` presses and is filmed.

    Attributes
    ----------
    body : int
        Number of the body among its kind.
    plates : str
        See `_load`.
    load_kg : float
        Written down beside the clip.
    angle_side, side : int
        On which side the camera at an angle and the one beside stand, 1 left, -1 right.
    headward : bool
        Whether the camera at an angle looks from the head's end.
    spotter : str
        Body of a spotter, ``""`` without.
    handheld : tuple of str
        Views filmed by hand.
    fps : float
        Frames a second.
    """

    body: int
    plates: str
    load_kg: float
    angle_side: int
    headward: bool
    side: int
    spotter: str = ""
    handheld: tuple[str, ...] = ()
    fps: float = 30


@dataclass(frozen=True)
class Party:
    """Lifters who come once, each filmed from the feet, at an angle and from beside.

    Attributes
    ----------
    purpose, prefix, bodies : str
        Name of the list, beginning of the clips' names and of the bodies'.
    women : tuple of int
        Which bodies are women's.
    draw, first_seed : int
        Seeds.
    plan : tuple of Coming
        Each one's.
    grips_m, flares_deg : list of float
        Each one's grip, and direction of the elbows at the chest.
    upright, variable : tuple of int
        Whose clip from beside is upright, and whose clips have a variable frame rate.
    lockout_sd_m : float
        By how much lifters differ in where the bar is at lockout, from straight over the shoulders.
    second_way : list of (float, float)
        Grip and direction of the elbows in a second set of each, the same day; none if empty.
        Every other lifter's is filmed from other places than the first.
    """

    purpose: str
    prefix: str
    bodies: str
    women: tuple[int, ...]
    draw: int
    first_seed: int
    plan: tuple[Coming, ...]
    grips_m: list[float]
    flares_deg: list[float]
    upright: tuple[int, ...]
    variable: tuple[int, ...]
    lockout_sd_m: float = 0.0
    second_way: tuple[tuple[float, float], ...] = ()


_VISITORS_PLAN = (
    Coming(1, "bumper", 70, 1, False, -1),
    Coming(2, "small", 40, -1, False, 1, handheld=("oblique",)),
    Coming(3, "stack", 95, 1, True, 1),
    Coming(5, "two", 110, -1, False, -1, fps=24),
    Coming(6, "three", 130, 1, False, -1, "guest_11", ("oblique", "side")),
    Coming(8, "single", 60, -1, True, 1),
    Coming(9, "little", 30, -1, False, 1, fps=60),
    Coming(13, "ladder", 100, 1, False, 1, "guest_4", ("front",)),
    Coming(14, "two", 120, -1, False, -1, "guest_17"),
    Coming(15, "iron", 50, 1, False, 1, handheld=("oblique",)),
    Coming(18, "bumper", 70, -1, True, -1),
    Coming(20, "pair", 45, 1, False, -1, "guest_11"),
)
_SIZES = ((1280, 720), (640, 360), (960, 540), (1280, 720), (854, 480), (1120, 630))
UPRIGHT = (720, 1280)


def _load(rng: np.random.Generator, kind: str) -> Load:
    one, other, third = (shade(rng, 0.02, 0.35) for _ in range(3))
    kinds = {
        "single": (Plate(0.450, 0.045, one),),
        "bumper": (Plate(0.450, 0.068, one),),
        "two": (Plate(0.450, 0.035, BLACK), Plate(0.450, 0.028, one)),
        "three": (
            Plate(0.450, 0.030, one),
            Plate(0.450, 0.030, other),
            Plate(0.450, 0.026, third),
        ),
        # The largest is not the outermost.
        "stack": (
            Plate(0.450, 0.040, one),
            Plate(0.325, 0.030, other),
            Plate(0.230, 0.025, BLACK),
        ),
        "ladder": (
            Plate(0.450, 0.035, BLACK),
            Plate(0.450, 0.027, one),
            Plate(0.280, 0.028, other),
            Plate(0.200, 0.020, third),
        ),
        "iron": (Plate(0.325, 0.032, BLACK),),
        "small": (Plate(0.280, 0.030, one),),
        "little": (Plate(0.230, 0.026, one),),
        "pair": (Plate(0.280, 0.028, BLACK), Plate(0.230, 0.022, one)),
    }
    return Load(kinds[kind])


def spread_over(draw: int, seed: int, low: float, high: float, count: int) -> list[float]:
    """Random values that between them cover a range evenly."""
    rng = np.random.default_rng([draw, seed])
    shares = (rng.permutation(count) + rng.uniform(0, 1, count)) / count
    return [round(float(v), 3) for v in low + (high - low) * shares]


# The first draw in which nobody long-armed has to press with forearms leaning in by more
# than some 35 degrees.
_PARTY = Party(
    "visitors", "qw", "guest", WOMEN, 9600, 5000, _VISITORS_PLAN,
    spread_over(9600, 239, 0.45, 0.84, len(_VISITORS_PLAN)),
    spread_over(9600, 240, 25, 85, len(_VISITORS_PLAN)),
    upright=(6,), variable=(4,),
)  # fmt: skip


def clips_of(party: Party) -> tuple[ClipSpec, ...]:
    """Clips of all of a party, each way of each from all of `VIEWS`."""
    return tuple(
        _one_of(party, number, way, view)
        for number in range(1, len(party.plan) + 1)
        for way in ("ab" if party.second_way else ("",))
        for view in VIEWS
    )


def _one_of(party: Party, number: int, way: str, view: str) -> ClipSpec:
    """Clip of the `number`-th of a party, from 1, pressing one way, from one of `VIEWS`."""
    one, second = party.plan[number - 1], way == "b"
    grip, flare = party.grips_m[number - 1], party.flares_deg[number - 1]
    if second:
        grip, flare = party.second_way[number - 1]
    rng = np.random.default_rng([party.draw, number, 1])
    stance, style = _stance(rng), _style(flare, float(rng.uniform(8, 38)))
    outfit, room, load = _clothes(rng, one.body, party.women), gym(rng), _load(rng, one.plates)
    if second:
        rng = np.random.default_rng([party.draw, number, 10])
    touch = float(np.clip(usual_touch_m(rng, flare) + rng.uniform(-0.02, 0.02), 0.08, 0.22))
    reps = two_reps(rng, touch)
    if party.lockout_sd_m:
        own = np.random.default_rng([party.draw, number, 8])
        shift = float(np.clip(own.normal(0, party.lockout_sd_m), *LOCKOUT_SHIFTS_M))
        reps = tuple(replace(rep, lockout_shift_m=round(shift, 4)) for rep in reps)
    sets = SetSpec(
        reps,
        settle_s=SETTLE_S,
        grip_width_m=grip,
        grip_shift_m=float(rng.uniform(-0.008, 0.008)),
        yaw_deg=float(rng.uniform(-0.7, 0.7)),
    )
    light = (float(rng.uniform(0.95, 1.6)), float(rng.uniform(2, 4.5)), int(rng.integers(22, 29)))
    seen = VIEWS.index(view)
    moved = second and number % 2 == 0
    place = np.random.default_rng([party.draw, number, (11 if moved else 2) + seen])
    upright = view == "side" and number in party.upright
    size = UPRIGHT if upright else _SIZES[(number + 2 * seen) % len(_SIZES)]
    side = one.angle_side if view == "oblique" else one.side
    camera = _advised(place, view, side, size, one.headward, view in one.handheld)
    late = round(float(place.uniform(0.0, 0.4)), 2)
    return ClipSpec(
        f"{party.prefix}_{number:02d}{way}_{view}", party.purpose,
        f"{one.plates}, {one.load_kg:.0f} kg, grip {grip:.2f} m, flare {flare:.0f}",
        party.first_seed + 10 * number + second, view, camera,
        build=f"{party.bodies}_{one.body}", outfit=outfit, load=load, load_kg=one.load_kg,
        room=room, stance=stance, style=style, sets=sets, spotter=one.spotter,
        spotter_outfit=clothes(np.random.default_rng([party.draw, number, 9])),
        start_s=late, duration_s=round(set_s(reps) - late, 2), fps=one.fps,
        variable_rate=number in party.variable, gain=light[0], noise=light[1], crf=light[2],
    )  # fmt: skip


VISITORS: tuple[ClipSpec, ...] = (
    *clips_of(_PARTY),
    empty_bar("qw_empty_1_front", "visitors", "guest_13", 5901, -6, 1.7),
    empty_bar("qw_empty_1_oblique", "visitors", "guest_13", 5901, 49, 1.2),
    empty_bar("qw_empty_1_side", "visitors", "guest_13", 5901, -92, 1.0),
    empty_bar("qw_empty_2_front", "visitors", "guest_20", 5902, 4, 1.9),
    empty_bar("qw_empty_2_oblique", "visitors", "guest_20", 5902, -36, 1.5),
    empty_bar("qw_empty_2_side", "visitors", "guest_20", 5902, 88, 1.1),
)


@dataclass(frozen=True)
class Spread:
    """Standard deviations of what a lifter does who means to do the same.

    Attributes
    ----------
    flare_deg
        Of the direction in which the elbows point at the chest.
    touch_m
        Of the touch point along the body.
    grip_m
        Of the distance between the hands.
    wrist_deg, arch_deg
        Of the wrist's extension and the spine's.
    """

    flare_deg: float
    touch_m: float
    grip_m: float
    wrist_deg: float = 0.0
    arch_deg: float = 0.0


# Nobody lies down, grips and lowers the bar the same way twice. Joint angles of one person
# measured on two days differ by 2 to 5 degrees in gait laboratories (McGinley et al. 2009, from
# memory); hands are placed by the bar's rings to about a finger's breadth, and a touch point is
# kept to about a centimetre (common practice, no source). Part of that is the day's and goes with
# both ways of pressing; part is new in every set. Together 3.6 degrees, 9 mm and 5 mm.
OF_THE_DAY = Spread(flare_deg=3.0, touch_m=0.007, grip_m=0.004, wrist_deg=2.0, arch_deg=2.0)
OF_THE_SET = Spread(flare_deg=2.0, touch_m=0.006, grip_m=0.003, wrist_deg=1.0)

# Body; grip and flare the one way (a) and the other (b); whether both ways of a session are filmed
# from the same places.
_COMPARISONS_PLAN = (
    (4, (0.68, 65), (0.68, 53), True),
    (7, (0.62, 68), (0.62, 50), False),
    (11, (0.74, 76), (0.74, 50), True),
    (10, (0.64, 81), (0.64, 40), False),
    (12, (0.62, 48), (0.72, 54), True),
    (16, (0.58, 55), (0.74, 62), False),
    (19, (0.46, 46), (0.68, 60), True),
    (17, (0.54, 36), (0.82, 62), False),
)
SESSIONS = 5
SMALL = (640, 360)
REST_S = 0.7
"""At lockout before and after the single repetition."""


def _comparison(lifter: int, session: int, way: str, view: str) -> ClipSpec:
    body, one, other, shared = _COMPARISONS_PLAN[lifter - 1]
    grip, flare = one if way == "a" else other
    person = np.random.default_rng([9700, lifter])
    stance, wrist_back = _stance(person), float(person.uniform(14, 32))
    day = np.random.default_rng([9700, lifter, session])
    outfit, room, load = _clothes(day, body), gym(day), plates(day)
    light = (float(day.uniform(1.0, 1.5)), float(day.uniform(2, 4)), int(day.integers(22, 27)))
    number = 1 if way == "a" else 2
    rng = np.random.default_rng([9700, lifter, session, number])
    touch = mean_touch_m(flare)
    for drawn, spread in ((day, OF_THE_DAY), (rng, OF_THE_SET)):
        flare += spread.flare_deg * float(drawn.normal())
        touch += spread.touch_m * float(drawn.normal())
        grip += spread.grip_m * float(drawn.normal())
        wrist_back += spread.wrist_deg * float(drawn.normal())
        stance = replace(stance, arch_deg=stance.arch_deg + spread.arch_deg * float(drawn.normal()))
    rep = RepSpec(
        descent_s=float(rng.uniform(0.9, 1.2)),
        pause_s=float(rng.uniform(0.25, 0.5)),
        press_s=float(rng.uniform(0.9, 1.25)),
        hold_s=REST_S,
        dip=float(rng.uniform(0.4, 0.7)),
        second_peak=float(rng.uniform(0.98, 1.08)),
        touch_toward_feet_m=round(touch, 4),
        early_return=float(rng.uniform(0.2, 0.5)),
        left_lag=float(rng.uniform(-0.05, 0.05)),
    )
    sets = SetSpec(
        (rep,),
        settle_s=REST_S,
        grip_width_m=round(grip, 4),
        grip_shift_m=float(rng.uniform(-0.006, 0.006)),
        yaw_deg=float(rng.uniform(-0.6, 0.6)),
    )
    seen = VIEWS.index(view)
    place = np.random.default_rng([9700, lifter, session, 3 + seen, 1 if shared else number])
    camera = _advised(place, view, float(place.choice([-1.0, 1.0])), SMALL)
    late = round(float(place.uniform(0.0, 0.12)), 2)
    return ClipSpec(
        f"qc_{lifter:02d}{way}{session}_{view}", "comparisons",
        f"way {way}, session {session}, grip {grip:.2f} m, flare {flare:.0f}",
        6000 + 100 * lifter + 10 * session + number, view, camera,
        build=f"guest_{body}", outfit=outfit, load=load, load_kg=60.0, room=room, stance=stance,
        style=_style(flare, wrist_back), sets=sets,
        start_s=late, duration_s=round(set_s((rep,), REST_S) - late, 2),
        gain=light[0], noise=light[1], crf=light[2],
    )  # fmt: skip


COMPARISONS: tuple[ClipSpec, ...] = tuple(
    _comparison(lifter, session, way, view)
    for lifter in range(1, len(_COMPARISONS_PLAN) + 1)
    for session in range(1, SESSIONS + 1)
    for way in "ab"
    for view in VIEWS
)

# Name, azimuth (0 from the feet, 90 square to the bar), height and distance of a camera.
PLACES_AROUND = (
    ("front", 0, 1.1, 3.5),
    ("22", 22, 1.1, 3.5),
    ("45", 45, 1.1, 3.5),
    ("67", 67, 1.1, 3.5),
    ("side", 90, 1.1, 3.5),
    ("45_low", 45, 0.6, 3.5),
    ("45_high", 45, 1.7, 3.5),
    ("45_far", 45, 1.1, 5.5),
    ("side_far", 90, 1.1, 5.5),
)
# Body, grip, flare, the side that is filmed (1 left).
_PLACES_PLAN = ((4, 0.66, 62, 1), (12, 0.74, 74, -1), (19, 0.56, 48, 1))


def _place(number: int, name: str, azimuth: float, height: float, distance: float) -> ClipSpec:
    body, grip, flare, side = _PLACES_PLAN[number - 1]
    rng = np.random.default_rng([9800, number])
    stance, style = _stance(rng), _style(float(flare), float(rng.uniform(14, 32)))
    # Wide enough for the camera farthest off.
    outfit, room = _clothes(rng, body), replace(gym(rng), half_width_m=6.4)
    load, reps = plates(rng), two_reps(rng, usual_touch_m(rng, flare))
    sets = SetSpec(reps, settle_s=SETTLE_S, grip_width_m=grip, yaw_deg=0.3 * side)
    return ClipSpec(
        f"qp_{number:02d}_{name}", "places",
        f"from {side * azimuth} degrees, {height} m high, {distance} m off",
        7000 + number, "front" if azimuth == 0 else "side" if azimuth == 90 else "oblique",
        CameraSpec(around(side * azimuth, height, distance, BAR_WAY.middle_m), (-0.1, 0.85, 0.0)),
        build=f"guest_{body}", outfit=outfit, load=load, load_kg=80.0, room=room, stance=stance,
        style=style, sets=sets, duration_s=round(set_s(reps), 2),
    )  # fmt: skip


PLACES: tuple[ClipSpec, ...] = tuple(
    _place(number, *around)
    for number in range(1, len(_PLACES_PLAN) + 1)
    for around in PLACES_AROUND
)
