"""Numbers side by side: in a row, with a word or sign between them, with a plus behind."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from dictate.talk.numbers.atoms import NO_BREAK, SENTENCE
from dictate.talk.numbers.composing import (
    Composed,
    compose,
    is_acuity,
    lends_its_unit,
    plain_number,
    row_readings,
    single_reading,
)
from dictate.talk.numbers.heard import Core, Heard, Prefix
from dictate.talk.numbers.lexicon import Joiner
from dictate.talk.numbers.model import Reading
from dictate.talk.numbers.terms import Term

HIGHEST_GRADE = 10  # above it "n plus" is no grade
_GRADE_DENOMINATORS = frozenset(map(Decimal, (1, 2, 3, 4, 5, 6, 10)))
_MOST_LETTERS = 5  # an acuity line has hardly more


class Pairing:
    """Reads runs of cardinals and what joins them."""

    def __init__(self, heard: Heard) -> None:
        self.heard = heard
        self.words = heard.words
        self.atoms = heard.atoms
        self.texts = heard.texts
        self.terms = heard.terms

    def read(self, run: list[Term], prefix: Prefix) -> Core:
        """Read ``run`` with what follows it."""
        modifier = self._modifier(run, run[-1].end)
        return self._joined(run, prefix, modifier) or self._row(run, modifier)

    def _modifier(self, run: Sequence[Term], end: int) -> tuple[str, int] | None:
        """Return 'plus' or 'minus' said after a grade, and where it ends."""
        if end >= len(self.atoms) or self.atoms[end].before != NO_BREAK or len(run) > 2:
            return None
        last = run[-1]
        if not last.whole or last.value > HIGHEST_GRADE:
            return None
        text = self.texts[end]
        if text in self.words.plus:
            return "plus", end + 1
        if text in self.words.minus:
            glued = text == "-"
            following = end + 1
            if glued and not self.atoms[end].glued:
                return None
            if following < len(self.atoms) and self.heard.figure(following):
                return None
            return "minus", following
        return None

    def _joiner(self, at: int, prefix: Prefix) -> tuple[Joiner, int] | None:
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
        self, run: list[Term], prefix: Prefix, modifier: tuple[str, int] | None
    ) -> Core | None:
        """Read two numbers with a word or sign between them."""
        end = modifier[1] if modifier else run[-1].end
        unit = self.heard.unit(end) if modifier is None else None
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
        unit = self.heard.unit(end)
        foreign = unit is not None and unit[0] != "mmHg"
        return foreign or left > right <= HIGHEST_GRADE

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

    def _leading(self, run: Sequence[Term]) -> Core:
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
        return Core(
            readings,
            before[-1].end,
            doubtful=lends or any(term.doubtful for term in before),
            lone=len(before) == 1,
        )

    def _right_operand(
        self, left: Sequence[Composed], run: Sequence[Term], joiner: Joiner, prefix: Prefix
    ) -> tuple[list[Composed], int]:
        ranged = joiner.kind in ("range", "between")
        chained = not ranged and self._joiner(run[-1].end, prefix) is not None
        most = min(3, len(run) - 1 if chained and len(run) > 1 else len(run))
        for size in range(most, 1, -1):
            part = run[:size]
            plain = plain_number(part)
            if plain is not None and (left[0].value > HIGHEST_GRADE or ranged):
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
    ) -> Core | None:
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
        return Core(
            readings,
            end,
            unit=unit[0] if unit else None,
            doubtful=doubtful,
            approximate=joiner.approximate,
        )

    def _bottom(self, at: int) -> tuple[Decimal, int] | None:
        """Return the number after "over" or "out of" at ``at``, and its end."""
        found = self._joiner(at, Prefix(at))
        if found is None or found[0].kind not in ("over", "outof") or found[0].loose:
            return None
        run = self.terms.run(found[1])
        number = plain_number(run) if run else None
        if number is not None:
            return number.value, run[-1].end
        return (run[0].value, run[0].end) if run else None

    def _range_over(
        self, low: Decimal, high: Decimal, bottom: Decimal, end: int, doubtful: bool
    ) -> Core:
        """Read "two to three over six"; a pressure said so keeps both of its readings."""
        if bottom in _GRADE_DENOMINATORS and high <= HIGHEST_GRADE:
            return Core([Reading(form="range", values=(low, high, bottom))], end, doubtful=doubtful)
        tops = [low, high]
        if low < 10 and high < 10:  # "one to eight over eighty": one two eight
            tops.append(low * 100 + 20 + high)
        return Core(
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
    ) -> Core:
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
        return Core(readings, after, doubtful=doubtful or garbled)

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

    def _row(self, run: list[Term], modifier: tuple[str, int] | None) -> Core:
        acuity = self.words.acuity
        if (
            len(run) > 3
            and run[0].value in acuity.likely_numerators
            and run[0].value == run[2].value >= 10
            and is_acuity(run[0].value, run[1].value, acuity)
        ):  # "twenty twenty five twenty thirty": one eye after the other
            return Core(row_readings(run[:2], acuity), run[1].end)
        doubtful = any(term.doubtful for term in run)
        readings = row_readings(run, acuity)
        ratio = next((reading for reading in readings if reading.form == "ratio"), None)
        if ratio is not None:
            values = (ratio.values[0], ratio.values[1])
            letters, sign, after = self._letters(run[-1].end, acuity.likely_numerators, values)
            if sign is not None and (letters is not None or values[1] > HIGHEST_GRADE):
                marked = ratio.model_copy(update={"letters": letters, "modifier": sign})
                return Core([marked], after, doubtful=doubtful)
        if modifier is not None:
            if len(run) == 2:
                return Core(row_readings(run[:1], acuity), run[0].end, doubtful=doubtful, lone=True)
            return Core(
                [Reading(form="grade", values=(run[0].value,), modifier=modifier[0])],
                modifier[1],
                doubtful=doubtful,
            )
        if len(run) == 1 and run[0].written and run[0].whole and run[0].value >= 100:
            figures = tuple(Decimal(figure) for figure in str(run[0].value))
            readings.append(Reading(form="digits", values=figures, garbled=True))
        return Core(readings, run[-1].end, doubtful=doubtful, lone=len(run) == 1)
