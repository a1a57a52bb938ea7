"""Both directions of one test at the same time, each in a network or folder of its own.

For tests that spend most of their time waiting for a limit to pass. Not for tests of throughput: there the two would
share the processor. May import the wire package and the standard library only.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from sitetest_wire.words import Direction


def both_directions_at_once(check: Callable[[Direction], None]) -> None:
    """Call ``check`` for each direction in a thread of its own; raise the first complaint, with its direction."""

    def told_apart(direction: Direction) -> None:
        try:
            check(direction)
        except BaseException as problem:
            problem.add_note(f"direction: {direction}")
            raise

    with ThreadPoolExecutor(len(Direction)) as threads:
        for end in [threads.submit(told_apart, direction) for direction in Direction]:
            end.result()
