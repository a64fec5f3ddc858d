from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.audio.recording import Recording
from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.conversion import convert, opened
from dictate.exam.catalogue import Catalogue
from dictate.live.capture import Back, Gone, Lost
from dictate.live.command_ear import HeardAnswer
from dictate.live.keys import Key, TypedValue
from dictate.live.listening import Event, Silence
from dictate.live.session import Around, Ears, LiveSession
from dictate.live.shown import Shown
from dictate.live.sound_file import readable_sound
from dictate.session.entries import (
    Confirmation,
    Correction,
    Entry,
    Mark,
    Notice,
    PhraseHeard,
    SessionEnd,
    SpokenCommand,
)
from tests.bench.speech import VOICES, Voice, available, speak

BLOCK = SAMPLE_RATE // 20
SLT = next(voice for voice in VOICES if voice.name == "flite-slt")
TALKER = next(voice for voice in VOICES if voice.name == "flite-awb")
"""Speaks in the sample too. Once its voice is learnt, another's single "no" is heard as "now"."""


def begun(folder: Path, exam: Catalogue, ears: Ears, around: Around | None = None) -> LiveSession:
    return LiveSession.begin(
        folder,
        exam,
        ears,
        around or Around(),
        learner="L1",
        partner="P1",
        consent="P1 agreed",
        course="",
        device="a test",
    )


def pieces(
    samples: Samples, session: LiveSession, events: dict[float, Event] | None = None
) -> Iterator[Samples]:
    """Blocks as a microphone gives them, with events at their seconds."""
    due = sorted((events or {}).items())
    silence = np.zeros(SAMPLE_RATE, dtype=np.int16)
    whole = np.concatenate([samples, silence])
    for at in range(0, len(whole), BLOCK):
        while due and due[0][0] * SAMPLE_RATE <= at:
            session.deliver(due.pop(0)[1])
        yield whole[at : at + BLOCK]
    for _, event in due:
        session.deliver(event)


def entries_of(folder: Path) -> tuple[Entry, ...]:
    return opened(folder)[1].entries


def kinds(folder: Path, kind: type[Entry]) -> list[Entry]:  # type: ignore[valid-type]
    return [entry for entry in entries_of(folder) if isinstance(entry, kind)]


def test_a_live_session_equals_the_conversion_of_its_sound(
    exam: Catalogue, fresh_ears: Ears, talk_file: Path, tmp_path: Path
) -> None:
    # As the conversion reads the file: its sound differs from what was written by a bit or two.
    talk = np.concatenate([block.samples for block in Recording(talk_file).blocks()])
    session = begun(tmp_path / "live", exam, fresh_ears)
    session.listening.play(pieces(talk, session))
    live = session.finish()
    converted = convert(talk_file, exam, None, engine="pocketsphinx")
    assert [phrase.text for phrase in live.phrases] == [phrase.text for phrase in converted.phrases]
    assert [(f.item, f.side, f.value, f.struck) for f in live.findings] == [
        (f.item, f.side, f.value, f.struck) for f in converted.findings
    ]
    assert len(live.phrases) > 8
    assert len({finding.item for finding in live.findings if finding.value is not None}) >= 3
    sound, _ = soundfile.read(tmp_path / "live" / "sound.flac", dtype="int16")
    assert np.array_equal(sound[: len(talk)], talk)
    assert live.info.seconds == pytest.approx(len(sound) / SAMPLE_RATE)
    assert len(live.info.sound_sha256) == 64


def test_keys_pause_mark_strike_and_replace(
    exam: Catalogue, ears: Ears, talk: Samples, tmp_path: Path
) -> None:
    session = begun(tmp_path / "live", exam, ears)
    # 0:22 to 0:24 the pulse is told; the correction and the taking back concern it.
    session.listening.play(
        pieces(
            talk,
            session,
            {
                2.0: Key("space", "pause_or_resume"),
                5.0: Key("space", "pause_or_resume"),
                10.0: Key("m", "mark"),
                26.0: TypedValue("84"),
                26.5: Key("s", "strike"),
                27.0: Key("q", "done"),
            },
        )
    )
    done = session.finish()
    folder = tmp_path / "live"
    assert [entry.name for entry in kinds(folder, SpokenCommand)] == [
        "pause_or_resume", "pause_or_resume", "mark", "replace", "strike", "done",
    ]  # fmt: skip
    (mark,) = kinds(folder, Mark)
    # Three seconds were not recorded.
    assert mark.seconds == pytest.approx(7.0, abs=0.2)
    assert done.info.seconds == pytest.approx(24.0, abs=0.3)
    replaced, struck = kinds(folder, Correction)
    assert replaced.by == "L1"
    # One number mends the nearer half of the pressure that was told last.
    assert replaced.before.value.model_dump()["diastolic"] == 88
    assert replaced.after.value.model_dump()["diastolic"] == 84
    assert struck.after is None
    standing = [one.value for one in done.findings if one.stands]
    assert replaced.before.value not in standing
    assert struck.before.value not in standing


def test_what_is_said_while_paused_is_kept_nowhere(
    exam: Catalogue, ears: Ears, talk: Samples, tmp_path: Path
) -> None:
    session = begun(tmp_path / "live", exam, ears)
    session.listening.play(pieces(talk[: 20 * SAMPLE_RATE], session, {0.0: Key("p", "pause")}))
    done = session.finish()
    assert not done.phrases
    assert done.info.seconds < 0.2


class Talking(Silence):
    """A voice that sounds all the time between two moments of its hearing."""

    speaks = True

    def __init__(self) -> None:
        self.said: list[str] = []
        self.tones: list[str] = []
        self.sounding = False

    def say(self, sentence: str) -> None:
        self.said.append(sentence)

    def tone(self, tone: str) -> None:
        self.tones.append(tone)

    def silent_at(self, moment: float) -> bool:
        return not self.sounding


def test_the_microphone_does_not_hear_the_answers(
    exam: Catalogue, ears: Ears, talk: Samples, tmp_path: Path
) -> None:
    voice = Talking()
    session = begun(tmp_path / "live", exam, ears, Around(voice))
    voice.sounding = True
    session.listening.play(pieces(talk[: 8 * SAMPLE_RATE], session))
    done = session.finish()
    assert not done.phrases
    sound = np.concatenate(list(readable_sound(tmp_path / "live" / "sound.flac")))
    assert len(sound) == 9 * SAMPLE_RATE  # The times stay true.
    assert not sound.any()


@pytest.mark.parametrize(
    ("key", "kind"), [(Key("y", None, True), Confirmation), (Key("n", None, False), Correction)]
)
def test_a_doubtful_number_is_asked_once_and_settled(
    exam: Catalogue,
    ears: Ears,
    talk: Samples,
    tmp_path: Path,
    key: Key,
    kind: type[Entry],  # type: ignore[valid-type]
) -> None:
    voice = Talking()
    shown: list[Shown] = []
    session = begun(tmp_path / "live", exam, ears, Around(voice, show=shown.append))
    # The pressure of 0:11 to 0:15 is garbled, so it is asked for; the key answers.
    session.listening.play(pieces(talk[: 25 * SAMPLE_RATE], session, {17.4: key}))
    session.finish()
    assert any(one.question.startswith("Blood pressure, right, 134/88") for one in shown)
    assert sum("134/88" in sentence and "?" in sentence for sentence in voice.said) == 1
    assert "doubtful" in voice.tones
    settled = kinds(tmp_path / "live", kind)
    assert len(settled) == 1
    about = settled[0].seen if isinstance(settled[0], Confirmation) else settled[0].before
    assert about.item == "vitals.blood_pressure"


@pytest.mark.skipif(not available(SLT), reason="the synthesiser flite is not installed")
@pytest.mark.parametrize(
    ("said", "voice_of", "kind", "value"),
    [
        ("yes", SLT, Confirmation, (134, 88)),
        ("no", TALKER, Correction, None),
        ("no, one thirty over eighty", SLT, Correction, (130, 80)),
    ],
)
def test_a_spoken_answer_settles_a_doubtful_number(
    exam: Catalogue,
    ears: Ears,
    talk: Samples,
    tmp_path: Path,
    said: str,
    voice_of: Voice,
    kind: type[Entry],  # type: ignore[valid-type]
    value: tuple[int, int] | None,
) -> None:
    voice = Talking()
    session = begun(tmp_path / "live", exam, ears, Around(voice))
    # The garbled pressure ends at 0:15; it is asked for, and the next thing said is the answer.
    gap = np.random.default_rng(5).normal(0, 10, SAMPLE_RATE).astype(np.int16)
    answer = np.asarray(speak(said, voice_of, tmp_path) * 20_000, dtype=np.int16)
    session.listening.play(
        pieces(np.concatenate([talk[: 16 * SAMPLE_RATE], gap, answer, gap, gap]), session)
    )
    done = session.finish()
    asked = [sentence for sentence in voice.said if "134/88" in sentence and "?" in sentence]
    assert len(asked) == 1
    (told,) = kinds(tmp_path / "live", SpokenCommand)
    assert told.name == "answer"
    assert told.said_until == pytest.approx(17 + len(answer) / SAMPLE_RATE, abs=0.5)
    settled = [*kinds(tmp_path / "live", Confirmation), *kinds(tmp_path / "live", Correction)]
    assert [type(entry) for entry in settled] == [kind]
    # The answer is no part of the talk, and what stands is what was agreed to.
    assert all(phrase.end < 16 for phrase in done.phrases)
    standing = [
        (one.value.model_dump()["systolic"], one.value.model_dump()["diastolic"], one.doubtful)
        for one in done.findings
        if one.stands and one.value is not None and one.item == "vitals.blood_pressure"
    ]
    assert standing == ([] if value is None else [(*value, False)])


@pytest.mark.parametrize(
    ("answer", "text", "agreed"),
    [
        (HeardAnswer(True, "yep", (), False, frozenset(["yes", "yep"])), "yes", True),
        (HeardAnswer(True, "yep", (), False, frozenset(["yes", "yep"])), "yes and the eyes", False),
        (HeardAnswer(True, "yes", (), False, frozenset(["yes"])), "", False),
        (HeardAnswer(None, "eighty two", ("eighty", "two"), False), "eighty two", True),
        (HeardAnswer(None, "eighty two", ("eighty", "two"), False), "it is eighty two", True),
        (HeardAnswer(None, "eighty two", ("eighty", "two"), False), "eighty", False),
        (HeardAnswer(None, "eighty two", ("eighty", "two"), False), "pulse eighty two", False),
        (
            HeardAnswer(False, "nope ten", ("ten",), False, frozenset(["no", "nope"])),
            "no ten",
            True,
        ),
    ],
)
def test_a_short_answer_needs_a_second_witness(
    answer: HeardAnswer, text: str, agreed: bool
) -> None:
    assert answer.heard_in(text) == agreed


def test_lost_sound_and_an_unplugged_microphone_are_journalled(
    exam: Catalogue, ears: Ears, talk: Samples, tmp_path: Path
) -> None:
    shown: list[Shown] = []
    session = begun(tmp_path / "live", exam, ears, Around(show=shown.append))
    session.listening.play(
        pieces(
            talk[: 12 * SAMPLE_RATE],
            session,
            {1.0: Lost(3), 9.0: Gone("The microphone is gone."), 11.0: Back("another")},
        )
    )
    done = session.finish()
    told = " ".join(entry.sentence for entry in kinds(tmp_path / "live", Notice))
    assert "lost 3 time(s)" in told
    assert "The microphone is gone." in told
    assert "'another'" in told
    assert shown[-1].lost == 3
    assert "waiting for a microphone" in {one.state for one in shown}
    assert done.phrases
    assert done.info.seconds == pytest.approx(11.0, abs=0.2)  # Two of thirteen seconds lack.


@pytest.mark.skipif(not available(SLT), reason="the synthesiser flite is not installed")
def test_spoken_commands_are_done_and_are_no_findings(
    exam: Catalogue, ears: Ears, talk: Samples, tmp_path: Path
) -> None:
    answers = Talking()
    gap = np.random.default_rng(3).normal(0, 10, int(1.2 * SAMPLE_RATE)).astype(np.int16)
    said = [talk[: 25 * SAMPLE_RATE], gap]
    for line in (
        "marmalade, mark this moment",
        "marmalade, read back",
        "marmalade, strike that",
        "marmalade, all done",
        "temperature thirty seven",
    ):
        said += [np.asarray(speak(line, SLT, tmp_path) * 20_000, dtype=np.int16), gap]
    session = begun(tmp_path / "live", exam, ears, Around(answers))
    ending = session.listening.play(pieces(np.concatenate(said), session))
    done = session.finish()
    assert ending == "done"
    assert [entry.name for entry in kinds(tmp_path / "live", SpokenCommand)] == [
        "mark", "read_back", "strike", "done",
    ]  # fmt: skip
    assert any("Pulse rate: 68" in sentence for sentence in answers.said), answers.said
    (struck,) = kinds(tmp_path / "live", Correction)
    assert struck.after is None
    results = [one for one in done.findings if one.value is not None and not one.superseded_by]
    assert struck.before.end == max(one.end for one in results)
    assert struck.before.id in {one.id for one in done.findings if one.struck}
    assert all(phrase.end < 26 for phrase in done.phrases)


def test_a_session_goes_on_where_it_was_left(
    exam: Catalogue, ears: Ears, talk: Samples, tmp_path: Path
) -> None:
    folder = tmp_path / "live"
    half = 19 * SAMPLE_RATE
    session = begun(folder, exam, ears)
    session.listening.play(pieces(talk[:half], session))
    first = session.finish()
    again = LiveSession.take_up(folder, exam, ears, Around())
    again.hear_the_rest()
    again.listening.play(pieces(talk[half:], again))
    whole = again.finish()
    assert whole.info.id == first.info.id
    assert len(whole.phrases) > len(first.phrases)
    assert whole.phrases[: len(first.phrases)] == first.phrases
    assert whole.phrases[len(first.phrases)].start > first.info.seconds - 1
    assert whole.info.seconds == pytest.approx(len(talk) / SAMPLE_RATE + 2, abs=0.2)
    assert len(kinds(folder, SessionEnd)) == 2
    assert len(kinds(folder, PhraseHeard)) == len(whole.phrases)
    assert opened(folder)[1].intact
