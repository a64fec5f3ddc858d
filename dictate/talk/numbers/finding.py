"""Finds the stretches of words that may be numbers."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Literal

from dictate.talk.numbers.atoms import NO_BREAK, SENTENCE
from dictate.talk.numbers.composing import Composed, single_reading
from dictate.talk.numbers.counting import with_products
from dictate.talk.numbers.halves import with_named_halves
from dictate.talk.numbers.heard import Core, Heard, Prefix
from dictate.talk.numbers.lexicon import Compound, lexicon
from dictate.talk.numbers.model import Comparator, Reading, Spoken
from dictate.talk.numbers.pairing import HIGHEST_GRADE, Pairing
from dictate.talk.numbers.terms import Term

_OTHER_SIDE = {"left": "right", "right": "left"}
_AFTER_ONE = frozenset(["plus", "minus", "over", "out", "on", "in", "at", "each", "and", "or"])
_POINTING = frozenset(["the", "this", "that", "his", "her", "your", "my"])


def find_numbers(tokens: Sequence[str]) -> list[Spoken]:
    """Return the stretches of ``tokens`` that may be numbers, in order, never overlapping.

    Args:
        tokens: words of one utterance, lower case from a recogniser or as written in a
            transcript ("134/88", "2+", "37°C", punctuation attached).
    """
    found = _Search(Heard(tokens, lexicon())).all()
    return with_named_halves(tokens, with_products(tokens, found))


def _can_be_reckoned(reading: Reading) -> bool:
    """Whether decimals hold the values exactly; an endless row of figures is no measure."""
    return all(
        abs(value) < 1_000_000_000 and len(value.as_tuple().digits) <= 15
        for value in reading.values
    )


class _Search:
    def __init__(self, heard: Heard) -> None:
        self.heard = heard
        self.pairing = Pairing(heard)
        self.tokens = heard.tokens
        self.words = heard.words
        self.atoms = heard.atoms
        self.texts = heard.texts
        self.terms = heard.terms

    def all(self) -> list[Spoken]:
        """Return every stretch."""
        found: list[Spoken] = []
        at, count = 0, len(self.atoms)
        starters = self.words.starters
        while at < count:
            atom = self.atoms[at]
            if atom.value is None and atom.text not in starters:
                at += 1
                continue
            skipped = self._no_number(at)
            if skipped:
                at += skipped
                continue
            result = self._stretch(at)
            if result is None:
                at += 1
                continue
            spoken, at = result
            if found and spoken.first <= found[-1].last:
                continue  # two numbers glued into one token: the first stands
            kept = tuple(one for one in spoken.readings if _can_be_reckoned(one))
            if kept:
                found.append(spoken.model_copy(update={"readings": kept}))
        return found

    # -- what is no number -----------------------------------------------------

    def _no_number(self, at: int) -> int:
        """Return how many atoms to pass by because the number word at ``at`` is none."""
        phrase = self.words.not_number_phrases.match(self.texts, at)
        if phrase is not None and not self._figure(at + phrase[0]):
            return phrase[0]
        if (
            self.texts[at] in self.words.digits
            and at + 1 < len(self.atoms)
            and self.texts[at + 1] in self.words.parts
        ):
            return 2
        if (
            self.texts[at] in self.words.tens
            and at + 1 < len(self.atoms)
            and self.texts[at + 1] in self.words.ordinals
            and self.texts[at + 1] != "second"
            and self.atoms[at + 1].before == NO_BREAK
        ):
            return 2
        return 0

    def _is_label(self, at: int) -> bool:
        """Whether a letter before ``at`` makes the number a name ("s one", "l four")."""
        if at == 0 or self.atoms[at].before != NO_BREAK or self.atoms[at - 1].glued:
            return False
        if self.texts[at - 1] not in self.words.labels:
            return False
        term = self.terms.term(at)
        return term is not None and term.whole and term.value <= self.words.label_most

    def _pronoun(self, prefix: Prefix, core: Core, first: int) -> bool:
        """Whether a lone 'one' is a pronoun."""
        if not core.lone or prefix.graded or prefix.comparator or prefix.approximate:
            return False
        if self.texts[core.end - 1] != "one" or core.readings[0].values != (Decimal(1),):
            return False
        if first == 0 or self.atoms[first].before == SENTENCE:
            last = core.end >= len(self.atoms) or self.atoms[core.end].before != NO_BREAK
            return not (self.words.one_is_number.alone and last)
        if self._of_two_sides(first, core.end):
            return False
        if self.texts[max(0, first - 2) : first] == ["there", "is"] and self._goes_on(core.end):
            return True  # "there is one soft murmur"
        return self.texts[first - 1] not in self.words.one_is_number.after

    def _goes_on(self, at: int) -> bool:
        """Whether a word follows that is no part of a number or of a place."""
        return at < len(self.atoms) and self.texts[at] not in _AFTER_ONE

    def _of_two_sides(self, at: int, end: int) -> bool:
        """Whether each side has its number ("left one, right two", "right two, left one")."""
        side = self.texts[at - 1]
        if side not in _OTHER_SIDE or (at > 1 and self.texts[at - 2] in _POINTING):
            return False
        there = end + 1 if self.texts[end : end + 1] == ["and"] else end
        if self.texts[there : there + 1] == [_OTHER_SIDE[side]] and self._figure(there + 1):
            return True
        before = at - 3 if at > 2 and self.texts[at - 2] == "and" else at - 2
        return (
            end == len(self.texts)
            and before > 0
            and self._figure(before)
            and self.texts[before - 1] == _OTHER_SIDE[side]
        )

    def _figure(self, at: int) -> bool:
        return at < len(self.atoms) and self.heard.figure(at)

    # -- one stretch -----------------------------------------------------------

    def _stretch(self, at: int) -> tuple[Spoken, int] | None:
        prefix = self._prefix(at)
        if prefix.end >= len(self.atoms):
            return None
        if prefix.end > at and self._no_number(prefix.end):
            return None
        start = prefix.end
        if self._is_label(start) and not prefix.graded:
            return None
        core = self._signed(start) or self._trace(start) or self._jaeger(start)
        core = core or self._number(start, prefix)
        if core is None:
            return None
        if self.atoms[core.end - 1].token == self.atoms[at].token and self._cut_word(at, core.end):
            return None
        comparator, approximate, end, unit = self._suffix(core)
        if unit is None and self._pronoun(prefix, core, at):
            return None
        readings = core.readings
        if prefix.graded:
            readings = _as_graded(readings)
        first, last = self.atoms[at].token, self.atoms[end - 1].token
        misheard = unit is not None and unit.startswith("?")
        spoken = Spoken(
            first=first,
            last=last,
            text=" ".join(self.tokens[first : last + 1]),
            readings=tuple(dict.fromkeys(readings)),
            comparator=prefix.comparator or comparator,
            approximate=prefix.approximate or approximate or core.approximate,
            unit=unit.lstrip("?") if unit else None,
            doubtful=core.doubtful or prefix.doubtful or misheard,
        )
        return spoken, end

    def _cut_word(self, at: int, end: int) -> bool:
        """Whether a figure is only part of a word ("2x4mg", "1st-line")."""
        return (
            end < len(self.atoms)
            and self.atoms[end].glued
            and self.atoms[end].value is None
            and self.atoms[end].text.isalpha()
            and self.words.unit_phrases.match(self.texts, end) is None
            and self.atoms[at].value is not None
        )

    def _prefix(self, at: int) -> Prefix:
        prefix = Prefix(at)
        while prefix.end < len(self.atoms):
            if prefix.end > at and self.atoms[prefix.end].before == SENTENCE:
                break
            if self._starts_number(prefix.end):
                break
            if (graded := self.words.grade_phrases.match(self.texts, prefix.end)) is not None:
                prefix.end += graded[0]
                prefix.graded, prefix.doubtful = True, graded[1]
                continue
            hedge = self.words.prefixes.match(self.texts, prefix.end)
            opener = self.words.opener_phrases.match(self.texts, prefix.end)
            if opener is not None and (hedge is None or opener[0] >= hedge[0]):
                prefix.between = "between" in self.texts[prefix.end : prefix.end + opener[0]]
                prefix.end += opener[0]
            elif hedge is not None:
                sign, approximate = hedge[1]
                prefix.comparator = sign or prefix.comparator
                prefix.approximate = prefix.approximate or approximate
                prefix.end += hedge[0]
            else:
                break
        return prefix

    def _starts_number(self, at: int) -> bool:
        return self.heard.figure(at) or self.texts[at] in self.words.homophones

    def _suffix(self, core: Core) -> tuple[Comparator | None, bool, int, str | None]:
        """Read the words after a number: unit, comparator, hedge, in any order."""
        comparator: Comparator | None = None
        approximate, end, unit = False, core.end, core.unit
        while end < len(self.atoms) and self.atoms[end].before != SENTENCE:
            found = self.heard.unit(end)
            if found is not None and (unit is None or (core.unit == found[0] == unit)):
                unit, end = found
                continue
            after = self.words.suffixes.match(self.texts, end)
            if after is None or self._figure(end + after[0]):
                break
            comparator = after[1][0] or comparator
            approximate = approximate or after[1][1]
            end += after[0]
        return comparator, approximate, end, unit

    def _trace(self, at: int) -> Core | None:
        if self.texts[at] not in self.words.trace:
            return None
        following = self.texts[at + 1] if at + 1 < len(self.atoms) else ""
        if following in self.words.trace_not_before or (at and self.texts[at - 1] == "to"):
            return None
        return Core([Reading(form="grade", values=(), modifier="trace")], at + 1)

    def _jaeger(self, at: int) -> Core | None:
        if self.texts[at] not in self.words.jaeger:
            return None
        term = self.terms.term(at + 1)
        if term is None or not term.whole or term.value > 20:
            return None
        reading = Reading(form="ratio", values=(term.value,), modifier="jaeger")
        return Core([reading], term.end, doubtful=term.doubtful)

    def _signed(self, at: int) -> Core | None:
        """Read "plus two", "plus plus", "minus five"."""
        text = self.texts[at]
        if text in self.words.plus:
            count = 1
            while at + count < len(self.atoms) and self.texts[at + count] in self.words.plus:
                count += 1
            if count > 1:
                return Core(
                    [Reading(form="grade", values=(Decimal(count),), modifier="plus")], at + count
                )
            term = self.terms.term(at + 1)
            if term is None or not term.whole or term.value > HIGHEST_GRADE or term.doubtful:
                return None
            end = term.end
            reading = Reading(form="grade", values=(term.value,), modifier="plus")
            return Core([reading], end)
        if text in self.words.minus and not (at and self.heard.figure(at - 1)):
            term = self.terms.term(at + 1)
            if term is None or term.doubtful or self.atoms[at + 1].before != NO_BREAK:
                return None
            form = single_reading(Composed(term.value, True)).form
            return Core([Reading(form=form, values=(-term.value,), modifier="minus")], term.end)
        return None

    def _number(self, at: int, prefix: Prefix) -> Core | None:
        run = self.terms.run(at)
        if not run:
            return self._unit_and_half(at)
        standing = self._pronoun_first(run)
        if standing == "strong":
            return None
        core = self._run(run, prefix)
        if core is not None and standing == "weak":
            core.doubtful = True
        return core

    def _pronoun_first(self, run: Sequence[Term]) -> Literal["strong", "weak"] | None:
        """Whether the 'one' that opens a run is a pronoun: "this one | twenty over forty"."""
        at = run[0].first
        if len(run) < 2 or at == 0 or self.texts[at] != "one" or run[0].value != 1:
            return None
        if self.atoms[at].before != NO_BREAK:
            return None
        rule, before = self.words.one_is_pronoun, self.texts[at - 1]
        if before in rule.strong:
            return "strong"
        if before in rule.weak and (at < 2 or self.texts[at - 2] not in rule.weak_unless_after):
            return "weak"
        return None

    def _run(self, run: list[Term], prefix: Prefix) -> Core:
        """Read a run of cardinals and what joins it to another."""
        if len(run) == 1 and (compound := self._compound(run[0])) is not None:
            return compound
        return self.pairing.read(run, prefix)

    def _unit_and_half(self, at: int) -> Core | None:
        """Read "a second and a half"."""
        if self.texts[at] not in self.words.articles:
            return None
        unit = self.heard.unit(at + 1)
        if unit is None:
            return None
        part = self.terms.fraction_after(unit[1])
        if part is None:
            return None
        reading = Reading(form="decimal", values=(1 + part[0],))
        return Core([reading], part[1], unit=unit[0])

    def _compound(self, whole: Term) -> Core | None:
        """Read "five foot eleven", "one meter seventy five", "two centimeters and a half"."""
        unit = self.heard.unit(whole.end)
        if unit is None or not whole.whole:
            return None
        key, after = unit
        if (part := self.terms.fraction_after(after)) is not None:
            value = whole.value + part[0]
            return Core([Reading(form="decimal", values=(value,))], part[1], unit=key)
        compound = self.words.compounds.get(key)
        if compound is None or after >= len(self.atoms) or self.atoms[after].before != NO_BREAK:
            return None
        second = self.terms.run(after)
        if not second or second[0].value > compound.most:
            return None
        minor = second[0]
        if minor.oh or (minor.value == 0 and len(second) > 1):
            minor = second[1] if len(second) > 1 else minor
        end = minor.end
        minor_unit = self.heard.unit(end)
        if minor_unit is not None and minor_unit[0] in compound.second:
            end = minor_unit[1]
        elif minor_unit is not None:
            return None
        return _compound_core(whole, minor, minor is not second[0], compound, end, key)


def _compound_core(
    whole: Term, minor: Term, padded: bool, compound: Compound, end: int, key: str
) -> Core:
    doubtful = whole.doubtful or minor.doubtful
    if compound.key == key:  # hundredths of the same unit
        value = whole.value + minor.value / compound.factor
        readings = [Reading(form="decimal", values=(value,))]
        if minor.kind == "digit" and not padded and minor.value > 0:
            tenths = whole.value + minor.value / 10
            readings.append(Reading(form="decimal", values=(tenths,), garbled=True))
            doubtful = True
        return Core(readings, end, unit=key, doubtful=doubtful)
    reading = Reading(form="list", values=(whole.value, minor.value))
    return Core([reading], end, unit=compound.key, doubtful=doubtful)


def _as_graded(readings: Sequence[Reading]) -> list[Reading]:
    """Return the readings of a number after the word 'grade', the grade first."""
    head = readings[0]
    if head.form == "grade" or not head.values:
        return list(readings)
    if head.form == "integer":
        return [Reading(form="grade", values=head.values, garbled=head.garbled), *readings]
    grades = [reading for reading in readings if reading.form == "grade"]
    return [*grades, *(reading for reading in readings if reading.form != "grade")]
