"""The note: a session told in the order of the exam, as Markdown or as a page of HTML."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict

from dictate.checks.flag import Derived, Flag
from dictate.checks.wording import clock, listed
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.figure.drawing import coverage_figure
from dictate.findings.finding import Finding, Grade, Level
from dictate.findings.numerals import measured, number_words, sources_title, with_unit
from dictate.outputs.arrangement import ItemView, RegionView, arrange, site_title
from dictate.outputs.sentences import (
    Sentence,
    Style,
    result_words,
    sentences_of,
    stands_out,
)
from dictate.session.record import Session, SessionInfo

Format = Literal["markdown", "html"]

CAUTION: Final = (
    "This is a training record of a practice examination. It is not a medical device and "
    "makes no diagnosis. What the course teaches, local policy and licensed supervision come "
    "first. Sound can be misheard: compare values with the recording before relying on them."
)
LEVEL_WORDS: Final = {
    Level.UNSPOKEN: "never spoken of",
    Level.PERFORMED: "performed, result not stated",
    Level.REPORTED: "reported",
    Level.MEASURED: "measured",
}
STATE_WORDS: Final = {
    "preliminary": "Preliminary: not signed",
    "final": "Final: signed",
    "amended": "Amended: changed after it was signed",
}
_TEMPLATES: Final = {"markdown": "note.md.j2", "html": "note.html.j2"}


class _Told(BaseModel):
    model_config = ConfigDict(frozen=True)


class Cell(_Told):
    """One result in a table, with the moment at which it was said."""

    text: str
    doubt: str = ""
    abnormal: bool = False
    at: str


class SideRow(_Told):
    """An item with two sides: what was said of each."""

    title: str
    right: tuple[Cell, ...]
    left: tuple[Cell, ...]
    other: tuple[Cell, ...]


class LevelMark(_Told):
    """One item and side in the picture of coverage."""

    title: str
    level: Level


class NoteRegion(_Told):
    """One region as the note tells it."""

    key: str
    title: str
    spoken: bool
    times: str
    sentences: tuple[Sentence, ...]
    sides: tuple[SideRow, ...]
    performed: tuple[str, ...]
    unspoken: tuple[str, ...]
    marks: tuple[LevelMark, ...]


class Evidence(_Told):
    """What one result rests on: the words as heard."""

    at: str
    title: str
    place: str
    result: str
    words: str
    confidence: str
    speaker: str
    remark: str


class ToldFlag(_Told):
    """A flag with its moment in words."""

    severity: str
    sentence: str
    source: str
    at: str


class ToldDerived(_Told):
    """A computed measure in words."""

    title: str
    value: str
    written: str
    source: str


class Note(_Told):
    """Everything that a template needs: plain text, and ``figure`` as SVG."""

    info: SessionInfo
    started: str
    length: str
    state: str
    style: Style
    regions: tuple[NoteRegion, ...]
    flags: tuple[ToldFlag, ...]
    derived: tuple[ToldDerived, ...]
    to_confirm: int
    corrected: tuple[Evidence, ...]
    evidence: tuple[Evidence, ...]
    unrecognised: int
    scales: tuple[str, ...]
    levels: dict[Level, int]
    figure: str
    caution: str = CAUTION

    @property
    def heard_by(self) -> str:
        """The recogniser with its version, its name said once."""
        return engine_words(self.info)

    @property
    def unspoken_regions(self) -> tuple[str, ...]:
        """Titles of the regions of which nothing was heard."""
        return tuple(region.title for region in self.regions if not region.spoken)


def compose_note(session: Session, catalogue: Catalogue, style: Style = "full") -> Note:
    """Tell a session as a note; nothing is left out, what was not said is named."""
    views = arrange(session, catalogue)
    regions = tuple(_region(view, catalogue, style) for view in views)
    standing = [finding for finding in session.findings if finding.stands]
    levels = dict.fromkeys(Level, 0)
    for region in regions:
        for mark in region.marks:
            levels[mark.level] += 1
    return Note(
        info=session.info,
        started=f"{session.info.started:%Y-%m-%d %H:%M %Z}".strip(),
        length=clock(session.info.seconds),
        state=STATE_WORDS[session.state],
        style=style,
        regions=regions,
        flags=tuple(_flag(flag) for flag in _by_severity(session.flags)),
        derived=tuple(_derived(one) for one in session.derived),
        to_confirm=sum(finding.doubtful for finding in standing),
        corrected=tuple(
            _evidence(finding, catalogue)
            for finding in _in_time(session.findings)
            if not finding.stands
        ),
        evidence=tuple(_evidence(finding, catalogue) for finding in _in_time(standing)),
        unrecognised=sum(not phrase.recognised for phrase in session.phrases),
        scales=_scales(standing, catalogue),
        levels=levels,
        figure=coverage_figure(session, catalogue),
    )


def engine_words(info: SessionInfo) -> str:
    """The recogniser with its version, its name said once."""
    named = info.engine_version.startswith(info.engine)
    return info.engine_version if named else f"{info.engine} {info.engine_version}".strip()


def _in_time(findings: list[Finding] | tuple[Finding, ...]) -> list[Finding]:
    return sorted(findings, key=lambda one: (one.start, one.end, one.id))


def _region(view: RegionView, catalogue: Catalogue, style: Style) -> NoteRegion:
    span = view.span
    return NoteRegion(
        key=view.key,
        title=view.title,
        spoken=view.spoken,
        times=f"{clock(span[0])} to {clock(span[1])}" if span else "",
        sentences=tuple(
            sentence for item in view.items for sentence in sentences_of(item, catalogue, style)
        ),
        sides=tuple(
            _side_row(item, catalogue)
            for item in view.items
            if item.paired and item.results and _worth_a_row(item)
        ),
        performed=view.performed_only,
        unspoken=view.unspoken,
        marks=tuple(_marks(view)),
    )


def _marks(view: RegionView) -> list[LevelMark]:
    marks = []
    for item in view.items:
        unsaid = item.coverage.side_unsaid
        for side, level in item.coverage.sides.items():
            reached = max(level, unsaid, key=lambda one: one.rank)
            title = f"{item.title} ({side})" if side else item.title
            marks.append(LevelMark(title=title, level=reached))
    return marks


def _worth_a_row(view: ItemView) -> bool:
    """False where the sentence says it all: one result, the same on both sides, no number."""
    return any(one.side != "both" or measured(one.value) for one in view.results)


def _side_row(view: ItemView, catalogue: Catalogue) -> SideRow:
    cells: dict[str, list[Cell]] = {"right": [], "left": [], "other": []}
    for finding in view.results:
        cell = _cell(finding, catalogue)
        if finding.side == "both":
            cells["right"].append(cell)
            cells["left"].append(cell)
        elif finding.side in ("left", "right"):
            cells[finding.side].append(cell)
        else:
            cells["other"].append(cell)
    return SideRow(
        title=view.title,
        right=tuple(cells["right"]),
        left=tuple(cells["left"]),
        other=tuple(cells["other"]),
    )


def _cell(finding: Finding, catalogue: Catalogue) -> Cell:
    site = site_title(finding, catalogue)
    result = result_words(finding, catalogue)
    return Cell(
        text=f"{site}: {result}" if site else result,
        # The sentence beside the table gives the reasons and the alternatives.
        doubt="[to confirm]" if finding.doubtful else "",
        abnormal=stands_out(finding, catalogue),
        at=clock(finding.start),
    )


def _evidence(finding: Finding, catalogue: Catalogue) -> Evidence:
    item = catalogue.items.get(finding.item)
    place = [site_title(finding, catalogue)]
    if finding.side is not None:
        place.append("side not said" if finding.side == "unspecified" else finding.side)
    remark = "entered by hand" if finding.by_hand else ""
    if finding.superseded_by is not None:
        remark = "replaced later"
    elif finding.struck:
        remark = "struck"
    return Evidence(
        at=clock(finding.start),
        title=item.title if item is not None else finding.item,
        place=", ".join(part for part in place if part),
        result=result_words(finding, catalogue),
        words=finding.words,
        confidence=f"{finding.confidence:.0%}",
        speaker="" if finding.speaker == "unknown" else finding.speaker,
        remark=remark,
    )


def _by_severity(flags: tuple[Flag, ...]) -> list[Flag]:
    weight = {"error": 0, "warning": 1, "note": 2}
    return sorted(flags, key=lambda flag: (weight[flag.severity], flag.at or 0.0))


def _flag(flag: Flag) -> ToldFlag:
    return ToldFlag(
        severity=flag.severity,
        sentence=flag.sentence,
        source=flag.source,
        at="" if flag.at is None else clock(flag.at),
    )


def _derived(one: Derived) -> ToldDerived:
    side = f" ({one.side})" if one.side else ""
    return ToldDerived(
        title=one.title + side,
        value=with_unit(number_words(round(one.number, 3)), one.unit),
        written=one.written,
        source=one.source,
    )


def _scales(findings: list[Finding], catalogue: Catalogue) -> tuple[str, ...]:
    used = dict.fromkeys(
        finding.value.scale for finding in findings if isinstance(finding.value, Grade)
    )
    told = []
    for key in used:
        scale = catalogue.scales.get(key)
        if scale is not None:
            told.append(f"{scale.title} ({sources_title(scale.source, catalogue)})")
    return tuple(told)


def render_note(note: Note, kind: Format, templates: Path | None = None) -> str:
    """Fill a template with a note.

    Args:
        note: what to tell.
        kind: ``markdown`` or ``html``.
        templates: a folder of a course's own with a file ``note.md.j2`` or
            ``note.html.j2``; the one of this package is used where it has none. Its
            templates run in a sandbox and see the fields of :class:`Note` alone.

    Raises:
        UserFault: the course's template is broken; the sentence names file and line.
    """
    from jinja2 import ChoiceLoader, FileSystemLoader, PackageLoader, StrictUndefined
    from jinja2.exceptions import SecurityError, TemplateError, TemplateSyntaxError

    from dictate.outputs.sandbox import NoteSandbox

    loaders: list[Any] = [PackageLoader("dictate.outputs")]
    if templates is not None:
        if not templates.is_dir():
            raise UserFault(f"{templates} is no folder of templates; check the path.")
        loaders.insert(0, FileSystemLoader(templates))
    html = kind == "html"
    environment = NoteSandbox(
        loader=ChoiceLoader(loaders),
        autoescape=html,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=None if html else _markdown_finalize,
    )
    environment.filters["words"] = listed
    environment.filters["level_words"] = LEVEL_WORDS.__getitem__
    environment.filters["cells"] = _markdown_cells
    name = _TEMPLATES[kind]
    try:
        return environment.get_template(name).render(note=note, Level=Level)
    except TemplateSyntaxError as error:
        raise UserFault(
            f"The template {error.filename or name}, line {error.lineno}, cannot be read: "
            f"{error.message}."
        ) from error
    except SecurityError as error:
        raise UserFault(
            f"The template {name} asks for something that templates may not do: {error}."
        ) from error
    except (RecursionError, MemoryError) as error:
        raise UserFault(
            f"The template {name} calls itself without end or asks for too much."
        ) from error
    except (TemplateError, TypeError, ValueError, ArithmeticError, LookupError) as error:
        raise UserFault(f"The template {name} cannot be filled: {error}.") from error


class MarkdownText(str):
    """Text that is Markdown already and is not to be escaped again."""

    __slots__ = ()


_MARKDOWN_SIGNS: Final = re.compile(r"([\\`*_{}\[\]<>|#~!$&])")
_LINE_BEGINS: Final = re.compile(r"^(\s*)(\d+)([.)])(?=\s)|^(\s*)([-+=])", re.MULTILINE)
_BREAKS: Final = re.compile(r"[\r\n\u2028\u2029\x0b\x0c\x85]+")


def escape_markdown(text: str) -> MarkdownText:
    """Text that Markdown readers show as it is: no emphasis, link, list, table or HTML in it."""
    plain = _BREAKS.sub(" ", text)
    plain = _MARKDOWN_SIGNS.sub(r"\\\1", plain)
    plain = _LINE_BEGINS.sub(
        lambda found: (
            f"{found[1]}{found[2]}\\{found[3]}" if found[2] else f"{found[4]}\\{found[5]}"
        ),
        plain,
    )
    # A bare address would become a link of its own accord.
    return MarkdownText(re.sub(r"(?i)(https?|ftp|mailto):", r"\1\\:", plain))


def _markdown_finalize(value: object) -> object:
    if isinstance(value, str) and not isinstance(value, MarkdownText):
        return escape_markdown(value)
    return value


def _markdown_cells(cells: tuple[Cell, ...]) -> MarkdownText:
    told = []
    for cell in cells:
        doubt = f" **{escape_markdown(cell.doubt)}**" if cell.doubt else ""
        told.append(f"{escape_markdown(cell.text)}{doubt} ({cell.at})")
    return MarkdownText("<br>".join(told) if told else "not stated")
