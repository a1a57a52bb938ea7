"""The watch's prober over loopback, with a clock of the test's own: sockets opened anew, refusals, sequence numbers."""

import asyncio
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from sitetest.observe.prober import TIMEOUT_S
from sitetest.observe.round_trip import ProbeClocks
from sitetest.observe.watch.path_ledger import PathLedger
from sitetest.observe.watch.seen import Back, WatchSecond
from sitetest.observe.watch.watch_prober import WatchProber
from sitetest_server.reflector import Reflector
from sitetest_wire.stamp import SenderPacket

TOKEN = bytes(range(16))
OPEN = Path("/proc/self/fd")
UNIX_S = 1_700_000_000.0


class Watched:
    """A prober, its ledger, and a clock that stands still unless it is moved."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.refusals = 0
        self.ledger = PathLedger(self.now_s, UNIX_S)
        self.prober = WatchProber(self.ledger, self.refused, clocks=ProbeClocks(monotonic_s=lambda: self.now_s))
        self.told: list[object] = []

    def refused(self) -> None:
        self.refusals += 1

    def aim(self, port: int, host: str = "127.0.0.1", token: bytes | None = TOKEN) -> None:
        self.ledger.asks()
        self.prober.aim((host, port), token)

    async def probe(self, times: int = 1, *, answered: bool = True) -> None:
        """Send one every 0.1 s; wait for its answer, with the clock standing still, where one is to be expected."""
        for _ in range(times):
            await self.prober.probe()
            if answered:
                await until(lambda: self.ledger.up is True and self.ledger.silent_s == 0)
            self.pass_()

    def pass_(self, tenths: int = 1) -> None:
        for _ in range(tenths):
            self.now_s = round(self.now_s + 0.1, 6)
            self.told += self.ledger.advance(self.now_s, UNIX_S)

    @property
    def backs(self) -> list[Back]:
        return [one for one in self.told if isinstance(one, Back)]

    @property
    def seconds(self) -> list[WatchSecond]:
        return [one for one in self.told if isinstance(one, WatchSecond)]


async def until(happened: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not happened():  # noqa: ASYNC110  what is waited for sets no event
            await asyncio.sleep(0.001)


def descriptors() -> int:
    return len(list(OPEN.iterdir()))


async def reflecting(port: int = 0) -> Reflector:
    reflector = await Reflector.open("127.0.0.1", port)
    reflector.admit(TOKEN, until_s=float("inf"))
    return reflector


async def test_probes_are_answered_and_timed() -> None:
    reflector, watched = await reflecting(), Watched()
    watched.aim(reflector.port)
    await watched.probe(11)
    watched.prober.close()
    reflector.close()
    [second] = watched.seconds
    assert (second.probes, second.answered) == (10, 10)
    assert second.rtt_p50_ms is not None
    assert second.rtt_max_ms is not None
    assert 0 < second.rtt_p50_ms <= second.rtt_max_ms < 1000


@pytest.mark.skipif(not OPEN.is_dir(), reason="open descriptors are counted in /proc")
async def test_fifty_reopenings_leave_no_descriptor_behind() -> None:
    reflector, watched = await reflecting(), Watched()
    watched.aim(reflector.port)
    before = descriptors()
    most = 0
    for _ in range(50):
        watched.prober.leave_socket()
        await watched.probe(4)
        most = max(most, descriptors())
    watched.prober.close()
    assert descriptors() == before
    assert most - before <= TIMEOUT_S / 0.4 + 2, "a socket is closed once its probes are decided"
    reflector.close()
    assert all(second.answered == second.probes for second in watched.seconds)


async def test_after_some_silence_the_socket_is_another_one() -> None:
    """A router that was restarted knows the old port no more; a plain socket of the test's own is the far end."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as far:
        far.bind(("127.0.0.1", 0))
        far.settimeout(5)
        watched = Watched()
        watched.aim(far.getsockname()[1])
        await watched.probe(65, answered=False)
        watched.prober.close()
        senders, numbers = [], []
        for _ in range(65):
            octets, sender = far.recvfrom(2048)
            senders.append(sender)
            numbers.append(SenderPacket.decode(octets).sequence)
    assert numbers == list(range(65)), "one session goes on over all its sockets"
    assert 3 <= len(set(senders)) <= 4, "every two seconds and a bit in six and a half"


async def test_an_answer_to_the_socket_before_still_counts() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as far:
        far.bind(("127.0.0.1", 0))
        far.settimeout(5)
        relay = await reflecting()
        watched = Watched()
        watched.aim(far.getsockname()[1])
        await watched.probe(answered=False)
        watched.prober.leave_socket()
        await watched.probe(answered=False)
        octets, first_sender = far.recvfrom(2048)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asks:
            asks.connect(("127.0.0.1", relay.port))
            asks.setblocking(False)
            asks.send(octets)
            async with asyncio.timeout(5):
                reply = await asyncio.get_running_loop().sock_recv(asks, 2048)
        far.sendto(reply, first_sender)
        far.sendto(reply, first_sender)  # and once more
        await until(lambda: watched.ledger.up is True)
        watched.pass_(25)
        watched.prober.close()
        relay.close()
    assert (watched.seconds[0].probes, watched.seconds[0].answered) == (2, 1)


async def test_a_closed_port_refuses_and_the_outage_says_so() -> None:
    """RFC 1122, 4.1.3.1: a host SHOULD answer a datagram for a closed port with ICMP Port Unreachable; Linux does."""
    reflector, watched = await reflecting(), Watched()
    watched.aim(reflector.port)
    await watched.probe(10)
    port = reflector.port
    reflector.close()
    await watched.probe(11, answered=False)
    await until(lambda: watched.refusals > 0)
    await watched.probe(answered=False)
    reflector = await reflecting(port)
    await watched.probe(25)
    watched.prober.close()
    reflector.close()
    [back] = watched.backs
    assert (back.refused, back.not_taken) == (True, False)
    assert back.length_s == pytest.approx(1.2, abs=0.25)


async def test_without_a_way_nothing_is_sent_and_each_probe_tries_again() -> None:
    """Broadcast, to which Linux lets no plain socket connect (EACCES, ip(7)), stands for a route that is gone."""
    reflector, watched = await reflecting(), Watched()
    watched.aim(reflector.port)
    await watched.probe(10)
    watched.prober.aim(("255.255.255.255", 9), TOKEN)
    await watched.probe(10, answered=False)
    watched.prober.aim(("127.0.0.1", reflector.port), TOKEN)
    await watched.probe(25)
    watched.prober.close()
    reflector.close()
    [back] = watched.backs
    assert back.not_taken
    assert back.length_s == pytest.approx(1.0)


async def test_numbers_go_on_beyond_the_field_of_the_packet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its 32 bits last 13 years at this pace; here they are three."""
    monkeypatch.setattr("sitetest.observe.watch.watch_prober._SEQUENCES", 8)
    monkeypatch.setattr("sitetest.observe.probe_packets._SEQUENCES", 7)
    reflector, watched = await reflecting(), Watched()
    watched.aim(reflector.port)
    await watched.probe(21)
    watched.prober.close()
    reflector.close()
    assert [(second.probes, second.answered) for second in watched.seconds] == [(10, 10), (10, 10)]
