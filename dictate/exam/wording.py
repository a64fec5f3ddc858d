"""How phrases look when people read them: one plain wording of a phrase, units in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from dictate.exam.catalogue import Item, Limits, Scale
from dictate.exam.expansion import Choice, Literal, Maybe, Part, Slot, parse_expansion

_UNIT_WORDS = {
    "mm[Hg]": "millimetres of mercury",
    "/min": "per minute",
    "Cel": "degrees Celsius",
    "[degF]": "degrees Fahrenheit",
    "%": "percent",
    "cm": "centimetres",
    "mm": "millimetres",
    "m": "metres",
    "kg": "kilograms",
    "g": "grams",
    "[lb_av]": "pounds",
    "[stone_av]": "stone",
    "[in_i]": "inches",
    "[ft_i]": "feet",
    "deg": "degrees",
    "s": "seconds",
    "min": "minutes",
    "1": "",
}
_UNIT_SIGNS = {"mm[Hg]": "mmHg", "/min": "per minute", "Cel": "°C", "[degF]": "°F", "deg": "°"}
_SLOT_WORDS = {"number": "…", "side": "left", "site": "…", "unit": "…"}


def unit_words(unit: str) -> str:
    """A UCUM unit as it is spoken; the unit itself where no words are known."""
    return _UNIT_WORDS.get(unit, unit.strip("{}").replace("_", " "))


def plain(phrase: str, rules: Mapping[str, str]) -> str:
    """One wording of a phrase: the first of alternatives, with the small optional words.

    Raises:
        ExpansionError: the phrase does not follow the notation.
    """
    words = _words(parse_expansion(phrase, rules))
    while len(words) > 1 and words[-1] in _SMALL:
        words.pop()
    kept = [
        word
        for word, following in zip(words, [*words[1:], ""], strict=True)
        if not (word in _ARTICLES and following in _ARTICLES)
    ]
    return " ".join(kept)


def plain_wordings(
    phrases: Iterable[str], rules: Mapping[str, str], most: int, fewest_words: int = 1
) -> tuple[str, ...]:
    """One wording of each phrase, no two alike, at most ``most``.

    Wordings of at least ``fewest_words`` words come first: they read like something said.
    """
    found = [wording for wording in dict.fromkeys(plain(p, rules) for p in phrases) if wording]
    found.sort(key=lambda wording: len(wording.split()) < fewest_words)
    return tuple(found[:most])


def _words(part: Part) -> list[str]:
    if isinstance(part, Literal):
        return [part.text]
    if isinstance(part, Slot):
        return [_SLOT_WORDS[part.name]]
    if isinstance(part, Choice):
        return _words(part.options[0])
    if isinstance(part, Maybe):
        # Only small words read well when put in; longer optional parts make a clumsy sentence.
        words = _words(part.part)
        return words if len(words) == 1 and words[0] in _SMALL else []
    return [word for inner in part.parts for word in _words(inner)]


_ARTICLES = frozenset({"the", "your", "my", "a", "an"})
_SMALL = frozenset({"the", "your", "my", "a", "of", "to", "on", "is", "at", "in", "and", "for"})


def limits_words(limits: Limits, unit: str | None) -> str:
    """A range in words and figures, such as '60 to 100 per minute'."""
    bare = unit is None or unit.startswith("{") or unit == "1"
    sign = "" if bare else _UNIT_SIGNS.get(unit or "", unit or "")
    space = "" if sign in ("", "°", "%") else " "
    if limits.low is not None and limits.high is not None:
        return f"{limits.low:g} to {limits.high:g}{space}{sign}"
    if limits.low is not None:
        return f"{limits.low:g}{space}{sign} or more"
    return f"up to {limits.high:g}{space}{sign}"


def value_hint(item: Item, scale: Scale | None) -> str:
    """How the value of a measured item is said; empty for findings in words."""
    if item.kind == "pressure":
        return "… over …"
    if item.kind == "ratio":
        return "… over …"
    if item.kind == "quantity":
        units = [unit_words(unit) for unit in (item.unit or "", *item.other_units)]
        return f"… {' or '.join(unit for unit in units if unit)}".strip()
    if item.kind == "grade" and scale is not None:
        if scale.plus:
            return f"… plus ({scale.low:g} to {scale.high:g})"
        return f"… out of {scale.out_of[0] if scale.out_of else format(scale.high, 'g')}"
    if item.kind == "trials":
        return f"partner: {', '.join(item.answers)}"
    return ""
