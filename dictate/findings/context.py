"""What the talk has been about: region, item, side, open question, last results."""

from __future__ import annotations

from dataclasses import dataclass, field

from dictate.exam.catalogue import Catalogue, Item
from dictate.findings.finding import Side

TOPIC_LASTS = 25.0  # seconds that an item stays the topic without being spoken of
QUESTION_LASTS = 10.0  # seconds that a reply may take
SIDE_LINGERS = 10.0  # seconds that a side said in a result holds for the next item
SIDE_LASTS = 90.0  # seconds that an announced side holds within a region


@dataclass
class Question:
    """A question put to the partner, waiting for its reply."""

    item: str
    about: str | None
    asked_at: float
    first_at: float
    side: Side | None
    inferred: bool
    site: str | None
    words: str
    utterance: int
    negative: bool = False
    answered: bool = False


@dataclass
class Context:
    """The state that one utterance hands to the next."""

    region: str | None = None
    topic: str | None = None
    topic_at: float = -1e9
    topic_side: Side | None = None
    topic_site: str | None = None
    announced_side: Side | None = None
    said_side: Side | None = None
    said_at: float = -1e9
    announced_at: float = -1e9
    question: Question | None = None
    recent: dict[str, float] = field(default_factory=dict)
    last_results: list[str] = field(default_factory=list)
    replacing_until: float = -1e9

    def enter(self, region: str) -> None:
        """Go to another region: an announced side does not come along."""
        if region != self.region:
            self.region = region
            self.announced_side = None
            self.said_side = None
            self.question = None

    def speak_of(self, item: Item, at: float) -> None:
        """Make ``item`` the topic."""
        if self.topic != item.id:
            self.topic_side = None
            self.topic_site = None
        self.topic = item.id
        self.topic_at = at
        self.recent[item.id] = at
        self.enter(item.region)

    def topic_holds(self, at: float) -> bool:
        """Whether the topic is still in everybody's mind at this time."""
        return self.topic is not None and at - self.topic_at <= TOPIC_LASTS

    def open_question(self, at: float) -> Question | None:
        """The question that a reply at this time would answer."""
        question = self.question
        if question is not None and at - question.asked_at <= QUESTION_LASTS:
            return question
        return None

    def side_announced(self, at: float) -> Side | None:
        """The side named for what follows, while it holds."""
        return self.announced_side if at - self.announced_at <= SIDE_LASTS else None

    def rank(self, item: Item, at: float, catalogue: Catalogue) -> float:
        """How near an item is to what the talk is about; higher is nearer."""
        near = 0.0
        if item.id == self.topic and self.topic_holds(at):
            near += 4
        if item.region == self.region:
            near += 2
        if at - self.recent.get(item.id, -1e9) <= 60:
            near += 1
        if self.topic is not None and self.topic in catalogue.place:
            step = catalogue.place[item.id] - catalogue.place[self.topic]
            near -= min(abs(step) + (5 if step < 0 else 0), 100) / 200
        if not item.default:
            near -= 1
        return near
