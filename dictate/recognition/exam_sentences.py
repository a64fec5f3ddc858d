"""Sentences of the exam, sampled from the catalogue, for the language model."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from functools import partial

from dictate.exam.catalogue import Catalogue, Item, Limits, Region, Scale
from dictate.exam.expansion import parsed, sample
from dictate.recognition.number_words import say_whole

_SIDES = ("left", "right")
_UNFINISHED = frozenset({"the", "a", "an", "your", "my", "and", "or", "with"})
"""No sentence ends in these: what stood there had no wording."""
_LEADS = ("", "", "", "the ", "your ", "and ", "okay ", "now ", "so ", "and the ")
_VERBS = ("", "", "is ", "are ", "looks ", "feels ", "was ", "at ")
_DENIALS = ("no ", "not ", "no obvious ", "without ", "i see no ", "i hear no ", "there is no ")
_TAILS = ("", "", "", "", " on the left", " on the right", " on both sides", " bilaterally",
          " on this side", " today", " here", " throughout")  # fmt: skip
_ABOUT = ("", "", "", "", "about ", "roughly ", "just over ", "just under ", "a touch over ")
_SPOKEN_UNITS = {
    "mm[Hg]": ("", "", "millimeters of mercury"),
    "/min": ("", "", "a minute", "per minute", "beats a minute"),
    "Cel": ("", "degrees", "celsius", "degrees celsius"),
    "[degF]": ("", "degrees", "fahrenheit"),
    "%": ("percent", "percent", ""),
    "cm": ("centimeters", "centimeters", ""),
    "mm": ("millimeters", "millimeters", ""),
    "m": ("meters",),
    "kg": ("kilos", "kilograms"),
    "[lb_av]": ("pounds",),
    "[in_i]": ("inches",),
    "s": ("seconds", "seconds", ""),
    "deg": ("degrees", "degrees", ""),
}


def sample_sentences(catalogue: Catalogue, count: int, number: int = 3) -> Iterator[str]:
    """Yield about ``count`` sentences as an examiner says them, the same for one ``number``.

    Every phrase of every item gets its turn before chance decides; values are drawn
    evenly from the plausible range, so that each is equally sayable.
    """
    chance = random.Random(number)
    makers: list[Callable[[], str]] = []
    for region in catalogue.regions:
        makers += _of_region(region, catalogue, chance)
    if not makers:
        return
    chance.shuffle(makers)
    for place in range(count):
        maker = makers[place] if place < len(makers) else chance.choice(makers)
        sentence = " ".join(maker().split())
        if sentence and sentence.rpartition(" ")[2] not in _UNFINISHED:
            yield sentence


def _of_region(
    region: Region, catalogue: Catalogue, chance: random.Random
) -> Iterator[Callable[[], str]]:
    rules = tuple(region.rules.items())
    for phrase in region.announced:
        yield partial(_say, phrase, rules, None, catalogue, chance)
    for item in region.items:
        yield from _ItemTalk(item, rules, catalogue, chance).makers()


class _ItemTalk:
    """The ways to say what concerns one item."""

    def __init__(
        self,
        item: Item,
        rules: tuple[tuple[str, str], ...],
        catalogue: Catalogue,
        chance: random.Random,
    ) -> None:
        self.item, self.rules, self.catalogue, self.chance = item, rules, catalogue, chance

    def makers(self) -> Iterator[Callable[[], str]]:
        item = self.item
        for phrase in item.performed:
            yield partial(self._say, phrase)
            yield partial(self._say, phrase)
        for question in item.asked:
            yield from (partial(self._say, phrase) for phrase in question.say)
        for reading in item.readings:
            for phrase in reading.say:
                yield partial(self._stated, phrase)
                yield partial(self._bare, phrase)
                if reading.status in ("present", "abnormal"):
                    yield partial(self._denied, phrase)
        for site in self.catalogue.sites_of(item):
            yield from (partial(self._at_site, phrase) for phrase in site.say)
        for phrase in item.say_value:
            yield from [partial(self._say, phrase)] * 3
        if item.kind in ("quantity", "pressure", "ratio", "grade") and item.names:
            for _ in range(60 if item.region == "vitals" else 14):
                yield self._measured
                yield self._number

    def _say(self, phrase: str) -> str:
        return _say(phrase, self.rules, self.item, self.catalogue, self.chance)

    def _name(self) -> str:
        return self._say(self.chance.choice(self.item.names)) if self.item.names else ""

    def _side(self) -> str:
        paired = self.item.sides == "paired" and self.chance.random() < 0.4
        return f"{self.chance.choice(_SIDES)} " if paired else ""

    def _tail(self) -> str:
        return self.chance.choice(_TAILS) if self.item.sides == "paired" else ""

    def _opening(self) -> str:
        chance = self.chance
        return f"{chance.choice(_LEADS)}{self._side()}{self._name()} {chance.choice(_VERBS)}"

    def _stated(self, phrase: str) -> str:
        return f"{self._opening()}{self._say(phrase)}{self._tail()}"

    def _bare(self, phrase: str) -> str:
        return f"{self._say(phrase)}{self._tail()}"

    def _denied(self, phrase: str) -> str:
        name = self._name() if self.chance.random() < 0.3 else ""
        return f"{name} {self.chance.choice(_DENIALS)}{self._say(phrase)}{self._tail()}"

    def _at_site(self, phrase: str) -> str:
        return f"{self._name()} {self._say(phrase)}"

    def _measured(self) -> str:
        return f"{self._opening()}{self._number()}"

    def _number(self) -> str:
        return f"{_value(self.item, self.catalogue, self.chance)}{self._tail()}"


def _say(
    phrase: str,
    rules: tuple[tuple[str, str], ...],
    item: Item | None,
    catalogue: Catalogue,
    chance: random.Random,
) -> str:
    def fill(slot: str) -> str:
        if slot == "side":
            return chance.choice(_SIDES)
        if slot == "number" and item is not None:
            return _value(item, catalogue, chance)
        if slot == "site" and item is not None and catalogue.sites_of(item):
            site = chance.choice(catalogue.sites_of(item))
            return sample(parsed(chance.choice(site.say), ()), chance, fill)
        return ""

    return sample(parsed(phrase, rules), chance, fill)


def _value(item: Item, catalogue: Catalogue, chance: random.Random) -> str:
    """Word a value of the item's kind."""
    if item.kind == "pressure":
        high, low = _whole(item.ranges.plausible, chance), _whole(item.diastolic.plausible, chance)
        return f"{say_whole(high, chance)} over {say_whole(low, chance)}"
    if item.kind == "ratio":
        lines = (12, 15, 16, 20, 25, 30, 40, 50, 60, 70, 80, 100, 200)
        joined = chance.choice(("over ", "", "over "))
        return f"twenty {joined}{say_whole(chance.choice(lines), chance)}"
    if item.kind == "grade" and item.scale is not None:
        return _grade(catalogue.scales[item.scale], chance)
    if item.kind == "quantity":
        return _quantity(item, chance)
    return ""


def _whole(limits: Limits | None, chance: random.Random) -> int:
    low = int(limits.low) if limits is not None and limits.low is not None else 0
    high = int(limits.high) if limits is not None and limits.high is not None else low + 200
    return chance.randint(max(0, min(low, high)), max(0, min(high, 999)))


def _grade(scale: Scale, chance: random.Random) -> str:
    words = say_whole(chance.randint(int(scale.low), int(scale.high)), chance)
    if scale.plus and chance.random() < 0.7:
        return f"{words} plus"
    if scale.out_of and chance.random() < 0.8:
        most = say_whole(scale.out_of[0], chance)
        return f"{words} {chance.choice(('out of', 'over', 'of'))} {most}"
    return words


def _quantity(item: Item, chance: random.Random) -> str:
    plausible = item.ranges.plausible
    unit = item.unit or ""
    whole = _whole(plausible, chance)
    if "[degF]" in item.other_units and chance.random() < 0.5:
        unit, whole = "[degF]", chance.randint(93, 106)
    words = say_whole(whole, chance)
    if (item.decimals or unit == "[degF]") and chance.random() < 0.6:
        words += (
            f" {chance.choice(('point ', 'point ', ''))}{say_whole(chance.randint(0, 9), chance)}"
        )
    elif item.decimals and chance.random() < 0.3:
        words += " and a half"
    return f"{chance.choice(_ABOUT)}{words} {chance.choice(_SPOKEN_UNITS.get(unit, ('',)))}"
