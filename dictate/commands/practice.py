"""What ``practice`` does."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import typer

from dictate.cohort.courses import find_installed
from dictate.cohort.digesting import checklist_for
from dictate.cohort.history import sessions_of
from dictate.cohort.practice import plan, spoken_prompt
from dictate.commands.cohort_report import refreshed
from dictate.errors import UserFault

_SECONDS = 120


def run(
    folder: Path,
    *,
    learner: str,
    course: str,
    week: int | None,
    most: int,
    index: Path | None,
    speak: bool,
    sound: Path | None,
    as_json: bool,
) -> int:
    """Print what to practise next, and say it where that is asked for.

    Raises:
        UserFault: there is no such learner, folder or course, or no voice.
    """
    if most < 1:
        raise UserFault("--most is a number of things to practise, 1 or more.")
    with refreshed(folder, index) as (held, _):
        sessions = sessions_of(held.connection, learner)
        name = course or (sessions[-1].course if sessions else "usual")
        package = find_installed(name) if name != "usual" else None
        tasks = plan(
            held.connection,
            learner,
            checklist_for(name),
            schedule=package.schedule if package is not None else (),
            week=week,
            most=most,
        )
    prompt = spoken_prompt(tasks)
    if as_json:
        import json

        told = {"learner": learner, "tasks": [one.model_dump() for one in tasks], "prompt": prompt}
        sys.stdout.write(json.dumps(told, indent=1, ensure_ascii=False) + "\n")
    else:
        for number, task in enumerate(tasks, 1):
            side = f", {task.side} side" if task.side else ""
            due = f" (due by week {task.due})" if task.due is not None else ""
            typer.echo(f"{number}. {task.title}{side}{due}: {task.reason}.")
        typer.echo(f"\n{prompt}")
    if speak or sound is not None:
        say(prompt, sound)
    return 0


def say(text: str, sound: Path | None = None) -> None:
    """Say a text with espeak-ng: aloud, or into a sound file.

    Raises:
        UserFault: the voice is not installed, or does not work.
    """
    voice = shutil.which("espeak-ng")
    if voice is None:
        raise UserFault("Speaking needs the program espeak-ng; install it, or read the text.")
    where = [] if sound is None else ["-w", os.fspath(sound)]
    done = subprocess.run(
        [voice, "-v", "en", "-s", "150", "--stdin", *where],
        input=text.encode(),
        capture_output=True,
        timeout=_SECONDS,
        check=False,
    )
    if done.returncode or (sound is not None and not sound.is_file()):
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        why = said[-1] if said else f"exit code {done.returncode}"
        raise UserFault(f"The voice espeak-ng did not work ({why}); read the text instead.")
