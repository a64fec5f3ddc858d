"""Many at once, and clients that never finish: the page goes on answering its owner."""

from __future__ import annotations

import socket
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

from tests.review.conftest import Page

CROWD = 500
STUCK = 60


def test_five_hundred_requests_at_once_get_their_answers(page: Page) -> None:
    address = f"/s/{page.key}/waveform"
    wanted = page.ask("GET", address)
    assert wanted.status == 200
    ready = threading.Barrier(CROWD)

    def ask(number: int) -> tuple[bool, int, bool]:
        stranger = number % 5 == 0
        ready.wait(60)
        got = page.ask("GET", address, cookie="dictate=guessed" if stranger else None)
        return stranger, got.status, got.body == wanted.body

    before = (page.root / "journal.jsonl").read_bytes()
    with ThreadPoolExecutor(CROWD) as pool:
        answers = list(pool.map(ask, range(CROWD)))
    assert Counter(stranger for stranger, _, _ in answers) == {
        True: CROWD // 5,
        False: CROWD * 4 // 5,
    }
    assert {status for stranger, status, _ in answers if not stranger} == {200}
    assert all(same for stranger, _, same in answers if not stranger)
    assert not any(status < 400 or status >= 500 for stranger, status, _ in answers if stranger)
    assert (page.root / "journal.jsonl").read_bytes() == before


def test_clients_that_never_finish_do_not_keep_the_owner_out(page: Page) -> None:
    stuck = [socket.create_connection(("127.0.0.1", page.port), timeout=20) for _ in range(STUCK)]
    try:
        for number, line in enumerate(stuck):
            line.sendall(
                f"GET /s/{page.key}/ HTTP/1.1\r\nHost: {page.host}\r\nX-{number}: ".encode()
            )
        assert page.ask("GET", f"/s/{page.key}/").status == 200
    finally:
        for line in stuck:
            line.close()
    assert page.ask("GET", f"/s/{page.key}/").status == 200
