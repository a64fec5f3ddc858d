"""The session's sound, written as FLAC while it comes and readable after any kind of end."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType

import numpy as np

from dictate.audio.source import SAMPLE_RATE, Block, Samples
from dictate.errors import UserFault
from dictate.session.private_files import FILE_MODE, disk_fault, write_all

SOUND_NAME = "sound.flac"
SYNC_SECONDS = 1.0
"""The sound is brought to the disk so often; a FLAC frame at 16 kHz is 0.26 s long."""


class SoundFile:
    """A FLAC file that is being written; 16 kHz, mono, 16 bits.

    Where the file exists, what it holds is kept and the new sound follows it. The old file is
    put aside only once the new one holds all of its sound.

    Raises:
        UserFault: the disk is full or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        import soundfile

        self.path = path
        earlier = path.is_file()
        self._partial = path.with_name(f".{path.name}.{os.getpid()}.part") if earlier else path
        # Of a copy that was broken off: whoever opens this file has the session locked.
        _remove(path.parent.glob(f".{path.name}.*.part"))
        self._sink = _Sink(self._partial)
        self._synced = time.monotonic()
        self.samples = 0
        try:
            self._file = soundfile.SoundFile(
                self._sink, "w", SAMPLE_RATE, 1, subtype="PCM_16", format="FLAC"
            )
        except soundfile.SoundFileError as error:
            raise self._fault(error) from error
        if earlier:
            try:
                for samples in readable_sound(path):
                    self.write(samples)
                self.sync()
                self._partial.replace(path)
            except (UserFault, OSError) as error:
                with contextlib.suppress(UserFault):
                    self.close()
                _remove([self._partial])  # On a full disk it would take what room there is.
                raise self._fault(error) from error

    @property
    def seconds(self) -> float:
        """Length of the sound written so far."""
        return self.samples / SAMPLE_RATE

    def write(self, samples: Samples) -> None:
        """Append sound.

        Raises:
            UserFault: it could not be written; what was written before stays readable.
        """
        import soundfile

        try:
            self._file.write(samples)
        except (soundfile.SoundFileError, AssertionError) as error:
            raise self._fault(error) from error
        if self._sink.error is not None:
            raise self._fault(self._sink.error)
        self.samples += len(samples)
        if time.monotonic() - self._synced >= SYNC_SECONDS:
            self.sync()

    def sync(self) -> None:
        """Bring what was written to the disk."""
        try:
            os.fsync(self._sink.descriptor)
        except OSError as error:
            raise self._fault(error) from error
        self._synced = time.monotonic()

    def close(self) -> None:
        """Finish the file: its header then tells its length."""
        import soundfile

        if self._sink.descriptor < 0:
            return
        try:
            self._file.close()
            if self._sink.error is not None:
                raise self._fault(self._sink.error)
            self.sync()
        except soundfile.SoundFileError as error:
            raise self._fault(error) from error
        finally:
            self._sink.close()

    def __enter__(self) -> SoundFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _fault(self, error: BaseException) -> UserFault:
        if isinstance(error, UserFault):
            return error
        known = self._sink.error or (error if isinstance(error, OSError) else None)
        if known is not None:
            return disk_fault(known, self.path)
        return UserFault(f"{self.path} cannot be written any more ({error}).")


class _Sink:
    """The file under the encoder: keeps the error that the encoder would swallow."""

    def __init__(self, path: Path) -> None:
        flags = os.O_RDWR | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0)
        try:
            self.descriptor = os.open(path, flags, FILE_MODE)
        except OSError as error:
            raise disk_fault(error, path) from error
        self.error: OSError | None = None

    def write(self, content: bytes) -> int:
        if self.error is not None:
            return 0
        try:
            # A disk that is nearly full takes a part and tells why only at the next attempt.
            write_all(self.descriptor, content)
        except OSError as error:
            self.error = error
            return 0
        return len(content)

    def read(self, count: int = -1) -> bytes:
        return os.read(self.descriptor, count if count >= 0 else 1 << 30)

    def seek(self, place: int, whence: int = os.SEEK_SET) -> int:
        if self.descriptor < 0:
            return -1  # The encoder still asks after a close that failed.
        return os.lseek(self.descriptor, place, whence)

    def tell(self) -> int:
        if self.descriptor < 0:
            return -1
        return os.lseek(self.descriptor, 0, os.SEEK_CUR)

    def flush(self) -> None:
        pass

    def close(self) -> None:
        os.close(self.descriptor)
        self.descriptor = -1


def _remove(paths: Iterable[Path]) -> None:
    for path in paths:
        with contextlib.suppress(OSError):
            path.unlink()


def readable_sound(path: Path) -> Iterator[Samples]:
    """Yield all whole FLAC frames of a file, also of one that was never finished.

    The header of an unfinished file tells no length, and its last frame may be torn; common
    readers give such a file up or lose its last second.
    """
    import av

    av.logging.set_level(av.logging.PANIC)
    try:
        with av.open(str(path)) as container:
            track = container.streams.audio[0]
            with contextlib.suppress(av.FFmpegError):
                for frame in container.decode(track):
                    samples: Samples = frame.to_ndarray().reshape(-1).astype(np.int16)
                    yield samples
    except (av.FFmpegError, OSError, IndexError):
        return  # Not even its header was written before the end.


def sound_blocks(path: Path, start: float = 0.0) -> Iterator[Block]:
    """Yield the sound of a session from a moment on, in seconds, with its times."""
    skip = round(start * SAMPLE_RATE)
    at = 0
    for samples in readable_sound(path):
        begin = max(skip - at, 0)
        if begin < len(samples):
            yield Block((at + begin) / SAMPLE_RATE, samples[begin:])
        at += len(samples)
