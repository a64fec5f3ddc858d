"""Who is not let in: strangers, other sites, other names, paths that lead out."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from dictate.errors import UserFault
from dictate.review import guards
from dictate.review.guards import LARGEST_BODY
from dictate.review.serving import listening
from dictate.review.shelf import Shelf
from tests.review.conftest import Answer, Page, running, usual
from tests.review.invented import HOSTILE, write_session

ACTS = (
    "accept",
    "change",
    "reject",
    "add",
    "acknowledge",
    "undo",
    "score",
    "comment",
    "sign",
    "amend",
    "write",
)


def places(page: Page) -> list[str]:
    inside = ("", "sound", "waveform", "form?item=vitals.pulse_rate", "note")
    return [
        "/",
        "/static/review.js",
        "/static/review.css",
        "/static/figure.css",
        *(f"/s/{page.key}/{one}" for one in inside),
    ]


def journal(page: Page) -> bytes:
    return (page.root / "journal.jsonl").read_bytes()


def test_the_opening_address_works_once_and_the_next_one_is_told(page: Page) -> None:
    path = page.door.address.removeprefix(f"http://{page.host}")
    first = page.get(path, cookie="")
    kept = first.headers["set-cookie"]
    assert first.status == 303 and first.headers["location"] == "/"
    assert "HttpOnly" in kept and "samesite=strict" in kept.lower() and "Domain" not in kept
    assert page.get(path, cookie="").status == 403
    assert page.door.address in page.told[-1] and path not in page.told[-1]
    assert page.get(path, cookie="").status == 403
    assert len(page.told) == 1  # repeating an old address does not fill the terminal
    cookie = kept.partition(";")[0]
    assert page.get(f"/s/{page.key}/", cookie=cookie).status == 200


def test_without_the_cookie_nothing_is_shown_or_changed(page: Page) -> None:
    before = journal(page)
    name = page.cookie.partition("=")[0]
    for cookie in (" ", f"{name}=", f"{name}=wrong", "other=1", page.cookie[:-1], "a;;=\x7f="):
        for path in [*places(page), "/open", "/open?word=", "/open?word=wrong"]:
            answer = page.get(path, cookie=cookie)
            assert answer.status == 403, (cookie, path)
            assert page.key not in answer.text
    page.cookie = f"{name}=wrong"
    for act in ACTS:
        assert page.do(act, text="x").status == 403
    assert page.post("/who", {"code": "x", "role": "instructor"}).status == 403
    assert journal(page) == before
    assert all(page.get(path).status == 403 for path in places(page))


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "localhost", "0.0.0.0:{port}", "evil.example:{port}", ""]
)
def test_another_name_for_this_machine_is_refused(page: Page, host: str) -> None:
    for path in places(page):
        answer = page.get(path, headers={"Host": host.format(port=page.port)})
        assert answer.status in (400, 421), path
        assert page.key not in answer.text
    assert page.get("/", headers={"Host": f"localhost:{page.port}"}).status == 303


def test_two_host_headers_are_refused(page: Page) -> None:
    with socket.create_connection(("127.0.0.1", page.port), timeout=20) as line:
        line.sendall(
            f"GET /s/{page.key}/ HTTP/1.1\r\nHost: {page.host}\r\nHost: evil.example\r\n"
            f"Cookie: {page.cookie}\r\nConnection: close\r\n\r\n".encode()
        )
        assert line.recv(4096).split()[1] in (b"400", b"421")


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Origin": "https://{host}"},
        {"Origin": "http://{host}.evil.example"},
        {"Origin": "http://localhost:{port}"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"Sec_Fetch_Site": "none"},
        {"Content_Type": "text/plain"},
        {"Content_Type": "application/x-www-form-urlencoded"},
        {"Content_Type": "multipart/form-data; boundary=x"},
        {"Content_Type": ""},
    ],
    ids=str,
)
def test_another_site_cannot_write(page: Page, headers: dict[str, str]) -> None:
    before = journal(page)
    filled = {k: v.format(host=page.host, port=page.port) for k, v in headers.items()}
    sent = {"head": page.shelf.session(page.key).head, "text": "signed by a stranger"}
    for path in (f"/s/{page.key}/do/sign", f"/s/{page.key}/do/comment", "/who"):
        assert page.post(path, sent, **filled).status in (403, 415)
    assert journal(page) == before


def test_another_site_cannot_read_but_may_link(page: Page) -> None:
    for dest in ("audio", "empty", "script", "image", "iframe", ""):
        strange = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Dest": dest}
        assert all(page.get(path, headers=strange).status == 403 for path in places(page))
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Dest": "document"}
    assert page.get(f"/s/{page.key}/", headers=link).status == 200
    assert "access-control-allow-origin" not in page.get("/").headers


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"])
def test_other_methods_are_refused(page: Page, method: str) -> None:
    assert page.ask(method, f"/s/{page.key}/").status in (400, 405)


def test_reading_addresses_do_not_take_changes_and_acts_are_not_read(page: Page) -> None:
    before = journal(page)
    for path in places(page):
        assert page.post(path.partition("?")[0], {}).status == 405
    for act in ACTS:
        assert page.get(f"/s/{page.key}/do/{act}").status == 405
    assert page.do("erase").status == 404
    assert journal(page) == before


HOPS = ("..", "%2e%2e", "..%2f", "%2e%2e%2f", "..%5c", "%2e%2e%5c", "%252e%252e%252f", "....//")


@pytest.mark.parametrize("hop", HOPS)
def test_no_path_leads_out_of_the_folder(page: Page, hop: str) -> None:
    secret = page.root.parent / "secret.txt"
    secret.write_text("what nobody may read")
    join = "" if hop.endswith(("2f", "/", "5c")) else "/"
    up = hop + join
    targets = ("secret.txt", f"{up}secret.txt", f"{up * 6}etc/passwd", "journal.jsonl")
    routes = ("/{0}", "/static/{0}", "/s/{0}", "/s/{0}/", "/s/{0}/sound", "/s/{0}/waveform")
    routes += ("/s/{0}/note", "/s/{0}/form?item=x", "/s/{1}/{0}", "/s/{1}/sound/{0}")
    for target in targets:
        for route in routes:
            path = route.format(up + target, page.key)
            answer = page.get(path)
            assert answer.status in (303, 307, 404), path
            assert b"nobody may read" not in answer.body and b"root:" not in answer.body
            assert answer.headers.get("location", "/").startswith(("/", f"http://{page.host}/"))
            assert page.post(f"/s/{up}{target}/do/sign", {}).status in (404, 405)
    for name in ("server.py", "guards.py", "%00", "review.js%00", "/etc/passwd", "//etc/passwd"):
        assert page.get(f"/static/{name}").status == 404


def test_a_recording_outside_the_session_is_never_sent(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    secret = tmp_path / "elsewhere" / "secret.wav"
    secret.write_bytes(b"what nobody may read")
    shelf = tmp_path / "shelf"
    write_session(shelf / "up", sound_name="../../elsewhere/secret.wav", with_sound=False)
    write_session(shelf / "whole", sound_name=str(secret), with_sound=False)
    linked = write_session(shelf / "linked", sound_name="secret.wav", with_sound=False)
    (linked / "secret.wav").symlink_to(secret)
    beside = write_session(shelf / "beside", sound_name="other.wav", with_sound=False)
    (shelf / "other.wav").write_bytes(b"another recording of that name")
    write_session(tmp_path / "outside")
    (shelf / "link").symlink_to(tmp_path / "outside")
    with running(shelf) as page:
        page.enter()
        keys = page.shelf.folders()
        assert {path.name for path in keys.values()} == {"up", "whole", "linked", "beside"}
        assert beside in keys.values()
        for key in keys:
            assert page.get(f"/s/{key}/").status == 200
            for part in ("sound", "waveform"):
                answer = page.get(f"/s/{key}/{part}")
                assert answer.status == 404 and b"nobody" not in answer.body


class Seen(HTMLParser):
    """Collects what a browser would run or fetch."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.scripts: list[str | None] = []
        self.fetched: list[str] = []
        self.inline: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        held = dict(attrs)
        if tag == "script":
            self.scripts.append(held.get("src"))
        for name, value in attrs:
            if name in ("src", "href", "action", "srcset", "data", "poster") and value:
                self.fetched.append(value)
            if name.startswith("on") or name == "style":
                self.inline.append(f"{tag} {name}={value}")


def test_every_answer_carries_the_policy(page: Page) -> None:
    for path in [*places(page), "/nothing", "/s/none/", "/static/none"]:
        answer = page.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy, path
        script = [part for part in policy.split(";") if part.strip().startswith("script-src")]
        assert script in ([], [" script-src 'self'"])
        assert "http" not in policy and "unsafe-eval" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cache-control"] == "no-store"
        assert "server" not in answer.headers
    for refused in (page.get("/", cookie=" "), page.get("/", headers={"Host": "evil.example"})):
        assert "default-src 'none'" in refused.headers["content-security-policy"]


def test_the_page_asks_for_nothing_from_elsewhere_and_has_nothing_inline(page: Page) -> None:
    seen = Seen(page.get(f"/s/{page.key}/").text)
    assert seen.scripts == ["/static/review.js"] and not seen.inline and "style" not in seen.tags
    assert all(
        one.startswith(("/", "#", "data:,")) or one in ("note", "sound") for one in seen.fetched
    )
    assert len(seen.fetched) >= 5
    for name in ("review.js", "review.css", "figure.css"):
        text = page.get(f"/static/{name}").text
        assert "//" not in text.replace("// ", "").replace("//\n", "") and "@import" not in text
        assert "eval(" not in text and "new Function" not in text


def test_hostile_words_stay_words(tmp_path: Path) -> None:
    nasty = "<script>alert('code')</script>"
    with running(write_session(tmp_path / "session", HOSTILE, learner=nasty), code=nasty) as page:
        page.enter()
        assert page.do("comment", text="<img src=x onerror=alert(2)>", seconds=1).status == 200
        assert page.do("sign", text="</textarea><script>alert(3)</script>").status == 200
        answer = page.get(f"/s/{page.key}/")
        note = page.get(f"/s/{page.key}/note")
    seen = Seen(answer.text)
    assert seen.scripts == ["/static/review.js"] and not seen.inline and "img" not in seen.tags
    assert "&lt;script&gt;alert(" in answer.text and "{{ 7*7 }}" in answer.text
    assert seen.tags.count("h1") == 1
    noted = Seen(note.text)
    assert not noted.scripts and "img" not in noted.tags
    assert not [one for one in noted.inline if not one.split(" ", 1)[1].startswith("style=")]
    assert "sandbox" in note.headers["content-security-policy"]


def test_the_list_of_sessions_escapes_names_and_says_what_cannot_be_read(tmp_path: Path) -> None:
    write_session(tmp_path / "shelf" / "<img src=x onerror=alert(1)>", learner="<b>bold</b>")
    broken = tmp_path / "shelf" / "broken"
    broken.mkdir()
    (broken / "journal.jsonl").write_text("no journal\n")
    with running(tmp_path / "shelf") as page:
        page.enter()
        answer = page.get("/")
    seen = Seen(answer.text)
    assert "img" not in seen.tags and "b" not in seen.tags and not seen.scripts
    assert "is not a journal of this program" in answer.text


def status_unless_cut(asked: Callable[[], http.client.HTTPResponse | Answer]) -> int:
    """The answer's status, or 413 when the page closed the line before all was sent.

    Closing a socket that still holds unread bytes resets it (RFC 1122, 4.2.2.13), and the
    answer already sent may be lost with it: refused all the same.
    """
    try:
        return asked().status
    except ConnectionError:
        return 413


def test_a_large_body_is_refused_however_it_is_sent(page: Page) -> None:
    before = journal(page)
    where = f"/s/{page.key}/do/comment"
    own = {"Origin": f"http://{page.host}", "Content-Type": "application/json"}
    large = json.dumps({"text": "x" * (LARGEST_BODY + 1)}).encode()
    assert status_unless_cut(lambda: page.post(where, large)) == 413
    line = http.client.HTTPConnection("127.0.0.1", page.port, timeout=20)

    def in_pieces() -> http.client.HTTPResponse:
        line.request(
            "POST",
            where,
            body=iter([large[:40_000], large[40_000:]]),
            headers={"Cookie": page.cookie} | own,
            encode_chunked=True,
        )
        return line.getresponse()

    assert status_unless_cut(in_pieces) == 413
    line.close()
    for length in ("-1", "1e3", "999999999999999", "x"):
        answer = page.ask("POST", where, None, own | {"Content-Length": length})
        assert answer.status in (400, 413)
    assert journal(page) == before


def test_a_body_that_never_ends_is_given_up(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guards, "SLOWEST_BODY", 0.2)
    with socket.create_connection(("127.0.0.1", page.port), timeout=20) as line:
        line.sendall(
            f"POST /s/{page.key}/do/comment HTTP/1.1\r\nHost: {page.host}\r\n"
            f"Origin: http://{page.host}\r\nCookie: {page.cookie}\r\n"
            "Content-Type: application/json\r\nContent-Length: 500\r\n\r\n{".encode()
        )
        assert line.recv(4096).split()[1] == b"408"


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"null",
        b"[]",
        b"{",
        b"\xff\xfe",
        b"[" * 60_000,
        b'{"head": 7}',
        b'{"unknown": 1}',
        b'{"seconds": -1}',
        b'{"seconds": NaN}',
        b'{"seconds": 1e400}',
        b'{"typed": {"a": {"b": 1}}}',
        b'{"typed": ' + json.dumps({str(n): "" for n in range(31)}).encode() + b"}",
        b'{"text": "' + b"x" * 4001 + b'"}',
    ],
    ids=lambda body: str(body[:24]),
)
def test_a_body_that_does_not_fit_is_refused_in_one_sentence(page: Page, body: bytes) -> None:
    before = journal(page)
    answer = page.post(f"/s/{page.key}/do/comment", body)
    assert answer.status == 409
    assert answer.json["fault"].count("\n") == 0 and "Traceback" not in answer.text
    assert journal(page) == before


def test_the_recording_is_sent_in_the_parts_that_are_asked_for(page: Page) -> None:
    whole = (page.root / "practice.wav").read_bytes()
    path = f"/s/{page.key}/sound"
    full = page.get(path)
    assert full.status == 200 and full.body == whole and full.headers["accept-ranges"] == "bytes"
    assert full.headers["content-type"] == "audio/wav"
    part = page.get(path, headers={"Range": "bytes=100-299"})
    assert part.status == 206 and part.body == whole[100:300]
    assert part.headers["content-range"] == f"bytes 100-299/{len(whole)}"
    assert page.get(path, headers={"Range": "bytes=-50"}).body == whole[-50:]
    assert page.get(path, headers={"Range": f"bytes={len(whole) - 10}-"}).body == whole[-10:]
    assert page.get(path, headers={"Range": f"bytes={len(whole)}-"}).status == 416
    assert page.get(path, headers={"Range": "bytes=x-y"}).status in (200, 400, 416)


def test_the_page_listens_on_this_machine_alone(page: Page) -> None:
    with listening(0) as held:
        assert held.getsockname()[0] == "127.0.0.1"
        with pytest.raises(UserFault, match="is taken or not allowed"):
            listening(held.getsockname()[1])


def test_a_folder_without_sessions_is_told(tmp_path: Path) -> None:
    with pytest.raises(UserFault, match="no session in"):
        Shelf(tmp_path, usual)
    with pytest.raises(UserFault, match="is no folder"):
        Shelf(tmp_path / "none", usual)
