"""``dictate convert`` for folders, patterns and lists: many recordings over cores or a cluster."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

from dictate.cohort.cluster import connected, run_on_cluster
from dictate.cohort.courses import checklist_of, full_name
from dictate.cohort.job import Job, Outcome
from dictate.cohort.recordings import find_recordings
from dictate.cohort.workers import run_here
from dictate.commands.convert import known_engine
from dictate.errors import UserFault
from dictate.recognition.model_shelf import newest_for


def run_many(
    sources: Sequence[str],
    *,
    out: Path | None,
    engine: str,
    model: Path | None,
    channels: str,
    learner: str,
    partner: str,
    consent: str,
    course: str,
    processes: int,
    cluster: str,
    again: bool,
    as_json: bool,
    strict: bool,
) -> int:
    """Convert every recording found; return 1 where one failed (or, strict, has an error).

    Raises:
        UserFault: nothing was found, an option does not fit, or no scheduler answers.
    """
    known_engine(engine)
    if processes < 0:
        raise UserFault("--processes is a number of processes, 1 or more; 0 takes all cores.")
    name = full_name(course) if course else ""
    checklist_of(name)  # a course that does not fit is told before anything is begun
    shelf = model or newest_for("vosk")
    speakers = tuple(one.strip() for one in channels.split(",") if one.strip())
    jobs = [
        Job(
            recording=found.recording.absolute(),
            folder=found.folder.absolute(),
            size=found.size,
            engine=engine,
            vosk_model=shelf.absolute() if shelf is not None else None,
            speakers=speakers,
            learner=found.about.learner or learner,
            partner=found.about.partner or partner,
            consent=found.about.consent or consent,
            started=found.about.started,
            course=name,
            again=again,
        )
        for found in find_recordings(sources, out)
    ]
    began = time.monotonic()
    with _Shown(jobs) as shown:
        if cluster:
            client = connected(cluster)
            try:
                run_on_cluster(jobs, client, ended=shown.ended)
            finally:
                client.close()  # type: ignore[no-untyped-call]
        else:
            run_here(jobs, processes or os.cpu_count() or 1, ended=shown.ended, moved=shown.moved)
    if as_json:
        for outcome in shown.outcomes:
            sys.stdout.write(outcome.model_dump_json() + "\n")
    else:
        _told(shown.outcomes, time.monotonic() - began)
    bad = any(one.state == "failed" or (strict and one.errors) for one in shown.outcomes)
    return int(bad)


class _Shown:
    """One progress display over all recordings, weighed by their size, with the time left."""

    def __init__(self, jobs: Sequence[Job]) -> None:
        self.outcomes: list[Outcome] = []
        self._console = Console(stderr=True)
        self._count = len(jobs)
        self._parts: dict[Path, float] = {}
        self._sizes = {job.folder: max(job.size, 1) for job in jobs}
        self._bar = Progress(
            TextColumn("converting"),
            BarColumn(),
            TextColumn("{task.fields[done]}"),
            TimeRemainingColumn(),
            console=self._console,
            transient=True,
            disable=not sys.stderr.isatty(),
        )
        self._task: TaskID = self._bar.add_task(
            "converting", total=sum(self._sizes.values()), done=f"0/{self._count}"
        )

    def __enter__(self) -> _Shown:
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def moved(self, job: Job, part: float) -> None:
        """A recording was heard up to ``part``, 0 to 1."""
        self._parts[job.folder] = self._sizes[job.folder] * min(part, 1.0)
        self._show()

    def ended(self, job: Job, outcome: Outcome) -> None:
        """A recording is done, or failed."""
        self.outcomes.append(outcome)
        self.moved(job, 1.0)
        if outcome.sentence:
            style = "red" if outcome.state == "failed" else "yellow"
            text = f"{outcome.recording}: {outcome.sentence}"
            self._console.print(text, style=style, highlight=False, markup=False)

    def _show(self) -> None:
        self._bar.update(
            self._task,
            completed=sum(self._parts.values()),
            done=f"{len(self.outcomes)}/{self._count}",
        )


def _told(outcomes: Sequence[Outcome], seconds: float) -> None:
    made = [one for one in outcomes if one.state == "converted"]
    kept = sum(one.state == "kept" for one in outcomes)
    failed = sum(one.state == "failed" for one in outcomes)
    sound = sum(one.sound for one in made)
    text = f"{len(made)} converted, {kept} kept as they were, {failed} failed"
    if made and seconds:
        text += f"; {sound / 60:.1f} min of sound in {seconds:.0f} s"
    Console().print(text + ".", highlight=False)
