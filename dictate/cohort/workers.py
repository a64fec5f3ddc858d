"""Runs jobs in processes of this machine: one recording at a time in each.

A process that dies (a crash within a library, the system short of memory) costs its
recording one more try and nothing else.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess

from dictate.cohort.job import Job, Outcome, convert_job, highest_memory

MEMORY_LIMIT = 1500.0  # MB; a worker that held more is replaced after its recording
_TRIES = 2
_TOLD_EVERY = 0.5  # seconds

Work = Callable[[Job, Callable[[float], None]], Outcome]


def run_here(
    jobs: Iterable[Job],
    count: int,
    *,
    ended: Callable[[Job, Outcome], None],
    moved: Callable[[Job, float], None] = lambda job, part: None,
    work: Work = convert_job,
    memory_limit: float = MEMORY_LIMIT,
) -> None:
    """Run every job once, on ``count`` processes, the largest recordings first.

    Args:
        jobs: what to do.
        count: number of processes.
        ended: told each job's outcome as it comes.
        moved: told how far a recording was heard, 0 to 1, now and then.
        work: what a worker does with a job; importable by name.
        memory_limit: MB after which a worker is replaced by a fresh one.
    """
    # A large recording begun last would keep one core busy alone at the end.
    waiting = deque((job, 1) for job in sorted(jobs, key=lambda job: -job.size))
    workers = [_Worker(work) for _ in range(min(count, len(waiting)))]
    try:
        for worker in workers:
            worker.give(waiting)
        while any(worker.job is not None for worker in workers):
            ready = set(wait([worker.pipe for worker in workers if worker.job is not None]))
            for worker in workers:
                if worker.pipe not in ready or worker.job is None:
                    continue
                message = worker.message()
                if isinstance(message, float):
                    moved(worker.job, message)
                    continue
                job, tries = worker.job, worker.tries
                if message is None:
                    told = worker.renew()
                    if tries < _TRIES:
                        waiting.append((job, tries + 1))
                    else:
                        ended(job, _lost(job, told))
                else:
                    ended(job, message)
                    if message.memory > memory_limit:
                        worker.renew()
                worker.give(waiting)
            for worker in workers:
                if worker.job is None and waiting:
                    worker.give(waiting)
    finally:
        for worker in workers:
            worker.stop()


def _lost(job: Job, told: str) -> Outcome:
    return Outcome(
        recording=job.recording,
        folder=job.folder,
        state="failed",
        sentence=f"The process that heard it stopped twice ({told}); the file may be damaged, or "
        "the memory too small.",
    )


@dataclass
class _Place:
    process: BaseProcess
    pipe: Connection


class _Worker:
    """One process and the job that it has in hand."""

    def __init__(self, work: Work) -> None:
        self._work = work
        self._place = self._started()
        self.job: Job | None = None
        self.tries = 0

    @property
    def pipe(self) -> Connection:
        return self._place.pipe

    def _started(self) -> _Place:
        # Spawned and not forked: threads of numerical libraries do not outlive a fork.
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=_serve, args=(theirs, self._work), daemon=True)
        process.start()
        theirs.close()
        return _Place(process, ours)

    def give(self, waiting: deque[tuple[Job, int]]) -> None:
        self.job = None
        if not waiting:
            return
        self.job, self.tries = waiting.popleft()
        with contextlib.suppress(OSError):  # a dead process is noticed when it is read from
            self.pipe.send(self.job)

    def message(self) -> Outcome | float | None:
        """An outcome, a part heard, or None where the process has died."""
        try:
            message: Outcome | float = self.pipe.recv()
        except (EOFError, OSError):
            return None
        return message

    def renew(self) -> str:
        """Put a fresh process in place of this one; say how the old one ended."""
        old = self._place
        old.pipe.close()
        old.process.join(5)
        code = old.process.exitcode
        self._place = self._started()
        if code is not None and code < 0:
            with contextlib.suppress(ValueError):
                return signal.Signals(-code).name
        return f"exit code {code}"

    def stop(self) -> None:
        with contextlib.suppress(OSError):
            self.pipe.close()
        if self.job is not None:
            self._place.process.terminate()
        self._place.process.join(5)


def _serve(pipe: Connection, work: Work) -> None:
    """A worker: jobs in, outcomes out, until the other end closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    last = 0.0

    def told(part: float) -> None:
        nonlocal last
        if time.monotonic() - last >= _TOLD_EVERY:
            last = time.monotonic()
            pipe.send(float(part))

    while True:
        try:
            job = pipe.recv()
        except (EOFError, OSError):
            return
        outcome = work(job, told)
        try:
            pipe.send(outcome.model_copy(update={"memory": highest_memory()}))
        except OSError:
            return
