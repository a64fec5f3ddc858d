"""Where a record comes from: the recording's hash, the journal's head, who and by what."""

from __future__ import annotations

from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.observations import People, moment, resource_id
from dictate.outputs.fhir.values import clean_text
from dictate.outputs.fhir.vocabulary import Resource, coding, concept
from dictate.session.record import Session


def provenance(
    session: Session,
    targets: list[Resource],
    journal_head: str | None,
    recording: Resource | None = None,
) -> Resource:
    """A Provenance over ``targets``.

    Args:
        session: the session.
        targets: the resources it speaks for; at least one.
        journal_head: SHA-256 of the journal's last line, which stands for the whole
            journal; None where the record was not read from one.
        recording: the DocumentReference of the recording, where it is in the bundle.
    """
    known = People(session)
    entities = [_entity(session.info.sound_sha256, session.info.sound_name)]
    if recording is not None:
        entities[0]["what"]["reference"] = f"urn:uuid:{recording['id']}"
    if journal_head is not None:
        entities.append(_entity(journal_head, "journal of the session, by its last line"))
    return {
        "resourceType": "Provenance",
        "id": resource_id(session, "Provenance", targets[0]["resourceType"]),
        "target": [{"reference": f"urn:uuid:{one['id']}"} for one in targets],
        "occurredPeriod": {
            "start": moment(session, 0.0),
            "end": moment(session, session.info.seconds),
        },
        "recorded": moment(session, session.info.seconds),
        "agent": [
            {
                "type": concept(coding(v.PARTICIPANT, "author", "Author")),
                "who": {"reference": f"urn:uuid:{known.practitioner}"},
            },
            {
                "type": concept(coding(v.PARTICIPANT, "assembler", "Assembler")),
                "who": {"reference": f"urn:uuid:{known.device}"},
            },
        ],
        "entity": entities,
    }


def _entity(sha256: str, shown: str) -> Resource:
    what: Resource = {"identifier": {"system": v.SHA256, "value": sha256}}
    if clean_text(shown).strip():
        what["display"] = clean_text(shown)
    return {"role": "source", "what": what}
