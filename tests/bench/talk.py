"""Prints how long the understanding of talk takes, cold and warm, and how it grows with length.

Run ``python tests/bench/talk.py``. The talk is that of the open excerpts, said over and over.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "talk"))

from excerpt_format import Line, phrases_of, read_excerpts

from dictate.recognition.words import HeardPhrase

LENGTHS = (1500, 3000, 6000, 12000)  # 6,000 words are about 40 minutes of talk


def talk_of(words: int) -> list[HeardPhrase]:
    """About so many words of talk from the open excerpts, one after the other."""
    excerpts = [excerpt for excerpt in read_excerpts() if excerpt.group == "open"]
    lines: list[Line] = []
    now, said = 0.0, 0
    while said < words:
        for excerpt in excerpts:
            for line in excerpt.lines:
                lines.append(line.model_copy(update={"t": now}))
                count = len(line.text.split())
                now += 0.35 * count + 0.8
                said += count
                if said >= words:
                    return phrases_of(tuple(lines))
    return phrases_of(tuple(lines))


def main() -> None:
    """Print seconds and memory."""
    start = time.perf_counter()
    from dictate.exam.reading import load_catalogue
    from dictate.pipeline import understand

    print(f"import                {time.perf_counter() - start:7.2f} s")
    start = time.perf_counter()
    catalogue = load_catalogue()
    print(f"catalogue             {time.perf_counter() - start:7.2f} s")
    start = time.perf_counter()
    understand(talk_of(20), catalogue)
    print(f"first 20 words        {time.perf_counter() - start:7.2f} s")
    for words in LENGTHS:
        phrases = talk_of(words)
        start = time.perf_counter()
        findings = understand(phrases, catalogue)
        seconds = time.perf_counter() - start
        print(
            f"{words:6} words, warm    {seconds:7.2f} s  "
            f"{1000 * seconds / words:6.2f} ms a word  {len(findings)} findings"
        )
    tracemalloc.start()
    understand(talk_of(6000), catalogue)
    print(f"memory at 6000 words  {tracemalloc.get_traced_memory()[1] / 1e6:7.1f} MB at most")


if __name__ == "__main__":
    main()
