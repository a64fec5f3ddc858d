"""Everything a person can do on the page, through the page: lines of the journal and what follows."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from dictate.errors import UserFault
from dictate.exam.course import marking_sheet
from dictate.findings.finding import Choice, Finding, Grade, Level, Pressure, Quantity
from dictate.outputs.fhir.reading import session_from
from dictate.review.reviewed import OpenSession
from dictate.review.telling import history
from dictate.review.worklist import Worklist, worklist
from dictate.session.entries import (
    Amendment,
    Comment,
    Correction,
    Judged,
    Score,
    Signature,
    Undo,
    now,
)
from dictate.session.journal import JOURNAL_NAME, Journal, read_journal
from tests.review.conftest import Page, running, usual
from tests.review.invented import write_session


def held(page: Page) -> OpenSession:
    return page.shelf.session(page.key)


def work(page: Page) -> Worklist:
    return worklist(held(page))


def standing(page: Page, item: str) -> list[Finding]:
    return [one for one in held(page).session.findings if one.item == item and one.stands]


def the(page: Page, item: str) -> Finding:
    """The finding of an item that says the most."""
    return max(standing(page, item), key=lambda one: one.level.rank)


def plain(text: str) -> str:
    """The text with every kind of blank as one blank."""
    return " ".join(text.split())


def rules(page: Page) -> set[str]:
    return {one.rule for one in held(page).session.flags}


def done(page: Page, act: str, **sent: Any) -> dict[str, str]:
    answer = page.do(act, **sent)
    assert answer.status == 200, answer.text
    assert answer.json["head"] == held(page).head
    parts: dict[str, str] = answer.json["parts"]
    return parts


def refused(page: Page, act: str, **sent: Any) -> str:
    before = (page.root / JOURNAL_NAME).read_bytes()
    answer = page.do(act, **sent)
    assert answer.status == 409, answer.text
    assert (page.root / JOURNAL_NAME).read_bytes() == before
    fault: str = answer.json["fault"]
    return fault


def test_doubtful_values_come_first_with_what_was_heard_and_why(page: Page) -> None:
    doubts = work(page).doubts
    assert [one.findings[0].item for one in doubts] == [
        "vitals.pulse_rate",
        "vitals.respiratory_rate",
        "eyes.direct_response",
    ]
    text = plain(page.get(f"/s/{page.key}/").text)
    task = text[text.index('id="doubt-') : text.index("</article>")]
    assert "pulse is fifteen" in task and "data-clip=" in task and "50 /min" in task
    assert "second decoding of the sound" in task and "recognised 90%" in task
    source = next(one.source for one in doubts[0].remarks if "plausible" in one.sentence)
    assert source and source in task
    assert text.index("To confirm") < text.index("Remarks of the checks")


def test_accepting_settles_the_doubt_and_keeps_the_value(page: Page) -> None:
    pulse = the(page, "vitals.pulse_rate")
    parts = done(page, "accept", finding=pulse.id)
    assert f"doubt-{pulse.id}" not in parts["worklist"]
    after = the(page, "vitals.pulse_rate")
    assert not after.doubtful and after.value == pulse.value
    assert "Accepted: Pulse rate" in parts["record"]


def test_an_alternative_takes_the_value_s_place_and_the_checks_run_again(page: Page) -> None:
    pulse = the(page, "vitals.pulse_rate")
    assert "implausible:vitals.pulse_rate" in rules(page)
    done(page, "change", finding=pulse.id, alternative=0)
    after = the(page, "vitals.pulse_rate")
    assert isinstance(after.value, Quantity) and after.value.number == 50
    assert after.by_hand and not after.doubtful
    assert "implausible:vitals.pulse_rate" not in rules(page)
    last = held(page).entries[-1]
    assert isinstance(last, Correction) and last.by == "ln-04"
    assert last.before == pulse and last.after is not None
    assert "no longer offered" in refused(page, "change", finding=after.id, alternative=0)


def test_value_side_and_status_can_be_typed_and_nothing_is_overwritten(page: Page) -> None:
    first = the(page, "vitals.blood_pressure")
    typed = {"number": "118", "second": "76", "side": "left", "status": "normal"}
    done(page, "change", finding=first.id, typed=typed, text="I said it wrongly")
    after = the(page, "vitals.blood_pressure")
    assert isinstance(after.value, Pressure)
    assert (after.value.systolic, after.value.diastolic) == (118, 76)
    assert (after.side, after.status) == ("left", "normal")
    replaced = next(one for one in held(page).session.findings if one.id == first.id)
    assert replaced.superseded_by == after.id and replaced.value == first.value
    record = page.get(f"/s/{page.key}/").text
    assert "I said it wrongly" in record and "134/88" in record and "118/76" in record
    assert "Nothing was changed" in refused(page, "change", finding=after.id, typed=typed)
    assert "does not stand any more" in refused(page, "change", finding=first.id, typed=typed)


def test_a_grade_that_is_typed_is_written_as_one_that_is_heard(page: Page) -> None:
    heard = the(page, "mouth.tonsils")
    parts = done(page, "change", finding=heard.id, typed={"number": "3"})
    after = the(page, "mouth.tonsils").value
    assert isinstance(heard.value, Grade) and isinstance(after, Grade)
    assert after == heard.value.model_copy(update={"grade": after.grade})
    assert "3+" in parts["items"] and "3/4" not in parts["items"]


def test_a_result_and_its_status_follow_each_other(page: Page) -> None:
    light = the(page, "eyes.direct_response")
    done(page, "change", finding=light.id, typed={"code": "sluggish", "status": "auto"})
    after = the(page, "eyes.direct_response")
    assert isinstance(after.value, Choice) and after.value.code == "sluggish"
    assert after.status == "abnormal" and after.side == "left"


@pytest.mark.parametrize(
    ("item", "typed", "fault"),
    [
        ("vitals.pulse_rate", {"number": "seventy"}, "in digits"),
        ("vitals.pulse_rate", {"number": "-4"}, "not below zero"),
        ("vitals.pulse_rate", {"number": "NaN"}, "in digits"),
        ("vitals.pulse_rate", {"number": "1e9999"}, "in digits"),
        ("vitals.pulse_rate", {"number": "70", "second": "60"}, "below its lower end"),
        ("vitals.temperature", {"number": "37", "unit": "kg"}, "not given in that unit"),
        ("vitals.blood_pressure", {"number": "120"}, "diastolic"),
        ("vitals.blood_pressure", {"number": "120", "second": "80", "side": "middle"}, "the side"),
        ("mouth.tonsils", {"number": "9"}, "goes from"),
        ("eyes.conjunctiva", {"code": "purple"}, "no such result"),
        ("eyes.conjunctiva", {"code": "pink", "status": "splendid"}, "not one of the list"),
    ],
)
def test_what_does_not_fit_is_refused_in_a_sentence(
    page: Page, item: str, typed: dict[str, str], fault: str
) -> None:
    assert fault in refused(page, "change", finding=the(page, item).id, typed=typed)


def test_rejecting_strikes_and_coverage_follows(page: Page) -> None:
    tonsils = the(page, "mouth.tonsils")
    assert held(page).session.coverage["mouth.tonsils"].level is Level.MEASURED
    parts = done(page, "reject", finding=tonsils.id, text="never examined")
    assert held(page).session.coverage["mouth.tonsils"].level is Level.UNSPOKEN
    assert 'data-add="mouth.tonsils"' in parts["unspoken"]
    struck = next(one for one in held(page).session.findings if one.id == tonsils.id)
    assert struck.struck and struck.value == tonsils.value
    assert "unusual:mouth.tonsils" not in rules(page)
    assert "Rejected: Tonsils" in parts["record"] and "never examined" in parts["record"]


def test_a_finding_that_was_not_heard_is_added_and_marked(page: Page) -> None:
    assert any("Height" in one.sentence for one in held(page).session.flags)
    typed = {"item": "vitals.height", "number": "181", "unit": "cm", "at": "7.5"}
    parts = done(page, "add", typed=typed, text="read off the scale")
    added = the(page, "vitals.height")
    assert added.by_hand and added.start == 7.5 and "not heard" in added.words
    assert "by hand" in parts["items"]
    missing = [one for one in held(page).session.flags if one.rule == "missing_vital:vitals"]
    assert not any("Height" in one.sentence for one in missing)
    assert "Choose an item" in refused(page, "add", typed={"item": "vitals.nothing"})
    done(page, "add", typed={"item": "vitals.weight", "number": "70", "at": "99999"})
    assert the(page, "vitals.weight").start == held(page).session.info.seconds


def test_a_remark_that_was_seen_moves_down_and_stays_in_the_record(page: Page) -> None:
    flag = next(one for one in work(page).flags if one.rule == "missing_vital:vitals")
    done(page, "acknowledge", rule=flag.rule, sentence=flag.sentence)
    assert flag.sentence in [one.sentence for one in work(page).seen]
    assert flag.rule in rules(page)
    assert "no longer made" in refused(page, "acknowledge", rule=flag.rule, sentence="other")


def test_everything_can_be_taken_back_in_turn(page: Page) -> None:
    before, tasks = held(page).session.findings, work(page)
    pulse, tonsils = the(page, "vitals.pulse_rate"), the(page, "mouth.tonsils")
    flag = tasks.flags[0]
    page.be("in-1", "instructor")
    done(page, "accept", finding=pulse.id)
    done(page, "reject", finding=tonsils.id)
    done(page, "add", typed={"item": "vitals.height", "number": "181"})
    done(page, "acknowledge", rule=flag.rule, sentence=flag.sentence)
    done(page, "comment", text="look here", seconds=3)
    done(page, "score", criterion="done_general", points="1")
    lines = len(held(page).entries)
    for _ in range(6):
        done(page, "undo")
    assert held(page).session.findings == before and work(page) == tasks
    assert not held(page).comments() and not held(page).marks()
    entries = held(page).entries
    assert len(entries) == lines + 6 and all(isinstance(one, Undo) for one in entries[-6:])
    assert "nothing to take back" in refused(page, "undo")
    page_text = page.get(f"/s/{page.key}/").text
    assert page_text.count("taken back</span>") == 6
    assert read_journal(page.root / JOURNAL_NAME).intact


def test_two_windows_cannot_change_the_same_session_unseen(page: Page) -> None:
    old = held(page).head
    done(page, "comment", text="first window")
    assert "in another window" in refused(page, "comment", text="second window", head=old)


def test_what_is_open_here_is_refused_to_other_programs(page: Page) -> None:
    held(page)
    with pytest.raises(UserFault, match="open in another program"):
        Journal.reopen(page.root)


def test_marks_are_the_instructor_s_alone(page: Page) -> None:
    assert "given by the instructor" in refused(page, "score", criterion="done_general", points="1")
    page.be("in-1", "instructor")
    text = page.get(f"/s/{page.key}/").text
    assert "Heard: 0 of 12 required items" in text
    assert not held(page).marks()  # nothing is marked by the program
    for points, fault in (("2.5", "takes 0 to 2"), ("-1", "takes 0 to 2"), ("x", "is a number")):
        assert fault in refused(page, "score", criterion="done_general", points=points)
    assert "not on the course's sheet" in refused(page, "score", criterion="charm", points="1")
    done(page, "score", criterion="done_general", points="1,5", text="hands not cleaned")
    kinds = {one.kind: one for one in reversed(marking_sheet(held(page).checklist))}
    assert {"done", "order", "technique", "communication"} <= kinds.keys()
    parts = done(page, "score", criterion=kinds["technique"].id, points="1")
    assert isinstance(held(page).entries[-1], Score)
    most = Decimal(str(kinds["technique"].points)) + 2
    assert f">2.5</b> of {most:g} points given; 2 of" in parts["marks"]
    done(page, "score", criterion="done_general", points="")
    assert list(held(page).marks()) == [kinds["technique"].id]


def test_comments_are_pinned_to_a_moment_and_heard_from_there(page: Page) -> None:
    parts = done(page, "comment", text="cuff over the sleeve", seconds=4.25)
    assert 'data-clip="2.25 12.25"' in parts["comments"] and "p-comment" in parts["timeline"]
    done(page, "comment", text="well spoken", seconds=None)
    last = held(page).entries[-1]
    assert isinstance(last, Comment) and last.seconds is None
    assert "is empty" in refused(page, "comment", text="   ")


def fhir_state(folder: Path) -> str:
    """What the bundle says of itself and of a value that nobody doubts."""
    bundle = json.loads((folder / "fhir-bundle.json").read_text(encoding="utf-8"))
    state = session_from(bundle, usual().catalogue).state
    states = {
        one["resource"]["status"]
        for one in bundle["entry"]
        if one["resource"]["resourceType"] == "Observation"
    }
    assert state in states and states <= {state, "preliminary", "entered-in-error"}
    return state


CHANGES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("accept", {"finding": "{pulse}"}),
    ("change", {"finding": "{pulse}", "typed": {"number": "66"}}),
    ("change", {"finding": "{pulse}", "alternative": 0}),
    ("reject", {"finding": "{pulse}"}),
    ("add", {"typed": {"item": "vitals.height", "number": "181"}}),
    ("acknowledge", {"rule": "{rule}", "sentence": "{sentence}"}),
    ("undo", {}),
)


def test_a_signed_record_is_read_only_until_it_is_amended_with_a_reason(page: Page) -> None:
    pulse, flag = the(page, "vitals.pulse_rate"), work(page).flags[0]
    fill = {"pulse": pulse.id, "rule": flag.rule, "sentence": flag.sentence}
    done(page, "comment", text="before the signature")
    done(page, "write")
    assert fhir_state(page.root) == "preliminary"
    assert "not signed" in refused(page, "amend", text="too early")

    signed = done(page, "sign", text="my own practice")
    assert "read-only" in signed["worklist"] and "my own practice" in signed["record"]
    assert 'data-do="accept"' not in signed["worklist"]
    assert fhir_state(page.root) == "final"
    signature = held(page).entries[-1]
    assert isinstance(signature, Signature) and signature.findings_sha256
    for act, sent in CHANGES:
        filled = {k: v.format(**fill) if isinstance(v, str) else v for k, v in sent.items()}
        assert refused(page, act, **filled)
    assert "has signed already" in refused(page, "sign")

    assert "for a reason only" in refused(page, "amend", text="  ")
    opened = done(page, "amend", text="the pulse was misheard")
    assert "the pulse was misheard" in opened["record"]
    assert isinstance(held(page).entries[-1], Amendment)
    assert fhir_state(page.root) == "amended"  # the files beside it do not stay 'final'
    done(page, "change", finding=pulse.id, alternative=0)
    assert held(page).session.state == "amended"
    done(page, "sign", text="put right")
    assert fhir_state(page.root) == "amended"
    assert read_journal(page.root / JOURNAL_NAME).intact


def test_the_history_tells_by_which_course_a_session_is_judged_since(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "session")
    journal, _ = Journal.reopen(folder)
    with journal:
        journal.add(
            Judged(
                at=now(),
                by="in-1",
                course="rounds@2",
                exam_version="v",
                before="usual",
                reason="the new term <b>",
            )
        )
    with running(folder) as page:
        page.enter()
        told = history(held(page))[0]
        assert (told.by, told.before, told.after) == ("in-1", "usual", "rounds@2")
        assert told.what == "Judged by another course"
        text = page.get(f"/s/{page.key}/").text
    assert "the new term &lt;b&gt;" in text and "<ins>rounds@2</ins>" in text


def test_the_instructor_countersigns_after_the_learner_and_closes_marks_too(page: Page) -> None:
    page.be("in-1", "instructor")
    assert "learner signs first" in refused(page, "sign")
    page.be("ln-04", "learner")
    done(page, "sign")
    page.be("ln-04", "instructor")
    assert "code of their own" in refused(page, "sign")
    page.be("in-1", "instructor")
    done(page, "score", criterion="done_general", points="2")  # marks come after the learner signs
    parts = done(page, "sign", text="good work on the eyes")
    assert "Countersigned" in parts["record"] and "good work on the eyes" in parts["record"]
    assert [one.role for one in held(page).signatures] == ["learner", "instructor"]
    assert "countersigned and closed" in refused(
        page, "score", criterion="done_general", points="1"
    )
    assert "countersigned and closed" in refused(page, "comment", text="late")


def test_the_hash_that_is_shown_stands_for_every_line(page: Page) -> None:
    done(page, "comment", text="one")
    parts = done(page, "sign")
    reading = read_journal(page.root / JOURNAL_NAME)
    assert reading.intact and f'id="journal-head">{reading.head}<' in parts["record"]
    assert "Every line fits the one before" in parts["record"]


def test_a_journal_that_was_tampered_with_says_so_on_the_page(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "session")
    path = folder / JOURNAL_NAME
    path.write_text(path.read_text().replace('"fifteen"', '"seventy"'))
    with running(folder) as page:
        page.enter()
        text = page.get(f"/s/{page.key}/").text
    assert "The chain of lines is damaged" in text and 'class="notice"' in text


def test_outputs_written_from_the_page_hold_what_was_corrected(page: Page) -> None:
    done(page, "change", finding=the(page, "vitals.pulse_rate").id, alternative=0)
    done(page, "reject", finding=the(page, "mouth.tonsils").id)
    done(page, "write")
    with (page.root / "findings.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    pulses = [one for one in rows if one["item"] == "vitals.pulse_rate"]
    assert [one["number"] for one in pulses if one["stands"] == "yes"] == ["50"]
    tonsils = [one for one in rows if one["item"] == "mouth.tonsils"]
    assert [one["stands"] for one in tonsils] == ["no"]
    note = plain(page.get(f"/s/{page.key}/note").text)
    assert "50 /min" in note


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Page]:
    for name in ("monday", "tuesday"):
        write_session(tmp_path / "week" / name)
    with running(tmp_path / "week") as page:
        page.enter()
        yield page


def test_a_folder_of_sessions_lists_them_and_keeps_them_apart(shelf: Page) -> None:
    listed = shelf.get("/").text
    assert "monday" in listed and "tuesday" in listed and listed.count("Preliminary") == 2
    first, second = shelf.shelf.folders()
    head = shelf.shelf.session(first).head
    sent = {"head": head, "text": "signed"}
    assert shelf.post(f"/s/{first}/do/sign", sent).status == 200
    assert shelf.shelf.session(first).closed and not shelf.shelf.session(second).closed
    assert "by ln-04" in shelf.get("/").text
    assert shelf.get("/s/0123456789abcdef/").status == 404
