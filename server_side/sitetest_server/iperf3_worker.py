"""The process that serves one iperf3 test: started by `iperf3_host.py` for one lease, ends with it.

May import sitetest_wire, the `iperf3` package and the standard library only.
"""

import ctypes
from typing import Any, NoReturn

from sitetest_wire.libiperf_call import call_and_tell, library_duration_s
from sitetest_wire.supervised_worker import EventWriter, begin


def _serve(events: EventWriter, asked: dict[str, Any]) -> NoReturn:
    import iperf3  # noqa: PLC0415  # after `begin`: the parent may be gone before this is loaded

    server = iperf3.Server(lib_name=asked["library"])
    server.port = asked["port"]
    if asked["bind"] is not None:
        server.bind_address = asked["bind"]

    def set_up(library: ctypes.CDLL, test: int) -> None:
        library.iperf_set_test_one_off(test, 1)

    call_and_tell(
        server,
        "iperf_run_server",
        events,
        port=asked["port"],
        is_server=True,
        is_sender=asked["is_sender"],
        streams=asked["streams"],
        total_s=library_duration_s(asked["total_s"]),
        limit_s=asked["limit_s"],
        set_up=set_up,
        only_from=asked["only_from"],
    )


if __name__ == "__main__":
    _serve(*begin())
