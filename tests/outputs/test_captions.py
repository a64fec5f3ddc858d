"""Captions and chapters as WebVTT.

Outside check: FFmpeg's WebVTT reader (through PyAV) reads the same cues.
"""

from __future__ import annotations

import html
import re
from itertools import pairwise
from pathlib import Path

import av
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_session import invented_session

from dictate.exam.catalogue import Catalogue
from dictate.outputs.captions import captions, chapter_list, chapters
from dictate.recognition.words import HeardPhrase, Word
from dictate.session.record import Session

# The cue timing line of the W3C recommendation "WebVTT: The Web Video Text Tracks Format", 4.1.
TIMING = re.compile(
    r"(\d\d+):([0-5]\d):([0-5]\d)\.(\d{3}) --> (\d\d+):([0-5]\d):([0-5]\d)\.(\d{3})"
)


def cues_of(text: str) -> list[tuple[float, float, str]]:
    """Cues by the grammar of the recommendation, without tags; raises on anything else."""
    blocks = text.strip("\n").split("\n\n")
    assert blocks[0] == "WEBVTT" and blocks[1].startswith("NOTE\n")
    cues = []
    for block in blocks[2:]:
        lines = block.split("\n")
        if not TIMING.fullmatch(lines[0]):
            assert "-->" not in lines.pop(0)
        timing = TIMING.fullmatch(lines.pop(0))
        assert timing is not None
        assert lines and not any("-->" in line for line in lines)
        parts = [int(part) for part in timing.groups()]
        start, end = (
            parts[at] * 3600 + parts[at + 1] * 60 + parts[at + 2] + parts[at + 3] / 1000
            for at in (0, 4)
        )
        assert start < end
        cues.append((start, end, " ".join(lines)))
    assert cues == sorted(cues, key=lambda cue: cue[0])
    return cues


def test_cues_follow_the_talk(session: Session) -> None:
    cues = cues_of(captions(session))
    assert (23.5, 26.75, "left one thirty over eighty four") in cues
    assert any(text == "<v partner>nope" for _, _, text in cues)
    assert (2.0, 3.0, "[unclear: mumble --&gt; &amp; &lt;v x&gt;]") in cues
    lines = captions(session).split("\n")[4:]
    assert all(len(html.unescape(line)) <= 50 for line in lines)


def test_ffmpeg_reads_the_same_cues(tmp_path: Path, session: Session) -> None:
    path = tmp_path / "captions.vtt"
    path.write_text(captions(session), encoding="utf-8")
    with av.open(str(path)) as container:
        stream = container.streams[0]
        assert stream.codec_context.name == "webvtt" and stream.time_base is not None
        read = [
            (
                float(packet.pts * stream.time_base),
                float((packet.pts + packet.duration) * stream.time_base),
                " ".join(bytes(packet).decode().split("\n")),
            )
            for packet in container.demux(stream)
            if packet.pts is not None
        ]
    for one, other in zip(read, cues_of(captions(session)), strict=True):
        assert one[2] == other[2]
        assert one[:2] == pytest.approx(other[:2], abs=0.0011)


def test_chapters_follow_the_regions(session: Session, catalogue: Catalogue) -> None:
    listed = chapter_list(session, catalogue)
    assert [chapter.title for chapter in listed] == [
        "Vital signs",
        "Head and face",
        "Eyes",
        "Back and posterior chest",
        "Nervous system",
        "Other items",
    ]
    assert all(a.end == b.start for a, b in pairwise(listed))
    assert listed[-1].end == session.info.seconds
    assert [text for _, _, text in cues_of(chapters(session, catalogue))] == [
        chapter.title for chapter in listed
    ]


def test_a_short_remark_does_not_break_a_chapter(catalogue: Catalogue) -> None:
    whole = invented_session()
    vital = whole.findings[2]
    other = whole.findings[9]
    findings = (
        vital.model_copy(update={"start": 0.0, "end": 5.0}),
        other.model_copy(update={"start": 6.0, "end": 8.0}),
        vital.model_copy(update={"id": "x", "start": 9.0, "end": 12.0}),
        other.model_copy(update={"id": "y", "start": 20.0, "end": 40.0}),
        vital.model_copy(update={"id": "z", "start": 41.0, "end": 45.0}),
    )
    session = whole.model_copy(update={"findings": findings})
    assert [(one.region, one.start) for one in chapter_list(session, catalogue)] == [
        ("vitals", 0.0),
        ("head", 20.0),
        ("vitals", 41.0),
    ]


@given(
    st.lists(
        st.tuples(
            st.text(min_size=1, max_size=15),
            st.floats(0, 1e5),
            st.floats(0, 3),
            st.none() | st.text(min_size=1, max_size=9),
        ),
        max_size=8,
    )
)
@settings(deadline=None)
def test_any_words_make_a_file_of_the_grammar(
    phrases: list[tuple[str, float, float, str | None]],
) -> None:
    heard = tuple(
        HeardPhrase(
            words=(Word(text=text, start=start, end=start + length),),
            start=start,
            end=start + length,
            speaker=speaker,
        )
        for text, start, length, speaker in phrases
    )
    cues = cues_of(captions(invented_session(phrases=heard)))
    spoken = [text for text, *_ in phrases if text.strip()]
    assert len(cues) == len(spoken)


def test_empty_session_gives_a_file_without_cues(catalogue: Catalogue) -> None:
    empty = invented_session(phrases=(), findings=())
    assert cues_of(captions(empty)) == [] == cues_of(chapters(empty, catalogue))
