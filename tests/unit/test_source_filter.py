"""A listener that hears one host only: the program, and what the kernel makes of it on loopback.

All of 127.0.0.0/8 is this machine (RFC 1122, 3.2.1.3), so that one machine can be several hosts.
"""

import socket
import struct
from contextlib import suppress
from ipaddress import IPv4Address, IPv6Address, ip_address

import pytest
from hypothesis import given
from hypothesis import strategies as st
from socket_filters import needs_filter

from sitetest_wire.source_filter import hear_only, program_for

IP_HEADER = 0xFFF00000  # SKF_NET_OFF, linux/filter.h


def verdict(program: list[tuple[int, int, int, int]], header: bytes) -> int:
    """Run a program over an IP header as the kernel does (its Documentation/networking/filter.rst)."""
    accumulator = place = 0
    while True:
        code, if_true, if_not, k = program[place]
        place += 1
        match code:
            case 0x30:
                accumulator = header[k - IP_HEADER]
            case 0x20:
                (accumulator,) = struct.unpack_from("!I", header, k - IP_HEADER)
            case 0x74:
                accumulator >>= k
            case 0x15:
                place += if_true if accumulator == k else if_not
            case 0x06:
                return k
            case _:
                raise AssertionError(f"unknown instruction {code:#x}")


def header_from(address: IPv4Address | IPv6Address) -> bytes:
    """An IP header with this source: RFC 791, 3.1, octets 12 to 15; RFC 8200, 3, octets 8 to 23."""
    if address.version == 4:
        return b"\x45" + bytes(11) + address.packed + bytes(4)
    return b"\x60" + bytes(7) + address.packed + bytes(16)


addresses = st.ip_addresses()


@given(addresses, addresses)
def test_the_program_lets_the_whole_of_one_source_pass_and_nothing_of_any_other(
    one: IPv4Address | IPv6Address, other: IPv4Address | IPv6Address
) -> None:
    program = program_for(one)
    assert verdict(program, header_from(one)) == 0xFFFFFFFF
    assert verdict(program, header_from(other)) == (0xFFFFFFFF if one == other else 0)


@given(addresses.filter(lambda address: address.version == 6), st.integers(0, 127))
def test_every_bit_of_the_address_counts(one: IPv6Address, bit: int) -> None:
    other = IPv6Address(int(one) ^ 1 << bit)
    assert verdict(program_for(one), header_from(other)) == 0


def connects(port: int, source: str, target: str = "127.0.0.1") -> bool:
    with socket.socket(socket.AF_INET6 if ":" in source else socket.AF_INET) as sock:
        sock.bind((source, 0))
        sock.settimeout(0.2 if source == "127.0.0.3" else 5)
        try:
            sock.connect((target, port))
        except TimeoutError:
            return False
    return True


@needs_filter
@pytest.mark.parametrize("dual", [False, True], ids=["IPv4", "both families"])
def test_the_kernel_gives_strangers_silence(dual: bool) -> None:
    """On a listener of both families too, where the one host shows as an IPv4-mapped address."""
    if dual and not socket.has_dualstack_ipv6():
        pytest.skip("this machine has no IPv6")
    family = socket.AF_INET6 if dual else socket.AF_INET
    with socket.create_server(("" if dual else "127.0.0.1", 0), family=family, dualstack_ipv6=dual) as listener:
        port = listener.getsockname()[1]
        assert connects(port, "127.0.0.3"), "before it hears one only"
        hear_only(listener, ip_address("127.0.0.2"))
        assert not connects(port, "127.0.0.3")
        assert connects(port, "127.0.0.2")


@needs_filter
def test_payload_passes_whole_over_what_was_accepted() -> None:
    """Accepted connections inherit the filter; it cuts nothing."""
    payload = bytes(range(256)) * 4000
    with socket.create_server(("127.0.0.1", 0)) as listener:
        hear_only(listener, ip_address("127.0.0.1"))
        with socket.create_connection(listener.getsockname(), 5) as client, listener.accept()[0] as server:
            client.setblocking(False)
            sent = got = 0
            while got < len(payload):
                with suppress(BlockingIOError):
                    sent += client.send(payload[sent:])
                part = server.recv(65536)
                assert part == payload[got : got + len(part)]
                got += len(part)
