"""Findings, computed measures and the checklist as FHIR R4 Observations."""

from __future__ import annotations

import uuid
from datetime import timedelta
from decimal import Decimal
from typing import Final

from dictate.checks.flag import Derived
from dictate.exam.catalogue import Catalogue, Item, Limits
from dictate.findings.finding import Choice, Finding, Level, Pressure, Quantity
from dictate.findings.numerals import number_words, sources_title, value_words, with_unit
from dictate.outputs.arrangement import ItemView, arrange, site_title
from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.values import (
    absent,
    alternative,
    clean_text,
    quantity,
    value_elements,
)
from dictate.outputs.fhir.vocabulary import Resource, coding, concept, extension
from dictate.outputs.note import LEVEL_WORDS
from dictate.outputs.sentences import is_sign
from dictate.session.record import Session

_NAMESPACE: Final = uuid.uuid5(uuid.NAMESPACE_URL, "urn:dictate:resources")
SUMMARY_CODE: Final = "checklist"


class People:
    """References of one bundle to who and what its resources are about."""

    def __init__(self, session: Session) -> None:
        self.patient = resource_id(session, "Patient")
        self.practitioner = resource_id(session, "Practitioner")
        self.device = resource_id(session, "Device")

    @property
    def context(self) -> Resource:
        """Subject, performer and device of an Observation."""
        return {
            "subject": {"reference": f"urn:uuid:{self.patient}"},
            "performer": [{"reference": f"urn:uuid:{self.practitioner}"}],
            "device": {"reference": f"urn:uuid:{self.device}"},
        }


def resource_id(session: Session, kind: str, name: str = "") -> str:
    """An id that is the same whenever the same session is written, and different for others."""
    told = "\n".join((session.info.id, session.info.sound_sha256, kind, name))
    return str(uuid.uuid5(_NAMESPACE, told))


def moment(session: Session, seconds: float) -> str:
    """An absolute time with zone for a second of the recording, to the millisecond."""
    return (session.info.started + timedelta(seconds=seconds)).isoformat(timespec="milliseconds")


def observation(finding: Finding, session: Session, catalogue: Catalogue) -> Resource:
    """One finding as an Observation.

    It carries the profile of the FHIR vital signs where it fits one in full (code,
    value and unit); otherwise it carries our code alone, since FHIR asks every
    Observation with a code of a vital sign to follow its profile.
    """
    item = catalogue.items.get(finding.item)
    vital = _vital_code(finding, item)
    made: Resource = {
        "resourceType": "Observation",
        "id": resource_id(session, "Observation", finding.id),
    }
    if vital is not None:
        profile = "bp" if vital == v.PRESSURE_PANEL else v.VITAL_SIGNS[vital].profile
        made["meta"] = {"profile": [f"{v.PROFILES}/{profile}"]}
    elements = _value(finding, catalogue, panel=vital == v.PRESSURE_PANEL)
    made["extension"] = _extensions(finding, catalogue) + elements.pop("extension", [])
    made |= {
        "identifier": [{"system": v.FINDING_ID, "value": clean_text(finding.id)}],
        "status": _status(finding, session),
        "category": [_category(vital is not None)],
        "code": _code(finding, item, vital),
        **People(session).context,
        **_effective(session, finding.start, finding.end, point=vital is not None),
        **elements,
    }
    made |= _judgement(finding, item, catalogue, made)
    site = _body_site(finding, catalogue)
    if site is not None:
        made["bodySite"] = site
    made["method"] = {
        "text": "Entered by hand"
        if finding.by_hand
        else "Said aloud during a practice examination and recognised from the sound"
    }
    if finding.doubtful:
        made["note"] = [{"text": _doubt_note(finding, catalogue)}]
    return _in_order(made)


def _effective(session: Session, start: float, end: float, *, point: bool) -> Resource:
    """When it was said: absolute times, and seconds of the recording beside them.

    Vital signs get a point in time: the profiles' invariant vs-1 reads as false for a
    Period in validators that take an empty result for false.
    """
    offsets = {
        "extension": [
            extension(v.OFFSET_START, Decimal(repr(start))),
            extension(v.OFFSET_END, Decimal(repr(end))),
        ]
    }
    if point:
        return {"effectiveDateTime": moment(session, start), "_effectiveDateTime": offsets}
    times = {"start": moment(session, start), "end": moment(session, max(start, end))}
    return {"effectivePeriod": offsets | times}


# The order of elements in the specification, which readers (and the XML form) expect.
_ORDER: Final = (
    "resourceType", "id", "meta", "extension", "identifier", "status", "category", "code",
    "subject", "effectiveDateTime", "_effectiveDateTime", "effectivePeriod", "performer",
    "valueQuantity", "valueCodeableConcept", "valueString", "valueRange", "valueRatio",
    "dataAbsentReason", "interpretation", "note", "bodySite", "method", "device",
    "referenceRange", "derivedFrom", "component",
)  # fmt: skip


def _in_order(made: Resource) -> Resource:
    return {key: made[key] for key in _ORDER if key in made and made[key] != []}


def _status(finding: Finding, session: Session) -> str:
    if not finding.stands:
        return "entered-in-error"
    return "preliminary" if finding.doubtful else session.state


def _category(vital: bool) -> Resource:
    if vital:
        return concept(coding(v.CATEGORY, "vital-signs", "Vital Signs"))
    return concept(coding(v.CATEGORY, "exam", "Exam"))


def _loinc_of(item: Item | None) -> str | None:
    for one in item.codes if item is not None else ():
        if one.system == "loinc":
            return v.SAME_PROFILE.get(one.code, one.code)
    return None


def _vital_code(finding: Finding, item: Item | None) -> str | None:
    """The LOINC code of the vital sign whose profile the finding follows in full, or None."""
    code = _loinc_of(item)
    value = finding.value
    if code == v.PRESSURE_PANEL:
        return code if isinstance(value, Pressure) and value.unit == "mm[Hg]" else None
    sign = v.VITAL_SIGNS.get(code or "")
    if sign is None or (value is not None and not isinstance(value, Quantity)):
        return None
    if value is None:
        # "Performed, result not stated" follows the profile by its dataAbsentReason.
        return code if finding.status is None else None
    return code if value.high is None and value.unit in sign.units else None


def _code(finding: Finding, item: Item | None, vital: str | None) -> Resource:
    title = item.title if item is not None else finding.item
    codings = []
    if vital == v.PRESSURE_PANEL:
        codings.append(coding(v.LOINC, vital, v.PRESSURE_DISPLAY))
    elif vital is not None:
        sign = v.VITAL_SIGNS[vital]
        codings.append(coding(v.LOINC, vital, sign.display))
        codings += [coding(v.LOINC, code, display) for code, display in sign.more]
    elif item is not None and not _names_a_vital_sign(item):
        codings += [
            coding(v.LOINC if one.system == "loinc" else v.SNOMED, one.code, one.display)
            for one in item.codes
        ]
    codings.append(coding(v.ITEMS, clean_text(finding.item), title))
    return concept(*codings, text=title)


def _names_a_vital_sign(item: Item) -> bool:
    code = _loinc_of(item)
    return code == v.PRESSURE_PANEL or code in v.VITAL_SIGNS


def _value(finding: Finding, catalogue: Catalogue, *, panel: bool) -> Resource:
    value = finding.value
    if value is not None:
        sign = isinstance(value, Choice) and is_sign(finding, value, catalogue)
        return value_elements(value, finding.item, catalogue, sign=sign, panel=panel)
    if finding.status is not None:
        return {
            "valueCodeableConcept": concept(
                coding(v.STATUSES, finding.status, finding.status), text=finding.status
            )
        }
    if finding.level is Level.PERFORMED:
        return {"dataAbsentReason": absent("Performed, result not stated")}
    return {"dataAbsentReason": absent("A result was said that could not be read")}


def _extensions(finding: Finding, catalogue: Catalogue) -> list[Resource]:
    made = [extension(v.LEVEL, finding.level.value)]
    if clean_text(finding.words).strip():
        made.append(extension(v.WORDS, clean_text(finding.words)))
    made += [
        extension(v.CONFIDENCE, Decimal(repr(finding.confidence))),
        extension(v.SPEAKER, finding.speaker),
    ]
    made += [extension(v.UTTERANCE, number) for number in finding.utterances]
    made += [
        extension(v.DOUBT, clean_text(doubt))
        for doubt in finding.doubts
        if clean_text(doubt).strip()
    ]
    for other in finding.alternatives:
        sign = isinstance(other, Choice) and is_sign(finding, other, catalogue)
        parts = alternative(other, finding.item, catalogue, sign=sign)
        made.append({"url": v.ALTERNATIVE.url, "extension": parts})
    for kind, truth in (
        (v.HEDGED, finding.certainty == "hedged"),
        (v.SIDE_INFERRED, finding.side_inferred),
        (v.BY_HAND, finding.by_hand),
        (v.STRUCK, finding.struck),
    ):
        if truth:
            made.append(extension(kind, True))
    if finding.superseded_by is not None:
        made.append(extension(v.SUPERSEDED_BY, clean_text(finding.superseded_by)))
    if finding.side is not None:
        codes = [coding(v.SIDES, finding.side, finding.side)]
        if finding.side in v.LATERALITY:
            codes.insert(0, coding(v.SNOMED, *v.LATERALITY[finding.side]))
        made.append(extension(v.SIDE, concept(*codes, text=_side_text(finding))))
    return made


def _side_text(finding: Finding) -> str:
    return "side not said" if finding.side == "unspecified" else str(finding.side)


def _body_site(finding: Finding, catalogue: Catalogue) -> Resource | None:
    """Where it was found: site of the item, region of the body, and the side in words."""
    codings = []
    region = v.REGION_SITES.get(finding.item.partition(".")[0])
    if finding.site is not None:
        item = catalogue.items.get(finding.item)
        listed = item.sites if item is not None and item.sites else "other"
        title = site_title(finding, catalogue)
        codings.append(coding(v.PLACES, clean_text(f"{listed}.{finding.site}"), title))
        words = title
    elif region is not None:
        codings.append(coding(v.SNOMED, *region))
        words = region[1].lower()
    else:
        words = ""
    if finding.side is not None:
        words = f"{words} ({_side_text(finding)})" if words else _side_text(finding)
    return concept(*codings, text=words) if words else None


def _judgement(
    finding: Finding, item: Item | None, catalogue: Catalogue, made: Resource
) -> Resource:
    """Interpretation and reference ranges, beside the value or in a pressure's components."""
    found: Resource = {"interpretation": [], "referenceRange": []}
    if finding.status is not None:
        found["interpretation"].append(
            concept(
                coding(v.INTERPRETATION, *v.INTERPRETATIONS[finding.status]),
                coding(v.STATUSES, finding.status, finding.status),
                text=finding.status,
            )
        )
    if item is None:
        return found
    value = finding.value
    if isinstance(value, Quantity):
        exact = value.high is None and value.comparator is None and value.unit == item.unit
        found["referenceRange"] = _reference(item.ranges.usual, item.unit or "", catalogue)
        if exact and finding.status is None:
            found["interpretation"] += _against(value.number, item.ranges.usual)
    elif isinstance(value, Pressure):
        for component, number, ranges in (
            (made["component"][0], value.systolic, item.ranges),
            (made["component"][1], value.diastolic, item.diastolic),
        ):
            reference = _reference(ranges.usual, value.unit, catalogue)
            against = _against(number, ranges.usual)
            if against and value.unit == item.unit:
                component["interpretation"] = against
            if reference and value.unit == item.unit:
                component["referenceRange"] = reference
    return found


def _against(number: Decimal, usual: Limits | None) -> list[Resource]:
    """High or low against the usual range of the exam data; nothing where it lies within."""
    if usual is None:
        return []
    if usual.high is not None and number > Decimal(repr(usual.high)):
        return [concept(coding(v.INTERPRETATION, *v.HIGH), text="above the usual range")]
    if usual.low is not None and number < Decimal(repr(usual.low)):
        return [concept(coding(v.INTERPRETATION, *v.LOW), text="below the usual range")]
    return []


def _reference(usual: Limits | None, unit: str, catalogue: Catalogue) -> list[Resource]:
    if usual is None:
        return []
    made: Resource = {}
    words = []
    for name, bound in (("low", usual.low), ("high", usual.high)):
        if bound is not None:
            made[name] = quantity(Decimal(number_words(bound).replace("−", "-")), unit)
            words.append(with_unit(number_words(bound), unit))
    told = (
        " to ".join(words)
        if len(words) == 2
        else ("at least " if usual.low is not None else "at most ") + words[0]
    )
    note = f" ({usual.note})" if usual.note else ""
    made["text"] = f"usual: {told}{note}; source: {sources_title(usual.source, catalogue)}"
    return [made]


def _doubt_note(finding: Finding, catalogue: Catalogue) -> str:
    told = "To confirm. " + " ".join(clean_text(doubt) for doubt in finding.doubts)
    if finding.alternatives:
        others = "; ".join(value_words(one, catalogue) for one in finding.alternatives)
        told += f" Could also be: {clean_text(others)}."
    return told


def derived_observation(one: Derived, session: Session, catalogue: Catalogue) -> Resource:
    """A computed measure as an Observation that names what it was computed from."""
    rule = next((rule for rule in catalogue.checks.derived if rule.id == one.id), None)
    known = {finding.id: finding for finding in session.findings}
    sources = [known[name] for name in one.findings if name in known]
    loinc = [code for code in rule.codes if code.system == "loinc"] if rule is not None else []
    vital = next(
        (code.code for code in loinc if one.unit in v.VITAL_SIGNS.get(code.code, _NO_SIGN).units),
        None,
    )
    start = min((finding.start for finding in sources), default=0.0)
    end = max((finding.end for finding in sources), default=session.info.seconds)
    made: Resource = {
        "resourceType": "Observation",
        "id": resource_id(session, "Derived", f"{one.id} {one.side or ''} {one.findings}"),
        "extension": [],
        "status": "preliminary" if any(f.doubtful for f in sources) else session.state,
        "category": [_category(vital is not None)],
        "code": concept(
            *(
                coding(v.LOINC, code.code, code.display)
                for code in loinc
                if vital is not None or code.code not in v.VITAL_SIGNS
            ),
            coding(v.MEASURES, one.id, one.title),
            text=one.title,
        ),
        **People(session).context,
        **_effective(session, start, end, point=vital is not None),
        "valueQuantity": quantity(Decimal(repr(round(one.number, 4))), one.unit),
        "method": {"text": f"computed: {one.written}; source: {one.source}"},
        "derivedFrom": [
            {"reference": f"urn:uuid:{resource_id(session, 'Observation', finding.id)}"}
            for finding in sources
        ],
    }
    if vital is not None:
        made["meta"] = {"profile": [f"{v.PROFILES}/{v.VITAL_SIGNS[vital].profile}"]}
    if one.side is not None:
        codes = [coding(v.SIDES, one.side, one.side)]
        if one.side in v.LATERALITY:
            codes.insert(0, coding(v.SNOMED, *v.LATERALITY[one.side]))
        made["extension"].append(extension(v.SIDE, concept(*codes, text=one.side)))
    if rule is not None and rule.ranges.usual is not None:
        made["referenceRange"] = _reference(rule.ranges.usual, one.unit, catalogue)
    return _in_order(made)


_NO_SIGN: Final = v.VitalSign("", "", ())


def checklist(session: Session, catalogue: Catalogue) -> Resource:
    """One Observation whose components say how far each item and side got.

    It is the only place where "never spoken of" is written, as the reason that there
    is no value.
    """
    components: list[Resource] = []
    for region in arrange(session, catalogue):
        for view in region.items:
            components += _checklist_components(view)
    return _in_order(
        {
            "resourceType": "Observation",
            "id": resource_id(session, "Checklist"),
            "status": session.state,
            "category": [_category(vital=False)],
            "code": concept(
                coding(v.MEASURES, SUMMARY_CODE, "Checklist of the examination"),
                text="Checklist of the examination: how far each item got",
            ),
            **People(session).context,
            "effectivePeriod": {
                "start": moment(session, 0.0),
                "end": moment(session, session.info.seconds),
            },
            "method": {"text": "Counted from what was said; silence is no proof of omission"},
            "component": components,
        }
    )


def _checklist_components(view: ItemView) -> list[Resource]:
    made = []
    for side, level in view.coverage.sides.items():
        title = f"{view.title} ({side})" if side else view.title
        component: Resource = {}
        if side:
            component["extension"] = [
                extension(
                    v.SIDE,
                    concept(
                        coding(v.SNOMED, *v.LATERALITY[side]),
                        coding(v.SIDES, side, side),
                        text=side,
                    ),
                )
            ]
        component["code"] = concept(coding(v.ITEMS, view.id, view.title), text=title)
        if level is Level.UNSPOKEN and view.coverage.side_unsaid is not Level.UNSPOKEN:
            shown = f"{LEVEL_WORDS[view.coverage.side_unsaid]}, side not said"
            code = view.coverage.side_unsaid.value
            component["valueCodeableConcept"] = concept(coding(v.LEVELS, code, code), text=shown)
        elif level is Level.UNSPOKEN:
            component["dataAbsentReason"] = absent("Never spoken of")
        else:
            component["valueCodeableConcept"] = concept(
                coding(v.LEVELS, level.value, level.value), text=LEVEL_WORDS[level]
            )
        made.append(component)
    return made
