"""A session in one file that opens only with its passphrase.

The file is in the age format, version 1 (age-encryption.org/v1): the key is derived from
the passphrase by scrypt, the content is encrypted and authenticated with
ChaCha20-Poly1305 in pieces of 64 KiB. Inside is a tar archive of the session's folder.
"""

from __future__ import annotations

import io
import tarfile
from pathlib import Path, PurePosixPath
from typing import Any, Final

from dictate.errors import UserFault
from dictate.session.deletion import Deleted, delete_session
from dictate.session.journal import JOURNAL_NAME, Journal, read_journal
from dictate.session.private_files import disk_fault, make_private_folder, write_private

SEALED_SUFFIX: Final = ".sealed"
SHORTEST_PASSPHRASE: Final = 12
"""Characters. Common practice; NIST SP 800-63B asks for 8 at the very least."""
_LARGEST: Final = 2 * 1024**3  # bytes; an hour of sound is some 60 MB
_MAGIC: Final = b"age-encryption.org/v1\n"


def seal(folder: Path, passphrase: str) -> tuple[Path, Deleted]:
    """Encrypt a session's folder into ``FOLDER.sealed`` and delete the folder's content.

    The sealed file is opened again and compared before anything is deleted.

    Raises:
        UserFault: there is no session or it is open elsewhere, the passphrase is too
            short, the sealed file is there already, or the disk cannot be written.
    """
    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise UserFault(
            f"The passphrase is shorter than {SHORTEST_PASSPHRASE} characters; take a longer one, "
            "such as four words."
        )
    sealed = folder.with_name(folder.name + SEALED_SUFFIX)
    if sealed.exists():
        raise UserFault(f"{sealed} is there already; move it away first.")
    # Opening for adding takes the lock, so nothing is written while the folder is packed.
    journal, _ = Journal.reopen(folder)
    with journal:
        packed = _packed(folder)
    age = _age()
    write_private(sealed, age.passphrase.encrypt(packed, passphrase))
    if age.passphrase.decrypt(_content(sealed), passphrase) != packed:
        sealed.unlink()
        raise UserFault(f"{sealed} could not be read back, so the session was left as it is.")
    return sealed, delete_session(folder, everything=True)


def unseal(sealed: Path, passphrase: str, folder: Path | None = None) -> Path:
    """Decrypt a sealed session into a folder; the sealed file stays.

    Args:
        sealed: a file made by ``seal``.
        passphrase: the one it was sealed with.
        folder: where to; the sealed file's name without its ending by default.

    Raises:
        UserFault: the passphrase is wrong, the file is damaged or no sealed session, or
            the folder is there already.
    """
    folder = folder or sealed.with_name(sealed.name.removesuffix(SEALED_SUFFIX))
    if folder == sealed or folder.exists():
        raise UserFault(f"{folder} is there already; name another folder with --out.")
    content = _content(sealed)
    if not content.startswith(_MAGIC):
        raise UserFault(f"{sealed} is no sealed session.")
    age = _age()
    try:
        packed = age.passphrase.decrypt(content, passphrase)
    except age.DecryptError as error:
        raise UserFault(
            f"{sealed} does not open: the passphrase is wrong or the file is damaged; "
            "try again or restore it from a copy."
        ) from error
    files = _unpacked(packed, sealed)
    made = make_private_folder(folder)
    for name, bytes_of in files.items():
        place = made / name
        if place.parent != made:
            make_private_folder(place.parent)
        write_private(place, bytes_of)
    read_journal(made / JOURNAL_NAME)
    return made


def _age() -> Any:
    try:
        import pyrage
    except ImportError as error:
        raise UserFault(
            "Sealing needs an extra library; install it with: pip install 'dictate[seal]'"
        ) from error
    return pyrage


def _content(path: Path) -> bytes:
    try:
        if path.stat().st_size > _LARGEST:
            raise UserFault(f"{path} is larger than any sealed session; check the path.")
        return path.read_bytes()
    except OSError as error:
        raise disk_fault(error, path) from error


def _packed(folder: Path) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        for path in sorted(folder.rglob("*")):
            if path.is_symlink():
                raise UserFault(f"{path} is a link and cannot be sealed; remove it first.")
            if path.is_file():
                if buffer.tell() + path.stat().st_size > _LARGEST // 2:
                    raise UserFault(f"{folder} holds more than 1 GB and cannot be sealed.")
                archive.add(path, arcname=path.relative_to(folder).as_posix(), recursive=False)
    return buffer.getvalue()


def _unpacked(packed: bytes, sealed: Path) -> dict[str, bytes]:
    """Files by name; whoever knows the passphrase may still have packed something hostile."""
    files: dict[str, bytes] = {}
    try:
        with tarfile.open(fileobj=io.BytesIO(packed), mode="r:") as archive:
            for member in archive:
                name = PurePosixPath(member.name)
                inside = not name.is_absolute() and ".." not in name.parts and name.parts
                stream = archive.extractfile(member) if member.isreg() else None
                if stream is None or not inside or "\\" in member.name or ":" in member.name:
                    raise UserFault(f"{sealed} holds '{member.name}', which no session has.")
                files[member.name] = stream.read()
    except (tarfile.TarError, ValueError, EOFError) as error:
        raise UserFault(f"{sealed} is no sealed session.") from error
    if JOURNAL_NAME not in files:
        raise UserFault(f"{sealed} holds no session.")
    return files
