"""The one JSON document that ``--json`` puts on stdout.

``format`` is raised when a script that reads the document would have to change. May import the standard library only.
"""

import json
import sys
from collections.abc import Mapping
from typing import Any

FORMAT = 1


def write_error(kind: str, message: str, next_step: str, exit_code: int) -> None:
    """Write ``{"format": 1, "error": {...}}`` to stdout, in place of the document that did not come about."""
    body = {"kind": kind, "message": message, "next_step": next_step, "exit_code": exit_code}
    document = {"format": FORMAT, "error": body}
    sys.stdout.write(json.dumps(document, ensure_ascii=False, indent=2) + "\n")
    sys.stdout.flush()


def write_document(command: str, body: Mapping[str, Any]) -> None:
    """Write ``{"format": 1, "command": ..., **body}`` to stdout. Numbers are finite or null, never NaN."""
    document = {"format": FORMAT, "command": command, **body}
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2) + "\n")
    sys.stdout.flush()
