"""Courses: what they select, hide, order, change and add, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.exam.course import (
    Checklist,
    load_course,
    marking_sheet,
    shipped_courses,
    usual_checklist,
)
from dictate.exam.reading import load_catalogue
from tests.exam.exam_folder import write_exam

Read = Callable[[str], Checklist]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
    return load_catalogue(write_exam(tmp_path_factory.mktemp("exam") / "exam"))


@pytest.fixture
def read(small: Catalogue, tmp_path: Path) -> Read:
    def apply(text: str) -> Checklist:
        path = tmp_path / "course.yaml"
        path.write_text(f"course: c\ntitle: C\n{text}", encoding="utf-8")
        return load_course(path, small)

    return apply


def listed(checklist: Checklist) -> list[str]:
    return [entry.item for entry in checklist.entries]


def test_the_usual_checklist_holds_what_is_on_by_default(small: Catalogue) -> None:
    usual = usual_checklist(small)
    assert listed(usual) == ["arm.look", "arm.power", "leg.girth"]
    assert usual.required == set(listed(usual))


def test_a_course_without_wishes_is_the_usual_exam(read: Read, small: Catalogue) -> None:
    made = read("minutes: 5\n")
    assert made.minutes == 5
    assert listed(made) == listed(usual_checklist(small))
    assert made.catalogue.items.keys() == small.items.keys()


def test_selection_turns_items_on_and_others_off(read: Read) -> None:
    made = read("select: [leg.hair, arm.look]\n")
    assert listed(made) == ["arm.look", "leg.hair"]
    items = made.catalogue.items
    assert items["leg.hair"].default and not items["leg.girth"].default
    assert "leg.girth" in items  # understood if it is spoken of, but not missed


def test_a_selected_region_brings_what_is_on_by_default(read: Read) -> None:
    made = read("select: [leg]\n")
    assert listed(made) == ["leg.girth"]
    defaults = {region.region: region.default for region in made.catalogue.regions}
    assert defaults == {"arm": False, "leg": True}


def test_hidden_items_are_gone_with_the_rules_about_them(read: Read, small: Catalogue) -> None:
    made = read("hide: [arm.power]\n")
    assert "arm.power" not in made.catalogue.items
    assert made.catalogue.checks.order[0].then == ("leg.girth",)
    assert made.catalogue.checks.conflicts == small.checks.conflicts
    gone = read("hide: [arm]\n")
    assert [region.region for region in gone.catalogue.regions] == ["leg"]
    assert gone.catalogue.checks.conflicts == () and gone.catalogue.checks.order == ()


def test_order_of_regions_and_items(read: Read) -> None:
    made = read("order: [leg, arm.power]\n")
    assert list(made.catalogue.items) == ["leg.girth", "leg.hair", "arm.power", "arm.look"]
    assert [region.order for region in made.catalogue.regions] == [10, 20]


@pytest.mark.parametrize(
    ("text", "required"),
    [
        ("optional: [arm]\n", {"leg.girth"}),
        ("required: [leg]\n", {"leg.girth"}),
        ("required: [arm.look]\noptional: [arm]\n", {"arm.look"}),
        ("required: [arm]\noptional: [arm.power]\n", {"arm.look"}),
    ],
)
def test_required_and_optional(read: Read, text: str, required: set[str]) -> None:
    made = read(text)
    assert made.required == required
    assert made.required | made.optional == set(listed(made))


def test_own_words_and_ranges(read: Read, small: Catalogue) -> None:
    made = read(
        "rules: {band: (band | strap)}\n"
        "sources: {ours: {title: Ours, body: the course, kind: common practice}}\n"
        "change:\n"
        "  leg.girth:\n"
        "    title: Calf girth\n"
        "    also_performed: [<band> round your calf]\n"
        "    ranges: {usual: {low: 30, high: 45, source: ours}}\n"
        "  arm.look:\n"
        "    names: [whole arm]\n"
        "    also_say: {limp: [floppy]}\n"
        "    also_readings: [{code: sore, title: sore, status: present, say: [sore]}]\n"
    )
    girth, look = (made.catalogue.items[key] for key in ("leg.girth", "arm.look"))
    old = small.items["leg.girth"]
    assert girth.title == "Calf girth"
    assert girth.performed == (*old.performed, "<band> round your calf")
    assert girth.ranges.usual is not None and girth.ranges.usual.low == 30
    assert girth.ranges.plausible == old.ranges.plausible
    assert look.names == ("whole arm",)
    assert look.reading("limp").say == ("limp", "floppy")
    assert look.reading("sore").status == "present"
    assert small.items["arm.look"].names == ("arm",)
    assert made.catalogue.version != small.version


def test_added_items_and_regions(read: Read) -> None:
    made = read(
        "order: [foot]\n"
        "scales: {arch: {title: Arch, high: 3, source: book}}\n"
        "add_items:\n"
        "  - {id: leg.warmth, title: Warmth, names: [shin], performed: [back of my hand],\n"
        "     readings: [{code: warm, title: warm, status: normal, say: [warm]}]}\n"
        "add_regions:\n"
        "  - region: foot\n"
        "    title: Foot\n"
        "    order: 30\n"
        "    items:\n"
        "      - {id: foot.arch, title: Arch, kind: grade, scale: arch, names: [arch],\n"
        "         performed: [stand up]}\n"
    )
    assert listed(made) == ["foot.arch", "arm.look", "arm.power", "leg.girth", "leg.warmth"]
    assert made.catalogue.scales["arch"].high == 3


@pytest.mark.parametrize(
    ("text", "at", "told"),
    [
        ("select:\n  - arm\n  - leg.girt\n", "leg.girt", "no item 'leg.girt'; did you mean"),
        ("select: [head]\n", "head", "no region 'head'"),
        ("hide: [arm.look, arm.look]\n", "hide", "'arm.look' is there twice"),
        ("order: [neck]\n", "neck", "order: there is no region 'neck'"),
        ("required: [leg.hair]\n", "leg.hair", "is not on the checklist"),
        ("required: [arm]\noptional: [arm]\n", "optional", "is listed as required too"),
        ("hide: [arm, leg]\n", "", "no item is left"),
        ("change:\n  arm.lok: {title: X}\n", "arm.lok", "did you mean 'arm.look'"),
        ("change:\n  arm.look:\n    also_say: {stiff: [x]}\n", "stiff", "has no reading 'stiff'"),
        ("change:\n  arm.look: {nmes: [x]}\n", "nmes", "'nmes' is not a key here"),
        (
            "change:\n  arm.look:\n    also_readings:\n"
            "      - {code: limp, title: x, status: normal, say: [x]}\n",
            "code: limp",
            "use 'also_say'",
        ),
        ("change:\n  arm.look:\n    also_names: ['(x']\n", "(x", "')' is missing"),
        (
            "change:\n  leg.girth:\n    ranges: {usual: {low: 1, high: 2, source: nix}}\n",
            "nix",
            "source 'nix'",
        ),
        ("sources: {book: {title: B, body: b}}\n", "book", "'book' is there already"),
        ("scales: {new: {title: N, high: 3, source: nix}}\n", "nix", "source 'nix' is not known"),
        (
            "add_items:\n  - {id: foot.arch, title: Arch}\n",
            "foot.arch",
            "there is no region 'foot'",
        ),
        ("add_items:\n  - {id: arm.look, title: Look}\n", "arm.look", "is there already"),
        (
            "add_items:\n  - {id: arm.x, title: X, kind: grade, scale: nix}\n",
            "nix",
            "scale 'nix'",
        ),
        (
            "add_regions:\n  - {region: arm, title: Arm, order: 1, items: []}\n",
            "region: arm",
            "is there already",
        ),
        ("minutes: -3\n", "minutes", "greater than 0"),
        ("select: [Arm]\n", "Arm", "select"),
    ],
)
def test_a_complaint_names_file_line_and_what_is_wrong(
    read: Read, tmp_path: Path, text: str, at: str, told: str
) -> None:
    with pytest.raises(UserFault) as fault:
        read(text)
    said = str(fault.value)
    path = tmp_path / "course.yaml"
    assert said.startswith(f"{path}, line ")
    assert told in said and said.endswith(".") and "\n" not in said
    line = int(said.removeprefix(f"{path}, line ").split(",")[0].split(":")[0])
    assert at in path.read_text(encoding="utf-8").splitlines()[line - 1]


def test_an_unknown_course_is_said_with_those_there_are(exam: Catalogue) -> None:
    with pytest.raises(UserFault, match="one of chest_heart_station, complete"):
        load_course("nowhere", exam)


@pytest.mark.parametrize("key", sorted(shipped_courses()))
def test_shipped_courses_fit_the_exam(exam: Catalogue, key: str) -> None:
    made = load_course(key, exam)
    assert made.course == key
    assert made.required and made.optional
    assert listed(made) == [item.id for item in made.catalogue.items.values() if item.default]
    for entry in made.entries:
        assert made.catalogue.region_of(entry.item).default


def test_the_station_is_short_and_keeps_to_chest_and_heart(exam: Catalogue) -> None:
    made = load_course("chest_heart_station", exam)
    assert made.minutes == 12
    regions = {entry.item.partition(".")[0] for entry in made.entries}
    assert {"chest", "back", "heart", "vitals"} <= regions
    assert not {"abdomen", "joints", "nervous", "eyes"} & regions
    rate = made.catalogue.items["vitals.respiratory_rate"].ranges.usual
    assert rate is not None and (rate.low, rate.high) == (12, 18)


def test_the_complete_course_adds_an_item_and_hides_the_groin(exam: Catalogue) -> None:
    made = load_course("complete", exam)
    assert "general.equipment" in made.required
    assert not any(item.startswith("groin.") for item in made.catalogue.items)
    assert len(made.entries) > 200


def test_a_course_has_its_own_marking_sheet_or_the_usual_one(exam: Catalogue) -> None:
    own = load_course("chest_heart_station", exam)
    assert [one.id for one in marking_sheet(own)][:2] == ["vitals_done", "lungs_done"]
    usual = marking_sheet(load_course("complete", exam))
    assert {one.kind for one in usual} == {"done", "order", "technique", "communication"}
    assert len({one.id for one in usual}) == len(usual)
    done = [one.places for one in usual if one.kind == "done"]
    assert ("vitals",) in done and ("groin",) not in done


@pytest.mark.parametrize(
    ("second", "told"),
    [
        ("{id: one, title: Again, kind: order}", "'one' is there twice"),
        ("{id: two, title: Legs, kind: done, places: [legz]}", "there is no region 'legz'"),
    ],
)
def test_a_marking_sheet_that_does_not_fit_is_refused(
    exam: Catalogue, tmp_path: Path, second: str, told: str
) -> None:
    file = tmp_path / "own.yaml"
    file.write_text(
        "course: own\ntitle: Own\ncriteria:\n  - {id: one, title: One, kind: order}\n"
        f"  - {second}\n"
    )
    with pytest.raises(UserFault, match=told):
        load_course(file, exam)


def test_what_marks_are_given_for_does_not_change_the_exam(exam: Catalogue, tmp_path: Path) -> None:
    file = tmp_path / "own.yaml"
    file.write_text("course: own\ntitle: Own\n")
    before = load_course(file, exam).catalogue.version
    file.write_text(file.read_text() + "criteria:\n  - {id: one, title: One, kind: order}\n")
    assert load_course(file, exam).catalogue.version == before
