"""``dictate review`` as it is typed."""

from __future__ import annotations

import http.client
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.review.invented import write_session

COMMAND = [sys.executable, "-m", "dictate", "review", "--no-browser"]


def refused(*arguments: str) -> str:
    done = subprocess.run(
        [*COMMAND, *arguments], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 2, done.stderr
    sentence = " ".join(done.stderr.split())
    assert "Traceback" not in sentence and done.stdout == ""
    return sentence


def test_the_address_that_is_told_opens_the_page_until_it_is_stopped(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "session")
    with subprocess.Popen(
        [*COMMAND, str(folder)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        try:
            assert running.stdout is not None
            told = running.stdout.readline()
            found = re.search(r"http://(127\.0\.0\.1:\d+)(/open\?word=\S+)", told)
            assert found, told
            line = http.client.HTTPConnection(found[1], timeout=60)
            line.request("GET", found[2])
            answer = line.getresponse()
            answer.read()
            cookie = (answer.getheader("set-cookie") or "").partition(";")[0]
            line.request("GET", answer.getheader("location") or "", headers={"Cookie": cookie})
            moved = line.getresponse()
            moved.read()
            line.request("GET", moved.getheader("location") or "", headers={"Cookie": cookie})
            assert "Respiratory rate" in line.getresponse().read().decode()
            line.close()
            assert "open in another program" in refused(str(folder))
        finally:
            running.send_signal(signal.SIGINT)
        assert running.wait(30) == 0
        assert running.stderr is not None and "Traceback" not in running.stderr.read()


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("nowhere",), "is no folder"),
        ((".",), "no session in"),
        ((".", "--role", "guest"), "choose learner or instructor"),
        ((".", "--port", "70000"), "from 0 to 65535"),
        ((".", "--sound", "none.wav"), "no recording"),
    ],
)
def test_a_mistake_is_told_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], sentence: str
) -> None:
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).resolve().parents[2]))
    monkeypatch.chdir(tmp_path)
    assert sentence in refused(*arguments)
