"""The desk's pages: what they show, what they take, and the server that gives them.

The pages are whole documents made here; the script on them only sends clips, keeps what is shown
up to date by asking for the same page again, and prints. Every form can be sent without it.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import secrets
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route

from barpath.analysis.store import SUMMARY_FILE, read_results
from barpath.block import block, blockstore
from barpath.errors import BarpathError, OptionError, OutputError, reason_of
from barpath.ground.files import json_bytes, read_json, write_atomically
from barpath.ground.names import told_name
from barpath.ground.view import AUTO, CHOICES, VIEWS, is_open
from barpath.page import local, touchup
from barpath.page.desk import shelf
from barpath.page.desk.queue import DONE, FAILED, STOPPED, WAITING, WORKING, Job, Queue
from barpath.page.desk.shelf import OWN, Bench, Clip
from barpath.page.desk.tasks import BESIDE, CHECK, COMPARE, PAGES, PAIR, SET, Programme, Task
from barpath.page.local import RefusedError, body_of, nothing_here, refusal_of
from barpath.report import answer, pages
from barpath.report.besidefilm import BesideConfig
from barpath.report.besidepage import BESIDE_PAGE
from barpath.report.blockpages import COACH_PAGE
from barpath.report.comparepage import COMPARE_PAGE
from barpath.report.facts import facts_of, profile_of
from barpath.report.output import ARMS_FILE, REPORT_FILE

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None

STATIC = Path(__file__).with_name("static")
STATIC_FILES = {
    "desk.css": STATIC / "desk.css",
    "desk.js": STATIC / "desk.js",
    "report.css": touchup.ASSETS / "report.css",
}
OPEN_FILE = ".open.json"
PLACES = ("sets", "pairs", "compared", "pages", "comparison")
KINDS = {".html", ".mp4", ".jpg", ".png", ".csv", ".json"}
ABOUT_TO = "begins as soon as there is room"
FORM = "application/x-www-form-urlencoded"
PIECE_BYTES = 1 << 20
PAGE_HEADERS = local.headers_of(
    {
        "default-src": "'none'",
        "script-src": "'self'",
        "style-src": "'self'",
        "img-src": "'self'",
        "connect-src": "'self'",
        "frame-src": "'self'",
        "base-uri": "'none'",
        "form-action": "'self'",
        "frame-ancestors": "'none'",
    }
    # A form that is sent from a page without any referrer has no origin that could be checked.
) | {"Referrer-Policy": "same-origin"}
VIEW_WORDS = {
    "": "not known yet",
    AUTO: "told by the clip itself",
    "pair": "from both",
} | {view.name: view.words for view in VIEWS}
KIND_WORDS = {
    CHECK: "film check",
    SET: "measuring",
    PAIR: "views together",
    BESIDE: "side by side",
    PAGES: "pages for coach and lifters",
    COMPARE: "comparison of setups",
}
FIELD_WORDS = {
    "lifter": ("Lifter", ""),
    "date": ("Day", "as in 2026-03-05"),
    "view": ("Filmed", ""),
    "load_kg": ("Load", "kg, bar and plates together"),
    "plate_mm": ("Plate", "mm across; 450 if not said"),
    "technique": ("What was tried", "such as flared or tucked; sets are compared by it"),
    "pair": (
        "Set filmed from several places",
        "clips of one lifter and day with the same mark show one set",
    ),
    "stature_cm": ("Lifter's height", "cm"),
    "upper_arm_cm": ("Upper arm", "cm, shoulder to elbow by tape"),
    "capture_fps": ("Real frames a second", "only of slow motion that does not tell"),
}
MORE_FIELDS = ("plate_mm", "stature_cm", "upper_arm_cm", "capture_fps")


@dataclass(frozen=True)
class DeskConfig:
    """Settings of the desk.

    Attributes
    ----------
    max_form_bytes : int
    spare_bytes : int
        So much of the disk stays free when a clip is taken.
    kept_corrections : int
        Correction pages kept ready.
    last_s : float
        The server answers so long after it was told to close.
    programme : Programme
    """

    max_form_bytes: int = 1_000_000
    spare_bytes: int = 200_000_000
    kept_corrections: int = 4
    last_s: float = 1.0
    programme: Programme = field(default_factory=Programme)


@lru_cache(maxsize=512)
def _said(folder: Path, stamp_ns: int) -> tuple[str, str]:
    """What a set answers, in a sentence or two, or what is amiss with its folder."""
    try:
        result = read_results(folder)
        told = answer.answer(facts_of(result), profile_of(result))
    except BarpathError as error:
        return str(error), ""
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        return f"Its answer cannot be told ({type(error).__name__}).", ""
    return told.headline, told.detail


def _stamp(folder: Path) -> int:
    with suppress(OSError):
        return (folder / SUMMARY_FILE).stat().st_mtime_ns
    return 0


class Desk:
    """A desk that is open: its folder, its work and the correction pages in use."""

    def __init__(self, folder: Path, config: DeskConfig | None = None) -> None:
        """Make or take up the folder.

        Parameters
        ----------
        folder : Path
        config : DeskConfig, optional

        Raises
        ------
        OutputError
            It holds something else, or cannot be written.
        """
        self.config = config or DeskConfig()
        self.own = shelf.open_desk(folder)
        shelf.tidy(self.own)
        self.home = self.own.home
        self.writing = threading.RLock()
        self.queue = Queue(self.home, self.benches, self.config.programme, self._make_way)
        self.closing: Callable[[], None] = lambda: None
        self._sessions: dict[tuple[str, str], touchup.Session] = {}
        self._opening = threading.Lock()

    def benches(self) -> dict[str, Bench]:
        """Benches by key."""
        return shelf.benches(self.home)

    def bench(self, request: Request) -> Bench:
        """The bench that a request is about."""
        bench = self.benches().get(request.path_params["bench"])
        if bench is None:
            raise nothing_here()
        return bench

    def clip(self, request: Request) -> tuple[Bench, Clip]:
        """The clip that a request is about, and its bench."""
        bench = self.bench(request)
        stem = request.path_params["stem"]
        clip = next((c for c in shelf.clips_of(bench) if c.stem == stem), None)
        if clip is None:
            raise nothing_here()
        return bench, clip

    def session(self, request: Request) -> touchup.Session:
        """The correction of the set that a request is about."""
        key = (request.path_params["bench"], request.path_params["stem"])
        with self._opening:
            if key not in self._sessions:
                bench, clip = self.clip(request)
                if self.queue.busy_with(bench.key, clip.name):
                    raise RefusedError(
                        HTTPStatus.CONFLICT,
                        "This clip is being measured; put it right when that is done.",
                    )
                if clip.result is None:
                    raise nothing_here()
                self._rest()
                self._sessions[key] = touchup.Session(clip.result, clip.entry.path)
            return self._sessions[key]

    def _rest(self) -> None:
        """Close the oldest correction at rest when there are many: each keeps pictures."""
        resting = [
            key
            for key, session in self._sessions.items()
            if session.job().state != "running" and session.job().video != "drawing"
        ]
        if len(self._sessions) >= self.config.kept_corrections and resting:
            self._sessions.pop(resting[0]).close()

    def _make_way(self, task: Task) -> None:
        """Let a correction that is being saved come to its end before its set is written anew."""
        if task.kind != SET:
            return
        key = (task.bench, shelf.stem_of(task.clips[0]))
        while (session := self._sessions.get(key)) and session.job().state == "running":
            time.sleep(0.1)
        with self._opening:
            if session := self._sessions.pop(key, None):
                session.close()

    def close(self) -> None:
        """Break off what is at work; all of it is taken up the next time."""
        self.queue.close()
        with self._opening:
            for session in self._sessions.values():
                session.close()
            self._sessions.clear()


# --- what a page shows ----------------------------------------------------------------------------


def labels_shown(entry: block.ClipEntry) -> list[str]:
    """What is said of a clip, in words."""
    told = (
        entry.lifter if entry.lifter != "lifter" else "",
        entry.date,
        "" if is_open(entry.view) else VIEW_WORDS[entry.view],
        "" if entry.load_kg is None else f"{entry.load_kg:g} kg",
        entry.technique,
        f"set {entry.pair}, from several places" if entry.pair else "",
    )
    return [text for text in told if text]


def guesses_shown(clip: Clip) -> list[str]:
    """What of a clip was guessed, and from what, in words."""
    by_source: dict[str, list[str]] = {}
    for name, source in clip.guessed.items():
        if name in FIELD_WORDS:
            by_source.setdefault(str(source), []).append(FIELD_WORDS[name][0].lower())
    return [f"Guessed from {source}: {', '.join(names)}" for source, names in by_source.items()]


def bench_shown(desk: Desk, bench: Bench) -> dict[str, Any]:
    """All that the page of a bench shows."""
    clips = shelf.clips_of(bench)
    jobs = [job for job in desk.queue.jobs() if job.task.bench == bench.key]
    state_of = {j.task.clips[0]: j for j in jobs if j.task.kind == SET}
    checks = {j.task.clips[0]: j.state for j in jobs if j.task.kind == CHECK}
    shown = [_clip_shown(bench, c, state_of.get(c.name), checks.get(c.name, "")) for c in clips]
    groups: dict[str, list[dict[str, Any]]] = {}
    days: dict[str, str] = {}
    for row, clip in sorted(zip(shown, clips, strict=True), key=lambda pair: pair[0]["group"]):
        groups.setdefault(row["group"], []).append(row)
        days[row["group"]] = clip.entry.date
    by_stem = {clip.stem: clip for clip in clips}
    listed = [j for j in jobs if j.state != DONE and not (j.state == FAILED and j.task.kind == SET)]
    return {
        "bench": bench,
        "own": bench.key == OWN,
        # The latest day comes first.
        "groups": [
            {"title": title, "clips": groups[title]}
            for title in sorted(groups, key=days.__getitem__, reverse=True)
        ],
        "n_clips": len(clips),
        "n_measured": sum(row["state"] == "measured" for row in shown),
        "failed": [row for row in shown if row["sentence"]],
        "jobs": [_job_shown(job) for job in listed],
        "likely": [(by_stem[a.stem], by_stem[b.stem]) for a, b in shelf.likely_pairs(clips)],
        "pairs": _pairs_shown(bench, clips, jobs),
        "beside": _beside_shown(bench),
        "over_all": _over_all_shown(bench),
        "columns": _columns(bench, clips),
        "version": version_of(desk, bench),
        "others": [
            {"key": b.key, "title": title_of(b)}
            for b in desk.benches().values()
            if b.key != bench.key
        ],
        "title": title_of(bench),
    }


def title_of(bench: Bench) -> str:
    """What a bench is called."""
    return "Your desk" if bench.key == OWN else told_name(bench.clips.name)


def version_of(desk: Desk, bench: Bench) -> str:
    """A mark that changes whenever the page of a bench would read otherwise, but for progress."""
    facts: list[Any] = [
        (j.task.key, j.state, j.sentence) for j in desk.queue.jobs() if j.task.bench == bench.key
    ]
    for clip in shelf.clips_of(bench):
        facts.append((clip, _stamp(bench.set_folder(clip.name))))
    for place in PLACES[1:]:
        with suppress(OSError):
            facts += [
                (p.name, p.stat().st_mtime_ns) for p in sorted((bench.home / place).iterdir())
            ]
    facts.append(sorted(desk.benches()))
    return hashlib.sha256(repr(facts).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def _clip_shown(bench: Bench, clip: Clip, job: Job | None, check_state: str) -> dict[str, Any]:
    entry = clip.entry
    state = "measured" if clip.result is not None else "new"
    sentence = entry.fault
    if job is not None and job.state in (WAITING, WORKING, STOPPED, FAILED):
        state = job.state
        sentence = sentence or job.sentence
    row: dict[str, Any] = {
        "stem": clip.stem,
        "name": clip.name,
        "group": entry.session if entry.session != "lifter" else "Nobody named yet",
        "labels": labels_shown(entry),
        "guesses": guesses_shown(clip),
        "state": "failed" if entry.fault else state,
        "sentence": sentence,
        "job": "" if job is None else job.task.key,
        "size_mb": clip.size / 1e6,
        "check": _check_shown(clip, check_state),
        "said": None,
        "place": "",
    }
    if clip.result is not None:
        headline, detail = _said(clip.result, _stamp(clip.result))
        row |= {
            "said": {"headline": headline, "detail": detail},
            "place": f"sets/{clip.stem}",
            "picture": (clip.result / ARMS_FILE).is_file(),
        }
    return row


def _check_shown(clip: Clip, state: str) -> dict[str, Any]:
    check = clip.check
    if state in (WAITING, WORKING):
        return {"words": "Film check at work", "rows": [], "kind": "open"}
    if check is None:
        return {"words": "Not checked yet", "rows": [], "kind": "open"}
    if error := check.get("error"):
        return {"words": f"Film check: {error}", "rows": [], "kind": "change"}
    rows = [
        dict(zip(("item", "value", "verdict", "words"), r, strict=False)) for r in check["rows"]
    ]
    change = [row for row in rows if row["verdict"] == "change"]
    view = VIEW_WORDS.get(str(check.get("view", "")), "")
    words = f"{pages.plural(len(change), 'thing')} to change" if change else "well filmed"
    return {
        "words": f"Film check, {view}: {words}",
        "rows": rows,
        "change": change,
        "kind": "change" if change else "good",
    }


def _job_shown(job: Job) -> dict[str, Any]:
    task = job.task
    clips = [] if task.kind in (PAGES, COMPARE) else list(task.clips)
    return {
        "key": task.key,
        "kind": KIND_WORDS[task.kind],
        "clips": [Path(clip).name if task.kind == BESIDE else clip for clip in clips],
        "state": job.state,
        "sentence": job.sentence,
        "stage": job.stage or ABOUT_TO,
        "share": job.share,
    }


def _pairs_shown(bench: Bench, clips: Sequence[Clip], jobs: Sequence[Job]) -> list[dict[str, Any]]:
    together: dict[tuple[str, str], list[Clip]] = {}
    for clip in clips:
        if clip.entry.pair:
            together.setdefault((clip.entry.session, clip.entry.pair), []).append(clip)
    rows = []
    for (session, pair), members in together.items():
        if len(members) < 2:
            continue
        names = [clip.name for clip in members]
        folder = shelf.pair_folder(bench, names)
        made = (folder / REPORT_FILE).is_file()
        newest = max(_stamp(bench.set_folder(name)) for name in names)
        rows.append(
            {
                "title": f"{session}, set {pair}",
                "names": names,
                "stems": [clip.stem for clip in members],
                "place": f"pairs/{folder.name}" if made else "",
                "old": made and newest > _stamp(folder),
            }
        )
    return rows


def _beside_shown(bench: Bench) -> list[dict[str, str]]:
    rows = []
    with suppress(OSError):
        for folder in sorted((bench.home / "compared").iterdir()):
            with suppress(OSError, ValueError, KeyError, TypeError):
                told = read_json(bench.home / "known" / f"beside-{folder.name}.json")
                if (folder / BESIDE_PAGE).is_file():
                    rows.append(
                        {
                            "title": " and ".join(map(str, told["names"])),
                            "place": f"compared/{folder.name}/{BESIDE_PAGE}",
                        }
                    )
    return rows


def _over_all_shown(bench: Bench) -> dict[str, bool]:
    return {
        "table": (bench.block / blockstore.TABLE_FILE).is_file(),
        "coach": (bench.home / "pages" / COACH_PAGE).is_file(),
        "comparison": (bench.home / "comparison" / COMPARE_PAGE).is_file(),
    }


def _columns(bench: Bench, clips: Sequence[Clip]) -> list[str]:
    extra = {name for clip in clips for name, _ in clip.entry.labels}
    return ["technique", *sorted(extra)]


def last_said(jobs: Sequence[Job]) -> str:
    """A sentence on the job that ended last, for those who do not see the page change."""
    ended = [j for j in jobs if j.state in (DONE, FAILED)]
    if not ended:
        return ""
    job = ended[-1]
    what = ", ".join(Path(c).name for c in job.task.clips) or title_case(KIND_WORDS[job.task.kind])
    words = {CHECK: "film check done", SET: "measured"}.get(job.task.kind, "done")
    return f"{what}: {words if job.state == DONE else job.sentence}"


def title_case(text: str) -> str:
    """Text with a capital at its beginning."""
    return text[:1].upper() + text[1:]


# --- what is asked --------------------------------------------------------------------------------


def act(desk: Desk, bench: Bench, form: Mapping[str, Sequence[str]]) -> None:
    """Do what a form of the bench asks for.

    Raises
    ------
    OptionError
        It cannot be done, in one sentence.
    """
    clips = {clip.stem: clip for clip in shelf.clips_of(bench)}
    picked = [clips[stem] for stem in form.get("pick", []) if stem in clips]
    pairs = [place for place in form.get("pick-pair", []) if place.startswith("pairs/")]
    what = (form.get("do") or [""])[0]
    match what:
        case "measure" | "check" | "remove" if not picked:
            raise OptionError("Pick the clips first.")
        case "measure":
            for clip in picked:
                desk.queue.add(SET, bench, [clip.name])
        case "measure-all":
            for clip in clips.values():
                if clip.result is None and not clip.entry.fault:
                    desk.queue.add(SET, bench, [clip.name])
        case "check":
            for clip in picked:
                desk.queue.add(CHECK, bench, [clip.name])
        case "pair":
            if len(picked) < 2:
                raise OptionError("Pick the clips that show one set from several places.")
            with desk.writing:
                label = shelf.join(bench, [clip.name for clip in picked])
            # In the order of the bench, so that the same clips make the same pair; with those that
            # were said to show this set before.
            mine = [c for c in shelf.clips_of(bench) if c.entry.pair == label]
            together = [c for c in mine if c.entry.session == picked[0].entry.session]
            for clip in together:
                if clip.result is None:
                    desk.queue.add(SET, bench, [clip.name])
            names = [clip.name for clip in together]
            desk.queue.add(PAIR, bench, names)
        case "beside":
            _compare_picked(desk, bench, picked, pairs)
        case "remove":
            for clip in picked:
                if desk.queue.busy_with(bench.key, clip.name):
                    raise OptionError(f"'{clip.name}' is being measured; stop that first.")
            with desk.writing:
                for clip in picked:
                    shelf.remove(bench, clip.name)
                    desk.queue.forget(
                        j.task.key
                        for j in desk.queue.jobs()
                        if j.task.bench == bench.key and clip.name in j.task.clips
                    )
        case "pages":
            desk.queue.add(PAGES, bench)
        case "compare":
            by = (form.get("by") or ["technique"])[0]
            desk.queue.add(COMPARE, bench, by=by)
        case _:
            raise OptionError("This is not known here.")


def _compare_picked(desk: Desk, bench: Bench, picked: Sequence[Clip], pairs: Sequence[str]) -> None:
    most = BesideConfig().most
    if not 2 <= len(picked) + len(pairs) <= most:
        raise OptionError(f"Pick from two to {most} measured sets to see them side by side.")
    for clip in picked:
        if clip.result is None:
            raise OptionError(f"'{clip.name}' is not measured yet; measure it first.")
    by_place = {row["place"]: row for row in _pairs_shown(bench, shelf.clips_of(bench), [])}
    if not set(pairs) <= set(by_place):
        raise OptionError("This pair is not there any more.")
    places = [f"sets/{clip.stem}" for clip in picked] + list(pairs)
    names = shelf.names_for([clip.entry for clip in picked]) if picked else []
    names += [by_place[place]["title"] for place in pairs]
    target = shelf.beside_folder(bench, [bench.home / place for place in places])
    note = bench.home / "known" / f"beside-{target.name}.json"
    write_atomically(note, json_bytes({"names": names}))
    desk.queue.add(BESIDE, bench, places, by="\n".join(names))


def folders_shown(at: Path) -> dict[str, Any]:
    """Folders inside a folder of this machine, to choose one from."""
    inside = []
    try:
        for entry in os.scandir(at):
            with suppress(OSError):
                if entry.is_dir() and not entry.name.startswith("."):
                    inside.append(Path(entry.path))
    except OSError as error:
        raise OptionError(f"'{told_name(str(at))}' cannot be read: {reason_of(error)}.") from error
    with suppress(OSError):
        n_clips = sum(p.suffix.lower() in block.CLIP_SUFFIXES for p in at.iterdir())
    return {
        "at": told_name(str(at)),
        "here": _hex(at),
        "above": "" if at.parent == at else _hex(at.parent),
        "n_clips": n_clips,
        "inside": [
            {"name": told_name(p.name), "at": _hex(p)}
            for p in sorted(inside, key=lambda p: p.name.casefold())
        ],
    }


def _hex(path: Path) -> str:
    return os.fsencode(path).hex()


def _from_hex(text: str) -> Path:
    try:
        return Path(os.fsdecode(bytes.fromhex(text)))
    except ValueError:
        raise nothing_here() from None


# --- the routes -----------------------------------------------------------------------------------


def page(template: str, status: int = 200, **context: Any) -> Response:
    """A page of the desk."""
    html = pages.fill(f"desk/{template}", **context)
    return Response(html, status, PAGE_HEADERS, "text/html")


def told(request: Request, error: Exception) -> Response:
    """An error, as a page for people and as JSON for the script."""
    if "text/html" not in request.headers.get("accept", ""):
        return local.as_json(request, error)
    refusal = refusal_of(error)
    root = request.scope.get("root_path", "").split("/")[:2]
    home = f"{'/'.join(root)}/"
    return page("problem.html", refusal.status, sentence=str(refusal), home=home)


async def form_of(request: Request, desk: Desk) -> dict[str, list[str]]:
    """What a form of ours was filled with, by field."""
    body = await body_of(request, [FORM], "A form", desk.config.max_form_bytes)
    fields: dict[str, list[str]] = {}
    for name, value in parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True):
        fields.setdefault(name, []).append(value)
    return fields


def back_to(request: Request, bench: Bench, mark: str = "") -> Response:
    """Send the browser to a bench's page after a form."""
    root = request.scope.get("root_path", "").split("/")[1]
    tail = f"#{mark}" if mark else ""
    return RedirectResponse(f"/{root}/{bench.key}/{tail}", HTTPStatus.SEE_OTHER)


def routes(desk: Desk) -> list[BaseRoute]:
    """What the desk answers."""

    def first(request: Request) -> Response:
        return back_to(request, desk.own)

    def static(request: Request) -> Response:
        file = STATIC_FILES.get(request.path_params["name"])
        if file is None:
            raise nothing_here()
        return FileResponse(file)

    def show(request: Request) -> Response:
        return page("bench.html", **bench_shown(desk, desk.bench(request)))

    def state(request: Request) -> Response:
        bench = desk.bench(request)
        jobs = [job for job in desk.queue.jobs() if job.task.bench == bench.key]
        working = [job for job in jobs if job.state == WORKING]
        return JSONResponse(
            {
                "version": version_of(desk, bench),
                "busy": any(job.state in (WORKING, WAITING) for job in jobs),
                "said": last_said(jobs),
                "jobs": [
                    {
                        "key": j.task.key,
                        "stage": title_case(j.stage or ABOUT_TO),
                        "share": j.share,
                    }
                    for j in working
                ],
            }
        )

    async def do(request: Request) -> Response:
        form = await form_of(request, desk)
        bench = desk.bench(request)
        await run_in_threadpool(act, desk, bench, form)
        return back_to(request, bench, "clips")

    async def work(request: Request) -> Response:
        form = await form_of(request, desk)
        bench = desk.bench(request)
        mine = [j.task.key for j in desk.queue.jobs() if j.task.bench == bench.key]
        keys = mine if "all" in form.get("job", []) else form.get("job", [])
        orders = {
            "stop": desk.queue.stop,
            "go": desk.queue.go_on,
            "forget": desk.queue.forget,
        }
        order = orders.get((form.get("do") or [""])[0])
        if order is None:
            raise OptionError("This is not known here.")
        await run_in_threadpool(order, keys)
        return back_to(request, bench, "work")

    def details(request: Request) -> Response:
        bench, clip = desk.clip(request)
        return page("clip.html", **details_shown(desk, bench, clip))

    async def save_details(request: Request) -> Response:
        form = await form_of(request, desk)
        bench, clip = await run_in_threadpool(desk.clip, request)
        values = {field: (form.get(field) or [""])[0] for field in shelf.FIELDS}

        def save() -> None:
            with desk.writing:
                shelf.set_labels(bench, clip.name, values, (form.get("mark") or [""])[0])
            if "measure" in form or clip.result is not None:
                desk.queue.add(SET, bench, [clip.name], anew=True)

        try:
            await run_in_threadpool(save)
        except BarpathError as error:
            _, now = await run_in_threadpool(desk.clip, request)
            shown = details_shown(desk, bench, now, str(error))
            return page("clip.html", HTTPStatus.BAD_REQUEST, **shown)
        return back_to(request, bench, clip.stem)

    def made(request: Request) -> Response:
        bench = desk.bench(request)
        place = request.path_params["place"]
        file = (bench.home / place).resolve()
        first = place.split("/")[0]
        allowed = first in PLACES and file.suffix in KINDS
        if not (allowed and bench.home / first in file.parents and file.is_file()):
            raise nothing_here()
        save = "save" in request.query_params
        name = f"{file.parent.name}-{file.name}" if save else None
        return FileResponse(file, headers=local.MADE_HEADERS, filename=name)

    async def upload(request: Request) -> Response:
        kept = await take(desk, request)
        return JSONResponse({"name": kept})

    def folders(request: Request) -> Response:
        at = request.query_params.get("at", "")
        return page("folders.html", **folders_shown(_from_hex(at) if at else Path.home()))

    async def open_folder(request: Request) -> Response:
        form = await form_of(request, desk)
        typed = (form.get("path") or [""])[0].strip()
        chosen = Path(typed).expanduser() if typed else _from_hex((form.get("at") or [""])[0])

        def opened() -> Bench:
            with desk.writing:
                return shelf.open_folder(desk.home, chosen)

        return back_to(request, await run_in_threadpool(opened))

    async def close(request: Request) -> Response:
        await form_of(request, desk)
        # The browser still has to fetch what the last page looks like.
        asyncio.get_running_loop().call_later(desk.config.last_s, desk.closing)
        return page("closed.html")

    corrections = local.site(touchup.routes(desk.session, back="../../"), told)
    return [
        Route("/", first),
        Route("/static/{name}", static),
        Route("/folders", folders),
        Route("/folders", open_folder, methods=["POST"]),
        Route("/close", close, methods=["POST"]),
        Route("/{bench}/", show),
        Route("/{bench}/state", state),
        Route("/{bench}/do", do, methods=["POST"]),
        Route("/{bench}/work", work, methods=["POST"]),
        Route("/{bench}/upload", upload, methods=["POST"]),
        Route("/{bench}/clip/{stem}", details),
        Route("/{bench}/clip/{stem}", save_details, methods=["POST"]),
        Route("/{bench}/out/{place:path}", made),
        Mount("/{bench}/fix/{stem}", corrections),
    ]


def details_shown(desk: Desk, bench: Bench, clip: Clip, problem: str = "") -> dict[str, Any]:
    """All that the page of a clip's details shows."""
    entry = clip.entry
    numbers = {
        "load_kg": entry.load_kg,
        "plate_mm": entry.plate_mm,
        "stature_cm": None if entry.stature_m is None else 100 * entry.stature_m,
        "upper_arm_cm": None if entry.upper_arm_m is None else 100 * entry.upper_arm_m,
        "capture_fps": entry.capture_fps,
    }
    values = {name: "" if value is None else f"{value:g}" for name, value in numbers.items()}
    values |= {name: getattr(entry, name) for name in ("date", "view", "technique", "pair")}
    values["lifter"] = "" if entry.lifter == "lifter" else entry.lifter
    others = shelf.entries_of(bench)
    fields = [
        {
            "name": name,
            "label": FIELD_WORDS[name][0],
            "hint": FIELD_WORDS[name][1],
            "value": values[name],
            "guess": clip.guessed.get(name, ""),
            "known": sorted({getattr(e, name) for e in others} - {"", "lifter"})
            if name in ("lifter", "technique")
            else [],
        }
        for name in shelf.FIELDS
    ]
    mine = [j for j in desk.queue.jobs() if j.task.bench == bench.key]
    jobs = {j.task.clips[0]: j for j in mine if j.task.kind == SET}
    checks = {j.task.clips[0]: j.state for j in mine if j.task.kind == CHECK}
    row = _clip_shown(bench, clip, jobs.get(clip.name), checks.get(clip.name, ""))
    return {
        "bench": bench,
        "clip": row,
        "fields": [f for f in fields if f["name"] not in MORE_FIELDS],
        "more": [f for f in fields if f["name"] in MORE_FIELDS],
        "views": [(v, VIEW_WORDS[v]) for v in CHOICES],
        "mark": shelf.labels_mark(entry),
        "problem": problem,
        "title": clip.name,
    }


async def take(desk: Desk, request: Request) -> str:
    """Take a clip in, piece by piece onto the disk; the name under which it is kept."""
    bench = desk.bench(request)
    if bench.key != OWN:
        raise OptionError("Put clips of a folder that was opened into that folder.")
    name = request.query_params.get("name", "")
    shelf.safe_name(name)
    length = request.headers.get("content-length", "")
    if not length.isdecimal() or len(length) > 15:
        raise RefusedError(HTTPStatus.LENGTH_REQUIRED, "The length of the clip is not said.")
    if shutil.disk_usage(bench.clips).free < int(length) + desk.config.spare_bytes:
        raise RefusedError(
            HTTPStatus.INSUFFICIENT_STORAGE, "There is not enough room on the disk for this clip."
        )
    part = bench.clips / f".upload.part-{secrets.token_hex(4)}"
    try:
        with await run_in_threadpool(part.open, "wb") as file:
            piece = bytearray()
            async for chunk in request.stream():
                piece += chunk
                if len(piece) >= PIECE_BYTES:
                    await run_in_threadpool(file.write, piece)
                    piece = bytearray()
            await run_in_threadpool(file.write, piece)
            await run_in_threadpool(file.flush)
            await run_in_threadpool(os.fsync, file.fileno())

        def keep() -> str:
            with desk.writing:
                return shelf.add(bench, part, name, _moment(request))

        kept = await run_in_threadpool(keep)
    except ClientDisconnect:
        raise OptionError("The clip did not come to its end.") from None
    except OSError as error:
        raise OutputError(f"The clip cannot be kept: {reason_of(error)}.") from error
    finally:
        part.unlink(missing_ok=True)
    desk.queue.add(CHECK, bench, [kept])
    return kept


def _moment(request: Request) -> datetime | None:
    """The file's date, as the browser tells it in milliseconds."""
    with suppress(KeyError, ValueError, OverflowError, OSError):
        return datetime.fromtimestamp(int(request.query_params["modified"]) / 1000, UTC)
    return None


# --- serving --------------------------------------------------------------------------------------


@contextlib.contextmanager
def serving(desk: Desk, port: int = 0) -> Iterator[local.Served]:
    """Bind a desk to the loopback address and begin to work; the caller runs `serve_forever`.

    Parameters
    ----------
    desk : Desk
    port : int
        0 takes one that is free.

    Raises
    ------
    OptionError
        The port cannot be had.
    """
    with local.serving(local.site(routes(desk), told), port) as served:
        desk.closing = served.shutdown
        desk.queue.start()
        try:
            yield served
        finally:
            desk.close()


def run(folder: Path, *, port: int = 0, ready: Callable[[str], None] = print) -> None:
    """Serve a desk until it is closed on the page, or by Ctrl-C.

    A desk that is open already is not opened twice: its address is given to `ready` and this
    returns.

    Parameters
    ----------
    folder : Path
    port : int
    ready : callable
        Given the page's address once it answers.

    Raises
    ------
    OutputError, OptionError
        As for `Desk` and `serving`.
    """
    home = shelf.open_desk(folder).home
    with _alone(home) as alone:
        if not alone:
            ready(_address_of(home))
            return
        with serving(Desk(folder), port) as served, contextlib.suppress(KeyboardInterrupt):
            _tell_address(home / OPEN_FILE, served.address)
            try:
                ready(served.address)
                served.serve_forever()
            finally:
                (home / OPEN_FILE).unlink(missing_ok=True)


def _tell_address(file: Path, address: str) -> None:
    """Write down where an open desk answers; nobody else may read it."""
    file.unlink(missing_ok=True)
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as written:
        written.write(json_bytes({"address": address}))


def _address_of(home: Path) -> str:
    with suppress(OSError, ValueError, KeyError, TypeError):
        return str(read_json(home / OPEN_FILE)["address"])
    raise OutputError(f"The desk '{home}' is open already, in another window.")


@contextlib.contextmanager
def _alone(home: Path) -> Iterator[bool]:
    """Whether no other program has this desk open; the system frees the lock of a killed one."""
    if fcntl is None:
        yield True
        return
    with (home / ".lock").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            yield False
            return
        yield True
