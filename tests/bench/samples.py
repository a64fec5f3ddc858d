"""Scores converted sample sessions against their truth and prints a table.

Run ``python tests/bench/samples.py [NAME ...] [--errors]``. Each sample is heard twice: as
sound, in a process of its own so that its memory can be told, and as the written script
without speakers' names, which shows what hearing alone costs. ``--errors`` lists what went
wrong; what is held out only ever shows totals.
"""

from __future__ import annotations

import argparse
import json
import re
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from statistics import median
from typing import Any

import yaml

from dictate.conversion import convert
from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Trials,
    Value,
)
from dictate.session.record import Session

SAMPLES = Path(__file__).resolve().parents[2] / "sample_audio"
_OPPOSITE = {
    "present": "absent", "absent": "present", "normal": "abnormal", "abnormal": "normal",
}  # fmt: skip
_VALUES = ("number", "pressure", "acuity", "grade", "answers")


@dataclass
class Score:
    """Counts of one sample. Keys are an item and a side."""

    expected: int = 0
    found: int = 0
    told: int = 0
    told_right: int = 0
    acts: int = 0
    acts_found: int = 0
    acts_told: int = 0
    acts_right: int = 0
    status: int = 0
    status_right: int = 0
    reading_right: int = 0
    values: int = 0
    values_exact: int = 0
    values_doubtful: int = 0
    values_wrong: int = 0
    levels_right: int = 0
    sites: int = 0
    sites_right: int = 0
    never: int = 0
    flags: int = 0
    flags_raised: int = 0
    late: list[float] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)


def names() -> list[str]:
    """All samples, those held out last."""
    scripts = SAMPLES.rglob("*.script.yaml")
    found = [path.relative_to(SAMPLES).as_posix().removesuffix(".script.yaml") for path in scripts]
    return sorted(found, key=lambda name: ("/" in name, name))


def sound_of(name: str) -> Path:
    """The sound file of a sample."""
    for suffix in (".flac", ".opus"):
        path = SAMPLES / f"{name}{suffix}"
        if path.is_file():
            return path
    raise SystemExit(f"There is no sound for '{name}'; run python sample_audio/make.py {name}.")


def read(name: str, part: str) -> dict[str, Any]:
    """The script or the truth of a sample."""
    path = SAMPLES / f"{name}.{part}.yaml"
    held: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return held


def sides_of_row(row: dict[str, Any]) -> tuple[str, ...]:
    """The sides that a row of the truth speaks of; an acuity of both eyes is its own."""
    side = row.get("side", "")
    return ("left", "right") if side == "both" and "acuity" not in row else (side,)


def sides_of_finding(finding: Finding) -> tuple[str, ...]:
    """The sides that a finding speaks of, as in the truth."""
    if finding.side == "both" and not isinstance(finding.value, Ratio):
        return ("left", "right")
    return (finding.side or "",) if finding.side != "midline" else ("",)


def score(session: Session, truth: dict[str, Any], catalogue: Catalogue) -> Score:
    """Compare what stands in a session with what should."""
    told: dict[tuple[str, str], list[Finding]] = {}
    for finding in session.findings:
        if finding.stands:
            for side in sides_of_finding(finding):
                told.setdefault((finding.item, side), []).append(finding)
    result = Score()
    rows = truth["findings"]
    results = [row for row in rows if row["level"] != "performed"]
    _score_results(result, results, told, catalogue)
    _score_acts(result, rows, told)
    _score_never(result, truth, session)
    raised = {flag.rule for flag in session.flags}
    for rule in truth.get("flags", []):
        result.flags += 1
        result.flags_raised += rule in raised
        if rule not in raised:
            result.errors.append(f"flag not raised: {rule}")
    return result


_Told = dict[tuple[str, str], list[Finding]]


def _heard(told: _Told, item: str, side: str) -> list[Finding]:
    if side == "any":
        return [finding for key, held in told.items() if key[0] == item for finding in held]
    return told.get((item, side), [])


def _score_results(
    result: Score, rows: list[dict[str, Any]], told: _Told, catalogue: Catalogue
) -> None:
    wanted: dict[tuple[str, str], bool] = {}
    for row in rows:
        for side in sides_of_row(row):
            key = (row["item"], side)
            wanted[key] = wanted.get(key, False) or not row.get("optional", False)
    for key, needed in wanted.items():
        held = [f for f in _heard(told, *key) if f.level.rank >= Level.REPORTED.rank]
        result.expected += needed
        result.found += needed and bool(held)
        if needed and not held:
            lesser = " (only performed)" if _heard(told, *key) else ""
            result.errors.append(f"missed: {key[0]} {key[1]}{lesser}")
    for key, findings in told.items():
        held = [f for f in findings if f.level.rank >= Level.REPORTED.rank]
        if not held:
            continue
        result.told += 1
        right = key in wanted or (key[0], "any") in wanted
        result.told_right += right
        if not right:
            one = held[0]
            value = json.loads(one.value.model_dump_json()) if one.value else one.status
            result.errors.append(f"false: {key[0]} {key[1]} {value} <- '{one.words}'")
    for row in rows:
        if not row.get("optional", False):
            for side in sides_of_row(row):
                held = _heard(told, row["item"], side)
                held = [f for f in held if f.level.rank >= Level.REPORTED.rank]
                if held or any(key in row for key in _VALUES):
                    _score_row(result, row, held, catalogue)


def _score_row(
    result: Score, row: dict[str, Any], held: list[Finding], catalogue: Catalogue
) -> None:
    name = f"{row['item']} {row.get('side', '')}".strip()
    if held:
        best = max(held, key=lambda finding: finding.level.rank).level.value
        counted = "answers" in row and best in ("reported", "measured")
        result.levels_right += best == row["level"] or counted
        result.late.append(min(abs(finding.start - row["at"]) for finding in held))
    if "site" in row and held:
        result.sites += 1
        result.sites_right += any(finding.site == row["site"] for finding in held)
    if any(key in row for key in _VALUES):
        result.values += 1
        numbers = [finding for finding in held if _numeric(finding.value)]
        if any(_same_value(finding.value, row) for finding in numbers):
            result.values_exact += 1
        elif any(not finding.doubtful for finding in numbers):
            result.values_wrong += 1
            said = [finding.words for finding in numbers]
            result.errors.append(f"wrong value, unmarked: {name} <- {said}")
        elif numbers:
            result.values_doubtful += 1
            result.errors.append(f"wrong value, marked doubtful: {name}")
        elif held:
            result.errors.append(f"no value: {name}")
    if "status" in row:
        result.status += 1
        statuses = {finding.status for finding in held}
        reading = _same_reading(held, row, catalogue)
        # A session that contradicts itself holds both statuses of one reading.
        right = reading or (row["status"] in statuses and _OPPOSITE[row["status"]] not in statuses)
        result.status_right += right
        result.reading_right += reading
        if not right:
            result.errors.append(
                f"status: {name} wants {row['status']}, has {sorted(map(str, statuses))}"
            )


def _same_reading(held: list[Finding], row: dict[str, Any], catalogue: Catalogue) -> bool:
    wanted = catalogue.items[row["item"]].reading(row["reading"])
    return any(
        isinstance(finding.value, Choice)
        and finding.value.title == wanted.title
        and finding.status == row["status"]
        for finding in held
    )


def _numeric(value: Value | None) -> bool:
    return isinstance(value, Quantity | Pressure | Ratio | Grade | Trials)


def _same_value(value: Value | None, row: dict[str, Any]) -> bool:
    if isinstance(value, Pressure):
        return [value.systolic, value.diastolic] == row.get("pressure")
    if isinstance(value, Ratio):
        return [value.numerator, value.denominator] == row.get("acuity")
    if isinstance(value, Grade):
        return "grade" in row and float(value.grade) == float(row["grade"])
    if isinstance(value, Trials):
        return len(value.answers) == row.get("answers")
    if isinstance(value, Quantity) and "number" in row:
        return abs(value.number - Decimal(str(row["number"]))) < Decimal("0.05")
    return False


def _score_acts(result: Score, rows: list[dict[str, Any]], told: _Told) -> None:
    """Manoeuvres without a result: an act may also be credited by its result."""
    for row in rows:
        if row["level"] != "performed" or row.get("optional", False):
            continue
        for side in sides_of_row(row):
            result.acts += 1
            # An instruction for one side may be given without naming it.
            held = _heard(told, row["item"], side) or _heard(told, row["item"], "unspecified")
            result.acts_found += bool(held)
            if not held:
                result.errors.append(f"act missed: {row['item']} {side}")
    known = {row["item"] for row in rows}
    for key, findings in told.items():
        if all(finding.level is Level.PERFORMED for finding in findings):
            result.acts_told += 1
            result.acts_right += key[0] in known
            if key[0] not in known:
                result.errors.append(f"false act: {key[0]} <- '{findings[0].words}'")


def _score_never(result: Score, truth: dict[str, Any], session: Session) -> None:
    standing = [finding for finding in session.findings if finding.stands]
    for row in [*truth.get("never", []), *truth.get("struck", [])]:
        if _broken(row, standing):
            result.never += 1
            result.errors.append(f"must not be there: {row}")


def _broken(row: dict[str, Any], standing: list[Finding]) -> bool:
    for finding in standing:
        if "item" in row and finding.item != row["item"]:
            continue
        if "side" in row and row["side"] not in sides_of_finding(finding):
            continue
        if "level" in row and finding.level.rank < Level(row["level"]).rank:
            continue
        if "number" in row:
            near = "item" in row or row["at"] - 1 <= finding.start <= row["at"] + 6
            if not near or row["number"] not in _numbers(finding.value):
                continue
        return True
    return False


def _numbers(value: Value | None) -> list[Decimal]:
    if isinstance(value, Quantity):
        return [value.number]
    if isinstance(value, Pressure):
        return [value.systolic, value.diastolic]
    return [value.grade] if isinstance(value, Grade) else []


def script_as_transcript(script: dict[str, Any]) -> str:
    """The script as WebVTT without names, at a leisurely speaking rate."""
    cues, now = [], 0.6
    for line in script["lines"]:
        end = now + 0.38 * len(line["say"].split()) + 0.2
        cues.append(f"{_stamp(now)} --> {_stamp(end)}\n{line['say']}\n")
        now = end + line["pause"]
    return "WEBVTT\n\n" + "\n".join(cues)


def _stamp(seconds: float) -> str:
    whole, part = divmod(round(seconds * 1000), 1000)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{part:03d}"


def word_errors(script: dict[str, Any], session: Session) -> float:
    """Word error rate of all that was heard against the script."""
    import jiwer

    def plain(text: str) -> str:
        return " ".join(re.findall(r"[a-z0-9']+", text.lower()))

    wanted = plain(" ".join(line["say"] for line in script["lines"]))
    heard = plain(" ".join(phrase.text for phrase in session.phrases))
    return float(jiwer.wer(wanted, heard))


def _unheard(session: Session) -> float:
    """Share of the words in phrases that were put aside as not recognised."""
    words = sum(len(phrase.words) for phrase in session.phrases)
    aside = sum(len(phrase.words) for phrase in session.phrases if not phrase.recognised)
    return aside / words if words else 0.0


def _convert_one(name: str, as_text: bool) -> None:
    """Child process: convert one sample and print its score and costs as JSON."""
    catalogue = load_catalogue()
    script, truth = read(name, "script"), read(name, "truth")
    if as_text:
        # The times of a script that is only read differ from those of the sound.
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "script.vtt"
            path.write_text(script_as_transcript(script), encoding="utf-8")
            session = convert(path, catalogue)
        truth["never"] = [row for row in truth.get("never", []) if "item" in row]
        seconds = 0.0
    else:
        start = time.perf_counter()
        session = convert(sound_of(name), catalogue)
        seconds = time.perf_counter() - start
    result = score(session, truth, catalogue)
    print(
        json.dumps(
            {
                **vars(result),
                "wer": word_errors(script, session),
                "factor": seconds / session.info.seconds if session.info.seconds else 0,
                "unheard": _unheard(session),
                "megabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
                "warnings": len([f for f in session.flags if f.severity != "note"]),
            }
        )
    )


def run(name: str, as_text: bool) -> dict[str, Any]:
    """Convert and score one sample in a process of its own."""
    command = [sys.executable, str(Path(__file__)), "--one", name]
    done = subprocess.run(
        command + (["--text"] if as_text else []), capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise SystemExit(done.stderr[-2000:])
    figures: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return figures


def _share(part: int, whole: int) -> str:
    return f"{part}/{whole} {100 * part / whole:4.0f}%" if whole else "-"


_COLUMNS: tuple[tuple[str, int], ...] = (
    ("sample", 22), ("found", 11), ("of told", 11), ("status", 11), ("reading", 11),
    ("values", 11), ("unmarked", 9), ("level", 11), ("site", 9), ("acts", 11), ("acts told", 11),
    ("broken", 7), ("flags", 9), ("late s", 7), ("WER", 6), ("aside", 6), ("x real", 7), ("MB", 5),
)  # fmt: skip


def _row(name: str, got: dict[str, Any]) -> Iterator[str]:
    yield name
    yield _share(got["found"], got["expected"])
    yield _share(got["told_right"], got["told"])
    yield _share(got["status_right"], got["status"])
    yield _share(got["reading_right"], got["status"])
    yield _share(got["values_exact"], got["values"])
    yield str(got["values_wrong"])
    yield _share(got["levels_right"], len(got["late"]))
    yield _share(got["sites_right"], got["sites"])
    yield _share(got["acts_found"], got["acts"])
    yield _share(got["acts_right"], got["acts_told"])
    yield str(got["never"])
    yield _share(got["flags_raised"], got["flags"])
    heard = bool(got["factor"])
    yield f"{median(got['late']):.1f}" if got["late"] and heard else "-"
    yield f"{100 * got['wer']:.1f}%" if heard else "-"
    yield f"{100 * got['unheard']:.0f}%" if heard else "-"
    yield f"{got['factor']:.3f}" if heard else "-"
    yield f"{got['megabytes']:.0f}"


def main(arguments: Sequence[str]) -> None:
    """Print one line a sample and way of hearing, and the errors where asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--errors", action="store_true")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--text", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args(arguments)
    if given.one:
        _convert_one(given.one, given.text)
        return
    print(" ".join(title.ljust(width) for title, width in _COLUMNS))
    for name in given.names or names():
        for as_text in (True, False):
            got = run(name, as_text)
            label = f"{name}, {'text' if as_text else 'sound'}"
            cells = zip(_row(label, got), _COLUMNS, strict=True)
            print(" ".join(cell.ljust(width) for cell, (_, width) in cells), flush=True)
            if given.errors and not name.startswith("heldout/"):
                print("\n".join(f"    {error}" for error in got["errors"]))


if __name__ == "__main__":
    main(sys.argv[1:])
