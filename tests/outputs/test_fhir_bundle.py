"""What the bundles say, element by element."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Any

import pytest
from invented_session import NASTY, invented_session

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Choice, Level, Quantity
from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.bundle import collection_bundle
from dictate.outputs.fhir.definitions import definition_resources
from dictate.outputs.fhir.document import document_bundle
from dictate.outputs.fhir.exact_json import write_json
from dictate.outputs.fhir.observations import observation
from dictate.session.record import Session

Resource = dict[str, Any]


def told(session: Session, catalogue: Catalogue, name: str) -> Resource:
    """The Observation of one finding."""
    finding = next(one for one in session.findings if one.id == name)
    return observation(finding, session, catalogue)


def codes(concept: Resource, system: str) -> list[str]:
    return [one["code"] for one in concept["coding"] if one["system"] == system]


def changed(session: Session, name: str, **changes: Any) -> Session:
    findings = tuple(
        one.model_copy(update=changes) if one.id == name else one for one in session.findings
    )
    return session.model_copy(update={"findings": findings})


def test_pressure_follows_its_profile(session: Session, catalogue: Catalogue) -> None:
    one = told(session, catalogue, "f2")
    assert one["meta"]["profile"] == ["http://hl7.org/fhir/StructureDefinition/bp"]
    assert codes(one["code"], v.LOINC) == ["85354-9"]
    parts = {codes(part["code"], v.LOINC)[0]: part for part in one["component"]}
    assert parts["8480-6"]["valueQuantity"]["value"] == 130
    assert parts["8462-4"]["valueQuantity"] == {
        "value": Decimal(84),
        "unit": "mm Hg",
        "system": "http://unitsofmeasure.org",
        "code": "mm[Hg]",
    }
    assert codes(parts["8480-6"]["interpretation"][0], v.INTERPRETATION) == ["H"]
    assert "source: An invented textbook" in parts["8480-6"]["referenceRange"][0]["text"]


@pytest.mark.parametrize(
    ("name", "loinc", "profile", "unit"),
    [
        ("f3", ["8867-4"], "heartrate", "/min"),
        ("f6", ["8310-5"], "bodytemp", "Cel"),
        ("f7", ["2708-6", "59408-5"], "oxygensat", "%"),
        ("f8", ["8302-2"], "bodyheight", "cm"),
        ("f9", ["29463-7"], "bodyweight", "kg"),
    ],
)
def test_vital_signs(
    session: Session, catalogue: Catalogue, name: str, loinc: list[str], profile: str, unit: str
) -> None:
    one = told(session, catalogue, name)
    assert codes(one["code"], v.LOINC) == loinc
    assert one["meta"]["profile"] == [f"http://hl7.org/fhir/StructureDefinition/{profile}"]
    assert one["valueQuantity"]["code"] == unit
    assert codes(one["category"][0], v.CATEGORY) == ["vital-signs"]


def test_comparator_and_said_value(session: Session, catalogue: Catalogue) -> None:
    assert told(session, catalogue, "f7")["valueQuantity"]["comparator"] == ">="
    temperature = told(session, catalogue, "f6")["valueQuantity"]
    assert '"value": 37.0,' in write_json(temperature)
    assert temperature["extension"][0]["valueQuantity"]["code"] == "[degF]"


def test_what_breaks_a_profile_does_not_claim_it(session: Session, catalogue: Catalogue) -> None:
    ranged = told(session, catalogue, "f5")  # "sixteen to eighteen": the profile has no ranges
    assert "meta" not in ranged and codes(ranged["code"], v.LOINC) == []
    assert ranged["valueRange"]["low"]["value"] == 16
    assert codes(ranged["category"][0], v.CATEGORY) == ["exam"]
    stones = changed(session, "f9", value=Quantity(number=Decimal(11), unit="[stone_av]"))
    assert codes(told(stones, catalogue, "f9")["code"], v.LOINC) == []


def test_a_denied_sign_cannot_be_read_as_there(session: Session, catalogue: Catalogue) -> None:
    wheeze = told(session, catalogue, "f23")
    assert wheeze["valueCodeableConcept"] == {
        "coding": [
            {
                "system": v.READINGS,
                "code": "back.breath_sounds.wheeze.denied",
                "display": "no wheeze",
            }
        ],
        "text": "no wheeze",
    }
    assert codes(wheeze["interpretation"][0], v.INTERPRETATION) == ["NEG"]
    assert codes(told(session, catalogue, "f22")["interpretation"][0], v.INTERPRETATION) == ["POS"]


def test_performed_without_result_has_a_reason(session: Session, catalogue: Catalogue) -> None:
    one = told(session, catalogue, "f20")
    assert one["dataAbsentReason"]["text"] == "Performed, result not stated"
    assert not any(key.startswith("value") for key in one)


def test_doubt_is_marked_and_never_final(session: Session, catalogue: Catalogue) -> None:
    final = session.model_copy(update={"state": "final"})
    doubtful = told(final, catalogue, "f1")
    assert doubtful["status"] == "preliminary"
    assert "134/80" in doubtful["note"][0]["text"].replace("\u00a0", " ")
    assert told(final, catalogue, "f2")["status"] == "final"
    amended = session.model_copy(update={"state": "amended"})
    assert told(amended, catalogue, "f2")["status"] == "amended"
    assert told(session, catalogue, "f2")["status"] == "preliminary"


def test_corrected_findings_are_entered_in_error(session: Session, catalogue: Catalogue) -> None:
    assert told(session, catalogue, "old")["status"] == "entered-in-error"
    assert told(session, catalogue, "f27")["status"] == "entered-in-error"
    assert told(session, catalogue, "new")["status"] == "preliminary"


def test_times_are_absolute_and_seconds_stand_beside(
    session: Session, catalogue: Catalogue
) -> None:
    pressure = told(session, catalogue, "f1")
    moment = datetime.fromisoformat(pressure["effectiveDateTime"])
    assert (moment - session.info.started).total_seconds() == 12.0
    assert pressure["_effectiveDateTime"]["extension"][0]["valueDecimal"] == 12
    period = told(session, catalogue, "f16")["effectivePeriod"]
    assert period["start"].endswith("+01:00") and period["start"] < period["end"]


def test_sides_and_sites(session: Session, catalogue: Catalogue) -> None:
    jaw = told(session, catalogue, "f13")
    side = next(one for one in jaw["extension"] if one["url"] == v.SIDE.url)["valueCodeableConcept"]
    assert codes(side, v.SNOMED) == ["419161000"] and codes(side, v.SIDES) == ["left"]
    assert codes(jaw["bodySite"], v.PLACES) == ["face.jaw"]
    assert jaw["bodySite"]["text"] == "jaw (left)"
    eye = told(session, catalogue, "f17")
    assert codes(eye["bodySite"], v.SNOMED) == ["81745001"]
    unsaid = told(session, catalogue, "f18")
    assert unsaid["bodySite"]["text"] == "eye (side not said)"


def test_checklist_alone_says_never_spoken(session: Session, catalogue: Catalogue) -> None:
    resources = [one["resource"] for one in collection_bundle(session, catalogue)["entry"]]
    text = {one["id"]: write_json(one) for one in resources if "Never spoken of" in write_json(one)}
    (only,) = text
    checklist = next(one for one in resources if one["id"] == only)
    reasons = {
        part["code"]["text"]: part.get("dataAbsentReason", {}).get("text")
        for part in checklist["component"]
    }
    assert reasons["Bowel sounds"] == "Never spoken of"
    assert reasons["Pulse rate"] is None
    assert reasons["Near acuity (left)"] is None  # a result without a side was said


def test_computed_measure_names_its_sources(session: Session, catalogue: Catalogue) -> None:
    bundle = collection_bundle(session, catalogue)
    ids = {
        entry["resource"].get("identifier", [{}])[0].get("value"): entry["fullUrl"]
        for entry in bundle["entry"]
    }
    measure = next(
        entry["resource"]
        for entry in bundle["entry"]
        if codes(entry["resource"].get("code", {"coding": []}), v.MEASURES) == ["body_mass_index"]
    )
    assert [one["reference"] for one in measure["derivedFrom"]] == [ids["f8"], ids["f9"]]
    assert "computed: weight in kilograms" in measure["method"]["text"]
    assert measure["valueQuantity"]["value"] == Decimal("22.8571")


def test_the_same_session_gives_the_same_bytes(session: Session, catalogue: Catalogue) -> None:
    first = write_json(collection_bundle(session, catalogue, "ef" * 32))
    assert write_json(collection_bundle(invented_session(), catalogue, "ef" * 32)) == first
    other = session.model_copy(
        update={"info": session.info.model_copy(update={"sound_sha256": "00" * 32})}
    )
    assert collection_bundle(other, catalogue)["id"] != collection_bundle(session, catalogue)["id"]


def test_people_are_codes_and_the_device_names_versions(
    session: Session, catalogue: Catalogue
) -> None:
    bundle = collection_bundle(session, catalogue)
    by_type = {entry["resource"]["resourceType"]: entry["resource"] for entry in bundle["entry"]}
    assert set(by_type["Patient"]) == {"resourceType", "id", "identifier"}
    assert set(by_type["Practitioner"]) == {"resourceType", "id", "identifier"}
    versions = {one["type"]["text"]: one["value"] for one in by_type["Device"]["version"]}
    assert versions["program"] == "0.1.0" and versions["recogniser"] == "pocketsphinx 5.1.1"


def test_document_has_all_regions_and_where_it_comes_from(
    session: Session, catalogue: Catalogue
) -> None:
    bundle = document_bundle(session, catalogue, "ef" * 32)
    resources = [entry["resource"] for entry in bundle["entry"]]
    composition = resources[0]
    sections = {one["title"]: one for one in composition["section"]}
    assert codes(sections["Eyes"]["code"], v.LOINC) == ["10197-2"]
    assert codes(sections["Abdomen"]["emptyReason"], v.EMPTY) == ["unavailable"]
    assert "entry" not in sections["Abdomen"]
    assert "<script>" not in sections["Head and face"]["text"]["div"]
    assert "&lt;script&gt;" in sections["Back and posterior chest"]["text"]["div"]
    reached = {ref["reference"] for one in sections.values() for ref in one.get("entry", [])}
    observed = {
        f"urn:uuid:{one['id']}" for one in resources if one["resourceType"] == "Observation"
    }
    stranger = next(one for one in resources if "elsewhere" in one.get("code", {}).get("text", ""))
    assert observed == reached, stranger["id"]
    provenance = resources[-1]
    hashes = [one["what"]["identifier"]["value"] for one in provenance["entity"]]
    assert hashes == ["ab" * 32, "ef" * 32]


def test_every_code_of_ours_is_defined(session: Session, catalogue: Catalogue) -> None:
    resources = definition_resources(catalogue)
    defined = {
        (one["url"], concept["code"])
        for one in resources
        if one["resourceType"] == "CodeSystem"
        for concept in one.get("concept", [])
    }
    urls = {one["url"] for one in resources if one["resourceType"] == "StructureDefinition"}
    used: set[tuple[str, str]] = set()
    extensions: set[str] = set()

    def walk(value: Any, inside: str = "") -> None:
        if isinstance(value, dict):
            system = value.get("system", "")
            if system.startswith("urn:dictate:") and "code" in value:
                used.add((system, value["code"]))
            if inside == "extension" and value["url"].startswith("urn:"):
                extensions.add(value["url"])
            for key, one in value.items():
                walk(one, key)
        elif isinstance(value, list):
            for one in value:
                walk(one, inside)

    for bundle in (collection_bundle(session, catalogue), document_bundle(session, catalogue)):
        walk(bundle["entry"])
    missing = used - defined
    assert missing == {(v.ITEMS, "elsewhere.unknown_item"), (v.REGIONS, "other")}
    assert extensions <= urls and len(extensions) >= 18


def test_free_text_stays_text(session: Session, catalogue: Catalogue) -> None:
    assert told(session, catalogue, "f28")["valueString"] == NASTY


def test_a_vital_sign_performed_or_read_as_a_word(session: Session, catalogue: Catalogue) -> None:
    performed = changed(session, "f3", value=None, level=Level.PERFORMED)
    one = told(performed, catalogue, "f3")
    assert codes(one["code"], v.LOINC) == ["8867-4"] and "dataAbsentReason" in one
    worded = changed(
        session,
        "f3",
        value=Choice(code="fast", title="fast"),
        status="abnormal",
        level=Level.REPORTED,
    )
    assert codes(told(worded, catalogue, "f3")["code"], v.LOINC) == []
