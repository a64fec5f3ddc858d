"""Timed transcripts, well-formed and hostile."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dictate.errors import UserFault
from dictate.recognition.timed_text import is_timed_text, read_timed_text
from dictate.recognition.words import HeardPhrase


def read(path: Path, content: str | bytes) -> list[HeardPhrase]:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return list(read_timed_text(path))


VTT = """WEBVTT - practice session

STYLE
::cue { color: red }

NOTE not spoken
nor this --> line

intro
00:01.000 --> 00:03.500 align:start
<v.loud Anna Lind>Pressure is <00:02.000>134/88</v>

01:00:04.000 --> 01:00:06.000
<v Bo>Temp &lt;36.8&gt;
<c.x>grade</c> 2+
"""


def test_webvtt(tmp_path: Path) -> None:
    first, second = read(tmp_path / "a.vtt", VTT)
    assert first.text == "Pressure is 134/88"
    assert first.speaker == "Anna Lind"
    assert [(word.start, word.end) for word in first.words] == [
        pytest.approx((1.0, 1.75)),
        pytest.approx((1.75, 2.0)),
        pytest.approx((2.0, 3.5)),
    ]
    assert second.text == "Temp <36.8> grade 2+"
    assert second.speaker == "Bo"
    assert second.start == 3604.0
    assert second.end == 3606.0
    assert all(word.confidence == 1 for word in (*first.words, *second.words))


def test_two_voices_in_one_cue_become_two_phrases(tmp_path: Path) -> None:
    cue = "WEBVTT\n\n00:00.000 --> 00:04.000\n<v A>Sore here?</v> <v B>nope</v>\n"
    first, second = read(tmp_path / "a.vtt", cue)
    assert (first.speaker, first.text, second.speaker, second.text) == (
        "A", "Sore here?", "B", "nope",
    )  # fmt: skip
    assert first.start == 0
    assert first.end == second.start
    assert second.end == 4


def test_subrip_with_comma_times_and_styles(tmp_path: Path) -> None:
    content = "1\r\n00:00:01,500 --> 00:00:02,500\r\n<i>left</i> {\\an8}ear\r\n\r\n2\r\n00:00:03,000 --> 00:00:04,000\r\nEXAMINER: clear.\r\n"
    first, second = read(tmp_path / "a.srt", content)
    assert first.text == "left ear"
    assert first.start == 1.5
    assert (second.speaker, second.text) == ("EXAMINER", "clear.")


def test_plain_lines_spread_words_up_to_the_next_stamp(tmp_path: Path) -> None:
    content = "[0:05] Temperature 36.8 today\nand pulse 2+\n\n[1:00:09] Partner: fine\n"
    first, second = read(tmp_path / "a.txt", content)
    assert first.text == "Temperature 36.8 today and pulse 2+"
    assert first.start == 5
    assert second.start == 3609
    assert second.speaker == "Partner"
    assert 0.3 < second.end - second.start < 2
    starts = [word.start for word in first.words]
    assert starts == sorted(starts)


@pytest.mark.parametrize("raw", ["[0:01] caf\u00e9 36 \u00b0C".encode(), "\ufeff[0:01] caf\u00e9 36 \u00b0C".encode(), "[0:01] caf\u00e9 36 \u00b0C".encode("cp1252"), "[0:01] caf\u00e9 36 \u00b0C".encode("utf-16")], ids=["utf-8", "mark", "cp1252", "utf-16"])  # fmt: skip
def test_encodings(tmp_path: Path, raw: bytes) -> None:
    assert is_timed_text(raw)
    (phrase,) = read(tmp_path / "a.txt", raw)
    assert phrase.text == "caf\u00e9 36 \u00b0C"


@pytest.mark.parametrize(
    ("name", "content", "line", "says"),
    [
        ("a.vtt", "WEBVTT\n\n00:05.000 --> 00:03.000\nx\n", 3, "ends before it begins"),
        ("a.vtt", "WEBVTT\n\n00:05 --> 00:08\nx\n", 3, "no pair of times"),
        ("a.vtt", "WEBVTT\n\n00:75.000 --> 00:80.000\nx\n", 3, "up to 59"),
        ("a.srt", "1\n00:00:01,000 --> 00:00:02,000\nx\n\n2\nwhere is it\n", 5, "missing"),
        ("a.srt", "1\n00:00:01,000 -> 00:00:02,000\nx\n\n1\n00:00:01,0 --> bad\ny", 1, "missing"),
        ("a.txt", "[0:09] x\n[0:04] y\n", 2, "earlier"),
        ("a.txt", "[0:09] x\n[four] y\n[4] z\n", 3, "no stamp"),
        ("a.txt", "before\n[0:09] x\n", 1, "before the first stamp"),
        ("a.txt", "[0:09] x\n[0:77] y\n", 2, "up to 59"),
    ],
)
def test_broken_lines_are_named(
    tmp_path: Path, name: str, content: str, line: int, says: str
) -> None:
    with pytest.raises(UserFault, match=f"line {line}: .*{says}"):
        read(tmp_path / name, content)


def test_endless_line_and_text_without_times_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UserFault, match="longer than"):
        read(tmp_path / "a.txt", "[0:01] " + "x " * 60_000)
    with pytest.raises(UserFault, match="no timed text"):
        read(tmp_path / "a.vtt", "WEBVTT\n\n")


def test_long_transcripts_are_streamed(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("".join(f"[{at // 60}:{at % 60:02d}] pulse 72\n" for at in range(50_000)))
    phrases = read_timed_text(path)
    assert next(phrases).start == 0
    assert sum(1 for _ in phrases) == 49_999


_PIECES = (
    "WEBVTT|\n|\n\n|00:01.000 --> 00:02.000|00:03,5 --> 9|[0:05]|[|]|<v A>|</v>|<00:01.500>|pulse"
    "|134/88|&amp;|-->|1|\x00|\ufeff|NOTE|a: b"
)
PIECES = st.sampled_from(_PIECES.split("|"))


@settings(
    max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(pieces=st.lists(PIECES, max_size=25), joint=st.sampled_from(["", " ", "\n"]))
def test_any_text_gives_ordered_words_or_one_plain_sentence(
    tmp_path: Path, pieces: list[str], joint: str
) -> None:
    try:
        phrases = read(tmp_path / "a.txt", joint.join(pieces))
    except UserFault as fault:
        assert "\n" not in str(fault)
        return
    for phrase in phrases:
        assert phrase.words
        assert all(word.start <= word.end for word in phrase.words)
        starts = [word.start for word in phrase.words]
        assert starts == sorted(starts)


@settings(
    max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(raw=st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path: Path, raw: bytes) -> None:
    is_timed_text(raw)
    try:
        read(tmp_path / "a.srt", raw)
    except UserFault as fault:
        assert "\n" not in str(fault)
