"""The stages in a row: phrases in, findings and flags out."""

from __future__ import annotations

from collections.abc import Iterable

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Finding
from dictate.findings.interpret import findings_of
from dictate.recognition.words import HeardPhrase
from dictate.talk.splitting import utterances_of


def understand(phrases: Iterable[HeardPhrase], catalogue: Catalogue) -> tuple[Finding, ...]:
    """Turn heard phrases into findings."""
    return findings_of(utterances_of(phrases), catalogue)
