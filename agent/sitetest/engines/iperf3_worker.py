"""The process that runs one iperf3 test as the client: started by `iperf3.py` for one transfer, ends with it.

May import sitetest_wire, the `iperf3` package and the standard library only.
"""

import ctypes
from typing import Any, NoReturn

from sitetest_wire.libiperf_call import call_and_tell, library_duration_s
from sitetest_wire.supervised_worker import EventWriter, begin


def _measure(events: EventWriter, asked: dict[str, Any]) -> NoReturn:
    import iperf3  # noqa: PLC0415  # after `begin`: the parent may be gone before this is loaded

    client = iperf3.Client(lib_name=asked["library"])
    client.server_hostname = asked["host"]
    client.port = asked["port"]
    client.protocol = "tcp"
    client.num_streams = asked["streams"]
    client.reverse = asked["is_download"]
    client.duration = library_duration_s(asked["total_s"])
    client.verbose = False

    def set_up(library: ctypes.CDLL, test: int) -> None:
        library.iperf_set_test_connect_timeout(test, round(asked["connect_timeout_s"] * 1000))
        if asked["congestion_control"] is not None:
            library.iperf_set_test_congestion_control(test, asked["congestion_control"].encode())

    call_and_tell(
        client,
        "iperf_run_client",
        events,
        port=asked["port"],
        is_server=False,
        is_sender=not asked["is_download"],
        streams=asked["streams"],
        total_s=library_duration_s(asked["total_s"]),
        limit_s=asked["limit_s"],
        set_up=set_up,
    )


if __name__ == "__main__":
    _measure(*begin())
