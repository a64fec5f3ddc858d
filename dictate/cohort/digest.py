"""What a cohort's index keeps of one session: counts, levels and values, and no words."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict

from dictate import __version__

STEADY = frozenset({"vitals.height", "vitals.weight"})
"""What stays the same in one partner from week to week."""


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True)


class Expected(_Kept):
    """One line of the exam that a session is judged by; ``side`` is '' where there are none."""

    item: str
    side: str
    required: bool


class Judge(_Kept):
    """The exam that a session is judged by: a course (with its version) and its exam data."""

    course: str
    exam_version: str


class Spoken(_Kept):
    """How far an item and side got; ``side`` is '' without sides, '?' where it was not said."""

    item: str
    side: str
    level: int


class Reached(_Kept):
    """A region's lines of the checklist (an item and side each) by the furthest they got."""

    region: str
    expected: int
    performed: int
    reported: int
    measured: int


class Told(_Kept):
    """One result. ``number`` and ``second`` are in ``unit``; ``text`` is a code, never words."""

    item: str
    side: str
    site: str
    kind: str
    number: float | None = None
    second: float | None = None
    unit: str = ""
    text: str = ""
    status: str = ""
    doubtful: bool = False


class Raised(_Kept):
    """A flag's rule without its item, the item or region that it is about, and how grave."""

    rule: str
    about: str
    severity: str

    @property
    def of_order(self) -> bool:
        """Whether it is about the order of steps or of regions."""
        return self.rule == "region_order" or self.rule.startswith("order:")


class Digest(_Kept):
    """One session as the index keeps it.

    ``fingerprint`` is a hash of the numbers that were told, '' where there are few;
    ``seconds`` is the length of the sound; ``region_seconds`` the time spent in each
    region; ``content_sha256`` is that of the journal's bytes. ``problem`` is a sentence
    where the session could not be read, and everything else is then empty.
    """

    content_sha256: str
    judge: Judge
    problem: str = ""
    session_id: str = ""
    sound_sha256: str = ""
    learner: str = ""
    partner: str = ""
    started: datetime | None = None
    seconds: float = 0.0
    engine: str = ""
    program_version: str = __version__
    state: str = ""
    results: int = 0
    doubtful: int = 0
    spoken: tuple[Spoken, ...] = ()
    told: tuple[Told, ...] = ()
    raised: tuple[Raised, ...] = ()
    reached: tuple[Reached, ...] = ()
    region_seconds: dict[str, float] = {}
    fingerprint: str = ""

    @property
    def covered(self) -> float:
        """Share of the checklist's lines that have a result, 0 to 1."""
        expected = sum(one.expected for one in self.reached)
        return sum(one.reported + one.measured for one in self.reached) / max(expected, 1)
