"""``sitetest run``: the matrix of a profile at one location."""

from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.options import (
    ApConfigs,
    AsJson,
    Engine,
    GiveUpEarly,
    InternetToken,
    Profile,
    Seed,
    Server,
    Site,
    Token,
    Yes,
)


def run(
    *,
    profile: Profile,
    site: Site = Path(),
    server: Server = None,
    token: Token = None,
    internet_token: InternetToken = None,
    ap_config: ApConfigs = None,
    engine: Engine = None,
    seed: Seed = None,
    give_up_early: GiveUpEarly = False,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with the last visit of this profile.")] = False,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Measure a profile's matrix at one location; every attempt is kept in results/.

    Two or more AP configs are compared; what is decided early is not measured any more.

    A throughput test fills the network: run it with the owner's consent. Ctrl-C stops and keeps what is measured.
    """
    from sitetest.cli.session_results import show_session
    from sitetest.cli.visit_session import Wishes, run_to_the_end

    wishes = Wishes(
        site_dir=site,
        profile=profile,
        server=server,
        token=token,
        internet_token=internet_token,
        ap_configs=tuple(ap_config) if ap_config else None,
        engine=engine,
        seed=seed,
        give_up_early=give_up_early,
        yes=yes,
        resume=resume,
    )
    raise typer.Exit(show_session("run", run_to_the_end(wishes), site, as_json))
