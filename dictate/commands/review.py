"""``dictate review``."""

from __future__ import annotations

from pathlib import Path

import typer

from dictate.errors import UserFault
from dictate.session.journal import JOURNAL_NAME


def run(folder: Path, *, code: str, role: str, port: int, browser: bool, sound: Path | None) -> int:
    """Show the page of a session, or of a folder of sessions, until it is stopped."""
    if role not in ("learner", "instructor"):
        raise UserFault(f"There is no part '{role}' to play; choose learner or instructor.")
    if not 0 <= port <= 65_535:
        raise UserFault("A port is a number from 0 to 65535; 0 takes any that is free.")
    if sound is not None and not sound.is_file():
        raise UserFault(f"There is no recording {sound}; check the path.")
    if sound is not None and not (folder / JOURNAL_NAME).is_file():
        raise UserFault("--sound goes with one session; name that session's folder.")

    from functools import lru_cache

    from dictate.cohort.courses import checklist_of as course_exam
    from dictate.exam.course import Checklist
    from dictate.review.pages import draw
    from dictate.review.reviewed import Who
    from dictate.review.serving import serve
    from dictate.review.shelf import Shelf

    @lru_cache
    def checklist_of(course: str) -> Checklist:
        return course_exam(course)

    shelf = Shelf(folder, checklist_of, sound)
    if shelf.single:
        # Opened before anything is shown, so that a session held elsewhere is told here.
        (key,) = shelf.folders()
        session = shelf.session(key)
        code = code or session.info.learner
        draw(session, Who(code, role))  # type: ignore[arg-type]

    def opened(address: str) -> None:
        typer.echo(f"Review page: {address}")
        typer.echo("It can be read on this machine only. Stop with Ctrl-C.")
        if browser:
            import webbrowser

            webbrowser.open(address)

    serve(shelf, Who(code or "learner", role), port, opened)  # type: ignore[arg-type]
    return 0
