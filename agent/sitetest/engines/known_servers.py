"""Remembers the token of each test server, so that it is given once.

One JSON file in the user's own settings folder, readable by that user alone, replaced as a whole:

    {"format": 1, "servers": {"ID": {"token": "...", "address": "http://...", "name": "..."}}}

A convenience: a file that cannot be read or written costs a note, never a run. May import the standard library and
platformdirs only.
"""

import json
import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import platformdirs

FORMAT = 1


@dataclass(frozen=True, slots=True)
class KnownServer:
    """What is remembered of one server. address: base URL at which it answered last."""

    token: str
    address: str
    name: str


def known_servers_path() -> Path:
    """Return where the file of this user is; it need not exist."""
    return Path(platformdirs.user_config_dir("sitetest")) / "servers.json"


class KnownServers:
    """The remembered servers. path: None is this user's own file.

    notes: sentences for people about what could not be read or written, in the order in which it happened.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._path = path or known_servers_path()
        self.notes: list[str] = []
        self._writable = True

    def get(self, server_id: str) -> KnownServer | None:
        """Return what is remembered of a server; None when it is not known."""
        return self.all().get(server_id)

    def remember(self, server_id: str, server: KnownServer) -> None:
        """Keep a server, in place of what was kept under its id. Writes nothing when nothing changed."""
        servers = self.all()
        if not self._writable or servers.get(server_id) == server:
            return
        try:
            self._write({**servers, server_id: server})
        except OSError as problem:
            self.notes.append(f"the server's token could not be remembered in {self._path}: {problem.strerror}")

    def all(self) -> dict[str, KnownServer]:
        """Return every remembered server by its id.

        A damaged file is set aside, one of a newer version is left alone; both with a note.
        """
        try:
            text = self._path.read_bytes()
        except FileNotFoundError:
            return {}
        except OSError as problem:
            self.notes.append(f"the remembered servers in {self._path} cannot be read: {problem.strerror}")
            return {}
        try:
            return _decoded(json.loads(text))
        except _Newer as newer:
            self._writable = False
            self.notes.append(f"the remembered servers in {self._path} are left alone: {newer}")
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as problem:
            self._set_aside(problem)
        return {}

    def _set_aside(self, problem: Exception) -> None:
        aside = self._path.with_name(f"{self._path.name}.damaged")
        try:
            self._path.replace(aside)
        except OSError as failure:
            self.notes.append(f"{self._path} is damaged ({problem}) and cannot be moved away: {failure.strerror}")
            return
        self.notes.append(f"{self._path} is damaged ({problem}): moved to {aside.name}; tokens must be given again")

    def _write(self, servers: Mapping[str, KnownServer]) -> None:
        """Replace the file: written beside, synced, renamed. The temporary file has mode 0600 from its first moment."""
        self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        body = {"format": FORMAT, "servers": {server_id: asdict(server) for server_id, server in servers.items()}}
        handle, beside = tempfile.mkstemp(dir=self._path.parent, prefix=f".{self._path.name}.")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(body, file, indent=2)
                file.flush()
                os.fsync(file.fileno())
            Path(beside).replace(self._path)
        except BaseException:
            with suppress(OSError):
                Path(beside).unlink()
            raise


class _Newer(Exception):
    """The file was written by a newer version."""


def _decoded(body: Any) -> dict[str, KnownServer]:
    written = body["format"]
    if isinstance(written, int) and written > FORMAT:
        raise _Newer(f"they are of format {written}, and this version reads format {FORMAT}")
    if written != FORMAT:
        raise ValueError(f"format is {written!r}, allowed is {FORMAT}")
    return {
        str(server_id): KnownServer(
            token=_text(entry["token"]), address=_text(entry["address"]), name=_text(entry["name"])
        )
        for server_id, entry in body["servers"].items()
    }


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"expected text, found {type(value).__name__}")
    return value
