"""What holds for any numbers and any words."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from number_saying import digit, in_full, shorthand, spaced

from dictate.talk.numbers import (
    Spoken,
    as_digits,
    as_grade,
    as_pressure,
    as_quantity,
    as_ratio,
    find_numbers,
    is_courtesy,
)
from dictate.talk.numbers.lexicon import lexicon

_WORDS = lexicon()
_NUMBER_TOKENS = sorted(
    {
        *_WORDS.starters,
        *_WORDS.joiner_phrases.by_first,
        *_WORDS.unit_phrases.by_first,
        *_WORDS.suffixes.by_first,
        "and", "hundred", "134/88", "36.8", "2+", "20/30-1", "5'11", "98%", "37°C", "4-/5",
        "16-18", "<2s", "½", "1,200", "13488", ".", ",", "-", "/", "+", "", " ", "one,", "two.",
    }
)  # fmt: skip
_TOKENS = st.lists(st.sampled_from(_NUMBER_TOKENS) | st.text(max_size=12), max_size=25)
_FILLERS = st.lists(
    st.sampled_from(["lovely", "the", "pressure", "is", "okay", "so", "left", "um", "good"]),
    max_size=4,
)


@given(_TOKENS)
def test_any_tokens_are_read_without_fault(tokens: list[str]) -> None:
    found = find_numbers(tokens)
    place = -1
    for spoken in found:
        assert place < spoken.first <= spoken.last < len(tokens)
        assert spoken.text == " ".join(tokens[spoken.first : spoken.last + 1])
        assert spoken.readings
        place = spoken.last
        is_courtesy(tokens, spoken)
        as_quantity(spoken, 0, 300, decimals=1, unit_ok={"ft_in", "cm"})
        as_quantity(spoken, 30, 43)
        as_pressure(spoken, (60, 260), (30, 150))
        as_ratio(spoken)
        as_grade(spoken, 5, False, (5,))
        as_digits(spoken)


def _among(fillers: list[str], text: str, after: list[str]) -> Spoken:
    tokens = [*fillers, *text.split(), *after]
    found = find_numbers(tokens)
    assert len(found) == 1, f"{tokens}: {[spoken.text for spoken in found]}"
    assert found[0].first == len(fillers)
    assert found[0].last == len(fillers) + len(text.split()) - 1
    return found[0]


@given(st.integers(2, 400), st.data(), _FILLERS, st.sampled_from(["", "cm", "seconds", "percent"]))
def test_whole_numbers_in_any_wording(
    value: int, data: st.DataObject, fillers: list[str], unit: str
) -> None:
    ways = sorted({*in_full(value), str(value), shorthand(value)})
    text = f"{data.draw(st.sampled_from(ways))} {unit}".strip()
    quantity = as_quantity(_among(fillers, text, []), 0, 400, decimals=0)
    assert quantity is not None
    assert (quantity.value, quantity.doubtful) == (value, False)
    assert (quantity.unit is None) == (unit == "")


@given(st.integers(0, 4000), _FILLERS, _FILLERS)
def test_decimals_with_a_point(tenths: int, fillers: list[str], after: list[str]) -> None:
    value = Decimal(tenths) / 10
    whole, tenth = divmod(tenths, 10)
    for text in (f"{spaced(whole)} point {digit(tenth)}", f"{whole}.{tenth}"):
        quantity = as_quantity(_among(fillers, text, after), 0, 400)
        assert quantity is not None
        assert (quantity.value, quantity.doubtful) == (value, False)


_HEDGES = {
    "about": (None, True), "roughly": (None, True), "at least": (">=", False),
    "no more than": ("<=", False), "under": ("<", False), "a touch over": (">", True),
    "just below": ("<", True), "up to": ("<=", False), "more than": (">", False),
}  # fmt: skip


@given(st.integers(2, 300), st.sampled_from(sorted(_HEDGES)), _FILLERS)
def test_hedges_and_comparators(value: int, hedge: str, fillers: list[str]) -> None:
    sign, approximate = _HEDGES[hedge]
    spoken = _among(fillers, f"{hedge} {spaced(value)}", [])
    quantity = as_quantity(spoken, 0, 400)
    assert quantity is not None
    assert quantity.value == value
    assert (quantity.comparator, quantity.approximate) == (sign, approximate)


@given(st.integers(2, 200), st.integers(1, 60), st.sampled_from(["to", "through", "between"]))
def test_ranges(low: int, step: int, joiner: str) -> None:
    high = low + step
    text = f"{spaced(low)} {joiner} {spaced(high)}"
    if joiner == "between":
        text = f"between {spaced(low)} and {spaced(high)}"
    quantity = as_quantity(_among([], text, []), 0, 400)
    assert quantity is not None
    assert (quantity.value, quantity.high, quantity.doubtful) == (low, high, False)


@given(st.integers(61, 259), st.integers(31, 149), _FILLERS, _FILLERS)
def test_pressures(upper: int, lower: int, fillers: list[str], after: list[str]) -> None:
    for text in (f"{shorthand(upper)} over {shorthand(lower)}", f"{upper}/{lower}"):
        chosen = as_pressure(_among(fillers, text, after), (60, 260), (30, 150))
        assert chosen is not None
        assert (chosen.systolic, chosen.diastolic) == (upper, lower)
        assert chosen.doubtful == (upper <= lower)


@given(st.sampled_from([10, 12, 15, 20, 25, 30, 40, 50, 70, 80, 100, 200]), st.integers(-3, 3))
def test_acuities(line: int, letters: int) -> None:
    beyond = f" {'plus' if letters > 0 else 'minus'} {digit(abs(letters))}" if letters else ""
    written = f"20/{line}{letters:+d}" if letters else f"20/{line}"
    for text in (
        f"twenty over {spaced(line)}{beyond}",
        f"twenty {shorthand(line)}{beyond}",
        written,
    ):
        ratio = as_ratio(_among([], text, []))
        assert ratio is not None, text
        assert (ratio.numerator, ratio.denominator) == (20, line)
        assert (ratio.letters or 0, ratio.doubtful) == (letters, False)


@given(st.integers(0, 5), st.sampled_from(["out of", "over", "/"]), st.sampled_from([None, "plus"]))
def test_grades(value: int, joiner: str, sign: str | None) -> None:
    said = f"{digit(value)} {sign}" if sign else digit(value)
    for text in (f"{said} {joiner} five", f"grade {said}"):
        grade = as_grade(_among([], text, []), 5, denominators=(5,))
        assert grade is not None, text
        assert (grade.value, grade.modifier, grade.out_of_scale) == (value, sign, False)


@given(st.lists(st.integers(0, 9), min_size=3, max_size=9))
def test_rows_of_digits(row: list[int]) -> None:
    for text in (" ".join(map(digit, row)), ", ".join(map(digit, row)), " ".join(map(str, row))):
        digits = as_digits(_among([], text, []))
        assert digits is not None
        assert (digits.digits, digits.doubtful) == (tuple(row), False)


@given(st.integers(3, 8), st.integers(0, 11))
def test_feet_and_inches(feet: int, inches: int) -> None:
    for text in (
        f"{digit(feet)} foot {spaced(inches)}",
        f"{digit(feet)} feet {spaced(inches)} inches",
        f"{feet}'{inches}",
        f"{feet}'{inches}\"",
    ):
        quantity = as_quantity(_among([], text, []), 36, 107, unit_ok={"ft_in", "ft", "in"})
        assert quantity is not None, text
        assert (quantity.value, quantity.unit) == (12 * feet + inches, "in")


@given(st.integers(2, 12), st.sampled_from(["give me {} more breaths", "room {}", "count to {}"]))
def test_numbers_in_passing_are_told_apart(value: int, form: str) -> None:
    tokens = form.format(spaced(value)).split()
    (spoken,) = find_numbers(tokens)
    assert is_courtesy(tokens, spoken)


@pytest.mark.parametrize("unit", sorted(lexicon().units))
def test_every_unit_phrase_is_heard(unit: str) -> None:
    for phrase in lexicon().units[unit].phrases:
        (spoken,) = find_numbers(f"seven {phrase}".split())
        assert spoken.unit == unit, phrase
