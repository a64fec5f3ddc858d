"""What belongs to the exam: clear words that go together, and short replies, but no other talk."""

from __future__ import annotations

import pytest

from dictate.recognition.belonging import belonging, perhaps_belongs, surely_belongs


@pytest.mark.parametrize(
    ("confidence", "expectedness"),
    [(0.95, -3.0), (0.6, -2.5), (0.24, -2.0), (1.0, -5.0), (0.75, -5.7)],
)
def test_clear_or_expected_phrases_are_kept(confidence: float, expectedness: float) -> None:
    assert perhaps_belongs(confidence, expectedness)


@pytest.mark.parametrize(
    ("confidence", "expectedness"), [(0.6, -6.5), (0.05, -3.0), (0.35, -4.5), (0.9, -7.0)]
)
def test_unclear_phrases_of_words_that_do_not_go_together_are_put_aside(
    confidence: float, expectedness: float
) -> None:
    assert not perhaps_belongs(confidence, expectedness)


def test_what_surely_belongs_belongs_perhaps_and_no_confidence_alone_makes_sure() -> None:
    grid = [(c / 20, -e / 4) for c in range(21) for e in range(4, 32)]
    assert all(perhaps_belongs(*one) for one in grid if surely_belongs(*one))
    assert surely_belongs(0.9, -3.5) and surely_belongs(0.5, -2.0)
    assert perhaps_belongs(0.75, -5.7) and not surely_belongs(0.75, -5.7)
    assert not surely_belongs(1.0, -8.5)


def test_both_count_and_the_ends_are_no_fault() -> None:
    assert 0.9 < belonging(1.0, 0.0) <= 1
    assert belonging(0.5, -3) < belonging(0.6, -3) < belonging(0.6, -2)
    assert 0 <= belonging(0.0, -1e6) < 1e-6
