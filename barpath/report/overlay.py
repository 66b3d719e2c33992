"""Annotated frames: what was measured, drawn on the picture it was measured in.

Colours differ in lightness as well as in hue, so that they stay apart under the common
colour-vision deficiencies; every stroke lies on a dark outline, so that it shows on any background.
Positions are image pixels (origin at the centre of the top-left pixel, x right, y down).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pandas as pd
from matplotlib.font_manager import FontProperties, get_font
from matplotlib.textpath import TextPath

from barpath.analysis.setresult import SetResult
from barpath.analysis.stills import DRAWN_JOINTS, SEGMENTS, shown_joints
from barpath.space.pinhole import world_axes

PHASE_WORDS: Mapping[str, str] = {
    "rack": "in the rack",
    "unrack": "unracking",
    "lockout": "held at lockout",
    "descent": "lowering",
    "pause": "on the chest",
    "press": "pressing",
    "sticking": "sticking region",
    "rerack": "reracking",
}
"""Phases of `reps.PHASES` in plain words."""

_LEGEND: Mapping[str, str] = {
    "path": "bar path",
    "plate": "plate",
    "bar": "bar and its ends",
    "sure": "joint seen",
    "unsure": "joint uncertain",
}

_SHIFT = 4
_SUBPIXEL = 1 << _SHIFT


@dataclass(frozen=True)
class OverlayConfig:
    """How frames are annotated; colours are RGB.

    Attributes
    ----------
    line_share : float
        Line width as a share of the picture's shorter side.
    text_share : float
        Height of the letters' em as a share of the shorter side.
    text_min_px : int
        The same, at least.
    sure_confidence : float
        Joints below this are drawn hollow and their segments dashed.
    shown_confidence : float
        Joints below this are not drawn.
    bottom_width_px : int
        Width of the cut-out of the bottom.
    bottom_text_share : float
        Height of the letters' em in it, as a share of its width: readable on a telephone.
    pose_gap_s : float
        Between two rows of the pose table no further apart than this, joints are interpolated.
    outline_colour, path_colour, plate_colour, bar_colour, joint_colour, text_colour : tuple of int
        Colours.
    """

    line_share: float = 1 / 300
    text_share: float = 1 / 30
    text_min_px: int = 11
    sure_confidence: float = 0.5
    shown_confidence: float = 0.1
    bottom_width_px: int = 960
    bottom_text_share: float = 1 / 24
    pose_gap_s: float = 0.35
    outline_colour: tuple[int, int, int] = (16, 18, 24)
    path_colour: tuple[int, int, int] = (255, 214, 74)
    plate_colour: tuple[int, int, int] = (92, 176, 255)
    bar_colour: tuple[int, int, int] = (255, 122, 74)
    joint_colour: tuple[int, int, int] = (240, 240, 245)
    text_colour: tuple[int, int, int] = (255, 255, 255)


@dataclass(frozen=True)
class FrameState:
    """What was measured in one frame.

    Attributes
    ----------
    frame : int
        Presentation order.
    time_s : float
        Real seconds from the first frame.
    plate : tuple of float or None
        Ellipse of the near plate: centre x, y, full major and minor axes (px), angle (deg).
    plate_sure : bool
        False when only part of its outline was seen.
    bar_ends : tuple of (float, float) or None
        Image-left and image-right end of the bar.
    ends_sure : tuple of bool
        Whether each end was seen whole.
    trail_px : ndarray, shape (n, 2)
        Bar positions of the current repetition so far, in this frame's pixels; NaN where lost.
    joints : mapping of str to (float, float, float)
        x, y (px) and confidence.
    rep, n_reps : int or None, int
        Current repetition, if any, and how many there are.
    phase : str
        Phase of the lift; empty when not known.
    height_m, speed_m_s : float
        Bar height above the lowest touch of the set, and vertical speed, up positive.
    filled : bool
        The bar was lost here and its height is interpolated.
    legend : tuple of str
        What the legend explains, the same throughout a clip so that it does not jump; when empty,
        what is in this frame.
    """

    frame: int
    time_s: float
    plate: tuple[float, float, float, float, float] | None = None
    plate_sure: bool = True
    bar_ends: tuple[tuple[float, float], tuple[float, float]] | None = None
    ends_sure: tuple[bool, bool] = (True, True)
    trail_px: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))
    joints: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    rep: int | None = None
    n_reps: int = 0
    phase: str = ""
    height_m: float = np.nan
    speed_m_s: float = np.nan
    filled: bool = False
    legend: tuple[str, ...] = ()


def rep_spans(reps: pd.DataFrame) -> dict[int, tuple[float, float]]:
    """Start and end (s) of each repetition, open where the clip cuts it off.

    Parameters
    ----------
    reps : pandas.DataFrame
        Rep table.

    Returns
    -------
    dict of int to (float, float)
        A start that is not known is the end of the repetition before it, or minus infinity; an end
        that is not known is the start of the next, or infinity.
    """
    if not len(reps):
        return {}
    starts, ends = (reps[c].to_numpy(float) for c in ("start_s", "end_s"))
    before = np.concatenate([[-np.inf], ends[:-1]])
    after = np.concatenate([starts[1:], [np.inf]])
    starts = np.where(np.isfinite(starts), starts, np.where(np.isnan(before), -np.inf, before))
    ends = np.where(np.isfinite(ends), ends, np.where(np.isnan(after), np.inf, after))
    return {
        int(rep): (float(a), float(b)) for rep, a, b in zip(reps["rep"], starts, ends, strict=True)
    }


def frame_states(result: SetResult, config: OverlayConfig | None = None) -> list[FrameState]:
    """Collect, frame by frame, what is to be drawn.

    Parameters
    ----------
    result : SetResult
        A measured set.
    config : OverlayConfig, optional
        Settings.

    Returns
    -------
    list of FrameState
        One for each row of the track table, in order of time. Between two rows of a thinned-out
        pose table, joints are interpolated in the steadied image with the lower of the two
        confidences.
    """
    config = config or OverlayConfig()
    track = result.track.reset_index(drop=True)
    n = len(track)
    frames = track["frame"].to_numpy(int)
    times = track["time_s"].to_numpy(float)
    steady = transforms_at(result.camera, frames)
    plates = _plates(track)
    ends = _bar_ends(track)
    centre = _bar_centre(track)
    steadied = _apply(steady, centre)
    joints = _joints_per_frame(shown_joints(result), frames, times, steady, config)

    path = result.trajectory
    y = _on_frames(path, "y_smooth_m", frames)
    v = _on_frames(path, "vy_m_s", frames)
    filled = _on_frames(path, "gap", frames) == 1
    phases = _phases_at(result.phases, times)
    reps = result.reps
    lowest = np.nan
    if len(reps) and np.isfinite(y).any():
        touches = reps["touch_s"].to_numpy(float)
        ok = np.isfinite(y)
        at_touch = np.interp(touches[np.isfinite(touches)], times[ok], y[ok])
        lowest = at_touch.min() if at_touch.size else np.nan
    rep_of = np.zeros(n, int)
    first_of = np.zeros(n, int)
    for rep, (start_s, end_s) in rep_spans(reps).items():
        inside = (times >= start_s) & (times <= end_s) & (rep_of == 0)
        rep_of[inside] = rep
        first_of[inside] = np.argmax(inside)

    legend = _legend_kinds(len(reps) > 0, bool(plates), bool(ends), any(joints))
    states = []
    for i in range(n):
        back = cv2.invertAffineTransform(steady[i])
        trail = steadied[first_of[i] : i + 1] if rep_of[i] else steadied[:0]
        states.append(
            FrameState(
                frame=int(frames[i]),
                time_s=float(times[i]),
                plate=plates[i][0] if plates else None,
                plate_sure=plates[i][1] if plates else True,
                bar_ends=ends[i][0] if ends else None,
                ends_sure=ends[i][1] if ends else (True, True),
                trail_px=trail @ back[:, :2].T + back[:, 2],
                joints=joints[i],
                rep=int(rep_of[i]) or None,
                n_reps=len(reps),
                phase=phases[i],
                height_m=float(y[i] - lowest),
                speed_m_s=float(v[i]),
                filled=bool(filled[i]),
                legend=legend,
            )
        )
    return states


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
    pen = _Pen(out, width, config.outline_colour)

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


def scaled_state(state: FrameState, scale: float) -> FrameState:
    """Fit what was measured to a resized frame.

    Parameters
    ----------
    state : FrameState
        Positions in pixels of the frame as it was measured.
    scale : float
        Size of the resized frame as a share of that.

    Returns
    -------
    FrameState
        The same with pixel positions and sizes of the resized frame.

    Examples
    --------
    >>> scaled_state(FrameState(0, 0.0, joints={"left_hip": (10.5, 3.5, 1.0)}), 0.5).joints
    {'left_hip': (5.0, 1.5, 1.0)}
    """
    if scale == 1.0:
        return state

    def at(x: float, y: float) -> tuple[float, float]:
        # The origin is the centre of the corner pixel, not its corner.
        return (x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5

    plate = state.plate
    ends = state.bar_ends
    return replace(
        state,
        plate=plate and (*at(*plate[:2]), plate[2] * scale, plate[3] * scale, plate[4]),
        bar_ends=ends and (at(*ends[0]), at(*ends[1])),
        trail_px=(state.trail_px + 0.5) * scale - 0.5,
        joints={name: (*at(x, y), c) for name, (x, y, c) in state.joints.items()},
    )


class _Pen:
    """Strokes on a dark outline, to a sixteenth of a pixel."""

    def __init__(self, image: np.ndarray, width: int, outline: tuple[int, int, int]) -> None:
        self.image = image
        self.width = width
        self.outline = outline
        self.rim = width + 2 * max(1, round(width * 0.6))

    def lines(self, runs: Sequence[np.ndarray], colour: tuple[int, int, int]) -> None:
        """Draw lines through points, each of shape (n, 2), in pixels."""
        points = _near(np.concatenate(runs), self.image.shape)
        cuts = np.cumsum([len(r) for r in runs])[:-1]
        fixed = np.split(np.rint(points * _SUBPIXEL).astype(np.int32), cuts)
        for tint, width in ((self.outline, self.rim), (colour, self.width)):
            cv2.polylines(self.image, fixed, False, tint, width, cv2.LINE_AA, _SHIFT)

    def dashes(self, points: np.ndarray) -> list[np.ndarray]:
        """Cut a line into dashes that suit the stroke's width."""
        return _dashes(points, 5.0 * self.width)

    def ellipse(
        self,
        ellipse: tuple[float, float, float, float, float],
        colour: tuple[int, int, int],
        *,
        dashed: bool = False,
    ) -> None:
        """Draw an ellipse given by centre, full axes (px) and angle (deg)."""
        x, y, major, minor, angle = ellipse
        t = np.linspace(0.0, 2.0 * np.pi, 73)
        c, s = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
        u, v = 0.5 * major * np.cos(t), 0.5 * minor * np.sin(t)
        outline = np.column_stack([x + c * u - s * v, y + s * u + c * v])
        self.lines(self.dashes(outline) if dashed else [outline], colour)

    def dot(
        self,
        centre: tuple[float, float],
        radius: float,
        colour: tuple[int, int, int],
        *,
        hollow: bool,
    ) -> None:
        """Draw a disc, with a dark middle when hollow."""
        reach = 4.0 * max(self.image.shape[:2])
        x, y = (round(min(max(c, -reach), reach) * _SUBPIXEL) for c in centre)
        rim = 0.5 * (self.rim - self.width)
        discs = [(self.outline, radius + rim), (colour, radius)]
        if hollow:
            discs.append((self.outline, 0.6 * radius))
        for tint, r in discs:
            cv2.circle(
                self.image, (x, y), round(r * _SUBPIXEL), tint, cv2.FILLED, cv2.LINE_AA, _SHIFT
            )


def _draw_lifter(pen: _Pen, state: FrameState, config: OverlayConfig) -> None:
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
    width = max(_text_width(line, size) for line in lines)
    # Wide enough for the longest usual line, so that the box does not jump from frame to frame.
    width = max(width, _text_width("Rep 1 of 5  held at lockout", size))
    _shade(image, 0, 0, width + 2 * pad, step * len(lines) + pad, config)
    for i, line in enumerate(lines):
        _text(image, line, pad, pad // 2 + step * i + size, size, config.text_colour)


def _legend_kinds(path: bool, plate: bool, bar: bool, joints: bool) -> tuple[str, ...]:
    present = {"path": path, "plate": plate, "bar": bar, "sure": joints, "unsure": joints}
    return tuple(kind for kind in _LEGEND if present[kind])


def _draw_legend(
    image: np.ndarray, state: FrameState, width: int, size: int, config: OverlayConfig
) -> None:
    seen = (state.plate is not None, state.bar_ends is not None, bool(state.joints))
    kinds = state.legend or _legend_kinds(len(state.trail_px) > 0, *seen)
    if not kinds:
        return
    strip = _legend(kinds, width, size, image.shape[1], config)
    top = image.shape[0] - strip.shape[0]
    # A thumbnail has no room for it.
    if top >= 0.75 * image.shape[0]:
        _shade(image, 0, top, strip.shape[1], strip.shape[0], config)
        part = image[top:, : strip.shape[1]]
        np.maximum(part, strip[:, : part.shape[1]], out=part)


@lru_cache(maxsize=32)
def _legend(
    kinds: tuple[str, ...], width: int, size: int, room_px: int, config: OverlayConfig
) -> np.ndarray:
    """Symbols and their meaning on black, in as many rows as the room needs."""
    size = max(config.text_min_px - 1, round(0.75 * size))
    pad, symbol, step = size // 2, 2 * size, round(1.5 * size)
    widths = {kind: symbol + _text_width(_LEGEND[kind], size) + 2 * pad for kind in kinds}
    rows: list[list[str]] = [[]]
    for kind in kinds:
        if rows[-1] and sum(widths[k] for k in rows[-1]) + widths[kind] > room_px:
            rows.append([])
        rows[-1].append(kind)
    length = max(sum(widths[kind] for kind in row) for row in rows)
    strip = np.zeros((step * len(rows), length, 3), np.uint8)
    pen = _Pen(strip, width, (0, 0, 0))
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
            _text(strip, _LEGEND[kind], x + pad + symbol, baseline, size, config.text_colour)
            x += widths[kind]
    return strip


def _shade(
    image: np.ndarray, x: int, y: int, width: int, height: int, config: OverlayConfig
) -> None:
    box = image[max(y, 0) : y + height, x : x + width]
    box[:] = cv2.convertScaleAbs(box, alpha=0.22, beta=0.78 * float(np.mean(config.outline_colour)))


@lru_cache(maxsize=512)
def _glyph(character: str, size: int) -> tuple[np.ndarray, int, int, float]:
    """Coverage 0..255 of one letter, its left and top offset from the pen, its advance (px)."""
    fine = 4
    file = Path(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf")
    font = get_font(str(file))
    font.set_size(size, 72)
    advance = font.load_char(ord(character)).linearHoriAdvance / 65536
    if character.isspace():
        return np.zeros((0, 0), np.uint8), 0, 0, advance
    outline = TextPath((0.0, 0.0), character, size=fine * size, prop=FontProperties(fname=file))
    rings = [ring * [1.0, -1.0] for ring in outline.to_polygons()]
    corners = np.concatenate(rings) / fine
    left, top = np.floor(corners.min(axis=0)).astype(int)
    right, bottom = np.ceil(corners.max(axis=0)).astype(int)
    canvas = np.zeros((fine * (bottom - top), fine * (right - left)), np.uint8)
    cv2.fillPoly(
        canvas,
        [np.round((r - [fine * left, fine * top]) * _SUBPIXEL).astype(np.int32) for r in rings],
        255,
        cv2.LINE_8,
        _SHIFT,
    )
    cover = cv2.resize(canvas, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    return cover, int(left), int(top), advance


def _text_width(text: str, size: int) -> int:
    return int(np.ceil(sum(_glyph(c, size)[3] for c in text)))


def _line(text: str, size: int, colour: tuple[int, int, int]) -> np.ndarray:
    """Text on black, shape (2 size, width, 3); baseline at 1.5 size."""
    canvas = np.zeros((2 * size, _text_width(text, size) + size), np.uint8)
    x, baseline = 0.0, round(1.5 * size)
    for character in text:
        cover, left, top, advance = _glyph(character, size)
        x0, y0 = max(round(x) + left, 0), baseline + top
        part = canvas[y0 : y0 + cover.shape[0], x0 : x0 + cover.shape[1]]
        np.maximum(part, cover, out=part)
        x += advance
    return np.round(canvas[..., None] * (np.array(colour) / 255.0)).astype(np.uint8)


def _text(
    image: np.ndarray, text: str, x: int, baseline: int, size: int, colour: tuple[int, int, int]
) -> None:
    """Write on a shaded box: on a dark ground the lighter of the two is the blend."""
    line = _line(text, size, colour)
    y = baseline - round(1.5 * size)
    line = line[max(-y, 0) :]
    part = image[max(y, 0) : max(y, 0) + len(line), x : x + line.shape[1]]
    np.maximum(part, line[: part.shape[0], : part.shape[1]], out=part)


def _near(points: np.ndarray, shape: Sequence[int]) -> np.ndarray:
    """Keep points within what OpenCV's fixed-point coordinates can hold."""
    reach = 4.0 * max(shape[:2])
    return points if np.abs(points).max() < reach else np.clip(points, -reach, reach)


def _dashes(points: np.ndarray, length: float) -> list[np.ndarray]:
    """Cut a polyline into dashes of the given length (px), with gaps as long."""
    steps = np.hypot(*(points[1:] - points[:-1]).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if not along[-1] > 0.0:
        return [points]
    n = max(1, round(along[-1] / (2.0 * length)))
    # Half a gap at each end: the joints themselves are marked.
    s = (np.arange(2 * n).reshape(n, 2) + 0.5) * (along[-1] / (2 * n))
    k = np.searchsorted(along[1:-1], s)
    share = (s - along[k]) / steps[k]
    return list(points[k] + share[..., None] * (points[k + 1] - points[k]))


def _finite_runs(points: np.ndarray) -> list[np.ndarray]:
    """Split at rows with NaN; runs of at least two points."""
    ok = np.isfinite(points).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], ok, [False]]).astype(int)))
    return [points[a:b] for a, b in edges.reshape(-1, 2) if b - a > 1]


def transforms_at(camera: pd.DataFrame, frames: np.ndarray) -> np.ndarray:
    """Image → steadied image for each frame, shape (n, 2, 3); the identity where not known."""
    out = np.tile(np.eye(2, 3), (len(frames), 1, 1))
    names = ["m00", "m01", "m02", "m10", "m11", "m12"]
    if len(camera) and set(names) <= set(camera.columns):
        rows = camera.drop_duplicates("frame").set_index("frame")[names].reindex(frames)
        found = rows.to_numpy(float).reshape(-1, 2, 3)
        known = np.isfinite(found).all(axis=(1, 2))
        out[known] = found[known]
    return out


def _apply(transforms: np.ndarray, points: np.ndarray) -> np.ndarray:
    return np.einsum("nij,nj->ni", transforms[:, :, :2], points) + transforms[:, :, 2]


def _plates(
    track: pd.DataFrame,
) -> list[tuple[tuple[float, float, float, float, float] | None, bool]]:
    names = ["x_px", "y_px", "major_px", "minor_px", "angle_deg"]
    if not set(names) <= set(track.columns):
        return []
    rows = track[names].to_numpy(float)
    sure = (track["state"] == "seen").to_numpy()
    return [
        (tuple(r) if np.isfinite(r).all() else None, bool(s))
        for r, s in zip(rows, sure, strict=True)
    ]


def _bar_ends(
    track: pd.DataFrame,
) -> list[tuple[tuple[tuple[float, float], tuple[float, float]] | None, tuple[bool, bool]]]:
    names = [f"image_{side}_{axis}_px" for side in ("left", "right") for axis in "xy"]
    if not set(names) <= set(track.columns):
        return []
    rows = track[names].to_numpy(float)
    sure = track[["image_left_state", "image_right_state"]].eq("seen").to_numpy()
    return [
        (((r[0], r[1]), (r[2], r[3])) if np.isfinite(r).all() else None, (bool(s[0]), bool(s[1])))
        for r, s in zip(rows, sure, strict=True)
    ]


def _bar_centre(track: pd.DataFrame) -> np.ndarray:
    """Centre of the plate, or the bar's middle in the front view; shape (n, 2), px."""
    if {"x_px", "y_px"} <= set(track.columns):
        return track[["x_px", "y_px"]].to_numpy(float)
    if {"image_left_x_px", "image_right_x_px"} <= set(track.columns):
        left = track[["image_left_x_px", "image_left_y_px"]].to_numpy(float)
        right = track[["image_right_x_px", "image_right_y_px"]].to_numpy(float)
        return 0.5 * (left + right)
    return np.full((len(track), 2), np.nan)


def _on_frames(table: pd.DataFrame, column: str, frames: np.ndarray) -> np.ndarray:
    if column not in table.columns:
        return np.full(len(frames), np.nan)
    rows = table.drop_duplicates("frame").set_index("frame")[column].reindex(frames)
    return rows.astype(float).to_numpy()


def _phases_at(phases: pd.DataFrame, times: np.ndarray) -> list[str]:
    if not len(phases):
        return [""] * len(times)
    at = np.searchsorted(phases["time_s"].to_numpy(float), times + 1e-6, side="right") - 1
    names = phases["phase"].astype(str).to_numpy()
    return [names[i] if i >= 0 else "" for i in at]


def _joints_per_frame(
    pose: pd.DataFrame,
    frames: np.ndarray,
    times: np.ndarray,
    steady: np.ndarray,
    config: OverlayConfig,
) -> list[dict[str, tuple[float, float, float]]]:
    """Joints for each frame in its own pixels."""
    n = len(frames)
    joints: list[dict[str, tuple[float, float, float]]] = [{} for _ in frames]
    pose = pose[pose["frame"].isin(frames)] if len(pose) else pose
    if not len(pose):
        return joints
    pose = pose.drop_duplicates("frame").sort_values("frame")
    at = np.searchsorted(frames, pose["frame"].to_numpy(int))
    after = np.minimum(np.searchsorted(at, np.arange(n)), len(at) - 1)
    before = np.where(at[after] == np.arange(n), after, np.maximum(after - 1, 0))
    span = times[at[after]] - times[at[before]]
    inside = (at[before] <= np.arange(n)) & (np.arange(n) <= at[after])
    inside &= span <= config.pose_gap_s
    share = np.divide(times - times[at[before]], span, out=np.zeros(n), where=span > 0)
    inverse = np.array([cv2.invertAffineTransform(m) for m in steady])
    for name in DRAWN_JOINTS:
        if f"{name}_x_px" not in pose.columns:
            continue
        xy = _apply(steady[at], pose[[f"{name}_x_px", f"{name}_y_px"]].to_numpy(float))
        confidence = pose[f"{name}_confidence"].to_numpy(float)
        points = _apply(inverse, xy[before] + share[:, None] * (xy[after] - xy[before]))
        sure = np.minimum(confidence[before], confidence[after])
        for i in np.flatnonzero(inside & np.isfinite(points).all(axis=1) & np.isfinite(sure)):
            joints[i][name] = (float(points[i, 0]), float(points[i, 1]), float(sure[i]))
    return joints


@dataclass(frozen=True)
class ArmMarks:
    """One arm at the bottom, in pixels of a frame.

    Attributes
    ----------
    shoulder_px, elbow_px, wrist_px : ndarray, shape (2,)
    foot_px : ndarray, shape (2,)
        Point of the plumb line through the wrist that is nearest to the elbow.
    below_px : ndarray, shape (2,)
        Lower end of the plumb line.
    label : str
        How far the elbow lies from the plumb line; empty where that is not known.
    sure : bool
        Whether elbow and wrist were seen.
    """

    shoulder_px: np.ndarray
    elbow_px: np.ndarray
    wrist_px: np.ndarray
    foot_px: np.ndarray
    below_px: np.ndarray
    label: str
    sure: bool


def plumb_direction(
    point_px: np.ndarray, calibration: Mapping[str, object], size_px: tuple[int, int]
) -> np.ndarray:
    """Direction of a plumb line in the steadied image, at a point.

    A camera with focal length f that is rolled by r and looks down by p sees the upright direction
    as u = (-sin r cos p, -cos r cos p, -sin p) in its axes (x right, y down, z forward). A point
    P + t u is seen to move along f (u_x, u_y) - u_z (x - c) when it lies at x, with c the middle of
    the picture.

    Parameters
    ----------
    point_px : ndarray, shape (2,)
    calibration : mapping
        Of the result: `focal_px, roll_deg, pitch_deg`.
    size_px : tuple of int
        Width and height.

    Returns
    -------
    ndarray, shape (2,)
        Of unit length, downward.

    Examples
    --------
    >>> level = {"focal_px": 1000.0, "roll_deg": 0.0, "pitch_deg": 0.0}
    >>> plumb_direction(np.array([100.0, 50.0]), level, (640, 360)).tolist()
    [0.0, 1.0]
    """
    known = {name: calibration.get(name) for name in ("focal_px", "roll_deg", "pitch_deg")}
    numbers = {n: float(v) for n, v in known.items() if isinstance(v, int | float)}
    roll, pitch = (np.deg2rad(numbers.get(name, 0.0)) for name in ("roll_deg", "pitch_deg"))
    up, _, _ = world_axes(0.0, pitch, roll)
    focal = numbers.get("focal_px", np.nan)
    if not np.isfinite(focal):
        focal, up = 1.0, np.array([up[0], up[1], 0.0])
    centre = (np.array(size_px, dtype=float) - 1.0) / 2.0
    down = -(focal * up[:2] - up[2] * (point_px - centre)) + 0.0
    return down / np.linalg.norm(down)


def arm_marks(
    result: SetResult, frame: int, labels: Mapping[str, str], config: OverlayConfig | None = None
) -> dict[str, ArmMarks]:
    """Both arms of a frame, with a plumb line through each wrist.

    Parameters
    ----------
    result : SetResult
    frame : int
        A frame in which the arms were fitted, or one near it.
    labels : mapping of str to str
        What to write at the elbow, by side; a side that is not in it is not drawn.
    config : OverlayConfig, optional

    Returns
    -------
    dict of str to ArmMarks
        By side; only arms that are known in that frame.
    """
    config = config or OverlayConfig()
    if result.arms.empty:
        return {}
    pose = shown_joints(result)
    row = pose.iloc[int((pose["frame"] - frame).abs().to_numpy().argmin())]
    steady = transforms_at(result.camera, np.array([int(row["frame"])]))
    back = cv2.invertAffineTransform(steady[0])
    size = (result.info.width_px, result.info.height_px)
    marks = {}
    for side in ("left", "right"):
        names = [f"{side}_{joint}" for joint in ("shoulder", "elbow", "wrist")]
        places = row[[f"{n}_{axis}_px" for n in names for axis in "xy"]].to_numpy(float)
        points = places.reshape(3, 2)
        if side not in labels or not np.isfinite(points).all():
            continue
        shoulder, elbow, wrist = points
        there = _apply(steady, wrist[None])[0]
        down = back[:, :2] @ plumb_direction(there, result.calibration, size)
        down /= np.linalg.norm(down)
        along = float((elbow - wrist) @ down)
        sure = row[[f"{n}_confidence" for n in names[1:]]].to_numpy(float)
        marks[side] = ArmMarks(
            shoulder_px=shoulder,
            elbow_px=elbow,
            wrist_px=wrist,
            foot_px=wrist + along * down,
            below_px=wrist + 1.25 * max(along, 1.0) * down,
            label=labels[side],
            sure=bool((np.nan_to_num(sure) >= config.sure_confidence).all()),
        )
    return marks


def bottom_picture(
    image: np.ndarray,
    marks: Mapping[str, ArmMarks],
    scale: float = 1.0,
    config: OverlayConfig | None = None,
) -> np.ndarray:
    """Cut the arms out of a frame and draw forearms, plumb lines and the elbows' distances.

    Parameters
    ----------
    image : ndarray of uint8, shape (H, W, 3)
        RGB, without other drawings.
    marks : mapping of str to ArmMarks
        At least one, in pixels of the clip.
    scale : float
        Size of `image` as a share of the clip's.
    config : OverlayConfig, optional

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        The cut-out at the size that `config` asks for.
    """
    config = config or OverlayConfig()

    def at(point: np.ndarray) -> np.ndarray:
        return (np.asarray(point, dtype=float) + 0.5) * scale - 0.5

    height, width = image.shape[:2]
    points = [at(p) for arm in marks.values() for p in
              (arm.shoulder_px, arm.elbow_px, arm.wrist_px, arm.below_px)]  # fmt: skip
    left, top, right, bottom = _box(np.array(points), (width, height))
    zoom = config.bottom_width_px / (right - left)
    size = (config.bottom_width_px, round(zoom * (bottom - top)))
    way = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    out = cv2.resize(np.ascontiguousarray(image[top:bottom, left:right]), size, interpolation=way)

    def there(point: np.ndarray) -> np.ndarray:
        return (at(point) - [left, top] + 0.5) * zoom - 0.5

    pen = _Pen(out, max(2, round(size[0] / 260)), config.outline_colour)
    text_px = max(config.text_min_px, round(size[0] * config.bottom_text_share))
    for arm in marks.values():
        elbow, wrist, foot = there(arm.elbow_px), there(arm.wrist_px), there(arm.foot_px)
        upper = np.array([there(arm.shoulder_px), elbow])
        pen.lines(pen.dashes(upper), config.joint_colour)
        plumb = np.array([wrist, there(arm.below_px)])
        pen.lines([plumb], config.path_colour)
        pen.lines([np.array([foot, elbow])], config.bar_colour)
        forearm = np.array([elbow, wrist])
        pen.lines([forearm] if arm.sure else pen.dashes(forearm), config.joint_colour)
        for point in (elbow, wrist):
            pen.dot(tuple(point), 3.0 * pen.width, config.joint_colour, hollow=not arm.sure)
    for arm in marks.values():
        if arm.label:
            foot, elbow = there(arm.foot_px), there(arm.elbow_px)
            middle = (foot + elbow) / 2
            low = max(foot[1], elbow[1], there(arm.below_px)[1])
            write_label(out, arm.label, (middle[0], low + 0.4 * text_px), text_px, config)
    return out


def _box(points: np.ndarray, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of a cut-out around points, about 3 by 2 where there is room."""
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2
    half = np.maximum((high - low) / 2 * [1.12, 1.5], 16.0)
    half = np.array([max(half[0], 1.5 * half[1]), max(half[1], half[0] / 1.7)])
    first = np.floor(np.clip(middle - half, 0, None)).astype(int)
    last = np.ceil(np.minimum(middle + half, np.array(size))).astype(int)
    return (
        int(first[0]),
        int(first[1]),
        int(max(last[0], first[0] + 16)),
        int(max(last[1], first[1] + 16)),
    )


def write_label(
    image: np.ndarray, text: str, place: tuple[float, float], size: int, config: OverlayConfig
) -> None:
    """Text on a shaded box, its top middle at a place, pushed into the picture."""
    width, height = _text_width(text, size) + size, round(1.5 * size)
    x = round(min(max(place[0] - width / 2, 0), image.shape[1] - width))
    y = round(min(max(place[1], 0), image.shape[0] - height))
    _shade(image, max(x, 0), max(y, 0), width, height, config)
    _text(
        image, text, max(x, 0) + size // 2, max(y, 0) + round(1.08 * size), size, config.text_colour
    )


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
    pen = _Pen(out, max(1, round(min(out.shape[:2]) / 450)), config.outline_colour)

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
