"""The declared outlier rule for a single case: which values are labelled, and whether a clip may act on them.

    x      = ln(throughput) of the n valid values of the case, n >= 3
    own    = 1.4826 * median |x - median x| / c_n          robust standard deviation, unbiased for normal data
    limit  = max(3.5 * own, ln 1.25)
    label  : |x_i - median x| > limit                      both sides alike

3.5 is the limit of Iglewicz and Hoaglin's modified z-score (NIST/SEMATECH e-Handbook 1.3.5.17); c_n makes the robust
standard deviation unbiased at small n (the project's own simulation, 0.4 to 1 million normal draws, docs/method.md);
ln 1.25 keeps a tight case from labelling harmless values. Without that floor the modified z-score labels 13 to 29 % of
clean cases at n = 3 to 8.

The guard: when more than floor(n / 5) values are labelled, the case has two levels rather than outliers, and a clip
must leave it alone (:attr:`Labels.may_clip`). The guard speaks about *clipping* only. Labels stay, because each is a
fact about one value; an extra repeat stays earned too, because more turns are exactly what tells one dip from two
levels, and because at n = 3 and 4 the guard is always closed (floor(n / 5) = 0) and nothing could ever be earned.

This is the rule for one case on its own scale. The comparison of two cases takes the larger of this scale and the
pooled one of the pair; it is wider, never narrower. Pure. May import sitetest.stats.sequences.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite, log
from statistics import median

from sitetest.stats.sequences import above, distances, middle

SMALLEST_N = 3
"""Below this the rule labels nothing: a median of two lies half-way between them."""

SCALES = 3.5
"""Iglewicz and Hoaglin's limit, in robust standard deviations."""

FLOOR_LOG = log(1.25)
"""No value within a factor of 1.25 of the median is ever labelled. In log units."""

MAD_TO_SD = 1.4826
"""Standard deviation over median absolute deviation, for normal data."""

ROUNDING_LOG = 1e-9
"""Distances that equal the limit but for rounding are not beyond it, whatever the unit of the throughput."""

_C_N = {3: 0.672, 4: 0.735, 5: 0.822, 6: 0.840, 7: 0.878, 8: 0.887, 9: 0.907, 10: 0.912}


@dataclass(frozen=True, slots=True)
class Labels:
    """What the rule says about the values of one case.

    labelled: positions in the sequence given, ascending. median_mbps: of all values; None below SMALLEST_N.
    limit_factor: how many times above or below the median a value may be without a label; None below SMALLEST_N.
    may_clip: whether pulling the labelled values in to the limit is allowed (see the guard above).
    """

    labelled: tuple[int, ...] = ()
    median_mbps: float | None = None
    limit_factor: float | None = None
    may_clip: bool = False


def c_n(n: int) -> float:
    """Return the factor that makes the robust standard deviation of ``n`` >= 3 normal values unbiased."""
    if n < SMALLEST_N:
        raise ValueError(f"the rule needs {SMALLEST_N} values, not {n}")
    return _C_N.get(n, 1 - 0.86 / n)


def absolute_deviations(values: Sequence[float]) -> Sequence[float]:
    """Return how far each value lies from their median."""
    return distances(values, middle(values))


def label_outliers(throughputs_mbps: Sequence[float]) -> Labels:
    """Apply the rule to the valid values of one case, in any order.

    Values must be finite and above zero (a transfer that delivered nothing is a failure, not a value); raises
    ValueError otherwise. The values themselves are never changed.
    """
    for value in throughputs_mbps:
        if not isfinite(value) or value <= 0:
            raise ValueError(f"a valid throughput is finite and above zero, not {value} Mbit/s")
    n = len(throughputs_mbps)
    if n < SMALLEST_N:
        return Labels()
    logs = [log(value) for value in throughputs_mbps]
    deviations = absolute_deviations(logs)
    own = MAD_TO_SD * median(deviations) / c_n(n)
    limit = max(SCALES * own, FLOOR_LOG)
    labelled = above(deviations, limit + ROUNDING_LOG)
    return Labels(
        labelled=labelled,
        median_mbps=exp(median(logs)),
        limit_factor=exp(limit),
        may_clip=len(labelled) <= n // 5,
    )
