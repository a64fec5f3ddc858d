"""Redacted outputs hold no word that was heard, no name, and nothing of the recording."""

from __future__ import annotations

from pathlib import Path

from dictate.checks.flag import Flag
from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Quantity
from dictate.outputs.folder import write_outputs
from dictate.outputs.redaction import redacted
from dictate.session.record import Session


def with_secrets(session: Session) -> Session:
    """The invented session with a word in every free text that stands nowhere else."""
    info = session.info.model_copy(
        update={
            "id": "quillfeather-1",
            "sound_name": "quillfeather.flac",
            "learner": "quillfeather",
            "partner": "thistledown",
            "consent": "thistledown agreed",
            "notices": ("quillfeather.flac is quiet.",),
        }
    )
    findings = tuple(
        one.model_copy(
            update={
                "words": f"quillfeather {one.words}",
                "doubts": ("'thistledown' was heard.",) if one.doubts else (),
            }
        )
        for one in session.findings
    )
    flags = (
        *session.flags,
        Flag(rule="x", severity="note", sentence="'quillfeather.flac' is odd."),
    )
    return session.model_copy(update={"info": info, "findings": findings, "flags": flags})


def test_no_free_text_is_left_in_any_file(
    tmp_path: Path, session: Session, catalogue: Catalogue
) -> None:
    secret = with_secrets(session)
    for path in write_outputs(secret, catalogue, tmp_path / "open"):
        if path.name in ("note.md", "note.html", "findings.csv", "fhir-bundle.json"):
            assert "quillfeather" in path.read_text(encoding="utf-8")
    paths = write_outputs(secret, catalogue, tmp_path / "closed", redact=True)
    assert "captions.vtt" not in {path.name for path in paths}
    for path in paths:
        text = path.read_text(encoding="utf-8")
        for word in ("quillfeather", "thistledown", "script>alert", session.info.sound_sha256):
            assert word not in text, path.name


def test_values_doubts_and_times_stay(session: Session) -> None:
    after = redacted(with_secrets(session))
    for before, one in zip(session.findings, after.findings, strict=True):
        assert (one.id, one.item, one.side, one.start) == (
            before.id,
            before.item,
            before.side,
            before.start,
        )
        assert one.doubtful == before.doubtful
        if isinstance(before.value, Quantity):
            assert one.value == before.value
    assert after.phrases == () and after.info.id.startswith("redacted-")
    assert [flag.sentence for flag in after.flags][:3] == [f.sentence for f in session.flags]
