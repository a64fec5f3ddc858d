"""A course's own exam: what is on its checklist, in which order, with which ranges and words.

A course is one YAML file; its keys are the fields of ``Course``. It changes a copy of the
exam data and never the data itself.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, TypeAdapter

from dictate.errors import UserFault
from dictate.exam.catalogue import (
    Catalogue,
    CheckRules,
    Difference,
    Item,
    ItemId,
    Key,
    Phrase,
    Ranges,
    Reading,
    Region,
    Scale,
    Site,
    Source,
)
from dictate.exam.location import grammars_folder
from dictate.exam.reading import Lines, check_item, check_region, read_with_lines

Place = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)?$")]
"""A region's key or an item's id."""

_ITEM_IN_RULE = re.compile(r"^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*")
_Loc = tuple[int | str, ...]
_USUAL_COMMUNICATION = {
    "opening": "Greets, explains and asks for consent",
    "announces": "Says what comes next before touching",
    "comfort": "Keeps the partner covered and comfortable",
    "results": "States results clearly, each with its side",
}


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ItemChange(_Data):
    """What a course does to one item; a key that is left out stays as it is."""

    title: str | None = None
    names: tuple[Phrase, ...] | None = Field(default=None, description="In place of the names.")
    performed: tuple[Phrase, ...] | None = Field(
        default=None, description="In place of the instructions."
    )
    also_names: tuple[Phrase, ...] = Field(default=(), description="Further names.")
    also_performed: tuple[Phrase, ...] = Field(default=(), description="Further instructions.")
    also_say_value: tuple[Phrase, ...] = Field(
        default=(), description="Further ways to say the value; <number> stands for it."
    )
    also_say: dict[Key, tuple[Phrase, ...]] = Field(
        default_factory=dict, description="Further wordings of a reading, by the reading's code."
    )
    also_readings: tuple[Reading, ...] = Field(default=(), description="Further results.")
    ranges: Ranges | None = Field(
        default=None, description="Own ranges; 'usual' and 'plausible' are replaced singly."
    )
    diastolic: Ranges | None = Field(default=None, description="The same for the second half.")
    differs: Difference | None = Field(default=None, description="Own left/right difference.")
    note: str | None = None


class Criterion(_Data):
    """One line of the instructor's marking sheet; every mark is given by a person.

    ``done`` and ``order`` are about what the sound can show, and the sheet shows it
    beside them; ``technique`` and ``communication`` are the instructor's own to judge.
    """

    id: Key
    title: str
    kind: Literal["done", "order", "technique", "communication"]
    points: float = Field(default=2, gt=0, le=1000, description="The most that can be had.")
    about: str = Field(default="", description="What earns the points, for the instructor.")
    places: tuple[Place, ...] = Field(
        default=(), description="Regions and items that it is about; left out: all on the list."
    )


class Course(_Data):
    """One course's exam, as its file says it."""

    course: Key = Field(description="Key of the course.")
    title: str
    about: str = Field(default="", description="A sentence for the people who choose it.")
    minutes: float | None = Field(default=None, gt=0, description="Time allowed.")
    select: tuple[Place, ...] | None = Field(
        default=None,
        description="Regions and items on the checklist; left out: all that are on by default.",
    )
    hide: tuple[Place, ...] = Field(
        default=(), description="Regions and items that this course does not know at all."
    )
    required: tuple[Place, ...] | None = Field(
        default=None, description="What must be done; left out: all on the list but 'optional'."
    )
    optional: tuple[Place, ...] = Field(
        default=(), description="What may be left undone without a remark."
    )
    order: tuple[Place, ...] = Field(
        default=(),
        description="Regions that come first, in this order; items likewise in their region.",
    )
    change: dict[ItemId, ItemChange] = Field(
        default_factory=dict, description="Own titles, wordings and ranges, by item."
    )
    rules: dict[Key, Phrase] = Field(
        default_factory=dict, description="Named phrases for the items added and changed here."
    )
    sources: dict[Key, Source] = Field(default_factory=dict, description="Further sources.")
    scales: dict[Key, Scale] = Field(default_factory=dict, description="Further scales.")
    sites: dict[Key, tuple[Site, ...]] = Field(
        default_factory=dict, description="Further lists of places."
    )
    criteria: tuple[Criterion, ...] = Field(
        default=(), description="The marking sheet; left out: the usual one."
    )
    add_regions: tuple[Region, ...] = ()
    add_items: tuple[Item, ...] = Field(
        default=(), description="Further items; the part before the dot names their region."
    )


class Entry(_Data):
    """One line of a checklist."""

    item: str
    required: bool


class Checklist(_Data):
    """A course's exam ready for use: its catalogue, and what is required of it."""

    course: str
    title: str
    about: str = ""
    minutes: float | None = None
    catalogue: Catalogue
    entries: tuple[Entry, ...] = Field(description="In exam order.")
    criteria: tuple[Criterion, ...] = Field(
        default=(), description="The course's own marking sheet; empty: the usual one."
    )

    @property
    def required(self) -> frozenset[str]:
        """Ids of the items that must be done."""
        return frozenset(entry.item for entry in self.entries if entry.required)

    @property
    def optional(self) -> frozenset[str]:
        """Ids of the items on the list that may be left undone."""
        return frozenset(entry.item for entry in self.entries if not entry.required)


def usual_checklist(catalogue: Catalogue) -> Checklist:
    """The checklist without a course: everything that is on by default, all of it required."""
    entries = tuple(
        Entry(item=item.id, required=True)
        for region in catalogue.regions
        for item in region.items
        if region.default and item.default
    )
    return Checklist(course="usual", title="Usual exam", catalogue=catalogue, entries=entries)


def marking_sheet(checklist: Checklist) -> tuple[Criterion, ...]:
    """The course's criteria; without any, a usual sheet by region (common practice)."""
    if checklist.criteria:
        return checklist.criteria
    listed = {entry.item.partition(".")[0] for entry in checklist.entries}
    regions = [one for one in checklist.catalogue.regions if one.region in listed]
    sheet = [
        Criterion(
            id=f"done_{one.region}",
            title=f"{one.title}: complete",
            kind="done",
            places=(one.region,),
        )
        for one in regions
    ]
    sheet.append(Criterion(id="order", title="Order from head to toe", kind="order", points=4))
    sheet += [
        Criterion(
            id=f"technique_{one.region}",
            title=f"{one.title}: technique",
            kind="technique",
            places=(one.region,),
        )
        for one in regions
    ]
    sheet += [
        Criterion(id=f"talk_{key}", title=title, kind="communication")
        for key, title in _USUAL_COMMUNICATION.items()
    ]
    return tuple(sheet)


def shipped_courses() -> dict[str, Path]:
    """The example courses that come with the program, by key."""
    return {path.stem: path for path in sorted((grammars_folder() / "courses").glob("*.yaml"))}


def load_course(course: str | Path, catalogue: Catalogue) -> Checklist:
    """Read a course and apply it.

    Args:
        course: path of a course file, or the key of a course that comes with the program.
        catalogue: the exam data.

    Raises:
        UserFault: there is no such course, or it does not fit the exam data; the sentence
            names the file, the line and the item.
    """
    path = Path(course)
    if isinstance(course, str) and not path.exists():
        shipped = shipped_courses()
        if course not in shipped:
            raise UserFault(
                f"There is no course '{course}'; give a course file, or one of "
                f"{', '.join(shipped)}."
            )
        path = shipped[course]
    if path.is_dir():
        raise UserFault(f"{path} is a folder; name the course file in it.")
    data, lines = read_with_lines(path, TypeAdapter(Course))
    return apply_course(catalogue, data, lines)


def apply_course(catalogue: Catalogue, course: Course, lines: Lines) -> Checklist:
    """Make the course's exam out of the exam data.

    Args:
        catalogue: the exam data.
        course: what the course file says.
        lines: where the file says it, for complaints.

    Raises:
        UserFault: an item, region, reading, source, scale or site list is not known, an
            addition is there already, or a phrase does not follow the notation.
    """
    sources = _joined(catalogue.sources, course.sources, "sources", lines)
    scales = _joined(catalogue.scales, course.scales, "scales", lines)
    sites = _joined(catalogue.sites, course.sites, "sites", lines)
    _check_scale_sources(course, sources, lines)
    regions = _with_additions(catalogue, course, sources, scales, sites, lines)
    regions = _changed(regions, course, sources, scales, sites, lines)
    known = {item.id for region in regions.values() for item in region.items}
    reach = _Reach(frozenset(known), frozenset(regions), lines)

    hidden = reach.items(course.hide, "hide")
    if course.select is None:
        listed = {
            item.id
            for region in regions.values()
            for item in region.items
            if region.default and item.default
        } | {item.id for item in course.add_items if item.default}
    else:
        listed = reach.items(course.select, "select", whole=regions)
    listed -= hidden
    must = _required(course, listed, reach)
    ordered = _in_order(regions, course, reach)
    kept = tuple(
        region.model_copy(
            update={
                "order": (place + 1) * 10,
                "default": any(item.id in listed for item in region.items),
                "items": tuple(
                    item.model_copy(update={"default": item.id in listed})
                    for item in region.items
                    if item.id not in hidden
                ),
            }
        )
        for place, region in enumerate(ordered)
        if any(item.id not in hidden for item in region.items)
    )
    _check_criteria(course, reach, lines)
    if not listed:
        raise lines.fault((), "no item is left on the checklist; look at 'select' and 'hide'")
    made = Catalogue(
        regions=kept,
        sites=sites,
        scales=scales,
        sources=sources,
        checks=_rules_left(catalogue.checks, known - hidden),
        version=_version(catalogue, course),
    )
    return Checklist(
        course=course.course,
        title=course.title,
        about=course.about,
        minutes=course.minutes,
        catalogue=made,
        entries=tuple(
            Entry(item=item_id, required=item_id in must)
            for item_id in made.items
            if item_id in listed
        ),
        criteria=course.criteria,
    )


def _check_criteria(course: Course, reach: _Reach, lines: Lines) -> None:
    seen: set[str] = set()
    for number, criterion in enumerate(course.criteria):
        if criterion.id in seen:
            raise lines.fault(
                ("criteria", number), f"criteria: '{criterion.id}' is there twice; rename one"
            )
        seen.add(criterion.id)
        reach.check(criterion.places, "criteria")


def _joined(
    own: Mapping[str, Any], further: Mapping[str, Any], key: str, lines: Lines
) -> dict[str, Any]:
    for name in further:
        if name in own:
            raise lines.fault((key, name), f"{key}: '{name}' is there already; choose another key")
    return {**own, **further}


def _check_scale_sources(course: Course, sources: Mapping[str, Source], lines: Lines) -> None:
    for name, scale in course.scales.items():
        if scale.source not in sources:
            raise lines.fault(
                ("scales", name), f"source '{scale.source}' is not known", scale.source
            )


def _with_additions(
    catalogue: Catalogue,
    course: Course,
    sources: Mapping[str, Source],
    scales: Mapping[str, Scale],
    sites: Mapping[str, tuple[Site, ...]],
    lines: Lines,
) -> dict[str, Region]:
    regions = {region.region: region for region in catalogue.regions}
    for number, region in enumerate(course.add_regions):
        loc: _Loc = ("add_regions", number)
        if region.region in regions:
            raise lines.fault(loc, f"region '{region.region}' is there already", region.region)
        check_region(lines, region, sources, scales, sites, loc)
        regions[region.region] = region
    for number, item in enumerate(course.add_items):
        loc = ("add_items", number)
        home = regions.get(item.region)
        if home is None:
            raise lines.fault(loc, f"there is no region '{item.region}' to add it to", item.id)
        if any(one.id == item.id for one in home.items):
            raise lines.fault(loc, "an item with this id is there already", item.id)
        rules = {**home.rules, **course.rules}
        check_item(lines, item, loc, rules, sources, scales, sites)
        regions[item.region] = home.model_copy(
            update={"items": (*home.items, item), "rules": rules}
        )
    return regions


def _changed(
    regions: dict[str, Region],
    course: Course,
    sources: Mapping[str, Source],
    scales: Mapping[str, Scale],
    sites: Mapping[str, tuple[Site, ...]],
    lines: Lines,
) -> dict[str, Region]:
    made = dict(regions)
    for item_id, change in course.change.items():
        loc: _Loc = ("change", item_id)
        home = made.get(item_id.partition(".")[0])
        old = next((one for one in home.items if one.id == item_id), None) if home else None
        if home is None or old is None:
            raise lines.fault(loc, f"there is no item '{item_id}'{_near(item_id, made)}")
        rules = {**home.rules, **course.rules}
        new = _item_changed(old, change, loc, lines)
        check_item(lines, new, loc, rules, sources, scales, sites)
        made[home.region] = home.model_copy(
            update={
                "rules": rules,
                "items": tuple(new if one.id == item_id else one for one in home.items),
            }
        )
    return made


def _item_changed(item: Item, change: ItemChange, loc: _Loc, lines: Lines) -> Item:
    codes = {reading.code for reading in item.readings}
    for code in change.also_say:
        if code not in codes:
            raise lines.fault(
                (*loc, "also_say", code),
                f"'{item.id}' has no reading '{code}'; it has {', '.join(sorted(codes)) or 'none'}",
            )
    for number, reading in enumerate(change.also_readings):
        if reading.code in codes:
            raise lines.fault(
                (*loc, "also_readings", number),
                f"'{item.id}' has a reading '{reading.code}' already; use 'also_say'",
                reading.code,
            )
    readings = tuple(
        reading.model_copy(update={"say": (*reading.say, *change.also_say.get(reading.code, ()))})
        for reading in item.readings
    )
    update: dict[str, Any] = {
        "names": (*(item.names if change.names is None else change.names), *change.also_names),
        "performed": (
            *(item.performed if change.performed is None else change.performed),
            *change.also_performed,
        ),
        "say_value": (*item.say_value, *change.also_say_value),
        "readings": (*readings, *change.also_readings),
        "ranges": _ranges(item.ranges, change.ranges),
        "diastolic": _ranges(item.diastolic, change.diastolic),
    }
    for key in ("title", "differs", "note"):
        if getattr(change, key) is not None:
            update[key] = getattr(change, key)
    return item.model_copy(update=update)


def _ranges(old: Ranges, own: Ranges | None) -> Ranges:
    if own is None:
        return old
    return Ranges(
        usual=own.usual or old.usual,
        plausible=own.plausible or old.plausible,
        others=own.others or old.others,
    )


def _near(place: str, regions: Mapping[str, Region]) -> str:
    """A known id or region that is spelled nearly alike, as the end of a sentence."""
    from rapidfuzz import process

    known = [*regions, *(item.id for region in regions.values() for item in region.items)]
    found = process.extractOne(place, known, score_cutoff=75)
    return f"; did you mean '{found[0]}'?" if found else ""


class _Reach:
    """Turns what a file names, regions or items, into items."""

    def __init__(self, items: frozenset[str], regions: frozenset[str], lines: Lines) -> None:
        self._items = items
        self._regions = regions
        self._lines = lines

    def fault(self, key: str, place: str, about: str) -> UserFault:
        return self._lines.fault((key,), f"{key}: {about}", place)

    def check(self, places: Iterable[str], key: str) -> None:
        seen: set[str] = set()
        for place in places:
            if place not in self._items and place not in self._regions:
                kind = "item" if "." in place else "region"
                raise self.fault(key, place, f"there is no {kind} '{place}'{self._alike(place)}")
            if place in seen:
                raise self.fault(key, place, f"'{place}' is there twice")
            seen.add(place)

    def items(
        self, places: Iterable[str], key: str, whole: Mapping[str, Region] | None = None
    ) -> set[str]:
        """The items named; with ``whole`` a region brings only its items on by default."""
        places = tuple(places)
        self.check(places, key)
        return set(self._spread(places, whole))

    def _spread(self, places: Iterable[str], whole: Mapping[str, Region] | None) -> Iterator[str]:
        for place in places:
            if "." in place:
                yield place
            elif whole is not None:
                yield from (item.id for item in whole[place].items if item.default)
            else:
                yield from (one for one in self._items if one.partition(".")[0] == place)

    def _alike(self, place: str) -> str:
        from rapidfuzz import process

        found = process.extractOne(place, [*self._items, *self._regions], score_cutoff=75)
        return f"; did you mean '{found[0]}'?" if found else ""


def _required(course: Course, listed: set[str], reach: _Reach) -> set[str]:
    optional = reach.items(course.optional, "optional")
    if course.required is None:
        return listed - optional
    must = reach.items(course.required, "required")
    for key, places in (("required", course.required), ("optional", course.optional)):
        for place in places:
            if not reach.items((place,), key) & listed:
                raise reach.fault(key, place, f"'{place}' is not on the checklist")
    both = [place for place in course.optional if place in course.required]
    if both:
        raise reach.fault("optional", both[0], f"'{both[0]}' is listed as required too")
    # The nearer word counts: an item named as optional within a region that is required.
    named = {place for place in course.required if "." in place}
    return (must & listed) - (optional - named)


def _in_order(regions: Mapping[str, Region], course: Course, reach: _Reach) -> list[Region]:
    reach.check(course.order, "order")
    first = [place for place in course.order if "." not in place]
    usual = sorted(regions.values(), key=lambda region: (region.order, region.region))
    placed = [regions[key] for key in first]
    placed += [region for region in usual if region.region not in first]
    rank = {place: number for number, place in enumerate(course.order)}
    return [
        region.model_copy(
            update={
                "items": tuple(
                    sorted(region.items, key=lambda item: rank.get(item.id, len(course.order)))
                )
            }
        )
        for region in placed
    ]


def _rules_left(checks: CheckRules, items: set[str]) -> CheckRules:
    """The rules whose items are all still there."""

    def there(side: str) -> bool:
        match = _ITEM_IN_RULE.match(side)
        return match is not None and match.group() in items

    order = []
    for rule in checks.order:
        then = tuple(item for item in rule.then if item in items)
        if rule.first in items and then:
            order.append(rule.model_copy(update={"then": then}))
    return CheckRules(
        conflicts=tuple(
            rule for rule in checks.conflicts if there(rule.first) and there(rule.second)
        ),
        order=tuple(order),
        derived=tuple(rule for rule in checks.derived if set(rule.of) <= items),
    )


def _version(catalogue: Catalogue, course: Course) -> str:
    digest = hashlib.sha256(catalogue.version.encode())
    # What marks are given for changes nothing of what is heard and found.
    digest.update(course.model_dump_json(exclude={"criteria"}).encode())
    return digest.hexdigest()
