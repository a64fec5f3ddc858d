"""The exam data that ships: units, sources, nerves, counts; figures are printed."""

from __future__ import annotations

import json
import re
from collections import Counter
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
import yaml
from ucumvert import PintUcumRegistry

from dictate.exam.catalogue import Catalogue
from dictate.exam.citations import (
    range_sources,
    rule_sources,
    scale_sources,
    share_of_sources,
    usual_range_sources,
)
from dictate.exam.location import grammars_folder
from dictate.exam.reading import sources_of
from dictate.exam.schema_files import schema_texts

FOLDER = grammars_folder()
REGIONS = sorted((FOLDER / "regions").glob("*.yaml"))
COURSES = sorted((FOLDER / "courses").glob("*.yaml"))


def _units(exam: Catalogue) -> set[str]:
    units = {rule.unit for rule in exam.checks.derived}
    for item in exam.items.values():
        units |= {unit for unit in (item.unit, *item.other_units) if unit is not None}
    return units


def test_every_unit_is_valid_ucum(exam: Catalogue) -> None:
    registry = PintUcumRegistry()
    for unit in sorted(_units(exam)):
        registry.from_ucum(unit)
    # Valid UCUM all the same, but coulomb, farad and the like: never meant in this exam.
    assert not {"C", "F", "mmHg", "bpm"} & _units(exam)


def test_ucum_check_refuses_what_is_none() -> None:
    with pytest.raises(Exception, match="mmHg"):
        PintUcumRegistry().from_ucum("mmHg")


def test_other_units_measure_the_same_thing(exam: Catalogue) -> None:
    registry = PintUcumRegistry()
    for item in exam.items.values():
        if item.unit is None:
            continue
        own = registry.from_ucum(item.unit)
        for unit in item.other_units:
            if "{" not in unit:
                assert registry.from_ucum(unit).dimensionality == own.dimensionality, item.id


def test_every_measured_item_has_a_plausible_range_with_a_source(exam: Catalogue) -> None:
    for item in exam.items.values():
        if item.kind in ("quantity", "pressure"):
            assert item.ranges.plausible is not None, item.id
        assert set(sources_of(item)) <= exam.sources.keys(), item.id
    for scale in exam.scales.values():
        assert scale.source in exam.sources
    assert set(rule_sources(exam)) <= exam.sources.keys()


def test_usual_lies_within_plausible(exam: Catalogue) -> None:
    for item in exam.items.values():
        for ranges in (item.ranges, item.diastolic):
            inner, outer = ranges.usual, ranges.plausible
            if inner is None or outer is None:
                continue
            if inner.low is not None and outer.low is not None:
                assert outer.low <= inner.low, item.id
            if inner.high is not None and outer.high is not None:
                assert inner.high <= outer.high, item.id


def test_published_sources_say_who_and_when(exam: Catalogue) -> None:
    for key, source in exam.sources.items():
        assert source.title and source.body, key
        if source.kind == "published" and source.year is not None:
            assert 1900 < source.year < 2030, key


def test_most_usual_ranges_and_scales_are_published(exam: Catalogue) -> None:
    for what, keys in (
        ("usual ranges", usual_range_sources(exam)),
        ("all ranges and differences", range_sources(exam)),
        ("grading scales", scale_sources(exam)),
        ("rules and computed measures", rule_sources(exam)),
    ):
        share = share_of_sources(keys, exam)
        assert share.total > 0
        print(
            f"{what}: {share.published} of {share.total} published "
            f"({share.published_percent:.0f}%), {share.common_practice} common practice, "
            f"{share.from_memory} from memory"
        )
        if what in ("usual ranges", "grading scales"):
            assert share.published_percent > 50


def test_items_by_region(exam: Catalogue) -> None:
    counts = Counter(item.region for item in exam.items.values())
    print(dict(counts), "together", sum(counts.values()))
    assert sum(counts.values()) >= 180
    orders = [region.order for region in exam.regions]
    assert len(set(orders)) == len(orders)
    assert [region.region for region in exam.regions][:2] == ["general", "vitals"]
    assert exam.regions[-1].region == "nervous"


def test_all_twelve_cranial_nerves_are_examined(exam: Catalogue) -> None:
    roman = ["I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII"]
    found = {nerve for item in exam.items.values() for nerve in item.nerves}
    assert found == set(roman)


def test_off_by_default_where_a_course_must_ask_for_it(exam: Catalogue) -> None:
    for region in exam.regions:
        assert region.default == (region.region not in ("axillae", "groin"))


@pytest.mark.parametrize("name", sorted(schema_texts()))
def test_schema_files_are_current(name: str) -> None:
    shipped = json.loads((FOLDER / "schema" / name).read_text(encoding="utf-8"))
    assert shipped == json.loads(schema_texts()[name]), "run python -m dictate.exam.schema_files"


def _plain(path: Path) -> Any:
    return yaml.safe_load(path.read_text(encoding="utf-8"))


def _validator(kind: str) -> Any:
    return jsonschema_rs.validator_for(json.loads(schema_texts()[f"{kind}.schema.json"]))


@pytest.mark.parametrize(
    ("kind", "path"),
    [
        *(("region", path) for path in REGIONS),
        *(("course", path) for path in COURSES),
        *((kind, FOLDER / f"{kind}.yaml") for kind in ("sources", "scales", "sites", "checks")),
        ("shared_words", FOLDER / "shared_words.yaml"),
    ],
    ids=lambda value: value.stem if isinstance(value, Path) else value,
)
def test_files_follow_their_schema(kind: str, path: Path) -> None:
    problems = [error.message for error in _validator(kind).iter_errors(_plain(path))]
    assert problems == []


def test_the_schema_refuses_a_misspelled_key() -> None:
    region = _plain(REGIONS[0])
    region["items"][0]["titel"] = "x"
    assert not _validator("region").is_valid(region)


@pytest.mark.parametrize("path", [*REGIONS, *COURSES], ids=lambda path: path.stem)
def test_files_begin_with_what_their_keys_mean(path: Path) -> None:
    head = re.match(r"(?:#.*\n)+", path.read_text(encoding="utf-8"))
    assert head is not None
    if path.stem != "chest_heart_station":  # which points to the other course
        for key in ("title", "performed", "names"):
            assert re.search(rf"\b{key}\b", head.group()), key


def test_no_phrase_denies_a_sign_itself(exam: Catalogue) -> None:
    """'no', 'without', 'denies' are read by the program and must not stand in a sign."""
    for item in exam.items.values():
        for reading in item.readings:
            if reading.status == "present":
                for phrase in reading.say:
                    assert not re.search(r"\b(no|without|denies|denied)\b", phrase), (
                        item.id,
                        phrase,
                    )
