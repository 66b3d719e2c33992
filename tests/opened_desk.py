"""A desk that is open, for tests of its server and of its pages."""

import contextlib
import http.client
import json
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

import pytest

from barpath.page.desk import Desk, DeskConfig, queue, serving
from barpath.page.desk.queue import WAITING, WORKING
from tests import forking
from tests.fake_desk import PROGRAMME
from tests.in_process import here

HOSTILE = '"><img src=x onerror=alert(1)>\u202e.mp4'


@contextlib.contextmanager
def opened(home: Path, *, as_for_users: bool = False) -> Iterator[SimpleNamespace]:
    """A desk that is served; unless `as_for_users`, its work is `forked`."""
    desk = Desk(home, DeskConfig(programme=PROGRAMME, spare_bytes=0))
    with contextlib.nullcontext() if as_for_users else forked(), serving(desk) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            parts = urlsplit(server.address)
            yield SimpleNamespace(
                desk=desk,
                home=desk.home,
                address=server.address,
                port=parts.port,
                base=parts.path,
                thread=thread,
            )
        finally:
            server.shutdown()
            thread.join()


@contextlib.contextmanager
def forked() -> Iterator[None]:
    """Work off what a desk has to do in processes that need not load it, nor start workers."""
    context = forking.context()

    def process(target: Callable[..., None], args: tuple[Any, ...]) -> Any:
        return context.Process(target=_without_workers, args=(target, args))

    stand_in = SimpleNamespace(Pipe=context.Pipe, Process=process)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(queue, "multiprocessing", SimpleNamespace(get_context=lambda _: stand_in))
        yield


def _without_workers(target: Callable[..., None], args: tuple[Any, ...]) -> None:
    with here():
        target(*args)


def ask(
    page: SimpleNamespace,
    path: str,
    form: dict[str, Any] | None = None,
    body: Any = None,
    **headers: str,
) -> SimpleNamespace:
    link = http.client.HTTPConnection("127.0.0.1", page.port, timeout=240)
    method = "GET" if form is None and body is None else "POST"
    if form is not None:
        body = urlencode(form, doseq=True).encode()
        headers = {"Content-Type": "application/x-www-form-urlencoded"} | headers
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    try:
        link.request(method, page.base + path, body, sent)
        answer = link.getresponse()
        return SimpleNamespace(
            status=answer.status, headers=answer.headers, body=answer.read().decode("utf-8")
        )
    finally:
        link.close()


def upload(page: SimpleNamespace, name: str, data: bytes) -> str:
    answer = ask(page, f"own/upload?name={quote(name)}&modified=1772445600000", body=data)
    assert answer.status == 200, answer.body
    return json.loads(answer.body)["name"]


def waited(true: Any, limit_s: float = 240.0) -> Any:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if value := true():
            return value
        time.sleep(0.05)
    raise AssertionError("never came true")


def settled(page: SimpleNamespace) -> list[Any]:
    """All jobs, once none waits or is at work."""
    return waited(
        lambda: (
            all(j.state not in (WAITING, WORKING) for j in page.desk.queue.jobs())
            and page.desk.queue.jobs()
        )
    )
