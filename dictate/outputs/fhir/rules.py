"""Rules that go beyond structure: HL7's invariants and vital signs profiles, units, references.

Source of all rules: HL7, FHIR R4 (4.0.1); the name in brackets is HL7's name of the
invariant or profile.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, Final

from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.complaint import Complaint, dicts, label
from dictate.outputs.fhir.structure import reference_kinds

# Frequent slips in UCUM, and what is meant. Some are valid units of something else.
WRONG_UNITS: Final = {
    "mmHg": "mm[Hg]",
    "mm Hg": "mm[Hg]",
    "bpm": "/min",
    "beats/min": "/min",
    "breaths/min": "/min",
    "degC": "Cel",
    "°C": "Cel",
    "C": "Cel",
    "degF": "[degF]",
    "°F": "[degF]",
    "F": "[degF]",
    "lb": "[lb_av]",
    "lbs": "[lb_av]",
    "in": "[in_i]",
    "inch": "[in_i]",
    "ft": "[ft_i]",
    "percent": "%",
    "sec": "s",
    "secs": "s",
    "cms": "cm",
    "kgs": "kg",
    "°": "deg",
    "degrees": "deg",
    "kg/m^2": "kg/m2",
    "kg/m²": "kg/m2",
}
_UCUM_SHAPE: Final = re.compile(r"[!-~]+")
# The elements that a Narrative may hold (txt-1), in short lines.
_XHTML_WORDS: Final = """
    div p span b i em strong small big sub sup br hr ul ol li dl dt dd table caption colgroup col
    thead tfoot tbody tr th td h1 h2 h3 h4 h5 h6 a img pre code blockquote q tt cite abbr acronym
    address del ins dfn kbd samp var map area bdo
"""
_XHTML_TAGS: Final = frozenset(_XHTML_WORDS.split())


def bundle_rules(bundle: dict[str, Any], where: str) -> Iterator[Complaint]:
    """The invariants of a Bundle as a whole, and references between its entries."""
    kind = bundle.get("type")
    entries = dicts(bundle.get("entry"))
    if "total" in bundle and kind not in ("searchset", "history"):
        yield _error(where, "a 'total' is only for search results and histories.", "bdl-1")
    asks = kind in ("batch", "transaction", "history")
    answers = kind in ("batch-response", "transaction-response", "history")
    seen: set[tuple[str, str]] = set()
    for number, entry in enumerate(entries):
        at = label(entry.get("resource"), number)
        if ("request" in entry) != asks and kind is not None:
            told = "needs a 'request'" if asks else "may have no 'request'"
            yield _error(at, f"an entry of a '{kind}' {told}.", "bdl-3")
        if ("response" in entry) != answers and kind is not None:
            told = "needs a 'response'" if answers else "may have no 'response'"
            yield _error(at, f"an entry of a '{kind}' {told}.", "bdl-4")
        if "search" in entry and kind != "searchset":
            yield _error(at, "'search' is only for search results.", "bdl-2")
        if "resource" not in entry and "request" not in entry and "response" not in entry:
            yield _error(at, "the entry holds no resource.", "bdl-5")
        url = entry.get("fullUrl")
        if isinstance(url, str):
            if "/_history/" in url:
                yield _error(at, "the fullUrl may not name a version.", "bdl-8")
            resource = entry.get("resource")
            meta = resource.get("meta") if isinstance(resource, dict) else None
            version = str(meta.get("versionId", "")) if isinstance(meta, dict) else ""
            if (url, version) in seen and kind != "history":
                yield _error(at, f"another entry has the same fullUrl {url}.", "bdl-7")
            seen.add((url, version))
    if kind == "document":
        yield from _document_rules(bundle, entries, where)
    if kind == "message":
        yield from _first_must_be("MessageHeader", "bdl-12", entries, where)
    yield from _reference_rules(entries)


def _document_rules(
    bundle: dict[str, Any], entries: list[dict[str, Any]], where: str
) -> Iterator[Complaint]:
    identifier = bundle.get("identifier")
    if not (isinstance(identifier, dict) and identifier.get("system") and identifier.get("value")):
        yield _error(where, "a document needs an identifier with system and value.", "bdl-9")
    if not bundle.get("timestamp"):
        yield _error(where, "a document needs a timestamp.", "bdl-10")
    yield from _first_must_be("Composition", "bdl-11", entries, where)


def _first_must_be(
    kind: str, rule: str, entries: list[dict[str, Any]], where: str
) -> Iterator[Complaint]:
    first = entries[0].get("resource") if entries else None
    if not isinstance(first, dict) or first.get("resourceType") != kind:
        yield _error(where, f"the first entry must be a {kind}.", rule)


def _reference_rules(entries: list[dict[str, Any]]) -> Iterator[Complaint]:
    kinds = {
        entry["fullUrl"]: str(entry["resource"].get("resourceType"))
        for entry in entries
        if isinstance(entry.get("fullUrl"), str) and isinstance(entry.get("resource"), dict)
    }
    for number, entry in enumerate(entries):
        resource = entry.get("resource")
        if not isinstance(resource, dict):
            continue
        at = label(resource, number)
        for path, top, target in _references(resource):
            if not target.startswith(("urn:uuid:", "urn:oid:")):
                continue
            if target not in kinds:
                yield _error(
                    at, f"{path} refers to {target}, which is not in the bundle.", "bdl-ref"
                )
                continue
            direct = path == top or re.fullmatch(rf"{top}\[\d+\]", path) is not None
            allowed = _allowed(str(resource.get("resourceType")), top) if direct else None
            if allowed is not None and kinds[target] not in allowed:
                yield _error(
                    at,
                    f"{path} refers to a {kinds[target]}; it may refer to {', '.join(allowed)}.",
                    "reference type",
                )


def _allowed(kind: str, element: str) -> list[str] | None:
    try:
        return reference_kinds(kind, element)
    except (ValueError, KeyError, ImportError):
        return None


def _references(value: Any, path: str = "", top: str = "") -> Iterator[tuple[str, str, str]]:
    if isinstance(value, dict):
        target = value.get("reference")
        if isinstance(target, str) and path:
            yield path, top, target
        for key, one in value.items():
            yield from _references(one, f"{path}.{key}" if path else key, top or key)
    elif isinstance(value, list):
        for place, one in enumerate(value):
            yield from _references(one, f"{path}[{place}]", top)


def resource_rules(resource: dict[str, Any], where: str) -> Iterator[Complaint]:
    """Invariants of data types anywhere in a resource, and those of its own type."""
    yield from _element_rules(resource, where, "")
    kind = resource.get("resourceType")
    if kind == "Observation":
        yield from observation_rules(resource, where)
    elif kind == "Composition":
        for place, section in enumerate(dicts(resource.get("section"))):
            yield from _section_rules(section, where, f"section[{place}]")


def _section_rules(section: dict[str, Any], where: str, path: str) -> Iterator[Complaint]:
    inner = dicts(section.get("section"))
    if not (section.get("text") or section.get("entry") or inner):
        yield _error(where, f"{path} needs text, entries or sections of its own.", "cmp-1")
    if section.get("emptyReason") and section.get("entry"):
        yield _error(where, f"{path} has entries and a reason that it is empty.", "cmp-2")
    for place, one in enumerate(inner):
        yield from _section_rules(one, where, f"{path}.section[{place}]")


def _element_rules(value: Any, where: str, path: str) -> Iterator[Complaint]:
    if isinstance(value, list):
        for place, one in enumerate(value):
            yield from _element_rules(one, where, f"{path}[{place}]")
        return
    if not isinstance(value, dict):
        return
    name = re.sub(r"\[\d+\]$", "", path).rpartition(".")[2]
    if "url" in value and name in ("extension", "modifierExtension"):
        holds = any(key.startswith("value") for key in value)
        if holds == ("extension" in value):
            yield _error(where, f"{path} must hold either a value or extensions.", "ext-1")
    if name in ("text", "narrative") and "div" in value:
        yield from _narrative_rules(str(value["div"]), where, path)
    if name.lower().endswith("period"):
        start, end = value.get("start"), value.get("end")
        if isinstance(start, str) and isinstance(end, str) and _later(start, end):
            yield _error(where, f"{path} ends before it begins.", "per-1")
    if name.lower().endswith("range") and not name.startswith("reference"):
        low, high = _number(value.get("low")), _number(value.get("high"))
        if low is not None and high is not None and low > high:
            yield _error(where, f"{path} has its low end above its high end.", "rng-2")
    if "numerator" in value or "denominator" in value:
        if not ("numerator" in value and "denominator" in value):
            yield _error(where, f"{path} needs both numerator and denominator.", "rat-1")
    for key in ("value", "valueDecimal", "valueInteger", "valueBoolean"):
        # A "value" beside a unit is a number; in an Identifier it is a text.
        if isinstance(value.get(key), str) and (
            key != "value" or {"unit", "comparator"} & set(value)
        ):
            yield _error(where, f"{path}.{key} is a text; write it without quotes.", "type")
    if value.get("system") == v.UCUM or ("code" in value and "value" in value and "unit" in value):
        yield from _quantity_rules(value, where, path)
    for key, one in value.items():
        yield from _element_rules(one, where, f"{path}.{key}" if path else key)


def _number(quantity: Any) -> Decimal | None:
    number = quantity.get("value") if isinstance(quantity, dict) else None
    return Decimal(str(number)) if isinstance(number, int | float | Decimal) else None


def _later(start: str, end: str) -> bool:
    from datetime import datetime

    try:
        one, other = (datetime.fromisoformat(text.replace("Z", "+00:00")) for text in (start, end))
        return one > other
    except (ValueError, TypeError):
        return False  # of different precision, or no times at all: the structure says so


def _quantity_rules(value: dict[str, Any], where: str, path: str) -> Iterator[Complaint]:
    code = value.get("code")
    if code is not None and not value.get("system"):
        yield _error(where, f"{path} has a unit code and no system.", "qty-3")
    if not isinstance(code, str) or value.get("system") != v.UCUM:
        return
    if code in WRONG_UNITS:
        yield _error(
            where,
            f"{path}: '{code}' is not the UCUM unit meant here; write '{WRONG_UNITS[code]}'.",
            "UCUM",
        )
    elif not _UCUM_SHAPE.fullmatch(code) or not _balanced(code):
        yield _error(where, f"{path}: '{code}' cannot be a UCUM unit.", "UCUM")


def _balanced(code: str) -> bool:
    return all(code.count(a) == code.count(b) for a, b in ("[]", "{}", "()"))


def _narrative_rules(div: str, where: str, path: str) -> Iterator[Complaint]:
    from xml.etree import ElementTree

    # Entities are refused outright: they could be made to grow without end.
    if "<!" in div:
        yield _error(where, f"{path}.div holds a declaration or comment.", "txt-1")
        return
    try:
        root = ElementTree.fromstring(div)
    except ElementTree.ParseError as error:
        yield _error(where, f"{path}.div is no well-formed XHTML ({error}).", "txt-1")
        return
    space = "{http://www.w3.org/1999/xhtml}"
    if root.tag != f"{space}div":
        yield _error(where, f"{path}.div must be one <div> of XHTML.", "txt-1")
    for element in root.iter():
        tag = str(element.tag).removeprefix(space)
        if tag not in _XHTML_TAGS:
            yield _error(where, f"{path}.div may not hold <{tag}>.", "txt-1")
        for name in element.attrib:
            if name.lower().startswith("on"):
                yield _error(where, f"{path}.div may not hold '{name}'.", "txt-1")
    if not "".join(root.itertext()).strip() and root.find(f".//{space}img") is None:
        yield _error(where, f"{path}.div says nothing.", "txt-2")


def observation_rules(one: dict[str, Any], where: str) -> Iterator[Complaint]:
    """Invariants of Observation, and the vital signs profiles by their LOINC codes."""
    values = [key for key in one if key.startswith("value")]
    components = dicts(one.get("component"))
    if one.get("dataAbsentReason") and values:
        yield _error(where, "it has a value and a reason that there is none.", "obs-6")
    own = _codes(one)
    for place, component in enumerate(components):
        if values and own & _codes(component):
            yield _error(where, f"component[{place}] repeats its code and value.", "obs-7")
    for place, reference in enumerate(dicts(one.get("referenceRange"))):
        if not {"low", "high", "text"} & set(reference):
            yield _error(where, f"referenceRange[{place}] says nothing.", "obs-3")
    loinc = {code for system, code in own if system == v.LOINC}
    if v.PRESSURE_PANEL in loinc:
        yield from _vital_rules(one, where, "bp")
        yield from _pressure_rules(components, where)
    for code in loinc:
        known = v.SAME_PROFILE.get(code, code)
        sign = v.VITAL_SIGNS.get(known)
        if sign is None:
            continue
        if known not in loinc:
            yield _error(where, f"beside {code} the code {known} is needed.", sign.profile)
        yield from _vital_rules(one, where, sign.profile)
        yield from _vital_value(one, where, sign, values)


def _codes(element: dict[str, Any]) -> set[tuple[str, str]]:
    code = element.get("code")
    return {
        (str(one.get("system")), str(one.get("code")))
        for one in dicts(code.get("coding") if isinstance(code, dict) else None)
    }


def _vital_rules(one: dict[str, Any], where: str, profile: str) -> Iterator[Complaint]:
    categories = {
        (str(code.get("system")), str(code.get("code")))
        for category in dicts(one.get("category"))
        for code in dicts(category.get("coding"))
    }
    if (v.CATEGORY, "vital-signs") not in categories:
        yield _error(where, "a vital sign needs the category 'vital-signs'.", profile)
    if not one.get("subject"):
        yield _error(where, "a vital sign needs a subject.", profile)
    if not (one.get("effectiveDateTime") or one.get("effectivePeriod")):
        yield _error(where, "a vital sign needs the time at which it was taken.", profile)


def _vital_value(
    one: dict[str, Any], where: str, sign: v.VitalSign, values: list[str]
) -> Iterator[Complaint]:
    if not values:
        if not one.get("dataAbsentReason") and not one.get("component"):
            yield _error(where, "it needs a value or the reason that there is none.", "vs-2")
        return
    quantity = one.get("valueQuantity")
    if not isinstance(quantity, dict):
        yield _error(where, f"its value must be a quantity, not {values[0]}.", sign.profile)
        return
    yield from _vital_quantity(quantity, where, "valueQuantity", sign.units, sign.profile)


def _vital_quantity(
    quantity: dict[str, Any], where: str, path: str, units: tuple[str, ...], profile: str
) -> Iterator[Complaint]:
    for key in ("value", "unit"):
        if key not in quantity:
            yield _error(where, f"{path}.{key} is missing.", profile)
    if quantity.get("system") != v.UCUM:
        yield _error(where, f"{path}.system must be {v.UCUM}.", profile)
    if quantity.get("code") not in units:
        yield _error(
            where,
            f"{path}.code is '{quantity.get('code')}'; it must be {' or '.join(units)}.",
            profile,
        )


def _pressure_rules(components: list[dict[str, Any]], where: str) -> Iterator[Complaint]:
    for code, display in (v.SYSTOLIC, v.DIASTOLIC):
        fitting = [one for one in components if (v.LOINC, code) in _codes(one)]
        if len(fitting) != 1:
            yield _error(where, f"it needs one component {code} ({display}).", "bp")
            continue
        quantity = fitting[0].get("valueQuantity")
        if isinstance(quantity, dict):
            yield from _vital_quantity(quantity, where, display, ("mm[Hg]",), "bp")
        elif not fitting[0].get("dataAbsentReason"):
            yield _error(
                where, f"{display} needs a value or the reason that there is none.", "vs-3"
            )


def _error(where: str, sentence: str, rule: str) -> Complaint:
    return Complaint(severity="error", where=where, sentence=sentence, rule=rule)
