"""Who this server is: an id that stays the same over restarts, and what it offers.

May import sitetest_wire, aiohttp (its version), platformdirs and the standard library.
"""

import re
from collections.abc import Callable
from pathlib import Path

import aiohttp

from sitetest_server import __version__
from sitetest_server.engine_host import EngineHost
from sitetest_server.simulated_link import IPERF3_REASON, SIMULATED
from sitetest_wire.messages import PROTOCOL_VERSION, EngineOffer, Identity, Limits
from sitetest_wire.words import EngineName

ID_FILE = "server_id"
_ID = re.compile(r"[0-9a-f]{16}")


def kept_server_id(folder: Path, new_id: Callable[[], str]) -> str:
    """Return the id kept in ``folder``, making it where there is none or what is there is no id.

    new_id: 16 hexadecimal digits. Raises OSError when it can be neither read nor written.
    """
    path = folder / ID_FILE
    try:
        kept = path.read_text(encoding="utf-8", errors="replace").strip()
    except FileNotFoundError:
        kept = ""
    if _ID.fullmatch(kept):
        return kept
    server_id = new_id()
    folder.mkdir(parents=True, exist_ok=True)
    path.write_text(server_id + "\n", encoding="utf-8")
    return server_id


def describe(
    *,
    server_id: str,
    name: str,
    limits: Limits,
    host: EngineHost,
    simulated: bool,
    congestion_control: tuple[str, ...],
    reflector_port: int | None,
) -> Identity:
    """Return the identity as it is now."""
    return Identity(
        server_id=server_id,
        name=name,
        version=__version__,
        protocol=PROTOCOL_VERSION,
        engines={
            EngineName.IPERF3: EngineOffer(usable=False, reason=IPERF3_REASON) if simulated else host.offer(),
            EngineName.HTTP: EngineOffer(usable=True, version=aiohttp.__version__),
        },
        limits=limits,
        simulated=SIMULATED if simulated else None,
        congestion_control=congestion_control,
        reflector_port=reflector_port,
    )
