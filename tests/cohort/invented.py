"""Invented digests of sessions: a cohort whose habits are known because they are put in."""

from __future__ import annotations

import hashlib
import random
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta

from dictate.cohort.digest import Digest, Expected, Judge, Raised, Reached, Spoken, Told
from tests.cohort.folders import FIRST_DAY

JUDGE = Judge(course="usual", exam_version="invented")
NUMBERS = {
    "vitals.pulse_rate": (72, 9, "/min"),
    "vitals.respiratory_rate": (15, 2, "/min"),
    "vitals.temperature": (36.8, 0.3, "Cel"),
}


def session(
    expected: tuple[Expected, ...],
    chance: random.Random,
    *,
    learner: str,
    partner: str,
    day: float,
    skill: float = 0.5,
    regions: int = 5,
    habit: dict[str, float] | None = None,
    leaves_out: frozenset[str] = frozenset(),
    missing_side: str = "",
) -> Digest:
    """A session over some neighbouring regions.

    ``skill`` is the chance that a line of the checklist is spoken of; ``habit`` fixes an
    item's number; ``leaves_out`` are items never spoken of; ``missing_side`` is left out
    whenever an item has it.
    """
    names = list(dict.fromkeys(line.item.partition(".")[0] for line in expected))
    start = chance.randrange(max(1, len(names) - regions + 1))
    inside = {"vitals", *names[start : start + regions]}
    spoken, told = [], []
    levels: dict[str, Counter[int]] = {}
    for line in expected:
        region = line.item.partition(".")[0]
        level = 0
        if (
            region in inside
            and line.item not in leaves_out
            and not (missing_side and line.side == missing_side)
            and (chance.random() < skill or line.item in NUMBERS)
        ):
            level = 3 if line.item in NUMBERS else chance.choice((1, 2, 2))
            spoken.append(Spoken(item=line.item, side=line.side, level=level))
        levels.setdefault(region, Counter())[level] += 1
        if level == 3:
            middle, deviation, unit = NUMBERS[line.item]
            number = (habit or {}).get(line.item, round(chance.gauss(middle, deviation), 1))
            told.append(
                Told(
                    item=line.item,
                    side="",
                    site="",
                    kind="quantity",
                    number=number,
                    unit=unit,
                    status="normal",
                )
            )
        elif level == 2:
            told.append(
                Told(
                    item=line.item,
                    side=line.side,
                    site="",
                    kind="choice",
                    text="clear",
                    status="normal" if chance.random() < 0.8 else "abnormal",
                    doubtful=chance.random() < 0.1,
                )
            )
    mark = hashlib.sha256(f"{learner} {partner} {day} {chance.random()}".encode()).hexdigest()
    return Digest(
        content_sha256=mark,
        judge=JUDGE,
        session_id=mark[:16],
        sound_sha256=mark[::-1],
        learner=learner,
        partner=partner,
        started=FIRST_DAY + timedelta(days=day),
        seconds=60 * chance.uniform(8, 40),
        engine="invented 1",
        state="preliminary",
        results=len(told),
        doubtful=sum(one.doubtful for one in told),
        spoken=tuple(spoken),
        told=tuple(told),
        raised=tuple(
            Raised(rule=rule, about=about, severity=severity)
            for rule, about, severity in (
                ("one_side", "eyes.pupil_size", "warning"),
                ("order:listen_first", "abdomen.bowel_sounds", "warning"),
                ("region_order", "neck", "note"),
            )
            if chance.random() < 0.4
        ),
        reached=tuple(
            Reached(
                region=region,
                expected=counts.total(),
                performed=counts[1],
                reported=counts[2],
                measured=counts[3],
            )
            for region, counts in levels.items()
        ),
        region_seconds={region: chance.uniform(20, 200) for region in sorted(inside)},
        fingerprint=hashlib.sha256(mark.encode()).hexdigest(),
    )


def cohort(
    expected: tuple[Expected, ...], sessions: int, learners: int
) -> Iterator[tuple[str, Digest]]:
    """Sessions of many learners over the weeks, each partner examined by two in a week."""
    chance = random.Random(20260105)
    for number in range(sessions):
        learner, week = number % learners, number // learners
        name = f"L{learner:04d}"
        yield (
            f"{name}/week-{week:03d}.session",
            session(
                expected,
                chance,
                learner=name,
                partner=f"P{(learner // 2 + week) % learners:04d}",
                day=7.0 * week + chance.random() * 5,
                skill=min(0.9, 0.4 + 0.02 * week),
            ),
        )
