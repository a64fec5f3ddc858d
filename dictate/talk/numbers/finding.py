"""Finds the stretches of words that may be numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from dictate.talk.numbers.atoms import NO_BREAK, SENTENCE, Atom, atoms_of
from dictate.talk.numbers.composing import (
    Composed,
    compose,
    is_acuity,
    lends_its_unit,
    plain_number,
    row_readings,
    single_reading,
)
from dictate.talk.numbers.lexicon import Compound, Joiner, Lexicon, lexicon
from dictate.talk.numbers.model import Comparator, Reading, Spoken
from dictate.talk.numbers.terms import Term, Terms

_HIGHEST_GRADE = 10  # above it "n plus" is no grade
_GRADE_DENOMINATORS = frozenset(map(Decimal, (1, 2, 3, 4, 5, 6, 10)))
_MOST_LETTERS = 5  # an acuity line has hardly more


def find_numbers(tokens: Sequence[str]) -> list[Spoken]:
    """Return the stretches of ``tokens`` that may be numbers, in order, never overlapping.

    Args:
        tokens: words of one utterance, lower case from a recogniser or as written in a
            transcript ("134/88", "2+", "37°C", punctuation attached).
    """
    search = _Search(tokens, lexicon())
    return search.all()


@dataclass
class _Core:
    """What was read between the words before a number and the words after it."""

    readings: list[Reading]
    end: int
    unit: str | None = None
    doubtful: bool = False
    approximate: bool = False
    lone: bool = False


@dataclass
class _Prefix:
    """The words before a number."""

    end: int
    comparator: Comparator | None = None
    approximate: bool = False
    graded: bool = False
    doubtful: bool = False
    between: bool = False
    opened: bool = False


@dataclass
class _Search:
    tokens: Sequence[str]
    words: Lexicon
    atoms: list[Atom] = field(init=False)
    texts: list[str] = field(init=False)
    terms: Terms = field(init=False)

    def __post_init__(self) -> None:
        self.atoms = atoms_of(self.tokens)
        self.terms = Terms(self.atoms, self.words)
        self.texts = self.terms.texts

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
            found.append(spoken)
        return found

    # -- what is no number -----------------------------------------------------

    def _no_number(self, at: int) -> int:
        """Return how many atoms to pass by because the number word at ``at`` is none."""
        phrase = self.words.not_number_phrases.match(self.texts, at)
        if phrase is not None and not self._continues(at + phrase[0]):
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

    def _continues(self, at: int) -> bool:
        return at < len(self.atoms) and self._figure(at)

    def _figure(self, at: int) -> bool:
        return self.atoms[at].value is not None or self.texts[at] in self.words.number_words

    def _is_label(self, at: int) -> bool:
        """Whether a letter before ``at`` makes the number a name ("s one", "l four")."""
        if at == 0 or self.atoms[at].before != NO_BREAK or self.atoms[at - 1].glued:
            return False
        if self.texts[at - 1] not in self.words.labels:
            return False
        term = self.terms.term(at)
        return term is not None and term.whole and term.value <= self.words.label_most

    def _pronoun(self, prefix: _Prefix, core: _Core, first: int) -> bool:
        """Whether a lone 'one' is a pronoun."""
        if not core.lone or prefix.graded or prefix.comparator or prefix.approximate:
            return False
        if self.texts[core.end - 1] != "one" or core.readings[0].values != (Decimal(1),):
            return False
        if first == 0 or self.atoms[first].before == SENTENCE:
            last = core.end >= len(self.atoms) or self.atoms[core.end].before != NO_BREAK
            return not (self.words.one_is_number.alone and last)
        return self.texts[first - 1] not in self.words.one_is_number.after

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

    def _prefix(self, at: int) -> _Prefix:
        prefix = _Prefix(at)
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
                prefix.opened = True
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
        return self._figure(at) or self.texts[at] in self.words.homophones

    def _suffix(self, core: _Core) -> tuple[Comparator | None, bool, int, str | None]:
        """Read the words after a number: unit, comparator, hedge, in any order."""
        comparator: Comparator | None = None
        approximate, end, unit = False, core.end, core.unit
        while end < len(self.atoms) and self.atoms[end].before != SENTENCE:
            found = self._unit(end)
            if found is not None and (unit is None or (core.unit == found[0] == unit)):
                unit, end = found
                continue
            after = self.words.suffixes.match(self.texts, end)
            if after is None or self._continues(end + after[0]):
                break
            comparator = after[1][0] or comparator
            approximate = approximate or after[1][1]
            end += after[0]
        return comparator, approximate, end, unit

    def _unit(self, at: int) -> tuple[str, int] | None:
        """Return the unit at ``at`` and its end; a '?' before the key marks a mis-hearing."""
        if at >= len(self.atoms) or self.atoms[at].before == SENTENCE:
            return None
        found = self.words.unit_phrases.match(self.texts, at)
        if found is None:
            return None
        length, sense = found
        if sense.written and not (
            self.atoms[at].glued or (at > 0 and self.atoms[at - 1].value is not None)
        ):
            return None
        if sense.written and self.texts[at].isalpha() and not self.atoms[at].glued:
            following = at + 1
            if following < len(self.atoms) and self.atoms[following].before == NO_BREAK:
                return None
        return ("?" if sense.misheard else "") + sense.key, at + length

    # -- the number itself -----------------------------------------------------

    def _trace(self, at: int) -> _Core | None:
        if self.texts[at] not in self.words.trace:
            return None
        following = self.texts[at + 1] if at + 1 < len(self.atoms) else ""
        if following in self.words.trace_not_before or (at and self.texts[at - 1] == "to"):
            return None
        return _Core([Reading(form="grade", values=(), modifier="trace")], at + 1)

    def _jaeger(self, at: int) -> _Core | None:
        if self.texts[at] not in self.words.jaeger:
            return None
        term = self.terms.term(at + 1)
        if term is None or not term.whole or term.value > 20:
            return None
        reading = Reading(form="ratio", values=(term.value,), modifier="jaeger")
        return _Core([reading], term.end, doubtful=term.doubtful)

    def _signed(self, at: int) -> _Core | None:
        """Read "plus two", "plus plus", "minus five"."""
        text = self.texts[at]
        if text in self.words.plus:
            count = 1
            while at + count < len(self.atoms) and self.texts[at + count] in self.words.plus:
                count += 1
            if count > 1:
                return _Core(
                    [Reading(form="grade", values=(Decimal(count),), modifier="plus")], at + count
                )
            term = self.terms.term(at + 1)
            if term is None or not term.whole or term.value > _HIGHEST_GRADE or term.doubtful:
                return None
            end = term.end
            reading = Reading(form="grade", values=(term.value,), modifier="plus")
            return _Core([reading], end)
        if text in self.words.minus and not (at and self._figure(at - 1)):
            term = self.terms.term(at + 1)
            if term is None or term.doubtful or self.atoms[at + 1].before != NO_BREAK:
                return None
            form = single_reading(Composed(term.value, True)).form
            return _Core([Reading(form=form, values=(-term.value,), modifier="minus")], term.end)
        return None

    def _number(self, at: int, prefix: _Prefix) -> _Core | None:
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

    def _run(self, run: list[Term], prefix: _Prefix) -> _Core | None:
        """Read a run of cardinals and what joins it to another."""
        end = run[-1].end
        if len(run) == 1 and (compound := self._compound(run[0])) is not None:
            return compound
        modifier = self._modifier(run, end)
        joined = self._joined(run, prefix, modifier)
        if joined is not None:
            return joined
        return self._row(run, modifier)

    def _unit_and_half(self, at: int) -> _Core | None:
        """Read "a second and a half"."""
        if self.texts[at] not in self.words.articles:
            return None
        unit = self._unit(at + 1)
        if unit is None:
            return None
        part = self.terms.fraction_after(unit[1])
        if part is None:
            return None
        reading = Reading(form="decimal", values=(1 + part[0],))
        return _Core([reading], part[1], unit=unit[0])

    def _compound(self, whole: Term) -> _Core | None:
        """Read "five foot eleven", "one meter seventy five", "two centimeters and a half"."""
        unit = self._unit(whole.end)
        if unit is None or not whole.whole:
            return None
        key, after = unit
        if (part := self.terms.fraction_after(after)) is not None:
            value = whole.value + part[0]
            return _Core([Reading(form="decimal", values=(value,))], part[1], unit=key)
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
        minor_unit = self._unit(end)
        if minor_unit is not None and minor_unit[0] in compound.second:
            end = minor_unit[1]
        elif minor_unit is not None:
            return None
        return _compound_core(whole, minor, minor is not second[0], compound, end, key)

    def _modifier(self, run: Sequence[Term], end: int) -> tuple[str, int] | None:
        """Return 'plus' or 'minus' said after a grade, and where it ends."""
        if end >= len(self.atoms) or self.atoms[end].before != NO_BREAK or len(run) > 2:
            return None
        last = run[-1]
        if not last.whole or last.value > _HIGHEST_GRADE:
            return None
        text = self.texts[end]
        if text in self.words.plus:
            return "plus", end + 1
        if text in self.words.minus:
            glued = text == "-"
            following = end + 1
            if glued and not self.atoms[end].glued:
                return None
            if following < len(self.atoms) and self._figure(following):
                return None
            return "minus", following
        return None

    def _joiner(self, at: int, prefix: _Prefix) -> tuple[Joiner, int] | None:
        if at >= len(self.atoms) or self.atoms[at].before == SENTENCE:
            return None
        found = self.words.joiner_phrases.match(self.texts, at)
        if found is None:
            return None
        length, joiner = found
        if joiner.kind == "between" and not prefix.between:
            return None
        after = at + length
        if after >= len(self.atoms) or self.atoms[after].before == SENTENCE:
            return None
        return joiner, after

    def _joined(
        self, run: list[Term], prefix: _Prefix, modifier: tuple[str, int] | None
    ) -> _Core | None:
        """Read two numbers with a word or sign between them."""
        end = modifier[1] if modifier else run[-1].end
        unit = self._unit(end) if modifier is None else None
        found = self._joiner(end, prefix)
        if found is None and unit is not None:
            found = self._joiner(unit[1], prefix)
        else:
            unit = None
        if found is None:
            return None
        joiner, after = found
        right_run = self.terms.run(after)
        if not right_run:
            return None
        ranged = joiner.kind in ("range", "between")
        left = self._operand(run, ranged)
        if left is None:
            return self._leading(run)
        right, right_end = self._right_operand(left, right_run, joiner, prefix)
        if joiner.loose and self._unrelated(left[0].value, right[0].value, right_end):
            return None
        doubtful = any(term.doubtful for term in (*run, *right_run))
        if ranged:
            return self._range(left, right, right_end, joiner, doubtful, unit, run[0])
        core = self._over(left, right, right_end, joiner, doubtful, modifier)
        borrowed = self._borrowed(run[0])
        if borrowed:
            values = (borrowed * 100 + left[0].value, right[0].value)
            core.readings.append(Reading(form="pair", values=values, garbled=True))
            core.doubtful = True
        return core

    def _borrowed(self, head: Term) -> int:
        """Return the digit that stands in the number before ``head`` but may be its hundreds.

        "seventy one twenty over eighty" is 71 and 20/80, or 70 and 120/80.
        """
        at = head.first
        if at < 2 or self.atoms[at].before or self.atoms[at - 1].before:
            return 0
        if head.kind not in ("teen", "tens") or self.texts[at - 2] not in self.words.tens:
            return 0
        return self.words.digits.get(self.texts[at - 1], 0)

    def _unrelated(self, left: Decimal, right: Decimal, end: int) -> bool:
        """Whether "on" stands between numbers of two kinds: "ninety eight on two litres"."""
        unit = self._unit(end)
        foreign = unit is not None and unit[0] != "mmHg"
        return foreign or left > right <= _HIGHEST_GRADE

    def _operand(self, run: Sequence[Term], ranged: bool) -> list[Composed] | None:
        """Return the numbers that the whole of ``run`` may be, None if it is several."""
        if len(run) == 1:
            return compose(run)
        plain = plain_number(run)
        if plain is not None:
            rest = [number for number in compose(run) if number.value != plain.value]
            return [plain, *rest] if ranged else [plain]
        if ranged and len(run) == 2 and run[0].value >= 10:
            return compose(run) or None
        return None

    def _leading(self, run: Sequence[Term]) -> _Core:
        """Return the part of a run that stands before the number next to a joiner."""
        for size in range(min(3, len(run) - 1), 0, -1):
            if size == 1 or plain_number(run[-size:]) is not None:
                break
        before = run[: len(run) - size]
        readings = row_readings(before, self.words.acuity)
        lends = lends_its_unit(before[-1], run[len(before)])
        if lends and len(before) == 1:
            tens = before[0].value - before[0].value % 10
            readings.append(Reading(form="integer", values=(tens,), garbled=True))
        return _Core(
            readings,
            before[-1].end,
            doubtful=lends or any(term.doubtful for term in before),
            lone=len(before) == 1,
        )

    def _right_operand(
        self, left: Sequence[Composed], run: Sequence[Term], joiner: Joiner, prefix: _Prefix
    ) -> tuple[list[Composed], int]:
        ranged = joiner.kind in ("range", "between")
        chained = not ranged and self._joiner(run[-1].end, prefix) is not None
        most = min(3, len(run) - 1 if chained and len(run) > 1 else len(run))
        for size in range(most, 1, -1):
            part = run[:size]
            plain = plain_number(part)
            if plain is not None and (left[0].value > _HIGHEST_GRADE or ranged):
                if not ranged and plain.value >= 1000:
                    continue
                rest = [number for number in compose(part) if number.value != plain.value]
                return [plain, *rest] if ranged else [plain], part[-1].end
            if ranged and size == 2 and part[0].value >= 10 and compose(part):
                return compose(part), part[-1].end
            if (
                joiner.kind == "over"
                and size == 2
                and left[0].value >= 60
                and all(term.kind == "digit" for term in part)
                and len(run) == 2
                and part[0].value > 0
            ):
                value = Decimal(f"{part[0].value}{part[1].value}")
                return [Composed(value, True, True)], part[-1].end
        return [Composed(run[0].value, plain=True)], run[0].end

    def _range(
        self,
        left: Sequence[Composed],
        right: Sequence[Composed],
        end: int,
        joiner: Joiner,
        doubtful: bool,
        unit: tuple[str, int] | None,
        first: Term,
    ) -> _Core | None:
        pairs = [(low, high) for low in left for high in right if low.value < high.value]
        if any(low.plain and high.plain for low, high in pairs):
            pairs = [(low, high) for low, high in pairs if low.plain == high.plain]
        readings = [
            Reading(
                form="range",
                values=(low.value, high.value),
                shorthand=low.shorthand or high.shorthand,
                garbled=low.garbled or high.garbled,
            )
            for low, high in pairs
        ]
        bottom = self._bottom(end)
        if bottom is not None and left[0].value < right[0].value:
            return self._range_over(left[0].value, right[0].value, bottom[0], bottom[1], doubtful)
        modifier = self._modifier([first], end) if not unit else None
        if modifier is not None and readings:
            readings = [
                reading.model_copy(update={"modifier": modifier[0]}) for reading in readings
            ]
            end = modifier[1]
        if not readings:
            if joiner.kind == "between" or joiner.approximate:
                return None
            both = (left[0].value, right[0].value)
            readings = [Reading(form="list", values=both, garbled=True)]
            readings += [
                single_reading(Composed(value, plain=True, garbled=True)) for value in both
            ]
            doubtful = True
        return _Core(
            readings,
            end,
            unit=unit[0] if unit else None,
            doubtful=doubtful,
            approximate=joiner.approximate,
        )

    def _bottom(self, at: int) -> tuple[Decimal, int] | None:
        """Return the number after "over" or "out of" at ``at``, and its end."""
        found = self._joiner(at, _Prefix(at))
        if found is None or found[0].kind not in ("over", "outof") or found[0].loose:
            return None
        run = self.terms.run(found[1])
        number = plain_number(run) if run else None
        if number is not None:
            return number.value, run[-1].end
        return (run[0].value, run[0].end) if run else None

    def _range_over(
        self, low: Decimal, high: Decimal, bottom: Decimal, end: int, doubtful: bool
    ) -> _Core:
        """Read "two to three over six"; a pressure said so keeps both of its readings."""
        if bottom in _GRADE_DENOMINATORS and high <= _HIGHEST_GRADE:
            return _Core(
                [Reading(form="range", values=(low, high, bottom))], end, doubtful=doubtful
            )
        tops = [low, high]
        if low < 10 and high < 10:  # "one to eight over eighty": one two eight
            tops.append(low * 100 + 20 + high)
        return _Core(
            [Reading(form="pair", values=(top, bottom), garbled=True) for top in tops],
            end,
            doubtful=True,
        )

    def _over(
        self,
        left: Sequence[Composed],
        right: Sequence[Composed],
        end: int,
        joiner: Joiner,
        doubtful: bool,
        modifier: tuple[str, int] | None,
    ) -> _Core:
        top, bottom = left[0], right[0]
        values = (top.value, bottom.value)
        garbled = joiner.garbled or top.garbled or bottom.garbled
        acuity = self.words.acuity
        ratio_like = is_acuity(*values, acuity)
        letters, sign, after = (
            self._letters(end, acuity.likely_numerators, values)
            if modifier is None
            else (None, modifier[0], end)
        )
        grade_sign = sign if letters is None else None
        grade = Reading(form="grade", values=values, modifier=grade_sign, garbled=garbled)
        odd = garbled or joiner.kind in ("of", "outof")
        pair = Reading(form="pair", values=values, garbled=odd, shorthand=False)
        ratio = Reading(form="ratio", values=values, modifier=sign, letters=letters, garbled=odd)
        whole = all(value == value.to_integral_value() for value in values)
        readings: list[Reading] = []
        graded = whole and (
            joiner.kind == "outof"
            or (joiner.kind == "of" and top.value <= bottom.value)
            or (bottom.value in _GRADE_DENOMINATORS and top.value <= 10)
        )
        likely_acuity = ratio_like and values[0] in acuity.likely_numerators
        if graded and not (likely_acuity and letters is not None):
            readings.append(grade)
        if likely_acuity and joiner.kind != "outof":
            readings.append(ratio)
        if joiner.kind != "outof":
            readings.append(pair)
            if not likely_acuity and bottom.value > 0:
                readings.append(ratio)
        elif not readings:
            readings.append(grade)
        if graded and grade not in readings:
            readings.append(grade.model_copy(update={"modifier": None}))
        return _Core(readings, after, doubtful=doubtful or garbled)

    def _letters(
        self, at: int, numerators: frozenset[Decimal], values: tuple[Decimal, Decimal]
    ) -> tuple[int | None, str | None, int]:
        """Read "minus one" after an acuity, or a sign alone after an acuity or a grade."""
        if at >= len(self.atoms) or self.atoms[at].before == SENTENCE:
            return None, None, at
        text = self.texts[at]
        fewer = text in self.words.fewer
        if text in self.words.plus:
            sign = "plus"
        elif text in self.words.minus or fewer:
            sign = "minus"
        else:
            return None, None, at
        term = self.terms.term(at + 1) if at + 1 < len(self.atoms) else None
        counted = (
            term is not None
            and term.kind == "digit"
            and 0 < term.value <= _MOST_LETTERS
            and values[0] in numerators
        )
        if counted and term is not None:
            return int(term.value) * (1 if sign == "plus" else -1), sign, term.end
        if fewer or term is not None:
            return None, None, at
        return None, sign, at + 1

    def _row(self, run: list[Term], modifier: tuple[str, int] | None) -> _Core:
        acuity = self.words.acuity
        if (
            len(run) > 3
            and run[0].value in acuity.likely_numerators
            and run[0].value == run[2].value >= 10
            and is_acuity(run[0].value, run[1].value, acuity)
        ):  # "twenty twenty five twenty thirty": one eye after the other
            return _Core(row_readings(run[:2], acuity), run[1].end)
        doubtful = any(term.doubtful for term in run)
        readings = row_readings(run, acuity)
        ratio = next((reading for reading in readings if reading.form == "ratio"), None)
        if ratio is not None:
            values = (ratio.values[0], ratio.values[1])
            letters, sign, after = self._letters(run[-1].end, acuity.likely_numerators, values)
            if sign is not None and (letters is not None or values[1] > _HIGHEST_GRADE):
                marked = ratio.model_copy(update={"letters": letters, "modifier": sign})
                return _Core([marked], after, doubtful=doubtful)
        if modifier is not None:
            if len(run) == 2:
                return _Core(
                    row_readings(run[:1], acuity), run[0].end, doubtful=doubtful, lone=True
                )
            return _Core(
                [Reading(form="grade", values=(run[0].value,), modifier=modifier[0])],
                modifier[1],
                doubtful=doubtful,
            )
        if len(run) == 1 and run[0].written and run[0].whole and run[0].value >= 100:
            figures = tuple(Decimal(figure) for figure in str(run[0].value))
            readings.append(Reading(form="digits", values=figures, garbled=True))
        return _Core(readings, run[-1].end, doubtful=doubtful, lone=len(run) == 1)


def _compound_core(
    whole: Term, minor: Term, padded: bool, compound: Compound, end: int, key: str
) -> _Core:
    doubtful = whole.doubtful or minor.doubtful
    if compound.key == key:  # hundredths of the same unit
        value = whole.value + minor.value / compound.factor
        readings = [Reading(form="decimal", values=(value,))]
        if minor.kind == "digit" and not padded and minor.value > 0:
            tenths = whole.value + minor.value / 10
            readings.append(Reading(form="decimal", values=(tenths,), garbled=True))
            doubtful = True
        return _Core(readings, end, unit=key, doubtful=doubtful)
    reading = Reading(form="list", values=(whole.value, minor.value))
    return _Core([reading], end, unit=compound.key, doubtful=doubtful)


def _as_graded(readings: Sequence[Reading]) -> list[Reading]:
    """Return the readings of a number after the word 'grade', the grade first."""
    head = readings[0]
    if head.form == "grade" or not head.values:
        return list(readings)
    if head.form == "integer":
        return [Reading(form="grade", values=head.values, garbled=head.garbled), *readings]
    grades = [reading for reading in readings if reading.form == "grade"]
    return [*grades, *(reading for reading in readings if reading.form != "grade")]
