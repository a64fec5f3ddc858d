"""How long the index takes: ``python -m tests.bench.cohort_index [SESSIONS] [LEARNERS]``."""

from __future__ import annotations

import platform
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from dictate.cohort.digesting import checklist_for, expected_of
from dictate.cohort.history import learners_of, most_missed, sessions_of
from dictate.cohort.index import Index, Stamp
from dictate.cohort.pairs import agreement_of
from dictate.cohort.repetition import repetitions
from tests.cohort.invented import cohort

_TIMED = 50


def timed(work: Callable[[], object], times: int = 5) -> str:
    """The shortest of several runs in seconds, and the processor time of it.

    On a busy machine the first is longer than the second.
    """
    runs = []
    for _ in range(times):
        began, busy = time.perf_counter(), time.process_time()
        work()
        runs.append((time.perf_counter() - began, time.process_time() - busy))
    wall, processor = min(runs)
    return f"{wall:8.3f} s  (processor {processor:.3f} s)"


def main() -> None:
    """Fill an index with invented sessions and time what is asked of it."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    learners = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    expected = expected_of(checklist_for("usual"))
    print(f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}; ", end="")
    print(f"{sessions} invented sessions of {learners} learners, {len(expected)} lines each")
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "index.sqlite"
        with Index.open(file) as index:
            times = []
            for number, (path, digest) in enumerate(cohort(expected, sessions, learners)):
                # Waiting for the disk is timed with the first and the last sessions only.
                timed_now = number < _TIMED or number >= sessions - _TIMED
                index.connection.execute(f"PRAGMA synchronous = {'FULL' if timed_now else 'OFF'}")
                began, busy = time.perf_counter(), time.process_time()
                index.add(path, Stamp(1, 1), digest, expected)
                times.append((time.perf_counter() - began, time.process_time() - busy))
            for name, part in (("none yet", times[:_TIMED]), ("the rest", times[-_TIMED:])):
                wall, processor = (1000 * median(column) for column in zip(*part, strict=True))
                print(
                    f"adding one session to {name:10} {wall:8.2f} ms (processor {processor:.2f} ms)"
                )
            print(f"size of the file                 {file.stat().st_size / 1e6:8.1f} MB")
            base = index.connection
            people = learners_of(base)
            rows = sessions_of(base)
            for name, work in (
                ("every session, one line each", lambda: sessions_of(base)),
                ("every learner's standing", lambda: learners_of(base)),
                ("most-missed items", lambda: most_missed(base, people)),
                ("what repeats", lambda: repetitions(base)),
                ("agreement in pairs", lambda: agreement_of(base, rows)),
                ("one learner's sessions", lambda: sessions_of(base, people[0].learner)),
            ):
                print(f"{name:32} {timed(work)}")


if __name__ == "__main__":
    main()
