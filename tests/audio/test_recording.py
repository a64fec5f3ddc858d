"""Sound files of every usual kind, whole and broken."""

from __future__ import annotations

import hashlib
import io
import tracemalloc
from pathlib import Path
from types import SimpleNamespace

import av
import numpy as np
import pytest
import soundfile

from dictate.audio.recording import Recording, channels_apart
from dictate.audio.source import SAMPLE_RATE
from dictate.errors import UserFault
from tests.trust.hostile_sound import write_mp3

SECONDS = 3.0
TONE = 440.0


def tone(rate: int, seconds: float = SECONDS) -> np.ndarray:
    return 0.3 * np.sin(2 * np.pi * TONE * np.arange(int(rate * seconds)) / rate)


def heard(recording: Recording) -> np.ndarray:
    blocks = list(recording.blocks())
    at = 0
    for block in blocks:
        assert block.samples.dtype == np.int16
        assert block.start == pytest.approx(at / SAMPLE_RATE)
        at += len(block.samples)
    return np.concatenate([block.samples for block in blocks])


def pitch(samples: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(samples.astype(float) * np.hanning(len(samples))))
    return float(spectrum.argmax()) * SAMPLE_RATE / len(samples)


def write_av(path: Path, codec: str, rate: int) -> None:
    sound = (tone(rate) * 32767).astype(np.int16).reshape(1, -1)
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate)
        stream.layout = "mono"
        for at in range(0, sound.shape[1], 1024):
            frame = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(sound[:, at : at + 1024]), format="s16", layout="mono"
            )
            frame.sample_rate = rate
            frame.pts = at
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.mark.parametrize(
    ("name", "rate", "subtype"),
    [
        ("a.wav", 44100, "PCM_16"),
        ("a.wav", 8000, "PCM_U8"),
        ("a.wav", 96000, "PCM_24"),
        ("a.wav", 11025, "FLOAT"),
        ("a.flac", 48000, "PCM_16"),
        ("a.ogg", 44100, "VORBIS"),
        ("a.opus", 48000, "OPUS"),
        ("a.mp3", 44100, "MPEG_LAYER_III"),
    ],
)
def test_soundfile_kinds_keep_length_and_pitch(
    tmp_path: Path, name: str, rate: int, subtype: str
) -> None:
    kind = "OGG" if name.endswith("opus") else None
    soundfile.write(tmp_path / name, tone(rate), rate, subtype=subtype, format=kind)
    recording = Recording(tmp_path / name)
    samples = heard(recording)
    assert len(samples) / SAMPLE_RATE == pytest.approx(SECONDS, abs=0.06)
    assert recording.duration == pytest.approx(SECONDS, abs=0.06)
    assert pitch(samples) == pytest.approx(TONE, abs=2)
    assert 9000 < np.abs(samples[8000:-8000]).max() < 11000
    assert recording.warnings == []


@pytest.mark.parametrize(
    ("name", "codec"), [("a.m4a", "aac"), ("a.mp4", "aac"), ("a.webm", "libopus")]
)
def test_containers_keep_length_and_pitch(tmp_path: Path, name: str, codec: str) -> None:
    write_av(tmp_path / name, codec, 48000)
    samples = heard(Recording(tmp_path / name))
    assert len(samples) / SAMPLE_RATE == pytest.approx(SECONDS, abs=0.06)
    assert pitch(samples) == pytest.approx(TONE, abs=2)


def test_an_mp3_that_does_not_tell_its_length_is_read_to_its_end(tmp_path: Path) -> None:
    # Frames of many sizes: the first ones mislead about how much is to come.
    rate = 16000
    noise = np.random.default_rng(1).normal(0, 0.2, 40 * rate)
    noise[: 20 * rate] = 0
    write_mp3(
        tmp_path / "a.mp3",
        noise,
        rate,
        container_options={"write_xing": "0"},
        coding_options={"flags": "+qscale", "global_quality": "472"},
    )
    raw = (tmp_path / "a.mp3").read_bytes()
    assert b"Xing" not in raw and b"Info" not in raw
    recording = Recording(tmp_path / "a.mp3")
    assert len(heard(recording)) / SAMPLE_RATE == pytest.approx(40, abs=0.2)
    assert recording.warnings == []
    # What the size of the file suggests is no length to be told.
    assert recording.duration is None


@pytest.mark.parametrize("told", [0, (1 << 36) - 1])
def test_a_flac_that_does_not_tell_its_length_is_read_to_its_end(told: int, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.flac", tone(16000), 16000)
    raw = bytearray((tmp_path / "a.flac").read_bytes())
    # The last 36 of these bits count the samples.
    bits = int.from_bytes(raw[18:26], "big") >> 36 << 36
    raw[18:26] = (bits | told).to_bytes(8, "big")
    (tmp_path / "a.flac").write_bytes(raw)
    recording = Recording(tmp_path / "a.flac")
    assert recording.duration is None
    assert len(heard(recording)) == SECONDS * SAMPLE_RATE
    assert recording.warnings == []


def test_opposite_polarity_does_not_cancel(tmp_path: Path) -> None:
    sound = tone(16000)
    soundfile.write(tmp_path / "a.wav", np.stack([sound, -sound], axis=1), 16000)
    assert np.abs(heard(Recording(tmp_path / "a.wav"))).max() > 9000


def test_many_channels_are_mixed(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.stack([tone(16000)] * 6, axis=1), 16000)
    recording = Recording(tmp_path / "a.wav")
    assert recording.channels == 6
    assert pitch(heard(recording)) == pytest.approx(TONE, abs=2)


def test_channels_can_be_kept_apart(tmp_path: Path) -> None:
    both = np.stack([tone(16000), np.zeros(48000)], axis=1)
    soundfile.write(tmp_path / "a.wav", both, 16000)
    left, right = channels_apart(tmp_path / "a.wav")
    assert np.abs(heard(left)).max() > 9000
    assert np.abs(heard(right)).max() == 0


def test_no_number_samples_become_silence(tmp_path: Path) -> None:
    sound = tone(16000).astype(np.float32)
    sound[1000:2000] = np.nan
    sound[5000] = np.inf
    soundfile.write(tmp_path / "a.wav", sound, 16000, subtype="FLOAT")
    samples = heard(Recording(tmp_path / "a.wav"))
    assert len(samples) == 48000
    assert np.abs(samples[1200:1800]).max() < 50


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.webm"])
def test_cut_files_are_read_as_far_as_they_go_and_say_so(tmp_path: Path, name: str) -> None:
    whole = tmp_path / name
    if name.endswith("webm"):
        write_av(whole, "libopus", 48000)
    else:
        soundfile.write(whole, tone(44100), 44100)
    cut = tmp_path / f"cut.{name.partition('.')[2]}"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    recording = Recording(cut)
    seconds = len(heard(recording)) / SAMPLE_RATE
    assert 0.5 < seconds < 2.5
    assert len(recording.warnings) == 1
    assert f"{seconds:.1f} s" in recording.warnings[0]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"RIFF" + b"x" * 400, "no sound file"),
        (b"\x00" * 5000, "no sound file"),
        (b"MZ\x90\x00" * 100, "no sound file"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt ", "no sound file"),
    ],
)
def test_what_is_no_sound_is_refused_in_one_sentence(
    tmp_path: Path, content: bytes, says: str
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    with pytest.raises(UserFault, match=says) as fault:
        list(Recording(path).blocks())
    assert "\n" not in str(fault.value)


def test_header_without_sound_missing_file_and_folder(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(0), 16000)
    with pytest.raises(UserFault, match="no sound in it"):
        Recording(tmp_path / "a.wav")
    with pytest.raises(UserFault, match="no file"):
        Recording(tmp_path / "b.wav")
    with pytest.raises(UserFault, match="folder"):
        Recording(tmp_path)


def test_rate_too_low_for_speech(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(4000), 1000)
    with pytest.raises(UserFault, match="1000 samples a second"):
        Recording(tmp_path / "a.wav")


def test_moved_index_of_an_mp4_cut_short(tmp_path: Path) -> None:
    write_av(tmp_path / "a.m4a", "aac", 44100)
    whole = (tmp_path / "a.m4a").read_bytes()
    (tmp_path / "cut.m4a").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(UserFault, match="before its index was written"):
        Recording(tmp_path / "cut.m4a")


def test_standard_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    soundfile.write(tmp_path / "a.flac", tone(16000), 16000)
    raw = (tmp_path / "a.flac").read_bytes()
    monkeypatch.setattr("sys.stdin", SimpleNamespace(buffer=io.BytesIO(raw)))
    with Recording("-") as recording:
        assert recording.name == "standard input"
        assert recording.sha256() == hashlib.sha256(raw).hexdigest()
        assert len(heard(recording)) == 48000
        copy = recording.path
    assert not copy.exists()


def test_blocks_can_be_read_twice(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone(22050), 22050)
    recording = Recording(tmp_path / "a.wav")
    assert np.array_equal(heard(recording), heard(recording))


def test_long_recordings_are_streamed_in_constant_memory(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    with soundfile.SoundFile(path, "w", 16000, 1) as file:
        for _ in range(600):
            file.write(np.zeros(16000))
    recording = Recording(path)
    for _ in recording.blocks():
        break
    tracemalloc.start()
    total = sum(len(block.samples) for block in recording.blocks())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert total == 600 * 16000
    # Ten minutes are 19 MB as 16-bit samples.
    assert peak < 4_000_000
