"""The reflector over a real loopback socket: RFC 8762 on the wire, silence for everybody without a lease."""

import asyncio
import socket
import struct
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sitetest_server.reflector import BURST_PACKETS, MOST_PACKETS_PER_S, MOST_TOKENS, Reflector, answer
from sitetest_wire.stamp import PACKET_BYTES, ReflectorPacket, SenderPacket, stated_error_s
from sitetest_wire.stamp_token import PACKET_WITH_TOKEN_BYTES, TOKEN_BYTES, token_of, token_tlv
from sitetest_wire.stamped_datagrams import MOST_BYTES, Datagram

TOKEN = bytes(range(1, 17))
WAIT_S = 5.0


class FakeClock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@asynccontextmanager
async def reflecting(
    clock: Callable[[], float] = time.monotonic, kernel: bool | None = None, address: str | None = "127.0.0.1"
) -> AsyncIterator[Reflector]:
    reflector = await Reflector.open(address, clock=clock, kernel=kernel)
    try:
        yield reflector
    finally:
        reflector.close()
        await asyncio.sleep(0)  # a transport closes in the loop's next turn


def probe(token: bytes = TOKEN, sequence: int = 7, more: bytes = b"") -> bytes:
    return SenderPacket(sequence, 0xE8FE6F8040000000, 0x0102).encode() + token_tlv(token) + more


@asynccontextmanager
async def asking(port: int, address: str = "127.0.0.1") -> AsyncIterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.connect((address, port))
        yield sock


async def reply_to(sock: socket.socket, octets: bytes) -> bytes:
    loop = asyncio.get_running_loop()
    await loop.sock_sendall(sock, octets)
    async with asyncio.timeout(WAIT_S):
        return await loop.sock_recv(sock, 4096)


async def refused(reflector: Reflector, sock: socket.socket, octets: bytes) -> bool:
    """Send octets that must get silence, then a good packet: datagrams of one loopback socket stay in their order, so
    the first reply that comes must be that of the good one."""
    await asyncio.get_running_loop().sock_sendall(sock, octets)
    reply = ReflectorPacket.decode(await reply_to(sock, probe(sequence=999)))
    return reply.sender_sequence == 999


@pytest.mark.parametrize("kernel", [None, False], ids=["kernel stamps", "user stamps"])
async def test_a_reply_octet_by_octet(kernel: bool | None) -> None:
    """Layout: RFC 8762, figure 5; stateless: the reply's sequence number is the sender's (section 4.3)."""
    async with reflecting(kernel=kernel) as reflector, asking(reflector.port) as sock:
        reflector.admit(TOKEN, until_s=time.monotonic() + 60)
        before_s = time.time()
        octets = await reply_to(sock, probe())
        after_s = time.time()
        assert len(octets) == PACKET_WITH_TOKEN_BYTES
        assert octets[0:4] == (7).to_bytes(4, "big")
        assert octets[14:16] == bytes(2)
        assert octets[24:28] == (7).to_bytes(4, "big")
        assert octets[28:36] == bytes.fromhex("e8fe6f8040000000")
        assert octets[36:38] == bytes.fromhex("0102")
        assert octets[38:40] == bytes(2)
        assert octets[41:44] == bytes(3)
        assert octets[44:48] == bytes.fromhex("00010010"), "flags taken away, type 1, 16 octets"
        assert octets[48:] == TOKEN
        sent, received = (struct.unpack("!II", octets[at : at + 8]) for at in (4, 16))
        for seconds, fraction in (sent, received):  # NTP: 2,208,988,800 s before Unix (RFC 5905)
            assert before_s - 0.01 <= seconds - 2_208_988_800 + fraction / 2**32 <= after_s + 0.01
        assert sent >= received
        error = int.from_bytes(octets[12:14], "big")
        assert error & 0xC000 == 0, "not synchronised, NTP format"
        if reflector.kernel_stamps:
            assert octets[40] == 64, "the TTL with which Linux sends"
            assert stated_error_s(error) <= 0.001
        else:
            assert octets[40] == 0, "not told"
            assert stated_error_s(error) >= 0.005
        assert reflector.counts.answered == 1


async def test_nobody_is_answered_without_a_token_that_is_admitted() -> None:
    async with reflecting() as reflector, asking(reflector.port) as sock:
        reflector.admit(TOKEN, until_s=time.monotonic() + 60)
        wrong = [
            SenderPacket(0, 0, 1).encode(),
            probe(bytes(TOKEN_BYTES)),
            probe()[:-1],
            b"",
            bytes(MOST_BYTES + 500),
            probe(more=bytes(MOST_BYTES)),
        ]
        for octets in wrong:
            assert await refused(reflector, sock, octets)
        assert reflector.counts.unknown == len(wrong)


async def test_a_lease_ends_by_time_and_by_revoking() -> None:
    clock = FakeClock()
    async with reflecting(clock) as reflector, asking(reflector.port) as sock:
        other = bytes(TOKEN_BYTES)
        reflector.admit(TOKEN, until_s=1e9)
        reflector.admit(other, until_s=1010.0)
        assert token_of(await reply_to(sock, probe(other))) == other
        clock.now_s = 1010.0
        assert await refused(reflector, sock, probe(other))
        reflector.admit(other, until_s=1020.0)
        reflector.revoke(other)
        reflector.revoke(other)
        assert await refused(reflector, sock, probe(other))


async def test_a_lease_is_bound_to_its_host_where_one_is_named() -> None:
    """Whoever read a token off the air cannot use it from elsewhere, nor have the replies sent to a third host."""
    async with reflecting() as reflector, asking(reflector.port) as sock:
        stolen = bytes(TOKEN_BYTES)
        reflector.admit(TOKEN, until_s=time.monotonic() + 60, host="::ffff:127.0.0.1")
        reflector.admit(stolen, until_s=time.monotonic() + 60, host="192.0.2.7")
        assert await refused(reflector, sock, probe(stolen))


async def test_one_lease_has_a_pace() -> None:
    clock = FakeClock()
    async with reflecting(clock) as reflector, asking(reflector.port) as sock:
        reflector.admit(TOKEN, until_s=1e9)
        for _ in range(int(BURST_PACKETS)):
            await reply_to(sock, probe())
        await asyncio.get_running_loop().sock_sendall(sock, probe(sequence=1))
        counts = reflector.counts
        async with asyncio.timeout(WAIT_S):
            while counts.too_fast == 0:  # noqa: ASYNC110  # silence is what is waited for
                await asyncio.sleep(0)
        clock.now_s += 1.5 / MOST_PACKETS_PER_S
        assert ReflectorPacket.decode(await reply_to(sock, probe(sequence=2))).sender_sequence == 2
        assert reflector.counts.too_fast == 1


async def test_admissions_are_bounded() -> None:
    clock = FakeClock()
    async with reflecting(clock) as reflector:
        with pytest.raises(ValueError, match="16 octets, this one 3"):
            reflector.admit(b"abc", until_s=1e9)
        for number in range(MOST_TOKENS):
            reflector.admit(number.to_bytes(TOKEN_BYTES, "big"), until_s=1100.0)
        with pytest.raises(ValueError, match="admitted already"):
            reflector.admit(TOKEN, until_s=1100.0)
        clock.now_s = 1100.0
        reflector.admit(TOKEN, until_s=1200.0)


async def test_a_closed_reflector_answers_nobody() -> None:
    async with reflecting() as reflector, asking(reflector.port) as sock:
        reflector.admit(TOKEN, until_s=time.monotonic() + 60)
        reflector.close()
        reflector.close()
        with pytest.raises(ConnectionRefusedError):
            await reply_to(sock, probe())


@pytest.mark.skipif(not socket.has_dualstack_ipv6(), reason="this machine has no IPv6")
async def test_without_an_address_both_families_are_answered_from_the_address_that_was_asked() -> None:
    """A machine with several addresses answers from the one that was asked: a connected socket hears no other."""
    async with reflecting(address=None) as reflector:
        reflector.admit(TOKEN, until_s=time.monotonic() + 60)
        for address in ("127.0.0.1", "127.0.0.2"):
            async with asking(reflector.port, address) as sock:
                assert token_of(await reply_to(sock, probe())) == TOKEN
        with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as sock:
            sock.setblocking(False)
            sock.connect(("::1", reflector.port))
            assert token_of(await reply_to(sock, probe())) == TOKEN


class FakeSocket:
    """Takes what a reflector sends."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def send(self, octets: bytes, *_: object) -> None:
        self.sent.append(octets)

    def close(self) -> None:
        pass


near = st.builds(
    lambda base, cut, flags, kind, length, token, more: (
        base + bytes([flags, kind]) + length.to_bytes(2, "big") + token + more
    )[:cut],
    st.binary(min_size=PACKET_BYTES, max_size=PACKET_BYTES),
    st.integers(0, 200),
    st.integers(0, 255),
    st.sampled_from([0, 1, 1, 1, 2, 255]),
    st.sampled_from([16, 16, 16, 0, 15, 17, 65535]),
    st.sampled_from([TOKEN, TOKEN, bytes(16), TOKEN[:15]]),
    st.binary(max_size=100),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=400)
@given(octets=st.one_of(near, st.binary(max_size=300)), cut=st.booleans())
def test_no_reply_without_a_token_and_none_longer_than_the_request(octets: bytes, cut: bool) -> None:
    """No amplifier (RFC 8762, section 4.3: the reply is as long as the request), whatever arrives."""
    reflector = Reflector(clock=lambda: 0.0, wall_ns=lambda: 1_700_000_000_000_000_000)
    out = FakeSocket()
    reflector._stamped = out  # type: ignore[assignment]
    reflector.admit(TOKEN, until_s=1.0)
    reflector._take(Datagram(octets, ("192.0.2.9", 40000), 1_700_000_000_000_000_000, by_kernel=True, cut=cut))
    entitled = (
        not cut
        and len(octets) >= PACKET_BYTES + 20
        and octets[45] == 1
        and octets[46:48] == b"\x00\x10"
        and octets[48:64] == TOKEN
    )
    assert [len(reply) for reply in out.sent] == ([len(octets)] if entitled else [])


def test_a_reply_states_what_it_does_not_know_as_zero() -> None:
    reply = ReflectorPacket.decode(answer(Datagram(probe(), ("192.0.2.9", 1), 0, by_kernel=False), 0))
    assert reply.sender_ttl == 0
