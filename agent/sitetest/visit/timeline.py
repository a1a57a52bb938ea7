"""Where the measuring window of a transfer lies on the clocks of those who looked on. Pure.

    agent's clock     link, host, latency:    zero of the samples' clock + window.start_s + k
    server's clock    its machine's seconds:  start of its own window + k

The two machines' clocks are never compared: as in `recording.py`, each end's window is cut on its own clock and seconds
of the same number stand side by side. How well the agent's clock is lined up:

    received samples came live    the quickest one's delay: none in a download, one way and a tenth of a second at most
                                  in an upload by http
    only acknowledged ones did    as an upload's window at the sender: a tenth of a second
    none did                      from the moment when the path stopped being idle: connecting, and for iperf3 the start
                                  of its process; up to half a second

May import engines.base, observe.observed, sitetest_wire and the standard library only.
"""

from dataclasses import dataclass

from sitetest.engines.base import TransferResult
from sitetest.engines.window import Window, measuring_window
from sitetest.observe.observed import Observed
from sitetest_wire.words import Direction


@dataclass(frozen=True, slots=True)
class Timeline:
    """start_s, end_s: of the window, on the agent's monotonic clock. server_start_s: of the window, on the clock of the
    server's samples. receiver_zero_s: when the receiver's clock read 0, on the agent's."""

    start_s: float
    end_s: float
    server_start_s: float
    receiver_zero_s: float

    @property
    def window(self) -> Window:
        """The window on the agent's monotonic clock."""
        return Window(self.start_s, self.end_s)

    def covers(self, at_s: float) -> bool:
        """Whether an instant of the agent's clock lies in the window."""
        return self.start_s <= at_s < self.end_s


def timeline(result: TransferResult, observed: Observed) -> Timeline | None:
    """Line the clocks up; None without a window, or when nobody looked on."""
    window = result.window
    if window is None:
        return None
    sender_window = _sender_window(result)
    upload = result.spec.direction is Direction.UPLOAD
    if observed.received_from_s is not None:
        zero_s = observed.received_from_s
    elif observed.acked_from_s is not None and sender_window is not None and upload:
        zero_s = observed.acked_from_s + sender_window.start_s - window.start_s
    elif observed.load_from_s is not None:
        zero_s = observed.load_from_s
    else:
        return None
    server_window = window if upload else sender_window or window
    return Timeline(zero_s + window.start_s, zero_s + window.end_s, server_window.start_s, zero_s)


def _sender_window(result: TransferResult) -> Window | None:
    spec = result.spec
    return measuring_window(result.sender, spec.streams, spec.warm_up_s, spec.duration_s) if result.sender else None
