"""The main job needs no network, asks for none, and leaves files for their owner alone."""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from tests.trust.running import dictate, talk_file

# Opening any socket but a local one ends the process with this exit code: nothing can hide it.
DENY = """
import os, sys
def watch(event, arguments):
    if event == "socket.bind" and arguments[1] == ("::1", 0):
        return  # a library asks whether the machine knows IPv6: nothing leaves it
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto", "socket.bind"):
        os.write(2, f"NETWORK {event} {arguments!r}".encode())
        os._exit(99)
sys.addaudithook(watch)
"""
MAIN = "from dictate.__main__ import main; main()"
ALONE = ("unshare", "--map-root-user", "--net")


def can_be_alone() -> bool:
    if shutil.which("unshare") is None:
        return False
    return subprocess.run([*ALONE, "true"], capture_output=True, check=False).returncode == 0


def watched(*arguments: str | Path, code: str = MAIN) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", DENY + code, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def test_the_watch_sees_a_connection() -> None:
    done = watched(code="import socket; socket.create_connection(('127.0.0.1', 9))")
    assert done.returncode == 99 and "NETWORK" in done.stderr


@pytest.mark.parametrize("name", ["short.opus", "flawed.vtt"])
def test_the_main_job_opens_no_connection(name: str, samples: Path, tmp_path: Path) -> None:
    done = watched("convert", samples / name, "--out", tmp_path / "session")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "session" / "fhir-bundle.json").exists()
    assert watched("rebuild", tmp_path / "session").returncode == 0


@pytest.mark.skipif(not can_be_alone(), reason="network namespaces are not allowed here")
def test_the_main_job_without_any_network_interface(samples: Path, tmp_path: Path) -> None:
    # Libraries in C cannot be watched from Python, but there is nothing for them to reach.
    talk = talk_file(tmp_path)
    probe = subprocess.run(
        [*ALONE, sys.executable, "-c", "import socket; print(socket.if_nameindex())"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "eth" not in probe.stdout
    for source in (talk, samples / "short.opus"):
        out = tmp_path / source.stem
        done = dictate("convert", source, "--out", out, before=ALONE)
        assert done.returncode == 0, done.stderr
        assert "Pulse" in (out / "note.md").read_text(encoding="utf-8")


OUTSIDE = re.compile(rb"""(?:src|href|action|url|import|fetch)\s*[=(:]\s*["'(]?\s*(?:https?:)?//""")


def test_pages_and_their_sources_load_nothing_from_outside(made: Path) -> None:
    assert OUTSIDE.search(b'<script src="https://x.invalid/a.js">')
    assert OUTSIDE.search(b"background: url(//x.invalid/a.png)")
    program = Path(__file__).resolve().parents[2] / "dictate"
    kinds = {".html", ".j2", ".js", ".css", ".svg"}
    pages = [made / "note.html"]
    pages += [path for path in program.rglob("*") if path.suffix in kinds]
    assert len(pages) >= 3
    for page in pages:
        found = OUTSIDE.search(page.read_bytes())
        assert found is None, (page, found)


def test_files_and_folders_are_for_their_owner_alone(tmp_path: Path) -> None:
    sessions = tmp_path / "sessions"
    sessions.mkdir(mode=0o700)
    names = {"DICTATE_CACHE": "cache", "DICTATE_DATA": "data", "HOME": "home", "TMPDIR": "temp"}
    (tmp_path / "temp").mkdir(mode=0o700)
    environment = {name: str(tmp_path / place) for name, place in names.items()}
    old = os.umask(0)
    try:
        for arguments in (
            ("convert", talk_file(tmp_path), "--out", sessions / "one"),
            ("export", sessions / "one"),
            ("card",),
            ("picture", sessions / "one", "--out", sessions / "one" / "body.svg"),
            ("cohort", sessions),
        ):
            done = dictate(*arguments, environment=environment, folder=sessions)
            assert done.returncode == 0, (arguments, done.stderr)
    finally:
        os.umask(old)
    (tmp_path / "talk.txt").unlink()  # not written by the program
    written = list(tmp_path.rglob("*"))
    assert {"note.pdf", "note.html", "findings.parquet", "body.svg"} <= {p.name for p in written}
    assert [path for path in written if "cache" in path.parts and path.is_file()]
    assert [path for path in written if path.name.startswith(".cohort-index")]
    for path in written:
        mode = stat.S_IMODE(path.stat().st_mode)
        assert mode == (0o700 if path.is_dir() else 0o600), (path, oct(mode))


def test_importing_everything_of_the_program_opens_no_connection() -> None:
    code = (
        "import importlib, pkgutil, dictate, sys\n"
        "for one in pkgutil.walk_packages(dictate.__path__, 'dictate.'):\n"
        "    if one.name.endswith('__main__'): continue\n"
        "    try: importlib.import_module(one.name)\n"
        "    except ImportError: pass\n"
        "print(len([m for m in sys.modules if m.startswith('dictate')]))"
    )
    done = watched(code=code)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 60
