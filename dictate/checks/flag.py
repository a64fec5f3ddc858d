"""What a check says about findings."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

Severity = Literal["error", "warning", "note"]


class Flag(BaseModel):
    """One remark for the learner and the instructor.

    ``rule`` names the check and the item (such as ``implausible:vitals.temperature``);
    ``sentence`` is for people; ``source`` is the full text of the publication that the
    bound is taken from, empty where the rule needs none; ``findings`` are the ids it
    rests on; ``at`` is the moment in seconds that it points to.
    """

    model_config = ConfigDict(frozen=True)

    rule: str
    severity: Severity
    sentence: str
    source: str = ""
    items: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    at: float | None = None


class Derived(BaseModel):
    """A measure computed from findings, with its formula in words and its source."""

    model_config = ConfigDict(frozen=True)

    id: str
    title: str
    number: float
    unit: str
    written: str
    source: str
    side: str | None = None
    findings: tuple[str, ...] = ()
