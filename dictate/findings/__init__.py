"""Findings out of utterances, by the catalogue of exam items."""
