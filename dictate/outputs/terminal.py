"""The terminal, safe from what was said or named elsewhere."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from dictate.errors import unsteering


class SafeConsole(Console):
    """A console whose texts cannot steer the terminal: no escape sequences from outside."""

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """As in Rich, with control characters in texts replaced."""
        for segment in super().render(renderable, options):
            if segment.control:
                yield segment
            else:
                yield Segment(unsteering(segment.text), segment.style)
