"""What a watch and its listeners agree on: how long a call counts, and what a status says."""

from __future__ import annotations

REPEAT_S = 15.0  # the contract says at least every 20 s
VALID_S = 60.0
# A line that has gone dark is noticed by the listener within twice this, and by the broker, which
# looks every five seconds, within ten.
KEEPALIVE_S = 3
ONLINE = b"online"
OFFLINE = b"offline"
