"""Clips of the regulars, to tune on, and of the arrivals, which nothing may be tuned to.

The bodies of both are shared between upper arm and forearm as people's are (see
`stills.guests`), where those of all clips before spread two to three times as widely. They press,
dress and are filmed as the visitors do (`guests`). Who comes with what is drawn. The arrivals lock
out with the bar within some centimetres of over the shoulders (common practice, no source), all
others straight over them.
"""

from __future__ import annotations

import numpy as np

from .clip import ClipSpec
from .draws import empty_bar
from .guests import Coming, Party, clips_of, spread_over

# Usual weight on a bar with these plates, kg.
_LOADS_KG = {
    "single": 60, "bumper": 90, "two": 115, "three": 130, "stack": 95, "ladder": 100, "iron": 55,
    "small": 40, "little": 30, "pair": 45,
}  # fmt: skip


def drawn_plan(draw: int, bodies: str, count: int) -> tuple[Coming, ...]:
    """What each of so many bodies of a kind comes with."""
    rng = np.random.default_rng([draw, 6])
    kinds = np.resize(list(_LOADS_KG), count)
    return tuple(
        Coming(
            body,
            str(plates),
            _LOADS_KG[str(plates)] + 5 * int(rng.integers(-2, 3)),
            int(rng.choice([-1, 1])),
            bool(rng.uniform() < 0.2),
            int(rng.choice([-1, 1])),
            f"{bodies}_{rng.integers(1, count + 1)}" if rng.uniform() < 0.2 else "",
            tuple(v for v in ("front", "oblique", "side") if rng.uniform() < 0.12),
            float(rng.choice([30, 30, 30, 30, 25, 60])),
        )
        for body, plates in enumerate(rng.permutation(kinds), start=1)
    )


# From 1.35 to 2.15 times the distance between the shoulder joints, evenly, by lot; at most as wide
# as the rules allow, and so that nobody has to press with forearms leaning in by more than some 35
# degrees.
_REGULARS_GRIPS_M = [
    0.80, 0.73, 0.75, 0.72, 0.65, 0.72, 0.71, 0.69, 0.63, 0.57, 0.52, 0.67,
]  # fmt: skip
_ARRIVALS_GRIPS_M = [
    0.67, 0.72, 0.63, 0.58, 0.45, 0.76, 0.59, 0.61, 0.66, 0.81, 0.55, 0.81, 0.61, 0.81, 0.78, 0.80,
    0.60, 0.63, 0.77, 0.81, 0.76, 0.81, 0.61, 0.54,
]  # fmt: skip

_REGULARS = Party(
    "regulars", "qg", "regular", (6, 7, 11, 12), 9910, 9000, drawn_plan(9910, "regular", 12),
    _REGULARS_GRIPS_M, spread_over(9910, 2, 25, 85, 12), upright=(5,), variable=(3,),
)  # fmt: skip
_ARRIVALS = Party(
    "arrivals", "qa", "arrival", (5, 9, 10, 11, 17, 23, 24, 25, 26), 9920, 11_000,
    drawn_plan(9920, "arrival", 24),
    _ARRIVALS_GRIPS_M, spread_over(9920, 2, 25, 85, 24), upright=(4, 15), variable=(8, 19),
    lockout_sd_m=0.015,
)  # fmt: skip

REGULARS: tuple[ClipSpec, ...] = (
    *clips_of(_REGULARS),
    empty_bar("qg_empty_1_front", "regulars", "regular_2", 9901, -5, 1.7),
    empty_bar("qg_empty_1_oblique", "regulars", "regular_2", 9901, 44, 1.2),
    empty_bar("qg_empty_1_side", "regulars", "regular_2", 9901, -90, 1.0),
    empty_bar("qg_empty_2_front", "regulars", "regular_7", 9902, 3, 1.8),
    empty_bar("qg_empty_2_oblique", "regulars", "regular_7", 9902, -37, 1.5),
    empty_bar("qg_empty_2_side", "regulars", "regular_7", 9902, 93, 1.1),
)
ARRIVALS: tuple[ClipSpec, ...] = (
    *clips_of(_ARRIVALS),
    *(
        empty_bar(f"qa_empty_{n}_{view}", "arrivals", build, 11_900 + n, azimuth, height)
        for n, build, places in (
            (1, "arrival_25", ((5, 1.8), (41, 1.3), (89, 1.0))),
            (2, "arrival_26", ((-6, 1.6), (-50, 1.4), (-94, 1.2))),
            (3, "arrival_6", ((2, 1.9), (-33, 1.7), (92, 0.9))),
            (4, "arrival_18", ((-4, 1.7), (56, 1.1), (-87, 1.1))),
            (5, "arrival_23", ((7, 1.9), (38, 1.5), (94, 1.2))),
            (6, "arrival_15", ((-2, 1.7), (-47, 1.0), (-91, 1.0))),
        )
        for view, (azimuth, height) in zip(("front", "oblique", "side"), places, strict=True)
    ),
)
