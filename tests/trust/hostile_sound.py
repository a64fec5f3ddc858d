"""Sound in which nobody says anything of the exam, made by formulas or by a synthesiser."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import av
import numpy as np
import soundfile
from numpy.typing import NDArray

Sound = NDArray[np.float64]
RATE: Final = 16_000


def _time(seconds: float) -> Sound:
    return np.arange(int(seconds * RATE)) / RATE


def silence(seconds: float) -> Sound:
    return np.zeros(int(seconds * RATE))


def white(seconds: float) -> Sound:
    return np.random.default_rng(1).normal(0, 0.1, int(seconds * RATE))


def brown(seconds: float) -> Sound:
    """A rumble such as of a ventilation; its power falls with the square of the frequency."""
    walk = np.cumsum(np.random.default_rng(2).normal(0, 1, int(seconds * RATE)))
    walk -= np.convolve(walk, np.ones(801) / 801, mode="same")
    return 0.3 * walk / np.abs(walk).max()


def hum(seconds: float) -> Sound:
    return sum(0.2 / n * np.sin(2 * np.pi * 50 * n * _time(seconds)) for n in (1, 2, 3, 5))  # type: ignore[return-value]


def clicks(seconds: float) -> Sound:
    sound = np.random.default_rng(3).normal(0, 0.0005, int(seconds * RATE))
    sound[:: RATE // 3] = 0.9
    return sound


def clipped(seconds: float) -> Sound:
    """A beating tone driven far beyond full scale."""
    time = _time(seconds)
    return np.clip(8 * np.sin(2 * np.pi * 180 * time) * np.sin(2 * np.pi * 2.3 * time), -1, 1)


def music(seconds: float) -> Sound:
    """A tune over chords: plucked notes with overtones, and a drum; our own."""
    sound = np.zeros(int(seconds * RATE))
    steps = (0, 4, 7, 12, 7, 4, 5, 9, 12, 9, 2, 7, 11, 7)
    random = np.random.default_rng(4)
    for count, begin in enumerate(np.arange(0, seconds - 0.6, 0.25)):
        time = _time(0.6)
        for octave in (0, -12) if count % 4 == 0 else (0,):
            pitch = 262 * 2 ** ((steps[count % len(steps)] + octave) / 12)
            note = sum(np.sin(2 * np.pi * pitch * n * time) / n**1.5 for n in range(1, 9))
            at = int(begin * RATE)
            sound[at : at + len(time)] += 0.12 * note * np.exp(-5 * time)
        if count % 2:
            drum = random.normal(0, 0.2, RATE // 10) * np.exp(-40 * _time(0.1))
            sound[int(begin * RATE) : int(begin * RATE) + len(drum)] += drum
    return np.clip(sound, -1, 1)


def singing(seconds: float) -> Sound:
    """Vowels on gliding pitches without consonants, like somebody humming a tune."""
    time = _time(seconds)
    pitch = 180 + 60 * np.sin(2 * np.pi * 0.4 * time) + 5 * np.sin(2 * np.pi * 5.5 * time)
    phase = 2 * np.pi * np.cumsum(pitch) / RATE
    sound = np.zeros_like(time)
    for harmonic in range(1, 25):
        centres = (500 + 250 * np.sin(2 * np.pi * 0.7 * time), 1200, 2500)
        gain = sum(np.exp(-(((harmonic * 180 - centre) / 200) ** 2)) for centre in centres)
        sound += gain * np.sin(harmonic * phase)
    sound *= 0.5 + 0.5 * np.sin(2 * np.pi * 0.9 * time)
    return 0.4 * sound / np.abs(sound).max()


def sweep(seconds: float) -> Sound:
    time = _time(seconds)
    return 0.4 * np.sin(2 * np.pi * (60 * time + (3000 / seconds) * time**2 / 2))


WORDLESS: Final[dict[str, Callable[[float], Sound]]] = {
    "silence": silence,
    "white noise": white,
    "rumble": brown,
    "mains hum": hum,
    "clicks": clicks,
    "clipping": clipped,
    "music": music,
    "singing without words": singing,
    "sweep": sweep,
}

# The same everyday talk, our own, in languages of several families; numbers are in it.
LANGUAGES: Final[dict[str, tuple[str, ...]]] = {
    "de": (
        "Guten Morgen, heute gehen wir auf den Markt.",
        "Wir kaufen zwölf Eier und ein halbes Pfund Butter.",
        "Danach fahren wir mit dem Fahrrad nach Hause.",
        "Vierunddreißig Gäste kommen um acht.",
    ),
    "fr": (
        "Bonjour à tous, aujourd'hui nous allons au marché.",
        "Nous achetons douze oeufs et une livre de beurre.",
        "Ensuite nous rentrons à la maison à vélo.",
        "Trente-quatre invités arrivent à huit heures.",
    ),
    "es": (
        "Buenos días, hoy vamos al mercado.",
        "Compramos doce huevos y media libra de mantequilla.",
        "Después volvemos a casa en bicicleta.",
        "Treinta y cuatro invitados llegan a las ocho.",
    ),
    "pl": (
        "Dzień dobry, dzisiaj idziemy na targ.",
        "Kupujemy dwanaście jajek i pół funta masła.",
        "Potem wracamy do domu rowerem.",
        "O ósmej przyjdzie trzydziestu czterech gości.",
    ),
    "ru": (
        "Доброе утро, сегодня мы идём на рынок.",
        "Мы купим двенадцать яиц и полкило масла.",
        "Потом мы едем домой на велосипеде.",
        "В восемь придут тридцать четыре гостя.",
    ),
    "tr": (
        "Günaydın, bugün pazara gidiyoruz.",
        "On iki yumurta ve yarım kilo tereyağı alıyoruz.",
        "Sonra bisikletle eve dönüyoruz.",
        "Saat sekizde otuz dört misafir geliyor.",
    ),
    "hi": (
        "नमस्ते, आज हम बाज़ार जा रहे हैं।",
        "हम बारह अंडे और आधा किलो मक्खन खरीदेंगे।",
        "फिर हम साइकिल से घर लौटेंगे।",
        "आठ बजे चौंतीस मेहमान आएंगे।",
    ),
    "cmn": (
        "大家早上好，今天我们去市场。",
        "我们买十二个鸡蛋和半斤黄油。",
        "然后我们骑自行车回家。",
        "八点钟有三十四位客人来。",
    ),
}
"""Keys are the synthesiser's names of the languages."""


def foreign(language: str, seconds_between: float = 1.0) -> Sound:
    """The sentences of ``LANGUAGES[language]`` with pauses in a room's quiet noise."""
    parts: list[Sound] = []
    for sentence in LANGUAGES[language]:
        parts += [_said(language, sentence), np.zeros(int(seconds_between * RATE))]
    sound = np.concatenate([np.zeros(RATE), *parts])
    return sound + np.random.default_rng(5).normal(0, 0.001, len(sound))


def can_speak() -> bool:
    """Whether the synthesiser is installed."""
    return shutil.which("espeak-ng") is not None


def _said(language: str, sentence: str) -> Sound:
    import soxr

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        subprocess.run(
            ["espeak-ng", "-v", language, "-s", "150", "-w", str(path), "--", sentence], check=True
        )
        sound, rate = soundfile.read(path)
    return soxr.resample(sound, rate, RATE)


def hours_of(sound: Sound, hours: float, path: Path) -> None:
    """Write ``sound`` over and over until ``path`` (FLAC) is ``hours`` long."""
    left = int(hours * 3600 * RATE)
    with soundfile.SoundFile(path, "w", RATE, 1, format="FLAC") as file:
        for piece in _repeated(sound):
            file.write(piece[:left])
            left -= len(piece)
            if left <= 0:
                return


def write_mp3(
    path: Path,
    sound: Sound,
    rate: int = RATE,
    container_options: dict[str, str] | None = None,
    coding_options: dict[str, str] | None = None,
) -> None:
    """Write ``sound`` coded as MP3, as the ending of ``path`` says in a WAV or bare."""
    samples = (np.clip(sound, -1, 1) * 32767).astype(np.int16).reshape(1, -1)
    with av.open(str(path), "w", options=container_options) as container:
        stream = container.add_stream("libmp3lame", rate=rate)
        stream.layout = "mono"
        stream.codec_context.options = coding_options or {}
        for at in range(0, samples.shape[1], 1152):
            part = np.ascontiguousarray(samples[:, at : at + 1152])
            frame = av.AudioFrame.from_ndarray(part, format="s16p", layout="mono")
            frame.sample_rate, frame.pts = rate, at
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def _repeated(sound: Sound) -> Iterator[Sound]:
    while True:
        yield sound
