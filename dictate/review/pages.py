"""The templates of the page, filled."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple
from weakref import WeakKeyDictionary

from dictate.checks.wording import clock
from dictate.figure.drawing import coverage_figure
from dictate.findings.numerals import unit_words
from dictate.outputs.note import CAUTION, STATE_WORDS
from dictate.review.editing import sides_for, units_for
from dictate.review.reviewed import OpenSession, Who
from dictate.review.telling import LEVEL_SHORT, heard_talk, history, region_rows, sheet
from dictate.review.timeline import timeline
from dictate.review.worklist import worklist
from dictate.session.corrections import last_undoable

if TYPE_CHECKING:
    from jinja2 import Environment

    from dictate.findings.finding import Finding
    from dictate.review.shelf import Shelf

PARTS: Final = (
    "status",
    "timeline",
    "figure",
    "worklist",
    "items",
    "unspoken",
    "marks",
    "comments",
    "record",
)
"""What is drawn again after every change; each is an element with this id."""


class Drawn(NamedTuple):
    """The parts as HTML by their names, with what they were made from."""

    head: str
    who: Who
    held: dict[str, Any]
    parts: Mapping[str, str]


_KEPT: Final[WeakKeyDictionary[OpenSession, Drawn]] = WeakKeyDictionary()


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("dictate.review"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["clock"] = clock
    made.filters["unit"] = unit_words
    made.filters["level"] = LEVEL_SHORT.__getitem__
    return made


def list_page(shelf: Shelf, who: Who) -> str:
    """The list of the sessions in a folder."""
    return (
        _environment()
        .get_template("list.html.j2")
        .render(sessions=shelf.listed(), folder=shelf.root.name, who=who, states=STATE_WORDS)
    )


def fault_page(sentence: str) -> str:
    """One sentence about what went wrong, and the way back."""
    return _environment().get_template("fault.html.j2").render(sentence=sentence)


def session_page(session: OpenSession, who: Who, key: str, single: bool, sound: bool) -> str:
    """The whole page of a session."""
    drawn = draw(session, who)
    return (
        _environment()
        .get_template("session.html.j2")
        .render(
            **drawn.held,
            parts=drawn.parts,
            key=key,
            single=single,
            sound=sound,
            talk=heard_talk(session),
            items_known=[
                (item.id, item.title, region.title)
                for region in session.catalogue.regions
                for item in region.items
            ],
            caution=CAUTION,
        )
    )


def draw(session: OpenSession, who: Who) -> Drawn:
    """Everything that a change can alter; kept until the journal grows or another person comes."""
    from markupsafe import Markup

    kept = _KEPT.get(session)
    if kept is not None and (kept.head, kept.who) == (session.head, who):
        return kept
    held = _held(session, who)
    made = {
        name: Markup(_environment().get_template(f"parts/{name}.html.j2").render(**held))
        for name in PARTS
    }
    _KEPT[session] = drawn = Drawn(session.head, who, held, made)
    return drawn


def finding_form(session: OpenSession, item_id: str, finding: Finding | None) -> str:
    """The fields in which an item's finding is changed or added."""
    item = session.catalogue.items[item_id]
    return (
        _environment()
        .get_template("form.html.j2")
        .render(
            item=item,
            finding=finding,
            value=finding.value if finding is not None else None,
            sides=sides_for(item),
            sites=session.catalogue.sites_of(item),
            units=units_for(item),
            scale=session.catalogue.scales.get(item.scale) if item.scale else None,
        )
    )


def _held(session: OpenSession, who: Who) -> dict[str, Any]:
    from markupsafe import Markup

    # The figure is built as an XML tree, so every text in it is escaped already.
    figure = coverage_figure(session.session, session.catalogue, style=False, interactive=True)
    return {
        "session": session,
        "info": session.session.info,
        "state": STATE_WORDS[session.session.state],
        "who": who,
        "line": timeline(session),
        "figure": Markup(figure),
        "work": worklist(session),
        "regions": region_rows(session),
        "sheet": sheet(session),
        "history": history(session),
        "undoable": last_undoable(session.entries) is not None,
    }
