"""The excerpts fit the catalogue, the scorer tells good from bad, and scores keep their floors."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from decimal import Decimal
from functools import lru_cache

import pytest
from excerpt_format import (
    PHENOMENA,
    STYLES,
    Excerpt,
    TrueValue,
    Truth,
    complaints,
    read_excerpts,
)
from scoring import Report, score_all, score_excerpt
from sound_alikes import sound_alikes, with_errors

from dictate.exam.catalogue import Catalogue, Item
from dictate.exam.reading import load_catalogue
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Trials,
    Value,
)
from dictate.recognition.words import HeardPhrase

LATER = tuple(f"fresh_{letter}" for letter in "abcdefgij")  # fresh_h: two styles
# A little below what was measured; raise them when the understanding gets better.
FLOORS = {
    "open": {"f1": 0.85, "results_f1": 0.84, "value": 0.97, "status": 0.97, "false": 9.5},
    "held out": {"f1": 0.77, "results_f1": 0.76, "value": 0.96, "status": 0.96, "false": 17.5},
    "fresh_b": {"f1": 0.73, "results_f1": 0.73, "value": 0.94, "status": 0.95, "false": 24.0},
    "fresh_d": {"f1": 0.72, "results_f1": 0.71, "value": 0.92, "status": 0.92, "false": 18.5},
    "fresh_i": {"f1": 0.76, "results_f1": 0.73, "value": 0.94, "status": 0.95, "false": 13.0},
    "fresh_j": {"f1": 0.77, "results_f1": 0.76, "value": 0.95, "status": 0.95, "false": 12.0},
    "open, 10% of words heard wrongly": {
        "f1": 0.76,
        "results_f1": 0.74,
        "value": 0.93,
        "status": 0.95,
        "false": 13.0,
    },
}


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    return load_catalogue()


@lru_cache(maxsize=1)
def excerpts() -> tuple[Excerpt, ...]:
    return tuple(read_excerpts())


def opened() -> list[Excerpt]:
    return [excerpt for excerpt in excerpts() if excerpt.group == "open"]


def test_excerpts_fit_the_notation_and_the_catalogue() -> None:
    found = [sentence for one in excerpts() for sentence in complaints(one, catalogue())]
    assert not found, "\n".join(found)


def test_every_style_has_enough_words_and_a_third_is_held_out() -> None:
    words: Counter[str] = Counter()
    held_out: Counter[str] = Counter()
    for excerpt in excerpts():
        words[excerpt.style] += excerpt.word_count
        held_out[excerpt.style] += excerpt.held_out
    assert len(excerpts()) >= 66
    assert {style for style in STYLES if words[style] < 2000} == set()
    assert {style for style in STYLES if held_out[style] < 3} == set()
    assert 3 * held_out.total() >= len(opened()) + held_out.total() - 2
    halves = Counter((one.group, one.style) for one in excerpts())
    assert all(halves[half, style] for half in LATER for style in STYLES)


def test_every_phenomenon_is_in_open_and_in_held_out_excerpts() -> None:
    for group in (True, False):
        present = {
            phenomenon
            for excerpt in excerpts()
            if excerpt.held_out is group
            for phenomenon in excerpt.phenomena
        }
        # Punctuated transcripts are few and none of them is held out.
        assert set(PHENOMENA) - present <= {"punctuated"}


def test_every_region_is_talked_about() -> None:
    said = {entry.item.partition(".")[0] for excerpt in excerpts() for entry in excerpt.truth}
    assert {region.region for region in catalogue().regions} <= said


def test_notation_complaints_name_what_is_wrong() -> None:
    lines = [{"t": 0, "text": "hello"}, {"t": 0, "text": "again"}]
    truth = [
        {"item": "no.such_item"},
        {"item": "ears.drum", "value": {"code": "red"}},
        {"item": "ears.drum", "side": "left", "site": "moon", "value": {"code": "nonsense"}},
        {"item": "vitals.pulse_rate", "value": {"systolic": 120, "diastolic": 80}},
        {"item": "vitals.pulse_rate", "value": {"number": 70}},
    ]
    bad = Excerpt.model_validate(
        {"style": "terse", "phenomena": ["magic"], "lines": lines, "truth": truth, "name": "bad"}
    )
    found = "\n".join(complaints(bad, catalogue()))
    for part in ("magic", "times", "no item", "side None", "moon", "nonsense", "pressure", "unit"):
        assert part in found


def findings_from(truth: Iterable[Truth]) -> list[Finding]:
    """What a program would find that understood everything as the truth has it."""
    findings = []
    for number, entry in enumerate(truth):
        item = catalogue().items[entry.item]
        level = entry.true_level or "reported"
        side = "unspecified" if entry.side == "undivided" else entry.side
        findings.append(
            Finding.model_validate(
                {
                    "id": f"f{number}",
                    "item": entry.item,
                    "side": side,
                    "site": entry.site,
                    "value": entry.value and _value(entry.value, item),
                    "status": entry.true_status(catalogue()),
                    "level": Level(level),
                    "certainty": "hedged" if entry.hedged else "sure",
                    "start": 0.0,
                    "end": 1.0,
                    "words": "",
                    "doubts": ("Two readings.",) if entry.doubtful else (),
                }
            )
        )
    return findings


def _value(value: TrueValue, item: Item) -> Value:
    if value.number is not None:
        return Quantity(
            number=value.number,
            high=value.high,
            unit=value.unit or "",
            comparator=value.comparator,
            approximate=value.approximate,
        )
    if value.systolic is not None and value.diastolic is not None:
        return Pressure(
            systolic=value.systolic, diastolic=value.diastolic, approximate=value.approximate
        )
    if value.ratio is not None:
        numerator, _, denominator = value.ratio.partition("/")
        return Ratio(
            numerator=Decimal(numerator), denominator=Decimal(denominator), letters=value.letters
        )
    if value.grade is not None:
        return Grade(grade=value.grade, scale=item.scale or "", modifier=value.modifier)
    if value.code is not None:
        return Choice(code=value.code, title="", denied=value.denied)
    if value.trials is not None:
        return Trials(answers=value.trials, right=value.right, wrong=value.wrong)
    return Text(text=value.text or "")


def test_a_program_that_finds_the_truth_scores_full_marks() -> None:
    for excerpt in excerpts():
        score = score_excerpt(excerpt, findings_from(excerpt.truth), catalogue())
        assert (score.missed, score.extra, score.false_findings, score.forbidden) == (0, 0, 0, 0)
        for share in (score.value, score.site, score.status, score.level, score.certainty):
            assert share.good == share.of


def _swap(findings: Sequence[Finding]) -> list[Finding]:
    other = {"left": "right", "right": "left"}
    return [
        one.model_copy(update={"side": other.get(one.side or "", one.side)}) for one in findings
    ]


def _deny(findings: Sequence[Finding]) -> list[Finding]:
    opposite = {
        "present": "absent",
        "absent": "present",
        "normal": "abnormal",
        "abnormal": "normal",
    }
    turned = []
    for one in findings:
        if isinstance(one.value, Choice):
            value = one.value.model_copy(update={"denied": not one.value.denied})
            status = opposite.get(one.status or "", one.status)
            one = one.model_copy(update={"value": value, "status": status})
        turned.append(one)
    return turned


def _misnumber(findings: Sequence[Finding]) -> list[Finding]:
    turned = []
    for one in findings:
        if isinstance(one.value, Quantity):
            value = one.value.model_copy(update={"number": one.value.number + 1})
            one = one.model_copy(update={"value": value})
        elif isinstance(one.value, Pressure):
            value = one.value.model_copy(update={"diastolic": one.value.diastolic + 1})
            one = one.model_copy(update={"value": value})
        turned.append(one)
    return turned


def _score_of_turned(turn: Callable[[Sequence[Finding]], Sequence[Finding]]) -> Report:
    by_words = {
        tuple(line.text for line in one.lines): tuple(turn(findings_from(one.truth)))
        for one in excerpts()
    }

    def understand(phrases: Iterable[HeardPhrase], _: Catalogue) -> tuple[Finding, ...]:
        return by_words[tuple(phrase.text for phrase in phrases)]

    return score_all(excerpts(), understand, catalogue())


def test_swapped_sides_cost_item_and_side_and_value() -> None:
    """Most items are spoken of on both sides, so swapping shows in the values as well."""
    total = _score_of_turned(_swap).total
    assert total.f1 < 0.97
    assert total.value.good < 0.9 * total.value.of


def test_flipped_negation_costs_value_and_status() -> None:
    total = _score_of_turned(_deny).total
    assert total.f1 == 1.0
    assert total.value.good < 0.7 * total.value.of
    assert total.status.good < 0.1 * total.status.of


def test_wrong_numbers_cost_value_and_are_counted_as_silent() -> None:
    total = _score_of_turned(_misnumber).total
    assert total.value.good < 0.95 * total.value.of
    doubtful = sum(entry.doubtful for one in excerpts() for entry in one.truth)
    assert total.silent_wrong + doubtful >= total.value.of - total.value.good > 0
    assert total.silent_wrong <= total.value.of - total.value.good


def test_lost_findings_cost_recall_alone() -> None:
    total = _score_of_turned(lambda findings: findings[::2]).total
    assert total.recall < 0.8
    assert total.precision == 1.0


def test_invented_findings_cost_precision_and_are_false() -> None:
    def invent(findings: Sequence[Finding]) -> list[Finding]:
        invented = Finding(
            id="x",
            item="vitals.palpated_systolic",
            side="left",
            value=Quantity(number=Decimal(140), unit="mm[Hg]"),
            level=Level.MEASURED,
            start=0,
            end=1,
            words="",
        )
        return [*findings, invented]

    total = _score_of_turned(invent).total
    assert total.false_findings == len(excerpts())
    assert total.forbidden > 0
    assert total.precision < 1.0


def test_results_taken_for_performance_cost_level_and_result_score() -> None:
    def strip(findings: Sequence[Finding]) -> list[Finding]:
        bare = {"value": None, "status": None, "level": Level.PERFORMED}
        return [one.model_copy(update=bare) for one in findings]

    total = _score_of_turned(strip).total
    assert total.results_f1 < 0.1
    assert total.level.good < 0.3 * total.level.of


def test_struck_findings_do_not_count() -> None:
    def strike(findings: Sequence[Finding]) -> list[Finding]:
        return [one.model_copy(update={"struck": True}) for one in findings]

    assert _score_of_turned(strike).total.matched == 0


@pytest.mark.parametrize("rate", [0.05, 0.2])
def test_simulated_errors_come_at_about_the_asked_rate_and_repeat(rate: float) -> None:
    import random

    import jiwer

    said = [line for excerpt in opened() for line in excerpt.lines]
    heard = with_errors(tuple(said), rate, random.Random(5))
    assert heard == with_errors(tuple(said), rate, random.Random(5))
    measured = jiwer.wer(
        " ".join(line.text for line in said), " ".join(line.text for line in heard)
    )
    # A swap of two words costs up to two word errors, a drop or confusion one.
    assert 0.7 * rate < measured < 1.6 * rate


def test_sound_alikes_sound_alike() -> None:
    assert "write" in sound_alikes("right") or "rite" in sound_alikes("right")
    assert "right" not in sound_alikes("right")
    assert sound_alikes("zzyzx") == ()


def fallen_below(report: Report, floors: dict[str, float]) -> list[str]:
    total = report.total
    measured = {
        "f1": total.f1,
        "results_f1": total.results_f1,
        "value": total.value.good / max(total.value.of, 1),
        "status": total.status.good / max(total.status.of, 1),
    }
    low = [f"{name} {measured[name]:.3f}" for name in measured if measured[name] < floors[name]]
    if total.false_per_thousand > floors["false"]:
        low.append(f"false findings {total.false_per_thousand:.2f} per 1,000 words")
    return low


@pytest.mark.slow
@pytest.mark.parametrize("group", FLOORS)
def test_understanding_keeps_its_floors(group: str) -> None:
    from dictate.pipeline import understand

    some = [one for one in excerpts() if one.group == group.partition(",")[0]]
    rate = 0.1 if "10%" in group else 0.0
    assert fallen_below(score_all(some, understand, catalogue(), rate), FLOORS[group]) == []


def test_the_floors_are_missed_by_a_program_that_mixes_up_sides_or_negation() -> None:
    for turn in (_swap, _deny, lambda findings: findings[::3]):
        assert fallen_below(_score_of_turned(turn), FLOORS["open"])
