"""When the rounds of a part of a soak are due: every so often from one moment on, whatever the rounds take.

Pure. May import the standard library only.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Timetable:
    """start_s: when the first round is due, on the monotonic clock. every_s: from one to the next."""

    start_s: float
    every_s: float

    def due_s(self, place: int) -> float:
        """When the round at a place is due; 0 is the first of this part."""
        return self.start_s + place * self.every_s

    def current(self, now_s: float) -> int:
        """Place of the round that was due last; 0 before the first."""
        place = max(0, int((now_s - self.start_s) // self.every_s))
        return place + 1 if self.due_s(place + 1) <= now_s else place

    def next_from(self, at_s: float) -> int:
        """Place of the first round that is due at or after a time."""
        place = self.current(at_s)
        return place if self.due_s(place) >= at_s else place + 1
