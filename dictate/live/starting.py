"""Before a session starts: is the microphone good enough, and does the partner agree."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from datetime import datetime

from dictate.audio.level import SILENT_DBFS, Level, dbfs
from dictate.audio.source import Block
from dictate.errors import UserFault
from dictate.live.capture import Gone, Over, Sound
from dictate.live.cutting import LiveCutter
from dictate.live.hearing import Listener, Told
from dictate.live.keys import Key
from dictate.live.listening import Event, Stop

CHECK_SECONDS = 12.0
SPEECH_SECONDS = 1.2
"""So much speech tells how loud it is and how far above the noise."""
CONSENT_SECONDS = 120.0
STOPPED = "Stopped before the start; nothing was recorded."
Events = queue.SimpleQueue[Event]


def check_level(
    events: Events, metered: Callable[[float], None], seconds: float = CHECK_SECONDS
) -> Level:
    """Hear a sentence and measure it.

    Args:
        events: where the running microphone delivers.
        metered: called with the level of each block, dB below full scale.
        seconds: how long a sentence is waited for.

    Raises:
        UserFault: there is no sound at all: muted, or not allowed.
    """
    cutter = LiveCutter()
    spoken = heard = 0.0
    loudest = SILENT_DBFS
    until = time.monotonic() + seconds
    while time.monotonic() < until and spoken < SPEECH_SECONDS:
        try:
            event = events.get(timeout=0.5)
        except queue.Empty:
            continue
        if isinstance(event, Gone):
            raise UserFault(event.sentence)
        if isinstance(event, Stop):
            raise UserFault(STOPPED)
        if isinstance(event, Over):
            break
        if not isinstance(event, Sound):
            continue
        level = dbfs(event.samples)
        loudest = max(loudest, level)
        metered(level)
        for span in cutter.feed(Block(cutter.seconds, event.samples)):
            spoken += len(span.samples) / 16_000
        heard += len(event.samples) / 16_000
    if loudest <= SILENT_DBFS:
        raise UserFault(
            "The microphone gives no sound at all: it is muted, or this program may not use it; "
            "look at its switch and at the system's privacy settings."
        )
    return cutter.level


def level_sentence(level: Level) -> str:
    """What the check found, in one sentence."""
    if level.speech_dbfs is None:
        return "No speech was heard; it can be tried all the same."
    told = f"Speech at {level.speech_dbfs:.0f} dB"
    if level.snr is not None:
        told += f", {level.snr:.0f} dB above the noise"
    return f"{told}. {level.warning}" if level.warning else f"{told}: good."


def ask_consent(events: Events, ear: Listener | None, partner: str, learner: str) -> str:
    """Wait for a key or a spoken 'yes'; tell who agreed, when and how.

    Raises:
        UserFault: the answer is no, or none came.
    """
    cutter = LiveCutter()
    number = 0
    until = time.monotonic() + CONSENT_SECONDS
    agreed: bool | None = None
    how = ""
    while agreed is None and time.monotonic() < until:
        try:
            event = events.get(timeout=0.5)
        except queue.Empty:
            continue
        if isinstance(event, Key) and event.answer is not None:
            agreed, how = event.answer, "by a key"
        elif isinstance(event, Told) and event.answer is not None:
            # Consent is taken from no answer that might be something else.
            if event.answer.sure and event.answer.agrees is not None:
                agreed, how = event.answer.agrees, "aloud"
        elif isinstance(event, Stop):
            raise UserFault(STOPPED)
        elif isinstance(event, Sound) and ear is not None:
            for span in cutter.feed(Block(cutter.seconds, event.samples)):
                number -= 1
                ear.send("answer", number, span, False)
    if agreed is None:
        raise UserFault(
            "Nobody answered, so nothing was recorded; start again and say 'yes, I agree'."
        )
    if not agreed:
        raise UserFault("The partner did not agree, so nothing was recorded.")
    return consent_sentence(partner, learner, f"answered {how}")


def consent_sentence(partner: str, by: str, how: str) -> str:
    """Who agreed, who asked, and when."""
    moment = datetime.now().astimezone().isoformat(timespec="seconds")
    return f"{partner} agreed to be recorded; asked by {by}, {how}, {moment}"
