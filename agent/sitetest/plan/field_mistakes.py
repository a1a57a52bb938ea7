"""From what pydantic finds in a file to mistakes for people. The one place where its errors are translated.

May import pydantic, plan.mistakes, plan.value_kinds and the standard library only.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from sitetest.plan.mistakes import Mistake, described, dotted, nearest
from sitetest.plan.value_kinds import REFUSED

Key = tuple[str | int, ...]
TableModels = Mapping[tuple[str, ...], type[BaseModel]]
"""The model of each table of a file, by its key without indices; () is the file itself."""

NOTHING = "nothing"
"""Found, where a key is missing."""


def field_mistakes(error: ValidationError, models: TableModels, file_of: Callable[[Key], Path]) -> list[Mistake]:
    """Return every error as a mistake. file_of: the file in which a key stands, or should."""
    return [
        _beside(details, file_of) or _mistake(details, models, file_of(details["loc"]))
        for details in error.errors(include_url=False, include_input=True)
    ]


def keys_of(model: type[BaseModel]) -> list[str]:
    """Return the keys of a table as they are written in a file."""
    return [field.alias or name for name, field in model.model_fields.items()]


def _beside(details: ErrorDetails, file_of: Callable[[Key], Path]) -> Mistake | None:
    """Blame the other of two keys that contradict each other where that one is the extending file's own, and the key in
    which it was found is inherited: there it can be put right, and there it went wrong."""
    told = details.get("ctx", {}).get("beside") if details["type"] == REFUSED else None
    if told is None:
        return None
    name, found, allowed = told
    key, other = details["loc"], (*details["loc"][:-1], name)
    extending = file_of(())
    if file_of(other) != extending or file_of(key) == extending:
        return None
    return Mistake(extending, dotted(other), described(found), allowed)


def _mistake(details: ErrorDetails, models: TableModels, file: Path) -> Mistake:
    key = details["loc"]
    match details["type"]:
        case kind if kind == REFUSED:
            context = details["ctx"]
            return Mistake(
                file,
                dotted(key),
                context["found"] or described(details["input"]),
                context["allowed"],
                context["nearest"],
            )
        case "missing":
            return Mistake(file, dotted(key), NOTHING, _description(models[_names(key[:-1])], key[-1]))
        case "extra_forbidden":
            allowed = keys_of(models[_names(key[:-1])])
            written = str(key[-1])
            return Mistake(
                file, dotted(key), "an unknown key", ", ".join(["format", *allowed] if len(key) == 1 else allowed),
                _meant(written, allowed, models),
            )  # fmt: skip
        case "model_type":
            return Mistake(file, dotted(key), described(details["input"]), "a table")
        case _:
            return Mistake(file, dotted(key), described(details["input"]), details["msg"])


def _names(key: Key) -> tuple[str, ...]:
    return tuple(part for part in key if isinstance(part, str))


def _description(model: type[BaseModel], key: str | int) -> str:
    for name, field in model.model_fields.items():
        if key in (field.alias, name) and field.description:
            return field.description
    return "a value"


def _meant(written: str, allowed: list[str], models: TableModels) -> str | None:
    """Find the key that was probably meant: one of the same name in another table, or one that is spelled nearly so."""
    for table, model in models.items():
        if table and written in keys_of(model):
            return f"{written} under [{'.'.join(table)}]"
    return nearest(written, allowed)
