"""Decode a clip into upright frames with true times.

Times come from the presentation stamps in the file, never from a frame number divided by a rate:
phones vary the rate, drop frames and write slow-motion files that play slower than life. The
rotation tag is read from the display matrix and the pixels are turned here.

A frame's `index` is its rank among the presentation stamps of the file, so it is the same whether
the clip is decoded whole, in part, or by seeking, and a frame that cannot be decoded leaves a gap
in the indices instead of shifting those after it.
"""

import contextlib
import itertools
import math
from collections.abc import Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import av
import numpy as np
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from barpath.clip.container import (
    Index,
    decoded_frames,
    entry_key,
    open_clip,
    ranked_frames,
    scan,
    seek_to,
    video_stream,
)
from barpath.clip.lens import Lens, Straightener
from barpath.clip.rates import regularity, tagged_time_scale, usual_interval_s
from barpath.clip.streamstats import DuplicateCounter, StreamStats
from barpath.clip.upright import Converter, Geometry
from barpath.errors import ClipError, OptionError

# A file whose header promises more seconds than this beyond its last frame may be cut short.
_MISSING_END_S = 1.0
# A picture smaller than this shows no plate that could be followed.
_MIN_SIDE_PX = 48

Decoded = tuple[int, VideoFrame, bool, VideoStream]
"""A frame's index, the frame as coded, whether it is built on damaged ones, and its stream."""


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
    lens
        How the lens bends straight lines, if that is to be taken out: `stream` then gives
        straightened pictures; `probe` leaves it out.
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
    _index: Index = field(repr=False, compare=False)
    sha256: str = ""
    lens: Lens | None = None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.width_px, self.height_px


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
        `uint8`, (H, W, 3) RGB, or (H, W) when grey was asked for; upright, with square pixels,
        and straightened where the clip's lens is known to bend lines.
    """

    index: int
    time_s: float
    image: np.ndarray


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

    with open_clip(path) as container:
        video = video_stream(container, path)
        index = scan(container, video)
        metadata = {**container.metadata, **video.metadata}
        rate = video.average_rate or video.guessed_rate
        stated_s = (container.duration or 0) / av.time_base
    if index.ticks.size == 0:
        raise ClipError(f"{path} holds no video frames.")
    if index.ticks.size == 1:
        raise ClipError(f"{path} holds only one frame; a video is needed.")

    geometry, codec, pixel_format = _coded_as(path, index)
    file_times_s = (index.ticks - index.ticks[0]) * float(index.time_base_s)
    intervals_s = np.diff(file_times_s)
    usual_s = usual_interval_s(intervals_s, float(index.time_base_s))
    file_fps = 1.0 / usual_s
    warnings = []
    if capture_fps is not None:
        time_scale = file_fps / capture_fps
    elif time_scale is None:
        time_scale, warning = tagged_time_scale(metadata, file_fps)
        warnings += [warning] if warning else []
    warnings += _lacking(index, stated_s, file_times_s[-1] + usual_s)
    variable_rate, n_dropped = regularity(intervals_s, usual_s, float(index.time_base_s))
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


def _coded_as(path: Path, index: Index) -> tuple[Geometry, str, str]:
    """How the first frame is shown, and codec and pixel format; by decoding two frames."""
    with open_clip(path) as container:
        video = video_stream(container, path)
        first = [frame for frame, _ in itertools.islice(decoded_frames(container, video, index), 2)]
        if len(first) < 2:
            count = "only one frame" if first else "no frame"
            raise ClipError(f"{path} is damaged: {count} of {index.ticks.size} can be decoded.")
        codec = video.codec_context.name
        return Geometry.of(first[0], video), codec, first[0].format.name


def _lacking(index: Index, stated_s: float, end_s: float) -> list[str]:
    """Sentences on frames and times that the file lacks."""
    said = []
    n_frames = index.ticks.size
    if index.n_unreadable:
        said.append(
            f"The file is cut short: {index.n_unreadable} of {index.n_unreadable + n_frames} frames"
            " are missing at its end."
        )
    elif stated_s > end_s + _MISSING_END_S:
        said.append(
            f"The file should last {stated_s:.1f} s, but its video ends after {end_s:.1f} s; it may"
            " be cut short."
        )
    if index.n_interpolated:
        said.append(f"{index.n_interpolated} frames carry no time and were given one between.")
    return said


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
    known: Sequence[Frame] = (),
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
    known
        Samples of an earlier stretch of the same clip, taken alike: where stretches overlap they
        are not read again.

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
    info = clip if isinstance(clip, ClipInfo) else probe(clip)
    nearest = evenly_spaced(info, per_s, max_s, start_s)
    shared = [frame for frame in known if nearest and nearest[0] <= frame.index]
    if shared and [frame.index for frame in shared] == nearest[: len(shared)]:
        # The last of them is read once more, which shows whether the rest comes out alike.
        *before, last = shared
        rest = nearest[len(before) :]
        read = list(stream(info, indices=rest, max_side_px=max_side_px, grey=grey))
        if read[0].index == last.index and np.array_equal(read[0].image, last.image):
            return before + read
    return list(stream(info, indices=nearest, max_side_px=max_side_px, grey=grey))


def evenly_spaced(info: ClipInfo, per_s: float, max_s: float, start_s: float = 0.0) -> list[int]:
    """Frame indices that `sample` takes, in order; see there."""
    for name, value in (("number of samples a second", per_s), ("stretch to sample", max_s)):
        if not (math.isfinite(value) and value > 0):
            raise OptionError(f"The {name} must be a positive number, not {value}.")
    stop_s = min(start_s + max_s, info.duration_s)
    n_samples = max(math.ceil(round((stop_s - start_s) * per_s, 6)), 0)
    wanted_s = start_s + np.arange(n_samples) / per_s
    after = np.clip(np.searchsorted(info.times_s, wanted_s), 1, info.n_frames - 1)
    nearer_before = wanted_s - info.times_s[after - 1] <= info.times_s[after] - wanted_s
    return np.unique(after - nearer_before).tolist()


def _stream(
    info: ClipInfo, chosen: np.ndarray, max_side_px: int | None, grey: bool, stats: StreamStats
) -> Iterator[Frame]:
    with contextlib.closing(decode_chosen(info, chosen, stats)) as decoded:
        yield from to_images(info, decoded, max_side_px, grey, stats, wanted=bool(chosen.size))


def to_images(
    info: ClipInfo,
    decoded: Iterable[Decoded],
    max_side_px: int | None,
    grey: bool,
    stats: StreamStats,
    *,
    wanted: bool = True,
) -> Iterator[Frame]:
    """Turn decoded frames into the upright images that `stream` gives; see there.

    Parameters
    ----------
    info
    decoded
        From `decode_chosen`.
    max_side_px, grey, stats
        As for `stream`.
    wanted
        Whether it is an error that there is none.
    """
    duplicates = DuplicateCounter()
    converter, straightener = None, None
    for index, frame, doubtful, video in decoded:
        size_px = (frame.width, frame.height)
        if converter is None:
            geometry = Geometry.of(frame, video)
            converter = Converter(geometry, max_side_px, grey)
            if info.lens is not None:
                straightener = Straightener(info.lens, geometry.size_px(max_side_px))
            first_px = size_px
        elif size_px != first_px and stats.resized is None:
            stats.resized = (index, first_px, size_px)
        image = converter.image(frame)
        stats.n_frames += 1
        stats.n_doubtful += doubtful
        stats.n_duplicate += duplicates.update(image)
        if straightener is not None:
            image = straightener.image(image)
        yield Frame(index, float(info.times_s[index]), image)
    if converter is None and wanted:
        raise ClipError(f"{info.path} is damaged: none of the frames needed can be decoded.")


def decode_chosen(info: ClipInfo, chosen: np.ndarray, stats: StreamStats) -> Generator[Decoded]:
    """Decode the chosen frames (sorted indices), seeking over long gaps where that is safe."""
    may_seek = info._index.stamped
    done = 0
    last = -1
    while done < chosen.size:
        with open_clip(info.path) as container:
            video = video_stream(container, info.path)
            while done < chosen.size:
                entry = (
                    seek_to(container, video, info._index, last, chosen[done]) if may_seek else None
                )
                overshot = False
                for index, frame, doubtful in ranked_frames(container, video, info._index):
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
                    if may_seek and entry_key(info._index, last, chosen[done]) is not None:
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
        with open_clip(Path(path)) as container:
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
