"""What happens in an utterance, in the order of its words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from dictate.exam.catalogue import Catalogue
from dictate.findings.claims import best_of, clusters, is_brief, joined_claims, reading_claims
from dictate.findings.event import Event, Kind
from dictate.findings.finding import Choice, Level
from dictate.findings.measures import measures_of
from dictate.findings.scene import (
    MOST_FOREIGN,
    SOME,
    Scene,
    affirmable,
    is_none,
    others_of_kind,
    reading_felt,
)
from dictate.findings.scopes import denied
from dictate.findings.spotting import Spot
from dictate.findings.strange import is_stray
from dictate.findings.values import value_fits
from dictate.talk.lexicon import compared, word_lists
from dictate.talk.numbers import is_courtesy
from dictate.talk.utterance import Mark, Utterance

_MOST_STRANGE = 1  # strange words near a result that nothing names
_PARTICLES = frozenset(["up", "down", "out", "off", "in", "over", "gone"])
_STATING = frozenset(["is", "does", "do", "can", "did", "right"])


def events_of(scene: Scene) -> list[Event]:
    """Everything that happens in the utterance, sorted by place."""
    at = scene.utterance.start
    events: list[Event] = []
    # A labelled partner replies; what they say is no instruction and no report.
    partner = scene.speaker == "partner"
    busy: set[int] = set()
    kinds: tuple[Kind, ...] = ("question", "act")
    for kind in kinds:
        group_spots = [] if partner else [s for s in scene.spots if s.role == kind]
        for group in clusters(group_spots):
            spot = best_of(group, scene.context, at, scene.catalogue)
            if _of_nobody(scene, spot, group) or (kind == "act" and _not_sensed(scene, spot)):
                continue
            if kind == "act" and spot.weight <= 2 and _is_talk(scene, spot):
                continue
            if spot.weight == 1 and len(scene.heavy()) > MOST_FOREIGN:
                continue  # one word proves no act in a longer sentence
            if any(place in busy for place in range(spot.first, spot.last + 1)):
                continue
            alike = {one.item for one in group if one.weight >= spot.weight}
            events.append(Event(spot.first, kind, spot.last, spot=spot, shared=len(alike) > 1))
            busy.update(range(spot.first, spot.last + 1))
    events += _trial_answers(scene, busy)
    answered = {
        place
        for event in events
        if event.kind == "answer"
        for place in range(event.place, event.last + 1)
    }
    polite = {
        place
        for mark in scene.utterance.marked("courtesy")
        for place in range(mark.first, mark.last + 1)
    }
    passing = _counted_in_passing(scene)
    readings = [
        spot
        for spot in scene.spots
        if spot.role == "reading"
        and not (set(range(spot.first, spot.last + 1)) <= polite or spot.first in passing)
        and not any(p in busy or p in answered for p in range(spot.first, spot.last + 1))
        and not _repeats(scene, spot)
        and not _only_named(scene, spot)
        and not _within_denial(scene, spot)
        and not _is_verb(scene, spot)
    ]
    if busy:
        # "Hold your arms out": the verb that opens an instruction is no result.
        opening = scene.first_heavy()
        readings = [spot for spot in readings if not (spot.weight == 1 and spot.first == opening)]
    taken: set[int] = set(busy)
    won: list[Spot] = []
    for group in clusters(readings):
        naming = _naming_after(scene, won)
        before = group[0].first - 1
        joined = before >= 0 and scene.utterance.tokens[before].text in _LISTED
        if joined:
            # "No guarding or rigidity": a list of results, each of its own item
            own = {spot.item for spot in group}
            naming = [name for name in naming if name.item in own or not _told_of(name, won)]
        listed = any(spot.last == group[0].first - 2 for spot in won)
        for spot in _winners(scene, group, naming, joined and listed):
            events.append(Event(spot.first, "result", spot.last, spot=spot))
            taken.update(range(spot.first, spot.last + 1))
            won.append(spot)
    for place, last, measured in measures_of(
        scene.utterance,
        [spot for spot in scene.spots if spot.role != "reading" or spot in won],
        (busy - _set_while_told(scene, events)) | set(scene.quiet),
        scene.context,
        scene.catalogue,
        scene.strange,
        scene.unclear,
    ):
        if place in answered:
            continue
        events.append(Event(place, "measure", last, measured=measured))
        taken.update(range(place, last + 1))
    events = [one for one in events if not _said_by_grade(scene, one, events)]
    if not events and not partner:
        events += _denied_names(scene)
    events += _generic_events(scene, taken, partner)
    events += _talk_marks(scene, busy, taken)
    if not any(event.kind == "same" for event in events):
        events += _also(scene)
    if not events and not partner:
        events += _some(scene)
    if not partner:
        events += _one_after_all(scene, events) or _perceived(scene, events)
    return sorted(events, key=lambda event: (event.place, event.kind != "replace", event.last))


def _set_while_told(scene: Scene, events: Sequence[Event]) -> set[int]:
    """Places of numbers that an instruction sets its own item to ("lie back to thirty degrees")."""
    return {
        place
        for event in events
        if event.kind == "act" and event.spot is not None
        for number in scene.utterance.numbers
        if number.unit is not None and event.place <= number.first and number.last <= event.last
        if value_fits(scene.catalogue.items[event.spot.item], number, scene.catalogue)
        for place in range(number.first, number.last + 1)
    }


_NEXT_TO_GRADE = 4  # tokens between a grade and the word that only says it again
_PLAIN = frozenset(["palpable", "present", "pitting", "full", "strong", "normal", "felt", "brisk"])


def _said_by_grade(scene: Scene, event: Event, events: Sequence[Event]) -> bool:
    """Whether a result says no more than the grade beside it ("trace pitting", "good two plus")."""
    if event.kind != "result" or event.spot is None:
        return False
    item = scene.catalogue.items[event.spot.item]
    if item.kind not in ("grade", "quantity") or event.spot.detail not in _PLAIN:
        return False
    return any(
        other.kind == "measure"
        and other.measured[0].id == item.id
        and -_NEXT_TO_GRADE <= other.place - event.last <= _NEXT_TO_GRADE + 1
        for other in events
    )


def _counted_in_passing(scene: Scene) -> set[int]:
    """The places of numbers that are no values, and the place after ("three big breaths")."""
    tokens = [token.text for token in scene.utterance.tokens]
    return {
        place
        for number in scene.utterance.numbers
        if is_courtesy(tokens, number)
        for place in range(number.first, number.last + 2)
    }


def _naming_after(scene: Scene, won: Sequence[Spot]) -> list[Spot]:
    """The names that can still back a result: none that was part of another item's result."""
    return [
        name
        for name in scene.naming
        if name.role != "name"
        or not any(
            spot.first <= name.first and name.last <= spot.last and spot.item != name.item
            for spot in won
        )
    ]


_LISTED = ("or", "and", "nor")


def _told_of(name: Spot, won: Sequence[Spot]) -> bool:
    """Whether a name is no more than the word of its own result ("guarding")."""
    return name.role == "name" and any(
        spot.item == name.item and spot.first <= name.first and name.last <= spot.last
        for spot in won
    )


def _winners(
    scene: Scene, group: Sequence[Spot], naming: Sequence[Spot], listed: bool = False
) -> list[Spot]:
    strange = scene.strange_to(
        spot.item
        for spot in group
        if scene.catalogue.items[spot.item].region == scene.context.region
    )
    claims = reading_claims(
        group,
        naming,
        scene.utterance,
        scene.context,
        scene.catalogue,
        [spot for spot in scene.spots if spot.role == "site"],
        scene.asked,
        headings=scene.headings,
        strange=bool(scene.strange),
        understood=not (strange or scene.asked or scene.sought or _does(scene)),
        telling=scene.telling,
        listed=listed,
    )
    winners: list[Spot] = []
    taken: set[int] = set()
    for claim in claims:
        if claim.named is None and (_is_stray(scene, claim.spot) or _elsewhere(scene, claim.spot)):
            continue
        places = set(range(claim.spot.first, claim.spot.last + 1))
        if places & taken:
            continue
        taken |= places
        winners.append(claim.spot)
        winners += [other.spot for other in joined_claims(claim, claims, scene.utterance, naming)]
    return winners


def _does(scene: Scene) -> bool:
    """Whether the utterance tells the partner to do something, or soothes."""
    return any(spot.role == "act" for spot in scene.spots) or _SOOTHING.issuperset(
        token.text for token in scene.utterance.tokens
    )


_SOOTHING = frozenset(["nice", "and", "easy", "gentle", "gently", "slow", "slowly", "still"])


def _elsewhere(scene: Scene, spot: Spot) -> bool:
    """Whether one word, while another region's item is in hand, would be a result of elsewhere."""
    topic = scene.topic_item()
    region = scene.catalogue.items[spot.item].region
    named = {
        scene.catalogue.items[name.item].region for name in scene.names if name.last < spot.first
    }
    if spot.alone and _whole_body(scene.catalogue, region):
        return False  # "extremities warm, no cyanosis, clubbing or edema"
    if spot.weight == 1 and named and region not in {*named, scene.context.region}:
        return True  # "knees no swelling no crackling": not in the lungs
    return (
        spot.weight == 1
        and topic is not None
        and topic.region != region
        and not is_brief(scene.utterance, [spot])
    )


def _whole_body(catalogue: Catalogue, region: str) -> bool:
    return any(one.whole_body for one in catalogue.regions if one.region == region)


def _is_stray(scene: Scene, spot: Spot) -> bool:
    """Whether a result without a name is about something that is not examined."""
    most = _MOST_STRANGE + (spot.alone and spot.weight > 1)
    if spot.weight == 1 and scene.utterance.tokens[spot.last].text in _PARTICLES:
        most = 0  # "while I set this up"
    if is_stray(scene.utterance, scene.strange, spot.first, spot.last, most):
        return True
    # "A clean tongue blade", "big breaths": a quality of what another region knows.
    region = scene.catalogue.items[spot.item].region
    following = [name for name in scene.names if name.first == spot.last + 1]
    return (
        bool(following)
        and not scene.utterance.tokens[spot.last].after
        and all(scene.catalogue.items[name.item].region != region for name in following)
    ) or (spot.weight == 1 and _gone(scene, spot))


def _gone(scene: Scene, spot: Spot) -> bool:
    """Whether a strange thing has it: "one of the bulbs has gone"."""
    before = scene.utterance.tokens[spot.first - 1].text if spot.first > 1 else ""
    return before in ("has", "have", "had") and spot.first - 2 in scene.strange


_WITH_PARTICLE = frozenset(
    ["sit", "stand", "get", "lie", "lay", "wake", "hold", "keep", "open", "push", "pull", "pop",
     "pick", "put", "roll", "turn", "cover", "look", "looking", "close", "wash", "write", "set",
     "pack", "bend", "lift", "speak", "come", "hurry", "catch", "finish", "sitting", "lying"]
)  # fmt: skip


_ORDERING = frozenset(["hold", "put", "keep", "stretch", "lay", "rest", "tuck", "turn", "cross"])
_WHOSE = frozenset(["your", "both", "those", "these"])
_ASKED_FOR = (["please"], ["for", "me"], ["for", "me", "please"], ["on", "the", "floor"])
_POSING = frozenset(["lie", "lay", "sit", "stand", "stay", "keep", "hold", "go", "be", "hang"])
_POSED = frozenset(["flat", "still", "straight", "upright", "tall", "loose", "floppy", "steady",
                    "open", "closed", "relaxed", "limp", "soft", "quiet"])  # fmt: skip


def _is_verb(scene: Scene, spot: Spot) -> bool:
    """Whether the word is what is about to be done, or how it is done meanwhile.

    "Let me warm this up"; "while you are sitting comfortably".
    """
    words = [token.text for token in scene.utterance.tokens]
    if spot.first > 1:
        if words[spot.first - 2] in _ORDERING and words[spot.first - 1] in _WHOSE:
            return True  # "hold your hands out"
    if (spot.weight > 1 or spot.first > 0) and words[spot.last] in _POSED:
        if words[spot.last + 1 :] in _ASKED_FOR:
            return True  # "so feet flat please"
    if spot.weight == 1 and spot.first > 0:
        if words[spot.first - 1] in ("will", "would", "shall"):
            return True  # "first i will tap"
        if words[spot.first] in _POSED and words[spot.first - 1] in _POSING:
            return True  # "lie flat for me"
    if (
        spot.weight == 1
        and scene.utterance.tokens[spot.first].text in _PARTICLES
        and spot.first > 0
        and scene.utterance.tokens[spot.first - 1].text in _WITH_PARTICLE
    ):
        return True  # "you can sit up"
    if "while" in [t.text for t in scene.utterance.tokens[max(0, spot.first - 3) : spot.first]]:
        return True
    return spot.weight == 1 and any(
        mark.last + 1 == spot.first and scene.utterance.tokens[mark.last].text == "me"
        for mark in scene.utterance.marked("opener")
    )


def _within_denial(scene: Scene, spot: Spot) -> bool:
    """Whether the words are those of not seeing or hearing themselves ("cannot see")."""
    return any(
        mark.first <= spot.first and spot.last <= mark.last and mark.last > mark.first
        for mark in scene.utterance.marked("negation", "cannot")
    ) or any(
        mark.first < spot.first <= spot.last <= mark.last
        for mark in scene.utterance.marked("after_negation")
        if scene.utterance.tokens[mark.first].text == "nil"
    )


_NAMED_THINGS = frozenset(["nodes", "glands"])


def _only_named(scene: Scene, spot: Spot) -> bool:
    """Whether a sign's word is just part of the item's name ("axillary nodes not tender")."""
    reading = scene.catalogue.items[spot.item].reading(spot.detail)
    words = {token.text for token in scene.utterance.tokens[spot.first : spot.last + 1]}
    if not words <= _NAMED_THINGS or not any(
        name.item == spot.item
        and name.first <= spot.first
        and spot.last <= name.last
        and name.last - name.first > spot.last - spot.first
        for name in scene.names
    ):
        return False
    return not denied(scene.utterance, spot.first, spot.last, reading.status, scene.spots)


def _repeats(scene: Scene, spot: Spot) -> bool:
    """Whether a 'same' takes over the first side's result and is no result by itself."""
    topic = scene.topic_item()
    if topic is None or topic.sides != "paired":
        return False
    same = [
        place
        for mark in scene.utterance.marked("same")
        for place in range(mark.first, mark.last + 1)
    ]
    placed = {
        scene.utterance.tokens[place].text
        for site in scene.spots
        if site.role == "site" and site.item == topic.sites
        for place in range(site.first, site.last + 1)
    }
    heavy = [word for word in scene.heavy() if word not in placed]
    if spot.item != topic.id and len(heavy) <= 1 and spot.first in same:
        return True  # "the same", "middles same": of what is in hand
    of_another = others_of_kind(scene, topic, spot.first) and any(
        one.level is Level.MEASURED for one in scene.book.of_item(topic.id)
    )
    if not of_another:
        if any(s.side == "both" for s in scene.said) or not (scene.said or scene.flip):
            return False
    return any(
        mark.first <= spot.first and spot.last <= mark.last
        for mark in scene.utterance.marked("same")
    )


def _not_sensed(scene: Scene, spot: Spot) -> bool:
    """Whether the act is what could not be sensed ("I cannot feel the thyroid")."""
    return any(
        mark.first < spot.first <= mark.last
        for mark in scene.utterance.marked("negation", "cannot")
    )


def _of_nobody(scene: Scene, chosen: Spot, group: Sequence[Spot]) -> bool:
    """Whether an act fits several regions alike, and not the one in hand ("lean forward")."""
    if scene.context.region is None or scene.utterance.start - scene.context.topic_at > 60:
        return False
    if any(spot.item == chosen.item for spot in scene.names):
        return False
    regions = {
        scene.catalogue.items[spot.item].region for spot in group if spot.weight >= chosen.weight
    }
    return len(regions) > 1 and scene.context.region not in regions


def _is_talk(scene: Scene, act: Spot) -> bool:
    """Whether two words of an instruction stand in a sentence about something else."""
    return is_stray(scene.utterance, scene.strange, act.first, act.last, _MOST_STRANGE)


def _trial_answers(scene: Scene, busy: set[int]) -> list[Event]:
    """What the partner calls out while sharp and dull (or the like) are being tried."""
    topic = scene.topic_item()
    if topic is None or topic.kind != "trials" or scene.speaker == "examiner":
        return []
    tokens = scene.utterance.tokens
    answers = {answer.lower() for answer in topic.answers}
    question = scene.context.open_question(scene.utterance.start)
    if question is not None and question.item == topic.id and question.about is not None:
        if not (question.from_act or question.implied):
            answers -= {"yes", "no"}  # the reply to "did that feel the same"
    light = word_lists().light
    places = [
        place
        for place, token in enumerate(tokens)
        if token.text in answers
        and place not in busy
        and place not in scene.quiet
        and not _tells_answer(scene, topic.id, place)
    ]
    if not places:
        return []
    texts = [token.text for token in tokens]
    if is_stray(scene.utterance, scene.strange, places[0], places[-1], _MOST_STRANGE):
        return []
    if any(texts[one + 1] in ("or", "and", "versus") for one in places if one + 1 < len(texts)):
        return []
    others = [
        token.text
        for place, token in enumerate(tokens)
        if place not in places
        and token.text not in light
        and not any(
            m.first <= place <= m.last
            for m in scene.utterance.marked(
                "yes", "no", "courtesy", "hedge", "flip", "next_place", "slip", "replace"
            )
        )
    ]
    if len(others) > len(places):
        return []
    places = _without_mended(scene, places, topic.answers)
    told = {one.side for one in scene.said}
    sites = [spot for spot in scene.spots if spot.role == "site" and spot.item == topic.sites]
    if len(told) < _SEVERAL and len({spot.detail for spot in sites}) < _SEVERAL:
        return [Event(places[0], "answer", places[-1], measured=tuple(texts[p] for p in places))]
    # "Cheek right dull, left sharp": each answer has its own place.
    return [Event(place, "answer", place, measured=(texts[place],)) for place in places]


_SEVERAL = 2  # sides or sites of which the answers are told apart


def _without_mended(scene: Scene, places: list[int], answers: Sequence[str]) -> list[int]:
    """The answers without those taken back at once ("sharp, no, dull")."""
    if "no" in {answer.lower() for answer in answers}:
        return places
    marks = scene.utterance.marked("slip", "replace", "no")
    return [
        place
        for place, following in zip(places, [*places[1:], -1], strict=True)
        if not any(place < mark.first and mark.last < following for mark in marks)
        or following - place > _MENDED_WITHIN
    ]


_MENDED_WITHIN = 4  # tokens from an answer to the one that takes its place


def _tells_answer(scene: Scene, item: str, place: int) -> bool:
    """Whether the examiner tells what was answered ("identifies coffee")."""
    return any(
        spot.role == "reading" and spot.item == item and spot.first < place <= spot.last
        for spot in scene.spots
    )


def _denied_names(scene: Scene) -> list[Event]:
    """'No nodes': what is denied is that the named thing is felt, seen or heard."""
    for mark in scene.utterance.marked("no", "negation"):
        if scene.utterance.tokens[mark.last].text != "no" or mark.first in scene.quiet:
            continue
        group = [
            spot
            for spot in scene.names
            if mark.last < spot.first <= mark.last + 2
            and spot.first not in scene.asked
            and not scene.only_body(spot)
            and reading_felt(scene.catalogue.items[spot.item]) == "palpable"
        ]
        if not group:
            continue
        spot = best_of(group, scene.context, scene.utterance.start, scene.catalogue)
        if scene.catalogue.items[spot.item].region != scene.context.region:
            continue
        felt = Spot("reading", spot.item, "palpable", spot.first, spot.last, spot.weight)
        return [Event(spot.first, "result", spot.last, spot=felt)]
    return []


def _generic_events(scene: Scene, taken: set[int], partner: bool) -> list[Event]:
    """'Normal' and the like, said of every name that has no result of its own yet."""
    if partner:
        return []
    events: list[Event] = []
    marks = scene.utterance.marked("normal_word", "fine_word", "abnormal_word")
    numbers = scene.utterance.numbers
    for mark in marks:
        places = range(mark.first, mark.last + 1)
        if any(_lies_in(mark, other) for other in marks):
            continue  # the "abnormal" of "nothing abnormal"
        if any(p in taken or p in scene.quiet for p in places):
            continue
        if any(place in scene.asked or place in scene.sought for place in places):
            continue
        if mark.kind == "fine_word" and any(n.first == mark.last + 1 for n in numbers):
            continue  # "a good two plus"
        status: Literal["normal", "abnormal"] = (
            "abnormal" if mark.kind == "abnormal_word" else "normal"
        )
        for spot in _names_for(scene, mark, taken):
            events.append(Event(mark.first, "generic", mark.last, spot=spot, status=status))
    return events


def _lies_in(mark: Mark, other: Mark) -> bool:
    return (
        other is not mark
        and other.first <= mark.first
        and mark.last <= other.last
        and other.last - other.first > mark.last - mark.first
    )


def _names_for(scene: Scene, mark: Mark, taken: set[int]) -> list[Spot]:
    at = scene.utterance.start
    done = [
        spot
        for spot in scene.spots
        if spot.role == "act" and spot.last == mark.first - 1 and spot.last in taken
    ]
    if done:
        # "Finger to nose intact"
        best = best_of(done, scene.context, at, scene.catalogue)
        if any(name.item == best.item for name in scene.names):
            return [best]
    edges = [place for place in taken if place < mark.first]
    since = max(edges, default=-1)
    groups = [
        group
        for group in clusters(scene.names)
        if since < group[0].first and group[-1].last < mark.first
    ]
    if not groups and mark.kind != "fine_word":
        groups = [
            group
            for group in clusters(scene.names)
            if mark.last < group[0].first <= mark.last + 3
            and not any(t.after for t in scene.utterance.tokens[mark.last : group[0].first])
        ][:1]
        groups += _joined_to(scene, groups)
    plain = [group for group in groups if not all(scene.only_body(one) for one in group)]
    if plain:
        groups = plain
    elif groups and _place_of_topic(scene, groups):
        topic = scene.topic_item()
        assert topic is not None
        return [Spot("name", topic.id, "", mark.first, mark.last, 1)]
    chosen = [
        one
        for group in groups[-4:]
        for one in _all_of_name(
            scene,
            best_of(_coded(scene, group), scene.context, at, scene.catalogue),
            group,
        )
    ]
    if chosen or mark.kind == "fine_word":
        return chosen
    topic = scene.topic_item()
    if topic is not None and topic.kind == "finding" and len(scene.utterance.tokens) <= 6:
        if at - scene.context.topic_at <= 12 and not scene.names and not scene.strange:
            return [Spot("name", topic.id, "", mark.first, mark.last, 1)]
    return []


def _joined_to(scene: Scene, groups: Sequence[Sequence[Spot]]) -> list[list[Spot]]:
    """The name that an 'and' joins to the first one ("normal s one and s two")."""
    if not groups:
        return []
    last = max(spot.last for spot in groups[0])
    tokens = scene.utterance.tokens
    if [token.text for token in tokens[last + 1 : last + 2]] != ["and"]:
        return []
    joined = [group for group in clusters(scene.names) if group[0].first == last + 2]
    ends = [spot.last for group in joined for spot in group]
    return joined if ends and max(ends) == len(tokens) - 1 else []


def _all_of_name(scene: Scene, best: Spot, group: Sequence[Spot]) -> list[Spot]:
    """A mention, and what else a name of several names ("first and second sounds")."""
    words = {token.text for token in scene.utterance.tokens[best.first : best.last + 1]}
    if "and" not in words:
        return [best]
    region = scene.catalogue.items[best.item].region
    same = {
        spot.item: spot
        for spot in group
        if (spot.first, spot.last) == (best.first, best.last)
        and scene.catalogue.items[spot.item].region == region
    }
    return list(same.values())


def _place_of_topic(scene: Scene, groups: Sequence[Sequence[Spot]]) -> bool:
    """Whether body words are places of what is being done ("tone ... legs normal")."""
    topic = scene.topic_item()
    if topic is None or topic.sites is None or topic.kind != "finding":
        return False
    places = {
        place
        for spot in scene.spots
        if spot.role == "site" and spot.item == topic.sites
        for place in range(spot.first, spot.last + 1)
    }
    return all(one.first in places for group in groups for one in group)


def _talk_marks(scene: Scene, busy: set[int], taken: set[int]) -> list[Event]:
    events: list[Event] = []
    for mark in scene.utterance.marks:
        places = range(mark.first, mark.last + 1)
        if mark.first in scene.quiet or any(place in busy for place in places):
            continue
        kind: Kind | None = None
        if mark.kind in ("yes", "no", "unsure"):
            if _is_reply(scene, mark, taken):
                kind = mark.kind  # type: ignore[assignment]
        elif mark.kind == "flip" and scene.stays(mark):
            continue
        elif mark.kind in ("flip", "same", "replace", "except", "cannot"):
            kind = mark.kind  # type: ignore[assignment]
        elif mark.kind == "slip" and not _denies_sign(scene, mark):
            kind = "replace"
        elif mark.kind == "negation" and _senses(scene.utterance, mark):
            kind = "cannot"
        elif mark.kind == "not_word" and _contrasts(scene, mark):
            kind = "contrast"
        if mark.kind in ("no", "after_negation") and _denies_all(scene, mark, taken):
            kind = "none"
        if mark.kind == "yes" and _affirms(scene, mark, taken):
            kind = "affirmed"
        if kind is not None and not any(
            (one.kind, one.place) == (kind, mark.first) for one in events
        ):
            events.append(Event(mark.first, kind, mark.last, mark=mark))
    return events


def _denies_sign(scene: Scene, mark: Mark) -> bool:
    """Whether the 'no' that ends a slip denies a sign ("the lids sit well, no droop")."""
    if mark.first == mark.last or scene.utterance.tokens[mark.last].text != "no":
        return False
    return any(
        spot.role == "reading"
        and spot.first == mark.last + 1
        and scene.catalogue.items[spot.item].reading(spot.detail).status in ("present", "abnormal")
        for spot in scene.spots
    )


_ALSO = frozenset(["also", "too", "likewise"])


def _also(scene: Scene) -> list[Event]:
    """'And the left too': the result of the first side, said of the other."""
    if not (scene.said or scene.flip) or len(scene.heavy()) > 2 or scene.utterance.numbers:
        return []
    if any(spot.role in ("reading", "act", "question") for spot in scene.spots):
        return []
    for place, token in enumerate(scene.utterance.tokens):
        if token.text in _ALSO and place not in scene.quiet and place not in scene.asked:
            return [Event(place, "same", place, mark=Mark(kind="same", first=place, last=place))]
    return []


def _some(scene: Scene) -> list[Event]:
    """'A bit on the left': there is some of what was denied or found before."""
    topic = scene.topic_item()
    if topic is None or topic.kind != "finding" or not scene.utterance.tokens:
        return []
    placed = {p for one in scene.said for p in range(one.first, one.last + 1)}
    placed |= {
        place
        for spot in scene.spots
        if spot.role == "site" and spot.item == topic.sites
        for place in range(spot.first, spot.last + 1)
    }
    light = word_lists().light
    some = -1
    for place, token in enumerate(scene.utterance.tokens):
        if token.text in SOME:
            some = place if some < 0 else some
        elif place not in placed and token.text not in light:
            return []
    if some < 0 or not placed or some in scene.asked or some in scene.quiet:
        return []
    last = scene.book.last_result_of(topic.id)
    if last is None or not isinstance(last.value, Choice):
        return []
    if scene.utterance.start - last.end > _SOME_AFTER:
        return []
    known = {reading.code: reading for reading in topic.readings}
    reading = known.get(last.value.code)
    if reading is None or reading.status not in ("present", "abnormal"):
        return []
    spot = Spot("reading", topic.id, reading.code, some, some, 1)
    return [Event(some, "result", some, spot=spot)]


_SOME_AFTER = 12.0  # seconds
_IS_ONE = (["there", "is"], ["i", "feel"], ["i", "see"], ["i", "hear"], ["can", "feel"],
           ["can", "see"], ["i", "found"], ["i", "find"], ["have", "got"])  # fmt: skip
_SMALL = frozenset(["a", "just", "only", "little", "small", "tiny", "single", "wee", "old",
                    "soft", "faint", "there", "is"])  # fmt: skip


def _one_after_all(scene: Scene, events: Sequence[Event]) -> list[Event]:
    """'There is one under the jaw', after a 'no' or while it is felt for.

    What was denied just before, or what the item in hand is felt for.
    """
    tokens = [token.text for token in scene.utterance.tokens]
    for place in range(len(tokens) - 2):
        if tokens[place : place + 2] not in _IS_ONE or place in scene.asked | scene.quiet:
            continue
        last = place + 2
        while last < len(tokens) and tokens[last] in _SMALL:
            last += 1
        if tokens[last : last + 1] != ["one"] or tokens[last + 1 : last + 2] in (["of"], ["more"]):
            continue
        if any(n.first <= last <= n.last and n.last > n.first for n in scene.utterance.numbers):
            return []  # "i find only one plus"
        sign = _sign_before(scene, [one for one in events if one.place < place])
        if sign is None or any(
            name.first > last and name.item != sign.item and not scene.only_body(name)
            for name in scene.names
        ):
            return []
        return [Event(last, "result", last, spot=sign)]
    return []


_PERCEIVED = (["i", "hear"], ["i", "feel"], ["can", "hear"], ["can", "feel"], ["i", "see"],
              ["can", "see"], ["could", "hear"], ["could", "feel"])  # fmt: skip
_WHILE = frozenset(["while", "as", "so", "when", "that", "before", "if", "where", "what", "until"])
_BEFORE_THERE = frozenset(["both", "is", "are", "all", "still", "clearly", "easily"])


def _perceived(scene: Scene, events: Sequence[Event]) -> list[Event]:
    """'S one and s two both there', 'I can feel the radials': named, and there."""
    if any(event.kind in ("result", "measure", "generic", "cannot", "none") for event in events):
        return []
    tokens = [token.text for token in scene.utterance.tokens]
    names = [name for name in scene.names if name.first not in scene.quiet | scene.asked]
    names = [
        name
        for name in names
        if not scene.only_body(name)
        and name.first not in scene.sought
        and affirmable(scene.catalogue.items[name.item]) in _SENSED
        and scene.catalogue.items[name.item].region == scene.context.region
    ]
    since, place = -1, -1
    for at in range(len(tokens) - 1):
        doer = at if tokens[at] == "i" else at - 1
        if tokens[at : at + 2] in _PERCEIVED and doer >= 0 and tokens[doer] == "i":
            if doer == 0 or tokens[doer - 1] not in _WHILE:
                since, place = at + 1, at + 1
    if since < 0 and names and tokens[-1] == "there":
        row = sorted({name.last for name in names})
        if tokens[-2] in _BEFORE_THERE or row[-1] == len(tokens) - 2:
            since, place = 0, len(tokens) - 1
    if since < 0 or place in scene.asked | scene.quiet | scene.sought:
        return []
    if scene.utterance.marked("negation", "not_word", "cannot", "after_negation", "hypothetical"):
        return []
    found: list[Event] = []
    for group in clusters([name for name in names if name.first >= since]):
        name = best_of(group, scene.context, scene.utterance.start, scene.catalogue)
        code = affirmable(scene.catalogue.items[name.item])
        assert code is not None
        spot = Spot("reading", name.item, code, name.first, name.last, name.weight)
        found.append(Event(name.first, "result", name.last, spot=spot))
    return found


_SENSED = ("heard", "felt", "present", "palpable")


def _sign_before(scene: Scene, before: Sequence[Event]) -> Spot | None:
    """The sign that an 'is one' is about: one denied before, or what the topic is felt for."""
    place = len(scene.utterance.tokens) - 1
    for event in reversed(before):
        if event.kind == "result" and event.spot is not None:
            reading = scene.catalogue.items[event.spot.item].reading(event.spot.detail)
            if reading.status in ("present", "abnormal"):
                return Spot("reading", event.spot.item, reading.code, place, place, 1)
            return None
    topic = scene.topic_item()
    if topic is None or topic.kind != "finding" or any(e.spot is not None for e in before):
        return None
    last = scene.book.last_result_of(topic.id)
    code = reading_felt(topic)
    if last is not None and isinstance(last.value, Choice) and last.value.denied:
        if scene.utterance.start - last.end <= _SOME_AFTER:
            code = last.value.code
    known = {reading.code: reading for reading in topic.readings}
    if code not in known or known[code].status not in ("present", "abnormal"):
        return None
    return Spot("reading", topic.id, code, place, place, 1)


_BEFORE_SIDE = frozenset(["on", "the", "in", "at", "over", "so", "much"])


def _contrasts(scene: Scene, mark: Mark) -> bool:
    """Whether a 'not' takes the other side out: "heard right, not left", "and the right is not"."""
    tokens = [token.text for token in scene.utterance.tokens]
    if not any(spot.role == "reading" and spot.last < mark.first for spot in scene.spots):
        return False
    place = mark.last + 1
    while place < len(tokens) and tokens[place] in _BEFORE_SIDE:
        place += 1
    if place == len(tokens):
        return any(0 < mark.first - one.last <= 3 for one in scene.said)
    if not any(one.first == place and one.side in ("left", "right") for one in scene.said):
        return False
    return not any(
        spot.role == "reading" and place < spot.first <= place + 2 for spot in scene.spots
    )


def _denies_all(scene: Scene, mark: Mark, taken: set[int]) -> bool:
    """Whether a 'none' or 'nothing' is itself the result of a side, a place or a name."""
    if not is_none(scene.utterance, mark) and not _ends_with_no(scene, mark):
        return False
    if mark.first in taken or mark.first in scene.asked or mark.first in scene.sought:
        return False
    if any(
        one.first <= mark.first <= one.last and one.last > one.first
        for one in scene.utterance.marked("normal_word", "negation")
    ):
        return False
    question = scene.context.open_question(scene.utterance.start)
    if question is not None and not question.answered:
        if not (question.implied or (question.again and is_none(scene.utterance, mark))):
            return False
    return bool(
        scene.said
        or scene.flip
        or any(spot.role in ("site", "name") and spot.last < mark.first for spot in scene.spots)
        or _found_nothing(scene, mark)
    )


_THERE = frozenset(["there", "here", "at", "all", "to", "feel", "either", "under", "in", "on"])
_SEARCHED = 12.0  # seconds


def _found_nothing(scene: Scene, mark: Mark) -> bool:
    """Whether 'nothing there' tells of what was just felt for ("i am feeling for lumps")."""
    topic = scene.topic_item()
    if topic is None or reading_felt(topic) is None or scene.speaker == "partner":
        return False
    done = [one for one in scene.book.of_item(topic.id) if one.level is Level.PERFORMED]
    if not done or scene.utterance.start - done[-1].end > _SEARCHED:
        return False
    light = word_lists().light
    return all(
        mark.first <= place <= mark.last or token.text in light or token.text in _THERE
        for place, token in enumerate(scene.utterance.tokens)
    )


def _ends_with_no(scene: Scene, mark: Mark) -> bool:
    """Whether a 'no' at the end is all that is said of a name, a side or a place ("spleen no")."""
    tokens = scene.utterance.tokens
    if mark.first != mark.last or mark.last != len(tokens) - 1 or tokens[mark.last].text != "no":
        return False
    if mark.kind != "no" or scene.speaker == "partner":
        return False
    if any(spot.role in ("reading", "question", "act") for spot in scene.spots):
        return False  # "sore no" is a question with its reply
    told = {
        place
        for spot in scene.spots
        if spot.role in ("name", "site")
        for place in range(spot.first, spot.last + 1)
    }
    told |= {place for one in scene.said for place in range(one.first, one.last + 1)}
    light = word_lists().light
    return all(
        place in told or token.text in light for place, token in enumerate(tokens[: mark.first])
    )


def _affirms(scene: Scene, mark: Mark, taken: set[int]) -> bool:
    """Whether a 'yes' is the result of the name before it ("finger rub left yes")."""
    if mark.last != len(scene.utterance.tokens) - 1 or mark.first in taken or scene.asked:
        return False
    if _side_and_yes(scene):
        return True
    return any(
        spot.last < mark.first and affirmable(scene.catalogue.items[spot.item]) is not None
        for spot in scene.names
    ) and not any(spot.role in ("act", "question", "reading") for spot in scene.spots)


def _side_and_yes(scene: Scene) -> bool:
    """Whether the other side is told by a side and 'yes' ("red reflex left yes", "right yes")."""
    topic = scene.topic_item()
    if topic is None or not scene.said or len(scene.heavy()) > 1 or scene.speaker == "partner":
        return False
    code = affirmable(topic)
    return code is not None and any(
        isinstance(one.value, Choice) and one.value.code == code and not one.value.denied
        for one in scene.book.results_of(topic.id)
    )


def _is_reply(scene: Scene, mark: Mark, taken: set[int]) -> bool:
    tokens = scene.utterance.tokens
    if any(place in taken for place in range(mark.first, mark.last + 1)):
        return False
    if mark.kind == "no":
        if any(mends(scene, mark) for mends in (_number_mends, _mends_side, _mends)):
            return False
        # 'no' before a noun denies it; a reply stands by itself.
        following = tokens[mark.last + 1] if mark.last + 1 < len(tokens) else None
        alone = (
            following is None
            or bool(tokens[mark.last].after)
            or any(number.first == mark.last + 1 for number in scene.utterance.numbers)
            or any(
                other.first == mark.last + 1
                for other in scene.utterance.marked(
                    "yes", "no", "courtesy", "flip", "next_place", "slip"
                )
            )
            or _gives_reason(scene, mark)
        )
        if not alone:
            return False
    light = word_lists().light
    words = {token.text for token in tokens[mark.first : mark.last + 1]}
    if words & _STATING and mark.last < len(tokens) - 1:
        # "There is", "it is not" reply by themselves; else they begin a statement.
        rest = scene.utterance.marked(mark.kind, "courtesy", "flip")
        if not any(other.first == mark.last + 1 for other in rest):
            return False
    before = [token.text for token in tokens[: mark.first]]
    if all(word in light for word in before):
        return True
    # In the run of an unpunctuated question: reply after it.
    return any(place < mark.first for place in scene.asked) or any(
        spot.role in ("question", "reading", "act") and spot.last < mark.first
        for spot in scene.spots
    )


_REASONS = (["just"], ["only"], ["it", "just"], ["it", "only"], ["it", "was", "just"],
            ["it", "is", "just"], ["that", "just"], ["that", "is", "just"])  # fmt: skip


def _gives_reason(scene: Scene, mark: Mark) -> bool:
    """Whether a 'no' that answers a question goes on ("no, just ticklish", "no, it just tickles").

    Nothing that is examined may follow, or it would be denied.
    """
    question = scene.context.open_question(scene.utterance.start)
    if question is None or question.answered or mark.first > 0:
        return False
    following = [token.text for token in scene.utterance.tokens[mark.last + 1 :]]
    return any(following[: len(words)] == words for words in _REASONS) and not any(
        spot.role == "reading" and scene.catalogue.items[spot.item].region == scene.context.region
        for spot in scene.spots
    )


def _number_mends(scene: Scene, mark: Mark) -> bool:
    """Whether a 'no' only takes the number before back ("left one", "no, two")."""
    question = scene.context.open_question(scene.utterance.start)
    topic = scene.topic_item()
    return (
        topic is not None
        and topic.kind in ("grade", "quantity", "pressure", "ratio")
        and (question is None or question.implied or question.from_act)
        and any(number.first == mark.last + 1 for number in scene.utterance.numbers)
    )


def _mends(scene: Scene, mark: Mark) -> bool:
    """Whether a 'no' takes back a number ("sixty, no hang on, sixty five") or states what follows.

    "Big breath in, and no, I cannot get the liver edge"
    """
    if any(
        other.first <= mark.first and mark.last <= other.last and other.last > mark.last
        for other in scene.utterance.marked("slip", "replace")
    ) and any(number.first > mark.last for number in scene.utterance.numbers):
        return True
    done = any(spot.role == "act" and spot.last < mark.first for spot in scene.spots)
    return done and any(name.first > mark.last for name in scene.names)


def _mends_side(scene: Scene, mark: Mark) -> bool:
    """Whether a 'no' stands between two sides ("droop of the left, no, right eyelid")."""
    sides = scene.utterance.marked("left", "right")
    return any(0 < mark.first - one.last <= 2 for one in sides) and any(
        0 < one.first - mark.last <= 2 for one in sides
    )


def _coded(scene: Scene, group: Sequence[Spot]) -> Sequence[Spot]:
    """Those of a group that are called so, else those whose items have coded results, if any."""
    # "Femoral pulse normal" is of the pulse, not of the bruit that "femoral" may mean, too.
    most = max(spot.weight for spot in group)
    named = [spot for spot in group if spot.weight == most]
    items = scene.catalogue.items
    said = [
        compared(one.text) for one in scene.utterance.tokens[named[0].first : named[0].last + 1]
    ]
    titled = [
        spot
        for spot in named
        if most > 1
        and said == [compared(word) for word in items[spot.item].title.lower().split()][: len(said)]
    ]
    coded = [spot for spot in named if items[spot.item].kind == "finding"]
    return titled or coded or named


def _senses(utterance: Utterance, mark: Mark) -> bool:
    """Whether a denial is about feeling, seeing or hearing the thing itself."""
    words = {token.text for token in utterance.tokens[mark.first : mark.last + 1]}
    return bool(words & {"feel", "palpate", "hear", "find", "appreciate", "feeling", "hearing"})
