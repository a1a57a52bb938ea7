"""A real ``sitetest-server`` as a process of its own, for tests that talk to one.

    with server_process(tmp_path) as server:
        server.url, server.token, server.port, server.pid

It listens on a port that the system chooses, on loopback unless told otherwise, keeps its settings below the folder
given, and is stopped (SIGTERM, then SIGKILL) at the end. May import the standard library only.
"""

import os
import re
import selectors
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

READY = re.compile(r"sitetest-server ready on (?P<url>\S+?:(?P<port>\d+)) \(server id (?P<server_id>[0-9a-f]+)\)")
READY_TIMEOUT_S = 20.0
STOP_TIMEOUT_S = 5.0
TOKEN = "a-token-for-tests"


@dataclass(slots=True)
class ServerProcess:
    """A running server. stderr_path: what it said to people."""

    url: str
    port: int
    token: str
    server_id: str
    process: "subprocess.Popen[str]" = field(repr=False)
    stderr_path: Path

    @property
    def pid(self) -> int:
        """Process id."""
        return self.process.pid

    @property
    def headers(self) -> dict[str, str]:
        """What every request must carry."""
        return {"Authorization": f"Bearer {self.token}"}

    def stop(self) -> int:
        """Send SIGTERM and return the exit code; SIGKILL after a while."""
        self.process.terminate()
        try:
            return self.process.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return self.process.wait(STOP_TIMEOUT_S)


def server_environment(folder: Path) -> dict[str, str]:
    """Return this process's environment with every settings folder below ``folder``."""
    names = ("CONFIG", "STATE", "DATA", "CACHE")
    own = {f"XDG_{name}_HOME": str(folder / name.lower()) for name in names}
    return {**os.environ, "HOME": str(folder), **own}


@contextmanager
def server_process(
    folder: Path,
    *options: str,
    bind: str = "127.0.0.1",
    port: int = 0,
    token: str = TOKEN,
    command_prefix: Sequence[str] = (),
    announce: bool = False,
) -> Iterator[ServerProcess]:
    """Start a server, wait until it is ready, and stop it at the end.

    options: more of the server's own. command_prefix: such as ``ip netns exec NAME``. Raises AssertionError with what
    the server said when it does not become ready.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stderr_path = folder / "server-stderr.txt"
    command = [*command_prefix, sys.executable, "-m", "sitetest_server", "--bind", bind, "--port", str(port)]
    with stderr_path.open("w", encoding="utf-8") as stderr:
        process = subprocess.Popen(
            [*command, *([] if announce else ["--no-announce"]), *options],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=stderr,
            text=True,
            env={**server_environment(folder), "SITETEST_TOKEN": token},
        )
    try:
        line = _first_line(process)
        ready = READY.match(line)
        assert ready is not None, f"the server is not ready: {line!r}\n{stderr_path.read_text(encoding='utf-8')}"
        server = ServerProcess(
            url=ready["url"],
            port=int(ready["port"]),
            token=token,
            server_id=ready["server_id"],
            process=process,
            stderr_path=stderr_path,
        )
        yield server
        server.stop()
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(STOP_TIMEOUT_S)
        if process.stdout is not None:
            process.stdout.close()


def _first_line(process: "subprocess.Popen[str]") -> str:
    assert process.stdout is not None
    with selectors.DefaultSelector() as selector:
        selector.register(process.stdout, selectors.EVENT_READ)
        until_s = time.monotonic() + READY_TIMEOUT_S
        while time.monotonic() < until_s:
            if selector.select(0.5):
                return process.stdout.readline()
    return ""
