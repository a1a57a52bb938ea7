"""The two streams: results go to stdout, progress and messages to stderr.

Promise: neither colour nor cursor control when the stream is not a terminal, whatever the environment asks for; no
colour where ``NO_COLOR`` is set. Square brackets in text are text. May import rich, but only inside a function:
``sitetest --help`` must not wait for it.
"""

import os
import shutil
import sys
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, TextIO

from sitetest.errors import SitetestError
from sitetest.report.printable import printable

if TYPE_CHECKING:
    from rich.console import Console

WIDTH_WITHOUT_TERMINAL = 100
"""Columns of text that goes to a file or a pipe and for which ``COLUMNS`` says nothing."""


def results_console() -> "Console":
    """Return the console on stdout."""
    return console_on(sys.stdout, os.environ)


def messages_console() -> "Console":
    """Return the console on stderr."""
    return console_on(sys.stderr, os.environ)


def console_on(stream: TextIO, environment: Mapping[str, str]) -> "Console":
    """Return a console on a stream; ``environment`` is asked for NO_COLOR, TERM and COLUMNS."""
    from rich.console import Console

    terminal = stream.isatty()
    return Console(
        file=stream,
        force_terminal=terminal,
        no_color=bool(environment.get("NO_COLOR")),
        width=None if terminal or environment.get("COLUMNS", "").isdigit() else WIDTH_WITHOUT_TERMINAL,
        markup=False,
        emoji=False,
        highlight=False,
        _environ={key: value for key, value in environment.items() if key not in {"FORCE_COLOR", "TTY_COMPATIBLE"}},
    )


def say(text: str) -> None:
    """Write one message for the person to stderr. On a terminal, prose is broken between words; an indented line (a
    command, a path) is left whole, so that it can be copied."""
    lines = printable(text, keep_lines=True).splitlines()
    if sys.stderr.isatty():
        columns = shutil.get_terminal_size().columns
        lines = [
            line if line.startswith(" ") else textwrap.fill(line, columns, break_long_words=False) for line in lines
        ]
    sys.stderr.write("\n".join(lines) + "\n")
    sys.stderr.flush()


def say_problem(problem: SitetestError) -> None:
    """Write what stopped a command to stderr, and what to do next."""
    say(f"sitetest: {problem.message}")
    if problem.next_step:
        say(f"Next: {problem.next_step}")
