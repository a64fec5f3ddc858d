"""The numbers of the recogniser's acoustic model: where each phone lies among the sounds."""

from __future__ import annotations

import struct
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

_HEADER_END = b"endhdr\n"
_LEAST_VARIANCE = 1e-4


class AcousticModel(NamedTuple):
    """Means and variances: by phone, stream (sound, its change, the change of that), density."""

    phones: tuple[str, ...]
    means: Numbers
    variances: Numbers


@lru_cache(maxsize=1)
def acoustic_model() -> AcousticModel:
    """The model that comes with PocketSphinx.

    Raises:
        ValueError: its files are of another kind than is known here.
    """
    from pocketsphinx import get_model_path

    folder = Path(get_model_path()) / "en-us" / "en-us"
    phones = _phones((folder / "mdef").read_bytes())
    means = _parameters((folder / "means").read_bytes())
    variances = np.maximum(_parameters((folder / "variances").read_bytes()), _LEAST_VARIANCE)
    if means.shape != variances.shape or len(means) != len(phones):
        raise ValueError("The acoustic model does not hold one set of densities for each phone.")
    return AcousticModel(phones, means, variances)


def _phones(content: bytes) -> tuple[str, ...]:
    """Names of the phones from a binary model definition, in the order of their densities."""
    if content[:4] != b"BMDF":
        raise ValueError("The acoustic model's definition is of an unknown format.")
    _, described = struct.unpack_from("<2i", content, 4)
    at = 12 + described
    (count,) = struct.unpack_from("<i", content, at)
    at += 40
    names: list[str] = []
    for _ in range(count):
        end = content.index(b"\0", at)
        names.append(content[at:end].decode("ascii"))
        at = end + 1
    return tuple(names)


def _parameters(content: bytes) -> Numbers:
    """Means or variances: a text header, a byte-order mark, the shape, then floats."""
    at = content.index(_HEADER_END) + len(_HEADER_END)
    mark, phones, streams, densities = struct.unpack_from("<4i", content, at)
    if mark != 0x11223344:
        raise ValueError("The acoustic model is written in another byte order.")
    sizes = struct.unpack_from(f"<{streams}i", content, at + 16)
    if len(set(sizes)) != 1:
        raise ValueError("The acoustic model's streams differ in size.")
    at += 16 + 4 * streams + 4
    count = phones * densities * sum(sizes)
    values = np.frombuffer(content, "<f4", count, at).astype(np.float64)
    return values.reshape(phones, streams, densities, sizes[0])
