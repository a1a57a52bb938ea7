"""What counts as a wire, and what the medians are made of."""

import asyncio
from dataclasses import replace

import pytest
from visit_fakes import broken, steady

from sitetest.engines.base import Availability, FailureKind, TransferResult, TransferSpec, Watch
from sitetest.observe.interface import InterfaceKind
from sitetest.visit.wired_baseline import DURATION_S, REPEATS, measure_wire, why_not_wired
from sitetest_wire.messages import ServerHost
from sitetest_wire.words import Direction, EngineName


class Wire:
    """An engine that gives each direction its rates in turn; None for a transfer that fails."""

    name = EngineName.HTTP

    def __init__(self, download: list[float | None], upload: list[float | None]) -> None:
        self._rates = {Direction.DOWNLOAD: iter(download), Direction.UPLOAD: iter(upload)}
        self.specs: list[TransferSpec] = []

    def availability(self) -> Availability:
        return Availability(True)

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        self.specs.append(spec)
        watch.started()
        await watch.idle_before(None)
        rate_mbps = next(self._rates[spec.direction])
        if rate_mbps is None:
            return broken(spec, FailureKind.PEER_DIED, message="the server closed the connection")
        return replace(steady(spec, rate_mbps), server_host=ServerHost("eth0", 1000, "full", ()))


@pytest.mark.parametrize(
    ("kind", "said_wired", "says"),
    [
        (InterfaceKind.ETHERNET, False, None),
        (InterfaceKind.OTHER, False, "not known to be a wire"),
        (InterfaceKind.OTHER, True, None),
        (None, False, "not known to be a wire"),
        (None, True, None),
        (InterfaceKind.WIFI, False, "Wi-Fi"),
        (InterfaceKind.WIFI, True, "Wi-Fi"),
        (InterfaceKind.TUNNEL, True, "tunnel"),
    ],
)
def test_what_may_be_called_a_wire(kind: InterfaceKind | None, said_wired: bool, says: str | None) -> None:
    """The person is believed where the system cannot tell, and never against what it does tell."""
    found = why_not_wired("if0", kind, said_wired=said_wired)
    assert (found is None) == (says is None)
    assert says is None or says in (found or "")


async def test_the_baseline_is_the_median_of_three_each_way_in_turn() -> None:
    """One bad transfer of three does not move a median."""
    wire, said = Wire([941.0, 300.0, 938.0], [600.0, 700.0, 650.0]), list[str]()
    measured = await measure_wire(wire, said.append)
    assert measured.download_mbps == pytest.approx(938.0)
    assert measured.upload_mbps == pytest.approx(650.0)
    assert (measured.server_link_mbps, measured.problems) == (1000, ())
    assert [spec.direction for spec in wire.specs] == [Direction.DOWNLOAD, Direction.UPLOAD] * REPEATS
    assert {spec.duration_s for spec in wire.specs} == {DURATION_S}
    assert said[0] == "1 of 3, download: 941.0 Mbit/s"


async def test_what_failed_is_left_out_and_said_and_a_direction_without_any_is_not_measured() -> None:
    """Never a zero, and never a figure from nothing."""
    measured = await measure_wire(Wire([941.0, None, 939.0], [None] * 3), lambda _: None)
    assert measured.download_mbps == pytest.approx(940.0)
    assert measured.upload_mbps is None
    assert measured.problems[1] == "download 2: the server closed the connection"
    assert len(measured.problems) == 4


async def test_a_transfer_that_shared_the_server_does_not_count() -> None:
    class Shared(Wire):
        async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
            return replace(await super().transfer(spec, watch, stop), shared=True)

    measured = await measure_wire(Shared([941.0] * 3, [941.0] * 3), lambda _: None)
    assert (measured.download_mbps, measured.upload_mbps) == (None, None)
    assert "another client" in measured.problems[0]
