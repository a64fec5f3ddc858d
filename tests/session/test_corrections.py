"""Corrections, confirmations and signatures laid over computed findings."""

from __future__ import annotations

from datetime import datetime, timezone
from decimal import Decimal

from dictate.findings.finding import Finding, Level, Pressure, Value
from dictate.session.corrections import apply_corrections, phrases_in, state_of
from dictate.session.entries import Confirmation, Correction, Mark, Signature

WHEN = datetime(2026, 3, 4, 9, 30, tzinfo=timezone.utc)


def pressure(systolic: int) -> Value:
    return Pressure(systolic=Decimal(systolic), diastolic=Decimal(88))


def finding(name: str, systolic: int = 134, start: float = 5.0) -> Finding:
    return Finding(
        id=name,
        item="vitals.blood_pressure",
        side="right",
        value=pressure(systolic),
        status=None,
        level=Level.MEASURED,
        start=start,
        end=start + 2,
        words="one thirty four of eighty eight",
        doubts=("'of' was heard for 'over'.",),
        alternatives=(pressure(130),),
    )


def test_a_replacement_keeps_what_was_heard() -> None:
    heard = finding("f1")
    changed = heard.model_copy(update={"value": pressure(143), "doubts": ()})
    entry = Correction(at=WHEN, by="learner-4", before=heard, after=changed, reason="misheard")
    result = apply_corrections([heard, finding("f2", start=1)], [entry])
    assert [one.id for one in result.findings] == ["f2", "f1", "f1.by-hand-1"]
    old, new = result.findings[1:]
    assert not old.stands and old.superseded_by == new.id and old.value == pressure(134)
    assert new.stands and new.by_hand and new.value == pressure(143)


def test_striking_adding_and_replacing_twice() -> None:
    heard = finding("f1")
    first = heard.model_copy(update={"value": pressure(143)})
    second = first.model_copy(update={"id": "f1.by-hand-1", "value": pressure(144)})
    shown = first.model_copy(update={"id": "f1.by-hand-1", "by_hand": True})
    added = finding("hand-1", systolic=120, start=9)
    result = apply_corrections(
        [heard],
        [
            Correction(at=WHEN, by="a", before=heard, after=first),
            Correction(at=WHEN, by="b", before=shown, after=second),
            Correction(at=WHEN, by="b", before=None, after=added),
            Correction(at=WHEN, by="b", before=added, after=None),
        ],
    )
    assert result.problems == ()
    standing = [one for one in result.findings if one.stands]
    assert [one.value for one in standing] == [pressure(144)]
    assert len(result.findings) == 4
    assert next(one for one in result.findings if one.id == "hand-1").struck


def test_a_confirmation_lifts_doubts_only_from_what_was_seen() -> None:
    heard = finding("f1")
    confirmed = apply_corrections([heard], [Confirmation(at=WHEN, by="a", seen=heard)])
    assert not confirmed.findings[0].doubtful and confirmed.problems == ()
    now_other = finding("f1", systolic=184)
    kept = apply_corrections([now_other], [Confirmation(at=WHEN, by="a", seen=heard)])
    assert kept.findings[0].doubtful
    assert "not applied" in kept.problems[0]


def test_a_correction_of_something_no_longer_computed_is_kept_and_named() -> None:
    gone = finding("gone")
    changed = gone.model_copy(update={"value": pressure(143)})
    result = apply_corrections([], [Correction(at=WHEN, by="a", before=gone, after=changed)])
    assert [one.value for one in result.findings] == [pressure(143)]
    assert "no longer" in result.problems[0]


def test_the_state_follows_signatures() -> None:
    signed = Signature(at=WHEN, by="a", role="learner")
    change = Correction(at=WHEN, by="a", before=finding("f1"), after=None)
    mark = Mark(at=WHEN, seconds=1)
    assert state_of([change, mark]) == "preliminary"
    assert state_of([change, signed, mark]) == "final"
    assert state_of([signed, change]) == "amended"
    assert state_of([signed, change, signed]) == "amended"
    assert phrases_in([signed, mark]) == ()
