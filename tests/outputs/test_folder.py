"""Writing all outputs at once: complete, private, and nothing half-written."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.outputs.folder import write_outputs
from dictate.session.record import Session


def test_all_files_are_written_for_the_owner_alone(
    tmp_path: Path, session: Session, catalogue: Catalogue
) -> None:
    folder = tmp_path / "a" / "session"
    paths = write_outputs(session, catalogue, folder)
    assert sorted(path.name for path in paths) == sorted(path.name for path in folder.iterdir())
    assert {"note.md", "note.html", "findings.csv", "captions.vtt", "fhir-bundle.json"} <= {
        p.name for p in paths
    }
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in paths)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_writing_twice_gives_the_same_bytes(
    tmp_path: Path, session: Session, catalogue: Catalogue
) -> None:
    first = [path.read_bytes() for path in write_outputs(session, catalogue, tmp_path)]
    assert [path.read_bytes() for path in write_outputs(session, catalogue, tmp_path)] == first


def test_a_full_disk_leaves_the_old_files_whole(
    tmp_path: Path, session: Session, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {path: path.read_bytes() for path in write_outputs(session, catalogue, tmp_path)}
    real = os.write

    def write(descriptor: int, content: bytes) -> int:
        if len(content) > 900:
            return real(descriptor, bytes(content[:500]))
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", write)
    with pytest.raises(UserFault, match="disk is full"):
        write_outputs(session, catalogue, tmp_path)
    monkeypatch.undo()
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_broken_template_writes_nothing(
    tmp_path: Path, session: Session, catalogue: Catalogue
) -> None:
    (tmp_path / "note.md.j2").write_text("{{ broken")
    with pytest.raises(UserFault, match=r"note\.md\.j2"):
        write_outputs(session, catalogue, tmp_path / "out", templates=tmp_path)
    assert not (tmp_path / "out").exists()


def test_a_link_in_place_of_a_file_is_not_followed(
    tmp_path: Path, session: Session, catalogue: Catalogue
) -> None:
    outside = tmp_path / "outside.txt"
    outside.write_text("precious")
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "note.md").symlink_to(outside)
    write_outputs(session, catalogue, folder)
    assert outside.read_text() == "precious"
    assert not (folder / "note.md").is_symlink()
