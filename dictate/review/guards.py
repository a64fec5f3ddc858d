"""What keeps strangers out of the page: who may ask, for what, from where, and how much."""

from __future__ import annotations

import asyncio
import hmac
import secrets
import sys
import threading
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from typing import Final

from starlette.datastructures import Headers, MutableHeaders, QueryParams
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY: Final = 64 * 1024  # bytes; the longest comment takes a quarter of it
SLOWEST_BODY: Final = 10.0  # seconds that a body may take to arrive
PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "media-src 'self'; connect-src 'self'; form-action 'none'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
_HEADERS: Final = {
    "content-security-policy": PAGE_POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class Door:
    """The one-time word in the opening address, and the cookie that it is changed for."""

    def __init__(self, port: int, told: Callable[[str], None] | None = None) -> None:
        self.port = port
        self.cookie = f"dictate_{port}"  # cookies do not know ports, so the name has to
        self._secret = secrets.token_urlsafe(32)
        self._word = secrets.token_urlsafe(32)
        self._used: set[str] = set()
        self._turn = threading.Lock()
        self._told = told or (lambda sentence: print(sentence, file=sys.stderr, flush=True))

    @property
    def address(self) -> str:
        """Where to go; it opens the page once."""
        return f"http://127.0.0.1:{self.port}/open?word={self._word}"

    @property
    def hosts(self) -> frozenset[str]:
        """What a browser on this machine can call this page."""
        return frozenset(f"{name}:{self.port}" for name in ("127.0.0.1", "localhost"))

    def enter(self, word: str) -> Response:
        """Change the word for the cookie; a word that was used brings a new one to the terminal."""
        with self._turn:
            if hmac.compare_digest(word.encode(), self._word.encode()):
                self._used.add(self._word)
                self._word = secrets.token_urlsafe(32)
                answer = RedirectResponse("/", status_code=303)
                answer.set_cookie(
                    self.cookie, self._secret, httponly=True, samesite="strict", path="/"
                )
                return answer
            if word in self._used:
                self._used.discard(word)
                self._told(f"That address was used before; this one opens the page: {self.address}")
        return refusal(403, "This address opens the page once; use the newest one in the terminal.")

    def knows(self, headers: Headers) -> bool:
        """Whether the request carries the cookie."""
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        held = jar.get(self.cookie)
        return held is not None and hmac.compare_digest(held.value.encode(), self._secret.encode())


def refusal(status: int, sentence: str) -> Response:
    """One plain sentence."""
    return PlainTextResponse(sentence + "\n", status_code=status)


class Guard:
    """Lets through only what the page itself asks for; everything else is refused early."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Judge one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                held = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    held.setdefault(name, value)
            await send(message)

        refused = self._refused(scope, headers)
        if refused is None and scope["path"] == "/open" and scope["method"] == "GET":
            refused = self._door.enter(QueryParams(scope["query_string"]).get("word", ""))
        elif refused is None and not self._door.knows(headers):
            refused = refusal(403, "Open this page by the address shown in the terminal.")
        if refused is None and scope["method"] == "POST":
            body = await _body(receive)
            if isinstance(body, Response):
                refused = body
            else:
                receive = _given(body, receive)
        await (refused or self._app)(scope, receive, send_guarded)

    def _refused(self, scope: Scope, headers: Headers) -> Response | None:
        host = headers.get("host", "")
        if len(headers.getlist("host")) != 1 or host not in self._door.hosts:
            return refusal(421, "This name is not served here; use the address in the terminal.")
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return refusal(405, "The page is read with GET and changed with POST only.")
        site = headers.get("sec-fetch-site", "same-origin")
        if scope["method"] == "POST":
            if headers.get("origin") != f"http://{host}" or site != "same-origin":
                return refusal(403, "A change can only be made from the page itself.")
            kind = headers.get("content-type", "").partition(";")[0].strip().lower()
            if kind != "application/json":
                return refusal(415, "A change is sent as JSON.")
            length = headers.get("content-length", "0")
            if not length.isdigit() or len(length) > 12 or int(length) > LARGEST_BODY:
                return refusal(413, f"A change holds at most {LARGEST_BODY} bytes.")
        elif site not in ("same-origin", "none"):
            if headers.get("sec-fetch-dest") != "document":
                return refusal(403, "Other pages may not read this one.")
        return None


async def _body(receive: Receive) -> bytes | Response:
    parts: list[bytes] = []
    size = 0

    async def all_of_it() -> bytes | Response:
        nonlocal size
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                return refusal(400, "The request was broken off.")
            parts.append(message.get("body", b""))
            size += len(parts[-1])
            if size > LARGEST_BODY:
                return refusal(413, f"A change holds at most {LARGEST_BODY} bytes.")
            if not message.get("more_body", False):
                return b"".join(parts)

    try:
        return await asyncio.wait_for(all_of_it(), SLOWEST_BODY)
    except asyncio.TimeoutError:
        return refusal(408, "The request took too long to arrive.")


def _given(body: bytes, receive: Receive) -> Receive:
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
