"""What the folder of a transformer recogniser must hold."""

from __future__ import annotations

from pathlib import Path

_NEEDED = ("model.bin", "config.json", "tokenizer.json")


def transformer_problem(folder: Path) -> str | None:
    """Return what is wrong with the folder of a CTranslate2 model and how to mend it, or None."""
    if not folder.is_dir():
        return f"There is no folder {folder}; give the folder of a CTranslate2 Whisper model."
    missing = [name for name in _NEEDED if not (folder / name).is_file()]
    if not missing and not list(folder.glob("vocabulary.*")):
        missing = ["vocabulary.txt or vocabulary.json"]
    if missing:
        return (
            f"{folder} lacks {', '.join(missing)}, so it is no complete CTranslate2 Whisper model; "
            "copy all of its files."
        )
    return None
