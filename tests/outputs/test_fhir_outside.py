"""Our FHIR resources before outside judges, each named beside its test.

- fhir.resources (R4B): structure and types;
- HL7's JSON Schema for R4 through jsonschema-rs: types and required codes;
- HL7's snapshots (hl7.fhir.r4.core): cardinalities, fixed values, required code lists,
  slices of the vital signs profiles, and invariants through fhirpathpy;
- ucumvert: every UCUM unit;
- HL7's code systems and value sets: every code of theirs with its display;
- pydicom's SNOMED concept dictionary: codes of body sites.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from hl7_package import (
    UNSUPPORTED,
    Checker,
    JsonSchema,
    Package,
    claimed_profiles,
    profile_by_code,
    resources_of,
)
from invented_session import every_reading, invented_catalogue, invented_session

from dictate.exam.reading import load_catalogue
from dictate.findings.coverage import coverage_of
from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.bundle import collection_bundle
from dictate.outputs.fhir.definitions import definitions_bundle
from dictate.outputs.fhir.document import document_bundle
from dictate.outputs.fhir.exact_json import write_json
from dictate.outputs.fhir.structure import REQUIRED_CODES
from dictate.outputs.fhir.validation import validate_resource

Resource = dict[str, Any]


def written(bundle: Resource) -> Resource:
    """As another system sees it: through the bytes of a file."""
    read: Resource = json.loads(write_json(bundle))
    return read


def whole_exam() -> Resource:
    """Every reading of the real exam data, affirmed and denied."""
    catalogue = load_catalogue()
    findings = every_reading(catalogue)
    session = invented_session(
        findings=findings, coverage=coverage_of(findings, catalogue), derived=()
    )
    return collection_bundle(session, catalogue)


BUNDLES = {
    "collection": lambda: collection_bundle(invented_session(), invented_catalogue(), "ef" * 32),
    "document": lambda: document_bundle(invented_session(), invented_catalogue(), "ef" * 32),
    "final": lambda: document_bundle(invented_session(state="final"), invented_catalogue()),
    "whole exam": whole_exam,
    "definitions": lambda: definitions_bundle(invented_catalogue()),
    "definitions of the exam": lambda: definitions_bundle(load_catalogue()),
}


@pytest.fixture(scope="module", params=BUNDLES)
def bundle(request: pytest.FixtureRequest) -> Resource:
    return written(BUNDLES[request.param]())


def test_fhir_resources(bundle: Resource) -> None:
    from fhir.resources.R4B.bundle import Bundle

    read = Bundle.model_validate(bundle)
    assert read.entry is not None and len(read.entry) == len(bundle["entry"])


def test_own_validation(bundle: Resource) -> None:
    assert validate_resource(bundle) == ()


def test_hl7_json_schema(bundle: Resource, json_schema: JsonSchema) -> None:
    problems = []
    for one in [bundle | {"entry": bundle["entry"][:1]}, *resources_of(bundle)]:
        if one["resourceType"] == "StructureDefinition":
            one = one | {"fhirVersion": "4.0.0"}  # this copy of the schema is older than 4.0.1
        problems += json_schema.problems(one)
    assert problems == []


def test_hl7_snapshots_and_invariants(bundle: Resource, package: Package) -> None:
    checker = Checker(package)
    assert checker.check(bundle) == []
    assert len(checker.evaluated) > 15
    assert not checker.evaluated & UNSUPPORTED.keys()


def test_hl7_vital_signs_profiles(bundle: Resource, package: Package) -> None:
    checker = Checker(package)
    by_code = profile_by_code(package)
    assert len(by_code) == 8
    for resource in resources_of(bundle):
        profiles = set(claimed_profiles(resource))
        for one in resource.get("code", {}).get("coding", []) if "code" in resource else []:
            if one["system"] == v.LOINC and one["code"] in by_code:
                profiles.add(by_code[one["code"]])
        for profile in profiles:
            assert checker.check(resource, profile) == [], profile


def elements_with(value: Any, key: str) -> Iterator[Resource]:
    if isinstance(value, dict):
        if key in value:
            yield value
        for one in value.values():
            yield from elements_with(one, key)
    elif isinstance(value, list):
        for one in value:
            yield from elements_with(one, key)


def test_ucumvert_knows_every_unit() -> None:
    from ucumvert import PintUcumRegistry

    registry = PintUcumRegistry()
    bundle = written(BUNDLES["collection"]())
    units = {one["code"] for one in elements_with(bundle, "system") if one["system"] == v.UCUM} | {
        unit for sign in v.VITAL_SIGNS.values() for unit in sign.units
    }
    units |= {
        unit
        for item in load_catalogue().items.values()
        for unit in (item.unit, *item.other_units)
        if unit is not None
    }
    assert {"mm[Hg]", "/min", "Cel", "%", "{grade}"} <= units
    for unit in sorted(units):
        registry.from_ucum(unit)
    for wrong in ("mmHg", "bpm", "degC"):
        with pytest.raises(Exception, match=r"."):
            registry.from_ucum(wrong)


def test_codes_of_hl7_exist_and_have_their_display(package: Package) -> None:
    seen = 0
    for name in ("collection", "document"):
        for one in elements_with(written(BUNDLES[name]())["entry"], "display"):
            system = package.system(one["system"]) if "system" in one else None
            if system is not None:
                seen += 1
                assert system[one["code"]] == one["display"]
    assert seen > 60
    for code, display in (*v.INTERPRETATIONS.values(), v.HIGH, v.LOW):
        assert (package.system(v.INTERPRETATION) or {})[code] == display


def test_vital_signs_agree_with_hl7s_profiles(package: Package) -> None:
    by_code = profile_by_code(package)
    assert set(by_code) == {*v.VITAL_SIGNS, v.PRESSURE_PANEL}
    for code, sign in v.VITAL_SIGNS.items():
        definition = package.definition(by_code[code])
        assert definition["id"] == sign.profile
        (unit,) = (
            element
            for element in definition["snapshot"]["element"]
            if element["path"] in ("Observation.value[x].code", "Observation.valueQuantity.code")
        )
        allowed = (
            {unit["fixedCode"]}
            if "fixedCode" in unit
            else {one for _, one in package.codes_of(unit["binding"]["valueSet"]) or {}}
        )
        assert set(sign.units) == allowed
    results = package.codes_of("http://hl7.org/fhir/ValueSet/observation-vitalsignresult") or {}
    for code, display in (v.SYSTOLIC, v.DIASTOLIC):
        assert (v.LOINC, code) in results, display


def test_lateralities_agree_with_hl7s_value_set(package: Package) -> None:
    codes = package.codes_of("http://hl7.org/fhir/ValueSet/bodysite-laterality") or {}
    assert {(v.SNOMED, code): shown for code, shown in v.LATERALITY.values()} == codes


def test_required_codes_agree_with_hl7s_value_sets(package: Package) -> None:
    for (kind, element), codes in REQUIRED_CODES.items():
        name = {
            "ProvenanceEntity": ("Provenance", "Provenance.entity"),
            "DeviceDeviceName": ("Device", "Device.deviceName"),
        }.get(kind, (kind, kind))
        (found,) = (
            one for one in package.children(name[0])[name[1]] if one["path"].endswith(f".{element}")
        )
        assert {code for _, code in package.codes_of(found["binding"]["valueSet"]) or {}} == codes


def test_body_sites_are_in_pydicoms_dictionary() -> None:
    concepts = pytest.importorskip(
        "pydicom.sr._concepts_dict", reason="pydicom (SNOMED body sites) is not installed"
    ).concepts
    known = {code: set(names) for code, names in _snomed(concepts)}
    for code, display in v.REGION_SITES.values():
        assert code in known, display
        assert any(display.lower() in name.lower() for name in known[code])


def _snomed(concepts: dict[str, Any]) -> Iterator[tuple[str, list[str]]]:
    for keyword, entries in concepts["SCT"].items():
        for code, (meaning, _) in entries.items():
            yield code, [keyword, meaning]
