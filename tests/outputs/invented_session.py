"""An invented exam and an invented session that hold every kind of thing an output can meet."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

from dictate.checks.flag import Derived, Flag
from dictate.exam.catalogue import (
    Catalogue,
    CheckRules,
    Coding,
    Item,
    Limits,
    Ranges,
    Reading,
    Region,
    Scale,
    Site,
    Source,
)
from dictate.exam.catalogue import Derived as Rule
from dictate.findings.coverage import coverage_of
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Trials,
)
from dictate.recognition.words import HeardPhrase, Word
from dictate.session.record import Session, SessionInfo

NASTY = "he said <script>alert(\"1\")</script>, *bold* & =cmd|' /C calc'!A0 [x](http://a.b)\n# no"
STARTED = datetime(2026, 3, 4, 9, 30, tzinfo=timezone(timedelta(hours=1)))


def _loinc(code: str, display: str) -> Coding:
    return Coding(system="loinc", code=code, display=display)


def _reading(code: str, title: str, status: Any) -> Reading:
    return Reading(code=code, title=title, status=status, say=(title,))


def _vital(name: str, title: str, unit: str, code: str, display: str, **more: Any) -> Item:
    return Item(
        id=f"vitals.{name}",
        title=title,
        kind="quantity",
        unit=unit,
        codes=(_loinc(code, display),),
        **more,
    )


def invented_catalogue() -> Catalogue:
    """Seven regions, one of them off by default, with every kind of item."""
    usual = Ranges(
        usual=Limits(low=12, high=20, source="textbook"),
        plausible=Limits(low=4, high=60, source="recalled"),
    )
    vitals = Region(
        region="vitals",
        title="Vital signs",
        order=20,
        loinc=_loinc("8716-3", "Vital signs"),
        items=(
            Item(
                id="vitals.blood_pressure",
                title="Blood pressure",
                kind="pressure",
                sides="paired",
                unit="mm[Hg]",
                codes=(_loinc("85354-9", "Blood pressure panel with all children optional"),),
                ranges=Ranges(usual=Limits(low=90, high=119, source="textbook")),
                diastolic=Ranges(usual=Limits(low=60, high=79, source="textbook")),
            ),
            _vital("pulse_rate", "Pulse rate", "/min", "8867-4", "Heart rate"),
            Item(
                id="vitals.pulse_rhythm",
                title="Pulse rhythm",
                readings=(
                    _reading("regular", "regular", "normal"),
                    _reading("irregular", "irregular", "abnormal"),
                ),
            ),
            _vital(
                "respirations", "Respirations", "/min", "9279-1", "Respiratory rate", ranges=usual
            ),
            _vital("temperature", "Temperature", "Cel", "8310-5", "Body temperature", decimals=1),
            _vital(
                "saturation",
                "Oxygen saturation",
                "%",
                "59408-5",
                "Oxygen saturation in Arterial blood by Pulse oximetry",
            ),
            _vital("height", "Height", "cm", "8302-2", "Body height"),
            _vital("weight", "Weight", "kg", "29463-7", "Body weight", decimals=1),
        ),
    )
    head = Region(
        region="head",
        title="Head and face",
        order=30,
        loinc=_loinc("10199-8", "Physical findings of Head Narrative"),
        items=(
            Item(
                id="head.inspection",
                title="Inspection of the head",
                readings=(
                    _reading("unremarkable", "no abnormality seen", "normal"),
                    _reading("scar", "scar", "present"),
                ),
            ),
            Item(
                id="head.light_touch",
                title="Light touch of the face",
                sides="paired",
                sites="face",
                readings=(
                    _reading("intact", "intact", "normal"),
                    _reading("lost", "lost", "abnormal"),
                ),
            ),
            Item(
                id="head.sharp_dull",
                title="Sharp and dull, face",
                kind="trials",
                sides="paired",
                answers=("sharp", "dull"),
            ),
            Item(
                id="head.sinus_tenderness",
                title="Tenderness of the frontal sinus",
                sides="paired",
                readings=(_reading("tender", "tender", "present"),),
            ),
        ),
    )
    eyes = Region(
        region="eyes",
        title="Eyes",
        order=40,
        loinc=_loinc("10197-2", "Physical findings of Eye Narrative"),
        items=(
            Item(id="eyes.acuity", title="Near acuity", kind="ratio", sides="paired"),
            Item(
                id="eyes.pupil_size",
                title="Pupil size",
                kind="quantity",
                sides="paired",
                unit="mm",
                decimals=1,
            ),
            Item(
                id="eyes.pupils_light",
                title="Pupils to light",
                sides="paired",
                readings=(
                    _reading("brisk", "brisk", "normal"),
                    _reading("sluggish", "sluggish", "abnormal"),
                ),
            ),
        ),
    )
    back = Region(
        region="back",
        title="Back and posterior chest",
        order=90,
        loinc=_loinc("10207-9", "Physical findings of Thorax+Lungs Narrative"),
        items=(
            Item(
                id="back.breath_sounds",
                title="Breath sounds, back",
                sides="paired",
                sites="levels",
                readings=(
                    _reading("clear", "clear", "normal"),
                    _reading("diminished", "diminished", "abnormal"),
                    _reading("wheeze", "wheeze", "present"),
                ),
            ),
            Item(
                id="back.diaphragm",
                title="Diaphragm descent",
                kind="quantity",
                sides="paired",
                unit="cm",
                decimals=1,
            ),
            Item(id="back.remark", title="Remark on the back", kind="text"),
        ),
    )
    abdomen = Region(
        region="abdomen",
        title="Abdomen",
        order=120,
        items=(
            Item(
                id="abdomen.bowel_sounds",
                title="Bowel sounds",
                sites="quadrants",
                readings=(_reading("heard", "heard", "normal"),),
            ),
            Item(id="abdomen.liver_span", title="Liver span", kind="quantity", unit="cm"),
        ),
    )
    nerves = Region(
        region="nerves",
        title="Nervous system",
        order=160,
        items=(
            Item(
                id="nerves.grip",
                title="Grip strength",
                kind="grade",
                sides="paired",
                scale="strength",
            ),
            Item(
                id="nerves.knee_reflex",
                title="Patellar reflex",
                kind="grade",
                sides="paired",
                scale="reflex",
            ),
            Item(
                id="nerves.trachea",
                title="Tongue on putting out",
                sides="midline",
                readings=(_reading("midline", "in the middle", "normal"),),
            ),
        ),
    )
    groin = Region(
        region="groin",
        title="Groin",
        order=130,
        default=False,
        items=(Item(id="groin.nodes", title="Groin nodes", default=False),),
    )
    return Catalogue(
        regions=(vitals, head, eyes, back, abdomen, groin, nerves),
        sites={
            "face": (
                Site(id="forehead", title="forehead", say=("forehead",)),
                Site(id="cheek", title="cheek", say=("cheek",)),
                Site(id="jaw", title="jaw", say=("jaw",)),
            ),
            "levels": (
                Site(id="upper", title="upper zone", say=("upper",)),
                Site(id="lower", title="lower zone", say=("lower",)),
            ),
            "quadrants": (
                Site(id="right_lower", title="right lower quadrant", say=("rlq",), side="right"),
            ),
        },
        scales={
            "strength": Scale(
                title="Muscle strength, 0 to 5", high=5, usual=5, out_of=(5,), source="mrc"
            ),
            "reflex": Scale(
                title="Stretch reflex, 0 to 4+",
                high=4,
                usual=2,
                plus=True,
                trace=0.5,
                source="textbook",
            ),
        },
        sources={
            "textbook": Source(title="An invented textbook", body="Invented Press", year=2001),
            "mrc": Source(title="Memorandum 45", body="Medical Research Council", year=1976),
            "recalled": Source(title="Recalled", body="the authors", kind="from memory"),
        },
        checks=CheckRules(
            derived=(
                Rule(
                    id="body_mass_index",
                    title="Body mass index",
                    formula="body_mass_index",
                    of=("vitals.weight", "vitals.height"),
                    unit="kg/m2",
                    written="weight in kilograms divided by the square of height in metres",
                    source="textbook",
                    ranges=Ranges(usual=Limits(low=18.5, high=24.9, source="textbook")),
                    codes=(_loinc("39156-5", "Body mass index (BMI) [Ratio]"),),
                ),
            )
        ),
        version="cd" * 32,
    )


class _Talk:
    """Collects findings with rising times."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self._at = 12.0

    def say(self, item: str, words: str, level: Level = Level.REPORTED, **more: Any) -> Finding:
        start = more.pop("start", self._at)
        self._at = max(self._at, start) + 11.5
        finding = Finding(
            id=more.pop("id", f"f{len(self.findings) + 1}"),
            item=item,
            words=words,
            level=level,
            start=start,
            end=start + 3.25,
            confidence=more.pop("confidence", 0.93),
            utterances=(len(self.findings),),
            **more,
        )
        self.findings.append(finding)
        return finding


def _quantity(number: str, unit: str, **more: Any) -> Quantity:
    return Quantity(number=Decimal(number), unit=unit, **more)


def _pressure(systolic: int, diastolic: int) -> Pressure:
    return Pressure(systolic=Decimal(systolic), diastolic=Decimal(diastolic))


def invented_findings() -> tuple[Finding, ...]:
    """Findings with all kinds of value, sides, doubts, corrections and hostile text."""
    talk = _Talk()
    say, measured = talk.say, Level.MEASURED
    pressure = "vitals.blood_pressure"
    say(
        pressure,
        "one thirty four of eighty eight on the right",
        measured,
        side="right",
        value=_pressure(134, 88),
        alternatives=(_pressure(134, 80),),
        doubts=("'of' was heard where 'over' is said.",),
        confidence=0.41,
    )
    say(
        pressure,
        "left one thirty over eighty four",
        measured,
        side="left",
        value=_pressure(130, 84),
    )
    say("vitals.pulse_rate", "pulse seventy two", measured, value=_quantity("72", "/min"))
    say(
        "vitals.pulse_rhythm",
        "nice and regular",
        value=Choice(code="regular", title="regular"),
        status="normal",
    )
    say(
        "vitals.respirations",
        "sixteen to eighteen",
        measured,
        value=_quantity("16", "/min", high=Decimal("18"), approximate=True),
    )
    say(
        "vitals.temperature",
        "ninety eight point six",
        measured,
        value=_quantity("37.0", "Cel", said_number=Decimal("98.6"), said_unit="[degF]"),
    )
    say(
        "vitals.saturation",
        "at least ninety seven",
        measured,
        value=_quantity("97", "%", comparator=">="),
    )
    say("vitals.height", "one metre seventy five", measured, value=_quantity("175", "cm"))
    say("vitals.weight", "seventy kilos", measured, value=_quantity("70", "kg"))
    say(
        "head.inspection",
        NASTY,
        value=Choice(code="unremarkable", title="no abnormality seen"),
        status="normal",
    )
    for site in ("forehead", "cheek"):
        say(
            "head.light_touch",
            "feels the same both sides",
            side="both",
            site=site,
            value=Choice(code="intact", title="intact"),
            status="normal",
        )
    say(
        "head.light_touch",
        "less on this one",
        side="left",
        side_inferred=True,
        site="jaw",
        value=Choice(code="lost", title="lost"),
        status="abnormal",
        certainty="hedged",
    )
    say(
        "head.sharp_dull",
        "sharp dull sharp sharp",
        side="right",
        value=Trials(answers=("sharp", "dull", "sharp", "sharp")),
        speaker="partner",
    )
    say(
        "head.sharp_dull",
        "all four right",
        side="left",
        value=Trials(answers=("sharp",) * 4, right=4, wrong=0),
    )
    say(
        "head.sinus_tenderness",
        "nope",
        side="both",
        speaker="partner",
        value=Choice(code="tender", title="tender", denied=True),
        status="absent",
    )
    say(
        "eyes.acuity",
        "twenty thirty minus one",
        measured,
        side="right",
        value=Ratio(numerator=Decimal(20), denominator=Decimal(30), letters=-1),
    )
    say(
        "eyes.acuity",
        "twenty twenty five",
        measured,
        side="unspecified",
        value=Ratio(numerator=Decimal(20), denominator=Decimal(25)),
        doubts=("The side was not said.",),
    )
    say("eyes.pupil_size", "three and a half", measured, side="both", value=_quantity("3.5", "mm"))
    say("eyes.pupils_light", "look straight at the light", Level.PERFORMED, side="right")
    say(
        "back.breath_sounds",
        "clear up here",
        side="both",
        site="upper",
        value=Choice(code="clear", title="clear"),
        status="normal",
    )
    say(
        "back.breath_sounds",
        "a little wheeze at the left base",
        side="left",
        site="lower",
        value=Choice(code="wheeze", title="wheeze"),
        status="present",
    )
    say(
        "back.breath_sounds",
        "none on the right",
        side="right",
        site="lower",
        value=Choice(code="wheeze", title="wheeze", denied=True),
        status="absent",
    )
    say("back.diaphragm", "four point oh", measured, side="right", value=_quantity("4.0", "cm"))
    say(
        "back.diaphragm",
        "five no make that four",
        measured,
        side="left",
        value=_quantity("5", "cm"),
        id="old",
        superseded_by="new",
    )
    say(
        "back.diaphragm",
        "make that four",
        measured,
        side="left",
        value=_quantity("4", "cm"),
        id="new",
    )
    say(
        "back.diaphragm",
        "strike that last one",
        measured,
        side="left",
        value=_quantity("44", "cm"),
        struck=True,
    )
    say("back.remark", NASTY, value=Text(text=NASTY))
    say(
        "nerves.grip",
        "four plus out of five",
        measured,
        side="left",
        value=Grade(grade=Decimal(4), scale="strength", out_of=5, modifier="plus"),
    )
    say(
        "nerves.grip",
        "five",
        measured,
        side="right",
        by_hand=True,
        value=Grade(grade=Decimal(5), scale="strength"),
    )
    say(
        "nerves.knee_reflex",
        "two plus both",
        measured,
        side="both",
        value=Grade(grade=Decimal(2), scale="reflex"),
    )
    say("nerves.trachea", "cannot tell", side="midline", status="indeterminate")
    say("elsewhere.unknown_item", "from other exam data", status="normal")
    return tuple(talk.findings)


def invented_phrases(findings: tuple[Finding, ...]) -> tuple[HeardPhrase, ...]:
    """One heard phrase for each finding, and one that was not recognised."""
    phrases = []
    for finding in findings:
        texts = finding.words.split(" ")
        step = (finding.end - finding.start) / len(texts)
        words = tuple(
            Word(
                text=text,
                start=finding.start + step * place,
                end=finding.start + step * (place + 1),
                confidence=finding.confidence,
            )
            for place, text in enumerate(texts)
        )
        speaker = None if finding.speaker == "unknown" else finding.speaker
        phrases.append(
            HeardPhrase(
                words=words, start=finding.start, end=finding.end, speaker=speaker, confidence=0.9
            )
        )
    lost = (Word(text="mumble", start=2, end=2), Word(text="--> & <v x>", start=2, end=3))
    phrases.append(HeardPhrase(words=lost, start=2, end=3, recognised=False))
    return tuple(phrases)


def invented_session(**changes: Any) -> Session:
    """The session as one model; ``changes`` replace its fields."""
    catalogue = invented_catalogue()
    findings = invented_findings()
    fields: dict[str, Any] = {
        "info": SessionInfo(
            id="practice-7",
            started=STARTED,
            sound_name="practice <7>.flac",
            sound_sha256="ab" * 32,
            seconds=480.0,
            learner="learner-4",
            partner="partner-9",
            consent="said aloud at 0:04",
            engine="pocketsphinx",
            engine_version="5.1.1",
            program_version="0.1.0",
            exam_version="cd" * 32,
            notices=("The sound level is low.",),
        ),
        "phrases": invented_phrases(findings),
        "findings": findings,
        "coverage": coverage_of(findings, catalogue),
        "flags": (
            Flag(
                rule="missing:nerves.knee_reflex",
                severity="note",
                sentence="The plantar response was never spoken of.",
            ),
            Flag(
                rule="asymmetric:back.diaphragm",
                severity="warning",
                sentence='Descent "differs" <b>between</b> the sides, look again.',
                source="An invented textbook, Invented Press, 2001",
                items=("back.diaphragm",),
                findings=("f24", "new"),
                at=281.5,
            ),
            Flag(
                rule="implausible:vitals.blood_pressure",
                severity="error",
                sentence="The pressure is beyond what is plausible.",
                items=("vitals.blood_pressure",),
                findings=("f1",),
                at=12.0,
            ),
        ),
        "derived": (
            Derived(
                id="body_mass_index",
                title="Body mass index",
                number=22.857142,
                unit="kg/m2",
                written="weight in kilograms divided by the square of height in metres",
                source="WHO Technical Report 894, 2000",
                findings=("f8", "f9"),
            ),
        ),
    }
    return Session(**(fields | changes))


def every_reading(catalogue: Catalogue) -> tuple[Finding, ...]:
    """One finding for each reading of each item, affirmed and denied."""
    findings = []
    for item in catalogue.items.values():
        for reading in item.readings:
            for denied in (False, True):
                opposite = {
                    "present": "absent", "absent": "present",
                    "normal": "abnormal", "abnormal": "normal",
                }  # fmt: skip
                status = opposite[reading.status] if denied else reading.status
                findings.append(
                    Finding.model_validate(
                        {
                            "id": f"f{len(findings)}",
                            "item": item.id,
                            "side": "right" if item.sides == "paired" else None,
                            "level": Level.REPORTED,
                            "value": Choice(code=reading.code, title=reading.title, denied=denied),
                            "status": status,
                            "start": len(findings),
                            "end": len(findings) + 1,
                            "words": reading.title,
                        }
                    )
                )
    return tuple(findings)
