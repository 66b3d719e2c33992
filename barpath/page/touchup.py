"""The correction page: put joints, plate and the bar's ends right in the browser; measure again.

A small server on the loopback address gives one page, the clip's frames and the report, and takes
corrections. Nothing leaves the machine: the page loads nothing from elsewhere, every request must
carry the token of this run in its path and a loopback name in its Host header, and what the page
sends is small JSON of its own origin.
"""

import contextlib
import dataclasses
import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from http import HTTPStatus
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from barpath.analysis import pipeline
from barpath.analysis.corrections import (
    JOINTS,
    Corrections,
    as_tracked,
    check_corrections,
    corrections_data,
    parse_corrections,
)
from barpath.analysis.kept import config_of
from barpath.analysis.setresult import SetResult
from barpath.analysis.source import find_clip, probe_same
from barpath.analysis.stills import shown_joints
from barpath.analysis.store import check_target, plain, read_results
from barpath.clip.frames import stream
from barpath.errors import BarpathError, ClipError
from barpath.ground.files import prepare
from barpath.ground.uncertainty import state
from barpath.lift.catalogue import measure_label, shown_unit
from barpath.page import local
from barpath.page.local import RefusedError, Served, body_of, nothing_here
from barpath.report import measureplots
from barpath.report.output import REPORT_FILE, VIDEO_FILE, publish
from barpath.sight.barline import ENDS

ASSETS = Path(str(files("barpath").joinpath("assets")))
EVENTS = (("touch_s", "touch"), ("press_s", "start of the press"), ("lockout_s", "lockout"))
SEEN_PARTS = ("x_px", "y_px", "confidence")
PAGE_FILES = {
    "": ("touchup.html", "text/html; charset=utf-8"),
    "touchup.js": ("touchup.js", "text/javascript; charset=utf-8"),
    "touchup.css": ("touchup.css", "text/css; charset=utf-8"),
    "report.css": ("report.css", "text/css; charset=utf-8"),
}
RESULT_FILES = {REPORT_FILE: "text/html; charset=utf-8", VIDEO_FILE: "video/mp4"}


@dataclass(frozen=True)
class TouchupConfig:
    """Settings of the correction page.

    Attributes
    ----------
    near_event_s : float
        A frame in which joints were looked for stands for a touch, press or lockout this near.
    max_body_bytes : int
        A request's body may not be larger.
    kept_pictures : int
        Frames kept in memory, encoded.
    jpeg_quality : int
        0 to 100.
    """

    near_event_s: float = 0.1
    max_body_bytes: int = 1_000_000
    kept_pictures: int = 40
    jpeg_quality: int = 92


class BusyError(BarpathError):
    """A save is still at work."""


class _StoppedError(Exception):
    """The server is being ended while a save is at work."""


def offered_frames(
    result: SetResult, config: TouchupConfig | None = None
) -> list[dict[str, int | float | str]]:
    """Frames on which corrections help most, in order of time.

    Touch, start of the press and lockout of every repetition, all frames in which the joints were
    looked for, and all frames that hold a correction.

    Parameters
    ----------
    result : SetResult
    config : TouchupConfig, optional

    Returns
    -------
    list of dict
        `frame`, `time_s`, `rep` (0 between repetitions) and `title`, empty for a frame without an
        event. The frame of an event is one in which the joints were looked for, if there is one
        near enough.
    """
    config = config or TouchupConfig()
    frames = result.track["frame"].to_numpy(dtype=int)
    time_s = result.track["time_s"].to_numpy(dtype=float)
    posed = np.isin(frames, _joints_shown(result).index)
    titles: dict[int, tuple[int, str]] = {}
    rep_of = np.zeros(len(frames), dtype=int)
    for row in result.reps.itertuples():
        begin, end = (
            getattr(row, name) if np.isfinite(getattr(row, name)) else getattr(row, other)
            for name, other in (("start_s", "touch_s"), ("lockout_s", "touch_s"))
        )
        rep_of[(time_s >= begin - 0.2) & (time_s <= end + 0.2) & (rep_of == 0)] = int(row.rep)
        for column, word in EVENTS:
            moment = getattr(row, column)
            if not np.isfinite(moment):
                continue
            distance = np.abs(time_s - moment)
            near = posed & (distance <= config.near_event_s)
            at = int(np.argmin(np.where(near, distance, np.inf) if near.any() else distance))
            before = titles.get(int(frames[at]))
            both = f"{before[1]} and {word}" if before and before[0] == row.rep else word
            titles[int(frames[at])] = (int(row.rep), both)
    wanted = {*titles, *frames[posed].tolist()}
    wanted |= {point.frame for point in result.corrections.joints}
    wanted |= {point.frame for point in result.corrections.plate}
    wanted |= {point.frame for point in result.corrections.ends}
    offered: list[dict[str, int | float | str]] = []
    for k in np.flatnonzero(np.isin(frames, sorted(wanted))):
        frame = int(frames[k])
        rep, title = titles.get(frame, (int(rep_of[k]), ""))
        offered.append({"frame": frame, "time_s": float(time_s[k]), "rep": rep, "title": title})
    return offered


def _joints_shown(result: SetResult) -> pd.DataFrame:
    """Joints by frame: those of the arms fitted to the set, and where there are none, as read."""
    tables = [table.set_index("frame") for table in (shown_joints(result), result.pose)]
    names = [f"{joint}_{part}" for joint in JOINTS for part in SEEN_PARTS]
    shown, read = (table.reindex(columns=names).astype(float) for table in tables)
    return shown.combine_first(read)


def tracked_points(result: SetResult, frames: list[int]) -> dict[str, Any]:
    """What the program itself saw of joints, plate and the bar's ends on some frames.

    Parameters
    ----------
    result : SetResult
    frames : list of int

    Returns
    -------
    dict
        `joints`: by frame (as text) and joint, `x_px, y_px, confidence`, only for frames in which
        the joints were looked for, as fitted where they were, otherwise as read; `plate`: by frame,
        `x_px, y_px, major_px, minor_px, angle_deg` as tracked, the centre NaN where lost and the
        outline then that of the nearest frame; `ends`: by frame and end, `x_px, y_px` as tracked,
        NaN where lost. A view has a plate or ends.
    """
    joints: dict[str, Any] = {}
    shown = _joints_shown(result)
    for frame in frames:
        if frame not in shown.index:
            continue
        row = shown.loc[frame]
        joints[str(frame)] = {
            joint: {part: float(row[f"{joint}_{part}"]) for part in SEEN_PARTS} for joint in JOINTS
        }
    plate: dict[str, Any] = {}
    track = as_tracked(result.track)
    if "x_px" in track:
        outline = ["major_px", "minor_px", "angle_deg"]
        shape = track[outline].where(track[outline].notna().all(axis=1)).ffill().bfill()
        whole = pd.concat([track[["x_px", "y_px"]], shape], axis=1)
        whole.index = track["frame"].astype(int)
        for frame in frames:
            plate[str(frame)] = {key: float(value) for key, value in whole.loc[frame].items()}
    ends: dict[str, Any] = {}
    if f"{ENDS[0]}_x_px" in track:
        rows = track.set_index(track["frame"].astype(int))
        for frame in frames:
            row = rows.loc[frame]
            ends[str(frame)] = {
                end: {axis: float(row[f"{end}_{axis}"]) for axis in ("x_px", "y_px")}
                for end in ENDS
            }
    return {"joints": joints, "plate": plate, "ends": ends}


def changed_measures(before: SetResult, after: SetResult) -> dict[str, Any]:
    """What a correction changed, as a reader sees it.

    Parameters
    ----------
    before, after : SetResult

    Returns
    -------
    dict
        `rows`: `measure` (label), `rep`, `side`, `unit`, `before`, `after` (rounded, with their ±;
        a dash where missing), their qualities, and `reason` of the later one; only what reads
        differently. `n_same`: measures that read as before. `reps`: how many repetitions of which
        kind there were and are.
    """
    keys = ["rep", "measure", "side"]
    tables = [result.measures.set_index(keys) for result in (before, after)]
    rows, n_same = [], 0
    for name in measureplots.ordered_measures(pd.concat([before.measures, after.measures])):
        index = [[k for k in table.index if k[1] == name] for table in tables]
        for key in sorted({*index[0], *index[1]}, key=lambda k: (k[2], k[0])):
            told = [_told(table.loc[key] if key in table.index else None) for table in tables]
            if told[0][:2] == told[1][:2]:
                n_same += 1
                continue
            rows.append(
                {
                    "measure": measure_label(name),
                    "rep": int(key[0]),
                    "side": key[2],
                    "unit": told[1][3] or told[0][3],
                    "before": told[0][0],
                    "after": told[1][0],
                    "before_quality": told[0][1],
                    "after_quality": told[1][1],
                    "reason": told[1][2],
                }
            )
    counts = [result.reps["kind"].value_counts().to_dict() for result in (before, after)]
    said = [", ".join(f"{number} {kind}" for kind, number in count.items()) for count in counts]
    return {"rows": rows, "n_same": n_same, "reps": said}


def _told(row: pd.Series | None) -> tuple[str, str, str, str]:
    """Text, quality, reason and unit of one measure."""
    if row is None:
        return "–", "missing", "There is no such repetition.", ""
    factor, unit = shown_unit(str(row["unit"]))
    if not math.isfinite(row["value"]) or row["quality"] == "missing":
        return "–", "missing", str(row["reason"]), unit
    text = state(factor * row["value"], factor * row["u95"])
    return text, str(row["quality"]), str(row["reason"]), unit


@dataclass(frozen=True)
class Job:
    """How far a save is.

    Attributes
    ----------
    state : {'idle', 'running', 'done', 'failed'}
        Done once the results are written anew, but for the annotated clip.
    stage, share
        What is being done, and how much of it, 0 to 1.
    error : str
        Why it failed, one sentence.
    changes : dict or None
        From `changed_measures`.
    seconds : float
        From the save to the new report.
    video : {'', 'drawing', 'done', 'failed'}
        The annotated clip, which is drawn when all else is done.
    video_error : str
    """

    state: str = "idle"
    stage: str = ""
    share: float = 0.0
    error: str = ""
    changes: dict[str, Any] | None = None
    seconds: float = 0.0
    video: str = ""
    video_error: str = ""


class Session:
    """One result folder under correction; its methods may be called from several threads."""

    def __init__(
        self,
        folder: Path,
        clip: Path | None = None,
        *,
        video: bool = True,
        keep: Callable[[Corrections], None] = lambda corrections: None,
        config: TouchupConfig | None = None,
    ) -> None:
        """Read the result and find its clip.

        Parameters
        ----------
        folder : Path
            A result folder of one clip.
        clip : Path, optional
            As for `find_clip`.
        video : bool
            Whether to draw the annotated clip again after each save. Until it is drawn, and
            without this, the folder has none, since the old one would show what no longer holds.
        keep : callable
            Given the corrections of each save before the folder is written; what it raises is what
            the save failed of.
        config : TouchupConfig, optional

        Raises
        ------
        OutputError
            The folder is no result folder, or could not be replaced.
        OptionError, ClipError
            The clip is not found, is another, or cannot be read.
        """
        self.config = config or TouchupConfig()
        self.folder = folder
        self.video = video
        self._keep = keep
        self.result = read_results(folder)
        prepare(folder, partial(check_target, overwrite=True))
        self.info = probe_same(self.result, find_clip(self.result, folder, clip))
        self._job = Job()
        self._lock = threading.Lock()
        self._saving = threading.Lock()
        self._decoding = threading.Lock()
        self._pictures: OrderedDict[int, bytes] = OrderedDict()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def page_state(self) -> dict[str, Any]:
        """All that the page shows, as plain data."""
        result = self.result
        offered = offered_frames(result, self.config)
        return plain(
            {
                "clip": result.source_name,
                "left_on_right": result.shows.widths,
                "width_px": self.info.width_px,
                "height_px": self.info.height_px,
                "joint_names": JOINTS,
                "has_plate": not result.shows.both_ends,
                "end_names": ENDS if result.shows.both_ends else (),
                "frames": offered,
                "tracked": tracked_points(result, [int(row["frame"]) for row in offered]),
                "corrections": corrections_data(result.corrections),
                "video": self.video,
                "report": (self.folder / REPORT_FILE).is_file(),
            }
        )

    def picture(self, frame: int) -> bytes:
        """A frame of the clip as a JPEG of full size.

        Raises
        ------
        ClipError
            It cannot be decoded.
        """
        with self._decoding:
            if frame in self._pictures:
                self._pictures.move_to_end(frame)
                return self._pictures[frame]
            decoded = next(iter(stream(self.info, indices=[frame])), None)
            if decoded is None:
                raise ClipError(f"Frame {frame} cannot be decoded.")
            options = [cv2.IMWRITE_JPEG_QUALITY, self.config.jpeg_quality]
            _, data = cv2.imencode(".jpg", cv2.cvtColor(decoded.image, cv2.COLOR_RGB2BGR), options)
            self._pictures[frame] = data.tobytes()
            if len(self._pictures) > self.config.kept_pictures:
                self._pictures.popitem(last=False)
            return self._pictures[frame]

    def job(self) -> Job:
        """How far the save is."""
        with self._lock:
            return self._job

    def save(self, corrections: Corrections) -> None:
        """Begin to measure with these corrections and to write the results anew.

        An annotated clip that an earlier save is still drawing is given up.

        Raises
        ------
        OptionError
            The corrections do not fit the clip.
        BusyError
            An earlier save is still at work.
        """
        lens = self.info.lens
        # The page knows points alone; they were put on the pictures that it was given.
        corrections = dataclasses.replace(corrections, bend=0.0 if lens is None else lens.bend)
        check_corrections(corrections, self.result.info, self.result.track)
        with self._saving:
            if self.job().state == "running":
                raise BusyError("The last save is still at work; wait until it is done.")
            self._stop_work()
            self._stop.clear()
            self._tell(Job(state="running", stage="measuring again"))
            self._thread = threading.Thread(target=self._work, args=(corrections,))
            self._thread.start()

    def close(self) -> None:
        """Stop a save at work, leaving the result folder whole, and wait until it has stopped."""
        with self._saving:
            self._stop_work()

    def _stop_work(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def _tell(self, job: Job | None = None, **changes: Any) -> None:
        with self._lock:
            self._job = dataclasses.replace(job or self._job, **changes)

    def _progress(self, stage: str, share: float) -> None:
        if self._stop.is_set():
            raise _StoppedError
        self._tell(stage=stage, share=share)

    def _work(self, corrections: Corrections) -> None:
        begin = time.perf_counter()
        try:
            after = self._measured(corrections)
            self._tell(changes=plain(changed_measures(self.result, after)))
            self._progress("writing the report", 0.0)
            self._keep(corrections)
            publish(after, self.folder, overwrite=True, video=False, progress=self._progress)
        except BaseException as error:
            self._tell(state="failed", error=_sentence(error), changes=None)
            return
        self.result = after
        seconds = time.perf_counter() - begin
        self._tell(state="done", seconds=seconds, video="drawing" if self.video else "")
        if not self.video:
            return
        try:
            publish(after, self.folder, overwrite=True, progress=self._progress)
        except BaseException as error:
            self._tell(video="failed", video_error=_sentence(error))
        else:
            self._tell(video="done")

    def _measured(self, corrections: Corrections) -> SetResult:
        before = self.result
        config = dataclasses.replace(config_of(before), corrections=corrections)
        info = dataclasses.replace(self.info, n_duplicate=before.info.n_duplicate)
        given = dataclasses.replace(before, info=info)
        after = pipeline.remeasure(given, config)
        return dataclasses.replace(after, source_name=before.source_name)


def _sentence(error: BaseException) -> str:
    match error:
        case BarpathError():
            return str(error)
        case _StoppedError():
            return "It was stopped before it was done."
        case _:
            return f"Something went wrong inside ({type(error).__name__}: {error})."


def routes(find: Callable[[Request], Session], back: str = "") -> list[Route]:
    """What the correction page is made of.

    Parameters
    ----------
    find : callable
        Given a request, the session that it is about.
    back : str
        Address of the page to go back to, if there is one.
    """

    def asset(request: Request) -> Response:
        name = request.path_params.get("name", "")
        if name not in PAGE_FILES:
            raise nothing_here()
        if not name:
            # What cannot be put right is told here, not by the script.
            find(request)
        file, kind = PAGE_FILES[name]
        return FileResponse(ASSETS / file, media_type=kind)

    def state(request: Request) -> Response:
        return JSONResponse(find(request).page_state() | {"back": back})

    def job(request: Request) -> Response:
        return JSONResponse(dataclasses.asdict(find(request).job()))

    def picture(request: Request) -> Response:
        number = request.path_params["frame"]
        if number >= find(request).info.n_frames:
            raise nothing_here()
        try:
            return Response(find(request).picture(number), media_type="image/jpeg")
        except ClipError as error:
            raise RefusedError(HTTPStatus.NOT_FOUND, str(error)) from error

    def result(request: Request) -> Response:
        name = request.path_params["name"]
        file = find(request).folder / name
        if name not in RESULT_FILES or not file.is_file():
            raise nothing_here()
        return FileResponse(file, media_type=RESULT_FILES[name], headers=local.MADE_HEADERS)

    async def corrections(request: Request) -> Response:
        session = await run_in_threadpool(find, request)
        most = session.config.max_body_bytes
        body = await body_of(request, ["application/json"], "Corrections", most)
        try:
            given = parse_corrections(body.decode("utf-8", "replace"))
            await run_in_threadpool(session.save, given)
        except BusyError as error:
            raise RefusedError(HTTPStatus.CONFLICT, str(error)) from error
        return JSONResponse(dataclasses.asdict(session.job()), HTTPStatus.ACCEPTED)

    return [
        Route("/", asset),
        Route("/state", state),
        Route("/job", job),
        Route("/frames/{frame:int}.jpg", picture),
        Route("/results/{name}", result),
        Route("/corrections", corrections, methods=["POST"]),
        Route("/{name}", asset),
    ]


@contextlib.contextmanager
def serving(session: Session, port: int = 0) -> Iterator[Served]:
    """Bind the correction page to the loopback address; the caller runs `serve_forever`.

    Parameters
    ----------
    session : Session
    port : int
        0 takes one that is free.

    Yields
    ------
    Served

    Raises
    ------
    OptionError
        The port cannot be had.
    """
    try:
        with local.serving(local.site(routes(lambda _: session)), port) as served:
            yield served
    finally:
        session.close()


def run(
    folder: Path,
    clip: Path | None = None,
    *,
    port: int = 0,
    video: bool = True,
    ready: Callable[[str], None] = print,
) -> None:
    """Serve the correction page of a result folder until Ctrl-C.

    Parameters
    ----------
    folder : Path
    clip : Path, optional
    port : int
    video : bool
        As for `Session` and `serving`.
    ready : callable
        Given the page's address once it answers.

    Raises
    ------
    OutputError, OptionError, ClipError
        As for `Session` and `serving`.
    """
    session = Session(folder, clip, video=video)
    with serving(session, port) as served, contextlib.suppress(KeyboardInterrupt):
        ready(served.address)
        served.serve_forever()
