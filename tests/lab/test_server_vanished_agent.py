"""An agent that the network swallows in mid-transfer: the server gets its lease, its handlers and its sockets back."""

import asyncio
import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from lab_network import LAPTOP, LabNetwork
from lab_server import lab_server
from server_app import lease_request
from server_process import ServerProcess
from side_by_side import both_directions_at_once

from sitetest_wire.messages import LEASE_SILENCE_S
from sitetest_wire.words import Direction

TIME_WAIT = "06"  # linux net/tcp_states.h; what stays of a connection that was closed in good order


async def ask(server: ServerProcess, host: str, method: str, path: str, body: object = None) -> tuple[int, object]:
    """One request without a client library: it runs in a thread of another namespace."""
    reader, writer = await asyncio.open_connection(host, server.port)
    text = "" if body is None else json.dumps(body)
    writer.write(
        f"{method} {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\nAuthorization: Bearer {server.token}\r\n"
        f"Content-Length: {len(text)}\r\n\r\n{text}".encode()
    )
    answer = await reader.read()
    writer.close()
    await writer.wait_closed()
    head, _, payload = answer.partition(b"\r\n\r\n")
    return int(head.split()[1]), json.loads(payload)


@pytest.mark.lab
@pytest.mark.slow
def test_nothing_is_left_of_a_transfer_whose_agent_vanished(
    make_lab: Callable[..., LabNetwork], tmp_path: Path
) -> None:
    """The kernel by itself would hold a download's socket for a quarter of an hour (tcp_retries2 = 15, tcp(7))."""
    labs = {direction: make_lab() for direction in Direction}
    both_directions_at_once(lambda direction: nothing_is_left(labs[direction], tmp_path / direction, direction))


def nothing_is_left(lab: LabNetwork, folder: Path, direction: Direction) -> None:
    host = lab.address("server")
    lab.set_rate(50.0)

    with lab_server(lab, folder) as server:

        async def transfer() -> None:
            status, lease = await ask(
                server, host, "POST", "/v1/leases", lease_request(direction=direction, duration_s=300)
            )
            assert status == 201
            assert isinstance(lease, dict)
            reader, writer = await asyncio.open_connection(host, server.port)
            request = {
                "download": f"GET /v1/transfer/{lease['lease_id']}/download/0 HTTP/1.1\r\n",
                "upload": f"POST /v1/transfer/{lease['lease_id']}/upload/0 HTTP/1.1\r\nContent-Length: {10**12}\r\n",
            }
            writer.write(f"{request[direction]}Host: x\r\nAuthorization: Bearer {server.token}\r\n\r\n".encode())
            try:
                while True:
                    if direction == "download":
                        await reader.read(65_536)
                    else:
                        writer.write(bytes(65_536))
                        await writer.drain()
            finally:
                writer.transport.abort()
                await asyncio.sleep(0)  # the loop closes the socket in its next turn

        agent = lab.start_in(LAPTOP, transfer)
        table = Path(f"/proc/{server.pid}/net/tcp")  # of the server's namespace; addresses as in proc_pid_net(5)
        address = f"{int.from_bytes(socket.inet_aton(lab.address(LAPTOP)), sys.byteorder):08X}:"

        def connections() -> list[str]:
            rows = [line.split() for line in table.read_text().splitlines()[1:]]
            return [row[3] for row in rows if row[2].startswith(address) and row[3] != TIME_WAIT]

        async def listed() -> object:
            return (await ask(server, host, "GET", "/v1/leases"))[1]

        wait_until(lambda: lab.run_in("server", listed) != [] and len(connections()) == 1, 5.0)
        subprocess.run(["ip", "-n", lab._namespace(LAPTOP), "link", "set", "to-server", "down"], check=True)
        wait_until(lambda: lab.run_in("server", listed) == [], LEASE_SILENCE_S + 3.0)
        wait_until(lambda: connections() == [], 2.0)
        agent.cancel()


def wait_until(condition: Callable[[], bool], timeout_s: float) -> None:
    until_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < until_s, f"not so after {timeout_s} s"
        time.sleep(0.05)
