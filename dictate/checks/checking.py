"""All checks in one call."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from dictate.checks.asymmetry import check_asymmetry
from dictate.checks.conflicts import check_conflicts
from dictate.checks.contradictions import check_contradictions
from dictate.checks.counting import check_counting
from dictate.checks.derived import check_derived
from dictate.checks.doubtful import check_doubtful
from dictate.checks.flag import Flag
from dictate.checks.implausible import check_implausible
from dictate.checks.missing import check_missing
from dictate.checks.pace import check_pace
from dictate.checks.sequence import check_sequence
from dictate.checks.standing import Standing, standing
from dictate.checks.usual import check_usual
from dictate.exam.catalogue import Catalogue
from dictate.findings.coverage import ItemCoverage
from dictate.findings.finding import Finding

_CHECKS: tuple[Callable[[Standing], Iterator[Flag]], ...] = (
    check_implausible,
    check_derived,
    check_doubtful,
    check_contradictions,
    check_conflicts,
    check_asymmetry,
    check_missing,
    check_sequence,
    check_pace,
    check_counting,
    check_usual,
)
_SEVERITIES = ("error", "warning", "note")


def check(
    findings: Iterable[Finding],
    coverage: Mapping[str, ItemCoverage],
    catalogue: Catalogue,
    seconds: float,
) -> tuple[Flag, ...]:
    """Look at a session as an instructor would.

    Args:
        findings: in any order; those struck or replaced are passed over.
        coverage: what ``coverage_of`` made of the same findings.
        catalogue: the exam in force, with its rules between items.
        seconds: length of the recording.

    Returns:
        Errors first, then warnings, then notes; within these in exam order and in time.
        The sentences name what was said and what does not fit; they never diagnose.

    Raises:
        UserFault: a rule in ``checks.yaml`` is not written as it should be.
    """
    heard = standing(findings, coverage, catalogue, seconds)
    flags = [flag for run in _CHECKS for flag in run(heard)]
    flags = [flag for flag in flags if not _said_more_strongly(flag, flags, heard)]
    last = len(catalogue.place)

    def rank(flag: Flag) -> tuple[int, int, float, str, str]:
        places = [catalogue.place.get(item, last) for item in flag.items]
        return (
            _SEVERITIES.index(flag.severity),
            min(places, default=last),
            flag.at if flag.at is not None else float("inf"),
            flag.rule,
            flag.sentence,
        )

    return tuple(sorted(flags, key=rank))


def _said_more_strongly(flag: Flag, flags: list[Flag], heard: Standing) -> bool:
    """Whether a request to confirm adds nothing to an error about the same finding."""
    if not flag.rule.startswith("doubtful:"):
        return False
    (doubted,) = flag.findings
    if any(finding.id == doubted and finding.alternatives for finding in heard.findings):
        return False
    return any(other.severity == "error" and doubted in other.findings for other in flags)
