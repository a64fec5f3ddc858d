"""The exam as data: the catalogue read from ``grammars/``."""
