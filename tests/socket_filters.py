"""Whether this kernel lets whoever runs the tests put a filter on a socket; some keep that for root.

May import pytest, the wire package and the standard library only.
"""

import socket
import sys
from ipaddress import ip_address

import pytest

from sitetest_wire.source_filter import hear_only


def missing_for_filters() -> str | None:
    """Say what is in the way; None when nothing is."""
    if sys.platform != "linux":
        return "socket filters are Linux"
    with socket.create_server(("127.0.0.1", 0)) as listener:
        try:
            hear_only(listener, ip_address("127.0.0.1"))
        except OSError as problem:
            return f"this kernel takes no socket filter from this user: {problem.strerror}"
    return None


needs_filter = pytest.mark.skipif(missing_for_filters() is not None, reason=missing_for_filters() or "")
