"""Flags out of findings: implausible, contradictory, asymmetric, missing."""
