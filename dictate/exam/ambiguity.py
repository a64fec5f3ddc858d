"""Words that two items claim, and items that nothing that is said could reach."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import combinations
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from dictate.exam.catalogue import Catalogue, Item, ItemId
from dictate.exam.expansion import Choice, Maybe, Part, Slot, parse_expansion
from dictate.exam.expansion import Literal as Word
from dictate.exam.location import grammars_folder
from dictate.exam.reading import read_yaml

Compared = Callable[[str], str | None]
"""Gives the form that a word is compared by, None for a word that is passed over."""

_Way = tuple[str, ...]
_MOST_WAYS = 20_000  # of one phrase

Context = Literal["act", "result alone", "result with name", "value with name"]


class SharedWords(BaseModel):
    """The same words, claimed by several items in the same context.

    ``decided_by`` says what tells them apart: empty means nothing does, so the item that
    comes first in the exam would get what was said of another. ``because`` is the reason
    that the exam data gives for words shared on purpose.
    """

    model_config = ConfigDict(frozen=True)

    context: Context
    words: str
    items: tuple[str, ...]
    decided_by: Literal["", "region", "checklist", "explained"] = ""
    because: str = ""


class Explanation(BaseModel):
    """Why two items may share words, or why one may lack words for its act or result."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    items: tuple[ItemId, ...] = Field(min_length=1, max_length=2)
    because: str = Field(min_length=1)


class Silent(BaseModel):
    """An item without words for its act or for its result."""

    model_config = ConfigDict(frozen=True)

    item: str
    lacks: Literal["act", "result"]
    because: str = ""


class Report(BaseModel):
    """What may be mistaken for something else, and what can never be heard."""

    model_config = ConfigDict(frozen=True)

    shared: tuple[SharedWords, ...]
    silent: tuple[Silent, ...]

    @property
    def open(self) -> tuple[SharedWords, ...]:
        """Shared words that nothing tells apart."""
        return tuple(one for one in self.shared if not one.decided_by)

    @property
    def mute(self) -> tuple[Silent, ...]:
        """Items that lack words without a reason given."""
        return tuple(one for one in self.silent if not one.because)


def load_explanations(folder: Path | None = None) -> tuple[Explanation, ...]:
    """Read ``shared_words.yaml``: the words that items share on purpose.

    Raises:
        UserFault: the file does not fit; the sentence names file and line.
    """
    path = (folder or grammars_folder()) / "shared_words.yaml"
    return read_yaml(path, TypeAdapter(tuple[Explanation, ...]))


def ambiguity_report(
    catalogue: Catalogue, compared: Compared, explanations: Iterable[Explanation] = ()
) -> Report:
    """Look for words that two items claim in the same context.

    Four contexts are looked at: instructions and questions; results that name their item
    by themselves; a result beside a name that both items have; and a number beside a name
    that both have, where both take such a number. Items of different regions are told apart
    by the region that the talk is in, and an item that is on the checklist goes before one
    that is not.

    Args:
        catalogue: the exam data, or that of a course.
        compared: the form that a heard word is compared by, None if it is passed over.
        explanations: words shared on purpose.
    """
    ways = _Ways(compared)
    acts: dict[_Way, set[str]] = defaultdict(set)
    alone: dict[_Way, set[str]] = defaultdict(set)
    names: dict[str, frozenset[_Way]] = {}
    results: dict[str, frozenset[_Way]] = {}
    for region in catalogue.regions:
        for item in region.items:
            asked = (phrase for question in item.asked for phrase in question.say)
            for way in ways.of((*item.performed, *asked), region.rules):
                acts[way].add(item.id)
            for reading in item.readings:
                if reading.alone:
                    for way in ways.of(reading.say, region.rules):
                        alone[way].add(item.id)
            names[item.id] = ways.of(item.names, region.rules)
            results[item.id] = ways.of(
                (phrase for reading in item.readings for phrase in reading.say), region.rules
            )
    shared = [
        *_shared("act", acts, catalogue),
        *_shared("result alone", alone, catalogue),
        *_with_names(names, results, catalogue),
    ]
    reasons = {frozenset(one.items): one.because for one in explanations}
    return Report(
        shared=tuple(_explained(one, reasons) for one in shared),
        silent=tuple(_silent(catalogue, reasons)),
    )


def _explained(shared: SharedWords, reasons: Mapping[frozenset[str], str]) -> SharedWords:
    if shared.decided_by:
        return shared
    found = [
        reasons.get(frozenset(pair))
        for pair in combinations(shared.items, 2)
        if pair[0].partition(".")[0] == pair[1].partition(".")[0]
    ]
    given = [reason for reason in found if reason]
    if not given or len(given) != len(found):
        return shared
    because = " ".join(dict.fromkeys(given))
    return shared.model_copy(update={"decided_by": "explained", "because": because})


class _Ways:
    """Phrases written out in compared form, each only once however it can be said."""

    def __init__(self, compared: Compared) -> None:
        self._compared = compared

    def of(self, phrases: Iterable[str], rules: Mapping[str, str]) -> frozenset[_Way]:
        found: set[_Way] = set()
        for phrase in phrases:
            found |= self._all(parse_expansion(phrase, rules))
        found.discard(())
        return frozenset(found)

    def _all(self, part: Part) -> set[_Way]:
        if isinstance(part, Word):
            form = self._compared(part.text)
            return {()} if form is None else {(form,)}
        if isinstance(part, Slot):
            return {(f"<{part.name}>",)}
        if isinstance(part, Maybe):
            return {(), *self._all(part.part)}
        if isinstance(part, Choice):
            return set().union(*(self._all(option) for option in part.options))
        ways: set[_Way] = {()}
        for inner in part.parts:
            tails = self._all(inner)
            if len(ways) * len(tails) > _MOST_WAYS:
                # Too many to write out: keep the shortest, which are the likeliest to clash.
                ways = set(sorted(ways, key=len)[: max(1, _MOST_WAYS // len(tails))])
            ways = {head + tail for head in ways for tail in tails}
        return ways


def _shared(
    context: Context, claims: Mapping[_Way, set[str]], catalogue: Catalogue
) -> Iterator[SharedWords]:
    shortest: dict[tuple[str, ...], _Way] = {}
    for way, claimants in claims.items():
        if len(claimants) < 2:
            continue
        group = tuple(sorted(claimants, key=lambda item: catalogue.place[item]))
        kept = shortest.get(group)
        if kept is None or (len(way), way) < (len(kept), kept):
            shortest[group] = way
    for group, way in sorted(shortest.items()):
        yield SharedWords(
            context=context,
            words=" ".join(way),
            items=group,
            decided_by=_decided(group, catalogue),
        )


def _decided(group: tuple[str, ...], catalogue: Catalogue) -> Literal["", "region", "checklist"]:
    by_region: dict[str, list[Item]] = defaultdict(list)
    for item_id in group:
        by_region[item_id.partition(".")[0]].append(catalogue.items[item_id])
    for items in by_region.values():
        listed = [item for item in items if item.default]
        if len(items) > 1 and len(listed) > 1:
            return ""
    return "region" if len(by_region) > 1 else "checklist"


def _with_names(
    names: Mapping[str, frozenset[_Way]],
    results: Mapping[str, frozenset[_Way]],
    catalogue: Catalogue,
) -> Iterator[SharedWords]:
    """Pairs of one region that share a name and also a result or the kind of number."""
    for region in catalogue.regions:
        for first, second in combinations(region.items, 2):
            both = names[first.id] & names[second.id]
            if not both:
                continue
            group = (first.id, second.id)
            decided = _decided(group, catalogue)
            name = _shortest(both)
            said = results[first.id] & results[second.id]
            if said:
                result = _shortest(said)
                yield SharedWords(
                    context="result with name",
                    words=f"{name} ... {result}",
                    items=group,
                    decided_by=decided,
                )
            if _same_number(first, second):
                yield SharedWords(
                    context="value with name",
                    words=f"{name} ... <number>",
                    items=group,
                    decided_by=decided,
                )


def _shortest(ways: frozenset[_Way]) -> str:
    shortest: _Way = min(ways, key=lambda way: (len(way), way))
    return " ".join(shortest)


def _same_number(first: Item, second: Item) -> bool:
    return first.kind == second.kind and (
        (first.kind == "quantity" and first.unit == second.unit)
        or (first.kind == "grade" and first.scale == second.scale)
        or first.kind in ("pressure", "ratio")
    )


def _silent(catalogue: Catalogue, reasons: Mapping[frozenset[str], str]) -> Iterator[Silent]:
    for item in catalogue.items.values():
        because = reasons.get(frozenset({item.id}), "")
        if not item.performed and not item.asked:
            yield Silent(item=item.id, lacks="act", because=because)
        said = item.names or item.say_value
        if not item.readings and not (item.kind != "finding" and said):
            yield Silent(item=item.id, lacks="result", because=because)
