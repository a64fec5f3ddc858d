"""``dictate convert`` and ``dictate rebuild``."""

from __future__ import annotations

import sys
from pathlib import Path

from dictate.cache import cache_folder
from dictate.conversion import convert, opened, reopened
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.exam.course import load_course
from dictate.exam.location import grammars_folder
from dictate.exam.reading import load_catalogue
from dictate.session.journal import JOURNAL_NAME, read_journal
from dictate.session.record import Session

_ENGINES = ("auto", "pocketsphinx", "vosk")


def run(
    recording: str,
    *,
    out: Path | None,
    engine: str,
    model: Path | None,
    channels: str,
    learner: str,
    partner: str,
    consent: str,
    course: str,
    as_json: bool,
    strict: bool,
) -> int:
    """Convert one recording; return the exit code (1: errors flagged under ``strict``)."""
    from rich.console import Console

    if engine not in _ENGINES:
        raise UserFault(f"There is no recogniser '{engine}'; choose {', '.join(_ENGINES)}.")
    folder = out or _session_folder(recording)
    catalogue = _exam(course)
    quiet = Console(stderr=True)
    with _Meter(quiet) as meter:
        session = convert(
            recording,
            catalogue,
            folder,
            engine=engine,  # type: ignore[arg-type]
            vosk_model=model or _found_model(),
            speakers=tuple(name.strip() for name in channels.split(",") if name.strip()),
            learner=learner,
            partner=partner,
            consent=consent,
            course=course,
            progress=meter.show,
            told=lambda sentence: quiet.print(sentence, style="yellow", highlight=False),
        )
    head = read_journal(folder / JOURNAL_NAME).head
    _finish(session, catalogue, folder, head, as_json)
    return int(strict and any(flag.severity == "error" for flag in session.flags))


def rebuild(folder: Path) -> int:
    """Write a session's outputs again; return the exit code."""
    info, reading = opened(folder)
    catalogue = _exam("" if info.course == "usual" else info.course)
    session = reopened(info, reading, catalogue)
    _finish(session, catalogue, folder, reading.head, as_json=False)
    return 0


def _exam(course: str) -> Catalogue:
    """The usual exam, or what a course makes of it."""
    catalogue = load_catalogue(cache=cache_folder() / "exam")
    return load_course(course, catalogue).catalogue if course else catalogue


def _finish(session: Session, catalogue: Catalogue, folder: Path, head: str, as_json: bool) -> None:
    from rich.console import Console

    from dictate.outputs.folder import write_outputs
    from dictate.outputs.summary import print_summary

    written = write_outputs(session, catalogue, folder, journal_head=head)
    if as_json:
        sys.stdout.write(session.model_dump_json(indent=1) + "\n")
        return
    console = Console()
    print_summary(session, catalogue, console)
    names = ", ".join(path.name for path in written)
    console.print(f"Written to {folder}: journal.jsonl, {names}", highlight=False, soft_wrap=True)


def _session_folder(recording: str) -> Path:
    if recording == "-":
        return Path("standard-input.session")
    path = Path(recording)
    return path.with_name(path.stem + ".session")


def _found_model() -> Path | None:
    """An unpacked Vosk model in ``models/`` of a checkout, or in the user's data folder."""
    from platformdirs import user_data_path

    for place in (grammars_folder().parent / "models", user_data_path("dictate") / "models"):
        for folder in sorted(place.glob("*")) if place.is_dir() else []:
            if (folder / "am").is_dir() and (folder / "conf").is_dir():
                return folder
    return None


class _Meter:
    """A progress bar on the terminal while a recording is read; silent in a pipe."""

    def __init__(self, console: object) -> None:
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        self._bar = Progress(
            TextColumn("listening"),
            BarColumn(),
            TextColumn("{task.fields[minutes]}"),
            TimeRemainingColumn(),
            console=console,  # type: ignore[arg-type]
            transient=True,
            disable=not sys.stderr.isatty(),
        )
        self._task = self._bar.add_task("listening", total=None, minutes="")

    def __enter__(self) -> _Meter:
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def show(self, seconds: float, total: float | None) -> None:
        """Move the bar to ``seconds`` of ``total``."""
        clock = f"{int(seconds) // 60}:{int(seconds) % 60:02d}"
        self._bar.update(self._task, completed=seconds, total=total, minutes=clock)
