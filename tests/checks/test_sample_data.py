"""The truth beside the sample audio names items, readings and lines that exist."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
import soundfile
import yaml

from dictate.exam.catalogue import Catalogue, Item
from dictate.exam.reading import load_catalogue

SAMPLES = Path(__file__).resolve().parents[2] / "sample_audio"
NAMES = sorted(
    path.relative_to(SAMPLES).as_posix().removesuffix(".script.yaml")
    for path in SAMPLES.rglob("*.script.yaml")
)


@lru_cache(maxsize=1)
def exam() -> Catalogue:
    return load_catalogue()


def read(name: str, part: str) -> Any:
    return yaml.safe_load((SAMPLES / f"{name}.{part}.yaml").read_text(encoding="utf-8"))


def test_all_samples_are_there() -> None:
    assert {"short", "long", "flawed", "heldout/evening"} <= set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_truth_fits_the_exam_and_the_script(name: str) -> None:
    script, truth = read(name, "script"), read(name, "truth")
    ids = [line["id"] for line in script["lines"]]
    assert len(ids) == len(set(ids))
    assert len(set(script["voices"].values())) >= 2
    rows = [*truth["findings"], *truth.get("struck", [])]
    for row in rows:
        assert row["line"] in ids, row
        item = exam().items[row["item"]]
        assert (item.sides == "paired") == ("side" in row), row
        assert _value_fits(row, item), row
        if "site" in row:
            assert row["site"] in {site.id for site in exam().sites_of(item)}, row
    assert [row["at"] for row in truth["findings"]] == sorted(r["at"] for r in truth["findings"])


def _value_fits(row: dict[str, Any], item: Item) -> bool:
    if "reading" in row:
        reading = item.reading(row["reading"])
        signs = ("present", "absent")
        return (row["status"] in signs) == (reading.status in signs)
    kinds = {
        "number": "quantity",
        "pressure": "pressure",
        "acuity": "ratio",
        "grade": "grade",
        "answers": "trials",
    }
    held = [kind for key, kind in kinds.items() if key in row]
    return held == [item.kind] if held else row["level"] == "performed"


@pytest.mark.parametrize("name", NAMES)
def test_times_lie_within_the_sound(name: str) -> None:
    path = next(path for path in SAMPLES.glob(f"{name}.*") if path.suffix in (".flac", ".opus"))
    about = soundfile.info(str(path))
    assert about.channels == 1
    truth = read(name, "truth")
    assert truth["findings"][-1]["at"] < about.duration
    assert truth["findings"][-1]["at"] > 0
    words = sum(len(line["say"].split()) for line in read(name, "script")["lines"])
    assert 0.5 < words / about.duration < 3.5


def test_long_and_short_are_as_long_as_said() -> None:
    seconds = {
        name: soundfile.info(str(SAMPLES / file)).duration
        for name, file in (("short", "short.opus"), ("long", "long.opus"))
    }
    assert 90 < seconds["short"] < 200
    assert 700 < seconds["long"] < 1000
