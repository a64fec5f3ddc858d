"""The sessions below one folder: which there are, and which of them are open."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Final, NamedTuple

from dictate.conversion import opened
from dictate.errors import UserFault
from dictate.exam.course import Checklist
from dictate.review.reviewed import OpenSession
from dictate.session.corrections import State, signatures_in_force, state_of
from dictate.session.entries import SessionEnd
from dictate.session.journal import JOURNAL_NAME
from dictate.session.record import SessionInfo

_DEEPEST: Final = 3  # folders below the one that was named
_MOST_OPEN: Final = 8  # sessions held at once; the one used longest ago is closed
_MOST_LISTED: Final = 2000


class Listed(NamedTuple):
    """One session in the list; ``fault`` says why it cannot be read."""

    key: str
    name: str
    info: SessionInfo | None
    seconds: float
    state: State
    signed_by: tuple[str, ...]
    fault: str = ""


class Shelf:
    """Finds and opens sessions; a key is made from a path and never taken for one.

    Args:
        root: a session's folder, or a folder with sessions in it.
        checklist_of: gives the exam for a course's key or file ('' for the usual one).
        sound: the recording, where it is neither in the session's folder nor beside it.

    Raises:
        UserFault: the folder is missing or holds no session.
    """

    def __init__(
        self, root: Path, checklist_of: Callable[[str], Checklist], sound: Path | None = None
    ) -> None:
        if not root.is_dir():
            raise UserFault(f"{root} is no folder; name a session's folder or one that holds some.")
        self.root = root.resolve()
        self.single = (self.root / JOURNAL_NAME).is_file()
        self._checklist_of = checklist_of
        self._sound = sound
        self._open: OrderedDict[str, OpenSession] = OrderedDict()
        self._turn = threading.RLock()
        if not self.folders():
            raise UserFault(
                f"There is no session in {root}; make one with 'dictate convert RECORDING'."
            )

    def folders(self) -> dict[str, Path]:
        """The sessions' folders by key, in the order of their names."""
        if self.single:
            return {_key("."): self.root}
        found = {}
        for path in sorted(_below(self.root, _DEEPEST))[:_MOST_LISTED]:
            found[_key(path.relative_to(self.root).as_posix())] = path
        return found

    def listed(self) -> tuple[Listed, ...]:
        """What the journals say about each session, without computing its findings."""
        return tuple(self._look(key, folder) for key, folder in self.folders().items())

    def session(self, key: str) -> OpenSession:
        """The session with this key, opened when first asked for.

        Raises:
            KeyError: there is none.
            UserFault: it cannot be read, or another program has it open.
        """
        with self._turn:
            held = self._open.get(key)
            if held is not None:
                self._open.move_to_end(key)
                return held
            folder = self.folders()[key]
            info, _ = opened(folder)
            course = "" if info.course == "usual" else info.course
            held = OpenSession(folder, self._checklist_of(course))
            self._open[key] = held
            while len(self._open) > _MOST_OPEN:
                _, oldest = self._open.popitem(last=False)
                oldest.close()
            return held

    def sound_of(self, session: OpenSession) -> Path | None:
        """The session's recording: in its folder, or beside it with the right hash.

        A name that leads out of these two folders is not followed.
        """
        if self._sound is not None:
            return self._sound
        info = session.info
        if Path(info.sound_name).name != info.sound_name or not info.sound_name:
            return None
        folder = session.folder.resolve()
        for home in (folder, folder.parent):
            path = home / info.sound_name
            if not path.is_file() or path.resolve().parent != home:
                continue
            if home == folder or _hash(path) == info.sound_sha256:
                return path
        return None

    def close(self) -> None:
        """Give every journal free."""
        with self._turn:
            while self._open:
                self._open.popitem()[1].close()

    def _look(self, key: str, folder: Path) -> Listed:
        name = folder.name if folder == self.root else folder.relative_to(self.root).as_posix()
        try:
            info, reading = opened(folder)
        except UserFault as fault:
            return Listed(key, name, None, 0.0, "preliminary", (), str(fault))
        ends = [one.seconds for one in reading.entries if isinstance(one, SessionEnd)]
        return Listed(
            key,
            name,
            info,
            ends[-1] if ends else info.seconds,  # a resumed session has several
            state_of(reading.entries),
            tuple(one.by for one in signatures_in_force(reading.entries)),
        )


def _below(folder: Path, depth: int) -> list[Path]:
    found = []
    for child in folder.iterdir():
        # A link could lead out of the folder that was named.
        if child.is_symlink() or not child.is_dir() or child.name.startswith("."):
            continue
        if (child / JOURNAL_NAME).is_file():
            found.append(child)
        elif depth > 1:
            found += _below(child, depth - 1)
    return found


def _key(relative: str) -> str:
    return hashlib.sha256(relative.encode("utf-8", "surrogateescape")).hexdigest()[:16]


def _hash(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()
