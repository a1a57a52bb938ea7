"""Units that leave a function: one definition for agent and server.

1 Mbit/s is 10^6 bit/s, 1 GB is 10^9 bytes. May import the standard library only.
"""

BITS_PER_BYTE = 8
BITS_PER_MEGABIT = 1_000_000
BYTES_PER_GIGABYTE = 1_000_000_000


def mbps(byte_count: float, duration_s: float) -> float:
    """Return the rate in Mbit/s of ``byte_count`` bytes in ``duration_s`` seconds (> 0)."""
    if duration_s <= 0:
        raise ValueError(f"a rate needs a duration above zero, not {duration_s} s")
    return byte_count * BITS_PER_BYTE / BITS_PER_MEGABIT / duration_s


def bytes_at(rate_mbps: float, duration_s: float) -> float:
    """Return the bytes that ``rate_mbps`` Mbit/s carry in ``duration_s`` seconds."""
    return rate_mbps * BITS_PER_MEGABIT / BITS_PER_BYTE * duration_s
