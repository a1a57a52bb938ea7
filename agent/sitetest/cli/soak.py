"""``sitetest soak``: rounds of short tests until a time is over, with nobody there."""

from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.options import (
    ApConfigs,
    AsJson,
    Engine,
    For,
    InternetToken,
    Profile,
    Rounds,
    Seed,
    Server,
    Site,
    Token,
    Until,
    Yes,
)


def soak(
    *,
    profile: Profile,
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
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Test round after round until a time is over, and watch the path all along, with nobody there.

    Asks once, before it begins. AP configs are switched by their apply command. `sitetest plan` with the same --for
    shows beforehand what it does. Ctrl-C stops; everything is kept, and --resume goes on.
    """
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
