"""How damp nears saturation: the nearer, the slower, since air gives water to all that is colder.

Members tell changes in even kelvins, as if nothing were in the way; `slowed` makes of them what can
come, and `evened` makes past courses comparable with what was told of them.
"""

from __future__ import annotations

import numpy as np

from rules.air.arrays import Floats

NEAR_K = 0.7
"""Further than about this from its dew point air dries and dampens as told; air that stood nearer
than twice this, further than half of where it stood. Settled on simulated enclosures; no source."""


def slowed(even_k: Floats, begun_k: Floats) -> Floats:
    """Return how far the air stands above its dew point where even changes were told,

        d = (u + sqrt(u^2 + 4 a^2)) / 2,   u = even - a^2 / begun

    with a the less of `NEAR_K` and half of `begun`.

    Args:
        even_k: where it stood at first and the changes told from there on, of either sign [K].
        begun_k: where it stood at first, not negative [K].

    Returns:
        Never under 0; `begun` where nothing changed [K].

    Source:
        A hyperbola between no change and an even one: common practice, no source.

    >>> slowed(np.array([3.0, 1.5, 0.0, -1.5]), np.array(3.0)).round(2)
    array([3.  , 1.64, 0.62, 0.26])
    """
    near, shift = _near(begun_k)
    bent = even_k - shift
    return np.asarray(0.5 * (bent + np.sqrt(bent * bent + 4.0 * near * near)))


def evened(depression_k: Floats, begun_k: Floats) -> Floats:
    """Return the even course of which `slowed` makes this one; from half of a on, where it ends.

    Args:
        depression_k: air over dew point as it came, NaN where unknown [K].
        begun_k: where it stood at first, not negative [K].
    """
    near, shift = _near(begun_k)
    kept = np.maximum(depression_k, 0.5 * near)
    return np.asarray(kept - near * near / kept + shift)


def _near(begun_k: Floats) -> tuple[Floats, Floats]:
    begun = np.maximum(begun_k, 1e-9)
    near = np.minimum(NEAR_K, 0.5 * begun)
    return near, near * near / begun
