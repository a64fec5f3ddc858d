"""A disk that fails while a session runs: one sentence, and everything before it is kept."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.live.keys import Key
from dictate.live.session import Around, Ears, LiveSession
from dictate.live.sound_file import SOUND_NAME, SoundFile, readable_sound
from dictate.session.entries import PhraseHeard, SessionEnd
from tests.live.test_live_session import begun, entries_of, kinds, pieces
from tests.live.test_sound_file import noise, written


def failing(
    path: Path, allowed: int, number: int, monkeypatch: pytest.MonkeyPatch
) -> Callable[[], None]:
    """From ``allowed`` bytes on, writing to ``path`` fails with this error; returns the cure."""
    original, held = os.write, 0

    def write(descriptor: int, content: bytes) -> int:
        nonlocal held
        if path.exists() and os.path.sameopenfile(descriptor, known(path)):
            if held + len(content) > allowed:
                # As a disk does: what fits is taken, and the error comes with the rest.
                part = content[: allowed - held]
                if not part:
                    raise OSError(number, os.strerror(number))
                held += original(descriptor, part)
                return len(part)
            held += len(content)
        return original(descriptor, content)

    descriptors: list[int] = []

    def known(path: Path) -> int:
        if not descriptors:
            descriptors.append(os.open(path, os.O_RDONLY))
        return descriptors[0]

    monkeypatch.setattr(os, "write", write)

    def cure() -> None:
        monkeypatch.setattr(os, "write", original)
        for descriptor in descriptors:
            os.close(descriptor)

    return cure


@pytest.mark.parametrize(
    ("name", "allowed", "number", "sentence"),
    [
        (SOUND_NAME, 220_000, errno.ENOSPC, "disk is full"),
        ("journal.jsonl", 4_500, errno.EROFS, "only be read"),
    ],
)
def test_whatever_is_written_when_the_disk_fails_the_rest_is_heard_later(
    exam: Catalogue,
    ears: Ears,
    talk: Samples,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    allowed: int,
    number: int,
    sentence: str,
) -> None:
    folder = tmp_path / "live"
    session = begun(folder, exam, ears)
    cure = failing(folder / name, allowed, number, monkeypatch)
    given: list[int] = []

    def counted() -> Iterator[Samples]:
        for piece in pieces(talk, session):
            given.append(len(piece))
            yield piece

    with pytest.raises(UserFault, match=sentence):
        session.listening.play(counted())
    session.listening._catch_up()  # What was being decoded is of no session any more.
    try:
        session.leave()
    except UserFault as fault:
        assert sentence in str(fault)
    cure()
    heard = sum(given) / SAMPLE_RATE
    assert 5 < heard < 44
    kept = np.concatenate(list(readable_sound(folder / SOUND_NAME)))
    assert len(kept) / SAMPLE_RATE > heard - 1
    assert np.array_equal(kept, talk[: len(kept)])
    before = entries_of(folder)
    again = LiveSession.take_up(folder, exam, ears, Around())
    again.hear_the_rest()
    done = again.finish()
    after = entries_of(folder)
    assert after[: len(before)] == before
    assert isinstance(after[-1], SessionEnd)
    reached = max(entry.phrase.end for entry in kinds(folder, PhraseHeard))  # type: ignore[union-attr]
    assert reached > heard - 6, "speech before the fault was not heard when it was taken up"
    assert done.info.seconds == pytest.approx(len(kept) / SAMPLE_RATE, abs=0.01)


def test_a_copy_that_found_no_room_is_not_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / SOUND_NAME
    with SoundFile(path) as file:
        file.write(noise(4))
    whole = path.read_bytes()
    (tmp_path / f".{SOUND_NAME}.99.part").write_bytes(b"left by a program that was killed")
    original, taken = os.write, 0

    def write(descriptor: int, content: bytes) -> int:
        nonlocal taken
        taken += len(content)
        if taken > 60_000:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return original(descriptor, content)

    monkeypatch.setattr(os, "write", write)
    with pytest.raises(UserFault, match="disk is full"):
        SoundFile(path)
    monkeypatch.undo()
    assert path.read_bytes() == whole
    assert [one.name for one in tmp_path.iterdir()] == [SOUND_NAME]
    with SoundFile(path) as again:
        assert again.seconds == 4
    assert len(written(path)) == 4 * SAMPLE_RATE


class PowerCutError(Exception):
    pass


def test_a_key_pressed_while_somebody_speaks_hides_nothing_from_taking_up(
    exam: Catalogue, ears: Ears, talk: Samples, tmp_path: Path
) -> None:
    folder = tmp_path / "live"
    session = begun(folder, exam, ears)

    # From 0:23.0 to 0:25.1 the breaths are told; the program is gone before that is over.
    def cut_off() -> Iterator[Samples]:
        stream = pieces(talk[: 30 * SAMPLE_RATE], session, {24.6: Key("m", "mark")})
        for place, piece in enumerate(stream):
            if place * len(piece) > 24.8 * SAMPLE_RATE:
                raise PowerCutError
            yield piece

    with pytest.raises(PowerCutError):
        session.listening.play(cut_off())
    session.leave()
    before = max(entry.phrase.end for entry in kinds(folder, PhraseHeard))  # type: ignore[union-attr]
    assert before < 23
    again = LiveSession.take_up(folder, exam, ears, Around())
    again.hear_the_rest()
    done = again.finish()
    last = done.phrases[-1]
    assert last.start < 23.5 < last.end, [phrase.text for phrase in done.phrases]
