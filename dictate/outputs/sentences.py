"""Findings of one item as sentences: full clinical sentences, or terse ones."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from dictate.checks.wording import listed
from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Trials,
)
from dictate.findings.numerals import denies, value_words
from dictate.outputs.arrangement import ItemView, site_side, site_title

Style = Literal["full", "terse"]
RunKind = Literal["plain", "doubt", "abnormal"]


class Run(BaseModel):
    """A stretch of text; ``doubt`` asks the reader to confirm, ``abnormal`` stands out."""

    model_config = ConfigDict(frozen=True)

    text: str
    kind: RunKind = "plain"


class Sentence(BaseModel):
    """One sentence and the findings that it tells."""

    model_config = ConfigDict(frozen=True)

    runs: tuple[Run, ...]
    findings: tuple[str, ...]

    @property
    def text(self) -> str:
        """The sentence without marks of emphasis."""
        return "".join(run.text for run in self.runs)


class _Clause(BaseModel):
    """What is said of an item, and the places of which it is said."""

    model_config = ConfigDict(frozen=True)

    opening: str
    said: str
    places: tuple[str, ...]
    negative: bool
    abnormal: bool
    doubt: str
    remark: str
    findings: tuple[str, ...]


def _set_of(words: str) -> frozenset[str]:
    return frozenset(words.split())


_PREPOSITIONS: Final = _set_of(
    "of to at on in with for between from over by as when than under behind across without"
)
# Words that describe rather than name, beyond those that their ending gives away.
_DESCRIBING: Final = _set_of(
    "tender swollen hard soft dull red pale warm hot cool cold dry moist clear loud faint weak "
    "strong thin thick firm rough smooth stiff slow fast brisk absent equal unequal large small "
    "deep shallow high low wide narrow open blue yellow white lax tight sore limp blunt sharp "
    "uneven short long dark bright flat round steady unsteady regular irregular resonant "
    "present symmetric intact normal abnormal numb rigid harsh blowing rumbling radiating "
    "louder softer medium heard sluggish pink alert mobile immobile seated standing "
    "upright neat average"
)
_DESCRIBING_ENDINGS: Final = ("ed", "ible", "able", "ous", "ive", "ful", "less", "ic", "ical")
_NAMING_DESPITE_ENDING: Final = _set_of("seed need reed feed clinic topic music relief")

# Items that ask for a quality: what is said of them is no thing that is there or not.
_QUALITIES: Final = _set_of("Place Radiation Timing Pitch Quality Character Size Position Side")


def sentences_of(view: ItemView, catalogue: Catalogue, style: Style) -> tuple[Sentence, ...]:
    """Sentences that tell every result of the item, in the order in which they were said.

    Manoeuvres without a result are not told here. Places of which the same is said
    are drawn together; a doubtful value stands alone with its doubt beside it.
    """
    clauses = _clauses(view, catalogue, style)
    if not clauses:
        return ()
    if style == "terse":
        return (_join(f"{view.title}: ", clauses, "; "),)
    sentences: list[Sentence] = []
    begin = 0
    for place in range(1, len(clauses) + 1):
        if place == len(clauses) or clauses[place].opening != clauses[begin].opening:
            sentences.append(_join(clauses[begin].opening, clauses[begin:place], "; "))
            begin = place
    return tuple(sentences)


def _join(opening: str, clauses: Sequence[_Clause], between: str) -> Sentence:
    runs: list[Run] = [Run(text=opening)]
    for number, clause in enumerate(clauses):
        if number:
            runs.append(Run(text=between))
        told = clause.said
        if clause.places:
            told = f"{told} {listed(clause.places)}"
        runs.append(Run(text=told, kind="abnormal" if clause.abnormal else "plain"))
        if clause.remark:
            runs.append(Run(text=clause.remark))
        if clause.doubt:
            runs.append(Run(text=" "))
            runs.append(Run(text=clause.doubt, kind="doubt"))
    runs.append(Run(text="."))
    first = runs[0].text or runs[1].text
    lead = capital(first)
    runs[0 if runs[0].text else 1] = runs[0 if runs[0].text else 1].model_copy(
        update={"text": lead}
    )
    return Sentence(
        runs=tuple(run for run in runs if run.text),
        findings=tuple(name for clause in clauses for name in clause.findings),
    )


def _clauses(view: ItemView, catalogue: Catalogue, style: Style) -> list[_Clause]:
    groups: list[tuple[tuple[object, ...], list[Finding]]] = []
    for finding in view.results:
        key: tuple[object, ...] = (
            finding.value,
            finding.status,
            finding.certainty,
            finding.side_inferred,
            finding.by_hand,
            finding.id if finding.doubtful else "",
        )
        known = next((members for other, members in groups if other == key), None)
        if known is None:
            groups.append((key, [finding]))
        else:
            known.append(finding)
    return [_clause(view, members, catalogue, style) for _, members in groups]


def _clause(
    view: ItemView, members: Sequence[Finding], catalogue: Catalogue, style: Style
) -> _Clause:
    first = members[0]
    opening, said, negative = (
        _full(view, first, catalogue) if style == "full" else ("", *_terse(first, catalogue))
    )
    return _Clause(
        opening=opening,
        said=said,
        places=_places(members, catalogue, style, negative),
        negative=negative,
        abnormal=stands_out(first, catalogue),
        doubt=doubt_words(first, catalogue),
        remark=_remark(first),
        findings=tuple(one.id for one in members),
    )


def _full(view: ItemView, finding: Finding, catalogue: Catalogue) -> tuple[str, str, bool]:
    """Opening of the sentence, what follows it, and whether that denies something."""
    title, be = _subject(view.title)
    value = finding.value
    if isinstance(value, Quantity | Pressure | Ratio):
        return f"{title} measured ", value_words(value, catalogue), False
    if isinstance(value, Grade):
        return f"{title} {be} graded ", value_words(value, catalogue), False
    if isinstance(value, Trials):
        return f"{title} gave ", value_words(value, catalogue), False
    if isinstance(value, Text):
        return f"{title} {be} noted as ", value_words(value, catalogue), False
    if isinstance(value, Choice):
        return _full_choice(view, finding, value, (title, be), catalogue)
    return f"{title} {be} ", _status_words(finding), finding.status == "absent"


def _full_choice(
    view: ItemView,
    finding: Finding,
    value: Choice,
    subject: tuple[str, str],
    catalogue: Catalogue,
) -> tuple[str, str, bool]:
    title, be = subject
    if not is_sign(finding, value, catalogue):
        # A quality whose title is no predicate of the item ("no abnormality seen") is quoted.
        verb = f"{be} " if _describes(value.title) else f"{be} recorded as "
        return f"{title} {verb}", value_words(value), value.denied
    if _says_the_same(value.title, view.title):
        return f"{title} {be} ", "absent" if value.denied else "present", value.denied
    if _describes(value.title):
        return f"{title} {be} ", value_words(value), value.denied
    if view.title.partition(" ")[0] in _QUALITIES:
        return f"{title} {be} recorded as ", value_words(value), value.denied
    return f"{title} showed ", choice_words(value, sign=True), value.denied


def _terse(finding: Finding, catalogue: Catalogue) -> tuple[str, bool]:
    value = finding.value
    if value is None:
        return _status_words(finding), finding.status == "absent"
    if isinstance(value, Choice):
        return choice_words(value, sign=is_sign(finding, value, catalogue)), value.denied
    return value_words(value, catalogue), False


def choice_words(value: Choice, *, sign: bool) -> str:
    """A choice in short: ``no wheeze`` for a sign, ``not tender`` for a description."""
    if not value.denied or not sign or _describes(value.title) or denies(value.title):
        return value_words(value)
    return f"no {value.title}"


def result_words(finding: Finding, catalogue: Catalogue) -> str:
    """The result of one finding in short, without its place."""
    if finding.level.rank < Level.REPORTED.rank:
        return "performed, result not stated"
    return _terse(finding, catalogue)[0]


def is_sign(finding: Finding, value: Choice, catalogue: Catalogue) -> bool:
    """True for something that is there or not, rather than a quality of the item."""
    item = catalogue.items.get(finding.item)
    for reading in item.readings if item is not None else ():
        if reading.code == value.code:
            return reading.status == "present"
    return finding.status in ("present", "absent")


def _status_words(finding: Finding) -> str:
    if finding.status == "indeterminate":
        return "not possible to judge"
    return finding.status or "reported without a result that could be read"


def stands_out(finding: Finding, catalogue: Catalogue) -> bool:
    """Abnormal qualities and signs that are there; numbers are judged by the checks."""
    if finding.status == "abnormal":
        return True
    if finding.status != "present":
        return False
    value = finding.value
    return not isinstance(value, Choice) or is_sign(finding, value, catalogue)


def doubt_words(finding: Finding, catalogue: Catalogue) -> str:
    """What the reader should confirm, in brackets; '' where nothing is doubtful."""
    if not finding.doubtful:
        return ""
    parts = [reason.rstrip(". ") for reason in finding.doubts]
    others = [value_words(other, catalogue) for other in finding.alternatives]
    if others:
        parts.insert(0, f"could also be {listed(others, 'or')}")
    return f"[to confirm: {'; '.join(parts)}]"


def _remark(finding: Finding) -> str:
    remarks = []
    if finding.certainty == "hedged":
        remarks.append("said with hesitation")
    if finding.side_inferred:
        remarks.append("side carried on from earlier talk")
    if finding.by_hand:
        remarks.append("entered by hand")
    return f" ({'; '.join(remarks)})" if remarks else ""


def _places(
    members: Sequence[Finding], catalogue: Catalogue, style: Style, negative: bool
) -> tuple[str, ...]:
    sides_at: dict[str, list[str]] = {}
    for finding in members:
        site = site_title(finding, catalogue)
        own = site_side(finding, catalogue)
        item = catalogue.items.get(finding.item)
        given = own is not None and own == finding.side
        if finding.side == "midline" and item is not None and item.sides == "midline":
            given = True  # the item lies there and nowhere else
        side = "" if given else finding.side or ""
        at = sides_at.setdefault(site, [])
        for one in ("right", "left") if side == "both" else (side,):
            if one not in at:
                at.append(one)
    places: list[str] = []
    sites_by_sides: dict[tuple[str, ...], list[str]] = {}
    for site, sides in sides_at.items():
        sites_by_sides.setdefault(tuple(sorted(sides)), []).append(site)
    for at_sides, sites in sites_by_sides.items():
        named = [site for site in sites if site]
        where = _side_words(at_sides, style, negative)
        if named:
            places.append(f"at the {listed(named)} {where}".strip())
            if len(named) < len(sites) and where:
                places.append(where)
        elif where:
            places.append(where)
    return tuple(places)


def _side_words(sides: Sequence[str], style: Style, negative: bool) -> str:
    pair = {"left", "right"} <= set(sides)
    words = []
    if pair:
        words.append("on either side" if negative and style == "full" else "on both sides")
    names = {
        "right": "on the right",
        "left": "on the left",
        "midline": "in the midline",
        "unspecified": "(side not said)",
        "": "",
    }
    words += [names[side] for side in sides if not (pair and side in ("left", "right"))]
    return listed([word for word in words if word])


def capital(text: str) -> str:
    """The text with its first letter large and everything else as it was."""
    return text[:1].upper() + text[1:]


def _subject(title: str) -> tuple[str, str]:
    """The title as a subject (a comma in it is closed) and the verb that fits its number."""
    named = title.partition(",")[0]
    words = re.findall(r"[\w'-]+", named.lower())
    front = words[: next((at for at, word in enumerate(words) if word in _PREPOSITIONS), None)]
    if front and front[0].endswith("ing"):
        many = False  # "Puffing the cheeks" is one act
    elif "and" in front:
        many = True
    else:
        head = _head(named)
        many = head.endswith("s") and not head.endswith(("ss", "us", "is", "'s"))
    return (f"{title}," if "," in title else title), "were" if many else "was"


def _head(phrase: str) -> str:
    """The word that a short noun or adjective phrase turns on: the last before a preposition."""
    words = re.findall(r"[\w'-]+", phrase.lower())
    for place, word in enumerate(words):
        if place and word in _PREPOSITIONS:
            return str(words[place - 1])
    return str(words[-1]) if words else ""


def _describes(phrase: str) -> bool:
    """True for "tender to percussion", false for "tender nodes" and "no abnormality seen"."""
    first = phrase.lower().partition(" ")[0]
    if first in ("no", "some", "a", "an", "the"):
        return False
    if first in _PREPOSITIONS or first == "not":
        return True  # "to the neck", "not raised"
    head = _head(phrase)
    if head in _NAMING_DESPITE_ENDING:
        return False
    return head in _DESCRIBING or head.endswith(_DESCRIBING_ENDINGS)


def _says_the_same(reading: str, item: str) -> bool:
    """True where a reading adds nothing to its item: "tender" to "Tenderness of the sinus"."""
    said, named = _bare_words(reading), _bare_words(item)
    if " or " in item or " and " in item:
        return said == named
    return said <= named and _bare_word(_head(item.partition(",")[0])) in said


def _bare_words(text: str) -> set[str]:
    words = re.findall(r"[a-z]{3,}", text.lower())
    return {_bare_word(word) for word in words if word not in _PREPOSITIONS and word != "the"}


def _bare_word(word: str) -> str:
    for ending in ("ness", "ity", "s"):
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            return word.removesuffix(ending)
    return word
