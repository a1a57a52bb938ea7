"""Applies an AP config by the command that `site.toml` gives for it (``apply``).

The command is a list, or one text that is split as a POSIX shell would split it; it is never given to a shell, so no
variable, wildcard, pipe or semicolon in it means anything. May import errors, visit.child_process, visit.protocols and
the standard library only.
"""

import asyncio
import shlex
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from sitetest.errors import ProfileError
from sitetest.visit.child_process import Finished, run_command
from sitetest.visit.protocols import Applied

APPLY_TIMEOUT_S = 120.0
"""How long an apply command may take. Engineering choice: a script that waits for an access point to restart
takes minutes."""


def split_command(ap_config: str, command: str | Sequence[str]) -> tuple[str, ...]:
    """Return the command as a list of arguments. Raises ProfileError when it cannot be split or is empty."""
    try:
        parts = tuple(shlex.split(command)) if isinstance(command, str) else tuple(command)
    except ValueError as problem:
        raise ProfileError(
            f"site.toml: apply of AP config {ap_config!r} is {command!r}: {problem}",
            "Close every quotation mark, or give the command as a list of texts.",
        ) from problem
    if not parts or not parts[0]:
        raise ProfileError(
            f"site.toml: apply of AP config {ap_config!r} is empty", "Name a command, or leave the key out."
        )
    return parts


class CommandSwitch:
    """Runs apply commands. commands: by AP config; raises ProfileError for one that cannot be split. timeouts_s: how
    long each may take; APPLY_TIMEOUT_S where nothing is said."""

    def __init__(
        self, commands: Mapping[str, str | Sequence[str]], timeouts_s: Mapping[str, float] = MappingProxyType({})
    ) -> None:
        self.commands = {ap_config: split_command(ap_config, command) for ap_config, command in commands.items()}
        self._timeouts_s = timeouts_s

    async def apply(self, ap_config: str, stop: asyncio.Event) -> Applied:
        """Run the command of that AP config. It and its children are ended when ``stop`` is set."""
        command = self.commands.get(ap_config)
        if command is None:
            return Applied(f"AP config {ap_config!r} has no apply command in site.toml")
        running = asyncio.create_task(run_command(command, self._timeouts_s.get(ap_config, APPLY_TIMEOUT_S)))
        stopping = asyncio.create_task(stop.wait())
        try:
            await asyncio.wait({running, stopping}, return_when=asyncio.FIRST_COMPLETED)
            if running.done():
                finished = running.result()
                return Applied(_problem(command, finished), finished.output)
            return Applied(f"{command[0]} was ended, because the run is being stopped")
        finally:
            running.cancel()
            stopping.cancel()
            await asyncio.gather(running, stopping, return_exceptions=True)


def _problem(command: Sequence[str], finished: Finished) -> str | None:
    if finished.worked:
        return None
    said = f"; it said: {finished.output}" if finished.output else "; it said nothing"
    if finished.problem is not None:
        return f"{shlex.join(command)}: {finished.problem}" + (said if finished.output else "")
    return f"{shlex.join(command)} ended with exit code {finished.code}{said}"
