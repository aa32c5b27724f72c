"""Where the program keeps its files."""

from __future__ import annotations

from pathlib import Path


def log_path(given: Path | None) -> Path:
    """Return the log's file: the one given, or the one in the platform's data folder."""
    if given is not None:
        return given
    from platformdirs import user_data_path

    return user_data_path("filmcall") / "log.db"
