"""``sitetest``: reads the arguments, runs one command and turns whatever comes of it into an exit code.

Each command lives in a file of its own: parse, call one function, render, exit code. Nothing heavy is imported here,
nor at the top of a command's file, so that ``sitetest --help`` answers at once.
"""

import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from sitetest.cli import check, compare, demo, export, gate, new, plan, report, selftest, soak
from sitetest.cli import run as run_command
from sitetest.cli.consoles import say, say_problem
from sitetest.cli.json_document import write_error
from sitetest.cli.option_mistakes import is_help, option_mistake
from sitetest.errors import Exit, SitetestError

EXIT_CODES = """\b
Exit codes:
  0    done
  1    a fault of ours
  2    wrong use: arguments, profile, data file
  3    finished, but some cases have no valid result
  4    gate: fail
  5    gate: inconclusive
  6    the test server cannot be reached or refuses
  130  interrupted; all that was measured is kept"""

app = typer.Typer(
    name="sitetest",
    help="Scripted throughput tests for whoever installs and looks after Wi-Fi.",
    epilog=EXIT_CODES,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # plain help: rich would double the time that --help takes
    pretty_exceptions_enable=False,  # a fault of ours shows its whole traceback, see main()
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("demo", short_help="The whole job on this machine alone, in a minute.")(demo.demo)
app.command("new", short_help="Write a commented example site.")(new.new)
app.command("plan", short_help="What would run, how long, how much data.")(plan.plan)
app.command("check", short_help="Is everything fit to measure?")(check.check)
app.command("run", short_help="Measure the matrix at one location.")(run_command.run)
app.command("report", short_help="The document for the client.")(report.report)
app.command("soak", short_help="Round after round until a time is over, with nobody there.")(soak.soak)
app.command("selftest", short_help="One AP config against itself: is it quiet enough here?")(selftest.selftest)
app.command("compare", short_help="What the data support about A against B.")(compare.compare)
app.command("gate", short_help="Has the new firmware made it worse? For scripts.")(gate.gate)
app.command("export", short_help="Tidy tables with their dictionary.")(export.export)


def _show_version(wanted: bool) -> None:
    if wanted:
        from sitetest import __version__

        typer.echo(f"sitetest {__version__}")
        raise typer.Exit(Exit.DONE)


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Scripted throughput tests for whoever installs and looks after Wi-Fi."""


def main(argv: Sequence[str]) -> int:
    """Run the command line ``argv`` (without the program's name); return its exit code. Never exits or raises.

    An error goes to stderr; with ``--json`` among the arguments also as the one document on stdout.
    """
    as_json = "--json" in argv
    try:
        code = app(args=list(argv), prog_name="sitetest", standalone_mode=False)
    except SystemExit as end:  # typer's way of ending where the reader of its output has gone away
        return end.code if isinstance(end.code, int) else Exit.DONE if end.code is None else Exit.OUR_FAULT
    except KeyboardInterrupt:
        say("Interrupted.")
        return Exit.INTERRUPTED
    except BaseExceptionGroup as group:
        return _report(_only_cause(group), as_json)
    except Exception as problem:  # noqa: BLE001 - the last resort: reported whole, exit code 1
        return _report(problem, as_json)
    return code if isinstance(code, int) else Exit.DONE


def _only_cause(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """Return what a group of one holds, unwrapped; a group of several stays a group."""
    cause: BaseException = group
    while isinstance(cause, BaseExceptionGroup) and len(cause.exceptions) == 1:
        cause = cause.exceptions[0]
    return cause


def _report(problem: BaseException, as_json: bool) -> int:
    mistake = option_mistake(problem)
    if mistake is not None and is_help(mistake):
        sys.stderr.write(mistake.message + "\n")
        return mistake.exit_code
    error = mistake or problem
    if isinstance(error, SitetestError):
        say_problem(error)
        if as_json:
            write_error(type(error).__name__, error.message, error.next_step, error.exit_code)
        return error.exit_code
    if isinstance(problem, KeyboardInterrupt):
        say("Interrupted.")
        return Exit.INTERRUPTED
    import traceback

    say(f"sitetest: sorry, this is a fault of ours ({type(problem).__name__}). Please report it with all that follows.")
    say("".join(traceback.format_exception(problem)).rstrip())
    if as_json:
        write_error(
            type(problem).__name__, str(problem), "Please report it with what stands on stderr.", Exit.OUR_FAULT
        )
    return Exit.OUR_FAULT


def run() -> None:
    """Run the command line of this process and end the process: the console entry point."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name that this terminal cannot show must not stop a run
    sys.exit(main(sys.argv[1:]))
