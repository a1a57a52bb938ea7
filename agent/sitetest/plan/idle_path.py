"""How long a transfer leaves the path idle before and after its load, so that round trips can be asked for.

Here, since those who wait and those who foresee how long a visit takes must agree. Pure. May import nothing.
"""

IDLE_S = 1.0
"""Fifty round trips. Our own choice, no source."""

IDLE_SHARE = 0.1
"""Of a short transfer, no more than this share of its length."""


def idle_s(total_s: float) -> float:
    """Return the seconds of each of the two idle times. total_s: warm-up and window."""
    return min(IDLE_S, IDLE_SHARE * total_s)
