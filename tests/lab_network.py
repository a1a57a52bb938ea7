"""A small network on one machine: namespaces joined by veth pairs, with a kernel token bucket on every sending side.

    laptop 10.77.1.1 ---- 10.77.1.2 server
       `-- 10.77.2.1 ---- 10.77.2.2 far          (one link a peer; the hub is always called "laptop")

Promises: names are unique to this process; the addresses exist inside the namespaces only; nothing outside them is
changed; everything is removed by :meth:`LabNetwork.close`, which also runs after a failed setup and at exit. Congestion
control is the machine's own default, which a namespace inherits; a test that needs another one asks for it per socket.

Needs root, iproute2 and ethtool: see `system_requirements.py`. May import the standard library and pytest only.
"""

import asyncio
import atexit
import contextlib
import ctypes
import itertools
import os
import subprocess
import threading
from collections.abc import Callable, Coroutine, Iterator, Sequence
from concurrent.futures import Future
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Generic, Self, TypeVar

import pytest

Result = TypeVar("Result")
CoroutineFactory = Callable[[], Coroutine[Any, Any, Result]]

LAPTOP = "laptop"
FRAME_BYTES = 1514
"""A full Ethernet frame as the kernel's tbf counts it: 1500 of MTU and 14 of header, no FCS (linux net/sched)."""
MSS_BYTES = 1448
"""TCP payload of a full frame with timestamps: 1500 - 20 (IPv4) - 20 (TCP) - 12 (RFC 7323, appendix A)."""

_CLONE_NEWNET = 0x40000000  # linux/sched.h
_serial = itertools.count()


def truth_mbps(rate_mbps: float) -> float:
    """Return the goodput in Mbit/s of TCP through a token bucket of ``rate_mbps``: rate x MSS / frame."""
    return rate_mbps * MSS_BYTES / FRAME_BYTES


class NamespaceTask(Generic[Result]):
    """A coroutine with an event loop of its own, in a thread that lives in a network namespace."""

    def __init__(self, namespace: Path, factory: CoroutineFactory[Result]) -> None:
        self._future: Future[Result] = Future()
        self._task: asyncio.Task[Result] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._cancelled = False
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, args=(namespace, factory), daemon=True)
        self._thread.start()

    def _run(self, namespace: Path, factory: CoroutineFactory[Result]) -> None:
        async def main() -> Result:
            with self._lock:
                self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()
                if self._cancelled and self._task is not None:
                    self._task.cancel()
            return await factory()

        try:
            _enter(namespace)
            self._future.set_result(asyncio.run(main()))
        except BaseException as problem:  # noqa: BLE001  # handed to whoever asks for the result
            self._future.set_exception(problem)

    def result(self, timeout_s: float = 60.0) -> Result:
        """Wait for the coroutine and return its result, or raise what it raised. Blocks the calling thread."""
        try:
            return self._future.result(timeout_s)
        finally:
            if self._future.done():
                self._thread.join(timeout_s)

    def done(self) -> bool:
        """Whether the coroutine has ended."""
        return self._future.done()

    def cancel(self, timeout_s: float = 10.0) -> None:
        """Cancel the coroutine and wait until its thread has ended. Does nothing when it has ended already."""
        with self._lock:
            self._cancelled = True
            if self._loop is not None and self._task is not None and not self._loop.is_closed():
                with contextlib.suppress(RuntimeError):  # the loop closed this very moment
                    self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(timeout_s)


class LabNetwork:
    """See the module's docstring. Use as a context manager, or through the fixtures ``lab`` and ``make_lab``."""

    def __init__(self, peers: Sequence[str] = ("server",)) -> None:
        self.peers = tuple(peers)
        self._prefix = f"sitetest-{os.getpid()}-{next(_serial)}"
        self._made: list[str] = []
        self._tasks: list[NamespaceTask[Any]] = []
        self._processes: list[subprocess.Popen[bytes]] = []
        atexit.register(self.close)
        try:
            for name in (LAPTOP, *self.peers):
                self._add_namespace(name)
            for number, peer in enumerate(self.peers, start=1):
                self._add_link(number, peer)
        except BaseException:
            self.close()
            raise

    # -- the network ---------------------------------------------------------------------------------------------

    def address(self, name: str, *, towards: str | None = None) -> str:
        """Return a peer's address, or the laptop's address on its link ``towards`` a peer (default: the first)."""
        if name == LAPTOP:
            return f"10.77.{self._number(towards or self.peers[0])}.1"
        return f"10.77.{self._number(name)}.2"

    def set_rate(self, rate_mbps: float | None, *, peer: str | None = None, queue_s: float = 0.05) -> None:
        """Put a token bucket of ``rate_mbps`` on both sending sides of a peer's link (default: the first peer).

        queue_s: how long the queue before the bucket is, in seconds at that rate; 0.3 and above is a deep queue. None
        as rate takes the bucket away.

        The bucket's depth (burst) is 20 ms at the rate, and at least ten frames. tbf sends a frame when there are
        tokens for it; its timer, the softirq behind it and the whole virtual machine come late by milliseconds, on a
        busy one by tens of them, and the tokens of the time lost are kept up to the depth only (measured: with 4 ms one
        run of eighteen came out 0.9 % low). A full bucket lets an idle link start with a jump, which the warm-up
        swallows. The queue is at least two buckets, so that the bucket never runs empty of frames; 940 Mbit/s (117
        bytes a microsecond) needs nothing more than that.
        """
        link = peer or self.peers[0]
        for namespace, device in ((LAPTOP, _device(link)), (link, _device(LAPTOP))):
            tc = self._command(namespace, "tc")
            _call([*tc, "qdisc", "del", "dev", device, "root"], check=False)
            if rate_mbps is not None:
                bytes_a_second = rate_mbps * 1e6 / 8
                burst = max(round(bytes_a_second * 0.02), 10 * FRAME_BYTES)
                limit = max(round(bytes_a_second * queue_s), 2 * burst)
                rate = f"{round(rate_mbps * 1e6)}bit"
                bucket = ["rate", rate, "burst", str(burst), "limit", str(limit)]
                _call([*tc, "qdisc", "add", "dev", device, "root", "tbf", *bucket])

    def link_down(self, peer: str | None = None) -> None:
        """Take the peer's end of its link down: the laptop's packets then go nowhere."""
        self._set_link(peer or self.peers[0], "down")

    def link_up(self, peer: str | None = None) -> None:
        """Bring the peer's end of its link back. Both ends forget what they knew of each other's hardware address, as
        after a fresh association: otherwise the failed ARP of the outage answers for another second or two."""
        link = peer or self.peers[0]
        self._set_link(link, "up")
        for namespace, device in ((LAPTOP, _device(link)), (link, _device(LAPTOP))):
            _call([*self._command(namespace, "ip"), "neigh", "flush", "dev", device])

    # -- running things in it ------------------------------------------------------------------------------------

    def start_in(self, name: str, factory: CoroutineFactory[Result]) -> NamespaceTask[Result]:
        """Start ``factory()`` on a loop of its own inside the namespace ``name``.

        Sockets that it opens and processes that it starts live there. `/proc/net` does not: it shows the namespace of
        the main thread; read `/proc/thread-self/net`.
        """
        task = NamespaceTask(self._path(name), factory)
        self._tasks.append(task)
        return task

    def run_in(self, name: str, factory: CoroutineFactory[Result], timeout_s: float = 60.0) -> Result:
        """Like :meth:`start_in`, and wait for the result. Blocks the calling thread."""
        return self.start_in(name, factory).result(timeout_s)

    def popen_in(
        self,
        name: str,
        argv: Sequence[str],
        *,
        stdout: int | IO[bytes] = subprocess.PIPE,
        stderr: int | IO[bytes] = subprocess.PIPE,
        env: dict[str, str] | None = None,
        cwd: str | Path | None = None,
    ) -> subprocess.Popen[bytes]:
        """Start a process inside the namespace; its pid is that of the program. Killed at close if it still runs."""
        process = subprocess.Popen(
            ["ip", "netns", "exec", self._namespace(name), *argv],
            stdin=subprocess.DEVNULL,
            stdout=stdout,
            stderr=stderr,
            env=env,
            cwd=cwd,
        )
        self._processes.append(process)
        return process

    # -- its end -------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Stop what was started in the namespaces and remove them. May be called again."""
        atexit.unregister(self.close)
        for task in self._tasks:
            task.cancel()
        self._tasks.clear()
        for process in self._processes:
            if process.poll() is None:
                process.kill()
                process.wait()
            for pipe in (process.stdout, process.stderr):
                if pipe is not None:
                    pipe.close()
        self._processes.clear()
        while self._made:
            _call(["ip", "netns", "del", self._made.pop()], check=False)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- inside --------------------------------------------------------------------------------------------------

    def _add_namespace(self, name: str) -> None:
        namespace = self._namespace(name)
        _call(["ip", "netns", "add", namespace])
        self._made.append(namespace)
        _call([*self._command(name, "ip"), "link", "set", "lo", "up"])

    def _add_link(self, number: int, peer: str) -> None:
        here, there = _device(peer), _device(LAPTOP)
        ends = ["netns", self._namespace(LAPTOP), "type", "veth", "peer", "name", there, "netns", self._namespace(peer)]
        _call(["ip", "link", "add", here, *ends])
        for namespace, device, host in ((LAPTOP, here, 1), (peer, there, 2)):
            ip = self._command(namespace, "ip")
            offloads = [part for feature in ("tso", "gso", "gro") for part in (feature, "off")]
            enter = ["ip", "netns", "exec", self._namespace(namespace)]
            _call([*enter, "ethtool", "-K", device, *offloads])
            _call([*ip, "link", "set", device, "mtu", "1500", "up"])
            _call([*ip, "addr", "add", f"10.77.{number}.{host}/24", "dev", device])

    def _set_link(self, peer: str, state: str) -> None:
        _call([*self._command(peer, "ip"), "link", "set", _device(LAPTOP), state])

    def _number(self, peer: str) -> int:
        return self.peers.index(peer) + 1

    def _namespace(self, name: str) -> str:
        if name != LAPTOP and name not in self.peers:
            raise ValueError(f"no namespace {name!r}; there are {', '.join((LAPTOP, *self.peers))}")
        return f"{self._prefix}-{name}"

    def _path(self, name: str) -> Path:
        return Path("/run/netns") / self._namespace(name)

    def _command(self, name: str, program: str) -> list[str]:
        return [program, "-n", self._namespace(name)]


@pytest.fixture
def make_lab() -> Iterator[Callable[..., LabNetwork]]:
    """Build networks with other peers than the one of ``lab``; all are removed after the test."""
    with contextlib.ExitStack() as stack:

        def make(peers: Sequence[str] = ("server",)) -> LabNetwork:
            return stack.enter_context(LabNetwork(peers))

        yield make


@pytest.fixture
def lab(make_lab: Callable[..., LabNetwork]) -> LabNetwork:
    """A laptop and a server, not shaped until the test sets a rate."""
    return make_lab()


def _device(peer: str) -> str:
    return f"to-{peer}"[:15]  # IFNAMSIZ


def _enter(namespace: Path) -> None:
    """Move the calling thread, and no other, into a network namespace (os.setns is new in Python 3.12)."""
    libc = ctypes.CDLL(None, use_errno=True)
    with namespace.open("rb") as handle:
        if libc.setns(handle.fileno(), _CLONE_NEWNET) != 0:
            code = ctypes.get_errno()
            raise OSError(code, os.strerror(code), str(namespace))


def _call(argv: list[str], *, check: bool = True) -> None:
    done = subprocess.run(argv, capture_output=True, text=True, timeout=20, check=False)
    if check and done.returncode != 0:
        raise RuntimeError(f"{' '.join(argv)}: exit {done.returncode}: {done.stderr.strip()}")
