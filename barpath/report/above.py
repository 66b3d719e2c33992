"""Trunk, arms and bar with the bar on the chest, seen from above: worked out, and drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon

from barpath.ground.uncertainty import state
from barpath.report.facts import Facts, Known
from barpath.report.picture import ANSWER_IN, INK, LEFT_COLOUR, QUIET, RIGHT_COLOUR, Picture, styled
from barpath.space.arms3d import Arms3d


@dataclass(frozen=True)
class Above:
    """Trunk, arms and bar with the bar on the chest, seen from above, metres.

    x toward the head from the middle of the shoulders, z to the lifter's left.

    Attributes
    ----------
    joints_m : ndarray, shape (2, 3, 2)
        Left and right: shoulder, elbow, wrist; z and x.
    u95_m : ndarray, shape (2, 3, 2)
        Half widths of their 95 % intervals.
    hips_m : ndarray, shape (2, 2)
    touch : Known
        Where the bar touches, toward the feet from the shoulders.
    tuck_deg : mapping of str to Known
    widths_seen, lengths_seen : bool
        Whether distances across, and along the body, were seen rather than fitted to what is usual.
    """

    joints_m: np.ndarray
    u95_m: np.ndarray
    hips_m: np.ndarray
    touch: Known
    tuck_deg: Mapping[str, Known]
    widths_seen: bool
    lengths_seen: bool


def above_of(arms: Arms3d | None, facts: Facts) -> Above | None:
    """The bottom seen from above.

    Parameters
    ----------
    arms : Arms3d or None
    facts : Facts
        Of the same set.
    """
    if arms is None:
        return None
    rows = np.flatnonzero(arms.moments["moment"].to_numpy() == "bottom")
    if not len(rows):
        return None
    every: Any = np.concatenate([arms.joints_m[None], arms.draws_m])[:, rows].mean(axis=1)
    middle = every[:, :, 0].mean(axis=1)[:, None, None]
    flat = (every - middle)[..., [2, 0]]
    hips = (arms.hips_m - middle[0, 0])[:, [2, 0]]
    return Above(
        joints_m=flat[0],
        u95_m=1.96 * flat[1:].std(axis=0),
        hips_m=hips,
        touch=facts.touch_m,
        tuck_deg=facts.tuck_deg,
        widths_seen=facts.widths_seen,
        lengths_seen=facts.along_seen,
    )


@styled
def above_picture(above: Above) -> Picture:
    """Draw trunk and arms with the bar on the chest, seen from above.

    Parameters
    ----------
    above : Above
        From `above_of`.

    Returns
    -------
    Picture
        To scale; what the view does not show is dashed.
    """
    figure = Figure(figsize=(ANSWER_IN[0], 0.8 * ANSWER_IN[1]), layout="constrained")
    axes = figure.add_subplot()
    joints, hips = 100 * above.joints_m, 100 * above.hips_m
    draw_trunk(axes, above)
    seen = above.widths_seen and above.lengths_seen
    for side, colour, arm, u95 in zip(
        ("left", "right"), (LEFT_COLOUR, RIGHT_COLOUR), joints, 100 * above.u95_m, strict=True
    ):
        style: Any = "-" if seen or above.widths_seen else (0, (3, 1.5))
        axes.plot(*arm[:2].T, color=colour, lw=4.0, solid_capstyle="round", zorder=3)
        axes.plot(*arm[1:].T, color=colour, lw=2.0, ls=style, zorder=3)
        (x, y), (x_u95, y_u95) = arm[1], u95[1]
        axes.errorbar(x, y, xerr=x_u95, yerr=y_u95, color=colour, lw=0.8, zorder=2)
        axes.plot(*arm[1], "o", color=colour, ms=5, zorder=4)
        axes.plot(*arm[2], "s", color="white", mec=colour, mew=1.4, ms=6, zorder=5)
        tuck = above.tuck_deg.get(side)
        if tuck:
            out = 1.0 if side == "left" else -1.0
            text = f"tuck\n{state(tuck.value, tuck.u95, '°')}"
            axes.text(
                arm[0, 0] + out * 5.0,
                arm[0, 1] + 4.0,
                text,
                ha="left" if out > 0 else "right",
                va="bottom",
                color=colour,
                fontsize=9,
            )
    _draw_touch(axes, above, joints)
    wide = max(52.0, float(np.abs(joints[..., 0]).max()) + 8.0)
    axes.set_xlim(-wide, wide)
    axes.set_ylim(min(-40.0, float(hips[:, 1].min()) + 8.0), 33.0)
    axes.set_aspect("equal", adjustable="box")
    axes.set_axis_off()
    for x, side in ((wide, "left"), (-wide, "right")):
        axes.text(
            x, 32.0, f"lifter's {side}", ha="right" if x > 0 else "left", va="top",
            fontsize=8, color=QUIET,
        )  # fmt: skip
    return Picture(figure, _above_alt(above))


def draw_trunk(axes: Axes, above: Above) -> None:
    """Draw trunk and head seen from above, in centimetres."""
    joints, hips = 100 * above.joints_m, 100 * above.hips_m
    trunk = np.array([joints[0, 0], hips[0], hips[1], joints[1, 0]])
    axes.add_patch(Polygon(trunk, closed=True, fc="#e8eaee", ec=QUIET, lw=0.8, joinstyle="round"))
    axes.add_patch(Circle((0.0, 21.0), 9.5, fc="#e8eaee", ec=QUIET, lw=0.8))


def _draw_touch(axes: Axes, above: Above, joints: np.ndarray) -> None:
    hands = joints[:, 2, 0]
    ends = np.array([hands.min() - 10.0, hands.max() + 10.0])
    if not above.touch:
        level = joints[:, 2, 1].mean()
        axes.plot(ends, [level, level], color=QUIET, lw=2.0, ls=(0, (2, 2)), zorder=1)
        axes.text(0, level - 2.0, "touch point not seen", ha="center", va="top", fontsize=8.5)
        return
    level, u95 = -100 * above.touch.value, 100 * above.touch.u95
    axes.axhspan(level - u95, level + u95, color="#f4dfa6", lw=0, zorder=1)
    axes.plot(ends, [level, level], color=INK, lw=2.2, zorder=4)
    axes.annotate(
        "", (0, level), (0, 0), arrowprops={"arrowstyle": "<->", "color": INK, "lw": 0.9}, zorder=6
    )
    text = f"touch {state(100 * above.touch.value, u95, 'cm')}\nbelow the shoulders"
    axes.text(0, level - u95 - 1.5, text, ha="center", va="top", fontsize=9, zorder=6)


def _above_alt(above: Above) -> str:
    said = [
        f"{side} tuck {state(tuck.value, tuck.u95, 'degrees')}"
        for side, tuck in above.tuck_deg.items()
        if tuck
    ]
    touch = above.touch
    said.append(
        f"the bar touches {state(100 * touch.value, 100 * touch.u95, 'cm')} below the shoulders"
        if touch
        else "the touch point is not known"
    )
    return f"Trunk and arms seen from above, head up: {', '.join(said)}."


def above_caption(above: Above) -> str:
    """What is seen and what is assumed in the figure from above."""
    text = "The bottom from above, to scale: upper arms thick, wrists square."
    if not above.lengths_seen:
        return f"{text} From the feet the tuck comes from how short the upper arms look."
    if not above.widths_seen:
        return f"{text} Widths are what fits a usual lifter: this view does not show them."
    return text
