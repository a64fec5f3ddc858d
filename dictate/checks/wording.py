"""Findings in plain words, for the sentences of flags and derived measures."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal

from dictate.exam.catalogue import Catalogue, Item, Limits
from dictate.findings.finding import Choice, Finding, Value
from dictate.findings.numerals import number_words, value_words, with_unit

# Signs whose title describes rather than names: 'not tender to percussion', 'no tender node'.
_DESCRIBES = re.compile(
    r"(?:tender|red|pale|warm|hot|cool|dry|sore|numb|hoarse|hard|firm|stiff|rigid|icteric|toothless"
    r"|breathless|swollen|blue|dull|varicose|positive|present|louder|softer|small|soft|foul|high|low"
    r"|harsh|medium|missing|painful|systolic|diastolic|continuous|\w+(?:able|ible|ed))"
    r"(?: (?:to|or|on|as|in|and|than|when|with) .*)?"
)


def number_text(number: Decimal | float) -> str:
    """Write a limit or a computed number without exponent or trailing zeros: 98.60 -> 98.6."""
    text = number_words(Decimal(str(number)))
    return text.rstrip("0").rstrip(".") if "." in text else text


def unit_text(unit: str) -> str:
    """A UCUM unit as people write it, with a leading no-break space where one is due."""
    return with_unit("", unit)


def value_text(value: Value, item: Item, catalogue: Catalogue) -> str:
    """A value as in the note, but in the item's own unit alone, and what is denied as 'no ...'."""
    if isinstance(value, Choice):
        return choice_text(value, item)
    return value_words(value, catalogue, unit_said=False)


def choice_text(value: Choice, item: Item) -> str:
    """A reading, with 'no' before a denied noun and 'not' before a denied quality."""
    if not value.denied:
        return value.title
    sign = any(
        reading.code == value.code and reading.status in ("present", "absent")
        for reading in item.readings
    )
    noun = sign and not _DESCRIBES.fullmatch(value.title)
    return f"{'no' if noun else 'not'} {value.title}"


def said(finding: Finding, catalogue: Catalogue) -> str:
    """What a finding says, without item and place: its value, its status, or its act."""
    if finding.value is not None:
        return value_text(finding.value, catalogue.items[finding.item], catalogue)
    return finding.status or "performed"


def place_text(finding: Finding, catalogue: Catalogue) -> str:
    """Side and site in words, such as 'left, lower zone'; empty where there is neither."""
    site = site_text(finding, catalogue)
    return ", ".join(part for part in (side_text(finding.side), site) if part)


def side_text(side: str | None) -> str:
    """A side in words."""
    if side is None or side == "midline":
        return ""
    return {"both": "both sides", "unspecified": "side not said"}.get(side, side)


def site_text(finding: Finding, catalogue: Catalogue) -> str:
    """The site's title; its key where the catalogue no longer has it."""
    if finding.site is None:
        return ""
    for site in catalogue.sites_of(catalogue.items[finding.item]):
        if site.id == finding.site:
            return site.title
    return finding.site


def named(finding: Finding, catalogue: Catalogue) -> str:
    """Item and place: 'Blood pressure (right)'."""
    place = place_text(finding, catalogue)
    title = catalogue.items[finding.item].title
    return f"{title} ({place})" if place else title


def told(finding: Finding, catalogue: Catalogue) -> str:
    """Item, place and what is said of it: 'Blood pressure (right): 134/88 mmHg'."""
    return f"{named(finding, catalogue)}: {said(finding, catalogue)}"


def clock(seconds: float) -> str:
    """Stream time as m:ss, or h:mm:ss from one hour on."""
    whole = int(seconds)
    hours, minutes = divmod(whole // 60, 60)
    if hours:
        return f"{hours}:{minutes:02d}:{whole % 60:02d}"
    return f"{minutes}:{whole % 60:02d}"


def listed(parts: Iterable[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    every = list(parts)
    if len(every) < 2:
        return "".join(every)
    return f"{', '.join(every[:-1])} {last} {every[-1]}"


def limits_text(limits: Limits, unit: str = "") -> str:
    """A range in words: '60 to 100 per minute', 'up to 2 s', '96% and above'."""
    shown = unit_text(unit)
    if limits.low is None:
        return f"up to {number_text(limits.high or 0)}{shown}"
    if limits.high is None:
        return f"{number_text(limits.low)}{shown} and above"
    return f"{number_text(limits.low)} to {number_text(limits.high)}{shown}"


def citation(catalogue: Catalogue, key: str, note: str = "") -> str:
    """The full text of a source for a flag; its key where the catalogue lacks it."""
    source = catalogue.sources.get(key)
    if source is None:
        text = key
    elif source.kind != "published":
        text = source.kind
    else:
        year = f", {source.year}" if source.year else ""
        text = f"{source.title}. {source.body}{year}"
    return f"{text} ({note})" if note else text
