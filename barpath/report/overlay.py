"""Annotated frames: what was measured, drawn on the picture it was measured in."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd

from barpath.analysis.stills import DRAWN_JOINTS, SEGMENTS
from barpath.report.framestate import LEGEND, PHASE_WORDS, FrameState, legend_kinds
from barpath.report.strokes import OverlayConfig, Pen, shade, text_width, write_text


def annotate_frame(
    image: np.ndarray, state: FrameState, config: OverlayConfig | None = None
) -> np.ndarray:
    """Draw what was measured on a copy of the frame.

    Parameters
    ----------
    image : ndarray of uint8, shape (H, W, 3)
        RGB.
    state : FrameState
        What was measured in it.
    config : OverlayConfig, optional
        Settings.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        The annotated frame; `image` is left as it was.
    """
    config = config or OverlayConfig()
    out = trace_frame(image, state, config)
    short = min(out.shape[:2])
    width = _stroke_px(out, config)
    size = max(config.text_min_px, round(short * config.text_share))
    _draw_readout(out, state, size, config)
    _draw_legend(out, state, width, size, config)
    return out


def trace_frame(
    image: np.ndarray, state: FrameState, config: OverlayConfig | None = None
) -> np.ndarray:
    """Draw lifter, plate or bar and the bar's path on a copy of the frame, without any text.

    Parameters and result are those of `annotate_frame`.
    """
    config = config or OverlayConfig()
    out = np.ascontiguousarray(image).copy()
    width = _stroke_px(out, config)
    pen = Pen(out, width, config.outline_colour)

    _draw_lifter(pen, state, config)
    if state.plate is not None:
        pen.ellipse(state.plate, config.plate_colour, dashed=not state.plate_sure)
    if state.bar_ends is not None:
        pen.lines([np.array(state.bar_ends)], config.bar_colour)
        for end, sure in zip(state.bar_ends, state.ends_sure, strict=True):
            pen.dot(end, 3.0 * width, config.bar_colour, hollow=not sure)
    if trail := _finite_runs(state.trail_px):
        pen.lines(trail, config.path_colour)
    if state.plate is not None:
        pen.dot(state.plate[:2], 2.2 * width, config.path_colour, hollow=False)
    elif state.bar_ends is not None and len(state.trail_px):
        middle = state.trail_px[-1]
        if np.isfinite(middle).all():
            pen.dot(tuple(middle), 2.2 * width, config.path_colour, hollow=False)
    return out


def _stroke_px(image: np.ndarray, config: OverlayConfig) -> int:
    return max(1, round(min(image.shape[:2]) * config.line_share))


def _draw_lifter(pen: Pen, state: FrameState, config: OverlayConfig) -> None:
    shown = {
        name: joint
        for name, joint in state.joints.items()
        if name in DRAWN_JOINTS and joint[2] >= config.shown_confidence and np.isfinite(joint).all()
    }
    strokes: list[np.ndarray] = []
    for a, b in SEGMENTS:
        if a in shown and b in shown:
            ends = np.array([shown[a][:2], shown[b][:2]])
            sure = min(shown[a][2], shown[b][2]) >= config.sure_confidence
            strokes += [ends] if sure else pen.dashes(ends)
    if strokes:
        pen.lines(strokes, config.joint_colour)
    for x, y, confidence in shown.values():
        hollow = confidence < config.sure_confidence
        pen.dot(
            (x, y),
            (3.0 if hollow else 2.4) * max(pen.width, 1.25),
            config.joint_colour,
            hollow=hollow,
        )


def _draw_readout(image: np.ndarray, state: FrameState, size: int, config: OverlayConfig) -> None:
    head = f"Rep {state.rep} of {state.n_reps}" if state.rep else f"{state.time_s:.1f} s"
    phase = PHASE_WORDS.get(state.phase, state.phase.replace("_", " "))
    lines = [f"{head}  {phase}".rstrip()]
    if np.isfinite(state.height_m):
        lines.append(f"height {100 * state.height_m:.1f} cm".replace("-", "−"))
    if np.isfinite(state.speed_m_s):
        lines.append(f"speed {state.speed_m_s:+.2f} m/s".replace("-", "−"))
    if state.filled:
        lines.append("bar hidden: filled in")
    pad = size // 2
    step = round(1.35 * size)
    if step * len(lines) + pad > 0.5 * image.shape[0]:
        return
    width = max(text_width(line, size) for line in lines)
    # Wide enough for the longest usual line, so that the box does not jump from frame to frame.
    width = max(width, text_width("Rep 1 of 5  held at lockout", size))
    shade(image, 0, 0, width + 2 * pad, step * len(lines) + pad, config)
    for i, line in enumerate(lines):
        write_text(image, line, pad, pad // 2 + step * i + size, size, config.text_colour)


def _draw_legend(
    image: np.ndarray, state: FrameState, width: int, size: int, config: OverlayConfig
) -> None:
    seen = (state.plate is not None, state.bar_ends is not None, bool(state.joints))
    kinds = state.legend or legend_kinds(len(state.trail_px) > 0, *seen)
    if not kinds:
        return
    strip = _legend(kinds, width, size, image.shape[1], config)
    top = image.shape[0] - strip.shape[0]
    # A thumbnail has no room for it.
    if top >= 0.75 * image.shape[0]:
        shade(image, 0, top, strip.shape[1], strip.shape[0], config)
        part = image[top:, : strip.shape[1]]
        np.maximum(part, strip[:, : part.shape[1]], out=part)


@lru_cache(maxsize=32)
def _legend(
    kinds: tuple[str, ...], width: int, size: int, room_px: int, config: OverlayConfig
) -> np.ndarray:
    """Symbols and their meaning on black, in as many rows as the room needs."""
    size = max(config.text_min_px - 1, round(0.75 * size))
    pad, symbol, step = size // 2, 2 * size, round(1.5 * size)
    widths = {kind: symbol + text_width(LEGEND[kind], size) + 2 * pad for kind in kinds}
    rows: list[list[str]] = [[]]
    for kind in kinds:
        if rows[-1] and sum(widths[k] for k in rows[-1]) + widths[kind] > room_px:
            rows.append([])
        rows[-1].append(kind)
    length = max(sum(widths[kind] for kind in row) for row in rows)
    strip = np.zeros((step * len(rows), length, 3), np.uint8)
    pen = Pen(strip, width, (0, 0, 0))
    for k, row in enumerate(rows):
        x, y = 0, step * (k + 0.5)
        for kind in row:
            middle = (x + pad + 0.4 * symbol, y)
            ends = np.array([[x + pad, y], [x + pad + 0.8 * symbol, y]])
            if kind == "plate":
                pen.ellipse((*middle, 0.9 * size, 0.9 * size, 0.0), config.plate_colour)
            elif kind in ("path", "bar"):
                pen.lines([ends], config.path_colour if kind == "path" else config.bar_colour)
            else:
                unsure = kind == "unsure"
                pen.lines(pen.dashes(ends) if unsure else [ends], config.joint_colour)
                radius = (2.8 if unsure else 2.2) * width
                pen.dot(middle, radius, config.joint_colour, hollow=unsure)
            baseline = round(y + 0.36 * size)
            write_text(strip, LEGEND[kind], x + pad + symbol, baseline, size, config.text_colour)
            x += widths[kind]
    return strip


def _finite_runs(points: np.ndarray) -> list[np.ndarray]:
    """Split at rows with NaN; runs of at least two points."""
    ok = np.isfinite(points).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], ok, [False]]).astype(int)))
    return [points[a:b] for a, b in edges.reshape(-1, 2) if b - a > 1]


BODY_AND_BAR: tuple[tuple[str, str], ...] = (
    *SEGMENTS,
    ("left_wrist", "left_hand"),
    ("right_wrist", "right_hand"),
    ("left_bar_end", "left_collar"),
    ("left_collar", "right_collar"),
    ("right_collar", "right_bar_end"),
)
"""Pairs of a joint network's points joined by a line."""

REACH_95 = 2.448
"""Standard deviations to which the 95 % region of two normal coordinates reaches: the root of
chi-squared's quantile 5.991 with two degrees of freedom (NIST/SEMATECH e-Handbook, 1.3.6.7.4)."""


def mark_points(
    image: np.ndarray, points: pd.DataFrame, config: OverlayConfig | None = None
) -> np.ndarray:
    """Draw single points with their 95 % regions on a copy of a picture.

    The lifter's left is drawn in the plate's colour, the right in the path's, the head and what
    joins both sides in the joints'. Points seen are filled, hidden ones hollow; those outside the
    picture are left out.

    Parameters
    ----------
    image : ndarray of uint8, shape (H, W, 3)
        RGB.
    points : DataFrame
        `point, x_px, y_px, sd_major_px, sd_minor_px, angle_deg, state`.
    config : OverlayConfig, optional
        Settings.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
    """
    config = config or OverlayConfig()
    out = np.ascontiguousarray(image).copy()
    pen = Pen(out, max(1, round(min(out.shape[:2]) / 450)), config.outline_colour)

    def tint(*names: str) -> tuple[int, int, int]:
        sides = {name.partition("_")[0] for name in names}
        sole = {"left": config.plate_colour, "right": config.path_colour}
        return (
            sole.get(sides.pop(), config.joint_colour) if len(sides) == 1 else config.joint_colour
        )

    shown = points[points["state"].ne("outside") & points["x_px"].notna()].set_index("point")
    for a, b in BODY_AND_BAR:
        if a in shown.index and b in shown.index:
            ends = shown.loc[[a, b], ["x_px", "y_px"]].to_numpy(dtype=float)
            seen = shown.loc[[a, b], "state"].eq("seen").all()
            pen.lines([ends] if seen else pen.dashes(ends), tint(a, b))
    for name, at in shown.iterrows():
        axes = 2.0 * REACH_95 * at[["sd_major_px", "sd_minor_px"]].to_numpy(dtype=float)
        if not np.isfinite(axes).all():
            continue
        pen.ellipse((at["x_px"], at["y_px"], *axes, at["angle_deg"]), tint(str(name)))
    for name, at in shown.iterrows():
        hidden = at["state"] == "hidden"
        radius = (2.8 if hidden else 2.2) * max(pen.width, 1.25)
        pen.dot((at["x_px"], at["y_px"]), radius, tint(str(name)), hollow=hidden)
    return out
