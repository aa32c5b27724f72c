"""What a watch and its listeners agree on: how long a call counts, and what a status says."""

from __future__ import annotations

REPEAT_S = 15.0  # the contract says at least every 20 s
VALID_S = 60.0
# A watch's own: the broker tells of a shed whose line has gone dark after one and a half of it, and
# up to 6 s more. Shorter, a line that is behind would be cut before its delay is told as HOLD.
KEEPALIVE_S = 10
HEARTBEAT = "heartbeat"
"""Last level of the topic by which a watch says every second that it and its line live."""
BEAT_LOST_S = 8.0
"""A station whose beats were heard, and that has said nothing for so long, is not heard now [s]."""
ONLINE = b"online"
OFFLINE = b"offline"
GO_ASKED = "GO?"
"""The word of a GO that no current reading renews, on every screen: asked, not said."""
