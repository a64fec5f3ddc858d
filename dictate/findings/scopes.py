"""How far words reach: silence over teaching talk, questions, negation, hedges."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from dictate.exam.catalogue import Polarity
from dictate.findings.spotting import Spot
from dictate.talk.lexicon import word_lists
from dictate.talk.utterance import Mark, Utterance

_NEAR_CLAUSE_START = 8  # tokens before a teaching remark that still belong to it
_ASKED_BEFORE = 4  # tokens from a question to the 'if' that belongs to it
_ASKING_NOW = frozenset(["is", "are", "does", "do", "any"])
_FAR_CLAUSE_START = 10  # likewise before what is said of others ("... had one yesterday")
_TO_KNOW = frozenset(
    ["know", "me", "see", "say", "check", "ask", "shout", "sure", "as", "even", "wonder", "test",
     "whether", "tell", "feel", "look", "listen", "only", "and", "or", "squeeze", "stop", "yes",
     "nod"]
)  # fmt: skip
_BEGINNING = frozenset(["examine", "start", "begin", "carry", "proceed"])
_POLITE = frozenset(
    ["possible", "need", "anything", "can", "could", "like", "want", "necessary", "would", "please",
     "okay", "ok", "comfortable", "hurts", "press", "push", "touch", "all"]
)  # fmt: skip
_MOST_FOREIGN = 3  # words that no item knows between 'no' and the sign it denies
_JOINERS = frozenset(["or", "and", "nor", "any", "even", "much"])


def quiet_places(utterance: Utterance) -> frozenset[int]:
    """Token places where nothing is found or done: asides, hypotheticals, plans, others' finds."""
    quiet: set[int] = set()
    for mark in utterance.marked("aside", "hypothetical", "plan", "others"):
        if mark.kind == "hypothetical" and _is_manner(utterance, mark):
            continue
        if mark.kind == "aside" and _bids_before(utterance, mark):
            continue
        start = _clause_start(utterance, mark.first)
        reach = _NEAR_CLAUSE_START if mark.kind == "aside" else _FAR_CLAUSE_START
        if mark.kind in ("aside", "others") and mark.first - start > reach:
            start = mark.first
        end = _clause_end(utterance, mark.last)
        if mark.kind == "aside":
            end = min(end, _told_again(utterance, mark.last))
        quiet.update(range(start, end))
    for first, end in (*_conditions(utterance), *_purposes(utterance)):
        quiet.update(range(first, end))
    for mark in utterance.marked("demonstration"):
        if mark.first and utterance.tokens[mark.first - 1].text in ("if", "whether"):
            continue  # "tell me whether this is sharp or dull"
        following = [token.text for token in utterance.tokens[mark.last + 1 : mark.last + 3]]
        if following[-1:] in (["right"], ["left"]):
            continue  # "this is the right one"
        quiet.update(range(mark.first, min(len(utterance.tokens), mark.last + 3)))
    return frozenset(quiet)


_WHOSE = frozenset(["your", "the", "i", "you", "we", "it", "his", "her", "they", "my"])


def _purposes(utterance: Utterance) -> Iterator[tuple[int, int]]:
    """Clauses of what an instruction is for ("so that your tummy goes soft")."""
    tokens = [token.text for token in utterance.tokens]
    for place in range(1, len(tokens) - 2):
        if tokens[place : place + 2] == ["so", "that"] and tokens[place + 2] in _WHOSE:
            yield place, _clause_end(utterance, place + 2)


def _bids_before(utterance: Utterance, aside: Mark) -> bool:
    """Whether it says when to answer ("say now whenever you feel it", "when you feel it, say")."""
    tokens = [token.text for token in utterance.tokens]
    if any(word in _BIDDING for word in tokens[max(0, aside.first - 3) : aside.first]):
        return True
    after = tokens[aside.last + 1 : aside.last + 6]
    return tokens[aside.first] in ("when", "whenever") and ("say" in after or "shout" in after)


_PERCEIVING = frozenset(["see", "feel", "hear", "can", "do"])
_SUPPOSING = frozenset(["if", "when", "what", "where", "that", "as", "because", "until"])


def _told_again(utterance: Utterance, place: int) -> int:
    """Where, after a teaching remark, the examiner tells what is seen ("... i see no scars")."""
    tokens = [token.text for token in utterance.tokens]
    for at in range(place + 3, len(tokens) - 1):
        if tokens[at] == "i" and tokens[at + 1] in _PERCEIVING:
            if tokens[at - 1] not in _SUPPOSING:
                return at
    return len(tokens)


_MANNER = frozenset(["say", "like", "call", "grade", "guess", "estimate", "describe", "give"])


def _is_manner(utterance: Utterance, hypothetical: Mark) -> bool:
    """Whether an 'I would' only is polite or careful ("I would like you to", "I would say")."""
    tokens = [token.text for token in utterance.tokens]
    for place in range(max(1, hypothetical.first), hypothetical.last + 1):
        if tokens[place] == "would" and tokens[place - 1] in ("i", "we"):
            following = tokens[place + 1 : place + 3]
            return following[:1] != [] and (
                following[0] in _MANNER or following in (["have", "said"], ["have", "called"])
            )
    return False


_BIDDING = frozenset(["say", "tell", "let", "raise", "nod", "press", "lift", "shout", "call"])


def bids(utterance: Utterance, first: int, last: int) -> bool:
    """Whether these words tell the partner what to do ("say yes when you feel")."""
    return any(token.text in _BIDDING for token in utterance.tokens[first : last + 1])


def _conditions(utterance: Utterance) -> list[tuple[int, int]]:
    """Stretches under an 'if' that supposes something, not one that asks or is polite."""
    tokens = utterance.tokens
    found = []
    for place, token in enumerate(tokens):
        if token.text != "if" or (place and tokens[place - 1].text in _TO_KNOW):
            continue
        following = {one.text for one in tokens[place + 1 : place + 5]}
        if following & {"i", "we"} and following & _BEGINNING:
            continue  # "is it all right if I examine you"
        if (following & _POLITE and "not" not in following) or len(following) < 2:
            continue
        if any(
            tokens[mark.first].text in _ASKING_NOW
            and (mark.first > place + 2 or 0 <= place - mark.last <= _ASKED_BEFORE)
            for mark in utterance.marked("question")
        ):
            continue  # "if I give this a tug is that sore", "is it sore if I squeeze"
        start = max(_clause_start(utterance, place), place - _FAR_CLAUSE_START)
        found.append((start, _clause_end(utterance, place)))
    return found


def _clause_start(utterance: Utterance, place: int) -> int:
    start = 0
    for turn in utterance.marked("but"):
        if turn.last < place:
            start = turn.last + 1
    return start


def _clause_end(utterance: Utterance, place: int) -> int:
    turns = utterance.marked("but")
    return next((turn.first for turn in turns if turn.first > place), len(utterance.tokens))


def question_places(utterance: Utterance) -> frozenset[int]:
    """Token places that are asked, not stated."""
    if utterance.after == "question":
        return frozenset(range(len(utterance.tokens)))
    if wonders(utterance):
        return frozenset(range(len(utterance.tokens)))
    asked: set[int] = set()
    opening = _opening_question(utterance)
    if opening is not None:
        asked.update(range(opening, len(utterance.tokens)))
    tokens = [token.text for token in utterance.tokens]
    complaint = _asked_complaint(tokens)
    if complaint is not None:
        asked.update(range(complaint, len(tokens)))
    for place in range(1, len(tokens) - 1):
        # "Shout if it hurts": what is waited for is asked, not told.
        if tokens[place] == "if" and tokens[place - 1] in _BIDDING | {"me", "know"}:
            asked.update(range(place, len(tokens)))
    for mark in utterance.marked("question"):
        if any(
            one.kind in ("negation", "after_negation") and one.first <= mark.first <= one.last + 1
            for one in utterance.marks
        ):
            continue  # "without any", "no ... any"
        if _states_place(utterance, mark) or _starts_over(utterance, mark):
            continue
        if _tells_when(utterance, mark) or _as_it_should(utterance, mark):
            continue
        asked.update(range(mark.first, len(utterance.tokens)))
    return frozenset(asked)


_SHOULD = frozenset(["should", "ought", "belong", "belongs"])

COMPLAINTS = frozenset(
    ["sore", "tender", "hurt", "hurts", "hurting", "painful", "pain", "ache", "aching",
     "tenderness"]
)  # fmt: skip
_EITHER_WAY = frozenset(["anywhere", "either"])
_AT_COMPLAINT = frozenset(
    ["at", "all", "anywhere", "either", "side", "when", "i", "press", "push", "do", "that", "this",
     "here", "there", "or", "on", "now", "one"]
)  # fmt: skip


def _asked_complaint(tokens: Sequence[str]) -> int | None:
    """Where a complaint is asked about with no question word ("hurt at all", "sore anywhere")."""
    for place, word in enumerate(tokens):
        if word not in COMPLAINTS or not _DENIALS.isdisjoint(tokens[:place]):
            continue
        rest = list(tokens[place + 1 :])
        if not rest or not all(other in _AT_COMPLAINT for other in rest):
            continue
        if _EITHER_WAY.intersection(rest) or rest[:2] == ["at", "all"] or rest[:2] == ["when", "i"]:
            if not {"is", "are", "was", "feels", "it", "but", "not"}.intersection(tokens[:place]):
                return place
    return None


def _as_it_should(utterance: Utterance, question: Mark) -> bool:
    """Whether a 'where' says that all is in its place ("lids sit where they should")."""
    tokens = [token.text for token in utterance.tokens]
    return tokens[question.first] == "where" and not _SHOULD.isdisjoint(
        tokens[question.first + 1 : question.first + 3]
    )


def _tells_when(utterance: Utterance, question: Mark) -> bool:
    """Whether a 'when' only says when something is so ("moves up when swallowing")."""
    tokens = [token.text for token in utterance.tokens]
    if question.first == 0 or tokens[question.first] != "when":
        return False
    following = tokens[question.first + 1 : question.first + 2]
    if not following or not following[0].endswith("ing"):
        return False
    return tokens[question.first - 1] not in _BIDDING and tokens[question.first - 1] != "me"


_FINITE = frozenset(["is", "are", "was", "were", "has", "have", "does", "looks", "seems"])


def _starts_over(utterance: Utterance, question: Mark) -> bool:
    """Whether a statement only begins again ("it is it is equal", "the lids are there is no")."""
    tokens = [token.text for token in utterance.tokens]
    words = tokens[question.first : question.last + 1]
    return (
        question.first > 0
        and len(words) >= 2
        and words[0] in _FINITE
        and tokens[question.last + 1 : question.last + 2] != []
        and tokens[question.last + 1] in _FINITE
        and tokens[question.last + 1 : question.last + 3] != words[:2]
    )


def _states_place(utterance: Utterance, question: Mark) -> bool:
    """Whether an 'is there' says where something is ("red reflex is there on the right")."""
    tokens = utterance.tokens
    words = [token.text for token in tokens[question.first : question.last + 1]]
    if question.first == 0 or len(words) != 2 or words[1] != "there":
        return False
    following = [token.text for token in tokens[question.last + 1 : question.last + 2]]
    return following in (["on"], ["in"], ["at"], ["too"], ["both"])


_TAGS = (("is", "it"), ("are", "they"), ("is", "there"), ("is", "that"))
_DENIALS = frozenset(["no", "not", "never", "none", "nothing"])


def wonders(utterance: Utterance) -> bool:
    """Whether the examiner asks themselves at the end ("it is a bit curved, is it").

    A tag after a denial only strengthens it ("there is no swelling, is there").
    """
    words = [token.text for token in utterance.tokens]
    return (
        len(words) > 3
        and tuple(words[-2:]) in _TAGS
        and words[-3] not in ("what", "where", "how", "which", "this", "that", "it", "there")
        and _DENIALS.isdisjoint(words)
    )


def _opening_question(utterance: Utterance) -> int | None:
    """Where an inverted verb opens the utterance: "is the trachea central"."""
    tokens = utterance.tokens
    for place, token in enumerate(tokens[:-2]):
        if token.text in _INVERTED and tokens[place + 1].text in _SUBJECTS:
            return place
        if token.text not in _BEFORE_QUESTION:
            return None
    return None


_INVERTED = frozenset(["is", "are", "was", "were", "does", "do", "did", "can", "has", "have"])
_SUBJECTS = frozenset(
    ["the", "your", "his", "her", "my", "it", "that", "this", "there", "they", "these", "those",
     "you", "he", "she", "either", "both"]
)  # fmt: skip
_BEFORE_QUESTION = frozenset(
    ["and", "so", "or", "but", "now", "then", "okay", "well", "oh", "what"]
)


_WHETHER = frozenset(["if", "whether", "that", "for", "how", "any", "of"])
_THERE_IS = {
    (subject, verb)
    for subject in ("there", "it", "they", "i")
    for verb in ("is", "are", "see", "can", "feel", "hear")
}
_TELLING = frozenset(["i", "we", "there", "it", "they", "he", "she"])


def sought_places(utterance: Utterance) -> frozenset[int]:
    """Token places that say what is being looked for."""
    sought: set[int] = set()
    tokens = [token.text for token in utterance.tokens]
    for mark in utterance.marked("seeking"):
        end = next(
            (
                place
                for place in range(mark.last + 1, len(tokens) - 1)
                if (tokens[place] in ("and", "but") and tokens[place + 1] in _TELLING)
                or (
                    tokens[mark.last] not in _WHETHER
                    and place > mark.last + 1
                    and (tokens[place], tokens[place + 1]) in _THERE_IS
                )
            ),
            len(tokens),
        )
        sought.update(range(mark.first, end))
    for place in range(2, len(tokens)):
        # "Feeling all over the head for lumps"
        before = tokens[max(0, place - _SEARCH_REACH) : place]
        if tokens[place] == "for" and any(word in _SEARCHING for word in before[:-1]):
            if not {"is", "are", "no", "not", "and", "but"}.intersection(before):
                ends = [at for at in range(place, len(tokens)) if tokens[at] == "but"]
                sought.update(range(place, ends[0] if ends else len(tokens)))
    return frozenset(sought)


_SEARCHING = frozenset(["feeling", "looking", "checking", "searching", "hunting", "pressing"])
_SEARCH_REACH = 7  # tokens between the search and what it is for


def denied(
    utterance: Utterance,
    first: int,
    last: int,
    status: Polarity,
    spots: Sequence[Spot],
) -> bool:
    """Whether the reading at these places is denied.

    A 'no' before denies signs (present, abnormal), also along a list; a quality that is
    normal is denied only by a 'not' close before it, as in "not symmetrical".
    """
    if status in ("normal", "absent"):
        return _not_close_before(utterance, first)
    return (
        _not_close_before(utterance, first)
        or (first > 0 and utterance.tokens[first - 1].text in _DENYING)
        or any(token.text == "neither" for token in utterance.tokens[max(0, first - 3) : first])
        or _within_none(utterance, first, last)
        or _no_before(utterance, first, spots)
        or _denied_after(utterance, last, spots)
    )


_DENYING = frozenset(["negative", "nothing", "none", "nil", "neither"])


def _within_none(utterance: Utterance, first: int, last: int) -> bool:
    """Whether the sign's word is itself part of the denial ("nothing felt")."""
    return any(
        mark.first < first and last <= mark.last for mark in utterance.marked("after_negation")
    )


def _not_close_before(utterance: Utterance, first: int) -> bool:
    light = word_lists().light
    sides = {mark.first for mark in utterance.marked("left", "right")}
    for mark in utterance.marked("not_word"):
        if mark.last + 1 in sides and any(side < mark.first for side in sides):
            continue  # "heard right, not left": the 'not' is the side's
        if mark.last < first <= mark.last + 4:
            between = [token.text for token in utterance.tokens[mark.last + 1 : first]]
            if all(word in light or word in _SEEMING for word in between):
                return not _breaks(utterance, mark.last, first)
            if between and between[-1] in ("or", "nor") and len(between) <= _OF_ONE_NOT:
                return not _breaks(utterance, mark.last, first)  # "not puffy or bleeding"
    return False


_OF_ONE_NOT = 3  # tokens between a 'not' and the second of two qualities that it denies


_SEEMING = frozenset(
    ["look", "seem", "appear", "feel", "sound", "perfectly", "entirely", "completely", "fully",
     "any", "that", "so", "looking", "particularly", "visibly", "think", "believe"]
)  # fmt: skip


def _no_before(utterance: Utterance, first: int, spots: Sequence[Spot]) -> bool:
    for mark in reversed(utterance.marked("negation")):
        if _takes_back(utterance, mark) and mark.last + 1 != first:
            continue
        if mark.last >= first:
            if mark.first < first <= mark.last:
                return True  # the phrase of denial takes in the sign's first word
            continue
        if _reaches(utterance, mark, first, spots):
            return True
    return False


def _takes_back(utterance: Utterance, negation: Mark) -> bool:
    """Whether the 'no' belongs to a correction: "equal, no wait, it is decreased"."""
    return any(
        mark.first <= negation.first and negation.last <= mark.last and mark.last > mark.first
        for mark in utterance.marked("slip", "replace")
    )


def _reaches(utterance: Utterance, mark: Mark, first: int, spots: Sequence[Spot]) -> bool:
    light = word_lists().light
    readings = [spot for spot in spots if spot.role == "reading" and mark.last < spot.first < first]
    covered = {place for spot in readings for place in range(spot.first, spot.last + 1)}
    names = {
        place
        for spot in spots
        if spot.role in ("name", "site")
        for place in range(spot.first, spot.last + 1)
    }
    foreign = 0
    begun = False
    for place in range(mark.last + 1, first):
        word = utterance.tokens[place].text
        if any(turn.first <= place <= turn.last for turn in utterance.marked("but", "except")):
            return False
        joined = word in _JOINERS or (place > 0 and utterance.tokens[place - 1].after == "weak")
        if place in covered:
            begun = True
            continue
        if place in names:
            if begun and not _joined_before(utterance, place):
                return False
            continue
        if joined or word in light:
            continue
        foreign += 1
        if foreign > _MOST_FOREIGN:
            return False
    # After a list has begun, what is not joined to it stands by itself
    # ("no swelling crackles at the base").
    if begun and not _joined_before(utterance, first):
        between = _words_since(readings, utterance, first)
        return not between and len({spot.first for spot in readings}) < 4
    return True


def _words_since(readings: Sequence[Spot], utterance: Utterance, first: int) -> list[str]:
    last = max(spot.last for spot in readings)
    light = word_lists().light
    return [token.text for token in utterance.tokens[last + 1 : first] if token.text not in light]


def _joined_before(utterance: Utterance, place: int) -> bool:
    """Whether a list goes on at ``place``: 'or', 'and' or a comma up to two words before."""
    for before in range(place - 1, max(-1, place - 4), -1):
        token = utterance.tokens[before]
        if token.text in _JOINERS or token.after == "weak":
            return True
        if token.text not in word_lists().light:
            return False
    return False


def _denied_after(utterance: Utterance, last: int, spots: Sequence[Spot]) -> bool:
    light = word_lists().light
    unsure = utterance.marked("unsure")
    for mark in utterance.marked("after_negation"):
        if any(one.first <= mark.first <= one.last for one in unsure):
            continue  # "crackles, not really sure"
        if not last < mark.first <= last + 5 or _of_the_next(utterance, last, mark):
            continue
        ends = utterance.tokens[mark.last].text != "not" and mark.last + 1 < len(utterance.tokens)
        if utterance.tokens[mark.first].text in _ENDING and ends:
            continue  # "crackles, I do not hear a wheeze" denies what follows
        if utterance.tokens[mark.first].text in (_THOSE | _ENDING) and any(
            spot.role == "reading" and spot.first == mark.last + 1 for spot in spots
        ):
            continue  # "swelling, they are not tender"
        between = range(last + 1, mark.first)
        sites = {
            place
            for spot in spots
            if spot.role == "site"
            for place in range(spot.first, spot.last + 1)
        }
        if _breaks(utterance, last, mark.first) or any(
            spot.role == "reading" and spot.first in between and spot.first not in sites
            for spot in spots
        ):
            continue
        if all(utterance.tokens[p].text in light or p in sites for p in between):
            return True
    return False


_THOSE = frozenset(["they", "these"])
_ENDING = frozenset(["i", "we", "neither"])


def _of_the_next(utterance: Utterance, last: int, mark: Mark) -> bool:
    """Whether a 'none' goes with the side after it ("oedema on the left, none on the right")."""
    if utterance.tokens[mark.first].text != "none":
        return False
    sides = [one.first for one in utterance.marked("left", "right")]
    return any(last < place < mark.first for place in sides) and any(
        mark.last < place <= mark.last + 3 for place in sides
    )


def _breaks(utterance: Utterance, first: int, last: int) -> bool:
    return any(token.after for token in utterance.tokens[first:last])


def hedged(utterance: Utterance, first: int, last: int) -> bool:
    """Whether a hedge stands in the clause around the places."""
    return any(
        mark.first <= last + 3 and mark.last >= first - 6 for mark in utterance.marked("hedge")
    )
