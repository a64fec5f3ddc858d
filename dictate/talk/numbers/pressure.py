"""A blood pressure, repaired only where one reading alone is possible."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from dictate.talk.numbers.model import Pressure, Spoken
from dictate.talk.numbers.quantity import Limit

_UNIT = "mmHg"
_HUNDRED = Decimal(100)

Limits = tuple[Limit, Limit]


@dataclass(frozen=True)
class _Pair:
    systolic: Decimal
    diastolic: Decimal
    said: bool  # the word or sign between the two was there
    garbled: bool

    @property
    def both(self) -> tuple[Decimal, Decimal]:
        return self.systolic, self.diastolic


def as_pressure(
    spoken: Spoken, systolic_limits: Limits, diastolic_limits: Limits
) -> Pressure | None:
    """Choose the pressure that was said, None where the words hold none.

    A pair said in full is returned even when it does not fit, as doubtful and with the
    reading that a dropped 'hundred' would give beside it. Without a word between the two
    numbers, or with a decimal point, a run of figures or a mis-heard word there, the
    pressure is returned only if a reading lies within the limits with the systolic above
    the diastolic: ``repaired`` if that is the only one, else ``doubtful``.

    Args:
        spoken: the stretch.
        systolic_limits: lowest and highest plausible systolic pressure, mmHg.
        diastolic_limits: the same for the diastolic.
    """
    if spoken.unit not in (None, _UNIT):
        return None
    systolic = (Decimal(str(systolic_limits[0])), Decimal(str(systolic_limits[1])))
    diastolic = (Decimal(str(diastolic_limits[0])), Decimal(str(diastolic_limits[1])))

    def fits(pair: tuple[Decimal, Decimal]) -> bool:
        upper, lower = pair
        return (
            systolic[0] <= upper <= systolic[1]
            and diastolic[0] <= lower <= diastolic[1]
            and upper > lower
        )

    pairs = list(_pairs(spoken))
    fitting = list(dict.fromkeys(pair.both for pair in pairs if fits(pair.both)))
    said = next((pair for pair in pairs if pair.said), None)
    if said is not None and fits(said.both):
        others = tuple(both for both in fitting if both != said.both)
        return Pressure(
            systolic=said.systolic,
            diastolic=said.diastolic,
            approximate=spoken.approximate,
            repaired=(said.garbled or spoken.doubtful) and not others,
            doubtful=bool(others),
            alternatives=others,
        )
    if fitting:
        return Pressure(
            systolic=fitting[0][0],
            diastolic=fitting[0][1],
            approximate=spoken.approximate,
            repaired=len(fitting) == 1 and said is None,
            doubtful=len(fitting) > 1 or said is not None,
            alternatives=tuple(fitting[1:]) + ((said.both,) if said is not None else ()),
        )
    first = said or next((pair for pair in pairs if pair.garbled and _two_sided(spoken)), None)
    if first is None:
        return None
    raised = (first.systolic + _HUNDRED, first.diastolic)
    alternatives = (raised,) if first.systolic < _HUNDRED and fits(raised) else ()
    if said is None and not alternatives:
        return None
    return Pressure(
        systolic=first.systolic,
        diastolic=first.diastolic,
        approximate=spoken.approximate,
        doubtful=True,
        alternatives=alternatives,
    )


def _two_sided(spoken: Spoken) -> bool:
    return any(reading.form in ("pair", "list") for reading in spoken.readings)


def _pairs(spoken: Spoken) -> Iterator[_Pair]:
    """Every pair of numbers in the stretch, likeliest first."""
    for reading in spoken.readings:
        values = reading.values
        if reading.form == "pair":
            yield _Pair(values[0], values[1], not reading.shorthand, reading.garbled)
        elif reading.form == "list" and len(values) == 2 and all(v == int(v) for v in values):
            yield _Pair(values[0], values[1], False, True)
        elif reading.form == "decimal":
            text = str(abs(values[0]))
            whole, _, rest = text.partition(".")
            if len(rest) >= 2 and rest[0] != "0":
                yield _Pair(Decimal(whole), Decimal(rest), False, True)
        elif reading.form == "integer" and not reading.shorthand:
            text = str(values[0])
            for cut in (2, 3):
                upper, lower = text[:cut], text[cut:]
                if len(lower) >= 2 and lower[0] != "0":
                    yield _Pair(Decimal(upper), Decimal(lower), False, True)
