"""A real server process that paces its payload, so that loopback neither saturates the laptop nor the test's patience.

May import server_process only.
"""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from server_process import ServerProcess, server_process

DOWNLOAD_MBPS, UPLOAD_MBPS = 120, 80


@contextmanager
def paced_server(folder: Path) -> Iterator[ServerProcess]:
    """Run it; its state lives in the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    rates = {"download_mbps": DOWNLOAD_MBPS, "upload_mbps": UPLOAD_MBPS}
    link = folder / "link.json"
    link.write_text(json.dumps({"current": "auto", "configs": {"auto": rates}}), encoding="utf-8")
    with server_process(folder, "--simulate-link", str(link)) as running:
        yield running
