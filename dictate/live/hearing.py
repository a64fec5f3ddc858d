"""The recogniser and the command ear, each in a process of its own.

Decoding holds Python's lock for tenths of a second: in the process of the microphone it would
make sound get lost. Each process loads one decoder.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import queue
import select
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

from dictate.audio.segments import Span
from dictate.audio.source import Block
from dictate.errors import UserFault

if TYPE_CHECKING:
    from dictate.live.command_ear import HeardAnswer, HeardCommand
    from dictate.live.command_words import CommandWords
    from dictate.recognition.engine import Engine
    from dictate.recognition.language_model import ExamLanguage
    from dictate.recognition.words import HeardPhrase

LOADING_SECONDS = 120.0
"""Loading takes seconds; a process that has said nothing for longer has failed."""
RESTARTS = 1
"""So often a process that died is started anew; one that dies again has a lasting reason."""


class EngineMaker(NamedTuple):
    """How the child loads its recogniser: a Vosk model, or else the language of the exam."""

    language: ExamLanguage | None
    vosk_model: Path | None = None


class Ready(NamedTuple):
    """A process has loaded its decoder."""

    name: str
    version: str


class Failed(NamedTuple):
    """A process cannot go on; ``sentence`` is for the user."""

    sentence: str


class Restarted(NamedTuple):
    """A process died and another takes its place; ``sentence`` is for the user."""

    sentence: str


class Decoded(NamedTuple):
    """What the recogniser heard in span ``number``, and how long it took, on the clock and CPU."""

    number: int
    phrases: tuple[HeardPhrase, ...]
    seconds: float
    cpu: float = 0.0


class Partial(NamedTuple):
    """What a phrase sounds like so far; never stored."""

    text: str


class Told(NamedTuple):
    """What the command ear heard in span ``number``: a command, an answer, or other talk."""

    number: int
    command: HeardCommand | None
    answer: HeardAnswer | None
    seconds: float


GUESSES = hasattr(os, "fork")
"""Whether a span can be decoded before its pause is over."""
TaskKind = Literal["span", "guess", "partial", "answer"]


class Task(NamedTuple):
    """A span to decode. A 'guess' is a span that may go on; ``again`` says that the last did."""

    kind: TaskKind
    number: int
    span: Span
    again: bool = False


Report = Ready | Failed | Restarted | Decoded | Partial | Told
Deliver = Callable[[Report], None]


class Listener:
    """A process that decodes spans one after the other and reports to ``deliver``.

    A process that dies is started anew, :data:`RESTARTS` times, and gets again what it had not
    answered. ``deliver`` is called on a thread of its own.
    """

    def __init__(self, work: Callable[..., None], arguments: tuple[object, ...], deliver: Deliver):
        self._work = work
        self._arguments = arguments
        self._deliver = deliver
        self._turn = threading.Lock()
        self._unanswered: deque[Task] = deque()
        self._ready = threading.Event()
        self._failed: str | None = None
        self._restarts = 0
        self._closing = False
        self.version = ""
        self.name = ""
        self._start()
        threading.Thread(target=self._receive, daemon=True).start()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(
            target=self._work,
            args=(theirs, *self._arguments),
            daemon=True,
            name=self._work.__name__.strip("_"),
        )
        self._process.start()
        theirs.close()
        # A full pipe must not hold up the thread that writes the sound.
        self._outbox: queue.SimpleQueue[Task | None] = queue.SimpleQueue()
        threading.Thread(target=_hand_over, args=(self._pipe, self._outbox), daemon=True).start()

    def wait_until_ready(self) -> None:
        """Wait for the decoder to be loaded.

        Raises:
            UserFault: it cannot be loaded.
        """
        if not self._ready.wait(LOADING_SECONDS):
            self._failed = "The recogniser did not start; try again."
        if self._failed is not None:
            raise UserFault(self._failed)

    @property
    def process_id(self) -> int | None:
        """Of the process, for measuring."""
        return self._process.pid

    @property
    def pending(self) -> int:
        """How many reports are still to come; none after it has failed."""
        return len(self._unanswered) if self._failed is None else 0

    def send(self, kind: TaskKind, number: int, span: Span, again: bool) -> None:
        """Give a span to decode; while the process is being started anew it waits."""
        task = Task(kind, number, span, again)
        with self._turn:
            self._unanswered.append(task)
            self._outbox.put(task)

    def close(self) -> None:
        """End the process."""
        with self._turn:
            self._closing = True
            self._outbox.put(None)
            self._pipe.close()
        self._process.join(1.0)
        if self._process.is_alive():
            self._process.terminate()
            self._process.join(1.0)

    def _receive(self) -> None:
        while True:
            try:
                report = self._pipe.recv()
            except (EOFError, OSError, TypeError):  # The last where it is closed meanwhile.
                if self._started_anew():
                    continue
                return
            if isinstance(report, Ready):
                self.name, self.version = report
                self._ready.set()
            elif isinstance(report, Failed):
                self._fail(report.sentence)
                return
            else:
                with self._turn:
                    self._unanswered.popleft()
                self._deliver(report)

    def _started_anew(self) -> bool:
        with self._turn:
            if self._closing:
                return False
            again = self._ready.is_set() and self._restarts < RESTARTS
            if again:
                self._restarts += 1
                self._outbox.put(None)
                self._pipe.close()
                self._start()
                self._unanswered = deque(still_wanted(self._unanswered))
                for task in self._unanswered:
                    self._outbox.put(task)
        if not again:
            self._fail("The recogniser has stopped; what was heard is kept.")
            return False
        self._deliver(
            Restarted(
                "The recogniser had stopped and is started again; what is said meanwhile is kept "
                "and heard afterwards."
            )
        )
        return True

    def _fail(self, sentence: str) -> None:
        started = self._ready.is_set()
        self._failed = sentence
        self._ready.set()
        if started:
            self._deliver(Failed(sentence))


def _hand_over(pipe: Connection, outbox: queue.SimpleQueue[Task | None]) -> None:
    """Send what lies in the outbox until None lies there."""
    while (task := outbox.get()) is not None:
        try:
            pipe.send(task)
        except (OSError, TypeError):  # The last where it is closed meanwhile.
            return  # Whoever receives from the process sees too that it is gone.


def still_wanted(tasks: Iterable[Task]) -> list[Task]:
    """The tasks that a process without a past has to do, in their order.

    A guess that was wrong is left out, and so is what was only to be shown.
    """
    wanted: list[Task] = []
    for task in tasks:
        if task.again and wanted and wanted[-1].kind == "guess":
            wanted.pop()
        if task.kind != "partial":
            wanted.append(task)
    return wanted


def recogniser(maker: EngineMaker, deliver: Deliver) -> Listener:
    """Start the process that hears the talk."""
    return Listener(_hear_talk, (maker,), deliver)


def command_listener(words: CommandWords, deliver: Deliver) -> Listener:
    """Start the process that hears commands and answers."""
    return Listener(_hear_commands, (words,), deliver)


def _hear_talk(pipe: Connection, maker: EngineMaker) -> None:
    _leave_signals_to_parent()
    try:
        engine = load_engine(maker)
    except UserFault as fault:
        pipe.send(Failed(str(fault)))
        return
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # The session has ended.
        pipe.send(Ready(engine.name, engine.version))
        for task in _with_guesses(pipe):
            if task.kind == "partial":
                _decode_aside(pipe, engine, task.span)
            else:
                pipe.send(decoded(engine, task))
                learn = getattr(engine, "learn", None)
                if learn is not None:
                    learn()


def decoded(engine: Engine, task: Task) -> Decoded:
    """Decode a span and tell how long it took."""
    began, worked = time.perf_counter(), time.process_time()
    phrases = phrases_of(engine, task.span)
    return Decoded(task.number, phrases, time.perf_counter() - began, time.process_time() - worked)


def _with_guesses(pipe: Connection) -> Iterator[Task]:
    """Tasks until the other side is gone; each guess is given to a copy of this process.

    A decoder keeps a running mean of the sound. A guess that was wrong must leave no trace in it,
    so that live and converted sessions hear alike, but the library cannot copy a decoder. So the
    process is copied before a guess: where the guess held, the copy goes on in its place; where
    it was wrong, the copy ends and the process goes on as it was.
    """
    task: Task | None = None
    verdict = -1  # Of a copy: where to say that its guess was wrong.
    while True:
        if task is None:
            try:
                task = pipe.recv()
            except (EOFError, OSError):
                return
        if verdict >= 0:
            if task.again:
                with os.fdopen(verdict, "wb") as wrong:
                    pickle.dump(task, wrong)
                os._exit(0)
            os.close(verdict)  # The guess held: the process that waits may end.
            verdict = -1
        if task.kind == "guess":
            wait_for, verdict = os.pipe()
            if os.fork():
                os.close(verdict)
                verdict = -1
                with os.fdopen(wait_for, "rb") as told:
                    wrong_told = told.read()
                if not wrong_told:
                    os._exit(0)
                os.wait()
                task = pickle.loads(wrong_told)
                continue
            os.close(wait_for)
        yield task
        task = None


def _decode_aside(pipe: Connection, engine: Engine, span: Span) -> None:
    """Decode what is only shown, in a copy of this process that anything else cuts short."""
    if not hasattr(os, "fork"):
        return
    theirs, ours = os.pipe()
    child = os.fork()
    if not child:
        os.close(theirs)
        with os.fdopen(ours, "wb") as result:
            result.write(sounds_like(engine, span).encode())
        os._exit(0)
    os.close(ours)
    ready, _, _ = select.select([theirs, pipe.fileno()], [], [])
    with os.fdopen(theirs, "rb") as result:
        if pipe.fileno() in ready:
            os.kill(child, signal.SIGKILL)
        text = result.read().decode() if pipe.fileno() not in ready else ""
    os.waitpid(child, 0)
    pipe.send(Partial(text))


def _hear_commands(pipe: Connection, words: CommandWords) -> None:
    from dictate.live.command_ear import CommandEar

    _leave_signals_to_parent()
    try:
        ear = CommandEar(words)
    except UserFault as fault:
        pipe.send(Failed(str(fault)))
        return
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # The session has ended.
        pipe.send(Ready("commands", ""))
        for task in _tasks(pipe):
            began = time.perf_counter()
            command = ear.command(task.span.samples)
            answer = None
            if task.kind == "answer" and command is None:
                answer = ear.answer(task.span.samples)
            pipe.send(Told(task.number, command, answer, time.perf_counter() - began))
    ear.close()


def load_engine(maker: EngineMaker) -> Engine:
    """Load the recogniser in this process.

    Raises:
        UserFault: its model cannot be loaded.
    """
    if maker.vosk_model is not None:
        from dictate.recognition.vosk_engine import VoskEngine

        return VoskEngine(maker.vosk_model)
    from dictate.recognition.pocketsphinx_engine import PocketSphinxEngine

    assert maker.language is not None
    return PocketSphinxEngine(maker.language)


def phrases_of(engine: Engine, span: Span) -> tuple[HeardPhrase, ...]:
    """Decode one span."""
    by_span = getattr(engine, "hear_span", None)
    if by_span is not None:
        return tuple(by_span(span))
    return tuple(engine.hear([Block(span.start, span.samples)]))


def sounds_like(engine: Engine, span: Span) -> str:
    """What an unfinished span sounds like."""
    decode = getattr(engine, "decode", None)
    if decode is None:
        return " ".join(phrase.text for phrase in phrases_of(engine, span))
    return " ".join(decode(span.samples).words)


def _tasks(pipe: Connection) -> Iterator[Task]:
    """Tasks until the other side is gone."""
    while True:
        try:
            task = pipe.recv()
        except (EOFError, OSError):
            return
        yield task


def _leave_signals_to_parent() -> None:
    """The keys that stop the program stop the parent, which then ends this process."""
    for name in ("SIGINT", "SIGHUP", "SIGQUIT"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(1)  # The microphone goes first.
