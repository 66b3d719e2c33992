"""Clips of the joiners, eighteen bodies that nothing may be tuned to, each pressing in two ways.

Their bodies are drawn as the arrivals' are (`stills.guests`), from a sequence of their own, and
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
_WAYS = (
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

_PARTY = Party(
    "joiners", "qj", "joiner", (9, 14, 15, 16, 17, 18), 9930, 13_000,
    drawn_plan(9930, "joiner", _COUNT),
    [grip for (grip, _), _ in _WAYS], [flare for (_, flare), _ in _WAYS],
    upright=(6, 13), variable=(3, 11),
    lockout_sd_m=0.015,
    second_way=tuple(other for _, other in _WAYS),
)  # fmt: skip

JOINERS: tuple[ClipSpec, ...] = (
    *clips_of(_PARTY),
    *(
        empty_bar(f"qj_empty_{n}_{view}", "joiners", build, 13_900 + n, azimuth, height)
        for n, build, places in (
            (1, "joiner_3", ((-5, 1.7), (46, 1.2), (-91, 1.0))),
            (2, "joiner_11", ((4, 1.9), (-37, 1.5), (88, 1.1))),
            (3, "joiner_16", ((3, 1.6), (52, 1.3), (93, 0.9))),
            (4, "joiner_8", ((-7, 1.8), (-41, 1.6), (-88, 1.2))),
        )
        for view, (azimuth, height) in zip(VIEWS, places, strict=True)
    ),
)
