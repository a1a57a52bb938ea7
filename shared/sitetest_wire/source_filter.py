"""A TCP listener that hears one host only, although a C library that knows nothing of it does the accepting.

A classic BPF program on the listening socket drops every segment from another source address before the kernel answers
it: strangers get silence, as from a machine that is not there. Accepted connections inherit it. Most kernels take it
from anybody, some from root alone. Instructions, extensions and the negative offset of the IP header are those of
Linux's ``linux/filter.h``; the places of the source addresses are those of RFC 791 (section 3.1) and RFC 8200 (section
3). Linux only. May import the standard library and this package only.
"""

import ctypes
import socket
import struct
import sys
from ipaddress import IPv4Address, IPv6Address

_SO_ATTACH_FILTER = 26  # asm-generic/socket.h
_IP_HEADER = 0xFFF00000  # SKF_NET_OFF, linux/filter.h: offsets from here on count from the IP header
_LOAD_BYTE, _LOAD_WORD, _SHIFT_RIGHT, _JUMP_IF_EQUAL, _RETURN = 0x30, 0x20, 0x74, 0x15, 0x06
_WHOLE, _NOTHING = 0xFFFFFFFF, 0
_INSTRUCTION = struct.Struct("=HBBI")
_PROGRAM = struct.Struct("@HP")

_SOURCE_AT = {4: 12, 6: 8}


def program_for(address: IPv4Address | IPv6Address) -> list[tuple[int, int, int, int]]:
    """Return the program (code, jump if true, jump if not, operand): the whole segment from that address, else none."""
    words = struct.unpack(f"!{len(address.packed) // 4}I", address.packed)
    checks: list[tuple[int, int]] = [(_JUMP_IF_EQUAL, address.version)]
    for index, word in enumerate(words):
        checks += [(_LOAD_WORD, _IP_HEADER + _SOURCE_AT[address.version] + 4 * index), (_JUMP_IF_EQUAL, word)]
    last = len(checks)
    return [
        (_LOAD_BYTE, 0, 0, _IP_HEADER),
        (_SHIFT_RIGHT, 0, 0, 4),
        *((code, 0, last - place if code == _JUMP_IF_EQUAL else 0, k) for place, (code, k) in enumerate(checks)),
        (_RETURN, 0, 0, _WHOLE),
        (_RETURN, 0, 0, _NOTHING),
    ]


def hear_only(listener: socket.socket, address: IPv4Address | IPv6Address) -> None:
    """Let a listener hear one address. Raises OSError where the system cannot do that."""
    if sys.platform != "linux":
        raise OSError(f"no such filter on {sys.platform}")
    program = b"".join(_INSTRUCTION.pack(*instruction) for instruction in program_for(address))
    kept = ctypes.create_string_buffer(program, len(program))
    count = len(program) // _INSTRUCTION.size
    listener.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, _PROGRAM.pack(count, ctypes.addressof(kept)))
