"""Numbers that repeat more than chance explains; each is a question to ask, not a verdict."""

from __future__ import annotations

import sqlite3
from collections import Counter
from typing import Literal

from pydantic import BaseModel, ConfigDict

from dictate.cohort.digest import STEADY
from dictate.cohort.history import SURPRISING
from dictate.cohort.proportions import at_least

_FEWEST = 4  # measurements by one learner: common practice
_FEWEST_OTHERS = 20  # measurements by others, to know how usual a number is: common practice
# In a rate or a pressure every session is a measurement of its own; other numbers may rightly be
# the same each time in the same partner, so each partner counts once.
_CHANGING_REGION = "vitals"
_FEWEST_LEARNERS = 3  # before a number is said to be everybody's: common practice


class Repeated(BaseModel):
    """Something that repeats.

    ``kind`` is 'number' (one learner tells the same number for ``count`` of ``total``
    measurements; ``usual`` is the share of that number among everybody else's, and
    ``chance`` the probability of as many or more, corrected for the number of learners and
    items looked at), 'cohort' (``count`` of the ``total`` measurements of a vital sign by all
    learners are the same number, clearly more than half of them; ``chance`` is the probability
    of as many or more if half were usual), 'session' (the same numbers throughout in several
    sessions) or 'sound' (the same recording handed in more than once).
    """

    model_config = ConfigDict(frozen=True)

    kind: Literal["number", "cohort", "session", "sound"]
    learners: tuple[str, ...]
    sessions: tuple[str, ...] = ()
    item: str = ""
    value: str = ""
    count: int
    total: int
    usual: float = 0.0
    chance: float = 0.0


def repetitions(connection: sqlite3.Connection) -> list[Repeated]:
    """What repeats in the cohort: recordings, whole sessions, then numbers, the rarest first."""
    return [*_same(connection, "sound"), *_same(connection, "session"), *_numbers(connection)]


def _same(connection: sqlite3.Connection, kind: Literal["session", "sound"]) -> list[Repeated]:
    column = "sound" if kind == "sound" else "fingerprint"
    found: dict[str, list[tuple[str, str, str]]] = {}
    for mark, path, learner, sound in connection.execute(
        f"SELECT {column}, path, learner, sound FROM session WHERE problem = '' AND {column} <> '' "
        f"AND {column} IN (SELECT {column} FROM session WHERE problem = '' GROUP BY {column} "
        "HAVING count(*) > 1) ORDER BY started, path"
    ):
        found.setdefault(mark, []).append((path, learner, sound))
    return [
        Repeated(
            kind=kind,
            learners=tuple(sorted({learner for _, learner, _ in held})),
            sessions=tuple(path for path, _, _ in held),
            count=len(held),
            total=len(held),
        )
        for held in found.values()
        # The same sound gives the same numbers, and that is told once.
        if kind == "sound" or len({sound for _, _, sound in held}) > 1
    ]


def _numbers(connection: sqlite3.Connection) -> list[Repeated]:
    told: dict[str, dict[str, dict[tuple[str, str, str], str]]] = {}
    for item, learner, partner, session, side, site, number, second in connection.execute(
        "SELECT item.name, learner, partner, told.session, side, site, number, second "
        "FROM told JOIN session ON session.id = told.session JOIN item ON item.id = told.item "
        "WHERE kind IN ('quantity', 'pressure') AND NOT told.doubtful AND problem = '' "
        "ORDER BY started, told.session, place"
    ):
        once = str(session) if _changing(item) else f"partner {partner}"
        value = f"{number:g}" if second is None else f"{number:g}/{second:g}"
        told.setdefault(item, {}).setdefault(learner, {}).setdefault((once, side, site), value)
    tests = 0
    found: list[Repeated] = []
    for item, by_learner in told.items():
        everybody = Counter(value for held in by_learner.values() for value in held.values())
        if _changing(item) and (shared := _everybodys(item, by_learner, everybody)):
            found.append(shared)
            tests += 1
        for learner, held in by_learner.items():
            own = Counter(held.values())
            others = everybody.total() - own.total()
            if own.total() < _FEWEST or others < _FEWEST_OTHERS:
                continue
            tests += len(own)
            value, count = own.most_common(1)[0]
            # Half a count more: a number that nobody else told is rare, not impossible.
            usual = (everybody[value] - count + 0.5) / (others + 1)
            found.append(
                Repeated(
                    kind="number",
                    learners=(learner,),
                    item=item,
                    value=value,
                    count=count,
                    total=own.total(),
                    usual=usual,
                    chance=at_least(count, own.total(), usual),
                )
            )
    corrected = [
        one.model_copy(update={"chance": min(1.0, one.chance * tests)})
        for one in found
        if one.count >= _FEWEST
    ]
    return sorted(
        (one for one in corrected if one.chance < SURPRISING),
        key=lambda one: (one.chance, one.learners, one.item),
    )


def _changing(item: str) -> bool:
    return item.startswith(f"{_CHANGING_REGION}.") and item not in STEADY


def _everybodys(
    item: str,
    by_learner: dict[str, dict[tuple[str, str, str], str]],
    everybody: Counter[str],
) -> Repeated | None:
    """A number that most measurements by most learners share, such as the same breathing rate.

    Between people a rate scatters, so that no single number should be more than half of all.
    """
    value, count = everybody.most_common(1)[0]
    learners = tuple(sorted(who for who, held in by_learner.items() if value in held.values()))
    total = everybody.total()
    if len(learners) < _FEWEST_LEARNERS or total < _FEWEST_OTHERS or 2 * count <= total:
        return None
    return Repeated(
        kind="cohort",
        learners=learners,
        item=item,
        value=value,
        count=count,
        total=total,
        usual=0.5,
        chance=at_least(count, total, 0.5),
    )
