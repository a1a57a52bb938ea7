"""The command ``sitetest-server``: parse, check, run, exit code.

    0   stopped as asked (SIGTERM, SIGINT)
    1   a fault of ours
    2   wrong use: arguments, files, a port that is in use

One line on stdout once it is ready; everything else goes to stderr. May import everything of this package; what is
heavy only inside the command.
"""

import os
import re
from pathlib import Path
from typing import Annotated

import typer

from sitetest_wire.messages import DEFAULT_PORT, IPERF3_PORTS

WRONG_USE = 2

_CLI = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


def run() -> None:
    """Entry point of the console script."""
    _CLI(prog_name="sitetest-server")


def port_range(text: str) -> range:
    """Read ``A-B`` or ``A``. Raises typer.BadParameter."""
    match = re.fullmatch(r"(\d{1,5})(?:-(\d{1,5}))?", text)
    if match is None:
        raise typer.BadParameter(f"found {text!r}, wanted two TCP ports such as 17301-17308")
    first, last = int(match[1]), int(match[2] or match[1])
    if not 1 <= first <= last <= 65535:
        raise typer.BadParameter(f"found {text!r}, allowed are ports from 1 to 65535, the smaller one first")
    return range(first, last + 1)


def _version(wanted: bool) -> None:
    if wanted:
        from sitetest_server import __version__  # noqa: PLC0415

        typer.echo(f"sitetest-server {__version__}")
        raise typer.Exit


@_CLI.command()
def serve(
    *,
    bind: Annotated[
        str | None, typer.Option(metavar="ADDR", help="Address to listen on. Left out: every address of this machine.")
    ] = None,
    port: Annotated[
        int, typer.Option(metavar="N", min=0, max=65535, help="TCP port of the API; 0 lets the system choose.")
    ] = DEFAULT_PORT,
    iperf3_ports: Annotated[
        str, typer.Option(metavar="A-B", help="TCP ports of the iperf3 engine, for firewall rules.")
    ] = f"{IPERF3_PORTS.start}-{IPERF3_PORTS.stop - 1}",
    reflector_port: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            min=0,
            max=65535,
            help="UDP port for round trips, for firewall rules; 0 lets the system choose. "
            "Left out: the number of --port, or any where that is in use.",
        ),
    ] = None,
    token: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT",
            help="Token that agents must show; better given in SITETEST_TOKEN, which no process list shows. "
            "Left out: one is made, printed and kept.",
        ),
    ] = None,
    parallel: Annotated[
        int, typer.Option(metavar="N", min=1, max=64, help="Tests at once. Above 1 they measure each other.")
    ] = 1,
    max_streams: Annotated[int, typer.Option(metavar="N", min=1, max=128, help="Most streams of a test.")] = 32,
    max_seconds: Annotated[float, typer.Option(metavar="S", min=1.0, max=86_400.0, help="Longest test.")] = 3600.0,
    name: Annotated[str | None, typer.Option(metavar="TEXT", help="Name shown to agents. Left out: host name.")] = None,
    no_announce: Annotated[
        bool,
        typer.Option("--no-announce", metavar="", help="Do not announce the server by DNS-SD."),
    ] = False,
    tls_cert: Annotated[
        Path | None, typer.Option(metavar="FILE", help="PEM certificate chain: serve HTTPS. Needs --tls-key.")
    ] = None,
    tls_key: Annotated[Path | None, typer.Option(metavar="FILE", help="PEM key of the certificate.")] = None,
    simulate_link: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Pace payload to the invented rates in this file: for demonstrations only."),
    ] = None,
    version: Annotated[  # noqa: ARG001  # the callback answers it
        bool, typer.Option("--version", metavar="", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """The other end of sitetest: serves throughput tests from a machine on the wire.

    A test fills the network, and others on it will notice: run it with the owner's consent,
    and not on a network that must not be disturbed. Stop the server with Ctrl-C.
    """
    ports = port_range(iperf3_ports)
    if (tls_cert is None) != (tls_key is None):
        raise typer.BadParameter("--tls-cert and --tls-key go together; only one of them was given")

    from sitetest_server import server  # noqa: PLC0415
    from sitetest_server.access_token import VARIABLE, TokenError  # noqa: PLC0415
    from sitetest_server.listener import ListenError  # noqa: PLC0415
    from sitetest_server.simulated_link import SimulationError  # noqa: PLC0415

    options = server.Options(
        bind=bind,
        port=port,
        iperf3_ports=ports,
        reflector_port=reflector_port,
        token=token,
        token_variable=os.environ.get(VARIABLE),
        parallel=parallel,
        max_streams=max_streams,
        max_seconds=max_seconds,
        name=name,
        announce=not no_announce,
        tls_cert=tls_cert,
        tls_key=tls_key,
        simulate_link=simulate_link,
    )
    try:
        server.run(options)
    except (ListenError, TokenError, SimulationError) as problem:
        typer.echo(f"sitetest-server: {problem}", err=True)
        raise typer.Exit(WRONG_USE) from problem
