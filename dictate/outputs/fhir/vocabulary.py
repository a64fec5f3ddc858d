"""Addresses and codes: those that HL7, Regenstrief, SNOMED and UCUM publish, and our own.

Our own systems and extensions have URNs. FHIR asks for an absolute URI and not for an
address that can be opened; a course that publishes the definitions can map them to
addresses of its own.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

Resource = dict[str, Any]

LOINC: Final = "http://loinc.org"
SNOMED: Final = "http://snomed.info/sct"
UCUM: Final = "http://unitsofmeasure.org"
_TERMINOLOGY: Final = "http://terminology.hl7.org/CodeSystem"
CATEGORY: Final = f"{_TERMINOLOGY}/observation-category"
INTERPRETATION: Final = f"{_TERMINOLOGY}/v3-ObservationInterpretation"
ABSENT: Final = f"{_TERMINOLOGY}/data-absent-reason"
EMPTY: Final = f"{_TERMINOLOGY}/list-empty-reason"
PARTICIPANT: Final = f"{_TERMINOLOGY}/provenance-participant-type"
PROFILES: Final = "http://hl7.org/fhir/StructureDefinition"

# Our code systems.
ITEMS: Final = "urn:dictate:exam-items"
READINGS: Final = "urn:dictate:exam-readings"
PLACES: Final = "urn:dictate:exam-places"
SIDES: Final = "urn:dictate:sides"
STATUSES: Final = "urn:dictate:statuses"
LEVELS: Final = "urn:dictate:coverage-levels"
PARTS: Final = "urn:dictate:parts"
MEASURES: Final = "urn:dictate:computed-measures"
REGIONS: Final = "urn:dictate:exam-regions"

# Our identifier systems.
SESSION_ID: Final = "urn:dictate:session"
FINDING_ID: Final = "urn:dictate:finding"
PERSON_CODE: Final = "urn:dictate:person-code"
SHA256: Final = "urn:dictate:sha-256"


class ExtensionKind(NamedTuple):
    """One of our extensions: its URN's last part, type of value, where it stands, what it says."""

    name: str
    value: str
    contexts: tuple[str, ...]
    means: str
    repeats: bool = False

    @property
    def url(self) -> str:
        """The absolute URI of the extension."""
        return f"urn:dictate:extension:{self.name}"


OFFSET_START: Final = ExtensionKind(
    "offset-start",
    "decimal",
    ("Period", "dateTime"),
    "Begin in seconds from the start of the recording.",
)
OFFSET_END: Final = ExtensionKind(
    "offset-end",
    "decimal",
    ("Period", "dateTime"),
    "End in seconds from the start of the recording.",
)
LEVEL: Final = ExtensionKind(
    "coverage-level",
    "code",
    ("Observation",),
    "How far the item got: performed, reported, measured.",
)
WORDS: Final = ExtensionKind(
    "words", "string", ("Observation",), "The words that the observation rests on, as heard."
)
CONFIDENCE: Final = ExtensionKind(
    "confidence", "decimal", ("Observation",), "Of the recognition, 0 to 1."
)
SPEAKER: Final = ExtensionKind(
    "speaker", "code", ("Observation",), "Who said it: examiner, partner or unknown."
)
UTTERANCE: Final = ExtensionKind(
    "utterance", "integer", ("Observation",), "Number of an utterance it rests on.", repeats=True
)
DOUBT: Final = ExtensionKind(
    "doubt", "string", ("Observation",), "Why a person should confirm it.", repeats=True
)
ALTERNATIVE: Final = ExtensionKind(
    "alternative", "", ("Observation",), "Another value that the sound could mean.", repeats=True
)
HEDGED: Final = ExtensionKind(
    "hedged", "boolean", ("Observation",), "True when it was said with hesitation."
)
SIDE_INFERRED: Final = ExtensionKind(
    "side-inferred", "boolean", ("Observation",), "True when the side was carried on from before."
)
BY_HAND: Final = ExtensionKind(
    "by-hand", "boolean", ("Observation",), "True when a person entered it."
)
SUPERSEDED_BY: Final = ExtensionKind(
    "superseded-by", "string", ("Observation",), "Identifier of the finding that replaced it."
)
STRUCK: Final = ExtensionKind("struck", "boolean", ("Observation",), "True when it was struck.")
SIDE: Final = ExtensionKind(
    "side", "CodeableConcept", ("Observation",), "The side of the body that was meant."
)
APPROXIMATE: Final = ExtensionKind(
    "approximate",
    "boolean",
    ("Quantity", "Range", "Observation", "Extension"),
    "True when it was said to be about so much.",
)
RANGE_COMPARATOR: Final = ExtensionKind(
    "comparator", "code", ("Range",), "Comparator that was said before a range."
)
SAID_VALUE: Final = ExtensionKind(
    "said-value", "Quantity", ("Quantity", "Range"), "The number and unit before conversion."
)
LETTERS: Final = ExtensionKind(
    "letters", "integer", ("Ratio",), "Letters more (or fewer, below 0) than the line of an acuity."
)
SCALE: Final = ExtensionKind("scale", "code", ("Quantity",), "The scale of a grade.")
OUT_OF: Final = ExtensionKind("out-of", "integer", ("Quantity",), "Upper end of a scale as said.")
MODIFIER: Final = ExtensionKind(
    "grade-modifier", "code", ("Quantity",), "plus or minus of a grade."
)

EXTENSIONS: Final = (
    OFFSET_START, OFFSET_END, LEVEL, WORDS, CONFIDENCE, SPEAKER, UTTERANCE, DOUBT, ALTERNATIVE,
    HEDGED, SIDE_INFERRED, BY_HAND, SUPERSEDED_BY, STRUCK, SIDE, APPROXIMATE, RANGE_COMPARATOR,
    SAID_VALUE, LETTERS, SCALE, OUT_OF, MODIFIER,
)  # fmt: skip


class VitalSign(NamedTuple):
    """One of the vital signs profiles of FHIR R4 and the units that it allows."""

    profile: str
    display: str
    units: tuple[str, ...]
    more: tuple[tuple[str, str], ...] = ()


# Source: HL7, FHIR R4 (4.0.1), Vital Signs Profiles; the tests compare it with HL7's snapshots.
VITAL_SIGNS: Final[dict[str, VitalSign]] = {
    "8867-4": VitalSign("heartrate", "Heart rate", ("/min",)),
    "9279-1": VitalSign("resprate", "Respiratory rate", ("/min",)),
    "8310-5": VitalSign("bodytemp", "Body temperature", ("Cel", "[degF]")),
    "2708-6": VitalSign(
        "oxygensat",
        "Oxygen saturation in Arterial blood",
        ("%",),
        (("59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry"),),
    ),
    "8302-2": VitalSign("bodyheight", "Body height", ("cm", "[in_i]")),
    "29463-7": VitalSign("bodyweight", "Body weight", ("g", "kg", "[lb_av]")),
    "39156-5": VitalSign("bmi", "Body mass index (BMI) [Ratio]", ("kg/m2",)),
}
# Pulse oximetry is the same profile: 2708-6 must stand beside it.
SAME_PROFILE: Final = {"59408-5": "2708-6"}
PRESSURE_PANEL: Final = "85354-9"
PRESSURE_DISPLAY: Final = "Blood pressure panel with all children optional"
SYSTOLIC: Final = ("8480-6", "Systolic blood pressure")
DIASTOLIC: Final = ("8462-4", "Diastolic blood pressure")

# SNOMED CT codes for sides. Source: HL7, FHIR R4 value set "bodysite-laterality".
LATERALITY: Final = {
    "left": ("419161000", "Unilateral left"),
    "right": ("419465000", "Unilateral right"),
    "both": ("51440002", "Bilateral"),
}
# SNOMED CT codes for body sites of whole regions. Source: the concept dictionary of pydicom.
REGION_SITES: Final = {
    "eyes": ("81745001", "Eye"),
    "ears": ("117590005", "Ear"),
    "head": ("69536005", "Head"),
    "neck": ("45048000", "Neck"),
}
# Source: HL7, code system v3-ObservationInterpretation.
INTERPRETATIONS: Final = {
    "normal": ("N", "Normal"),
    "abnormal": ("A", "Abnormal"),
    "present": ("POS", "Positive"),
    "absent": ("NEG", "Negative"),
    "indeterminate": ("IND", "Indeterminate"),
}
HIGH: Final = ("H", "High")
LOW: Final = ("L", "Low")


def coding(system: str, code: str, display: str | None = None) -> Resource:
    """A Coding; an empty display is left out."""
    made: Resource = {"system": system, "code": code}
    if display:
        made["display"] = display
    return made


def concept(*codings: Resource, text: str | None = None) -> Resource:
    """A CodeableConcept of these codings."""
    made: Resource = {"coding": list(codings)} if codings else {}
    if text:
        made["text"] = text
    return made


def extension(kind: ExtensionKind, value: Any) -> Resource:
    """An extension of ours with its value under the key of its type."""
    return {"url": kind.url, f"value{kind.value[0].upper()}{kind.value[1:]}": value}
