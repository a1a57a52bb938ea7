"""A profile and the profiles it extends, merged: tables key by key, the extending file wins, lists are replaced.

Pure but for reading the files. May import sitetest.errors, plan.mistakes, plan.toml_file and the standard library only.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sitetest.errors import ProfileError
from sitetest.plan.field_mistakes import NOTHING, Key
from sitetest.plan.mistakes import Mistake, described, dotted, listed, nearest, quoted
from sitetest.plan.toml_file import read_toml
from sitetest.plan.value_kinds import canonical

FORMAT = 1
"""Of site.toml and profiles. Raised when an older sitetest would misread a file."""

Tables = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Layer:
    """What stands in one file."""

    file: Path
    tables: Tables


@dataclass(frozen=True, slots=True)
class Merged:
    """What stands in a profile and in all that it extends.

    origin: the file that each key came from, by table and key. leaf: the extending file.
    """

    tables: Tables
    origin: Mapping[tuple[str, ...], Path]
    leaf: Path

    def file_of(self, key: Key) -> Path:
        """Return the file in which a key stands; the extending file for a key that stands nowhere."""
        names = tuple(part for part in key if isinstance(part, str))
        return self.origin.get(names[:2]) or self.origin.get(names[:1]) or self.leaf


def read_layers(name: str, files: Mapping[str, Path]) -> tuple[list[Layer], list[Mistake]]:
    """Read a profile and what it extends, the extending file first, as far as the chain leads.

    files: every profile by name; ``name`` is one of them. Raises ProfileError for a file that is no TOML.
    """
    layers: list[Layer] = []
    chain: list[str] = []
    while True:
        chain.append(name)
        file = files[name]
        tables = read_toml(file)
        layers.append(Layer(file, tables))
        base = tables.get("extends")
        if base is None:
            return layers, []
        others = sorted(set(files) - set(chain))
        allowed = listed(others) if others else "nothing, since there is no other profile"
        if not isinstance(base, str):
            return layers, [Mistake(file, "extends", described(base), allowed)]
        name = canonical(base)
        if name in chain:
            circle = " -> ".join(quoted(link) for link in [*chain[chain.index(name) :], name])
            return layers, [Mistake(file, "extends", f"a circle, {circle}", "a profile that does not lead back here")]
        if name not in files:
            near = nearest(name, others)
            return layers, [Mistake(file, "extends", quoted(base), allowed, quoted(near) if near else None)]


def merge(layers: Sequence[Layer]) -> tuple[Merged, list[Mistake]]:
    """Merge layers, of which the first is the extending file. A table that is none in a base is a mistake."""
    tables: Tables = {}
    origin: dict[tuple[str, ...], Path] = {}
    mistakes: list[Mistake] = []
    for layer in reversed(layers):
        for key, value in layer.tables.items():
            if key in {"format", "extends"}:
                continue
            below = tables.get(key, {})
            if isinstance(value, dict) and not isinstance(below, dict):
                mistakes.append(Mistake(origin[(key,)], dotted((key,)), described(below), "a table"))
                below = {}
            tables[key] = {**below, **value} if isinstance(value, dict) else value
            origin[(key,)] = layer.file
            origin |= {(key, inner): layer.file for inner in value} if isinstance(value, dict) else {}
    return Merged(tables, origin, layers[0].file), mistakes


def format_mistakes(file: Path, tables: Tables) -> list[Mistake]:
    """Check the format's number.

    A newer one is raised at once, as ProfileError: what else looks wrong in that file may be right to a newer sitetest.
    """
    found = tables.get("format")
    number = found if isinstance(found, int) and not isinstance(found, bool) else 0
    if number == FORMAT:
        return []
    if number > FORMAT:
        raise ProfileError(
            str(Mistake(file, "format", described(found), str(FORMAT))), "The file needs a newer sitetest: update it."
        )
    return [Mistake(file, "format", described(found) if "format" in tables else NOTHING, str(FORMAT))]
