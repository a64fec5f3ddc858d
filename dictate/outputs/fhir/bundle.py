"""A session as a FHIR R4 Bundle of type ``collection``."""

from __future__ import annotations

from pathlib import Path

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Finding
from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.observations import (
    People,
    checklist,
    derived_observation,
    moment,
    observation,
    resource_id,
)
from dictate.outputs.fhir.provenance import provenance
from dictate.outputs.fhir.recording import add_sound
from dictate.outputs.fhir.values import clean_text, clean_texts
from dictate.outputs.fhir.vocabulary import Resource, coding, concept
from dictate.outputs.note import engine_words
from dictate.session.record import Session


def collection_bundle(
    session: Session,
    catalogue: Catalogue,
    journal_head: str | None = None,
    sound: Path | None = None,
) -> Resource:
    """Every finding as an Observation, with who, by what, from what, and the checklist.

    The same session gives the same bundle. Struck and replaced findings are in it
    with the status ``entered-in-error``. Decimals are :class:`decimal.Decimal`; write
    it with :func:`dictate.outputs.fhir.exact_json.write_json`. With ``sound`` the recording's
    reference and a clip of each finding are in it too.

    Raises:
        UserFault: ``sound`` cannot be read, or is another recording than the session's.
    """
    made = observations(session, catalogue)
    heard = add_sound(made, session, sound) if sound is not None else []
    origin = provenance(session, made, journal_head, heard[0] if heard else None)
    return bundle_of(session, "collection", [*people(session), *made, *heard, origin])


def observations(session: Session, catalogue: Catalogue) -> list[Resource]:
    """All Observations of a session: findings in the exam's order, measures, checklist."""
    last = len(catalogue.place)

    def order(finding: Finding) -> tuple[int, float, str]:
        return catalogue.place.get(finding.item, last), finding.start, finding.id

    made = [observation(one, session, catalogue) for one in sorted(session.findings, key=order)]
    made += [derived_observation(one, session, catalogue) for one in session.derived]
    made.append(checklist(session, catalogue))
    return made


def people(session: Session) -> list[Resource]:
    """Patient and Practitioner by code alone, and this program as the Device."""
    info = session.info
    known = People(session)
    program = f"dictate with {engine_words(info)}"
    return [
        {
            "resourceType": "Patient",
            "id": known.patient,
            "identifier": [
                {"system": v.PERSON_CODE, "value": clean_text(info.partner) or "partner"}
            ],
        },
        {
            "resourceType": "Practitioner",
            "id": known.practitioner,
            "identifier": [
                {"system": v.PERSON_CODE, "value": clean_text(info.learner) or "learner"}
            ],
        },
        {
            "resourceType": "Device",
            "id": known.device,
            "deviceName": [{"name": clean_text(program), "type": "model-name"}],
            "type": concept(text="Software that records a practice examination from speech"),
            "version": [
                {"type": concept(text="program"), "value": clean_text(info.program_version)},
                {
                    "type": concept(text="recogniser"),
                    "value": clean_text(f"{info.engine} {info.engine_version}").strip(),
                },
                {"type": concept(text="exam data"), "value": clean_text(info.exam_version)},
            ],
            "note": [{"text": "Training record; not a medical device."}],
        },
    ]


def bundle_of(session: Session, kind: str, resources: list[Resource]) -> Resource:
    """A Bundle of ``kind`` that holds ``resources`` in this order."""
    return {
        "resourceType": "Bundle",
        "id": resource_id(session, "Bundle", kind),
        "meta": {
            "tag": [coding("urn:dictate:purpose", "training-record", "Training record")],
        },
        "identifier": {"system": v.SESSION_ID, "value": clean_text(session.info.id) or "session"},
        "type": kind,
        "timestamp": moment(session, session.info.seconds),
        "entry": [
            {"fullUrl": f"urn:uuid:{one['id']}", "resource": clean_texts(one)} for one in resources
        ],
    }
