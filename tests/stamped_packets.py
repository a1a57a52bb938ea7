"""One test packet of RFC 8762 with a token to a reflector on loopback, and its reply.

May import sitetest_wire and the standard library.
"""

import asyncio
import socket

from sitetest_wire.stamp import ReflectorPacket, SenderPacket
from sitetest_wire.stamp_token import token_tlv


async def ask(port: int, token: bytes, sequence: int, source: str = "127.0.0.1") -> bytes:
    """Send one test packet. The reply, which must be as long; empty when none comes."""
    loop = asyncio.get_running_loop()
    packet = SenderPacket(sequence, 0xE8FE6F8040000000, 0x0102).encode() + token_tlv(token)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.bind((source, 0))
        sock.connect(("127.0.0.1", port))
        await loop.sock_sendall(sock, packet)
        try:
            async with asyncio.timeout(0.2 if sequence >= SILENCE else 5.0):
                reply = await loop.sock_recv(sock, 4096)
        except TimeoutError:
            return b""
    assert len(reply) == len(packet)
    assert ReflectorPacket.decode(reply).sender_sequence == sequence
    return reply


SILENCE = 1000
"""Sequence numbers from here on are of packets that must get silence: they are waited for less long."""
