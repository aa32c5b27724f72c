"""What the key desk wants shown at the foot of the screen."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DeskView:
    """The foot of the screen.

    Attributes:
        lines: what the desk asks or tells; empty where the usual list of keys may stand.
        asking: whether it waits for an answer.
        keys_page: every key with what it records, or () where the list was not asked for.
    """

    lines: tuple[str, ...] = ()
    asking: bool = False
    keys_page: tuple[str, ...] = ()


IDLE = DeskView()
