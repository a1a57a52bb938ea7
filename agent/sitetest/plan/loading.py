"""From the files in `profiles/` to a checked site and a checked profile.

Promise: whatever the files hold, either the object comes back or a ProfileError that lists every mistake of the file,
one a line. Checks of single values and tables are the models'; what needs two tables or two files is checked here, on
the tables as they were written, so that it is found beside all other mistakes.

May import pydantic, sitetest.errors, plan and the standard library only.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from sitetest.errors import ProfileError
from sitetest.plan.field_mistakes import NOTHING, TableModels, field_mistakes
from sitetest.plan.layers import Merged, Tables, format_mistakes, merge, read_layers
from sitetest.plan.mistakes import Mistake, dotted, escaped, listed, nearest, quoted
from sitetest.plan.profile import (
    ComparisonTable,
    Limits,
    Matrix,
    Profile,
    ProfileTables,
    Repeats,
    SoakTable,
    TimingTable,
    internet_leg_mistake,
)
from sitetest.plan.site import AccessPoint, ApConfig, Requirement, Server, Site
from sitetest.plan.toml_file import read_toml
from sitetest.plan.value_kinds import NAME_RULE, canonical, is_name

SITE_FILE = "site"
MOST_MISTAKES = 50
"""Lines that one error shows; a file with more is not a profile."""

_SITE_TABLES: TableModels = {
    (): Site,
    ("server",): Server,
    ("access_point",): AccessPoint,
    ("ap_config",): ApConfig,
    ("requirement",): Requirement,
}
_PROFILE_TABLES: TableModels = {
    (): ProfileTables,
    ("matrix",): Matrix,
    ("timing",): TimingTable,
    ("repeats",): Repeats,
    ("comparison",): ComparisonTable,
    ("limits",): Limits,
    ("soak",): SoakTable,
}


def profile_names(site_dir: Path) -> tuple[str, ...]:
    """Return the names of all profiles in `profiles/`, sorted; those that can only be extended included.

    A file whose name breaks the rule for names is no profile. Raises ProfileError when there is no such folder.
    """
    return tuple(sorted(_profile_files(site_dir)))


def load_site(site_dir: Path) -> Site:
    """Read `profiles/site.toml` below ``site_dir``. Raises ProfileError with every mistake in it."""
    _profile_files(site_dir)
    file = _folder(site_dir) / f"{SITE_FILE}.toml"
    written = read_toml(file)
    mistakes = format_mistakes(file, written)
    tables = {key: value for key, value in written.items() if key != "format"}
    mistakes += _name_mistakes(file, tables)
    try:
        site = Site.model_validate(tables)
    except ValidationError as error:
        raise _all_of([*mistakes, *field_mistakes(error, _SITE_TABLES, lambda _key: file)]) from error
    if mistakes:
        raise _all_of(mistakes)
    return site


def load_profile(site_dir: Path, name: str) -> Profile:
    """Read the profile ``name`` with all that it extends, and check it against the site.

    Raises ProfileError with every mistake, each with the file it stands in; those of site.toml come first and alone.
    A value that an extending file replaces is not looked at.
    """
    site = load_site(site_dir)
    files = _profile_files(site_dir)
    if canonical(name) not in files:
        raise _no_such_profile(site_dir, name, files)
    layers, chain_mistakes = read_layers(canonical(name), files)
    merged, mistakes = merge(layers)
    mistakes[:0] = chain_mistakes
    for layer in layers:
        mistakes += format_mistakes(layer.file, layer.tables)
    mistakes += _matrix_mistakes(site, merged)
    try:
        ProfileTables.model_validate(merged.tables)
    except ValidationError as error:
        found = field_mistakes(error, _PROFILE_TABLES, merged.file_of)
        if chain_mistakes:  # what is missing may stand in the file that was not found
            found = [mistake for mistake in found if mistake.found != NOTHING]
        raise _all_of([*mistakes, *found]) from error
    if mistakes:
        raise _all_of(mistakes)
    extends = {key: value for key, value in layers[0].tables.items() if key == "extends"}
    return Profile.model_validate({**merged.tables, **extends, "name": canonical(name)})


def _all_of(mistakes: Iterable[Mistake]) -> ProfileError:
    lines = list(dict.fromkeys(str(mistake) for mistake in mistakes))
    if len(lines) > MOST_MISTAKES:
        lines[MOST_MISTAKES:] = [f"and {len(lines) - MOST_MISTAKES} more"]
    return ProfileError("\n".join(lines))


def _folder(site_dir: Path) -> Path:
    return site_dir / "profiles"


def _profile_files(site_dir: Path) -> dict[str, Path]:
    folder = _folder(site_dir)
    shown = escaped(str(Path.cwd() / folder))
    advice = "Give the site's folder with --site, or write an example with: sitetest new DIR"
    try:
        if not folder.is_dir():
            raise ProfileError(f"{shown}: there is no such folder", advice)
        files = {canonical(file.stem): file for file in folder.iterdir() if file.suffix == ".toml"}
    except (OSError, ValueError) as problem:  # ValueError: a NUL in the path
        raise ProfileError(f"{shown}: cannot be read: {problem}", advice) from problem
    return {name: file for name, file in files.items() if name != SITE_FILE and _may_name_a_profile(name)}


def _no_such_profile(site_dir: Path, name: str, files: Iterable[str]) -> ProfileError:
    if name == SITE_FILE:
        why = "site.toml describes the site and is no profile"
    elif not is_name(name):
        why = f"the name of a profile has {NAME_RULE}"
    elif not _may_name_a_profile(name):
        why = "a profile is named without its folder and without .toml"
    else:
        why = "there is no such profile"
    known = sorted(files)
    near = nearest(name.replace("\\", "/").rsplit("/", maxsplit=1)[-1].removesuffix(".toml"), known)
    hint = f"; did you mean {quoted(near)}?" if near else ""
    allowed = listed(known) if known else "none, since there is no profile in that folder"
    return ProfileError(f"{escaped(str(_folder(site_dir)))}: found {quoted(name)}: {why}; allowed: {allowed}{hint}")


def _may_name_a_profile(name: str) -> bool:
    return is_name(name) and not name.startswith(".") and not name.endswith(".toml") and not set(name) & set("/\\")


def _rows(tables: Tables, heading: str) -> Iterator[tuple[int, dict[str, Any]]]:
    """Return the tables of an array with their index, whatever else may be wrong with it."""
    rows = tables.get(heading)
    for index, row in enumerate(rows if isinstance(rows, list) else ()):
        if isinstance(row, dict):
            yield index, row


def _name_mistakes(file: Path, tables: Tables) -> list[Mistake]:
    """Check what site.toml says about names in more than one table: each once, and each that is used exists."""
    mistakes = []
    names: dict[str, dict[str, str]] = {"access_point": {}, "ap_config": {}}
    for heading, first in names.items():
        for index, row in _rows(tables, heading):
            key = dotted((heading, index, "name"))
            if isinstance(row.get("name"), str):
                name = canonical(row["name"])
                if name in first:
                    mistakes.append(Mistake(file, key, quoted(name), f"a name that {first[name]} does not have"))
                first.setdefault(name, key)
    bssids: dict[str, str] = {}
    for index, row in _rows(tables, "access_point"):
        for position, bssid in enumerate(row["bssids"] if isinstance(row.get("bssids"), list) else ()):
            key = dotted(("access_point", index, "bssids", position))
            written = bssid.lower().replace("-", ":") if isinstance(bssid, str) else key
            if written in bssids:
                mistakes.append(Mistake(file, key, quoted(bssid), f"a BSSID other than {bssids[written]}"))
            bssids.setdefault(written, key)
    for index, row in _rows(tables, "ap_config"):
        wanted = row.get("access_point")
        known = names["access_point"]
        if known and isinstance(wanted, str) and canonical(wanted) not in known:
            mistakes.append(_unknown(file, ("ap_config", index, "access_point"), wanted, known))
    return mistakes


def _matrix_mistakes(site: Site, merged: Merged) -> list[Mistake]:
    """Check the matrix against the site: AP configs that it has, an internet leg that is possible."""
    matrix = merged.tables.get("matrix", {})
    if not isinstance(matrix, dict):
        return []

    def texts(key: str) -> list[str] | None:
        written = matrix.get(key)
        return [entry for entry in written if isinstance(entry, str)] if isinstance(written, list) else None

    mistakes = []
    written = matrix.get("ap_configs")
    for index, wanted in enumerate(written if isinstance(written, list) else ()):
        if isinstance(wanted, str) and canonical(wanted) not in site.ap_config_names:
            key = ("matrix", "ap_configs", index)
            mistakes.append(_unknown(merged.file_of(key), key, wanted, site.ap_config_names))
    left_out = Matrix()
    problem = internet_leg_mistake(
        site.server,
        texts("legs") or left_out.legs,
        texts("engines") or left_out.engines,
        texts("directions") or left_out.directions,
        texts("internet_directions"),
    )
    if problem:
        part, found, allowed = problem
        mistakes.append(Mistake(merged.file_of(("matrix", part)), f"matrix.{part}", found, allowed))
    return mistakes


def _unknown(file: Path, key: tuple[str | int, ...], wanted: str, known: Iterable[str]) -> Mistake:
    names = list(known)
    near = nearest(canonical(wanted), names)
    return Mistake(file, dotted(key), quoted(wanted), listed(names), quoted(near) if near else None)
