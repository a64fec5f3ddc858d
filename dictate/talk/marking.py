"""Marks in a run of tokens: sides, negation, replies, corrections and the rest."""

from __future__ import annotations

from collections.abc import Sequence

from dictate.talk.lexicon import mark_matcher, word_lists
from dictate.talk.patterns import document, matches
from dictate.talk.tokens import Token
from dictate.talk.utterance import Mark

# Kinds of which only the longest at a place is kept, the earlier named winning a tie.
_EXCLUSIVE = ("strike", "replace", "flip", "same", "next_place", "demonstration")
_CUT_OFF = {
    # A kind that loses its place where a longer mark of another kind covers it.
    "no": ("negation", "courtesy", "slip", "replace", "same", "cannot", "after_negation"),
    "yes": ("question",),
    "flip": ("same", "strike"),
    "next_place": ("question",),
    "question": ("courtesy", "strike"),
    "courtesy": ("not_word",),
    "hypothetical": ("hedge",),  # "I would say"
    "replace": ("my_own", "courtesy"),
    "slip": ("courtesy",),
    "same": ("courtesy",),
}


def marks_of(tokens: Sequence[Token]) -> list[Mark]:
    """Find all marks, sorted by place; marks of different kinds may overlap."""
    words = meant(tokens)
    found = _longest(matches(mark_matcher(), document(words)))
    blocked = {
        place
        for mark in found
        if mark.kind == "not_side"
        and not _after_article(words, mark)
        and not _before_number(words, mark)
        and not _not_sensed_there(words, mark.first)
        for place in range(mark.first, mark.last + 1)
    }
    kept = [mark for mark in found if mark.kind != "not_side" and not _covered(mark, found)]
    kept += _sides(words, tokens, blocked, kept)
    kept = [mark for mark in kept if not _describes(mark, tokens)]
    return sorted(kept, key=lambda mark: (mark.first, -mark.last, mark.kind))


def meant(tokens: Sequence[Token]) -> list[str]:
    """The words, with what sounds like 'no', 'not' or 'or' read as that.

    'Know' is a word of its own beside a person or a 'to' ("you know", "let me know").
    """
    said_as = word_lists().said_as
    words = [token.text for token in tokens]
    return [
        said_as.get(word, word) if word != "know" or _is_no(words, place) else word
        for place, word in enumerate(words)
    ]


def _is_no(words: Sequence[str], place: int) -> bool:
    before = words[place - 1] if place else ""
    after = words[place + 1] if place + 1 < len(words) else ""
    return before not in _KNOWING and after not in _KNOWN and bool(after)


_KNOWING = frozenset(
    ["i", "you", "we", "they", "he", "she", "to", "do", "does", "did", "not", "me", "us", "never",
     "always", "will", "would", "should", "and", "who", "already"]
)  # fmt: skip
_KNOWN = frozenset(
    ["if", "when", "what", "how", "that", "where", "the", "it", "this", "about", "which", "who",
     "why", "whether", "you", "your"]
)  # fmt: skip


def _after_article(words: Sequence[str], mark: Mark) -> bool:
    """Whether the 'right' of "right so" is a side after all: "on the right so ..."."""
    return (
        words[mark.first] == "right"
        and mark.first > 0
        and words[mark.first - 1] in ("the", "on", "your")
    )


def _before_number(words: Sequence[str], mark: Mark) -> bool:
    """Whether a value follows the 'left' of "is left": "the pulse is left two plus"."""
    following = words[mark.last + 1] if mark.last + 1 < len(words) else ""
    return words[mark.last] == "left" and following in _BEFORE_VALUE - _NO_NUMBER


def _not_sensed_there(words: Sequence[str], place: int) -> bool:
    """Whether 'right' leads what is not felt or seen there: "right I cannot feel it"."""
    return any(tuple(words[place + 1 : place + 1 + len(one)]) == one for one in _UNSENSED)


def _describes(mark: Mark, tokens: Sequence[Token]) -> bool:
    """Whether a word of praise belongs to what follows ("good position", "lovely sounds")."""
    if mark.kind != "courtesy" or mark.first != mark.last or tokens[mark.last].after:
        return False
    if tokens[mark.first].text not in _PRAISE or mark.last + 1 >= len(tokens):
        return False
    following = tokens[mark.last + 1].text
    return following not in word_lists().light and following not in _AFTER_PRAISE


_PRAISE = frozenset(["good", "nice", "great", "lovely", "beautiful", "super", "perfect"])
_AFTER_PRAISE = frozenset(
    ["and", "next", "you", "thanks", "thank", "no", "yes", "yeah", "nope", "other", "what", "keep",
     "same", "that", "over", "up", "down", "back", "good", "if", "big", "let", "go", "i", "we"]
)  # fmt: skip


def _longest(found: list[tuple[str, int, int]]) -> list[Mark]:
    """Drop marks inside a longer mark of their own kind, and crossing exclusive ones."""
    by_length = sorted(found, key=lambda one: (one[1] - one[2], one[1]))
    taken: dict[str, set[int]] = {}
    kept: list[Mark] = []
    for kind, first, last in by_length:
        group = "exclusive" if kind in _EXCLUSIVE else kind
        places = set(range(first, last + 1))
        if places & taken.setdefault(group, set()):
            continue
        taken[group] |= places
        kept.append(Mark(kind=kind, first=first, last=last))
    return kept


def _covered(mark: Mark, others: Sequence[Mark]) -> bool:
    rivals = _CUT_OFF.get(mark.kind, ())
    length = mark.last - mark.first
    return any(
        other.kind in rivals
        and other.first <= mark.first
        and other.last >= mark.last
        and other.last - other.first > length
        for other in others
    )


_BEFORE_VALUE = frozenset(
    ["all", "about", "roughly", "around", "nearly", "almost", "under", "over", "slightly", "also",
     "top",
     "bottom", "same", "less", "more", "one", "two", "three", "four", "five", "six", "seven",
     "eight", "nine", "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen",
     "seventeen", "eighteen", "nineteen", "twenty", "thirty", "forty", "fifty", "sixty", "seventy",
     "eighty", "ninety", "zero", "trace"]
)  # fmt: skip
_NO_NUMBER = frozenset(["all", "over", "under", "also", "top", "bottom", "same", "less", "more"])
_UNSENSED = (("i", "can", "not"), ("i", "could", "not"), ("can", "not"), ("could", "not"))
_AFTER_RIGHT = frozenset(
    ["you", "if", "and", "but", "what", "cover", "stand", "sit", "lie", "pop", "hop", "take",
     "turn", "look", "open", "close", "give", "keep", "get", "good", "lovely", "thanks", "next",
     "then", "over", "up", "down", "in", "out", "since", "before", "after", "when", "everyone"]
)  # fmt: skip


_GOT = frozenset(["gets", "got", "get", "getting", "did", "does", "told", "tells", "said", "had"])


def _is_praise(words: Sequence[str], place: int) -> bool:
    """Whether a 'right' means correct: "gets it right every time", "got them all right"."""
    before = words[max(0, place - 4) : place]
    after = list(words[place + 1 : place + 3])
    got = [at for at, word in enumerate(before) if word in _GOT]
    told = before[got[-1] + 1 :] if got else ()
    if any(word in ("it", "them", "that", "all", "both", "everything") for word in told):
        return "on" not in before and "the" not in told
    return after in (["every", "time"], ["each", "time"])


def _sides(
    words: Sequence[str], tokens: Sequence[Token], blocked: set[int], marks: Sequence[Mark]
) -> list[Mark]:
    lists = word_lists()
    in_both = {
        place for mark in marks if mark.kind == "both" for place in range(mark.first, mark.last + 1)
    }
    sides: list[Mark] = []
    for place, word in enumerate(words):
        if place in in_both:
            continue
        if word == "right" and _is_praise(words, place):
            continue
        if word in ("left", "right") and place not in blocked:
            opens = place == 0 or tokens[place - 1].after in ("strong", "question")
            follows = words[place + 1] if place + 1 < len(words) else ""
            # A 'right' that opens a sentence is a side only before a word of the body
            # or where it stands alone before a value.
            if word == "right" and opens and follows and follows not in lists.body:
                if not (follows[0].isdigit() or follows in _BEFORE_VALUE):
                    leads = follows not in lists.light | lists.paired | _AFTER_RIGHT
                    if leads or _not_sensed_there(words, place):
                        sides.append(Mark(kind="right_lead", first=place, last=place))
                    continue
            if word == "right" and opens and tokens[place].after in ("weak", "strong"):
                continue
            sides.append(Mark(kind=word, first=place, last=place))
        elif word in lists.paired and not (place > 0 and tokens[place - 1].text == "my"):
            sides.append(Mark(kind="paired", first=place, last=place))
    return sides
