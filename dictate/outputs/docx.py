"""The note as an Office Open XML document (DOCX) that a course can go on writing in."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dictate.checks.wording import listed
from dictate.errors import UserFault
from dictate.findings.finding import Level
from dictate.outputs.note import LEVEL_WORDS, Cell, Note, NoteRegion

if TYPE_CHECKING:
    from docx.document import Document
    from docx.table import _Cell
    from docx.text.paragraph import Paragraph

_BASE: Final = "note.docx"
_DEEP: Final = "1F5D50"
_OUT: Final = "8C2F1C"
_SOFT: Final = "566169"
_DOUBT: Final = "FFF0BF"
_HAIR: Final = "CFD3CF"
# What XML 1.0 cannot hold (its section 2.2).
_NOT_XML: Final = re.compile(r"[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_EARLIEST: Final = (1980, 1, 1, 0, 0, 0)  # the first date that a ZIP archive can hold


def note_docx(note: Note, templates: Path | None = None) -> bytes:
    """Write a note as DOCX.

    Its metadata holds the title "Practice examination" and nothing else: no person, no
    program path, and only the start of the practice as a date. The same note gives the
    same bytes.

    Args:
        note: what to tell.
        templates: a folder of a course's own with a file ``note.docx``, whose styles,
            page, header and footer are then used; its text is kept at the beginning.

    Raises:
        UserFault: python-docx is not installed, or the course's file cannot be read.
    """
    try:
        import docx
        from docx.opc.exceptions import PackageNotFoundError
    except ImportError as error:
        raise UserFault(
            "DOCX needs the package 'python-docx'; install it with: "
            "pip install 'dictate[documents]'."
        ) from error
    base = templates / _BASE if templates is not None else None
    try:
        if base is not None and base.is_file():
            document = docx.Document(str(base))
        else:
            document = docx.Document()
            _dress(document)
    except (PackageNotFoundError, KeyError, ValueError, zipfile.BadZipFile) as error:
        raise UserFault(f"{base} is no DOCX file that can be read; save it again.") from error
    _Page(document).write(note)
    _strip(document, note)
    buffer = io.BytesIO()
    document.save(buffer)
    return _same_bytes(buffer.getvalue())


def _dress(document: Document) -> None:
    """Fonts, sizes and margins of the note where a course brings none."""
    from docx.enum.style import WD_STYLE_TYPE
    from docx.oxml.ns import qn
    from docx.shared import Mm, Pt, RGBColor

    section = document.sections[0]
    section.page_width, section.page_height = Mm(210), Mm(297)
    section.left_margin = section.right_margin = Mm(20)
    section.top_margin, section.bottom_margin = Mm(18), Mm(18)
    for name, size, bold, colour in (
        ("Normal", 10, False, None),
        ("Title", 20, True, None),
        ("Heading 1", 12, True, _DEEP),
        ("List Bullet", 10, False, None),
    ):
        style = document.styles[name]
        assert style.type == WD_STYLE_TYPE.PARAGRAPH
        style.font.name = "Georgia"
        fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
        for key in [key for key in fonts.attrib if "Theme" in key]:
            del fonts.attrib[key]
        fonts.set(qn("w:eastAsia"), "Georgia")
        fonts.set(qn("w:cs"), "Georgia")
        style.font.size, style.font.bold = Pt(size), bold
        if colour is not None:
            style.font.color.rgb = RGBColor.from_string(colour)
        elif name == "Title":
            style.font.color.rgb = RGBColor(0x1D, 0x24, 0x29)
        layout = style.paragraph_format
        layout.space_before = Pt(10 if name == "Heading 1" else 0)
        layout.space_after = Pt(2 if name.startswith(("Heading", "List")) else 4)
        layout.line_spacing = 1.1
        layout.keep_with_next = name.startswith("Heading")
        if name == "Title":  # without the rule beneath it that the default style draws
            for border in style.element.xpath(".//w:pBdr"):
                border.getparent().remove(border)


class _Page:
    """Writes the parts of a note one after another."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._names = {style.name for style in document.styles}

    def write(self, note: Note) -> None:
        self._opening(note)
        for region in note.regions:
            if region.spoken:
                self._region(region)
        if note.unspoken_regions:
            self._heading("Regions never spoken of")
            self._text(
                f"{listed(note.unspoken_regions)}. Whether they were examined cannot be known "
                "from the sound."
            )
        if note.derived:
            self._heading("Computed from what was said")
            for one in note.derived:
                line = self._text(f"{one.title}: ")
                self._run(line, one.value, bold=True)
                self._run(line, f"  {one.written}; {one.source}", colour=_SOFT, size=8)
        self._remarks(note)
        self._coverage(note)
        self._evidence(note)
        self._closing(note)
        self._close_up()

    def _opening(self, note: Note) -> None:
        self._paragraph("Practice examination", "Title")
        line = self._text("")
        told = f"{note.info.id} · begun {note.started} · {note.length} · "
        self._run(line, told, colour=_SOFT)
        self._run(line, note.state, colour=_OUT if "not signed" in note.state else _DEEP, bold=True)
        facts = (
            ("Learner", note.info.learner),
            ("Partner", note.info.partner),
            ("Consent", note.info.consent),
            ("Recording", note.info.sound_name),
            ("Course", note.info.course),
            ("Heard by", note.heard_by),
        )
        table = self._table(2, 3)
        for place, (name, told) in enumerate(facts):
            cell = table.cell(place // 3, place % 3)
            self._run(cell.paragraphs[0], name, colour=_SOFT, size=8)
            self._run(cell.add_paragraph(), told)
        for sentence in note.info.notices:
            self._shade(self._text(sentence))
        if note.to_confirm:
            many = "s" if note.to_confirm != 1 else ""
            self._shade(
                self._text(
                    f"{note.to_confirm} value{many} to confirm, marked [to confirm: …] below."
                )
            )

    def _region(self, region: NoteRegion) -> None:
        self._run(self._heading(region.title), f"   {region.times}", colour=_SOFT, size=8)
        line = self._text("" if region.sentences else "No result was stated.")
        for sentence in region.sentences:
            for run in sentence.runs:
                if run.kind == "doubt":
                    self._run(line, run.text, fill=_DOUBT)
                elif run.kind == "abnormal":
                    self._run(line, run.text, colour=_OUT, bold=True)
                else:
                    self._run(line, run.text)
            self._run(line, " ")
        if region.sides:
            other = any(row.other for row in region.sides)
            heads = ("Item", "Right", "Left", *(("Side not said",) if other else ()))
            table = self._table(1, len(heads), heads)
            for row in region.sides:
                cells = table.add_row().cells
                self._run(cells[0].paragraphs[0], row.title, size=9)
                self._told(cells[1], row.right)
                self._told(cells[2], row.left)
                if other and row.other:
                    self._told(cells[3], row.other)
        for name, items in (
            ("Performed, result not stated: ", region.performed),
            ("Never spoken of: ", region.unspoken),
        ):
            if items:
                line = self._text("")
                self._run(line, name, bold=True, size=9)
                self._run(line, f"{listed(items)}.", colour=_SOFT, size=9)

    def _told(self, cell: _Cell, told: tuple[Cell, ...]) -> None:
        line = cell.paragraphs[0]
        if not told:
            self._run(line, "not stated", colour=_SOFT, size=9, italic=True)
        for place, one in enumerate(told):
            if place:
                line = cell.add_paragraph()
            self._run(
                line,
                one.text,
                size=9,
                bold=one.abnormal,
                colour=_OUT if one.abnormal else None,
            )
            self._run(line, f" {one.at}", colour=_SOFT, size=7.5)
            if one.doubt:
                self._run(line, " ")
                self._run(line, one.doubt, fill=_DOUBT, size=9)

    def _remarks(self, note: Note) -> None:
        self._heading("Remarks of the checks")
        if not note.flags:
            self._text("None.")
        for flag in note.flags:
            line = self._paragraph("", "List Bullet")
            colour = _SOFT if flag.severity == "note" else _OUT
            self._run(line, f"{flag.severity}: ", bold=True, colour=colour)
            self._run(line, flag.sentence)
            after = " ".join(part for part in (flag.at, flag.source) if part)
            if after:
                self._run(line, f"  {after}", colour=_SOFT, size=8)

    def _coverage(self, note: Note) -> None:
        self._heading("Coverage")
        levels = (Level.MEASURED, Level.REPORTED, Level.PERFORMED, Level.UNSPOKEN)
        heads = ("Region, items by side", *(LEVEL_WORDS[level].capitalize() for level in levels))
        table = self._table(1, len(heads), heads, (0.4, 0.13, 0.13, 0.2, 0.14))
        for region in note.regions:
            cells = table.add_row().cells
            self._run(cells[0].paragraphs[0], region.title, size=9)
            for cell, level in zip(cells[1:], levels, strict=True):
                count = sum(mark.level is level for mark in region.marks)
                self._run(cell.paragraphs[0], str(count) if count else "–", size=9)

    def _evidence(self, note: Note) -> None:
        for title, told in (
            ("Corrected", note.corrected),
            ("What the record rests on", note.evidence),
        ):
            if not told:
                continue
            self._heading(title)
            table = self._table(1, 4, ("At", "Item", "Result", "Heard"), (0.11, 0.29, 0.26, 0.34))
            for one in told:
                cells = table.add_row().cells
                self._run(cells[0].paragraphs[0], one.at, size=8, colour=_SOFT)
                place = f", {one.place}" if one.place else ""
                self._run(cells[1].paragraphs[0], f"{one.title}{place}", size=8.5)
                remark = f" ({one.remark})" if one.remark else ""
                self._run(cells[2].paragraphs[0], f"{one.result}{remark}", size=8.5)
                line = cells[3].paragraphs[0]
                self._run(line, f"“{one.words}”", size=8.5, italic=True)
                after = " ".join(part for part in (one.speaker, one.confidence) if part)
                self._run(line, f" {after}", size=7.5, colour=_SOFT)

    def _closing(self, note: Note) -> None:
        told = [note.caution]
        if note.unrecognised:
            many = note.unrecognised != 1
            told.append(
                f"{note.unrecognised} stretch{'es' if many else ''} of talk did not fit the "
                f"language of the exam; nothing rests on {'them' if many else 'it'}."
            )
        if note.scales:
            told.append(f"Scales: {'; '.join(note.scales)}.")
        info = note.info
        told.append(
            f"Made by dictate {info.program_version} with {note.heard_by}, exam data "
            f"{info.exam_version[:12]}. Recording SHA-256 {info.sound_sha256}"
        )
        self._text("")
        for sentence in told:
            self._run(self._text(""), sentence, size=8.5, colour=_SOFT)

    def _close_up(self) -> None:
        """Table cells without the space that stands between paragraphs, and space after tables."""
        from docx.shared import Pt

        for table in self._document.tables:
            for cell in table._cells:
                for line in cell.paragraphs:
                    line.paragraph_format.space_before = Pt(1)
                    line.paragraph_format.space_after = Pt(1)
            after = table._tbl.getnext()
            if after is not None and after.tag.endswith("}p"):
                from docx.text.paragraph import Paragraph

                Paragraph(after, self._document._body).paragraph_format.space_before = Pt(8)

    def _heading(self, title: str) -> Paragraph:
        return self._paragraph(title, "Heading 1")

    def _text(self, text: str) -> Paragraph:
        return self._paragraph(text, "Normal")

    def _paragraph(self, text: str, style: str) -> Paragraph:
        # A course's file need not have every style of the usual one.
        made = self._document.add_paragraph(style=style if style in self._names else None)
        if text:
            made.add_run(_NOT_XML.sub("", text))
        return made

    def _run(
        self,
        paragraph: Paragraph,
        text: str,
        *,
        bold: bool = False,
        italic: bool = False,
        size: float | None = None,
        colour: str | None = None,
        fill: str | None = None,
    ) -> None:
        from docx.shared import Pt, RGBColor

        run = paragraph.add_run(_NOT_XML.sub("", text))
        run.bold, run.italic = bold or None, italic or None
        if size is not None:
            run.font.size = Pt(size)
        if colour is not None:
            run.font.color.rgb = RGBColor.from_string(colour)
        if fill is not None:
            run._r.get_or_add_rPr().append(_element("w:shd", val="clear", color="auto", fill=fill))

    def _shade(self, paragraph: Paragraph) -> None:
        shade = _element("w:shd", val="clear", color="auto", fill=_DOUBT)
        paragraph._p.get_or_add_pPr().append(shade)

    def _table(
        self,
        rows: int,
        columns: int,
        heads: tuple[str, ...] = (),
        shares: tuple[float, ...] = (),
    ) -> Any:
        """A table with hairlines between rows; its first row repeats on every page."""
        section = self._document.sections[-1]
        width = (section.page_width or 0) - (section.left_margin or 0) - (section.right_margin or 0)
        table = self._document.add_table(rows, columns)
        table.autofit = False
        for place, column in enumerate(table.columns):
            column.width = int(width * (shares[place] if shares else 1 / columns))
        borders = _element("w:tblBorders")
        for edge in ("top", "bottom", "insideH"):
            borders.append(_element(f"w:{edge}", val="single", sz="4", space="0", color=_HAIR))
        table._tbl.tblPr.append(borders)
        for cell, head in zip(table.rows[0].cells, heads, strict=False):
            self._run(cell.paragraphs[0], head, size=8, colour=_SOFT)
        if heads:
            table.rows[0]._tr.get_or_add_trPr().append(_element("w:tblHeader"))
        return table


def _element(name: str, **attributes: str) -> Any:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    made = OxmlElement(name)
    for key, value in attributes.items():
        made.set(qn(f"w:{key}"), value)
    return made


def _strip(document: Document, note: Note) -> None:
    """Metadata: the title alone; the dates that the format asks for are the practice's start."""
    from datetime import timezone

    facts = document.core_properties
    for name in (
        "author", "last_modified_by", "comments", "keywords", "category", "subject",
        "content_status", "identifier", "version",
    ):  # fmt: skip
        setattr(facts, name, "")
    facts.title, facts.language, facts.revision = "Practice examination", "en", 1
    moment = note.info.started.astimezone(timezone.utc).replace(tzinfo=None, microsecond=0)
    facts.created = facts.modified = moment
    facts.last_printed = moment


_APP: Final = (
    b'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
    b'<Properties xmlns="http://schemas.openxmlformats.org/officeDocument/2006/'
    b'extended-properties"><Application>dictate</Application></Properties>'
)


def _same_bytes(content: bytes) -> bytes:
    """The package with the archive's times set to nothing and no trace of other programs."""
    made = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for info in old.infolist():
            part = old.read(info)
            if info.filename == "docProps/app.xml":
                part = _APP
            entry = zipfile.ZipInfo(info.filename, _EARLIEST)
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, part)
    return made.getvalue()
