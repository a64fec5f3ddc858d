"""A session without sound, free text and names, for handing on."""

from __future__ import annotations

import hashlib
from typing import Final

from dictate.checks.flag import Flag
from dictate.findings.finding import Finding, Text, Trials, Value
from dictate.session.record import Session

REMOVED: Final = "[removed]"
_DOUBT: Final = "A person should confirm this value."


def redacted(session: Session) -> Session:
    """The session with every free text taken out; measured and coded values stay.

    Heard words, phrases, text values, answers in trials, reasons for doubt, the name and
    hash of the recording, the codes of learner and partner, the wording of consent and
    notices are removed. The session's id, which may hold a name, becomes a hash.
    Sentences of the checks that quote removed text are replaced. Times stay.
    """
    info = session.info
    code = hashlib.sha256(f"{info.id}\n{info.sound_sha256}".encode()).hexdigest()
    secrets = _free_texts(session)
    return session.model_copy(
        update={
            "info": info.model_copy(
                update={
                    "id": f"redacted-{code[:16]}",
                    "sound_name": REMOVED,
                    "sound_sha256": "0" * 64,
                    "learner": "learner",
                    "partner": "partner",
                    "consent": REMOVED,
                    "notices": (),
                }
            ),
            "phrases": (),
            "findings": tuple(_finding(one) for one in session.findings),
            "flags": tuple(_flag(one, secrets) for one in session.flags),
        }
    )


def _finding(finding: Finding) -> Finding:
    return finding.model_copy(
        update={
            "words": REMOVED,
            "value": _value(finding.value),
            "doubts": (_DOUBT,) if finding.doubts else (),
            "alternatives": tuple(
                one for one in (_value(other) for other in finding.alternatives) if one is not None
            ),
        }
    )


def _value(value: Value | None) -> Value | None:
    if isinstance(value, Text):
        return Text(text=REMOVED)
    if isinstance(value, Trials):
        return value.model_copy(update={"answers": (REMOVED,) * len(value.answers)})
    return value


def _free_texts(session: Session) -> frozenset[str]:
    """Texts whose quotation in a sentence would give them away."""
    texts = {session.info.sound_name, session.info.learner, session.info.partner}
    texts |= {phrase.text for phrase in session.phrases}
    for finding in session.findings:
        texts |= {finding.words, *finding.doubts}
        for value in (finding.value, *finding.alternatives):
            if isinstance(value, Text):
                texts.add(value.text)
    return frozenset(text for text in texts if len(text) > 3)


def _flag(flag: Flag, secrets: frozenset[str]) -> Flag:
    if any(secret in flag.sentence for secret in secrets - {"learner", "partner"}):
        return flag.model_copy(update={"sentence": "The wording of this remark was removed."})
    return flag
