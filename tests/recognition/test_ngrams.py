"""The trigram is a probability distribution and survives being written as ARPA."""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest

from dictate.recognition.ngrams import BEGIN, END, TrigramModel, mix, perplexity, train, write_arpa

SENTENCES = [
    (["the", "left", "ear", "is", "clear"], 1.0),
    (["the", "right", "ear", "is", "clear"], 2.0),
    (["the", "left", "ear", "is", "red"], 0.3),
    (["squeeze", "my", "fingers"], 1.0),
    (["squeeze", "my", "hand", "now"], 0.5),
    (["now"], 3.0),
    (["pulse", "is", "seventy", "two"], 1.0),
    (["pulse", "is", "sixty", "two", "and", "regular"], 1.0),
]
BASE = {"elbow": 1.0, "knee": 4.0, "the": 1.0}
HISTORIES = [
    (),
    ("the",),
    ("elbow",),
    (BEGIN,),
    (BEGIN, "the"),
    ("ear", "is"),
    ("is", "clear"),
    ("knee", "elbow"),
    ("knee", "ear"),
    ("squeeze", "knee"),
]


@pytest.fixture(params=["witten-bell", "kneser-ney", "looser", "mixed"])
def model(request: pytest.FixtureRequest) -> TrigramModel:
    if request.param == "looser":
        return train(SENTENCES, BASE, "witten-bell", looseness=5.0)
    if request.param == "mixed":
        even = 1 / 30
        further = [("elbow", "knee"), ("elbow", "knee", "the"), ("the", "unknownword")]
        return mix(train(SENTENCES, BASE, "kneser-ney"), lambda gram: even, further, 0.2)
    return train(SENTENCES, BASE, request.param)


@pytest.mark.parametrize("history", HISTORIES, ids=lambda h: " ".join(h) or "none")
def test_probabilities_of_all_words_sum_to_one(model: TrigramModel, history: tuple[str]) -> None:
    total = sum(model.p(word, history) for word in model.vocabulary)
    assert total == pytest.approx(1.0, abs=1e-9)


def test_what_was_said_is_likelier_than_what_was_not(model: TrigramModel) -> None:
    assert model.p("ear", ("the", "left")) > 20 * model.p("fingers", ("the", "left"))
    assert model.p("clear", ("ear", "is")) > model.p("red", ("ear", "is"))
    assert model.p("elbow", ("the", "left")) > 0


def test_weights_count() -> None:
    light = train([(["a", "b"], 1.0), (["a", "c"], 1.0)], {}, "witten-bell")
    heavy = train([(["a", "b"], 9.0), (["a", "c"], 1.0)], {}, "witten-bell")
    assert heavy.p("b", ("a",)) > light.p("b", ("a",)) > 0.3


def test_unknown_words_are_refused(model: TrigramModel) -> None:
    with pytest.raises(KeyError):
        model.p("nowhere", ("the",))


def read_arpa(path: Path) -> tuple[list[dict[tuple[str, ...], tuple[float, float]]], list[int]]:
    grams: list[dict[tuple[str, ...], tuple[float, float]]] = [{}, {}, {}]
    counts: list[int] = []
    order = -1
    for line in path.read_text().splitlines():
        if line.startswith("ngram "):
            counts.append(int(line.partition("=")[2]))
        elif line.endswith("-grams:"):
            order = int(line[1]) - 1
        elif "\t" in line:
            p, words, *share = line.split("\t")
            gram = tuple(words.split())
            assert gram not in grams[order]
            grams[order][gram] = (10 ** float(p), 10 ** float(share[0]) if share else 1.0)
    return grams, counts


def arpa_p(grams: list[dict[tuple[str, ...], tuple[float, float]]], gram: tuple[str, ...]) -> float:
    found = grams[len(gram) - 1].get(gram)
    if found is not None:
        return found[0]
    share = grams[len(gram) - 2].get(gram[:-1])
    return (share[1] if share else 1.0) * arpa_p(grams, gram[1:])


def test_arpa_file_says_the_same(model: TrigramModel, tmp_path: Path) -> None:
    write_arpa(model, tmp_path / "a.arpa")
    grams, counts = read_arpa(tmp_path / "a.arpa")
    assert counts == [len(order) for order in grams]
    for history in HISTORIES:
        total = 0.0
        for word in model.vocabulary:
            p = arpa_p(grams, (*history, word))
            assert p == pytest.approx(model.p(word, history), rel=1e-4)
            total += p
        assert total == pytest.approx(1.0, abs=1e-4)


def test_every_history_of_the_arpa_file_is_itself_kept(model: TrigramModel) -> None:
    unigram, bigram, trigram = model.probability
    assert all(gram[:2] in bigram or gram[:2][0] == BEGIN for gram in trigram)
    assert all(gram[:1] in unigram or gram[0] == BEGIN for gram in bigram)


def test_perplexity_of_an_even_model_is_its_number_of_words() -> None:
    even = train([(list("abcdefg"), 1.0)], {}, "witten-bell", looseness=1e9)
    assert perplexity(even, [["a", "b"], ["c"]]) == pytest.approx(8.0, rel=0.01)
    assert perplexity(even, []) == math.inf


def test_held_out_sentences_of_the_same_kind_are_cheaper_than_others() -> None:
    chance = random.Random(2)
    said = [
        ([chance.choice("abc"), chance.choice("de"), chance.choice("fg")], 1.0) for _ in range(200)
    ]
    model = train(said, {}, "kneser-ney")
    assert perplexity(model, [["a", "e", "f"]]) < 4
    assert perplexity(model, [["f", "a", "d"]]) > perplexity(model, [["a", "e", "f"]])
    assert END in model.vocabulary
