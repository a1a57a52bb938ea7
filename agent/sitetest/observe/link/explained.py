"""The rule of every link record: a field has a value, or it is null and its reason stands in `why`. Nothing in between.

A path names a field: `rssi_dbm`, `tx.mcs`, `links.0.tx.mbps`. When a whole group is null (`tx`), its own path has the
reason and its parts have none.

Pure. May import the standard library and its neighbours only.
"""

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from sitetest.observe.link.plausible import plausible
from sitetest.observe.link.reasons import Reason


def leaves(record: Any, skip: frozenset[str] = frozenset(), prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every (path, value) of a record's nullable fields; a null group is one leaf, an empty tuple none."""
    for field in fields(record):
        if field.name in skip:
            continue
        path = prefix + field.name
        value = getattr(record, field.name)
        if isinstance(value, tuple):
            for index, part in enumerate(value):
                yield from leaves(part, prefix=f"{path}.{index}.")
        elif value is not None and is_dataclass(value):
            yield from leaves(value, prefix=f"{path}.")
        else:
            yield path, value


def check(record: Any, why: Mapping[str, Reason], derived: tuple[str, ...], skip: frozenset[str]) -> None:
    """Raise ValueError unless null and `why` agree, all values are plausible and what is derived has a value."""
    found = dict(leaves(record, skip))
    empty = {path for path, value in found.items() if value is None}
    if empty != set(why):
        raise ValueError(
            f"null without a reason: {sorted(empty - set(why))}; a reason without a null: {sorted(set(why) - empty)}"
        )
    for path, value in found.items():
        if value is not None and not plausible(path, value):
            raise ValueError(f"{path} cannot be {value!r}")
    if unknown := [path for path in derived if found.get(path) is None]:
        raise ValueError(f"derived, but without a value: {unknown}")
