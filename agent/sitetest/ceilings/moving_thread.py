"""Whether the process that moved the bytes did so in a single thread.

Processor time of a process is summed over its threads. Only of a process that moves its bytes in one thread does a
share of a whole core mean that it was never idle, and so cannot have been waiting for the network. The ``http`` engine
is one event loop, which is one thread. libiperf has a thread a stream from version 3.16 on (from memory).

Pure. May import the standard library only.
"""

import re

_EVENT_LOOP = "aiohttp"
_THREADED_FROM = (3, 16)


def moved_in_one_thread(engine_version: str | None) -> bool | None:
    """Tell whether the bytes were moved in one thread, by the version that the engine reports: ``aiohttp 3.9.5`` or
    libiperf's, such as ``3.12``. None where it does not say."""
    told = engine_version or ""
    if told.startswith(_EVENT_LOOP):
        return True
    found = re.match(r"(\d+)\.(\d+)", told)
    return None if found is None else (int(found[1]), int(found[2])) < _THREADED_FROM
