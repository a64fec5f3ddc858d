"""Results of different items that do not go together, as ``grammars/checks.yaml`` lists them."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from dictate.checks.flag import Flag
from dictate.checks.measures import number_of
from dictate.checks.raising import raised
from dictate.checks.standing import Standing, sides_meet
from dictate.checks.wording import citation, clock, listed, told
from dictate.errors import UserFault
from dictate.exam.catalogue import Conflict, Item
from dictate.findings.finding import Choice, Finding

_EXPRESSION = re.compile(
    r"(?P<item>[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*)"
    r"(?:(?P<sign>[=!])(?P<code>[a-z][a-z0-9_]*)"
    r"|(?P<comparison><=|>=|<|>|=)(?P<number>-?\d+(?:\.\d+)?))"
)
_COMPARISONS: dict[str, Callable[[float, float], bool]] = {
    "<=": operator.le,
    ">=": operator.ge,
    "<": operator.lt,
    ">": operator.gt,
    "=": operator.eq,
}


@dataclass(frozen=True)
class Claim:
    """One side of a conflict: a reading affirmed or denied, or a number compared."""

    item: str
    code: str | None = None
    denied: bool = False
    comparison: str = ""
    number: float = 0.0

    def met_by(self, finding: Finding, item: Item) -> bool:
        """Whether a finding about ``item`` says what this side of the conflict says.

        Several readings of an item that share a title are one result in other words.
        """
        if self.code is not None:
            value = finding.value
            titles = {reading.title for reading in item.readings if reading.code == self.code}
            return (
                isinstance(value, Choice)
                and (value.code == self.code or value.title in titles)
                and value.denied == self.denied
            )
        number = number_of(finding.value)
        return number is not None and _COMPARISONS[self.comparison](number, self.number)


def parse_claim(text: str) -> Claim:
    """Read ``item=reading``, ``item!reading`` or a comparison such as ``item<=3``.

    Raises:
        UserFault: the text has none of these forms.
    """
    match = _EXPRESSION.fullmatch(text.replace(" ", ""))
    if match is None:
        raise UserFault(
            f"checks.yaml: '{text}' is no side of a conflict; write item=reading, "
            "item!reading or a comparison such as item<=3."
        )
    if match["code"] is not None:
        return Claim(match["item"], code=match["code"], denied=match["sign"] == "!")
    return Claim(match["item"], comparison=match["comparison"], number=float(match["number"]))


def check_conflicts(heard: Standing) -> Iterator[Flag]:
    """Flag each listed conflict whose two sides were both said.

    Rules about items that are not in force say nothing.

    Raises:
        UserFault: a rule is not written as it should be.
    """
    for rule in heard.catalogue.checks.conflicts:
        first, second = parse_claim(rule.first), parse_claim(rule.second)
        held: dict[str, Finding] = {}
        for one in heard.by_item.get(first.item, ()):
            if not first.met_by(one, heard.item(one)):
                continue
            for other in heard.by_item.get(second.item, ()):
                told = second.met_by(other, heard.item(other))
                if told and one.id != other.id and _meet(heard, rule, one, other):
                    held.update({one.id: one, other.id: other})
        if held:
            yield _flag(heard, rule, list(held.values()))


def _meet(heard: Standing, rule: Conflict, one: Finding, other: Finding) -> bool:
    if not rule.same_side:
        return True
    if not sides_meet(one, other):
        return False
    if one.site == other.site or heard.item(one).sites != heard.item(other).sites:
        return True
    # 'Clear except at the left base': said in one breath, the part is an exception.
    within = one.site is None or other.site is None
    return within and not set(one.utterances) & set(other.utterances)


def _flag(heard: Standing, rule: Conflict, held: list[Finding]) -> Flag:
    held.sort(key=lambda finding: (finding.start, finding.end, finding.id))
    parts = [f"{told(finding, heard.catalogue)} at {clock(finding.start)}" for finding in held]
    sentence = f"{rule.sentence.rstrip('.')} ({listed(parts)})."
    return raised(
        f"conflict:{rule.id}", rule.severity, sentence, held, citation(heard.catalogue, rule.source)
    )
