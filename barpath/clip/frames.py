"""Decode a clip into upright frames with true times, and encode a clip that browsers play.

Times come from the presentation stamps in the file, never from a frame number divided by a rate:
phones vary the rate, drop frames and write slow-motion files that play slower than life. The
rotation tag is read from the display matrix and the pixels are turned here.

A frame's `index` is its rank among the presentation stamps of the file, so it is the same whether
the clip is decoded whole, in part, or by seeking, and a frame that cannot be decoded leaves a gap
in the indices instead of shifting those after it.
"""

import contextlib
import math
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Self

import av
import av.error
import cv2
import numpy as np
from av.container import InputContainer
from av.sidedata.sidedata import Type as SideDataType
from av.video.frame import VideoFrame
from av.video.reformatter import (
    ColorPrimaries,
    ColorRange,
    Colorspace,
    ColorTrc,
    Interpolation,
    VideoReformatter,
)
from av.video.stream import VideoStream

from barpath.errors import ClipError, OptionError, OutputError

# ITU-T H.273 code point of "unspecified" matrix coefficients.
_MATRIX_UNSPECIFIED = 2
# Above this many lines an untagged clip is taken as BT.709, else as BT.601 (common practice, no
# source).
_SD_MAX_LINES = 576
# Intervals within this share of a whole multiple (2, 3, ...) of the usual one hold dropped frames.
_MULTIPLE_TOLERANCE = 0.25
# An interval is off the regular rate when it differs from the usual one by more than this share.
_REGULAR_TOLERANCE = 0.10
# A clip is of variable rate when more than this share of its intervals is off the regular rate.
_VARIABLE_SHARE = 0.01
# A file whose header promises more seconds than this beyond its last frame may be cut short.
_MISSING_END_S = 1.0
# After damage, frames are left out up to the next key frame, or the end, if that comes within so
# many seconds of the file; if it does not, those that decode are given, built on damaged ones as
# they are, but for the first, which may show a moment before the damage instead of their own.
_WAIT_FOR_KEY_S = 1.0
_SETTLE_S = 0.15
# A picture smaller than this shows no plate that could be followed.
_MIN_SIDE_PX = 48
_MAX_TOLD_RUNS = 3
# Frames decoded onward before seeking is cheaper (a seek empties the decoder's threads).
_SEEK_GAP_FRAMES = 16
# Slow motion is recorded at 90 fps or more and plays at most at this share of that rate. A lower
# tag is met in ordinary clips whose rate sank in poor light, which are not slow motion (common
# practice, no source).
_SLOW_MOTION_MIN_FPS = 90.0
_SLOW_MOTION_MAX_RATIO = 0.6
# The clock of MPEG presentation stamps (ISO/IEC 13818-1), fine enough for any phone's frame times.
_WRITE_CLOCK_HZ = 90_000


@dataclass(frozen=True)
class _Index:
    """Presentation stamps of a clip's frames, in units of `time_base_s`."""

    ticks: np.ndarray
    time_base_s: Fraction
    # False when packets lack presentation stamps: frames are then counted as they come out.
    stamped: bool
    key_ticks: np.ndarray
    n_repeated: int
    n_interpolated: int
    n_unreadable: int


@dataclass(frozen=True)
class ClipInfo:
    """What is known of a clip before its frames are decoded.

    Attributes
    ----------
    path
        The file.
    width_px, height_px
        Size of the images that `stream` gives without `max_side_px`: after rotation and with square
        pixels.
    rotation_deg
        Clockwise turn, 0, 90, 180 or 270, that `stream` applies to the coded picture.
    mirrored
        The tag also asks for a left-right flip (applied before the turn).
    codec, pixel_format
        Names as FFmpeg gives them.
    n_frames
        Frames with distinct presentation times that can be read from the file.
    duration_s
        Real seconds from the first frame's time to the end of the last frame.
    fps
        Measured, in frames per real second: 1 / the usual interval, which is the mean of those
        within a quarter (or one tick of the file's clock) of the median. Unlike the median alone
        this is not pulled to whole ticks, yet dropped frames do not lower it.
    fps_nominal
        The rate the file states, in frames per second of the file; NaN when it states none.
    variable_rate
        More than 1 % of the intervals differ by over 10 % from the usual one and are no whole
        multiple of it.
    n_dropped
        Frames missing from intervals that are about 2, 3, ... times the usual one; of little
        meaning when the rate varies.
    n_duplicate
        Frames that repeat another's presentation time; they are not streamed.
    time_scale
        Real seconds for one second of the file; below 1 for slow motion.
    n_undecodable
        Frames that the file lists but that cannot be read (a truncated file).
    n_interpolated
        Frames without a stamp, whose times were interpolated between their neighbours'.
    warnings
        Sentences on what is doubtful about the file.
    times_s
        (n_frames,) real seconds of every frame from the first.
    sha256
        Hash of the file's content; `probe` leaves it out.
    """

    path: Path
    width_px: int
    height_px: int
    rotation_deg: int
    mirrored: bool
    codec: str
    pixel_format: str
    n_frames: int
    duration_s: float
    fps: float
    fps_nominal: float
    variable_rate: bool
    n_dropped: int
    n_duplicate: int
    time_scale: float
    n_undecodable: int
    n_interpolated: int
    warnings: tuple[str, ...]
    times_s: np.ndarray = field(repr=False, compare=False)
    _index: _Index = field(repr=False, compare=False)
    sha256: str = ""


@dataclass(frozen=True)
class Frame:
    """One decoded frame.

    Attributes
    ----------
    index
        Rank in presentation order, from 0.
    time_s
        Real seconds from the clip's first frame.
    image
        `uint8`, (H, W, 3) RGB, or (H, W) when grey was asked for; upright, with square pixels.
    """

    index: int
    time_s: float
    image: np.ndarray


@dataclass
class StreamStats:
    """Counts that `stream` keeps up to date while its frames are taken.

    Attributes
    ----------
    n_frames
        Frames given out.
    n_undecodable
        Frames within the stretch decoded so far that were damaged or lost.
    n_duplicate
        Frames given out whose picture equals the one given out before, pixel for pixel.
    n_doubtful
        Frames given out that were predicted from damaged ones.
    undecodable
        First and last frame of each run of frames that were damaged or lost.
    resized
        Frame at which the coded picture's size first differs, with the sizes before and then (px).
    """

    n_frames: int = 0
    n_undecodable: int = 0
    n_duplicate: int = 0
    n_doubtful: int = 0
    undecodable: list[tuple[int, int]] = field(default_factory=list)
    resized: tuple[int, tuple[int, int], tuple[int, int]] | None = None

    def lost(self, first: int, last: int) -> None:
        """Count a run of frames that could not be given."""
        if last >= first:
            self.n_undecodable += last - first + 1
            self.undecodable.append((first, last))

    def sentences(self) -> list[str]:
        """What a reader of the results should know of damage in the stretch decoded.

        Examples
        --------
        >>> stats = StreamStats(n_frames=97, n_doubtful=30)
        >>> stats.lost(40, 42)
        >>> stats.sentences()
        ['The clip is damaged: 3 frames cannot be decoded (40 to 42); 30 others are built on them.']
        """
        said = []
        if self.n_undecodable or self.n_doubtful:
            runs = [str(a) if a == b else f"{a} to {b}" for a, b in self.undecodable]
            which = ", ".join(runs[:_MAX_TOLD_RUNS])
            which += ", and more" if len(runs) > _MAX_TOLD_RUNS else ""
            frames = "frame" if self.n_undecodable == 1 else "frames"
            text = f"The clip is damaged: {self.n_undecodable} {frames} cannot be decoded"
            text += f" ({which})" if runs else ""
            if self.n_doubtful:
                text += f"; {self.n_doubtful} others are built on them"
            said.append(f"{text}.")
        if self.resized is not None:
            at, (width, height), (new_width, new_height) = self.resized
            said.append(
                f"The picture's size changes at frame {at} from {width} x {height} to {new_width} x"
                f" {new_height} pixels; all frames were brought to the first size."
            )
        return said


class DuplicateCounter:
    """Counts images that equal the one before, pixel for pixel.

    Examples
    --------
    >>> counter = DuplicateCounter()
    >>> still = np.zeros((8, 8), np.uint8)
    >>> [counter.update(image) for image in (still, still.copy(), still + 1)]
    [False, True, False]
    >>> counter.count
    1
    """

    def __init__(self) -> None:
        self.count = 0
        self._previous: np.ndarray | None = None

    def update(self, image: np.ndarray) -> bool:
        """Take the next image (any shape) and tell whether it repeats the one before."""
        previous, self._previous = self._previous, image
        # The sparse comparison settles nearly every frame, so the full one is rarely paid for.
        same = (
            previous is not None
            and np.array_equal(previous[::8, ::8], image[::8, ::8])
            and np.array_equal(previous, image)
        )
        self.count += same
        return same


def probe(
    path: str | Path, time_scale: float | None = None, capture_fps: float | None = None
) -> ClipInfo:
    """Read a clip's properties without decoding more than its first two frames.

    Parameters
    ----------
    path
        The clip.
    time_scale
        Real seconds for one second of the file, above 0. When neither this nor `capture_fps` is
        given it is taken from the file's capture-rate tag if that clearly says slow motion, else 1.
    capture_fps
        The rate at which the camera recorded, for slow-motion files: the time scale is then the
        file's measured rate divided by this.

    Returns
    -------
    ClipInfo

    Raises
    ------
    ClipError
        The file is missing, cannot be read, is no video, or fewer than two frames decode.
    OptionError
        `time_scale` or `capture_fps` is not a positive number, or both are given.
    """
    path = Path(path)
    for name, value in (("time scale", time_scale), ("capture rate", capture_fps)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise OptionError(f"The {name} must be a positive number, not {value}.")
    if time_scale is not None and capture_fps is not None:
        raise OptionError("Give either the time scale or the capture rate, not both.")

    with _open(path) as container:
        video = _video_stream(container, path)
        index = _scan(container, video)
        metadata = {**container.metadata, **video.metadata}
        rate = video.average_rate or video.guessed_rate
        stated_s = (container.duration or 0) / av.time_base
    if index.ticks.size == 0:
        raise ClipError(f"{path} holds no video frames.")
    if index.ticks.size == 1:
        raise ClipError(f"{path} holds only one frame; a video is needed.")

    with _open(path) as container:
        video = _video_stream(container, path)
        first_frames = [
            frame for (frame, _), _ in zip(_frames(container, video, index), range(2), strict=False)
        ]
        codec = video.codec_context.name
        if len(first_frames) < 2:
            count = "only one frame" if first_frames else "no frame"
            raise ClipError(f"{path} is damaged: {count} of {index.ticks.size} can be decoded.")
        geometry = _Geometry.of(first_frames[0], video)
        pixel_format = first_frames[0].format.name

    file_times_s = (index.ticks - index.ticks[0]) * float(index.time_base_s)
    intervals_s = np.diff(file_times_s)
    usual_s = _usual_interval_s(intervals_s, float(index.time_base_s))
    file_fps = 1.0 / usual_s
    warnings = []
    if capture_fps is not None:
        time_scale = file_fps / capture_fps
    elif time_scale is None:
        time_scale, warning = _tagged_time_scale(metadata, file_fps)
        warnings += [warning] if warning else []
    if index.n_unreadable:
        warnings.append(
            f"The file is cut short: {index.n_unreadable} of "
            f"{index.n_unreadable + index.ticks.size} frames are missing at its end."
        )
    elif stated_s > file_times_s[-1] + usual_s + _MISSING_END_S:
        warnings.append(
            f"The file should last {stated_s:.1f} s, but its video ends after "
            f"{file_times_s[-1] + usual_s:.1f} s; it may be cut short."
        )
    if index.n_interpolated:
        warnings.append(f"{index.n_interpolated} frames carry no time and were given one between.")
    variable_rate, n_dropped = _regularity(intervals_s, usual_s, float(index.time_base_s))
    width_px, height_px = geometry.size_px(None)
    return ClipInfo(
        path=path,
        width_px=width_px,
        height_px=height_px,
        rotation_deg=geometry.rotation_deg,
        mirrored=geometry.mirrored,
        codec=codec,
        pixel_format=pixel_format,
        n_frames=int(index.ticks.size),
        duration_s=float(file_times_s[-1] + usual_s) * time_scale,
        fps=file_fps / time_scale,
        fps_nominal=float(rate) if rate else math.nan,
        variable_rate=variable_rate,
        n_dropped=n_dropped,
        n_duplicate=index.n_repeated,
        time_scale=time_scale,
        n_undecodable=index.n_unreadable,
        n_interpolated=index.n_interpolated,
        warnings=tuple(warnings),
        times_s=file_times_s * time_scale,
        _index=index,
    )


def stream(
    clip: str | Path | ClipInfo,
    *,
    start_s: float | None = None,
    stop_s: float | None = None,
    every: int = 1,
    indices: Iterable[int] | None = None,
    max_side_px: int | None = None,
    grey: bool = False,
    stats: StreamStats | None = None,
) -> Iterator[Frame]:
    """Give a clip's frames one after the other, in presentation order, in constant memory.

    Parameters
    ----------
    clip
        The file, or what `probe` told of it (which saves reading it twice and carries a time scale
        given there).
    start_s, stop_s
        Real seconds from the first frame: only frames with start_s <= time_s < stop_s.
    every
        Only every so-manieth frame of those selected, beginning with the first.
    indices
        Only these frame indices, in any order; those the clip does not have are passed over, and
        long gaps between them are skipped by seeking.
    max_side_px
        Shrink so that neither side is longer; pixel (x, y) of the small image shows the point
        ``((x + 0.5) * W / w - 0.5, (y + 0.5) * H / h - 0.5)`` of the full one.
    grey
        Give the clip's own luma, (H, W), 0 black and 255 white, instead of RGB: cheaper.
    stats
        Counts to keep up to date while frames are taken.

    Yields
    ------
    Frame
        With strictly increasing `time_s`. Frames that cannot be decoded are left out, and those
        predicted from them up to the next key frame, if that comes within a second; otherwise they
        are given and counted as doubtful. High dynamic range is not tone-mapped, only cut to 8
        bits.

    Raises
    ------
    ClipError
        As `probe`, or not one of the frames asked for can be decoded.
    OptionError
        `every` or `max_side_px` is below 1.
    """
    if every < 1:
        raise OptionError(f"Every how many frames to take must be at least 1, not {every}.")
    if max_side_px is not None and max_side_px < 1:
        raise OptionError(f"The longest side must be at least 1 pixel, not {max_side_px}.")
    info = clip if isinstance(clip, ClipInfo) else probe(clip)
    chosen = np.arange(info.n_frames)
    if indices is not None:
        chosen = np.intersect1d(chosen, np.fromiter(indices, dtype=np.int64))
    if start_s is not None:
        chosen = chosen[info.times_s[chosen] >= start_s]
    if stop_s is not None:
        chosen = chosen[info.times_s[chosen] < stop_s]
    return _stream(info, chosen[::every], max_side_px, grey, stats or StreamStats())


def check_size(info: ClipInfo) -> None:
    """Refuse a clip whose picture is too small to see anything in.

    Raises
    ------
    ClipError
        It is.
    """
    if min(info.width_px, info.height_px) < _MIN_SIDE_PX:
        raise ClipError(
            f"{info.path} is too small to measure: its picture has {info.width_px} x"
            f" {info.height_px} pixels."
        )


def sample(
    clip: str | Path | ClipInfo,
    per_s: float,
    max_s: float,
    max_side_px: int | None = None,
    *,
    start_s: float = 0.0,
    grey: bool = False,
) -> list[Frame]:
    """Take evenly spaced frames from a stretch of a clip.

    Parameters
    ----------
    clip
        As for `stream`.
    per_s
        Samples for each real second; the clip's own frames are all taken when it has fewer.
    max_s
        Length of the stretch in real seconds, so that at most ``per_s * max_s`` (rounded up) frames
        are held.
    max_side_px, grey
        As for `stream`.
    start_s
        Where the stretch begins, in real seconds from the first frame.

    Returns
    -------
    list of Frame
        Those nearest to the times ``start_s + k / per_s``, each frame once, in order.

    Raises
    ------
    ClipError
        As `stream`.
    OptionError
        `per_s` or `max_s` is not a positive number.
    """
    for name, value in (("number of samples a second", per_s), ("stretch to sample", max_s)):
        if not (math.isfinite(value) and value > 0):
            raise OptionError(f"The {name} must be a positive number, not {value}.")
    info = clip if isinstance(clip, ClipInfo) else probe(clip)
    stop_s = min(start_s + max_s, info.duration_s)
    n_samples = max(math.ceil(round((stop_s - start_s) * per_s, 6)), 0)
    wanted_s = start_s + np.arange(n_samples) / per_s
    after = np.clip(np.searchsorted(info.times_s, wanted_s), 1, info.n_frames - 1)
    nearer_before = wanted_s - info.times_s[after - 1] <= info.times_s[after] - wanted_s
    nearest = np.unique(after - nearer_before)
    return list(stream(info, indices=nearest.tolist(), max_side_px=max_side_px, grey=grey))


class VideoWriter:
    """Write RGB or grey frames with their own times as an H.264 MP4 that browsers play.

    A context manager. The file is written under a temporary name beside the target and renamed when
    the block ends; it is removed when the block ends by an exception, Ctrl-C included. A file
    that is already at the target is replaced.

    Parameters
    ----------
    path
        The target; its folder must exist.
    width_px, height_px
        Size of the images. Odd sizes are made even by repeating the last column or row, because
        4:2:0 chroma has no odd sizes.
    fps
        Rate used for frames written without a time, and the length of the last frame.
    crf
        x264's constant rate factor; lower is better and larger.
    preset
        x264's speed preset.

    Raises
    ------
    OutputError
        The file cannot be written.
    ValueError
        An image of another size, a time that does not increase, or no frame at all.

    Examples
    --------
    >>> import tempfile
    >>> target = Path(tempfile.mkdtemp()) / "clip.mp4"
    >>> with VideoWriter(target, 64, 48, fps=30) as writer:
    ...     for time_s in (0.0, 0.03, 0.10):
    ...         writer.write(np.zeros((48, 64, 3), np.uint8), time_s)
    >>> probe(target).times_s.round(3).tolist()
    [0.0, 0.03, 0.1]
    """

    def __init__(
        self,
        path: str | Path,
        width_px: int,
        height_px: int,
        fps: float = 30.0,
        *,
        crf: int = 21,
        preset: str = "veryfast",
    ) -> None:
        if width_px < 1 or height_px < 1 or not (math.isfinite(fps) and fps > 0):
            raise ValueError(f"size and rate must be positive: {width_px}x{height_px}, {fps} fps")
        self.path = Path(path)
        self._temporary = self.path.with_name(f".{self.path.name}.{os.getpid()}.part")
        self._shape = (height_px, width_px)
        self._fps = fps
        self._options = {"crf": str(crf), "preset": preset}
        self._n_written = 0
        self._last_tick = -1

    def __enter__(self) -> Self:
        try:
            # PyAV opens the target only at the first packet; ask for the file now, so that a folder
            # that is missing or not writable is told before the work is done.
            self._temporary.touch()
            self._container = av.open(
                str(self._temporary), "w", format="mp4", options={"movflags": "+faststart"}
            )
        except (OSError, av.FFmpegError) as error:
            with contextlib.suppress(OSError):
                self._temporary.unlink(missing_ok=True)
            raise OutputError(f"{self.path} cannot be written: {_reason(error)}.") from error
        height_px, width_px = self._shape
        video = self._container.add_stream(
            "libx264", rate=Fraction(self._fps).limit_denominator(1001)
        )
        video.width, video.height = width_px + width_px % 2, height_px + height_px % 2
        video.pix_fmt = "yuv420p"
        video.options = self._options
        video.time_base = Fraction(1, _WRITE_CLOCK_HZ)
        context = video.codec_context
        context.time_base = Fraction(1, _WRITE_CLOCK_HZ)
        context.colorspace = Colorspace.ITU709
        context.color_range = ColorRange.MPEG
        context.color_primaries = ColorPrimaries.BT709
        context.color_trc = ColorTrc.BT709
        self._video = video
        self._reformatter = VideoReformatter()
        return self

    def write(self, image: np.ndarray, time_s: float | None = None) -> None:
        """Add a frame.

        Parameters
        ----------
        image
            `uint8`, (height_px, width_px, 3) RGB or (height_px, width_px) grey.
        time_s
            Its time in seconds, above the one before; None for the writer's rate.
        """
        if image.shape[:2] != self._shape or image.dtype != np.uint8:
            raise ValueError(
                f"expected uint8 images of {self._shape}, got {image.dtype} {image.shape}"
            )
        tick = round((self._n_written / self._fps if time_s is None else time_s) * _WRITE_CLOCK_HZ)
        if tick <= self._last_tick:
            raise ValueError(f"frame times must start at 0 or later and increase; got {time_s} s")
        if image.ndim == 2:
            image = cv2.cvtColor(image, cv2.COLOR_GRAY2RGB)
        height_px, width_px = self._shape
        if height_px % 2 or width_px % 2:
            image = cv2.copyMakeBorder(
                image, 0, height_px % 2, 0, width_px % 2, cv2.BORDER_REPLICATE
            )
        frame = self._reformatter.reformat(
            VideoFrame.from_ndarray(np.ascontiguousarray(image), format="rgb24"),
            format="yuv420p",
            dst_colorspace=Colorspace.ITU709,
            dst_color_range=ColorRange.MPEG,
        )
        frame.pts = tick
        frame.time_base = Fraction(1, _WRITE_CLOCK_HZ)
        self._mux(frame)
        self._last_tick = tick
        self._n_written += 1

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                if not self._n_written:
                    raise ValueError("no frame was written")
                self._mux(None)
                self._container.close()
                self._temporary.replace(self.path)
        except (OSError, av.FFmpegError) as failure:
            raise OutputError(f"{self.path} cannot be written: {_reason(failure)}.") from failure
        finally:
            with contextlib.suppress(OSError, av.FFmpegError):
                self._container.close()
            self._temporary.unlink(missing_ok=True)

    def _mux(self, frame: VideoFrame | None) -> None:
        try:
            for packet in self._video.encode(frame):
                self._container.mux(packet)
        except (OSError, av.FFmpegError) as error:
            raise OutputError(f"{self.path} cannot be written: {_reason(error)}.") from error


@dataclass(frozen=True)
class _Geometry:
    """From the coded picture to an upright one with square pixels."""

    coded_px: tuple[int, int]
    pixel_aspect: float
    rotation_deg: int
    mirrored: bool

    @classmethod
    def of(cls, frame: VideoFrame, video: VideoStream) -> Self:
        aspect = float(video.sample_aspect_ratio or 1) or 1.0
        rotation_deg, mirrored = _orientation(frame)
        return cls((frame.width, frame.height), aspect, rotation_deg, mirrored)

    def scaled_px(self, max_side_px: int | None) -> tuple[int, int]:
        """Width and height to scale the coded picture to, before it is turned."""
        width, height = self.coded_px
        # The coarser direction is stretched, so that no detail is lost.
        square = (
            width * max(self.pixel_aspect, 1.0),
            height / min(self.pixel_aspect, 1.0),
        )
        shrink = 1.0 if max_side_px is None else min(1.0, max_side_px / max(square))
        return max(round(square[0] * shrink), 1), max(round(square[1] * shrink), 1)

    def size_px(self, max_side_px: int | None) -> tuple[int, int]:
        """Width and height of the upright image."""
        width, height = self.scaled_px(max_side_px)
        return (height, width) if self.rotation_deg % 180 else (width, height)

    def upright(self, image: np.ndarray) -> np.ndarray:
        if self.mirrored:
            image = cv2.flip(image, 1)
        turns = {
            90: cv2.ROTATE_90_CLOCKWISE,
            180: cv2.ROTATE_180,
            270: cv2.ROTATE_90_COUNTERCLOCKWISE,
        }
        return cv2.rotate(image, turns[self.rotation_deg]) if self.rotation_deg else image


def _orientation(frame: VideoFrame) -> tuple[int, bool]:
    """Clockwise turn to the nearest right angle, and whether to flip left-right before it.

    The display matrix maps the coded point (x, y), y down, to (a x + c y, b x + d y) on the screen
    (ISO/IEC 14496-12, track header box).
    """
    side_data = frame.side_data.get(SideDataType.DISPLAYMATRIX)
    if side_data is None:
        return 0, False
    a, b, _, c, d = np.frombuffer(bytes(side_data), np.int32)[:5].astype(float)
    mirrored = a * d - b * c < 0
    if mirrored:
        a, b = -a, -b
    angle_deg = math.degrees(math.atan2(b - c, a + d))
    return round(angle_deg / 90.0) % 4 * 90, mirrored


class _Converter:
    """Decoded frame to an upright 8-bit image, scaled and converted in one pass of swscale."""

    def __init__(self, geometry: _Geometry, max_side_px: int | None, grey: bool) -> None:
        self._geometry = geometry
        self._size = geometry.scaled_px(max_side_px)
        self._grey = grey
        # Exact rounding costs nothing beside scaling, but turns off the fast path at full size.
        self._interpolation = (
            Interpolation.BILINEAR
            if self._size == geometry.coded_px
            else Interpolation.AREA | Interpolation.ACCURATE_RND
        )
        self._reformatter = VideoReformatter()

    def image(self, frame: VideoFrame) -> np.ndarray:
        matrix = None
        if self._grey:
            # The same matrix on both sides keeps swscale from going by way of RGB: the clip's own
            # luma comes out, at a third of the cost.
            matrix = Colorspace.ITU601
        elif (
            frame.colorspace == _MATRIX_UNSPECIFIED
            and min(frame.width, frame.height) > _SD_MAX_LINES
        ):
            matrix = Colorspace.ITU709
        converted = self._reformatter.reformat(
            frame,
            *self._size,
            format="gray" if self._grey else "rgb24",
            src_colorspace=matrix,
            dst_colorspace=matrix,
            interpolation=self._interpolation,
        )
        # swscale pads rows to whole vector registers; users need plain arrays.
        return np.ascontiguousarray(self._geometry.upright(converted.to_ndarray()))


def _stream(
    info: ClipInfo, chosen: np.ndarray, max_side_px: int | None, grey: bool, stats: StreamStats
) -> Iterator[Frame]:
    duplicates = DuplicateCounter()
    converter = None
    with contextlib.closing(_decode(info, chosen, stats)) as decoded:
        for index, frame, doubtful, video in decoded:
            size_px = (frame.width, frame.height)
            if converter is None:
                converter = _Converter(_Geometry.of(frame, video), max_side_px, grey)
                first_px = size_px
            elif size_px != first_px and stats.resized is None:
                stats.resized = (index, first_px, size_px)
            image = converter.image(frame)
            stats.n_frames += 1
            stats.n_doubtful += doubtful
            stats.n_duplicate += duplicates.update(image)
            yield Frame(index, float(info.times_s[index]), image)
    if converter is None and chosen.size:
        raise ClipError(f"{info.path} is damaged: none of the frames needed can be decoded.")


def _decode(
    info: ClipInfo, chosen: np.ndarray, stats: StreamStats
) -> Iterator[tuple[int, VideoFrame, bool, VideoStream]]:
    """Decode the chosen frames (sorted indices), seeking over long gaps where that is safe."""
    may_seek = info._index.stamped
    done = 0
    last = -1
    while done < chosen.size:
        with _open(info.path) as container:
            video = _video_stream(container, info.path)
            while done < chosen.size:
                entry = (
                    _seek(container, video, info._index, last, chosen[done]) if may_seek else None
                )
                overshot = False
                for index, frame, doubtful in _indexed(container, video, info._index):
                    if entry is not None:
                        if index < entry:
                            continue
                        if index > chosen[done]:
                            overshot = True
                            break
                        last, entry = index - 1, None
                    if index <= last:
                        continue
                    stats.lost(last + 1, index - 1)
                    last = index
                    done += int(np.searchsorted(chosen[done:], index))
                    if done == chosen.size:
                        return
                    if chosen[done] != index:
                        continue
                    yield index, frame, doubtful, video
                    done += 1
                    if done == chosen.size:
                        return
                    if may_seek and _entry(info._index, last, chosen[done]) is not None:
                        break
                else:
                    if entry is None:
                        stats.lost(last + 1, info.n_frames - 1)
                        return
                    overshot = True
                if overshot:
                    # The file's own seek table led past the frame, so decode on from the start.
                    may_seek = False
                    break


def _entry(index: _Index, last: int, target: int) -> int | None:
    """Which of the key frames to seek to on the way from frame `last` to `target`, if any pays."""
    key = int(np.searchsorted(index.key_ticks, index.ticks[target], side="right")) - 1
    if key < 0:
        return None
    frame = int(np.searchsorted(index.ticks, index.key_ticks[key]))
    return key if frame - last > _SEEK_GAP_FRAMES else None


def _seek(
    container: InputContainer, video: VideoStream, index: _Index, last: int, target: int
) -> int | None:
    """Seek to the last key frame before `target` if it pays; its frame index, else None."""
    key = _entry(index, last, target)
    if key is None:
        return None
    with contextlib.suppress(av.FFmpegError):
        container.seek(int(index.key_ticks[key]), stream=video, backward=True)
    return int(np.searchsorted(index.ticks, index.key_ticks[key]))


def _indexed(
    container: InputContainer, video: VideoStream, index: _Index
) -> Iterator[tuple[int, VideoFrame, bool]]:
    """Decoded frames with their ranks in presentation order, and whether they are doubtful."""
    for count, (frame, doubtful) in enumerate(_frames(container, video, index)):
        if not index.stamped:
            if count < index.ticks.size:
                yield count, frame, doubtful
        elif frame.pts is not None:
            rank = int(np.searchsorted(index.ticks, frame.pts))
            if rank < index.ticks.size and index.ticks[rank] == frame.pts:
                yield rank, frame, doubtful


def _frames(
    container: InputContainer, video: VideoStream, index: _Index
) -> Iterator[tuple[VideoFrame, bool]]:
    """Decode onward from where the container stands; frames, and whether they are doubtful.

    Pictures predicted from a damaged one look whole to the decoder but are not, so after damage
    all are left out up to the next key frame. If that is far, they are given as doubtful: bench
    video changes little from frame to frame, and most of such a picture is right.
    """
    sound, until = True, -math.inf
    at = None
    for batch in _batches(container, video):
        for frame in [None] if batch is None else batch:
            at = at if frame is None or frame.pts is None else frame.pts
            if frame is None or frame.is_corrupt:
                sound, until = False, _settled(index, at)
                continue
            sound = sound or bool(frame.key_frame)
            if sound or at is None or at > until:
                yield frame, not sound


def _settled(index: _Index, damage: int | None) -> float:
    """Up to which moment frames after damage are left out; all in units of the file's clock."""
    if damage is None or not index.ticks.size:
        return -math.inf
    after = index.key_ticks[np.searchsorted(index.key_ticks, damage, side="right") :]
    sound = after[0] if after.size else index.ticks[-1] + 1
    second = 1.0 / float(index.time_base_s)
    return sound - 1 if sound - damage <= _WAIT_FOR_KEY_S * second else damage + _SETTLE_S * second


def _batches(container: InputContainer, video: VideoStream) -> Iterator[list[VideoFrame] | None]:
    """What the decoder gives for each packet; None where it fails."""
    for packet in _packets(container, video):
        try:
            yield packet.decode()
        except av.FFmpegError:
            yield None
    try:
        yield video.codec_context.decode(None)
    except av.FFmpegError:
        yield None


def _packets(container: InputContainer, video: VideoStream) -> Iterator[av.Packet]:
    """Packets of the video that hold data, up to the end or the first read that fails."""
    with contextlib.suppress(av.FFmpegError):
        for packet in container.demux(video):
            # Empty packets stand for a repeated picture in AVI and for the end in PyAV; a decoder
            # takes both for the end.
            if packet.size:
                yield packet


def _scan(container: InputContainer, video: VideoStream) -> _Index:
    """Read every packet's stamps without decoding."""
    file_bytes = container.size
    n_unreadable = sum(entry.pos + entry.size > file_bytes for entry in video.index_entries)
    pts, dts, key = [], [], []
    for packet in _packets(container, video):
        if not packet.is_discard and not packet.is_corrupt:
            pts.append(packet.pts)
            dts.append(packet.dts)
            key.append(packet.is_keyframe)
    # AVI keeps no presentation stamps; what is given for them is wrong once frames are reordered.
    reordered_avi = container.format.name == "avi" and video.codec_context.has_b_frames
    stamped = not reordered_avi and all(value is not None for value in pts)
    time_base_s = video.time_base or Fraction(1, _WRITE_CLOCK_HZ)
    rate = video.average_rate or video.guessed_rate or Fraction(30)
    # Without presentation stamps the decode stamps serve: in presentation order they are the same
    # series but for a constant delay, as long as the rate is constant.
    filled, n_interpolated = _filled(pts if stamped else dts, float(1 / (rate * time_base_s)))
    ticks, first = np.unique(filled, return_index=True)
    seekable = [i for i in first if stamped and key[i]]
    return _Index(
        ticks=ticks,
        time_base_s=time_base_s,
        stamped=stamped,
        key_ticks=filled[seekable],
        n_repeated=filled.size - ticks.size,
        n_interpolated=n_interpolated,
        n_unreadable=n_unreadable,
    )


def _filled(stamps: list[int | None], interval: float) -> tuple[np.ndarray, int]:
    """Stamps with missing ones interpolated, or continued at `interval` at the ends; how many."""
    known = np.flatnonzero([stamp is not None for stamp in stamps])
    order = np.arange(len(stamps), dtype=float)
    if known.size == 0:
        return np.rint(order * interval).astype(np.int64), len(stamps)
    values = np.array([stamps[i] for i in known], dtype=np.int64)
    if known.size == len(stamps):
        return values, 0
    filled = np.interp(order, known, values)
    head, tail = known[0], known[-1]
    filled[:head] = values[0] + (order[:head] - head) * interval
    filled[tail + 1 :] = values[-1] + (order[tail + 1 :] - tail) * interval
    return np.rint(filled).astype(np.int64), len(stamps) - known.size


def _usual_interval_s(intervals_s: np.ndarray, tick_s: float) -> float:
    """Mean of the intervals near the median one, free of drops and of rounding to whole ticks."""
    # An interval that occurs, not one between two, so that some lie near it.
    median_s = np.percentile(intervals_s, 50, method="nearest")
    near_s = max(_MULTIPLE_TOLERANCE * median_s, 1.01 * tick_s)
    return float(intervals_s[np.abs(intervals_s - median_s) <= near_s].mean())


def _regularity(intervals_s: np.ndarray, usual_s: float, tick_s: float) -> tuple[bool, int]:
    """Whether the rate varies, and how many frames the rate's gaps are short of."""
    multiples = intervals_s / usual_s
    whole = np.rint(multiples)
    gap = (whole >= 2) & (np.abs(multiples - whole) < _MULTIPLE_TOLERANCE)
    # Stamps rounded to a coarse clock (1 ms in Matroska) are not a varying rate.
    tolerance = max(_REGULAR_TOLERANCE, 1.01 * tick_s / usual_s)
    irregular = ~gap & (np.abs(multiples - 1) > tolerance)
    return bool(irregular.mean() > _VARIABLE_SHARE), int((whole[gap] - 1).sum())


def _tagged_time_scale(metadata: dict[str, str], file_fps: float) -> tuple[float, str | None]:
    """Time scale by the capture-rate tag that phones write, and a warning when it is unclear."""
    for key, value in metadata.items():
        if key.lower().replace("_", ".").endswith("capture.fps"):
            try:
                capture_fps = float(value)
            except ValueError:
                continue
            if not (math.isfinite(capture_fps) and capture_fps > 0):
                continue
            ratio = file_fps / capture_fps
            if capture_fps >= _SLOW_MOTION_MIN_FPS and ratio <= _SLOW_MOTION_MAX_RATIO:
                return ratio, None
            if ratio <= _SLOW_MOTION_MAX_RATIO:
                return 1.0, (
                    f"The file says it was captured at {capture_fps:g} frames per second but plays "
                    f"{file_fps:.3g}; give the capture rate if it is slow motion."
                )
    return 1.0, None


def _open(path: Path) -> InputContainer:
    try:
        if path.is_dir():
            raise ClipError(f"{path} is a folder, not a video file.")
        if not path.exists():
            raise ClipError(f"There is no file {path}.")
        if not path.is_file():
            raise ClipError(f"{path} is not a regular file.")
        if path.stat().st_size == 0:
            raise ClipError(f"{path} is an empty file.")
        # An absolute path cannot be taken for an address on a network.
        container = av.open(str(path.absolute()), metadata_errors="replace")
    except (PermissionError, av.error.PermissionError) as error:
        raise ClipError(f"{path} may not be read: permission denied.") from error
    except (OSError, av.FFmpegError) as error:
        raise ClipError(
            f"{path} is no video that can be read, or its end is missing ({_reason(error)})."
        ) from error
    if container.format.name == "tty":
        container.close()
        raise ClipError(f"{path} is a text file, not a video.")
    return container


def _video_stream(container: InputContainer, path: Path) -> VideoStream:
    """The video stream, passing over cover pictures."""
    pictures = av.stream.Disposition.attached_pic | av.stream.Disposition.still_image
    streams = [s for s in container.streams.video if not s.disposition & pictures]
    if not streams:
        raise ClipError(f"{path} holds no video (sound only, or a still picture).")
    streams = [s for s in streams if s.codec_context is not None]
    if not streams:
        raise ClipError(f"{path} uses a video format that cannot be decoded here.")
    best = container.streams.best("video")
    video = best if best in streams else streams[0]
    video.thread_type = "AUTO"
    return video


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error)).rstrip(".").lower()


def recorded(path: str | Path) -> tuple[datetime | None, float]:
    """When a clip was recorded, as its file says, and how long it is, in seconds.

    Parameters
    ----------
    path

    Returns
    -------
    tuple
        None where the file does not say, or says what cannot be; cameras write the moment of
        starting, or that of ending.
    """
    try:
        with _open(Path(path)) as container:
            told = dict(container.metadata).get("creation_time", "")
            length_s = (container.duration or 0) / av.time_base
    except ClipError:
        return None, 0.0
    try:
        moment = datetime.fromisoformat(told)
    except ValueError:
        return None, length_s
    # Some write the beginning of their clock when they do not know the time.
    return (moment.astimezone(UTC) if moment.year >= 1990 else None), length_s
