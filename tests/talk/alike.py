"""Which readings and which items say the same thing in other words."""

from __future__ import annotations

from pathlib import Path

import yaml

# Two items of the catalogue that one and the same sentence fits equally well, whatever the region.
SAME_ITEMS = {
    "neck.stiffness": "nervous.neck_stiffness",
    "nervous.alertness": "general.consciousness",
    "nervous.speech": "general.speech",
}
# Said of anything: 'fine', 'okay', 'looks normal'.
PLAINLY_NORMAL = "normal"
OPPOSITE = {"present": "absent", "absent": "present", "normal": "abnormal", "abnormal": "normal"}

_GROUPS: dict[str, list[set[str]]] = {
    item: [set(tokens) for tokens in groups]
    for item, groups in yaml.safe_load(
        (Path(__file__).resolve().parent / "equal_readings.yaml").read_text(encoding="utf-8")
    ).items()
}


def statement(item: str, code: str, denied: bool) -> str:
    """A name for what is stated, the same for all ways of stating it."""
    token = f"!{code}" if denied else code
    for group in _GROUPS.get(SAME_ITEMS.get(item, item), ()):
        if token in group:
            return min(group)
        if _opposite(token) in group:
            return _opposite(min(group))
    return token


def about_the_same(item: str, one: str, other: str) -> bool:
    """True when two codes are about the same thing, affirmed or denied."""
    first, second = statement(item, one, False), statement(item, other, False)
    return first in (second, _opposite(second))


def _opposite(token: str) -> str:
    return token[1:] if token.startswith("!") else f"!{token}"
