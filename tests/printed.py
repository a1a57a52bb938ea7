"""Whether a computed figure agrees with a printed one to every digit printed."""

from decimal import Decimal


def agrees(value: float, printed: str) -> bool:
    """Return whether ``value`` rounds to ``printed``: within half a unit of its last digit."""
    expected = Decimal(printed)
    exponent = expected.as_tuple().exponent
    assert isinstance(exponent, int)
    half_unit = Decimal(1).scaleb(exponent) / 2
    return abs(Decimal(value) - expected) <= half_unit * Decimal("1.000001")


def assert_agree(values: tuple[float, ...], printed: str) -> None:
    """Assert that each of ``values`` rounds to its word of ``printed`` (words divided by white space or ``..``)."""
    words = printed.replace("..", " ").split()
    assert len(words) == len(values)
    for value, word in zip(values, words, strict=True):
        assert agrees(value, word), f"{value} is not {word}"
