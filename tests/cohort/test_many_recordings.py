"""Many recordings at once: each by itself, nothing twice, nothing lost with a worker."""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from collections import Counter
from pathlib import Path

import pytest

from dictate.cohort.cluster import connected, run_on_cluster
from dictate.cohort.job import Job, Outcome, convert_job
from dictate.cohort.recordings import LIST_NAME, find_recordings
from dictate.cohort.workers import run_here
from dictate.errors import UserFault
from dictate.session.entries import PhraseHeard, Signature, now
from dictate.session.journal import JOURNAL_NAME, Journal, read_journal
from tests.cohort.lost_workers import (
    ALWAYS_FATAL,
    FATAL,
    fake,
    kills_itself,
    waits_to_be_lost,
)
from tests.trust.running import dictate

unix = pytest.mark.skipif(sys.platform == "win32", reason="processes are killed by a signal")


def talk(path: Path, number: int = 72) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"[0:01] Pulse {number} and regular.\n[0:05] Respirations sixteen.\n")
    return path


def jobs_in(folder: Path, *names: str) -> list[Job]:
    return [
        Job(
            recording=talk(folder / f"{name}.txt", 60 + place),
            folder=folder / f"{name}.session",
            size=100 - place,
        )
        for place, name in enumerate(names)
    ]


def words_in(folder: Path) -> str:
    reading = read_journal(folder / JOURNAL_NAME)
    assert reading.intact
    said = [one.phrase for one in reading.entries if isinstance(one, PhraseHeard)]
    return " ".join(word.text for phrase in said for word in phrase.words)


def visible(folder: Path) -> set[str]:
    return {path.name for path in folder.glob("*.session") if not path.name.startswith(".")}


def test_a_bad_recording_stops_nothing_and_what_is_done_is_kept(tmp_path: Path) -> None:
    jobs = jobs_in(tmp_path, "one", "two")
    (tmp_path / "broken.wav").write_bytes(b"RIFF nothing")
    bad = Job(recording=tmp_path / "broken.wav", folder=tmp_path / "broken.session", size=1)
    gone = Job(recording=tmp_path / "gone.wav", folder=tmp_path / "gone.session", size=1)
    ended: dict[str, Outcome] = {}
    for job in (*jobs, bad, gone):
        ended[job.recording.name] = convert_job(job)
    assert {name: one.state for name, one in ended.items()} == {
        "one.txt": "converted", "two.txt": "converted",
        "broken.wav": "failed", "gone.wav": "failed",
    }  # fmt: skip
    assert "cannot be seen" in ended["gone.wav"].sentence
    assert "\n" not in ended["broken.wav"].sentence and ended["broken.wav"].sentence
    assert visible(tmp_path) == {"one.session", "two.session"}
    assert not list(tmp_path.glob(".*.part"))
    before = (jobs[0].folder / JOURNAL_NAME).read_bytes()
    assert convert_job(jobs[0]).state == "kept"
    assert (jobs[0].folder / JOURNAL_NAME).read_bytes() == before
    # Another content under the same name is heard, and the old journal stays beside the new.
    talk(jobs[0].recording, 99)
    assert convert_job(jobs[0]).state == "converted"
    assert "99" in words_in(jobs[0].folder)
    assert [path.read_bytes() for path in jobs[0].folder.glob("journal-*.jsonl")] == [before]


def test_what_people_worked_on_is_not_heard_anew_unasked(tmp_path: Path) -> None:
    (job,) = jobs_in(tmp_path, "one")
    convert_job(job)
    journal, _ = Journal.reopen(job.folder)
    with journal:
        journal.add(Signature(at=now(), by="ann", role="learner"))
    talk(job.recording, 99)
    kept = convert_job(job)
    assert kept.state == "kept" and "people have worked on the session" in kept.sentence
    assert convert_job(job.model_copy(update={"again": True})).state == "converted"


@unix
def test_a_process_that_dies_costs_one_more_try_and_nothing_else(tmp_path: Path) -> None:
    jobs = jobs_in(tmp_path, "one", FATAL, ALWAYS_FATAL, "two")
    ended: list[tuple[str, Outcome]] = []
    run_here(
        jobs,
        2,
        ended=lambda job, outcome: ended.append((job.recording.stem, outcome)),
        work=kills_itself,
    )
    assert Counter(name for name, _ in ended) == dict.fromkeys(
        ("one", FATAL, ALWAYS_FATAL, "two"), 1
    )
    states = {name: one.state for name, one in ended}
    assert states.pop(ALWAYS_FATAL) == "failed"
    assert set(states.values()) == {"converted"}
    assert visible(tmp_path) == {"one.session", f"{FATAL}.session", "two.session"}


def test_recordings_are_found_with_whose_they_are(tmp_path: Path) -> None:
    for name in ("ann/one.txt", "bob/one.txt", "bob/deep/two.vtt", "loose.txt"):
        talk(tmp_path / name)
    (tmp_path / "bob" / "list.txt").write_text("no talk at all")
    (tmp_path / LIST_NAME).write_text(
        "file,learner,partner,started\nloose.txt,cat,p9,2026-03-14T09:30\n"
    )
    found = {one.recording.relative_to(tmp_path).as_posix(): one for one in
             find_recordings([str(tmp_path)])}  # fmt: skip
    learners = {name: one.about.learner for name, one in found.items() if name.endswith(".txt")}
    assert learners == {"ann/one.txt": "ann", "bob/one.txt": "bob", "loose.txt": "cat"}
    assert found["loose.txt"].about.partner == "p9"
    patterned = find_recordings([str(tmp_path / "*" / "one.txt")], tmp_path / "out")
    assert sorted(one.folder.relative_to(tmp_path).as_posix() for one in patterned) == [
        "out/ann/one.session", "out/bob/one.session",
    ]  # fmt: skip
    (tmp_path / LIST_NAME).write_text("file,learner\nmissing.txt,cat\n")
    with pytest.raises(UserFault, match=r"names 'missing\.txt'"):
        find_recordings([str(tmp_path)])
    with pytest.raises(UserFault, match="no recording at"):
        find_recordings([str(tmp_path / "nothing*.wav")])


def test_the_command_takes_folders_and_says_what_failed(tmp_path: Path) -> None:
    for place, name in enumerate(("ann/one.txt", "bob/one.txt")):
        talk(tmp_path / name, 70 + place)
    (tmp_path / "bob" / "bad.wav").write_bytes(b"RIFF nothing")
    done = dictate("convert", tmp_path, "-j", "2")
    assert done.returncode == 1
    assert "2 converted, 0 kept as they were, 1 failed" in done.stdout
    assert "bad.wav" in done.stderr and "Traceback" not in done.stderr
    (tmp_path / "bob" / "bad.wav").unlink()
    again = dictate("convert", tmp_path / "ann", tmp_path / "bob", "--json")
    assert again.returncode == 0, again.stderr
    assert [json.loads(line)["state"] for line in again.stdout.splitlines()] == ["kept", "kept"]
    first = json.loads((tmp_path / "ann/one.session" / JOURNAL_NAME).open().readline())
    assert first["entry"]["info"]["learner"] == "ann"


@unix
@pytest.mark.slow
def test_a_cluster_that_loses_a_worker_loses_and_doubles_nothing(tmp_path: Path) -> None:
    from distributed import Client, LocalCluster

    names = [FATAL, *(f"talk{number}" for number in range(9))]
    jobs = jobs_in(tmp_path, *names)
    (tmp_path / "runs").mkdir()
    mark = tmp_path / "waiting"
    killed: list[int] = []

    def kill_when_half_made() -> None:
        until = time.monotonic() + 120
        while not mark.exists() and time.monotonic() < until:
            time.sleep(0.05)
        if mark.exists():
            killed.append(int(mark.read_text()))
            os.kill(killed[0], signal.SIGKILL)

    ended: list[tuple[str, Outcome]] = []
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
        ) as cluster,
        Client(cluster) as client,
    ):
        killer = threading.Thread(target=kill_when_half_made)
        killer.start()
        run_on_cluster(
            jobs,
            client,
            ended=lambda job, outcome: ended.append((job.recording.stem, outcome)),
            work=waits_to_be_lost,
        )
        killer.join()
    assert len(killed) == 1
    # Each recording has ended once, well, and the lost one was begun again by another process.
    assert Counter(name for name, _ in ended) == dict.fromkeys(names, 1)
    assert {outcome.state for _, outcome in ended} == {"converted"}
    runs = [path.read_text() for path in (tmp_path / "runs").glob(f"{FATAL}.*")]
    assert len(runs) == 2 and runs.count(str(killed[0])) == 1
    # Each session is there once and whole, with its own words.
    assert visible(tmp_path) == {f"{name}.session" for name in names}
    for place, name in enumerate(names):
        assert str(60 + place) in words_in(tmp_path / f"{name}.session")
    # The same again finds all done; what the lost worker left is not taken for a session.
    assert {convert_job(job).state for job in jobs} == {"kept"}
    assert [path.name.startswith(f".{FATAL}.") for path in tmp_path.glob(".*.part")] == [True]


@pytest.mark.slow
def test_a_cluster_holds_few_jobs_at_a_time_and_ends_all(tmp_path: Path) -> None:
    from distributed import Client, LocalCluster

    jobs = [
        Job(recording=tmp_path / f"{n}.wav", folder=tmp_path / f"{n}.session", size=1)
        for n in range(100)
    ]
    ended: Counter[Path] = Counter()
    with (
        LocalCluster(n_workers=1, threads_per_worker=4, processes=False, dashboard_address=None)
        as cluster,
        Client(cluster) as client,
    ):  # fmt: skip
        run_on_cluster(jobs, client, ended=lambda job, _: ended.update([job.recording]), work=fake)
    assert ended == Counter(job.recording for job in jobs)


def test_no_scheduler_is_one_sentence() -> None:
    with pytest.raises(UserFault, match=r"No Dask scheduler answers at tcp://127\.0\.0\.1:9"):
        connected("tcp://127.0.0.1:9", seconds=1)
