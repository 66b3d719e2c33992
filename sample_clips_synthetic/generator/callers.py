"""Clips of the callers, thirteen bodies that no other clip, no training set and no tuning has seen.

Never tune to any of them. They were drawn after all that they measure was settled, and press,
dress and are filmed as the visitors do (`guests`), with other plates on other lifters.
"""

from __future__ import annotations

from .clip import ClipSpec
from .draws import empty_bar
from .guests import Coming, Party, clips_of, spread_over

# The third body is passed over: its arms cannot be bent so that the bar touches.
WOMEN = (7, 8, 10, 12, 13, 14)
_PLAN = (
    Coming(1, "two", 115, -1, False, 1),
    Coming(2, "iron", 55, 1, True, -1, handheld=("side",)),
    Coming(4, "stack", 90, 1, False, 1, "caller_9"),
    Coming(5, "single", 60, -1, False, -1, handheld=("oblique",)),
    Coming(6, "ladder", 105, 1, True, -1),
    Coming(7, "small", 35, -1, False, -1),
    Coming(8, "pair", 40, 1, False, 1, fps=24),
    Coming(9, "three", 125, -1, False, 1, "caller_2", ("front",)),
    Coming(10, "little", 30, 1, False, -1),
    Coming(11, "bumper", 100, -1, True, -1, fps=60),
    Coming(12, "single", 60, 1, False, 1, handheld=("oblique",)),
    Coming(13, "bumper", 50, -1, False, -1, "caller_11"),
    Coming(14, "stack", 65, 1, False, 1),
)
_DRAW = 9900
# Wide enough that nobody has to press with forearms leaning in by more than some 35 degrees.
_GRIPS_M = [
    0.83, 0.81, 0.54, 0.66, 0.66, 0.57, 0.71, 0.82, 0.70, 0.66, 0.76, 0.50, 0.70,
]  # fmt: skip
_PARTY = Party(
    "callers", "qr", "caller", WOMEN, _DRAW, 8000, _PLAN,
    _GRIPS_M,
    spread_over(_DRAW, 2, 25, 85, len(_PLAN)),
    upright=(8,), variable=(2, 6),
)  # fmt: skip

CALLERS: tuple[ClipSpec, ...] = (
    *clips_of(_PARTY),
    empty_bar("qr_empty_1_front", "callers", "caller_6", 8901, 5, 1.8),
    empty_bar("qr_empty_1_oblique", "callers", "caller_6", 8901, -42, 1.3),
    empty_bar("qr_empty_1_side", "callers", "caller_6", 8901, 91, 1.0),
    empty_bar("qr_empty_2_front", "callers", "caller_12", 8902, -4, 1.7),
    empty_bar("qr_empty_2_oblique", "callers", "caller_12", 8902, 53, 1.4),
    empty_bar("qr_empty_2_side", "callers", "caller_12", 8902, -88, 1.1),
    empty_bar("qr_empty_3_front", "callers", "caller_14", 8903, 3, 1.9),
    empty_bar("qr_empty_3_oblique", "callers", "caller_14", 8903, 35, 1.6),
    empty_bar("qr_empty_3_side", "callers", "caller_14", 8903, 93, 1.2),
)
