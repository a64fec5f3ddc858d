"""Prints how long the numbers of 6,000 words take to find.

Run: python tests/bench/spoken_numbers.py
"""

from __future__ import annotations

import time

from dictate.talk.numbers import find_numbers, is_courtesy

_TALK = (
    "let me take your pressure one thirty four over eighty eight in the left arm lovely and the "
    "pulse is seventy two regular breathing about sixteen to eighteen a minute temperature thirty "
    "six point eight degrees now squeeze my fingers that is five out of five on both sides give me "
    "two more big breaths look at the light with this eye twenty over thirty minus one and the "
    "other one twenty twenty reflexes two plus at the knee and one plus at the ankle the liver "
    "spans nine and a half centimeters and the edge is smooth not tender thank you very much"
)


def main() -> None:
    """Time utterances of about forty words, 6,000 words in all, cold and warm."""
    words = _TALK.split()
    phrases = [words[at : at + 40] for at in range(0, len(words), 40)]
    rounds = 6000 // len(words) + 1
    for state in ("cold (lexicon read)", "warm", "warm"):
        began = time.perf_counter()
        count = values = 0
        for _ in range(rounds):
            for phrase in phrases:
                count += len(phrase)
                values += sum(not is_courtesy(phrase, spoken) for spoken in find_numbers(phrase))
        took = time.perf_counter() - began
        print(f"{state}: {count} words, {values} values, {took:.3f} s")


if __name__ == "__main__":
    main()
