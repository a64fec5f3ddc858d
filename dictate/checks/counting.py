"""Counted rates that look guessed."""

from __future__ import annotations

from collections.abc import Iterator

from dictate.checks.flag import Flag
from dictate.checks.raising import COMMON_PRACTICE, raised
from dictate.checks.standing import Standing
from dictate.checks.wording import told
from dictate.exam.catalogue import Item
from dictate.findings.finding import Quantity

# LOINC codes of respiratory rate and heart rate (HL7 vital signs list).
_RESPIRATIONS, _PULSE = "9279-1", "8867-4"
# The answers that are given when nobody counted: common practice.
_USUAL_GUESSES = (12, 16, 18, 20)


def check_counting(heard: Standing) -> Iterator[Flag]:
    """Ask whether a rate that is a favourite round number was counted."""
    for finding in heard.findings:
        item, value = heard.item(finding), finding.value
        if not isinstance(value, Quantity) or value.high is not None or value.comparator:
            continue
        respirations = _coded(item, _RESPIRATIONS) and value.number in _USUAL_GUESSES
        pulse = _coded(item, _PULSE) and value.number % 10 == 0
        if respirations or pulse:
            yield raised(
                f"round_number:{item.id}",
                "note",
                f"{told(finding, heard.catalogue)} is a number often said without counting; "
                "was it counted?",
                [finding],
                COMMON_PRACTICE,
            )


def _coded(item: Item, loinc: str) -> bool:
    return any(coding.system == "loinc" and coding.code == loinc for coding in item.codes)
