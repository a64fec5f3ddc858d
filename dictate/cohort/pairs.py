"""Agreement between learners who examined the same partner, only where they did."""

from __future__ import annotations

import sqlite3
from collections import Counter
from datetime import datetime, timedelta

from pydantic import BaseModel, ConfigDict

from dictate.cohort.agreement import Limits, Spread, limits_of_agreement, spread_within
from dictate.cohort.history import SessionRow
from dictate.cohort.kappa import Kappa, cohen_kappa, fleiss_kappa

WITHIN_DAYS = 7
"""Sessions with the same partner count as one occasion within so many days (common practice)."""

MOST_OCCASIONS = 1000
"""The newest so many are compared: more would make nothing surer, and take longer."""

FEWEST_SUBJECTS = 10
"""Below so many subjects a kappa says next to nothing (common practice)."""

_UNUSUAL = "status IN ('abnormal', 'present')"
_WITH_STATUS = "status IN ('normal', 'absent', 'abnormal', 'present')"


class NumberAgreement(BaseModel):
    """How two learners' numbers for the same partner differ.

    ``part`` is 'systolic' or 'diastolic' of a pressure, else ''; ``pairs`` are the two
    numbers, the earlier session's first. ``spread`` takes in all learners of an occasion.
    """

    model_config = ConfigDict(frozen=True)

    item: str
    part: str
    unit: str
    pairs: tuple[tuple[float, float], ...]
    limits: Limits
    spread: Spread | None


class ItemKappa(BaseModel):
    """How far learners agree on one item being as usual or not (Fleiss)."""

    model_config = ConfigDict(frozen=True)

    item: str
    kappa: Kappa


class PairKappa(BaseModel):
    """How far two learners agree over all that both of them told (Cohen)."""

    model_config = ConfigDict(frozen=True)

    first: str
    second: str
    kappa: Kappa


class Agreement(BaseModel):
    """Agreement in a cohort.

    ``occasions`` counts the partners examined by two or more learners, up to the newest
    ``MOST_OCCASIONS`` of them.
    """

    model_config = ConfigDict(frozen=True)

    occasions: int
    numbers: tuple[NumberAgreement, ...] = ()
    items: tuple[ItemKappa, ...] = ()
    pairs: tuple[PairKappa, ...] = ()


def agreement_of(connection: sqlite3.Connection, sessions: list[SessionRow]) -> Agreement:
    """Agreement over all occasions on which two or more learners examined one partner.

    Values marked as doubtful are left out: what was perhaps misheard says nothing of the
    learners. A learner counts once on an occasion, with the last session.
    """
    held = _occasions(sessions)
    if not held:
        return Agreement(occasions=0)
    names = sorted({one.learner for turns in held for one in turns})
    _rate(connection, held, {name: number for number, name in enumerate(names)})
    return Agreement(
        occasions=len(held),
        numbers=tuple(_numbers(connection)),
        items=tuple(_items(connection)),
        pairs=tuple(_pairs(connection, names)),
    )


def _rate(
    connection: sqlite3.Connection, occasions: list[list[SessionRow]], numbers: dict[str, int]
) -> None:
    """Fill the temporary tables ``examined`` (who, when) and ``rated`` (usual or not)."""
    connection.execute("DROP TABLE IF EXISTS temp.examined")
    connection.execute(
        "CREATE TEMP TABLE examined (occasion INTEGER, turn INTEGER, session INTEGER NOT NULL, "
        "learner INTEGER NOT NULL, PRIMARY KEY (occasion, turn)) WITHOUT ROWID"
    )
    connection.executemany(
        "INSERT INTO examined VALUES (?, ?, ?, ?)",
        [
            (occasion, turn, one.number, numbers[one.learner])
            for occasion, turns in enumerate(occasions)
            for turn, one in enumerate(turns)
        ],
    )
    connection.execute("DROP TABLE IF EXISTS temp.rated")
    connection.execute(
        "CREATE TEMP TABLE rated (occasion INTEGER, item INTEGER, side TEXT, site TEXT, "
        "learner INTEGER, unusual INTEGER NOT NULL, "
        "PRIMARY KEY (occasion, item, side, site, learner)) WITHOUT ROWID"
    )
    # In order of place: the last result that a learner told of an item, side and site counts.
    connection.execute(
        f"INSERT OR REPLACE INTO rated SELECT occasion, item, side, site, learner, {_UNUSUAL} "
        "FROM temp.examined CROSS JOIN told USING (session) "
        f"WHERE {_WITH_STATUS} AND NOT doubtful ORDER BY occasion, turn, place"
    )


def _occasions(sessions: list[SessionRow]) -> list[list[SessionRow]]:
    """Sessions with one partner, close in time, by different learners, in order of time."""
    by_partner: dict[str, list[SessionRow]] = {}
    for one in sessions:
        if one.started is not None and one.partner not in ("", "partner"):
            by_partner.setdefault(one.partner, []).append(one)
    occasions: list[dict[str, SessionRow]] = []
    for held in by_partner.values():
        begun: datetime | None = None
        for one in sorted(held, key=lambda row: (row.started, row.number)):
            assert one.started is not None
            if begun is None or one.started - begun > timedelta(days=WITHIN_DAYS):
                begun = one.started
                occasions.append({})
            occasions[-1][one.learner] = one
    several = [
        sorted(turns.values(), key=lambda row: (row.started, row.number))
        for turns in occasions
        if len(turns) > 1
    ]
    return sorted(several, key=lambda turns: (turns[0].started, turns[0].number))[-MOST_OCCASIONS:]


def _numbers(connection: sqlite3.Connection) -> list[NumberAgreement]:
    told: dict[tuple[str, str, str], dict[tuple[object, ...], dict[int, float]]] = {}
    for item, unit, occasion, side, site, turn, number, second in connection.execute(
        "SELECT item.name, unit, occasion, side, site, turn, number, second FROM temp.examined "
        "CROSS JOIN told USING (session) JOIN item ON item.id = told.item "
        "WHERE kind IN ('quantity', 'pressure') AND NOT doubtful AND number IS NOT NULL "
        "AND text = '' ORDER BY item.id, occasion, turn, place"
    ):
        pressure = second is not None and unit.startswith("mm[Hg]")
        parts = {"systolic": number, "diastolic": second} if pressure else {"": number}
        for part, value in parts.items():
            subject = told.setdefault((item, part, unit), {}).setdefault((occasion, side, site), {})
            subject[turn] = value
    found = []
    for (item, part, unit), subjects in told.items():
        several = [tuple(turns.values()) for turns in subjects.values() if len(turns) > 1]
        # One pair of each occasion: further pairs of it would not be independent of the first.
        pairs = tuple((turns[0], turns[1]) for turns in several)
        limits = limits_of_agreement([one for one, _ in pairs], [other for _, other in pairs])
        if limits is not None:
            spread = spread_within(several)
            found.append(
                NumberAgreement(
                    item=item, part=part, unit=unit, pairs=pairs, limits=limits, spread=spread
                )
            )
    return sorted(found, key=lambda one: (-one.limits.pairs, one.item, one.part))


def _items(connection: sqlite3.Connection) -> list[ItemKappa]:
    subjects: dict[str, list[Counter[str]]] = {}
    for item, usual, unusual, count in connection.execute(
        "SELECT item.name, usual, unusual, count(*) FROM ("
        " SELECT item, sum(1 - unusual) AS usual, sum(unusual) AS unusual"
        " FROM temp.rated GROUP BY occasion, item, side, site HAVING count(*) > 1) AS subject"
        " JOIN item ON item.id = subject.item GROUP BY item.id, usual, unusual"
    ):
        ratings = Counter({"usual": usual, "unusual": unusual})
        subjects.setdefault(item, []).extend([+ratings] * count)
    found = []
    for item, held in subjects.items():
        kappa = fleiss_kappa(held)
        if kappa is not None and kappa.subjects >= FEWEST_SUBJECTS:
            found.append(ItemKappa(item=item, kappa=kappa))
    # Where all ratings are alike there is no kappa; those come last.
    return sorted(
        found,
        key=lambda one: (one.kappa.kappa is None, one.kappa.kappa or 0.0, one.item),
    )


def _pairs(connection: sqlite3.Connection, names: list[str]) -> list[PairKappa]:
    ratings: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for first, second, one, other, count in connection.execute(
        "SELECT a.learner, b.learner, a.unusual, b.unusual, count(*) FROM temp.rated AS a "
        "JOIN temp.rated AS b ON b.occasion = a.occasion AND b.item = a.item AND b.side = a.side "
        "AND b.site = a.site AND b.learner > a.learner "
        "GROUP BY 1, 2, 3, 4"
    ):
        ratings.setdefault((first, second), []).extend([(one, other)] * count)
    found = []
    for (first, second), held in ratings.items():
        if len(held) < FEWEST_SUBJECTS:
            continue
        kappa = cohen_kappa([one for one, _ in held], [other for _, other in held])
        if kappa is not None:
            found.append(PairKappa(first=names[first], second=names[second], kappa=kappa))
    return sorted(found, key=lambda one: (-one.kappa.subjects, one.first, one.second))
