"""Asks the system for a fresh association, where it lets an ordinary program do so.

    fresh          the system was asked and says that the laptop associated anew
    operator       the person took the laptop off the network and back on
    not_wifi       the path does not go over Wi-Fi, so there is nothing to associate
    not_possible   the system gives no way, or the way failed

Linux: NetworkManager's ``nmcli`` (the active connection of the interface is brought up again, which takes it down
first), else ``wpa_cli reassociate``. macOS and Windows are not asked: their tools need privileges or change the saved
networks. From the manual pages of nmcli(1) and wpa_cli(8), from memory; tried with stand-ins, not on a radio.

May import visit.child_process and the standard library only.
"""

import shutil
import sys
from pathlib import Path

from sitetest.observe.linux_interface import is_wifi
from sitetest.visit.child_process import run_command
from sitetest_wire.wired_link import SYSFS_NET

FRESH, OPERATOR, NOT_WIFI, NOT_POSSIBLE = "fresh", "operator", "not_wifi", "not_possible"

ASK_TIMEOUT_S = 5.0
"""For a command that only reads."""

ASSOCIATE_TIMEOUT_S = 45.0
"""For association, authentication and an address. A radar channel may need a minute before the access point itself is
on the air; the visit waits for the server afterwards in any case."""


async def reassociate(interface: str | None, *, platform: str = sys.platform, sysfs_net: Path = SYSFS_NET) -> str:
    """Ask for a fresh association of an interface; return one of the words above. interface: None when not known."""
    if platform != "linux" or interface is None or not (sysfs_net / interface).exists():
        return NOT_POSSIBLE
    if not is_wifi(interface, sysfs_net):
        return NOT_WIFI
    for way in (_by_network_manager, _by_wpa_supplicant):
        if await way(interface):
            return FRESH
    return NOT_POSSIBLE


async def _by_network_manager(interface: str) -> bool:
    if shutil.which("nmcli") is None:
        return False
    asked = await run_command(["nmcli", "-g", "GENERAL.CON-UUID", "device", "show", interface], ASK_TIMEOUT_S)
    connection = asked.output.strip()
    if not asked.worked or not connection or len(connection.splitlines()) != 1:
        return False
    wait_s = str(round(ASSOCIATE_TIMEOUT_S))
    up = ["nmcli", "--wait", wait_s, "connection", "up", "uuid", connection, "ifname", interface]
    return (await run_command(up, ASSOCIATE_TIMEOUT_S + ASK_TIMEOUT_S)).worked


async def _by_wpa_supplicant(interface: str) -> bool:
    if shutil.which("wpa_cli") is None:
        return False
    told = await run_command(["wpa_cli", "-i", interface, "reassociate"], ASK_TIMEOUT_S)
    return told.worked and told.output.splitlines()[-1:] == ["OK"]
