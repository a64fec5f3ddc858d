"""Measures computed from findings: pulse pressure, mean pressure, body mass index, acuity."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from dictate.checks.flag import Derived, Flag
from dictate.checks.measures import logmar, number_of, outside
from dictate.checks.raising import raised
from dictate.checks.standing import Standing, sides_of, standing
from dictate.checks.wording import citation, limits_text, number_text, unit_text
from dictate.exam.catalogue import Catalogue, Item
from dictate.exam.catalogue import Derived as Rule
from dictate.findings.finding import Finding, Pressure, Quantity, Ratio
from dictate.findings.units import converted, converts

_Result = tuple[float, str | None, tuple[Finding, ...], str]
_Formula = Callable[[Rule, Standing], Iterator[_Result]]


def derive(findings: Iterable[Finding], catalogue: Catalogue) -> tuple[Derived, ...]:
    """Compute every derived measure whose parts were heard.

    Struck and replaced findings are left out; of repeats the last one counts, except for
    the mean of repeats. Numbers are rounded: acuity to 2 decimals, the rest to 1.
    """
    return derived_from(standing(findings, {}, catalogue, 0.0))


def derived_from(heard: Standing) -> tuple[Derived, ...]:
    """Compute the derived measures of findings that were arranged already."""
    found = []
    for rule in heard.catalogue.checks.derived:
        digits = 2 if rule.formula in ("logmar", "decimal_acuity") else 1
        for number, side, used, suffix in _FORMULAS[rule.formula](rule, heard):
            title = f"{rule.title}{suffix}"
            # Adding zero turns -0.0 into 0.0.
            found.append(
                Derived(
                    id=rule.id,
                    title=title,
                    number=round(number, digits) + 0.0,
                    unit=rule.unit,
                    written=rule.written,
                    source=citation(heard.catalogue, rule.source),
                    side=side,
                    findings=tuple(finding.id for finding in used),
                )
            )
    return tuple(found)


def check_derived(heard: Standing) -> Iterator[Flag]:
    """Flag derived measures outside the plausible range, note those outside the usual."""
    rules = {rule.id: rule for rule in heard.catalogue.checks.derived}
    by_id = {finding.id: finding for finding in heard.findings}
    for measure in derived_from(heard):
        ranges = rules[measure.id].ranges
        used = [by_id[finding] for finding in measure.findings]
        side = f" ({measure.side})" if measure.side else ""
        text = f"{measure.title}{side}: {number_text(measure.number)}{unit_text(measure.unit)}"
        if ranges.plausible is not None and outside(ranges.plausible, measure.number):
            limits = ranges.plausible
            yield raised(
                f"implausible:{measure.id}",
                "error",
                f"{text}, which is {measure.written}, cannot be believed; plausible is "
                f"{limits_text(limits, measure.unit)}, so a part was likely misheard.",
                used,
                citation(heard.catalogue, limits.source, limits.note),
            )
        elif ranges.usual is not None and outside(ranges.usual, measure.number):
            limits = ranges.usual
            yield raised(
                f"unusual:{measure.id}",
                "note",
                f"{text}, which is {measure.written}, is outside the usual range "
                f"({limits_text(limits, measure.unit)}).",
                used,
                citation(heard.catalogue, limits.source, limits.note),
            )


def _sides(findings: Sequence[Finding]) -> dict[str | None, list[Finding]]:
    """Findings by the sides that they speak of; sides in a fixed order."""
    order: tuple[str | None, ...] = (None, "left", "right", "both", "midline", "unspecified")
    table: dict[str | None, list[Finding]] = {side: [] for side in order}
    for finding in findings:
        for side in sides_of(finding):
            table[side].append(finding)
    return {side: held for side, held in table.items() if held}


def _suffix(rule: Rule, item: Item) -> str:
    return f", {item.title}" if len(rule.of) > 1 else ""


def _parts(rule: Rule, heard: Standing) -> Iterator[tuple[Item, str | None, list[Finding]]]:
    for item_id in rule.of:
        held = heard.by_item.get(item_id)
        if held:
            for side, findings in _sides(held).items():
                yield heard.catalogue.items[item_id], side, findings


def _last_pressures(rule: Rule, heard: Standing) -> Iterator[tuple[Pressure, str | None, Finding]]:
    for _, side, findings in _parts(rule, heard):
        for finding in reversed(findings):
            value = finding.value
            if isinstance(value, Pressure) and value.systolic > value.diastolic:
                yield value, side, finding
                break


def pulse_pressure(systolic: float, diastolic: float) -> float:
    """Systolic minus diastolic."""
    return systolic - diastolic


def mean_arterial_pressure(systolic: float, diastolic: float) -> float:
    """Diastolic plus one third of the pulse pressure: the usual estimate (common practice)."""
    return diastolic + (systolic - diastolic) / 3


def body_mass_index(kilograms: float, metres: float) -> float:
    """Weight over the square of height. Source: WHO Technical Report Series 894, 2000.

    Raises:
        ValueError: the height is not above zero.
    """
    if metres <= 0:
        raise ValueError("the height must be above zero")
    return kilograms / metres**2


def _pulse_pressure(rule: Rule, heard: Standing) -> Iterator[_Result]:
    for value, side, finding in _last_pressures(rule, heard):
        number = pulse_pressure(float(value.systolic), float(value.diastolic))
        yield number, side, (finding,), ""


def _mean_arterial_pressure(rule: Rule, heard: Standing) -> Iterator[_Result]:
    for value, side, finding in _last_pressures(rule, heard):
        number = mean_arterial_pressure(float(value.systolic), float(value.diastolic))
        yield number, side, (finding,), ""


def _body_mass_index(rule: Rule, heard: Standing) -> Iterator[_Result]:
    measured: dict[str, tuple[float, Finding]] = {}
    for item_id in rule.of:
        for finding in heard.by_item.get(item_id, ()):
            value = finding.value
            if not isinstance(value, Quantity) or value.comparator is not None:
                continue
            for unit in ("kg", "cm"):
                if converts(value.unit, unit) and value.number > 0:
                    measured[unit] = (float(converted(value.number, value.unit, unit)), finding)
    if len(measured) == 2:
        (weight, heavy), (height, tall) = measured["kg"], measured["cm"]
        yield body_mass_index(weight, height / 100), None, (heavy, tall), ""


def _side_difference(rule: Rule, heard: Standing) -> Iterator[_Result]:
    for item_id in rule.of:
        item = heard.catalogue.items.get(item_id)
        if item is None:
            continue
        by_site: dict[str, list[Finding]] = {}
        for finding in heard.by_item.get(item_id, ()):
            by_site.setdefault(finding.site or "", []).append(finding)
        for site, findings in sorted(by_site.items()):
            last: dict[str | None, tuple[float, Finding]] = {}
            for side, held in _sides(findings).items():
                for finding in held:
                    number = number_of(finding.value)
                    if number is not None and _exact(finding):
                        last[side] = (number, finding)
            if "left" in last and "right" in last and last["left"][1].id != last["right"][1].id:
                (left, one), (right, other) = last["left"], last["right"]
                suffix = _suffix(rule, item) + (f", {site}" if site else "")
                yield abs(left - right), None, (one, other), suffix


def _exact(finding: Finding) -> bool:
    return not (isinstance(finding.value, Quantity) and finding.value.comparator is not None)


def _logmar(rule: Rule, heard: Standing) -> Iterator[_Result]:
    for value, side, finding, suffix in _last_ratios(rule, heard):
        number = logmar(value)
        if number is not None:
            yield number, side, (finding,), suffix


def _decimal_acuity(rule: Rule, heard: Standing) -> Iterator[_Result]:
    for value, side, finding, suffix in _last_ratios(rule, heard):
        number = number_of(value)
        if number is not None:
            yield number, side, (finding,), suffix


def _last_ratios(rule: Rule, heard: Standing) -> Iterator[tuple[Ratio, str | None, Finding, str]]:
    for item, side, findings in _parts(rule, heard):
        for finding in reversed(findings):
            if isinstance(finding.value, Ratio):
                yield finding.value, side, finding, _suffix(rule, item)
                break


def _mean_of_repeats(rule: Rule, heard: Standing) -> Iterator[_Result]:
    for item, side, findings in _parts(rule, heard):
        pressures = [
            (finding, finding.value)
            for finding in findings
            if isinstance(finding.value, Pressure)
            and finding.value.systolic > finding.value.diastolic
        ]
        if len(pressures) > 1:
            used = tuple(finding for finding, _ in pressures)
            for half in ("systolic", "diastolic"):
                numbers = [float(getattr(value, half)) for _, value in pressures]
                yield sum(numbers) / len(numbers), side, used, f"{_suffix(rule, item)}, {half}"
        quantities = [
            (finding, float(finding.value.number))
            for finding in findings
            if isinstance(finding.value, Quantity)
            and finding.value.comparator is None
            and finding.value.high is None
        ]
        if len(quantities) > 1:
            numbers = [number for _, number in quantities]
            used = tuple(finding for finding, _ in quantities)
            yield sum(numbers) / len(numbers), side, used, _suffix(rule, item)


_FORMULAS: dict[str, _Formula] = {
    "pulse_pressure": _pulse_pressure,
    "mean_arterial_pressure": _mean_arterial_pressure,
    "body_mass_index": _body_mass_index,
    "side_difference": _side_difference,
    "logmar": _logmar,
    "decimal_acuity": _decimal_acuity,
    "mean_of_repeats": _mean_of_repeats,
}
