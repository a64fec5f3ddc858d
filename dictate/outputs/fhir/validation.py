"""Offline validation of FHIR R4 files, with messages for people.

It covers elements, types, code lists and references by ``fhir.resources``, the
invariants that matter for records of an examination, the vital signs profiles and
frequent slips in UCUM. It does not look codes up, and profiles other than the vital signs
are not checked.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from dictate.outputs.fhir.complaint import Complaint, label
from dictate.outputs.fhir.exact_json import load_json
from dictate.outputs.fhir.rules import bundle_rules, resource_rules
from dictate.outputs.fhir.structure import structure_complaints


def validate_file(path: Path) -> tuple[Complaint, ...]:
    """Check a file with one resource or Bundle; an empty tuple means nothing is wrong.

    Raises:
        UserFault: the file cannot be read or is no JSON.
    """
    return validate_resource(load_json(path))


def validate_resource(resource: Any) -> tuple[Complaint, ...]:
    """Check a resource or Bundle given as parsed JSON."""
    return tuple(dict.fromkeys(_complaints(resource)))


def _complaints(resource: Any) -> Iterator[Complaint]:
    if not isinstance(resource, dict) or resource.get("resourceType") != "Bundle":
        yield from _resource_complaints(resource, label(resource))
        return
    # Entries are checked one by one, so that each complaint can name its resource.
    entries = resource.get("entry", [])
    outer = {key: value for key, value in resource.items() if key != "entry"}
    yield from structure_complaints(outer, "Bundle")
    if not isinstance(entries, list) or not all(isinstance(one, dict) for one in entries):
        yield Complaint(
            severity="error", where="Bundle", sentence="'entry' must be a list of objects."
        )
        return
    for number, entry in enumerate(entries):
        inner = entry.get("resource")
        at = label(inner, number)
        shell = {key: value for key, value in entry.items() if key != "resource"}
        around: dict[str, Any] = {"resourceType": "Bundle", "type": "collection"}
        yield from structure_complaints(around | ({"entry": [shell]} if shell else {}), at)
        if "resource" in entry:
            yield from _resource_complaints(inner, at)
    yield from bundle_rules(resource, "Bundle")


def _resource_complaints(resource: Any, where: str) -> Iterator[Complaint]:
    found = list(structure_complaints(resource, where))
    yield from found
    # The rules rely on elements being of their types.
    if not found:
        yield from resource_rules(resource, where)
