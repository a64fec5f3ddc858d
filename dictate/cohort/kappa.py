"""Agreement on categories beyond what chance alone would give."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence

from pydantic import BaseModel, ConfigDict


class Kappa(BaseModel):
    """Chance-corrected agreement: 1 is perfect, 0 what chance gives.

    ``low`` and ``high`` are the 95% confidence interval from the standard error, None
    where none was computed; ``kappa`` is None where all ratings are one category, since
    chance then agrees always.
    """

    model_config = ConfigDict(frozen=True)

    subjects: int
    observed: float
    expected: float
    kappa: float | None
    error: float | None = None

    @property
    def low(self) -> float | None:
        """Lower end of the 95% confidence interval."""
        return None if self.kappa is None or self.error is None else self.kappa - 1.96 * self.error

    @property
    def high(self) -> float | None:
        """Upper end of the 95% confidence interval."""
        return None if self.kappa is None or self.error is None else self.kappa + 1.96 * self.error


def cohen_kappa(first: Sequence[Hashable], second: Sequence[Hashable]) -> Kappa | None:
    """Cohen's kappa of two raters over the same subjects in the same order.

    Sources: Cohen, Educational and Psychological Measurement 20:37-46, 1960; the standard
    error for a kappa that is not zero: Fleiss, Cohen & Everitt, Psychological Bulletin
    72:323-327, 1969.

    Returns:
        None without subjects.

    Raises:
        ValueError: the two differ in length.
    """
    table = Counter(zip(first, second, strict=True))
    total = table.total()
    if not total:
        return None
    rows, columns = Counter(first), Counter(second)
    observed = sum(count for (one, other), count in table.items() if one == other) / total
    expected = sum(rows[name] * columns[name] for name in rows) / total**2
    if expected >= 1:
        return Kappa(subjects=total, observed=observed, expected=expected, kappa=None)
    kappa = (observed - expected) / (1 - expected)
    on = math.fsum(
        count / total * (1 - (rows[one] + columns[one]) / total * (1 - kappa)) ** 2
        for (one, other), count in table.items()
        if one == other
    )
    off = (1 - kappa) ** 2 * math.fsum(
        count / total * ((columns[one] + rows[other]) / total) ** 2
        for (one, other), count in table.items()
        if one != other
    )
    rest = (kappa - expected * (1 - kappa)) ** 2
    variance = max(0.0, (on + off - rest) / ((1 - expected) ** 2 * total))
    return Kappa(
        subjects=total,
        observed=observed,
        expected=expected,
        kappa=kappa,
        error=math.sqrt(variance),
    )


def fleiss_kappa(subjects: Sequence[Mapping[str, int]]) -> Kappa | None:
    """Fleiss' kappa of many raters.

    Source: Fleiss, Psychological Bulletin 76:378-382, 1971. There every subject has the
    same number of ratings. Where the numbers differ, each subject's agreement counts the
    same and the categories' shares are taken over all ratings; subjects with one rating
    are left out.

    Args:
        subjects: for each subject, how many raters chose each category.

    Returns:
        None where no subject has two ratings.
    """
    held = [counts for counts in subjects if sum(counts.values()) > 1]
    if not held:
        return None
    agreements = []
    totals: Counter[str] = Counter()
    for counts in held:
        ratings = sum(counts.values())
        alike = sum(count * (count - 1) for count in counts.values())
        agreements.append(alike / (ratings * (ratings - 1)))
        totals.update(counts)
    observed = math.fsum(agreements) / len(held)
    expected = math.fsum((count / totals.total()) ** 2 for count in totals.values())
    kappa = None if expected >= 1 else (observed - expected) / (1 - expected)
    return Kappa(subjects=len(held), observed=observed, expected=expected, kappa=kappa)
