"""One turn as the statistics see it. May import the standard library only."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TurnValue:
    """One turn. log_mbps: mean of ln(Mbit/s) over its valid attempts, None when there is none. failed: an attempt in it
    failed."""

    turn: int
    log_mbps: float | None
    failed: bool = False
