"""What the talk has been about: region, item, side, open question, last results."""

from __future__ import annotations

from dataclasses import dataclass, field

from dictate.exam.catalogue import Catalogue, Item
from dictate.findings.finding import Side

TOPIC_LASTS = 25.0  # seconds that an item stays the topic without being spoken of
QUESTION_LASTS = 10.0  # seconds that a reply may take
SIDE_LINGERS = 10.0  # seconds that a side said in a result holds for the next item
SIDE_LASTS = 90.0  # seconds that an announced side holds within a region
SHORT_SILENCE = 5.0  # seconds; what a silence has more than this makes nobody forget the topic
LONGEST_SILENCE = 90.0  # seconds of one silence after which all may be forgotten


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
    from_act: bool = False  # an act that goes with a question, which was not put in words
    again: bool = False  # put in words at another side or place, and only meant at this one
    implied: bool = False  # nobody asked it aloud: what was looked for at the last place
    also: tuple[Question, ...] = ()  # asked in the same breath ("on your forehead and cheeks")


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
    said_after: bool = False  # the side came after its result ("a shotty one left")
    announced_at: float = -1e9
    question: Question | None = None
    recent: dict[str, float] = field(default_factory=dict)
    last_results: list[str] = field(default_factory=list)
    bare_side: tuple[Side | None, float] = (None, -1e9)  # said by itself, and when
    perhaps_right: float = -1e9  # when a 'right' led talk without a result: a side, or just a word
    moved_in: int = -9  # the utterance that only went to the other side
    side_by_sound: tuple[str, ...] = ()  # how the side in hand was read, where not as heard
    topic_by_sound: tuple[str, ...] = ()  # the same of the topic
    heard_until: float = 0.0
    silence: float = 0.0  # seconds of long silences so far, beyond their first part
    topic_silence: float = 0.0  # the same when the topic was last spoken of
    worked_on: str | None = None  # the last item that was done or told of
    named_together: frozenset[str] = frozenset()  # items that the last name may mean
    named_at: float = -1e9
    left: dict[str, float] = field(default_factory=dict)  # regions, and when each was left last
    gone_on: bool = False  # something was asked for since that was not understood

    def hear(self, start: float, end: float) -> None:
        """Take note of when somebody talks: counting a pulse for a minute is no new topic."""
        gap = start - self.heard_until
        if SHORT_SILENCE < gap <= LONGEST_SILENCE:
            self.silence += gap - SHORT_SILENCE
        self.heard_until = max(self.heard_until, end)

    def enter(self, region: str) -> None:
        """Go to another region: an announced side does not come along."""
        if region != self.region:
            if self.region is not None:
                self.left[self.region] = self.topic_at
            self.region = region
            self.announced_side = None
            self.said_side = None
            self.bare_side = (None, -1e9)
            self.side_by_sound = ()
            self.question = None

    def speak_of(self, item: Item, at: float) -> None:
        """Make ``item`` the topic."""
        if self.topic != item.id:
            self.topic_side = None
            self.topic_site = None
            self.topic_by_sound = ()
        self.topic = item.id
        self.topic_at = at
        self.topic_silence = self.silence
        self.gone_on = False
        self.recent[item.id] = at
        self.enter(item.region)

    def topic_holds(self, at: float) -> bool:
        """Whether the topic is still in everybody's mind at this time."""
        silent = self.silence - self.topic_silence
        return self.topic is not None and at - self.topic_at - silent <= TOPIC_LASTS

    def name(self, items: frozenset[str], at: float) -> None:
        """Take note of all that a name may mean ("pupils": their size, shape, response)."""
        self.named_together, self.named_at = items, at

    def named_just_now(self, item: str, at: float) -> bool:
        """Whether the last name said may mean this item too."""
        return item in self.named_together and at - self.named_at <= TOPIC_LASTS

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
