"""The printed card: what is on it, and that it is sound HTML without foreign parts."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from dictate.exam.card import card_rows, render_card
from dictate.exam.catalogue import Catalogue, Limits
from dictate.exam.course import Checklist, load_course, usual_checklist
from dictate.exam.wording import limits_words, plain, plain_wordings, unit_words


@pytest.fixture(scope="module")
def station(exam: Catalogue) -> Checklist:
    return load_course("chest_heart_station", exam)


class _Balance(HTMLParser):
    VOID = frozenset({"meta", "col", "br", "link", "img"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("src", "href"):
                self.links.append(value or "")

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open.pop() == tag, tag


def test_the_card_holds_each_item_once_in_order(station: Checklist) -> None:
    page = render_card(station)
    parser = _Balance()
    parser.feed(page)
    assert parser.open == []
    assert parser.ids == [entry.item for entry in station.entries]
    assert parser.links == []
    assert "http" not in page
    assert "12 minutes" in page and "58 items" in page


def test_optional_items_and_own_ranges_are_marked(station: Checklist) -> None:
    rows = {row.id: row for region in card_rows(station) for row in region.rows}
    assert not rows["vitals.blood_pressure"].required
    assert rows["vitals.respiratory_rate"].usual == "12 to 18 per minute"
    assert rows["heart.carotid_pulse"].sides == ("left", "right")
    assert render_card(station).count('<span class="small">optional</span>') == len(
        station.optional
    )


def test_words_from_files_cannot_bring_markup(exam: Catalogue) -> None:
    usual = usual_checklist(exam)
    marked = usual.model_copy(update={"title": "<script>x</script>", "about": "a & b"})
    page = render_card(marked)
    assert "<script>" not in page
    assert "&lt;script&gt;x&lt;/script&gt;" in page and "a &amp; b" in page


def test_every_item_of_the_usual_exam_says_what_to_do_or_to_report(exam: Catalogue) -> None:
    for region in card_rows(usual_checklist(exam)):
        for row in region.rows:
            assert row.acts or row.asks, row.id
            assert row.results or row.value or row.names, row.id
            for said in (*row.acts, *row.names):
                assert not re.search(r"[()\[\]|<>]", said), (row.id, said)


@pytest.mark.parametrize(
    ("phrase", "words"),
    [
        ("(look | peek) at [your] arm", "look at your arm"),
        ("press [very hard] [on] [the | your] knee", "press on the knee"),
        ("(cuff | this) tight on [your] [arm]", "cuff tight"),
        ("flexion <number> [degrees]", "flexion …"),
        ("[the] your leg", "your leg"),
    ],
)
def test_one_plain_wording(phrase: str, words: str) -> None:
    assert plain(phrase, {}) == words


def test_longer_wordings_come_first_and_none_twice() -> None:
    found = plain_wordings(["hi", "look at me", "(look | peek) at me"], {}, 5, fewest_words=3)
    assert found == ("look at me", "hi")


@pytest.mark.parametrize(
    ("limits", "unit", "words"),
    [
        (Limits(low=60, high=100, source="s"), "/min", "60 to 100 per minute"),
        (Limits(low=140, source="s"), "deg", "140° or more"),
        (Limits(high=2.5, source="s"), "cm", "up to 2.5 cm"),
        (Limits(low=5, source="s"), "{digits}", "5 or more"),
        (Limits(low=0, high=3, source="s"), None, "0 to 3"),
    ],
)
def test_ranges_in_words(limits: Limits, unit: str | None, words: str) -> None:
    assert limits_words(limits, unit) == words


def test_units_in_words(exam: Catalogue) -> None:
    assert unit_words("deg") == "degrees"
    for item in exam.items.values():
        for unit in (item.unit, *item.other_units):
            if unit is not None:
                assert not re.search(r"[\[\]{}]", unit_words(unit)), (item.id, unit)
