"""The structure of resources: elements, types, code lists and kinds of reference.

Elements and types are those of ``fhir.resources`` (R4B, whose models of these
resources are those of R4).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Final

from dictate.outputs.fhir.complaint import Complaint

# Required code lists that fhir.resources gives in part only or not at all.
# Source: HL7, FHIR R4 (4.0.1), value sets observation-status, composition-status,
# bundle-type, quantity-comparator, narrative-status, publication-status, provenance-entity-role,
# device-nametype; the tests compare them with HL7's package.
REQUIRED_CODES: Final[dict[tuple[str, str], frozenset[str]]] = {
    ("Observation", "status"): frozenset(
        {
            "registered", "preliminary", "final", "amended", "corrected", "cancelled",
            "entered-in-error", "unknown",
        }
    ),
    ("Composition", "status"): frozenset({"preliminary", "final", "amended", "entered-in-error"}),
    ("Bundle", "type"): frozenset(
        {
            "document", "message", "transaction", "transaction-response", "batch",
            "batch-response", "history", "searchset", "collection",
        }
    ),
    ("Quantity", "comparator"): frozenset({"<", "<=", ">=", ">"}),
    ("Narrative", "status"): frozenset({"generated", "extensions", "additional", "empty"}),
    ("CodeSystem", "status"): frozenset({"draft", "active", "retired", "unknown"}),
    ("ValueSet", "status"): frozenset({"draft", "active", "retired", "unknown"}),
    ("StructureDefinition", "status"): frozenset({"draft", "active", "retired", "unknown"}),
    ("ProvenanceEntity", "role"): frozenset(
        {"derivation", "revision", "quotation", "source", "removal"}
    ),
    ("DeviceDeviceName", "type"): frozenset(
        {
            "udi-label-name", "user-friendly-name", "patient-reported-name", "manufacturer-name",
            "model-name", "other",
        }
    ),
}  # fmt: skip
# What the pattern of FHIR's data type string leaves out.
_ODD_SIGNS: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]|[^\S \t\r\n]")


def structure_complaints(resource: Any, where: str) -> Iterator[Complaint]:
    """Check one resource (or a Bundle without its entries) against its model."""
    from fhir.resources.R4B import get_fhir_model_class
    from pydantic import ValidationError

    if not isinstance(resource, dict):
        yield Complaint(severity="error", where=where, sentence="this is no JSON object.")
        return
    kind = resource.get("resourceType")
    if not isinstance(kind, str):
        yield Complaint(severity="error", where=where, sentence="the 'resourceType' is missing.")
        return
    try:
        model = get_fhir_model_class(kind)
    except (ValueError, KeyError, ImportError):
        yield Complaint(
            severity="error", where=where, sentence=f"'{kind}' is no resource type of FHIR R4."
        )
        return
    yield from _empty_complaints(resource, where, "")
    try:
        instance = model.model_validate(_plain(resource))
    except ValidationError as error:
        for one in error.errors(include_url=False, include_context=False, include_input=False):
            yield Complaint(
                severity="error",
                where=where,
                sentence=_readable(one["type"], one["loc"], one["msg"], resource),
            )
        return
    yield from _model_complaints(instance, where, "")


def _plain(value: Any) -> Any:
    """Decimals as numbers of Python, which is all that the models take for some types."""
    from decimal import Decimal

    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, Decimal):
        return (
            int(value) if value == value.to_integral_value() and abs(value) < 1e15 else float(value)
        )
    return value


_FORMS: Final = {
    "DateTime": "a date and time such as 2026-03-04T09:30:00Z",
    "Date": "a date such as 2026-03-04",
    "Instant": "a moment with its zone such as 2026-03-04T09:30:00Z",
    "Time": "a time such as 09:30:00",
    "Decimal": "a number without quotes such as 36.8",
    "Integer": "a whole number without quotes",
}


def _readable(kind: str, loc: tuple[int | str, ...], told: str, resource: dict[str, Any]) -> str:
    """What the model found, as a sentence for people who do not know the model."""
    told = told.removeprefix("Value error, ").rstrip(".")
    steps = loc[:-1] if loc and loc[-1] == "root" else loc
    path = _path(steps) or "the resource"
    found = _at(resource, steps)
    if kind.endswith("missing"):
        return f"{path} is missing."
    if kind == "extra_forbidden":
        return f"{path} is no element that FHIR R4 knows there."
    if told.startswith("Any of one field value") and isinstance(found, dict):
        given = [name for name in re.findall(r"'(\w+)'", told) if name in found]
        if len(given) > 1:
            return f"{path}: only one of {' and '.join(given)} may be given."
        choices = ", ".join(re.findall(r"'(\w+)'", told))
        return f"{path}: one of these is missing: {choices}."
    if kind == "list_type":
        return f"{path} must be a list, in square brackets."
    if kind == "model_validation_format":
        given_kind = "a list" if isinstance(found, list) else "something else"
        return f"{path} must be one object in braces and is {given_kind}."
    form = re.match(r"(\w+) value string does not match", told)
    if form is not None and form[1] in _FORMS:
        return f"{path} is '{found}'; it must be {_FORMS[form[1]]}."
    if kind == "string_pattern_mismatch":
        return f"{path} is '{found}', which has signs or a length that are not allowed there."
    if kind == "string_type":
        return f"{path} must be a text in quotes."
    return f"{path}: {told}."


def _at(value: Any, steps: tuple[int | str, ...]) -> Any:
    """What stands at a path; None where there is nothing."""
    for step in steps:
        if isinstance(value, dict) and isinstance(step, str):
            value = value.get(step)
        elif isinstance(value, list) and isinstance(step, int) and step < len(value):
            value = value[step]
        else:
            return None
    return value


def _path(loc: tuple[int | str, ...]) -> str:
    path = ""
    for step in loc:
        path += f"[{step}]" if isinstance(step, int) else f".{step}" if path else str(step)
    return path


def _empty_complaints(value: Any, where: str, path: str) -> Iterator[Complaint]:
    """FHIR has no empty objects, lists, texts or nulls (null only in lists of primitives)."""
    if isinstance(value, dict):
        for key, one in value.items():
            deeper = f"{path}.{key}" if path else key
            if one is None or one == {} or one == []:
                yield Complaint(
                    severity="error",
                    where=where,
                    sentence=f"{deeper} is empty; leave it out.",
                    rule="ele-1",
                )
            elif isinstance(one, str) and not one.strip():
                yield Complaint(
                    severity="error", where=where, sentence=f"{deeper} is an empty text."
                )
            elif isinstance(one, str) and key != "div" and _ODD_SIGNS.search(one):
                yield Complaint(
                    severity="error",
                    where=where,
                    sentence=f"{deeper} holds a control character or an unusual blank "
                    "(such as a no-break space).",
                    rule="string",
                )
            else:
                yield from _empty_complaints(one, where, deeper)
    elif isinstance(value, list):
        for place, one in enumerate(value):
            yield from _empty_complaints(one, where, f"{path}[{place}]")


def _model_complaints(instance: Any, where: str, path: str) -> Iterator[Complaint]:
    """Codes against their lists and references against their targets, through the models."""
    from pydantic import BaseModel

    for name, field in type(instance).model_fields.items():
        value = getattr(instance, name, None)
        if value is None or name in ("resource_type", "fhir_comments"):
            continue
        told = str(field.alias or name)
        deeper = f"{path}.{told}" if path else told
        extra = field.json_schema_extra
        known = extra if isinstance(extra, dict) else {}
        if isinstance(value, str):
            allowed = REQUIRED_CODES.get((type(instance).__name__, told))
            listed = known.get("enum_values")
            if allowed is None and isinstance(listed, list) and "+" not in listed:
                allowed = frozenset(str(one) for one in listed)
            if allowed is not None and value not in allowed:
                yield Complaint(
                    severity="error",
                    where=where,
                    sentence=f"{deeper} is '{value}'; it must be one of "
                    f"{', '.join(sorted(allowed))}.",
                    rule="required code list",
                )
        kinds = known.get("enum_reference_types")
        for place, one in enumerate(value if isinstance(value, list) else [value]):
            at = f"{deeper}[{place}]" if isinstance(value, list) else deeper
            if isinstance(one, BaseModel):
                if isinstance(kinds, list) and type(one).__name__ == "Reference":
                    yield from _reference_complaints(one, [str(kind) for kind in kinds], where, at)
                yield from _model_complaints(one, where, at)


def _reference_complaints(
    reference: Any, kinds: list[str], where: str, path: str
) -> Iterator[Complaint]:
    if "Resource" in kinds:
        return
    named = str(reference.type) if reference.type else None
    target = str(reference.reference or "")
    if named is None and re.fullmatch(r"(.*/)?[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}", target):
        named = target.split("/")[-2]
    if named is not None and named not in kinds:
        yield Complaint(
            severity="error",
            where=where,
            sentence=f"{path} refers to a {named}; it may refer to {', '.join(kinds)}.",
            rule="reference type",
        )


def reference_kinds(kind: str, element: str) -> list[str] | None:
    """The types that a top-level element of a resource may refer to; None where any may."""
    from fhir.resources.R4B import get_fhir_model_class

    field = get_fhir_model_class(kind).model_fields.get(element)
    extra = field.json_schema_extra if field is not None else None
    kinds = extra.get("enum_reference_types") if isinstance(extra, dict) else None
    if not isinstance(kinds, list) or "Resource" in kinds:
        return None
    return [str(one) for one in kinds]
