"""The note says everything that was said, names what was not, and lets no text act as markup."""

from __future__ import annotations

from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_session import NASTY, every_reading, invented_catalogue, invented_session
from markdown_it import MarkdownIt

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.findings.coverage import coverage_of
from dictate.findings.finding import Choice
from dictate.findings.numerals import value_words
from dictate.outputs.note import CAUTION, Format, compose_note, escape_markdown, render_note
from dictate.outputs.sentences import Style
from dictate.session.record import Session

VOID = {"meta", "br", "hr", "img", "link", "input"}


class Page(HTMLParser):
    """Counts elements, collects text and attributes, and checks that tags are balanced."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: Counter[str] = Counter()
        self.attributes: list[tuple[str, str | None]] = []
        self.text: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements[tag] += 1
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert tag in VOID or self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def page_of(html: str) -> Page:
    page = Page()
    page.feed(html)
    page.close()
    assert page.open == []
    return page


def rendered(session: Session, catalogue: Catalogue, kind: Format, style: Style = "full") -> str:
    return render_note(compose_note(session, catalogue, style), kind)


def plain(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").split())


@pytest.mark.parametrize("style", ["full", "terse"])
@pytest.mark.parametrize("kind", ["markdown", "html"])
def test_every_standing_value_is_told(
    session: Session, catalogue: Catalogue, kind: Format, style: Style
) -> None:
    text = rendered(session, catalogue, kind, style)
    if kind == "html":
        text = "".join(page_of(text).text)
    else:
        text = "".join(page_of(MarkdownIt("gfm-like", {"linkify": False}).render(text)).text)
    told = plain(text)
    for finding in session.findings:
        if finding.stands and finding.value is not None:
            words = value_words(finding.value, catalogue)
            if not isinstance(finding.value, Choice):
                assert plain(words) in told, finding
    assert plain(CAUTION) in told
    assert "no wheeze" in told
    assert "struck" in told and "replaced later" in told


@pytest.mark.parametrize("kind", ["markdown", "html"])
def test_what_was_not_said_is_named(session: Session, catalogue: Catalogue, kind: Format) -> None:
    text = rendered(session, catalogue, kind)
    assert "Regions never spoken of" in text
    after = text.split("Regions never spoken of")[1][:200]
    assert "Abdomen" in after and "Groin" not in text
    assert "Pupils to light (right)" in text.split("Performed, result not stated")[-1][:60]
    assert "Pupils to light (left)" in text.split("Never spoken of")[1][:60]


def test_sentences_of_both_styles(session: Session, catalogue: Catalogue) -> None:
    full = [s.text for r in compose_note(session, catalogue, "full").regions for s in r.sentences]
    assert "Pulse rhythm was regular." in full
    assert "Pulse rate measured 72\u00a0/min." in full
    assert "Tenderness of the frontal sinus was absent on either side." in full
    assert (
        "Breath sounds, back, showed wheeze at the lower zone on the left; no wheeze at the "
        "lower zone on the right." in full
    )
    assert "Patellar reflex was graded 2+ on both sides." in full
    assert "Tongue on putting out was not possible to judge." in full  # it lies in the midline
    terse = [s.text for r in compose_note(session, catalogue, "terse").regions for s in r.sentences]
    assert "Pulse rhythm: regular." in terse
    assert "Tenderness of the frontal sinus: not tender on both sides." in terse
    assert len(terse) < len(full)


def test_regions_are_told_in_the_order_of_the_exam(session: Session, catalogue: Catalogue) -> None:
    html = rendered(session, catalogue, "html")
    places = [
        html.index(f"<h2>{title}</h2>")
        for title in ("Vital signs", "Head and face", "Eyes", "Back and posterior chest")
    ]
    assert places == sorted(places)


def test_doubtful_values_are_marked_with_their_alternatives(
    session: Session, catalogue: Catalogue
) -> None:
    html = rendered(session, catalogue, "html").replace("\u00a0", " ")
    assert '<mark class="doubt">[to confirm: could also be 134/80 mm Hg;' in html
    markdown = rendered(session, catalogue, "markdown").replace("\u00a0", " ")
    assert "**\\[to confirm: could also be 134/80 mm Hg" in markdown


def test_left_and_right_stand_side_by_side(session: Session, catalogue: Catalogue) -> None:
    rows = {
        row.title: row
        for region in compose_note(session, catalogue).regions
        for row in region.sides
    }
    grip = rows["Grip strength"]
    assert ([cell.text for cell in grip.right], [cell.text for cell in grip.left]) == (
        ["5/5"],
        ["4+/5"],
    )
    acuity = rows["Near acuity"]
    assert [cell.text for cell in acuity.other] == ["20/25"] and acuity.left == ()


def test_page_needs_nothing_from_elsewhere_and_runs_nothing(
    session: Session, catalogue: Catalogue
) -> None:
    html = rendered(session, catalogue, "html")
    page = page_of(html)
    assert not {"script", "link", "img", "iframe", "object", "form", "b"} & set(page.elements)
    for name, value in page.attributes:
        assert not name.startswith("on")
        if name in ("href", "src", "action", "srcset", "style"):
            assert name == "href" and value is not None and value.startswith("#")
    styles = html.split("<style>")[1].split("</style>")[0]
    assert "url(" not in styles and "@import" not in styles
    assert "".join(page.text).count('<script>alert("1")</script>') >= 2
    assert "prefers-color-scheme: dark" in styles and "@media print" in styles


def test_markdown_shows_hostile_text_as_text(session: Session, catalogue: Catalogue) -> None:
    markdown = rendered(session, catalogue, "markdown")
    html = MarkdownIt("gfm-like", {"html": True, "linkify": False}).render(markdown)
    page = page_of(html)
    assert not {"script", "a", "img", "code", "b"} & set(page.elements)
    assert NASTY.split("\n")[0] in plain("".join(page.text))


text_strategy = st.text(
    st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from("<>&\"'`*_[]()|#\\\n-+=!~:/$"),
    min_size=1,
    max_size=40,
)


@given(text_strategy)
@settings(max_examples=200, deadline=None)
def test_escaped_markdown_is_one_paragraph_of_that_text(text: str) -> None:
    html = MarkdownIt("gfm-like", {"html": True, "linkify": False}).render(
        f"x {escape_markdown(text)} x"
    )
    page = page_of(html)
    assert dict(page.elements) == {"p": 1}
    assert "".join("".join(page.text).split()) == "".join(f"x{text}x".split())


@given(text_strategy)
@settings(max_examples=40, deadline=None)
def test_no_heard_words_change_the_structure_of_the_page(text: str) -> None:
    catalogue = invented_catalogue()
    base = invented_session()

    def shape(words: str) -> Counter[str]:
        findings = (base.findings[2].model_copy(update={"words": words}),)
        session = base.model_copy(
            update={"findings": findings, "coverage": coverage_of(findings, catalogue)}
        )
        return page_of(rendered(session, catalogue, "html")).elements

    assert shape(text) == shape("quiet words")


def test_course_template_is_used_and_sees_the_note(
    tmp_path: Path, session: Session, catalogue: Catalogue
) -> None:
    (tmp_path / "note.md.j2").write_text("{% for r in note.regions %}{{ r.title }}\n{% endfor %}")
    note = compose_note(session, catalogue)
    assert render_note(note, "markdown", tmp_path).splitlines()[0] == "Vital signs"
    assert "<h1>" in render_note(note, "html", tmp_path)


@pytest.mark.parametrize(
    ("template", "told"),
    [
        ("{{ note.info.id", "line 1, cannot be read"),
        ("{{ note.wrong }}", "cannot be filled"),
        ("{{ note.__class__.__mro__[1].__subclasses__() }}", "may not do|cannot be filled"),
        ("{{ note.compose.__globals__ }}", "may not do|cannot be filled"),
        ("{% include '/etc/passwd' %}", "cannot be filled"),
        ("{% include '../secret' %}", "cannot be filled"),
        ("{{ 1 / 0 }}", "cannot be filled"),
    ],
)
def test_broken_and_hostile_templates_are_refused(
    tmp_path: Path, session: Session, catalogue: Catalogue, template: str, told: str
) -> None:
    (tmp_path / "templates").mkdir()
    (tmp_path / "secret").write_text("secret")
    (tmp_path / "templates" / "note.html.j2").write_text(template)
    with pytest.raises(UserFault, match=told):
        render_note(compose_note(session, catalogue), "html", tmp_path / "templates")
    with pytest.raises(UserFault, match="no folder of templates"):
        render_note(compose_note(session, catalogue), "html", tmp_path / "absent")


def test_empty_session(catalogue: Catalogue) -> None:
    empty = invented_session(findings=(), phrases=(), flags=(), derived=()).model_copy(
        update={"coverage": coverage_of((), catalogue)}
    )
    html = rendered(empty, catalogue, "html")
    assert "<section id=" not in html
    assert "Abdomen" in html.split("Regions never spoken of")[1]
    page_of(html)


@pytest.mark.parametrize("style", ["full", "terse"])
def test_whole_exam_is_told_without_loss(style: Style) -> None:
    catalogue = load_catalogue()
    findings = every_reading(catalogue)
    session = invented_session(findings=findings, coverage=coverage_of(findings, catalogue))
    note = compose_note(session, catalogue, style)
    told = {name for region in note.regions for one in region.sentences for name in one.findings}
    assert told == {finding.id for finding in findings}
    for region in note.regions:
        for sentence in region.sentences:
            assert sentence.text.endswith(".") and "  " not in sentence.text
            assert "no no " not in sentence.text and sentence.text[0].isupper()
    page_of(render_note(note, "html"))
