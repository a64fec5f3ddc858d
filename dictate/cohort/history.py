"""What the index says of learners and their sessions: every query of the cohort is here."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from statistics import median

from pydantic import BaseModel, ConfigDict

from dictate.cohort.digest import Reached
from dictate.cohort.proportions import Share, at_least, wilson

RECENT = 3
"""A learner's standing is taken over so many of the last sessions (common practice)."""

SURPRISING = 0.01
"""Below this probability a count is called a habit and not chance (common practice)."""


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True)


class SessionRow(_Row):
    """One session. ``covered`` is the share of the checklist that has a result, 0 to 1."""

    number: int
    path: str
    learner: str
    partner: str
    started: datetime | None
    minutes: float
    results: int
    doubtful: int
    state: str
    course: str
    covered: float = 0.0
    errors: int = 0
    warnings: int = 0
    order_faults: int = 0


class Sides(_Row):
    """Paired items in the recent sessions by what was heard: both sides, or which one not."""

    both: int = 0
    missing_left: int = 0
    missing_right: int = 0

    @property
    def habit(self) -> str:
        """The side that is left out more often than a coin would have it; '' where none is."""
        one_sided = self.missing_left + self.missing_right
        more = max(self.missing_left, self.missing_right)
        if not one_sided or 2 * at_least(more, one_sided, 0.5) >= SURPRISING:
            return ""
        return "left" if self.missing_left == more else "right"


class Learner(_Row):
    """A learner: all sessions in order of time, and the standing over the recent ones.

    ``regions`` has for each region the furthest that its lines got in the recent
    sessions; ``begun`` the regions of which anything was heard in them.
    """

    learner: str
    sessions: tuple[SessionRow, ...]
    regions: dict[str, Reached]
    begun: frozenset[str]
    sides: Sides

    @property
    def recent(self) -> tuple[SessionRow, ...]:
        """The last sessions, over which the standing is taken."""
        return self.sessions[-RECENT:]

    @property
    def minutes(self) -> float:
        """Median length of a session in minutes."""
        return median(one.minutes for one in self.sessions)

    @property
    def doubtful(self) -> Share:
        """Share of the results in the recent sessions that a person should confirm."""
        return wilson(
            sum(one.doubtful for one in self.recent), sum(one.results for one in self.recent)
        )

    @property
    def covered(self) -> float:
        """Share of the checklist's lines that have a result in the recent sessions."""
        expected = sum(one.expected for one in self.regions.values())
        got = sum(one.reported + one.measured for one in self.regions.values())
        return got / expected if expected else 0.0

    def mean(self, name: str) -> float:
        """Mean of a count over the recent sessions."""
        return sum(int(getattr(one, name)) for one in self.recent) / len(self.recent)


class Missed(_Row):
    """An item, and how many learners left it out though they had begun its region."""

    item: str
    share: Share
    sessions: int
    sessions_in: int


def sessions_of(connection: sqlite3.Connection, learner: str = "") -> list[SessionRow]:
    """The readable sessions, by learner and time; those of one learner where one is named."""
    rows = connection.execute(
        "SELECT session.id, path, learner, partner, started, seconds, results, doubtful, state, "
        "course, covered, errors, warnings, order_faults FROM session "
        "JOIN judge ON judge.id = session.judge "
        "WHERE problem = '' AND (? = '' OR learner = ?) ORDER BY learner, started, path",
        (learner, learner),
    )
    return [
        SessionRow(
            number=number,
            path=path,
            learner=who,
            partner=partner,
            started=datetime.fromisoformat(started) if started else None,
            minutes=seconds / 60,
            results=results,
            doubtful=doubtful,
            state=state,
            course=course,
            covered=covered,
            errors=errors,
            warnings=warnings,
            order_faults=order_faults,
        )
        for (
            number, path, who, partner, started, seconds, results, doubtful, state, course,
            covered, errors, warnings, order_faults,
        ) in rows
    ]  # fmt: skip


def recent_sessions(connection: sqlite3.Connection, sessions: Sequence[SessionRow]) -> None:
    """Fill the temporary table ``recent`` with each learner's last sessions."""
    by_learner: dict[str, list[SessionRow]] = {}
    for one in sessions:
        by_learner.setdefault(one.learner, []).append(one)
    connection.execute("DROP TABLE IF EXISTS temp.recent")
    connection.execute(
        "CREATE TEMP TABLE recent (session INTEGER PRIMARY KEY, learner TEXT NOT NULL)"
    )
    connection.executemany(
        "INSERT INTO recent VALUES (?, ?)",
        [(one.number, who) for who, held in by_learner.items() for one in held[-RECENT:]],
    )


def learners_of(connection: sqlite3.Connection) -> list[Learner]:
    """Every learner with sessions and standing, in the order of their codes."""
    sessions = sessions_of(connection)
    recent_sessions(connection, sessions)
    by_learner: dict[str, list[SessionRow]] = {}
    for one in sessions:
        by_learner.setdefault(one.learner, []).append(one)
    expected = _expected_lines(connection)
    reached = _reached_lines(connection)
    return [
        Learner(
            learner=learner,
            sessions=tuple(held),
            regions=_regions(expected[held[-1].course], reached.get(learner, {})),
            begun=frozenset(item.partition(".")[0] for _, item, _ in reached.get(learner, {})),
            sides=_sides(reached.get(learner, {})),
        )
        for learner, held in by_learner.items()
    ]


def _expected_lines(connection: sqlite3.Connection) -> dict[str, frozenset[tuple[str, str]]]:
    """By course: the items and sides of its checklist, by the exam data used last."""
    lines: dict[str, dict[int, set[tuple[str, str]]]] = {}
    for course, judge, item, side in connection.execute(
        "SELECT course, judge.id, item.name, side FROM judge "
        "JOIN expected ON expected.judge = judge.id JOIN item ON item.id = expected.item"
    ):
        lines.setdefault(course, {}).setdefault(judge, set()).add((item, side))
    return {course: frozenset(held[max(held)]) for course, held in lines.items()}


_Lines = dict[tuple[int, str, str], int]
"""Level by session, item and side."""


def _reached_lines(connection: sqlite3.Connection) -> dict[str, _Lines]:
    """By learner, what was reached in the recent sessions."""
    reached: dict[str, _Lines] = {}
    for learner, session, item, side, level in connection.execute(
        "SELECT learner, session, item.name, side, level FROM temp.recent "
        "CROSS JOIN spoken USING (session) JOIN item ON item.id = spoken.item"
    ):
        reached.setdefault(learner, {})[session, item, side] = level
    return reached


def _regions(expected: frozenset[tuple[str, str]], reached: _Lines) -> dict[str, Reached]:
    best: dict[tuple[str, str], int] = {}
    for (_, item, side), level in reached.items():
        best[item, side] = max(level, best.get((item, side), 0))
    totals: Counter[str] = Counter()
    levels: Counter[tuple[str, int]] = Counter()
    for line in expected:
        region = line[0].partition(".")[0]
        totals[region] += 1
        levels[region, best.get(line, 0)] += 1
    return {
        region: Reached(
            region=region,
            expected=total,
            performed=levels[region, 1],
            reported=levels[region, 2],
            measured=levels[region, 3],
        )
        for region, total in totals.items()
    }


def _sides(reached: _Lines) -> Sides:
    """Paired items by what was heard; a result whose side was not said may be either's."""
    heard: dict[tuple[int, str], set[str]] = {}
    for (session, item, side), level in reached.items():
        if side in ("left", "right") or (side == "?" and level > 1):
            heard.setdefault((session, item), set()).add(side)
    counts = Counter(frozenset(sides) for sides in heard.values())
    return Sides(
        both=sum(count for sides, count in counts.items() if sides >= {"left", "right"}),
        missing_left=counts[frozenset({"right"})],
        missing_right=counts[frozenset({"left"})],
    )


def most_missed(
    connection: sqlite3.Connection, learners: Sequence[Learner], *, most: int = 20
) -> list[Missed]:
    """The required items that most learners left out, each learner counted once.

    A learner counts where anything of the item's region was heard in the recent sessions,
    and has missed the item where none of its sides was heard in any of them. Each learner
    is one independent observation, which the interval (Wilson's) takes for granted;
    ``sessions`` of ``sessions_in`` is the plain count over all sessions with that region.
    """
    spoken: dict[str, set[str]] = {}
    for learner, item in connection.execute(
        "SELECT DISTINCT learner, item.name FROM temp.recent JOIN spoken USING (session) "
        "JOIN item ON item.id = spoken.item"
    ):
        spoken.setdefault(learner, set()).add(item)
    required: dict[str, dict[int, set[str]]] = {}
    for course, judge, item in connection.execute(
        "SELECT DISTINCT course, judge.id, item.name FROM judge "
        "JOIN expected ON expected.judge = judge.id JOIN item ON item.id = expected.item "
        "WHERE required"
    ):
        required.setdefault(course, {}).setdefault(judge, set()).add(item)
    asked: Counter[str] = Counter()
    missed: Counter[str] = Counter()
    for one in learners:
        versions = required.get(one.sessions[-1].course, {})
        heard = spoken.get(one.learner, set())
        for item in versions[max(versions)] if versions else ():
            if item.partition(".")[0] in one.begun:
                asked[item] += 1
                missed[item] += item not in heard
    ranked = sorted(
        (item for item in asked if missed[item]),
        # The lower end: a share of few learners must be surer to stand as high.
        key=lambda item: (-wilson(missed[item], asked[item]).low, -missed[item], item),
    )[:most]
    with_region = _sessions_with_region(connection)
    with_item = _sessions_with_items(connection, ranked)
    return [
        Missed(
            item=item,
            share=wilson(missed[item], asked[item]),
            sessions=(whole := with_region.get(item.partition(".")[0], 0)) - with_item.get(item, 0),
            sessions_in=whole,
        )
        for item in ranked
    ]


def _sessions_with_region(connection: sqlite3.Connection) -> dict[str, int]:
    return dict(
        connection.execute(
            "SELECT region, count(*) FROM reached "
            "WHERE performed + reported + measured > 0 GROUP BY region"
        )
    )


def _sessions_with_items(connection: sqlite3.Connection, items: Sequence[str]) -> dict[str, int]:
    marks = ", ".join("?" * len(items))
    return dict(
        connection.execute(
            "SELECT item.name, count(DISTINCT session) FROM spoken "
            f"JOIN item ON item.id = spoken.item WHERE item.name IN ({marks}) GROUP BY item.id",
            tuple(items),
        )
    )
