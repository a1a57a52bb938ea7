"""One test with libiperf, from settings to the record: what the client's and the server's worker share.

    begin -> package object -> settings -> sampler -> the blocking C call -> raw JSON and result -> end of the process

The `iperf3` package serves for loading and settings. Its ``run()`` is never called (it blocks on more than 64 KiB of
JSON), and its destructor never runs (it closes descriptors a second time). Events told: those of the sampler, then
``raw`` pieces and one ``result`` (``code`` of the C call, libiperf's ``errno`` and its ``text``, ``still_s``,
``cpu_share``, ``mss_bytes`` and ``receive_window_bytes`` of the sampler).

May import the standard library and this package only; the package object is handed in.
"""

import ctypes
from collections.abc import Callable
from typing import Any, NoReturn

from sitetest_wire.libiperf import declare
from sitetest_wire.stream_sampler import StreamSampler
from sitetest_wire.supervised_worker import CapturedStdout, EventWriter, leave


def library_duration_s(total_s: float) -> int:
    """Return how long libiperf is told to run for a transfer of ``total_s`` seconds: it knows whole seconds only."""
    return max(1, -int(-total_s // 1))


def call_and_tell(
    package_object: Any,
    function: str,
    events: EventWriter,
    *,
    port: int,
    is_server: bool,
    is_sender: bool,
    streams: int,
    total_s: float,
    limit_s: float,
    set_up: Callable[[ctypes.CDLL, int], None],
    only_from: str | None = None,
) -> NoReturn:
    """Run one test, tell everything about it and end the process. set_up: what is set through the library itself.

    The rest: see :class:`StreamSampler`.
    """
    library: ctypes.CDLL = package_object.lib
    test: int = package_object._test
    declare(library)
    set_up(library, test)
    sampler = StreamSampler(
        port=port,
        is_server=is_server,
        is_sender=is_sender,
        streams=streams,
        total_s=total_s,
        limit_s=limit_s,
        control_socket=lambda: int(library.iperf_get_control_socket(test)),
        tell=events.tell,
        only_from=only_from,
    )
    printed = CapturedStdout()
    call = getattr(library, function)
    sampler.start()
    code: int = call(test)
    still_s, cpu_share = sampler.still_s, sampler.cpu_share
    sampler.stop()
    events.tell_raw(printed.text() or _kept_json(library, test))
    number = ctypes.c_int.in_dll(library, "i_errno").value
    events.tell(
        "result",
        code=code,
        errno=number,
        text=_error_text(package_object, number) if number else "",
        still_s=still_s,
        cpu_share=cpu_share,
        mss_bytes=sampler.mss_bytes,
        receive_window_bytes=sampler.receive_window_bytes,
    )
    leave()


def _kept_json(library: ctypes.CDLL, test: int) -> str:
    kept: bytes | None = library.iperf_get_test_json_output_string(test)
    return kept.decode("utf-8", "replace") if kept else ""


def _error_text(package_object: Any, number: int) -> str:
    return str(package_object._error_to_string(number)).strip()
