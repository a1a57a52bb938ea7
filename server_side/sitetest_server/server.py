"""Puts the parts together, runs them until a signal comes, and takes them apart again within two seconds.

May import everything of this package but its command line.
"""

import asyncio
import logging
import secrets
import signal
import socket
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing, suppress
from dataclasses import dataclass
from pathlib import Path

from platformdirs import user_config_path, user_state_path

from sitetest_server import congestion_control
from sitetest_server.access_token import VARIABLE, checked, kept_token
from sitetest_server.announce import Announcement, own_addresses
from sitetest_server.app import make_app
from sitetest_server.host_watch import this_machine
from sitetest_server.http_serving import READ_BUFFER_BYTES, serving
from sitetest_server.identity import describe, kept_server_id
from sitetest_server.iperf3_host import Iperf3Host
from sitetest_server.lease_desk import LeaseDesk
from sitetest_server.listener import bound_address, listen, tls_context, url_of
from sitetest_server.reflector import Reflector
from sitetest_server.simulated_link import BUFFER_BYTES, SIMULATED, SimulatedLink
from sitetest_server.watch_desk import WatchDesk
from sitetest_wire.messages import Identity, Limits
from sitetest_wire.stamp_token import TOKEN_BYTES

APP_NAME = "sitetest-server"
"""Name of the folders for settings and state."""


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line says. None means left out. token_variable: what the environment says."""

    bind: str | None
    port: int
    iperf3_ports: range
    reflector_port: int | None
    token: str | None
    token_variable: str | None
    parallel: int
    max_streams: int
    max_seconds: float
    name: str | None
    announce: bool
    tls_cert: Path | None
    tls_key: Path | None
    simulate_link: Path | None


def run(options: Options) -> None:
    """Serve until SIGTERM or SIGINT. Raises ListenError, TokenError, SimulationError."""
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(name)s: %(message)s")
    logging.getLogger("zeroconf").setLevel(logging.CRITICAL)  # what fails there is a note of Announcement's
    with suppress(KeyboardInterrupt):  # where the loop cannot handle signals
        asyncio.run(_serve(options))


async def _serve(options: Options) -> None:
    token, token_text = _token(options)
    server_id = _server_id()
    name = options.name or socket.gethostname()
    link = None if options.simulate_link is None else SimulatedLink(options.simulate_link, time.monotonic)
    tls = None
    if options.tls_cert is not None and options.tls_key is not None:
        tls = tls_context(options.tls_cert, options.tls_key)
    host = Iperf3Host(options.iperf3_ports, options.bind)
    limits = Limits(max_streams=options.max_streams, max_transfer_s=options.max_seconds)
    choices = congestion_control.choices()

    def identity() -> Identity:
        return describe(
            server_id=server_id,
            name=name,
            limits=limits,
            host=host,
            simulated=link is not None,
            congestion_control=choices,
            reflector_port=None if reflector is None else reflector.port,
        )

    sock = listen(options.bind, options.port, None if link is None else BUFFER_BYTES)
    port, address = int(sock.getsockname()[1]), bound_address(sock)
    async with reflecting(address, options.reflector_port, port, _say) as reflector:
        desk = LeaseDesk(
            limits=limits,
            host=host,
            link=link,
            clock=time.monotonic,
            cpu_clock=time.process_time,
            new_id=lambda: secrets.token_hex(8),
            machine=this_machine(),
            reflector=reflector,
            new_token=lambda: secrets.token_bytes(TOKEN_BYTES),
            parallel=options.parallel,
        )
        watches = WatchDesk(
            reflector,
            clock=time.monotonic,
            new_id=lambda: secrets.token_hex(8),
            new_token=lambda: secrets.token_bytes(TOKEN_BYTES),
        )
        app = make_app(identity, token, desk, watches, time.monotonic)
        stop = _stop_event()
        announcement = Announcement(
            server_id=server_id, name=name, address=address, port=port, tls=tls is not None, note=_say
        )
        async with serving(app, [sock], tls, READ_BUFFER_BYTES if link is None else BUFFER_BYTES):
            print(  # noqa: T201  # the one line that scripts wait for
                f"sitetest-server ready on {url_of(sock, tls is not None)} (server id {server_id})", flush=True
            )
            _say_how_to_use(token_text, address, port, tls=tls is not None, simulated=link is not None)
            if reflector is not None:
                _say(f"round trips are measured over UDP port {reflector.port}")
            if options.announce:
                announcement.begin()
            await stop.wait()
            goodbye = asyncio.create_task(announcement.end())
            await desk.stop()
        await goodbye


@asynccontextmanager
async def reflecting(
    address: str | None, wanted: int | None, tcp_port: int, note: Callable[[str], None]
) -> AsyncIterator[Reflector | None]:
    """Reflect over the block on the UDP port wanted; None: on that of the same number as the TCP port, else on any.

    Where no port is to be had it is noted, and the server works without: the block gets None.
    """
    refused: list[OSError] = []
    for port in (tcp_port, 0) if wanted is None else (wanted,):
        try:
            reflector = await Reflector.open(address, port)
        except OSError as problem:
            refused.append(problem)
            continue
        with closing(reflector):
            yield reflector
        return
    seen = f"UDP port {tcp_port if wanted is None else wanted} cannot be used ({refused[0].strerror or refused[0]})"
    note(f"no round trips can be measured with this server: {seen}; --reflector-port names another one")
    yield None


def _stop_event() -> asyncio.Event:
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        with suppress(NotImplementedError):
            asyncio.get_running_loop().add_signal_handler(number, stop.set)
    return stop


def _token(options: Options) -> tuple[str, str]:
    """Return the token, and how it is called in what is said to people: one that was given is not repeated."""
    if options.token is not None:
        return checked(options.token, "--token"), "as given with --token"
    if options.token_variable:
        return checked(options.token_variable, VARIABLE), f"as given in {VARIABLE}"
    token = kept_token(user_config_path(APP_NAME, appauthor=False))
    return token, token


def _server_id() -> str:
    def new_id() -> str:
        return secrets.token_hex(8)

    try:
        return kept_server_id(user_state_path(APP_NAME, appauthor=False), new_id)
    except OSError as problem:
        _say(f"the server's id cannot be kept ({problem}); it will be another one after a restart")
        return new_id()


def _say_how_to_use(token_text: str, address: str | None, port: int, *, tls: bool, simulated: bool) -> None:
    addresses = own_addresses() if address is None else [address]
    scheme = "https" if tls else "http"
    reachable = ", ".join(f"{scheme}://{f'[{a}]' if ':' in a else a}:{port}" for a in addresses)
    _say(f"reachable at: {reachable or 'no address that others could reach'}")
    _say(f"token: {token_text}")
    _say(f"on the laptop: sitetest run ... --server HOST:{port} with the token in {VARIABLE} or after --token")
    if simulated:
        _say(SIMULATED)
    _say("caution: a throughput test fills the network; run it with the owner's consent. Ctrl-C stops the server.")


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)  # noqa: T201
