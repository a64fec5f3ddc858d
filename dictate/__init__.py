"""Turns a spoken practice examination into a checked, time-stamped training record."""

from importlib import metadata

try:
    __version__ = metadata.version("dictate")
except metadata.PackageNotFoundError:  # run from a bare checkout
    __version__ = "0+unknown"
