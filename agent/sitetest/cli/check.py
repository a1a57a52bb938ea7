"""``sitetest check``: is everything fit to measure? One line a finding, and what to do next where there is something.

Also where the wire is measured (``--baseline``), and where a capture of the link is made (``--capture``).
"""

from pathlib import Path
from typing import Annotated

import typer

from sitetest.cli.consoles import results_console, say
from sitetest.cli.json_document import write_document
from sitetest.cli.options import ApConfigs, AsJson, Engine, InternetToken, Server, Site, Token
from sitetest.errors import Exit, UsageError


def check(
    *,
    site: Site = Path(),
    profile: Annotated[
        str | None,
        typer.Option(
            "--profile", "-p", metavar="NAME", help="Check for this profile.", show_default="what needs no profile"
        ),
    ] = None,
    server: Server = None,
    token: Token = None,
    internet_token: InternetToken = None,
    ap_config: ApConfigs = None,
    engine: Engine = None,
    baseline: Annotated[
        bool,
        typer.Option(
            "--baseline", help="With the laptop on a cable: measure the wire (40 s) and keep it for the site."
        ),
    ] = False,
    wired: Annotated[
        bool, typer.Option("--wired", help="With --baseline: this interface is a wire, though the system cannot tell.")
    ] = False,
    capture: Annotated[
        Path | None,
        typer.Option("--capture", metavar="FILE", help="Write the state of the Wi-Fi link, without names, and end."),
    ] = None,
    seconds: Annotated[int, typer.Option("--seconds", metavar="N", min=1, max=3600, help="Of --capture.")] = 10,
    as_json: AsJson = False,
) -> None:
    """Check that server, path, laptop and site are fit to measure; next to nothing is transferred."""
    _refuse_what_does_not_go_together(baseline=baseline, wired=wired, capture=capture)
    if capture is not None:
        raise typer.Exit(_capture(capture, seconds, as_json=as_json))
    from sitetest.cli.examination import Question, examine_site
    from sitetest.report.baseline_text import baseline_document
    from sitetest.report.checks_text import checks_document, checks_text

    question = Question(
        site_dir=site,
        profile=profile,
        server=server,
        token=token,
        internet_token=internet_token,
        ap_configs=ap_config,
        engine=engine,
        baseline=baseline,
        wired=wired,
    )
    examined = examine_site(question, say)
    if as_json:
        wire = {} if examined.baseline is None else {"baseline": baseline_document(examined.baseline, examined.mtu)}
        write_document("check", {**checks_document(examined.checks), **wire})
    else:
        results_console().print(checks_text(examined.checks, examined.baseline_lines))
    raise typer.Exit(examined.exit_code)


def _capture(file: Path, seconds: int, *, as_json: bool) -> Exit:
    from sitetest.cli.link_capture import capture_document, capture_sentences, capture_to, radio_interface

    interface = radio_interface()
    say(f"Reading the link of {interface} for {seconds} s ...")
    captured = capture_to(file, seconds, interface=interface)
    if as_json:
        write_document("check", {"capture": capture_document(captured)})
    else:
        typer.echo(captured.file)
        for sentence in capture_sentences(captured):
            say(sentence)
    return Exit.DONE


def _refuse_what_does_not_go_together(*, baseline: bool, wired: bool, capture: Path | None) -> None:
    if capture is not None and (baseline or wired):
        raise UsageError("--capture reads the Wi-Fi link and --baseline measures a wire: one at a time.")
    if wired and not baseline:
        raise UsageError("--wired says something about --baseline, which was not given.", "Add --baseline.")
