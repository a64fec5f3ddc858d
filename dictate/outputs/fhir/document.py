"""A session as a FHIR R4 Bundle of type ``document``: sections with text and entries."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from pathlib import Path

from dictate.checks.wording import listed
from dictate.exam.catalogue import Catalogue
from dictate.outputs.arrangement import RegionView, arrange
from dictate.outputs.fhir import vocabulary as v
from dictate.outputs.fhir.bundle import bundle_of, observations, people
from dictate.outputs.fhir.observations import SUMMARY_CODE, People, moment, resource_id
from dictate.outputs.fhir.provenance import provenance
from dictate.outputs.fhir.recording import add_sound
from dictate.outputs.fhir.values import clean_text
from dictate.outputs.fhir.vocabulary import Resource, coding, concept
from dictate.outputs.note import CAUTION, Note, NoteRegion, compose_note
from dictate.outputs.sentences import Sentence
from dictate.session.record import Session

# Source: HL7, C-CDA value set "Physical Exam Type" (LOINC).
_DOCUMENT_TYPE = ("29545-1", "Physical findings Narrative")


def document_bundle(
    session: Session,
    catalogue: Catalogue,
    journal_head: str | None = None,
    sound: Path | None = None,
) -> Resource:
    """The session as a document: a Composition first, then all that its sections refer to.

    Regions that were never spoken of are sections with an empty reason, so that their
    silence is part of the document. With ``sound`` the recording's reference and a clip of
    each finding are in it too.

    Raises:
        UserFault: ``sound`` cannot be read, or is another recording than the session's.
    """
    made = observations(session, catalogue)
    heard = add_sound(made, session, sound) if sound is not None else []
    composition = _composition(session, catalogue, made)
    resources = [composition, *people(session), *made, *heard]
    recording = heard[0] if heard else None
    resources.append(provenance(session, [composition], journal_head, recording))
    return bundle_of(session, "document", resources)


def _composition(session: Session, catalogue: Catalogue, made: list[Resource]) -> Resource:
    note = compose_note(session, catalogue)
    told = {region.key: region for region in note.regions}
    known = People(session)
    sections = [
        _section(view, told[view.key], _entries(view, made)) for view in arrange(session, catalogue)
    ]
    sections += _closing_sections(note, made)
    return {
        "resourceType": "Composition",
        "id": resource_id(session, "Composition"),
        "text": narrative([f"<p>{_xml(note.state)}. {_xml(CAUTION)}</p>"]),
        "identifier": {"system": v.SESSION_ID, "value": clean_text(session.info.id) or "session"},
        "status": session.state,
        "type": concept(coding(v.LOINC, *_DOCUMENT_TYPE), text="Practice examination"),
        "subject": {"reference": f"urn:uuid:{known.patient}"},
        "date": moment(session, session.info.seconds),
        "author": [{"reference": f"urn:uuid:{known.practitioner}"}],
        "title": "Practice examination: training record",
        "event": [
            {
                "period": {
                    "start": moment(session, 0.0),
                    "end": moment(session, session.info.seconds),
                }
            }
        ],
        "section": sections,
    }


def _entries(view: RegionView, made: Iterable[Resource]) -> list[Resource]:
    items = {item.id for item in view.items}
    return [
        {"reference": f"urn:uuid:{one['id']}"}
        for one in made
        if any(
            code["system"] == v.ITEMS and code["code"] in items for code in one["code"]["coding"]
        )
    ]


def _section(view: RegionView, told: NoteRegion, entries: list[Resource]) -> Resource:
    code = concept(coding(v.REGIONS, view.key, view.title), text=view.title)
    if view.loinc is not None:
        code["coding"].insert(0, coding(v.LOINC, view.loinc.code, view.loinc.display))
    made: Resource = {"title": view.title, "code": code}
    blocks = []
    if told.sentences:
        blocks.append(f"<p>{' '.join(_sentence(one) for one in told.sentences)}</p>")
    if told.performed:
        blocks.append(
            f"<p><i>Performed, result not stated:</i> {_xml(listed(told.performed))}.</p>"
        )
    if not view.spoken:
        blocks.append("<p>Never spoken of.</p>")
    elif told.unspoken:
        blocks.append(f"<p><i>Never spoken of:</i> {_xml(listed(told.unspoken))}.</p>")
    made["text"] = narrative(blocks)
    if entries:
        made["entry"] = entries
    else:
        made["emptyReason"] = concept(
            coding(v.EMPTY, "unavailable", "Unavailable"), text="Never spoken of"
        )
    return made


def _closing_sections(note: Note, made: Iterable[Resource]) -> list[Resource]:
    sections: list[Resource] = []
    measures = [one for one in made if one["code"]["coding"][-1]["system"] == v.MEASURES]
    summary = [one for one in measures if one["code"]["coding"][-1]["code"] == SUMMARY_CODE]
    computed = [one for one in measures if one not in summary]
    if computed:
        lines = [f"{one.title}: {one.value} ({one.written}; {one.source})" for one in note.derived]
        sections.append(
            {
                "title": "Computed from what was said",
                "text": narrative([_list(lines)]),
                "entry": [{"reference": f"urn:uuid:{one['id']}"} for one in computed],
            }
        )
    if note.flags:
        flags = [
            f"{flag.severity}: {flag.sentence}" + (f" Source: {flag.source}" if flag.source else "")
            for flag in note.flags
        ]
        sections.append({"title": "Remarks of the checks", "text": narrative([_list(flags)])})
    sections.append(
        {
            "title": "Checklist",
            "text": narrative(
                [_list(f"{level.value}: {count}" for level, count in note.levels.items())]
            ),
            "entry": [{"reference": f"urn:uuid:{one['id']}"} for one in summary],
        }
    )
    return sections


def narrative(blocks: Iterable[str]) -> Resource:
    """A Narrative of XHTML blocks; an empty one says that there is nothing."""
    inner = "".join(blocks) or "<p>Nothing was said.</p>"
    return {
        "status": "generated",
        "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{inner}</div>',
    }


def _list(lines: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{_xml(line)}</li>" for line in lines) + "</ul>"


def _sentence(sentence: Sentence) -> str:
    return "".join(
        _xml(run.text) if run.kind == "plain" else f"<b>{_xml(run.text)}</b>"
        for run in sentence.runs
    )


def _xml(text: str) -> str:
    return escape(clean_text(text), quote=False)
