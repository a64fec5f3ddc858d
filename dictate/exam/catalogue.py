"""The exam as pydantic models: regions, items, readings, ranges and their sources.

The files under ``grammars/`` are checked against these models; the comments at the
top of each file say in plain words what its keys mean.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

Key = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
ItemId = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*$")]
Phrase = Annotated[str, StringConstraints(min_length=1, max_length=600)]

Kind = Literal["finding", "quantity", "pressure", "ratio", "grade", "trials", "text"]
Polarity = Literal["normal", "abnormal", "present", "absent"]
Sidedness = Literal["single", "paired", "midline"]


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Source(_Data):
    """A publication that a range, scale or rule is taken from."""

    title: str
    body: str = Field(description="Who published it: journal, society, standards body.")
    year: int | None = None
    kind: Literal["published", "common practice", "from memory"] = "published"


class Limits(_Data):
    """A range with its source; an open end is left out."""

    low: float | None = None
    high: float | None = None
    source: Key
    note: str = ""

    @model_validator(mode="after")
    def _ordered(self) -> Limits:
        if self.low is None and self.high is None:
            raise ValueError("a range needs 'low' or 'high'")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError("'low' is above 'high'")
        return self


class Ranges(_Data):
    """What is usual, and what is so far out that it was more likely misheard."""

    usual: Limits | None = None
    plausible: Limits | None = None
    others: tuple[Limits, ...] = Field(
        default=(), description="Ranges of further textbooks that disagree with 'usual'."
    )


class Difference(_Data):
    """The left/right difference from which on a person should look again."""

    by: float = Field(gt=0)
    source: Key
    note: str = ""


class Coding(_Data):
    """A code of a published code system."""

    system: Literal["loinc", "snomed"]
    code: str
    display: str


class Reading(_Data):
    """One result that an item can have, and how it is said."""

    code: Key
    title: str
    status: Polarity = Field(
        description="normal/abnormal for a quality, present/absent for a sign or symptom."
    )
    say: tuple[Phrase, ...] = Field(min_length=1)
    alone: bool = Field(
        default=False,
        description="True when the words name the item by themselves, without its name.",
    )


class Question(_Data):
    """A question to the partner; a 'yes' affirms the reading, a 'no' denies it."""

    say: tuple[Phrase, ...] = Field(min_length=1)
    about: Key | None = Field(
        default=None, description="The reading asked about; left out for an open question."
    )


class Site(_Data):
    """A place within an item: a quadrant, a level, a named area."""

    id: Key
    title: str
    say: tuple[Phrase, ...] = Field(min_length=1)
    side: Literal["left", "right", "midline"] | None = Field(
        default=None, description="Set where the place itself lies on one side."
    )


class Scale(_Data):
    """A grading scale."""

    title: str
    low: float = 0
    high: float
    usual: float | None = Field(default=None, description="The grade that counts as normal.")
    usual_to: float | None = Field(default=None, description="Upper end where several are normal.")
    plus: bool = Field(default=False, description="Grades are said with 'plus'.")
    out_of: tuple[int, ...] = Field(default=(), description="'three out of five': the five.")
    trace: float | None = Field(default=None, description="The number that 'trace' stands for.")
    words: dict[str, float] = Field(default_factory=dict, description="Words that are grades.")
    source: Key


class Item(_Data):
    """One thing to examine."""

    id: ItemId
    title: str
    kind: Kind = "finding"
    sides: Sidedness = "single"
    sites: Key | None = Field(default=None, description="Name of a list in sites.yaml.")
    default: bool = Field(default=True, description="False: only where a course asks for it.")
    names: tuple[Phrase, ...] = ()
    performed: tuple[Phrase, ...] = ()
    asked: tuple[Question, ...] = ()
    readings: tuple[Reading, ...] = ()
    say_value: tuple[Phrase, ...] = Field(
        default=(), description="Further ways to say the value; <number> stands for it."
    )
    unit: str | None = Field(default=None, description="UCUM unit of a quantity or pressure.")
    other_units: tuple[str, ...] = Field(
        default=(), description="UCUM units that may be said instead and are converted."
    )
    decimals: int = Field(default=0, ge=0, le=3)
    scale: Key | None = Field(default=None, description="Name of a scale in scales.yaml.")
    answers: tuple[str, ...] = Field(
        default=(), description="What the partner may answer in trials, such as sharp and dull."
    )
    ranges: Ranges = Ranges()
    diastolic: Ranges = Field(default=Ranges(), description="Second half of a pressure.")
    differs: Difference | None = None
    bare_number: bool = Field(
        default=True, description="A number said alone while the item is the topic is its value."
    )
    by_name: bool = Field(
        default=False,
        description="A special test: results count only where it is named or in hand.",
    )
    of: ItemId | None = Field(
        default=None,
        description="A quality of this item's sign, told only where the sign is there.",
    )
    short: tuple[str, ...] = Field(
        default=(),
        description="Of a movement: what it is called while its joint is in hand and a number "
        "follows (elbows: 'bend one forty').",
    )
    strength: ItemId | None = Field(
        default=None,
        description="Of a range of movement: the strength of that movement, which a number "
        "up to five or one out of five is about.",
    )
    nerves: tuple[str, ...] = Field(default=(), description="Cranial nerves, roman numerals.")
    systems: tuple[str, ...] = ()
    codes: tuple[Coding, ...] = ()
    source: Key | None = None
    note: str = ""

    @model_validator(mode="after")
    def _complete(self) -> Item:
        if self.kind == "quantity" and self.unit is None:
            raise ValueError("a quantity needs 'unit'")
        if self.kind == "grade" and self.scale is None:
            raise ValueError("a grade needs 'scale'")
        if self.kind == "trials" and not self.answers:
            raise ValueError("trials need 'answers'")
        codes = [reading.code for reading in self.readings]
        if len(set(codes)) != len(codes):
            raise ValueError("two readings have the same code")
        for question in self.asked:
            if question.about is not None and question.about not in codes:
                raise ValueError(f"a question is about '{question.about}', which is no reading")
        return self

    @property
    def region(self) -> str:
        """The region's identifier: the part of the id before the dot."""
        return self.id.partition(".")[0]

    def reading(self, code: str) -> Reading:
        """Return the reading with this code.

        Raises:
            KeyError: the item has no such reading.
        """
        for reading in self.readings:
            if reading.code == code:
                return reading
        raise KeyError(code)


class Region(_Data):
    """A part of the exam, in its place from head to toe."""

    region: Key
    title: str
    order: int
    default: bool = True
    loinc: Coding | None = Field(default=None, description="Section code of the physical findings.")
    announced: tuple[Phrase, ...] = Field(
        default=(), description="Ways to say that this region comes now."
    )
    opposite: Key | None = Field(
        default=None,
        description="The region in which the same is examined from the other side of the trunk; "
        "going over to it is announced.",
    )
    whole_body: bool = Field(
        default=False,
        description="Looked at everywhere: its results may be told while another region is named.",
    )
    rules: dict[Key, Phrase] = Field(
        default_factory=dict, description="Named phrases that the items here refer to as <name>."
    )
    items: tuple[Item, ...]

    @model_validator(mode="after")
    def _items_belong(self) -> Region:
        for item in self.items:
            if item.region != self.region:
                raise ValueError(f"item '{item.id}' does not begin with '{self.region}.'")
        return self


class Conflict(_Data):
    """Two readings that do not go together.

    Each side is written ``item_id=reading_code`` (affirmed), ``item_id!reading_code``
    (denied) or ``item_id`` with a comparison such as ``heart.murmur_grade<=3``.
    """

    id: Key
    first: str
    second: str
    same_side: bool = True
    sentence: str
    source: Key
    severity: Literal["error", "warning", "note"] = "warning"


class OrderRule(_Data):
    """An item that is to be performed before others."""

    id: Key
    first: ItemId
    then: tuple[ItemId, ...]
    sentence: str
    source: Key


class Derived(_Data):
    """A measure computed from others; the formula's name is known to the checks package."""

    id: Key
    title: str
    formula: Literal[
        "pulse_pressure",
        "mean_arterial_pressure",
        "body_mass_index",
        "side_difference",
        "logmar",
        "decimal_acuity",
        "mean_of_repeats",
    ]
    of: tuple[ItemId, ...]
    unit: str
    written: str = Field(description="The formula in words and signs, for people.")
    source: Key
    ranges: Ranges = Ranges()
    codes: tuple[Coding, ...] = ()


class CheckRules(_Data):
    """Rules between items: conflicts and the order of steps."""

    conflicts: tuple[Conflict, ...] = ()
    order: tuple[OrderRule, ...] = ()
    derived: tuple[Derived, ...] = ()


class Catalogue(_Data):
    """Everything that ``grammars/`` says about the exam."""

    regions: tuple[Region, ...]
    sites: dict[str, tuple[Site, ...]]
    scales: dict[str, Scale]
    sources: dict[str, Source]
    checks: CheckRules = CheckRules()
    version: str = Field(description="Hash of the files read.")

    @cached_property
    def items(self) -> dict[str, Item]:
        """All items by id, in exam order."""
        return {item.id: item for region in self.regions for item in region.items}

    @cached_property
    def places_of(self) -> dict[str | None, frozenset[str]]:
        """The lists of sites that the items of each region have; under None those of all."""
        lists: dict[str | None, frozenset[str]] = {
            region.region: frozenset(item.sites for item in region.items if item.sites is not None)
            for region in self.regions
        }
        lists[None] = frozenset[str]().union(*lists.values())
        return lists

    @cached_property
    def halves(self) -> tuple[str, ...]:
        """The regions that are examined from the other side of the trunk, too, in exam order."""
        return tuple(one.region for one in self.regions if one.opposite is not None)

    @cached_property
    def behind(self) -> dict[str, str]:
        """For each half of the trunk that comes after its opposite, that opposite."""
        order = {one.region: one.order for one in self.regions}
        return {
            one.opposite: one.region
            for one in self.regions
            if one.opposite is not None and one.order < order.get(one.opposite, one.order)
        }

    @cached_property
    def place(self) -> dict[str, int]:
        """Each item's place in the exam order, counted from 0."""
        return {item_id: place for place, item_id in enumerate(self.items)}

    def region_of(self, item_id: str) -> Region:
        """Return the region that holds the item.

        Raises:
            KeyError: no region has this item.
        """
        name = item_id.partition(".")[0]
        for region in self.regions:
            if region.region == name:
                return region
        raise KeyError(item_id)

    def sites_of(self, item: Item) -> tuple[Site, ...]:
        """The item's sites; empty where it has none."""
        return self.sites[item.sites] if item.sites else ()
