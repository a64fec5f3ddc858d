"""What is shown while a session runs: one picture of it at a moment."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

State = Literal["listening", "paused", "waiting for a microphone", "finishing"]


class _Shown(BaseModel):
    model_config = ConfigDict(frozen=True)


class Filled(_Shown):
    """A field that was just filled: ``remark`` is '', 'please confirm' or 'taken back'."""

    title: str
    result: str
    remark: str = ""


class ItemLine(_Shown):
    """An item of the region in hand and how far it got, in words."""

    title: str
    level: str
    here: bool = False


class RegionTime(_Shown):
    """How long was spent in a region, seconds."""

    title: str
    seconds: float


class Shown(_Shown):
    """Everything that a view needs; levels in dB below full scale, times in seconds.

    ``phrases`` and ``fills`` count the phrases and the filled fields of the whole run.
    """

    state: State = "listening"
    seconds: float = 0.0
    level_dbfs: float = -90.0
    snr: float | None = None
    phrase: str = ""
    partial: str = ""
    question: str = ""
    told: str = ""
    filled: tuple[Filled, ...] = ()
    region: str = ""
    items: tuple[ItemLine, ...] = ()
    flags: tuple[str, ...] = ()
    regions: tuple[RegionTime, ...] = ()
    covered: int = 0
    items_in_all: int = 0
    lost: int = 0
    phrases: int = 0
    fills: int = 0
