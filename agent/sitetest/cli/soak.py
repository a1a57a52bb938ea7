"""``sitetest soak``: rounds of short tests until a time is over, with nobody there."""

from pathlib import Path
from typing import Annotated, NoReturn

import typer

from sitetest.cli.options import (
    ApConfigs,
    AsJson,
    Engine,
    For,
    InternetToken,
    Rounds,
    Seed,
    Server,
    Site,
    Token,
    Until,
    Yes,
)
from sitetest.errors import Exit, UsageError


def soak(
    *,
    profile: Annotated[
        str | None,
        typer.Option("--profile", "-p", metavar="NAME", help="Profile: profiles/NAME.toml.", show_default=False),
    ] = None,
    length: For = None,
    until: Until = None,
    rounds: Rounds = None,
    site: Site = Path(),
    server: Server = None,
    token: Token = None,
    internet_token: InternetToken = None,
    ap_config: ApConfigs = None,
    engine: Engine = None,
    seed: Seed = None,
    resume: Annotated[
        bool,
        typer.Option("--resume", help="Go on with the last soak of this profile; with --for or --until, longer."),
    ] = False,
    status: Annotated[
        Path | None, typer.Option("--status", metavar="FILE", help="Keep a small JSON file that says how it stands.")
    ] = None,
    metrics_port: Annotated[
        int | None,
        typer.Option(
            "--metrics-port", metavar="N", min=0, max=65535, help="Serve OpenMetrics on this machine's port N; 0: any."
        ),
    ] = None,
    summary: Annotated[
        bool, typer.Option("--summary", help="Say what the last soak has shown; start nothing.")
    ] = False,
    chart: Annotated[
        Path | None, typer.Option("--chart", metavar="FILE", help="With --summary: draw the night, as .svg or .png.")
    ] = None,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Test round after round until a time is over, and watch the path all along, with nobody there.

    Asks once, before it begins. AP configs are switched by their apply command. `sitetest plan` with the same --for
    shows beforehand what it does. Ctrl-C stops; everything is kept, and --resume goes on. --summary says afterwards
    what it has shown.
    """
    if summary:
        _summarise(site, profile, chart, as_json)
    if chart is not None:
        raise UsageError("--chart draws a night that is over.", "Give it together with --summary.")
    if profile is None:
        raise UsageError("Option --profile is missing.", "sitetest soak --help")
    from sitetest.cli.ready import ServerWishes
    from sitetest.cli.soak_results import show_soak
    from sitetest.cli.soak_session import SoakWishes, soak_to_the_end

    wishes = SoakWishes(
        site_dir=site,
        profile=profile,
        length=length,
        until=until,
        rounds=rounds,
        servers=ServerWishes(server, token, internet_token),
        ap_configs=tuple(ap_config) if ap_config else None,
        engine=engine,
        seed=seed,
        yes=yes,
        resume=resume,
        status=status,
        metrics_port=metrics_port,
    )
    raise typer.Exit(show_soak(soak_to_the_end(wishes), site, as_json))


def _summarise(site: Path, profile: str | None, chart: Path | None, as_json: bool) -> NoReturn:
    """Show what was kept, and end the command."""
    from sitetest.cli.consoles import results_console, say
    from sitetest.cli.json_document import write_document
    from sitetest.cli.soak_summary import kept_nights
    from sitetest.report.soak_text import soak_screen

    nights = kept_nights(site, profile)
    if chart is not None:
        from sitetest.report.soak_chart import write_chart

        say(f"{chart}: {write_chart(chart, nights.last)}")
    if as_json:
        write_document("soak", nights.document())
    else:
        results_console().print(soak_screen([nights.last], nights.by_hour))
    raise typer.Exit(Exit.DONE)
