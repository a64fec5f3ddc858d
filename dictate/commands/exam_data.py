"""What ``dictate items``, ``dictate card`` and ``dictate grammar check`` do."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import typer

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue, Item, Region
from dictate.exam.course import Checklist, load_course, shipped_courses, usual_checklist
from dictate.exam.reading import load_catalogue


def items(words: list[str], *, region: str, course: str, all_items: bool, as_json: bool) -> None:
    """List the items of an exam, those that hold all words, or show the one of this id."""
    checklist = _checklist(course)
    catalogue = checklist.catalogue
    asked = " ".join(words).strip().lower()
    if asked in catalogue.items:
        _show(catalogue.items[asked], checklist, as_json)
        return
    if region and region not in {one.region for one in catalogue.regions}:
        known = ", ".join(one.region for one in catalogue.regions)
        raise UserFault(f"There is no region '{region}'; the regions are {known}.")
    listed = checklist.required | checklist.optional
    found = [
        item
        for one in catalogue.regions
        for item in one.items
        if (not region or one.region == region)
        and (all_items or asked or item.id in listed)
        and _holds(item, one, asked)
    ]
    if asked and not found:
        raise UserFault(f"No item is known by '{asked}'; 'dictate items --all' lists them all.")
    if as_json:
        typer.echo(json.dumps([_line(item, checklist) for item in found], indent=1))
    else:
        _print_list(found, checklist)


def card(course: str, out: Path | None) -> None:
    """Write the card of a course's exam; '-' prints it.

    Raises:
        UserFault: the file cannot be written, or the course does not fit.
    """
    from dictate.exam.card import render_card

    checklist = _checklist(course)
    page = render_card(checklist)
    if out is not None and str(out) == "-":
        typer.echo(page)
        return
    path = out or Path(f"{checklist.course}-card.html")
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise UserFault(f"The card cannot be written to {path}: {error.strerror}.") from error
    typer.echo(f"{path}: {len(checklist.entries)} items; open it in a browser and print it.")


def check(file: Path | None, *, full: bool, as_json: bool) -> int:
    """Check a course or region file, or the exam data; return the exit code."""
    from dictate.exam.ambiguity import ambiguity_report, load_explanations
    from dictate.talk.lexicon import compared

    usual = load_catalogue()
    if file is None:
        checklists = [usual_checklist(usual)]
        checklists += [load_course(key, usual) for key in shipped_courses()]
        catalogue = usual
    else:
        checklist = _from_file(file, usual)
        checklists, catalogue = [checklist], checklist.catalogue
    report = ambiguity_report(catalogue, compared, load_explanations())
    if as_json:
        typer.echo(report.model_dump_json(indent=1))
    else:
        for one in checklists:
            _print_summary(one)
        if file is None:
            _print_shares(catalogue)
        for shared in report.shared:
            if full or not shared.decided_by:
                told = f" (told apart: {shared.decided_by})" if shared.decided_by else ""
                typer.echo(f"  {shared.context}: '{shared.words}': {', '.join(shared.items)}{told}")
        for silent in report.silent:
            if full or not silent.because:
                said = f" ({silent.because})" if silent.because else ""
                typer.echo(f"  {silent.item}: no words for its {silent.lacks}{said}")
        typer.echo(
            f"{len(report.open)} of {len(report.shared)} shared wordings are told apart by "
            f"nothing; {len(report.mute)} items lack words."
        )
    return int(bool(report.open or report.mute))


def _checklist(course: str) -> Checklist:
    catalogue = load_catalogue()
    return load_course(course, catalogue) if course else usual_checklist(catalogue)


def _from_file(path: Path, usual: Catalogue) -> Checklist:
    """The exam of a course file, or the usual exam with a region file in its place."""
    from pydantic import TypeAdapter

    from dictate.exam.reading import check_region, read_with_lines

    keys, _ = read_with_lines(path, TypeAdapter(dict[str, Any]))
    if "region" not in keys or "course" in keys:
        return load_course(path, usual)
    region, lines = read_with_lines(path, TypeAdapter(Region))
    check_region(lines, region, usual.sources, usual.scales, usual.sites)
    others = [one for one in usual.regions if one.region != region.region]
    regions = sorted([*others, region], key=lambda one: (one.order, one.region))
    # Built anew, not copied: a copy would keep the old lists of items.
    fields = {name: getattr(usual, name) for name in Catalogue.model_fields}
    return usual_checklist(Catalogue(**{**fields, "regions": tuple(regions)}))


def _holds(item: Item, region: Region, asked: str) -> bool:
    if not asked:
        return True
    text = " ".join(
        (
            item.id.replace(".", " ").replace("_", " "),
            item.title,
            region.title,
            *item.names,
            *item.performed,
            *item.systems,
            *(f"nerve {nerve}" for nerve in item.nerves),
            *(reading.title for reading in item.readings),
            *(phrase for reading in item.readings for phrase in reading.say),
        )
    ).lower()
    return all(word in text for word in asked.split())


def _line(item: Item, checklist: Checklist) -> dict[str, Any]:
    return {
        "id": item.id,
        "title": item.title,
        "kind": item.kind,
        "sides": item.sides,
        "unit": item.unit,
        "on_checklist": item.id in checklist.required | checklist.optional,
        "required": item.id in checklist.required,
    }


def _print_list(found: list[Item], checklist: Checklist) -> None:
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, pad_edge=False, show_header=True, header_style="bold")
    for heading in ("item", "title", "kind", "sides", "on the checklist"):
        table.add_column(heading, overflow="fold")
    region = ""
    for item in found:
        if item.region != region:
            region = item.region
            count = sum(one.region == region for one in found)
            title = checklist.catalogue.region_of(item.id).title
            table.add_row(f"[bold]{escape(title)}[/bold] ({count})")
        unit = f" [{item.unit}]" if item.unit else ""
        table.add_row(
            f"  {item.id}",
            escape(item.title),
            escape(item.kind + unit),
            "L R" if item.sides == "paired" else "",
            _standing(item, checklist),
        )
    console = Console(width=None if _wide() else 110, highlight=False)
    console.print(table)
    console.print(f"{len(found)} items of {checklist.title}.")


def _wide() -> bool:
    import sys

    return sys.stdout.isatty()


def _standing(item: Item, checklist: Checklist) -> str:
    if item.id in checklist.required:
        return "required"
    return "optional" if item.id in checklist.optional else "no"


def _show(item: Item, checklist: Checklist, as_json: bool) -> None:
    from dictate.exam.wording import limits_words, value_hint

    if as_json:
        typer.echo(item.model_dump_json(indent=1, exclude_defaults=True))
        return
    catalogue = checklist.catalogue
    region = catalogue.region_of(item.id)
    typer.echo(f"{item.id}: {item.title}")
    typer.echo(f"  region      {region.title}")
    typer.echo(f"  checklist   {_standing(item, checklist)}")
    typer.echo(f"  kind        {item.kind}" + (f" in {item.unit}" if item.unit else ""))
    if item.sides == "paired":
        typer.echo("  sides       left and right")
    for site in catalogue.sites_of(item):
        typer.echo(f"  place       {site.title}")
    hint = value_hint(item, catalogue.scales[item.scale] if item.scale else None)
    if hint:
        typer.echo(f"  value       {hint}")
    for name, ranges in (("range", item.ranges), ("diastolic", item.diastolic)):
        for word, limits in (
            ("usual", ranges.usual),
            ("plausible", ranges.plausible),
            *(("other", other) for other in ranges.others),
        ):
            if limits is not None:
                source = catalogue.sources[limits.source]
                year = f", {source.year}" if source.year else ""
                kind = "" if source.kind == "published" else f" ({source.kind})"
                note = f"; {limits.note}" if limits.note else ""
                typer.echo(
                    f"  {name:<11} {word} {limits_words(limits, item.unit)}: "
                    f"{source.title}{year}{kind}{note}"
                )
    for coding in item.codes:
        typer.echo(f"  code        {coding.system} {coding.code} {coding.display}")
    for heading, phrases in (
        ("called", item.names),
        ("done", item.performed),
        ("asked", tuple(phrase for question in item.asked for phrase in question.say)),
        ("value said", item.say_value),
    ):
        for phrase in phrases:
            typer.echo(f"  {heading:<11} {phrase}")
    for reading in item.readings:
        for phrase in reading.say:
            typer.echo(f"  {'result':<11} {reading.title} ({reading.status}): {phrase}")


def _print_summary(checklist: Checklist) -> None:
    minutes = f", {checklist.minutes:g} minutes" if checklist.minutes else ""
    typer.echo(
        f"{checklist.title}: {len(checklist.entries)} items on the checklist, "
        f"{len(checklist.required)} of them required{minutes}."
    )


def _print_shares(catalogue: Catalogue) -> None:
    from dictate.exam.citations import (
        range_sources,
        rule_sources,
        scale_sources,
        share_of_sources,
        usual_range_sources,
    )

    for region in catalogue.regions:
        on = sum(item.default for item in region.items) if region.default else 0
        typer.echo(f"  {region.region:<10} {len(region.items):>3} items, {on:>3} on by default")
    for what, keys in (
        ("usual ranges", usual_range_sources(catalogue)),
        ("all ranges and differences", range_sources(catalogue)),
        ("grading scales", scale_sources(catalogue)),
        ("rules and computed measures", rule_sources(catalogue)),
    ):
        share = share_of_sources(keys, catalogue)
        typer.echo(
            f"  {what}: {share.published} of {share.total} from a publication "
            f"({share.published_percent:.0f}%), {share.common_practice} common practice, "
            f"{share.from_memory} from memory"
        )
