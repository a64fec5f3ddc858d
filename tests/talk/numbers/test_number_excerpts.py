"""Short excerpts: what is a value, what is said in passing, and what the hedges do."""

from __future__ import annotations

from typing import Any

import pytest
from number_excerpts import cases, faults


@pytest.mark.parametrize("case", cases("excerpts.yaml"), ids=lambda case: case["words"][:40])
def test_excerpt(case: dict[str, Any]) -> None:
    assert faults(case) == []


def test_the_comparison_finds_a_wrong_value() -> None:
    assert faults(
        {"words": "pulse seventy two", "values": [{"quantity": 73, "low": 30, "high": 250}]}
    )
    assert faults({"words": "pulse seventy two", "values": []})
    assert faults({"words": "two more", "values": [{"grade": 2, "max": 5}]})


def test_held_out_excerpts_score() -> None:
    """Only the total is looked at: single held-out excerpts are never tuned on."""
    held_out = cases("heldout_excerpts.yaml")
    right = sum(not faults(case) for case in held_out)
    print(f"held-out number excerpts right: {right} of {len(held_out)}")
    assert right / len(held_out) >= 0.95
