"""A video file as it lies there: opened, its stamps read, its frames decoded and sought.

All of PyAV that reads a file is in here. Frames come out as they are coded, ranked by their
presentation stamps.
"""

import contextlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import av.error
import numpy as np
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from barpath.errors import ClipError

# After damage, frames are left out up to the next key frame, or the end, if that comes within so
# many seconds of the file; if it does not, those that decode are given, built on damaged ones as
# they are, but for the first, which may show a moment before the damage instead of their own.
_WAIT_FOR_KEY_S = 1.0
_SETTLE_S = 0.15
# Frames decoded onward before seeking is cheaper (a seek empties the decoder's threads).
_SEEK_GAP_FRAMES = 16
# The clock of MPEG presentation stamps (ISO/IEC 13818-1), fine enough for any phone's frame times.
STAMP_CLOCK_HZ = 90_000


@dataclass(frozen=True)
class Index:
    """Presentation stamps of a clip's frames, in units of `time_base_s`."""

    ticks: np.ndarray
    time_base_s: Fraction
    # False when packets lack presentation stamps: frames are then counted as they come out.
    stamped: bool
    key_ticks: np.ndarray
    n_repeated: int
    n_interpolated: int
    n_unreadable: int


def open_clip(path: Path) -> InputContainer:
    """Open a video file.

    Raises
    ------
    ClipError
        It is not there, is none, or may not be read.
    """
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
        container = _opened(str(path.absolute()))
    except (PermissionError, av.error.PermissionError) as error:
        raise ClipError(f"{path} may not be read: permission denied.") from error
    except (OSError, av.FFmpegError) as error:
        raise ClipError(
            f"{path} is no video that can be read, or its end is missing ({words_of(error)})."
        ) from error
    if container.format.name == "tty":
        container.close()
        raise ClipError(f"{path} is a text file, not a video.")
    return container


def _opened(name: str) -> InputContainer:
    """The file opened; bytes of its tags that are no UTF-8 become lone surrogates."""
    try:
        return av.open(name, metadata_errors="surrogateescape")
    except TypeError:
        # From PyAV 19 on there is no such setting: it reads all tags so.
        return av.open(name)


def video_stream(container: InputContainer, path: Path) -> VideoStream:
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


def words_of(error: Exception) -> str:
    """What the system or FFmpeg says of an error."""
    return (getattr(error, "strerror", None) or str(error)).rstrip(".").lower()


def scan(container: InputContainer, video: VideoStream) -> Index:
    """Read every packet's stamps without decoding."""
    file_bytes = container.size
    n_unreadable = sum(entry.pos + entry.size > file_bytes for entry in video.index_entries)
    pts, dts, key = [], [], []
    for packet in packets(container, video):
        if not packet.is_discard and not packet.is_corrupt:
            pts.append(packet.pts)
            dts.append(packet.dts)
            key.append(packet.is_keyframe)
    # AVI keeps no presentation stamps; what is given for them is wrong once frames are reordered.
    reordered_avi = container.format.name == "avi" and video.codec_context.has_b_frames
    stamped = not reordered_avi and all(value is not None for value in pts)
    time_base_s = video.time_base or Fraction(1, STAMP_CLOCK_HZ)
    rate = video.average_rate or video.guessed_rate or Fraction(30)
    # Without presentation stamps the decode stamps serve: in presentation order they are the same
    # series but for a constant delay, as long as the rate is constant.
    filled, n_interpolated = filled_stamps(pts if stamped else dts, float(1 / (rate * time_base_s)))
    ticks, first = np.unique(filled, return_index=True)
    seekable = [i for i in first if stamped and key[i]]
    return Index(
        ticks=ticks,
        time_base_s=time_base_s,
        stamped=stamped,
        key_ticks=filled[seekable],
        n_repeated=filled.size - ticks.size,
        n_interpolated=n_interpolated,
        n_unreadable=n_unreadable,
    )


def filled_stamps(stamps: list[int | None], interval: float) -> tuple[np.ndarray, int]:
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


def packets(container: InputContainer, video: VideoStream) -> Iterator[av.Packet]:
    """Packets of the video that hold data, up to the end or the first read that fails."""
    with contextlib.suppress(av.FFmpegError):
        for packet in container.demux(video):
            # Empty packets stand for a repeated picture in AVI and for the end in PyAV; a decoder
            # takes both for the end.
            if packet.size:
                yield packet


def _batches(container: InputContainer, video: VideoStream) -> Iterator[list[VideoFrame] | None]:
    """What the decoder gives for each packet; None where it fails."""
    for packet in packets(container, video):
        try:
            yield packet.decode()
        except av.FFmpegError:
            yield None
    try:
        yield video.codec_context.decode(None)
    except av.FFmpegError:
        yield None


def decoded_frames(
    container: InputContainer, video: VideoStream, index: Index
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


def _settled(index: Index, damage: int | None) -> float:
    """Up to which moment frames after damage are left out; all in units of the file's clock."""
    if damage is None or not index.ticks.size:
        return -math.inf
    after = index.key_ticks[np.searchsorted(index.key_ticks, damage, side="right") :]
    sound = after[0] if after.size else index.ticks[-1] + 1
    second = 1.0 / float(index.time_base_s)
    return sound - 1 if sound - damage <= _WAIT_FOR_KEY_S * second else damage + _SETTLE_S * second


def ranked_frames(
    container: InputContainer, video: VideoStream, index: Index
) -> Iterator[tuple[int, VideoFrame, bool]]:
    """Decoded frames with their ranks in presentation order, and whether they are doubtful."""
    for count, (frame, doubtful) in enumerate(decoded_frames(container, video, index)):
        if not index.stamped:
            if count < index.ticks.size:
                yield count, frame, doubtful
        elif frame.pts is not None:
            rank = int(np.searchsorted(index.ticks, frame.pts))
            if rank < index.ticks.size and index.ticks[rank] == frame.pts:
                yield rank, frame, doubtful


def entry_key(index: Index, last: int, target: int) -> int | None:
    """Which of the key frames to seek to on the way from frame `last` to `target`, if any pays."""
    key = int(np.searchsorted(index.key_ticks, index.ticks[target], side="right")) - 1
    if key < 0:
        return None
    frame = int(np.searchsorted(index.ticks, index.key_ticks[key]))
    return key if frame - last > _SEEK_GAP_FRAMES else None


def seek_to(
    container: InputContainer, video: VideoStream, index: Index, last: int, target: int
) -> int | None:
    """Seek to the last key frame before `target` if it pays; its frame index, else None."""
    key = entry_key(index, last, target)
    if key is None:
        return None
    with contextlib.suppress(av.FFmpegError):
        container.seek(int(index.key_ticks[key]), stream=video, backward=True)
    return int(np.searchsorted(index.ticks, index.key_ticks[key]))
