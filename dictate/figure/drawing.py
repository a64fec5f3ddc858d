"""The coverage of a session as a drawing of the body in SVG."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from xml.etree.ElementTree import Element, SubElement, tostring

from dictate.exam.catalogue import Catalogue, Item
from dictate.figure.curves import ellipse_data, mirrored, path_data, read_points, whole
from dictate.figure.palette import FILLS, Painter, Theme
from dictate.figure.shapes import Outline, Shape, View, load_views
from dictate.figure.standing import (
    LEVEL_WORDS,
    BodySide,
    Standing,
    items_behind,
    items_without_shape,
    standing_of,
)
from dictate.findings.finding import Level
from dictate.session.record import Session

WIDTH: Final = 810
_BADGES_TOP: Final = 660
_BADGE: Final = (395, 36)  # width and height
_BADGES_ABREAST: Final = 2
_GAP: Final = 8
_FONT: Final = "Segoe UI, Roboto, Noto Sans, DejaVu Sans, Arial, sans-serif"


def coverage_figure(
    session: Session,
    catalogue: Catalogue,
    *,
    theme: Theme = "auto",
    style: bool = True,
    interactive: bool = False,
    views: tuple[View, ...] | None = None,
) -> str:
    """Draw the body, each part shaded by the furthest level that its items got to.

    What is drawn comes from ``grammars/figure/``; items that no shape stands for are
    told in a badge of their region, so that nothing in force is left out. Every shape
    and badge carries ``data-region``, ``data-side`` (left, right or empty),
    ``data-site`` (or empty), ``data-level`` and ``data-items`` (ids with spaces between).

    Args:
        session: whose coverage to draw.
        catalogue: the exam of the session.
        theme: ``auto`` follows the reader's screen by a style sheet; paper is light.
        style: False leaves that style sheet out, for pages that carry :func:`figure_style`.
        interactive: make shapes and badges reachable by keyboard, as buttons.
        views: the drawing; the one in ``grammars/figure/`` by default.

    Returns:
        One ``svg`` element, without XML declaration, that refers to nothing elsewhere.

    Raises:
        UserFault: a file of the drawing does not fit.
    """
    views = load_views() if views is None else views
    return _Drawing(session, catalogue, views, theme, interactive).text(style=style)


def figure_style() -> str:
    """The style sheet by which the figure follows dark screens."""
    return Painter("auto").style


class _Drawing:
    def __init__(
        self,
        session: Session,
        catalogue: Catalogue,
        views: tuple[View, ...],
        theme: Theme,
        interactive: bool,
    ) -> None:
        self._session = session
        self._catalogue = catalogue
        self._views = views
        self._paint = Painter(theme)
        self._interactive = interactive
        self._titles = {region.region: region.title for region in catalogue.regions}
        self._root = Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "class": "body-figure"})

    def text(self, *, style: bool) -> str:
        root, paint = self._root, self._paint
        root.set("role", "group" if self._interactive else "img")
        root.set("aria-labelledby", "figure-title figure-description")
        root.set("font-family", _FONT)
        SubElement(root, "title", id="figure-title").text = "Coverage of the examination"
        description = SubElement(root, "desc", id="figure-description")
        description.text = self._described()
        if style and paint.style:
            SubElement(root, "style").text = paint.style
        paint.define_patterns(root)
        ground = paint.add(root, "rect", fill="ground", width=WIDTH)
        for view in self._views:
            self._view(view)
        bottom = self._legend(self._badges(_BADGES_TOP) + 8)
        root.set("viewBox", f"0 0 {WIDTH} {bottom}")
        root.set("width", str(WIDTH))
        root.set("height", str(bottom))
        ground.set("height", str(bottom))
        return tostring(root, encoding="unicode")

    def _described(self) -> str:
        told = ["A body from the front and from behind, with insets, shaded by level."]
        for region in self._catalogue.regions:
            standing = standing_of(region.items, self._session)
            if standing.items:
                told.append(f"{region.title}: {standing.words}.")
        return " ".join(told)

    def _view(self, view: View) -> None:
        x, y = view.place
        group = self._paint.add(
            self._root,
            "g",
            transform=f"translate({x:g} {y:g}) scale({view.scale:g})",
            data_view=view.view,
        )
        for outline in view.outlines:
            for data in _outline_data(outline):
                self._paint.add(
                    group,
                    "path",
                    fill="body",
                    stroke="contour",
                    stroke_width=round(1.5 / view.scale, 2),
                    stroke_linejoin="round",
                    d=data,
                )
        for line in view.lines:
            knots = read_points(line.points)
            for one in (knots, mirrored(knots)) if line.mirrored else (knots,):
                self._paint.add(
                    group,
                    "path",
                    fill="none",
                    stroke="contour",
                    stroke_width=1.1,
                    stroke_linecap="round",
                    d=path_data(one, closed=False),
                )
        for shape in view.shapes:
            items = items_behind(shape, self._catalogue)
            for side, data in _shape_data(shape, view):
                self._shape(group, shape, items, side, data, view.scale)
        self._heading(view)

    def _heading(self, view: View) -> None:
        x, y = view.title_at
        self._text(self._root, x, y, view.title, size=18, anchor="middle", weight=600)
        if any(shape.mirrored for shape in view.shapes):
            reach = 8 + 5.6 * len(view.title)
            first, second = ("R", "L") if view.sides == "facing" else ("L", "R")
            self._text(self._root, x - reach - 6, y, first, size=16, anchor="end", colour="soft")
            self._text(self._root, x + reach + 6, y, second, size=16, colour="soft")

    def _shape(
        self,
        parent: Element,
        shape: Shape,
        items: tuple[Item, ...],
        side: BodySide | None,
        data: str,
        scale: float,
    ) -> None:
        standing = standing_of(items, self._session, side=side, site=shape.site)
        if not standing.items:
            return
        group = self._part(parent, shape.region, shape.title, side, shape.site or "", standing)
        self._shade(group, "path", standing, scale, d=data)

    def _shade(
        self, parent: Element, tag: str, standing: Standing, scale: float, **form: object
    ) -> None:
        """Fill a form by its level; a pale rim sets it off from its edge and its neighbours."""
        self._paint.add(
            parent,
            tag,
            fill=FILLS[standing.level],
            stroke="ground",
            stroke_width=round(3.8 / scale, 2),
            stroke_linejoin="round",
            **form,
        )
        if not standing.complete:
            form["stroke_dasharray"] = f"{4 / scale:.1f} {2.6 / scale:.1f}"
        self._paint.add(
            parent,
            tag,
            fill="none",
            stroke="edge",
            stroke_width=round(1.3 / scale, 2),
            stroke_linejoin="round",
            **form,
        )

    def _part(
        self,
        parent: Element,
        region: str,
        part: str,
        side: BodySide | None,
        site: str,
        standing: Standing,
    ) -> Element:
        name = ", ".join(word for word in (self._titles.get(region, region), part, side) if word)
        told = f"{name}: {standing.words}"
        group = SubElement(
            parent,
            "g",
            {
                "data-region": region,
                "data-side": side or "",
                "data-site": site,
                "data-level": standing.level.value,
                "data-items": " ".join(standing.items),
            },
        )
        if self._interactive:
            group.set("tabindex", "0")
            group.set("role", "button")
            group.set("aria-label", told)
        SubElement(group, "title").text = told
        return group

    def _badges(self, top: float) -> float:
        """Draw the badges; return where they end."""
        place = 0
        width, height = _BADGE
        for region, items in items_without_shape(self._views, self._catalogue).items():
            whole_region = standing_of(items, self._session)
            if not whole_region.items:
                continue
            row, column = divmod(place, _BADGES_ABREAST)
            x = _GAP / 2 + column * (width + _GAP)
            self._badge(region, items, x, top + row * (height + _GAP))
            place += 1
        rows = -(-place // _BADGES_ABREAST)
        return top + rows * (height + _GAP)

    def _badge(self, region: str, items: tuple[Item, ...], x: float, y: float) -> None:
        width, height = _BADGE
        group = self._paint.add(self._root, "g", data_badge=region)
        self._paint.add(
            group, "rect", fill="body", stroke="contour", x=x, y=y, width=width, height=height, rx=6
        )
        drawn = any(shape.region == region for view in self._views for shape in view.shapes)
        title = self._titles[region] + (": other" if drawn else "")
        cells = list(self._cells(items))
        room = width - 20 - 36 * len(cells)
        size = min(18.0, round(room / (0.56 * len(title)), 1))
        self._text(group, x + 10, y + 24, title, size=size)
        for number, (side, standing) in enumerate(cells):
            left = x + width - 7 - 36 * (len(cells) - number) + 4
            part = "other items" if drawn else ""
            cell = self._part(group, region, part, side, "", standing)
            box = {"x": left, "y": y + 6, "width": 32, "height": height - 12, "rx": 3}
            self._shade(cell, "rect", standing, 1.0, **box)
            if side:
                self._letter(cell, left + 16, y + 23, side[0].upper())

    def _letter(self, parent: Element, x: float, y: float, letter: str) -> None:
        self._paint.add(parent, "circle", fill="ground", cx=x, cy=y - 5, r=8)
        self._text(parent, x, y, letter, size=13, anchor="middle", weight=600)

    def _cells(self, items: tuple[Item, ...]) -> Iterator[tuple[BodySide | None, Standing]]:
        paired = [item for item in items if item.sides == "paired"]
        for side, some in (
            ("right", paired),
            (None, [item for item in items if item.sides != "paired"]),
            ("left", paired),
        ):
            standing = standing_of(some, self._session, side=side)  # type: ignore[arg-type]
            if standing.items:
                yield side, standing  # type: ignore[misc]

    def _legend(self, top: float) -> float:
        """Draw the key; return where the figure ends."""
        x = 6.0
        for level in Level:
            shown = Standing(items=("",), levels=(level,))
            box = {"x": x, "y": top, "width": 32, "height": 21, "rx": 3}
            self._shade(self._root, "rect", shown, 1.0, **box)
            self._text(self._root, x + 40, top + 17, LEVEL_WORDS[level], size=18)
            x += 66 + 10 * len(LEVEL_WORDS[level])
        self._text(
            self._root,
            6,
            top + 46,
            "Shade: the furthest that anything there got. Broken edge: not all was spoken of.",
            size=16,
            colour="soft",
        )
        return top + 60

    def _text(
        self,
        parent: Element,
        x: float,
        y: float,
        text: str,
        *,
        size: float,
        anchor: str = "start",
        weight: int = 400,
        colour: str = "ink",
    ) -> None:
        self._paint.add(
            parent,
            "text",
            fill=colour,
            x=f"{x:g}",
            y=f"{y:g}",
            font_size=f"{size:g}",
            text_anchor=anchor,
            font_weight=weight,
        ).text = text


def _outline_data(outline: Outline) -> Iterator[str]:
    knots = read_points(outline.points)
    if outline.make == "whole":
        yield path_data(whole(knots), closed=True)
        return
    yield path_data(knots, closed=True)
    if outline.make == "mirrored":
        yield path_data(mirrored(knots), closed=True)


def _shape_data(shape: Shape, view: View) -> Iterator[tuple[BodySide | None, str]]:
    knots = read_points(shape.outline) if shape.outline else ()
    drawn = path_data(knots, closed=True) if knots else ""
    drawn += "".join(ellipse_data(*ellipse) for ellipse in shape.ellipses)
    if not shape.mirrored:
        yield shape.side, drawn
        return
    over = path_data(mirrored(knots), closed=True) if knots else ""
    over += "".join(ellipse_data(-x, y, a, b) for x, y, a, b in shape.ellipses)
    facing = view.sides == "facing"
    yield ("left" if facing else "right"), drawn
    yield ("right" if facing else "left"), over
