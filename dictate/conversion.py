"""One recording or transcript becomes a session folder."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path
from typing import TYPE_CHECKING

from dictate import __version__
from dictate.cache import cache_folder
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.pipeline import understand
from dictate.recognition.opening import EngineChoice, Progress, open_words
from dictate.session.entries import Judged, Notice, PhraseHeard, SessionEnd, SessionStart, now
from dictate.session.journal import (
    JOURNAL_NAME,
    Journal,
    JournalReading,
    read_journal,
    set_aside,
)
from dictate.session.record import Session, SessionInfo

if TYPE_CHECKING:
    from dictate.findings.finding import Finding
    from dictate.recognition.engine import Engine
    from dictate.recognition.language_model import ExamLanguage
    from dictate.recognition.words import HeardPhrase
    from dictate.session.entries import Entry


def exam_language_of(catalogue: Catalogue) -> ExamLanguage:
    """The language model of this exam, built when the exam data changed."""
    from dictate.recognition.exam_sentences import sample_sentences
    from dictate.recognition.speech_language import speech_language

    return speech_language(
        lambda count: sample_sentences(catalogue, count),
        exam_version=catalogue.version,
        cache=cache_folder() / "language",
    )


def convert(
    source: Path | str,
    catalogue: Catalogue,
    folder: Path | None = None,
    *,
    engine: EngineChoice = "auto",
    vosk_model: Path | None = None,
    speakers: tuple[str, ...] = (),
    learner: str = "learner",
    partner: str = "partner",
    consent: str = "not recorded here",
    course: str = "",
    started: datetime | None = None,
    listener: Engine | None = None,
    progress: Progress | None = None,
    told: Callable[[str], None] = lambda sentence: None,
    write: Callable[[Session, str], object] = lambda session, head: None,
) -> Session:
    """Hear ``source``, understand it, check it, and keep the journal in ``folder``.

    Args:
        source: a recording, a timed transcript, or '-' for standard input.
        catalogue: the exam.
        folder: session folder for the journal; None keeps no journal.
        engine: which recogniser hears a recording.
        vosk_model: folder of an unpacked Vosk model.
        speakers: who speaks on each channel of the recording, if they are apart.
        learner: code of the learner.
        partner: code of the partner.
        course: course file or key that the catalogue was made by; empty for the usual exam.
        consent: who agreed to be recorded, and how it is known.
        started: when the recording was made; the file's time if None.
        listener: a recogniser that is loaded already, in place of ``engine``.
        progress: told the seconds done and the seconds in all.
        told: told sentences for the user as they come up.
        write: writes the outputs, given the session and the journal's head; called
            while nobody else can begin a journal in the folder. Without a folder it
            is not called.

    Raises:
        UserFault: the source cannot be read, or the folder cannot be written.
    """
    phrases, heard = open_words(
        source,
        engine,
        language=lambda: exam_language_of(catalogue),
        vosk_model=vosk_model,
        speakers=speakers,
        progress=progress,
        listener=listener,
    )
    info = SessionInfo(
        id=heard.sha256[:16],
        started=started or _started(source),
        sound_name=heard.name,
        sound_sha256=heard.sha256,
        seconds=heard.duration or 0.0,
        learner=learner,
        partner=partner,
        consent=consent,
        engine=heard.engine,
        engine_version=heard.engine_version,
        program_version=__version__,
        exam_version=catalogue.version,
        course=course or "usual",
    )
    for sentence in heard.warnings:
        told(sentence)
    announced = len(heard.warnings)
    entries: list[Entry] = []
    journal = _fresh_journal(folder, info) if folder is not None else None
    try:
        seconds = 0.0
        for phrase in phrases:
            entry = PhraseHeard(at=now(), phrase=phrase)
            entries.append(entry)
            seconds = max(seconds, phrase.end)
            if journal is not None:
                journal.add(entry)
        # What was read counts: a header may promise more, or less.
        seconds = max(seconds, heard.seconds or heard.duration or 0.0)
        ends: list[Entry] = [Notice(at=now(), sentence=text) for text in heard.warnings]
        ends.append(SessionEnd(at=now(), seconds=seconds))
        for end in ends:
            entries.append(end)
            if journal is not None:
                journal.add(end)
        for sentence in heard.warnings[announced:]:
            told(sentence)
        session = session_of(info, entries, catalogue)
        if journal is not None:
            write(session, journal.head)
    finally:
        if journal is not None:
            journal.close()
    return session


def opened(folder: Path) -> tuple[SessionInfo, JournalReading]:
    """Read the journal in a session's folder, and which session it says it is.

    Course and exam version are those that the session was last judged by.

    Raises:
        UserFault: there is no journal, or it does not begin with a session start.
    """
    reading = read_journal(folder / JOURNAL_NAME)
    starts = [entry for entry in reading.entries if isinstance(entry, SessionStart)]
    if not starts:
        raise UserFault(
            f"The journal in {folder} does not say which session it is; "
            "convert the recording again into another folder."
        )
    info = starts[0].info
    for entry in reading.entries:
        if isinstance(entry, Judged):
            info = info.model_copy(
                update={"course": entry.course, "exam_version": entry.exam_version}
            )
    return info, reading


def reopened(info: SessionInfo, reading: JournalReading, catalogue: Catalogue) -> Session:
    """Compute a session again from its journal."""
    session = session_of(info, reading.entries, catalogue)
    if not reading.problems:
        return session
    notices = (*session.info.notices, *reading.problems)
    return session.model_copy(update={"info": session.info.model_copy(update={"notices": notices})})


def session_of(
    info: SessionInfo, entries: list[Entry] | tuple[Entry, ...], catalogue: Catalogue
) -> Session:
    """Compute everything about a session from its journal's entries."""
    phrases = tuple(entry.phrase for entry in entries if isinstance(entry, PhraseHeard))
    return corrected_session(info, entries, phrases, understand(phrases, catalogue), catalogue)


def corrected_session(
    info: SessionInfo,
    entries: list[Entry] | tuple[Entry, ...],
    phrases: tuple[HeardPhrase, ...],
    understood: tuple[Finding, ...],
    catalogue: Catalogue,
) -> Session:
    """Lay what people did over findings that were understood already, and check them again.

    Args:
        info: which session it is.
        entries: all of its journal.
        phrases: those in the journal.
        understood: what ``understand`` made of the phrases.
        catalogue: the exam.
    """
    from dictate.checks.checking import check
    from dictate.checks.derived import derive
    from dictate.findings.coverage import coverage_of
    from dictate.session.corrections import apply_corrections, signed_otherwise, state_of

    corrected = apply_corrections(understood, entries)
    coverage = coverage_of(corrected.findings, catalogue)
    end = next((e for e in reversed(entries) if isinstance(e, SessionEnd)), None)
    heard = max([info.seconds, *(phrase.end for phrase in phrases)])
    seconds = end.seconds if end is not None else heard
    notices = [entry.sentence for entry in entries if isinstance(entry, Notice)]
    notices += corrected.problems
    changed_since = signed_otherwise(corrected.findings, entries)
    if changed_since is not None:
        notices.append(changed_since)
    return Session(
        info=info.model_copy(
            update={
                "seconds": seconds,
                "notices": tuple(notices),
                "sound_sha256": (end.sound_sha256 if end is not None else "") or info.sound_sha256,
            }
        ),
        phrases=phrases,
        findings=corrected.findings,
        coverage=coverage,
        flags=check(corrected.findings, coverage, catalogue, seconds),
        derived=derive(corrected.findings, catalogue),
        state=state_of(entries),
    )


def _started(source: Path | str) -> datetime:
    """When the recording was made, as far as the file tells: its last change, in UTC."""
    path = Path(source)
    if str(source) != "-" and path.is_file():
        with contextlib.suppress(OverflowError, ValueError, OSError):
            changed = datetime.fromtimestamp(int(path.stat().st_mtime), tz=timezone.utc)
            # A file can bear any time; one outside of the calendar tells nothing.
            if 1000 <= changed.year <= 9000:
                return changed
    return now()


def _fresh_journal(folder: Path, info: SessionInfo) -> Journal:
    """Begin the journal; one of an earlier conversion is kept beside it, never overwritten."""
    set_aside(folder)
    return Journal.create(folder, SessionStart(at=now(), info=info))
