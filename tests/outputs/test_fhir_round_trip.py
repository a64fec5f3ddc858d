"""A bundle read back gives the same findings; foreign and damaged files are refused politely."""

from __future__ import annotations

import json
from copy import deepcopy
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_session import invented_catalogue, invented_session

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.findings.coverage import coverage_of
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Trials,
    Value,
)
from dictate.outputs.fhir.bundle import collection_bundle
from dictate.outputs.fhir.document import document_bundle
from dictate.outputs.fhir.exact_json import read_json, write_json
from dictate.outputs.fhir.reading import read_bundle, session_from
from dictate.outputs.fhir.validation import validate_file, validate_resource
from dictate.session.record import Session

CATALOGUE = invented_catalogue()
WRITERS = {"collection": collection_bundle, "document": document_bundle}


def through_a_file(session: Session, kind: str) -> Session:
    text = write_json(WRITERS[kind](session, CATALOGUE, "ef" * 32))
    return session_from(read_json(text, "the bundle"), CATALOGUE)


@pytest.mark.parametrize("kind", WRITERS)
def test_the_invented_session_comes_back(kind: str) -> None:
    session = invented_session()
    back = through_a_file(session, kind)
    ordered = sorted(session.findings, key=lambda one: (one.start, one.end, one.id))
    assert list(back.findings) == ordered
    assert back.coverage == coverage_of(session.findings, CATALOGUE)
    assert back.state == session.state
    kept = back.info.model_dump(exclude={"consent", "notices"})
    assert kept == session.info.model_dump(exclude={"consent", "notices"})


numbers = st.decimals(
    min_value=-9999, max_value=9999, allow_nan=False, allow_infinity=False, places=2
) | st.integers(-500, 500).map(Decimal)
texts = st.text(
    st.characters(
        exclude_categories=["Cs", "Cc", "Zs", "Zl", "Zp"], exclude_characters="\u200b\ufeff"
    )
    | st.just(" "),
    min_size=1,
    max_size=30,
).filter(lambda text: text.strip() and "\ufffe" not in text and "\uffff" not in text)
keys = st.from_regex(r"[a-z][a-z0-9_]{0,9}", fullmatch=True)
units = st.sampled_from(["/min", "cm", "mm[Hg]", "Cel", "%", "kg", "s", "deg"])


@st.composite
def quantities(draw: st.DrawFn) -> Quantity:
    number = draw(numbers)
    high = draw(st.none() | numbers.filter(lambda other: other >= number))
    said = draw(st.none() | numbers)
    return Quantity(
        number=number,
        high=high,
        unit=draw(units),
        comparator=draw(st.sampled_from([None, "<", "<=", ">", ">="])),
        approximate=draw(st.booleans()),
        said_number=said,
        said_unit=draw(units) if said is not None else None,
    )


values: st.SearchStrategy[Value] = st.one_of(
    quantities(),
    st.builds(Pressure, systolic=numbers, diastolic=numbers, unit=units, approximate=st.booleans()),
    st.builds(Ratio, numerator=numbers, denominator=numbers, letters=st.integers(-5, 5)),
    st.builds(
        Grade,
        grade=numbers,
        scale=st.sampled_from(["strength", "reflex", "unheard_of"]),
        out_of=st.none() | st.integers(0, 10),
        modifier=st.sampled_from([None, "plus", "minus"]),
    ),
    st.sampled_from(
        [
            Choice(code=reading.code, title=reading.title, denied=denied)
            for item in CATALOGUE.items.values()
            for reading in item.readings
            for denied in (False, True)
        ]
    ),
    st.builds(
        Trials,
        answers=st.lists(texts, max_size=4).map(tuple),
        right=st.none() | st.integers(0, 9),
        wrong=st.none() | st.integers(0, 9),
    ),
    st.builds(Text, text=texts),
)


@st.composite
def findings(draw: st.DrawFn) -> Finding:
    value = draw(st.none() | values)
    item = draw(st.sampled_from([*CATALOGUE.items.values()]))
    if isinstance(value, Choice):
        # A reading belongs to an item; another item's would be another code.
        item = next(
            one
            for one in CATALOGUE.items.values()
            if any(r.code == value.code and r.title == value.title for r in one.readings)
        )
    start = draw(st.floats(0, 5000, allow_nan=False))
    alternatives = draw(
        st.lists(values.filter(lambda one: not isinstance(one, Choice)), max_size=2)
    )
    return Finding(
        id=draw(keys),
        item=item.id,
        side=draw(st.sampled_from([None, "left", "right", "both", "midline", "unspecified"])),
        side_inferred=draw(st.booleans()),
        site=draw(st.none() | keys),
        value=value,
        status=draw(
            st.sampled_from([None, "normal", "abnormal", "present", "absent", "indeterminate"])
        ),
        level=draw(st.sampled_from(list(Level)[1:])),
        certainty=draw(st.sampled_from(["sure", "hedged"])),
        start=start,
        end=start + draw(st.floats(0, 30, allow_nan=False)),
        words=draw(texts),
        utterances=draw(st.lists(st.integers(0, 999), max_size=3).map(tuple)),
        confidence=draw(st.floats(0, 1, allow_nan=False)),
        speaker=draw(st.sampled_from(["examiner", "partner", "unknown"])),
        doubts=draw(st.lists(texts, max_size=2).map(tuple)),
        alternatives=tuple(alternatives),
        superseded_by=draw(st.none() | keys),
        struck=draw(st.booleans()),
        by_hand=draw(st.booleans()),
    )


@given(st.lists(findings(), max_size=4, unique_by=lambda one: one.id), st.sampled_from([*WRITERS]))
@settings(max_examples=150, deadline=None)
def test_any_findings_come_back(made: list[Finding], kind: str) -> None:
    session = invented_session(
        findings=tuple(made), coverage=coverage_of(made, CATALOGUE), derived=(), flags=()
    )
    back = through_a_file(session, kind)
    assert list(back.findings) == sorted(made, key=lambda one: (one.start, one.end, one.id))
    digits = [
        str(one.value.number)
        for one in made
        if isinstance(one.value, Quantity) and not one.value.high
    ]
    read = [
        one.value for one in back.findings if isinstance(one.value, Quantity) and not one.value.high
    ]
    assert sorted(str(value.number) for value in read) == sorted(digits)
    bundle = WRITERS[kind](session, CATALOGUE)
    assert validate_resource(read_json(write_json(bundle), "x")) == ()


def test_reading_from_a_file(tmp_path: Path, catalogue: Catalogue) -> None:
    path = tmp_path / "bundle.json"
    path.write_text(write_json(collection_bundle(invented_session(), catalogue)), encoding="utf-8")
    assert len(read_bundle(path, catalogue).findings) == len(invented_session().findings)
    assert validate_file(path) == ()
    with pytest.raises(UserFault, match="does not exist"):
        read_bundle(tmp_path / "absent.json", catalogue)
    with pytest.raises(UserFault, match="does not exist"):
        validate_file(tmp_path / "absent.json")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "is not JSON: line 1"),
        (b"{", "is not JSON: line 1"),
        (b"\xff\xfe{}", "not text in UTF-8"),
        (b'{"a": NaN}', "no number in JSON"),
        (b'{"a": 1, "a": 2}', "twice"),
        (b"[" * 100_000, "cannot be read|can be read"),
        (b"[1" + b"0" * 10_000 + b"]", "no FHIR Bundle|can be read"),
        (b"[]", "no FHIR Bundle"),
        (b'{"resourceType": "Patient"}', "no FHIR Bundle"),
        (b'{"resourceType": "Bundle", "type": "collection"}', "not written by this program"),
        (b'{"resourceType": "Bundle", "entry": [1]}', "not written by this program"),
        (b'{"resourceType": "Bundle", "entry": [{"resource": {}}]}', "not written by this program"),
    ],
)
def test_foreign_files_are_refused_in_a_sentence(
    tmp_path: Path, catalogue: Catalogue, content: bytes, told: str
) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(content)
    with pytest.raises(UserFault, match=told):
        read_bundle(path, catalogue)


JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 5),
    st.text(max_size=5),
    st.just([]),
    st.just({}),
    st.just([None]),
    st.just({"reference": 3, "coding": 4, "div": 5, "low": 1, "value": "x"}),
).map(deepcopy)


@given(st.data())
@settings(max_examples=80, deadline=None)
def test_damaged_bundles_never_crash_reading_or_validation(data: st.DataObject) -> None:
    base: Any = json.loads(SMALL)
    for _ in range(data.draw(st.integers(1, 3))):
        places = list(_places(base))
        holder, key = places[data.draw(st.integers(0, len(places) - 1))]
        holder[key] = data.draw(JUNK)
    for complaint in validate_resource(base):
        assert complaint.sentence
    try:
        session_from(base, CATALOGUE)
    except UserFault as fault:
        assert str(fault).endswith(".")


def small_session() -> Session:
    whole = invented_session()
    few = tuple(one for one in whole.findings if one.id in ("f1", "f5", "f13", "f15", "f17"))
    return whole.model_copy(update={"findings": few, "coverage": coverage_of(few, CATALOGUE)})


SMALL = write_json(document_bundle(small_session(), CATALOGUE))


def _places(value: Any) -> Any:
    if isinstance(value, dict):
        for key, one in value.items():
            yield value, key
            yield from _places(one)
    elif isinstance(value, list):
        for key, one in enumerate(value):
            yield value, key
            yield from _places(one)


def test_exact_json_keeps_digits_and_refuses_what_has_no_form() -> None:
    value = {"a": [Decimal("37.0"), Decimal("1E+3"), 2, 0.5, True, None, 'ä\u2028"', [], {}]}
    assert read_json(write_json(value), "x") == value
    assert "37.0" in write_json(value) and json.loads(write_json(value))["a"][0] == 37.0
    for bad in (Decimal("NaN"), float("inf")):
        with pytest.raises(ValueError, match=r"."):
            write_json(bad)
    with pytest.raises(TypeError):
        write_json(object())
