"""What Linux tells about a wired interface through the ``SIOCETHTOOL`` ioctl, with an ordinary user's rights.

Structures and numbers: Linux include/uapi/linux/ethtool.h. Decoding is pure; :func:`ask` is the ioctl, and raises
OSError (``EOPNOTSUPP`` where the driver does not tell, ``ENODEV`` for no such interface) or NotImplementedError where
there is no such ioctl. May import the standard library only.
"""

import array
import socket
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass

_SIOCETHTOOL = 0x8946  # linux/sockios.h
_GDRVINFO = 0x00000003
_GEEE = 0x00000044
_GLINKSETTINGS = 0x0000004C
_IFREQ = struct.Struct("@16sP16x")
_LINK = struct.Struct("=IIBBBBBBBbBBBB28x")
_EEE = struct.Struct("=IIIIIIII8x")
_DRIVER = struct.Struct("=I32s32s32s32s32s12x20x")
_NOT_KNOWN_MBPS = 0xFFFFFFFF
_DUPLEX = {0: "half", 1: "full"}

Ask = Callable[[str, bytes], bytes]
"""(interface, request) -> answer, as :func:`ask` does it."""


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """speed_mbps, duplex ("half", "full"): None where the driver does not know. autonegotiation: as it is set."""

    speed_mbps: int | None
    duplex: str | None
    autonegotiation: bool


@dataclass(frozen=True, slots=True)
class DriverInfo:
    """Names as the driver gives them; None for an empty one."""

    driver: str | None
    version: str | None
    firmware: str | None


def ask(interface: str, request: bytes) -> bytes:
    """Send one request about an interface in this network namespace and return the kernel's answer."""
    if sys.platform != "linux":
        raise NotImplementedError("SIOCETHTOOL is Linux's")
    import fcntl  # noqa: PLC0415  # exists on Unix only

    buffer = array.array("B", request)
    name = interface.encode()[:15]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        fcntl.ioctl(sock.fileno(), _SIOCETHTOOL, _IFREQ.pack(name, buffer.buffer_info()[0]))
    return buffer.tobytes()


def link_settings(interface: str, ask: Ask = ask) -> LinkSettings:
    """Return speed and duplex. The first answer only says for how many words of link modes the second needs room."""
    words = -_LINK.unpack_from(ask(interface, _link_request(0)))[9]
    if not 0 < words < 128:
        raise OSError(f"{interface}: ethtool answers with {-words} words of link modes")
    return decode_link_settings(ask(interface, _link_request(words)))


def decode_link_settings(answer: bytes) -> LinkSettings:
    """Decode ``struct ethtool_link_settings``. Raises struct.error when it is too short."""
    _, speed, duplex, _, _, autonegotiation, *_ = _LINK.unpack_from(answer)
    return LinkSettings(
        speed_mbps=None if speed in (0, _NOT_KNOWN_MBPS) else speed,
        duplex=_DUPLEX.get(duplex),
        autonegotiation=bool(autonegotiation),
    )


def eee_active(interface: str, ask: Ask = ask) -> bool:
    """Return whether Energy-Efficient Ethernet is in use on the link (``struct ethtool_eee``, ``eee_active``)."""
    return bool(_EEE.unpack_from(ask(interface, _EEE.pack(_GEEE, *[0] * 7)))[4])


def driver_info(interface: str, ask: Ask = ask) -> DriverInfo:
    """Return the driver's name and versions (``struct ethtool_drvinfo``)."""
    _, driver, version, firmware, _, _ = _DRIVER.unpack_from(ask(interface, _DRIVER.pack(_GDRVINFO, *[b""] * 5)))
    return DriverInfo(_text(driver), _text(version), _text(firmware))


def _link_request(words: int) -> bytes:
    return _LINK.pack(_GLINKSETTINGS, 0, 0, 0, 0, 0, 0, 0, 0, words, 0, 0, 0, 0) + bytes(3 * 4 * words)


def _text(field: bytes) -> str | None:
    text = field.split(b"\0")[0].decode("utf-8", "replace").strip()
    return text if text and text != "N/A" else None
