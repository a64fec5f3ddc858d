"""Values as FHIR types, and back; one function for each direction and kind."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any, Final

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import (
    Choice,
    Grade,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Trials,
    Value,
)
from dictate.findings.numerals import unit_words, value_words
from dictate.outputs.fhir.vocabulary import (
    ABSENT,
    APPROXIMATE,
    DIASTOLIC,
    LETTERS,
    LOINC,
    MODIFIER,
    OUT_OF,
    PARTS,
    RANGE_COMPARATOR,
    READINGS,
    SAID_VALUE,
    SCALE,
    SYSTOLIC,
    UCUM,
    ExtensionKind,
    Resource,
    coding,
    concept,
    extension,
)
from dictate.outputs.sentences import choice_words

PART_TITLES: Final = {
    "systolic": "Systolic pressure",
    "diastolic": "Diastolic pressure",
    "answer": "Answer in a trial",
    "answers": "Number of answers heard",
    "right": "Correct answers",
    "wrong": "Wrong answers",
}
GRADE_UNIT: Final = "{grade}"
_CONTROL: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
_OTHER_BLANKS: Final = re.compile(r"[^\S \t\r\n]|[\u200b\ufeff]")


def clean_text(text: str) -> str:
    """The text as a FHIR string may be: no control characters, and plain blanks alone.

    Source: HL7, FHIR R4, data type string (its pattern knows blank, tab and line ends).
    """
    return _OTHER_BLANKS.sub(" ", _CONTROL.sub("", text))


def clean_texts(element: Any) -> Any:
    """A resource (or a part of one) with all its texts cleaned."""
    if isinstance(element, dict):
        return {key: clean_texts(one) for key, one in element.items()}
    if isinstance(element, list):
        return [clean_texts(one) for one in element]
    return clean_text(element) if isinstance(element, str) else element


def quantity(number: Decimal, unit: str, comparator: str | None = None) -> Resource:
    """A Quantity in UCUM; ``unit`` is also given in the form that people read."""
    made: Resource = {"value": number}
    if comparator is not None:
        made["comparator"] = comparator
    shown = unit_words(unit)
    return made | {"unit": shown or unit, "system": UCUM, "code": unit}


def value_elements(
    value: Value, item: str, catalogue: Catalogue, *, sign: bool, panel: bool = False
) -> Resource:
    """The elements of an Observation that hold ``value``.

    Args:
        value: the value.
        item: the item's id, for the codes of its readings.
        catalogue: the exam data.
        sign: True where the reading is a sign that is there or not.
        panel: True where a pressure's parts get their LOINC codes.
    """
    if isinstance(value, Quantity):
        return _quantity_elements(value)
    if isinstance(value, Pressure):
        made: Resource = {
            "component": [
                {
                    "code": part_code("systolic", SYSTOLIC if panel else None),
                    "valueQuantity": quantity(value.systolic, value.unit),
                },
                {
                    "code": part_code("diastolic", DIASTOLIC if panel else None),
                    "valueQuantity": quantity(value.diastolic, value.unit),
                },
            ]
        }
        if value.approximate:
            made["extension"] = [extension(APPROXIMATE, True)]
        return made
    if isinstance(value, Ratio):
        ratio: Resource = {
            "numerator": {"value": value.numerator},
            "denominator": {"value": value.denominator},
        }
        if value.letters:
            ratio = {"extension": [extension(LETTERS, value.letters)]} | ratio
        return {"valueRatio": ratio}
    if isinstance(value, Grade):
        return {"valueQuantity": _grade(value, catalogue)}
    if isinstance(value, Choice):
        # The denial is part of the code: who overlooks an extension must not read "wheeze".
        shown = clean_text(choice_words(value, sign=sign))
        code = reading_code(item, value.code, denied=value.denied)
        return {"valueCodeableConcept": concept(coding(READINGS, code, shown), text=shown)}
    if isinstance(value, Trials):
        return {"component": _trials(value)}
    return text_elements(value.text)


def text_elements(text: str) -> Resource:
    """A string value, or the reason that there is none where nothing is left of it."""
    kept = clean_text(text)
    return {"valueString": kept} if kept.strip() else {"dataAbsentReason": absent("empty text")}


def absent(text: str, code: str = "unknown", display: str = "Unknown") -> Resource:
    """Why there is no value, by a code of HL7 and in words."""
    return concept(coding(ABSENT, code, display), text=text)


def reading_code(item: str, reading: str, *, denied: bool) -> str:
    """Code of a reading of an item, affirmed or denied."""
    return f"{item}.{reading}" + (".denied" if denied else "")


def part_code(part: str, loinc: tuple[str, str] | None = None) -> Resource:
    """The code of a component: LOINC's where it has one, and ours."""
    codings = [coding(LOINC, *loinc)] if loinc is not None else []
    return concept(*codings, coding(PARTS, part, PART_TITLES[part]), text=PART_TITLES[part])


def _quantity_elements(value: Quantity) -> Resource:
    extensions = [extension(APPROXIMATE, True)] if value.approximate else []
    if value.said_number is not None:
        said: Resource = {"value": value.said_number}
        if value.said_unit:
            said = quantity(value.said_number, value.said_unit)
        extensions.append(extension(SAID_VALUE, said))
    elif value.said_unit:
        extensions.append(
            extension(
                SAID_VALUE, {"unit": value.said_unit, "system": UCUM, "code": value.said_unit}
            )
        )
    if value.high is None:
        made = quantity(value.number, value.unit, value.comparator)
        return {"valueQuantity": _with(extensions, made)}
    if value.comparator is not None:
        extensions.append(extension(RANGE_COMPARATOR, value.comparator))
    low, high = sorted((value.number, value.high))
    return {
        "valueRange": _with(
            extensions, {"low": quantity(low, value.unit), "high": quantity(high, value.unit)}
        )
    }


def _with(extensions: list[Resource], made: Resource) -> Resource:
    return ({"extension": extensions} if extensions else {}) | made


def _grade(value: Grade, catalogue: Catalogue) -> Resource:
    extensions = [extension(SCALE, value.scale)]
    if value.out_of is not None:
        extensions.append(extension(OUT_OF, value.out_of))
    if value.modifier is not None:
        extensions.append(extension(MODIFIER, value.modifier))
    scale = catalogue.scales.get(value.scale)
    return {
        "extension": extensions,
        "value": value.grade,
        "unit": f"grade ({scale.title})" if scale is not None else "grade",
        "system": UCUM,
        "code": GRADE_UNIT,
    }


def _trials(value: Trials) -> list[Resource]:
    parts: list[Resource] = [{"code": part_code("answers"), "valueInteger": len(value.answers)}]
    for name, count in (("right", value.right), ("wrong", value.wrong)):
        if count is not None:
            parts.append({"code": part_code(name), "valueInteger": count})
    parts += [{"code": part_code("answer")} | text_elements(answer) for answer in value.answers]
    return parts


def alternative(value: Value, item: str, catalogue: Catalogue, *, sign: bool) -> list[Resource]:
    """The parts of an 'alternative' extension: the value in words, and as data."""
    parts: list[Resource] = [
        {"url": "words", "valueString": clean_text(value_words(value, catalogue))}
    ]
    elements = value_elements(value, item, catalogue, sign=sign)
    parts += elements.get("extension", [])
    for key in ("valueQuantity", "valueRange", "valueRatio", "valueCodeableConcept", "valueString"):
        if key in elements:
            parts.append({"url": "value", key: elements[key]})
    for component in elements.get("component", []):
        name = own_part(component)
        given = {key: one for key, one in component.items() if key.startswith("value")}
        if name is not None and given:
            parts.append({"url": name} | given)
    return parts


def own_part(component: Resource) -> str | None:
    """Our code of a component, None where it has none."""
    for one in component.get("code", {}).get("coding", []):
        if one.get("system") == PARTS:
            return str(one["code"])
    return None


def value_from(elements: Resource, choice_titles: dict[str, str]) -> Value | None:
    """Read back what :func:`value_elements` wrote; None where there is no value.

    Args:
        elements: an Observation, or the parts of an alternative in the same form.
        choice_titles: titles of readings by their code without denial; a reading that
            is not there keeps the text that was written.
    """
    if "valueRange" in elements:
        return _range_from(elements["valueRange"])
    if "valueQuantity" in elements:
        return _quantity_from(elements["valueQuantity"])
    if "valueRatio" in elements:
        ratio = elements["valueRatio"]
        return Ratio(
            numerator=_decimal(ratio["numerator"]["value"]),
            denominator=_decimal(ratio["denominator"]["value"]),
            letters=find(ratio, LETTERS) or 0,
        )
    if "valueCodeableConcept" in elements:
        return _choice_from(elements["valueCodeableConcept"], choice_titles)
    if "valueString" in elements:
        return Text(text=elements["valueString"])
    return _components_from(elements)


def find(element: Resource, kind: ExtensionKind) -> Any:
    """The value of one of our extensions on an element, None where it is not there."""
    return next(iter(find_all(element, kind)), None)


def find_all(element: Resource, kind: ExtensionKind) -> list[Any]:
    """The values of one of our extensions on an element, in order."""
    return [
        next((value for key, value in one.items() if key.startswith("value")), None)
        for one in element.get("extension", [])
        if one.get("url") == kind.url
    ]


def _decimal(number: Any) -> Decimal:
    return number if isinstance(number, Decimal) else Decimal(str(number))


def _said(element: Resource) -> dict[str, Any]:
    said = find(element, SAID_VALUE) or {}
    return {
        "said_number": _decimal(said["value"]) if "value" in said else None,
        "said_unit": said.get("code"),
        "approximate": bool(find(element, APPROXIMATE)),
    }


def _range_from(element: Resource) -> Quantity:
    return Quantity(
        number=_decimal(element["low"]["value"]),
        high=_decimal(element["high"]["value"]),
        unit=element["low"]["code"],
        comparator=find(element, RANGE_COMPARATOR),
        **_said(element),
    )


def _quantity_from(element: Resource) -> Value:
    scale = find(element, SCALE)
    if scale is not None:
        return Grade(
            grade=_decimal(element["value"]),
            scale=scale,
            out_of=find(element, OUT_OF),
            modifier=find(element, MODIFIER),
        )
    return Quantity(
        number=_decimal(element["value"]),
        unit=element["code"],
        comparator=element.get("comparator"),
        **_said(element),
    )


def _choice_from(element: Resource, titles: dict[str, str]) -> Choice | None:
    for one in element.get("coding", []):
        if one.get("system") == READINGS:
            code = str(one["code"])
            denied = code.endswith(".denied")
            stem = code.removesuffix(".denied")
            shown = str(one.get("display") or element.get("text") or stem)
            if denied:  # only for readings that this exam data does not know
                shown = shown.removeprefix("no ").removeprefix("not ")
            return Choice(
                code=stem.rpartition(".")[2], title=titles.get(stem, shown), denied=denied
            )
    return None


def _components_from(elements: Resource) -> Value | None:
    by_part: dict[str, list[Resource]] = {}
    for component in elements.get("component", []):
        name = own_part(component)
        if name is not None:
            by_part.setdefault(name, []).append(component)
    if "systolic" in by_part and "diastolic" in by_part:
        high, low = (by_part[name][0]["valueQuantity"] for name in ("systolic", "diastolic"))
        return Pressure(
            systolic=_decimal(high["value"]),
            diastolic=_decimal(low["value"]),
            unit=high["code"],
            approximate=bool(find(elements, APPROXIMATE)),
        )
    if "answers" in by_part:
        counts = {
            name: by_part[name][0]["valueInteger"] for name in ("right", "wrong") if name in by_part
        }
        return Trials(
            answers=tuple(one.get("valueString", "") for one in by_part.get("answer", [])),
            **counts,
        )
    return None


def alternative_from(parts: list[Resource], choice_titles: dict[str, str]) -> Value | None:
    """Read back what :func:`alternative` wrote."""
    elements: Resource = {"extension": parts, "component": []}
    for part in parts:
        given = {key: one for key, one in part.items() if key != "url"}
        if part.get("url") == "value":
            elements |= given
        elif part.get("url") in PART_TITLES:
            elements["component"].append({"code": part_code(part["url"])} | given)
    return value_from(elements, choice_titles)
