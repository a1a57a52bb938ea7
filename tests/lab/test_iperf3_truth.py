"""The iperf3 engine measures what the kernel's token bucket lets through.

Truth: rate x 1448 / 1514. Source of the rate: linux tc-tbf(8), which counts Ethernet frames without FCS; of the payload
of a frame: RFC 7323 (timestamps take 12 of the MSS of RFC 9293).
"""

import asyncio
import time
from collections.abc import Callable

import pytest
from direct_leases import DirectLeases, QuietWatch, leases_in_lab
from lab_network import LabNetwork, truth_mbps

from sitetest.engines.base import TransferResult, TransferSpec
from sitetest.engines.iperf3 import Iperf3Engine
from sitetest_wire.words import CountedAs, Direction

pytestmark = [pytest.mark.lab, pytest.mark.libiperf, pytest.mark.slow]


def _transfer(lab: LabNetwork, leases: DirectLeases, spec: TransferSpec) -> tuple[TransferResult, QuietWatch, float]:
    watch = QuietWatch()

    async def run() -> TransferResult:
        return await Iperf3Engine(leases, "counter laptop").transfer(spec, watch, asyncio.Event())

    began_s = time.monotonic()
    result = lab.run_in("laptop", run)
    return result, watch, time.monotonic() - began_s


@pytest.mark.parametrize("direction", list(Direction))
@pytest.mark.parametrize("rate_mbps", [50, 300, 940])
def test_goodput_is_what_the_bucket_lets_through(
    lab: LabNetwork, rate_mbps: float, direction: Direction, record_property: Callable[[str, object], None]
) -> None:
    """Each direction, five streams, within 0.5 % of rate x MSS / frame; and what else is told is plausible."""
    lab.set_rate(rate_mbps)
    spec = TransferSpec(direction, streams=5, warm_up_s=1.0, duration_s=4.0)
    result, watch, wall_s = _transfer(lab, leases_in_lab(lab), spec)
    assert result.failure is None
    assert result.throughput_mbps is not None
    assert result.window is not None
    assert result.window.length_s == pytest.approx(spec.duration_s, abs=0.1)
    assert result.throughput_mbps == pytest.approx(truth_mbps(rate_mbps), rel=0.005)
    record_property("deviation_pct", round((result.throughput_mbps / truth_mbps(rate_mbps) - 1) * 100, 3))
    record_property("overhead_s", round(wall_s - spec.total_s, 2))
    assert {sample.counted_as for sample in result.receiver} == {CountedAs.RECEIVED}
    assert {sample.counted_as for sample in result.sender} == {CountedAs.ACKED}
    assert result.retransmits is not None
    assert result.sender[-1].rtt_ms is not None
    assert len(result.sender[-1].rtt_ms) == 5
    assert len(watch.seen) > 8 * spec.total_s
    assert (result.local_address, result.remote_address) == (lab.address("laptop"), lab.address("server"))
