"""Course packages: installed, remembered in the session, judged anew on request only."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dictate.cohort import courses
from dictate.cohort.courses import checklist_of, find_installed, full_name, install
from dictate.cohort.judging import judge
from dictate.conversion import opened, session_of
from dictate.errors import UserFault
from dictate.session.corrections import findings_digest, state_of
from dictate.session.entries import Amendment, Judged, Signature, now
from dictate.session.journal import JOURNAL_NAME, Journal, read_journal
from tests.cohort.folders import made_session
from tests.trust.running import dictate, one_sentence, talk_file

PACKAGE = """\
version: "{version}"
course:
  course: rounds
  title: Morning rounds
  select: [{select}]
schedule:
  - {{week: 1, places: [vitals.pulse_rate]}}
  - {{week: 2, places: [vitals]}}
"""
FIRST = "vitals.pulse_rate, vitals.respiratory_rate"


@pytest.fixture(autouse=True)
def _own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DICTATE_DATA", str(tmp_path / "data"))


def package(folder: Path, version: str = "1.0", select: str = FIRST) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "package.yaml").write_text(PACKAGE.format(version=version, select=select))
    return folder


def test_versions_stay_side_by_side_and_the_newest_is_meant_without_one(tmp_path: Path) -> None:
    install(package(tmp_path / "p", "2026.9"))
    install(package(tmp_path / "p", "2026.10", "vitals"))
    assert [one.name for one in courses.installed()] == ["rounds@2026.9", "rounds@2026.10"]
    assert full_name("rounds") == "rounds@2026.10"
    assert len(checklist_of("rounds@2026.9").entries) == 2
    assert len(checklist_of("rounds").entries) > 2
    with pytest.raises(UserFault, match=r"rounds@3 is not installed"):
        find_installed("rounds@3")


def test_a_version_is_frozen(tmp_path: Path) -> None:
    made = install(package(tmp_path / "p"))
    assert install(package(tmp_path / "p")) == made
    with pytest.raises(UserFault, match="give the changed course a new version"):
        install(package(tmp_path / "p", "1.0", "vitals"))
    assert checklist_of("rounds@1.0").catalogue.version == made.checklist.catalogue.version


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("vitals.pulse_rate]}", "vitals.pulse]}", "'vitals.pulse' is not on the checklist"),
        ("week: 1", "week: 0", "package.yaml"),
        ('version: "1.0"', "version: 1.10", "in quotes"),
        ('version: "1.0"', 'version: "../../up"', "package.yaml"),
        ("course: rounds", "course: ../up", "package.yaml"),
    ],
)
def test_a_package_that_does_not_fit_is_one_sentence(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    file = package(tmp_path / "p") / "package.yaml"
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))
    with pytest.raises(UserFault) as fault:
        install(tmp_path / "p")
    assert told in str(fault.value)
    assert "\n" not in str(fault.value)
    assert courses.installed() == []
    assert not (tmp_path / "up").exists()


def test_the_course_file_must_lie_beside_the_package(tmp_path: Path) -> None:
    (tmp_path / "p").mkdir()
    (tmp_path / "p" / "package.yaml").write_text('version: "1"\ncourse: ../elsewhere.yaml\n')
    with pytest.raises(UserFault, match="must lie beside"):
        install(tmp_path / "p")


def test_a_session_is_judged_by_its_version_until_somebody_judges_it_anew(tmp_path: Path) -> None:
    first = install(package(tmp_path / "p", "1")).checklist
    folder = made_session(tmp_path / "s", course="rounds@1", exam_version=first.catalogue.version)
    install(package(tmp_path / "p", "2", "vitals"))
    info, reading = opened(folder)
    assert info.course == "rounds@1"
    before = session_of(info, reading.entries, checklist_of(info.course).catalogue)
    assert "vitals.temperature" not in before.coverage
    lines = (folder / JOURNAL_NAME).read_bytes()

    done = judge(folder, "rounds", by="inst1", role="instructor", reason="new term")
    assert (done.changed, done.before, done.course) == (True, "rounds@1", "rounds@2")
    assert done.flags_before == len(before.flags)
    # Nothing that stood in the journal has changed; the judgement was added.
    assert (folder / JOURNAL_NAME).read_bytes().startswith(lines)
    info, reading = opened(folder)
    assert reading.intact
    assert (info.course, info.exam_version) == (
        "rounds@2",
        checklist_of("rounds@2").catalogue.version,
    )
    entry = reading.entries[-1]
    assert isinstance(entry, Judged)
    assert (entry.by, entry.reason, entry.before) == ("inst1", "new term", "rounds@1")
    after = session_of(info, reading.entries, checklist_of(info.course).catalogue)
    assert "vitals.temperature" in after.coverage
    assert len(after.flags) == done.flags
    assert "temperature" in (folder / "coverage.csv").read_text().lower()
    # The same again changes nothing; the earlier version can be had back.
    size = (folder / JOURNAL_NAME).stat().st_size
    assert not judge(folder, "rounds@2", by="inst1", role="instructor").changed
    assert (folder / JOURNAL_NAME).stat().st_size == size
    assert judge(folder, "rounds@1", by="inst1", role="instructor").changed
    assert opened(folder)[0].course == "rounds@1"


def test_a_signed_session_is_judged_anew_for_a_reason_only(tmp_path: Path) -> None:
    install(package(tmp_path / "p"))
    folder = made_session(tmp_path / "s")
    journal, _ = Journal.reopen(folder)
    with journal:
        journal.add(
            Signature(at=now(), by="ann", role="learner", findings_sha256=findings_digest(()))
        )
    size = (folder / JOURNAL_NAME).stat().st_size
    with pytest.raises(UserFault, match="is signed by ann; give --reason"):
        judge(folder, "rounds", by="inst1", role="instructor")
    assert (folder / JOURNAL_NAME).stat().st_size == size
    judge(folder, "rounds", by="inst1", role="instructor", reason="wrong list")
    entries = read_journal(folder / JOURNAL_NAME).entries
    assert [type(one) for one in entries[-2:]] == [Amendment, Judged]
    assert state_of(entries) == "amended"


def test_the_commands_install_use_and_judge(tmp_path: Path) -> None:
    data = {"DICTATE_DATA": str(tmp_path / "data")}
    package(tmp_path / "p", "1")
    assert "No package is installed" in dictate("course", "list", environment=data).stdout
    done = dictate("course", "install", tmp_path / "p", environment=data)
    assert done.returncode == 0, done.stderr
    assert "Installed rounds@1" in done.stdout
    shown = dictate("course", "show", "rounds", environment=data).stdout
    assert "Vital signs: 2 items, 2 required" in shown
    assert "by the end of week 1: Pulse rate" in shown
    session = tmp_path / "session"
    talk = talk_file(tmp_path)
    done = dictate("convert", talk, "--course", "rounds", "--out", session, environment=data)
    assert done.returncode == 0, done.stderr
    first = json.loads((session / JOURNAL_NAME).read_bytes().splitlines()[0])
    assert first["entry"]["info"]["course"] == "rounds@1"
    assert dictate("rebuild", session, environment=data).returncode == 0
    done = dictate("judge", tmp_path, "--course", "usual", "--by", "inst1", environment=data)
    assert done.returncode == 0, done.stderr
    assert "judged by usual in place of rounds@1" in done.stdout
    assert opened(session)[0].course == "usual"
    missing = dictate("judge", session, "--course", "rounds@7", "--by", "x", environment=data)
    assert "rounds@7 is not installed" in one_sentence(missing)
