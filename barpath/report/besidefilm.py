"""The clip that shows sets side by side: one clock, one scale, shoulder on shoulder.

What belongs together in time is worked out in `beside`; here frames are read, drawn on, brought to
one scale and written.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.analysis.running import Progress, quiet
from barpath.analysis.setresult import SetResult
from barpath.analysis.source import find_clip, probe_same
from barpath.analysis.stills import shown_joints
from barpath.clip.frames import ClipInfo, Frame, probe, stream
from barpath.clip.writer import VideoWriter
from barpath.errors import BarpathError, OptionError
from barpath.ground.files import scratch_folder
from barpath.report.beside import ANCHOR_WORDS, Clock, clocks
from barpath.report.framestate import FrameState, frame_states, scaled_state, transforms_at
from barpath.report.output import VIDEO_FILE
from barpath.report.overlay import trace_frame
from barpath.report.strokes import OverlayConfig, write_label
from barpath.space.sights import SIDES

Image = NDArray[np.uint8]


@dataclass(frozen=True)
class BesideConfig:
    """How sets are shown together.

    Attributes
    ----------
    most : int
        Sets at most: one more panel each.
    wide_m, high_m : float
        What a panel of the clip shows.
    shoulder_share : tuple of float
        Where the shoulders lie in it, as shares of its width and height.
    film_px : int
        Width of the clip.
    fps : float
    lead_s, tail_s, hold_s : float
        Shown before the lowering and after lockout, and how long a moment is held.
    """

    most: int = 4
    wide_m: float = 1.5
    high_m: float = 1.15
    shoulder_share: tuple[float, float] = (0.5, 0.72)
    film_px: int = 1280
    fps: float = 30.0
    lead_s: float = 0.4
    tail_s: float = 0.5
    hold_s: float = 0.5


@dataclass(frozen=True)
class FilmSet:
    """A set to be shown in the clip.

    Attributes
    ----------
    name : str
        What it is called; untrusted text.
    result : SetResult
    folder : Path
        The result folder, beside which the clip is looked for.
    clip : Path or None
        The clip, if it lies elsewhere.
    """

    name: str
    result: SetResult
    folder: Path
    clip: Path | None = None


@dataclass(frozen=True)
class Panel:
    """One set's part of the clip.

    Attributes
    ----------
    info : ClipInfo
        The clip, or the annotated one where the clip is not at hand.
    full_px : int
        Width of the clip that was measured, in whose pixels places are.
    states : list of FrameState or None
        What is drawn; None on a clip that has it drawn already.
    to_panel : ndarray, shape (2, 3)
        From the steadied image to the panel.
    steady : ndarray, shape (n, 2, 3)
        Image to steadied image, for the rows of the track.
    time_s : ndarray, shape (n,)
        Of the same rows.
    """

    info: ClipInfo
    full_px: int
    states: list[FrameState] | None
    to_panel: NDArray[np.float64]
    steady: NDArray[np.float64]
    time_s: NDArray[np.float64]


def panels_of(sets: Sequence[FilmSet], config: BesideConfig) -> tuple[list[Panel], str]:
    """Panels at one scale, shoulder on shoulder; none, with the reason, where that cannot be."""
    if len({one.result.view for one in sets}) > 1:
        return [], "The sets were filmed from different views, so no clip can show them alike."
    heads = [one.result.calibration.get("head_direction") for one in sets]
    panels = []
    for one, head in zip(sets, heads, strict=True):
        try:
            panels.append(_panel(one, head != heads[0], len(sets), config))
        except BarpathError as error:
            return [], f"{one.name}: {error}"
    return panels, ""


def panel_size(n: int, config: BesideConfig) -> tuple[int, int]:
    """Width and height of a panel in pixels, both even."""
    width = config.film_px // n // 2 * 2
    return width, round(width * config.high_m / config.wide_m / 2) * 2


def _panel(one: FilmSet, flipped: bool, n: int, config: BesideConfig) -> Panel:
    result = one.result
    scale = result.calibration.get("px_per_m")
    place = _shoulders(result)
    if not scale or place is None:
        raise OptionError("the scale or the shoulders are not known.")
    try:
        info, drawn = probe_same(result, one.clip or find_clip(result, one.folder)), False
    except BarpathError:
        film = one.folder / VIDEO_FILE
        if not film.is_file():
            raise OptionError(
                "its clip is neither beside the folder nor here, and the folder has no annotated"
                " clip."
            ) from None
        info, drawn = probe(film), True
    width, _ = panel_size(n, config)
    zoom = width / config.wide_m / float(scale)
    aim = np.array(config.shoulder_share) * panel_size(n, config)
    across = -zoom if flipped else zoom
    matrix = np.array(
        [[across, 0.0, aim[0] - across * place[0]], [0.0, zoom, aim[1] - zoom * place[1]]]
    )
    track = result.track
    return Panel(
        info,
        result.info.width_px,
        None if drawn else frame_states(result),
        matrix,
        transforms_at(result.camera, track["frame"].to_numpy(int)),
        track["time_s"].to_numpy(float),
    )


def _shoulders(result: SetResult) -> NDArray[np.float64] | None:
    """Middle of the shoulders at the bottom, in the steadied image; the bar's without them."""
    joints = shown_joints(result)
    touches = result.reps["touch_s"].dropna().to_numpy(float)
    if not len(touches) or joints.empty:
        return None
    names = [f"{side}_shoulder" for side in SIDES]
    near = str(result.calibration.get("near_arm") or "")
    if result.shows.arms_in_line and near:
        names = [f"{near}_shoulder"]
    columns = [f"{name}_{axis}_px" for name in names for axis in "xy"]
    if not set(columns) <= set(joints.columns):
        return None
    places = []
    for touch in touches:
        row = joints.iloc[int((joints["time_s"] - touch).abs().to_numpy().argmin())]
        points = row[columns].to_numpy(float).reshape(-1, 2)
        steady = transforms_at(result.camera, np.array([int(row["frame"])]))[0]
        places.append((points @ steady[:, :2].T + steady[:, 2]).mean(axis=0))
    middle = np.nanmedian(places, axis=0)
    return middle if np.isfinite(middle).all() else None


@dataclass(frozen=True)
class Moment:
    """A moment of the clip at which all sets are at the same point of the lift."""

    rep: int
    word: str
    image: Image


def film(
    sets: Sequence[FilmSet],
    panels: Sequence[Panel],
    target: Path,
    config: BesideConfig,
    progress: Progress = quiet,
) -> list[Moment]:
    """Write the clip with the sets side by side; its stills at the moments.

    Parameters
    ----------
    sets, panels
        As many of each.
    target : Path
        An MP4 file.
    config : BesideConfig
    progress : callable, optional

    Returns
    -------
    list of Moment
    """
    together = clocks([one.result.reps for one in sets])
    if not together:
        return []
    shown = schedule(together, config)
    readers = [_Reader(p, [one.own_s[k] for one in shown]) for k, p in enumerate(panels)]
    width, height = panel_size(len(panels), config)
    kept: list[Moment] = []
    with VideoWriter(target, width * len(panels), height, config.fps) as writer, ExitStack() as end:
        for reader in readers:
            end.callback(reader.close)
        for number, one in enumerate(shown):
            parts = [
                _labelled(reader.at(number, (width, height)), shown_set.name, one.phase)
                for reader, shown_set in zip(readers, sets, strict=True)
            ]
            image = np.hstack(parts)
            image[:, width - 1 :: width][:, : len(parts) - 1] = 255
            writer.write(image, number / config.fps)
            if one.moment and not any((k.rep, k.word) == (one.rep, one.moment) for k in kept):
                kept.append(Moment(one.rep, one.moment, image))
            progress("drawing the clip", (number + 1) / len(shown))
    return kept


def film_bytes(sets: Sequence[FilmSet], config: BesideConfig | None = None) -> bytes:
    """The clip as bytes; empty where it cannot be made."""
    config = config or BesideConfig()
    panels, _ = panels_of(sets, config)
    if not panels:
        return b""
    with scratch_folder() as place:
        target = place / "beside.mp4"
        return target.read_bytes() if film(sets, panels, target, config) else b""


@dataclass(frozen=True)
class Shown:
    """A picture of the clip: each set's own time, the phase, and the moment if it is one."""

    rep: int
    own_s: tuple[float, ...]
    phase: str
    moment: str


_PHASES = {
    "start_s": "lowering",
    "touch_s": "on the chest",
    "press_s": "pressing",
    "sticking_min_s": "pressing on",
    "lockout_s": "lockout",
}
HELD = ("touch_s", "sticking_min_s", "lockout_s")


def schedule(together: Sequence[Clock], config: BesideConfig) -> list[Shown]:
    """Pictures of the clip, repetition after repetition.

    Parameters
    ----------
    together : sequence of Clock
    config : BesideConfig
    """
    shown = []
    for rep, clock in enumerate(together, 1):
        stops = [(clock.clock_s[k], n) for k, n in enumerate(clock.names) if n in HELD]
        step = 1.0 / config.fps
        at, last = clock.clock_s[0] - config.lead_s, clock.clock_s[-1] + config.tail_s
        while at < last:
            while stops and stops[0][0] <= at + step / 2:
                when, name = stops.pop(0)
                own = tuple(float(clock.own_time(k, when)) for k in range(len(clock.set_s)))
                held = Shown(rep, own, ANCHOR_WORDS[name], ANCHOR_WORDS[name])
                shown += [held] * max(1, round(config.hold_s * config.fps))
            own = tuple(float(clock.own_time(k, at)) for k in range(len(clock.set_s)))
            before = [n for k, n in enumerate(clock.names) if clock.clock_s[k] <= at + 1e-9]
            phase = _PHASES[before[-1]] if before else "ready"
            shown.append(Shown(rep, own, phase, ""))
            at += step
    return shown


class _Reader:
    """Frames of one panel in order, drawn on and brought to the panel's size."""

    def __init__(self, panel: Panel, own_s: Sequence[float]) -> None:
        self.panel = panel
        times = panel.info.times_s
        self.wanted = np.abs(times[:, None] - np.asarray(own_s)[None]).argmin(axis=0)
        self.wanted = np.maximum.accumulate(self.wanted)
        longer = max(panel.info.width_px, panel.info.height_px)
        side = min(longer, 1280)
        self.frames: Iterator[Frame] = stream(
            panel.info, indices=np.unique(self.wanted), max_side_px=side
        )
        self.now: Frame | None = None
        self.ready: tuple[int, Image] | None = None

    def at(self, number: int, size: tuple[int, int]) -> Image:
        """The panel's picture for one picture of the clip."""
        wanted = int(self.wanted[number])
        while self.now is None or self.now.index < wanted:
            following = next(self.frames, None)
            if following is None:
                break
            self.now = following
        if self.now is None:
            return np.zeros((size[1], size[0], 3), np.uint8)
        if self.ready is None or self.ready[0] != self.now.index:
            self.ready = (self.now.index, self._drawn(self.now, size))
        return self.ready[1]

    def _drawn(self, frame: Frame, size: tuple[int, int]) -> Image:
        panel = self.panel
        row = int(np.abs(panel.time_s - frame.time_s).argmin())
        image, scale = frame.image, frame.image.shape[1] / panel.full_px
        if panel.states is not None:
            image = trace_frame(image, scaled_state(panel.states[row], scale))
        # From the picture as decoded to the clip's own pixels, steadied, and to the panel.
        half = 0.5 / scale - 0.5
        grow = np.array([[1 / scale, 0.0, half], [0.0, 1 / scale, half]])
        matrix = _chain(panel.to_panel, _chain(panel.steady[row], grow))
        drawn = cv2.warpAffine(image, matrix, size, flags=cv2.INTER_AREA, borderValue=(24, 26, 30))
        return np.asarray(drawn, np.uint8)

    def close(self) -> None:
        """Let go of the clip."""
        closing = getattr(self.frames, "close", None)
        if closing is not None:
            closing()


def _chain(after: NDArray[np.float64], before: NDArray[np.float64]) -> NDArray[np.float64]:
    """One affine map after another, both of shape (2, 3)."""
    return np.column_stack(
        [after[:, :2] @ before[:, :2], after[:, :2] @ before[:, 2] + after[:, 2]]
    )


def _labelled(image: Image, name: str, phase: str) -> Image:
    out = image.copy()
    config = OverlayConfig()
    size = max(14, round(out.shape[1] / 26))
    write_label(out, name, (out.shape[1] / 2, 0.0), size, config)
    write_label(out, phase, (out.shape[1] / 2, out.shape[0] - 1.5 * size), size, config)
    return out
