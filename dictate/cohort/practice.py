"""What a learner should practise next, from the recent sessions."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict

from dictate.cohort.courses import Due
from dictate.cohort.history import RECENT, recent_sessions, sessions_of
from dictate.errors import UserFault
from dictate.exam.course import Checklist

Kind = Literal["unspoken", "no_result", "one_side", "doubtful", "order"]

_SPOKEN_OF = 2  # sessions in which something must recur to be a habit: common practice
_WEIGHTS: dict[Kind, float] = {
    "one_side": 4.0,
    "doubtful": 3.5,
    "order": 3.0,
    "no_result": 2.5,
    "unspoken": 2.0,
}
_MOST_NAMED = 4


class Task(BaseModel):
    """One thing to practise: what, why, and how it is asked for aloud.

    ``place`` is an item or, where a whole region is meant, a region; ``side`` the side that
    is left out; ``due`` the week of the course by which it is to be mastered.
    """

    model_config = ConfigDict(frozen=True)

    kind: Kind
    place: str
    side: str = ""
    title: str
    reason: str
    aloud: str
    weight: float
    due: int | None = None


def plan(
    connection: sqlite3.Connection,
    learner: str,
    checklist: Checklist,
    *,
    schedule: Sequence[Due] = (),
    week: int | None = None,
    most: int = 6,
) -> list[Task]:
    """A short list of what to practise next, the most pressing first.

    What the course's schedule wants by ``week`` comes first; then what recurs in most of
    the recent sessions. Kinds take turns, so that a long list of items never spoken of
    does not hide a habit.

    Raises:
        UserFault: the learner has no session that can be read.
    """
    sessions = sessions_of(connection, learner)
    if not sessions:
        known = sorted({one.learner for one in sessions_of(connection)})
        near = f"; there are sessions of {', '.join(known[:8])}" if known else ""
        raise UserFault(f"There is no session of '{learner}' here{near}.")
    recent_sessions(connection, sessions)
    due = {place: one.week for one in reversed(schedule) for place in one.places}
    tasks = []
    for task in _Look(connection, checklist, len(sessions[-RECENT:])).tasks():
        wanted = due.get(task.place, due.get(task.place.partition(".")[0]))
        weight = task.weight + _urgency(wanted, week)
        tasks.append(task.model_copy(update={"due": wanted, "weight": weight}))
    return _in_turns(tasks, most)


def _urgency(wanted: int | None, week: int | None) -> float:
    if wanted is None or week is None:
        return 0.0
    return 10.0 if wanted <= week else 0.0


def _in_turns(tasks: list[Task], most: int) -> list[Task]:
    """The weightiest, but no kind a third time while another kind has something to say."""
    waiting = sorted(tasks, key=lambda task: -task.weight)
    chosen: list[Task] = []
    while waiting and len(chosen) < most:
        counts = {task.kind: sum(one.kind == task.kind for one in chosen) for task in waiting}
        fewest = min(counts.values())
        pick = next(
            task for task in waiting if counts[task.kind] < 2 or counts[task.kind] == fewest
        )
        waiting.remove(pick)
        chosen.append(pick)
    return sorted(chosen, key=lambda task: -task.weight)


class _Look:
    def __init__(self, connection: sqlite3.Connection, checklist: Checklist, recent: int) -> None:
        self._ask = connection
        self._exam = checklist.catalogue
        self._required = checklist.required
        self._recent = recent
        self._spoken: dict[str, dict[int, dict[str, int]]] = {}
        for item, session, side, level in connection.execute(
            "SELECT item.name, session, side, level FROM temp.recent "
            "JOIN spoken USING (session) JOIN item ON item.id = spoken.item"
        ):
            sessions = self._spoken.setdefault(item, {})
            sessions.setdefault(session, {})[side] = level

    def tasks(self) -> Iterator[Task]:
        yield from self._never_spoken()
        for item, sessions in self._spoken.items():
            if item in self._exam.items:
                yield from self._habits(item, sessions)
        yield from self._doubtful()
        yield from self._order()

    def _never_spoken(self) -> Iterator[Task]:
        lacking: dict[str, list[str]] = {}
        for item in self._exam.items:
            if item in self._required and item not in self._spoken:
                lacking.setdefault(item.partition(".")[0], []).append(item)
        for region, items in lacking.items():
            title = self._exam.region_of(items[0]).title
            whole = not any(item.partition(".")[0] == region for item in self._spoken)
            names = [self._exam.items[item].title.lower() for item in items]
            named = ", ".join(names[:_MOST_NAMED])
            more = len(names) - _MOST_NAMED
            named += f" and {more} more" if more > 0 else ""
            if whole:
                reason = f"nothing of this region in the last {self._sessions()}"
                aloud = f"Examine the region {title.lower()}, which you left out."
            else:
                reason = f"never spoken of in the last {self._sessions()}: {named}"
                aloud = f"In the region {title.lower()}, do not forget: {named}."
            # More lines left out weigh more, but never as much as a habit that recurs.
            weight = _WEIGHTS["unspoken"] + len(items) / (len(items) + 10)
            yield Task(
                kind="unspoken",
                place=region if whole or len(items) > 1 else items[0],
                title=title,
                reason=reason,
                aloud=aloud,
                weight=weight,
            )

    def _habits(self, item: str, sessions: dict[int, dict[str, int]]) -> Iterator[Task]:
        title = self._exam.items[item].title
        if self._exam.items[item].sides == "paired":
            for side in ("left", "right"):
                other = "right" if side == "left" else "left"
                lacks = sum(
                    other in sides and side not in sides and sides.get("?", 0) < _SPOKEN_OF
                    for sides in sessions.values()
                )
                if lacks >= _SPOKEN_OF and lacks == len(sessions):
                    yield Task(
                        kind="one_side",
                        place=item,
                        side=side,
                        title=title,
                        reason=f"always the {other} side only, {lacks} of {len(sessions)} sessions",
                        aloud=f"{title}: examine and report the {side} side too.",
                        weight=_WEIGHTS["one_side"] + lacks / self._recent,
                    )
        silent = sum(max(sides.values()) == 1 for sides in sessions.values())
        speaks = bool(self._exam.items[item].readings) or self._exam.items[item].kind != "finding"
        if silent >= _SPOKEN_OF and silent == len(sessions) and speaks:
            yield Task(
                kind="no_result",
                place=item,
                title=title,
                reason=f"performed in {silent} sessions and its result never said",
                aloud=f"{title}: say aloud what you find.",
                weight=_WEIGHTS["no_result"] + silent / self._recent,
            )

    def _doubtful(self) -> Iterator[Task]:
        for item, doubtful, told in self._ask.execute(
            "SELECT item.name, sum(doubtful), count(*) FROM temp.recent JOIN told USING (session) "
            "JOIN item ON item.id = told.item GROUP BY item.id "
            "HAVING sum(doubtful) >= ? AND 2 * sum(doubtful) >= count(*)",
            (_SPOKEN_OF,),
        ):
            if item in self._exam.items:
                title = self._exam.items[item].title
                yield Task(
                    kind="doubtful",
                    place=item,
                    title=title,
                    reason=f"{doubtful} of {told} results had to be confirmed",
                    aloud=f"{title}: say the result slowly, with its name and unit.",
                    weight=_WEIGHTS["doubtful"] + doubtful / told,
                )

    def _order(self) -> Iterator[Task]:
        rules = {rule.id: rule for rule in self._exam.checks.order}
        for rule, sessions in self._ask.execute(
            "SELECT rule, count(DISTINCT session) FROM temp.recent JOIN raised USING (session) "
            "WHERE rule LIKE 'order:%' GROUP BY rule HAVING count(DISTINCT session) >= ?",
            (_SPOKEN_OF,),
        ):
            known = rules.get(rule.partition(":")[2])
            if known is not None:
                sentence = known.sentence.rstrip(".")
                yield Task(
                    kind="order",
                    place=known.first,
                    title=self._exam.items[known.first].title,
                    reason=f"came too late in {sessions} of {self._sessions()}: {sentence}",
                    aloud=f"Mind the order. {sentence}.",
                    weight=_WEIGHTS["order"] + sessions / self._recent,
                )

    def _sessions(self) -> str:
        return "session" if self._recent == 1 else f"{self._recent} sessions"


_NUMBERS = ("nothing", "one thing", "two things", "three things")
_MOST_ALOUD = 3


def spoken_prompt(tasks: Sequence[Task]) -> str:
    """What is said before the next session: the first three tasks, a sentence each."""
    if not tasks:
        return "Nothing stands out from your last sessions. Do the whole examination."
    said = tasks[:_MOST_ALOUD]
    return " ".join(
        (f"Before you begin, {_NUMBERS[len(said)]} to practise.", *(task.aloud for task in said))
    )
