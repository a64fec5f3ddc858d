"""Our code systems, value sets and extensions as FHIR R4 resources, made from the exam data."""

from __future__ import annotations

from collections.abc import Iterable

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Choice, Level
from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.observations import SUMMARY_CODE
from dictate.outputs.fhir.values import PART_TITLES, clean_texts, reading_code
from dictate.outputs.fhir.vocabulary import ExtensionKind, Resource
from dictate.outputs.note import LEVEL_WORDS
from dictate.outputs.sentences import choice_words

_FHIR_VERSION = "4.0.1"


def definition_resources(catalogue: Catalogue) -> list[Resource]:
    """Every CodeSystem, ValueSet and StructureDefinition that our bundles refer to."""
    made: list[Resource] = []
    for url, title, concepts in _systems(catalogue):
        system = _code_system(url, title, concepts, catalogue.version)
        made += [system, _value_set(system)]
    made += [_extension_definition(kind) for kind in v.EXTENSIONS]
    return [clean_texts(one) for one in made]


def definitions_bundle(catalogue: Catalogue) -> Resource:
    """The definitions in one Bundle of type ``collection``."""
    return {
        "resourceType": "Bundle",
        "id": "dictate-definitions",
        "type": "collection",
        "entry": [
            {"fullUrl": resource["url"], "resource": resource}
            for resource in definition_resources(catalogue)
        ],
    }


def _systems(catalogue: Catalogue) -> Iterable[tuple[str, str, list[tuple[str, str]]]]:
    yield (
        v.ITEMS,
        "Items of the examination",
        [(item.id, item.title) for item in catalogue.items.values()],
    )
    yield v.READINGS, "Readings of the items, affirmed and denied", list(_readings(catalogue))
    yield (
        v.REGIONS,
        "Regions of the examination",
        [(region.region, region.title) for region in catalogue.regions],
    )
    yield (
        v.PLACES,
        "Places within the items",
        [
            (f"{name}.{site.id}", site.title)
            for name, sites in catalogue.sites.items()
            for site in sites
        ],
    )
    yield (
        v.SIDES,
        "Sides of the body",
        [(side, side) for side in ("left", "right", "both", "midline")]
        + [("unspecified", "side not said")],
    )
    yield v.STATUSES, "Status of a finding", [(name, name) for name in v.INTERPRETATIONS]
    yield v.LEVELS, "Levels of coverage", [(level.value, LEVEL_WORDS[level]) for level in Level]
    yield v.PARTS, "Parts of a value", list(PART_TITLES.items())
    yield (
        v.MEASURES,
        "Computed measures",
        [(rule.id, rule.title) for rule in catalogue.checks.derived]
        + [(SUMMARY_CODE, "Checklist of the examination")],
    )


def _readings(catalogue: Catalogue) -> Iterable[tuple[str, str]]:
    for item in catalogue.items.values():
        for reading in item.readings:
            for denied in (False, True):
                said = Choice(code=reading.code, title=reading.title, denied=denied)
                yield (
                    reading_code(item.id, reading.code, denied=denied),
                    choice_words(said, sign=reading.status == "present"),
                )


def _name(url: str) -> str:
    """A name for machines (invariants csd-0, vsd-0, sdf-0): letters and digits alone."""
    last = url.removeprefix("urn:dictate:").replace(":", "-")
    return "Dictate" + "".join(part.capitalize() for part in last.split("-"))


def _code_system(url: str, title: str, concepts: list[tuple[str, str]], version: str) -> Resource:
    made: Resource = {
        "resourceType": "CodeSystem",
        "id": url.removeprefix("urn:").replace(":", "-"),
        "url": url,
        "version": version[:12],
        "name": _name(url),
        "title": title,
        "status": "active",
        "experimental": False,
        "description": f"{title}, as the exam data of this program has them.",
        "caseSensitive": True,
        "valueSet": f"{url}:all",
        "content": "complete",
        "count": len(concepts),
    }
    if concepts:
        made["concept"] = [{"code": code, "display": shown} for code, shown in concepts]
    return made


def _value_set(system: Resource) -> Resource:
    return {
        "resourceType": "ValueSet",
        "id": f"{system['id']}-all",
        "url": system["valueSet"],
        "version": system["version"],
        "name": f"{system['name']}All",
        "title": f"{system['title']}: all codes",
        "status": "active",
        "experimental": False,
        "description": f"All codes of {system['url']}.",
        "compose": {"include": [{"system": system["url"]}]},
    }


def _extension_definition(kind: ExtensionKind) -> Resource:
    elements: list[Resource] = [
        {
            "id": "Extension",
            "path": "Extension",
            "short": kind.means,
            "definition": kind.means,
            "min": 0,
            "max": "*" if kind.repeats else "1",
        }
    ]
    if kind.value:
        elements.append({"id": "Extension.extension", "path": "Extension.extension", "max": "0"})
    else:
        elements.append({"id": "Extension.extension", "path": "Extension.extension", "min": 1})
    elements.append({"id": "Extension.url", "path": "Extension.url", "fixedUri": kind.url})
    value: Resource = {"id": "Extension.value[x]", "path": "Extension.value[x]"}
    elements.append(
        value | ({"min": 1, "type": [{"code": kind.value}]} if kind.value else {"max": "0"})
    )
    return {
        "resourceType": "StructureDefinition",
        "id": f"dictate-extension-{kind.name}",
        "url": kind.url,
        "name": _name(kind.url),
        "title": kind.name.replace("-", " ").capitalize(),
        "status": "active",
        "experimental": False,
        "description": kind.means,
        "fhirVersion": _FHIR_VERSION,
        "kind": "complex-type",
        "abstract": False,
        "context": [{"type": "element", "expression": where} for where in kind.contexts],
        "type": "Extension",
        "baseDefinition": f"{v.PROFILES}/Extension",
        "derivation": "constraint",
        "differential": {"element": elements},
    }
