"""The lab itself: what other tests take as truth is what the kernel was told."""

import asyncio
import os
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from lab_network import LabNetwork, truth_mbps

pytestmark = pytest.mark.lab


FILL_BYTES = 1_000_000  # four times what the bucket holds when it starts full


async def _pour(address: str, total: int) -> float:
    """Send ``total`` bytes to a sink and return how many seconds its last ``total`` - FILL_BYTES took to arrive."""
    reader, writer = await asyncio.open_connection(address, 9000)
    writer.write(bytes(total))
    writer.write_eof()
    answer = await reader.read()
    writer.close()
    return float(answer)


async def _sink() -> None:
    async def swallow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        clock = asyncio.get_running_loop().time
        received, filled_at_s = 0, clock()
        while part := await reader.read(65536):
            if received < FILL_BYTES:
                filled_at_s = clock()
            received += len(part)
        writer.write(str(clock() - filled_at_s).encode())
        writer.close()

    async with await asyncio.start_server(swallow, "0.0.0.0", 9000) as server:
        await server.serve_forever()


async def _until_open(address: str) -> None:
    while True:
        try:
            _, writer = await asyncio.open_connection(address, 9000)
        except ConnectionRefusedError:
            await asyncio.sleep(0.01)
        else:
            writer.close()
            return


def test_a_bucket_lets_the_told_rate_through(lab: LabNetwork) -> None:
    """8 MB through 100 Mbit/s take what rate x MSS / frame says, within 3 %, once the full bucket has been used up."""
    lab.set_rate(100)
    lab.start_in("server", _sink)
    lab.run_in("laptop", lambda: _until_open(lab.address("server")))
    took_s = lab.run_in("laptop", lambda: _pour(lab.address("server"), FILL_BYTES + 8_000_000))
    assert 8_000_000 * 8 / 1e6 / took_s == pytest.approx(truth_mbps(100), rel=0.03)


def test_a_thread_in_a_namespace_does_not_move_the_others(lab: LabNetwork) -> None:
    """The laptop's interface is seen inside the namespace and nowhere else."""

    async def interfaces() -> set[str]:
        return {name for _, name in socket.if_nameindex()}

    assert "to-server" in lab.run_in("laptop", interfaces)
    assert "to-server" not in {name for _, name in socket.if_nameindex()}


def test_link_down_and_up(lab: LabNetwork) -> None:
    """The peer's link goes away and comes back."""

    def carrier() -> str:
        process = lab.popen_in("laptop", ["cat", "/sys/class/net/to-server/carrier"])
        return process.communicate()[0].decode().strip()

    assert carrier() == "1"
    lab.link_down()
    assert carrier() == "0"
    lab.link_up()
    assert carrier() == "1"


def test_everything_is_removed(make_lab: Callable[..., LabNetwork]) -> None:
    """No namespace and no process stays behind, even of what still ran."""
    lab = make_lab(("server", "far"))
    names = list(lab._made)
    sleeper = lab.popen_in("far", ["sleep", "60"])
    forever = lab.start_in("server", lambda: asyncio.sleep(60))
    lab.close()
    assert forever.done()
    assert sleeper.poll() is not None
    assert len(names) == 3
    assert not [name for name in names if (Path("/run/netns") / name).exists()]


def test_a_failed_setup_removes_what_it_made() -> None:
    """A second peer that cannot be made (the name is taken) does not leave the first one behind."""
    before = set(Path("/run/netns").glob("sitetest-*"))
    with pytest.raises(RuntimeError, match="File exists"):
        LabNetwork(("server", "server"))
    mine = f"sitetest-{os.getpid()}-"
    assert not [path for path in set(Path("/run/netns").glob("sitetest-*")) - before if path.name.startswith(mine)]


def test_segmentation_offload_is_off_at_both_ends(lab: LabNetwork) -> None:
    """Otherwise the bucket would count frames of 64 KiB."""
    for name, device in (("laptop", "to-server"), ("server", "to-laptop")):
        process = lab.popen_in(name, ["ethtool", "-k", device], stderr=subprocess.STDOUT)
        text = process.communicate()[0].decode()
        assert "tcp-segmentation-offload: off" in text
        assert "generic-segmentation-offload: off" in text
        assert "generic-receive-offload: off" in text
