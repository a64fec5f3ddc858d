"""Peaks of the sound for the timeline, computed once and kept beside the journal."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Final

from dictate.errors import UserFault
from dictate.session.private_files import write_private

PEAKS_A_SECOND: Final = 20
WAVEFORM_NAME: Final = "waveform.bin"
_MARK: Final = b"dictate-peaks-1:"


def waveform(sound: Path, sound_sha256: str, folder: Path) -> bytes:
    """The loudest sample of each twentieth of a second, as one byte (0 silence, 255 full scale).

    The result is kept in ``folder`` as ``waveform.bin`` behind the hash of the sound and
    computed anew where that does not fit; it can be deleted at any time.

    Raises:
        UserFault: the sound cannot be read.
    """
    import numpy as np

    from dictate.audio.recording import Recording
    from dictate.audio.source import SAMPLE_RATE

    front = _MARK + sound_sha256.encode("ascii", "replace") + b"\n"
    kept = folder / WAVEFORM_NAME
    with contextlib.suppress(OSError):
        content = kept.read_bytes()
        if content.startswith(front):
            return content[len(front) :]
    step = SAMPLE_RATE // PEAKS_A_SECOND
    parts: list[bytes] = []
    rest = np.zeros(0, dtype=np.int16)
    with Recording(sound) as recording:
        for block in recording.blocks():
            samples = np.concatenate([rest, block.samples])
            whole = len(samples) // step * step
            loud = np.abs(samples[:whole].astype(np.int32)).reshape(-1, step).max(axis=1)
            parts.append(np.minimum(loud >> 7, 255).astype(np.uint8).tobytes())
            rest = samples[whole:]
    peaks = b"".join(parts)
    with contextlib.suppress(UserFault):
        write_private(kept, front + peaks)
    return peaks
