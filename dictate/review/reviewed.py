"""A session open for review: its journal, what is computed from it, and what people do to it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

from dictate.conversion import corrected_session, opened
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.exam.course import Checklist, marking_sheet
from dictate.findings.finding import Finding
from dictate.pipeline import understand
from dictate.session.corrections import (
    findings_digest,
    in_force,
    last_undoable,
    phrases_in,
    signatures_in_force,
)
from dictate.session.entries import (
    Acknowledgement,
    Amendment,
    Comment,
    Confirmation,
    Correction,
    Entry,
    Role,
    Score,
    Signature,
    Undo,
    now,
)
from dictate.session.journal import Journal
from dictate.session.record import Session


class Who(NamedTuple):
    """The person at the page: a code and not a name, and the part they play."""

    code: str
    role: Role


class OpenSession:
    """One session whose journal this process holds until :meth:`close`.

    Every act writes one line into the journal and computes the session again; what was
    understood from the talk is computed once, since the phrases stay as they are.

    Args:
        folder: the session's folder.
        checklist: the exam that it was made by.

    Raises:
        UserFault: there is no session, it cannot be read, or another program has it open.
    """

    def __init__(self, folder: Path, checklist: Checklist) -> None:
        self.folder = folder
        self.checklist = checklist
        self.turn = threading.RLock()
        self._journal, _ = Journal.reopen(folder)
        try:
            # Read again: opening may have cut off a torn line and added a notice about it.
            self.info, reading = opened(folder)
            self.problems = reading.problems
            self._entries: list[Entry] = list(reading.entries)
            self._phrases = phrases_in(self._entries)
            self._understood = understand(self._phrases, checklist.catalogue)
            self.session = self._computed()
        except BaseException:
            self._journal.close()
            raise

    def close(self) -> None:
        """Give the journal free for others."""
        self._journal.close()

    @property
    def catalogue(self) -> Catalogue:
        """The exam in force."""
        return self.checklist.catalogue

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Every line of the journal so far."""
        return tuple(self._entries)

    @property
    def head(self) -> str:
        """SHA-256 of the journal's last line, which stands for all of it."""
        return self._journal.head

    @property
    def signatures(self) -> tuple[Signature, ...]:
        """Those that close the record now."""
        return self._signatures

    @property
    def closed(self) -> bool:
        """True once signed: findings can then only be changed by an amendment."""
        return bool(self.signatures)

    @property
    def countersigned(self) -> bool:
        """True once an instructor has signed: marks and comments are closed too."""
        return any(one.role == "instructor" for one in self.signatures)

    def finding(self, finding_id: str) -> Finding:
        """The finding with this id that stands.

        Raises:
            UserFault: there is none (any more).
        """
        for finding in self.session.findings:
            if finding.id == finding_id and finding.stands:
                return finding
        raise UserFault("This finding does not stand any more; load the page again.")

    def accept(self, who: Who, finding_id: str) -> None:
        """Let a finding stand as it is.

        Raises:
            UserFault: the record is signed, or the finding does not stand.
        """
        self._must_be_open()
        self._add(Confirmation(at=now(), by=who.code, seen=self.finding(finding_id)))

    def change(self, who: Who, finding_id: str, after: Finding, reason: str = "") -> None:
        """Put ``after`` in a finding's place.

        Raises:
            UserFault: the record is signed, the finding does not stand, or nothing differs.
        """
        self._must_be_open()
        before = self.finding(finding_id)
        if _told(after) == _told(before):
            raise UserFault("Nothing was changed; use 'Accept' to let the finding stand.")
        self._add(Correction(at=now(), by=who.code, before=before, after=after, reason=reason))

    def reject(self, who: Who, finding_id: str, reason: str = "") -> None:
        """Strike a finding; it stays in the record as struck.

        Raises:
            UserFault: the record is signed, or the finding does not stand.
        """
        self._must_be_open()
        before = self.finding(finding_id)
        self._add(Correction(at=now(), by=who.code, before=before, after=None, reason=reason))

    def add(self, who: Who, finding: Finding, reason: str = "") -> None:
        """Add a finding that was not heard; it is marked as entered by hand.

        Raises:
            UserFault: the record is signed.
        """
        self._must_be_open()
        self._add(Correction(at=now(), by=who.code, before=None, after=finding, reason=reason))

    def acknowledge(self, who: Who, rule: str, sentence: str) -> None:
        """Note that a flag was seen.

        Raises:
            UserFault: the record is signed, or there is no such flag.
        """
        self._must_be_open()
        if not any(one.rule == rule and one.sentence == sentence for one in self.session.flags):
            raise UserFault("This remark is no longer made; load the page again.")
        self._add(Acknowledgement(at=now(), by=who.code, rule=rule, sentence=sentence))

    def undo(self, who: Who) -> None:
        """Take back the last thing done since the last signature.

        Raises:
            UserFault: there is nothing to take back.
        """
        last = last_undoable(self._entries)
        if last is None:
            raise UserFault("There is nothing to take back since the last signature.")
        self._add(Undo(at=now(), by=who.code, undone=last))

    def score(self, who: Who, criterion: str, points: Decimal | None, remark: str = "") -> None:
        """Give a mark, or take it away with None.

        Raises:
            UserFault: the person is no instructor, the record is countersigned, there is no
                such criterion, or the points are beyond it.
        """
        self._must_be_instructor(who)
        self._must_not_be_countersigned()
        line = next((one for one in marking_sheet(self.checklist) if one.id == criterion), None)
        if line is None:
            raise UserFault("This criterion is not on the course's sheet; load the page again.")
        most = Decimal(str(line.points))
        if points is not None and not 0 <= points <= most:
            raise UserFault(f"'{line.title}' takes 0 to {most} points; give a number in between.")
        self._add(
            Score(
                at=now(), by=who.code, criterion=criterion, points=points, most=most, remark=remark
            )
        )

    def comment(self, who: Who, seconds: float | None, text: str) -> None:
        """Pin a remark to a moment, or to the whole session with None.

        Raises:
            UserFault: it is empty, or the record is countersigned.
        """
        self._must_not_be_countersigned()
        if not text.strip():
            raise UserFault("The comment is empty; write something first.")
        self._add(Comment(at=now(), by=who.code, role=who.role, seconds=seconds, text=text.strip()))

    def sign(self, who: Who, comment: str = "") -> None:
        """Sign as the learner, or countersign as the instructor.

        Raises:
            UserFault: this signature is not due, or it would be one person's for both parts.
        """
        if any(one.role == who.role for one in self.signatures):
            raise UserFault(f"The {who.role} has signed already.")
        if who.role == "learner" and self.closed:
            raise UserFault("The instructor has closed the record; amend it first.")
        ever = any(isinstance(one, Signature) and one.role == "learner" for one in self._entries)
        if who.role == "instructor" and not ever:
            raise UserFault("The learner signs first, then the instructor countersigns.")
        if who.role == "instructor" and any(one.by == who.code for one in self.signatures):
            raise UserFault(
                f"'{who.code}' has signed as the learner; an instructor countersigns under a code "
                "of their own, written at the top."
            )
        self._add(
            Signature(
                at=now(),
                by=who.code,
                role=who.role,
                comment=comment.strip(),
                findings_sha256=findings_digest(self.session.findings),
            )
        )

    def amend(self, who: Who, reason: str) -> None:
        """Open a signed record again.

        Raises:
            UserFault: it is not signed, or no reason is given.
        """
        if not self.closed:
            raise UserFault("The record is not signed, so it can be changed as it is.")
        if not reason.strip():
            raise UserFault("A signed record is opened again for a reason only; write it down.")
        self._add(Amendment(at=now(), by=who.code, role=who.role, reason=reason.strip()))

    def marks(self) -> dict[str, Score]:
        """The marks that count, by criterion."""
        held: dict[str, Score] = {}
        for entry in in_force(self._entries):
            if isinstance(entry, Score):
                held[entry.criterion] = entry
        return {key: one for key, one in held.items() if one.points is not None}

    def comments(self) -> tuple[Comment, ...]:
        """The comments that were not taken back, in order of time; those about all come last."""
        held = [one for one in in_force(self._entries) if isinstance(one, Comment)]
        return tuple(
            sorted(held, key=lambda one: float("inf") if one.seconds is None else one.seconds)
        )

    def hand_number(self) -> int:
        """The next number for a finding entered by hand."""
        made = [one for one in self._entries if isinstance(one, Correction) and one.before is None]
        return len(made) + 1

    def _add(self, entry: Entry) -> None:
        with self.turn:
            self._journal.add(entry)
            self._entries.append(entry)
            self.session = self._computed()

    def _computed(self) -> Session:
        # Kept, because a page asks hundreds of times whether the record is closed.
        self._signatures = signatures_in_force(self._entries)
        session = corrected_session(
            self.info, tuple(self._entries), self._phrases, self._understood, self.catalogue
        )
        if not self.problems:
            return session
        notices = (*session.info.notices, *self.problems)
        return session.model_copy(
            update={"info": session.info.model_copy(update={"notices": notices})}
        )

    def _must_be_open(self) -> None:
        if self.closed:
            raise UserFault("The record is signed and read-only; amend it with a reason first.")

    def _must_not_be_countersigned(self) -> None:
        if self.countersigned:
            raise UserFault("The record is countersigned and closed; amend it with a reason first.")

    @staticmethod
    def _must_be_instructor(who: Who) -> None:
        if who.role != "instructor":
            raise UserFault("Marks are given by the instructor; choose that part at the top first.")


def _told(finding: Finding) -> Sequence[object]:
    return (finding.value, finding.side, finding.site, finding.status)
