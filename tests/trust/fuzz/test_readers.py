"""Whatever is put in: a result or one sentence for the user, never another error.

Each reader gets a few hundred inputs in the usual run and 100,000 with ``-m long``; the count
that was really run is printed.
"""

from __future__ import annotations

import io
import json
import marshal
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from dictate.audio.recording import Recording
from dictate.cohort.courses import Package
from dictate.conversion import opened, reopened
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue, Region
from dictate.exam.reading import read_yaml
from dictate.outputs.fhir.reading import session_from
from dictate.outputs.folder import write_outputs
from dictate.pipeline import understand
from dictate.recognition.words import HeardPhrase, Word
from dictate.session.journal import NOTHING_BEFORE, hash_of, read_journal
from dictate.talk.numbers import find_numbers
from tests.trust.running import ROOT

LONG: Final = 100_000
COUNTS: Final = [pytest.param(200, id="few"), pytest.param(LONG, id="many", marks=pytest.mark.long)]


def throw(count: int, inputs: st.SearchStrategy[Any], at: Callable[[Any], object]) -> None:
    """Give ``at`` that many inputs; a :class:`UserFault` of one sentence is a fair answer."""
    run = refused = 0

    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        derandomize=count < LONG,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    @given(inputs)
    def each(one: Any) -> None:
        nonlocal run, refused
        run += 1
        if run % 10_000 == 0:
            print(f"\n{at.__name__}: {run} so far", flush=True)
        try:
            at(one)
        except UserFault as fault:
            refused += 1
            assert str(fault).strip() and "Traceback" not in str(fault)

    each()
    print(f"\n{at.__name__}: {run} inputs, {refused} refused in a sentence")
    assert run >= count // 2


def damaged(wholes: list[bytes], pieces: list[bytes]) -> st.SearchStrategy[bytes]:
    """Sound documents with some bytes changed, cut out, put in, doubled, or cut off."""
    fresh = st.one_of(st.binary(min_size=0, max_size=6), st.sampled_from(pieces))
    change = st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 40), fresh)

    def changed(whole: bytes, changes: list[tuple[float, int, bytes]], cut: float) -> bytes:
        raw = bytearray(whole)
        for place, removed, put_in in changes:
            at = int(place * (len(raw) + 1))
            raw[at : at + removed] = put_in
        return bytes(raw[: math.ceil(cut * len(raw))])

    cut = st.one_of(st.just(1.0), st.floats(0, 1))
    made = st.builds(changed, st.sampled_from(wholes), st.lists(change, max_size=5), cut)
    return st.one_of(made, made, made, st.binary(max_size=200))


def sounds() -> list[bytes]:
    tone = np.sin(np.arange(1600) / 9) * 0.3
    found = []
    for kind, coding in (
        ("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "IMA_ADPCM"), ("FLAC", "PCM_16"),
        ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"), ("AIFF", "PCM_16"),
    ):  # fmt: skip
        buffer = io.BytesIO()
        soundfile.write(buffer, tone, 16_000, format=kind, subtype=coding)
        found.append(buffer.getvalue())
    return found


@pytest.mark.parametrize("count", COUNTS)
def test_decoders(count: int, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"

    def decode(raw: bytes) -> None:
        path.write_bytes(raw)
        seconds = 0.0
        for block in Recording(path).blocks():
            assert block.samples.dtype == np.int16
            seconds += len(block.samples) / 16_000
            # A lying header may promise hours; what is there decides.
            assert seconds < 3600, "far more sound came out than went in"

    pieces = [
        b"RIFF",
        b"fLaC",
        b"OggS",
        b"\xff" * 4,
        b"\0" * 4,
        b"\xff\xfb\x90\0",
        b"data",
        b"fmt ",
    ]
    throw(count, damaged(sounds(), pieces), decode)


@pytest.mark.parametrize("count", COUNTS)
def test_journal_reader(count: int, made: Path, tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    whole = (made / "journal.jsonl").read_bytes()
    sound = set(map(repr, read_journal(made / "journal.jsonl").entries))
    last = whole.rstrip(b"\n").count(b"\n")

    def read_damaged_journal(raw: bytes) -> None:
        path.write_bytes(raw)
        reading = read_journal(path)
        assert reading.entries
        # A changed fact is told as a problem, but on the last line, which nothing vouches for.
        foreign = [one for one in map(repr, reading.entries) if one not in sound]
        assert not foreign or reading.problems or len(reading.entries) <= last + 1

    throw(
        count,
        damaged([whole], [b"\n", b'"', b"{}", b"}\n{", b"\0", b"1e999", b"NaN"]),
        read_damaged_journal,
    )


@pytest.mark.parametrize(
    "count", [pytest.param(50, id="few"), pytest.param(5000, id="many", marks=pytest.mark.long)]
)
def test_forged_journal(count: int, made: Path, exam: Catalogue, tmp_path: Path) -> None:
    """Lines that no program wrote, in a chain of hashes that fits."""
    lines = (made / "journal.jsonl").read_bytes().splitlines()
    whole = marshal.dumps([json.loads(line)["entry"] for line in lines])

    def outputs_of_forged_journal(changes: list[tuple[list[float], Any, bool]]) -> None:
        entries = marshal.loads(whole)
        for steps, value, removed in changes:
            put_in(entries, steps, value, removed)
        write_chained(tmp_path / "journal.jsonl", entries)
        write_outputs(reopened(*opened(tmp_path), exam), exam, tmp_path)

    steps = st.lists(st.floats(0, 1, exclude_max=True), min_size=2, max_size=6)
    change = st.tuples(steps, st.one_of(JSON_VALUES, st.sampled_from(EXTREMES)), st.booleans())
    throw(count, st.lists(change, min_size=1, max_size=2), outputs_of_forged_journal)


EXTREMES: Final = (
    math.inf, math.nan, 1e308, 10**30, 253402300800, "9" * 60, "1e999999", "1e-999999", "sNaN",
    "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59Z", "2026-01-01T00:00:00",
)  # fmt: skip


FORGED: Final[dict[str, tuple[int, tuple[str | int, ...], Any]]] = {
    "a word that never ends": (1, ("phrase", "words", 1, "end"), math.inf),
    "a length beyond any calendar": (-1, ("seconds",), 10**30),
    "a start at the end of the calendar": (0, ("info", "started"), "9999-12-31T23:59:59Z"),
    "a number of sixty figures": (1, ("phrase", "words", 1, "text"), "9" * 60),
}


@pytest.mark.parametrize("kind", FORGED)
def test_a_forged_line_is_left_out_or_read(
    kind: str, made: Path, exam: Catalogue, tmp_path: Path
) -> None:
    lines = (made / "journal.jsonl").read_bytes().splitlines()
    entries = [json.loads(line)["entry"] for line in lines]
    number, steps, value = FORGED[kind]
    inside = entries[number]
    for step in steps[:-1]:
        inside = inside[step]
    assert steps[-1] in inside or isinstance(inside, list)
    inside[steps[-1]] = value
    write_chained(tmp_path / "journal.jsonl", entries)
    try:
        session = reopened(*opened(tmp_path), exam)
    except UserFault:
        assert number == 0  # without its start nothing is left of a session
        return
    write_outputs(session, exam, tmp_path)
    assert session.findings
    if kind != "a number of sixty figures":
        assert any("damaged" in notice for notice in session.info.notices)


def write_chained(path: Path, entries: list[Any]) -> None:
    previous, made = NOTHING_BEFORE, b""
    for number, entry in enumerate(entries, start=1):
        line = json.dumps({"line": number, "previous": previous, "entry": entry}).encode()
        made += line + b"\n"
        previous = hash_of(line)
    path.write_bytes(made)


@pytest.mark.parametrize("count", COUNTS)
def test_grammar_reader(count: int, tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    region = (ROOT / "grammars/regions/axillae.yaml").read_bytes()
    course = b"version: '1'\ncourse: {course: mine, title: Mine}\nschedule: [{week: 1, places: [vitals]}]\n"
    kinds: tuple[TypeAdapter[Any], ...] = (TypeAdapter(Region), TypeAdapter(Package))

    def read_damaged_yaml(raw: bytes) -> None:
        path.write_bytes(raw)
        for kind in kinds:
            try:
                read_yaml(path, kind)
            except UserFault as fault:
                assert "\n" not in str(fault)

    pieces = [
        b": ",
        b"- ",
        b"\n",
        b"&a ",
        b"*a",
        b"!!python/name:os.system ",
        b"{",
        b"]",
        b"|",
        b"<<",
        b"1e9",
        b"? ",
    ]
    throw(count, damaged([region[:1500], course], pieces), read_damaged_yaml)


JSON_VALUES = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8),
        st.sampled_from(["final", "http://loinc.org", "2026-13-40", "urn:uuid:x", "/min", "Observation"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)  # fmt: skip


@pytest.mark.parametrize("count", COUNTS)
def test_bundle_reader(count: int, made: Path, exam: Catalogue) -> None:
    # Copying by marshal takes a fifth of the time of reading the text again.
    whole = marshal.dumps(json.loads((made / "fhir-bundle.json").read_bytes()))

    def read_damaged_bundle(changes: list[tuple[list[float], Any, bool]]) -> None:
        bundle = marshal.loads(whole)
        for steps, value, removed in changes:
            put_in(bundle, steps, value, removed)
        session_from(bundle, exam)

    steps = st.lists(st.floats(0, 1, exclude_max=True), min_size=1, max_size=9)
    change = st.tuples(steps, JSON_VALUES, st.booleans())
    throw(count, st.lists(change, min_size=1, max_size=3), read_damaged_bundle)


def put_in(data: Any, steps: list[float], value: Any, removed: bool) -> None:
    """Walk down by shares of the number of keys and change or remove what is there."""
    for number, step in enumerate(steps):
        keys = list(data) if isinstance(data, dict) else list(range(len(data)))
        if not keys:
            return
        key = keys[int(step * len(keys))]
        if number + 1 == len(steps) or not isinstance(data[key], dict | list):
            if removed:
                del data[key]
            else:
                data[key] = value
            return
        data = data[key]


NUMBERS_SAID: Final = (
    "zero oh one two three five ten thirteen twenty thirty forty ninety hundred thousand point and a "
    "half quarter third over by to out of plus minus percent degrees fahrenheit celsius centimeters "
    "inches feet pounds per minute millimeters about under less than more grade double triple no "
    "118/76 98.6 2+ 20/20 1e5 0 00 -1 5'10\" ½ ² 37°C 1,5 1:30 9999999999999999999999 thirty-four "
    "first second thank you please the left right"
)


@pytest.mark.parametrize("count", COUNTS)
def test_number_parser(count: int) -> None:
    def read_numbers(tokens: list[str]) -> None:
        after = 0
        for spoken in find_numbers(tokens):
            assert after <= spoken.first <= spoken.last < len(tokens)
            after = spoken.last + 1
            for reading in spoken.readings:
                assert all(math.isfinite(value) for value in reading.values)

    token = st.one_of(*[st.sampled_from(NUMBERS_SAID.split())] * 4, st.text(max_size=8))
    throw(count, st.lists(token, max_size=14), read_numbers)


TALK_SAID: Final = (
    "pulse pressure blood temperature left right both sides other same no not any without clear "
    "scalp lumps eyes pupils equal react light ears nose neck nodes heart lungs breath sounds abdomen "
    "soft tender knee reflex two plus strength five out of five strike that make it scratch correction "
    "look up follow my finger can you feel this yes and now the next is are was I see pink normal "
    "seventy-two 118/76 36.8 regular on over except say ninety nine thank you ? , . -- <b> =1"
)


@pytest.mark.parametrize("count", COUNTS)
def test_talk_parser(count: int, exam: Catalogue) -> None:
    def read_talk(lines: list[list[str]]) -> None:
        phrases, at = [], 0.0
        for line in lines:
            words = tuple(
                Word(text=text, start=at + 0.3 * n, end=at + 0.3 * n + 0.25)
                for n, text in enumerate(line)
            )
            phrases.append(HeardPhrase(words=words, start=at, end=words[-1].end))
            at = words[-1].end + 1
        found = understand(phrases, exam)
        assert len({one.id for one in found}) == len(found)
        assert all(0 <= one.start <= one.end <= at for one in found)

    odd = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=8)
    word = st.one_of(
        *[st.sampled_from(TALK_SAID.split())] * 5, odd.filter(lambda t: t.split() == [t])
    )
    line = st.lists(word, min_size=1, max_size=14)
    throw(count, st.lists(line, min_size=1, max_size=4), read_talk)
