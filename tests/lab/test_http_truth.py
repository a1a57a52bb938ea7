"""The http engine against the kernel's own token bucket: what it reports is what the link carries.

Source of the rate: tbf of the Linux kernel on a veth with segmentation offload off. Source of the share of payload: an
MSS of 1448 with timestamps (RFC 7323, appendix A) in a frame of 1514 bytes as tbf counts it.
"""

from pathlib import Path

import pytest
from http_transfers import http_transfer
from lab_network import LAPTOP, LabNetwork, truth_mbps
from lab_server import lab_server

from sitetest.engines.base import TransferSpec
from sitetest_wire.words import Direction

pytestmark = [pytest.mark.lab, pytest.mark.slow]

TOLERANCE = 0.005


@pytest.mark.parametrize("direction", list(Direction))
@pytest.mark.parametrize("rate_mbps", [50, 300, 940])
def test_the_figure_of_record_is_what_the_bucket_lets_through(
    lab: LabNetwork, tmp_path: Path, rate_mbps: int, direction: Direction
) -> None:
    lab.set_rate(rate_mbps)
    spec = TransferSpec(direction, streams=5, warm_up_s=1.0, duration_s=4.0)
    with lab_server(lab, tmp_path) as server:
        result = lab.run_in(LAPTOP, lambda: http_transfer(server.url, server.token, spec))
    assert result.failure is None
    assert result.throughput_mbps == pytest.approx(truth_mbps(rate_mbps), rel=TOLERANCE)
    assert result.window is not None
    assert result.window.length_s == pytest.approx(spec.duration_s, abs=1e-6)
    assert result.sender, "the sender's end told nothing"
    assert result.sender[-1].rtt_ms is not None
