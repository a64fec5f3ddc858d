"""Signatures, amendments, marks, comments and the taking back of what was done."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path

import pytest
from pydantic import ValidationError

from dictate.findings.finding import Finding, Level
from dictate.session.corrections import (
    apply_corrections,
    findings_digest,
    in_force,
    last_undoable,
    signatures_in_force,
    signed_otherwise,
    state_of,
)
from dictate.session.entries import (
    Amendment,
    Comment,
    Correction,
    Entry,
    Score,
    SessionStart,
    Signature,
    Undo,
)
from dictate.session.journal import Journal, read_journal
from dictate.session.record import SessionInfo

WHEN = datetime(2026, 3, 4, 9, 30, tzinfo=timezone.utc)
PULSE = Finding(
    id="f1", item="vitals.pulse_rhythm", level=Level.REPORTED, start=1, end=2, words="regular"
)


def strike(seconds: int = 0) -> Correction:
    return Correction(at=WHEN + timedelta(seconds=seconds), by="a", before=PULSE, after=None)


def signature(**more: str) -> Signature:
    return Signature.model_validate({"at": WHEN, "by": "a", "role": "learner", **more})


def amendment() -> Amendment:
    return Amendment(at=WHEN, by="a", role="learner", reason="the side was wrong")


def test_undoing_brings_back_what_stood_and_only_once() -> None:
    first, second = strike(), strike(1)
    entries: list[Entry] = [first, second, Undo(at=WHEN, by="a", undone=second)]
    assert in_force(entries) == (first,)
    assert not apply_corrections([PULSE], entries).findings[0].stands
    entries.append(Undo(at=WHEN, by="a", undone=first))
    assert in_force(entries) == ()
    assert apply_corrections([PULSE], entries).findings == (PULSE,)
    entries.append(Undo(at=WHEN, by="a", undone=first))
    assert in_force(entries) == ()


def test_what_can_be_taken_back_ends_at_a_signature() -> None:
    change = strike()
    note = Comment(at=WHEN, by="a", role="learner", seconds=3, text="look")
    assert last_undoable([change, note]) == note
    assert last_undoable([change, note, Undo(at=WHEN, by="a", undone=note)]) == change
    assert last_undoable([change, signature()]) is None
    assert last_undoable([change, signature(), note]) == note
    assert last_undoable([change, signature(), amendment()]) is None


def test_an_amendment_opens_the_record_and_shows() -> None:
    entries: list[Entry] = [signature()]
    assert state_of(entries) == "final" and len(signatures_in_force(entries)) == 1
    entries.append(amendment())
    assert state_of(entries) == "amended" and signatures_in_force(entries) == ()
    entries += [strike(), signature()]
    assert state_of(entries) == "amended" and len(signatures_in_force(entries)) == 1


def test_a_signature_knows_what_it_was_given_for() -> None:
    signed = signature(findings_sha256=findings_digest([PULSE]))
    other = PULSE.model_copy(update={"words": "irregular"})
    assert signed_otherwise([PULSE], [signed]) is None
    told = signed_otherwise([other], [signed])
    assert told is not None and "not those that a signed" in told
    assert signed_otherwise([other], [signed, amendment()]) is None
    assert signed_otherwise([other], [signature()]) is None  # an older journal


def test_marks_and_comments_come_back_from_the_disk(tmp_path: Path) -> None:
    info = SessionInfo(
        id="practice-7",
        started=WHEN,
        sound_name="practice.flac",
        sound_sha256="ab" * 32,
        seconds=61.5,
        engine="pocketsphinx",
        engine_version="5.1",
        program_version="0.1.0",
        exam_version="12" * 32,
    )
    mark = Score(at=WHEN, by="t", criterion="talk", points=Decimal("1.5"), most=Decimal(2))
    written: list[Entry] = [
        mark,
        Comment(at=WHEN, by="t", role="instructor", seconds=12.25, text="<b>slow down</b>"),
        Undo(at=WHEN, by="t", undone=mark),
        signature(comment="well done"),
        amendment(),
    ]
    with Journal.create(tmp_path, SessionStart(at=WHEN, info=info)) as journal:
        for entry in written:
            journal.add(entry)
    assert list(read_journal(tmp_path / "journal.jsonl").entries[1:]) == written


@pytest.mark.parametrize("reason", ["", "x" * 4001])
def test_an_amendment_needs_a_reason_of_sensible_length(reason: str) -> None:
    with pytest.raises(ValidationError):
        Amendment(at=WHEN, by="a", role="learner", reason=reason)
