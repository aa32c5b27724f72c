"""How damp nears saturation: the nearer, the slower, since air gives water to all that is colder.

Members tell changes in even kelvins, as if nothing were in the way; `slowed` makes of them what can
come, and `evened` makes past courses comparable with what was told of them.
"""

from __future__ import annotations

import numpy as np

from rules.air.arrays import Floats

NEAR_AT_ONCE_K, NEAR_K, SETTLED_S = 2.0, 0.7, 21_600.0
"""Further than about this from its dew point air dries and dampens as told: the first is of what
comes at once, the second of what comes after the third or later, on a line between [K, K, s]. Air
that stood nearer than twice this does so further than half of where it stood. Settled on simulated
enclosures; no source."""


def slowed(even_k: Floats, begun_k: Floats, ahead_s: Floats) -> Floats:
    """Return how far the air stands above its dew point where even changes were told,

        d = (u + sqrt(u^2 + 4 a^2)) / 2,   u = even - a^2 / begun

    with a the less of half of `begun` and how near counts so far ahead, see `NEAR_K`.

    Args:
        even_k: where it stood at first and the changes told from there on, of either sign [K].
        begun_k: where it stood at first, not negative [K].
        ahead_s: how much later each is [s].

    Returns:
        Never under 0; `begun` where nothing changed [K].

    Source:
        A hyperbola between no change and an even one: common practice, no source.

    >>> slowed(np.array([3.0, 1.5, 0.0, -1.5]), np.array(3.0), np.array(43_200.0)).round(2)
    array([3.  , 1.64, 0.62, 0.26])
    """
    near, shift = _near(begun_k, ahead_s)
    bent = even_k - shift
    return np.asarray(0.5 * (bent + np.sqrt(bent * bent + 4.0 * near * near)))


def evened(depression_k: Floats, begun_k: Floats, ahead_s: Floats) -> Floats:
    """Return the even course of which `slowed` makes this one; from half of a on, where it ends.

    Args:
        depression_k: air over dew point as it came, NaN where unknown [K].
        begun_k: where it stood at first, not negative [K].
        ahead_s: how much later each is [s].
    """
    near, shift = _near(begun_k, ahead_s)
    kept = np.maximum(depression_k, 0.5 * near)
    return np.asarray(kept - near * near / kept + shift)


def _near(begun_k: Floats, ahead_s: Floats) -> tuple[Floats, Floats]:
    begun = np.maximum(begun_k, 1e-9)
    near = np.interp(ahead_s, (0.0, SETTLED_S), (NEAR_AT_ONCE_K, NEAR_K))
    near = np.minimum(near, 0.5 * begun)
    return near, near * near / begun
