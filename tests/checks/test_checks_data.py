"""The rules that ship in ``grammars/checks.yaml`` lead somewhere and work."""

from __future__ import annotations

from functools import lru_cache

import pytest

from dictate.checks.conflicts import Claim, parse_claim
from dictate.exam.catalogue import Catalogue, Conflict, OrderRule
from dictate.exam.reading import load_catalogue


@lru_cache(maxsize=1)
def exam() -> Catalogue:
    return load_catalogue()


def conflicts() -> list[Conflict]:
    return list(exam().checks.conflicts)


def orders() -> list[OrderRule]:
    return list(exam().checks.order)


@pytest.mark.parametrize("rule", conflicts(), ids=lambda rule: rule.id)
def test_conflicts_name_items_and_readings_that_exist(rule: Conflict) -> None:
    for text in (rule.first, rule.second):
        claim: Claim = parse_claim(text)
        assert claim.item in exam().items, text
        item = exam().items[claim.item]
        if claim.code is not None:
            assert claim.code in {reading.code for reading in item.readings}, text
        else:
            assert item.kind in ("quantity", "pressure", "ratio", "grade", "trials"), text
    assert rule.source in exam().sources


@pytest.mark.parametrize("rule", orders(), ids=lambda rule: rule.id)
def test_order_rules_name_items_that_exist(rule: OrderRule) -> None:
    assert rule.first in exam().items
    assert rule.then and set(rule.then) <= set(exam().items)
    assert rule.source in exam().sources


def test_derived_measures_name_items_that_exist() -> None:
    rules = exam().checks.derived
    assert {"pulse_pressure", "mean_arterial_pressure", "body_mass_index"} <= {r.id for r in rules}
    for rule in rules:
        assert rule.of and set(rule.of) <= set(exam().items), rule.id
        assert rule.source in exam().sources


def test_ids_of_rules_are_unique() -> None:
    checks = exam().checks
    for rules in (checks.conflicts, checks.order, checks.derived):
        ids = [rule.id for rule in rules]
        assert len(ids) == len(set(ids))
