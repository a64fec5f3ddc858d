"""What ``export``, ``validate``, ``diff`` and ``import`` do."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from dictate.cache import cache_folder
from dictate.cohort.courses import checklist_of as course_exam
from dictate.conversion import opened, reopened
from dictate.errors import UserFault, one_line
from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.outputs.sentences import Style
from dictate.session.private_files import make_private_folder, write_private
from dictate.session.record import Session

FORMATS: Final = (
    "markdown", "html", "pdf", "docx", "csv", "parquet", "vtt", "fhir", "fhir-document",
    "fhir-definitions", "clips",
)  # fmt: skip
_STYLES: Final[dict[str, Style]] = {"clinical": "full", "terse": "terse"}
_BUNDLE: Final = "fhir-bundle.json"


def load(path: Path) -> tuple[Session, Catalogue, str | None]:
    """A session from its folder or from a bundle, its exam, and the journal's head.

    Raises:
        UserFault: there is no session.
    """
    usual = load_catalogue(cache=cache_folder() / "exam")
    if path.is_dir() and not (path / "journal.jsonl").is_file() and (path / _BUNDLE).is_file():
        path = path / _BUNDLE
    if path.is_dir():
        info, reading = opened(path)
        known = info.course in ("usual", "complete")
        catalogue = usual if known else course_exam(info.course).catalogue
        return reopened(info, reading, catalogue), catalogue, reading.head
    if not path.exists():
        raise UserFault(f"{path} does not exist; name a session folder or a bundle.")
    return _checked(path, usual), usual, None


def _checked(path: Path, catalogue: Catalogue) -> Session:
    from dictate.checks.checking import check
    from dictate.checks.derived import derive
    from dictate.outputs.fhir.reading import read_bundle

    session = read_bundle(path, catalogue)
    return session.model_copy(
        update={
            "flags": check(session.findings, session.coverage, catalogue, session.info.seconds),
            "derived": derive(session.findings, catalogue),
        }
    )


def export(
    path: Path,
    formats: Sequence[str],
    *,
    out: Path | None,
    style: str,
    redact: bool,
    templates: Path | None,
    sound: Path | None,
    with_sound: bool = False,
) -> None:
    """Write the formats into a folder; all are computed before the first is written."""
    from dictate.outputs.redaction import redacted

    for name in formats:
        if name not in FORMATS:
            raise UserFault(f"There is no format '{name}'; choose of {', '.join(FORMATS)}.")
    if style not in _STYLES:
        raise UserFault(f"There is no style '{style}'; choose {' or '.join(_STYLES)}.")
    if redact and {"clips", "vtt"} & set(formats):
        raise UserFault("Clips and captions hold what was said; leave them out with --redact.")
    if redact and with_sound:
        raise UserFault("Sound holds what was said; leave out --with-sound or --redact.")
    session, catalogue, head = load(path)
    home = path if path.is_dir() else path.parent
    folder = out or home / ("export-redacted" if redact else "export")
    wanted = list(formats) or [
        name for name in FORMATS if name != "clips" and not (redact and name == "vtt")
    ]
    contents: dict[str, bytes] = {}
    recording = None
    if "clips" in wanted or with_sound:
        recording = sound or _recording(session, home)
    if "clips" in wanted and recording is not None:
        from dictate.outputs.clips import clips

        contents |= {f"clips/{clip.name}": clip.flac for clip in clips(session, recording)}
    if redact:
        session, head = redacted(session), None
    for name in wanted:
        for file, content in _made(
            name,
            session,
            catalogue,
            head,
            _STYLES[style],
            templates,
            recording if with_sound else None,
        ).items():
            contents[file] = (
                content.encode("utf-8", "replace") if isinstance(content, str) else content
            )
    make_private_folder(folder)
    if "clips" in wanted:
        make_private_folder(folder / "clips")
    for file, whole in contents.items():
        write_private(folder / file, whole)
    names = [file for file in contents if not file.startswith("clips/")]
    if len(names) < len(contents):
        names.append(f"{len(contents) - len(names)} clips")
    print(f"Written to {folder}: {', '.join(names)}")


def _made(
    name: str,
    session: Session,
    catalogue: Catalogue,
    head: str | None,
    style: Style,
    templates: Path | None,
    sound: Path | None,
) -> dict[str, str | bytes]:
    from dictate.outputs.captions import captions, chapters
    from dictate.outputs.fhir.bundle import collection_bundle
    from dictate.outputs.fhir.definitions import definitions_bundle
    from dictate.outputs.fhir.document import document_bundle
    from dictate.outputs.fhir.exact_json import write_json
    from dictate.outputs.note import Note, compose_note, render_note
    from dictate.outputs.table import columns_table, coverage_table, findings_table

    def note() -> Note:
        return compose_note(session, catalogue, style)

    def pdf() -> bytes:
        from dictate.outputs.pdf import note_pdf

        return note_pdf(note(), templates)

    def docx() -> bytes:
        from dictate.outputs.docx import note_docx

        return note_docx(note(), templates)

    def parquet() -> bytes:
        from dictate.outputs.parquet import findings_parquet

        return findings_parquet(session, catalogue)

    ways: dict[str, dict[str, Callable[[], str | bytes]]] = {
        "markdown": {"note.md": lambda: render_note(note(), "markdown", templates)},
        "html": {"note.html": lambda: render_note(note(), "html", templates)},
        "pdf": {"note.pdf": pdf},
        "docx": {"note.docx": docx},
        "csv": {
            "findings.csv": lambda: "\ufeff" + findings_table(session, catalogue),
            "findings-columns.csv": lambda: "\ufeff" + columns_table(),
            "coverage.csv": lambda: "\ufeff" + coverage_table(session, catalogue),
        },
        "parquet": {"findings.parquet": parquet},
        "vtt": {
            "captions.vtt": lambda: captions(session),
            "chapters.vtt": lambda: chapters(session, catalogue),
        },
        "fhir": {_BUNDLE: lambda: write_json(collection_bundle(session, catalogue, head, sound))},
        "fhir-document": {
            "fhir-document.json": lambda: write_json(
                document_bundle(session, catalogue, head, sound)
            )
        },
        "fhir-definitions": {
            "fhir-definitions.json": lambda: write_json(definitions_bundle(catalogue))
        },
    }
    return {file: make() for file, make in ways.get(name, {}).items()}


def _recording(session: Session, home: Path) -> Path:
    name = Path(session.info.sound_name).name
    for place in (home / name, home.resolve().parent / name):
        if place.is_file():
            return place
    raise UserFault(f"The recording {name} is not beside the session; name it with --sound.")


def validate(files: Sequence[Path], *, as_json: bool) -> int:
    """Print what is wrong with each file; 1 where anything is, 2 where one cannot be read."""
    from dictate.outputs.fhir.validation import validate_file

    found = {}
    faults: list[str] = []
    for path in files:
        try:
            found[str(path)] = validate_file(path)
        except UserFault as reason:
            faults.append(one_line(str(reason)))
    if as_json:
        told = {name: [one.model_dump() for one in every] for name, every in found.items()}
        print(json.dumps(told, indent=1, ensure_ascii=False))
    else:
        for name, complaints in found.items():
            print(f"{name}: " + (f"{len(complaints)} complaint(s)" if complaints else "sound"))
            for one in complaints:
                print(f"  {one}")
    for fault in faults:
        print(f"dictate: {fault}", file=sys.stderr)
    if faults:
        return 2
    return int(any(one.severity == "error" for every in found.values() for one in every))


def diff(first: Path, second: Path, *, everything: bool, as_json: bool) -> None:
    """Print what differs between two sessions."""
    from dictate.outputs.difference import difference

    one, catalogue, _ = load(first)
    other, _, _ = load(second)
    told = difference(one, other, catalogue)
    if as_json:
        print(told.model_dump_json(indent=1))
        return
    from rich.table import Table
    from rich.text import Text

    from dictate.outputs.note import LEVEL_WORDS
    from dictate.outputs.terminal import SafeConsole

    console = SafeConsole()
    shown = [change for change in told.changes if everything or change.kind != "same"]
    table = Table(box=None, padding=(0, 2, 0, 0), title_justify="left")
    for head in ("", "Item", "Place", "A", "B", "Step"):
        table.add_column(Text(head), overflow="fold")
    region = ""
    for change in shown:
        if change.region != region:
            region = change.region
            table.add_row("", Text(region, "bold"))
        sign = {"added": "+", "removed": "-", "changed": "~", "same": "="}[change.kind]
        cells = (change.title, change.place, change.first, change.second, change.step)
        table.add_row(sign, *(Text(cell) for cell in cells))
    console.print(f"A: {first}\nB: {second}", highlight=False, markup=False, soft_wrap=True)
    if shown:
        console.print(table)
    counts = {
        kind: sum(one.kind == kind for one in told.changes)
        for kind in ("added", "removed", "changed", "same")
    }
    console.print(", ".join(f"{count} {kind}" for kind, count in counts.items()) + ".")
    for level, words in LEVEL_WORDS.items():
        console.print(f"{words}: {told.levels_first[level]} -> {told.levels_second[level]} items")
    for title, sentences in (("A", told.flags_only_first), ("B", told.flags_only_second)):
        for sentence in sentences:
            console.print(Text(f"remark only in {title}: {sentence}"))


def read(bundle: Path, *, out: Path | None, as_json: bool) -> None:
    """Show the session of a bundle, and write its outputs where a folder is named."""
    from dictate.outputs.folder import write_outputs
    from dictate.outputs.summary import print_summary
    from dictate.outputs.terminal import SafeConsole

    if not bundle.is_file():
        raise UserFault(f"{bundle} is no file; name a bundle that was exported.")
    session, catalogue, _ = load(bundle)
    if out is not None:
        if (out / "journal.jsonl").exists():
            raise UserFault(f"{out} holds a session already; choose another folder with --out.")
        write_outputs(session, catalogue, out)
    if as_json:
        sys.stdout.write(session.model_dump_json(indent=1) + "\n")
        return
    console = SafeConsole()
    print_summary(session, catalogue, console)
    if out is not None:
        console.print(f"Written to {out}.", highlight=False)
