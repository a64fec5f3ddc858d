"""The page, really listening on a port of this machine."""

from __future__ import annotations

import contextlib
import http.client
import json
import threading
import time
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from dictate.exam.course import Checklist, usual_checklist
from dictate.exam.reading import load_catalogue
from dictate.review.guards import Door
from dictate.review.reviewed import Role, Who
from dictate.review.serving import listening, server
from dictate.review.shelf import Shelf
from tests.review.invented import write_session


@lru_cache(maxsize=1)
def usual(course: str = "") -> Checklist:
    return usual_checklist(load_catalogue())


class Answer(NamedTuple):
    status: int
    headers: http.client.HTTPMessage
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode("utf-8")

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Page:
    """A running page and a client that sends exactly what it is told to."""

    def __init__(self, root: Path, port: int, door: Door, shelf: Shelf, told: list[str]) -> None:
        self.root = root
        self.port = port
        self.door = door
        self.shelf = shelf
        self.told = told
        self.host = f"127.0.0.1:{port}"
        self.cookie = ""

    @property
    def key(self) -> str:
        return next(iter(self.shelf.folders()))

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: dict[str, str] | None = None,
        cookie: str | None = None,
    ) -> Answer:
        held = {"Host": self.host, "Cookie": self.cookie if cookie is None else cookie}
        held |= headers or {}
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in held.items():
                if value:
                    line.putheader(name, value)
            if body is not None and "Content-Length" not in held:
                line.putheader("Content-Length", str(len(body)))
            line.endheaders(body)
            got = line.getresponse()
            return Answer(got.status, got.headers, got.read())
        finally:
            line.close()

    def get(self, path: str, **more: Any) -> Answer:
        return self.ask("GET", path, **more)

    def post(self, path: str, sent: object, **headers: str) -> Answer:
        own = {"Origin": f"http://{self.host}", "Content-Type": "application/json"}
        content = sent if isinstance(sent, bytes) else json.dumps(sent).encode()
        return self.ask(
            "POST", path, content, own | {k.replace("_", "-"): v for k, v in headers.items()}
        )

    def enter(self) -> None:
        """Come in as the browser does: the opening address, then its cookie."""
        answer = self.get(self.door.address.removeprefix(f"http://{self.host}"), cookie="")
        assert answer.status == 303, answer.text
        self.cookie = answer.headers["set-cookie"].partition(";")[0]

    def do(self, act: str, **sent: Any) -> Answer:
        """Change the session as the page would, with the journal's present head."""
        head = sent.pop("head", self.shelf.session(self.key).head)
        return self.post(f"/s/{self.key}/do/{act}", {"head": head, **sent})

    def be(self, code: str, role: Role) -> None:
        assert self.post("/who", {"code": code, "role": role}).status == 200


@contextlib.contextmanager
def running(root: Path, role: Role = "learner", code: str = "ln-04") -> Iterator[Page]:
    shelf = Shelf(root, usual)
    told: list[str] = []
    with listening(0) as held:
        port = held.getsockname()[1]
        door = Door(port, told.append)
        answering = server(shelf, door, Who(code, role))
        thread = threading.Thread(target=answering.run, kwargs={"sockets": [held]}, daemon=True)
        thread.start()
        limit = time.monotonic() + 20
        while not answering.started and time.monotonic() < limit:
            time.sleep(0.01)
        assert answering.started
        try:
            yield Page(root, port, door, shelf, told)
        finally:
            answering.should_exit = True
            thread.join(20)
            shelf.close()


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    """The page over one fresh session, the client already inside."""
    with running(write_session(tmp_path / "session")) as held:
        held.enter()
        yield held
