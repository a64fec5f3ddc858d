"""Smoothed trigram models: counting, Witten-Bell and Kneser-Ney, and the ARPA form."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Literal, NamedTuple

BEGIN, END = "<s>", "</s>"
Smoothing = Literal["witten-bell", "kneser-ney"]
Gram = tuple[str, ...]
Weighted = tuple[Sequence[str], float]


class TrigramModel(NamedTuple):
    """Interpolated probabilities kept in back-off form.

    ``probability[n-1]`` maps each kept n-gram to p(last | before); ``backoff[n-1]``
    maps a history of n words to the share that goes to the shorter history. Since
    the model is interpolated, the share is the same for seen and unseen words and
    no renormalisation is needed.
    """

    probability: tuple[dict[Gram, float], dict[Gram, float], dict[Gram, float]]
    backoff: tuple[dict[Gram, float], dict[Gram, float]]

    def p(self, word: str, history: Gram) -> float:
        """Return p(word | last two words of history); ``word`` must be in the vocabulary."""
        history = history[-2:]
        gram = (*history, word)
        found = self.probability[len(history)].get(gram)
        if found is not None:
            return found
        if not history:
            raise KeyError(word)
        return self.backoff[len(history) - 1].get(history, 1.0) * self.p(word, history[1:])

    @property
    def vocabulary(self) -> frozenset[str]:
        """Every word that can be predicted, the end of the sentence included."""
        return frozenset(gram[0] for gram in self.probability[0])


def train(
    sentences: Iterable[Weighted],
    base: Mapping[str, float],
    smoothing: Smoothing,
    *,
    looseness: float = 1.0,
) -> TrigramModel:
    """Estimate a trigram model.

    Args:
        sentences: words of each sentence and its weight (how often it counts).
        base: what the unigrams are smoothed with; relative weights of every word that
            must be sayable, ``</s>`` left out. Words of the sentences are added to it.
        smoothing: interpolated Witten-Bell (1991, method C of Bell, Cleary and Witten)
            or interpolated Kneser-Ney (1995) with one discount an order, estimated as
            n1 / (n1 + 2 n2) (Ney, Essen and Kneser 1994).
        looseness: multiplies what goes to shorter histories under Witten-Bell. Sampled
            sentences repeat, so plain counts are surer than they should be.
    """
    grams: tuple[dict[Gram, float], dict[Gram, float], dict[Gram, float]] = (
        defaultdict(float),
        defaultdict(float),
        defaultdict(float),
    )
    for words, weight in sentences:
        padded = (BEGIN, *words, END)
        for at in range(1, len(padded)):
            grams[0][padded[at : at + 1]] += weight
            grams[1][padded[at - 1 : at + 1]] += weight
            if at > 1:
                grams[2][padded[at - 2 : at + 1]] += weight
    if smoothing == "kneser-ney":
        counts = (_continuations(grams[1], {}), _continuations(grams[2], grams[1]), grams[2])
        discounts = [_discount(order) for order in counts]
    else:
        counts, discounts = grams, [0.0, 0.0, 0.0]

    floor = _floor(base, grams[0])
    unigram, top = _interpolate(counts[0], floor.__getitem__, discounts[0], looseness)
    unigram = {gram: unigram.get(gram, top.get((), 1.0) * p) for gram, p in floor.items()}
    bigram, share1 = _interpolate(counts[1], lambda g: unigram[g[1:]], discounts[1], looseness)

    def two(gram: Gram) -> float:
        found = bigram.get(gram)
        return share1.get(gram[:1], 1.0) * unigram[gram[1:]] if found is None else found

    trigram, share2 = _interpolate(counts[2], lambda g: two(g[1:]), discounts[2], looseness)
    return TrigramModel((unigram, bigram, trigram), (share1, share2))


def _continuations(
    longer: Mapping[Gram, float], bigrams: Mapping[Gram, float]
) -> dict[Gram, float]:
    """Count in how many different contexts each shorter n-gram follows.

    N-grams that begin a sentence have no other context: they keep their own count.
    """
    counts: dict[Gram, float] = defaultdict(float)
    for gram in longer:
        counts[gram[1:]] += 1.0
    for gram, count in bigrams.items():
        if gram[0] == BEGIN:
            counts[gram] = count
    return counts


def _discount(counts: Mapping[Gram, float]) -> float:
    once = sum(1 for count in counts.values() if count <= 1.0)
    twice = sum(1 for count in counts.values() if 1.0 < count <= 2.0)
    estimate = once / (once + 2 * twice) if once else 0.5
    return min(max(estimate, 0.1), 0.95)


def _floor(base: Mapping[str, float], seen: Mapping[Gram, float]) -> dict[Gram, float]:
    """The distribution below the unigrams: half ``base``, half the same for every word."""
    words = {gram[0] for gram in seen} | set(base) | {END}
    total = sum(base.values())
    even = 1.0 / len(words)
    if not total:
        return {(word,): even for word in words}
    return {(word,): 0.5 * base.get(word, 0.0) / total + 0.5 * even for word in words}


def _interpolate(
    counts: Mapping[Gram, float],
    lower: Callable[[Gram], float],
    discount: float,
    looseness: float,
) -> tuple[dict[Gram, float], dict[Gram, float]]:
    """Return the probability of each counted n-gram and the share each history gives away.

    ``lower`` gives the probability of an n-gram's word under the next shorter history.
    ``discount`` above 0 means absolute discounting, 0 means Witten-Bell.
    """
    total: dict[Gram, float] = defaultdict(float)
    kinds: dict[Gram, int] = defaultdict(int)
    freed: dict[Gram, float] = defaultdict(float)
    for gram, count in counts.items():
        history = gram[:-1]
        total[history] += count
        kinds[history] += 1
        freed[history] += min(discount, count)
    share: dict[Gram, float] = {}
    for history, amount in total.items():
        loose = looseness * kinds[history]
        share[history] = freed[history] / amount if discount else loose / (amount + loose)
    probability: dict[Gram, float] = {}
    for gram, count in counts.items():
        history = gram[:-1]
        given = share[history]
        if discount:
            own = max(count - discount, 0.0) / total[history]
        else:
            own = (1 - given) * count / total[history]
        probability[gram] = own + given * lower(gram)
    return probability, share


def perplexity(model: TrigramModel, sentences: Iterable[Sequence[str]]) -> float:
    """Perplexity per word, sentence ends counted, unknown words skipped."""
    bits = 0.0
    count = 0
    known = model.vocabulary
    for words in sentences:
        history: Gram = (BEGIN,)
        for word in (*words, END):
            if word in known:
                bits -= math.log2(model.p(word, history))
                count += 1
            history = (*history, word)[-2:]
    return 2.0 ** (bits / count) if count else math.inf


def write_arpa(model: TrigramModel, path: Path) -> None:
    """Write in the ARPA back-off format (base-10 logarithms), readable by any decoder."""
    unigram, bigram, trigram = model.probability
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write("\\data\\\n")
        file.write(f"ngram 1={len(unigram) + 1}\nngram 2={len(bigram)}\nngram 3={len(trigram)}\n")
        file.write("\n\\1-grams:\n")
        file.write(_line(1e-99, (BEGIN,), model.backoff[0].get((BEGIN,), 1.0)))
        for gram in sorted(unigram):
            share = None if gram == (END,) else model.backoff[0].get(gram, 1.0)
            file.write(_line(unigram[gram], gram, share))
        file.write("\n\\2-grams:\n")
        for gram in sorted(bigram):
            share = None if gram[-1] == END else model.backoff[1].get(gram, 1.0)
            file.write(_line(bigram[gram], gram, share))
        file.write("\n\\3-grams:\n")
        for gram in sorted(trigram):
            file.write(_line(trigram[gram], gram, None))
        file.write("\n\\end\\\n")


def _line(p: float, gram: Gram, share: float | None) -> str:
    line = f"{math.log10(p):.6f}\t{' '.join(gram)}"
    return line + ("\n" if share is None else f"\t{math.log10(share):.6f}\n")


def mix(
    model: TrigramModel,
    other: Callable[[Gram], float],
    further: Iterable[Gram],
    share: float,
) -> TrigramModel:
    """Interpolate a model with another one: ``share`` of the probability comes from the other.

    Args:
        model: the model of the domain, whose vocabulary is kept.
        other: gives p(last word | words before) of the other model for any n-gram.
        further: n-grams (two or three words) that the result holds besides those of
            ``model``; where one has three words its first two should be among them.
        share: between 0 and 1.
    """
    orders: list[set[Gram]] = [set(kept) for kept in model.probability]
    known = model.vocabulary | {BEGIN}
    for gram in further:
        if known.issuperset(gram):
            orders[len(gram) - 1].add(gram)

    def mixed(gram: Gram) -> float:
        return (1 - share) * model.p(gram[-1], gram[:-1]) + share * other(gram)

    unigram = {gram: mixed(gram) for gram in orders[0]}
    total = sum(unigram.values())
    unigram = {gram: p / total for gram, p in unigram.items()}
    bigram = {gram: mixed(gram) for gram in orders[1]}
    one = _shares(bigram, lambda gram: unigram[gram[1:]])

    def two(gram: Gram) -> float:
        found = bigram.get(gram)
        return one.get(gram[:1], 1.0) * unigram[gram[1:]] if found is None else found

    trigram = {gram: mixed(gram) for gram in orders[2]}
    return TrigramModel(
        (unigram, bigram, trigram), (one, _shares(trigram, lambda gram: two(gram[1:])))
    )


def _shares(kept: dict[Gram, float], lower: Callable[[Gram], float]) -> dict[Gram, float]:
    """Back-off weights that make every history sum to one; scales kept sums of one or more."""
    spent: dict[Gram, float] = defaultdict(float)
    covered: dict[Gram, float] = defaultdict(float)
    for gram, p in kept.items():
        spent[gram[:-1]] += p
        covered[gram[:-1]] += lower(gram)
    for gram in kept:
        if spent[gram[:-1]] > 0.99:
            kept[gram] *= 0.99 / spent[gram[:-1]]
    return {
        history: (1 - min(total, 0.99)) / max(1 - covered[history], 1e-9)
        for history, total in spent.items()
    }
