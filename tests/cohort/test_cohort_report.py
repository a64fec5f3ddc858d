"""What the cohort is told, on sessions whose habits were put in."""

from __future__ import annotations

import csv
import io
import json
import random
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from dictate.cohort.digest import Expected, Told
from dictate.cohort.digesting import checklist_for, expected_of
from dictate.cohort.history import RECENT, learners_of, most_missed, sessions_of
from dictate.cohort.index import Index, Stamp
from dictate.cohort.pairs import WITHIN_DAYS, agreement_of
from dictate.cohort.plots import figures_of
from dictate.cohort.practice import plan, spoken_prompt
from dictate.cohort.proportions import wilson
from dictate.cohort.repetition import repetitions
from dictate.cohort.report import learners_csv, render_page, repeated_words, report_on
from dictate.commands.practice import say
from dictate.errors import UserFault
from dictate.session.entries import Amendment, Comment, now
from dictate.session.journal import JOURNAL_NAME, Journal
from tests.cohort.folders import VITALS, made_session
from tests.cohort.invented import cohort, session
from tests.trust.running import dictate, one_sentence

ODD = "M$x$<b>"
LEFT_OUT = frozenset({"eyes.pupil_size", "heart.rhythm"})


@pytest.fixture(scope="module")
def expected() -> tuple[Expected, ...]:
    return expected_of(checklist_for("usual"))


@pytest.fixture
def index(tmp_path: Path) -> Iterator[Index]:
    with Index.open(tmp_path / "index.sqlite") as held:
        yield held


def test_standing_is_that_of_the_recent_sessions(
    index: Index, expected: tuple[Expected, ...]
) -> None:
    chance = random.Random(1)
    made = [
        session(expected, chance, learner="ann", partner=f"P{week}", day=7.0 * week, skill=0.6)
        for week in range(RECENT + 2)
    ]
    for number, one in enumerate(reversed(made)):
        index.add(f"{number}", Stamp(1, 1), one, expected)
    (ann,) = learners_of(index.connection)
    assert [row.started for row in ann.sessions] == [one.started for one in made]
    best: dict[tuple[str, str], int] = {}
    for one in made[-RECENT:]:
        for line in one.spoken:
            best[line.item, line.side] = max(line.level, best.get((line.item, line.side), 0))
    for region, held in ann.regions.items():
        levels = [
            best.get((line.item, line.side), 0)
            for line in expected
            if line.item.startswith(f"{region}.")
        ]
        assert (held.expected, held.performed, held.reported, held.measured) == (
            len(levels), levels.count(1), levels.count(2), levels.count(3),
        )  # fmt: skip
    got = sum(1 for line in best.values() if line > 1)
    assert ann.covered == pytest.approx(got / len(expected))
    assert ann.doubtful.count == sum(one.doubtful for one in made[-RECENT:])
    last = ann.sessions[-1]
    assert last.covered == pytest.approx(
        sum(one.level > 1 for one in made[-1].spoken) / len(expected)
    )
    assert last.order_faults == sum(one.rule != "one_side" for one in made[-1].raised)


def test_a_side_left_out_always_is_a_habit_and_one_by_chance_is_none(
    index: Index, expected: tuple[Expected, ...]
) -> None:
    chance = random.Random(2)
    for week in range(RECENT):
        for learner, side in (("ann", "left"), ("bob", "")):
            one = session(
                expected, chance, learner=learner, partner="p", day=week, missing_side=side
            )
            index.add(f"{learner}/{week}", Stamp(1, 1), one, expected)
    ann, bob = learners_of(index.connection)
    assert ann.sides.habit == "left"
    assert (ann.sides.both, ann.sides.missing_right) == (0, 0)
    assert bob.sides.habit == ""
    assert bob.sides.both > 0


def test_missed_items_are_counted_by_learner_with_wilsons_interval(
    index: Index, expected: tuple[Expected, ...]
) -> None:
    chance = random.Random(3)
    everything = len({line.item.partition(".")[0] for line in expected})
    for number in range(12):
        one = session(
            expected,
            chance,
            learner=f"L{number}",
            partner="p",
            day=number,
            skill=1.0,
            regions=everything,
            leaves_out=LEFT_OUT if number < 9 else frozenset(),
        )
        index.add(str(number), Stamp(1, 1), one, expected)
    found = most_missed(index.connection, learners_of(index.connection))
    known = LEFT_OUT & {line.item for line in expected}
    assert known
    assert {one.item for one in found} == known
    for one in found:
        assert one.share == wilson(9, 12)
        assert (one.sessions, one.sessions_in) == (9, 12)


def test_what_repeats_is_found_and_chance_is_not(
    index: Index, expected: tuple[Expected, ...]
) -> None:
    for path, one in cohort(expected, 80, 20):
        index.add(path, Stamp(1, 1), one, expected)
    assert repetitions(index.connection) == []
    chance = random.Random(4)
    for week in range(8):
        one = session(
            expected, chance, learner="same", partner=f"Q{week}", day=week,
            habit={"vitals.respiratory_rate": 16.0},
        )  # fmt: skip
        index.add(f"same/{week}", Stamp(1, 1), one, expected)
    (found,) = repetitions(index.connection)
    assert (found.kind, found.learners, found.item) == (
        "number", ("same",), "vitals.respiratory_rate",
    )  # fmt: skip
    assert (found.value, found.count, found.total) == ("16", 8, 8)
    copied = session(expected, chance, learner="one", partner="p", day=1)
    again = copied.model_copy(update={"learner": "two", "sound_sha256": "other"})
    index.add("one/1", Stamp(1, 1), copied, expected)
    index.add("two/1", Stamp(1, 1), again, expected)
    whole = [one for one in repetitions(index.connection) if one.kind == "session"]
    assert [(one.learners, one.sessions) for one in whole] == [(("one", "two"), ("one/1", "two/1"))]
    handed_in_twice = copied.model_copy(update={"learner": "six"})
    index.add("six/1", Stamp(1, 1), handed_in_twice, expected)
    sounds = [one for one in repetitions(index.connection) if one.kind == "sound"]
    assert [one.learners for one in sounds] == [("one", "six")]


def test_a_number_that_everybody_tells_is_found(
    index: Index, expected: tuple[Expected, ...]
) -> None:
    """The same respirations for everyone: no learner stands out, the cohort does."""
    chance = random.Random(11)
    for number in range(32):
        habit = {"vitals.respiratory_rate": 16.0} if number % 8 else None
        one = session(
            expected, chance, learner=f"L{number % 8 // 2}", partner=f"P{number}", day=number,
            habit=habit,
        )  # fmt: skip
        index.add(str(number), Stamp(1, 1), one, expected)
    (found,) = repetitions(index.connection)
    assert (found.kind, found.item, found.value) == ("cohort", "vitals.respiratory_rate", "16")
    assert (found.count, found.total, len(found.learners)) == (28, 32, 4)
    report = report_on(index.connection)
    sentence = repeated_words(found, report.titles())
    assert "16 in 28 of 32 measurements, by 4 learners" in sentence
    assert sentence in render_page(report, "spring", {})


def test_agreement_is_that_of_the_paper_when_its_numbers_are_told(
    index: Index, expected: tuple[Expected, ...]
) -> None:
    # Bland & Altman, Lancet i:307-310, 1986: first readings of the two meters.
    from tests.cohort.test_statistics import MINI, WRIGHT

    chance = random.Random(5)
    for person, numbers in enumerate(zip(WRIGHT, MINI, strict=True)):
        for turn, number in enumerate(numbers):
            base = session(
                expected, chance, learner=f"L{turn}", partner=f"P{person}",
                day=30 * person + turn, regions=0,
            )  # fmt: skip
            flow = Told(
                item="invented.flow", side="", site="", kind="quantity", number=number,
                unit="L/min",
            )  # fmt: skip
            clear = Told(
                item="invented.lungs", side="left", site="base", kind="choice", text="clear",
                status="normal" if (person + turn) % 3 else "present",
            )  # fmt: skip
            misheard = flow.model_copy(update={"item": "invented.other", "doubtful": True})
            told = (flow, clear, misheard)
            one = base.model_copy(update={"told": told})
            index.add(f"{person}/{turn}", Stamp(1, 1), one, expected)
    got = agreement_of(index.connection, sessions_of(index.connection))
    assert got.occasions == 17
    (flow_agreement,) = got.numbers
    assert (flow_agreement.item, flow_agreement.limits.pairs) == ("invented.flow", 17)
    assert round(flow_agreement.limits.mean, 1) == -2.1
    assert round(flow_agreement.limits.deviation, 1) == 38.8
    first = [(person + 0) % 3 == 0 for person in range(17)]
    second = [(person + 1) % 3 == 0 for person in range(17)]
    from sklearn.metrics import cohen_kappa_score
    from statsmodels.stats import inter_rater

    (pair,) = got.pairs
    assert (pair.first, pair.second, pair.kappa.subjects) == ("L0", "L1", 17)
    assert pair.kappa.kappa == pytest.approx(cohen_kappa_score(first, second))
    (item,) = got.items
    table, _ = inter_rater.aggregate_raters([list(rated) for rated in zip(first, second)])  # noqa: B905
    assert item.kappa.kappa == pytest.approx(inter_rater.fleiss_kappa(table))


def test_only_different_learners_close_in_time_are_compared(
    index: Index, expected: tuple[Expected, ...]
) -> None:
    chance = random.Random(6)
    for path, learner, partner, day in (
        ("a", "ann", "p1", 0),
        ("b", "ann", "p1", 1),
        ("c", "bob", "p1", WITHIN_DAYS + 2),
        ("d", "ann", "p2", 0),
        ("e", "bob", "partner", 0),
        ("f", "cat", "partner", 0),
    ):
        one = session(expected, chance, learner=learner, partner=partner, day=day)
        index.add(path, Stamp(1, 1), one, expected)
    assert agreement_of(index.connection, sessions_of(index.connection)).occasions == 0
    late = session(expected, chance, learner="cat", partner="p1", day=WITHIN_DAYS + 3)
    index.add("g", Stamp(1, 1), late, expected)
    assert agreement_of(index.connection, sessions_of(index.connection)).occasions == 1


def test_the_page_is_complete_in_itself_and_harmless(
    index: Index, expected: tuple[Expected, ...]
) -> None:
    for path, one in cohort(expected, 40, 8):
        index.add(path, Stamp(1, 1), one, expected)
    odd = session(expected, random.Random(7), learner=ODD, partner="P0001", day=0)
    index.add("odd", Stamp(1, 1), odd, expected)
    report = report_on(index.connection, problems=("<script>",), stale=1)
    figures = figures_of(report)
    assert set(figures) == {"progress", "regions", "missed", "agreement"}
    assert figures_of(report) == figures
    for name, svg in figures.items():
        root = ET.fromstring(svg)
        assert root.get("role") == "img"
        assert len(root.get("aria-label", "")) > 40, name
        assert "<image" not in svg
    assert ODD in "".join(ET.fromstring(figures["regions"]).itertext())
    page = render_page(report, "autumn & spring", figures)
    assert "<script" not in page and "&lt;script&gt;" in page
    assert "M$x$&lt;b&gt;" in page and "<b>" not in page
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'(?:href="#|url\(#)([^")]+)', page)) <= set(ids)
    assert not re.search(r'(?:src|href)="(?!#)', page)
    assert "Wilson" in page and "Bland" in page
    rows = list(csv.DictReader(io.StringIO(learners_csv(report).removeprefix("\ufeff"))))
    assert len(rows) == 9
    by_learner = {one.learner: one for one in report.learners}
    for row in rows:
        one = by_learner[row["learner"]]
        assert float(row["covered"]) == pytest.approx(one.covered, abs=5e-4)
        shares = [
            float(row[f"vitals_{level}"])
            for level in ("unspoken", "performed", "reported", "measured")
        ]
        assert sum(shares) == pytest.approx(1, abs=2e-3)


class _Tags(HTMLParser):
    """Collects elements and attributes as a browser would see them."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}


def test_hostile_words_of_any_kind_stay_words(tmp_path: Path) -> None:
    """Codes, talk, comments, reasons, course and folder names that try to be a page."""
    evil = "<script>owned</script><img src=x onerror=owned>"
    page = tmp_path / "page.html"
    for number, learner in enumerate((evil, "{{7919*7907}}${7919*7907}", "=HYPERLINK(1)")):
        folder = made_session(
            tmp_path / "all" / f"<b onclick=owned>{number}",
            (*VITALS, evil),
            learner=learner,
            partner=evil,
            course="usual",
        )
        journal, _ = Journal.reopen(folder)
        with journal:
            journal.add(Comment(at=now(), by=evil, role="learner", text=evil, seconds=1))
            journal.add(Amendment(at=now(), by=evil, role="learner", reason=evil))
    (tmp_path / "all" / "<img src=y onerror=owned>").mkdir()
    (tmp_path / "all" / "<img src=y onerror=owned>" / JOURNAL_NAME).write_text(evil)
    done = dictate("cohort", tmp_path / "all", "--out", page, "--csv", tmp_path / "t.csv")
    assert done.returncode == 0, done.stderr
    text = page.read_text()
    seen, plain = _Tags(), _Tags()
    seen.feed(text)
    for number in range(2):
        made_session(tmp_path / "plain" / str(number), VITALS, learner=f"l{number}", day=number)
    assert dictate("cohort", tmp_path / "plain", "--out", page).returncode == 0
    plain.feed(page.read_text())
    assert seen.tags - plain.tags <= {"li", "ul"}, seen.tags
    assert seen.attributes <= plain.attributes
    assert (
        "&lt;script&gt;owned" in text
        and "{{7919*7907}}${7919*7907}" in text
        and "62615533" not in done.stdout
    )
    assert "&lt;img src=y" in text  # the session that could not be read is named
    rows = list(csv.DictReader(io.StringIO((tmp_path / "t.csv").read_text("utf-8-sig"))))
    assert not any(row["learner"].startswith("=") for row in rows)


def test_the_plan_names_habits_and_gaps_with_reasons(tmp_path: Path) -> None:
    checklist = checklist_for("usual")
    for day in range(RECENT):
        made_session(tmp_path / f"{day}.session", VITALS, day=day)
    from dictate.cohort.refreshing import refresh

    with Index.open(tmp_path / "i.sqlite") as index:
        refresh(index, tmp_path)
        tasks = plan(index.connection, "ann", checklist)
        assert len(tasks) == 6
        side = next(one for one in tasks if one.kind == "one_side")
        assert (side.place, side.side) == ("vitals.blood_pressure", "left")
        assert "always the right side only, 3 of 3" in side.reason
        never = [one for one in tasks if one.kind == "unspoken"]
        assert never and all(one.place.partition(".")[0] != "vitals.pulse_rate" for one in never)
        prompt = spoken_prompt(tasks)
        assert prompt.startswith("Before you begin, three things to practise.")
        assert tasks[0].aloud in prompt
        from dictate.cohort.courses import Due

        due = [Due(week=2, places=("neck",)), Due(week=9, places=("heart",))]
        first = plan(index.connection, "ann", checklist, schedule=due, week=2)[0]
        assert (first.place, first.due) == ("neck", 2)
        with pytest.raises(UserFault, match=r"no session of 'zoe' here; there are sessions of ann"):
            plan(index.connection, "zoe", checklist)
    assert "Nothing stands out" in spoken_prompt(())


def test_a_voice_that_is_missing_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(UserFault, match="needs the program espeak-ng"):
        say("hello")


def test_the_commands_tell_a_cohort(tmp_path: Path) -> None:
    import shutil
    import wave

    for learner in ("ann", "bob", "cat"):
        made_session(tmp_path / learner / "one.session", VITALS, learner=learner, day=1)
    page, table = tmp_path / "page.html", tmp_path / "table.csv"
    done = dictate("cohort", tmp_path, "--out", page, "--csv", table)
    assert done.returncode == 0, done.stderr
    assert "3 learners, 3 sessions" in done.stdout and "(3 read now" in done.stdout
    assert page.read_text().count("<svg role") == 3
    assert len(table.read_text(encoding="utf-8-sig").splitlines()) == 4
    assert dictate("forget", tmp_path / "cat" / "one.session", "--yes").returncode == 0
    with Index.open(tmp_path / ".cohort-index.sqlite") as index:
        assert sorted(index.stamps()) == ["ann/one.session", "bob/one.session"]
    done = dictate("cohort", tmp_path, "--json")
    assert len(json.loads(done.stdout)["learners"]) == 2
    assert "no session here that can be read" in one_sentence(dictate("cohort", tmp_path / "cat"))
    sound = tmp_path / "prompt.wav"
    asked = ["practice", tmp_path, "--learner", "ann", "--most", "2"]
    if shutil.which("espeak-ng"):
        asked += ["--sound", sound]
    done = dictate(*asked)
    assert done.returncode == 0, done.stderr
    assert "1. " in done.stdout and "Before you begin, two things" in done.stdout
    if shutil.which("espeak-ng"):
        with wave.open(str(sound)) as heard:
            assert heard.getnframes() / heard.getframerate() > 3
