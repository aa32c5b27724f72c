"""What can be wrong with an input to the rules; the command line turns each into one sentence."""

from __future__ import annotations


class FilmcallError(Exception):
    """A fault that a user can cause or fix; its text is one sentence to show."""


class ImplausibleReading(FilmcallError, ValueError):
    """A measured value is NaN, in the wrong unit, or outside what can exist."""


class SpecFault(FilmcallError, ValueError):
    """A coating spec cannot be used; the text lists every fault found in it."""
