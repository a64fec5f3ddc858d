"""Whatever the sound is: a clear sentence, or an honest 'unrecognised'; never an invented finding."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from dictate.audio.recording import Recording
from dictate.conversion import convert
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Finding
from dictate.session.entries import Notice
from dictate.session.journal import read_journal
from dictate.session.record import Session
from tests.trust.hostile_sound import (
    LANGUAGES,
    RATE,
    WORDLESS,
    Sound,
    can_speak,
    foreign,
    hours_of,
    music,
    write_mp3,
)
from tests.trust.running import dictate, one_sentence


def standing(session: Session) -> list[Finding]:
    return [one for one in session.findings if one.stands]


def certain(session: Session) -> list[Finding]:
    """Findings that a reader would take for certain: they stand and bear no mark."""
    return [one for one in standing(session) if not one.doubts]


def numbers(findings: list[Finding]) -> set[tuple[str, str]]:
    """Items and their measured values; the side may be heard better in one form than another."""
    return {(one.item, repr(one.value)) for one in findings if "Decimal" in repr(one.value)}


@pytest.fixture(scope="module")
def speech(samples: Path) -> Sound:
    """19 s of a clean sample, in which pressure, pulse, respirations and temperature are told."""
    blocks = [block.samples for block in Recording(samples / "flawed.flac").blocks()]
    sound = np.concatenate(blocks)[int(11.0 * RATE) : int(30.2 * RATE)]
    return sound.astype(np.float64) / 32768


@pytest.fixture(scope="module")
def usual(speech: Sound, exam: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> Session:
    path = tmp_path_factory.mktemp("usual") / "a.wav"
    soundfile.write(path, speech, RATE, subtype="PCM_16")
    session = convert(path, exam)
    assert len(numbers(standing(session))) >= 2
    return session


def eight_channels(speech: Sound) -> Sound:
    """One microphone of eight is near the speaker, the others hear little noises."""
    channels = np.random.default_rng(8).normal(0, 0.0003, (len(speech), 8))
    channels[:, 5] += speech
    return channels


@pytest.mark.parametrize("kind", ["192 kHz", "8 channels", "NaN", "64-bit"])
def test_odd_forms_of_the_same_speech_give_no_other_certain_numbers(
    kind: str, speech: Sound, usual: Session, exam: Catalogue, tmp_path: Path
) -> None:
    path = tmp_path / "a.wav"
    if kind == "192 kHz":
        soundfile.write(path, soxr.resample(speech, RATE, 192_000), 192_000, subtype="PCM_24")
    elif kind == "8 channels":
        soundfile.write(path, eight_channels(speech), RATE, subtype="PCM_16")
    elif kind == "NaN":
        # Broken samples in the pauses before and after the talk, and infinite ones.
        broken = np.concatenate([np.full(RATE, np.nan), speech, np.full(RATE, np.inf)])
        soundfile.write(path, broken.astype(np.float32), RATE, subtype="FLOAT")
    else:
        soundfile.write(path, speech, RATE, subtype="DOUBLE")
    session = convert(path, exam)
    # What is not quite clear may be heard otherwise in another form, and is marked then.
    assert numbers(certain(session)) <= numbers(standing(usual))
    assert numbers(certain(usual)) and numbers(certain(usual)) <= numbers(standing(session))


@pytest.mark.parametrize("kind", ["PCM_U8", "ULAW", "ALAW", "IMA_ADPCM"])
def test_coarse_forms_of_the_same_speech_give_no_certain_number_that_was_not_said(
    kind: str, speech: Sound, usual: Session, exam: Catalogue, tmp_path: Path
) -> None:
    soundfile.write(tmp_path / "a.wav", speech, RATE, subtype=kind)
    session = convert(tmp_path / "a.wav", exam)
    assert numbers(certain(session)) <= numbers(standing(usual))
    assert numbers(standing(session)), "nothing was understood at all"


@pytest.mark.parametrize("kind", WORDLESS)
def test_sound_without_words_gives_no_finding(kind: str, exam: Catalogue, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", WORDLESS[kind](12.0), RATE)
    session = convert(tmp_path / "a.wav", exam)
    assert standing(session) == []
    assert session.info.seconds == pytest.approx(12.0, abs=0.1)


@pytest.mark.skipif(not can_speak(), reason="espeak-ng is not installed")
@pytest.mark.parametrize("language", LANGUAGES)
def test_talk_in_another_language_gives_no_certain_finding(
    language: str, exam: Catalogue, tmp_path: Path
) -> None:
    soundfile.write(tmp_path / "a.wav", foreign(language), RATE)
    session = convert(tmp_path / "a.wav", exam)
    assert session.phrases, "the talk was not heard at all, so this shows nothing"
    recognised = [phrase for phrase in session.phrases if phrase.recognised]
    assert 4 * len(recognised) <= len(session.phrases)
    assert certain(session) == []
    assert any("did not fit the exam" in notice for notice in session.info.notices)
    print(f"{language}: {len(session.findings)} marked findings, {len(recognised)} phrases fit")


def test_english_of_the_exam_is_not_called_another_language(
    speech: Sound, exam: Catalogue, tmp_path: Path
) -> None:
    soundfile.write(tmp_path / "a.wav", speech, RATE)
    session = convert(tmp_path / "a.wav", exam)
    assert not any("did not fit the exam" in notice for notice in session.info.notices)


def refused(path: Path, exam: Catalogue) -> str:
    with pytest.raises(UserFault) as fault:
        convert(path, exam)
    assert "\n" not in str(fault.value)
    assert str(fault.value).endswith(".")
    return str(fault.value)


def test_no_sound_at_all_is_refused_in_a_sentence(
    exam: Catalogue, tmp_path: Path, speech: Sound
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"")
    assert "empty" in refused(path, exam)
    soundfile.write(path, np.zeros(0), RATE)
    assert "no sound" in refused(path, exam)
    soundfile.write(path, speech, RATE)
    whole = path.read_bytes()
    for cut in (1, 4, 11, 12, 20, 36, 43, 44):
        path.write_bytes(whole[:cut])
        assert "no sound" in refused(path, exam)


@pytest.mark.parametrize("ending", ["wav", "flac", "ogg", "mp3"])
def test_a_truncated_recording_says_so_and_tells_only_what_was_there(
    ending: str, speech: Sound, usual: Session, exam: Catalogue, tmp_path: Path
) -> None:
    whole = tmp_path / f"whole.{ending}"
    soundfile.write(whole, speech, RATE)
    path = tmp_path / f"cut.{ending}"
    path.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    session = convert(path, exam)
    # An ogg or mp3 that is cut looks like a shorter one; a header that promises more tells.
    if ending in ("wav", "flac"):
        assert any("damaged" in one or "ends earlier" in one for one in session.info.notices)
    assert 7 < session.info.seconds < 20 or session.info.notices
    # A number that was cut in its middle may be heard as another one, but never for certain.
    assert numbers(certain(session)) <= numbers(standing(usual))
    assert "vitals.temperature" not in {one.item for one in standing(session)}


DAMAGED_MP3 = {
    "holes": "damaged in places",
    "no end": "ends earlier",
    "holes inside a wav": "damaged",
    "rubbish": "no sound file",
}


@pytest.mark.parametrize("kind", DAMAGED_MP3)
def test_of_a_damaged_mp3_only_the_programs_own_sentences_are_told(
    kind: str, tmp_path: Path
) -> None:
    path = tmp_path / ("a.wav" if "wav" in kind else "a.mp3")
    write_mp3(path, music(10.0))
    raw = bytearray(path.read_bytes())
    if kind.startswith("holes"):
        for at in range(2000, len(raw), 1100):
            raw[at : at + 30] = bytes(30)
    else:
        raw = raw[: 300 if kind == "rubbish" else len(raw) // 2]
    path.write_bytes(raw)
    out = tmp_path / "session"
    done = dictate("convert", path, "--out", out)
    if kind == "rubbish":
        told = [one_sentence(done)]
    else:
        assert done.returncode == 0, done.stderr
        entries = read_journal(out / "journal.jsonl").entries
        told = [entry.sentence for entry in entries if isinstance(entry, Notice)]
        # Nothing of the libraries stands between them; lines are broken to the width.
        assert " ".join(done.stderr.split()) == " ".join(told)
    assert sum(DAMAGED_MP3[kind] in sentence for sentence in told) == 1


HEADER_LIES = {
    "rate 0": (24, (0).to_bytes(4, "little"), True),
    "rate 4 GHz": (24, (0xFFFF_FFFF).to_bytes(4, "little"), True),
    "0 channels": (22, (0).to_bytes(2, "little"), True),
    "65535 channels": (22, (0xFFFF).to_bytes(2, "little"), True),
    "0 bits": (34, (0).to_bytes(2, "little"), True),
    "unknown coding": (20, (0x7777).to_bytes(2, "little"), True),
    "size 4 GB": (40, (0xFFFF_FFF0).to_bytes(4, "little"), False),
    "size 0": (40, (0).to_bytes(4, "little"), False),
    "no RIFF": (0, b"JUNK", True),
}


@pytest.mark.parametrize("lie", HEADER_LIES)
def test_a_lying_header_is_refused_or_read_without_new_numbers(
    lie: str, speech: Sound, usual: Session, exam: Catalogue, tmp_path: Path
) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, speech, RATE, subtype="PCM_16")
    raw = bytearray(path.read_bytes())
    at, instead, must_refuse = HEADER_LIES[lie]
    raw[at : at + len(instead)] = instead
    path.write_bytes(bytes(raw))
    try:
        session = convert(path, exam)
    except UserFault as fault:
        assert "\n" not in str(fault)
        return
    assert not must_refuse, f"read as {session.info.seconds} s"
    assert numbers(standing(session)) <= numbers(standing(usual))


@pytest.mark.parametrize("frames", [3, 0xFFFF_FFFF])
def test_a_lie_about_the_length_does_not_become_the_length_of_the_session(
    frames: int, exam: Catalogue, tmp_path: Path
) -> None:
    path = tmp_path / "a.mp3"
    write_mp3(path, music(5.0))
    raw = path.read_bytes()
    at = max(raw.find(b"Xing"), raw.find(b"Info")) + 8
    path.write_bytes(raw[:at] + frames.to_bytes(4, "big") + raw[at + 4 :])
    assert convert(path, exam).info.seconds == pytest.approx(5, abs=0.2)


def test_a_hole_of_broken_numbers_inside_the_talk_is_not_filled_with_findings(
    speech: Sound, usual: Session, exam: Catalogue, tmp_path: Path
) -> None:
    broken = speech.astype(np.float32)
    broken[: int(0.45 * len(broken))] = np.nan
    soundfile.write(tmp_path / "a.wav", broken, RATE, subtype="FLOAT")
    found = standing(convert(tmp_path / "a.wav", exam))
    assert found, "the second half should still be understood"
    assert "118" not in repr([one.value for one in found])
    assert numbers(found) <= numbers(standing(usual))


CHILD = """
import resource, sys
from pathlib import Path
from dictate.conversion import convert
from dictate.exam.reading import load_catalogue
session = convert(Path(sys.argv[1]), load_catalogue())
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(peak, session.info.seconds, len(session.phrases), len(session.findings))
"""


def peak_of(path: Path) -> tuple[float, float, int, int]:
    """Peak resident memory in MB, seconds heard, phrases, findings of a conversion."""
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(path)], capture_output=True, text=True, check=True
    )
    peak, seconds, phrases, findings = done.stdout.split()
    kilo = 1 if sys.platform != "darwin" else 1024
    return int(peak) / 1024 / kilo, float(seconds), int(phrases), int(findings)


def quiet_with_music() -> Sound:
    return np.concatenate([0.001 * WORDLESS["white noise"](114.0), music(6.0)])


def test_memory_does_not_grow_with_the_recording(tmp_path: Path) -> None:
    peaks = {}
    for minutes in (8, 28):
        path = tmp_path / f"{minutes}.flac"
        hours_of(quiet_with_music(), minutes / 60, path)
        peaks[minutes], seconds, _, _ = peak_of(path)
        assert seconds == pytest.approx(60 * minutes, abs=1)
    print(f"peak memory: {peaks[8]:.0f} MB for 8 min, {peaks[28]:.0f} MB for 28 min")
    # As 16-bit samples the longer one is 38 MB more.
    assert peaks[28] - peaks[8] < 15


@pytest.mark.long
def test_ten_hours_in_constant_memory(tmp_path: Path) -> None:
    short, long = tmp_path / "short.flac", tmp_path / "long.flac"
    hours_of(quiet_with_music(), 1 / 30, short)
    hours_of(quiet_with_music(), 10, long)
    small, _, _, _ = peak_of(short)
    began = time.monotonic()
    large, seconds, phrases, findings = peak_of(long)
    print(
        f"\n10 h: {time.monotonic() - began:.0f} s, {large:.0f} MB (2 min: {small:.0f} MB), "
        f"{phrases} phrases, {findings} findings"
    )
    assert seconds == pytest.approx(36_000, abs=1)
    assert findings == 0
    # 10 h are 1.15 GB as 16-bit samples.
    assert large - small < 60


def test_memory_is_measured_at_all() -> None:
    # Guards the two tests above: the figure of this process must be that of a real one.
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss > 20_000
