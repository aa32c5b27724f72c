"""What a typed word means in a closed set, and what a person typed, for the rules' own names."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from rules.errors import FilmcallError, ImplausibleReading
from rules.text import printable
from rules.vocabulary import EventKind, Method


def kind_named(word: str) -> EventKind:
    """Return the kind of an event by its word.

    Raises:
        FilmcallError: there is none.
    """
    try:
        return EventKind(word)
    except ValueError:
        near = difflib.get_close_matches(word, list(EventKind), 1)
        hint = f"did you mean {near[0]}?" if near else f"one of: {', '.join(EventKind)}"
        raise FilmcallError(
            f"event {printable(word, 60)!r} is not known, so nothing was recorded; {hint}"
        ) from None


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
            f"method {printable(word, 60)!r} is not known, so nothing was done; one of: "
            f"{', '.join(Method)}"
        ) from None


@contextmanager
def named_as_typed(options: Mapping[str, str]) -> Iterator[None]:
    """Let a refused reading be told by what was typed.

    Args:
        options: what a person typed, for each name that the rules use.

    Raises:
        ImplausibleReading: as it was raised within, in those words.
    """
    try:
        yield
    except ImplausibleReading as error:
        text = str(error)
        for name, option in options.items():
            text = text.replace(f"{name} ", f"{option} ")
        raise ImplausibleReading(text) from None
