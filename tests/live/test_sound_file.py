from __future__ import annotations

import errno
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.errors import UserFault
from dictate.live.sound_file import SoundFile, readable_sound, sound_blocks


def noise(seconds: float, seed: int = 0) -> Samples:
    values = np.random.default_rng(seed).normal(0, 2_000, round(seconds * SAMPLE_RATE))
    samples: Samples = values.astype(np.int16)
    return samples


def written(path: Path) -> Samples:
    return np.concatenate([np.zeros(0, np.int16), *readable_sound(path)])


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    sound = noise(3)
    with SoundFile(tmp_path / "sound.flac") as file:
        for at in range(0, len(sound), 800):
            file.write(sound[at : at + 800])
        assert file.seconds == 3
    read, rate = soundfile.read(tmp_path / "sound.flac", dtype="int16")
    assert rate == SAMPLE_RATE
    assert np.array_equal(read, sound)


def test_of_a_file_never_closed_less_than_a_second_is_lost(tmp_path: Path) -> None:
    sound = noise(5)
    file = SoundFile(tmp_path / "sound.flac")
    for at in range(0, len(sound), 800):
        file.write(sound[at : at + 800])
    # As it lies on the disk when the process is killed: nothing more is written.
    kept = (tmp_path / "sound.flac").read_bytes()
    torn = tmp_path / "torn.flac"
    for cut in (0, 1, 777, 4_000):
        torn.write_bytes(kept[: len(kept) - cut])
        read = written(torn)
        assert len(sound) - SAMPLE_RATE < len(read) < len(sound)
        assert np.array_equal(read, sound[: len(read)])
    file.close()


def test_new_sound_follows_what_a_torn_file_holds(tmp_path: Path) -> None:
    path = tmp_path / "sound.flac"
    first, second = noise(4), noise(2, seed=1)
    file = SoundFile(path)
    file.write(first)
    os.fsync(file._sink.descriptor)
    path.write_bytes(path.read_bytes()[:-500])
    held = len(written(path))
    with SoundFile(path) as again:
        assert again.samples == held
        again.write(second)
    assert np.array_equal(written(path), np.concatenate([first[:held], second]))
    assert not list(tmp_path.glob("*.part"))


def test_the_sound_from_a_moment_on_has_its_times(tmp_path: Path) -> None:
    sound = noise(3)
    with SoundFile(tmp_path / "sound.flac") as file:
        file.write(sound)
    blocks = list(sound_blocks(tmp_path / "sound.flac", 1.25))
    assert blocks[0].start == 1.25
    assert np.array_equal(np.concatenate([block.samples for block in blocks]), sound[20_000:])


def test_a_full_disk_is_told_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = SoundFile(tmp_path / "sound.flac")
    file.write(noise(2))
    before = len(written(tmp_path / "sound.flac"))

    def full(descriptor: int, content: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("dictate.live.sound_file.os.write", full)
    with pytest.raises(UserFault, match="disk is full"):
        file.write(noise(2))
    monkeypatch.undo()
    assert len(written(tmp_path / "sound.flac")) >= before


def test_a_file_without_a_header_holds_no_sound(tmp_path: Path) -> None:
    (tmp_path / "sound.flac").write_bytes(b"fLaC")
    assert not list(readable_sound(tmp_path / "sound.flac"))
    with SoundFile(tmp_path / "sound.flac") as file:
        assert file.samples == 0
