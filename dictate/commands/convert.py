"""``dictate convert`` and ``dictate rebuild``."""

from __future__ import annotations

import sys
from glob import has_magic
from pathlib import Path

from dictate.cache import cache_folder
from dictate.conversion import convert, opened, reopened
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.recognition.model_shelf import newest_for
from dictate.session.journal import JOURNAL_NAME
from dictate.session.record import Session, SessionInfo

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
    from dictate.outputs.folder import write_outputs
    from dictate.outputs.terminal import SafeConsole

    known_engine(engine)
    if _is_session(recording):
        return _bring_to_its_end(Path(recording), engine, model)
    folder = out or _session_folder(recording)
    catalogue = _exam(course)
    quiet = SafeConsole(stderr=True)
    written: list[Path] = []
    with _Meter(quiet) as meter:
        session = convert(
            recording,
            catalogue,
            folder,
            engine=engine,  # type: ignore[arg-type]
            vosk_model=model or newest_for("vosk"),
            speakers=tuple(name.strip() for name in channels.split(",") if name.strip()),
            learner=learner,
            partner=partner,
            consent=consent,
            course=kept_name(course),
            progress=meter.show,
            told=lambda sentence: quiet.print(sentence, style="yellow", highlight=False),
            write=lambda session, head: written.extend(
                write_outputs(session, catalogue, folder, journal_head=head)
            ),
        )
    _tell(session, catalogue, folder, written, as_json)
    return int(strict and any(flag.severity == "error" for flag in session.flags))


def several(sources: list[str]) -> bool:
    """Whether the sources are more than one recording: a folder, a pattern, or a list."""
    return len(sources) > 1 or (
        sources[0] != "-"
        and not Path(sources[0]).is_file()
        and not _is_session(sources[0])
        and (Path(sources[0]).is_dir() or has_magic(sources[0]))
    )


def _is_session(source: str) -> bool:
    """Whether the source is the folder of a session rather than a recording."""
    return source != "-" and (Path(source) / JOURNAL_NAME).is_file()


def _bring_to_its_end(folder: Path, engine: str, model: Path | None) -> int:
    """Hear what a live session still holds, where it broke off, and write its outputs."""
    from dictate.commands.listen import finish_broken_off, vosk_folder
    from dictate.live.session import broke_off

    if broke_off(folder):
        return finish_broken_off(folder, vosk_folder(engine, model))
    return rebuild(folder)


def known_engine(engine: str) -> None:
    """Refuse a recogniser that there is not.

    Raises:
        UserFault: it is none of ours.
    """
    if engine not in _ENGINES:
        raise UserFault(f"There is no recogniser '{engine}'; choose {', '.join(_ENGINES)}.")


def rebuild(folder: Path) -> int:
    """Write a session's outputs again; return the exit code."""
    from dictate.outputs.folder import write_outputs

    info, reading = opened(folder)
    catalogue = exam_of(info)
    session = reopened(info, reading, catalogue)
    written = write_outputs(session, catalogue, folder, journal_head=reading.head)
    _tell(session, catalogue, folder, written, as_json=False)
    return 0


def exam_of(info: SessionInfo) -> Catalogue:
    """The exam by which a session was made."""
    return _exam("" if info.course == "usual" else info.course)


def _exam(course: str) -> Catalogue:
    """The usual exam, or what a course makes of it."""
    if not course:
        return load_catalogue(cache=cache_folder() / "exam")
    from dictate.cohort.courses import checklist_of

    return checklist_of(course).catalogue


def kept_name(course: str) -> str:
    """The course's name for the journal: with its version where the course is installed."""
    if not course:
        return ""
    from dictate.cohort.courses import full_name

    return full_name(course)


def _tell(
    session: Session, catalogue: Catalogue, folder: Path, written: list[Path], as_json: bool
) -> None:
    from dictate.outputs.summary import print_summary
    from dictate.outputs.terminal import SafeConsole

    if as_json:
        sys.stdout.write(session.model_dump_json(indent=1) + "\n")
        return
    console = SafeConsole()
    print_summary(session, catalogue, console)
    names = ", ".join(path.name for path in written)
    console.print(f"Written to {folder}: journal.jsonl, {names}", highlight=False, soft_wrap=True)


def _session_folder(recording: str) -> Path:
    if recording == "-":
        return Path("standard-input.session")
    path = Path(recording)
    return path.with_name(path.stem + ".session")


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
