"""The bounds of what this server does for anybody, and the check of a request against them.

May import sitetest_wire and the standard library only.
"""

from sitetest_wire.messages import LeaseRequest, Limits

MAX_BODY_BYTES = 16 * 1024
"""Largest JSON body; a lease request is some 200 bytes."""

BODY_TIMEOUT_S = 5.0
"""How long a JSON body may take to arrive."""

IDLE_CONNECTION_S = 30.0
"""A connection without a request in progress for this long is closed."""

MAX_AGENT_LABEL = 80
"""Characters in an agent's label; it is shown on other people's screens."""


class OverLimit(Exception):
    """A request is above one of the server's bounds; the message names the bound."""


def check(request: LeaseRequest, limits: Limits) -> None:
    """Raise OverLimit when the request is above a bound of this server."""
    if request.streams > limits.max_streams:
        raise OverLimit(f"streams is {request.streams}, this server allows at most {limits.max_streams}")
    total_s = request.warm_up_s + request.duration_s
    if total_s > limits.max_transfer_s:
        raise OverLimit(
            f"warm_up_s and duration_s are {total_s:g} s together, "
            f"this server allows at most {limits.max_transfer_s:g} s"
        )
    if len(request.agent) > MAX_AGENT_LABEL or not request.agent.isprintable():
        raise OverLimit(f"agent must be printable text of at most {MAX_AGENT_LABEL} characters")
