"""Sound files of any usual kind, streamed as 16 kHz mono blocks in constant memory."""

from __future__ import annotations

import hashlib
import math
import shutil
import sys
import tempfile
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from dictate.audio.source import SAMPLE_RATE, Block
from dictate.audio.times import LONGEST
from dictate.errors import UserFault

READ_FRAMES = 16_384
LOWEST_RATE = 4_000
HIGHEST_RATE = 768_000
MOST_CHANNELS = 64
LONGEST_HOLE = 600.0
_MOST_FLAC_FRAMES_PER_BYTE = 6_600  # a block of silence: 65,535 frames in 10 bytes

Frames = NDArray[np.float32]
"""Shape (frames, channels), full scale is 1.0."""


class _Layout(NamedTuple):
    """What the container says about its first sound track."""

    rate: int
    channels: int
    duration: float | None
    reader: str


class Recording:
    """A sound file, or standard input when the path is ``-``.

    Opening reads the header only. ``blocks()`` may be called more than once and
    starts from the beginning each time. ``warnings`` holds plain sentences about
    what was found while reading, such as a file that ends too early.

    Args:
        path: the file, or ``-`` to read standard input (kept in a temporary file
            until ``close()`` so that it can be hashed and read again).
        channel: take only this channel (from 0); None mixes all channels.

    Raises:
        UserFault: the file is missing, empty, no sound file, or has no sound track.
    """

    def __init__(self, path: str | Path, *, channel: int | None = None) -> None:
        self._spool: tempfile.TemporaryDirectory[str] | None = None
        self.name = "standard input" if str(path) == "-" else Path(path).name
        if str(path) == "-":
            self._spool = tempfile.TemporaryDirectory(prefix="dictate-")
            self.path = spool_standard_input(Path(self._spool.name))
        else:
            self.path = Path(path)
        self.warnings: list[str] = []
        self._channel = channel
        try:
            _must_be_readable(self.path, self.name)
            self._layout = _look(self.path, self.name)
            if channel is not None and not 0 <= channel < self._layout.channels:
                raise UserFault(
                    f"{self.name} has {self._layout.channels} channel(s), so channel "
                    f"{channel + 1} cannot be taken; choose one of those it has."
                )
        except UserFault:
            self.close()
            raise

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Remove the temporary copy of standard input, if there is one."""
        if self._spool is not None:
            self._spool.cleanup()
            self._spool = None

    @property
    def duration(self) -> float | None:
        """Seconds according to the header, or None where the header does not say."""
        return self._layout.duration

    @property
    def channels(self) -> int:
        """Channels of the sound track."""
        return self._layout.channels

    @property
    def rate(self) -> int:
        """Samples per second as stored, before resampling."""
        return self._layout.rate

    def sha256(self) -> str:
        """Hexadecimal SHA-256 of the file's bytes."""
        digest = hashlib.sha256()
        with self.path.open("rb") as file:
            while piece := file.read(1 << 20):
                digest.update(piece)
        return digest.hexdigest()

    def blocks(self) -> Iterator[Block]:
        """Yield 16 kHz mono blocks with the stream time of their first sample.

        A file that is cut short yields what can be read and leaves a sentence in
        ``warnings``.

        Raises:
            UserFault: nothing at all could be decoded.
        """
        import soxr

        self.warnings.clear()
        resampler = soxr.ResampleStream(self.rate, SAMPLE_RATE, 1, dtype="float32")
        mixer = _Mixer(self._channel)
        given = 0
        read = 0
        for frames in self._frames():
            read += len(frames)
            mono = resampler.resample_chunk(mixer.mix(frames))
            if len(mono):
                yield Block(given / SAMPLE_RATE, _to_int16(mono))
                given += len(mono)
        tail = resampler.resample_chunk(np.zeros(0, dtype=np.float32), last=True)
        if len(tail):
            yield Block(given / SAMPLE_RATE, _to_int16(tail))
        if not read:
            raise UserFault(
                f"{self.name} holds no sound that can be read; record or export it again."
            )
        self._warn_if_short(read / self.rate)

    def _frames(self) -> Iterator[Frames]:
        if self._layout.reader == "soundfile":
            return _soundfile_frames(self.path, self.warnings)
        return _av_frames(self.path, self.channels, self.rate, self.warnings)

    def _warn_if_short(self, seconds: float) -> None:
        if self.warnings:
            return
        declared = self.duration
        if _riff_is_cut(self.path) or (
            declared is not None and seconds < 0.98 * declared and declared - seconds > 0.5
        ):
            self.warnings.append(
                f"{self.name} ends earlier than its header says: {seconds:.1f} s were read "
                "and the rest is missing."
            )


def channels_apart(path: str | Path) -> list[Recording]:
    """Open each channel of a file as a source of its own, for one speaker per channel.

    Raises:
        UserFault: as ``Recording``, and for standard input, which can be read only once.
    """
    if str(path) == "-":
        raise UserFault("Channels can be kept apart only for a file; save the input to a file.")
    with Recording(path) as whole:
        count = whole.channels
    return [Recording(path, channel=channel) for channel in range(count)]


def spool_standard_input(folder: Path) -> Path:
    """Copy standard input to a file in ``folder`` in constant memory and return its path."""
    path = folder / "input"
    with path.open("wb") as file:
        shutil.copyfileobj(sys.stdin.buffer, file, 1 << 20)
    return path


class _Mixer:
    """Mixes channels to one; falls back to one channel where they cancel each other.

    Two microphones wired with opposite polarity give almost nothing when added.
    """

    def __init__(self, channel: int | None) -> None:
        self._channel = channel
        self._mixed = 0.0
        self._apart = 0.0

    def mix(self, frames: Frames) -> NDArray[np.float32]:
        if frames.shape[1] == 1:
            return np.ascontiguousarray(frames[:, 0])
        if self._channel is not None:
            return np.ascontiguousarray(frames[:, self._channel])
        mono = frames.mean(axis=1)
        powers = np.square(frames, dtype=np.float64).sum(axis=0)
        self._mixed += float(np.square(mono, dtype=np.float64).sum())
        self._apart += float(powers.max())
        # The mean of one speaking and one silent channel has a quarter of the power.
        if self._apart > 0 and self._mixed < 0.05 * self._apart:
            return np.ascontiguousarray(frames[:, int(powers.argmax())])
        return cast("NDArray[np.float32]", mono)


def _to_int16(mono: NDArray[np.float32]) -> NDArray[np.int16]:
    return (np.clip(mono, -1.0, 1.0) * 32767.0).astype(np.int16)


def _finite(frames: Frames) -> Frames:
    clean = np.nan_to_num(frames, copy=False, nan=0.0, posinf=1.0, neginf=-1.0)
    return np.clip(clean, -1.0, 1.0)


def _must_be_readable(path: Path, name: str) -> None:
    if not path.exists():
        raise UserFault(f"There is no file {path}; check the spelling of the path.")
    if path.is_dir():
        raise UserFault(f"{path} is a folder; name one recording inside it.")
    if not path.is_file():
        raise UserFault(
            f"{path} is no ordinary file; save the sound to a file, or pipe it in and give '-' "
            "as the name."
        )
    try:
        with path.open("rb") as file:
            empty = not file.read(1)
    except OSError as error:
        raise UserFault(f"{path} cannot be read ({error.strerror}); check its permissions.") from (
            error
        )
    if empty:
        raise UserFault(f"{name} is empty (0 bytes); record or export it again.")


def _look(path: Path, name: str) -> _Layout:
    layout = (None if _is_mpeg(path) else _look_with_soundfile(path)) or _look_with_av(path, name)
    if not LOWEST_RATE <= layout.rate <= HIGHEST_RATE:
        raise UserFault(
            f"{name} has {layout.rate} samples a second, which is not usable for speech; "
            "export it at 16000 or 44100."
        )
    if not 1 <= layout.channels <= MOST_CHANNELS:
        raise UserFault(
            f"{name} claims {layout.channels} channels; export it with one or two channels."
        )
    if layout.duration is not None and layout.duration > LONGEST:
        # A header that promises so much tells nothing.
        layout = layout._replace(duration=None)
    if layout.duration == 0:
        raise UserFault(f"{name} has a header but no sound in it; record or export it again.")
    return layout


def _is_mpeg(path: Path) -> bool:
    """Whether the file looks like MP3 (or AAC without a container), also MP3 inside a WAV.

    libsndfile reads MP3 with libmpg123, which writes notes of its own to standard error, stops
    early in a damaged file and drops the end of one whose length it can only guess.
    """
    with path.open("rb") as file:
        head = file.read(512)
    if head[:4] in (b"RIFF", b"RIFX", b"RF64"):
        at = head.find(b"fmt ")
        return at > 0 and head[at + 8 : at + 10] in (b"\x50\0", b"\x55\0", b"\0\x50", b"\0\x55")
    return head[:3] == b"ID3" or (head[:1] == b"\xff" and head[1:2] >= b"\xe0")


def _tells_its_length(path: Path) -> bool:
    """Whether an MP3 begins with the frame that counts the others; without it all is a guess."""
    with path.open("rb") as file:
        head = file.read(10)
        if head[:3] == b"ID3":
            size = 0
            for byte in head[6:10]:
                size = size << 7 | byte & 127
            file.seek(10 + size)
        else:
            file.seek(0)
        frame = file.read(256)
    return any(mark in frame for mark in (b"Xing", b"Info", b"VBRI"))


def _look_with_soundfile(path: Path) -> _Layout | None:
    import soundfile

    try:
        with soundfile.SoundFile(str(path)) as file:
            frames = int(file.frames)
            known = 0 <= frames < 1 << 60
            if file.format == "FLAC" and frames > _MOST_FLAC_FRAMES_PER_BYTE * path.stat().st_size:
                # Counted by no one (as when recorded to a pipe) or a lie; libsndfile then
                # loses the last second.
                return None
            duration = frames / file.samplerate if known and file.samplerate else None
            return _Layout(int(file.samplerate), int(file.channels), duration, "soundfile")
    except (soundfile.SoundFileError, TypeError, ValueError):
        return None


def _look_with_av(path: Path, name: str) -> _Layout:
    import av

    av.logging.set_level(av.logging.PANIC)
    try:
        with av.open(str(path)) as container:
            if not container.streams.audio:
                raise UserFault(f"{name} has no sound track; choose a file that has one.")
            track = container.streams.audio[0]
            if track.codec_context is None:
                raise UserFault(
                    f"{name} is coded in a way that is not known here; export it as wav or flac."
                )
            duration: float | None = None
            if track.duration is not None and track.time_base is not None:
                duration = float(track.duration * track.time_base)
            elif container.duration is not None:
                duration = container.duration / 1_000_000
            if duration is not None and (not math.isfinite(duration) or duration < 0):
                duration = None
            kind = container.format.name
            if kind == "flac" or (kind == "mp3" and not _tells_its_length(path)):
                duration = None
            return _Layout(int(track.rate or 0), int(track.channels), duration, "av")
    except (av.FFmpegError, ValueError, OSError) as error:
        with path.open("rb") as file:
            head = file.read(12)
        if head[4:8] == b"ftyp":
            raise UserFault(
                f"{name} breaks off before its index was written, so its sound cannot be found; "
                "copy or export the file again."
            ) from error
        raise UserFault(
            f"{name} is no sound file that can be read (known kinds: wav, flac, ogg, opus, mp3, "
            "m4a, mp4, webm; timed text: vtt, srt, txt); export it as wav or flac."
        ) from error


def _soundfile_frames(path: Path, warnings: list[str]) -> Iterator[Frames]:
    import soundfile

    read = 0
    with soundfile.SoundFile(str(path)) as file:
        while True:
            try:
                frames = file.read(READ_FRAMES, dtype="float32", always_2d=True)
            except soundfile.SoundFileError:
                warnings.append(_broken_off(path.name, read / file.samplerate))
                return
            if not len(frames):
                return
            read += len(frames)
            yield _finite(frames)


def _av_frames(path: Path, channels: int, rate: int, warnings: list[str]) -> Iterator[Frames]:
    import av

    read = 0
    damaged = since = 0  # packets that could not be read, in all and since the last sound
    try:
        with av.open(str(path)) as container:
            track = container.streams.audio[0]
            convert = av.AudioResampler(format="fltp", layout=track.layout, rate=rate)
            base = track.time_base or Fraction(1, 1)
            begin = float(track.start_time * base) if track.start_time else 0.0
            for packet in container.demux(track):
                try:
                    decoded = packet.decode()
                except av.error.InvalidDataError:
                    # The packets after it may be whole.
                    damaged, since = damaged + 1, since + 1
                    continue
                for frame in decoded:
                    for part in _converted(convert, frame):
                        if frame.time is not None:
                            hole = frame.time - begin - read / rate
                            # Recorders that drop packets leave holes; times must not slip.
                            if 0.2 < hole < LONGEST_HOLE:
                                silence = round(hole * rate)
                                read += silence
                                yield np.zeros((silence, channels), dtype=np.float32)
                        frames = np.ascontiguousarray(part.to_ndarray().T, dtype=np.float32)
                        read += len(frames)
                        since = 0
                        yield _finite(frames)
    except (av.FFmpegError, ValueError, OSError):
        warnings.append(_broken_off(path.name, read / rate))
        return
    if damaged > since:
        warnings.append(
            f"{path.name} is damaged in places: {damaged} short piece(s) of it could not be read, "
            "and what was said there is missing."
        )
    elif damaged:
        warnings.append(_broken_off(path.name, read / rate))


def _converted(convert: Any, frame: Any) -> list[Any]:
    parts = convert.resample(frame)
    return [part for part in parts if part.samples]


def _broken_off(name: str, seconds: float) -> str:
    return f"{name} is damaged after {seconds:.1f} s: what comes before was read, the rest not."


def _riff_is_cut(path: Path) -> bool:
    """Whether a RIFF header promises more bytes than there are.

    Programs that write to a pipe leave 0 or a huge size; that is no sign of a cut.
    """
    with path.open("rb") as file:
        head = file.read(8)
    if len(head) < 8 or head[:4] != b"RIFF":
        return False
    size = int.from_bytes(head[4:], "little")
    return 0 < size < 0x7FFF_0000 and size + 8 > path.stat().st_size + 1
