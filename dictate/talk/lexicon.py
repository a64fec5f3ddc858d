"""The words of talk as data: ``grammars/talk/dialogue.yaml`` and ``words.yaml``."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import snowballstemmer
from pydantic import BaseModel, ConfigDict, TypeAdapter

from dictate.errors import UserFault
from dictate.exam.expansion import ExpansionError, parse_expansion
from dictate.exam.location import grammars_folder
from dictate.exam.reading import read_yaml
from dictate.talk.patterns import matcher_for, plain_lines

if TYPE_CHECKING:
    from spacy.matcher import Matcher


class WordLists(BaseModel):
    """The lists of ``words.yaml``; its comments say what each is for."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    light: frozenset[str]
    paired: frozenset[str]
    body: frozenset[str]
    hollow: frozenset[str]
    moving: frozenset[str]
    limbs: frozenset[str]
    misheard: frozenset[str]
    things: frozenset[str]
    plain: frozenset[str]
    everyday: frozenset[str]
    said_as: dict[str, str]
    not_side: tuple[str, ...]


@lru_cache(maxsize=1)
def word_lists() -> WordLists:
    """Read ``words.yaml`` once."""
    return read_yaml(grammars_folder() / "talk" / "words.yaml", TypeAdapter(WordLists))


@lru_cache(maxsize=1)
def dialogue_phrases() -> dict[str, tuple[str, ...]]:
    """Read ``dialogue.yaml`` once: phrases by the kind of mark that they make.

    Raises:
        UserFault: a phrase does not follow the notation.
    """
    path = grammars_folder() / "talk" / "dialogue.yaml"
    phrases = read_yaml(path, TypeAdapter(dict[str, tuple[str, ...]]))
    for kind, said in phrases.items():
        for phrase in said:
            try:
                parse_expansion(phrase)
            except ExpansionError as error:
                raise UserFault(f"{path}, key '{kind}': {error}.") from error
    return phrases


@lru_cache(maxsize=1)
def mark_matcher() -> Matcher:
    """The Matcher for every kind of mark."""
    kinds = {**dialogue_phrases(), "not_side": word_lists().not_side}
    return matcher_for(
        (kind, [line for phrase in said for line in plain_lines(phrase)], 0)
        for kind, said in kinds.items()
        if kind not in ("remains", "filler")
    )


_stemmer = snowballstemmer.stemmer("english")


@lru_cache(maxsize=50_000)
def stem(word: str) -> str:
    """The form by which words of the catalogue are compared (Snowball English stem)."""
    if word in _WHOLE:
        return word
    return str(_stemmer.stemWord(_AMERICAN.get(word, word)))


@lru_cache(maxsize=50_000)
def compared(word: str) -> str | None:
    """The stem, or None for a light word that is passed over."""
    return None if word in word_lists().light else stem(word)


# Words that stem to what they are not.
_WHOLE = frozenset(["tonsillitis", "general", "organ", "organs", "mastoiditis", "sinusitis"])

# British spellings that the stemmer would keep apart from the American ones.
_AMERICAN = {
    "oedema": "edema",
    "oedematous": "edematous",
    "colour": "color",
    "colours": "colors",
    "centre": "center",
    "tumour": "tumor",
    "anaemic": "anemic",
    "haemorrhage": "hemorrhage",
    "haemorrhages": "hemorrhages",
    "oesophagus": "esophagus",
    "grey": "gray",
    "moulded": "molded",
    "odour": "odor",
    "millimetres": "millimeters",
    "centimetres": "centimeters",
    "tonne": "ton",
    "armpits": "armpit",
    "teeth": "tooth",
    "feet": "foot",
    "conjunctivae": "conjunctiva",
    "conjunctivas": "conjunctiva",
    "sclerae": "sclera",
    "scleras": "sclera",
    "corneae": "cornea",
    "axillae": "axilla",
    "pinnae": "pinna",
    "nares": "naris",
    "apices": "apex",
    "bases": "base",
    "calves": "calf",
    "irises": "iris",
    "maculae": "macula",
    "fundi": "fundus",
    "papillae": "papilla",
    "tragi": "tragus",
    "testes": "testis",
    "bruits": "bruit",
    "mucosae": "mucosa",
    "nontender": "nontender",
}
