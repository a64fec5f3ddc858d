"""The sound in a bundle, where it is asked for: the recording by name and hash, clips as data."""

from __future__ import annotations

import base64
import hashlib
from decimal import Decimal
from pathlib import Path
from typing import Final

from dictate.outputs.clips import clips
from dictate.outputs.fhir.observations import People, moment, resource_id
from dictate.outputs.fhir.values import clean_text
from dictate.outputs.fhir.vocabulary import Resource
from dictate.session.record import Session

# Source: IANA, media types; audio/flac is of RFC 9639, section 12.1.
_MEDIA_TYPES: Final = {
    ".flac": "audio/flac", ".wav": "audio/vnd.wave", ".mp3": "audio/mpeg", ".ogg": "audio/ogg",
    ".opus": "audio/ogg", ".m4a": "audio/mp4", ".mp4": "video/mp4", ".webm": "video/webm",
}  # fmt: skip


def add_sound(made: list[Resource], session: Session, sound: Path) -> list[Resource]:
    """A DocumentReference of the recording and a Media for each clip.

    The recording itself stays where it is: the DocumentReference has its name, size and
    SHA-1 (the hash that FHIR R4 asks of an Attachment). Clips are in the Media as FLAC.
    Every Observation in ``made`` that has a clip is changed to name it in ``derivedFrom``.

    Raises:
        UserFault: the recording cannot be read, or is another than the session's.
    """
    known = People(session)
    by_id = {one["id"]: one for one in made}
    media: list[Resource] = []
    for clip in clips(session, sound):
        name = resource_id(session, "Media", clip.finding.id)
        media.append(
            {
                "resourceType": "Media",
                "id": name,
                "status": "completed",
                "subject": {"reference": f"urn:uuid:{known.patient}"},
                "createdDateTime": moment(session, clip.finding.start),
                "device": {"reference": f"urn:uuid:{known.device}"},
                "duration": Decimal(repr(round(clip.seconds, 3))),
                "content": {
                    "contentType": "audio/flac",
                    "data": base64.b64encode(clip.flac).decode("ascii"),
                    "title": clean_text(clip.name),
                },
            }
        )
        observed = by_id.get(resource_id(session, "Observation", clip.finding.id))
        if observed is not None:
            observed.setdefault("derivedFrom", []).append({"reference": f"urn:uuid:{name}"})
    content = sound.read_bytes()
    attachment: Resource = {
        "title": clean_text(session.info.sound_name),
        "size": len(content),
        "hash": base64.b64encode(hashlib.sha1(content, usedforsecurity=False).digest()).decode(),
        "creation": moment(session, 0.0),
    }
    kind = _MEDIA_TYPES.get(sound.suffix.lower())
    if kind is not None:
        attachment = {"contentType": kind} | attachment
    reference: Resource = {
        "resourceType": "DocumentReference",
        "id": resource_id(session, "DocumentReference"),
        "status": "current",
        "type": {"text": "Recording of a practice examination"},
        "subject": {"reference": f"urn:uuid:{known.patient}"},
        "date": moment(session, session.info.seconds),
        "author": [{"reference": f"urn:uuid:{known.practitioner}"}],
        "content": [{"attachment": attachment}],
    }
    return [reference, *media]
