"""Encode a clip that browsers play, with its frames' own times."""

import contextlib
import math
import os
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Self

import av
import av.error
import cv2
import numpy as np
from av.video.frame import VideoFrame
from av.video.reformatter import ColorPrimaries, ColorRange, Colorspace, ColorTrc, VideoReformatter

from barpath.clip.container import STAMP_CLOCK_HZ, words_of
from barpath.errors import OutputError


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
    >>> from barpath.clip.frames import probe
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
        self._options: dict[str, object] = {"crf": str(crf), "preset": preset}
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
            raise OutputError(f"{self.path} cannot be written: {words_of(error)}.") from error
        height_px, width_px = self._shape
        video = self._container.add_stream(
            "libx264", rate=Fraction(self._fps).limit_denominator(1001)
        )
        video.width, video.height = width_px + width_px % 2, height_px + height_px % 2
        video.pix_fmt = "yuv420p"
        video.options = self._options
        video.time_base = Fraction(1, STAMP_CLOCK_HZ)
        context = video.codec_context
        context.time_base = Fraction(1, STAMP_CLOCK_HZ)
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
        tick = round((self._n_written / self._fps if time_s is None else time_s) * STAMP_CLOCK_HZ)
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
        frame.time_base = Fraction(1, STAMP_CLOCK_HZ)
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
            raise OutputError(f"{self.path} cannot be written: {words_of(failure)}.") from failure
        finally:
            with contextlib.suppress(OSError, av.FFmpegError):
                self._container.close()
            self._temporary.unlink(missing_ok=True)

    def _mux(self, frame: VideoFrame | None) -> None:
        try:
            for packet in self._video.encode(frame):
                self._container.mux(packet)
        except (OSError, av.FFmpegError) as error:
            raise OutputError(f"{self.path} cannot be written: {words_of(error)}.") from error
