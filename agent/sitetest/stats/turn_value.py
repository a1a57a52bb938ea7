"""One turn as the statistics see it. May import the standard library only."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TurnValue:
    """One turn. log_mbps: mean of ln(Mbit/s) over its valid attempts, None when there is none. failed: share of its
    attempts, the invalid ones left out, that failed; 0 to 1."""

    turn: int
    log_mbps: float | None
    failed: float = 0.0
