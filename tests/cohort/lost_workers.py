"""Work that loses its worker in the middle, importable by worker processes."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable

from dictate.cohort.job import Job, Outcome, convert_job

FATAL, ALWAYS_FATAL = "fatal", "always-fatal"
WAIT = 60.0  # seconds until a worker that nobody stops goes on


def waits_to_be_lost(job: Job) -> Outcome:
    """Convert; the recording named so waits, the first time, half-made, to be stopped.

    Each run leaves a file with the number of its process beside the session.
    """
    runs = job.folder.parent / "runs"
    (runs / f"{job.recording.stem}.{time.time_ns()}").write_text(str(os.getpid()))
    mark = runs.parent / "waiting"
    if job.recording.stem == FATAL and not mark.exists():
        part = job.folder.with_name(f".{job.folder.name}.{os.getpid()}-0.part")
        part.mkdir()
        (part / "journal.jsonl").write_text("half a lin")
        partial = mark.with_suffix(".part")
        partial.write_text(str(os.getpid()))
        partial.rename(mark)
        time.sleep(WAIT)
    return convert_job(job)


def kills_itself(job: Job, told: Callable[[float], None]) -> Outcome:
    """Convert; a recording named so kills its process, the first time or always."""
    mark = job.folder.parent / f"{job.recording.stem}.killed"
    once = job.recording.stem == FATAL and not mark.exists()
    if once or job.recording.stem == ALWAYS_FATAL:
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return convert_job(job, told)


def fake(job: Job) -> Outcome:
    """Wait for as many milliseconds as the job's size says, in place of converting."""
    time.sleep(job.size / 1000)
    return Outcome(recording=job.recording, folder=job.folder, state="converted")
