"""A process that writes attempts until it is killed, for tests: ``python store_writing_child.py STORE NAME``.

It announces every attempt on stdout as soon as the store says that it is kept, and resumes the visit it finds.
"""

import sys
from itertools import count
from pathlib import Path

from store_records import a_turn, a_visit, an_observed_attempt, announced

from sitetest.store.database import Store


def main(path: Path, name: str) -> None:
    """Write attempts named ``NAME-0``, ``NAME-1``, ... for ever."""
    with Store.open(path, create=True) as store:
        visit = store.unfinished_visit("basement", "basement")
        if visit is None:
            store.begin_visit(a_visit())
        store.begin_turn(a_turn())
        print("ready", flush=True)  # noqa: T201
        for number in count():
            attempt = an_observed_attempt(number + 1, test_id=f"{name}-{number}", raw="{}" * 10_000)
            store.begin_attempt(announced(attempt))
            store.end_attempt(attempt)
            print(attempt.test_id, flush=True)  # noqa: T201


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
