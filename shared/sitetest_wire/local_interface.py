"""Which interface a connection really uses: the one that has its local address.

Not the default route's, and not the one that a person thinks of: with a cable and Wi-Fi on one subnet, "Wi-Fi" tests go
through the cable. Pure. May import the standard library only.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_interface


@dataclass(frozen=True, slots=True)
class OwnAddress:
    """An address of an interface, and its mask or prefix as the system gives it; None where it gives none."""

    address: str
    mask: str | None = None


def plain_address(text: str) -> IPv4Address | IPv6Address:
    """Return an address without its zone, and one of IPv4 as such also where a socket of both families gives it."""
    address = ip_address(text.partition("%")[0])
    mapped = address.ipv4_mapped if isinstance(address, IPv6Address) else None
    return mapped or address


def interface_of(local_address: str, own: Mapping[str, Iterable[OwnAddress]]) -> str | None:
    """Return the name of the interface that has an address; None when none has it, or more than one.

    A link-local address with a zone (``fe80::1%eth0``) is that interface's. All of 127.0.0.0/8 is the interface's that
    has 127.0.0.1.
    """
    wanted = plain_address(local_address)
    zone = local_address.partition("%")[2]
    if zone in own:
        return zone
    if wanted.is_loopback and wanted.version == 4:
        wanted = IPv4Address("127.0.0.1")
    found = [name for name, entries in own.items() if any(plain_address(entry.address) == wanted for entry in entries)]
    return found[0] if len(found) == 1 else None


def is_routed(local_address: str, far_address: str, own: Iterable[OwnAddress]) -> bool | None:
    """Return whether the far end lies outside the subnet of a local address, so that a router is measured too.

    own: of the interface. None when the mask is not known, or the two are not of one family.
    """
    local, far = plain_address(local_address), plain_address(far_address)
    if local == far or (local.is_loopback and far.is_loopback):
        return False
    for entry in own:
        if plain_address(entry.address) != local or entry.mask is None or local.version != far.version:
            continue
        try:
            return far not in ip_interface(f"{local}/{_prefix(entry.mask)}").network
        except ValueError:
            return None
    return None


def _prefix(mask: str) -> str:
    """IPv6 masks come as an address (``ffff:ffff:ffff:ffff::``), which the standard library does not take."""
    if ":" not in mask:
        return mask
    return str(int(IPv6Address(mask.partition("/")[0])).bit_count())
