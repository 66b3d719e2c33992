"""The clips of Quarry Lane Barbell Club, an invented club with invented lifters.

The ``reporting`` clips lie in the folder above and are kept for reporting accuracy. The
``tuning`` clips have other seeds, bodies, cameras and sets; make them locally to develop against.
The ``strangers`` clips show bodies that no other clip of these and no training set has; never
tune to them. The ``newcomers`` show the same bodies in sets, rooms and clothes of their own, each
set seen from the feet, at an angle and from the side at once, and an empty bar; never tune to
them either. The ``latecomers`` show those bodies once more. The clips of further bodies,
``visitors``, ``comparisons`` and ``places``, are in `guests`, the ``callers`` in `callers`, the
``regulars`` and ``arrivals`` in `arrivals`, ``joiners``,
``members``, ``entrants``, ``fellows``, ``hosts``,
``boarders``, ``dwellers``, ``incomers`` and ``keepers`` in `joiners`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .arrivals import ARRIVALS, REGULARS
from .body import ArmStyle, Stance
from .callers import CALLERS
from .camera import CameraSpec
from .clip import ClipSpec
from .draws import (
    BLACK,
    SETTLE_S,
    clothes,
    empty_bar,
    gym,
    plates,
    seen_from,
    set_s,
    shade,
    two_reps,
    usual_touch_m,
)
from .guests import COMPARISONS, PLACES, VISITORS
from .joiners import (
    BOARDERS,
    DWELLERS,
    ENTRANTS,
    FELLOWS,
    HOSTS,
    INCOMERS,
    JOINERS,
    KEEPERS,
    MEMBERS,
)
from .looks import Outfit
from .motion import RepSpec, SetSpec
from .scenery import Load, Plate, Room

RED, BLUE, GREEN = (0.30, 0.03, 0.03), (0.03, 0.06, 0.25), (0.03, 0.16, 0.06)

HEAVY = Load((Plate(0.450, 0.040, BLACK), Plate(0.450, 0.030, RED)))
IRON = Load((Plate(0.450, 0.035, BLACK), Plate(0.325, 0.030, BLACK)))
BUMPER = Load((Plate(0.450, 0.065, BLUE),))
LIGHT = Load((Plate(0.230, 0.025, BLACK),))

DARK_ROOM = Room(
    wall=(0.30, 0.31, 0.33),
    stripe=(0.35, 0.16, 0.04),
    floor=(0.05, 0.05, 0.05),
    mat=(0.07, 0.07, 0.075),
    frame=(0.04, 0.04, 0.045),
    spare=(
        Plate(0.450, 0.035, BLACK),
        Plate(0.450, 0.035, GREEN),
        Plate(0.400, 0.030, BLACK),
        Plate(0.280, 0.028, BLUE),
    ),
)
PALE_ROOM = Room(
    wall=(0.55, 0.56, 0.58),
    stripe=(0.06, 0.20, 0.16),
    floor=(0.10, 0.10, 0.11),
    mat=(0.16, 0.11, 0.07),
    frame=(0.32, 0.05, 0.04),
)

TR = Outfit()
MK = Outfit(
    skin=(0.20, 0.105, 0.065),
    shirt=(0.035, 0.035, 0.04),
    shorts=(0.12, 0.12, 0.13),
    shoes=(0.05, 0.05, 0.06),
    hair=(0.01, 0.01, 0.01),
)
EV = Outfit(
    skin=(0.60, 0.38, 0.27),
    shirt=(0.30, 0.05, 0.12),
    shorts=(0.025, 0.025, 0.03),
    shoes=(0.60, 0.62, 0.60),
    hair=(0.12, 0.06, 0.02),
    sleeve_share=0.15,
    leg_share=2.0,
)

FLARED = ArmStyle(flare_low_deg=80.0, flare_high_deg=60.0)
TUCKED = ArmStyle(flare_low_deg=48.0, flare_high_deg=45.0, wrist_back_deg=24.0)

FLARED_SET = SetSpec(
    (
        RepSpec(1.25, 0.45, 1.15, 0.70, 0.62, 1.05, 0.110, 0.30, 0.000, left_lag=0.03),
        RepSpec(1.30, 0.55, 1.60, 0.90, 0.42, 1.00, 0.115, 0.35, 0.004, left_lag=0.06),
    ),
    settle_s=0.9,
    grip_width_m=0.80,
    yaw_deg=0.4,
)
TUCKED_SET = SetSpec(
    (
        RepSpec(1.45, 0.70, 1.20, 0.70, 0.58, 1.08, 0.185, 0.55, 0.010),
        RepSpec(1.40, 0.80, 1.35, 0.90, 0.50, 1.02, 0.190, 0.60, 0.006, left_lag=-0.03),
    ),
    settle_s=0.8,
    grip_width_m=0.76,
    yaw_deg=-0.3,
)
WIDE_SET = SetSpec(
    (
        RepSpec(1.10, 0.30, 1.00, 0.60, 0.66, 1.02, 0.115, 0.25, 0.004, left_lag=-0.05),
        RepSpec(1.15, 0.35, 1.20, 0.70, 0.55, 1.00, 0.110, 0.25, 0.000, left_lag=-0.08),
    ),
    settle_s=0.8,
    grip_width_m=0.81,
    grip_shift_m=0.012,
)
NARROW_SET = SetSpec(
    (
        RepSpec(1.30, 0.40, 1.10, 0.60, 0.70, 1.05, 0.165, 0.45, 0.006),
        RepSpec(1.30, 0.45, 1.25, 0.80, 0.60, 1.05, 0.170, 0.45, 0.000, left_lag=0.04),
    ),
    settle_s=0.8,
    grip_width_m=0.50,
)
OBLIQUE_SET = SetSpec(
    (
        RepSpec(1.20, 0.25, 1.05, 0.60, 0.60, 1.04, 0.140, 0.30, 0.000),
        RepSpec(1.20, 0.30, 1.35, 0.90, 0.45, 1.00, 0.145, 0.30, 0.004, left_lag=0.05),
    ),
    settle_s=0.8,
    grip_width_m=0.78,
)
LIGHT_SET = SetSpec(
    (
        RepSpec(0.95, 0.0, 0.80, 0.45, 0.85, 1.10, 0.120, 0.20, 0.003),
        RepSpec(0.90, 0.0, 0.82, 0.70, 0.80, 1.10, 0.120, 0.20, 0.000, depth_share=0.72),
    ),
    settle_s=0.7,
    grip_width_m=0.64,
)
FAILED_SET = SetSpec(
    (
        RepSpec(1.50, 0.50, 1.90, 0.90, 0.33, 0.95, 0.135, 0.25, 0.000, left_lag=0.05),
        RepSpec(1.60, 0.60, 2.60, 0.90, fail_share=0.45, touch_toward_feet_m=0.14),
    ),
    settle_s=0.8,
    grip_width_m=0.77,
)
PORTRAIT_SET = SetSpec(
    (RepSpec(1.10, 0.20, 1.15, 0.60, 0.58, 1.04, 0.150, 0.45, 0.000),),
    settle_s=0.7,
    grip_width_m=0.78,
)
LOW_SET = SetSpec(
    (
        RepSpec(1.20, 0.60, 1.20, 0.70, 0.56, 1.03, 0.130, 0.30, 0.000, left_lag=0.10),
        RepSpec(1.25, 0.80, 1.40, 0.80, 0.48, 1.00, 0.135, 0.30, 0.004, left_lag=0.12),
    ),
    settle_s=0.7,
    grip_width_m=0.79,
    yaw_deg=0.8,
)

_TALL = ClipSpec(
    "", "reporting", "", 0, "", CameraSpec((0.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
    build="tall_man", outfit=TR, load=HEAVY, load_kg=110.0,
)  # fmt: skip
_FRONT_HIGH = CameraSpec((-3.25, 2.00, 0.05), (-0.10, 0.78, 0.0), -0.5, focal_share=0.80)

REPORTING: tuple[ClipSpec, ...] = (
    replace(
        _TALL,
        name="ql_flared_front",
        story="T.R., 110 kg, elbows flared; filmed from the feet, eye height 2.0 m, tripod",
        seed=1101, view="front", camera=_FRONT_HIGH, style=FLARED, sets=FLARED_SET,
        start_s=0.25, duration_s=8.5,
    ),
    replace(
        _TALL,
        name="ql_flared_side",
        story="T.R., the same set from his left, tripod; the clip starts earlier",
        seed=1101, view="side", style=FLARED, sets=FLARED_SET, duration_s=8.8,
        camera=CameraSpec((-0.25, 1.10, 3.0), (-0.20, 0.78, 0.0), 0.4),
    ),
    replace(
        _TALL,
        name="ql_tucked_front",
        story="T.R., 110 kg, elbows tucked; filmed from the feet, eye height 2.0 m, tripod",
        seed=1102, view="front", style=TUCKED, sets=TUCKED_SET, duration_s=8.6,
        camera=replace(_FRONT_HIGH, position_m=(-3.05, 1.95, -0.10), roll_deg=0.8),
    ),
    replace(
        _TALL,
        name="ql_tucked_side",
        story="T.R., the same set from his right, tripod; the clip starts later",
        seed=1102, view="side", style=TUCKED, sets=TUCKED_SET, start_s=0.3, duration_s=8.5,
        camera=CameraSpec((-0.15, 1.15, -3.1), (-0.22, 0.76, 0.0), -0.7, focal_share=0.85),
    ),
    ClipSpec(
        "ql_wide_front", "reporting",
        "E.V., 60 kg, wide grip, right hand faster; filmed from the feet, eye height 1.8 m",
        1103, "front", CameraSpec((-2.95, 1.80, 0.12), (-0.10, 0.74, 0.0), 1.2, focal_share=0.78),
        build="woman", outfit=EV, load=BUMPER, load_kg=60.0, sets=WIDE_SET, room=PALE_ROOM,
        style=ArmStyle(78.0, 62.0, 22.0), stance=Stance(42.0, 0.20, 0.30), duration_s=8.0,
    ),
    ClipSpec(
        "ql_narrow_front", "reporting",
        "M.K., 90 kg, narrow grip; filmed from the feet, eye height 2.0 m, 24 frames a second",
        1104, "front", CameraSpec((-3.15, 2.0, -0.05), (-0.10, 0.76, 0.0), 0.3, focal_share=0.82),
        build="broad_man", outfit=MK, load=IRON, load_kg=90.0, sets=NARROW_SET, room=DARK_ROOM,
        style=ArmStyle(25.0, 30.0, 24.0), fps=24.0, duration_s=8.0, gain=1.45,
    ),
    ClipSpec(
        "ql_oblique_handheld", "reporting",
        "T.R., 100 kg, a spotter behind his head; hand-held from the feet at 45 degrees",
        1105, "oblique",
        CameraSpec((-2.35, 1.55, 2.05), (-0.10, 0.72, 0.0), 1.0, focal_share=0.80,
                   shake_m=0.008, shake_deg=0.45),
        build="tall_man", outfit=replace(TR, shirt=(0.06, 0.16, 0.12)), load=HEAVY, load_kg=100.0,
        sets=OBLIQUE_SET, spotter="broad_man", spotter_outfit=MK, duration_s=7.4,
    ),
    ClipSpec(
        "ql_light_side", "reporting",
        "E.V., 25 kg, small plates, touch and go, last rep shallow; from her right, blurred",
        1106, "side", CameraSpec((-0.30, 1.05, -2.9), (-0.15, 0.72, 0.0), 0.6, focal_share=0.80),
        build="woman", outfit=EV, load=LIGHT, load_kg=25.0, sets=LIGHT_SET, room=PALE_ROOM,
        style=ArmStyle(60.0, 50.0, 24.0), stance=Stance(36.0, 0.20, 0.28), duration_s=5.2,
        subframes=2, exposure_s=1 / 60,
    ),
    ClipSpec(
        "ql_failed_side", "reporting",
        "M.K., 140 kg, second rep fails; filmed from his left, tripod",
        1107, "side", CameraSpec((-0.20, 1.20, 3.05), (-0.20, 0.74, 0.0), -0.4, focal_share=0.80),
        build="broad_man", outfit=MK, load=Load((Plate(0.450, 0.035, BLACK),) * 3), load_kg=140.0,
        sets=FAILED_SET, room=DARK_ROOM, style=ArmStyle(65.0, 55.0, 26.0), duration_s=10.2,
        gain=1.5, noise=3.5, crf=26,
    ),
    ClipSpec(
        "ql_portrait_side", "reporting",
        "T.R., 80 kg; phone held upright on a tripod, rotation tag, 60 frames a second",
        1108, "side",
        CameraSpec((-0.10, 1.10, 3.2), (-0.08, 0.80, 0.0), 0.8, 720, 1280, focal_share=0.80),
        build="tall_man", outfit=replace(TR, shirt=(0.10, 0.11, 0.30)), load=BUMPER, load_kg=80.0,
        sets=PORTRAIT_SET, room=PALE_ROOM, style=ArmStyle(65.0, 55.0), fps=60.0, duration_s=3.7,
        rotation_deg=90,
    ),
    ClipSpec(
        "ql_low_front", "reporting",
        "M.K., 105 kg, left hand late; filmed from the feet, eye height 1.2 m, variable frame rate",
        1109, "front", CameraSpec((-3.2, 1.20, 0.06), (-0.10, 0.78, 0.0), 0.2, focal_share=0.85),
        build="broad_man", outfit=replace(MK, skin=(0.42, 0.25, 0.16), shirt=(0.40, 0.34, 0.10)),
        load=HEAVY, load_kg=105.0, sets=LOW_SET, style=ArmStyle(68.0, 55.0, 26.0),
        variable_rate=True, duration_s=8.4,
    ),
)  # fmt: skip


def _tuning(clip: ClipSpec, number: int) -> ClipSpec:
    """Another clip of the same kind: another seed, lifter, room, camera place and pace."""
    rng = np.random.default_rng(9000 + number)
    build, outfit, room = (
        ("tall_man", TR, PALE_ROOM),
        ("broad_man", MK, Room()),
        ("woman", EV, DARK_ROOM),
    )[int(rng.integers(3))]
    slower = float(rng.uniform(0.88, 1.18))
    width = {"tall_man": 1.0, "broad_man": 0.96, "woman": 0.86}
    widths = width[build] / width[clip.build]
    reps = tuple(
        replace(
            rep,
            descent_s=rep.descent_s * slower,
            press_s=rep.press_s * float(rng.uniform(0.9, 1.15)),
            dip=float(np.clip(rep.dip + rng.uniform(-0.10, 0.10), 0.25, 0.9)),
            touch_toward_feet_m=rep.touch_toward_feet_m + float(rng.uniform(-0.02, 0.015)),
            left_lag=rep.left_lag + float(rng.uniform(-0.04, 0.04)),
        )
        for rep in clip.sets.reps
    )
    camera = clip.camera
    moved = tuple(np.round(np.array(camera.position_m) + rng.uniform(-0.15, 0.15, 3), 3).tolist())
    sets = replace(clip.sets, reps=reps, grip_width_m=round(clip.sets.grip_width_m * widths, 3))
    return replace(
        clip,
        name=clip.name.replace("ql_", "qt_"),
        purpose="tuning",
        story=f"another set in the manner of {clip.name}",
        seed=2100 + number,
        build=build,
        outfit=outfit,
        room=room,
        sets=sets,
        camera=replace(
            camera,
            position_m=moved,
            roll_deg=round(float(rng.uniform(-1.5, 1.5)), 2),
            focal_share=round(float(rng.uniform(0.76, 0.88)), 3),
        ),
        duration_s=round(clip.duration_s * max(slower, 1.0) + 0.5, 2),
    )


def _partner(front: ClipSpec, number: int) -> ClipSpec:
    """The same set from the side: from the left or the right, started earlier or later."""
    rng = np.random.default_rng(9100 + number)
    place = np.array([-0.18, 1.1, 3.0]) + rng.uniform(-0.15, 0.15, 3)
    place[2] *= 1.0 if number % 2 else -1.0
    return replace(
        front,
        name=front.name.replace("_front", "_partner_side"),
        story=f"the set of {front.name} from the side",
        view="side",
        camera=CameraSpec(
            tuple(np.round(place, 3).tolist()),
            (-0.20, 0.76, 0.0),
            round(float(rng.uniform(-1.0, 1.0)), 2),
            focal_share=round(float(rng.uniform(0.78, 0.86)), 3),
        ),
        start_s=round(float(rng.uniform(0.05, 0.4)), 2),
        variable_rate=False,
    )


_ALONE = tuple(_tuning(clip, i) for i, clip in enumerate(REPORTING, start=1))
_FRONTS = tuple(clip for clip in _ALONE if clip.view == "front")
TUNING: tuple[ClipSpec, ...] = _ALONE + tuple(_partner(c, i) for i, c in enumerate(_FRONTS, 1))
STRANGERS_PLAN = (
    # Body, view, azimuth (0 from the feet, 90 from the left), height, distance, grip, flare, size.
    ("stranger_1", "front", 4, 1.9, 3.1, 0.66, 45, (1280, 720)),
    ("stranger_2", "front", -9, 1.6, 3.3, 0.80, 78, (1280, 720)),
    ("stranger_3", "front", 1, 2.1, 3.0, 0.58, 30, (854, 480)),
    ("stranger_4", "front", -4, 1.4, 3.4, 0.74, 62, (640, 360)),
    ("stranger_5", "oblique", 34, 1.5, 3.0, 0.72, 58, (1280, 720)),
    ("stranger_6", "oblique", -58, 1.2, 3.1, 0.60, 40, (1280, 720)),
    ("stranger_7", "oblique", -42, 1.8, 3.2, 0.82, 84, (854, 480)),
    ("stranger_8", "oblique", 52, 1.3, 2.9, 0.52, 26, (960, 540)),
    ("stranger_1", "side", 93, 1.1, 3.0, 0.76, 66, (1280, 720)),
    ("stranger_3", "side", -86, 1.3, 3.1, 0.64, 48, (1280, 720)),
    ("stranger_6", "side", 84, 1.0, 3.2, 0.70, 74, (854, 480)),
    ("stranger_8", "side", -95, 1.2, 2.9, 0.50, 34, (720, 1280)),
    ("stranger_2", "oblique", -31, 2.0, 3.3, 0.68, 54, (640, 360)),
    ("stranger_7", "side", 97, 1.2, 3.0, 0.78, 80, (640, 360)),
)


def _stranger(number: int) -> ClipSpec:
    """A set by somebody whose body is in no training set, in a room of its own; never tuned to."""
    build, view, azimuth, height, distance, grip, flare, size = STRANGERS_PLAN[number - 1]
    rng = np.random.default_rng(9300 + number)
    turn = np.radians(azimuth)
    target = np.array([-0.12, 0.76, 0.0]) + rng.uniform(-0.06, 0.06, 3)
    place = np.array([-distance * np.cos(turn), height, distance * np.sin(turn)])
    if view == "side":
        place[0] -= 0.15
    outfit, room, load = clothes(rng), gym(rng), plates(rng)
    reps = two_reps(rng, usual_touch_m(rng, flare))
    return ClipSpec(
        f"qs_{number:02d}_{view}", "strangers",
        f"somebody new, grip {grip:.2f} m, from {azimuth} degrees",
        3100 + number, view,
        CameraSpec(
            tuple(np.round(place, 3).tolist()), tuple(np.round(target, 3).tolist()),
            round(float(rng.uniform(-2, 2)), 2), *size,
            focal_share=round(float(rng.uniform(0.74, 0.88)), 3),
        ),
        build=build, outfit=outfit, load=load, room=room,
        stance=Stance(float(rng.uniform(14, 42)), float(rng.uniform(0.15, 0.3)),
                      float(rng.uniform(0.26, 0.36))),
        style=ArmStyle(float(flare), float(np.clip(flare * 0.8, 25, 62)),
                       float(rng.uniform(10, 38))),
        sets=SetSpec(reps, settle_s=SETTLE_S, grip_width_m=grip,
                     grip_shift_m=float(rng.uniform(-0.008, 0.008)),
                     yaw_deg=float(rng.uniform(-0.6, 0.6))),
        spotter="broad_man" if rng.random() < 0.35 else "",
        spotter_outfit=replace(MK, shirt=shade(rng, 0.02, 0.5)),
        duration_s=round(set_s(reps), 2),
        gain=float(rng.uniform(1.0, 1.5)), noise=float(rng.uniform(2.0, 4.0)),
        crf=int(rng.integers(22, 29)),
    )  # fmt: skip


STRANGERS: tuple[ClipSpec, ...] = tuple(_stranger(i + 1) for i in range(len(STRANGERS_PLAN)))

# The same sets as some tuning clips, at an angle: azimuth (0 from the feet, 90 from the left),
# height, distance, hand-held or not. Fronts and their partners make triples with these.
_TUNING_ANGLES = (
    ("flared_front", 38, 1.5, 3.1, False),
    ("tucked_front", -47, 1.2, 2.9, False),
    ("wide_front", 57, 1.8, 3.2, True),
    ("narrow_front", -33, 1.4, 3.3, False),
    ("low_front", -55, 1.0, 3.0, False),
    ("light_side", 44, 1.6, 2.8, False),
    ("failed_side", -40, 1.3, 3.2, True),
)


def _tuning_angle(number: int) -> ClipSpec:
    """The set of a tuning clip at an angle, started earlier or later."""
    of, azimuth, height, distance, handheld = _TUNING_ANGLES[number - 1]
    rng = np.random.default_rng(9200 + number)
    clip = next(c for c in _ALONE if c.name == f"qt_{of}")
    return replace(
        clip,
        name=f"qt_oblique_{of.split('_')[0]}",
        story=f"the set of {clip.name} from {azimuth} degrees",
        view="oblique",
        camera=seen_from(rng, azimuth, height, distance, handheld=handheld),
        start_s=round(float(rng.uniform(0.05, 0.4)), 2),
        variable_rate=False,
    )


TUNING += tuple(_tuning_angle(i + 1) for i in range(len(_TUNING_ANGLES)))
TUNING += (
    empty_bar("qt_empty_front", "tuning", "broad_man", 2151, 3, 1.7),
    empty_bar("qt_empty_oblique", "tuning", "broad_man", 2151, 43, 1.4),
    empty_bar("qt_empty_side", "tuning", "broad_man", 2151, 92, 1.1),
    empty_bar("qt_empty_right_side", "tuning", "woman", 2152, -88, 1.2),
)

# Body; grip and flare one way; grip and flare the other way; azimuths from the feet, at an angle
# and from the side (0 from the feet, 90 from the left); whether the cameras move between the ways.
_NEWCOMERS_PLAN = (
    ("stranger_1", (0.70, 76), (0.70, 40), (3, 36, 88), False),
    ("stranger_2", (0.52, 34), (0.78, 70), (-6, -44, -93), True),
    ("stranger_3", (0.64, 68), (0.64, 36), (8, -58, 95), True),
    ("stranger_4", (0.56, 42), (0.80, 74), (-2, 52, -86), False),
    ("stranger_5", (0.74, 82), (0.72, 46), (5, 31, -90), True),
    ("stranger_6", (0.50, 30), (0.74, 66), (-8, -35, 91), False),
    ("stranger_7", (0.78, 72), (0.78, 44), (1, -50, 85), False),
    ("stranger_8", (0.48, 38), (0.70, 64), (-4, 46, -97), True),
)
_NEWCOMERS_SIZES = ((1280, 720), (1280, 720), (960, 540), (854, 480), (640, 360))
_VIEWS = ("front", "oblique", "side")
LATE = 3
"""Session of the latecomers, who are filmed from the other side."""


def _newcomer(lifter: int, way: str, view: str, session: int = 1) -> ClipSpec:
    """One set of two repetitions, in one of two ways of pressing, seen from one of three places.

    What a lifter wears and where he or she lies, who stands behind and how much is loaded stays
    through a session; the set is the same from whatever place.
    """
    build, one, other, azimuths, moves = _NEWCOMERS_PLAN[lifter - 1]
    grip, flare = one if way == "a" else other
    seen = _VIEWS.index(view)
    body = np.random.default_rng([9500, lifter])
    day = np.random.default_rng([9500, lifter, session])
    rng = np.random.default_rng([9500, lifter, session, 1 if way == "a" else 2])
    place = np.random.default_rng(
        [9500, lifter, session, 3 + seen, 2 if way == "b" and moves else 1]
    )
    stance = Stance(
        float(body.uniform(16, 40)),
        float(body.uniform(0.15, 0.28)),
        float(body.uniform(0.27, 0.35)),
    )
    wrist_back = float(body.uniform(12, 34))
    outfit, room, load = clothes(day), gym(day), plates(day)
    if lifter == 4:
        load = Load((Plate(0.280, 0.030, BLACK),))
    gain, noise, crf = (
        float(day.uniform(1.0, 1.4)),
        float(day.uniform(2, 4)),
        int(day.integers(22, 28)),
    )
    flare += float(rng.uniform(-4, 4))
    reps = two_reps(rng, usual_touch_m(rng, flare))
    sets = SetSpec(
        reps,
        settle_s=SETTLE_S,
        grip_width_m=round(grip + float(rng.uniform(-0.006, 0.006)), 4),
        grip_shift_m=float(rng.uniform(-0.006, 0.006)),
        yaw_deg=float(rng.uniform(-0.6, 0.6)),
    )
    azimuth = azimuths[seen] * (-1 if session == LATE else 1) + float(place.uniform(-4, 4))
    height = float(place.uniform(1.5, 2.0) if view == "front" else place.uniform(1.0, 1.7))
    size = _NEWCOMERS_SIZES[int(place.integers(len(_NEWCOMERS_SIZES)))]
    camera = seen_from(
        place, azimuth, height, float(place.uniform(2.8, 3.3)), size,
        handheld=view == "oblique" and lifter in (2, 7),
    )  # fmt: skip
    late = round(float(place.uniform(0.0, 0.4)), 2)
    again = "" if session == 1 else f"{session}"
    late_comer = session == LATE
    return ClipSpec(
        f"{'qv' if late_comer else 'qn'}_{lifter:02d}{way}{'' if late_comer else again}_{view}",
        "latecomers" if late_comer else "newcomers",
        f"grip {grip:.2f} m, flare {flare:.0f}, session {session}, from {azimuth:.0f} degrees",
        4000 + 100 * session + 10 * lifter + (1 if way == "a" else 2), view, camera,
        build=build, outfit=outfit, load=load, room=room, stance=stance,
        style=ArmStyle(flare, float(np.clip(flare * 0.8, 25, 62)), wrist_back), sets=sets,
        spotter="broad_man" if lifter == 6 else "", spotter_outfit=MK,
        start_s=late, duration_s=round(set_s(reps) - late, 2),
        gain=gain, noise=noise, crf=crf,
    )  # fmt: skip


NEWCOMERS: tuple[ClipSpec, ...] = (
    *(
        _newcomer(lifter, way, view)
        for lifter in range(1, len(_NEWCOMERS_PLAN) + 1)
        for way in "ab"
        for view in _VIEWS
    ),
    *(
        _newcomer(lifter, way, view, session=2)
        for lifter, view in ((1, "front"), (2, "oblique"), (5, "side"), (8, "oblique"))
        for way in "ab"
    ),
    empty_bar("qn_empty_1_front", "newcomers", "stranger_2", 4901, -5, 1.8),
    empty_bar("qn_empty_1_oblique", "newcomers", "stranger_2", 4901, -38, 1.3),
    empty_bar("qn_empty_1_side", "newcomers", "stranger_2", 4901, -91, 1.2),
    empty_bar("qn_empty_2_side", "newcomers", "stranger_5", 4902, 87, 1.0),
)
LATECOMERS: tuple[ClipSpec, ...] = (
    *(
        _newcomer(lifter, way, view, session=LATE)
        for lifter, way in enumerate("abbabaab", 1)
        for view in _VIEWS
    ),
    empty_bar("qv_empty_1_front", "latecomers", "stranger_7", 4911, 6, 1.6),
    empty_bar("qv_empty_1_oblique", "latecomers", "stranger_7", 4911, 41, 1.5),
    empty_bar("qv_empty_1_side", "latecomers", "stranger_7", 4911, 94, 1.1),
    empty_bar("qv_empty_2_side", "latecomers", "stranger_4", 4912, -86, 1.1),
)
CLIPS: tuple[ClipSpec, ...] = (
    *REPORTING,
    *TUNING,
    *STRANGERS,
    *NEWCOMERS,
    *LATECOMERS,
    *VISITORS,
    *COMPARISONS,
    *PLACES,
    *CALLERS,
    *REGULARS,
    *ARRIVALS,
    *JOINERS,
    *MEMBERS,
    *ENTRANTS,
    *FELLOWS,
    *HOSTS,
    *BOARDERS,
    *DWELLERS,
    *INCOMERS,
    *KEEPERS,
)
