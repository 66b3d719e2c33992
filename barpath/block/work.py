"""The work on one clip of a block: look at it, keep that, and measure what was kept."""

from __future__ import annotations

import dataclasses
import importlib
import secrets
import shutil
import sys
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

from barpath.analysis import store
from barpath.block import blockstore
from barpath.block.jobs import Job, Outcome, SetJob, words_of
from barpath.errors import BarpathError, OutputError, reason_of
from barpath.ground.files import scratch_folder, sha256_of

STILL_FILE = "bottom.jpg"
STILL_SIDE_PX = 800


def function_named(name: str) -> Callable[..., Any]:
    """The function that ``"module:name"`` stands for."""
    module, _, attribute = name.partition(":")
    return getattr(importlib.import_module(module), attribute)


def process(
    job: Job | SetJob,
    progress: Callable[[str, float], None] | None = None,
    scratch: Path | None = None,
) -> Outcome:
    """Look at a clip if that is still to be done, and measure what was seen; or measure a set.

    Measuring always starts from what is kept, read back, so that a clip measured at once and one
    taken up later give the same numbers to the last digit.

    Parameters
    ----------
    job : Job or SetJob
    progress : callable, optional
        As for `barpath.analyse`.
    scratch : Path, optional
        Where a folder may be made for the time; one of its own if not given.

    Returns
    -------
    Outcome
        It never raises an `Exception`: whatever goes wrong is said in its sentence.
    """
    if isinstance(job, SetJob):
        return _join(job, progress or _silent)
    files: dict[str, bytes] = {}
    seen = job.detected is not None
    place = scratch
    try:
        with ExitStack() as stack:
            place = place or stack.enter_context(scratch_folder())
            folder = job.detected
            if folder is None:
                folder = place / f"set-{secrets.token_hex(4)}"
                stack.callback(shutil.rmtree, folder, ignore_errors=True)
                _detect(job, folder, progress)
                files = {p.name: p.read_bytes() for p in sorted(folder.iterdir())}
                seen = True
            kept = store.read_results(folder)
            result = function_named(job.programme.measure)(kept, job.measure_config)
            rows = blockstore.rep_rows(result)
        return Outcome(files=files, rows=rows, peak_bytes=_peak_bytes())
    except BarpathError as error:
        sentence = str(error).replace(str(job.entry.path), job.entry.name)
        if place is not None and str(place) in sentence:
            why = reason_of(error.__cause__ or error)
            sentence = f"It cannot be kept in the temporary folder '{place.parent}': {why}."
        lasting = not isinstance(error, OutputError)
        return Outcome(files, None, sentence, lasting, seen, _peak_bytes())
    except MemoryError:
        return Outcome(files, None, "There was not enough memory for it.", False, seen)
    except Exception as error:
        sentence = f"Something went wrong inside ({type(error).__name__}: {words_of(error)})."
        return Outcome(files, None, sentence, False, seen, _peak_bytes())


def _join(job: SetJob, progress: Callable[[str, float], None]) -> Outcome:
    """Measure the clips of a set together, from what is kept of each."""
    try:
        results = []
        for k, one in enumerate(job.jobs):
            progress("measuring the clips as one set", k / (len(job.jobs) + 1))
            if one.detected is None:
                raise OutputError("What was seen in its clips is not kept any more.")
            kept = store.read_results(one.detected)
            result = function_named(one.programme.measure)(kept, one.measure_config)
            # A clip kept under another name is told of by its own.
            results.append(dataclasses.replace(result, source_name=one.entry.name))
        rows = function_named(job.jobs[0].programme.join)(results)
        return Outcome(rows=rows, peak_bytes=_peak_bytes())
    except BarpathError as error:
        lasting = not isinstance(error, OutputError)
        return Outcome(sentence=str(error), lasting=lasting, peak_bytes=_peak_bytes())
    except MemoryError:
        return Outcome(sentence="There was not enough memory for it.")
    except Exception as error:
        sentence = f"Something went wrong inside ({type(error).__name__}: {words_of(error)})."
        return Outcome(sentence=sentence, peak_bytes=_peak_bytes())


def _detect(job: Job, folder: Path, progress: Callable[[str, float], None] | None) -> None:
    try:
        unchanged = sha256_of(job.entry.path) == job.sha256
    except OSError as error:
        raise OutputError(
            f"The worker cannot read it at '{job.entry.path}': {words_of(error)}; the clips must"
            " lie where every worker sees them under the same path."
        ) from error
    if not unchanged:
        raise OutputError("It changed while the block was running.")
    call = function_named(job.programme.detect)
    result = call(job.entry.path, config=job.detect_config, progress=progress or _silent)
    # The clip's name is a label, not content: the same clip under another name is kept once.
    name = f"{job.sha256[:12]}{job.entry.path.suffix.lower()}"
    info = dataclasses.replace(result.info, path=Path(name))
    still = _bottom_still(result) if job.stills else None
    artefacts = {} if still is None else {STILL_FILE: still}
    result = dataclasses.replace(result, source_name=name, info=info)
    store.write_results(result, folder, artefacts=artefacts)


def _silent(stage: str, share: float) -> None:
    """Report progress to nobody."""


def bottom_frame(result: store.SetResult) -> int | None:
    """Frame at the touch of the best-seen repetition; None when there is none."""
    from barpath.analysis.stills import touch_request

    request = touch_request(result)
    return None if request is None else request.frame


def _bottom_still(result: store.SetResult) -> Any:
    from barpath.clip.frames import stream

    frame = bottom_frame(result)
    if frame is None:
        return None
    with suppress(BarpathError):
        for picture in stream(result.info, indices=[frame], max_side_px=STILL_SIDE_PX):
            return picture.image
    return None


def _peak_bytes() -> int:
    try:
        import resource
    except ImportError:
        return 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024
