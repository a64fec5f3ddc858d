"""The findings so far: kept, lengthened, replaced, struck; nothing that was reported is lost."""

from __future__ import annotations

from dictate.findings.finding import Finding, Level

_SAME_STATEMENT = 30.0  # seconds within which the same statement counts once
_CORRECTABLE = 40.0  # seconds that 'make that ...' reaches back
_AT_ONCE = 3.0  # seconds within which a side completes the statement before it
_TOGETHER = 12  # seconds within which results of one item and side belong together


class Book:
    """Findings by id, in the order in which they were made."""

    def __init__(self) -> None:
        self._findings: dict[str, Finding] = {}

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings in the order of their start, struck and superseded ones too."""
        return tuple(sorted(self._findings.values(), key=lambda one: (one.start, one.id)))

    def keep(self, finding: Finding) -> Finding:
        """Add a finding, or lengthen the same statement made just before."""
        for other in reversed(self._findings.values()):
            if finding.start - other.end > _SAME_STATEMENT:
                break
            if other.stands and _now_sided(other, finding):
                # "Full in every corner, so full on the right": the side is said at last.
                del self._findings[other.id]
                start = {
                    "start": other.start,
                    "utterances": (*other.utterances, *finding.utterances),
                }
                finding = finding.model_copy(update=start)
                break
            if other.stands and _same_statement(other, finding):
                longer = other.model_copy(
                    update={
                        "end": max(other.end, finding.end),
                        "level": max(other.level, finding.level, key=lambda one: one.rank),
                    }
                )
                self._findings[other.id] = longer
                return longer
        self._findings[finding.id] = finding
        return finding

    def replace(self, old: Finding, new: Finding) -> None:
        """Let ``new`` take the place of ``old``; both stay in the record."""
        self._findings[new.id] = new
        if new.id != old.id:
            self._findings[old.id] = old.model_copy(update={"superseded_by": new.id})

    def forget(self, finding_id: str) -> None:
        """Take out what turned out to be a question, not a statement."""
        self._findings.pop(finding_id, None)

    def get(self, finding_id: str) -> Finding | None:
        """The finding with this id, None where it is no longer there."""
        return self._findings.get(finding_id)

    def of_item(self, item: str) -> list[Finding]:
        """The standing findings of an item at any level."""
        return [one for one in self._findings.values() if one.item == item and one.stands]

    def results_of(self, item: str) -> list[Finding]:
        """The latest results of an item, those made together."""
        found = [one for one in self.of_item(item) if one.level is not Level.PERFORMED]
        if not found:
            return []
        last = max(found, key=lambda one: (one.start, one.id))
        return [
            one for one in found if one.side == last.side and last.start - one.start < _TOGETHER
        ]

    def last_result_of(self, item: str) -> Finding | None:
        """The last of ``results_of``; None where nothing was told of the item."""
        results = self.results_of(item)
        return results[-1] if results else None

    def results_of_sides(self, item: str) -> list[Finding]:
        """The last result of an item on each side, the newest last."""
        last = {
            one.side: one
            for one in self.of_item(item)
            if one.level is not Level.PERFORMED and one.value is not None
        }
        return list(last.values())

    def recent_of(self, item: str, side: str | None, at: float) -> Finding | None:
        """The standing result of an item and side that can still be corrected."""
        for one in reversed(self._findings.values()):
            if one.item == item and one.side == side and one.stands and one.value is not None:
                return one if at - one.end <= _CORRECTABLE else None
        return None

    def correctable(self, at: float) -> Finding | None:
        """The last result, where it is recent enough to be corrected."""
        last = self._last_result()
        return last if last is not None and at - last.end <= _CORRECTABLE else None

    def strike(self) -> None:
        """Take the last result back."""
        last = self._last_result()
        if last is not None:
            self._findings[last.id] = last.model_copy(update={"struck": True})

    def _last_result(self) -> Finding | None:
        for finding in reversed(self._findings.values()):
            if finding.stands and finding.level is not Level.PERFORMED:
                return finding
        return None


def _now_sided(one: Finding, other: Finding) -> bool:
    """Whether a result without a side is said again at once, with its side."""
    return (
        one.side == "unspecified"
        and other.side in ("left", "right", "both")
        and one.level is not Level.PERFORMED
        and other.start - one.end <= _AT_ONCE
        and _same_statement(one.model_copy(update={"side": other.side}), other)
    )


def _same_statement(one: Finding, other: Finding) -> bool:
    return (
        one.item == other.item
        and one.side == other.side
        and one.site == other.site
        and one.value == other.value
        and one.status == other.status
        and (one.level is Level.PERFORMED) == (other.level is Level.PERFORMED)
    )
