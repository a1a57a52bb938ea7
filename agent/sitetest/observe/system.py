"""What system this is: facts that make two results comparable or not. Read once. Never raises.

May import sitetest_wire, psutil, observe and the standard library only.
"""

import platform
import socket
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil

from sitetest.observe.link.reasons import Reason
from sitetest_wire.local_interface import OwnAddress

CONGESTION_CONTROL = Path("/proc/sys/net/ipv4/tcp_congestion_control")


@dataclass(frozen=True, slots=True)
class SystemFacts:
    """os: Linux, Darwin or Windows. kernel: its release. build: the vendor's version text. machine: architecture.
    python: version. congestion_control: the default for new connections. why: a reason for each None."""

    os: str | None
    kernel: str | None
    build: str | None
    machine: str | None
    python: str
    congestion_control: str | None
    why: Mapping[str, str] = field(default_factory=dict)


def system_facts(*, congestion_control: Path = CONGESTION_CONTROL) -> SystemFacts:
    """Read them now."""
    told = platform.uname()
    values = {
        "os": told.system or None,
        "kernel": told.release or None,
        "build": told.version or None,
        "machine": told.machine or None,
        "congestion_control": _line(congestion_control),
    }
    why = {name: Reason.NOT_SUPPORTED_BY_OS for name, value in values.items() if value is None}
    return SystemFacts(python=platform.python_version(), why=why, **values)


def own_addresses(addresses: Callable[[], Mapping[str, Any]] = psutil.net_if_addrs) -> dict[str, list[OwnAddress]]:
    """Return every interface's IP addresses for `sitetest_wire.local_interface`; empty where none are told."""
    try:
        listed = addresses()
    except (OSError, psutil.Error):
        return {}
    return {
        name: [
            OwnAddress(entry.address, entry.netmask)
            for entry in entries
            if entry.family in (socket.AF_INET, socket.AF_INET6)
        ]
        for name, entries in listed.items()
    }


def _line(file: Path) -> str | None:
    try:
        return file.read_text().strip() or None
    except OSError:
        return None
