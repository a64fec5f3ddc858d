"""Broken bundles: every check must be able to fail.

Each case breaks one thing in a sound document. The program's own validation must name
it, and so must at least one of the outside judges (fhir.resources, HL7's JSON Schema,
HL7's snapshots with invariants and profiles, ucumvert, references resolved by hand).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from hl7_package import (
    Checker,
    JsonSchema,
    Package,
    claimed_profiles,
    profile_by_code,
    resources_of,
)
from invented_session import invented_catalogue, invented_session
from pydantic import ValidationError

from dictate.findings.coverage import coverage_of
from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.document import document_bundle
from dictate.outputs.fhir.exact_json import write_json
from dictate.outputs.fhir.validation import validate_resource

Resource = dict[str, Any]
Break = Callable[[Resource], None]


# One finding of each kind that a case needs; all fifty judged in full would take minutes.
NEEDED = {"f1", "f2", "f3", "f5", "f7", "f8", "f9", "f17", "f20", "f22", "f24"}


def sound_document() -> Resource:
    whole = invented_session()
    few = tuple(one for one in whole.findings if one.id in NEEDED)
    catalogue = invented_catalogue()
    session = whole.model_copy(update={"findings": few, "coverage": coverage_of(few, catalogue)})
    made: Resource = json.loads(write_json(document_bundle(session, catalogue, "ef" * 32)))
    return made


def of_type(bundle: Resource, kind: str) -> Resource:
    return next(one for one in resources_of(bundle) if one["resourceType"] == kind)


def with_code(bundle: Resource, code: str) -> Resource:
    """The first Observation that has this LOINC or item code."""
    return next(
        one
        for one in resources_of(bundle)
        if one["resourceType"] == "Observation"
        and any(part["code"] == code for part in one["code"]["coding"])
    )


PULSE, PRESSURE, OXYGEN, RANGE = "8867-4", "85354-9", "2708-6", "vitals.respirations"


def _set(code: str, key: str, value: Any) -> Break:
    def change(bundle: Resource) -> None:
        with_code(bundle, code)[key] = value

    return change


def _drop(code: str, key: str) -> Break:
    def change(bundle: Resource) -> None:
        del with_code(bundle, code)[key]

    return change


def _quantity(item: str, /, **parts: Any) -> Break:
    def change(bundle: Resource) -> None:
        with_code(bundle, item)["valueQuantity"].update(parts)

    return change


def _bundle(**parts: Any) -> Break:
    def change(bundle: Resource) -> None:
        bundle.update(parts)
        for key in [key for key, value in bundle.items() if value is None]:
            del bundle[key]

    return change


def _composition_second(bundle: Resource) -> None:
    bundle["entry"][0], bundle["entry"][1] = bundle["entry"][1], bundle["entry"][0]


def _same_url(bundle: Resource) -> None:
    bundle["entry"][5]["fullUrl"] = bundle["entry"][4]["fullUrl"]


def _version_url(bundle: Resource) -> None:
    bundle["entry"][5]["fullUrl"] = "http://example.org/Observation/a/_history/1"


def _no_resource(bundle: Resource) -> None:
    bundle["entry"].append({"fullUrl": "urn:uuid:b5f8c3a4-1111-4a4a-8a8a-222222222222"})


def _request(bundle: Resource) -> None:
    bundle["entry"][3]["request"] = {"method": "PUT", "url": "Observation/a"}


def _swap_reference(bundle: Resource) -> None:
    pulse = with_code(bundle, PULSE)
    pulse["subject"], pulse["device"] = pulse["device"], pulse["subject"]
    pulse["performer"] = [pulse["device"]]
    pulse["device"] = {"reference": f"urn:uuid:{of_type(bundle, 'Practitioner')['id']}"}


def _dangling(bundle: Resource) -> None:
    subject = {"reference": "urn:uuid:00000000-1111-4a4a-8a8a-222222222222"}
    with_code(bundle, PULSE)["subject"] = subject


def _wrong_type_named(bundle: Resource) -> None:
    with_code(bundle, PULSE)["device"] = {"reference": "Patient/p1"}


def _no_diastolic(bundle: Resource) -> None:
    del with_code(bundle, PRESSURE)["component"][1]


def _systolic_unit(bundle: Resource) -> None:
    with_code(bundle, PRESSURE)["component"][0]["valueQuantity"]["code"] = "kPa"


def _no_2708(bundle: Resource) -> None:
    codings = with_code(bundle, OXYGEN)["code"]["coding"]
    codings[:] = [one for one in codings if one["code"] != OXYGEN]


def _exam_category(bundle: Resource) -> None:
    with_code(bundle, PULSE)["category"][0]["coding"][0]["code"] = "exam"


def _range_turned(bundle: Resource) -> None:
    value = with_code(bundle, RANGE)["valueRange"]
    value["low"], value["high"] = value["high"], value["low"]


def _period_turned(bundle: Resource) -> None:
    period = with_code(bundle, RANGE)["effectivePeriod"]
    period["start"], period["end"] = period["end"], period["start"]


def _empty_section_with_entry(bundle: Resource) -> None:
    section = next(one for one in of_type(bundle, "Composition")["section"] if "entry" in one)
    section["emptyReason"] = {"text": "nothing"}


def _hollow_section(bundle: Resource) -> None:
    of_type(bundle, "Composition")["section"].append({"title": "Nothing"})


def _extension_both(bundle: Resource) -> None:
    with_code(bundle, PULSE)["extension"][0]["extension"] = [{"url": "x", "valueCode": "y"}]


def _ratio_half(bundle: Resource) -> None:
    del with_code(bundle, "eyes.acuity")["valueRatio"]["denominator"]


def _component_repeats(bundle: Resource) -> None:
    pulse = with_code(bundle, PULSE)
    pulse["component"] = [{"code": pulse["code"], "valueQuantity": pulse["valueQuantity"]}]


def _script_in_narrative(bundle: Resource) -> None:
    text = of_type(bundle, "Composition")["text"]
    text["div"] = text["div"].replace("</div>", "<script>x</script></div>")


def _broken_narrative(bundle: Resource) -> None:
    of_type(bundle, "Composition")["text"]["div"] = "<div>unclosed"


BREAKS: dict[str, Break] = {
    "status missing": _drop(PULSE, "status"),
    "status of no list": _set(PULSE, "status", "done"),
    "code missing": _set(PULSE, "code", None),
    "unknown element": _set(PULSE, "colour", "red"),
    "two values": _set(PULSE, "valueString", "seventy two"),
    "value and absent reason": _set(PULSE, "dataAbsentReason", {"text": "unknown"}),
    "value as text": _quantity(PULSE, value="72"),
    "comparator of no list": _quantity(OXYGEN, comparator="=>"),
    "unit of no profile": _quantity(PULSE, code="/h"),
    "unit that is no UCUM": _quantity("back.diaphragm", code="cms"),
    "unit code without system": _quantity("back.diaphragm", system=None),
    "vital sign without category": _exam_category,
    "vital sign without subject": _drop(PULSE, "subject"),
    "vital sign without time": _drop(PULSE, "effectiveDateTime"),
    "vital sign without value": _drop(PULSE, "valueQuantity"),
    "time that is none": _set(PULSE, "effectiveDateTime", "2026-13-41T25:00:00Z"),
    "time without zone": _set(PULSE, "effectiveDateTime", "2026-03-04T09:30:00"),
    "pressure without diastolic": _no_diastolic,
    "pressure in kPa": _systolic_unit,
    "saturation without 2708-6": _no_2708,
    "range turned round": _range_turned,
    "period turned round": _period_turned,
    "reference to a wrong type": _swap_reference,
    "reference to a wrong type by name": _wrong_type_named,
    "reference to nothing": _dangling,
    "id with a blank": _set(PULSE, "id", "a b"),
    "list where one belongs": _set(PULSE, "subject", [{"reference": "Patient/1"}]),
    "one where a list belongs": _set(PULSE, "category", {"text": "vital"}),
    "empty list": _set(PULSE, "note", []),
    "empty object": _set(PULSE, "bodySite", {}),
    "empty text": _set(PULSE, "note", [{"text": ""}]),
    "no-break space": _set(PULSE, "note", [{"text": "72\u00a0/min"}]),
    "reference range that says nothing": _set(PULSE, "referenceRange", [{"age": {}}]),
    "component repeats the value": _component_repeats,
    "extension with both": _extension_both,
    "ratio without denominator": _ratio_half,
    "bundle type of no list": _bundle(type="pile"),
    "bundle without type": _bundle(type=None),
    "total in a document": _bundle(total=3),
    "document without identifier": _bundle(identifier=None),
    "document without timestamp": _bundle(timestamp=None),
    "document without composition first": _composition_second,
    "same fullUrl twice": _same_url,
    "fullUrl of a version": _version_url,
    "entry without resource": _no_resource,
    "request in a document": _request,
    "section empty and full": _empty_section_with_entry,
    "section of nothing": _hollow_section,
    "script in a narrative": _script_in_narrative,
    "narrative that is no XHTML": _broken_narrative,
    "unknown resource type": _set(PULSE, "resourceType", "Finding"),
}


def judged(bundle: Resource, package: Package, json_schema: JsonSchema) -> set[str]:
    """Which outside judges find something wrong."""
    found = set()
    from fhir.resources.R4B.bundle import Bundle

    try:
        Bundle.model_validate(bundle)
    except (ValidationError, ValueError, KeyError, TypeError):
        found.add("fhir.resources")
    around = bundle | {"entry": bundle["entry"][:1]}
    resources = list(
        resources_of({**bundle, "entry": [e for e in bundle["entry"] if "resource" in e]})
    )
    if any(json_schema.problems(one) for one in (around, *resources)):
        found.add("JSON Schema")
    checker = Checker(package)
    try:
        if checker.check(bundle):
            found.add("snapshots")
        by_code = profile_by_code(package)
        for one in resources:
            codes = (one.get("code") or {}).get("coding", [])
            profiles = {by_code[part["code"]] for part in codes if part["code"] in by_code}
            if any(checker.check(one, profile) for profile in {*claimed_profiles(one), *profiles}):
                found.add("profiles")
    except (AssertionError, KeyError, TypeError, AttributeError):
        found.add("snapshots")
    if _unknown_units(bundle):
        found.add("ucumvert")
    if _dangling_references(bundle):
        found.add("references")
    if _wrong_targets(bundle, package):
        found.add("reference types of the snapshots")
    if _bad_narrative(bundle):
        found.add("XHTML parser")
    return found


def _walk(value: Any) -> list[Resource]:
    if isinstance(value, dict):
        return [value, *(one for inner in value.values() for one in _walk(inner))]
    if isinstance(value, list):
        return [one for inner in value for one in _walk(inner)]
    return []


@cache
def _ucum() -> Any:
    from ucumvert import PintUcumRegistry

    return PintUcumRegistry()


def _unknown_units(bundle: Resource) -> bool:
    for unit in {one["code"] for one in _walk(bundle) if one.get("system") == v.UCUM}:
        try:
            _ucum().from_ucum(unit)
        except Exception:
            return True
    return False


def _dangling_references(bundle: Resource) -> bool:
    urls = {entry["fullUrl"] for entry in bundle["entry"]}
    return any(
        isinstance(one.get("reference"), str)
        and one["reference"].startswith("urn:uuid:")
        and one["reference"] not in urls
        for one in _walk(bundle)
    )


def _wrong_targets(bundle: Resource, package: Package) -> bool:
    kinds = {
        entry["fullUrl"]: entry["resource"]["resourceType"]
        for entry in bundle["entry"]
        if "resource" in entry
    }
    for one in resources_of({**bundle, "entry": [e for e in bundle["entry"] if "resource" in e]}):
        if one["resourceType"] != "Observation":
            continue
        for element in package.children("Observation")["Observation"]:
            allowed = {
                url.rpartition("/")[2]
                for kind in element.get("type", [])
                for url in kind.get("targetProfile", [])
            }
            given = one.get(element["path"].rpartition(".")[2])
            for reference in given if isinstance(given, list) else [given]:
                if not allowed or not isinstance(reference, dict):
                    continue
                target = str(reference.get("reference"))
                kind = kinds.get(target) or target.partition("/")[0]
                if "urn:" not in kind and kind not in allowed:
                    return True
    return False


def _bad_narrative(bundle: Resource) -> bool:
    from xml.etree import ElementTree

    for one in _walk(bundle):
        if isinstance(one.get("div"), str):
            try:
                root = ElementTree.fromstring(one["div"])
            except ElementTree.ParseError:
                return True
            if any(element.tag.endswith("}script") for element in root.iter()):
                return True
    return False


def test_the_sound_document_passes_all(package: Package, json_schema: JsonSchema) -> None:
    assert judged(sound_document(), package, json_schema) == set()
    assert validate_resource(sound_document()) == ()


# How the models' library talks to programmers.
JARGON = ("regex", "Field required", "Extra inputs", "Any of one", "<class", "Input should")


@pytest.mark.parametrize("name", BREAKS)
def test_own_validation_names_it(name: str) -> None:
    bundle = sound_document()
    BREAKS[name](bundle)
    complaints = validate_resource(bundle)
    assert any(one.severity == "error" for one in complaints), name
    for one in complaints:
        assert one.where and one.sentence.rstrip("]").endswith((".", "]", ")", "!", "'")), one
        assert not any(word in one.sentence for word in JARGON), one


@pytest.mark.slow
def test_outside_judges_find_every_break(package: Package, json_schema: JsonSchema) -> None:
    found_by: Counter[str] = Counter()
    for name, change in BREAKS.items():
        bundle = sound_document()
        change(bundle)
        judges = judged(bundle, package, json_schema)
        assert judges, f"no outside judge finds: {name}"
        found_by.update(judges)
    print(f"{len(BREAKS)} breaks, found by: {dict(found_by)}")
    for judge in ("fhir.resources", "JSON Schema", "snapshots", "profiles", "ucumvert"):
        assert found_by[judge] >= 1, judge
    assert found_by["snapshots"] > found_by["fhir.resources"]
