"""The page's addresses. Sessions and files are known by keys; no path is ever taken."""

from __future__ import annotations

import threading
from collections.abc import Callable
from decimal import Decimal, InvalidOperation
from importlib.resources import files
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Route

from dictate.errors import UserFault
from dictate.figure.drawing import figure_style
from dictate.outputs.folder import write_outputs
from dictate.outputs.note import compose_note, render_note
from dictate.review.editing import added, alternative, changed
from dictate.review.guards import Door, Guard
from dictate.review.pages import draw, fault_page, finding_form, list_page, session_page
from dictate.review.reviewed import OpenSession, Who
from dictate.review.shelf import Shelf
from dictate.review.waveform import waveform
from dictate.session.entries import Person

_SOUND_KINDS: Final = {
    ".wav": "audio/wav",
    ".flac": "audio/flac",
    ".ogg": "audio/ogg",
    ".opus": "audio/ogg",
    ".mp3": "audio/mpeg",
    ".m4a": "audio/mp4",
    ".mp4": "audio/mp4",
    ".webm": "audio/webm",
}
_STATIC: Final = {
    "review.css": "text/css",
    "review.js": "text/javascript",
    "figure.css": "text/css",
}
# The note has no script and its style inside; nothing may be loaded or run by it.
_NOTE_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; sandbox; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)


class Change(BaseModel):
    """What the page sends; which of it is used depends on the act.

    ``head`` is the journal's head that the page had shown, so that two windows cannot
    change the same session unseen.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    head: str = Field(default="", max_length=64)
    finding: str = Field(default="", max_length=200)
    alternative: int | None = None
    rule: str = Field(default="", max_length=200)
    sentence: str = Field(default="", max_length=8000)
    criterion: str = Field(default="", max_length=200)
    points: str = Field(default="", max_length=20)
    seconds: float | None = Field(default=None, ge=0, le=10_000_000)
    text: str = Field(default="", max_length=4000)
    typed: dict[str, str] = Field(default_factory=dict, max_length=30)


class WhoSent(BaseModel):
    """Who says to be at the page."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    code: Person
    role: str = Field(pattern=r"^(learner|instructor)$")


class Review:
    """The page over one folder of sessions.

    Args:
        shelf: the sessions.
        door: who may come in.
        who: the person at the page, until they say otherwise.
    """

    def __init__(self, shelf: Shelf, door: Door, who: Who) -> None:
        self._shelf = shelf
        self._who = who
        self._waves = threading.Lock()
        self._acts: dict[str, Callable[[OpenSession, Change], str]] = {
            "accept": self._accept,
            "change": self._change,
            "reject": self._reject,
            "add": self._add,
            "acknowledge": self._acknowledge,
            "undo": self._undo,
            "score": self._score,
            "comment": self._comment,
            "sign": self._sign,
            "amend": self._amend,
            "write": self._write,
        }
        page = Starlette(
            routes=[
                Route("/", self._start, methods=["GET"]),
                Route("/who", self._be, methods=["POST"]),
                Route("/static/{name}", self._static, methods=["GET"]),
                Route("/s/{key}/", self._page, methods=["GET"]),
                Route("/s/{key}/sound", self._sound, methods=["GET"]),
                Route("/s/{key}/waveform", self._waveform, methods=["GET"]),
                Route("/s/{key}/form", self._form, methods=["GET"]),
                Route("/s/{key}/note", self._note, methods=["GET"]),
                Route("/s/{key}/do/{act}", self._do, methods=["POST"]),
            ],
            exception_handlers={
                UserFault: _told,
                HTTPException: _refused,
                Exception: _broken,
            },
        )
        self.app = Guard(page, door)

    def _start(self, request: Request) -> Response:
        if self._shelf.single:
            (key,) = self._shelf.folders()
            return RedirectResponse(f"/s/{key}/", status_code=303)
        return HTMLResponse(list_page(self._shelf, self._who))

    async def _be(self, request: Request) -> Response:
        sent = _read(TypeAdapter(WhoSent), await request.body())
        self._who = Who(sent.code.strip() or "learner", sent.role)
        return JSONResponse({"code": self._who.code, "role": self._who.role})

    def _static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _STATIC:
            raise HTTPException(404)
        if name == "figure.css":
            text = figure_style()
        else:
            text = (files("dictate.review") / "static" / name).read_text(encoding="utf-8")
        return Response(text, media_type=_STATIC[name])

    def _page(self, request: Request) -> Response:
        session = self._session(request)
        with session.turn:
            sound = self._shelf.sound_of(session) is not None
            key = request.path_params["key"]
            return HTMLResponse(session_page(session, self._who, key, self._shelf.single, sound))

    def _sound(self, request: Request) -> Response:
        path = self._shelf.sound_of(self._session(request))
        if path is None:
            raise HTTPException(404)
        kind = _SOUND_KINDS.get(path.suffix.lower(), "application/octet-stream")
        return FileResponse(path, media_type=kind)

    def _waveform(self, request: Request) -> Response:
        session = self._session(request)
        path = self._shelf.sound_of(session)
        if path is None:
            raise HTTPException(404)
        with self._waves:
            peaks = waveform(path, session.info.sound_sha256, session.folder)
        return Response(peaks, media_type="application/octet-stream")

    def _form(self, request: Request) -> Response:
        session = self._session(request)
        asked = request.query_params.get("finding", "")
        with session.turn:
            finding = session.finding(asked) if asked else None
            item = finding.item if finding is not None else request.query_params.get("item", "")
            if item not in session.catalogue.items:
                raise UserFault("The exam data knows no such item; choose one from the list.")
            return HTMLResponse(finding_form(session, item, finding))

    def _note(self, request: Request) -> Response:
        session = self._session(request)
        with session.turn:
            note = compose_note(session.session, session.catalogue)
        answer = HTMLResponse(render_note(note, "html"))
        answer.headers["content-security-policy"] = _NOTE_POLICY
        return answer

    async def _do(self, request: Request) -> Response:
        act = self._acts.get(request.path_params["act"])
        if act is None:
            raise HTTPException(404)
        change = _read(TypeAdapter(Change), await request.body())
        return await run_in_threadpool(self._done, act, request, change)

    def _done(
        self, act: Callable[[OpenSession, Change], str], request: Request, change: Change
    ) -> Response:
        session = self._session(request)
        with session.turn:
            if change.head != session.head:
                raise UserFault(
                    "The session was changed in another window meanwhile; load the page again."
                )
            told = act(session, change)
            return JSONResponse(
                {"told": told, "head": session.head, "parts": draw(session, self._who).parts}
            )

    def _session(self, request: Request) -> OpenSession:
        try:
            return self._shelf.session(request.path_params["key"])
        except KeyError:
            raise HTTPException(404) from None

    def _accept(self, session: OpenSession, change: Change) -> str:
        session.accept(self._who, change.finding)
        return "Accepted."

    def _change(self, session: OpenSession, change: Change) -> str:
        before = session.finding(change.finding)
        if change.alternative is not None:
            after = alternative(before, change.alternative)
        else:
            after = changed(before, change.typed, session.catalogue)
        session.change(self._who, change.finding, after, change.text)
        return "Changed."

    def _reject(self, session: OpenSession, change: Change) -> str:
        session.reject(self._who, change.finding, change.text)
        return "Rejected; it stays in the record as struck."

    def _add(self, session: OpenSession, change: Change) -> str:
        seconds = session.session.info.seconds
        finding = added(change.typed, session.catalogue, session.hand_number(), seconds)
        session.add(self._who, finding, change.text)
        return "Added, marked as entered by hand."

    def _acknowledge(self, session: OpenSession, change: Change) -> str:
        session.acknowledge(self._who, change.rule, change.sentence)
        return "Remark noted as seen."

    def _undo(self, session: OpenSession, change: Change) -> str:
        session.undo(self._who)
        return "Taken back."

    def _score(self, session: OpenSession, change: Change) -> str:
        points: Decimal | None = None
        if change.points.strip():
            try:
                points = Decimal(change.points.strip().replace(",", "."))
            except InvalidOperation:
                points = Decimal("NaN")
            if not (points.is_finite() and abs(points) < 1_000_000 and points == round(points, 4)):
                raise UserFault("A mark is a number, such as 1.5.")
        session.score(self._who, change.criterion, points, change.text)
        return "Mark noted." if points is not None else "Mark taken away."

    def _comment(self, session: OpenSession, change: Change) -> str:
        session.comment(self._who, change.seconds, change.text)
        return "Comment pinned." if change.seconds is not None else "Comment noted."

    def _sign(self, session: OpenSession, change: Change) -> str:
        session.sign(self._who, change.text)
        self._write(session, change)
        return "Signed. The record is closed and its outputs are written."

    def _amend(self, session: OpenSession, change: Change) -> str:
        session.amend(self._who, change.text)
        # The files beside the journal must not go on saying that the record is closed.
        self._write(session, change)
        return (
            "Open again, and the outputs beside the journal say so; copies made before still say "
            "'final'. Sign when the change is done."
        )

    def _write(self, session: OpenSession, change: Change) -> str:
        written = write_outputs(
            session.session, session.catalogue, session.folder, journal_head=session.head
        )
        return f"{len(written)} files written into the session's folder."


def _read(kind: TypeAdapter[Any], body: bytes) -> Any:
    try:
        return kind.validate_json(body)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"]) or "the whole"
        raise UserFault(f"What was sent does not fit at '{where}': {first['msg']}.") from error


def _told(request: Request, error: Exception) -> Response:
    if request.method == "POST" or request.url.path.endswith(("/form", "/waveform")):
        return JSONResponse({"fault": str(error)}, status_code=409)
    return HTMLResponse(fault_page(str(error)), status_code=409)


def _refused(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    sentence = "There is nothing at this address." if status == 404 else "This cannot be done here."
    if request.method == "POST":
        return JSONResponse({"fault": sentence}, status_code=status)
    return HTMLResponse(fault_page(sentence), status_code=status)


def _broken(request: Request, error: Exception) -> Response:
    # The terminal gets the traceback from the server; the page only says that it happened.
    sentence = "Something went wrong in the program; the journal is untouched. Load the page again."
    if request.method == "POST":
        return JSONResponse({"fault": sentence}, status_code=500)
    return HTMLResponse(fault_page(sentence), status_code=500)
