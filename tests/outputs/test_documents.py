"""PDF, DOCX, Parquet and clips read back by other programs: content, and nothing personal."""

from __future__ import annotations

import io
import struct
import zipfile
from datetime import datetime, timezone
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Choice
from dictate.findings.numerals import value_words
from dictate.outputs.clips import clips
from dictate.outputs.docx import note_docx
from dictate.outputs.note import CAUTION, compose_note
from dictate.outputs.parquet import findings_parquet
from dictate.outputs.pdf import note_pdf
from dictate.outputs.redaction import redacted
from dictate.outputs.table import COLUMNS
from dictate.session.record import Session

SECRETS = ("learner-4", "partner-9", "practice <7>.flac", "practice-7")


def plain(text: str) -> str:
    return "".join(text.split()).replace("\u00a0", "").replace("-", "")


def pdf_text(content: bytes) -> str:
    from pypdf import PdfReader

    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages)


def docx_text(content: bytes) -> str:
    import docx

    document = docx.Document(io.BytesIO(content))
    texts = [line.text for line in document.paragraphs]
    texts += [cell.text for table in document.tables for row in table.rows for cell in row.cells]
    return "\n".join(texts)


WRITERS = {"pdf": (note_pdf, pdf_text), "docx": (note_docx, docx_text)}


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("style", ["full", "terse"])
def test_every_standing_value_is_told(
    session: Session, catalogue: Catalogue, kind: str, style: str
) -> None:
    write, read = WRITERS[kind]
    told = plain(read(write(compose_note(session, catalogue, style))))  # type: ignore[arg-type]
    for finding in session.findings:
        if finding.stands and finding.value is not None and not isinstance(finding.value, Choice):
            assert plain(value_words(finding.value, catalogue)) in told, finding
    for words in (CAUTION, "Performed, result not stated", "to confirm: could also be 134/80"):
        assert plain(words) in told


@pytest.mark.parametrize("kind", WRITERS)
def test_the_same_note_gives_the_same_bytes(
    session: Session, catalogue: Catalogue, kind: str
) -> None:
    write, _ = WRITERS[kind]
    note = compose_note(session, catalogue)
    assert write(note) == write(note)


def test_pdf_metadata_hold_no_person_date_or_path(session: Session, catalogue: Catalogue) -> None:
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(note_pdf(compose_note(session, catalogue))))
    facts = dict(reader.metadata or {})
    assert facts.keys() <= {"/Title", "/Creator", "/Producer"}
    assert facts["/Title"] == "Practice examination"
    assert str(facts["/Creator"]).startswith("Typst ")
    root = reader.trailer["/Root"].get_object()
    packet = root["/Metadata"].get_object().get_data().decode()
    assert not any(secret in packet for secret in SECRETS)
    assert "CreateDate" not in packet and "dc:creator" not in packet


def test_docx_metadata_hold_no_person_or_path(session: Session, catalogue: Catalogue) -> None:
    import docx

    content = note_docx(compose_note(session, catalogue))
    facts = docx.Document(io.BytesIO(content)).core_properties
    assert facts.title == "Practice examination"
    for name in ("author", "last_modified_by", "comments", "keywords", "category", "subject"):
        assert getattr(facts, name) == "", name
    started = session.info.started.astimezone(timezone.utc)
    assert facts.created is not None and facts.modified is not None
    assert {
        facts.created.replace(tzinfo=timezone.utc),
        facts.modified.replace(tzinfo=timezone.utc),
    } == {started}
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        for info in package.infolist():
            assert info.date_time == (1980, 1, 1, 0, 0, 0)
            if info.filename.startswith("docProps/"):
                part = package.read(info)
                assert not any(secret.encode() in part for secret in (*SECRETS, "Microsoft"))


@pytest.mark.parametrize("kind", WRITERS)
def test_redacted_documents_hold_no_code_and_no_words(
    session: Session, catalogue: Catalogue, kind: str
) -> None:
    write, read = WRITERS[kind]
    told = read(write(compose_note(redacted(session), catalogue)))
    for secret in (*SECRETS, "nice and regular", "script", session.info.sound_sha256):
        assert secret not in " ".join(told.split()), secret
    assert plain("134/88") in plain(told)
    assert "practice-7" in read(write(compose_note(session, catalogue)))


@pytest.mark.parametrize(
    ("template", "told"),
    [
        ("#broken(", "cannot be set"),
        ('#read("/etc/passwd")', "cannot be set"),
        ('#import "@preview/example:0.1.0": x', "may not hold '@'"),
        ('#import "\\u{40}preview/example:0.1.0": x', "may not hold"),
    ],
)
def test_broken_and_hostile_pdf_templates_are_refused(
    tmp_path: Path, session: Session, catalogue: Catalogue, template: str, told: str
) -> None:
    (tmp_path / "note.typ").write_text(template)
    with pytest.raises(UserFault, match=told):
        note_pdf(compose_note(session, catalogue), tmp_path)


def test_a_course_sets_its_own_pdf_and_docx(
    tmp_path: Path, session: Session, catalogue: Catalogue
) -> None:
    import docx

    (tmp_path / "note.typ").write_text(
        "#let note = json(bytes(sys.inputs.note))\nCourse of spring: #note.info.learner"
    )
    note = compose_note(session, catalogue)
    assert plain("Course of spring: learner-4") in plain(pdf_text(note_pdf(note, tmp_path)))
    base = docx.Document()
    base.add_paragraph("Course of spring")
    base.core_properties.author = "Quillfeather"
    base.save(str(tmp_path / "note.docx"))
    made = note_docx(note, tmp_path)
    assert docx_text(made).startswith("Course of spring") and b"Quillfeather" not in b"".join(
        zipfile.ZipFile(io.BytesIO(made)).read(name)
        for name in zipfile.ZipFile(io.BytesIO(made)).namelist()
    )
    (tmp_path / "note.docx").write_bytes(b"no archive")
    with pytest.raises(UserFault, match="no DOCX file"):
        note_docx(note, tmp_path)


def test_parquet_has_types_and_meanings(session: Session, catalogue: Catalogue) -> None:
    import pyarrow.parquet as pq

    table = pq.read_table(io.BytesIO(findings_parquet(session, catalogue)))
    assert table.column_names == [name for name, _, _ in COLUMNS]
    for name, kind, meaning in COLUMNS:
        facts = table.schema.field(name).metadata
        assert facts == {b"type": kind.encode(), b"meaning": meaning.encode()}
    rows = {row["finding"]: row for row in table.to_pylist()}
    assert set(rows) == {finding.id for finding in session.findings}
    first = rows["f1"]
    assert (first["number"], first["second"], first["unit"]) == (134.0, 88.0, "mm[Hg]")
    assert first["time"] == datetime(2026, 3, 4, 8, 30, 12, tzinfo=timezone.utc)
    assert rows["old"]["stands"] is False and rows["f3"]["comparator"] is None
    nasty = next(one for one in session.findings if one.id == "f28")
    assert rows["f28"]["words"] == nasty.words


def recording(path: Path, seconds: float) -> Path:
    """A sound whose samples say their own second, in steps of 30."""
    at = (np.arange(int(seconds * 16_000)) // 16_000 * 30).astype(np.int16)
    soundfile.write(path, at, 16_000, subtype="PCM_16")
    return path


def of_sound(session: Session, path: Path) -> Session:
    from dictate.audio.recording import Recording

    with Recording(path) as sound:
        info = session.info.model_copy(update={"sound_sha256": sound.sha256()})
    return session.model_copy(update={"info": info})


def test_clips_hold_the_seconds_of_their_findings(tmp_path: Path, session: Session) -> None:
    path = recording(tmp_path / "a.wav", 480)
    made = list(clips(of_sound(session, path), path))
    standing = sorted((f for f in session.findings if f.stands), key=lambda one: one.start)
    assert len(made) == len(standing) == len({clip.name for clip in made})
    for clip, finding in zip(made, standing, strict=True):
        samples, rate = soundfile.read(io.BytesIO(clip.flac), dtype="int16")
        assert rate == 16_000 and finding.item.replace(".", "-") in clip.name
        assert len(samples) / rate == pytest.approx(finding.end - finding.start + 0.8, abs=0.001)
        assert round(int(samples[len(samples) // 2]) / 30) == int((finding.start + finding.end) / 2)


def test_clips_carry_no_tags(tmp_path: Path, session: Session) -> None:
    """Read block by block after RFC 9639 (FLAC), section 8: only stream info and vendor."""
    path = recording(tmp_path / "quillfeather.wav", 60)
    content = next(clips(of_sound(session, path), path)).flac
    assert content[:4] == b"fLaC" and b"quillfeather" not in content
    place, last = 4, False
    while not last:
        head = content[place]
        last, kind = bool(head & 0x80), head & 0x7F
        size = int.from_bytes(content[place + 1 : place + 4], "big")
        block = content[place + 4 : place + 4 + size]
        assert kind in (0, 1, 3, 4), kind  # stream info, padding, seek table, comment
        if kind == 4:
            (vendor,) = struct.unpack_from("<I", block)
            (comments,) = struct.unpack_from("<I", block, 4 + vendor)
            assert comments == 0
        place += 4 + size


def test_clips_of_another_recording_are_refused(tmp_path: Path, session: Session) -> None:
    path = recording(tmp_path / "a.wav", 5)
    with pytest.raises(UserFault, match="not the recording of this session"):
        list(clips(session, path))
