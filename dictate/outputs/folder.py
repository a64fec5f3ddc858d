"""All outputs of a session written into its folder."""

from __future__ import annotations

from pathlib import Path

from dictate.exam.catalogue import Catalogue
from dictate.outputs.captions import captions, chapters
from dictate.outputs.fhir.bundle import collection_bundle
from dictate.outputs.fhir.exact_json import write_json
from dictate.outputs.note import compose_note, render_note
from dictate.outputs.redaction import redacted
from dictate.outputs.sentences import Style
from dictate.outputs.table import columns_table, coverage_table, findings_table
from dictate.session.private_files import make_private_folder, write_private
from dictate.session.record import Session


def write_outputs(
    session: Session,
    catalogue: Catalogue,
    folder: Path,
    *,
    style: Style = "full",
    templates: Path | None = None,
    journal_head: str | None = None,
    redact: bool = False,
) -> list[Path]:
    """Write note, tables, captions and FHIR bundle; return the paths written.

    Each file is written whole or not at all and is readable by its owner alone. All
    of them are computed before the first is written.

    Args:
        session: what to write.
        catalogue: the exam data it was made with.
        folder: where to write; created where needed.
        style: full clinical sentences or terse ones.
        templates: a course's own templates of the note.
        journal_head: SHA-256 of the journal's last line, for the bundle's provenance.
        redact: leave out free text and names; captions are then not written.

    Raises:
        UserFault: the folder cannot be written, or a course's template is broken.
    """
    if redact:
        session, journal_head = redacted(session), None
    note = compose_note(session, catalogue, style)
    contents = {
        "note.md": render_note(note, "markdown", templates),
        "note.html": render_note(note, "html", templates),
        "findings.csv": "\ufeff" + findings_table(session, catalogue),
        "findings-columns.csv": "\ufeff" + columns_table(),
        "coverage.csv": "\ufeff" + coverage_table(session, catalogue),
        "captions.vtt": captions(session),
        "chapters.vtt": chapters(session, catalogue),
        "fhir-bundle.json": write_json(collection_bundle(session, catalogue, journal_head)),
    }
    if redact:
        del contents["captions.vtt"]
    make_private_folder(folder)
    return [
        write_private(folder / name, text.encode("utf-8", "replace"))
        for name, text in contents.items()
    ]
