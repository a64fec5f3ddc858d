"""Reading the exam data: what is refused, and that the sentence names file, line and item."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dictate.errors import UserFault
from dictate.exam.reading import content_hash, load_catalogue
from tests.exam.exam_folder import ARM, LEG, write_exam


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_exam(tmp_path / "exam")


def line_of(text: str, part: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if part in line)


def swap(old: str, new: str) -> Callable[[str], str]:
    def change(text: str) -> str:
        assert text.count(old) == 1
        return text.replace(old, new)

    return change


def test_the_small_exam_is_read_in_order(folder: Path) -> None:
    catalogue = load_catalogue(folder)
    assert list(catalogue.items) == ["arm.look", "arm.power", "leg.girth", "leg.hair"]
    assert catalogue.region_of("leg.hair").title == "Leg"
    assert [site.id for site in catalogue.sites_of(catalogue.items["arm.power"])] == ["upper"]


@pytest.mark.parametrize(
    ("change", "at", "item", "told"),
    [
        (swap("title: Look of the arm", "titel: Look"), "titel", "arm.look", "titel"),
        (swap("kind: grade", "kind: grades"), "kind: grades", "arm.power", "kind"),
        (swap("<see> at your arm", "(look at"), "(look at", "arm.look", "')' is missing"),
        (swap("<see> at your arm", "<sea> at"), "<sea> at", "arm.look", "rule <sea> is not"),
        (swap("scale: power", "scale: force"), "scale: force", "arm.power", "scale 'force'"),
        (swap("sites: zones", "sites: places"), "sites: places", "arm.power", "site list"),
        (swap("id: arm.power", "id: leg.power"), "region: arm", "", "does not begin with"),
        (swap("id: arm.power", "id: arm.look"), "id: arm.look", "arm.look", "there twice"),
        (
            swap("    kind: grade\n    scale: power\n", "    kind: grade\n"),
            "",
            "arm.power",
            "scale",
        ),
        (
            swap('announced: ["now the arm"]', 'announced: ["now [the"]'),
            "now [the",
            "",
            "']' is missing",
        ),
        (swap("code: limp", "code: normal"), "", "arm.look", "two readings have the same code"),
        (swap("status: abnormal", "status: bad"), "status: bad", "arm.look", "status"),
        (swap('    names: ["power"]', "    names: []\n    kind: grade"), "", "", "there twice"),
    ],
)
def test_a_complaint_names_file_line_and_item(
    folder: Path, change: Callable[[str], str], at: str, item: str, told: str
) -> None:
    path = folder / "regions" / "arm.yaml"
    broken = change(ARM)
    path.write_text(broken, encoding="utf-8")
    with pytest.raises(UserFault) as fault:
        load_catalogue(folder)
    said = str(fault.value)
    assert said.startswith(f"{path}, line ")
    assert told in said
    assert said.endswith(".") and "\n" not in said
    if item:
        assert f"item '{item}'" in said
    if at:
        lines = [n for n, line in enumerate(broken.splitlines(), 1) if at in line]
        assert int(said.split("line ")[1].split(",")[0].split(":")[0]) in lines


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (swap("source: practice", "source: nowhere"), "source 'nowhere' is not in sources.yaml"),
        (swap("low: 25, high: 50", "low: 50, high: 25"), "'low' is above 'high'"),
        (swap("    unit: cm\n", ""), "a quantity needs 'unit'"),
        (
            swap("    unit: cm\n", "    unit: cm\n    strength: leg.nowhere\n"),
            "strength 'leg.nowhere' is no item of this region with a grade",
        ),
        (swap("default: false", "default: maybe"), "default"),
        (swap("order: 20", "order: soon"), "order"),
    ],
)
def test_ranges_and_units_are_checked(
    folder: Path, change: Callable[[str], str], told: str
) -> None:
    path = folder / "regions" / "leg.yaml"
    path.write_text(change(LEG), encoding="utf-8")
    with pytest.raises(UserFault, match="line ") as fault:
        load_catalogue(folder)
    assert told in str(fault.value) and str(path) in str(fault.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is empty"),
        ("region: [", "not valid YAML"),
        ("region: &a arm\ntitle: *a\n", "anchors and aliases are not allowed"),
        ("region: !!python/object/apply:os.getcwd []\n", "tag"),
        ("region: arm\nregion: leg\n", "there twice"),
        ("- a\n- b\n", ""),
    ],
)
def test_files_that_are_no_region_are_refused(folder: Path, text: str, told: str) -> None:
    path = folder / "regions" / "arm.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UserFault) as fault:
        load_catalogue(folder)
    assert str(path) in str(fault.value) and told in str(fault.value)


def test_bytes_that_are_no_text_are_refused(folder: Path) -> None:
    (folder / "scales.yaml").write_bytes(b"\xff\xfe\x00power")
    with pytest.raises(UserFault, match="UTF-8"):
        load_catalogue(folder)


def test_a_missing_file_and_an_empty_folder_are_said(folder: Path, tmp_path: Path) -> None:
    (folder / "sources.yaml").unlink()
    with pytest.raises(UserFault, match=r"sources\.yaml cannot be read"):
        load_catalogue(folder)
    other = write_exam(tmp_path / "other")
    for path in (other / "regions").iterdir():
        path.unlink()
    with pytest.raises(UserFault, match="No exam regions"):
        load_catalogue(other)


def test_the_cache_gives_the_same_and_notices_a_change(folder: Path, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    first = load_catalogue(folder, cache=cache)
    assert len(list(cache.iterdir())) == 1
    assert load_catalogue(folder, cache=cache) == first
    path = folder / "regions" / "leg.yaml"
    path.write_text(LEG.replace("Girth of the calf", "Calf girth"), encoding="utf-8")
    second = load_catalogue(folder, cache=cache)
    assert second.items["leg.girth"].title == "Calf girth"
    assert second.version != first.version == content_hash(write_exam(tmp_path / "same"))


def test_a_damaged_cache_is_made_anew(folder: Path, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    first = load_catalogue(folder, cache=cache)
    kept = next(cache.iterdir())
    kept.write_text("{torn", encoding="utf-8")
    assert load_catalogue(folder, cache=cache) == first


def test_yes_no_on_and_off_stay_words(folder: Path) -> None:
    path = folder / "regions" / "leg.yaml"
    path.write_text(LEG.replace('["bald"]', "[off, no, yes]"), encoding="utf-8")
    item = load_catalogue(folder).items["leg.hair"]
    assert item.reading("bald").say == ("off", "no", "yes")
