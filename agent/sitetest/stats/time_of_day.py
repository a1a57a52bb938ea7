"""Does the hour of the day matter? Only several nights can tell that from a drift within one.

Friedman's test (1937) over hours on nightly medians. May import scipy.stats.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median

from scipy.stats import friedmanchisquare

FEWEST_NIGHTS = 3
_FEWEST_HOURS = 3


@dataclass(frozen=True, slots=True)
class TimeOfDay:
    """hourly_mbps: median over the nights, for each hour that all of them have. nights: how many. p: of "the hour makes
    no difference", None with fewer than 3 nights or hours: then there is no verdict. matters: p <= alpha,
    None likewise.
    """

    hourly_mbps: tuple[tuple[int, float], ...]
    nights: int
    p: float | None
    matters: bool | None
    method: str = "Friedman's test over hours on nightly hour medians"


def judge_time_of_day(nights: Mapping[str, Mapping[int, float]], alpha: float = 0.05) -> TimeOfDay:
    """Return what the hours show. nights: for each night its median Mbit/s by hour of the day."""
    tables = list(nights.values())
    hours = sorted(set.intersection(*(set(table) for table in tables))) if tables else []
    hourly = tuple((hour, median(table[hour] for table in tables)) for hour in hours)
    if len(tables) < FEWEST_NIGHTS or len(hours) < _FEWEST_HOURS:
        return TimeOfDay(hourly, len(tables), None, None)
    if all(len({table[hour] for hour in hours}) == 1 for table in tables):
        return TimeOfDay(hourly, len(tables), 1.0, False)
    p = float(friedmanchisquare(*([table[hour] for table in tables] for hour in hours)).pvalue)
    return TimeOfDay(hourly, len(tables), p, p <= alpha)
