"""The one JSON document that ``--json`` puts on stdout.

``format`` is raised when a script that reads the document would have to change. May import the standard library only.
"""

import json
import sys
from collections.abc import Mapping
from typing import Any

FORMAT = 1


def write_document(command: str, body: Mapping[str, Any]) -> None:
    """Write ``{"format": 1, "command": ..., **body}`` to stdout. Numbers are finite or null, never NaN."""
    document = {"format": FORMAT, "command": command, **body}
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2) + "\n")
    sys.stdout.flush()
