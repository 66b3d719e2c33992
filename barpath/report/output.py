"""From a measured set to its result folder: annotated clip, stills, report and tables."""

import contextlib
import os
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.analysis.running import Progress, quiet
from barpath.analysis.setresult import SetResult
from barpath.analysis.stills import best_seen_rep, still_requests, touch_request
from barpath.analysis.store import Artefact, write_results
from barpath.clip.frames import stream
from barpath.clip.writer import VideoWriter
from barpath.errors import OutputError
from barpath.report.bottompicture import ArmMarks, arm_marks, bottom_picture
from barpath.report.framestate import frame_states, scaled_state
from barpath.report.overlay import annotate_frame
from barpath.report.setpage import Still, bottom_labels, report_html

VIDEO_FILE = "annotated.mp4"
REPORT_FILE = "report.html"
ARMS_FILE = "arms.jpg"
MAX_SIDE_PX = 1280
JPEG_QUALITY = 95


def annotated_frames(
    result: SetResult, only: Collection[int] | None = None, progress: Progress = quiet
) -> Iterator[tuple[int, float, NDArray[np.uint8]]]:
    """Read the set's clip again and draw on it what was measured.

    Parameters
    ----------
    result : SetResult
        Its `info` says where the clip is.
    only : collection of int, optional
        Only these frames.
    progress : callable, optional
        As for `barpath.analyse`.

    Yields
    ------
    tuple
        Frame number, time in s, and the annotated image (RGB), no side longer than 1280 pixels.
    """
    for number, time_s, _, drawn in _frames(result, only, progress):
        yield number, time_s, drawn


def _frames(
    result: SetResult, only: Collection[int] | None, progress: Progress
) -> Iterator[tuple[int, float, NDArray[np.uint8], NDArray[np.uint8]]]:
    """As `annotated_frames`, with the image as it was before it."""
    info = result.info
    shrink = min(1.0, MAX_SIDE_PX / max(info.width_px, info.height_px))
    states = {state.frame: state for state in frame_states(result)}
    for frame in stream(info, indices=only, max_side_px=MAX_SIDE_PX):
        image = frame.image
        if frame.index in states:
            image = annotate_frame(image, scaled_state(states[frame.index], shrink))
        yield frame.index, frame.time_s, frame.image, image
        progress("drawing the annotated clip", (frame.index + 1) / info.n_frames)


def bottom_marks(result: SetResult) -> tuple[int, dict[str, ArmMarks]] | None:
    """The frame at the touch that shows the lifter best, and the arms in it.

    Parameters
    ----------
    result : SetResult

    Returns
    -------
    frame, marks
        None where there is no such frame, or no arm is known in it.
    """
    rep, touch = best_seen_rep(result), touch_request(result)
    if rep is None or touch is None:
        return None
    marks = arm_marks(result, touch.frame, bottom_labels(result, rep))
    return (touch.frame, marks) if marks else None


def draw_bottom(
    image: NDArray[np.uint8], marks: Mapping[str, ArmMarks], result: SetResult
) -> NDArray[np.uint8]:
    """The arms at the bottom with plumb lines, cut out of a frame (RGB, at any size)."""
    return bottom_picture(image, marks, image.shape[1] / result.info.width_px)


def bottom_image(result: SetResult, source: Path) -> NDArray[np.uint8] | None:
    """The arms at the bottom of a set, from its result folder or its clip.

    Parameters
    ----------
    result : SetResult
    source : Path
        The result folder, or the clip that `result.info` describes.

    Returns
    -------
    ndarray or None
        RGB; None where no arm is known or nothing is left to draw on.
    """
    if source.is_dir():
        kept = source / ARMS_FILE
        image = cv2.imread(str(kept), cv2.IMREAD_COLOR) if kept.is_file() else None
        if image is None:
            return None
        return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB), np.uint8)
    low = bottom_marks(result)
    if low is None:
        return None
    frames = stream(result.info, indices=[low[0]], max_side_px=MAX_SIDE_PX)
    return next((draw_bottom(frame.image, low[1], result) for frame in frames), None)


def publish(
    result: SetResult,
    folder: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    video: bool = True,
    progress: Progress = quiet,
) -> Path:
    """Write a set's result folder, whole or not at all.

    Parameters
    ----------
    result : SetResult
        From `barpath.analyse`; the clip must still be where it was.
    folder : path-like
        Target.
    overwrite : bool
        Replace an earlier result.
    video : bool
        Whether to write the annotated clip.
    progress : callable, optional
        As for `barpath.analyse`.

    Returns
    -------
    Path
        The folder, with `report.html`, the annotated clip, stills, tables and `summary.json`.

    Raises
    ------
    OutputError
        The folder exists and may not be replaced, or cannot be written.
    ClipError
        The clip cannot be read again.
    """
    requests = {request.frame: request for request in still_requests(result)}
    stills: dict[int, Still] = {}
    low = bottom_marks(result)
    arms: list[NDArray[np.uint8]] = []

    def keep(number: int, image: NDArray[np.uint8], drawn: NDArray[np.uint8]) -> None:
        if number in requests:
            stills[number] = Still(requests[number], drawn)
        if low is not None and number == low[0]:
            arms.append(draw_bottom(image, low[1], result))

    def write_video(path: Path) -> None:
        with contextlib.ExitStack() as stack:
            writer = None
            for number, time_s, image, drawn in _frames(result, None, progress):
                if writer is None:
                    height, width = drawn.shape[:2]
                    writer = stack.enter_context(VideoWriter(path, width, height, result.info.fps))
                writer.write(drawn, time_s)
                keep(number, image, drawn)
            if writer is None:
                raise OutputError("The clip could not be read a second time to draw on it.")

    def write_report(path: Path) -> None:
        shown = [stills[number] for number in sorted(stills)]
        film = (path.parent / VIDEO_FILE).read_bytes() if video else None
        html = report_html(
            result,
            shown,
            bottom=arms[0] if arms else None,
            video=film,
            video_name=VIDEO_FILE if video else None,
        )
        path.write_text(html, encoding="utf-8", errors="replace")

    def still_writer(number: int) -> Artefact:
        return lambda path: write_picture(path, stills[number].image)

    artefacts: dict[str, Artefact] = {}
    if video:
        artefacts[VIDEO_FILE] = write_video
    elif requests:
        for number, _, image, drawn in _frames(result, list(requests), quiet):
            keep(number, image, drawn)
    artefacts[REPORT_FILE] = write_report
    for number, request in requests.items():
        artefacts[request.file_name] = still_writer(number)
    if low is not None:
        artefacts[ARMS_FILE] = lambda path: write_picture(path, arms[0])
    return write_results(result, folder, overwrite=overwrite, artefacts=artefacts)


def picture_bytes(suffix: str, image: NDArray[np.uint8]) -> bytes:
    """An RGB image in the form that a file name's ending stands for."""
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY] if suffix == ".jpg" else []
    done, data = cv2.imencode(suffix, cv2.cvtColor(image, cv2.COLOR_RGB2BGR), options)
    if not done:
        raise ValueError(f"the image cannot be encoded as {suffix}")
    return data.tobytes()


def write_picture(path: Path, image: NDArray[np.uint8]) -> None:
    """Write an RGB image; a full disk is told as such, which `cv2.imwrite` does not."""
    path.write_bytes(picture_bytes(path.suffix, image))
