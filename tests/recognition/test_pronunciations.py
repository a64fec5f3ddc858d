"""Every word can be said, with the phones of the acoustic model."""

from __future__ import annotations

from pathlib import Path

import pytest

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.exam.expansion import literal_words, parse_expansion
from dictate.exam.location import grammars_folder
from dictate.recognition.everyday import read_everyday
from dictate.recognition.exam_sentences import sample_sentences
from dictate.recognition.pronunciations import (
    PHONES,
    general_dictionary,
    pronounce,
    read_dictionary,
    write_dictionary,
)

SPEECH = grammars_folder() / "speech"
OWN = SPEECH / "pronunciations.dict"


def test_phones_are_those_of_the_acoustic_model() -> None:
    definition = general_dictionary().parent / "en-us" / "mdef"
    used = {
        phone
        for line in general_dictionary().read_text().splitlines()
        for phone in line.split()[1:]
    }
    assert used == PHONES
    assert definition.exists()


def test_own_pronunciations_use_them_and_are_sorted_once_each() -> None:
    own = read_dictionary(OWN)
    assert len(own) > 500
    for word, variants in own.items():
        assert word == word.lower()
        assert len(set(variants)) == len(variants)
    names = [line.split()[0] for line in OWN.read_text().splitlines() if line[0] != "#"]
    assert len(set(names)) == len(names)


def test_own_words_keep_the_general_pronunciations() -> None:
    """A word in both files must list the general variants too, since ours wins."""
    own = read_dictionary(OWN)
    general = read_dictionary(general_dictionary(), frozenset(own))
    for word, variants in general.items():
        assert set(variants) <= set(own[word]), word


def test_every_word_of_the_everyday_talk_can_be_said() -> None:
    talk = read_everyday(SPEECH / "everyday.yaml")
    words = set(talk.vocabulary)
    for group in talk.groups:
        for phrase in group.phrases:
            words |= literal_words(parse_expansion(phrase, talk.rules))
    assert pronounce(words, OWN, general_dictionary()).unknown == ()


def test_every_word_of_the_exam_can_be_said(exam: Catalogue) -> None:
    words = {word for text in sample_sentences(exam, 20_000) for word in text.split()}
    assert len(words) > 1000
    # Figures and signs stand for what is written, not for what is said.
    words = {word for word in words if word.replace("'", "").isalpha()}
    assert pronounce(words, OWN, general_dictionary()).unknown == ()


@pytest.mark.parametrize(
    ("word", "phones"),
    [
        ("epigastrics", "EH P IH G AE S T R IH K S"),
        ("costophrenic", "K AA S T OW F R EH N IH K"),
        ("supraorbital", "S UW P R AH AO R B AH T AH L"),
        ("patellarly", "P AH T EH L ER L IY"),
        ("mid-thigh", "M IH D TH AY"),
        ("palpater", "P AE L P EY T ER"),
        ("percussed", "P ER K AH S T"),
        ("kneelift", "N IY L IH F T"),
    ],
)
def test_words_in_no_dictionary_are_composed(word: str, phones: str) -> None:
    spoken = pronounce([word], OWN, general_dictionary())
    assert " ".join(spoken.dictionary[word][0]) == phones


def test_words_that_cannot_be_composed_are_reported() -> None:
    spoken = pronounce(["xqzt", "head"], OWN, general_dictionary())
    assert spoken.unknown == ("xqzt",)
    assert set(spoken.dictionary) == {"head"}


def test_written_dictionary_reads_back(tmp_path: Path) -> None:
    spoken = pronounce(["bruit", "head", "sclerae"], OWN, general_dictionary())
    write_dictionary(spoken.dictionary, tmp_path / "a.dict")
    assert read_dictionary(tmp_path / "a.dict") == spoken.dictionary
    assert "bruit(2)" in (tmp_path / "a.dict").read_text()


@pytest.mark.parametrize(("line", "says"), [("bruit", "no phones"), ("bruit B R UU", "'UU'")])
def test_broken_dictionary_names_the_line(tmp_path: Path, line: str, says: str) -> None:
    path = tmp_path / "a.dict"
    path.write_text(f"# ours\nhead HH EH D\n{line}\n")
    with pytest.raises(UserFault, match=f"line 3: {says}"):
        read_dictionary(path)
