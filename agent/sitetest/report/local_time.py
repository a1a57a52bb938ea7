"""Moments as the clock on the wall shows them, for screens; files keep UTC. Pure but for this computer's time zone.

May import the standard library only.
"""

from datetime import datetime


def day_and_time(moment: datetime) -> str:
    """Return ``2026-03-03 07:30``, local time. moment: with an offset."""
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def time_of_day(moment: datetime) -> str:
    """Return ``07:30:05``, local time. moment: with an offset."""
    return moment.astimezone().strftime("%H:%M:%S")
