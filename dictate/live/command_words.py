"""What can be said to the program, as data: ``grammars/speech/commands.yaml``."""

from __future__ import annotations

from itertools import chain
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, TypeAdapter, field_validator

from dictate.errors import UserFault
from dictate.exam.expansion import ExpansionError, parsed
from dictate.exam.location import grammars_folder
from dictate.exam.reading import read_with_lines
from dictate.recognition.pronunciations import PHONES

CommandName = Literal[
    "pause", "resume", "pause_or_resume", "strike", "replace", "mark",
    "left_here", "left_in_all", "read_back", "where", "done",
]  # fmt: skip
KEY_NAMES = frozenset(
    [
        "space",
        "enter",
        "tab",
        "escape",
        "page_up",
        "page_down",
        "home",
        "end",
        "insert",
        "delete",
        "up",
        "down",
        "left",
        "right",
    ]
) | {f"f{number}" for number in range(1, 25)}
VALUE = "<number>"


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Attention(_Data):
    """The word that every spoken command begins with, and its phones."""

    word: Annotated[str, StringConstraints(pattern=r"^[a-z]+$")]
    sounds: tuple[str, ...] = Field(min_length=1)

    @field_validator("sounds")
    @classmethod
    def _phones(cls, sounds: tuple[str, ...]) -> tuple[str, ...]:
        for sound in sounds:
            for phone in sound.split():
                if phone not in PHONES:
                    raise ValueError(f"'{phone}' is no phone")
        return sounds


class Command(_Data):
    """One command: how it is said (empty where only keys give it) and its keys."""

    name: CommandName
    say: str = ""
    keys: tuple[str, ...] = ()


class CommandWords(_Data):
    """Everything that can be said or pressed."""

    attention: Attention
    commands: tuple[Command, ...] = Field(min_length=1)
    yes: str
    no: str

    def with_pedals(self, pedals: dict[str, CommandName]) -> CommandWords:
        """Give keys to commands, taking them from those that had them.

        Raises:
            UserFault: a key has no name that the program knows.
        """
        for key in pedals:
            if not known_key(key):
                raise UserFault(
                    f"'{key}' is no key that can be used; name a character or one of "
                    f"{', '.join(sorted(KEY_NAMES))}."
                )
        commands = tuple(
            command.model_copy(
                update={
                    "keys": tuple(key for key in command.keys if key not in pedals)
                    + tuple(key for key, name in pedals.items() if name == command.name)
                }
            )
            for command in self.commands
        )
        return self.model_copy(update={"commands": commands})

    @property
    def keys(self) -> dict[str, CommandName]:
        """Which command each key gives."""
        return {key: command.name for command in self.commands for key in command.keys}

    @property
    def phrases(self) -> dict[CommandName, str]:
        """How each command that can be said is said, without the attention word."""
        return {command.name: command.say for command in self.commands if command.say}


def known_key(key: str) -> bool:
    """Whether a key is a single character or one of ``KEY_NAMES``."""
    return key in KEY_NAMES or (len(key) == 1 and key.isprintable() and not key.isspace())


def load_command_words(path: Path | None = None) -> CommandWords:
    """Read what can be said to the program.

    Args:
        path: the file, the installed one unless given.

    Raises:
        UserFault: naming the file, the line and what is wrong there.
    """
    path = path or grammars_folder() / "speech" / "commands.yaml"
    words, lines = read_with_lines(path, TypeAdapter(CommandWords))
    taken: dict[str, str] = {}
    for number, command in enumerate(words.commands):
        where: tuple[int | str, ...] = ("commands", number)
        if command.say:
            _must_parse(command.say, path)
        for key in command.keys:
            if not known_key(key):
                raise lines.fault((*where, "keys"), f"'{key}' is no key", key)
            if key in taken:
                raise lines.fault((*where, "keys"), f"'{key}' is given to {taken[key]} too", key)
            taken[key] = command.name
    for answer in (words.yes, words.no):
        _must_parse(answer, path)
    return words


def with_attention(words: CommandWords, spoken: str) -> CommandWords:
    """Take another attention word, pronounced as the dictionaries say.

    Raises:
        UserFault: it is no single word, or nothing says how it is pronounced.
    """
    from dictate.recognition.pronunciations import general_dictionary, pronounce

    word = spoken.strip().lower()
    if not word.isalpha() or not word.isascii():
        raise UserFault(f"'{spoken}' is no single word; choose one word of three syllables.")
    own = grammars_folder() / "speech" / "pronunciations.dict"
    found = pronounce([word], own, general_dictionary())
    if word in found.unknown:
        raise UserFault(
            f"How '{word}' is pronounced is not known; choose another word, or write its sounds "
            "into grammars/speech/commands.yaml."
        )
    sounds = tuple(" ".join(phones) for phones in found.dictionary[word])
    if max(len(sound.split()) for sound in sounds) < 5:
        raise UserFault(f"'{word}' is too short to be told from other talk; choose a longer word.")
    return words.model_copy(update={"attention": Attention(word=word, sounds=sounds)})


def spoken_words(words: CommandWords) -> set[str]:
    """Every plain word that the phrases hold."""
    texts = chain((command.say for command in words.commands), (words.yes, words.no))
    found: set[str] = set()
    for text in texts:
        cleaned = text.replace(VALUE, " ")
        for mark in "()[]|":
            cleaned = cleaned.replace(mark, " ")
        found.update(cleaned.split())
    return found


def _must_parse(phrase: str, path: Path) -> None:
    try:
        parsed(phrase)
    except ExpansionError as error:
        raise UserFault(f"{path}: '{phrase}': {error}.") from error
