"""The program run as a user runs it, and small sessions to run it on."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

SHORT_TALK = (
    "[0:01] Pulse seventy-two and regular.\n"
    "[0:05] Temperature 36.8.\n"
    "[0:09] Blood pressure on the left one eighteen over seventy-six.\n"
    "[0:14] On the right one sixteen over seventy-four.\n"
    "[0:20] Scalp clear, no lumps.\n"
)


def dictate(
    *arguments: str | Path,
    before: Sequence[str] = (),
    environment: Mapping[str, str] | None = None,
    folder: Path | None = None,
    stdin: bytes | None = None,
    seconds: float = 300,
) -> subprocess.CompletedProcess[str]:
    """Run the command line; ``before`` is put before it, such as ``("taskset", "1")``."""
    done = subprocess.run(
        [*before, sys.executable, "-m", "dictate", *map(str, arguments)],
        capture_output=True,
        input=stdin,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), **(environment or {})},
        timeout=seconds,
        check=False,
    )
    return subprocess.CompletedProcess(
        done.args, done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8")
    )


ROOT = Path(__file__).resolve().parent.parent.parent


def one_sentence(done: subprocess.CompletedProcess[str]) -> str:
    """The sentence with which the program refused; fails where it did anything else."""
    assert done.returncode == 2, (done.returncode, done.stdout[-2000:], done.stderr[-2000:])
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("dictate: ")
    return lines[0].removeprefix("dictate: ")


def talk_file(folder: Path, text: str = SHORT_TALK) -> Path:
    """A timed transcript in ``folder`` with a fixed time of change."""
    path = folder / "talk.txt"
    path.write_text(text, encoding="utf-8")
    os.utime(path, (1_770_000_000, 1_770_000_000))
    return path


def tiny_disk(place: Path) -> bool:
    """Mount a disk of 256 KB there; false where that is not allowed."""
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)],
        capture_output=True,
        check=False,
    )
    return done.returncode == 0
