"""Lasting changes in an unattended series: a step, a drift, or neither.

    steps  means of blocks of 5 tests; change points with penalty 3 s^2 ln N (s from neighbouring blocks);
           neighbouring segments less than the margin apart are merged, the smallest step first
           each is then placed on the test that splits its two segments best, with the set of tests that split them
           hardly worse: those whose sum of squares is within 7.35 long-run variances (Hansen 2000, Econometrica 68,
           95 %; the figure is from memory and its coverage is counted in the tests)
    drift  means of 8-16 equal groups of blocks; Kendall's tau p <= 0.05 and a Theil-Sen slope of at least 5 % a session
    both   the lower BIC on the block means, N ln(RSS/N) + p ln N, p = 2 x steps + 1 against 2

A label says what this series did, not that the device has a fault. May import numpy, scipy.stats and ruptures.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import expm1, log, log1p, sqrt

import numpy as np
import ruptures
from scipy.stats import kendalltau, theilslopes

from sitetest.stats.case_estimate import SD_FLOOR
from sitetest.stats.dips import Series
from sitetest.stats.outliers import MAD_TO_SD

BLOCK_TESTS = 5
_SHORTEST_SEGMENT_BLOCKS = 3
_PENALTY = 3.0
_FEWEST_GROUPS, _MOST_GROUPS, _GROUP_BLOCKS = 8, 16, 3
_DRIFT_P = 0.05
_DRIFT_SHARE = 0.05
_NO_RESIDUE = 1e-12
_PLACE_CRITICAL = 7.35
_FEWEST_BESIDE = BLOCK_TESTS
_MOST_PHI = 0.8


class Course(StrEnum):
    """What the level did."""

    STABLE = "stable"
    STEP = "step"
    DRIFT = "drift"


@dataclass(frozen=True, slots=True)
class Step:
    """test: position of the first test after it. earliest, latest: between them with 95 %, as far as the level stood
    still otherwise. change: of the level, a share (-0.15 is 15 % lower)."""

    test: int
    change: float
    earliest: int
    latest: int


@dataclass(frozen=True, slots=True)
class Drift:
    """change_per_hour, change: over the session; shares. p: of Kendall's tau. n: groups of tests that it rests on."""

    change_per_hour: float
    change: float
    p: float
    n: int


@dataclass(frozen=True, slots=True)
class Levels:
    """course: the one label. steps and drift: what was found, whichever of them the label prefers."""

    course: Course
    steps: tuple[Step, ...]
    drift: Drift | None
    method: str = "block means, change points (BIC-type penalty), Kendall's tau and Theil-Sen slope"


def judge_levels(logs: Series, hours: Sequence[float], margin: float = 0.10) -> Levels:
    """Return what the level did, from clipped ln(Mbit/s) and the time of each test in hours, both in order of time.

    margin: share below which a step is of no practical interest. Needs the 96 tests that ``soak`` asks for.
    """
    starts = list(range(0, len(logs) - BLOCK_TESTS + 1, BLOCK_TESTS))
    edges = [*starts, len(logs)]
    pieces = list(pairwise(edges))
    blocks = np.array([logs[i:j].mean() for i, j in pieces])
    times = np.array([np.mean(hours[i:j]) for i, j in pieces])
    borders = _borders(blocks, log1p(margin))
    changes = [expm1(after - before) for before, after in pairwise(_means(blocks, borders))]
    ends = [0, *(starts[border] for border in borders), len(logs)]
    steps = tuple(
        _placed(logs, begin, end, change) for begin, end, change in zip(ends, ends[2:], changes, strict=False)
    )
    drift = _drift(blocks, times, hours[-1] - hours[0])
    return Levels(_course(blocks, times, borders, drift), steps, drift)


def _placed(logs: Series, begin: int, end: int, change: float) -> Step:
    """Return the one step between two tests that are on either side of it, where it splits the tests best."""
    part = logs[begin:end]
    counts = np.arange(_FEWEST_BESIDE, len(part) - _FEWEST_BESIDE + 1)
    sums = np.cumsum(part)
    left, right = sums[counts - 1], sums[-1] - sums[counts - 1]
    explained = left**2 / counts + right**2 / (len(part) - counts)
    best = int(np.argmax(explained))
    split = int(counts[best])
    rest = np.concatenate((part[:split] - part[:split].mean(), part[split:] - part[split:].mean()))
    near = counts[explained[best] - explained <= _PLACE_CRITICAL * _long_run_variance(rest)]
    return Step(begin + split, change, begin + int(near[0]), begin + int(near[-1]))


def _long_run_variance(rest: Series) -> float:
    """Return the variance of residuals, inflated by what neighbours have in common (AR(1))."""
    variance = max(float(rest.var()), SD_FLOOR**2)
    together = float((rest[1:] * rest[:-1]).mean()) / variance
    phi = min(max(together, 0.0), _MOST_PHI)
    return variance * (1 + phi) / (1 - phi)


def _segments(blocks: Series, borders: Sequence[int]) -> list[Series]:
    return np.split(blocks, list(borders))


def _means(blocks: Series, borders: Sequence[int]) -> list[float]:
    return [float(segment.mean()) for segment in _segments(blocks, borders)]


def _borders(blocks: Series, smallest: float) -> list[int]:
    """Return the first block of every segment but the first, steps below ``smallest`` log units merged away."""
    neighbours = MAD_TO_SD * float(np.median(np.abs(np.diff(blocks)))) / sqrt(2)
    spread = max(neighbours, SD_FLOOR / sqrt(BLOCK_TESTS))
    search = ruptures.KernelCPD(kernel="linear", min_size=_SHORTEST_SEGMENT_BLOCKS).fit(blocks.reshape(-1, 1))
    borders = [int(end) for end in search.predict(pen=_PENALTY * spread**2 * log(len(blocks)))[:-1]]
    while borders:
        steps = np.abs(np.diff(_means(blocks, borders)))
        least = int(np.argmin(steps))
        if steps[least] >= smallest:
            break
        del borders[least]
    return borders


def _drift(blocks: Series, times: Series, session_h: float) -> Drift | None:
    count = min(_MOST_GROUPS, max(_FEWEST_GROUPS, len(blocks) // _GROUP_BLOCKS))
    groups = np.array([group.mean() for group in np.array_split(blocks, count)])
    at = np.array([group.mean() for group in np.array_split(times, count)])
    p = float(kendalltau(at, groups).pvalue)
    per_hour = float(theilslopes(groups, at)[0])
    change = expm1(per_hour * session_h)
    # p is not a number for a constant series, which has no slope either
    if p > _DRIFT_P or abs(per_hour * session_h) < log1p(_DRIFT_SHARE):
        return None
    return Drift(expm1(per_hour), change, p, count)


def _bic(residue: float, n: int, parameters: int) -> float:
    return n * log(max(residue, _NO_RESIDUE) / n) + parameters * log(n)


def _course(blocks: Series, times: Series, borders: Sequence[int], drift: Drift | None) -> Course:
    if not borders:
        return Course.DRIFT if drift is not None else Course.STABLE
    if drift is None:
        return Course.STEP
    n = len(blocks)
    stepped = sum(float(((segment - segment.mean()) ** 2).sum()) for segment in _segments(blocks, borders))
    line = np.polynomial.Polynomial.fit(times, blocks, 1)
    straight = float(((blocks - line(times)) ** 2).sum())
    return Course.STEP if _bic(stepped, n, 2 * len(borders) + 1) < _bic(straight, n, 2) else Course.DRIFT
