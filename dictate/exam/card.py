"""The printable card of what can be said in an exam."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from dictate.exam.catalogue import Catalogue, Item, Polarity, Region
from dictate.exam.course import Checklist
from dictate.exam.wording import limits_words, plain_wordings, value_hint

_MOST_ACTS = 3
_MOST_NAMES = 2
_MOST_RESULTS = 2


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True)


class ResultRow(_Row):
    """One result on the card."""

    title: str
    ordinary: bool
    says: tuple[str, ...]


class ItemRow(_Row):
    """One item on the card."""

    id: str
    title: str
    required: bool
    sides: tuple[str, ...]
    places: tuple[str, ...]
    acts: tuple[str, ...]
    asks: tuple[str, ...]
    names: tuple[str, ...]
    value: str
    usual: str
    source: str
    results: tuple[ResultRow, ...]


class RegionRows(_Row):
    """One region on the card."""

    title: str
    rows: tuple[ItemRow, ...]


def card_rows(checklist: Checklist) -> tuple[RegionRows, ...]:
    """What the card shows of a checklist, region by region, in exam order."""
    required = {entry.item: entry.required for entry in checklist.entries}
    catalogue = checklist.catalogue
    made = []
    for region in catalogue.regions:
        rows = tuple(
            _row(item, region, required[item.id], catalogue)
            for item in region.items
            if item.id in required
        )
        if rows:
            made.append(RegionRows(title=region.title, rows=rows))
    return tuple(made)


def _row(item: Item, region: Region, required: bool, catalogue: Catalogue) -> ItemRow:
    scale = catalogue.scales[item.scale] if item.scale else None
    asked = tuple(phrase for question in item.asked for phrase in question.say[:1])
    usual, source = "", ""
    if item.ranges.usual is not None:
        usual = limits_words(item.ranges.usual, item.unit)
        if item.diastolic.usual is not None:
            upper = limits_words(item.ranges.usual, None)
            usual = f"{upper} over {limits_words(item.diastolic.usual, item.unit)}"
        cited = catalogue.sources[item.ranges.usual.source]
        source = cited.title if cited.year is None else f"{cited.title} ({cited.year})"
    elif scale is not None and scale.usual is not None:
        usual = f"{scale.usual:g}"
        if scale.usual_to is not None:
            usual += f" to {scale.usual_to:g}"
        source = catalogue.sources[scale.source].title
    return ItemRow(
        id=item.id,
        title=item.title,
        required=required,
        sides=("left", "right") if item.sides == "paired" else (),
        places=tuple(site.title for site in catalogue.sites_of(item)),
        acts=plain_wordings(item.performed, region.rules, _MOST_ACTS, fewest_words=3),
        asks=plain_wordings(asked, region.rules, 1),
        names=plain_wordings(item.names, region.rules, _MOST_NAMES),
        value=value_hint(item, scale),
        usual=usual,
        source=source,
        results=_results(item, region),
    )


def _results(item: Item, region: Region) -> tuple[ResultRow, ...]:
    """The item's results; readings that have the same title in the note are one."""
    says: dict[tuple[str, Polarity], list[str]] = {}
    for reading in item.readings:
        says.setdefault((reading.title, reading.status), []).extend(reading.say)
    return tuple(
        ResultRow(
            title=title,
            ordinary=status in ("normal", "absent"),
            says=plain_wordings(phrases, region.rules, _MOST_RESULTS),
        )
        for (title, status), phrases in says.items()
    )


def render_card(checklist: Checklist) -> str:
    """The card as one HTML page that needs no other file and prints on A4 or Letter."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("dictate.exam", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("card.html.j2").render(
        checklist=checklist,
        regions=card_rows(checklist),
        count=len(checklist.entries),
        version=checklist.catalogue.version[:12],
    )
