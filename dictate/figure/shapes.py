"""The drawing as data: views of the body, each with an outline and shapes for the exam's items.

The files under ``grammars/figure/`` are checked against these models.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

from dictate.exam.catalogue import Key
from dictate.exam.location import grammars_folder
from dictate.exam.reading import read_yaml
from dictate.figure.curves import Points

Ellipse = tuple[float, float, float, float]


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Shape(_Data):
    """An area of the drawing that stands for items of one region.

    It is written for the right half of the picture (x above 0) where it is mirrored.
    """

    region: Key
    items: tuple[Key, ...] = Field(
        default=(), description="Keys after the dot; left out: every item of the region."
    )
    site: Key | None = Field(
        default=None, description="Of items with sites, only what was said of this one."
    )
    title: str = Field(default="", description="What is drawn, where it is less than the region.")
    mirrored: bool = Field(default=False, description="Drawn twice: one for each side.")
    side: Literal["left", "right"] | None = Field(
        default=None, description="The side that a shape drawn once lies on."
    )
    outline: Points | None = Field(default=None, description="Closed curve through 'x,y x,y! ...'.")
    ellipses: tuple[Ellipse, ...] = Field(
        default=(), description="Middle x, y, half width and half height of each."
    )

    @model_validator(mode="after")
    def _drawn(self) -> Shape:
        if self.outline is None and not self.ellipses:
            raise ValueError("a shape needs 'outline' or 'ellipses'")
        if self.mirrored and self.side is not None:
            raise ValueError("a mirrored shape has its sides from the view; leave 'side' out")
        return self


class Outline(_Data):
    """A part of the body as background: a closed curve, mirrored or closed by its mirror image."""

    points: Points
    make: Literal["once", "mirrored", "whole"] = Field(
        default="once",
        description="'whole': half an outline that begins and ends on x = 0; "
        "'mirrored': drawn again on the other side.",
    )


class Line(_Data):
    """A line of the drawing that stands for nothing."""

    points: Points
    mirrored: bool = False


class View(_Data):
    """One picture within the figure; shapes listed later lie on top."""

    view: Key
    title: str
    description: str = Field(description="What is seen, for those who cannot see it.")
    order: int
    place: tuple[float, float] = Field(description="Where its 0,0 lies in the figure.")
    scale: float = Field(default=1.0, gt=0, le=10)
    title_at: tuple[float, float] = Field(description="Middle of the title, in the figure.")
    sides: Literal["facing", "from behind"] = Field(
        default="facing", description="'facing': the body's right is on the left of the picture."
    )
    outlines: tuple[Outline, ...] = ()
    shapes: tuple[Shape, ...]
    lines: tuple[Line, ...] = ()


VIEW: TypeAdapter[View] = TypeAdapter(View)


@lru_cache(maxsize=4)
def load_views(folder: Path | None = None) -> tuple[View, ...]:
    """Read the views of the figure, in the order in which they are drawn.

    Raises:
        UserFault: a file does not fit; the sentence names the file and the line.
    """
    folder = folder or grammars_folder() / "figure"
    views = (read_yaml(path, VIEW) for path in sorted(folder.glob("*.yaml")))
    return tuple(sorted(views, key=lambda view: (view.order, view.view)))
