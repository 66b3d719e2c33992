"""What a desk answers to requests.

The pages are whole documents made here; the script on them only sends clips, keeps what is shown
up to date by asking for the same page again, and prints. Every form can be sent without it.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import shutil
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route

from barpath.block.plan import SHEET_FIELDS
from barpath.errors import BarpathError, OptionError, OutputError, reason_of
from barpath.page import local, touchup
from barpath.page.desk import labels, shelf
from barpath.page.desk.desk import Desk
from barpath.page.desk.naming import safe_name
from barpath.page.desk.orders import act
from barpath.page.desk.queue import WAITING, WORKING
from barpath.page.desk.shelf import OWN, Bench
from barpath.page.desk.shown import (
    ABOUT_TO,
    PLACES,
    bench_shown,
    details_shown,
    folders_shown,
    last_said,
    title_case,
    version_of,
)
from barpath.page.desk.tasks import CHECK, SET
from barpath.page.local import RefusedError, body_of, nothing_here, refusal_of
from barpath.report.pages import templates

STATIC = Path(__file__).with_name("static")
STATIC_FILES = {
    "desk.css": STATIC / "desk.css",
    "desk.js": STATIC / "desk.js",
    "report.css": touchup.ASSETS / "report.css",
}
TEMPLATES = Path(__file__).with_name("templates")
KINDS = {".html", ".mp4", ".jpg", ".png", ".csv", ".json"}
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


def page(template: str, status: int = 200, **context: Any) -> Response:
    """A page of the desk."""
    html = templates(desk=TEMPLATES).get_template(f"desk/{template}").render(**context)
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


def _first(desk: Desk, request: Request) -> Response:
    """Send the browser to the desk's own bench."""
    return back_to(request, desk.own)


def _static(request: Request) -> Response:
    """A file of the pages' style or script."""
    file = STATIC_FILES.get(request.path_params["name"])
    if file is None:
        raise nothing_here()
    return FileResponse(file)


def _show(desk: Desk, request: Request) -> Response:
    """The page of a bench."""
    return page("bench.html", **bench_shown(desk, desk.bench(request)))


def _state(desk: Desk, request: Request) -> Response:
    """What the script asks for to keep a bench's page up to date."""
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


async def _do(desk: Desk, request: Request) -> Response:
    """Do what the form of a bench's clips asks for."""
    form = await form_of(request, desk)
    bench = desk.bench(request)
    await run_in_threadpool(act, desk, bench, form)
    return back_to(request, bench, "clips")


async def _work(desk: Desk, request: Request) -> Response:
    """Stop work, let it go on, or take it off the list."""
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


def _details(desk: Desk, request: Request) -> Response:
    """The page of a clip's details."""
    bench, clip = desk.clip(request)
    return page("clip.html", **details_shown(desk, bench, clip))


async def _save_details(desk: Desk, request: Request) -> Response:
    """Take over what a form said of a clip, and measure it with that."""
    form = await form_of(request, desk)
    bench, clip = await run_in_threadpool(desk.clip, request)
    values = {field: (form.get(field) or [""])[0] for field in SHEET_FIELDS}

    def save() -> None:
        with desk.writing:
            labels.set_labels(bench, clip.name, values, (form.get("mark") or [""])[0])
        if "measure" in form or clip.result is not None:
            desk.queue.add(SET, bench, [clip.name], anew=True)

    try:
        await run_in_threadpool(save)
    except BarpathError as error:
        _, now = await run_in_threadpool(desk.clip, request)
        shown = details_shown(desk, bench, now, str(error))
        return page("clip.html", HTTPStatus.BAD_REQUEST, **shown)
    return back_to(request, bench, clip.stem)


def _made(desk: Desk, request: Request) -> Response:
    """A file of results."""
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


async def _upload(desk: Desk, request: Request) -> Response:
    """Take a clip in."""
    kept = await take(desk, request)
    return JSONResponse({"name": kept})


def _folders(request: Request) -> Response:
    """Folders of this machine, to choose one from."""
    at = request.query_params.get("at", "")
    return page("folders.html", **folders_shown(_from_hex(at) if at else Path.home()))


async def _open_folder(desk: Desk, request: Request) -> Response:
    """Put a folder of clips on a bench of its own."""
    form = await form_of(request, desk)
    typed = (form.get("path") or [""])[0].strip()
    chosen = Path(typed).expanduser() if typed else _from_hex((form.get("at") or [""])[0])

    def opened() -> Bench:
        with desk.writing:
            return shelf.open_folder(desk.home, chosen)

    return back_to(request, await run_in_threadpool(opened))


async def _close(desk: Desk, request: Request) -> Response:
    """Close the desk."""
    await form_of(request, desk)
    # The browser still has to fetch what the last page looks like.
    asyncio.get_running_loop().call_later(desk.config.last_s, desk.closing)
    return page("closed.html")


def routes(desk: Desk) -> list[BaseRoute]:
    """What the desk answers."""
    corrections = local.site(touchup.routes(desk.session, back="../../"), told)
    return [
        Route("/", partial(_first, desk)),
        Route("/static/{name}", _static),
        Route("/folders", _folders),
        Route("/folders", partial(_open_folder, desk), methods=["POST"]),
        Route("/close", partial(_close, desk), methods=["POST"]),
        Route("/{bench}/", partial(_show, desk)),
        Route("/{bench}/state", partial(_state, desk)),
        Route("/{bench}/do", partial(_do, desk), methods=["POST"]),
        Route("/{bench}/work", partial(_work, desk), methods=["POST"]),
        Route("/{bench}/upload", partial(_upload, desk), methods=["POST"]),
        Route("/{bench}/clip/{stem}", partial(_details, desk)),
        Route("/{bench}/clip/{stem}", partial(_save_details, desk), methods=["POST"]),
        Route("/{bench}/out/{place:path}", partial(_made, desk)),
        Mount("/{bench}/fix/{stem}", corrections),
    ]


async def take(desk: Desk, request: Request) -> str:
    """Take a clip in, piece by piece onto the disk; the name under which it is kept."""
    bench = desk.bench(request)
    if bench.key != OWN:
        raise OptionError("Put clips of a folder that was opened into that folder.")
    name = request.query_params.get("name", "")
    safe_name(name)
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
                return labels.add(bench, part, name, _moment(request))

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


def _from_hex(text: str) -> Path:
    try:
        return Path(os.fsdecode(bytes.fromhex(text)))
    except ValueError:
        raise nothing_here() from None
