"""The Merkle tree hash that joins a minute's leaves into one link of the chain.

Source:
    RFC 9162 (Certificate Transparency 2.0), section 2.1.1: MTH of an ordered list; a leaf's hash
    opens with 0x00 and a node's with 0x01, so that neither passes for the other.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence


def leaf(data: bytes) -> bytes:
    """Return a leaf's hash, SHA-256(0x00 || data)."""
    return hashlib.sha256(b"\x00" + data).digest()


def root(leaf_hashes: Sequence[bytes]) -> bytes:
    """Return the Merkle tree hash of leaves that are hashed already.

    MTH of n > 1 leaves is SHA-256(0x01 || MTH(first k) || MTH(the rest)), k the largest power of
    two under n; of one leaf its hash; of none SHA-256 of nothing.

    >>> root([]).hex()[:16]
    'e3b0c44298fc1c14'
    """
    if not leaf_hashes:
        return hashlib.sha256(b"").digest()
    # From the leaves up, two by two; a last one without a neighbour goes up as it is.
    level = list(leaf_hashes)
    while len(level) > 1:
        alone = level[-1:] if len(level) % 2 else []
        pairs = zip(level[::2], level[1::2], strict=False)
        level = [hashlib.sha256(b"\x01" + left + right).digest() for left, right in pairs] + alone
    return level[0]
