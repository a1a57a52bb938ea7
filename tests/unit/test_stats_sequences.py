"""Few values or many: both ways through sums, medians and limits give the same."""

from array import array
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest.stats import sequences
from sitetest.stats.answers import Comparison
from sitetest.stats.rules import ComparisonRules
from sitetest.stats.turn_columns import TurnColumns
from sitetest.stats.turn_value import TurnValue
from sitetest.stats.turns import CaseTurns, case_from_values
from sitetest.stats.verdict import judge

logs = st.lists(st.floats(-5, 12), min_size=3, max_size=40)


@given(logs, logs)
def test_many_values_give_what_few_give(values: list[float], more: list[float]) -> None:
    """The same values through plain Python and through numpy; sums against exact fractions."""
    ways = []
    for many in (1000, 1):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sequences, "MANY", many)
            given_values = array("d", values)
            centre = sequences.middle(given_values)
            ways.append(
                (
                    centre,
                    sequences.middle(given_values, more),
                    sequences.upper_middle(given_values),
                    list(sequences.distances(given_values, centre)),
                    sequences.above(given_values, centre),
                    list(sequences.within(given_values, centre - 1, centre + 1)),
                    sequences.reaching(given_values, centre),
                    list(sequences.compact(np.array(values))),
                )
            )
            exact = float(sum(map(Fraction, values)))
            assert sequences.total(given_values) == pytest.approx(exact, rel=1e-14, abs=1e-12)
            squares = float(sum((Fraction(value - centre) ** 2 for value in values), Fraction(0)))
            assert sequences.squares_about(given_values, centre) == pytest.approx(squares, rel=1e-14)
    assert ways[0] == ways[1]


@given(
    st.lists(st.tuples(st.floats(4, 8) | st.none(), st.sampled_from((0.0, 0.1, 0.5, 1.0))), min_size=8, max_size=30),
    st.integers(3, 12),
)
def test_turns_in_columns_are_the_turns_one_by_one(facts: list[tuple[float | None, float]], first: int) -> None:
    records = tuple(TurnValue(number, log, failed) for number, (log, failed) in enumerate(facts, start=1))
    columns = TurnColumns(
        np.arange(1, len(facts) + 1),
        np.array([np.nan if log is None else log for log, _ in facts]),
        np.array([failed for _, failed in facts]),
    )
    assert tuple(columns) == records
    one_by_one, in_columns = (CaseTurns(turns, len(facts)) for turns in (records, columns))
    for whole in (True, False):
        a, b = (case if whole else case.first(first) for case in (one_by_one, in_columns))
        assert (tuple(a.logs), a.failed, len(a.turns)) == (tuple(b.logs), b.failed, len(b.turns))
        assert a.failed_whole == pytest.approx(b.failed_whole)
        assert tuple(a.valid_turns) == tuple(b.valid_turns)
    other = case_from_values([400.0 + number for number in range(len(facts))])
    rules = ComparisonRules(family_size=1)
    assert judge([Comparison("x", one_by_one, other)], rules) == judge([Comparison("x", in_columns, other)], rules)
