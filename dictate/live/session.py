"""A live session from its folder's first line to its outputs, and one taken up again."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from queue import SimpleQueue

from dictate import __version__
from dictate.audio.source import Block
from dictate.conversion import exam_language_of, opened, reopened
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.live.capture import FileMicrophone, SoundSource
from dictate.live.command_words import CommandWords
from dictate.live.hearing import EngineMaker, Listener, Report, command_listener, recogniser
from dictate.live.listening import Ending, Event, Listening, Silence, Voice
from dictate.live.record import Record
from dictate.live.shown import Shown
from dictate.live.sound_file import SOUND_NAME, SoundFile, sound_blocks
from dictate.live.understanding import warm_up
from dictate.session.corrections import signatures_in_force
from dictate.session.entries import PhraseHeard, SessionEnd, SessionStart, now
from dictate.session.journal import JOURNAL_NAME, Journal, refuse_if_open
from dictate.session.record import Session, SessionInfo

LEAST_TAIL = 0.5
"""Seconds of sound after the last line of the journal that are worth hearing again."""


@dataclass
class Ears:
    """The two processes that hear, loaded once; what they report goes to ``report``."""

    talk: Listener
    commands: Listener | None
    report: Callable[[Report], None] = field(default=lambda report: None)

    @classmethod
    def open(
        cls, catalogue: Catalogue, words: CommandWords | None, vosk_model: Path | None
    ) -> Ears:
        """Start and load them; the patterns of the exam are compiled meanwhile.

        Raises:
            UserFault: a recogniser cannot be loaded.
        """
        ears: Ears

        def pass_on(report: Report) -> None:
            ears.report(report)

        language = None if vosk_model is not None else exam_language_of(catalogue)
        talk = recogniser(EngineMaker(language, vosk_model), pass_on)
        commands = command_listener(words, pass_on) if words is not None else None
        ears = cls(talk, commands)
        try:
            warm_up(catalogue)
            talk.wait_until_ready()
            if commands is not None:
                commands.wait_until_ready()
        except BaseException:
            ears.close()
            raise
        return ears

    def close(self) -> None:
        """End both processes."""
        self.talk.close()
        if self.commands is not None:
            self.commands.close()


@dataclass
class Around:
    """What stands around a session: answers by ear, what is shown, and the line of events."""

    voice: Voice = field(default_factory=Silence)
    gate: bool = True
    show: Callable[[Shown], None] = lambda shown: None
    line: Callable[[str], None] = lambda sentence: None
    events: SimpleQueue[Event] = field(default_factory=SimpleQueue)

    def listening(
        self, catalogue: Catalogue, record: Record, sound: SoundFile, ears: Ears
    ) -> Listening:
        """A session that is ready to run."""
        return Listening(
            catalogue,
            record,
            sound,
            ears.talk,
            ears.commands,
            self.voice,
            self.gate,
            self.show,
            self.line,
            self.events,
        )


@dataclass
class LiveSession:
    """An open session folder: journal, sound, and the running session over them."""

    folder: Path
    catalogue: Catalogue
    journal: Journal
    listening: Listening
    info: SessionInfo
    _tail: list[Block] = field(default_factory=list)

    @classmethod
    def begin(
        cls,
        folder: Path,
        catalogue: Catalogue,
        ears: Ears,
        around: Around,
        *,
        learner: str,
        partner: str,
        consent: str,
        course: str,
        device: str,
    ) -> LiveSession:
        """Make the folder and write the first line.

        Raises:
            UserFault: there is a session already, or the folder cannot be written.
        """
        info = SessionInfo(
            id=secrets.token_hex(8),
            started=now(),
            sound_name=SOUND_NAME,
            sound_sha256="",
            seconds=0.0,
            learner=learner,
            partner=partner,
            consent=consent,
            engine=ears.talk.name,
            engine_version=ears.talk.version,
            program_version=__version__,
            exam_version=catalogue.version,
            course=course or "usual",
        )
        with ExitStack() as undo:
            journal = Journal.create(folder, SessionStart(at=now(), info=info))
            undo.callback(journal.close)
            journal.phrase_sync_seconds = 0.0
            sound = SoundFile(folder / SOUND_NAME)
            record = Record(catalogue, journal, learner)
            record.notice(f"Recorded with '{device}'.")
            undo.pop_all()
        listening = around.listening(catalogue, record, sound, ears)
        ears.report = listening.deliver
        return cls(folder, catalogue, journal, listening, info)

    @classmethod
    def take_up(
        cls,
        folder: Path,
        catalogue: Catalogue,
        ears: Ears,
        around: Around,
    ) -> LiveSession:
        """Open a session that was broken off or ended, to go on with it.

        Raises:
            UserFault: there is none, it is open elsewhere, it was signed, or it was not
                recorded live.
        """
        info = must_be_live(folder)
        sound_path = folder / SOUND_NAME
        with ExitStack() as undo:
            journal, reading = Journal.reopen(folder)
            undo.callback(journal.close)
            if signatures_in_force(reading.entries):
                raise UserFault(
                    f"The session in {folder} is signed; amend it in 'dictate review' before it "
                    "goes on."
                )
            journal.phrase_sync_seconds = 0.0
            record = Record(catalogue, journal, info.learner, reading.entries)
            tail: list[Block] = []
            if not ended(reading.entries):
                tail = list(sound_blocks(sound_path, record.heard_until))
            sound = SoundFile(sound_path)
            record.passed(sound.seconds)
            record.notice(f"Taken up again at {sound.seconds:.1f} s.")
            undo.pop_all()
        listening = around.listening(catalogue, record, sound, ears)
        ears.report = listening.deliver
        return cls(folder, catalogue, journal, listening, info, tail)

    def hear_the_rest(self) -> None:
        """Hear what was recorded but not yet written down when the session broke off."""
        tail, self._tail = self._tail, []
        if sum(len(block.samples) for block in tail) >= LEAST_TAIL * 16_000:
            self.listening.replay(tail)

    def run(self, source: SoundSource) -> Ending:
        """Listen until the session ends."""
        source.start(self.deliver)
        try:
            return self.listening.run()
        finally:
            source.stop()

    def run_as_fast_as_possible(self, source: FileMicrophone) -> Ending:
        """Hear a file without waiting for its time to pass."""
        return self.listening.play(source.pieces())

    def deliver(self, event: Event) -> None:
        """Hand an event to the running session, from any thread."""
        self.listening.deliver(event)

    def finish(self) -> Session:
        """Write the last line and compute the session; outputs are for the caller to write."""
        self.listening.record.settle()
        self.listening.sound.close()
        digest = hashlib.sha256((self.folder / SOUND_NAME).read_bytes()).hexdigest()
        self.listening.record.end(self.listening.sound.seconds, digest)
        self.journal.close()
        return reopened(*opened(self.folder), self.catalogue)

    def leave(self) -> None:
        """Close the files as they are; the session can be taken up again."""
        try:
            self.listening.sound.close()
        finally:
            self.journal.close()


def must_be_live(folder: Path) -> SessionInfo:
    """Make sure that a folder holds a session that was recorded live.

    Raises:
        UserFault: it does not, or somebody has it open.
    """
    if not (folder / JOURNAL_NAME).is_file():
        raise UserFault(f"There is no session in {folder}; name the folder that 'listen' made.")
    refuse_if_open(folder)
    info, _ = opened(folder)
    if info.sound_name != SOUND_NAME:
        raise UserFault(
            f"The session in {folder} was made from {info.sound_name} and not recorded live; "
            "'dictate convert' makes it again."
        )
    return info


def broke_off(folder: Path) -> bool:
    """Whether a folder holds a live session that never came to its end.

    Raises:
        UserFault: its journal cannot be read.
    """
    info, reading = opened(folder)
    return info.sound_name == SOUND_NAME and not ended(reading.entries)


def ended(entries: tuple[object, ...]) -> bool:
    """Whether a session came to its end: nothing was heard after its last end."""
    for entry in reversed(entries):
        if isinstance(entry, SessionEnd):
            return True
        if isinstance(entry, PhraseHeard):
            return False
    return False
