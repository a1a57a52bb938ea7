"""Which TCP congestion controls this machine's kernel lets this process choose. Linux only; elsewhere none are named.

May import the standard library only.
"""

import os
from pathlib import Path

_SETTINGS = Path("/proc/sys/net/ipv4")
_NAME_BYTES = 16
"""TCP_CA_NAME_MAX of the kernel's interface."""


def choices(settings: Path = _SETTINGS, root: bool | None = None) -> tuple[str, ...]:
    """Return the names that may be asked for, the system's default first; empty where the system does not tell.

    root: whether this process may choose every one that is loaded (CAP_NET_ADMIN); None asks the system.
    """
    if root is None:
        root = hasattr(os, "geteuid") and os.geteuid() == 0
    try:
        default = (settings / "tcp_congestion_control").read_text(encoding="ascii").split()
        kind = "available" if root else "allowed"
        others = (settings / f"tcp_{kind}_congestion_control").read_text(encoding="ascii").split()
    except OSError:
        return ()
    return tuple(dict.fromkeys(default + others))


def decode(option: bytes) -> str:
    """Return the name in a TCP_CONGESTION socket option."""
    return option.split(b"\0", 1)[0].decode("ascii", "replace")


OPTION_BYTES = _NAME_BYTES
