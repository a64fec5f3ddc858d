"""What every recogniser offers, whatever it is made of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Protocol, runtime_checkable

from dictate.audio.level import Level
from dictate.audio.source import Block
from dictate.recognition.words import HeardPhrase


@runtime_checkable
class Engine(Protocol):
    """Turns a stream of sound into phrases. One engine object serves one stream at a time."""

    @property
    def name(self) -> str:
        """Short name, as chosen on the command line."""
        ...

    @property
    def version(self) -> str:
        """Version of the library and of what it was given, for the record."""
        ...

    @property
    def level(self) -> Level | None:
        """Levels of what was heard since ``hear`` began, None where nothing was."""
        ...

    def hear(self, blocks: Iterable[Block]) -> Iterator[HeardPhrase]:
        """Yield each phrase as soon as the pause after it was heard.

        Times are those of the blocks, so phrases stand where they were recorded.
        """
        ...

    def partial(self) -> str:
        """Return what the phrase being spoken sounds like so far; may change, never store it."""
        ...
