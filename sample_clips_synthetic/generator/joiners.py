"""Clips of joiners, members, entrants, fellows, hosts and boarders, each pressing in two ways.

Never tune to them.

Eighteen bodies each, drawn as the arrivals' are (`stills.guests`), from sequences of their own, and
they press, dress and are filmed as those (`guests`). The first nine press with the elbows flared
(a) and tucked (b), the others with a narrow (a) and a wide grip (b): two sets of a day, so that two
ways can be set against each other from every place. Every other lifter's second set is filmed from
other places than the first.
"""

from __future__ import annotations

from .arrivals import drawn_plan
from .clip import ClipSpec
from .draws import empty_bar
from .guests import VIEWS, Party, clips_of

_COUNT = 18
# Grip and direction of the elbows the one way (a) and the other (b), by lot; grips are 1.25 to 2.05
# times as wide as the shoulders and no wider than the rules allow.
_JOINERS_WAYS = (
    ((0.70, 72), (0.70, 45)),
    ((0.62, 61), (0.62, 29)),
    ((0.66, 81), (0.66, 62)),
    ((0.72, 74), (0.72, 39)),
    ((0.75, 57), (0.75, 38)),
    ((0.59, 68), (0.59, 41)),
    ((0.62, 60), (0.62, 27)),
    ((0.81, 79), (0.81, 52)),
    ((0.61, 64), (0.61, 29)),
    ((0.60, 48), (0.80, 58)),
    ((0.57, 46), (0.77, 48)),
    ((0.50, 62), (0.67, 65)),
    ((0.46, 56), (0.69, 58)),
    ((0.52, 50), (0.67, 59)),
    ((0.45, 53), (0.61, 61)),
    ((0.52, 64), (0.64, 67)),
    ((0.50, 56), (0.68, 64)),
    ((0.43, 38), (0.65, 46)),
)

_MEMBERS_WAYS = (
    ((0.72, 70), (0.72, 42)),
    ((0.49, 61), (0.49, 45)),
    ((0.64, 63), (0.64, 45)),
    ((0.53, 66), (0.53, 42)),
    ((0.70, 81), (0.70, 46)),
    ((0.59, 77), (0.59, 56)),
    ((0.70, 76), (0.70, 43)),
    ((0.73, 56), (0.73, 42)),
    ((0.74, 68), (0.74, 43)),
    ((0.38, 62), (0.54, 66)),
    ((0.58, 49), (0.72, 52)),
    ((0.62, 67), (0.76, 77)),
    ((0.54, 58), (0.72, 63)),
    ((0.59, 53), (0.81, 55)),
    ((0.61, 39), (0.78, 46)),
    ((0.49, 60), (0.60, 62)),
    ((0.46, 44), (0.62, 53)),
    ((0.52, 47), (0.72, 57)),
)

_ENTRANTS_WAYS = (
    ((0.77, 59), (0.77, 41)),
    ((0.81, 62), (0.81, 27)),
    ((0.68, 55), (0.68, 27)),
    ((0.68, 72), (0.68, 44)),
    ((0.70, 61), (0.70, 27)),
    ((0.69, 81), (0.69, 63)),
    ((0.64, 77), (0.64, 48)),
    ((0.75, 69), (0.75, 34)),
    ((0.81, 59), (0.81, 38)),
    ((0.46, 41), (0.60, 45)),
    ((0.44, 51), (0.59, 61)),
    ((0.64, 55), (0.81, 62)),
    ((0.55, 49), (0.67, 51)),
    ((0.60, 49), (0.79, 53)),
    ((0.43, 47), (0.63, 48)),
    ((0.59, 53), (0.81, 61)),
    ((0.48, 53), (0.62, 62)),
    ((0.44, 59), (0.62, 61)),
)

_FELLOWS_WAYS = (
    ((0.67, 64), (0.67, 30)),
    ((0.73, 61), (0.73, 38)),
    ((0.58, 71), (0.58, 38)),
    ((0.67, 67), (0.67, 41)),
    ((0.58, 66), (0.58, 27)),
    ((0.64, 62), (0.64, 42)),
    ((0.81, 70), (0.81, 31)),
    ((0.46, 57), (0.46, 27)),
    ((0.50, 82), (0.50, 66)),
    ((0.50, 54), (0.71, 63)),
    ((0.59, 61), (0.75, 63)),
    ((0.41, 58), (0.61, 62)),
    ((0.66, 55), (0.81, 60)),
    ((0.61, 43), (0.81, 50)),
    ((0.64, 57), (0.81, 66)),
    ((0.53, 54), (0.68, 56)),
    ((0.54, 58), (0.71, 61)),
    ((0.39, 41), (0.50, 51)),
)

_HOSTS_WAYS = (
    ((0.74, 69), (0.74, 51)),
    ((0.81, 79), (0.81, 61)),
    ((0.54, 66), (0.54, 39)),
    ((0.80, 78), (0.80, 45)),
    ((0.55, 74), (0.55, 56)),
    ((0.68, 78), (0.68, 48)),
    ((0.56, 58), (0.56, 39)),
    ((0.48, 70), (0.48, 33)),
    ((0.62, 57), (0.62, 27)),
    ((0.50, 43), (0.70, 47)),
    ((0.56, 43), (0.76, 53)),
    ((0.59, 63), (0.81, 66)),
    ((0.62, 40), (0.79, 50)),
    ((0.48, 46), (0.65, 54)),
    ((0.47, 46), (0.65, 47)),
    ((0.45, 47), (0.61, 53)),
    ((0.57, 43), (0.77, 50)),
    ((0.47, 46), (0.57, 48)),
)

_BOARDERS_WAYS = (
    ((0.63, 70), (0.63, 32)),
    ((0.75, 66), (0.75, 38)),
    ((0.51, 82), (0.51, 59)),
    ((0.52, 59), (0.52, 27)),
    ((0.70, 60), (0.70, 27)),
    ((0.49, 75), (0.49, 36)),
    ((0.59, 58), (0.59, 31)),
    ((0.53, 66), (0.53, 32)),
    ((0.60, 55), (0.60, 39)),
    ((0.59, 42), (0.78, 42)),
    ((0.62, 50), (0.80, 60)),
    ((0.66, 43), (0.81, 44)),
    ((0.53, 44), (0.75, 50)),
    ((0.57, 56), (0.74, 58)),
    ((0.46, 64), (0.59, 64)),
    ((0.51, 52), (0.70, 55)),
    ((0.47, 65), (0.66, 72)),
    ((0.49, 42), (0.63, 49)),
)

Ways = tuple[tuple[tuple[float, float], tuple[float, float]], ...]
Place = tuple[float, float]
"""Azimuth in degrees and height in metres of a camera."""


def _party(purpose: str, women: tuple[int, ...], draw: int, first_seed: int, ways: Ways) -> Party:
    bodies = purpose.removesuffix("s")
    return Party(
        purpose, f"q{purpose[0]}", bodies, women, draw, first_seed,
        drawn_plan(draw, bodies, _COUNT),
        [grip for (grip, _), _ in ways], [flare for (_, flare), _ in ways],
        upright=(6, 13), variable=(3, 11),
        lockout_sd_m=0.015,
        second_way=tuple(other for _, other in ways),
    )  # fmt: skip


def _with_empty_bars(
    party: Party, bars: tuple[tuple[int, tuple[Place, Place, Place]], ...]
) -> tuple[ClipSpec, ...]:
    """All clips of a party, and of some of its bodies, by number, with an empty bar."""
    return (
        *clips_of(party),
        *(
            empty_bar(
                f"{party.prefix}_empty_{n}_{view}", party.purpose, f"{party.bodies}_{body}",
                party.first_seed + 900 + n, azimuth, height,
            )
            for n, (body, places) in enumerate(bars, start=1)
            for view, (azimuth, height) in zip(VIEWS, places, strict=True)
        ),
    )  # fmt: skip


JOINERS = _with_empty_bars(
    _party("joiners", (9, 14, 15, 16, 17, 18), 9930, 13_000, _JOINERS_WAYS),
    (
        (3, ((-5, 1.7), (46, 1.2), (-91, 1.0))),
        (11, ((4, 1.9), (-37, 1.5), (88, 1.1))),
        (16, ((3, 1.6), (52, 1.3), (93, 0.9))),
        (8, ((-7, 1.8), (-41, 1.6), (-88, 1.2))),
    ),
)
MEMBERS = _with_empty_bars(
    _party("members", (1, 10, 11, 16, 17, 18), 9940, 15_000, _MEMBERS_WAYS),
    (
        (6, ((6, 1.8), (-48, 1.1), (90, 1.1))),
        (18, ((-3, 1.6), (35, 1.4), (-92, 0.9))),
        (12, ((-6, 1.9), (-54, 1.6), (-87, 1.0))),
        (4, ((2, 1.7), (43, 1.3), (94, 1.2))),
    ),
)
ENTRANTS = _with_empty_bars(
    _party("entrants", (6, 7, 10, 15, 17, 18), 9950, 17_000, _ENTRANTS_WAYS),
    (
        (2, ((-4, 1.8), (39, 1.5), (92, 1.0))),
        (15, ((5, 1.7), (-52, 1.2), (-89, 1.2))),
        (9, ((-2, 1.6), (-33, 1.6), (88, 0.9))),
        (7, ((7, 1.9), (55, 1.4), (-94, 1.1))),
    ),
)
FELLOWS = _with_empty_bars(
    _party("fellows", (6, 10, 12, 16, 17, 18), 9960, 19_000, _FELLOWS_WAYS),
    (
        (5, ((3, 1.7), (-44, 1.3), (-90, 1.1))),
        (12, ((-6, 1.8), (36, 1.6), (91, 0.9))),
        (14, ((5, 1.9), (51, 1.1), (-87, 1.2))),
        (17, ((-2, 1.6), (-57, 1.5), (93, 1.0))),
    ),
)
HOSTS = _with_empty_bars(
    _party("hosts", (7, 8, 15, 16, 17, 18), 9970, 21_000, _HOSTS_WAYS),
    (
        (11, ((-1, 1.9), (-41, 1.3), (92, 1.2))),
        (6, ((6, 1.9), (38, 1.3), (-87, 1.1))),
        (9, ((-1, 1.8), (-48, 1.1), (88, 1.2))),
        (2, ((4, 1.7), (51, 1.4), (-94, 1.2))),
    ),
)
BOARDERS = _with_empty_bars(
    _party("boarders", (4, 8, 15, 16, 17, 18), 9980, 23_000, _BOARDERS_WAYS),
    (
        (5, ((-6, 1.7), (-34, 1.5), (92, 1.1))),
        (17, ((-4, 1.7), (45, 1.3), (-87, 1.1))),
        (13, ((1, 1.8), (-52, 1.3), (89, 1.1))),
        (1, ((2, 1.7), (41, 1.6), (-94, 1.1))),
    ),
)
