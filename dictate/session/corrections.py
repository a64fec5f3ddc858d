"""What people did to the findings, laid over the findings computed from the talk."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict

from dictate.findings.finding import Finding
from dictate.recognition.words import HeardPhrase
from dictate.session.entries import (
    Acknowledgement,
    Amendment,
    Comment,
    Confirmation,
    Correction,
    Entry,
    PhraseHeard,
    Score,
    Signature,
    Undo,
)

State = Literal["preliminary", "final", "amended"]


class Corrected(BaseModel):
    """Findings after corrections; nothing is lost, what was replaced stays marked so."""

    model_config = ConfigDict(frozen=True)

    findings: tuple[Finding, ...]
    problems: tuple[str, ...] = ()


def apply_corrections(findings: Iterable[Finding], entries: Iterable[Entry]) -> Corrected:
    """Lay corrections and confirmations over computed findings, in the journal's order.

    A replaced finding keeps its place and points to its successor; a struck one is
    marked; a confirmed one loses its doubts, but only where it still reads as the
    person saw it. A correction whose finding is no longer computed (other engine or
    exam data) still brings its own result and is named in ``problems``. What was taken
    back is passed over.
    """
    kept = {finding.id: finding for finding in findings}
    problems: list[str] = []
    for entry in in_force(entries):
        if isinstance(entry, Confirmation):
            known = kept.get(entry.seen.id)
            if known is None or not _same_statement(known, entry.seen):
                problems.append(
                    f"A confirmation by {entry.by} is about '{entry.seen.words}', which now "
                    "reads otherwise; it is not applied."
                )
                continue
            kept[known.id] = known.model_copy(update={"doubts": (), "alternatives": ()})
        elif isinstance(entry, Correction):
            _apply(entry, kept, problems)
    ordered = sorted(kept.values(), key=lambda finding: (finding.start, finding.end))
    return Corrected(findings=tuple(ordered), problems=tuple(problems))


def _apply(entry: Correction, kept: dict[str, Finding], problems: list[str]) -> None:
    after = entry.after
    if after is not None:
        after = after.model_copy(
            update={"id": _free_id(after.id, kept), "by_hand": True, "confidence": 1.0}
        )
    if entry.before is not None:
        known = kept.get(entry.before.id)
        if known is None:
            problems.append(
                f"A correction by {entry.by} is about '{entry.before.words}', which is no longer "
                "among the findings."
            )
        elif after is None:
            kept[known.id] = known.model_copy(update={"struck": True})
        else:
            kept[known.id] = known.model_copy(update={"superseded_by": after.id})
    if after is not None:
        kept[after.id] = after


def _same_statement(one: Finding, other: Finding) -> bool:
    return (one.item, one.side, one.site, one.value, one.status) == (
        other.item,
        other.side,
        other.site,
        other.value,
        other.status,
    )


def _free_id(wanted: str, kept: dict[str, Finding]) -> str:
    """``wanted`` or, where it is taken (a replacement copied from its original), a next one."""
    if wanted not in kept:
        return wanted
    stem, count = wanted, 1
    while f"{stem}.by-hand-{count}" in kept:
        count += 1
    return f"{stem}.by-hand-{count}"


def state_of(entries: Iterable[Entry]) -> State:
    """Preliminary until signed, then final; amended once changed after a signature."""
    state: State = "preliminary"
    signed = False
    for entry in entries:
        if isinstance(entry, Signature):
            state = "amended" if state == "amended" else "final"
            signed = True
        elif signed and isinstance(entry, Correction | Confirmation | Undo | Amendment):
            state = "amended"
    return state


def in_force(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries without those that were taken back, and without the taking back itself."""
    kept: list[Entry] = []
    for entry in entries:
        if not isinstance(entry, Undo):
            kept.append(entry)
            continue
        for place in range(len(kept) - 1, -1, -1):
            if kept[place] == entry.undone:
                del kept[place]
                break
    return tuple(kept)


def last_undoable(
    entries: Iterable[Entry],
) -> Correction | Confirmation | Score | Comment | Acknowledgement | None:
    """The last thing that can be taken back: done since the last signature or amendment."""
    for entry in reversed(in_force(entries)):
        if isinstance(entry, Signature | Amendment):
            return None
        if isinstance(entry, Correction | Confirmation | Score | Comment | Acknowledgement):
            return entry
    return None


def signatures_in_force(entries: Iterable[Entry]) -> tuple[Signature, ...]:
    """The signatures that close the record now: those given since it was last opened again."""
    held: list[Signature] = []
    for entry in entries:
        if isinstance(entry, Signature):
            held.append(entry)
        elif isinstance(entry, Amendment):
            held.clear()
    return tuple(held)


def findings_digest(findings: Sequence[Finding]) -> str:
    """SHA-256 over all findings in their order, as hexadecimal digits.

    A signature keeps it, so that a later computation by another version of the program
    or of the exam data cannot pass for what was signed.
    """
    digest = hashlib.sha256()
    for finding in findings:
        digest.update(finding.model_dump_json().encode("utf-8"))
        digest.update(b"\n")
    return digest.hexdigest()


def signed_otherwise(findings: Sequence[Finding], entries: Iterable[Entry]) -> str | None:
    """A sentence where the findings are not those that were signed; None where they are."""
    signed = [one for one in signatures_in_force(entries) if one.findings_sha256]
    if not signed or signed[-1].findings_sha256 == findings_digest(findings):
        return None
    return (
        f"The findings are not those that {signed[-1].by} signed: the program or the exam data "
        "have changed since; compare with the note that was written at the signature."
    )


def phrases_in(entries: Iterable[Entry]) -> tuple[HeardPhrase, ...]:
    """The heard phrases of a journal, in the order in which they were written."""
    return tuple(entry.phrase for entry in entries if isinstance(entry, PhraseHeard))
