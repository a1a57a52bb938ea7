"""The prober: round trips, loss, reordering, duplicates, clock jumps; a reflector of the test's own plays the network.

No RTT formula is taken from the code: RTT = (T4 - T1) - (T3 - T2) is RFC 8762's usual form, and every figure expected
here was set by the test's own clocks.
"""

import asyncio
import errno
import socket
import time
from collections.abc import Callable

import pytest

from sitetest.observe.probe_record import LatencyRecord, NoLatency, NoRtt, Phase, Probe, Stamps, by_second
from sitetest.observe.prober import LatencyProber
from sitetest.observe.round_trip import ClockReading, ProbeClocks, round_trip
from sitetest.stats.latency import summarise
from sitetest_server.reflector import Reflector
from sitetest_wire.stamp import PACKET_BYTES, ReflectorPacket, SenderPacket, error_estimate, ntp_from_unix_ns
from sitetest_wire.stamp_token import token_tlv
from sitetest_wire.stamped_datagrams import Datagram

TOKEN = bytes(range(16))
MS = 1_000_000
T1 = 1_700_000_000_000_000_000


def reply(*, residence_ns: int = 0, error_s: float = 0.0002, offset_ns: int = 0) -> ReflectorPacket:
    there = T1 + offset_ns
    return ReflectorPacket(
        0, ntp_from_unix_ns(there + residence_ns), error_estimate(error_s), ntp_from_unix_ns(there), 0, 0, 1, 64
    )


def arrived(at_ns: int, *, by_kernel: bool = True) -> Datagram:
    return Datagram(b"", ("192.0.2.1", 1), at_ns, by_kernel)


SENT = ClockReading(T1, 0)


@pytest.mark.parametrize("offset_ns", [0, -3600 * 10**9, 10**15], ids=["same clock", "an hour behind", "days ahead"])
def test_residence_is_taken_out_and_the_far_clock_does_not_matter(offset_ns: int) -> None:
    """30 ms at the reflector, 12 ms on the way, read 5 ms after the kernel's stamp."""
    read = ClockReading(T1 + 47 * MS, 47 * MS)
    found = round_trip(SENT, read, arrived(T1 + 42 * MS), reply(residence_ns=30 * MS, offset_ns=offset_ns))
    assert found.rtt_ms == pytest.approx(12.0, abs=1e-5)
    assert found.stamps is Stamps.KERNEL_BOTH


def test_who_took_the_times_is_said() -> None:
    read = ClockReading(T1 + 10 * MS, 10 * MS)
    here = round_trip(SENT, read, arrived(T1 + 8 * MS), reply(error_s=0.005))
    assert here.stamps is Stamps.KERNEL_HERE
    assert here.rtt_ms == pytest.approx(8.0)
    user = round_trip(SENT, read, arrived(T1 + 8 * MS, by_kernel=False), reply())
    assert user.stamps is Stamps.USER
    assert user.rtt_ms == pytest.approx(10.0), "by the steady clock"


@pytest.mark.parametrize("jump_ns", [-3600 * 10**9, -MS, MS, 10**9])
@pytest.mark.parametrize("by_kernel", [True, False])
def test_a_clock_that_was_set_in_between_rejects_the_sample(jump_ns: int, by_kernel: bool) -> None:
    """The steady clock stands still in sleep, so that sleep looks the same."""
    read = ClockReading(T1 + 10 * MS + jump_ns, 10 * MS)
    found = round_trip(SENT, read, arrived(T1 + 8 * MS + jump_ns, by_kernel=by_kernel), reply())
    assert (found.rtt_ms, found.why) == (None, NoRtt.CLOCK_JUMP)


def test_a_clock_under_ntp_and_doubtful_readings_are_no_jump() -> None:
    """RFC 5905: at most 500 ppm, so 1 ms in two seconds; and two clocks cannot be read at once."""
    slewed = ClockReading(T1 + 2000 * MS + MS, 2000 * MS)
    assert round_trip(SENT, slewed, arrived(T1 + 2000 * MS), reply()).why is None
    held_up = ClockReading(T1 + 10 * MS + 4 * MS, 10 * MS, doubt_ns=9 * MS)
    assert round_trip(SENT, held_up, arrived(T1 + 8 * MS), reply()).why is None


@pytest.mark.parametrize("residence_ns", [-MS, 50 * MS], ids=["below zero", "longer than the round trip"])
def test_a_reflector_whose_times_contradict_ours_gives_no_sample(residence_ns: int) -> None:
    read = ClockReading(T1 + 10 * MS, 10 * MS)
    assert round_trip(SENT, read, arrived(T1 + 8 * MS), reply(residence_ns=residence_ns)).why is NoRtt.BAD_REPLY


# -- on the wire -------------------------------------------------------------------------------------------------


class Network(asyncio.DatagramProtocol):
    """Plain RFC 8762, written out by hand. play: gets the number of packets so far, the octets and a function that
    sends a reply made from octets."""

    def __init__(self, play: Callable[[int, bytes, Callable[[bytes], None]], None]) -> None:
        self.play = play
        self.seen: list[bytes] = []
        self.transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:  # type: ignore[override]
        self.transport = transport

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.seen.append(data)

        def send(request: bytes) -> None:
            now = ntp_from_unix_ns(time.time_ns())
            sender = SenderPacket.decode(request)
            packet = ReflectorPacket(
                sender.sequence, now, 0x0101, now, sender.sequence, sender.timestamp, sender.error, 64
            )
            assert self.transport is not None
            self.transport.sendto(packet.encode() + request[PACKET_BYTES:], addr)

        self.play(len(self.seen), data, send)


async def probed(
    play: Callable[[int, bytes, Callable[[bytes], None]], None],
    count: int,
    *,
    token: bytes | None = None,
    timeout_s: float = 0.2,
    kernel: bool | None = None,
) -> tuple[LatencyRecord, Network]:
    network = Network(play)
    enough = asyncio.Event()

    def counted(number: int, octets: bytes, send: Callable[[bytes], None]) -> None:
        play(number, octets, send)
        if number >= count:
            enough.set()

    network.play = counted
    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        lambda: network, local_addr=("127.0.0.1", 0)
    )
    try:
        port = transport.get_extra_info("sockname")[1]
        prober = LatencyProber(("127.0.0.1", port), token, interval_s=0.002, timeout_s=timeout_s, kernel=kernel)
        task = asyncio.create_task(prober.run())
        async with asyncio.timeout(10):
            await enough.wait()
        record = await prober.finish()
        await task
        return record, network
    finally:
        transport.close()
        await asyncio.sleep(0)


@pytest.mark.parametrize("kernel", [None, False], ids=["kernel stamps", "user stamps"])
async def test_any_reflector_of_the_rfc_will_do(kernel: bool | None) -> None:
    """Layout of what is sent: RFC 8762, figure 2, and nothing behind it without a token."""
    record, network = await probed(lambda _, octets, send: send(octets), 5, kernel=kernel)
    assert record.why is None
    assert [probe.sequence for probe in record.probes] == list(range(len(record.probes)))
    assert all(probe.why is None and probe.rtt_ms is not None and 0 < probe.rtt_ms < 100 for probe in record.probes)
    for number, octets in enumerate(network.seen):
        assert len(octets) == PACKET_BYTES
        assert octets[:4] == number.to_bytes(4, "big")
        assert octets[14:] == bytes(30)
        assert int.from_bytes(octets[4:8], "big") - 2_208_988_800 == pytest.approx(time.time(), abs=60)
        assert octets[13] != 0, "a multiplier MUST NOT be 0 (RFC 4656, section 4.1.2)"


async def test_the_token_follows_the_packet() -> None:
    _, network = await probed(lambda _, octets, send: send(octets), 2, token=TOKEN)
    assert network.seen[0][PACKET_BYTES:] == token_tlv(TOKEN) == bytes.fromhex("80010010") + TOKEN


async def test_unanswered_probes_are_lost_and_stay_in_the_record() -> None:
    """RFC 2681, section 2.4: lost is not left out."""
    record, _ = await probed(lambda number, octets, send: send(octets) if number % 3 else None, 9)
    lost = [probe.sequence for probe in record.probes if probe.why is NoRtt.LOST]
    assert lost[:3] == [2, 5, 8]
    summary = summarise(record.rtts_ms(Phase.IDLE_BEFORE))
    assert (summary.sent, summary.lost) == (len(record.probes), len(lost))


async def test_duplicates_and_reordering_are_counted_and_change_no_round_trip() -> None:
    held: list[bytes] = []

    def play(number: int, octets: bytes, send: Callable[[bytes], None]) -> None:
        if number == 2:
            held.append(octets)  # the second comes after the third
        else:
            send(octets)
        if number == 3:
            send(held[0])
        if number == 5:
            send(octets)

    record, _ = await probed(play, 6)
    assert (record.duplicates, record.reordered, record.late) == (1, 1, 0)
    assert all(probe.why is None for probe in record.probes)


async def test_a_late_reply_is_a_lost_probe() -> None:
    held: list[tuple[bytes, float]] = []

    def play(number: int, octets: bytes, send: Callable[[bytes], None]) -> None:
        if number == 1:
            held.append((octets, time.monotonic()))
            return
        send(octets)
        if held and time.monotonic() - held[0][1] > 0.06:
            send(held.pop()[0])

    record, _ = await probed(play, 60, timeout_s=0.05)
    assert record.probes[0].why is NoRtt.LOST
    assert record.late == 1


async def test_replies_that_are_not_ours_are_passed_over() -> None:
    def play(number: int, octets: bytes, send: Callable[[bytes], None]) -> None:
        packet = SenderPacket.decode(octets)
        send(SenderPacket(packet.sequence, packet.timestamp ^ 1, 1).encode())  # another time than ours
        send(SenderPacket(packet.sequence + 10_000, packet.timestamp, 1).encode())  # never sent

    record, _ = await probed(play, 3, timeout_s=0.05)
    assert record.why is NoLatency.NO_ANSWER
    assert all(probe.why is NoRtt.LOST for probe in record.probes)


async def test_phases_are_marked_as_the_probes_are_sent() -> None:
    reflector = await Reflector.open("127.0.0.1")
    reflector.admit(TOKEN, until_s=time.monotonic() + 60)
    prober = LatencyProber(("127.0.0.1", reflector.port), TOKEN, interval_s=0.01)
    task = asyncio.create_task(prober.run())
    async with asyncio.timeout(10):
        for phase in Phase:
            prober.enter(phase)
            while not prober.record().rtts_ms(phase):  # noqa: ASYNC110  # nothing tells of a probe
                await asyncio.sleep(0.005)
    record = await prober.finish()
    await task
    reflector.close()
    assert [phase for phase in Phase if record.rtts_ms(phase)] == list(Phase)
    if reflector.kernel_stamps:
        assert {probe.stamps for probe in record.probes} == {Stamps.KERNEL_BOTH}


async def test_a_port_that_nobody_listens_on_gives_a_reason_at_once() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        port = sock.getsockname()[1]
    prober = LatencyProber(("127.0.0.1", port), interval_s=0.002)
    async with asyncio.timeout(10):
        await prober.run()
    assert prober.record().why is NoLatency.NO_REFLECTOR


async def test_silence_gives_a_reason() -> None:
    record, _ = await probed(lambda *_: None, 3, timeout_s=0.02)
    assert record.why is NoLatency.NO_ANSWER


async def test_an_unknown_host_gives_a_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    async def nothing(*_: object, **__: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "no such name")

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", nothing)
    prober = LatencyProber(("counter.invalid", 1))
    await prober.run()
    assert prober.record().why is NoLatency.NO_SUCH_HOST


async def test_what_the_system_does_not_send_is_no_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    """A full queue of the laptop's own says nothing about the network."""

    def full(*_: object) -> int:
        raise OSError(errno.ENOBUFS, "no buffer space")

    monkeypatch.setattr("sitetest_wire.stamped_datagrams.StampedSocket.send", full)
    prober = LatencyProber(("127.0.0.1", 9), interval_s=0.001)
    task = asyncio.create_task(prober.run())
    async with asyncio.timeout(10):
        while len(prober.record().probes) < 3:  # noqa: ASYNC110  # nothing tells of a probe
            await asyncio.sleep(0.001)
    record = await prober.finish()
    await task
    assert {probe.why for probe in record.probes} == {NoRtt.NOT_SENT}
    assert record.rtts_ms(Phase.IDLE_BEFORE) == ()


async def test_a_prober_that_never_ran_says_so() -> None:
    assert LatencyProber(("127.0.0.1", 9)).record() == LatencyRecord(why=NoLatency.NOT_SAMPLED)


class HeldUp:
    """A laptop that is held up for a second between two probes."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.waits = 0

    def ns(self) -> int:
        return round(self.now_s * 1e9)

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(0)
        self.waits += 1
        self.now_s += duration_s + (1.005 if self.waits == 3 else 0.0)


async def test_missed_probes_are_left_out_and_not_sent_in_a_burst() -> None:
    laptop = HeldUp()
    clocks = ProbeClocks(wall_ns=laptop.ns, steady_ns=laptop.ns, monotonic_s=lambda: laptop.now_s)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        prober = LatencyProber(sock.getsockname(), clocks=clocks, sleep=laptop.sleep)
        task = asyncio.create_task(prober.run())
        while laptop.waits < 8:  # noqa: ASYNC110  # the fake clock's own turns
            await asyncio.sleep(0)
        record = await prober.finish()
        await task
    times = [probe.sent_at_s for probe in record.probes[:6]]
    assert times == pytest.approx([100.0, 100.02, 100.04, 101.065, 101.08, 101.1], abs=1e-6)


def test_probes_by_second() -> None:
    probes = [Probe(Phase.LOADED, n, at_s, 1.0) for n, at_s in enumerate([9.99, 10.0, 10.99, 11.0, 12.0])]
    assert [[probe.sequence for probe in second] for second in by_second(probes, 10.0, 2)] == [[1, 2], [3]]


def test_a_window_cuts_a_phase() -> None:
    record = LatencyRecord(tuple(Probe(Phase.LOADED, n, float(n), float(n)) for n in range(5)))
    assert record.rtts_ms(Phase.LOADED, from_s=1.0, until_s=3.0) == (1.0, 2.0)
    assert record.rtts_ms(Phase.IDLE_AFTER) == ()
