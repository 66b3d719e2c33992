"""Pages for this machine alone: what every server of ours binds to, refuses and sends along.

A server is bound to the loopback address and answers only what carries the random token of its run
as the first part of the path. A page from elsewhere could point a name of its own at this machine
(DNS rebinding) or send requests from the browser: the Host header must be a loopback name with the
right port, and requests that other pages caused are refused. What is sent back forbids everything
that a page does not need.
"""

from __future__ import annotations

import contextlib
import secrets
import socket
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from barpath.errors import BarpathError, OptionError

LOOPBACK = "127.0.0.1"
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
NOTHING_HERE = "There is nothing at this address."
_HEADERS = {
    "Content-Security-Policy": PAGE_POLICY,
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


def headers_of(policy: Mapping[str, str]) -> dict[str, str]:
    """Headers of an answer whose content security policy is another.

    Examples
    --------
    >>> headers_of({"default-src": "'none'", "img-src": "'self'"})
    {'Content-Security-Policy': "default-src 'none'; img-src 'self'"}
    """
    return {"Content-Security-Policy": "; ".join(f"{k} {v}" for k, v in policy.items())}


# Results stand in a folder that others may have filled: no script in them is ever run.
MADE_HEADERS = headers_of(
    {
        "default-src": "'none'",
        "style-src": "'unsafe-inline'",
        "img-src": "'self' data:",
        "media-src": "'self' data:",
        "base-uri": "'none'",
        "form-action": "'none'",
        "frame-ancestors": "'self'",
    }
)


class RefusedError(BarpathError):
    """A request that is not answered as asked."""

    def __init__(self, status: HTTPStatus, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


def nothing_here() -> RefusedError:
    """The refusal of an address at which there is nothing."""
    return RefusedError(HTTPStatus.NOT_FOUND, NOTHING_HERE)


def refusal_of(error: Exception) -> RefusedError:
    """What is told of an error: its status and one sentence."""
    match error:
        case RefusedError():
            return error
        case BarpathError():
            return RefusedError(HTTPStatus.BAD_REQUEST, str(error))
        case HTTPException(status_code=404):
            return nothing_here()
        case HTTPException(status_code=status):
            return RefusedError(HTTPStatus(status), "This cannot be asked of this address.")
    return RefusedError(
        HTTPStatus.INTERNAL_SERVER_ERROR,
        f"Something went wrong inside ({type(error).__name__}: {error}).",
    )


def as_json(request: Request, error: Exception) -> Response:
    """An error as JSON, for scripts."""
    refusal = refusal_of(error)
    return JSONResponse({"error": str(refusal)}, refusal.status, {"Connection": "close"})


def site(routes: Sequence[BaseRoute], told: Any = as_json) -> Starlette:
    """An application whose errors are told in one sentence.

    Parameters
    ----------
    routes : sequence of BaseRoute
    told : callable
        Given a request and an error, returns the answer.
    """
    kinds = (HTTPException, BarpathError, Exception)
    app = Starlette(routes=routes, exception_handlers=dict.fromkeys(kinds, told))
    app.router.redirect_slashes = False
    return app


async def body_of(request: Request, kinds: Collection[str], what: str, most_bytes: int) -> bytes:
    """The body of a request, of a stated kind and bounded length.

    Raises
    ------
    RefusedError
        It is of another kind, its length is not said, or it is too long.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in kinds:
        raise RefusedError(
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"{what} must be sent as {' or '.join(kinds)}."
        )
    length = request.headers.get("content-length", "")
    if not length.isdecimal() or "transfer-encoding" in request.headers:
        raise RefusedError(HTTPStatus.LENGTH_REQUIRED, f"{what}: the length is not said.")
    if len(length) > 12 or int(length) > most_bytes:
        raise RefusedError(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"{what}: this is too large.")
    return await request.body()


class _Guard:
    """Lets only what may be answered through to an application."""

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self._app, self._token = app, token
        self._names = {f"{LOOPBACK}:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            self._admit(Headers(scope=scope), scope["path"])
        except RefusedError as refusal:
            answer: ASGIApp = as_json(Request(scope), refusal)
        else:
            answer = self._app
            scope = dict(scope) | {"root_path": f"/{self._token}"}
            if scope["path"] == scope["root_path"]:
                answer = RedirectResponse(f"{scope['path']}/")
        await answer(scope, receive, send_safely)

    def _admit(self, headers: Headers, path: str) -> None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._names:
            raise RefusedError(HTTPStatus.FORBIDDEN, "This page answers only on this machine.")
        token = path.split("/", 2)[1] if path.startswith("/") else ""
        if not secrets.compare_digest(token.encode("utf-8", "replace"), self._token.encode()):
            raise RefusedError(
                HTTPStatus.NOT_FOUND, "Open the address that barpath printed in the terminal."
            )
        origins = {f"http://{name}" for name in self._names}
        foreign = any(origin not in origins for origin in headers.getlist("origin"))
        if foreign or headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            raise RefusedError(HTTPStatus.FORBIDDEN, "Requests of other pages are refused.")


@dataclass(frozen=True)
class Served:
    """A server that is bound.

    Attributes
    ----------
    address : str
        Of its first page, with the token of this run.
    socket : socket
    """

    address: str
    socket: socket.socket
    _server: uvicorn.Server

    def serve_forever(self) -> None:
        """Answer until `shutdown`, or Ctrl-C."""
        self._server.run(sockets=[self.socket])

    def shutdown(self) -> None:
        """Let `serve_forever` end, from another thread or a request."""
        self._server.should_exit = True


@contextlib.contextmanager
def serving(app: ASGIApp, port: int = 0, idle_s: float = 30.0) -> Iterator[Served]:
    """Bind an application to the loopback address; the caller runs `serve_forever`.

    Parameters
    ----------
    app : ASGI application
    port : int
        0 takes one that is free.
    idle_s : float
        A connection that says nothing for this long is closed.

    Yields
    ------
    Served

    Raises
    ------
    OptionError
        The port cannot be had.
    """
    if not 0 <= port <= 65535:
        raise OptionError(f"The port must lie between 0 and 65535, not {port}.")
    token = secrets.token_urlsafe(24)
    bound = socket.socket()
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((LOOPBACK, port))
        bound.listen()
    except OSError as error:
        bound.close()
        raise OptionError(f"Port {port} cannot be used: {error.strerror}.") from error
    taken = bound.getsockname()[1]
    config = uvicorn.Config(
        _Guard(app, token, taken),
        interface="asgi3",
        http="h11",
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="critical",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=int(idle_s),
        timeout_graceful_shutdown=1,
    )
    try:
        yield Served(f"http://{LOOPBACK}:{taken}/{token}/", bound, uvicorn.Server(config))
    finally:
        bound.close()
