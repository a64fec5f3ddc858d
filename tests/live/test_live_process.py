"""The program as it is started: killed, interrupted, on a terminal, with a microphone."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import time
from difflib import SequenceMatcher
from pathlib import Path

import pytest
import soundfile

from dictate.conversion import opened
from dictate.live.sound_file import readable_sound
from dictate.session.entries import Mark, Notice, PhraseHeard, SessionEnd
from tests.live.virtual_microphone import VirtualMicrophone, missing_tool

LISTEN = [sys.executable, "-m", "dictate", "listen", "--voice", "0"]
PATIENCE = 240.0  # seconds; loading builds the language model once
needs_microphone = pytest.mark.skipif(
    missing_tool() is not None, reason=f"{missing_tool()} is not installed"
)


def phrases(folder: Path) -> list[PhraseHeard]:
    return [one for one in opened(folder)[1].entries if isinstance(one, PhraseHeard)]


def wait_for(condition: object, what: str) -> None:
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        if condition():  # type: ignore[operator]
            return
        time.sleep(0.1)
    raise AssertionError(f"waited too long for {what}")


def journal_tells(folder: Path, words: str) -> bool:
    journal = folder / "journal.jsonl"
    return journal.exists() and words.encode() in journal.read_bytes()


def wait_until_it_hears(folder: Path) -> None:
    """The first line of the journal comes before the microphone is open."""
    sound = folder / "sound.flac"
    wait_for(lambda: sound.exists() and kept_seconds(folder) > 0, "the first sound")


def kept_seconds(folder: Path) -> float:
    return sum(map(len, readable_sound(folder / "sound.flac"))) / 16_000


def lines_of(folder: Path, kind: str) -> int:
    journal = folder / "journal.jsonl"
    if not journal.exists():
        return 0
    return journal.read_bytes().count(f'"kind":"{kind}"'.encode())


def test_killed_without_warning_everything_is_there(talk_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "live"
    program = subprocess.Popen(
        [*LISTEN, "--from", str(talk_file), "--out", str(folder)], stdout=subprocess.DEVNULL
    )
    wait_for(lambda: lines_of(folder, "phrase") >= 3, "three phrases")
    program.send_signal(signal.SIGKILL)
    program.wait()
    before = phrases(folder)
    sound = folder / "sound.flac"
    held = kept_seconds(folder)
    # The last phrase was decoded, so its sound had been taken in; a second may be lost.
    assert held > before[-1].phrase.end - 1
    done = subprocess.run(
        [sys.executable, "-m", "dictate", "convert", str(folder)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    after = phrases(folder)
    assert after[: len(before)] == before
    _, reading = opened(folder)
    assert isinstance(reading.entries[-1], SessionEnd)
    assert soundfile.info(sound).duration == pytest.approx(held, abs=0.01)
    assert (folder / "note.html").stat().st_size > 1000
    again = subprocess.run(
        [sys.executable, "-m", "dictate", "convert", str(folder)], capture_output=True, text=True
    )
    assert again.returncode == 0, again.stderr
    assert phrases(folder) == after


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGHUP])
def test_interrupted_it_still_writes_its_outputs(
    talk_file: Path, tmp_path: Path, number: signal.Signals
) -> None:
    folder = tmp_path / "live"
    program = subprocess.Popen(
        [*LISTEN, "--from", str(talk_file), "--out", str(folder)], stdout=subprocess.DEVNULL
    )
    wait_for(lambda: lines_of(folder, "phrase") >= 1, "a phrase")
    program.send_signal(number)
    assert program.wait(PATIENCE) == 0
    assert isinstance(opened(folder)[1].entries[-1], SessionEnd)
    assert (folder / "fhir-bundle.json").exists()


def on_terminal(
    command: list[str], answers: list[tuple[str, bytes]], lines: int = 24
) -> tuple[int, str]:
    """Run in a terminal of 80 columns; send each key once its text, and those before, were seen."""
    import fcntl
    import termios

    child, terminal = pty.fork()
    if child == 0:
        os.environ["TERM"] = "xterm"
        os.environ["NO_COLOR"] = "1"
        os.execv(command[0], command)
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", lines, 80, 0, 0))
    shown, waiting = "", list(answers)
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        ready, _, _ = select.select([terminal], [], [], 1.0)
        if not ready:
            continue
        try:
            piece = os.read(terminal, 65_536)
        except OSError:
            break
        if not piece:
            break
        shown += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", piece.decode("utf-8", "ignore"))
        if waiting and waiting[0][0] in shown:
            os.write(terminal, waiting.pop(0)[1])
    _, status = os.waitpid(child, 0)
    assert not waiting, (waiting, shown[-2000:])
    return os.waitstatus_to_exitcode(status), shown


def test_a_terminal_shows_the_session_and_takes_keys(talk_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "live"
    code, shown = on_terminal(
        [*LISTEN, "--from", str(talk_file), "--out", str(folder)],
        [
            ("LISTENING", b"m"), ("Marked.", b" "), ("PAUSED", b" "), ("Listening.", b""),
            # The items of a region come with the first words that belong to it.
            ("not spoken of", b"q"),
        ],
    )  # fmt: skip
    assert code == 0
    assert re.search(r"Heard: \w+ ", shown)
    assert "Written to" in shown
    assert sum(isinstance(one, Mark) for one in opened(folder)[1].entries) == 1


def test_without_a_microphone_one_sentence_says_so(tmp_path: Path) -> None:
    nowhere = {**os.environ, "HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    done = subprocess.run(
        [*LISTEN, "--consent", "L1", "--device", "no such device", "--out", str(tmp_path / "x")],
        capture_output=True,
        text=True,
        env=nowhere,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("dictate: ")
    assert "microphone" in done.stderr or "PortAudio" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "x").exists()


@needs_microphone
def test_with_a_microphone_it_hears_what_the_file_holds(talk_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "live"
    with VirtualMicrophone() as microphone:
        program = subprocess.Popen(
            [*LISTEN, "--consent", "L1", "--no-check", "--plain", "--out", str(folder)],
            env=microphone.environment,
            stdout=subprocess.DEVNULL,
        )
        wait_until_it_hears(folder)
        microphone.say(talk_file).wait()
        # The end of what was said is on its way for up to two seconds more.
        held = kept_seconds(folder)
        wait_for(lambda: kept_seconds(folder) > held + 3, "the last words")
        program.send_signal(signal.SIGINT)
        assert program.wait(PATIENCE) == 0
    info, reading = opened(folder)
    assert "asked by L1" in info.consent
    lost = [one for one in reading.entries if isinstance(one, Notice) and "lost" in one.sentence]
    heard = [one.phrase.text for one in phrases(folder)]
    assert len(heard) >= 8
    # A live stream is cut and levelled otherwise than a file, so a word here and there may differ.
    words = " ".join(heard).split()
    subprocess.run(
        [
            sys.executable,
            "-m",
            "dictate",
            "convert",
            str(talk_file),
            "--out",
            str(tmp_path / "file"),
        ],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    from_file = " ".join(one.phrase.text for one in phrases(tmp_path / "file")).split()
    alike = SequenceMatcher(None, words, from_file, autojunk=False).ratio()
    assert alike >= 0.85 or lost, (alike, heard)


@needs_microphone
def test_an_unplugged_microphone_is_waited_for(talk_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "live"
    with VirtualMicrophone() as microphone:
        program = subprocess.Popen(
            [*LISTEN, "--consent", "L1", "--no-check", "--plain", "--out", str(folder)],
            env=microphone.environment,
            stdout=subprocess.DEVNULL,
        )
        wait_until_it_hears(folder)
        microphone.unplug()
        wait_for(
            lambda: journal_tells(folder, "gives no sound any more"),
            "the notice about the microphone",
        )
        microphone.plug_in()
        wait_for(lambda: journal_tells(folder, "Listening again"), "the notice of its return")
        saying = microphone.say(talk_file)
        wait_for(lambda: lines_of(folder, "phrase") >= 1, "a phrase")
        saying.kill()
        program.send_signal(signal.SIGINT)
        assert program.wait(PATIENCE) == 0
    told = [one.sentence for one in opened(folder)[1].entries if isinstance(one, Notice)]
    assert any("gives no sound any more" in sentence for sentence in told)
    assert any(sentence.startswith("Listening again") for sentence in told)
    assert isinstance(opened(folder)[1].entries[-1], SessionEnd)
