"""A deleted session is gone, a sealed one opens only with its passphrase."""

from __future__ import annotations

import io
import shutil
import stat
import tarfile
from pathlib import Path

import pyrage
import pytest

from dictate.errors import UserFault
from dictate.session.deletion import delete_session
from dictate.session.journal import Journal
from dictate.session.sealing import seal, unseal
from tests.trust.running import dictate, one_sentence, talk_file

PHRASE = "four plain words here"
SECRET = b"zebrafish"


def copied(made: Path, place: Path) -> Path:
    return Path(shutil.copytree(made, place / "session"))


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def holding(place: Path, what: bytes) -> list[str]:
    return [name for name, content in contents(place).items() if what in content]


def test_nothing_that_was_said_stays_anywhere_after_deletion(tmp_path: Path) -> None:
    world = tmp_path / "world"
    for name in ("home", "cache", "temporary"):
        (world / name).mkdir(parents=True)
    environment = {
        "HOME": str(world / "home"),
        "XDG_CACHE_HOME": str(world / "cache"),
        "DICTATE_CACHE": str(world / "cache"),
        "TMPDIR": str(world / "temporary"),
    }
    source = talk_file(tmp_path, "[0:01] Pulse seventy-two, zebrafish.\n")
    done = dictate("convert", source, "--out", world / "session", environment=environment)
    assert done.returncode == 0, done.stderr
    assert holding(world, SECRET), "the search would find nothing in any case"
    done = dictate("forget", world / "session", "--yes", environment=environment)
    assert done.returncode == 0, done.stderr
    assert "backups" in done.stdout and "original recording" in done.stdout
    assert holding(world, SECRET) == []
    assert not (world / "session").exists()
    assert source.exists()


def test_every_output_is_known_to_the_deletion(made: Path, tmp_path: Path) -> None:
    folder = copied(made, tmp_path)
    assert delete_session(folder).left == ()


def test_exports_and_clips_go_with_the_session_but_no_file_of_others(
    made: Path, tmp_path: Path
) -> None:
    folder = copied(made, tmp_path)
    assert dictate("export", folder).returncode == 0
    (folder / "export" / "clips").mkdir()
    (folder / "export" / "clips" / "0001-pulse.flac").write_bytes(b"sound")
    assert len(list((folder / "export").iterdir())) > 8
    (folder / "export-redacted").mkdir()
    (folder / "export-redacted" / "letter.odt").write_bytes(b"own work")
    done = delete_session(folder)
    assert [path.name for path in done.left] == ["export-redacted"]
    assert list(contents(folder)) == ["export-redacted/letter.odt"]


def test_what_others_put_there_is_left_and_named_and_links_are_not_followed(
    made: Path, tmp_path: Path
) -> None:
    folder = copied(made, tmp_path)
    (folder / "thesis.odt").write_bytes(b"own work")
    outside = tmp_path / "outside.md"
    outside.write_bytes(b"elsewhere")
    (folder / "note.link").symlink_to(outside)
    assert [path.name for path in delete_session(folder).left] == ["thesis.odt"]
    assert outside.read_bytes() == b"elsewhere"
    assert (folder / "thesis.odt").exists()


def test_no_session_and_an_open_session_are_not_deleted(made: Path, tmp_path: Path) -> None:
    (tmp_path / "note.md").write_text("mine")
    assert "no session" in one_sentence(dictate("forget", tmp_path, "--yes"))
    assert (tmp_path / "note.md").exists()
    folder = copied(made, tmp_path)
    before = contents(folder)
    journal, _ = Journal.reopen(folder)
    with journal, pytest.raises(UserFault, match="open in another program"):
        delete_session(folder)
    assert contents(folder) == before


def test_sealing_and_opening_gives_the_same_session_and_leaves_no_plain_text(
    made: Path, tmp_path: Path
) -> None:
    folder = copied(made, tmp_path)
    before = contents(folder)
    sealed, _ = seal(folder, PHRASE)
    assert [path.name for path in tmp_path.iterdir()] == ["session.sealed"]
    assert holding(tmp_path, b"seventy") == []
    assert stat.S_IMODE(sealed.stat().st_mode) == 0o600
    opened = unseal(sealed, PHRASE)
    assert contents(opened) == before
    assert stat.S_IMODE(opened.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in opened.iterdir()} == {0o600}


def test_wrong_passphrase_damage_and_foreign_files_are_one_sentence(
    made: Path, tmp_path: Path
) -> None:
    sealed, _ = seal(copied(made, tmp_path), PHRASE)
    whole = sealed.read_bytes()
    with pytest.raises(UserFault, match="passphrase is wrong or the file is damaged"):
        unseal(sealed, PHRASE + "x")
    for change in (30, len(whole) // 2, len(whole) - 1):
        raw = bytearray(whole)
        raw[change] ^= 1
        sealed.write_bytes(raw)
        with pytest.raises(UserFault, match="damaged"):
            unseal(sealed, PHRASE)
    sealed.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(UserFault, match="damaged"):
        unseal(sealed, PHRASE)
    sealed.write_bytes(b"nothing of the kind")
    with pytest.raises(UserFault, match="no sealed session"):
        unseal(sealed, PHRASE)
    assert not (tmp_path / "session").exists()


@pytest.mark.parametrize("name", ["../evil", "/tmp/evil", "a/../../evil", "link"])
def test_a_hostile_archive_inside_is_refused(name: str, tmp_path: Path) -> None:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        member = tarfile.TarInfo(name)
        if name == "link":
            member.type, member.linkname = tarfile.SYMTYPE, "/etc/passwd"
            archive.addfile(member)
        else:
            member.size = 4
            archive.addfile(member, io.BytesIO(b"evil"))
    sealed = tmp_path / "x.sealed"
    sealed.write_bytes(pyrage.passphrase.encrypt(buffer.getvalue(), PHRASE))
    with pytest.raises(UserFault, match="which no session has"):
        unseal(sealed, PHRASE, tmp_path / "out")
    assert not (tmp_path / "out").exists() and not (tmp_path.parent / "evil").exists()


def test_the_commands_take_the_passphrase_from_a_file(made: Path, tmp_path: Path) -> None:
    folder = copied(made, tmp_path)
    (tmp_path / "short").write_text("tiny\n")
    (tmp_path / "phrase").write_text(PHRASE + "\n")
    (tmp_path / "wrong").write_text("another long phrase\n")
    refused = dictate("seal", folder, "--passphrase-file", tmp_path / "short")
    assert "shorter than 12" in one_sentence(refused)
    assert dictate("seal", folder, "--passphrase-file", tmp_path / "phrase").returncode == 0
    sealed = tmp_path / "session.sealed"
    wrong = dictate("unseal", sealed, "--passphrase-file", tmp_path / "wrong")
    assert "passphrase is wrong" in one_sentence(wrong)
    assert dictate("unseal", sealed, "--passphrase-file", tmp_path / "phrase").returncode == 0
    assert dictate("rebuild", folder).returncode == 0
