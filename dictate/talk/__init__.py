"""Utterances out of words: numbers, sides, negation, corrections, who asks and who replies."""
