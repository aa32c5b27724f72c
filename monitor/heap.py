"""Gives back to the system what was freed, which the C library otherwise keeps for itself."""

from __future__ import annotations

import ctypes


def give_back() -> None:
    """Let the C library return every page that holds nothing any more; takes some milliseconds.

    Only glibc can be asked to (`malloc_trim`); elsewhere nothing happens.
    """
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # another C library, or no way to ask one
        return
    trim(ctypes.c_size_t(0))
