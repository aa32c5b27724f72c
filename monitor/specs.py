"""Finds a spec by name: a shipped one, or a file."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path

from rules.errors import SpecFault
from rules.spec.model import GENERAL_GUIDANCE, Spec
from sensors.whole_file import Unreadable, whole_text


@cache
def shipped_names() -> tuple[str, ...]:
    """Return the names of the specs that come with the program."""
    folder = files("rules.specs")
    names = (each.name for each in folder.iterdir() if each.name.endswith(".toml"))
    return tuple(sorted(name.removesuffix(".toml") for name in names))


def spec_text(name_or_file: str, beside: Path | None = None) -> tuple[str, str]:
    """Return a spec's name and its text.

    Args:
        name_or_file: a shipped spec's name, or a file.
        beside: the folder that a relative file name counts from; None is the current one.

    Returns:
        (name, text); the name of a file is its stem.

    Raises:
        SpecFault: there is neither such a spec nor such a file.
    """
    if name_or_file in shipped_names():
        own = spec_path(name_or_file, beside)
        if own is not None:
            raise SpecFault(
                f"spec {name_or_file!r} comes with the program, and {own} has the same name, so it "
                "is not clear which is meant; write the file's name with .toml and a path, or "
                "give it another name"
            )
        return name_or_file, (files("rules.specs") / f"{name_or_file}.toml").read_text("utf-8")
    path = spec_path(name_or_file, beside)
    if path is not None:
        try:
            return path.stem, whole_text(path)
        except Unreadable as why:
            raise SpecFault(
                f"spec {name_or_file!r} cannot be read ({why}), so nothing can be judged by it; "
                "give another file"
            ) from None
    known = ", ".join(shipped_names())
    raise SpecFault(
        f"spec {name_or_file!r} is neither a shipped spec nor a file; nothing can be judged by "
        f"it. Shipped: {known}; 'filmcall spec new' writes a file of your own."
    )


def spec_path(name_or_file: str, beside: Path | None = None) -> Path | None:
    """Return the whole path of a spec's file, or None where there is no such file."""
    path = (beside or Path()) / name_or_file
    for candidate in (path, path.with_name(path.name + ".toml")):
        try:
            if candidate.is_file():
                return candidate.resolve()
        except (OSError, ValueError):  # no file system takes a name so long, or with a zero byte
            return None
    return None


def find_spec(name_or_file: str, beside: Path | None = None) -> tuple[Spec, str]:
    """Return a spec by name or file, and the text that it was read from.

    Args:
        name_or_file: a shipped spec's name, `general-guidance`, or a file.
        beside: the folder that a relative file name counts from; None is the current one.

    Returns:
        (spec, text); the general guidance has no text.

    Raises:
        SpecFault: it is missing, or has faults; the text lists every one.
    """
    if name_or_file == GENERAL_GUIDANCE.name:
        return GENERAL_GUIDANCE, ""
    from rules.spec.read import load_spec

    name, text = spec_text(name_or_file, beside)
    return load_spec(text, name), text
