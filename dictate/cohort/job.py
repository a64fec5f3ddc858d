"""One recording of many: converted by itself, so that its faults stop nothing else.

A session is made in a hidden folder beside its place and moved there when it is whole.
So a worker that is lost leaves no half session, and two workers that were given the
same recording leave one.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import sys
import time
from collections.abc import Callable
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict

from dictate.cohort.courses import checklist_of
from dictate.cohort.finished import Version, first_info, is_finished, people_worked_on
from dictate.conversion import convert, exam_language_of
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.outputs.folder import write_outputs
from dictate.recognition.engine import Engine
from dictate.recognition.opening import EngineChoice, open_engine
from dictate.recognition.timed_text import is_timed_text
from dictate.session.journal import JOURNAL_NAME
from dictate.session.private_files import make_private_folder

_ABANDONED = 600.0  # seconds without a new line, after which a half-made session is swept away

Told = Callable[[float], None]
"""Called with the part of the recording that was heard, 0 to 1."""


class Job(BaseModel):
    """One recording to convert, and how."""

    model_config = ConfigDict(frozen=True)

    recording: Path
    folder: Path
    size: int
    engine: EngineChoice = "auto"
    vosk_model: Path | None = None
    speakers: tuple[str, ...] = ()
    learner: str = "learner"
    partner: str = "partner"
    consent: str = "not recorded here"
    started: datetime | None = None
    course: str = ""
    again: bool = False


class Outcome(BaseModel):
    """What became of a job. ``seconds`` is the time it took, ``sound`` the length heard.

    ``memory`` is the worker's highest memory so far in MB, 0 where it is not known.
    """

    model_config = ConfigDict(frozen=True)

    recording: Path
    folder: Path
    state: Literal["converted", "kept", "failed"]
    sentence: str = ""
    sound: float = 0.0
    seconds: float = 0.0
    results: int = 0
    errors: int = 0
    worker: str = ""
    memory: float = 0.0


def convert_job(job: Job, told: Told = lambda part: None) -> Outcome:
    """Convert one recording unless its session is there already; never raises for its faults."""
    began = time.perf_counter()
    try:
        outcome = _converted(job, told)
    except UserFault as fault:
        outcome = _outcome(job, "failed", str(fault))
    except MemoryError:
        outcome = _outcome(job, "failed", "There was not enough memory for this recording.")
    except Exception as error:
        # A defect, but one recording's defect must not cost the others.
        text = f"The program failed on this recording ({type(error).__name__}: {error})."
        outcome = _outcome(job, "failed", text)
    return outcome.model_copy(
        update={
            "seconds": time.perf_counter() - began,
            "worker": f"{os.uname().nodename if hasattr(os, 'uname') else ''}:{os.getpid()}",
            "memory": highest_memory(),
        }
    )


def _outcome(job: Job, state: Literal["converted", "kept", "failed"], sentence: str) -> Outcome:
    return Outcome(recording=job.recording, folder=job.folder, state=state, sentence=sentence)


def _converted(job: Job, told: Told) -> Outcome:
    if not job.recording.is_file():
        raise UserFault(f"{job.recording} cannot be seen from here; check the path.")
    catalogue = _catalogue(job.course)
    # A transcript needs no recogniser, and loading one takes longer than reading it.
    text = _is_text(job.recording)
    listener = None if text else _listener(job.course, job.engine, job.vosk_model)
    wanted = _version(job.recording, catalogue, listener)
    if not job.again and is_finished(job.folder):
        held = first_info(job.folder)
        if held is not None and Version.of(held) == wanted:
            return _outcome(job, "kept", "").model_copy(update={"sound": held.seconds})
        if people_worked_on(job.folder):
            return _outcome(
                job,
                "kept",
                "It was heard by another version, but people have worked on the session since; "
                "--again hears it anew and keeps the old journal beside the new one.",
            )
    sweep(job.folder)
    make_private_folder(job.folder.parent)
    part = job.folder.with_name(f".{job.folder.name}.{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        session = convert(
            job.recording,
            catalogue,
            part,
            listener=listener,
            engine=job.engine,
            vosk_model=job.vosk_model,
            speakers=job.speakers,
            learner=job.learner,
            partner=job.partner,
            consent=job.consent,
            started=job.started,
            course=job.course,
            progress=lambda done, whole: told(done / whole if whole else 0.0),
            write=lambda session, head: write_outputs(session, catalogue, part, journal_head=head),
        )
        _put_in_place(part, job.folder, wanted)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Outcome(
        recording=job.recording,
        folder=job.folder,
        state="converted",
        sentence=" ".join(session.info.notices),
        sound=session.info.seconds,
        results=sum(finding.stands for finding in session.findings),
        errors=sum(flag.severity == "error" for flag in session.flags),
    )


@lru_cache(maxsize=4)
def _catalogue(course: str) -> Catalogue:
    return checklist_of(course).catalogue


@lru_cache(maxsize=1)
def _listener(course: str, engine: EngineChoice, vosk_model: Path | None) -> Engine:
    """The recogniser, loaded once for each worker."""
    return open_engine(engine, lambda: exam_language_of(_catalogue(course)), vosk_model)[0]


def _is_text(recording: Path) -> bool:
    with recording.open("rb") as file:
        return is_timed_text(file.read(1 << 16))


def _version(recording: Path, catalogue: Catalogue, listener: Engine | None) -> Version:
    digest = hashlib.sha256()
    with recording.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return Version(
        sound_sha256=digest.hexdigest(),
        engine="timed text" if listener is None else listener.name,
        engine_version="1" if listener is None else listener.version,
        exam_version=catalogue.version,
    )


def _put_in_place(part: Path, folder: Path, wanted: Version) -> None:
    """Move a whole session to its place; an older session's journal is kept beside it."""
    try:
        part.rename(folder)
        return
    except OSError:
        if not folder.is_dir():
            raise
    held = first_info(folder)
    if held is not None and is_finished(folder) and Version.of(held) == wanted:
        return  # another worker was quicker
    for path in part.iterdir():
        if path.name != JOURNAL_NAME:
            path.replace(folder / path.name)
    journal = folder / JOURNAL_NAME
    if journal.exists():
        mark = hashlib.sha256(journal.read_bytes()).hexdigest()[:8]
        journal.replace(folder / f"journal-{mark}.jsonl")
    (part / JOURNAL_NAME).replace(journal)


def sweep(folder: Path) -> None:
    """Remove half-made sessions that a lost worker left for ``folder``."""
    if not folder.parent.is_dir():
        return
    prefix = f".{folder.name}."
    for part in folder.parent.iterdir():
        if not (part.name.startswith(prefix) and part.suffix == ".part"):
            continue
        journal = part / JOURNAL_NAME
        try:
            last = (journal if journal.exists() else part).stat().st_mtime
        except OSError:
            continue
        if time.time() - last > _ABANDONED:
            shutil.rmtree(part, ignore_errors=True)


def highest_memory() -> float:
    """The most memory that this process has held, in MB; 0 where the system does not tell."""
    try:
        import resource
    except ImportError:
        return 0.0
    held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return held / (1 << 20 if sys.platform == "darwin" else 1 << 10)
