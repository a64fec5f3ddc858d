"""How long the review page takes to open 60 minutes of talk with 300 findings, in the browser.

Run ``python -m tests.bench.review``. The talk is made of sentences of the exam until an hour is
full (some 9,000 words), the recording is an hour of tones. Needs Chromium and Playwright. Every
time is a median over fresh tabs, from asking for the page on.
"""

from __future__ import annotations

import argparse
import itertools
import re
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Any

from dictate.exam.catalogue import Catalogue
from dictate.recognition.exam_sentences import sample_sentences
from dictate.review.pages import draw
from dictate.review.reviewed import Who
from tests.review.browser import chromium
from tests.review.conftest import running, usual
from tests.review.invented import Said, write_session

SECONDS = 3600.0
PAUSE = 1.2
_SENTENCES = 6000
_PLAIN = re.compile(r"[a-z' ]+")
_TIMES = """() => {
  const paint = performance.getEntriesByName("first-contentful-paint")[0];
  const nav = performance.getEntriesByType("navigation")[0];
  return {answered: nav.responseEnd, painted: paint ? paint.startTime : null,
          loaded: nav.loadEventEnd, bytes: nav.decodedBodySize};
}"""


_CHATTER = (
    "we met at the station this morning and the train was late again",
    "tell me if you would like a break at any time",
    "i had to look this up twice before the course began",
    "that window lets in quite a draught today",
    "so much for that and on to the next one",
    "you are being very patient with me thank you",
)


def hour_of_talk(catalogue: Catalogue) -> Iterator[Said]:
    """A sentence of the exam and one of chatter by turns until an hour is full.

    Every eighth sentence was recognised unsurely.
    """
    filled = 0.0
    exam = sample_sentences(catalogue, _SENTENCES, number=11)
    chatter = itertools.cycle(_CHATTER)
    for number in itertools.count():
        sentence = next(exam) if number % 2 else next(chatter)
        words = sentence.split()
        if not words or not _PLAIN.fullmatch(sentence):
            continue
        filled += len(words) / 3 + PAUSE
        if filled > SECONDS - 4:
            return
        yield Said(" ".join(words), 0.25 if number % 8 == 1 else 1.0)


def main() -> None:
    """Print one table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--times", type=int, default=7, help="fresh tabs")
    asked.add_argument("--keep", type=Path, help="write the session here and keep it")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = given.keep or Path(made) / "hour"
        if not folder.exists():
            write_session(folder, tuple(hour_of_talk(usual().catalogue)))
        _measure(folder, given.times)


def _measure(folder: Path, times: int) -> None:
    with running(folder) as page, chromium() as browser:
        began = time.perf_counter()
        session = page.shelf.session(page.key)
        draw(session, Who("ln-04", "learner"))
        understood = time.perf_counter() - began
        held = session.session
        words = sum(len(phrase.words) for phrase in held.phrases)
        standing = sum(finding.stands for finding in held.findings)
        doubts = sum(finding.stands and finding.doubtful for finding in held.findings)
        print(
            f"{held.info.seconds / 60:.0f} min, {words} words, {len(held.phrases)} phrases, "
            f"{standing} findings, {doubts} of them doubtful, {len(held.flags)} remarks"
        )
        context = browser.new_context(viewport={"width": 1200, "height": 900})
        tab = context.new_page()
        tab.goto(page.door.address)  # also computes the waveform, once for each recording
        tab.wait_for_selector("body[data-wave=drawn]", timeout=120_000)
        address = tab.url
        tab.close()
        rows: list[dict[str, Any]] = []
        for _ in range(times):
            tab = context.new_page()
            tab.goto(address)
            tab.wait_for_selector("body[data-ready=yes]")
            ready = tab.evaluate("() => performance.getEntriesByName('ready')[0].startTime")
            row = tab.evaluate(_TIMES) | {"ready": ready}
            row["wave"] = _until(tab, "body[data-wave=drawn]")
            row["seek"] = tab.evaluate(_SEEK, held.info.seconds - 60)
            row["change"] = _change(tab)
            rows.append(row)
            tab.close()
        print(f"understood and drawn once, before the address is told: {understood:.2f} s")
        print(f"page: {rows[0]['bytes'] / 1e6:.2f} MB, answered after {_ms(rows, 'answered')}")
        print(f"first painted after {_ms(rows, 'painted')}")
        print(f"keys and sound ready after {_ms(rows, 'ready')}, all loaded {_ms(rows, 'loaded')}")
        print(f"sound sought to the last minute within {_ms(rows, 'seek')}")
        print(f"a finding accepted, everything drawn again within {_ms(rows, 'change')}")


_SEEK = """async seconds => {
  const sound = document.querySelector("#sound");
  if (sound.readyState < 1) await new Promise(done => sound.addEventListener("loadedmetadata", done, {once: true}));
  const began = performance.now();
  sound.currentTime = seconds;
  await new Promise(done => sound.addEventListener("seeked", done, {once: true}));
  return performance.now() - began;
}"""
_ACCEPT = """async () => {
  const began = performance.now(), head = document.querySelector("#state").dataset.head;
  document.querySelector('.task.doubt [data-do="accept"]').click();
  while (document.querySelector("#state").dataset.head === head) await new Promise(requestAnimationFrame);
  await new Promise(requestAnimationFrame);
  return performance.now() - began;
}"""


def _until(tab: Any, selector: str) -> float:
    began = time.perf_counter()
    tab.wait_for_selector(selector)
    return (time.perf_counter() - began) * 1000


def _change(tab: Any) -> float:
    taken: float = tab.evaluate(_ACCEPT)
    return taken


def _ms(rows: list[dict[str, Any]], key: str) -> str:
    values = [float(row[key]) for row in rows if row[key] is not None]
    return f"{median(values):.0f} ms (worst {max(values):.0f})"


if __name__ == "__main__":
    main()
