"""Times that every later stage can reckon with: finite, and no longer than any recording."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final

from pydantic import AfterValidator, AwareDatetime, Field

LONGEST: Final = 10_000_000.0
"""Seconds; some 115 days. What is longer is a damaged header or a forged line."""

Seconds = Annotated[float, Field(ge=0, le=LONGEST, allow_inf_nan=False)]


def _within_the_calendar(moment: datetime) -> datetime:
    # Another zone, or a recording's length added, must not lead out of the years 1 to 9999.
    if not 1000 <= moment.year <= 9000:
        raise ValueError("the year is not between 1000 and 9000")
    return moment


Instant = Annotated[AwareDatetime, AfterValidator(_within_the_calendar)]
