"""The main job as a user runs it: one recording or transcript, all outputs, clear faults."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import jiwer
import pytest
import yaml

from dictate.findings.finding import Pressure, Quantity
from dictate.session.record import Session


def run(*arguments: str, stdin: str | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "dictate", *arguments],
        capture_output=True,
        text=True,
        input=stdin,
        timeout=300,
        check=False,
    )


@pytest.fixture(scope="module")
def short(samples: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Session]:
    out = tmp_path_factory.mktemp("short") / "session"
    done = run("convert", str(samples / "short.opus"), "--out", str(out), "--json")
    assert done.returncode == 0, done.stderr
    return out, Session.model_validate_json(done.stdout)


def test_a_recording_becomes_a_session_folder(short: tuple[Path, Session]) -> None:
    folder, session = short
    names = {path.name for path in folder.iterdir()}
    assert {"journal.jsonl", "note.md", "note.html", "findings.csv", "captions.vtt"} <= names
    assert session.info.engine == "pocketsphinx"
    assert session.findings
    assert all(finding.end <= session.info.seconds + 1 for finding in session.findings)


def test_the_words_are_heard(short: tuple[Path, Session], samples: Path) -> None:
    # jiwer: word error rate as defined by the reference library; the bound is a guard
    # against breakage, the measured figure stands in the README.
    _, session = short
    script = yaml.safe_load((samples / "short.script.yaml").read_text(encoding="utf-8"))
    truth = " ".join(str(line["say"]) for line in script["lines"])
    plain = re.sub(r"[^a-z' ]", " ", truth.lower().replace("-", " "))
    heard = " ".join(phrase.text for phrase in session.phrases)
    assert jiwer.wer(" ".join(plain.split()), heard) < 0.4


def test_no_number_of_the_sample_is_wrong_without_a_mark(
    short: tuple[Path, Session], samples: Path
) -> None:
    _, session = short
    truth = yaml.safe_load((samples / "short.truth.yaml").read_text(encoding="utf-8"))
    expected = {
        (entry["item"], json.dumps(entry.get("number") or entry.get("pressure")))
        for entry in truth["findings"]
    }
    measured = 0
    for finding in session.findings:
        if finding.stands and not finding.doubts:
            value = finding.value
            if isinstance(value, Quantity):
                assert (
                    finding.item,
                    json.dumps(float(value.number)).removesuffix(".0"),
                ) in expected
                measured += 1
            elif isinstance(value, Pressure):
                pair = [int(value.systolic), int(value.diastolic)]
                assert (finding.item, json.dumps(pair)) in expected
                measured += 1
    assert measured >= 1  # the check has something to look at


def test_the_journal_gives_the_same_session_again(short: tuple[Path, Session]) -> None:
    folder, _ = short
    before = (folder / "findings.csv").read_bytes()
    assert run("rebuild", str(folder)).returncode == 0
    assert (folder / "findings.csv").read_bytes() == before


def test_a_transcript_from_standard_input(tmp_path: Path) -> None:
    text = "[0:01] Pulse seventy-two and regular.\n[0:05] Temperature 36.8.\n"
    done = run("convert", "-", "--out", str(tmp_path / "s"), "--json", stdin=text)
    assert done.returncode == 0, done.stderr
    items = {f.item for f in Session.model_validate_json(done.stdout).findings}
    assert {"vitals.pulse_rate", "vitals.pulse_rhythm", "vitals.temperature"} <= items


def test_strict_tells_errors_by_the_exit_code(tmp_path: Path) -> None:
    path = tmp_path / "odd.txt"
    path.write_text("[0:01] Respirations ninety.\n", encoding="utf-8")
    assert run("convert", str(path), "--strict").returncode == 1
    assert run("convert", str(path)).returncode == 0


@pytest.mark.parametrize("name", ["missing.wav", "empty.wav", "text.wav", "folder", "broken.vtt"])
def test_bad_input_is_one_sentence_and_exit_code_2(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "empty.wav":
        path.write_bytes(b"")
    elif name == "text.wav":
        path.write_bytes(b"this is no sound at all" * 20)
    elif name == "folder":
        path.mkdir()
    elif name == "broken.vtt":
        path.write_text("WEBVTT\n\n00:99 --> nonsense\nhello\n", encoding="utf-8")
    done = run("convert", str(path), "--out", str(tmp_path / "out"))
    assert done.returncode == 2, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert done.stderr.startswith("dictate: ")


def test_an_unknown_engine_is_named(samples: Path, tmp_path: Path) -> None:
    done = run("convert", str(samples / "short.opus"), "--engine", "parrot", "--out", str(tmp_path))
    assert done.returncode == 2
    assert "parrot" in done.stderr


def test_a_course_decides_what_is_looked_for(tmp_path: Path) -> None:
    path = tmp_path / "talk.txt"
    path.write_text("[0:01] Pulse seventy-two and regular.\n", encoding="utf-8")
    regions = []
    for number, more in enumerate([[], ["--course", "chest_heart_station"]]):
        out = tmp_path / str(number)
        done = run("convert", str(path), "--out", str(out), "--json", *more)
        assert done.returncode == 0, done.stderr
        coverage = Session.model_validate_json(done.stdout).coverage
        regions.append({item.partition(".")[0] for item in coverage})
        assert run("rebuild", str(out)).returncode == 0
    assert "joints" in regions[0]
    assert "joints" not in regions[1]
    assert "heart" in regions[1]
    done = run("convert", str(path), "--course", "no_such_course", "--out", str(tmp_path / "x"))
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
