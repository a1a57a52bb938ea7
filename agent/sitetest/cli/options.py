"""Command-line options that more than one command takes, defined once so that they read and behave the same.

May import typer and the standard library only.
"""

from pathlib import Path
from typing import Annotated

import typer

TOKEN_VARIABLE = "SITETEST_TOKEN"  # noqa: S105 - the name of a variable, not a secret

Site = Annotated[
    Path,
    typer.Option("--site", metavar="DIR", help="Folder with profiles/ and results/.", show_default="here"),
]
Profile = Annotated[
    str,
    typer.Option("--profile", "-p", metavar="NAME", help="Profile to run: profiles/NAME.toml.", show_default=False),
]
Server = Annotated[
    str | None,
    typer.Option("--server", metavar="HOST[:PORT]", help="Test server, instead of the one in site.toml."),
]
Token = Annotated[
    str | None,
    typer.Option(
        "--token",
        metavar="TEXT",
        envvar=TOKEN_VARIABLE,
        show_envvar=True,
        help="Token that the server printed; the variable keeps it out of process lists. Needed once.",
    ),
]
InternetToken = Annotated[
    str | None,
    typer.Option(
        "--internet-token",
        metavar="TEXT",
        envvar="SITETEST_INTERNET_TOKEN",
        show_envvar=True,
        help="Token of the server on the far side of the line. Needed once.",
    ),
]
ApConfigs = Annotated[
    list[str] | None,
    typer.Option("--ap-config", metavar="NAME", help="Only this AP config; may be given more than once."),
]
Engine = Annotated[
    str | None,
    typer.Option("--engine", metavar="NAME", help="iperf3 or http, instead of what the profile says."),
]
Seed = Annotated[
    int | None,
    typer.Option("--seed", metavar="N", min=0, help="Decides the order of AP configs; recorded.", show_default="new"),
]
GiveUpEarly = Annotated[
    bool,
    typer.Option("--give-up-early", help="Stop a comparison as well when no verdict can be reached any more."),
]
Yes = Annotated[bool, typer.Option("--yes", "-y", help="Ask nothing: for scripts.")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on stdout instead of text.")]
For = Annotated[
    str | None,
    typer.Option("--for", metavar="TIME", help="How long: 9h, 90m, 1h30m, 45s."),
]
Until = Annotated[
    str | None,
    typer.Option("--until", metavar="TIME", help="Until when, local time: 07:30, or 2026-03-03T07:30."),
]
Rounds = Annotated[
    int | None,
    typer.Option("--rounds", metavar="N", help="How many rounds."),
]
