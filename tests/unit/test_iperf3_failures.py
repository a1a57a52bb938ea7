"""What libiperf's error numbers mean. Source of the numbers: enum in iperf_api.h of esnet/iperf."""

import pytest

from sitetest.engines.base import FailureKind
from sitetest.engines.iperf3_failures import CONNECT_ERRORS, LibraryResult, library_failure

WHERE = "upload to 192.0.2.7:17301"


def _result(errno: int, *, still_s: float | None = 0.1, code: int = -1, error: str | None = None) -> LibraryResult:
    return LibraryResult(code=code, errno=errno, text="", error=error, still_s=still_s)


@pytest.mark.parametrize(
    ("errno", "kind"),
    [
        (121, FailureKind.BUSY),
        (120, FailureKind.PEER_DIED),
        (109, FailureKind.PEER_DIED),
        (207, FailureKind.PEER_DIED),
        (205, FailureKind.PEER_DIED),
        (117, FailureKind.PEER_DIED),
        (134, FailureKind.UNAVAILABLE),
        (110, FailureKind.BAD_OUTPUT),
        (130, FailureKind.UNAVAILABLE),
        (6, FailureKind.BAD_OUTPUT),
        (0, FailureKind.PEER_DIED),
    ],
)
def test_numbers_and_kinds(errno: int, kind: FailureKind) -> None:
    """While bytes flowed, a lost connection is the other end's doing."""
    failure = library_failure(_result(errno), WHERE)
    assert failure.kind is kind
    assert failure.message.startswith(WHERE)
    assert failure.errno == (errno or None)


@pytest.mark.parametrize("errno", [0, 107, 108, 109, 112, 118, 205, 206, 207])
def test_a_connection_that_fails_after_long_silence_is_a_lost_path(errno: int) -> None:
    """The number alone cannot tell; the time without a byte can."""
    assert library_failure(_result(errno, still_s=9.8), WHERE).kind is FailureKind.LINK_LOST
    assert library_failure(_result(errno, still_s=3.0), WHERE).kind is FailureKind.PEER_DIED


@pytest.mark.parametrize("errno", sorted(CONNECT_ERRORS))
@pytest.mark.parametrize("reached", [FailureKind.REFUSED, FailureKind.CONNECT_TIMEOUT, FailureKind.UNREACHABLE])
def test_a_connection_that_never_came_up_is_what_our_own_attempt_met(errno: int, reached: FailureKind) -> None:
    """libiperf says one number for three different troubles."""
    failure = library_failure(_result(errno, still_s=None), WHERE, reached)
    assert failure.kind is reached


def test_three_connect_troubles_have_three_messages() -> None:
    """Somebody has to act differently on each."""
    kinds = (FailureKind.REFUSED, FailureKind.CONNECT_TIMEOUT, FailureKind.UNREACHABLE, None)
    assert len({library_failure(_result(103), WHERE, kind).message for kind in kinds}) == 4


def test_every_number_has_a_message() -> None:
    """Newer libraries give empty texts; ours is never empty."""
    for errno in range(500):
        message = library_failure(_result(errno), WHERE).message
        assert len(message) > len(WHERE) + 10


@pytest.mark.parametrize(
    ("code", "error", "failed"), [(0, None, False), (-1, None, True), (0, "the server has terminated", True)]
)
def test_an_error_wins_over_a_return_value_of_zero(code: int, error: str | None, failed: bool) -> None:
    """Up to 3.13 the call returns 0 and the JSON has the error beside a plausible end."""
    assert _result(120, code=code, error=error).failed is failed
