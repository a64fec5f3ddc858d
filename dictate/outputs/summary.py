"""The summary at the end of a run, for a terminal of any width, with or without colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Level
from dictate.outputs.arrangement import RegionView, arrange
from dictate.outputs.note import CAUTION, LEVEL_WORDS, compose_note
from dictate.outputs.sentences import sentences_of
from dictate.session.record import Session

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

# The levels differ in shape, so that no colour is needed to tell them apart.
LEVEL_SIGNS: Final = {
    Level.MEASURED: "■",
    Level.REPORTED: "▣",
    Level.PERFORMED: "□",
    Level.UNSPOKEN: "·",
}
PLAIN_SIGNS: Final = {
    Level.MEASURED: "M",
    Level.REPORTED: "r",
    Level.PERFORMED: "p",
    Level.UNSPOKEN: ".",
}
_LEVEL_STYLES: Final = {
    Level.MEASURED: "bold green",
    Level.REPORTED: "green",
    Level.PERFORMED: "yellow",
    Level.UNSPOKEN: "dim",
}
_SEVERITY_STYLES: Final = {"error": "bold red", "warning": "yellow", "note": "dim"}
_SIGNS_IN_A_ROW: Final = 30
_UNPUBLISHED: Final = frozenset({"", "common practice", "from memory"})


def print_summary(session: Session, catalogue: Catalogue, console: Console) -> None:
    """Print findings by region, coverage by the four levels, and flags.

    Text from the recording is never read as markup. Where the console's encoding has
    no block signs, letters are used.
    """
    from rich.rule import Rule
    from rich.text import Text

    signs = LEVEL_SIGNS if _can_show(console) else PLAIN_SIGNS
    views = arrange(session, catalogue)
    note = compose_note(session, catalogue, "terse")
    console.print(Rule(Text(f"Practice examination {session.info.id}", style="bold"), align="left"))
    console.print(
        Text(
            f"{session.info.sound_name}, {note.length}; heard by {session.info.engine}; "
            f"{note.state.lower()}"
        )
    )
    for sentence in session.info.notices:
        console.print(Text(f"Notice: {sentence}", style="yellow"))
    for view in views:
        if view.spoken:
            _print_region(view, catalogue, console)
    _print_coverage(views, signs, console)
    _print_flags(session, console)
    _print_end(session, note.to_confirm, note.unrecognised, console)


def _can_show(console: Console) -> bool:
    try:
        "".join(LEVEL_SIGNS.values()).encode(console.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _print_region(view: RegionView, catalogue: Catalogue, console: Console) -> None:
    from rich.padding import Padding
    from rich.text import Text

    console.print()
    console.print(Text(view.title, style="bold"))
    for item in view.items:
        for sentence in sentences_of(item, catalogue, "terse"):
            line = Text()
            for run in sentence.runs:
                style = {"doubt": "yellow", "abnormal": "red", "plain": ""}[run.kind]
                line.append(run.text, style=style)
            console.print(Padding(line, (0, 0, 0, 2)))
    if view.performed_only:
        told = Text(f"performed, result not stated: {'; '.join(view.performed_only)}", "dim")
        console.print(Padding(told, (0, 0, 0, 2)))


def _print_coverage(
    views: tuple[RegionView, ...], signs: dict[Level, str], console: Console
) -> None:
    from rich.table import Table
    from rich.text import Text

    console.print()
    console.print(Text("Coverage", style="bold"))
    table = Table(box=None, padding=(0, 2, 0, 0), show_edge=False, pad_edge=False)
    table.add_column("Region", max_width=26, overflow="fold")
    table.add_column("Each item at its best side", max_width=_SIGNS_IN_A_ROW, overflow="fold")
    for level, head in (
        (Level.MEASURED, "meas."),
        (Level.REPORTED, "rep."),
        (Level.PERFORMED, "perf."),
        (Level.UNSPOKEN, "none"),
    ):
        table.add_column(f"{head}", justify="right", no_wrap=True, style=_LEVEL_STYLES[level])
    for view in views:
        row = Text()
        for item in view.items:
            level = item.coverage.level
            row.append(signs[level], style=_LEVEL_STYLES[level])
        counts = view.levels
        table.add_row(
            Text(view.title),
            row,
            *(
                str(counts[level]) if counts[level] else "-"
                for level in (Level.MEASURED, Level.REPORTED, Level.PERFORMED, Level.UNSPOKEN)
            ),
        )
    console.print(table)
    key = Text("Key: ")
    key.append("  ".join(f"{signs[level]} {LEVEL_WORDS[level]}" for level in reversed(Level)))
    console.print(key)


def _print_flags(session: Session, console: Console) -> None:
    from rich.padding import Padding
    from rich.text import Text

    console.print()
    counts = {
        severity: sum(flag.severity == severity for flag in session.flags)
        for severity in ("error", "warning", "note")
    }
    told = ", ".join(
        f"{count} {severity}{'s' if count != 1 else ''}" for severity, count in counts.items()
    )
    console.print(Text(f"Remarks of the checks: {told}", style="bold"))
    unsourced = False
    for severity in ("error", "warning"):
        for flag in session.flags:
            if flag.severity != severity:
                continue
            line = _flag_line(flag.severity, flag.sentence, flag.at)
            console.print(Padding(line, (0, 0, 0, 2)))
            if flag.source in _UNPUBLISHED:
                unsourced = True
            else:
                console.print(Padding(Text(f"source: {flag.source}", "dim"), (0, 0, 0, 4)))
    after = []
    if unsourced:
        after.append("Remarks without a source rest on common practice or memory.")
    if counts["note"]:
        after.append("Notes of the checks are in the written note.")
    if after:
        console.print(Padding(Text(" ".join(after), "dim"), (0, 0, 0, 2)))


def _flag_line(severity: str, sentence: str, at: float | None) -> Text:
    from rich.text import Text

    from dictate.checks.wording import clock

    line = Text(f"{severity}: ", style=_SEVERITY_STYLES[severity])
    line.append(sentence, style="")
    if at is not None:
        line.append(f" ({clock(at)})", style="dim")
    return line


def _print_end(session: Session, to_confirm: int, unrecognised: int, console: Console) -> None:
    from rich.text import Text

    console.print()
    results = sum(one.stands and one.level.rank >= Level.REPORTED.rank for one in session.findings)
    line = f"{results} results"
    if to_confirm:
        line += f", {to_confirm} of them to confirm (marked [to confirm: ...])"
    if unrecognised:
        line += f"; {unrecognised} stretches of talk did not fit the exam and were left aside"
    console.print(Text(line + ".", style="bold"))
    console.print(Text(CAUTION, style="dim"))
