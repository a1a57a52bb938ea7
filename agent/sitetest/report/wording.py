"""Numbers in words: one rounding for every screen. Pure. May import the standard library only."""

NOT_MEASURED = "-"


def duration_text(duration_s: float) -> str:
    """Return seconds as a person says them: ``40 s``, ``9 min``, ``2 h 05 min``. Rounded up from a minute on."""
    whole_s = max(0, round(duration_s))
    if whole_s < 60:
        return f"{whole_s} s"
    minutes = -(-whole_s // 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def rate_text(throughput_mbps: float | None) -> str:
    """Return Mbit/s without the unit: one decimal, two below 10; a dash where nothing was measured."""
    if throughput_mbps is None:
        return NOT_MEASURED
    return f"{throughput_mbps:.1f}" if abs(throughput_mbps) >= 9.995 else f"{throughput_mbps:.2f}"


def volume_text(byte_count: float) -> str:
    """Return a data volume with its unit: ``850 kB``, ``12.4 MB``, ``3.10 GB`` (powers of 1000)."""
    if byte_count < 999_500:
        return f"{byte_count / 1e3:.0f} kB"
    if byte_count < 999_950_000:
        return f"{byte_count / 1e6:.1f} MB"
    return f"{byte_count / 1e9:.2f} GB"


def count_text(count: int, singular: str, plural: str = "") -> str:
    """Return ``1 attempt``, ``2 attempts``."""
    return f"{count} {singular if count == 1 else plural or singular + 's'}"
