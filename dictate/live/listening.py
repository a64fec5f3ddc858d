"""The running session: sound comes in, findings and answers go out, everything is journalled."""

from __future__ import annotations

import queue
import time
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Literal, NamedTuple, Protocol

import numpy as np

from dictate.audio.level import dbfs
from dictate.audio.segments import Span
from dictate.audio.source import SAMPLE_RATE, Block, Samples
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Finding
from dictate.live.answers import left_words, question_words, read_back_words, where_words
from dictate.live.capture import Back, Gone, Lost, Over, Sound, SoundEvent
from dictate.live.command_words import CommandName
from dictate.live.cutting import LiveCutter, same_sound
from dictate.live.hearing import (
    GUESSES,
    Decoded,
    Failed,
    Listener,
    Partial,
    Report,
    Restarted,
    Told,
)
from dictate.live.keys import Key, TypedValue
from dictate.live.record import Record
from dictate.live.shown import Shown, State
from dictate.live.sound_file import SoundFile

QUESTION_SECONDS = 12.0
"""So long a question of the program waits for its answer."""
PARTIAL_SECONDS = 0.8
STUCK_SECONDS = 60.0
"""A recogniser that gives no result for so long at the end has failed."""
SHOW_SECONDS = 0.2
PAUSED_STILL_HEARD = frozenset({"resume", "pause_or_resume", "done", "where"})

Tone = Literal["recorded", "doubtful", "warning"]
Ending = Literal["done", "stopped", "closed", "over", "failed"]


class Voice(Protocol):
    """Answers by ear; ``speaks`` is false where it only sounds tones, or nothing."""

    speaks: bool

    def say(self, sentence: str) -> None:
        """Speak, after what is being spoken."""
        ...

    def tone(self, tone: Tone) -> None:
        """Sound a short tone."""
        ...

    def silent_at(self, moment: float) -> bool:
        """Whether nothing could be heard from it at this ``time.monotonic()``."""
        ...

    def close(self) -> None:
        """Say what waits, then stop."""
        ...


class Silence:
    """No answers by ear."""

    speaks = False

    def say(self, sentence: str) -> None:
        """Say nothing."""

    def tone(self, tone: Tone) -> None:
        """Sound nothing."""

    def silent_at(self, moment: float) -> bool:
        """Never heard."""
        return True

    def close(self) -> None:
        """Nothing waits."""


class Stop(NamedTuple):
    """The session has to end for this reason."""

    ending: Ending


Event = SoundEvent | Report | Key | TypedValue | Stop


@dataclass
class _Heard:
    """A span on its way: numbered, given out, and what came back."""

    number: int
    span: Span
    closed: float | None = None
    phrases: Decoded | None = None
    told: Told | None = None
    while_paused: bool = False


class Delay(NamedTuple):
    """From the end of a phrase's pause until its fields were filled, seconds.

    ``audio`` is the length of the phrase, ``decoding`` and ``cpu`` how long it was decoded, on
    the clock and by the processor.
    """

    seconds: float
    audio: float
    decoding: float
    cpu: float


@dataclass
class _Question:
    """``by_ear`` while the next thing said may be its answer: it was asked aloud just now.

    Later on a 'yes' is rather the partner's, and only keys or the view settle the question.
    """

    finding: Finding
    until: float
    by_ear: bool


@dataclass
class Listening:
    """Runs one session until it ends.

    Args:
        catalogue: the exam.
        record: the journal and what it amounts to.
        sound: the file that the sound goes to.
        talk: the process that hears the talk.
        ear: the process that hears commands; None where keys alone give them.
        voice: answers by ear.
        gate: while the voice sounds, silence is written in place of what the microphone hears.
        show: called with what is to be shown whenever it changed.
        line: called with a sentence that has to be read.
    """

    catalogue: Catalogue
    record: Record
    sound: SoundFile
    talk: Listener
    ear: Listener | None
    voice: Voice = field(default_factory=Silence)
    gate: bool = True
    show: Callable[[Shown], None] = lambda shown: None
    line: Callable[[str], None] = lambda sentence: None
    events: queue.SimpleQueue[Event] = field(default_factory=queue.SimpleQueue)
    delays: list[Delay] = field(default_factory=list)
    decoding_cpu: float = 0.0

    def __post_init__(self) -> None:
        self._cutter = LiveCutter()
        self._cutter.start_at(self.sound.seconds)
        self._state: State = "listening"
        self._numbers = 0
        self._guess: _Heard | None = None
        self._waiting: deque[_Heard] = deque()
        self._by_number: dict[int, _Heard] = {}
        self._ending: Ending | None = None
        self._level = -90.0
        self._partial = ""
        self._partial_at = 0.0
        self._told = ""
        self._shown_at = 0.0
        self._question: _Question | None = None
        self._to_ask: deque[str] = deque()
        self._asked: set[str] = set()
        self._warned = {flag.rule: flag.sentence for flag in self.record.live_flags}
        self._lost = 0
        self._writing = True
        self._in_time = True
        self._arrived = time.monotonic()

    def deliver(self, event: Event) -> None:
        """Put an event into the line; may be called on any thread."""
        self.events.put(event)

    def run(self) -> Ending:
        """Take events until the session ends, then finish what was begun."""
        try:
            while self._ending is None:
                self._take(self.events.get())
        except KeyboardInterrupt:
            self._ending = "stopped"
        return self._finish()

    def play(self, pieces: Iterable[Samples]) -> Ending:
        """Hear sound as fast as it can be decoded, each piece after all before it was read."""
        self._in_time = False
        began, played = time.monotonic(), 0
        try:
            for samples in pieces:
                # Questions wait by the time of the sound, not by that of the machine.
                played += len(samples)
                self._take(Sound(samples, began + played / SAMPLE_RATE))
                self._catch_up()
                if self._ending is not None:
                    break
            else:
                self._ending = "over"
        except KeyboardInterrupt:
            self._ending = "stopped"
        return self._finish()

    def replay(self, blocks: Iterable[Block]) -> None:
        """Hear sound that the file holds already: what was said just before a break.

        Raises:
            UserFault: the recogniser has stopped; what it has not heard yet stays to be heard.
        """
        self._writing = False
        started = False
        for block in blocks:
            if not started:
                self._cutter.start_at(block.start)
                started = True
            self._cut(block.samples, time.monotonic())
            self._catch_up()
        self._close_span()
        self._catch_up()
        if self._ending == "failed":
            raise UserFault("The recogniser has stopped; all that was recorded is kept: try again.")
        self._ending = None
        self._state = "listening"
        self._writing = True
        self._cutter = LiveCutter()
        self._cutter.start_at(self.sound.seconds)

    def command(
        self,
        name: CommandName,
        words: str,
        value: tuple[str, ...] = (),
        said_until: float | None = None,
    ) -> None:
        """Do a command, said or given by a key.

        Args:
            name: which one.
            words: what was said, or which key it was.
            value: the words of a number.
            said_until: where in the recording it ended, None where it was no speech.
        """
        if self._state == "paused" and name not in PAUSED_STILL_HEARD:
            self._tell("Paused. Say or press 'resume' first.")
            return
        self.record.command(name, words, self._moment, said_until)
        if name == "pause" or (name == "pause_or_resume" and self._state == "listening"):
            self._pause()
        elif name in ("resume", "pause_or_resume"):
            self._resume()
        elif name == "strike":
            self._changed(self.record.strike(), "Nothing to take back.")
        elif name == "replace":
            asked = self._question.finding if self._question is not None else None
            self._question = None
            self._changed(
                self.record.replace(value, asked), "That value does not fit the last finding."
            )
        elif name == "mark":
            self.record.mark(self._moment)
            self._tell("Marked.")
        elif name == "done":
            self._ending = "done"
        else:
            self._tell(self._answer(name))
        self._shown()

    @property
    def _moment(self) -> float:
        """Where in the recording we are, seconds."""
        return self._cutter.seconds if self._state == "listening" else self.sound.seconds

    def _answer(self, name: CommandName) -> str:
        coverage, region = self.record.coverage, self.record.region
        if name == "left_here":
            return left_words(coverage, self.catalogue, region)
        if name == "left_in_all":
            return left_words(coverage, self.catalogue, None)
        if name == "read_back":
            return read_back_words(self.record.findings, self.catalogue, region)
        return where_words(coverage, self.catalogue, region, self._moment)

    def _take(self, event: Event) -> None:
        if isinstance(event, Sound):
            self._hear(event)
        elif isinstance(event, Decoded | Told):
            self._came_back(event)
        elif isinstance(event, Partial):
            if self._cutter.speaking and self._partial != event.text:
                self._partial = event.text
                self._shown()
        elif isinstance(event, Key):
            self._pressed(event)
        elif isinstance(event, TypedValue):
            self.command("replace", event.text, tuple(event.text.split()))
        elif isinstance(event, Lost):
            self._lost += event.times
            self.record.notice(
                f"The machine was too slow: sound was lost {event.times} time(s) just before "
                f"{self._cutter.seconds:.1f} s."
            )
            self.line(f"Sound was lost ({self._lost} in all): close other programs.")
        elif isinstance(event, Gone):
            self._close_span()
            self._state = "waiting for a microphone"
            self.record.notice(event.sentence)
            self._warn(event.sentence)
        elif isinstance(event, Back):
            self._state = "listening"
            self.record.notice(f"Listening again with the microphone '{event.name}'.")
            self._tell(f"Listening again with '{event.name}'.")
        elif isinstance(event, Restarted):
            self.record.notice(event.sentence)
            self._told = event.sentence
            self._warn(event.sentence)
        elif isinstance(event, Failed):
            self._warn(event.sentence)
            self._ending = "failed"
        elif isinstance(event, Over):
            self._ending = "over"
        elif isinstance(event, Stop):
            self._ending = event.ending
        self._shown(hurry=not isinstance(event, Sound))

    def _hear(self, sound: Sound) -> None:
        samples = sound.samples
        if self.gate and not self.voice.silent_at(sound.arrived):
            # Half duplex: the program does not hear itself, and the times stay true.
            samples = np.zeros_like(samples)
        self._level = dbfs(samples)
        if self._state == "listening":
            self.sound.write(samples)
            self.record.pass_time(len(samples) / SAMPLE_RATE)
        elif self._state != "paused":
            return
        self._cut(samples, sound.arrived)

    def _cut(self, samples: Samples, arrived: float) -> None:
        self._arrived = arrived
        before = self._guess
        spans = self._cutter.feed(Block(self._cutter.seconds, samples))
        guess = self._cutter.guess
        for span in spans:
            self._closed(span)
        if (
            GUESSES
            and guess is not None
            and not (before is not None and same_sound(before.span, guess))
        ):
            self._guess = self._give_out(guess, guessed=True)
        self._want_partial(arrived)
        if not self._cutter.speaking:
            if self.record.settle_by(self._cutter.seconds):
                self._filled()
            self._maybe_ask(arrived)

    def _closed(self, span: Span) -> None:
        """A span is complete: take the guess where it held, else give it out."""
        guess = self._guess
        if guess is not None and same_sound(guess.span, span):
            heard = guess
        else:
            heard = self._give_out(span, guessed=False)
        self._guess = None
        heard.closed = self._arrived
        heard.while_paused = self._state == "paused"
        self._partial = ""
        self._waiting.append(heard)
        self._settle()

    def _close_span(self) -> None:
        for span in self._cutter.finish():
            self._closed(span)

    def _give_out(self, span: Span, *, guessed: bool) -> _Heard:
        """Let a span be decoded; a wrong guess before it is forgotten."""
        again = self._forget_guess()
        self._numbers += 1
        heard = _Heard(self._numbers, span)
        self._by_number[heard.number] = heard
        if self._state != "paused":
            self.talk.send("guess" if guessed else "span", heard.number, span, again)
        else:
            heard.phrases = Decoded(heard.number, (), 0.0)
        if self.ear is not None:
            asked = self._question is not None and self._question.by_ear
            kind: Literal["answer", "span"] = "answer" if asked else "span"
            self.ear.send(kind, heard.number, span, again)
        else:
            heard.told = Told(heard.number, None, None, 0.0)
        return heard

    def _forget_guess(self) -> bool:
        """The last guess was wrong, if there was one: true where it has to be undone."""
        guess, self._guess = self._guess, None
        if guess is not None:
            self._by_number.pop(guess.number, None)
        return guess is not None

    def _came_back(self, report: Decoded | Told) -> None:
        heard = self._by_number.get(report.number)
        if heard is None:
            return  # Of a guess that was wrong.
        if isinstance(report, Decoded):
            heard.phrases = report
            self.decoding_cpu += report.cpu
        else:
            heard.told = report
        self._settle()

    def _settle(self) -> None:
        """Read the spans that are complete, in their order."""
        while self._waiting:
            heard = self._waiting[0]
            if heard.phrases is None or heard.told is None:
                return
            self._waiting.popleft()
            del self._by_number[heard.number]
            self._read(heard, heard.phrases, heard.told)

    def _read(self, heard: _Heard, decoded: Decoded, told: Told) -> None:
        if told.command is not None:
            until = None if heard.while_paused else heard.span.end
            self.command(told.command.name, told.command.words, told.command.value, until)
            return
        if heard.while_paused:
            return
        question = self._question
        if question is not None and question.by_ear:
            answer = told.answer
            text = " ".join(phrase.text for phrase in decoded.phrases)
            if answer is not None and (answer.sure or answer.heard_in(text)):
                self._answered(answer.agrees, answer.words, answer.value, heard.span.end)
                return
            question.by_ear = False
        for phrase in decoded.phrases:
            self.record.hear(phrase)
        if decoded.phrases:
            self._filled()
            assert heard.closed is not None
            self.delays.append(
                Delay(
                    time.monotonic() - heard.closed,
                    len(heard.span.samples) / SAMPLE_RATE,
                    decoded.seconds,
                    decoded.cpu,
                )
            )

    def _filled(self) -> None:
        """Tell what the last phrase brought."""
        news = self.record.news()
        doubtful = [one for one in news if one.doubtful and one.value is not None]
        self._to_ask.extend(
            one.id for one in doubtful if one.id not in self._asked and one.value is not None
        )
        flags = [flag for flag in self.record.live_flags if flag.rule not in self._warned]
        for flag in flags:
            self._warned[flag.rule] = flag.sentence
            self._warn(flag.sentence)
        if doubtful:
            self.voice.tone("doubtful")
        elif news and not flags:
            self.voice.tone("recorded")
        self._shown()

    def _maybe_ask(self, moment: float) -> None:
        if self._question is not None:
            if moment > self._question.until:
                self._question = None
                self._shown()
            return
        if not self._to_ask or self._waiting or not self.voice.silent_at(moment):
            return
        finding = self.record.standing(self._to_ask.popleft())
        if finding is None or not finding.doubtful or finding.id in self._asked:
            return
        self._asked.add(finding.id)
        self._question = _Question(finding, moment + QUESTION_SECONDS, self.voice.speaks)
        self.voice.say(question_words(finding, self.catalogue))
        self._shown()

    def _answered(
        self,
        agrees: bool | None,
        words: str,
        value: tuple[str, ...],
        said_until: float | None = None,
    ) -> None:
        question = self._question
        if question is None:
            return
        self._question = None
        self.record.command("answer", words, self._moment, said_until)
        if value:
            self._changed(
                self.record.replace(value, question.finding), "That value does not fit; say it so."
            )
        elif agrees:
            self.record.confirm(question.finding)
            self.voice.tone("recorded")
        else:
            self.record.strike(question.finding, "not confirmed when asked")
            self._tell("Taken back. Say it again.")
        self._shown()

    def _pressed(self, key: Key) -> None:
        if self._question is not None and key.answer is not None:
            self._answered(key.answer, key.name, ())
        elif key.command is not None:
            self.command(key.command, f"key {key.name}")

    def _changed(self, done: str | None, otherwise: str) -> None:
        if done is None:
            self._tell(otherwise)
        else:
            self.record.news()
            self._tell(done)

    def _pause(self) -> None:
        self._close_span()
        self._state = "paused"
        self._cutter = LiveCutter()
        self._tell("Paused.")

    def _resume(self) -> None:
        if self._state == "paused":
            self._guess = None
            self._cutter = LiveCutter()
            self._cutter.start_at(self.sound.seconds)
            self._state = "listening"
        self._tell("Listening.")

    def _tell(self, sentence: str) -> None:
        self._told = sentence
        self.line(sentence)
        self.voice.say(sentence)

    def _warn(self, sentence: str) -> None:
        self.voice.tone("warning")
        self.line(sentence)

    def _want_partial(self, moment: float) -> None:
        if (
            self._state != "listening"
            or not self._cutter.speaking
            or self.talk.pending
            or moment - self._partial_at < PARTIAL_SECONDS
            or self._cutter.guess is not None
        ):
            return
        span = self._cutter.pending
        if span is not None and self._writing and self._in_time:
            self._partial_at = moment
            self.talk.send("partial", 0, span, self._forget_guess())

    def _catch_up(self) -> None:
        while self._ending != "failed" and (
            self.talk.pending or (self.ear is not None and self.ear.pending)
        ):
            with suppress(queue.Empty):  # A recogniser that has failed has nothing pending.
                self._take(self.events.get(timeout=1))
        while not self.events.empty():
            self._take(self.events.get())

    def _finish(self) -> Ending:
        """Close the last phrase, wait for what is being decoded, end the journal."""
        assert self._ending is not None
        ending = self._ending
        self._state = "finishing"
        self._shown()
        if ending != "failed":
            self._close_span()
            until = time.monotonic() + STUCK_SECONDS
            while self._waiting:
                if time.monotonic() > until:
                    return "failed"  # What waits is in the sound and must not be given up.
                try:
                    event = self.events.get(timeout=1)
                except queue.Empty:
                    continue
                if isinstance(event, Decoded | Told):
                    self._came_back(event)
                    until = time.monotonic() + STUCK_SECONDS
                elif isinstance(event, Restarted):
                    self._take(event)
                elif isinstance(event, Failed):
                    return "failed"
        self.record.settle()
        return ending

    def _flags_in_order(self) -> tuple[str, ...]:
        """What is flagged now, the newest last."""
        standing = {flag.rule: flag.sentence for flag in self.record.live_flags}
        return tuple(standing[rule] for rule in self._warned if rule in standing)

    def _shown(self, hurry: bool = True) -> None:
        moment = time.monotonic()
        if not hurry and moment - self._shown_at < SHOW_SECONDS:
            return
        self._shown_at = moment
        self.show(
            self.record.shown().model_copy(
                update={
                    "state": self._state,
                    "seconds": self.sound.seconds,
                    "level_dbfs": self._level,
                    "snr": self._cutter.level.snr,
                    "partial": self._partial,
                    "told": self._told,
                    "question": question_words(self._question.finding, self.catalogue)
                    if self._question is not None
                    else "",
                    "lost": self._lost,
                    "flags": self._flags_in_order(),
                }
            )
        )
