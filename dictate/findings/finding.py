"""What was found, where, when and how sure: the model that every later stage reads."""

from __future__ import annotations

from decimal import Decimal
from enum import Enum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from dictate.audio.times import Seconds

Side = Literal["left", "right", "both", "midline", "unspecified"]
Status = Literal["normal", "abnormal", "present", "absent", "indeterminate"]
Speaker = Literal["examiner", "partner", "unknown"]
Comparator = Literal["<", "<=", ">", ">="]

# No measure of a body comes near; beyond it decimals can no longer be reckoned exactly.
Figure = Annotated[Decimal, Field(gt=-1_000_000_000, lt=1_000_000_000, max_digits=40)]


class Level(str, Enum):
    """How far an item and side got; the four levels of coverage in rising order."""

    UNSPOKEN = "unspoken"
    PERFORMED = "performed"
    REPORTED = "reported"
    MEASURED = "measured"

    @property
    def rank(self) -> int:
        """0 for unspoken to 3 for measured."""
        return list(Level).index(self)


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True)


class Quantity(_Value):
    """A number with its UCUM unit; ``high`` is set where a range was said."""

    kind: Literal["quantity"] = "quantity"
    number: Figure
    high: Figure | None = None
    unit: str
    comparator: Comparator | None = None
    approximate: bool = False
    said_number: Figure | None = Field(default=None, description="Before unit conversion.")
    said_unit: str | None = None


class Pressure(_Value):
    """Systolic over diastolic, both in ``unit``."""

    kind: Literal["pressure"] = "pressure"
    systolic: Figure
    diastolic: Figure
    unit: str = "mm[Hg]"
    approximate: bool = False


class Ratio(_Value):
    """An acuity: ``numerator`` over ``denominator``, plus or minus ``letters``."""

    kind: Literal["ratio"] = "ratio"
    numerator: Figure
    denominator: Figure
    letters: int = 0


class Grade(_Value):
    """A grade on a named scale; ``modifier`` is plus or minus where it was said."""

    kind: Literal["grade"] = "grade"
    grade: Figure
    scale: str
    out_of: int | None = None
    modifier: Literal["plus", "minus"] | None = None


class Choice(_Value):
    """One of the item's readings; ``denied`` when it was said not to be so."""

    kind: Literal["choice"] = "choice"
    code: str
    title: str
    denied: bool = False


class Trials(_Value):
    """Repeated trials: how many were heard, and how many were right where that can be known."""

    kind: Literal["trials"] = "trials"
    answers: tuple[str, ...]
    right: int | None = None
    wrong: int | None = None


class Text(_Value):
    """Short text as heard, where the item has no closed list of results."""

    kind: Literal["text"] = "text"
    text: str


Value = Annotated[
    Quantity | Pressure | Ratio | Grade | Choice | Trials | Text, Field(discriminator="kind")
]


class Finding(BaseModel):
    """One statement about one item and side.

    ``start`` and ``end`` are seconds from the start of the recording. ``words`` is
    what it rests on, as heard. ``doubts`` are sentences for the reader that say why
    the finding wants a second look; ``alternatives`` the other values that the sound
    could have meant. ``superseded_by`` and ``struck`` keep what was corrected.
    """

    model_config = ConfigDict(frozen=True)

    id: str
    item: str
    side: Side | None = Field(default=None, description="None where the item has no sides.")
    side_inferred: bool = Field(default=False, description="Carried on from earlier talk.")
    site: str | None = None
    value: Value | None = None
    status: Status | None = Field(default=None, description="None when only performed.")
    level: Level
    certainty: Literal["sure", "hedged"] = "sure"
    start: Seconds
    end: Seconds
    words: str
    utterances: tuple[int, ...] = ()
    confidence: float = Field(default=1.0, ge=0, le=1)
    speaker: Speaker = "unknown"
    doubts: tuple[str, ...] = ()
    alternatives: tuple[Value, ...] = ()
    superseded_by: str | None = None
    struck: bool = False
    by_hand: bool = False

    @property
    def stands(self) -> bool:
        """True unless it was struck or replaced."""
        return not self.struck and self.superseded_by is None

    @property
    def doubtful(self) -> bool:
        """True when a person should confirm it."""
        return bool(self.doubts)
