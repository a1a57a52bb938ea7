"""Mistakes on the command line in our words: what typer found, without its own shorthand, and which help to ask for.

What has no row below stays as typer says it. May import errors and the standard library only: typer's exceptions are
known by their shape, since where they live differs between its versions.
"""

import re

from sitetest.errors import UsageError

_REWORDED: tuple[tuple[re.Pattern[str], str], ...] = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"^Invalid value for (.*?): ", r"\1: "),
        (r"(?:\S+ )?is not in the range (\S+?)<=x<=(\S+?)\.?$", r"a number from \1 to \2 is needed"),
        (r"(?:\S+ )?is not in the range x>=(\S+?)\.?$", r"a number of \1 or more is needed"),
        (r"(?:\S+ )?is not a valid int(?:eger)?(?: range)?\.?$", "a whole number is needed"),
        (r"Input should be greater than or equal to (\S+?)\.?$", r"a number of \1 or more is needed"),
        (r"Input should be less than or equal to (\S+?)\.?$", r"a number of \1 or less is needed"),
        (r"Input should be a valid integer.*$", "a whole number is needed"),
        (r"^No such option: (\S+?)\.?(?= |$)", r"there is no option \1"),
        (r"^No such command '(.*?)'\.?", r"there is no command \1"),
        (r"^Missing (option|argument) (.*?)\.?$", r"\1 \2 is missing"),
        (r"^Option (.*?) requires an argument\.?$", r"option \1 needs a value"),
        (r"^Got unexpected extra arguments?(?:\(s\))? \((.*)\)\.?$", r"not expected here: \1"),
    )
)


def option_mistake(problem: BaseException) -> UsageError | None:
    """Return a mistake on the command line as an error of ours; None for any other problem.

    Its message is the help itself where a command was given nothing at all.
    """
    tell = getattr(problem, "format_message", None)
    if tell is None:
        return None
    text = str(tell())
    for pattern, words in _REWORDED:
        text = pattern.sub(words, text)
    context = getattr(problem, "ctx", None)
    if text.startswith("Usage:") and context is not None:
        return UsageError(str(context.get_help()))
    command = "sitetest" if context is None else context.command_path
    return UsageError(f"{text[:1].upper()}{text[1:].rstrip('.')}.", f"{command} --help")


def is_help(mistake: UsageError) -> bool:
    """Tell whether the mistake was to say nothing, so that the help is the answer."""
    return mistake.message.startswith("Usage:")
