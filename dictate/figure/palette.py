"""Colours and patterns of the four levels: told apart by darkness and by pattern, not by hue."""

from __future__ import annotations

from typing import Final, Literal
from xml.etree.ElementTree import Element, SubElement

from dictate.findings.finding import Level

Theme = Literal["auto", "light", "dark"]

LIGHT: Final = {
    "ground": "#ffffff",
    "ink": "#20262b",
    "soft": "#5c666e",
    "edge": "#2f4a44",
    "body": "#f1eee6",
    "contour": "#8b908d",
    "unspoken": "#ffffff",
    "performed": "#ffffff",
    "reported": "#a9cfc4",
    "measured": "#1f5d50",
    "hatch": "#3c7a6c",
}
DARK: Final = {
    "ground": "#1b2124",
    "ink": "#e6e8e4",
    "soft": "#a3adb0",
    "edge": "#c4dfd7",
    "body": "#2a3235",
    "contour": "#7d878a",
    "unspoken": "#1b2124",
    "performed": "#1b2124",
    "reported": "#2f6558",
    "measured": "#9fdccb",
    "hatch": "#79b8a8",
}
FILLS: Final = {
    Level.UNSPOKEN: "unspoken",
    Level.PERFORMED: "url(#figure-performed)",
    Level.REPORTED: "url(#figure-reported)",
    Level.MEASURED: "measured",
}


class Painter:
    """Makes elements in the colours of a theme.

    Colours stand in the elements themselves, so that a reader of SVG without style sheets
    shows them; under ``auto`` a style sheet changes them on dark screens.
    """

    def __init__(self, theme: Theme) -> None:
        self._colours = DARK if theme == "dark" else LIGHT
        self._classes = theme == "auto"

    def add(
        self,
        parent: Element,
        tag: str,
        *,
        fill: str | None = None,
        stroke: str | None = None,
        **attributes: object,
    ) -> Element:
        """Add an element; ``fill`` and ``stroke`` name a colour, are 'none' or a url."""
        element = SubElement(parent, tag)
        classes = []
        for name, role in (("fill", fill), ("stroke", stroke)):
            if role is None:
                continue
            element.set(name, self._colours.get(role, role))
            if self._classes and role in self._colours:
                classes.append(f"{name}-{role}")
        if classes:
            element.set("class", " ".join(classes))
        for name, value in attributes.items():
            element.set(name.rstrip("_").replace("_", "-"), str(value))
        return element

    def define_patterns(self, parent: Element) -> None:
        """Define the patterns of the levels that have one."""
        definitions = SubElement(parent, "defs")
        wide = self._pattern(definitions, "figure-performed", 6, "performed")
        self.add(wide, "path", fill="none", stroke="hatch", stroke_width=1.3, d="M3 0V6")
        # Browsers print a pattern as small pictures of it: smaller dots would run together.
        dense = self._pattern(definitions, "figure-reported", 6, "reported")
        self.add(dense, "circle", fill="hatch", cx=3, cy=3, r=1.45)

    def _pattern(self, parent: Element, name: str, size: int, ground: str) -> Element:
        pattern = self.add(
            parent,
            "pattern",
            id=name,
            width=size,
            height=size,
            patternUnits="userSpaceOnUse",
            patternTransform="rotate(45)",
        )
        self.add(pattern, "rect", fill=ground, width=size, height=size)
        return pattern

    @property
    def style(self) -> str:
        """The style sheet that changes the colours on dark screens; '' for a fixed theme."""
        if not self._classes:
            return ""
        rules = "".join(
            f".body-figure .{name}-{role}{{{name}:{colour}}}"
            for role, colour in DARK.items()
            for name in ("fill", "stroke")
        )
        return f"@media screen and (prefers-color-scheme:dark){{{rules}}}"
