"""Figures of a cohort as SVG, drawn with matplotlib; text stays text."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Sequence
from statistics import median
from typing import TYPE_CHECKING, Any

from dictate.cohort.pairs import NumberAgreement
from dictate.cohort.report import CohortReport, Titles, region_share
from dictate.errors import UserFault

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DEEP, _SOFT, _OUT = "#1f5d50", "#7fb3a3", "#8c2f1c"
_MOST_ROWS = 60  # learners in the picture of regions; the table has all
_MOST_MISSED = 15
_MOST_MEASURES = 4
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Arial", "sans-serif"],
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    # A code such as 'a$b$' is no formula.
    "text.parse_math": False,
}


def figures_of(report: CohortReport) -> dict[str, str]:
    """Every figure that the report has data for: SVG by name, each with a description in it.

    Names: ``progress``, ``regions``, ``missed`` and ``agreement``.

    Raises:
        UserFault: the plotting library is missing.
    """
    try:
        import matplotlib as mpl
    except ImportError as error:
        raise UserFault(
            "The pictures need the library 'matplotlib'; install it with pip install "
            "'dictate[plots]', or leave them out with --no-plots."
        ) from error
    titles = report.titles()
    drawn = {}
    with mpl.rc_context(_STYLE):
        drawn["progress"] = _svg(_progress(report), "progress", _progress_words(report))
        drawn["regions"] = _svg(_regions(report, titles), "regions", _region_words(report, titles))
        if report.missed:
            drawn["missed"] = _svg(_missed(report, titles), "missed", _missed_words(report, titles))
        shown = report.agreement.numbers[:_MOST_MEASURES]
        if shown:
            words = "; ".join(_limits_words(one, titles) for one in shown)
            drawn["agreement"] = _svg(_agreement(shown, titles), "agreement", words)
    return drawn


def _new(width: float, height: float, **layout: Any) -> tuple[Figure, Any]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots(**layout)


def _svg(figure: Figure, name: str, words: str) -> str:
    import matplotlib as mpl

    buffer = io.StringIO()
    # Names inside the picture come from the salt: two pictures on one page must not share them.
    with mpl.rc_context({"svg.hashsalt": name}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'(href="#|url\(#)', rf"\g<1>{name}-", text)
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    label = words.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
    return text.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)


def _middles(report: CohortReport, number: Callable[[Any], float]) -> list[tuple[int, float, int]]:
    """Session number, the median over the learners who have as many, and how many they are."""
    longest = max(len(one.sessions) for one in report.learners)
    middles = []
    for place in range(longest):
        held = [number(one.sessions[place]) for one in report.learners if len(one.sessions) > place]
        if len(held) >= 3 or len(held) == len(report.learners):
            middles.append((place + 1, median(held), len(held)))
    return middles


def _doubtful(session: Any) -> float:
    return session.doubtful / session.results if session.results else 0.0


_PROGRESS: tuple[tuple[str, str, Callable[[Any], float]], ...] = (
    ("Checklist with a result", "% of lines", lambda one: 100 * one.covered),
    ("Results to confirm", "% of results", lambda one: 100 * _doubtful(one)),
    ("Faults of order", "in a session", lambda one: float(one.order_faults)),
    ("Length", "minutes", lambda one: one.minutes),
)


def _progress(report: CohortReport) -> Figure:
    figure, grid = _new(9, 5.2, nrows=2, ncols=2)
    for axes, (title, unit, number) in zip(grid.flat, _PROGRESS, strict=True):
        for one in report.learners:
            values = [number(session) for session in one.sessions]
            mark = "." if len(values) == 1 else None
            axes.plot(
                range(1, len(values) + 1), values, color=_SOFT, lw=0.8, alpha=0.6, marker=mark
            )
        middles = _middles(report, number)
        axes.plot(
            [place for place, _, _ in middles],
            [value for _, value, _ in middles],
            color=_DEEP,
            lw=2.4,
            marker="o",
            ms=3.5,
        )
        axes.set_title(title, loc="left", fontsize=10)
        axes.set_ylabel(unit)
        # Where all is zero, the least scale that means something: 1 %, one fault, one minute.
        axes.set_ylim(0, max(1.0, axes.get_ylim()[1]))
        _whole_numbers(axes)
    for axes in grid[-1]:
        axes.set_xlabel("session of the learner; thick: median of the learners")
    return figure


def _whole_numbers(axes: Axes) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(integer=True))


def _progress_words(report: CohortReport) -> str:
    parts = []
    for title, unit, number in _PROGRESS:
        middles = _middles(report, number)
        if middles:
            first, last = middles[0], middles[-1]
            parts.append(
                f"{title}, {unit}: median {first[1]:.1f} in session {first[0]} and "
                f"{last[1]:.1f} in session {last[0]}"
            )
    return "Progress over the sessions. " + "; ".join(parts) + "."


def _regions(report: CohortReport, titles: Titles) -> Figure:
    import matplotlib as mpl

    learners = report.learners[:_MOST_ROWS]
    rows = [
        [math.nan if (share := region_share(one, key)) is None else 100 * share
         for key in report.regions]
        for one in learners
    ]  # fmt: skip
    figure, axes = _new(9, 2.6 + 0.2 * len(rows))
    # Drawn as shapes and in few shades: a picture within the picture would be blocked by the
    # page's own policy.
    shades = mpl.colormaps["BuGn"].resampled(10)
    picture = axes.pcolormesh(rows, cmap=shades, vmin=0, vmax=100, edgecolors="white", lw=1)
    axes.invert_yaxis()
    axes.set_xticks(
        [place + 0.5 for place in range(len(report.regions))],
        [titles.region(key) for key in report.regions],
        rotation=55,
        ha="right",
        rotation_mode="anchor",
    )
    axes.set_yticks(
        [place + 0.5 for place in range(len(learners))],
        [one.learner for one in learners],
        fontsize=7,
    )
    axes.tick_params(length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    figure.colorbar(picture, ax=axes, label="% of lines", ticks=(0, 50, 100), aspect=12)
    axes.set_title("Lines of each region with a result", loc="left", fontsize=10)
    return figure


def _region_words(report: CohortReport, titles: Titles) -> str:
    parts = []
    for key in report.regions:
        held = [s for one in report.learners if (s := region_share(one, key)) is not None]
        if held:
            parts.append(f"{titles.region(key)} {100 * median(held):.0f}%")
    return (
        "Share of each region's lines with a result, by learner, over the recent sessions. "
        f"Median of the learners: {', '.join(parts)}."
    )


def _missed(report: CohortReport, titles: Titles) -> Figure:
    shown = report.missed[:_MOST_MISSED]
    figure, axes = _new(9, 1.0 + 0.28 * len(shown))
    for place, one in enumerate(shown):
        low, high = 100 * one.share.low, 100 * one.share.high
        axes.plot([low, high], [place, place], color=_SOFT, lw=5, solid_capstyle="butt")
        axes.plot([100 * one.share.share], [place], "o", color=_DEEP, ms=5)
    names = [f"{titles.item(one.item)}  {one.share.count}/{one.share.total}" for one in shown]
    axes.set_yticks(range(len(shown)), names)
    axes.invert_yaxis()
    axes.set_xlim(0, 100)
    axes.set_xlabel("% of the learners who had begun the region; bar: 95% interval (Wilson)")
    axes.grid(axis="x", color="#d9d8d0", lw=0.6)
    axes.set_axisbelow(True)
    return figure


def _missed_words(report: CohortReport, titles: Titles) -> str:
    parts = [
        f"{titles.item(one.item)} {one.share.count} of {one.share.total} "
        f"({100 * one.share.low:.0f} to {100 * one.share.high:.0f}%)"
        for one in report.missed[:_MOST_MISSED]
    ]
    return f"Items that most learners left out, with 95% intervals: {', '.join(parts)}."


def _agreement(shown: Sequence[NumberAgreement], titles: Titles) -> Figure:
    columns = min(2, len(shown))
    rows = math.ceil(len(shown) / columns)
    figure, grid = _new(9, 2.7 * rows, nrows=rows, ncols=columns, squeeze=False)
    for axes, one in zip(grid.flat, shown, strict=False):
        means = [(first + second) / 2 for first, second in one.pairs]
        differences = [first - second for first, second in one.pairs]
        axes.scatter(means, differences, s=12, color=_DEEP, alpha=0.55, linewidths=0)
        axes.axhline(one.limits.mean, color=_DEEP, lw=1.2)
        for edge in (one.limits.lower, one.limits.upper):
            axes.axhline(edge, color=_OUT, lw=1, ls="--")
        axes.set_title(titles.measure(one.item, one.part, one.unit), loc="left", fontsize=10)
        axes.set_xlabel("mean of the two")
        axes.set_ylabel("first minus second")
    for axes in list(grid.flat)[len(shown) :]:
        axes.set_axis_off()
    return figure


def _limits_words(one: NumberAgreement, titles: Titles) -> str:
    return (
        f"{titles.measure(one.item, one.part, one.unit)}: mean difference {one.limits.mean:.1f}, "
        f"limits of agreement {one.limits.lower:.1f} to {one.limits.upper:.1f}, "
        f"{one.limits.pairs} pairs"
    )
