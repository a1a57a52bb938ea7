"""The demonstration behind ``sitetest demo``: its server runs as a process of its own, everything else is the real run.

May import everything of sitetest; never sitetest_server, which is only started.
"""

import asyncio
from pathlib import Path

from sitetest.cli.consoles import messages_console
from sitetest.cli.demo_server import demo_server
from sitetest.cli.demo_site import PROFILE, SEED, free_default, link_file, write_demo_site
from sitetest.cli.progress import Screen, screen_on
from sitetest.cli.typed_line import TypedLines
from sitetest.cli.visit_session import Session, Wishes, run_visit
from sitetest.visit.clock import SystemClock


def demonstrate(site: Path | None) -> tuple[Path, Session]:
    """Run the demonstration and return its folder and what came of it. Blocks. Raises SitetestError."""
    site_dir = site if site is not None else free_default()
    write_demo_site(site_dir)
    clock = SystemClock()
    screen = screen_on(messages_console(), clock.monotonic_s)
    screen.say(f"Demonstration in {site_dir}: a simulated link on this machine, nothing is measured on a real network.")
    return site_dir, asyncio.run(_run(site_dir, screen, clock))


async def _run(site_dir: Path, screen: Screen, clock: SystemClock) -> Session:
    async with demo_server(link_file(site_dir)) as server:
        wishes = Wishes(
            site_dir=site_dir,
            profile=PROFILE,
            server=server.address,
            token=server.token,
            seed=SEED,
            yes=True,
            remember=False,
        )
        return await run_visit(wishes, screen, TypedLines().next_line, clock)
