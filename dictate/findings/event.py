"""Something to be done at a place of an utterance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from dictate.findings.spotting import Spot
from dictate.talk.utterance import Mark

Kind = Literal[
    "act", "question", "result", "generic", "measure", "yes", "no", "unsure",
    "flip", "same", "replace", "answer", "except", "cannot", "none", "affirmed", "contrast",
]  # fmt: skip


@dataclass
class Event:
    """Something to be done at a place of an utterance, in order of place."""

    place: int
    kind: Kind
    last: int
    spot: Spot | None = None
    mark: Mark | None = None
    measured: Any = None
    status: Literal["normal", "abnormal"] = "normal"
    shared: bool = False  # several items ask or do this in the same words
