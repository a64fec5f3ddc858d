"""A short piece of the recording for each finding, as FLAC without any tags."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

from dictate.errors import UserFault
from dictate.findings.finding import Finding
from dictate.session.record import Session

_AROUND: Final = 0.4  # seconds before and after, so that no word is cut (common practice)
_TRANSCRIPT: Final = "timed text"


class Clip(NamedTuple):
    """A file name, the sound as FLAC, the finding it belongs to, and its length."""

    name: str
    flac: bytes
    finding: Finding
    seconds: float


def clips(session: Session, sound: Path, around: float = _AROUND) -> Iterator[Clip]:
    """A clip as FLAC (16 kHz, mono, 16 bit) for each finding that stands.

    Args:
        session: whose findings.
        sound: the recording it was made from.
        around: seconds added before and after each finding.

    Raises:
        UserFault: the recording cannot be read, or is another than the session's.
    """
    import numpy as np
    import soundfile

    from dictate.audio.recording import Recording
    from dictate.audio.source import SAMPLE_RATE

    with Recording(sound) as recording:
        # A transcript has a hash of its own: nothing tells which recording belongs to it.
        if session.info.engine != _TRANSCRIPT and recording.sha256() != session.info.sound_sha256:
            raise UserFault(
                f"{sound} is not the recording of this session (its SHA-256 differs); "
                f"name the file {session.info.sound_name} as it was."
            )
        blocks = [block.samples for block in recording.blocks()]
    whole = np.concatenate(blocks)
    for finding in sorted(session.findings, key=lambda one: (one.start, one.end, one.id)):
        if not finding.stands:
            continue
        first = max(0, int((finding.start - around) * SAMPLE_RATE))
        piece = whole[first : int((finding.end + around) * SAMPLE_RATE) + 1]
        if not len(piece):
            continue
        buffer = io.BytesIO()
        soundfile.write(buffer, piece, SAMPLE_RATE, format="FLAC", subtype="PCM_16")
        yield Clip(
            f"{_name(finding.start, finding.item, finding.side, finding.id)}.flac",
            buffer.getvalue(),
            finding,
            len(piece) / SAMPLE_RATE,
        )


def _name(start: float, item: str, side: str | None, finding: str) -> str:
    parts = [f"{int(start) // 60:03d}m{int(start) % 60:02d}s", item, side or "", finding]
    return "-".join(re.sub(r"[^A-Za-z0-9_]+", "-", part) for part in parts if part)
