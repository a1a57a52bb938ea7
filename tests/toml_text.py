"""Write values as TOML, for tests that make up files: what `tomllib` reads back is what was given (but for nan)."""

import json
from collections.abc import Mapping
from datetime import date, datetime, time


def toml_text(document: Mapping[str, object]) -> str:
    """Return a TOML document with one line a key; tables below the top are written inline."""
    return "".join(f"{_quoted(key)} = {_value(value)}\n" for key, value in document.items())


def _value(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return _quoted(value)
        case int():
            return hex(value) if value > 2**63 else str(value)
        case float():
            return repr(value)
        case datetime() | date() | time():
            return value.isoformat()
        case list():
            return f"[{', '.join(map(_value, value))}]"
        case dict():
            return f"{{{', '.join(f'{_quoted(key)} = {_value(inner)}' for key, inner in value.items())}}}"
        case _:
            raise TypeError(f"TOML has no {type(value).__name__}")


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
