"""The drawing tells every item's level, left and right apart, in words and in pattern."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, fromstring

import pytest

from dictate.exam.catalogue import Catalogue
from dictate.exam.location import grammars_folder
from dictate.exam.reading import load_catalogue
from dictate.figure.drawing import coverage_figure, figure_style
from dictate.figure.palette import DARK, LIGHT
from dictate.figure.shapes import load_views
from dictate.findings.finding import Level
from tests.figure.invented import finding, session

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def parts(svg: str, region: str, **wanted: str) -> list[Element]:
    """The shapes and badge cells of a region; ``item=`` those that hold the item."""
    item = wanted.pop("item", None)
    return [
        element
        for element in fromstring(svg).iter(f"{SVG}g")
        if element.get("data-region") == region
        and all(element.get(f"data-{name}") == value for name, value in wanted.items())
        and (item is None or item in element.get("data-items", "").split())
    ]


def levels(found: list[Element]) -> set[str]:
    assert found
    return {element.get("data-level", "") for element in found}


def test_every_item_in_force_is_in_some_shape_or_badge_on_each_of_its_sides(
    catalogue: Catalogue,
) -> None:
    empty = session(catalogue)
    svg = coverage_figure(empty, catalogue)
    for item_id, covered in empty.coverage.items():
        region = item_id.partition(".")[0]
        for side in covered.sides:
            wanted: dict[str, str] = {"side": side} if side else {}
            assert parts(svg, region, item=item_id, **wanted), (item_id, side)


def test_shapes_name_only_regions_items_and_sites_of_the_exam(catalogue: Catalogue) -> None:
    for view in load_views():
        for shape in view.shapes:
            region = next(one for one in catalogue.regions if one.region == shape.region)
            items = {item.id.partition(".")[2]: item for item in region.items}
            for key in shape.items:
                assert key in items, (view.view, shape.region, key)
            if shape.site is not None:
                chosen = [items[key] for key in shape.items]
                sited = [item for item in chosen if item.sites]
                assert sited, (view.view, shape.title)
                for item in sited:
                    ids = {site.id for site in catalogue.sites_of(item)}
                    assert shape.site in ids, (view.view, item.id, shape.site)


def test_left_and_right_are_shaded_apart(catalogue: Catalogue) -> None:
    said = finding("vessels.radial_pulse", Level.MEASURED, side="left")
    svg = coverage_figure(session(catalogue, said), catalogue)
    (left,) = parts(svg, "vessels", side="left", item="vessels.radial_pulse")
    (right,) = parts(svg, "vessels", side="right", item="vessels.radial_pulse")
    assert left.get("data-level") == "measured"
    assert right.get("data-level") == "unspoken"


@pytest.mark.parametrize(("view", "left_is_right_of_middle"), [("front", True), ("back", False)])
def test_the_bodys_left_is_on_the_proper_side_of_the_picture(
    catalogue: Catalogue, view: str, left_is_right_of_middle: bool
) -> None:
    root = fromstring(coverage_figure(session(catalogue), catalogue))
    (group,) = (one for one in root.iter(f"{SVG}g") if one.get("data-view") == view)
    shapes = [one for one in group if one.get("data-side") == "left"]
    assert shapes
    for shape in shapes:
        begins = float(shape.findall(f"{SVG}path")[0].get("d", "")[1:].split()[0])
        assert (begins > 0) is left_is_right_of_middle


def test_what_was_said_of_one_site_shades_that_site(catalogue: Catalogue) -> None:
    said = finding("abdomen.light_palpation", Level.REPORTED, site="right_upper")
    svg = coverage_figure(session(catalogue, said), catalogue)
    assert levels(parts(svg, "abdomen", site="right_upper")) == {"reported"}
    assert levels(parts(svg, "abdomen", site="left_lower")) == {"unspoken"}


def test_what_was_said_without_its_site_counts_for_all_of_them(catalogue: Catalogue) -> None:
    said = finding("abdomen.light_palpation", Level.PERFORMED)
    svg = coverage_figure(session(catalogue, said), catalogue)
    for site in ("right_upper", "left_upper", "right_lower", "left_lower"):
        assert levels(parts(svg, "abdomen", site=site)) == {"performed"}


def test_a_side_never_said_is_told_and_leaves_the_edge_broken(catalogue: Catalogue) -> None:
    said = finding("vessels.radial_pulse", Level.MEASURED, side="unspecified")
    svg = coverage_figure(session(catalogue, said), catalogue)
    found = parts(svg, "vessels", item="vessels.radial_pulse")
    assert len(found) == 2
    for part in found:
        assert "side not said of 1" in (part.findtext(f"{SVG}title") or "")
        assert part.findall(f"{SVG}path")[-1].get("stroke-dasharray")


def test_the_edge_is_whole_where_all_was_spoken_of(catalogue: Catalogue) -> None:
    said = finding("mouth.tonsils", Level.MEASURED, side="both")
    svg = coverage_figure(session(catalogue, said), catalogue)
    (part,) = parts(svg, "mouth", side="left", item="mouth.tonsils")
    assert part.findall(f"{SVG}path")[-1].get("stroke-dasharray") is None


def test_what_was_struck_shades_nothing(catalogue: Catalogue) -> None:
    said = finding("abdomen.light_palpation", Level.REPORTED, site="right_upper", struck=True)
    svg = coverage_figure(session(catalogue, said), catalogue)
    assert levels(parts(svg, "abdomen")) == {"unspoken"}


def test_items_not_in_force_are_not_drawn(catalogue: Catalogue) -> None:
    assert not parts(coverage_figure(session(catalogue), catalogue), "groin")
    said = finding("groin.hernia", Level.REPORTED, side="left")
    assert parts(coverage_figure(session(catalogue, said), catalogue), "groin", side="left")


def test_the_four_levels_differ_in_pattern_and_in_darkness(catalogue: Catalogue) -> None:
    said = (
        finding("abdomen.light_palpation", Level.PERFORMED, site="left_lower"),
        finding("mouth.palate", Level.REPORTED),
        finding("mouth.tonsils", Level.MEASURED, side="both"),
    )
    svg = coverage_figure(session(catalogue, *said), catalogue, theme="light")
    fills = {
        part.get("data-level"): part[1].get("fill")
        for region in ("abdomen", "mouth")
        for part in parts(svg, region)
    }
    assert len(set(fills.values())) == 4
    assert fills["performed"] == "url(#figure-performed)"
    assert fills["reported"] == "url(#figure-reported)"
    for colours in (LIGHT, DARK):
        shades = [luminance(colours[name]) for name in ("unspoken", "reported", "measured")]
        assert contrast(shades[0], shades[1]) > 1.3
        assert contrast(shades[1], shades[2]) > 3


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: float, other: float) -> float:
    """Contrast ratio (WCAG 2.2)."""
    light, dark = max(one, other), min(one, other)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("colours", [LIGHT, DARK])
def test_words_and_edges_stand_out_as_wcag_asks(colours: dict[str, str]) -> None:
    ground = luminance(colours["ground"])
    for name, least in (("ink", 4.5), ("soft", 4.5), ("edge", 3.0), ("contour", 3.0)):
        assert contrast(luminance(colours[name]), ground) >= least, name


def test_the_description_tells_each_region(catalogue: Catalogue) -> None:
    said = finding("mouth.tonsils", Level.MEASURED, side="both")
    root = fromstring(coverage_figure(session(catalogue, said), catalogue))
    described = root.findtext(f"{SVG}desc") or ""
    for region in catalogue.regions:
        assert (f"{region.title}: " in described) is region.default
    assert "Mouth and throat: 1 measured" in described
    ids = {one.get("id") for one in root.iter()}
    assert set(root.get("aria-labelledby", "").split()) <= ids


def test_fixed_themes_need_no_style_sheet_and_auto_carries_one(catalogue: Catalogue) -> None:
    empty = session(catalogue)
    assert "<style>" not in coverage_figure(empty, catalogue, theme="light")
    assert "<style>" not in coverage_figure(empty, catalogue, style=False)
    assert f"<style>{figure_style()}</style>" in coverage_figure(empty, catalogue)
    assert DARK["body"] in coverage_figure(empty, catalogue, theme="dark")


def test_interactive_parts_are_buttons_with_a_name(catalogue: Catalogue) -> None:
    svg = coverage_figure(session(catalogue), catalogue, interactive=True)
    for part in parts(svg, "eyes"):
        assert (part.get("role"), part.get("tabindex")) == ("button", "0")
        assert (part.get("aria-label") or "").startswith("Eyes and vision")
    assert 'role="button"' not in coverage_figure(session(catalogue), catalogue)


def test_a_new_region_without_a_shape_gets_a_badge(tmp_path: Path) -> None:
    """A YAML file is all that it takes."""
    folder = tmp_path / "grammars"
    shutil.copytree(grammars_folder(), folder)
    (folder / "regions" / "aura.yaml").write_text(
        "region: aura\n"
        "title: Invented <region>\n"
        "order: 500\n"
        "items:\n"
        "  - id: aura.glow\n"
        "    title: Glow\n"
        "    sides: paired\n"
        "    names: [glow]\n"
        "    readings: [{code: bright, title: bright, status: normal, say: [bright]}]\n",
        encoding="utf-8",
    )
    catalogue = load_catalogue(folder)
    said = finding("aura.glow", Level.REPORTED, side="right")
    svg = coverage_figure(session(catalogue, said), catalogue, views=load_views(folder / "figure"))
    (right,) = parts(svg, "aura", side="right")
    (left,) = parts(svg, "aura", side="left")
    assert (right.get("data-level"), left.get("data-level")) == ("reported", "unspoken")
    assert "Invented <region>" in [one.text for one in fromstring(svg).iter(f"{SVG}text")]


def test_a_new_item_of_a_drawn_region_gets_a_badge(catalogue: Catalogue) -> None:
    regions: list[Any] = []
    for region in catalogue.regions:
        if region.region == "mouth":
            extra = region.items[0].model_copy(update={"id": "mouth.invented"})
            region = region.model_copy(update={"items": (*region.items, extra)})
        regions.append(region)
    wider = catalogue.model_copy(update={"regions": tuple(regions)})
    views = tuple(
        view.model_copy(
            update={
                "shapes": tuple(one for one in view.shapes if one.items or one.region != "mouth")
            }
        )
        for view in load_views()
    )
    svg = coverage_figure(session(wider), wider, views=views)
    assert parts(svg, "mouth", item="mouth.invented")
    assert "Mouth and throat: other" in [one.text for one in fromstring(svg).iter(f"{SVG}text")]
