"""What a watch and its listeners agree on: how long a call counts, and what a status says."""

from __future__ import annotations

REPEAT_S = 15.0  # the contract says at least every 20 s
VALID_S = 60.0
ONLINE = b"online"
OFFLINE = b"offline"
