"""What the offline validation has to say about a resource."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from dictate.outputs.fhir.vocabulary import Resource


class Complaint(BaseModel):
    """One thing that is wrong: where it is, what it is, and the rule it breaks.

    ``rule`` is the name of HL7's invariant, profile or data type where it has one.
    """

    model_config = ConfigDict(frozen=True)

    severity: Literal["error", "warning"]
    where: str
    sentence: str
    rule: str = ""

    def __str__(self) -> str:
        rule = f" [{self.rule}]" if self.rule else ""
        return f"{self.severity}: {self.where}: {self.sentence}{rule}"


def label(resource: Any, number: int | None = None) -> str:
    """A resource as people find it: its place in the bundle, its type, what it is about."""
    place = f"entry {number + 1}, " if number is not None else ""
    if not isinstance(resource, dict):
        return f"{place}something that is no resource"
    kind = str(resource.get("resourceType", "resource without a type"))
    title = _title(resource)
    return f"{place}{kind} '{title}'" if title else f"{place}{kind}"


def _title(resource: Resource) -> str:
    code = resource.get("code")
    if isinstance(code, dict):
        if isinstance(code.get("text"), str):
            return str(code["text"])
        for one in dicts(code.get("coding")):
            if one.get("display") or one.get("code"):
                return str(one.get("display") or one["code"])
    title = resource.get("title") or resource.get("id")
    return title if isinstance(title, str) else ""


def dicts(value: Any) -> list[Resource]:
    """The objects in a list; nothing where it is no list."""
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []
