"""Runs jobs on an existing Dask scheduler, so that a school's cluster can be used.

Every worker must see the recordings under the same path, and have this program.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import islice
from typing import TYPE_CHECKING, Any

from dictate.cohort.job import Job, Outcome, convert_job
from dictate.errors import UserFault

if TYPE_CHECKING:
    from distributed import Client

_AHEAD = 4  # jobs held by the scheduler for each core, so that it never holds them all
_RETRIES = 2

Work = Callable[[Job], Outcome]


def connected(address: str, seconds: float = 10.0) -> Client:
    """A client of the scheduler at ``address``, such as ``tcp://10.0.0.5:8786``.

    Raises:
        UserFault: the library is missing, or no scheduler answers there.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise UserFault(
            "The cluster option needs the library 'distributed'; install it with "
            "pip install 'dictate[cluster]'."
        ) from error
    try:
        return Client(address, timeout=seconds)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise UserFault(
            f"No Dask scheduler answers at {address}; check the address and that it runs."
        ) from error


def run_on_cluster(
    jobs: Iterable[Job],
    client: Client,
    *,
    ended: Callable[[Job, Outcome], None],
    work: Work = convert_job,
) -> None:
    """Run every job once on the cluster; a job whose worker is lost runs again elsewhere.

    Args:
        jobs: what to do; their paths must be the workers' paths too.
        client: connected to the scheduler.
        ended: told each job's outcome as it comes.
        work: what a worker does with a job.

    Raises:
        UserFault: the scheduler has no workers.
    """
    from distributed import as_completed

    cores = sum(client.nthreads().values())  # type: ignore[no-untyped-call]
    if not cores:
        raise UserFault("The Dask scheduler has no workers; start some and try again.")
    waiting = iter(sorted(jobs, key=lambda job: -job.size))
    held: dict[Any, Job] = {}

    def begun(job: Job) -> Any:
        # A key of its own each time: a result of an earlier run must not be taken for this one.
        future = client.submit(work, job, pure=False, retries=_RETRIES)
        held[future.key] = job
        return future

    first = [begun(job) for job in islice(waiting, cores * _AHEAD)]
    running: Any = as_completed(first)  # type: ignore[no-untyped-call]
    for future in running:
        job = held.pop(future.key)
        error = future.exception()
        outcome = future.result() if error is None else _failed(job, error)
        future.release()
        ended(job, outcome)
        for following in islice(waiting, 1):
            running.add(begun(following))


def _failed(job: Job, error: BaseException) -> Outcome:
    return Outcome(
        recording=job.recording,
        folder=job.folder,
        state="failed",
        sentence=f"The cluster gave up on this recording ({type(error).__name__}: {error}).",
    )
