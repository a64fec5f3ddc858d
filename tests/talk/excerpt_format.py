"""The excerpts of exam talk and their truth, as models; the notation is in excerpts/README.md."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal

import yaml
from alike import OPPOSITE, PLAINLY_NORMAL
from pydantic import BaseModel, ConfigDict, Field, field_validator

from dictate.exam.catalogue import Catalogue, Item
from dictate.recognition.words import HeardPhrase, Word

FOLDER = Path(__file__).resolve().parent / "excerpts"
HELD_OUT = "heldout_"
FRESH = "fresh_"  # written later than the rest and scored apart, group by group
OPEN_FRESH = (
    "fresh_a",
    "fresh_c",
    "fresh_d",
    "fresh_e",
    "fresh_f",
    "fresh_g",
    "fresh_h",
    "fresh_i",
    "fresh_j",
)  # those of them that may be read
STYLES = ("clipped", "chatty", "instruct", "terse", "hesitant", "nonnative")
PHENOMENA = (
    "acuity",
    "aside",
    "correction",
    "courtesy",
    "courtesy_number",
    "digits",
    "exception",
    "garbled_pressure",
    "grade",
    "hedge",
    "hypothetical",
    "lay_words",
    "negated_list",
    "negation",
    "nothing_to_find",
    "number",
    "others_found",
    "performed",
    "plan",
    "punctuated",
    "question_reply",
    "range",
    "same_here",
    "side_carried",
    "side_flipped",
    "side_unknown",
    "sites",
    "strike",
    "trials",
)
SECONDS_PER_WORD = 0.35  # about 170 words a minute, a usual pace of speech

_Status = Literal["normal", "abnormal", "present", "absent", "indeterminate"]
_Level = Literal["performed", "reported", "measured"]


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Line(_Data):
    """What was heard between two pauses, from ``t`` seconds on."""

    t: float = Field(ge=0)
    text: str = Field(min_length=1)
    speaker: Literal["examiner", "partner"] | None = None


class TrueValue(_Data):
    """A value in the short notation; which keys are set says of which kind it is."""

    number: Decimal | None = None
    high: Decimal | None = None
    unit: str | None = None
    comparator: Literal["<", "<=", ">", ">="] | None = None
    approximate: bool = False
    systolic: Decimal | None = None
    diastolic: Decimal | None = None
    ratio: str | None = Field(default=None, pattern=r"^\d+(\.\d+)?/\d+(\.\d+)?$")
    letters: int = 0
    grade: Decimal | None = None
    modifier: Literal["plus", "minus"] | None = None
    code: str | None = None
    denied: bool = False
    trials: tuple[str, ...] | None = None
    right: int | None = None
    wrong: int | None = None
    text: str | None = None

    @field_validator("trials", mode="before")
    @classmethod
    def _as_words(cls, trials: Any) -> Any:
        """YAML reads an unquoted yes or no as a truth value; take it back as the word."""
        words = {True: "yes", False: "no"}
        if not isinstance(trials, list):
            return trials
        return [words[word] if isinstance(word, bool) else str(word) for word in trials]

    @property
    def kind(self) -> str:
        """The kind of value, named as in ``dictate.findings.finding``; '' when unclear."""
        kinds = {
            "quantity": self.number,
            "pressure": self.systolic,
            "ratio": self.ratio,
            "grade": self.grade,
            "choice": self.code,
            "trials": self.trials,
            "text": self.text,
        }
        said = [kind for kind, value in kinds.items() if value is not None]
        return said[0] if len(said) == 1 else ""


class Truth(_Data):
    """One entry that an attentive instructor would have written."""

    item: str
    side: Literal["left", "right", "both", "unspecified", "undivided"] | None = None
    site: str | None = None
    value: TrueValue | None = None
    status: _Status | None = None
    level: _Level | None = None
    hedged: bool = False
    doubtful: bool = False
    alternatives: tuple[TrueValue, ...] = Field(default=(), alias="or")

    @property
    def true_level(self) -> str | None:
        """The level, from the value where it is not written; None where either counts."""
        if self.level is not None or self.value is None:
            return self.level or "performed"
        if self.value.kind == "trials":
            return None
        return "reported" if self.value.kind in ("choice", "text") else "measured"

    @property
    def has_result(self) -> bool:
        """False for an entry that was only performed."""
        return self.true_level != "performed"

    def true_status(self, catalogue: Catalogue) -> str | None:
        """The status, from the reading where it is not written; None where it is not scored."""
        if self.status is not None or self.value is None or self.value.code is None:
            return self.status
        readings = {one.code: one.status for one in catalogue.items[self.item].readings}
        said = readings.get(self.value.code, PLAINLY_NORMAL)
        return OPPOSITE[said] if self.value.denied else said


class Excerpt(_Data):
    """One stretch of talk with its truth."""

    style: Literal["clipped", "chatty", "instruct", "terse", "hesitant", "nonnative"]
    phenomena: tuple[str, ...] = Field(min_length=1)
    lines: tuple[Line, ...] = Field(min_length=1)
    truth: tuple[Truth, ...] = ()
    forbidden: tuple[str, ...] = Field(default=(), alias="not")
    may: tuple[str, ...] = ()
    name: str = ""

    @property
    def held_out(self) -> bool:
        """True for an excerpt that is only scored, never shown."""
        return self.name.startswith(HELD_OUT)

    @property
    def group(self) -> str:
        """Which excerpts it is scored with: open, held out, or a half of the later ones."""
        if self.name.startswith(FRESH):
            return self.name[: len(FRESH) + 1]
        return "held out" if self.held_out else "open"

    @property
    def word_count(self) -> int:
        """How many words were said."""
        return sum(len(line.text.split()) for line in self.lines)


def read_excerpts(folder: Path = FOLDER) -> list[Excerpt]:
    """Read every excerpt of the folder, in the order of their names."""
    return [_read(path) for path in sorted(folder.glob("*.yaml"))]


def _read(path: Path) -> Excerpt:
    loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    data = yaml.load(path.read_text(encoding="utf-8"), Loader=loader)
    return Excerpt.model_validate({**data, "name": path.stem})


def phrases_of(lines: tuple[Line, ...]) -> list[HeardPhrase]:
    """Turn each line into a phrase whose words follow one another at an even pace.

    The pace is a usual one, quicker only where the next line would otherwise begin
    before this one ends.
    """
    phrases = []
    for place, line in enumerate(lines):
        texts = line.text.split()
        length = SECONDS_PER_WORD * len(texts)
        if place + 1 < len(lines):
            length = min(length, lines[place + 1].t - line.t)
        pace = length / max(len(texts), 1)
        words = tuple(
            Word(text=text, start=line.t + pace * number, end=line.t + pace * (number + 1))
            for number, text in enumerate(texts)
        )
        phrases.append(
            HeardPhrase(words=words, start=line.t, end=line.t + length, speaker=line.speaker)
        )
    return phrases


def complaints(excerpt: Excerpt, catalogue: Catalogue) -> Iterator[str]:
    """Say everything that does not fit the notation or the catalogue.

    The sentences name no words of the talk, so they may be shown for held-out excerpts.
    """
    for phenomenon in excerpt.phenomena:
        if phenomenon not in PHENOMENA:
            yield f"{excerpt.name}: unknown phenomenon '{phenomenon}'"
    times = [line.t for line in excerpt.lines]
    if any(later <= earlier for earlier, later in itertools.pairwise(times)):
        yield f"{excerpt.name}: the times do not rise"
    for item_id in excerpt.may:
        if item_id not in catalogue.items:
            yield f"{excerpt.name}: 'may' names '{item_id}', which is no item"
    for item_id in excerpt.forbidden:
        if item_id not in catalogue.items:
            yield f"{excerpt.name}: 'not' names '{item_id}', which is no item"
        elif any(entry.item == item_id and entry.has_result for entry in excerpt.truth):
            yield f"{excerpt.name}: '{item_id}' is both in the truth and under 'not'"
    for number, entry in enumerate(excerpt.truth, 1):
        place = f"{excerpt.name}: entry {number} ({entry.item})"
        item = catalogue.items.get(entry.item)
        if item is None:
            yield f"{place} is no item"
            continue
        if (entry.side is not None) != (item.sides == "paired"):
            yield f"{place} has side {entry.side}, but the item is {item.sides}"
        sites = [site.id for site in catalogue.sites_of(item)]
        if entry.site is not None and entry.site not in sites:
            yield f"{place} has site '{entry.site}', which the item lacks"
        for value in (entry.value, *entry.alternatives):
            if value is not None:
                yield from (f"{place}: {wrong}" for wrong in _value_complaints(value, item))


def _value_complaints(value: TrueValue, item: Item) -> Iterator[str]:
    if not value.kind:
        yield "the value has no kind or several"
    elif value.kind == "choice":
        if value.code not in {PLAINLY_NORMAL, *(reading.code for reading in item.readings)}:
            yield f"'{value.code}' is no reading of it"
    elif value.kind not in (item.kind, "text"):
        yield f"a {value.kind} is no value for a {item.kind}"
    if value.kind == "quantity" and value.unit is None:
        yield "a quantity needs its unit"
    if value.kind == "trials" and not set(value.trials or ()) <= set(item.answers):
        yield f"its answers are {', '.join(item.answers)}"
