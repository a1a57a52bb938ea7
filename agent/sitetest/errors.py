"""Everything that can stop a command, and the exit code it ends with.

    SitetestError                 base; 1
    ├── UsageError                2   arguments, profile or data file are not usable: the person at the keyboard acts
    │   ├── ProfileError          2   a file in profiles/
    │   ├── DataFileError         2   a data file to analyse
    │   ├── EngineUnusable        2   the profile asks for an engine that this laptop or this server does not have
    │   ├── SiteBusy              2   another run is writing to this site
    │   ├── NotApplied            2   an apply command fails turn after turn, and nobody is asked
    │   └── WrongRadio            2   the laptop is on another radio than site.toml declares, and nobody is asked
    ├── ServerError               6   the test server: whoever looks after it acts
    │   ├── ServerUnreachable     6   nothing answers, or it went away and did not come back
    │   ├── ServerRefused         6   wrong token, over a limit, certificate not trusted
    │   └── VersionMismatch       6   it speaks another version
    ├── StoreError                1   results/site.sqlite cannot be used as it is
    │   ├── StoreNewer            2   written by a newer sitetest
    │   ├── StoreDamaged          2   not a store, or a damaged one
    │   ├── StoreNotWritable      2   held by another program, or in a place that may not be written to
    │   └── StoreFull             3   no room left; all that was measured before is kept
    └── Incomplete                3   finished, but some cases have no valid result

A failed *measurement* is not here: it is data, and lives in the results. Whatever is not a SitetestError is a fault of
ours (exit code 1 with a traceback). Imports nothing.
"""

from enum import IntEnum


class Exit(IntEnum):
    """The exit codes of every command."""

    DONE = 0
    OUR_FAULT = 1
    WRONG_USE = 2
    INCOMPLETE = 3
    GATE_FAIL = 4
    GATE_INCONCLUSIVE = 5
    SERVER = 6
    INTERRUPTED = 130


class SitetestError(Exception):
    """Stops a command with a message for people.

    message: what is wrong, and where. next_step: what to do about it; may be empty when the message says so already.
    """

    exit_code: Exit = Exit.OUR_FAULT

    def __init__(self, message: str, next_step: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.next_step = next_step


class UsageError(SitetestError):
    """Arguments, profile or data file are not usable."""

    exit_code = Exit.WRONG_USE


class ProfileError(UsageError):
    """A file that people write is not usable; the message has file, key, what was found and what is allowed."""


class DataFileError(UsageError):
    """A data file to analyse is not usable; the message has file and, where there is one, row and column."""


class EngineUnusable(UsageError):
    """An engine that was asked for cannot be used here; the message says why and how to get it."""


class SiteBusy(UsageError):
    """Another run is writing to this site."""


class NotApplied(UsageError):
    """An apply command has failed in two turns running and never worked, and there is nobody to ask."""


class WrongRadio(UsageError):
    """The laptop is on another access point or setting than site.toml declares, and there is nobody to ask."""


class ServerError(SitetestError):
    """The test server cannot be reached or refuses."""

    exit_code = Exit.SERVER


class ServerUnreachable(ServerError):
    """Nothing answers at the server's address."""


class ServerRefused(ServerError):
    """The server answers, and says no."""


class VersionMismatch(ServerError):
    """The server speaks another version of the protocol."""


class StoreError(SitetestError):
    """The results store cannot be used as it is."""


class StoreNewer(StoreError):
    """The results store was written by a newer version."""

    exit_code = Exit.WRONG_USE


class StoreDamaged(StoreError):
    """The file is not a results store, or a damaged one."""

    exit_code = Exit.WRONG_USE


class StoreNotWritable(StoreError):
    """The results store is held by another program, or stands where it may not be written to."""

    exit_code = Exit.WRONG_USE


class StoreFull(StoreError):
    """There is no room left for results."""

    exit_code = Exit.INCOMPLETE


class Incomplete(SitetestError):
    """The command finished, but some cases have no valid result."""

    exit_code = Exit.INCOMPLETE
