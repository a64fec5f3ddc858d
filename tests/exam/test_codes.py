"""Every external code of the exam data against lists that others published.

LOINC of items and computed measures: HL7's R4 core package (its vital-signs profiles and
value sets). LOINC of sections: the same package where it lists them, else the list beside
this file, which was read by hand. SNOMED CT: the concept dictionary of the package pydicom and HL7's value set of
lateralities. The tests that need a package are skipped where it is not at hand.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from dictate.exam.catalogue import Catalogue, Coding
from dictate.outputs.fhir import vocabulary
from tests.outputs.hl7_package import MISSING, Package, hl7_file, profile_by_code

BY_HAND: dict[str, dict[str, Any]] = yaml.safe_load(
    (Path(__file__).parent / "loinc_by_hand.yaml").read_text(encoding="utf-8")
)
VITAL_SIGNS = "http://hl7.org/fhir/ValueSet/observation-vitalsignresult"
SECTIONS = "http://hl7.org/fhir/ValueSet/doc-section-codes"
# HL7's profile of each vital sign, whose fixed code is the one that our item must have.
PROFILES = {
    "vitals.blood_pressure": "bp",
    "vitals.pulse_rate": "heartrate",
    "vitals.respiratory_rate": "resprate",
    "vitals.temperature": "bodytemp",
    "vitals.oxygen_saturation": "oxygensat",
    "vitals.height": "bodyheight",
    "vitals.weight": "bodyweight",
    "body_mass_index": "bmi",
}


@pytest.fixture(scope="module")
def package() -> Package:
    path = hl7_file("hl7.fhir.r4.core.tgz")
    if path is None:
        pytest.skip(MISSING)
    return Package(path)


def _listed(package: Package, value_set: str) -> set[str]:
    codes = package.codes_of(value_set)
    assert codes
    return {code for _, code in codes}


def _codes(exam: Catalogue, system: str) -> list[tuple[str, Coding]]:
    found = [(item.id, code) for item in exam.items.values() for code in item.codes]
    found += [(rule.id, code) for rule in exam.checks.derived for code in rule.codes]
    return [(owner, code) for owner, code in found if code.system == system]


def test_vital_signs_have_the_code_that_hl7s_profile_fixes(
    exam: Catalogue, package: Package
) -> None:
    fixed = {url.rpartition("/")[2]: code for code, url in profile_by_code(package).items()}
    assert set(PROFILES.values()) == set(fixed)
    codes: dict[str, set[str]] = {}
    for owner, coding in _codes(exam, "loinc"):
        codes.setdefault(owner, set()).add(coding.code)
    for owner, profile in PROFILES.items():
        assert fixed[profile] in codes[owner], owner


def test_every_item_code_is_in_a_published_list(exam: Catalogue, package: Package) -> None:
    listed = _listed(package, VITAL_SIGNS)
    assert "8867-4" in listed and "8867-5" not in listed
    for owner, coding in _codes(exam, "loinc"):
        if coding.code not in listed:
            assert coding.display == BY_HAND[coding.code]["display"], owner


def test_section_codes_are_in_the_published_list(exam: Catalogue) -> None:
    for region in exam.regions:
        if region.loinc is not None:
            assert region.loinc.display == BY_HAND[region.loinc.code]["display"], region.region


def test_section_codes_that_hl7s_core_package_lists(package: Package) -> None:
    core = {code for code, listed in BY_HAND.items() if listed.get("core")}
    assert core == set(BY_HAND) & _listed(package, SECTIONS)


def _check_digit(body: str) -> int:
    """Mod 10 check digit. Source: LOINC Users' Guide, appendix on the check digit."""
    total = 0
    for place, digit in enumerate(reversed(body)):
        number = int(digit) * (2 if place % 2 == 0 else 1)
        total += number // 10 + number % 10
    return (10 - total % 10) % 10


def test_all_loinc_codes_have_the_right_check_digit(exam: Catalogue) -> None:
    codes = {coding.code for _, coding in _codes(exam, "loinc")} | set(BY_HAND)
    for code in codes:
        body, digit = code.split("-")
        assert _check_digit(body) == int(digit), code
    assert _check_digit("8867") != 5


def test_snomed_codes_are_in_pydicoms_dictionary(exam: Catalogue) -> None:
    concepts = pytest.importorskip(
        "pydicom.sr._concepts_dict", reason="pydicom is not installed"
    ).concepts["SCT"]
    meanings: dict[str, set[str]] = {}
    for entry in concepts.values():
        for code, (meaning, *_) in entry.items():
            meanings.setdefault(code, set()).add(meaning)
    used = [(owner, coding.code, coding.display) for owner, coding in _codes(exam, "snomed")]
    used += [(region, code, shown) for region, (code, shown) in vocabulary.REGION_SITES.items()]
    assert used
    for owner, code, display in used:
        assert display in meanings.get(code, set()), (owner, code, meanings.get(code))


def test_sides_are_in_hl7s_list_of_lateralities(package: Package) -> None:
    listed = package.codes_of("http://hl7.org/fhir/ValueSet/bodysite-laterality")
    assert listed
    assert {(code, shown) for code, shown in vocabulary.LATERALITY.values()} <= {
        (code, shown) for (_, code), shown in listed.items()
    }
