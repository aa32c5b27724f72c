"""Reads words that people type in more than one command."""

from __future__ import annotations

from rules.errors import FilmcallError
from rules.vocabulary import Method
from sensors.wire import printable


def method_named(word: str | None) -> Method | None:
    """Return how a coat is put on, or None where nothing was given.

    Raises:
        FilmcallError: there is no such method.
    """
    if word is None:
        return None
    try:
        return Method(word)
    except ValueError:
        raise FilmcallError(
            f"method {printable(word)!r} is not known, so nothing was done; one of: "
            f"{', '.join(Method)}"
        ) from None
