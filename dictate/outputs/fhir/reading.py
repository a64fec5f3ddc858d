"""A bundle read back into the session that it was written from."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.findings.coverage import coverage_of
from dictate.findings.finding import Finding, Value
from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.exact_json import load_json
from dictate.outputs.fhir.observations import SUMMARY_CODE
from dictate.outputs.fhir.values import alternative_from, find, find_all, value_from
from dictate.outputs.fhir.vocabulary import Resource
from dictate.session.record import Session, SessionInfo


def read_bundle(path: Path, catalogue: Catalogue) -> Session:
    """Read a bundle that this program wrote.

    Phrases and flags are not in a bundle: the session has none; the checks can be run
    on its findings again.

    Raises:
        UserFault: the file cannot be read, is no JSON, or no bundle of this program.
    """
    return session_from(load_json(path), catalogue, str(path))


def session_from(bundle: Any, catalogue: Catalogue, name: str = "the bundle") -> Session:
    """Rebuild the session of a bundle (``collection`` or ``document``).

    Raises:
        UserFault: it is no bundle of this program.
    """
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise UserFault(f"{name} is no FHIR Bundle, so no session can be read from it.")
    try:
        resources = [entry["resource"] for entry in bundle.get("entry", [])]
        findings = tuple(
            sorted(
                (
                    _finding(one, catalogue)
                    for one in resources
                    if one.get("resourceType") == "Observation" and _own_id(one) is not None
                ),
                key=lambda finding: (finding.start, finding.end, finding.id),
            )
        )
        info = _info(bundle, resources)
        state = _summary(resources)["status"]
        return Session(
            info=info,
            phrases=(),
            findings=findings,
            coverage=coverage_of(findings, catalogue),
            flags=(),
            state=state,
        )
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(step) for step in first["loc"])
        raise UserFault(
            f"{name} holds something that no session of this program has: {where}: {first['msg']}."
        ) from error
    except (KeyError, IndexError, TypeError, AttributeError, ValueError, ArithmeticError) as error:
        raise UserFault(
            f"{name} was not written by this program or was changed since; "
            "no session can be read from it."
        ) from error


def _own_id(resource: Resource) -> str | None:
    for identifier in resource.get("identifier", []):
        if identifier.get("system") == v.FINDING_ID:
            return str(identifier["value"])
    return None


def _code(element: Resource | None, system: str) -> str | None:
    for one in (element or {}).get("coding", []):
        if one.get("system") == system:
            return str(one["code"])
    return None


def _finding(resource: Resource, catalogue: Catalogue) -> Finding:
    name = _code(resource["code"], v.ITEMS)
    item = catalogue.items.get(name or "")
    titles = (
        {f"{item.id}.{reading.code}": reading.title for reading in item.readings}
        if item is not None
        else {}
    )
    place = _code(resource.get("bodySite"), v.PLACES)
    period = resource.get("effectivePeriod") or resource["_effectiveDateTime"]
    alternatives: list[Value] = []
    for one in resource.get("extension", []):
        if one.get("url") == v.ALTERNATIVE.url:
            value = alternative_from(one["extension"], titles)
            if value is not None:
                alternatives.append(value)
    return Finding.model_validate(
        {
            "id": _own_id(resource),
            "item": name,
            "side": _code(find(resource, v.SIDE), v.SIDES),
            "side_inferred": bool(find(resource, v.SIDE_INFERRED)),
            "site": place.partition(".")[2] if place is not None else None,
            "value": value_from(resource, titles),
            "status": _status(resource),
            "level": find(resource, v.LEVEL),
            "certainty": "hedged" if find(resource, v.HEDGED) else "sure",
            "start": float(find(period, v.OFFSET_START)),
            "end": float(find(period, v.OFFSET_END)),
            "words": find(resource, v.WORDS) or "",
            "utterances": find_all(resource, v.UTTERANCE),
            "confidence": float(find(resource, v.CONFIDENCE)),
            "speaker": find(resource, v.SPEAKER),
            "doubts": find_all(resource, v.DOUBT),
            "alternatives": alternatives,
            "superseded_by": find(resource, v.SUPERSEDED_BY),
            "struck": bool(find(resource, v.STRUCK)),
            "by_hand": bool(find(resource, v.BY_HAND)),
        }
    )


def _status(resource: Resource) -> str | None:
    for one in resource.get("interpretation", []):
        status = _code(one, v.STATUSES)
        if status is not None:
            return status
    return None


def _summary(resources: list[Resource]) -> Resource:
    (found,) = (
        one
        for one in resources
        if one.get("resourceType") == "Observation"
        and _code(one["code"], v.MEASURES) == SUMMARY_CODE
    )
    return found


def _info(bundle: Resource, resources: list[Resource]) -> SessionInfo:
    by_type: dict[str, Resource] = {}
    for one in resources:
        by_type.setdefault(one["resourceType"], one)
    summary = _summary(resources)
    started = datetime.fromisoformat(summary["effectivePeriod"]["start"])
    ended = datetime.fromisoformat(summary["effectivePeriod"]["end"])
    versions = {one["type"]["text"]: one["value"] for one in by_type["Device"]["version"]}
    sound = by_type["Provenance"]["entity"][0]["what"]
    engine, _, engine_version = versions["recogniser"].partition(" ")
    return SessionInfo(
        id=bundle["identifier"]["value"],
        started=started,
        sound_name=sound.get("display", ""),
        sound_sha256=sound["identifier"]["value"],
        seconds=(ended - started).total_seconds(),
        learner=by_type["Practitioner"]["identifier"][0]["value"],
        partner=by_type["Patient"]["identifier"][0]["value"],
        engine=engine,
        engine_version=engine_version,
        program_version=versions["program"],
        exam_version=versions["exam data"],
    )
