"""What must hold of the understanding whatever exactly is said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import lru_cache

import pytest
from excerpt_format import Line, phrases_of
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.findings.finding import Finding
from dictate.pipeline import understand

# Each names its item, side and result, so none leans on what was said before it.
SENTENCES = (
    "blood pressure left arm one thirty four over eighty eight",
    "blood pressure right arm one twenty eight over seventy six",
    "pulse seventy two",
    "temperature thirty six point eight",
    "oxygen saturation ninety seven percent",
    "trachea midline",
    "left eardrum pearly grey",
    "right ear canal clear",
    "left pupil three millimetres",
    "right pupil four millimetres",
    "no nystagmus",
    "near acuity right eye twenty over thirty",
    "septum deviated",
    "left tonsil two plus",
    "no carotid bruit on the right",
    "right carotid pulse two plus",
    "crackles at the left base",
    "diaphragm descent right four and a half centimetres",
    "no heaves",
    "liver span ten centimetres",
    "spleen not palpable",
    "right kidney not palpable",
    "left radial pulse two plus",
    "right calf girth thirty six point five centimetres",
    "left calf not tender",
    "right knee flexion one hundred thirty degrees",
    "left grip strength five out of five",
)
COURTESIES = (
    "lovely",
    "thank you",
    "thanks that's fine",
    "great",
    "perfect",
    "well done",
    "okay good",
    "that's lovely thank you very much",
    "brilliant",
    "okay",
)
FILLERS = ("um", "uh", "er", "erm", "you know")
# A present sign and the same denied.
SIGNS = (
    ("crackles at the {side} base", "no crackles at the {side} base"),
    ("{side} calf tender", "{side} calf not tender"),
    ("{side} carotid bruit", "no {side} carotid bruit"),
    ("the {side} kidney is palpable", "the {side} kidney is not palpable"),
    ("tenderness over the {side} mastoid", "no tenderness over the {side} mastoid"),
    ("ptosis on the {side}", "no ptosis on the {side}"),
    ("{side} maxillary sinus tender", "{side} maxillary sinus nontender"),
    ("varicose veins on the {side}", "no varicose veins on the {side}"),
    ("swelling of the {side} knee", "no swelling of the {side} knee"),
    ("wheeze on the {side}", "no wheeze on the {side}"),
)
_OTHER = {"left": "right", "right": "left"}

several = st.lists(st.sampled_from(SENTENCES), min_size=1, max_size=5, unique=True)
few_examples = settings(max_examples=40, deadline=None, derandomize=True)


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    return load_catalogue()


def understood(texts: Sequence[str]) -> list[Finding]:
    lines, now = [], 0.0
    for text in texts:
        lines.append(Line(t=now, text=text))
        now += 0.35 * len(text.split()) + 1.5
    return [one for one in understand(phrases_of(tuple(lines)), catalogue()) if one.stands]


def told(findings: Sequence[Finding], swapped: bool = False) -> Counter[tuple[object, ...]]:
    """What the findings say, without times, words and ids."""
    return Counter(
        (
            one.item,
            _OTHER.get(one.side or "", one.side) if swapped else one.side,
            one.site,
            one.value,
            one.status,
            one.level,
            one.certainty,
        )
        for one in findings
    )


@pytest.mark.parametrize("sentence", SENTENCES)
def test_each_sentence_alone_gives_a_result(sentence: str) -> None:
    """The properties below would hold of a program that finds nothing; this one would not."""
    results = [one for one in understood([sentence]) if one.level.rank >= 2]
    assert len(results) == 1
    sides = {side for side in _OTHER if side in sentence.split()}
    assert results[0].side in (sides or {None, "midline"})


@few_examples
@given(several, st.data())
def test_courtesies_between_sentences_change_nothing(texts: list[str], data: st.DataObject) -> None:
    spoken: list[str] = []
    for text in texts:
        spoken.append(text)
        spoken += data.draw(st.lists(st.sampled_from(COURTESIES), max_size=2))
    assert told(understood(spoken)) == told(understood(texts))


@few_examples
@given(several, st.data())
def test_fillers_within_sentences_change_nothing(texts: list[str], data: st.DataObject) -> None:
    spoken = []
    for text in texts:
        words = text.split()
        place = data.draw(st.integers(0, len(words)))
        filler = data.draw(st.sampled_from(FILLERS))
        spoken.append(" ".join([*words[:place], filler, *words[place:]]))
    assert told(understood(spoken)) == told(understood(texts))


@pytest.mark.parametrize(("present", "absent"), SIGNS)
@pytest.mark.parametrize("side", ["left", "right"])
def test_negating_flips_the_status(present: str, absent: str, side: str) -> None:
    affirmed = [one for one in understood([present.format(side=side)]) if one.value]
    denied = [one for one in understood([absent.format(side=side)]) if one.value]
    assert [one.status for one in affirmed] == ["present"]
    assert [one.status for one in denied] == ["absent"]
    assert [(one.item, one.side, one.site) for one in affirmed] == [
        (one.item, one.side, one.site) for one in denied
    ]


@few_examples
@given(several)
def test_swapping_left_and_right_in_the_words_swaps_them_in_the_findings(
    texts: list[str],
) -> None:
    assume(any(side in text.split() for text in texts for side in _OTHER))
    swapped = [" ".join(_OTHER.get(word, word) for word in text.split()) for text in texts]
    assert told(understood(swapped)) == told(understood(texts), swapped=True)


# Crackles are heard from behind or from the front: what was said before tells which.
INDEPENDENT = tuple(text for text in SENTENCES if "crackles" not in text)


@pytest.mark.parametrize("second", INDEPENDENT)
def test_no_independent_sentence_changes_what_the_next_one_says(second: str) -> None:
    alone = told(understood([second]))
    for first in INDEPENDENT:
        if first != second:
            assert told(understood([first, second])) == told(understood([first])) + alone, first


@few_examples
@given(
    st.lists(st.sampled_from(INDEPENDENT), min_size=2, max_size=5, unique=True).flatmap(
        lambda texts: st.tuples(st.just(texts), st.permutations(texts))
    )
)
def test_the_order_of_independent_sentences_does_not_matter(
    orders: tuple[list[str], list[str]],
) -> None:
    texts, shuffled = orders
    assert told(understood(shuffled)) == told(understood(texts))
