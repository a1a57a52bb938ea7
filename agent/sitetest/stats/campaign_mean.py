"""The mean of several log ratios, as the gate needs it and as a campaign may show it, labelled as a mean.

    e = mean of e_i      se = sqrt(sum se_i^2) / K      df = (sum se_i^2)^2 / sum(se_i^4 / df_i)      Satterthwaite 1946

May import sitetest.stats.
"""

from collections.abc import Sequence
from math import fsum, sqrt

from sitetest.stats.student_t import LogRatio


def mean_log_ratio(ratios: Sequence[LogRatio]) -> LogRatio:
    """Return the mean of at least one independent log ratio."""
    count = len(ratios)
    squares = [ratio.se**2 for ratio in ratios]
    total = fsum(squares)
    return LogRatio(
        estimate=fsum(ratio.estimate for ratio in ratios) / count,
        se=sqrt(total) / count,
        df=total**2 / fsum(square**2 / ratio.df for square, ratio in zip(squares, ratios, strict=True)),
        n_a=sum(ratio.n_a for ratio in ratios),
        n_b=sum(ratio.n_b for ratio in ratios),
        method=f"mean of {count} log ratios, Satterthwaite degrees of freedom",
    )
