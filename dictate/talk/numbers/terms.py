"""Cardinals as English builds them: "a hundred and four", "ninety nine point one", "36.8"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from dictate.talk.numbers.atoms import COMMA, NO_BREAK, SENTENCE, Atom
from dictate.talk.numbers.lexicon import Lexicon, Where

Kind = Literal["digit", "teen", "tens", "large", "decimal", "fraction"]


@dataclass(frozen=True)
class Term:
    """One cardinal: atoms ``first`` to ``end`` (exclusive).

    ``written`` when it came as figures, ``doubtful`` when a word was taken for a number
    by its sound, ``oh`` when it is a zero said as the letter.
    """

    value: Decimal
    first: int
    end: int
    kind: Kind
    written: bool = False
    doubtful: bool = False
    oh: bool = False

    @property
    def whole(self) -> bool:
        """Whether it is a whole number."""
        return self.kind not in ("decimal", "fraction")


class Terms:
    """Reads cardinals from the atoms of one utterance."""

    def __init__(self, atoms: Sequence[Atom], words: Lexicon) -> None:
        self.atoms = atoms
        self.texts = [atom.text for atom in atoms]
        self.lexicon = words

    def run(self, at: int) -> list[Term]:
        """Return the cardinals that follow one another from ``at`` on.

        A comma ends the run except in a row of single digits.
        """
        terms: list[Term] = []
        while at < len(self.atoms):
            if terms:
                before = self.atoms[at].before
                if before == SENTENCE or (self.atoms[at].glued and terms[-1].written):
                    break
                if before == COMMA and terms[-1].kind != "digit":
                    break
            found = self._repeated(at) or self._as_list(self.term(at, bool(terms)))
            if not found:
                break
            if terms and self.atoms[at].before == COMMA and found[0].kind != "digit":
                break
            if terms and not (terms[-1].whole and (found[0].whole or terms[0].kind == "digit")):
                break
            terms += found
            at = terms[-1].end
        return terms

    def term(self, at: int, inside: bool = False) -> Term | None:
        """Return the longest cardinal at ``at``; ``inside`` when a number stands before it."""
        fraction = self._bare_fraction(at)
        if fraction is not None:
            return fraction
        start = self._whole(at, inside)
        if start is None:
            return self._bare_point(at)
        again = self._begun_again(start)
        if again is not None:
            return again
        return self._pointed(start) or self._and_fraction(start)

    def _begun_again(self, start: Term) -> Term | None:
        """Return a number said again from its start: "thirty six point, thirty six point nine"."""
        point, points = start.end, self.lexicon.point
        if not start.whole or not self._joined(point) or self.texts[point] not in points:
            return None
        second = self._whole(point + 1, True) if self._joined(point + 1) else None
        if second is None or second.value != start.value or start.kind == "digit":
            return None
        if second.end >= len(self.atoms) or self.texts[second.end] not in points:
            return None
        whole = self._pointed(second)
        if whole is None:
            return None
        return Term(whole.value, start.first, whole.end, whole.kind, doubtful=whole.doubtful)

    # -- whole numbers ---------------------------------------------------------

    def _whole(self, at: int, inside: bool) -> Term | None:
        below = self._below_thousand(at, inside)
        if below is None or not self._joined(below.end):
            return below
        if self.texts[below.end] not in self.lexicon.thousand or below.kind in ("decimal",):
            return below
        value, end = below.value * 1000, below.end + 1
        rest = self._below_thousand(self._past_and(end), True)
        if rest is not None and self._joined(end) and not rest.oh and rest.whole:
            value, end = value + rest.value, rest.end
        return Term(value, at, end, "large", below.written, below.doubtful)

    def _below_thousand(self, at: int, inside: bool) -> Term | None:
        if at >= len(self.atoms):
            return None
        text = self.texts[at]
        if text in self.lexicon.articles or text in self.lexicon.hundred:
            head = at + 1 if text in self.lexicon.articles else at
            if not self._is_hundred(head) or (head > at and self.atoms[head].before):
                return None
            return self._after_hundred(at, Decimal(1), head + 1, False, False)
        low = self._below_hundred(at, inside)
        if low is None or not low.whole or not self._joined(low.end):
            return low
        if self._is_hundred(low.end) and (low.kind in ("digit", "teen")) and low.value > 0:
            return self._after_hundred(at, low.value, low.end + 1, low.written, low.doubtful)
        return low

    def _after_hundred(
        self, at: int, count: Decimal, end: int, written: bool, doubtful: bool
    ) -> Term:
        value = count * 100
        following = self._past_and(end)
        if self._joined(end) and (following == end or self._joined(following)):
            if following == end and self._is_oh(end) and end + 1 < len(self.atoms):
                following += 1
            low = self._below_hundred(following, True)
            if low is not None and low.whole and low.value > 0 and not self._is_hundred(low.end):
                return Term(
                    value + low.value, at, low.end, "large", written, doubtful or low.doubtful
                )
        return Term(value, at, end, "large", written, doubtful)

    def _below_hundred(self, at: int, inside: bool) -> Term | None:
        if at >= len(self.atoms):
            return None
        atom = self.atoms[at]
        words = self.lexicon
        if atom.value is not None:
            return _written(atom.value, at)
        if (tens := words.tens.get(atom.text)) is not None:
            if self._is_ordinal(at + 1) and self._joined(at + 1):
                return None  # "twenty first"
            if self._joined(at + 1):
                unit = self._digit(at + 1, True)
                if (
                    unit is not None
                    and not unit.oh
                    and unit.value > 0
                    and not self._is_hundred(unit.end)
                ):
                    return Term(tens + unit.value, at, unit.end, "tens", doubtful=unit.doubtful)
            return Term(Decimal(tens), at, at + 1, "tens")
        if (teen := words.teens.get(atom.text)) is not None:
            return Term(Decimal(teen), at, at + 1, "teen")
        return self._digit(at, inside)

    def _digit(self, at: int, inside: bool) -> Term | None:
        text = self.texts[at]
        if (digit := self.lexicon.digits.get(text)) is not None:
            return Term(Decimal(digit), at, at + 1, "digit")
        if inside and self._is_oh(at):
            return Term(Decimal(0), at, at + 1, "digit", oh=True)
        if (slip := self.lexicon.homophones.get(text)) is not None and any(
            self._stands(where, at) for where in slip.where
        ):
            return Term(Decimal(slip.value), at, at + 1, "digit", doubtful=True)
        return None

    # -- points and fractions --------------------------------------------------

    def _pointed(self, start: Term) -> Term | None:
        """Return ``start`` with the decimals after a spoken point, if there is one."""
        at = start.end
        if not start.whole or at >= len(self.atoms) or self.atoms[at].before == SENTENCE:
            return None
        if self.texts[at] not in self.lexicon.point:
            return None
        decimals, end, doubtful = self._decimals(at + 1)
        if not decimals:
            return None
        doubtful = doubtful or start.doubtful or self.texts[at] in self.lexicon.point_garbled
        value = Decimal(f"{start.value}.{decimals}")
        return Term(value, start.first, end, "decimal", doubtful=doubtful)

    def _bare_point(self, at: int) -> Term | None:
        if at >= len(self.atoms):
            return None
        point = at + 1 if self._is_oh(at) else at
        if point + 1 >= len(self.atoms) or self.texts[point] not in self.lexicon.point:
            return None
        if self.texts[point] in self.lexicon.point_garbled:
            return None
        if at and not self.atoms[at].before and self.texts[at - 1] in self.lexicon.point_not_after:
            return None
        decimals, end, doubtful = self._decimals(point + 1)
        if not decimals:
            return None
        return Term(Decimal(f"0.{decimals}"), at, end, "decimal", doubtful=doubtful)

    def _decimals(self, at: int) -> tuple[str, int, bool]:
        """Return the figures after a point, where they end, and whether a slip was mended."""
        figures, doubtful = "", False
        while at < len(self.atoms) and (not figures or self._joined(at)):
            atom = self.atoms[at]
            if atom.before == SENTENCE:
                break
            if atom.value is not None:
                if not figures and atom.value == atom.value.to_integral_value():
                    return atom.text, at + 1, doubtful
                break
            found = self._repeated(at)
            if found:
                figures += "".join(str(term.value) for term in found)
                at = found[-1].end
                continue
            low = self._below_hundred(at, True)
            if low is None or (figures and (low.kind != "digit" or self._opens_next(at))):
                break
            figures += str(low.value)
            at, doubtful = low.end, doubtful or low.doubtful
            if low.kind != "digit":
                break
        return figures, at, doubtful

    def _opens_next(self, at: int) -> bool:
        """Whether the digit at ``at`` begins a number of its own ("... point one | one thirty")."""
        following = at + 1
        if following >= len(self.atoms):
            return False
        text = self.texts[following]
        words = self.lexicon
        return (
            text in words.tens
            or text in words.teens
            or text in words.hundred
            or words.joiner_phrases.match(self.texts, following) is not None
            or (text in words.oh and following + 1 < len(self.atoms))
        )

    def _and_fraction(self, start: Term) -> Term | None:
        """Return "four and a half" whole, or ``start`` as it is."""
        if not start.whole:
            return start
        part = self.fraction_after(start.end)
        if part is None:
            return start
        value, end = part
        return Term(start.value + value, start.first, end, "fraction", doubtful=start.doubtful)

    def fraction_after(self, at: int) -> tuple[Decimal, int] | None:
        """Return the value and end of "and a half", "and three quarters" at ``at``."""
        if not self._joined(at) or self.texts[at] != "and":
            return None
        return self._fraction(at + 1)

    def _fraction(self, at: int) -> tuple[Decimal, int] | None:
        if at + 1 >= len(self.atoms):
            return None
        part = self.lexicon.fractions.get(self.texts[at + 1])
        if part is None or self.atoms[at + 1].before:
            return None
        if self.texts[at] in self.lexicon.articles:
            return part, at + 2
        count = self.lexicon.digits.get(self.texts[at])
        return (part * count, at + 2) if count in (1, 2, 3) else None

    def _bare_fraction(self, at: int) -> Term | None:
        """Read "half a second", "a quarter of an inch": a fraction counts only with a unit."""
        if at >= len(self.atoms):
            return None
        found = self._fraction(at)
        if found is None and self.texts[at] in self.lexicon.fractions:
            found = self.lexicon.fractions[self.texts[at]], at + 1
        if found is None:
            return None
        value, end = found
        beyond = end + 1 if end < len(self.atoms) and self.texts[end] == "of" else end
        if beyond < len(self.atoms) and self.texts[beyond] in ("a", "an"):
            beyond += 1
        unit = self.lexicon.unit_phrases.match(self.texts, beyond)
        if unit is None or unit[1].written:
            return None
        return Term(value, at, beyond, "fraction")

    # -- neighbours ------------------------------------------------------------

    def _repeated(self, at: int) -> list[Term]:
        """Return the terms of "double five"."""
        times = self.lexicon.repeats.get(self.texts[at]) if at < len(self.atoms) else None
        if times is None or not self._joined(at + 1):
            return []
        digit = self._digit(at + 1, True)
        if digit is None or digit.doubtful:
            return []
        one = Term(digit.value, at, digit.end, "digit")
        return [one] * times

    @staticmethod
    def _as_list(term: Term | None) -> list[Term]:
        return [] if term is None else [term]

    def _joined(self, at: int) -> bool:
        """Whether ``at`` exists and nothing parts it from the atom before it."""
        return 0 < at < len(self.atoms) and self.atoms[at].before == NO_BREAK

    def _is_hundred(self, at: int) -> bool:
        return at < len(self.atoms) and self.texts[at] in self.lexicon.hundred

    def _is_ordinal(self, at: int) -> bool:
        if at >= len(self.atoms) or self.texts[at] not in self.lexicon.ordinals:
            return False
        return self.texts[at] != "second" or at + 1 >= len(self.atoms)

    def _past_and(self, at: int) -> int:
        return at + 1 if at < len(self.atoms) and self.texts[at] == "and" else at

    def _is_oh(self, at: int) -> bool:
        """Whether the word at ``at`` is a zero, not an interjection."""
        if at >= len(self.atoms) or self.texts[at] not in self.lexicon.oh:
            return False
        if at + 1 >= len(self.atoms):
            return True
        following = self.texts[at + 1]
        return self._joined(at + 1) and (
            self._is_number(at + 1)
            or following in self.lexicon.point
            or following in self.lexicon.oh
            or following in self.lexicon.repeats
            or self.lexicon.joiner_phrases.match(self.texts, at + 1) is not None
            or self.lexicon.unit_phrases.match(self.texts, at + 1) is not None
        )

    def _is_number(self, at: int) -> bool:
        return 0 <= at < len(self.atoms) and (
            self.atoms[at].value is not None or self.texts[at] in self.lexicon.number_words
        )

    def _stands(self, where: Where, at: int) -> bool:
        """Whether the neighbours of ``at`` show that a like-sounding word is a number."""
        words = self.lexicon
        number_before = at > 0 and self._joined(at) and self._is_number(at - 1)
        if where == "after":
            return number_before
        following = at + 1
        if not self._joined(following):
            return False
        text = self.texts[following]
        if where == "before":
            return text in words.tens or text in words.teens or text in words.hundred
        joiner = words.joiner_phrases.match(self.texts, following)
        ratio = (
            joiner is not None
            and joiner[1].kind in ("over", "outof")
            and not joiner[1].garbled
            and self._is_number(following + joiner[0])
        )
        if where == "lead":
            return (ratio and text not in ("by", "on", "upon")) or (
                text in words.plus and not number_before
            )
        unit = words.unit_phrases.match(self.texts, following)
        return number_before and (
            ratio
            or (unit is not None and not unit[1].misheard and text not in words.articles)
            or (text in words.point and self._is_number(following + 1))
        )


def _written(value: Decimal, at: int) -> Term:
    exponent = value.as_tuple().exponent
    if isinstance(exponent, int) and exponent < 0:
        kind: Kind = "decimal"
    elif value < 10:
        kind = "digit"
    elif value < 20:
        kind = "teen"
    elif value < 100:
        kind = "tens"
    else:
        kind = "large"
    return Term(value, at, at + 1, kind, written=True)
